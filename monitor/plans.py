"""Planned work out of a file: a table (CSV) or a calendar (iCalendar), as sections with a beginning and an end.

A plan quiets nothing by itself: work that was put off would make its sections silent.
It is an entry by a person that says so: that work has begun, or, where a past day is replayed, that it was done as planned.

A table has a row for each piece of work, below these names of columns:

| column | holds |
|---|---|
| `subject` | what is worked on: `section/T107`, or `area/…`, `evaluator/…`, `unit/…`, `cable/…`, `supply/…`, `site/…`, `head/…` for all sections that need it; several divided by `;` |
| `from`, `to` | RFC 3339, or without an offset in the timezone of the line; what comes twice or never on the night when clocks change needs its offset |
| `reference` | what the work is called, may be left empty |
| `text` | anything else, may be left out |

In a calendar each event's `LOCATION` holds the subjects, divided by `;` or `,`, `SUMMARY` the reference and `DESCRIPTION` the text.
Events that recur are followed over the window that is asked for, else up to a year after the first; single ones of them may be left out (`EXDATE`), moved (`RECURRENCE-ID`) or cancelled (`STATUS`).
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import takewhile
from pathlib import Path
from typing import Any

from monitor.core.dependence import ORDER, Dependence
from monitor.core.events import SectionWork
from monitor.core.layout import OPEN, Line
from monitor.core.moments import Moment, as_datetime, from_datetime, parse
from monitor.tables import TableFault

COLUMNS = ("subject", "from", "to", "reference")
MOST = 5000
"""So many pieces of work a file may hold, each time counted that an event recurs."""

AHEAD = timedelta(days=366)
_ODD = re.compile(r"[^\w.-]")
"""What a source's name does without."""

REFERENCE = 120
"""Characters of a reference that are kept."""

TEXT = 300
"""And of a text."""

_OFTEN = frozenset({"DAILY", "WEEKLY", "MONTHLY", "YEARLY"})
"""How often work may recur; nothing is worked on by the hour."""

Window = tuple[Moment, Moment]
"""From when to when work that recurs is of interest."""


def year_from(moment: Moment) -> Window:
    """The window in which a plan is of interest that is imported at *moment*: a year and a day."""
    return moment, from_datetime(as_datetime(moment) + AHEAD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One piece of planned work.

    Args:
        sections: that are out of normal service meanwhile.
        begin: when it is to begin.
        end: when it is to end.
        reference: what it is called, or "".
        text: what else the plan says of it, or "".
        row: where it stands in the file, in words.
    """

    sections: tuple[str, ...]
    begin: Moment
    end: Moment
    reference: str = ""
    text: str = ""
    row: str = ""

    @property
    def key(self) -> str:
        """Names it within its plan, also where the plan comes again with its rows in another order or with another end.

        Example:
            >>> work = Work(sections=("T1",), begin=0, end=1)
            >>> work.key == replace(work, end=2).key, len(work.key)
            (True, 8)
        """
        told = "\n".join([*self.sections, str(self.begin), self.reference])
        return hashlib.sha256(told.encode()).hexdigest()[:8]


def read_plan(path: Path, line: Line, window: Window | None = None) -> tuple[Work, ...]:
    """The work in the file at *path*: `.ics` is a calendar, anything else a table.

    Raises:
        TableFault: with everything that is wrong with it.
        OSError: it cannot be read.
    """
    return read_bytes(path.read_bytes(), line, path.name, window)


def read_bytes(
    raw: bytes, line: Line, name: str, window: Window | None = None
) -> tuple[Work, ...]:
    """The work in a file called *name* that holds *raw*.

    Raises:
        TableFault: with everything that is wrong with it.
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableFault([f"{name}: byte {error.start} is no UTF-8"]) from None
    if name.lower().endswith(".ics"):
        return read_calendar(text, line, name, window)
    return read_table(text, line, name)


def read_table(text: str, line: Line, name: str = "plan") -> tuple[Work, ...]:
    r"""The work in a table, in order of its beginning.

    Raises:
        TableFault: with everything that is wrong with it, row by row.

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
    reading = _Reading(line, name)
    try:
        for number, row in _rows(text, name):
            reading.take(
                f"row {number}",
                row.get("subject", "").split(";"),
                row.get("from", ""),
                row.get("to", ""),
                row.get("reference", ""),
                row.get("text", ""),
                over=None in row,
            )
    except csv.Error as error:
        raise TableFault([f"{name}: is no table: {error}"]) from None
    return reading.done()


def _rows(text: str, name: str) -> Iterator[tuple[int, dict[str | None, str]]]:
    """The rows of a table that say anything, each with the line of the file on which it ends; what is under no column is under None."""
    lines = csv.reader(io.StringIO(text, newline=""))
    columns = [one.strip().lower() for one in next(lines, [])]
    missing = [one for one in COLUMNS[:3] if one not in columns]
    if missing:
        raise TableFault([f"{name}: there is no column {one}" for one in missing])
    for cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        row: dict[str | None, str] = dict(zip(columns, cells, strict=False))
        if any(cell.strip() for cell in cells[len(columns) :]):
            row[None] = ""
        yield lines.line_num, row


def read_calendar(
    text: str, line: Line, name: str = "plan", window: Window | None = None
) -> tuple[Work, ...]:
    """The work in a calendar (RFC 5545), in order of its beginning.

    Args:
        text: of the file.
        line: the line file.
        name: of the file.
        window: over which what recurs is followed; else for a year from the first.

    Raises:
        TableFault: with everything that is wrong with it, event by event.
    """
    from icalendar import Calendar  # noqa: PLC0415 - few have one, and it takes long

    try:
        calendars = Calendar.from_ical(text, multiple=True)
    except ValueError as error:
        raise TableFault([f"{name}: is no calendar: {_line(error)}"]) from None
    reading = _Reading(line, name)
    events = [event for one in calendars for event in one.walk("VEVENT")]
    moved = _moved(events)
    for number, event in enumerate(events, start=1):
        if str(event.get("STATUS", "")).upper() == "CANCELLED":
            continue
        summary = _plain(str(event.get("SUMMARY", "")), REFERENCE)
        where = f"event {number}" + (f" ({summary})" if summary else "")
        instead = moved.get(str(event.get("UID", "")), set())
        try:
            spells = _spells(event, instead, line.zone, window)
        except Exception as error:  # noqa: BLE001 - the library's own, of many kinds
            reading.fault(where, _line(error))
            continue
        subjects = str(event.get("LOCATION", "")).replace(",", ";").split(";")
        described = str(event.get("DESCRIPTION", ""))
        for begin, end in spells:
            reading.take(where, subjects, begin, end, summary, described)
    return reading.done()


def _moved(events: Iterable[Any]) -> dict[str, set[Any]]:
    """By the UID of what recurs, the times at which another event stands in for it."""
    moved: dict[str, set[Any]] = {}
    for event in events:
        instead = getattr(event.get("RECURRENCE-ID"), "dt", None)
        if instead is not None:
            moved.setdefault(str(event.get("UID", "")), set()).add(instead)
    return moved


def _spells(
    event: Any, instead: set[Any], zone: tzinfo, window: Window | None
) -> list[tuple[Any, Any]]:
    """When a calendar's event begins and ends, each time it recurs.

    *instead*: the times at which another event of the calendar stands in for it.
    """
    begin, end = event.start, event.end
    rules = _listed(event.get("RRULE"))
    more = [one for one in _dates(event.get("RDATE")) if isinstance(one, date)]
    if event.get("RECURRENCE-ID") is not None or not (rules or more):
        return [(begin, end)]
    first = begin if isinstance(begin, datetime) else datetime.combine(begin, time())
    tz = first.tzinfo
    length = end - begin
    if isinstance(end, datetime) and tz is not None and end.tzinfo is not None:
        length = end.astimezone(UTC) - begin.astimezone(UTC)
    # Wall clock: what begins at one begins at one on both sides of a change of time.
    wall = first.replace(tzinfo=None)
    since, until = wall, wall + AHEAD
    if window is not None:
        since, until = (_wall(as_datetime(one), tz or zone) for one in window)
    given = [*_dates(event.get("EXDATE")), *instead]
    skipped = {_wall(one, tz) for one in given}
    times = {_wall(one, tz) for one in more}
    for rule in rules:
        times.update(_follow(rule, wall, until, tz))
    spells = []
    for when in sorted(times | {wall}):
        if when not in skipped and when <= until and when + length >= since:
            start = when.replace(tzinfo=tz)
            spells.append((start, _later(start, length)))
    return spells


def _follow(
    rule: Mapping[str, Any], wall: datetime, until: datetime, tz: tzinfo | None
) -> Iterable[datetime]:
    """When what begins at *wall* recurs by *rule*, not beyond *until*; at most `MOST` times."""
    from dateutil.rrule import rrulestr  # noqa: PLC0415 - few plans recur

    parts = {name.upper(): values for name, values in rule.items()}
    often = str(_listed(parts.get("FREQ", ""))[0]).upper()
    if often not in _OFTEN:
        raise ValueError(f"recurs {often or 'nobody knows how often'}, not by days")
    if any(int(one) < 1 for one in _listed(parts.get("INTERVAL", 1))):
        raise ValueError("recurs at no interval")
    end = [_last(one, tz) for one in _listed(parts.pop("UNTIL", None))]
    told = type(rule)(parts).to_ical().decode()  # type: ignore[call-arg, attr-defined]
    last = min([*end, until])
    found = list(_at_most(rrulestr(told, dtstart=wall, ignoretz=True), last))
    if len(found) > MOST:
        raise ValueError(f"recurs more than {MOST} times")
    return found


def _at_most(times: Iterable[datetime], last: datetime) -> Iterator[datetime]:
    for number, when in enumerate(takewhile(lambda one: one <= last, times)):
        yield when
        if number >= MOST:
            return


def _last(value: date, tz: tzinfo | None) -> datetime:
    """The last moment by the wall clock that `UNTIL` allows: of a day, its end."""
    if isinstance(value, datetime):
        return _wall(value, tz)
    return datetime.combine(value, time(23, 59, 59))


def _listed(value: Any) -> list[Any]:
    if value is None:
        return []
    return list(value) if isinstance(value, list) else [value]


def _later(start: datetime, length: timedelta) -> datetime:
    """*length* after *start*, as the sun goes rather than by the wall clock."""
    if start.tzinfo is None:
        return start + length
    return (start.astimezone(UTC) + length).astimezone(start.tzinfo)


def _dates(values: Any) -> Iterator[Any]:
    for one in _listed(values):
        yield from (each.dt for each in one.dts)


def _wall(value: date, tz: tzinfo | None) -> datetime:
    """What the clock on a wall in *tz* shows at *value*."""
    if not isinstance(value, datetime):
        return datetime.combine(value, time())
    if value.tzinfo is not None and tz is not None:
        value = value.astimezone(tz)
    return value.replace(tzinfo=None)


class _Reading:
    """Takes one piece of work after another, and keeps what is wrong."""

    def __init__(self, line: Line, name: str) -> None:
        self._line = line
        self._name = name
        self._dependence = Dependence(line)
        self._works: dict[str, Work] = {}
        self._faults: list[str] = []

    def fault(self, where: str, what: str) -> None:
        """*what* is wrong with *where*."""
        self._faults.append(f"{self._name}: {where}: {what}")

    def take(  # noqa: PLR0917 - what stands in a row
        self,
        where: str,
        subjects: Sequence[str],
        begin: Any,
        end: Any,
        reference: str,
        text: str,
        *,
        over: bool = False,
    ) -> None:
        """One piece of work, as it stands in the file; *over*: with more than it has columns for."""
        before = len(self._faults)
        if over:
            self.fault(where, "has more cells than there are columns")
        sections: list[str] = []
        named = [one.strip() for one in subjects if one.strip()]
        if not named:
            self.fault(where, "names no section")
        for subject in named:
            found = self._sections(subject)
            if not found:
                told = _plain(subject, REFERENCE)
                self.fault(where, f"the line file has nothing that is {told}")
            sections += found
        first, last = self._moment(where, begin), self._moment(where, end)
        if first is not None and last is not None and last <= first:
            self.fault(where, "ends before it begins")
        if len(self._faults) == before and first is not None and last is not None:
            self._keep(
                Work(
                    sections=tuple(dict.fromkeys(sections)),
                    begin=first,
                    end=last,
                    reference=_plain(reference, REFERENCE),
                    text=_plain(text, TEXT),
                    row=where,
                )
            )

    def _keep(self, work: Work) -> None:
        same = self._works.setdefault(work.key, work)
        if same is not work:
            self.fault(work.row, f"says the same as {same.row}")

    def done(self) -> tuple[Work, ...]:
        """All of it, in order.

        Raises:
            TableFault: something was wrong.
        """
        if len(self._works) > MOST:
            self._faults.append(f"{self._name}: holds more than {MOST} pieces of work")
        if self._faults:
            raise TableFault(self._faults)
        works = self._works.values()
        return tuple(sorted(works, key=lambda one: (one.begin, one.sections)))

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
        read = _read(value.strip(), zone)
    elif isinstance(value, datetime):
        read = value
    else:
        read = datetime.combine(value, time())
    if read.tzinfo is None:
        read = read.replace(tzinfo=zone)
    # `parse` knows which moments are possible.
    return parse(read.isoformat()) if read.year < 1990 else from_datetime(read)


def _read(text: str, zone: tzinfo) -> datetime:
    """The time that *text* is; one without an offset must come once in *zone*."""
    if not text:
        raise ValueError("a time is missing")
    try:
        read = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{_plain(text, 40)!r} is no time") from None
    if ":" not in text:
        raise ValueError(f"{text!r} has no time of day")
    if read.tzinfo is not None:
        return read
    first, second = (read.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != read:
        raise ValueError(f"{text} does not come that night: clocks go forward")
    raise ValueError(f"{text} comes twice that night: give its offset")


def _plain(text: str, longest: int) -> str:
    """*text* in one line, without what cannot be seen, and no longer than that."""
    seen = "".join(one if one.isprintable() else " " for one in text)
    return " ".join(seen.split())[:longest]


def _line(error: Exception) -> str:
    text = _plain(str(error), TEXT)
    return text or type(error).__name__


def source_of(name: str) -> str:
    """The source of what is entered from the plan called *name*.

    Example:
        >>> source_of("week 19")
        'plan/week-19'
    """
    return f"plan/{_ODD.sub('-', name)}"


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
        source=source_of(name),
        subject=section,
        time=at,
        arrival=at,
        begun=begun,
        reference=work.reference or None,
        planned_end=work.end,
    )
