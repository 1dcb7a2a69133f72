from __future__ import annotations

import ast
import hashlib
import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor import cli
from monitor.core.alerts import line as alert_line
from monitor.core.engine import Detection, Engine
from monitor.core.events import (
    Direction,
    EvaluatorState,
    GatewayStatus,
    HeadPassage,
    MonitorRecord,
    RecordKind,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    Service,
    State,
    Step,
)
from monitor.core.layout import read_line
from monitor.core.moments import SECOND, parse, stamp
from monitor.core.wire import write
from replay import player, recheck as checker
from replay.recheck import Book, Opinion, Rules, Verdict, check, recheck
from replay.recheck.then import Then
from replay.simulator import scenarios

AGREES, DISAGREES, CANNOT_TELL = Opinion.AGREES, Opinion.DISAGREES, Opinion.CANNOT_TELL

SECTION = (
    '[[section]]\nid = "{}"\narea = "a"\nevaluator = "{}"\n'
    "length_m = 800\nspeed_km_h = 100\n"
)


def line_text(sections, joints):
    """A line file: T1 to T3 and what has no number on EV1, the others on EV2."""
    text = '[line]\nname = "by hand"\ntimezone = "UTC"\n'
    for number in (1, 2):
        text += (
            f'[[evaluator]]\nid = "EV{number}"\nsite = "r"\ngateway = "GW{number}"\n'
        )
    for one in sections:
        text += SECTION.format(one, "EV2" if one[1:] in {"4", "5", "6"} else "EV1")
    for number, (one, other) in enumerate(joints):
        text += f'[[head]]\nid = "H{number}"\nbetween = ["{one}", "{other}"]\n'
    return text


ROW = [f"T{number}" for number in range(1, 7)]
PLAIN_TEXT = line_text(ROW, pairwise(["open", *ROW, "open"]))
PLAIN = read_line(PLAIN_TEXT)
"""T1 to T6 in a row, open at both ends; head H3 lies between T3 and T4."""

POINTS = read_line(
    line_text(
        ["A", "B", "P", "Q", "R"],
        [("open", "A"), ("open", "B"), ("A", "P"), ("B", "P"), ("P", "Q"), ("Q", "R")],
    )
)
"""A and B join at P; Q and R follow."""


# Days as tables: time, place, what.


def at(text):
    """`06:00` or `06:00:05.250` of 2026-05-04; `2+06:00` two days later."""
    days, _, clock = text.rpartition("+")
    clock = f"{clock}:00" if clock.count(":") == 1 else clock
    return parse(f"2026-05-04T{clock}Z") + int(days or 0) * 86_400 * SECOND


def day(table, line=PLAIN, begin="06:00"):
    """The events of *table* by time, after a snapshot of every section at *begin*; each is numbered by its line.

    `06:01 T1 occupied axles=2`, `T1 reset accepted`, `T1 work begun`, `H1 passes 40`, `EV1 isolated`, `GW1 online`; `source=`, `seq=`, `arrival=` as they say.
    """
    rows = [f"{begin} {one} clear axles=0" for one in line.sections]
    rows += [row.strip() for row in table.splitlines() if row.strip()]
    events = [event(number, row) for number, row in enumerate(rows, 1)]
    return sorted(events, key=lambda one: one.time)


def event(number, row):
    """The event that a row of a table stands for."""
    words = row.split()
    more = dict(word.split("=") for word in words if "=" in word)
    time, subject, *what = [word for word in words if "=" not in word]
    common = {
        "id": str(number),
        "source": more.get("source", "gw/1"),
        "subject": subject,
        "time": at(time),
        "arrival": at(more["arrival"]) if "arrival" in more else None,
        "sequence": int(more["seq"]) if "seq" in more else None,
    }
    match what:
        case ["reset", step]:
            kind = ResetKind.UNCONDITIONAL
            return SectionReset(**common, kind=kind, step=Step(step))
        case ["work", state]:
            return SectionWork(**common, begun=state == "begun")
        case ["passes", axles]:
            forward = Direction.FORWARD
            return HeadPassage(**common, direction=forward, axles=int(axles))
        case ["online" | "offline" as state]:
            return GatewayStatus(**common, online=state == "online", period_s=30)
        case ["isolated" | "in_service" as state]:
            return EvaluatorState(**common, state=Service(state))
    axles = int(more["axles"]) if "axles" in more else None
    return SectionState(**common, state=State(what[0]), axles=axles)


def alert(kind, subject, began, raised, **more):
    """An alert's record; its evidence is the events named in `rests`, by number and time."""
    subject = subject if "/" in subject else f"section/{subject}"
    start = stamp(at(began))
    text = f"{kind}\n{subject}\n{start}".encode()
    rests = more.get("rests", [])
    return {
        "id": hashlib.sha256(text).hexdigest()[:16],
        "kind": kind,
        "subject": subject,
        "priority": "prompt",
        "began": start,
        "raised": stamp(at(raised)),
        "ended": more.get("ended"),
        "summary": "",
        "evidence": [
            {"time": stamp(at(time)), "text": "", "event": name} for name, time in rests
        ]
        or [{"time": start, "text": "", "event": ""}],
        "affected": [subject],
        "suspects": [
            {"asset": f"section/{one}", "weight": 0.5}
            for one in more.get("suspects", ())
        ],
        "checks": [],
        "parameters": {},
    }


def opinion(record, table, line=PLAIN, others=()):
    """What the checker says of an alert, and why."""
    events = table if isinstance(table, list) else day(table, line)
    verdict = check(record, Book(line, events), others)
    return verdict.opinion, verdict.why


def refused(record, table, why, **more):
    """The checker disagrees, and says why."""
    said, sentence = opinion(record, table, **more)
    assert (said, sentence) == (DISAGREES, sentence), sentence
    assert why in sentence


# vanished-train

# A train comes from T1 through T2 into T3, where it stands and is let go of at 06:10.
LET_GO = """
06:01:00 T1 occupied
06:02:00 T2 occupied
06:02:10 T1 clear
06:03:00 T3 occupied
06:03:10 T2 clear
06:10:00 T3 clear
06:20:00 T5 clear
"""
VANISHED = alert("vanished-train", "T3", "06:10", "06:10:02")


def test_a_train_that_was_let_go_of_vanished():
    """A section that holds a train becomes clear while both neighbours are known clear: the checker agrees."""
    assert opinion(VANISHED, LET_GO) == (AGREES, "")


def test_a_reset_lets_go_of_a_train_as_well():
    """It is no less vanished where the clear came by a reset."""
    reset = LET_GO.replace("06:10:00", "06:09:58 T3 reset accepted\n06:10:00")

    assert opinion(VANISHED, reset) == (AGREES, "")


def test_a_train_that_went_into_a_disturbed_section_is_held_by_it():
    """T2 can have given up its train to T3 alone, whatever T3 showed: when that clears, the train has vanished."""
    disturbed = LET_GO.replace("T3 occupied", "T3 disturbed")

    assert opinion(VANISHED, disturbed) == (AGREES, "")


def test_a_train_that_comes_back_is_held_again():
    """A train that put its front into T4 and drew back can be in T3 alone."""
    back = LET_GO.replace("06:10", "06:06 T4 occupied\n06:07 T4 clear\n06:10")

    assert opinion(VANISHED, back) == (AGREES, "")


def test_another_train_may_follow_meanwhile():
    """A train that T1 gave up to T2, and T2 back to T1, took nothing from T3."""
    follows = """
    06:05:00 T1 occupied
    06:06:00 T2 occupied
    06:06:10 T1 clear
    06:07:00 T1 occupied
    06:07:10 T2 clear
    06:08:00 T1 clear
    06:10:00 T3 clear
    """

    assert opinion(VANISHED, LET_GO.replace("06:10:00 T3 clear", follows)) == (
        AGREES,
        "",
    )


@pytest.mark.parametrize(
    ("forged", "why"),
    [
        (alert("vanished-train", "T2", "06:10", "06:10:02"), "T2 did not become clear"),
        (alert("vanished-train", "T3", "06:10:01", "06:10:03"), "did not become clear"),
        (alert("vanished-train", "T3", "06:10", "06:10:03"), "raised at 06:10:03"),
        (alert("vanished-train", "T3", "06:10", "06:09"), "before it began"),
        (
            alert(
                "vanished-train",
                "T3",
                "06:10",
                "06:10:02",
                ended="2026-05-04T07:00:00.000Z",
            ),
            "only a person",
        ),
        ({**VANISHED, "id": "0123456789abcdef"}, "its id"),
        (alert("vanished-train", "T9", "06:10", "06:10:02"), "no section/T9"),
        (
            alert(
                "vanished-train",
                "T3",
                "06:10",
                "06:10:02",
                rests=[("gw/1#99", "06:10")],
            ),
            "no event gw/1#99",
        ),
        (
            alert(
                "vanished-train",
                "T3",
                "06:10",
                "06:10:02",
                rests=[("gw/1#12", "06:09")],
            ),
            "event gw/1#12 is of 06:10:00",
        ),
    ],
    ids=[
        "subject",
        "began",
        "raised",
        "raised before",
        "ended",
        "id",
        "no such section",
        "no such event",
        "event of another time",
    ],
)
def test_a_forged_vanished_train_is_refused(forged, why):
    """Another subject, another moment, another id, or evidence that the recording does not have: refused."""
    refused(forged, LET_GO, why)


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        ("06:10:00", "06:09:59 T4 occupied\n06:10:00", "T4 was occupied"),
        ("06:20:00", "06:10:02 T4 disturbed\n06:20:00", "T4 was disturbed"),
        ("06:03:10 T2 clear\n", "", "T2 was occupied"),
        (
            "06:10:00",
            "06:06:00 T4 occupied\n06:07:00 T5 occupied\n06:07:10 T4 clear\n06:10:00",
            "T4 was entered at 06:06:00",
        ),
        ("06:03:00 T3 occupied", "06:04:00 T3 occupied", "no train was seen to enter"),
        (
            "06:03:00 T3 occupied\n06:03:10 T2 clear",
            "06:02:50 T2 clear\n06:03:00 T3 disturbed",
            "no train was seen to enter",
        ),
        ("06:10:00", "06:09:00 T4 work begun\n06:10:00", "T4 was under work"),
        ("06:10:00", "06:09:00 EV2 isolated\n06:10:00", "T4 was under work"),
        (
            "06:10:00 T3 clear",
            "06:10:00 T3 clear\n06:10:01 T3 occupied",
            "T3 did not become clear",
        ),
    ],
    ids=[
        "beside it before",
        "beside it after",
        "beside it throughout",
        "taken by a neighbour",
        "never entered",
        "only disturbed",
        "neighbour under work",
        "neighbour isolated",
        "for a moment only",
    ],
)
def test_a_vanished_train_needs_its_whole_rule(before, after, why):
    """A neighbour that was not clear, took the train or was not known, and a section without a train: refused."""
    refused(VANISHED, LET_GO.replace(before, after), why)


def test_an_open_section_lets_its_train_out_unseen():
    """Nothing vanishes from a section with an open head."""
    let_out = "06:01:00 T1 occupied\n06:10:00 T1 clear\n06:20:00 T5 clear"

    refused(alert("vanished-train", "T1", "06:10", "06:10:02"), let_out, "open head")


def test_a_train_that_has_not_left_may_have_stayed_behind():
    """T1, which could have sent the train into T2, has not cleared: then that of T3 may have gone there."""
    behind = LET_GO.replace(
        "06:10", "06:05 T1 occupied\n06:06 T2 occupied\n06:07 T2 clear\n06:10"
    )

    refused(VANISHED, behind, "T2 was entered at 06:06:00")


def test_an_alert_without_evidence_is_refused():
    """What rests on nothing cannot be worked out."""
    refused({**VANISHED, "evidence": []}, LET_GO, "no evidence")


def test_who_was_there_at_the_beginning_was_not_seen_to_enter():
    """Of a section first seen occupied the checker cannot tell whether it held a train."""
    there = [
        one for one in day(LET_GO) if one.id not in {"3", "7", "8", "9", "10", "11"}
    ]
    there.insert(0, event(90, "06:00 T3 occupied"))

    said, why = opinion(VANISHED, there)

    assert (said, why) == (CANNOT_TELL, "T3 was not clear when it was first seen")


def test_a_train_that_had_come_out_is_not_vanished():
    """Where an unseen train had been raised for which a neighbour is the subject, it is that and no more."""
    out = alert("unseen-train", "T4", "06:05", "06:08")

    refused(VANISHED, LET_GO, "was seen to come out", others=[out])
    later = alert("unseen-train", "T4", "06:10:30", "06:12")
    assert opinion(VANISHED, LET_GO, others=[later])[0] is AGREES


def test_a_member_of_a_group_has_not_vanished():
    """While a common cause has not ended for all, the clear of a member is its own; afterwards it is not."""
    group = alert("common-cause", "evaluator/EV1", "06:09", "06:09:10")
    group["affected"] = ["section/T1", "section/T2", "section/T3"]

    refused(VANISHED, LET_GO, "belongs to the group", others=[group])
    over = {**group, "ended": "2026-05-04T06:09:59.000Z"}
    assert opinion(VANISHED, LET_GO, others=[over])[0] is AGREES


# Who is heard: T4 to T6 are told by gw/2, which sends heartbeats.

BEATS = "\n".join(
    f"06:{second // 60:02}:{second % 60:02} GW2 online source=gw/2"
    for second in range(5, 1200, 30)
)
"""At five and thirty-five seconds past every minute."""


def told_apart(table):
    """The day of *table* with heartbeats of gw/2."""
    return day(f"{BEATS}\n{table}")


def test_known_clear_waits_for_the_gateway():
    """Where the neighbour's gateway sends heartbeats, the alert is raised by the next of them: at 06:10:05."""
    record = alert("vanished-train", "T3", "06:10", "06:10:05")

    assert opinion(record, told_apart(LET_GO)) == (AGREES, "")
    refused(VANISHED, told_apart(LET_GO), "was not heard after 06:10:02")


def test_a_neighbour_whose_gateway_was_silent_is_not_known():
    """Between its last heartbeat before a silence and its own next word nothing is concluded from a neighbour."""
    silent = [
        one
        for one in told_apart(LET_GO)
        if not (one.source == "gw/2" and at("06:04") < one.time < at("06:14"))
    ]
    record = alert("vanished-train", "T3", "06:10", "06:14:05")

    refused(record, silent, "T4 was not known")


def test_a_neighbour_with_a_gap_is_not_known():
    """From the last event before a gap in the numbers of its source, until its own next word, a neighbour is not known."""
    numbered = []
    for number, one in enumerate(told_apart(LET_GO)):
        lost = one.source == "gw/2" and at("06:05") < one.time < at("06:05:20")
        if not lost:
            more = {"seq": number} if one.source == "gw/2" else {}
            numbered.append((one, more))
    events = renumbered([one for one, _ in numbered], "gw/2", jump_at=at("06:05:20"))

    record = alert("vanished-train", "T3", "06:10", "06:10:05")

    assert opinion(record, renumbered(told_apart(LET_GO), "gw/2"))[0] is AGREES
    refused(record, events, "T4 was not known")


def renumbered(events, source, jump_at=None):
    """The same events, those of *source* numbered in order, with one number missing before *jump_at*."""
    numbered, number = [], 0
    for one in events:
        if one.source == source:
            number += 1
            if jump_at is not None and one.time >= jump_at:
                number, jump_at = number + 1, None
            one = replace(one, sequence=number)  # noqa: PLW2901
        numbered.append(one)
    return numbered


def test_a_silence_in_which_nothing_was_lost_ends_for_all():
    """Where the numbers go on after a silence the neighbour is known from then on, without a word of its own; where they jump it is not."""
    silent = [
        one
        for one in told_apart(LET_GO)
        if not (one.source == "gw/2" and at("06:04") < one.time < at("06:08"))
    ]
    record = alert("vanished-train", "T3", "06:10", "06:10:05")

    goes_on = opinion(record, renumbered(silent, "gw/2"))
    # T3 was entered at 06:03, and for its neighbour nothing can be said of the silence.
    assert goes_on == (DISAGREES, "T4 was not known from 06:03:35 on")
    later = LET_GO.replace("06:03:00 T3 occupied\n06:03:10 T2 clear\n", "")
    later = later.replace("06:10", "06:08:40 T3 occupied\n06:08:50 T2 clear\n06:10")
    after = [
        one
        for one in told_apart(later)
        if not (one.source == "gw/2" and at("06:04") < one.time < at("06:08"))
    ]
    assert opinion(record, renumbered(after, "gw/2")) == (AGREES, "")
    jumped = renumbered(after, "gw/2", jump_at=at("06:08"))
    refused(record, jumped, "T4 was not known")


def test_a_clock_record_corrects_the_times_of_its_source():
    """With gw/1 an hour slow by the record, and gw/2 right, the alert is at its corrected time."""
    clock = MonitorRecord(
        id="clock",
        source="m",
        subject="m",
        time=at("06:00"),
        kind=RecordKind.CLOCK,
        values={"source": "gw/1", "correction_s": 3600.0},
    )
    events = []
    for one in told_apart(LET_GO):
        came = one.time + 3600 * SECOND
        time = one.time if one.source == "gw/1" else came
        events.append(replace(one, time=time, arrival=came))

    record = alert("vanished-train", "T3", "07:10", "07:10:05")

    assert opinion(record, [clock, *events]) == (AGREES, "")
    refused(VANISHED, [clock, *events], "did not become clear")


def test_what_came_late_is_no_argument_against_what_was_raised_before():
    """An event that comes minutes late, about a time before the alert, was not known when it was raised."""
    late = event(80, "06:09:59 T4 occupied arrival=06:30:00")
    timely = [replace(one, arrival=one.time) for one in day(LET_GO)]

    assert opinion(VANISHED, [*timely, late])[0] is AGREES


# unseen-train

# A train that nobody saw enter T4 appears there, moves on into T5, and T4 clears.
CAME_OUT = """
06:05:00 T4 occupied
06:06:00 T5 occupied
06:06:20 T4 clear
06:20:00 T1 clear
"""
UNSEEN = alert("unseen-train", "T3", "06:05", "06:06:22")


def test_a_train_that_comes_out_of_a_clear_section_was_unseen():
    """Entered by nobody's leave, moved on as a train does: it must have come from T3, on the other side."""
    assert opinion(UNSEEN, CAME_OUT) == (AGREES, "")


@pytest.mark.parametrize(
    ("forged", "why"),
    [
        (alert("unseen-train", "T5", "06:05", "06:06:22"), "is not from T5"),
        (alert("unseen-train", "T4", "06:05", "06:06:22"), "is not from T4"),
        (alert("unseen-train", "T2", "06:05", "06:06:22"), "nothing was entered"),
        (alert("unseen-train", "T3", "06:05:30", "06:06:22"), "nothing was entered"),
        (alert("unseen-train", "T3", "06:05", "06:06:10"), "not become clear"),
        (alert("unseen-train", "T3", "06:05", "06:07:22"), "raised at 06:07:22"),
    ],
    ids=["ahead", "itself", "far", "began", "raised before", "raised after"],
)
def test_a_forged_unseen_train_is_refused(forged, why):
    """Another section, or another moment: refused."""
    refused(forged, CAME_OUT, why)


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        ("06:05:00", "06:04:59 T3 occupied\n06:05:00", "T3 was occupied"),
        ("06:05:00", "06:04:00 T3 work begun\n06:05:00", "T3 was under work"),
        ("06:06:00 T5 occupied\n", "", "no neighbour was entered from T4 alone"),
        (
            "06:06:00",
            "06:05:30 T6 occupied\n06:06:00",
            "no neighbour was entered from T4 alone",
        ),
        ("06:06:00", "06:05:30 T4 disturbed\n06:06:00", "not of occupied alone"),
        ("06:06:20", "06:08:00", "T4 had not become clear"),
    ],
    ids=["explained", "under work", "stayed", "not alone", "disturbed", "not cleared"],
)
def test_an_unseen_train_needs_its_whole_rule(before, after, why):
    """An entry that a neighbour explains, a movement another could have made, or none: refused."""
    refused(UNSEEN, CAME_OUT.replace(before, after), why)


def test_a_section_never_seen_before_was_not_entered_unseen():
    """What a section shows first has no known entry."""
    unseen = [one for one in day(CAME_OUT) if one.id != "4"]

    refused(UNSEEN, unseen, "T4 was not known before 06:05:00")


def test_who_goes_into_an_open_section_need_not_have_come_through():
    """T6 may have been entered from beyond: then nothing came out of T4 for certain."""
    end = "06:05 T5 occupied\n06:06 T6 occupied\n06:06:20 T5 clear\n06:20 T1 clear"

    said = alert("unseen-train", "T4", "06:05", "06:06:22")
    refused(said, end, "no neighbour was entered from T5 alone")


def test_a_neighbour_that_fails_at_the_entry_explains_nothing():
    """T3, clear until then, turns disturbed within the skew of the entry: the train came out of it all the same."""
    fails = CAME_OUT.replace("06:05:00", "06:04:59 T3 disturbed\n06:05:00")

    assert opinion(UNSEEN, fails) == (AGREES, "")
    stood = CAME_OUT.replace("06:05:00", "06:04:00 T3 disturbed\n06:05:00")
    refused(UNSEEN, stood, "T3 was disturbed")


# It appears in P, and goes on into Q: from A or from B.
FROM_EITHER = "06:05 P occupied\n06:06 Q occupied\n06:06:20 P clear\n06:20 A clear"


def test_where_several_could_have_held_it_they_are_suspects():
    """The subject is where it appeared, and the sections it could have come from are the suspects."""
    said = alert("unseen-train", "P", "06:05", "06:06:22", suspects=["A", "B"])

    assert opinion(said, FROM_EITHER, POINTS) == (AGREES, "")


@pytest.mark.parametrize(
    "suspects", [[], ["Q"], ["A", "R"]], ids=["none", "ahead", "far"]
)
def test_other_suspects_are_refused(suspects):
    """A section it went on into, or one that is not beside, cannot be where it came from."""
    said = alert("unseen-train", "P", "06:05", "06:06:22", suspects=suspects)

    refused(said, FROM_EITHER, "its suspects", line=POINTS)


@pytest.mark.parametrize(
    ("vanished", "began", "said"),
    [
        ("A", "06:01", AGREES),
        ("B", "06:01", CANNOT_TELL),
        ("A", "06:10", CANNOT_TELL),
    ],
    ids=["there", "in the other", "later"],
)
def test_of_several_it_came_from_where_a_train_was_lost(vanished, began, said):
    """A train that was unaccounted for in A is the one that comes out, if it was lost before."""
    lost = alert("vanished-train", vanished, began, began)
    came = alert("unseen-train", "A", "06:05", "06:06:22")

    assert opinion(came, FROM_EITHER, POINTS, others=[lost])[0] is said


def test_one_of_several_is_more_than_can_be_told():
    """An alert that names A alone may be right, but this checker cannot tell: B is as near."""
    said = alert("unseen-train", "A", "06:05", "06:06:22")

    assert opinion(said, FROM_EITHER, POINTS) == (
        CANNOT_TELL,
        "it could have come from B too",
    )


# Rule (a) of occupied-no-train.

STANDS = "06:05:00 T3 occupied\n06:30:00 T3 clear"
NO_TRAIN = alert("occupied-no-train", "T3", "06:05", "06:07")


def test_an_entry_that_nothing_explains_is_occupied_without_a_train():
    """Two minutes after an entry with both neighbours clear, still occupied: the checker agrees."""
    assert opinion(NO_TRAIN, STANDS) == (AGREES, "")


@pytest.mark.parametrize(
    ("forged", "why"),
    [
        (alert("occupied-no-train", "T4", "06:05", "06:07"), "T4"),
        (alert("occupied-no-train", "T3", "06:04", "06:06"), "T3"),
        (alert("occupied-no-train", "T3", "06:05", "06:06:59"), "raised at 06:06:59"),
        (alert("occupied-no-train", "T3", "06:05", "06:07:01"), "raised at 06:07:01"),
    ],
    ids=["subject", "began", "too early", "too late"],
)
def test_a_forged_occupied_no_train_is_refused(forged, why):
    """Another section, or another moment: refused."""
    refused(forged, STANDS, why)


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        ("06:05:00", "06:04:59 T2 occupied\n06:05:00", "T2 was occupied"),
        ("06:30:00", "06:05:02 T2 occupied\n06:30:00", "T2 was occupied"),
        ("06:30:00", "06:06:30", "occupied only until 06:06:30"),
        ("06:30:00", "06:06:00 T4 occupied\n06:30:00", "moved on into T4"),
        ("06:30:00", "06:06:30 T3 work begun\n06:30:00", "T3 was under work"),
        ("06:30:00", "06:06:30 T3 disturbed\n06:30:00", "occupied only until"),
    ],
    ids=[
        "came from",
        "within the skew",
        "clear",
        "moved on",
        "under work",
        "disturbed",
    ],
)
def test_an_occupied_no_train_needs_its_whole_rule(before, after, why):
    """An explained entry, an occupation that ended or moved on, or work: refused."""
    refused(NO_TRAIN, STANDS.replace(before, after), why)


def test_just_outside_the_skew_explains_nothing():
    """A neighbour entered a millisecond more than the skew later did not bring the train."""
    after = STANDS.replace("06:30:00", "06:05:02.001 T2 occupied\n06:30:00")

    assert "entry is explained" not in opinion(NO_TRAIN, after)[1]


def test_what_is_still_so_when_work_ends_begins_there():
    """The entry under work is judged anew at its end, and the two minutes run from there."""
    worked = (
        "06:04 T3 work begun\n06:05 T3 occupied\n06:10 T3 work ended\n06:30 T3 clear"
    )

    record = alert("occupied-no-train", "T3", "06:10", "06:12")

    assert opinion(record, worked) == (AGREES, "")
    refused(alert("occupied-no-train", "T3", "06:05", "06:07"), worked, "under work")


# Rule (b) of occupied-no-train.

# The train goes on from T3 over T4 into T5; T3 stays occupied.
WENT_ON = """
06:01:00 T1 occupied
06:02:00 T2 occupied axles=4
06:02:10 T1 clear
06:03:00 T3 occupied axles=4
06:03:10 T2 clear
06:04:00 T4 occupied axles=2
06:04:05 T3 occupied axles=2
06:05:00 T5 occupied axles=2
06:05:10 T4 clear
06:30:00 T3 clear
"""
LINGERS = alert("occupied-no-train", "T3", "06:05:10", "06:06:10")


def test_a_section_whose_train_went_on_lingers():
    """One minute after the section between has cleared, the front two on and nothing come: the checker agrees."""
    assert opinion(LINGERS, WENT_ON) == (AGREES, "")


@pytest.mark.parametrize(
    ("forged", "why"),
    [
        (alert("occupied-no-train", "T5", "06:05:10", "06:06:10"), "T5"),
        (alert("occupied-no-train", "T3", "06:05:00", "06:06:00"), "T3"),
        (
            alert("occupied-no-train", "T3", "06:05:10", "06:06:40"),
            "raised at 06:06:40",
        ),
    ],
    ids=["the front", "began", "raised"],
)
def test_a_forged_lingering_is_refused(forged, why):
    """The section where the train is, or another moment: refused."""
    refused(forged, WENT_ON, why)


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        ("06:05:00 T5 occupied axles=2\n", "", "no train was seen to go on beyond T4"),
        ("06:30:00", "06:06:00", "was not occupied from"),
        ("06:30:00", "06:06:05 T3 work begun\n06:30:00", "under work"),
        (
            "06:30:00",
            "06:05:20 T4 occupied\n06:05:30 T5 clear\n06:05:50 T4 clear\n06:30:00",
            "a train came into it by 06:05:50",
        ),
        (
            "06:03:00 T3 occupied axles=4",
            "06:04:30 T3 occupied axles=4",
            "T4 was entered before T3 became occupied at 06:04:30",
        ),
        (
            "06:05:00",
            "06:04:20 T3 clear\n06:04:30 T3 occupied\n06:05:00",
            "T4 was entered before T3 became occupied at 06:04:30",
        ),
    ],
    ids=[
        "not beyond",
        "cleared",
        "under work",
        "came back",
        "not its train",
        "the next train",
    ],
)
def test_a_lingering_needs_its_whole_rule(before, after, why):
    """A train that was not seen beyond, one that came back, or a section that cleared: refused."""
    table = WENT_ON.replace(before, after).replace("06:04:05 T3 occupied axles=2\n", "")

    refused(LINGERS, table, why)


STATES_ALONE = re.sub(r" axles=\d", "", WENT_ON)


def test_another_train_may_have_gone_on():
    """Where T5 could have sent its train into T4 the front is not provably that of T3; by tallies it may be, which the checker cannot tell."""
    met = "06:03:30 T5 occupied\n06:04:02 T5 clear\n06:04:00"

    assert opinion(LINGERS, STATES_ALONE) == (AGREES, "")
    why = "need not have come from T3: T5 was occupied"
    refused(LINGERS, STATES_ALONE.replace("06:04:00", met), why)
    said, sentence = opinion(LINGERS, WENT_ON.replace("06:04:00", met))
    assert said is CANNOT_TELL
    assert why in sentence


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("06:03:30 B occupied", AGREES),
        ("06:03:30 B occupied\n06:04:30 B clear", DISAGREES),
        ("06:03:30 B occupied\n06:04:20 C occupied\n06:04:30 B clear", CANNOT_TELL),
        ("06:03:30 B disturbed", CANNOT_TELL),
    ],
    ids=["stays", "gave it up", "went one way or the other", "disturbed"],
)
def test_whose_train_went_over_points(more, said):
    """P lies between A, B and Q: what entered it came out of A where B kept its train, and out of B where B gave it up and had nowhere else for it."""
    line = read_line(
        line_text(
            ["O", "A", "B", "C", "P", "Q", "R"],
            [
                ("O", "A"),
                ("A", "P"),
                ("B", "P"),
                ("B", "C"),
                ("P", "Q"),
                ("Q", "R"),
                ("R", "open"),
            ],
        )
    )
    table = f"""
    06:02:00 O occupied
    06:03:00 A occupied
    06:03:10 O clear
    {more}
    06:04:00 P occupied
    06:05:00 Q occupied
    06:05:10 P clear
    06:30:00 R clear
    """
    lingers = alert("occupied-no-train", "A", "06:05:10", "06:06:10")

    assert check(lingers, Book(line, day(table, line))).opinion is said


def test_another_train_may_have_come_the_other_way():
    """Where T6 could have sent a train into T5, that need not be the front of the one from T3."""
    said, why = opinion(
        LINGERS, WENT_ON.replace("06:04:00", "06:03:30 T6 occupied\n06:04:00")
    )

    assert said is CANNOT_TELL
    assert "need not have come from T4: T6 was occupied" in why


def test_a_section_that_no_axle_has_left_did_not_let_its_train_go():
    """A tally that never went down says that nothing has gone on."""
    stays = WENT_ON.replace(
        "06:04:05 T3 occupied axles=2", "06:04:05 T3 occupied axles=4"
    )

    refused(LINGERS, stays, "the tally of T3 never went down")


def test_it_speaks_in_the_time_of_the_line():
    """In Berlin in May it is two hours later, and what is of another day than the alert carries its date."""
    berlin = read_line(PLAIN_TEXT.replace('"UTC"', '"Europe/Berlin"'))
    book = Book(berlin, day(WENT_ON, berlin))
    forged = alert("occupied-no-train", "T3", "06:05:10", "06:06:40")

    why = check(forged, book).why

    assert why == "it was raised at 08:06:40; it had lingered long enough: 08:06:10"
    then = Then(book=book, raised=at("06:06:40"), rules=Rules())
    assert then.clock(at("1+06:00")) == "2026-05-05 08:00:00 (+02:00)"
    assert then.clock(at("06:00:00.250")) == "08:00:00.250"


BEHIND = STATES_ALONE.replace("06:30:00", "06:05:40 T2 occupied\n06:30:00")


def test_a_train_waiting_behind_has_not_come_in():
    """With T2 occupied by the next train nothing has entered: a train comes in when a neighbour gives one up, and T2 has given up none."""
    assert opinion(LINGERS, BEHIND) == (AGREES, "")


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ("06:05:45 T1 occupied\n06:05:55 T2 clear", "T2 cleared at 06:05:55"),
        ("06:05:50 T2 disturbed", "T2 was disturbed meanwhile"),
        ("06:05:50 T2 work begun", "T2 was under work meanwhile"),
    ],
    ids=["went elsewhere, or came in", "disturbed", "under work"],
)
def test_what_may_have_come_in_makes_it_open(more, why):
    """Where the next train may have come in, or nobody could see, the checker cannot tell."""
    said, sentence = opinion(LINGERS, BEHIND.replace("06:30:00", f"{more}\n06:30:00"))

    assert said is CANNOT_TELL
    assert why in sentence


@pytest.mark.parametrize(
    ("tally", "expected"),
    [(2, (AGREES, "")), (3, (CANNOT_TELL, "T2 was disturbed meanwhile")), (6, None)],
    ids=["at rest", "one more", "four more"],
)
def test_a_tally_says_whether_anything_came_in(tally, expected):
    """What T2 hides does not matter where the tally of T3 was told since and is at rest; four axles more were counted in."""
    told = f"06:05:40 T2 disturbed\n06:05:50 T3 occupied axles={tally}\n06:30:00"
    table = WENT_ON.replace("06:30:00", told)

    if expected is None:
        refused(LINGERS, table, "4 axles were counted into T3 since")
    else:
        said, why = opinion(LINGERS, table)
        assert said is expected[0]
        assert expected[1] in why


# reset-unproved

RESET = "06:05:00 T3 reset accepted\n08:00:00 T1 clear"
UNPROVED = alert("reset-unproved", "T3", "06:05", "07:05")
THROUGH = """
06:20:00 T2 occupied
06:21:00 T3 occupied axles=4
06:21:10 T2 clear
06:22:00 T4 occupied
06:22:10 T3 clear axles=0
06:23:00 T4 clear
"""


def test_a_reset_that_no_train_followed_is_unproved():
    """An hour after it was accepted, with no train through: the checker agrees."""
    assert opinion(UNPROVED, RESET) == (AGREES, "")


@pytest.mark.parametrize(
    ("forged", "why"),
    [
        (alert("reset-unproved", "T4", "06:05", "07:05"), "no reset of T4"),
        (alert("reset-unproved", "T3", "06:06", "07:06"), "accepted at 06:06:00"),
        (alert("reset-unproved", "T3", "06:05", "07:04"), "raised at 07:04:00"),
        (alert("reset-unproved", "T3", "06:05", "07:06"), "raised at 07:06:00"),
    ],
    ids=["subject", "began", "too early", "too late"],
)
def test_a_forged_unproved_reset_is_refused(forged, why):
    """Another section, or another moment: refused."""
    refused(forged, RESET, why)


def test_a_train_that_worked_through_proves_it():
    """Entered and left as explained, at nought axles and without a reset: refused."""
    refused(UNPROVED, RESET.replace("08:00", THROUGH + "08:00", 1), "worked through")


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("06:22:10 T3 clear axles=0", "06:22:10 T3 clear axles=1"),
        ("06:22:10 T3 clear", "06:22:05 T3 reset refused\n06:22:10 T3 disturbed"),
        ("06:22:00 T4 occupied", "06:22:30 T4 occupied"),
        ("06:21:00 T3 occupied axles=4", ""),
    ],
    ids=["axles left", "disturbed", "exit not explained", "never entered"],
)
def test_what_is_no_working_through_proves_nothing(before, after):
    """Axles left over, a disturbance, an exit that nothing explains, or a train elsewhere: the reset stays unproved."""
    through = THROUGH.replace(before, after)

    assert opinion(UNPROVED, RESET.replace("08:00", through + "08:00", 1))[0] is AGREES


def test_a_sweep_proves_a_preparatory_reset():
    """From awaiting sweep to awaiting acknowledgement, with a neighbour to explain the exit: refused."""
    swept = """
    06:05:01 T3 awaiting_sweep
    06:20:00 T2 occupied
    06:22:00 T4 occupied
    06:22:10 T3 awaiting_acknowledgement
    """

    refused(UNPROVED, RESET.replace("08:00", swept + "08:00", 1), "worked through")
    fell_back = swept.replace("awaiting_acknowledgement", "disturbed")
    assert (
        opinion(UNPROVED, RESET.replace("08:00", fell_back + "08:00", 1))[0] is AGREES
    )


def test_an_acknowledgement_proves_nothing():
    """Swept with no train beside it, and acknowledged while one stood there by chance: still unproved."""
    acknowledged = """
    06:05:01 T3 awaiting_sweep
    06:20:00 T3 awaiting_acknowledgement
    06:30:00 T4 occupied
    06:31:00 T3 clear
    """
    table = RESET.replace("08:00", acknowledged + "08:00", 1)

    assert opinion(UNPROVED, table) == (AGREES, "")


def test_what_a_reset_cleared_was_not_worked_through():
    """A train came and went, but T3 cleared by a reset: that one is unproved, due when the first would have been."""
    through = THROUGH.replace("06:22:10", "06:22:05 T3 reset accepted\n06:22:10")
    table = RESET.replace("08:00", through + "08:00", 1)

    said = alert("reset-unproved", "T3", "06:22:05", "07:05")
    assert opinion(said, table) == (AGREES, "")
    refused(UNPROVED, table, "the reset accepted at 06:22:05 took its place")


def test_a_reset_entered_later_acts_from_its_coming():
    """A person says at eight that T3 was reset at five past six: it counts from then, and is raised at eight."""
    events = [replace(one, arrival=one.time) for one in day("08:10:00 T1 clear")]
    entered = event(90, "06:05 T3 reset accepted source=desk/1 arrival=08:00:00")
    events.insert(-1, entered)

    said = alert("reset-unproved", "T3", "06:05", "08:00")
    assert opinion(said, events) == (AGREES, "")
    refused(UNPROVED, events, "no reset of T3 was accepted")


def test_a_later_reset_falls_due_when_the_first_would_have():
    """A second reset at 06:40 takes the first one's place and is due at 07:05; one at 07:30 on being accepted."""
    again = RESET.replace("08:00", "06:40:00 T3 reset accepted\n08:00", 1)
    late = RESET.replace("08:00", "07:30:00 T3 reset accepted\n08:00", 1)

    assert opinion(alert("reset-unproved", "T3", "06:40", "07:05"), again)[0] is AGREES
    assert opinion(alert("reset-unproved", "T3", "07:30", "07:30"), late)[0] is AGREES
    forged = alert("reset-unproved", "T3", "07:30", "07:45")
    refused(forged, late, "raised at 07:45:00")


def test_a_reset_under_work_counts_from_its_end():
    """Made under work and not followed by a train, it is accepted at the end of the work."""
    work = "06:04 T3 work begun\n06:05 T3 reset accepted\n06:10 T3 work ended\n08:00 T1 clear"

    assert opinion(alert("reset-unproved", "T3", "06:10", "07:10"), work)[0] is AGREES
    refused(UNPROVED, work, "no reset of T3 was accepted at 06:05:00")


def test_what_was_learnt_before_may_put_it_off():
    """With a record of what was learnt the hour may be longer, which this checker cannot tell; shorter it never is."""
    learnt = MonitorRecord(
        id="l",
        source="m",
        subject="m",
        time=at("06:00"),
        kind=RecordKind.LEARNT,
        values={},
    )
    events = [learnt, *day(RESET)]

    said = opinion(alert("reset-unproved", "T3", "06:05", "07:45"), events)
    assert said == (CANNOT_TELL, "it fell due by what was learnt before")
    refused(alert("reset-unproved", "T3", "06:05", "07:04"), events, "raised at 07:04")


def every_second_hour(days):
    """A train over T2, T3 and T4 every other hour of *days* days, from twenty past midnight."""
    return "\n".join(
        f"{number}+{hour:02}:{row}"
        for number in range(days)
        for hour in range(0, 24, 2)
        for row in (
            "20 T2 occupied",
            "21 T3 occupied axles=4",
            "22 T4 occupied",
            "23 T2 clear",
            "24 T3 clear axles=0",
            "25 T4 clear",
        )
    )


def test_it_waits_three_usual_gaps_in_the_hours_of_trains():
    """Trains came every two hours, at even hours: after 00:05 six such hours are 55 min, five whole ones to 11:00, and 5 min after noon."""
    table = every_second_hour(2) + "\n2+00:05 T3 reset accepted\n2+23:00 T1 clear"
    events = day(table, begin="00:00")

    said = opinion(alert("reset-unproved", "T3", "2+00:05", "2+12:05"), events)
    assert said == (AGREES, "")
    # What is learnt is kept to the millisecond, and three times that may be one or two off.
    for near in ("2+12:04:59.998", "2+12:05:00.002"):
        close = alert("reset-unproved", "T3", "2+00:05", near)
        assert opinion(close, events) == (AGREES, "")
    for wrong in ("2+01:05", "2+06:05", "2+12:04", "2+12:06"):
        forged = alert("reset-unproved", "T3", "2+00:05", wrong)
        refused(forged, events, f"raised at {wrong[2:]}:00")


def test_before_a_day_was_seen_every_hour_counts():
    """The midnight after half a day tells neither hours nor gaps: an hour is an hour."""
    events = day("23:30 T3 reset accepted\n1+02:00 T1 clear", begin="12:00")

    assert (
        opinion(alert("reset-unproved", "T3", "23:30", "1+00:30"), events)[0] is AGREES
    )
    forged = alert("reset-unproved", "T3", "23:30", "1+01:30")
    refused(forged, events, "raised at 01:30:00")
    # Without a gap learnt the hour is exact.
    forged = alert("reset-unproved", "T3", "23:30", "1+00:30:00.002")
    refused(forged, events, "raised at 00:30:00.002")


# count-mismatch

# One train over H1 to H4; H2 counts two axles too few.
COUNTED = """
06:02:00 H1 passes 40
06:03:00 H2 passes 38
06:04:00 H3 passes 40
06:05:00 H4 passes 40
"""
RESTS = [
    ("gw/1#7", "06:02"),
    ("gw/1#8", "06:03"),
    ("gw/1#9", "06:04"),
    ("gw/1#10", "06:05"),
]


def mismatch(subject, began="06:02", raised="06:05", rests=tuple(RESTS)):
    """A miscount at *subject*."""
    return alert("count-mismatch", subject, began, raised, rests=rests)


def test_the_head_that_departs_from_the_others_miscounted():
    """40, 38, 40 and 40 axles of one train: H2 departs, and the checker agrees."""
    assert opinion(mismatch("head/H2"), COUNTED) == (AGREES, "")


@pytest.mark.parametrize(
    ("forged", "table", "why"),
    [
        (mismatch("head/H3"), COUNTED, "H3 counted 40 axles, as 3 heads did"),
        (mismatch("head/H5"), COUNTED, "H5 did not count"),
        (mismatch("head/H2", began="06:02:30"), COUNTED, "none of its evidence"),
        (mismatch("head/H2"), COUNTED.replace("38", "40"), "counted alike"),
        (
            mismatch("head/H4", rests=[RESTS[0], RESTS[3]]),
            COUNTED.replace("06:05:00 H4 passes 40", "06:05:00 H4 passes 41"),
            "not heads of one section",
        ),
        (mismatch("head/H2", raised="06:05:30"), COUNTED, "raised at 06:05:30"),
        (mismatch("head/H9"), COUNTED, "no head/H9"),
        (mismatch("T6"), COUNTED, "no head of T6"),
    ],
    ids=[
        "another",
        "unconcerned",
        "began",
        "alike",
        "apart",
        "raised",
        "no such head",
        "section",
    ],
)
def test_a_forged_miscount_is_refused(forged, table, why):
    """A head that counted as the others did, or counts that agree: refused."""
    refused(forged, table, why)


def test_two_heads_do_not_say_which_is_wrong():
    """Of two that differ either may be right: to name one is more than the checker can tell."""
    said, why = opinion(mismatch("head/H2", raised="06:03", rests=RESTS[:2]), COUNTED)

    assert (said, why) == (CANNOT_TELL, "which head departs from the others is open")


def test_few_axles_left_over_are_a_miscount():
    """Two axles left in T3 a minute after its train went on: the checker agrees, and for T2, which is clear, it does not."""
    rests = [("gw/1#12", "06:04"), ("gw/1#13", "06:04:05")]
    left = alert("count-mismatch", "T3", "06:04", "06:06:10", rests=rests)

    assert opinion(left, WENT_ON) == (AGREES, "")
    swapped = alert("count-mismatch", "T2", "06:04", "06:06:10", rests=rests)
    refused(swapped, WENT_ON, "T2")
    many = WENT_ON.replace("T3 occupied axles=4", "T3 occupied axles=8")
    many = many.replace("06:04:05 T3 occupied axles=2", "06:04:05 T3 occupied axles=4")
    refused(left, many, "the tally of T3 was 4")


# As the train of `WENT_ON`; H4 counts it two short, so that T4 keeps two and T5 is two short when it has gone.
PAIR = """
06:03:00 T3 occupied axles=4
06:04:00 T4 occupied axles=4
06:04:05 T3 clear axles=0
06:05:00 T5 occupied axles=2
06:05:05 T4 occupied axles=2
06:06:00 T6 occupied
06:06:05 T5 disturbed axles=-2
06:07:00 T5 clear
06:30:00 T1 clear
"""


def test_a_pair_left_beside_a_head_points_to_it():
    """Two too many in T4 and two too few in T5 point to H4 between them, raised when T4 has lingered; two alike, or another head, do not."""
    rests = [("gw/1#11", "06:05:05"), ("gw/1#13", "06:06:05")]
    pair = alert("count-mismatch", "head/H4", "06:05:05", "06:08", rests=rests)

    assert opinion(pair, PAIR) == (AGREES, "")
    refused(pair, PAIR.replace("-2", "2"), "does not make up")
    for other, why in (("H5", "does not make up"), ("H1", "no axles were left")):
        swapped = {**pair, "subject": f"head/{other}"}
        swapped["id"] = alert("count-mismatch", f"head/{other}", "06:05:05", "06:08")[
            "id"
        ]
        refused(swapped, PAIR, why)
    later = alert("count-mismatch", "head/H4", "06:05:05", "06:09", rests=rests)
    assert opinion(later, PAIR)[0] is CANNOT_TELL


# All of them, and the command.


def test_only_the_five_kinds_are_worked_out():
    """Other alerts are passed over; each of the five gets one verdict, in order."""
    alerts = [VANISHED, alert("section-disturbed", "T1", "06:00", "06:01"), NO_TRAIN]

    verdicts = list(recheck(alerts, Book(PLAIN, day(LET_GO))))

    assert [one.kind for one in verdicts] == ["vanished-train", "occupied-no-train"]
    assert [one.opinion for one in verdicts] == [AGREES, DISAGREES]


def test_durations_may_differ_from_place_to_place():
    """An alert is worked out by the durations that are set at its place."""
    slow = Rules(no_train_after=240 * SECOND)
    book = Book(PLAIN, day(STANDS))
    record = alert("occupied-no-train", "T3", "06:05", "06:09")

    assert check(record, book).opinion is DISAGREES
    assert check(record, book, rules=slow).opinion is AGREES
    assert check(NO_TRAIN, book, rules=slow).opinion is DISAGREES


def test_the_settings_are_those_of_the_replay():
    """What is set for the line or for one section is what the second opinion goes by."""
    settings = Detection.of(
        {"skew_s": 3.0},
        {"occupied-no-train": {"no_train_after_s": 180.0}},
        {"T3": {"occupied-no-train": {"no_train_after_s": 240.0}}},
    )
    records = [alert("occupied-no-train", "T3", "06:05", f"06:0{n}") for n in (7, 8, 9)]
    lines = [json.dumps(one) for one in records]

    verdicts = player.second_opinion(day(STANDS), lines, PLAIN, settings)

    assert [one.opinion for one in verdicts] == [DISAGREES, DISAGREES, AGREES]


def test_a_verdict_is_one_sentence():
    """A verdict reads as kind, subject, id, opinion and why."""
    verdict = check(VANISHED, Book(PLAIN, day(STANDS)))

    assert str(verdict) == (
        f"vanished-train section/T3 ({VANISHED['id']}): disagrees: "
        "T3 did not become clear at 06:10:00"
    )


EXAMPLE = read_line(
    (Path(__file__).parents[2] / "deploy/example/line.toml").read_text()
)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["phantom", "reset_unfollowed"])
def test_of_a_simulated_day_the_alerts_hold_and_their_forgeries_do_not(name):
    """The checker agrees with every alert of the day; moved to any other section, or by a second, it agrees with none."""
    events = list(scenarios.day(name).simulate(EXAMPLE, richness="basic").events)
    engine = Engine(EXAMPLE)
    outputs = [engine.take(one) for one in events] + [engine.finish()]
    last = {one.id: one for output in outputs for one in output.alerts}
    records = [json.loads(alert_line(one)) for one in last.values()]
    book = Book(EXAMPLE, events)
    verdicts = list(recheck(records, book))
    forged = [one for record in records for one in forgeries(record)]

    assert verdicts
    assert {one.opinion for one in verdicts} == {AGREES}
    assert AGREES not in {one.opinion for one in recheck(forged, book)}


def forgeries(record):
    """The same alert about every other section, and a second earlier or later."""
    kind, began, raised = (record[name] for name in ("kind", "began", "raised"))
    moved = [(f"section/{one}", 0, 0) for one in EXAMPLE.sections]
    moved += [(record["subject"], *shift) for shift in ((-1, -1), (1, 1), (0, 1))]
    for subject, first, second in moved:
        start = stamp(parse(began) + first * SECOND)
        if subject == record["subject"] and first == second == 0:
            continue
        text = f"{kind}\n{subject}\n{start}".encode()
        yield {
            **record,
            "id": hashlib.sha256(text).hexdigest()[:16],
            "subject": subject,
            "began": start,
            "raised": stamp(parse(raised) + second * SECOND),
        }


ALLOWED = {"events", "layout", "ordering", "moments", "wire"}


def test_it_shares_nothing_that_draws_conclusions():
    """Of the core the checker imports what events are, how the line lies, in which order events were, and times."""
    files = Path(checker.__file__).parent.glob("*.py")
    trees = [ast.parse(one.read_text(encoding="utf-8")) for one in files]
    names = {
        name
        for tree in trees
        for node in ast.walk(tree)
        for name in (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [one.name for one in node.names]
            if isinstance(node, ast.Import)
            else []
        )
    }

    ours = {name for name in names if name.split(".")[0] in {"monitor", "replay"}}

    others = {name for name in ours if not name.startswith("replay.recheck.")}
    assert others <= {f"monitor.core.{one}" for one in ALLOWED}
    assert len(trees) > 1


@pytest.fixture(name="files")
def _files(tmp_path):
    """A line file and a recording in which T3 stands occupied."""
    (tmp_path / "line.toml").write_text(PLAIN_TEXT)
    day_file = tmp_path / "day.jsonl"
    day_file.write_bytes(b"".join(write(one) + b"\n" for one in day(STANDS)))
    return ["--line", str(tmp_path / "line.toml"), "--events", str(day_file)]


def test_a_replay_can_be_verified(files):
    """`replay --verify` works the alerts out again, says how many agree, and ends with 0."""
    ended = CliRunner().invoke(cli.app, ["replay", *files, "--verify"])

    assert ended.exit_code == 0, ended.output
    assert "occupied-no-train" in ended.stdout
    assert "worked out again: 1 agrees, 0 disagrees, 0 cannot tell" in ended.stderr


def test_a_replay_that_does_not_hold_ends_with_1(files, monkeypatch):
    """A disagreement is told on stderr with its sentence, the alerts are written all the same, and it ends with 1."""
    forged = Verdict(
        id="0", kind="k", subject="section/T3", opinion=DISAGREES, why="it was not so"
    )
    monkeypatch.setattr(player, "second_opinion", lambda *_: iter([forged]))

    ended = CliRunner().invoke(cli.app, ["replay", *files, "--verify"])

    assert ended.exit_code == 1
    assert "occupied-no-train" in ended.stdout
    assert "k section/T3 (0): disagrees: it was not so" in ended.stderr.splitlines()
