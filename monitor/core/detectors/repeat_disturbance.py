"""A section disturbed again and again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

from monitor.core.changes import Change, Disturbance, LearntAnew
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
)
from monitor.core.moments import DAY, HOUR, Duration, Moment
from monitor.core.statistics.poisson import Gamma, cluster_rate
from monitor.core.words import CAUTION, clock, span, times

YEAR = 365.0
MOST = 200
"""Disturbances remembered at most; a section disturbed more often in a day needs no further counting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The disturbances of a section within the longer window.

    Args:
        found: when each happened and the event that shows it, oldest first.
        by_day: the rule of the longer window holds.
        by_hour: the rule of the shorter window holds.
        began: the earliest counted when the open alert was raised.
        raised: when it was raised.
        usual: what was learnt of the section last, or None.
    """

    found: tuple[tuple[Moment, str], ...] = ()
    by_day: bool = False
    by_hour: bool = False
    began: Moment | None = None
    raised: Moment = 0
    usual: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatDisturbance:
    """A section is disturbed again and again: something is failing, not failed.

    What the desk does first: put it on the day list, with the part that is likeliest.
    Within: the day; from the sixth, tell the technician on call.
    If not: it fails for good, most likely in the busiest hours.

    Args:
        in_day: how many within the longer window are too many (common practice).
        day_h: the longer window.
        in_hour: how many within the shorter window are too many (common practice).
        hour_h: the shorter window.
        prompt_from: how many within the longer window delay trains now.

    Example:
        >>> from monitor.core.moments import MINUTE
        >>> detector, place = RepeatDisturbance(), None
        >>> detector.wake_at(
        ...     Seen(found=((0, "a"), (MINUTE, "b")), by_hour=True)
        ... ) // MINUTE
        60

    It is wrong where maintenance is not told of as work; the statement of chance assumes that disturbances come singly, and says so.

    References:
        Naus (1982), approximations for distributions of scan statistics; the rate is drawn towards the line's as in Hauer et al. (2002), a tutorial on the empirical Bayes method.
    """

    kind: ClassVar[str] = "repeat-disturbance"
    title: ClassVar[str] = "disturbed again and again"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (Disturbance, LearntAnew)
    first: ClassVar[str] = "put it on the day list, with the likeliest part"
    within: ClassVar[str] = "the day; from the sixth, 5 min"
    otherwise: ClassVar[str] = "it fails for good, likely in the busiest hours"

    in_day: int = 3
    day_h: float = 24.0
    in_hour: int = 2
    hour_h: float = 1.0
    prompt_from: int = 6

    @property
    def _day(self) -> Duration:
        return round(self.day_h * HOUR)

    @property
    def _hour(self) -> Duration:
        return round(self.hour_h * HOUR)

    def start(self, place: Place) -> Seen:  # noqa: ARG002
        """Nothing has been heard."""
        return Seen()

    def step(
        self, memory: Seen, change: Change, place: Place
    ) -> tuple[Seen, tuple[Finding, ...]]:
        """Count one more; what falls under work does not count."""
        if isinstance(change, LearntAnew):
            return replace(memory, usual=change.usual), ()
        if not isinstance(change, Disturbance) or change.under_work:
            return memory, ()
        at = change.at
        kept = [one for one in memory.found if at - one[0] <= self._day]
        kept.append((change.happened, change.event))
        found = tuple(sorted(kept)[-MOST:])
        day = len(found)
        hour = self._within(found, at, self._hour)
        after = replace(
            memory,
            found=found,
            by_day=day >= self.in_day or (memory.by_day and day > 1),
            by_hour=hour >= self.in_hour or (memory.by_hour and hour > 1),
        )
        if not (after.by_day or after.by_hour):
            return after, ()
        if memory.began is None:
            counted = found if after.by_day else found[-hour:]
            after = replace(after, began=counted[0][0], raised=at)
        return after, (self._found(after, at, day, hour, place),)

    def _within(
        self, found: tuple[tuple[Moment, str], ...], at: Moment, window: Duration
    ) -> int:
        return sum(at - happened <= window for happened, _ in found)

    def _found(
        self, memory: Seen, at: Moment, day: int, hour: int, place: Place
    ) -> Found:
        began = memory.began if memory.began is not None else at
        count, window = (day, self._day) if memory.by_day else (hour, self._hour)
        rate, numbers = self._rate(memory)
        by_chance = self._by_chance(memory, rate)
        return Found(
            began=began,
            raised=memory.raised,
            priority="prompt" if day >= self.prompt_from else "planned",
            summary=f"{place.id} disturbed {times(count)} within {span(window)}; {by_chance}",
            evidence=tuple(
                Evidence(
                    time=happened,
                    text=f"{place.id} disturbed at {clock(happened, place.zone)}",
                    event=event,
                )
                for happened, event in memory.found[-10:]
            ),
            suspects=place.heads(),
            checks=(
                "Look first at the fixings, gap and height of the heads, and at ballast or debris under them",
                "Could also be a cable joint or the unit; settled by whether the levels of other heads on it moved too",
                "Could also be work that the feed does not tell of; settled by who was on the track",
                CAUTION,
            ),
            parameters={
                "in_day": self.in_day,
                "in_hour": self.in_hour,
                "counted_in_day": day,
                "counted_in_hour": hour,
                **numbers,
            },
        )

    def _rate(self, memory: Seen) -> tuple[float | None, dict[str, Any]]:
        """Disturbances a day to expect here, the window itself left out, drawn to the line's."""
        usual = memory.usual
        if usual is None or usual.prior_days <= 0:
            return None, {"rate_per_year": None}
        oldest = memory.found[0][0] if memory.found else usual.counted_until
        inside = sum(when < usual.counted_until for when, _ in memory.found)
        overlap = max(0, usual.counted_until - oldest) / DAY
        count = max(0, usual.disturbances - inside)
        exposure = max(0.0, usual.exposure_days - overlap)
        prior = Gamma(usual.prior_shape, usual.prior_days)
        rate = prior.after(count, exposure).mean
        return rate, {
            "rate_per_year": round(rate * YEAR, 2),
            "counted_days": round(exposure, 1),
            "counted_disturbances": count,
        }

    def _by_chance(self, memory: Seen, rate: float | None) -> str:
        if rate is None:
            return "how often that comes by chance is not learnt yet"
        if memory.by_day:
            here = cluster_rate(self.in_day, rate, self._day / DAY) * YEAR
            line = memory.usual.line_chance_day
        else:
            here = cluster_rate(self.in_hour, rate, self._hour / DAY) * YEAR
            line = memory.usual.line_chance_hour
        return (
            f"if disturbances came singly, that would come by chance {_often(here)} here "
            f"and {_often(line)} somewhere on the {memory.usual.sections} sections watched"
        )

    def wake_at(self, memory: Seen) -> Moment | None:
        """When at most one will be left in a window whose rule holds."""
        if len(memory.found) < 2:
            return None
        second = memory.found[-2][0]
        ends = []
        if memory.by_day:
            ends.append(second + self._day)
        if memory.by_hour:
            ends.append(second + self._hour)
        return min(ends, default=None)

    def wake(
        self,
        memory: Seen,
        at: Moment,
        place: Place,  # noqa: ARG002
    ) -> tuple[Seen, tuple[Finding, ...]]:
        """A window has run out."""
        second = memory.found[-2][0]
        after = replace(
            memory,
            by_day=memory.by_day and at < second + self._day,
            by_hour=memory.by_hour and at < second + self._hour,
        )
        if after.by_day or after.by_hour:
            return after, ()
        return replace(after, began=None), (Over(at=at),)

    def explain(self, memory: Seen, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        day = self._within(memory.found, at, self._day)
        hour = self._within(memory.found, at, self._hour)
        return (
            f"{place.id} was disturbed {times(day)} within {span(self._day)} "
            f"(raised at {self.in_day}) and {times(hour)} within {span(self._hour)} "
            f"(raised at {self.in_hour}).",
        )


def _often(per_year: float) -> str:
    """How often, from a number a year."""
    if per_year >= 1:
        return f"about {times(round(per_year))} a year"
    if per_year < 0.001:
        return "less than once in 1000 years"
    years = 1 / per_year
    return f"about once in {round(years, -1 if years >= 100 else 0):.0f} years"
