"""What is to happen when: the one clock of a simulated railway."""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from itertools import count

from monitor.core.moments import Moment


class Agenda:
    """Actions in order of their moments; of one moment, in the order in which they were entered.

    Args:
        begin: the moment at which it stands first.
    """

    def __init__(self, begin: Moment) -> None:
        self.now = begin
        self._waiting: list[tuple[Moment, int, Callable[[], None]]] = []
        self._number = count()

    def at(self, moment: Moment, action: Callable[[], None]) -> None:
        """Do *action* at *moment*, or now where that is past."""
        heappush(self._waiting, (max(moment, self.now), next(self._number), action))

    def step(self, until: Moment) -> bool:
        """Do the next action that is due by *until*; False where there is none, and the clock then stands at *until*."""
        if not self._waiting or self._waiting[0][0] > until:
            self.now = until
            return False
        self.now, _, action = heappop(self._waiting)
        action()
        return True
