"""The period report, worked out: what was seen of each section, added up by what sections need, and held against chance.

Under work, within an hour after it and at the start of an evaluator disturbances are counted apart: maintenance makes them, and without that the best-kept section looks worst.
What was not watched is told, and never counted as quiet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
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
    ranks = {
        rank.subject: rank
        for kind in KINDS
        for rank in _ranks(
            rows[kind], last, now, when, expecting, with_trend=kind == "section"
        )
    }
    carried = pareto({row.name: row.disturbances for row in rows["section"]})
    whole, whole_before = now.whole(), before.whole()
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
        fleet=fleet_trend(occasions_of_fleet(now.seen.sections.values())),
        against=compare(whole_before.per_trains(), whole.per_trains()),
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
    """The occasions of a line, each at the section that was disturbed first, in the time that was in use.

    What a cable does to all its sections is one occasion: taken for as many, it makes a trend out of nothing.
    """
    fleet = [(one, one.occasions) for one in sections]
    first = set(of_several(occasions for _, occasions in fleet))
    found = []
    for section, occasions in fleet:
        mine = [at for at in occasions if at in first]
        first.difference_update(mine)
        found.append(Watched(*_in_use(section, mine)))
    return found


def _in_use(
    section: Section, moments: Iterable[Moment]
) -> tuple[list[float], float, float]:
    """When it was disturbed, and from when to when, in days of the time it was in use; what came within an hour is one.

    A time not available is no time in which nothing happened.
    Where what disturbed it last also ended the time watched, that is no evidence of when it comes (as `trend.laplace_at_event`).
    """
    spells = section.in_use
    end = length(spells)
    times = elapsed(spells, moments)
    found = list(bursts(sorted(times), HOUR))
    if found and end - found[-1] < MINUTE and section.failed:
        found.pop()
    return [at / DAY for at in found], 0.0, end / DAY


def _ranks(
    rows: Sequence[Figures],
    before: Mapping[str, Counted],
    sums: Sums,
    when: When,
    expecting: Expecting,
    *,
    with_trend: bool,
) -> list[Rank]:
    records = {row.subject: row.per_trains() for row in rows}
    rates = expected(records)
    shares = more_than_share(records)
    trends = {row.subject: _trend(row, sums) for row in rows} if with_trend else {}
    told = [one for one in trends.values() if one is not None]
    sure = dict(
        zip(
            (name for name, one in trends.items() if one is not None),
            adjusted([chance for _, chance in told]),
            strict=True,
        )
    )
    found = []
    for row in rows:
        subject = row.subject
        trend = trends.get(subject)
        found.append(
            Rank(
                subject=subject,
                expected=rates.get(subject),
                **_quarter(row, expecting),
                more=shares.get(subject),
                trend=None if trend is None else trend[0],
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


def _trend(row: Figures, sums: Sums) -> tuple[Trend, float] | None:
    """The trend of a section, and its chance with bursts taken for what they are; None where there is too little."""
    section = sums.seen.sections[row.name]
    if len(section.disturbed) < LEAST or not section.in_use:
        return None
    times, _, end = _in_use(section, (at for at, _ in section.disturbed))
    found = trend_of(times, end)
    if found is None:
        return None
    uneven = max(1.0, unevenness(times)) if times[-1] > 0 else 1.0
    guarded = min(1.0, 2 * upper_tail(abs(found.statistic) / uneven))
    return found, max(found.chance, guarded)


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
