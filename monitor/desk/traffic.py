"""How many trains moved lately, and how many usually do at this hour: what tells a quiet railway from a dead feed.

Trains are those that the monitor numbered; one that was lost sight of and found again counts twice, so the number is said as about so many.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from statistics import quantiles

from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, Duration, Moment, as_datetime

LOOKED_BACK: Duration = 28 * DAY
ENOUGH = 5
"""So many like hours must have been watched before anything is called usual."""

SATURDAY = 5


@dataclass(slots=True)
class Traffic:
    """Trains that left a section lately.

    Args:
        zone: the line's.
        moved: when the last one did, or None.
    """

    zone: tzinfo
    moved: Moment | None = None
    _lately: deque[tuple[Moment, str]] = field(default_factory=deque)
    _hour: int | None = None
    _trains: set[str] = field(default_factory=set)
    _hours: deque[tuple[int, int]] = field(default_factory=deque)

    def told(self, facts: Iterable[Fact]) -> None:
        """What was so."""
        for fact in facts:
            if fact.kind == "occupation" and fact.ended is not None:
                for train in fact.values.get("trains", ()):
                    self._left(str(train), fact.ended)

    def _left(self, train: str, at: Moment) -> None:
        self.moved = at if self.moved is None else max(at, self.moved)
        self._lately.append((at, train))
        while self._lately and self._lately[0][0] < self.moved - HOUR:
            self._lately.popleft()
        hour = at // HOUR
        if self._hour is None:
            self._hour = hour
        if hour > self._hour:
            self._end_of_hour(hour)
        self._trains.add(train)

    def _end_of_hour(self, hour: int) -> None:
        """Hours without a train count as well; the first one was not watched whole."""
        if self._hour is not None:
            self._hours.append((self._hour, len(self._trains)))
            since = max(self._hour + 1, hour - LOOKED_BACK // HOUR)
            self._hours.extend((quiet, 0) for quiet in range(since, hour))
        while self._hours and self._hours[0][0] < hour - LOOKED_BACK // HOUR:
            self._hours.popleft()
        self._hour, self._trains = hour, set()

    def in_the_last_hour(self, now: Moment) -> int:
        """How many trains left a section in the hour before *now*."""
        return len({train for at, train in self._lately if now - HOUR < at <= now})

    def usual(self, now: Moment) -> tuple[int, int] | None:
        """From how many to how many trains in this hour, in eight of ten like days; None where too few were watched."""
        like = self._like(now // HOUR)
        counts = [
            count for hour, count in list(self._hours)[1:] if self._like(hour) == like
        ]
        if len(counts) < ENOUGH:
            return None
        tenths = quantiles(counts, n=10, method="inclusive")
        return round(tenths[0]), round(tenths[-1])

    def _like(self, hour: int) -> tuple[bool, int]:
        local = as_datetime(hour * HOUR).astimezone(self.zone)
        return local.weekday() >= SATURDAY, local.hour
