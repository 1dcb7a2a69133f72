from __future__ import annotations

import json

from monitor.core.alerts import Alert, identify, line, read
from monitor.core.detector import Evidence, Suspect
from monitor.core.moments import MINUTE, SECOND, parse, stamp
from monitor.core.telling import happened, leading

NIGHT = parse("2026-05-04T02:03:00Z")


def alert(kind="section-disturbed", subject="section/P03", *told, **more):
    """An alert that began when the night's cable went, resting on sentences at seconds after it."""
    values = {
        "id": identify(kind, subject, NIGHT),
        "kind": kind,
        "subject": subject,
        "priority": "prompt",
        "began": NIGHT,
        "raised": NIGHT + 5 * SECOND,
        "ended": None,
        "summary": f"{subject.partition('/')[2]} disturbed since 02:03:00",
        "evidence": tuple(
            Evidence(time=NIGHT + round(after * SECOND), text=text, event="gw/1#1")
            for after, text in told
        ),
        "affected": (subject,),
        "suspects": (Suspect(asset="cable/C4", weight=0.8),),
        "checks": (),
        "parameters": {},
        **more,
    }
    return Alert(**values)


def said(*alerts):
    """What is told of them, with seconds after the night's cable went."""
    return [((at - NIGHT) / SECOND, text) for at, text in happened(alerts)]


def test_a_cause_and_its_members_say_each_thing_once():
    """That a section failed is left out where it is said to be disturbed; a sentence that another of that second goes on from is, too; and one that says since when what is said is so."""
    cause = alert(
        "common-cause",
        "cable/C4",
        (0.2, "P03 failed"),
        (2, "P04 failed"),
        (2.3, "P09 failed"),
        summary="3 of 4 sections on cable C4 failed within 2 s",
    )
    first = alert("section-disturbed", "section/P03", (0.7, "P03 disturbed"))
    second = alert(
        "section-disturbed",
        "section/P04",
        (2.1, "P04 disturbed"),
        (2.4, "P04 disturbed, tally -4"),
        summary="P04 disturbed since 02:03:02",
    )

    assert said(cause, first, second) == [
        (0.7, "P03 disturbed"),
        (2.3, "P09 failed"),
        (2.4, "P04 disturbed, tally -4"),
        (5.0, "3 of 4 sections on cable C4 failed within 2 s"),
    ]


def test_what_happened_at_another_time_is_another_thing():
    """The same words a second later stand: it happened again."""
    one = alert(
        "section-disturbed",
        "section/P03",
        (0.9, "P03 failed"),
        (1.1, "P03 disturbed"),
        (1.2, "P03 reset"),
        (9, "P03 reset, refused"),
        summary="P03 not available",
    )

    assert [text for _, text in said(one)] == [
        "P03 failed",
        "P03 disturbed",
        "P03 reset",
        "P03 not available",
        "P03 reset, refused",
    ]


def test_an_end_is_told_with_what_ended():
    """At the time of the end; what it was called while it was open stands where it was raised."""
    one = alert(
        ended=NIGHT + 2 * MINUTE,
        summary="Over after 2 min: it shows clear. Was: P03 disturbed since 02:03:00",
    )

    assert said(one) == [
        (5.0, "P03 disturbed since 02:03:00"),
        (120.0, "P03, section disturbed: Over after 2 min: it shows clear."),
    ]


def test_what_is_open_leads_before_what_is_grave():
    """A headline is about what there is to do."""
    over = alert("vanished-train", priority="urgent", ended=NIGHT + MINUTE)
    still = alert("reset-unproved")

    assert leading([over, still], {still.id}, "section/P03") is still
    assert leading([], set(), "") is None


def test_a_record_is_read_as_it_was_written():
    """Every field of the contract, to the letter."""
    one = alert(
        "section-disturbed",
        "section/P03",
        (0.7, "P03 disturbed"),
        ended=NIGHT + MINUTE,
        checks=("Do first: call",),
        parameters={"settle_s": 5.0, "quiet": None},
    )
    text = line(one)

    assert line(read(json.loads(text))) == text
    assert stamp(read(json.loads(text)).began) == "2026-05-04T02:03:00.000Z"
