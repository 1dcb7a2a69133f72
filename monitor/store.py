"""The store: the alerts, faults and calls as people were told of them, and what is still to be sent.

Alert lines are known by their own hash, lines of faults too and by how often the fault came back to them, calls by what they call for: storing one again does nothing, so a start can fold the journal from its beginning and nobody is told anything twice.
Each that is new goes into the outbox in the same transaction.

From there it goes in two steps, each of them on disk before the next:

| an item is | then |
|---|---|
| not routed | it is known for which channels it is, and from when: a post for each; or why for none |
| held back, for nobody is to be called for it now | it is not routed once more, when that is over; or it is let go |
| waiting, at a channel | it is sent, refused for good, or not needed any more: never looked at again |

So what was delivered at one channel is never sent there again, whatever happens at another.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from sqlite3 import Connection
from typing import Literal

from monitor.core.alerts import Alert, digest, line
from monitor.core.faults import Call, Fault, call_line, fault_line
from monitor.core.moments import Moment, stamp
from monitor.database import Database

_TABLES = """
CREATE TABLE IF NOT EXISTS line (
    number INTEGER PRIMARY KEY,   -- in the order in which they were first stored
    digest TEXT NOT NULL UNIQUE,
    alert  TEXT NOT NULL,
    line   TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS line_by_alert ON line (alert);
CREATE TABLE IF NOT EXISTS gone (   -- reports that were sent
    key TEXT PRIMARY KEY,
    at  INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS alert (
    id       TEXT PRIMARY KEY,
    kind     TEXT NOT NULL,
    subject  TEXT NOT NULL,
    priority TEXT NOT NULL,
    raised   INTEGER NOT NULL,    -- microseconds since the epoch, UTC
    ended    INTEGER,             -- NULL while it is open
    line     TEXT NOT NULL        -- its last
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS alert_by_time ON alert (raised);
CREATE TABLE IF NOT EXISTS fault (
    id     TEXT PRIMARY KEY,
    number TEXT NOT NULL,
    raised INTEGER NOT NULL,
    ended  INTEGER,
    line   TEXT NOT NULL          -- its last
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS fault_by_time ON fault (raised);
CREATE TABLE IF NOT EXISTS call (
    key      TEXT PRIMARY KEY,
    fault    TEXT NOT NULL,
    alert    TEXT NOT NULL,
    priority TEXT NOT NULL,
    at       INTEGER NOT NULL,
    line     TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS call_by_alert ON call (alert, at);
CREATE INDEX IF NOT EXISTS call_by_time ON call (at);
CREATE TABLE IF NOT EXISTS item (
    number INTEGER PRIMARY KEY,   -- in the order in which they came
    what   TEXT NOT NULL,
    key    TEXT NOT NULL UNIQUE,
    about  TEXT NOT NULL,         -- id of the alert, or of the fault
    body   TEXT,                  -- NULL for an alert line: it stands in line
    put    INTEGER NOT NULL,
    routed INTEGER NOT NULL DEFAULT 0,   -- 1: it is; 2: it is held back
    kept   TEXT NOT NULL DEFAULT ''   -- why it goes nowhere
);
CREATE INDEX IF NOT EXISTS item_unrouted ON item (number) WHERE routed = 0;
CREATE INDEX IF NOT EXISTS item_held ON item (number) WHERE routed = 2;
CREATE TABLE IF NOT EXISTS post (
    item     INTEGER NOT NULL,
    channel  TEXT NOT NULL,
    step     INTEGER NOT NULL,    -- of its route
    due      INTEGER NOT NULL,
    late     INTEGER NOT NULL,    -- 0 for a call: it goes before all else
    state    TEXT NOT NULL DEFAULT 'waiting',
    attempts INTEGER NOT NULL DEFAULT 0,
    why      TEXT NOT NULL DEFAULT '',
    at       INTEGER,             -- when that became so
    PRIMARY KEY (item, channel, step)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS post_waiting
    ON post (channel, late, item, step) WHERE state = 'waiting';
DROP TABLE IF EXISTS outbox;      -- of stores from before there were channels
"""

_LAST = """
INSERT INTO alert (id, kind, subject, priority, raised, ended, line)
VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (id) DO UPDATE
SET priority = excluded.priority, ended = excluded.ended, line = excluded.line
"""
_LAST_FAULT = """
INSERT INTO fault (id, number, raised, ended, line) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (id) DO UPDATE SET ended = excluded.ended, line = excluded.line
"""
_ITEM = "item.number, what, key, about, COALESCE(body, line.line), put"
_ITEMS = "item LEFT JOIN line ON line.digest = item.key"

ASKED = "rehearsal", "there is no channel for calls"
"""Why a call went nowhere, though whoever has the desk was asked: it stands on the page."""

FOR_EVER: Moment = (1 << 63) - 1
"""Later than anything that a database can hold."""

What = Literal["alert", "call", "fault"]
State = Literal["sent", "refused", "dropped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """Something that is to be told.

    Args:
        number: its place in the order.
        what: a line of an alert or of a fault, or a call.
        key: by which a receiver knows it again.
        about: id of the alert; of a call and a fault line, of the fault.
        body: its JSON line.
        put: when it came into the outbox.
    """

    number: int
    what: What
    key: str
    about: str
    body: str
    put: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """An item on its way through one channel.

    Args:
        channel: its name.
        due: not before.
        step: of the route; those after the first only where nobody has seen it.
    """

    channel: str
    due: Moment
    step: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """An item that waits at a channel.

    Args:
        item: what is to be sent.
        step: of its route.
        attempts: how often that failed.
    """

    item: Item
    step: int
    attempts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What was new in what was to be kept.

    Args:
        alerts: the lines nobody knew.
        faults: likewise.
        calls: likewise.
    """

    alerts: list[Alert]
    faults: list[Fault]
    calls: list[Call]


def call_key(call: Call) -> str:
    """By what a call is known: for what and when, not in which words.

    Example:
        >>> from monitor.core.moments import parse
        >>> call_key(
        ...     Call(
        ...         fault="7b9effd83caf5b4f",
        ...         number="94MR",
        ...         alert="7b9effd83caf5b4f",
        ...         priority="prompt",
        ...         at=parse("2026-05-04T06:14:03.412Z"),
        ...         text="",
        ...         standing=0,
        ...     )
        ... )[:8]
        '9de198da'
    """
    text = f"call\n{call.fault}\n{call.alert}\n{stamp(call.at)}"
    return hashlib.sha256(text.encode()).hexdigest()


class Store(Database):
    """The alerts, faults and calls of one monitor, and its outbox, on disk."""

    TABLES = _TABLES
    SYNCHRONOUS = "FULL"  # what was sent must outlive a power cut, or it is sent again

    def __init__(self, connection: Connection) -> None:
        super().__init__(connection)
        self._came: dict[str, tuple[str, Counter[str]]] = {}

    def add(self, alerts: Iterable[Alert], *, at: Moment | None = None) -> list[Alert]:
        """Keep the lines of *alerts* in one transaction, and give back those that are new.

        Raises:
            sqlite3.Error: they could not be written; none was.
        """
        return self.keep(alerts, at=at).alerts

    def keep(
        self,
        alerts: Iterable[Alert] = (),
        faults: Iterable[Fault] = (),
        calls: Iterable[Call] = (),
        *,
        at: Moment | None = None,
    ) -> Kept:
        """Keep what the engine gave in one transaction, and give back what is new in it.

        Args:
            alerts: in the order in which they were given.
            faults: likewise.
            calls: likewise.
            at: now; None: as if each had come when it was so.

        Raises:
            sqlite3.Error: it could not be written; nothing was.
        """
        with self._connection as connection:
            return Kept(
                alerts=[one for one in alerts if _keep_alert(connection, one, at)],
                faults=[one for one in faults if self._keep_fault(connection, one, at)],
                calls=[one for one in calls if _keep_call(connection, one, at)],
            )

    def _keep_fault(
        self, connection: Connection, fault: Fault, at: Moment | None
    ) -> bool:
        text = fault_line(fault)
        came = at if at is not None else fault.raised
        last = fault.id, fault.number, fault.raised, fault.ended, text
        connection.execute(_LAST_FAULT, last)
        key = self._key(fault.id, digest(text))
        return _put(connection, "fault", key, fault.id, text, at=came)

    def _key(self, fault: str, line: str) -> str:
        """By what a line of a fault is known: itself, and where the fault has come back to it, how often.

        A start folds the journal from its beginning, and so comes to the same.
        """
        before, times = self._came.setdefault(fault, ("", Counter()))
        if line != before:
            times[line] += 1
            self._came[fault] = line, times
        back = times[line] - 1
        return f"{line}/{back}" if back else line

    def put(self, what: What, key: str, about: str, body: str, at: Moment) -> bool:
        """Put something into the outbox that is in no list: a drill. False where it is there already."""
        with self._connection as connection:
            return _put(connection, what, key, about, body, at=at)

    # What was told.

    def lines(self) -> Iterator[str]:
        """Every line, in the order in which they were first stored."""
        rows = self._connection.execute("SELECT line FROM line ORDER BY number")
        with closing(rows):
            for (text,) in rows:
                yield text

    def alerts(self, *, open_only: bool = False) -> list[str]:
        """The last line of each alert, in the order in which they were raised."""
        return [
            text
            for (text,) in self._connection.execute(
                "SELECT line FROM alert WHERE ended IS NULL OR NOT ?"
                " ORDER BY raised, kind, subject",
                (open_only,),
            )
        ]

    def has_gone(self, key: str) -> bool:
        """Whether the report *key* was sent."""
        row = self._connection.execute("SELECT 1 FROM gone WHERE key = ?", (key,))
        return row.fetchone() is not None

    def note_gone(self, key: str, at: Moment) -> None:
        """The report *key* was sent; doing so twice is no fault."""
        with self._connection:
            self._connection.execute(
                "INSERT OR IGNORE INTO gone (key, at) VALUES (?, ?)", (key, at)
            )

    def raised_by_subject(self, begin: Moment, end: Moment) -> dict[str, int]:
        """How many alerts were raised from *begin* up to *end*, by subject."""
        rows = self._connection.execute(
            "SELECT subject, count(*) FROM alert WHERE raised >= ? AND raised < ?"
            " GROUP BY subject",
            (begin, end),
        )
        return dict(rows)

    def since(self, begin: Moment) -> list[str]:
        """The last line of each alert that was raised from *begin* on, or that is open, in the order in which they were raised."""
        rows = self._connection.execute(
            "SELECT line FROM alert WHERE raised >= ? OR ended IS NULL ORDER BY raised, id",
            (begin,),
        )
        return [str(text) for (text,) in rows]

    def alert(self, name: str) -> str | None:
        """The last line of an alert."""
        return self._one("SELECT line FROM alert WHERE id = ?", name)

    def faults(self, *, open_only: bool = False) -> list[str]:
        """The last line of each fault, in the order in which they were raised."""
        return [
            text
            for (text,) in self._connection.execute(
                "SELECT line FROM fault WHERE ended IS NULL OR NOT ?"
                " ORDER BY raised, id",
                (open_only,),
            )
        ]

    def standing(self) -> list[str]:
        """The last line of each fault that is not over, or in which something stays until a person closes it; of those taken in, none."""
        rows = self._connection.execute(
            "SELECT line FROM fault WHERE json_extract(line, '$.into') IS NULL"
            " AND (ended IS NULL OR json_array_length(line, '$.lasting'))"
            " ORDER BY raised, id"
        )
        return [str(text) for (text,) in rows]

    def former(self, limit: int) -> list[str]:
        """The last line of each fault that other settings told otherwise, the newest *limit* of them, oldest first."""
        rows = self._connection.execute(
            "SELECT line FROM fault WHERE json_extract(line, '$.why') IS NOT NULL"
            " ORDER BY raised DESC, id LIMIT ?",
            (limit,),
        )
        return [str(text) for (text,) in rows][::-1]

    def fault(self, name: str) -> str | None:
        """The last line of a fault."""
        return self._one("SELECT line FROM fault WHERE id = ?", name)

    def calls(self, since: Moment = 0) -> list[str]:
        """The lines of the calls due at or after *since*, in the order in which they were."""
        return [
            text
            for (text,) in self._connection.execute(
                "SELECT line FROM call WHERE at >= ? ORDER BY at, key", (since,)
            )
        ]

    def call_of(self, alert: str) -> str | None:
        """The line of the last call that was made because of an alert."""
        return self._one(
            "SELECT line FROM call WHERE alert = ? ORDER BY at DESC LIMIT 1", alert
        )

    def _one(self, asked: str, name: str) -> str | None:
        row = self._connection.execute(asked, (name,)).fetchone()
        return None if row is None else str(row[0])

    def items(self, begin: Moment = 0, end: Moment = FOR_EVER) -> Iterator[Item]:
        """What came into the outbox from *begin* up to *end*, in its order."""
        rows = self._connection.execute(
            f"SELECT {_ITEM} FROM {_ITEMS} WHERE put >= ? AND put < ?"  # noqa: S608 (constants)
            " ORDER BY item.number",
            (begin, end),
        )
        with closing(rows):
            for row in rows:
                yield _item(row)

    def became_of(self, item: Item) -> list[tuple[str, State, Moment]]:
        """What became of *item*, on each way it had: channel, state, and when."""
        return self._connection.execute(
            "SELECT channel, state, at FROM post WHERE item = ?"
            " AND at IS NOT NULL AND state <> 'waiting' ORDER BY channel, step",
            (item.number,),
        ).fetchall()

    def sent(self) -> Iterator[tuple[str, str, Moment]]:
        """What was sent of alerts, their own lines and calls: id of the alert, channel, and when."""
        rows = self._connection.execute(
            "SELECT IIF(what = 'call', json_extract(body, '$.alert'), about), channel, at"
            " FROM post JOIN item ON item.number = post.item"
            " WHERE state = 'sent' AND at IS NOT NULL AND what <> 'fault'"
            " ORDER BY at, item.number, channel"
        )
        with closing(rows):
            yield from rows

    def raised_between(self, begin: Moment, end: Moment) -> Iterator[str]:
        """Every line of the alerts raised from *begin* to *end*, both included, in the order in which they were first stored."""
        rows = self._connection.execute(
            "SELECT line.line FROM line JOIN alert ON alert.id = line.alert"
            " WHERE alert.raised BETWEEN ? AND ? ORDER BY line.number",
            (begin, end),
        )
        with closing(rows):
            for (text,) in rows:
                yield str(text)

    def open_at(self, at: Moment) -> Iterator[tuple[str, Moment]]:
        """The alerts raised before *at* that were not over then, by their ids, and when each was raised."""
        rows = self._connection.execute(
            "SELECT id, raised FROM alert WHERE raised < ?"
            " AND (ended IS NULL OR ended > ?) ORDER BY raised, id",
            (at, at),
        )
        with closing(rows):
            yield from rows

    # The outbox.

    def unrouted(self, limit: int = 200) -> list[Item]:
        """The oldest items of which it is not yet known where they go, at most *limit*."""
        return [
            _item(row)
            for row in self._connection.execute(
                f"SELECT {_ITEM} FROM {_ITEMS} WHERE routed = 0"  # noqa: S608 (constants)
                " ORDER BY item.number LIMIT ?",
                (limit,),
            )
        ]

    def route(
        self,
        ways: Sequence[tuple[Item, Sequence[Post], str]],
        held: Collection[int] = (),
    ) -> None:
        """Items go where their posts say; or nowhere, and why; those whose numbers are in *held* may go later."""
        with self._connection as connection:
            for item, posts, kept in ways:
                connection.execute(
                    "UPDATE item SET routed = ?, kept = ? WHERE number = ?",
                    (2 if item.number in held else 1, kept, item.number),
                )
                connection.executemany(
                    "INSERT OR IGNORE INTO post (item, channel, step, due, late)"
                    " VALUES (?, ?, ?, ?, ?)",
                    [
                        (item.number, one.channel, one.step, one.due, late(item))
                        for one in posts
                    ],
                )

    def held(self) -> list[Item]:
        """The items that are held back, in the order in which they came."""
        return [
            _item(row)
            for row in self._connection.execute(
                f"SELECT {_ITEM} FROM {_ITEMS} WHERE routed = 2"  # noqa: S608 (constants)
                " ORDER BY item.number"
            )
        ]

    def put_again(self, item: Item, body: str, at: Moment) -> None:
        """What was held back is as if it came now, in other words."""
        with self._connection as connection:
            connection.execute(
                "UPDATE item SET routed = 0, kept = '', body = ?, put = ?"
                " WHERE number = ?",
                (body, at, item.number),
            )

    def let_go(self, item: Item) -> None:
        """What was held back goes nowhere, for the reason that it has."""
        with self._connection as connection:
            connection.execute(
                "UPDATE item SET routed = 1 WHERE number = ?", (item.number,)
            )

    def called(self, since: Moment) -> list[str]:
        """The lines of the calls due at or after *since* that went to somebody, or would have but for a rehearsal or for want of a channel, in the order in which they were."""
        return [
            text
            for (text,) in self._connection.execute(
                "SELECT call.line FROM call JOIN item USING (key)"
                " WHERE at >= ? AND routed = 1 AND kept IN ('', ?, ?)"
                " ORDER BY at, key",
                (since, *ASKED),
            )
        ]

    def gone_out(self, faults: Collection[str], since: Moment) -> list[str]:
        """The lines of the calls for *faults* due at or after *since* that go to somebody."""
        marks = ", ".join("?" * len(faults))
        return [
            text
            for (text,) in self._connection.execute(
                "SELECT call.line FROM call JOIN item USING (key)"  # noqa: S608 (marks)
                f" WHERE fault IN ({marks}) AND at >= ? AND kept = ''"
                " ORDER BY at, key",
                (*faults, since),
            )
        ]

    def waiting(self, channel: str, now: Moment, limit: int = 100) -> list[Waiting]:
        """What is due at a channel, calls first, else in the order in which it came; at most *limit*."""
        return [
            Waiting(item=_item(row), step=row[6], attempts=row[7])
            for row in self._connection.execute(
                f"SELECT {_ITEM}, step, attempts FROM post"  # noqa: S608 (constants)
                f" JOIN ({_ITEMS}) ON item.number = post.item"
                " WHERE channel = ? AND state = 'waiting' AND due <= ?"
                " ORDER BY post.late, post.item, step LIMIT ?",
                (channel, now, limit),
            )
        ]

    def done(
        self,
        channel: str,
        posts: Sequence[Waiting],
        state: State,
        at: Moment,
        why: str = "",
    ) -> None:
        """What waited at a channel was sent, refused for good, or is not needed any more: it never is sent there again."""
        with self._connection as connection:
            connection.executemany(
                "UPDATE post SET state = ?, at = ?, why = ?"
                " WHERE item = ? AND channel = ? AND step = ?",
                [(state, at, why, one.item.number, channel, one.step) for one in posts],
            )

    def failed(
        self, channel: str, posts: Sequence[Waiting], at: Moment, why: str
    ) -> None:
        """Sending failed, and will be tried again."""
        with self._connection as connection:
            connection.executemany(
                "UPDATE post SET attempts = attempts + 1, at = ?, why = ?"
                " WHERE item = ? AND channel = ? AND step = ?",
                [(at, why, one.item.number, channel, one.step) for one in posts],
            )

    def backlog(self) -> dict[str, tuple[int, Moment]]:
        """How much is due or will be at each channel, and since when the oldest of it is there; a later step counts from when it is due."""
        return {
            channel: (count, oldest)
            for channel, count, oldest in self._connection.execute(
                "SELECT channel, count(*), min(max(put, due)) FROM post"
                " JOIN item ON item.number = post.item"
                " WHERE state = 'waiting' GROUP BY channel"
            )
        }

    def kept_back(self, why: str) -> dict[str, int]:
        """How many calls went nowhere because of *why*, by priority."""
        return dict(
            self._connection.execute(
                "SELECT priority, count(*) FROM item JOIN call USING (key)"
                " WHERE kept = ? GROUP BY priority",
                (why,),
            ).fetchall()
        )

    def told(self, channel: str, since: Moment) -> list[str]:
        """Every line that a channel has of alerts that are open, or of which it was told since *since*, in their order."""
        return [
            text
            for (text,) in self._connection.execute(
                "SELECT line.line FROM alert JOIN line ON line.alert = alert.id"
                " JOIN item ON item.key = line.digest"
                " JOIN post ON post.item = item.number"
                " WHERE (alert.ended IS NULL OR post.at >= ?)"
                " AND channel = ? AND state = 'sent' ORDER BY item.number",
                (since, channel),
            )
        ]

    def progress(self, key: str) -> Mapping[str, tuple[str, Moment | None, str]]:
        """How far an item is: at each channel, its state, since when, and why."""
        return {
            channel: (state, at, why)
            for channel, state, at, why in self._connection.execute(
                "SELECT channel, state, post.at, why FROM post"
                " JOIN item ON item.number = post.item WHERE key = ? AND step = 0",
                (key,),
            )
        }

    def is_routed(self, key: str) -> tuple[bool, str]:
        """Whether it is known where an item goes, and why nowhere."""
        row = self._connection.execute(
            "SELECT routed, kept FROM item WHERE key = ?", (key,)
        ).fetchone()
        return (False, "") if row is None else (bool(row[0]), str(row[1]))


def late(item: Item) -> int:
    """What goes first where much waits: somebody is needed now."""
    return 0 if item.what == "call" else 1


def _item(row: Sequence[object]) -> Item:
    number, what, key, about, body, put = row[:6]
    return Item(
        number=number,  # type: ignore[arg-type]  # as the table has them
        what=what,  # type: ignore[arg-type]
        key=str(key),
        about=str(about),
        body=str(body),
        put=put,  # type: ignore[arg-type]
    )


def _put(
    connection: Connection,
    what: What,
    key: str,
    about: str,
    body: str | None,
    *,
    at: Moment,
) -> bool:
    cursor = connection.execute(
        "INSERT OR IGNORE INTO item (what, key, about, body, put)"
        " VALUES (?, ?, ?, ?, ?)",
        (what, key, about, body, at),
    )
    return cursor.rowcount == 1


def _keep_alert(connection: Connection, alert: Alert, at: Moment | None) -> bool:
    text = line(alert)
    key = digest(text)
    new = connection.execute(
        "INSERT OR IGNORE INTO line (digest, alert, line) VALUES (?, ?, ?)",
        (key, alert.id, text),
    )
    if new.rowcount == 1:
        came = at if at is not None else alert.raised
        _put(connection, "alert", key, alert.id, None, at=came)
    # Also where the line is known: an alert may come back to what it said before.
    last = alert.id, alert.kind, alert.subject, alert.priority
    connection.execute(_LAST, (*last, alert.raised, alert.ended, text))
    return new.rowcount == 1


def _keep_call(connection: Connection, call: Call, at: Moment | None) -> bool:
    text, key = call_line(call), call_key(call)
    new = connection.execute(
        "INSERT OR IGNORE INTO call (key, fault, alert, priority, at, line)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (key, call.fault, call.alert, call.priority, call.at, text),
    )
    if new.rowcount == 1:
        came = at if at is not None else call.at
        _put(connection, "call", key, call.fault, text, at=came)
    return new.rowcount == 1
