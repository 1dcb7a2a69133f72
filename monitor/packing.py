"""Files put together into one, in a form in which every byte is accounted for.

It is a ZIP file that any tool opens, of the plainest sort: nothing compressed, no times, nothing between or after its parts.
Its first file lists the SHA-256 of all others, as `sha256sum -c` reads it.
So the whole follows from its files alone, and whatever differs from that is found and named.
"""

from __future__ import annotations

import hashlib
import mmap
import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from struct import Struct
from typing import IO

SUMS = "SHA256SUMS"
"""The file that lists the others."""

LARGEST = 2**32 - 1
"""Bytes of a file of this form."""

# PKWARE's APPNOTE, 4.3.7, 4.3.12 and 4.3.16.
_LOCAL = Struct("<4s5H3I2H")
_CENTRAL = Struct("<4s6H3I5H2I")
_END = Struct("<4s4H2IH")
_VERSION = 10  # 1.0: nothing beyond the plainest sort is needed
_MADE_BY = 3 << 8 | _VERSION  # on Unix, so that permissions count
_FIRST_DAY = 0x21  # 1980-01-01, the first that can be written
_MODE = 0o100644 << 16
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
_BLOCK = 1 << 20


class PackFault(Exception):
    """Files cannot be put together, or are not as they were put together; the text says which, in one line."""


@dataclass(frozen=True, slots=True)
class _Part:
    """A file in it."""

    name: bytes
    crc: int
    size: int
    offset: int

    def local(self) -> bytes:
        return (
            _LOCAL.pack(
                *(b"PK\x03\x04", _VERSION, 0, 0, 0, _FIRST_DAY),
                *(self.crc, self.size, self.size, len(self.name), 0),
            )
            + self.name
        )

    def central(self) -> bytes:
        return (
            _CENTRAL.pack(
                *(b"PK\x01\x02", _MADE_BY, _VERSION, 0, 0, 0, _FIRST_DAY),
                *(self.crc, self.size, self.size, len(self.name), 0, 0, 0, 0),
                *(_MODE, self.offset),
            )
            + self.name
        )


def pack(path: Path, files: Mapping[str, bytes | Path]) -> str:
    """Put *files* together at *path*, in their order, and give the SHA-256 of the whole; the same files give the same bytes.

    *files*: by name, each as it is or where it stands.

    Raises:
        PackFault: they are too large together.
        OSError: they cannot be read or written.
    """
    sums = "".join(f"{_sum(one)}  {name}\n" for name, one in files.items())
    whole = hashlib.sha256()
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as out:
            for block in _whole({SUMS: sums.encode(), **files}):
                whole.update(block)
                out.write(block)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return whole.hexdigest()


def _whole(files: Mapping[str, bytes | Path]) -> Iterator[bytes]:
    parts: list[_Part] = []
    offset = 0
    for name, one in files.items():
        if not _NAME.fullmatch(name):
            raise PackFault(f"{name!r} is no name for a file here")
        crc = size = 0
        for block in _blocks(one):
            crc, size = zlib.crc32(block, crc), size + len(block)
        if size + offset > LARGEST:
            raise PackFault("more than 4 GiB together: take a shorter window")
        made = _Part(name.encode(), crc, size, offset)
        yield made.local()
        yield from _blocks(one)
        offset += _LOCAL.size + len(made.name) + size
        parts.append(made)
    yield _tail(parts, offset)


def _tail(parts: list[_Part], offset: int) -> bytes:
    """What stands after the last file."""
    central = b"".join(part.central() for part in parts)
    if offset + len(central) > LARGEST:
        raise PackFault("more than 4 GiB together: take a shorter window")
    count = len(parts)
    return central + _END.pack(
        b"PK\x05\x06", 0, 0, count, count, len(central), offset, 0
    )


def _blocks(one: bytes | Path) -> Iterator[bytes]:
    if isinstance(one, bytes):
        yield one
        return
    with one.open("rb") as file:
        yield from _read(file)


def _read(file: IO[bytes]) -> Iterator[bytes]:
    while block := file.read(_BLOCK):
        yield block


def _sum(one: bytes | Path) -> str:
    digest = hashlib.sha256()
    for block in _blocks(one):
        digest.update(block)
    return digest.hexdigest()


def unpacked(path: Path) -> dict[str, memoryview]:
    """The files that were put together at *path*, by name, once every byte of it is seen to be as `pack` wrote it.

    They are read as they are looked at, and the file stays open until they are let go.

    Raises:
        PackFault: something is not; it says what.
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        try:
            mapped = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        except ValueError:
            raise PackFault("there is nothing in it") from None
    return _checked(memoryview(mapped))


def _checked(view: memoryview) -> dict[str, memoryview]:
    parts: list[_Part] = []
    found: dict[str, memoryview] = {}
    wrong: list[str] = []
    offset = 0
    while bytes(view[offset : offset + 4]) == b"PK\x03\x04":
        part, crc_fits = _part(view, offset)
        name = part.name.decode()
        if name in found:
            raise PackFault(f"{name} stands in it twice")
        start = offset + _LOCAL.size + len(part.name)
        found[name] = view[start : start + part.size]
        if not crc_fits:
            wrong.append(name)
        offset = start + part.size
        parts.append(part)
    _check_sums(found, wrong)
    # Every file is as it was, so what is left to be wrong is what stands around them.
    _check_around(view, parts, offset)
    return found


def _part(view: memoryview, offset: int) -> tuple[_Part, bool]:
    """The file whose entry stands at *offset*, and whether its checksum fits."""
    where = f"what stands at byte {offset}, before a file,"
    head = bytes(view[offset : offset + _LOCAL.size])
    if len(head) < _LOCAL.size:
        raise PackFault(f"{where} is cut off")
    *_, crc, _, size, length, _ = _LOCAL.unpack(head)
    name = bytes(view[offset + _LOCAL.size : offset + _LOCAL.size + length])
    start = offset + _LOCAL.size + length
    if not _NAME.fullmatch(name.decode("ascii", "replace")):
        raise PackFault(f"{where} is not as it was packed: it names no file")
    if start + size > len(view):
        raise PackFault(
            f"{where} is not as it was packed, or {name.decode()} is cut off"
        )
    real = 0
    for begin in range(start, start + size, _BLOCK):
        real = zlib.crc32(view[begin : min(begin + _BLOCK, start + size)], real)
    return _Part(name, real, size, offset), real == crc


def _check_sums(found: Mapping[str, memoryview], wrong: list[str]) -> None:
    """Each file against the list of them; where they differ, the one whose checksum does not fit is wrong."""
    listed = found.get(SUMS)
    if listed is None or next(iter(found)) != SUMS:
        raise PackFault(f"{SUMS} is not its first file")
    sums = {name: _sum_of(one) for name, one in found.items() if name != SUMS}
    expected = "".join(f"{one}  {name}\n" for name, one in sums.items()).encode()
    if SUMS in wrong:
        raise PackFault(f"{SUMS} is not as it was packed")
    if bytes(listed) == expected:
        return
    lines = bytes(listed).decode("ascii", "replace").splitlines()
    told = {line[66:]: line[:64] for line in lines}
    for name, one in sums.items():
        if name not in told:
            raise PackFault(
                f"{SUMS}, or the entry of what is called {name} here, "
                "is not as it was packed"
            )
        if told[name] != one:
            raise PackFault(f"{name} is not as it was packed")
    missing = [name for name in told if name not in sums]
    if missing:
        raise PackFault(
            f"{missing[0]} is missing, or what stands before it is not as it was packed"
        )
    raise PackFault(f"{SUMS} is not as it was packed")


def _sum_of(one: memoryview) -> str:
    return hashlib.sha256(one).hexdigest()


def _check_around(view: memoryview, parts: list[_Part], offset: int) -> None:
    for part in parts:
        entry = part.local()
        if bytes(view[part.offset : part.offset + len(entry)]) != entry:
            raise PackFault(
                f"the entry of {part.name.decode()}, at byte {part.offset}, "
                "is not as it was packed"
            )
    if bytes(view[offset:]) != _tail(parts, offset):
        raise PackFault(
            f"the list of files at its end, from byte {offset} on, is not as it was packed"
        )
