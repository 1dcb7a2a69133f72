"""What if: what other settings or another line file would have concluded, drawn beside what was concluded."""

from __future__ import annotations

import json
import re

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.core.alerts import line as alert_line
from monitor.core.moments import HOUR, parse
from monitor.core.tuning import Detection
from monitor.incident.report import pieces_of
from monitor.journal import Journal
from monitor.past import Past
from monitor.store import Store
from replay.otherwise import beside, said_live
from tests.incident.reading import data_of, spans_of
from tests.incident.test_pieces import day, told
from tests.live import LINE

SIX = parse("2026-05-04T06:00:00Z")
SLOW = "[detect.section-disturbed]\nsettle_s = 60\n"
SLOWER = "[detect.section-disturbed]\nsettle_s = 600\n"


@pytest.fixture(name="night")
def _night(tmp_path):
    """T2 disturbed twice for four minutes, as a monitor wrote it, with the store of what it said."""
    with (
        Journal.open(tmp_path / "journal.sqlite") as journal,
        Store.open(tmp_path / "alerts.sqlite") as store,
    ):
        for output in day(journal, LINE, LINE).outputs():
            store.keep(output.alerts, output.faults, output.calls)
    return tmp_path


def report(folder, *given):
    """The report of that hour."""
    out = folder / "out.html"
    window = ("--from", "2026-05-04T06:00:00Z", "--to", "2026-05-04T07:00:00Z")
    told = CliRunner().invoke(
        app, ["replay", "--data", str(folder), *window, *given, "--report", str(out)]
    )
    assert told.exit_code == 0, told.output
    return out.read_text(encoding="utf-8")


def tried(folder, text):
    """Settings to be tried, in a file."""
    path = folder / "tried.toml"
    path.write_text(text, encoding="utf-8")
    return "--settings", str(path)


def disturbed(alerts):
    """The alerts about a disturbed section: which way they are other, and when they were raised, s after six."""
    return [
        (one["way"], one["raised"] // 1000)
        for one in alerts
        if json.loads(one["lines"][0][1])["kind"] == "section-disturbed"
    ]


def test_what_would_have_moved_is_drawn_beside_what_was(night):
    """Both sides hold their own alerts on one time axis, each with what it is on the other; the events stand there once."""
    text = report(night, *tried(night, SLOW))

    found = data_of(text)
    other = found["beside"]
    assert disturbed(found["alerts"]) == [("moved", 605), ("moved", 2405)]
    assert disturbed(other["alerts"]) == [("moved", 660), ("moved", 2460)]
    assert {one["mate"] for one in found["alerts"]} == {
        json.loads(one["lines"][0][1])["id"] for one in other["alerts"]
    }
    assert list(spans_of({**found, **other})) == list(spans_of(found))
    assert "events" not in other
    rows = re.findall(r"<tr data-here=.*?</tr>", text, re.DOTALL)
    assert len(rows) == 2
    assert all("raised 55 s later" in one for one in rows)
    assert "what would have been by the settings tried.toml" in text
    assert "A is, line for line, what the monitor said live, by its store." in text
    assert report(night, *tried(night, SLOW)) == text


def test_what_would_have_been_lost_and_gained_is_told(night):
    """Against settings under which nothing is told; and the other way round."""
    text = report(night, *tried(night, SLOWER))
    found = data_of(text)
    assert disturbed(found["alerts"]) == [("lost", 605), ("lost", 2405)]
    assert disturbed(found["beside"]["alerts"]) == []
    assert "<b>0 gained, 2 lost, 0 moved</b>" in text

    with Journal.open(night / "other.sqlite") as journal:
        slow = {"detect": {"section-disturbed": {"settle_s": 600}}}
        past = day(journal, LINE, LINE, before=slow, after=slow)
        story = told(past).story
        pieces = pieces_of(Past(journal, SIX, SIX + HOUR, detection=Detection()))
        found = beside(story, pieces, "the settings", store=None)
    assert [
        (one.way, bool(one.here), bool(one.there)) for one in found.differences
    ] == [("gained", False, True)] * 2
    assert "there is no store of its alerts at hand" in found.live[0]


def test_a_corrected_line_file_has_its_own_rows(night):
    """A section that only it has is drawn on its side alone."""
    more = LINE.replace('"T4", "open"', '"T4", "T5"') + (
        '\n[[section]]\nid = "T5"\narea = "a"\nevaluator = "EV1"\nlength_m = 9\n'
        'speed_km_h = 60\n[[head]]\nid = "H9"\nbetween = ["T5", "open"]\n'
    )
    (night / "more.toml").write_text(more, encoding="utf-8")

    text = report(night, "--line", str(night / "more.toml"))

    found = data_of(text)
    names = [
        [one["id"] for one in side["sections"]] for side in (found, found["beside"])
    ]
    assert names == [["T1", "T2", "T3", "T4"], ["T1", "T2", "T3", "T4", "T5"]]
    assert "by the line file more.toml" in text


def test_where_nothing_is_tried_there_is_one_side(night):
    """The report of what was in force is as it was."""
    text = report(night)

    assert data_of(text)["beside"] is None
    assert "What if" not in text


def test_where_the_store_says_otherwise_the_report_says_of_what(night):
    """Lines that it lacks, and lines that are only there."""
    with Journal.read(night / "journal.sqlite") as journal:
        story = told(Past(journal, SIX, SIX + HOUR)).story
    lines = [line for one in story.alerts for _, line in one.lines]
    (night / "alerts.sqlite").unlink()
    with Store.open(night / "alerts.sqlite") as store:
        store.keep(lines[1:])
    assert said_live(story, night / "alerts.sqlite") == [
        "The store of the monitor, by which it said live what it said, has not the same of: T2 section-disturbed."
    ]
    assert alert_line(lines[0]) not in "".join(said_live(story, None))
    (night / "alerts.sqlite").write_text("none")
    assert "its store cannot be read" in said_live(story, night / "alerts.sqlite")[0]
