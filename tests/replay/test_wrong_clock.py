"""One source an hour off, either way, changes no conclusion about the sections of others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.core.alerts import Alert
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import HOUR
from replay.simulator import scenarios

pytestmark = pytest.mark.days

ROOT = Path(__file__).parents[2]
LINE = read_line((ROOT / "deploy/example/line.toml").read_text())
SOURCE = "gw/GW1"
ITS_OWN = {f"section/{name}" for name in LINE.sections if name.startswith("P")}
ITS_OWN |= {"gateway/GW1", f"source/{SOURCE}"}


def about_others(events):
    """What is said, other than of the source, its gateway and its sections."""
    engine = Engine(LINE)
    alerts: list[Alert] = []
    for event in events:
        alerts += engine.take(event).alerts
    alerts += engine.finish().alerts
    return {
        (one.kind, one.subject, one.began, one.raised)
        for one in alerts
        if not ITS_OWN & {one.subject, *one.affected}
    }


@pytest.mark.parametrize("arrival", ["told", "not told"])
@pytest.mark.parametrize("by", [HOUR, -HOUR], ids=["ahead", "behind"])
@pytest.mark.parametrize("name", ["quiet", "loose_head", "reset_inside", "gap"])
def test_a_clock_an_hour_off_is_its_own_affair(name, by, arrival):
    """What is said of the sections of others is the same, or less where a section beside them is not known; with arrival told nothing is lost either."""
    day = scenarios.day(name).simulate(LINE, seed=51, richness="basic")
    events = list(day.events)
    if arrival == "not told":
        events = [replace(one, arrival=None) for one in events]
    off = [
        replace(one, time=one.time + by) if one.source == SOURCE else one
        for one in events
    ]

    right, wrong = about_others(events), about_others(off)
    assert wrong <= right
    if arrival == "told":
        assert wrong == right
