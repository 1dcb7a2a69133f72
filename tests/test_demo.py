from __future__ import annotations

import asyncio
import json
import os
import pty
import re
import termios
from io import StringIO
from pathlib import Path
from typing import Any

import httpx
import pytest
from rich.console import Console

from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import MINUTE, parse
from monitor.core.words import CAUTION
from monitor.demo import Show, Teller, example_line
from monitor.demo.hands import see
from monitor.demo.keys import keys
from monitor.demo.monitoring import Monitoring
from monitor.demo.show import BY_ITSELF, CAPTIONS, NIGHT, NOW_YOU, up_to_the_last
from monitor.demo.steps import Step, steps, told
from replay.simulator import scenarios

ROOT = Path(__file__).parents[1]

ROWS = (
    CAPTIONS[0][1],
    "prompt: P03 disturbed",
    CAPTIONS[1][1],
    "4 of 4 sections on cable C4 failed within",
    CAPTIONS[2][1],
    "resets waiting for a train: P03, P04, P05 and P06",
    "followed by a train; resets waiting for a train: P05",
    CAPTIONS[3][1],
    "urgent: T08 cleared by a reset with its train unaccounted for",
    "urgent: T08 shown clear, and a train came out of it into T09",
    "seconds later the train comes out. In railway time: 2 min of warning.",
    CAPTIONS[4][1],
    "7 of 24 sections not known",
    "all 24 sections known again",
    "After an incident: the same code, the same answers.",
    "Replaying these 17 minutes from the record",
    f"Now you: {NOW_YOU}.",
    "Seen: ",
    "Step by step, from the record",
    "  1  02:0",
    "Left.",
    "The monitor is killed (kill -9).",
    "It is back, ",
    BY_ITSELF,
    "Stopped. Nothing was left behind.",
)
"""What is told, in this order."""


def test_the_example_line_is_the_one_that_is_shipped():
    """The example beside the settings and the line of the demo are one file."""
    assert (ROOT / "deploy/example/line.toml").read_text() == example_line()
    assert len(read_line(example_line()).sections) == 24


def test_it_begins_when_the_tour_does():
    """The night of the captions is the night of the simulator's tour."""
    assert NIGHT == scenarios.NIGHT


async def until(condition, limit_s=150):
    """Wait until *condition* gives something, and give that."""
    async with asyncio.timeout(limit_s):
        while not (found := condition()):  # noqa: ASYNC110 (what is waited for tells nobody)
            await asyncio.sleep(0.05)
        return found


@pytest.mark.slow
async def test_the_tour_is_told_in_its_order_and_keys_do_what_they_say(
    tmp_path, monkeypatch
):
    """The rows of the tour come in their order; the record replayed says the same, letter for letter; a monitor that is killed has lost nothing and told nothing twice; and nothing is left behind."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    out = StringIO()
    show = Show(Console(file=out, width=400), speed=40, keyed=True)

    def says(text):
        return lambda: text in out.getvalue()

    async with asyncio.TaskGroup() as group:
        running = group.create_task(show.run())
        await until(says("urgent: T08 cleared"))
        async with httpx.AsyncClient() as client:
            page = (await client.get(show.desk)).text
            await until(says("Now you"))
            show.press("s")
            await until(says("Seen: "))
            [grave] = [
                one
                for one in (
                    await client.get(f"{show.desk}/api/v1/faults?open=true")
                ).json()
                if one["priority"] == "urgent"
            ]
        for key in ("r", "r", "enter", "escape", "x"):
            show.press(key)
        await until(says("It is back"))
        show.press("enter")
        await until(says(BY_ITSELF))
        left = list(tmp_path.iterdir())
        show.stopped.set()
        await running
    text = out.getvalue()
    at = 0
    for row in ROWS:
        assert row in text[at:], (row, text)
        at = text.index(row, at)

    assert CAUTION in text
    assert 'id="caption" role="status">' in page
    assert grave["seen"]
    replayed = re.search(r"(\d+) alert lines told, (\d+) of (\d+) identical", text)
    assert replayed is not None
    assert len(set(replayed.groups())) == 1
    assert int(replayed[1]) > 8
    back = re.search(
        r"(\d+) events lost, (\d+) alerts twice \(of (\d+) .* sent, (\d+) of", text
    )
    assert back is not None
    assert back.groups()[:2] == ("0", "0")
    assert int(back[3]) > int(back[4]) > 20
    assert left
    assert list(tmp_path.iterdir()) == []


async def test_a_monitor_that_was_not_there_in_time_is_no_show(tmp_path, capfd):
    """Where the monitor's process cannot do its work, that is told, and no show goes on without it."""
    monitoring = Monitoring(tmp_path / "nobody's", "mqtt://127.0.0.1:1")
    (tmp_path / "nobody's").write_text("a file")
    await monitoring.start()
    assert await monitoring.run() == 1
    with pytest.raises(Exception, match="could not be started"):
        await monitoring.ready()
    await monitoring.end()

    assert "nobody's" in capfd.readouterr().err


def test_plain_leaves_captions_out():
    """Asked for plainly, nothing but what was found is said, and nothing on the pages."""
    out = StringIO()
    shown: list[str] = []
    line = read_line(example_line())
    Teller(Console(file=out), line, captions=False, shown=shown.append).caption(
        "A cable fails."
    )
    plain = out.getvalue()
    Teller(Console(file=out), line, captions=True, shown=shown.append).caption(
        "A cable fails."
    )

    assert plain == ""
    assert "A cable fails." in out.getvalue()
    assert shown == ["A cable fails."]


def test_what_is_held_comes_later_and_what_is_told_twice_is_counted():
    """While something else is read nothing comes between; a line told again is counted."""
    out = StringIO()
    teller = Teller(Console(file=out, width=200), read_line(example_line()), True)
    record: dict[str, Any] = {
        "id": "a",
        "kind": "section-disturbed",
        "priority": "prompt",
        "raised": "2026-05-04T02:03:00Z",
        "ended": None,
        "summary": "P03 disturbed",
        "parameters": {},
        "subject": "section/P03",
    }
    teller.hold()
    teller.alert(json.dumps(record), record)
    held = out.getvalue()
    teller.release()

    assert held == ""
    assert "02:03:00  prompt: P03 disturbed" in out.getvalue()
    assert teller.twice == 0
    teller.alert(json.dumps(record), record)
    assert teller.twice == 1


def test_a_lost_train_step_by_step():
    """The steps tell how the train came in, the reset, and the clear that no neighbour accounts for, each with what was known since; the last is the alert."""
    line = read_line(example_line())
    until = NIGHT + 12 * MINUTE
    events = [
        one
        for one in scenarios.tour(line, hours=0.5).simulate(line).events
        if one.time < until
    ]
    engine = Engine(line)
    [record] = [
        {
            "id": one.id,
            "kind": one.kind,
            "subject": one.subject,
            "priority": one.priority,
            "began": "2026-05-04T02:09:00Z",
            "raised": "2026-05-04T02:09:05Z",
            "summary": "T08 cleared",
        }
        for event in events
        for one in engine.take(event).alerts
        if one.kind == "vanished-train" and one.raised < parse("2026-05-04T02:10:00Z")
    ]
    found = list(steps(Engine(line), events, record))
    came = [one.came for one in found]

    assert came.index("T08 shows occupied") < came.index(
        "T08: reset accepted by the signaller"
    )
    assert came[-1] == "urgent: T08 cleared"
    known = [sentence for one in found for sentence in one.knows]
    assert any(
        "T07 was not clear or not known, which explains it" in one for one in known
    )
    assert any(
        "cleared by a reset, and its exit is not explained" in one for one in known
    )
    assert not any(one.startswith("vanished-train: Raised") for one in known)


def test_a_step_on_a_terminal():
    """Its number, its time, what came, and below it what was known since."""
    line = read_line(example_line())

    assert told(
        Step(NIGHT, "T08 shows occupied", ("A train is in T08.",)), 1, line
    ) == [
        "  1  02:00:00  T08 shows occupied",
        "                 A train is in T08.",
    ]


async def test_keys_come_one_by_one_and_the_terminal_is_as_before(monkeypatch):
    """A letter is itself in small, Enter and Esc by name, an arrow nothing; also where several are read at once."""
    ours, theirs = pty.openpty()
    with os.fdopen(theirs) as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        before = termios.tcgetattr(theirs)
        heard: list[str] = []
        with keys(heard.append) as there:
            for pressed in (b"S", b"\x1b[A", b"\n", b"\x1b", b"r\x1b[1;5BX\n"):
                os.write(ours, pressed)
                await asyncio.sleep(0.05)
        assert there
        assert heard == ["s", "enter", "escape", "r", "x", "enter"]
        assert termios.tcgetattr(theirs) == before
    os.close(ours)


async def test_without_a_terminal_there_are_no_keys(monkeypatch):
    """What is piped in is not pressed."""
    monkeypatch.setattr("sys.stdin", StringIO("x"))
    with keys(pytest.fail) as there:
        assert not there


def test_what_cannot_be_asked_is_told():
    """A desk that is away is said, and no traceback."""
    assert see("http://127.0.0.1:9").startswith("The monitor cannot be asked now")


def test_what_is_replayed_is_held_only_against_what_could_have_been_told():
    """The journal is ahead of what was told by then; a line in between that was never told still counts."""
    assert up_to_the_last(["a", "b", "c"], {"a", "b"}) == (2, 2)
    assert up_to_the_last(["a", "x", "b", "c"], {"a", "b"}) == (3, 2)
    assert up_to_the_last(["a"], {"z"}) == (1, 0)
