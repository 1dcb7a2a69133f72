"""A head that sees trains with one sensor only, or cannot tell their direction."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import Change, HeadPassed, WorkBegan, WorkEnded
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
from monitor.core.events import Direction
from monitor.core.moments import HOUR, Duration, Moment
from monitor.core.values import value_class
from monitor.core.words import clock, span

MOST = 800
"""Passages remembered at most; busier heads are judged by the newest of them."""

QUOTED = 10
"""Odd passages given as evidence, the newest."""

MOST_ODD = 100
"""Odd passages remembered at most; a head that has more needs no further counting."""


@value_class(frozen=True, slots=True, kw_only=True)
class Odd:
    """A passage that one sensor saw otherwise than the other.

    Args:
        at: when.
        text: in what it was odd.
        event: that shows it.
    """

    at: Moment
    text: str
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class Passages:
    """The passages of a head within the window.

    Args:
        times: when each was, odd ones too, oldest first.
        odd: the odd ones.
        began: the earliest odd one counted when the open alert was raised, or None where none is open.
        raised: when it was raised.
        quiet_from: from when a window without an odd passage ends it.
        under_work: nothing counts now.
    """

    times: tuple[Moment, ...] = ()
    odd: tuple[Odd, ...] = ()
    began: Moment | None = None
    raised: Moment = 0
    quiet_from: Moment = 0
    under_work: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OneSidedHead:
    """A head gives passages without a direction, or its two sensors count differently: it is about to miscount.

    What the desk does first: put the head on the day list.
    Within: the day.
    If not: it miscounts, and the sections on both sides fail.

    Args:
        odd: so many odd passages within the window are too many, if their share is too large as well (common practice: one may be a trolley or a tool).
        share: above this share of all passages, in hundredths (common practice: a head in order has one in several thousand).
        day_h: the window, in hours.

    A passage is odd if its direction is none, or if the influences seen by sensor A and by sensor B are known and differ.
    Judged at each passage.

    Example:
        >>> from monitor.core.moments import MINUTE, parse
        >>> detector, place = OneSidedHead(), Place.example("H107")
        >>> memory, noon = detector.start(place), parse("2026-05-04T12:00:00Z")
        >>> for at in (noon, noon + 30 * MINUTE):
        ...     change = HeadPassed(
        ...         place="H107",
        ...         at=at,
        ...         direction=Direction.FORWARD,
        ...         axles=16,
        ...         a=16,
        ...         b=15,
        ...         seconds=9.0,
        ...         event="gw/1#7",
        ...     )
        ...     memory, findings = detector.step(memory, change, place)
        >>> findings[0].summary
        'H107: of 2 passages within 24 h 2 had no direction, or its sensors counted differently'

    When it is wrong: where trains stop or turn back over the head, or trolleys and tools pass it, several times in a day.
    A head that fails for good gives no passages, and nothing is said here.

    References:
        That both sensors see every wheel, and that their order gives the direction, is how such heads count; no statistics are involved.
    """

    kind: ClassVar[str] = "one-sided-head"
    title: ClassVar[str] = "head sees with one sensor"
    places: ClassVar[PlaceKind] = "head"
    hears: ClassVar[tuple[type[Change], ...]] = (HeadPassed, WorkBegan, WorkEnded)
    priorities: ClassVar[tuple[Priority, ...]] = ("planned",)
    first: ClassVar[str] = "put the head on the day list"
    within: ClassVar[str] = "the day"
    otherwise: ClassVar[str] = "it miscounts, and both its sections fail"

    odd: int = 2  # common practice: one may be a trolley
    share: float = 1.0  # common practice: far above a head in order
    day_h: float = 24.0  # a day, whenever it begins

    @property
    def _day(self) -> Duration:
        return round(self.day_h * HOUR)

    def start(self, place: Place) -> Passages:  # noqa: ARG002 - the same everywhere
        """Nothing has passed."""
        return Passages()

    def step(
        self, memory: Passages, change: Change, place: Place
    ) -> tuple[Passages, tuple[Finding, ...]]:
        """Count one more; what passes under work does not count."""
        match change:
            case HeadPassed():
                return self._passed(memory, change, place)
            case WorkBegan():
                return replace(memory, under_work=True), ()
            case WorkEnded() if memory.under_work:
                later = max(memory.quiet_from, change.at)
                return replace(memory, under_work=False, quiet_from=later), ()
            case _:
                return memory, ()

    def _passed(
        self, memory: Passages, change: HeadPassed, place: Place
    ) -> tuple[Passages, tuple[Finding, ...]]:
        if memory.under_work:
            return memory, ()
        at, since = change.at, change.at - self._day
        times, odd = memory.times, memory.odd
        if times and times[0] < since:
            times = tuple(time for time in times if time >= since)
        if odd and odd[0].at < since:
            odd = tuple(one for one in odd if one.at >= since)
        text, quiet_from = _oddity(change), memory.quiet_from
        if text:
            odd = (*odd, Odd(at=at, text=text, event=change.event))[-MOST_ODD:]
            quiet_from = at
        # Made outright: `replace` costs several times as much, and trains are many.
        after = Passages(
            times=(*times, at)[-MOST:],
            odd=odd,
            began=memory.began,
            raised=memory.raised,
            quiet_from=quiet_from,
        )
        if after.began is not None:
            return after, (self._found(after, place),) if text else ()
        if len(odd) < self.odd or 100 * len(odd) <= self.share * len(after.times):
            return after, ()
        after = replace(after, began=odd[0].at, raised=at)
        return after, (self._found(after, place),)

    def _found(self, memory: Passages, place: Place) -> Found:
        odd, passed = len(memory.odd), len(memory.times)
        one, other = place.line.heads[place.id].between
        return Found(
            began=memory.odd[0].at if memory.began is None else memory.began,
            raised=memory.raised,
            priority="planned",
            summary=(
                f"{place.id}: of {passed} passages within {span(self._day)} {odd} "
                "had no direction, or its sensors counted differently"
            ),
            evidence=tuple(
                Evidence(time=one.at, text=one.text, event=one.event)
                for one in memory.odd[-QUOTED:]
            ),
            suspects=(Suspect(asset=f"head/{place.id}", weight=1.0),),
            checks=look(
                "the two sensors of the head: fixings, gap, height, and the cable of each",
                f"whether {one} and {other} were left with axles over, one with as many as the other lacks",
                also=(
                    (
                        "the channel of one sensor in the evaluator",
                        "swapping the channels under test",
                    ),
                    (
                        "trolleys, tools or a train that turned back over the head",
                        "who was on the track, and where trains stopped",
                    ),
                ),
            ),
            parameters={
                "odd": self.odd,
                "share": self.share,
                "day_h": self.day_h,
                "counted_odd": odd,
                "counted_passages": passed,
                "counted_share": round(100 * odd / passed, 3),
            },
        )

    def wake_at(self, memory: Passages) -> Moment | None:
        """When no odd passage will have come for the length of the window."""
        if memory.began is None or memory.under_work:
            return None
        return memory.quiet_from + self._day

    def wake(
        self,
        memory: Passages,
        at: Moment,
        place: Place,  # noqa: ARG002
    ) -> tuple[Passages, tuple[Finding, ...]]:
        """None came: it is over."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        return replace(memory, began=None), (
            Over(at=at, because=f"none for {span(self._day)}"),
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when {self.odd} or more passages within {span(self._day)}, and more than {self.share:g} in a hundred, have no direction or differ between the sensors."

    def explain(self, memory: Passages, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        since = at - self._day
        odd = sum(one.at >= since for one in memory.odd)
        passed = sum(time >= since for time in memory.times)
        said = (
            f"Of {passed} passages within {span(self._day)} {odd} had no direction, "
            f"or the sensors of {place.id} counted differently "
            f"(raised from {self.odd} on, if above {self.share:g} in a hundred)."
        )
        if memory.under_work:
            return (said, "It is under work; what passes does not count.")
        due = self.wake_at(memory)
        if due is None:
            return (said,)
        over = clock(due, place.zone, at)
        return (said, f"That has been raised, and is over at {over} if none follows.")


def _oddity(change: HeadPassed) -> str:
    """In what a passage was odd, or ""."""
    if change.direction is Direction.NONE:
        return f"passage of {change.axles} axles without a direction"
    if change.a is not None and change.b is not None and change.a != change.b:
        return f"sensor A saw {change.a} and sensor B saw {change.b} influences"
    return ""
