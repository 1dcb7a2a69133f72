from __future__ import annotations

import pytest

from monitor.core.changes import TrainJoined, TrainMayHaveCome
from monitor.core.detectors.occupied_no_train import OccupiedNoTrain

NO_TRAIN = """
11:00:00 clear
12:00:00 occupied
12:00:02 entry occupied not explained entered=12:00:00
"""


@pytest.mark.parametrize(
    ("cleared", "found"),
    [
        ("12:01:59.999", []),
        # A clear that may prove short is waited for, also one at the last moment.
        ("12:02:00", []),
        ("12:02:00.001", ["12:00:00 12:02:00 prompt", "over 12:02:00.001"]),
    ],
)
def test_two_minutes(watch, cleared, found):
    """An entry that nothing explains is raised after `no_train_after_s`, and is over with the clear."""
    day = watch(OccupiedNoTrain()).tell(NO_TRAIN)
    day.tell(f"{cleared} clear\n12:02:05 stretch ended={cleared}")

    assert day.until("13:00") == found


def test_what_it_says(watch):
    """The sentence, the evidence and the caution are those that a signaller reads."""
    day = watch(OccupiedNoTrain()).tell(NO_TRAIN)
    day.until("12:10")

    [found] = day.found
    assert found.summary == (
        "T107 occupied for 2 min; no train was seen to enter it; vehicles may be in it"
    )
    assert found.evidence[0].text == (
        "T107 occupied; T106 and T108 clear since 11:58:00"
    )
    assert found.evidence[0].event == "gw/1#3"
    assert found.parameters == {"no_train_after_s": 120.0, "occupied_for_s": 120.0}
    assert [one.asset for one in found.suspects] == ["head/H107", "head/H108"]


@pytest.mark.parametrize("verdict", ["explained", "cannot tell"])
def test_an_entry_that_is_explained_or_cannot_be_told_raises_nothing(watch, verdict):
    """Only where the neighbours were known clear is a missing train a finding."""
    day = watch(OccupiedNoTrain())
    day.tell(f"12:00:00 occupied\n12:00:02 entry occupied {verdict} entered=12:00:00")

    assert day.until("14:00") == []


def test_becoming_disturbed_is_no_entry_of_a_train(watch):
    """A disturbed section is the business of another detection."""
    day = watch(OccupiedNoTrain())
    day.tell(
        "12:00:00 disturbed\n12:00:02 entry disturbed not explained entered=12:00:00"
    )

    assert day.until("14:00") == []


def test_a_verdict_that_comes_late(watch):
    """Where the verdict needed an event after the two minutes, that event's time is when it was raised."""
    day = watch(OccupiedNoTrain()).tell(
        """
        12:00:00 occupied
        12:02:30 entry occupied not explained entered=12:00:00 judged=12:02:30
        """
    )

    assert day.until("13:00") == ["12:00:00 12:02:30 prompt"]


def test_a_verdict_that_comes_after_the_end(watch):
    """A verdict that waited for a neighbour to be heard, and came when the section had cleared, is not about who enters next."""
    day = watch(OccupiedNoTrain()).tell(
        """
        12:00:00 occupied
        12:00:04 clear
        12:00:06 stretch ended=12:00:04
        12:00:30 entry occupied not explained entered=12:00:00 judged=12:00:30
        12:20:00 occupied
        12:20:02 entry occupied explained entered=12:20:00
        """
    )

    assert day.until("13:00") == []


def test_what_moves_on_is_dropped(watch):
    """An occupation that goes on into a neighbour is not waited for any longer."""
    day = watch(OccupiedNoTrain()).tell(f"{NO_TRAIN}\n12:01:00 moved T108")

    assert day.until("13:00") == []
    assert "what is in it has moved on" in day.explain("13:00")


def test_what_moved_on_before_the_verdict_is_dropped(watch):
    """The verdict comes after the fact: what moved on meanwhile is known by then."""
    day = watch(OccupiedNoTrain()).tell(
        """
        12:00:00 occupied
        12:00:01 moved T108
        12:00:02 entry occupied not explained entered=12:00:00
        """
    )

    assert day.until("13:00") == []


def test_the_next_stretch_is_judged_for_itself(watch):
    """That one stretch moved on says nothing of the next."""
    day = watch(OccupiedNoTrain()).tell(
        """
        12:00:00 occupied
        12:00:01 moved T108
        12:00:05 clear
        12:00:07 stretch ended=12:00:05
        12:10:00 occupied
        12:10:02 entry occupied not explained entered=12:10:00
        """
    )

    assert day.until("13:00") == ["12:10:00 12:12:00 prompt"]


def test_what_moves_on_once_raised_stays(watch):
    """The section is still occupied: only its clear, or a train, ends what is open."""
    day = watch(OccupiedNoTrain()).tell(
        f"""{NO_TRAIN.strip()}
        12:05:00 moved T108
        12:06:00 clear
        12:06:02 stretch ended=12:06:00
        """
    )

    assert day.brief() == ["12:00:00 12:02:00 prompt", "over 12:06:00"]


def test_a_train_that_joins(watch):
    """A train that enters drops what waits, and ends what is open, saying so."""
    before = watch(OccupiedNoTrain()).tell(f"{NO_TRAIN}\n12:01:00 joined T106")
    after = watch(OccupiedNoTrain()).tell(f"{NO_TRAIN}\n12:05:00 joined T106")

    assert before.until("13:00") == []
    assert after.until("13:00") == ["12:00:00 12:02:00 prompt", "over 12:05:00"]
    assert after.findings[1].because == "a train entered it out of T106"


def test_a_clear_that_proves_short_ends_nothing(watch):
    """A tally on its way through zero shows clear for a moment; what falls due then waits for the next event."""
    day = watch(OccupiedNoTrain()).tell(
        f"""{NO_TRAIN.strip()}
        12:01:59.500 clear
        12:02:00.500 occupied
        """
    )

    assert day.until("13:00") == ["12:00:00 12:02:00.500 prompt"]


def test_not_known_in_the_middle_begins_the_two_minutes_anew(watch):
    """The stretch is seen on both sides: it goes on, and its timer starts again."""
    day = watch(OccupiedNoTrain())
    day.tell(f"{NO_TRAIN}\n12:01:00 not known\n12:05:00 known again")

    assert day.until("13:00") == ["12:00:00 12:07:00 prompt"]


def test_work_on_a_stretch_that_was_there_before_it(watch):
    """What was judged before the work and is still so after it is judged anew from its end."""
    day = watch(OccupiedNoTrain())
    day.tell(f"{NO_TRAIN}\n12:01:00 work begun\n12:30:00 work ended")

    assert day.until("13:00") == ["12:30:00 12:32:00 prompt"]


def test_a_stretch_that_began_under_work(watch):
    """What is still so when work ends is judged anew from that moment: something may have been left behind."""
    day = watch(OccupiedNoTrain()).tell(
        f"11:30:00 work begun\n{NO_TRAIN.strip()}\n12:30:00 work ended"
    )

    assert day.until("14:00") == ["12:30:00 12:32:00 prompt"]


def test_a_stretch_that_began_in_the_last_second_of_work(watch):
    """The verdict may come after the work: it counts from the end of that."""
    day = watch(OccupiedNoTrain()).tell(
        """
        11:30:00 work begun
        12:00:00 occupied
        12:00:01 work ended
        12:00:02 entry occupied not explained entered=12:00:00
        """
    )

    assert day.until("14:00") == ["12:00:01 12:02:01 prompt"]


def test_a_stretch_after_the_work_is_judged_like_any_other(watch):
    """Work that has ended says nothing of what enters from its end on, nor of what entered before it began."""
    after = watch(OccupiedNoTrain())
    after.tell(f"11:30:00 work begun\n12:00:00 work ended\n{NO_TRAIN}")
    before = watch(OccupiedNoTrain()).tell(
        """
        12:00:00 occupied
        12:00:01 work begun
        12:00:02 entry occupied not explained entered=12:00:00
        12:10:00 work ended
        """
    )

    assert after.until("13:00") == ["12:00:00 12:02:00 prompt"]
    assert before.until("13:00") == ["12:10:00 12:12:00 prompt"]


def test_it_explains_how_near_it_is(watch):
    """How much of the two minutes has gone by is said, and that a clear may prove short."""
    day = watch(OccupiedNoTrain())

    assert "No entry into T107 stands without an explanation." in day.explain("11:00")
    day.tell(NO_TRAIN)
    assert "90 s of 2 min have gone by; raised in 30 s" in day.explain("12:01:30")
    day.tell("12:01:40 clear")
    assert "whether that lasts is not known yet" in day.explain("12:01:41")


WENT_ON = """
12:00 occupied
12:00 entry occupied explained
12:01:02 went on T108 T109 cleared=12:01
"""


def test_what_stays_occupied_after_its_train_went_on_is_found(watch):
    """Rule (b): its train is two sections on, the one between has cleared, and a minute later the section is occupied still."""
    day = watch(OccupiedNoTrain()).tell(WENT_ON)

    assert day.until("12:01:59") == []
    assert day.until("12:02") == ["12:01:00 12:02:00 prompt"]
    found = day.findings[0]
    assert found.summary == (
        "T107 still occupied 1 min after its train went on: "
        "T108 has cleared, T109 is occupied; vehicles may be in it"
    )
    assert found.parameters == {"linger_s": 60.0, "still_occupied_for_s": 60.0}


@pytest.mark.parametrize(
    "then",
    [
        "12:01:40 clear\n12:01:42 stretch ended=12:01:40",
        "12:01:40 joined T106",
        "12:01:40 work begun",
        "12:01:40 not known",
        "12:01:40 disturbed\n12:01:40 stretch ended=12:01:40",
    ],
    ids=["cleared", "a train entered", "work", "not known", "disturbed"],
)
def test_what_ends_within_the_minute_is_no_alert(watch, then):
    """Rule (b) needs a section that stays occupied, known and out of work, and that nothing enters."""
    assert watch(OccupiedNoTrain()).tell(WENT_ON + then).until("13:00") == []


def test_rule_b_is_over_when_the_next_train_enters(watch):
    """What a train has entered since is occupied by a train."""
    day = watch(OccupiedNoTrain()).tell(WENT_ON + "12:10 joined T106")

    assert day.until("13:00") == ["12:01:00 12:02:00 prompt", "over 12:10:00"]


def test_rule_b_explains_itself(watch, at):
    """It says where the train went, and how long it still waits."""
    day = watch(OccupiedNoTrain()).tell(WENT_ON)

    said = " ".join(day.detector.explain(day.memory, at("12:01:30"), day.place))
    assert "Its train went on to T109: T108 cleared 12:01:00, and T107 did not." in said
    assert "raised in 30 s" in said


def test_where_its_train_is_stays_known_through_a_clear_that_proves_short(watch):
    """Clear for less than the skew while it waits: the sentence still says which section has cleared and which is occupied."""
    day = watch(OccupiedNoTrain()).tell(
        f"{WENT_ON.strip()}\n12:01:30 clear\n12:01:31 occupied"
    )

    assert day.until("12:02") == ["12:01:00 12:02:00 prompt"]
    assert "T108 has cleared, T109 is occupied" in day.found[0].summary


@pytest.mark.parametrize(
    ("begun", "found"),
    [("12:01:01", ["12:10:00 12:11:00 prompt"]), ("12:01:00", [])],
)
def test_work_that_begins_after_its_train_went_on(watch, begun, found):
    """The section between cleared before the work began and was told after: what is still so is judged anew from the end of the work; what falls under the work, its first moment included, says nothing."""
    day = watch(OccupiedNoTrain()).tell(
        f"""
        12:00:00 occupied
        12:00:00 entry occupied explained
        {begun} work begun
        12:01:02 went on T108 T109 cleared=12:01
        12:10:00 work ended
        """
    )

    assert day.until("13:00") == found


def test_it_is_not_over_before_it_was_raised(watch, at):
    """A train that joined just before it fell due, and is told just after, ends it at the moment it was raised."""
    day = watch(OccupiedNoTrain()).tell(NO_TRAIN)
    joined = at("12:01:59")
    day.hear(TrainJoined(place="T107", at=at("12:02:01"), joined=joined, out_of="T106"))

    assert day.brief() == ["12:00:00 12:02:00 prompt", "over 12:02:00"]


def test_work_between_the_entry_and_its_verdict(watch):
    """Work that began after the entry and ended before the verdict stops the timer like any other: it counts from the end of that."""
    day = watch(OccupiedNoTrain()).tell(
        """
        12:00:00 occupied
        12:00:01 work begun
        12:00:20 work ended
        12:00:31 entry occupied not explained entered=12:00:00
        """
    )

    assert day.until("14:00") == ["12:00:20 12:02:20 prompt"]


@pytest.mark.parametrize(
    ("came", "found"),
    [("12:00:59", []), ("12:01:01", ["12:00:00 12:01:00 prompt"])],
)
def test_another_that_may_have_come_in(watch, at, came, found):
    """Where the section was clear for a moment beside another train, nobody knows that nothing has entered since; what is raised stays."""
    day = watch(OccupiedNoTrain()).tell("11:00:00 clear\n11:50:00 occupied")
    day.tell("12:00:02 went on T108 T109 cleared=12:00:00")
    day.until(came)
    day.hear(TrainMayHaveCome(place="T107", at=at(came)))

    assert day.until("13:00") == found
