"""As much of a daemon as the desk needs, on real files; run as a program it answers until it is killed."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

from monitor.core.alerts import Alert, identify
from monitor.core.detector import Place
from monitor.core.engine import Engine, Output
from monitor.core.faults import Fault
from monitor.core.moments import HOUR, MINUTE, parse
from monitor.desk.app import create
from monitor.desk.model import Who
from monitor.desk.monitor import Daemonic, MonitorDesk, Pulse
from monitor.desk.records import Records
from monitor.desk.serve import DeskServer
from monitor.desk.stream import Stream
from monitor.doings import Doings
from monitor.handling import Handling
from monitor.history import History
from monitor.journal import Journal, JournalFault
from monitor.keeps import Keep
from monitor.planned import Plans
from monitor.settings.desk import DeskSettings
from monitor.store import Store
from monitor.visits import Visits

NOON = parse("2026-05-04T12:00:00Z")
MOOR = Who(name="A. Moor", position="north")
"""Who does something at a desk."""


def alert(kind="occupied-no-train", subject="section/T107", began=NOON, **more):
    """An alert that is open, raised two minutes after it began."""
    values = {
        "id": identify(kind, subject, began),
        "kind": kind,
        "subject": subject,
        "priority": "prompt",
        "began": began,
        "raised": began + 2 * MINUTE,
        "ended": None,
        "summary": "as found",
        "evidence": (),
        "affected": (),
        "suspects": (),
        "checks": (),
        "parameters": {},
        **more,
    }
    return Alert(**values)


def fault(*alerts, number="XLLM", **more):
    """A fault of alerts."""
    first = alerts[0]
    values = {
        "id": first.id,
        "number": number,
        "headline": "T107 occupied, no train seen to enter",
        "priority": first.priority,
        "subject": first.subject,
        "began": first.began,
        "raised": first.raised,
        "ended": None,
        "alerts": tuple(one.id for one in alerts),
        "open": tuple(one.id for one in alerts if one.ended is None),
        "lasting": (),
        "subjects": tuple(dict.fromkeys(one.subject for one in alerts)),
        "waiting": (),
        "took": (),
        "into": None,
        "calls": 1,
        **more,
    }
    return Fault(**values)


class Daemon:
    """As much of the daemon as the desk needs: its files, its turn, and its engine."""

    def __init__(self, path):
        self.line = Place.example("T107").line
        self.engine = Engine(self.line)
        self.handling = Handling()
        self.now = NOON + HOUR
        self.path = path
        self.journal = Journal.open(path / "journal.sqlite")
        self.store = Store.open(path / "alerts.sqlite")
        self.history = History.open(":memory:")
        self.records = Records.open(path / "alerts.sqlite")
        self.stream = Stream(run="0000abcd")
        self.fails = False
        self.plans = Plans()
        self.keeps: dict[str, Keep] = {}
        self.visits = Visits()
        self.pulse = Pulse(connected=True, heard=NOON, rehearsal=False)
        self.desk = MonitorDesk(
            self.line,
            Daemonic(
                engine=lambda: self.engine,
                handling=self.handling,
                history=self.history,
                records=self.records,
                turn=asyncio.Lock(),
                write=self.write,
                conclude=self.conclude,
                on_disk=self.on_disk,
                pulse=lambda: self.pulse,
                now=lambda: self.now,
                plans=self.plans,
                keeps=self.keeps,
                visits=self.visits,
                monitor="monitor-1",
                version="0",
            ),
            self.stream,
        )

    async def write(self, entries):
        """Write to the journal, unless its disk is broken."""
        await asyncio.sleep(0)
        if self.fails:
            raise JournalFault("the disk is full")
        return self.journal.append(entries)

    async def conclude(self, events):
        """Tell the engine."""
        for event in events:
            self.desk.told([self.engine.take(event)])

    async def on_disk(self, work, *values):
        """Do it at once."""
        return work(*values)

    def tell(self, *alerts, faults=(), calls=(), live=True):
        """The engine has found *alerts*."""
        self.store.add(alerts)
        for one in alerts:
            self.handling.told(one)
        for one in faults:
            self.handling.told_fault(one)
        output = Output(alerts=alerts, faults=tuple(faults), calls=tuple(calls))
        self.desk.told([output], live=live)
        for call in calls:
            self.desk.called(call, "")

    def written(self):
        """What another process reads in the journal now."""
        with Journal.read(self.path / "journal.sqlite") as journal:
            return [journal.payload(n + 1) for n in range(journal.position)]

    def started_again(self):
        """What a monitor that starts now folds out of the journal."""
        later = Doings([])
        for payload in self.written():
            later.read(payload)
        return later

    def close(self):
        """Close the files."""
        for one in (self.journal, self.store, self.history, self.records):
            one.close()

    @asynccontextmanager
    async def running(self):
        """The desk takes acts."""
        async with asyncio.TaskGroup() as group:
            task = group.create_task(self.desk.run())
            yield self.desk
            task.cancel()


async def answer(path):
    """Answer over HTTP, and print where."""
    daemon = Daemon(path)
    daemon.tell(alert(), faults=[fault(alert())])
    settings = DeskSettings(port=0, people_file=path / "people.json", unnamed="act")
    app = create(daemon.desk, settings, daemon.stream, lambda: daemon.now)
    server = DeskServer(app, settings, daemon.stream)
    async with asyncio.TaskGroup() as group:
        group.create_task(daemon.desk.run())
        group.create_task(server.run())
        print(server.at, flush=True)  # noqa: T201 - that is what it is for


@contextmanager
def answering(path):
    """The same in a process of its own, killed at the end; gives the process and where it answers."""
    running = subprocess.Popen(
        [sys.executable, "-m", "tests.desk.daemon", str(path)],
        cwd=Path(__file__).parents[2],
        stdout=subprocess.PIPE,
        text=True,
    )
    with running:
        assert running.stdout is not None
        try:
            yield running, running.stdout.readline().strip()
        finally:
            running.kill()


if __name__ == "__main__":
    asyncio.run(answer(Path(sys.argv[1])))
