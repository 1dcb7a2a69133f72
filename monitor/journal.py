"""The journal: every payload as it came, written down before anybody looks at it.

It is the truth; all else is a fold over it.
One SQLite file holds one record for each payload, with the events that were new in it and the reasons for what was refused; a record, its events and its rejections are committed together or not at all.
Source and id name an event for ever: what comes again is counted and dropped, but for what the broker had retained, which shows that a state still held.

Each record bears a digest over the one before it and over that of itself alone, so none can be altered, taken out or put in between without all digests after it being wrong.
Whoever is shown only some records follows the chain all the same, by the digests of the others alone.
Each of those is blinded, by what is worked out from a key that never leaves the journal, so that what is not shown cannot be guessed and the guess be tested.
What was cut off at the end only shows against a digest kept elsewhere: therefore the last digest of each day, its root, is given out to be logged.
"""

from __future__ import annotations

import fcntl
import hashlib
import hmac
import json
import os
import secrets
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import chain, groupby
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from monitor.core.events import AnyEvent, MonitorRecord, RecordKind
from monitor.core.moments import DAY, HOUR, MINUTE, Moment, exact, midnight_before
from monitor.core.wire import Reading, Rejection, read, write

FORMAT = 2
"""Of the files that are made; a later one is refused rather than guessed at.

In format 1 a digest is over the whole record itself, and there is no key, so that nothing can be left out of its chain; such a journal is gone on with as it was begun.
"""

LEAD_IN_H = 25.0
"""Hours before the period asked for: a day of what detections count over, and a clock change."""

LEAD_OUT = MINUTE
"""After the period asked for: what was raised within it may rest on an event that came a little later."""

_TABLES = """
CREATE TABLE file (
    format INTEGER NOT NULL,
    played INTEGER NOT NULL,      -- 1: arrival is what each event says
    key    BLOB NOT NULL          -- blinds the digest of each record
) STRICT;
CREATE TABLE record (
    position INTEGER PRIMARY KEY, -- 1, 2, 3, ... with none left out
    arrival  INTEGER NOT NULL,    -- microseconds since the epoch, UTC, by the monitor's clock
    topic    TEXT,                -- NULL: written by the monitor itself
    retained INTEGER NOT NULL,
    recorded INTEGER NOT NULL,    -- 1: arrival and retained stand in the event itself
    payload  BLOB NOT NULL,
    digest   BLOB NOT NULL
) STRICT;
CREATE TABLE event (
    position INTEGER NOT NULL,
    place    INTEGER NOT NULL,    -- in an array: 0, 1, 2, ...
    source   TEXT NOT NULL,
    id       TEXT NOT NULL,
    at       INTEGER NOT NULL,    -- arrival, or the event's time where that is not known
    again    INTEGER NOT NULL,    -- 1: retained by the broker, and known already
    own      TEXT,                -- the monitor's own records: which kind
    PRIMARY KEY (position, place)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX event_name ON event (source, id) WHERE again = 0;
CREATE INDEX event_own ON event (own, position) WHERE own IS NOT NULL;
CREATE TABLE rejection (
    position INTEGER NOT NULL,
    place    INTEGER NOT NULL,
    reason   TEXT NOT NULL,
    label    TEXT NOT NULL,
    PRIMARY KEY (position, place)
) STRICT, WITHOUT ROWID;
"""

INDEXES = {
    "event_at": "event (at, own)",
    "record_arrival": "record (arrival)",
    "record_own": "record (position) WHERE topic IS NULL",
}
"""By which a window, and what the monitor wrote itself, are found without reading all; they are no part of what is chained.

A journal that was begun without them gets them when it is next opened for writing.
"""

_RECORDS = """
SELECT position, arrival, topic, retained, recorded, payload, digest
FROM record ORDER BY position
"""
_EVENTS = "SELECT position, place, source, id, at, again, own FROM event ORDER BY position, place"
_REJECTIONS = (
    "SELECT position, place, reason, label FROM rejection ORDER BY position, place"
)


def _between(asked: str, where: str) -> str:
    return asked.replace("ORDER BY", f"{where} ORDER BY")


_FOLD = """
SELECT r.position, r.arrival, r.topic, r.retained, r.recorded, r.payload, e.source, e.id
FROM record AS r JOIN event AS e USING (position)
WHERE {where} ORDER BY e.position, e.place
"""

_OWN = """
SELECT position FROM event
WHERE own = ? AND id NOT LIKE 'still/%' AND (? IS NULL OR at < ?) ORDER BY position
"""
_KEPT = """
SELECT payload FROM record AS r
WHERE topic IS NULL AND r.position >= ? AND (? IS NULL OR r.position <= ?)
  AND NOT EXISTS (SELECT 1 FROM event WHERE position = r.position)
ORDER BY position
"""
_WRITTEN_SINCE = (
    "SELECT position FROM record WHERE arrival >= ? ORDER BY arrival, position LIMIT 1"
)
_STORY = """
SELECT r.position, r.arrival, r.topic, r.retained, r.recorded, r.payload, e.source, e.id
FROM record AS r LEFT JOIN event AS e USING (position)
WHERE (e.position IS NOT NULL OR r.topic IS NULL) AND r.position >= ?
ORDER BY r.position, e.place
"""
_OWN_WITHIN = """
SELECT position FROM event
WHERE own IN (SELECT value FROM json_each(?))
  AND id NOT LIKE 'still/%' AND at >= ? AND at < ? ORDER BY position
"""
_OWN_NEWEST = f"{_OWN.rstrip()} DESC"
_PLACED = """
SELECT position FROM event
WHERE own IN (SELECT value FROM json_each(?)) AND id NOT LIKE 'still/%'
ORDER BY position
"""
_REACH = """
SELECT min(position), max(position) FROM event
WHERE at >= ? AND at < ? AND (own IS NULL OR NOT ?)
"""
_BEFORE = """
SELECT position FROM event WHERE at < ? AND (own IS NULL OR NOT ?)
ORDER BY at DESC, position DESC LIMIT 1
"""
_SPAN = "SELECT min(position), max(position) FROM event WHERE at >= ? AND at < ?"


_BEFORE_POSITION = tuple(
    f"INSERT INTO {table} SELECT * FROM other.{table} WHERE ? IS NULL OR position < ?"  # noqa: S608 - names of ours
    for table in ("record", "event", "rejection")
)


class JournalFault(Exception):
    """A journal cannot be used as it is; the text says why, in one line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One payload to be written down.

    Args:
        payload: as it came.
        arrival: when, by the monitor's clock.
        reading: what `wire` made of it.
        topic: of a message; None for what the monitor writes itself.
        retained: the broker sent it as a retained message.
        recorded: arrival and retained stand in the events themselves.
        kept: write it down though it holds neither event nor rejection.
    """

    payload: bytes
    arrival: Moment
    reading: Reading = field(default_factory=Reading)
    topic: str | None = None
    retained: bool = False
    recorded: bool = False
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Root:
    """The last digest of a day: whoever keeps it can tell later whether the journal up to there was changed.

    Args:
        day: its 00:00 UTC.
        position: of the day's last record.
        digest: in hexadecimal digits.
    """

    day: Moment
    position: int
    digest: str


@dataclass(frozen=True, slots=True)
class Committed:
    """What one transaction wrote.

    Args:
        events: those that were new, and retained ones that came again, in the order of the journal.
        rejections: what was refused.
        repeated: how many events were known already and dropped.
        roots: of the days that ended.
    """

    events: tuple[AnyEvent, ...]
    rejections: tuple[Rejection, ...]
    repeated: int
    roots: tuple[Root, ...]


@dataclass(frozen=True, slots=True)
class Rejected:
    """One payload, or part of one, that was refused and kept."""

    position: int
    arrival: Moment
    topic: str | None
    payload: bytes
    reason: str
    label: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a journal is as it was written.

    Args:
        records: how many fit, from the first on.
        digest: of the last that fits, in hexadecimal digits.
        position: of the first that does not fit, or None.
        what: is wrong with that one, in one line.
        known: the positions of the digests asked for, by digest.
    """

    records: int
    digest: str
    position: int | None = None
    what: str = ""
    known: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """One record as it stands in the file.

    Args:
        row: its columns but the digest: position, arrival, topic, retained, recorded, payload.
        events: the columns of its events.
        rejections: the columns of its rejections.
        digest: by which it stands in the chain.
        blind: by which its own digest is blinded.
    """

    row: tuple[Any, ...]
    events: tuple[tuple[Any, ...], ...]
    rejections: tuple[tuple[Any, ...], ...]
    digest: bytes
    blind: bytes

    @property
    def position(self) -> int:
        """Where it stands."""
        return int(self.row[0])

    @property
    def itself(self) -> bytes:
        """The digest of it alone."""
        return alone(self.blind, written(self.row, self.events, self.rejections))


def own(event: AnyEvent, now: Moment) -> Entry:
    """*event*, made by the monitor or entered by a person, as something to be written down *now*."""
    return Entry(
        payload=write(event),
        arrival=now,
        reading=Reading(events=(event,)),
        recorded=True,
    )


class Journal:
    """One journal, open for writing or reading.

    Not for two threads at once; any one thread at a time may use it.
    """

    def __init__(self, connection: sqlite3.Connection, lock: int | None = None) -> None:
        self._connection = connection
        self._lock = lock
        version, played, *key = connection.execute("SELECT * FROM file").fetchone()
        if version not in {1, FORMAT}:
            raise JournalFault(
                f"the journal has format {version}; this monitor writes format {FORMAT}"
            )
        self.format = int(version)
        self._chain = _Chain(version, *key)
        self.played = bool(played)
        last = connection.execute(
            "SELECT position, arrival, digest FROM record ORDER BY position DESC LIMIT 1"
        ).fetchone()
        self.position: int = last[0] if last else 0
        self._day: Moment | None = midnight_before(last[1]) if last else None
        self._digest: bytes = last[2] if last else _genesis(version, played)

    @classmethod
    def open(cls, path: Path | str, *, played: bool = False) -> Self:
        """Open the journal at *path* for writing, making it where it is not there.

        *played*: it is of a feed that is played; such a journal and one of a live feed are never the same file.

        Raises:
            JournalFault: it cannot be opened, is of the other sort, or another monitor writes it.
        """
        path = Path(path)
        lock = _lock(path)
        connection = None
        try:
            connection = _connect(path)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            _make(connection, played=played)
            journal = cls(connection, lock)
        except (sqlite3.Error, TypeError, JournalFault) as error:
            if connection is not None:
                connection.close()
            os.close(lock)
            raise JournalFault(f"{path} cannot be opened: {error}") from error
        if journal.played != played:
            journal.close()
            holds = "a feed that was played" if journal.played else "a live feed"
            raise JournalFault(
                f"{path} holds {holds}; keep what is played in a journal of its own"
            )
        return journal

    @staticmethod
    def begin_with(path: Path, other: Path, moment: Moment) -> None:
        """Make a journal at *path* of what stands in *other*, of a feed that was played, before the first event from after *moment*.

        Raises:
            JournalFault: *other* cannot be read, or *path* cannot be written.
        """
        _connect_to_read(other).close()
        try:
            with closing(_connect(path)) as made:
                made.execute("ATTACH ? AS other", (str(other),))
                made.execute("BEGIN IMMEDIATE")
                for statement in _TABLES.split(";\n"):
                    made.execute(statement)
                (first,) = made.execute(
                    "SELECT min(position) FROM other.event WHERE at > ? AND own IS NULL",
                    (moment,),
                ).fetchone()
                made.execute("INSERT INTO file SELECT * FROM other.file")
                for statement in _BEFORE_POSITION:
                    made.execute(statement, (first, first))
                _index(made)
                made.execute("COMMIT")
        except sqlite3.Error as error:
            raise JournalFault(f"{path} cannot be made: {error}") from error

    @classmethod
    def read(cls, path: Path | str) -> Self:
        """Open the journal at *path* for reading alone, also while a monitor writes it.

        Raises:
            JournalFault: there is none, or it cannot be read.
        """
        connection = _connect_to_read(Path(path))
        try:
            return cls(connection)
        except (sqlite3.Error, TypeError) as error:
            connection.close()
            raise JournalFault(f"{path} is no journal: {error}") from error
        except JournalFault:
            connection.close()
            raise

    def close(self) -> None:
        """Close the file; doing so twice is no fault."""
        self._connection.close()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def digest(self) -> str:
        """The digest of the last record, in hexadecimal digits."""
        return self._digest.hex()

    # Writing.

    def append(self, entries: Sequence[Entry]) -> Committed:
        """Write *entries* in one transaction and wait until the disk has them: all or, on an error, none.

        Raises:
            JournalFault: they could not be written.
        """
        draft = _Draft(self._chain, self.position, self._digest, self._day)
        connection = self._connection
        try:
            connection.execute("BEGIN IMMEDIATE")
            try:
                for entry in entries:
                    draft.add(connection, entry)
                connection.execute("COMMIT")
            except BaseException:
                # A full or failing disk has ended the transaction already.
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise JournalFault(f"the journal cannot be written: {error}") from error
        self.position, self._digest, self._day = draft.position, draft.digest, draft.day
        return draft.committed()

    # Reading.

    def events(self, begin: int = 1) -> Iterator[AnyEvent]:
        """Every event from position *begin* on, in the order of the journal, with what is known of its arrival.

        Raises:
            JournalFault: a record can no longer be read as it was.
        """
        return self._fold("e.position >= ?", begin)

    def learnt(self) -> tuple[MonitorRecord, ...]:
        """What was learnt from traffic, day by day."""
        return tuple(self._own(RecordKind.LEARNT))

    def payload(self, position: int) -> bytes:
        """The payload at *position*, as it came.

        Raises:
            KeyError: there is none.
        """
        row = self._connection.execute(
            "SELECT payload FROM record WHERE position = ?", (position,)
        ).fetchone()
        if row is None:
            raise KeyError(position)
        return bytes(row[0])

    def story(self, begin: int = 1) -> Iterator[AnyEvent | bytes]:
        """Everything from position *begin* on in the order in which it was written: events, and as bytes what `kept` gives."""
        with closing(self._connection.execute(_STORY, (begin,))) as rows:
            for position, group in groupby(rows, key=itemgetter(0)):
                record = list(group)
                if record[0][6] is None:
                    yield bytes(record[0][5])
                else:
                    yield from _again(position, record)

    def kept(
        self, last: int | None = None, *, since: Moment | None = None
    ) -> Iterator[bytes]:
        """The payloads that the monitor wrote and that are no events, oldest first: texts in force, what pages have shown, and what people did.

        Args:
            last: up to this position.
            since: from about then on: from the first record that was written then or later.
        """
        first = 1
        if since is not None:
            row = self._connection.execute(_WRITTEN_SINCE, (since,)).fetchone()
            if row is None:
                return
            first = int(row[0])
        with closing(self._connection.execute(_KEPT, (first, last, last))) as rows:
            for (payload,) in rows:
                yield bytes(payload)

    def last(
        self, kind: RecordKind, before: Moment | None = None
    ) -> MonitorRecord | None:
        """The monitor's newest own record of *kind*, or the newest from before a moment."""
        return next(self._own(kind, before, newest=True), None)

    def records(
        self, kinds: Iterable[RecordKind], begin: Moment, end: Moment
    ) -> Iterator[MonitorRecord]:
        """The monitor's own records of *kinds* from *begin* up to *end*, oldest first."""
        asked = json.dumps([kind.value for kind in kinds])
        found = self._connection.execute(_OWN_WITHIN, (asked, begin, end))
        with closing(found) as positions:
            yield from self._monitors(positions)

    def placed(
        self, kinds: Iterable[RecordKind]
    ) -> Iterator[tuple[int, MonitorRecord]]:
        """The monitor's own records of *kinds* and their positions, oldest first."""
        asked = json.dumps([kind.value for kind in kinds])
        with closing(self._connection.execute(_PLACED, (asked,))) as positions:
            for (position,) in positions:
                for record in self._monitors(iter([(position,)])):
                    yield position, record

    def reach(self, begin: Moment, end: Moment) -> tuple[int, int] | None:
        """The positions of the first and the last event from *begin* up to *end*; of the one before them, where there is none.

        In a journal of what was played the monitor's own records do not count: their time is another.
        None where nothing was written before *end*.
        """
        ask = self._connection.execute
        first, last = ask(_REACH, (begin, end, self.played)).fetchone()
        if first is None:
            before = ask(_BEFORE, (end, self.played)).fetchone()
            return None if before is None else (before[0], before[0])
        return first, last

    def raw(self, first: int, last: int) -> Iterator[Raw]:
        """The records from position *first* to *last*, as they stand in the file."""
        ask = self._connection.execute
        between = "WHERE position BETWEEN ? AND ?"
        events = _Beside(ask(_between(_EVENTS, between), (first, last)))
        rejections = _Beside(ask(_between(_REJECTIONS, between), (first, last)))
        with closing(ask(_between(_RECORDS, between), (first, last))) as rows:
            for *row, digest in rows:
                position = row[0]
                yield Raw(
                    row=tuple(row),
                    events=tuple(events.of(position) or ()),
                    rejections=tuple(rejections.of(position) or ()),
                    digest=digest,
                    blind=self._chain.blind(position),
                )

    def digest_at(self, position: int) -> bytes:
        """The digest of the record at *position*; before the first, what that is chained to.

        Raises:
            KeyError: there is none.
        """
        if position == 0:
            return _genesis(self.format, int(self.played))
        row = self._connection.execute(
            "SELECT digest FROM record WHERE position = ?", (position,)
        ).fetchone()
        if row is None:
            raise KeyError(position)
        return bytes(row[0])

    def arrived(self, begin: Moment, end: Moment) -> tuple[int, int] | None:
        """The positions of the first and the last record that arrived from *begin* up to *end*, whatever stands in it; None where there is none.

        In a journal of what was played that is when its events came, as for `reach`.
        """
        if self.played:
            asked = "SELECT min(position), max(position) FROM event WHERE at >= ? AND at < ? AND own IS NULL"
        else:
            asked = "SELECT min(position), max(position) FROM record WHERE arrival >= ? AND arrival < ?"
        first, last = self._connection.execute(asked, (begin, end)).fetchone()
        return None if first is None else (first, last)

    def roots(self, first: int, last: int) -> list[Root]:
        """The roots of the days that end at *first* or later, up to the one in which *last* stands, as far as those days have ended."""
        # By the index of arrivals, which holds positions too: a long journal is not read for it.
        row = self._connection.execute(
            "SELECT arrival FROM record WHERE +position <= ?"
            " ORDER BY arrival DESC LIMIT 1",
            (first,),
        ).fetchone()
        found: list[Root] = []
        if row is None:
            return found
        day, position = midnight_before(row[0]), first
        while True:
            after = self._first_after(position, day)
            if after is None:
                return found
            begins, arrival = after
            found.append(Root(day, begins - 1, self.digest_at(begins - 1).hex()))
            if begins - 1 >= last:
                return found
            day, position = midnight_before(arrival), begins

    def _first_after(self, position: int, day: Moment) -> tuple[int, Moment] | None:
        """The first record after *position* that came after *day* was over, and when it came."""
        midnight = day + DAY
        earliest: tuple[int, Moment] | None = self._connection.execute(
            "SELECT position, arrival FROM record WHERE arrival >= ? AND +position > ?"
            " ORDER BY arrival, position LIMIT 1",
            (midnight, position),
        ).fetchone()
        if earliest is None:
            return None
        # It is the first as well where all between came in that day or the one before: no clock was set back over it.
        (between,) = self._connection.execute(
            "SELECT count(*) FROM record"
            " WHERE arrival >= ? AND arrival < ? AND +position > ? AND +position < ?",
            (day - DAY, midnight, position, earliest[0]),
        ).fetchone()
        if between == earliest[0] - position - 1:
            return earliest
        found: tuple[int, Moment] = self._connection.execute(
            "SELECT min(position), arrival FROM record"
            " WHERE arrival >= ? AND +position > ?",
            (midnight, position),
        ).fetchone()
        return found

    def began(self) -> Moment | None:
        """When the first record was written, or None before it."""
        row = self._connection.execute(
            "SELECT arrival FROM record ORDER BY position LIMIT 1"
        ).fetchone()
        return None if row is None else int(row[0])

    def ended(self) -> Moment | None:
        """When the last record was written, or None before any."""
        row = self._connection.execute(
            "SELECT arrival FROM record ORDER BY position DESC LIMIT 1"
        ).fetchone()
        return None if row is None else int(row[0])

    def rejected(self, begin: int = 1) -> Iterator[Rejected]:
        """What was refused from position *begin* on, with its reasons."""
        rows = self._connection.execute(
            "SELECT position, arrival, topic, payload, reason, label"
            " FROM rejection JOIN record USING (position)"
            " WHERE position >= ? ORDER BY position, place",
            (begin,),
        )
        with closing(rows):
            for row in rows:
                yield Rejected(*row)

    def rejected_by_label(self) -> dict[str, int]:
        """How much was refused since the journal began, by label."""
        return dict(
            self._connection.execute(
                "SELECT label, count(*) FROM rejection GROUP BY label ORDER BY label"
            )
        )

    def export(
        self,
        begin: Moment,
        end: Moment,
        lead_in_h: float = LEAD_IN_H,
        *,
        last: int | None = None,
    ) -> Iterator[AnyEvent]:
        """A recording of the time from *begin* up to *end*, in order of arrival.

        It begins *lead_in_h* hours earlier, because what is found depends on what went before, and goes on for a minute, because what was raised may rest on what came a little later.
        Before that stand what was last learnt, and what was last known of clocks and of the connection; a `window` record says what was asked for.
        Where *last* is given, it goes no further than that position.
        """
        first = begin - round(lead_in_h * HOUR)
        window = MonitorRecord(
            id=f"window/{exact(begin)}/{exact(end)}",
            source=self._monitor(),
            subject=self._monitor(),
            time=first,
            arrival=first,
            kind=RecordKind.WINDOW,
            values={
                "from": exact(begin),
                "to": exact(end),
                "lead_in_h": lead_in_h,
            },
        )
        within = self._within(
            first, end + LEAD_OUT, self.position if last is None else last
        )
        return chain(self._before(first), (window,), within)

    def count(self, begin: Moment, end: Moment) -> int:
        """How many events there are from *begin* up to *end*, the monitor's own records aside."""
        asked = "SELECT count(*) FROM event WHERE at >= ? AND at < ? AND own IS NULL"
        return int(self._connection.execute(asked, (begin, end)).fetchone()[0])

    def came_from(self, position: int) -> Moment | None:
        """When the first event of the feed came from *position* on, or None where none did."""
        row = self._connection.execute(
            "SELECT at FROM event WHERE position >= ? AND own IS NULL"
            " ORDER BY position LIMIT 1",
            (position,),
        ).fetchone()
        return None if row is None else int(row[0])

    def _within(self, begin: Moment, end: Moment, last: int) -> Iterator[AnyEvent]:
        """The events from *begin* up to *end*, no further than position *last*, in the order of the journal."""
        # Looked up first where they stand: what is in order of position need not be sorted, however long it is.
        reach = self._connection.execute(_SPAN, (begin, end)).fetchone()
        if reach[0] is not None:
            yield from self._fold(
                "e.position BETWEEN ? AND ? AND e.at >= ? AND e.at < ?",
                reach[0],
                min(reach[1], last),
                begin,
                end,
            )

    def _before(self, moment: Moment) -> Iterator[MonitorRecord]:
        """What was in force at *moment*, the oldest first."""
        clocks: dict[str, MonitorRecord] = {
            str(record.values["source"]): record
            for record in self._own(RecordKind.CLOCK, moment)
        }
        learnt = self.last(RecordKind.LEARNT, moment)
        connection = [
            record
            for kind in _CONNECTION
            if (record := self.last(kind, moment)) is not None
        ]
        connection = sorted(connection, key=_arrival)[-1:]
        given = [*clocks.values(), *connection, *([learnt] if learnt else [])]
        yield from sorted(given, key=_arrival)

    def _monitor(self) -> str:
        started = self.last(RecordKind.STARTED)
        return started.source if started is not None else "monitor-1"

    def _own(
        self, kind: RecordKind, before: Moment | None = None, *, newest: bool = False
    ) -> Iterator[MonitorRecord]:
        # That a connection still held at a tick is no news of the connection.
        found = self._connection.execute(
            _OWN_NEWEST if newest else _OWN, (kind.value, before, before)
        )
        with closing(found) as positions:
            yield from self._monitors(positions)

    def _monitors(self, positions: Iterable[tuple[int]]) -> Iterator[MonitorRecord]:
        for (position,) in positions:
            for event in self._fold("e.position = ?", position):
                if isinstance(event, MonitorRecord):
                    yield event

    def _fold(self, where: str, *values: int) -> Iterator[AnyEvent]:
        rows = self._connection.execute(_FOLD.format(where=where), values)
        with closing(rows):
            for position, group in groupby(rows, key=itemgetter(0)):
                yield from _again(position, list(group))


_CONNECTION = (
    RecordKind.STARTED,
    RecordKind.CONNECTED,
    RecordKind.DISCONNECTED,
    RecordKind.DRAINED,
)


def _arrival(record: MonitorRecord) -> Moment:
    return record.arrival if record.arrival is not None else record.time


def _again(position: int, rows: list[tuple[Any, ...]]) -> Iterator[AnyEvent]:
    """The events of one record, read again from its payload."""
    _, arrival, topic, retained, recorded, payload = rows[0][:6]
    reading = read(
        payload,
        topic=topic,
        arrival=None if recorded else arrival,
        retained=bool(retained),
        recorded=bool(recorded),
        rehearsal=True,
    )
    there: dict[tuple[str, str], AnyEvent] = {}
    for event in reading.events:
        there.setdefault((event.source, event.id), event)
    for row in rows:
        event_or_none = there.get((row[6], row[7]))
        if event_or_none is None:
            raise JournalFault(
                f"record {position} of the journal no longer gives event {row[6]}#{row[7]}"
            )
        yield event_or_none


class _Draft:
    """A transaction as it grows."""

    def __init__(
        self, chain: _Chain, position: int, digest: bytes, day: Moment | None
    ) -> None:
        self._chain = chain
        self.position, self.digest, self.day = position, digest, day
        self._events: list[AnyEvent] = []
        self._rejections: list[Rejection] = []
        self._roots: list[Root] = []
        self._repeated = 0

    def add(self, connection: sqlite3.Connection, entry: Entry) -> None:
        position = self.position + 1
        events = self._new_events(connection, entry, position)
        refused = [
            (position, place, one.reason, one.label)
            for place, one in enumerate(entry.reading.rejections)
        ]
        if not (events or refused or entry.kept):
            return
        day = midnight_before(entry.arrival)
        if self.day is not None and day > self.day:
            self._roots.append(Root(self.day, self.position, self.digest.hex()))
        self.day = max(day, self.day if self.day is not None else day)
        row = (
            position,
            entry.arrival,
            entry.topic,
            int(entry.retained),
            int(entry.recorded),
            entry.payload,
        )
        record = written(row, events, refused)
        self.digest = self._chain.linked(self.digest, position, record)
        self.position = position
        connection.execute(
            "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?)", (*row, self.digest)
        )
        connection.executemany("INSERT INTO rejection VALUES (?, ?, ?, ?)", refused)
        self._rejections += entry.reading.rejections

    def _new_events(
        self, connection: sqlite3.Connection, entry: Entry, position: int
    ) -> list[tuple[Any, ...]]:
        rows: list[tuple[Any, ...]] = []
        for place, event in enumerate(entry.reading.events):
            at = event.arrival if event.arrival is not None else event.time
            kind = event.kind.value if isinstance(event, MonitorRecord) else None
            row = (position, place, event.source, event.id, at, 0, kind)
            if not _insert(connection, row):
                if not event.retained:
                    self._repeated += 1
                    continue
                row = (*row[:5], 1, kind)
                _insert(connection, row)
            rows.append(row)
            self._events.append(event)
        return rows

    def committed(self) -> Committed:
        return Committed(
            tuple(self._events),
            tuple(self._rejections),
            self._repeated,
            tuple(self._roots),
        )


def _insert(connection: sqlite3.Connection, row: tuple[Any, ...]) -> bool:
    cursor = connection.execute(
        "INSERT OR IGNORE INTO event VALUES (?, ?, ?, ?, ?, ?, ?)", row
    )
    return cursor.rowcount == 1


def _genesis(version: int, played: int) -> bytes:
    """What the first record is chained to: the sort of journal it is."""
    return hashlib.sha256(b"tallywatch journal %d %d" % (version, played)).digest()


def written(
    record: Sequence[Any],
    events: Iterable[Sequence[Any]],
    rejections: Iterable[Sequence[Any]],
) -> bytes:
    """A record as it goes into its digest: every column of it, each with its length."""
    parts = []
    for table in ([record], events, rejections):
        rows = [_bytes(value) for row in table for value in row]
        parts.append(b"(%d" % len(rows))
        parts += rows
    return b"".join(parts)


def alone(blind: bytes, record: bytes) -> bytes:
    """The digest of a record that is `written` as *record*, of it alone."""
    return hashlib.sha256(blind + record).digest()


class _Chain:
    """How the records of a journal are chained.

    Args:
        version: the format of the file.
        key: blinds the digest of each record; not in format 1.
    """

    def __init__(self, version: int, key: bytes = b"") -> None:
        self._version, self._key = version, bytes(key)

    def blind(self, position: int) -> bytes:
        """By which the digest of the record at *position* is blinded."""
        return hmac.digest(self._key, b"%d" % position, "sha256")

    def linked(self, before: bytes, position: int, record: bytes) -> bytes:
        """The digest of a record that stands after *before*."""
        if self._version != 1:
            record = alone(self.blind(position), record)
        return hashlib.sha256(before + record).digest()


def _bytes(value: Any) -> bytes:
    if value is None:
        return b"-"
    if isinstance(value, int):
        return b"i%d;" % value
    raw = value.encode() if isinstance(value, str) else bytes(value)
    return b"%d:%b" % (len(raw), raw)


# The file.


def _connect(path: Path) -> sqlite3.Connection:
    # Transactions are begun by hand: one a group, never one a statement.
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False)


def _connect_to_read(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        raise JournalFault(f"{path}: there is no journal")
    try:
        return sqlite3.connect(
            f"{path.resolve().as_uri()}?mode=ro",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
        )
    except sqlite3.Error as error:
        raise JournalFault(f"{path} cannot be opened: {error}") from error


def _make(connection: sqlite3.Connection, *, played: bool) -> None:
    connection.execute("BEGIN IMMEDIATE")
    there = connection.execute(
        "SELECT count(*) FROM sqlite_master WHERE name = 'file'"
    ).fetchone()[0]
    if not there:
        for statement in _TABLES.split(";\n"):
            connection.execute(statement)
        key = secrets.token_bytes(32)
        connection.execute("INSERT INTO file VALUES (?, ?, ?)", (FORMAT, played, key))
    _index(connection)
    connection.execute("COMMIT")


def _index(connection: sqlite3.Connection) -> None:
    for name, what in INDEXES.items():
        connection.execute(f"CREATE INDEX IF NOT EXISTS {name} ON {what}")


def _lock(path: Path) -> int:
    """Hold the journal for this process alone; the system lets go of it when the process ends, however it ends."""
    # A file of its own: closing any handle of the database itself would drop the locks of SQLite.
    name = f"{path}.lock"
    try:
        handle = os.open(name, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise JournalFault(f"{path} cannot be opened: {error.strerror}") from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        raise JournalFault(f"{path} is being written by another monitor") from None
    return handle


# Verifying.


def verify(path: Path | str, known: Iterable[str] = ()) -> Verdict:
    """Whether the journal at *path* is as it was written; else the first record that does not fit.

    *known*: digests that were kept elsewhere; it says at which records they stand.

    Raises:
        JournalFault: there is none.
    """
    with closing(_connect_to_read(Path(path))) as connection:
        # As bytes: what was altered need not be text any more.
        connection.text_factory = bytes
        return _Audit(known).run(connection)


class _Audit:
    """The chain followed from its beginning."""

    def __init__(self, known: Iterable[str]) -> None:
        self.records = 0
        self.digest = b""
        self._asked = frozenset(known)
        self._known: dict[str, int] = {}

    def run(self, connection: sqlite3.Connection) -> Verdict:
        try:
            what = self._follow(connection)
        except (sqlite3.Error, TypeError) as error:
            what = f"cannot be read: {error}"
        if what is None:
            return Verdict(self.records, self.digest.hex(), known=self._known)
        return Verdict(
            self.records, self.digest.hex(), self.records + 1, what, self._known
        )

    def _follow(self, connection: sqlite3.Connection) -> str | None:
        version, played, *key = connection.execute("SELECT * FROM file").fetchone()
        chain = _Chain(version, *key)
        self.digest = _genesis(version, played)
        events = _Beside(connection.execute(_EVENTS))
        rejections = _Beside(connection.execute(_REJECTIONS))
        for *record, digest in connection.execute(_RECORDS):
            position = self.records + 1
            if record[0] != position:
                return f"is missing: the next is {record[0]}"
            of, refused = events.of(position), rejections.of(position)
            if of is None or refused is None:
                return "an event or rejection stands where it does not belong"
            told = written(record, of, refused)
            expected = chain.linked(self.digest, position, told)
            if digest != expected:
                return "it, its events or its rejections are not as they were written"
            self.records, self.digest = position, expected
            if self._asked and expected.hex() in self._asked:
                self._known[expected.hex()] = position
        if events.more() or rejections.more():
            return "events or rejections stand after the last record"
        return None


class _Beside:
    """Rows of another table, taken alongside the records in order."""

    def __init__(self, rows: Iterator[tuple[Any, ...]]) -> None:
        self._rows = rows
        self._next: tuple[Any, ...] | None = next(rows, None)

    def of(self, position: int) -> list[tuple[Any, ...]] | None:
        """The rows of *position*; None where one before it was left over."""
        found = []
        while self._next is not None and self._next[0] <= position:
            if self._next[0] < position:
                return None
            found.append(self._next)
            self._next = next(self._rows, None)
        return found

    def more(self) -> bool:
        return self._next is not None
