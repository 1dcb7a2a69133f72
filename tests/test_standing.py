"""What stood open when a window began, read by hand."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from typer.testing import CliRunner

from monitor.acts import entry as act_entry
from monitor.cli import app
from monitor.core.alerts import identify
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse, stamp
from monitor.handling import Act
from monitor.journal import Journal
from monitor.packing import unpacked
from monitor.proof import prove
from monitor.shifts import DeskAct
from monitor.shown import Painted, Shown, entry as shown_entry
from monitor.standing import closings, painted_before
from monitor.store import Store
from tests.incident.reading import data_of
from tests.journals import come, connect, start
from tests.live import LINE
from tests.test_past import disturbed, state

SIX = parse("2026-05-04T06:00:00Z")
SEVEN = SIX + HOUR


def shown(name, minutes, *faults, page="p1", sound="played", left=False):
    """A page of north says what it painted."""
    at = SIX + minutes * MINUTE
    return Shown(
        id=name,
        position="north",
        by="A. Moor",
        page=page,
        at=at,
        entered=at,
        visible=True,
        sound=sound,
        faults=tuple(
            Painted(fault=one, headline=f"{one} {name}", priority="prompt")
            for one in faults
        ),
        left=left,
    )


def ids(found):
    """Their names."""
    return [one.id for one in found]


def test_the_newest_painting_of_each_fault_stood_there():
    """And what the page said last; not what it painted before that, nor after the window began."""
    said = [
        shown("a", 1, "one", "two"),
        shown("b", 2, "one"),
        shown("c", 3, "one"),
        shown("d", 4),
        shown("e", 61, "one"),
    ]

    assert ids(painted_before(said, SEVEN)) == ["a", "c", "d"]
    assert ids(painted_before(said, SIX)) == []


def test_what_was_painted_first_of_a_fault_that_stood_open_is_wanted():
    """Each painting of it, by pages that are gone too; a sound that was begun is no painting."""
    said = [
        shown("a", 1, "one"),
        shown("b", 2, "one"),
        shown("c", 3, "one", sound="sounded"),
        shown("d", 4, "two"),
        shown("e", 5, left=True),
        shown("f", 6, "two", page="p2"),
    ]

    assert ids(painted_before(said, SEVEN)) == ["f"]
    assert ids(painted_before(said, SEVEN, {"one"})) == ["a", "b", "c", "f"]


def test_the_first_to_close_an_alert_closed_it():
    """Whatever else people did."""
    act = Act(
        id="1",
        at=SIX,
        entered=SIX,
        by="Ada",
        position="north",
        what="closed",
        alert="x",
        text="seen in T3",
    )
    desk = DeskAct(
        id="4", at=SIX, entered=SIX, by="Ada", position="north", what="take_desk"
    )

    assert closings(
        [
            replace(act, id="2", at=SIX + 1),
            act,
            desk,
            replace(act, id="3", what="seen", alert="y"),
        ]
    ) == {"x": SIX}


@pytest.fixture(name="night")
def _night(tmp_path_factory):
    """T2 is disturbed from 06:01 to 06:31; two days before T4 let go of a train, which nobody closed."""
    data = tmp_path_factory.mktemp("var")
    before = SIX - 2 * DAY
    engine = Engine(read_line(LINE), monitor="monitor-7")
    with (
        Journal.open(data / "journal.sqlite") as journal,
        Store.open(data / "alerts.sqlite") as store,
    ):
        start(journal, before - MINUTE, LINE)
        connect(journal, before - MINUTE)
        come(journal, lost(before))
        *began, ended = disturbed(11, SIX + MINUTE, minutes=30)
        come(journal, [*began, state(14, SIX + 100 * SECOND, "clear", "T4")])
        fault = identify("section-disturbed", "section/T2", SIX + MINUTE + SECOND)
        journal.append(
            [
                shown_entry(shown("first", 2, fault)),
                shown_entry(shown("sound", 3, fault, sound="sounded")),
                shown_entry(shown("last", 12)),
            ]
        )
        come(journal, [ended, state(15, SIX + 40 * MINUTE, "clear", "T1")])
        for event in journal.events():
            output = engine.take(event)
            store.keep(
                output.alerts,
                output.faults,
                output.calls,
                at=event.arrival or event.time,
            )
    return data


def lost(at):
    """A train comes out of T1 into T2, and T2 clears while its neighbours are clear."""
    return [
        *(state(number, at, "clear", f"T{number}") for number in (1, 2, 3, 4)),
        state(5, at + MINUTE, "occupied", "T1"),
        state(6, at + 2 * MINUTE, "occupied", "T2"),
        state(7, at + 2 * MINUTE + 10 * SECOND, "clear", "T1"),
        state(8, at + 4 * MINUTE, "clear", "T2"),
        state(9, at + 6 * MINUTE, "clear", "T4"),
    ]


def pack(data, out, begin, end, *more):
    """The files of evidence from then to then, in minutes after six."""
    ended = CliRunner().invoke(
        app,
        [
            *("evidence", "--data", str(data), "-o", str(out)),
            *("--from", stamp(SIX + begin * MINUTE)),
            *("--to", stamp(SIX + end * MINUTE), *more),
        ],
    )
    assert ended.exit_code == 0, ended.output
    return {name: bytes(one) for name, one in unpacked(out).items()}


def lines(files, name):
    """The lines of one."""
    return [json.loads(line) for line in files[name].decode().splitlines()]


def test_evidence_holds_what_was_open_when_its_window_began(night, tmp_path):
    """T2's alert, its fault and the call for it, what the store had of them and what had been painted, each marked as from before; and the pack can be proved."""
    out = tmp_path / "pack.zip"
    files = pack(night, out, 15, 50)

    assert {one["subject"] for one in lines(files, "alerts.jsonl")} == {"section/T2"}
    assert lines(files, "alerts.jsonl")[-1]["ended"] == stamp(SIX + 31 * MINUTE)
    (fault,) = {one["id"] for one in lines(files, "faults.jsonl")}
    assert {one["fault"] for one in lines(files, "calls.jsonl")} == {fault}
    told = lines(files, "told.jsonl")
    assert {one["what"] for one in told if one.get("before")} == {
        *("alert", "fault", "call")
    }
    # What is two days old is known by the store alone.
    kinds = {one["told"]["kind"] for one in told if one["what"] == "alert"}
    assert kinds >= {"section-disturbed", "vanished-train"}
    assert {one["kind"] for one in lines(files, "alerts.jsonl")} == {
        "section-disturbed"
    }
    assert [one["sound"] for one in lines(files, "shown.jsonl")] == [
        *("played", "sounded", "played")
    ]
    assert all(one["before"] for one in lines(files, "shown.jsonl"))
    report = files["report.html"].decode()
    assert "Open since before this window, raised 06:01:06.000: prompt, T2" in report
    assert len(data_of(report)["alerts"]) == len(
        {one["id"] for one in lines(files, "alerts.jsonl")}
    )
    assert "06:02:00.000, north" in report
    assert prove(out, []).files == len(files)
    assert pack(night, tmp_path / "again.zip", 15, 50) == files


def test_what_was_closed_by_then_is_in_no_evidence(night, tmp_path):
    """What somebody closed before the window is neither concluded of it nor told; with roles in place of names no name comes in with what was painted before."""
    files = pack(night, tmp_path / "open.zip", -2 * 24 * 60 + 10, -2 * 24 * 60 + 30)
    assert "vanished-train" in files["alerts.jsonl"].decode()
    gone = Act(
        id="gone",
        at=SIX - 2 * DAY + 9 * MINUTE,
        entered=SIX + 45 * MINUTE,
        by="Ada",
        position="north",
        what="closed",
        alert=identify("vanished-train", "section/T2", SIX - 2 * DAY + 4 * MINUTE),
        text="the train stands in T3",
    )
    with Journal.open(night / "journal.sqlite") as journal:
        journal.append([act_entry(gone)])

    files = pack(night, tmp_path / "gone.zip", -2 * 24 * 60 + 10, -2 * 24 * 60 + 30)
    assert "vanished-train" not in files["alerts.jsonl"].decode()
    files = pack(night, tmp_path / "later.zip", 15, 50, "--roles")
    assert "vanished-train" not in files["told.jsonl"].decode()
    assert all(one["by"].endswith("(somebody)") for one in lines(files, "shown.jsonl"))
    assert b"A. Moor" not in b"".join(files.values())
