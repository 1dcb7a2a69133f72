"""From changes to facts: what was so, for the pages and reports.

Nothing is concluded here, with one exception: that a train was held before a section that was not available is seen here, because only here both are known.
A fact that lasts is given when it begins and again when it ends, under the same key; an occupation is given once, when it is over.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.core.changes import (
    Change,
    Cleared,
    Disturbance,
    HeadPassed,
    InterlockingChanged,
    KnownAgain,
    NotKnown,
    OccupationEnded,
    ResetTaken,
    ServiceChanged,
    StateChanged,
    TrainPassed,
    WorkBegan,
    WorkedThrough,
    WorkEnded,
)
from monitor.core.events import State, Step
from monitor.core.facts import Fact
from monitor.core.moments import HOUR, SECOND, Duration, Moment, stamp

AVAILABLE = frozenset({State.CLEAR, State.OCCUPIED})
"""The states of a section that can be used."""

TRAINS_BEFORE = 20
"""A train is held that stands longer than any of so many before it: by chance that is one in twenty-one."""

TRAINS_LEAST = 5
"""With fewer trains before it nothing is known of what is usual."""


@dataclass(slots=True)
class Chronicle:
    """What is still going on, so that its end can be told under the same key.

    Args:
        waiting: the accepted reset of each section that no train has followed yet.
        reached: how far each of those has come: accepted, or restored.
        dark: spells not known that go on.
        work: work that goes on, by section.
        service: what each evaluator says of itself.
        passed: the trains that left a section last, until its occupation is judged.
        beside: tells the neighbours of a section.
        most: tells the most axles a section has shown since it was clear last.
        axles: that, of each section that has cleared.
        failed: sections that are not available.
        given_back: when a section that still is kept back by its interlocking cleared.
        kept_back: sections that the interlocking takes as occupied.
        back: the last time that each was not available.
        alone: the last time that each was occupied with no train seen.
        lit: the last moment before the spell not known that is over, by section.
        lengths: how long the last trains occupied each section.
        passing: the passages of each head in the hour of the last one.
        hears: the kinds of change that `hear` knows, so that others need not be told, each with what is made of it.
    """

    waiting: dict[str, Fact] = field(default_factory=dict)
    reached: dict[str, Step] = field(default_factory=dict)
    dark: dict[str, Fact] = field(default_factory=dict)
    work: dict[str, Fact] = field(default_factory=dict)
    service: dict[str, Fact] = field(default_factory=dict)
    passed: dict[str, TrainPassed] = field(default_factory=dict)
    beside: Callable[[str], tuple[str, ...]] = lambda _: ()
    most: Callable[[str], int] = lambda _: 0
    axles: dict[str, int] = field(default_factory=dict)
    failed: dict[str, Fact] = field(default_factory=dict)
    given_back: dict[str, Moment] = field(default_factory=dict)
    kept_back: set[str] = field(default_factory=set)
    back: dict[str, Fact] = field(default_factory=dict)
    alone: dict[str, Fact] = field(default_factory=dict)
    lit: dict[str, Moment] = field(default_factory=dict)
    lengths: dict[str, deque[Duration]] = field(default_factory=dict)
    passing: dict[str, Fact] = field(default_factory=dict)
    hears: dict[type[Change], Callable[[Any], list[Fact]]] = field(init=False)

    def __post_init__(self) -> None:
        self.hears = {
            TrainPassed: self._passed_through,
            OccupationEnded: self._left,
            Disturbance: self._disturbance,
            ResetTaken: self._reset,
            WorkedThrough: self._proved,
            NotKnown: self._known,
            KnownAgain: self._known,
            WorkBegan: self._work,
            WorkEnded: self._work,
            ServiceChanged: self._service,
            StateChanged: self._state,
            Cleared: self._cleared,
            InterlockingChanged: self._cleared,
            HeadPassed: self._passes,
        }

    def hear(self, change: Change) -> list[Fact]:
        """The facts that *change* makes."""
        return self.hears[type(change)](change)

    def _known(self, change: NotKnown | KnownAgain) -> list[Fact]:
        if isinstance(change, KnownAgain):
            before = self.dark.pop(change.place, None)
            self.lit[change.place] = change.at if before is None else before.began
            return _ended(before, change)
        fact = Fact(
            kind="not-known",
            subject=f"section/{change.place}",
            began=change.since,
            values={"why": change.why},
        )
        self.dark[change.place] = fact
        return [fact]

    def _work(self, change: WorkBegan | WorkEnded) -> list[Fact]:
        if isinstance(change, WorkEnded):
            return _ended(self.work.pop(change.place, None), change)
        fact = Fact(
            kind="work",
            subject=f"section/{change.place}",
            began=change.at,
            values={"why": change.why},
        )
        self.work[change.place] = fact
        return [fact]

    def _passed_through(self, change: TrainPassed) -> list[Fact]:
        self.passed[change.place] = change
        return []

    def _left(self, change: OccupationEnded) -> list[Fact]:
        passed = self.passed.get(change.place)
        found = [self._occupation(change)]
        if change.spurious:
            found.append(self._no_train(change))
        if change.only_occupied and change.place not in self.work:
            found += self._held(change, passed)
        return found

    # What is not available, and who is held by it.

    def alert(
        self, subject: str, began: Moment, ended: Moment | None, alert: str
    ) -> Fact:
        """The fact of a section that was found occupied with no train seen."""
        fact = Fact(
            kind="no-train",
            subject=subject,
            began=began,
            ended=ended,
            values={"alert": alert},
        )
        self.alone[subject.partition("/")[2]] = fact
        return fact

    def _no_train(self, change: OccupationEnded) -> Fact:
        return Fact(
            kind="no-train",
            subject=f"section/{change.place}",
            began=change.began,
            ended=change.ended,
            values={"spurious": True},
        )

    def _state(self, change: StateChanged) -> list[Fact]:
        place = change.place
        found = []
        if change.was is None:
            subject = f"section/{place}"
            found.append(Fact(kind="heard", subject=subject, began=change.at))
        if change.now not in AVAILABLE:
            self.given_back.pop(place, None)
            if place not in self.failed:
                found.append(self._fails(change))
        elif change.now is State.CLEAR and change.unseen and place in self.failed:
            # It was given back in a spell that is not known: it is counted as long as it was seen.
            found += self._back(place, self.lit.get(place, change.at), seen=False)
        return found

    def _fails(self, change: StateChanged) -> Fact:
        fact = Fact(
            kind="failed",
            subject=f"section/{change.place}",
            began=change.at,
            values={
                "under_work": change.place in self.work,
                "began_seen": not change.unseen,
                "ended_seen": True,
            },
        )
        self.failed[change.place] = fact
        return fact

    def _cleared(self, change: Cleared | InterlockingChanged) -> list[Fact]:
        place = change.place
        if isinstance(change, Cleared):
            self.axles[place] = self.most(place)
            if place in self.failed:
                if place not in self.kept_back:
                    return self._back(place, change.cleared)
                self.given_back[place] = change.cleared
        elif change.occupied:
            self.kept_back.add(place)
        else:
            self.kept_back.discard(place)
            if self.given_back.pop(place, None) is not None:
                return self._back(place, change.at)
        return []

    def _back(self, place: str, at: Moment, *, seen: bool = True) -> list[Fact]:
        before = self.failed.pop(place)
        self.given_back.pop(place, None)
        values = {**before.values, "ended_seen": seen}
        fact = replace(before, ended=max(at, before.began), values=values)
        self.back[place] = fact
        return [fact]

    def _held(self, change: OccupationEnded, passed: TrainPassed | None) -> list[Fact]:
        """The train that left a section, where it went into one that was not available while it stood before it, and stood for long."""
        length = change.ended - change.began
        before = self.lengths.setdefault(change.place, deque(maxlen=TRAINS_BEFORE))
        kept = self._kept_by(change, passed)
        if passed is not None and kept:
            if len(before) < TRAINS_LEAST or length <= max(before):
                return []
            return [self._stood(change, kept, passed.trains)]
        if change.worked:
            before.append(length)
        return []

    def _kept_by(self, change: OccupationEnded, passed: TrainPassed | None) -> str:
        """The section before which the train stood: where it went, or, where nothing showed that it went in, the only one it can have gone into."""
        if passed is None or passed.cleared != change.ended:
            return ""
        ways = (passed.into,) if passed.into else self.beside(change.place)
        kept = [
            one
            for one in ways
            if one != passed.out_of and self._kept(one, change.began, change.ended)
        ]
        return kept[0] if len(kept) == 1 else ""

    def _kept(self, place: str, begin: Moment, end: Moment) -> bool:
        """Whether *place* was not available, or occupied with no train, at some time between."""
        spells = (self.failed, self.back, self.alone)
        return place not in self.work and any(
            fact.began < end and (fact.ended is None or fact.ended > begin)
            for one in spells
            if (fact := one.get(place)) is not None
        )

    def _stood(
        self, change: OccupationEnded, into: str, trains: tuple[int, ...]
    ) -> Fact:
        usual = max(self.lengths[change.place]) / SECOND
        return Fact(
            kind="held",
            subject=f"section/{into}",
            began=change.began,
            ended=change.ended,
            values={
                "before": change.place,
                "trains": [f"t{number}" for number in trains],
                "usual_longest_s": round(usual, 1),
            },
        )

    # What else was so.

    def _passes(self, change: HeadPassed) -> list[Fact]:
        """The passages of the hour, this one with them: so that a fold that comes again counts none twice."""
        began, count, axles = change.at - change.at % HOUR, 1, change.axles
        before = self.passing.get(change.place)
        if before is not None and before.began == began:
            count += before.values["count"]
            axles += before.values["axles"]
        fact = Fact(
            kind="passages",
            subject=f"head/{change.place}",
            began=began,
            ended=change.at,
            values={"count": count, "axles": axles},
        )
        self.passing[change.place] = fact
        return [fact]

    def _occupation(self, change: OccupationEnded) -> Fact:
        passed = self.passed.pop(change.place, None)
        known = passed is not None and passed.cleared == change.ended
        return Fact(
            kind="occupation",
            subject=f"section/{change.place}",
            began=change.began,
            ended=change.ended,
            values={
                "entry": change.entry.value,
                "exit": change.exit.value,
                "worked_through": change.worked,
                "by_reset": change.by_reset,
                "only_occupied": change.only_occupied,
                "under_work": change.place in self.work,
                "axles": self.axles.pop(change.place, 0),
                **(_who(passed) if passed is not None and known else {}),
            },
        )

    def _disturbance(self, change: Disturbance) -> list[Fact]:
        fact = Fact(
            kind="disturbance",
            subject=f"section/{change.place}",
            began=change.happened,
            values={
                "spurious": change.spurious,
                "under_work": change.under_work,
                "event": change.event,
            },
        )
        return [fact]

    def _reset(self, change: ResetTaken) -> list[Fact]:
        fact = Fact(
            kind="reset",
            subject=f"section/{change.place}",
            began=change.so_at,
            values={
                "kind": change.kind.value,
                "step": change.step.value,
                "by": change.by,
                "proved_at": None,
                "under_work": change.place in self.work,
                "event": change.event,
            },
        )
        if change.step is Step.ACCEPTED:
            fact = self._accepted(change, fact)
        elif change.step is Step.RESTORED and change.place in self.waiting:
            self.reached[change.place] = change.step
        return [fact]

    def _accepted(self, change: ResetTaken, fact: Fact) -> Fact:
        """The fact of an accepted reset: it waits, unless a train has followed it since, or a newer one waits; both are so where it was entered later."""
        worked = change.worked
        if worked is not None and worked >= fact.began:
            values = {**fact.values, "proved_at": stamp(worked)}
            return replace(fact, ended=worked, values=values)
        before = self.waiting.get(change.place)
        if before is None or before.began <= fact.began:
            self.waiting[change.place] = fact
            self.reached[change.place] = change.step
        return fact

    def _proved(self, change: WorkedThrough) -> list[Fact]:
        fact = self.waiting.get(change.place)
        if fact is None or change.left < fact.began:
            return []
        del self.waiting[change.place]
        del self.reached[change.place]
        values = {**fact.values, "proved_at": stamp(change.left)}
        return [replace(fact, ended=change.left, values=values)]

    def _service(self, change: ServiceChanged) -> list[Fact]:
        before = _ended(self.service.get(change.place), change)
        fact = Fact(
            kind="service",
            subject=f"evaluator/{change.place}",
            began=change.so_since,
            values={"state": change.now.value, "event": change.event},
        )
        self.service[change.place] = fact
        return [*before, fact]


def _who(passed: TrainPassed) -> dict[str, Any]:
    return {
        "trains": [f"t{number}" for number in passed.trains],
        "first_seen": passed.first,
        "first_seen_at": stamp(passed.since),
        "out_of": passed.out_of or None,
        "into": passed.into or None,
    }


def _ended(fact: Fact | None, change: Change) -> list[Fact]:
    return [] if fact is None else [replace(fact, ended=change.at)]
