from __future__ import annotations

import pickle
from itertools import pairwise
from random import Random

import pytest

from monitor.core.detectors.worsening import MOST, Worsening
from monitor.core.statistics.trend import laplace
from tests.bench.trends import KNOWN, RATES, STEADY, false_calls, finds

RISING = (
    "0d 01:00 clear",
    "5d 01:00 disturbance",
    "20d 01:00 disturbance",
    *(f"{day}d 01:00 disturbance" for day in range(36, 50, 2)),
    *(f"{day}d {hour}:00 disturbance" for day in range(50, 62) for hour in (10, 18)),
)
"""A section heard from Monday 2026-05-04 on: two disturbances in five weeks, one every second day in the next two, then two a day."""


def told(watch, lines, **settings):
    """The detection with *settings*, told *lines*."""
    return watch(Worsening(**settings)).tell("\n".join(lines))


def disturbances(days):
    """One at noon of each of *days*."""
    return [f"{day}d 12:00 disturbance" for day in days]


def test_two_mondays_running(watch, at):
    """It is raised at the second Monday 00:00 UTC on which the trend holds, and began there."""
    day = told(watch, RISING)
    day.until("55d 23:59:59")
    assert day.brief() == []

    # Day 56 is the first Monday on which it holds, day 63 the second.
    day.until("56d 00:00")
    assert day.brief() == []
    assert day.memory.suspected
    day.until("63d 00:00")
    assert day.brief() == ["00:00:00 00:00:00 planned"]
    assert day.found[0].began == day.found[0].raised == at("63d 00:00")


def test_what_it_says(watch):
    """How often, in what time, how it is spread over that, and every number behind it are said."""
    day = told(watch, RISING)
    day.until("63d 00:00")
    [found] = day.found

    assert found.summary == (
        "T107 disturbed more and more often: 33 times in 63 days, by thirds 2, 3 and 28"
    )
    numbers = found.parameters
    assert (numbers["counted"], numbers["counted_singly"]) == (33, 33)
    assert numbers["thirds"] == [2, 3, 28]
    assert numbers["statistic"] == pytest.approx(
        numbers["laplace"] / numbers["unevenness"], abs=2e-3
    )
    assert numbers["statistic"] >= numbers["threshold"] == 2.85
    assert [one.asset for one in found.suspects] == ["head/H107", "head/H108"]
    assert len(found.evidence) == 10


def test_only_where_one_is_new(watch):
    """A Monday after a week without a disturbance confirms nothing, and the next one after begins anew."""
    day = told(watch, [one for one in RISING if int(one.split("d")[0]) < 56])
    day.until("63d 00:00")

    assert day.brief() == []
    assert not day.memory.suspected
    assert day.detector.wake_at(day.memory) is None


def test_a_quiet_week_confirms_nothing_however_strong_the_trend(watch, at):
    """Nothing new, nothing confirmed: even where the trend is still far above the threshold a week later."""
    hours = (6, 10, 14, 18, 22)
    lines = [one for one in RISING if int(one.split("d")[0]) < 50]
    lines += [
        f"{day}d {hour:02}:00 disturbance" for day in range(50, 56) for hour in hours
    ]
    day = told(watch, lines, threshold=2.3)
    day.until("56d 00:00")
    assert day.memory.suspected
    assert day.detector._trend(day.memory, at("63d 00:00")).statistic > 2.3

    assert day.until("70d 00:00") == []


def test_a_steady_section_is_not_called(watch):
    """One every third day, for a year, is no trend."""
    assert told(watch, disturbances(range(0, 365, 3))).until("400d 00:00") == []


def test_fewer_and_fewer_is_not_worse(watch):
    """The same record read backwards is an improvement, and nothing is said."""
    days = [62 - int(line.split("d")[0]) for line in RISING[1:]]
    assert told(watch, disturbances(sorted(days))).until("90d 00:00") == []


def test_a_burst_is_not_a_trend(watch):
    """Thirty disturbances within one night, each within two hours of the one before, count once."""
    night = [
        f"56d {hour:02}:{minute}:00"
        for hour in range(6)
        for minute in range(10, 60, 10)
    ]
    lines = [*disturbances(range(0, 56, 8)), *(f"{one} disturbance" for one in night)]
    day = told(watch, [*lines, *disturbances([60, 64])])

    assert day.until("75d 00:00") == []
    trend = day.detector._trend(day.memory, day.now)
    # Six before it, for the first of the seven began the watch; the night; and two after.
    assert (trend.counted, trend.singly) == (6 + 30 + 2, 6 + 1 + 2)
    # Without the guard it would be one, and a strong one.
    naive = told(watch, [*lines, *disturbances([60, 64])], burst_h=0.001)
    assert naive.detector._trend(naive.memory, naive.now).laplace > 4


@pytest.mark.parametrize(("least", "enough"), [(33, True), (34, False)])
def test_so_few_make_no_trend(watch, at, least, enough):
    """`least` of them, bursts counted once, are needed."""
    day = told(watch, RISING, least=least)
    trend = day.detector._trend(day.memory, at("63d 00:00"))

    assert (trend is not None) == enough


def test_what_falls_under_work_does_not_count(watch):
    """Disturbances under work make no trend."""
    lines = [one.replace("disturbance", "disturbance work") for one in RISING]

    assert told(watch, lines).until("70d 00:00") == []


def test_under_work_nothing_is_raised(watch):
    """A Monday under work is passed over; the next one is judged."""
    day = told(watch, [*RISING, "62d 23:00 work begun", "63d 06:00 work ended"])
    day.until("63d 12:00")
    assert day.brief() == []

    further = [
        f"{day}d {hour}:00 disturbance" for day in range(64, 70) for hour in (10, 18)
    ]
    day.tell("\n".join(further))
    day.until("70d 00:00")
    assert day.brief() == ["00:00:00 00:00:00 planned"]


def test_time_that_was_not_watched_is_taken_out(watch):
    """A steady section that was not known for the first two thirds of the window is not one that worsens."""
    lines = ["0d 01:00 clear", *disturbances([0])]
    lines += ["1d 00:00 not known", "60d 00:00 known again"]
    day = told(watch, [*lines, *disturbances(range(60, 89))])

    assert day.until("91d 00:00") == []
    trend = day.detector._trend(day.memory, day.now)
    # From 01:00 on the first day to noon of the 89th, less 59 days.
    assert trend.days == pytest.approx(88 + 11 / 24 - 59)
    assert abs(trend.laplace) < 1
    assert trend.unevenness < 1
    # Had that time counted as watched, all would lie in its last third.
    blind = told(
        watch,
        [one for one in lines if "known" not in one] + disturbances(range(60, 89)),
    )
    assert blind.detector._trend(blind.memory, day.now).laplace > 4


def test_time_before_the_first_event_is_not_watched(watch):
    """The window begins with the first event of the section, not ninety days ago."""
    day = told(watch, ["70d 00:00 clear", *disturbances(range(70, 91))])
    day.until("98d 00:00")

    assert day.brief() == []
    assert day.detector._trend(day.memory, day.now).days < 22


def test_over_when_it_is_so_no_longer(watch):
    """When the section has been quiet for long enough, a Monday ends it, though nothing new came; until then each Monday says how it stands."""
    day = told(watch, RISING)
    said = day.until("200d 00:00")

    assert said[0] == "00:00:00 00:00:00 planned"
    assert said[-1] == "over 00:00:00"
    assert len(said) < 10
    again = told(watch, RISING)
    again.pass_time(day.findings[-1].at)
    assert again.findings == day.findings
    assert again.detector.wake_at(again.memory) is None
    assert day.detector.wake_at(day.memory) is None


def test_while_it_holds_each_monday_says_how_it_stands(watch, at):
    """With four a day in the week after it was raised the alert is changed and not over."""
    further = [
        f"{day}d {hour:02}:00 disturbance"
        for day in range(63, 70)
        for hour in (2, 8, 14, 20)
    ]
    day = told(watch, [*RISING, *further])
    day.until("70d 00:00")
    trend = day.detector._trend(day.memory, at("70d 00:00"))

    assert trend.statistic >= day.detector.threshold
    assert day.brief() == ["00:00:00 00:00:00 planned"] * 2
    assert "in 70 days" in day.found[1].summary


def test_watching_begins_with_whatever_is_heard_first(watch, at):
    """A disturbance under work does not count, and shows all the same that the section is watched; what comes later moves that no more."""
    day = watch(Worsening()).tell(
        "0d 12:00 disturbance work\n2d 12:00 disturbance work\n3d 12:00 disturbance"
    )

    assert day.memory.first == at("0d 12:00")
    assert day.memory.found == (at("3d 12:00"),)


def test_of_many_only_the_newest_are_kept(watch):
    """However many there are, memory stays small, and watching begins with the newest that was dropped."""
    day = told(watch, ["0d 00:00 clear"])
    day.tell(
        "\n".join(
            f"{d}d {h:02}:00 disturbance" for d in range(80) for h in range(0, 24, 3)
        )
    )

    assert len(day.memory.found) == MOST == 400
    assert day.memory.first == day.memory.found[0] - 3 * 3600 * 1_000_000
    assert len(pickle.dumps(day.memory)) < 8192


def test_settings_move_the_limits(watch):
    """A higher `threshold` and a shorter `window_d` are what is asked for."""
    assert told(watch, RISING, threshold=9.0).until("70d 00:00") == []
    short = told(watch, RISING, window_d=10.0)
    assert short.until("63d 00:00") == []


def test_it_explains_how_near_it_is(watch):
    """How often, how strong, what is raised and when it is judged again are said."""
    day = watch(Worsening())
    assert "not once in the last 90 days" in day.explain("0d 00:00")
    day.tell("\n".join(RISING))
    assert "33 times in the last 90 days" in day.explain("62d 12:00")
    assert "judged again at 2026-07-06 00:00:00" in day.explain("62d 12:00")
    day.until("63d 00:00")
    assert "That has been raised." in day.explain("63d 00:00")
    day.tell("63d 12:00 not known")
    assert "Nothing counts now" in day.explain("63d 13:00")


@pytest.mark.days
@pytest.mark.parametrize("process", STEADY)
def test_steady_sections_are_seldom_called(process):
    """Of forty years of a steady section at each rate, bursty or not, hardly one is called: at most one in a hundred, and drawn here not more than three of two hundred.

    With a true share of one in a hundred, four or more of 200 come once in seven; the draw is seeded and the true shares, printed by `tests.bench.trends`, are well below.
    """
    assert sum(false_calls(process, rate, years=40) for rate in RATES) <= 3


@pytest.mark.days
def test_true_trends_are_found():
    """Sections whose disturbances grow five and ten times in ninety days are called where there are enough to tell."""
    five = finds("5 times in 90 days", rate=200, sections=40)
    ten = finds("10 times in 90 days", rate=100, sections=40)

    assert len(five) >= 36
    assert len(ten) >= 38
    assert max(*five, *ten) <= 90 + 28
    assert KNOWN == 90


@pytest.mark.days
def test_the_guard_is_what_keeps_bursts_quiet():
    """Laplace's statistic alone, at the same threshold and two Mondays running, calls more than every fourth of the simulated years with bursts: the simulation can tell."""
    draw = Random(20260504)

    def strong(times, monday):
        inside = [one - monday + 90 for one in times if monday - 90 < one <= monday]
        return len(inside) >= 8 and laplace(inside, 90) >= 2.85

    called = 0
    for _ in range(40):
        times = sorted(STEADY["bursts of 1-8 in 6 h"](draw, 100 / 365, KNOWN + 365))
        mondays = [strong(times, monday) for monday in range(90, 455, 7)]
        called += any(one and other for one, other in pairwise(mondays))
    assert called > 10
