from __future__ import annotations

import gzip
import io
import itertools
import sys
import tracemalloc
from dataclasses import replace

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import zstandard

from monitor.core import wire
from monitor.core.events import (
    AnyEvent,
    EvaluatorState,
    MonitorRecord,
    RecordKind,
    SectionState,
    Service,
    State,
)
from monitor.core.moments import SECOND, parse
from monitor.core.wire import LARGEST, write
from replay import recording
from replay.recording import (
    RecordingError,
    learnt_records,
    read_recording,
    read_records,
    write_recording,
)

SIX = parse("2026-05-04T06:00:00Z")

SUFFIXES = [".jsonl", ".jsonl.gz", ".jsonl.zst", ".parquet"]

every_suffix = pytest.mark.parametrize("suffix", SUFFIXES)


def state(number, **more):
    """Event *number*: T1 occupied, so many seconds after six."""
    return SectionState(
        id=str(number),
        source="gw/1",
        subject="T1",
        time=SIX + number * SECOND,
        sequence=number,
        state=State.OCCUPIED,
        **more,
    )


def record(kind, number=0, **values):
    """A record of the monitor itself."""
    return MonitorRecord(
        id=f"{kind.value}/{number}",
        source="monitor-1",
        subject="monitor-1",
        time=SIX,
        arrival=SIX,
        kind=kind,
        values=values,
    )


DAY: list[AnyEvent] = [
    record(RecordKind.STARTED, version="1"),
    state(1, arrival=SIX + SECOND + 7, axles=-1, extra={"kp": 12.4}),
    state(1, arrival=SIX + 2 * SECOND, retained=True),
    EvaluatorState(
        id="2", source="gw/ü", subject="EV 9", time=SIX, state=Service.LOCKED_OUT
    ),
    record(RecordKind.LEARNT, 1, day="2026-05-03", gaps={"T1": 300.5}),
    state(3, train="learnt"),
    record(RecordKind.LEARNT, 2, day="2026-05-04"),
]


def lines(*events):
    """Events as the lines of a recording."""
    return b"".join(write(event) + b"\n" for event in events)


def packed(suffix, text):
    """The bytes *text*, packed by other tools than ours."""
    if suffix == ".jsonl.gz":
        return gzip.compress(text)
    if suffix == ".jsonl.zst":
        return zstandard.ZstdCompressor().compress(text)
    if suffix == ".parquet":
        out = io.BytesIO()
        column = pa.array([line.decode() for line in text.splitlines()])
        pq.write_table(pa.table({"event": column}), out)
        return out.getvalue()
    return text


def faults(path):
    """Line and label of everything that is refused in a recording."""
    found: list[tuple[int, str]] = []
    for _ in read_recording(
        path, lambda number, why: found.append((number, why.label))
    ):
        pass
    return found


@every_suffix
def test_a_recording_gives_back_what_was_written(tmp_path, suffix):
    """Every format keeps the events, their order, their repeats and their further fields."""
    path = tmp_path / f"day{suffix}"

    assert write_recording(path, iter(DAY)) == len(DAY)

    again = list(read_recording(path))
    assert again == DAY
    assert [one.extra for one in again] == [one.extra for one in DAY]
    assert faults(path) == []


@every_suffix
def test_a_recording_of_nothing_is_one(tmp_path, suffix):
    """A quiet hour is a recording without events."""
    path = tmp_path / f"quiet{suffix}"

    assert write_recording(path, []) == 0
    assert list(read_recording(path)) == []


@every_suffix
def test_a_recording_made_by_others_is_the_same_thing(tmp_path, suffix):
    """Whoever packed the lines, they are read."""
    path = tmp_path / f"day{suffix}"
    path.write_bytes(packed(suffix, lines(*DAY)))

    assert list(read_recording(str(path))) == DAY


@every_suffix
def test_the_same_events_give_the_same_bytes(tmp_path, suffix):
    """A simulated day with the same seed is the same file, whenever and wherever it is made."""
    one, other = tmp_path / f"one{suffix}", tmp_path / f"other{suffix}"
    write_recording(one, DAY)
    write_recording(other, DAY)

    assert one.read_bytes() == other.read_bytes()


@every_suffix
def test_a_bad_line_stops_nothing(tmp_path, suffix):
    """Each bad line is told with its number and its reason; all others are read."""
    path = tmp_path / f"day{suffix}"
    text = b"".join(
        [
            lines(state(1)),
            b"nonsense\n",
            lines(state(2)),
            b'{"specversion": "1.0"}\n',
            lines(state(3)).replace(b"2026", b"0001"),
            lines(state(4)),
        ]
    )
    path.write_bytes(packed(suffix, text))

    assert [event.id for event in read_recording(path)] == ["1", "2", "4"]
    assert faults(path) == [
        (2, "not_json"),
        (4, "missing_attribute"),
        (5, "bad_time"),
    ]


def test_lines_may_end_and_begin_as_they_do_elsewhere(tmp_path):
    """A byte order mark, carriage returns, blank lines and a last line without an end are no faults."""
    path = tmp_path / "day.jsonl"
    one, two, three = (write(state(number)) for number in (1, 2, 3))
    path.write_bytes(
        b"\xef\xbb\xbf" + one + b"\r\n\r\n  \n" + two + b"\n\n" + three[:-5]
    )

    assert [event.id for event in read_recording(path)] == ["1", "2"]
    assert faults(path) == [(6, "not_json")]


def test_an_array_on_a_line_gives_its_events(tmp_path):
    """A line that holds what one message held is read as that message was."""
    path = tmp_path / "day.jsonl"
    path.write_bytes(b"[" + write(state(1)) + b",5," + write(state(2)) + b"]\n")

    assert [event.id for event in read_recording(path)] == ["1", "2"]
    assert faults(path) == [(1, "not_an_event")]


@pytest.mark.parametrize("suffix", SUFFIXES[:3])
@pytest.mark.parametrize("length", [LARGEST + 1, 3 * LARGEST + 17, 5_000_000])
def test_a_line_that_is_too_long_is_one_fault(tmp_path, suffix, length):
    """Of a line without end no more is kept than shows that it is too long."""
    path = tmp_path / f"day{suffix}"
    text = lines(state(1)) + b"x" * length + b"\n" + lines(state(2))
    path.write_bytes(packed(suffix, text))

    assert [event.id for event in read_recording(path)] == ["1", "2"]
    assert faults(path) == [(2, "too_large")]


@pytest.mark.parametrize("ends", [-2, -1, 0, 1, 2])
def test_a_line_across_two_blocks_is_one_line(tmp_path, ends):
    """Where a file is cut for reading does not show in its lines."""
    path = tmp_path / "day.jsonl"
    first = lines(state(1))
    fill = b" " * (recording._BLOCK - len(first) + ends - 1) + b"\n"
    path.write_bytes(first + fill + lines(state(2), state(3)))

    assert [event.id for event in read_recording(path)] == ["1", "2", "3"]
    assert faults(path) == []


def test_an_event_of_what_the_line_lacks_is_one(tmp_path):
    """What the line file does not know is recorded all the same."""
    path = tmp_path / "day.jsonl"
    stranger = replace(state(1), subject="a section of another line")
    write_recording(path, [stranger])

    assert list(read_recording(path)) == [stranger]


# What was learnt.


@every_suffix
def test_what_was_learnt_is_found_without_reading_all(tmp_path, suffix, monkeypatch):
    """The first pass decodes only lines in which the word stands, and gives only records."""
    path = tmp_path / f"day{suffix}"
    write_recording(path, DAY)
    looked: list[bytes] = []
    read = wire.read

    def watched(line, **how):
        looked.append(line)
        return read(line, **how)

    monkeypatch.setattr(recording, "read", watched)

    assert learnt_records(path) == (DAY[4], DAY[6])
    assert len(looked) == 3  # the two, and the train that is called so
    assert list(read_records(path, RecordKind.STARTED, RecordKind.WINDOW)) == [DAY[0]]


# What cannot be read.


@pytest.mark.parametrize("name", ["day.csv", "day", "day.json", "jsonl", "day.gz"])
def test_an_unknown_suffix_is_one_line(tmp_path, name):
    """A file of another kind is named, with the kinds there are."""
    path = tmp_path / name
    told = f"{path}: a recording ends in one of .jsonl, .jsonl.gz, .jsonl.zst, .parquet"

    with pytest.raises(RecordingError) as reading:
        list(read_recording(path))
    with pytest.raises(RecordingError) as writing:
        write_recording(path, DAY)

    assert str(reading.value) == str(writing.value) == told
    assert not path.exists()


def test_a_suffix_may_be_in_capitals(tmp_path):
    """Some systems write suffixes large."""
    path = tmp_path / "DAY.JSONL"
    write_recording(path, DAY)

    assert list(read_recording(path)) == DAY


@pytest.mark.parametrize(
    ("suffix", "module", "extra"),
    [(".jsonl.zst", "zstandard", "zstd"), (".parquet", "pyarrow", "parquet")],
)
def test_an_extra_that_is_missing_is_named(
    tmp_path, monkeypatch, suffix, module, extra
):
    """Where a format needs what is not installed, the line says what to install."""
    path = tmp_path / f"day{suffix}"
    path.write_bytes(packed(suffix, lines(*DAY)))
    before = path.read_bytes()
    monkeypatch.setitem(sys.modules, module, None)
    told = f"{path}: needs an extra: pip install 'tallywatch[{extra}]'"

    with pytest.raises(RecordingError) as reading:
        list(read_recording(path))
    with pytest.raises(RecordingError) as writing:
        write_recording(path, DAY)

    assert str(reading.value) == str(writing.value) == told
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_is_not_there_is_the_systems_fault():
    """That a file cannot be opened is told as the system tells it."""
    with pytest.raises(FileNotFoundError):
        list(read_recording("/nowhere/day.jsonl"))


@pytest.mark.parametrize("suffix", SUFFIXES[1:])
def test_a_file_of_another_kind_is_damaged(tmp_path, suffix):
    """A file that is not what its suffix says is named in one line."""
    path = tmp_path / f"day{suffix}"
    path.write_bytes(b"this is no such file, whatever it is called\n" * 9)

    with pytest.raises(RecordingError) as caught:
        list(read_recording(path))

    assert str(caught.value).startswith(f"{path}: damaged: ")
    assert "\n" not in str(caught.value)


def many(count):
    """Events that do not pack too well."""
    return [replace(state(n), id=f"{n * 7919 % 104729:x}-{n}") for n in range(count)]


@pytest.mark.parametrize("suffix", [".jsonl.gz", ".jsonl.zst"])
def test_a_file_that_was_cut_off_gives_what_it_has_and_says_so(tmp_path, suffix):
    """A copy that broke off is no whole recording, and is not taken for one."""
    path = tmp_path / f"day{suffix}"
    events = many(20_000)
    write_recording(path, events)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])

    got: list[AnyEvent] = []
    with pytest.raises(RecordingError, match="damaged"):
        got.extend(read_recording(path))
    assert 1000 < len(got) < 20_000
    assert got == events[: len(got)]


def test_a_parquet_file_without_events_says_so(tmp_path):
    """A table of something else is not read as a day on which nothing happened."""
    path = tmp_path / "day.parquet"
    pq.write_table(pa.table({"n": [1]}), path)

    with pytest.raises(RecordingError, match="has no column event"):
        list(read_recording(path))


def test_packed_pieces_in_a_row_are_one_recording(tmp_path):
    """Files packed by the hour and joined are the day."""
    for suffix in (".jsonl.gz", ".jsonl.zst"):
        path = tmp_path / f"day{suffix}"
        path.write_bytes(
            packed(suffix, lines(*DAY[:3])) + packed(suffix, lines(*DAY[3:]))
        )
        assert list(read_recording(path)) == DAY


# Writing.


def test_a_parquet_file_can_be_asked_by_other_tools(tmp_path):
    """Time, type, subject and source stand beside each event, the time as a time."""
    path = tmp_path / "day.parquet"
    write_recording(path, DAY)

    table = pq.read_table(path)

    assert table.column_names == ["event", "time", "type", "subject", "source"]
    assert table.schema.field("time").type == pa.timestamp("us", tz="UTC")
    row = table.slice(3, 1).to_pylist()[0]
    assert row["event"].encode() == write(DAY[3])
    assert row["time"].isoformat() == "2026-05-04T06:00:00+00:00"
    assert (row["type"], row["subject"], row["source"]) == (
        "tallywatch.evaluator.state",
        "EV 9",
        "gw/ü",
    )


def test_a_parquet_file_has_groups_of_bounded_size(tmp_path, monkeypatch):
    """A year is not one group, or it could not be read in pieces."""
    monkeypatch.setattr(recording, "ROWS", 10)
    path = tmp_path / "day.parquet"
    write_recording(path, many(25))

    with pq.ParquetFile(path) as file:
        assert file.num_row_groups == 3
    assert list(read_recording(path)) == many(25)


@every_suffix
def test_what_fails_half_way_leaves_what_was_there(tmp_path, suffix):
    """A recording is there when it is whole; until then the one before stays."""
    path = tmp_path / f"day{suffix}"
    write_recording(path, DAY)

    def breaks_off():
        yield state(1)
        raise KeyError("half way")

    with pytest.raises(KeyError):
        write_recording(path, breaks_off())

    assert list(read_recording(path)) == DAY
    assert list(tmp_path.iterdir()) == [path]


@every_suffix
def test_events_are_read_as_they_are_asked_for(tmp_path, suffix):
    """The first events of a long recording come without reading the rest; stopping there is no fault."""
    path = tmp_path / f"day{suffix}"
    write_recording(path, many(30))

    taken = read_recording(path)
    assert [event.sequence for event in itertools.islice(taken, 3)] == [0, 1, 2]
    taken.close()  # type: ignore[attr-defined]


@pytest.mark.slow
@every_suffix
def test_memory_does_not_grow_with_the_length(tmp_path, suffix, monkeypatch):
    """Four times the events are written and read in the memory of one."""
    monkeypatch.setattr(recording, "ROWS", 500)

    def peak(count):
        path = tmp_path / f"{count}{suffix}"
        tracemalloc.start()
        try:
            write_recording(path, (state(n) for n in range(count)))
            assert sum(1 for _ in read_recording(path)) == count
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(10)
    assert peak(8_000) < 2 * peak(2_000)


def test_a_word_elsewhere_makes_no_record(tmp_path):
    """A train that is called so, and a bad line, are nothing that was learnt."""
    path = tmp_path / "day.jsonl"
    path.write_bytes(lines(state(1, train="learnt")) + b'{"learnt"\n')

    assert learnt_records(path) == ()
