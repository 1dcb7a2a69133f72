"""A section disturbed again and again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isinf
from typing import Any, ClassVar

from monitor.core.changes import (
    CauseBegan,
    CauseEnded,
    Change,
    Disturbance,
    LearntAnew,
)
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    look,
)
from monitor.core.moments import DAY, HOUR, Duration, Moment
from monitor.core.statistics.poisson import Gamma, cluster_rate
from monitor.core.values import value_class
from monitor.core.words import YEAR, clock, often, span, times

MOST = 200
"""Disturbances remembered at most; a section disturbed more often in a day needs no further counting."""

QUOTED = 10
"""Disturbances given as evidence, the newest."""

Happened = tuple[Moment, str]
"""When a disturbance happened, and the event that shows it."""


@value_class(frozen=True, slots=True, kw_only=True)
class Seen:
    """The disturbances of a section within the longer window.

    Args:
        found: when each happened and the event that shows it, oldest first.
        by_day: the rule of the longer window holds.
        by_hour: the rule of the shorter window holds.
        began: the earliest counted when the open alert was raised; None where none is open.
        raised: when it was raised.
        usual: what was learnt of the section last, or None.
        cause: the common cause that covers it, to which its disturbances belong, or "".
    """

    found: tuple[Happened, ...] = ()
    by_day: bool = False
    by_hour: bool = False
    began: Moment | None = None
    raised: Moment = 0
    usual: Any = None
    cause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatDisturbance:
    """A section is disturbed again and again: something is failing that has not failed for good.

    What the desk does first: put it on the day list, with the part that is likeliest; from the sixth in a day, tell the technician on call.
    Within: the day; from the sixth, 5 min.
    If not: it fails for good, most likely in the busiest hours.

    Args:
        in_day: so many within the longer window are too many (common practice: the third call of a day goes to the specialist).
        day_h: the longer window, in hours.
        in_hour: so many within the shorter window are too many (common practice: the second call within the hour means that the first visit did not help).
        hour_h: the shorter window, in hours.
        prompt_from: from so many within the longer window on, trains are delayed now (common practice).

    The alert says how often such a cluster would come by chance if disturbances came singly.
    For that the section's own rate is drawn towards the line's, the less of it was seen; the window itself is left out of it.
    What was counted is said with it; before it is enough (30 days, of the section and of what its line lends it) no chance is named.

    Example:
        >>> from monitor.core.moments import MINUTE, parse
        >>> detector, place = RepeatDisturbance(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> memory = detector.start(place)
        >>> for at in (noon, noon + 30 * MINUTE):
        ...     change = Disturbance(
        ...         place="T107",
        ...         at=at,
        ...         happened=at,
        ...         spurious=False,
        ...         under_work=False,
        ...         event="gw/1#7",
        ...     )
        ...     memory, findings = detector.step(memory, change, place)
        >>> findings[0].summary
        'T107 disturbed twice within 1 h; how often that comes by chance is not learnt yet'

    When it is wrong: where work goes on that the feed does not tell of.
    Disturbances do not come singly where one visit, one storm or one train makes several; the statement of chance says what it assumes and no more.

    References:
        Naus, J. I. (1982), Approximations for distributions of scan statistics, Journal of the American Statistical Association 77, 177-183.
        Hauer, E., Harwood, D. W., Council, F. M., and Griffith, M. S. (2002), Estimating safety by the empirical Bayes method: a tutorial, Transportation Research Record 1784, 126-131.
    """

    kind: ClassVar[str] = "repeat-disturbance"
    title: ClassVar[str] = "disturbed again and again"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        Disturbance,
        LearntAnew,
        CauseBegan,
        CauseEnded,
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("planned", "prompt")
    first: ClassVar[str] = (
        "put it on the day list, with the likeliest part; "
        "if prompt, tell the technician on call"
    )
    within: ClassVar[str] = "the day; from the sixth, 5 min"
    otherwise: ClassVar[str] = "it fails for good, likely in the busiest hours"

    in_day: int = 3  # common practice: the third call of a day
    day_h: float = 24.0  # a day, whenever it begins
    in_hour: int = 2  # common practice: the visit between did not help
    hour_h: float = 1.0  # about as long as a visit takes
    prompt_from: int = 6  # common practice: twice what is too many

    @property
    def _day(self) -> Duration:
        return round(self.day_h * HOUR)

    @property
    def _hour(self) -> Duration:
        return round(self.hour_h * HOUR)

    @property
    def _longest(self) -> Duration:
        return max(self._day, self._hour)

    def start(self, place: Place) -> Seen:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Seen()

    def step(
        self, memory: Seen, change: Change, place: Place
    ) -> tuple[Seen, tuple[Finding, ...]]:
        """Count one more; what falls under work does not count, and what belongs to a common cause counts once."""
        match change:
            case LearntAnew():
                return replace(memory, usual=change.usual), ()
            case CauseBegan():
                return self._covered(memory, change, place)
            case CauseEnded():
                return replace(memory, cause=""), ()
            case Disturbance() if not (change.under_work or memory.cause):
                return self._counted(memory, change, place)
        return memory, ()

    def _covered(
        self, memory: Seen, change: CauseBegan, place: Place
    ) -> tuple[Seen, tuple[Finding, ...]]:
        """A common cause takes its disturbances: they count once, and what was raised by them is changed or over."""
        theirs = [one for one in memory.found if one[0] >= change.began]
        found = tuple(one for one in memory.found if one not in theirs[1:])
        after = replace(memory, found=found, cause=change.asset)
        if len(theirs) < 2 or memory.began is None:
            return after, ()
        day = len(_within(found, change.at, self._day)) >= self.in_day
        hour = len(_within(found, change.at, self._hour)) >= self.in_hour
        after = replace(after, by_day=day, by_hour=hour)
        if not (day or hour):
            because = f"its disturbances belong to a common cause: {change.asset}"
            return replace(after, began=None), (Over(at=change.at, because=because),)
        window = self._day if day else self._hour
        counted = _within(found, change.at, window)
        return after, (self._found(after, memory.began, change.at, counted, place),)

    def _counted(
        self, memory: Seen, change: Disturbance, place: Place
    ) -> tuple[Seen, tuple[Finding, ...]]:
        at = change.at
        kept = [one for one in memory.found if at - one[0] <= self._longest]
        kept.append((change.happened, change.event))
        found = tuple(sorted(kept)[-MOST:])
        day = len(_within(found, at, self._day))
        hour = len(_within(found, at, self._hour))
        # A rule that has held holds until its window has run out, which `wake` sees to.
        after = replace(
            memory,
            found=found,
            by_day=memory.by_day or day >= self.in_day,
            by_hour=memory.by_hour or hour >= self.in_hour,
        )
        if not (after.by_day or after.by_hour):
            return after, ()
        window = self._day if after.by_day else self._hour
        counted = _within(found, at, window)
        began = memory.began
        if began is None:
            began = counted[0][0]
            after = replace(after, began=began, raised=at)
        return after, (self._found(after, began, at, counted, place),)

    def _found(
        self,
        memory: Seen,
        began: Moment,
        at: Moment,
        counted: tuple[Happened, ...],
        place: Place,
    ) -> Found:
        day = len(_within(memory.found, at, self._day))
        hour = len(_within(memory.found, at, self._hour))
        window = self._day if memory.by_day else self._hour
        chance, numbers = self._by_chance(memory, at, counted, window)
        return Found(
            began=began,
            raised=memory.raised,
            priority="prompt" if day >= self.prompt_from else "planned",
            summary=f"{place.id} disturbed {times(len(counted))} within {span(window)}; {chance}",
            evidence=tuple(
                Evidence(time=happened, text=f"{place.id} disturbed", event=event)
                for happened, event in counted[-QUOTED:]
            ),
            suspects=place.heads(),
            checks=look(
                "the fixings, gap and height of the heads, and ballast or debris under them",
                "the date of the last track work there, and whether it comes with rain or with fast trains",
                also=(
                    (
                        "a cable joint or the trackside unit",
                        "whether the levels of other heads on it moved too",
                    ),
                    (
                        "metal over a head: tools, a trolley, a road-rail machine",
                        "who was on the track, and whether it falls into working hours",
                    ),
                    (
                        "the evaluator's cards, supply or temperature",
                        f"what else failed at {place.room}",
                    ),
                ),
            ),
            parameters={
                "in_day": self.in_day,
                "day_h": self.day_h,
                "in_hour": self.in_hour,
                "hour_h": self.hour_h,
                "prompt_from": self.prompt_from,
                "counted_in_day": day,
                "counted_in_hour": hour,
                **numbers,
            },
        )

    # How often that comes by chance.

    def _by_chance(
        self, memory: Seen, at: Moment, counted: tuple[Happened, ...], window: Duration
    ) -> tuple[str, dict[str, Any]]:
        usual = memory.usual
        unknown = "how often that comes by chance is not learnt yet"
        if usual is None:
            return unknown, {"rate_per_year": None}
        count, exposure = _outside(usual, at, counted, window)
        seen = {"counted_days": round(exposure, 2), "counted_disturbances": count}
        rests = _counted_here(count, exposure)
        if not usual.rate_known:
            return f"{unknown}: {rests}", {"rate_per_year": None, **seen}
        number = self.in_day if memory.by_day else self.in_hour
        prior = Gamma(usual.prior_shape, usual.prior_days)
        rate = prior.after(count, exposure).mean
        here = cluster_rate(number, rate, window / DAY) * YEAR
        somewhere, line = self._on_the_line(memory)
        said = (
            f"if disturbances came singly, {number} within {span(window)} would come "
            f"by chance {often(here)} on this section{somewhere} ({rests})"
        )
        return said, {
            "rate_per_year": round(rate * YEAR, 3),
            **seen,
            "chance_per_year_here": None if isinf(here) else round(here, 5),
            "chance_per_year_on_line": line,
            "sections_watched": usual.sections,
        }

    def _on_the_line(self, memory: Seen) -> tuple[str, float | None]:
        """The same for all sections that are watched; learnt for the rules as they are by default only."""
        usual, plain = memory.usual, RepeatDisturbance()
        if memory.by_day:
            learnt = (self.in_day, self.day_h) == (plain.in_day, plain.day_h)
            per_year = usual.line_chance_day
        else:
            learnt = (self.in_hour, self.hour_h) == (plain.in_hour, plain.hour_h)
            per_year = usual.line_chance_hour
        if not learnt:
            return "", None
        said = (
            f" and {often(per_year)} somewhere on the {usual.sections} sections watched"
        )
        return said, round(per_year, 5)

    # When it is over.

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
        """A window has run out; it is over when no rule holds any more."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        second = memory.found[-2][0]
        after = replace(
            memory,
            by_day=memory.by_day and at < second + self._day,
            by_hour=memory.by_hour and at < second + self._hour,
        )
        if after.by_day or after.by_hour:
            return after, ()
        return replace(after, began=None), (
            Over(at=at, because="at most one is left in the window"),
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised at {self.in_day} within {span(self._day)}, or at {self.in_hour} within {span(self._hour)}."

    def explain(self, memory: Seen, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        day = len(_within(memory.found, at, self._day))
        hour = len(_within(memory.found, at, self._hour))
        said = (
            f"{place.id} was disturbed {_times(day)} within {span(self._day)} "
            f"(raised at {self.in_day}) and {_times(hour)} within {span(self._hour)} "
            f"(raised at {self.in_hour})."
        )
        due = self.wake_at(memory)
        if due is None:
            return (said,)
        until = clock(due, place.zone, at)
        return (said, f"A window that is too full runs out at {until}.")


def _within(
    found: tuple[Happened, ...], at: Moment, window: Duration
) -> tuple[Happened, ...]:
    """Those of *found* that lie within *window* before *at*."""
    return tuple(one for one in found if at - one[0] <= window)


def _outside(
    usual: Any, at: Moment, counted: tuple[Happened, ...], window: Duration
) -> tuple[int, float]:
    """How many disturbances were counted here in how many days, the window left out."""
    inside = sum(happened < usual.counted_until for happened, _ in counted)
    overlap = max(0, usual.counted_until - (at - window)) / DAY
    count = max(0, usual.disturbances - inside)
    return count, max(0.0, usual.exposure_days - overlap)


def _counted_here(count: int, exposure: float) -> str:
    """What was counted of a section before the window, in words."""
    if not exposure:
        return "nothing was counted here before"
    what = {0: "none", 1: "one"}.get(count, str(count))
    return f"{what} counted here in the {span(round(exposure * DAY))} before"


def _times(count: int) -> str:
    return times(count) if count else "not once"
