"""What pages have shown, as it stands in the journal: which fault was painted, at which desk, seen and heard or not.

It is a record of its own (`kept`), like an act.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from monitor import kept
from monitor.core.moments import Moment, exact, parse
from monitor.journal import Entry

TYPE = "tallywatch.desk.shown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Painted:
    """A fault, as it was painted.

    Args:
        fault: its id.
        headline: as it stood there.
        priority: likewise.
        alerts: ids of the alerts in it that were painted with it and that the page had not painted before; None where the page does not say.
    """

    fault: str
    headline: str
    priority: str
    alerts: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a page has shown.

    Args:
        id: names the record.
        position: at which desk.
        by: who had the page open, as far as is known.
        page: names the page.
        at: when it was painted.
        entered: when the monitor heard of it.
        visible: whether the page was in front.
        sound: begun for what is named (`sounded`), possible (`could`, before `played`), `muted`, `blocked`, or made `elsewhere`.
        faults: painted anew, or changed.
        stale: since when the page had not heard the monitor, or None.
        left: whether the page was closed, or gone on from.
    """

    id: str
    position: str
    by: str
    page: str
    at: Moment
    entered: Moment
    visible: bool
    sound: str
    faults: tuple[Painted, ...] = ()
    stale: Moment | None = None
    left: bool = False


def entry(shown: Shown) -> Entry:
    """*shown* as something to be journaled."""
    data: dict[str, Any] = {
        "page": shown.page,
        "by": shown.by,
        "visible": shown.visible,
        "sound": shown.sound,
        "faults": [_write(one) for one in shown.faults],
    }
    if shown.stale is not None:
        data["stale"] = exact(shown.stale)
    if shown.left:
        data["left"] = True
    payload = kept.write(
        TYPE,
        data,
        identity=shown.id,
        position=shown.position,
        at=shown.at,
        entered=shown.entered,
    )
    return kept.entry(payload, shown.entered)


def _write(painted: Painted) -> dict[str, Any]:
    values: dict[str, Any] = {
        "fault": painted.fault,
        "headline": painted.headline,
        "priority": painted.priority,
    }
    if painted.alerts is not None:
        values["alerts"] = list(painted.alerts)
    return values


def shown_in(payloads: Iterable[bytes]) -> Iterator[Shown]:
    """What was shown, among the *payloads* that a journal has kept, oldest first.

    Raises:
        ValueError: a record of it is not as it was written.
    """
    for payload in payloads:
        event = kept.read(payload, TYPE)
        if event is not None:
            yield _read(event)


def _read(event: dict[str, Any]) -> Shown:
    try:
        data = event["data"]
        stale = data.get("stale")
        return Shown(
            id=event["id"],
            position=kept.position(event),
            by=data["by"],
            page=data["page"],
            at=parse(event["time"]),
            entered=parse(event["recordedtime"]),
            visible=data["visible"],
            sound=data["sound"],
            faults=tuple(_read_painted(one) for one in data["faults"]),
            stale=None if stale is None else parse(stale),
            left=data.get("left", False),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"what was shown is not whole: {error!r}") from None


def _read_painted(values: dict[str, Any]) -> Painted:
    alerts = values.get("alerts")
    alerts = None if alerts is None else tuple(alerts)
    return Painted(**{**values, "alerts": alerts})
