"""How often a visit at which nothing was done is said to have changed something: `python -m tests.bench.visits [--months N]`.

On 900 steady sections, month by month and each time anew, the twenty with most disturbances in the last 90 days are visited, and nothing is done there.
Told is the effect of the month's visits together and of each by itself, half a year later, by the year before; and beside it what the raw counts before and after would claim.
An effect covers nought where its interval of the ratio holds one.
The spread between sections is drawn in three ways, one of which is as the method takes it to be (gamma), and in two in which it is not.
The rows whose truth is below one show visits that do help, and how often that is told.
Then the same on lines of fewer sections, and where one section alone is bad, with thirty a year among others with one.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.effect import (
    Awaited,
    Effect,
    change,
    effect,
    share,
    together,
)
from monitor.core.statistics.spread import fleet_of

SECTIONS, WORST = 900, 20
BAD = 30.0
"""Disturbances in a year of a section that alone is bad."""

YEAR, RANKED, AFTER = 365.0, 90.0, 182.0
"""Days: before the visit, of them those that the list goes by, and after."""

Rates = Callable[[Random], float]
"""Draws the disturbances of a section in a year."""


def gamma(draw: Random) -> float:
    """Mean 4, as uneven as a chance of its own (coefficient of variation 1)."""
    return draw.gammavariate(1.0, 4.0)


def lognormal(draw: Random) -> float:
    """Median 2, a long tail."""
    return draw.lognormvariate(0.7, 1.0)


def two_sorts(draw: Random) -> float:
    """One section in ten has twenty a year, all others two."""
    return 20.0 if draw.random() < 0.1 else 2.0


def one_bad(_: Random) -> float:
    """One a year, but for one section."""
    return 1.0


def alike(_: Random) -> float:
    """All sections are alike, with four."""
    return 4.0


def counted(draw: Random, mean: float) -> int:
    """How many come by chance where *mean* are to be expected."""
    number, time = 0, draw.expovariate(1.0)
    while time < mean:
        number, time = number + 1, time + draw.expovariate(1.0)
    return number


@dataclass(slots=True)
class Told:
    """What was said in all months."""

    months: int = 0
    covered: int = 0
    visits: int = 0
    visits_covered: int = 0
    fewer: int = 0
    visits_fewer: int = 0
    early: int = 0
    ratio: float = 0.0
    raw: list[float] = field(default_factory=list)


def month(  # noqa: PLR0917 - all that a row is made of
    draw: Random,
    rates: Rates,
    factor: float,
    told: Told,
    number: int = SECTIONS,
    visits: int = WORST,
) -> None:
    """One month: a year before, visits that make every rate *factor* times as high, and half a year after."""
    sections = [rates(draw) for _ in range(number)]
    if rates is one_bad:
        sections[draw.randrange(number)] = BAD
    lately = [counted(draw, rate * RANKED / YEAR) for rate in sections]
    earlier = [counted(draw, rate * (1 - RANKED / YEAR)) for rate in sections]
    before = [a + b for a, b in zip(lately, earlier, strict=True)]
    fleet = fleet_of((count, YEAR) for count in before)
    if fleet is None:
        return
    # Of equal ones, whichever comes first: rates are drawn in no order.
    worst = sorted(range(number), key=lambda one: -lately[one])[:visits]
    awaited, after = [], 0
    for one in worst:
        count = counted(draw, factor * sections[one] * AFTER / YEAR)
        after += count
        awaited.append(
            Awaited.after(fleet, Counted(before[one], YEAR), AFTER),
        )
        found = change(Counted(before[one], YEAR), Counted(count, AFTER), fleet)
        told.visits += 1
        told.early += found is None or found.too_early
        told.visits_covered += found is not None and covers(found, 1.0)
        told.visits_fewer += found is not None and found.told < 0
    pooled = effect(together(awaited), after)
    if pooled is None:
        return
    told.months += 1
    told.covered += covers(pooled, 1.0)
    told.fewer += pooled.told < 0
    told.ratio += pooled.ratio
    was = sum(lately[one] for one in worst) / RANKED
    told.raw.append(after / AFTER / was)


def covers(found: Effect, ratio: float) -> bool:
    """Whether *ratio* lies within what it may be."""
    return found.low <= ratio <= found.high


def line(name: str, number: int, factor: float, told: Told) -> str:
    """What is printed of it."""
    low = share(told.covered, told.months)
    if low is None:
        return f"{name:<22} nothing"
    raw = sum(told.raw) / len(told.raw)
    return (
        f"{name:<10} {number:>8} {factor:>5.2f} {told.months:>7} "
        f"{100 * told.covered / told.months:>7.1f} ({100 * low.low:.1f}-{100 * low.high:.1f}) "
        f"{100 * told.visits_covered / told.visits:>9.1f} "
        f"{100 * told.fewer / told.months:>9.1f} "
        f"{100 * told.visits_fewer / told.visits:>8.1f} "
        f"{100 * told.early / told.visits:>7.1f} "
        f"{told.ratio / told.months:>7.3f} {raw:>7.3f}"
    )


COLUMNS = (
    "rates      sections truth  months  covered, % (95 %)  each, %  fewer, %  each, %"
    "  early, %   ratio     raw"
)


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--months", type=int, default=400)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    print(COLUMNS)  # noqa: T201 - that is what it is for
    for rates, number, visits, factor in (
        (gamma, SECTIONS, WORST, 1.0),
        (lognormal, SECTIONS, WORST, 1.0),
        (two_sorts, SECTIONS, WORST, 1.0),
        (alike, SECTIONS, WORST, 1.0),
        (gamma, SECTIONS, WORST, 0.5),
        (gamma, SECTIONS, WORST, 0.25),
        (gamma, 24, 2, 1.0),
        (gamma, 24, 2, 0.25),
        (gamma, 100, 5, 1.0),
        (gamma, 100, 5, 0.25),
        (gamma, 400, 10, 1.0),
        (gamma, 400, 10, 0.25),
        (one_bad, 24, 1, 1.0),
        (one_bad, 24, 1, 0.1),
        (one_bad, 100, 1, 1.0),
        (one_bad, 100, 1, 0.1),
        (one_bad, 400, 1, 1.0),
        (one_bad, 400, 1, 0.1),
    ):
        draw, told = Random(given.seed), Told()
        for _ in range(given.months):
            month(draw, rates, factor, told, number, visits)
        name = rates.__name__.replace("_", " ")
        print(line(name, number, factor, told), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
