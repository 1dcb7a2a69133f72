from __future__ import annotations

import pickle

import pytest

from monitor.core.detectors.one_sided_head import MOST, OneSidedHead


def passages(number, day=0, minute=0):
    """*number* passages in order, ten seconds apart."""
    seconds = range(minute * 60, minute * 60 + 10 * number, 10)
    return "\n".join(
        f"{day}d {at // 3600:02}:{at // 60 % 60:02}:{at % 60:02} passage forward a=16 b=16"
        for at in seconds
    )


@pytest.mark.parametrize(
    "odd",
    ["passage none", "passage forward a=16 b=15", "passage reverse a=15 b=16"],
)
def test_what_is_odd(watch, odd):
    """A passage without a direction is odd, and one that the sensors counted differently; two such are raised."""
    day = watch(OneSidedHead()).tell(f"12:00 {odd}\n12:10 {odd}")

    assert day.brief() == ["12:00:00 12:10:00 planned"]


@pytest.mark.parametrize(
    "even",
    [
        "passage forward a=16 b=16",
        "passage reverse a=16",
        "passage reverse b=16",
        "passage forward",
    ],
)
def test_what_is_not(watch, even):
    """Sensors that agree, or of which one was not told, are no fault."""
    assert watch(OneSidedHead()).tell(f"12:00 {even}\n12:10 {even}").brief() == []


def test_one_is_not_enough(watch):
    """A single odd passage may be a trolley."""
    assert watch(OneSidedHead()).tell("12:00 passage none").until("3d 00:00") == []


@pytest.mark.parametrize(("even", "found"), [(197, True), (198, False)])
def test_more_than_one_in_a_hundred(watch, even, found):
    """Two of 199 are more than one in a hundred, two of 200 are not."""
    day = watch(OneSidedHead())
    day.tell(passages(even)).tell("12:00 passage none\n12:10 passage none")

    assert bool(day.found) == found
    if found:
        assert day.found[0].parameters["counted_passages"] == 199


@pytest.mark.parametrize(
    ("second", "found"), [("1d 12:00:00", True), ("1d 12:00:00.001", False)]
)
def test_within_a_day(watch, second, found):
    """Both lie within 24 h of each other, the border included."""
    day = watch(OneSidedHead()).tell(f"12:00 passage none\n{second} passage none")

    assert bool(day.found) == found


def test_odd_ones_leave_the_window_one_by_one(watch):
    """Of three odd passages the first is older than a day when the third comes, and the second just as old as a day."""
    day = watch(OneSidedHead()).tell(
        "11:59 passage none\n12:00 passage none\n1d 12:00 passage none"
    )

    assert [one.parameters["counted_odd"] for one in day.found] == [2, 2]


def test_passages_leave_the_share_with_the_day(watch):
    """Two odd among many that have gone out of the window are too many of what is left, judged at the next passage."""
    day = watch(OneSidedHead()).tell(passages(300, minute=0))
    day.tell("12:00 passage none\n12:10 passage none")
    assert day.brief() == []

    day.tell("1d 02:00 passage forward a=16 b=16")
    # The 300 of the hour after midnight are older than a day; of three left two are odd.
    assert day.brief() == ["12:00:00 02:00:00 planned"]
    assert day.found[0].parameters["counted_passages"] == 3


def test_a_passage_just_as_old_as_a_day_is_one_of_those(watch):
    """When the second odd one comes, one passage is older than a day and forgotten, and one is just as old: with it they are two of 200, without it two of 199."""
    day = watch(OneSidedHead())
    day.tell("00:00 passage forward a=16 b=16\n00:00:10 passage forward a=16 b=16")
    day.tell(passages(197, minute=60))
    day.tell("23:00 passage none\n1d 00:00:10 passage none")

    assert day.brief() == []


def test_over_after_a_day_without(watch):
    """It is over 24 h after the last odd passage, whatever else passes; each further odd one is a change."""
    day = watch(OneSidedHead()).tell(
        """
        12:00 passage none
        12:10 passage none
        15:00 passage forward a=16 b=15
        18:00 passage forward a=16 b=16
        """
    )

    assert day.until("3d 00:00") == [
        "12:00:00 12:10:00 planned",
        "12:00:00 12:10:00 planned",
        "over 15:00:00",
    ]
    assert day.found[1].summary == (
        "H107: of 3 passages within 24 h 3 had no direction, or its sensors counted differently"
    )


def test_after_its_end_it_begins_anew(watch):
    """What counted for one alert does not count for the next."""
    day = watch(OneSidedHead()).tell("12:00 passage none\n12:10 passage none")
    day.until("2d 00:00")
    day.tell("2d 01:00 passage none")
    assert day.brief() == ["12:00:00 12:10:00 planned", "over 12:10:00"]

    day.tell("2d 02:00 passage none")
    assert day.brief()[2:] == ["01:00:00 02:00:00 planned"]


def test_under_work_nothing_counts(watch):
    """Passages under work count neither as odd nor as passages."""
    day = watch(OneSidedHead()).tell(
        """
        11:00 passage none
        12:00 work begun
        12:10 passage none
        12:20 passage forward a=16 b=16
        13:00 work ended
        """
    )
    assert day.brief() == []

    day.tell("14:00 passage none")
    assert day.brief() == ["11:00:00 14:00:00 planned"]
    assert day.found[0].parameters["counted_passages"] == 2


def test_work_begins_the_day_without_anew(watch, at):
    """An open alert is not ended under work, and 24 h are counted from the end of it."""
    day = watch(OneSidedHead()).tell(
        """
        12:00 passage none
        12:10 passage none
        1d 10:00 work begun
        1d 16:00 work ended
        """
    )

    assert day.until("4d 00:00")[1:] == ["over 16:00:00"]
    assert day.findings[-1].at == at("2d 16:00")
    assert day.explain("4d 00:00").startswith("Of 0 passages within 24 h 0")


def test_settings_move_the_limits(watch):
    """`odd`, `share` and `day_h` are what is asked for."""
    table = "12:00 passage none\n14:00 passage none\n14:30 passage forward a=16 b=16"

    assert watch(OneSidedHead(odd=3)).tell(table).brief() == []
    assert watch(OneSidedHead(day_h=1.0)).tell(table).brief() == []
    assert watch(OneSidedHead(share=100.0)).tell(table).brief() == []
    assert len(watch(OneSidedHead(share=60.0)).tell(table).found) == 1


def test_a_busy_head_is_judged_by_the_newest(watch):
    """Beyond what is remembered the oldest passages are forgotten, and memory stays small."""
    day = watch(OneSidedHead()).tell(passages(MOST + 50))

    assert len(day.memory.times) == MOST == 800
    assert len(pickle.dumps(day.memory)) < 8192


def test_it_explains_how_near_it_is(watch):
    """Odd and other passages, both limits, and when it is over are said."""
    day = watch(OneSidedHead()).tell("12:00 passage none\n12:05 passage forward")
    assert day.explain("12:05") == (
        "Of 2 passages within 24 h 1 had no direction, or the sensors of H107 counted differently "
        "(raised from 2 on, if above 1 in a hundred)."
    )
    day.tell("12:10 passage none")
    assert "over at 2026-05-05 12:10:00 if none follows" in day.explain("12:10")
    day.tell("12:20 work begun")
    assert "under work" in day.explain("12:20")


def test_it_says_which_sensor_saw_what(watch):
    """What each sensor saw is in the evidence, under its own name."""
    day = watch(OneSidedHead()).tell(
        "12:00 passage none\n12:10 passage forward a=16 b=15"
    )

    assert [one.text for one in day.found[0].evidence] == [
        "passage of 16 axles without a direction",
        "sensor A saw 16 and sensor B saw 15 influences",
    ]
