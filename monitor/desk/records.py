"""The alerts as they were told, found by what people ask for: the alert file, read beside the one who writes it.

The last line of each alert is found by index and given page by page, the newest first.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.core.moments import Moment
from monitor.desk.model import Asked, NotThere

_FIND = """
SELECT raised, id, line FROM alert
WHERE (:open IS NULL OR (ended IS NULL) = :open)
  AND (:kind IS NULL OR kind = :kind)
  AND (:subject IS NULL OR subject = :subject)
  AND (:priority IS NULL OR priority = :priority)
  AND (:begin IS NULL OR raised >= :begin)
  AND (:end IS NULL OR raised < :end)
  AND (:raised IS NULL OR (raised, id) < (:raised, :id))
  AND (:subjects IS NULL OR subject IN (SELECT value FROM json_each(:subjects)))
  AND (:ids IS NULL OR id IN (SELECT value FROM json_each(:ids)))
ORDER BY raised DESC, id DESC LIMIT :limit
"""

_PLACE = re.compile(r"([0-9]{1,18})-([0-9a-f]{16})")


@dataclass(frozen=True, slots=True)
class Found:
    """A page of alerts.

    Args:
        lines: the last line of each, the newest alert first.
        more: where the next page begins, or None.
    """

    lines: tuple[str, ...]
    more: str | None


class Records:
    """The alert file, for reading; not for two threads at once."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    @classmethod
    def open(cls, path: Path) -> Records:
        """Open the file at *path*, which its writer has made.

        Raises:
            sqlite3.Error: it cannot be opened.
        """
        place = f"{path.absolute().as_uri()}?mode=ro"
        return cls(sqlite3.connect(place, uri=True, check_same_thread=False))

    def close(self) -> None:
        """Close it; doing so twice is no fault."""
        self._connection.close()

    def find(
        self,
        asked: Asked,
        subjects: Iterable[str] | None = None,
        ids: Iterable[str] | None = None,
    ) -> Found:
        """The alerts that are asked for, about *subjects*, of *ids*; None: of any.

        Raises:
            NotThere: what was asked for as the next page is none.
        """
        raised, identity = _place(asked.before)
        values: dict[str, Any] = {
            "open": asked.is_open,
            "kind": asked.kind,
            "subject": asked.subject,
            "priority": asked.priority,
            "begin": asked.begin,
            "end": asked.end,
            "raised": raised,
            "id": identity,
            "subjects": None if subjects is None else json.dumps(list(subjects)),
            "ids": None if ids is None else json.dumps(list(ids)),
            "limit": asked.limit + 1,
        }
        with closing(self._connection.execute(_FIND, values)) as rows:
            found = rows.fetchall()
        page = found[: asked.limit]
        more = None
        if len(found) > len(page):
            at, last, _ = page[-1]
            more = f"{at}-{last}"
        return Found(tuple(line for _, _, line in page), more)

    def lines(self, alert: str) -> list[str]:
        """Every line of an alert, in the order in which they were first stored."""
        rows = self._connection.execute(
            "SELECT line FROM line WHERE alert = ? ORDER BY number", (alert,)
        )
        with closing(rows):
            return [text for (text,) in rows]

    def last(self, alert: str) -> str:
        """The last line of an alert.

        Raises:
            NotThere: there is no such alert.
        """
        rows = self._connection.execute("SELECT line FROM alert WHERE id = ?", (alert,))
        with closing(rows):
            row = rows.fetchone()
        if row is None:
            raise NotThere(f"there is no alert {alert}")
        return str(row[0])


def _place(before: str | None) -> tuple[Moment | None, str]:
    if before is None:
        return None, ""
    found = _PLACE.fullmatch(before)
    if found is None:
        raise NotThere("there is no such page")
    return int(found[1]), found[2]
