from __future__ import annotations

import pytest

from monitor.core.detectors.spurious_occupation import SpuriousOccupation
from tests.core.detectors.conftest import moment

ENTRY = "12:00:02 entry occupied not explained entered=12:00"
END = "12:00:08 spurious began=12:00 ended=12:00:06"


def test_it_is_found_when_its_end_is_judged(watch):
    """It began with the entry, was known when the exit was judged, and was over with the clear."""
    day = watch(SpuriousOccupation()).tell(f"{ENTRY}\n{END}")

    assert day.until("20:00") == ["12:00:00 12:00:08 planned over 12:00:06"]


def test_it_says_how_long_and_shows_both_ends(watch):
    """Both changes are evidence, with how the neighbours stood and for how long the section was occupied."""
    [found] = watch(SpuriousOccupation()).tell(f"{ENTRY}\n{END}").found

    assert found.summary == (
        "T107 occupied for 6 s and clear again; "
        "no train was seen to enter it or to leave it"
    )
    assert [(one.time, one.text, one.event) for one in found.evidence] == [
        (
            moment("12:00"),
            "T107 occupied; T106 and T108 clear since 11:58:00",
            "gw/1#1",
        ),
        (
            moment("12:00:06"),
            "T107 clear by itself; every neighbour known clear",
            "gw/1#2",
        ),
    ]
    assert found.parameters == {"occupied_for_s": 6.0}
    assert [one.asset for one in found.suspects] == ["head/H107", "head/H108"]


def test_each_is_an_alert_of_its_own(watch):
    """One that comes later is another, with its own beginning."""
    day = watch(SpuriousOccupation()).tell(
        f"{ENTRY}\n{END}\n"
        "14:00:02 entry occupied not explained entered=14:00\n"
        "14:01:02 spurious began=14:00 ended=14:01"
    )

    assert day.brief() == [
        "12:00:00 12:00:08 planned over 12:00:06",
        "14:00:00 14:01:02 planned over 14:01:00",
    ]
    assert day.explain("15:00").endswith("twice, last until 14:01:00.")


@pytest.mark.parametrize(
    "table",
    [
        # A train: entry and exit explained.
        """
        12:00:02 entry occupied explained entered=12:00
        12:01:02 occupation began=12:00 ended=12:01
        """,
        # Nothing explains the entry, and a train took it away.
        f"{ENTRY}\n12:01:02 occupation began=12:00 ended=12:01",
        # It has not ended.
        ENTRY,
        # Nobody can tell.
        """
        12:00:02 entry occupied cannot tell entered=12:00
        12:01:02 occupation began=12:00 ended=12:01
        """,
    ],
)
def test_what_a_train_or_nobody_explains_is_none(watch, table):
    """Only what nothing explains at either end is raised."""
    assert watch(SpuriousOccupation()).tell(table).until("20:00") == []


@pytest.mark.parametrize(
    "table",
    [
        f"11:00 work begun\n{ENTRY}\n{END}",
        f"11:00 work begun\n{ENTRY}\n12:00:04 work ended\n{END}",
        # Begun and ended within: nobody can tell who came.
        f"{ENTRY}\n12:00:03 work begun\n12:00:05 work ended\n{END}",
    ],
)
def test_under_work_nothing_is_raised(watch, table):
    """Whatever of it falls under work, people may have been on the track."""
    assert watch(SpuriousOccupation()).tell(table).until("20:00") == []


def test_after_work_it_is_raised_again(watch):
    """Work that ended before says nothing about what comes later."""
    day = watch(SpuriousOccupation()).tell(
        f"10:00 work begun\n11:00 work ended\n{ENTRY}\n{END}"
    )

    assert len(day.found) == 1


def test_an_entry_of_another_occupation_is_no_evidence(watch):
    """Where the entry was not told, the occupation stands without its event."""
    [found] = (
        watch(SpuriousOccupation())
        .tell("11:00:02 entry occupied not explained entered=11:00\n" + END)
        .found
    )

    assert found.evidence[0].event == ""
    assert found.evidence[0].text == "T107 occupied"


def test_it_explains_what_it_has_seen(watch):
    """Nothing seen, and under work, are said."""
    day = watch(SpuriousOccupation())

    assert day.explain("12:00") == (
        "T107 was not occupied without a train and clear again."
    )
    day.tell("12:00 work begun")
    assert "under work" in day.explain("12:00")


CLEAR = "\n".join(f"05:00:00 T{number} clear" for number in range(1, 6))


def test_through_the_engine_it_names_both_events(run):
    """T3 is occupied for ten seconds with T2 and T4 clear; the exit is judged 2 s after it, and both changes are named."""
    day = run().tell(f"{CLEAR}\n06:00:00 T3 occupied\n06:00:10 T3 clear")
    day.until("06:30:00")

    assert day.brief("spurious-occupation") == [
        "spurious-occupation section/T3 planned 06:00:00 06:00:12 06:00:10"
    ]
    [alert] = [one for one in day.alerts if one.kind == "spurious-occupation"]
    assert [one.event for one in alert.evidence] == ["gw/1#6", "gw/1#7"]


@pytest.mark.parametrize(
    "table",
    [
        # A train is beside it, at its entry or at its exit.
        "06:00:00 T2 disturbed\n06:10:00 T3 occupied\n06:10:10 T3 clear",
        "06:00:00 T3 occupied\n06:00:09 T4 occupied\n06:00:10 T3 clear",
        # It was disturbed in between, or a reset cleared it.
        "06:00:00 T3 occupied\n06:00:05 T3 disturbed\n06:00:10 T3 clear",
        "06:00:00 T3 occupied\n06:00:05 T3 reset accepted\n06:00:10 T3 clear",
        # A train may have come in where there is no detection.
        "06:00:00 T1 occupied\n06:00:10 T1 clear",
    ],
)
def test_through_the_engine_what_is_none(run, table):
    """What a neighbour, an open end or a reset may explain is not raised."""
    day = run().tell(f"{CLEAR}\n{table}").until("06:30:00")

    assert day.brief("spurious-occupation") == []


@pytest.mark.parametrize(
    "work",
    [
        # Ended as the occupation began.
        "11:00 work begun\n12:00:00 work ended",
        # Begun when it was over, and before that was judged.
        "12:00:07 work begun",
    ],
)
def test_work_that_only_touches_it_says_nothing_about_it(watch, work):
    """Only work that some of the occupation fell under explains it."""
    before, after = (work, "") if "ended" in work else ("", work)
    day = watch(SpuriousOccupation())
    day.tell(f"{before}\n{ENTRY}\n{after}\n{END}")

    assert day.until("20:00") == ["12:00:00 12:00:08 planned over 12:00:06"]
