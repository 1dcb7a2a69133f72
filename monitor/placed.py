"""When what is in the store came, on the clock by which the journal goes.

A monitor of a feed that is played keeps a store by the time of day, while its journal, its pages and its acts go by the recorded time.
So what is in such a store is placed with the event that brought it, where the journal was gone through for that.
Else it is placed by what its own text says, which is the earliest that it can have been: a line of an alert at its raising or its end, a call when it was due, a line of a fault by what its alerts had come to.
It is never earlier than the line of the same thing before it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from monitor.core.moments import Moment, parse
from monitor.store import FOR_EVER, Item, Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Put:
    """Something that came into the outbox.

    Args:
        item: as the store has it.
        at: when, by the clock of the journal.
    """

    item: Item
    at: Moment


@dataclass(slots=True)
class Placing:
    """Places one item after the other; the order is that of the store.

    Args:
        came: when lines came, by their text, as far as the journal was gone through (`Past.came`).
    """

    came: Mapping[str, Moment] = field(default_factory=dict)
    _alerts: dict[str, tuple[Moment, Moment | None]] = field(default_factory=dict)
    _last: dict[tuple[str, str], Moment] = field(default_factory=dict)

    def place(self, item: Item) -> Moment:
        """When *item* came."""
        told = json.loads(item.body)
        brought = self.came.get(item.body, 0)
        if item.what == "call":
            return max(parse(told["at"]), brought)
        at = parse(told["raised"])
        ended = None if told["ended"] is None else parse(told["ended"])
        if item.what == "alert":
            self._alerts[told["id"]] = at, ended
        else:
            at = max([at, *self._of_its_alerts(told)])
        at = max(at, brought, ended or at, self._last.get((item.what, told["id"]), at))
        self._last[item.what, told["id"]] = at
        return at

    def _of_its_alerts(self, told: dict[str, Any]) -> Iterator[Moment]:
        """When the alerts of a fault were raised, and those that are over ended."""
        for name in told["alerts"]:
            raised, ended = self._alerts.get(name, (None, None))
            if raised is not None:
                yield raised
            if ended is not None and name not in told["open"]:
                yield ended


def placed(
    store: Store,
    begin: Moment = 0,
    end: Moment = FOR_EVER,
    *,
    played: bool,
    came: Mapping[str, Moment] | None = None,
) -> Iterator[Put]:
    """What came into the outbox from *begin* up to *end*, in its order, each with when it did.

    Args:
        store: that has it.
        begin: from when, by the clock of the journal.
        end: up to when.
        played: the journal beside it goes by recorded time.
        came: when lines came, by their text, where what was played is placed.
    """
    if not played:
        for item in store.items(begin, end):
            yield Put(item=item, at=item.put)
        return
    placing = Placing(came or {})
    for item in store.items():
        at = placing.place(item)
        if begin <= at < end:
            yield Put(item=item, at=at)
