from __future__ import annotations

import importlib.util
import sys
from functools import cache
from pathlib import Path
from random import Random

import pytest

from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, parse
from monitor.incident.story import gather
from replay.simulator import simulate
from replay.simulator.faults import drawn

ROOT = Path(__file__).parent.parent.parent
SCENARIOS = ROOT / "tests/scenarios"


def _tables():
    # Test files are found by path, so what stands beside them is too.
    if "tables" not in sys.modules:
        spec = importlib.util.spec_from_file_location("tables", SCENARIOS / "tables.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["tables"] = module
        spec.loader.exec_module(module)
    return sys.modules["tables"]


@cache
def day_of(name):
    """A day that a signaller can read."""
    return _tables().read_day(SCENARIOS / f"{name}.txt")


@cache
def story_of(name, window=None):
    """What happened on that day."""
    day = day_of(name)
    return gather(Engine(day.line), day.events, window, until=day.until)


@cache
def simulated(hours=3, seed=7, line="line", every=None):
    """The line and the events of an invented day; *every*: a fault comes after so many minutes, from and to."""
    folder = ROOT / "replay/simulator"
    path = folder / "line.toml" if line == "line" else folder / f"lines/{line}.toml"
    graph = read_line(path.read_text(), path.name)
    begin = parse("2026-05-04T05:00:00Z")
    faults = None
    if every is not None:
        end = begin + round(hours * HOUR)
        faults = tuple(drawn(graph, Random(seed), begin, end, every=every))
    day = simulate(
        graph,
        hours=hours,
        seed=seed,
        begin=begin,
        rehearsal="invented",
        faults=faults,
    )
    return graph, tuple(day.events)


@pytest.fixture(scope="session", name="day_of")
def _day_of():
    return day_of


@pytest.fixture(scope="session", name="story_of")
def _story_of():
    return story_of


@pytest.fixture(name="simulated")
def _simulated():
    return simulated


def at(text, day="2026-05-04"):
    """A moment of that day."""
    return parse(f"{day}T{text}Z")


@pytest.fixture(name="at")
def _at():
    return at


@pytest.fixture(scope="session")
def morning():
    """A line and the events of a morning on it in which a train is lost, sections fail and one is given back."""
    return simulated(hours=2, seed=3, every=(8.0, 20.0))
