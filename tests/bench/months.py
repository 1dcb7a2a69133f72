"""Score simulated months: `python -m tests.bench.months [--days N] [--seeds N] [--jobs N]`.

For each seed a line file, a richness of feed and a month are taken in turn; the month goes through the engine, and what was raised is held against what was so.
Printed is the table over all of them, kind by kind, then one line a seed, with every miss and every false alert.
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
from pathlib import Path

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import parse, stamp
from replay import scoring
from replay.simulator import simulate

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
        seconds: how long it took.
        told: misses and false alerts, in words.
    """

    name: str
    weeks: float
    so: Counter[str]
    found: Counter[str]
    false: Counter[str]
    seconds: float
    told: list[str] = field(default_factory=list)


def lines() -> list[Path]:
    """The line files that months are taken from."""
    return [SIMULATOR / "line.toml", *sorted((SIMULATOR / "lines").glob("*.toml"))]


def month(seed: int, days: float) -> Month:
    """Simulate, watch and score one."""
    began = time.monotonic()
    files = lines()
    path = files[seed % len(files)]
    richness = RICHNESS[seed % len(RICHNESS)]
    line = read_line(path.read_text(), path.name)
    made = simulate(
        line,
        hours=days * 24,
        seed=seed,
        begin=BEGIN,
        richness=richness,
        rehearsal=f"month-{seed}",
    )
    engine = Engine(line)
    raised: list[str] = []
    for event in made.events:
        raised += map(alert_line, engine.take(event).alerts)
    raised += map(alert_line, engine.finish().alerts)
    scores = scoring.score(
        scoring.read_alerts(raised),
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
        seconds=time.monotonic() - began,
        told=told,
    )


def table(months: list[Month]) -> Iterator[str]:
    """The lines of the table over all months."""
    weeks = sum(one.weeks for one in months)
    so: Counter[str] = Counter()
    found: Counter[str] = Counter()
    false: Counter[str] = Counter()
    for one in months:
        so.update(one.so)
        found.update(one.found)
        false.update(one.false)
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
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.seeds)
    fresh = multiprocessing.get_context("spawn")
    months = []
    with ProcessPoolExecutor(asked.jobs, mp_context=fresh) as pool:
        for one in pool.map(month, seeds, [asked.days] * len(seeds)):
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
