from __future__ import annotations

import pytest

from monitor.core.changes import TrainUnseen
from monitor.core.detectors.unseen_train import UnseenTrain


@pytest.fixture
def unseen(at):
    """A train that came out of T107, shown clear, into T108 at noon, and left that for T109 a minute later."""

    def made(**more):
        given = {
            "place": "T107",
            "at": at("12:01:02"),
            "appeared": "T108",
            "entered": at("12:00"),
            "into": "T109",
            "cleared": at("12:01"),
            "raised": at("12:01:02"),
            "suspects": ("T107",),
            "vanished": "",
            "vanished_at": None,
            "doubted": False,
            "event": "gw/1#7",
            "shown": "gw/1#9",
        }
        return TrainUnseen(**{**given, **more})

    return made


def test_a_train_that_came_out(watch, unseen, at):
    """It began as the train appeared, was known when that was judged, and shows the entry and the way on."""
    day = watch(UnseenTrain())
    day.hear(unseen())

    assert day.brief() == ["12:00:00 12:01:02 urgent"]
    [found] = day.found
    assert found.lasting
    assert found.summary == (
        "T107 shown clear, and a train came out of it into T108, and went on into T109"
    )
    assert [(one.time, one.event) for one in found.evidence] == [
        (at("12:00"), "gw/1#7"),
        (at("12:01"), "gw/1#9"),
    ]
    assert found.parameters == {
        "seen_for_s": 60.0,
        "appeared": "section/T108",
        "into": "section/T109",
    }
    assert [one.asset for one in found.suspects] == ["head/H107", "head/H108"]
    assert found.affected == ("section/T107",)
    assert day.explain("13:00") == "A train that was not shown came out at 12:00:00."


def test_several_may_have_held_it(watch, unseen):
    """Where two sections could have held it, both are said to be suspects, alike."""
    day = watch(UnseenTrain())
    day.hear(unseen(place="T108", suspects=("T106", "T107")))

    [found] = day.found
    assert found.summary == (
        "a train came into T108, and went on into T109, out of T106 and T107, "
        "all shown clear"
    )
    assert [(one.asset, one.weight) for one in found.suspects] == [
        ("section/T106", 0.5),
        ("section/T107", 0.5),
    ]


def test_one_that_vanished_before(watch, unseen, at):
    """A train that was unaccounted for near by is named, with where and when."""
    day = watch(UnseenTrain())
    day.hear(unseen(vanished="T106", vanished_at=at("11:50")))

    [found] = day.found
    assert found.summary.endswith(
        "it may be the train that was unaccounted for when T106 cleared at 11:50:00"
    )
    assert found.evidence[0].time == at("11:50")
    assert found.affected == ("section/T107", "section/T106")
    assert found.parameters["vanished"] == "section/T106"


def test_where_the_line_file_is_doubted_it_is_a_note(watch, unseen):
    """A conclusion that needs a doubted join is no more than a note, and says so."""
    day = watch(UnseenTrain())
    day.hear(unseen(doubted=True))

    assert day.brief() == ["12:00:00 12:01:02 note"]
    assert day.found[0].parameters["line_file_doubted"]


def test_under_work_nothing_is_raised(watch, unseen, at):
    """What comes out of a section under work is none, and after the work it is one again."""
    day = watch(UnseenTrain()).tell("11:00 work begun")
    day.hear(unseen())
    assert day.brief() == []
    assert day.explain("12:30") == (
        "It is under work: nothing is raised. A train that was not shown came out at "
        "12:00:00; it was not raised: it was under work."
    )

    day.tell("13:00 work ended")
    day.hear(unseen(at=at("14:00"), entered=at("13:59"), raised=at("14:00")))
    assert day.brief() == ["13:59:00 14:00:00 urgent"]
