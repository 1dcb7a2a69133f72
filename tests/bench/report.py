"""The period report measured: how long a year of a network takes of one core, whether its intervals hold their word, and whether its ranking foretells.

python -m tests.bench.report
python -m tests.bench.report speed|intervals|bursts|ranking|ahead|list
"""

# ruff: noqa: C901, PERF401, T201 - a bench prints, one table after another

from __future__ import annotations

import random
import sys
import tempfile
from array import array
from collections.abc import Callable, Iterator
from pathlib import Path
from time import monotonic, process_time

import numpy as np
import numpy.typing as npt

from monitor.core.facts import Fact
from monitor.core.layout import Line, read_line
from monitor.core.moments import DAY, HOUR, MINUTE, parse
from monitor.core.statistics.comparing import Counted, compare
from monitor.core.statistics.fleets import Watched, fleet_trend, trend_of
from monitor.core.statistics.poisson import limits
from monitor.core.statistics.ranking import expected, more_than_share
from monitor.history import HOURS, History
from monitor.planner.as_csv import as_csv
from monitor.planner.as_html import as_html, body
from monitor.planner.as_json import as_json
from monitor.planner.as_xlsx import as_xlsx
from monitor.planner.effect import Watched as Record
from monitor.planner.expected import Expecting
from monitor.planner.occasions import of_section
from monitor.planner.period import report

SECTIONS, EVALUATORS = 2000, 100
YEAR = parse("2025-06-01T00:00:00Z"), parse("2026-06-01T00:00:00Z")
MONTH = parse("2026-05-01T00:00:00Z"), YEAR[1]
MEAN_A_YEAR, SHAPE = 6.0, 0.7
"""Disturbances of a section: a gamma over sections, as uneven as they are said to be (common practice)."""

DRAWS = 20_000

Rates = npt.NDArray[np.float64]


def network() -> Line:
    """Sections in rows, one row an evaluator."""
    text = [
        '[line]\nname = "Varnholt network"\ntimezone = "Europe/Berlin"\n'
    ]  # invented
    each = SECTIONS // EVALUATORS
    for room in range(EVALUATORS):
        text.append(f'[[evaluator]]\nid = "EV{room}"\nsite = "Room {room // 2}"\n')
    for n in range(SECTIONS):
        text.append(
            f'[[section]]\nid = "T{n}"\narea = "a{n // 200}"\nevaluator = "EV{n // each}"\n'
            "length_m = 900\nspeed_km_h = 120\n"
        )
        before = "open" if n % each == 0 else f"T{n - 1}"
        text.append(
            f'[[head]]\nid = "H{n}"\nbetween = ["{before}", "T{n}"]\nkm = {n}.0\n'
            f'unit = "TU{n // 2}"\ncable = "C{n // 5}"\n'
        )
    return read_line("".join(text))


def past(draw: random.Random) -> Iterator[Fact]:
    """Two years of what is rare."""
    begin = YEAR[0] - 365 * DAY
    for n in range(SECTIONS):
        subject = f"section/T{n}"
        rate = draw.gammavariate(SHAPE, MEAN_A_YEAR / SHAPE) / 365
        yield Fact(kind="heard", subject=subject, began=begin)
        for day in range(730):
            at = begin + day * DAY + draw.randrange(DAY)
            if draw.random() < rate:
                back = at + round(draw.lognormvariate(3.2, 0.8) * MINUTE)
                yield Fact(kind="disturbance", subject=subject, began=at)
                yield Fact(kind="failed", subject=subject, began=at, ended=back)
                yield Fact(
                    kind="reset",
                    subject=subject,
                    began=back,
                    values={"step": "accepted", "kind": "conditional"},
                )
                yield Fact(kind="held", subject=subject, began=at, ended=back)
            if draw.random() < 0.02:
                yield Fact(kind="not-known", subject=subject, began=at, ended=at + HOUR)


def fill(history: History, draw: random.Random) -> None:
    """The past, and the trains of each section on each day; those are written as they are kept, for 70 million occupations would take hours."""
    batch: list[Fact] = []
    for fact in past(draw):
        batch.append(fact)
        if len(batch) == 20_000:
            history.write(batch)
            batch = []
    history.write(batch)
    first = YEAR[0] // DAY - 365
    usual = [0] * 5 + [draw.randrange(1, 8) for _ in range(HOURS - 5)]
    blob = array("I", usual).tobytes()
    number, axles = sum(usual), sum(usual) * 24
    with history._connection as connection:
        connection.executemany(
            "INSERT INTO traffic VALUES (?, ?, ?, ?, ?)",
            (
                (f"section/T{n}", first + day, blob, number, axles)
                for n in range(SECTIONS)
                for day in range(730)
            ),
        )


def speed() -> None:
    """How long a report takes, and each way of writing it."""
    line, draw = network(), random.Random(7)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.sqlite"
        with History.open(path) as history:
            fill(history, draw)
        print(f"{SECTIONS} sections, two years; {path.stat().st_size / 2**20:.0f} MiB")
        for name, (begin, end) in (("a month", MONTH), ("a year", YEAR)):
            with History.to_read(path) as history:
                made, found = _timed(
                    lambda h=history, b=begin, e=end: report(h, line, b, e, reached=e)
                )
            count = found.whole.disturbances
            print(f"{name}, with the one before: {_told(made)}, {count} disturbances")
            for form, write in (
                ("page", lambda one: body(one, 100)),
                ("html", as_html),
                ("csv", as_csv),
                ("json", as_json),
                ("xlsx", as_xlsx),
            ):
                took, text = _timed(lambda w=write, f=found: w(f))
                total = tuple(map(sum, zip(made, took, strict=True)))
                size = len(text) / 2**20
                print(
                    f"  {form:5} {_told(took)}, {size:4.1f} MiB; in all {_told(total)}"
                )


def _timed(work):
    """Seconds of this core, and those that went by while others used it too; and what came of it."""
    begun, at = process_time(), monotonic()
    found = work()
    return (process_time() - begun, monotonic() - at), found


def _told(seconds):
    return f"{seconds[0]:4.1f} s of a core ({seconds[1]:.1f} went by)"


def intervals() -> None:
    """How often 95 % intervals and tests at 5 % hold their word, on drawn counts."""
    draw = np.random.default_rng(7)
    print("exact limits of a count: how often they hold the true mean (95 % or more)")
    for mean in (0.3, 1, 3, 10, 30):
        counts = draw.poisson(mean, DRAWS)
        ends = {int(n): limits(int(n)) for n in np.unique(counts)}
        within = np.mean([ends[int(n)][0] <= mean <= ends[int(n)][1] for n in counts])
        print(f"  mean {mean:4}: {within:.3f}")
    print("ratio of two periods: its interval holds it, and equal ones are called")
    for mean, ratio in ((2, 1), (5, 1), (20, 1), (5, 2), (20, 0.5)):
        held = called = 0
        number = DRAWS // 4
        for one, two in zip(
            draw.poisson(mean, number), draw.poisson(mean * ratio, number), strict=True
        ):
            found = compare(Counted(int(one), 1.0), Counted(int(two), 1.0))
            assert found is not None
            held += found.low <= ratio <= found.high
            called += found.chance < 0.05
        print(
            f"  {mean} against {mean * ratio:g}: {held / number:.3f}, "
            f"called {called / number:.3f}"
        )
    print("to expect: how often the range holds the true rate of a section (95 %)")
    for mean in (0.5, 2, 6, 20):
        inside: list[bool] = []
        for _ in range(40):
            rates = draw.gamma(SHAPE, mean / SHAPE, 300)
            counts = draw.poisson(rates)
            rate_of = expected(
                {str(n): Counted(int(c), 1.0) for n, c in enumerate(counts)}
            )
            inside += [
                bool(rate_of[str(n)].low <= rate <= rate_of[str(n)].high)
                for n, rate in enumerate(rates)
            ]
        print(f"  {mean:4} a section: {np.mean(inside):.3f}")
    print("trends of steady sections called at 5 %, and of a steady fleet that differs")
    for number in (4, 6, 12, 40):
        trends = [trend_of(sorted(draw.random(number)), 1.0) for _ in range(DRAWS // 4)]
        share = np.mean([one is not None and one.chance < 0.05 for one in trends])
        print(f"  {number} events: {share:.3f}")
    called = 0
    for _ in range(1000):
        fleet = [
            Watched(
                list(draw.uniform(begin, 1, draw.poisson(rate * (1 - begin)))), begin, 1
            )
            for rate, begin in zip(
                draw.gamma(SHAPE, 4 / SHAPE, 60),
                draw.choice((0, 0, 0.5), 60),
                strict=True,
            )
        ]
        trend = fleet_trend(fleet)
        called += trend is not None and trend.chance < 0.05
    print(f"  fleet of 60, a third of which joined half way: {called / 1000:.3f}")
    named, wrong = 0, 0
    for _ in range(200):
        rates = np.where(draw.random(300) < 0.03, 5.0, 1.0)
        counts = draw.poisson(rates * 2)
        chances = more_than_share(
            {str(n): Counted(int(c), 1.0) for n, c in enumerate(counts)}
        )
        for n, rate in enumerate(rates):
            if chances[str(n)] < 0.1:
                named += 1
                wrong += rate == 1.0
    print(
        f"more than its share, 3 % five times as bad: {named / 200:.1f} of 300 named "
        f"a month, {wrong / max(named, 1):.3f} of them by accident (0.1 at most)"
    )
    bursty(draw)


def bursty(draw: np.random.Generator) -> None:
    """How often steady sections in bursts are named as more than their share, and whether their limits hold, counted singly and by occasions."""
    print("steady sections, 2 bursts of 1 to 8 each in 90 days: named as more than")
    print("their share a month of 300 (none should be), and limits that hold the mean")
    print("                   singly          by occasions")
    for hours in (0, 2, 6, 24, 48):
        named, held = np.zeros(2), np.zeros(2)
        for _ in range(100):
            singly, together = [], []
            for _ in range(300):
                times: list[int] = []
                for begin in draw.uniform(0, 90 * DAY, draw.poisson(2)):
                    size = draw.integers(1, 9) if hours else 1
                    times += [
                        round(begin + x) for x in draw.uniform(0, hours * HOUR, size)
                    ]
                singly.append(len(times))
                together.append(len(of_section(sorted(times))))
            for at, counts in enumerate((singly, together)):
                chances = more_than_share(
                    {str(n): Counted(c, 1.0) for n, c in enumerate(counts)}
                )
                named[at] += sum(one < 0.1 for one in chances.values())
                mean = 2.0 if at or not hours else 9.0
                held[at] += np.mean([a <= mean <= b for a, b in map(limits, counts)])
        one, two = zip(named / 100, held / 100, strict=True)
        told = f"within {hours:2} h" if hours else "singly"
        print(
            f"  {told:12} {one[0]:6.2f} {one[1]:6.3f}      {two[0]:6.2f} {two[1]:6.3f}"
        )


def ranking() -> None:
    """Which list of the worst twenty foretells the months held back better."""
    draw = np.random.default_rng(11)
    print(
        "900 sections with traffic that differs fourfold; the 20 at the top of each list,"
    )
    print(
        "in the 6 months held back: mean of their rates per 1,000 trains, and disturbances"
    )
    print(
        "        rate of those at the top by         disturbances of those at the top by"
    )
    print(
        "  seen  raw rate  count  expected   best    raw rate  count  expected   best"
    )
    for months in (1, 3, 6, 12):
        sums = np.zeros(8)
        for _ in range(60):
            rates = draw.gamma(SHAPE, MEAN_A_YEAR / 12 / SHAPE, 900)
            traffic = draw.choice((0.25, 0.5, 1.0, 1.0), 900)
            counts = draw.poisson(rates * traffic * months)
            seen = {
                str(n): Counted(int(c), float(t) * months)
                for n, (c, t) in enumerate(zip(counts, traffic, strict=True))
            }
            found = expected(seen)
            mine = np.array([found[str(n)].rate for n in range(900)])
            raw = counts / (traffic * months)
            by_rate = (raw, counts, mine, rates)
            by_number = (raw, counts, mine * traffic, rates * traffic)
            for at, order in enumerate(by_rate):
                top = np.argsort(-order, kind="stable")[:20]
                later = draw.poisson(rates[top] * traffic[top] * 6)
                sums[at] += np.mean(later / (traffic[top] * 6))
            for at, order in enumerate(by_number, 4):
                top = np.argsort(-order, kind="stable")[:20]
                sums[at] += draw.poisson(rates[top] * traffic[top] * 6).sum()
        told = [f"{x / 60:8.2f}" for x in sums]
        print(f"  {months:4}  {''.join(told[:4])}  {''.join(told[4:])}")


KINDS: dict[str, Callable[[np.random.Generator, int, float], Rates]] = {
    "gamma": lambda draw, number, mean: draw.gamma(SHAPE, mean / SHAPE, number),
    "lognormal": lambda draw, number, mean: mean * draw.lognormal(-0.5, 1, number),
    "two sorts": lambda draw, number, mean: np.where(
        draw.random(number) < 0.1, 5.5 * mean, 0.5 * mean
    ),
    "alike": lambda _, number, mean: np.full(number, mean),
}
"""How the sections of a line are unlike: draws the disturbances of each in a year."""


def past_year(
    draw: np.random.Generator, rates: Rates, shares: Rates
) -> dict[str, Record]:
    """A year of sections with *rates*, each watched for its share of it, the last."""
    found = {}
    for n, (rate, share) in enumerate(zip(rates, shares, strict=True)):
        begin = YEAR[1] - round(float(share) * 365 * DAY)
        number = draw.poisson(rate * share)
        times = sorted(draw.uniform(begin, YEAR[1], number).astype(int).tolist())
        found[f"T{n}"] = Record(((begin, YEAR[1]),), tuple(times))
    return found


def ahead() -> None:
    """How often the range of what is to be expected in 90 days holds what its true rate lets expect, on lines of any size."""
    draw = np.random.default_rng(13)
    print("to expect in 90 days: how often its range holds the truth (95 % or more),")
    print("by sections of the line and disturbances of one in a year; a third of them")
    print("was watched for a quarter of it")
    means = (0.5, 2.0, 6.0)
    print("  sections              " + "".join(f"{one:>8g}" for one in means))
    for number in (3, 12, 24, 100, 300, 900):
        for kind, rates_of in KINDS.items():
            told = []
            for mean in means:
                inside: list[bool] = []
                for _ in range(max(2, 6000 // number)):
                    rates = rates_of(draw, number, mean)
                    shares = draw.choice((0.25, 1.0, 1.0), number)
                    made = Expecting(past_year(draw, rates, shares), YEAR[1])
                    for n, rate in enumerate(rates):
                        one = made.one(f"T{n}")
                        assert one is not None
                        inside.append(bool(one.low <= rate * 90 / 365 <= one.high))
                told.append(float(np.mean(inside)))
            print(f"  {number:8} {kind:12} " + "".join(f"{x:8.3f}" for x in told))


def order() -> None:
    """Which order of 900 sections foretells who is disturbed most in the months held back: by what is to be expected, by what was counted, and by what was counted a day."""
    draw = np.random.default_rng(17)
    print("900 sections, a year on record, a third of them watched for its last month;")
    print("disturbances in the 6 months held back of the 20 at the top of each list")
    print("              a day   count  expected    best")
    for kind, rates_of in KINDS.items():
        sums = np.zeros(4)
        for _ in range(30):
            rates = rates_of(draw, 900, MEAN_A_YEAR)
            shares = draw.choice((1 / 12, 1.0, 1.0), 900)
            watched = past_year(draw, rates, shares)
            made = Expecting(watched, YEAR[1])
            counts = np.array([len(one.disturbed) for one in watched.values()])
            found = [made.one(name) for name in watched]
            mine = np.array([one.mean if one else 0.0 for one in found])
            for at, by in enumerate((counts / shares, counts, mine, rates)):
                top = np.argsort(-by, kind="stable")[:20]
                sums[at] += draw.poisson(rates[top] / 2).sum()
        print(f"  {kind:10}" + "".join(f"{x / 30:8.1f}" for x in sums))


def main() -> None:
    """Print what is asked for, or all of it."""
    asked = sys.argv[1:] or ["intervals", "ranking", "ahead", "list", "speed"]
    for name in asked:
        {
            "intervals": intervals,
            "bursts": lambda: bursty(np.random.default_rng(7)),
            "ranking": ranking,
            "ahead": ahead,
            "list": order,
            "speed": speed,
        }[name]()


if __name__ == "__main__":
    main()
