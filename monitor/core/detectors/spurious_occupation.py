"""A section that was occupied for a while by nothing that came or went."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import (
    Change,
    EntryJudged,
    OccupationEnded,
    Verdict,
    WorkBegan,
    WorkEnded,
)
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Place,
    PlaceKind,
    Priority,
    Untimed,
    look,
)
from monitor.core.moments import SECOND, Moment
from monitor.core.values import value_class
from monitor.core.words import clock, span, times


@value_class(frozen=True, slots=True, kw_only=True)
class Spurious:
    """What is remembered of a section.

    Args:
        entry: the last entry that nothing explains, or None.
        count: spurious occupations so far.
        last: when the last of them ended.
        worked_from: when work began last, or None.
        worked_to: when it ended, or None while it goes on.
    """

    entry: EntryJudged | None = None
    count: int = 0
    last: Moment = 0
    worked_from: Moment | None = None
    worked_to: Moment | None = None

    def under_work(self, since: Moment, until: Moment) -> bool:
        """Whether the last work fell into the time from *since* to *until*."""
        if self.worked_from is None or self.worked_from > until:
            return False
        return self.worked_to is None or self.worked_to > since


@dataclass(frozen=True, slots=True, kw_only=True)
class SpuriousOccupation(Untimed):
    """A section became occupied and clear again, and no train was seen to enter it or to leave it.

    What the desk does first: put it on the day list, with who was on the track.
    Within: the day.
    If not: a head that counts what is no axle goes on doing so, and one day the count does not come out even.

    Neither the entry nor the exit is explained by a neighbour, the section showed no other state than occupied and clear, and it cleared by itself and not by a reset.
    It is over when it is known.

    Args:
        None: how far apart events may be and still be simultaneous is `skew_s` of the shared settings.

    Example:
        >>> from monitor.core.events import State
        >>> from monitor.core.moments import parse
        >>> detector, place = SpuriousOccupation(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
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
        >>> ended = OccupationEnded(
        ...     place="T107",
        ...     at=noon + 8 * SECOND,
        ...     began=noon,
        ...     ended=noon + 6 * SECOND,
        ...     entry=Verdict.NOT_EXPLAINED,
        ...     exit=Verdict.NOT_EXPLAINED,
        ...     by_reset=False,
        ...     only_occupied=True,
        ...     raised=noon + 8 * SECOND,
        ...     event="gw/1#8",
        ...     worked=False,
        ...     spurious=True,
        ... )
        >>> memory, _ = detector.step(detector.start(place), judged, place)
        >>> memory, findings = detector.step(memory, ended, place)
        >>> findings[0].summary
        'T107 occupied for 6 s and clear again; no train was seen to enter it or to leave it'

    When it is wrong: where a trolley or a machine was put on the track and taken off again within the section, where work goes on that the feed does not tell of, and where the changes of a neighbour were lost without a trace (a feed without `sequence` cannot show that).

    References:
        That a train comes out of a neighbour and goes into one is common practice; no statistics are involved.
    """

    kind: ClassVar[str] = "spurious-occupation"
    title: ClassVar[str] = "occupied and clear again, no train seen"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        EntryJudged,
        OccupationEnded,
        WorkBegan,
        WorkEnded,
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("planned",)
    first: ClassVar[str] = "put it on the day list, with who was on the track"
    within: ClassVar[str] = "the day"
    otherwise: ClassVar[str] = "a head goes on counting what is no axle"

    def start(self, place: Place) -> Spurious:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Spurious()

    def step(
        self, memory: Spurious, change: Change, place: Place
    ) -> tuple[Spurious, tuple[Finding, ...]]:
        """Remember an entry that nothing explains, and say it when its end is none that a train makes."""
        match change:
            case EntryJudged():
                if change.verdict is not Verdict.NOT_EXPLAINED:
                    return memory, ()
                return replace(memory, entry=change), ()
            case OccupationEnded():
                return self._ended(memory, change, place)
            case WorkBegan():
                return replace(memory, worked_from=change.at, worked_to=None), ()
            case WorkEnded():
                return replace(memory, worked_to=change.at), ()
            case _:
                return memory, ()

    def _ended(
        self, memory: Spurious, change: OccupationEnded, place: Place
    ) -> tuple[Spurious, tuple[Finding, ...]]:
        if not change.spurious or memory.under_work(change.began, change.ended):
            return memory, ()
        after = replace(memory, count=memory.count + 1, last=change.ended)
        return after, (self._found(memory.entry, change, place),)

    def _found(
        self, entry: EntryJudged | None, change: OccupationEnded, place: Place
    ) -> Found:
        length = change.ended - change.began
        beside, event = "", ""
        if entry is not None and entry.occupation == change.began:
            beside = f"; {entry.beside}" if entry.beside else ""
            event = entry.event
        return Found(
            began=change.began,
            raised=change.raised,
            ended=change.ended,
            priority="planned",
            summary=(
                f"{place.id} occupied for {span(length)} and clear again; "
                "no train was seen to enter it or to leave it"
            ),
            evidence=(
                Evidence(
                    time=change.began, text=f"{place.id} occupied{beside}", event=event
                ),
                Evidence(
                    time=change.ended,
                    text=f"{place.id} clear by itself; every neighbour known clear",
                    event=change.event,
                ),
            ),
            suspects=place.heads(),
            checks=look(
                "who was on the track: tools, a trolley, a road-rail machine or a magnet over a head",
                "the fixings, gap and height of the heads, and their levels",
                also=(
                    (
                        "a head near its limit that counts what is no axle",
                        "a test wheel over it, and whether it comes with trains on the other track",
                    ),
                    (
                        "a disturbed cable or supply",
                        f"what else failed at {place.room} just then",
                    ),
                    (
                        "changes of a neighbour that were lost on the way",
                        "the gateway's own record",
                    ),
                ),
            ),
            parameters={"occupied_for_s": length / SECOND},
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return "Raised when an occupation of occupied alone has ended by itself, and neither its entry nor its exit is explained."

    def explain(self, memory: Spurious, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if not memory.count:
            said = f"{place.id} was not occupied without a train and clear again."
        else:
            last = clock(memory.last, place.zone, at)
            said = (
                f"{place.id} was occupied without a train and clear again "
                f"{times(memory.count)}, last until {last}."
            )
        entry = memory.entry
        if entry is not None and entry.entered > memory.last:
            entered = clock(entry.entered, place.zone, at)
            said += f" Nothing explained the entry at {entered}."
        if memory.under_work(at, at):
            return (said, "It is under work; what happens is not counted.")
        return (said,)
