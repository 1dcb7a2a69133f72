"""`tallywatch report`: out of what a monitor wrote, and out of a recording."""

from __future__ import annotations

import json
import sqlite3

import pytest
from typer.testing import CliRunner

from monitor import cli
from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, parse
from monitor.history import History
from monitor.journal import Journal
from monitor.store import Store
from replay.recording import write_recording
from tests.journals import come, connect, start
from tests.live import LINE

SIX = parse("2026-05-04T06:00:00Z")
MONDAY = ("--from", "2026-05-04T00:00:00Z", "--to", "2026-05-05T00:00:00Z")


def told(*arguments):
    """What a command gives."""
    return CliRunner().invoke(cli.app, ["report", *(str(one) for one in arguments)])


def events():
    """T2 is disturbed twice."""
    found = []
    for number, (minutes, shows) in enumerate(
        (
            (0, "clear"),
            (10, "disturbed"),
            (20, "clear"),
            (70, "disturbed"),
            (75, "clear"),
        )
    ):
        at = SIX + minutes * MINUTE
        found += [
            SectionState(
                id=f"{number}{name}",
                source="gw/1",
                subject=name,
                time=at,
                arrival=at,
                state=State(shows if name == "T2" else "clear"),
            )
            for name in read_line(LINE).sections
        ]
    return found


@pytest.fixture(name="data")
def _data(tmp_path):
    """Where a monitor ran, for a morning."""
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        start(journal, SIX, LINE)
        connect(journal, SIX)
        come(journal, events())
        engine = Engine(read_line(LINE))
        outputs = [engine.take(one) for one in journal.events()]
        outputs.append(engine.pass_time(SIX + 3 * HOUR))
    with (
        History.open(tmp_path / "history.sqlite") as history,
        Store.open(tmp_path / "alerts.sqlite") as store,
    ):
        for output in outputs:
            history.write(output.facts)
            store.keep(output.alerts)
    return tmp_path


def test_of_a_monitor(data):
    """Out of its journal, history and alerts; with the line file that was in force."""
    found = told("--data", data, *MONDAY, "--format", "json")

    assert found.exit_code == 0, found.stderr
    report = json.loads(found.stdout)
    sections = {one["id"]: one for one in report["sections"]}
    assert sections["T2"]["disturbances"] == 2
    assert sections["T2"]["not_available_min"] == 15
    assert sections["T2"]["alerts"] >= 2
    assert report["known_up_to"] < "2026-05-04T10"
    assert "Nothing here proves" in found.stderr


@pytest.mark.parametrize(
    ("form", "begins"), [("html", b"<!DOCTYPE html>"), ("xlsx", b"PK")]
)
def test_in_other_formats(data, tmp_path, form, begins):
    """A page, which is what one gets without asking, and a workbook."""
    out = tmp_path / f"out.{form}"
    asked = () if form == "html" else ("--format", form)
    found = told("--data", data, *MONDAY, *asked, "--out", out)

    assert found.exit_code == 0, found.stderr
    assert out.read_bytes().startswith(begins)


def test_of_a_recording(tmp_path):
    """The same of the events alone, with the line file."""
    (tmp_path / "line.toml").write_text(LINE)
    write_recording(tmp_path / "day.jsonl", events())
    with (tmp_path / "day.jsonl").open("a") as file:
        file.write("no event\n")
    found = told(
        "--events", tmp_path / "day.jsonl", "--line", tmp_path / "line.toml",
        *MONDAY, "--format", "csv", "--out", tmp_path / "out.csv",
    )  # fmt: skip

    assert found.exit_code == 0, found.stderr
    rows = (tmp_path / "out.csv").read_text().splitlines()
    [row] = [one for one in rows if one.startswith("section,T2,")]
    # Twice within a day: one occasion; Garwood, 1 at 95 %: references
    assert ",2,1,0.0253178,5.57164," in row
    assert "1 bad lines" in found.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("--from", MONDAY[3], "--to", MONDAY[1]), 2, "not before"),
        ((*MONDAY, "--events", "day.jsonl"), 2, "needs --line"),
        ((*MONDAY, "--data", "nowhere"), 1, "nowhere"),
        ((*MONDAY, "--format", "pdf"), 2, "pdf"),
        (("--from", "yesterday", "--to", MONDAY[1]), 2, "yesterday"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(arguments, code, said):
    """No traceback for a mistake of whoever asks."""
    found = told(*arguments)

    assert found.exit_code == code
    assert said in found.stderr
    assert "Traceback" not in found.output


def test_a_journal_that_names_no_line_file_is_told(tmp_path):
    """Then one has to be given."""
    with Journal.open(tmp_path / "journal.sqlite"):
        pass
    with History.open(tmp_path / "history.sqlite"):
        pass
    found = told("--data", tmp_path, *MONDAY, "--format", "json")
    (tmp_path / "line.toml").write_text(LINE)
    other = told(
        "--data",
        tmp_path,
        *MONDAY,
        "--format",
        "json",
        "--line",
        tmp_path / "line.toml",
    )

    assert found.exit_code == 1
    assert "names no line file" in found.stderr
    assert other.exit_code == 0
    assert not json.loads(other.stdout)["whole"]["heard"]


def test_a_history_of_before_is_told(data):
    """Started once, the monitor brings it up to this version."""
    connection = sqlite3.connect(data / "history.sqlite")
    connection.execute("PRAGMA user_version = 0")
    connection.close()

    found = told("--data", data, *MONDAY, "--format", "json")
    assert found.exit_code == 1
    assert "start the monitor" in found.stderr
