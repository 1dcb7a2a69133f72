from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from monitor.core.detector import Place
from monitor.core.engine import Engine
from monitor.core.events import SectionState, SectionWork, SourceWatch, State
from monitor.core.moments import DAY, HOUR, MINUTE, parse
from monitor.journal import Journal, own
from monitor.planned import (
    Going,
    Imported,
    NoStep,
    Plans,
    Stepped,
    Withdrawn,
    entry,
    going,
    read_record,
    records,
    sources_of,
    works_of,
    write_record,
)
from monitor.plans import Work
from monitor.refusals import Works

ONE = parse("2026-05-04T01:00:00Z")
LINE = Place.example().line
NIGHT = Work(
    sections=("T106", "T107"),
    begin=ONE,
    end=ONE + 3 * HOUR,
    reference="W7",
    row="row 2",
)
MORNING = Work(
    sections=("T108",), begin=ONE + 4 * HOUR, end=ONE + 5 * HOUR, row="row 3"
)
COMMON = {"by": "Ines", "position": "east", "plan": "week"}
IMPORTED = Imported(id="i1", entered=ONE - HOUR, works=(NIGHT, MORNING), **COMMON)


def step(what, work=NIGHT, at=ONE, identity=None, **more):
    """Somebody says that *work* has begun or ended, a minute after it was so."""
    return Stepped(
        id=identity or f"{what}-{work.key}",
        entered=at + MINUTE,
        key=work.key,
        step=what,
        at=at,
        **(COMMON | more),
    )


def under(*events):
    """The work going on after *events*; whether it waits or was concluded from is the same."""
    engine = Engine(LINE)
    for event in events:
        engine.take(event)
    waiting = works_of(engine)
    engine.finish(ONE + DAY)
    assert works_of(engine) == waiting
    assert sum(len(one.work) for one in engine.occupancy.sections.values()) == sum(
        map(len, waiting.values())
    )
    return waiting


def stages(plans, works):
    """What became of each piece of work."""
    return [(row.work.reference, row.stage) for row in plans.rows(works)]


def test_a_plan_alone_is_planned():
    """Nothing comes of it for the engine, whatever the clock shows."""
    plans = Plans([IMPORTED])

    assert stages(plans, {}) == [("W7", "planned"), ("", "planned")]
    assert plans.names == ("week",)


def test_what_has_begun_is_told_to_the_engine():
    """One event for each section, from the source of the plan, when it was so, entered when it was entered, with its planned end."""
    first, second = Plans([IMPORTED]).events(step("begun"), {})

    assert first == SectionWork(
        id=f"{NIGHT.key}/T106/begun",
        source="plan/week",
        subject="T106",
        time=ONE,
        arrival=ONE + MINUTE,
        begun=True,
        reference="W7",
        planned_end=ONE + 3 * HOUR,
    )
    assert second.subject == "T107"


def test_a_piece_of_work_begins_and_ends():
    """By what people say, not by the clock; the sections are under work exactly meanwhile."""
    plans, begun = Plans([IMPORTED]), step("begun")
    told = plans.events(begun, {})
    plans.take(begun)
    works = under(*told)

    assert stages(plans, works) == [("W7", "begun"), ("", "planned")]
    assert plans.rows(works)[0].begun == ONE

    ended = step("ended", at=ONE + 9 * HOUR)
    more = plans.events(ended, works)
    plans.take(ended)
    works = under(*told, *more)

    assert stages(plans, works) == [("W7", "ended"), ("", "planned")]
    assert works == {}


def test_sections_given_back_otherwise_are_not_given_back_again():
    """Where a desk ended it on one section, the end by the plan is that of the other; where it did on all, the work has ended."""
    plans, begun = Plans([IMPORTED]), step("begun")
    told = plans.events(begun, {})
    plans.take(begun)
    by_desk = [
        replace(event, id=event.id + "!", source="desk/east", begun=False, time=at)
        for event in told
        for at in [ONE + HOUR]
    ]
    one, both = under(*told, by_desk[0]), under(*told, *by_desk)

    events = plans.events(step("ended", at=ONE + 2 * HOUR), one)
    assert [(event.subject, event.begun) for event in events] == [("T107", False)]
    assert stages(plans, one)[0] == ("W7", "begun")
    assert stages(plans, both)[0] == ("W7", "ended")


@pytest.mark.parametrize(
    ("before", "asked", "why"),
    [
        ((), step("ended"), "W7 has not begun"),
        ((step("begun"),), step("begun", identity="2"), "W7 has begun already"),
        (
            (step("begun"), step("ended")),
            step("begun", identity="2"),
            "W7 has ended already",
        ),
        (
            (step("begun"), step("ended")),
            step("ended", identity="2"),
            "W7 has ended already",
        ),
        ((), step("ended", MORNING), "row 3 has not begun"),
        ((), step("begun", plan="month"), "the plan month has no such work"),
        (
            (Withdrawn(id="w", entered=ONE, **COMMON),),
            step("begun"),
            "the plan week has no such work",
        ),
    ],
)
def test_a_step_that_cannot_be_taken(before, asked, why):
    """Is refused in one line, whoever was first."""
    plans = Plans([IMPORTED])
    works: Works = {}
    for one in before:
        if isinstance(one, Stepped) and one.step == "begun":
            works = under(*plans.events(one, works))
        plans.take(one)

    with pytest.raises(NoStep) as refused:
        plans.events(asked, works)
    assert str(refused.value) == why


def test_work_without_a_name_ends_nothing_else():
    """Two pieces of work on one section, neither with a name: the end of one leaves the other."""
    other = replace(MORNING, begin=MORNING.begin + HOUR, end=MORNING.end + 2 * HOUR)
    plans = Plans([replace(IMPORTED, works=(MORNING, other))])
    told: list[SectionWork] = []
    for work in (MORNING, other):
        begun = step("begun", work, at=work.begin)
        told += plans.events(begun, {})
        plans.take(begun)
    ended = step("ended", MORNING, at=MORNING.end + HOUR)
    told += plans.events(ended, under(*told))
    plans.take(ended)

    assert [row.stage for row in plans.rows(under(*told))] == ["ended", "begun"]


def test_a_plan_that_comes_again_takes_the_place_of_the_one_before():
    """Work keeps what was said of it, also with another end and in another row; work that has begun stays until it has ended, though its plan no longer holds it."""
    plans, begun = Plans([IMPORTED]), step("begun")
    works = under(*plans.events(begun, {}))
    plans.take(begun)
    later = replace(NIGHT, end=NIGHT.end + HOUR, row="row 9")

    plans.take(replace(IMPORTED, id="i2", works=(later,)))
    [row] = plans.rows(works)
    assert (row.stage, row.work.end, row.work.row) == ("begun", later.end, "row 9")

    plans.take(Withdrawn(id="w1", entered=ONE, **COMMON))
    assert (stages(plans, works), plans.names) == ([("W7", "begun")], ())

    ended = step("ended", at=ONE + HOUR)
    assert len(plans.events(ended, works)) == 2
    plans.take(ended)
    assert plans.rows({}) == ()


def test_a_record_taken_again_changes_nothing():
    """An import sent twice does not bring back what was withdrawn meanwhile."""
    plans = Plans([IMPORTED, Withdrawn(id="w1", entered=ONE, **COMMON)])

    assert plans.take(IMPORTED) is False
    assert plans.rows({}) == ()


@pytest.mark.parametrize(
    ("minutes", "due"),
    [(29, ""), (30, "soon"), (59, "soon"), (60, "over"), (90, "over")],
)
def test_work_is_due_before_its_planned_end_and_over_after(minutes, due):
    """Half an hour before it, and from it on; the work goes on in any case."""
    begun = replace(NIGHT, end=ONE + HOUR)
    plans = Plans([replace(IMPORTED, works=(begun,))])
    works = under(*plans.events(step("begun", begun), {}))

    assert going(works, ONE + minutes * MINUTE) == (
        Going(
            reference="W7",
            source="plan/week",
            sections=("T106", "T107"),
            begun=ONE,
            planned_end=ONE + HOUR,
            due_in=(60 - minutes) * MINUTE,
            due=due,
        ),
    )


def test_what_is_to_end_first_comes_first():
    """Work without a planned end comes last, and is never due."""

    def work(section, end):
        return SectionWork(
            id=section,
            source="gw/1",
            subject=section,
            time=ONE,
            begun=True,
            planned_end=end,
        )

    works = {
        "T106": [work("T106", None)],
        "T107": [work("T107", ONE + 2 * HOUR)],
        "T108": [work("T108", ONE + HOUR)],
    }
    found = going(works, ONE + 9 * HOUR)

    assert [(one.sections[0], one.due) for one in found] == [
        ("T108", "over"),
        ("T107", "over"),
        ("T106", ""),
    ]
    assert found[-1].due_in is None


def test_a_source_is_out_as_soon_as_somebody_said_so():
    """Also while that waits to be concluded from; and back in likewise."""
    engine = Engine(LINE)
    taken_out = SourceWatch(
        id="0", source="desk/east", subject="gw/1", time=ONE, out=True
    )
    heard = SectionState(
        id="1", source="gw/1", subject="T107", time=ONE, arrival=ONE, state=State.CLEAR
    )
    engine.take(heard)
    engine.finish(ONE + HOUR)
    seen = [sources_of(engine)]
    for number, out in enumerate((True, False)):
        at = ONE + HOUR + number * MINUTE
        event = replace(taken_out, id=str(number), time=at, arrival=at, out=out)
        engine.take(event)
        seen.append(sources_of(engine))
    engine.finish(ONE + 2 * HOUR)

    assert seen == [{"gw/1": False}, {"gw/1": True}, {"gw/1": False}]
    assert sources_of(engine)["gw/1"] is False


# In the journal.

TEXTS = st.text(st.characters(codec="utf-8"), max_size=40)
MOMENTS = st.integers(ONE, ONE + HOUR)
RECORDED = {
    "id": TEXTS,
    "entered": MOMENTS,
    "by": TEXTS,
    "position": TEXTS,
    "plan": TEXTS,
}
WORKS = st.builds(
    Work,
    sections=st.lists(TEXTS, max_size=3).map(tuple),
    begin=MOMENTS,
    end=MOMENTS,
    reference=TEXTS,
    text=TEXTS,
    row=TEXTS,
)


@given(
    st.builds(Imported, works=st.lists(WORKS, max_size=3).map(tuple), **RECORDED)
    | st.builds(Withdrawn, **RECORDED)
    | st.builds(
        Stepped,
        key=TEXTS,
        step=st.sampled_from(["begun", "ended"]),
        at=MOMENTS,
        **RECORDED,
    )
)
def test_a_record_comes_back_as_it_was(record):
    """Whatever people type, on one line of JSON."""
    written = write_record(record)

    assert read_record(written) == record
    assert b"\n" not in written


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"data": {"plan": "week", "by": "Ines"}}, "a plan in the journal is not"),
        ({"type": "tallywatch.plan.eaten"}, "a plan in the journal is not whole"),
        (
            {"data": {"plan": "w", "by": "I", "key": "1", "step": "halved"}},
            "there is no step 'halved'",
        ),
        ({"time": "yesterday"}, "yesterday"),
    ],
)
def test_a_record_that_is_not_whole_is_told(change, why):
    """It was written by this program, so something has happened to it."""
    told = json.loads(write_record(step("begun"))) | change

    with pytest.raises(ValueError, match=why):
        read_record(json.dumps(told).encode())


@pytest.mark.parametrize(
    "payload", [b"[line]", b"[1]", b'{"type":"tallywatch.alert.act"}', b'{"type":7}']
)
def test_what_else_a_journal_keeps_is_no_plan(payload):
    """Texts in force, acts, and anything that is no JSON."""
    assert read_record(payload) is None


def test_plans_are_known_after_a_restart(tmp_path):
    """Out of the journal alone: the plan, what has begun, and that its sections are under work."""
    path = tmp_path / "journal.db"
    begun = step("begun")
    with Journal.open(path) as journal:
        journal.append([entry(IMPORTED)])
        told = Plans([IMPORTED]).events(begun, {})
        journal.append([entry(begun), *(own(event, begun.entered) for event in told)])
    with Journal.open(path) as journal:
        plans = Plans(records(journal.kept()))
        works = under(*journal.events())

    assert stages(plans, works) == [("W7", "begun"), ("", "planned")]
    assert sorted(works) == ["T106", "T107"]


def test_a_step_said_twice_reaches_the_engine_once(tmp_path):
    """Two desks that say the same at once: the journal knows the events of the work, whoever entered them."""
    plans = Plans([IMPORTED])
    with Journal.open(tmp_path / "journal.db") as journal:
        for identity in ("1", "2"):
            begun = step("begun", identity=identity)
            told = plans.events(begun, {})
            given = journal.append([own(event, begun.entered) for event in told])
            assert len(given.events) == (2 if identity == "1" else 0)
