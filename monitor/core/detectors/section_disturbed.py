"""A section disturbed for longer than a moment."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import Change, StateChanged
from monitor.core.detector import (
    INTERRUPTIONS,
    Finding,
    Found,
    Hold,
    Over,
    Place,
    PlaceKind,
    Priority,
    look,
)
from monitor.core.events import State
from monitor.core.moments import Moment, seconds
from monitor.core.words import STATES, clock, span


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionDisturbed:
    """A section shows disturbed: its evaluator can no longer vouch for the count, and trains are held before it.

    What the desk does first: tell the technician on call, and the signaller if they have not said so themselves.
    Within: 5 min.
    If not: trains stand before it, and the first failure of a series is not looked at.

    Args:
        settle_s: how long it must show disturbed without a break; what is shorter is counted as a disturbance and raises nothing of this kind (common practice: an evaluator may show it for a moment while it starts).

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = SectionDisturbed(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> change = StateChanged(
        ...     place="T107",
        ...     at=noon,
        ...     was=State.CLEAR,
        ...     now=State.DISTURBED,
        ...     event="gw/1#7",
        ...     so_since=noon,
        ... )
        >>> memory, _ = detector.step(detector.start(place), change, place)
        >>> memory, findings = detector.wake(memory, detector.wake_at(memory), place)
        >>> findings[0].summary
        'T107 disturbed since 12:00:00'

    When it is wrong: where work goes on that the feed does not tell of.
    A section that fails for less than *settle_s* at a time is found by `repeat-disturbance` instead.

    References:
        The states of a section and what they are called in the glossary of DEVELOPERS.md; no statistics are involved.
    """

    kind: ClassVar[str] = "section-disturbed"
    title: ClassVar[str] = "disturbed"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (StateChanged, *INTERRUPTIONS)
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "tell the technician on call, and the signaller"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains stand before it"

    settle_s: float = 5.0  # common practice; as long as one disturbance settles

    def start(self, place: Place) -> Hold:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Hold()

    def step(
        self,
        memory: Hold,
        change: Change,
        place: Place,  # noqa: ARG002
    ) -> tuple[Hold, tuple[Finding, ...]]:
        """Begin at a change to disturbed, cease at any other."""
        if not isinstance(change, StateChanged):
            return memory.told(change), ()
        if change.now is State.DISTURBED:
            return memory.begin(change.so_since, change.at, change.event), ()
        if memory.since is None:
            return memory, ()
        over = Over(at=change.at, because=f"it shows {STATES[change.now.value]}")
        findings = (over,) if memory.raised else ()
        return memory.cease(), findings

    def wake_at(self, memory: Hold) -> Moment | None:
        """When it will have been disturbed for *settle_s*."""
        return memory.due(seconds(self.settle_s))

    def wake(
        self, memory: Hold, at: Moment, place: Place
    ) -> tuple[Hold, tuple[Finding, ...]]:
        """It has been."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        since = at if memory.since is None else memory.since
        found = Found(
            began=since,
            raised=at,
            priority="prompt",
            summary=f"{place.id} disturbed since {clock(since, place.zone, at)}",
            evidence=memory.evidence(f"{place.id} disturbed"),
            suspects=place.heads(),
            checks=look(
                f"the indications of {place.room}: which head it rejects",
                "the fixings, gap and height of that head, and ballast or debris under it",
                also=(
                    (
                        "the trackside unit or the cable of that head",
                        "whether other heads on it went too, and voltages at the unit",
                    ),
                    (
                        "metal over a head: tools, a trolley, a road-rail machine",
                        "who was on the track",
                    ),
                ),
            ),
            parameters={"settle_s": self.settle_s},
        )
        return replace(memory, raised=True), (found,)

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when it shows disturbed for {span(seconds(self.settle_s))}."

    def explain(self, memory: Hold, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            return (f"{place.id} is not seen to show disturbed.",)
        since = clock(memory.since, place.zone, at)
        return (
            f"{place.id} disturbed since {since}.",
            memory.outlook(seconds(self.settle_s), at),
        )
