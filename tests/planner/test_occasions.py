"""What comes together counts once, wherever a number is held against chance."""

from __future__ import annotations

import json

from monitor.core.moments import DAY, HOUR, MINUTE, SECOND
from monitor.planner import words
from monitor.planner.as_json import as_json
from monitor.planner.occasions import of_section, of_several
from tests.planner.facts import JUNE, at, disturbed, heard, of, row, trains


def test_what_fails_every_hour_for_a_month_is_thirty_occasions_and_not_one():
    """An occasion lasts a day from its beginning, however many come in it."""
    assert len(of_section(n * HOUR for n in range(30 * 24))) == 30
    assert of_section([]) == ()


def test_what_comes_at_the_same_hour_every_day_is_an_occasion_each():
    """A day after the first, to the microsecond, another begins."""
    assert of_section([0, DAY - 1]) == (0,)
    assert of_section([0, DAY]) == (0, DAY)


def test_of_several_sections_what_begins_within_a_minute_is_one():
    """A minute is within, a second more is not; one section alone has its own."""
    assert of_several([[0], [MINUTE], []]) == (0,)
    assert of_several([[0], [MINUTE + SECOND]]) == (0, MINUTE + SECOND)
    assert of_several([]) == ()


def test_a_bad_afternoon_does_not_make_a_section_look_worse_than_its_neighbour():
    """T2 eight times in one afternoon, T3 on two days: T3 is to be expected more often, and eight are told all the same."""
    afternoon = [disturbed(2, at(9, 12 + n / 2)) for n in range(8)]
    found = of(
        [
            *heard(),
            *(x for n in (1, 2, 3, 4) for x in trains(n)),
            *afternoon,
            *(disturbed(3, at(day, 7)) for day in (5, 25)),
        ]
    )

    two, three = row(found, "section/T2"), row(found, "section/T3")
    assert (two.disturbances, two.occasions) == (8, 1)
    assert (three.disturbances, three.occasions) == (2, 2)
    rates = {
        name: found.ranks[f"section/{name}"].expected.rate for name in ("T2", "T3")
    }
    assert rates["T2"] < rates["T3"]
    assert words.disturbed(two) == "8 on 1 occasion (0.025 to 5.6)"
    assert found.ranks["section/T2"].more > words.NAMED
    # Counted singly it would be: 8 of 10 where a quarter is its share, P = 0.0004 (binomial).


def test_an_asset_is_not_worse_than_the_section_whose_afternoon_it_had():
    """Of TU1's four sections only T2 was disturbed, in one afternoon: one occasion, at the unit as at the section."""
    found = of([*heard(), *trains(2), *(disturbed(2, at(9, 12 + n)) for n in range(5))])

    assert [
        row(found, name).occasions for name in ("unit/TU1", "cable/C1", "head/H1")
    ] == [1, 1, 1]
    assert found.whole.occasions == 1


def test_months_of_which_nothing_is_known_are_null_in_json():
    """May and June asked for at the end of May: of June there are no noughts."""
    found = of([*heard(), *trains(2)], end=JUNE + 30 * DAY, reached=JUNE)
    may, june = json.loads(as_json(found))["months"]

    assert (may["disturbances"], may["occasions"], may["trains"]) == (0, 0, 93)
    assert june == {
        "name": "2026-06",
        "disturbances": None,
        "occasions": None,
        "trains": None,
        "share": 0,
    }
