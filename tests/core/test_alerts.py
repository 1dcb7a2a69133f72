from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, strategies as st

from monitor.core.alerts import Alerts, digest, identify, line
from monitor.core.detector import Evidence, Found, Over
from monitor.core.moments import MINUTE, SECOND, parse
from monitor.core.suppression import Covered

NOON = parse("2026-05-04T12:00:00Z")
WHY = "it shows clear"
DISTURBED = ("section-disturbed", "section/T107")
VANISHED = ("vanished-train", "section/T107")
GROUP = Covered(group="0123456789abcdef", asset="cable/C2", since=NOON)


@pytest.fixture
def finding():
    """What a detection found at noon, five seconds after it began."""

    def made(**more):
        given = {
            "began": NOON,
            "raised": NOON + 5 * SECOND,
            "priority": "prompt",
            "summary": "T107 disturbed",
            "evidence": (Evidence(time=NOON, text="disturbed", event="gw/1#7"),),
            "checks": (),
        }
        return Found(**{**given, **more})

    return made


def found(alerts, *what):
    """The line that *alerts* tell of a finding: one that the test expects, or None."""
    line: Any = alerts.found(*what)
    return line


def over(alerts, *what):
    """The same of what is over."""
    line: Any = alerts.over(*what)
    return line


def test_an_id_is_made_from_kind_subject_and_beginning(finding):
    """The first 16 hexadecimal digits of SHA-256 over the three, each on its own line, to the millisecond in UTC."""
    alert = found(Alerts(), *DISTURBED, finding())
    text = "section-disturbed\nsection/T107\n2026-05-04T12:00:00.000Z"

    assert alert.id == hashlib.sha256(text.encode()).hexdigest()[:16]


def test_an_alert_opens_changes_and_ends(finding):
    """Each is a line; beginning, raising and id stay as they were when it was raised."""
    alerts = Alerts()
    opened = found(alerts, *DISTURBED, finding())
    changed = found(
        alerts,
        *DISTURBED,
        finding(began=NOON + SECOND, raised=NOON + MINUTE, summary="T107 still so"),
    )
    ended = over(alerts, *DISTURBED, Over(at=NOON + 2 * MINUTE, because=WHY))

    assert (opened.began, opened.raised, opened.ended) == (
        NOON,
        NOON + 5 * SECOND,
        None,
    )
    assert changed == replace(opened, summary="T107 still so")
    assert ended == replace(
        changed,
        ended=NOON + 2 * MINUTE,
        summary="Over after 2 min: it shows clear. Was: T107 still so",
        parameters={"over_because": WHY, "lasted_s": 120.0},
    )
    assert alerts.open == {}


def test_the_same_again_is_no_line(finding):
    """What says nothing new is not told, and keeps the alert open."""
    alerts = Alerts()
    found(alerts, *DISTURBED, finding())

    assert found(alerts, *DISTURBED, finding(raised=NOON + MINUTE)) is None
    assert len(alerts.open) == 1


def test_what_is_not_open_does_not_end(finding):
    """There is no line about the end of an alert that was never raised, or is over."""
    alerts = Alerts()
    assert over(alerts, *DISTURBED, Over(at=NOON, because=WHY)) is None

    found(alerts, *DISTURBED, finding())
    over(alerts, *DISTURBED, Over(at=NOON + MINUTE, because=WHY))
    assert over(alerts, *DISTURBED, Over(at=NOON + MINUTE, because=WHY)) is None


def test_after_its_end_a_new_one_opens(finding):
    """With its own beginning and id."""
    alerts = Alerts()
    first = found(alerts, *DISTURBED, finding())
    over(alerts, *DISTURBED, Over(at=NOON + MINUTE, because=WHY))
    second = found(alerts, *DISTURBED, finding(began=NOON + 2 * MINUTE))

    assert second.id == identify(*DISTURBED, NOON + 2 * MINUTE) != first.id


def test_its_last_line_says_that_it_is_over(finding):
    """It says after how long and why, and what it was; both are numbers beside the others too, and what it was does not stand as if it were so."""
    alerts = Alerts()
    raised = found(alerts, *DISTURBED, finding(parameters={"settle_s": 5}))
    ended = over(alerts, *DISTURBED, Over(at=NOON + MINUTE, because="a train entered"))

    assert ended.summary == f"Over after 1 min: a train entered. Was: {raised.summary}"
    assert ended.parameters == {
        "settle_s": 5,
        "over_because": "a train entered",
        "lasted_s": 60.0,
    }


def test_what_ends_at_once_is_never_open(finding):
    """It is raised and over in one line, and the next of its kind is another."""
    alerts = Alerts()
    alert = found(alerts, *DISTURBED, finding(ended=NOON + SECOND))

    assert alert.ended == NOON + SECOND
    assert alerts.open == {}


def test_of_what_only_a_person_ends_there_is_one_for_each_beginning(finding):
    """A second train that vanishes in one section is a second alert beside the first, which no detection ends."""
    alerts = Alerts()
    first = found(alerts, *VANISHED, finding(lasting=True))
    second = found(alerts, *VANISHED, finding(lasting=True, began=NOON + MINUTE))
    known = found(alerts, *VANISHED, finding(lasting=True, summary="it came out again"))

    assert first.id != second.id
    assert known == replace(first, summary="it came out again")
    assert over(alerts, *VANISHED, Over(at=NOON + 2 * MINUTE, because=WHY)) is None
    assert alerts.about(*VANISHED) == [known, second]


def test_affected_is_the_subject_where_nothing_else_is_said(finding):
    """A finding that names nobody concerns its own place."""
    assert found(Alerts(), *DISTURBED, finding()).affected == ("section/T107",)


# What keeps alerts quiet.


def test_work_that_begins_quiets_what_is_open_and_its_end_does_so_no_longer(finding):
    """The alert stays open; each change is one line, and nothing else of it changes."""
    alerts = Alerts()
    opened = found(alerts, *DISTURBED, finding())
    alerts.suppression.work["section/T107"] = "under work: work W7"
    [quiet] = alerts.remark("section/T107")
    del alerts.suppression.work["section/T107"]
    [loud] = alerts.remark("section/T107")

    assert quiet == replace(opened, parameters={"quiet": "under work: work W7"})
    assert loud == opened
    assert alerts.remark("section/T107") == []


def test_a_cause_takes_the_alerts_of_its_members(finding):
    """What was told before gives its group by a further line; other kinds and other sections stay as they are."""
    alerts = Alerts()
    opened = found(alerts, *DISTURBED, finding())
    found(alerts, *VANISHED, finding(lasting=True))
    found(alerts, "section-disturbed", "section/T108", finding())
    alerts.suppression.causes["section/T107"] = GROUP

    assert alerts.remark("section/T107") == [
        replace(
            opened,
            parameters={
                "group": "0123456789abcdef",
                "quiet": "a common cause covers it: cable/C2",
            },
        )
    ]


def test_a_member_that_outlasts_its_cause_comes_forward(finding):
    """When the cause is over it is quiet no longer, and its group stays in the record."""
    alerts = Alerts()
    opened = found(alerts, *DISTURBED, finding())
    alerts.suppression.causes["section/T107"] = GROUP
    alerts.remark("section/T107")
    del alerts.suppression.causes["section/T107"]

    kept = {"group": "0123456789abcdef"}
    assert alerts.remark("section/T107") == [replace(opened, parameters=kept)]
    changed = found(alerts, *DISTURBED, finding(summary="T107 still disturbed"))
    assert changed.parameters == kept


@pytest.mark.parametrize(("since", "told"), [(NOON, True), (NOON + 1, False)])
def test_an_alert_that_is_over_gives_its_group_too(finding, since, told):
    """A spurious occupation is over at once, and one more line says of which group it was; one that began before the cause is of none."""
    alerts = Alerts()
    kind = "spurious-occupation"
    ended = found(alerts, kind, "section/T107", finding(ended=NOON + SECOND))
    alerts.suppression.causes["section/T107"] = replace(GROUP, since=since)

    marked = alerts.remark("section/T107")
    if told:
        assert [one.id for one in marked] == [ended.id]
        assert marked[0].ended == NOON + SECOND
        assert marked[0].parameters["group"] == "0123456789abcdef"
    else:
        assert marked == []
    assert alerts.remark("section/T107") == []
    assert alerts.open == {}


def test_one_ended_before_gives_its_group_too(finding):
    """A member that was clear again before the cause was told is in the record with its group."""
    alerts = Alerts()
    found(alerts, *DISTURBED, finding())
    ended = over(alerts, *DISTURBED, Over(at=NOON + 8 * SECOND, because=WHY))
    alerts.suppression.causes["section/T107"] = GROUP

    [marked] = alerts.remark("section/T107")
    assert (marked.id, marked.ended) == (ended.id, ended.ended)
    assert marked.parameters["group"] == "0123456789abcdef"


# The line.


def test_a_line_is_the_record_of_the_contract(finding):
    """One JSON object on one line, its keys in their order, moments in UTC with milliseconds."""
    alert = found(Alerts(), *DISTURBED, finding(parameters={"settle_s": 5.0}))
    read = json.loads(line(alert))

    assert "\n" not in line(alert)
    assert list(read) == [
        "id",
        "kind",
        "subject",
        "priority",
        "began",
        "raised",
        "ended",
        "summary",
        "evidence",
        "affected",
        "suspects",
        "checks",
        "parameters",
    ]
    assert read["began"] == "2026-05-04T12:00:00.000Z"
    assert read["raised"] == "2026-05-04T12:00:05.000Z"
    assert read["ended"] is None
    assert read["evidence"] == [
        {"time": "2026-05-04T12:00:00.000Z", "text": "disturbed", "event": "gw/1#7"}
    ]
    assert digest(line(alert)) == hashlib.sha256(line(alert).encode()).hexdigest()


@given(
    st.lists(
        st.tuples(st.sampled_from(["found", "over"]), st.integers(0, 3)), max_size=30
    )
)
def test_of_one_kind_and_subject_one_is_open_at_a_time(steps):
    """Whatever detections say, every line of an id but the last is open, and at most the last id is."""
    alerts, told = Alerts(), []
    for number, (what, text) in enumerate(steps):
        at = NOON + number * SECOND
        if what == "found":
            condition = Found(
                began=at,
                raised=at,
                priority="prompt",
                summary=str(text),
                evidence=(),
                checks=(),
            )
            told.append(found(alerts, *DISTURBED, condition))
        else:
            told.append(over(alerts, *DISTURBED, Over(at=at, because=WHY)))
    lines = [one for one in told if one is not None]

    ids = [one.id for one in lines]
    for one, following in pairwise(lines):
        assert (one.ended is None) == (following.id == one.id)
    assert ids == sorted(ids, key=ids.index)
    assert len(alerts.open) <= 1
