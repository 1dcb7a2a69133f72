"""The first sentences of a report: what is urgent first, and numbers that are right."""

from __future__ import annotations

import re

from monitor.core.engine import Engine
from monitor.core.moments import SECOND
from monitor.incident.happened import happened, occupations
from monitor.incident.story import Span, gather
from replay.player import up_to


def lasted(section, kind, began, ended, why=""):
    """A section was something, from and to in seconds."""
    return Span(
        section=section,
        kind=kind,
        began=began * SECOND,
        ended=None if ended is None else ended * SECOND,
        event="",
        until="",
        heard=began * SECOND,
        heard_end=None,
        why=why,
    )


def test_an_occupation_that_was_not_known_for_a_while_is_one():
    """It is drawn in two bars with hatching between, and nothing says that it ended."""
    assert (
        occupations(
            [
                lasted("A", "occupied", 10, 20),
                lasted("A", "not-known", 20, 30),
                lasted("A", "occupied", 30, 40),
            ]
        )
        == 1
    )


def test_one_that_was_disturbed_in_between_is_one():
    """As long as a section is not clear it is one occupation, as detections.md has it; what was never occupied is none."""
    assert (
        occupations(
            [
                lasted("A", "occupied", 10, 20),
                lasted("A", "disturbed", 20, 30),
                lasted("A", "occupied", 30, 40),
                lasted("B", "disturbed", 10, 40),
            ]
        )
        == 1
    )


def test_those_between_which_it_was_clear_are_two():
    """Or clear when it was heard again; work beside it counts for nothing."""
    assert (
        occupations(
            [
                lasted("A", "occupied", 10, 20),
                lasted("A", "work", 15, 25),
                lasted("A", "not-known", 20, 30),
                lasted("A", "occupied", 35, 40),
                lasted("A", "occupied", 50, None),
                lasted("B", "occupied", 20, 30),
            ]
        )
        == 4
    )


def test_a_day_on_which_a_gateway_is_silent_has_as_many_as_its_table(story_of, day_of):
    """T106 stands occupied in the table of that day while GW2 is silent: as many occupations as sections turn occupied there after clear."""
    day = day_of("nothing-not-known")
    shown: dict[str, str] = {}
    turned = 0
    for one in sorted(day.events, key=lambda one: one.time):
        state = getattr(one, "state", None)
        if one.subject.startswith("T") and state is not None:
            turned += state == "occupied" != shown.get(one.subject)
            shown[one.subject] = state

    said = " ".join(happened(story_of("nothing-not-known")))

    assert f"through {turned} occupations" in said


def test_what_is_urgent_is_said_before_anything_else(story_of):
    """In the words of the alert, with when it was raised."""
    said = happened(story_of("vanished-train"))

    assert said[0].startswith("Urgent, raised 06:14:02.000: T103 ")


def test_what_is_not_heard_in_the_first_moments_is_one_line(simulated):
    """Every recording begins with sections that have said nothing yet: how many, and until when, and not which; nobody is told that they were not known."""
    line, events = simulated(hours=0.2)
    story = gather(Engine(line), events)
    found = [one for one in happened(story) if "not heard yet" in one]

    assert len(found) == 1
    assert re.fullmatch(
        rf"{len(line.sections)} sections were not heard yet at the beginning, "
        r"the last of them until 05:00:\d\d\.\d{3}\.",
        found[0],
    )
    assert not any("not known for some" in one for one in happened(story))


def test_a_section_that_is_not_heard_for_longer_is_told_of(day_of, at):
    """T105 says nothing for more than half a minute: from when to when is said."""
    day = day_of("vanished-train")
    events = [
        one for one in day.events if one.subject != "T105" or one.time > at("06:00:00")
    ]
    said = happened(gather(Engine(day.line), events))

    assert any(one.startswith("T105 was not known for some") for one in said)
    assert any(one.startswith("Not known from 06:00:00.300 to ") for one in said)


def test_a_reset_that_no_train_has_followed_by_the_end_is_said(day_of, at):
    """Which section waits; once a train has worked through, none does."""
    day = day_of("reset-unproved-after-work")

    def said(until):
        return " ".join(happened(gather(Engine(day.line), up_to(day.events, until))))

    sentence = "At the end no train had worked through since a reset of T103."
    assert sentence in said(at("06:30:00"))
    assert sentence not in said(at("07:10:00"))
    assert "through 0 occupations" in said(at("06:30:00"))
    # Of a window that ends before that train, though more was gone through.
    window = at("04:30:00"), at("05:01:00")
    assert sentence in " ".join(happened(gather(Engine(day.line), day.events, window)))
