"""Everything at once, killed again and again: the feed, people at the desk, a receiver that fails now and then."""

from __future__ import annotations

import json
import threading

import httpx
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.acts import acts
from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.faults import call_line, fault_line
from monitor.core.layout import read_line
from monitor.daemon import Clock
from monitor.journal import Journal, verify
from monitor.settings import read as read_settings
from monitor.store import Store
from tests.live import LINE, daemon_process, event, topic
from tests.mosquitto import running
from tests.receiver import receiving, wait_for

KILLS = 5

SETTINGS = """
[broker]
url = "{broker}"
[metrics]
port = 0
[desk]
port = 0
unnamed = "act"
[delivery]
retry_s = 0.2
longest_retry_s = 0.5
[delivery.webhook.room]
url = "{room}"
send = ["alerts", "calls", "faults"]
[words]
patience_s = 0.5
skew_s = 0.2
settle_s = 0.3
join_wait_s = 1
recall_after_s = 5
[detect.section-disturbed]
settle_s = 0.3
"""


class Feed(threading.Thread):
    """Two sections far from one another, disturbed and clear by turns, whatever becomes of the monitor.

    Attributes:
        sent: how many events the broker has.
    """

    def __init__(self, port):
        super().__init__(daemon=True)
        self.over = threading.Event()
        self.sent = 0
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)

    def run(self):
        """One event every 150 ms, each acknowledged by the broker before the next."""
        clock = Clock()
        self._client.loop_start()
        while not self.over.wait(0.15):
            section = ("T1", "T4")[self.sent % 2]
            state = ("clear", "disturbed")[self.sent // 2 % 2]
            one = event(self.sent, section, state, clock(), sequence=str(self.sent))
            self._client.publish(topic(one), json.dumps(one), 1).wait_for_publish(10)
            self.sent += 1
        self._client.disconnect()
        self._client.loop_stop()


class People(threading.Thread):
    """Somebody at the desk of whichever monitor runs, who notes and enters something again and again.

    Attributes:
        at: where it answers.
        answered: the ids of what it said is done.
    """

    def __init__(self):
        super().__init__(daemon=True)
        self.over = threading.Event()
        self.at = ""
        self.answered = set()

    def run(self):
        """Ask until it is over; a monitor that was killed answers nothing."""
        while not self.over.wait(0.05):
            try:
                self._ask()
            except httpx.HTTPError:
                continue

    def _ask(self):
        with httpx.Client(
            base_url=f"{self.at}/api/v1/", trust_env=False, timeout=5
        ) as client:
            client.headers["X-Tallywatch-Proof"] = client.get("me").json()["proof"]
            reset = {"what": "reset", "position": "desk", "section": "T2"}
            self._post(client, "entries", {**reset, "kind": "unconditional"})
            for fault in client.get("faults", params={"open": True}).json()[:2]:
                note = {"what": "noted", "fault": fault["id"], "text": "still so"}
                self._post(client, "acts", note)

    def _post(self, client, path, body):
        answer = client.post(path, json=body)
        assert answer.status_code in {200, 409, 503}, answer.text
        if answer.status_code == 200:
            self.answered.add(answer.json()["id"])


def folded(directory):
    """What a fold of the journal gives: alerts, faults and calls, each line once, in order."""
    settings = read_settings(directory / "settings.toml")
    with Journal.read(directory / "journal.sqlite") as journal:
        engine = Engine(
            read_line(LINE),
            settings.detection,
            monitor=settings.monitor,
            learnt=journal.learnt(),
        )
        outputs = [engine.take(one) for one in journal.events()]
    return (
        _once(alert_line(one) for output in outputs for one in output.alerts),
        _once(fault_line(one) for output in outputs for one in output.faults),
        _once(call_line(one) for output in outputs for one in output.calls),
    )


def _once(lines):
    return list(dict.fromkeys(lines))


def stored(directory):
    """What was stored: alerts, faults and calls, in order."""
    with Store.open(directory / "alerts.sqlite") as store:
        rows = store._connection.execute(
            "SELECT body FROM item WHERE what = 'fault' ORDER BY number"
        )
        return list(store.lines()), [text for (text,) in rows], store.calls()


def outbox(directory):
    """The keys of all that was ever to be told."""
    with Store.open(directory / "alerts.sqlite") as store:
        return {key for (key,) in store._connection.execute("SELECT key FROM item")}


@pytest.mark.broker
@pytest.mark.slow
def test_killed_in_the_middle_of_everything_it_loses_nothing(tmp_path):
    """Killed with -9 while the feed comes in, people act and a receiver fails: every event is journaled once, whatever was answered stands there, what was stored is what a fold gives, and the receiver has each change by its key."""
    people = People()
    with running(tmp_path / "broker") as broker, receiving() as room:
        (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
        (tmp_path / "settings.toml").write_text(
            SETTINGS.format(broker=broker.url, room=room.url), encoding="utf-8"
        )
        feed = Feed(broker.port)
        for number in range(KILLS):
            with daemon_process(tmp_path) as (_, people.at):
                if not number:
                    feed.start()
                    people.start()
                before = len(people.answered), len(room.tried)
                room.answer(503 if number == 2 else 200)
                wait_for(lambda b=before: len(people.answered) > b[0] + 3)
                wait_for(lambda b=before: len(room.tried) > b[1] + 3)
        with daemon_process(tmp_path) as (process, people.at):
            room.answer()
            feed.over.set()
            feed.join()
            people.over.set()
            people.join()
            wait_for(lambda: {one["key"] for one in room.had} == outbox(tmp_path))
            process.terminate()
            assert process.wait(10) == 0, (tmp_path / "log").read_text()
    with Journal.read(tmp_path / "journal.sqlite") as journal:
        events = list(journal.events())
        done = {one.id for one in acts(journal.kept())}
    assert [one.id for one in events if one.source == "gw/1"] == [
        str(number) for number in range(feed.sent)
    ]
    entered = {one.id for one in events if one.source == "desk/desk"}
    assert people.answered <= done | entered
    assert verify(tmp_path / "journal.sqlite").position is None
    assert stored(tmp_path) == folded(tmp_path)
    assert all(stored(tmp_path))
