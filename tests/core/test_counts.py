from __future__ import annotations

import pytest
from hypothesis import given, strategies as st

from monitor.core import changes
from monitor.core.counts import Counts, departs, is_few
from monitor.core.detector import Place
from monitor.core.events import State
from monitor.core.layout import read_line
from monitor.core.moments import MINUTE, parse
from monitor.core.occupancy import Settled, Why

NOON = parse("2026-05-04T12:00:00Z")

CLEAR = """
05:00:00 T1 clear
05:00:00 T2 clear
05:00:00 T3 clear
05:00:00 T4 clear
05:00:00 T5 clear
05:00:00 T6 clear
"""


def through(*axles, hour="06"):
    """A train from one open end to the other, five minutes of it, counted as *axles* at H0 to H5; None where a head says nothing."""
    lines = []
    for number, count in enumerate(axles):
        if number < 5:
            lines.append(f"{hour}:{number:02}:00 T{number + 1} occupied")
        if number > 0:
            lines.append(f"{hour}:{number:02}:20 T{number} clear axles=0")
        if count is not None:
            lines.append(f"{hour}:{number:02}:20 H{number} forward {count}")
    return "\n".join(lines)


# Which of three departs.


@pytest.mark.parametrize(
    ("counts", "found"),
    [
        ((40, 39, 40), 1),
        ((40, 43, 40), 1),
        ((40, 44, 40), None),  # four may be a vehicle
        ((37, 40, 40), 0),
        ((36, 40, 40), None),
        ((40, 40, 41), 2),
        ((40, 40, 40), None),
        ((40, 39, 38), None),  # no two agree
        ((40, 42, 44), None),
    ],
)
def test_the_one_that_departs_from_two_that_agree(counts, found):
    """One to three axles, and two that agree: then the third has miscounted, and otherwise nobody can tell."""
    assert departs(counts) == found


@given(st.tuples(*[st.integers(1, 60)] * 3))
def test_backwards_the_same_one_departs(counts):
    """The order in which a train passes the heads does not make one of them right."""
    forward, back = departs(counts), departs(counts[::-1])

    assert back == (None if forward is None else 2 - forward)


@pytest.mark.parametrize(
    ("axles", "few"),
    [(-4, 0), (-3, 1), (-1, 1), (0, 0), (1, 1), (3, 1), (4, 0)],
)
def test_few_axles(axles, few):
    """One to three, over or lacking, are a miscount; none is none, and more may be vehicles."""
    assert is_few(axles) == bool(few)


# One train at several heads, through the engine.


@pytest.mark.parametrize(
    ("axles", "found"),
    [
        # The middle one, known when the next is passed.
        ((40, 40, 39, 40, 40, 40), ["head/H2 planned 06:01:20 06:03:20"]),
        ((40, 40, 43, 40, 40, 40), ["head/H2 planned 06:01:20 06:03:20"]),
        # The first, known at the third.
        ((41, 40, 40, 40, 40, 40), ["head/H0 planned 06:00:20 06:02:20"]),
        # The last, where the train leaves: known at once.
        ((40, 40, 40, 40, 40, 42), ["head/H5 planned 06:03:20 06:05:20"]),
        # The last but one is told from both sides.
        ((40, 40, 40, 40, 37, 40), ["head/H4 planned 06:03:20 06:05:20"]),
        ((40, 40, 40, 40, 40, 40), []),
        ((40, 40, 36, 40, 40, 40), []),  # four
        ((40, 40, 40, 38, 38, 38), []),  # a vehicle was left
        ((40, 39, 38, 37, 36, 35), []),  # no two agree
        ((None, None, 40, 39, None, None), []),  # two heads: which of them?
        # Heads that send nothing are passed over.
        (
            (None, 40, None, 39, 40, None),
            ["head/H3 planned 06:01:20 06:04:20"],
        ),
        ((None, 40, 39, None, 40, None), ["head/H2 planned 06:01:20 06:04:20"]),
    ],
)
def test_the_same_train_at_successive_heads(run, axles, found):
    """The head that departs from those before and after it is the suspect, and no other."""
    day = run().tell(CLEAR + through(*axles)).until("06:30:00")

    said = [" ".join(line.split()[1:5]) for line in day.brief("count-mismatch")]
    assert said == found


def test_what_the_alert_rests_on(run):
    """It names the three passages, by their events, and what each counted."""
    day = run().tell(CLEAR + through(40, 40, 39, 40, 40, 40)).until("06:30:00")

    [alert] = [one for one in day.alerts if one.kind == "count-mismatch"]
    assert [one.text for one in alert.evidence] == [
        "H1 counted 40 axles",
        "H2 counted 39 axles",
        "H3 counted 40 axles",
    ]
    assert all(one.event.startswith("gw/9#") for one in alert.evidence)
    assert (
        alert.summary == "H2 counted 39 axles of a train that H1 and H3 counted as 40"
    )
    assert alert.affected == ("head/H2", "section/T2", "section/T3")


def test_under_work_nothing_is_counted(run):
    """A head beside a section under work may be tested with anything."""
    day = run().tell(CLEAR + "05:30:00 T3 work begun W7\n")
    day.tell(through(40, 40, 39, 40, 40, 40)).until("06:30:00")

    assert day.brief("count-mismatch") == []


def hourly(day, trains, *, odd=()):
    """A train an hour after that of six o'clock, counted as 40 axles at every head; the *odd* ones as 41 at H2."""
    for number in range(1, trains + 1):
        days, hour = divmod(6 + number, 24)
        day.story.day = f"2026-05-{4 + days:02}"
        middle = 41 if number in odd else 40
        day.tell(through(40, 40, middle, 40, 40, 40, hour=f"{hour:02}"))
    return day


@pytest.mark.parametrize(("trains", "ended"), [(19, "-"), (20, "02:03:20")])
def test_twenty_trains_in_agreement_end_it(run, trains, ended):
    """The twentieth train counted alike at the head ends it, and a nineteenth does not."""
    day = run().tell(CLEAR + through(40, 40, 39, 40, 40, 40))
    hourly(day, trains).until("03:00:00")

    # The twentieth passes H2 at 02:02:20, and H3, which agrees, at 02:03:20.
    assert day.brief("count-mismatch") == [
        f"count-mismatch head/H2 planned 06:01:20 06:03:20 {ended}"
    ]


@pytest.mark.parametrize(
    ("suspect", "trains", "over"),
    [
        # Two heads alike are agreement of the first of them; two that differ are none.
        ((41, 40, 40, 40, 40, 40), (40, 40, None, None, None, None), True),
        ((41, 40, 40, 40, 40, 40), (40, 39, None, None, None, None), False),
        # A head that counts as the one before it does agrees, whatever the one after it counts.
        ((40, 40, 39, 40, 40, 40), (None, 40, 40, 41, None, None), True),
        ((40, 40, 39, 40, 40, 40), (None, 40, 41, 42, None, None), False),
    ],
)
def test_what_counts_as_agreement(run, suspect, trains, over):
    """Twenty trains counted at a head as at the one before it or after it end what was said of it."""
    day = run().tell(CLEAR + through(*suspect))
    for number in range(7, 27):
        day.story.day = f"2026-05-{4 + number // 24:02}"
        day.tell(through(*trains, hour=f"{number % 24:02}"))
    day.until("04:00:00")

    [alert] = day.brief("count-mismatch")
    assert (alert.split()[-1] != "-") == over


def test_a_miscount_begins_the_twenty_anew(run):
    """Twenty in agreement are twenty one after another; one more miscount is a change of the alert."""
    day = run().tell(CLEAR + through(40, 40, 39, 40, 40, 40))
    hourly(day, 25, odd=(6,)).until("08:00:00")

    # 25 less the first five and the odd one are nineteen.
    assert day.brief("count-mismatch") == [
        "count-mismatch head/H2 planned 06:01:20 06:03:20 -"
    ]
    last = [one for one in day.alerts if one.kind == "count-mismatch"][-1]
    assert last.parameters["counted_trains"] == 2
    assert last.summary.startswith("H2 counted 41 axles of a train that H1 and H3")


# Axles left over, through the engine.

LEFT = """
06:00:00 T1 occupied
06:01:00 T2 occupied
06:01:20 T1 clear axles=0
06:02:00 T3 occupied
06:02:25 T2 occupied axles={two}
06:03:00 T4 occupied
06:03:20 T3 {three}
06:03:25 T3 {three}
06:04:00 T5 occupied
06:04:20 T4 clear axles=0
06:05:20 T5 clear axles=0
"""


@pytest.mark.parametrize("two", [1, 3, -1, -3])
def test_axles_left_in_one_section(run, two):
    """One to three, either sign, point to the section where nothing is said beside it; raised with the section that stays occupied."""
    table = LEFT.format(two=two, three="clear axles=0")
    day = run().tell(CLEAR + table).until("06:30:00")

    # T3 cleared at 06:03:20 with the train in T4; 60 s later T2 is still occupied.
    assert day.brief("count-mismatch", "occupied-no-train") == [
        "count-mismatch section/T2 prompt 06:02:25 06:04:20 -",
        "occupied-no-train section/T2 prompt 06:03:20 06:04:20 -",
    ]


@pytest.mark.parametrize("two", [4, -4, 40])
def test_more_may_be_vehicles(run, two):
    """Four axles are no miscount; that the section stays occupied is said all the same."""
    table = LEFT.format(two=two, three="clear axles=0")
    day = run().tell(CLEAR + table).until("06:30:00")

    assert day.brief("count-mismatch", "occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:03:20 06:04:20 -",
    ]


def test_as_many_over_as_are_lacking_beside_it(run, plain):
    """+2 in T2 and -2 in T3 point to the head between them, which is H2."""
    table = LEFT.format(two=2, three="occupied axles=-2")
    day = run(plain(6)).tell(CLEAR + table).until("06:30:00")

    # T4 cleared at 06:04:20 with the train in T5, so T2 and T3 are left behind.
    assert day.brief("count-mismatch") == [
        "count-mismatch head/H2 prompt 06:02:25 06:05:20 -"
    ]
    [alert] = [one for one in day.alerts if one.kind == "count-mismatch"]
    assert alert.parameters["left"] == {"section/T2": 2, "section/T3": -2}
    assert alert.summary == (
        "axles left beside H2 after the train went on: 2 over in T2 and 2 too few in T3"
    )


def test_not_as_many_beside_it(run, plain):
    """+2 and -1 are two miscounts, or something else; no head is named."""
    table = LEFT.format(two=2, three="occupied axles=-1")
    day = run(plain(6)).tell(CLEAR + table).until("06:30:00")

    assert sorted(line.split()[1] for line in day.brief("count-mismatch")) == [
        "section/T2",
        "section/T3",
    ]


@pytest.mark.parametrize(
    ("three", "subject"),
    [("disturbed axles=-2", "head/H2"), ("disturbed", "section/T2")],
)
def test_where_too_few_are_shown_as_disturbed(run, plain, three, subject):
    """An evaluator that shows a tally below nought as disturbed may give the tally with it; without it the section is all that is known."""
    table = LEFT.format(two=2, three=three)
    day = run(plain(6)).tell(CLEAR + table).until("06:30:00")

    assert day.brief("count-mismatch") == [
        f"count-mismatch {subject} prompt 06:02:25 06:05:20 -"
    ]


def test_given_back_one_after_the_other(run, plain):
    """When T3 is given back first, what is left in T2 still points to the head between them, and is nothing new."""
    table = LEFT.format(two=2, three="occupied axles=-2")
    day = run(plain(6)).tell(CLEAR + table)
    day.tell("06:20:00 T3 reset accepted\n06:20:01 T3 clear axles=0").until("06:30:00")

    assert day.brief("count-mismatch") == [
        "count-mismatch head/H2 prompt 06:02:25 06:05:20 -"
    ]
    assert len([one for one in day.alerts if one.kind == "count-mismatch"]) == 1


def test_given_back_before_it_is_due(run):
    """A section that clears within the minute is none that stays occupied."""
    table = LEFT.format(two=1, three="clear axles=0")
    day = (
        run()
        .tell(CLEAR)
        .tell(
            sorted(
                run().story.events(table + "06:04:10 T2 clear axles=0\n"),
                key=lambda one: one.time,
            )
        )
    )

    assert day.until("06:30:00").brief("count-mismatch") == []


def test_passages_say_which_head_of_a_section(run):
    """+1 left in T2 and H2 had counted one axle less of that train than the others: it is H2, once, and the section stays occupied."""
    table = LEFT.format(two=1, three="clear axles=0")
    heads = (
        "06:00:20 H0 forward 40\n06:01:20 H1 forward 40\n06:02:20 H2 forward 39\n"
        "06:03:20 H3 forward 40\n06:04:20 H4 forward 40\n06:05:20 H5 forward 40\n"
    )
    day = run().tell(CLEAR)
    day.tell(sorted(day.story.events(table + heads), key=lambda one: one.time))

    assert day.until("06:30:00").brief("count-mismatch") == [
        "count-mismatch head/H2 prompt 06:01:20 06:03:20 -"
    ]


def test_a_section_is_proved_by_twenty_trains_through_it(run):
    """Where only the section is known, twenty trains that worked it through end it."""
    day = run().tell(CLEAR + LEFT.format(two=1, three="clear axles=0"))
    day.tell("06:20:00 T2 reset accepted\n06:20:01 T2 clear axles=0")
    for number in range(7, 27):
        day.story.day = "2026-05-04" if number < 24 else "2026-05-05"
        day.tell(through(*[None] * 6, hour=f"{number % 24:02}"))
    day.until("03:00:00")

    # The train of 02:00 is the twentieth, and left T2 at 02:02:20.
    assert day.brief("count-mismatch") == [
        "count-mismatch section/T2 prompt 06:02:25 06:04:20 02:02:22"
    ]


# What a line of the tables does not reach.


def settled(state=State.OCCUPIED, axles=1):
    """How a section stands: so for five minutes, told a minute ago."""
    return Settled(
        state=state,
        axles=axles,
        reasons=set(),
        so_since=NOON - 5 * MINUTE,
        at=NOON - MINUTE,
        identity="gw/1#9",
    )


@pytest.fixture
def left(plain):
    """Counts of which T2 is left over with one axle, and what was told."""
    line = plain()
    sections = {name: settled(State.CLEAR, 0) for name in line.sections}
    sections["T2"] = settled()
    counts = Counts(line, sections)
    told = counts.hear(
        changes.TrainWentOn(
            place="T2",
            at=NOON,
            between="T3",
            front="T4",
            cleared=NOON,
            event="gw/1#10",
            left=1,
            beside=None,
        )
    )
    assert [(type(one).__name__, one.place) for one in told] == [
        ("LeftOver", "section/T2")
    ]
    return counts


def said(told):
    """What was told, in brief."""
    return [(type(one).__name__, one.place) for one in told]


def test_a_train_that_joins_takes_it_back(left):
    """What a tally says of two trains nobody can say of one."""
    joined = changes.TrainJoined(
        place="T2", at=NOON + MINUTE, joined=NOON + MINUTE, out_of="T1"
    )

    assert said(left.hear(joined)) == [("LeftOverGone", "section/T2")]
    assert said(left.hear(joined)) == []


def test_work_takes_it_back(left):
    """Under work anything may be counted."""
    work = changes.WorkBegan(place="T2", at=NOON + MINUTE, why="W7")

    assert said(left.hear(work)) == [("LeftOverGone", "section/T2")]
    assert left.left == {}


def test_another_state_takes_it_back(left):
    """After a reset the section waits for a sweep, and its tally is another."""
    left.sections["T2"].state = State.AWAITING_SWEEP

    assert said(left.tell("T2", NOON + MINUTE)) == [("LeftOverGone", "section/T2")]


def test_another_tally_takes_it_back_or_is_told(left):
    """More than three is said no longer; two is said anew; the same again is not."""
    left.sections["T2"].axles = 2
    assert said(left.tell("T2", NOON + MINUTE)) == [("LeftOver", "section/T2")]
    assert said(left.tell("T2", NOON + MINUTE)) == []
    left.sections["T2"].axles = 4
    assert said(left.tell("T2", NOON + MINUTE)) == [("LeftOverGone", "section/T2")]


def test_while_it_is_not_known_it_waits(left):
    """A spell that is not known stops the timer, which begins anew after it."""
    left.sections["T2"].reasons.add(Why.SILENT)
    lost = changes.NotKnown(place="T2", at=NOON + MINUTE, since=NOON, why="silent")
    assert said(left.hear(lost)) == [("LeftOverGone", "section/T2")]

    left.sections["T2"].reasons.clear()
    known = changes.KnownAgain(
        place="T2", at=NOON + 9 * MINUTE, state=State.OCCUPIED, event="gw/1#12"
    )
    [told] = left.hear(known)
    assert isinstance(told, changes.LeftOver)
    assert (told.cleared, told.since) == (NOON, NOON + 9 * MINUTE)


def went_on(place, between, front, at=NOON):
    """The train that was in *place* is in *front*."""
    return changes.TrainWentOn(
        place=place,
        at=at,
        between=between,
        front=front,
        cleared=at,
        event="gw/1#11",
        left=None,
        beside=None,
    )


def test_a_pair_is_timed_from_the_later_of_its_spells(left):
    """+1 and -1 point to the head between them; that one of the two was not known meanwhile times both anew."""
    left.sections["T3"] = settled(axles=-1)
    assert said(left.hear(went_on("T3", "T4", "T5"))) == [
        ("LeftOverGone", "section/T2"),
        ("LeftOver", "H2"),
    ]

    known = changes.KnownAgain(
        place="T2", at=NOON + 9 * MINUTE, state=State.OCCUPIED, event="gw/1#12"
    )
    [told] = left.hear(known)
    assert isinstance(told, changes.LeftOver)
    assert told.since == NOON + 9 * MINUTE


def test_where_two_heads_lie_between_neither_is_named():
    """Two ways lead from T2 to T3: which of the two heads miscounted, +1 and -1 do not say."""
    text = ['[line]\nname = "Loop"\ntimezone = "UTC"']
    text += ['[[evaluator]]\nid = "EV1"\nsite = "Room 1"']
    text += [
        f'[[section]]\nid = "T{number}"\narea = "a"\nevaluator = "EV1"\n'
        "length_m = 800\nspeed_km_h = 100"
        for number in range(2, 6)
    ]
    text += [
        f'[[head]]\nid = "{head}"\nbetween = ["{one}", "{other}"]'
        for head, one, other in (
            ("H1", "open", "T2"),
            ("H2A", "T2", "T3"),
            ("H2B", "T2", "T3"),
            ("H3", "T3", "T4"),
            ("H4", "T4", "T5"),
        )
    ]
    line = read_line("\n".join(text))
    sections = {name: settled(State.CLEAR, 0) for name in line.sections}
    sections |= {"T2": settled(axles=1), "T3": settled(axles=-1)}
    counts = Counts(line, sections)
    told = counts.hear(went_on("T2", "T3", "T4"))
    told += counts.hear(went_on("T3", "T4", "T5"))

    assert said(told) == [("LeftOver", "section/T2"), ("LeftOver", "section/T3")]


def test_a_train_that_turns_back_passes_a_head_twice():
    """40, then 39 and 39 at one head, then 40: the head lost one axle each way, and is the suspect once."""
    line = Place.example().line
    counts = Counts(line, {name: settled() for name in line.sections})
    passed: list[changes.Counted] = []
    told: list[changes.Change] = []
    for number, (head, axles) in enumerate(
        [("H106", 40), ("H107", 39), ("H107", 39), ("H106", 40)]
    ):
        at = NOON + number * MINUTE
        passed.append(
            changes.Counted(head=head, at=at, axles=axles, event=f"gw/1#{number}")
        )
        told += counts.hear(
            changes.TrainCounted(
                place=head, at=at, passages=tuple(passed), leaves=head == "H106"
            )
        )

    assert said(told) == [("Miscounted", "H107")]
