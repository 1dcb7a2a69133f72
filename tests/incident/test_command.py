"""The report as the commands write it."""

from __future__ import annotations

import re

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.core.alerts import identify
from monitor.core.moments import MINUTE, SECOND, parse
from monitor.incident.__main__ import made
from monitor.incident.told import delivered
from monitor.past import PastFault
from monitor.store import Post, Store
from replay.recording import write_recording
from replay.simulator import simulation

SIX = parse("2026-05-04T06:00:00Z")


@pytest.fixture
def files(tmp_path, morning):
    """A recording and its line file."""
    line = simulation.__file__.replace("simulation.py", "line.toml")
    write_recording(tmp_path / "morning.jsonl", morning[1])
    return line, tmp_path


def test_replay_writes_the_report_beside_the_alerts(files):
    """One file, the same bytes each time, and the alerts are those of a replay without it."""
    line, folder = files

    def replayed(*more):
        given = ["replay", "--line", line, "--events", str(folder / "morning.jsonl")]
        found = CliRunner().invoke(app, [*given, *more])
        assert found.exit_code == 0, found.output
        return found.stdout

    with_report = [
        replayed("--report", str(folder / f"{name}.html")) for name in ("a", "b")
    ]

    assert with_report == [replayed()] * 2
    first, second = ((folder / f"{name}.html").read_bytes() for name in ("a", "b"))
    assert first == second
    assert first.startswith(b"<!DOCTYPE html>")


def test_an_engineer_is_told_what_showed_clear_and_who_saw_it(night):
    """The one command of the README, and in its report when it was so, heard, told and seen."""
    out = night / "incident.html"
    given = ["replay", "--journal", str(night / "journal.sqlite")]
    window = ["--from", "2026-05-04T06:00:00Z", "--to", "2026-05-04T06:30:00Z"]

    found = CliRunner().invoke(app, [*given, *window, "--report", str(out)])

    assert found.exit_code == 0, found.output
    text = out.read_text(encoding="utf-8")
    row = text[text.index("<b>T2</b> cleared, its train unaccounted for") :]
    row = row[: row.index("</tr>")]
    times = re.findall(r'<td class="time">(.*?)</td>', row)
    assert times[0] == "06:13:00.000"
    assert times[2:] == [
        "06:13:01.000",
        "06:15:10.000, north",
        "06:15:40.000, Ada",
        "open",
    ]
    assert "06:15:40 seen: fault " in text
    assert "In force from 2026-05-04 05:59:00" in text


def test_what_was_delivered_stands_in_the_report(night):
    """The store of the monitor says that the alert went by mail, before the desk had it."""
    lost = identify("vanished-train", "section/T2", SIX + 780 * SECOND)
    with Store.open(night / "alerts.sqlite") as store:
        store.put("alert", "digest", lost, "{}", SIX + 905 * SECOND)
        [item] = store.unrouted()
        store.route([(item, [Post(channel="mail", due=item.put)], "")])
        waiting = store.waiting("mail", SIX + 906 * SECOND)
        store.done("mail", waiting, "sent", SIX + 906 * SECOND)
    out = night / "incident.html"
    given = ["replay", "--journal", str(night / "journal.sqlite")]
    window = ["--from", "2026-05-04T06:00:00Z", "--to", "2026-05-04T06:30:00Z"]

    found = CliRunner().invoke(app, [*given, *window, "--report", str(out)])

    assert found.exit_code == 0, found.output
    assert "06:15:06.000, by mail" in out.read_text(encoding="utf-8")


def test_a_page_waits_for_so_many_events_and_no_longer(night, monkeypatch):
    """However long the window is: where too much came in it, the command that makes it is told."""
    journal, day = night / "journal.sqlite", 24 * 60 * MINUTE

    head, _ = made(journal, SIX - 3 * day, SIX + 3 * day, "", None)
    assert "At least 1 train was followed" in str(head["parts"])

    monkeypatch.setattr("monitor.incident.__main__.MOST", 8)
    with pytest.raises(
        PastFault, match=r"9 events .* 8 at most.* replay --from 2026-05-04T06:00:00"
    ):
        made(journal, SIX, SIX + 2 * MINUTE * 10, "", None)


def test_a_report_says_why_what_was_delivered_is_not_in_it(night):
    """Where the store is not there, or is none, or nothing is delivered anywhere: in words, rather than that nobody was told."""
    out = night / "incident.html"
    given = ["replay", "--journal", str(night / "journal.sqlite")]
    window = ["--from", "2026-05-04T06:00:00Z", "--to", "2026-05-04T06:30:00Z"]

    def text():
        found = CliRunner().invoke(app, [*given, *window, "--report", str(out)])
        assert found.exit_code == 0, found.output
        return out.read_text(encoding="utf-8")

    assert "there is no store alerts.sqlite where the monitor wrote" in text()
    (night / "alerts.sqlite").write_text("no database")
    assert "the store alerts.sqlite cannot be read (" in text()
    (night / "alerts.sqlite").unlink()
    with Store.open(night / "alerts.sqlite"):
        pass
    assert "What was delivered is not told" not in text()
    assert delivered(None, played=True).why == "A rehearsal is delivered nowhere."
