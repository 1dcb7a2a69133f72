"""A clock that jumps: what is said of it lies in time as everybody else has it."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st

from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from tests.core.conftest import plain_line

LINE = plain_line(5)
START = parse("2026-05-04T06:00:00Z")
TICK = 4 * SECOND
LAG = SECOND // 2


def feed(off, *, since=25, back=50, jitter=(LAG,)):
    """T1 from one source and T4 from another, turn about, an event a tick each, for 75 ticks; the first one's clock is off by *off* from tick *since* to *back*."""
    for tick in range(75):
        state = State.OCCUPIED if tick % 2 else State.CLEAR
        for source, section, later in (("gw/1", "T1", 0), ("gw/2", "T4", TICK // 2)):
            came = START + tick * TICK + later
            lag = jitter[tick % len(jitter)]
            wrong = source == "gw/1" and since <= tick < back
            yield SectionState(
                id=str(tick),
                source=source,
                subject=section,
                time=came - lag + (off if wrong else 0),
                arrival=came,
                state=state,
            )


def told(events):
    """The lines about clocks, each with how late it was when it was told."""
    engine, lines = Engine(LINE), []
    for event in events:
        output = engine.take(event)
        lines += [
            (event.arrival, one) for one in output.alerts if one.kind == "clock-wrong"
        ]
    return lines


@pytest.mark.parametrize("off", [HOUR, -HOUR], ids=["ahead", "behind"])
def test_a_clock_that_jumps_is_told_in_the_time_of_the_others(off):
    """Eleven of twenty events decide: the nine before the jump keep their times."""
    (raised_at, raised), (over_at, over) = told(feed(off))

    assert raised.began == START + 16 * TICK - LAG
    assert raised.raised == START + 35 * TICK - LAG
    assert raised_at == START + 35 * TICK
    assert over.ended == START + 60 * TICK - LAG
    assert over_at == START + 60 * TICK


@pytest.mark.parametrize("off", [HOUR, -HOUR], ids=["ahead", "behind"])
def test_a_clock_wrong_from_the_first_is_told_from_the_first(off):
    """What waited until the clock was known, a minute at most, is corrected with it; how late events usually come is not known yet."""
    (_, raised), *_ = told(feed(off, since=0))

    assert raised.began == START
    assert raised.raised == START + MINUTE - TICK


@given(
    off=st.integers(-7200, 7200).filter(lambda s: abs(s) > 31),
    back=st.integers(37, 60),
    jitter=st.lists(st.integers(-900_000, 1_500_000), min_size=1, max_size=7),
    stray=st.tuples(st.integers(0, 74), st.integers(-29, 29)),
)
def test_what_is_said_of_a_clock_is_never_of_the_future(off, back, jitter, stray):
    """Begun no later than raised, raised no later than it is told, and over no earlier than raised, whatever single events may bear."""
    events = list(feed(off * SECOND, back=back, jitter=jitter))
    place, by = stray
    one = events[2 * place]
    moved = type(one)(
        id=one.id,
        source=one.source,
        subject=one.subject,
        time=one.time + by * SECOND,
        arrival=one.arrival,
        state=one.state,
    )
    events[2 * place] = moved

    for came, line in told(events):
        assert line.began <= line.raised
        # The clocks of sources are believed to the second and a half that jitter takes here.
        assert line.raised <= came + 3 * SECOND
        assert line.ended is None or line.raised <= line.ended <= came + 3 * SECOND
