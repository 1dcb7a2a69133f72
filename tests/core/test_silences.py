"""Sources without a heartbeat are judged by their own past, once there is enough of it."""

from __future__ import annotations

from itertools import count
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.core.alerts import Alert
from monitor.core.engine import Engine
from monitor.core.events import GatewayStatus, SectionState, State
from monitor.core.facts import Fact
from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse, stamp
from monitor.core.silences import Silences, read_silences

MONDAY = parse("2026-05-04T00:00:00Z")

LINE = read_line(
    """
[line]
name = "Varnholt branch"
timezone = "UTC"
[[evaluator]]
id = "EV1"
site = "Thornmere room"
[[evaluator]]
id = "EV2"
site = "Ostrel room"
[[section]]
id = "T1"
area = "thornmere"
evaluator = "EV1"
length_m = 800
speed_km_h = 100
[[section]]
id = "T2"
area = "thornmere"
evaluator = "EV2"
length_m = 800
speed_km_h = 100
[[head]]
id = "H1"
between = ["open", "T1"]
[[head]]
id = "H2"
between = ["T1", "T2"]
[[head]]
id = "H3"
between = ["T2", "open"]
"""
)


def learn(silences, source, gap, days, start=MONDAY):
    """Hear *source* every *gap* for *days*, each day ended at its midnight."""
    at = start
    for day in range(1, days + 1):
        while at + gap <= start + day * DAY:
            silences.hear(source, at, at + gap)
            at += gap
        silences.turn()


@pytest.fixture
def silences():
    """Nothing gathered, by the hours of UTC."""
    return Silences(ZoneInfo("UTC"))


def test_a_fortnight_is_needed(silences):
    """Thirteen days teach nothing, fourteen do."""
    learn(silences, "gw/1", 10 * MINUTE, 13)
    assert silences.learnt(MONDAY + 13 * DAY) == {}

    learn(silences, "gw/1", 10 * MINUTE, 1, MONDAY + 13 * DAY)
    assert list(silences.learnt(MONDAY + 14 * DAY)) == ["gw/1"]


def test_too_long_is_three_times_the_usual_longest(silences):
    """By hand: every gap is ten minutes, so half an hour is too long, in each hour of both kinds of day."""
    learn(silences, "gw/1", 10 * MINUTE, 14)

    assert silences.learnt(MONDAY + 14 * DAY)["gw/1"] == [1800.0] * 48


def test_one_gap_in_a_thousand_may_be_longer(silences):
    """Of 3,600 gaps in an hour of working days, the 99.9th percentile by nearest rank leaves out the three longest."""
    for day in range(14):
        for second in range(0, 3600, 10):
            at = MONDAY + day * DAY + second * SECOND
            silences.hear("gw/1", at, at + 10 * SECOND)
        silences.turn()
    for extra in (400, 300, 200, 100):
        silences.hear("gw/1", MONDAY, MONDAY + extra * SECOND)

    # 10 working days of 360, and 4 more: 3604 // 1000 = 3 may be longer than the one that counts.
    assert silences.learnt(MONDAY + 14 * DAY)["gw/1"][0] == 3 * 100.0


def test_hours_and_kinds_of_day_are_told_apart(silences):
    """A source that rests by night on working days, and all Sunday, is judged by that."""
    for day in range(14):
        midnight = MONDAY + day * DAY
        at = midnight + 6 * HOUR
        while day % 7 != 6 and at < midnight + 22 * HOUR:
            silences.hear("gw/1", at, at + 15 * MINUTE)
            at += 15 * MINUTE
        if day % 7 not in (5, 6):
            silences.hear("gw/1", at, midnight + DAY + 6 * HOUR)
        silences.turn()
    hours = silences.learnt(MONDAY + 14 * DAY)["gw/1"]

    assert hours[12] == 3 * 900.0
    assert hours[22] == 3 * 8 * 3600.0
    assert hours[3] is None  # no gap ever began then: nobody can tell
    assert hours[24 + 12] == 3 * 900.0  # Saturdays


def test_what_is_older_than_the_fortnight_is_forgotten(silences):
    """Three weeks on, only the gaps of the last fortnight count."""
    learn(silences, "gw/1", 60 * MINUTE, 7)
    learn(silences, "gw/1", 10 * MINUTE, 15, MONDAY + 7 * DAY)

    assert set(silences.learnt(MONDAY + 22 * DAY)["gw/1"]) == {1800.0}


@pytest.mark.parametrize(
    "wrong", [None, 7, {"gw/1": [1.0]}, {"gw/1": "x"}, {"gw/1": [0] * 48}]
)
def test_a_record_at_fault_teaches_nothing(wrong):
    """What another hand has written into a recording does no harm."""
    limits = read_silences(wrong)
    assert all(one is None for row in limits.values() for one in row)


def two_weeks(heartbeat):
    """Two sources that speak every ten minutes for 15 days; then the first falls silent, and the other goes on for two hours."""
    numbers = count(1)
    at = MONDAY
    while at < MONDAY + 15 * DAY + 2 * HOUR:
        for name, section in (("gw/1", "T1"), ("gw/2", "T2")):
            if name == "gw/1" and at > MONDAY + 15 * DAY:
                continue
            number = next(numbers)
            common: dict[str, Any] = {
                "id": str(number),
                "source": name,
                "time": at,
                "arrival": at,
            }
            yield SectionState(subject=section, state=State.CLEAR, **common)
            if heartbeat:
                common["id"] += "h"
                yield GatewayStatus(subject=name, online=True, period_s=600.0, **common)
        at += 10 * MINUTE


@pytest.mark.slow
def test_a_silence_that_is_learnt_blinds_and_raises_nothing():
    """Half an hour after its last event its section is not known since that event, the other's is, and no alert is raised."""
    engine = Engine(LINE)
    alerts: list[Alert] = []
    facts: list[Fact] = []
    last = MONDAY + 15 * DAY
    for event in two_weeks(heartbeat=False):
        output = engine.take(event)
        alerts += output.alerts
        facts += [one for one in output.facts if one.kind == "not-known"]
    alerts += engine.finish().alerts

    assert alerts == []
    assert engine.not_known() == {"T1": "its gateway is not heard"}
    assert [(one.subject, stamp(one.began)) for one in facts] == [
        ("section/T1", stamp(last))
    ]


def test_before_that_it_says_that_it_cannot_judge():
    """On the first day the answer about a silence is that nobody can tell."""
    engine = Engine(LINE)
    for _, event in zip(range(20), two_weeks(heartbeat=False), strict=False):
        engine.take(event)

    said = " ".join(engine.explain("T1", "feed-silent"))
    assert "whether it is silent cannot be judged yet" in said


@pytest.mark.slow
def test_a_heartbeat_goes_before_what_is_learnt():
    """A source with a heartbeat is judged by that, and its silence is an alert."""
    engine = Engine(LINE)
    alerts: list[Alert] = []
    for event in two_weeks(heartbeat=True):
        alerts += engine.take(event).alerts

    assert [one.kind for one in alerts] == ["feed-silent"]
    assert "T1" in engine.not_known()


def test_too_few_gaps_of_an_hour_are_taken_with_the_rest_of_the_day(silences):
    """One gap of four seconds says nothing of its hour: the longest of that kind of day counts."""
    for day in range(14):
        at = MONDAY + day * DAY + 6 * HOUR
        silences.hear("gw/1", at, at + 4 * SECOND)
        silences.hear("gw/1", at + 4 * SECOND, at + 10 * HOUR)
        silences.hear("gw/1", at + 10 * HOUR, at + 10 * HOUR + 4 * SECOND)
        silences.turn()

    limits = silences.learnt(MONDAY + 14 * DAY)["gw/1"]
    assert limits[16] == 3 * (10 * 3600 - 4)


def test_a_silence_that_goes_on_is_no_shorter_than_it_is(silences):
    """What has lasted for ten hours at midnight and was not judged is usual for at least that long."""
    learn(silences, "gw/1", 10 * MINUTE, 14)
    midnight = MONDAY + 14 * DAY

    limits = silences.learnt(midnight, {"gw/1": midnight - 10 * HOUR})["gw/1"]
    assert limits[24 + 14] == 3 * 36_000.0  # the fourteenth day is a Sunday
    assert limits[24 + 15] == 1800.0
