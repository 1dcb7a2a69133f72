"""Recordings: files of events in order of arrival, one CloudEvents event a line.

The suffix says how the lines are packed: `.jsonl`, `.jsonl.gz`, `.jsonl.zst` or `.parquet`.
All are read and written as a stream, so that memory does not grow with the length of the recording.
A line that is no event is told to the caller with its number, and never stops the reading.

A Parquet file has the line in the column `event`.
The columns `time`, `type`, `subject` and `source` beside it are for whoever asks the file with other tools; they are not read.
"""

from __future__ import annotations

import gzip
import importlib
import zlib
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import IO, Any

from monitor.core.events import AnyEvent, MonitorRecord, RecordKind
from monitor.core.wire import LARGEST, Rejection, read, type_of, write

ROWS = 16_384
"""Events in a row group of a Parquet file: a few MiB in memory, and still few groups in a day."""

_BLOCK = 1 << 18
_PACKED_BLOCK = 1 << 12  # zstd unpacks to 32,768 times as much at worst
_MARK = b"\xef\xbb\xbf"

OnRejection = Callable[[int, Rejection], None]
"""Told of each line that is no event: its number, counted from one, and why."""


class RecordingError(Exception):
    """A recording cannot be read or written; the message is one line that names the file."""

    def __init__(self, path: Path, reason: object) -> None:
        super().__init__(f"{path}: {' '.join(str(reason).split())[:200]}")


# What others call.


def read_recording(
    path: Path | str, on_rejection: OnRejection | None = None
) -> Iterator[AnyEvent]:
    """The events of the recording at *path*, in its order, as they are asked for.

    Args:
        path: its suffix says how it is packed.
        on_rejection: told of each bad line; without it they are passed over.

    Raises:
        RecordingError: the suffix is not known, what reads it is not installed, or the file is damaged; what stands before the damage is given first.
        OSError: the file cannot be opened.
    """
    for number, line in _lines(Path(path)):
        reading = read(line, recorded=True)
        yield from reading.events
        if reading.rejections and on_rejection is not None:
            for rejection in reading.rejections:
                on_rejection(number, rejection)


def read_records(path: Path | str, *kinds: RecordKind) -> Iterator[MonitorRecord]:
    """The monitor's own records of *kinds* in the recording at *path*.

    Much cheaper than `read_recording`: only lines in which the word of a kind stands are decoded.
    Bad lines are passed over.

    Raises:
        RecordingError, OSError: as `read_recording` does.
    """
    words = [f'"{kind.value}"'.encode() for kind in kinds]
    for _, line in _lines(Path(path)):
        if not any(word in line for word in words):
            continue
        for event in read(line, recorded=True).events:
            if isinstance(event, MonitorRecord) and event.kind in kinds:
                yield event


def learnt_records(path: Path | str) -> tuple[MonitorRecord, ...]:
    """What a monitor learnt from traffic, as it stands in the recording at *path*.

    A replay must know it before it begins: what was learnt holds from the midnight before it was written.

    Raises:
        RecordingError, OSError: as `read_recording` does.
    """
    return tuple(read_records(path, RecordKind.LEARNT))


def write_recording(path: Path | str, events: Iterable[AnyEvent]) -> int:
    """Write *events*, in order of arrival, as a recording at *path*, and say how many there were.

    The file is there when it is whole: until then it is called `.part` besides, and what stood there before stays.
    The same events give the same bytes.

    Raises:
        RecordingError: the suffix is not known, or what writes it is not installed.
        OSError: the file cannot be written.
    """
    path = Path(path)
    pack = _way(path, _WRITERS)
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as file:
            count: int = pack(path, file, events)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return count


def _way(path: Path, ways: dict[str, Any]) -> Any:
    for suffix, way in ways.items():
        if path.name.lower().endswith(suffix):
            return way
    raise RecordingError(path, f"a recording ends in one of {', '.join(ways)}")


def _extra(path: Path, module: str, extra: str) -> Any:
    try:
        return importlib.import_module(module)
    except ImportError:
        raise RecordingError(
            path, f"needs an extra: pip install 'tallywatch[{extra}]'"
        ) from None


# Reading.


def _lines(path: Path) -> Iterator[tuple[int, bytes]]:
    """The lines of *path* with their numbers; those without anything in them are left out."""
    lines: Callable[[Path, IO[bytes]], Iterator[bytes]] = _way(path, _READERS)
    with path.open("rb") as file:
        for number, line in enumerate(lines(path, file), 1):
            if number == 1:
                line = line.removeprefix(_MARK)  # noqa: PLW2901 - some editors begin a file with it
            if line and not line.isspace():
                yield number, line


def _split(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """The lines of *blocks*; of one that is too long, as much as shows that it is."""
    rest = b""
    for block in blocks:
        first, *others = block.split(b"\n")
        rest = (rest + first)[: LARGEST + 1]
        if others:
            yield rest
            yield from others[:-1]
            rest = others[-1]
    if rest:
        yield rest


def _blocks(file: Any) -> Iterator[bytes]:
    while block := file.read(_BLOCK):
        yield block


def _read_plain(_: Path, file: IO[bytes]) -> Iterator[bytes]:
    return _split(_blocks(file))


def _read_gzip(path: Path, file: IO[bytes]) -> Iterator[bytes]:
    try:
        with gzip.GzipFile(fileobj=file) as unpacked:
            yield from _split(_blocks(unpacked))
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise RecordingError(path, f"damaged: {error}") from None


def _read_zstd(path: Path, file: IO[bytes]) -> Iterator[bytes]:
    zstandard = _extra(path, "zstandard", "zstd")
    try:
        yield from _split(_unpack(path, file, zstandard.ZstdDecompressor()))
    except zstandard.ZstdError as error:
        raise RecordingError(path, f"damaged: {error}") from None


def _unpack(path: Path, file: IO[bytes], zstd: Any) -> Iterator[bytes]:
    # Frame by frame, because a stream that was cut off says so only at its frame.
    frame = None
    while packed := file.read(_PACKED_BLOCK):
        while packed:
            frame = frame or zstd.decompressobj()
            yield frame.decompress(packed)
            packed = frame.unused_data if frame.eof else b""
            frame = None if frame.eof else frame
    if frame is not None:
        raise RecordingError(path, "damaged: it ends in the middle")


def _read_parquet(path: Path, file: IO[bytes]) -> Iterator[bytes]:
    arrow = _extra(path, "pyarrow", "parquet")
    parquet = _extra(path, "pyarrow.parquet", "parquet")
    try:
        with parquet.ParquetFile(file) as rows:
            if "event" not in rows.schema_arrow.names:
                raise RecordingError(path, "has no column event")
            for batch in rows.iter_batches(batch_size=ROWS, columns=["event"]):
                for value in batch.column(0).to_pylist():
                    yield value if isinstance(value, bytes) else str(value).encode()
    except (arrow.ArrowException, OSError) as error:
        raise RecordingError(path, f"damaged: {error}") from None


_READERS = {
    ".jsonl": _read_plain,
    ".jsonl.gz": _read_gzip,
    ".jsonl.zst": _read_zstd,
    ".parquet": _read_parquet,
}


# Writing.


def _write_lines(file: Any, events: Iterable[AnyEvent]) -> int:
    count = 0
    for event in events:
        file.write(write(event) + b"\n")
        count += 1
    return count


def _write_plain(_: Path, file: IO[bytes], events: Iterable[AnyEvent]) -> int:
    return _write_lines(file, events)


def _write_gzip(_: Path, file: IO[bytes], events: Iterable[AnyEvent]) -> int:
    # Without name and time of the file, or the same events would not be the same bytes.
    with gzip.GzipFile(
        filename="", mode="wb", compresslevel=6, fileobj=file, mtime=0
    ) as packed:
        return _write_lines(packed, events)


def _write_zstd(path: Path, file: IO[bytes], events: Iterable[AnyEvent]) -> int:
    zstandard = _extra(path, "zstandard", "zstd")
    packer = zstandard.ZstdCompressor(level=6)
    with packer.stream_writer(file, closefd=False) as packed:
        return _write_lines(packed, events)


def _write_parquet(path: Path, file: IO[bytes], events: Iterable[AnyEvent]) -> int:
    arrow = _extra(path, "pyarrow", "parquet")
    parquet = _extra(path, "pyarrow.parquet", "parquet")
    schema = arrow.schema(
        {
            "event": arrow.string(),
            "time": arrow.timestamp("us", tz="UTC"),
            "type": arrow.string(),
            "subject": arrow.string(),
            "source": arrow.string(),
        }
    )
    count = 0
    taken = iter(events)
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        while group := list(islice(taken, ROWS)):
            columns = {
                "event": [write(event).decode() for event in group],
                "time": [event.time for event in group],
                "type": [type_of(event) for event in group],
                "subject": [event.subject for event in group],
                "source": [event.source for event in group],
            }
            writer.write_table(arrow.table(columns, schema=schema))
            count += len(group)
    return count


_WRITERS = {
    ".jsonl": _write_plain,
    ".jsonl.gz": _write_gzip,
    ".jsonl.zst": _write_zstd,
    ".parquet": _write_parquet,
}
