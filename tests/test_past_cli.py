from __future__ import annotations

import asyncio
import json
import os

import aiomqtt
import pytest
from typer.testing import CliRunner

from monitor import cli
from monitor.core.moments import HOUR, MINUTE, SECOND, parse, stamp
from monitor.core.words import CAUTION
from monitor.journal import Journal
from monitor.settings import read_url
from monitor.shown import Painted, Shown, entry as shown_entry
from monitor.store import Store
from tests.journals import come, connect, start
from tests.live import LINE
from tests.mosquitto import running
from tests.test_past import SLOW, disturbed, state

SIX = parse("2026-05-04T06:00:00Z")
WINDOW = ("--from", stamp(SIX), "--to", stamp(SIX + HOUR))


@pytest.fixture(name="here", autouse=True)
def _here(tmp_path, monkeypatch):
    """The directory of a monitor with settings of its own, in which T2 was disturbed."""
    for name in list(os.environ):
        if name.startswith("TALLYWATCH_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    data = tmp_path / "var"
    data.mkdir()
    with Journal.open(data / "journal.sqlite") as journal:
        start(journal, SIX, LINE, detect=SLOW)
        connect(journal, SIX)
        come(journal, disturbed(1, SIX + MINUTE, minutes=12))
    (tmp_path / "settings.toml").write_text(
        '[files]\njournal = "var/journal.sqlite"\n', encoding="utf-8"
    )
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    return tmp_path


def call(*arguments):
    """The command line with *arguments*, as it ended."""
    return CliRunner().invoke(cli.app, [str(one) for one in arguments])


def done(*arguments):
    """The same, where it went well."""
    ended = call(*arguments)
    assert ended.exit_code == 0, ended.output
    return ended


def raised(ended):
    """When the alerts that were printed were raised."""
    return {json.loads(text)["raised"] for text in ended.stdout.splitlines()}


@pytest.mark.parametrize(
    "there",
    [
        pytest.param(("--data", "var"), id="data"),
        pytest.param(("--journal", "var/journal.sqlite"), id="journal"),
        pytest.param(("--files-of", "settings.toml"), id="settings of the daemon"),
    ],
)
def test_replay_of_a_window_goes_by_what_was_in_force(there):
    """Without line file and settings, and it says which it used."""
    ended = done("replay", *WINDOW, *there)

    assert raised(ended) == {"2026-05-04T06:11:01.000Z"}
    assert "In force from 2026-05-04 06:00:00 (+00:00, UTC) on" in ended.stderr
    assert "Used instead" not in ended.stderr


def test_replay_of_a_window_goes_by_what_is_given(here):
    """Settings and line file that are named are used, and it says so."""
    (here / "plain.toml").write_text("", encoding="utf-8")
    ended = done(
        *("replay", *WINDOW, "--data", "var"),
        *("--settings", "plain.toml", "--line", "line.toml"),
    )

    assert raised(ended) == {"2026-05-04T06:01:06.000Z"}
    assert "Used instead of what was in force: the line file and settings given." in (
        ended.stderr
    )


def test_replay_of_a_window_can_be_verified():
    """The second checker reads the same window."""
    ended = done("replay", *WINDOW, "--data", "var", "--verify")

    assert "alerts worked out again" in ended.stderr


def test_each_is_verified_by_what_it_was_concluded_by(here):
    """Occupied with no train was told after two minutes, and then after twenty: T2 by the first settings alone, T3 by the second; both are right."""
    patient = {"occupied-no-train": {"no_train_after_s": 1200}}
    names = ("T1", "T2", "T3", "T4")
    with Journal.open(here / "var/long.sqlite") as journal:
        start(journal, SIX, LINE)
        connect(journal, SIX)
        come(
            journal, [state(n, SIX + n, "clear", name) for n, name in enumerate(names)]
        )
        come(journal, occupied(10, SIX + MINUTE, "T2", 10))
        start(journal, SIX + 20 * MINUTE, LINE, detect=patient)
        connect(journal, SIX + 20 * MINUTE)
        come(journal, occupied(20, SIX + 25 * MINUTE, "T3", 25))
    ended = done("replay", *WINDOW, "--journal", "var/long.sqlite", "--verify")

    assert {"2026-05-04T06:03:00.000Z", "2026-05-04T06:45:00.000Z"} <= raised(ended)
    assert "2 alerts worked out again: 2 agrees, 0 disagrees" in ended.stderr


def occupied(number, at, section, minutes):
    """A section is occupied for some minutes, and nobody entered."""
    return [
        state(number, at, "occupied", section),
        state(number + 1, at + minutes * MINUTE, "clear", section),
    ]


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ((), "--events FILE, or --from TIME and --to TIME"),
        (("--from", "2026-05-04T06:00:00Z"), "--from TIME and --to TIME"),
        (("--events", "day.jsonl"), "--events needs --line"),
        (
            ("--events", "x.jsonl", "--line", "line.toml", "--data", "var"),
            "--events is a recording",
        ),
    ],
)
def test_replay_needs_a_recording_or_a_window(given, told):
    """One of the two, whole."""
    ended = call("replay", *given)

    assert ended.exit_code == 2
    assert told in ended.stderr


def test_explain_takes_the_journal():
    """By the settings of then, with the caution, and it says how far it looked."""
    ended = done(
        *("explain", "--data", "var", "--section", "T2"),
        *("--at", "2026-05-04T06:05:00Z", "--kind", "section-disturbed"),
    )

    lines = ended.stdout.splitlines()
    assert lines[0] == "T2 at 2026-05-04 06:05:00 (+00:00, UTC):"
    assert lines[1] == "T2 shows disturbed since 06:01:01."
    assert any("10 min" in one for one in lines)
    assert "What came before 2026-05-04 06:00:00 (+00:00, UTC) is not looked at." in (
        lines
    )
    assert lines[-1] == CAUTION


def test_explain_of_a_moment_after_the_journal_says_so():
    """Nothing is made up about what was never written."""
    ended = done(
        *("explain", "--data", "var", "--section", "T2"),
        *("--at", "2026-05-05T00:00:00Z"),
    )

    assert "Nothing is journaled after 2026-05-04 06:13:00 (+00:00, UTC)." in (
        ended.stdout
    )


def test_explain_of_a_section_that_was_not_there():
    """Told in a line."""
    ended = call("explain", "--data", "var", "--section", "T9", "--at", stamp(SIX))

    assert ended.exit_code == 1
    assert ended.stderr.splitlines()[-1] == "there was no section T9 in four sections"


# shown


PAGE = (
    "page 01234567 of A. Moor at north: in front, sound silenced, "
    "as it said last at 06:11:03"
)
NOT_YET = (
    "  not yet: 94MT3 T3 disturbed (prompt), concluded 06:11:01; "
    "never painted at this desk"
)


@pytest.fixture(name="painted")
def _painted(here):
    """North has painted T2 at 06:11:03; then its monitor's store knows T2 and T3."""
    began = SIX + 11 * MINUTE
    with Journal.open(here / "var/journal.sqlite") as journal:
        journal.append(
            [
                shown_entry(
                    Shown(
                        id="a1",
                        position="north",
                        by="A. Moor",
                        page="0123456789abcdef",
                        at=began + 3 * SECOND,
                        entered=began + 3 * SECOND,
                        visible=True,
                        sound="muted",
                        faults=(
                            Painted(
                                fault="f1", headline="T2 disturbed", priority="prompt"
                            ),
                        ),
                    )
                )
            ]
        )
    with Store.open(here / "var/alerts.sqlite") as store:
        for number, (section, fault) in enumerate([("T2", "f1"), ("T3", "f2")]):
            at = began + number * SECOND
            store.put("fault", fault, fault, fault_of(section, fault, at), at)


def fault_of(section, fault, at):
    """A line of a fault."""
    return json.dumps(
        {
            "id": fault,
            "number": f"94M{section}",
            "headline": f"{section} disturbed",
            "priority": "prompt",
            "raised": stamp(at),
            "ended": None,
            "into": None,
            "lasting": [],
            "subjects": [f"section/{section}"],
        }
    )


@pytest.mark.usefixtures("painted")
def test_shown_says_what_was_painted_and_what_was_not_yet():
    """At the desk asked for, with the caution."""
    ended = done(
        *("shown", "--data", "var", "--at", "2026-05-04T06:11:05Z"),
        *("--position", "north"),
    )

    assert ended.stdout.splitlines() == [
        "north at 2026-05-04 06:11:05 (+00:00, UTC):",
        PAGE,
        "  painted 06:11:03: 94MT2 T2 disturbed (prompt)",
        NOT_YET,
        CAUTION,
    ]


@pytest.mark.usefixtures("painted")
def test_shown_before_any_page_said_something():
    """It says so."""
    ended = done(
        *("shown", "--data", "var", "--at", "2026-05-04T06:10:05Z"),
        *("--position", "north"),
    )

    assert "No page had said anything by then." in ended.stdout


@pytest.mark.usefixtures("painted")
def test_shown_refuses_a_desk_that_there_is_not():
    """A slip of the keys is not answered as if nothing had been shown; those that there are, are named."""
    ended = call(
        *("shown", "--data", "var", "--at", "2026-05-04T06:11:05Z"),
        *("--position", "nroth"),
    )

    assert ended.exit_code == 2
    assert "there is no desk nroth; there are: north" in " ".join(
        ended.stderr.replace("│", " ").split()
    )


def test_shown_without_the_store_says_what_it_cannot_tell(here, painted):
    """The journal alone knows what was painted."""
    assert painted is None
    (here / "var/alerts.sqlite").unlink()
    ended = done("shown", "--data", "var", "--at", "2026-05-04T06:11:05Z")

    assert "what was concluded and not painted cannot be said" in ended.stderr
    assert "  painted 06:11:03: f1 T2 disturbed (prompt)" in ended.stdout.splitlines()


# play


@pytest.mark.broker
@pytest.mark.slow
async def test_a_window_of_the_journal_is_played_as_a_rehearsal(here):
    """Its events come with the time that they had, marked; what only a monitor writes does not come."""
    with running(here / "broker") as broker:
        address = read_url(broker.url)
        async with aiomqtt.Client(address.host, address.port) as client:
            await client.subscribe("#", qos=1)
            ended = await asyncio.to_thread(
                call,
                *("play", *WINDOW, "--data", "var", "--speed", "100000"),
                *("--broker", broker.url),
            )
            assert ended.exit_code == 0, ended.output
            async with asyncio.timeout(10):
                came = [await anext(client.messages) for _ in range(3)]

    assert "3 events published; 6 left out" in ended.stderr
    told = [json.loads(bytes(one.payload)) for one in came]
    assert [one["id"] for one in told] == ["1", "2", "3"]
    assert {one["rehearsal"] for one in told} == {f"journal {WINDOW[1]}"}
    assert {str(one.topic).split("/")[0] for one in came} == {"rehearsal"}
