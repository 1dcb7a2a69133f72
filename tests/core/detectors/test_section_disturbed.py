from __future__ import annotations

import pytest

from monitor.core.detectors.section_disturbed import SectionDisturbed


@pytest.mark.parametrize(
    ("cleared", "found"),
    [
        ("12:00:04.999", []),
        # What is due at a moment comes after the events of that moment.
        ("12:00:05", []),
        ("12:00:05.001", ["12:00:00 12:00:05 prompt", "over 12:00:05.001"]),
    ],
)
def test_five_seconds_without_a_break(watch, cleared, found):
    """It is raised after `settle_s` on end, and not for what is over by then."""
    day = watch(SectionDisturbed())

    day.tell(f"11:00 clear\n12:00:00 disturbed\n{cleared} clear")

    assert day.until("13:00") == found


def test_it_waits_as_long_as_it_is_set_to(watch):
    """`settle_s` is what is waited for."""
    day = watch(SectionDisturbed(settle_s=60.0)).tell("12:00:00 disturbed")

    assert day.until("12:00:59") == []
    assert day.until("12:01:00") == ["12:00:00 12:01:00 prompt"]


@pytest.mark.parametrize("state", ["clear", "occupied", "awaiting_sweep"])
def test_it_is_over_with_any_other_state(watch, state):
    """No longer disturbed is over, whatever it shows then."""
    day = watch(SectionDisturbed()).tell(f"12:00 disturbed\n12:10 {state}")

    assert day.brief() == ["12:00:00 12:00:05 prompt", "over 12:10:00"]


def test_what_was_kept_by_the_broker_began_when_it_says(watch):
    """Disturbed since before the monitor came is timed from its coming, and began when the event says."""
    day = watch(SectionDisturbed()).tell("12:00 disturbed unseen so=11:30")

    assert day.until("12:01") == ["11:30:00 12:00:05 prompt"]


def test_under_work_nothing_is_raised_and_it_is_judged_from_its_end(watch):
    """Still disturbed when work ends counts as begun there."""
    day = watch(SectionDisturbed())
    day.tell("11:00 work begun\n12:00 disturbed\n12:30 work ended")

    assert day.until("12:30:04") == []
    assert day.until("13:00") == ["12:30:00 12:30:05 prompt"]
    assert [one.text for one in day.found[0].evidence] == [
        "T107 disturbed",
        "work ended, and it was still so",
    ]


def test_work_in_the_middle_begins_the_five_seconds_anew(watch):
    """A timer that work interrupts begins anew when it ends."""
    day = watch(SectionDisturbed())
    day.tell("12:00:00 disturbed\n12:00:03 work begun\n12:00:10 work ended")

    assert day.until("13:00") == ["12:00:10 12:00:15 prompt"]


def test_not_known_in_the_middle_begins_the_five_seconds_anew(watch):
    """A timer whose section is not known begins anew when it is; the condition began where it did."""
    day = watch(SectionDisturbed())
    day.tell("12:00:00 disturbed\n12:00:03 not known\n12:05:00 known again")

    assert day.until("13:00") == ["12:00:00 12:05:05 prompt"]


def test_what_is_open_stays_open_under_work_and_not_known(watch):
    """An alert that is open is not raised a second time after work or darkness."""
    day = watch(SectionDisturbed()).tell(
        """
        12:00 disturbed
        12:10 work begun
        12:11 not known
        12:20 known again
        12:30 work ended
        12:40 clear
        """
    )

    assert day.until("13:00") == ["12:00:00 12:00:05 prompt", "over 12:40:00"]


def test_it_says_where_to_go(watch):
    """The alert names the heads as suspects and the room to go to."""
    day = watch(SectionDisturbed()).tell("12:00 disturbed")
    day.until("12:01")

    [found] = day.found
    assert found.summary == "T107 disturbed since 12:00:00"
    assert [one.asset for one in found.suspects] == ["head/H107", "head/H108"]
    assert "EV1 in Thornmere room" in found.checks[0]
    assert found.parameters == {"settle_s": 5.0}


def test_it_explains_how_near_it_is(watch):
    """How much has gone by and how much is left is said in seconds."""
    day = watch(SectionDisturbed()).tell("12:00:00 disturbed")

    assert day.explain("12:00:02") == (
        "T107 disturbed since 12:00:00. "
        "2 s of 5 s have gone by; raised in 3 s if it stays so."
    )
    day.tell("12:00:03 not known\n12:00:03 work begun")
    assert "The timer is stopped: the section is not known and under work." in (
        day.explain("12:00:04")
    )
