"""Windows of the journal that somebody wants kept, and why; whatever ages or deletes must leave them, by `spared`.

It is a record of its own in the journal (`kept`), like an act.
Nothing deletes from a journal or a history now.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from monitor import kept
from monitor.core.moments import HOUR, Moment, exact, parse
from monitor.journal import LEAD_IN_H, LEAD_OUT, Entry

TYPE = "tallywatch.window.kept"


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
    data = {
        "from": exact(keep.begin),
        "to": exact(keep.end),
        "reason": keep.reason,
        "by": keep.by,
    }
    payload = kept.write(
        TYPE,
        data,
        identity=keep.id,
        position=keep.position,
        at=keep.entered,
        entered=keep.entered,
    )
    return kept.entry(payload, keep.entered)


def keeps_in(payloads: Iterable[bytes]) -> Iterator[Keep]:
    """The windows to be kept among the *payloads* that a journal has kept, oldest first, each once.

    Raises:
        ValueError: a record of one is not as it was written.
    """
    known: set[str] = set()
    for payload in payloads:
        keep = read_keep(payload)
        if keep is not None and keep.id not in known:
            known.add(keep.id)
            yield keep


def spared(keeps: Iterable[Keep]) -> list[tuple[Moment, Moment]]:
    """What must not be deleted, from when up to when, in order and without overlaps.

    A window is worth nothing without its lead-in: with each stays what it takes to conclude from it again.

    Example:
        >>> from monitor.core.moments import stamp
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> keep = Keep(
        ...     id="1",
        ...     begin=noon,
        ...     end=noon + HOUR,
        ...     reason="",
        ...     by="",
        ...     position="",
        ...     entered=noon,
        ... )
        >>> [(stamp(a), stamp(b)) for a, b in spared([keep])]
        [('2026-05-03T11:00:00.000Z', '2026-05-04T13:01:00.000Z')]
    """
    spans: list[tuple[Moment, Moment]] = []
    for keep in sorted(keeps, key=lambda one: one.begin):
        begin = keep.begin - round(LEAD_IN_H * HOUR)
        end = keep.end + LEAD_OUT
        if spans and begin <= spans[-1][1]:
            spans[-1] = spans[-1][0], max(spans[-1][1], end)
        else:
            spans.append((begin, end))
    return spans


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
    event = kept.read(payload, TYPE)
    return None if event is None else _read(event)


def _read(event: dict[str, Any]) -> Keep:
    try:
        data = event["data"]
        return Keep(
            id=event["id"],
            begin=parse(data["from"]),
            end=parse(data["to"]),
            reason=data["reason"],
            by=data["by"],
            position=kept.position(event),
            entered=parse(event["time"]),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"a window to be kept is not whole: {error!r}") from None
