"""A section occupied although no train was seen to enter it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from monitor.core.changes import (
    Change,
    EntryJudged,
    MovedOn,
    StateChanged,
    StretchEnded,
    TrainJoined,
    Verdict,
)
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
class Waiting:
    """A stretch of `occupied` that nothing explains.

    Args:
        hold: the stretch, as a condition that is timed.
        beside: how the neighbours stood.
        judged: the latest event time that the judgement needed.
        occupied: the state is `occupied` at this moment, and not a clear that may prove short.
    """

    hold: Hold = field(default_factory=Hold)
    beside: str = ""
    judged: Moment = 0
    occupied: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OccupiedNoTrain:
    """A section is occupied, and no train was seen to enter it.

    What the desk does first: tell the signaller; vehicles may be in the section.
    Within: five minutes.
    If not: trains are held for no train, or a vehicle that ran away is taken for a fault.

    Args:
        no_train_after_s: how long it must stay occupied (common practice: a hand on a head, or a trolley, is gone by then).

    Example:
        >>> from monitor.core.moments import SECOND
        >>> detector = OccupiedNoTrain()
        >>> judged = EntryJudged(
        ...     place="T107",
        ...     at=2 * SECOND,
        ...     entered=0,
        ...     state=State.OCCUPIED,
        ...     verdict=Verdict.NOT_EXPLAINED,
        ...     raised=2 * SECOND,
        ...     beside="T106 and T108 clear since 05:58:00",
        ...     event="gw/1#7",
        ...     occupation=0,
        ... )
        >>> memory, _ = detector.step(replace(Waiting(), occupied=True), judged, None)
        >>> detector.wake_at(memory) == 120 * SECOND
        True

    It is wrong where a machine was put on the track in the section, and where a neighbour's change was lost without a trace.
    """

    kind: ClassVar[str] = "occupied-no-train"
    title: ClassVar[str] = "occupied, no train seen to enter"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        StateChanged,
        EntryJudged,
        MovedOn,
        TrainJoined,
        StretchEnded,
        *INTERRUPTIONS,
    )
    first: ClassVar[str] = "tell the signaller: vehicles may be in the section"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains are held, or a vehicle is taken for a fault"

    no_train_after_s: float = 120.0

    def start(self, place: Place) -> Waiting:  # noqa: ARG002
        """Nothing has been heard."""
        return Waiting()

    def step(
        self,
        memory: Waiting,
        change: Change,
        place: Place,  # noqa: ARG002
    ) -> tuple[Waiting, tuple[Finding, ...]]:
        """Begin at an entry that nothing explains; cease when it ends, moves on, or a train joins."""
        match change:
            case StateChanged():
                occupied = change.now is State.OCCUPIED
                if occupied == memory.occupied:
                    return memory, ()
                return replace(memory, occupied=occupied), ()
            case EntryJudged(verdict=Verdict.NOT_EXPLAINED, state=State.OCCUPIED):
                hold = memory.hold
                if hold.raised:
                    return memory, ()
                hold = hold.begin(change.entered, change.entered, change.event)
                after = replace(
                    memory, hold=hold, beside=change.beside, judged=change.raised
                )
                return after, ()
            case StretchEnded():
                return self._over(memory, change.ended, "")
            case MovedOn():
                return self._over(memory, change.at, f"it moved on into {change.into}")
            case TrainJoined():
                return self._over(
                    memory, change.at, f"a train entered out of {change.out_of}"
                )
            case EntryJudged():
                return memory, ()
        hold = memory.hold.told(change)
        return (memory if hold == memory.hold else replace(memory, hold=hold)), ()

    def _over(
        self, memory: Waiting, at: Moment, because: str
    ) -> tuple[Waiting, tuple[Finding, ...]]:
        if memory.hold.since is None:
            return memory, ()
        findings = (Over(at=at, because=because),) if memory.hold.raised else ()
        return replace(memory, hold=memory.hold.cease()), findings

    def wake_at(self, memory: Waiting) -> Moment | None:
        """When it will have stayed occupied for *no_train_after_s*."""
        if not memory.occupied:
            return None
        return memory.hold.due(seconds(self.no_train_after_s))

    def wake(
        self, memory: Waiting, at: Moment, place: Place
    ) -> tuple[Waiting, tuple[Finding, ...]]:
        """It has, and nothing has moved on or joined."""
        hold = memory.hold
        due = self.wake_at(memory)
        raised = max(at if due is None else due, memory.judged)
        since = hold.since if hold.since is not None else at
        length = span(seconds(self.no_train_after_s))
        found = Found(
            began=since,
            raised=raised,
            priority="prompt",
            summary=(
                f"{place.id} occupied for {length}; no train was seen to enter it; "
                "vehicles may be in it"
            ),
            evidence=(
                Evidence(
                    time=since,
                    text=f"{place.id} occupied; {memory.beside}",
                    event=hold.event,
                ),
            ),
            suspects=place.heads(),
            checks=(
                "Look first at who is on the track: tools, a trolley or a road-rail machine over a head",
                "Could also be a head near its limit; settled by its levels and by the tallies of both sections beside it",
                "Could also be vehicles left behind or put on the track; settled by the signaller's and the train records",
                CAUTION,
            ),
            parameters={"no_train_after_s": self.no_train_after_s},
        )
        return replace(memory, hold=replace(hold, raised=True)), (found,)

    def explain(self, memory: Waiting, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            return (f"No entry into {place.id} is waiting without an explanation.",)
        said = [
            f"Occupied since {clock(hold.since, place.zone)} with no train seen to enter; {memory.beside}."
        ]
        if hold.stopped:
            said.append(f"The timer is stopped: {', '.join(hold.stopped)}.")
        due = self.wake_at(memory)
        if due is not None:
            said.append(f"Raised in {span(max(0, due - at))} if it stays so.")
        return tuple(said)
