"""The hours of the week in which trains are rarest, for whoever needs the track.

It is what was counted lately, and promises nothing: the track is taken by the local rules, with whoever controls the traffic.
An hour in which nobody could have seen a train is no hour without trains: only hours that were watched whole are divided by, and those of which too few were are not known.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import NamedTuple

from monitor.core.moments import DAY, HOUR, Moment, as_datetime
from monitor.history import HOURS, History
from monitor.planner.seen import Section
from monitor.planner.spells import Spell, together, without

WEEK = 7 * HOURS
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
LOOKED_BACK = 28
"""Days: four of each."""

LEAST = 3
"""So many of the four must have been watched; else the hour is not known (a convention of ours)."""

_ALIKE = 0.02
"""Trains an hour by which hours may differ and be as rare: one train in two days."""

LENGTH = 3
"""Hours that work on one head takes with getting there and testing (common practice: half a night at most)."""

NO_LEAVE = "That is what was counted; it is no leave to go on the track: access by the local rules."
"""Stands wherever such hours do."""


@dataclass(slots=True)
class Hours:
    """The trains of a section by hour of the week, from Monday 00:00 local time on.

    Args:
        trains: that left it in each, in all weeks; also in an hour that was not watched whole.
        weeks: in how many it was watched whole.
    """

    trains: list[int] = field(default_factory=lambda: [0] * WEEK)
    weeks: list[int] = field(default_factory=lambda: [0] * WEEK)

    def usual(self, at: int) -> float | None:
        """Trains in that hour, on average; None where it was watched too seldom for that.

        Example:
            >>> (
            ...     Hours([6] * WEEK, [4] * WEEK).usual(0),
            ...     Hours([0] * WEEK, [2] * WEEK).usual(0),
            ... )
            (1.5, None)
        """
        return self.trains[at] / self.weeks[at] if self.weeks[at] >= LEAST else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """A time of the week with few trains.

    Args:
        days: on which it is so.
        begin: hour of the day.
        end: likewise; of the next day where no later.
        hours: how many that are.
        trains: that worked through in it, on average, on each of its days; of several sections added up.
        sections: so many.
        weeks: in which each of its hours was watched, at the least.
    """

    days: tuple[str, ...]
    begin: int
    end: int
    trains: float
    hours: int = LENGTH
    sections: int = 1
    weeks: int = 4

    @property
    def words(self) -> str:
        """As people read it.

        Example:
            >>> Quiet(days=("Sunday",), begin=1, end=4, trains=0.5).words
            'Sunday 01:00 to 04:00, 0.5 trains'
            >>> Quiet(days=("Sunday",), begin=1, end=4, trains=4.5, sections=3).words
            'Sunday 01:00 to 04:00, 4.5 passages through 3 sections'
            >>> Quiet(days=("Sunday",), begin=1, end=4, trains=0, weeks=3).words
            'Sunday 01:00 to 04:00, no train seen in 3 weeks'
            >>> Quiet(days=("Saturday",), begin=22, end=4, trains=0, hours=30).words
            'Saturday 22:00 to Monday 04:00, no train seen in 4 weeks'
        """
        every = "every day" if len(self.days) == len(DAYS) else ", ".join(self.days)
        when = f"{every} {self.begin:02}:00 to {self.end or HOURS:02}:00"
        if self.hours >= WEEK:
            when = "at any time of the week alike"
        elif self.hours >= HOURS:
            when = ", ".join(map(self._until, self.days))
        number = f"{self.trains:.1f}".removesuffix(".0")
        if number == "0":
            return f"{when}, no train seen in {self.weeks} weeks"
        noun = "train" if self.sections == 1 else "passage"
        noun += "" if number == "1" else "s"
        where = "" if self.sections == 1 else f" through {self.sections} sections"
        return f"{when}, {number} {noun}{where}"

    def _until(self, day: str) -> str:
        """A time of a day or more, from *day* on."""
        later, end = divmod(self.begin + self.hours, HOURS)
        if not end:
            later, end = later - 1, HOURS
        last = DAYS[(DAYS.index(day) + later) % len(DAYS)]
        return f"{day} {self.begin:02}:00 to {last} {end:02}:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rarest:
    """When trains are rarest where the track is needed.

    Args:
        times: the rarest first; () where that is not known of any.
        unknown: hours of the week that are not known.
        least: the section that was watched least, or "".
        heard: days of the last 28 on which trains could have been seen there.
    """

    times: tuple[Quiet, ...] = ()
    unknown: int = WEEK
    least: str = ""
    heard: float = 0.0

    @property
    def words(self) -> str:
        """As people read it.

        Example:
            >>> Rarest(least="T107", heard=2.0).words
            'not known yet: T107 was heard and available on 2 of the last 28 days'
        """
        if not self.times:
            return (
                f"not known yet: {self.least} was heard and available on {self.heard:.0f} "
                f"of the last {LOOKED_BACK} days"
            )
        told = "; ".join(one.words for one in self.times)
        if self.unknown:
            told += f"; {self.unknown} of the week's {WEEK} hours are not known"
        return told


def countable(section: Section) -> list[Spell]:
    """When a train through *section* would have been counted: not while it was not heard, not available, under work, or occupied with no train seen."""
    gone = together([*section.work, *section.failed, *section.no_train])
    return without(section.watched, gone)


def by_hour_of_week(
    history: History,
    now: Moment,
    zone: tzinfo,
    sections: Mapping[str, Sequence[Spell]],
) -> dict[str, Hours]:
    """Trains by hour of the week over the last four weeks.

    Args:
        history: of what was so.
        now: up to when anything is known.
        zone: of the line.
        sections: when each that is asked for was watched, so that its trains count.
    """
    end = now - now % DAY
    begin = end - LOOKED_BACK * DAY
    places = []
    for at in range(begin, end, HOUR):
        local = as_datetime(at).astimezone(zone)
        places.append(local.weekday() * HOURS + local.hour)
    found = {name: Hours() for name in sections}
    for name, spells in sections.items():
        for first, last in spells:
            # Hours that are watched whole: the one it begins in is not, nor the one it ends in.
            one = max(-(-(first - begin) // HOUR), 0)
            for at in range(one, min((last - begin) // HOUR, len(places))):
                found[name].weeks[places[at]] += 1
    wanted = {f"section/{name}": name for name in sections}
    for subject, day, counted in history.traffic(begin, end):
        name = wanted.get(subject, "")
        for hour, trains in enumerate(counted.trains if name else ()):
            found[name].trains[places[(day - begin) // HOUR + hour]] += trains
    return found


def rarest(
    by_section: Mapping[str, Hours], sections: Collection[str], most: int = 3
) -> Rarest:
    """The times in which fewest trains work through *sections*, the rarest first.

    The trains of all of them are added up: of parallel tracks all count, and of sections in a row a train counts in each, which errs to the side of too many.
    An hour that is not known of one of them is not known.
    On each day of the week it is the longest time, of `LENGTH` hours or more, in which trains are as rare an hour as in the rarest of that length: whoever has the track from one to four wants to know that it could be had from midnight to six.
    The same hours of several days are one where the trains are as rare.

    Args:
        by_section: trains by hour of the week.
        sections: that the access needs.
        most: so many times at most.
    """
    if not sections:
        return Rarest()
    found = {name: by_section.get(name, Hours()) for name in sections}
    every = list(found.values())
    least = min(found, key=lambda name: sum(found[name].weeks))
    hours = [_added(every, at) for at in range(WEEK)]
    weeks = [min(one.weeks[at] for one in every) for at in range(WEEK)]
    same: dict[_Run, list[int]] = {}
    taken: set[int] = set()
    for day in range(len(DAYS)):
        run = _rarest_of(hours, day)
        if run is None:
            continue
        at, length, trains = run
        # What goes on past midnight is told once, with the day on which it begins.
        if all(hour % WEEK in taken for hour in range(at, at + length)):
            continue
        taken.update(hour % WEEK for hour in range(at, at + length))
        key = _Run(round(trains / length, 1), at % HOURS, length, round(trains, 1))
        same.setdefault(key, []).append(at)
    ordered = sorted(
        same.items(),
        key=lambda one: (one[0].an_hour, -one[0].length, -len(one[1]), one[1]),
    )
    return Rarest(
        times=tuple(
            Quiet(
                days=tuple(DAYS[at // HOURS] for at in sorted(starts)),
                begin=run.begin,
                end=(run.begin + run.length) % HOURS,
                hours=run.length,
                trains=run.trains,
                sections=len(every),
                weeks=min(
                    weeks[(at + k) % WEEK] for at in starts for k in range(run.length)
                ),
            )
            for run, starts in ordered[:most]
        ),
        unknown=sum(one is None for one in hours),
        least=least,
        heard=sum(found[least].weeks) / HOURS,
    )


class _Run(NamedTuple):
    """Hours that follow one another, on any day: trains an hour, from which hour, how many hours, trains in them."""

    an_hour: float
    begin: int
    length: int
    trains: float


def _rarest_of(
    hours: Sequence[float | None], day: int
) -> tuple[int, int, float] | None:
    """The longest run of the rarest hours that has to do with a *day* of the week: its first hour of the week, how many hours, and the trains in them."""
    known = [
        (round(trains, 6), at)
        for at in range(day * HOURS, (day + 1) * HOURS)
        if (trains := _run(hours, at)) is not None
    ]
    if not known:
        return None
    fewest = min(trains for trains, _ in known)
    runs = [_longer(hours, at, fewest) for trains, at in known if trains == fewest]
    # A run belongs to the day on which it begins: else the night into a day would be told as the day before's, and its own never.
    return max(runs, key=lambda one: (one[1], -one[2], one[0] // HOURS == day, -one[0]))


def _longer(
    hours: Sequence[float | None], at: int, fewest: float
) -> tuple[int, int, float]:
    """The hours from *at* on, with those before and after them in which trains are as rare; on the side on which they are rarer first."""
    begin, end, trains = at, at + LENGTH, fewest
    as_rare = fewest / LENGTH + _ALIKE
    while end - begin < WEEK:
        sides = [
            (found, side)
            for side in (begin - 1, end)
            if (found := hours[side % WEEK]) is not None
        ]
        if not sides or min(sides)[0] > as_rare:
            break
        more, side = min(sides)
        trains += more
        begin, end = min(begin, side), max(end, side + 1)
    return begin % WEEK, end - begin, trains


def _added(every: Sequence[Hours], at: int) -> float | None:
    """The trains of all in one hour; None where they are not known of each."""
    total = 0.0
    for one in every:
        trains = one.usual(at)
        if trains is None:
            return None
        total += trains
    return total


def _run(hours: Sequence[float | None], at: int) -> float | None:
    """The trains in the hours from *at* on that work takes; None where one of them is not known."""
    total = 0.0
    for k in range(LENGTH):
        trains = hours[(at + k) % WEEK]
        if trains is None:
            return None
        total += trains
    return total
