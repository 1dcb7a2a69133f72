"""How the rates of a fleet are spread: for a large one without supposing a shape, and how sure that is.

A gamma distribution (`poisson.line_prior`) is what a small fleet lets one know.
Where a few sections are far worse than all others it draws those too far down, and then a visit at which nothing was done seems to have made them worse.
So a large fleet's spread is found as it is: weights on a grid of rates under which what was counted is likeliest (Laird 1978, by the steps of Dempster, Laird and Rubin 1977).
What is then believed of one section has a mean and a variance, and is told as the gamma distribution with these.

A fleet's spread is itself found from what was counted by chance.
How far that moves an expectation is seen by leaving out one part of the fleet after the other (the jackknife, Quenouille 1956).

References:
    Laird, N. (1978). Nonparametric maximum likelihood estimation of a mixing distribution. Journal of the American Statistical Association 73, 805-811.

    Dempster, A. P., Laird, N. M., Rubin, D. B. (1977). Maximum likelihood from incomplete data via the EM algorithm. Journal of the Royal Statistical Society B 39, 1-38.

    Quenouille, M. H. (1956). Notes on bias in estimation. Biometrika 43, 353-360.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp, inf, log

import numpy as np
import numpy.typing as npt

from monitor.core.statistics.poisson import Gamma, line_prior

LARGE = 200
"""From so many sections on that were watched, their spread is taken as it is; `python -m tests.bench.visits` shows what either way does."""

POINTS = 40
STEPS = 200
"""Enough for what is concluded to stand still in its third digit; going on for ever would make a few sharp rates of a smooth spread."""

STEP = 0.02
"""Exposures that differ by less are taken together."""

PARTS = 10
"""Into so many parts a fleet is divided, of which one after the other is left out."""

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spread:
    """Rates, and what part of a fleet has each.

    Args:
        rates: rising, events per unit of exposure.
        weights: adding up to one.
        number: of how many it was found; infinite where it is known.
    """

    rates: tuple[float, ...]
    weights: tuple[float, ...]
    number: float = inf

    def after(self, count: float, exposure: float) -> Gamma:
        """What is believed of one's rate once *count* were counted in *exposure*.

        Example:
            Half of a fleet has one a year and half has nine; who has had eight in a year is of the latter, nearly for sure:

            >>> belief = Spread((1.0, 9.0), (0.5, 0.5)).after(8, 1.0)
            >>> round(belief.mean, 2), round(belief.deviation, 2)
            (9.0, 0.07)
        """
        [belief] = self.after_each([(count, exposure)])
        return belief

    def after_each(self, records: Sequence[tuple[float, float]]) -> list[Gamma]:
        """The same of each of *records*, a count and an exposure: of many at once it takes less time."""
        rates, weights = np.array(self.rates), np.array(self.weights)
        counts, exposures = np.array(records, np.float64).reshape(-1, 2).T
        parts = _likely(rates, counts[:, None], exposures[:, None]) * weights
        parts /= parts.sum(axis=1, keepdims=True)
        means = (parts * rates).sum(axis=1)
        squares = (parts * (rates - means[:, None]) ** 2).sum(axis=1)
        # Never surer than one in a thousand: a grid knows no more.
        variances = np.maximum(squares, (0.001 * means) ** 2)
        # Nor surer than by the records of all that are like it, which may be its own alone.
        like_it = np.maximum(self.number * (parts * weights).sum(axis=1), 1.0)
        seen = exposures > 0
        alone = np.divide(
            means, like_it * exposures, where=seen, out=np.zeros(len(seen))
        )
        variances = np.maximum(variances, alone)
        return [
            Gamma(float(mean**2 / variance), float(mean / variance))
            for mean, variance in zip(means, variances, strict=True)
        ]


Prior = Gamma | Spread
"""What a fleet tells of one of which nothing is known."""


@dataclass(frozen=True, slots=True)
class Fleet:
    """What a fleet tells of one of which nothing is known, and how sure it is of that.

    Args:
        prior: by all of it.
        without: by all but one part of it, one part after the other.
    """

    prior: Prior
    without: tuple[Prior, ...] = ()

    def after(self, count: float, exposure: float) -> Gamma:
        """What is believed of one's rate once *count* were counted in *exposure*."""
        return self.prior.after(count, exposure)

    def means(self, count: float, exposure: float) -> tuple[float, ...]:
        """The mean of that belief without one part of the fleet after the other."""
        return tuple(one.after(count, exposure).mean for one in self.without)


def fleet_of(records: Iterable[tuple[int, float]]) -> Fleet | None:
    """What a fleet tells of one of which nothing is known: as it is spread where it is large, else a gamma distribution.

    Args:
        records: for each, its count and its exposure; one without exposure says nothing.

    Returns:
        It, or None where nothing was watched.

    Example:
        >>> fleet = fleet_of([(0, 1.0), (1, 1.0), (0, 1.0), (9, 1.0)])
        >>> round(fleet.after(9, 1.0).mean, 2), len(fleet.without)
        (8.14, 4)
    """
    watched = [(count, exposure) for count, exposure in records if exposure > 0]
    if len(watched) >= LARGE and any(count for count, _ in watched):
        return _large(watched)
    prior = line_prior(watched)
    if prior is None:
        return None
    without = [
        line_prior(one for at, one in enumerate(watched) if at % PARTS != part)
        for part in range(min(PARTS, len(watched)))
    ]
    known = tuple(one for one in without if one is not None)
    return Fleet(prior, known if len(known) > 1 else ())


def _large(watched: Sequence[tuple[int, float]]) -> Fleet:
    cells = _Cells.of(watched)
    without = (cells.spread(cells.many - part) for part in cells.parts)
    return Fleet(cells.spread(cells.many), tuple(without))


def wander(values: Sequence[float]) -> float:
    """The variance of what all parts together give, from what they give with one left out each.

    Example:
        >>> wander([1.0, 1.0, 1.0]), round(wander([1.0, 2.0, 3.0]), 3)
        (0.0, 1.333)
    """
    if len(values) < 2:
        return 0.0
    mean = sum(values) / len(values)
    square = sum((one - mean) ** 2 for one in values)
    return square * (len(values) - 1) / len(values)


def spread(records: Sequence[tuple[int, float]]) -> Spread:
    """How the rates of *records* are spread.

    Args:
        records: for each, its count and its exposure, above nought; one at least with a count.

    Example:
        >>> found = spread([(1, 1.0)] * 100 + [(30, 1.0)] * 100)
        >>> low = sum(w for r, w in zip(found.rates, found.weights) if r < 10)
        >>> round(low, 2)
        0.5
    """
    cells = _Cells.of(records)
    return cells.spread(cells.many)


@dataclass(frozen=True, slots=True)
class _Cells:
    """Records that are alike, taken together.

    Args:
        rates: the grid.
        likely: how likely what was counted is under each rate, a row for each cell.
        many: how many there are in each.
        parts: of those, how many are in each part of the fleet.
    """

    rates: Numbers
    likely: Numbers
    many: Numbers
    parts: Numbers

    @classmethod
    def of(cls, records: Sequence[tuple[int, float]]) -> _Cells:
        """Those of *records*."""
        keys = [(count, round(log(exposure) / STEP)) for count, exposure in records]
        place = {key: at for at, key in enumerate(dict.fromkeys(keys))}
        known = [(count, exp(step * STEP)) for count, step in place]
        longest = max(exposure for _, exposure in known)
        highest = max(max(count, 3) / exposure for count, exposure in known)
        rates: Numbers = np.geomspace(0.05 / longest, 1.5 * highest, POINTS)
        parts = np.zeros((PARTS, len(place)))
        for at, key in enumerate(keys):
            parts[at % PARTS, place[key]] += 1
        likely = np.array([_likely(rates, count, time) for count, time in known])
        return cls(rates, likely, parts.sum(axis=0), parts)

    def spread(self, many: Numbers) -> Spread:
        """The weights under which *many* of each are likeliest."""
        weights = np.full(len(self.rates), 1 / len(self.rates))
        for _ in range(STEPS):
            each = many / (self.likely @ weights)
            weights = weights * (each @ self.likely) / many.sum()
        return Spread(
            tuple(map(float, self.rates)),
            tuple(map(float, weights)),
            float(many.sum()),
        )


def _likely(
    rates: Numbers, count: float | Numbers, exposure: float | Numbers
) -> Numbers:
    """How likely a count is under each rate, the likeliest being one; a row for each where there are many."""
    logs = count * np.log(rates) - rates * exposure
    return np.asarray(np.exp(logs - logs.max(axis=-1, keepdims=True)))
