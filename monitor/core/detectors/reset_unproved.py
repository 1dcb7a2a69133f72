"""A reset that no train has followed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import (
    Change,
    KnownAgain,
    LearntAnew,
    NotKnown,
    OccupationEnded,
    ResetTaken,
    StateChanged,
    StretchEnded,
    WorkBegan,
    WorkedThrough,
    WorkEnded,
)
from monitor.core.detector import (
    INTERRUPTIONS,
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    Resting,
    look,
)
from monitor.core.events import State, Step
from monitor.core.moments import DAY, HOUR, SECOND, Duration, Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import clock, names, span, whole_hours

LOOKED_BACK = 60 * DAY
"""Hours with trains are added up over no longer than this: a timer that ran for two months is over."""

PROVING = frozenset({State.OCCUPIED, State.AWAITING_SWEEP})
"""A clear out of these may be a train's leaving, which proves the reset."""

UNDER_WORK = "under work"
NOT_KNOWN = "not known"
"""Why no time counts, whatever the hour."""


@value_class(frozen=True, slots=True, kw_only=True)
class Promise:
    """A reset that waits for a train.

    Args:
        since: when it was accepted, or the work it was made under ended; None where none waits.
        event: the event that says so.
        how: its kind and by whom, in words.
        made_under_work: it was, and counts from the end of that.
        pending: an accepted reset made under the work that goes on, as its event; or "".
        pending_at: when that was accepted.
        work: the section is under work.
        dark: the section is not known.
        leaving: it has just become clear, and whether that proves the reset is not judged yet.
        limit: how long a train may take, as set when the timer began.
        left: how much of that was left at `counted_from`.
        counted_from: from when on hours with trains count against `left`.
        due: when nothing will be left, or None while no timer runs.
        raised: when an alert about it was raised, or None.
        awaiting: the section shows awaiting sweep.
        gap: the section's usual gap between trains, where learnt.
        hours: the local hours with trains, where learnt.
    """

    since: Moment | None = None
    event: str = ""
    how: str = ""
    made_under_work: bool = False
    pending: str = ""
    pending_at: Moment = 0
    work: bool = False
    dark: bool = False
    leaving: bool = False
    limit: Duration = 0
    left: Duration = 0
    counted_from: Moment = 0
    due: Moment | None = None
    raised: Moment | None = None
    awaiting: bool = False
    gap: Duration | None = None
    hours: frozenset[int] | None = None

    @property
    def runs(self) -> bool:
        """Whether time counts against the reset."""
        return (
            self.since is not None
            and self.raised is None
            and not self.work
            and not self.dark
        )

    def done(self) -> Promise:
        """The same with no reset that waits."""
        return replace(
            self, since=None, event="", how="", due=None, raised=None, leaving=False
        )


@value_class(frozen=True, slots=True, kw_only=True)
class Timer:
    """How far the waiting for a train has come.

    Args:
        due: by when one is wanted, or None while no time counts, and once that was raised.
        raised: when it was, or None.
        stopped: why no time counts now, in words, or "".
        resumes: when hours with trains begin again, where none is one now; else None.
    """

    due: Moment | None
    raised: Moment | None
    stopped: str
    resumes: Moment | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetUnproved(Resting):
    """A section was reset, and no train has worked through it since: nothing has shown that it detects a train again.

    What the desk does first: ask the signaller when the next train is due there.
    Within: the day; while the section awaits its sweep, 5 min.
    If not: a section that no longer detects trains is taken for one that does.

    Args:
        prove_within_s: how long a train may take to come (common practice: an hour in which trains run).
        gaps: or so many times the section's usual gap between trains, where that is learnt and longer (common practice: three trains missed are no chance).

    Only hours count in which trains usually work through the section, once they are learnt.

    Example:
        >>> from monitor.core.events import ResetKind
        >>> from monitor.core.moments import parse
        >>> detector, place = ResetUnproved(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> reset = ResetTaken(
        ...     place="T107",
        ...     at=noon,
        ...     kind=ResetKind.UNCONDITIONAL,
        ...     step=Step.ACCEPTED,
        ...     by="technician",
        ...     so_at=noon,
        ...     event="gw/1#7",
        ... )
        >>> memory, _ = detector.step(detector.start(place), reset, place)
        >>> memory, findings = detector.wake(memory, detector.wake_at(memory), place)
        >>> findings[0].summary
        'T107 reset at 12:00:00; no train has worked through it since'

    When it is wrong: on the first day of another timetable, and where trains came while the section was not known.
    A train whose entry or exit nothing explains is no proof, though it may have been one.

    References:
        That a train counted in and out proves a section after a reset is common practice (the sweep).
    """

    kind: ClassVar[str] = "reset-unproved"
    title: ClassVar[str] = "reset, no train has followed"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        ResetTaken,
        WorkedThrough,
        StateChanged,
        StretchEnded,
        OccupationEnded,
        LearntAnew,
        *INTERRUPTIONS,
    )
    stirred_by: ClassVar[frozenset[type[Change]]] = frozenset(
        {ResetTaken, StateChanged, LearntAnew, *INTERRUPTIONS}
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("planned", "prompt")
    first: ClassVar[str] = "ask the signaller when the next train is due there"
    within: ClassVar[str] = "the day; while awaiting the sweep, 5 min"
    otherwise: ClassVar[str] = "a section that detects nothing is trusted"

    prove_within_s: float = 3600.0  # common practice: an hour in which trains run
    gaps: float = 3.0  # common practice: three trains missed are no chance

    def start(self, place: Place) -> Promise:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Promise()

    def rests(self, memory: Promise) -> bool:
        """Whether no reset waits."""
        return memory.since is None and not (memory.pending or memory.leaving)

    def step(
        self, memory: Promise, change: Change, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        """Wait from an accepted reset on, until a train works through."""
        match change:
            case StateChanged():
                return self._state(memory, change, place)
            case StretchEnded() | OccupationEnded():
                # Had it proved the reset, that would be told in the same breath.
                return (
                    replace(memory, leaving=False) if memory.leaving else memory
                ), ()
            case WorkedThrough():
                return self._proved(memory, change)
            case ResetTaken(step=Step.ACCEPTED):
                return self._reset(memory, change, place)
            case WorkEnded():
                return self._work_over(memory, change, place)
            case LearntAnew():
                return self._learnt(memory, change, place), ()
            case _:
                return self._interrupted(memory, change, place), ()

    # A reset is accepted, proved, or replaced.

    def _reset(
        self, memory: Promise, change: ResetTaken, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        so_at = change.so_at
        if change.worked is not None and change.worked >= so_at:
            return memory, ()  # entered later by a person: a train has proved it since
        if memory.work:
            return replace(memory, pending=change.event, pending_at=so_at), ()
        if memory.since is None:
            after = replace(
                memory,
                since=so_at,
                event=change.event,
                how=_how(change),
                leaving=False,
                made_under_work=False,
            )
            return self._time_from(after, so_at, place), ()
        if so_at < memory.since:
            return memory, ()  # entered later by a person: the newer one is waited for
        after = replace(
            memory,
            since=so_at,
            event=change.event,
            how=_how(change),
            made_under_work=False,
        )
        return self._replaced(memory, after, change.at, so_at)

    def _replaced(
        self, before: Promise, after: Promise, now: Moment, at: Moment
    ) -> tuple[Promise, tuple[Finding, ...]]:
        """A later reset takes the place of one that waits, and falls due when that would have; at the earliest on being accepted."""
        if before.raised is None:
            due = None if before.due is None else max(before.due, at)
            return replace(after, due=due), ()
        over = Over(at=max(at, before.raised), because="a later reset took its place")
        due = None if after.dark else now
        return replace(after, raised=None, due=due, left=0, counted_from=now), (over,)

    def _proved(
        self, memory: Promise, change: WorkedThrough
    ) -> tuple[Promise, tuple[Finding, ...]]:
        left = change.left
        after = memory
        if memory.pending and left >= memory.pending_at:
            after = replace(after, pending="")
        if memory.since is None or left < memory.since:
            return after, ()
        if memory.raised is None:
            return after.done(), ()
        over = Over(at=max(left, memory.raised), because="a train has worked through")
        return after.done(), (over,)

    def _state(
        self, memory: Promise, change: StateChanged, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        awaiting = change.now is State.AWAITING_SWEEP
        leaving = (
            change.now is State.CLEAR
            and change.was in PROVING
            and memory.since is not None
            and memory.raised is None
        )
        if awaiting == memory.awaiting and leaving == memory.leaving:
            return memory, ()
        after = replace(memory, awaiting=awaiting, leaving=leaving)
        if awaiting == memory.awaiting or memory.raised is None:
            return after, ()
        return after, (self._found(after, memory.raised, place),)

    # Work, and spells that are not known: timers start again afterwards.

    def _interrupted(self, memory: Promise, change: Change, place: Place) -> Promise:
        match change:
            case WorkBegan():
                return replace(memory, work=True, due=None)
            case NotKnown():
                return replace(memory, dark=True, leaving=False, due=None)
            case KnownAgain():
                return self._time_from(replace(memory, dark=False), change.at, place)
            case _:
                return memory  # a reset asked for, refused or restored: no promise

    def _work_over(
        self, memory: Promise, change: WorkEnded, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        at = change.at
        after = replace(memory, work=False, pending="")
        if not memory.pending:
            return self._time_from(after, at, place), ()
        how = "a reset was made under work, and the work has ended"
        after = replace(
            after, since=at, event=memory.pending, how=how, made_under_work=True
        )
        if memory.raised is not None:
            return self._replaced(memory, after, at, at)
        return self._time_from(after, at, place), ()

    # The timer, which counts hours with trains only.

    def _limit(self, memory: Promise) -> Duration:
        return max(seconds(self.prove_within_s), round(self.gaps * (memory.gap or 0)))

    def _time_from(self, memory: Promise, at: Moment, place: Place) -> Promise:
        """The timer begins anew at *at*, where one runs at all."""
        if not memory.runs:
            return memory
        limit = self._limit(memory)
        due = _after(at, limit, memory.hours, place)
        return replace(memory, limit=limit, left=limit, counted_from=at, due=due)

    def _learnt(self, memory: Promise, change: LearntAnew, place: Place) -> Promise:
        """What is left goes on under the new hours."""
        usual = change.usual
        after = replace(memory, gap=usual.gap_median, hours=usual.hours)
        if not memory.runs or usual.hours == memory.hours:
            return after
        at = change.at
        left = self._left(memory, at, place)
        due = _after(at, left, usual.hours, place)
        if left == 0 and memory.due is not None:
            due = memory.due
        return replace(after, left=left, counted_from=at, due=due)

    def _left(self, memory: Promise, at: Moment, place: Place) -> Duration:
        counted = _between(memory.counted_from, at, memory.hours, place)
        return max(0, memory.left - counted)

    def wake_at(self, memory: Promise) -> Moment | None:
        """When it will have waited for long enough in hours with trains."""
        return memory.due if memory.runs and not memory.leaving else None

    def wake(
        self, memory: Promise, at: Moment, place: Place
    ) -> tuple[Promise, tuple[Finding, ...]]:
        """It has."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        after = replace(memory, raised=at, due=None)
        return after, (self._found(after, at, place),)

    def _found(self, memory: Promise, raised: Moment, place: Place) -> Found:
        since = raised if memory.since is None else memory.since
        priority: Priority = "prompt" if memory.awaiting else "planned"
        tail = "; it awaits the sweep" if memory.awaiting else ""
        when = clock(since, place.zone, raised)
        given = f"reset at {when}"
        if memory.made_under_work:
            given = f"reset under work that ended at {when}"
        hours = memory.hours
        return Found(
            began=since,
            raised=raised,
            priority=priority,
            summary=f"{place.id} {given}; no train has worked through it since{tail}",
            evidence=(
                Evidence(
                    time=since, text=f"{place.id}: {memory.how}", event=memory.event
                ),
                Evidence(
                    time=raised,
                    text=f"no train has worked through within {span(memory.limit)}; {_counted(hours)}",
                ),
            ),
            suspects=place.heads(),
            checks=look(
                "when the next train is due there: ask the signaller",
                "what the section showed since the reset, and the tallies of the trains that came near it",
                also=(
                    (
                        "a train that came while the section was not known",
                        "the signaller's record of trains",
                    ),
                    (
                        "a line on which no train runs today",
                        "the timetable and the notices of the day",
                    ),
                    (
                        "a section that does not detect the trains that pass",
                        "the next train, watched at the evaluator",
                    ),
                ),
            ),
            parameters={
                "prove_within_s": self.prove_within_s,
                "gaps": self.gaps,
                "usual_gap_s": None if memory.gap is None else memory.gap / SECOND,
                "limit_s": memory.limit / SECOND,
                "waited_s": (raised - since) / SECOND,
                "hours_with_trains": None if hours is None else sorted(hours),
            },
        )

    def timer(self, memory: Promise, at: Moment, place: Place) -> Timer | None:
        """How far the reset that waits there has come at *at*; None where none waits."""
        if memory.since is None and not memory.pending:
            return None
        if memory.since is None:
            return Timer(due=None, raised=None, stopped=UNDER_WORK, resumes=None)
        if memory.raised is not None:
            return Timer(due=None, raised=memory.raised, stopped="", resumes=None)
        reasons = ((UNDER_WORK, memory.work), (NOT_KNOWN, memory.dark))
        stopped = names(tuple(name for name, so in reasons if so))
        if stopped:
            return Timer(due=None, raised=None, stopped=stopped, resumes=None)
        resumes = _after(at, 0, memory.hours, place)
        if resumes is None:
            stopped = "no hour with trains is known"
        elif resumes > at:
            stopped = "no trains usually at this hour"
        return Timer(
            due=memory.due,
            raised=None,
            stopped=stopped,
            resumes=resumes if stopped else None,
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when no train has worked through within {span(seconds(self.prove_within_s))} of an accepted reset, or {self.gaps:g} of its usual gaps where they are longer, in hours that count."

    def explain(self, memory: Promise, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            if memory.pending:
                return ("A reset made under work counts from the end of the work.",)
            return (f"No reset of {place.id} waits for a train.",)
        said = f"Reset at {clock(memory.since, place.zone, at)} waits for a train."
        if memory.raised is not None:
            return (said, "That has been raised.")
        reasons = ((UNDER_WORK, memory.work), (NOT_KNOWN, memory.dark))
        stopped = tuple(name for name, so in reasons if so)
        if stopped:
            return (said, f"The timer is stopped: the section is {names(stopped)}.")
        gone = memory.limit - self._left(memory, at, place)
        counted = (
            f"{span(gone)} of {span(memory.limit)} have gone by; "
            f"{_counted(memory.hours)}"
        )
        if memory.due is None:
            return (said, f"{counted}; no hour with trains is known.")
        if memory.leaving:
            return (
                said,
                f"{counted}; whether a train has just left is not judged yet.",
            )
        return (said, f"{counted}; due at {clock(memory.due, place.zone, at)}.")


def _how(change: ResetTaken) -> str:
    by = f" by {change.by}" if change.by else ""
    entered = ", entered later" if change.so_at < change.at else ""
    return f"{change.kind.value.replace('_', ' ')} reset{by} accepted{entered}"


def _counted(hours: frozenset[int] | None) -> str:
    """Which hours count, in words."""
    if hours is None:
        return "every hour counts, for the usual hours are not learnt yet"
    if len(hours) == 24:
        return "every hour counts, for trains usually run in all of them"
    return "hours in which trains usually run count"


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
    if hours is None or len(hours) == 24:
        return max(0, end - start)
    total, at = 0, start
    while at < end and at - start < LOOKED_BACK:
        begin, hour = whole_hours(at, place.zone)
        upto = min(begin + HOUR, end)
        if hour in hours:
            total += upto - at
        at = upto
    return total
