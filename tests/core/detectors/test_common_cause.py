from __future__ import annotations

import pytest

from monitor.core.changes import CauseMember, CauseOver, CauseSeen
from monitor.core.detector import Place
from monitor.core.detectors.common_cause import CommonCause
from monitor.core.moments import SECOND


@pytest.fixture
def seen(at):
    """*count* sections, T1 and on, that failed a second apart from noon on and share a supply."""

    def made(count, **more):
        noon = at("12:00")
        members = tuple(
            CauseMember(
                subject=f"section/T{number}",
                began=noon + (number - 1) * SECOND,
                event=f"gw/1#{number}",
            )
            for number in range(1, count + 1)
        )
        given = {
            "place": "supply/PS1",
            "at": noon + 20 * SECOND,
            "began": noon,
            "raised": noon + 20 * SECOND,
            "members": members,
            "dependants": 9,
            "lead": SECOND,
            "too_close": True,
            "chance_per_year": None,
        }
        return CauseSeen(**{**given, **more})

    return made


@pytest.mark.parametrize(
    ("count", "named"),
    [
        (3, "T1, T2 and T3;"),
        (6, "T1, T2, T3, T4, T5 and T6;"),
        (7, "T1, T2, T3, T4, T5 and 2 more;"),
    ],
)
def test_six_are_named(watch, seen, count, named):
    """Up to six members are named in the sentence; of more, five, and how many more there are."""
    day = watch(CommonCause())
    day.hear(seen(count))

    [found] = day.found
    assert f"{count} of 9 sections on supply PS1 failed within" in found.summary
    assert named in found.summary
    assert len(found.evidence) == count


@pytest.mark.parametrize(
    ("asset", "where"),
    [
        ("site/Thornmere room", "in Thornmere room"),
        ("area/thornmere", "in area thornmere"),
        ("cable/C2", "on cable C2"),
    ],
)
def test_it_says_what_they_share(watch, seen, asset, where):
    """Failures are on a cable or a supply, and in a room or an area."""
    day = watch(CommonCause())
    day.place = Place(id=asset, line=day.place.line)
    day.hear(seen(3, place=asset))

    assert f"3 of 9 sections {where} failed" in day.found[0].summary


def test_when_it_began_and_when_it_was_known(watch, seen, at):
    """It began with its first member, is raised when that is known, and is over when told so; an end with nothing open says nothing."""
    day = watch(CommonCause())
    over = CauseOver(place="supply/PS1", at=at("12:30"))
    day.hear(seen(3))
    assert day.explain("12:10") == "3 failures share supply/PS1 since 12:00:00."
    day.hear(over)
    day.hear(over)

    assert day.brief() == ["12:00:00 12:00:20 prompt", "over 12:30:00"]
    assert day.explain("12:40") == "No failures share supply/PS1."


@pytest.mark.parametrize(
    ("asset", "window"), [("area/thornmere", 600), ("cable/C2", 60)]
)
def test_its_window_is_the_one_that_applied(watch, seen, asset, window):
    """A storm over an area has ten minutes, whatever else a minute; how far apart they failed is said beside it."""
    day = watch(CommonCause())
    day.place = Place(id=asset, line=day.place.line)
    day.hear(seen(3, place=asset))

    parameters = day.found[0].parameters
    assert parameters["window_s"] == window
    assert parameters["spread_s"] == 2.0


def test_its_numbers(watch, seen):
    """Limits are those that the meaning of the kind names, and what was counted stands beside them."""
    day = watch(CommonCause())
    day.hear(seen(3, too_close=False, lead=3 * SECOND, chance_per_year=0.01))

    [found] = day.found
    assert found.parameters == {
        "members": 3,
        "window_s": 60.0,
        "storm_s": 600.0,
        "rest_s": 10.0,
        "longest_s": 15.0,
        "failed": 3,
        "spread_s": 2.0,
        "dependants": 9,
        "first": "section/T1",
        "first_by_s": 3.0,
        "chance_per_year": 0.01,
    }
    assert found.summary.endswith(
        "T1 was first, by 3 s; if sections failed singly, "
        "so many would fail together by chance about once in 100 years"
    )
