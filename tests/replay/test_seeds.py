"""Simulated days on which something was once raised wrongly, or missed: none of it is again.

Each came out of scoring many seeds; what misled was too long a story for a day in a table.
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import parse
from replay import scoring
from replay.simulator import simulate

SIMULATOR = Path(str(files("replay.simulator")))

BEGIN = parse("2026-05-04T00:00:00Z")

pytestmark = pytest.mark.days


@pytest.mark.parametrize(
    ("line", "seed", "hours", "richness"),
    [
        # A train that may be either of two, counted into a section that let it go: missed.
        ("loops", 1, 72, "full"),
        # A tally that went through nought to below it, with two trains that may be each other: urgent and false.
        ("double", 4, 30, "full"),
        # A train talked past a signal with a third behind it, taken for that one: false.
        ("loops", 11, 48, "full"),
        # Of two that each may be elsewhere, one is nowhere else, and the other was counted out: missed.
        ("loops", 34, 120, "tallies"),
    ],
)
def test_nothing_is_missed_and_nothing_false(line, seed, hours, richness):
    """By the simulator's own truth."""
    file = SIMULATOR / "lines" / f"{line}.toml"
    layout = read_line(file.read_text(), file.name)
    made = simulate(layout, hours=hours, seed=seed, begin=BEGIN, richness=richness)
    engine = Engine(layout)
    raised: list[str] = []
    for event in made.events:
        raised += map(alert_line, engine.take(event).alerts)
    raised += map(alert_line, engine.finish().alerts)
    scores = scoring.score(
        scoring.read_alerts(raised),
        scoring.read_truth(map(json.dumps, made.truth)),
        richness=richness,
        beside={one: layout.neighbours(one) for one in layout.sections},
    )

    assert [f"{one.kind} {one.subject}" for one in scores.missed] == []
    assert [f"{one.kind} {one.subject}" for one in scores.false] == []
