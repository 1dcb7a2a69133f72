"""How the rates of a large fleet are spread: without supposing a shape.

A gamma distribution (`poisson.line_prior`) is what a small fleet lets one know.
Where a few sections are far worse than all others it draws those too far down, and then a visit at which nothing was done seems to have made them worse.
So a large fleet's spread is found as it is: weights on a grid of rates under which what was counted is likeliest (Laird 1978, by the steps of Dempster, Laird and Rubin 1977).
What is then believed of one section has a mean and a variance, and is told as the gamma distribution with these.

References:
    Laird, N. (1978). Nonparametric maximum likelihood estimation of a mixing distribution. Journal of the American Statistical Association 73, 805-811.

    Dempster, A. P., Laird, N. M., Rubin, D. B. (1977). Maximum likelihood from incomplete data via the EM algorithm. Journal of the Royal Statistical Society B 39, 1-38.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from math import exp, fsum, log
from typing import Protocol

from monitor.core.statistics.poisson import Gamma, line_prior

LARGE = 200
"""From so many sections on that were watched, their spread is taken as it is; `python -m tests.bench.visits` shows what either way does."""

POINTS = 40
STEPS = 200
"""Enough for what is concluded to stand still in its third digit; going on for ever would make a few sharp rates of a smooth spread."""

STEP = 0.02
"""Exposures that differ by less are taken together."""


class Prior(Protocol):
    """What a fleet tells of one of which nothing is known."""

    def after(self, count: float, exposure: float) -> Gamma:
        """What is believed of one's rate once *count* were counted in *exposure*."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Rates, and what part of a fleet has each.

    Args:
        rates: rising, events per unit of exposure.
        weights: adding up to one.
    """

    rates: tuple[float, ...]
    weights: tuple[float, ...]

    def after(self, count: float, exposure: float) -> Gamma:
        """What is believed of one's rate once *count* were counted in *exposure*.

        Example:
            Half of a fleet has one a year and half has nine; who has had eight in a year is of the latter, nearly for sure:

            >>> belief = Spread((1.0, 9.0), (0.5, 0.5)).after(8, 1.0)
            >>> round(belief.mean, 2), round(belief.deviation, 2)
            (9.0, 0.07)
        """
        parts = _parts(self.rates, self.weights, count, exposure)
        mean = fsum(p * rate for p, rate in zip(parts, self.rates, strict=True))
        square = fsum(
            p * (rate - mean) ** 2 for p, rate in zip(parts, self.rates, strict=True)
        )
        # Never surer than one in a thousand: a grid knows no more.
        variance = max(square, (0.001 * mean) ** 2)
        return Gamma(mean**2 / variance, mean / variance)


def _parts(
    rates: tuple[float, ...], weights: tuple[float, ...], count: float, exposure: float
) -> list[float]:
    """How likely it is that a count is of each rate."""
    logs = [
        (count * log(rate) - rate * exposure + log(weight)) if weight > 0 else None
        for rate, weight in zip(rates, weights, strict=True)
    ]
    highest = max(one for one in logs if one is not None)
    parts = [0.0 if one is None else exp(one - highest) for one in logs]
    total = fsum(parts)
    return [one / total for one in parts]


def prior_of(records: Iterable[tuple[int, float]]) -> Prior | None:
    """What a fleet tells of one of which nothing is known: as it is spread where it is large, else a gamma distribution.

    Args:
        records: for each, its count and its exposure; one without exposure says nothing.

    Returns:
        The prior, or None where nothing was watched.
    """
    watched = [(count, exposure) for count, exposure in records if exposure > 0]
    if len(watched) < LARGE or not any(count for count, _ in watched):
        return line_prior(watched)
    return spread(watched)


def spread(records: Iterable[tuple[int, float]]) -> Spread:
    """How the rates of *records* are spread.

    Args:
        records: for each, its count and its exposure, above nought; one at least with a count.

    Example:
        >>> found = spread([(1, 1.0)] * 100 + [(30, 1.0)] * 100)
        >>> low = sum(w for r, w in zip(found.rates, found.weights) if r < 10)
        >>> round(low, 2)
        0.5
    """
    cells = Counter((count, round(log(exposure) / STEP)) for count, exposure in records)
    known = [(count, exp(step * STEP), many) for (count, step), many in cells.items()]
    longest = max(exposure for _, exposure, _ in known)
    highest = max(max(count, 3) / exposure for count, exposure, _ in known)
    low, high = log(0.05 / longest), log(1.5 * highest)
    rates = tuple(exp(low + (high - low) * at / (POINTS - 1)) for at in range(POINTS))
    weights = tuple(1 / POINTS for _ in rates)
    flat = [
        _parts(rates, weights, count, exposure) for count, exposure, _ in known
    ]  # what each count makes of each rate, before anything is known of the fleet
    total = sum(many for _, _, many in known)
    for _ in range(STEPS):
        sums = [0.0] * POINTS
        for likely, (_, _, many) in zip(flat, known, strict=True):
            whole = fsum(a * b for a, b in zip(likely, weights, strict=True))
            for at, (a, b) in enumerate(zip(likely, weights, strict=True)):
                sums[at] += many * a * b / whole
        weights = tuple(one / total for one in sums)
    return Spread(rates, weights)
