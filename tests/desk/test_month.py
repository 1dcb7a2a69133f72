from __future__ import annotations

import pytest

from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, parse
from monitor.desk.month import Day, month

NOW = parse("2026-05-04T12:00:00Z")
TODAY = parse("2026-05-04T00:00:00Z")
HEARD = Fact(kind="heard", subject="section/T107", began=TODAY - 2 * DAY)


def fact(kind, began, ended=None, **values):
    """A fact of T107."""
    return Fact(
        kind=kind, subject="section/T107", began=began, ended=ended, values=values
    )


def test_disturbances_count_for_the_day_on_which_they_began():
    """Each counts once, on its day; the last day is that of now; those under work are left out."""
    facts = [
        HEARD,
        fact("disturbance", TODAY - DAY),
        fact("disturbance", TODAY - 1),
        fact("disturbance", TODAY + HOUR),
        fact("disturbance", TODAY + HOUR, under_work=True),
    ]

    assert [one.disturbances for one in month(facts, NOW, 3)] == [0, 2, 1]


def test_what_was_not_known_is_a_share_of_each_day():
    """A spell over midnight counts for both days; today is the share of what has gone by; spells that overlap count once."""
    facts = [
        HEARD,
        fact("not-known", TODAY - 6 * HOUR, TODAY + 3 * HOUR),
        fact("not-known", TODAY - 3 * HOUR, TODAY + 2 * HOUR),
        fact("not-known", NOW - 3 * HOUR),
    ]
    days = month(facts, NOW, 3)

    assert [one.not_known for one in days] == [
        0,
        pytest.approx(0.25),
        pytest.approx(0.5),
    ]


def test_before_it_was_first_heard_nothing_is_known():
    """Days before that are not known whole, and its own day in part; of what was never heard nothing is known."""
    days = month([fact("heard", TODAY - DAY + 6 * HOUR)], NOW, 3)

    assert days == [
        Day(begin=TODAY - 2 * DAY, disturbances=0, not_known=1.0),
        Day(begin=TODAY - DAY, disturbances=0, not_known=0.25),
        Day(begin=TODAY, disturbances=0, not_known=0.0),
    ]
    assert {one.not_known for one in month([], NOW, 5)} == {1.0}


def test_at_midnight_today_has_no_share_yet():
    """A day of no length is not divided by."""
    assert month([HEARD], TODAY, 1) == [Day(begin=TODAY, disturbances=0, not_known=0.0)]
