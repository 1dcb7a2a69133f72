"""How long things took, held against scipy."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from monitor.core.statistics.waiting import lasting, within

SPELLS = st.lists(st.tuples(st.integers(1, 30), st.booleans()), min_size=1, max_size=40)


@given(SPELLS)
def test_agrees_with_scipy(spells):
    """The product-limit estimate of `scipy.stats.ecdf`, with ties and with what is not over."""
    ended = [length for length, over in spells if over]
    open_ = [length for length, over in spells if not over]
    data = stats.CensoredData(uncensored=ended, right=open_)
    found = dict(lasting(spells))

    curve = stats.ecdf(data).sf
    for at, lasts in found.items():
        assert lasts == pytest.approx(curve.evaluate(at), abs=1e-12)
    assert set(found) == set(ended)


@given(SPELLS)
def test_agrees_with_statsmodels(spells):
    """The product-limit estimate of its `SurvfuncRight`, which lists also lengths at which none ended."""
    lengths, over = zip(*spells, strict=True)
    told = SurvfuncRight(lengths, [int(one) for one in over])
    curve = dict(zip(told.surv_times, told.surv_prob, strict=True))

    for at, lasts in lasting(spells):
        assert lasts == pytest.approx(curve[at], abs=1e-12)


def test_published_remission_times():
    """6-MP patients, weeks in remission (Freireich and others 1963; Gehan 1965): the median is 23 weeks, as textbooks print it (value from memory)."""
    over = [6, 6, 6, 7, 10, 13, 16, 22, 23]
    going_on = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
    curve = lasting([(t, True) for t in over] + [(t, False) for t in going_on])

    assert within(curve, 0.5) == 23
    assert curve[0][1] == pytest.approx(0.857, abs=5e-4)
    assert within(curve, 0.9) is None


def test_without_any_that_is_over_nothing_is_known():
    """Nobody knows how long they take."""
    assert within(lasting([(5, False)]), 0.5) is None
    assert within(lasting([]), 0.5) is None


def test_of_one_that_is_over_it_is_that_one():
    """One spell: half of them, and nine in ten, took so long."""
    curve = lasting([(5, True)])

    assert (within(curve, 0.5), within(curve, 0.9)) == (5, 5)
