"""Seasons: told over years, and not of too little of one."""

from __future__ import annotations

import json

import numpy as np
import pytest

from monitor.core.moments import DAY, HOUR, parse
from monitor.planner.as_html import body
from monitor.planner.as_json import as_json
from monitor.planner.seasons import TOO_LITTLE, more_in_seasons, seasons_of
from tests.planner.facts import disturbed, heard, of, train

BEGIN = parse("2023-03-01T00:00:00Z")
END = parse("2026-03-01T00:00:00Z")
MONTHS = [f"{year}-{month:02}" for year in (2024, 2025) for month in range(1, 13)]


def winters(*days):
    """Moments in each of three winters, so many days after the first of December."""
    return [
        parse(f"{year}-12-01T07:00:00Z") + day * DAY
        for year in (2023, 2024, 2025)
        for day in days
    ]


@pytest.fixture(name="told", scope="module")
def _told():
    """Three years with a train a day through T2, disturbed five times each winter and once each June."""
    days = range((END - BEGIN) // DAY)
    june = [parse(f"{year}-06-10T07:00:00Z") for year in (2023, 2024, 2025)]
    return of(
        [
            *heard(since=BEGIN - DAY),
            *(train(2, BEGIN + day * DAY + 12 * HOUR) for day in days),
            *(disturbed(2, at) for at in winters(3, 20, 40, 60, 80)),
            *(disturbed(2, at) for at in june),
        ],
        begin=BEGIN,
        end=END,
    )


def test_the_seasons_of_years_are_told(told):
    """By hand: 15 of 18 in 271 of 1,096 days, in each of three winters; in summer one a year."""
    found = told.ranks["section/T2"].seasons

    # 18 * 271 / 1096 are 4.5
    assert found == "Dec to Feb: 15 of 18, by its trains 4.5, more in 3 of 3 years"
    winter, _, summer, _ = told.seasons
    assert [(one.year, one.occasions) for one in winter.years] == [
        (2024, 5), (2025, 5), (2026, 5),
    ]  # fmt: skip
    assert [(one.year, one.occasions) for one in summer.years] == [
        (2023, 1), (2024, 1), (2025, 1),
    ]  # fmt: skip
    page = body(told)
    assert "Occasions per 1,000 trains, by season" in page
    assert TOO_LITTLE not in page.partition("How the numbers are made")[0]


def test_of_less_than_a_year_nothing_is_told_of_seasons():
    """From December to July: of two seasons half was seen or more, of autumn nothing."""
    found = of(
        [
            *heard(since=BEGIN - DAY),
            *(train(2, at) for at in winters(*range(90))),
            *(disturbed(2, at) for at in winters(3, 20, 40, 60, 80)),
        ],
        begin=parse("2025-12-01T00:00:00Z"),
        end=parse("2026-07-01T00:00:00Z"),
    )

    assert found.seasons == ()
    assert found.ranks["section/T2"].seasons is None
    assert f"Seasons: {TOO_LITTLE}." in body(found)
    told = json.loads(as_json(found))
    assert told["seasons"] == TOO_LITTLE
    assert told["sections"][1]["seasons"] is None


def test_half_of_each_season_must_be_observed():
    """45 days of each are enough, in however many years; 44 of one are not."""
    nothing = [0] * 12

    def of_days(december):
        days = [0.0, 0.0, *[30.0] * 9, december]
        return seasons_of(MONTHS[:12], nothing, nothing, nothing, days)

    assert len(of_days(45.0)) == 4
    assert of_days(44.9) == ()


def test_one_bad_winter_is_no_season():
    """Twelve in one winter of two and none in the other: chance says otherwise, and no season is named; in one year it is told that it is one."""
    counts, trains = np.zeros((1, 24), np.int64), np.full((1, 24), 30)
    counts[0, [0, 1]] = 6
    counts[0, [5, 17]] = 1

    assert more_in_seasons(MONTHS, counts, trains) == [""]
    counts[0, [12, 13]] = 4
    told = "Dec to Feb: 20 of 22, by its trains 5.5, more in 2 of 3 years"
    assert more_in_seasons(MONTHS, counts, trains) == [told]
    year = slice(0, 12)
    assert more_in_seasons(MONTHS[year], counts[:, year], trains[:, year]) == [""]


def test_of_one_year_it_is_told_that_it_is_one():
    """From March to February each season is seen once: 12 of 13 in 90 of 360 trains, 3.2 by these."""
    counts, trains = np.zeros((1, 12), np.int64), np.full((1, 12), 30)
    counts[0, [9, 10, 11]] = 4
    counts[0, 3] = 1

    found = more_in_seasons(MONTHS[2:14], counts, trains)

    assert found == ["Dec to Feb: 12 of 13, by its trains 3.2, seen in one year only"]


def test_where_a_season_had_no_trains_none_is_named():
    """What is closed from June on is not seasonal."""
    counts, trains = np.zeros((1, 12), np.int64), np.full((1, 12), 30)
    counts[0, [0, 1]] = 6
    trains[0, 5:] = 0

    assert more_in_seasons(MONTHS[:12], counts, trains) == [""]
