"""Measure the core against what it was: `python -m tests.bench.since REVISION [--rounds N]`.

The tree of an earlier commit is laid out beside this one, and the same traffic goes through `Engine.take` of both in turn, each time in a process of its own.
An event's cost is summed from the least that each run of two hundred events ever took, so that what else the machine does matters little.
Printed are both costs and their ratio.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import perf_counter

from monitor.core.engine import Engine
from monitor.core.layout import read_line
from tests.bench import traffic
from tests.bench.measures import decoded

HERE = Path(__file__).parents[2]
SECTIONS, EVENTS, RUN = 300, 20_000, 200


def costs() -> list[float]:
    """Seconds for each run of events, once through."""
    line = read_line(traffic.line_text(SECTIONS))
    events = list(decoded(traffic.events(SECTIONS, EVENTS)))
    engine = Engine(line)
    took = []
    for begin in range(0, EVENTS, RUN):
        run = events[begin : begin + RUN]
        begun = perf_counter()
        for event in run:
            engine.take(event)
        took.append(perf_counter() - begun)
    return took


@contextmanager
def laid_out(revision: str) -> Iterator[Path]:
    """The tree of *revision*, with this program put into it."""
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "then"
        git = ["git", "-C", str(HERE), "worktree"]
        subprocess.run([*git, "add", "--quiet", "--detach", tree, revision], check=True)
        try:
            text = Path(__file__).read_text(encoding="utf-8")
            (tree / "tests" / "bench" / "since.py").write_text(text, encoding="utf-8")
            yield tree
        finally:
            subprocess.run([*git, "remove", "--force", tree], check=True)


def measured(tree: Path) -> list[float]:
    """The costs in *tree*, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.since", "--costs"],
        cwd=tree,
        env={"PYTHONPATH": str(tree)},
        check=True,
        capture_output=True,
        text=True,
    )
    found: list[float] = json.loads(done.stdout)
    return found


def main() -> None:
    """Measure both, and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.since")
    parser.add_argument("revision", nargs="?", default="b05492a")
    parser.add_argument("--rounds", type=int, default=8)
    parser.add_argument("--costs", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.costs:
        sys.stdout.write(json.dumps(costs()))
        return
    with laid_out(asked.revision) as tree:
        rounds = [(measured(tree), measured(HERE)) for _ in range(asked.rounds)]
    then, now = (
        sum(map(min, zip(*side, strict=True))) / EVENTS * 1e6
        for side in zip(*rounds, strict=True)
    )
    sys.stdout.write(
        f"{EVENTS:,} events over {SECTIONS} sections, the least of {asked.rounds} rounds\n"
        f"{asked.revision}  {then:6.1f} microseconds an event\n"
        f"now      {now:6.1f} microseconds an event\n"
        f"{then / now:.2f} of its speed then\n"
    )


if __name__ == "__main__":
    main()
