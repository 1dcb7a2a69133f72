from __future__ import annotations

import asyncio
import json
import os
import random
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections import Counter
from contextlib import closing
from pathlib import Path

import aiomqtt
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.core.alerts import Alert, line as alert_line
from monitor.core.engine import Engine
from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, exact, parse
from monitor.core.wire import read
from monitor.daemon import Clock, Daemon, DaemonFault
from monitor.journal import Journal, verify
from monitor.settings import read as read_settings, read_url
from monitor.store import Store
from tests.live import (
    LINE,
    SECTIONS,
    daemon_process,
    event,
    publish,
    settings_of,
    topic,
    until,
    watching,
)
from tests.mosquitto import open_port, running

RUNNER = """
import sys
from pathlib import Path
from monitor import daemon, logs, settings
from monitor.core.layout import read_line

line, chosen = map(Path, sys.argv[1:])
text = line.read_text(encoding="utf-8")
logs.set_up("info")
daemon.run(read_line(text), text, settings.read(chosen), played=True)
"""


def journaled(settings):
    """Everything in the journal, in its order."""
    with Journal.read(settings.files.journal) as journal:
        return list(journal.events())


def own_kinds(settings):
    """The monitor's own records, by kind, in order."""
    return [
        "still" if one.values.get("still") else one.kind.value
        for one in journaled(settings)
        if isinstance(one, MonitorRecord)
    ]


def stored(settings):
    """The alert lines that were stored, in order."""
    with Store.open(settings.files.alerts) as store:
        return list(store.lines())


def folded(settings):
    """The alert lines that a fold of the journal gives."""
    with Journal.read(settings.files.journal) as journal:
        engine = Engine(read_line(LINE), settings.detection, learnt=journal.learnt())
        outputs = [engine.take(one) for one in journal.events()]
    return [alert_line(alert) for output in outputs for alert in output.alerts]


@pytest.fixture
def broker(tmp_path):
    """A real broker."""
    with running(tmp_path / "broker") as broker:
        yield broker


def test_the_clock_counts_from_the_time_of_day():
    """Arrival is the time of day in UTC, in microseconds, and never goes back."""
    clock = Clock()
    told = [clock() for _ in range(1000)]

    assert told == sorted(told)
    assert abs(told[0] / SECOND - time.time_ns() / 1e9) < 1


@pytest.mark.broker
async def test_silence_alone_raises_an_alert_and_a_fold_raises_the_same(
    tmp_path, broker
):
    """What a tick concluded rests on the journal: folding it again gives the same lines, and a start tells nobody twice."""
    detect = {
        "section-disturbed": {},
        "contact-disagreement": {"contact_settle_s": 0.2},
    }
    words = {"patience_s": 0.5, "skew_s": 0.2, "settle_s": 0.5}
    settings = settings_of(tmp_path, broker.url, words=words, detect=detect)
    clock = Clock()
    told: list[Alert] = []
    async with watching(settings, now=clock, tell=told.append) as daemon:
        await until(lambda: daemon.counts.connected)
        await publish(broker.url, event(1, "T2", "clear", clock()))
        await publish(broker.url, event(2, "T2", "disturbed", clock()))
        await until(lambda: told)

    assert told[0].kind == "section-disturbed"
    assert stored(settings) == folded(settings) == [alert_line(one) for one in told]
    kinds = own_kinds(settings)
    assert kinds[:5] == ["started", "settings", "line", "connected", "drained"]
    assert "still" in kinds
    assert kinds[-1] == "disconnected"
    assert verify(settings.files.journal).position is None

    again: list[Alert] = []
    async with watching(settings, tell=again.append) as daemon:
        await until(lambda: daemon.counts.connected)
        assert len(daemon.engine.alerts.open) == 1
    assert again == []


@pytest.mark.broker
async def test_what_was_sent_while_it_was_away_is_no_less_there(tmp_path, broker):
    """The session is resumed after a stop, and what came meanwhile is journaled once."""
    settings = settings_of(tmp_path, broker.url)
    clock = Clock()
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
    await publish(broker.url, *(event(i, "T1", "clear", clock()) for i in range(300)))
    async with watching(settings) as daemon:
        await until(lambda: daemon.engine.ordering.latest is not None)
        await until(lambda: len(journaled(settings)) >= 300 + 9)

    sessions = [
        one.values["session"]
        for one in journaled(settings)
        if isinstance(one, MonitorRecord)
        and one.kind is RecordKind.CONNECTED
        and "session" in one.values
    ]
    ids = [one.id for one in journaled(settings) if one.source == "gw/1"]
    assert sessions == ["new", "resumed"]
    assert ids == [str(i) for i in range(300)]


@pytest.mark.broker
async def test_a_broker_that_restarts_is_found_again(tmp_path, broker):
    """A break is journaled, and the monitor connects again by itself."""
    settings = settings_of(tmp_path, broker.url)
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        await asyncio.to_thread(broker.stop)
        await until(lambda: not daemon.counts.connected)
        broker.start()
        await until(lambda: daemon.counts.connections == 2)

    kinds = [kind for kind in own_kinds(settings) if kind.endswith("connected")]
    assert kinds == ["connected", "disconnected", "connected", "disconnected"]


BAD = {
    "not_json": b"what",
    "not_utf8": b'{"a": "\xff"}',
    "too_large": b"x" * 1024 * 1024,
    "too_deep": b"[" * 5000 + b"]" * 5000,
    "not_an_event": b"[]",
    "unknown_type": json.dumps(
        event(1, "T1", "clear", parse("2026-05-04T12:00:00Z")) | {"type": "x"}
    ).encode(),
    "bad_time": json.dumps(
        event(1, "T1", "clear", parse("2026-05-04T12:00:00Z"))
        | {"time": "0001-01-01T00:00:00"}
    ).encode(),
    "topic_mismatch": json.dumps(
        event(1, "T9", "clear", parse("2026-05-04T12:00:00Z"))
    ).encode(),
    "reserved": json.dumps(
        event(1, "T1", "clear", parse("2026-05-04T12:00:00Z")) | {"source": "desk/a"}
    ).encode(),
    "rehearsal": json.dumps(
        event(1, "T1", "clear", parse("2026-05-04T12:00:00Z"), rehearsal="monday")
    ).encode(),
}


@pytest.mark.broker
async def test_bad_input_is_kept_counted_and_stops_nothing(tmp_path, broker):
    """Whatever comes is kept with its reason and counted, and the next good event is taken; rehearsals are refused by who does not rehearse."""
    settings = settings_of(tmp_path, broker.url)
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        await publish(broker.url, payloads=BAD.values())
        await publish(broker.url, event(2, "T1", "occupied", Clock()()))
        await publish(broker.url, event(3, "T99", "occupied", Clock()()))
        await until(lambda: daemon.engine.shown("T1").event is not None)
        await until(lambda: daemon.engine.unknown == 1)
        counted = dict(daemon.counts.rejected)

    assert counted == dict.fromkeys(BAD, 1)
    with Journal.read(settings.files.journal) as journal:
        kept = {one.label: one.payload for one in journal.rejected()}
        assert journal.rejected_by_label() == dict.fromkeys(BAD, 1)
    assert kept == BAD
    assert [e.subject for e in journaled(settings) if e.source == "gw/1"] == [
        "T1",
        "T99",
    ]


@pytest.mark.broker
async def test_a_rehearsal_is_taken_by_who_rehearses(tmp_path, broker):
    """With a rehearsal arrival is what each event says, time passes by events alone, and the monitor says in its status that it rehearses."""
    settings = settings_of(tmp_path, broker.url)
    month_ago = Clock()() - 30 * 24 * HOUR
    states = [(0, "clear"), (2 * SECOND, "disturbed"), (MINUTE, "disturbed")]
    events = [
        event(
            i,
            "T2" if i < 2 else "T3",
            state,
            month_ago + after,
            recordedtime=exact(month_ago + after + 100),
            rehearsal="may",
        )
        for i, (after, state) in enumerate(states)
    ]
    address = read_url(broker.url)
    async with watching(settings, rehearsal=True) as daemon:
        await until(lambda: daemon.counts.connected)
        async with aiomqtt.Client(address.host, address.port) as client:
            for one in events:
                at = f"rehearsal/a/section/{one['subject']}/state"
                await client.publish(at, json.dumps(one), qos=1)
            await client.subscribe("tallywatch/monitor-1/status")
            status = json.loads((await anext(client.messages)).payload)
        await until(lambda: daemon.engine.raised)
        await asyncio.sleep(1.5)  # longer than a tick
        assert dict(daemon.engine.raised) == {"section-disturbed": 1}
        assert daemon.engine.watermark == month_ago + MINUTE - 3 * SECOND

    assert status == {"state": "online", "rehearsal": True}
    assert [e.arrival for e in journaled(settings) if e.source == "gw/1"] == [
        month_ago + after + 100 for after, _ in states
    ]
    assert not {"drained", "still"} & set(own_kinds(settings))
    assert stored(settings) == folded(settings)


@pytest.mark.broker
async def test_the_metrics_are_where_it_says(tmp_path, broker):
    """Prometheus finds at the printed address what the daemon counts; nothing else is there."""
    settings = settings_of(tmp_path, broker.url)

    def fetched(url):
        with urllib.request.urlopen(url, timeout=5) as answer:
            return answer.read().decode()

    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        at = daemon.metrics_at
        assert at is not None
        page = await asyncio.to_thread(fetched, at)
        with pytest.raises(urllib.error.HTTPError, match="404"):
            await asyncio.to_thread(fetched, at.replace("metrics", "secrets"))

    assert at.startswith("http://127.0.0.1:")
    assert "tallywatch_connected 1.0" in page
    assert "tallywatch_connections_total 1.0" in page


async def test_without_a_broker_it_waits_and_stops_when_told(tmp_path):
    """A broker that is not there is no reason to end; a stop is in good order all the same."""
    settings = settings_of(tmp_path, f"mqtt://127.0.0.1:{open_port()}")
    async with watching(settings):
        await asyncio.sleep(0.3)

    assert own_kinds(settings) == ["started", "settings", "line"]


async def test_the_texts_in_force_are_kept_once(tmp_path):
    """Line file and settings stand in the journal as they were; later starts name them by digest."""
    settings = settings_of(tmp_path, f"mqtt://127.0.0.1:{open_port()}")
    for _ in range(2):
        async with watching(settings):
            pass

    with Journal.read(settings.files.journal) as journal:
        lines = [e for e in journal.events() if e.id.startswith("line/")]
        at = {one.values["text_at"] for one in lines if isinstance(one, MonitorRecord)}
        assert len(lines) == 2
        assert [journal.payload(one).decode() for one in at] == [LINE]
        text_of_settings = journal.last(RecordKind.SETTINGS)
        assert text_of_settings is not None
        text = journal.payload(text_of_settings.values["text_at"]).decode()
    assert text == settings.text()


async def test_what_keeps_it_from_starting_is_said_in_a_line(tmp_path):
    """Files that cannot be used and a port that is taken end it with one line."""
    settings = settings_of(tmp_path, f"mqtt://127.0.0.1:{open_port()}")
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        metrics = settings.metrics.model_copy(update={"port": taken.getsockname()[1]})
        with pytest.raises(DaemonFault, match="metrics at 127"):
            await Daemon(
                read_line(LINE), LINE, settings.model_copy(update={"metrics": metrics})
            ).run()
    with (
        Journal.open(settings.files.journal),
        pytest.raises(DaemonFault, match="another monitor"),
    ):
        await Daemon(read_line(LINE), LINE, settings).run()
    settings.files.alerts.write_bytes(b"no database" * 1000)
    with pytest.raises(DaemonFault, match=r"alerts\.sqlite cannot be opened"):
        await Daemon(read_line(LINE), LINE, settings).run()


async def test_the_service_manager_hears_when_it_is_ready_and_alive(
    tmp_path, monkeypatch
):
    """Readiness comes after the fold, signs of life while ticks get through, and the stop is announced."""
    heard = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(0.2)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "600000")
        settings = settings_of(tmp_path, f"mqtt://127.0.0.1:{open_port()}")
        async with watching(settings):
            await asyncio.sleep(2.5)
        for _ in range(20):
            try:
                heard.append(manager.recv(1000).decode())
            except TimeoutError:
                break

    # A tick a second, looked at every 0.2 s: a sign for the start and one for each tick.
    assert heard[0] == "READY=1"
    assert heard[-1] == "STOPPING=1"
    assert heard[1:-1] == ["WATCHDOG=1"] * len(heard[1:-1])
    assert 2 <= len(heard[1:-1]) <= 4


# The kill test.

COUNT = 20_000
KILLS = 10


def traffic():
    """20,000 events of trains over four sections, with disturbances and an occupation that nothing explains now and then, each with when it was recorded."""
    draw = random.Random(20260504)
    at = parse("2026-05-04T00:00:00Z")
    events: list[dict[str, object]] = []

    def add(section, state, after):
        nonlocal at
        at += round(after * SECOND)
        number = len(events)
        events.append(
            event(
                number,
                section,
                state,
                at,
                recordedtime=exact(at + 50_000),
                sequence=str(number),
            )
        )

    for section in SECTIONS:
        add(section, "clear", 1)
    while len(events) < COUNT:
        for i, section in enumerate(SECTIONS):
            add(section, "occupied", 8)
            if i:
                add(SECTIONS[i - 1], "clear", 6)
        add(SECTIONS[-1], "clear", 8)
        if draw.random() < 0.008:
            section = draw.choice(SECTIONS)
            add(section, "disturbed", 60)
            add(section, "clear", 30)
        if draw.random() < 0.008:
            add("T2", "occupied", 60)
            add("T2", "clear", 300)
        at += 90 * SECOND
    return events[:COUNT]


def expected(payloads, settings):
    """The alert lines of a run without any kill: the same payloads through the engine alone."""
    engine = Engine(read_line(LINE), settings.detection)
    outputs = [
        engine.take(one)
        for payload in payloads
        for one in read(payload, recorded=True).events
    ]
    return [alert_line(alert) for output in outputs for alert in output.alerts]


class Publisher(threading.Thread):
    """Publishes in order, at a few thousand a second, whatever becomes of the daemon."""

    def __init__(self, port, messages):
        super().__init__()
        self._messages = messages
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(500)
        self._client.connect("127.0.0.1", port)

    def run(self):
        """Publish all, 60 every 20 ms, and wait until the broker has each."""
        client = self._client
        client.loop_start()
        sent = []
        for i, (at, payload) in enumerate(self._messages):
            sent.append(client.publish(at, payload, qos=1))
            if i % 60 == 0:
                time.sleep(0.02)
        for one in sent:
            one.wait_for_publish(30)
        client.disconnect()
        client.loop_stop()


def position(path):
    """How far the journal has come."""
    try:
        with Journal.read(path) as journal:
            return journal.position
    except Exception:  # noqa: BLE001 (it is being made)
        return 0


def wait_for(condition, limit_s=80):
    """Wait until *condition* is true."""
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end, "it did not come to pass"
        time.sleep(0.01)


@pytest.mark.broker
@pytest.mark.slow
def test_killed_ten_times_it_loses_and_repeats_nothing(tmp_path, broker):
    """Killed with -9 ten times in the middle of 20,000 messages: each is in the journal once, in order, and the alerts are those of a run without kills."""
    config = tmp_path / "settings.toml"
    config.write_text(
        f'[broker]\nurl = "{broker.url}"\n[metrics]\nport = 0\n[desk]\nport = 0\n',
        encoding="utf-8",
    )
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    events = traffic()
    payloads = [json.dumps(one).encode() for one in events]
    journal = tmp_path / "journal.sqlite"

    def start():
        with (tmp_path / "log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-c", RUNNER, "line.toml", "settings.toml"],
                cwd=tmp_path,
                stderr=log,
                env=os.environ | {"PYTHONPATH": str(Path(__file__).parent.parent)},
            )

    publisher = None
    daemon = start()
    try:
        # Once it is connected there is a session, and the broker keeps what comes.
        wait_for(lambda: position(journal) >= 6)
        publisher = Publisher(
            broker.port, [(topic(e), p) for e, p in zip(events, payloads, strict=True)]
        )
        publisher.start()
        draw = random.Random(7)
        for _ in range(KILLS):
            goal = position(journal) + draw.randint(500, 1500)
            wait_for(lambda goal=goal: position(journal) >= goal)
            daemon.send_signal(signal.SIGKILL)
            daemon.wait()
            assert position(journal) < COUNT
            daemon = start()
        publisher.join()
        wait_for(lambda: position(journal) >= COUNT + 4 + 4 * KILLS)
        with Journal.read(journal) as reading:
            wait_for(lambda: sum(e.source == "gw/1" for e in reading.events()) >= COUNT)
        begun = time.monotonic()
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(10) == 0, (tmp_path / "log").read_text()
        assert time.monotonic() - begun < 2
    finally:
        daemon.kill()
        daemon.wait()
        if publisher is not None:
            publisher.join()

    with Journal.read(journal) as reading:
        ids = [e.id for e in reading.events() if e.source == "gw/1"]
    assert ids == [one["id"] for one in events]
    assert verify(journal).position is None
    with Store.open(tmp_path / "alerts.sqlite") as store:
        lines = list(store.lines())
    without_kills = expected(payloads, read_settings(config))
    assert lines == without_kills
    kinds = Counter(json.loads(one)["kind"] for one in lines)
    assert {"section-disturbed", "repeat-disturbance", "occupied-no-train"} <= set(
        kinds
    )


@pytest.mark.broker
@pytest.mark.slow
def test_on_a_full_disk_it_ends_and_what_is_not_journaled_stays_with_the_broker(
    tmp_path, broker
):
    """Where its journal cannot be written it says so in its last line and ends, so that Prometheus sees it start again and again; with room it takes everything that came meanwhile."""
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    (tmp_path / "settings.toml").write_text(
        f'[broker]\nurl = "{broker.url}"\n[metrics]\nport = 0\n[desk]\nport = 0\n',
        encoding="utf-8",
    )
    states = ("clear", "occupied")
    events = [
        event(number, "T1", states[number % 2], Clock()(), pad="x" * 1000)
        for number in range(400)
    ]
    with daemon_process(tmp_path) as (process, _):
        size = max(one.stat().st_size for one in tmp_path.glob("*.sqlite*"))
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (size + 50_000,) * 2)
        asyncio.run(publish(broker.url, *events))
        assert process.wait(30) == 1
        # What measures coverage cannot write either, and says so after the end.
        said = (tmp_path / "log").read_text().partition("Exception ignored in atexit")
        last = said[0].splitlines()[-1]
        assert "journal" in last
        assert "disk" in last
    with daemon_process(tmp_path):

        def taken():
            with Journal.read(tmp_path / "journal.sqlite") as journal:
                return [one.id for one in journal.events() if one.source == "gw/1"]

        wait_for(lambda: len(taken()) >= len(events))
    assert taken() == [one["id"] for one in events]
    assert verify(tmp_path / "journal.sqlite").position is None
