"""The evaluator shows clear, and the interlocking still takes the section as occupied."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from monitor.core.changes import Change, InterlockingChanged, StateChanged
from monitor.core.detector import (
    INTERRUPTIONS,
    Evidence,
    Finding,
    Found,
    Hold,
    Over,
    Place,
    PlaceKind,
)
from monitor.core.events import State
from monitor.core.moments import Moment, seconds
from monitor.core.words import CAUTION, clock, span


@dataclass(frozen=True, slots=True, kw_only=True)
class Two:
    """What the two say of one section.

    Args:
        hold: their difference, as a condition that is timed.
        clear: the evaluator shows clear.
        occupied: the interlocking takes it as occupied.
    """

    hold: Hold = field(default_factory=Hold)
    clear: bool = False
    occupied: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RestorationIncomplete:
    """The evaluator shows a section clear while the interlocking still takes it as occupied: the second step of giving it back was not taken.

    What the desk does first: ask the signaller whether the restoration was made.
    Within: five minutes.
    If not: trains are held for a step that was forgotten.

    Args:
        restoration_s: how long the two may differ (common practice: the two steps are taken in one telephone call).

    Example:
        >>> from monitor.core.moments import SECOND
        >>> detector = RestorationIncomplete()
        >>> change = InterlockingChanged(
        ...     place="T107", at=0, occupied=True, event="gw/1#7"
        ... )
        >>> memory, _ = detector.step(Two(clear=True), change, None)
        >>> detector.wake_at(memory) == 300 * SECOND
        True

    It is wrong where the interlocking holds the section for a reason of its own.
    """

    kind: ClassVar[str] = "restoration-incomplete"
    title: ClassVar[str] = "restoration not completed"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        StateChanged,
        InterlockingChanged,
        *INTERRUPTIONS,
    )
    first: ClassVar[str] = "ask the signaller whether the restoration was made"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains are held for a step that was forgotten"

    restoration_s: float = 300.0

    def start(self, place: Place) -> Two:  # noqa: ARG002
        """Nothing has been heard."""
        return Two()

    def step(
        self,
        memory: Two,
        change: Change,
        place: Place,  # noqa: ARG002
    ) -> tuple[Two, tuple[Finding, ...]]:
        """Begin where the two differ; cease where they do no longer, begin anew where the section was not clear in between."""
        match change:
            case StateChanged():
                after = replace(memory, clear=change.now is State.CLEAR)
                since = change.so_since
            case InterlockingChanged():
                after = replace(memory, occupied=change.occupied)
                since = change.at
            case _:
                hold = memory.hold.told(change)
                return (
                    memory if hold == memory.hold else replace(memory, hold=hold)
                ), ()
        differ = after.clear and after.occupied
        hold = after.hold
        if differ and hold.since is None:
            return replace(after, hold=hold.begin(since, change.at, change.event)), ()
        if differ or hold.since is None or (hold.raised and after.occupied):
            return after, ()
        findings = (Over(at=change.at),) if hold.raised else ()
        return replace(after, hold=hold.cease()), findings

    def wake_at(self, memory: Two) -> Moment | None:
        """When they will have differed for *restoration_s* on end."""
        return memory.hold.due(seconds(self.restoration_s))

    def wake(
        self, memory: Two, at: Moment, place: Place
    ) -> tuple[Two, tuple[Finding, ...]]:
        """They have."""
        hold = memory.hold
        since = hold.since if hold.since is not None else at
        found = Found(
            began=since,
            raised=at,
            priority="prompt",
            summary=(
                f"{place.id}: the evaluator shows clear since {clock(since, place.zone)}, "
                "the interlocking still takes it as occupied"
            ),
            evidence=(
                Evidence(
                    time=since,
                    text="evaluator clear, interlocking occupied",
                    event=hold.event,
                ),
            ),
            checks=(
                "Look first at the record of the reset: was the restoration asked for and made",
                "Could also be the occupied contact or its wiring; settled by contact and coil readings",
                CAUTION,
            ),
            parameters={"restoration_s": self.restoration_s},
        )
        return replace(memory, hold=replace(hold, raised=True)), (found,)

    def explain(self, memory: Two, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            return (
                f"Evaluator and interlocking are not seen to differ on {place.id}.",
            )
        due = self.wake_at(memory)
        said = [f"They differ since {clock(hold.since, place.zone)}."]
        if due is not None:
            said.append(f"Raised in {span(max(0, due - at))} if they still do.")
        return tuple(said)
