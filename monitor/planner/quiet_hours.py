"""The hours of the week in which trains are rarest, for whoever needs the track.

It is what was usual lately, and promises nothing: the track is taken by the local rules, with whoever controls the traffic.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from monitor.core.moments import DAY, HOUR, Moment, as_datetime
from monitor.history import HOURS, History

WEEK = 7 * HOURS
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
LOOKED_BACK = 28
"""Days: four of each."""

LENGTH = 3
"""Hours that work on one head takes with getting there and testing (common practice: half a night at most)."""

Hours = list[float]
"""Trains an hour, for each hour of the week from Monday 00:00 local time on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """A time of the week with few trains.

    Args:
        days: on which it is so.
        begin: hour of the day.
        end: likewise; of the next day where no later.
        trains: that worked through in it, on average, on each of its days.
    """

    days: tuple[str, ...]
    begin: int
    end: int
    trains: float

    @property
    def words(self) -> str:
        """As people read it.

        Example:
            >>> Quiet(days=("Sunday",), begin=1, end=4, trains=0.5).words
            'Sunday 01:00 to 04:00, 0.5 trains'
        """
        every = "every day" if len(self.days) == len(DAYS) else ", ".join(self.days)
        number = f"{self.trains:.1f}".removesuffix(".0")
        number = "no" if number == "0" else number
        noun = "train" if number == "1" else "trains"
        return f"{every} {self.begin:02}:00 to {self.end:02}:00, {number} {noun}"


def by_hour_of_week(
    history: History, now: Moment, zone: tzinfo, sections: Iterable[str]
) -> dict[str, Hours]:
    """Trains an hour over the last four weeks, for each of *sections* that had any."""
    wanted = {f"section/{name}": name for name in sections}
    end = now - now % DAY
    found: dict[str, Hours] = {}
    places: dict[Moment, int] = {}
    for subject, day, one in history.traffic(end - LOOKED_BACK * DAY, end):
        name = wanted.get(subject)
        if name is None:
            continue
        hours = found.setdefault(name, [0.0] * WEEK)
        for hour, trains in enumerate(one.trains):
            if trains:
                at = day + hour * HOUR
                if at not in places:
                    local = as_datetime(at).astimezone(zone)
                    places[at] = local.weekday() * HOURS + local.hour
                hours[places[at]] += trains * 7 / LOOKED_BACK
    return found


def rarest(
    by_section: Mapping[str, Hours], sections: Sequence[str], most: int = 3
) -> tuple[Quiet, ...]:
    """The times in which fewest trains work through any of *sections*, the rarest first; () where no train was seen.

    The same hours of several days are one where the trains are as rare.

    Args:
        by_section: trains by hour of the week.
        sections: that are worked on together.
        most: so many at most.
    """
    known = [by_section[name] for name in sections if name in by_section]
    if not known:
        return ()
    # Of sections in a row the busiest has all trains; adding them up would count each many times.
    hours = [max(one[at] for one in known) for at in range(WEEK)]
    sums = [sum(hours[(at + k) % WEEK] for k in range(LENGTH)) for at in range(WEEK)]
    best = [
        min(
            range(day * HOURS, (day + 1) * HOURS),
            key=lambda at: (round(sums[at], 6), at),
        )
        for day in range(len(DAYS))
    ]
    same: dict[tuple[int, float], list[int]] = {}
    for day, at in enumerate(best):
        same.setdefault((at % HOURS, round(sums[at], 1)), []).append(day)
    ordered = sorted(same.items(), key=lambda one: (one[0][1], -len(one[1]), one[1]))
    return tuple(
        Quiet(
            days=tuple(DAYS[day] for day in days),
            begin=hour,
            end=(hour + LENGTH) % HOURS,
            trains=trains,
        )
        for (hour, trains), days in ordered[:most]
    )
