"""What people did and pages showed, as it stands in the journal: a record of its own, in the hash chain like any other.

It is written as a CloudEvent of the source `desk/<position>`, but it is no event: the engine is never told of it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from monitor.core.moments import Moment, exact
from monitor.journal import Entry

SOURCE = "desk/"


def write(
    kind: str,
    data: Mapping[str, Any],
    *,
    identity: str,
    position: str,
    at: Moment,
    entered: Moment,
) -> bytes:
    """A record as a line of JSON.

    Args:
        kind: the type of the CloudEvent.
        data: what it says.
        identity: names it.
        position: at which desk, or "".
        at: when it was so.
        entered: when the monitor had it.
    """
    event = {
        "specversion": "1.0",
        "id": identity,
        "source": f"{SOURCE}{position}",
        "type": kind,
        "time": exact(at),
        "recordedtime": exact(entered),
        "data": data,
    }
    return json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()


def entry(payload: bytes, entered: Moment) -> Entry:
    """A record as something to be journaled: once `Journal.append` has returned, it is on disk."""
    return Entry(payload=payload, arrival=entered, kept=True)


def read(payload: bytes, *kinds: str) -> dict[str, Any] | None:
    """The record of one of *kinds* in *payload*, or None where it is something else; a kind that ends with a full stop stands for all that begin with it.

    Example:
        >>> payload = write(
        ...     "desk.act", {}, identity="1", position="north", at=0, entered=0
        ... )
        >>> position(read(payload, "desk.act")), position(read(payload, "desk."))
        ('north', 'north')
        >>> read(payload, "desk"), read(b"desk. and no JSON", "desk.")
        (None, None)
    """
    if not any(kind.encode() in payload for kind in kinds):
        return None
    try:
        event = json.loads(payload)
    except ValueError:
        return None
    if not isinstance(event, dict):
        return None
    kind = str(event.get("type"))
    if kind in kinds or kind.startswith(tuple(one for one in kinds if one[-1] == ".")):
        return event
    return None


def position(event: Mapping[str, Any]) -> str:
    """At which desk it was written."""
    source: str = event["source"]
    return source.removeprefix(SOURCE)
