"""The performance: broker and line here, the monitor beside it, what it finds told on the terminal, and what one can do by keys."""

from __future__ import annotations

import asyncio
import json
import signal
import tempfile
import time
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.text import Text

from monitor.core.layout import Line, read_line
from monitor.core.moments import MINUTE, parse
from monitor.core.words import CAUTION
from monitor.demo.example import example_line
from monitor.demo.keys import keys
from monitor.demo.monitoring import MonitorFault, Monitoring
from monitor.demo.teller import Teller
from monitor.feed.embedded import embedded_broker

if TYPE_CHECKING:
    from monitor.demo.playing import Playing
    from monitor.demo.steps import Step

# ruff: noqa: PLC0415 - what is needed late is imported late: the monitor starts meanwhile

SPEED = 20.0
"""How many times as fast as the railway."""

GLANCE_S = 0.1
"""How often it is looked how late it is on the railway, in seconds."""

NIGHT = parse("2026-05-04T02:00:00Z")
"""When the tour begins."""

REPLAY_AT = NIGHT + 17 * MINUTE
"""When the night so far is replayed from the record."""

AWAY_S = 6.0
"""So long the monitor is away once it is killed: its pages say so after three seconds."""

CAUGHT_UP_S = 5.0
"""What the monitor does not have so long after it is back is lost."""

NOW_YOU = "in the terminal, S seen, R replay the urgent step by step, X kill the monitor and watch it come back, Enter go on"
BY_ITSELF = "Now it runs on by itself: something breaks every two to four minutes."

CAPTIONS = (
    (0, "Each section says only: clear, or not. From that the monitor follows the trains."),
    (3.3, "Four failures, one cause, one call."),
    (5, "A reset is a promise. Only a train keeps it."),
    (9.1, "It shows clear. A train went in, and no neighbour took it. No threshold can see that."),
    (14.2, "What it cannot see it does not judge, and never paints as quiet."),
)  # fmt: skip
"""What one sees, by minutes of railway time from the beginning."""

END = 19
"""Minutes of railway time, after which it is for whoever watches."""


@dataclass(slots=True)
class Show:
    """One performance.

    Args:
        console: where it is told.
        captions: say also what one sees.
        seconds: stop by itself after so long; None plays on.
        seed: draws what breaks after the first minute.
        speed: how many times as fast as the railway.
        keyed: whether there are keys; None: where there is a terminal.

    Attributes:
        desk: where the pages are, once they are.
    """

    console: Console
    captions: bool = True
    seconds: float | None = None
    seed: int = 1
    speed: float = SPEED
    keyed: bool | None = None
    desk: str = ""
    stopped: asyncio.Event = field(default_factory=asyncio.Event)
    _pressed: asyncio.Queue[str] = field(default_factory=asyncio.Queue)

    def press(self, key: str) -> None:
        """A key was pressed."""
        self._pressed.put_nowait(key)

    async def run(self) -> None:
        """Until Ctrl-C, or for as long as asked for.

        Raises:
            MonitorFault: it cannot be started.
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
        self.console.print("Stopped. Nothing was left behind.")

    async def _perform(self, folder: Path, url: str) -> None:
        monitoring = Monitoring(folder, url)
        await monitoring.start()
        line = read_line(example_line())
        teller = Teller(self.console, line, self.captions, self.speed, monitoring.show)
        # Imported while the monitor starts.
        from monitor.demo.playing import Playing

        host, _, port = url.removeprefix("mqtt://").partition(":")
        playing = Playing(line, host, int(port), self.speed, self.seed)
        act = _Act(self, teller, monitoring, playing)
        monitoring.hear = act.hear
        try:
            async with asyncio.TaskGroup() as tasks:
                hearing = tasks.create_task(act.keep_hearing(), name="hear")
                await monitoring.ready()
                self.desk = monitoring.desk
                self._welcome(line, monitoring)
                with keys(self.press) as there:
                    self.keyed = there if self.keyed is None else self.keyed
                    acts = [
                        hearing,
                        tasks.create_task(playing.run(), name="line"),
                        tasks.create_task(act.tell(), name="tell"),
                        tasks.create_task(act.obey(self._pressed), name="keys"),
                    ]
                    try:
                        with suppress(TimeoutError):
                            async with asyncio.timeout(self.seconds):
                                await self.stopped.wait()
                    finally:
                        playing.stopped = True
                        for one in acts:
                            one.cancel()
        except* MonitorFault as faults:
            raise MonitorFault(str(faults.exceptions[0])) from None
        finally:
            await monitoring.end()

    def _welcome(self, line: Line, monitoring: Monitoring) -> None:
        self.console.print(
            f"{line.name}, invented. A rehearsal, {self.speed:g} times as fast. "
            f"Ctrl-C stops it."
        )
        self.console.print(f"Open {monitoring.desk}/ to watch it as the desk does.")
        self.console.print(f"Metrics: {monitoring.metrics}")
        self.console.print(f"API: {monitoring.desk}/api/v1/openapi.json")
        self.console.print(Text(CAUTION, style="bold"))
        self.console.print()


@dataclass(slots=True)
class _Act:
    """What goes on while it plays.

    Args:
        show: whose it is.
        teller: that tells it.
        monitoring: the monitor.
        playing: the line.
    """

    show: Show
    teller: Teller
    monitoring: Monitoring
    playing: Playing
    _story: Iterator[Step] | None = None
    _number: int = 0
    _back: asyncio.Event = field(default_factory=asyncio.Event)
    _away: bool = False

    def hear(self, what: str, told: Any) -> None:
        """The monitor says something."""
        if what == "alert":
            self.teller.alert(told, json.loads(told))
        elif what == "stands":
            self.teller.stands(told)

    async def keep_hearing(self) -> None:
        """Hear the monitor, however often it is started.

        Raises:
            MonitorFault: it ended by itself.
        """
        while True:
            ended = await self.monitoring.run()
            if not self._away:
                raise MonitorFault(
                    f"the monitor's process ended by itself, with {ended}"
                )
            await self._back.wait()
            self._back.clear()

    async def tell(self) -> None:
        """Say what one sees, in its time."""
        left = list(CAPTIONS)
        replayed = you = False
        while True:
            await asyncio.sleep(GLANCE_S)
            now = self.playing.now
            if now is None:
                continue
            while left and now >= NIGHT + round(left[0][0] * MINUTE):
                self.teller.caption(left.pop(0)[1])
            if now >= REPLAY_AT and not replayed:
                replayed = True
                await self._replay()
            if now >= NIGHT + END * MINUTE and not you:
                you = True
                keyed = self.show.keyed
                self.teller.caption(f"Now you: {NOW_YOU}." if keyed else BY_ITSELF)

    async def _replay(self) -> None:
        # What was told so far is a beginning of what the journal holds by then.
        told = set(self.teller.lines)
        again, same, took = await asyncio.to_thread(
            _again, self.monitoring, self.teller.line, told
        )
        minutes = (REPLAY_AT - NIGHT) // MINUTE
        self.teller.caption("After an incident: the same code, the same answers.")
        self.teller.plain(
            f"Replaying these {minutes} minutes from the record: {len(told)} alert "
            f"lines told, {same} of {again} identical, ids and all, {took:.1f} s"
        )

    # Keys.

    async def obey(self, pressed: asyncio.Queue[str]) -> None:
        """Do what keys ask for, one after the other."""
        while True:
            key = await pressed.get()
            if self._story is not None:
                self._step(on=key in {"r", "enter"})
            elif key == "s":
                await self._seen()
            elif key == "r":
                await self._begin_steps()
            elif key == "x":
                await self._kill()
            elif key == "enter":
                self.teller.caption(BY_ITSELF)

    def _say(self, text: str) -> None:
        self.show.console.print(Text(text, style="bold"))

    async def _seen(self) -> None:
        from monitor.demo.hands import see

        self._say(await asyncio.to_thread(see, self.monitoring.desk))

    async def _begin_steps(self) -> None:
        urgent = [r for r in self.teller.records.values() if r["priority"] == "urgent"]
        if not urgent:
            self._say("Nothing urgent has been found yet.")
            return
        first = min(urgent, key=lambda one: str(one["raised"]))
        found = await asyncio.to_thread(
            _steps, self.monitoring, self.teller.line, first
        )
        self._story, self._number = iter(found), 0
        self.teller.hold()
        self._say(
            f"Step by step, from the record: what came, and what {first['kind']} then knew. R or Enter goes on, Esc leaves."
        )
        self._step(on=True)

    def _step(self, *, on: bool) -> None:
        from monitor.demo.steps import told

        step = next(self._story, None) if on and self._story is not None else None
        if step is None:
            self._story = None
            self._say("That was all of it." if on else "Left.")
            self.teller.release()
            return
        self._number += 1
        for one in told(step, self._number, self.teller.line):
            self.show.console.print(Text(one))

    async def _kill(self) -> None:
        before = len(self.playing.sent)
        self._away = True
        self.monitoring.kill()
        self._say(
            f"The monitor is killed (kill -9). Trains run on. Started again in {AWAY_S:g} s; its pages say what they no longer know."
        )
        await asyncio.sleep(AWAY_S)
        begun = time.monotonic()
        await self.monitoring.start()
        self._back.set()
        await self.monitoring.ready()
        self._away = False
        took = time.monotonic() - begun
        sent = list(self.playing.sent)
        lost = await self._lost(sent)
        twice = self.teller.twice
        self._say(
            f"It is back, {took:.1f} s after it was started: {len(lost)} events lost, {twice} alerts twice "
            f"(of {len(sent)} that the line has sent, {len(sent) - before} of them meanwhile, and {len(self.teller.lines)} alert lines told)."
        )

    async def _lost(self, sent: list[str]) -> list[str]:
        """Which of *sent* the monitor does not have, once it has caught up."""
        missing, before = list(sent), len(sent) + 1
        end = time.monotonic() + CAUGHT_UP_S
        while missing and (time.monotonic() < end or len(missing) < before):
            before = len(missing)
            have = await asyncio.to_thread(_journaled, self.monitoring)
            missing = [one for one in sent if one not in have]
            await asyncio.sleep(GLANCE_S)
        return missing


def _journaled(monitoring: Monitoring) -> set[str]:
    from monitor.demo.watching import settings_in
    from monitor.journal import Journal

    files = settings_in(monitoring.folder, monitoring.url).files
    with Journal.read(files.journal) as journal:
        return {event.name for event in journal.events()}


def _steps(monitoring: Monitoring, line: Line, record: dict[str, Any]) -> list[Step]:
    from monitor.core.engine import Engine
    from monitor.demo.steps import steps
    from monitor.demo.watching import settings_in
    from monitor.journal import Journal

    settings = settings_in(monitoring.folder, monitoring.url)
    engine = Engine(line, settings.detection, monitor=settings.monitor)
    with Journal.read(settings.files.journal) as journal:
        return list(steps(engine, journal.events(), record))


def _again(
    monitoring: Monitoring, line: Line, told: set[str]
) -> tuple[int, int, float]:
    """Fold the journal as it stands and compare with what was *told* live.

    Returns:
        How many alert lines came out again up to the last that was told, how many of them were told live, letter for letter, and how long it took.
    """
    from monitor.core.alerts import line as alert_line
    from monitor.core.engine import Engine
    from monitor.demo.watching import settings_in
    from monitor.journal import Journal

    settings = settings_in(monitoring.folder, monitoring.url)
    begun = time.monotonic()
    with Journal.read(settings.files.journal) as journal:
        events = list(journal.events())
    engine = Engine(line, settings.detection, monitor=settings.monitor)
    again = [alert_line(one) for event in events for one in engine.take(event).alerts]
    count, same = up_to_the_last(again, told)
    return count, same, time.monotonic() - begun


def up_to_the_last(again: Sequence[str], told: Collection[str]) -> tuple[int, int]:
    """How many lines came *again* up to the last one that was *told*, and how many of those were.

    The journal is ahead of what was told: what comes after that was only on its way.
    """
    places = [place for place, one in enumerate(again) if one in told]
    return (places[-1] + 1 if places else len(again)), len(places)


async def perform(
    *, captions: bool = True, seconds: float | None = None, seed: int = 1
) -> None:
    """Show the monitor at work until Ctrl-C, or for *seconds*."""
    show = Show(Console(soft_wrap=True), captions=captions, seconds=seconds, seed=seed)
    await show.run()
