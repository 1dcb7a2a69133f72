from __future__ import annotations

import hashlib
import json
import resource
import sqlite3
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings, strategies as st

from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse, stamp
from monitor.core.wire import read
from monitor.journal import (
    INDEXES,
    Entry,
    Journal,
    JournalFault,
    Root,
    Verdict,
    own,
    verify,
    written,
)

NOON = parse("2026-05-04T12:00:00Z")


def event(number, *, section="T1", state="clear", time="2026-05-04T12:00:00Z", **more):
    """One event of a section, as CloudEvents has it."""
    return {
        "specversion": "1.0",
        "id": str(number),
        "source": "gw/1",
        "type": "tallywatch.section.state",
        "subject": section,
        "time": time,
        "data": {"state": state},
        **more,
    }


def entry(*events, arrival=NOON, retained=False, raw=None):
    """A message that came: one event, an array of them, or *raw* bytes."""
    if raw is None:
        raw = json.dumps(events[0] if len(events) == 1 else events).encode()
    return Entry(
        payload=raw,
        arrival=arrival,
        reading=read(raw, arrival=arrival, retained=retained, live=True),
        topic="tally/a/section/T1/state",
        retained=retained,
    )


def record(kind, at, number=1, **values):
    """A record that the monitor wrote at a moment."""
    made = MonitorRecord(
        id=f"{kind.value}/{number}",
        source="monitor-7",
        subject="monitor-7",
        time=at,
        arrival=at,
        kind=kind,
        values=values,
    )
    return own(made, at)


def ids(events):
    """The ids of *events*."""
    return [event.id for event in events]


@pytest.fixture
def path(tmp_path):
    """Where a journal is to be."""
    return tmp_path / "journal.sqlite"


@pytest.fixture
def journal(path):
    """A new journal."""
    with Journal.open(path) as journal:
        yield journal


def test_an_event_is_read_back_as_it_was_taken(journal):
    """What the fold reads equals what was taken, with its arrival."""
    taken = journal.append([entry(event(1), arrival=NOON + 7)]).events

    assert list(journal.events()) == list(taken)
    assert taken[0].arrival == NOON + 7


def test_source_and_id_name_an_event_for_ever(path):
    """An event that comes again is counted and dropped, also after a start."""
    with Journal.open(path) as journal:
        journal.append([entry(event(1)), entry(event(2))])
    with Journal.open(path) as journal:
        again = journal.append([entry(event(2)), entry(event(3)), entry(event(3))])

        assert ids(again.events) == ["3"]
        assert again.repeated == 2
        assert ids(journal.events()) == ["1", "2", "3"]
        assert journal.position == 3


def test_the_same_id_of_another_source_is_another_event(journal):
    """Only source and id together name an event."""
    other = event(1) | {"source": "gw/2"}

    assert len(journal.append([entry(event(1)), entry(other)]).events) == 2


def test_what_the_broker_retained_is_a_line_again(journal):
    """A retained message that comes again shows that the state still held: it is kept, with its new arrival."""
    journal.append([entry(event(1))])
    again = journal.append([entry(event(1), arrival=NOON + SECOND, retained=True)] * 2)

    assert again.repeated == 0
    assert [(e.id, e.arrival, e.retained) for e in journal.events()] == [
        ("1", NOON, False),
        ("1", NOON + SECOND, True),
        ("1", NOON + SECOND, True),
    ]


def test_an_array_gives_only_what_is_new_in_it(journal):
    """Of an array, members that are known are dropped and the others keep their order."""
    journal.append([entry(event(2))])
    committed = journal.append([entry(event(1), event(2), event(3), event(3))])

    assert ids(committed.events) == ["1", "3"]
    assert committed.repeated == 2
    assert ids(journal.events()) == ["2", "1", "3"]


@given(st.lists(st.lists(st.integers(0, 20), min_size=1, max_size=4), max_size=12))
def test_batches_make_no_difference(tmp_path_factory, batches):
    """Each event is there once, in order of its first coming, however messages are grouped."""
    path = tmp_path_factory.mktemp("journal") / "j.sqlite"
    with Journal.open(path) as journal:
        for batch in batches:
            journal.append([entry(event(number)) for number in batch])
        came = ids(journal.events())

    assert came == list(dict.fromkeys(str(n) for batch in batches for n in batch))
    assert verify(path).position is None


def test_what_is_refused_is_kept_with_its_reason(journal):
    """A payload that is no event stands in the rejected store, as it came."""
    bad = entry(raw=b"{\xff", arrival=NOON + 5)
    journal.append([bad, entry(event(1)), entry(event(2) | {"type": "x"}, event(3))])

    refused = list(journal.rejected())
    assert [(one.position, one.label) for one in refused] == [
        (1, "not_utf8"),
        (3, "unknown_type"),
    ]
    assert refused[0].payload == b"{\xff"
    assert refused[0].arrival == NOON + 5
    assert refused[0].topic == "tally/a/section/T1/state"
    assert "UTF-8" in refused[0].reason
    assert journal.rejected_by_label() == {"not_utf8": 1, "unknown_type": 1}
    assert ids(journal.events()) == ["1", "3"]


def test_a_group_is_written_whole_or_not_at_all(journal, path):
    """When a group cannot be written nothing of it is there, and the next goes on as if it had not been."""
    journal.append([entry(event(1))])
    broken = Entry(payload=b"", arrival=2**70, kept=True)
    with pytest.raises(OverflowError):
        journal.append([entry(event(2)), broken])
    journal.append([entry(event(3))])

    assert ids(journal.events()) == ["1", "3"]
    assert verify(path) == Verdict(2, journal.digest)


def filled(path):
    """A journal with something of everything in it."""
    with Journal.open(path) as journal:
        journal.append(
            [
                record(RecordKind.STARTED, NOON, version="1"),
                entry(event(1), event(2) | {"time": "never"}),
                entry(raw=b"nonsense"),
                entry(event(3), retained=True),
                entry(event(3), retained=True),
                Entry(payload=b"a text", arrival=NOON, kept=True),
            ]
        )
        return journal.digest


CELLS = [
    ("file", "played", 1, 1, "played + 1"),
    ("file", "key", 1, 1, "zeroblob(32)"),
    ("record", "position", 3, 3, "position + 100"),
    ("record", "arrival", 2, 2, "arrival + 1"),
    ("record", "topic", 2, 2, "topic || '/'"),
    ("record", "topic", 1, 1, "''"),
    ("record", "retained", 4, 4, "0"),
    ("record", "recorded", 1, 1, "0"),
    ("record", "payload", 6, 6, "CAST('a texT' AS BLOB)"),
    ("record", "digest", 5, 5, "zeroblob(32)"),
    ("event", "position", 2, 2, "position + 100"),
    ("event", "place", 2, 2, "place + 1"),
    ("event", "source", 2, 2, "source || '0'"),
    ("event", "id", 4, 4, "id || '0'"),
    ("event", "at", 4, 4, "at - 1"),
    ("event", "again", 4, 4, "2"),
    ("event", "own", 1, 1, "'drained'"),
    ("rejection", "position", 3, 3, "position + 100"),
    ("rejection", "place", 3, 3, "7"),
    ("rejection", "reason", 2, 2, "reason || ' '"),
    ("rejection", "label", 3, 3, "'bad_time'"),
]


@pytest.mark.parametrize(
    "cell", [pytest.param(c, id=f"{i}-{c[0]}-{c[1]}") for i, c in enumerate(CELLS)]
)
def test_verify_names_the_first_record_that_was_altered(path, cell):
    """Whatever column is changed, the first record that no longer fits is named."""
    table, column, position, first, to = cell
    filled(path)
    with sqlite3.connect(path) as connection:
        where = "1" if table == "file" else f"position = {position}"
        changed = connection.execute(
            f"UPDATE {table} SET {column} = {to} WHERE {where}"
        )
        assert changed.rowcount >= 1
    connection.close()

    verdict = verify(path)
    assert verdict.position == first
    assert verdict.records == first - 1
    assert verdict.what


def test_every_column_is_tried(path):
    """The test above leaves no column out."""
    filled(path)
    connection = sqlite3.connect(path)
    there = {
        (table, column[1])
        for table in ("file", "record", "event", "rejection")
        for column in connection.execute(f"PRAGMA table_info({table})")
    }
    connection.close()

    tried = {cell[:2] for cell in CELLS}
    assert there - tried == {("file", "format")}  # another format is not read at all


def test_verify_finds_a_record_taken_out(path):
    """A record that is missing in the middle is named."""
    filled(path)
    with sqlite3.connect(path) as connection:
        for table in ("record", "event", "rejection"):
            connection.execute(f"DELETE FROM {table} WHERE position = 2")
    connection.close()

    assert verify(path).position == 2
    assert "missing" in verify(path).what


def test_verify_finds_an_event_put_in(path):
    """An event that no record ever gave is found, also after the last record."""
    filled(path)
    with sqlite3.connect(path) as connection:
        connection.execute("INSERT INTO event VALUES (99, 0, 'x', 'y', 0, 0, NULL)")
    connection.close()

    assert verify(path).position == 7


def test_a_journal_as_it_was_written_fits(path):
    """An untouched journal fits to its last record, and gives the digest that was logged."""
    digest = filled(path)

    assert verify(path) == Verdict(6, digest)


def test_a_file_that_is_damaged_is_told_not_raised(path):
    """Damage below SQL is a record that cannot be read."""
    filled(path)
    with path.open("r+b") as file:
        file.seek(200)
        file.write(b"\xff" * 8000)

    assert verify(path).position is not None


def test_the_chain_goes_on_after_a_start(path):
    """A journal opened again chains to the record before."""
    filled(path)
    with Journal.open(path) as journal:
        journal.append([entry(event(9))])
        digest = journal.digest

    assert verify(path) == Verdict(7, digest)


def test_the_root_of_each_day_is_given_out(path):
    """With the first record of a day comes the digest of the last one before it."""
    with Journal.open(path) as journal:
        journal.append([entry(event(1)), entry(event(2))])
        yesterday = journal.digest
    with Journal.open(path) as journal:
        committed = journal.append([entry(event(3), arrival=NOON + DAY)])

    [root] = committed.roots
    assert (root.day, root.position, root.digest) == (NOON - 12 * HOUR, 2, yesterday)


@pytest.mark.usefixtures("journal")
def test_nobody_else_may_write(path):
    """While one monitor writes a journal, another is refused."""
    with pytest.raises(JournalFault, match="another monitor"):
        Journal.open(path)


def test_it_can_be_read_while_it_is_written(path, journal):
    """An export needs no standstill."""
    journal.append([entry(event(1))])
    with Journal.read(path) as reader:
        journal.append([entry(event(2))])

        assert ids(reader.events()) == ["1", "2"]


def test_a_live_journal_takes_nothing_that_is_played(path, journal):
    """A rehearsal never goes into the journal of the real feed."""
    journal.close()
    with pytest.raises(JournalFault, match="of its own"):
        Journal.open(path, played=True)


@pytest.mark.parametrize(
    "content",
    [b"", b"no database, but long enough to look at" * 100],
    ids=["none", "text"],
)
def test_what_is_no_journal_is_said_in_a_line(path, content):
    """A file that is no journal is a fault in one line."""
    path.write_bytes(content)
    with pytest.raises(JournalFault) as caught:
        Journal.read(path)

    assert "\n" not in str(caught.value)


def test_a_journal_that_is_not_there_is_not_made_by_reading(path):
    """Reading and verifying make no file."""
    with pytest.raises(JournalFault, match="there is no journal"):
        Journal.read(path)
    with pytest.raises(JournalFault, match="there is no journal"):
        verify(path)
    assert not path.exists()


def test_what_is_played_says_itself_when_it_came(path):
    """Where arrival is recorded, the fold takes it from the event, and has none where there is none."""
    told = event(1, recordedtime="2026-04-01T00:00:00Z", recordedretained=True)
    raws = [json.dumps(one).encode() for one in (told, event(2))]
    entries = [
        Entry(
            payload=raw, arrival=NOON, reading=read(raw, recorded=True), recorded=True
        )
        for raw in raws
    ]
    with Journal.open(path, played=True) as journal:
        journal.append(entries)

        assert [(e.arrival, e.retained) for e in journal.events()] == [
            (parse("2026-04-01T00:00:00Z"), True),
            (None, False),
        ]


def test_an_export_has_its_lead_in_and_says_what_was_asked_for(journal):
    """A recording of an hour begins 25 hours earlier, with what was in force before that."""
    begin, end = NOON, NOON + HOUR
    lead = begin - 25 * HOUR
    journal.append(
        [
            record(RecordKind.STARTED, lead - 9 * HOUR, version="1"),
            record(RecordKind.LEARNT, lead - 8 * HOUR, 1, until=1),
            record(RecordKind.LEARNT, lead - 7 * HOUR, 2, until=2),
            record(RecordKind.CLOCK, lead - 6 * HOUR, 1, source="a", correction_s=1),
            record(RecordKind.CLOCK, lead - 5 * HOUR, 2, source="b", correction_s=2),
            record(RecordKind.CLOCK, lead - 4 * HOUR, 3, source="a", correction_s=3),
            record(RecordKind.DRAINED, lead - 3 * HOUR),
            entry(event("before"), arrival=lead - 1),
            entry(event("lead-in"), arrival=lead),
            record(RecordKind.CLOCK, lead + 1, 4, source="a", correction_s=4),
            entry(event("within"), arrival=end - 1),
            entry(event("lead-out"), arrival=end + MINUTE - 1),
            entry(event("after"), arrival=end + MINUTE),
        ]
    )

    recording = list(journal.export(begin, end))

    assert ids(recording) == [
        "learnt/2",
        "clock/2",
        "clock/3",
        "drained/1",
        "window/2026-05-04T12:00:00.000Z/2026-05-04T13:00:00.000Z",
        "lead-in",
        "clock/4",
        "within",
        "lead-out",
    ]
    window = recording[4]
    assert isinstance(window, MonitorRecord)
    assert window.source == "monitor-7"
    assert window.values == {
        "from": "2026-05-04T12:00:00.000Z",
        "to": "2026-05-04T13:00:00.000Z",
        "lead_in_h": 25.0,
    }


def test_records_of_the_monitor_are_found_by_kind(journal):
    """What was learnt comes back in order; a tick is no news of the connection."""
    journal.append(
        [
            record(RecordKind.LEARNT, NOON, 1, until=1),
            record(RecordKind.CONNECTED, NOON, 1, session="new"),
            record(RecordKind.LEARNT, NOON + DAY, 2, until=2),
        ]
    )
    still = MonitorRecord(
        id="still/3",
        source="monitor-7",
        subject="monitor-7",
        time=NOON + DAY,
        arrival=NOON + DAY,
        kind=RecordKind.CONNECTED,
        values={"still": True},
    )
    journal.append([own(still, NOON + DAY)])

    assert [one.values["until"] for one in journal.learnt()] == [1, 2]
    last = journal.last(RecordKind.CONNECTED)
    assert last is not None
    assert last.values == {"session": "new"}


def test_a_full_disk_is_told_as_that_and_leaves_it_whole(tmp_path):
    """Where the disk takes no more, nothing of what was to be written is there, the reason is the disk's, and with room it goes on."""
    path = tmp_path / "journal.sqlite"
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Journal.open(path) as journal:
        journal.append([entry(event(1))])
        many = [entry(event(number, pad="x" * 1000)) for number in range(2, 400)]
        size = path.with_name("journal.sqlite-wal").stat().st_size
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 50_000, before[1]))
        try:
            with pytest.raises(JournalFault, match=r"disk") as caught:
                journal.append(many)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert "rollback" not in str(caught.value)
        assert journal.position == 1
        journal.append(many)
        assert ids(journal.events()) == [str(number) for number in range(1, 400)]
    assert verify(path).position is None


def test_a_journal_of_the_first_format_is_gone_on_with(path, monkeypatch):
    """As it was begun: its chain holds across."""
    monkeypatch.setattr("monitor.journal.FORMAT", 1)
    with Journal.open(path) as journal:
        journal.append([entry(event(1))])
    monkeypatch.undo()
    with sqlite3.connect(path) as connection:
        connection.execute("ALTER TABLE file DROP COLUMN key")
    connection.close()
    with Journal.open(path) as journal:
        journal.append([entry(event(2))])
        assert journal.format == 1
        [first, _] = journal.raw(1, 2)
        # What stands in a file of that format, worked out by hand.
        by_hand = hashlib.sha256(
            hashlib.sha256(b"tallywatch journal 1 0").digest()
            + written(first.row, first.events, first.rejections)
        ).digest()

    assert first.digest == by_hand
    assert verify(path).records == 2


def test_whoever_has_only_the_digest_of_a_record_follows_the_chain(path):
    """A digest is over the one before and over that of the record alone, which is blinded."""
    with Journal.open(path) as journal:
        journal.append([entry(event(n)) for n in range(5)])
        before = journal.digest_at(0)
        for one in journal.raw(1, 5):
            before = hashlib.sha256(before + one.itself).digest()
            assert before == one.digest == journal.digest_at(one.position)

        assert before.hex() == journal.digest
        assert len({one.blind for one in journal.raw(1, 5)}) == 5
        assert [one.position for one in journal.raw(2, 3)] == [2, 3]
        assert journal.digest_at(0) == (
            hashlib.sha256(b"tallywatch journal 2 0").digest()
        )


def test_a_digest_kept_elsewhere_is_found_again(path):
    """Or is not: then this is not the journal of which it was kept."""
    with Journal.open(path) as journal:
        journal.append([entry(event(1))])
        kept = journal.digest
        journal.append([entry(event(2))])

    assert verify(path, [kept, "00" * 32]).known == {kept: 1}


def test_the_roots_of_days_are_worked_out_again(path):
    """Those that the writing gave out, and none for the day that goes on."""
    given_out: list[Root] = []
    with Journal.open(path) as journal:
        for number, at in enumerate(
            [NOON, NOON + HOUR, NOON + DAY, NOON + DAY - HOUR, NOON + 3 * DAY]
        ):
            given_out += journal.append([entry(event(number), arrival=at)]).roots
        assert [one.position for one in given_out] == [2, 4]
        assert journal.roots(1, 4) == given_out
        assert journal.roots(1, 1) == given_out[:1]
        assert journal.roots(3, 3) == given_out[1:]
        assert journal.roots(5, 5) == []
        assert journal.arrived(NOON, NOON + DAY) == (1, 4)
        assert journal.arrived(NOON - DAY, NOON) is None


@given(
    hours=st.lists(st.integers(0, 200), min_size=1, max_size=25),
    first=st.integers(1, 27),
    more=st.integers(0, 26),
)
@settings(max_examples=25)
def test_the_roots_are_those_of_whoever_reads_all(hours, first, more):
    """Also where the clock was set back over midnight, and for records that are not there."""
    last = first + more
    with (
        TemporaryDirectory() as folder,
        Journal.open(Path(folder) / "journal.sqlite") as journal,
    ):
        for number, hour in enumerate(hours):
            journal.append([entry(event(number), arrival=NOON + hour * HOUR)])

        arrived = [NOON + hour * HOUR for hour in hours]
        wanted = []
        latest = max(arrived[:first])
        for place in range(first, len(arrived)):
            if arrived[place] // DAY > latest // DAY:
                digest = journal.digest_at(place).hex()
                wanted.append(Root(latest // DAY * DAY, place, digest))
                latest = arrived[place]
                if place >= last:
                    break
        assert journal.roots(first, last) == wanted


def plans(journal):
    """What looks up a window, its records and what the monitor wrote itself, and how SQLite goes about each."""
    found = {}
    # Where SQLite tells what it runs, what it would do for that is asked of another connection.
    ran: list[str] = []
    connection = journal._connection
    connection.set_trace_callback(ran.append)
    for name, ask in (
        ("export", lambda: list(journal.export(NOON, NOON + HOUR))),
        ("reach", lambda: journal.reach(NOON, NOON + HOUR)),
        ("the one before", lambda: journal.reach(NOON + DAY, NOON + 2 * DAY)),
        ("arrived", lambda: journal.arrived(NOON, NOON + HOUR)),
        ("count", lambda: journal.count(NOON, NOON + HOUR)),
        ("kept", lambda: list(journal.kept())),
        ("kept since", lambda: list(journal.kept(since=NOON))),
    ):
        ran.clear()
        ask()
        asked = list(ran)
        connection.set_trace_callback(None)
        found[name] = [
            row[-1]
            for text in asked
            for row in connection.execute(f"EXPLAIN QUERY PLAN {text}")
        ]
        connection.set_trace_callback(ran.append)
    connection.set_trace_callback(None)
    return found


@pytest.mark.parametrize("played", [False, True])
def test_a_window_is_found_without_reading_all(path, played):
    """Each question about a time goes by an index or by position, also to a journal that was begun without indexes, and what is found is the same."""
    with Journal.open(path, played=played) as journal:
        journal.append(
            [
                entry(
                    event(n, time=stamp(NOON + n * MINUTE)), arrival=NOON + n * MINUTE
                )
                for n in range(200)
            ]
        )
    with closing(sqlite3.connect(path)) as connection:
        for name in INDEXES:
            connection.execute(f"DROP INDEX {name}")
    window = NOON + 90 * MINUTE, NOON + 100 * MINUTE

    def found(journal):
        return (
            ids(journal.export(*window, 0)),
            journal.reach(*window),
            journal.arrived(*window),
            journal.count(*window),
        )

    with Journal.read(path) as journal:
        read = found(journal)
        assert any("SCAN" in one for plan in plans(journal).values() for one in plan)
    with Journal.open(path, played=played) as journal:
        assert found(journal) == read
        scans = [
            (name, one)
            for name, plan in plans(journal).items()
            for one in plan
            if one.startswith("SCAN")
            and not one.startswith(("SCAN json_each", "SCAN r USING INDEX record_own"))
        ]
    assert read[0][1:] == [str(n) for n in range(90, 101)]
    assert read[1:] == ((91, 100), (91, 100), 10)
    assert scans == []
    assert verify(path).position is None


def test_what_was_kept_is_read_from_a_moment_on(journal):
    """From the first record that was written then; nothing where none was."""
    texts = [
        Entry(payload=b"%d" % hour, arrival=NOON + hour * HOUR, kept=True)
        for hour in range(4)
    ]
    for number, text in enumerate(texts):
        journal.append([text, entry(event(number), arrival=text.arrival)])

    assert list(journal.kept(since=NOON + 2 * HOUR)) == [b"2", b"3"]
    assert list(journal.kept(5, since=NOON + HOUR)) == [b"1", b"2"]
    assert list(journal.kept(since=NOON + 9 * HOUR)) == []
    assert len(list(journal.kept())) == 4
