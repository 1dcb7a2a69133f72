"""Whenever the monitor starts, it says of trains nothing that it would not have said had it heard the whole day."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from monitor.core.alerts import Alert
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from replay.simulator import scenarios

pytestmark = pytest.mark.days

ROOT = Path(__file__).parents[2]
LINE = read_line((ROOT / "deploy/example/line.toml").read_text())

OF_TRAINS = {
    "vanished-train",
    "unseen-train",
    "occupied-no-train",
    "spurious-occupation",
    "count-mismatch",
    "long-occupation",
    "line-file-doubt",
}
"""What rests on where trains are; other kinds count what was before, know of work that began before, or learn."""


def told(events):
    """What is said of trains."""
    engine = Engine(LINE)
    alerts: list[Alert] = []
    for event in events:
        alerts += engine.take(event).alerts
    alerts += engine.finish().alerts
    return {
        (one.kind, one.subject, one.began) for one in alerts if one.kind in OF_TRAINS
    }


@pytest.mark.parametrize("richness", ["basic", "full"])
@pytest.mark.parametrize(
    "name", ["quiet", "phantom", "reset_inside", "loose_head", "silence", "gap"]
)
def test_starting_at_any_moment_adds_nothing(name, richness):
    """From five drawn moments on, each alert about trains is one of the whole day's; what cannot be told then is left out."""
    day = scenarios.day(name).simulate(LINE, seed=40, richness=richness)
    events = list(day.events)
    whole = told(events)
    draw = Random(7)

    for _ in range(5):
        start = draw.randrange(len(events))
        assert told(events[start:]) <= whole
