"""A train came out of a section that was shown clear."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

from monitor.core.changes import Change, TrainUnseen, WorkBegan, WorkEnded
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Place,
    PlaceKind,
    Priority,
    Suspect,
    Untimed,
    look,
)
from monitor.core.moments import SECOND, Moment
from monitor.core.values import value_class
from monitor.core.words import clock, names


@value_class(frozen=True, slots=True, kw_only=True)
class Seen:
    """What is remembered of a section.

    Args:
        last: when the last train came out of it unseen, or None.
        worked_on: it is under work.
        held: when the last one came out that was not raised, since it was under work; None where none did.
    """

    last: Moment | None = None
    worked_on: bool = False
    held: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnseenTrain(Untimed):
    """A train came out of a section that was shown clear: that section did not detect it.

    What the desk does first: tell the signaller at once which section did not show a train.
    Within: at once.
    If not: the next train in that section may not be shown either.

    A section became occupied while all its neighbours were known to be clear, what was in it moved on into a further neighbour as a train does, and the section cleared behind it.
    So it was a train, and it came from the other side, out of a section that was shown clear.
    Where that may have been one of several sections, the alert is about the section where the train appeared, and they are suspects.

    Args:
        None: how far apart events may be and still be simultaneous is `skew_s` of the shared settings.

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = UnseenTrain(), Place.example("T106")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> unseen = TrainUnseen(
        ...     place="T106",
        ...     at=noon + 62 * SECOND,
        ...     appeared="T107",
        ...     entered=noon,
        ...     into="T108",
        ...     cleared=noon + 60 * SECOND,
        ...     raised=noon + 62 * SECOND,
        ...     suspects=("T106",),
        ...     vanished="",
        ...     vanished_at=None,
        ...     doubted=False,
        ...     event="gw/1#7",
        ...     shown="gw/1#9",
        ... )
        >>> _, findings = detector.step(detector.start(place), unseen, place)
        >>> findings[0].summary
        'T106 shown clear, and a train came out of it into T107, and went on into T108'

    When it is wrong: where a machine was put on the track within the section, where the neighbour's change was lost without a trace (a feed without `sequence` cannot show that), and where the line file joins sections otherwise than the track does.

    References:
        That a train comes from somewhere is common practice, and all there is to it.
    """

    kind: ClassVar[str] = "unseen-train"
    title: ClassVar[str] = "shown clear, a train came out"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (TrainUnseen, WorkBegan, WorkEnded)
    priorities: ClassVar[tuple[Priority, ...]] = ("urgent", "note")
    first: ClassVar[str] = "tell the signaller which section did not show a train"
    within: ClassVar[str] = "at once"
    otherwise: ClassVar[str] = "the next train there may not be shown either"

    def start(self, place: Place) -> Seen:  # noqa: ARG002 - the same everywhere
        """No train came out unseen."""
        return Seen()

    def step(
        self, memory: Seen, change: Change, place: Place
    ) -> tuple[Seen, tuple[Finding, ...]]:
        """Say which train came out unseen."""
        if isinstance(change, TrainUnseen):
            if memory.worked_on:
                return replace(memory, held=change.entered), ()
            found = self._found(change, place)
            return replace(memory, last=change.entered), (found,)
        return replace(memory, worked_on=isinstance(change, WorkBegan)), ()

    def _found(self, seen: TrainUnseen, place: Place) -> Found:
        one = len(seen.suspects) == 1
        went = f"into {seen.appeared}, and went on into {seen.into}"
        if one:
            summary = f"{place.id} shown clear, and a train came out of it {went}"
        else:
            summary = (
                f"a train came {went}, out of {names(list(seen.suspects))}, "
                "all shown clear"
            )
        evidence = [
            Evidence(
                time=seen.entered,
                text=f"{seen.appeared} occupied; every neighbour known clear",
                event=seen.event,
            ),
            Evidence(
                time=seen.cleared,
                text=f"{seen.appeared} cleared, and what was in it is in {seen.into}",
                event=seen.shown,
            ),
        ]
        numbers: dict[str, Any] = {
            "seen_for_s": (seen.cleared - seen.entered) / SECOND,
            "appeared": f"section/{seen.appeared}",
            "into": f"section/{seen.into}",
        }
        affected = [
            f"section/{name}" for name in dict.fromkeys((place.id, *seen.suspects))
        ]
        if seen.vanished and seen.vanished_at is not None:
            when = clock(seen.vanished_at, place.zone, seen.entered)
            summary += (
                f"; it may be the train that was unaccounted for "
                f"when {seen.vanished} cleared at {when}"
            )
            evidence.insert(
                0,
                Evidence(
                    time=seen.vanished_at,
                    text=f"{seen.vanished} cleared with its train unaccounted for",
                ),
            )
            affected.append(f"section/{seen.vanished}")
            numbers["vanished"] = f"section/{seen.vanished}"
        if seen.doubted:
            numbers["line_file_doubted"] = True
        return Found(
            began=seen.entered,
            raised=seen.raised,
            priority="note" if seen.doubted else "urgent",
            summary=summary,
            evidence=tuple(evidence),
            suspects=self._suspects(seen, place),
            checks=look(
                "which trains have gone through since the section last showed one, "
                "by the signaller's and the train records",
                "the last reset of the section, and what was established before",
                "the heads of the section: levels, and a test wheel over each",
                also=(
                    (
                        "a machine put on the track within the section",
                        "who was on the track",
                    ),
                    (
                        "a change of the section that was lost on the way",
                        "the gateway's own record",
                    ),
                    (
                        "the line file joins sections otherwise than the track does",
                        "the scheme plan of the line",
                    ),
                ),
            ),
            parameters=numbers,
            affected=tuple(dict.fromkeys(affected)),
            lasting=True,
        )

    def _suspects(self, seen: TrainUnseen, place: Place) -> tuple[Suspect, ...]:
        if len(seen.suspects) == 1:
            return place.heads()
        weight = round(1 / len(seen.suspects), 2)
        return tuple(
            Suspect(asset=f"section/{name}", weight=weight) for name in seen.suspects
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return "Raised when something that nothing explains appears beyond it, moves on into a further section that it alone explains, and clears behind."

    def explain(self, memory: Seen, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        said = []
        if memory.worked_on:
            said.append("It is under work: nothing is raised.")
        if memory.held is not None:
            when = clock(memory.held, place.zone, at)
            said.append(
                f"A train that was not shown came out at {when}; "
                "it was not raised: it was under work."
            )
        if memory.last is not None:
            when = clock(memory.last, place.zone, at)
            said.append(f"A train that was not shown came out at {when}.")
        return tuple(said) or (
            f"No train is known to have come out of {place.id} that it had not shown.",
        )
