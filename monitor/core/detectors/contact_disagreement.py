"""Both proving contacts of a section stand alike."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from monitor.core.changes import Change, ContactsChanged
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
from monitor.core.moments import SECOND, Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import clock, span


@value_class(frozen=True, slots=True, kw_only=True)
class Pair:
    """The two contacts.

    Args:
        hold: their standing alike, as a condition that is timed.
        up: both up, rather than both down.
        raised: when that was raised.
    """

    hold: Hold = field(default_factory=Hold)
    up: bool = False
    raised: Moment = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactDisagreement:
    """Both proving contacts of a section are up, or both are down: neither clear nor occupied is proved.

    What the desk does first: tell the technician on call; it is the output, not the count.
    Within: 5 min.
    If not: the interlocking holds trains although the count is right.

    Args:
        contact_settle_s: how long both may stand alike while they change over (common practice: relays take a fraction of a second).

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = ContactDisagreement(), Place.example("T107")
        >>> change = ContactsChanged(
        ...     place="T107",
        ...     at=parse("2026-05-04T12:00:00Z"),
        ...     agree=False,
        ...     up=True,
        ...     event="gw/1#7",
        ... )
        >>> memory, _ = detector.step(detector.start(place), change, place)
        >>> memory, findings = detector.wake(memory, detector.wake_at(memory), place)
        >>> findings[0].summary
        'T107: both proving contacts up since 12:00:00'

    When it is wrong: where the feed reads the contacts through an input that has failed itself.

    References:
        Two contacts of which exactly one is up are an antivalent pair; that both alike prove neither is common practice of interlockings.
    """

    kind: ClassVar[str] = "contact-disagreement"
    title: ClassVar[str] = "proving contacts disagree"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (ContactsChanged, *INTERRUPTIONS)
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "tell the technician on call"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "the interlocking holds trains"

    contact_settle_s: float = 1.0  # common practice: several times a relay's travel

    def start(self, place: Place) -> Pair:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Pair()

    def step(
        self, memory: Pair, change: Change, place: Place
    ) -> tuple[Pair, tuple[Finding, ...]]:
        """Begin where both stand alike, cease where exactly one is up."""
        hold = memory.hold
        if not isinstance(change, ContactsChanged):
            told = hold.told(change)
            return (memory if told is hold else replace(memory, hold=told)), ()
        if change.agree:
            if hold.since is None:
                return memory, ()
            over = Over(at=change.at, because="exactly one contact is up")
            findings = (over,) if hold.raised else ()
            return replace(memory, hold=hold.cease()), findings
        if hold.since is None:
            begun = hold.begin(change.at, change.at, change.event)
            return replace(memory, hold=begun, up=change.up), ()
        # From both up to both down, or back: they stand alike all the while.
        after = replace(memory, up=change.up)
        return after, (self._found(after, change.at, place),) if hold.raised else ()

    def wake_at(self, memory: Pair) -> Moment | None:
        """When they will have stood alike for *contact_settle_s*."""
        return memory.hold.due(seconds(self.contact_settle_s))

    def wake(
        self, memory: Pair, at: Moment, place: Place
    ) -> tuple[Pair, tuple[Finding, ...]]:
        """They have."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        hold = replace(memory.hold, raised=True)
        after = replace(memory, hold=hold, raised=at)
        return after, (self._found(after, at, place),)

    def _found(self, memory: Pair, at: Moment, place: Place) -> Found:
        hold = memory.hold
        since = at if hold.since is None else hold.since
        alike = "up" if memory.up else "down"
        return Found(
            began=since,
            raised=memory.raised,
            priority="prompt",
            summary=f"{place.id}: both proving contacts {alike} since {clock(since, place.zone, at)}",
            evidence=hold.evidence(f"{place.id}: both proving contacts alike"),
            checks=look(
                f"the output relay, its fuse and its wiring at {place.room}",
                also=(
                    ("an input of the interlocking", "contact and coil readings"),
                    (
                        "the input through which the feed reads the contacts",
                        "what the interlocking shows at the same time",
                    ),
                ),
            ),
            parameters={
                "contact_settle_s": self.contact_settle_s,
                "alike_for_s": (memory.raised - since) / SECOND,
                "both": alike,
            },
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when both contacts stand alike for {span(seconds(self.contact_settle_s))}."

    def explain(self, memory: Pair, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            return (f"The contacts of {place.id} are not seen to stand alike.",)
        alike = "up" if memory.up else "down"
        return (
            f"Both contacts {alike} since {clock(hold.since, place.zone, at)}.",
            hold.outlook(seconds(self.contact_settle_s), at),
        )
