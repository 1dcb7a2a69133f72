"""Did something help: what was counted after it, against what was to be expected without it.

The worst always fall: who is chosen for a bad spell has a better one next, whatever is done.
So what is counted after is not held against what was counted before, but against the rate that was to be expected before (drawn towards the fleet's, `spread.fleet_of`) times the exposure after (Hauer 1997; Hauer and others 2002).

That expectation is itself uncertain.
Given a rate of gamma distribution, a count is negative binomial; the interval of the ratio holds every ratio under which what was counted is no rarer than its tails allow, with no approximation but one: several expectations added up are taken for one gamma distribution with their mean and variance.
How far chance has moved what is known of the fleet is part of the uncertainty; where several expectations rest on one fleet, it moves them together.
That is found by leaving out parts of the fleet, and so for the only bad one of a fleet it says that there may be no bad ones.
But its own record stands: nobody is less sure with a fleet than by the record alone, which is as sure as its count, and is wrong by as far as the expectation was drawn away from it.

References:
    Hauer, E. (1997). Observational before-after studies in road safety. Pergamon; chapter 6 for the ratio, chapter 11 for the expectation.

    Hauer, E., Harwood, D. W., Council, F. M., Griffith, M. S. (2002). Estimating safety by the empirical Bayes method: a tutorial. Transportation Research Record 1784, 126-131.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import inf, sqrt

from scipy.special import betaincinv

from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.poisson import Gamma
from monitor.core.statistics.spread import Fleet, Prior, wander

ENOUGH = 3.0
"""With fewer to be expected nothing can be told: none at all would come by chance one time in twenty (exp -3 is 0.0498)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Awaited:
    """What was to be expected in some exposure.

    Args:
        mean: events.
        own: variance of that mean, because the rate of each is not known.
        without: the mean without one part of the fleet after the other; () where the fleet is known.
        alone: variance of what the record of each would let expect by itself; infinite where there is none.
        drawn: how much less than that is expected because of the fleet; of several added up.
    """

    mean: float
    own: float
    without: tuple[float, ...] = ()
    alone: float = inf
    drawn: float = 0.0

    @classmethod
    def of(cls, belief: Gamma, exposure: float) -> Awaited:
        """What a rate lets expect in *exposure*.

        Example:
            >>> round(Awaited.of(Gamma(4.0, 2.0), 3.0).mean, 2)
            6.0
        """
        return cls(mean=belief.mean * exposure, own=(belief.deviation * exposure) ** 2)

    @classmethod
    def after(cls, fleet: Fleet | Prior, before: Counted, exposure: float) -> Awaited:
        """What *fleet*, and what was counted *before*, let expect in *exposure*."""
        belief = fleet.after(before.count, before.exposure)
        found = cls.of(belief, exposure)
        if not isinstance(fleet, Fleet):
            return found
        means = fleet.means(before.count, before.exposure)
        found = replace(found, without=tuple(one * exposure for one in means))
        if not before.exposure:
            return found
        times = exposure / before.exposure
        return replace(
            found,
            # A count of nought is no surer than one of one.
            alone=max(before.count, 1) * times**2,
            drawn=before.count * times - found.mean,
        )

    def thinned(self, part: float) -> Awaited:
        """So large a part of it, where events are counted once that come together: as many less have as much chance in them as those that are left.

        Example:
            >>> found = Awaited(mean=60.0, own=60.0).thinned(0.05)
            >>> found.mean, found.own
            (3.0, 3.0)
        """
        return Awaited(
            mean=part * self.mean,
            own=part * self.own,
            without=tuple(part * one for one in self.without),
            alone=part * self.alone,
            drawn=part * self.drawn,
        )

    @property
    def variance(self) -> float:
        """Of the mean, all in all."""
        return min(self.own + wander(self.without), self.alone + self.drawn**2)

    @property
    def deviation(self) -> float:
        """The standard deviation of the mean."""
        return sqrt(self.variance)

    @property
    def shape(self) -> float:
        """Of the gamma distribution with this mean and variance; infinite where the mean is known."""
        return self.mean**2 / self.variance if self.variance > 0 else inf


def together(awaited: Iterable[Awaited]) -> Awaited:
    """What was to be expected of several, which have nothing in common but their fleet.

    Those that rest on fleets divided otherwise are taken to have not even that.
    """
    every = list(awaited)
    parts = {len(one.without) for one in every}
    common = len(parts) == 1
    apart = 0.0 if common else sum(wander(one.without) for one in every)
    return Awaited(
        mean=sum(one.mean for one in every),
        own=sum(one.own for one in every) + apart,
        without=tuple(map(sum, zip(*(one.without for one in every), strict=True)))
        if common
        else (),
        alone=sum(one.alone for one in every) if every else inf,
        drawn=sum(one.drawn for one in every),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """How what was counted stands to what was to be expected.

    Args:
        awaited: what was to be expected without it.
        count: what was counted.
        ratio: of the rates after and before (Hauer's index of effectiveness): one where nothing changed, nought where nothing came any more.
        low: the lower end of what it may be.
        high: the upper end.
    """

    awaited: Awaited
    count: int
    ratio: float
    low: float
    high: float

    @property
    def too_early(self) -> bool:
        """Whether too few were to be expected for anything to be told."""
        return self.awaited.mean < ENOUGH

    @property
    def told(self) -> int:
        """-1: fewer came, beyond chance; 1: more did; 0: neither can be told."""
        if self.too_early:
            return 0
        return (self.low > 1) - (self.high < 1)


def effect(awaited: Awaited, count: int, confidence: float = 0.95) -> Effect | None:
    """How *count* stands to what was *awaited*; None where nothing was to be expected.

    Args:
        awaited: what was to be expected without it.
        count: what was counted in the same exposure.
        confidence: between 0 and 1; half of the rest is left at either side.

    Raises:
        ValueError: *count* is negative or *confidence* is not between 0 and 1.

    Example:
        Eight were to be expected, give or take two, and two came:

        >>> found = effect(Awaited(mean=8.0, own=4.0), 2)
        >>> f"{found.ratio:.2f}, from {found.low:.2f} to {found.high:.2f}"
        '0.24, from 0.03 to 1.06'
    """
    if count < 0:
        raise ValueError(f"expected a count of nought or more, came {count}")
    if not 0 < confidence < 1:
        raise ValueError(f"expected a confidence between 0 and 1, came {confidence}")
    if not awaited.mean > 0:
        return None
    tail, shape = (1 - confidence) / 2, min(awaited.shape, _SURE)
    low = 0.0
    if count:
        low = _ratio(float(betaincinv(count, shape, tail)), shape, awaited.mean)
    high = _ratio(float(betaincinv(count + 1, shape, 1 - tail)), shape, awaited.mean)
    return Effect(
        awaited=awaited,
        count=count,
        ratio=count / awaited.mean / (1 + awaited.variance / awaited.mean**2),
        low=low,
        high=high,
    )


_SURE = 1e9
"""A shape beyond which a gamma distribution is its mean."""


def _ratio(share: float, shape: float, mean: float) -> float:
    """The ratio at which the chance of one more event before the rate's own is *share*."""
    return inf if share >= 1 else shape * share / (1 - share) / mean


def change(before: Counted, after: Counted, fleet: Fleet | Prior) -> Effect | None:
    """How the rate of one has changed: *before* joins what is known of the fleet, and *after* is held against that.

    Where nothing was watched before, the fleet alone says what was to be expected; where nothing was watched after, there is nothing to tell (None).

    Example:
        Nine on a section of a line that has two; four after as long is what was to be expected, nearly:

        >>> found = change(Counted(9, 1.0), Counted(4, 1.0), Gamma(2.0, 1.0))
        >>> round(found.awaited.mean, 2), found.told
        (5.5, 0)
    """
    return effect(Awaited.after(fleet, before, after.exposure), after.count)


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A share of some, with its interval (Clopper and Pearson 1934, exact).

    Args:
        count: of them.
        total: all of them.
        low: the lower end.
        high: the upper end.
    """

    count: int
    total: int
    low: float
    high: float


def share(count: int, total: int, confidence: float = 0.95) -> Share | None:
    """What share *count* is of *total*; None of nothing.

    Raises:
        ValueError: *count* is not between nought and *total*.

    Example:
        >>> found = share(9, 10)
        >>> f"{found.low:.3f} to {found.high:.3f}"
        '0.555 to 0.997'
    """
    if not 0 <= count <= total:
        raise ValueError(f"expected nought to {total}, came {count}")
    if total == 0:
        return None
    tail = (1 - confidence) / 2
    low = float(betaincinv(count, total - count + 1, tail)) if count else 0.0
    high = 1.0
    if count < total:
        high = float(betaincinv(count + 1, total - count, 1 - tail))
    return Share(count=count, total=total, low=low, high=high)
