"""How long a source is usually silent, by hour and kind of day, where no heartbeat says so.

A source that sends a heartbeat is judged by it.
Any other is silent whenever nothing happens, for hours at night; only its own past says what is too long.
So the gaps between its events are gathered over a fortnight, by the local hour in which they began and by whether that was a working day, and a silence three times as long as the longest but one in a thousand of them is too long.
Before a fortnight has been seen nobody can tell, and nothing is concluded.

Where too few gaps began in an hour to say so, all of that kind of day are taken together; and a silence that goes on at midnight counts with the length it has by then.

A gap that was judged too long is no usual one and teaches nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from heapq import heappush, heappushpop
from itertools import chain
from typing import Any
from zoneinfo import ZoneInfo

from monitor.core.moments import (
    DAY,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    midnight_before,
)

DAYS = 14
"""A fortnight: the shortest time in which every kind of day comes twice."""

TIMES = 3
"""Too long is so many times as long as the usual longest."""

IN = 1000
"""The usual longest is what all but one in so many gaps do not exceed."""

KEPT = 16
"""Gaps kept of an hour, the longest: more than the one in a thousand that matter."""

ENOUGH = 20
"""Gaps that must have begun in an hour for it to be judged by itself."""

CELLS = 48
"""24 hours of a working day, then 24 of a Saturday or Sunday."""

Limits = dict[str, tuple[Duration | None, ...]]
"""By source, how long it may be silent from each hour on; None where nobody can tell."""


@dataclass(slots=True)
class _Hour:
    """The gaps that began in one hour: how many, and the longest of them, as a heap."""

    count: int = 0
    longest: list[Duration] = field(default_factory=list)

    def add(self, gap: Duration) -> None:
        self.count += 1
        if len(self.longest) < KEPT:
            heappush(self.longest, gap)
        elif gap > self.longest[0]:
            heappushpop(self.longest, gap)


@dataclass(slots=True)
class _Source:
    """One source: since when it is heard, and its gaps by day, the newest day last."""

    first: Moment
    days: deque[dict[int, _Hour]] = field(
        default_factory=lambda: deque([{}], maxlen=DAYS + 1)
    )


class Silences:
    """What is gathered of the gaps of every source.

    Args:
        zone: by whose hours.

    Example:
        >>> silences = Silences(ZoneInfo("UTC"))
        >>> for minute in range(0, 14 * 24 * 60, 10):
        ...     silences.hear("gw/1", minute * MINUTE, (minute + 10) * MINUTE)
        ...     if minute % 1440 == 1430:
        ...         silences.turn()
        >>> limits = read_silences(silences.learnt(14 * DAY))
        >>> limits["gw/1"][0] // MINUTE
        30
    """

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone
        self._sources: dict[str, _Source] = {}
        self._slot = (-1, 0)

    def hear(self, source: str, last: Moment, now: Moment) -> None:
        """*source* was heard at *now*, and before that at *last*."""
        memory = self._sources.get(source)
        if memory is None:
            memory = self._sources[source] = _Source(last)
        today = memory.days[-1]
        cell = self.cell(last)
        hour = today.get(cell)
        if hour is None:
            hour = today[cell] = _Hour()
        hour.add(now - last)

    def cell(self, moment: Moment) -> int:
        """Which of the hours *moment* falls into."""
        slot, cell = self._slot
        if moment // (15 * MINUTE) != slot:
            # Zones differ by quarters of an hour at the least.
            slot, cell = moment // (15 * MINUTE), cell_of(moment, self._zone)
            self._slot = slot, cell
        return cell

    def turn(self) -> None:
        """A day is over."""
        for memory in self._sources.values():
            memory.days.append({})

    def learnt(
        self, midnight: Moment, going_on: Mapping[str, Moment] | None = None
    ) -> dict[str, list[float | None]]:
        """By source, how long it may be silent from each hour on, in seconds: a part of the `learnt` record.

        Args:
            midnight: up to when.
            going_on: for sources that are silent now, and not judged so, when they were heard last.
        """
        going_on = going_on or {}
        found: dict[str, list[float | None]] = {}
        for source, memory in sorted(self._sources.items()):
            if midnight_before(memory.first) > midnight - DAYS * DAY:
                continue
            last = going_on.get(source)
            now = None if last is None else (self.cell(last), midnight - last)
            limits = [self._limit(memory, cell, now) for cell in range(CELLS)]
            found[source] = [
                None if one is None else round(one / SECOND, 3) for one in limits
            ]
        return found

    def _limit(
        self, memory: _Source, cell: int, now: tuple[int, Duration] | None
    ) -> Duration | None:
        hours = [day[cell] for day in memory.days if cell in day]
        if not hours:
            return None
        if sum(hour.count for hour in hours) < ENOUGH:
            first = cell - cell % 24
            kind = range(first, first + 24)
            hours = [day[one] for day in memory.days for one in kind if one in day]
        count = sum(hour.count for hour in hours)
        longest = sorted(chain.from_iterable(one.longest for one in hours))
        usual = longest[-min(count // IN + 1, len(longest))]
        if now is not None and now[0] == cell:
            usual = max(usual, now[1])
        return TIMES * usual


def cell_of(moment: Moment, zone: ZoneInfo) -> int:
    """The hour of the day in *zone*, 24 more on a Saturday or Sunday.

    Example:
        >>> from monitor.core.moments import HOUR
        >>> cell_of(0, ZoneInfo("UTC")), cell_of(2 * DAY + 5 * HOUR, ZoneInfo("UTC"))
        (0, 29)
    """
    local = as_datetime(moment).astimezone(zone)
    return local.hour + (24 if local.weekday() >= 5 else 0)


def read_silences(values: Any) -> Limits:
    """What a `learnt` record says of silences; what it says wrongly is left out."""
    if not isinstance(values, dict):
        return {}
    return {
        source: tuple(
            round(one * SECOND) if isinstance(one, int | float) and one > 0 else None
            for one in row
        )
        for source, row in values.items()
        if isinstance(row, list) and len(row) == CELLS
    }
