"""The store: the alerts as people were told of them, and what is still to be sent.

Alert lines are known by their own hash: storing one again does nothing, so a start can fold the journal from its beginning and nobody is told anything twice.
Each line that is new goes into the outbox in the same transaction; delivery takes it from there once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass

from monitor.core.alerts import Alert, digest, line
from monitor.database import Database

_TABLES = """
CREATE TABLE IF NOT EXISTS line (
    number INTEGER PRIMARY KEY,   -- in the order in which they were first stored
    digest TEXT NOT NULL UNIQUE,
    alert  TEXT NOT NULL,
    line   TEXT NOT NULL
);
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
CREATE TABLE IF NOT EXISTS outbox (
    number INTEGER PRIMARY KEY,   -- of the line
    sent   INTEGER NOT NULL DEFAULT 0
);
"""

_LAST = """
INSERT INTO alert (id, kind, subject, priority, raised, ended, line)
VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (id) DO UPDATE
SET priority = excluded.priority, ended = excluded.ended, line = excluded.line
"""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A line that is still to be sent."""

    number: int
    line: str


class Store(Database):
    """The alerts of one monitor, on disk."""

    TABLES = _TABLES
    SYNCHRONOUS = "FULL"  # what was sent must outlive a power cut, or it is sent again

    def add(self, alerts: Iterable[Alert]) -> list[Alert]:
        """Keep the lines of *alerts* in one transaction, and give back those that are new.

        Raises:
            sqlite3.Error: they could not be written; none was.
        """
        new = []
        with self._connection as connection:
            for alert in alerts:
                text = line(alert)
                last = (
                    alert.id,
                    alert.kind,
                    alert.subject,
                    alert.priority,
                    alert.raised,
                    alert.ended,
                    text,
                )
                cursor = connection.execute(
                    "INSERT OR IGNORE INTO line (digest, alert, line) VALUES (?, ?, ?)",
                    (digest(text), alert.id, text),
                )
                if cursor.rowcount == 1:
                    number = cursor.lastrowid
                    connection.execute(
                        "INSERT INTO outbox (number) VALUES (?)", (number,)
                    )
                    new.append(alert)
                # Also where the line is known: an alert may come back to what it said before.
                connection.execute(_LAST, last)
        return new

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

    def waiting(self, limit: int = 100) -> list[Waiting]:
        """The oldest lines that are still to be sent, at most *limit*."""
        return [
            Waiting(number, text)
            for number, text in self._connection.execute(
                "SELECT number, line FROM outbox JOIN line USING (number)"
                " WHERE sent = 0 ORDER BY number LIMIT ?",
                (limit,),
            )
        ]

    def sent(self, number: int) -> None:
        """The line of *number* was sent: it never is again."""
        with self._connection as connection:
            connection.execute("UPDATE outbox SET sent = 1 WHERE number = ?", (number,))
