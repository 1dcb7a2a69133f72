"""A source's clock departs from the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from monitor.core.changes import Change, ClockJudged
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    Suspect,
    Untimed,
    look,
)
from monitor.core.moments import SECOND, Duration, Moment
from monitor.core.values import value_class
from monitor.core.words import offset, span

FAR: Duration = 30 * SECOND
"""From here the clock itself is spoken of; below, that most events came late."""

OF = 20
"""Events that a judgement rests on."""


@value_class(frozen=True, slots=True, kw_only=True)
class Clock:
    """What was judged last.

    Args:
        wrong: it departs.
        off: by how much its events come later than the others' (positive: its clock is behind).
        raised: when that was raised; it ends no earlier.
    """

    wrong: bool = False
    off: Duration = 0
    raised: Moment = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockWrong(Untimed):
    """A source's clock departs from the others by half a minute or more, or most of what it sends comes late.

    What the desk does first: put it on the day list; its times are corrected meanwhile.
    Within: the day.
    If not: the times in its records disagree with those of its neighbours.

    Args:
        None: 20 events and 30 s either way are judged where clocks are watched, before it comes here.

    Example:
        >>> from monitor.core.moments import MINUTE, parse
        >>> detector, place = ClockWrong(), Place.example("gw/1")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> change = ClockJudged(
        ...     place="gw/1",
        ...     at=noon + MINUTE,
        ...     wrong=True,
        ...     nobody=False,
        ...     lag=3600 * SECOND,
        ...     usual=0,
        ...     late=0,
        ...     began=noon,
        ...     events=20,
        ...     event="gw/1#27",
        ...     correction=3600 * SECOND,
        ... )
        >>> memory, findings = detector.step(detector.start(place), change, place)
        >>> findings[0].summary
        'gw/1: its clock is 1 h behind the others; its times are corrected by +1 h'

    When it is wrong: where a link holds everything back by half a minute.

    References:
        The median of 20 is unmoved by nine that are wrong (Tukey, J. W., 1977, Exploratory data analysis).
    """

    kind: ClassVar[str] = "clock-wrong"
    title: ClassVar[str] = "clock departs from the others"
    places: ClassVar[PlaceKind] = "source"
    hears: ClassVar[tuple[type[Change], ...]] = (ClockJudged,)
    priorities: ClassVar[tuple[Priority, ...]] = ("planned",)
    first: ClassVar[str] = "put it on the day list; its times are corrected"
    within: ClassVar[str] = "the day"
    otherwise: ClassVar[str] = "times in records disagree with the neighbours'"

    def start(self, place: Place) -> Clock:  # noqa: ARG002 - the same everywhere
        """Nothing has been judged."""
        return Clock()

    def step(
        self, memory: Clock, change: Change, place: Place
    ) -> tuple[Clock, tuple[Finding, ...]]:
        """Raise where it turns wrong, over where it is within again."""
        if not isinstance(change, ClockJudged):
            return memory, ()
        off = change.lag - (0 if change.nobody else change.usual)
        if change.wrong:
            found = self._found(change, off, place)
            return Clock(wrong=True, off=off, raised=found.raised), (found,)
        # Corrections differ before and after: a clock set back may seem right again before it was wrong.
        over = Over(
            at=max(change.at, memory.raised),
            because="its clock agrees with the others again",
        )
        findings = (over,) if memory.wrong else ()
        return Clock(off=off), findings

    def _found(self, change: ClockJudged, off: Duration, place: Place) -> Found:
        asset = place.id if change.nobody else f"source/{place.id}"
        return Found(
            began=change.began,
            raised=max(change.at, change.began),
            priority="planned",
            summary=self._summary(change, off, place),
            evidence=(
                Evidence(
                    time=change.began,
                    text=f"the first of {change.events} events it rests on; {change.late} of them came late",
                ),
                Evidence(time=change.at, text="the last of them", event=change.event),
            ),
            suspects=(Suspect(asset=asset, weight=1.0),),
            checks=self._checks(change),
            parameters={
                "lag_s": change.lag / SECOND,
                "usual_lag_s": change.usual / SECOND,
                "departs_s": off / SECOND,
                "late_of_20": change.late,
                "correction_s": change.correction / SECOND,
            },
        )

    def _summary(self, change: ClockJudged, off: Duration, place: Place) -> str:
        if change.nobody:
            how = f"no source is within {span(FAR)} of its clock"
            return f"{place.id}: {how}; nobody's times are corrected"
        if abs(off) >= FAR:
            which = "behind" if off > 0 else "ahead of"
            said = f"its clock is {_rounded(off)} {which} the others"
        else:
            said = f"{change.late} of its last {OF} events came late"
        if not change.correction:
            return f"{place.id}: {said}; its times are not corrected"
        corrected = offset(change.correction)
        return f"{place.id}: {said}; its times are corrected by {corrected}"

    def _checks(self, change: ClockJudged) -> tuple[str, ...]:
        if change.nobody:
            return look(
                "the time service of the machine that the monitor runs on",
                also=(
                    (
                        "a broker that holds everything back",
                        "the broker's own log of what it passed on, and when",
                    ),
                ),
            )
        return look(
            "the time service of the gateway and of the evaluators behind it",
            also=(
                (
                    "a link that holds everything back",
                    "the gateway's own record of sending",
                ),
            ),
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when the middle of its last {OF} lags is {span(FAR)} from the usual one, or more than half of its last {OF} events came late."

    def explain(self, memory: Clock, at: Moment, place: Place) -> tuple[str, ...]:  # noqa: ARG002
        """What is known."""
        off = offset(memory.off)
        if not memory.wrong:
            return (f"The clock of {place.id} is not judged to depart.",)
        return (f"Events of {place.id} come {off} later than those of the others.",)


def _rounded(off: Duration) -> str:
    """By how much a clock is off, to the second: what is 3599.8 s is an hour to anybody."""
    return span(abs(round(off / SECOND)) * SECOND)
