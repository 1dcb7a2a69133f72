"""Positions as the desk asks them: who has each, taking and handing over, and the sheet that goes with it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from typing import Protocol, TypeVar

from monitor import acts, lookback
from monitor.core.engine import Engine
from monitor.core.moments import Moment, stamp
from monitor.desk.model import DeskIn, NotThere, PositionOut, Refused, Who
from monitor.handling import Handling, Refused as NotTaken
from monitor.handover import Sheet, make, subjects_of
from monitor.history import History
from monitor.journal import Entry, Journal
from monitor.load import Raised
from monitor.shifts import DeskAct, Desks, Rota, Shift

T = TypeVar("T")


class InThread(Protocol):
    """Does work in the one thread that reads and writes files."""

    def __call__(self, work: Callable[..., T], /, *values: object) -> Awaitable[T]:
        """What *work* gives for *values*."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lately:
    """What was asked of people lately, as far as it is remembered.

    Args:
        calls: that were not kept quiet, each with the subject of its alert.
        alerts: as far as load goes by them.
        known_since: from when on both hold everything; None: as long as the journal.
    """

    calls: tuple[tuple[Moment, str], ...] = ()
    alerts: tuple[Raised, ...] = ()
    known_since: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What the sheet of a position is made of.

    Args:
        engine: as it is now.
        handling: what people did.
        journal: of the monitor's own records; touched in the thread of the files alone.
        history: the facts; likewise.
        on_disk: does work in that thread.
        now: the clock.
        wrong: why the monitor cannot do its work now.
    """

    engine: Callable[[], Engine]
    handling: Handling
    journal: Journal
    history: History
    on_disk: InThread
    now: Callable[[], Moment]
    wrong: Callable[[], Iterable[str]]


class Positions:
    """The desks of the positions that are set up.

    Args:
        desks: as they stand.
        rota: when shifts begin.
        around: of what sheets are made.
    """

    def __init__(self, desks: Desks, rota: Rota, around: Around) -> None:
        self._desks = desks
        self._rota = rota
        self._around = around

    def positions(self) -> list[PositionOut]:
        """The desks, and who has each."""
        return [
            PositionOut(
                name=desk.position.name,
                areas=list(desk.position.areas),
                has_it=desk.has_it,
                since=None if desk.since is None else stamp(desk.since),
            )
            for desk in self._desks.desks()
        ]

    def shift(self, now: Moment) -> Shift:
        """The shift that goes on."""
        return self._rota.of(now)

    async def handover(self, position: str, lately: Lately) -> Sheet:
        """The sheet of a position as it would be now.

        Raises:
            NotThere: there is no such position.
        """
        if all(one.position.name != position for one in self._desks.desks()):
            raise NotThere(f"there is no position {position}")
        around = self._around
        engine, now = around.engine(), around.now()
        desk = self._desks.desk(position)
        subjects = subjects_of(engine, desk.position)
        wanted = lookback.Wanted(
            rota=self._rota,
            now=now,
            subjects=subjects,
            waiting=tuple(
                name
                for name in engine.resets_waiting()
                if f"section/{name}" in subjects
            ),
            calls=tuple(at for at, subject in lately.calls if subject in subjects),
            alerts=lately.alerts,
            known_since=lately.known_since,
            wrong=tuple(around.wrong()),
        )
        read = await around.on_disk(
            lookback.read, around.journal, around.history, wanted
        )
        # Somebody may have taken the desk while that was read.
        desk = self._desks.desk(position)
        shift = self._rota.of(now)
        return make(engine, around.handling, desk, shift, now=now, read=read)

    def act(self, who: Who, given: DeskIn, now: Moment, identity: str) -> Entry:
        """Take or hand over a desk, leave a note or close one; gives what is to be journaled.

        Raises:
            Refused: it cannot be done; nothing has changed.
        """
        act = DeskAct(
            id=identity,
            at=now,
            entered=now,
            by=who.name,
            position=given.position,
            what=given.what,
            to=given.to or "",
            text=given.text,
            note=given.note or "",
        )
        try:
            self._desks.take(act)
        except NotTaken as refused:
            raise Refused(str(refused)) from None
        return acts.entry(act)
