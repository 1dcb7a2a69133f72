from __future__ import annotations

from random import Random

import pytest
from scipy.stats import binomtest

from monitor.core.detector import Place
from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, MINUTE, parse
from monitor.core.statistics.comparing import Counted
from monitor.history import History
from monitor.planner.effect import (
    Raised,
    Watched,
    all_together,
    found_by_kind,
    helped,
    visited,
)
from monitor.planner.effect_words import all_of, became_of, rates
from monitor.planner.seen import Section, seen_sections
from monitor.planner.whereabouts import Whereabouts
from monitor.visits import Visit
from tests.bench.visits import Told, gamma, month
from tests.planner.facts import line as cabled

LINE = Place.example().line
THERE = Whereabouts(LINE)
BEGIN = parse("2025-05-04T00:00:00Z")
VISITED = BEGIN + 365 * DAY
NOW = VISITED + 182 * DAY


def visit(day=0.0, hours=1, subject="section/T107", cause="head", **more):
    """Somebody was there, days after the year."""
    begin = VISITED + round(day * DAY)
    values = {
        "id": f"{day:g}/{subject}",
        "begin": begin,
        "end": begin + hours * HOUR,
        "subjects": (subject,),
        "cause": cause,
        "by": "Ada",
        "entered": NOW,
    } | more
    return Visit(**values)


def watched(*days, spells=((BEGIN, NOW),)):
    """A section that was disturbed so many days after the year began."""
    return Watched(spells, tuple(sorted(BEGIN + round(day * DAY) for day in days)))


MONTHLY = tuple(30 * number + 1.5 for number in range(18))
LINE_SEEN = {name: watched(*MONTHLY) for name in ("T106", "T108")}


def became(*visits, **sections):
    """What became of them, on a line whose other sections are disturbed every month."""
    return helped(visits, LINE_SEEN | sections, THERE, NOW)


def test_what_was_to_be_expected_is_by_the_rate_before():
    """Twelve in the year before and none in half a year since: six were to be expected, and none is beyond chance."""
    [found] = became(visit(), T107=watched(*MONTHLY[:12]))

    assert found.before == Counted(12, 365.0)
    assert found.after.count == 0
    assert found.after.exposure == pytest.approx(182 - 2 / 24)
    assert found.effect is not None
    assert found.effect.awaited.mean == pytest.approx(6.07, abs=0.5)
    assert found.effect.told == -1


def test_a_visit_that_plainly_helped_is_told_to_have_helped():
    """Fifteen in the year before on a line that else has one or none, and none since: by the section's own record alone 7.5 were to be expected, and none comes by chance one time in a thousand."""
    quiet = {f"T{n}": watched(*((100 + n, 420) if n % 3 else ())) for n in range(24)}
    days = [24 * number + 1.5 for number in range(15)]
    [found] = helped([visit()], quiet | {"T107": watched(*days)}, THERE, NOW)

    assert found.effect is not None
    assert found.effect.told == -1
    assert became_of(found).startswith("fewer: ")


@pytest.mark.parametrize("days", [2, 9, 27, 100])
def test_what_came_elsewhere_after_a_visit_is_no_part_of_what_was_to_be_expected(days):
    """On a line that was watched for no longer before it."""
    since = BEGIN + (365 - days) * DAY

    def awaited(*more):
        others = {
            name: watched(365 - days / 2, *more, spells=((since, NOW),))
            for name in ("T106", "T108")
        }
        mine = watched(365 - days / 3, spells=((since, NOW),))
        [found] = helped([visit()], others | {"T107": mine}, THERE, NOW)
        assert found.effect is not None
        return found.effect.awaited

    assert awaited() == awaited(*(366.0 + day for day in range(100)))
    # What came before it is, whenever that was.
    assert awaited().mean > 182 / days / 2


def test_cuts_of_one_cable_count_once_for_a_visit_to_it():
    """Eight cuts of four sections in the year before, and one in half a year since: four were to be expected, and one of them is no proof; counted for each section sixteen were, and four would be one."""
    there, names = Whereabouts(cabled()), ["T1", "T2", "T3", "T4"]
    cuts = [*(40.5 * n + 1 for n in range(8)), 460.5]
    seen = {
        name: watched(*(day + n / 86_400 for day in cuts))
        for n, name in enumerate(names)
    }
    [found] = helped([visit(subject="cable/C1", cause="cable")], seen, there, NOW)

    assert (found.before.count, found.after.count) == (8, 1)
    assert found.effect is not None
    assert found.effect.awaited.mean == pytest.approx(8 * 182 / 365, rel=0.1)
    assert found.effect.told == 0
    # As sure as eight can make it: a ratio of 1 in 4, with the interval of two such counts (scipy's binomial), nearly.
    exact = binomtest(1, 9).proportion_ci()
    high = exact.high / (1 - exact.high) * 365 / 182
    assert found.effect.high == pytest.approx(high, rel=0.15)


def test_it_is_too_early_until_three_are_to_be_expected():
    """A fortnight after."""
    seen = LINE_SEEN | {"T107": watched(*MONTHLY[:12])}
    [found] = helped([visit()], seen, THERE, VISITED + 14 * DAY)

    assert found.effect is not None
    assert found.effect.too_early
    assert found.effect.told == 0


def test_nothing_before_and_nothing_after_are_defined():
    """A section that was never disturbed is expected to have what the line lets expect, and no less."""
    [found] = became(visit(), T107=watched())

    assert (found.before.count, found.after.count) == (0, 0)
    assert found.effect is not None
    assert 0 < found.effect.awaited.mean < 6
    assert found.effect.ratio == 0


def test_a_section_that_appeared_lately_has_the_lines_rate():
    """It was not watched before the visit: the line alone says what was to be expected."""
    [found] = became(visit(), T107=watched(spells=((VISITED + DAY, NOW),)))

    assert found.before == Counted(0, 0.0)
    assert found.effect is not None
    assert found.effect.awaited.mean == pytest.approx(13 * 181 / 365, rel=0.05)


def test_where_nothing_was_watched_before_the_line_is_known_by_what_came_after():
    """A visit from before the monitor: the rates of its first weeks say what is to be expected, for want of others."""
    seen = {name: watched(*MONTHLY) for name in LINE.sections}
    [found] = helped([visit(-500)], seen, THERE, NOW)

    assert found.before == Counted(0, 0.0)
    assert found.effect is not None
    assert found.effect.awaited.mean > 10


def test_where_nothing_was_watched_since_there_is_nothing_to_tell():
    """The feed was dark; a section that the line file lacks now is told likewise."""
    [found] = became(visit(), T107=watched(*MONTHLY[:12], spells=((BEGIN, VISITED),)))
    [gone] = became(visit(subject="section/T107"))

    assert (found.after, found.effect) == (Counted(0, 0.0), None)
    assert gone.effect is None


def test_a_disturbance_in_the_middle_of_which_somebody_came_counts_before():
    """And what came while they were there, or within an hour after, counts for neither side."""
    days = (364.9, 365 + 0.5 / 24, 365 + 1.9 / 24, 365 + 2.1 / 24)
    [found] = became(visit(), T107=watched(*days))

    assert (found.before.count, found.during, found.after.count) == (1, 2, 1)


def test_the_next_visit_ends_what_came_after_and_begins_what_was_before():
    """Two visits, sixty days apart."""
    later, first = became(
        visit(), visit(60), T107=watched(364, 366, 400, 430, 440, 460)
    )

    assert (first.before.count, first.after.count) == (1, 2)
    assert first.until == VISITED + 60 * DAY
    assert (later.before.count, later.after.count) == (2, 3)
    assert later.until == NOW


def test_two_visits_in_a_day_are_one():
    """Nobody can tell them apart, and together they count once."""
    found = became(visit(), visit(0.5), T107=watched(*MONTHLY[:12], 400))
    one, other = found

    assert one.shared == other.shared == 1
    assert (one.before, one.after, one.effect) == (
        other.before,
        other.after,
        other.effect,
    )
    together = all_together(found)
    assert together is not None
    assert one.effect is not None
    assert together.awaited.mean == pytest.approx(one.effect.awaited.mean)


def test_a_visit_to_a_part_is_for_all_that_need_it():
    """Supply PS1 serves all three; what is named as a section beside it says which are meant."""
    [all_of_it] = became(visit(subject="supply/PS1"), T107=watched())
    named = visit(subject="supply/PS1", subjects=("supply/PS1", "section/T107"))

    assert all_of_it.sections == ("T106", "T107", "T108")
    assert all_of_it.before.exposure == 3 * 365
    assert visited([named], THERE).keys() == {"T107"}


def test_what_was_under_work_is_not_watched(tmp_path):
    """Nor the hour after, nor what was dark; what was disturbed then counts nowhere."""
    section = "section/T107"
    with History.open(tmp_path / "history.sqlite") as history:
        history.write(
            [
                Fact(kind="heard", subject=section, began=BEGIN),
                Fact(
                    kind="work",
                    subject=section,
                    began=BEGIN + DAY,
                    ended=BEGIN + 2 * DAY,
                ),
                Fact(
                    kind="not-known",
                    subject=section,
                    began=BEGIN + 4 * DAY,
                    ended=BEGIN + 5 * DAY,
                ),
                *(
                    Fact(kind="disturbance", subject=section, began=BEGIN + at)
                    for at in (HOUR, DAY + HOUR, 2 * DAY + 30 * MINUTE, 3 * DAY)
                ),
            ]
        )
        found = seen_sections(history, LINE, BEGIN, BEGIN + 10 * DAY)
    seen = Watched.of(found["T107"])
    unheard = Watched.of(found["T106"])

    assert seen.counted(BEGIN, BEGIN + 10 * DAY).count == 2
    assert seen.counted(BEGIN, NOW).exposure == pytest.approx(8 - 1 / 24)
    assert seen.counted(BEGIN + 20 * DAY, BEGIN) == Counted(0, 0.0)
    assert unheard.counted(BEGIN, NOW) == Counted(0, 0.0)


def test_what_is_not_given_back_is_no_success():
    """Ten before, and never available since: that is told, and no number of it; of two sections the other's is told."""
    before = tuple(30 * n + 1.5 for n in range(10))
    never = Watched(
        ((BEGIN, VISITED - HOUR),),
        watched(*before).disturbed,
        ((VISITED - HOUR, NOW),),
    )
    [alone] = became(visit(), T107=never)
    both = visit(subjects=("section/T107", "section/T106"))
    [two] = became(both, T107=never)

    assert (alone.after, alone.effect) == (Counted(0, 0.0), None)
    assert alone.out == pytest.approx(182 - 2 / 24)
    assert became_of(alone) == "T107 not given back since"
    assert two.never_back == ("T107",)
    assert became_of(two).startswith("T107 not given back since; of the others: no ")
    assert "added up" not in rates(alone)
    assert rates(two).endswith(" since, the time of 2 sections added up")
    assert all_of([alone], None).endswith(
        "after 1 of them a section was not given back, which is in no number here"
    )


def test_time_not_available_is_no_time_without_disturbances():
    """Out for three of the six months since: half as many were to be expected, and it is said."""
    out = (VISITED + 10 * DAY, VISITED + 101 * DAY)
    seen = Watched(
        ((BEGIN, out[0]), (out[1], NOW)), watched(*MONTHLY[:12]).disturbed, (out,)
    )
    [found] = became(visit(), T107=seen)
    [whole] = became(visit(), T107=watched(*MONTHLY[:12]))

    assert found.effect is not None
    assert whole.effect is not None
    assert found.effect.awaited.mean == pytest.approx(
        whole.effect.awaited.mean / 2, rel=0.05
    )
    assert became_of(found).endswith("; not available for 91 days since")


def test_what_fails_cannot_fail_until_it_is_given_back():
    """Disturbed thrice before it was given back: once, and the time is not watched."""
    section = Section(
        watched=[(BEGIN, BEGIN + 20 * DAY)],
        failed=[(BEGIN + 4 * DAY, BEGIN + 6 * DAY)],
        disturbed=[(BEGIN + round(day * DAY), False) for day in (2, 4, 5, 5.5, 6, 8)],
    )
    seen = Watched.of(section)

    assert seen.counted(BEGIN, BEGIN + 20 * DAY) == Counted(4, 18.0)
    assert seen.again == (BEGIN + 5 * DAY, round(BEGIN + 5.5 * DAY))
    assert not seen.is_out


def test_a_visit_at_which_nothing_was_done_changes_nothing():
    """A year of months in which the worst twenty of 900 steady sections are visited and nothing is done: the effect covers nought in ten of twelve at least (at 95 % fewer come one time in fifty), while the raw counts fall by a quarter and more."""
    draw, told = Random(7), Told()
    for _ in range(12):
        month(draw, gamma, 1.0, told)

    assert told.covered >= 10
    assert sum(told.raw) / len(told.raw) < 0.75


# What was found.


def raised(  # noqa: PLR0917 - whatever a test wants to say of one
    kind="section-disturbed",
    day=-1.0,
    subject="section/T107",
    fault="",
    name="",
    suspects=(),
):
    """An alert, days before the visit."""
    at = VISITED + round(day * DAY)
    return Raised(
        id=name or f"{kind}{day}{subject}",
        kind=kind,
        subject=subject,
        at=at,
        fault=fault,
        suspects=suspects,
    )


def counts(visits, alerts):
    """Of each kind: true, judged, not said."""
    return {
        one.kind: (
            one.share and one.share.count,
            one.share and one.share.total,
            one.not_said,
        )
        for one in found_by_kind(visits, alerts, THERE)
    }


def test_what_was_found_says_whether_what_was_raised_was_so():
    """Of those visited: something, nothing, and not said; a kind counts once for a visit."""
    visits = [visit(), visit(40, cause="nothing"), visit(80, cause="not-said")]
    alerts = [
        raised(),
        raised(day=-2),
        raised("repeat-disturbance"),
        raised(day=39),
        raised(day=79),
    ]

    assert counts(visits, alerts) == {
        "repeat-disturbance": (1, 1, 0),
        "section-disturbed": (1, 2, 1),
    }


def test_an_alert_leads_to_one_visit():
    """The first after it, within a month, at its place; one after the visit, too long before it, or elsewhere led to none."""
    visits = [visit(), visit(1)]
    alerts = [
        raised(),
        raised("level-out", day=2),
        raised("level-drift", day=-31),
        raised("worsening", subject="section/T106"),
        raised("one-sided-head", subject="head/H107"),
        raised("feed-silent", subject="gateway/GW1"),
    ]

    assert counts(visits, alerts) == {
        "one-sided-head": (1, 1, 0),
        "section-disturbed": (1, 1, 0),
    }


def test_a_visit_for_a_fault_is_for_its_alerts():
    """Whatever else is raised there."""
    visits = [visit(fault="f1")]
    alerts = [raised(fault="f1"), raised("level-out", fault="f2"), raised("worsening")]

    assert counts(visits, alerts) == {
        "section-disturbed": (1, 1, 0),
        "worsening": (1, 1, 0),
    }


def test_what_was_found_is_held_against_what_was_suspected():
    """A loose head bears out who suspects it, not the cable that serves its section too; where no part is named its kind says enough, and a thing on a train is at no part."""
    there = Whereabouts(cabled())
    alerts = [
        raised("common-cause", subject="cable/C1", suspects=("cable/C1",)),
        raised(
            "occupied-no-train",
            subject="section/T2",
            suspects=("head/H1", "head/H2"),
        ),
        raised("count-mismatch", subject="head/H1"),
        raised(subject="section/T2"),
    ]

    def found(**more):
        return {
            one.kind: (one.share and one.share.count, one.elsewhere)
            for one in found_by_kind(
                [visit(**({"subject": "section/T2"} | more))], alerts, there
            )
        }

    assert "T2" in there.sections("cable/C1")
    both = {"occupied-no-train": (1, 0), "section-disturbed": (1, 0)}
    assert found(part="head/H2") == both | {"count-mismatch": (0, 1)}
    assert found() == both | {"count-mismatch": (1, 0)}
    assert found(cause="train") == both | {"count-mismatch": (1, 0)}
    room = found(cause="evaluator", part="evaluator/EV1")
    assert room["occupied-no-train"] == room["count-mismatch"] == (0, 1)
    assert room["section-disturbed"] == (1, 0)
    to_it = ("section/T2", "cable/C1")
    assert found(subjects=to_it, part="head/H2")["common-cause"] == (0, 1)
    assert found(cause="cable")["common-cause"] == (1, 0)


def test_what_is_withdrawn_is_not_there():
    """Effects are of the visits that are given, and of none other."""
    assert became() == []
    assert all_together([]) is None
    assert counts([], [raised()]) == {}


def test_a_bad_afternoon_counts_once_and_is_told_in_full():
    """Six within eight hours and one a week later are two occasions: a visit after them has no six to better."""
    afternoon = [(BEGIN + 10 * DAY + n * HOUR, False) for n in range(6)]
    section = Section(
        watched=[(BEGIN, BEGIN + 30 * DAY)],
        disturbed=[*afternoon, (BEGIN + 17 * DAY, False)],
    )
    seen = Watched.of(section)

    assert seen.counted(BEGIN, BEGIN + 30 * DAY) == Counted(2, 30.0)
    assert len(seen.soon) == 5
