"""A train that stays in a section for longer than is normal there."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from monitor.core.changes import (
    Change,
    Entered,
    EntryJudged,
    LearntAnew,
    OccupationEnded,
    StateChanged,
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
from monitor.core.moments import SECOND, Duration, Moment, seconds
from monitor.core.words import CAUTION, clock, span


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A train in a section.

    Args:
        hold: its occupation, as a condition that is timed.
        limit: how long is normal here, as known when it began.
        usual: the usual longest, as learnt last.
        occupied: the state is `occupied` now.
        unseen: the stretch began in a spell that is not known.
    """

    hold: Hold = field(default_factory=Hold)
    limit: Duration = 0
    usual: Duration = 0
    occupied: bool = False
    unseen: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LongOccupation:
    """A train has been in a section for longer than is normal there.

    What the desk does first: nothing; it stands on the section's page.
    Within: no time.
    If not: nothing happens.

    Args:
        normal_s: the least that counts as long, where the line file sets nothing (common practice: half an hour at a signal is seen on most lines).

    Example:
        >>> detector = LongOccupation()
        >>> detector.wake_at(
        ...     Standing(
        ...         hold=Hold(since=0, timed_from=0), limit=1800 * SECOND, occupied=True
        ...     )
        ... ) // SECOND
        1800

    It is wrong on the first long stand of a kind that is normal but was never seen.
    """

    kind: ClassVar[str] = "long-occupation"
    title: ClassVar[str] = "occupied for longer than is normal here"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        StateChanged,
        Entered,
        EntryJudged,
        OccupationEnded,
        LearntAnew,
        *INTERRUPTIONS,
    )
    first: ClassVar[str] = "nothing; it stands on the section's page"
    within: ClassVar[str] = "no time"
    otherwise: ClassVar[str] = "nothing happens"

    normal_s: float = 1800.0

    def start(self, place: Place) -> Standing:  # noqa: ARG002
        """Nothing has been heard."""
        return Standing()

    def _limit(self, memory: Standing, place: Place) -> Duration:
        normal = place.line.sections[place.id].normal_occupation_s
        if normal is not None:
            return seconds(normal)
        return max(seconds(self.normal_s), memory.usual)

    def step(
        self, memory: Standing, change: Change, place: Place
    ) -> tuple[Standing, tuple[Finding, ...]]:
        """Begin at an entry that is explained, cease when the occupation is over."""
        match change:
            case StateChanged():
                occupied = change.now is State.OCCUPIED
                if occupied == memory.occupied:
                    return memory, ()
                return replace(memory, occupied=occupied), ()
            case Entered():
                if memory.unseen == change.unseen:
                    return memory, ()
                return replace(memory, unseen=change.unseen), ()
            case EntryJudged(verdict=Verdict.EXPLAINED, state=State.OCCUPIED):
                return self._entered(memory, change, place), ()
            case EntryJudged():
                return memory, ()
            case OccupationEnded():
                if memory.hold.since != change.began:
                    return memory, ()
                findings = (Over(at=change.ended),) if memory.hold.raised else ()
                return replace(memory, hold=memory.hold.cease()), findings
            case LearntAnew():
                return replace(memory, usual=change.usual.longest or 0), ()
        hold = memory.hold.told(change)
        return (memory if hold == memory.hold else replace(memory, hold=hold)), ()

    def _entered(self, memory: Standing, change: EntryJudged, place: Place) -> Standing:
        if memory.hold.since is not None:
            return memory
        timed_from = change.entered if memory.unseen else change.occupation
        hold = memory.hold.begin(change.occupation, timed_from, change.event)
        return replace(memory, hold=hold, limit=self._limit(memory, place))

    def wake_at(self, memory: Standing) -> Moment | None:
        """When it will have stood for longer than is normal."""
        return memory.hold.due(memory.limit) if memory.occupied else None

    def wake(
        self, memory: Standing, at: Moment, place: Place
    ) -> tuple[Standing, tuple[Finding, ...]]:
        """It has."""
        hold = memory.hold
        due = self.wake_at(memory)
        since = hold.since if hold.since is not None else at
        found = Found(
            began=since,
            raised=at if due is None else due,
            priority="note",
            summary=f"{place.id} occupied by a train for {span(memory.limit)}, longer than is normal here",
            evidence=(
                Evidence(
                    time=since, text=f"{place.id} entered by a train", event=hold.event
                ),
            ),
            checks=(
                "Look first at whether the train still stands there: ask the signaller",
                "Could also be a train that has gone on and left a count behind; settled by its next sections",
                CAUTION,
            ),
            parameters={"limit_s": memory.limit / SECOND},
        )
        return replace(memory, hold=replace(hold, raised=True)), (found,)

    def explain(self, memory: Standing, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            return (f"No train is timed in {place.id}.",)
        due = self.wake_at(memory)
        said = [
            f"A train is in {place.id} since {clock(hold.since, place.zone)}; {span(memory.limit)} are normal here."
        ]
        if due is not None:
            said.append(f"Noted in {span(max(0, due - at))} if it stays.")
        return tuple(said)
