"""A reset that did not hold."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import (
    Change,
    EntryJudged,
    ResetTaken,
    StateChanged,
    StretchEnded,
    Verdict,
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
    Resting,
    Untimed,
    look,
)
from monitor.core.events import State, Step
from monitor.core.moments import SECOND, Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import clock, span


@value_class(frozen=True, slots=True, kw_only=True)
class Failure:
    """What shows that a reset did not hold.

    Args:
        began: the disturbance, or the stretch of `occupied`.
        raised: the latest event time that needed.
        what: in words.
        event: the event that shows it.
    """

    began: Moment
    raised: Moment
    what: str
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class Reset:
    """A reset before any train.

    Args:
        since: when it was accepted, or the work it was made under ended; None where none waits.
        event: the event that says so.
        made_under_work: it was, and counts from the end of that.
        pending: an accepted reset made under the work that goes on, as its event; or "".
        pending_at: when that was.
        work: the section is under work.
        work_ended: when the last work ended, or None.
        raised: an alert is open.
        began: when what it was raised for began.
        by_train: since when a train is in the section that entered after the reset, or None.
    """

    since: Moment | None = None
    event: str = ""
    made_under_work: bool = False
    pending: str = ""
    pending_at: Moment = 0
    work: bool = False
    work_ended: Moment | None = None
    raised: bool = False
    began: Moment = 0
    by_train: Moment | None = None

    @property
    def watching(self) -> bool:
        """A failure now would be one of this reset."""
        return self.since is not None and not self.raised and not self.work


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetNotHeld(Resting, Untimed):
    """A section was reset and failed again before any train had worked through it, or with the first train after it.

    What the desk does first: tell the technician on call that the part that failed is still failing.
    Within: 5 min.
    If not: it is reset again and again, and trains are cautioned through each time.

    Args:
        hold_s: how soon after a reset a failure belongs to it, train or none (common practice: a quarter of an hour, while the technician is still there).

    Example:
        >>> from monitor.core.events import ResetKind
        >>> from monitor.core.moments import parse
        >>> detector, place = ResetNotHeld(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> reset = ResetTaken(
        ...     place="T107",
        ...     at=noon,
        ...     kind=ResetKind.UNCONDITIONAL,
        ...     step=Step.ACCEPTED,
        ...     by=None,
        ...     so_at=noon,
        ...     event="gw/1#7",
        ... )
        >>> again = StateChanged(
        ...     place="T107",
        ...     at=noon + 600 * SECOND,
        ...     was=State.CLEAR,
        ...     now=State.DISTURBED,
        ...     event="gw/1#9",
        ...     so_since=noon + 600 * SECOND,
        ... )
        >>> memory, _ = detector.step(detector.start(place), reset, place)
        >>> memory, findings = detector.step(memory, again, place)
        >>> findings[0].summary
        'T107 disturbed again 10 min after its reset at 12:00:00'

    When it is wrong: where a second failure, which has nothing to do with the first, falls into the quarter of an hour.

    References:
        That the first train after a reset proves it is common practice (the sweep).
    """

    kind: ClassVar[str] = "reset-not-held"
    title: ClassVar[str] = "reset did not hold"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        ResetTaken,
        StateChanged,
        EntryJudged,
        StretchEnded,
        WorkedThrough,
        WorkBegan,
        WorkEnded,
    )
    stirred_by: ClassVar[frozenset[type[Change]]] = frozenset(
        {ResetTaken, WorkBegan, WorkEnded}
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "tell the technician on call: it is still failing"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "it is reset again and again"

    hold_s: float = 900.0  # common practice: while the technician is still there

    def start(self, place: Place) -> Reset:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Reset()

    def rests(self, memory: Reset) -> bool:
        """Whether no reset is watched."""
        return memory.since is None and memory.by_train is None and not memory.pending

    def step(
        self, memory: Reset, change: Change, place: Place
    ) -> tuple[Reset, tuple[Finding, ...]]:
        """Watch from an accepted reset on, until a train works through."""
        match change:
            case StateChanged():
                return self._judge(memory, self._disturbed(memory, change), place)
            case EntryJudged():
                if memory.since is None:
                    return memory, ()
                memory = self._entered(memory, change)
                return self._judge(memory, self._failed_entry(memory, change), place)
            case StretchEnded():
                if memory.by_train is None:
                    return memory, ()
                return replace(memory, by_train=None), ()
            case ResetTaken(step=Step.ACCEPTED):
                return self._reset(memory, change), ()
            case WorkedThrough():
                return self._proved(memory, change)
            case WorkBegan():
                return replace(memory, work=True), ()
            case WorkEnded():
                return self._work_over(memory, change), ()
            case _:
                return memory, ()

    # From the reset to its proof.

    def _reset(self, memory: Reset, change: ResetTaken) -> Reset:
        if change.worked is not None and change.worked >= change.so_at:
            return memory  # entered later by a person: a train has proved it since
        if memory.work:
            return replace(memory, pending=change.event, pending_at=change.so_at)
        newer = memory.since is not None and memory.since > change.so_at
        if memory.raised or newer:
            return memory
        return replace(
            memory,
            since=change.so_at,
            event=change.event,
            made_under_work=False,
            by_train=None,
        )

    def _work_over(self, memory: Reset, change: WorkEnded) -> Reset:
        after = replace(
            memory, work=False, work_ended=change.at, pending="", by_train=None
        )
        if not memory.pending or memory.raised:
            return after
        return replace(
            after, since=change.at, event=memory.pending, made_under_work=True
        )

    def _proved(
        self, memory: Reset, change: WorkedThrough
    ) -> tuple[Reset, tuple[Finding, ...]]:
        left = change.left
        after = memory
        if memory.pending and left >= memory.pending_at:
            after = replace(after, pending="")
        if memory.since is None or left < memory.since:
            return after, ()
        # The proof is known a little after the train has left; a failure may fall between.
        over = Over(at=max(left, memory.began), because="a train has worked through")
        findings = (over,) if memory.raised else ()
        return replace(after, since=None, raised=False, by_train=None), findings

    # What shows that it did not hold.

    def _soon(self, memory: Reset, moment: Moment) -> bool:
        since = memory.since
        return since is not None and moment - since <= seconds(self.hold_s)

    def _disturbed(self, memory: Reset, change: StateChanged) -> Failure | None:
        since = memory.since
        if change.now is not State.DISTURBED or not memory.watching or since is None:
            return None
        began = change.so_since
        if began < since:
            return None  # it was so before the reset and is only seen now
        if self._soon(memory, began):
            what = "disturbed again"
        elif memory.by_train is not None and change.was is State.OCCUPIED:
            what = "disturbed by the first train"
        else:
            return None
        return Failure(began=began, raised=change.at, what=what, event=change.event)

    def _entered(self, memory: Reset, change: EntryJudged) -> Reset:
        since = memory.since
        if (
            since is not None
            and change.state is State.OCCUPIED
            and change.verdict is Verdict.EXPLAINED
            and change.entered >= since
        ):
            return replace(memory, by_train=change.entered)
        return memory

    def _failed_entry(self, memory: Reset, change: EntryJudged) -> Failure | None:
        since, entered = memory.since, change.entered
        if not memory.watching or since is None or entered <= since:
            return None
        if memory.work_ended is not None and entered < memory.work_ended:
            return None  # it fell under work
        occupied = change.state is State.OCCUPIED
        if occupied and change.verdict is Verdict.NOT_EXPLAINED:
            if not self._soon(memory, entered):
                return None
            what = "found occupied, no train seen to enter,"
        elif not occupied and change.train and change.verdict is Verdict.EXPLAINED:
            what = "disturbed by the first train"
        else:
            return None
        return Failure(
            began=entered, raised=change.raised, what=what, event=change.event
        )

    def _judge(
        self, memory: Reset, failure: Failure | None, place: Place
    ) -> tuple[Reset, tuple[Finding, ...]]:
        if failure is None or memory.since is None:
            return memory, ()
        found = self._found(memory, memory.since, failure, place)
        return replace(memory, raised=True, began=failure.began), (found,)

    def _found(
        self, memory: Reset, since: Moment, failure: Failure, place: Place
    ) -> Found:
        after = span(failure.began - since)
        when = clock(since, place.zone, failure.began)
        how = (
            "the end of the work it was reset under"
            if memory.made_under_work
            else "its reset"
        )
        made = (
            "work ended under which it was reset"
            if memory.made_under_work
            else "reset accepted"
        )
        return Found(
            began=failure.began,
            raised=failure.raised,
            priority="prompt",
            summary=f"{place.id} {failure.what} {after} after {how} at {when}",
            evidence=(
                Evidence(time=since, text=f"{place.id}: {made}", event=memory.event),
                Evidence(
                    time=failure.began,
                    text=f"{place.id} {failure.what.rstrip(',')}",
                    event=failure.event,
                ),
            ),
            suspects=place.heads(),
            checks=look(
                "the part that failed before the reset: head, cable joint, trackside unit",
                f"the indications of {place.room}: whether it rejects the same head again",
                also=(
                    (
                        "a second failure that has nothing to do with the first",
                        "which head was rejected before and which now",
                    ),
                    (
                        "work or a trolley still on the track",
                        "who was on the track",
                    ),
                ),
            ),
            parameters={
                "hold_s": self.hold_s,
                "held_for_s": (failure.began - since) / SECOND,
            },
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when it fails within {span(seconds(self.hold_s))} of an accepted reset that no train has proved, or with the first train after it."

    def explain(self, memory: Reset, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            if memory.pending:
                return ("A reset made under work counts from the end of the work.",)
            return (f"No reset of {place.id} waits for its proof.",)
        since = clock(memory.since, place.zone, at)
        if memory.raised:
            return (f"The reset at {since} did not hold.",)
        left = memory.since + seconds(self.hold_s) - at
        counts = "with the first train" if left <= 0 else f"within {span(left)}"
        said = f"Reset at {since}; a failure {counts} would be one of this reset."
        if memory.work:
            return (said, "Under work: nothing is raised.")
        return (said,)
