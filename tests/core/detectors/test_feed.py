from __future__ import annotations

import pytest

from monitor.core.changes import ClockJudged, GapFound, GatewayHeard, GatewaySilent
from monitor.core.detector import Place
from monitor.core.detectors.clock_wrong import ClockWrong
from monitor.core.detectors.feed_gap import FeedGap
from monitor.core.detectors.feed_silent import FeedSilent
from monitor.core.moments import SECOND

HOUR = 3600 * SECOND


@pytest.fixture
def silent(at):
    """GW1, last heard at noon, judged silent after three periods of 30 s."""

    def made(**more):
        given = {
            "place": "GW1",
            "at": at("12:01:30"),
            "since": at("12:00"),
            "event": "gw/1#7",
            "offline": False,
            "period": 30 * SECOND,
            "sections": ("T106", "T107"),
        }
        return GatewaySilent(**{**given, **more})

    return made


@pytest.fixture
def gap(at):
    """One number of gw/1 missing after noon."""

    def made(**more):
        given = {
            "place": "gw/1",
            "at": at("12:00:13"),
            "since": at("12:00"),
            "event": "gw/1#7",
            "after": "gw/1#9",
            "missing": 1,
            "sections": ("T106", "T107", "T108"),
        }
        return GapFound(**{**given, **more})

    return made


@pytest.fixture
def judged(at):
    """The clock of gw/1, an hour behind the others."""

    def made(**more):
        given = {
            "place": "gw/1",
            "at": at("12:01"),
            "wrong": True,
            "nobody": False,
            "lag": HOUR + SECOND,
            "usual": SECOND,
            "late": 3,
            "began": at("12:00"),
            "events": 20,
            "event": "gw/1#27",
            "correction": HOUR,
        }
        return ClockJudged(**{**given, **more})

    return made


def test_a_gateway_that_is_not_heard(watch, silent, at):
    """Silence is raised when it is judged, began with the last event heard, and is over with the next."""
    day = watch(FeedSilent())
    day.hear(silent())
    day.hear(GatewayHeard(place="GW1", at=at("12:10"), event="gw/1#8"))
    day.hear(GatewayHeard(place="GW1", at=at("12:11"), event="gw/1#9"))

    assert day.brief() == ["12:00:00 12:01:30 prompt", "over 12:10:00"]
    assert day.found[0].summary == (
        "GW1 not heard for 90 s; 2 sections not known since 12:00:00"
    )
    assert day.found[0].affected == ("gateway/GW1", "section/T106", "section/T107")
    assert day.found[0].parameters == {
        "period_s": 30.0,
        "silent_for_s": 90.0,
        "offline": False,
        "sections": 2,
    }


def test_a_gateway_whose_will_came(watch, silent, at):
    """`offline` is said as such, and not raised again by the silence that follows."""
    day = watch(FeedSilent())
    day.hear(silent(at=at("12:00:10"), offline=True, sections=("T106",)))
    day.hear(silent())

    assert day.brief() == ["12:00:00 12:00:10 prompt"]
    assert day.found[0].summary == (
        "GW1 said to be offline; 1 section not known since 12:00:00"
    )


def test_silence_is_explained(watch, silent):
    """How long it is silent, or that it is not judged so, is said."""
    day = watch(FeedSilent())

    assert day.explain("12:00") == "GW1 is not judged silent."
    day.hear(silent())
    assert day.explain("12:02") == "GW1 not heard since 12:00:00, 2 min ago."


def test_a_number_that_never_came(watch, gap):
    """A gap is a note that is over at once, about the source and its sections."""
    day = watch(FeedGap())
    day.hear(gap())

    assert day.brief() == ["12:00:00 12:00:13 note over 12:00:13"]
    [found] = day.found
    assert found.summary == (
        "gw/1: 1 event sent after 12:00:00 never came; "
        "3 sections not known until each is heard again"
    )
    assert found.affected[:2] == ("source/gw/1", "section/T106")
    assert [one.event for one in found.evidence] == ["gw/1#7", "gw/1#9"]


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        (4, "4 events sent after 12:00:00 never came"),
        (None, "its numbers went back after 12:00:00"),
    ],
)
def test_a_gap_says_what_is_missing(watch, gap, missing, said):
    """How many never came, or that the numbers went back."""
    day = watch(FeedGap())
    day.hear(gap(missing=missing))

    assert said in day.found[0].summary
    assert day.found[0].parameters["missing"] == missing


def test_gaps_are_counted(watch, gap, at):
    """How often and when last is remembered and explained."""
    day = watch(FeedGap())

    assert day.explain("12:00") == "No gap was seen in what gw/1 sent."
    day.hear(gap())
    day.hear(gap(at=at("12:30"), since=at("12:29")))
    assert day.explain("13:00") == "A gap was seen twice, last at 12:30:00."


def test_a_clock_that_is_an_hour_behind(watch, judged, at):
    """A departure is raised when it is judged, began with the first of its events, and is over when judged within."""
    day = watch(ClockWrong())
    day.hear(judged())
    day.hear(judged(at=at("14:00"), wrong=False, lag=SECOND, correction=0))

    assert day.brief() == ["12:00:00 12:01:00 planned", "over 14:00:00"]
    assert day.found[0].summary == (
        "gw/1: its clock is 1 h behind the others; its times are corrected by +1 h"
    )
    assert day.found[0].parameters == {
        "lag_s": 3601.0,
        "usual_lag_s": 1.0,
        "departs_s": 3600.0,
        "late_of_20": 3,
        "correction_s": 3600.0,
    }


def test_a_clock_that_is_ahead(watch, judged):
    """A clock that runs ahead is said to, and what takes it back has its sign."""
    day = watch(ClockWrong())
    day.hear(judged(lag=-HOUR, usual=0, correction=-HOUR))

    assert day.found[0].summary == (
        "gw/1: its clock is 1 h ahead of the others; its times are corrected by -1 h"
    )


def test_a_source_most_of_whose_events_come_late(watch, judged):
    """Where the clock is within, what is said is that most events come late."""
    day = watch(ClockWrong())
    day.hear(judged(lag=5 * SECOND, usual=SECOND, late=11, correction=0))

    assert day.found[0].summary == (
        "gw/1: 11 of its last 20 events came late; its times are not corrected"
    )


def test_the_clock_of_the_monitor_itself(watch, judged):
    """Where no source agrees with the monitor, the monitor is the suspect and nobody is corrected."""
    day = watch(ClockWrong())
    day.place = Place(id="monitor/monitor-1", line=day.place.line)
    day.hear(judged(place="monitor/monitor-1", nobody=True, usual=0, correction=0))

    [found] = day.found
    assert found.summary == (
        "monitor/monitor-1: no source is within 30 s of its clock; nobody's times are corrected"
    )
    assert [one.asset for one in found.suspects] == ["monitor/monitor-1"]
    assert "the machine that the monitor runs on" in found.checks[0]


def test_a_clock_within_the_others_ends_nothing_that_is_not_open(watch, judged):
    """Judged within without ever having been wrong says nothing."""
    day = watch(ClockWrong())
    day.hear(judged(wrong=False, lag=SECOND, correction=0))

    assert day.brief() == []
    assert "not judged to depart" in day.explain("13:00")
    day.hear(judged())
    assert (
        day.explain("13:00")
        == "Events of gw/1 come +1 h later than those of the others."
    )


@pytest.mark.parametrize(
    ("lag", "said"),
    [
        (30 * SECOND, "its clock is 30 s behind the others"),
        (-30 * SECOND, "its clock is 30 s ahead of the others"),
        (29_900_000, "3 of its last 20 events came late"),
    ],
)
def test_a_departure_begins_with_half_a_minute(watch, judged, lag, said):
    """Half a minute either way is a departure, the border included; with less, what is said is how many came late."""
    day = watch(ClockWrong())
    day.hear(judged(lag=lag, usual=0, correction=0))

    assert day.found[0].summary.startswith(f"gw/1: {said};")
