"""Two counts side by side, held against published values and reference libraries."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import stats
from statsmodels.stats.rates import test_poisson_2indep as two_rates

from monitor.core.statistics.comparing import (
    Counted,
    binomial_at_least,
    compare,
)
from tests.core.open_data import COAL

COUNTS = st.integers(0, 60)
EXPOSURES = st.floats(0.01, 1000)


def compared(first, second, confidence=0.95):
    """Two that were both watched."""
    found = compare(first, second, confidence)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("first", "second", "chance"),
    [
        # Conditional binomial test, doubled tail: exact sums, which scipy.stats.binom gives.
        ((3, 1), (12, 1), 0.03515625),
        ((3, 1), (10, 1), 0.09228515625),
        ((2, 1), (8, 1), 0.109375),
        ((3, 100), (0, 100), 0.25),
    ],
)
def test_chances_of_known_pairs(first, second, chance):
    """Equal exposures: sums of binomial coefficients over a power of two."""
    found = compared(Counted(*first), Counted(*second))

    assert found.chance == pytest.approx(chance, rel=1e-12)


def test_agrees_with_a_published_pair_of_rates():
    """60 in 51477.5 against 30 in 54308.7, one-sided .000428 (Gu, Ng, Tang and Schucany 2008, as in the tests of statsmodels); ours is twice the tail."""
    found = compared(Counted(30, 54308.7), Counted(60, 51477.5))

    assert found.chance / 2 == pytest.approx(0.000428, abs=5e-7)


@given(COUNTS, EXPOSURES, COUNTS, EXPOSURES)
def test_chance_agrees_with_statsmodels(x, a, y, b):
    """Twice the smaller of the two one-sided exact conditional tests of statsmodels."""
    found = compared(Counted(x, a), Counted(y, b))

    if x + y == 0:
        assert found.chance == 1
        return
    with np.errstate(divide="ignore", invalid="ignore"):  # of the ratio it gives too
        tails = [
            two_rates(y, b, x, a, method="exact-cond", alternative=side).pvalue
            for side in ("larger", "smaller")
        ]
    assert found.chance == pytest.approx(min(1, 2 * min(tails)), rel=1e-6, abs=1e-12)


@given(COUNTS, EXPOSURES, COUNTS, EXPOSURES, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_interval_agrees_with_scipy(x, a, y, b, confidence):
    """The exact interval of the share of the second in the total, turned into a ratio of rates (Clopper and Pearson, as scipy has it)."""
    if x + y == 0:
        return
    found = compared(Counted(x, a), Counted(y, b), confidence)
    share = stats.binomtest(y, x + y).proportion_ci(confidence, "exact")

    low = share.low / (1 - share.low) * a / b if share.low < 1 else inf
    high = share.high / (1 - share.high) * a / b if share.high < 1 else inf
    assert found.low == pytest.approx(low, rel=1e-6, abs=1e-12)
    assert found.high == (inf if high == inf else pytest.approx(high, rel=1e-6))


def test_what_was_not_watched_is_not_compared():
    """No exposure in one of the periods: nothing is said, whatever was counted in the other."""
    assert compare(Counted(0, 0), Counted(5, 1)) is None
    assert compare(Counted(5, 1), Counted(0, 0)) is None


def test_nothing_in_either_says_nothing():
    """Two periods without events: any ratio fits."""
    found = compared(Counted(0, 1), Counted(0, 2))

    assert (found.value, found.low, found.high, found.chance) == (None, 0, inf, 1)


def test_one_event_alone_has_an_end_on_one_side_only():
    """One event before and none after: the ratio may be nought, and its upper end is far."""
    gone = compared(Counted(1, 1), Counted(0, 1))
    come = compared(Counted(0, 1), Counted(1, 1))

    assert (gone.value, gone.low) == (0, 0)
    assert gone.high == pytest.approx(39)  # 0.975 / 0.025
    assert (come.value, come.high) == (inf, inf)
    assert come.low == pytest.approx(1 / 39)
    assert gone.chance == come.chance == 1


@pytest.mark.parametrize("wrong", [(-1, 1), (1, -1), (1, float("nan"))])
def test_refuses_what_cannot_be_counted(wrong):
    """A count and an exposure are nought or more."""
    with pytest.raises(ValueError, match="nought or more"):
        Counted(*wrong)


@pytest.mark.parametrize("confidence", [0, 1, 2])
def test_refuses_a_confidence_that_is_none(confidence):
    """Between nought and one."""
    with pytest.raises(ValueError, match="confidence"):
        compare(Counted(1, 1), Counted(1, 1), confidence)


@given(st.integers(0, 50), st.integers(0, 50), st.floats(0.001, 0.999))
def test_binomial_tail_agrees_with_scipy(count, total, share):
    """P(N >= count), in scipy's words `binom.sf(count - 1)`."""
    assert binomial_at_least(count, total, share) == pytest.approx(
        stats.binom.sf(count - 1, total, share), rel=1e-9, abs=1e-300
    )


def test_coal_mines_before_and_after_1890():
    """Explosions with ten killed or more, in the first 39 years and the 73 after (dates of Jarrett 1979): fewer beyond doubt, and by as much as scipy's binomial and statsmodels' conditional test say."""
    first = sum(one < 39 for one in COAL)
    second = len(COAL) - first
    found = compare(Counted(first, 39.0), Counted(second, 73.0))
    assert found is not None
    exact = stats.binomtest(second, first + second).proportion_ci()

    ends = [one / (1 - one) * 39 / 73 for one in (exact.low, exact.high)]
    assert [found.low, found.high] == pytest.approx(ends)
    told = two_rates(second, 73.0, first, 39.0, method="exact-cond")
    assert found.chance < 1e-9
    assert told.pvalue < 1e-9
    assert found.value is not None
    assert 0.2 < found.value < 0.4
