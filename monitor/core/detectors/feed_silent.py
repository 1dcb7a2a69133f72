"""A gateway is not heard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from monitor.core.changes import Change, GatewayHeard, GatewaySilent
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Suspect,
)
from monitor.core.moments import SECOND, Moment
from monitor.core.words import CAUTION, clock, span


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """Since when a gateway is not heard."""

    since: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedSilent:
    """Nothing is heard of a gateway: what its sections show is not known since.

    What the desk does first: ask telecoms about the gateway; watch its sections by other means meanwhile.
    Within: five minutes.
    If not: a failure there is not seen at all.

    Example:
        >>> change = GatewayHeard(place="GW1", at=0, event="gw/1#7")
        >>> FeedSilent().step(Silence(), change, None)
        (Silence(since=None), ())

    It is wrong where a gateway changes its period without saying so.
    """

    kind: ClassVar[str] = "feed-silent"
    title: ClassVar[str] = "gateway not heard"
    places: ClassVar[PlaceKind] = "gateway"
    hears: ClassVar[tuple[type[Change], ...]] = (GatewaySilent, GatewayHeard)
    first: ClassVar[str] = "ask telecoms about the gateway"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "a failure there is not seen at all"

    def start(self, place: Place) -> Silence:  # noqa: ARG002
        """Nothing has been heard."""
        return Silence()

    def step(
        self, memory: Silence, change: Change, place: Place
    ) -> tuple[Silence, tuple[Finding, ...]]:
        """Raise where it falls silent, over where it is heard again."""
        if isinstance(change, GatewaySilent):
            if memory.since is not None:
                return memory, ()
            return Silence(since=change.since), (self._found(change, place),)
        if memory.since is None:
            return memory, ()
        return Silence(), (Over(at=change.at),)

    def _found(self, change: GatewaySilent, place: Place) -> Found:
        since = clock(change.since, place.zone, change.at)
        how = "said to be offline" if change.offline else "not heard"
        count = len(change.sections)
        return Found(
            began=change.since,
            raised=change.at,
            priority="prompt",
            summary=f"{place.id} {how}; {count} {'section' if count == 1 else 'sections'} not known since {since}",
            evidence=(
                Evidence(
                    time=change.since,
                    text="the last event heard of it",
                    event=change.event,
                ),
            ),
            affected=(
                f"gateway/{place.id}",
                *(f"section/{section}" for section in change.sections),
            ),
            suspects=(Suspect(asset=f"gateway/{place.id}", weight=0.7),),
            checks=(
                "Look first at the gateway's supply and link",
                "Could also be the broker or the network; settled by whether other gateways are heard",
                CAUTION,
            ),
            parameters={
                "period_s": change.period / SECOND,
                "silent_for_s": (change.at - change.since) / SECOND,
                "offline": change.offline,
            },
        )

    def wake_at(self, memory: Silence) -> Moment | None:  # noqa: ARG002
        """Silence is judged before it comes here."""
        return None

    def wake(
        self,
        memory: Silence,
        at: Moment,  # noqa: ARG002
        place: Place,  # noqa: ARG002
    ) -> tuple[Silence, tuple[Finding, ...]]:
        """Never called."""
        return memory, ()

    def explain(self, memory: Silence, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            return (f"{place.id} is not judged silent.",)
        return (f"{place.id} not heard for {span(at - memory.since)}.",)
