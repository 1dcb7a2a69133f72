"""What changed, told to pages once in a while and not once an event: the state of each section that changed, and what to ask for again.

It follows the stream of the API like any reader of it, and tells its own; so a page that is as fast as one look at the line is never behind.
The first change after a rest is told at once; then changes are gathered, and for longer where this machine is so busy that it is late itself.
A tick comes at least once a second, also when nothing changed: a page that gets none for three seconds says that it no longer hears the monitor.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from monitor.core.layout import Line
from monitor.core.moments import parse
from monitor.desk.model import Desk, FaultOut, NotThere, SectionOut
from monitor.desk.pages.looks import SectionLook, look
from monitor.desk.stream import Stream

TICK_S = 0.2
"""Changes are gathered for so long: five times a second is as often as a line is looked at."""

BEAT_S = 1.0
"""After so long a tick comes in any case."""

LATE = 1.0
"""So many times as late as it was itself it gathers longer: what is told more often than it can be shown waits somewhere."""

KEPT = 480
"""Ticks and lists kept for a page that was cut off: a minute of a storm."""

LISTS = frozenset({"alert", "fault", "call", "act", "entry", "position"})
"""What may change the lists of a page."""


@dataclass(slots=True)
class Ticks:
    """Tells pages what changed.

    Args:
        desk: that is asked how things stand.
        line: the line file.
        stream: of the API.
        caption: what a show says about what one sees, or "".
        beside: the lists that are told with a tick: to whom, and what.

    Attributes:
        ticks: what pages follow.
        version: goes up whenever lists may have changed: as `changes` was when it was told.
    """

    desk: Desk
    line: Line
    stream: Stream
    caption: Callable[[], str] = str
    beside: Callable[[], Awaitable[Iterable[tuple[str, Any]]]] = field(
        default_factory=lambda: _nothing
    )
    ticks: Stream = field(default_factory=lambda: Stream(kept=KEPT, beat_s=10.0))
    version: int = 0
    _sections: dict[str, SectionOut | None] = field(default_factory=dict)
    _faults: set[str] | None = field(default_factory=set)
    _everything: bool = True
    _woken: asyncio.Event = field(default_factory=asyncio.Event)
    _known: dict[str, SectionLook] = field(default_factory=dict)

    def changes(self) -> int:
        """Goes up at once whenever lists may have changed; `version` follows when it is told."""
        return sum(self.stream.told[kind] for kind in LISTS)

    async def looks(self) -> dict[str, SectionLook]:
        """How every section looks now."""
        if self._everything or not self._known:
            known = await self._looks_of(await self.desk.sections(None))
            self._known = {**known}
            return known
        # What has changed and was not told to pages yet.
        self._known |= await self._changed(self._sections)
        return {**self._known}

    async def _looks_of(self, sections: Iterable[SectionOut]) -> dict[str, SectionLook]:
        sections = list(sections)
        now = parse((await self.desk.status()).now)
        faults = await self._faults_of(sections)
        return {one.id: look(one, faults, self.line, now) for one in sections}

    async def _faults_of(self, sections: Iterable[SectionOut]) -> dict[str, FaultOut]:
        """The faults that lie at *sections*, by id."""
        names = dict.fromkeys(name for one in sections for name in one.faults)
        found = {}
        for name in names:
            with suppress(NotThere):
                found[name] = await self.desk.fault(name)
        return {name: one for name, one in found.items() if one.is_open}

    async def follow(self) -> None:
        """Hear what the API tells, until its stream is closed."""
        async for text in self.stream.read(None):
            for one in filter(None, text.split("\n\n")):
                told = dict(row.partition(": ")[::2] for row in one.split("\n"))
                self._take(told.get("event", ""), told.get("data", "{}"))

    def _take(self, kind: str, text: str) -> None:
        if kind == "section":
            one = SectionOut.model_validate_json(text)
            self._sections[one.id] = one
        elif kind in LISTS:
            values = json.loads(text)
            self._about(kind, values)
            # What people do may close what colours a section.
            self._everything = self._everything or kind == "act"
            if kind == "fault":
                # What was told of them before does not know of this fault.
                self._sections |= dict.fromkeys(_sections_of(values))
        elif kind == "gone":
            self._faults = None
            self._everything = True
        else:
            return
        self._woken.set()

    def _about(self, kind: str, values: dict[str, Any]) -> None:
        """Note which fault a change is about; what people do may be about any."""
        name = values["id"] if kind == "fault" else values.get("fault")
        if kind in {"act", "entry", "position"}:
            self._faults = None
        elif self._faults is not None and name is not None:
            self._faults.add(name)

    async def tell(self) -> None:
        """Tell pages what changed, for ever."""
        gap_s = TICK_S
        loop = asyncio.get_running_loop()
        while True:
            begun = loop.time()
            await asyncio.sleep(gap_s)
            late_s = max(0.0, loop.time() - begun - gap_s)
            gap_s = min(BEAT_S, TICK_S + LATE * late_s)
            with suppress(TimeoutError):
                async with asyncio.timeout_at(begun + BEAT_S):
                    await self._woken.wait()
            self._woken.clear()
            await self.tell_once()

    async def tell_once(self) -> None:
        """Tell pages what changed since it was told last, or that nothing did."""
        told, self._sections = self._sections, {}
        faults, self._faults = self._faults, set()
        whole, self._everything = self._everything, False
        self.version = self.changes()
        if whole:
            self._known = {}
            looks = await self.looks()
        else:
            looks = await self._changed(told)
            self._known |= looks if self._known else {}
        sections = {name: one.plain() for name, one in looks.items()}
        about = None if faults is None else sorted(faults)
        beside = await self.beside()
        tick = await self._tick(sections, about)
        # One after the other and nothing between: a page takes them together, and makes one frame of them.
        for position, lists in beside:
            news = {"position": position, "lists": lists}
            self.ticks.put("lists", news, to=position)
        self.ticks.put("tick", tick)

    async def _changed(
        self, told: dict[str, SectionOut | None]
    ) -> dict[str, SectionLook]:
        """How those look that changed; all are asked for only where something else than a section did."""
        if not told:
            return {}
        asked = [name for name, one in told.items() if one is None]
        anew = await self.desk.some_sections(asked) if asked else []
        return await self._looks_of(
            [*anew, *(one for one in told.values() if one is not None)]
        )

    async def _tick(
        self, sections: dict[str, Any], faults: list[str] | None
    ) -> dict[str, Any]:
        status = await self.desk.status()
        return {
            "now": status.now,
            "silent_s": status.silent_s,
            "connected": status.connected,
            "not_known": status.not_known,
            "version": self.version,
            "faults": faults,
            "caption": self.caption(),
            "sections": sections,
        }


async def _nothing() -> Iterable[tuple[str, Any]]:
    return ()


def _sections_of(fault: dict[str, Any]) -> set[str]:
    return {
        name
        for kind, _, name in (one.partition("/") for one in fault["subjects"])
        if kind == "section"
    }
