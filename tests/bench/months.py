"""Score simulated months: `python -m tests.bench.months [--days N] [--seeds N] [--jobs N] [--faults-a-week N | --quiet]`.

For each seed a line file, a richness of feed and a month are taken in turn; the month goes through the engine, and what was raised is held against what was so.
Printed is the table over all of them, kind by kind, then one line a seed, with every miss and every false alert.

How many faults there are is a choice.
By default they come as thick as the simulator draws them, one every hour and a half to six on 24 sections: some 45 a week, so that every kind is met often and recall can be told.
For how many false alerts a desk would see that is far too thick, since most of them come where one fault lies over another.
An area of thirty to sixty sections sees a handful of failures in a week, by common practice: say five on 45 sections, or eleven on a hundred.
`--faults-a-week 11` draws so many on a hundred sections, evenly spread.
`--quiet` draws none, and does everything that looks odd and is not wrong (`replay.simulator.scenarios.quiet`); whatever it raises above a note but sections truly disturbed is a mistake.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import repeat
from pathlib import Path
from random import Random

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.layout import Line, read_line
from monitor.core.moments import DAY, parse, stamp
from replay import scoring
from replay.simulator import simulate
from replay.simulator.faults import drawn
from replay.simulator.scenarios import quiet
from replay.simulator.simulation import Simulation

SIMULATOR = Path(__file__).parents[2] / "replay" / "simulator"
RICHNESS = ("basic", "tallies", "full")
BEGIN = parse("2026-05-04T00:00:00Z")


@dataclass(frozen=True, slots=True)
class Month:
    """What came of one seed.

    Args:
        name: seed, line and richness.
        weeks: of a hundred sections each.
        so: by kind, what was wrong and could be known.
        found: by kind, how much of that was.
        false: by kind, what was raised and was not so.
        urgent: by kind, what of that was urgent.
        loud: by kind, what was raised above a note.
        seconds: how long it took.
        told: misses and false alerts, in words.
    """

    name: str
    weeks: float
    so: Counter[str]
    found: Counter[str]
    false: Counter[str]
    urgent: Counter[str]
    loud: Counter[str]
    seconds: float
    told: list[str] = field(default_factory=list)


def lines() -> list[Path]:
    """The line files that months are taken from."""
    return [SIMULATOR / "line.toml", *sorted((SIMULATOR / "lines").glob("*.toml"))]


def simulated(
    line: Line, seed: int, days: float, richness: str, faults_a_week: float | None
) -> Simulation:
    """A month of *line*.

    Args:
        line: which.
        seed: draws it.
        days: how long.
        richness: of its feed.
        faults_a_week: on a hundred sections; None for as thick as they are drawn, 0 for a quiet month.
    """
    if faults_a_week == 0:
        return quiet(days=days, seed=seed, begin=BEGIN).simulate(
            line, seed=seed, richness=richness
        )
    faults = None
    if faults_a_week is not None:
        # `drawn` shares out what is asked for on 24 sections, and no less on fewer.
        sections = max(24, len(line.sections))
        a_week = faults_a_week * len(line.sections) / 100 * 24 / sections
        pause = 7 * 24 * 60 / a_week
        random = Random(f"faults of {seed}")
        end = BEGIN + round(days * DAY)
        faults = list(drawn(line, random, BEGIN, end, every=(0.0, 2 * pause)))
    return simulate(
        line,
        hours=days * 24,
        seed=seed,
        begin=BEGIN,
        richness=richness,
        faults=faults,
        rehearsal=f"month-{seed}",
    )


def month(seed: int, days: float, faults_a_week: float | None = None) -> Month:
    """Simulate, watch and score one."""
    began = time.monotonic()
    files = lines()
    path = files[seed % len(files)]
    richness = RICHNESS[seed % len(RICHNESS)]
    line = read_line(path.read_text(), path.name)
    made = simulated(line, seed, days, richness, faults_a_week)
    engine = Engine(line)
    raised: list[str] = []
    for event in made.events:
        raised += map(alert_line, engine.take(event).alerts)
    raised += map(alert_line, engine.finish().alerts)
    alerts = scoring.read_alerts(raised)
    scores = scoring.score(
        alerts,
        scoring.read_truth(map(json.dumps, made.truth)),
        richness=richness,
        beside={one: line.neighbours(one) for one in line.sections},
    )
    told = [
        f"missed: {one.kind} {one.subject} {stamp(one.began)}" for one in scores.missed
    ]
    told += [
        f"false: {one.kind} {one.subject} {stamp(one.began)} {one.priority}"
        for one in scores.false
    ]
    return Month(
        name=f"{seed:3} {path.stem:12} {richness:8}",
        weeks=len(line.sections) / 100 * days / 7,
        so=Counter({one.kind: one.truths for one in scores.kinds}),
        found=Counter({one.kind: one.found for one in scores.kinds}),
        false=Counter({one.kind: one.false for one in scores.kinds}),
        urgent=Counter(one.kind for one in scores.false if one.priority == "urgent"),
        loud=Counter(one.kind for one in alerts if one.priority != "note"),
        seconds=time.monotonic() - began,
        told=told,
    )


def table(months: list[Month]) -> Iterator[str]:
    """The lines of the table over all months."""
    weeks = sum(one.weeks for one in months)
    so: Counter[str] = Counter()
    found: Counter[str] = Counter()
    false: Counter[str] = Counter()
    urgent: Counter[str] = Counter()
    loud: Counter[str] = Counter()
    for one in months:
        so.update(one.so)
        found.update(one.found)
        false.update(one.false)
        urgent.update(one.urgent)
        loud.update(one.loud)
    yield f"{'kind':22} {'so':>6} {'found':>6} {'recall':>7} {'false':>6} {'rate':>7}"
    for kind in [*sorted(so.keys() | false.keys()), ""]:  # the last line is all
        n, hit, wrong = (
            (so[kind], found[kind], false[kind])
            if kind
            else (so.total(), found.total(), false.total())
        )
        recall = f"{hit / n:.3f}" if n else "-"
        yield (
            f"{kind or 'all':22} {n:6} {hit:6} {recall:>7} {wrong:6} {wrong / weeks:7.3f}"
        )
    yield "rate: false alerts per 100 sections and week"
    yield f"urgent and false: {_listed(urgent)}"
    yield f"raised above a note: {_listed(loud)}"
    yield f"watched: {weeks:.2f} times a hundred sections for a week"


def _listed(kinds: Counter[str]) -> str:
    return ", ".join(f"{n} {kind}" for kind, n in sorted(kinds.items())) or "none"


def say(text: str) -> None:
    """Print a line at once."""
    print(text, flush=True)  # noqa: T201 - printing is what this program is for


def main() -> None:
    """Score, and print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.months", description=__doc__
    )
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--jobs", type=int, default=2)
    rate = parser.add_mutually_exclusive_group()
    rate.add_argument(
        "--faults-a-week", type=float, help="on a hundred sections; 11 is plausible"
    )
    rate.add_argument("--quiet", action="store_true", help="nothing goes wrong")
    asked = parser.parse_args()
    faults = 0.0 if asked.quiet else asked.faults_a_week
    seeds = range(asked.first, asked.first + asked.seeds)
    fresh = multiprocessing.get_context("spawn")
    months = []
    with ProcessPoolExecutor(asked.jobs, mp_context=fresh) as pool:
        for one in pool.map(month, seeds, repeat(asked.days), repeat(faults)):
            months.append(one)
            say(
                f"{one.name} {one.found.total():4} of {one.so.total():4} found, "
                f"{one.false.total():3} false, {one.seconds:5.0f} s"
            )
            for text in one.told:
                say(f"    {text}")
    say("")
    for text in table(months):
        say(text)


if __name__ == "__main__":
    main()
