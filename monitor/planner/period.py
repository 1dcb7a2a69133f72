"""The period report, worked out: what was seen of each section, added up by what sections need, and held against chance.

Under work, within an hour after it and at the start of an evaluator disturbances are counted apart: maintenance makes them, and without that the best-kept section looks worst.
What was not watched is told, and never counted as quiet.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from math import isfinite
from typing import TypedDict

import numpy as np

from monitor.core.layout import Line
from monitor.core.moments import DAY, HOUR, MINUTE, Moment
from monitor.core.statistics.comparing import Counted, compare
from monitor.core.statistics.fleets import LEAST, Trend, Watched, fleet_trend, trend_of
from monitor.core.statistics.ranking import (
    Expected,
    adjusted,
    carrying,
    expected,
    more_than_share,
    pareto,
)
from monitor.core.statistics.trend import bursts, unevenness, upper_tail
from monitor.core.statistics.waiting import lasting, within as within_share
from monitor.core.words import in_full, names
from monitor.history import HOURS, History
from monitor.planner.figures import (
    FULLY,
    KINDS,
    SHORT,
    Apart,
    Figures,
    GivenBack,
    Kind,
    Rank,
    Report,
    Resets,
    Slot,
)
from monitor.planner.seen import Section, Seen, see
from monitor.planner.spells import elapsed, length, within
from monitor.planner.whereabouts import Whereabouts

ONE_OCCASION = MINUTE
"""Disturbances within a minute of one another have one cause more often than not (as `common-cause`, `window_s` 60)."""

WIDE = 10
"""Nor where the upper end is more than so many times the lower."""

QUARTER_D = 90
"""Disturbances to expect are told for so many days."""

CARRY = 0.8
"""Sections that carry so much are named."""

NAMED = 0.1
"""Named as more than chance: of those named, one in ten by accident."""

MANY = 5
"""With fewer disturbances nothing is said of when they came."""


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

    Raises:
        ValueError: *begin* is not before *end*.
    """
    if begin >= end:
        raise ValueError("the period ends before it begins")
    period = end - begin
    now = _Sums(see(history, line, begin, end, reached), line, period, alerts or {})
    then = see(history, line, begin - period, begin, reached)
    before = _Sums(then, line, period, {})
    rows = {kind: now.rows(kind) for kind in KINDS}
    last = {
        row.subject: before.occasions_per_trains(row.sections)
        for kind in KINDS
        for row in rows[kind]
    }
    ranks = {
        rank.subject: rank
        for kind in KINDS
        for rank in _ranks(rows[kind], last, now, with_trend=kind == "section")
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
        hours=now.hours(),
        fleet=fleet_trend(occasions_of_fleet(now.seen.sections.values())),
        against=compare(
            whole_before.occasions_per_trains(), whole.occasions_per_trains()
        ),
        notes=(
            *_unfinished(reached, end, line),
            *_cut_hours(begin, end, reached),
            *_notes(rows["section"], whole),
        ),
    )


class _Sums:
    """What was seen, added up."""

    def __init__(
        self, seen: Seen, line: Line, period: int, alerts: Mapping[str, int]
    ) -> None:
        self.seen = seen
        self.line = line
        self.period = period
        self.alerts = alerts
        self.there = Whereabouts(line)
        self.place = {name: at for at, name in enumerate(seen.sections)}
        # Once for each section, not for each row in which it stands.
        self.busy = [
            seen.busy_length(at, one.failed)
            for at, one in enumerate(seen.sections.values())
        ]

    def whole(self) -> Figures:
        return self._row("line", tuple(self.seen.sections))

    def occasions_per_trains(self, sections: Sequence[str]) -> Counted:
        """Occasions of *sections* together, in so many thousand trains: as `Figures` has it, for who needs no more."""
        seen = [self.seen.sections[name] for name in sections]
        places = [self.place[name] for name in sections]
        moments = sorted(at for one in seen for at, _ in one.disturbed)
        trains = int(self.seen.by_hour[places].sum())
        return Counted(len(bursts(moments, ONE_OCCASION)), trains / 1000)

    def rows(self, kind: Kind) -> tuple[Figures, ...]:
        """A row for each thing of *kind* that the line file has."""
        return tuple(
            self._row(subject, self.there.sections(subject))
            for subject in self._subjects(kind)
        )

    def _subjects(self, kind: Kind) -> list[str]:
        line = self.line
        heads = line.heads.values()
        found: dict[Kind, Iterable[str | None]] = {
            "section": line.sections,
            "head": line.heads,
            "unit": (one.unit for one in heads),
            "cable": (one.cable for one in heads),
            "evaluator": line.evaluators,
            "site": (one.site for one in line.evaluators.values()),
        }
        return [f"{kind}/{name}" for name in dict.fromkeys(found[kind]) if name]

    def _row(self, subject: str, sections: tuple[str, ...]) -> Figures:
        seen = [self.seen.sections[name] for name in sections]
        places = [self.place[name] for name in sections]
        count = max(len(seen), 1)
        disturbed = [one for section in seen for one in section.disturbed]
        moments = sorted(at for at, _ in disturbed)
        return Figures(
            subject=subject,
            place=self._where(subject),
            ref=self.there.register(subject),
            sections=sections,
            period=self.period,
            watched=sum(length(one.watched) for one in seen) // count,
            dark_longest=max((one.dark_longest for one in seen), default=0),
            heard=any(one.watched for one in seen),
            new=any(self._is_new(one) for one in seen),
            disturbances=len(disturbed),
            spurious=sum(spurious for _, spurious in disturbed),
            occasions=len(bursts(moments, ONE_OCCASION)),
            apart=Apart(
                under_work=sum(one.under_work for one in seen),
                after_work=sum(one.after_work for one in seen),
                at_start=sum(one.at_start for one in seen),
            ),
            resets=_resets(one for section in seen for one in section.resets),
            no_train=sum(length(one.no_train) for one in seen),
            failed=sum(length(one.failed) for one in seen),
            failed_busy=sum(self.busy[at] for at in places),
            trains=int(self.seen.by_hour[places].sum()),
            counted=int(self.seen.counted[places].sum()),
            axles=round(float(self.seen.axles[places].sum())),
            held=sum(one.held for one in seen),
            given_back=_given_back(one for section in seen for one in section.back),
            alerts=self.alerts.get(subject, 0),
        )

    def _is_new(self, section: Section) -> bool:
        heard = section.heard
        return heard is not None and self.seen.begin < heard < self.seen.end

    def _where(self, subject: str) -> str:
        if subject == "line":
            return ""
        spot = self.there.spot(subject)
        kilometres = ""
        if spot.low is not None and spot.high is not None:
            kilometres = f"km {spot.low:g}"
            if spot.high - spot.low >= 0.05:
                kilometres += f" to {spot.high:g}"
        site = "" if subject.startswith("site/") else spot.site
        return ", ".join(one for one in (site, kilometres) if one)

    def months(self) -> tuple[Slot, ...]:
        clock, seen = self.seen.clock, self.seen
        trains = seen.by_month.sum(axis=0)
        counts = Counter(clock.at(at)[1] for at in self._disturbed())
        shares = self._month_shares()
        return tuple(
            Slot(
                name=name,
                disturbances=counts[at],
                trains=int(trains[at]),
                share=shares[at],
            )
            for at, name in enumerate(clock.months)
        )

    def _month_shares(self) -> list[float]:
        """The share of each month, within the period, that was observed, over all sections."""
        clock, seen = self.seen.clock, self.seen
        flat = np.where(clock.inside, clock.month, -1).reshape(-1)
        found = []
        for at in range(len(clock.months)):
            hours = np.flatnonzero(flat == at)
            if not len(hours):
                found.append(0.0)
                continue
            begin = max(clock.begin + int(hours[0]) * HOUR, seen.begin)
            end = min(clock.begin + (int(hours[-1]) + 1) * HOUR, seen.end)
            watched = sum(
                length(within(one.watched, begin, end))
                for one in seen.sections.values()
            )
            found.append(watched / ((end - begin) * max(len(seen.sections), 1)))
        return found

    def hours(self) -> tuple[Slot, ...]:
        trains = self.seen.by_hour.sum(axis=0)
        counts = Counter(self.seen.clock.at(at)[0] for at in self._disturbed())
        return tuple(
            Slot(name=f"{at:02d}", disturbances=counts[at], trains=int(trains[at]))
            for at in range(HOURS)
        )

    def _disturbed(self) -> Iterable[Moment]:
        return (at for one in self.seen.sections.values() for at, _ in one.disturbed)

    def when(self, row: Figures) -> tuple[str, str]:
        """The hours of the day, and the months, in which more of a row's disturbances came than its trains explain."""
        if row.occasions < MANY:
            return "", ""
        moments = sorted(
            at for name in row.sections for at, _ in self.seen.sections[name].disturbed
        )
        places = [self.place[name] for name in row.sections]
        slots = [self.seen.clock.at(int(at)) for at in bursts(moments, ONE_OCCASION)]
        hours = self.seen.by_hour[places].sum(axis=0)
        months = self.seen.by_month[places].sum(axis=0)
        return (
            _more_in(
                [f"{n:02d} h" for n in range(HOURS)], [h for h, _ in slots], hours
            ),
            _more_in(self.seen.clock.months, [m for _, m in slots], months),
        )


def occasions_of_fleet(sections: Iterable[Section]) -> list[Watched]:
    """The occasions of a line, each at the section that was disturbed first, in the time that was in use.

    What a cable does to all its sections is one occasion: taken for as many, it makes a trend out of nothing.
    """
    fleet = list(sections)
    first = set(
        bursts(sorted(at for one in fleet for at, _ in one.disturbed), ONE_OCCASION)
    )
    found = []
    for section in fleet:
        mine = [at for at, _ in section.disturbed if at in first]
        first.difference_update(mine)
        found.append(Watched(*_in_use(section, mine)))
    return found


def _more_in(labels: Sequence[str], at: Sequence[int], trains: Iterable[int]) -> str:
    counts = Counter(at)
    slots = {
        label: Counted(counts[place], float(exposure))
        for place, (label, exposure) in enumerate(zip(labels, trains, strict=True))
    }
    chances = more_than_share(slots)
    total = sum(one.exposure for one in slots.values())
    said = []
    for label, chance in chances.items():
        if chance < NAMED / 2:
            one = slots[label]
            by_trains = len(at) * one.exposure / total
            said.append(
                f"{label}: {one.count} of {len(at)}, by its trains {by_trains:.1f}"
            )
    return "; ".join(said)


def _resets(found: Iterable[tuple[str, bool, bool]]) -> tuple[Resets, ...]:
    counts = Counter(found)
    kinds = dict.fromkeys(kind for kind, _, _ in counts)
    return tuple(
        Resets(
            kind=kind,
            accepted=counts[kind, True, False] + counts[kind, False, False],
            followed=counts[kind, True, False],
            under_work=counts[kind, True, True] + counts[kind, False, True],
        )
        for kind in sorted(kinds)
    )


def _given_back(found: Iterable[tuple[float, bool]]) -> GivenBack:
    spells = list(found)
    curve = lasting(spells)
    return GivenBack(
        number=len(spells),
        going_on=sum(not over for _, over in spells),
        median_s=within_share(curve, 0.5),
        most_s=within_share(curve, 0.9),
    )


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
    sums: _Sums,
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
        rate, trend = rates.get(subject), trends.get(subject)
        hours, months = sums.when(row)
        found.append(
            Rank(
                subject=subject,
                expected=rate,
                **_quarter(row, rate),
                more=shares.get(subject),
                trend=None if trend is None else trend[0],
                rising=sure.get(subject),
                against=compare(before[subject], row.occasions_per_trains()),
                hours=hours,
                months=months if len(sums.seen.clock.months) > 1 else "",
            )
        )
    return found


class _Quarter(TypedDict, total=False):
    quarter: float
    quarter_low: float
    quarter_high: float
    thin: bool


def _quarter(row: Figures, rate: Expected | None) -> _Quarter:
    """Disturbances to expect in 90 days, with as many trains a day as were seen; nothing where none was seen."""
    if rate is None or not row.trains or not row.watched:
        return {}
    a_day = row.trains / (row.watched / DAY)
    scale = a_day / 1000 * QUARTER_D
    if not isfinite(rate.high * scale):
        return {}
    return {
        "quarter": rate.rate * scale,
        "quarter_low": rate.low * scale,
        "quarter_high": rate.high * scale,
        "thin": row.watched < SHORT or rate.high > WIDE * rate.low,
    }


def _trend(row: Figures, sums: _Sums) -> tuple[Trend, float] | None:
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
