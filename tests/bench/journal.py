"""How long it takes to find a window in a long journal, with its indexes and without.

A journal of as many records as asked for is written as a monitor writes it: four sources, a record a message, groups of 500.
Then an hour in its middle is exported with its lead-in, its reach is found, and what people did is read, each first with the indexes by which that is found and then without them.
Printed are seconds of this machine on this day, and the ratio of both, which is what counts.

    python -m tests.bench.journal --records 5000000
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from monitor.core.events import AnyEvent, SectionState, State
from monitor.core.moments import HOUR, SECOND, parse
from monitor.core.wire import Reading, write
from monitor.journal import INDEXES, Entry, Journal

BEGAN = parse("2026-05-04T00:00:00Z")
GROUP = 500
STEP = SECOND // 2
"""Between two events: two a second, as some two hundred sections send."""


def say(text: str) -> None:
    """Print a line."""
    sys.stdout.write(f"{text}\n")


def event(number: int) -> AnyEvent:
    """The event of that number."""
    return SectionState(
        id=str(number),
        source=f"gw/{number % 4}",
        subject=f"T{number % 200}",
        time=BEGAN + number * STEP,
        state=(State.OCCUPIED, State.CLEAR)[number // 200 % 2],
        sequence=number // 4,
    )


def fill(path: Path, records: int) -> float:
    """Write a journal of *records*; how many were written a second."""
    begun = time.perf_counter()
    with Journal.open(path) as journal:
        for first in range(0, records, GROUP):
            entries = []
            for number in range(first, min(first + GROUP, records)):
                one = event(number)
                came = one.time + SECOND // 5
                entries.append(
                    Entry(
                        payload=write(one),
                        arrival=came,
                        reading=Reading(events=(one,)),
                        topic=f"tally/a/section/{one.subject}/state",
                    )
                )
            journal.append(entries)
    return records / (time.perf_counter() - begun)


def timed(what: Callable[[], object]) -> float:
    """Seconds that *what* takes, the best of three."""
    best = float("inf")
    for _ in range(3):
        begun = time.perf_counter()
        what()
        best = min(best, time.perf_counter() - begun)
    return best


def looked(path: Path, records: int) -> dict[str, float]:
    """Seconds for each question to the journal at *path*."""
    middle = BEGAN + records // 2 * STEP
    with Journal.read(path) as journal:

        def export(hours: float) -> int:
            return sum(1 for _ in journal.export(middle, middle + HOUR, hours))

        return {
            "the first event of an hour, no lead-in": timed(
                lambda: next(iter(journal.export(middle, middle + HOUR, 0)), None)
            ),
            "an hour, no lead-in": timed(lambda: export(0)),
            "its reach": timed(lambda: journal.reach(middle, middle + HOUR)),
            "records that arrived in it": timed(
                lambda: journal.arrived(middle, middle + HOUR)
            ),
            "what people did": timed(lambda: sum(1 for _ in journal.kept())),
        }


def main() -> None:
    """Print it."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench.journal")
    asked.add_argument("--records", type=int, default=1_000_000)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite"
        rate = fill(path, given.records)
        size = path.stat().st_size
        say(
            f"{given.records:,} records, {size / 1e6:,.0f} MB, {rate:,.0f} written a second"
        )
        found = looked(path, given.records)
        with closing(sqlite3.connect(path)) as connection:
            for name in INDEXES:
                connection.execute(f"DROP INDEX {name}")
            connection.execute("VACUUM")
        say(f"without its indexes {path.stat().st_size / 1e6:,.0f} MB")
        without = looked(path, given.records)
        say(f"{'':<42}{'with':>10}{'without':>10}{'ratio':>8}")
        for what, seconds in found.items():
            ratio = without[what] / seconds
            say(f"{what:<42}{seconds:>9.4f}s{without[what]:>9.4f}s{ratio:>8.0f}")


if __name__ == "__main__":
    main()
