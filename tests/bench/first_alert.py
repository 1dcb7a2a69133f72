"""How long it takes from the start of `tallywatch demo` to the address to open, and to the first alert: `python -m tests.bench.first_alert`.

On a warm install the first alert comes within 15 seconds; nine of them are the tour's own, before its cable fails.
"""

from __future__ import annotations

import argparse
import os
import signal
import statistics
import subprocess
import sys
import time


def once() -> tuple[float, float]:
    """Start it, and give the seconds to the address and to the first alert."""
    begun = time.monotonic()
    opened = 0.0
    with subprocess.Popen(
        [sys.executable, "-m", "monitor", "demo"],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as demo:
        for line in demo.stdout or ():
            if line.startswith("Open "):
                opened = time.monotonic() - begun
            if "prompt: P03 disturbed" in line:
                break
        alerted = time.monotonic() - begun
        demo.send_signal(signal.SIGINT)
        demo.communicate()
    return opened, alerted


def main() -> None:
    """Print medians, and the worst."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=5)
    asked = parser.parse_args()
    runs = [once() for _ in range(asked.times)]
    for name, values in zip(
        ("address", "first alert"), zip(*runs, strict=True), strict=True
    ):
        print(  # noqa: T201 - that is what it is for
            f"{name:12} median {statistics.median(values):5.1f} s, "
            f"worst {max(values):5.1f} s, of {asked.times}"
        )


if __name__ == "__main__":
    main()
