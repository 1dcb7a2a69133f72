"""How far a recording has been played, and how fast: set going, held, moved ahead and turned back while it plays.

The pauses between events are kept, divided by the speed.
What is gone past is not left out: it is sent at once, also while it is held, so that whoever listens knows how things stand.
Where it is turned back, whoever plays must begin again from there: the deck only says so, for what was sent cannot be taken back.
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
        turned: to when it was turned back, until whoever plays has gone there.
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
        self.turned: Moment | None = None
        self._begin = begin
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
        """Wait until it has been played as far as *moment*; False where it is to end, or was turned back."""
        self._next = moment
        if self._at is None:
            self._at, self._since = moment, self._clock()
        if self._begin is None:
            self._begin = moment
        while not self.ended and self.turned is None:
            left = self._left(moment)
            # What was gone past is due also while it is held: it stands where it was moved to.
            if left < 0 or (left <= 0 and not self.held):
                return True
            self._changed.clear()
            await self._waits(None if self.held else left, self._changed)
        return False

    async def at_its_end(self) -> None:
        """Stand where everything has been played, until it is turned back or told to end."""
        self._set()
        self.held, self._next = True, None
        while not self.ended and self.turned is None:
            self._changed.clear()
            await self._waits(None, self._changed)

    def gone_back(self) -> Moment:
        """To when it was turned back, now that whoever plays goes there.

        Raises:
            ValueError: it was not.
        """
        if self.turned is None:
            raise ValueError("it was not turned back")
        moment, self.turned = self.turned, None
        return moment

    def _left(self, moment: Moment) -> float:
        """Seconds until *moment* is due."""
        now = self.now
        return 0.0 if now is None else (moment - now) / SECOND / self.speed

    # What whoever plays does.

    def hold(self) -> None:
        """Stand still, or go on."""
        self._set()
        self.held = not self.held

    def stand(self, *, still: bool) -> None:
        """Stand still, or go on, whichever it does now."""
        if self.held is not still:
            self.hold()

    def change(self, times: float) -> None:
        """Go so many times as fast as now."""
        self._set()
        self.speed = min(max(self.speed * times, SLOWEST), max(FASTEST, self.speed))

    def run_at(self, speed: float) -> None:
        """Go so many times as fast as it happened.

        Raises:
            ValueError: *speed* is not above nought.
        """
        if not speed > 0:
            raise ValueError(f"expected a speed above nought, came {speed:g}")
        self._set()
        self.speed = speed

    def ahead(self, by: Duration) -> None:
        """Go on from so much later; what is between is sent at once."""
        self._set()
        if self._at is not None:
            self._at += by

    def back(self, by: Duration) -> None:
        """Go on from so much earlier, but not from before its beginning."""
        now = self.now
        if now is not None:
            self.to(now - by)

    def to(self, moment: Moment) -> None:
        """Go on from a moment, ahead or back; from before its beginning there is nothing."""
        now = self.now
        if now is None or self._begin is None:
            return
        moment = max(moment, self._begin)
        if moment > now:
            self.ahead(moment - now)
        elif moment < now:
            self._set()
            self._at = self.turned = moment

    def to_begin(self) -> None:
        """Go on from its beginning."""
        if self._begin is not None:
            self.to(self._begin)

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
