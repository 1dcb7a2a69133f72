"""The engine over small days, expectations by hand."""

from __future__ import annotations

import pytest

QUIET = """
06:00:00 T1 clear
06:00:00 T2 clear
06:00:00 T3 clear
06:00:00 T4 clear
06:00:00 T5 clear
"""

TRAIN = """
06:10:00 T1 occupied
06:10:40 T2 occupied
06:10:50 T1 clear
06:11:20 T3 occupied
06:11:30 T2 clear
06:12:00 T4 occupied
06:12:10 T3 clear
06:12:40 T5 occupied
06:12:50 T4 clear
06:13:30 T5 clear
"""


def test_a_train_that_passes_raises_nothing(run):
    """An ordinary train is no fault, however long one looks afterwards."""
    day = run().tell(QUIET).tell(TRAIN).until("23:00")

    assert day.brief() == []


def test_a_train_that_passes_works_every_section_through(run):
    """Each occupation of an ordinary train is explained on both sides."""
    day = run().tell(QUIET).tell(TRAIN).until("06:30")

    worked = [f.subject for f in day.facts if f.values.get("worked_through")]

    assert worked == [f"section/T{n}" for n in range(1, 6)]


def test_disturbed_for_settle_s(run):
    """A section disturbed for five seconds is a fault; it is over when it shows another state."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:20:00 T3 disturbed
        06:25:00 T3 clear
        06:30:00 T1 clear
        """
        )
    )

    assert day.brief("section-disturbed") == [
        "section-disturbed section/T3 prompt 06:20:00 06:20:05 06:25:00"
    ]


def test_disturbed_for_less_than_settle_s(run):
    """A disturbance shorter than five seconds raises no alert of its own."""
    day = run().tell(QUIET).tell("06:20:00 T3 disturbed\n06:20:04.999 T3 clear")

    assert day.until("07:00").brief("section-disturbed") == []


def test_occupied_with_no_train(run):
    """Occupied, neighbours clear, for two minutes: no train was seen to enter."""
    day = run().tell(QUIET).tell("06:20:00 T3 occupied").until("06:30")

    assert day.brief() == ["occupied-no-train section/T3 prompt 06:20:00 06:22:00 -"]
    assert day.alerts[0].summary == (
        "T3 occupied for 2 min; no train was seen to enter it; vehicles may be in it"
    )


@pytest.mark.parametrize("cleared", ["06:21:59", "06:20:01"])
def test_occupied_with_no_train_for_less_than_two_minutes(run, cleared):
    """What has gone within two minutes raises nothing of this kind."""
    day = run().tell(QUIET).tell(f"06:20:00 T3 occupied\n{cleared} T3 clear")

    assert day.until("07:00").brief("occupied-no-train") == []


@pytest.mark.parametrize(
    ("neighbour", "raised"),
    [
        ("06:19:58 T2 clear", False),
        ("06:19:57.999 T2 clear", True),
        ("06:20:02 T2 occupied", False),
        ("06:20:02.001 T2 occupied", True),
    ],
)
def test_the_skew_explains_an_entry_to_its_last_moment(run, neighbour, raised):
    """A neighbour not clear within two seconds of the entry, either way, explains it; beyond, it does not."""
    day = run().tell(QUIET)
    if neighbour.endswith("clear"):
        day.tell("06:19:00 T1 occupied\n06:19:30 T2 occupied\n06:19:40 T1 clear")
        day.tell(f"{neighbour}\n06:20:00 T3 occupied")
    else:
        day.tell("06:19:50 T1 occupied")  # so that T2 is not entered out of T3 alone
        day.tell(f"06:20:00 T3 occupied\n{neighbour}")
    day.until("06:22:30")

    assert bool(day.brief("occupied-no-train")) == raised


def test_a_neighbour_that_turns_disturbed_explains_nothing(run):
    """A head that fails disturbs one side and occupies the other: no train entered."""
    day = run().tell(QUIET).tell("06:19:59 T2 disturbed\n06:20:00 T3 occupied")

    assert day.until("06:23").brief("occupied-no-train") == [
        "occupied-no-train section/T3 prompt 06:20:00 06:22:00 -"
    ]


def test_a_neighbour_disturbed_for_long_explains(run):
    """A train may come out of a section that has been disturbed for a while."""
    day = run().tell(QUIET).tell("06:19:00 T2 disturbed\n06:20:00 T3 occupied")

    assert day.until("06:23").brief("occupied-no-train") == []


def test_reset_that_no_train_follows(run):
    """An accepted reset that no train has worked through within an hour is shown."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:20:00 T3 disturbed
        06:30:00 T3 reset accepted
        06:30:01 T3 clear
        """
        )
    )

    assert day.until("07:29:59").brief("reset-unproved") == []
    assert day.until("07:30").brief("reset-unproved") == [
        "reset-unproved section/T3 planned 06:30:00 07:30:00 -"
    ]


def test_reset_that_a_train_follows(run):
    """A train that works through proves the reset; nothing is raised."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:02:00 T3 disturbed
        06:05:00 T3 reset accepted
        06:05:01 T3 clear
        """
        )
    )

    assert day.tell(TRAIN).until("09:00").brief("reset-unproved") == []
    assert day.engine.resets_waiting() == {}


def test_reset_that_did_not_hold(run):
    """Disturbed again within a quarter of an hour, before any train: the reset did not hold."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:20:00 T3 disturbed
        06:30:00 T3 reset accepted
        06:30:01 T3 clear
        06:40:00 T3 disturbed
        """
        )
    )

    assert day.until("06:41").brief("reset-not-held") == [
        "reset-not-held section/T3 prompt 06:40:00 06:40:00 -"
    ]


def test_twice_within_the_hour_is_repeated(run):
    """Two disturbances within an hour are shown, and are over when at most one is left in the hour."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:20:00 T3 disturbed
        06:21:00 T3 clear
        06:50:00 T3 disturbed
        06:51:00 T3 clear
        """
        )
    )

    assert day.until("09:00").brief("repeat-disturbance") == [
        "repeat-disturbance section/T3 planned 06:20:00 06:50:00 07:20:00"
    ]


def test_a_train_that_stands_too_long(run):
    """A train that stands for longer than the line file calls normal is noted."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:10:00 T1 occupied
        06:10:40 T2 occupied
        06:10:50 T1 clear
        """
        )
    )

    assert day.until("06:41").brief() == [
        "long-occupation section/T2 note 06:10:40 06:40:40 -"
    ]


def test_locked_out_contacts_and_restoration(run):
    """Lock-out at once; contacts after a second; restoration after five minutes."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:20:00 EV1 locked_out
        06:21:00 T3 clear contacts=up/up
        06:22:00 T4 clear interlocking=occupied
        06:30:00 EV1 in_service
        06:31:00 T3 clear contacts=up/down
        06:32:00 T4 clear interlocking=clear
        """
        )
    )

    assert day.until("06:40").brief() == [
        "evaluator-locked-out evaluator/EV1 prompt 06:20:00 06:20:00 06:30:00",
        "contact-disagreement section/T3 prompt 06:21:00 06:21:01 06:31:00",
        "restoration-incomplete section/T4 prompt 06:22:00 06:27:00 06:32:00",
    ]


def test_a_gateway_that_falls_silent(run):
    """Three periods without a word: its sections are not known from the last event on."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:00:10 GW1 online
        06:00:40 GW1 online
        06:00:30 GW2 online
        06:01:00 GW2 online
        06:01:30 GW2 online
        06:02:00 GW2 online
        06:02:30 GW2 online
        """
        )
    )

    assert day.brief() == ["feed-silent gateway/GW1 prompt 06:00:40 06:02:10 -"]
    assert sorted(day.engine.not_known()) == ["T1", "T2", "T3"]


def test_numbers_that_jump(run):
    """A number that never came is a gap, and blinds the sections of its source only."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:10:00 T1 clear seq=7
        06:10:10 T2 clear seq=9
        06:10:20 T5 clear
        """
        )
    )

    assert day.brief() == ["feed-gap source/gw/1 note 06:10:00 06:10:13 06:10:13"]
    assert sorted(day.engine.not_known()) == ["T1", "T3"]


def test_a_heartbeat_that_comes_out_of_order_right_after_a_restart(run):
    """Its number was missing, and fills: neither a gap nor another restart."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:10:00 T1 clear seq=7
        06:10:10 GW1 online seq=0
        06:10:10.100 T1 clear seq=1
        06:10:10.200 T2 clear seq=2
        06:10:10.300 T3 clear seq=4
        06:10:10.250 GW1 online seq=3 at 06:10:10.400
        06:10:30 T1 clear seq=5
        """
        )
    )

    assert day.until("06:10:50").brief("feed-gap") == []
    assert day.engine.not_known() == {}


def test_work_keeps_quiet_and_what_is_still_so_is_judged_from_its_end(run):
    """Nothing is raised under work; what still holds when it ends began then."""
    day = (
        run()
        .tell(QUIET)
        .tell(
            """
        06:10:00 T3 work begun W7
        06:12:00 T3 disturbed
        06:20:00 T3 reset accepted
        06:20:01 T3 clear
        06:30:00 T3 disturbed
        06:40:00 T3 work ended W7
        """
        )
    )

    assert day.until("08:00").brief() == [
        "section-disturbed section/T3 prompt 06:40:00 06:40:05 -",
        "reset-unproved section/T3 planned 06:40:00 07:40:00 -",
    ]


def test_what_a_person_entered_later_counts_from_when_it_was_so(run):
    """A reset entered an hour late is proved at once by the train that has followed it."""
    day = run().tell(QUIET).tell(TRAIN)
    day.tell("06:05:00 T3 reset accepted by desk/1 at 07:00:00")

    assert day.until("12:00").brief("reset-unproved") == []


def test_a_late_event_makes_its_section_not_known_for_a_while(run):
    """An event older than the patience concludes nothing, but shows."""
    day = run().tell(QUIET).tell("06:20:00 T1 clear\n06:19:40 T3 occupied at 06:20:00")

    assert list(day.engine.not_known()) == ["T3"]
    assert day.engine.shown("T3").event.state == "occupied"

    day.tell("06:20:10 T1 clear")

    assert day.engine.not_known() == {}
    assert day.until("07:30").brief("occupied-no-train") == []
