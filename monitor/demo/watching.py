"""The monitor of the demo, a process of its own: `python -m monitor.demo.watching FOLDER BROKER DESK_PORT METRICS_PORT`.

It is the daemon as it always runs, with a rehearsal's settings.
What it says on its standard output is a JSON object a line: where it answers, alert lines that are new, what stands.
What it reads from its standard input, a line each, is what the show says about what one sees: that stands on the pages.
When its input ends, whoever started it has gone, and it stops.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor import logs
from monitor.core.alerts import Alert, line as alert_line
from monitor.core.layout import Line, read_line
from monitor.core.moments import stamp
from monitor.daemon import Daemon, DaemonFault
from monitor.demo.example import example_line
from monitor.settings import Settings, read

GLANCE_S = 0.2
"""How often what stands is looked at, in seconds."""

NAME = "demo"


def settings_in(
    folder: Path, url: str, desk_port: int = 0, metrics_port: int = 0
) -> Settings:
    """The settings of the demo's monitor, with everything that it writes in *folder*.

    It has a name at the broker, which keeps for it what comes while it is away.
    """
    names = ("journal", "alerts", "history")
    return read(
        None,
        monitor=NAME,
        broker={"url": url, "protocol": "3.1.1", "username": NAME},
        files={name: folder / f"{name}.sqlite" for name in names},
        metrics={"host": "127.0.0.1", "port": metrics_port},
        desk={
            "host": "127.0.0.1",
            "port": desk_port,
            "people_file": folder / "people.json",
            "unnamed": "act",
        },
        log={"level": "error"},
    )


def say(what: str, values: Any) -> None:
    """Tell whoever started this process."""
    sys.stdout.write(f"{json.dumps({what: values})}\n")
    sys.stdout.flush()


@dataclass(slots=True)
class Said:
    """What the show says about what one sees."""

    text: str = ""

    def __call__(self) -> str:
        """The last of it."""
        return self.text


async def watch(settings: Settings) -> None:
    """Run the monitor until the standard input ends.

    Raises:
        DaemonFault: it cannot go on.
    """
    text = example_line()
    line, said = read_line(text), Said()
    daemon = Daemon(
        line, text, settings, rehearsal=True, tell=_tell_alert, caption=said
    )
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, daemon.stop)
    async with asyncio.TaskGroup() as group:
        watching = group.create_task(daemon.run(), name="monitor")
        ready = group.create_task(daemon.ready.wait(), name="ready")
        await asyncio.wait([watching, ready], return_when=asyncio.FIRST_COMPLETED)
        ready.cancel()
        if not watching.done():
            say("ready", {"desk": daemon.desk_at, "metrics": daemon.metrics_at})
            others = [
                group.create_task(_hear(said, daemon), name="hear"),
                group.create_task(_glance(daemon, line), name="glance"),
            ]
            await asyncio.wait([watching])
            for one in others:
                one.cancel()


def _tell_alert(alert: Alert) -> None:
    say("alert", alert_line(alert))


async def _hear(said: Said, daemon: Daemon) -> None:
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(reader), sys.stdin
    )
    while told := await reader.readline():
        said.text = told.decode().strip()
    daemon.stop()


async def _glance(daemon: Daemon, line: Line) -> None:
    last = None
    while True:
        await asyncio.sleep(GLANCE_S)
        engine = daemon.engine
        if engine.now is None:
            continue
        waiting, unknown = sorted(engine.resets_waiting()), sorted(engine.not_known())
        if (waiting, unknown) != last:
            last = (waiting, unknown)
            say(
                "stands",
                {
                    "now": stamp(engine.now),
                    "waiting": waiting,
                    "unknown": unknown,
                    "of": len(line.sections),
                },
            )


def main(folder: str, url: str, desk_port: str, metrics_port: str) -> int:
    """Watch; gives what the process ends with."""
    logs.set_up("error")
    settings = settings_in(Path(folder), url, int(desk_port), int(metrics_port))
    ended = 0
    try:
        asyncio.run(watch(settings))
    except* DaemonFault as faults:
        sys.stderr.write(f"{faults.exceptions[0]}\n")
        ended = 1
    return ended


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:]))
