"""The monitor's process as the show sees it: started, heard, told what one sees, killed, and started again."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

LONGEST = 1 << 20
"""Bytes of a line that it says."""


LOOK_S = 0.2
"""So often it is looked whether it has ended instead of listening."""

GRACE_S = 8.0
"""So long it may take to end."""


class MonitorFault(Exception):
    """The monitor's process cannot be started; the text says why, in one line."""


@dataclass(slots=True)
class Monitoring:
    """The monitor in a process of its own.

    Args:
        folder: for all that it writes.
        url: of the broker.
        hear: is given what it says, by what it is about.

    Attributes:
        desk: where people are answered, once they are.
        metrics: where the metrics are.
    """

    folder: Path
    url: str
    hear: Callable[[str, Any], None] = lambda _what, _told: None
    desk: str = ""
    metrics: str = ""
    _process: Process | None = None
    _said: str = ""
    _ready: asyncio.Event = field(default_factory=asyncio.Event)

    async def start(self) -> None:
        """Start it, at the ports that it had before; `run` hears it."""
        ports = [
            at.split(":")[2].split("/")[0] for at in (self.desk, self.metrics) if at
        ]
        self._ready.clear()
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "monitor.demo.watching",
            str(self.folder),
            self.url,
            *(ports or ["0", "0"]),
            stdin=PIPE,
            stdout=PIPE,
            limit=LONGEST,
            # Ctrl-C is for the show, which lets it end in good order.
            start_new_session=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )

    async def run(self) -> int:
        """Hear it until it ends; gives what it ended with."""
        process = self._running()
        if process.stdout is None:
            raise MonitorFault("the monitor's process says nothing")
        while told := await process.stdout.readline():
            with suppress(ValueError):  # cut off by its end
                for what, values in json.loads(told).items():
                    self._take(what, values)
        return await process.wait()

    def _take(self, what: str, values: Any) -> None:
        if what == "ready":
            self.desk, self.metrics = values["desk"], values["metrics"]
            self._ready.set()
            self.show(self._said)
        else:
            self.hear(what, values)

    async def ready(self) -> None:
        """Wait until it listens to the broker and answers people.

        Raises:
            MonitorFault: it has ended instead.
        """
        process = self._running()
        while not self._ready.is_set():
            if process.returncode is not None:
                raise MonitorFault("the monitor's process could not be started")
            with suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await self._ready.wait()

    def show(self, text: str) -> None:
        """Put on its pages what one sees."""
        self._said = text
        process = self._process
        if process is None or process.stdin is None or not self._ready.is_set():
            return
        with suppress(OSError):
            process.stdin.write(f"{text}\n".encode())

    def kill(self) -> None:
        """End it at once, by a signal that it cannot hear (kill -9)."""
        self._ready.clear()
        with suppress(ProcessLookupError):
            self._running().kill()

    async def end(self) -> None:
        """Let it end in good order: its input ends."""
        process = self._process
        if process is None:
            return
        if process.stdin is not None:
            process.stdin.close()
        try:
            async with asyncio.timeout(GRACE_S):
                await process.wait()
        except TimeoutError:
            self.kill()
            await process.wait()

    def _running(self) -> Process:
        if self._process is None:
            raise MonitorFault("the monitor's process was not started")
        return self._process
