from __future__ import annotations

import asyncio
import json
from collections import Counter

import aiomqtt
import httpx
import pytest
import structlog
from typer.testing import CliRunner

from monitor.cli import app
from monitor.core.moments import HOUR, SECOND, exact, stamp
from monitor.daemon import Clock
from monitor.desk.people import Person, Token, new_token, write_people
from monitor.desk.roles import Role
from monitor.settings import read_url
from monitor.store import Store
from tests.live import event, publish, settings_of, until, watching
from tests.mosquitto import open_port, running
from tests.receiver import receiving

WORDS = {"patience_s": 0.5, "skew_s": 0.2, "settle_s": 0.5, "join_wait_s": 1}
DETECT = {"section-disturbed": {"settle_s": 0.5}}


def of(room, what):
    """What the room had of a sort."""
    return [one[what] for one in room.had if one["what"] == what]


@pytest.fixture(autouse=True)
def logged():
    """What is logged, instead of being printed among what a command prints."""
    with structlog.testing.capture_logs() as lines:
        yield lines


@pytest.fixture
def broker(tmp_path):
    """A real broker."""
    with running(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def room():
    """A receiver that answers."""
    with receiving() as receiver:
        yield receiver


def telling(directory, url, room, **delivery):
    """Settings of a monitor that concludes soon and tells the room."""
    hook = {"url": room.url, "send": ["alerts", "calls", "faults"], "timeout_s": 0.5}
    given = {
        "webhook": {"room": hook},
        "retry_s": 0.1,
        "longest_retry_s": 0.2,
        **delivery,
    }
    return settings_of(
        directory,
        url,
        {"unnamed": "act"},
        words=WORDS,
        detect=DETECT,
        delivery=given,
    )


async def disturb(url, section, number):
    """A section that was clear is disturbed."""
    at = Clock()()
    await publish(url, event(number, section, "clear", at))
    await publish(url, event(number + 1, section, "disturbed", at + SECOND // 10))


def open_now(daemon):
    """The alerts that are open, as text."""
    return str(list(daemon.engine.alerts.open.values()))


def outbox(settings):
    """The keys of all that was ever to be told."""
    with Store.open(settings.files.alerts) as store:
        rows = store._connection.execute("SELECT key FROM item ORDER BY number")
        return [key for (key,) in rows]


@pytest.mark.broker
async def test_a_receiver_that_fails_hangs_and_returns_has_each_change_once(
    tmp_path, broker, room
):
    """What was concluded while it failed and hung comes when it answers again, each change once by its key, over a start too."""
    settings = telling(tmp_path, broker.url, room)
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url, "T1", 1)
        await until(lambda: of(room, "call"))
        room.answer(503)
        await disturb(broker.url, "T3", 10)
        before = len(room.tried)
        await until(lambda: len(room.tried) > before + 2)
        room.hang()
        before = len(room.tried)
        await until(lambda: len(room.tried) > before + 1)
        assert daemon._courier is not None
        assert daemon._courier.delivered()["room"].failed > 2
        hung = {one["key"] for one in room.tried[before:]}
        room.answer()
        await until(lambda: len({one["number"] for one in of(room, "call")}) == 2)
        await until(lambda: daemon.engine.ordering.latest is not None)
        room.answer(503)
        await publish(broker.url, event(20, "T1", "clear", Clock()()))
        # Told as over, while nobody takes it.
        await until(lambda: "T1" not in open_now(daemon))
    room.answer()
    async with watching(settings) as daemon:
        await until(lambda: {one["key"] for one in room.had} == set(outbox(settings)))
    # What it took when nobody waited for its answer any more, it was sent again.
    had = Counter(one["key"] for one in room.had)
    assert {key for key, times in had.items() if times > 1} <= hung
    ended = [one for one in of(room, "alert") if one["ended"] is not None]
    assert {one["subject"] for one in ended} == {"section/T1"}
    for call in of(room, "call"):
        assert len(call["text"]) <= 300
        assert call["number"] in call["text"]
        assert "Nothing here proves a section empty" in call["text"]


@pytest.mark.broker
async def test_each_alert_stands_on_the_broker(tmp_path, broker):
    """Who connects later finds the last line of each alert under its id, retained."""
    settings = settings_of(tmp_path, broker.url, words=WORDS, detect=DETECT)
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url, "T1", 1)
        await until(lambda: daemon.engine.alerts.open)
        assert daemon._courier is not None
        sender = daemon._courier
        await until(lambda: sender.delivered()["mqtt"].sent)
    address = read_url(broker.url)
    async with aiomqtt.Client(address.host, address.port) as client:
        await client.subscribe("tallywatch/monitor-1/alert/#", qos=1)
        async with asyncio.timeout(10):
            message = await anext(client.messages)
    told = json.loads(message.payload)
    assert message.retain
    assert message.topic.value.endswith(told["id"])
    assert told["kind"] == "section-disturbed"


@pytest.mark.broker
async def test_on_trial_nothing_calls_and_a_count_says_what_would_have(
    tmp_path, broker, room
):
    """On trial faults and calls are recorded and shown, the room hears nothing, and the metrics count what it would have heard."""
    settings = telling(tmp_path, broker.url, room, trial=True)
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url, "T1", 1)
        sender = daemon._courier
        assert sender is not None
        await until(sender.would_have_called)
        async with httpx.AsyncClient(trust_env=False) as client:
            faults = (await client.get(f"{daemon.desk_at}/api/v1/faults")).json()
            page = (await client.get(daemon.metrics_at or "")).text
    assert [one["headline"] for one in faults] == ["T1 disturbed"]
    assert 'tallywatch_trial_calls{priority="prompt"} 1.0' in page
    assert room.had == []


@pytest.mark.broker
async def test_what_is_shelved_calls_nobody(tmp_path, broker, room):
    """A kind that is shelved at a place is told as an alert there, and nobody is called for it; elsewhere they are."""
    settings = telling(tmp_path, broker.url, room)
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        async with httpx.AsyncClient(
            base_url=f"{daemon.desk_at}/api/v1/", trust_env=False
        ) as client:
            proof = (await client.get("me")).json()["proof"]
            answer = await client.post(
                "acts",
                headers={"X-Tallywatch-Proof": proof},
                json={
                    "what": "shelved",
                    "kind": "section-disturbed",
                    "subject": "section/T1",
                    "text": "rail out",
                    "until": stamp(Clock()() + HOUR),
                },
            )
            assert answer.status_code == 200, answer.text
        await disturb(broker.url, "T1", 1)
        await until(lambda: of(room, "alert"))
        await disturb(broker.url, "T4", 10)
        await until(lambda: of(room, "call"))
    (call,) = of(room, "call")
    assert "T4" in call["text"]
    assert {one["subject"] for one in of(room, "alert")} == {"section/T1", "section/T4"}


@pytest.mark.parametrize("trial", [False, True])
async def test_a_drill_goes_the_whole_way_and_says_how_long_it_took(
    tmp_path, room, trial
):
    """`tallywatch drill` reaches the room, also on trial, marked as a drill; it says when each stage was reached, stands in no list, and ends with 1 where a channel was not reached."""
    settings = telling(
        *(tmp_path, f"mqtt://127.0.0.1:{open_port()}", room),
        trial=trial,
        mqtt={"on": False},
    )
    token = new_token()
    person = Person(name="A. Moor", role=Role.ACT, tokens=(Token.of("drill", token),))
    write_people(settings.desk.people_file, [person])
    (tmp_path / "token").write_text(f"{token}\n", encoding="utf-8")

    def drill(at, *more):
        words = ["drill", "--desk", at, "--token-file", str(tmp_path / "token"), *more]
        return CliRunner().invoke(app, words)

    async with watching(settings) as daemon:
        assert daemon.desk_at is not None
        done = await asyncio.to_thread(drill, daemon.desk_at)
        had = list(room.had)
        async with httpx.AsyncClient(trust_env=False) as client:
            listed = [
                (await client.get(f"{daemon.desk_at}/api/v1/{name}")).json()
                for name in ("faults", "alerts")
            ]
        room.answer(503)
        not_done = await asyncio.to_thread(drill, daemon.desk_at, "--within", "1")
        refused = await asyncio.to_thread(drill, f"{daemon.desk_at}/nowhere")
    assert done.exit_code == 0, done.output
    first, *stages = done.stdout.splitlines()
    assert [one.split(" s  ")[1] for one in stages] == [
        "written down: on disk",
        "routed: to its channels",
        "room, alert: sent",
        "room, call: sent",
    ]
    (call,) = [one["call"] for one in had if one["what"] == "call"]
    assert first.startswith(f"drill {call['number']}, begun ")
    assert "asked for by A. Moor" in call["text"].replace("Asked", "asked")
    assert "Drill: nothing has happened" in call["text"]
    assert call["drill"] is True
    assert listed == [[], {"alerts": [], "more": None}]
    assert not_done.exit_code == 1
    assert "room, call: waiting" in not_done.stdout
    assert refused.exit_code == 1
    assert "404" in refused.stderr


@pytest.mark.broker
async def test_a_rehearsal_sends_nothing(tmp_path, broker, room):
    """What is played is concluded from and shown, and neither the room nor the broker hears of it."""
    settings = telling(tmp_path, broker.url, room)
    address = read_url(broker.url)
    at = Clock()()
    async with watching(settings, rehearsal=True) as daemon:
        await until(lambda: daemon.counts.connected)
        async with aiomqtt.Client(address.host, address.port) as client:
            for number, (state, after) in enumerate(
                (("clear", 0), ("disturbed", 1), ("disturbed", 60))
            ):
                section = "T1" if number < 2 else "T2"
                then = at + after * SECOND
                played = {"recordedtime": exact(then), "rehearsal": "monday"}
                told = event(number, section, state, then, **played)
                await client.publish(
                    f"rehearsal/a/section/{section}/state", json.dumps(told), qos=1
                )
        await until(lambda: daemon.engine.raised)
        await until(lambda: not unrouted(settings))
        async with httpx.AsyncClient(trust_env=False) as client:
            status = (await client.get(f"{daemon.desk_at}/api/v1/status")).json()
    assert status["rehearsal"] is True
    assert room.tried == []
    with Store.open(settings.files.alerts) as store:
        rows = store._connection.execute("SELECT DISTINCT kept FROM item").fetchall()
    assert rows == [("rehearsal",)]


def unrouted(settings):
    """What the courier has not looked at yet."""
    with Store.open(settings.files.alerts) as store:
        return store.unrouted()


async def test_a_stop_ends_a_drill_with_what_is_known_of_it(tmp_path, room):
    """Whoever waits for a drill when the daemon is told to stop hears how far it came, and the stop is in good order."""
    url = f"mqtt://127.0.0.1:{open_port()}"
    settings = telling(tmp_path, url, room, mqtt={"on": False})
    room.answer(503)
    async with asyncio.TaskGroup() as group:
        async with watching(settings) as daemon:
            client = httpx.AsyncClient(
                base_url=f"{daemon.desk_at}/api/v1/", trust_env=False, timeout=60
            )
            async with asyncio.timeout(20):
                proof = (await client.get("me")).json()["proof"]
            asked = group.create_task(
                client.post(
                    "drills",
                    json={"within_s": 60},
                    headers={"X-Tallywatch-Proof": proof},
                )
            )
            await until(lambda: room.tried)
        answer = await asked
        await client.aclose()
    assert answer.status_code == 200
    stages = {one["name"]: one for one in answer.json()["stages"]}
    assert answer.json()["passed"] is False
    assert stages["routed"]["took_s"] is not None
    assert stages["room, call"]["took_s"] is None
