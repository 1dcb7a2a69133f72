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
    Suspect,
)
from monitor.core.moments import Moment
from monitor.core.words import CAUTION, clock, times


@dataclass(frozen=True, slots=True, kw_only=True)
class Gaps:
    """How often, and when last."""

    count: int = 0
    last: Moment = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedGap:
    """A source's numbers jumped, so something it sent never came.

    What the desk does first: nothing; its sections are shown as not known until each is heard again.
    Within: no time.
    If not: often repeated, it hides failures: tell telecoms.

    Example:
        >>> FeedGap().explain(Gaps(), 0, Place(id="gw/1", line=None))
        ('No gap was seen in what gw/1 sent.',)

    It is wrong where a gateway restarts its numbers and does not say that it came online.
    """

    kind: ClassVar[str] = "feed-gap"
    title: ClassVar[str] = "something sent never came"
    places: ClassVar[PlaceKind] = "source"
    hears: ClassVar[tuple[type[Change], ...]] = (GapFound,)
    first: ClassVar[str] = "nothing; its sections are shown as not known"
    within: ClassVar[str] = "no time"
    otherwise: ClassVar[str] = "often repeated, it hides failures"

    def start(self, place: Place) -> Gaps:  # noqa: ARG002
        """Nothing has been heard."""
        return Gaps()

    def step(
        self, memory: Gaps, change: Change, place: Place
    ) -> tuple[Gaps, tuple[Finding, ...]]:
        """Raise, and be over at once."""
        if not isinstance(change, GapFound):
            return memory, ()
        after = Gaps(count=memory.count + 1, last=change.at)
        lost = (
            "its numbers went back"
            if change.missing is None
            else f"{change.missing} of its events never came"
        )
        found = Found(
            began=change.since,
            raised=change.at,
            ended=change.at,
            priority="note",
            summary=f"{place.id}: {lost} after {clock(change.since, place.zone)}; its sections are not known until each is heard again",
            evidence=(
                Evidence(
                    time=change.since,
                    text="the last before the gap",
                    event=change.event,
                ),
                Evidence(time=change.at, text="shown by this one", event=change.after),
            ),
            affected=(
                f"source/{place.id}",
                *(f"section/{section}" for section in change.sections),
            ),
            suspects=(Suspect(asset=f"source/{place.id}", weight=0.5),),
            checks=(
                "Look first at the broker's count of dropped messages and at the gateway's queue",
                "Could also be a restart of the gateway; settled by its own record",
                CAUTION,
            ),
            parameters={"missing": change.missing},
        )
        return after, (found,)

    def wake_at(self, memory: Gaps) -> Moment | None:  # noqa: ARG002
        """Silence shows nothing."""
        return None

    def wake(
        self,
        memory: Gaps,
        at: Moment,  # noqa: ARG002
        place: Place,  # noqa: ARG002
    ) -> tuple[Gaps, tuple[Finding, ...]]:
        """Never called."""
        return memory, ()

    def explain(
        self,
        memory: Gaps,
        at: Moment,  # noqa: ARG002
        place: Place,
    ) -> tuple[str, ...]:
        """What is known."""
        if not memory.count:
            return (f"No gap was seen in what {place.id} sent.",)
        last = clock(memory.last, place.zone)
        return (f"A gap was seen {times(memory.count)}, last at {last}.",)
