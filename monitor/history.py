"""History: the facts by section and day, kept so that a period can be looked back on.

The engine says what was so; this keeps it in one SQLite file, for pages and reports.
Nothing here is the truth: the journal is, and folding the journal again writes the same facts again.
So a fact replaces the one with its kind, subject and `began`, a power cut may cost the last writes, and deleting the file costs only the time of a fold.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import closing
from typing import Any, cast, get_args

from monitor.core.facts import Fact, FactKind
from monitor.core.moments import DAY, Moment
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
"""

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

    def write(self, facts: Iterable[Fact]) -> None:
        """Keep *facts* in one transaction: all of them or, on an error, none.

        Each replaces the fact of its kind, subject and `began`, if there is one.

        Raises:
            sqlite3.Error: they could not be written.
        """
        rows = (
            (
                fact.kind,
                fact.subject,
                fact.began,
                fact.ended,
                json.dumps(fact.values, ensure_ascii=False, sort_keys=True),
            )
            for fact in facts
        )
        with self._connection:
            self._connection.executemany(_WRITE, rows)

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


def _fact(row: tuple[Any, ...]) -> Fact:
    kind, subject, began, ended, said = row
    if kind not in get_args(FactKind):
        raise ValueError(f"the history has a fact of the unknown kind {kind}")
    return Fact(
        kind=cast("FactKind", kind),
        subject=subject,
        began=began,
        ended=ended,
        values=json.loads(said),
    )
