"""A source's numbers jumped: something it sent never came."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from monitor.core.changes import Change, GapFound
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Place,
    PlaceKind,
    Priority,
    Suspect,
    Untimed,
    look,
)
from monitor.core.moments import Moment
from monitor.core.values import value_class
from monitor.core.words import clock, times


@value_class(frozen=True, slots=True, kw_only=True)
class Gaps:
    """What was seen of gaps.

    Args:
        count: how often.
        last: when last.
    """

    count: int = 0
    last: Moment = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedGap(Untimed):
    """A source's numbers jumped, so something it sent never came.

    What the desk does first: nothing; its sections are shown as not known until each is heard again.
    Within: no time.
    If not: nothing at once; often repeated, it hides failures, and telecoms should know.

    Args:
        None: how long a number may be missing is `patience_s` of the shared settings.

    Example:
        >>> from monitor.core.moments import SECOND, parse
        >>> detector, place = FeedGap(), Place.example("gw/1")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> change = GapFound(
        ...     place="gw/1",
        ...     at=noon + 13 * SECOND,
        ...     since=noon,
        ...     event="gw/1#7",
        ...     after="gw/1#9",
        ...     missing=1,
        ...     sections=("T106", "T107", "T108"),
        ... )
        >>> memory, findings = detector.step(detector.start(place), change, place)
        >>> findings[0].summary
        'gw/1: 1 event sent after 12:00:00 never came; 3 sections not known until each is heard again'

    When it is wrong: where a gateway begins its numbers anew and does not say that it came online.

    References:
        `sequence` counts up by one for each source: the README says what a feed may send.
    """

    kind: ClassVar[str] = "feed-gap"
    title: ClassVar[str] = "something that was sent never came"
    places: ClassVar[PlaceKind] = "source"
    hears: ClassVar[tuple[type[Change], ...]] = (GapFound,)
    priorities: ClassVar[tuple[Priority, ...]] = ("note",)
    first: ClassVar[str] = "nothing; its sections are shown as not known"
    within: ClassVar[str] = "no time"
    otherwise: ClassVar[str] = "often repeated, it hides failures"

    def start(self, place: Place) -> Gaps:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Gaps()

    def step(
        self, memory: Gaps, change: Change, place: Place
    ) -> tuple[Gaps, tuple[Finding, ...]]:
        """Raise, and be over at once: what never came will not come."""
        if not isinstance(change, GapFound):
            return memory, ()
        after = Gaps(count=memory.count + 1, last=change.at)
        return after, (self._found(change, place),)

    def _found(self, change: GapFound, place: Place) -> Found:
        since = clock(change.since, place.zone, change.at)
        match change.missing:
            case None:
                lost = f"its numbers went back after {since}"
            case 1:
                lost = f"1 event sent after {since} never came"
            case missing:
                lost = f"{missing} events sent after {since} never came"
        count = len(change.sections)
        return Found(
            began=change.since,
            raised=change.at,
            ended=change.at,
            priority="note",
            summary=(
                f"{place.id}: {lost}; {count} {'section' if count == 1 else 'sections'} "
                "not known until each is heard again"
            ),
            evidence=(
                Evidence(
                    time=change.since,
                    text="the last event before the gap",
                    event=change.event,
                ),
                Evidence(
                    time=change.at,
                    text="given up; the gap is shown by this event",
                    event=change.after,
                ),
            ),
            affected=(
                f"source/{place.id}",
                *(f"section/{section}" for section in change.sections),
            ),
            suspects=(Suspect(asset=f"source/{place.id}", weight=1.0),),
            checks=look(
                "the broker's count of dropped messages and the gateway's queue",
                also=(
                    (
                        "a restart of the gateway that it did not tell of",
                        "the gateway's own record",
                    ),
                ),
            ),
            parameters={"missing": change.missing, "sections": count},
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return "Raised when a number that its source left out has not come while others were waited for."

    def explain(self, memory: Gaps, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if not memory.count:
            return (f"No gap was seen in what {place.id} sent.",)
        last = clock(memory.last, place.zone, at)
        return (f"A gap was seen {times(memory.count)}, last at {last}.",)
