"""Spells of time: put together, cut, taken from one another.

A spell is a pair of moments, the first in it and the first no longer in it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate

from monitor.core.moments import Duration, Moment

Spell = tuple[Moment, Moment]


def together(spells: Iterable[Spell]) -> list[Spell]:
    """*spells* in order of time, those that meet or overlap as one.

    Example:
        >>> together([(5, 9), (1, 3), (3, 4), (9, 9)])
        [(1, 4), (5, 9)]
    """
    found: list[Spell] = []
    for begin, end in sorted(spells):
        if end <= begin:
            continue
        if found and begin <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((begin, end))
    return found


def within(spells: Iterable[Spell], begin: Moment, end: Moment) -> list[Spell]:
    """What of *spells* lies from *begin* up to *end*, put together."""
    return together((max(one, begin), min(other, end)) for one, other in spells)


def without(spells: Sequence[Spell], gone: Sequence[Spell]) -> list[Spell]:
    """What is left of *spells* once *gone* is taken out; both put together.

    Example:
        >>> without([(0, 10)], [(2, 3), (8, 20)])
        [(0, 2), (3, 8)]
    """
    if not gone:
        return list(spells)
    found: list[Spell] = []
    at = 0
    for begin, end in spells:
        while at and gone[at - 1][1] > begin:
            at -= 1
        while at < len(gone) and gone[at][1] <= begin:
            at += 1
        one = begin
        while at < len(gone) and gone[at][0] < end:
            if gone[at][0] > one:
                found.append((one, gone[at][0]))
            one = max(one, gone[at][1])
            at += 1
        if one < end:
            found.append((one, end))
    return found


def length(spells: Iterable[Spell]) -> Duration:
    """How long they are in all.

    Example:
        >>> length([(0, 2), (3, 8)])
        7
    """
    return sum(end - begin for begin, end in spells)


def elapsed(spells: Sequence[Spell], moments: Iterable[Moment]) -> list[Duration]:
    """How much of *spells*, which are in order and apart, had gone by at each of *moments*.

    Example:
        >>> elapsed([(10, 20), (30, 35)], [5, 12, 25, 31, 99])
        [0, 2, 10, 11, 15]
    """
    begins = [begin for begin, _ in spells]
    gone = list(accumulate((end - begin for begin, end in spells), initial=0))
    found = []
    for moment in moments:
        at = bisect_right(begins, moment)
        here = 0
        if at:
            begin, end = spells[at - 1]
            here = min(moment, end) - begin
        found.append(gone[max(at - 1, 0)] + here)
    return found


def longest(spells: Iterable[Spell]) -> Duration:
    """How long the longest is; nought where there is none."""
    return max((end - begin for begin, end in spells), default=0)


def is_in(moment: Moment, spells: Iterable[Spell]) -> bool:
    """Whether *moment* lies in one of them."""
    return any(begin <= moment < end for begin, end in spells)
