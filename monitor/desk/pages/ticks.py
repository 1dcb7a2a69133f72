"""What changed, told to pages once in a while and not once an event: the state of each section that changed, and what to ask for again.

It follows the stream of the API like any reader of it, and tells its own; so a page that is as fast as one look at the line is never behind.
A tick comes at least once a second, also when nothing changed: a page that gets none for three seconds says that it no longer hears the monitor.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any

from monitor.core.layout import Line
from monitor.core.moments import parse
from monitor.desk.model import Desk
from monitor.desk.pages.looks import SectionLook, look
from monitor.desk.stream import Stream

TICK_S = 0.1
"""Changes are gathered for so long."""

BEAT_S = 1.0
"""After so long a tick comes in any case."""

KEPT = 600
"""Ticks kept for a page that was cut off: a minute of a storm."""

LISTS = frozenset({"alert", "fault", "call", "act", "entry", "position"})
"""What may change the lists of a page."""


@dataclass(slots=True)
class Ticks:
    """Tells pages what changed.

    Args:
        desk: that is asked how things stand.
        line: the line file.
        stream: of the API.

    Attributes:
        ticks: what pages follow.
        version: goes up whenever lists may have changed.
    """

    desk: Desk
    line: Line
    stream: Stream
    ticks: Stream = field(default_factory=lambda: Stream(kept=KEPT, beat_s=10.0))
    version: int = 0
    _sections: set[str] = field(default_factory=set)
    _faults: dict[str, None] = field(default_factory=dict)
    _everything: bool = True

    async def looks(self) -> dict[str, SectionLook]:
        """How every section looks now."""
        status = await self.desk.status()
        faults = {one.id: one for one in await self.desk.faults(is_open=True)}
        now = parse(status.now)
        return {
            one.id: look(one, faults, self.line, now)
            for one in await self.desk.sections(None)
        }

    async def follow(self) -> None:
        """Hear what the API tells, until its stream is closed."""
        async for text in self.stream.read(None):
            for one in filter(None, text.split("\n\n")):
                told = dict(row.partition(": ")[::2] for row in one.split("\n"))
                self._take(told.get("event", ""), told.get("data", "{}"))

    def _take(self, kind: str, text: str) -> None:
        if kind == "section":
            self._sections.add(str(json.loads(text)["id"]))
        elif kind in LISTS:
            self.version += 1
            # What people do may close what colours a section.
            self._everything = self._everything or kind == "act"
            if kind == "fault":
                fault = json.loads(text)
                self._faults[fault["id"]] = None
                self._sections.update(_sections_of(fault))
        elif kind == "gone":
            self.version += 1
            self._everything = True

    async def tell(self) -> None:
        """Tell pages what changed, for ever."""
        version, waited = -1, BEAT_S
        while True:
            await asyncio.sleep(TICK_S)
            waited += TICK_S
            changed = self._sections or self._everything or self.version != version
            if not changed and waited < BEAT_S:
                continue
            names, self._sections = self._sections, set()
            whole, self._everything = self._everything, False
            faults, self._faults = list(self._faults), {}
            version, waited = self.version, 0.0
            sections = await self._changed(None if whole else names)
            self.ticks.put("tick", await self._tick(sections, faults))

    async def _changed(self, names: set[str] | None) -> dict[str, Any]:
        if names is not None and not names:
            return {}
        looks = await self.looks()
        return {
            name: one.plain()
            for name, one in looks.items()
            if names is None or name in names
        }

    async def _tick(
        self, sections: dict[str, Any], faults: list[str]
    ) -> dict[str, Any]:
        status = await self.desk.status()
        return {
            "now": status.now,
            "silent_s": status.silent_s,
            "connected": status.connected,
            "not_known": status.not_known,
            "version": self.version,
            "faults": faults,
            "sections": sections,
        }

    def read(self, last: str | None) -> AsyncIterator[str]:
        """The ticks after *last*, as they come."""
        return self.ticks.read(last)


def _sections_of(fault: dict[str, Any]) -> set[str]:
    return {
        name
        for kind, _, name in (one.partition("/") for one in fault["subjects"])
        if kind == "section"
    }
