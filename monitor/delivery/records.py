"""Lines of the store read back into what they were made of, and what a channel looks up there while it sends."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from typing import Any

from monitor.core.alerts import Alert, read
from monitor.core.faults import Call, Fault, read_fault
from monitor.core.moments import Moment, parse
from monitor.store import Store

__all__ = ["OnDisk", "Records", "read_alert", "read_call", "read_fault"]

OnDisk = Callable[..., Awaitable[Any]]
"""Does work in the one thread that uses the store: the function, then its values."""


def read_alert(text: str) -> Alert:
    """The alert of an alert line."""
    return read(json.loads(text))


def read_call(text: str) -> Call:
    """The call of a call line."""
    record = json.loads(text)
    record.pop("drill", None)  # a mark of the item, not of the call
    return Call(**{**record, "at": parse(record["at"])})


class Records:
    """What was told, for a channel that needs more of it than the item it sends.

    Args:
        store: where it stands.
        on_disk: does work in the thread that uses it.
    """

    def __init__(self, store: Store, on_disk: OnDisk) -> None:
        self._store = store
        self._on_disk = on_disk

    async def alert(self, name: str) -> Alert | None:
        """An alert as it stands now."""
        text = await self._on_disk(self._store.alert, name)
        return None if text is None else read_alert(text)

    async def fault(self, name: str) -> tuple[Fault, list[Alert]] | None:
        """A fault as it stands now, with its alerts in the order in which they came."""
        text = await self._on_disk(self._store.fault, name)
        if text is None:
            return None
        fault = read_fault(text)
        alerts = [await self.alert(one) for one in fault.alerts]
        return fault, [one for one in alerts if one is not None]

    async def call_of(self, alert: str) -> Call | None:
        """The last call that was made because of an alert."""
        text = await self._on_disk(self._store.call_of, alert)
        return None if text is None else read_call(text)

    async def told(self, channel: str, since: Moment) -> list[Alert]:
        """Every line that a channel has of alerts that are open, or of which it was told since *since*, oldest first."""
        texts = await self._on_disk(self._store.told, channel, since)
        return [read_alert(text) for text in texts]
