"""A line file that joins sections otherwise than trains do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import Change, TrainsFromAfar, WorkBegan, WorkEnded
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
from monitor.core.moments import Moment, midnight_before
from monitor.core.values import value_class
from monitor.core.words import names


@value_class(frozen=True, slots=True, kw_only=True)
class Comers:
    """Where the last trains into a section came from.

    Args:
        other: the section that is not joined to it and gave up a train most often, or "".
        count: for how many of them.
        trains: how many are remembered.
        began: of the open alert, or None where none is open.
        raised: when it was raised.
        worked_on: the section is under work.
    """

    other: str = ""
    count: int = 0
    trains: int = 0
    began: Moment | None = None
    raised: Moment = 0
    worked_on: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFileDoubt(Untimed):
    """Trains come into a section out of another that the line file does not join to it: the file may be wrong there.

    What the desk does first: hand it to whoever keeps the line file.
    Within: a week.
    If not: trains seem to vanish and to appear there, and what is concluded rests on the file.

    Of each section the last 20 trains into it are remembered.
    A train counts where nothing that the file joins to the section explains how it came, and another section gave up a train just then that none of its own neighbours took.
    While the file is doubted at a place, conclusions that need the doubted join are notes.

    Args:
        least: so many of the last 20 trains that came as one and the same other section gave one up raise it, whether or not there were 20 yet (common practice: chance does not repeat itself three times in four; the trains themselves are followed with doubt from 15, whatever is set here).

    Example:
        >>> from monitor.core.moments import SECOND, parse
        >>> detector, place = LineFileDoubt(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> change = TrainsFromAfar(
        ...     place="T107",
        ...     at=noon + 2 * SECOND,
        ...     other="T109",
        ...     count=15,
        ...     trains=20,
        ...     cleared=noon,
        ...     event="gw/1#7",
        ... )
        >>> memory, findings = detector.step(detector.start(place), change, place)
        >>> findings[0].summary
        'of the last 20 trains into T107, 15 came as T109 gave up a train, which the line file does not join to it'

    When it is wrong: where sections between are not in the file or not in the feed, and where trains on two tracks keep to the same rhythm while a section beside one of them fails to show them.

    References:
        No statistics are involved; that a train needs a way from one section to the next is all there is to it.
    """

    kind: ClassVar[str] = "line-file-doubt"
    title: ClassVar[str] = "trains go otherwise than the line file says"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (TrainsFromAfar, WorkBegan, WorkEnded)
    priorities: ClassVar[tuple[Priority, ...]] = ("note",)
    first: ClassVar[str] = "hand it to whoever keeps the line file"
    within: ClassVar[str] = "a week"
    otherwise: ClassVar[str] = "trains seem to vanish and to appear there"

    least: int = 15  # common practice: three in four are no chance

    def start(self, place: Place) -> Comers:  # noqa: ARG002 - the same everywhere
        """No train has come from afar."""
        return Comers()

    def step(
        self, memory: Comers, change: Change, place: Place
    ) -> tuple[Comers, tuple[Finding, ...]]:
        """Raise it when too many came out of one section that is not joined to this one; it is over when the file agrees."""
        match change:
            case TrainsFromAfar():
                return self._came(memory, change, place)
            case WorkBegan():
                return replace(memory, worked_on=True), ()
            case WorkEnded():
                return replace(memory, worked_on=False), ()
            case _:
                return memory, ()

    def _came(
        self, memory: Comers, change: TrainsFromAfar, place: Place
    ) -> tuple[Comers, tuple[Finding, ...]]:
        after = replace(
            memory, other=change.other, count=change.count, trains=change.trains
        )
        if change.count < self.least:
            if memory.began is None:
                return after, ()
            return replace(after, began=None), (
                Over(at=change.at, because="trains come as the line file says again"),
            )
        if memory.began is None:
            if memory.worked_on:
                return after, ()
            after = replace(after, began=midnight_before(change.at), raised=change.at)
        return after, (self._found(after, change, place),)

    def _found(self, memory: Comers, change: TrainsFromAfar, place: Place) -> Found:
        joined = place.line.neighbours(place.id)
        began = change.at if memory.began is None else memory.began
        return Found(
            began=began,
            raised=memory.raised,
            priority="note",
            summary=(
                f"of the last {change.trains} trains into {place.id}, {change.count} "
                f"came as {change.other} gave up a train, "
                "which the line file does not join to it"
            ),
            evidence=(
                Evidence(
                    time=change.cleared,
                    text=(
                        f"{place.id} clear after one more train that came "
                        f"as {change.other} gave one up"
                    ),
                    event=change.event,
                ),
            ),
            affected=(f"section/{place.id}", f"section/{change.other}"),
            suspects=self._suspects(place, change.other),
            checks=look(
                f"which head lies between {change.other} and {place.id}: "
                f"`between` of {names(list(place.line.heads_of(place.id)))} in the line file",
                f"the drawing of the line: what joins {place.id}, besides "
                f"{names(list(joined)) or 'nothing'}",
                also=(
                    (
                        f"a section between {change.other} and {place.id} that is not in the line file",
                        "the drawing of the line, and the evaluators' own lists",
                    ),
                    (
                        f"the names of two sections are swapped in the feed, {change.other} and another",
                        "one train watched by eye, section by section",
                    ),
                    (
                        f"a section beside {place.id} does not show trains",
                        "its heads and its evaluator: then trains come out of it unseen",
                    ),
                ),
            ),
            parameters={
                "least": self.least,
                "counted_trains": change.trains,
                "counted_from_there": change.count,
                "other": f"section/{change.other}",
            },
        )

    def _suspects(self, place: Place, other: str) -> tuple[Suspect, ...]:
        """The heads whose `between` may be wrong: those of both sections, all alike."""
        line = place.line
        beyond = line.heads_of(other) if other in line.sections else ()
        heads = tuple(dict.fromkeys((*line.heads_of(place.id), *beyond)))
        weight = round(1 / len(heads), 2)
        return tuple(Suspect(asset=f"head/{head}", weight=weight) for head in heads)

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when {self.least} of the last 20 trains came as one and the same other section gave one up, which is not joined to it."

    def explain(
        self,
        memory: Comers,
        at: Moment,  # noqa: ARG002
        place: Place,
    ) -> tuple[str, ...]:
        """What is known at *at*."""
        if not memory.other:
            return (f"Trains come into {place.id} as the line file says.",)
        said = (
            f"Of the last {memory.trains} trains into {place.id}, {memory.count} came "
            f"as {memory.other} gave up a train (raised at {self.least})."
        )
        if memory.began is not None:
            return (said, "That has been raised.")
        if memory.worked_on:
            return (said, "It is under work; nothing is raised about it.")
        return (said,)
