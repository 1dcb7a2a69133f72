from __future__ import annotations

import pytest

from monitor.core.detectors.contact_disagreement import ContactDisagreement


@pytest.mark.parametrize(
    ("agreed", "found"),
    [
        ("12:00:00.999", []),
        ("12:00:01", []),
        ("12:00:01.001", ["12:00:00 12:00:01 prompt", "over 12:00:01.001"]),
    ],
)
@pytest.mark.parametrize("both", ["up/up", "down/down"])
def test_a_second_alike(watch, both, agreed, found):
    """Both alike for `contact_settle_s` is raised; while they change over it is not."""
    day = watch(ContactDisagreement())

    day.tell(f"12:00:00 contacts {both}\n{agreed} contacts up/down")

    assert day.until("13:00") == found


def test_from_both_up_to_both_down_they_stand_alike_all_the_while(watch):
    """Alike is alike: the alert that is open says how they stand now, and keeps its beginning."""
    day = watch(ContactDisagreement())
    day.tell("12:00 contacts up/up\n12:05 contacts down/down\n12:10 contacts down/up")

    assert day.brief() == [
        "12:00:00 12:00:01 prompt",
        "12:00:00 12:00:01 prompt",
        "over 12:10:00",
    ]
    assert [one.summary for one in day.found] == [
        "T107: both proving contacts up since 12:00:00",
        "T107: both proving contacts down since 12:00:00",
    ]


def test_they_may_pass_through_the_other_way_before_it_is_raised(watch):
    """Half a second both up, then both down: a second alike."""
    day = watch(ContactDisagreement())
    day.tell("12:00:00 contacts up/up\n12:00:00.500 contacts down/down")

    assert day.until("12:01") == ["12:00:00 12:00:01 prompt"]
    assert day.found[0].parameters["both"] == "down"


def test_under_work_nothing_is_raised(watch):
    """What is still so at the end of work begins there."""
    day = watch(ContactDisagreement())
    day.tell("11:00 work begun\n12:00 contacts up/up\n12:30 work ended")

    assert day.until("13:00") == ["12:30:00 12:30:01 prompt"]


def test_it_explains_how_they_stand(watch):
    """What is known of the contacts is said in a sentence."""
    day = watch(ContactDisagreement())

    assert "not seen to stand alike" in day.explain("11:00")
    day.tell("12:00 contacts up/up")
    assert day.explain("12:00:00").startswith("Both contacts up since 12:00:00.")
    day.until("12:01")
    assert "That has been raised." in day.explain("12:02")
