from __future__ import annotations

import pytest

from monitor.acts import acts
from monitor.core.moments import parse
from monitor.desk.model import DeskIn, NotThere, Refused, Who
from monitor.desk.positions import Positions
from monitor.shifts import Desks, Position

NOON = parse("2026-05-04T12:00:00Z")
MOOR = Who(name="A. Moor", position="north")
TAKE = DeskIn(what="take_desk", position="north")


def test_a_desk_is_taken_and_shows_whose_it_is():
    """Whoever takes a desk has it from then on, what is to be journaled gives it back, and it is not taken twice."""
    desks = Desks(positions=(Position(name="north", areas=("thornmere",)),))
    positions = Positions(desks)
    [before] = positions.positions()
    assert (before.areas, before.has_it, before.since) == (["thornmere"], None, None)
    entry = positions.act(MOOR, TAKE, NOON, "0123456789abcdef")
    [after] = positions.positions()
    assert (after.has_it, after.since) == ("A. Moor", "2026-05-04T12:00:00.000Z")
    [written] = acts([entry.payload])
    assert (written.by, written.position, written.what) == (
        "A. Moor",
        "north",
        "take_desk",
    )
    with pytest.raises(Refused):
        positions.act(MOOR, TAKE, NOON, "0123456789abcde0")
    elsewhere = TAKE.model_copy(update={"position": "south"})
    with pytest.raises(Refused, match="south"):
        positions.act(MOOR, elsewhere, NOON, "0123456789abcde1")


def test_a_sheet_is_of_a_position_that_is_there():
    """A handover sheet is given for a position that is set up, and for no other."""
    desks = Desks(positions=(Position(name="north"),))
    positions = Positions(desks, sheet=lambda name: {"of": name})
    assert positions.handover("north") == {"of": "north"}
    with pytest.raises(NotThere):
        positions.handover("south")
    with pytest.raises(NotThere):
        Positions(desks).handover("north")
