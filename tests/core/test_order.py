"""Order, repetition, ticks and batches change no alert, no fault and no call."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Detection, Engine
from monitor.core.events import (
    AnyEvent,
    GatewayStatus,
    MonitorRecord,
    RecordKind,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    State,
    Step,
)
from monitor.core.faults import call_line, fault_line
from monitor.core.moments import DAY, SECOND, parse

pytestmark = pytest.mark.days

BEGIN = parse("2026-05-04T06:00:00.000Z")
SECTIONS = tuple(f"T{n}" for n in range(1, 6))

# Gaps around the limits of the detections, not uniform ones.
NEAR = (0.0, 0.4, 1.999, 2.0, 2.001, 4.999, 5.0, 5.001, 29.0, 119.9, 120.0, 121.0)
FAR = (300.0, 899.0, 901.0, 1799.0, 1801.0, 3599.0, 3601.0)
GAPS = st.sampled_from([*NEAR, *FAR])


@st.composite
def days(draw):
    """A day of trains, failures, resets and work on a plain line, in order of time."""
    at, number, found = BEGIN, {"gw/1": 0, "gw/2": 0}, []

    def put(make, section, time, **more):
        source = "gw/1" if section in SECTIONS[:3] else "gw/2"
        found.append((time, source, make, section, more))

    for section in SECTIONS:
        put(SectionState, section, at, state=State.CLEAR)
    for _ in range(draw(st.integers(1, 8))):
        at += SECOND + int(draw(GAPS) * SECOND)
        what = draw(st.sampled_from(["train", "state", "reset", "work"]))
        section = draw(st.sampled_from(SECTIONS))
        if what == "train":
            at = _train(put, at, draw(st.sampled_from([20, 40, 400])))
        elif what == "state":
            put(SectionState, section, at, state=draw(st.sampled_from(list(State))))
        elif what == "reset":
            kind = draw(st.sampled_from(list(ResetKind)))
            put(SectionReset, section, at, kind=kind, step=Step.ACCEPTED)
        else:
            put(SectionWork, section, at, begun=draw(st.booleans()))
    at += 200 * SECOND
    if draw(st.booleans()):
        found += _heartbeats(at)
    return _numbered(found, number if draw(st.booleans()) else None)


def _heartbeats(end):
    return [
        (time, source, GatewayStatus, gateway, {"online": True})
        for time in range(BEGIN, end, 30 * SECOND)
        for source, gateway in (("gw/1", "GW1"), ("gw/2", "GW2"))
    ]


def _numbered(found, number):
    events: list[AnyEvent] = []
    for time, source, kind, subject, more in sorted(found, key=lambda f: f[:2]):
        sequence = None
        if number is not None:
            number[source] += 1
            sequence = number[source]
        events.append(
            kind(
                id=f"{len(events)}",
                source=source,
                subject=subject,
                time=time,
                arrival=time,
                sequence=sequence,
                **more,
            )
        )
    return events


def _train(put, at, pace):
    for place, section in enumerate(SECTIONS):
        entered = at + place * pace * SECOND
        put(SectionState, section, entered, state=State.OCCUPIED)
        left = entered + (pace + 10) * SECOND
        put(SectionState, section, left, state=State.CLEAR)
    return at + (len(SECTIONS) + 1) * pace * SECOND


@st.composite
def tunings(draw):
    """Settings: what is shorter and longer than what must not be fixed."""
    return Detection.of(
        {
            "patience_s": draw(st.sampled_from([0.5, 3.0, 10.0, 25.0])),
            "skew_s": draw(st.sampled_from([0.5, 2.0, 5.0])),
        },
        {
            "section-disturbed": {"settle_s": draw(st.sampled_from([1.0, 5.0, 60.0]))},
            "occupied-no-train": {
                "no_train_after_s": draw(st.sampled_from([5.0, 120.0]))
            },
            "reset-unproved": {"prove_within_s": draw(st.sampled_from([60.0, 3600.0]))},
        },
    )


def lines(line, settings, events, ticks=()):
    """The lines of *events* about alerts, faults and calls, with time passed up to each of *ticks* on the way."""
    engine = Engine(line, settings)
    outputs = []
    waiting = sorted(ticks)
    for event in events:
        while waiting and waiting[0] < event.arrival:
            outputs.append(engine.pass_time(waiting.pop(0)))
        outputs.append(engine.take(event))
    told = [event for event in events if not isinstance(event, MonitorRecord)]
    outputs.append(engine.finish(max(e.time for e in told) + 600 * SECOND))
    return written(outputs)


def written(outputs):
    """What came out, as lines: of alerts, of faults, of calls."""
    return (
        [alert_line(one) for output in outputs for one in output.alerts],
        [fault_line(one) for output in outputs for one in output.faults],
        [call_line(one) for output in outputs for one in output.calls],
    )


@given(st.data())
def test_delays_and_duplicates_change_no_alert(plain, data):
    """Arrival out of order by less than the patience, and repeats, give the same lines in the same order."""
    settings, events = data.draw(tunings()), data.draw(days())
    most = int(settings.words.patience_s * SECOND) - 1
    delays = data.draw(
        st.lists(st.integers(0, most), min_size=len(events), max_size=len(events))
    )
    shuffled = [
        replace(event, arrival=event.time + delay)
        for event, delay in zip(events, delays, strict=True)
    ]
    again = data.draw(st.lists(st.sampled_from(shuffled), max_size=5))
    shuffled += [replace(e, arrival=(e.arrival or 0) + SECOND) for e in again]
    shuffled.sort(key=lambda event: event.arrival)

    assert lines(plain(), settings, events) == lines(plain(), settings, shuffled)


@given(st.data())
def test_ticks_change_no_alert(plain, data):
    """However often anybody asks what time it is, the same is concluded."""
    settings, events = data.draw(tunings()), data.draw(days())
    end = events[-1].time
    ticks = data.draw(st.lists(st.integers(BEGIN, end), max_size=40))

    assert lines(plain(), settings, events) == lines(plain(), settings, events, ticks)


@given(st.data())
def test_what_was_concluded_so_far_is_the_beginning_of_what_will_be(plain, data):
    """A fold over a part of the journal gives the first lines of the whole, so a restart says nothing twice or otherwise."""
    settings, events = data.draw(tunings()), data.draw(days())
    stop = data.draw(st.integers(1, len(events)))
    whole = lines(plain(), settings, events)
    engine = Engine(plain(), settings)
    part = written([engine.take(event) for event in events[:stop]])

    for every, some in zip(whole, part, strict=True):
        assert every[: len(some)] == some


def record(kind, at, **values):
    """A record of the monitor itself."""
    return MonitorRecord(
        id=f"{kind.value}/{at}",
        source="monitor-1",
        subject="monitor-1",
        time=at,
        arrival=at,
        kind=kind,
        values=values,
    )


def away(events, begin, length, *, killed):
    """What the journal of a monitor holds that was away from *begin* on for *length*, the broker queueing all the while."""
    end = begin + length
    before = [event for event in events if event.time <= begin]
    meanwhile = [event for event in events if begin < event.time <= end]
    after = [event for event in events if event.time > end]
    held = [
        replace(event, arrival=end + place * 1000)
        for place, event in enumerate(meanwhile)
    ]
    back = end + len(held) * 1000
    left = [] if killed else [record(RecordKind.DISCONNECTED, begin)]
    came = [
        record(RecordKind.STARTED, end, version="1"),
        record(RecordKind.CONNECTED, end, session="resumed"),
    ]
    later = [replace(event, arrival=max(event.arrival, back)) for event in after]
    first = later[:1]
    # Drained by the first that comes at once, or by five seconds of nothing.
    quiet = back + 5 * SECOND
    drained = [record(RecordKind.DRAINED, min([quiet, *(e.arrival for e in first)]))]
    if not first or first[0].arrival > quiet:
        return [*before, *left, *came, *held, *drained, *later]
    return [*before, *left, *came, *held, *first, *drained, *later[1:]]


@given(st.data())
def test_an_absence_of_the_monitor_changes_no_alert(plain, data):
    """A minute, ten minutes or an hour away, killed or stopped in good order, with the broker keeping everything: the same is concluded."""
    settings, events = data.draw(tunings()), data.draw(days())
    begin = data.draw(st.integers(events[0].time + SECOND, events[-1].time))
    length = data.draw(st.sampled_from([60, 600, 3600])) * SECOND
    journal = away(events, begin, length, killed=data.draw(st.booleans()))
    # How late it is after an absence is known again by the next event that comes.
    last = max(journal[-1].arrival, events[-1].time) + 10 * SECOND
    word = SectionState(
        id="word",
        source="gw/9",
        subject="elsewhere",
        time=last,
        arrival=last,
        state=State.CLEAR,
    )

    assert lines(plain(), settings, [*events, word]) == lines(
        plain(), settings, [*journal, word]
    )


def test_memory_does_not_grow_with_the_length_of_the_recording(plain):
    """After two hundred days of trains no more is kept than after twenty."""
    line = plain()
    engine = Engine(line)
    sizes = []
    count = 0
    for day in range(200):
        at = BEGIN + day * DAY
        for section in SECTIONS:
            for state in (State.OCCUPIED, State.CLEAR):
                count += 1
                at += 20 * SECOND
                engine.take(
                    SectionState(
                        id=str(count),
                        source="gw/1",
                        subject=section,
                        time=at,
                        arrival=at,
                        state=state,
                    )
                )
        if day in (19, 199):
            sizes.append(len(engine._wakes) + engine.watching.count())

    assert sizes[1] <= sizes[0] * 1.2


@pytest.mark.parametrize("steps", [1, 2, 7])
def test_a_clear_shorter_than_the_skew_ends_nothing(run, steps):
    """A tally on its way through nought shows clear for a moment; the occupation goes on."""
    day = run().tell("06:00:00 T2 clear\n06:00:00 T3 clear\n06:00:00 T4 clear")
    day.tell("06:10:00 T3 occupied")
    for step in range(steps):
        day.tell(f"06:10:1{step}.000 T3 clear\n06:10:1{step}.999 T3 occupied")
    day.until("06:12:30")

    assert day.brief("occupied-no-train") == [
        "occupied-no-train section/T3 prompt 06:10:00 06:12:00 -"
    ]
