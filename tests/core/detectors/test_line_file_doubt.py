from __future__ import annotations

import pytest

from monitor.core.detectors.line_file_doubt import LineFileDoubt
from monitor.core.layout import read_line


@pytest.mark.parametrize(("share", "found"), [("14/20", 0), ("15/20", 1), ("15/15", 1)])
def test_fifteen_of_twenty(watch, share, found):
    """The fifteenth raises it and the fourteenth does not; that twenty have come is not asked for."""
    assert len(watch(LineFileDoubt()).tell(f"12:00 afar T109 {share}").found) == found


def test_it_begins_at_midnight(watch):
    """It began with the day on which it was concluded, and is a note."""
    day = watch(LineFileDoubt()).tell("2d 12:00 afar T109 15/20")

    assert day.brief() == ["00:00:00 12:00:00 note"]
    assert day.found[0].began == day.change("2d 00:00 clear").at


def test_it_says_which_sections_and_how_many(watch):
    """Both sections, both numbers, and the heads that may be joined otherwise are said."""
    [found] = watch(LineFileDoubt()).tell("12:00 afar T109 16/20").found

    assert found.summary == (
        "of the last 20 trains into T107, 16 came as T109 gave up a train, "
        "which the line file does not join to it"
    )
    assert found.affected == ("section/T107", "section/T109")
    assert found.parameters == {
        "least": 15,
        "counted_trains": 20,
        "counted_from_there": 16,
        "other": "section/T109",
    }
    assert "which head lies between T109 and T107" in found.checks[0]
    assert "H107 and H108" in found.checks[0]
    assert "T106 and T108" in found.checks[1]
    assert [one.asset for one in found.suspects] == ["head/H107", "head/H108"]


def test_it_is_over_when_the_file_agrees(watch):
    """It stays while fifteen are counted, each a change, and is over with the first that is not."""
    day = watch(LineFileDoubt()).tell(
        """
        12:00 afar T109 15/20
        13:00 afar T109 16/20
        14:00 afar T109 15/20
        15:00 afar T109 14/20
        16:00 afar T109 13/20
        """
    )

    assert day.brief() == [
        "00:00:00 12:00:00 note",
        "00:00:00 12:00:00 note",
        "00:00:00 12:00:00 note",
        "over 15:00:00",
    ]


def test_under_work_nothing_is_raised(watch):
    """Trains under work go as they are told to; the first after it that is still one of fifteen raises it."""
    day = watch(LineFileDoubt()).tell(
        "11:00 work begun\n12:00 afar T109 15/20\n13:00 work ended"
    )
    assert day.brief() == []

    assert day.tell("14:00 afar T109 15/20").brief() == ["00:00:00 14:00:00 note"]


def test_work_ends_nothing(watch):
    """An open alert stays open under work."""
    day = watch(LineFileDoubt()).tell(
        "11:00 afar T109 15/20\n12:00 work begun\n13:00 afar T109 16/20"
    )

    assert day.brief() == ["00:00:00 11:00:00 note"] * 2


def test_its_setting_is_what_is_counted(watch):
    """`least` is what is asked for."""
    assert len(watch(LineFileDoubt(least=3)).tell("12:00 afar T109 3/9").found) == 1
    assert watch(LineFileDoubt(least=4)).tell("12:00 afar T109 3/9").found == []


def test_it_explains_how_near_it_is(watch):
    """The numbers, the limit, and what keeps it quiet are said."""
    day = watch(LineFileDoubt())

    assert day.explain("11:00") == "Trains come into T107 as the line file says."
    day.tell("12:00 afar T109 7/20")
    assert day.explain("12:00") == (
        "Of the last 20 trains into T107, 7 came as T109 gave up a train (raised at 15)."
    )
    day.tell("12:10 work begun")
    assert day.explain("12:10").endswith(
        "It is under work; nothing is raised about it."
    )
    day.tell("13:00 work ended\n13:10 afar T109 15/20")
    assert day.explain("13:10").endswith("That has been raised.")


WRONG = """
[line]
name = "Wrongly joined"   # trains go from B to D; the file joins B to C and C to D not at all
timezone = "UTC"
[[evaluator]]
id = "EV1"
site = "Room 1"
"""

JOINED = [("open", "A"), ("A", "B"), ("B", "C"), ("X", "D"), ("D", "E"), ("E", "open")]


@pytest.fixture
def wrong():
    """A line on which the file does not join B to D, where trains go from one to the other."""
    text = WRONG + "".join(
        f'[[section]]\nid = "{one}"\narea = "a"\nevaluator = "EV1"\n'
        "length_m = 800\nspeed_km_h = 100\n"
        for one in "ABCDEX"
    )
    for number, (one, other) in enumerate(JOINED):
        text += f'[[head]]\nid = "H{number}"\nbetween = ["{one}", "{other}"]\n'
    return read_line(text)


@pytest.mark.parametrize(("trains", "found"), [(14, 0), (15, 1)])
def test_through_the_engine_trains_that_go_otherwise(run, wrong, trains, found):
    """Each hour a train goes from A by B and D to E; at the fifteenth the join of B and D is doubted."""
    day = run(wrong)
    day.tell("\n".join(f"00:00:00 {one} clear" for one in "ABCDEX"))
    for hour in range(1, trains + 1):
        day.tell(
            f"""
            {hour:02}:00:00 A occupied
            {hour:02}:01:00 B occupied
            {hour:02}:01:20 A clear
            {hour:02}:02:00 D occupied
            {hour:02}:02:20 B clear
            {hour:02}:03:00 E occupied
            {hour:02}:03:20 D clear
            {hour:02}:04:20 E clear
            """
        )
    day.until("20:00:00")

    said = day.brief("line-file-doubt")
    assert [line.split()[:4] for line in said] == [
        ["line-file-doubt", "section/D", "note", "00:00:00"]
    ] * found
    if found:
        [alert] = [one for one in day.alerts if one.kind == "line-file-doubt"]
        assert alert.parameters["other"] == "section/B"
        assert alert.evidence[0].time == day.story.moment("15:03:20")
