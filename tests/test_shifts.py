from __future__ import annotations

from dataclasses import replace
from itertools import count
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings, strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from monitor import shifts as shifts_module
from monitor.core.moments import HOUR, MINUTE, parse
from monitor.handling import Refused
from monitor.shifts import (
    BEGINS,
    DESKS,
    REFUSED,
    DeskAct,
    Desks,
    Held,
    Position,
    Rota,
    Step,
)

BERLIN = ZoneInfo("Europe/Berlin")
UTC = ZoneInfo("UTC")
NOON = parse("2026-05-04T12:00:00Z")  # a Monday
NUMBERS = count()


def act(what, by="Ines", at=NOON, **more):
    """Something that somebody did about the desk east."""
    given = {
        "id": f"act-{next(NUMBERS)}",
        "at": at,
        "entered": at,
        "by": by,
        "position": "east",
        "what": what,
    }
    return DeskAct(**{**given, **more})


@pytest.fixture
def desks():
    """Two positions, of which nobody has the desk."""
    return Desks((Position(name="east", areas=("a",)), Position(name="west")))


# Shifts.


def test_a_shift_lasts_until_the_next_begins():
    """Of three a day each has its time; the last goes on after midnight."""
    rota = Rota.read(("22:00", "06:00", "14:00"), UTC)
    early, late, night = (
        rota.of(parse(f"2026-05-04T{text}:00Z")) for text in ("06:00", "21:59", "22:00")
    )

    assert (early.begin, early.end) == (NOON - 6 * HOUR, NOON + 2 * HOUR)
    assert (late.begin, late.end) == (NOON + 2 * HOUR, NOON + 10 * HOUR)
    assert (night.begin, night.end) == (NOON + 10 * HOUR, NOON + 18 * HOUR)
    assert rota.of(night.end - 1) == night
    assert [one.slot for one in (early, late, night)] == [0, 1, 2]


@pytest.mark.parametrize(
    ("night", "hours"),
    [("2026-03-28", 7), ("2026-10-24", 9), ("2026-05-04", 8)],
)
def test_the_night_on_which_clocks_change(night, hours):
    """From ten to six it is an hour shorter in spring, and longer in autumn."""
    shift = Rota.read(BEGINS, BERLIN).of(parse(f"{night}T22:00:00Z"))

    assert shift.end - shift.begin == hours * HOUR


def test_its_offset_is_written_out_on_those_two_nights_alone():
    """At both ends, for the hour between two and three is there twice."""
    rota = Rota.read(BEGINS, BERLIN)

    def words(text):
        return rota.of(parse(text)).words(BERLIN)

    assert words("2026-10-24T22:00:00Z") == (
        "2026-10-24 22:00 (+02:00) to 2026-10-25 06:00 (+01:00)"
    )
    assert words("2026-10-25T22:00:00Z") == "2026-10-25 22:00 to 2026-10-26 06:00"
    assert words("2026-05-04T12:00:00Z") == "2026-05-04 14:00 to 22:00"


@given(
    st.lists(st.integers(0, 1439), min_size=1, max_size=5, unique=True),
    st.integers(0, 365 * 24 * 60),
    st.sampled_from(["UTC", "Europe/Berlin", "Asia/Kathmandu", "America/St_Johns"]),
)
def test_every_moment_is_in_one_shift(begins, minutes, zone):
    """Shifts follow one another without a gap, whatever the clocks do."""
    times = [f"{one // 60:02}:{one % 60:02}" for one in begins]
    rota = Rota.read(times, ZoneInfo(zone))
    moment = parse("2026-01-01T00:00:00Z") + minutes * MINUTE
    shift = rota.of(moment)

    assert shift.begin <= moment < shift.end
    assert rota.of(shift.end).begin == shift.end


@pytest.mark.parametrize(
    ("day", "like"),
    [
        # 4 May 2026 is a Monday: before it came Friday to Monday of the week before.
        ("2026-05-04", ["05-01", "04-30", "04-29", "04-28", "04-27"]),
        ("2026-05-02", ["04-25", "04-18", "04-11", "04-04", "03-28"]),
        ("2026-05-03", ["04-26", "04-19", "04-12", "04-05", "03-29"]),
    ],
)
def test_like_shifts_are_of_like_days(day, like):
    """Working days among themselves, Saturdays, Sundays; newest first, eight at most."""
    rota = Rota.read(BEGINS, UTC)
    shift = rota.of(parse(f"{day}T07:00:00Z"))
    found = rota.like(shift, 0)

    assert len(found) == 8
    assert [one.begin for one in found[:5]] == [
        parse(f"2026-{one}T06:00:00Z") for one in like
    ]


def test_nothing_is_like_before_the_record_begins():
    """A shift that the record does not hold whole is not compared with."""
    rota = Rota.read(BEGINS, UTC)
    shift = rota.of(NOON)
    since = parse("2026-04-30T06:00:00Z")

    assert [one.begin for one in rota.like(shift, since)] == [
        parse("2026-05-01T06:00:00Z"),
        since,
    ]
    assert len(rota.like(shift, since + 1)) == 1


@pytest.mark.parametrize(
    ("times", "why"),
    [
        ((), "no shift begins"),
        (("6:00",), "no time of day"),
        (("24:00",), "no time of day"),
        (("06:00", "06:00"), "at the same time"),
    ],
)
def test_times_that_are_none_are_refused(times, why):
    """And it is said which."""
    with pytest.raises(ValueError, match=why):
        Rota.read(times, UTC)


# Who has the desk.


def test_a_desk_is_taken_and_handed_over(desks):
    """Who had it has it until another takes it; both names are known then."""
    desks.take(act("take_desk"))
    taken = desks.desk("east")
    desks.take(act("hand_over", to="Bo", text="T107 is to be watched", at=NOON + HOUR))
    offered = desks.desk("east")
    desks.take(act("take_desk", by="Bo", at=NOON + HOUR + MINUTE))
    after = desks.desk("east")

    assert (taken.has_it, taken.since, taken.held) == ("Ines", NOON, Held.THEIRS)
    assert (offered.has_it, offered.to, offered.handed_over) == (
        *("Ines", "Bo", NOON + HOUR),
    )
    assert (after.has_it, after.before, after.since) == (
        *("Bo", "Ines", NOON + HOUR + MINUTE),
    )
    assert (after.to, after.handed_over) == ("", None)
    assert desks.desk("west").has_it is None


def test_notes_are_carried_on_until_somebody_closes_them(desks):
    """From one desk to the next, whoever has it."""
    first = act("hand_over", text="T107 is to be watched")
    second = act("note_left", text="key 4 is with the party", at=NOON + MINUTE)
    desks.take(act("take_desk"))
    desks.take(first)
    desks.take(second)
    desks.take(act("take_desk", by="Bo", at=NOON + HOUR))
    both = [one.text for one in desks.desk("east").notes]
    desks.take(act("note_closed", by="Bo", note=first.id, at=NOON + 2 * HOUR))

    assert both == ["T107 is to be watched", "key 4 is with the party"]
    assert [one.text for one in desks.desk("east").notes] == [both[1]]
    with pytest.raises(Refused, match="there is no such note"):
        desks.take(act("note_closed", note=first.id))


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (act("hand_over"), "nobody has that desk"),
        (act("take_desk", position="north"), "there is no position north"),
        (act("note_left", text="  "), "there is nothing in it"),
        (act("take_desk", text="x" * 501), "at most 500 characters"),
        (replace(act("take_desk"), entered=NOON - 1), "has not happened yet"),
    ],
)
def test_what_cannot_be_is_refused(desks, wrong, why):
    """Nothing changes by it."""
    before = desks.desks()
    with pytest.raises(Refused, match=why):
        desks.take(wrong)

    assert desks.desks() == before


def test_an_act_counts_once_and_others_positions_are_left_alone(desks):
    """What the journal holds is taken again at a start; positions that are gone are passed over."""
    taken = act("take_desk")
    desks.fold([taken, act("take_desk", position="north"), taken])

    assert desks.desk("east").has_it == "Ines"
    assert not desks.take(taken)


class People(RuleBasedStateMachine):
    """Two people and one desk, held against three variables that anybody can follow."""

    @initialize()
    def begin(self):
        """Nobody has it."""
        self.desks = Desks((Position(name="east"),))
        self.has, self.offered, self.now = None, False, NOON

    def tried(self, what, by, allowed):
        """Somebody acts, and may or may not."""
        self.now += MINUTE
        one = act(what, by=by, at=self.now)
        if allowed:
            assert self.desks.take(one)
        else:
            with pytest.raises(Refused):
                self.desks.take(one)

    @rule(by=st.sampled_from(["Ines", "Bo"]))
    def take(self, by):
        """Somebody takes the desk."""
        self.tried("take_desk", by, self.has != by or self.offered)
        self.has, self.offered = by, False

    @rule(by=st.sampled_from(["Ines", "Bo"]))
    def hand_over(self, by):
        """Somebody hands it over."""
        allowed = self.has == by and not self.offered
        self.tried("hand_over", by, allowed)
        self.offered = self.offered or allowed

    @invariant()
    def the_same(self):
        """Both say the same."""
        if not hasattr(self, "desks"):
            return
        desk = self.desks.desk("east")
        assert desk.has_it == self.has
        assert (desk.handed_over is not None) == self.offered


TestPeople = People.TestCase
TestPeople.settings = settings(stateful_step_count=20)


def test_the_table_that_people_read_is_the_one_that_holds():
    """Every pair is in the docstring, and what is refused says why."""
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in (shifts_module.__doc__ or "").splitlines()
        if line.startswith("|") and "---" not in line
    ]
    steps = [Step(name) for name in rows[0][1:]]
    table = {
        (Held(row[0]), step): cell
        for row in rows[1:]
        for step, cell in zip(steps, row[1:], strict=True)
    }
    refused = {pair for pair, cell in table.items() if cell == "refused"}

    assert {
        pair: Held(cell) for pair, cell in table.items() if pair not in refused
    } == DESKS
    assert set(REFUSED) == refused
