from __future__ import annotations

from math import log
from random import Random

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.stats import binomtest, poisson

from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.effect import change
from monitor.core.statistics.poisson import Gamma
from monitor.core.statistics.spread import (
    LARGE,
    PARTS,
    Fleet,
    Spread,
    fleet_of,
    spread,
    wander,
)
from tests.bench.visits import counted
from tests.core.open_data import CLAIMS


def test_a_small_fleet_is_a_gamma_distribution():
    """One section too few; and one that was not watched does not make it large."""
    few = [(1, 1.0)] * (LARGE - 1)

    assert isinstance(prior([*few, (4, 0.0)]), Gamma)
    assert isinstance(prior([*few, (4, 1.0)]), Spread)


def prior(records):
    """What a fleet tells."""
    found = fleet_of(records)
    return found and found.prior


def test_a_fleet_with_nothing_has_half_of_one():
    """Where nothing was counted no spread can be known; where nothing was watched, nothing."""
    assert prior([(0, 1.0)] * LARGE) == Gamma(0.5, float(LARGE))
    assert fleet_of([(0, 0.0)]) is None


def test_a_fleet_of_one_says_nothing_of_how_sure_it_is():
    """There is no part to be left out; of three there are three."""
    one, three = fleet_of([(2, 1.0)]), fleet_of([(2, 1.0), (0, 1.0), (9, 1.0)])

    assert isinstance(one, Fleet)
    assert isinstance(three, Fleet)
    assert (one.without, len(three.without)) == ((), 3)
    assert len(set(three.means(1, 1.0))) == 3


@pytest.mark.parametrize("others", [23, 99, 198, 199, 399])
def test_the_only_bad_one_of_a_fleet_that_is_mended_is_seen_to_be(others):
    """Thirty in a year among sections with one, and three in the next: the ratio is 3/30, drawn up a little by what the line tells, and is no surer than that of two Poisson counts (scipy)."""
    draw = Random(1)
    records = [(counted(draw, 1.0), 1.0) for _ in range(others)]
    records.insert(5, (30, 1.0))
    fleet = fleet_of(records)
    assert fleet is not None
    found = change(Counted(30, 1.0), Counted(3, 1.0), fleet)
    exact = binomtest(3, 33).proportion_ci()

    assert found is not None
    assert found.told == -1
    assert 0.08 < found.ratio < 0.14
    # Half as wide at least, on a scale of logarithms: what is drawn from the line is knowledge too.
    assert log(found.high / found.low) > 0.5 * log(
        exact.high / (1 - exact.high) / (exact.low / (1 - exact.low))
    )
    assert len(fleet.means(30, 1.0)) == min(PARTS, others + 1)


def test_a_large_fleet_is_surer_of_itself():
    """What leaving out a part moves is smaller, the more there are."""

    def moves(number):
        draw = Random(5)
        fleet = fleet_of(
            [(counted(draw, draw.gammavariate(1, 4)), 1.0) for _ in range(number)]
        )
        assert fleet is not None
        assert len(fleet.without) == PARTS
        return wander(fleet.means(12, 1.0))

    assert moves(2000) < moves(250)


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.floats(0.01, 400)), min_size=1, max_size=30
    ).filter(lambda records: any(count for count, _ in records))
)
def test_weights_add_up_and_a_belief_lies_within_the_grid(records):
    """Whatever was counted."""
    found = spread(records)
    belief = found.after(*records[0])

    assert sum(found.weights) == pytest.approx(1)
    assert min(found.weights) >= 0
    assert found.rates[0] * 0.999 <= belief.mean <= found.rates[-1] * 1.001


def test_a_spread_is_found_again():
    """Of 2,000 sections one in ten has twenty a year and all others two: what is believed of each count is near the truth, which Bayes' rule gives."""
    draw = Random(3)
    true = [20.0 if draw.random() < 0.1 else 2.0 for _ in range(2000)]
    found = spread([(counted(draw, rate), 1.0) for rate in true])
    truth = Spread((2.0, 20.0), (0.9, 0.1))

    for count in (0, 2, 5, 15, 20, 25):
        told, right = found.after(count, 1.0).mean, truth.after(count, 1.0).mean
        assert told == pytest.approx(right, rel=0.15)


def test_more_events_are_a_higher_rate():
    """And the more is watched, the nearer to what was counted."""
    found = spread([(count % 7, 1.0) for count in range(700)])
    means = [found.after(count, 1.0).mean for count in range(10)]

    assert means == sorted(means)
    assert abs(found.after(20, 10.0).mean - 2) < abs(found.after(2, 1.0).mean - 2) + 0.5


RECORDS = [(count, 1.0) for count, number in enumerate(CLAIMS) for _ in range(number)]


def test_no_rate_is_left_out_that_would_make_a_record_of_claims_likelier():
    """At the likeliest spread adding any rate gains nothing (the general mixture maximum likelihood theorem, Lindsay 1983); 200 steps leave less than one part in a hundred to be gained."""
    found = spread(RECORDS)
    rates, weights = np.array(found.rates), np.array(found.weights)
    likely = poisson.pmf(np.arange(len(CLAIMS))[:, None], rates)
    gains = (np.array(CLAIMS) / (likely @ weights)) @ likely / sum(CLAIMS)

    assert gains.max() < 1.01
    # Where there is weight nothing would be gained by less of it either.
    assert gains[weights > 0.01] == pytest.approx(1.0, abs=0.01)


def test_what_is_to_be_expected_of_motorists():
    """Robbins's formula, (x + 1) f(x + 1) / f(x), needs no spread at all: .168, .363, .527 for none, one and two claims (Efron and Hastie 2016, table 6.1, from memory, and reckoned here)."""
    found = spread(RECORDS)
    robbins = [(x + 1) * CLAIMS[x + 1] / CLAIMS[x] for x in range(3)]

    assert robbins == pytest.approx([0.168, 0.363, 0.527], abs=0.0005)
    for count, near in ((0, 0.03), (1, 0.10), (2, 0.30)):
        told = found.after(count, 1.0).mean
        assert told == pytest.approx(robbins[count], rel=near)


def test_each_at_once_is_as_one_by_one():
    """Also of one that was not watched."""
    found = spread([(count % 7, 1.0 + count % 3) for count in range(300)])
    records = [(0, 0.0), (3, 0.5), (12, 2.0)]

    assert found.after_each(records) == [found.after(*one) for one in records]
    assert found.after_each([]) == []
