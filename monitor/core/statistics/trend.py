"""Is it rising, and how fast: trends of values and of events, told from chance.

Two questions that look alike and are not:

- does a *value* rise with time?
  `mann_kendall` counts the pairs that rise less those that fall, whatever the values are distributed like; `seasonal` does so within each season only, so that what comes round with the day makes no trend.
  `sen_line` draws the line: its slope is the median of the slopes of all pairs, which nearly a third of wild values does not carry away, and its interval is made of ranks of these slopes;
- do *events* come faster and faster?
  `laplace` asks whether they lie late in the time watched, and `lewis_robinson` divides that by how uneven the gaps are, because events that come in bursts lie early or late by accident more easily than events that come singly.
  `bursts` takes what lies close together for one.

Signs: everything here is positive where values rise, and where events come faster, which is worse.
A handbook prints the rule for Laplace's statistic the other way round; its own formula says as here.
Time watched may end at a moment chosen beforehand or at an event.
In the latter case the event that ends it is no evidence of where events lie and is left out (`laplace_at_event`); counting it makes a trend out of nothing.

Everything is `math` alone.

References:
    Mann, H. B. (1945). Nonparametric tests against trend. Econometrica 13, 245-259.

    Kendall, M. G. (1975). Rank correlation methods, 4th edition.

    Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau. Journal of the American Statistical Association 63, 1379-1389.

    Hirsch, R. M., Slack, J. R., and Smith, R. A. (1982). Techniques of trend analysis for monthly water quality data. Water Resources Research 18, 107-121.

    Lewis, P. A. W., and Robinson, D. W. (1974). Testing for a monotone trend in a modulated renewal process. In: Reliability and biometry, 163-182.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import erfc, fsum, sqrt

EXACT_UP_TO = 40
"""So many values without ties have an exact p; beyond, the normal one is within a tenth of it down to a hundredth, and on the careful side."""


def median(values: Sequence[float]) -> float:
    """The middle one of *values*, or the mean of the two in the middle.

    Raises:
        ValueError: there is none.
    """
    if not values:
        raise ValueError("expected one value or more, came none")
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return (ordered[middle - 1] + ordered[middle]) / 2


def upper_tail(z: float) -> float:
    """P(Z >= *z*) where Z is standard normal.

    Example:
        >>> round(upper_tail(1.959964), 6)
        0.025
    """
    return erfc(z / sqrt(2)) / 2


@lru_cache(maxsize=16)
def _normal_quantile(tail: float) -> float:
    """The z above which *tail* lies, to the last digit: halving cannot fail to converge."""
    low, high = -40.0, 40.0
    while True:
        middle = (low + high) / 2
        if middle in (low, high):
            return middle
        if upper_tail(middle) > tail:
            low = middle
        else:
            high = middle


# Values.


@dataclass(frozen=True, slots=True, kw_only=True)
class Kendall:
    """What the pairs of a series say.

    Args:
        s: pairs that rise less pairs that fall.
        variance: of `s` where there is no trend, ties taken into account.
        z: `s` in standard deviations, drawn towards nought by one (continuity); positive where it rises.
        p: how often chance alone departs this far from nought, either way.
    """

    s: int
    variance: float
    z: float
    p: float


def mann_kendall(values: Sequence[float]) -> Kendall:
    """Whether *values*, in order of time, rise or fall throughout.

    `p` is exact for up to `EXACT_UP_TO` values of which no two are alike, and normal with ties taken into account otherwise.

    Example:
        >>> found = mann_kendall([5, 6, 11, 8, 10])
        >>> found.s, round(found.p / 2, 4)
        (6, 0.1167)
    """
    number = len(values)
    s, ties = _score(values), _ties(values)
    if ties or number > EXACT_UP_TO:
        return _judge(s, _variance(number, ties))
    found = _judge(s, _variance(number, ties))
    exact = min(1.0, 2 * _exact_tail(number)[abs(s)]) if s else 1.0
    return Kendall(s=s, variance=found.variance, z=found.z, p=exact)


def seasonal(seasons: Iterable[Sequence[float]]) -> Kendall:
    """Whether values rise or fall throughout, each compared with those of its own season only.

    Seasons are taken to be independent of one another, and `p` is normal.

    Args:
        seasons: for each season, its values in order of time.

    Example:
        Warm afternoons and cold nights that come round alike make no trend:

        >>> seasonal([(20, 20, 20), (5, 5, 5)]).s
        0
    """
    s, variance = 0, 0.0
    for values in seasons:
        s += _score(values)
        variance += _variance(len(values), _ties(values))
    return _judge(s, variance)


def _score(values: Sequence[float]) -> int:
    """Pairs that rise less pairs that fall, by insertion: far fewer steps than there are pairs."""
    before: list[float] = []
    score = 0
    for value in values:
        low = bisect_left(before, value)
        score += low - (len(before) - bisect_right(before, value, low))
        before.insert(low, value)
    return score


def _ties(values: Sequence[float]) -> tuple[int, ...]:
    counts = Counter(values)
    if len(counts) == len(values):
        return ()
    return tuple(count for count in counts.values() if count > 1)


def _variance(number: int, *ties: Iterable[int]) -> float:
    def part(n: int) -> int:
        return n * (n - 1) * (2 * n + 5)

    return (part(number) - sum(part(tie) for group in ties for tie in group)) / 18


def _judge(s: int, variance: float) -> Kendall:
    if s == 0 or variance <= 0:
        return Kendall(s=s, variance=variance, z=0.0, p=1.0)
    z = (s - 1 if s > 0 else s + 1) / sqrt(variance)
    return Kendall(s=s, variance=variance, z=z, p=min(1.0, 2 * upper_tail(abs(z))))


@lru_cache(maxsize=EXACT_UP_TO + 1)
def _exact_tail(number: int) -> dict[int, float]:
    """P(S >= s) for each s that *number* values in random order can have.

    S is the number of pairs less twice the inversions; the share of orders with so many inversions is built up one value at a time.
    """
    share = [1.0]
    for size in range(2, number + 1):
        length = len(share) + size - 1
        share = [
            fsum(share[max(0, at - size + 1) : at + 1]) / size for at in range(length)
        ]
    pairs = number * (number - 1) // 2
    tail: dict[int, float] = {}
    gone = 0.0
    for inversions, one in enumerate(share):
        gone += one
        tail[pairs - 2 * inversions] = min(gone, 1.0)
    return tail


@dataclass(frozen=True, slots=True, kw_only=True)
class SenLine:
    """A line through values that a few wild ones do not carry away.

    Args:
        slope: the median of the slopes of all pairs.
        low: the lower end of the slope's interval.
        high: its upper end.
        intercept: the line's value at x = 0; it runs through the median of x and the median of y.
    """

    slope: float
    low: float
    high: float
    intercept: float

    def at(self, x: float) -> float:
        """The line's value at *x*."""
        return self.intercept + self.slope * x


def sen_line(
    x: Sequence[float], y: Sequence[float], confidence: float = 0.95
) -> SenLine:
    """The line of Theil and Sen through (*x*, *y*), with the rank interval of its slope.

    Args:
        x: in order.
        y: as many.
        confidence: of the interval, between 0 and 1.

    Raises:
        ValueError: fewer than two different *x*, or not as many *y*.

    Example:
        >>> line = sen_line([0, 1, 2, 3], [1, 3, 90, 7])
        >>> line.slope
        2.0
    """
    return sen_seasonal([(x, y)], confidence)


def sen_seasonal(
    seasons: Iterable[tuple[Sequence[float], Sequence[float]]], confidence: float = 0.95
) -> SenLine:
    """The same with slopes taken only within each season; the intercept is that of all points together.

    Args:
        seasons: for each season, its x in order and as many y.
        confidence: of the interval, between 0 and 1.

    Raises:
        ValueError: no season has two different x, or one has not as many y.
    """
    slopes: list[float] = []
    variance = 0.0
    xs: list[float] = []
    ys: list[float] = []
    for x, y in seasons:
        if len(x) != len(y):
            raise ValueError(f"expected as many y as x, came {len(y)} and {len(x)}")
        slopes += _slopes(x, y)
        variance += _variance(len(x), _ties(x), _ties(y))
        xs += x
        ys += y
    if not slopes:
        raise ValueError("expected two different x or more")
    slopes.sort()
    slope = median(slopes)
    low, high = _rank_interval(slopes, variance, confidence)
    intercept = median(ys) - slope * median(xs)
    return SenLine(slope=slope, low=low, high=high, intercept=intercept)


def _slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    return [
        (y[later] - y[one]) / (x[later] - x[one])
        for later in range(len(x))
        for one in range(later)
        if x[later] > x[one]
    ]


def _rank_interval(
    slopes: list[float], variance: float, confidence: float
) -> tuple[float, float]:
    if not 0 < confidence < 1:
        raise ValueError(f"expected a confidence between 0 and 1, came {confidence}")
    half = _normal_quantile((1 - confidence) / 2) * sqrt(max(variance, 0.0))
    low = max(round((len(slopes) - half) / 2) - 1, 0)
    high = min(round((len(slopes) + half) / 2), len(slopes) - 1)
    return slopes[low], slopes[high]


# Events.


def laplace(times: Sequence[float], end: float) -> float:
    """Whether events come faster and faster, watched from 0 to *end*, a moment chosen beforehand.

    Standard normal where events come singly at a steady rate, from about four events on; positive where they lie late, which is deterioration.

    Args:
        times: of the events, from 0 to *end*.
        end: how long was watched.

    Raises:
        ValueError: there is no event, or *end* is not above nought.

    Example:
        >>> round(laplace([10, 50, 70, 80, 90, 95], end=100), 2)
        1.34
    """
    number = len(times)
    if not number or not end > 0:
        raise ValueError(f"expected events and a time, came {number} and {end}")
    return (fsum(times) - number * end / 2) / (end * sqrt(number / 12))


def laplace_at_event(times: Sequence[float]) -> float:
    """The same where watching ended with the last of *times*, which is then no evidence.

    Raises:
        ValueError: there are fewer than two events.
    """
    return laplace(times[:-1], times[-1] if times else 0.0)


def unevenness(times: Sequence[float]) -> float:
    """The coefficient of variation of the gaps, the first from 0: one where events come singly, more where they come in bursts.

    Raises:
        ValueError: there are fewer than two events, or all lie at 0.
    """
    if len(times) < 2 or not times[-1] > 0:
        raise ValueError("expected two events or more after 0")
    gaps = [later - one for one, later in zip((0.0, *times), times, strict=False)]
    mean = times[-1] / len(gaps)
    return sqrt(fsum((gap - mean) ** 2 for gap in gaps) / (len(gaps) - 1)) / mean


def lewis_robinson(statistic: float, times: Sequence[float]) -> float:
    """Laplace's *statistic* over how uneven the gaps between *times* are: standard normal for bursts without a trend too.

    Raises:
        ValueError: as `unevenness`, or all gaps are alike.
    """
    uneven = unevenness(times)
    if uneven == 0:
        raise ValueError("expected gaps that differ")
    return statistic / uneven


def bursts(times: Sequence[float], gap: float) -> tuple[float, ...]:
    """When each burst began: events no more than *gap* after the one before belong to it.

    Example:
        >>> bursts([1, 2, 3, 9, 20, 22], gap=2)
        (1, 9, 20)
    """
    return tuple(
        time
        for index, time in enumerate(times)
        if index == 0 or time - times[index - 1] > gap
    )
