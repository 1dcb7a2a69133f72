"""What a story tells of days beside this folder, each read by hand off its table."""

from __future__ import annotations

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.moments import MINUTE, SECOND
from monitor.incident.story import arrival_of, gather
from replay.player import replay, up_to


def spans(story, section):
    """What *section* was, as kind, beginning and end."""
    return [
        (one.kind, one.began, one.ended)
        for one in story.spans
        if one.section == section
    ]


def test_a_section_is_what_its_table_says(story_of, at):
    """T103 takes a train at 06:12:00 and clears at 06:14:00; before its first event it is not known."""
    story = story_of("vanished-train")

    assert spans(story, "T103") == [("occupied", at("06:12:00"), at("06:14:00"))]
    assert spans(story, "T101")[0] == ("occupied", at("06:10:00"), at("06:11:10"))


def test_an_end_names_the_event_that_shows_it(story_of, day_of):
    """Whoever asks why a bar begins or ends is told by which event."""
    story = story_of("vanished-train")
    day = day_of("vanished-train")
    shown = [e for e in day.events if e.subject == "T103"]

    (bar,) = [one for one in story.spans if one.section == "T103"]

    assert (bar.event, bar.until) == (shown[1].name, shown[2].name)
    assert (bar.heard, bar.heard_end) == (arrival_of(shown[1]), arrival_of(shown[2]))


def test_a_train_is_traced_through_its_sections(story_of, at):
    """It is in T101, T102 and T103 at the times of the table, and nowhere after."""
    story = story_of("vanished-train")

    (trace,) = story.traces
    assert [(one.section, one.entered, one.left) for one in trace.visits] == [
        ("T101", at("06:10:00"), at("06:11:10")),
        ("T102", at("06:11:00"), at("06:12:10")),
        ("T103", at("06:12:00"), at("06:14:00")),
    ]


def test_what_is_not_known_begins_with_the_last_event_heard(story_of, at):
    """GW2 was heard last at 06:10:00 and T103 again at 06:20:01; between them T103 is not known."""
    story = story_of("nothing-not-known")

    assert ("not-known", at("06:10:00"), at("06:20:01")) in spans(story, "T103")


def test_what_goes_on_has_no_end(day_of, at):
    """T106 is entered at 06:13:00, and by 06:14:00 nothing says that it was left; its train is there still."""
    day = day_of("nothing-not-known")

    story = gather(Engine(day.line), up_to(day.events, at("06:14:00")))

    assert story.traces[-1].visits[-1].left is None
    assert spans(story, "T106")[-1] == ("occupied", at("06:13:00"), None)


def test_a_reset_is_a_mark_for_each_of_its_steps(story_of, day_of):
    """Every step stands where its event says, under its own name."""
    story = story_of("reset-not-held")
    steps = [e for e in day_of("reset-not-held").events if hasattr(e, "step")]

    assert steps
    assert [(one.section, one.step, one.event) for one in story.marks] == [
        (e.subject, e.step.value, e.name) for e in steps
    ]


def test_work_is_a_span_of_its_own(story_of):
    """Work lies over what a section shows, and both are told."""
    story = story_of("nothing-possession")

    assert {one.kind for one in story.spans} >= {"work", "disturbed"}


def test_the_alerts_are_those_of_a_replay_to_the_byte(story_of, day_of):
    """Listening changes nothing: the lines are those that a replay without it writes."""
    for name in ("vanished-train", "common-cause-cable", "reset-not-held"):
        day = day_of(name)
        written = [
            alert_line(alert)
            for output in replay(Engine(day.line), day.events, until=day.until)
            for alert in output.alerts
        ]

        told = [
            alert_line(alert) for one in story_of(name).alerts for _, alert in one.lines
        ]

        assert sorted(told) == sorted(written)


def test_an_alert_was_heard_when_its_last_event_came(story_of, day_of):
    """It rests on events; the last of them came then, and not before the alert began."""
    day = day_of("vanished-train")
    came = {event.name: arrival_of(event) for event in day.events}

    (one,) = story_of("vanished-train").alerts

    evidence = [came[e.event] for e in one.alert.evidence if e.event in came]
    assert one.heard == max(evidence)
    assert one.heard >= one.alert.began
    assert one.fault == one.alert.id


def test_a_window_leaves_out_what_came_before_and_after(day_of, at):
    """Events go by arrival, what lasts is told where it touches the window, alerts go by when they were raised."""
    day = day_of("vanished-train")
    window = at("06:11:30"), at("06:12:30")

    story = gather(Engine(day.line), day.events, window, until=day.until)

    assert [one.subject for one in story.events] == ["T103", "T102"]
    assert spans(story, "T101") == []
    assert spans(story, "T103") == [("occupied", at("06:12:00"), at("06:14:00"))]
    assert story.alerts == ()


def test_a_window_without_events_is_a_story_all_the_same(day_of, at):
    """Nothing came, and that is what it tells."""
    day = day_of("vanished-train")
    window = at("05:00:00"), at("05:00:00") + MINUTE

    story = gather(Engine(day.line), day.events, window, until=day.until)

    assert (story.events, story.alerts, story.marks) == ((), (), ())
    assert {one.kind for one in story.spans} == {"not-known"}
    assert (story.begin, story.end) == window
    assert (story.heard, story.last) == (False, None)


def test_long_after_the_last_event_no_train_is_followed_and_nothing_was_heard(
    day_of, at
):
    """A train that stood there when the feed fell silent is not said to stand there an hour later; a window in which something came was heard."""
    day = day_of("vanished-train")
    events = [one for one in day.events if one.time < at("06:13:00")]
    within = gather(
        Engine(day.line), events, (at("06:12:30"), at("06:13:30")), until=day.until
    )
    after = gather(
        Engine(day.line), events, (at("07:30:00"), at("07:40:00")), until=day.until
    )

    assert within.heard
    assert [one.number for one in within.traces] == [1]
    assert not after.heard
    assert after.last == max(arrival_of(one) for one in events)
    assert after.traces == ()
    assert {one.kind for one in after.spans if one.ended is None} == {"not-known"}


def test_nothing_is_known_before_the_first_event_and_after_the_last(day_of, at):
    """A window that is longer than what came is hatched at both ends, and never painted as quiet."""
    day = day_of("vanished-train")
    window = at("05:30:00"), at("06:30:00")

    story = gather(Engine(day.line), day.events, window)

    for section in ("T101", "T105"):
        found = [one for one in spans(story, section) if one[0] == "not-known"]
        assert found[0][1:] == (at("05:30:00"), at("06:00:00"))
        # It came 0.3 s after its time.
        assert found[-1][1:] == (at("06:14:00.300"), None)


def test_what_came_a_moment_ago_is_known(day_of, at):
    """A window that ends a minute after the last event is not hatched for that."""
    day = day_of("vanished-train")

    story = gather(Engine(day.line), day.events, (at("06:00:00"), at("06:15:00")))

    assert spans(story, "T105") == []


def test_a_recording_without_events_is_a_story_too(day_of):
    """There is no first moment, and nothing fails."""
    story = gather(Engine(day_of("vanished-train").line), [])

    assert (story.events, story.spans) == ((), ())


def test_every_event_of_a_simulated_day_is_in_its_story(simulated):
    """In order of arrival, none left out, and every section has what it showed."""
    line, events = simulated()

    story = gather(Engine(line), events)

    assert story.events == events
    shown = {e.subject for e in events if getattr(e, "state", None) == "occupied"}
    assert {one.section for one in story.spans if one.kind == "occupied"} == shown
    assert all(
        one.ended is None or one.ended > one.began - SECOND for one in story.spans
    )


def test_a_reset_waits_until_a_train_has_followed(story_of, day_of, at):
    """T103 is reset at 02:00:00, and the first train leaves it at 07:03:10; between, what it shows is in doubt, and an hour after the reset nobody knows when that will end."""
    name = "reset-unproved-after-work"
    found = [one for one in story_of(name).spans if one.kind == "waits-for-train"]

    assert [(one.section, one.began, one.ended) for one in found] == [
        ("T103", at("02:00:00"), at("07:03:10"))
    ]
    (reset,) = [e for e in day_of(name).events if hasattr(e, "step")]
    assert found[0].event == reset.name
    assert found[0].heard == arrival_of(reset)
    assert found[0].heard_end >= at("07:03:10")
    early = gather(
        Engine(day_of(name).line), up_to(day_of(name).events, at("03:00:00"))
    )
    assert [one.ended for one in early.spans if one.kind == "waits-for-train"] == [None]
