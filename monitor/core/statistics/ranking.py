"""Which are the worst: rates drawn towards the fleet's, what carries most, and what carries more than its share.

The raw rate ranks by accident: the shortest records lie at both ends of the list.
So each rate is drawn towards that of the fleet, the more the less is known of it (empirical Bayes, `poisson.line_prior`); one event on a quiet section then stands below eight on a busy one.

What carries more than its share is asked for many at once.
So that a long list does not make its own findings, chances are adjusted together (Benjamini and Hochberg 1995): of those named at a tenth, one in ten is expected to be named by accident.

References:
    Hauer, E., Harwood, D. W., Council, F. M., Griffith, M. S. (2002). Estimating safety by the empirical Bayes method: a tutorial. Transportation Research Record 1784, 126-131.

    Benjamini, Y., and Hochberg, Y. (1995). Controlling the false discovery rate: a practical and powerful approach to multiple testing. Journal of the Royal Statistical Society B 57, 289-300.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr, gammaincinv

from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.poisson import Gamma, line_prior


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The rate to expect of one of many.

    Args:
        rate: events per unit of exposure.
        low: the lower end of what it may be.
        high: the upper end.
        own: how far it is its own record that speaks, from nought to one; the rest is the fleet's.
    """

    rate: float
    low: float
    high: float
    own: float


def expected(
    records: Mapping[str, Counted], confidence: float = 0.95
) -> dict[str, Expected]:
    """The rate to expect of each of *records*, the fleet being all of them.

    One that was not watched is expected to be as the fleet is; where nothing was watched at all, nothing is expected.
    The interval takes the fleet's own rate and spread as known, so it is a little too narrow for a fleet of a few.

    Example:
        One event in a tenth of the time is a higher raw rate than eight in all of it, and yet less is to be expected:

        >>> fleet = {f"T{n}": Counted(1, 1.0) for n in range(20)}
        >>> fleet |= {"quiet": Counted(1, 0.1), "busy": Counted(8, 1.0)}
        >>> found = expected(fleet)
        >>> found["busy"].rate > found["quiet"].rate
        True
    """
    prior = line_prior((one.count, one.exposure) for one in records.values())
    if prior is None:
        return {}
    tail = (1 - confidence) / 2
    found = {}
    for name, one in records.items():
        # A count without exposure is no rate, whatever it is.
        count = one.count if one.exposure > 0 else 0
        after = prior.after(count, one.exposure)
        low, high = quantile(after, tail), quantile(after, 1 - tail)
        own = one.exposure / after.exposure
        found[name] = Expected(rate=after.mean, low=low, high=high, own=own)
    return found


def quantile(belief: Gamma, share: float) -> float:
    """The rate below which *share* of *belief* lies.

    Example:
        >>> round(quantile(Gamma(1.0, 1.0), 0.95), 4)
        2.9957
    """
    return float(gammaincinv(belief.shape, share)) / belief.exposure


def by_expected(found: Mapping[str, Expected]) -> list[str]:
    """The names, the highest expected rate first; of equal ones, by name."""
    return sorted(found, key=lambda name: (-found[name].rate, name))


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """One bar of a Pareto chart.

    Args:
        name: whose.
        count: its events.
        together: the share of all events that it and those before it carry.
        rank: from one on; those with equal counts share the lowest.
    """

    name: str
    count: int
    together: float
    rank: int


def pareto(counts: Mapping[str, int]) -> list[Carried]:
    """Who carries most, in order; of equal ones, by name. Those with nothing are left out.

    Example:
        >>> [
        ...     (one.name, one.rank, round(one.together, 2))
        ...     for one in pareto({"a": 1, "b": 6, "c": 1})
        ... ]
        [('b', 1, 0.75), ('a', 2, 0.88), ('c', 2, 1.0)]
    """
    total = sum(counts.values())
    ordered = sorted(
        ((name, count) for name, count in counts.items() if count > 0),
        key=lambda one: (-one[1], one[0]),
    )
    found: list[Carried] = []
    so_far = 0
    for place, (name, count) in enumerate(ordered, 1):
        so_far += count
        tied = bool(found) and found[-1].count == count
        found.append(
            Carried(
                name=name,
                count=count,
                together=so_far / total,
                rank=found[-1].rank if tied else place,
            )
        )
    return found


def carrying(found: Sequence[Carried], share: float) -> list[str]:
    """The fewest names that carry *share* of all events, with whoever ties with the last of them.

    Example:
        >>> carrying(pareto({"a": 1, "b": 6, "c": 1}), 0.8)
        ['b', 'a', 'c']
    """
    # A share that is met to the last digit is met.
    needed = next((one for one in found if one.together >= share - 1e-12), None)
    return [] if needed is None else [x.name for x in found if x.count >= needed.count]


def more_than_share(records: Mapping[str, Counted]) -> dict[str, float]:
    """How often each would have as many of all events as it has, or more, if events fell by exposure alone; adjusted together.

    One without exposure is left out, and so is what was counted there: nobody knows its share.

    Example:
        >>> found = more_than_share(
        ...     {"a": Counted(9, 1.0), "b": Counted(1, 1.0), "c": Counted(0, 1.0)}
        ... )
        >>> {name: round(chance, 4) for name, chance in found.items()}
        {'a': 0.0011, 'b': 1.0, 'c': 1.0}
    """
    watched = {name: one for name, one in records.items() if one.exposure > 0}
    if not watched:
        return {}
    chances = more_in_parts(
        np.array([[one.count for one in watched.values()]], np.int64),
        np.array([[one.exposure for one in watched.values()]], np.float64),
    )
    return dict(zip(watched, map(float, chances[0]), strict=True))


Counts = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.float64]


def more_in_parts(counts: Counts, exposures: Numbers) -> Numbers:
    """The same of many wholes at once, each divided into as many parts: a row for each.

    A part without exposure is left out, as one of which nothing is known, and has a chance of one.

    Args:
        counts: events in each part.
        exposures: what they had to happen in.

    Example:
        >>> counts = np.array([[9, 1, 0], [0, 0, 0]])
        >>> more_in_parts(counts, np.ones((2, 3))).round(4).tolist()
        [[0.0011, 1.0, 1.0], [1.0, 1.0, 1.0]]
    """
    watched = exposures > 0
    counts = np.where(watched, counts, 0)
    exposures = np.where(watched, exposures, 0.0)
    total = counts.sum(axis=1, keepdims=True)
    whole = exposures.sum(axis=1, keepdims=True)
    share = exposures / np.where(whole > 0, whole, 1.0)
    chances = np.ones(counts.shape)
    some = counts > 0  # none or more come always
    # Of the other side, so that a small tail keeps its digits.
    left = np.broadcast_to(total, counts.shape)[some]
    chances[some] = bdtr(left - counts[some], left, 1 - share[some])
    return _adjusted(chances, watched)


def _adjusted(chances: Numbers, asked: npt.NDArray[np.bool_]) -> Numbers:
    """Each row of *chances* adjusted for how many of it were *asked* about, as `adjusted`."""
    raw = np.where(asked, chances, np.inf)
    order = np.argsort(raw, axis=1, kind="stable")
    ranks = np.arange(1, raw.shape[1] + 1)
    # Where nothing was asked, nothing is multiplied: by nought it would be no number.
    number = np.maximum(asked.sum(axis=1, keepdims=True), 1)
    scaled = np.take_along_axis(raw, order, axis=1) * number
    lowest = np.minimum.accumulate((scaled / ranks)[:, ::-1], axis=1)[:, ::-1]
    found = np.ones(raw.shape)
    np.put_along_axis(found, order, np.minimum(lowest, 1.0), axis=1)
    return np.where(asked, found, 1.0)


def adjusted(chances: Sequence[float]) -> list[float]:
    """*chances* adjusted for their number (Benjamini and Hochberg): to name those below a tenth names one in ten by accident.

    Example:
        >>> adjusted([0.01, 0.04, 0.03])
        [0.03, 0.04, 0.04]
    """
    ranked = sorted(range(len(chances)), key=lambda at: -chances[at])
    found = [1.0] * len(chances)
    lowest = 1.0
    for behind, at in enumerate(ranked):
        lowest = min(lowest, chances[at] * len(chances) / (len(chances) - behind))
        found[at] = lowest
    return found
