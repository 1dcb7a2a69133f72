"""Trends of few events and of fleets, held against published values and open data."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import stats

from monitor.core.statistics.fleets import (
    EXACT_UP_TO,
    Watched,
    fleet_trend,
    late_chance,
    trend_of,
)
from tests.core.open_data import COAL, COAL_YEARS, VALVE_SEATS

NIST_A = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
NIST_B = [22, 58, 71, 156, 225]
"""NIST/SEMATECH e-Handbook 8.2.3.4: repair times, watched for 1500 h and 300 h."""

SYSTEMS = [
    [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    [
        0.1,
        5.6,
        18.6,
        19.5,
        24.2,
        26.7,
        45.1,
        45.8,
        75.7,
        79.7,
        98.6,
        120.1,
        161.8,
        180.6,
        190.8,
    ],
    [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
]
"""Crow, AMSAA Technical Report 138 (1975), Table 1: three systems, 200 h each."""


def trend(times, end):
    """The trend of one record, which has enough events for one."""
    found = trend_of(times, end)
    assert found is not None
    return found


def together(fleet):
    """The trend of several."""
    found = fleet_trend(fleet)
    assert found is not None
    return found


def test_a_single_record_agrees_with_a_handbook():
    """NIST 8.2.3.4, case 1: U -1.3269 by the formula printed there, and by Irwin and Hall one-sided .0937 (worked out with fractions)."""
    found = trend(NIST_A, 1500)

    assert found.statistic == pytest.approx(-1.32694918265, rel=1e-10)
    assert found.chance / 2 == pytest.approx(0.093693401062, rel=1e-8)


def test_the_second_one_too():
    """NIST 8.2.3.4, second example: exact lower tail .134616."""
    assert trend(NIST_B, 300).chance / 2 == pytest.approx(0.134616009404, rel=1e-8)


def test_two_records_together():
    """A and B combined, each against its own time: U -1.4715, chance .14115 (formula of Kvaløy and Lindqvist)."""
    found = together([Watched(NIST_A, 0, 1500), Watched(NIST_B, 0, 300)])

    assert found.statistic == pytest.approx(-1.4715116055, rel=1e-9)
    assert found.chance == pytest.approx(0.1411528113, rel=1e-8)


def test_three_systems_agree_with_a_report():
    """Crow's three systems: Laplace -3.012036, p .002595015 (as printed with mcotear, a package for the R language)."""
    found = together(Watched(one, 0, 200) for one in SYSTEMS)

    assert found.statistic == pytest.approx(-3.012036, abs=5e-7)
    assert found.chance == pytest.approx(0.002595015, abs=5e-9)


def test_coal_mines_became_safer():
    """191 explosions, 1851 to 1962 (Jarrett 1979): U -7.678, far beyond chance; two of them on one day are two."""
    found = trend(COAL, COAL_YEARS)

    assert found.events == 191
    assert found.statistic == pytest.approx(-7.6782, abs=5e-5)
    assert found.chance < 1e-13


def test_valve_seats_wear_out():
    """48 replacements on 41 engines, 18 of which had none, watched for different times: they come faster."""
    found = together(Watched(times, 0, days) for days, times in VALVE_SEATS)

    by_hand = sum(t - d / 2 for d, ts in VALVE_SEATS for t in ts)
    spread = sqrt(sum(len(ts) * d * d for d, ts in VALVE_SEATS) / 12)
    assert found.events == 48
    assert found.statistic == pytest.approx(by_hand / spread)
    assert found.statistic == pytest.approx(2.3787, abs=5e-5)


def test_a_fleet_that_differs_makes_no_trend():
    """The busy one joined late: thrown together there would be one, each against its own time there is none."""
    fleet = [
        Watched([25, 50, 75], 0, 100),
        Watched(list(range(82, 100, 2)), 80, 100),
    ]
    thrown = trend([t for one in fleet for t in one.times], 100)

    assert thrown.chance < 0.01
    assert together(fleet).chance > 0.9


@given(st.lists(st.floats(0, 1), min_size=4, max_size=EXACT_UP_TO))
def test_exact_chance_is_that_of_scipy(shares):
    """`scipy.stats.irwinhall`, both tails."""
    total = sum(shares)
    one = stats.irwinhall(len(shares))
    expected = min(one.cdf(total), one.sf(total))

    assert late_chance(shares) == pytest.approx(expected, abs=1e-7)


def test_exact_and_normal_meet():
    """At the border between the two they differ by a thousandth at most."""
    for total in np.linspace(4, 10, 13):
        few = late_chance([total / EXACT_UP_TO] * EXACT_UP_TO)
        many = late_chance([total / EXACT_UP_TO] * (EXACT_UP_TO + 1))

        assert few == pytest.approx(
            stats.norm.cdf((total - EXACT_UP_TO / 2) / sqrt(EXACT_UP_TO / 12)), abs=2e-3
        )
        assert many <= few + 2e-3


def test_of_too_few_nothing_is_said():
    """Three events, or none."""
    assert trend_of([1, 2, 3], 10) is None
    assert fleet_trend([Watched([1], 0, 10), Watched([], 0, 10)]) is None
    assert fleet_trend([]) is None


def test_who_was_not_watched_says_nothing():
    """A member whose time is nought is passed over, with whatever stands there."""
    fleet = [Watched([1, 2, 3, 9], 0, 10), Watched([5, 5, 5, 5], 5, 5)]

    assert fleet_trend(fleet) == fleet_trend(fleet[:1])


@pytest.mark.parametrize(("times", "end"), [([1], 0), ([11], 10), ([-1], 10)])
def test_refuses_times_outside(times, end):
    """What was not watched cannot have been seen."""
    with pytest.raises(ValueError, match="between"):
        trend_of(times, end)


def test_events_at_one_moment_are_as_many():
    """Ties are counted, not joined."""
    assert trend([5, 5, 5, 5], 10).statistic == 0
