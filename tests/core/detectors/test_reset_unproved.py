from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from monitor.core.detectors.reset_unproved import ResetUnproved, Timer
from monitor.core.moments import MINUTE
from tests.core.detectors.conftest import moment

RESET = """
11:55:00 disturbed
12:00:00 reset accepted
12:00:01 clear
"""


@pytest.mark.parametrize(
    ("left", "told", "found"),
    [
        ("12:59:59.999", "13:00:01.999", []),
        # A train that leaves at the very moment is in time, though that is known later.
        ("13:00:00", "13:00:02", []),
        (
            "13:00:00.001",
            "13:00:02.001",
            ["12:00:00 13:00:00 planned", "over 13:00:00.001"],
        ),
    ],
)
def test_an_hour(watch, left, told, found):
    """A train must have worked through within `prove_within_s`."""
    day = watch(ResetUnproved()).tell(
        f"""{RESET}
        12:55:00 occupied
        {left} clear
        {told} stretch ended={left}
        {told} worked left={left}
        """
    )

    assert day.until("15:00") == found


def test_a_train_that_leaves_at_the_end_and_proves_nothing(watch):
    """Where the exit is judged after the hour and proves nothing, that is when it is raised."""
    day = watch(ResetUnproved()).tell(
        f"""{RESET}
        12:55:00 occupied
        12:59:59 clear
        13:00:01 stretch ended=12:59:59
        """
    )

    assert day.until("15:00") == ["12:00:00 13:00:01 planned"]


def test_what_it_says(watch):
    """The sentence, the reset it rests on, and every number behind it."""
    day = watch(ResetUnproved()).tell(RESET)
    day.until("14:00")

    [found] = day.found
    assert (
        found.summary == "T107 reset at 12:00:00; no train has worked through it since"
    )
    assert found.evidence[0].text == (
        "T107: unconditional reset by technician accepted"
    )
    assert found.parameters == {
        "prove_within_s": 3600.0,
        "gaps": 3.0,
        "usual_gap_s": None,
        "limit_s": 3600.0,
        "waited_s": 3600.0,
        "hours_with_trains": None,
    }


@pytest.mark.parametrize("step", ["requested", "refused", "restored"])
def test_only_an_accepted_reset_waits(watch, step):
    """Asking, refusing and restoring promise nothing."""
    day = watch(ResetUnproved()).tell(f"11:00 clear\n12:00 reset {step}")

    assert day.until("20:00") == []


def test_three_usual_gaps_where_they_are_longer(watch):
    """Where trains come every 40 minutes, two hours may pass; every 10 minutes, an hour still."""
    slow = watch(ResetUnproved()).learn("00:00", gap_median=40 * MINUTE).tell(RESET)
    fast = watch(ResetUnproved()).learn("00:00", gap_median=10 * MINUTE).tell(RESET)

    assert slow.until("20:00") == ["12:00:00 14:00:00 planned"]
    assert fast.until("20:00") == ["12:00:00 13:00:00 planned"]


def test_only_hours_with_trains_count(watch):
    """Half an hour of twelve, none of thirteen, the other half of fourteen."""
    hours = frozenset({12, 14})
    day = watch(ResetUnproved()).learn("00:00", hours=hours)
    day.tell("11:00 clear\n12:30 reset accepted")

    assert day.until("20:00") == ["12:30:00 14:30:00 planned"]
    assert day.found[0].parameters["hours_with_trains"] == [12, 14]


def test_a_night_without_trains_does_not_count(watch):
    """A reset at half past eleven at night waits for the morning trains."""
    hours = frozenset(range(5, 24))
    day = watch(ResetUnproved()).learn("00:00", hours=hours)
    day.tell("11:00 clear\n23:30 reset accepted")

    assert day.until("1d 20:00") == ["23:30:00 05:30:00 planned"]


def test_no_hour_with_trains_never_falls_due(watch):
    """A section no train is known to work through is waited for without end."""
    day = watch(ResetUnproved()).learn("00:00", hours=frozenset()).tell(RESET)

    assert day.until("9d 20:00") == []
    assert "no hour with trains is known" in day.explain("1d 12:00")


def test_what_is_left_goes_on_under_new_hours(watch):
    """Half of the hour is gone at midnight; the other half is counted in the hours learnt then."""
    day = watch(ResetUnproved()).tell("11:00 clear\n23:30 reset accepted")
    day.learn("1d 00:00", hours=frozenset(range(6, 24)))

    assert day.until("1d 06:29:59") == []
    assert day.until("1d 20:00") == ["23:30:00 06:30:00 planned"]


def test_what_is_over_before_new_hours_are_learnt_is_over(watch):
    """An hour that ends at midnight itself falls due at midnight, whatever is learnt then."""
    day = watch(ResetUnproved()).tell("11:00 clear\n23:00 reset accepted")
    day.learn("1d 00:00", hours=frozenset(range(6, 24)))

    assert day.until("1d 20:00") == ["23:00:00 00:00:00 planned"]


def test_prompt_while_it_awaits_the_sweep(watch):
    """Trains are delayed while the section awaits its sweep; the open alert says so when that changes."""
    day = watch(ResetUnproved()).tell(
        """
        11:55 disturbed
        12:00 reset accepted
        12:00:01 awaiting_sweep
        14:00 disturbed
        """
    )

    assert day.until("15:00") == [
        "12:00:00 13:00:00 prompt",
        "12:00:00 13:00:00 planned",
    ]
    assert "; it awaits the sweep" in day.found[0].summary


def test_a_later_reset_before_it_is_due(watch):
    """The later one takes the place of the first, and falls due when the first would have."""
    day = watch(ResetUnproved()).tell(f"{RESET}\n12:50 reset accepted")

    assert day.until("20:00") == ["12:50:00 13:00:00 planned"]


def test_a_later_reset_while_it_is_open(watch):
    """The open one is over when the later is accepted, which is due at once."""
    day = watch(ResetUnproved()).tell(f"{RESET}\n13:20 reset accepted")

    assert day.until("20:00") == [
        "12:00:00 13:00:00 planned",
        "over 13:20:00",
        "13:20:00 13:20:00 planned",
    ]
    assert day.findings[1].because == "a later reset took its place"


def test_a_train_that_left_before_the_reset_proves_nothing(watch):
    """The proof must lie after the reset, however late it is told."""
    day = watch(ResetUnproved())
    day.tell("12:00:00 reset accepted\n12:00:01 worked left=11:59:59")

    assert day.until("14:00") == ["12:00:00 13:00:00 planned"]


def test_entered_later_by_a_person_and_proved_since(watch):
    """A reset entered an hour late is proved by a train that has worked through since it was made."""
    day = watch(ResetUnproved())
    day.tell("12:30:02 worked left=12:30:00\n13:00 reset accepted so=12:00")

    assert day.until("20:00") == []


def test_entered_later_by_a_person_counts_from_when_it_was_so(watch):
    """The hour began when the reset was made; where it is over already, it is due on being entered."""
    soon = watch(ResetUnproved()).tell("12:30 reset accepted so=12:00")
    late = watch(ResetUnproved()).tell("15:00 reset accepted so=12:00")

    assert soon.until("20:00") == ["12:00:00 13:00:00 planned"]
    assert late.until("20:00") == ["12:00:00 15:00:00 planned"]


def test_an_older_reset_entered_later_changes_nothing(watch):
    """The newer reset is the one that is waited for."""
    day = watch(ResetUnproved()).tell(f"{RESET}\n12:30 reset accepted so=11:00")

    assert day.until("20:00") == ["12:00:00 13:00:00 planned"]


def test_made_under_work_it_counts_from_the_end(watch):
    """Accepted under work and no train since: accepted when the work ends."""
    day = watch(ResetUnproved())
    day.tell("11:00 work begun\n11:10 reset accepted\n12:00 work ended")

    assert day.until("20:00") == ["12:00:00 13:00:00 planned"]


def test_made_and_proved_under_work(watch):
    """A train that worked through under the work has proved it."""
    day = watch(ResetUnproved()).tell(
        """
        11:00 work begun
        11:10 reset accepted
        11:20:02 worked left=11:20:00
        12:00 work ended
        """
    )

    assert day.until("20:00") == []


def test_work_on_a_section_whose_reset_waits(watch):
    """The hour begins anew when the work ends; the reset was accepted when it was."""
    day = watch(ResetUnproved())
    day.tell(f"{RESET}\n12:30 work begun\n13:30 work ended")

    assert day.until("20:00") == ["12:00:00 14:30:00 planned"]


def test_a_reset_under_work_while_one_is_open(watch):
    """It takes the place of the open one when the work ends, and that was due long ago."""
    day = watch(ResetUnproved()).tell(
        f"""{RESET}
        13:30 work begun
        13:40 reset accepted
        14:00 work ended
        """
    )

    assert day.until("20:00") == [
        "12:00:00 13:00:00 planned",
        "over 14:00:00",
        "14:00:00 14:00:00 planned",
    ]


def test_not_known_in_the_middle_begins_the_hour_anew(watch):
    """A train may have come while the section was not known."""
    day = watch(ResetUnproved())
    day.tell(f"{RESET}\n12:59 not known\n13:30 known again")

    assert day.until("20:00") == ["12:00:00 14:30:00 planned"]


def test_an_isolated_evaluator_is_work_and_darkness_at_once(watch):
    """Known again comes before the end of the work; the hour begins with the latter."""
    day = watch(ResetUnproved()).tell(
        """
        11:00 not known
        11:00 work begun
        11:10 reset accepted
        11:50 known again
        12:00 work ended
        """
    )

    assert day.until("20:00") == ["12:00:00 13:00:00 planned"]


def test_a_proof_told_after_it_was_raised_never_ends_it_before(watch):
    """Out of the sweep at the last moment: known a little later, it is over when it was raised."""
    day = watch(ResetUnproved()).tell(
        """
        12:00 reset accepted
        12:00:01 awaiting_sweep
        12:59:59 awaiting_acknowledgement
        13:00:01 worked left=12:59:59
        """
    )

    assert day.until("20:00") == ["12:00:00 13:00:00 planned", "over 13:00:00"]


def test_a_train_before_it_proves_no_reset(watch):
    """Yesterday's trains prove nothing of today's reset."""
    day = watch(ResetUnproved()).tell(f"11:30:02 worked left=11:30\n{RESET}")

    assert day.until("20:00") == ["12:00:00 13:00:00 planned"]


def test_a_train_that_leaves_at_the_very_moment_proves_it(watch):
    """Proof at the moment of the reset is proof since the reset, also for one entered later."""
    heard = watch(ResetUnproved()).tell(f"{RESET}\n12:00:02 worked left=12:00")
    entered = watch(ResetUnproved())
    entered.tell("12:00:02 worked left=12:00\n12:10 reset accepted so=12:00")

    assert heard.until("20:00") == []
    assert entered.until("20:00") == []


def test_a_train_from_before_a_reset_under_work_proves_nothing(watch):
    """Only a train since the reset proves it, under work as elsewhere."""
    day = watch(ResetUnproved()).tell(
        """
        11:00 work begun
        11:10 reset accepted
        11:10:01 worked left=11:09:59
        12:00 work ended
        """
    )

    assert day.until("20:00") == ["12:00:00 13:00:00 planned"]


def test_further_work_does_not_make_it_another_reset(watch):
    """The hour begins anew after any work; the beginning stays the end of the work it was made under."""
    day = watch(ResetUnproved()).tell(
        """
        11:00 work begun
        11:10 reset accepted
        12:00 work ended
        12:20 work begun
        12:30 work ended
        """
    )

    assert day.until("20:00") == ["12:00:00 13:30:00 planned"]


def test_an_hour_with_trains_that_is_just_enough(watch):
    """What fills the last hour with trains to its end is due at its end, not when the next begins."""
    day = watch(ResetUnproved()).learn("00:00", hours=frozenset({12, 14}))
    day.tell("11:00 clear\n12:00 reset accepted")

    assert day.until("20:00") == ["12:00:00 13:00:00 planned"]


def test_it_explains_what_counts_within_an_hour(watch):
    """A part of an hour with trains counts as that part."""
    day = watch(ResetUnproved()).learn("00:00", hours=frozenset({12, 14}))
    day.tell("11:00 clear\n12:30 reset accepted")

    usual = "hours in which trains usually run count"
    assert f"15 min of 1 h have gone by; {usual}" in day.explain("12:45")
    assert f"30 min of 1 h have gone by; {usual}" in day.explain("13:45")


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (None, "every hour counts, for the usual hours are not learnt yet"),
        (
            frozenset(range(24)),
            "every hour counts, for trains usually run in all of them",
        ),
        (frozenset({12, 14}), "hours in which trains usually run count"),
    ],
    ids=["nothing learnt", "all", "some"],
)
def test_it_claims_no_usual_hours_before_they_are_learnt(watch, hours, said):
    """What the evidence says of hours is what was learnt of them, and that nothing was where nothing was."""
    day = watch(ResetUnproved())
    if hours is not None:
        day.learn("00:00", hours=hours)
    day.tell("11:00 clear\n12:00 reset accepted").until("15:00")

    [found] = day.found
    assert found.evidence[-1].text == f"no train has worked through within 1 h; {said}"


def test_hours_are_those_of_the_line(watch):
    """The hours with trains are local: twelve in Berlin is ten in UTC in summer."""
    day = watch(ResetUnproved())
    day.place = replace(
        day.place, line=replace(day.place.line, zone=ZoneInfo("Europe/Berlin"))
    )
    day.learn("00:00", hours=frozenset({12, 16}))
    day.tell("09:00 clear\n10:30 reset accepted")

    assert day.until("20:00") == ["10:30:00 14:30:00 planned"]


def test_it_explains_how_near_it_is(watch):
    """How much of the hour has gone by, when it is due, and what stops it."""
    day = watch(ResetUnproved())

    assert day.explain("11:00") == "No reset of T107 waits for a train."
    day.tell(RESET)
    assert day.explain("12:30") == (
        "Reset at 12:00:00 waits for a train. "
        "30 min of 1 h have gone by; every hour counts, for the usual hours are not "
        "learnt yet; due at 13:00:00."
    )
    day.tell("12:40 occupied\n12:41 clear")
    assert "whether a train has just left is not judged yet" in day.explain("12:41")
    day.tell("12:42 not known")
    assert "The timer is stopped: the section is not known." in day.explain("12:43")
    day.tell("12:50 known again")
    day.until("13:50")
    assert "That has been raised." in day.explain("14:00")


def test_it_explains_a_reset_under_work(watch):
    """A reset made under work is said to wait for the end of the work."""
    day = watch(ResetUnproved()).tell("11:00 work begun\n11:10 reset accepted")

    assert "counts from the end of the work" in day.explain("11:20")


@pytest.mark.parametrize(
    ("story", "asked", "timer"),
    [
        ("", "12:00", None),
        (RESET, "12:30", ("13:00", None, "", None)),
        (f"{RESET}\n12:10 not known", "12:30", (None, None, "not known", None)),
        (f"{RESET}\n12:10 work begun", "12:30", (None, None, "under work", None)),
        (
            f"{RESET}\n12:10 work begun\n12:20 not known",
            "12:30",
            (None, None, "under work and not known", None),
        ),
        ("11:50 work begun\n12:00 reset accepted", "12:30", (None, None, "under work", None)),
        (f"{RESET}\n14:00 occupied", "14:00", (None, "13:00", "", None)),
    ],
)  # fmt: skip
def test_how_far_a_reset_has_come(watch, story, asked, timer):
    """When it is due, or was raised, or why no time counts."""
    day = watch(ResetUnproved()).tell(story)
    day.pass_time(moment(asked))
    told = day.detector.timer(day.memory, moment(asked), day.place)

    def at(text):
        return None if text is None else moment(text)

    if timer is not None:
        due, raised, stopped, resumes = timer
        timer = Timer(
            due=at(due), raised=at(raised), stopped=stopped, resumes=at(resumes)
        )
    assert told == timer


def test_a_timer_that_stands_still_at_night(watch):
    """It says from which hour on trains usually come."""

    def told(hours, asked):
        day = watch(ResetUnproved()).learn("00:00", hours=frozenset(hours))
        day.tell("11:00 clear\n23:30 reset accepted")
        timer = day.detector.timer(day.memory, moment(asked), day.place)
        return timer.stopped, timer.resumes, timer.due

    due = moment("1d 05:30")
    assert told(range(5, 24), "23:45") == ("", None, due)
    assert told(range(5, 24), "1d 00:10") == (
        "no trains usually at this hour",
        moment("1d 05:00"),
        due,
    )
    assert told((), "1d 00:10") == ("no hour with trains is known", None, None)
