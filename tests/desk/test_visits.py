from __future__ import annotations

import pytest
from typer.testing import CliRunner

from monitor.desk.model import (
    FoundIn,
    NotThere,
    Refused,
    VisitIn,
    VisitsIn,
    VisitWithdrawnIn,
)
from monitor.doings import Doings
from monitor.visits_cli import visits_app
from tests.desk.daemon import MOOR, alert, answering, fault

VISIT = VisitIn(
    what="visited",
    begin="2026-05-04T09:00:00Z",
    subjects=["head/H107"],
    cause="head",
    part="head/H107",
    reference="WO 17",
    text="fixing loose",
    key="12345678",
)


async def test_a_visit_is_on_disk_and_known_after_a_start(daemon):
    """By whom it was entered; sent again it is one all the same."""
    async with daemon.running() as desk:
        done = await desk.visit(MOOR, VISIT)
        again = await desk.visit(MOOR, VISIT)
        [told] = await desk.visits()
    later = daemon.started_again()

    assert ([told.id], 0) == (done.visits, done.known)
    assert (again.visits, again.known) == ([], 1)
    assert (told.who, told.by, told.reference) == ("A. Moor", "A. Moor", "WO 17")
    assert told.found == "head loose, moved or out of adjustment"
    assert later.visits.all() == daemon.visits.all()
    assert len(daemon.written()) == 1


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"subjects": ["head/H999"]}, NotThere),
        ({"part": "head/H999"}, NotThere),
        ({"end": "2026-05-04T08:00:00Z"}, Refused),
        ({"begin": "2026-05-04T14:00:00Z"}, Refused),
    ],
    ids=["place", "part", "backwards", "to come"],
)
async def test_a_visit_that_cannot_be_is_refused(daemon, wrong, why):
    """Nothing is written."""
    async with daemon.running() as desk:
        with pytest.raises(why):
            await desk.visit(MOOR, VISIT.model_copy(update=wrong))

    assert daemon.written() == []


async def test_a_key_stands_for_one_visit(daemon):
    """Another visit under it is refused."""
    async with daemon.running() as desk:
        await desk.visit(MOOR, VISIT)
        with pytest.raises(Refused):
            await desk.visit(MOOR, VISIT.model_copy(update={"cause": "cable"}))


async def test_a_table_comes_in_and_goes_out(daemon):
    """What was exported changes nothing when it is imported; with another cause it does."""
    async with daemon.running() as desk:
        await desk.visit(MOOR, VISIT)
        table = await desk.visits_table()
        same = await desk.visit(MOOR, VisitsIn(what="visits_imported", text=table))
        other = table.replace(",head,", ",cable,")
        more = await desk.visit(MOOR, VisitsIn(what="visits_imported", text=other))
        [told] = await desk.visits()

    assert (same.visits, same.known) == ([], 1)
    assert (more.visits, told.cause) == ([told.id], "cable")


async def test_a_wrong_table_is_refused_whole(daemon):
    """With the line of what is wrong, at most twenty."""
    rows = "2026-05-04T09:00,T107,head\n" + "soon,T107,head\n" * 25
    given = VisitsIn(what="visits_imported", text=f"from,subject,cause\n{rows}")
    async with daemon.running() as desk:
        with pytest.raises(Refused, match=r"line 3: 'soon' is no time.*; 5 more"):
            await desk.visit(MOOR, given)

    assert daemon.written() == []


async def test_a_visit_can_be_taken_back(daemon):
    """It stays in the journal; a second time there is none."""
    async with daemon.running() as desk:
        [name] = (await desk.visit(MOOR, VISIT)).visits
        back = VisitWithdrawnIn(what="visit_withdrawn", visit=name, text="wrong day")
        await desk.visit(MOOR, back)
        with pytest.raises(NotThere):
            await desk.visit(MOOR, back)
        assert await desk.visits() == []

    assert len(daemon.written()) == 2


async def test_what_is_found_on_the_phone_is_a_visit(daemon):
    """With its cause, after a start too; and it is a note of the fault."""
    one = fault(alert())
    daemon.tell(alert(), faults=[one])
    found = FoundIn(what="found", fault=one.id, cause="cable", part="cable/C2")
    async with daemon.running() as desk:
        await desk.act(MOOR, found)
        [told] = await desk.visits()
        [note] = (await desk.fault(one.id)).notes
        with pytest.raises(Refused):
            await desk.act(MOOR, FoundIn(what="found", fault=one.id))
    later = Doings([])
    later.handling.told(alert())
    later.handling.told_fault(one)
    for payload in daemon.written():
        later.read(payload)

    assert (told.cause, told.part, told.fault) == ("cable", "cable/C2", one.id)
    assert told.subjects == ["section/T107"]
    assert note.text == "cable or joint (C2)"
    assert later.visits.all() == daemon.visits.all()


def call(*args):
    """The command `visits`."""
    return CliRunner().invoke(visits_app, list(args))


@pytest.mark.slow
def test_the_command_brings_a_table_in_and_out(tmp_path):
    """Into a running monitor, over HTTP; what is wrong is told line by line, and the end is 1."""
    table = tmp_path / "v.csv"
    table.write_text(
        "from,subject,cause,who\n2026-05-04T09:00,T107,cable,=Ines\n", encoding="utf-8"
    )
    wrong = tmp_path / "wrong.csv"
    wrong.write_text("from,subject,cause\nsoon,T9,gremlins\n", encoding="utf-8")
    out = tmp_path / "out.csv"
    (tmp_path / "monitor").mkdir()
    with answering(tmp_path / "monitor") as (_, at):
        first = call("import", str(table), "--desk", at)
        again = call("import", str(table), "--desk", at)
        bad = call("import", str(wrong), "--desk", at)
        given = call("export", "--desk", at, "--out", str(out))
        shown = call("export", "--desk", at)

    assert first.stdout == "v.csv: 1 new or changed, 0 known already\n"
    assert again.stdout == "v.csv: 0 new or changed, 1 known already\n"
    assert bad.exit_code == 1
    assert [
        one.rpartition("wrong.csv: line ")[2][:1] for one in bad.stderr.splitlines()[:2]
    ] == ["2", "2"]
    assert given.exit_code == 0
    assert "'=Ines" in out.read_text(encoding="utf-8")
    assert shown.stdout.splitlines() == out.read_text(encoding="utf-8").splitlines()


def test_a_monitor_that_is_not_there_is_told(tmp_path):
    """In one line, and so is a file that is none."""
    table = tmp_path / "v.csv"
    table.write_bytes(b"\xff")

    assert (
        call("import", str(table)).stderr
        == f"{table}: byte 0 is no UTF-8: save the table as CSV in UTF-8\n"
    )
    assert call("import", str(tmp_path / "x.csv")).exit_code == 1
    assert call("export", "--desk", "http://127.0.0.1:1").exit_code == 1
