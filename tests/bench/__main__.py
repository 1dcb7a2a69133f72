"""Measure the replay: `python -m tests.bench [--events N] [--profile]`.

Printed are events a second with all detections on, beside decoding the same bytes and beside a plain loop with two rules; the peak of memory, for a tenth of the events and for all, so that growth shows; and what an event costs among 10,000 sections as against 100.
Every measurement has a process of its own, so none warms or crowds another.
"""

from __future__ import annotations

import argparse
import cProfile
import multiprocessing
import pstats
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.bench import traffic
from tests.bench.measures import (
    Measured,
    measure_decoding,
    measure_event,
    measure_replay,
    measure_rules,
)


def alone(work: Callable[..., Measured], *arguments: object) -> Measured:
    """Do *work* in a fresh process."""
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=1, mp_context=fresh) as pool:
        return pool.submit(work, *arguments).result()


def say(text: str) -> None:
    """Print a line at once."""
    print(text, flush=True)  # noqa: T201 - printing is what this program is for


def compare(path: Path, count: int, sections: int) -> None:
    """Print the replay beside decoding and the plain loop, and what memory it took."""
    seconds, peak, what = alone(measure_replay, path, sections)
    decoding, _, _ = alone(measure_decoding, path)
    rules, _, found = alone(measure_rules, path)
    _, tenth, _ = alone(measure_replay, path, sections, count // 10)
    say(f"replay          {count / seconds:12,.0f} events/s   ({what})")
    say(
        f"decoding alone  {count / decoding:12,.0f} events/s   "
        f"the replay takes {seconds / decoding:.1f} times as long"
    )
    say(
        f"two plain rules {count / rules:12,.0f} events/s   "
        f"the replay takes {seconds / rules:.1f} times as long ({found})"
    )
    say(f"peak memory     {peak:9.0f} MiB        {tenth:.0f} MiB for a tenth of it")


def scale(count: int) -> None:
    """Print what an event costs among few sections and among many."""
    few, _, _ = alone(measure_event, 100, count)
    many, _, _ = alone(measure_event, 10_000, count)
    say(
        f"an event among 10,000 sections costs {many / few:.2f} times one among 100 "
        f"({many / count * 1e6:.1f} and {few / count * 1e6:.1f} microseconds)"
    )


def profile(path: Path, count: int, sections: int) -> None:
    """Print where the time of a replay goes."""
    profiler = cProfile.Profile()
    profiler.runcall(measure_replay, path, sections, count)
    pstats.Stats(profiler).sort_stats("tottime").print_stats(30)


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--events", type=int, default=1_000_000)
    parser.add_argument("--sections", type=int, default=1_000)
    parser.add_argument("--profile", action="store_true", help="where the time goes")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.jsonl"
        with path.open("wb") as file:
            file.writelines(traffic.events(asked.sections, asked.events))
        say(
            f"{asked.events:,} events over {asked.sections:,} sections, "
            f"{path.stat().st_size / 1e6:.0f} MB"
        )
        if asked.profile:
            profile(path, asked.events, asked.sections)
        else:
            compare(path, asked.events, asked.sections)
            scale(max(asked.events // 5, 1))


if __name__ == "__main__":
    main()
