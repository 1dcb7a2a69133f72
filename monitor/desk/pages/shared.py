"""What several pages ask for at the same time is made once: ten screens of a control room show the same lists."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable
from dataclasses import dataclass, field

KEPT_S = 0.5
"""What changes without being told (the length of a spell, how many trains stand) is so old at most."""

REST = 3.0
"""Between two makings of a part there are so many times as long as the last one took: a part that is dear is made more seldom in a storm, whoever asks."""

REST_MOST_S = 1.0

MOST = 200


@dataclass(slots=True)
class _Made:
    version: int
    at: float
    took: float
    text: str


@dataclass(slots=True)
class Shared:
    """Parts of pages that were just made.

    Args:
        version: goes up whenever any of them may have changed.
        now: counts seconds.
        pause: waits for so many seconds.
    """

    version: Callable[[], int]
    now: Callable[[], float]
    pause: Callable[[float], Awaitable[None]] = asyncio.sleep
    _made: OrderedDict[Hashable, _Made] = field(default_factory=OrderedDict)
    _making: dict[Hashable, asyncio.Lock] = field(default_factory=dict)

    async def of(
        self,
        key: Hashable,
        make: Callable[[], Awaitable[str]],
        since: int | None = None,
    ) -> str:
        """What *make* gives, or what it gave whoever asked for *key* just before.

        Args:
            key: names the part.
            make: makes it.
            since: the version that whoever asks was told of; what was made then or later will do. None: only what nothing has changed since.
        """
        lock = self._making.setdefault(key, asyncio.Lock())
        try:
            async with lock:
                made = self._made.get(key)
                if made is not None:
                    if self._is_good(made, since):
                        return made.text
                    rest = min(REST * made.took, REST_MOST_S)
                    if (left := made.at + made.took + rest - self.now()) > 0:
                        await self.pause(left)
                # What changes while it is made is not in it for sure.
                version, at = self.version(), self.now()
                text = await make()
                self._made[key] = _Made(version, at, self.now() - at, text)
                self._made.move_to_end(key)
                while len(self._made) > MOST:
                    self._made.popitem(last=False)
                return text
        finally:
            if not lock.locked():
                self._making.pop(key, None)

    def _is_good(self, made: _Made, since: int | None) -> bool:
        now = self.version()
        # A page that was told by a monitor which has started anew since is told anew soon.
        wanted = now if since is None else min(since, now)
        return made.version >= wanted and self.now() - made.at < KEPT_S
