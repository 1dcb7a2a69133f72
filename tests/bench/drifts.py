"""How often heads without a drift are called drifting, and how soon drifting ones are: `python -m tests.bench.drifts [--heads N]`.

Each head is played through the detection itself, sample by sample and midnight by midnight, for ninety days.
Its level swings with day and night by a tenth of the way to the limit, now more and now less as the weather goes, with noise on top.
Printed are how many heads without a drift were called, and for drifting ones how many were called before they met their limit, and how many days before, in the middle and at worst.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from math import pi, sin
from random import Random

from monitor.core.changes import LevelMeasured
from monitor.core.detector import Found, Place
from monitor.core.detectors.level_drift import LevelDrift
from monitor.core.moments import DAY, Moment, parse
from monitor.core.statistics.trend import median

START: Moment = parse("2026-05-04T00:00:00Z")
MIDDLE, WAY = 6.0, 2.0
"""The example's limits are 4 and 8 V: the way from the middle to either is 2 V."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """How the level of a head goes; parts of the way to the limit.

    Args:
        a_day: samples a day, evenly spread.
        noise: of each sample, standard deviation.
        weather: of each day, standard deviation; half of it is still there the day after.
        swing: of day and night, from the middle to the top.
        drift: a day, from the first day on.
        rest: days before the drift begins.
    """

    a_day: int = 12
    noise: float = 0.03
    weather: float = 0.02
    swing: float = 0.1
    drift: float = 0.0
    rest: float = 0.0


def called(level: Level, draw: Random, days: int = 90) -> float | None:
    """On which day a head is first called, at most when it meets its limit; None where it never is."""
    detector, place = LevelDrift(), Place.example("H107")
    memory = detector.start(place)
    phase, strength, weather = draw.uniform(0, 2 * pi), 1.0, 0.0
    for number in range(days * level.a_day + 1):
        day = number / level.a_day
        if number % level.a_day == 0:
            weather = weather / 2 + draw.gauss(0, level.weather)
            strength = draw.uniform(0.5, 1.0)
        gone = level.drift * max(0.0, day - level.rest)
        if gone >= 1:
            return None
        at = START + round(day * DAY)
        due = detector.wake_at(memory)
        if due is not None and due < at:
            memory, findings = detector.wake(memory, due, place)
            if findings and isinstance(findings[0], Found):
                return (due - START) / DAY
        swing = level.swing * strength * sin(2 * pi * day + phase)
        part = gone + swing + weather + draw.gauss(0, level.noise)
        value = round(MIDDLE - WAY * part, 3)
        change = LevelMeasured(
            place="H107", at=at, values={"a_volts": value}, event="gw/1#1"
        )
        memory, _ = detector.step(memory, change, place)
    return None


def calls(level: Level, heads: int, seed: int = 1) -> list[float]:
    """The days on which heads are first called, of those that are."""
    draw = Random(f"{seed} {level}")
    found = (called(level, draw) for _ in range(heads))
    return [one for one in found if one is not None]


STEADY = {
    "12 samples a day": Level(),
    "24 samples a day": Level(a_day=24),
    "1 sample a day": Level(a_day=1),
    "noise of a twentieth": Level(noise=0.05),
    "noise of a tenth": Level(noise=0.1),
    "1 a day, noise of a tenth": Level(a_day=1, noise=0.1),
    "weather of a twentieth": Level(weather=0.05),
}
"""Heads without a drift."""

DRIFTING = {
    "meets it in 10 days": Level(drift=1 / 10),
    "in 20 days": Level(drift=1 / 20),
    "in 40 days": Level(drift=1 / 40),
    "in 80 days": Level(drift=1 / 80),
    "in 20 days, after 40 of rest": Level(drift=1 / 20, rest=40),
    "in 40 days, 1 sample a day": Level(drift=1 / 40, a_day=1),
    "in 40 days, noise of a tenth": Level(drift=1 / 40, noise=0.1),
}
"""Heads that meet their limit after so many days."""


def say(text: str) -> None:
    """Print at once."""
    print(text, flush=True)  # noqa: T201 - printing is what this program is for


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.drifts", description=__doc__
    )
    parser.add_argument("--heads", type=int, default=1000, help="for each line")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    heads, width = given.heads, max(map(len, (*STEADY, *DRIFTING)))
    with ProcessPoolExecutor(given.processes) as pool:
        say(f"Heads without a drift, called in 90 days, of {heads}")
        levels = list(STEADY.values())
        for name, found in zip(
            STEADY, pool.map(calls, levels, [heads] * len(levels)), strict=True
        ):
            say(f"{name:{width}}{len(found):>6}")
        say(f"\nDrifting heads called before their limit, of {heads // 5}")
        say(f"{'':{width}}{'':>6}   days before, in the middle (at worst)")
        levels = list(DRIFTING.values())
        for name, found in zip(
            DRIFTING, pool.map(calls, levels, [heads // 5] * len(levels)), strict=True
        ):
            met = DRIFTING[name].rest + 1 / DRIFTING[name].drift
            before = [met - day for day in found]
            days = f"{median(before):.0f} ({min(before):.0f})" if before else ""
            say(f"{name:{width}}{len(found):>6}   {days}")


if __name__ == "__main__":
    main()
