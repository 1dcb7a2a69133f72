"""How often something may be written down that anybody may ask for, in a minute: by each page, and by all of them."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

MINUTE_S = 60.0


@dataclass(slots=True)
class Pace:
    """Counts what came within the last minute.

    Args:
        now: counts seconds.
        each: so many of one page in a minute.
        all: so many of all pages together; whoever makes up names for pages gets no further.

    Example:
        >>> pace = Pace(lambda: 0.0, each=1, all=2)
        >>> pace.take("a"), pace.take("a"), pace.take("b"), pace.take("c")
        (0.0, 60.0, 0.0, 60.0)
    """

    now: Callable[[], float]
    each: int
    all: int
    _came: deque[tuple[float, str]] = field(default_factory=deque)

    def take(self, page: str) -> float:
        """Count one more of *page*, where it may; gives 0, else in how many seconds it may be tried again."""
        now = self.now()
        # A clock that was set back must not keep pages waiting for long.
        while self._came and not now - MINUTE_S < self._came[0][0] <= now:
            self._came.popleft()
        own = [at for at, name in self._came if name == page]
        wait_s = 0.0
        if len(own) >= self.each:
            wait_s = own[-self.each] + MINUTE_S - now
        if len(self._came) >= self.all:
            wait_s = max(wait_s, self._came[0][0] + MINUTE_S - now)
        if wait_s > 0:
            return wait_s
        self._came.append((now, page))
        return 0.0
