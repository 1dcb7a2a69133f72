"""Where a recording does not say when its events came, their order tells which clock is off."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, parse, seconds
from monitor.core.ordering import Outcome
from monitor.core.tuning import Detection, Words
from monitor.core.untold import Untold

NOON = parse("2026-05-04T12:00:00Z")

LINE = read_line(
    '[line]\nname = "Varnholt branch"\ntimezone = "UTC"\n'
    + "".join(
        f'[[evaluator]]\nid = "EV{n}"\nsite = "room {n}"\n'
        f'[[section]]\nid = "T{n}"\narea = "thornmere"\nevaluator = "EV{n}"\n'
        "length_m = 800\nspeed_km_h = 100\n"
        for n in range(3)
    )
    + "".join(
        f'[[head]]\nid = "H{n}"\nbetween = ["{a}", "{b}"]\n'
        for n, (a, b) in enumerate(
            [("open", "T0"), ("T0", "T1"), ("T1", "T2"), ("T2", "open")]
        )
    )
)


def day(trains=12, stands=()):
    """Trains every five minutes over three sections, each of a source of its own; T1 is disturbed for ten minutes an hour after noon."""
    told = [(NOON, n, State.CLEAR) for n in range(3)]
    for train in range(trains):
        start = NOON + 5 * MINUTE * (train + 1)
        for n in range(3):
            told.append((start + n * MINUTE, n, State.OCCUPIED))
            told.append((start + (n + 1) * MINUTE + 5 * SECOND, n, State.CLEAR))
    told += [
        (NOON + HOUR + 20 * MINUTE, 1, State.DISTURBED),
        (NOON + HOUR + 30 * MINUTE, 1, State.CLEAR),
    ]
    told += [(NOON + HOUR + m * MINUTE, 2, State.OCCUPIED) for m in stands]
    told.append((NOON + 2 * HOUR, 0, State.OCCUPIED))
    told.append((NOON + 2 * HOUR + MINUTE, 2, State.OCCUPIED))
    return [
        SectionState(
            id=str(number), source=f"gw/{n}", subject=f"T{n}", time=at, state=state
        )
        for number, (at, n, state) in enumerate(sorted(told, key=lambda one: one[0]))
    ]


def off(events, source, by):
    """The same, as a clock that is off *by* stamps it."""
    return [
        replace(one, time=one.time + by) if one.source == source else one
        for one in events
    ]


def about(events, *sections):
    """What was raised about *sections*, with when it began and was raised."""
    engine = Engine(LINE)
    alerts = [alert for event in events for alert in engine.take(event).alerts]
    alerts += engine.finish().alerts
    return [
        (one.kind, one.subject, one.began, one.raised, one.ended)
        for one in alerts
        if one.subject in [f"section/{name}" for name in sections]
    ]


@pytest.mark.parametrize("by", [HOUR, -HOUR, 3 * HOUR, -26 * HOUR])
@pytest.mark.parametrize("source", ["gw/0", "gw/1", "gw/2"])
def test_a_clock_hours_off_changes_nothing_about_the_others(by, source):
    """What is concluded about sections of other sources is the same, moment for moment, as with all clocks right."""
    others = [f"T{n}" for n in range(3) if source != f"gw/{n}"]

    assert about(off(day(), source, by), *others) == about(day(), *others)


def test_it_is_said_which_clock_is_off():
    """One `clock-wrong` about that source, none about another."""
    engine = Engine(LINE)
    alerts = [
        alert
        for event in off(day(), "gw/1", HOUR)
        for alert in engine.take(event).alerts
    ]
    alerts += engine.finish().alerts

    wrong = [one for one in alerts if one.kind == "clock-wrong"]
    assert {one.subject for one in wrong} == {"source/gw/1"}
    assert "1 h ahead of the others" in wrong[0].summary


def test_a_source_that_speaks_alone_is_believed():
    """Half an hour in which only one source speaks is no wrong clock: the others do not step back when they speak again."""
    untold = Untold(lambda _: 0)
    events = [
        *day(),
        *(
            SectionState(
                id=f"alone{n}",
                source="gw/2",
                subject="T2",
                time=NOON + 3 * HOUR + n * MINUTE,
                state=State.OCCUPIED if n % 2 else State.CLEAR,
            )
            for n in range(30)
        ),
        SectionState(
            id="back",
            source="gw/0",
            subject="T0",
            time=NOON + 4 * HOUR,
            state=State.CLEAR,
        ),
    ]
    known = [one for event in events for one in untold.take(event)]
    known += untold.flush()

    assert [one.id for one, _ in known] == [one.id for one in events]
    assert all(arrival == one.time for one, arrival in known)


def test_with_two_sources_no_clock_is_judged():
    """Nobody can say which of two is right: their events stay as they are."""
    untold = Untold(lambda _: 0)
    events = [one for one in off(day(), "gw/1", HOUR) if one.source != "gw/2"]
    known = [one for event in events for one in untold.take(event)]
    known += untold.flush()

    assert known == [(one, None) for one in events]


@given(
    by=st.sampled_from([0, HOUR, -HOUR]),
    swaps=st.lists(st.integers(0, 70), max_size=20),
)
def test_what_came_stays_in_its_order_and_arrival_never_goes_back(by, swaps):
    """Whatever the clocks and the order of neighbours, each event comes out once, in the order it came, and time goes on."""
    events = off(day(), "gw/1", by)
    for place in swaps:
        if place + 1 < len(events):
            events[place], events[place + 1] = events[place + 1], events[place]
    untold = Untold(lambda _: 0)
    known = [one for event in events for one in untold.take(event)]
    known += untold.flush()

    assert [one.id for one, _ in known] == [one.id for one in events]
    arrivals = [arrival for _, arrival in known if arrival is not None]
    assert arrivals == sorted(arrivals)


@given(
    ahead=st.floats(3.5, 29.0),
    place=st.integers(25, 70),
    patience=st.sampled_from([3.0, 10.0]),
)
def test_an_event_seconds_ahead_makes_no_other_late(ahead, place, patience):
    """One event stamped some seconds ahead, with the arrival told, moves no watermark past its arrival: what comes after it is not late."""
    engine = Engine(LINE, Detection(words=Words(patience_s=patience)))
    for number, event in enumerate(day()):
        told = replace(event, arrival=event.time + SECOND // 5)
        if number == place:
            told = replace(told, time=told.time + seconds(ahead))
        engine.take(told)
    engine.finish()

    assert engine.ordering.counts[Outcome.LATE] == 0
