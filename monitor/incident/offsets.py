"""How far the clocks of neighbouring sources differ, estimated from trains that were handed over between them.

A train that goes from one section into the next enters the second before it has left the first: its first axle passes the head between them, then its last.
So *overlap* = left the first - entered the second is how long the train took over the head, and for one train it is much the same at every head.
Where both sections speak through one source, no clock has a part in it; where they speak through two, the overlap is longer or shorter by the difference of their clocks.
The median over many trains is the estimate; what a train takes over a head where it stops is left out by it.

Only differences can be seen: the middle source is taken as right, and the others are told against it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from scipy.linalg import lstsq

from monitor.core.moments import MINUTE, SECOND, Duration
from monitor.incident.story import Trace, Visit

LEAST = 5
"""Fewer handovers between two sources say nothing (our choice: the median of five bears two that are wrong)."""

LONGEST: Duration = 2 * MINUTE
"""Who takes longer over a head has stopped on it (common practice: a train of 700 m at walking pace takes two minutes)."""

FAR: Duration = 30 * SECOND
"""Clocks farther apart than this are no longer told by handovers: two trains may be taken for one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """A train went from a section of one source into one of another.

    Args:
        behind: the source of the section that it left.
        ahead: the source of the section into which it went.
        over: by how much longer it took over the head than elsewhere, where both clocks were right: nothing.
    """

    behind: str
    ahead: str
    over: Duration


@dataclass(frozen=True, slots=True, kw_only=True)
class Offset:
    """What the handovers say of a source's clock.

    Args:
        source: whose.
        ahead: by how much it is before the middle source, or None where there are too few handovers.
        spread: half of the handovers lie within so much of the estimate, or None.
        handovers: how many there are with other sources.
        beside: the sources with which they were.
    """

    source: str
    ahead: Duration | None
    spread: Duration | None
    handovers: int
    beside: tuple[str, ...]


def handovers(
    traces: Iterable[Trace], sources: Mapping[str, str]
) -> tuple[Handover, ...]:
    """Every handover between two sources.

    Args:
        traces: trains by the sections they went through.
        sources: which source speaks for each section.
    """
    taken = [list(_overlaps(one.visits)) for one in traces]
    own = [
        [over for a, b, over in overlaps if sources.get(a) == sources.get(b)]
        for overlaps in taken
    ]
    everybody = [over for overlaps in own for over in overlaps]
    if not everybody:
        return ()
    usual = median(everybody)
    found = []
    for overlaps, alike in zip(taken, own, strict=True):
        expected = median(alike) if alike else usual
        for a, b, over in overlaps:
            behind, ahead = sources.get(a, ""), sources.get(b, "")
            if behind and ahead and behind != ahead:
                found.append(
                    Handover(behind=behind, ahead=ahead, over=round(over - expected))
                )
    return tuple(found)


def _overlaps(visits: tuple[Visit, ...]) -> Iterator[tuple[str, str, Duration]]:
    """From where into where a train went, and how long it took over the head."""
    for one, other in pairwise(visits):
        if one.left is None or not (one.sure and other.sure):
            continue
        over = one.left - other.entered
        if -FAR <= over <= LONGEST:
            yield one.section, other.section, over


def offsets(
    found: Iterable[Handover], sources: Mapping[str, str]
) -> tuple[Offset, ...]:
    """What *found* says of the clock of each source, in the order of their names.

    Example:
        >>> pair = [Handover(behind="a", ahead="b", over=400_000)] * 5
        >>> [(one.source, one.ahead) for one in offsets(pair, {"T1": "a", "T2": "b"})]
        [('a', 200000), ('b', -200000)]
    """
    pairs: dict[tuple[str, str], list[Duration]] = defaultdict(list)
    for one in found:
        # Who is left gives its time late by as much as its clock is ahead.
        if one.behind < one.ahead:
            pairs[one.behind, one.ahead].append(one.over)
        else:
            pairs[one.ahead, one.behind].append(-one.over)
    names = sorted({one for one in sources.values() if one})
    known = {pair: overs for pair, overs in pairs.items() if len(overs) >= LEAST}
    estimate: dict[str, float] = {}
    for group in _joined(names, known):
        if len(group) > 1:
            estimate |= _solved(group, known)
    return tuple(_offset(name, pairs, known, estimate) for name in names)


def _joined(
    names: Iterable[str], pairs: Iterable[tuple[str, str]]
) -> Iterator[list[str]]:
    """Sources that handovers join, directly or through others."""
    group = {name: {name} for name in names}
    for one, other in pairs:
        both = group[one] | group[other]
        for name in both:
            group[name] = both
    seen: set[str] = set()
    for name, members in group.items():
        if name not in seen:
            seen |= members
            yield sorted(members)


def _solved(
    group: list[str], pairs: Mapping[tuple[str, str], list[Duration]]
) -> dict[str, float]:
    """By least squares over the medians of the pairs, each weighed by how many handovers it has, against the middle one."""
    place = {name: number for number, name in enumerate(group)}
    rows, values = [], []
    for (one, other), overs in pairs.items():
        if one in place:
            weight = len(overs) ** 0.5
            row = [0.0] * len(group)
            row[place[one]], row[place[other]] = weight, -weight
            rows.append(row)
            values.append(median(overs) * weight)
    solved = lstsq(rows, values)[0]
    middle = float(median(solved))
    return {name: float(solved[place[name]]) - middle for name in group}


def _offset(
    name: str,
    pairs: Mapping[tuple[str, str], list[Duration]],
    known: Mapping[tuple[str, str], list[Duration]],
    estimate: Mapping[str, float],
) -> Offset:
    mine = {pair: overs for pair, overs in pairs.items() if name in pair}
    beside = sorted({one for pair in mine for one in pair if one != name})
    ahead = estimate.get(name)
    spreads = [
        abs(over - median(overs))
        for pair, overs in known.items()
        if name in pair
        for over in overs
    ]
    return Offset(
        source=name,
        ahead=None if ahead is None else round(ahead),
        spread=None if ahead is None or not spreads else round(median(spreads)),
        handovers=sum(map(len, mine.values())),
        beside=tuple(beside),
    )
