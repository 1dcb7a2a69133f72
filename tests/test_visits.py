from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from monitor.core.moments import HOUR, MINUTE, parse
from monitor.doings import Doings
from monitor.findings import FINDINGS, judged
from monitor.handling import Act
from monitor.visits import Visit, Visits, Withdrawn, entry, read_visit, visits_in
from tests.desk.daemon import alert, fault

NOON = parse("2026-05-04T12:00:00Z")
VISIT = Visit(
    id="0123456789abcdef",
    begin=NOON,
    end=NOON + HOUR,
    subjects=("head/H107",),
    cause="head",
    part="head/H107",
    text="fixing loose",
    who="Ines",
    by="Ada",
    position="plans",
    entered=NOON + 2 * HOUR,
)
BACK = Withdrawn(id="1", visit=VISIT.id, text="wrong day", by="Ada", entered=NOON)
T107 = fault(alert())


def act(what, minute, **more):
    """Somebody did something about T107."""
    at = NOON + minute * MINUTE
    values = {"id": f"{what}{minute}", "at": at, "entered": at, "by": "Ines"} | more
    return Act(position="", what=what, fault=T107.id, **values)


def told(*acts):
    """The visits that those make."""
    visits = Visits()
    for one in acts:
        visits.told(one, T107)
    return visits.all()


TEXTS = st.text(st.characters(codec="utf-8"), max_size=40)
MOMENTS = st.integers(NOON, NOON + HOUR)


@given(
    st.builds(
        Visit,
        id=TEXTS,
        begin=MOMENTS,
        end=MOMENTS,
        subjects=st.lists(TEXTS, min_size=1, max_size=3).map(tuple),
        cause=st.sampled_from(list(FINDINGS)),
        part=TEXTS,
        reference=TEXTS,
        text=TEXTS,
        who=TEXTS,
        fault=TEXTS,
        by=TEXTS,
        position=TEXTS,
        entered=MOMENTS,
    )
    | st.builds(
        Withdrawn,
        id=TEXTS,
        visit=TEXTS,
        text=TEXTS,
        by=TEXTS,
        position=TEXTS,
        entered=MOMENTS,
    )
)
def test_a_record_comes_back_as_it_was(record):
    """Whatever people type, on one line of JSON."""
    written = entry(record).payload

    assert read_visit(written) == record
    assert b"\n" not in written


@pytest.mark.parametrize(
    "payload",
    [
        b'{"type":"tallywatch.planner.visit","id":"1","data":{}}',
        entry(VISIT).payload.replace(b'"cause":"head"', b'"cause":"gremlins"'),
    ],
    ids=["not whole", "no cause"],
)
def test_what_is_not_as_it_was_written_is_told(payload):
    """It is a visit, and cannot be read."""
    with pytest.raises(ValueError, match=r"not whole|no cause"):
        read_visit(payload)


@pytest.mark.parametrize(
    "payload", [b"tallywatch.planner.visit", b'["tallywatch.planner.visit"]', b"{}"]
)
def test_what_else_a_journal_keeps_is_no_visit(payload):
    """Text and lists, also where they hold the word."""
    assert read_visit(payload) is None


def test_a_later_record_takes_the_place_of_the_earlier():
    """More is known of what was found; the same again changes nothing."""
    better = replace(VISIT, cause="cable", entered=NOON + 3 * HOUR)
    visits = Visits()

    assert visits.take(VISIT)
    assert not visits.take(replace(VISIT, by="Bo", entered=NOON + 5 * HOUR))
    assert visits.take(better)
    assert visits.all() == (better,)


def test_what_was_withdrawn_stays_so_unless_something_new_is_said():
    """The same table imported again brings nothing back."""
    visits = visits_in(entry(one).payload for one in (VISIT, BACK, VISIT))

    assert visits.all() == ()
    assert not visits.take(BACK)
    assert visits.take(replace(VISIT, cause="cable"))
    assert len(visits.all()) == 1


def test_who_found_something_on_site_has_visited():
    """From when they were on site to when they said that they are gone, all that the fault is about."""
    [visit] = told(
        act("on_site", 10),
        act("found", 40, text="joint wet", cause="cable", part="cable/C2"),
        act("gone", 55),
    )

    assert (visit.begin, visit.end) == (NOON + 10 * MINUTE, NOON + 55 * MINUTE)
    assert (visit.subjects, visit.cause) == (("section/T107",), "cable")
    assert (visit.part, visit.who, visit.fault) == ("cable/C2", "Ines", T107.id)
    assert visit.text == "joint wet"


def test_what_is_found_in_two_steps_is_one_visit():
    """The later cause counts, and both texts are kept; who says none takes none back."""
    [visit] = told(
        act("found", 10, text="water in the box"),
        act("found", 20, cause="cable"),
        act("found", 30, text="joint remade"),
    )

    assert (visit.begin, visit.end) == (NOON + 10 * MINUTE, NOON + 30 * MINUTE)
    assert (visit.cause, visit.text) == ("cable", "water in the box\njoint remade")


def test_two_people_and_two_days_are_several_visits():
    """Somebody else, or the same one who was gone meanwhile."""
    visits = told(
        act("found", 10, cause="head"),
        act("found", 12, cause="nothing", by="Bo"),
        act("gone", 20),
        act("found", 60, cause="cable"),
    )

    assert [(one.who, one.cause) for one in visits] == [
        ("Ines", "head"),
        ("Bo", "nothing"),
        ("Ines", "cable"),
    ]


def test_whoever_says_only_that_they_are_there_has_found_nothing_to_tell():
    """Going, on site and gone alone make no visit."""
    assert told(act("going", 1), act("on_site", 10), act("gone", 20)) == ()


def test_visits_are_folded_out_of_the_journal():
    """Beside all else that people did."""
    doings = Doings([])
    doings.read(entry(VISIT).payload)

    assert doings.visits.all() == (VISIT,)


def test_nothing_found_is_a_judgement_and_not_said_is_none():
    """Of every cause on the list: all others say that something was there."""
    verdicts = {cause: judged(cause) for cause in FINDINGS}

    assert verdicts.pop("nothing") is False
    assert verdicts.pop("not-said") is None
    assert set(verdicts.values()) == {True}
