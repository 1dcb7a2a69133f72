"""How far a recording has been played, and how fast: set going, held, and moved ahead while it plays.

The pauses between events are kept, divided by the speed.
What is gone past is not left out: it is sent at once, so that whoever listens knows how things stand.
Back there is no way: what was sent once is known, and its time has passed.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress

from monitor.core.moments import SECOND, Duration, Moment

SLOWEST, FASTEST = 1 / 64, 4096.0
"""Between these the speed is changed; a recording may begin at any."""

Wait = Callable[[float | None, asyncio.Event], Awaitable[object]]
"""Waits so many seconds, or for ever, but no longer than until something is set."""


async def wait(seconds: float | None, changed: asyncio.Event) -> None:
    """Wait so many seconds, or for ever, but no longer than until *changed* is set."""
    with suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await changed.wait()


class Deck:
    """What is played, and how.

    Args:
        speed: how many times as fast as it happened; above nought.
        begin: what happened before is sent at once; None: nothing is.
        clock: seconds, steadily rising.
        waits: how it waits.

    Raises:
        ValueError: *speed* is not above nought.

    Attributes:
        speed: how many times as fast.
        held: whether it stands still.
        ended: nothing more is to be sent.
    """

    def __init__(
        self,
        speed: float,
        *,
        begin: Moment | None = None,
        clock: Callable[[], float] = time.monotonic,
        waits: Wait = wait,
    ) -> None:
        if not speed > 0:
            raise ValueError(f"expected a speed above nought, came {speed:g}")
        self.speed = speed
        self.held = False
        self.ended = False
        self._clock, self._waits = clock, waits
        self._changed = asyncio.Event()
        self._at = begin
        self._since = clock()
        self._next: Moment | None = None

    @property
    def now(self) -> Moment | None:
        """How far it has been played, in the time of the recording; None before its first event."""
        if self._at is None or self.held:
            return self._at
        return self._at + round((self._clock() - self._since) * self.speed * SECOND)

    async def until(self, moment: Moment) -> bool:
        """Wait until it has been played as far as *moment*; False where it is to end."""
        self._next = moment
        if self._at is None:
            self._at, self._since = moment, self._clock()
        while not self.ended:
            left = self._left(moment)
            if not self.held and left <= 0:
                return True
            self._changed.clear()
            await self._waits(None if self.held else left, self._changed)
        return False

    def _left(self, moment: Moment) -> float:
        """Seconds until *moment* is due."""
        now = self.now
        return 0.0 if now is None else (moment - now) / SECOND / self.speed

    # What whoever plays does.

    def hold(self) -> None:
        """Stand still, or go on."""
        self._set()
        self.held = not self.held

    def change(self, times: float) -> None:
        """Go so many times as fast as now."""
        self._set()
        self.speed = min(max(self.speed * times, SLOWEST), max(FASTEST, self.speed))

    def ahead(self, by: Duration) -> None:
        """Go on from so much later; what is between is sent at once."""
        self._set()
        if self._at is not None:
            self._at += by

    def to_next(self) -> None:
        """Go on from the next event."""
        now = self.now
        if self._next is not None and now is not None and self._next > now:
            self.ahead(self._next - now)

    def end(self) -> None:
        """Send nothing more."""
        self._set()
        self.ended = True

    def _set(self) -> None:
        self._at, self._since = self.now, self._clock()
        self._changed.set()
