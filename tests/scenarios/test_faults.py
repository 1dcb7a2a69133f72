"""Every day beside this file once more: which faults people have of it, and how often they are called."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.core.alerts import Alert
from monitor.core.detectors import CATALOGUE
from monitor.core.engine import Engine
from monitor.core.faults import STAYS, Call, Fault, call_line, fault_line
from monitor.core.messages import HEADLINE, MESSAGE
from monitor.core.moments import SECOND
from monitor.kinds import asked

pytestmark = pytest.mark.days

HERE = Path(__file__).parent


def _load_tables() -> Any:
    # Test files are found by path, so what stands beside one is too.
    if "tables" in sys.modules:
        return sys.modules["tables"]
    spec = importlib.util.spec_from_file_location("tables", HERE / "tables.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["tables"] = module
    spec.loader.exec_module(module)
    return module


tables = _load_tables()

DAYS = tables.Days(HERE)


def named(name):
    """A day as a parameter."""
    marks = [pytest.mark.slow] if name in tables.LONG else []
    return pytest.param(name, id=name, marks=marks)


class Had:
    """What people have had of a day."""

    def __init__(self, day: Any, events: Any = None, every: int = 0) -> None:
        """*every*: so many seconds apart time passes by itself, where above nought."""
        engine = Engine(day.line)
        self.alerts: list[Alert] = []
        self.told: list[Fault] = []
        self.calls: list[Call] = []
        now = day.events[0].arrival
        for event in events or day.events:
            while every and now + every < event.arrival:
                now += every
                self.keep(engine.pass_time(now))
            now = event.arrival
            self.keep(engine.take(event))
        self.keep(engine.finish(day.until))
        self.faults = {one.id: one for one in self.told}
        self.standing = [one for one in self.faults.values() if one.into is None]

    def keep(self, output):
        """What came out."""
        self.alerts += output.alerts
        self.told += output.faults
        self.calls += output.calls

    @property
    def last(self):
        """The last line of each alert."""
        return {one.id: one for one in self.alerts}

    @property
    def lines(self):
        """All that is told, as it is written."""
        faults = [fault_line(one) for one in self.told]
        return faults, [call_line(one) for one in self.calls]

    @property
    def at_last(self):
        """Each fault as it stands, whichever of its alerts of one moment came first."""
        return {
            one.id: (one.number, one.began, one.ended, sorted(one.alerts), one.calls)
            for one in self.faults.values()
        }


# Days by name.


def test_a_loose_head_is_one_fault_through_the_night():
    """Loose head night: each alert record of it belongs to one thing, with two calls: when it first shows, and when after an hour of quiet an axle is left in the section beside it."""
    had = Had(DAYS["loose-head-night"])
    (fault,) = had.faults.values()

    assert len(had.alerts) == 10
    assert set(fault.alerts) == {one.id for one in had.alerts}
    assert fault.subjects == (
        "section/T103",
        "head/H103",
        "section/T102",
    )
    # 21:10:05, twenty seconds later; T103 at 21:22:05 is no new call, twelve minutes after that.
    assert [clock(one.at) for one in had.calls] == ["21:10:25", "22:44:10"]
    assert "T102 still occupied" in had.calls[1].text


def test_a_loose_head_that_is_quiet_between_calls_each_time():
    """Loose head evening: T103 comes back an hour later, and twenty-nine minutes after that T102 is left occupied: one fault still, and nobody has to guess either."""
    had = Had(DAYS["loose-head-evening"])
    (fault,) = had.faults.values()

    assert set(fault.alerts) == {one.id for one in had.alerts}
    # 21:10:05 and 22:15:05, each twenty seconds later; what is left occupied, at once.
    assert [clock(one.at) for one in had.calls] == ["21:10:25", "22:15:25", "22:44:10"]
    # The miscount and what it left are concluded at the same moment: vehicles may be in T102.
    assert (
        "T102 still occupied, its train went on. Also H103 counted otherwise"
        in had.calls[2].text
    )


def clock(moment):
    """The time of day."""
    return tables.short(moment, "2026-05-04")


def test_a_cut_cable_is_one_fault_and_one_call():
    """Six sections within eight seconds: one call, for the cable, when that is known."""
    had = Had(DAYS["common-cause-cable"])
    (fault,) = had.standing

    assert fault.headline == "Cable C2: 6 sections failed in 8 s"
    assert len(fault.alerts) == 7
    assert fault.took == ()  # they lie in a row: each shares a head with the next
    assert [clock(one.at) for one in had.calls] == ["06:10:18"]
    assert "Cable C2" in had.calls[0].text


def test_a_storm_is_one_fault_and_at_most_three_calls():
    """Forty sections within ten minutes: the first waits too long to be part of it, then all is one."""
    had = Had(DAYS["common-cause-storm"])
    (fault,) = had.standing

    assert fault.headline == "Area a: 40 sections failed in 9 min"
    assert len(fault.alerts) == 41
    assert 1 <= len(had.calls) <= 3
    # T101 at 06:10:25, twenty seconds after it was raised; the storm when it is known.
    assert [clock(one.at) for one in had.calls] == ["06:10:25", "06:10:40"]


SIXTY = """A room off and on with sixty sections

The supply of the room goes and comes back.
Its evaluators show all their sections as disturbed when they start, and all are given back.

LINE
open T101..T160 open
evaluator EV1 T101..T120
evaluator EV2 T121..T140
evaluator EV3 T141..T160
site Room EV1 EV2 EV3
{gateway}

WHAT HAPPENS
on 2026-05-04
{silence}
06:00:00  T101..T160 clear
06:10:00  one by one every 0.1 s T101..T160 disturbed
06:30:00  one by one every 10 s T101..T160 reset accepted
06:30:01  one by one every 10 s T101..T160 clear
07:00:00  train T101..T160, 30 s each
until 07:35:00

WHAT IS RAISED
nothing
"""
HEARTBEATS = """every 30 s from 05:59:30 to 06:05:00 GW1 online
every 30 s from 06:09:59 to 07:35:00 GW1 online"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("gateway", "silence"),
    [("", ""), ("gateway GW1 EV1 EV2 EV3", HEARTBEATS)],
    ids=["alone", "with its gateway"],
)
def test_a_room_off_and_on_is_one_fault_and_one_call(tmp_path, gateway, silence):
    """Sixty sections at once, with their gateway or without it: one fault, one call, over when a train has gone through all."""
    path = tmp_path / "room.txt"
    path.write_text(SIXTY.format(gateway=gateway, silence=silence))
    day = tables.read_day(path)
    had = Had(day)
    (fault,) = had.standing

    assert [one for one in had.last.values() if one.kind == "section-disturbed"]
    assert len(had.calls) == 1
    assert fault.ended is not None
    # Sixty times 30 s after 07:00:00 it goes out, and ten seconds later it has left.
    assert clock(fault.ended) == "07:30:10"


# All days.


@pytest.mark.parametrize("name", [named(name) for name in DAYS])
def test_what_holds_on_every_day(name):
    """Each alert that is no note alone is in one fault, which is open while it is; headlines and messages fit; nobody is called for what is planned; and the list that is signed, the alert and the call say the same first act."""
    had = Had(DAYS[name])
    acts = {one.id: hold_to_the_table(one) for one in had.alerts}
    owner = {name: fault for fault in had.standing for name in fault.alerts}
    assert len(owner) == sum(len(fault.alerts) for fault in had.standing)
    for alert in had.last.values():
        if alert.priority == "note":
            continue
        fault = owner[alert.id]
        assert (alert.id in fault.open) is (alert.ended is None)
        assert (alert.id in fault.lasting) is (alert.kind in STAYS)
        if alert.ended is None and alert.kind not in STAYS:
            assert fault.ended is None
    for fault in had.told:
        assert 0 < len(fault.headline) <= HEADLINE
        assert fault.ended is None or not fault.waiting
    for call in had.calls:
        assert len(call.text) <= MESSAGE
        assert call.text.isprintable()
        assert call.priority in ("urgent", "prompt")
        assert call.at >= had.last[call.alert].raised
        act = acts[call.alert]
        assert f"{act[0].upper()}{act[1:]}" in call.text
    assert sum(one.calls for one in had.standing) == len(had.calls)


SIGNED = {one.kind: one.first for one in asked(CATALOGUE)}
"""What the desk does first by the list that is signed."""


def hold_to_the_table(alert):
    """An alert says first what the list has for its kind and priority."""
    usual, _, pressing = SIGNED[alert.kind].partition("; if prompt, ")
    act = pressing if pressing and alert.priority == "prompt" else usual
    assert alert.checks[0] == f"Do first: {act}"
    return act


def shaken(events):
    """*events* as they may come as well: each up to a second and a half later, every seventh a second time."""
    came = []
    for number, event in enumerate(events):
        later = event.arrival + number * 700_000 % 1_500_000
        came.append(replace(event, arrival=later))
        if number % 7 == 0:
            came.append(replace(event, arrival=later + 1_000_000))
    return tuple(sorted(came, key=lambda one: one.arrival))


ORDINARY = [
    named(name) for name in DAYS if not (DAYS.disagrees(name) or DAYS.by_arrival(name))
]


@pytest.mark.parametrize("name", ORDINARY)
def test_live_and_replayed_are_the_same(name):
    """Whenever somebody asks what time it is, the same faults, numbers, calls and texts are told, in the same order; in whatever order events come, they are the same in the end."""
    day = DAYS[name]
    had, other = Had(day), Had(day, shaken(day.events))

    assert Had(day, every=7 * SECOND).lines == had.lines
    assert other.at_last == had.at_last
    assert sorted(other.lines[1]) == sorted(had.lines[1])
