"""What was concluded live, as it was told: out of the file that a monitor keeps its alerts in, or out of alert lines that somebody kept."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from monitor.core.moments import Moment
from replay.compare import Side

_ALERTS = """
SELECT line.line FROM line JOIN alert ON alert.id = line.alert
WHERE alert.raised BETWEEN ? AND ? ORDER BY line.number
"""
_FAULTS = "SELECT line FROM fault WHERE raised BETWEEN ? AND ? ORDER BY raised, id"
_CALLS = "SELECT line FROM call WHERE at BETWEEN ? AND ? ORDER BY at, key"


class ConcludedFault(Exception):
    """What was concluded cannot be read; the text says why, in one line."""


def read_store(path: Path, side: Side) -> None:
    """Take into *side* what the file at *path* holds of its time; a monitor may be writing it.

    Raises:
        ConcludedFault: it is no such file, or there is none.
    """
    begin = side.begin if side.begin is not None else -(2**62)
    end = side.end if side.end is not None else 2**62
    if not path.is_file():
        raise ConcludedFault(f"{path}: there is no file of alerts")
    try:
        place = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(place, uri=True)) as connection:
            for asked, take in (
                (_ALERTS, side.alert),
                (_FAULTS, side.fault),
                (_CALLS, side.call),
            ):
                with closing(connection.execute(asked, (begin, end))) as rows:
                    for (text,) in rows:
                        take(json.loads(text))
    except (sqlite3.Error, ValueError, KeyError) as error:
        raise ConcludedFault(f"{path}: is no file of alerts: {error}") from None


def read_lines(path: Path, side: Side) -> None:
    """Take into *side* the alert lines in the file at *path*, one a line; it holds no faults and no calls.

    Raises:
        ConcludedFault: a line is none.
        OSError: it cannot be read.
    """
    with path.open(encoding="utf-8", errors="replace") as lines:
        for number, text in enumerate(lines, start=1):
            if not text.strip():
                continue
            try:
                record: dict[str, Any] = json.loads(text)
                side.alert(record)
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                raise ConcludedFault(
                    f"{path}: line {number}: is no alert: {error}"
                ) from None


def window_of(side: Side) -> tuple[Moment, Moment] | None:
    """From the first to the last that *side* concluded, or None where it has nothing."""
    moments = [one.at for one in side.told]
    return (min(moments), max(moments)) if moments else None
