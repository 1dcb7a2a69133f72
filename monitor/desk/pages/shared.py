"""What several pages ask for at the same time is made once: ten screens of a control room show the same lists."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable
from dataclasses import dataclass, field
from hashlib import blake2b

KEPT_S = 0.5
"""What changes without being told (the length of a spell, how many trains stand) is so old at most."""

REST = 3.0
"""Between two makings of a part there are so many times as long as the last one took: a part that is dear is made more seldom in a storm, whoever asks."""

REST_MOST_S = 1.0

MOST = 200


@dataclass(frozen=True, slots=True)
class Made:
    """A part that was made.

    Args:
        text: what it is.
        mark: the same for the same text.
        number: goes up with each making, of whatever part.
        version: nothing that changed up to then is missing in it.
        at: when it was begun, in seconds.
        took: so many seconds.
    """

    text: str
    mark: str
    number: int
    version: int
    at: float
    took: float


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
    _made: OrderedDict[Hashable, Made] = field(default_factory=OrderedDict)
    _making: dict[Hashable, asyncio.Lock] = field(default_factory=dict)
    _number: int = 0

    def last(self, key: Hashable) -> Made | None:
        """What was made of *key* last, however old it is."""
        return self._made.get(key)

    def rests(self, key: Hashable) -> bool:
        """Whether whoever asks for *key* now would have to wait until it may be made again."""
        made = self._made.get(key)
        return (
            made is not None and not self._is_good(made, None) and self._left(made) > 0
        )

    async def of(
        self,
        key: Hashable,
        make: Callable[[], Awaitable[str]],
        since: int | None = None,
    ) -> Made:
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
                        return made
                    if (left := self._left(made)) > 0:
                        await self.pause(left)
                # What changes while it is made is not in it for sure.
                version, at = self.version(), self.now()
                text = await make()
                mark = blake2b(text.encode(), digest_size=6).hexdigest()
                self._number += 1
                took = self.now() - at
                made = Made(text, mark, self._number, version, at, took)
                self._made[key] = made
                self._made.move_to_end(key)
                while len(self._made) > MOST:
                    self._made.popitem(last=False)
                return made
        finally:
            if not lock.locked():
                self._making.pop(key, None)

    def _left(self, made: Made) -> float:
        rest = min(REST * made.took, REST_MOST_S)
        return made.at + made.took + rest - self.now()

    def _is_good(self, made: Made, since: int | None) -> bool:
        now = self.version()
        # A page that was told by a monitor which has started anew since is told anew soon.
        wanted = now if since is None else min(since, now)
        return made.version >= wanted and self.now() - made.at < KEPT_S
