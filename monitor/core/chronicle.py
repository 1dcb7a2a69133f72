"""From changes to facts: what was so, for the pages and reports.

Nothing is concluded here.
A fact that lasts is given when it begins and again when it ends, under the same key; an occupation is given once, when it is over.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from monitor.core.changes import (
    Change,
    Disturbance,
    KnownAgain,
    NotKnown,
    OccupationEnded,
    ResetTaken,
    ServiceChanged,
    TrainPassed,
    WorkBegan,
    WorkedThrough,
    WorkEnded,
)
from monitor.core.events import Step
from monitor.core.facts import Fact
from monitor.core.moments import stamp


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
    """

    HEARS: ClassVar[frozenset[type[Change]]] = frozenset(
        {
            TrainPassed,
            OccupationEnded,
            Disturbance,
            ResetTaken,
            WorkedThrough,
            NotKnown,
            KnownAgain,
            WorkBegan,
            WorkEnded,
            ServiceChanged,
        }
    )
    """The kinds of change that `hear` knows, so that others need not be told."""

    waiting: dict[str, Fact] = field(default_factory=dict)
    reached: dict[str, Step] = field(default_factory=dict)
    dark: dict[str, Fact] = field(default_factory=dict)
    work: dict[str, Fact] = field(default_factory=dict)
    service: dict[str, Fact] = field(default_factory=dict)
    passed: dict[str, TrainPassed] = field(default_factory=dict)

    def hear(self, change: Change) -> list[Fact]:
        """The facts that *change* makes."""
        match change:
            case TrainPassed() | OccupationEnded():
                return self._left(change)
            case Disturbance():
                return [self._disturbance(change)]
            case ResetTaken():
                return [self._reset(change)]
            case WorkedThrough():
                return self._proved(change)
            case NotKnown():
                fact = Fact(
                    kind="not-known",
                    subject=f"section/{change.place}",
                    began=change.since,
                    values={"why": change.why},
                )
                self.dark[change.place] = fact
                return [fact]
            case KnownAgain():
                return _ended(self.dark.pop(change.place, None), change)
            case WorkBegan():
                fact = Fact(
                    kind="work",
                    subject=f"section/{change.place}",
                    began=change.at,
                    values={"why": change.why},
                )
                self.work[change.place] = fact
                return [fact]
            case WorkEnded():
                return _ended(self.work.pop(change.place, None), change)
            case ServiceChanged():
                return self._service(change)
        return []

    def _left(self, change: TrainPassed | OccupationEnded) -> list[Fact]:
        if isinstance(change, OccupationEnded):
            return [self._occupation(change)]
        self.passed[change.place] = change
        return []

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
                **(_who(passed) if passed is not None and known else {}),
            },
        )

    def _disturbance(self, change: Disturbance) -> Fact:
        return Fact(
            kind="disturbance",
            subject=f"section/{change.place}",
            began=change.happened,
            values={
                "spurious": change.spurious,
                "under_work": change.under_work,
                "event": change.event,
            },
        )

    def _reset(self, change: ResetTaken) -> Fact:
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
        return fact

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
