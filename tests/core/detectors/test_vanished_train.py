from __future__ import annotations

import pytest

from monitor.core.changes import CauseBegan, CauseEnded, TrainFound, TrainVanished
from monitor.core.detectors.vanished_train import VanishedTrain
from monitor.core.moments import SECOND


@pytest.fixture
def vanished(at):
    """The train that came into T107 out of T106 is unaccounted for when T107 clears, by default at noon."""

    def made(cleared="12:00", **more):
        gone = at(cleared)
        given = {
            "place": "T107",
            "at": gone + 2 * SECOND,
            "cleared": gone,
            "raised": gone + 2 * SECOND,
            "entered": gone - 90 * SECOND,
            "out_of": "T106",
            "came": "gw/1#5",
            "first": "T105",
            "since": gone - 300 * SECOND,
            "by_reset": False,
            "doubted": False,
            "event": "gw/1#7",
        }
        return TrainVanished(**{**given, **more})

    return made


@pytest.fixture
def cause(at):
    """A cable begins or ceases to cover T107."""

    def made(begun, time):
        given = {"place": "T107", "subject": "section/T107", "asset": "cable/C2"}
        if begun:
            began = at(time)
            return CauseBegan(**given, at=began, began=began, section=True)
        return CauseEnded(**given, at=at(time), section=True)

    return made


def test_a_train_that_is_unaccounted_for(watch, vanished, at):
    """It began with the clear, and shows where the train came in and what cleared behind nobody."""
    day = watch(VanishedTrain())
    day.hear(vanished())

    assert day.brief() == ["12:00:00 12:00:02 urgent"]
    [found] = day.found
    assert found.lasting
    assert found.summary == (
        "T107 cleared by itself with its train unaccounted for: "
        "it came out of T106 90 s before, and no neighbour took it"
    )
    assert [(one.time, one.event) for one in found.evidence] == [
        (at("11:58:30"), "gw/1#5"),
        (at("12:00"), "gw/1#7"),
    ]
    assert found.parameters == {
        "held_for_s": 90.0,
        "by_reset": False,
        "train_first_seen": "section/T105",
    }
    assert day.explain("13:00") == (
        "A train was unaccounted for when T107 cleared at 12:00:00."
    )


def test_by_a_reset(watch, vanished):
    """Where a reset cleared it, that is said, and who reset it is asked."""
    day = watch(VanishedTrain())
    day.hear(vanished(by_reset=True))

    [found] = day.found
    assert found.summary.startswith("T107 cleared by a reset with its train")
    assert "who reset the section" in found.checks[1]


def test_one_that_comes_out_later_is_named(watch, vanished, at):
    """The alert about the train that may have been found is changed, and no other."""
    day = watch(VanishedTrain())
    day.hear(vanished("11:30"))
    day.hear(vanished())
    found = TrainFound(
        place="T107",
        at=at("12:10"),
        cleared=at("12:00"),
        subject="T108",
        appeared="T109",
        entered=at("12:09"),
    )
    day.hear(found)

    assert day.brief()[2:] == ["12:00:00 12:00:02 urgent"]
    assert day.found[2].summary.endswith(
        "it may be the one that came out into T109 at 12:09:00"
    )
    assert day.found[2].affected == ("section/T107", "section/T108")


def test_eight_can_still_be_named(watch, vanished, at):
    """Of nine that vanished from one section the oldest is named no longer, and the next is."""
    day = watch(VanishedTrain())
    for minute in range(9):
        day.hear(vanished(f"12:0{minute}"))
    common = {"subject": "T108", "appeared": "T109", "entered": at("12:29")}
    for minute in range(2):
        cleared = at(f"12:0{minute}")
        day.hear(TrainFound(place="T107", at=at("12:30"), cleared=cleared, **common))

    assert day.brief()[9:] == ["12:01:00 12:01:02 urgent"]


@pytest.mark.parametrize(
    ("cleared", "found"),
    [("12:00", []), ("12:00:00.001", ["12:00:00.001 12:00:02.001 urgent"])],
)
def test_by_the_clear_that_completes_a_cause(watch, vanished, cause, cleared, found):
    """While a cause covers the section, and by the clear that ends it, nothing is concluded; after it, it is."""
    day = watch(VanishedTrain())
    day.hear(cause(begun=True, time="11:00"))
    day.hear(vanished("11:30"))
    assert day.explain("11:31") == (
        "A common cause covers the section: nothing is concluded. "
        "A train was unaccounted for when T107 cleared at 11:30:00; "
        "it was not raised: a common cause has it."
    )
    day.hear(cause(begun=False, time="12:00"))
    day.hear(vanished(cleared))

    assert day.brief() == found


def test_two_causes_must_both_be_over(watch, vanished, cause):
    """One cause that ends leaves the other; one that was never told to begin takes nothing away."""
    day = watch(VanishedTrain())
    day.hear(cause(begun=False, time="10:00"))
    day.hear(cause(begun=True, time="11:00"))
    day.hear(cause(begun=True, time="11:10"))
    day.hear(cause(begun=False, time="11:20"))
    day.hear(vanished("11:30"))
    assert day.brief() == []

    day.hear(cause(begun=False, time="11:40"))
    day.hear(vanished())
    assert day.brief() == ["12:00:00 12:00:02 urgent"]


def test_under_work_nothing_is_raised(watch, vanished):
    """What leaves a section under work may have been lifted off; after the work it is asked for again."""
    day = watch(VanishedTrain()).tell("11:00 work begun")
    day.hear(vanished("11:30"))
    day.tell("11:40 work ended")
    day.hear(vanished())

    assert day.brief() == ["12:00:00 12:00:02 urgent"]


def test_where_the_line_file_is_doubted_it_is_a_note(watch, vanished):
    """A conclusion that needs a doubted join is no more than a note, and says so."""
    day = watch(VanishedTrain())
    day.hear(vanished(doubted=True))

    assert day.brief() == ["12:00:00 12:00:02 note"]
    assert day.found[0].parameters["line_file_doubted"]


def test_a_time_has_its_date_where_it_is_another_day_than_the_clear(watch, vanished):
    """The train came in before midnight and vanished after it: when it came out, on that same day, is said without a date."""
    day = watch(VanishedTrain())
    gone = vanished("1d 00:00:30")
    day.hear(gone)
    entered = gone.cleared + 600 * SECOND
    common = {"subject": "T108", "appeared": "T109", "entered": entered}
    day.hear(
        TrainFound(
            place="T107", at=entered + 60 * SECOND, cleared=gone.cleared, **common
        )
    )

    assert day.found[1].summary.endswith("came out into T109 at 00:10:30")
