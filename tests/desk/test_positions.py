from __future__ import annotations

import json
from zoneinfo import ZoneInfo

import pytest

from monitor.acts import acts
from monitor.core.alerts import Alert, identify
from monitor.core.detector import Place
from monitor.core.engine import Engine
from monitor.core.facts import Fact
from monitor.core.moments import HOUR, MINUTE, parse
from monitor.desk.model import DeskIn, NotThere, Refused
from monitor.desk.plain import plain
from monitor.desk.positions import Around, Lately, Positions
from monitor.handling import Handling
from monitor.history import History
from monitor.journal import Journal
from monitor.load import Raised
from monitor.shifts import BEGINS, Desks, Position, Rota
from tests.desk.daemon import MOOR

NOON = parse("2026-05-04T12:00:00Z")
TAKE = DeskIn(what="take_desk", position="north")


@pytest.fixture
def around(tmp_path):
    """A monitor that has heard nothing, and what stands in its history."""

    async def on_disk(work, *values):
        return work(*values)

    with (
        Journal.open(tmp_path / "journal.sqlite") as journal,
        History.open(":memory:") as history,
    ):
        history.write(
            [
                Fact(
                    kind="disturbance",
                    subject="section/T107",
                    began=NOON - HOUR,
                    values={"under_work": False},
                )
            ]
        )
        engine, handling = Engine(Place.example().line), Handling()
        yield Around(
            engine=lambda: engine,
            handling=handling,
            journal=journal,
            history=history,
            on_disk=on_disk,
            now=lambda: NOON,
            wrong=lambda: ["The disk is full."],
        )


@pytest.fixture
def positions(around):
    """One desk, of one area."""
    desks = Desks(positions=(Position(name="north", areas=("thornmere",)),))
    return Positions(desks, Rota.read(BEGINS, ZoneInfo("UTC")), around)


def test_a_desk_is_taken_and_shows_whose_it_is(positions):
    """Whoever takes a desk has it from then on, what is to be journaled gives it back, and it is not taken twice."""
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


async def test_the_sheet_of_a_position(positions, around):
    """It is made of what is concluded, what people did, and what was read; as plain JSON all of it can be told."""
    alert = Alert(
        id=identify("vanished-train", "section/T107", NOON - HOUR),
        kind="vanished-train",
        subject="section/T107",
        priority="urgent",
        began=NOON - HOUR,
        raised=NOON - HOUR,
        ended=None,
        summary="T107 cleared, its train is unaccounted for",
        evidence=(),
        affected=(),
        suspects=(),
        checks=(),
        parameters={},
    )
    around.handling.told(alert)
    positions.act(MOOR, TAKE, NOON - 2 * HOUR, "0123456789abcdef")
    left = DeskIn(what="note_left", position="north", text="key 4 is out")
    positions.act(MOOR, left, NOON - HOUR, "0123456789abcde0")
    raised = Raised(
        kind=alert.kind,
        subject=alert.subject,
        priority="urgent",
        raised=alert.raised,
    )
    lately = Lately(
        calls=(
            (NOON - MINUTE, "section/T107"),
            (NOON - MINUTE, "section/T999"),
            (NOON - 10 * HOUR, "section/T107"),
        ),
        alerts=(raised,),
    )
    sheet = await positions.handover("north", lately)
    numbers = {one.words: one.count for one in sheet.numbers}
    told = json.loads(json.dumps(plain(sheet)))

    assert (numbers["calls"], numbers["urgent alerts"]) == (1, 1)
    assert numbers["disturbances, not under work"] == 1
    assert (sheet.who_goes, sheet.wrong) == ("A. Moor", ("The disk is full.",))
    assert sheet.standing[0].text == alert.summary
    assert {one.section for one in sheet.not_known} == {"T106", "T107", "T108"}
    assert told["shift"]["begin"] == "2026-05-04T06:00:00.000Z"
    assert told["notes"] == [
        {
            "id": "0123456789abcde0",
            "at": "2026-05-04T11:00:00.000Z",
            "by": "A. Moor",
            "text": "key 4 is out",
        }
    ]
    assert told["standing"][0]["what"] == "train unaccounted for, not closed"


async def test_a_note_is_closed_by_its_name(positions):
    """It is carried on until somebody closes it, and is closed once."""
    left = DeskIn(what="hand_over", position="north", to="B. Marsh", text="key 4")
    closed = DeskIn(what="note_closed", position="north", note="0123456789abcde0")
    positions.act(MOOR, TAKE, NOON, "0123456789abcdef")
    positions.act(MOOR, left, NOON, "0123456789abcde0")
    before = await positions.handover("north", Lately())
    positions.act(MOOR, closed, NOON, "0123456789abcde1")
    after = await positions.handover("north", Lately())

    assert [one.text for one in before.notes] == ["key 4"]
    assert (before.who_goes, before.who_comes) == ("A. Moor", "B. Marsh")
    assert after.notes == ()
    with pytest.raises(Refused, match="no such note"):
        positions.act(MOOR, closed, NOON, "0123456789abcde2")


async def test_a_sheet_is_of_a_position_that_is_there(positions):
    """A handover sheet is given for a position that is set up, and for no other."""
    with pytest.raises(NotThere):
        await positions.handover("south", Lately())
    assert positions.shift(NOON).begin == NOON - 6 * HOUR
