"""A window in which settings or the line file changed is told by what was in force in each part of it."""

from __future__ import annotations

import pytest

from monitor.core.alerts import line as alert_line
from monitor.core.events import SectionState, State
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from monitor.incident.pieces import gathered
from monitor.incident.report import pieces_of, report
from monitor.incident.stepping import Walk
from monitor.journal import Journal
from monitor.past import Past
from tests.incident.reading import data_of
from tests.journals import come, connect, start
from tests.live import LINE, SECTIONS

SIX = parse("2026-05-04T06:00:00Z")
HALF = SIX + 30 * MINUTE
SLOW = {"section-disturbed": {"settle_s": 600}}
SHORT = LINE.replace('between = ["T3", "T4"]', 'between = ["T3", "open"]')
SHORT = (
    SHORT[: SHORT.index('[[section]]\nid = "T4"')] + SHORT[SHORT.index("[[head]]") :]
)
SHORT = SHORT[: SHORT.index('[[head]]\nid = "H4"')]


def state(number, at, section, shows):
    """A section shows something."""
    return SectionState(
        id=str(number), source="gw/1", subject=section, time=at, state=State(shows)
    )


def day(journal, line, other, before=None, after=None):
    """The same on both sides of a start at half past: T2 disturbed for four minutes; and a train in T1 meanwhile."""
    start(journal, SIX - MINUTE, line, **(before or {}))
    connect(journal, SIX - MINUTE)
    states = [
        *((SIX, name, "clear") for name in SECTIONS),
        (SIX + 10 * MINUTE, "T2", "disturbed"),
        (SIX + 14 * MINUTE, "T2", "clear"),
        (SIX + 20 * MINUTE, "T1", "occupied"),
        (SIX + 40 * MINUTE, "T2", "disturbed"),
        (SIX + 44 * MINUTE, "T2", "clear"),
        (SIX + 50 * MINUTE, "T1", "clear"),
    ]
    events = [state(n, at, name, shows) for n, (at, name, shows) in enumerate(states)]
    come(journal, [one for one in events if one.time < HALF], lag=SECOND)
    start(journal, HALF, other, **(after or {}))
    connect(journal, HALF)
    come(journal, [one for one in events if one.time > HALF], lag=SECOND)
    return Past(journal, SIX, SIX + HOUR)


@pytest.fixture(name="journal")
def _journal(tmp_path):
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        yield journal


@pytest.fixture(name="changed")
def _changed(journal):
    return day(journal, LINE, LINE, after={"detect": SLOW})


def told(past):
    """The window, put together."""
    return gathered(pieces_of(past), (past.begin, past.end))


def test_each_part_is_concluded_by_what_was_in_force_in_it(changed):
    """The first time T2 was disturbed it was told after 5 s, the second, within the 600 s of the new settings, not at all: as the monitor had it."""
    story = told(changed).story

    raised = [(one.alert.kind, one.alert.raised) for one in story.alerts]
    assert ("section-disturbed", SIX + 10 * MINUTE + 5 * SECOND) in raised
    assert not [at for kind, at in raised if kind == "section-disturbed" and at > HALF]
    lines = [alert_line(line) for one in story.alerts for _, line in one.lines]
    monitor = [
        alert_line(one)
        for output in changed.outputs()
        for one in output.alerts
        if changed.asked_for(one.raised)
    ]
    assert sorted(lines) == sorted(monitor)


def test_where_it_changed_stands_in_the_report_and_in_its_diagram(changed):
    """From when on, and which number was what before and after."""
    text = report(pieces_of(changed), window=(changed.begin, changed.end))

    assert "What was in force changed in this window" in text
    assert "[detect.section-disturbed] settle_s 5.0, then 600" in text
    found = data_of(text)
    [[moment, what]] = found["changes"]
    assert found["begin"] + moment * found["unit"] == HALF
    assert what.startswith("settings: ")


def test_what_lasted_across_the_change_is_one(changed):
    """Every event stands there once, and the train in T1 at half past is one bar from its event to its event."""
    story = told(changed).story

    [bar] = [
        one for one in story.spans if one.section == "T1" and one.kind == "occupied"
    ]
    assert (bar.began, bar.ended) == (SIX + 20 * MINUTE, SIX + 50 * MINUTE)
    assert (bar.event, bar.until) == ("gw/1#6", "gw/1#9")
    feed = [one.id for one in story.events if one.source == "gw/1"]
    assert feed == [str(number) for number in range(10)]


def test_what_a_start_concluded_of_the_time_before_it_was_known_from_then_on(journal):
    """Under the settings of before nothing was told of T2; those of after tell it when they come into force."""
    past = day(journal, LINE, LINE, before={"detect": SLOW})

    [first] = [
        one
        for one in told(past).story.alerts
        if one.alert.kind == "section-disturbed" and one.alert.raised < HALF
    ]
    assert first.alert.raised == SIX + 10 * MINUTE + 5 * SECOND
    assert {at for at, _ in first.lines} == {HALF}


def test_a_section_that_another_file_lacks_was_not_known(journal):
    """It is drawn all the same, hatched with that reason while that file was in force."""
    past = day(journal, SHORT, LINE)
    assert "T4" not in read_line(SHORT).sections

    found = told(past)

    [gone] = [
        one
        for one in found.story.spans
        if one.section == "T4" and one.why.startswith("not in the line file")
    ]
    assert (gone.began, gone.ended) == (SIX, HALF)
    assert list(found.story.line.sections) == list(SECTIONS)
    assert "sections with T4" in found.story.changes[0][1]
    back = told(day_after(past)).story.line.sections
    assert list(back) == list(SECTIONS)


def day_after(past):
    """The same journal, gone on with by a start whose file lacks T4 again."""
    start(past.journal, SIX + 55 * MINUTE, SHORT)
    come(past.journal, [state(99, SIX + 56 * MINUTE, "T1", "occupied")])
    return Past(past.journal, SIX, SIX + HOUR)


def test_steps_go_by_what_was_in_force_then(changed):
    """What the detection waits for at a step is what it waited for then."""
    found = told(changed)
    walks = tuple(
        Walk(section="T2", begin=at, end=at + 2 * MINUTE)
        for at in (SIX + 10 * MINUTE, SIX + 40 * MINUTE)
    )

    first, second = found.steps(walks)[:2]

    assert any("5 s" in said for step in first.steps for said in step.said)
    assert any(
        "600 s" in said or "10 min" in said
        for step in second.steps
        for said in step.said
    )


def test_where_nothing_changed_there_is_one_piece(journal):
    """A start with the same again is no change, and nothing is said of one."""
    past = day(journal, LINE, LINE)

    text = report(pieces_of(past), window=(past.begin, past.end))

    assert past.changes == ()
    assert "What was in force changed" not in text
    assert data_of(text)["changes"] == []
