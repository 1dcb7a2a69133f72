"""Windows of the journal that somebody wants kept, and why; whatever ages or deletes later must leave them.

It is a record of its own in the journal, like an act; the engine is never told of it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from monitor.core.moments import Moment, exact, parse
from monitor.journal import Entry

TYPE = "tallywatch.window.kept"
SOURCE = "desk/"


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """A window that is to be kept.

    Args:
        id: names the record; the same again changes nothing.
        begin: from when.
        end: to when.
        reason: why.
        by: who wants it.
        position: at which desk, or "".
        entered: when that was said.
    """

    id: str
    begin: Moment
    end: Moment
    reason: str
    by: str
    position: str
    entered: Moment


def entry(keep: Keep) -> Entry:
    """*keep* as something to be journaled."""
    event = {
        "specversion": "1.0",
        "id": keep.id,
        "source": f"{SOURCE}{keep.position}",
        "type": TYPE,
        "time": exact(keep.entered),
        "recordedtime": exact(keep.entered),
        "data": {
            "from": exact(keep.begin),
            "to": exact(keep.end),
            "reason": keep.reason,
            "by": keep.by,
        },
    }
    payload = json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()
    return Entry(payload=payload, arrival=keep.entered, kept=True)


def read_keep(payload: bytes) -> Keep | None:
    """The window in *payload*, or None where it is something else.

    Raises:
        ValueError: it is one, and not as `entry` writes it.

    Example:
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> keep = Keep(
        ...     id="1",
        ...     begin=noon,
        ...     end=noon + 3_600_000_000,
        ...     reason="the night of the storm",
        ...     by="Ada",
        ...     position="north",
        ...     entered=noon,
        ... )
        >>> read_keep(entry(keep).payload) == keep
        True
    """
    if TYPE.encode() not in payload:
        return None
    try:
        event = json.loads(payload)
    except ValueError:
        return None
    if not isinstance(event, dict) or event.get("type") != TYPE:
        return None
    return _read(event)


def _read(event: dict[str, Any]) -> Keep:
    try:
        data = event["data"]
        return Keep(
            id=event["id"],
            begin=parse(data["from"]),
            end=parse(data["to"]),
            reason=data["reason"],
            by=data["by"],
            position=event["source"].removeprefix(SOURCE),
            entered=parse(event["time"]),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"a window to be kept is not whole: {error!r}") from None
