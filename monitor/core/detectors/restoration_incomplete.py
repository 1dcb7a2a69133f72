"""The evaluator shows clear, and the interlocking still takes the section as occupied."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from monitor.core.changes import Change, InterlockingChanged, StateChanged
from monitor.core.detector import (
    INTERRUPTIONS,
    Finding,
    Found,
    Hold,
    Over,
    Place,
    PlaceKind,
    Priority,
    Resting,
    look,
)
from monitor.core.events import State
from monitor.core.moments import SECOND, Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import clock, span


@value_class(frozen=True, slots=True, kw_only=True)
class Two:
    """What the two say of one section.

    Args:
        hold: their difference, as a condition that is timed.
        clear: the evaluator shows clear; kept up only while the interlocking has it as occupied.
        occupied: the interlocking takes it as occupied.
    """

    hold: Hold = field(default_factory=Hold)
    clear: bool = False
    occupied: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RestorationIncomplete(Resting):
    """The evaluator shows a section clear while the interlocking still takes it as occupied: the second step of giving it back was not taken, or did not arrive.

    What the desk does first: ask the signaller whether the restoration was made.
    Within: 5 min.
    If not: trains are held for a step that was forgotten.

    Args:
        restoration_s: how long on end the two may differ (common practice: both steps are taken in one telephone call).

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = RestorationIncomplete(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> occupied = InterlockingChanged(
        ...     place="T107", at=noon, occupied=True, clear=True, event="gw/1#7"
        ... )
        >>> clear = StateChanged(
        ...     place="T107",
        ...     at=noon,
        ...     was=State.DISTURBED,
        ...     now=State.CLEAR,
        ...     event="gw/1#7",
        ...     so_since=noon,
        ... )
        >>> memory, _ = detector.step(detector.start(place), clear, place)
        >>> memory, _ = detector.step(memory, occupied, place)
        >>> memory, findings = detector.wake(memory, detector.wake_at(memory), place)
        >>> findings[0].summary
        'T107: evaluator clear since 12:00:00, the interlocking still has it as occupied'

    When it is wrong: where the interlocking holds the section for a reason of its own.

    References:
        Restoration as a step of its own, taken with the signaller after the reset, is common practice.
    """

    kind: ClassVar[str] = "restoration-incomplete"
    title: ClassVar[str] = "restoration not completed"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        StateChanged,
        InterlockingChanged,
        *INTERRUPTIONS,
    )
    stirred_by: ClassVar[frozenset[type[Change]]] = frozenset(
        {InterlockingChanged, *INTERRUPTIONS}
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "ask the signaller whether the restoration was made"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains are held for a step that was forgotten"

    restoration_s: float = 300.0  # common practice: one telephone call

    def start(self, place: Place) -> Two:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Two()

    def rests(self, memory: Two) -> bool:
        """Whether the interlocking has it as clear, so that it matters to nobody what the evaluator shows."""
        return not memory.occupied and memory.hold.since is None

    def step(
        self,
        memory: Two,
        change: Change,
        place: Place,  # noqa: ARG002
    ) -> tuple[Two, tuple[Finding, ...]]:
        """Begin where the two differ, begin again where the section was not clear meanwhile; once raised, only the interlocking ends it."""
        match change:
            case StateChanged():
                clear = change.now is State.CLEAR
                if clear == memory.clear or self.rests(memory):
                    return memory, ()
                after = replace(memory, clear=clear)
                since = change.so_since
            case InterlockingChanged():
                after = replace(memory, clear=change.clear, occupied=change.occupied)
                since = change.at
            case _:
                told = memory.hold.told(change)
                same = told is memory.hold
                return (memory if same else replace(memory, hold=told)), ()
        hold = after.hold
        if after.clear and after.occupied:
            if hold.since is not None:
                return after, ()
            begun = hold.begin(since, change.at, change.event)
            return replace(after, hold=begun), ()
        if hold.since is None or (hold.raised and after.occupied):
            return after, ()
        over = Over(at=change.at, because="the interlocking has it as clear")
        findings = (over,) if hold.raised else ()
        return replace(after, hold=hold.cease()), findings

    def wake_at(self, memory: Two) -> Moment | None:
        """When they will have differed for *restoration_s* on end."""
        return memory.hold.due(seconds(self.restoration_s))

    def wake(
        self, memory: Two, at: Moment, place: Place
    ) -> tuple[Two, tuple[Finding, ...]]:
        """They have."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        hold = memory.hold
        since = at if hold.since is None else hold.since
        found = Found(
            began=since,
            raised=at,
            priority="prompt",
            summary=(
                f"{place.id}: evaluator clear since {clock(since, place.zone, at)}, "
                "the interlocking still has it as occupied"
            ),
            evidence=hold.evidence(
                f"{place.id}: evaluator clear, interlocking occupied"
            ),
            checks=look(
                "the record of the reset: was the restoration asked for and made",
                also=(
                    (
                        f"the output or its wiring between {place.room} and the interlocking",
                        "contact and coil readings",
                    ),
                    (
                        "a reason of the interlocking's own to hold the section",
                        "what the signaller sees of it",
                    ),
                ),
            ),
            parameters={
                "restoration_s": self.restoration_s,
                "differ_for_s": (at - since) / SECOND,
            },
        )
        return replace(memory, hold=replace(hold, raised=True)), (found,)

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when the evaluator has it as clear and the interlocking as occupied for {span(seconds(self.restoration_s))} on end."

    def explain(self, memory: Two, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            return (
                f"Evaluator and interlocking are not seen to differ on {place.id}.",
            )
        return (
            f"Evaluator clear and interlocking occupied since {clock(hold.since, place.zone, at)}.",
            hold.outlook(seconds(self.restoration_s), at),
        )
