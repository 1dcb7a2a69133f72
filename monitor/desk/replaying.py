"""Windows of the journal as the replay page shows them, each made in a process of its own, one at a time.

Going through a day again takes seconds, and more on a long line; what comes in must not wait for that.
What was made last is kept, since a page asks for its parts and its diagram one after the other.
"""

from __future__ import annotations

import asyncio
import json
from collections import OrderedDict
from pathlib import Path

from monitor.desk.aside import ask_aside
from monitor.desk.model import NotThere, Refused
from monitor.desk.windows import Made, Window

WITHIN_S = 180.0
"""After so long it is given up."""

TRIED = "replay.tried"
"""Makes a window beside what other settings would have concluded."""

MOST = 6
"""So many questions may wait for one another; a page asks twice."""

KEPT = 3
"""Windows that are kept."""


class Replaying:
    """Makes windows of a journal.

    Args:
        journal: where it is; None: there is none to look at.
        alerts: where the store is, for what was delivered.
    """

    def __init__(self, journal: Path | None, alerts: Path | None = None) -> None:
        self._journal = journal
        self._alerts = alerts
        self._one = asyncio.Lock()
        self._waiting = 0
        self._kept: OrderedDict[Window, Made] = OrderedDict()

    async def made(self, window: Window) -> Made:
        """The window, out of what is kept or made anew.

        Raises:
            NotThere: there is nothing to make it from.
            Refused: it cannot be made; the text says why.
        """
        if not window.begin < window.end:
            raise Refused("a window ends after it begins")
        if self._journal is None:
            raise NotThere("there is no journal to look back into")
        if self._waiting >= MOST:
            raise Refused("others are asking already; ask again in a minute")
        self._waiting += 1
        try:
            return await self._in_turn(self._journal, window)
        finally:
            self._waiting -= 1

    async def _in_turn(self, journal: Path, window: Window) -> Made:
        async with self._one:
            if window not in self._kept:
                self._kept[window] = await self._make(journal, window)
                if len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return self._kept[window]

    async def _make(self, journal: Path, window: Window) -> Made:
        given = [str(journal), str(window.begin), str(window.end)]
        if window.section:
            given.append(f"--section={window.section}")
        if window.at is not None:
            given.append(f"--at={window.at}")
        if self._alerts is not None:
            given.append(f"--alerts={self._alerts}")
        if window.settings:
            given.append(f"--settings={window.settings}")
        program = TRIED if window.settings else "monitor.incident"
        out = await ask_aside(program, *given, within_s=WITHIN_S)
        head, _, packed = out.partition(b"\n")
        return Made(packed=packed, **json.loads(head))
