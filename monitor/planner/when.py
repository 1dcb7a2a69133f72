"""When disturbances come: the hours of the day, the months and the seasons in which more occasions came than trains explain."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from monitor.core.statistics.ranking import more_in_parts
from monitor.history import HOURS
from monitor.planner.figures import MANY, Figures
from monitor.planner.seasons import more_in_seasons
from monitor.planner.seen import Numbers
from monitor.planner.sums import Sums
from monitor.planner.words import NAMED

_HOURS = tuple(f"{hour:02d} h" for hour in range(HOURS))


class When:
    """Says when occasions came, of many rows at once.

    Args:
        sums: what was seen.
        rows: that are asked about.
        seasons: whether enough of the year was seen to tell of these.
    """

    def __init__(self, sums: Sums, rows: Iterable[Figures], *, seasons: bool) -> None:
        self._sums = sums
        asked = [row for row in rows if row.occasions >= MANY]
        seen = sums.seen
        moments = [sums.occasions(row.sections) for row in asked]
        slots = [[seen.clock.at(at) for at in one] for one in moments]
        hours = _more(
            _HOURS,
            _counts([[hour for hour, _ in one] for one in slots], HOURS),
            self._trains(asked, seen.by_hour),
        )
        months = by_season = [""] * len(asked)
        within = seen.clock.months
        if len(within) > 1:
            at = [[month for _, month in one] for one in slots]
            counts = _counts(at, len(within))
            trains = self._trains(asked, seen.by_month)
            months = _more(within, counts, trains)
            if seasons:
                by_season = more_in_seasons(within, counts, trains)
        subjects = [row.subject for row in asked]
        self._hours = dict(zip(subjects, hours, strict=True))
        self._months = dict(zip(subjects, months, strict=True))
        self._seasons = dict(zip(subjects, by_season, strict=True))
        self._tells_seasons = seasons

    def hours(self, subject: str) -> str:
        """The hours of the day in which more came than by trains, in words, or ""."""
        return self._hours.get(subject, "")

    def months(self, subject: str) -> str:
        """Likewise the months."""
        return self._months.get(subject, "")

    def seasons(self, subject: str) -> str | None:
        """Likewise the seasons; None where too little of the year was seen."""
        return self._seasons.get(subject, "") if self._tells_seasons else None

    def _trains(self, rows: Sequence[Figures], by: Numbers) -> Numbers:
        place = self._sums.place
        found = np.zeros((len(rows), by.shape[1]), np.int64)
        for at, row in enumerate(rows):
            found[at] = by[[place[name] for name in row.sections]].sum(axis=0)
        return found


def _counts(slots: Sequence[Sequence[int]], width: int) -> Numbers:
    """How many of each row fall into each of *width* slots."""
    if not slots:
        return np.zeros((0, width), np.int64)
    rows = [np.bincount(np.array(one, np.int64), minlength=width) for one in slots]
    return np.stack(rows)


def _more(labels: Sequence[str], counts: Numbers, trains: Numbers) -> list[str]:
    """For each row, where there are more than *trains* explain, in words."""
    chances = more_in_parts(counts, trains.astype(np.float64))
    total = np.maximum(trains.sum(axis=1), 1)
    found: list[list[str]] = [[] for _ in counts]
    # Half of what is named elsewhere: hours and months are asked about.
    for row, place in np.argwhere(chances < NAMED / 2):
        number = int(counts[row].sum())
        by_trains = number * trains[row, place] / total[row]
        found[row].append(
            f"{labels[place]}: {counts[row, place]} of {number}, "
            f"by its trains {by_trains:.1f}"
        )
    return ["; ".join(said) for said in found]
