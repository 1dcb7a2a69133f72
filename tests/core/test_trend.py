"""Trends of values and of events, against published examples and an independent library."""

from __future__ import annotations

from itertools import pairwise, permutations
from math import sqrt

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import stats

from monitor.core.statistics.trend import (
    EXACT_UP_TO,
    bursts,
    laplace,
    laplace_at_event,
    lewis_robinson,
    mann_kendall,
    median,
    seasonal,
    sen_line,
    sen_seasonal,
    unevenness,
    upper_tail,
)

# Mann-Kendall, Theil-Sen.

EPA_LARGE = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]
"""EPA QA/G-9 (2000), trend example with ties, as worked in a vendor's help for environmental data."""


def test_epa_example_with_ties():
    """EPA QA/G-9: S 22, variance 155.33, Z 1.685; slope 1, intercept 10 where the first x is 0."""
    found = mann_kendall(EPA_LARGE)

    assert found.s == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=0.0005)
    assert found.p == pytest.approx(2 * 0.0459991296, abs=1e-9)
    line = sen_line(range(11), EPA_LARGE)
    assert (line.slope, line.intercept) == (1.0, 10.0)
    assert (line.low, line.high) == (0.0, 2.0)


def test_epa_small_example_is_exact():
    """EPA QA/G-9, five values without ties: S 6 and p .117 from the exact table, 14 of the 120 orders; slope 1.125."""
    values = [5, 6, 11, 8, 10]
    found = mann_kendall(values)

    assert found.s == 6
    assert found.p / 2 == pytest.approx(14 / 120)
    assert found.p / 2 == pytest.approx(0.117, abs=0.0005)
    assert sen_line(range(5), values).slope == 1.125


CRITICAL = {
    4: (6, 6, None),
    5: (7, 8, 10),
    6: (8, 11, 13),
    7: (10, 13, 17),
    8: (11, 16, 20),
    9: (14, 18, 24),
    10: (16, 21, 27),
}
"""Smallest S that is significant upwards at 90, 95 and 99 %, from the same vendor's help.

S has the parity of the number of pairs, so 7 among five values stands for 8.
"""


def ordered_to(number, s):
    """*number* values whose S is *s*: all rising, but for so many neighbours swapped as it takes."""
    values: list[int] = []
    inversions = (number * (number - 1) // 2 - s) // 2
    for value in range(number):
        back = min(inversions, len(values))
        values.insert(len(values) - back, value)
        inversions -= back
    return values


@pytest.mark.parametrize("number", CRITICAL)
def test_critical_values_of_the_exact_test(number):
    """The printed critical S are significant at their level, and the next smaller S is not (two entries of the table are laxer than exact)."""
    pairs = number * (number - 1) // 2
    for level, critical in zip((0.10, 0.05, 0.01), CRITICAL[number], strict=True):
        if critical is None:
            # Even all rising is not significant: one order of 24.
            assert mann_kendall(ordered_to(number, pairs)).p / 2 > level
            continue
        first = critical + (critical + pairs) % 2
        found = mann_kendall(ordered_to(number, first))
        assert found.s == first
        assert found.p / 2 <= level
        assert mann_kendall(ordered_to(number, first - 2)).p / 2 > level * 0.9


def test_monotone_series_of_the_python_package():
    """The own test of the package pyMannKendall, eleven rising values: S 55, variance 165, z 4.203894298, p 2.6236e-05 by the normal distribution; exactly it is two orders of 11!."""
    found = mann_kendall(range(11))

    assert (found.s, found.variance) == (55, 165)
    assert found.z == pytest.approx(4.203894298472224, abs=1e-12)
    assert 2 * upper_tail(found.z) == pytest.approx(2.623614939456509e-05, rel=1e-9)
    assert found.p == pytest.approx(2 / 39_916_800)


NIST = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
"""NIST/SEMATECH e-Handbook 8.2.3.4, case study 1: hours of ten repairs, watched for 1500."""


def gaps(times):
    """Times between one event and the next, the first from 0."""
    return [b - a for a, b in zip([0, *times], times, strict=False)]


def test_reverse_arrangements_of_the_handbook():
    """NIST 8.2.3.4 counts 33 of 45 reversals, one pair tied: S is 33 - 11; the slope between repairs rises, which is growth."""
    found = mann_kendall(gaps(NIST))

    assert found.s == 33 - 11
    assert found.variance == pytest.approx(124)
    assert found.z == pytest.approx(1.8858556713, abs=1e-9)
    assert found.p == pytest.approx(0.0593144065, abs=1e-9)
    assert sen_line(range(10), gaps(NIST)).slope == pytest.approx(30)


def test_sen_example():
    """Sen (1968): slope 4, 93 % interval 3.71 to 4.38, and the line through the medians has the intercept 4."""
    line = sen_line([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], 0.93)

    assert line.slope == 4
    assert line.intercept == 4
    assert line.low == pytest.approx(3.71, abs=0.005)
    assert line.high == pytest.approx(4.38, abs=0.005)
    assert line.at(10) == 44


@given(
    values=st.lists(st.integers(0, 6), min_size=2, max_size=12),
    unlike=st.lists(st.floats(0, 1), min_size=2, max_size=60, unique=True),
)
def test_pairs_agree_with_counting_them(values, unlike):
    """S is what counting every pair gives, ties or none, and turning the series round turns its sign."""
    for series in (values, unlike):
        pairs = [
            np.sign(series[b] - series[a]) for b in range(len(series)) for a in range(b)
        ]
        found = mann_kendall(series)
        assert found.s == sum(pairs)
        back = mann_kendall(series[::-1])
        assert back.s == -found.s
        assert back.z == pytest.approx(-found.z)
        assert back.p == pytest.approx(found.p)


@pytest.mark.parametrize("number", [2, 3, 5, 6])
def test_exact_chances_by_writing_out_all_orders(number):
    """The exact p of each order is the share of all orders that depart as far, either way."""
    found = [mann_kendall(order) for order in permutations(range(number))]

    for one in found:
        share = sum(abs(other.s) >= abs(one.s) for other in found) / len(found)
        assert one.p == pytest.approx(share)


@given(values=st.lists(st.floats(0, 1), min_size=4, max_size=30, unique=True))
def test_exact_chances_agree_with_scipy(values):
    """Without ties the test is Kendall's of the values with their order."""
    expected = stats.kendalltau(range(len(values)), values, method="exact").pvalue

    assert mann_kendall(values).p == pytest.approx(expected, rel=1e-9)


@given(
    points=st.lists(
        st.tuples(st.integers(0, 90), st.integers(0, 9)),
        min_size=2,
        max_size=30,
        unique_by=lambda point: point[0],
    ),
    confidence=st.floats(0.5, 0.99),
)
def test_lines_agree_with_scipy(points, confidence):
    """Slope, intercept and interval agree with an independent library, ties in y or none."""
    x = sorted(one for one, _ in points)
    y = [other for _, other in points]
    line = sen_line(x, y, confidence)
    expected = stats.theilslopes(y, x, alpha=confidence)

    assert line.slope == pytest.approx(expected.slope, abs=1e-12)
    assert line.intercept == pytest.approx(expected.intercept, abs=1e-12)
    assert line.low == pytest.approx(expected.low_slope, abs=1e-12)
    assert line.high == pytest.approx(expected.high_slope, abs=1e-12)


def test_exact_and_normal_meet():
    """Where the exact p gives way to the normal one, the normal one is larger by less than a tenth."""
    values = ordered_to(EXACT_UP_TO, 220)
    found = mann_kendall(values)

    assert found.p < 2 * upper_tail(found.z) < 1.1 * found.p
    assert 0.005 < found.p < 0.02


def test_seasons_are_compared_with_themselves():
    """Two seasons rising through three years: S 3 + 3, variance twice 11/3; compared across, the swing would hide it.

    By hand after Hirsch, Slack and Smith (1982): z = 5 / sqrt(22/3).
    """
    warm, cold = (20, 21, 22), (1, 2, 3)
    found = seasonal([warm, cold])

    assert found.s == 6
    assert found.z == pytest.approx(5 / sqrt(22 / 3))
    assert mann_kendall([20, 1, 21, 2, 22, 3]).s == 3
    line = sen_seasonal([([0, 1, 2], warm), ([0.5, 1.5, 2.5], cold)])
    assert line.slope == 1


def test_a_swing_alone_is_no_seasonal_trend():
    """What comes round alike each day has no trend of the hours, whatever it looks like within the day."""
    found = seasonal([[hour] * 5 for hour in range(24)])

    assert (found.s, found.z, found.p) == (0, 0, 1)


# Laplace.

NIST_B = [22, 58, 71, 156, 225]
"""NIST 8.2.3.4: the second system, watched for 300."""

DETERIORATING = np.cumsum(
    [
        104,
        131,
        1597,
        59,
        4,
        503,
        157,
        6,
        118,
        173,
        114,
        62,
        101,
        216,
        106,
        140,
        1,
        102,
        3,
        393,
        96,
        232,
        89,
        61,
        37,
        293,
        7,
        165,
        87,
        99,
    ]
).tolist()
"""The example of the page on the rate of occurrence of failures of the Python package `reliability`, ended by its last failure."""

CROW = {
    "S1": [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    "S2": [
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
    "S3": [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
}
"""Crow, AMSAA Technical Report 138 (1975), table 1: three systems, each watched for 200 h."""


def test_laplace_of_the_handbook():
    """NIST 8.2.3.4: both systems improve, which is negative, though the page words its rule the other way round."""
    assert laplace(NIST, 1500) == pytest.approx(-1.32694918265, abs=1e-10)
    assert laplace(NIST_B, 300) == pytest.approx(-1.1257471593, abs=1e-9)
    assert laplace_at_event(NIST) == pytest.approx(-1.9109590777, abs=1e-9)
    assert laplace_at_event(NIST_B) == pytest.approx(-1.1008145133, abs=1e-9)


def test_sign():
    """Events that come faster and faster are positive, slower and slower negative: the same record read backwards."""
    faster = [40, 65, 80, 90, 96]

    assert laplace(faster, 100) > 1
    assert laplace([100 - time for time in faster[::-1]], 100) == pytest.approx(
        -laplace(faster, 100)
    )


def test_the_event_that_ends_the_watch_is_no_evidence():
    """The package's page prints 2.409 with 29 of 30 failures; counting the last too would give 2.685."""
    assert laplace_at_event(DETERIORATING) == pytest.approx(2.409438296045, abs=1e-10)
    assert laplace(DETERIORATING, 5256) == pytest.approx(2.685168, abs=1e-6)


def test_one_long_gap_is_no_trend():
    """The same data, called worsening at 95 %, are not once the guard is put: the gap of 1597 drives it."""
    statistic = laplace_at_event(DETERIORATING)

    assert 2 * upper_tail(statistic) == pytest.approx(0.015977097507, abs=1e-10)
    assert unevenness(DETERIORATING) == pytest.approx(1.6619, abs=5e-5)
    assert lewis_robinson(statistic, DETERIORATING) == pytest.approx(1.4498, abs=5e-5)
    assert 2 * upper_tail(lewis_robinson(statistic, DETERIORATING)) > 0.05


def test_guard_of_the_handbook_data():
    """NIST 8.2.3.4, case study 1: gaps a little more uneven than chance, so the guard draws the statistic towards nought."""
    assert unevenness(NIST) == pytest.approx(1.104741595946, abs=1e-11)
    assert lewis_robinson(laplace(NIST, 1500), NIST) == pytest.approx(
        -1.201139875, abs=1e-9
    )


@pytest.mark.parametrize(
    ("system", "expected"), [("S1", -2.5578643), ("S2", -1.8206065), ("S3", -0.8841404)]
)
def test_laplace_of_the_three_systems(system, expected):
    """Crow (1975): each of the three improves, as computed apart from this code."""
    assert laplace(CROW[system], 200) == pytest.approx(expected, abs=1e-7)


def test_laplace_of_the_military_handbook():
    """MIL-HDBK-189 (1981), appendix C, 27 failures in 300 h: -2.318, p .0204."""
    times = [2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7]
    times += [93.9, 95.5, 98.1, 101.1, 132.0, 142.2, 147.7, 149.0, 167.2, 190.7]
    times += [193.0, 198.7, 251.9, 282.5, 286.1]
    statistic = laplace(times, 300)

    assert statistic == pytest.approx(-2.318, abs=0.0005)
    assert 2 * upper_tail(-statistic) == pytest.approx(0.0204493211, abs=1e-9)


@given(
    times=st.lists(st.floats(0, 100), min_size=1, max_size=20).map(sorted),
    gap=st.floats(0, 20),
)
def test_a_burst_is_one(times, gap):
    """Of each burst its first event is left, what is left lies farther apart than the gap or is the next burst's, and nothing is lost between."""
    left = bursts(times, gap)

    assert left[0] == times[0]
    assert set(left) <= set(times)
    for time in times:
        assert any(first <= time for first in left)
    for one, other in pairwise(left):
        inside = [time for time in times if one <= time < other]
        assert other - inside[-1] > gap


def test_what_has_no_meaning_is_refused():
    """No values, no events, no time, gaps all alike, unequal lengths and odd confidences are refused by name."""
    with pytest.raises(ValueError, match="expected one value"):
        median([])
    with pytest.raises(ValueError, match="expected events and a time"):
        laplace([], 100)
    with pytest.raises(ValueError, match="expected events and a time"):
        laplace([1, 2], 0)
    with pytest.raises(ValueError, match="expected events and a time"):
        laplace_at_event([])
    with pytest.raises(ValueError, match="expected two events"):
        unevenness([3])
    with pytest.raises(ValueError, match="expected gaps that differ"):
        lewis_robinson(1.0, [1, 2, 3])
    with pytest.raises(ValueError, match="as many y as x"):
        sen_line([1, 2], [1])
    with pytest.raises(ValueError, match="expected two different x"):
        sen_line([1, 1], [1, 2])
    with pytest.raises(ValueError, match="expected a confidence"):
        sen_line([1, 2], [1, 2], 1.0)


@pytest.mark.parametrize("tail", [0.4, 0.05, 0.005, 1e-6])
def test_normal_tails_agree_with_scipy(tail):
    """The upper tail keeps its digits far out."""
    assert upper_tail(stats.norm.isf(tail)) == pytest.approx(tail, rel=1e-9)
