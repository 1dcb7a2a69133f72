"""What people do with alerts and desks, as it stands in the journal.

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
from monitor.shifts import DeskAct, DeskWhat

TYPE = "tallywatch.alert.act"
DESK_TYPE = "tallywatch.desk.act"
SOURCE = "desk/"

_TEXTS = ("alert", "fault", "kind", "subject", "text", "cause", "part")
_DESK_TEXTS = ("to", "text", "note")


def write_act(act: Act | DeskAct) -> bytes:
    """*act* as a line of JSON; `read_act` gives it back."""
    data: dict[str, Any] = {"what": act.what, "by": act.by}
    texts = _TEXTS if isinstance(act, Act) else _DESK_TEXTS
    data |= {name: value for name in texts if (value := getattr(act, name))}
    if isinstance(act, Act) and act.until is not None:
        data["until"] = exact(act.until)
    event = {
        "specversion": "1.0",
        "id": act.id,
        "source": f"{SOURCE}{act.position}",
        "type": TYPE if isinstance(act, Act) else DESK_TYPE,
        "time": exact(act.at),
        "recordedtime": exact(act.entered),
        "data": data,
    }
    return json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()


def read_act(payload: bytes) -> Act | DeskAct | None:
    """The act in *payload*, or None where it is something else.

    Raises:
        ValueError: it is an act, and not as `write_act` writes one.
    """
    try:
        event = json.loads(payload)
    except ValueError:
        return None
    if not isinstance(event, dict) or event.get("type") not in {TYPE, DESK_TYPE}:
        return None
    try:
        return _of_alert(event) if event["type"] == TYPE else _of_desk(event)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"an act in the journal is not whole: {error!r}") from None


def _of_alert(event: dict[str, Any]) -> Act:
    data = event["data"]
    until = data.get("until")
    return Act(
        **_common(event),
        what=_known(data["what"], What),
        until=None if until is None else parse(until),
        **_texts(data, _TEXTS),
    )


def _of_desk(event: dict[str, Any]) -> DeskAct:
    data = event["data"]
    return DeskAct(
        **_common(event),
        what=_known(data["what"], DeskWhat),
        **_texts(data, _DESK_TEXTS),
    )


def _common(event: dict[str, Any]) -> dict[str, Any]:
    return {
        "id": event["id"],
        "at": parse(event["time"]),
        "entered": parse(event["recordedtime"]),
        "by": event["data"]["by"],
        "position": event["source"].removeprefix(SOURCE),
    }


def _texts(data: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {name: str(data.get(name, "")) for name in names}


def _known(what: str, acts: Any) -> Any:
    if what not in get_args(acts):
        raise ValueError(f"there is no act {what!r}")
    return what


def entry(act: Act | DeskAct) -> Entry:
    """*act* as something to be journaled: once `Journal.append` has returned, it is on disk."""
    return Entry(payload=write_act(act), arrival=act.entered, kept=True)


def acts(kept: Iterable[bytes]) -> Iterator[Act | DeskAct]:
    """The acts among what a journal has *kept*, oldest first.

    Raises:
        ValueError: one is not as it was written.
    """
    for payload in kept:
        act = read_act(payload)
        if act is not None:
            yield act
