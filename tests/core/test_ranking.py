"""Who is worst, held against published values and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import stats
from statsmodels.discrete.discrete_model import NegativeBinomial

from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.poisson import Gamma, line_prior
from monitor.core.statistics.ranking import (
    adjusted,
    by_expected,
    carrying,
    expected,
    more_in_parts,
    more_than_share,
    pareto,
    quantile,
)
from tests.core.open_data import VALVE_SEATS


def test_quantiles_are_those_of_a_handbook():
    """NIST/SEMATECH e-Handbook 8.4.6: prior gamma (2, 1400 h), 2 failures in 1909 h: of the time between failures 90 % lower bound 495 h, 80 % 600, median 901, 10 % 1897."""
    after = Gamma(2, 1400).after(2, 1909)

    found = [1 / quantile(after, share) for share in (0.9, 0.8, 0.5, 0.1)]
    assert found == pytest.approx([495, 600, 901, 1897], abs=0.6)


@given(st.floats(0.1, 50), st.floats(0.1, 50), st.floats(0.01, 0.99))
def test_quantiles_agree_with_scipy(shape, exposure, share):
    """Those of `scipy.stats.gamma`."""
    found = quantile(Gamma(shape, exposure), share)

    assert found == pytest.approx(
        stats.gamma.ppf(share, shape, scale=1 / exposure), rel=1e-9
    )


def test_one_event_on_a_quiet_section_does_not_top_the_list():
    """Raw, 1 in a tenth of the time is worse than 8 in all of it; expected, it is not."""
    fleet = {f"T{n}": Counted(n % 3, 1.0) for n in range(30)}
    fleet |= {"quiet": Counted(1, 0.1), "busy": Counted(8, 1.0)}

    assert by_expected(expected(fleet))[0] == "busy"


def test_with_enough_of_its_own_the_fleet_counts_for_nothing():
    """A long record speaks for itself, however it differs."""
    found = expected(
        {"a": Counted(10_000, 100.0), "b": Counted(1, 1), "c": Counted(2, 1)}
    )

    assert found["a"].rate == pytest.approx(100, rel=0.02)
    assert found["a"].own > 0.9


def test_what_was_not_watched_is_as_the_fleet():
    """Nought in no time says nothing of it."""
    found = expected({"a": Counted(4, 1), "b": Counted(0, 1), "new": Counted(0, 0)})

    assert found["new"].own == 0
    assert found["new"].rate == pytest.approx(2)


def test_where_nothing_was_watched_nothing_is_expected():
    """No exposure anywhere."""
    assert expected({"a": Counted(0, 0)}) == {}
    assert expected({}) == {}


def test_a_fleet_without_an_event_is_not_expected_to_stay_so():
    """Half an event in all is taken to have been (Jeffreys)."""
    found = expected({"a": Counted(0, 1), "b": Counted(0, 1)})

    assert found["a"].rate == pytest.approx(0.5 / 3)
    assert found["a"].low > 0


def test_pareto_gives_those_alike_one_rank():
    """Ties have the lowest rank they share, and none is left out at the boundary."""
    found = pareto({"a": 2, "b": 5, "c": 2, "d": 0, "e": 1})

    assert [(one.name, one.rank, one.together) for one in found] == [
        ("b", 1, 0.5),
        ("a", 2, 0.7),
        ("c", 2, 0.9),
        ("e", 4, 1.0),
    ]
    assert carrying(found, 0.6) == ["b", "a", "c"]
    assert carrying(found, 0.5) == ["b"]
    assert carrying(found, 1.0) == ["b", "a", "c", "e"]


def test_pareto_of_nothing_is_nothing():
    """No events: no bars, nobody carries anything."""
    assert pareto({"a": 0}) == []
    assert carrying([], 0.8) == []


def test_more_than_its_share():
    """9 of 10 where a third is its share: 21/3^10 by hand, three are asked about."""
    found = more_than_share(
        {"a": Counted(9, 1), "b": Counted(1, 1), "c": Counted(0, 1)}
    )

    assert found["a"] == pytest.approx(3 * 21 / 3**10)
    assert found["b"] == found["c"] == 1


def test_what_has_no_exposure_has_no_share():
    """Left out, and its events with it; alone, one has exactly its share."""
    found = more_than_share({"a": Counted(3, 1), "dark": Counted(9, 0)})

    assert found == {"a": 1}
    assert more_than_share({"dark": Counted(9, 0)}) == {}
    assert more_than_share({"a": Counted(0, 1)}) == {"a": 1}


@given(st.lists(st.floats(0, 1), max_size=30))
def test_adjusting_agrees_with_scipy(chances):
    """`scipy.stats.false_discovery_control`, which is Benjamini and Hochberg's."""
    assert adjusted(chances) == pytest.approx(
        list(stats.false_discovery_control(chances)) if chances else []
    )


def test_a_count_without_exposure_is_no_rate():
    """Eight events of one that was watched for no train: it is expected to be as the fleet is, one in ten, and not eight more."""
    fleet = {f"T{n}": Counted(1, 10.0) for n in range(4)}
    found = expected({**fleet, "none": Counted(8, 0.0)})

    assert found["none"].rate == pytest.approx(0.1)
    assert found["none"].own == 0


def test_a_whole_no_part_of_which_was_watched_names_nothing():
    """Beside one that was: its chances are one, and nothing is reckoned with what is no number (warnings are errors here)."""
    found = more_in_parts(
        np.array([[3, 0], [9, 1]]), np.array([[0.0, 0.0], [1.0, 1.0]])
    )

    assert found[0].tolist() == [1.0, 1.0]
    assert found[1, 0] < 0.05


@given(
    st.lists(st.tuples(st.integers(0, 12), st.floats(0, 50)), min_size=2, max_size=12)
)
def test_more_in_some_parts_agrees_with_scipy(parts):
    """Of each part its binomial tail by its share of the exposure, adjusted together by Benjamini and Hochberg (scipy); parts without exposure are none."""
    counts, exposures = map(np.array, zip(*parts, strict=True))
    exposures = np.where(exposures < 0.01, 0.0, exposures)
    seen = exposures > 0
    [found] = more_in_parts(counts[None], exposures[None])

    assert (found[~seen] == 1).all()
    if seen.any():
        shares = exposures[seen] / exposures[seen].sum()
        tails = stats.binom.sf(counts[seen] - 1, counts[seen].sum(), shares)
        told = stats.false_discovery_control(tails)
        assert found[seen] == pytest.approx(told, rel=1e-9, abs=1e-12)


def test_valve_seats_are_ranked_by_what_is_to_be_expected():
    """41 engines (Nelson 1995): each rate is scipy's gamma with the fleet's prior; three in 389 days stand above three in 600 and more, which stand above two, and the engine with four stands first; moments and statsmodels' likelihood of the negative binomial tell nearly the same."""
    records = {
        f"{n}": Counted(len(times), days / 365)
        for n, (days, times) in enumerate(VALVE_SEATS)
    }
    found = expected(records)
    prior = line_prior((one.count, one.exposure) for one in records.values())
    assert prior is not None
    order = by_expected(found)

    counts = np.array([one.count for one in records.values()])
    exposures = np.array([one.exposure for one in records.values()])
    fit = NegativeBinomial(counts, np.ones((len(counts), 1)), exposure=exposures).fit(
        disp=0
    )
    mean, uneven = math.exp(fit.params[0]), fit.params[1]
    for name, one in records.items():
        told = found[name]
        likeliest = (1 / uneven + one.count) / (1 / uneven / mean + one.exposure)
        assert told.rate == pytest.approx(likeliest, rel=0.1)
        belief = stats.gamma(
            prior.shape + one.count, scale=1 / (prior.exposure + one.exposure)
        )
        assert (told.low, told.high) == pytest.approx(tuple(belief.ppf([0.025, 0.975])))
    ranked = [records[name].count for name in order]
    young = next(name for name, one in records.items() if one.exposure < 1.1)
    assert ranked[0] == 4
    assert order.index(young) == [records[name].count for name in order].index(3)
    assert ranked == sorted(ranked, reverse=True)
