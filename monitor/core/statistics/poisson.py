"""How far a handful of counts can be trusted: Poisson limits, clusters by chance, rates drawn towards the line's.

Disturbances of one section are few, so every number made of them has a wide margin, and the widest is hidden in the smallest: three in a day looks like a fault, and on a thousand sections it happens by chance.
Here is what is needed to say so:

- `limits`: between what bounds the true mean lies, given a count (Garwood 1936, exact);
- `cluster_chance` and `cluster_rate`: how often *k* events fall within a window that slides over the record, if events come singly (scan statistic, approximation of Naus 1982);
- `Gamma` and `line_prior`: the rate of one section, drawn towards that of its line as far as its own record is short (gamma-Poisson empirical Bayes; Hauer, Harwood, Council and Griffith 2002).

Everything is `math` alone: a monitor that has to be lean does not load a library of distributions for these sums.
Rates and windows may be in any unit of time, as long as it is one unit.

References:
    Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28, 437-442.

    Naus, J. I. (1982). Approximations for distributions of scan statistics. Journal of the American Statistical Association 77, 177-183.

    Hauer, E., Harwood, D. W., Council, F. M., Griffith, M. S. (2002). Estimating safety by the empirical Bayes method: a tutorial. Transportation Research Record 1784, 126-131.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import exp, expm1, inf, lgamma, log, log1p, sqrt

_NEGLIGIBLE = 1e-17
"""A term this much smaller than the sum it would join changes no digit of it."""


def chance_of(count: int, mean: float) -> float:
    """P(N = *count*) where N is Poisson with *mean*.

    Example:
        >>> round(chance_of(2, 1.0), 6)
        0.18394
    """
    if count < 0:
        return 0.0
    if mean == 0:
        return 1.0 if count == 0 else 0.0
    return exp(count * log(mean) - mean - lgamma(count + 1))


def at_most(count: int, mean: float) -> float:
    """P(N <= *count*) where N is Poisson with *mean*; exact in both tails."""
    if count < 0:
        return 0.0
    if mean > count:
        return _downwards(count, mean)
    return 1.0 - _upwards(count + 1, mean)


def at_least(count: int, mean: float) -> float:
    """P(N >= *count*) where N is Poisson with *mean*; exact in both tails.

    Example:
        >>> round(at_least(6, 1.0), 6)
        0.000594
    """
    if count <= 0:
        return 1.0
    if count == 1:
        return -expm1(-mean)
    if mean > count - 1:
        return 1.0 - _downwards(count - 1, mean)
    return _upwards(count, mean)


def _downwards(count: int, mean: float) -> float:
    term = total = chance_of(count, mean)
    for number in range(count, 0, -1):
        term *= number / mean
        total += term
        if term < total * _NEGLIGIBLE:
            break
    return min(total, 1.0)


def _upwards(count: int, mean: float) -> float:
    term = total = chance_of(count, mean)
    number = count
    while term > total * _NEGLIGIBLE:
        number += 1
        term *= mean / number
        total += term
    return min(total, 1.0)


@lru_cache(maxsize=4096)
def limits(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided limits of the mean behind *count* (Garwood).

    Divide by the exposure for limits of a rate.
    A count of nought has the lower limit nought: nothing seen is not nothing there.

    Args:
        count: what was counted, not negative.
        confidence: between 0 and 1; half of the rest is left at either side.

    Raises:
        ValueError: *count* is negative or *confidence* is not between 0 and 1.

    Example:
        >>> lower, upper = limits(3)
        >>> f"{lower:.4f} to {upper:.4f}"
        '0.6187 to 8.7673'
    """
    if count < 0:
        raise ValueError(f"expected a count of nought or more, came {count}")
    if not 0 < confidence < 1:
        raise ValueError(f"expected a confidence between 0 and 1, came {confidence}")
    tail = (1 - confidence) / 2
    lower = 0.0 if count == 0 else _mean_where(lambda m: at_least(count, m) - tail)
    upper = _mean_where(lambda m: tail - at_most(count, m))
    return lower, upper


def _mean_where(rising: Callable[[float], float]) -> float:
    """The mean at which *rising* passes nought, to the last digit: halving cannot fail to converge."""
    low, high = 0.0, 1.0
    while rising(high) < 0:
        low, high = high, high * 2
    while True:
        middle = (low + high) / 2
        if middle in (low, high):
            return middle
        if rising(middle) < 0:
            low = middle
        else:
            high = middle


def cluster_chance(count: int, rate: float, window: float, span: float) -> float:
    """How likely it is that, somewhere in *span*, *count* or more fall within one *window*, by chance alone.

    The window slides: it may begin at any moment.
    Counting fixed windows instead, day by day, understates this, easily threefold.
    "By chance" means a Poisson process: events that come singly, at a steady rate.
    Naus's approximation, good to a few per cent of itself where the chance is small and to about one per cent in the middle; exact for a *count* of 1, and for a *span* of one window.

    Args:
        count: how many make a cluster.
        rate: events per unit of time.
        window: how long a cluster may take.
        span: how long was watched.

    Raises:
        ValueError: *window* is not positive, or *rate* or *span* is negative.

    Example:
        Three disturbances within a day, in a year, on a section with twelve a year:

        >>> round(cluster_chance(3, 12 / 365, 1, 365), 5)
        0.00618
    """
    _check(rate, window)
    if span < 0:
        raise ValueError(f"expected a span of nought or more, came {span}")
    if span <= window or count <= 0:
        return at_least(count, rate * span)
    if count == 1 or rate == 0:
        return -expm1(-rate * span) if count == 1 else 0.0
    return -expm1(_log_none(count, rate * window, span / window))


def _log_none(count: int, mean: float, windows: float) -> float:
    """The logarithm of the chance that *windows*, more than one, hold no cluster."""
    one = at_least(count, mean)
    two, three = _missed(count, mean)
    if max(one, two, three) >= 1:
        return -inf
    if windows < 2:
        # Between one window and two, both known, straight in the logarithm.
        step = log1p(-two) - log1p(-one)
        return log1p(-one) + (windows - 1) * min(step, 0.0)
    step = log1p(-three) - log1p(-two)
    return log1p(-two) + (windows - 2) * min(step, 0.0)


def cluster_rate(count: int, rate: float, window: float) -> float:
    """How many clusters of *count* within *window* come by chance per unit of time, in the long run.

    Overlapping windows over the same events are one cluster.
    Rates of several sections add up to that of "somewhere on all that are watched"; one over the sum is how long it takes, on average, until one comes.
    Infinite where clusters merge, so that no time is without one.

    Raises:
        ValueError: *window* is not positive, or *rate* is negative.

    Example:
        On 900 sections with twelve disturbances a year each, three within a day come by chance

        >>> print(f"{900 * cluster_rate(3, 12, 1 / 365):.1f} times a year")
        5.6 times a year
    """
    _check(rate, window)
    if count <= 0:
        return inf
    if count == 1 or rate == 0:
        return rate
    two, three = _missed(count, rate * window)
    if two >= 1 or three >= 1:
        return inf
    return max(log1p(-two) - log1p(-three), 0.0) / window


def _check(rate: float, window: float) -> None:
    if not window > 0:
        raise ValueError(f"expected a window longer than nought, came {window}")
    if not rate >= 0:
        raise ValueError(f"expected a rate of nought or more, came {rate}")


def _missed(k: int, mean: float) -> tuple[float, float]:
    """Naus's 1 - Q2 and 1 - Q3: the chance of a cluster within two and within three windows.

    Written for what is left over rather than for Q2 and Q3 themselves, which lie so near to one that subtracting them from it would leave no digits.
    The names Q2, Q3, A1 to A4 are the paper's; F and p are distribution and probabilities of one window's count.
    """
    p = [chance_of(number, mean) for number in range(2 * k)]
    sums = [0.0] * 5  # F of negative numbers: nought
    for probability in p[:k]:
        sums.append(sums[-1] + probability)

    def F(number: int) -> float:  # noqa: N802 - the paper's name
        return sums[number + 5]

    tail = at_least(k, mean)
    f = 1 - tail
    pk = p[k]
    two = tail * (1 + f) + (k - 1) * pk * p[k - 2] + (k - 1 - mean) * pk * F(k - 3)
    a1 = 2 * pk * f * ((k - 1) * F(k - 2) - mean * F(k - 3))
    a2 = (pk * pk / 2) * (
        (k - 1) * (k - 2) * F(k - 3)
        - 2 * (k - 2) * mean * F(k - 4)
        + mean * mean * F(k - 5)
    )
    a3 = sum(p[2 * k - r] * F(r - 1) ** 2 for r in range(1, k))
    a4 = sum(
        p[2 * k - r] * p[r] * ((r - 1) * F(r - 2) - mean * F(r - 3))
        for r in range(2, k)
    )
    three = tail * (1 + f + f * f) + a1 - a2 - a3 + a4
    return two, three


@dataclass(frozen=True, slots=True)
class Gamma:
    """What is believed of a rate: a gamma distribution.

    Reads as a record: as if *shape* events had been counted in a time of *exposure*.

    Args:
        shape: events; above nought.
        exposure: the time they took; above nought.
    """

    shape: float
    exposure: float

    @property
    def mean(self) -> float:
        """The rate to expect, events per unit of time."""
        return self.shape / self.exposure

    @property
    def deviation(self) -> float:
        """The standard deviation of the rate."""
        return sqrt(self.shape) / self.exposure

    def after(self, count: float, exposure: float) -> Gamma:
        """The belief once *count* more were counted in *exposure*.

        Its mean lies between the mean before and *count* / *exposure*, nearer to the latter the longer the *exposure*.

        Example:
            A section never disturbed in its first month is not expected to stay so for ever, where its line has two a year:

            >>> line = Gamma(shape=1.0, exposure=0.5)
            >>> round(line.after(0, 1 / 12).mean, 2)
            1.71
        """
        return Gamma(self.shape + count, self.exposure + exposure)


def line_prior(
    records: Iterable[tuple[float, float]], unlike: float = 0.0
) -> Gamma | None:
    """What a line's sections tell of a section of which nothing is known yet, by the method of moments.

    The mean is the line's: all counts over all exposure.
    The spread between sections is what is left of the weighted spread of their rates once the part that Poisson counting alone makes is taken off.
    Where nothing is left the sections cannot be told apart, and the prior weighs as much as the whole line's record.
    A line without a single event is taken to have had half of one (Jeffreys), so that a first one does not count as impossible.

    Args:
        records: for each section, its count and its exposure; one without exposure says nothing.
        unlike: by how many standard deviations of what counting makes of their spread sections are taken to be less alike than they look; for the ends of a range, so that none is told too surely because some look alike by chance.

    Returns:
        The prior, or None where no section has any exposure.

    Example:
        >>> prior = line_prior([(0, 1.0), (1, 1.0), (0, 1.0), (9, 1.0)])
        >>> prior.mean
        2.5
        >>> round(prior.after(0, 1.0).mean, 2), round(prior.after(9, 1.0).mean, 2)
        (0.33, 8.14)
    """
    sections = [(count, exposure) for count, exposure in records if exposure > 0]
    if not sections:
        return None
    total = sum(count for count, _ in sections)
    exposure = sum(time for _, time in sections)
    if total == 0 and not unlike:
        return Gamma(0.5, exposure)
    mean = max(total, 0.5) / exposure
    spread = sum(time * (count / time - mean) ** 2 for count, time in sections)
    by_counting = (len(sections) - 1) * mean
    shared = exposure - sum(time * time for _, time in sections) / exposure
    if unlike:
        # Of a Poisson count with mean m t the square of its departure, over t, has the variance 2 m m + m / t.
        by_chance = sum(2 * mean * mean + mean / time for _, time in sections)
        by_counting -= unlike * sqrt(by_chance)
        if shared <= 0:
            # One alone says nothing of how others differ: as likely as not by its own rate.
            return Gamma(1.0, 1 / mean)
    between = (spread - by_counting) / shared if shared > 0 else 0.0
    if between * exposure <= mean:
        return Gamma(total, exposure)
    return Gamma(mean * mean / between, mean / between)
