"""Clocks told by handovers, against days on which it is known by how much each was moved."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from monitor.core.engine import Engine
from monitor.core.moments import MINUTE, SECOND
from monitor.incident.offsets import LEAST, Handover, handovers, offsets
from monitor.incident.story import Trace, Visit, gather

SOURCES = {"A1": "a", "A2": "a", "B1": "b", "B2": "b", "C1": "c", "C2": "c"}


def trains(wrong, count=30, seed=1):
    """Trains along A1 to C2 and back, each with a length and a speed of its own; *wrong* is by how much a clock is ahead, in seconds."""
    random = Random(seed)
    for number in range(count):
        over = random.uniform(4, 20)
        names = list(SOURCES)
        if number % 2:
            names.reverse()
        moment, visits = number * 3600.0, []
        for name in names:
            run = random.uniform(40, 90)
            shift = wrong[SOURCES[name]]
            visits.append(
                Visit(
                    section=name,
                    entered=round((moment + shift) * SECOND),
                    left=round((moment + run + over + shift) * SECOND),
                    sure=True,
                    heard=0,
                )
            )
            moment += run
        yield Trace(number=number, visits=tuple(visits))


def told(traces, sources=SOURCES):
    """By how much each source is told to be ahead, in seconds."""
    found = offsets(handovers(traces, sources), sources)
    return {
        one.source: None if one.ahead is None else one.ahead / SECOND for one in found
    }


def test_clocks_that_agree_are_told_to_agree():
    """Trains of any length and speed, both ways: nothing departs."""
    assert told(trains({"a": 0, "b": 0, "c": 0})) == {"a": 0, "b": 0, "c": 0}


def test_a_clock_that_is_ahead_is_told_by_as_much():
    """One of three is 0.8 s ahead and one 0.4 s behind; the middle one is what they are held against."""
    found = told(trains({"a": 0.8, "b": 0, "c": -0.4}))

    assert found == pytest.approx({"a": 0.8, "b": 0.0, "c": -0.4}, abs=0.001)


def test_few_handovers_say_nothing():
    """With fewer than five the clock is not told, and how many there were is."""
    found = offsets(
        [Handover(behind="a", ahead="b", over=SECOND)] * (LEAST - 1),
        {"T1": "a", "T2": "b"},
    )

    assert [(one.source, one.ahead, one.handovers) for one in found] == [
        ("a", None, LEAST - 1),
        ("b", None, LEAST - 1),
    ]


def test_who_stops_over_a_head_is_left_out():
    """A train that stands over a head for three minutes tells nothing of a clock."""
    stopped = [
        replace(
            trace,
            visits=tuple(
                replace(one, left=one.left + 3 * MINUTE) for one in trace.visits
            ),
        )
        for trace in trains({"a": 5, "b": 5, "c": 5}, count=10, seed=2)
    ]

    assert told([*trains({"a": 0.5, "b": 0, "c": 0}), *stopped]) == pytest.approx(
        {"a": 0.5, "b": 0, "c": 0}, abs=0.001
    )


def test_one_source_alone_is_told_nothing_of():
    """Nobody is beside it."""
    assert told(trains({"a": 0, "b": 0, "c": 0}), dict.fromkeys(SOURCES, "a")) == {
        "a": None
    }


def test_a_simulated_day_with_one_source_moved(simulated):
    """All that one of five sources says is 0.7 s late by its clock; that is found to a quarter of a second (34 trains at the scarcest boundary)."""
    line, events = simulated(hours=6)
    moved = [
        replace(one, time=one.time + 7 * SECOND // 10)
        if one.source == "gw/GW3"
        else one
        for one in events
    ]

    def ahead(taken):
        story = gather(Engine(line), taken)
        found = offsets(handovers(story.traces, story.sources), story.sources)
        return {one.source: one.ahead for one in found if one.ahead is not None}

    before, after = ahead(events), ahead(moved)

    others = [name for name in before if name != "gw/GW3"]
    moves = {name: after[name] - before[name] for name in before}
    for name in others:
        apart = (moves["gw/GW3"] - moves[name]) / SECOND
        assert apart == pytest.approx(0.7, abs=0.25), name
