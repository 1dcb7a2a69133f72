from __future__ import annotations

import pytest

from monitor.core.detectors.long_occupation import LongOccupation
from monitor.core.moments import MINUTE, SECOND

TRAIN = """
11:00 clear
12:00 occupied
12:00 entered
12:00 entry occupied explained
"""


@pytest.mark.parametrize(
    ("cleared", "found"),
    [
        ("12:29:59.999", []),
        ("12:30:00", []),
        ("12:30:00.001", ["12:00:00 12:30:00 note", "over 12:30:00.001"]),
    ],
)
def test_half_an_hour(watch, cleared, found):
    """A train is noted after `normal_s`, and it is over with the clear."""
    day = watch(LongOccupation()).tell(TRAIN)
    day.tell(f"{cleared} clear\n12:30:10 stretch ended={cleared}")

    assert day.until("14:00") == found


@pytest.mark.parametrize(("normal", "raised"), [(600, "12:10:00"), (7200, "14:00:00")])
def test_the_line_file_goes_before(watch, normal, raised):
    """What the line file calls normal is the limit, shorter or longer."""
    day = watch(LongOccupation(), normal_occupation_s=normal).tell(TRAIN)

    assert day.until("20:00") == [f"12:00:00 {raised} note"]
    assert day.found[0].parameters["limit_from"] == "line file"


@pytest.mark.parametrize(
    ("longest", "raised"), [(40 * MINUTE, "12:40:00"), (20 * MINUTE, "12:30:00")]
)
def test_the_usual_longest_where_it_is_longer(watch, longest, raised):
    """The greater of half an hour and the usual longest is the limit."""
    day = watch(LongOccupation()).learn("00:00", longest=longest).tell(TRAIN)

    assert day.until("20:00") == [f"12:00:00 {raised} note"]
    assert day.found[0].parameters["usual_longest_s"] == longest / SECOND


def test_the_limit_is_the_one_known_when_it_entered(watch):
    """What is learnt while the train stands changes nothing for this train."""
    day = watch(LongOccupation()).tell(TRAIN)
    day.learn("12:10", longest=50 * MINUTE)

    assert day.until("20:00") == ["12:00:00 12:30:00 note"]


@pytest.mark.parametrize("verdict", ["not explained", "cannot tell"])
def test_what_is_not_seen_to_be_a_train_is_not_noted(watch, verdict):
    """Occupied without a train is the business of another detection."""
    day = watch(LongOccupation())
    day.tell(f"12:00:00 occupied\n12:00:02 entry occupied {verdict} entered=12:00:00")

    assert day.until("20:00") == []


def test_a_train_through_a_section_disturbed_for_hours(watch):
    """The train is timed from its own entry, not from the disturbance before it."""
    day = watch(LongOccupation()).tell(
        """
        08:00 disturbed
        12:00 occupied
        12:00 entered began=08:00
        12:00 entry occupied explained began=08:00
        12:02 disturbed
        12:02 stretch ended=12:02
        """
    )

    assert day.until("20:00") == []


def test_the_occupation_goes_on_through_another_state(watch):
    """An occupation is a time not clear: a moment of another state begins nothing anew."""
    day = watch(LongOccupation()).tell(
        f"""{TRAIN}
        12:20 disturbed
        12:20 stretch ended=12:20
        12:25 occupied
        12:25 entered began=12:00
        12:25 entry occupied explained began=12:00
        """
    )

    assert day.until("14:00") == ["12:00:00 12:30:00 note"]


def test_a_second_train_through_a_section_that_the_first_left_disturbed(watch):
    """Not occupied when the first fell due: the second is timed from its own entry."""
    day = watch(LongOccupation()).tell(
        f"""{TRAIN}
        12:20 disturbed
        12:20 stretch ended=12:20
        14:00 occupied
        14:00 entered began=12:00
        14:00 entry occupied explained began=12:00
        14:29 disturbed
        14:29 stretch ended=14:29
        16:00 occupied
        16:00 entered began=12:00
        16:00 entry occupied explained began=12:00
        """
    )

    assert day.until("20:00") == ["16:00:00 16:30:00 note"]


def test_a_clear_that_proves_short_ends_nothing(watch):
    """Clear for less than the skew, and the train stands there still."""
    day = watch(LongOccupation()).tell(
        f"""{TRAIN.strip()}
        12:20:00 clear
        12:20:01 occupied
        12:50:00 clear
        12:50:01 occupied
        12:55:00 clear
        12:55:02 stretch ended=12:55:00
        """
    )

    assert day.until("14:00") == ["12:00:00 12:30:00 note", "over 12:55:00"]


def test_an_occupation_that_ended_out_of_another_state(watch):
    """Where no stretch was left to end, the occupation itself is told as ended."""
    day = watch(LongOccupation()).tell(
        f"""{TRAIN.strip()}
        12:40:00 disturbed
        12:40:00 stretch ended=12:40:00
        12:50:00 clear
        12:50:02 occupation began=12:00:00 ended=12:50:00
        """
    )

    assert day.until("14:00") == ["12:00:00 12:30:00 note", "over 12:50:00"]


def test_the_next_train_before_the_exit_of_the_last_is_judged(watch):
    """A new occupation shows that the clear before it lasted, though its judgement still waits."""
    day = watch(LongOccupation()).tell(
        f"""{TRAIN.strip()}
        12:40:00 disturbed
        12:40:00 stretch ended=12:40:00
        12:50:00 clear
        12:51:00 occupied
        12:51:00 entered
        12:51:00 entry occupied explained
        12:51:30 occupation began=12:00:00 ended=12:50:00
        """
    )

    assert day.until("14:00") == [
        "12:00:00 12:30:00 note",
        "over 12:50:00",
        "12:51:00 13:21:00 note",
    ]


def test_a_train_that_was_there_when_the_monitor_came(watch):
    """It is timed from the first event that shows it, and began when that event says."""
    day = watch(LongOccupation()).tell(
        """
        12:00 occupied unseen so=11:50
        12:00 entered began=11:50
        12:00 entry occupied explained began=11:50
        """
    )

    assert day.until("14:00") == ["11:50:00 12:30:00 note"]


def test_work_ended_is_over_all_the_same_with_the_clear(watch):
    """What is judged anew after work ends like any other."""
    day = watch(LongOccupation()).tell(
        f"""{TRAIN.strip()}
        12:10:00 work begun
        12:20:00 work ended
        13:00:00 clear
        13:00:02 stretch ended=13:00:00
        13:00:02 occupation began=12:00:00 ended=13:00:00
        """
    )

    assert day.until("14:00") == ["12:20:00 12:50:00 note", "over 13:00:00"]


def test_not_known_in_the_middle_begins_it_anew(watch):
    """The timer starts again where the section is known again."""
    day = watch(LongOccupation())
    day.tell(f"{TRAIN}\n12:10 not known\n12:15 known again")

    assert day.until("14:00") == ["12:00:00 12:45:00 note"]


def test_it_explains_how_near_it_is(watch):
    """What is normal here, and how much of it has gone by, is said."""
    day = watch(LongOccupation())

    assert day.explain("11:00") == "No train is timed in T107."
    day.tell(TRAIN)
    assert "up to 30 min is normal here" in day.explain("12:10")
    assert "10 min of 30 min have gone by" in day.explain("12:10")
    day.tell("12:20 clear")
    assert "does not show occupied now" in day.explain("12:20")


def test_a_train_beside_a_section_that_fails_is_no_train_in_it(watch):
    """What a neighbour explains of a disturbance is timed by nobody: the train that comes later is, from its own entry."""
    day = watch(LongOccupation()).tell(
        """
        10:00 occupied
        10:00 entered
        10:00 entry occupied explained
        10:05:00 clear
        10:05:02 stretch ended=10:05
        12:00 disturbed
        12:00 entry disturbed explained
        12:20 occupied
        12:20 entered began=12:00
        12:20 entry occupied explained began=12:00
        """
    )

    assert day.until("14:00") == ["12:20:00 12:50:00 note"]
