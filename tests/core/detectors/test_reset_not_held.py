from __future__ import annotations

import pytest

from monitor.core.detectors.reset_not_held import ResetNotHeld

RESET = """
11:55 disturbed
12:00 reset accepted
12:00:01 clear
"""


@pytest.mark.parametrize(
    ("again", "found"),
    [
        ("12:14:59.999", ["12:14:59.999 12:14:59.999 prompt"]),
        ("12:15:00", ["12:15:00 12:15:00 prompt"]),
        ("12:15:00.001", []),
    ],
)
def test_disturbed_within_a_quarter_of_an_hour(watch, again, found):
    """Disturbed again within `hold_s` of the reset is raised at that moment; later, without a train, it is not."""
    day = watch(ResetNotHeld()).tell(f"{RESET}\n{again} disturbed")

    assert day.until("14:00") == found


@pytest.mark.parametrize(
    ("entered", "judged", "found"),
    [
        ("12:15:00", "12:15:02", ["12:15:00 12:15:02 prompt"]),
        ("12:15:00.001", "12:15:02.001", []),
    ],
)
def test_found_occupied_with_no_train(watch, entered, judged, found):
    """An entry that nothing explains within `hold_s` is raised when it is judged, also where that is later."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        {entered} occupied
        {judged} entry occupied not explained entered={entered}
        """
    )

    assert day.until("14:00") == found


def test_what_it_says(watch):
    """The sentence says what failed, how long after, and when the reset was."""
    day = watch(ResetNotHeld()).tell(f"{RESET}\n12:10 disturbed")

    [found] = day.found
    assert found.summary == "T107 disturbed again 10 min after its reset at 12:00:00"
    assert [one.text for one in found.evidence] == [
        "T107: reset accepted",
        "T107 disturbed again",
    ]
    assert found.parameters == {"hold_s": 900.0, "held_for_s": 600.0}


def test_an_entry_before_the_reset_is_none_of_it(watch):
    """What was occupied when the section was reset did not happen after it."""
    day = watch(ResetNotHeld()).tell(
        """
        11:59:59 occupied
        12:00:00 reset accepted
        12:00:01 entry occupied not explained entered=11:59:59
        """
    )

    assert day.brief() == []


def test_disturbed_from_before_the_reset_is_no_new_disturbance(watch):
    """A section that is still disturbed after its reset has not failed again."""
    day = watch(ResetNotHeld()).tell("11:55 disturbed\n12:00 reset accepted")

    assert day.until("14:00") == []


def test_a_refused_reset_promises_nothing(watch):
    """Only an accepted reset can fail to hold."""
    day = watch(ResetNotHeld())
    day.tell("11:55 clear\n12:00 reset requested\n12:00 reset refused\n12:05 disturbed")

    assert day.brief() == []


@pytest.mark.parametrize(
    ("table", "found"),
    [
        # Out of a stretch that a train had entered.
        (
            "13:00 occupied\n13:00 entry occupied explained\n13:01 disturbed",
            ["13:01:00 13:01:00 prompt"],
        ),
        # At once, with a train beside it to explain it.
        (
            "13:00 disturbed\n13:00 entry disturbed explained",
            ["13:00:00 13:00:00 prompt"],
        ),
        # With no train.
        ("13:00 disturbed\n13:00:02 entry disturbed not explained entered=13:00", []),
        # A stretch that no train entered.
        (
            "13:00 occupied\n13:00:02 entry occupied not explained entered=13:00\n13:01 disturbed",
            [],
        ),
        # The train went, and nobody knows what it proved; later it fails alone.
        (
            """
            13:00 occupied
            13:00 entry occupied explained
            13:02 clear
            13:02:02 stretch ended=13:02
            13:10 disturbed
            """,
            [],
        ),
    ],
)
def test_by_the_first_train_however_late(watch, table, found):
    """After `hold_s` only a failure that a train made belongs to the reset."""
    day = watch(ResetNotHeld()).tell(RESET).tell(table)

    assert day.brief() == found


def test_a_train_that_works_through_ends_it(watch):
    """It is over when a train has worked through, and what fails after that is none of this reset."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:05:00 disturbed
        12:20:00 reset accepted
        12:30:02 worked left=12:30:00
        12:31:00 disturbed
        """
    )

    assert day.brief() == ["12:05:00 12:05:00 prompt", "over 12:30:00"]


def test_a_train_that_works_through_before_it_fails(watch):
    """A reset that a train has proved has held."""
    day = watch(ResetNotHeld())
    day.tell(f"{RESET}\n12:05:02 worked left=12:05:00\n12:06 disturbed")

    assert day.brief() == []


def test_a_train_that_left_before_the_reset_proves_nothing(watch):
    """The proof must lie after the reset."""
    day = watch(ResetNotHeld()).tell(
        "12:00:00 reset accepted\n12:00:01 worked left=11:59:59\n12:06 disturbed"
    )

    assert day.brief() == ["12:06:00 12:06:00 prompt"]


def test_a_later_reset_neither_ends_nor_renews_what_is_open(watch):
    """Reset again and again, it is one alert until a train has worked through."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:05 disturbed
        12:10 reset accepted
        12:10:01 clear
        12:12 disturbed
        """
    )

    assert day.until("20:00") == ["12:05:00 12:05:00 prompt"]


def test_a_later_reset_takes_the_place_of_one_that_waits(watch):
    """The quarter of an hour counts from the last reset."""
    day = watch(ResetNotHeld())
    day.tell(f"{RESET}\n12:10 reset accepted\n12:20 disturbed")

    assert day.brief() == ["12:20:00 12:20:00 prompt"]
    assert "10 min after its reset at 12:10:00" in day.found[0].summary


def test_a_reset_entered_later_takes_no_place_of_a_newer_one(watch):
    """A person enters at 12:05 that it was reset at 11:50; the quarter of an hour still runs from the reset of noon."""
    day = watch(ResetNotHeld()).tell(
        f"{RESET}\n12:05 reset accepted so=11:50\n12:14 disturbed"
    )

    assert day.until("14:00") == ["12:14:00 12:14:00 prompt"]


def test_under_work_nothing_is_raised(watch):
    """What fails under work is none of the reset, neither then nor when its verdict comes after."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:01 work begun
        12:02 disturbed
        12:03 clear
        12:04 occupied
        12:05 work ended
        12:05:01 entry occupied not explained entered=12:04
        """
    )

    assert day.brief() == []


def test_a_reset_made_under_work_counts_from_its_end(watch):
    """Accepted under work and no train since: it counts as accepted when the work ends."""
    day = watch(ResetNotHeld()).tell(
        """
        11:00 work begun
        11:10 reset accepted
        11:10:01 clear
        12:00 work ended
        12:14 disturbed
        """
    )

    assert day.brief() == ["12:14:00 12:14:00 prompt"]
    assert day.found[0].summary == (
        "T107 disturbed again 14 min after the end of the work it was reset under at 12:00:00"
    )


def test_a_reset_made_under_work_and_proved_under_work(watch):
    """A train that worked through meanwhile proves it: nothing is left to count."""
    day = watch(ResetNotHeld()).tell(
        """
        11:00 work begun
        11:10 reset accepted
        11:20 worked left=11:19:58
        12:00 work ended
        12:05 disturbed
        """
    )

    assert day.brief() == []


def test_found_disturbed_after_a_spell_that_was_not_known(watch):
    """A disturbance that nobody saw begin is shown all the same by the reset before it."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:03 not known
        12:08 known again
        12:08 disturbed unseen
        """
    )

    assert day.brief() == ["12:08:00 12:08:00 prompt"]


def test_disturbed_since_before_the_reset_and_seen_only_now(watch):
    """What the broker kept from before the reset is no failure after it."""
    day = watch(ResetNotHeld()).tell(
        "11:00 clear\n12:00 reset accepted\n12:08 disturbed unseen so=11:58"
    )

    assert day.brief() == []


def test_a_reset_entered_later_that_a_train_has_proved(watch):
    """What a person enters late acts from its coming, and not at all where a train has worked through since."""
    day = watch(ResetNotHeld()).tell(
        """
        11:00 clear
        12:30:02 worked left=12:30:00
        13:00 reset accepted so=12:00
        13:05 disturbed
        """
    )

    assert day.brief() == []


def test_a_failure_just_after_the_proof_never_ends_before_it_began(watch):
    """The proof is known a little after the train has left; what was raised between is over where it began."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:05:01 disturbed
        12:05:02 worked left=12:05:00
        """
    )

    assert day.brief() == ["12:05:01 12:05:01 prompt", "over 12:05:01"]


@pytest.mark.parametrize(
    "table",
    [
        # A train enters and leaves, and what it proved is not judged.
        "12:05 occupied\n12:05 entry occupied explained\n12:06 clear",
        # Found occupied at the moment of the reset itself.
        "12:05 entry occupied not explained entered=12:00",
        # Nobody can tell.
        "12:05:02 entry occupied cannot tell entered=12:05",
        # The train was inside when the section was reset, and disturbs it an hour later.
        "12:01 entry occupied explained entered=11:50\n12:02 occupied\n13:00 disturbed",
    ],
)
def test_what_is_no_failure_of_the_reset(watch, table):
    """A train, an entry of the same moment, one that nobody can judge, and a train from before are none."""
    day = watch(ResetNotHeld()).tell(RESET).tell(table)

    assert day.brief() == []


def test_a_second_train_that_is_none(watch):
    """That a train was there once makes nothing of a later stretch that no train entered."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET}
        13:00:00 occupied
        13:00:00 entry occupied explained
        13:02:00 clear
        13:02:02 stretch ended=13:02
        13:10:00 occupied
        13:10:02 entry occupied not explained entered=13:10
        13:11:00 disturbed
        """
    )

    assert day.brief() == []


def test_found_disturbed_since_the_moment_of_the_reset(watch):
    """What the broker kept from the moment of the reset itself came with it or after it, and counts."""
    day = watch(ResetNotHeld()).tell(
        "11:00 clear\n12:00 reset accepted\n12:08 disturbed unseen so=12:00"
    )

    assert day.brief() == ["12:00:00 12:08:00 prompt"]


def test_an_entry_at_the_end_of_work_counts(watch):
    """From the end of work on what happens is judged as ever."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET}
        12:01 work begun
        12:05 work ended
        12:05 occupied
        12:05:02 entry occupied not explained entered=12:05
        """
    )

    assert day.brief() == ["12:05:00 12:05:02 prompt"]


def test_one_failure_is_enough(watch):
    """What fails further while the alert is open is not raised again."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET}
        12:05:00 disturbed
        12:06:00 occupied
        12:06:02 entry occupied not explained entered=12:06
        """
    )

    assert day.brief() == ["12:05:00 12:05:00 prompt"]


def test_a_train_that_leaves_at_the_very_moment_proves_it(watch):
    """Proof at the moment of the reset is proof since the reset, also for one entered later."""
    heard = watch(ResetNotHeld())
    heard.tell(f"{RESET}\n12:00:02 worked left=12:00\n12:05 disturbed")
    entered = watch(ResetNotHeld())
    entered.tell("12:00:02 worked left=12:00\n12:10 reset accepted so=12:00")

    assert heard.brief() == []
    assert entered.tell("12:15 disturbed").brief() == []


def test_nothing_is_left_of_a_reset_that_a_train_has_proved(watch):
    """However a train disturbs the section afterwards, it is none of that reset."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET}
        12:05:02 worked left=12:05
        13:00:00 disturbed
        13:00:00 entry disturbed explained
        """
    )

    assert day.brief() == []


def test_a_train_from_before_a_reset_under_work_proves_nothing(watch):
    """Only a train since the reset proves it, under work as elsewhere."""
    day = watch(ResetNotHeld()).tell(
        """
        11:00 work begun
        11:10 reset accepted
        11:10:01 worked left=11:09:59
        12:00 work ended
        12:05 disturbed
        """
    )

    assert day.brief() == ["12:05:00 12:05:00 prompt"]


def test_further_work_does_not_renew_it(watch):
    """A reset counts once from the end of the work it was made under, not from that of any later work."""
    day = watch(ResetNotHeld()).tell(
        """
        11:00 work begun
        11:10 reset accepted
        12:00 work ended
        12:20 work begun
        12:30 work ended
        12:40 disturbed
        """
    )

    assert day.brief() == []


def test_it_explains_what_would_count(watch):
    """Until when any failure counts, and that then only a train's does, is said."""
    day = watch(ResetNotHeld())

    assert day.explain("11:00") == "No reset of T107 waits for its proof."
    day.tell(RESET)
    assert "a failure within 10 min would be one of this reset" in day.explain("12:05")
    assert "a failure with the first train" in day.explain("12:20")
    day.tell("12:06 work begun")
    assert "nothing is raised" in day.explain("12:07")
    day.tell("12:08 work ended\n12:09 disturbed")
    assert day.explain("12:10") == "The reset at 12:00:00 did not hold."


def test_it_explains_a_reset_under_work(watch):
    """A reset made under work is said to wait for the end of the work."""
    day = watch(ResetNotHeld()).tell("11:00 work begun\n11:10 reset accepted")

    assert day.explain("11:20") == (
        "A reset made under work counts from the end of the work."
    )


def test_after_its_end_the_next_reset_is_watched_like_the_first(watch):
    """That one reset did not hold says nothing of the next, once a train has worked through."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:05:00 disturbed
        12:10:00 reset accepted
        12:20:02 worked left=12:20:00
        13:00:00 disturbed
        13:10:00 reset accepted
        13:10:01 clear
        13:12:00 disturbed
        """
    )

    assert day.brief() == [
        "12:05:00 12:05:00 prompt",
        "over 12:20:00",
        "13:12:00 13:12:00 prompt",
    ]


@pytest.mark.parametrize(
    ("left", "found"),
    [("11:10:00", []), ("11:09:59.999", ["12:05:00 12:05:00 prompt"])],
)
def test_only_what_left_after_a_reset_made_under_work_proves_it(watch, left, found):
    """A train that left before the reset proves nothing of it, under work as elsewhere; the border is a proof."""
    day = watch(ResetNotHeld()).tell(
        f"""
        11:00 work begun
        11:10 reset accepted
        11:10:02 worked left={left}
        12:00 work ended
        12:05 disturbed
        """
    )

    assert day.brief() == found


def test_a_failure_that_is_judged_later_is_told_by_its_own_time(watch):
    """How long it held, and the evidence, go by when it failed and not by when that was known."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:10:00 occupied
        12:10:40 entry occupied not explained entered=12:10 judged=12:10:40
        """
    )

    [found] = day.found
    assert found.summary == (
        "T107 found occupied, no train seen to enter, 10 min after its reset at 12:00:00"
    )
    assert found.parameters["held_for_s"] == 600.0
    assert found.raised - found.evidence[1].time == 40_000_000


def test_a_proof_that_is_told_after_a_later_reset_ends_it_all_the_same(watch):
    """While it is open a later reset takes the place of nothing: a train that left before that one has proved the first."""
    day = watch(ResetNotHeld()).tell(
        f"""{RESET.strip()}
        12:05:00 disturbed
        12:10:00 reset accepted
        12:10:01 worked left=12:09:59
        """
    )

    assert day.brief() == ["12:05:00 12:05:00 prompt", "over 12:09:59"]
