from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import stats

from monitor.core.statistics.poisson import (
    Gamma,
    at_least,
    at_most,
    chance_of,
    cluster_chance,
    cluster_rate,
    limits,
    line_prior,
)

# Garwood (1936), as tabulated everywhere; to ten decimals from the chi-square form.
GARWOOD = {
    0: (0, 3.6888794541, 0, 2.9957322736),
    1: (0.0253178080, 5.5716433909, 0.0512932944, 4.7438645184),
    2: (0.2422092785, 7.2246876677, 0.3553615107, 6.2957936219),
    3: (0.6186721229, 8.7672730697, 0.8176914472, 7.7536565279),
    4: (1.0898653736, 10.2415886754, 1.3663183967, 9.1535190266),
    5: (1.6234863901, 11.6683320793, 1.9701495681, 10.5130349087),
    6: (2.2018942535, 13.0594740225, 2.6130147442, 11.8423956524),
    7: (2.8143630515, 14.4226753617, 3.2853156919, 13.1481138024),
    8: (3.4538321767, 15.7631892202, 3.9808227862, 14.4346497152),
    9: (4.1153730974, 17.0848034514, 4.6952275403, 15.7052164221),
    10: (4.7953886961, 18.3903560420, 5.4254056971, 16.9622192357),
}


@pytest.mark.parametrize("count", GARWOOD)
def test_limits_are_those_of_the_printed_table(count):
    """Limits agree with the published table to all its digits."""
    low95, high95, low90, high90 = GARWOOD[count]

    assert limits(count) == pytest.approx((low95, high95), abs=6e-11)
    assert limits(count, 0.90) == pytest.approx((low90, high90), abs=6e-11)


def test_limits_of_published_examples():
    """Limits agree with values printed elsewhere: GraphPad's FAQ for 25, epitools' "rule of three", statsmodels' test of 15 in 400."""
    assert limits(25, 0.90) == pytest.approx((17.38, 34.92), abs=0.005)
    assert limits(25, 0.95) == pytest.approx((16.18, 36.90), abs=0.005)
    assert limits(25, 0.99) == pytest.approx((14.00, 41.00), abs=0.005)
    # One-sided 95 % is the upper end of two-sided 90 %.
    assert limits(0, 0.90)[1] == pytest.approx(2.996, abs=0.0005)
    lower, upper = limits(15)
    assert lower / 400 == pytest.approx(0.0209884653, abs=1e-10)
    assert upper / 400 == pytest.approx(0.0618505472, abs=1e-10)
    assert limits(100) == pytest.approx((81.3639912509, 121.6267937924), abs=1e-10)


@given(
    count=st.integers(0, 5000),
    confidence=st.floats(0.5, 0.999),
)
def test_limits_agree_with_the_chi_square_form(count, confidence):
    """Limits are quantiles of chi-square, as Garwood's proof has it, whatever count and confidence."""
    tail = (1 - confidence) / 2
    lower = 0 if count == 0 else stats.chi2.ppf(tail, 2 * count) / 2
    upper = stats.chi2.isf(tail, 2 * count + 2) / 2

    assert limits(count, confidence) == pytest.approx((lower, upper), rel=1e-9)


@pytest.mark.parametrize(("count", "confidence"), [(-1, 0.95), (3, 0.0), (3, 1.0)])
def test_limits_refuse_what_has_no_meaning(count, confidence):
    """A negative count, or a confidence that leaves nothing or everything, is refused by name."""
    with pytest.raises(ValueError, match=r"expected a (count|confidence)"):
        limits(count, confidence)


@given(count=st.integers(-1, 400), mean=st.floats(0, 400))
def test_tails_agree_with_scipy(count, mean):
    """Both tails keep their digits, also where they are tiny."""
    assert chance_of(count, mean) == pytest.approx(
        stats.poisson.pmf(count, mean), rel=1e-9, abs=1e-300
    )
    assert at_most(count, mean) == pytest.approx(
        stats.poisson.cdf(count, mean), rel=1e-9, abs=1e-290
    )
    assert at_least(count, mean) == pytest.approx(
        stats.poisson.sf(count - 1, mean), rel=1e-9, abs=1e-290
    )


def test_one_or_more_of_next_to_nothing_is_next_to_nothing():
    """By exp: its own digits, and not what is left of one."""
    assert at_least(1, 1e-220) == 1e-220
    assert at_least(1, 0.0) == 0.0


def test_published_scan_probabilities():
    """Clusters by chance agree with three published scans.

    Karlin and Brendel (1992), DAM sites in E. coli: .87 and .03.
    Palindromes of a herpes virus (HCMV), ten in a thousand: .00195.
    Six cyclists' deaths in a fortnight, by the worked example of ptools: "close to 50 %", where one fixed window has .0006; that library's own loop departs from Naus's formula in the last step, so only the statement is compared.
    """
    assert cluster_chance(8, 1.1 / 250, 245, 4.7e6) == pytest.approx(0.87, abs=0.005)
    assert cluster_chance(10, 1.1 / 250, 245, 4.7e6) == pytest.approx(0.03, abs=0.005)
    assert cluster_chance(10, 296 / 229354, 1000, 229354) == pytest.approx(
        0.00195, abs=0.00002
    )
    assert cluster_chance(6, 1, 1, 260) == pytest.approx(0.5, abs=0.02)
    assert at_least(6, 1) == pytest.approx(0.0006, abs=0.00001)


# Days, events a year, then P for 2, 3, 4 and 5 in a window within 365 days.
# Computed apart from this code, with another library, from Naus's formula as printed.
DESIGN = [
    (1, 1, 0.00272109, 3.73253e-06, 3.40872e-09, 2.3e-12),
    (1, 4, 0.0421559, 0.000236251, 8.6371e-07, 2.4e-09),
    (1, 12, 0.313139, 0.00617657, 6.80661e-05, 5.60e-07),
    (1, 52, 0.997824, 0.353349, 0.0207013, 0.000750088),
    (7, 1, 0.0182999, 0.000176965, 1.13131e-06, 5.4e-09),
    (7, 4, 0.239104, 0.0104387, 0.000269488, 5.18e-06),
    (7, 12, 0.872806, 0.207052, 0.0178513, 0.00104664),
    (7, 52, 1, 0.999744, 0.921226, 0.470679),
    (30, 1, 0.0681335, 0.00286297, 7.84331e-05, 1.61e-06),
    (30, 4, 0.581712, 0.125778, 0.014681, 0.00122691),
    (30, 12, 0.993596, 0.839964, 0.424964, 0.127342),
]


@pytest.mark.parametrize("row", DESIGN)
def test_design_table(row):
    """Chances per section-year agree with a table computed independently, down to the smallest."""
    days, yearly, *expected = row

    for count, chance in enumerate(expected, start=2):
        # As many digits as the table prints.
        digits = 0.03 if chance < 1e-8 else 5e-3 if chance < 1e-5 else 5e-6
        assert cluster_chance(count, yearly / 365, days, 365) == pytest.approx(
            chance, rel=digits
        )


def test_two_within_a_window_against_the_exact_sum():
    """For two events the exact chance is known, and the approximation meets it to four digits.

    N events over a span of one have no pair closer than w with probability (1 - (N - 1) w)^N, to be summed over the Poisson number N.
    """
    mean, window = 12, 1 / 365
    apart = sum(
        stats.poisson.pmf(n, mean) * max(0.0, 1 - (n - 1) * window) ** n
        for n in range(2, 100)
    ) + stats.poisson.cdf(1, mean)

    assert cluster_chance(2, mean, window, 1) == pytest.approx(1 - apart, rel=1e-4)


@pytest.mark.slow
def test_by_chance_against_drawing_lots():
    """Chances agree with twenty thousand drawn records, within their own scatter and a few per cent."""
    draw = np.random.default_rng(20260504)
    for count, mean, windows in [
        (2, 0.3, 10),
        (3, 0.5, 10),
        (5, 1.0, 10),
        (3, 0.5, 1.5),
    ]:
        hits = 0
        runs = 20_000
        for number in draw.poisson(mean * windows, runs):
            times = np.sort(draw.uniform(0, windows, number))
            if number >= count:
                hits += bool(np.any(times[count - 1 :] - times[: 1 - count] <= 1))
        seen = hits / runs
        scatter = 4 * math.sqrt(seen * (1 - seen) / runs)

        assert cluster_chance(count, mean, 1, windows) == pytest.approx(
            seen, abs=scatter + 0.02 * seen
        )


def test_clusters_somewhere_on_a_line():
    """Added over the sections watched, chances tell how many are flagged: of 500 at four a year by "3 in 7 days", 5.22 a year."""
    for count, yearly, flagged in [(3, 4, 5.22), (4, 4, 0.135), (3, 1, 0.088)]:
        assert 500 * cluster_chance(count, yearly, 7 / 365, 1) == pytest.approx(
            flagged, rel=0.006
        )
        # The long run has no first week to fill, of the year's fifty-two.
        assert 500 * cluster_rate(count, yearly, 7 / 365) == pytest.approx(
            flagged, rel=0.03
        )


@given(
    count=st.integers(2, 8),
    mean=st.floats(1e-4, 0.5),
    windows=st.floats(50, 1e5),
)
def test_rate_and_chance_are_one_statement(count, mean, windows):
    """Over a long record, chance = 1 - exp(-rate x time), so two sentences about one cluster cannot disagree."""
    rate = cluster_rate(count, mean, 1)
    chance = cluster_chance(count, mean, 1, windows)

    assert -math.log1p(-min(chance, 1 - 1e-15)) == pytest.approx(
        min(rate * windows, 34.5), rel=0.25
    )


@given(
    count=st.integers(1, 12),
    rate=st.floats(0, 20),
    window=st.floats(0.01, 10),
    span=st.floats(0, 1000),
)
def test_chance_is_a_probability_and_falls_with_count(count, rate, window, span):
    """Whatever is asked, a chance is between 0 and 1, and a larger cluster is not likelier, but for what the approximation cannot tell from sure."""
    chance = cluster_chance(count, rate, window, span)
    larger = cluster_chance(count + 1, rate, window, span)

    assert 0 <= larger <= chance + 1e-6
    assert chance <= 1


def test_chance_at_the_borders():
    """A count of none is certain, of one is a waiting time, and no rate makes no cluster."""
    assert cluster_chance(0, 1, 1, 10) == 1
    assert cluster_chance(1, 0.2, 1, 10) == pytest.approx(1 - math.exp(-2))
    assert cluster_chance(3, 0, 1, 10) == 0
    assert cluster_chance(3, 2, 1, 0.5) == pytest.approx(stats.poisson.sf(2, 1))
    assert cluster_rate(1, 0.2, 5) == 0.2
    assert cluster_rate(3, 0, 5) == 0


@pytest.mark.parametrize(
    ("rate", "window", "span"), [(1, 0, 10), (-1, 1, 10), (1, 1, -10)]
)
def test_chance_refuses_what_has_no_meaning(rate, window, span):
    """No window, a negative rate or a negative span is refused by name."""
    with pytest.raises(ValueError, match=r"expected a (window|rate|span)"):
        cluster_chance(3, rate, window, span)


def test_hauer_tutorial():
    """Both worked examples of the tutorial come out: 4.71 +- 1.19 per km and year, and 7.97 +- 1.44 a year, 4.43 per km.

    A road of 1.8 km, its like having 2.41 accidents per km and year, overdispersion 2.05 per km; one year with 12, then three with 12, 7 and 8.
    """
    km, mean, dispersion = 1.8, 2.41, 2.05
    prior = Gamma(shape=dispersion * km, exposure=dispersion / mean)

    one = prior.after(12, 1)
    assert one.mean / km == pytest.approx(4.71, abs=0.005)
    assert one.deviation / km == pytest.approx(1.19, abs=0.005)
    three = prior.after(12 + 7 + 8, 3)
    assert three.mean == pytest.approx(7.97, abs=0.005)
    assert three.deviation == pytest.approx(1.44, abs=0.005)
    assert three.mean / km == pytest.approx(4.43, abs=0.005)


def test_nist_bayes_example():
    """NIST/SEMATECH e-Handbook 8.4.6: a prior of 2 and 1400 h, then 2 failures in 1909 h, gives 4 and 3309 h."""
    after = Gamma(2, 1400).after(2, 1909)

    assert (after.shape, after.exposure) == (4, 3309)
    # "57 % bound": the mean time of 827.25 h that goes with it.
    assert 1 / after.mean == pytest.approx(827.25)


def test_short_record_ranks_below_long_one():
    """One event in a short time does not outrank eight in a long one, though its raw rate does."""
    prior = line_prior([(1, 0.1), (8, 1.0), *[(1, 1.0)] * 20, *[(4, 1.0)] * 5])
    assert prior is not None

    assert 1 / 0.1 > 8 / 1.0
    assert prior.after(1, 0.1).mean < prior.after(8, 1.0).mean


def test_moments_of_equal_exposures_by_hand():
    """With equal exposures the prior has the mean of the counts and their variance less that mean.

    Counts 0, 1, 0, 9: mean 2.5, variance 57 / 3 = 19, of which counting makes 2.5: 16.5 between sections.
    Shape 2.5^2 / 16.5, exposure 2.5 / 16.5.
    """
    prior = line_prior([(0, 1.0), (1, 1.0), (0, 1.0), (9, 1.0)])

    assert prior is not None
    assert prior.shape == pytest.approx(6.25 / 16.5)
    assert prior.exposure == pytest.approx(2.5 / 16.5)


def test_moments_find_the_prior_that_was_drawn_from():
    """Counts drawn from a known gamma give it back, exposures unequal, within a tenth."""
    draw = np.random.default_rng(7)
    exposures = draw.uniform(0.5, 3.0, 20_000)
    rates = draw.gamma(shape=2.0, scale=1 / 0.5, size=20_000)
    counts = draw.poisson(rates * exposures)

    prior = line_prior(zip(counts.tolist(), exposures.tolist(), strict=True))

    assert prior is not None
    assert prior.shape == pytest.approx(2.0, rel=0.1)
    assert prior.exposure == pytest.approx(0.5, rel=0.1)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        pytest.param([(2, 1.0), (2, 1.0)], Gamma(4, 2.0), id="all alike"),
        pytest.param([(3, 2.0)], Gamma(3, 2.0), id="one section"),
        pytest.param([(0, 1.0), (0, 3.0)], Gamma(0.5, 4.0), id="no event"),
        pytest.param([(3, 0.0), (4, 2.0)], Gamma(4, 2.0), id="one not heard"),
    ],
)
def test_prior_where_sections_cannot_be_told_apart(records, expected):
    """Without a spread to see, the prior is the whole line's record."""
    assert line_prior(records) == expected


def test_no_prior_from_nothing():
    """Where nothing was watched nothing is believed."""
    assert line_prior([]) is None
    assert line_prior([(0, 0.0)]) is None


@given(
    records=st.lists(
        st.tuples(st.integers(0, 50), st.floats(0.01, 10)), min_size=1, max_size=20
    ),
    count=st.integers(0, 50),
    exposure=st.floats(0.01, 10),
)
def test_belief_lies_between_line_and_section(records, count, exposure):
    """The rate believed lies between the line's and the section's own."""
    prior = line_prior(records)
    assert prior is not None
    own = count / exposure
    low, high = sorted((prior.mean, own))
    slack = 1e-9 * (1 + high)

    assert low - slack <= prior.after(count, exposure).mean <= high + slack


@pytest.mark.slow
def test_no_library_of_distributions_is_loaded():
    """The daemon starts without scipy: it is large, and the core needs none of it."""
    code = (
        "import sys, monitor.core.statistics.poisson;"
        "print([m for m in sys.modules if m.split('.')[0] in {'scipy', 'numpy'}])"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )

    assert said.stdout.strip() == "[]"


@pytest.mark.parametrize(("mean", "time"), [(0.3, 1.0), (4.0, 0.25), (4.0, 9.0)])
def test_a_spread_is_widened_by_what_counting_makes_of_it(mean, time):
    """The square of a Poisson count's departure, over its time, has the variance 2 m m + m / t (scipy's moments); a hundred alike, and two deviations more."""
    count = stats.poisson(mean * time)
    square = count.expect(lambda x: ((x - mean * time) ** 2 / time) ** 2)
    variance = square - count.expect(lambda x: (x - mean * time) ** 2 / time) ** 2
    assert variance == pytest.approx(2 * mean**2 + mean / time, rel=1e-6)

    # So many with what counting alone makes of their spread, nearly: the rest is nought.
    records = [(mean * time, time)] * 100
    wide = line_prior(records, 2.0)
    assert wide is not None
    between = (2 * math.sqrt(100 * variance) - 99 * mean) / (99 * time)
    expected = between if between * 100 * time > mean else mean / (100 * time)
    assert wide.mean == pytest.approx(mean)
    assert wide.deviation**2 == pytest.approx(expected)


def test_one_section_alone_says_nothing_of_how_others_differ():
    """By its own rate, as likely as not; and nothing at all is half of one."""
    nothing = [(0, 2.0), (0, 2.0)]
    none, sure = line_prior(nothing, 2.0), line_prior(nothing)

    assert line_prior([(4, 2.0)], 2.0) == Gamma(1.0, 0.5)
    assert none is not None
    assert sure is not None
    assert none.mean == pytest.approx(0.125)
    assert none.deviation > sure.deviation
