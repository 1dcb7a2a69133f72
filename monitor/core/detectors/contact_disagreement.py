"""Both proving contacts of a section stand alike."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from monitor.core.changes import Change, ContactsChanged
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
from monitor.core.moments import Moment, seconds
from monitor.core.words import CAUTION, clock, span


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """The two contacts.

    Args:
        hold: their standing alike, as a condition that is timed.
        up: both up, rather than both down.
    """

    hold: Hold = field(default_factory=Hold)
    up: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactDisagreement:
    """Both proving contacts of a section are up, or both down: neither clear nor occupied is proved.

    What the desk does first: tell the technician on call.
    Within: five minutes.
    If not: the interlocking holds trains although the count is right.

    Args:
        contact_settle_s: how long both may stand alike while they change over (common practice: relays take a fraction of a second).

    Example:
        >>> from monitor.core.moments import SECOND
        >>> detector = ContactDisagreement()
        >>> change = ContactsChanged(
        ...     place="T107", at=0, agree=False, up=True, event="gw/1#7"
        ... )
        >>> memory, _ = detector.step(Pair(), change, None)
        >>> detector.wake_at(memory) == SECOND
        True

    It is wrong where the feed reads the contacts through an input that fails.
    """

    kind: ClassVar[str] = "contact-disagreement"
    title: ClassVar[str] = "proving contacts disagree"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (ContactsChanged, *INTERRUPTIONS)
    first: ClassVar[str] = "tell the technician on call"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "the interlocking holds trains"

    contact_settle_s: float = 1.0

    def start(self, place: Place) -> Pair:  # noqa: ARG002
        """Nothing has been heard."""
        return Pair()

    def step(
        self,
        memory: Pair,
        change: Change,
        place: Place,  # noqa: ARG002
    ) -> tuple[Pair, tuple[Finding, ...]]:
        """Begin where both stand alike, cease where exactly one is up."""
        hold = memory.hold
        if not isinstance(change, ContactsChanged):
            told = hold.told(change)
            return (memory if told == hold else replace(memory, hold=told)), ()
        if not change.agree:
            if hold.since is not None:
                return replace(memory, up=change.up), ()
            begun = hold.begin(change.at, change.at, change.event)
            return replace(memory, hold=begun, up=change.up), ()
        if hold.since is None:
            return memory, ()
        findings = (Over(at=change.at),) if hold.raised else ()
        return replace(memory, hold=hold.cease()), findings

    def wake_at(self, memory: Pair) -> Moment | None:
        """When they will have stood alike for *contact_settle_s*."""
        return memory.hold.due(seconds(self.contact_settle_s))

    def wake(
        self, memory: Pair, at: Moment, place: Place
    ) -> tuple[Pair, tuple[Finding, ...]]:
        """They have."""
        hold = memory.hold
        since = hold.since if hold.since is not None else at
        alike = "up" if memory.up else "down"
        evaluator = place.line.sections[place.id].evaluator
        found = Found(
            began=since,
            raised=at,
            priority="prompt",
            summary=f"{place.id}: both proving contacts are {alike} since {clock(since, place.zone)}",
            evidence=(
                Evidence(time=since, text=f"both contacts {alike}", event=hold.event),
            ),
            checks=(
                f"Look first at the output relay and fuse of {place.id} at {evaluator}",
                "Could also be an input of the interlocking; settled by contact and coil readings",
                CAUTION,
            ),
            parameters={"contact_settle_s": self.contact_settle_s},
        )
        return replace(memory, hold=replace(hold, raised=True)), (found,)

    def explain(self, memory: Pair, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            return (f"The contacts of {place.id} are not seen to stand alike.",)
        due = self.wake_at(memory)
        said = [f"Both contacts stand alike since {clock(hold.since, place.zone)}."]
        if due is not None:
            said.append(f"Raised in {span(max(0, due - at))} if they stay so.")
        return tuple(said)
