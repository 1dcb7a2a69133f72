"""How often steady sections are called worsening, and how often growing ones are: `python -m tests.bench.trends [--years N]`.

Each section-year is played through the detection itself, disturbance by disturbance and Monday by Monday, after a quarter of a year in which it gets to know the section.
Printed are, for each process and rate, the share of section-years in which a steady section was called, with exact limits of 95 %; and for sections that grow, the share that was called within the growth and four weeks after (three months where growth is quick), and after how many weeks in the middle.
The threshold of the detection was chosen by this table: the worst line of the first part stays under one in a hundred.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from random import Random

from monitor.core.changes import Disturbance
from monitor.core.detector import Found, Place
from monitor.core.detectors.worsening import Worsening
from monitor.core.moments import DAY, Moment, parse
from monitor.core.statistics.poisson import limits
from monitor.core.statistics.trend import median

START: Moment = parse("2026-01-01T00:00:00Z")
KNOWN = 90.0
"""Days before the year counts: the window is full then."""

YEAR = 365.0
RATES = (10, 25, 50, 100, 200)
"""Disturbances a year."""

Process = Callable[[Random, float, float], Iterator[float]]
"""Given chance, a rate per day and a number of days: times in days."""


def singly(draw: Random, rate: float, days: float) -> Iterator[float]:
    """Disturbances that come one by one, by chance alone (Poisson)."""
    time = draw.expovariate(rate)
    while time < days:
        yield time
        time += draw.expovariate(rate)


def in_bursts(hours: float) -> Process:
    """Bursts of one to eight, each within *hours*; they come by chance, and the rate is that of disturbances."""

    def times(draw: Random, rate: float, days: float) -> Iterator[float]:
        for burst in singly(draw, rate / 4.5, days):
            for _ in range(draw.randint(1, 8)):
                yield burst + draw.uniform(0, hours / 24)

    return times


def unevenly(variation: float) -> Process:
    """Gaps with *variation* times the unevenness of chance (gamma): spells of many, then long quiet."""

    def times(draw: Random, rate: float, days: float) -> Iterator[float]:
        shape = variation**-2
        time = -draw.uniform(0, 20 / rate)
        while time < days:
            if time >= 0:
                yield time
            time += draw.gammavariate(shape, 1 / (rate * shape))

    return times


def mixed(draw: Random, rate: float, days: float) -> Iterator[float]:
    """Half come singly, half in bursts within six hours."""
    yield from singly(draw, rate / 2, days)
    yield from in_bursts(6)(draw, rate / 2, days)


STEADY: dict[str, Process] = {
    "singly": singly,
    "bursts of 1-8 in 2 h": in_bursts(2),
    "bursts of 1-8 in 6 h": in_bursts(6),
    "bursts of 1-8 in 24 h": in_bursts(24),
    "gaps uneven, twice": unevenly(2),
    "gaps uneven, thrice": unevenly(3),
    "half in bursts": mixed,
}
"""Sections of which nothing gets worse."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Disturbances whose rate grows straight to *factor* times in *days*, and stays there.

    Args:
        factor: how many times.
        days: how long it takes.
        bursts: each is a burst of one to eight within two hours, at as many disturbances in all.
    """

    factor: float
    days: float = 90.0
    bursts: bool = False

    def __call__(self, draw: Random, rate: float, days: float) -> Iterator[float]:
        """Times in days; growth begins at `KNOWN`."""
        top = rate * self.factor / (4.5 if self.bursts else 1.0)
        for time in singly(draw, top, days):
            grown = min(max((time - KNOWN) / self.days, 0.0), 1.0)
            if draw.random() * self.factor > 1 + (self.factor - 1) * grown:
                continue
            yield time
            if self.bursts:
                for _ in range(draw.randint(0, 7)):
                    yield time + draw.uniform(0, 2 / 24)


GROWING: dict[str, Growth] = {
    "5 times in 90 days": Growth(factor=5),
    "10 times in 90 days": Growth(factor=10),
    "10 times in 30 days": Growth(factor=10, days=30),
    "10 times at once": Growth(factor=10, days=0.001),
    "5 times in 90 days, in bursts": Growth(factor=5, bursts=True),
}
"""Sections that get worse; the rate is the one before."""


def called(times: Iterator[float], days: float, since: float) -> float | None:
    """When the detection first calls the section whose disturbances are *times*, in days after *since*; None where it never does."""
    detector, place = Worsening(), Place.example("T107")
    memory = detector.step(detector.start(place), disturbed(0.0), place)[0]
    until = START + round(days * DAY)
    for change in [disturbed(time) for time in sorted(times)] + [None]:
        at = until if change is None else change.at
        due = detector.wake_at(memory)
        while due is not None and due < at:
            memory, findings = detector.wake(memory, due, place)
            if findings and isinstance(findings[0], Found):
                day = (due - START) / DAY
                if day > since:
                    return day - since
            due = detector.wake_at(memory)
        if change is not None:
            memory, _ = detector.step(memory, change, place)
    return None


def disturbed(time: float) -> Disturbance:
    """A disturbance *time* days after the start."""
    at = START + round(time * DAY)
    return Disturbance(
        place="T107",
        at=at,
        happened=at,
        spurious=False,
        under_work=False,
        event="gw/1#1",
    )


def false_calls(name: str, rate: float, years: int, seed: int = 1) -> int:
    """In how many of *years* a steady section is called."""
    draw = Random(f"{seed} {name} {rate}")
    days = KNOWN + YEAR
    return sum(
        called(STEADY[name](draw, rate / YEAR, days), days, KNOWN) is not None
        for _ in range(years)
    )


def finds(name: str, rate: float, sections: int, seed: int = 1) -> list[float]:
    """After how many days each section of *sections* that grow is called, of those that are, within four weeks after the growth, or three months where that is quick."""
    draw, growth = Random(f"{seed} {name} {rate}"), GROWING[name]
    days = KNOWN + max(growth.days, 62) + 28
    found = (
        called(growth(draw, rate / YEAR, days), days, KNOWN) for _ in range(sections)
    )
    return [one for one in found if one is not None]


def say(text: str) -> None:
    """Print at once."""
    print(text, flush=True)  # noqa: T201 - printing is what this program is for


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.trends", description=__doc__
    )
    parser.add_argument("--years", type=int, default=1000, help="for each cell")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    years, width = given.years, max(map(len, (*STEADY, *GROWING)))
    heading = f"{'a year:':{width}}" + "".join(f"{rate:>22}" for rate in RATES)
    with ProcessPoolExecutor(given.processes) as pool:
        say(f"Steady sections called, per cent of {years} section-years (95 % limits)")
        say(heading)
        for name in STEADY:
            wrong = pool.map(false_calls, [name] * 5, RATES, [years] * 5, chunksize=1)
            say(f"{name:{width}}" + "".join(_share(one, years) for one in wrong))
        say(f"\nGrowing sections called, per cent of {years} (weeks, in the middle)")
        say(heading)
        for name in GROWING:
            found = pool.map(finds, [name] * 5, RATES, [years] * 5, chunksize=1)
            say(f"{name:{width}}" + "".join(_recall(one, years) for one in found))


def _share(count: int, of: int) -> str:
    low, high = limits(count)
    text = f"{100 * count / of:.2f} ({100 * low / of:.2f}-{100 * high / of:.2f})"
    return f"{text:>22}"


def _recall(found: list[float], of: int) -> str:
    weeks = f" ({median(found) / 7:.0f})" if found else ""
    return f"{100 * len(found) / of:>17.0f}{weeks:5}"


if __name__ == "__main__":
    main()
