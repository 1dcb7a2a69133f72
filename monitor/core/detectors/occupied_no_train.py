"""A section occupied although no train was seen to enter it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from monitor.core.changes import (
    Change,
    EntryJudged,
    MovedOn,
    StateChanged,
    StretchEnded,
    TrainJoined,
    TrainMayHaveCome,
    TrainWentOn,
    Verdict,
    WorkBegan,
    WorkEnded,
)
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
from monitor.core.events import State
from monitor.core.moments import SECOND, Duration, Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import clock, span


@value_class(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A stretch of `occupied` that nothing explains.

    Args:
        hold: the stretch, as a condition that is timed.
        beside: how the neighbours stood.
        judged: the latest event time that the judgement needed.
        occupied: the state is `occupied` at this moment, and not a clear that may prove short.
        moved: the stretch going on has moved on into a neighbour.
        work_from: when the last work began, or None where there was none.
        work_to: when it ended, or None while it goes on.
        front: where the train that was in it is now, where it went on and left the section occupied.
        between: the section between, which has cleared.
        ended: when its last stretch ended.
    """

    hold: Hold = field(default_factory=Hold)
    beside: str = ""
    judged: Moment = 0
    occupied: bool = False
    moved: bool = False
    work_from: Moment | None = None
    work_to: Moment | None = None
    front: str = ""
    between: str = ""
    ended: Moment = 0

    def showing(self, *, occupied: bool) -> Waiting:
        """The same with another state; made outright, for `replace` costs several times as much."""
        return Waiting(
            hold=self.hold,
            beside=self.beside,
            judged=self.judged,
            occupied=occupied,
            moved=self.moved,
            work_from=self.work_from,
            work_to=self.work_to,
            front=self.front,
            between=self.between,
            ended=self.ended,
        )

    def over(self, ended: Moment) -> Waiting:
        """The same after its stretch ended; made outright too."""
        return Waiting(
            hold=self.hold,
            beside=self.beside,
            judged=self.judged,
            occupied=self.occupied,
            work_from=self.work_from,
            work_to=self.work_to,
            front=self.front,
            between=self.between,
            ended=ended,
        )

    def under_work(self, moment: Moment) -> bool:
        """Whether the section was under the last work at *moment*."""
        if self.work_from is None or moment < self.work_from:
            return False
        return self.work_to is None or moment < self.work_to


@dataclass(frozen=True, slots=True, kw_only=True)
class OccupiedNoTrain:
    """A section is occupied, and no train was seen to enter it, or the one that did went on: vehicles may be in it, or a head counted wrongly.

    Two ways lead here.
    (a) Nothing explains the entry, and the section stays occupied for *no_train_after_s* without moving on.
    (b) A train entered and has provably gone on: it is two sections further, the section between has cleared, nothing has entered since, and *linger_s* have passed.

    What the desk does first: tell the signaller that vehicles may be in the section.
    Within: 5 min.
    If not: trains are held for no train, or a vehicle that ran away is taken for a fault.

    Args:
        no_train_after_s: how long it must stay occupied (common practice: a tool on a head, or a trolley that passes, is gone by then).
        linger_s: how long it must stay occupied after its train went on (common practice: longer than an evaluator takes to show a tally that has come to rest).

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = OccupiedNoTrain(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> occupied = StateChanged(
        ...     place="T107",
        ...     at=noon,
        ...     was=State.CLEAR,
        ...     now=State.OCCUPIED,
        ...     event="gw/1#7",
        ...     so_since=noon,
        ... )
        >>> judged = EntryJudged(
        ...     place="T107",
        ...     at=noon + 2 * SECOND,
        ...     entered=noon,
        ...     state=State.OCCUPIED,
        ...     verdict=Verdict.NOT_EXPLAINED,
        ...     raised=noon + 2 * SECOND,
        ...     beside="T106 and T108 clear since 11:58:00",
        ...     event="gw/1#7",
        ...     occupation=noon,
        ... )
        >>> memory, _ = detector.step(detector.start(place), occupied, place)
        >>> memory, _ = detector.step(memory, judged, place)
        >>> memory, findings = detector.wake(memory, detector.wake_at(memory), place)
        >>> findings[0].summary
        'T107 occupied for 2 min; no train was seen to enter it; vehicles may be in it'

    When it is wrong: where a machine was put on the track within the section, where work goes on that the feed does not tell of, and where a neighbour's change was lost without a trace (a feed without `sequence` cannot show that).
    Where a neighbour is not clear or not known at the entry, nothing is raised, so a second failure may hide behind a train.

    References:
        That a count once lost or gained stays until it is reset is common practice; no statistics are involved.
    """

    kind: ClassVar[str] = "occupied-no-train"
    title: ClassVar[str] = "occupied, no train seen to enter"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        StateChanged,
        EntryJudged,
        MovedOn,
        TrainJoined,
        TrainMayHaveCome,
        TrainWentOn,
        StretchEnded,
        *INTERRUPTIONS,
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "tell the signaller: vehicles may be in the section"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = "trains are held, or a vehicle is taken for a fault"

    no_train_after_s: float = 120.0  # common practice: longer than what passes by hand
    linger_s: float = 60.0  # common practice: tallies have long come to rest

    def start(self, place: Place) -> Waiting:  # noqa: ARG002 - the same everywhere
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
                return memory.showing(occupied=occupied), ()
            case EntryJudged():
                return self._judged(memory, change), ()
            case StretchEnded():
                after, findings = self._over(
                    memory, change.ended, "it no longer shows occupied"
                )
                return after.over(change.ended), findings
            case MovedOn():
                return self._moved(memory), ()
            case TrainMayHaveCome():
                dropped = bool(memory.front) and not memory.hold.raised
                return self._over(memory, change.at, "") if dropped else (memory, ())
            case TrainWentOn():
                return self._went_on(memory, change), ()
            case TrainJoined():
                because = f"a train entered it out of {change.out_of}"
                joined = change.joined
                if memory.hold.raised and memory.hold.timed_from is not None:
                    raised = memory.hold.timed_from + self._limit(memory)
                    joined = max(joined, raised)
                return self._over(memory, joined, because)
            case _:
                return self._interrupted(memory, change), ()

    def _judged(self, memory: Waiting, change: EntryJudged) -> Waiting:
        hold = memory.hold
        if change.verdict is Verdict.CANNOT_TELL and hold.shown == change.entered:
            # A neighbour turned out not to have been known then.
            return memory if hold.raised else replace(memory, hold=hold.cease())
        if (
            change.verdict is not Verdict.NOT_EXPLAINED
            or change.state is not State.OCCUPIED
            or memory.hold.raised
            or memory.moved  # known before the verdict: what is in it went on
            or change.entered < memory.ended  # it has ended before the verdict
        ):
            return memory
        hold = memory.hold.begin(change.entered, change.entered, change.event)
        if memory.work_to is not None and change.entered < memory.work_to:
            # Work has ended between entry and verdict: what is still so is judged from there.
            hold = memory.hold.begin(memory.work_to, memory.work_to, change.event)
        return replace(
            memory,
            hold=hold,
            beside=change.beside,
            judged=change.raised,
            front="",
            between="",
        )

    def _went_on(self, memory: Waiting, change: TrainWentOn) -> Waiting:
        if (
            memory.hold.raised
            or not memory.occupied
            or memory.under_work(change.cleared)
        ):
            return memory
        return replace(
            memory,
            hold=memory.hold.begin(change.cleared, change.cleared, change.event),
            beside="",
            judged=change.at,
            front=change.front,
            between=change.between,
        )

    def _moved(self, memory: Waiting) -> Waiting:
        # What is raised stays: the section is still occupied, whatever went on out of it.
        if memory.hold.raised:
            return memory
        return replace(memory, hold=memory.hold.cease(), moved=True)

    def _over(
        self, memory: Waiting, at: Moment, because: str
    ) -> tuple[Waiting, tuple[Finding, ...]]:
        if memory.hold.since is None:
            return memory, ()
        findings = (Over(at=at, because=because),) if memory.hold.raised else ()
        after = replace(memory, hold=memory.hold.cease(), front="", between="")
        return after, findings

    def _interrupted(self, memory: Waiting, change: Change) -> Waiting:
        hold = memory.hold.told(change)
        match change:
            case WorkBegan():
                return replace(memory, hold=hold, work_from=change.at, work_to=None)
            case WorkEnded():
                return replace(memory, hold=hold, work_to=change.at)
            case _:
                return memory if hold is memory.hold else replace(memory, hold=hold)

    def wake_at(self, memory: Waiting) -> Moment | None:
        """When it will have stayed occupied for *no_train_after_s*, or for *linger_s* after its train went on."""
        if not memory.occupied:
            return None
        return memory.hold.due(self._limit(memory))

    def _limit(self, memory: Waiting) -> Duration:
        return seconds(self.linger_s if memory.front else self.no_train_after_s)

    def wake(
        self, memory: Waiting, at: Moment, place: Place
    ) -> tuple[Waiting, tuple[Finding, ...]]:
        """It has, and nothing has moved on or joined."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        hold = memory.hold
        since = at if hold.since is None else hold.since
        summary, shown = self._sentences(memory, at - since, place)
        found = Found(
            began=since,
            raised=max(at, memory.judged),
            priority="prompt",
            summary=summary,
            evidence=hold.evidence(shown),
            suspects=place.heads(),
            checks=look(
                "what stands or works on the track: vehicles, tools, a trolley or a road-rail machine over a head",
                "the tallies of the section and of those beside it",
                also=(
                    (
                        "vehicles left behind, run away or put on the track there",
                        "the signaller's and the train records",
                    ),
                    (
                        "a head near its limit that counted what was no axle",
                        "its levels, and a test wheel over it",
                    ),
                    (
                        "a neighbour whose change was lost on the way",
                        "the gateway's own record",
                    ),
                ),
            ),
            parameters=self._numbers(memory, at - since),
        )
        return replace(memory, hold=replace(hold, raised=True)), (found,)

    def _sentences(
        self, memory: Waiting, gone: Duration, place: Place
    ) -> tuple[str, str]:
        """The summary, and what the first event of the evidence shows."""
        if memory.front:
            summary = (
                f"{place.id} still occupied {span(gone)} after its train went on: "
                f"{memory.between} has cleared, {memory.front} is occupied; "
                "vehicles may be in it"
            )
            shown = (
                f"{memory.between} cleared; its train is in {memory.front} "
                f"or beyond; {place.id} still occupied"
            )
            return summary, shown
        beside = f"; {memory.beside}" if memory.beside else ""
        summary = (
            f"{place.id} occupied for {span(gone)}; "
            "no train was seen to enter it; vehicles may be in it"
        )
        return summary, f"{place.id} occupied{beside}"

    def _numbers(self, memory: Waiting, gone: Duration) -> dict[str, Any]:
        if memory.front:
            return {
                "linger_s": self.linger_s,
                "still_occupied_for_s": gone / SECOND,
            }
        return {
            "no_train_after_s": self.no_train_after_s,
            "occupied_for_s": gone / SECOND,
        }

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when an entry that nothing explains stands for {span(seconds(self.no_train_after_s))}, or {span(seconds(self.linger_s))} after its train is two sections on and the one between has cleared, with nothing come in since."

    def explain(self, memory: Waiting, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            tail = "; what is in it has moved on" if memory.moved else ""
            return (f"No entry into {place.id} stands without an explanation{tail}.",)
        beside = f"; {memory.beside}" if memory.beside else ""
        since = clock(hold.since, place.zone, at)
        said = f"Occupied since {since} with no train seen to enter{beside}."
        if memory.front:
            said = (
                f"Its train went on to {memory.front}: "
                f"{memory.between} cleared {since}, and {place.id} did not."
            )
        if not memory.occupied and not hold.raised:
            return (
                said,
                "It shows another state; whether that lasts is not known yet.",
            )
        return (said, hold.outlook(self._limit(memory), at))
