"""A monitor that rehearses follows what is played also where it is turned back."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from contextlib import contextmanager
from typing import Any

import aiomqtt
import pytest
from playwright.async_api import expect

from monitor.acts import acts, entry as act_entry
from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.layout import read_line
from monitor.core.moments import MINUTE, SECOND, parse
from monitor.core.ordering import Outcome
from monitor.core.wire import Reading, write
from monitor.handling import Act
from monitor.journal import Entry, Journal, verify
from monitor.rehearsals import begin_again
from monitor.store import Store
from replay.deck import Deck
from replay.player import play, replay
from tests.desk.pages.browsing import CHROMIUM, chromium
from tests.live import LINE, ROOT, quick, until, watching
from tests.mosquitto import open_port, running

SIX = parse("2026-05-04T06:00:00Z")


CLEAR = "T1", "T2", "T3", "T4"


def shows(number, minutes, section, state):
    """A section shows something so many minutes after six, heard 200 ms later."""
    at = SIX + round(minutes * MINUTE)
    return SectionState(
        id=str(number), source="gw/1", subject=section, time=at,
        arrival=at + SECOND // 5, state=State(state), sequence=number,
    )  # fmt: skip


DAY = [
    shows(number, *rest)
    for number, rest in enumerate(
        [
            *((0, name, "clear") for name in ("T1", "T2", "T3", "T4")),
            (1, "T2", "disturbed"),
            (6, "T2", "clear"),
            (9, "T1", "occupied"),
            (11, "T3", "disturbed"),
            (14, "T3", "clear"),
            (15, "T1", "clear"),
        ]
    )
]


def fill(path, events, *more):
    """A journal of what was played, and what came besides."""
    with Journal.open(path, played=True) as journal:
        for event in events:
            one = Entry(
                payload=write(event),
                arrival=SIX,
                reading=Reading(events=(event,)),
                topic=f"a/{event.subject}/state",
                recorded=True,
            )
            journal.append([one])
        journal.append([*more])


def test_a_new_journal_begins_with_what_had_come_by_then(tmp_path):
    """Each fits its own chain, the whole one is kept under another name, and so is what was made of it."""
    path, alerts = tmp_path / "journal.sqlite", tmp_path / "alerts.sqlite"
    seen = Act(id="a", at=SIX, entered=SIX, by="Ada", position="north", what="seen")
    fill(path, DAY[:6], act_entry(seen))
    fill(path, DAY[6:], act_entry(seen))
    alerts.write_text("alerts")
    (tmp_path / "alerts.sqlite-wal").write_text("and more")

    kept = begin_again(path, (alerts, tmp_path / "history.sqlite"), SIX + 10 * MINUTE)

    with Journal.read(path) as journal, Journal.read(kept) as whole:
        assert [one.id for one in journal.events()] == [str(n) for n in range(7)]
        assert len(list(acts(journal.kept()))) == 1
        assert len(list(whole.events())) == len(DAY)
        assert journal.played
        assert journal.digest_at(8) == whole.digest_at(8)
    assert verify(path).position is None
    assert verify(kept).records == len(DAY) + 2
    assert sorted(one.name for one in tmp_path.glob("alerts*")) == [
        "alerts.before-again-1.sqlite",
        "alerts.before-again-1.sqlite-wal",
    ]
    again = begin_again(path, (alerts,), SIX + 100 * MINUTE)
    assert again.name == "journal.before-again-2.sqlite"
    assert verify(path).records == 8
    assert not list(tmp_path.glob("*.new"))


@contextmanager
def monitor(directory, broker):
    """A monitor that rehearses, in a process of its own; gives what gives the lines of its log."""
    (directory / "line.toml").write_text(LINE, encoding="utf-8")
    names = ("journal", "alerts", "history")
    files = "\n".join(f'{one} = "{one}.sqlite"' for one in names)
    (directory / "settings.toml").write_text(
        f'[broker]\nurl = "{broker.url}"\n[files]\n{files}\n'
        f"[metrics]\nport = 0\n[desk]\nport = {open_port()}\n",
        encoding="utf-8",
    )
    log = directory / "log"
    command = ["run", "--line", "line.toml", "--settings", "settings.toml"]
    with log.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor", *command, "--rehearsal"],
            cwd=directory,
            stderr=file,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )

    def said(event):
        lines = log.read_text(encoding="utf-8").splitlines(keepends=True)
        whole = [json.loads(one) for one in lines if one.endswith("\n")]
        return [one for one in whole if one["event"] == event]

    try:
        yield said
        process.terminate()
        assert process.wait(20) == 0, log.read_text()
    finally:
        process.kill()
        process.wait()


async def kept_by(broker):
    """What somebody gets who comes now: what each section showed, and whether that is told as still so."""
    found = {}
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.subscribe("rehearsal/#", qos=1)
        async with asyncio.timeout(10):
            async for message in client.messages:
                told = json.loads(message.payload)
                assert message.retain
                found[told["subject"]] = told["data"]["state"]
                if len(found) == 4:
                    return found
    raise AssertionError


@pytest.mark.broker
async def test_a_monitor_that_comes_later_has_the_picture(tmp_path):
    """What the broker retained is so now, however long ago it was said, and nothing of it is late."""
    deck = Deck(3000.0, begin=SIX)
    with running(tmp_path / "broker") as broker:
        async with (
            aiomqtt.Client("127.0.0.1", broker.port) as client,
            asyncio.TaskGroup() as group,
        ):

            async def publish(topic, payload, *, retain):
                await client.publish(topic, payload, qos=1, retain=retain)

            how: dict[str, Any] = {"line": read_line(LINE), "name": "monday"}
            group.create_task(
                play(lambda: iter(DAY[:8]), publish, deck=deck, stays=True, **how)
            )
            await until(lambda: deck.held)
            settings = quick(tmp_path, broker.url)
            async with watching(settings, rehearsal=True) as daemon:
                ordering = daemon.engine.ordering
                await until(lambda: sum(ordering.counts.values()) >= 4)
                late = daemon.engine.ordering.counts[Outcome.LATE]
            deck.end()
    with Journal.read(settings.files.journal) as journal:
        came = [one for one in journal.events() if isinstance(one, SectionState)]
    assert late == 0
    assert {one.subject: one.state.value for one in came} == {
        "T1": "occupied", "T2": "clear", "T3": "disturbed", "T4": "clear",
    }  # fmt: skip
    assert all(one.retained for one in came)


@pytest.mark.broker
@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here")
async def test_a_desk_goes_back_with_what_is_played(tmp_path):
    """Played to its end, back to before T3 was disturbed, and on: what is concluded then is what had been concluded by then, nothing of it is told as new, and in the end all is as in a replay."""
    alerts = tmp_path / "alerts.sqlite"

    def stored():
        with Store.to_read(alerts) as store:
            return list(store.lines())

    with running(tmp_path / "broker") as broker, monitor(tmp_path, broker) as said:
        await until(lambda: said("connected"), 40)
        deck = Deck(3000.0, begin=SIX)
        async with (
            aiomqtt.Client("127.0.0.1", broker.port) as client,
            chromium() as browser,
            asyncio.TaskGroup() as group,
        ):
            page = await browser.new_page()

            async def publish(topic, payload, *, retain):
                await client.publish(topic, payload, qos=1, retain=retain)

            how: dict[str, Any] = {
                "line": read_line(LINE),
                "name": "monday",
                "deck": deck,
            }
            playing = group.create_task(
                play(lambda: iter(DAY), publish, stays=True, **how)
            )
            await until(lambda: len(said("alert")) >= 4, 40)
            first = [(one["id"], one["ended"]) for one in said("alert")]
            assert await kept_by(broker) == dict.fromkeys(CLEAR, "clear")
            await page.goto(said("desk")[0]["at"])
            anew: list[str] = []
            page.on("load", lambda loaded: anew.append(loaded.url))

            deck.to(SIX + 10 * MINUTE)
            await until(lambda: len(said("connected")) == 2, 40)
            assert await kept_by(broker) == dict.fromkeys(CLEAR, "clear") | {
                "T1": "occupied"
            }
            [back] = said("turned back")
            assert back["to"] == "2026-05-04T06:10:00.000Z"
            assert {json.loads(one)["subject"] for one in stored()} == {"section/T2"}
            told = len(said("alert"))
            # Whoever has the desk open has it as it was then, and nothing of later.
            await until(lambda: anew, 20)
            await expect(page.locator("#clock")).to_have_text("06:10:00")

            deck.hold()
            await until(lambda: len(said("alert")) >= told + 2, 40)
            later = [(one["id"], one["ended"]) for one in said("alert")[told:]]
            deck.end()
            played = await playing
    assert played.again == 1
    assert later == [one for one in first if one[0] in {name for name, _ in later}]
    assert len({name for name, _ in later}) == 1
    engine = Engine(read_line(LINE), monitor="monitor-1")
    replayed = [
        alert_line(one) for output in replay(engine, DAY) for one in output.alerts
    ]
    assert [one for one in stored() if "T2" in one or "T3" in one] == replayed
    assert verify(tmp_path / "journal.sqlite").position is None
    assert verify(tmp_path / "journal.before-again-1.sqlite").position is None
