"""The period report worked out, on small pasts written by hand."""

from __future__ import annotations

import random
from math import exp, sqrt

import pytest

from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND
from monitor.core.statistics.comparing import Counted, compare
from monitor.core.statistics.fleets import fleet_trend
from monitor.planner import words
from monitor.planner.as_json import plain
from monitor.planner.occasions import of_several
from monitor.planner.period import occasions_of_fleet
from monitor.planner.seen import Section
from tests.planner.facts import (
    JUNE,
    MAY,
    at,
    disturbed,
    fact,
    heard,
    line,
    of,
    passages,
    row,
    train,
    trains,
)


def test_disturbances_stand_at_whatever_the_section_needs():
    """At its section, both its heads, its units and cable, its evaluator and its site; once at each."""
    found = of([*heard(), *trains(2), disturbed(2, at(3, 7)), disturbed(2, at(9, 7))])

    for subject in (
        "section/T2",
        "head/H1",
        "head/H2",
        "unit/TU1",
        "cable/C1",
        "evaluator/EV1",
        "site/Thornmere room",
    ):
        assert row(found, subject).disturbances == 2, subject
    for subject in ("section/T1", "head/H3", "evaluator/EV2", "site/Ostrel room"):
        assert row(found, subject).disturbances == 0, subject
    assert found.whole.disturbances == 2
    assert row(found, "evaluator/EV1").ref == "R-1"
    assert row(found, "head/H2").place == "Thornmere room, km 2"


def test_those_within_a_minute_are_one_occasion_of_what_they_share():
    """Three sections of one cable within a minute: three disturbances, one occasion."""
    found = of(
        [
            *heard(),
            disturbed(1, at(3, 7)),
            disturbed(2, at(3, 7) + 20 * SECOND),
            disturbed(3, at(3, 7) + 60 * SECOND),
            disturbed(3, at(9)),
        ]
    )

    cable = row(found, "cable/C1")
    assert (cable.disturbances, cable.occasions) == (4, 2)


@pytest.mark.parametrize(
    ("moment", "apart"),
    [
        (at(5, 8) - 1, None),
        (at(5, 8), "under_work"),
        (at(5, 12) - 1, "under_work"),
        (at(5, 12), "after_work"),
        (at(5, 13) - 1, "after_work"),
        (at(5, 13), None),
    ],
)
def test_under_work_and_within_an_hour_after_it_are_counted_apart(moment, apart):
    """Work from 8 to 12: up to 13 nothing counts, and everything is told."""
    found = of(
        [*heard(), fact("work", 2, at(5, 8), at(5, 12), why="W1"), disturbed(2, moment)]
    )

    one = row(found, "section/T2")
    assert one.disturbances == (apart is None)
    assert one.apart.total == (apart is not None)
    assert apart is None or getattr(one.apart, apart) == 1


@pytest.mark.parametrize(
    ("moment", "counts"),
    [
        (at(5, 8) - 2 * MINUTE, 1),
        (at(5, 8) - 30 * SECOND, 0),
        (at(5, 8) + 9 * MINUTE, 0),
        (at(5, 8) + 10 * MINUTE, 1),
    ],
)
def test_at_the_start_of_an_evaluator_too(moment, counts):
    """It came into service at 8: its sections come up disturbed, up to a minute earlier by their own clocks."""
    service = [
        Fact(kind="service", subject="evaluator/EV1", began=began, values={"state": s})
        for began, s in ((at(1), "in_service"), (at(5, 7), "locked_out"))
    ]
    back = Fact(
        kind="service",
        subject="evaluator/EV1",
        began=at(5, 8),
        values={"state": "in_service"},
    )
    found = of([*heard(), *service, back, disturbed(2, moment), disturbed(3, moment)])

    assert row(found, "section/T2").disturbances == counts
    assert row(found, "section/T2").apart.at_start == 1 - counts
    assert row(found, "section/T3").disturbances == 1  # on the other evaluator


@pytest.mark.parametrize(
    ("moment", "why"),
    [
        (at(5, 11), "under_work"),
        (at(5, 12.5), "after_work"),
        (at(5, 12.5) + DAY, None),
    ],
)
def test_what_belongs_to_what_is_counted_apart_is_apart_too(moment, why):
    """Work from 8 to 12; disturbed, and again while it was not given back, for which it took five hours and a reset, and a train stood before it: all of it counts, or none."""
    until = moment + 5 * HOUR
    found = of(
        [
            *heard(),
            *trains(2),
            fact("work", 2, at(5, 8), at(5, 12), why="W1"),
            disturbed(2, moment),
            fact("failed", 2, moment, until),
            disturbed(2, moment + 4 * HOUR),
            fact("reset", 2, until - SECOND, step="accepted", kind="conditional"),
            fact("no-train", 2, moment, moment + HOUR),
            fact("held", 2, moment + 2 * HOUR, moment + 3 * HOUR),
        ]
    )

    one = row(found, "section/T2")
    [resets] = one.resets
    told = (one.disturbances, resets.accepted, one.held, one.given_back.number)
    beside = (one.apart.total, resets.apart, one.apart.held)
    work = HOUR if why == "under_work" else 0
    if why is None:
        assert (told, beside) == ((2, 1, 1, 1), (0, 0, 0))
        assert (one.failed, one.apart.failed) == (5 * HOUR, 0)
        assert one.no_train == HOUR
    else:
        assert (told, beside) == ((0, 0, 0, 0), (2, 1, 1))
        assert (one.failed, one.apart.failed) == (0, 5 * HOUR - work)
        assert (one.failed_busy, one.no_train) == (0, 0)
        assert getattr(one.apart, why) == 2
        assert words.given_back(one) == "counted apart"


def test_what_is_counted_apart_and_not_given_back_stands_still_all_the_same():
    """Nobody can run over it, whoever broke it; nor is an hour of it one that was in use."""
    found = of(
        [
            *heard(),
            fact("work", 2, at(20, 8), at(20, 12), why="W1"),
            fact("failed", 2, at(20, 11), None, under_work=True),
        ]
    )

    one = row(found, "section/T2")
    assert one.still
    assert one.apart.failed == at(32) - at(20, 12)
    assert not row(found, "section/T3").still


def test_work_before_the_period_makes_what_it_left_behind_apart():
    """Disturbed half an hour after work in April, and given back in May."""
    began = MAY - 2 * DAY
    found = of(
        [
            *heard(),
            fact("work", 2, began - HOUR, began - HOUR // 2, why="W1"),
            fact("failed", 2, began, at(2)),
        ]
    )

    one = row(found, "section/T2")
    assert (one.failed, one.apart.failed) == (0, DAY)


def test_an_outage_that_counts_is_not_made_apart_by_the_work_that_mended_it():
    """Failed at 8, work from 9 to 10, reset and given back at half past ten."""
    found = of(
        [
            *heard(),
            disturbed(2, at(5, 8)),
            fact("failed", 2, at(5, 8), at(5, 10.5)),
            fact("work", 2, at(5, 9), at(5, 10), why="W1"),
            fact("reset", 2, at(5, 10.5), step="accepted", kind="conditional"),
        ]
    )

    one = row(found, "section/T2")
    assert (one.disturbances, one.failed) == (1, 1.5 * HOUR)
    assert [(x.accepted, x.apart) for x in one.resets] == [(1, 0)]


def test_that_an_evaluator_is_heard_first_is_no_start():
    """It was in service before anybody listened."""
    first = Fact(
        kind="service",
        subject="evaluator/EV1",
        began=at(5, 8),
        values={"state": "in_service"},
    )
    found = of([*heard(), first, disturbed(2, at(5, 8))])

    assert row(found, "section/T2").disturbances == 1


def test_what_was_never_heard_has_no_noughts():
    """T4 was never heard: nothing is said of it, and its trains are not nought but unknown."""
    found = of([*heard(1, 2, 3), *trains(1)])

    dead, live = row(found, "section/T4"), row(found, "section/T1")
    assert (dead.heard, dead.share) == (False, 0)
    assert words.counted(dead.disturbances, heard=dead.heard) == "not heard"
    assert words.counted(live.disturbances, heard=live.heard) == "0 (at most 3.7)"
    assert any(one.startswith("Not heard in this period: T4") for one in found.notes)


def test_a_dead_feed_is_no_improvement():
    """Ten disturbances in April, none in May because nobody heard: not comparable; heard and none is."""
    april = [disturbed(2, MAY - n * DAY) for n in range(1, 11)]
    before = [train(2, MAY - n * DAY + HOUR) for n in range(1, 31)]
    silent = fact("not-known", 2, MAY - HOUR, JUNE + HOUR, why="silent")

    dead = of([*heard(), *april, *before, silent])
    live = of([*heard(), *april, *before, *trains(2, hours=(6,))])

    assert dead.ranks["section/T2"].against is None
    better = live.ranks["section/T2"].against
    assert better is not None
    assert better.value == 0
    assert better.chance < 0.01


def test_the_share_observed_and_the_longest_spell_that_was_not():
    """Two spells of six hours and of a day in 31 days."""
    found = of(
        [
            *heard(),
            fact("not-known", 2, at(3), at(3, 6), why="gap"),
            fact("not-known", 2, at(9, 12), at(10, 12), why="silent"),
        ]
    )

    one = row(found, "section/T2")
    assert one.share == pytest.approx(1 - 1.25 / 31)
    assert one.dark_longest == DAY
    assert not one.at_least


def test_trains_are_at_least_where_less_than_95_per_cent_was_observed():
    """29.4 of 31 days are less, 29.5 are not."""
    less = of([*heard(), fact("not-known", 2, at(1), at(1, 38.4), why="gap")])
    more = of([*heard(), fact("not-known", 2, at(1), at(1, 36), why="gap")])

    assert row(less, "section/T2").at_least
    assert not row(more, "section/T2").at_least


def test_a_section_that_appeared_in_mid_period_is_watched_since():
    """Heard first on the 16th: observed for 16 of 31 days, and said so."""
    found = of([*heard(1, 2, 3), *heard(4, since=at(16)), *trains(4, first=16)])

    one = row(found, "section/T4")
    assert one.new
    assert one.share == pytest.approx(16 / 31)
    assert one.trains == 48
    assert any("first time in this period: T4" in note for note in found.notes)


def test_the_period_that_is_not_over_is_known_up_to_where_it_is():
    """Asked for May on the 11th: a third is observed, and nothing is told of the rest."""
    found = of([*heard(), *trains(2, last=10)], reached=at(11))

    assert row(found, "section/T2").share == pytest.approx(10 / 31)
    assert row(found, "section/T2").trains == 30
    assert found.reached == at(11)
    assert "known up to 2026-05-11" in found.notes[0]


def test_not_available_in_hours_with_trains():
    """Trains at 6, 12 and 18 every day: of an outage from 11:30 to 14:00 half an hour and half an hour count, 12 to 13."""
    found = of([*heard(), *trains(2), fact("failed", 2, at(7, 11.5), at(7, 14))])

    one = row(found, "section/T2")
    assert one.failed == 2.5 * HOUR
    assert one.failed_busy == HOUR


def test_an_hour_is_one_with_trains_on_half_of_the_days():
    """At 12 on 15 of 31 days it is none, on 16 it is one; a day that did not see that hour counts for neither."""
    outage = fact("failed", 2, at(7, 12), at(7, 13))

    def busy(days, *more):
        found = of([*heard(), *trains(2, last=days, hours=(12,)), outage, *more])
        return row(found, "section/T2").failed_busy

    assert busy(15) == 0
    assert busy(16) == HOUR
    assert busy(15, fact("not-known", 2, at(20), at(22), why="gap")) == HOUR


def test_the_hours_are_those_of_the_line():
    """Trains at 22:30 UTC are trains of 0 h in Berlin, in summer."""
    found = of([*heard(), *trains(2, hours=(22,))], graph=line("Europe/Berlin"))

    assert [one.name for one in found.hours if one.trains] == ["00"]
    assert [one.name for one in found.months] == ["2026-05", "2026-06"]


def test_what_was_not_observed_or_under_work_is_not_counted_as_not_available():
    """Of five hours one was under work and one not observed."""
    found = of(
        [
            *heard(),
            fact("failed", 2, at(7, 10), at(7, 15)),
            fact("not-known", 2, at(7, 11), at(7, 12), why="gap"),
            fact("work", 2, at(7, 14), at(7, 16), why="W1"),
        ]
    )

    assert row(found, "section/T2").failed == 3 * HOUR


def test_until_given_back():
    """10, 20 and 30 min, and one that goes on: half within 20 min; what was cut off by work took at least so long."""
    spells = [
        fact("failed", 2, at(n), at(n) + n * 10 * MINUTE, ended_seen=True)
        for n in (1, 2, 3)
    ]
    found = of([*heard(), *spells, fact("failed", 2, at(31, 23))])
    cut = of(
        [
            *heard(),
            fact("failed", 2, at(7, 10), at(7, 15)),
            fact("work", 2, at(7, 14), at(7, 16), why="W1"),
        ]
    )

    back = row(found, "section/T2").given_back
    assert (back.number, back.going_on, back.median_s) == (4, 1, 20 * 60)
    back = row(cut, "section/T2").given_back
    assert (back.number, back.going_on, back.median_s) == (1, 1, None)


def test_of_two_times_the_shorter_is_not_told_as_how_long_it_takes():
    """10 and 20 min: half within 10, and the other took longer; one alone is told as it is."""
    spells = [
        fact("failed", 2, at(n), at(n) + n * 10 * MINUTE, ended_seen=True)
        for n in (1, 2)
    ]
    two = row(of([*heard(), *spells]), "section/T2")
    one = row(of([*heard(), spells[0]]), "section/T2")

    assert words.given_back(two) == "10 min and longer"
    assert words.given_back(one) == "10 min"


def test_what_was_reset_or_held_a_train_is_not_said_to_have_never_failed():
    """Occupied with no train seen until it was reset: no disturbance, and no section that simply went on."""
    reset = fact("reset", 2, at(7, 15), step="accepted", kind="unconditional")
    found = of([*heard(), fact("no-train", 2, at(7, 10), at(7, 15)), reset])

    assert words.given_back(row(found, "section/T2")) == "no failure counted"
    assert words.given_back(row(found, "section/T1")) == "never failed"


def test_what_began_under_work_or_unseen_tells_nothing_of_how_long_it_takes():
    """Nobody knows when it began, or nobody meant to give it back."""
    found = of(
        [
            *heard(),
            fact("failed", 2, at(7, 10), at(7, 15), began_seen=False),
            fact("failed", 2, at(8, 10), at(8, 15), under_work=True),
        ]
    )

    assert row(found, "section/T2").given_back.number == 0


def test_resets_by_kind_and_whether_a_train_followed():
    """Three accepted, one followed, one under work; one refused is none."""
    found = of(
        [
            *heard(),
            fact("reset", 2, at(3), step="accepted", kind="conditional"),
            fact("reset", 2, at(4), step="refused", kind="conditional"),
            fact(
                "reset",
                2,
                at(5),
                step="accepted",
                kind="preparatory",
                proved_at="2026-05-05T01:00:00.000Z",
            ),
            fact(
                "reset", 2, at(6), step="accepted", kind="preparatory", under_work=True
            ),
        ]
    )

    told = {
        one.kind: (one.accepted, one.followed, one.apart)
        for one in row(found, "section/T2").resets
    }
    assert told == {"conditional": (1, 0, 0), "preparatory": (1, 1, 1)}


def test_per_thousand_trains_and_per_hundred_thousand_axles():
    """3 in 93 trains of 40 axles: 32.26 and 80.65; axles that were not told for some are taken to be as many."""
    told = [*heard(), *(disturbed(2, at(n, 7)) for n in (3, 9, 20))]
    one = row(of([*told, *trains(2, axles=40)]), "section/T2")
    half = [*trains(2, hours=(6, 12), axles=40), *trains(2, hours=(18,))]
    other = row(of([*told, *half]), "section/T2")

    assert one.per_trains().count / one.per_trains().exposure == pytest.approx(
        3 / 0.093
    )
    for each in (one, other):
        assert 3 / each.per_axles().exposure == pytest.approx(3 / 0.0372)
    assert other.counted == 62


def test_held_trains_and_occupied_with_no_train():
    """Told in the period in which they ended, and as long as it was."""
    found = of(
        [
            *heard(),
            fact("held", 2, at(3, 1), at(3, 2), before="T1"),
            fact("held", 2, MAY - HOUR, MAY - 1, before="T1"),
            fact("no-train", 2, at(3, 1), at(3, 2)),
            fact("no-train", 2, at(3, 1.5), at(3, 2.5), spurious=True),
        ]
    )

    one = row(found, "section/T2")
    assert (one.held, one.no_train) == (1, 1.5 * HOUR)


def test_one_event_on_a_quiet_section_does_not_top_the_list():
    """T1 had one in five trains, T2 eight in 93, T3 none in 93: T2 is expected to be worst."""
    found = of(
        [
            *heard(),
            *trains(1, last=5, hours=(6,)),
            *(x for n in (2, 3, 4) for x in trains(n)),
            disturbed(1, at(3, 7)),
            *(disturbed(2, at(n, 7)) for n in range(3, 19, 2)),
        ]
    )

    to_come = {
        name: found.ranks[f"section/{name}"].quarter for name in ("T1", "T2", "T3")
    }
    raw = {name: row(found, f"section/{name}").per_trains() for name in ("T1", "T2")}
    assert raw["T1"].count / raw["T1"].exposure > raw["T2"].count / raw["T2"].exposure
    assert to_come["T2"] > to_come["T1"] > to_come["T3"] > 0
    assert words.more(found.ranks["section/T2"]) == "yes"
    assert found.most == ("T2",)


def test_worsening_is_seen_where_it_is():
    """Ten in the last ten days of 62 are a trend; ten spread over them are none."""
    late = [disturbed(2, at(n, 7)) for n in range(22, 32)]
    even = [disturbed(2, MAY - 31 * DAY + n * 6 * DAY) for n in range(1, 11)]
    rising = of([*heard(), *trains(2), *late], begin=MAY - 31 * DAY)
    steady = of([*heard(), *trains(2), *even], begin=MAY - 31 * DAY)

    assert words.trend(rising.ranks["section/T2"]) == "more and more often"
    assert words.trend(steady.ranks["section/T2"]) == "none seen"
    assert words.trend(rising.ranks["section/T1"]) == "too few"
    assert rising.fleet is not None
    assert rising.fleet.chance < 0.01


def test_a_trend_of_what_several_sections_need_is_pooled_over_them():
    """T1 and T2 twice and thrice in the second half of May, none before since March: too few for either, a trend for the head between them, their evaluator, its site and the line; by hand, Laplace's statistic of each against its own 62 days."""
    late = [*(disturbed(1, at(n, 7)) for n in (20, 29))]
    late += [disturbed(2, at(n, 7)) for n in (24, 27, 31)]
    found = of([*heard(), *late], begin=MAY - 31 * DAY)

    def told(subject):
        return words.trend(found.ranks[subject])

    trend = found.ranks["head/H1"].trend
    days = [50.29, 59.29, 54.29, 57.29, 61.29]
    by_hand = sum(one - 31 for one in days) / (62 * sqrt(5 / 12))
    assert trend is not None
    assert trend.statistic == pytest.approx(by_hand, abs=0.01)
    assert (
        told("section/T1") == told("section/T2") == told("evaluator/EV2") == "too few"
    )
    for one in ("head/H1", "evaluator/EV1", "site/Thornmere room", "cable/C1"):
        assert told(one) == "more and more often"
    assert plain(found)["whole"]["trend"] == "more and more often"
    assert plain(found)["before"]["trend"] == "too few"


def test_cuts_of_one_cable_make_no_trend_of_it():
    """Cut once late in May, its sections are disturbed four times within a minute: one occasion is too few for a trend."""
    cut = [disturbed(n, at(29, 7) + n * SECOND) for n in (1, 2, 3, 4)]
    found = of([*heard(), *cut], begin=MAY - 31 * DAY)

    assert words.trend(found.ranks["cable/C1"]) == "too few"
    assert found.fleet is None


def test_hours_with_more_than_trains_explain():
    """Six of seven at night, when one train in four runs."""
    found = of(
        [
            *heard(),
            *trains(2, hours=(2, 6, 12, 18)),
            *(disturbed(2, at(n, 2.2)) for n in range(1, 12, 2)),
            disturbed(2, at(20, 12.2)),
        ]
    )

    assert found.ranks["section/T2"].hours == "02 h: 6 of 7, by its trains 1.8"


def test_nothing_at_all():
    """A line of which nothing is on record: a report that says so."""
    found = of([])

    assert not found.whole.heard
    assert found.against is None
    assert found.fleet is None
    assert all(rank.expected is None for rank in found.ranks.values())
    assert any(one.startswith("Not heard") for one in found.notes)


def test_refuses_a_period_that_ends_before_it_begins():
    """As a mistake of whoever asks."""
    with pytest.raises(ValueError, match="before it begins"):
        of([], begin=JUNE, end=MAY)


def test_alerts_stand_at_what_they_are_about():
    """And nowhere else."""
    found = of([*heard()], alerts={"head/H1": 2, "section/T9": 1})

    assert row(found, "head/H1").alerts == 2
    assert row(found, "section/T1").alerts == 0


def test_a_section_that_failed_for_most_of_the_period_still_has_its_hours_with_trains():
    """Failed from the 3rd up to the 25th, 16 trains a day else: 22 days of 16 hours, though on most days none came through."""
    hours = range(6, 22)
    there = [*trains(2, last=2, hours=hours), *trains(2, first=25, hours=hours)]
    found = of([*heard(), *there, fact("failed", 2, at(3), at(25))])

    assert row(found, "section/T2").failed == 22 * DAY
    assert row(found, "section/T2").failed_busy == 22 * 16 * HOUR


def test_where_it_failed_throughout_the_weeks_before_tell_its_hours():
    """A report of one day on which it failed: trains at 6, 12 and 18 on all days before."""
    found = of(
        [*heard(), *trains(2, last=28), fact("failed", 2, at(29), at(31))],
        begin=at(29),
        end=at(30),
    )

    assert row(found, "section/T2").failed_busy == 3 * HOUR


def test_where_it_was_never_seen_to_work_its_hours_are_those_of_most_others():
    """Failed since before anybody listened, or since a day on which it was heard and no train came; the other three have trains at 6 and 12."""
    others = [x for n in (1, 3, 4) for x in trains(n, hours=(6, 12))]
    for since in (MAY - 60 * DAY, MAY - DAY):
        found = of([*heard(), *others, fact("failed", 2, since, None)])
        assert row(found, "section/T2").failed_busy == 31 * 2 * HOUR


def test_what_is_not_known_yet_is_not_observed():
    """Asked for May and June on the 10th of May: 52 days dark, May observed for 9 of 31 days, June not heard."""
    found = of([*heard(), *trains(2, last=9)], end=JUNE + 30 * DAY, reached=at(10))

    assert row(found, "section/T2").dark_longest == 52 * DAY
    assert [one.name for one in found.months] == ["2026-05", "2026-06"]
    assert found.months[0].share == pytest.approx(9 / 31)
    assert found.months[1].share == 0


def test_what_failed_at_once_is_not_getting_better():
    """Disturbed eight times on the first day, then not available for the month: it could not be disturbed any more."""
    eight = [disturbed(3, at(1, 1 + k * 1.5)) for k in range(8)]
    other = [*heard(), *trains(1), *eight]
    found = of([*other, fact("failed", 3, at(1, 11.5), None)])
    working = of(other)

    assert words.trend(found.ranks["section/T3"]) != "less and less often"
    assert words.trend(working.ranks["section/T3"]) == "less and less often"


def test_one_cable_that_is_cut_is_one_occasion_of_a_comparison_and_of_a_trend():
    """On a steady line, by chance alone, one month in twenty is told to differ; by hand: 6 single disturbances and 2 cable cuts a month of 5 sections each.

    400 months, fixed seed; of 400 at 5 % more than 32 come one time in two hundred (binomial).
    """
    chance = random.Random(20260501)
    names = [f"T{n}" for n in range(24)]
    trend, differ, before = 0, 0, None
    for _ in range(400):
        seen = {name: Section(watched=[(MAY, at(31))]) for name in names}
        for _ in range(_poisson(chance, 6)):
            one = seen[chance.choice(names)]
            one.disturbed.append((MAY + chance.randrange(30 * DAY), False))
        for _ in range(_poisson(chance, 2)):
            first, moment = chance.randrange(20), MAY + chance.randrange(30 * DAY)
            for k in range(5):
                seen[names[first + k]].disturbed.append((moment + k * SECOND, False))
        for one in seen.values():
            one.disturbed.sort()
        found = fleet_trend(occasions_of_fleet(seen.values()))
        trend += found is not None and found.chance < words.SURE
        now = Counted(len(of_several(one.occasions for one in seen.values())), 20.0)
        if before is not None:
            told = compare(before, now)
            differ += told is not None and told.chance < words.SURE
        before = now

    assert trend <= 32
    assert differ <= 32


def _poisson(chance, mean):
    """A Poisson number (Knuth's way)."""
    number, product = 0, chance.random()
    while product > exp(-mean):
        number, product = number + 1, product * chance.random()
    return number


def test_a_cut_cable_counts_once_against_the_period_before():
    """Four sections within a minute, none before: one occasion, which is no difference; four disturbances are told."""
    cut = [disturbed(n, at(9, 7) + n * SECOND) for n in (1, 2, 3, 4)]
    there = [x for n in (1, 2, 3, 4) for x in trains(n)]
    april = [train(n, MAY - d * DAY + HOUR) for n in (1, 2, 3, 4) for d in range(1, 31)]
    found = of([*heard(), *there, *april, *april, *cut])

    assert found.whole.disturbances == 4
    assert found.whole.per_trains().count == 1
    assert found.against is not None
    assert found.against.chance > 0.3


def test_hours_that_the_period_cuts_are_told_of():
    """Trains are known by whole hours: a period from 10:06 to 10:54 says so; a day does not, nor one that ends now."""

    def told(begin, end, reached):
        found = of([*heard(), *trains(2)], begin=begin, end=end, reached=reached)
        return any("whole hours" in one for one in found.notes)

    assert told(at(3, 10.1), at(3, 10.9), JUNE)
    assert told(at(3), at(3, 10.9), JUNE)
    assert not told(at(3), at(4), JUNE)
    assert not told(at(3), at(3, 10.9), at(3, 10.9))


def test_what_is_to_come_has_a_range_and_is_not_told_from_next_to_nothing():
    """Twelve in 31 days: 12 x 90 / 31 are 35, drawn towards the others; a section watched for six days, or one of which none is known, is too few."""
    found = of(
        [
            *heard(1, 2, 3, since=MAY),
            *heard(4, since=at(26)),
            *(x for n in (1, 2, 3) for x in trains(n)),
            *trains(4, first=26),
            *(disturbed(2, at(n, 7)) for n in range(1, 25, 2)),
            *(disturbed(4, at(n, 7)) for n in range(26, 32)),
        ]
    )

    two, four = found.ranks["section/T2"], found.ranks["section/T4"]
    assert two.quarter_low < two.quarter < two.quarter_high
    assert 20 < two.quarter < 40
    assert not two.thin
    assert four.thin
    assert words.quarter(four) == "too few"
    assert words.quarter(found.ranks["section/T1"]) == "too few"


def test_what_was_counted_is_told_though_nobody_listened():
    """Dark all month, and one disturbance all the same: one, and not observed."""
    dark = fact("not-known", 2, MAY - DAY, JUNE + DAY, why="silent")
    one = row(of([*heard(), dark, disturbed(2, at(5))]), "section/T2")

    assert (one.heard, one.disturbances) == (False, 1)
    assert words.counted(one.disturbances, heard=one.heard) == "1, not observed"


def test_without_trains_a_rate_by_days_is_to_be_expected():
    """Three occasions in 31 days where no train was told, alone on the line: 3 / 31 x 90 are 8.71 in 90 days."""
    found = of([*heard(2, since=MAY), *(disturbed(2, at(n)) for n in (3, 12, 20))])

    rank = found.ranks["section/T2"]
    assert rank.quarter is not None
    assert rank.quarter == pytest.approx(8.71, abs=0.01)
    assert rank.quarter_low < rank.quarter < rank.quarter_high
    assert found.ranks["section/T1"].quarter is None  # never heard


def test_a_train_counts_once_at_a_head():
    """93 trains through T2 and T3, and 93 passages of H2 between them: 2 in 93 are 21.5 per 1,000, and not 10.8; where H1 tells none it is the busier section, 93 of T2 and none of T1."""
    told = [
        *heard(),
        *trains(2),
        *trains(3),
        *passages(2, axles=40),
        disturbed(2, at(3, 7)),
        disturbed(3, at(9, 7)),
    ]
    found = of(told)
    second, first = row(found, "head/H2"), row(found, "head/H1")

    assert (second.trains, second.by, second.axles) == (93, "head", 93 * 40)
    assert second.per_trains() == Counted(2, 0.093)
    assert (first.trains, first.by) == (93, "section")
    assert row(found, "unit/TU1").trains == 186  # a passage at each of its sections
    [note] = [one for one in found.notes if one.startswith("Passages")]
    assert "; of H1 and H3 it does not, or not all" in note
    none = of([*heard(), *trains(2)])
    assert any("tells no passages of heads" in one for one in none.notes)


def test_passages_are_held_against_those_of_the_period_before():
    """As many trains in April, and no passages told of then: not comparable by passages, and by the busier section it is."""
    april = [train(2, MAY - n * DAY + HOUR) for n in range(1, 31)]
    facts = [*heard(), *trains(2), *april, disturbed(2, at(3)), disturbed(2, at(9))]

    assert of([*facts, *passages(2)]).ranks["head/H2"].against is None
    assert of(facts).ranks["head/H2"].against is not None


def test_passages_of_a_cut_day_are_those_of_its_hours():
    """From the 3rd at noon up to the 5th at noon: 12 and 18 h, three, and 6 h."""
    found = of([*heard(), *trains(2), *passages(2)], begin=at(3, 12), end=at(5, 12))

    assert row(found, "head/H2").trains == 6
