"""Positions as the desk asks them: who has each, taking and handing over, and the sheet that goes with it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor import acts
from monitor.core.moments import Moment, stamp
from monitor.desk.model import DeskIn, NotThere, PositionOut, Refused, Who
from monitor.handling import Refused as NotTaken
from monitor.journal import Entry
from monitor.shifts import DeskAct, Desks


class Positions:
    """The desks of the positions that are set up.

    Args:
        desks: as they stand.
        sheet: makes the handover sheet of a position; None: there is none.
    """

    def __init__(self, desks: Desks, sheet: Callable[[str], Any] | None = None) -> None:
        self._desks = desks
        self._sheet = sheet

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

    def handover(self, position: str) -> Any:
        """The sheet of a position as it would be now.

        Raises:
            NotThere: there is no such position, or no sheet.
        """
        known = any(one.position.name == position for one in self._desks.desks())
        if not known or self._sheet is None:
            raise NotThere(f"there is no sheet of a position {position}")
        return self._sheet(position)

    def act(self, who: Who, given: DeskIn, now: Moment, identity: str) -> Entry:
        """Take or hand over a desk; gives what is to be journaled.

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
        )
        try:
            self._desks.take(act)
        except NotTaken as refused:
            raise Refused(str(refused)) from None
        return acts.entry(act)
