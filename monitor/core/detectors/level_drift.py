"""A measured value of a head on its way to a limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal

from monitor.core.changes import Change, LevelMeasured, WorkBegan, WorkEnded
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    Suspect,
    look,
)
from monitor.core.moments import (
    DAY,
    HOUR,
    Duration,
    Moment,
    as_datetime,
    midnight_before,
    stamp,
)
from monitor.core.statistics.trend import (
    Kendall,
    SenLine,
    mann_kendall,
    median,
    seasonal,
    sen_line,
    sen_seasonal,
)
from monitor.core.values import value_class
from monitor.core.words import MEASURED, amount, names

SHORTER = (28, 14, 10)
"""Days of the shorter windows: a drift that begins after weeks of rest is hidden in the whole window until it is too late; windows shorter still are carried away by weather."""

SAMPLES = 96
"""Samples of one value kept of a day: four an hour; of more, every second is dropped, and then only every second taken."""

SEASON_DAYS = 3
"""So many days an hour of the day must have been measured on before it has a trend of its own."""

SEASONS = 8
"""So many hours of the day must have a trend of their own: fewer may all lie on one slope of the swing of day and night."""

CONFIDENCE = 0.9
"""Of the interval in which the limit is met: one drift in twenty is faster, one in twenty slower."""

SLOW = 2
"""At the slow end of its interval the trend must meet the limit within so many times as long; and an alert that is open stays as long as it does so in the middle, lest it come and go."""

SHARPER = 10
"""A shorter window is one more look at the same days, so its trend must come by chance so many times more seldom."""


@value_class(frozen=True, slots=True, kw_only=True)
class Series:
    """What is remembered of one value.

    Args:
        name: of the value.
        days: midnight and median of each day with samples, oldest first.
        hours: the same by the hour, as midnight, hour and median, while days are too few.
        samples: of the day going on, thinned out evenly.
        clock: in which hour each of them was.
        stride: of so many samples one is kept.
        skip: so many are yet to be passed over.
    """

    name: str
    days: tuple[tuple[Moment, float], ...] = ()
    hours: tuple[tuple[Moment, int, float], ...] = ()
    samples: tuple[float, ...] = ()
    clock: bytes = b""
    stride: int = 1
    skip: int = 0

    def plus(self, value: float, hour: int) -> Series:
        """The same with one more sample of the day going on."""
        samples, clock, stride, skip = self.samples, self.clock, self.stride, self.skip
        if skip:
            skip -= 1
        else:
            samples, clock = (*samples, value), clock + bytes((hour,))
            if len(samples) > SAMPLES:
                samples, clock, stride = samples[::2], clock[::2], 2 * stride
            skip = stride - 1
        # Made outright: `replace` costs several times as much, and samples are many.
        return Series(
            name=self.name,
            days=self.days,
            hours=self.hours,
            samples=samples,
            clock=clock,
            stride=stride,
            skip=skip,
        )

    def folded(self, day: Moment, since: Moment, few: int) -> Series:
        """The same once *day* is over: its median joins those since *since*, and those of its hours while days are fewer than *few*."""
        if not self.samples:
            return self
        days = [one for one in self.days if one[0] >= since]
        days.append((day, median(self.samples)))
        hours: list[tuple[Moment, int, float]] = []
        if len(days) < few:
            hours = [one for one in self.hours if one[0] >= since]
            hours += self._hours(day)
        return Series(name=self.name, days=tuple(days), hours=tuple(hours))

    def _hours(self, day: Moment) -> list[tuple[Moment, int, float]]:
        by_hour: dict[int, list[float]] = {}
        for hour, value in zip(self.clock, self.samples, strict=True):
            by_hour.setdefault(hour, []).append(value)
        return [(day, hour, median(values)) for hour, values in by_hour.items()]

    def since(self, since: Moment) -> Series:
        """The same without what lies before *since*."""
        if not self.days or self.days[0][0] >= since:
            return self
        return replace(
            self,
            days=tuple(one for one in self.days if one[0] >= since),
            hours=tuple(one for one in self.hours if one[0] >= since),
        )


@value_class(frozen=True, slots=True, kw_only=True)
class Measured:
    """What is remembered of a head.

    Args:
        series: of each value with limits, by name.
        day: midnight before the last sample.
        due: the midnight at which it is judged next, or None where nothing new was measured.
        last: the event of the last sample.
        last_at: when it was.
        raised: when the open alert was raised, or None where none is open.
        under_work: nothing is judged now.
    """

    series: tuple[Series, ...] = ()
    day: Moment = 0
    due: Moment | None = None
    last: str = ""
    last_at: Moment = 0
    raised: Moment | None = None
    under_work: bool = False


@dataclass(frozen=True, slots=True)
class Trend:
    """A value that rises or falls, beyond chance; its line in days from the midnight it was judged at.

    Args:
        name: of the value.
        by: what the trend is of: medians of `days`, or of `hours` of the day.
        count: how many medians.
        reach: how far it is carried on: in full from a week, in proportion from less.
        kendall: whether it is one.
        line: how fast.
    """

    name: str
    by: Literal["days", "hours"]
    count: int
    reach: float
    kendall: Kendall
    line: SenLine


@value_class(frozen=True, slots=True, kw_only=True)
class Drift:
    """Where a trend leads; times in days from the midnight it was judged at.

    Args:
        trend: the trend.
        limit: to which it leads.
        meets: when the line meets the limit; below nought where it has.
        earliest: the same at the fast end of the slope's interval.
        latest: at the slow end, or None where that end never does.
    """

    trend: Trend
    limit: float
    meets: float
    earliest: float
    latest: float | None

    @property
    def name(self) -> str:
        """Of the value."""
        return self.trend.name


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDrift:
    """A value measured at a head is on its way to a limit, and will meet it soon if it goes on so.

    What the desk does first: plan a visit before the day it meets the limit.
    Within: a week.
    If not: the head fails or miscounts on that day, in traffic.

    Args:
        window_d: the trend is of the last so many days (common practice: a season is longer, a wet spell shorter).
        days: so many days with samples make a trend (common practice: a week, so that each day of it is there).
        chance: the trend must come by chance more seldom than this (common practice: one in a hundred).
        within_d: it must meet the limit within so many days (common practice: time to plan a visit).

    Each midnight (UTC) after new samples, each value with limits is judged by its medians of days.
    A median of a day knows little of the swing of day and night, and nothing of a wild sample.
    Whether there is a trend, the test of Mann and Kendall says; how fast, the slope of Theil and Sen.
    The whole window is looked at, and the last four weeks, two weeks and ten days of it, so that a drift after long rest is seen; each of these is one more look, and must come by chance ten times more seldom still.
    Before there are enough days, hours are compared, each with the same hour of the other days.
    The hours of a day share its weather, so such a trend is believed less far: three days of it must lead to the limit within six days, as seven must within fourteen.

    A test at one in a hundred, put to a thousand heads on ninety days, would call hundreds by chance alone.
    What keeps these quiet is not a smaller chance, which would hide slow drifts too, but the second half of the rule: the trend must lead to the limit within a fortnight.
    From the middle of the limits that takes a slope of a fourteenth of the way a day, while a swing or noise of a tenth of the way gives, over a week, one of a few hundredths at most.
    So that noise on few days cannot pass for such a slope, the slow end of the slope's interval must meet the limit as well, within twice the time; an alert that is open stays until the trend meets the limit no more in twice the time.

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = LevelDrift(), Place.example("H107")
        >>> memory, noon = detector.start(place), parse("2026-05-04T12:00:00Z")
        >>> for day in range(8):
        ...     change = LevelMeasured(
        ...         place="H107",
        ...         at=noon + day * DAY,
        ...         values={"a_volts": 6.0 - 0.15 * day},
        ...         event="gw/1#7",
        ...     )
        ...     memory, _ = detector.step(memory, change, place)
        >>> memory, findings = detector.wake(memory, detector.wake_at(memory), place)
        >>> findings[0].summary
        'H107: level of sensor A falls by 0.15 V a day and meets 4 V about 2026-05-17 (2026-05-17 to 2026-05-17)'

    When it is wrong: where the weather of a fortnight moves the level far, where samples come at few and changing hours, and after an adjustment, until the days before it no longer weigh.
    A head that steps to its limit within days, or is past it already, is found when it is outside, and not here.

    References:
        Mann, H. B. (1945), Nonparametric tests against trend, Econometrica 13, 245-259.
        Sen, P. K. (1968), Estimates of the regression coefficient based on Kendall's tau, Journal of the American Statistical Association 63, 1379-1389.
        Hirsch, R. M., Slack, J. R., and Smith, R. A. (1982), Techniques of trend analysis for monthly water quality data, Water Resources Research 18, 107-121.
    """

    kind: ClassVar[str] = "level-drift"
    title: ClassVar[str] = "head level on its way to a limit"
    places: ClassVar[PlaceKind] = "head"
    hears: ClassVar[tuple[type[Change], ...]] = (LevelMeasured, WorkBegan, WorkEnded)
    priorities: ClassVar[tuple[Priority, ...]] = ("planned",)
    first: ClassVar[str] = "plan a visit before the day it meets the limit"
    within: ClassVar[str] = "a week"
    otherwise: ClassVar[str] = "the head fails or miscounts on that day"

    window_d: int = 60  # common practice: longer than a wet spell
    days: int = 7  # common practice: a week
    chance: float = 0.01  # common practice
    within_d: float = 14.0  # common practice: time to plan a visit

    @property
    def _window(self) -> Duration:
        return self.window_d * DAY

    def start(self, place: Place) -> Measured:  # noqa: ARG002 - the same everywhere
        """Nothing has been measured."""
        return Measured()

    def step(
        self, memory: Measured, change: Change, place: Place
    ) -> tuple[Measured, tuple[Finding, ...]]:
        """Keep what was measured; what is measured under work does not count."""
        match change:
            case LevelMeasured():
                return self._measured(memory, change, place), ()
            case WorkBegan():
                return replace(memory, under_work=True), ()
            case WorkEnded() if memory.under_work:
                return replace(memory, under_work=False), ()
            case _:
                return memory, ()

    def _measured(
        self, memory: Measured, change: LevelMeasured, place: Place
    ) -> Measured:
        if memory.under_work:
            return memory
        at, limits = change.at, place.limits
        new = {
            name: value
            for name, value in change.values.items()
            if limits(name) is not None
        }
        if not new:
            return memory
        day = midnight_before(at)
        known = {one.name: one for one in self._until(memory, day).series}
        hour = (at - day) // HOUR
        for name, value in new.items():
            known[name] = known.get(name, Series(name=name)).plus(value, hour)
        return Measured(
            series=tuple(known[name] for name in sorted(known)),
            day=day,
            due=day + DAY if memory.due is None else memory.due,
            last=change.event,
            last_at=at,
            raised=memory.raised,
        )

    def _until(self, memory: Measured, midnight: Moment) -> Measured:
        """What is known at *midnight*: days before it are over."""
        if memory.day >= midnight or not memory.series:
            return memory
        since = midnight - self._window
        series = tuple(
            one.folded(memory.day, since, self.days) for one in memory.series
        )
        return replace(memory, series=series, day=midnight)

    # Judging.

    def wake_at(self, memory: Measured) -> Moment | None:
        """The midnight after something new was measured."""
        return memory.due

    def wake(
        self, memory: Measured, at: Moment, place: Place
    ) -> tuple[Measured, tuple[Finding, ...]]:
        """A day is over; whether there is a trend, and where it leads, is judged anew."""
        if memory.due is None or at < memory.due:
            return memory, ()
        midnight = midnight_before(at)
        known = self._until(memory, midnight)
        going_on = any(one.samples for one in known.series)
        known = replace(known, due=midnight + DAY if going_on else None)
        if known.under_work:
            return known, ()
        drifts = self._drifts(known, midnight, place)
        if drifts:
            raised = at if known.raised is None else known.raised
            found = self._found(known, drifts, raised, midnight, place)
            return replace(known, raised=raised), (found,)
        if known.raised is None:
            return known, ()
        return replace(known, raised=None), (
            Over(at=at, because="the trend no longer meets a limit"),
        )

    def _drifts(
        self, memory: Measured, midnight: Moment, place: Place
    ) -> tuple[Drift, ...]:
        """The values that meet a limit in time, the first to meet it first."""
        since = midnight - self._window
        found = []
        for one in memory.series:
            drifts = self._trends(one.since(since), midnight, place)
            is_open = memory.raised is not None
            soon = [drift for drift in drifts if self._soon(drift, is_open=is_open)]
            found += soon[:1]
        return tuple(sorted(found, key=lambda drift: (drift.meets, drift.name)))

    def _soon(self, drift: Drift, *, is_open: bool) -> bool:
        within = self.within_d * drift.trend.reach
        if is_open:
            return drift.meets <= SLOW * within
        # What has met its limit is outside it, and is said so by another detection.
        if not 0 < drift.meets <= within or drift.latest is None:
            return False
        return drift.latest <= SLOW * within

    def _trends(self, series: Series, midnight: Moment, place: Place) -> list[Drift]:
        """The trends of a value that are beyond chance, the longest window first."""
        limits = place.limits(series.name)
        if limits is None:
            return []
        if len(series.days) < self.days:
            found = [self._by_hours(series, midnight, limits)]
        else:
            found = [
                self._by_days(series, days, midnight, limits)
                for days in self._windows(series, midnight)
            ]
        return [one for one in found if one is not None]

    def _windows(
        self, series: Series, midnight: Moment
    ) -> list[tuple[tuple[Moment, float], ...]]:
        windows = [series.days]
        for length in SHORTER:
            since = midnight - length * DAY
            days = tuple(one for one in windows[-1] if one[0] >= since)
            if self.days <= len(days) < len(windows[-1]):
                windows.append(days)
        return windows

    def _by_days(
        self,
        series: Series,
        days: tuple[tuple[Moment, float], ...],
        midnight: Moment,
        limits: tuple[float, float],
    ) -> Drift | None:
        values = [value for _, value in days]
        kendall = mann_kendall(values)
        shorter = len(days) < len(series.days)
        if kendall.p >= (self.chance / SHARPER if shorter else self.chance):
            return None
        middles = [_middle(day, DAY, midnight) for day, _ in days]
        line = sen_line(middles, values, CONFIDENCE)
        trend = Trend(series.name, "days", len(values), 1.0, kendall, line)
        return _leads(trend, limits)

    def _by_hours(
        self, series: Series, midnight: Moment, limits: tuple[float, float]
    ) -> Drift | None:
        seasons: dict[int, tuple[list[float], list[float]]] = {}
        for day, hour, value in series.hours:
            x, y = seasons.setdefault(hour, ([], []))
            x.append(_middle(day + hour * HOUR, HOUR, midnight))
            y.append(value)
        long = [(x, y) for x, y in seasons.values() if len(x) >= SEASON_DAYS]
        if len(long) < SEASONS:
            return None
        kendall = seasonal(y for _, y in long)
        if kendall.p >= self.chance:
            return None
        line = sen_seasonal(long, CONFIDENCE)
        count = sum(len(x) for x, _ in long)
        reach = min(1.0, len(series.days) / self.days)
        trend = Trend(series.name, "hours", count, reach, kendall, line)
        return _leads(trend, limits)

    # Saying.

    def _found(
        self,
        memory: Measured,
        drifts: Sequence[Drift],
        raised: Moment,
        midnight: Moment,
        place: Place,
    ) -> Found:
        said = names([_sentence(drift, midnight, place) for drift in drifts])
        return Found(
            began=midnight_before(raised),
            raised=raised,
            priority="planned",
            summary=f"{place.id}: {said}",
            evidence=self._evidence(memory, drifts[0]),
            suspects=(Suspect(asset=f"head/{place.id}", weight=1.0),),
            checks=look(
                "the fixings, gap and height of the head, and what was done on the track there last",
                "the levels of the other heads on its trackside unit and cable",
                also=(
                    (
                        "the trackside unit or its supply",
                        "whether the other heads on it drift too",
                    ),
                    (
                        "water in a cable or a joint",
                        "an insulation test, and whether levels recover in dry weather",
                    ),
                    (
                        "the weather of these weeks",
                        "the levels of heads elsewhere over the same days",
                    ),
                ),
            ),
            parameters={
                "window_d": self.window_d,
                "days": self.days,
                "chance": self.chance,
                "within_d": self.within_d,
                "drifts": [_numbers(drift, midnight) for drift in drifts],
            },
        )

    def _evidence(self, memory: Measured, drift: Drift) -> tuple[Evidence, ...]:
        [series] = [one for one in memory.series if one.name == drift.name]
        what = MEASURED[drift.name][0]
        ends = (series.days[0], series.days[-1])
        medians = tuple(
            Evidence(
                time=day,
                text=f"{what}: median of the day {amount(drift.name, value)}",
            )
            for day, value in ends
        )
        last = Evidence(
            time=memory.last_at, text="last value of the head", event=memory.last
        )
        return (*medians, last)

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when a trend over {self.days} days or more, less likely than {self.chance:g} by chance, meets a limit within {self.within_d:g} days."

    def explain(self, memory: Measured, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if not memory.series:
            return (f"No value with limits was measured at {place.id}.",)
        midnight = midnight_before(at)
        known = self._until(memory, midnight)
        said = [self._one(one, midnight, place) for one in known.series]
        if memory.under_work:
            said.append("It is under work; what is measured does not count.")
        elif memory.raised is not None:
            said.append("A drift has been raised.")
        return tuple(said)

    def _one(self, series: Series, midnight: Moment, place: Place) -> str:
        days = len(series.days)
        what = MEASURED[series.name][0]
        drifts = self._trends(series.since(midnight - self._window), midnight, place)
        if not drifts:
            return f"{what.capitalize()}: no trend in {days} days ({self.days} make one by days)."
        sentence = _sentence(drifts[0], midnight, place)
        return f"{sentence[0].upper()}{sentence[1:]}; raised within {self.within_d:g} days of that."


def _middle(began: Moment, length: Duration, midnight: Moment) -> float:
    """Days from *midnight* to the middle of what began at *began*."""
    return (began + length // 2 - midnight) / DAY


def _leads(trend: Trend, limits: tuple[float, float]) -> Drift | None:
    """Where a trend leads, or None where its slope says otherwise than its pairs."""
    line = trend.line
    if line.slope * trend.kendall.s <= 0:
        return None
    rising = line.slope > 0
    limit = limits[1] if rising else limits[0]
    left = limit - line.at(0.0)
    fast, slow = (line.high, line.low) if rising else (line.low, line.high)
    return Drift(
        trend=trend,
        limit=limit,
        meets=left / line.slope,
        earliest=left / fast,
        latest=left / slow if slow * line.slope > 0 else None,
    )


def _date(days: float, midnight: Moment, place: Place) -> str:
    # Beyond a year nobody plans by it, and it may lie beyond the calendar.
    at = midnight + round(min(days, 366.0) * DAY)
    return f"{as_datetime(at).astimezone(place.zone):%Y-%m-%d}"


def _sentence(drift: Drift, midnight: Moment, place: Place) -> str:
    what = MEASURED[drift.name][0]
    way = "rises" if drift.trend.line.slope > 0 else "falls"
    speed = f"{abs(drift.trend.line.slope):.2g} {MEASURED[drift.name][1]} a day"
    limit = amount(drift.name, drift.limit)
    if drift.meets <= 0:
        return f"{what} {way} by {speed} and has met {limit}"
    about = _date(drift.meets, midnight, place)
    first = _date(drift.earliest, midnight, place)
    last = "or not at all"
    if drift.latest is not None:
        last = f"to {_date(drift.latest, midnight, place)}"
    return f"{what} {way} by {speed} and meets {limit} about {about} ({first} {last})"


def _numbers(drift: Drift, midnight: Moment) -> dict[str, Any]:
    def when(days: float | None) -> str | None:
        if days is None:
            return None
        return stamp(midnight + round(max(min(days, 3660.0), -3660.0) * DAY))

    return {
        "value": drift.name,
        "by": drift.trend.by,
        "medians": drift.trend.count,
        "s": drift.trend.kendall.s,
        "p": float(f"{drift.trend.kendall.p:.3g}"),
        "slope_per_day": float(f"{drift.trend.line.slope:.6g}"),
        "slope_low": float(f"{drift.trend.line.low:.6g}"),
        "slope_high": float(f"{drift.trend.line.high:.6g}"),
        "level": float(f"{drift.trend.line.at(0.0):.6g}"),
        "limit": drift.limit,
        "meets": when(drift.meets),
        "earliest": when(drift.earliest),
        "latest": when(drift.latest),
    }
