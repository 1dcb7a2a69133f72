"""Where sections go on a drawing of the line: side by side as trains pass through them, tracks one below the other.

A line file says which sections share a head, and perhaps at which kilometre; it says nothing of a drawing.
So the order is worked out: along the kilometres of the heads where they are given and can be right, else by the ways of the heads, forward to the right.
A *column* is one section wide, whatever its length, so that a short section can be seen as well as a long one; sections beside one another on two tracks share a column.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from monitor.core.layout import OPEN, Line

NEAR_M = 1.0
"""Two ends closer than this are at the same place."""

FAR, SPARE_M = 3.0, 200.0
"""Heads of a section farther apart than so many times its length, and this, are not where the file says."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a section is drawn.

    Args:
        column: from the left, from 0.
        row: the track, from the top, from 0.
    """

    column: int
    row: int


@dataclass(frozen=True, slots=True)
class Join:
    """Two sections that share a head, the left one first.

    Args:
        left: a section.
        right: the other, or `open`.
        head: which they share.
    """

    left: str
    right: str
    head: str


@dataclass(frozen=True, slots=True)
class Lineup:
    """Some sections of a line, side by side.

    Args:
        places: of each section.
        joins: the heads between them, in the order of the line file.
        columns: how many.
        rows: how many.
    """

    places: dict[str, Place]
    joins: tuple[Join, ...]
    columns: int
    rows: int


def lineup(line: Line, sections: Iterable[str]) -> Lineup:
    """Place *sections*.

    Example:
        >>> from monitor.core.layout import read_line
        >>> text = '''
        ... [line]
        ... name = "A line"
        ... timezone = "UTC"
        ... [[evaluator]]
        ... id = "E"
        ... site = "S"
        ... [[section]]
        ... id = "A"
        ... area = "x"
        ... evaluator = "E"
        ... length_m = 500
        ... speed_km_h = 80
        ... [[section]]
        ... id = "B"
        ... area = "x"
        ... evaluator = "E"
        ... length_m = 500
        ... speed_km_h = 80
        ... [[head]]
        ... id = "H"
        ... between = ["A", "B"]
        ... '''
        >>> lineup(read_line(text), ["B", "A"]).places
        {'A': Place(column=0, row=0), 'B': Place(column=1, row=0)}
    """
    columns = _columns(line, dict.fromkeys(sections))
    file = {name: number for number, name in enumerate(line.sections)}
    places: dict[str, Place] = {}
    for name in sorted(columns, key=lambda one: (columns[one], file[one])):
        places[name] = Place(columns[name], _row(line, name, columns[name], places))
    return Lineup(
        places=places,
        joins=tuple(_joins(line, places)),
        columns=max((one.column for one in places.values()), default=-1) + 1,
        rows=max((one.row for one in places.values()), default=-1) + 1,
    )


def surroundings(line: Line, section: str, most: int) -> tuple[str, ...]:
    """*section* and those nearest to it by heads passed, at most *most*, in the order of the line file."""
    found = {section: None}
    edge = deque([section])
    while edge and len(found) < most:
        for near in line.neighbours(edge.popleft()):
            if near not in found and len(found) < most:
                found[near] = None
                edge.append(near)
    return tuple(name for name in line.sections if name in found)


def _columns(line: Line, sections: Collection[str]) -> dict[str, int]:
    """The column of each section: by kilometres where they can be right, else by the ways of the heads."""
    spans = {name: _span(line, name) for name in sections}
    if all(one is not None for one in spans.values()):
        return _by_kilometres(line, {k: v for k, v in spans.items() if v is not None})
    return _by_ways(line, sections)


def _span(line: Line, name: str) -> tuple[float, float] | None:
    """From where to where a section reaches, in metres; None where the file does not say, or what it says cannot be."""
    kilometres = [line.heads[head].km for head in line.heads_of(name)]
    known = [one * 1000 for one in kilometres if one is not None]
    length = line.sections[name].length_m
    if not known or len(known) < len(kilometres):
        return None
    low, high = min(known), max(known)
    if high - low > FAR * length + SPARE_M:
        return None
    if high - low >= NEAR_M:
        return low, high
    # The end of a line: it goes on away from its neighbours.
    beyond = [
        km * 1000
        for near in line.neighbours(name)
        for head in line.heads_of(near)
        if (km := line.heads[head].km) is not None
    ]
    back = max(beyond, default=low) > high + NEAR_M
    return (low - length, low) if back else (low, low + length)


def _by_kilometres(line: Line, spans: dict[str, tuple[float, float]]) -> dict[str, int]:
    """Each right of all that end where it begins, and of every neighbour that begins before it."""
    columns: dict[str, int] = {}
    for name in sorted(spans, key=lambda one: (spans[one], one)):
        begin, near = spans[name][0], line.neighbours(name)
        before = [
            column + 1
            for other, column in columns.items()
            if spans[other][1] <= begin + NEAR_M
            or (other in near and spans[other][0] < begin - NEAR_M)
        ]
        columns[name] = max(before, default=0)
    return columns


def _by_ways(line: Line, sections: Collection[str]) -> dict[str, int]:
    """Each right of those out of which trains go forward into it, as far right as what follows allows."""
    onward = _onward(line, sections)
    order = _in_order(onward)
    columns = dict.fromkeys(order, 0)
    for name in order:
        for other in onward[name]:
            columns[other] = max(columns[other], columns[name] + 1)
    for name in reversed(order):
        follows = [columns[other] for other in onward[name]]
        columns[name] = max(columns[name], min(follows, default=0) - 1)
    return columns


def _onward(line: Line, sections: Collection[str]) -> dict[str, list[str]]:
    """The sections that lie forward of each; of a ring, one way is left out."""
    found: dict[str, list[str]] = {name: [] for name in sections}
    for head in line.heads.values():
        one, other = head.between
        if one in found and other in found and not _reaches(found, other, one):
            found[one].append(other)
    return found


def _reaches(onward: dict[str, list[str]], begin: str, end: str) -> bool:
    seen, edge = {begin}, [begin]
    while edge:
        name = edge.pop()
        if name == end:
            return True
        for other in onward[name]:
            if other not in seen:
                seen.add(other)
                edge.append(other)
    return False


def _in_order(onward: dict[str, list[str]]) -> list[str]:
    """The sections, each before all that lie forward of it."""
    waiting = dict.fromkeys(onward, 0)
    for others in onward.values():
        for other in others:
            waiting[other] += 1
    ready = deque(name for name, count in waiting.items() if count == 0)
    order = []
    while ready:
        name = ready.popleft()
        order.append(name)
        for other in onward[name]:
            waiting[other] -= 1
            if waiting[other] == 0:
                ready.append(other)
    return order


def _row(
    line: Line,
    name: str,
    column: int,
    places: dict[str, Place],
) -> int:
    """The track of a neighbour before it where that is free, else the first free one."""
    taken = {place.row for place in places.values() if place.column == column}
    track = line.sections[name].track
    before = [
        places[other]
        for other in line.neighbours(name)
        if other in places and places[other].column < column
    ]
    same = [
        places[other]
        for other in line.neighbours(name)
        if other in places and line.sections[other].track == track
    ]
    for one in [*same, *sorted(before, key=lambda place: (-place.column, place.row))]:
        if one.row not in taken:
            return one.row
    wanted = before[0].row if before else 0
    free = (row for row in range(len(places) + 1) if row not in taken)
    waits = _waiting(line, places)
    return min(free, key=lambda row: (row in waits, abs(row - wanted), row))


def _waiting(line: Line, places: dict[str, Place]) -> set[int]:
    """The rows whose last section has a neighbour that is still to come, and wants to go on there."""
    last: dict[int, str] = {}
    for name, place in places.items():
        if place.row not in last or places[last[place.row]].column < place.column:
            last[place.row] = name
    return {
        row
        for row, name in last.items()
        if any(near not in places for near in line.neighbours(name))
    }


def _joins(line: Line, places: dict[str, Place]) -> Iterable[Join]:
    for head, one in line.heads.items():
        known = [name for name in one.between if name in places]
        if not known:
            continue
        if len(known) == 2:
            left, right = sorted(known, key=lambda name: (places[name].column, name))
            yield Join(left, right, head)
        else:
            other = next(name for name in one.between if name != known[0])
            yield Join(known[0], OPEN if other == OPEN else other, head)
