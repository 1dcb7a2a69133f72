from __future__ import annotations

import asyncio
import json
import os
import signal
import time
from contextlib import asynccontextmanager, contextmanager

import aiomqtt
import httpx
import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, exact
from monitor.daemon import Clock
from monitor.desk.people import Person, Token, write_people
from monitor.desk.roles import Role
from monitor.journal import verify
from monitor.settings import read_url
from monitor.store import Store
from tests.live import (
    LINE,
    daemon_process,
    disturb,
    event,
    publish,
    quick,
    settings_of,
    until,
    watching,
)
from tests.mosquitto import open_port, running


@pytest.fixture
def broker(tmp_path):
    """A real broker."""
    with running(tmp_path / "broker") as broker:
        yield broker


@asynccontextmanager
async def asking(daemon, **more):
    """Whoever asks a running daemon, and may change something."""
    async with httpx.AsyncClient(
        base_url=f"{daemon.desk_at}/api/v1/", trust_env=False, timeout=20, **more
    ) as client:
        me = (await client.get("me")).raise_for_status().json()
        client.headers["X-Tallywatch-Proof"] = me["proof"]
        yield client


async def got(client, path, **params):
    """What is answered."""
    answer = await client.get(path, params=params)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def sent(client, path, **body):
    """What is answered to something that changes something."""
    answer = await client.post(path, json=body)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def fault_at(client, section="T2"):
    """The open fault at a section, once there is one; with its alert."""
    found: list[dict[str, object]] = []

    async def look():
        found[:] = [
            one
            for one in await got(client, "faults", open=True)
            if one["subject"] == f"section/{section}"
        ]
        return bool(found)

    end = time.monotonic() + 15
    while not await look():
        assert time.monotonic() < end, "there is no fault"
    return found[0]


def first_of(daemon):
    """After which all events of a run come."""
    return f"{daemon._front._stream.run}-0"


async def events_until(client, wanted, last=None):
    """The events of the stream as (id, name, values), up to the first of which *wanted* is true."""
    found: list[tuple[str, str, dict[str, object]]] = []
    headers = {} if last is None else {"Last-Event-ID": last}
    async with client.stream("GET", "events", headers=headers) as answer:
        assert answer.status_code == 200
        one = {}
        async for line in answer.aiter_lines():
            name, _, value = line.partition(": ")
            if line:
                one[name] = value
            elif "data" in one:
                found.append((one["id"], one["event"], json.loads(one["data"])))
                one = {}
                if wanted(found[-1]):
                    break
    return found


@pytest.mark.broker
async def test_a_fault_is_asked_for_seen_shelved_and_closed(tmp_path, broker):
    """Over a running daemon: what is disturbed is a fault, an alert and a section, and what people do about it shows."""
    settings = quick(tmp_path, broker.url)
    async with watching(settings) as daemon, asking(daemon) as client:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url)
        fault = await fault_at(client)
        assert fault["headline"] == "T2 disturbed"
        assert (fault["seen"], fault["is_open"]) == (False, True)
        (alert,) = (await got(client, "alerts", open=True))["alerts"]
        assert alert["fault"] == fault["id"]
        assert alert["record"]["kind"] == "section-disturbed"
        assert alert["state"]["words"] == "not seen"
        section = await got(client, "sections/T2")
        assert (section["shown"], section["faults"]) == ("disturbed", [fault["id"]])
        standing = await got(client, "lists/before-the-first-train")
        assert "section/T2" in {one["subject"] for one in standing["items"]}

        done = await sent(client, "acts", what="seen", fault=fault["id"])
        assert done["again"] is False
        same = await client.post("acts", json={"what": "seen", "fault": fault["id"]})
        assert same.status_code == 409
        await sent(client, "acts", what="going", fault=fault["id"])
        place = {"kind": "section-disturbed", "subject": "section/T2"}
        hidden = await got(client, "acts/shelve-preview", **place)
        assert len(hidden["alerts"]) == 1
        until_then = exact(Clock()() + HOUR)
        await sent(
            client, "acts", what="shelved", text="rail out", until=until_then, **place
        )
        fault = await got(client, f"faults/{fault['number']}")
        assert (fault["seen"], fault["going"]) == (True, ["unnamed"])
        state = (await got(client, f"alerts/{alert['record']['id']}"))["state"]
        assert (state["AckedState"], state["ShelvingState"]) == (True, "TimedShelved")


@pytest.mark.broker
async def test_what_people_enter_is_concluded_from_and_listed(tmp_path, broker):
    """A reset that the feed does not carry waits for a train; work that begins takes its sections out of normal service."""
    settings = quick(tmp_path, broker.url)
    async with watching(settings) as daemon, asking(daemon) as client:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url)
        await fault_at(client)
        await publish(broker.url, event(9, "T1", "clear", Clock()()))
        await sent(
            client, "entries", what="reset", position="desk", section="T2",
            kind="unconditional", by="technician",
        )  # fmt: skip
        work = {"position": "desk", "subjects": ["section/T4"], "reference": "W7"}
        await sent(client, "entries", what="work_begun", **work)
        again = await client.post("entries", json={"what": "work_begun", **work})
        assert (again.status_code, "under work W7 already" in again.text) == (409, True)
        await until(daemon.engine.resets_waiting)
        (reset,) = await got(client, "lists/resets-waiting")
        assert (reset["section"], reset["by"]) == ("T2", "technician")
        assert (await got(client, "sections/T4"))["under_work"]
        (going,) = await got(client, "work")
        assert (going["reference"], going["sections"]) == ("W7", ["T4"])
        printed = await client.get("lists/before-the-first-train/print")
        assert "It does not show that a line is ready." in printed.text


PLAN = (
    "subject,from,to,reference\n"
    "section/T3,{day}T22:00Z,{day}T23:00Z,W9\n"
    "section/T4;section/T3,{day}T22:30Z,{day}T23:30Z,W10\n"
)


async def test_a_plan_is_imported_begun_and_known_after_a_start(tmp_path):
    """A plan quiets nothing; a piece of it that was begun is still begun after a start, and a plan that is withdrawn is gone."""
    settings = quick(tmp_path, f"mqtt://127.0.0.1:{open_port()}")
    day = exact(Clock()() + DAY)[:10]  # ended by no hour at which this runs
    plan = {"position": "desk", "plan": "week"}
    async with watching(settings) as daemon, asking(daemon) as client:
        wrong = await client.post(
            "entries",
            json={"what": "plan_imported", "text": "subject,from\nT9,now\n", **plan},
        )
        assert wrong.status_code == 409
        text = PLAN.format(day=day)
        await sent(client, "entries", what="plan_imported", text=text, **plan)
        first, second = await got(client, "work/plans")
        assert (first["reference"], first["stage"]) == ("W9", "planned")
        assert not (await got(client, "sections/T3"))["under_work"]
        await sent(client, "entries", what="plan_begun", work=first["key"], **plan)
    async with watching(settings) as daemon, asking(daemon) as client:
        rows = await got(client, "work/plans")
        assert [(one["key"], one["stage"]) for one in rows] == [
            (first["key"], "begun"),
            (second["key"], "planned"),
        ]
        await sent(client, "entries", what="plan_withdrawn", **plan)
        (left,) = await got(client, "work/plans")
        assert left["key"] == first["key"]
        gone = await client.post("entries", json={"what": "plan_withdrawn", **plan})
        assert gone.status_code == 404


async def test_a_file_of_work_is_given_to_a_running_monitor(tmp_path):
    """`work import --desk` makes a file the plan of its name, by whoever has the token, and says what the monitor says where it will not."""
    settings = quick(
        tmp_path, f"mqtt://127.0.0.1:{open_port()}", desk={"unnamed": "look"}
    )
    person = Person(
        name="A. Moor", role=Role.ACT, tokens=(Token.of("plans", "a-token"),)
    )
    write_people(settings.desk.people_file, [person])
    (tmp_path / "token").write_text("a-token\n", encoding="utf-8")
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    day = exact(Clock()() + DAY)[:10]  # ended by no hour at which this runs
    (tmp_path / "week.csv").write_text(PLAN.format(day=day), encoding="utf-8")

    def given(at, *more):
        words = ["work", "import", str(tmp_path / "week.csv"), "--desk", at]
        words += ["--line", str(tmp_path / "line.toml"), *more]
        return CliRunner().invoke(app, words)

    token = ("--token-file", str(tmp_path / "token"))
    async with watching(settings) as daemon, asking(daemon) as client:
        assert daemon.desk_at is not None
        refused = await asyncio.to_thread(given, daemon.desk_at)
        taken = await asyncio.to_thread(given, daemon.desk_at, *token)
        rows = await got(client, "work/plans")
    assert (refused.exit_code, "403" in refused.stderr) == (1, True)
    assert taken.exit_code == 0, taken.output
    assert f"which {daemon.desk_at} has as the plan week" in taken.stderr
    assert [(one["plan"], one["reference"]) for one in rows] == [
        ("week", "W9"),
        ("week", "W10"),
    ]


@pytest.mark.broker
async def test_the_stream_is_resumed_where_it_was_left(tmp_path, broker):
    """Who follows is told of sections, alerts, faults, calls and acts, and after a break of what came meanwhile."""
    settings = quick(tmp_path, broker.url)
    async with watching(settings) as daemon, asking(daemon) as client:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url)
        fault = await fault_at(client)
        told = await events_until(
            client, lambda one: one[1] == "call", first_of(daemon)
        )
        assert {"section", "alert", "fault", "call"} <= {name for _, name, _ in told}
        await sent(client, "acts", what="seen", fault=fault["id"])
        (after,) = [
            one
            for one in await events_until(
                client, lambda one: one[1] == "act", told[-1][0]
            )
            if one[1] == "act"
        ]
        assert (after[2]["what"], after[2]["fault"]) == ("seen", fault["id"])
        assert after[0] not in {one[0] for one in told}


async def test_the_people_of_the_file_log_in_and_others_may_not_act(tmp_path):
    """With a file of people: a password gives a session, a token acts, and whoever is nobody may only look."""
    settings = settings_of(tmp_path, f"mqtt://127.0.0.1:{open_port()}")
    added = CliRunner().invoke(
        app,
        [
            "people",
            "add",
            "A. Moor",
            "--role",
            "act",
            "--file",
            str(settings.desk.people_file),
        ],
        input="correct horse battery\n",
    )
    assert added.exit_code == 0, added.output
    async with watching(settings) as daemon:
        act = {"what": "take_desk", "position": "desk"}
        async with asking(daemon) as client:
            assert (await client.post("acts", json=act)).status_code == 403
            wrong = {"name": "A. Moor", "password": "correct horse"}
            assert (await client.post("login", json=wrong)).status_code == 401
            me = await sent(
                client, "login", **wrong | {"password": "correct horse battery"}
            )
            client.headers["X-Tallywatch-Proof"] = me["proof"]
            await sent(client, "acts", **act)
            (desk,) = await got(client, "positions")
            sheet = await got(client, "positions/desk/handover")
    assert (desk["name"], desk["has_it"]) == ("desk", "A. Moor")
    assert sheet["position"] == "desk"


@pytest.mark.broker
async def test_a_start_knows_what_people_did(tmp_path, broker):
    """Seen, shelved, noted, desk taken: all of it is folded out of the journal with what the engine found."""
    settings = quick(tmp_path, broker.url)
    async with watching(settings) as daemon, asking(daemon) as client:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url)
        fault = await fault_at(client)
        await sent(client, "acts", what="seen", fault=fault["id"])
        await sent(client, "acts", what="noted", fault=fault["id"], text="<b>wet</b>")
        await sent(client, "acts", what="take_desk", position="desk")
        # The call waits for others that might have the same cause.
        await events_until(client, lambda one: one[1] == "call", first_of(daemon))
        paths = ["faults", "alerts", "positions", "load"]
        before = [await got(client, path) for path in paths]
    async with watching(settings) as daemon, asking(daemon) as client:
        after = [await got(client, path) for path in paths]
    assert after == before
    assert after[0][0]["notes"][0]["text"] == "<b>wet</b>"
    assert verify(settings.files.journal).position is None


@pytest.mark.broker
async def test_a_start_knows_who_was_called_in_a_rehearsal(tmp_path, broker):
    """What was played long ago by its own time counts as it did before the start."""
    settings = quick(tmp_path, broker.url)
    begin = Clock()() - 300 * 24 * HOUR
    states = [(0, "clear"), (1, "disturbed"), (60, "disturbed"), (61, "disturbed")]
    events = [
        event(
            number,
            "T2" if number < 2 else "T4",
            state,
            begin + after * SECOND,
            recordedtime=exact(begin + after * SECOND),
            rehearsal="may",
        )
        for number, (after, state) in enumerate(states)
    ]
    async with watching(settings, rehearsal=True) as daemon, asking(daemon) as client:
        await until(lambda: daemon.counts.connected)
        address = read_url(broker.url)
        async with aiomqtt.Client(address.host, address.port) as player:
            for one in events:
                at = f"rehearsal/a/section/{one['subject']}/state"
                await player.publish(at, json.dumps(one), qos=1)
        await events_until(client, lambda one: one[1] == "call", first_of(daemon))
        before = await got(client, "load")
    async with watching(settings, rehearsal=True) as daemon, asking(daemon) as client:
        after = await got(client, "load")

    assert sum(one["calls"] for one in before["counts"]) > 0
    assert after == before


# Killed.


@contextmanager
def at_the_desk(at):
    """Whoever asks a daemon in another process, and may change something."""
    with httpx.Client(base_url=f"{at}/api/v1/", trust_env=False, timeout=20) as client:
        client.headers["X-Tallywatch-Proof"] = client.get("me").json()["proof"]
        yield client


@pytest.mark.broker
@pytest.mark.slow
def test_what_was_answered_outlives_a_kill(tmp_path, broker):
    """Killed with -9 right after each answer, what was seen and shelved is so at the next start, again and again."""
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    (tmp_path / "settings.toml").write_text(
        f'[broker]\nurl = "{broker.url}"\n[metrics]\nport = 0\n'
        '[desk]\nport = 0\nunnamed = "act"\n[delivery.mqtt]\non = false\n'
        "[words]\npatience_s = 0.5\nskew_s = 0.2\nsettle_s = 0.5\njoin_wait_s = 1\n"
        "[detect.section-disturbed]\nsettle_s = 0.5\n",
        encoding="utf-8",
    )
    sections = ("T1", "T2", "T3", "T4")
    with daemon_process(tmp_path) as (process, at), at_the_desk(at) as client:
        for number, section in enumerate(sections):
            # So long ago that what each leads to is concluded soon.
            then = Clock()() - (10 - number) * SECOND
            asyncio.run(disturb(broker.url, section, 10 * number, then))
        end = time.monotonic() + 20
        while len(client.get("alerts").json()["alerts"]) < len(sections):
            assert time.monotonic() < end, client.get("alerts").text
            time.sleep(0.05)
        process.kill()
    seen: set[str] = set()
    shelved: set[str] = set()
    for section in sections:
        with daemon_process(tmp_path) as (process, at), at_the_desk(at) as client:
            found = client.get("alerts").json()["alerts"]
            by_subject = {
                one["record"]["subject"]: one
                for one in found
                if one["record"]["kind"] == "section-disturbed"
            }
            states = {one: told["state"] for one, told in by_subject.items()}
            assert {one for one, state in states.items() if state["AckedState"]} == seen
            assert {
                one
                for one, state in states.items()
                if state["ShelvingState"] == "TimedShelved"
            } == shelved
            subject = f"section/{section}"
            alert = by_subject[subject]["record"]["id"]
            act = {"what": "seen", "alert": alert}
            assert client.post("acts", json=act).status_code == 200
            seen.add(subject)
            shelve = {
                "what": "shelved",
                "kind": "section-disturbed",
                "subject": subject,
                "text": "rail out",
                "until": exact(Clock()() + HOUR),
            }
            assert client.post("acts", json=shelve).status_code == 200
            os.kill(process.pid, signal.SIGKILL)
            shelved.add(subject)
    assert verify(tmp_path / "journal.sqlite").position is None


# Live and replayed.


def told(settings):
    """Every alert, fault and call line that was stored, each in its order."""
    with Store.open(settings.files.alerts) as store:
        rows = store._connection.execute(
            "SELECT body FROM item WHERE what = 'fault' ORDER BY number"
        )
        return list(store.lines()), [text for (text,) in rows], store.calls()


@pytest.mark.broker
async def test_with_what_people_entered_live_and_replayed_are_one(
    tmp_path, broker, monkeypatch
):
    """Alerts, faults, numbers, calls and texts of a live monitor, at whose desk resets and work were entered, come out again byte for byte of the recording of its journal."""
    settings = quick(tmp_path, broker.url)
    clock, begun = Clock(), Clock()()
    async with watching(settings) as daemon, asking(daemon) as client:
        await until(lambda: daemon.counts.connected)
        await disturb(broker.url, "T2", 1)
        fault = await fault_at(client)
        await sent(client, "acts", what="seen", fault=fault["id"])
        entry = {"position": "desk"}
        await sent(
            client, "entries", what="reset", section="T2", kind="unconditional", **entry
        )
        await publish(broker.url, event(3, "T2", "clear", clock()))
        await publish(broker.url, event(4, "T2", "disturbed", clock()))
        work = {"subjects": ["section/T4"], "reference": "W7", **entry}
        await sent(client, "entries", what="work_begun", **work)
        await disturb(broker.url, "T4", 10)
        await disturb(broker.url, "T1", 20)
        await fault_at(client, "T1")
        await sent(client, "entries", what="work_ended", **work)
        await fault_at(client, "T4")
        await publish(broker.url, event(30, "T1", "clear", clock()))
        await until(lambda: "T1" not in str(daemon.engine.alerts.open.values()))
        # Longer than the patience, so that nothing falls due after the last event.
        await until(lambda: (daemon.engine.watermark or 0) > clock() - 2 * SECOND)
    live = told(settings)
    over = exact(clock() + MINUTE)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    (tmp_path / "settings.toml").write_text(
        "[words]\npatience_s = 0.5\nskew_s = 0.2\nsettle_s = 0.5\njoin_wait_s = 1\n"
        "[detect.section-disturbed]\nsettle_s = 0.5\n",
        encoding="utf-8",
    )
    for words in (
        [
            "export",
            "--journal",
            str(settings.files.journal),
            "--events",
            "out.jsonl",
            "--from",
            exact(begun - MINUTE),
            "--to",
            over,
        ],
        [
            "replay",
            "--line",
            "line.toml",
            "--settings",
            "settings.toml",
            "--events",
            "out.jsonl",
            "--alerts",
            "alerts.jsonl",
            "--faults",
            "faults.jsonl",
            "--calls",
            "calls.jsonl",
        ],
    ):
        ended = CliRunner().invoke(app, words)
        assert ended.exit_code == 0, ended.output
    replayed = tuple(
        (tmp_path / f"{name}.jsonl").read_text().splitlines()
        for name in ("alerts", "faults", "calls")
    )
    assert replayed == live
    kinds = {json.loads(one)["kind"] for one in live[0]}
    assert {"section-disturbed", "reset-not-held"} <= kinds
    assert len(live[1]) > 3
    assert len(live[2]) > 2
