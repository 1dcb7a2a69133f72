"""A section day by day: how often it was disturbed, and for what share of the day nobody could tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.core.facts import Fact
from monitor.core.moments import DAY, Duration, Moment, midnight_before


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A day, UTC.

    Args:
        begin: its 00:00.
        disturbances: how many began on it, those under work left out.
        not_known: for what share of it, so far, the section's state was not known or it was not heard of yet.
    """

    begin: Moment
    disturbances: int
    not_known: float


def month(facts: Iterable[Fact], now: Moment, days: int) -> list[Day]:
    """The last *days* days up to *now*, the oldest first.

    Args:
        facts: of one section: `disturbance`, `not-known`, and `heard` of whenever it was.
        now: the last of them is the day of this moment, so far.
        days: how many.
    """
    first = midnight_before(now) - (days - 1) * DAY
    counts: dict[Moment, int] = {}
    blind: list[tuple[Moment, Moment]] = []
    heard: Moment | None = None
    for fact in facts:
        if fact.kind == "heard":
            heard = fact.began if heard is None else min(heard, fact.began)
        elif fact.kind == "not-known":
            blind.append((fact.began, now if fact.ended is None else fact.ended))
        elif fact.kind == "disturbance" and not fact.values.get("under_work"):
            begin = midnight_before(fact.began)
            counts[begin] = counts.get(begin, 0) + 1
    blind.append((first, now if heard is None else heard))
    joined = _joined(blind)
    return [
        Day(
            begin=begin,
            disturbances=counts.get(begin, 0),
            not_known=_share(joined, begin, min(begin + DAY, now)),
        )
        for begin in range(first, first + days * DAY, DAY)
    ]


def _joined(spells: Iterable[tuple[Moment, Moment]]) -> list[tuple[Moment, Moment]]:
    """The same spells without overlap."""
    found: list[tuple[Moment, Moment]] = []
    for begin, end in sorted(spells):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((begin, end))
    return found


def _share(
    spells: Iterable[tuple[Moment, Moment]], begin: Moment, end: Moment
) -> float:
    if begin >= end:
        return 0.0
    within: Duration = sum(
        max(0, min(right, end) - max(left, begin)) for left, right in spells
    )
    return within / (end - begin)
