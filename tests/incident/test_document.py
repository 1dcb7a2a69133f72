"""The document of a report, read by a reader of its own."""

from __future__ import annotations

import importlib.util
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.layout import read_line
from monitor.core.moments import MINUTE, SECOND, parse
from monitor.core.wire import write
from monitor.demo.example import example_line
from monitor.handling import Act
from monitor.incident.document import document, packed
from monitor.incident.doing import first_seen
from monitor.incident.page import page
from monitor.incident.pieces import Piece
from monitor.incident.report import report
from monitor.incident.stepping import Walk, step_through, walks_of
from monitor.incident.story import gather
from monitor.incident.told import Sent
from monitor.painted import Painting
from replay.player import replay
from replay.simulator.scenarios import tour


def _reading():
    # Test files are found by path, so what stands beside one is too.
    path = Path(__file__).parent / "reading.py"
    spec = importlib.util.spec_from_file_location("reading", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


reading = _reading()


@pytest.fixture(scope="module")
def made(morning):
    """A simulated morning and its report."""
    line, events = morning
    return (
        line,
        events,
        report([Piece(events=lambda: events, engine=lambda: Engine(line))]),
    )


def test_the_report_holds_every_event(made):
    """Parsing the file gives back every line of the recording, in its order."""
    _, events, text = made

    found = list(reading.events_of(reading.data_of(text)))

    assert found == [json.loads(write(event)) for event in events]


def test_the_report_holds_every_alert_to_the_byte(made):
    """Each line of the alert record stands in the file as a replay writes it."""
    line, events, text = made
    lines = [
        alert_line(alert)
        for output in replay(Engine(line), events)
        for alert in output.alerts
    ]

    held = [told for one in reading.data_of(text)["alerts"] for _, told in one["lines"]]

    assert lines
    assert sorted(held) == sorted(lines)


def test_the_same_recording_gives_the_same_bytes(made):
    """No clock, no chance, and no order that a run makes up has a part in it."""
    line, events, text = made

    assert report([Piece(events=lambda: events, engine=lambda: Engine(line))]) == text


def test_what_lasted_is_where_the_events_put_it(made):
    """A section is occupied from an event that says so to the next one that says otherwise."""
    _, events, text = made
    told = set(reading.spans_of(reading.data_of(text)))
    shown: dict[str, SectionState] = {}
    expected = set()
    for one in sorted(
        (e for e in events if isinstance(e, SectionState)), key=lambda e: e.time
    ):
        before = shown.get(one.subject)
        if before is not None and before.state is one.state:
            continue
        if before is not None and before.state is State.OCCUPIED:
            expected.add((one.subject, "occupied", before.time, one.time))
        shown[one.subject] = one

    assert len(expected) > 50
    # Where a gateway was silent a bar ends with what was heard last: those are few.
    assert len(expected - told) <= len(expected) // 20


def test_a_moment_between_two_milliseconds_is_kept(story_of):
    """Where anything happened at a microsecond, the unit is one."""
    story = story_of("vanished-train")
    moved = replace(story.events[0], time=story.events[0].time + 1)

    found = document(replace(story, events=(moved, *story.events[1:])))

    assert found["unit"] == 1
    (first, *_) = reading.events_of(found)
    assert first["time"].endswith("000001Z")


@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                ["0", "7", "007", "", "x", "12", "9007199254740993", "-3", "\u0663"]
            ),
            st.none() | st.integers(0, 2**53 - 1),
            st.integers(-5, 5),
            st.none() | st.integers(-5, 5),
            st.booleans(),
        ),
        max_size=12,
    )
)
def test_any_id_number_and_time_comes_back(story_of, drawn):
    """Whatever ids, numbers and times a source sends, they stand in the document so that they can be told again."""
    story = story_of("vanished-train")
    at = parse("2026-05-04T06:00:00Z")
    events = tuple(
        SectionState(
            id=name,
            source="gw/1",
            subject="T101",
            time=at + time * SECOND,
            arrival=None if late is None else at + (time + late) * SECOND,
            sequence=number,
            retained=retained,
            state=State.CLEAR,
        )
        for name, number, time, late, retained in drawn
    )

    found = document(replace(story, events=events))

    assert list(reading.events_of(found)) == [json.loads(write(e)) for e in events]


def painted_at(fault, at, *, visible=True, position="north", alerts=None):
    """A page paints a fault, and says with which alerts, or does not say that."""
    return Painting(
        fault=fault,
        headline="",
        priority="urgent",
        at=at,
        position=position,
        page="1",
        by="Ada",
        visible=visible,
        sound="played",
        alerts=alerts,
    )


def test_an_alert_that_joined_a_fault_is_told_when_a_page_painted_it_itself(story_of):
    """The fault stood there before; the alert was painted with it at the south desk first, and a page that had only the fault is no telling of it."""
    story = story_of("vanished-train")
    (one,) = story.alerts
    known = one.lines[0][0]
    told = [
        painted_at(one.fault, known - SECOND, alerts=("other",)),
        painted_at(
            one.fault, known + 2 * SECOND, visible=False, alerts=(one.alert.id,)
        ),
        painted_at(one.fault, known + 5 * SECOND, alerts=(one.alert.id,)),
        painted_at(
            one.fault, known + 3 * SECOND, position="south", alerts=(one.alert.id,)
        ),
    ]

    (alert,) = document(story, told=told)["alerts"]
    assert alert["told_at"] == "south"
    assert alert["fault_before"] is None
    assert (alert["told"] - alert["heard"]) * 1000 >= 3 * SECOND

    (alert,) = document(story, told=told[:1])["alerts"]
    assert (alert["told"], alert["told_at"]) == (None, "")
    assert alert["fault_before"][1] == "north"


def test_told_is_the_first_painting_in_front_of_somebody(story_of):
    """A page in the background shows nobody anything."""
    story = story_of("vanished-train")
    (one,) = story.alerts
    known = one.lines[0][0]
    told = [
        painted_at(one.fault, known + SECOND, visible=False),
        painted_at(one.fault, known + 3 * SECOND, position="south"),
    ]

    (alert,) = document(story, told=told)["alerts"]

    assert alert["told_at"] == "south"
    assert alert["fault_before"] is None
    assert (alert["told"] - alert["heard"]) * 1000 >= 3 * SECOND
    assert ", south" in page(story, told=told)
    assert "nowhere, as far as is on record" in page(story, told=[])
    assert "not on record" in page(story)


def test_a_later_page_is_not_credited_where_the_fault_was_before_another(story_of):
    """Pages say which faults they painted, not which alerts: of an alert that joined one that stood there, that is all that is known, and never nothing."""
    story = story_of("vanished-train")
    (one,) = story.alerts
    known = one.lines[0][0]
    told = [
        painted_at(one.fault, known - SECOND),
        painted_at(one.fault, known + 3 * SECOND, position="south"),
    ]

    (alert,) = document(story, told=told)["alerts"]
    text = page(story, told=told)

    assert (alert["told"], alert["told_at"]) == (None, "")
    assert alert["fault_before"][1] == "north"
    assert "its fault was before north since " in text
    assert "nowhere, as far as" not in text
    assert ", south" not in text


def test_what_was_delivered_tells_too(story_of):
    """Painted or delivered, whichever was first; what was delivered of another alert was another matter."""
    story = story_of("vanished-train")
    (one,) = story.alerts
    known = one.lines[0][0]
    told = [
        painted_at(one.fault, known + 3 * SECOND, position="south"),
        Sent(alert="another", at=known + SECOND, channel="mail"),
        Sent(alert=one.alert.id, at=known + 2 * SECOND, channel="mail"),
    ]

    (alert,) = document(story, told=told)["alerts"]

    assert alert["told_at"] == "mail"
    assert ", by mail" in page(story, told=told)


def test_seen_is_who_first_said_so_after_it_could_be_known(story_of):
    """An act about the fault or the alert; one from before it, and one about another, are no seeing of it."""
    story = story_of("vanished-train")
    (one,) = story.alerts
    known = one.lines[0][0]

    def act(name, at, **about):
        values = {"id": name, "at": at, "entered": at, "position": "north", **about}
        return Act(**{"what": "seen", "by": name, **values})

    acts = [
        act("Early", known - SECOND, alert=one.alert.id),
        act("Other", known + SECOND, alert="0" * 16),
        act("Going", known + SECOND, fault=one.fault, what="going"),
        act("Ada", known + 5 * SECOND, fault=one.fault),
        act("Ben", known + 9 * SECOND, alert=one.alert.id),
    ]

    found = first_seen(acts, one)

    assert found is not None
    assert found.by == "Ada"
    text = page(replace(story, end=known + 60 * SECOND), acts=acts)
    assert ", Ada</td>" in text
    assert f"going: fault {story.faults[0].number}; Going, north" in text
    assert "by nobody on record" in page(story, acts=[])
    assert "Seen</th>" not in page(story)


def test_a_walk_says_what_was_known_at_each_step(day_of, story_of):
    """The steps to an alert end with the alert itself, and say before it that nothing was judged yet."""
    day = day_of("vanished-train-heartbeats")

    (walk,) = walks_of(story_of("vanished-train-heartbeats"))
    (steps,) = step_through(Engine(day.line), day.events, [walk])

    before, last = steps.steps[-2], steps.steps[-1]
    assert before.what == "T103 clear"
    assert last.what.startswith("vanished-train (urgent): T103")
    assert not any("alert" in said and "is open" in said for said in before.said)
    assert any("vanished-train" in s and "is open" in s for s in last.said)


def test_what_is_packed_is_the_same_each_time(story_of):
    """The compressed bytes bear no moment of making."""
    content = document(story_of("vanished-train"))

    assert packed(content) == packed(content)


def test_a_story_without_anything_is_a_page(day_of):
    """A recording without events gives a page that says so."""
    text = page(gather(Engine(day_of("vanished-train").line), []))

    assert "The recording has no events." in text
    assert "None, since nothing was heard in this window." in text


def test_a_window_of_which_nothing_is_held_passes_for_no_quiet_one(day_of, at):
    """It says so, when something was heard last, and of no train or alert that there were so many."""
    day = day_of("vanished-train")
    window = at("07:30:00"), at("07:40:00")
    text = page(gather(Engine(day.line), day.events, window, until=day.until))

    assert "holds nothing of this window" in text
    assert "Last heard before it: 2026-05-04 06:14:00" in text
    assert "trains were followed" not in text
    assert "alerts were raised" not in text
    assert "no rule was met" not in text


def test_each_section_names_its_neighbours(story_of):
    """By the heads of the line file, whatever row they are drawn in."""
    story = story_of("vanished-train")
    sections = document(story)["sections"]
    names = [one["id"] for one in sections]
    of = {one["id"]: {names[other] for other in one["beside"]} for one in sections}

    assert of["T103"] == {"T102", "T104"}


def test_one_is_said_to_be_one(story_of):
    """One train, one alert."""
    text = page(story_of("vanished-train"))

    assert "At least 1 train was followed" in text
    assert "1 alert was raised in this window: 1 urgent." in text


def test_what_changes_is_told_as_it_was_first_and_gravest_alerts_stand_first(
    simulated,
):
    """Each line of an alert with when it was told; a fault by its headline at raising and in the end; and what only a person ends is open until somebody closes it."""
    line, events = simulated(hours=2, seed=3, every=(8.0, 20.0))
    story = gather(Engine(line), events)
    text = page(story)
    ranks = {"urgent": 0, "prompt": 1, "planned": 2, "note": 3}
    rows = re.findall(r'data-alert="(\d+)" id="alert-(\w+)"', text)
    graver = [ranks[story.alerts[int(place)].alert.priority] for place, _ in rows]
    changed = [one for one in story.alerts if one.lines[0][1] != one.lines[-1][1]]
    lasting = [one for one in story.faults if one.lasting]

    assert [story.alerts[int(place)].alert.id for place, _ in rows] == [
        name for _, name in rows
    ]
    assert sorted(map(int, (place for place, _ in rows))) == list(
        range(len(story.alerts))
    )
    assert graver == sorted(graver)
    assert text.count("<summary>as concluded at ") == len(story.alerts)
    assert changed
    assert lasting
    assert text.count("open until closed") == len(lasting)
    renamed = [one for one in story.faults if story.headlines[one.id] != one.headline]
    assert text.count("; in the end: ") == len(renamed)


def test_what_was_not_known_is_told_by_gateway_from_when_to_when(story_of):
    """How many sections, by which gateway, and why: one spell of one gateway is one line."""
    text = page(story_of("nothing-not-known"))

    assert "Not known from 06:10:00.000 to 06:20:01.000: " in text
    assert " of gateway GW2" in text
    assert "At least 5 trains handed over" in text


def test_no_step_says_what_was_known_later():
    """An alert that is told anew is no further step under the time of its first line: the train that came out at 02:11:19 was not known of at 02:09:05."""
    line = read_line(example_line())
    events = tour(line, hours=0.5).simulate(line).events
    moment = parse("2026-05-04T02:09:00Z")
    walk = Walk(section="T08", begin=moment - 5 * MINUTE, end=moment + MINUTE)
    later = Walk(section="P05", begin=moment, end=moment + 6 * MINUTE)
    steps, _ = step_through(Engine(line), events, [walk, later])
    assert sum("vanished-train" in one.what for one in steps.steps) == 1
    assert not any("02:11" in said for one in steps.steps for said in one.said)
    assert not any("02:11" in one.what for one in steps.steps)
