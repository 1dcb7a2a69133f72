"""A reset that no train has followed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import (
    Change,
    KnownAgain,
    LearntAnew,
    NotKnown,
    ResetTaken,
    StateChanged,
    WorkBegan,
    WorkedThrough,
    WorkEnded,
)
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
)
from monitor.core.events import State, Step
from monitor.core.moments import DAY, HOUR, SECOND, Duration, Moment, seconds
from monitor.core.words import CAUTION, clock, span, whole_hours


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """A reset that waits for a train.

    Args:
        since: when it was accepted, or the work it was made under ended; None where none waits.
        event: the event that says so.
        how: its kind and by whom, in words.
        under_work: an accepted reset made under the work that goes on, and its event.
        work: the section is under work.
        dark: the section is not known.
        counted_from: from when time is counted.
        counted: how much was counted before that.
        due: when it will have waited for long enough, or None while nothing is counted.
        raised: an alert about it is open.
        awaiting: the section shows awaiting sweep.
        worked: when a train worked through last.
        gap: the section's usual gap between trains, where learnt.
        hours: the local hours with trains, where learnt.
    """

    since: Moment | None = None
    event: str = ""
    how: str = ""
    under_work: str = ""
    work: bool = False
    dark: bool = False
    counted_from: Moment = 0
    counted: Duration = 0
    due: Moment | None = None
    raised: bool = False
    awaiting: bool = False
    worked: Moment | None = None
    gap: Duration | None = None
    hours: frozenset[int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetUnproved:
    """A section was reset, and no train has worked through it since: nothing has shown that it detects a train again.

    What the desk does first: ask the signaller when the next train is due there.
    Within: the day; while it awaits the sweep, five minutes.
    If not: a section that no longer detects trains is taken for one that does.

    Args:
        prove_within_s: how long a train may take to come (common practice: an hour with trains).
        gaps: or so many times the usual gap between trains there, where that is longer.

    Example:
        >>> from monitor.core.events import ResetKind
        >>> from zoneinfo import ZoneInfo
        >>> from types import SimpleNamespace
        >>> place = SimpleNamespace(id="T107", zone=ZoneInfo("UTC"))
        >>> reset = ResetTaken(
        ...     place="T107",
        ...     at=0,
        ...     kind=ResetKind.UNCONDITIONAL,
        ...     step=Step.ACCEPTED,
        ...     by=None,
        ...     so_at=0,
        ...     event="gw/1#7",
        ... )
        >>> detector = ResetUnproved()
        >>> memory, _ = detector.step(Promise(), reset, place)
        >>> detector.wake_at(memory) == 3600 * SECOND
        True

    Works best where trains are frequent; hours without trains are learnt and not counted.
    It is wrong on the first day of another timetable.
    """

    kind: ClassVar[str] = "reset-unproved"
    title: ClassVar[str] = "reset, no train has followed"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        ResetTaken,
        WorkedThrough,
        StateChanged,
        LearntAnew,
        WorkBegan,
        WorkEnded,
        NotKnown,
        KnownAgain,
    )
    first: ClassVar[str] = "ask the signaller when the next train is due there"
    within: ClassVar[str] = "the day; while awaiting the sweep, 5 min"
    otherwise: ClassVar[str] = "a section that detects nothing is trusted"

    prove_within_s: float = 3600.0
    gaps: float = 3.0

    def start(self, place: Place) -> Promise:  # noqa: ARG002
        """Nothing has been heard."""
        return Promise()

    def step(
        self, memory: Promise, change: Change, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        """Wait from an accepted reset on, until a train works through."""
        match change:
            case ResetTaken(step=Step.ACCEPTED):
                return self._reset(memory, change, place)
            case WorkedThrough():
                return self._proved(memory, change)
            case StateChanged():
                return self._state(memory, change, place)
            case LearntAnew():
                usual = change.usual
                if memory.since is not None and memory.due is not None:
                    memory = self._count(memory, change.at, place)
                memory = replace(memory, gap=usual.gap_median, hours=usual.hours)
                return self._timed(memory, place), ()
            case WorkBegan():
                memory = replace(memory, work=True)
                if memory.since is not None and not memory.raised:
                    memory = replace(
                        memory, since=None, due=None, under_work=memory.event
                    )
                return memory, ()
            case WorkEnded():
                return self._work_over(replace(memory, work=False), change, place), ()
            case NotKnown():
                return replace(memory, dark=True, due=None), ()
            case KnownAgain():
                memory = replace(memory, dark=False, counted=0, counted_from=change.at)
                return self._timed(memory, place), ()
        return memory, ()

    def _reset(
        self, memory: Promise, change: ResetTaken, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        if memory.worked is not None and memory.worked > change.so_at:
            return memory, ()
        if memory.work:
            return replace(memory, under_work=change.event, how=_how(change)), ()
        findings: tuple[Finding, ...] = ()
        if memory.raised:
            findings = (Over(at=change.at, because="a later reset took its place"),)
        after = replace(
            memory,
            since=change.so_at,
            event=change.event,
            how=_how(change),
            raised=False,
        )
        if memory.since is None:
            after = replace(after, counted=0, counted_from=change.so_at)
            return self._timed(after, place), findings
        # It falls due when the first that was not proved would have, at the earliest now.
        due = memory.due if memory.due is not None else change.at
        if memory.dark:
            return replace(after, due=None), findings
        return replace(after, due=max(due, change.at)), findings

    def _proved(
        self, memory: Promise, change: WorkedThrough
    ) -> tuple[Promise, tuple[Finding, ...]]:
        after = replace(memory, worked=change.left, under_work="")
        if memory.since is None or change.left < memory.since:
            return replace(memory, worked=change.left), ()
        findings = (Over(at=change.left),) if memory.raised else ()
        return replace(after, since=None, due=None, raised=False), findings

    def _state(
        self, memory: Promise, change: StateChanged, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        awaiting = change.now is State.AWAITING_SWEEP
        if awaiting == memory.awaiting:
            return memory, ()
        memory = replace(memory, awaiting=awaiting)
        if not memory.raised or memory.since is None:
            return memory, ()
        return memory, (self._found(memory, memory.due or change.at, place),)

    def _work_over(self, memory: Promise, change: WorkEnded, place: Place) -> Promise:
        if not memory.under_work:
            return memory
        after = replace(
            memory,
            since=change.at,
            event=memory.under_work,
            under_work="",
            counted=0,
            counted_from=change.at,
        )
        return self._timed(after, place)

    # Counting only hours with trains.

    def _limit(self, memory: Promise) -> Duration:
        return max(seconds(self.prove_within_s), round(self.gaps * (memory.gap or 0)))

    def _timed(self, memory: Promise, place: Place) -> Promise:
        if memory.since is None or memory.raised or memory.dark or memory.work:
            return memory
        left = self._limit(memory) - memory.counted
        due = _after(memory.counted_from, max(0, left), memory.hours, place)
        return replace(memory, due=due)

    def _count(self, memory: Promise, at: Moment, place: Place) -> Promise:
        if memory.raised or at <= memory.counted_from:
            return memory
        counted = memory.counted + _between(
            memory.counted_from, at, memory.hours, place
        )
        return replace(memory, counted=counted, counted_from=at)

    def wake_at(self, memory: Promise) -> Moment | None:
        """When it will have waited for long enough in hours with trains."""
        if memory.since is None or memory.raised:
            return None
        return memory.due

    def wake(
        self, memory: Promise, at: Moment, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        """It has."""
        due = memory.due if memory.due is not None else at
        memory = replace(memory, due=due)
        found = self._found(memory, due, place)
        return replace(memory, raised=True), (found,)

    def _found(self, memory: Promise, raised: Moment, place: Place) -> Found:
        since = memory.since if memory.since is not None else raised
        priority: Priority = "prompt" if memory.awaiting else "planned"
        tail = "; it awaits the sweep" if memory.awaiting else ""
        return Found(
            began=since,
            raised=raised,
            priority=priority,
            summary=f"{place.id} reset at {clock(since, place.zone)}; no train has worked through since{tail}",
            evidence=(
                Evidence(
                    time=since,
                    text=f"{place.id}: {memory.how or 'reset'} accepted",
                    event=memory.event,
                ),
            ),
            checks=(
                "Look first at when the next train is due there: ask the signaller",
                "Could also be a train that came while the section was not known; settled by the signaller's record",
                CAUTION,
            ),
            parameters={
                "prove_within_s": self._limit(memory) / SECOND,
                "usual_gap_s": None if memory.gap is None else memory.gap / SECOND,
                "hours_with_trains": None
                if memory.hours is None
                else sorted(memory.hours),
            },
        )

    def explain(self, memory: Promise, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            if memory.under_work:
                return ("A reset made under work waits for the end of the work.",)
            return (f"No reset of {place.id} waits for a train.",)
        said = [f"Reset at {clock(memory.since, place.zone, at)} waits for a train."]
        if memory.raised:
            return tuple(said)
        if memory.due is None:
            said.append("The timer is stopped.")
        else:
            counted = self._count(memory, at, place).counted
            said.append(
                f"{span(counted)} of {span(self._limit(memory))} with trains have gone by; "
                f"due at {clock(memory.due, place.zone, at)}."
            )
        return tuple(said)


def _how(change: ResetTaken) -> str:
    by = f" by {change.by}" if change.by else ""
    return f"{change.kind.value.replace('_', ' ')} reset{by}"


def _after(
    start: Moment, length: Duration, hours: frozenset[int] | None, place: Place
) -> Moment | None:
    """When *length* will have gone by in the local *hours* after *start*; None where there are none."""
    if hours is None or len(hours) == 24:
        return start + length
    if not hours:
        return None
    at = start
    while True:
        begin, hour = whole_hours(at, place.zone)
        end = begin + HOUR
        if hour in hours:
            if at + length <= end:
                return at + length
            length -= end - at
        at = end


def _between(
    start: Moment, end: Moment, hours: frozenset[int] | None, place: Place
) -> Duration:
    """How much of the time from *start* to *end* lies in the local *hours*."""
    if hours is None:
        return end - start
    total, at = 0, start
    while at < end and at - start < 60 * DAY:
        begin, hour = whole_hours(at, place.zone)
        upto = min(begin + HOUR, end)
        if hour in hours:
            total += upto - at
        at = upto
    return total
