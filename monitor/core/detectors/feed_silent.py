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
    Priority,
    Suspect,
    Untimed,
    look,
)
from monitor.core.moments import SECOND, Moment
from monitor.core.values import value_class
from monitor.core.words import clock, span


@value_class(frozen=True, slots=True, kw_only=True)
class Silence:
    """Whether a gateway is judged silent.

    Args:
        since: the last event heard of it, or None.
    """

    since: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedSilent(Untimed):
    """Nothing is heard of a gateway: what its sections show is not known since.

    What the desk does first: ask telecoms about the gateway, and watch its sections by other means meanwhile.
    Within: 5 min.
    If not: a failure there is not seen at all.

    Args:
        None: three heartbeats missed, or the word `offline`, are judged before it comes here; the gateway says its period, else `period_s` of the shared settings holds.

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = FeedSilent(), Place.example("GW1")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> change = GatewaySilent(
        ...     place="GW1",
        ...     at=noon + 90 * SECOND,
        ...     since=noon,
        ...     event="gw/1#7",
        ...     offline=False,
        ...     period=30 * SECOND,
        ...     sections=("T106", "T107", "T108"),
        ... )
        >>> memory, findings = detector.step(detector.start(place), change, place)
        >>> findings[0].summary
        'GW1 not heard for 90 s; 3 sections not known since 12:00:00'

    When it is wrong: where a gateway changes its period without saying so.

    References:
        A heartbeat may be lost once and late twice: three periods are common practice.
    """

    kind: ClassVar[str] = "feed-silent"
    title: ClassVar[str] = "gateway not heard"
    places: ClassVar[PlaceKind] = "gateway"
    hears: ClassVar[tuple[type[Change], ...]] = (GatewaySilent, GatewayHeard)
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "ask telecoms about the gateway"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "a failure there is not seen at all"

    def start(self, place: Place) -> Silence:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Silence()

    def step(
        self, memory: Silence, change: Change, place: Place
    ) -> tuple[Silence, tuple[Finding, ...]]:
        """Raise where it falls silent, over where it is heard again."""
        match change:
            case GatewaySilent() if memory.since is None:
                return Silence(since=change.since), (self._found(change, place),)
            case GatewayHeard() if memory.since is not None:
                return Silence(), (Over(at=change.at, because="it was heard again"),)
            case _:
                return memory, ()

    def _found(self, change: GatewaySilent, place: Place) -> Found:
        since = clock(change.since, place.zone, change.at)
        silent = change.at - change.since
        how = (
            "said to be offline" if change.offline else f"not heard for {span(silent)}"
        )
        count = len(change.sections)
        shown = Evidence(
            time=change.since, text=f"the last heard of {place.id}", event=change.event
        )
        why = "its connection ended" if change.offline else "three periods went by"
        return Found(
            began=change.since,
            raised=change.at,
            priority="prompt",
            summary=f"{place.id} {how}; {count} {'section' if count == 1 else 'sections'} not known since {since}",
            evidence=(shown, Evidence(time=change.at, text=f"{why} without a word")),
            affected=(
                f"gateway/{place.id}",
                *(f"section/{section}" for section in change.sections),
            ),
            suspects=(Suspect(asset=f"gateway/{place.id}", weight=1.0),),
            checks=look(
                "the gateway's supply and link",
                also=(
                    (
                        "the network or the broker",
                        "whether other gateways are heard",
                    ),
                ),
            ),
            parameters={
                "period_s": change.period / SECOND,
                "silent_for_s": silent / SECOND,
                "offline": change.offline,
                "sections": count,
            },
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return "Raised when nothing is heard for three of its periods, or when it is told to be offline."

    def explain(self, memory: Silence, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            return (f"{place.id} is not judged silent.",)
        since = clock(memory.since, place.zone, at)
        return (f"{place.id} not heard since {since}, {span(at - memory.since)} ago.",)
