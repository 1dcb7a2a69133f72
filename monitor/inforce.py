"""What was in force when something was concluded: the line file, the settings and the version, as each start of the monitor journaled them.

None of them changes while a monitor runs, so what a start journaled holds for every record up to the next start.
Which start a window belongs to goes by the order of the journal, never by clocks.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

from monitor.core.detectors import CATALOGUE
from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.layout import Line, read_line
from monitor.core.moments import Moment
from monitor.core.tuning import Detection, DetectionFault, Words
from monitor.journal import Entry, Journal

_KINDS = (RecordKind.STARTED, RecordKind.SETTINGS, RecordKind.LINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """What held from one start of the monitor to the next.

    Args:
        position: of the record of the start.
        at: when it started, by its own clock.
        monitor: its id.
        version: which monitor it was.
        settings_digest: SHA-256 of the settings.
        settings_at: the position of their text.
        line_digest: SHA-256 of the line file.
        line_at: the position of its text.
    """

    position: int
    at: Moment
    monitor: str
    version: str
    settings_digest: str
    settings_at: int
    line_digest: str
    line_at: int

    @property
    def same(self) -> tuple[str, str, str]:
        """What conclusions depend on: two that agree in it conclude the same."""
        return self.monitor, self.settings_digest, self.line_digest

    def line(self, journal: Journal) -> Line:
        """The line file.

        Raises:
            LineFault: this version does not take it.
        """
        text = journal.payload(self.line_at).decode("utf-8", "replace")
        return read_line(text, "the line file in force then")

    def settings(self, journal: Journal) -> dict[str, Any]:
        """The settings, as tables."""
        tables = json.loads(journal.payload(self.settings_at))
        return tables if isinstance(tables, dict) else {}

    def detection(self, journal: Journal) -> tuple[Detection, tuple[str, ...]]:
        """Every number that conclusions depended on, and what of it this version does not know any more."""
        return read_detection(self.settings(journal))


def started(
    journal: Journal,
    record: Callable[[RecordKind, dict[str, Any]], Entry],
    *,
    version: str,
    settings: str,
    line: str,
    line_digest: str,
    now: Moment,
) -> list[Entry]:
    """What a start journals, next and in one transaction: that it started, and the texts in force.

    A text stands there once as it is; later starts name it by its position and digest.

    Args:
        journal: in which it will stand.
        record: makes a record of the monitor.
        version: which monitor it is.
        settings: their text.
        line: the text of the line file.
        line_digest: what the line file is known by.
        now: when.
    """
    entries = [record(RecordKind.STARTED, {"version": version})]
    digest = hashlib.sha256(settings.encode()).hexdigest()
    for kind, text, of in (
        (RecordKind.SETTINGS, settings, digest),
        (RecordKind.LINE, line, line_digest),
    ):
        known = journal.last(kind)
        if known is not None and known.values["digest"] == of:
            at = known.values["text_at"]
        else:
            at = journal.position + len(entries) + 1
            entries.append(Entry(payload=text.encode(), arrival=now, kept=True))
        entries.append(record(kind, {"digest": of, "text_at": at}))
    return entries


def in_force(journal: Journal, begin: Moment, end: Moment) -> tuple[InForce, ...]:
    """What was in force when what came from *begin* up to *end* was concluded from, oldest first: one for each start that matters."""
    reach = journal.reach(begin, end)
    if reach is None:
        return ()
    first, last = reach
    found = [one for one in starts(journal) if one.position <= last]
    before = sum(one.position <= first for one in found)
    return tuple(found[max(before - 1, 0) :])


def starts(journal: Journal) -> Iterator[InForce]:
    """What each start of the monitor journaled, oldest first; a start that was cut short left nothing and is left out."""
    began: tuple[int, MonitorRecord] | None = None
    texts: dict[RecordKind, MonitorRecord] = {}
    for position, record in journal.placed(_KINDS):
        if record.kind is RecordKind.STARTED:
            began, texts = (position, record), {}
            continue
        texts[record.kind] = record
        if began is not None and len(texts) == 2:
            yield _whole(*began, texts)
            began = None


CONCLUDES = ("monitor", "words", "detect", "section")
"""The tables of the settings that conclusions depend on."""


def differences(journal: Journal, before: InForce, after: InForce) -> list[str]:
    """In what one start was told otherwise than the one before it, as far as conclusions depend on it, in words."""
    said = []
    if before.monitor != after.monitor:
        said.append(f"monitor {before.monitor}, then {after.monitor}")
    if before.settings_digest != after.settings_digest:
        was, now = (_flat(one.settings(journal)) for one in (before, after))
        changed = [
            f"{name} {was.get(name, 'not set')}, then {now.get(name, 'not set')}"
            for name in (*was, *(name for name in now if name not in was))
            if was.get(name) != now.get(name)
        ]
        said.append(f"settings: {'; '.join(changed) or 'none that counts here'}")
    if before.line_digest != after.line_digest:
        said.append(
            f"line file: {_line_differences(before.line(journal), after.line(journal))}"
        )
    return said


def _flat(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Every number that conclusions depend on, by its table and name."""
    found: dict[str, Any] = {}

    def add(name: str, value: Any) -> None:
        if isinstance(value, Mapping):
            for key, inner in value.items():
                add(f"{name}.{key}", inner)
        else:
            table, _, last = name.rpartition(".")
            found[f"[{table}] {last}" if table else last] = value

    for name in CONCLUDES:
        if name in tables:
            add(name, tables[name])
    return found


def _line_differences(was: Line, now: Line) -> str:
    said = []
    for what in ("sections", "heads", "evaluators"):
        one, other = getattr(was, what), getattr(now, what)
        for word, names in (
            ("without", [name for name in one if name not in other]),
            ("with", [name for name in other if name not in one]),
            (
                "otherwise",
                [name for name in one if name in other and one[name] != other[name]],
            ),
        ):
            if names:
                said.append(f"{what} {word} {', '.join(names)}")
    return "; ".join(said) or "nothing that is drawn"


def _whole(
    position: int, started: MonitorRecord, texts: Mapping[RecordKind, MonitorRecord]
) -> InForce:
    settings, line = texts[RecordKind.SETTINGS], texts[RecordKind.LINE]
    return InForce(
        position=position,
        at=started.time,
        monitor=started.source,
        version=str(started.values.get("version", "")),
        settings_digest=str(settings.values["digest"]),
        settings_at=int(settings.values["text_at"]),
        line_digest=str(line.values["digest"]),
        line_at=int(line.values["text_at"]),
    )


def read_detection(tables: Mapping[str, Any]) -> tuple[Detection, tuple[str, ...]]:
    """The numbers in *tables*, and the names in them that this version does not know: those are left out.

    Example:
        >>> then = {"detect": {"section-disturbed": {"settle_s": 7.0, "since_s": 1}}}
        >>> detection, left_out = read_detection(then)
        >>> detection == Detection.of(detect={"section-disturbed": {"settle_s": 7.0}})
        True
        >>> left_out
        ('[detect.section-disturbed] since_s',)
    """
    known = {one.kind: {field.name for field in fields(one)} for one in CATALOGUE}  # type: ignore[arg-type]
    left_out: list[str] = []
    shared = {field.name for field in fields(Words)}
    words = _known("words", tables.get("words", {}), shared, left_out)
    detect = _kinds("detect", tables.get("detect", {}), known, left_out)
    section = {
        place: _kinds(f"section.{place}", kinds, known, left_out)
        for place, kinds in tables.get("section", {}).items()
    }
    try:
        return Detection.of(words, detect, section), tuple(left_out)
    except DetectionFault as fault:
        # Values that were good once: then those of this version are taken.
        return Detection(), (*left_out, *fault.faults)


def _kinds(
    where: str,
    tables: Mapping[str, Mapping[str, Any]],
    known: Mapping[str, set[str]],
    left_out: list[str],
) -> dict[str, dict[str, Any]]:
    left_out += [f"[{where}.{kind}]" for kind in tables if kind not in known]
    return {
        kind: _known(f"{where}.{kind}", values, known[kind], left_out)
        for kind, values in tables.items()
        if kind in known
    }


def _known(
    where: str, values: Mapping[str, Any], known: set[str], left_out: list[str]
) -> dict[str, Any]:
    left_out += [f"[{where}] {name}" for name in values if name not in known]
    return {name: value for name, value in values.items() if name in known}
