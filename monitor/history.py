"""History: the facts by section and day, kept so that a period can be looked back on.

The engine says what was so; this keeps it in one SQLite file, for pages and reports.
Nothing here is the truth: the journal is, and folding the journal again writes the same facts again.
So a fact replaces the one with its kind, subject and `began`, a power cut may cost the last writes, and deleting the file costs only the time of a fold.

Trains are many, and a year of them is asked for in whole: how many worked through a section, in each hour, is kept beside the facts and by the same transaction.
Passages of heads are as many, and nobody asks for one by itself: of these only the numbers are kept.
"""

from __future__ import annotations

import json
import sqlite3
from array import array
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self, cast, get_args

from monitor.core.facts import Fact, FactKind
from monitor.core.moments import DAY, HOUR, Moment
from monitor.database import Database

_TABLES = """
CREATE TABLE IF NOT EXISTS fact (
    kind    TEXT    NOT NULL,
    subject TEXT    NOT NULL,
    began   INTEGER NOT NULL,  -- microseconds since the epoch, UTC
    ended   INTEGER,           -- NULL while it lasts
    said    TEXT    NOT NULL,  -- JSON: what else is known of it
    PRIMARY KEY (kind, subject, began)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS fact_by_time ON fact (kind, began);
CREATE TABLE IF NOT EXISTS traffic (
    subject TEXT    NOT NULL,
    day     INTEGER NOT NULL,  -- days since the epoch, UTC
    trains  BLOB    NOT NULL,  -- worked through, by hour: 24 numbers of 32 bits
    counted INTEGER NOT NULL,  -- of them, those whose axles were told
    axles   INTEGER NOT NULL,
    PRIMARY KEY (day, subject)  -- a period is read in one piece
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS passages (
    subject TEXT    NOT NULL,
    day     INTEGER NOT NULL,  -- days since the epoch, UTC
    counts  BLOB    NOT NULL,  -- by hour: 24 numbers of 32 bits
    axles   BLOB    NOT NULL,  -- likewise
    count   INTEGER NOT NULL,  -- of the day
    counted INTEGER NOT NULL,  -- its axles
    PRIMARY KEY (day, subject)
) WITHOUT ROWID;
"""

FORMAT = 2
"""Of the file: since 1 it keeps traffic beside the facts, since 2 the passages of heads."""

HOURS = 24
"""Of a day."""

_KINDS = frozenset(get_args(FactKind))

_WRITE = """
INSERT INTO fact (kind, subject, began, ended, said) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (kind, subject, began)
DO UPDATE SET ended = excluded.ended, said = excluded.said
"""

_READ = """
SELECT kind, subject, began, ended, said FROM fact
WHERE kind = :kind
  AND (:subject IS NULL OR subject = :subject)
  AND (:end IS NULL OR began < :end)
  AND (:begin IS NULL OR began >= :begin
       OR (kind NOT IN ('disturbance', 'reset')
           AND (ended IS NULL OR ended > :begin)))
ORDER BY began, subject
"""

_COUNT = f"""
SELECT subject, began / {DAY}, count(*) FROM fact
WHERE kind = :kind
  AND (:subject IS NULL OR subject = :subject)
  AND (:end IS NULL OR began < :end)
  AND (:begin IS NULL OR began >= :begin)
GROUP BY subject, began / {DAY}
ORDER BY subject, began / {DAY}
"""  # noqa: S608 (the only thing put in is a constant)


_OLD = "SELECT ended, said FROM fact WHERE kind = 'occupation' AND subject = ? AND began = ?"

_TRAFFIC = "SELECT trains, counted, axles FROM traffic WHERE subject = ? AND day = ?"

_COUNTED = "INSERT OR REPLACE INTO traffic (subject, day, trains, counted, axles) VALUES (?, ?, ?, ?, ?)"

_PASSAGES = "SELECT counts, axles FROM passages WHERE subject = ? AND day = ?"

_KEEP_PASSAGES = "INSERT OR REPLACE INTO passages (subject, day, counts, axles, count, counted) VALUES (?, ?, ?, ?, ?, ?)"

_SUM_PASSAGES = """
SELECT subject, sum(count), sum(counted) FROM passages
WHERE day >= :begin AND day < :end GROUP BY subject
"""

_PASSAGES_OF = "SELECT subject, counts, axles FROM passages WHERE day = ?"

_READ_TRAFFIC = """
SELECT subject, day, trains, counted, axles FROM traffic
WHERE day >= :begin AND day <= :end
"""

# A day in one row: to hand over a million of them takes longer than to read them.
_READ_DAYS = """
SELECT day, group_concat(subject, char(10)), group_concat(hex(trains), ''),
       group_concat(counted), group_concat(axles)
FROM traffic WHERE day >= :begin AND day <= :end GROUP BY day ORDER BY day
"""


@dataclass(slots=True)
class Traffic:
    """The trains of one section on one day, UTC.

    Args:
        trains: how many worked through in each hour, not under work.
        counted: those of them whose axles were told.
        axles: of those.
    """

    trains: array[int] = field(default_factory=lambda: array("I", [0] * HOURS))
    counted: int = 0
    axles: int = 0

    def add(self, ended: Moment, axles: int, times: int) -> None:
        """A train that left at *ended* counts *times* more; with -1 it does not count any more."""
        self.trains[ended % DAY // HOUR] += times
        if axles > 0:
            self.counted += times
            self.axles += times * axles


@dataclass(frozen=True, slots=True)
class TrafficDay:
    """The trains of all sections on one day, UTC, as they are kept, for who reads years of them.

    Args:
        day: days since the epoch.
        subjects: one a line; only those that had any.
        trains: 24 numbers of 32 bits for each, in the order of bytes of this machine.
        counted: trains whose axles were told, a number for each, divided by commas.
        axles: of those, likewise.
    """

    day: int
    subjects: str
    trains: bytes
    counted: str
    axles: str


class HistoryFault(Exception):
    """A history cannot be read; the text says why, in one line."""


class History(Database):
    """The facts of one monitor, on disk.

    Example:
        >>> from monitor.core.moments import HOUR, parse
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> with History.open(":memory:") as history:
        ...     history.write(
        ...         [Fact(kind="disturbance", subject="section/T107", began=noon)]
        ...     )
        ...     history.daily("disturbance") == {("section/T107", noon - 12 * HOUR): 1}
        True
    """

    TABLES = _TABLES
    SYNCHRONOUS = "NORMAL"  # the journal can give every fact again

    @classmethod
    def open(cls, path: Path | str) -> Self:
        """Open the file at *path*, making it where it is not there; what an older version left out is counted once.

        Raises:
            sqlite3.Error: the file cannot be opened, or is no database.
        """
        history = super().open(path)
        try:
            history.count_once()
        except sqlite3.Error:
            history.close()
            raise
        return history

    @classmethod
    def to_read(cls, path: Path) -> Self:
        """Open the file at *path* for reading alone, also while a monitor writes it.

        Raises:
            HistoryFault: there is none, it cannot be read, or an older version wrote it.
        """
        if not path.is_file():
            raise HistoryFault(f"{path}: there is no history here")
        try:
            history = super().to_read(path)
            form = history.form()
        except sqlite3.Error as error:
            raise HistoryFault(f"{path} cannot be read: {error}") from error
        if form != FORMAT:
            history.close()
            raise HistoryFault(
                f"{path} has format {form}, not {FORMAT}: start the monitor on it once"
            )
        return history

    def form(self) -> int:
        """The format of the file."""
        return int(self._connection.execute("PRAGMA user_version").fetchone()[0])

    def count_once(self) -> None:
        """Count what an older version left out; nothing where that was done."""
        connection = self._connection
        form = self.form()
        if form == 1:
            # Passages of before were told to nobody: they are counted from now on.
            connection.execute(f"PRAGMA user_version = {FORMAT}")
        if form >= 1:
            return
        with connection:
            connection.execute("DELETE FROM traffic")
            days: dict[tuple[str, int], Traffic] = {}
            rows = connection.execute(
                "SELECT subject, ended, said FROM fact WHERE kind = 'occupation'"
            )
            for subject, ended, said in rows:
                _count(days, subject, ended, json.loads(said), 1)
            self._keep(days)
            connection.execute(f"PRAGMA user_version = {FORMAT}")

    def write(self, facts: Iterable[Fact]) -> None:
        """Keep *facts* in one transaction: all of them or, on an error, none.

        Each replaces the fact of its kind, subject and `began`, if there is one.

        Raises:
            sqlite3.Error: they could not be written.
        """
        # Within one batch the last line of a key holds, for its train too.
        last = {fact.key: fact for fact in facts}
        rows = [
            (
                fact.kind,
                fact.subject,
                fact.began,
                fact.ended,
                json.dumps(fact.values, ensure_ascii=False, sort_keys=True),
            )
            for fact in last.values()
            if fact.kind != "passages"
        ]
        passages = [one for one in last.values() if one.kind == "passages"]
        others = [one for one in last.values() if one.kind != "passages"]
        with self._connection:
            self._keep_passages(passages)
            self._keep(self._changed(rows, others))
            self._connection.executemany(_WRITE, rows)

    def _changed(
        self, rows: Iterable[tuple[Any, ...]], facts: Iterable[Fact]
    ) -> dict[tuple[str, int], Traffic]:
        """The days on which other trains count than before, as they are with *facts*."""
        days: dict[tuple[str, int], Traffic] = {}
        for row, fact in zip(rows, facts, strict=True):
            if fact.kind != "occupation":
                continue
            old = self._connection.execute(_OLD, (fact.subject, fact.began)).fetchone()
            if old == (row[3], row[4]):
                continue
            for ended in (fact.ended, None if old is None else old[0]):
                if ended is not None:
                    self._load(days, fact.subject, ended // DAY)
            if old is not None:
                _count(days, fact.subject, old[0], json.loads(old[1]), -1)
            _count(days, fact.subject, fact.ended, fact.values, 1)
        return days

    def _load(
        self, days: dict[tuple[str, int], Traffic], subject: str, day: int
    ) -> None:
        if (subject, day) not in days:
            row = self._connection.execute(_TRAFFIC, (subject, day)).fetchone()
            days[subject, day] = Traffic() if row is None else _traffic(*row)

    def _keep(self, days: dict[tuple[str, int], Traffic]) -> None:
        self._connection.executemany(
            _COUNTED,
            (
                (subject, day, one.trains.tobytes(), one.counted, one.axles)
                for (subject, day), one in days.items()
            ),
        )

    def _keep_passages(self, facts: Iterable[Fact]) -> None:
        """Keep the numbers of the hours that *facts* tell; one that was begun in the middle of its hour does not take the place of all of it."""
        days: dict[tuple[str, int], tuple[array[int], array[int]]] = {}
        for fact in facts:
            key = fact.subject, fact.began // DAY
            if key not in days:
                row = self._connection.execute(_PASSAGES, key).fetchone()
                days[key] = (
                    _numbers(row[0] if row else b""),
                    _numbers(row[1] if row else b""),
                )
            counts, axles = days[key]
            hour = fact.began % DAY // HOUR
            if fact.values["count"] >= counts[hour]:
                counts[hour] = fact.values["count"]
                axles[hour] = fact.values["axles"]
        self._connection.executemany(
            _KEEP_PASSAGES,
            (
                (subject, day, one.tobytes(), two.tobytes(), sum(one), sum(two))
                for (subject, day), (one, two) in days.items()
            ),
        )

    def passages(self, begin: Moment, end: Moment) -> dict[str, tuple[int, int]]:
        """The passages of each head in the hours that begin from *begin* up to *end*, and their axles; heads without any are left out."""
        first, last = -(-begin // HOUR), -(-end // HOUR)  # hours since the epoch
        whole = -(-first // HOURS), last // HOURS
        found: dict[str, tuple[int, int]] = {}

        def add(subject: str, count: int, axles: int) -> None:
            before = found.get(subject, (0, 0))
            found[subject] = before[0] + count, before[1] + axles

        asked = {"begin": whole[0], "end": whole[1]}
        for subject, count, axles in self._connection.execute(_SUM_PASSAGES, asked):
            add(subject, count, axles)
        for day in sorted({first // HOURS, last // HOURS}):
            if whole[0] <= day < whole[1]:
                continue
            hours = slice(max(first - day * HOURS, 0), max(last - day * HOURS, 0))
            for subject, counts, axles in self._connection.execute(
                _PASSAGES_OF, (day,)
            ):
                add(subject, sum(_numbers(counts)[hours]), sum(_numbers(axles)[hours]))
        return {name: told for name, told in found.items() if told[0]}

    def traffic(
        self, begin: Moment, end: Moment
    ) -> Iterator[tuple[str, Moment, Traffic]]:
        """The trains of each section on each day between, by 00:00 UTC of that day; days without any are left out."""
        asked = {"begin": begin // DAY, "end": (end - 1) // DAY}
        with closing(self._connection.execute(_READ_TRAFFIC, asked)) as rows:
            for subject, day, trains, counted, axles in rows:
                yield subject, day * DAY, _traffic(trains, counted, axles)

    def traffic_days(self, begin: Moment, end: Moment) -> Iterator[TrafficDay]:
        """The same a day at a time, the oldest first; days without any trains are left out."""
        asked = {"begin": begin // DAY, "end": (end - 1) // DAY}
        with closing(self._connection.execute(_READ_DAYS, asked)) as rows:
            for day, subjects, trains, counted, axles in rows:
                yield TrafficDay(
                    day, subjects, bytes.fromhex(trains), str(counted), str(axles)
                )

    def read(
        self,
        kind: FactKind,
        subject: str | None = None,
        begin: Moment | None = None,
        end: Moment | None = None,
    ) -> Iterator[Fact]:
        """The facts of *kind* that were so at any time from *begin* up to *end*, oldest first.

        A fact without an end lasts, except a disturbance and a reset: those are moments, and the end of a reset is only when it was proved.

        Args:
            kind: which facts.
            subject: of what, `section/T107`; None: of everything.
            begin: the first moment that counts; None: from the first fact.
            end: the first moment that no longer counts; None: up to the last fact.
        """
        asked = {"kind": kind, "subject": subject, "begin": begin, "end": end}
        with closing(self._connection.execute(_READ, asked)) as rows:
            for row in rows:
                yield _fact(row)

    def rows(
        self, kind: FactKind, begin: Moment | None, end: Moment
    ) -> Iterator[tuple[str, Moment, Moment | None, dict[str, Any]]]:
        """As `read` of everything, for who reads many: subject, began, ended and what else is known."""
        asked = {"kind": kind, "subject": None, "begin": begin, "end": end}
        with closing(self._connection.execute(_READ, asked)) as rows:
            for _, subject, began, ended, said in rows:
                yield subject, began, ended, {} if said == "{}" else json.loads(said)

    def daily(
        self,
        kind: FactKind,
        subject: str | None = None,
        begin: Moment | None = None,
        end: Moment | None = None,
    ) -> dict[tuple[str, Moment], int]:
        """How many facts of *kind* began on each day, by subject and 00:00 UTC of that day.

        Days without any are left out; arguments as for `read`, but only `began` counts.
        """
        asked = {"kind": kind, "subject": subject, "begin": begin, "end": end}
        with closing(self._connection.execute(_COUNT, asked)) as rows:
            return {(of, day * DAY): count for of, day, count in rows}


def _numbers(kept: bytes) -> array[int]:
    """A number for each hour of a day, as they are kept; noughts where none are."""
    found = array("I", [] if kept else [0] * HOURS)
    found.frombytes(kept)
    return found


def _traffic(trains: bytes, counted: int, axles: int) -> Traffic:
    kept = array("I")
    kept.frombytes(trains)
    return Traffic(kept, counted, axles)


def _count(
    days: dict[tuple[str, int], Traffic],
    subject: str,
    ended: Moment | None,
    values: dict[str, Any],
    times: int,
) -> None:
    """An occupation counts for the day on which its train left, if it was worked through, and not under work."""
    if ended is None or not values.get("worked_through") or values.get("under_work"):
        return
    day = days.setdefault((subject, ended // DAY), Traffic())
    day.add(ended, values.get("axles") or 0, times)


def _fact(row: tuple[Any, ...]) -> Fact:
    kind, subject, began, ended, said = row
    if kind not in _KINDS:
        raise ValueError(f"the history has a fact of the unknown kind {kind}")
    return Fact(
        kind=cast("FactKind", kind),
        subject=subject,
        began=began,
        ended=ended,
        # Most say nothing besides.
        values=json.loads(said) if said != "{}" else {},
    )
