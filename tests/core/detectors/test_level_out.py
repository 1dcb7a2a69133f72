from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.changes import LevelMeasured
from monitor.core.detector import Found, Place
from monitor.core.detectors.level_out import LevelOut
from monitor.core.layout import read_line


@pytest.mark.parametrize(
    ("second", "found"),
    [
        ("12:00:59.999", []),
        ("12:01:00", ["12:00:00 12:01:00 planned"]),
        ("12:10:00", ["12:00:00 12:10:00 planned"]),
    ],
)
def test_outside_from_sample_to_sample(watch, second, found):
    """Two samples outside that lie `out_s` apart are enough, and it began with the first."""
    day = watch(LevelOut()).tell(f"12:00 level a_volts=3.4\n{second} level a_volts=3.3")

    assert day.until("20:00") == found


def test_three_samples_are_enough_however_close(watch):
    """The third sample outside, one after the other, is raised before the minute is over."""
    day = watch(LevelOut()).tell(
        """
        12:00:00 level a_volts=3.4
        12:00:05 level a_volts=3.4
        12:00:10 level a_volts=3.4
        """
    )

    assert day.brief() == ["12:00:00 12:00:10 planned"]


def test_one_sample_and_silence_is_nothing(watch):
    """Silence is no sample: one value outside with nothing after it raises nothing."""
    assert watch(LevelOut()).tell("12:00 level a_volts=3.4").until("2d 00:00") == []


def test_a_sample_within_breaks_the_run(watch):
    """Samples outside count only one after the other; the run begins anew after one within."""
    day = watch(LevelOut()).tell(
        """
        12:00:00 level a_volts=3.4
        12:00:20 level a_volts=3.4
        12:00:40 level a_volts=6.0
        12:01:10 level a_volts=3.4
        12:01:30 level a_volts=3.4
        12:02:10 level a_volts=3.4
        """
    )

    assert day.brief() == ["12:01:10 12:02:10 planned"]


@pytest.mark.parametrize(
    ("value", "found"), [("3.999", 1), ("4.0", 0), ("8.0", 0), ("8.001", 1)]
)
def test_a_value_on_its_limit_is_within(watch, value, found):
    """Limits of 4 and 8 V themselves are within."""
    day = watch(LevelOut()).tell(
        f"12:00 level a_volts={value}\n12:02 level a_volts={value}"
    )

    assert len(day.found) == found


def test_over_when_back_for_as_long(watch):
    """It is over when the value has been within for `out_s`, from sample to sample; a sample outside begins that anew."""
    day = watch(LevelOut()).tell(
        """
        12:00:00 level a_volts=3.4
        12:01:00 level a_volts=3.4
        12:02:00 level a_volts=6.0
        12:02:30 level a_volts=6.0
        12:02:45 level a_volts=3.4
        12:03:00 level a_volts=6.0
        12:03:59 level a_volts=6.0
        """
    )

    assert day.brief() == ["12:00:00 12:01:00 planned"]
    day.tell("12:04:00 level a_volts=6.0")
    assert day.brief() == ["12:00:00 12:01:00 planned", "over 12:04:00"]


def test_over_after_three_samples_within(watch):
    """Three samples within, one after the other, end it too."""
    day = watch(LevelOut()).tell(
        """
        12:00:00 level a_volts=3.4
        12:01:00 level a_volts=3.4
        12:02:00 level a_volts=6.0
        12:02:01 level a_volts=6.0
        12:02:02 level a_volts=6.0
        """
    )

    assert day.brief() == ["12:00:00 12:01:00 planned", "over 12:02:02"]


def test_each_value_is_judged_by_itself(watch):
    """One sensor below and the other above are one alert, and it is over when both are back."""
    day = watch(LevelOut()).tell(
        """
        12:00 level a_volts=3.4 b_volts=6.0
        12:01 level a_volts=3.4 b_volts=8.5
        12:02 level a_volts=3.4 b_volts=8.5
        12:03 level a_volts=6.0 b_volts=8.5
        12:04 level a_volts=6.0 b_volts=8.5
        12:05 level b_volts=6.0
        12:06 level b_volts=6.0
        """
    )

    assert [one.summary for one in day.found] == [
        "H107: level of sensor A 3.4 V, below 4 V, for 1 min",
        "H107: level of sensor A 3.4 V, below 4 V and level of sensor B 8.5 V, above 8 V, for 2 min",
        "H107: level of sensor B 8.5 V, above 8 V, for 4 min",
    ]
    assert day.brief()[-1] == "over 12:06:00"
    assert day.found[1].parameters["limits"] == {"a_volts": [4, 8], "b_volts": [4, 8]}


def test_it_begins_with_the_first_of_its_values(watch):
    """Where two values become enough at one sample, it began with the one that was out first."""
    day = watch(LevelOut()).tell(
        """
        12:00:00 level a_volts=3.4
        12:00:30 level b_volts=3.4
        12:01:30 level a_volts=3.4 b_volts=3.4
        """
    )

    assert day.brief() == ["12:00:00 12:01:30 planned"]


def test_after_its_end_a_new_one_begins(watch):
    """A value that goes out again after the end begins an alert of its own."""
    once = """
        {0}:00 level a_volts=3.4
        {0}:01 level a_volts=3.4
        {0}:02 level a_volts=6.0
        {0}:03 level a_volts=6.0
        """
    day = watch(LevelOut()).tell(once.format(12)).tell(once.format(14))

    assert day.brief() == [
        "12:00:00 12:01:00 planned",
        "over 12:03:00",
        "14:00:00 14:01:00 planned",
        "over 14:03:00",
    ]


def test_what_one_event_leaves_out_stays_as_it_was(watch):
    """A value that an event does not carry neither goes on nor comes back."""
    day = watch(LevelOut()).tell(
        """
        12:00 level a_volts=3.4
        12:01 level b_volts=6.0
        12:02 level b_volts=6.0
        """
    )

    assert day.brief() == []


def test_a_value_without_limits_is_not_judged(watch):
    """Frequencies of these heads have no limits in the line file; whatever they are, nothing is said."""
    day = watch(LevelOut()).tell(
        "12:00 level a_hertz=1\n12:05 level a_hertz=1\n12:10 level a_hertz=1"
    )

    assert day.brief() == []
    assert day.memory == LevelOut().start(day.place)


def test_limits_of_a_head_go_before_those_of_the_line():
    """A head with limits of its own is judged by them, value by value; what they leave out is judged by the line's."""
    text = (
        '[line]\nname = "Thornmere"\ntimezone = "UTC"\n'
        "[limits]\na_volts = [4.0, 8.0]\nb_volts = [4.0, 8.0]\n"
        '[[evaluator]]\nid = "EV1"\nsite = "Thornmere room"\n'
        '[[section]]\nid = "T107"\narea = "thornmere"\nevaluator = "EV1"\n'
        "length_m = 820\nspeed_km_h = 120\n"
        '[[head]]\nid = "H107"\nbetween = ["open", "T107"]\n'
        "limits = { a_volts = [3.0, 5.0] }\n"
    )
    place, detector = Place(id="H107", line=read_line(text)), LevelOut()
    one = LevelMeasured(
        place="H107", at=0, values={"a_volts": 3.4, "b_volts": 3.4}, event="gw/1#1"
    )
    memory, _ = detector.step(detector.start(place), one, place)
    _, [found] = detector.step(memory, replace(one, at=60_000_000), place)

    assert isinstance(found, Found)
    assert found.parameters["limits"] == {"b_volts": [4, 8]}


def test_under_work_nothing_is_judged(watch):
    """What is measured under work does not count, a run is not carried over it, and afterwards it is judged anew."""
    day = watch(LevelOut()).tell(
        """
        12:00:00 level a_volts=3.4
        12:00:30 work begun
        12:01:00 level a_volts=3.4
        12:05:00 level a_volts=3.4
        12:06:00 work ended
        12:07:00 level a_volts=3.4
        12:07:30 level a_volts=3.4
        """
    )

    assert day.brief() == []
    day.tell("12:08:00 level a_volts=3.4")
    assert day.brief() == ["12:07:00 12:08:00 planned"]


def test_an_open_one_stays_open_under_work(watch):
    """What was raised before the work is not ended by what is measured under it, but by what is measured after."""
    day = watch(LevelOut()).tell(
        """
        12:00 level a_volts=3.4
        12:01 level a_volts=3.4
        12:02 level a_volts=6.0
        12:02 work begun
        12:04 level a_volts=6.0
        12:06 work ended
        12:07 level a_volts=6.0
        """
    )

    assert day.brief() == ["12:00:00 12:01:00 planned"]
    day.tell("12:08 level a_volts=6.0")
    assert day.brief()[1:] == ["over 12:08:00"]


def test_the_same_value_again_says_nothing_new(watch):
    """While it stays outside, further samples change nothing."""
    day = watch(LevelOut()).tell(
        "\n".join(f"12:{minute:02} level a_volts=3.4" for minute in range(30))
    )

    assert day.brief() == ["12:00:00 12:01:00 planned"]


def test_settings_move_the_limits(watch):
    """`out_s` and `samples` are what is asked for."""
    table = "12:00 level a_volts=3.4\n12:01 level a_volts=3.4\n12:02 level a_volts=3.4"

    slower = LevelOut(out_s=120.0, samples=4)
    assert watch(slower).tell(table).brief() == ["12:00:00 12:02:00 planned"]
    more = LevelOut(out_s=3600.0, samples=3)
    assert watch(more).tell(table).brief() == ["12:00:00 12:02:00 planned"]
    assert watch(LevelOut(out_s=3600.0, samples=4)).tell(table).brief() == []


def test_it_explains_how_near_it_is(watch):
    """What is outside, since when, and how many samples there are is said, also on the way back and under work."""
    day = watch(LevelOut())
    assert day.explain("11:00") == (
        "No value of H107 was outside its limits when last heard."
    )
    day.tell("12:00 level a_volts=3.4")
    assert "since 12:00:00, 1 of 3 samples" in day.explain("12:00")
    day.tell("12:01 level a_volts=3.4")
    assert "that has been raised" in day.explain("12:01")
    day.tell("12:02 level a_volts=6.0")
    assert "back within them since 12:02:00" in day.explain("12:02")
    day.tell("12:03 work begun")
    assert "under work" in day.explain("12:03")
