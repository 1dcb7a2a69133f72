"""Two counts side by side: is one rate higher than another, and by how much at least.

What was counted in two periods, each with its own exposure, is compared under the condition of its total: given that, the second count is binomial, with no approximation (Przyborowski and Wilenski 1940).
So the interval of the ratio holds its word for a handful of events, and for none; it is conservative, which means that it is too wide rather than too narrow.
"Chance" here is twice the smaller tail, at most one; the other custom, of adding up all that is no likelier, gives a little less where exposures differ.

References:
    Przyborowski, J., and Wilenski, H. (1940). Homogeneity of results in testing samples from Poisson series. Biometrika 31, 313-323.

    Clopper, C. J., and Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the case of the binomial. Biometrika 26, 404-413.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from scipy.special import bdtr, betaincinv


@dataclass(frozen=True, slots=True)
class Counted:
    """What was counted in some exposure.

    Args:
        count: events.
        exposure: what they had to happen in: time, trains or axles; nought where nothing was watched.
    """

    count: int
    exposure: float

    def __post_init__(self) -> None:
        if self.count < 0 or not self.exposure >= 0:
            raise ValueError(
                f"expected nought or more, came {self.count} in {self.exposure}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """The rate of a second period over that of a first.

    Args:
        value: as counted; infinite where only the second has events, None where neither has.
        low: the lower end of its interval.
        high: the upper end; infinite where nothing was counted in the first.
        chance: how often two periods of one rate differ by so much, either way.
    """

    value: float | None
    low: float
    high: float
    chance: float


def compare(first: Counted, second: Counted, confidence: float = 0.95) -> Ratio | None:
    """How the rate of *second* stands to that of *first*; None where one of them was not watched.

    Raises:
        ValueError: *confidence* is not between 0 and 1.

    Example:
        Three in a month and twelve in the next is more than chance, and at least a little more; three and ten is not:

        >>> found = compare(Counted(3, 1.0), Counted(12, 1.0))
        >>> round(found.chance, 4), f"{found.value:.0f}, at least {found.low:.2f}"
        (0.0352, '4, at least 1.08')
        >>> round(compare(Counted(3, 1.0), Counted(10, 1.0)).chance, 4)
        0.0923
    """
    if not 0 < confidence < 1:
        raise ValueError(f"expected a confidence between 0 and 1, came {confidence}")
    if not (first.exposure > 0 and second.exposure > 0):
        return None
    count, total = second.count, first.count + second.count
    if total == 0:
        return Ratio(value=None, low=0.0, high=inf, chance=1.0)
    tail = (1 - confidence) / 2
    odds = first.exposure / second.exposure
    low = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    high = (
        1.0 if count == total else float(betaincinv(count + 1, total - count, 1 - tail))
    )
    return Ratio(
        value=count / first.count * odds if first.count else inf,
        low=_odds(low) * odds,
        high=_odds(high) * odds,
        chance=_chance(
            count, total, second.exposure / (first.exposure + second.exposure)
        ),
    )


def _odds(share: float) -> float:
    return inf if share >= 1 else share / (1 - share)


def _chance(count: int, total: int, share: float) -> float:
    at_most = float(bdtr(count, total, share))
    at_least = binomial_at_least(count, total, share)
    return min(1.0, 2 * min(at_most, at_least))


def binomial_at_least(count: int, total: int, share: float) -> float:
    """P(N >= *count*) where N is how many of *total* fall into a *share*.

    Example:
        >>> binomial_at_least(2, 2, 0.5)
        0.25
    """
    if count <= 0:
        return 1.0
    if count > total:
        return 0.0
    # Of the other side, so that a small tail keeps its digits.
    return float(bdtr(total - count, total, 1 - share))
