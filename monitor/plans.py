"""Planned work out of a file: a table (CSV) or a calendar (iCalendar), as sections with a beginning and an end.

A plan quiets nothing by itself: work that was put off would make its sections silent.
It is an entry by a person that says so: that work has begun, or, where a past day is replayed, that it was done as planned.

A table has a row for each piece of work, below these names of columns:

| column | holds |
|---|---|
| `subject` | what is worked on: `section/T107`, or `area/…`, `evaluator/…`, `unit/…`, `cable/…`, `supply/…`, `site/…`, `head/…` for all sections that need it; several divided by `;` |
| `from`, `to` | RFC 3339, or without an offset in the timezone of the line |
| `reference` | what the work is called, may be left empty |

In a calendar each event's `LOCATION` holds the subjects, divided by `;` or `,`, and `SUMMARY` the reference; events that recur are followed up to a year after the first.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import islice
from pathlib import Path
from typing import Any

from monitor.core.dependence import ORDER, Dependence
from monitor.core.events import SectionWork
from monitor.core.layout import OPEN, Line
from monitor.core.moments import Moment, from_datetime, parse

COLUMNS = ("subject", "from", "to", "reference")
LONGEST = 1000
"""An event that recurs is followed for so many times at most."""

AHEAD = timedelta(days=366)
_ODD = re.compile(r"[^\w.-]")
"""What a source's name does without."""

REFERENCE = 120
"""Characters of a reference that are kept."""


class PlanFault(Exception):
    """A plan is wrong.

    Attributes:
        faults: everything that is wrong with it, one line each.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = tuple(faults)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One piece of planned work.

    Args:
        sections: that are out of normal service meanwhile.
        begin: when it is to begin.
        end: when it is to end.
        reference: what it is called, or "".
    """

    sections: tuple[str, ...]
    begin: Moment
    end: Moment
    reference: str = ""


def read_plan(path: Path, line: Line) -> tuple[Work, ...]:
    """The work in the file at *path*: `.ics` is a calendar, anything else a table.

    Raises:
        PlanFault: with everything that is wrong with it.
        OSError: it cannot be read.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlanFault([f"{path.name}: byte {error.start} is no UTF-8"]) from None
    calendar = path.suffix.lower() == ".ics"
    return (read_calendar if calendar else read_table)(text, line, path.name)


def read_table(text: str, line: Line, name: str = "plan") -> tuple[Work, ...]:
    r"""The work in a table, in order of its beginning.

    Raises:
        PlanFault: with everything that is wrong with it, row by row.

    Example:
        >>> from monitor.core.detector import Place
        >>> table = (
        ...     "subject,from,to,reference\n"
        ...     "supply/PS1,2026-05-04T01:00,2026-05-04T03:30,W7\n"
        ... )
        >>> [work] = read_table(table, Place.example().line)
        >>> work.sections, work.reference
        (('T106', 'T107', 'T108'), 'W7')
    """
    rows = csv.DictReader(io.StringIO(text))
    missing = [one for one in COLUMNS[:3] if one not in (rows.fieldnames or ())]
    if missing:
        raise PlanFault([f"{name}: there is no column {one}" for one in missing])
    reading = _Reading(line, name)
    for number, row in enumerate(rows, start=2):
        reading.take(
            f"row {number}",
            (row["subject"] or "").split(";"),
            row["from"] or "",
            row["to"] or "",
            row.get("reference") or "",
        )
    return reading.done()


def read_calendar(text: str, line: Line, name: str = "plan") -> tuple[Work, ...]:
    """The work in a calendar (RFC 5545), in order of its beginning.

    Raises:
        PlanFault: with everything that is wrong with it, event by event.
    """
    from icalendar import Calendar  # noqa: PLC0415 - few have one, and it takes long

    try:
        calendars = Calendar.from_ical(text, multiple=True)
    except ValueError as error:
        raise PlanFault([f"{name}: is no calendar: {_line(error)}"]) from None
    reading = _Reading(line, name)
    events = [event for one in calendars for event in one.walk("VEVENT")]
    for number, event in enumerate(events, start=1):
        summary = str(event.get("SUMMARY", ""))
        where = f"event {number}" + (f" ({summary})" if summary else "")
        subjects = str(event.get("LOCATION", "")).replace(",", ";").split(";")
        try:
            spells = list(_spells(event))
        except Exception as error:  # noqa: BLE001 - the library's own, of many kinds
            reading.fault(where, _line(error))
            continue
        for begin, end in spells:
            reading.take(where, subjects, begin, end, summary)
    return reading.done()


def _spells(event: Any) -> Iterator[tuple[Any, Any]]:
    """When a calendar's event begins and ends, each time it recurs."""
    from dateutil.rrule import rrulestr  # noqa: PLC0415 - as above

    begin, end = event.start, event.end
    rule = event.get("RRULE")
    if rule is None:
        yield begin, end
        return
    first = begin if isinstance(begin, datetime) else datetime.combine(begin, time())
    # Wall clock: what begins at one begins at one on both sides of a change of time.
    wall = first.replace(tzinfo=None)
    rules = rrulestr(rule.to_ical().decode(), dtstart=wall, ignoretz=True)
    skipped = {_wall(one.dt) for one in _dates(event.get("EXDATE"))}
    length = end - begin
    for when in islice(rules.xafter(wall, inc=True), LONGEST):
        if when > wall + AHEAD:
            break
        if when not in skipped:
            start = when.replace(tzinfo=first.tzinfo)
            yield start, _later(start, length)


def _later(start: datetime, length: timedelta) -> datetime:
    """*length* after *start*, as the sun goes rather than by the wall clock."""
    if start.tzinfo is None:
        return start + length
    return (start.astimezone(UTC) + length).astimezone(start.tzinfo)


def _dates(values: Any) -> Iterator[Any]:
    if values is not None:
        for one in values if isinstance(values, list) else [values]:
            yield from one.dts


def _wall(value: date) -> datetime:
    if isinstance(value, datetime):
        return value.replace(tzinfo=None)
    return datetime.combine(value, time())


class _Reading:
    """Takes one piece of work after another, and keeps what is wrong."""

    def __init__(self, line: Line, name: str) -> None:
        self._line = line
        self._name = name
        self._dependence = Dependence(line)
        self._works: list[Work] = []
        self._faults: list[str] = []

    def fault(self, where: str, what: str) -> None:
        """*what* is wrong with *where*."""
        self._faults.append(f"{self._name}: {where}: {what}")

    def take(
        self, where: str, subjects: Sequence[str], begin: Any, end: Any, reference: str
    ) -> None:
        """One piece of work, as it stands in the file."""
        before = len(self._faults)
        sections: list[str] = []
        named = [one.strip() for one in subjects if one.strip()]
        if not named:
            self.fault(where, "names no section")
        for subject in named:
            found = self._sections(subject)
            if not found:
                self.fault(where, f"the line file has nothing that is {subject}")
            sections += found
        first, last = self._moment(where, begin), self._moment(where, end)
        if first is not None and last is not None and last <= first:
            self.fault(where, "ends before it begins")
        if len(self._faults) == before and first is not None and last is not None:
            self._works.append(
                Work(
                    sections=tuple(dict.fromkeys(sections)),
                    begin=first,
                    end=last,
                    reference=" ".join(reference.split())[:REFERENCE],
                )
            )

    def done(self) -> tuple[Work, ...]:
        """All of it, in order.

        Raises:
            PlanFault: something was wrong.
        """
        if self._faults:
            raise PlanFault(self._faults)
        return tuple(sorted(self._works, key=lambda one: (one.begin, one.sections)))

    def _sections(self, subject: str) -> tuple[str, ...]:
        kind, _, name = subject.rpartition("/")
        line = self._line
        if kind in ("", "section"):
            return (name,) if name in line.sections else ()
        if kind == "head":
            head = line.heads.get(name)
            return () if head is None else tuple(x for x in head.between if x != OPEN)
        return self._dependence.sections_on(subject) if kind in ORDER else ()

    def _moment(self, where: str, value: Any) -> Moment | None:
        try:
            return _moment(value, self._line.zone)
        except ValueError as error:
            self.fault(where, str(error))
            return None


def _moment(value: Any, zone: tzinfo) -> Moment:
    if isinstance(value, str):
        try:
            read = datetime.fromisoformat(value.strip())
        except ValueError:
            raise ValueError(f"{value!r} is no time") from None
    elif isinstance(value, datetime):
        read = value
    else:
        read = datetime.combine(value, time())
    if read.tzinfo is None:
        read = read.replace(tzinfo=zone)
    # `parse` knows which moments are possible.
    return parse(read.isoformat()) if read.year < 1990 else from_datetime(read)


def _line(error: Exception) -> str:
    text = str(error) or type(error).__name__
    return text.splitlines()[0]


def as_done(works: Sequence[Work], name: str) -> list[SectionWork]:
    """The events of *works* that were done as planned, in order of time; each came when it was so.

    Args:
        works: out of the plan.
        name: of its file; the source is `plan/<name>`.
    """
    events: list[SectionWork] = []
    for section in sorted({one for work in works for one in work.sections}):
        for spell in _joined([work for work in works if section in work.sections]):
            events += (
                _event(spell, section, name, begun=True),
                _event(spell, section, name, begun=False),
            )
    return sorted(events, key=lambda event: (event.time, event.subject, event.begun))


def _joined(works: Sequence[Work]) -> Iterator[Work]:
    """Works on one section; those that overlap are one, for the section is given back once."""
    current: Work | None = None
    for work in sorted(works, key=lambda one: one.begin):
        if current is None or work.begin > current.end:
            if current is not None:
                yield current
            current = work
            continue
        names = dict.fromkeys(filter(None, (current.reference, work.reference)))
        current = replace(
            current, end=max(current.end, work.end), reference=", ".join(names)
        )
    if current is not None:
        yield current


def _event(work: Work, section: str, name: str, *, begun: bool) -> SectionWork:
    at = work.begin if begun else work.end
    return SectionWork(
        id=f"{section}/{at}/{'begun' if begun else 'ended'}",
        source=f"plan/{_ODD.sub('-', name)}",
        subject=section,
        time=at,
        arrival=at,
        begun=begun,
        reference=work.reference or None,
        planned_end=work.end,
    )
