from __future__ import annotations

from math import exp

import pytest
from hypothesis import given, strategies as st

from monitor.core.causes import Causes, Limits
from monitor.core.changes import (
    CauseBegan,
    CauseOver,
    CauseSeen,
    Disturbance,
    ServiceChanged,
    StateChanged,
)
from monitor.core.dependence import Dependence
from monitor.core.events import Service, State
from monitor.core.layout import read_line
from monitor.core.moments import SECOND, parse

NOON = parse("2026-05-04T12:00:00Z")


class Told:
    """Failures of sections of EV1, and what was told of them; seconds are from noon on."""

    def __init__(self, line, rate=None, members=3):
        limits = Limits(
            members=members,
            window=60 * SECOND,
            storm=600 * SECOND,
            rest=10 * SECOND,
            longest=15 * SECOND,
            skew=2 * SECOND,
        )
        dependence = Dependence(line)
        self.causes = Causes(dependence=dependence, limits=limits, rate=lambda _: rate)
        self.told = []

    def disturbed(self, second, *sections):
        """These are disturbed."""
        at = NOON + second * SECOND
        for name in sections:
            change = Disturbance(
                place=name,
                at=at,
                happened=at,
                spurious=False,
                under_work=False,
                event=f"gw/1#{name}",
            )
            self.told += self.causes.hear(change)

    def clear(self, second, *sections):
        """These are clear again."""
        for name in sections:
            change = StateChanged(
                place=name,
                at=NOON + second * SECOND,
                was=State.DISTURBED,
                now=State.CLEAR,
                event=f"gw/1#{name}",
                so_since=NOON + second * SECOND,
                unseen=False,
            )
            self.told += self.causes.hear(change)

    def service(self, second, evaluator, now="locked_out"):
        """An evaluator says of itself that it is *now*."""
        at = NOON + second * SECOND
        change = ServiceChanged(
            place=evaluator,
            at=at,
            was=None,
            now=Service(now),
            event=f"gw/1#{evaluator}",
            so_since=at,
        )
        self.told += self.causes.hear(change)

    def wake(self, second):
        """It is so late."""
        self.told += self.causes.wake(NOON + second * SECOND)

    def seen(self):
        """The causes told: which asset, and how many members."""
        return [
            (one.place, len(one.members))
            for one in self.told
            if isinstance(one, CauseSeen)
        ]

    def over(self):
        """When a cause was over, in seconds."""
        return [
            (one.at - NOON) // SECOND for one in self.told if isinstance(one, CauseOver)
        ]


@pytest.fixture
def failures(plain):
    """EV1 keeps T1 to T5."""

    def made(**more):
        return Told(plain(10), **more)

    return made


def test_it_is_told_when_none_has_joined_for_ten_seconds(failures):
    """Three within the window are told 10 s after the last of them, and not a moment before, whoever asks."""
    day = failures()
    day.disturbed(0, "T1", "T2")
    day.wake(1)
    day.disturbed(3, "T3")
    day.wake(12)
    assert day.told == []
    assert day.causes.next_due() == NOON + 13 * SECOND

    day.wake(13)
    assert day.seen() == [("evaluator/EV1", 3)]
    assert day.causes.next_due() is None


def test_it_is_told_fifteen_seconds_after_the_third_at_the_latest(failures):
    """Others that go on joining put it off to 15 s after the third, and no further."""
    day = failures()
    day.disturbed(0, "T1", "T2", "T3")
    day.disturbed(8, "T4")
    day.wake(14)
    assert day.told == []

    day.wake(15)
    assert day.seen() == [("evaluator/EV1", 4)]


def test_others_join_as_long_as_each_is_near_the_last(failures):
    """A minute counts from the last that joined, not from the first: at 50 s and at 100 s they join, at 161 s none does."""
    day = failures()
    day.disturbed(0, "T1", "T2", "T3")
    day.wake(10)
    day.disturbed(50, "T4")
    day.disturbed(100, "T5")
    assert day.seen()[1:] == [("evaluator/EV1", 4), ("evaluator/EV1", 5)]

    late = failures()
    late.disturbed(0, "T1", "T2", "T3")
    late.wake(10)
    late.disturbed(61, "T4")
    assert late.seen() == [("evaluator/EV1", 3)]


def test_a_minute_counts_from_the_last_that_made_the_cause(failures):
    """The third failed at 5 s: at 65 s another joins, and a moment later none does."""
    for second, joined in ((65, 1), (66, 0)):
        day = failures()
        day.disturbed(0, "T1", "T2")
        day.disturbed(5, "T3")
        day.wake(15)
        day.disturbed(second, "T4")
        assert len(day.seen()) == 1 + joined


def test_what_failed_before_the_window_is_none_of_it(failures):
    """One that failed three minutes before the others is remembered for a storm, and no member of their cause."""
    day = failures()
    day.disturbed(0, "T1")
    day.disturbed(180, "T2", "T3", "T4")
    day.wake(190)

    assert day.seen() == [("evaluator/EV1", 3)]


def test_a_member_that_has_ended_before_it_is_told_keeps_nothing_open(failures):
    """T1 is clear again before the cause is told: that is over when the two others are."""
    day = failures()
    day.disturbed(0, "T1", "T2", "T3")
    day.clear(2, "T1")
    day.wake(10)
    assert day.seen() == [("evaluator/EV1", 3)]

    day.clear(20, "T2")
    assert day.over() == []
    day.clear(30, "T3")
    assert day.over() == [30]


def test_a_member_that_fails_again_is_of_the_same_cause(failures):
    """However late, what is covered stays covered: the cause is over when that one too has ended for good."""
    day = failures()
    day.disturbed(0, "T1", "T2", "T3")
    day.wake(10)
    day.clear(100, "T1")
    day.disturbed(900, "T1")
    day.clear(1000, "T2", "T3")
    assert day.over() == []
    assert len([one for one in day.told if isinstance(one, CauseBegan)]) == 3

    day.clear(1100, "T1")
    assert day.over() == [1100]


def test_how_often_that_comes_by_chance(failures):
    """Two of five sections, each disturbed twice in a day: ten a day, and the next within a minute 3650 x (1 - exp(-10 / 1440)) times a year, to a hundredth: two such cannot overlap."""
    day = failures(rate=2.0, members=2)
    day.disturbed(0, "T1", "T2")
    day.wake(10)

    [seen] = [one for one in day.told if isinstance(one, CauseSeen)]
    assert seen.chance_per_year == pytest.approx(3650 * (1 - exp(-10 / 1440)), rel=0.01)


def test_what_is_not_learnt_gives_no_chance(failures):
    """Where one section's own rate is not known, nothing is said of chance."""
    day = failures()
    day.disturbed(0, "T1", "T2", "T3")
    day.wake(10)

    [seen] = [one for one in day.told if isinstance(one, CauseSeen)]
    assert seen.chance_per_year is None


SHARED = {
    "EV1": ("R1", "PS1"),
    "EV2": ("R1", "PS1"),
    "EV3": ("R1", "PS2"),
    "EV4": ("R2", "PS2"),
}
"""Where evaluators stand, and what supplies them."""

KEPT = {
    "A1": "EV1",
    "A2": "EV1",
    "A3": "EV1",
    "B1": "EV2",
    "B2": "EV2",
    "B3": "EV2",
    "C1": "EV3",
    "C2": "EV3",
    "D1": "EV4",
    "D2": "EV4",
}
"""Which evaluator keeps which section; sections of one letter lie in one area."""

HEADS = {
    "A1-A2": ("U1", "K1"),
    "A2-A3": ("U1", "K1"),
    "A3-B1": ("U2", "K2"),
    "B1-B2": ("U2", "K2"),
    "B2-B3": ("U3", "K2"),
}
"""Which trackside unit and which cable serve the head between two sections."""


def _line():
    """Sections that share units, cables, evaluators, supplies, rooms and areas, each set another."""
    text = ['[line]\nname = "Sharing"\ntimezone = "UTC"\n']
    text += [
        f'[[evaluator]]\nid = "{one}"\nsite = "{site}"\nsupply = "{supply}"\n'
        for one, (site, supply) in SHARED.items()
    ]
    text += [
        f'[[section]]\nid = "{name}"\narea = "{name[0].lower()}"\n'
        f'evaluator = "{evaluator}"\nlength_m = 800\nspeed_km_h = 100\n'
        for name, evaluator in KEPT.items()
    ]
    for both, (unit, cable) in HEADS.items():
        one, other = both.split("-")
        text.append(
            f'[[head]]\nid = "{both}"\nbetween = ["{one}", "{other}"]\n'
            f'unit = "{unit}"\ncable = "{cable}"\n'
        )
    text += [
        f'[[head]]\nid = "{one}-{other}"\nbetween = ["{one}", "{other}"]\n'
        for one, other in (("B3", "C1"), ("C1", "C2"), ("C2", "D1"), ("D1", "D2"))
    ]
    return read_line("".join(text), "sharing.toml")


LINE = _line()


@pytest.fixture
def sharing():
    """Failures on that line."""
    return lambda: Told(LINE)


@pytest.mark.parametrize(
    ("failed", "asset"),
    [
        # U1, K1, EV1 and area a are needed by A1 to A3 alone: the order decides.
        (("A1", "A2", "A3"), "unit/U1"),
        # U2 by three of them and by no more; K2 by the same three and by B3 too.
        (("A3", "B1", "B2"), "unit/U2"),
        (("A3", "B1", "B2", "B3"), "cable/K2"),
        # EV2 and area b have three dependants, K2 four; U2 and U3 have not all of them.
        (("B1", "B2", "B3"), "evaluator/EV2"),
        # Five share PS1, and also R1, on which more depend.
        (("A1", "A2", "A3", "B1", "B3"), "supply/PS1"),
        # Only the room is common to three.
        (("A1", "B3", "C2"), "site/R1"),
        # PS2 feeds EV3 and EV4, and nothing else is common to them.
        (("C1", "C2", "D2"), "supply/PS2"),
    ],
)
def test_which_asset_it_is(sharing, failed, asset):
    """The one on which most candidates depend, then the one with the fewest dependants, then the first of unit, cable, evaluator, supply, site."""
    day = sharing()
    day.disturbed(0, *failed)
    day.wake(10)

    assert day.seen() == [(asset, len(failed))]


def test_what_shares_nothing_is_no_cause(sharing):
    """A1 and B1 share a supply, D1 nothing with either."""
    day = sharing()
    day.disturbed(0, "A1", "B1", "D1")

    assert day.causes.next_due() is None
    day.wake(60)
    assert day.told == []


@pytest.mark.parametrize(("third", "told"), [(60, True), (61, False)])
def test_within_a_minute(sharing, third, told):
    """A1, B2 and C2 share a room and no area: a minute after the first is within it, and a second more is not."""
    day = sharing()
    day.disturbed(0, "A1")
    day.disturbed(30, "B2")
    day.disturbed(third, "C2")
    day.wake(third + 10)

    assert bool(day.seen()) == told


@pytest.mark.parametrize(
    ("third", "asset"), [(60, "unit/U1"), (61, "area/a"), (100, "area/a")]
)
def test_a_minute_is_from_the_first_of_three_to_the_last(sharing, third, asset):
    """A1 and A3 are each within a minute of A2, but the three are one cause on a unit only within a minute of one another."""
    day = sharing()
    day.disturbed(0, "A1")
    day.disturbed(50, "A2")
    day.disturbed(third, "A3")
    day.wake(third + 15)

    assert day.seen() == [(asset, 3)]


@pytest.mark.parametrize(("third", "told"), [(600, True), (601, False)])
def test_a_storm_takes_ten_minutes(sharing, third, told):
    """A1, A2 and A3 share an area, and failures there count together for ten minutes, whatever else they share."""
    day = sharing()
    day.disturbed(0, "A1")
    day.disturbed(300, "A2")
    day.disturbed(third, "A3")
    day.wake(third + 10)

    assert day.seen() == ([("area/a", 3)] if told else [])


def test_a_locked_out_evaluator_is_one_member(sharing):
    """EV1 and two of its sections are three; EV1 and one of them are two, however many it keeps."""
    two, three = sharing(), sharing()
    two.service(0, "EV1")
    two.disturbed(1, "A1")
    two.wake(30)
    three.service(0, "EV1")
    three.disturbed(1, "A1", "A2")
    three.wake(11)

    assert two.told == []
    assert three.seen() == [("evaluator/EV1", 3)]
    [seen] = [one for one in three.told if isinstance(one, CauseSeen)]
    assert seen.members[0].subject == "evaluator/EV1"


def test_an_evaluator_that_is_in_service_again_has_ended(sharing):
    """The cause is over when the evaluator is in service and its sections are clear, whichever is last."""
    day = sharing()
    day.service(0, "EV1")
    day.disturbed(1, "A1", "A2")
    day.wake(11)
    day.clear(20, "A1", "A2")
    assert day.over() == []

    day.service(30, "EV1", "in_service")
    assert day.over() == [30]


def test_two_causes_at_once_do_not_wait_for_one_another(sharing):
    """Sections of EV1 fail at noon, EV4 and what it keeps eight seconds later: each cause is told ten seconds after its own last."""
    day = sharing()
    day.disturbed(0, "A1", "A2", "A3")
    day.service(8, "EV4")
    day.disturbed(8, "D1", "D2")

    assert day.causes.next_due() == NOON + 10 * SECOND
    day.wake(10)
    assert day.seen() == [("unit/U1", 3)]
    assert day.causes.next_due() == NOON + 18 * SECOND
    day.wake(18)
    assert day.seen() == [("unit/U1", 3), ("evaluator/EV4", 3)]


def test_what_fails_elsewhere_puts_nothing_off(sharing):
    """One that shares nothing with them fails meanwhile: they are told ten seconds after their own last."""
    day = sharing()
    day.disturbed(0, "A1", "A2", "A3")
    day.disturbed(9, "D1")

    assert day.causes.next_due() == NOON + 10 * SECOND


def test_which_was_first_and_by_how_much(sharing):
    """Members are in order of their beginning; two seconds are too close to tell, and a third is not."""
    for second, close in ((2, True), (3, False)):
        day = sharing()
        day.disturbed(0, "A3")
        day.disturbed(second, "A2", "A1")
        day.wake(second + 10)
        [seen] = [one for one in day.told if isinstance(one, CauseSeen)]

        assert seen.members[0].subject == "section/A3"
        assert seen.lead == second * SECOND
        assert seen.too_close == close


@given(st.permutations(["A1", "A2", "A3", "B1", "B2", "B3", "C1", "D1"]))
def test_the_order_of_failures_at_one_moment_changes_nothing(order):
    """Which asset it is, and who its members are, does not depend on the order in which failures of one moment are told."""
    assert _told_of(order) == _told_of(sorted(order))


def _told_of(order):
    day = Told(LINE)
    day.disturbed(0, *order)
    day.wake(10)
    return [
        (one.place, [member.subject for member in one.members])
        for one in day.told
        if isinstance(one, CauseSeen)
    ]
