from __future__ import annotations

from math import inf, isclose

import pytest
from hypothesis import given, strategies as st
from scipy.stats import beta, binomtest, nbinom, poisson

from monitor.core.statistics.comparing import Counted, compare
from monitor.core.statistics.effect import (
    ENOUGH,
    Awaited,
    change,
    effect,
    share,
    together,
)
from monitor.core.statistics.poisson import Gamma
from monitor.core.statistics.spread import fleet_of, wander

ROAD = Gamma(1.8 * 2.05, 2.05 / 2.41)
"""What is known of a road of 1.8 km with 2.41 accidents a year and km, overdispersion 2.05 per km: the inputs of the examples of Hauer, Harwood, Council and Griffith (2002), as remembered; they reproduce the printed results."""


@pytest.mark.parametrize(
    ("count", "years", "rate", "deviation"),
    [
        # Hauer and others (2002), example 1: 4.71 +- 1.19 a km and year, on 1.8 km.
        (12, 1, 4.71 * 1.8, 1.19 * 1.8),
        # Example 2, three years with 12, 7 and 8: 7.97 +- 1.44 a year.
        (27, 3, 7.97, 1.44),
    ],
)
def test_what_was_to_be_expected_is_hauers(count, years, rate, deviation):
    """The worked examples of Hauer and others (2002): what the next year lets expect."""
    awaited = Awaited.of(ROAD.after(count, years), 1.0)

    assert awaited.mean == pytest.approx(rate, abs=0.01)
    assert awaited.deviation == pytest.approx(deviation, abs=0.01)


def test_the_ratio_is_hauers():
    """His index of effectiveness: counted over expected, by one plus the square of the expectation's coefficient of variation (Hauer 1997, chapter 6, from memory); reckoned by hand from the printed digits of example 1."""
    found = change(Counted(12, 1.0), Counted(5, 1.0), ROAD)

    assert found is not None
    by_hand = 5 / 8.478229 / (1 + (2.140394 / 8.478229) ** 2)
    assert found.ratio == pytest.approx(by_hand, rel=1e-6)


AWAITED = st.builds(
    lambda mean, spread: Awaited(mean=mean, own=(mean * spread) ** 2),
    st.floats(0.1, 60),
    st.floats(0.05, 2),
)


@given(AWAITED, st.integers(0, 80))
def test_at_its_ends_the_count_is_as_rare_as_it_may_be(awaited, count):
    """Under the lower ratio so many or more come one time in forty, under the upper so few (scipy's negative binomial)."""
    found = effect(awaited, count)
    assert found is not None
    shape = awaited.shape

    def counts(ratio):
        """How the count is distributed under a ratio."""
        return nbinom(shape, shape / (shape + ratio * awaited.mean))

    if count:
        assert counts(found.low).sf(count - 1) == pytest.approx(0.025, rel=1e-6)
    else:
        assert found.low == 0
    assert counts(found.high).cdf(count) == pytest.approx(0.025, rel=1e-6)
    assert found.low <= found.ratio <= found.high


@given(st.integers(0, 30), st.integers(1, 30), st.floats(0.2, 5))
def test_without_a_fleet_it_is_the_exact_comparison_of_two_counts(after, before, more):
    """Its ends are those of the conditional interval (Przyborowski and Wilenski 1940) whose count before is one more, for the lower, or as it is, for the upper."""
    lower = compare(Counted(before - 1, 1.0), Counted(after, more))
    upper = compare(Counted(before, 1.0), Counted(after, more))
    found = effect(Awaited.of(Gamma(float(before), 1.0), more), after)

    assert found is not None
    assert lower is not None
    assert upper is not None
    assert isclose(found.low, lower.low, rel_tol=1e-6, abs_tol=1e-12)
    assert isclose(found.high, upper.high, rel_tol=1e-6)


def test_where_the_expectation_is_sure_it_is_garwoods_interval():
    """Three where ten were to be expected: limits of a Poisson mean of 0.6187 and 8.7673 (Garwood 1936), over ten."""
    found = effect(Awaited(mean=10.0, own=0.0), 3)

    assert found is not None
    assert found.ratio == 0.3
    assert found.low == pytest.approx(0.06187, abs=1e-5)
    assert found.high == pytest.approx(0.87673, abs=1e-5)
    assert found.told == -1


def test_enough_is_when_none_at_all_would_be_rare():
    """With three to be expected none comes one time in twenty (scipy's Poisson)."""
    assert poisson.pmf(0, ENOUGH) == pytest.approx(0.05, abs=0.001)


@pytest.mark.parametrize(
    ("mean", "count", "told"),
    [(2.9, 0, 0), (2.9, 30, 0), (10.0, 1, -1), (10.0, 30, 1), (10.0, 9, 0)],
    ids=["early", "early and many", "fewer", "more", "as many"],
)
def test_what_is_told(mean, count, told):
    """Nothing before three are to be expected, however many came."""
    found = effect(Awaited(mean=mean, own=1.0), count)

    assert found is not None
    assert found.told == told


def test_zero_counts_and_no_exposure_are_defined():
    """Nothing before, nothing after, not watched before, not watched after, nothing to expect."""
    prior = Gamma(2.0, 4.0)
    nothing = change(Counted(0, 4.0), Counted(0, 4.0), prior)
    unwatched = change(Counted(0, 0.0), Counted(1, 4.0), prior)

    assert nothing is not None
    assert unwatched is not None
    assert (nothing.ratio, nothing.low) == (0.0, 0.0)
    assert nothing.awaited.mean == 1.0
    assert unwatched.awaited.mean == 2.0
    assert change(Counted(3, 1.0), Counted(0, 0.0), prior) is None
    assert effect(Awaited(mean=0.0, own=0.0), 0) is None


def test_several_are_added_up():
    """Means and variances add; and so the interval of many is narrower."""
    one = Awaited(mean=2.0, own=1.0)
    many = together([one] * 9)

    assert (many.mean, many.own) == (18.0, 9.0)
    single, pooled = effect(one, 2), effect(many, 18)
    assert single is not None
    assert pooled is not None
    assert pooled.high - pooled.low < single.high - single.low
    assert together([]).shape == inf


@pytest.mark.parametrize(
    "wrong",
    [
        lambda one: effect(one, -1),
        lambda one: effect(one, 1, 1.0),
        lambda _: share(3, 2),
    ],
    ids=["count", "confidence", "share"],
)
def test_what_cannot_be_is_refused(wrong):
    """Fewer than none, more than sure, more than all."""
    with pytest.raises(ValueError, match="expected"):
        wrong(Awaited(mean=1.0, own=1.0))


@given(st.integers(0, 40), st.integers(1, 40))
def test_a_share_has_its_exact_interval(count, more):
    """That of scipy's binomial test (Clopper and Pearson 1934)."""
    total = count + more
    found = share(count, total)
    told = binomtest(count, total).proportion_ci(method="exact")

    assert found is not None
    assert found.low == pytest.approx(told.low, abs=1e-9)
    assert found.high == pytest.approx(told.high, abs=1e-9)
    assert share(0, 0) is None


def test_all_and_none_of_some():
    """Nine in nine may be as few as two in three; 1 - 0.025 ** (1 / 9) is 0.3363 (the closed form for none, from memory)."""
    every, none = share(9, 9), share(0, 9)

    assert every is not None
    assert none is not None
    assert (every.high, none.low) == (1.0, 0.0)
    assert none.high == pytest.approx(0.3363, abs=1e-4)
    assert every.low == pytest.approx(beta.ppf(0.025, 9, 1))


def test_nobody_is_less_sure_than_by_a_record_alone():
    """Sixteen among three with none: by the others alone there are no bad ones, but sixteen are no surer and no less sure than chance makes them, and than how far they were drawn; of several that were drawn one way that adds up, and so it binds no more."""
    fleet = fleet_of([(0, 1.0), (0, 1.0), (16, 1.0), (0, 1.0)])
    assert fleet is not None
    one = Awaited.after(fleet, Counted(16, 1.0), 1.0)
    unsure = Awaited(mean=8.0, own=2.0, without=(8.0, 8.0), alone=9.0, drawn=3.0)

    assert one.variance == pytest.approx(16 + (16 - one.mean) ** 2)
    assert one.own + wander(one.without) > 2 * one.variance
    assert together([unsure] * 9).drawn == 27.0
    assert together([unsure] * 9).variance == 18.0
