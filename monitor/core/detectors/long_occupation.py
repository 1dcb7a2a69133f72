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
    StretchEnded,
    Verdict,
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
class Standing:
    """A train in a section.

    Args:
        hold: its presence, as a condition that is timed.
        occupation: the beginning of the occupation that the hold belongs to.
        limit: how long is normal here, as known when it entered.
        usual: the usual longest, as learnt last; nought where there is none.
        shown: when the state became `occupied` last.
        became: when that event says it became so.
        occupied: the state is `occupied` now.
        cleared: since when it shows clear, which may prove short; None where it does not.
    """

    hold: Hold = field(default_factory=Hold)
    occupation: Moment = 0
    limit: Duration = 0
    usual: Duration = 0
    shown: Moment = 0
    became: Moment = 0
    occupied: bool = False
    cleared: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LongOccupation:
    """A train has been in a section for longer than is normal there.

    What the desk does first: nothing; it stands on the section's page.
    Within: no time.
    If not: nothing happens; a count that was left behind is found by other detections.

    Args:
        normal_s: the least that counts as long, where the line file sets no `normal_occupation_s` (common practice: half an hour at a signal is seen on most lines). The section's own usual longest, once it is learnt, goes before it where it is longer.

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = LongOccupation(), Place.example("T107")
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
        ...     at=noon,
        ...     entered=noon,
        ...     state=State.OCCUPIED,
        ...     verdict=Verdict.EXPLAINED,
        ...     raised=noon,
        ...     beside="",
        ...     event="gw/1#7",
        ...     occupation=noon,
        ... )
        >>> memory, _ = detector.step(detector.start(place), occupied, place)
        >>> memory, _ = detector.step(memory, judged, place)
        >>> memory, findings = detector.wake(memory, detector.wake_at(memory), place)
        >>> findings[0].summary
        'T107 occupied by a train for 30 min, longer than is normal here'

    When it is wrong: the first time a train stands there for a reason that is normal but was never seen, and on the first day of another timetable.

    References:
        The usual longest is the 99th percentile by nearest rank of at least 200 occupations; Hyndman, R. J., and Fan, Y. (1996), Sample quantiles in statistical packages, The American Statistician 50, type 1.
    """

    kind: ClassVar[str] = "long-occupation"
    title: ClassVar[str] = "occupied for longer than is normal here"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        StateChanged,
        Entered,
        EntryJudged,
        StretchEnded,
        OccupationEnded,
        LearntAnew,
        *INTERRUPTIONS,
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("note",)
    first: ClassVar[str] = "nothing; it stands on the section's page"
    within: ClassVar[str] = "no time"
    otherwise: ClassVar[str] = "nothing happens"

    normal_s: float = 1800.0  # common practice: half an hour at a signal

    def start(self, place: Place) -> Standing:  # noqa: ARG002 - the same everywhere
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
        """Begin at an entry that is explained, cease when the occupation is over.

        A clear ends it only once it is known to have lasted: its stretch is told as ended, the occupation is, or another occupation has begun.
        """
        match change:
            case StateChanged():
                return self._state(memory, change, place), ()
            case Entered():
                return self._other(memory, change.occupation)
            case EntryJudged():
                after, findings = self._other(memory, change.occupation)
                return self._judged(after, change), findings
            case StretchEnded():
                lasted = change.ended == memory.cleared
                return self._over(memory, change.ended) if lasted else (memory, ())
            case OccupationEnded():
                same = change.began == memory.occupation
                return self._over(memory, change.ended) if same else (memory, ())
            case LearntAnew():
                return replace(memory, usual=change.usual.longest or 0), ()
            case _:
                told = memory.hold.told(change)
                same = told is memory.hold
                return (memory if same else replace(memory, hold=told)), ()

    def _state(self, memory: Standing, change: StateChanged, place: Place) -> Standing:
        match change.now:
            case State.OCCUPIED:
                return self._occupied(memory, change, place)
            case State.CLEAR:
                # Made outright, here and below: `replace` costs several times as much.
                return Standing(
                    hold=memory.hold,
                    occupation=memory.occupation,
                    limit=memory.limit,
                    usual=memory.usual,
                    shown=memory.shown,
                    became=memory.became,
                    cleared=change.at,
                )
            case _:
                return replace(memory, occupied=False) if memory.occupied else memory

    def _occupied(
        self, memory: Standing, change: StateChanged, place: Place
    ) -> Standing:
        hold = memory.hold
        due = hold.due(memory.limit)
        overdue = due is not None and due <= change.at
        if overdue and change.was is not State.CLEAR:
            # It was not occupied when that fell due: what comes now is another train.
            hold = hold.cease()
        timed = hold.since is not None
        return Standing(
            hold=hold,
            occupation=memory.occupation,
            limit=memory.limit if timed else self._limit(memory, place),
            usual=memory.usual,
            shown=change.at,
            became=change.so_since,
            occupied=True,
            cleared=memory.cleared,
        )

    def _judged(self, memory: Standing, change: EntryJudged) -> Standing:
        if (
            change.verdict is not Verdict.EXPLAINED
            or change.state is not State.OCCUPIED
            or memory.hold.since is not None
        ):
            return memory
        # A train in a section that was disturbed before it came is timed from its own entry.
        entered = change.entered
        since = memory.became if entered == memory.shown else entered
        hold = memory.hold.begin(since, entered, change.event)
        return Standing(
            hold=hold,
            occupation=change.occupation,
            limit=memory.limit,
            usual=memory.usual,
            shown=memory.shown,
            became=memory.became,
            occupied=memory.occupied,
        )

    def _other(
        self, memory: Standing, occupation: Moment
    ) -> tuple[Standing, tuple[Finding, ...]]:
        """Another occupation than the one timed has begun: the clear before it lasted."""
        if memory.cleared is None or occupation == memory.occupation:
            return memory, ()
        return self._over(memory, memory.cleared)

    def _over(
        self, memory: Standing, at: Moment
    ) -> tuple[Standing, tuple[Finding, ...]]:
        if memory.hold.since is None:
            return memory, ()
        over = Over(at=at, because="the section cleared")
        findings = (over,) if memory.hold.raised else ()
        after = Standing(
            hold=memory.hold.cease(),
            occupation=memory.occupation,
            limit=memory.limit,
            usual=memory.usual,
            shown=memory.shown,
            became=memory.became,
            occupied=memory.occupied,
        )
        return after, findings

    def wake_at(self, memory: Standing) -> Moment | None:
        """When it will have stood for longer than is normal."""
        return memory.hold.due(memory.limit) if memory.occupied else None

    def wake(
        self, memory: Standing, at: Moment, place: Place
    ) -> tuple[Standing, tuple[Finding, ...]]:
        """It has."""
        due = self.wake_at(memory)
        if due is None or at < due:
            return memory, ()
        hold = memory.hold
        since = at if hold.since is None else hold.since
        set_here = place.line.sections[place.id].normal_occupation_s is not None
        found = Found(
            began=since,
            raised=at,
            priority="note",
            summary=f"{place.id} occupied by a train for {span(at - since)}, longer than is normal here",
            evidence=hold.evidence(f"{place.id} occupied, with a train to explain it"),
            checks=look(
                "whether the train still stands there: ask the signaller",
                also=(
                    (
                        "a train that has gone on and left a count behind",
                        "the sections beyond it and the tallies",
                    ),
                    (
                        "a train that is kept there by the timetable or by works",
                        "the timetable; then set normal_occupation_s for this section",
                    ),
                ),
            ),
            parameters={
                "limit_s": memory.limit / SECOND,
                "limit_from": "line file" if set_here else "usual",
                "usual_longest_s": memory.usual / SECOND if memory.usual else None,
                "occupied_for_s": (at - since) / SECOND,
            },
        )
        return replace(memory, hold=replace(hold, raised=True)), (found,)

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when a train has been in it for longer than the line file says is normal, or else than the greater of {span(seconds(self.normal_s))} and its usual longest."

    def explain(self, memory: Standing, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        hold = memory.hold
        if hold.since is None:
            return (f"No train is timed in {place.id}.",)
        said = f"A train is seen in {place.id} since {clock(hold.since, place.zone, at)}; up to {span(memory.limit)} is normal here."
        if not memory.occupied and not hold.raised:
            return (said, "It does not show occupied now; the timer waits for that.")
        return (said, hold.outlook(memory.limit, at))
