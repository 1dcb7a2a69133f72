"""The period report, worked out: what was seen of each section, added up by what sections need, and held against chance.

Under work, within an hour after it and at the start of an evaluator disturbances are counted apart: maintenance makes them, and without that the best-kept section looks worst.
What was not watched is told, and never counted as quiet.
"""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import cached_property
from typing import TypedDict

from monitor.core.layout import Line
from monitor.core.moments import DAY, HOUR, MINUTE, Moment
from monitor.core.statistics.comparing import Counted, compare
from monitor.core.statistics.fleets import LEAST, Trend, Watched, fleet_trend, trend_of
from monitor.core.statistics.ranking import (
    adjusted,
    carrying,
    expected,
    more_than_share,
    pareto,
)
from monitor.core.statistics.trend import bursts, unevenness, upper_tail
from monitor.core.words import in_full, names
from monitor.history import History
from monitor.planner.effect import BEFORE, Watched as Record
from monitor.planner.expected import Expecting, put_right
from monitor.planner.figures import FULLY, KINDS, Figures, Rank, Report
from monitor.planner.occasions import of_several
from monitor.planner.passages import noted
from monitor.planner.seen import Section, Seen, disturbances, see
from monitor.planner.spells import elapsed, length
from monitor.planner.sums import Sums
from monitor.planner.when import When
from monitor.planner.whereabouts import Whereabouts
from monitor.visits import Visit

CARRY = 0.8
"""Sections that carry so much are named."""


@contextmanager
def _no_circles_looked_for() -> Iterator[None]:
    """A report makes millions of small things, of which none refers back to itself: to look for such takes a sixth of its time."""
    looked_for = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if looked_for:
            gc.enable()


@_no_circles_looked_for()
def report(
    history: History,
    line: Line,
    begin: Moment,
    end: Moment,
    *,
    reached: Moment,
    made: Moment | None = None,
    rehearsal: bool = False,
    alerts: Mapping[str, int] | None = None,
    visits: Iterable[Visit] = (),
) -> Report:
    """What the time from *begin* up to *end* was like.

    Args:
        history: of what was so.
        line: the line file.
        begin: the first moment of the period.
        end: the first that is no longer in it.
        reached: up to when the history knows anything.
        made: when this is asked.
        rehearsal: none of it is so.
        alerts: how many were raised in it, by subject.
        visits: all of them; what was before one at which something was put right lets expect no more.

    Raises:
        ValueError: *begin* is not before *end*.
    """
    if begin >= end:
        raise ValueError("the period ends before it begins")
    period = end - begin
    there = Whereabouts(line)
    now = Sums(see(history, line, begin, end, reached), there, period, alerts or {})
    then = see(history, line, begin - period, begin, reached)
    before = Sums(then, there, period, {})
    rows = {kind: now.rows(kind) for kind in KINDS}
    seasons = now.seasons()
    every = (row for kind in KINDS for row in rows[kind])
    when = When(now, every, seasons=bool(seasons))
    last = {
        row.subject: before.per_trains(row.sections, row)
        for kind in KINDS
        for row in rows[kind]
    }
    expecting = _expecting(history, there, now.seen, min(reached, end), visits)
    trends = _Trends(now)
    ranks = {
        rank.subject: rank
        for kind in KINDS
        for rank in _ranks(rows[kind], last, when, expecting, trends)
    }
    carried = pareto({row.name: row.disturbances for row in rows["section"]})
    whole, whole_before = now.whole(), before.whole()
    fleet = trends.of_line(whole.sections)
    against = compare(whole_before.per_trains(), whole.per_trains())
    ranks[whole.subject] = Rank(
        subject=whole.subject,
        **_quarter(whole, expecting),
        trend=fleet,
        rising=None if fleet is None else fleet.chance,
        against=against,
    )
    return Report(
        line=line.name,
        timezone=line.timezone,
        begin=begin,
        end=end,
        reached=min(reached, end),
        made=made,
        rehearsal=rehearsal,
        whole=whole,
        before=whole_before,
        ever=any(one.heard is not None for one in now.seen.sections.values()),
        rows=rows,
        ranks=ranks,
        carried=tuple(carried),
        most=tuple(carrying(carried, CARRY)),
        months=now.months(),
        seasons=seasons,
        hours=now.hours(),
        fleet=fleet,
        against=against,
        detail=now.detail,
        notes=(
            *_unfinished(reached, end, line),
            *_cut_hours(begin, end, reached),
            *_notes(rows["section"], whole),
            *noted(rows["head"]),
        ),
    )


def _expecting(
    history: History,
    there: Whereabouts,
    seen: Seen,
    now: Moment,
    visits: Iterable[Visit],
) -> Expecting:
    """What is to be expected as of *now*, by the year before, however long the period is."""
    sections = seen.sections
    if not seen.begin <= now - BEFORE:
        sections = disturbances(history, there.line, now - BEFORE, now)
    return Expecting(
        {name: Record.of(one) for name, one in sections.items()},
        now,
        put_right(visits, there, now),
    )


def occasions_of_fleet(sections: Iterable[Section]) -> list[Watched]:
    """The occasions of several sections, each at the one that was disturbed first, in the time that was in use.

    What a cable does to all its sections is one occasion: taken for as many, it makes a trend out of nothing.
    """
    return _of_fleet([_Use(one) for one in sections])


def _of_fleet(uses: Sequence[_Use]) -> list[Watched]:
    together = of_several(one.occasions for one in uses)
    if len(together) == sum(len(one.occasions) for one in uses):
        return [one.all for one in uses]
    first, found = set(together), []
    for use in uses:
        mine = [at for at in use.occasions if at in first]
        first.difference_update(mine)
        found.append(Watched(*use.of(mine)))
    return found


class _Use:
    """The time in which a section was in use, and its occasions.

    A time not available is no time in which nothing happened.

    Args:
        section: what was seen of it.
    """

    def __init__(self, section: Section) -> None:
        self.section = section
        self.occasions = section.occasions
        self._spells = section.in_use
        self._end = length(self._spells)

    @cached_property
    def all(self) -> Watched:
        """All its occasions, in that time."""
        return Watched(*self.of(self.occasions))

    def of(self, moments: Iterable[Moment]) -> tuple[list[float], float, float]:
        """When those of *moments* were, and from when to when, in days of that time; what came within an hour is one.

        Where what disturbed it last also ended the time watched, that is no evidence of when it comes (as `trend.laplace_at_event`).
        """
        times = elapsed(self._spells, moments)
        found = list(bursts(sorted(times), HOUR))
        if found and self._end - found[-1] < MINUTE and self.section.failed:
            found.pop()
        return [at / DAY for at in found], 0.0, self._end / DAY


def _ranks(
    rows: Sequence[Figures],
    before: Mapping[str, Counted],
    when: When,
    expecting: Expecting,
    trends: _Trends,
) -> list[Rank]:
    records = {row.subject: row.per_trains() for row in rows}
    rates = expected(records)
    shares = more_than_share(records)
    told = {
        row.subject: trend
        for row in rows
        if (trend := trends.of(row.sections)) is not None
    }
    sure = dict(zip(told, adjusted([one.chance for one in told.values()]), strict=True))
    found = []
    for row in rows:
        subject = row.subject
        found.append(
            Rank(
                subject=subject,
                expected=rates.get(subject),
                **_quarter(row, expecting),
                more=shares.get(subject),
                trend=told.get(subject),
                rising=sure.get(subject),
                against=compare(before[subject], row.per_trains()),
                hours=when.hours(subject),
                months=when.months(subject),
                seasons=when.seasons(subject),
            )
        )
    return found


class _Quarter(TypedDict, total=False):
    quarter: float
    quarter_low: float
    quarter_high: float
    thin: bool


def _quarter(row: Figures, expecting: Expecting) -> _Quarter:
    """Occasions to expect in 90 days; nothing of what was not watched in all of the year."""
    found = expecting.several(row.sections)
    if found is None:
        return {}
    return {
        "quarter": found.mean,
        "quarter_low": found.low,
        "quarter_high": found.high,
        "thin": found.thin,
    }


class _Trends:
    """Whether disturbances came faster and faster, at one section or over several.

    Args:
        sums: what was seen.
    """

    def __init__(self, sums: Sums) -> None:
        self._sums = sums
        self._uses: dict[str, _Use] = {}

    def of(self, names: Sequence[str]) -> Trend | None:
        """That of the sections of *names*, its chance with bursts taken for what they are; None where there is too little."""
        sections = self._sums.seen.sections
        if sum(len(sections[name].disturbed) for name in names) < LEAST:
            return None
        if len(names) == 1:
            return self._of_one(sections[names[0]])
        fleet = self._fleet(names)
        found = fleet_trend(fleet)
        if found is None:
            return None
        # Of each the share of its own time that had gone by.
        return _guarded(
            found, [time / one.end for one in fleet if one.end for time in one.times]
        )

    def of_line(self, names: Sequence[str]) -> Trend | None:
        """Likewise of all sections together: of so many the bursts of one are no trend."""
        return fleet_trend(self._fleet(names))

    def _fleet(self, names: Sequence[str]) -> list[Watched]:
        return _of_fleet([self._use(name) for name in names])

    def _of_one(self, section: Section) -> Trend | None:
        if not section.in_use:
            return None
        times, _, end = _Use(section).of(at for at, _ in section.disturbed)
        found = trend_of(times, end)
        return None if found is None else _guarded(found, times)

    def _use(self, name: str) -> _Use:
        if name not in self._uses:
            self._uses[name] = _Use(self._sums.seen.sections[name])
        return self._uses[name]


def _guarded(found: Trend, times: Sequence[float]) -> Trend:
    """*found*, no surer than by how uneven the gaps between *times* are."""
    ordered = sorted(times)
    uneven = max(1.0, unevenness(ordered)) if ordered[-1] > 0 else 1.0
    guarded = min(1.0, 2 * upper_tail(abs(found.statistic) / uneven))
    return replace(found, chance=max(found.chance, guarded))


def _unfinished(reached: Moment, end: Moment, line: Line) -> Iterable[str]:
    if reached < end:
        shown = in_full(reached, line.zone, line.timezone)
        yield f"The period is not over, or not all of it is on record: known up to {shown}."


def _cut_hours(begin: Moment, end: Moment, reached: Moment) -> Iterable[str]:
    if begin % HOUR or (end % HOUR and end < reached):
        yield (
            "Trains are counted by whole hours of UTC, and this period begins or ends within one: "
            "trains of the hour in which it begins are left out, those of the hour in which it ends are all in it."
        )


def _notes(sections: Sequence[Figures], whole: Figures) -> Iterable[str]:
    silent = [row.name for row in sections if not row.heard]
    if silent:
        yield f"Not heard in this period: {_some(silent)}."
    new = [row.name for row in sections if row.new]
    if new:
        yield f"Heard for the first time in this period: {_some(new)}."
    partly = [row.name for row in sections if row.heard and row.share < FULLY]
    if partly:
        yield (
            f"Observed for less than {FULLY * 100:.0f} % of the period, so that trains are "
            f'"at least": {_some(partly)}.'
        )
    if not whole.resets and whole.disturbances:
        yield "No reset is on record: either none was made, or this feed carries none."
    if whole.trains and not whole.counted:
        yield "This feed carries no axle counts: nothing is told per 100,000 axles."


def _some(found: Sequence[str], most: int = 12) -> str:
    if len(found) <= most:
        return names(list(found))
    return f"{', '.join(found[:most])} and {len(found) - most} more"
