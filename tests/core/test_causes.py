from __future__ import annotations

from math import exp

import pytest

from monitor.core.causes import Causes, Limits
from monitor.core.changes import (
    CauseBegan,
    CauseOver,
    CauseSeen,
    Disturbance,
    StateChanged,
)
from monitor.core.dependence import Dependence
from monitor.core.events import State
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
