"""The seasons of a period: whether more comes in some than trains explain, and in how many of the years.

A bad quarter is no season: what is called one came in more than half of the years that were seen.
Of a period in which one of the four was hardly observed nothing is told.
Seasons are quarters of whole months, as weather services have them, and named by these, since winter is not in December everywhere.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.core.statistics.ranking import more_in_parts
from monitor.planner.figures import MANY, Season, SeasonYear
from monitor.planner.seen import Numbers
from monitor.planner.words import NAMED

NAMES = ("Dec to Feb", "Mar to May", "Jun to Aug", "Sep to Nov")

LEAST_D = 45
"""Days of each that must have been observed, in all years together: half of it (a convention of ours)."""

TOO_LITTLE = "too little of the year seen"


@dataclass(frozen=True, slots=True)
class Calendar:
    """Which season each month of a period is in.

    Args:
        season: by month, from nought on.
        year: by month, the year that the season ends in.
    """

    season: tuple[int, ...]
    year: tuple[int, ...]

    @classmethod
    def of(cls, months: Sequence[str]) -> Calendar:
        """That of *months*, such as `2026-05`.

        Example:
            >>> Calendar.of(["2025-11", "2025-12", "2026-01", "2026-03"])
            Calendar(season=(3, 0, 0, 1), year=(2025, 2026, 2026, 2026))
        """
        pairs = [tuple(map(int, one.split("-"))) for one in months]
        return cls(
            tuple(month % 12 // 3 for _, month in pairs),
            tuple(year + (month == 12) for year, month in pairs),
        )

    def sums(self, by_month: Numbers) -> Numbers:
        """Numbers by row and season, of those by row and month."""
        found = np.zeros((len(by_month), len(NAMES)), by_month.dtype)
        for at, season in enumerate(self.season):
            found[:, season] += by_month[:, at]
        return found


def seasons_of(
    months: Sequence[str],
    disturbances: Sequence[int],
    occasions: Sequence[int],
    trains: Sequence[int],
    days: Sequence[float],
) -> tuple[Season, ...]:
    """The seasons of a line; () where too little of the year was seen.

    Args:
        months: of the period.
        disturbances: in each.
        occasions: likewise.
        trains: likewise.
        days: observed of each.
    """
    calendar = Calendar.of(months)
    years: dict[tuple[int, int], list[int]] = {}
    for at in range(len(months)):
        key = calendar.season[at], calendar.year[at]
        years.setdefault(key, []).append(at)
    found = []
    for number, name in enumerate(NAMES):
        each = tuple(
            SeasonYear(
                year=year,
                disturbances=sum(disturbances[at] for at in mine),
                occasions=sum(occasions[at] for at in mine),
                trains=sum(trains[at] for at in mine),
                days=sum(days[at] for at in mine),
            )
            for (season, year), mine in sorted(years.items())
            if season == number
        )
        if sum(one.days for one in each) < LEAST_D:
            return ()
        found.append(Season(name=name, years=each))
    return tuple(found)


def more_in_seasons(
    months: Sequence[str], counts: Numbers, trains: Numbers
) -> list[str]:
    """For each row, the seasons in which more came than its trains explain, in words.

    Args:
        months: of the period.
        counts: occasions by row and month.
        trains: likewise.
    """
    calendar = Calendar.of(months)
    by_season, passed = calendar.sums(counts), calendar.sums(trains)
    chances = more_in_parts(by_season, passed.astype(np.float64))
    found: list[list[str]] = [[] for _ in counts]
    for row, season in np.argwhere(chances < NAMED / 2):
        total, number = int(counts[row].sum()), int(by_season[row, season])
        rate = total / max(int(passed[row].sum()), 1)
        if total < MANY or (passed[row] == 0).any():
            continue
        more, seen = _years(calendar, int(season), counts[row], trains[row], rate)
        if seen > 1 and more * 2 <= seen:
            continue
        told = (
            f"more in {more} of {seen} years" if seen > 1 else "seen in one year only"
        )
        found[row].append(
            f"{NAMES[season]}: {number} of {total}, "
            f"by its trains {passed[row, season] * rate:.1f}, {told}"
        )
    return ["; ".join(said) for said in found]


def _years(
    calendar: Calendar, season: int, counts: Numbers, trains: Numbers, rate: float
) -> tuple[int, int]:
    """In how many years more came in a season than trains explain, and in how many trains were seen in it."""
    came: Counter[int] = Counter()
    passed: Counter[int] = Counter()
    for at, (one, year) in enumerate(zip(calendar.season, calendar.year, strict=True)):
        if one == season:
            came[year] += int(counts[at])
            passed[year] += int(trains[at])
    seen = [year for year in passed if passed[year]]
    return sum(came[year] > passed[year] * rate for year in seen), len(seen)
