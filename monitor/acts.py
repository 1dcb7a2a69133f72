"""What people do with alerts, as it stands in the journal.

An act is a record of its own there, in the hash chain like any other, with who and when and why; it is no event, and the engine is never told of it.
It is written as a CloudEvent of the source `desk/<position>`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any, get_args

from monitor.core.moments import exact, parse
from monitor.handling import Act, What
from monitor.journal import Entry

TYPE = "tallywatch.alert.act"
SOURCE = "desk/"

_TEXTS = ("alert", "fault", "kind", "subject", "text")


def write_act(act: Act) -> bytes:
    """*act* as a line of JSON; `read_act` gives it back."""
    data: dict[str, Any] = {"what": act.what, "by": act.by}
    data |= {name: value for name in _TEXTS if (value := getattr(act, name))}
    if act.until is not None:
        data["until"] = exact(act.until)
    event = {
        "specversion": "1.0",
        "id": act.id,
        "source": f"{SOURCE}{act.position}",
        "type": TYPE,
        "time": exact(act.at),
        "recordedtime": exact(act.entered),
        "data": data,
    }
    return json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()


def read_act(payload: bytes) -> Act | None:
    """The act in *payload*, or None where it is something else.

    Raises:
        ValueError: it is an act, and not as `write_act` writes one.
    """
    try:
        event = json.loads(payload)
    except ValueError:
        return None
    if not isinstance(event, dict) or event.get("type") != TYPE:
        return None
    try:
        data = event["data"]
        until = data.get("until")
        if data["what"] not in get_args(What):
            raise ValueError(f"there is no act {data['what']!r}")
        return Act(
            id=event["id"],
            at=parse(event["time"]),
            entered=parse(event["recordedtime"]),
            by=data["by"],
            position=event["source"].removeprefix(SOURCE),
            what=data["what"],
            until=None if until is None else parse(until),
            **{name: str(data.get(name, "")) for name in _TEXTS},
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"an act in the journal is not whole: {error!r}") from None


def entry(act: Act) -> Entry:
    """*act* as something to be journaled: once `Journal.append` has returned, it is on disk."""
    return Entry(payload=write_act(act), arrival=act.entered, kept=True)


def acts(kept: Iterable[bytes]) -> Iterator[Act]:
    """The acts among what a journal has *kept*, oldest first.

    Raises:
        ValueError: one is not as it was written.
    """
    for payload in kept:
        act = read_act(payload)
        if act is not None:
            yield act
