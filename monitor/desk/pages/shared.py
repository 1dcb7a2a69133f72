"""What several pages ask for at the same time is made once: ten screens of a control room show the same lists."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable
from dataclasses import dataclass, field

KEPT_S = 0.5
"""What changes without being told (the length of a spell, how many trains stand) is so old at most."""

MOST = 200


@dataclass(slots=True)
class _Made:
    version: int
    at: float
    text: str


@dataclass(slots=True)
class Shared:
    """Parts of pages that were just made.

    Args:
        version: goes up whenever any of them may have changed.
        now: counts seconds.
    """

    version: Callable[[], int]
    now: Callable[[], float]
    _made: OrderedDict[Hashable, _Made] = field(default_factory=OrderedDict)
    _making: dict[Hashable, asyncio.Lock] = field(default_factory=dict)

    async def of(self, key: Hashable, make: Callable[[], Awaitable[str]]) -> str:
        """What *make* gives, or what it gave whoever asked for *key* just before."""
        lock = self._making.setdefault(key, asyncio.Lock())
        try:
            async with lock:
                made = self._made.get(key)
                if made is not None and self._is_good(made):
                    return made.text
                # What changes while it is made is not in it for sure.
                version, at = self.version(), self.now()
                text = await make()
                self._made[key] = _Made(version, at, text)
                self._made.move_to_end(key)
                while len(self._made) > MOST:
                    self._made.popitem(last=False)
                return text
        finally:
            if not lock.locked():
                self._making.pop(key, None)

    def _is_good(self, made: _Made) -> bool:
        return made.version == self.version() and self.now() - made.at < KEPT_S
