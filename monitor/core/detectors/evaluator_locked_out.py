"""An evaluator refuses to work until someone attends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from monitor.core.changes import Change, ServiceChanged
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
from monitor.core.events import Service
from monitor.core.moments import Moment
from monitor.core.values import value_class
from monitor.core.words import clock, names


@value_class(frozen=True, slots=True, kw_only=True)
class Locked:
    """Whether it is locked out.

    Args:
        since: since when, or None.
    """

    since: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluatorLockedOut(Untimed):
    """An evaluator has locked itself out and refuses to work until someone attends.

    What the desk does first: send the technician to the room; tell the signaller which sections it keeps.
    Within: 5 min.
    If not: every section it keeps stays as it is, and trains stand before all of them.

    Args:
        None: it is raised as soon as the evaluator says so.

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = EvaluatorLockedOut(), Place.example("EV1")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> change = ServiceChanged(
        ...     place="EV1",
        ...     at=noon,
        ...     was=Service.IN_SERVICE,
        ...     now=Service.LOCKED_OUT,
        ...     event="gw/1#7",
        ...     so_since=noon,
        ... )
        >>> memory, findings = detector.step(detector.start(place), change, place)
        >>> findings[0].summary
        'EV1 locked out since 12:00:00; it keeps T106, T107 and T108'

    When it is wrong: where the gateway reports a test of the evaluator as a lock-out.

    References:
        That an evaluator locks itself out when a signal is not what it should be is common practice.
    """

    kind: ClassVar[str] = "evaluator-locked-out"
    title: ClassVar[str] = "evaluator locked out"
    places: ClassVar[PlaceKind] = "evaluator"
    hears: ClassVar[tuple[type[Change], ...]] = (ServiceChanged,)
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "send the technician to the room; tell the signaller"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains stand before every section it keeps"

    def start(self, place: Place) -> Locked:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Locked()

    def step(
        self, memory: Locked, change: Change, place: Place
    ) -> tuple[Locked, tuple[Finding, ...]]:
        """Raise at once where it says locked out; over where it is in service, and not before (isolated is a step on the way)."""
        if not isinstance(change, ServiceChanged):
            return memory, ()
        if change.now is Service.LOCKED_OUT and memory.since is None:
            return Locked(since=change.so_since), (self._found(change, place),)
        if change.now is Service.IN_SERVICE and memory.since is not None:
            return Locked(), (Over(at=change.at, because="it is in service again"),)
        return memory, ()

    def _found(self, change: ServiceChanged, place: Place) -> Found:
        evaluator = place.line.evaluators[place.id]
        sections = place.line.sections_of(place.id)
        since = clock(change.so_since, place.zone, change.at)
        keeps = f"; it keeps {names(sections)}" if sections else ""
        # By the trade's experience its own cards come before the supply.
        suspects = [Suspect(asset=f"evaluator/{place.id}", weight=1.0)]
        if evaluator.supply is not None:
            suspects = [
                Suspect(asset=f"evaluator/{place.id}", weight=0.6),
                Suspect(asset=f"supply/{evaluator.supply}", weight=0.4),
            ]
        return Found(
            began=change.so_since,
            raised=change.at,
            priority="prompt",
            summary=f"{place.id} locked out since {since}{keeps}",
            evidence=(
                Evidence(
                    time=change.so_since,
                    text=f"{place.id} locked out",
                    event=change.event,
                ),
            ),
            affected=(
                f"evaluator/{place.id}",
                *(f"section/{section}" for section in sections),
            ),
            suspects=tuple(suspects),
            checks=look(
                f"its indications, fuse, seating and temperature in {evaluator.site}",
                also=(
                    ("its supply", "the supply log and what else hangs on it"),
                    (
                        "a surge or lightning",
                        "whether others went within minutes, protection devices, and the weather",
                    ),
                ),
            ),
            parameters={"sections": len(sections)},
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return "Raised as soon as it is heard to be locked out."

    def explain(self, memory: Locked, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.since is None:
            return (f"{place.id} is not heard to be locked out.",)
        return (f"{place.id} locked out since {clock(memory.since, place.zone, at)}.",)
