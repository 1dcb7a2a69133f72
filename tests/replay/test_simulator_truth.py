from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from monitor.core.engine import Engine
from monitor.core.events import (
    Contacts,
    EvaluatorState,
    GatewayStatus,
    ResetKind,
    SectionReset,
    SectionState,
    Service,
    State,
    Step,
)
from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, Moment, parse, stamp
from replay.simulator import Fault, simulate
from replay.simulator.faults import KINDS, drawn, sections_on
from replay.simulator.feed import FeedFault, Shown, Sighting
from replay.simulator.miscounts import Miscount
from replay.simulator.railway import Visit
from replay.simulator.record import Day
from replay.simulator.scenarios import DAYS, NIGHT, NOTHING, day, tour
from replay.simulator.truth import truths

ROOT = Path(__file__).parent.parent.parent
LINE = read_line((ROOT / "deploy/example/line.toml").read_text(encoding="utf-8"))
BEGIN = parse("2026-05-04T06:00:00Z")
NOON = parse("2026-05-04T12:00:00Z")

CLEAR, OCCUPIED, DISTURBED = State.CLEAR, State.OCCUPIED, State.DISTURBED
SWEEP = State.AWAITING_SWEEP

ROW = read_line(
    '[line]\nname = "row"\ntimezone = "UTC"\n[[evaluator]]\nid = "E"\nsite = "room"\n'
    + "".join(
        f'[[section]]\nid = "{one}"\narea = "a"\nevaluator = "E"\n'
        "length_m = 900\nspeed_km_h = 80\n"
        for one in "ABCDE"
    )
    + "".join(
        f'[[head]]\nid = "H{place}"\nbetween = ["{one}", "{other}"]\n'
        for place, (one, other) in enumerate(
            [("open", "A"), *zip("ABCD", "BCDE", strict=True), ("E", "open")]
        )
    )
)


def shown(state, *, axles=None, contacts=None, interlocking=None):
    """What a section shows, all in agreement unless said."""
    clear = state is CLEAR
    return Shown(
        state=state,
        axles=axles,
        contacts=contacts or Contacts(clear=clear, occupied=not clear),
        interlocking=interlocking or (CLEAR if clear else OCCUPIED),
    )


def found(**asked):
    """As `found_at_all`, without who needs what."""
    return [one[:5] for one in found_at_all(**asked)]


def found_at_all(
    *,
    end=2 * HOUR,
    trains=(),
    feed=(),
    evaluators=None,
    visits=(),
    miscounts=(),
    source_of=None,
    heard=None,
    **sections,
):
    """The truth of a day on the row of five, in seconds after noon: every section clear from a minute before, then as said.

    A section's story is a list of (second, what), a number being the tally it shows; *trains* are (section, from, to).
    """
    stories = {one: [(-60, CLEAR), *sections.get(one, ())] for one in "ABCDE"}
    sightings = {
        one: [
            Sighting(
                NOON + round(second * SECOND),
                shown(what)
                if isinstance(what, State)
                else shown(OCCUPIED if what else CLEAR, axles=what)
                if type(what) is int
                else what,
            )
            for second, what in story
        ]
        for one, story in stories.items()
    }
    told = truths(
        Day(
            line=ROW,
            begin=NOON - MINUTE,
            end=NOON + end,
            sections=sightings,
            evaluators=evaluators or {},
            feed=feed,
            entries=[(NOON + start * SECOND, one) for one, start, _ in trains],
            exits=[(NOON + stop * SECOND, one) for one, _, stop in trains],
            visits=visits,
            miscounts=miscounts,
            source_of=source_of or {},
            heard=heard or {},
        )
    )
    return [
        (
            one.kind,
            one.subject.split("/", 1)[1],
            seconds(one.began),
            seconds(one.known),
            seconds(one.ended),
            one.needs,
        )
        for one in told
    ]


def seconds(moment):
    """After noon."""
    return None if moment is None else (moment - NOON) / SECOND


def test_a_disturbance_is_so_after_five_seconds():
    """Disturbed at 0 and reset at 300 it is known at 5; one of four seconds is none."""
    story = [(0, DISTURBED), (295, Step.ACCEPTED), (300, CLEAR)]
    through = [(400, OCCUPIED), (460, CLEAR)]
    beside = [(350, OCCUPIED), (410, CLEAR)]
    after = [(450, OCCUPIED), (500, CLEAR)]
    assert found(B=beside, C=story + through, D=after) == [
        ("section-disturbed", "C", 0, 5, 300)
    ]
    short = [(0, DISTURBED), (4, CLEAR)]
    assert found(C=short) == []


def test_a_disturbance_not_seen_for_five_seconds_counts_from_when_it_is_seen_again():
    """Disturbed at 0, not known from 3 to 60, and disturbed still: it began at 0 and is known at 65."""
    story = [(0, DISTURBED), (3, None), (60, DISTURBED), (90, CLEAR)]
    assert found(C=story) == [("section-disturbed", "C", 0, 65, 90)]


def test_three_disturbances_within_a_day_are_repeated():
    """At 0, 2 h and 4 h: three within a day, known with the third; two within an hour suffice."""
    spread = [
        (0, DISTURBED),
        (60, CLEAR),
        (7200, DISTURBED),
        (7260, CLEAR),
        (14400, DISTURBED),
        (14460, CLEAR),
    ]
    told = found(C=spread, end=5 * HOUR)
    assert ("repeat-disturbance", "C", 0, 14400, None) in told
    close = [(0, DISTURBED), (60, CLEAR), (3000, DISTURBED), (3060, CLEAR)]
    assert ("repeat-disturbance", "C", 0, 3000, None) in found(C=close)
    apart = [(0, DISTURBED), (60, CLEAR), (3700, DISTURBED), (3760, CLEAR)]
    assert {kind for kind, *_ in found(C=apart)} == {"section-disturbed"}


def test_a_reset_is_unproved_after_an_hour_without_a_train():
    """Accepted at 100, it falls due at 3700, and is over when a train has worked through at 5000."""
    story = [
        (0, DISTURBED),
        (100, Step.ACCEPTED),
        (101, CLEAR),
        (4900, OCCUPIED),
        (5000, CLEAR),
    ]
    before, after = [(4800, OCCUPIED), (4910, CLEAR)], [(4990, OCCUPIED), (5060, CLEAR)]
    assert found(B=before, C=story, D=after) == [
        ("section-disturbed", "C", 0, 5, 101),
        ("reset-unproved", "C", 100, 3700, 5000),
    ]


def test_a_train_within_the_hour_proves_a_reset():
    """A train that works through at 2000 leaves nothing to say."""
    story = [
        (0, DISTURBED),
        (100, Step.ACCEPTED),
        (101, CLEAR),
        (1900, OCCUPIED),
        (2000, CLEAR),
    ]
    before, after = [(1800, OCCUPIED), (1910, CLEAR)], [(1990, OCCUPIED), (2060, CLEAR)]
    assert found(B=before, C=story, D=after) == [("section-disturbed", "C", 0, 5, 101)]


def test_a_sweep_proves_a_reset_whatever_it_shows_meanwhile():
    """From awaiting sweep, at once or through occupied, to clear with a train beside it: proved."""
    before, after = [(1800, OCCUPIED), (1910, CLEAR)], [(1990, OCCUPIED), (2060, CLEAR)]
    for swept in ([(2000, CLEAR)], [(1900, OCCUPIED), (2000, CLEAR)]):
        story = [(0, DISTURBED), (100, Step.ACCEPTED), (101, SWEEP), *swept]
        assert found(B=before, C=story, D=after) == [
            ("section-disturbed", "C", 0, 5, 101)
        ]


def test_a_later_reset_takes_the_place_of_the_first_and_falls_due_with_it():
    """Resets at 100 and 1000: the second is unproved at 3700, when the first would have been."""
    story = [
        (0, DISTURBED),
        (100, Step.ACCEPTED),
        (101, CLEAR),
        (1000, Step.ACCEPTED),
    ]
    assert ("reset-unproved", "C", 1000, 3700, None) in found(C=story)


def test_a_reset_that_fails_within_a_quarter_of_an_hour_has_not_held():
    """Disturbed again 899 s after its reset; after 901 s with no train it is another failure."""
    for gap, held in ((899, False), (901, True)):
        story = [
            (0, DISTURBED),
            (100, Step.ACCEPTED),
            (101, CLEAR),
            (100 + gap, DISTURBED),
        ]
        kinds = [kind for kind, *_ in found(C=story)]
        assert ("reset-not-held" in kinds) is not held


def test_the_first_train_may_show_that_a_reset_did_not_hold_however_late():
    """A train enters 3000 s after the reset and the section is disturbed under it."""
    story = [
        (0, DISTURBED),
        (100, Step.ACCEPTED),
        (101, CLEAR),
        (3100, OCCUPIED),
        (3130, DISTURBED),
    ]
    told = found(
        B=[(3050, OCCUPIED), (3110, CLEAR)],
        C=story,
        D=[(3150, OCCUPIED), (3200, CLEAR)],
        trains=[("B", 3050, 3110), ("C", 3100, 3170), ("D", 3150, 3200)],
    )
    assert ("reset-not-held", "C", 3130, 3130, None) in told


def test_occupied_with_nothing_beside_it_is_known_after_two_minutes():
    """Occupied at 0 with both neighbours clear, until it is reset at 400."""
    story = [(0, OCCUPIED), (399, Step.ACCEPTED), (400, CLEAR)]
    told = found(C=story, end=HOUR // 2)
    assert told == [("occupied-no-train", "C", 0, 120, 400)]


@pytest.mark.parametrize(
    "neighbour",
    [
        pytest.param([(-30, OCCUPIED), (1, CLEAR)], id="a train was beside it"),
        pytest.param([(1.5, OCCUPIED), (40, CLEAR)], id="within the skew"),
        pytest.param([(-30, None)], id="not known"),
        pytest.param([(-30, True)], id="under work"),
        pytest.param([(-30, DISTURBED)], id="disturbed before"),
    ],
)
def test_a_neighbour_explains_an_entry(neighbour):
    """Where a neighbour was not clear or not known, nobody can say that no train came."""
    kinds = [x[0] for x in found(B=neighbour, C=[(0, OCCUPIED), (400, CLEAR)])]
    assert "occupied-no-train" not in kinds


def test_a_neighbour_that_fails_with_the_entry_does_not_explain_it():
    """B turns disturbed a second before C is occupied: that is what a head between them looks like."""
    told = found(B=[(-1, DISTURBED)], C=[(0, OCCUPIED), (400, CLEAR)])
    assert ("occupied-no-train", "C", 0, 120, 400) in told


def test_an_occupation_that_moves_on_is_a_train():
    """D is entered out of C, with E clear: what was in C was a train."""
    told = found(C=[(0, OCCUPIED), (90, CLEAR)], D=[(85, OCCUPIED), (150, CLEAR)])
    assert told == []


def test_an_occupation_that_may_have_moved_on_may_be_said():
    """E is entered beside D, and has an open end: whether the train came out of D or from outside nobody can tell."""
    told = found(D=[(0, OCCUPIED), (400, CLEAR)], E=[(60, OCCUPIED), (150, CLEAR)])
    assert ("occupied-no-train", "D", 0, None, 400) in told


def test_a_section_with_an_open_end_is_entered_unseen():
    """A may be entered from outside at any time."""
    assert found(A=[(0, OCCUPIED), (400, CLEAR)]) == []


def test_a_train_that_stands_for_more_than_half_an_hour_is_long():
    """In C from 0 to 2000, longer than 1800; a phantom that a train explains is no train."""
    stories = {
        "B": [(-40, OCCUPIED), (10, CLEAR)],
        "C": [(0, OCCUPIED), (2000, CLEAR)],
        "D": [(1990, OCCUPIED), (2060, CLEAR)],
    }
    trains = [("B", -40, 10), ("C", 0, 2000), ("D", 1990, 2060)]
    assert found(**stories, trains=trains) == [("long-occupation", "C", 0, 1800, 2000)]
    assert found(**stories, trains=[("B", -40, -1)]) == []


def test_spurious_occupations_are_disturbances_from_their_beginning():
    """At 0, 2 h and 4 h, ten seconds each: three within a day, known two seconds after the third is over."""
    story = [
        (0, OCCUPIED),
        (10, CLEAR),
        (7200, OCCUPIED),
        (7210, CLEAR),
        (14400, OCCUPIED),
        (14410, CLEAR),
    ]
    told = found(C=story, end=5 * HOUR)
    assert ("repeat-disturbance", "C", 0, 14412, None) in told
    two = found(C=story[2:], end=5 * HOUR)
    assert "repeat-disturbance" not in {kind for kind, *_ in two}


def test_a_disturbance_that_clocks_leave_open_makes_no_repetition_known():
    """B cleared two seconds before the third: whether that explains it the clocks decide, and with it whether there were three."""
    story = [
        (0, DISTURBED),
        (60, CLEAR),
        (7200, DISTURBED),
        (7260, CLEAR),
        (14400, OCCUPIED),
        (14410, CLEAR),
    ]
    told = found(B=[(14300, OCCUPIED), (14398, CLEAR)], C=story, end=5 * HOUR)
    assert ("repeat-disturbance", "C", 0, None, None) in told


def through(**beyond):
    """A train through the row, eight axles, a section in sixty seconds; *beyond* is what a section shows after it instead of clear."""
    stories, visits = {}, []
    for place, one in enumerate("ABCDE"):
        came = 50 * place
        stories[one] = [(came, 8), *beyond.get(one, [(came + 60, CLEAR)])]
        visits.append(
            Visit(
                section=one,
                train=1,
                came=NOON + came * SECOND,
                out_of="ABCDE"[place - 1] if place else None,
                reached=NOON + (came + 50) * SECOND,
                into="ABCDE"[place + 1] if place < 4 else None,
                left=NOON + (came + 60) * SECOND,
            )
        )
    return {**stories, "visits": visits}


@pytest.mark.parametrize("axles", [2, 4, -3])
def test_few_axles_that_stay_when_the_train_is_gone_are_a_mismatch(axles):
    """B keeps them when C has cleared at 160: with its being occupied they are known at 220, where tallies are given; four may be a vehicle."""
    told = found_at_all(**through(B=[(110, axles), (2000, CLEAR)]))
    mismatches = [one for one in told if one[0] == "count-mismatch"]
    assert ("occupied-no-train", "B", 160, 220, 2000, "") in told
    few = [("count-mismatch", "B", 160, 220, 2000, "tallies")]
    assert mismatches == ([] if axles == 4 else few)


def test_as_many_axles_over_as_are_lacking_beside_it_point_to_the_head_between():
    """B keeps two and C lacks two: that is said of H2 between them, and once."""
    told = found(
        **through(B=[(110, 2), (2000, CLEAR)], C=[(160, -2), (2000, CLEAR)]),
    )
    mismatches = [one[:3] for one in told if one[0] == "count-mismatch"]
    assert mismatches == [("count-mismatch", "H2", 210)]


def test_the_tally_of_a_train_under_way_points_to_no_head():
    """B lacks two, and two axles of a train are in A just then: that is no pair."""
    story = through(B=[(110, -2), (2000, CLEAR)])
    story["A"] += [(200, 2), (400, CLEAR)]
    told = found(**story, trains=[("A", 200, 400)])
    mismatches = [one[1] for one in told if one[0] == "count-mismatch"]
    assert mismatches == ["B"]


def test_a_miscount_is_told_of_its_head_and_not_of_the_section_as_well():
    """H2 missed two axles of the train: what B keeps is of that."""
    missed = Miscount(at=NOON + 100 * SECOND, place="head/H2", axles=-2, train=1)
    told = found_at_all(
        **through(B=[(110, 2), (2000, CLEAR)]),
        miscounts=[missed],
    )
    mismatches = [one for one in told if one[0] == "count-mismatch"]
    assert mismatches == [("count-mismatch", "H2", 100, 220, 220, "tallies")]


SOURCES = {**dict.fromkeys("ABCE", "ev/1"), "D": "ev/2"}
OTHERS = {**dict.fromkeys("ABCD", "ev/1"), "E": "ev/2"}


def test_what_seems_so_while_messages_are_lost_may_be_said():
    """D's messages are lost from -30 to 500: nobody can know that yet, and C seems to be occupied without a train, and to clear as it came."""
    stories = {"C": [(0, OCCUPIED), (400, CLEAR)], "D": [(-30, None), (500, CLEAR)]}
    told = found(**stories, source_of=SOURCES)
    assert ("occupied-no-train", "C", 0, None, 400) in told
    assert {(kind, known) for kind, _, _, known, _ in told} == {
        ("occupied-no-train", None),
        ("spurious-occupation", None),
    }
    assert found(**stories) == []


def test_a_silence_that_heartbeats_show_excuses_nothing_afterwards():
    """With heartbeats it is noticed at 60: what falls due at 120 must not be said, what was over at 10 may be."""
    heard = {"ev/2": [NOON - 30 * SECOND, NOON + 500 * SECOND]}
    silent = [(-30, None), (500, CLEAR)]
    long_ = found(
        C=[(0, OCCUPIED), (400, CLEAR)], D=silent, source_of=SOURCES, heard=heard
    )
    assert long_ == []
    short = found(
        C=[(0, OCCUPIED), (10, CLEAR)], D=silent, source_of=SOURCES, heard=heard
    )
    assert [(kind, known) for kind, _, _, known, _ in short] == [
        ("spurious-occupation", None)
    ]


def test_a_train_that_comes_unseen_may_be_taken_for_that_of_its_neighbour():
    """D is entered at 50 and clears at 100 while E's messages are lost, and C is occupied all the time by a train that stays: its train may seem to have gone on through D; without a loss it may not, nor once heartbeats have shown it."""
    stories = {
        "B": [(-40, OCCUPIED), (10, CLEAR)],
        "C": [(0, OCCUPIED), (600, CLEAR)],
        "D": [(50, OCCUPIED), (100, CLEAR)],
    }
    lost = [(20, None), (500, CLEAR)]
    told = found(**stories, E=lost, trains=[("C", 0, 600)], source_of=OTHERS)
    assert ("occupied-no-train", "C", 100, None, 600) in told
    known = found(**stories, E=[], trains=[("C", 0, 600)], source_of=OTHERS)
    assert "occupied-no-train" not in {kind for kind, *_ in known}
    noticed = found(
        **stories,
        E=[(5, None), (500, CLEAR)],
        trains=[("C", 0, 600)],
        source_of=OTHERS,
        heard={"ev/2": [NOON + 5 * SECOND]},
    )
    assert "occupied-no-train" not in {kind for kind, *_ in noticed}


def test_no_lost_message_excuses_a_vanished_train():
    """A train comes into C and its coming out into D is lost: nothing urgent is so, and nothing urgent may be said."""
    stories = through()
    stories["D"] = [(149, None), (500, CLEAR)]
    told = found(**stories, source_of=SOURCES)
    assert not {"vanished-train", "unseen-train"} & {kind for kind, *_ in told}


def test_an_occupation_in_which_a_section_failed_may_be_called_long():
    """C is entered at 0, fails, is given back under another train and clears at 2000: no train stood for so long, but nobody can tell."""
    told = found(
        B=[(-40, OCCUPIED), (10, CLEAR)],
        C=[(0, OCCUPIED), (100, DISTURBED), (1000, OCCUPIED), (2000, CLEAR)],
        D=[(1990, OCCUPIED), (2060, CLEAR)],
        trains=[("B", -40, 10), ("C", 0, 100), ("C", 900, 2000), ("D", 1990, 2060)],
    )
    assert ("long-occupation", "C", 0, None, 2000) in told


def test_what_falls_due_with_the_last_event_may_be_said_or_not():
    """Disturbed at 0: with the last event at 5.5 the clocks decide whether five seconds are over; at 6.5 they are."""
    for end, known in ((5.5, None), (6.5, 5)):
        told = found(C=[(0, DISTURBED)], end=round(end * SECOND))
        assert told == [("section-disturbed", "C", 0, known, None)]


def test_a_day_is_over_with_its_last_event():
    """M05 is disturbed eight seconds before the hour and nothing comes after it: that it lasted was not seen."""
    fault = Fault(kind="reset_unfollowed", subject="M05", at=BEGIN + HOUR - 8 * SECOND)
    simulation = simulate(
        LINE,
        hours=1,
        seed=3,
        begin=BEGIN,
        richness="basic",
        faults=[fault],
        traffic_after_s=None,
    )
    last = [x for x in simulation.events if not x.retained][-1]
    assert isinstance(last, SectionState)
    assert (last.subject, last.state) == ("M05", DISTURBED)
    assert simulation.truth == []


def test_contacts_that_stand_alike_for_a_second_disagree():
    """Both down from 10 to 100; for 0.9 s is a change-over."""
    down = Contacts(clear=False, occupied=False)
    alike = shown(CLEAR, contacts=down)
    told = found(C=[(10, alike), (100, CLEAR), (200, alike), (200.9, CLEAR)])
    assert told == [("contact-disagreement", "C", 10, 11, 100)]


def test_a_restoration_that_is_forgotten_is_known_after_five_minutes():
    """Clear at 0 with the interlocking occupied; restored at 301 it was too late, at 299 in time."""
    held = shown(CLEAR, interlocking=OCCUPIED)
    late = found(C=[(-5, DISTURBED), (0, held), (301, CLEAR)])
    assert late[-1] == ("restoration-incomplete", "C", 0, 300, 301)
    assert found(C=[(-4, DISTURBED), (0, held), (299, CLEAR)]) == []


def test_under_work_nothing_is_wrong_until_it_ends():
    """Disturbed at 100 under work from 50 to 500: known 5 s after the work, and one that ended before is nothing."""
    lasting = [(50, True), (100, DISTURBED), (500, False), (700, CLEAR)]
    assert found(C=lasting) == [("section-disturbed", "C", 500, 505, 700)]
    within = [(50, True), (100, DISTURBED), (300, CLEAR), (500, False)]
    assert found(C=within) == []


def test_a_reset_under_work_counts_from_its_end():
    """Accepted at 100, the work ended at 500: it is unproved at 4100."""
    story = [(0, True), (100, Step.ACCEPTED), (101, CLEAR), (500, False)]
    assert found(C=story) == [("reset-unproved", "C", 500, 4100, None)]


def test_what_falls_due_after_the_end_is_left_out():
    """A reset an hour before the end, less a second, is not yet unproved."""
    story = [(100, Step.ACCEPTED)]
    assert found(C=story, end=3699 * SECOND) == []
    assert found(C=story, end=3701 * SECOND) != []


def test_a_lock_out_and_faults_of_the_feed_are_truth_as_they_are():
    """An evaluator's lock-out from 10 to 900, a silence, a gap and a clock each give their line."""
    out = [
        Sighting(NOON + 10 * SECOND, Service.LOCKED_OUT),
        Sighting(NOON + 900 * SECOND, Service.IN_SERVICE),
    ]
    feed = [
        FeedFault(
            kind=kind,
            source="gw/G",
            gateway="G",
            began=NOON,
            known=NOON + (20 + place) * SECOND,
            ended=None,
        )
        for place, kind in enumerate(("silent", "gap", "clock"))
    ]
    assert found(evaluators={"E": out}, feed=feed) == [
        ("evaluator-locked-out", "E", 10, 10, 900),
        ("feed-silent", "G", 0, 20, None),
        ("feed-gap", "gw/G", 0, 21, None),
        ("clock-wrong", "gw/G", 0, 22, None),
    ]


def test_in_hours_that_see_no_train_a_reset_s_time_stands_still():
    """Trains by day only, for two days: a reset at 23:00 of the second falls due in the first hours that usually see one."""
    line = ROW
    begin = parse("2026-05-04T00:00:00Z")
    visits = [
        begin + day_ * DAY + hour * HOUR + 20 * MINUTE
        for day_ in range(3)
        for hour in range(8, 22)
    ]
    reset = begin + 2 * DAY + 23 * HOUR
    stories = {one: [Sighting(begin, shown(CLEAR))] for one in "ABCDE"}
    for moment in visits:
        for place, one in enumerate("ABCDE"):
            start = moment + place * 50 * SECOND
            stories[one] += [
                Sighting(start, shown(OCCUPIED)),
                Sighting(start + 60 * SECOND, shown(CLEAR)),
            ]
    stories["C"].append(Sighting(reset, Step.ACCEPTED))
    told = truths(
        Day(
            line=line,
            begin=begin,
            end=begin + 4 * DAY,
            sections=stories,
            evaluators={},
            feed=[],
            entries=[],
            exits=[],
        )
    )
    # Usual gaps are an hour, once a day ten: three times the median is three hours,
    # and the first hours with trains are from 08:00 on.
    assert [(x.kind, stamp(x.known or 0)) for x in told] == [
        ("reset-unproved", "2026-05-07T11:00:00.000Z")
    ]


# Named days.

EXPECTED = {
    # what each day must hold, whatever else the trains bring about
    **dict.fromkeys(NOTHING, frozenset()),
    "lightning": {"evaluator-locked-out", "section-disturbed"},
    "drifting_head": {"section-disturbed"},
    "level_out": {"level-out"},
    "level_drift": {"level-drift"},
    "loose_head": {"section-disturbed", "repeat-disturbance"},
    "phantom": {"occupied-no-train"},
    "reset_followed": {"section-disturbed"},
    "reset_unfollowed": {"section-disturbed", "reset-unproved"},
    "reset_inside": {"vanished-train", "section-disturbed", "reset-not-held"},
    "lost_train": {"vanished-train", "unseen-train"},
    "missed_train": {"unseen-train"},
    "stuck": {"occupied-no-train", "count-mismatch"},
    "miscount": {"count-mismatch"},
    "one_sided": {"one-sided-head"},
    "spurious": {"spurious-occupation"},
    "lock_out": {"evaluator-locked-out", "section-disturbed"},
    "contacts": {"contact-disagreement"},
    "not_restored": {"section-disturbed", "restoration-incomplete"},
    "offline": {"feed-silent"},
    "silence": {"feed-silent", "feed-gap"},
    "outage": {"feed-silent"},
    "gap": {"feed-gap"},
    "clock": {"clock-wrong"},
    "cable": {"section-disturbed", "common-cause"},
    "unit": {"section-disturbed"},
    "evaluator": {"section-disturbed", "common-cause"},
    "supply": {"section-disturbed", "common-cause"},
    "storm": {"section-disturbed", "common-cause"},
    "work": set(),
    "long_stand": {"long-occupation"},
    "part": {"occupied-no-train"},
    "slow_sweep": {"section-disturbed"},
    "before_train": {"section-disturbed"},
}

SUBJECTS = {
    "lightning": "EV3",
    "drifting_head": "H303",
    "level_out": "H303",
    "level_drift": "H303",
    "loose_head": "H202",
    "phantom": "W02",
    "reset_unfollowed": "M05",
    "reset_inside": "T08",
    "lost_train": "T08",
    "missed_train": "T08",
    "stuck": "T08",
    "miscount": "H303",
    "one_sided": "H303",
    "spurious": "M05",
    "lock_out": "EV2",
    "contacts": "W03",
    "not_restored": "M05",
    "offline": "GW3",
    "silence": "GW3",
    "outage": "GW3",
    "gap": "GW3",
    "clock": "gw/GW1",
    "cable": "C4",
    "unit": "TU9",
    "evaluator": "EV2",
    "supply": "PS2",
    "storm": "mill",
    "work": "M05",
    "long_stand": "W02",
    "part": "T08",
    "part_and_join": "T08",
    "talk_past": "T08",
    "possession": "W01",
    "restart": "GW3",
    "standing": "P05",
}


@pytest.mark.days
@pytest.mark.parametrize("name", DAYS)
def test_a_named_day_holds_what_it_is_named_for(name):
    """Each named day has the truth lines of its fault, at its subject's time, and the quiet ones none at all."""
    subject = SUBJECTS.get(name, "" if name == "quiet" else "W02")
    simulation = day(name, subject=subject).simulate(LINE)
    kinds = {one["kind"] for one in simulation.truth}
    assert EXPECTED[name] <= kinds
    if not EXPECTED[name]:
        assert simulation.truth == []
    for one in simulation.truth:
        assert parse(one["began"]) >= BEGIN + 39 * MINUTE


def test_every_way_of_losing_the_truth_has_its_day():
    """No named way is without a day, but the plain steps that scripts are made of; some days are made by their traffic alone."""
    steps = {"disturb", "reset", "hold", "give_back"}
    traffic = {"quiet", "close_following", "turning", "shunting", "long_trains"}
    assert set(KINDS) - steps == set(DAYS) - traffic
    assert set(EXPECTED) == set(DAYS)


def test_an_unknown_day_is_refused():
    """A day that does not exist is refused, with those that do."""
    with pytest.raises(ValueError, match="day 'monday': expected one of quiet"):
        day("monday")


def test_a_will_bears_the_time_of_connecting():
    """Going offline, a gateway's will says when it had connected, and comes while it is silent."""
    scenario = day("offline", subject="GW3")
    events = list(scenario.simulate(LINE).events)
    wills = [x for x in events if isinstance(x, GatewayStatus) and not x.online]
    (will,) = {x.name: x for x in wills}.values()
    assert will.subject == "GW3"
    assert abs(will.time - BEGIN) < 2 * SECOND
    assert will.arrival is not None
    assert will.arrival > BEGIN + 40 * MINUTE
    assert will.sequence is None


def test_a_gateway_that_comes_back_says_so_first_and_then_how_things_stand():
    """After an outage numbers begin at nought with `online`, and every section of the gateway follows with a new id."""
    scenario = day("outage", subject="GW5")
    source = [
        x
        for x in scenario.simulate(LINE).events
        if x.source == "gw/GW5" and not x.retained
    ]
    restart = [place for place, x in enumerate(source) if place > 5 and x.sequence == 0]
    back = source[restart[0]]
    assert isinstance(back, GatewayStatus)
    after = [x for x in source[restart[0] :] if isinstance(x, SectionState)]
    soon = {x.subject for x in after if x.time - back.time < 5 * SECOND}
    assert soon == {f"M0{n}" for n in range(1, 8)}


def test_a_wrong_clock_is_an_hour_off_and_others_are_not():
    """While one source's clock is wrong its events are an hour from their arrival, and nobody else's."""
    events = list(day("clock", subject="gw/GW1").simulate(LINE).events)
    for event in events:
        assert event.arrival is not None
        if event.retained or (isinstance(event, GatewayStatus) and not event.online):
            continue
        off = abs(event.arrival - event.time)
        assert off < 10 * SECOND or (
            event.source == "gw/GW1" and abs(off - HOUR) < 10 * SECOND
        )
    wrong = [x for x in events if abs((x.arrival or 0) - x.time) > MINUTE]
    assert len(wrong) > 40


def test_a_clock_that_is_wrong_for_few_events_may_be_told_and_need_not():
    """A clock that was an hour off for fewer than eleven events is so, and has no moment from which it must be known."""
    fault = Fault(kind="clock", subject="gw/GW1", at=BEGIN + HOUR, minutes=4)
    simulation = simulate(LINE, hours=2, seed=1, begin=BEGIN, faults=[fault])
    wrong = [
        x
        for x in simulation.events
        if abs((x.arrival or x.time) - x.time) > MINUTE and not x.retained
    ]
    assert 0 < len({x.id for x in wrong}) < 11
    told = [x for x in simulation.truth if x["kind"] == "clock-wrong"]
    assert [(x["subject"], x["known"]) for x in told] == [("source/gw/GW1", None)]


def test_a_cable_takes_the_sections_beside_its_heads():
    """Cable C4 of the example line feeds three heads, and P03 to P06 are beside them."""
    assert sections_on(LINE, "C4") == ("P03", "P04", "P05", "P06")
    fault = Fault(kind="cable", subject="C4", at=BEGIN + HOUR)
    simulation = simulate(LINE, hours=2, seed=2, begin=BEGIN, faults=[fault])
    began = {
        x["subject"]: parse(x["began"])
        for x in simulation.truth
        if x["kind"] == "section-disturbed"
    }
    assert set(began) == {f"section/P0{n}" for n in range(3, 7)}
    assert max(began.values()) - min(began.values()) < 6 * SECOND


def test_faults_are_drawn_at_the_rate_that_was_asked_for():
    """Over ten days at one in 90 to 360 minutes there are about 64, in order, of many kinds."""
    from random import Random  # noqa: PLC0415

    faults = list(drawn(LINE, Random(1), BEGIN, BEGIN + 10 * DAY))
    assert 50 <= len(faults) <= 80
    assert [x.at for x in faults] == sorted(x.at for x in faults)
    assert len({x.kind for x in faults}) >= 10


# The tour.


@pytest.fixture(scope="module")
def first_minutes():
    """The tour's first twenty minutes of railway time."""
    simulation = tour(LINE, hours=0.5).simulate(LINE)
    events = list(simulation.events)
    states = [
        (round((x.time - NIGHT) / SECOND), x.subject, x.state)
        for x in events
        if isinstance(x, SectionState) and not x.retained
    ]
    return simulation, events, states


def at(states, section, state, first, last):
    """When *section* turned to *state* between two moments, each (minute, second)."""
    found_at = [
        second
        for second, one, what in states
        if one == section
        and what is state
        and first[0] * 60 + first[1] <= second <= last[0] * 60 + last[1]
    ]
    return found_at[0] if found_at else None


def test_the_tour_begins_with_five_trains(first_minutes):
    """At 02:00 five sections are occupied, by five trains."""
    _, _, states = first_minutes
    begun = {one for second, one, what in states if second < 4 and what is OCCUPIED}
    assert begun == {"T10", "T06", "P01", "M02", "W01"}


def test_the_tour_s_cable_takes_four_sections_within_six_seconds(first_minutes):
    """At 02:03 P03 to P06 are disturbed within 6 s, with a train standing before them."""
    simulation, _, states = first_minutes
    times = [at(states, f"P0{n}", DISTURBED, (2, 58), (3, 10)) for n in range(3, 7)]
    assert None not in times
    assert max(times) - min(times) <= 6
    stood = [x for x in visits_of(simulation, "P02") if x[0] < 180 < x[1]]
    assert stood


def visits_of(simulation, section):
    """From when to when trains were in *section*, in seconds after 02:00."""
    railway = simulation.world.railway
    came = [round((m - NIGHT) / SECOND) for m, one in railway.entries if one == section]
    left = [round((m - NIGHT) / SECOND) for m, one in railway.exits if one == section]
    return list(zip(came, left, strict=False))


def test_the_tour_s_train_works_through_three_of_four_resets(first_minutes):
    """Reset at 02:05, P03, P04 and P06 see a train by 02:08; P05 sees none."""
    simulation, events, states = first_minutes
    accepted = {
        x.subject: (x.time - NIGHT) / MINUTE
        for x in events
        if isinstance(x, SectionReset) and x.step is Step.ACCEPTED
    }
    for section in ("P03", "P04", "P05", "P06"):
        assert accepted[section] == pytest.approx(5.1, abs=0.2)
    for section in ("P03", "P04", "P06"):
        assert at(states, section, OCCUPIED, (5, 10), (7, 30)) is not None
        assert at(states, section, CLEAR, (6, 0), (8, 0)) is not None
    assert not [x for x in visits_of(simulation, "P05") if x[0] < 17 * 60]


def test_the_tour_resets_a_section_with_a_train_inside(first_minutes):
    """T08 is entered after 02:07, reset at 02:09 with its neighbours clear around it, and at 02:11 the train comes out into T09 and T10."""
    simulation, events, states = first_minutes
    (came, left), *_ = visits_of(simulation, "T08")
    assert 7 * 60 <= came < 9 * 60
    assert 11 * 60 <= left < 12 * 60
    reset = [
        (x.time - NIGHT) / SECOND
        for x in events
        if isinstance(x, SectionReset)
        and x.subject == "T08"
        and x.step is Step.ACCEPTED
    ]
    assert reset[0] == pytest.approx(540, abs=2)
    assert at(states, "T08", CLEAR, (8, 59), (9, 3)) is not None
    assert at(states, "T08", DISTURBED, (11, 0), (12, 0)) is not None
    assert at(states, "T09", OCCUPIED, (11, 0), (12, 0)) is not None
    assert at(states, "T10", OCCUPIED, (11, 30), (12, 30)) is not None


def test_the_tour_s_branch_is_silent_at_fourteen_minutes_and_comes_back(first_minutes):
    """GW5 is last heard before 02:14 and heard again before 02:17; its silence is the only fault of the feed."""
    simulation, _, _ = first_minutes
    silent = [x for x in simulation.truth if x["kind"].startswith(("feed", "clock"))]
    (one,) = silent
    assert one["subject"] == "gateway/GW5"
    assert 13.8 <= (parse(one["began"]) - NIGHT) / MINUTE <= 14.1
    assert 14.1 <= (parse(one["known"]) - NIGHT) / MINUTE <= 14.4
    assert 15 <= (parse(one["ended"]) - NIGHT) / MINUTE <= 17


@pytest.mark.parametrize("seed", range(5))
def test_the_tour_s_truth_in_its_first_minutes_is_its_script(seed):
    """Whatever the seed, up to 02:19 there is the cable, the reset that did not hold, the section and the train it left, and the silence; no more."""
    scenario = tour(LINE, hours=0.5)
    simulation = scenario.simulate(LINE, seed=seed)
    early = [
        (x["kind"], x["subject"])
        for x in simulation.truth
        if x["known"] is not None and parse(x["known"]) < NIGHT + 19 * MINUTE
    ]
    assert early == [
        *(("section-disturbed", f"section/P0{n}") for n in range(3, 7)),
        ("common-cause", "cable/C4"),
        ("vanished-train", "section/T08"),
        ("reset-not-held", "section/T08"),
        ("section-disturbed", "section/T08"),
        ("unseen-train", "section/T08"),
        ("feed-silent", "gateway/GW5"),
    ]


def test_after_its_first_minutes_the_tour_brings_a_fault_every_two_to_four_minutes():
    """At twenty times the speed, forty to eighty minutes of railway time are two to four of watching."""
    scenario = tour(LINE, hours=24)
    later = [x.at for x in scenario.faults if x.at > NIGHT + 22 * MINUTE]
    gaps = [b - a for a, b in itertools.pairwise(later)]
    assert all(40 * MINUTE - SECOND <= gap <= 80 * MINUTE + SECOND for gap in gaps)
    assert len(later) > 20


def test_on_the_tour_trains_go_on_for_as_long_as_somebody_watches():
    """Half a day and longer, by night as by day: at twenty times the speed no minute and a half goes by in which none moves."""
    assert tour(LINE).hours >= 24
    end = NIGHT + 12 * HOUR
    came = [NIGHT]
    for one in tour(LINE).simulate(LINE, seed=1).events:
        if one.time > end:
            break
        if isinstance(one, SectionState) and one.state is OCCUPIED:
            came.append(one.time)
    assert max(b - a for a, b in itertools.pairwise(sorted(came))) < 30 * MINUTE
    assert came[-1] > end - 30 * MINUTE


def test_a_line_that_the_tour_does_not_know_is_refused():
    """On another line the tour says what it lacks."""
    with pytest.raises(ValueError, match="the tour needs cable C4 and sections P01"):
        tour(ROW)


@pytest.mark.days
@pytest.mark.parametrize("kind", list(ResetKind))
def test_every_way_of_giving_back_ends_clear_and_restored(kind):
    """By whichever reset, a disturbed section is clear again after its train and its interlocking is restored."""
    fault = Fault(kind="reset_followed", subject="W02", at=BEGIN + HOUR, reset=kind)
    simulation = simulate(LINE, hours=4, seed=3, begin=BEGIN, faults=[fault])
    list(simulation.events)
    one = simulation.world.evaluators.sections["W02"]
    inside = bool(simulation.world.railway.inside["W02"])
    assert one.state is (OCCUPIED if inside else CLEAR)
    assert not one.held
    assert one.sweep is None


def test_a_locked_out_evaluator_is_told_and_its_sections_wait_for_it():
    """While it is locked out every section of it is disturbed, and none is reset before it is in service."""
    events = list(day("lock_out", subject="EV2").simulate(LINE).events)
    service = {
        x.state: x.time
        for x in events
        if isinstance(x, EvaluatorState) and x.subject == "EV2"
    }
    resets = [
        x.time
        for x in events
        if isinstance(x, SectionReset)
        and x.subject.startswith("W")
        and x.step is Step.ACCEPTED
    ]
    assert resets
    assert min(resets) > service[Service.IN_SERVICE]


def test_after_the_silence_of_the_tour_one_section_after_the_other_is_known_again():
    """The branch comes back in the order of its snapshots, far enough apart to be seen at twenty times the speed."""
    engine = Engine(LINE)
    back: dict[str, Moment] = {}
    unknown: set[str] = set()
    for event in tour(LINE, hours=0.5).simulate(LINE).events:
        engine.take(event)
        now = {one for one in engine.not_known() if one.startswith("M")}
        if event.time > NIGHT + 14 * MINUTE:
            assert event.arrival is not None
            back |= dict.fromkeys(unknown - now, event.arrival)
        unknown = now
    assert set(back) == {f"M0{n}" for n in range(1, 8)}
    moments = sorted(back.values())
    assert all(b - a >= 4 * SECOND for a, b in itertools.pairwise(moments))
    assert moments[-1] < NIGHT + 17 * MINUTE
