"""What changes, told as it changes: server-sent events over a buffer that has an end.

Each event has an id, `<run>-<number>`: a reader that was cut off names the last it had, and is given what came since.
Where that is no longer here (the monitor was started anew, or too much came since) the reader is told so, in an event `gone`, and has to ask for the lists again: nothing is left out in silence.
A reader that is slower than what comes is told the same.
What concerns only some readers is told to those alone.
"""

from __future__ import annotations

import asyncio
import json
import re
import secrets
from collections import Counter, deque
from collections.abc import AsyncGenerator, Callable, Collection
from typing import Any

KEPT = 10_000
"""Events: an hour of a storm of alerts, and less than ten megabytes."""

BEAT_S = 10.0
"""After so long without an event a line says that the stream is still there."""

RETRY_MS = 2000
"""So long a browser waits before it connects again."""

_ID = re.compile(r"([0-9a-f]{8})-([0-9]{1,15})")


class Stream:
    """The events of one run.

    Args:
        kept: how many are kept for those who were cut off.
        readers: how many may read at once.
        beat_s: after so long without an event a line is sent all the same.
        run: names this run; by chance.

    Attributes:
        told: how many events of each kind there were.
    """

    def __init__(
        self,
        kept: int = KEPT,
        readers: int = 200,
        beat_s: float = BEAT_S,
        run: str | None = None,
    ) -> None:
        self.run = run if run is not None else secrets.token_hex(4)
        self._events: deque[tuple[int, str, str | None]] = deque(maxlen=kept)
        self._last = 0
        self.told: Counter[str] = Counter()
        self._most = readers
        self._beat_s = beat_s
        self._closed = False
        self._waiting: set[asyncio.Event] = set()

    @property
    def last(self) -> str:
        """The id of the last event; whoever names it is given what comes from here on."""
        return f"{self.run}-{self._last}"

    def put(self, kind: str, values: Any, to: str | None = None) -> None:
        """Tell *values*, plain JSON values, under the name *kind*: to everybody, or to those who follow *to*."""
        self._last += 1
        self.told[kind] += 1
        # In ASCII, JSON has no line end of its own, not even one of those that some readers take for one (U+2028).
        text = json.dumps(values, separators=(",", ":"))
        told = f"id: {self.run}-{self._last}\nevent: {kind}\ndata: {text}\n\n"
        self._events.append((self._last, told, to))
        self._wake()

    def close(self) -> None:
        """End it for everybody; they come again by themselves."""
        self._closed = True
        self._wake()

    def _wake(self) -> None:
        for one in self._waiting:
            one.set()

    @property
    def _oldest(self) -> int:
        return self._events[0][0] if self._events else self._last + 1

    def _place(self, last_id: str | None) -> int | None:
        """The number of the last event that a reader has; None where that is not known here."""
        if last_id is None or last_id == "":
            return self._last
        found = _ID.fullmatch(last_id)
        if found is None or found[1] != self.run:
            return None
        number = int(found[2])
        return number if number <= self._last else None

    def _gone(self, last_id: str | None) -> str:
        values = {
            "last": last_id if last_id is None or _ID.fullmatch(last_id) else None,
            "text": "What came meanwhile is no longer here; ask for the lists again.",
        }
        text = json.dumps(values, separators=(",", ":"))
        return f"id: {self.run}-{self._last}\nevent: gone\ndata: {text}\n\n"

    def is_full(self) -> bool:
        """Whether as many are reading as may."""
        return len(self._waiting) >= self._most

    async def read(
        self,
        last_id: str | None,
        still: Callable[[], bool] = lambda: True,
        of: Collection[str] = (),
    ) -> AsyncGenerator[str]:
        """The events after *last_id*, as they come.

        Args:
            last_id: of the last event that the reader has; None or "": only what comes from now on.
            still: whether the reader may go on; asked whenever something is sent.
            of: what is told to some readers only, and to this one.
        """
        woken = asyncio.Event()
        self._waiting.add(woken)
        try:
            # Before anything is sent: what comes while the reader takes it is not to be lost.
            at = self._place(last_id)
            yield f"retry: {RETRY_MS}\n\n"
            while not self._closed and still():
                if at is None or at < self._oldest - 1:
                    told = self._gone(last_id)
                    at = self._last
                    yield told
                elif at < self._last:
                    skip = at + 1 - self._oldest
                    # A few at a time, so that nothing is copied that is gone before it is read.
                    chunk = [self._events[i] for i in self._span(skip)]
                    at = chunk[-1][0]
                    mine = [text for _, text, to in chunk if to is None or to in of]
                    if mine:
                        yield "".join(mine)
                else:
                    woken.clear()
                    try:
                        async with asyncio.timeout(self._beat_s):
                            await woken.wait()
                    except TimeoutError:
                        yield ": still here\n\n"
        finally:
            self._waiting.discard(woken)

    def _span(self, skip: int) -> range:
        return range(skip, min(skip + 100, len(self._events)))
