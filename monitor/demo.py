"""Everything on one machine: a broker, an invented line with trains, the monitor, and what it finds, told in sentences.

Nothing here decides anything.
The tour of the simulator chooses what to break and when; every finding is the detections' own, made from what came over the broker, and the last act replays the journal to show that it comes out the same.

All of it runs in one process on the loopback address and leaves nothing behind.
It runs as a rehearsal, twenty times as fast as the railway.
"""

from __future__ import annotations

import asyncio
import signal
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path

import aiomqtt
from rich.console import Console
from rich.text import Text

from monitor import logs
from monitor.core.alerts import Alert, line as alert_line
from monitor.core.engine import Engine
from monitor.core.layout import Line, read_line
from monitor.core.moments import MINUTE, Moment
from monitor.core.words import CAUTION, clock, names, span
from monitor.daemon import Daemon
from monitor.feed.embedded import embedded_broker
from monitor.journal import Journal
from monitor.settings import Settings, read, read_url
from replay import player
from replay.simulator.scenarios import NIGHT, tour

SPEED = 20.0
"""How many times as fast as the railway."""

GLANCE_S = 0.2
"""How often what stands is looked at, in seconds."""

REPLAY_AT = NIGHT + 17 * MINUTE
"""When the night so far is replayed from the record."""

CAPTIONS = (
    (0, "Each section says only: clear, or not. From that the monitor concludes."),
    (3, "Four failures, one cause, one call."),
    (5, "A reset is a promise. Only a train keeps it."),
    (9, "It shows clear. A train went in, and no neighbour took it."),
    (14, "A gateway falls silent. What it cannot see it does not judge."),
    (18, "Now it runs on by itself: something breaks every two to four minutes."),
)
"""What one sees, by minutes of railway time from the beginning."""

STYLES = {"urgent": "bold red", "prompt": "bold yellow", "planned": "cyan"}


def example_line() -> str:
    """The text of the invented line."""
    return (files("replay.simulator") / "line.toml").read_text(encoding="utf-8")


@dataclass(slots=True)
class Teller:
    """Says on the terminal what happens, in the railway's time.

    Args:
        console: where.
        line: the line file.
        captions: say also what one sees.
    """

    console: Console
    line: Line
    captions: bool
    waiting: set[str] = field(default_factory=set)
    unknown: set[str] = field(default_factory=set)
    known_once: bool = False
    lines: list[str] = field(default_factory=list)
    lost: dict[str, Moment] = field(default_factory=dict)

    def say(self, at: Moment, text: str, style: str = "") -> None:
        """One sentence at one moment."""
        shown = Text(f"{clock(at, self.line.zone)}  ", style="dim")
        shown.append(text, style=style)
        self.console.print(shown)

    def caption(self, text: str) -> None:
        """What one sees."""
        if self.captions:
            self.console.print(Text(f"          {text}", style="italic"))

    def alert(self, alert: Alert) -> None:
        """An alert was raised, has changed, or is over."""
        self.lines.append(alert_line(alert))
        if alert.ended is not None and alert.kind != "feed-gap":
            self.say(alert.ended, f"over: {alert.summary}", "dim")
            return
        if "quiet" in alert.parameters:
            return  # the sentence of its cause says it
        style = STYLES.get(alert.priority, "")
        self.say(alert.raised, f"{alert.priority}: {alert.summary}", style)
        self._warned(alert)

    def _warned(self, alert: Alert) -> None:
        """How long before a train came out it was said that one was lost."""
        if alert.kind == "vanished-train":
            self.lost[alert.subject] = alert.raised
        before = self.lost.get(str(alert.parameters.get("vanished")))
        if alert.kind == "unseen-train" and before is not None:
            warning = span(alert.began - before)
            self.caption(f"The train comes out. In railway time: {warning} of warning.")

    def stands(self, engine: Engine) -> None:
        """What stands now: resets that wait for a train, and what is not known."""
        if engine.now is None:
            return
        waiting, unknown = set(engine.resets_waiting()), set(engine.not_known())
        if waiting != self.waiting:
            self._resets(engine.now, waiting)
        self.known_once = self.known_once or not unknown
        if self.known_once and len(unknown) != len(self.unknown):
            self._unknown(engine.now, unknown)

    def _resets(self, now: Moment, waiting: set[str]) -> None:
        followed = self.waiting - waiting
        parts = [f"{names(sorted(followed))} followed by a train"] if followed else []
        left = names(sorted(waiting)) or "none"
        self.say(now, "; ".join([*parts, f"resets waiting for a train: {left}"]))
        self.waiting = waiting

    def _unknown(self, now: Moment, unknown: set[str]) -> None:
        total = len(self.line.sections)
        state = f"{len(unknown)} of {total} sections not known"
        self.say(now, state if unknown else f"all {total} sections known again")
        self.unknown = unknown


@dataclass(slots=True)
class Show:
    """One performance.

    Args:
        console: where it is told.
        captions: say also what one sees.
        seconds: stop by itself after so long; None plays on.
        seed: draws what breaks after the first minute.
    """

    console: Console
    captions: bool = True
    seconds: float | None = None
    seed: int = 1
    stopped: asyncio.Event = field(default_factory=asyncio.Event)

    async def run(self) -> None:
        """Until Ctrl-C, or for as long as asked for.

        Raises:
            EmbeddedFault, DaemonFault: it cannot be started.
        """
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self.stopped.set)
        try:
            with tempfile.TemporaryDirectory(prefix="tallywatch-") as folder:
                async with embedded_broker() as url:
                    await self._perform(Path(folder), url)
        finally:
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.remove_signal_handler(number)

    async def _perform(self, folder: Path, url: str) -> None:
        text = example_line()
        line = read_line(text)
        teller = Teller(self.console, line, self.captions)
        settings = _settings(folder, url)
        daemon = Daemon(line, text, settings, rehearsal=True, tell=teller.alert)
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(daemon.run(), name="monitor")
            await daemon.ready.wait()
            self._welcome(line, daemon)
            acts = [
                tasks.create_task(self._play(line, url), name="line"),
                tasks.create_task(self._tell(teller, daemon, settings), name="tell"),
            ]
            with suppress(TimeoutError):
                await asyncio.wait_for(self.stopped.wait(), self.seconds)
            for act in acts:
                act.cancel()
            daemon.stop()
        self.console.print("Stopped. Nothing was left behind.")

    def _welcome(self, line: Line, daemon: Daemon) -> None:
        self.console.print(
            f"{line.name}, invented. A rehearsal, {SPEED:g} times as fast. "
            f"Ctrl-C stops it."
        )
        self.console.print(f"Metrics: {daemon.metrics_at}")
        self.console.print(f"Open {daemon.desk_at}/ to watch it as the desk does.")
        self.console.print(f"API: {daemon.desk_at}/api/v1/openapi.json")
        self.console.print(Text(CAUTION, style="bold"))
        self.console.print()

    async def _play(self, line: Line, url: str) -> None:
        address = read_url(url)
        async with aiomqtt.Client(address.host, address.port) as client:

            async def publish(topic: str, payload: bytes) -> None:
                await client.publish(topic, payload, qos=1)

            scenario = tour(line, seed=self.seed)
            events = scenario.simulate(line, seed=self.seed).events
            await player.play(events, publish, line=line, name="demo", speed=SPEED)

    async def _tell(self, teller: Teller, daemon: Daemon, settings: Settings) -> None:
        left = list(CAPTIONS)
        replayed = False
        while True:
            await asyncio.sleep(GLANCE_S)
            now = daemon.engine.now
            if now is None:
                continue
            while left and now >= NIGHT + left[0][0] * MINUTE:
                teller.caption(left.pop(0)[1])
            teller.stands(daemon.engine)
            if now >= REPLAY_AT and not replayed:
                replayed = True
                await self._replay(teller, settings)

    async def _replay(self, teller: Teller, settings: Settings) -> None:
        # What was told so far is a beginning of what the journal holds by then.
        told = list(teller.lines)
        again, same, took = await asyncio.to_thread(_again, settings, teller.line, told)
        minutes = (REPLAY_AT - NIGHT) // MINUTE
        teller.caption("After an incident: the same code, the same answers.")
        self.console.print(
            f"Replaying these {minutes} minutes from the record: {len(told)} alert "
            f"lines told, {same} of {again} identical, {took:.1f} s"
        )


def _settings(folder: Path, url: str) -> Settings:
    return read(
        None,
        monitor="demo",
        broker={"url": url, "protocol": "3.1.1"},
        files={
            "journal": folder / "journal.sqlite",
            "alerts": folder / "alerts.sqlite",
            "history": folder / "history.sqlite",
        },
        metrics={"host": "127.0.0.1", "port": 0},
        desk={
            "host": "127.0.0.1",
            "port": 0,
            "people_file": folder / "people.json",
            "unnamed": "act",
        },
        log={"level": "error"},
    )


def _again(settings: Settings, line: Line, told: list[str]) -> tuple[int, int, float]:
    """Fold the journal as it stands and compare with what was *told* live.

    Returns:
        How many alert lines came out again, how many of them were told live, letter for letter, and how long it took.
    """
    begun = time.monotonic()
    with Journal.read(settings.files.journal) as journal:
        events = list(journal.events())
    engine = Engine(line, settings.detection, monitor=settings.monitor)
    again = [alert_line(one) for event in events for one in engine.take(event).alerts]
    live = set(told)
    return len(again), sum(one in live for one in again), time.monotonic() - begun


async def perform(
    *, captions: bool = True, seconds: float | None = None, seed: int = 1
) -> None:
    """Show the monitor at work until Ctrl-C, or for *seconds*."""
    logs.set_up("error")
    await Show(
        Console(soft_wrap=True), captions=captions, seconds=seconds, seed=seed
    ).run()
