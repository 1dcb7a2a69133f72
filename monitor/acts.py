"""What people do with alerts and desks, as it stands in the journal.

An act is a record of its own there (`kept`), with who and when and why.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, get_args

from monitor import kept
from monitor.core.moments import exact, parse
from monitor.handling import Act, What
from monitor.journal import Entry
from monitor.shifts import DeskAct, DeskWhat

TYPE = "tallywatch.alert.act"
DESK_TYPE = "tallywatch.desk.act"

_TEXTS = ("alert", "fault", "kind", "subject", "text", "cause", "part")
_DESK_TEXTS = ("to", "text", "note")


def write_act(act: Act | DeskAct) -> bytes:
    """*act* as a line of JSON; `read_act` gives it back."""
    data: dict[str, Any] = {"what": act.what, "by": act.by}
    texts = _TEXTS if isinstance(act, Act) else _DESK_TEXTS
    data |= {name: value for name in texts if (value := getattr(act, name))}
    if isinstance(act, Act) and act.until is not None:
        data["until"] = exact(act.until)
    return kept.write(
        TYPE if isinstance(act, Act) else DESK_TYPE,
        data,
        identity=act.id,
        position=act.position,
        at=act.at,
        entered=act.entered,
    )


def read_act(payload: bytes) -> Act | DeskAct | None:
    """The act in *payload*, or None where it is something else.

    Raises:
        ValueError: it is an act, and not as `write_act` writes one.
    """
    event = kept.read(payload, TYPE, DESK_TYPE)
    if event is None:
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
        "position": kept.position(event),
    }


def _texts(data: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {name: str(data.get(name, "")) for name in names}


def _known(what: str, acts: Any) -> Any:
    if what not in get_args(acts):
        raise ValueError(f"there is no act {what!r}")
    return what


def entry(act: Act | DeskAct) -> Entry:
    """*act* as something to be journaled: once `Journal.append` has returned, it is on disk."""
    return kept.entry(write_act(act), act.entered)


def acts(payloads: Iterable[bytes]) -> Iterator[Act | DeskAct]:
    """The acts among the *payloads* that a journal has kept, oldest first.

    Raises:
        ValueError: one is not as it was written.
    """
    for payload in payloads:
        act = read_act(payload)
        if act is not None:
            yield act
