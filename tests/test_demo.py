from __future__ import annotations

import asyncio
import os
import re
import signal
import subprocess
import sys
import time
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from monitor.core.layout import read_line
from monitor.core.words import CAUTION
from monitor.demo import Show, Teller, example_line

ROOT = Path(__file__).parents[1]


def test_the_example_line_is_the_one_that_is_shipped():
    """The example beside the settings and the line of the demo are one file."""
    assert (ROOT / "deploy/example/line.toml").read_text() == example_line()
    assert len(read_line(example_line()).sections) == 24


@pytest.mark.slow
def test_the_first_alert_comes_within_fifteen_seconds_and_ctrl_c_stops_it():
    """From the start of the process: one address, the first alert within 15 s; Ctrl-C ends it within two seconds and says so."""
    begun = time.monotonic()
    demo = subprocess.Popen(
        [sys.executable, "-m", "monitor", "demo"],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        said = []
        assert demo.stdout is not None
        for line in demo.stdout:
            said.append(line)
            if "prompt: P03 disturbed" in line:
                break
        took = time.monotonic() - begun
        stopping = time.monotonic()
        demo.send_signal(signal.SIGINT)
        rest = demo.stdout.read()
        assert demo.wait(10) == 0
    finally:
        demo.kill()
        demo.communicate()
    text = "".join(said)

    assert took < 15
    assert time.monotonic() - stopping < 2
    assert CAUTION in text
    assert re.search(r"Metrics: http://127\.0\.0\.1:\d+/metrics", text)
    assert "Stopped." in rest


@pytest.mark.slow
async def test_the_first_minute_is_told_in_its_order():
    """The rows of the tour come in their order, and the record replayed says the same, letter for letter."""
    console = Console(record=True, width=200, file=StringIO())
    await Show(console, seconds=57).run()
    text = console.export_text()
    rows = [
        "prompt: P03 disturbed",
        "prompt: P06 disturbed",
        "resets waiting for a train: P03, P04, P05 and P06",
        "resets waiting for a train: P05",
        "resets waiting for a train: P05 and T08",
        "7 of 24 sections not known",
        "all 24 sections known again",
        "Replaying these 17 minutes from the record",
    ]
    places = [text.find(row) for row in rows]

    assert -1 not in places, text
    assert places == sorted(places), text
    replayed = re.search(r"(\d+) alert lines told, (\d+) of (\d+) identical", text)
    assert replayed is not None
    told, same, again = replayed.groups()
    assert told == same == again
    assert int(told) > 8


def test_plain_leaves_captions_out():
    """Asked for plainly, nothing but what was found is said."""
    console = Console(record=True, file=StringIO())
    line = read_line(example_line())
    Teller(console, line, captions=False).caption("A cable fails.")
    plain = console.export_text()
    Teller(console, line, captions=True).caption("A cable fails.")

    assert plain == ""
    assert "A cable fails." in console.export_text()


@pytest.mark.slow
async def test_nothing_is_left_behind(tmp_path, monkeypatch):
    """Its journal and what else it writes is gone when it stops."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    show = Show(Console(quiet=True), seconds=30)
    running = asyncio.ensure_future(show.run())  # noqa: TID251 - a test's own task
    await asyncio.sleep(1.5)
    there = list(tmp_path.iterdir())
    show.stopped.set()
    await running

    assert there
    assert list(tmp_path.iterdir()) == []
