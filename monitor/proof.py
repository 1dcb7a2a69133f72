"""Whether evidence is as it was packed, and stands in the chain of a journal: worked out from the pack alone, and from roots that somebody kept."""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import json
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from monitor.evidence import ABOUT, FORM, RECORDS
from monitor.journal import alone, written
from monitor.packing import PackFault, unpacked


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What was found.

    Args:
        files: how many are as they were packed.
        first: position of the first record.
        last: of the last one of the window.
        end: of the last one of the chain.
        digest: with which the chain ends.
        shown: how many records are shown.
        withheld: positions of those whose words are changed.
        left_out: how many stand there by their SHA-256 alone.
        roots: of the days that end in it: day, position, digest.
        known: those of them that were kept elsewhere.
    """

    files: int
    first: int
    last: int
    end: int
    digest: str
    shown: int
    withheld: tuple[int, ...]
    left_out: int
    roots: tuple[tuple[str, int, str], ...]
    known: tuple[str, ...]


def prove(path: Path, roots: Iterable[str] = ()) -> Proof:
    """Check the evidence at *path*; *roots* are those that were kept elsewhere.

    Raises:
        PackFault: something is not as it was packed or written, or a root is of no day in it; it says which.
        OSError: it cannot be read.
    """
    files = unpacked(path)
    about = _about(files)
    try:
        proof = _follow(files, about)
        _check_texts(files, about)
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise PackFault(f"{ABOUT} or {RECORDS} is not whole: {error!r}") from None
    there = {digest for _, _, digest in proof.roots}
    asked = tuple(dict.fromkeys(roots))
    for root in asked:
        if root not in there:
            raise PackFault(
                f"no day in it ends with {root}: it is of another journal than that of "
                "which this root was kept, or one that was changed"
            )
    return replace(proof, known=asked)


def _about(files: Mapping[str, memoryview]) -> dict[str, Any]:
    for name in (ABOUT, RECORDS):
        if name not in files:
            raise PackFault(f"{name!r} is missing")
    try:
        about = json.loads(bytes(files[ABOUT]))
    except ValueError as error:
        raise PackFault(f"{ABOUT} is no JSON: {error}") from None
    if not isinstance(about, dict) or about.get("form") != FORM:
        raise PackFault(f"{ABOUT} is of a form that this version does not know")
    return about


def _follow(files: Mapping[str, memoryview], about: dict[str, Any]) -> Proof:
    """The chain from its beginning in the pack to its end."""
    chain = about["chain"]
    first, end = int(chain["first"]), int(chain["end"])
    roots = [(one["day"], one["position"], one["digest"]) for one in chain["roots"]]
    link = _Link(first - 1, bytes.fromhex(chain["before"]))
    digests = {link.position: link.digest.hex()}
    marked = {position for _, position, _ in roots} | {end}
    for told in _records(files[RECORDS]):
        link.take(told)
        if link.position in marked:
            digests[link.position] = link.digest.hex()
    if link.position != end:
        raise PackFault(
            f"{RECORDS} ends with record {link.position} and not with {end}"
        )
    if end and digests[end] != chain["digest"]:
        raise PackFault(f"{RECORDS}: the chain does not end as {ABOUT} says")
    for day, position, digest in roots:
        if digests.get(position) != digest:
            raise PackFault(
                f"{RECORDS}: record {position} does not give the root of {day} that "
                f"{ABOUT} names"
            )
    if link.withheld != about["records"]["withheld"]:
        raise PackFault(f"{ABOUT} names other changed records than {RECORDS} has")
    return Proof(
        files=len(files),
        first=first,
        last=int(chain["last"]),
        end=end,
        digest=link.digest.hex(),
        shown=link.shown,
        withheld=tuple(link.withheld),
        left_out=link.left_out,
        roots=tuple(roots),
        known=(),
    )


@dataclass(slots=True)
class _Link:
    """How far the chain was followed.

    Args:
        position: of the last record.
        digest: of it.
        shown: how many records were shown.
        left_out: how many stand there by their digest alone.
        withheld: positions of those that are changed.
    """

    position: int
    digest: bytes
    shown: int = 0
    left_out: int = 0
    withheld: list[int] = field(default_factory=list)

    def take(self, told: Mapping[str, Any]) -> None:
        """One more record.

        Raises:
            PackFault: it is not the next, or not as it was written.
        """
        self.position += 1
        if told["position"] != self.position:
            raise PackFault(
                f"{RECORDS}: record {self.position} is missing: "
                f"the next is {told['position']}"
            )
        itself = bytes.fromhex(told["itself"])
        self.digest = hashlib.sha256(self.digest + itself).digest()
        if "payload" not in told:
            self.left_out += 1
            return
        self.shown += 1
        if told["digest"] != self.digest.hex():
            raise PackFault(
                f"{RECORDS}: record {self.position} does not follow the one before it"
            )
        if told.get("withheld"):
            self.withheld.append(self.position)
        elif alone(bytes.fromhex(told["blind"]), _written(told)) != itself:
            raise PackFault(
                f"{RECORDS}: record {self.position} is not as it was written"
            )


def _records(packed: memoryview) -> Iterator[dict[str, Any]]:
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(packed)) as file:
            for number, line in enumerate(file, 1):
                told = json.loads(line)
                if not isinstance(told, dict):
                    raise PackFault(f"{RECORDS}: line {number} is no record")
                yield told
    except (OSError, EOFError, zlib.error, ValueError) as error:
        raise PackFault(f"{RECORDS} cannot be read: {error}") from None


def _written(told: Mapping[str, Any]) -> bytes:
    """A record as it went into its digest."""
    position, payload = told["position"], told["payload"]
    raw = (
        payload.encode()
        if isinstance(payload, str)
        else base64.b64decode(payload["base64"], validate=True)
    )
    columns = (told[name] for name in ("arrival", "topic", "retained", "recorded"))
    return written(
        (position, *columns, raw),
        [(position, *row) for row in told["events"]],
        [(position, *row) for row in told["rejections"]],
    )


def _check_texts(files: Mapping[str, memoryview], about: Mapping[str, Any]) -> None:
    """The line file and the settings against the digests by which the journal knows them."""
    for one in about["in_force"]:
        for what in ("line", "settings"):
            name = one[what]
            if name not in files:
                raise PackFault(f"{name!r} is missing")
            if not one[f"{what}_whole"]:
                continue
            if hashlib.sha256(files[name]).hexdigest() != one[f"{what}_digest"]:
                raise PackFault(f"{name} is not what was in force")
