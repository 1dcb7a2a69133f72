from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.facts import Fact
from monitor.core.moments import parse
from monitor.handover import Counted, Part, own_faults, settings_changed
from monitor.history import History
from monitor.journal import Entry, Journal, own
from monitor.load import Raised
from monitor.lookback import Wanted, read
from monitor.shifts import BEGINS, Rota

ROTA = Rota.read(BEGINS, ZoneInfo("UTC"))


def at(text, day=8):
    """A moment of Friday, 8 May 2026, or of another day of that month."""
    return parse(f"2026-05-{day:02}T{text}:00Z")


def record(kind, time, name="", **values):
    """Something that the monitor itself did."""
    return MonitorRecord(
        id=f"{name or kind.value}/{time}",
        source="monitor-1",
        subject="monitor-1",
        time=time,
        arrival=time,
        kind=kind,
        values=values,
    )


def fact(kind, name, began, ended=None, **values):
    """Something that was so."""
    return Fact(
        kind=kind, subject=f"section/{name}", began=began, ended=ended, values=values
    )


@pytest.fixture
def journal(tmp_path):
    """One that began on Wednesday, with other settings from Friday on."""

    def settings(text, time, digest, position):
        told = record(RecordKind.SETTINGS, time, digest=digest, text_at=position)
        return [Entry(payload=text, arrival=time, kept=True), own(told, time)]

    with Journal.open(tmp_path / "journal.sqlite") as journal:
        journal.append(settings(b'{"a": 1}', at("06:00", 6), "one", 1))
        journal.append(
            [
                own(record(kind, time, name, why="lost"), time)
                for kind, time, name in (
                    (RecordKind.DISCONNECTED, at("03:00"), ""),
                    (RecordKind.CONNECTED, at("03:30"), ""),
                    (RecordKind.DISCONNECTED, at("05:50"), ""),
                    (RecordKind.CONNECTED, at("06:10"), ""),
                    (RecordKind.CONNECTED, at("06:20"), "still"),
                )
            ]
        )
        journal.append(settings(b'{"a": 2}', at("07:00"), "two", 8))
        yield journal


@pytest.fixture
def history():
    """Disturbances on three days, and a spell not known."""
    with History.open(":memory:") as history:
        history.write(
            [
                fact("disturbance", "T1", at("07:00", 6), under_work=False),
                fact("disturbance", "T1", at("07:00", 7), under_work=False),
                fact("disturbance", "T1", at("07:30", 7), under_work=False),
                fact("disturbance", "T1", at("09:00", 7), under_work=False),
                fact("disturbance", "T1", at("07:00"), under_work=False),
                fact("disturbance", "T9", at("07:00"), under_work=False),
                fact("not-known", "T1", at("05:00"), at("06:30"), why="a gap"),
                fact("occupation", "T1", at("05:20", 7), worked_through=True),
                fact("occupation", "T1", at("05:40", 7), worked_through=False),
                fact("occupation", "T2", at("05:30", 7), worked_through=True),
            ]
        )
        yield history


def wanted(now, **more):
    """What is asked for T1."""
    return Wanted(rota=ROTA, now=now, subjects=frozenset({"section/T1"}), **more)


def test_a_shift_is_counted_with_those_that_the_record_holds(journal, history):
    """As much of each like shift as of this one, back to the beginning of the journal."""
    asked = wanted(
        at("08:00"),
        calls=(at("07:00", 6), at("07:01")),
        alerts=(
            Raised(
                kind="section-disturbed",
                subject="section/T1",
                priority="prompt",
                raised=at("07:01"),
            ),
        ),
    )
    found = read(journal, history, asked)

    assert found.counted == (
        Counted(calls=1, prompt=1, disturbances=1, not_known=30),
        # Thursday's third came after eight.
        Counted(disturbances=2),
        Counted(calls=1, disturbances=1),
    )


def test_what_is_not_known_of_calls_is_not_compared_with(journal, history):
    """A shift before the first call that is remembered would count as one without calls."""
    found = read(journal, history, wanted(at("08:00"), known_since=at("00:00", 7)))

    assert len(found.counted) == 2


def test_first_trains_are_read_for_sections_that_wait(journal, history):
    """Of those alone, and only trains that were worked through."""
    found = read(journal, history, wanted(at("08:00"), waiting=("T1",)))

    assert found.passed == {"T1": [at("05:20", 7)]}


def test_the_monitors_records_begin_with_what_was_in_force(journal, history):
    """So what changed in the shift shows, and so does a spell without connection that reaches into it."""
    found = read(journal, history, wanted(at("08:00")))
    shift = Part(begin=at("06:00"), end=at("08:00"))
    changed = settings_changed(found.records, shift, found.texts or {})

    assert [one.text for one in changed] == [
        "other settings in force: a was 1, is 2",
    ]
    assert [
        (one.at, one.ended, one.text) for one in own_faults(found.records, shift)
    ] == [(at("05:50"), at("06:10"), "no connection to the broker: lost")]
    assert [one.subject for one in found.dark] == ["section/T1"]


def test_what_was_mended_before_the_shift_is_no_fault_of_it(journal, history):
    """A connection lost and found again in an earlier shift is of that one."""
    found = read(journal, history, wanted(at("15:00")))
    shift = Part(begin=at("14:00"), end=at("15:00"))

    assert list(own_faults(found.records, shift)) == []


def test_a_new_journal_has_no_past(tmp_path, history):
    """Nothing is compared with, and nothing happened."""
    with Journal.open(tmp_path / "new.sqlite") as journal:
        found = read(journal, history, wanted(at("08:00")))

    assert found.records == ()
    assert len(found.counted) == 1
