"""Visits as a table (CSV): read, and written so that reading it again gives the same.

| column | holds |
|---|---|
| `from`, `to` | RFC 3339, or without an offset in the timezone of the line; `to` may be left empty |
| `subject` | what was visited, such as `section/T107`, `head/H107` or `site/…`; several divided by `;`; a name alone is a section |
| `cause` | what was found, from the list of `monitor.findings`, by its key or in its words |
| `part` | at what it was found, likewise; may be left empty, as may all that follow |
| `reference` | the number of the order or report |
| `who` | was there |
| `text` | a note |
| `fault` | id of the fault for which |
| `id` | names the visit; without one it is named by when, where and who, so that a table that comes again changes nothing |

Cells are divided by commas; semicolons and tabs are read too, for that is how spreadsheets of some countries save them.
A cell that a spreadsheet would take for a formula has an apostrophe put before it, which is taken off again in reading.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import cast

from monitor.core.moments import Moment, exact, parse
from monitor.findings import FINDINGS, Cause, is_cause
from monitor.planner.whereabouts import Whereabouts
from monitor.tables import TableFault, bare, guarded
from monitor.visits import Visit, identity_of

COLUMNS = (
    "from",
    "to",
    "subject",
    "cause",
    "part",
    "reference",
    "who",
    "text",
    "fault",
    "id",
)
NEEDED = COLUMNS[0], COLUMNS[2], COLUMNS[3]

MOST = 5000
"""So many visits a table may hold."""

LENGTHS = {"part": 200, "reference": 120, "who": 64, "text": 500}
"""Characters of a cell, at most."""

SUBJECTS = 200
"""So many subjects a visit may have."""

_IDENTITY = re.compile(r"[0-9a-f]{16}")

Told = Callable[[str], None]
"""Takes what is wrong with a row."""


@dataclass(frozen=True, slots=True)
class Importing:
    """Who brings a table in.

    Args:
        by: who.
        position: at which desk, or "".
        now: when.
    """

    by: str
    position: str
    now: Moment


def write(visits: Iterable[Visit]) -> str:
    """*visits* as a table."""
    out = io.StringIO(newline="")
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    for one in visits:
        cells = (
            exact(one.begin),
            "" if one.end == one.begin else exact(one.end),
            ";".join(one.subjects),
            one.cause,
            one.part,
            one.reference,
            one.who,
            one.text,
            one.fault,
            one.id,
        )
        rows.writerow([guarded(cell) for cell in cells])
    return out.getvalue()


def read(
    text: str, there: Whereabouts, by: Importing, name: str = "visits"
) -> tuple[Visit, ...]:
    r"""The visits in a table, as they stand there.

    Args:
        text: of the table.
        there: the places of the line.
        by: who brings it in, and when: no visit is from later.
        name: of the file.

    Raises:
        TableFault: with everything that is wrong with it, line by line.

    Example:
        >>> from monitor.core.detector import Place
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> table = "from,subject,cause\n2026-05-04T09:10,T107,cable\n"
        >>> there = Whereabouts(Place.example().line)
        >>> [visit] = read(table, there, Importing("Ada", "", noon))
        >>> visit.subjects, visit.cause, visit.begin == noon - 170 * 60 * 10**6
        (('section/T107',), 'cable', True)
    """
    reading = _Reading(there, by, name)
    try:
        for number, row in _rows(text, name):
            reading.take(number, row)
    except csv.Error as error:
        raise TableFault([f"{name}: is no table: {error}"]) from None
    return reading.done()


def read_raw(
    raw: bytes, there: Whereabouts, by: Importing, name: str = "visits"
) -> tuple[Visit, ...]:
    """The same of a file that holds *raw*.

    Raises:
        TableFault: likewise; also where it is no UTF-8.
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableFault([f"{name}: {no_utf8(error)}"]) from None
    return read(text, there, by, name)


def no_utf8(error: UnicodeDecodeError) -> str:
    """What is wrong with a file that is saved in another way than it should be."""
    return f"byte {error.start} is no UTF-8: save the table as CSV in UTF-8"


def _divider(text: str) -> str:
    r"""What stands between cells: where a comma is in every number, a spreadsheet writes a semicolon.

    Example:
        >>> _divider("from;subject;cause\n"), _divider("from,subject,cause\n")
        (';', ',')
    """
    head = text.partition("\n")[0]
    return max(",;\t", key=head.count)


def _rows(text: str, name: str) -> Iterator[tuple[int, dict[str, str]]]:
    """The rows that say anything, each with the line of the file on which it ends."""
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise TableFault([f"{name}: there is nothing in it"])
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=_divider(text))
    columns = [one.strip().lower() for one in next(lines, [])]
    faults = [
        f"the column {x} is missing; needed are {', '.join(NEEDED[:-1])} and {NEEDED[-1]}"
        for x in NEEDED
        if x not in columns
    ]
    twice = {x for x in columns if x in COLUMNS and columns.count(x) > 1}
    faults += [f"the column {x} comes twice" for x in sorted(twice)]
    if faults:
        raise TableFault([f"{name}: line 1: {one}" for one in faults])
    for cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        row = dict(zip(columns, map(bare, cells), strict=False))
        if any(cell.strip() for cell in cells[len(columns) :]):
            row["over"] = "1"
        yield lines.line_num, row


class _Reading:
    """Takes one row after another, and keeps what is wrong."""

    def __init__(self, there: Whereabouts, by: Importing, name: str) -> None:
        self._there = there
        self._by = by
        self._name = name
        self._visits: dict[str, Visit] = {}
        self._faults: list[str] = []

    def take(self, number: int, row: dict[str, str]) -> None:
        """One row, which ends on line *number*."""
        before = len(self._faults)

        def fault(what: str) -> None:
            self._faults.append(f"{self._name}: line {number}: {what}")

        if "over" in row:
            fault("has more cells than there are columns")
        _check_texts(row, fault)
        visit = self._visit(row, fault)
        if visit is None or len(self._faults) > before:
            return
        if visit.id in self._visits:
            fault("is the same visit as one before it")
        self._visits[visit.id] = visit

    def _visit(self, row: dict[str, str], fault: Told) -> Visit | None:
        """What *row* says; None where it has no times."""
        subjects = self._subjects(row.get("subject", ""), fault)
        cause = _cause(row.get("cause", ""))
        if not is_cause(cause):
            fault(
                f"what was found, {_shown(cause)}, is not on the list, which is: "
                f"{', '.join(FINDINGS)}"
            )
        part = self._part(row.get("part", ""), fault)
        begin = self._moment(row.get("from", ""), fault)
        end = self._moment(row["to"], fault) if row.get("to", "").strip() else begin
        if begin is None or end is None:
            return None
        if end < begin:
            fault("ends before it begins")
        who = row.get("who", "")
        return Visit(
            id=_identity(row.get("id", ""), "id", fault)
            or identity_of(begin, subjects, who),
            begin=begin,
            end=end,
            subjects=subjects,
            cause=cast("Cause", cause),
            part=part,
            reference=row.get("reference", ""),
            text=row.get("text", ""),
            who=who,
            fault=_identity(row.get("fault", ""), "id of a fault", fault),
            by=self._by.by,
            position=self._by.position,
            entered=self._by.now,
        )

    def done(self) -> tuple[Visit, ...]:
        """All of them.

        Raises:
            TableFault: something was wrong.
        """
        if len(self._visits) > MOST:
            self._faults.append(f"{self._name}: holds more than {MOST} visits")
        if self._faults:
            raise TableFault(self._faults)
        return tuple(self._visits.values())

    def _subjects(self, cell: str, fault: Told) -> tuple[str, ...]:
        found: dict[str, None] = {}
        for subject in _divided(cell, self._there):
            if not self._there.has(subject):
                fault(f"the line file has nothing that is {_shown(subject)}")
            found[subject] = None
        if not found:
            fault("names nothing that was visited")
        elif len(found) > SUBJECTS:
            fault(f"names more than {SUBJECTS} things")
        return tuple(found)

    def _part(self, cell: str, fault: Told) -> str:
        if not cell.strip():
            return ""
        part = _full(cell, self._there)
        if not self._there.has(part):
            fault(f"the line file has nothing that is {_shown(part)}")
        return part

    def _moment(self, cell: str, fault: Told) -> Moment | None:
        try:
            moment = _read_time(cell.strip(), self._there.line.zone)
        except ValueError as error:
            fault(str(error))
            return None
        if moment > self._by.now:
            fault(f"{_shown(cell)} has not come yet")
        return moment


def _check_texts(row: dict[str, str], fault: Told) -> None:
    for column, most in LENGTHS.items():
        cell = row.get(column, "")
        if len(cell) > most:
            fault(f"{column} is longer than {most} characters")
        elif not _printable(cell, lines=column == "text"):
            fault(f"{column} holds what cannot be printed")


def _identity(cell: str, what: str, fault: Told) -> str:
    """An id, or "" where *cell* holds none."""
    given = cell.strip()
    if given and _IDENTITY.fullmatch(given) is None:
        fault(f"{_shown(given)} is no {what}: one has 16 hexadecimal digits")
    return given


def _divided(cell: str, there: Whereabouts) -> list[str]:
    """The subjects in *cell*; a name may hold what divides them."""
    whole = [_full(one, there) for one in re.split(r";(?=\s*[a-z]+/)", cell)]
    if all(map(there.has, whole)):
        return whole
    return [_full(one, there) for one in cell.split(";") if one.strip()]


PARTS = ("head", "unit", "cable", "evaluator", "supply", "gateway")


def _cause(cell: str) -> str:
    """What was found, by its key or in its words."""
    text = " ".join(cell.split())
    for key, one in FINDINGS.items():
        if text.lower() in {key, one.words.lower()}:
            return key
    return text


def _full(text: str, there: Whereabouts) -> str:
    """*text* as a subject: as it is where there is such a thing, else without the spaces around it; a name alone is a section's, or that of the only part which has it."""
    if there.has(text):
        return text
    text = text.strip()
    section = f"section/{text}"
    if "/" in text or there.has(section):
        return section if there.has(section) else text
    found = [one for kind in PARTS if there.has(one := f"{kind}/{text}")]
    return found[0] if len(found) == 1 else section


def _read_time(text: str, zone: tzinfo) -> Moment:
    """The time that *text* is; one without an offset must come once in *zone*."""
    if not text:
        raise ValueError("a time is missing")
    try:
        read = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{_shown(text)} is no time") from None
    if ":" not in text:
        raise ValueError(f"{_shown(text)} has no time of day")
    if read.tzinfo is None:
        first, second = (read.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        if first.utcoffset() != second.utcoffset():
            again = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
            if again != read:
                raise ValueError(f"{text} does not come that night: clocks go forward")
            raise ValueError(f"{text} comes twice that night: give its offset")
        read = first
    # `parse` knows which moments are possible.
    return parse(read.isoformat())


def _printable(text: str, *, lines: bool) -> bool:
    return all(c.isprintable() or (lines and c in "\n\t") for c in text)


def _shown(text: str) -> str:
    seen = "".join(one if one.isprintable() else "?" for one in text.strip())
    return repr(seen[:60])
