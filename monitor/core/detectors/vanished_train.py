"""A section cleared although the train in it was seen to leave nowhere."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import (
    CauseBegan,
    CauseEnded,
    Change,
    TrainFound,
    TrainVanished,
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
from monitor.core.words import clock, span

KEPT = 8
"""So many vanished trains of one section can still be named by one that comes out."""

NEVER: Moment = -(2**62)


@value_class(frozen=True, slots=True, kw_only=True)
class Gone:
    """What is remembered of a section.

    Args:
        vanished: the last trains that vanished there.
        worked_on: it is under work.
        causes: how many causes cover it now.
        covered_until: until when one did.
        held: when the last train vanished that was not raised, and why not; None where there was none.
    """

    vanished: tuple[TrainVanished, ...] = ()
    worked_on: bool = False
    causes: int = 0
    covered_until: Moment = NEVER
    held: tuple[Moment, str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VanishedTrain(Untimed):
    """A section cleared while a train was in it, and no neighbour took the train: it may stand in a section that is shown clear.

    What the desk does first: tell the signaller at once that a train may be in a section shown clear.
    Within: at once.
    If not: another train may be signalled into it.

    A section holds a train from the moment the train came in out of a neighbour that then cleared, until some neighbour becomes not clear with it.
    Where the section clears in between, by itself or by a reset, with every neighbour known to be clear just before and just after, the train is unaccounted for.

    Args:
        None: how far apart events may be and still be simultaneous is `skew_s` of the shared settings.

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = VanishedTrain(), Place.example("T107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> gone = TrainVanished(
        ...     place="T107",
        ...     at=noon + 2 * SECOND,
        ...     cleared=noon,
        ...     raised=noon + 2 * SECOND,
        ...     entered=noon - 90 * SECOND,
        ...     out_of="T106",
        ...     came="gw/1#5",
        ...     first="T106",
        ...     since=noon - 200 * SECOND,
        ...     by_reset=False,
        ...     doubted=False,
        ...     event="gw/1#7",
        ... )
        >>> _, findings = detector.step(detector.start(place), gone, place)
        >>> findings[0].summary
        'T107 cleared by itself with its train unaccounted for: it came out of T106 90 s before, and no neighbour took it'

    When it is wrong: where a train left the track within the section (a machine taken off the rails), where a neighbour's change was lost without a trace (a feed without `sequence` cannot show that), and where what came in was no train but two faults in a row that looked like one.
    Nothing is raised about an end with no detection beyond, while a common cause covers the section, or under work.

    References:
        That a train is nowhere but in a section is common practice, and all there is to it.
    """

    kind: ClassVar[str] = "vanished-train"
    title: ClassVar[str] = "cleared, its train unaccounted for"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        TrainVanished,
        TrainFound,
        CauseBegan,
        CauseEnded,
        WorkBegan,
        WorkEnded,
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("urgent", "note")
    first: ClassVar[str] = "tell the signaller: a train may be in a section shown clear"
    within: ClassVar[str] = "at once"
    otherwise: ClassVar[str] = "another train may be signalled into it"

    def start(self, place: Place) -> Gone:  # noqa: ARG002 - the same everywhere
        """Nothing has vanished."""
        return Gone()

    def step(
        self, memory: Gone, change: Change, place: Place
    ) -> tuple[Gone, tuple[Finding, ...]]:
        """Say what vanished, and by what it may have been found."""
        match change:
            case TrainVanished():
                return self._vanished(memory, change, place)
            case TrainFound():
                seen = [one for one in memory.vanished if one.cleared == change.cleared]
                return memory, tuple(self._found(one, place, change) for one in seen)
            case CauseBegan():
                return replace(memory, causes=memory.causes + 1), ()
            case CauseEnded():
                left = max(0, memory.causes - 1)
                return replace(memory, causes=left, covered_until=change.at), ()
            case _:
                return replace(memory, worked_on=isinstance(change, WorkBegan)), ()

    def _vanished(
        self, memory: Gone, change: TrainVanished, place: Place
    ) -> tuple[Gone, tuple[Finding, ...]]:
        covered = memory.causes or change.cleared <= memory.covered_until
        if memory.worked_on or covered:
            why = "it was under work" if memory.worked_on else "a common cause has it"
            return replace(memory, held=(change.cleared, why)), ()
        kept = (*memory.vanished, change)[-KEPT:]
        return replace(memory, vanished=kept), (self._found(change, place),)

    def _found(
        self, gone: TrainVanished, place: Place, found: TrainFound | None = None
    ) -> Found:
        by = "by a reset" if gone.by_reset else "by itself"
        summary = (
            f"{place.id} cleared {by} with its train unaccounted for: "
            f"it came out of {gone.out_of or 'nowhere known'} "
            f"{span(gone.cleared - gone.entered)} before, and no neighbour took it"
        )
        evidence = [
            Evidence(
                time=gone.entered,
                text=f"a train came into {place.id} out of {gone.out_of}",
                event=gone.came,
            ),
            Evidence(
                time=gone.cleared,
                text=f"{place.id} cleared {by}; "
                f"every neighbour clear for the clocks' spread before and after",
                event=gone.event,
            ),
        ]
        numbers = {
            "held_for_s": (gone.cleared - gone.entered) / SECOND,
            "by_reset": gone.by_reset,
            "train_first_seen": f"section/{gone.first}",
        }
        affected = [f"section/{place.id}"]
        if found is not None:
            when = clock(found.entered, place.zone, gone.cleared)
            summary += (
                f"; it may be the one that came out into {found.appeared} at {when}"
            )
            evidence.append(
                Evidence(
                    time=found.entered,
                    text=f"a train came out into {found.appeared}, "
                    f"which {found.subject} must have held",
                )
            )
            affected.append(f"section/{found.subject}")
            numbers["found"] = f"section/{found.subject}"
        if gone.doubted:
            numbers["line_file_doubted"] = True
        return Found(
            began=gone.cleared,
            raised=gone.raised,
            priority="note" if gone.doubted else "urgent",
            summary=summary,
            evidence=tuple(evidence),
            suspects=place.heads(),
            checks=look(
                "where that train is, by the signaller's and the train records; "
                "the rules come before any repair",
                "who reset the section and what was established before"
                if gone.by_reset
                else "the tallies and passages at the heads of the section",
                also=(
                    (
                        "a machine taken off the track within the section",
                        "who was on the track",
                    ),
                    (
                        "a neighbour whose change was lost on the way",
                        "the gateway's own record",
                    ),
                    (
                        "a neighbour that did not detect the train as it went on",
                        "whether a train comes out beyond it",
                    ),
                ),
            ),
            parameters=numbers,
            affected=tuple(affected),
            lasting=True,
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return "Raised when it holds a train and clears, by a reset or by itself, with every neighbour known clear just before and just after."

    def explain(self, memory: Gone, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        said = []
        if place.line.is_open(place.id):
            said.append(
                f"{place.id} has a head with no detection beyond: a train may leave "
                "there unseen, so none is called unaccounted for."
            )
        if memory.worked_on:
            said.append("It is under work: nothing is raised.")
        if memory.causes:
            said.append("A common cause covers the section: nothing is concluded.")
        if memory.held is not None:
            when = clock(memory.held[0], place.zone, at)
            said.append(
                f"A train was unaccounted for when {place.id} cleared at {when}; "
                f"it was not raised: {memory.held[1]}."
            )
        if memory.vanished:
            when = clock(memory.vanished[-1].cleared, place.zone, at)
            said.append(
                f"A train was unaccounted for when {place.id} cleared at {when}."
            )
        return tuple(said) or (
            f"No train that {place.id} is known to have held is unaccounted for.",
        )
