from __future__ import annotations

from typing import Any

from monitor.acts import write_act
from monitor.core.engine import Output
from monitor.core.moments import HOUR
from monitor.doings import Doings
from monitor.handling import Act
from monitor.planned import Imported, write_record
from monitor.plans import Work
from monitor.shifts import DeskAct, Position
from tests.desk.daemon import NOON, alert, fault

COMMON: dict[str, Any] = {"entered": NOON, "by": "A. Moor", "position": "north"}
SEEN = Act(id="1", at=NOON, what="seen", alert=alert().id, **COMMON)
TAKEN = DeskAct(id="2", at=NOON, what="take_desk", **COMMON)
WORK = Work(sections=("T107",), begin=NOON, end=NOON + HOUR, reference="W7")
PLAN = Imported(id="3", plan="week", works=(WORK,), **COMMON)


def doings():
    """A desk with one open fault."""
    made = Doings([Position(name="north")])
    made.told(Output(alerts=(alert(),), faults=(fault(alert()),)))
    return made


def test_what_was_written_is_known_again():
    """Acts about alerts and desks, and plans, are each taken where they belong; what else the journal kept is nothing people did."""
    made = doings()
    for payload in (
        b'{"words": {}}',
        b"[line]",
        write_act(SEEN),
        write_act(TAKEN),
        write_record(PLAN),
    ):
        made.read(payload)
    assert made.handling.of(alert().id, NOON).seen_by == "A. Moor"
    assert made.desks.desk("north").has_it == "A. Moor"
    assert made.plans.names == ("week",)
    assert made.left_out == 0


def test_what_no_longer_fits_is_left_out_and_counted():
    """An act about an alert that other settings do not raise, or at a position that is gone, keeps nobody from starting."""
    made = Doings([])
    made.read(write_act(SEEN))
    made.read(write_act(TAKEN))
    assert made.left_out == 2
