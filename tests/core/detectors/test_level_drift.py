from __future__ import annotations

import pickle
from random import Random
from statistics import median

import pytest

from monitor.core.detectors.level_drift import SAMPLES, LevelDrift, Series
from monitor.core.moments import DAY
from tests.bench.drifts import Level, calls


def daily(levels, first=0, clock="12:00"):
    """One sample of sensor A a day."""
    return "\n".join(
        f"{day}d {clock} level a_volts={level:.3f}"
        for day, level in enumerate(levels, first)
    )


def falling(days, by, start=6.0):
    """Levels of *days* that fall by *by* each day."""
    return [start - by * day for day in range(days)]


@pytest.mark.parametrize(
    ("by", "found"),
    [
        # Seven days from 6 V, the last at noon of the seventh: at midnight the line stands at 6 - 6.5 by.
        # 2 - 6.5 by volts are left, which by a day goes through in 14 days where by is 2 / 20.5.
        (2 / 20.5 + 0.001, ["00:00:00 00:00:00 planned"]),
        (2 / 20.5 - 0.001, []),
    ],
)
def test_it_meets_the_limit_within_a_fortnight(watch, by, found):
    """A steady fall is raised at the midnight after the seventh day if, going on so, it meets the limit within `within_d`."""
    day = watch(LevelDrift()).tell(daily(falling(7, by)))

    assert day.until("7d 12:00") == found


def test_six_days_are_too_few(watch, at):
    """With one sample a day six days make no trend, and the seventh does; it began at the midnight it was concluded."""
    day = watch(LevelDrift()).tell(daily(falling(7, 0.2)))

    day.until("6d 23:59:59")
    assert day.brief() == []
    day.until("7d 00:00")
    assert day.found[0].began == day.found[0].raised == at("7d 00:00")


def test_what_it_says(watch):
    """Speed, limit, the day it is met and its interval are said, and every number behind them."""
    levels = [6.0, 5.8, 5.65, 5.4, 5.2, 5.0, 4.8]
    day = watch(LevelDrift()).tell(daily(levels))
    day.until("7d 00:00")
    [found] = day.found

    # Slopes of all pairs by hand: their median is -0.2; the line runs through 5.4 V at noon of the fourth day.
    # At midnight it stands at 5.4 - 3.5 x 0.2 = 4.7 V; 0.7 V are left, three and a half days: 2026-05-14 at noon.
    assert found.summary.startswith(
        "H107: level of sensor A falls by 0.2 V a day and meets 4 V about 2026-05-14 ("
    )
    [numbers] = found.parameters["drifts"]
    assert numbers["slope_per_day"] == pytest.approx(-0.2)
    assert numbers["level"] == pytest.approx(4.7)
    assert numbers["meets"] == "2026-05-14T12:00:00.000Z"
    assert numbers["earliest"] <= numbers["meets"] <= numbers["latest"]
    assert numbers["s"] == -21
    # All seven falling: two of 7! orders.
    assert numbers["p"] == pytest.approx(2 / 5040, abs=1e-6)
    assert [one.time % DAY for one in found.evidence][:2] == [0, 0]


def test_a_rise_leads_to_the_upper_limit(watch):
    """A level that rises is judged by the limit above it."""
    day = watch(LevelDrift()).tell(daily(falling(7, -0.2)))
    day.until("7d 00:00")

    assert day.found[0].parameters["drifts"][0]["limit"] == 8.0


def test_the_way_back_is_no_drift(watch):
    """A level outside its limit that comes back leads to the other limit, which is far."""
    day = watch(LevelDrift()).tell(daily(falling(7, -0.1, start=3.0)))

    assert day.until("8d 00:00") == []


def test_what_is_outside_already_is_not_raised(watch):
    """A trend past its limit when it is first seen is no drift towards it."""
    day = watch(LevelDrift()).tell(daily(falling(9, 0.2, start=4.4)))

    assert day.until("9d 12:00") == []


def test_it_does_not_come_and_go(watch):
    """A slow drift under noise is one alert, from weeks before its limit until long after."""
    draw = Random(7)
    levels = [max(3.9, 6 - 0.04 * day) + draw.gauss(0, 0.05) for day in range(75)]
    day = watch(LevelDrift()).tell(daily(levels))
    day.until("75d 00:00")

    assert len(day.findings) > 30
    assert day.found == day.findings


def test_a_shorter_window_needs_more(watch):
    """Ten days that fall beyond one in a hundred but not beyond one in a thousand, after weeks of rest at a lower level, are not enough yet; alone they are."""
    # Of the last ten the pairs are 45, six of them rising: S is -33, p .0022.
    ten = [5.80, 5.62, 5.66, 5.40, 5.46, 5.20, 5.26, 5.30, 4.90, 4.95]
    day = watch(LevelDrift()).tell(daily([5.0] * 50 + ten))
    day.until("60d 00:00")

    assert day.brief() == []
    week = watch(LevelDrift()).tell(daily(ten))
    week.until("10d 00:00")
    assert week.found


def test_what_has_met_its_limit_stays(watch):
    """A trend that has met its limit is still one, and says so."""
    day = watch(LevelDrift()).tell(daily(falling(9, 0.3)))
    day.until("9d 00:00")

    assert day.found[-1].summary == (
        "H107: level of sensor A falls by 0.3 V a day and has met 4 V"
    )


def test_over_when_the_trend_meets_it_no_longer(watch):
    """When levels have steadied, the trend leads too far away, and it is over at a midnight."""
    steady = [4.8] * 30
    day = watch(LevelDrift()).tell(daily(falling(7, 0.2) + steady))
    said = day.until("40d 00:00")

    assert said[0] == "00:00:00 00:00:00 planned"
    assert said[-1] == "over 00:00:00"
    assert sum(one.startswith("over") for one in said) == 1


def test_a_wild_sample_moves_nothing(watch):
    """The median of a day and the median of slopes are carried away neither by a wild sample nor by a wild day."""
    table = []
    for day, level in enumerate(falling(9, 0.15)):
        values = [level, level, 9.9, level] if day != 3 else [9.9] * 4
        table += [
            f"{day}d {6 + 4 * number:02}:00 level a_volts={value:.3f}"
            for number, value in enumerate(values)
        ]
    day = watch(LevelDrift()).tell("\n".join(table))
    day.until("9d 00:00")

    numbers = day.found[-1].parameters["drifts"][0]
    assert numbers["slope_per_day"] == pytest.approx(-0.15, abs=0.01)


def test_hours_are_compared_with_themselves(watch):
    """With fewer days but many samples, each hour is compared with the same hour of other days: three days that fall by 0.6 V under a swing of 0.2 V are raised, and it says by hours."""
    swing = {hour: 0.2 * (1 if hour < 12 else -1) for hour in range(0, 24, 3)}
    table = "\n".join(
        f"{day}d {hour:02}:00 level a_volts={6.0 - 0.6 * day + up:.2f}"
        for day in range(3)
        for hour, up in swing.items()
    )
    day = watch(LevelDrift()).tell(table)

    day.until("2d 23:59")
    assert day.brief() == []
    day.until("3d 00:00")
    numbers = day.found[0].parameters["drifts"][0]
    assert (numbers["by"], numbers["medians"]) == ("hours", 24)
    assert numbers["slope_per_day"] == pytest.approx(-0.6)
    # Eight hours, each with three falling values.
    assert numbers["s"] == -24


def test_few_days_are_carried_less_far(watch):
    """Three days that fall by 0.15 V meet the limit within 14 days, but such a trend is carried on for six only."""
    table = "\n".join(
        f"{day}d {hour:02}:00 level a_volts={6.0 - 0.15 * day:.2f}"
        for day in range(3)
        for hour in range(0, 24, 3)
    )

    assert watch(LevelDrift()).tell(table).until("3d 12:00") == []


@pytest.mark.parametrize(("hours", "found"), [(8, 1), (7, 0)])
def test_hours_that_are_few_may_lie_on_one_slope(watch, hours, found):
    """Eight hours of the day must have been measured on three days each."""
    table = "\n".join(
        f"{day}d {hour:02}:00 level a_volts={6.0 - 0.6 * day:.2f}"
        for day in range(3)
        for hour in range(hours)
    )
    day = watch(LevelDrift()).tell(table)
    day.until("3d 00:00")

    assert len(day.found) == found


def test_a_drift_after_long_rest_is_seen(watch):
    """Fifty days of rest do not hide a fall of ten days: the last ten are looked at too."""
    day = watch(LevelDrift()).tell(daily([6.0] * 50 + falling(12, 0.12)))
    day.until("62d 00:00")

    assert day.found
    assert day.found[0].parameters["drifts"][0]["medians"] < 20


def test_days_go_out_of_the_window(watch):
    """Days older than `window_d` are forgotten."""
    day = watch(LevelDrift()).tell(daily([6.0] * 90))
    day.until("90d 00:00")

    assert len(day.memory.series[0].days) == 60


@pytest.mark.parametrize("way", [1, -1])
def test_a_step_between_steady_levels_is_no_drift(watch, way):
    """Two weeks, the second a step nearer to a limit than the first: beyond chance, but at the slow end nothing moves."""
    levels = [6 - way * -1.0] * 7 + [6 - way * 0.4] * 7
    day = watch(LevelDrift()).tell(daily(levels))
    day.until("14d 00:00")

    assert day.brief() == []
    assert " or not at all)" in day.explain("14d 00:00")


@pytest.mark.parametrize("way", [1, -1])
def test_a_step_is_no_drift(watch, way):
    """A fall that is beyond chance, but whose slow end leads nowhere near the limit, is not raised: here one step between two levels that hardly fall."""
    levels = [7.0, 6.99, 6.98, 5.9, 5.89, 5.88, 5.87]
    day = watch(LevelDrift()).tell(daily([6 + way * (one - 6) for one in levels]))
    day.until("7d 00:00")

    assert day.brief() == []
    assert f"meets {6 - 2 * way} V about" in day.explain("7d 00:00")


def test_under_work_nothing_counts(watch):
    """What is measured under work is left out, and at a midnight under work nothing is raised."""
    day = watch(LevelDrift()).tell(daily(falling(6, 0.2)))
    day.tell("6d 09:00 work begun\n6d 12:00 level a_volts=9.9\n6d 13:00 work ended")
    day.tell(daily(falling(2, 0.2, start=4.8), first=6, clock="14:00"))
    day.until("9d 00:00")
    assert len(day.found) == 2

    held = watch(LevelDrift()).tell(daily(falling(7, 0.2)))
    held.tell("6d 23:00 work begun\n7d 09:00 work ended")
    assert held.until("7d 10:00") == []
    held.tell("7d 12:00 level a_volts=4.6")
    assert held.until("8d 00:00") == ["00:00:00 00:00:00 planned"]


def test_a_day_without_samples_is_left_out(watch):
    """Nothing new is nothing to judge: after silence the trend is of the days there are."""
    day = watch(LevelDrift()).tell(daily(falling(4, 0.2)))
    assert day.detector.wake_at(day.memory) is not None
    day.until("5d 00:00")
    assert day.detector.wake_at(day.memory) is None

    day.tell(daily(falling(4, 0.2, start=4.8), first=8))
    day.until("12d 00:00")
    assert day.found[0].parameters["drifts"][0]["medians"] == 7


def test_a_value_without_limits_is_not_kept(watch):
    """What cannot meet a limit is not remembered."""
    day = watch(LevelDrift()).tell("12:00 level a_hertz=43000")

    assert day.memory == LevelDrift().start(day.place)


@pytest.mark.parametrize("number", [1, 50, SAMPLES, SAMPLES + 1, 500, 1440])
def test_samples_are_thinned_out_evenly(number):
    """However many samples a day has, few are kept, from all over the day, and their median is near that of all."""
    series = Series(name="a_volts")
    for one in range(number):
        series = series.plus(float(one), one * 24 // number)

    assert len(series.samples) <= SAMPLES
    assert len(series.samples) == len(series.clock)
    gaps = {b - a for a, b in zip(series.samples, series.samples[1:], strict=False)}
    assert len(gaps) <= 1
    assert median(series.samples) == pytest.approx((number - 1) / 2, abs=number / 48)


def test_what_begins_at_the_border_of_a_window_is_within_it():
    """Days and hours from the moment on are kept, those before it are not."""
    series = Series(
        name="a_volts",
        days=((0, 6.0), (DAY, 6.1), (2 * DAY, 6.2)),
        hours=((0, 12, 6.0), (DAY, 12, 6.1), (2 * DAY, 12, 6.2)),
    )

    kept = series.since(DAY)

    assert (kept.days, kept.hours) == (series.days[1:], series.hours[1:])


def test_woken_before_midnight_it_judges_nothing(watch):
    """Woken too early nothing changes, and it still waits for the same midnight."""
    day = watch(LevelDrift()).tell(daily(falling(8, 0.2)))
    assert day.found
    due = day.detector.wake_at(day.memory)

    woken = day.detector.wake(day.memory, due - 1, day.place)

    assert woken == (day.memory, ())


def test_a_sample_each_minute_stays_small(watch):
    """Two values each minute, for days, are kept in a few kilobytes."""
    day = watch(LevelDrift()).tell(daily([6.0] * 60))
    day.tell(
        "\n".join(
            f"60d {minute // 60:02}:{minute % 60:02} level a_volts=6.01 b_volts=5.99"
            for minute in range(1440)
        )
    )

    assert len(pickle.dumps(day.memory)) < 8192


@pytest.mark.days
def test_no_head_under_a_swing_is_called():
    """Two hundred heads under a swing of day and night of a tenth of the way to the limit, with weather and noise, looked at each midnight for ninety days: none is called."""
    assert calls(Level(a_day=8), heads=200) == []


@pytest.mark.days
@pytest.mark.parametrize("a_day", [1, 24])
def test_no_head_is_called_however_often_it_is_measured(a_day):
    """Once a day or every hour, with noise of half the swing: none of a hundred."""
    assert calls(Level(a_day=a_day, noise=0.05), heads=100) == []


@pytest.mark.days
@pytest.mark.parametrize(
    "level",
    [
        pytest.param(Level(a_day=4, drift=1 / 15), id="in 15 days"),
        pytest.param(Level(a_day=4, drift=1 / 40), id="in 40 days"),
        pytest.param(Level(a_day=4, drift=1 / 80), id="in 80 days"),
        pytest.param(Level(a_day=4, drift=1 / 20, rest=40), id="after rest"),
    ],
)
def test_true_drifts_are_found(level):
    """Under the same swing, a head that drifts to its limit is called before it gets there, every one of thirty, a week before where it takes a fortnight or more."""
    found = calls(level, heads=30)
    met = level.rest + 1 / level.drift

    assert len(found) == 30
    assert max(found) <= met - 5
    assert median(found) <= met - 7
    assert min(found) >= min(met - 25, level.rest + 3)


def test_it_explains_how_near_it_is(watch):
    """How many days there are, what the trend is, and that work holds it is said."""
    day = watch(LevelDrift())
    assert day.explain("12:00") == "No value with limits was measured at H107."
    day.tell(daily(falling(3, 0.2)))
    assert "no trend in 3 days (7 make one by days)" in day.explain("3d 00:00")
    day.tell(daily(falling(4, 0.2, start=5.4), first=3))
    day.until("7d 00:00")
    assert "Level of sensor A falls by 0.2 V a day" in day.explain("7d 01:00")
    assert "A drift has been raised." in day.explain("7d 01:00")
    day.tell("7d 02:00 work begun")
    assert "under work" in day.explain("7d 03:00")


def test_a_limit_that_is_met_at_this_midnight_has_been_met(watch):
    """From 5.875 V by a quarter of a volt a day the line stands at 4 V at the eighth midnight, and no day to come is named."""
    day = watch(LevelDrift()).tell(daily(falling(8, 0.25, start=5.875)))
    day.until("8d 00:00")

    assert day.found[-1].summary.endswith("falls by 0.25 V a day and has met 4 V")


def test_it_goes_on_with_the_value_that_is_still_measured(watch):
    """Sensor B was measured once: that it is measured no longer keeps nobody from judging sensor A each midnight."""
    first, *table = daily(falling(7, 0.2), clock="00:00").splitlines()
    other = "1d 00:00 level b_volts=6.0"
    day = watch(LevelDrift()).tell("\n".join([first, other, *table]))

    assert day.until("7d 00:00") == ["00:00:00 00:00:00 planned"]
