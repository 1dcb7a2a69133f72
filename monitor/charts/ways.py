"""In which order sections stand below one another on the time-distance diagram: way by way.

A train is read there as one line down or up neighbouring rows.
So what a train runs through in one go stands together, the longest way first: a track of a line, or a line with one.
A branch, or a second track, is a way of its own beside it, never between its rows; only what is short and goes out of a way and into it again, or ends beside it, stands at its place in it: a loop, a platform, a siding.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from monitor.charts.lineup import Lineup, lineup
from monitor.core.layout import Line

SHORT = 3
"""Sections of a loop at most, for it to stand within the way that it leaves."""


def ways(line: Line, sections: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """*sections*, by ways, each from left to right.

    Example:
        >>> from monitor.core.layout import read_line
        >>> text = '''
        ... [line]
        ... name = "A line"
        ... timezone = "UTC"
        ... [[evaluator]]
        ... id = "E"
        ... site = "S"
        ... '''
        >>> for name in ("A", "B", "C", "B2"):
        ...     text += f'''
        ... [[section]]
        ... id = "{name}"
        ... area = "x"
        ... evaluator = "E"
        ... length_m = 500
        ... speed_km_h = 80
        ... '''
        >>> joined = [("A", "B"), ("B", "C"), ("A", "B2"), ("B2", "C")]
        >>> for number, (one, other) in enumerate(joined):
        ...     text += f'''
        ... [[head]]
        ... id = "H{number}"
        ... between = ["{one}", "{other}"]
        ... '''
        >>> ways(read_line(text), ["A", "B", "C", "B2"])
        (('A', 'B', 'B2', 'C'),)
    """
    placed = lineup(line, sections)
    onward = _onward(line, placed)
    found: list[list[str]] = []
    left = list(placed.places)
    while left:
        chain = _longest(onward, left)
        _stand(line, placed, chain, found)
        gone = set(chain)
        left = [one for one in left if one not in gone]
    return tuple(map(tuple, found))


def _onward(line: Line, placed: Lineup) -> dict[str, list[str]]:
    """The sections that a way goes on to from each: on its own track where that goes on."""
    right: dict[str, list[str]] = {name: [] for name in placed.places}
    left: dict[str, list[str]] = {name: [] for name in placed.places}
    for join in placed.joins:
        one, other = join.left, join.right
        if other in right and placed.places[one].column < placed.places[other].column:
            right[one].append(other)
            left[other].append(one)
    track = {name: line.sections[name].track for name in placed.places}

    def goes_on(one: str, other: str) -> bool:
        if track[one] == track[other]:
            return True
        return not any(track[near] == track[one] for near in right[one]) and not any(
            track[near] == track[other] for near in left[other]
        )

    return {
        one: [other for other in others if goes_on(one, other)]
        for one, others in right.items()
    }


def _longest(onward: dict[str, list[str]], left: Collection[str]) -> list[str]:
    """The longest way through what is *left*, which is ordered from left to right; of those as long the first."""
    there = set(left)
    length: dict[str, int] = {}
    then: dict[str, str] = {}
    for name in reversed(list(left)):
        length[name] = 1
        for other in onward[name]:
            if other in there and length[other] + 1 > length[name]:
                length[name], then[name] = length[other] + 1, other
    name = max(left, key=length.__getitem__)
    chain = [name]
    while name in then:
        name = then[name]
        chain.append(name)
    return chain


def _stand(
    line: Line, placed: Lineup, chain: list[str], found: list[list[str]]
) -> None:
    """Put *chain* into the way that it leaves and joins again, or ends beside; else it is one of its own."""
    for way in found:
        before = list(_beside(line, chain[0], way))
        after = list(_beside(line, chain[-1], way))
        columns = {name: placed.places[name].column for name in way}
        first, last = (placed.places[name].column for name in (chain[0], chain[-1]))
        out = [name for name in before if columns[name] < first]
        back = [name for name in after if columns[name] > last]
        loop = out and back and len(chain) <= SHORT
        ends = (before or after) and len(chain) == 1
        if not (loop or ends):
            continue
        if out:
            place = way.index(out[-1]) + 1
            # What stands at the same place already stays before it.
            while place < len(way) and columns[way[place]] <= last:
                place += 1
        else:
            place = way.index((back or before)[0])
        way[place:place] = chain
        return
    found.append(chain)


def _beside(line: Line, name: str, way: list[str]) -> Iterator[str]:
    near = set(line.neighbours(name))
    return (one for one in way if one in near)
