from __future__ import annotations

import csv
import io
import json
import os

import pytest
from typer.testing import CliRunner

from monitor import cli
from monitor.acts import entry as act_entry
from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, MINUTE, parse
from monitor.core.words import CAUTION
from monitor.handling import Act
from monitor.history import History
from monitor.journal import Journal
from monitor.planner.recorded import visits_of
from monitor.store import Store
from monitor.visits import Visit, entry
from tests.desk.daemon import alert, fault
from tests.journals import start
from tests.live import LINE

NOON = parse("2026-05-04T12:00:00Z")


@pytest.fixture(name="data", autouse=True)
def _data(tmp_path, monkeypatch):
    """Where a monitor ran: T2 held a train and T3 was disturbed three times; somebody was at both."""
    for name in list(os.environ):
        if name.startswith("TALLYWATCH_"):
            monkeypatch.delenv(name)
    one = alert(subject="section/T2")
    first, second = fault(one), fault(alert(subject="section/T3"), id="f" * 16)
    taken = fault(alert(subject="section/T3"), id="e" * 16, into=second.id)
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        start(journal, NOON - 300 * DAY, LINE)
        visit = Visit(
            id="0" * 16,
            begin=NOON - 10 * DAY,
            end=NOON - 10 * DAY,
            subjects=("section/T4",),
            cause="nothing",
            by="Ada",
            entered=NOON,
        )
        journal.append([entry(visit)])
        for name, about in (("1", first.id), ("2", taken.id), ("3", "0" * 16)):
            act = Act(
                id=name * 16,
                at=NOON - HOUR,
                entered=NOON,
                by="Ines",
                position="",
                what="found",
                fault=about,
                cause="not-said",
                part="head/H2",
            )
            journal.append([act_entry(act)])
    with Store.open(tmp_path / "alerts.sqlite") as store:
        store.keep([one], [first, second, taken])
    with History.open(tmp_path / "history.sqlite") as history:
        history.write(
            [
                *(
                    Fact(kind="heard", subject=f"section/T{n}", began=NOON - 300 * DAY)
                    for n in range(1, 5)
                ),
                *(
                    Fact(
                        kind="disturbance",
                        subject="section/T3",
                        began=NOON - day * DAY,
                        values={"spurious": False, "under_work": False},
                    )
                    for day in (2, 4, 8)
                ),
                Fact(
                    kind="held",
                    subject="section/T2",
                    began=NOON - DAY,
                    ended=NOON - DAY + 9 * MINUTE,
                ),
            ]
        )
    return tmp_path


def call(data, *more):
    """The command, as it ended."""
    whole = ["worklist", "--data", str(data), *more]
    return CliRunner().invoke(cli.app, whole)


def test_the_list_is_printed(data):
    """With the reasons, and the caution beside it."""
    ended = call(data)

    assert ended.exit_code == 0, ended.output
    assert "1 train held" in ended.stdout
    assert "T3 was disturbed 3 times in 90 days watched" in ended.stdout
    assert "     rests on: the counts alone\n" in ended.stdout
    assert "     last visit: 2026-05-04, not said what (head H2)\n" in ended.stdout
    assert "     register: no number in the line file\n" in ended.stdout
    assert (
        "4 of 4 sections were heard in the last 90 days, for 90 days." in ended.stdout
    )
    assert CAUTION in ended.stderr


def test_the_list_is_written_as_a_table_and_for_programs(data):
    """The same sections in both."""
    out = data / "list.json"
    table = list(csv.DictReader(io.StringIO(call(data, "--format", "csv").stdout)))
    assert call(data, "--format", "json", "--out", str(out)).exit_code == 0
    told = json.loads(out.read_text(encoding="utf-8"))

    assert {row["section"] for row in table} == {"T2", "T3"}
    assert told["as_of"] == "2026-05-04T12:00:00.000Z"
    assert told["caution"] == CAUTION


def test_the_list_is_written_as_a_page_and_a_workbook(data):
    """A workbook goes into a file alone."""
    page, book = data / "list.html", data / "list.xlsx"

    assert call(data, "--format", "html", "--out", str(page)).exit_code == 0
    assert call(data, "--format", "xlsx", "--out", str(book)).exit_code == 0
    assert "T3 was disturbed 3 times" in page.read_text(encoding="utf-8")
    assert book.read_bytes().startswith(b"PK")
    assert call(data, "--format", "xlsx").exit_code == 2


def test_visits_are_those_that_were_entered_and_those_told_on_site(data):
    """For a fault, for the one that took it in, and for one that is not known, of which only the part is."""
    with (
        Journal.read(data / "journal.sqlite") as journal,
        Store.to_read(data / "alerts.sqlite") as store,
    ):
        found = visits_of(journal, store)

    assert [one.subjects for one in found] == [
        ("section/T4",),
        ("section/T2",),
        ("section/T3",),
        ("head/H2",),
    ]


def test_a_monitor_that_never_ran_is_told(tmp_path):
    """In one line, with 1."""
    nowhere = tmp_path / "nowhere"
    nowhere.mkdir()
    ended = call(nowhere)

    assert ended.exit_code == 1
    assert len(ended.stderr.splitlines()) == 1


def test_what_a_visit_took_off_is_printed(data):
    """T3 was disturbed three times, and somebody put it right a day ago."""
    with Journal.open(data / "journal.sqlite") as journal:
        visit = Visit(
            id="7" * 16,
            begin=NOON - DAY,
            end=NOON - DAY,
            subjects=("section/T3",),
            cause="head",
            by="Ada",
            entered=NOON,
        )
        journal.append([entry(visit)])
    told = call(data).stdout

    assert "- T3 " not in told
    assert "T3 (visited 2026-05-03) was disturbed 3 times in 90 days watched" in told
