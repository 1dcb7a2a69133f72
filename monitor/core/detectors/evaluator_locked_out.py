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
    Suspect,
)
from monitor.core.events import Service
from monitor.core.moments import Moment
from monitor.core.words import CAUTION, clock, names


@dataclass(frozen=True, slots=True, kw_only=True)
class Locked:
    """Whether it is locked out, and since when."""

    since: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluatorLockedOut:
    """An evaluator has locked itself out and refuses to work until someone attends.

    What the desk does first: send the technician to the room; tell the signaller which sections it keeps.
    Within: five minutes.
    If not: every section it keeps stays as it is, and trains stand.

    Example:
        >>> change = ServiceChanged(
        ...     place="EV1",
        ...     at=0,
        ...     was=None,
        ...     now=Service.IN_SERVICE,
        ...     event="gw/1#7",
        ...     so_since=0,
        ... )
        >>> EvaluatorLockedOut().step(Locked(), change, None)
        (Locked(since=None), ())

    It is wrong where the gateway reports a test as a lock-out.
    """

    kind: ClassVar[str] = "evaluator-locked-out"
    title: ClassVar[str] = "evaluator locked out"
    places: ClassVar[PlaceKind] = "evaluator"
    hears: ClassVar[tuple[type[Change], ...]] = (ServiceChanged,)
    first: ClassVar[str] = "send the technician to the room; tell the signaller"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains stand before every section it keeps"

    def start(self, place: Place) -> Locked:  # noqa: ARG002
        """Nothing has been heard."""
        return Locked()

    def step(
        self, memory: Locked, change: Change, place: Place
    ) -> tuple[Locked, tuple[Finding, ...]]:
        """Raise at once where it says locked out, over where it is in service."""
        if not isinstance(change, ServiceChanged):
            return memory, ()
        if change.now is Service.LOCKED_OUT and memory.since is None:
            return Locked(since=change.so_since), (self._found(change, place),)
        if change.now is Service.IN_SERVICE and memory.since is not None:
            return Locked(), (Over(at=change.at),)
        return memory, ()

    def _found(self, change: ServiceChanged, place: Place) -> Found:
        evaluator = place.line.evaluators[place.id]
        sections = place.line.sections_of(place.id)
        suspects = [Suspect(asset=f"evaluator/{place.id}", weight=0.5)]
        if evaluator.supply is not None:
            suspects.append(Suspect(asset=f"supply/{evaluator.supply}", weight=0.3))
        return Found(
            began=change.so_since,
            raised=change.at,
            priority="prompt",
            summary=f"{place.id} locked out since {clock(change.so_since, place.zone)}; it keeps {names(sections)}",
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
            checks=(
                f"Look first at its indications and fuse at {evaluator.site}",
                "Could also be its supply or a surge; settled by what else on the supply went, and by the supply log",
                CAUTION,
            ),
        )

    def wake_at(self, memory: Locked) -> Moment | None:  # noqa: ARG002
        """Silence shows nothing."""
        return None

    def wake(
        self,
        memory: Locked,
        at: Moment,  # noqa: ARG002
        place: Place,  # noqa: ARG002
    ) -> tuple[Locked, tuple[Finding, ...]]:
        """Never called."""
        return memory, ()

    def explain(
        self,
        memory: Locked,
        at: Moment,  # noqa: ARG002
        place: Place,
    ) -> tuple[str, ...]:
        """What is known."""
        if memory.since is None:
            return (f"{place.id} is not heard to be locked out.",)
        return (f"{place.id} locked out since {clock(memory.since, place.zone)}.",)
