"""A section disturbed for longer than a moment."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import Change, StateChanged
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
class SectionDisturbed:
    """A section shows disturbed, so that trains are held before it.

    What the desk does first: tell the technician on call, and the signaller if they have not said so themselves.
    Within: five minutes.
    If not: trains stand, and the first failure of a series is not looked at.

    Args:
        settle_s: how long it must show disturbed without a break; shorter ones are counted as disturbances and no more (common practice: an evaluator may show disturbed for a moment while it starts).

    Example:
        >>> from monitor.core.moments import SECOND
        >>> detector = SectionDisturbed()
        >>> change = StateChanged(
        ...     place="T107",
        ...     at=0,
        ...     was=State.CLEAR,
        ...     now=State.DISTURBED,
        ...     event="gw/1#7",
        ...     so_since=0,
        ... )
        >>> memory, _ = detector.step(Hold(), change, None)
        >>> detector.wake_at(memory) == 5 * SECOND
        True

    It is wrong where work is going on that the feed does not tell of.
    """

    kind: ClassVar[str] = "section-disturbed"
    title: ClassVar[str] = "disturbed"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (StateChanged, *INTERRUPTIONS)
    first: ClassVar[str] = "tell the technician on call, and the signaller"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains stand before it"

    settle_s: float = 5.0

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
        findings = (Over(at=change.at),) if memory.raised else ()
        return memory.cease(), findings

    def wake_at(self, memory: Hold) -> Moment | None:
        """When it will have been disturbed for *settle_s*."""
        return memory.due(seconds(self.settle_s))

    def wake(
        self, memory: Hold, at: Moment, place: Place
    ) -> tuple[Hold, tuple[Finding, ...]]:
        """It has been."""
        since = memory.since if memory.since is not None else at
        found = Found(
            began=since,
            raised=at,
            priority="prompt",
            summary=f"{place.id} disturbed since {clock(since, place.zone)}",
            evidence=(
                Evidence(time=since, text=f"{place.id} disturbed", event=memory.event),
            ),
            suspects=place.heads(),
            checks=(
                "Look first at the indications of the evaluator: which head it rejects",
                "Could also be a cable or its unit, if other sections on it went too; "
                "settled by comparing their times",
                CAUTION,
            ),
            parameters={"settle_s": self.settle_s},
        )
        return replace(memory, raised=True), (found,)

    def explain(self, memory: Hold, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            return (f"{place.id} does not show disturbed.",)
        said = [f"disturbed since {clock(memory.since, place.zone)}."]
        if memory.stopped:
            said.append(f"The timer is stopped: {', '.join(memory.stopped)}.")
        due = self.wake_at(memory)
        if due is not None:
            said.append(f"Raised in {span(max(0, due - at))} if it stays so.")
        return tuple(said)
