"""One SQLite file of the monitor's: opened with its tables, closed in good order.

What the store and the history share; the journal, which must outlive anything and is locked by its writer, opens its file itself.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from types import TracebackType
from typing import ClassVar, Self


class Database:
    """A file with tables.

    Not for two threads at once; any one thread at a time may use it.
    """

    TABLES: ClassVar[str]
    """What is made where it is not there."""

    SYNCHRONOUS: ClassVar[str]
    """FULL where what is written must outlive a power cut, else NORMAL."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    @classmethod
    def open(cls, path: Path | str) -> Self:
        """Open the file at *path*, making it where it is not there; `:memory:` keeps nothing.

        Raises:
            sqlite3.Error: the file cannot be opened, or is no database.
        """
        connection = sqlite3.connect(path, check_same_thread=False)
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute(f"PRAGMA synchronous = {cls.SYNCHRONOUS}")
            connection.executescript(cls.TABLES)
        except sqlite3.Error:
            connection.close()
            raise
        return cls(connection)

    @classmethod
    def to_read(cls, path: Path) -> Self:
        """Open the file at *path* for reading alone, also while a monitor writes it.

        Raises:
            sqlite3.Error: there is none, it cannot be opened, or it is another.
        """
        uri = f"{path.resolve().as_uri()}?mode=ro"
        connection = sqlite3.connect(uri, uri=True, check_same_thread=False)
        try:
            connection.execute("SELECT count(*) FROM sqlite_master")
        except sqlite3.Error:
            connection.close()
            raise
        return cls(connection)

    def close(self) -> None:
        """Close the file; doing so twice is no fault."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
