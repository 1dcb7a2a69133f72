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
)
from monitor.core.events import State, Step
from monitor.core.moments import Moment, seconds
from monitor.core.words import CAUTION, clock, span


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset:
    """A reset before any train.

    Args:
        since: when it was accepted, or the work it was made under ended; None where none waits.
        event: the event that says so.
        under_work: an accepted reset made under the work that goes on.
        work: the section is under work.
        raised: an alert is open.
        state: what the section shows.
        by_train: the stretch of `occupied` going on was entered by a train.
    """

    since: Moment | None = None
    event: str = ""
    under_work: str = ""
    work: bool = False
    raised: bool = False
    state: State | None = None
    by_train: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetNotHeld:
    """A section was reset and failed again before any train had worked through it, or with the first.

    What the desk does first: tell the technician on call: the part that failed is still failing.
    Within: five minutes.
    If not: it is reset again and again, and trains are cautioned through each time.

    Args:
        hold_s: how soon after a reset a failure belongs to it (common practice: a quarter of an hour).

    Example:
        >>> from monitor.core.moments import SECOND
        >>> from types import SimpleNamespace
        >>> from zoneinfo import ZoneInfo
        >>> place = SimpleNamespace(id="T107", zone=ZoneInfo("UTC"), heads=tuple)
        >>> again = StateChanged(
        ...     place="T107",
        ...     at=60 * SECOND,
        ...     was=State.CLEAR,
        ...     now=State.DISTURBED,
        ...     event="gw/1#9",
        ...     so_since=60 * SECOND,
        ... )
        >>> _, findings = ResetNotHeld().step(
        ...     Reset(since=0, event="gw/1#7", state=State.CLEAR), again, place
        ... )
        >>> findings[0].priority
        'prompt'

    It is wrong where a second, unrelated failure falls into the quarter of an hour.
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
    first: ClassVar[str] = "tell the technician on call: it is still failing"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "it is reset again and again"

    hold_s: float = 900.0

    def start(self, place: Place) -> Reset:  # noqa: ARG002
        """Nothing has been heard."""
        return Reset()

    def step(
        self, memory: Reset, change: Change, place: Place
    ) -> tuple[Reset, tuple[Finding, ...]]:
        """Watch from an accepted reset on, until a train works through."""
        match change:
            case StateChanged():
                return self._state(memory, change, place)
            case EntryJudged():
                return self._judged(memory, change, place)
            case StretchEnded():
                if not memory.by_train:
                    return memory, ()
                return replace(memory, by_train=False), ()
            case ResetTaken(step=Step.ACCEPTED):
                if memory.work:
                    return replace(memory, under_work=change.event), ()
                if memory.raised:
                    return memory, ()
                return replace(memory, since=change.at, event=change.event), ()
            case WorkedThrough():
                if memory.since is None or change.left < memory.since:
                    return memory, ()
                findings = (Over(at=change.left),) if memory.raised else ()
                after = replace(memory, since=None, raised=False, under_work="")
                return after, findings
            case WorkBegan():
                if memory.since is None or memory.raised:
                    return replace(memory, work=True), ()
                return replace(
                    memory, work=True, since=None, under_work=memory.event
                ), ()
            case WorkEnded():
                if not memory.under_work:
                    return replace(memory, work=False), ()
                return replace(
                    memory,
                    work=False,
                    since=change.at,
                    event=memory.under_work,
                    under_work="",
                ), ()
        return memory, ()

    def _watching(self, memory: Reset) -> bool:
        return memory.since is not None and not memory.raised and not memory.work

    def _state(
        self, memory: Reset, change: StateChanged, place: Place
    ) -> tuple[Reset, tuple[Finding, ...]]:
        was_train = memory.by_train
        memory = replace(memory, state=change.now)
        if change.now is not State.DISTURBED or not self._watching(memory):
            return memory, ()
        since = memory.since if memory.since is not None else change.at
        soon = change.at - since <= seconds(self.hold_s)
        if not (soon or was_train):
            return memory, ()
        what = "disturbed again" if soon else "disturbed by the first train after it"
        return self._raise(
            memory, place, change.so_since, change.at, what, change.event
        )

    def _judged(
        self, memory: Reset, change: EntryJudged, place: Place
    ) -> tuple[Reset, tuple[Finding, ...]]:
        explained = change.verdict is Verdict.EXPLAINED
        occupied = change.state is State.OCCUPIED
        if occupied and explained and memory.state is State.OCCUPIED:
            memory = replace(memory, by_train=True)
        if not self._watching(memory):
            return memory, ()
        since = memory.since if memory.since is not None else change.entered
        soon = since < change.entered <= since + seconds(self.hold_s)
        if occupied and change.verdict is Verdict.NOT_EXPLAINED and soon:
            what = "found occupied, no train seen to enter"
        elif not occupied and explained and change.entered > since:
            what = "disturbed by the first train after it"
        else:
            return memory, ()
        return self._raise(
            memory, place, change.entered, change.raised, what, change.event
        )

    def _raise(  # noqa: PLR0917 - what a finding is made of
        self,
        memory: Reset,
        place: Place,
        began: Moment,
        raised: Moment,
        what: str,
        event: str,
    ) -> tuple[Reset, tuple[Finding, ...]]:
        since = memory.since if memory.since is not None else began
        found = Found(
            began=began,
            raised=raised,
            priority="prompt",
            summary=f"{place.id} reset at {clock(since, place.zone)}, {what} after {span(began - since)}",
            evidence=(
                Evidence(
                    time=since, text=f"{place.id} reset accepted", event=memory.event
                ),
                Evidence(time=began, text=f"{place.id} {what}", event=event),
            ),
            suspects=place.heads(),
            checks=(
                "Look first at the part that failed before the reset: head, cable joint, unit",
                "Could also be a second failure that has nothing to do with it; settled by which head the evaluator rejects",
                CAUTION,
            ),
            parameters={"hold_s": self.hold_s},
        )
        return replace(memory, raised=True), (found,)

    def wake_at(self, memory: Reset) -> Moment | None:  # noqa: ARG002
        """Silence shows nothing."""
        return None

    def wake(
        self,
        memory: Reset,
        at: Moment,  # noqa: ARG002
        place: Place,  # noqa: ARG002
    ) -> tuple[Reset, tuple[Finding, ...]]:
        """Never called."""
        return memory, ()

    def explain(self, memory: Reset, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            return (f"No reset of {place.id} is being watched.",)
        since = clock(memory.since, place.zone, at)
        left = memory.since + seconds(self.hold_s) - at
        if memory.raised:
            return (f"The reset at {since} did not hold.",)
        if left > 0:
            return (f"Reset at {since}; a failure within {span(left)} counts.",)
        return (f"Reset at {since}; a failure with the first train counts.",)
