"""Is it getting worse: the trend of a handful of events, and of a fleet whose members differ.

A section has few disturbances, and Laplace's statistic is normal only for more; for few, its chance is worked out exactly: the sum of uniform times has the distribution of Irwin and Hall.

Sections differ in how often they are disturbed and in how long they were watched.
Thrown together they show a trend where there is none, as when the worst of them joined late.
So each is held against its own time, and only the departures are added up (Laplace combined; Kvaløy and Lindqvist 2003).

Positive is worse, as in `trend`.

References:
    Hall, P. (1927). The distribution of means for samples of size N drawn from a population in which the variate takes values between 0 and 1. Biometrika 19, 240-244.

    Kvaløy, J. T., and Lindqvist, B. H. (2003). A class of tests for renewal process versus monotonic and nonmonotonic trend in repairable systems data. In: Mathematical and Statistical Methods in Reliability, 401-414; and the same authors' tests for trend in more than one repairable system.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import comb, factorial, fsum, sqrt

from monitor.core.statistics.trend import laplace, upper_tail

EXACT_UP_TO = 20
"""So many events have an exact chance; for more the normal one differs in the third digit at most."""

LEAST = 4
"""With fewer events nothing is said of a trend."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Which way events go.

    Args:
        statistic: Laplace's, standard normal without a trend; positive where events lie late.
        chance: how often chance alone departs so far, either way.
        events: how many it rests on.
    """

    statistic: float
    chance: float
    events: int


def trend_of(times: Sequence[float], end: float) -> Trend | None:
    """The trend of events watched from 0 to *end*; None for fewer than `LEAST`.

    Raises:
        ValueError: *end* is not above nought, or a time lies outside.

    Example:
        >>> found = trend_of([10, 50, 70, 80, 90, 95], end=100)
        >>> round(found.statistic, 2), round(found.chance, 2)
        (1.34, 0.18)
    """
    if not end > 0 or any(not 0 <= time <= end for time in times):
        raise ValueError(f"expected times between 0 and {end}")
    if len(times) < LEAST:
        return None
    statistic = laplace(times, end)
    chance = min(1.0, 2 * late_chance([time / end for time in times]))
    return Trend(statistic=statistic, chance=chance, events=len(times))


def late_chance(shares: Sequence[float]) -> float:
    """How often as many uniform times have a sum as far from the middle as that of *shares* or farther, on the same side.

    Example:
        >>> round(late_chance([0.5, 0.9]), 4)
        0.18
    """
    number = len(shares)
    low = min(fsum(shares), number - fsum(shares))
    if number > EXACT_UP_TO:
        return upper_tail((number / 2 - low) / sqrt(number / 12))
    return _irwin_hall(number, max(low, 0.0))


def _irwin_hall(number: int, total: float) -> float:
    """P(the sum of *number* uniform values <= *total*), for a *total* of at most half of *number*."""
    terms = (
        (-1) ** k * comb(number, k) * (total - k) ** number
        for k in range(int(total) + 1)
    )
    return min(max(fsum(terms) / factorial(number), 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Watched:
    """Events of one of a fleet, within the time it was watched.

    Args:
        times: of its events.
        begin: from when it was watched.
        end: until when.
    """

    times: Sequence[float]
    begin: float
    end: float


def fleet_trend(fleet: Iterable[Watched]) -> Trend | None:
    """Whether events of a fleet come faster and faster, whatever its members are like and whenever each joined; None for fewer than `LEAST` events.

    Members without events say nothing; nor do those that were not watched.

    Example:
        Three that joined one after the other, each as steady as can be, and far from each other in how often:

        >>> fleet = [
        ...     Watched([10, 20], 0, 30),
        ...     Watched([31, 32, 33, 34, 35, 36, 37, 38, 39], 30, 40),
        ... ]
        >>> fleet_trend(fleet).statistic
        0.0
    """
    departures, weights, number = [], [], 0
    for one in fleet:
        if one.times and one.end > one.begin:
            middle = (one.begin + one.end) / 2
            departures += [time - middle for time in one.times]
            weights.append(len(one.times) * (one.end - one.begin) ** 2)
            number += len(one.times)
    if number < LEAST:
        return None
    statistic = fsum(departures) / sqrt(fsum(weights) / 12)
    chance = min(1.0, 2 * upper_tail(abs(statistic)))
    return Trend(statistic=statistic, chance=chance, events=number)
