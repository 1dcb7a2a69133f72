from __future__ import annotations

import pytest

from monitor.core.detector import Place
from monitor.core.detectors.count_mismatch import CountMismatch

AGREED = "\n".join(f"13:{minute:02} agreed" for minute in range(19))


@pytest.fixture
def section(watch):
    """The detection at a section of which no head is known to have miscounted."""

    def over():
        day = watch(CountMismatch())
        day.place = Place(id="section/T107", line=day.place.line)
        return day

    return over


def test_a_train_counted_otherwise(watch):
    """It began with the earliest passage that was compared, and is raised when the last shows it."""
    day = watch(CountMismatch()).tell("12:02 counted 39/40")

    assert day.until("20:00") == ["12:00:00 12:02:00 planned"]
    [found] = day.found
    assert found.summary == (
        "H107 counted 39 axles of a train that H106 and H108 counted as 40"
    )
    assert [one.text for one in found.evidence] == [
        "H106 counted 40 axles",
        "H107 counted 39 axles",
        "H108 counted 40 axles",
    ]
    assert found.parameters == {
        "linger_s": 60.0,
        "agreed": 20,
        "counted_trains": 1,
        "axles": 39,
        "usual_axles": 40,
    }
    assert found.affected == ("head/H107", "section/T106", "section/T107")
    assert [(one.asset, one.weight) for one in found.suspects] == [("head/H107", 1.0)]


@pytest.mark.parametrize(("more", "over"), [("", []), ("\n13:30 agreed", ["13:30:00"])])
def test_twenty_in_agreement_end_it(watch, more, over):
    """Nineteen trains do not end it, and the twentieth does."""
    day = watch(CountMismatch()).tell(f"12:02 counted 39/40\n{AGREED}{more}")

    assert day.until("20:00")[1:] == [f"over {at}" for at in over]


def test_a_further_one_begins_the_twenty_anew(watch):
    """It is a change of the alert, which keeps its beginning and its first evidence."""
    day = watch(CountMismatch()).tell(
        f"12:02 counted 39/40\n{AGREED}\n14:00 counted 42/40\n14:30 agreed"
    )

    assert day.until("20:00") == ["12:00:00 12:02:00 planned"] * 2
    found = day.found[1]
    assert found.summary == (
        "H107 counted 42 axles of a train that H106 and H108 counted as 40; twice so far"
    )
    assert len(found.evidence) == 6
    assert found.evidence[0].time == found.began


def test_after_its_end_it_begins_anew(watch):
    """What was counted for one alert is not counted for the next."""
    day = watch(CountMismatch()).tell(
        f"12:02 counted 39/40\n{AGREED}\n13:30 agreed\n15:02 counted 39/40"
    )

    assert day.brief() == [
        "12:00:00 12:02:00 planned",
        "over 13:30:00",
        "15:00:00 15:02:00 planned",
    ]
    assert day.found[1].parameters["counted_trains"] == 1


def test_agreement_alone_says_nothing(watch):
    """A head that counts like the others is nothing to speak of."""
    assert watch(CountMismatch()).tell(AGREED).until("20:00") == []


# Axles left over.


def test_axles_left_over_for_a_minute(watch):
    """Raised a minute after the section between had cleared, and prompt, for a section stays occupied."""
    day = watch(CountMismatch()).tell("12:00:02 left T106:+1 T107:-1 cleared=12:00")

    assert day.until("12:00:59") == []
    assert day.until("20:00") == ["11:59:50 12:01:00 prompt"]
    [found] = day.found
    assert found.summary == (
        "axles left beside H107 after the train went on: "
        "1 over in T106 and 1 too few in T107"
    )
    assert [one.text for one in found.evidence] == [
        "tally of T106 +1",
        "tally of T107 -1",
        "T108 cleared; the train is beyond it",
    ]
    assert found.parameters["left"] == {"section/T106": 1, "section/T107": -1}


def test_in_a_section_all_its_heads_are_suspects(section):
    """Where no head is known, the section is the subject, and its heads are alike."""
    day = section().tell("12:00:02 left T107:+2 cleared=12:00")

    assert day.until("20:00") == ["11:59:50 12:01:00 prompt"]
    [found] = day.found
    assert found.summary == "axles left after the train went on: 2 over in T107"
    assert found.affected == ("section/T107",)
    assert [(one.asset, one.weight) for one in found.suspects] == [
        ("head/H107", 0.5),
        ("head/H108", 0.5),
    ]
    assert "the heads of T107" in found.checks[0]


def test_gone_before_it_is_due(watch):
    """A section that is given back, or that a train joins, within the minute is none that stays occupied."""
    day = watch(CountMismatch()).tell(
        "12:00:02 left T106:+1 T107:-1 cleared=12:00\n12:00:59 left gone"
    )

    assert day.until("20:00") == []


def test_gone_afterwards_ends_nothing(watch):
    """That the section was given back does not mend the head."""
    day = watch(CountMismatch()).tell(
        "12:00:02 left T106:+1 T107:-1 cleared=12:00\n12:20 left gone"
    )

    assert day.until("20:00") == ["11:59:50 12:01:00 prompt"]


def test_a_spell_not_known_times_it_anew(watch):
    """Told again after a spell in which the section was not known, it is timed from the end of that, and began where it began."""
    day = watch(CountMismatch()).tell(
        """
        12:00:02 left T106:+1 T107:-1 cleared=12:00
        12:00:30 left gone
        12:10 left T106:+1 T107:-1 cleared=12:00 since=12:10
        """
    )

    assert day.until("20:00") == ["11:59:50 12:11:00 prompt"]


def test_a_tally_of_another_time_is_not_of_that_train(watch):
    """A tally that changes more than a minute after the train went on belongs to what came later."""
    late = "left T106:+1 T107:-1 cleared=12:00"

    day = watch(CountMismatch()).tell(f"12:01 {late} told=12:01")
    assert day.until("20:00") == ["12:00:00 12:01:00 prompt"]
    day = watch(CountMismatch()).tell(f"12:01:01 {late} told=12:01:01")
    assert day.until("20:00") == []


def test_told_again_it_is_one(watch):
    """The same axles of the same train, told again, are no further miscount; those of the next train are."""
    day = watch(CountMismatch()).tell(
        """
        12:00:02 left T106:+1 T107:-1 cleared=12:00
        12:05 left T106:+1 T107:-1 cleared=12:00
        13:00:02 left T106:+1 T107:-1 cleared=13:00
        """
    )

    assert day.until("20:00") == ["11:59:50 12:01:00 prompt"] * 2
    assert [one.parameters["counted_trains"] for one in day.found] == [1, 2]


def test_passages_and_axles_left_over_are_one_alert(watch):
    """What the passages showed first becomes prompt when a section stays occupied, and says both."""
    day = watch(CountMismatch()).tell(
        "12:02 counted 39/40\n12:02:02 left T106:+1 T107:-1 cleared=12:02"
    )

    assert day.until("20:00") == [
        "12:00:00 12:02:00 planned",
        "12:00:00 12:02:00 prompt",
    ]
    assert day.found[1].summary.startswith("H107 counted 39 axles of a train that")
    assert "1 over in T106 and 1 too few in T107" in day.found[1].summary


def test_settings_are_what_is_asked_for(watch):
    """`linger_s` and `agreed` move the limits."""
    day = watch(CountMismatch(linger_s=90.0)).tell(
        "12:00:02 left T106:+1 T107:-1 cleared=12:00"
    )
    assert day.until("20:00") == ["11:59:50 12:01:30 prompt"]

    day = watch(CountMismatch(agreed=1)).tell("12:02 counted 39/40\n12:10 agreed")
    assert day.brief()[1:] == ["over 12:10:00"]


def test_twenty_end_it_while_more_waits(watch):
    """Axles left over that have not stayed for long enough are not forgotten with the alert before."""
    day = watch(CountMismatch(agreed=1)).tell(
        """
        12:02 counted 39/40
        12:10:02 left T106:+1 T107:-1 cleared=12:10
        12:10:30 agreed
        """
    )

    assert day.until("20:00")[1:] == ["over 12:10:30", "12:09:50 12:11:00 prompt"]


def test_it_explains_how_near_it_is(watch):
    """What was counted, how many have agreed, and how long axles left over must stay are said."""
    day = watch(CountMismatch())

    assert day.explain("11:00") == (
        "H107 counted no train otherwise than the other heads."
    )
    day.tell("12:00:02 left T106:+1 T107:-1 cleared=12:00")
    assert day.explain("12:00:20").endswith(
        "1 over in T106 and 1 too few in T107; raised in 40 s if it stays so."
    )
    day.tell("12:30 counted 39/40\n12:40 agreed")
    assert day.explain("12:40") == (
        "H107 counted otherwise twice since 11:59:50; "
        "1 of 20 trains that end it have agreed since."
    )
