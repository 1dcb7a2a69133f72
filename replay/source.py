"""What a replay takes its events from: a recording, or a window of the journal.

Either says what was asked for, gives what is concluded, and can be read again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Protocol

from monitor.acts import acts
from monitor.core.engine import Detection, Engine, Output
from monitor.core.events import AnyEvent
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.handling import Act
from monitor.incident.pieces import Events, Piece
from monitor.incident.report import kept_about, pieces_of
from monitor.incident.told import Deliveries, delivered
from monitor.past import Past, Through
from monitor.shifts import DeskAct
from monitor.shown import Shown, shown_in
from replay.player import Survey, replay, span_of, up_to, with_entries


@dataclass(frozen=True, slots=True)
class Tried:
    """Something was given instead of what was in force.

    Args:
        was: the same window by what was in force.
        by: what was given, in words.
        store: where the store of the monitor is, for what it said live.
    """

    was: Source
    by: str
    store: Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """One going through, by what was in force.

    Args:
        events: gives what was gone through.
        line: the line file.
        detection: every number besides.
    """

    events: Callable[[], Iterable[AnyEvent]]
    line: Line
    detection: Detection


class Source(Protocol):
    """What a replay takes its events from.

    Attributes:
        line: the line file.
        detection: every number besides.
        asked: what was asked for.
        entries: what people entered besides.
        events: how many were taken.
        rejected: how many lines are no events.
        spell: the number of the going through at which `outputs` is.
        tried: what was given instead of what was in force, or None.
    """

    line: Line
    detection: Detection
    asked: Survey
    entries: Sequence[AnyEvent]
    events: int

    @property
    def rejected(self) -> int: ...  # noqa: D102 - an attribute

    @property
    def spell(self) -> int: ...  # noqa: D102 - an attribute

    @property
    def tried(self) -> Tried | None: ...  # noqa: D102 - an attribute

    def outputs(self, until: Moment | None) -> Iterator[Output]:
        """What is concluded, looking no further than *until*."""

    def again(self, until: Moment | None) -> Iterator[AnyEvent]:
        """The events once more."""

    def spells(self, until: Moment | None) -> tuple[Spell, ...]:
        """By what it was concluded: `outputs` is at that of number `spell`."""

    def span(self) -> tuple[Moment, Moment] | None:
        """When the first and the last of them came."""

    def pieces(
        self, until: Moment | None, through: Through = iter
    ) -> tuple[Piece, ...]:
        """It by what was in force, to be gone through again; *through* is handed the events on their way."""

    def shown(self) -> list[Shown] | None:
        """What pages have shown; None where that is not at hand."""

    def areas(self) -> dict[str, tuple[str, ...]]:
        """The areas that each desk looked after, as far as is at hand."""

    def sent(self) -> Deliveries:
        """What was delivered, where that is at hand."""

    def acts(self) -> list[Act | DeskAct] | None:
        """What people did; None where that is not at hand."""

    def said(self) -> list[str]:
        """What was in force, in sentences."""


class _Counting:
    """Counts events as they are taken, and looks no further than asked."""

    def __init__(self) -> None:
        self.entries: Sequence[AnyEvent] = ()
        self.events = 0

    def _taken(
        self, events: Iterable[AnyEvent], until: Moment | None
    ) -> Iterator[AnyEvent]:
        found = with_entries(self._counted(events), self.entries)
        return found if until is None else up_to(found, until)

    def _counted(self, events: Iterable[AnyEvent]) -> Iterator[AnyEvent]:
        for event in events:
            self.events += 1
            yield event


class Recorded(_Counting):
    """A recording.

    Args:
        line: the line file.
        detection: every number besides.
        asked: what the first reading found.
        read: its events.
        again: its events once more.
        rejected: how many lines were none.
    """

    def __init__(
        self,
        line: Line,
        detection: Detection,
        asked: Survey,
        *,
        read: Callable[[], Iterator[AnyEvent]],
        again: Callable[[], Iterator[AnyEvent]],
        rejected: Callable[[], int] = lambda: 0,
    ) -> None:
        super().__init__()
        self.line, self.detection, self.asked = line, detection, asked
        self._read, self._again, self._rejected = read, again, rejected

    tried = None
    spell = 0

    @property
    def rejected(self) -> int:
        """How many lines are no events."""
        return self._rejected()

    def outputs(self, until: Moment | None) -> Iterator[Output]:
        """What is concluded."""
        taken = self._taken(self._read(), until)
        yield from replay(self.engine(), taken, until=until)

    def engine(self) -> Engine:
        """An engine that has been told nothing yet but what was learnt."""
        return Engine(self.line, self.detection, learnt=self.asked.learnt)

    def pieces(
        self, until: Moment | None, through: Through = iter
    ) -> tuple[Piece, ...]:
        """One: nothing changes in a recording."""
        return (Piece(events=lambda: through(self.again(until)), engine=self.engine),)

    def shown(self) -> None:
        """A recording does not carry what pages have shown."""

    def areas(self) -> dict[str, tuple[str, ...]]:
        """A recording does not carry how desks were set up."""
        return {}

    def sent(self) -> Deliveries:
        """A recording does not carry what was delivered."""
        return Deliveries()

    def acts(self) -> None:
        """A recording does not carry what people did."""

    def said(self) -> list[str]:
        """A recording does not carry what was in force."""
        return []

    def again(self, until: Moment | None) -> Iterator[AnyEvent]:
        """The events once more."""
        found = with_entries(self._again(), self.entries)
        return found if until is None else up_to(found, until)

    def spells(self, until: Moment | None) -> tuple[Spell, ...]:
        """One: nothing changes in a recording."""
        return (
            Spell(
                events=lambda: self.again(until),
                line=self.line,
                detection=self.detection,
            ),
        )

    def span(self) -> tuple[Moment, Moment] | None:
        """When the first and the last of them came."""
        return span_of(self._again())


class Journaled(_Counting):
    """A window of the journal, with its lead-in.

    Args:
        past: the window.
        shown: is handed the events on their way.
        store: where the store of the monitor is, for what was delivered.
        by: what was given instead of what was in force, in words.
    """

    rejected = 0

    def __init__(
        self,
        past: Past,
        shown: Callable[[Iterator[AnyEvent]], Iterator[AnyEvent]] = lambda events: (
            events
        ),
        store: Path | None = None,
        by: str = "what was given",
    ) -> None:
        super().__init__()
        self._past, self._shown, self._store = past, shown, store
        self._by = by
        last = past.runs[-1]
        self.line, self.detection = last.line, last.detection
        self.asked = Survey(learnt=(), window=(past.begin, past.end))

    @property
    def spell(self) -> int:
        """The number of the going through at which `outputs` is."""
        return self._past.run

    @property
    def tried(self) -> Tried | None:
        """What was given instead of what was in force, where the journal says what that was."""
        was = self._past.as_it_was()
        if was is None:
            return None
        source = Journaled(was, self._shown, self._store)
        source.entries = self.entries
        return Tried(source, self._by, self._store)

    def outputs(self, until: Moment | None) -> Iterator[Output]:
        """What is concluded."""
        return self._past.outputs(
            until, lambda events: self._taken(self._shown(iter(events)), until)
        )

    def pieces(
        self, until: Moment | None, through: Through = iter
    ) -> tuple[Piece, ...]:
        """A part for each time that something else came into force."""

        def taken(events: Events) -> Events:
            def read() -> Iterator[AnyEvent]:
                found = with_entries(events(), self.entries)
                return iter(through(found if until is None else up_to(found, until)))

            return read

        return tuple(
            replace(one, events=taken(one.events)) for one in pieces_of(self._past)
        )

    def shown(self) -> list[Shown]:
        """What pages have shown."""
        return list(shown_in(kept_about(self._past)))

    def areas(self) -> dict[str, tuple[str, ...]]:
        """The areas that each desk looked after."""
        return self._past.areas

    def sent(self) -> Deliveries:
        """What was delivered."""
        return delivered(self._store, played=self._past.journal.played)

    def acts(self) -> list[Act | DeskAct]:
        """What people did."""
        return list(acts(kept_about(self._past)))

    def said(self) -> list[str]:
        """What was in force, in sentences."""
        return self._past.said(version("tallywatch"))

    def again(self, until: Moment | None) -> Iterator[AnyEvent]:
        """The events once more, as the last run had them."""
        found = with_entries(self._past.events(self._past.runs[-1]), self.entries)
        return found if until is None else up_to(found, until)

    def spells(self, until: Moment | None) -> tuple[Spell, ...]:
        """One for each time that something else came into force."""
        return tuple(
            Spell(events=piece.events, line=run.line, detection=run.detection)
            for run, piece in zip(self._past.runs, self.pieces(until), strict=True)
        )

    def span(self) -> tuple[Moment, Moment] | None:
        """When the first and the last of them came."""
        return span_of(self._past.events(self._past.runs[-1]))
