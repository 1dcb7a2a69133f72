from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from random import Random

import pytest

from monitor.acts import entry as act_entry
from monitor.core.alerts import identify
from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from monitor.handling import Act
from monitor.incident.story import gather
from monitor.journal import Journal
from monitor.shown import Painted, Shown, entry as shown_entry
from replay.simulator import simulate
from replay.simulator.faults import drawn
from tests.journals import come, connect, start
from tests.live import LINE

ROOT = Path(__file__).parent.parent.parent
SCENARIOS = ROOT / "tests/scenarios"
SIX = parse("2026-05-04T06:00:00Z")


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


@pytest.fixture
def night(tmp_path):
    """A journal in which T2 lets go of a train at 06:13, desk north paints that, and Ada says seen."""
    states = [
        *((0, name, State.CLEAR) for name in ("T1", "T2", "T3", "T4")),
        (600, "T1", State.OCCUPIED),
        (660, "T2", State.OCCUPIED),
        (670, "T1", State.CLEAR),
        (780, "T2", State.CLEAR),
        (900, "T4", State.CLEAR),
    ]
    events = [
        SectionState(
            id=str(number),
            source="gw/1",
            subject=name,
            time=SIX + seconds * SECOND,
            state=state,
        )
        for number, (seconds, name, state) in enumerate(states)
    ]
    lost = identify("vanished-train", "section/T2", SIX + 780 * SECOND)
    painted = Shown(
        id="s1",
        position="north",
        by="Ada",
        page="abcdef01",
        at=SIX + 910 * SECOND,
        entered=SIX + 910 * SECOND,
        visible=True,
        sound="played",
        faults=(Painted(fault=lost, headline="T2 cleared", priority="urgent"),),
    )
    came = replace(painted, id="s0", at=SIX + 890 * SECOND, faults=())
    seen = Act(
        id="a1",
        at=SIX + 940 * SECOND,
        entered=SIX + 940 * SECOND,
        by="Ada",
        position="north",
        what="seen",
        fault=lost,
    )
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        start(journal, SIX - MINUTE, LINE)
        connect(journal, SIX - MINUTE)
        come(journal, events, lag=SECOND)
        journal.append([shown_entry(came), shown_entry(painted), act_entry(seen)])
    return tmp_path
