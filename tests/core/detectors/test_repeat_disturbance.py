from __future__ import annotations

import pytest

from monitor.core.changes import CauseBegan, CauseEnded
from monitor.core.detectors.repeat_disturbance import MOST, RepeatDisturbance


@pytest.mark.parametrize(
    ("second", "found"),
    [
        ("12:59:59.999", ["12:00:00 12:59:59.999 planned", "over 13:00:00"]),
        ("13:00:00", ["12:00:00 13:00:00 planned", "over 13:00:00"]),
        ("13:00:00.001", []),
    ],
)
def test_twice_within_an_hour(watch, second, found):
    """Two within `hour_h` are raised, and are over when the first is an hour old."""
    day = watch(RepeatDisturbance())
    day.tell(f"12:00 disturbance\n{second} disturbance")

    assert day.until("1d 20:00") == found


@pytest.mark.parametrize(
    ("third", "found"),
    [
        ("1d 08:00:00", ["08:00:00 08:00:00 planned", "over 16:00:00"]),
        ("1d 08:00:00.001", []),
    ],
)
def test_three_times_within_a_day(watch, third, found):
    """Three within `day_h` are raised, and are over when the second is a day old."""
    day = watch(RepeatDisturbance())
    day.tell(f"08:00 disturbance\n16:00 disturbance\n{third} disturbance")

    assert day.until("3d 00:00") == found


def test_each_further_one_while_it_is_open_is_a_change(watch):
    """The alert keeps its beginning and its raising, counts on, and stays until at most one is left."""
    day = watch(RepeatDisturbance()).tell(
        """
        10:00 disturbance
        10:30 disturbance
        10:50 disturbance
        20:00 disturbance
        """
    )

    assert day.until("3d 00:00") == [
        "10:00:00 10:30:00 planned",
        "10:00:00 10:30:00 planned",
        "10:00:00 10:30:00 planned",
        # 10:50 and 20:00 are left of the day; the former is a day old at
        "over 10:50:00",
    ]
    assert [one.summary.partition(";")[0] for one in day.found] == [
        "T107 disturbed twice within 1 h",
        "T107 disturbed 3 times within 24 h",
        "T107 disturbed 4 times within 24 h",
    ]


def test_after_its_end_a_new_one_begins_with_what_it_counts(watch):
    """A new alert begins with the earliest disturbance that it counts itself."""
    day = watch(RepeatDisturbance()).tell(
        """
        10:00 disturbance
        10:30 disturbance
        15:00 disturbance
        """
    )

    assert day.until("15:00") == [
        "10:00:00 10:30:00 planned",
        "over 11:00:00",
        # Three within a day by now.
        "10:00:00 15:00:00 planned",
    ]


def test_from_the_sixth_in_a_day_it_is_prompt(watch):
    """The sixth within the longer window delays trains now; the first alone is not raised."""
    day = watch(RepeatDisturbance())
    day.tell("\n".join(f"{hour}:00 disturbance" for hour in range(10, 16)))

    assert [one.priority for one in day.found] == ["planned"] * 4 + ["prompt"]
    assert day.found[-1].parameters["counted_in_day"] == 6
    assert day.found[-1].parameters["counted_in_hour"] == 2


def test_what_falls_under_work_does_not_count(watch):
    """A possession of disturbances is no failing section."""
    day = watch(RepeatDisturbance())
    day.tell("12:00 disturbance work\n12:10 disturbance work\n12:20 disturbance")

    assert day.until("20:00") == []


def test_a_spurious_occupation_counts_from_its_beginning(watch):
    """It is told when its end is judged, and happened when it began."""
    day = watch(RepeatDisturbance()).tell(
        "12:00 disturbance\n12:20 disturbance spurious happened=12:10"
    )

    assert day.until("20:00") == ["12:00:00 12:20:00 planned", "over 13:00:00"]
    assert [one.time for one in day.found[0].evidence] == [
        one[0] for one in day.memory.found
    ]


def test_its_settings_are_what_is_counted(watch):
    """Numbers and windows are those that are set."""
    day = watch(RepeatDisturbance(in_hour=4, hour_h=2.0, in_day=9))
    for minute in (0, 30, 45):
        day.tell(f"12:{minute:02} disturbance")
    assert day.brief() == []

    assert day.tell("14:00 disturbance").until("14:00") == ["12:00:00 14:00:00 planned"]
    assert "4 times within 2 h" in day.found[0].summary


def test_before_anything_is_learnt_it_says_so(watch):
    """No rate, no statement of chance."""
    day = watch(RepeatDisturbance()).tell("12:00 disturbance\n12:30 disturbance")

    [found] = day.found
    assert found.summary.endswith("how often that comes by chance is not learnt yet")
    assert found.parameters["rate_per_year"] is None


def test_how_often_three_within_a_day_come_by_chance(watch):
    """With twelve a year, three within a day come about once in 160 years.

    0.00618 of one-year records hold such a cluster (Naus 1982), so about 0.0062 come a year: one in 161 years.
    """
    day = watch(RepeatDisturbance()).learn(
        "00:00",
        prior_shape=12.0,
        prior_days=365.0,
        disturbances=0,
        exposure_days=0.0,
        line_chance_day=5.6,
        sections=900,
    )
    day.tell("08:00 disturbance\n12:00 disturbance\n18:00 disturbance")

    [found] = day.found
    assert found.summary == (
        "T107 disturbed 3 times within 24 h; if disturbances came singly, "
        "3 within 24 h would come by chance about once in 160 years on this section "
        "and about 6 times a year somewhere on the 900 sections watched "
        "(nothing was counted here before)"
    )
    assert found.parameters["rate_per_year"] == 12.0
    assert found.parameters["chance_per_year_here"] == pytest.approx(0.0062, rel=0.01)
    assert found.parameters["chance_per_year_on_line"] == 5.6


def test_how_often_two_within_an_hour_come_by_chance(watch):
    """With one in ten days, the next within an hour: 36.5 x (1 - exp(-0.1 / 24)) = 0.152 a year, once in 6.6 years."""
    day = watch(RepeatDisturbance()).learn(
        "00:00",
        prior_shape=10.0,
        prior_days=100.0,
        disturbances=2,
        exposure_days=20.0,
        line_chance_hour=0.4,
    )
    day.tell("12:00 disturbance\n12:30 disturbance")

    assert day.found[0].summary.endswith(
        "2 within 1 h would come by chance about once in 6.6 years on this section "
        "and about once in 2.5 years somewhere on the 900 sections watched "
        "(2 counted here in the 20 d before)"
    )
    assert day.found[0].parameters["chance_per_year_here"] == pytest.approx(
        0.1518, rel=0.01
    )


def test_the_window_itself_is_left_out_of_the_rate(watch):
    """What is asked about must not be part of what it is compared with.

    Two of the five counted up to midnight lie in the window, which took 23.5 h of the 90 days: (1 + 3) / (100 + 90 - 23.5 / 24) a day is 7.724 a year.
    """
    day = watch(RepeatDisturbance())
    day.tell("10:00 disturbance\n15:00 disturbance")
    midnight = day.change("1d 00:00 clear").at
    day.learn("1d 00:00", counted_until=midnight, disturbances=5)
    day.tell("1d 00:30 disturbance")

    [found] = day.found
    assert found.parameters["counted_disturbances"] == 3
    assert found.parameters["counted_days"] == 89.02
    assert found.parameters["rate_per_year"] == 7.724


def test_a_rule_that_is_set_otherwise_says_nothing_of_the_line(watch):
    """The line's numbers are learnt for the rules as they are by default."""
    day = watch(RepeatDisturbance(in_hour=3)).learn("00:00")
    day.tell("12:00 disturbance\n12:10 disturbance\n12:20 disturbance")
    plain = watch(RepeatDisturbance(in_day=4, in_hour=3)).learn("00:00")
    plain.tell("12:00 disturbance\n12:10 disturbance\n12:20 disturbance")

    assert "sections watched" in day.found[0].summary  # 3 within 24 h, by default
    assert "3 within 1 h" in plain.found[0].summary
    assert "sections watched" not in plain.found[0].summary


def test_a_section_disturbed_all_the_time_is_not_remembered_for_ever(watch):
    """However often it is disturbed, a bounded number is remembered and told."""
    day = watch(RepeatDisturbance())
    for minute in range(15 * 60):
        day.tell(f"{minute // 60:02}:{minute % 60:02} disturbance")

    assert len(day.memory.found) == MOST == 200
    assert len(day.found[-1].evidence) == 10


def test_it_explains_how_near_it_is(watch):
    """How many are counted, how many are too many, and when the window runs out."""
    day = watch(RepeatDisturbance())

    assert day.explain("11:00") == (
        "T107 was disturbed not once within 24 h (raised at 3) "
        "and not once within 1 h (raised at 2)."
    )
    day.tell("12:00 disturbance\n12:30 disturbance")
    assert "disturbed twice within 24 h (raised at 3)" in day.explain("12:40")
    assert "runs out at 13:00:00" in day.explain("12:40")


@pytest.fixture
def cause(at):
    """A cause that covers T107 from *told* on and began at *began*, and its end."""

    def made(told, began=None):
        common = {"place": "T107", "at": at(told), "subject": "section/T107"}
        common |= {"asset": "cable/C2", "section": True}
        if began is None:
            return CauseEnded(**common)
        return CauseBegan(**common, began=at(began))

    return made


def test_while_a_cause_covers_it_nothing_more_counts(watch, cause):
    """The one by which it is a member counts once, what follows under the cause not at all, and after its end it counts again."""
    day = watch(RepeatDisturbance()).tell("12:00 disturbance")
    day.hear(cause("12:00:13", began="12:00"))
    day.tell("12:10 disturbance\n12:20 disturbance\n12:25 disturbance")
    day.hear(cause("12:30"))
    assert day.brief() == []

    day.tell("12:40 disturbance")
    assert day.until("20:00") == ["12:00:00 12:40:00 planned", "over 13:00:00"]
    assert len(day.found[0].evidence) == 2


def test_what_a_cause_takes_ends_nothing_that_was_not_raised(watch, cause):
    """Where two within an hour are not many, a cause that takes both has nothing to end."""
    day = watch(RepeatDisturbance(in_day=9, in_hour=9))
    day.tell("12:00 disturbance\n12:00:05 disturbance")
    day.hear(cause("12:00:20", began="12:00"))

    assert day.until("20:00") == []


def test_what_is_left_when_a_cause_has_taken_its_own_stays_raised(watch, cause):
    """Of four in a day two belong to a cause and count for one: three are left, so the alert is changed and not over."""
    day = watch(RepeatDisturbance())
    for time in ("08:00", "10:00", "12:00", "12:10"):
        day.tell(f"{time} disturbance")
    day.hear(cause("12:11", began="12:00"))

    assert day.until("2d 00:00") == [
        "08:00:00 12:00:00 planned",
        "08:00:00 12:00:00 planned",
        "08:00:00 12:00:00 planned",
        "over 10:00:00",
    ]
    assert [one.parameters["counted_in_day"] for one in day.found] == [3, 4, 3]


@pytest.mark.parametrize(
    ("began", "found"),
    [
        # Both are of the cause and count for one; of one that began later only the second is.
        ("12:00", ["12:00:00 12:30:00 planned", "over 12:31:00"]),
        ("12:30", ["12:00:00 12:30:00 planned", "over 13:00:00"]),
    ],
)
def test_what_a_common_cause_takes_counts_once(watch, at, began, found):
    """Two that belong to one cause are one, and what was raised by them is over, with that reason."""
    day = watch(RepeatDisturbance()).tell("12:00 disturbance\n12:30 disturbance")
    day.hear(
        CauseBegan(
            place="T107",
            at=at("12:31"),
            subject="section/T107",
            asset="cable/C2",
            began=at(began),
            section=True,
        )
    )

    assert day.until("20:00") == found
    taken = day.findings[-1].because
    assert ("common cause: cable/C2" in taken) == (began == "12:00")


def test_a_rule_that_has_held_holds_until_its_window_has_run_out(watch):
    """With four asked for in a day, a further one while two are left is a change of the alert, though the day holds three."""
    day = watch(RepeatDisturbance(in_day=4, in_hour=9))
    for hour in (8, 10, 12, 14):
        day.tell(f"{hour:02}:00 disturbance")
    day.tell("1d 11:00 disturbance")

    assert day.until("3d 00:00") == [
        "08:00:00 14:00:00 planned",
        "08:00:00 14:00:00 planned",
        "over 14:00:00",
    ]
    assert "3 times within 24 h" in day.found[1].summary


def test_the_window_of_a_rule_that_did_not_hold_keeps_nothing_open(watch):
    """The shorter window's rule held, the longer one's did not: it is over with the shorter one."""
    day = watch(RepeatDisturbance(in_day=2, day_h=1.0, in_hour=5, hour_h=2.0))
    day.tell("12:00 disturbance\n12:30 disturbance")

    assert day.until("20:00") == ["12:00:00 12:30:00 planned", "over 13:00:00"]


def test_a_rate_that_rests_on_little_gives_no_chance(watch):
    """One disturbance in eleven hours, and what a young line lends: what was counted is said, and no chance made of it."""
    little = {"prior_shape": 1.0, "prior_days": 3.0}
    day = watch(RepeatDisturbance()).learn(
        "00:00", **little, disturbances=1, exposure_days=11 / 24
    )
    # The window of an hour begins after midnight: all eleven hours are before it.
    day.tell("12:00 disturbance\n12:30 disturbance")

    [found] = day.found
    assert found.summary == (
        "T107 disturbed twice within 1 h; how often that comes by chance is not learnt "
        "yet: one counted here in the 11 h before"
    )
    assert found.parameters["rate_per_year"] is None
    assert found.parameters["counted_disturbances"] == 1
    assert found.parameters["counted_days"] == 0.46
    assert "chance_per_year_here" not in found.parameters


@pytest.mark.parametrize(("exposure", "named"), [(19.9, False), (20.0, True)])
def test_thirty_days_make_a_rate(watch, exposure, named):
    """Of the section and of what its line lends it, together."""
    day = watch(RepeatDisturbance()).learn(
        "00:00", prior_shape=1.0, prior_days=10.0, exposure_days=exposure
    )
    day.tell("12:00 disturbance\n12:30 disturbance")

    assert ("if disturbances came singly" in day.found[0].summary) is named


@pytest.mark.parametrize("nothing", [{"prior_days": 0.0}, {"prior_shape": 0.0}])
def test_a_line_that_has_shown_nothing_yet_gives_no_rate(watch, nothing):
    """Where the line's own rate is not learnt, no chance is named."""
    day = watch(RepeatDisturbance()).learn("00:00", **nothing)
    day.tell("12:00 disturbance\n12:30 disturbance")

    assert day.found[0].parameters["rate_per_year"] is None
