from __future__ import annotations

import ast
from collections import defaultdict
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

import replay.simulator
from monitor.core.events import (
    AnyEvent,
    Direction,
    EvaluatorState,
    GatewayStatus,
    HeadLevel,
    HeadPassage,
    SectionReset,
    SectionState,
    SectionWork,
    State,
)
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from monitor.core.wire import read, write
from replay.simulator import Fault, simulate
from replay.simulator.railway import Booking
from replay.simulator.trains import coupled, railcar

pytestmark = pytest.mark.days

ROOT = Path(__file__).parent.parent.parent
LINE = read_line((ROOT / "deploy/example/line.toml").read_text(encoding="utf-8"))
BEGIN = parse("2026-05-04T06:00:00Z")


def built(sections, heads):
    """A line of *sections*, (id, metres), and *heads*, (from, to)."""
    text = ['[line]\nname = "x"\ntimezone = "UTC"\n']
    text += [
        f'[[evaluator]]\nid = "{one}"\nsite = "{one} room"\ngateway = "G{one}"\n'
        for one in ("E1", "E2")
    ]
    text += [
        f'[[section]]\nid = "{one}"\narea = "a"\nlength_m = {metres}\n'
        f'evaluator = "E{1 + place % 2}"\nspeed_km_h = 80\n'
        for place, (one, metres) in enumerate(sections)
    ]
    text += [
        f'[[head]]\nid = "H{place}"\nbetween = ["{one}", "{other}"]\n'
        for place, (one, other) in enumerate(heads)
    ]
    return read_line("".join(text))


PLAIN = built(
    [("A", 800), ("B", 800), ("C", 800)],
    [("open", "A"), ("A", "B"), ("B", "C"), ("C", "open")],
)


@st.composite
def any_lines(draw):
    """Lines of up to eight sections: trees with loops, terminals, open ends or none."""
    count = draw(st.integers(1, 8))
    names = [f"S{n}" for n in range(count)]
    metres = st.sampled_from([25, 60, 200, 500, 900, 1500])
    heads = [(names[draw(st.integers(0, n - 1))], names[n]) for n in range(1, count)]
    if count > 2 and draw(st.booleans()):
        heads.append((names[0], names[-1]))
    outside = draw(st.lists(st.sampled_from(names), max_size=3))
    heads += [draw(st.sampled_from([("open", x), (x, "open")])) for x in outside]
    if not heads:
        heads = [("open", names[0])]
    return built([(one, draw(metres)) for one in names], heads)


def day(line=LINE, *, hours=3.0, seed=1, faults=(), **more):
    """A simulated day; nothing goes wrong in it unless said."""
    return simulate(line, hours=hours, seed=seed, begin=BEGIN, faults=faults, **more)


def of(events, kind):
    """The events of one *kind*, repeats left out."""
    seen: set[str] = set()
    for event in events:
        if isinstance(event, kind) and event.name not in seen:
            seen.add(event.name)
            yield event


def visits(simulation):
    """When a train came into each section and left it, in order."""
    found = defaultdict(list)
    for moment, section in simulation.world.railway.entries:
        found[section].append((moment, 1))
    for moment, section in simulation.world.railway.exits:
        found[section].append((moment, -1))
    return {section: sorted(times) for section, times in found.items()}


def test_the_simulator_imports_nothing_that_draws_conclusions():
    """Of the monitor, the simulator knows only events, the line file and times."""
    folder = Path(replay.simulator.__file__).parent
    allowed = {"monitor.core.events", "monitor.core.layout", "monitor.core.moments"}
    names = set()
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                names.add(node.module)
            elif isinstance(node, ast.Import):
                names |= {one.name for one in node.names}
    ours = {one for one in names if one and one.startswith(("monitor", "replay"))}
    assert {one for one in ours if not one.startswith("replay.simulator")} == allowed


@pytest.mark.parametrize("richness", ["basic", "tallies", "full"])
def test_a_seed_gives_one_day_and_another_seed_another(richness):
    """The same seed gives the same events and truth, byte for byte; another seed others."""
    days = [
        simulate(LINE, hours=4, seed=seed, begin=BEGIN, richness=richness)
        for seed in (7, 7, 8)
    ]
    first, again, other = ([write(x) for x in one.events] for one in days)
    assert first == again
    assert days[0].truth == days[1].truth
    assert first != other


@given(any_lines(), st.integers(0, 99))
@settings(max_examples=20)
def test_on_any_line_trains_keep_apart_and_everything_counted_in_is_counted_out(
    line, seed
):
    """On points, terminals, loops and a single section: never two trains in a section, and no tally left behind a train."""
    simulation = day(line, hours=4, seed=seed)
    events = list(simulation.events)
    for section, times in visits(simulation).items():
        inside = 0
        for _, step in times:
            inside += step
            assert inside in {0, 1}, section
        counted = simulation.world.evaluators.sections[section]
        assert (counted.tally == 0) == (inside == 0)
        assert counted.state is (State.OCCUPIED if inside else State.CLEAR)
    assert {x.state for x in of(events, SectionState)} <= {State.CLEAR, State.OCCUPIED}
    assert [x.arrival for x in events] == sorted(x.arrival for x in events)
    # On a short line without open ends a train may well stand for long.
    assert {x["kind"] for x in simulation.truth} <= {"long-occupation"}


@given(any_lines(), st.integers(0, 99))
@settings(max_examples=20)
def test_on_any_line_no_train_is_stuck(line, seed):
    """Where trains can come in from outside, they also go on, for hours."""
    simulation = day(line, hours=6, seed=seed, headway_s=900)
    list(simulation.events)
    if any(line.is_open(one) for one in line.sections):
        last = max(moment for moment, _ in simulation.world.railway.entries)
        assert simulation.end - last < 2 * HOUR
        assert simulation.world.railway.finished > 0


@given(any_lines(), st.integers(0, 99), st.sampled_from(["basic", "tallies", "full"]))
@settings(max_examples=25)
def test_whatever_goes_wrong_on_any_line_is_an_orderly_recording(line, seed, richness):
    """With faults drawn on any line, events come in order, can be read again, and truth lines fit their own times."""
    simulation = simulate(line, hours=8, seed=seed, begin=BEGIN, richness=richness)
    before = BEGIN
    for event in simulation.events:
        assert event.arrival is not None
        assert event.arrival >= before
        before = event.arrival
        assert read(write(event), recorded=True).events == (event,)
    for one in simulation.truth:
        assert one["known"] is None or one["began"] <= one["known"]
        assert one["ended"] is None or one["began"] <= one["ended"]
        assert one["needs"] in {"basic", "tallies", "full"}
        assert BEGIN - MINUTE <= parse(one["began"]) <= simulation.end + MINUTE


def test_a_section_is_occupied_exactly_while_a_train_is_in_it():
    """With nothing wrong and true clocks, a section turns occupied when the first axle comes in and clear when the last goes out."""
    simulation = day(clock_sd_s=0.0, richness="basic")
    events = list(of(simulation.events, SectionState))
    for section, times in visits(simulation).items():
        changes = [
            (x.time, x.state is State.OCCUPIED) for x in events if x.subject == section
        ][1:]
        truly = [(moment - moment % 1000, step == 1) for moment, step in times]
        assert changes == [one for one in truly if one[0] > BEGIN + 5 * SECOND]


def test_tallies_rise_to_the_train_and_fall_to_nought():
    """Every tally that is told lies between nought and the longest train, and is nought exactly where the section is clear."""
    simulation = day(richness="tallies")
    for event in of(simulation.events, SectionState):
        assert 0 <= event.axles <= 200
        assert (event.axles == 0) == (event.state is State.CLEAR)
        assert event.contacts.clear is (event.state is State.CLEAR)
        assert event.contacts.occupied is not event.contacts.clear


def test_a_train_has_as_many_axles_at_every_head():
    """A booked train of twelve axles is counted with twelve at each of its four heads, in the direction it goes."""
    train = railcar(3)
    booking = Booking(stock=train, via=("A", "B", "C"), seconds=10)
    simulation = day(PLAIN, hours=0.5, bookings=[booking], traffic_after_s=None)
    passages = list(of(simulation.events, HeadPassage))
    passages.sort(key=lambda x: x.time)
    assert [x.subject for x in passages] == ["H0", "H1", "H2", "H3"]
    assert {(x.axles, x.a, x.b) for x in passages} == {(12, 12, 12)}
    assert {x.direction for x in passages} == {Direction.FORWARD}


def test_axles_come_over_heads_when_kinematics_say():
    """At its limit of 80 km/h a train takes 36 s from head to head over 800 m, and its axles pass at their distance over its speed."""
    train = railcar(2)
    booking = Booking(stock=train, via=("A", "B", "C"), seconds=10)
    simulation = day(
        PLAIN, hours=0.5, bookings=[booking], traffic_after_s=None, clock_sd_s=0.0
    )
    railway = simulation.world.railway
    passages = list(of(simulation.events, HeadPassage))
    entered = [moment for moment, _ in railway.entries]
    # 800 m at 80 km/h, which is 22.2 m/s: 36 s.
    assert (entered[2] - entered[1]) / SECOND == pytest.approx(36.0, abs=0.01)
    axles, _ = coupled([(24.0, (2.9, 5.3, 18.7, 21.1))] * 2)
    spread = (axles[-1] - axles[0]) / (80 / 3.6)  # 42.2 m in 1.899 s
    assert passages[2].seconds == pytest.approx(spread, abs=0.002)


def test_trains_follow_one_section_apart():
    """Close behind one another, the second enters a section only after the first has left it, and while the first is in the next."""
    bookings = [
        Booking(stock=railcar(2), via=("A", "B", "C"), seconds=second)
        for second in (10, 30, 50)
    ]
    simulation = day(PLAIN, hours=0.5, bookings=bookings, traffic_after_s=None)
    list(simulation.events)
    times = visits(simulation)
    for section in "ABC":
        assert [step for _, step in times[section]] == [1, -1] * 3
    close = [
        second - first
        for (first, a), (second, b) in pairwise(times["B"])
        if (a, b) == (-1, 1)
    ]
    assert max(close) < 90 * SECOND


def test_a_train_turns_in_a_terminal():
    """Into a terminal and out again: the heads are passed forward and then in reverse, and the axles are the same."""
    line = built([("A", 900), ("Z", 400)], [("open", "A"), ("A", "Z")])
    booking = Booking(stock=railcar(2), via=("A", "Z"), seconds=10)
    simulation = day(line, hours=1.0, bookings=[booking], traffic_after_s=None)
    passages = sorted(of(simulation.events, HeadPassage), key=lambda x: x.time)
    assert [(x.subject, x.direction) for x in passages] == [
        ("H0", Direction.FORWARD),
        ("H1", Direction.FORWARD),
        ("H1", Direction.REVERSE),
        ("H0", Direction.REVERSE),
    ]
    assert {x.axles for x in passages} == {8}


def test_a_train_longer_than_sections_covers_several():
    """A train with 402 m from first axle to last, on sections of 100 m, is in five of them and at times in six."""
    line = built(
        [(f"S{n}", 100) for n in range(9)],
        [
            ("open", "S0"),
            *((f"S{n}", f"S{n + 1}") for n in range(8)),
            ("S8", "open"),
        ],
    )
    train = railcar(17)  # 408 m
    via = tuple(f"S{n}" for n in range(9))
    simulation = day(
        line,
        hours=0.5,
        bookings=[Booking(stock=train, via=via, seconds=5)],
        traffic_after_s=None,
    )
    list(simulation.events)
    steps = sorted(
        [(moment, 1) for moment, _ in simulation.world.railway.entries]
        + [(moment, -1) for moment, _ in simulation.world.railway.exits]
    )
    covered, most = 0, 0
    for _, step in steps:
        covered += step
        most = max(most, covered)
    assert most == 6
    assert covered == 0


def test_numbers_count_by_one_and_few_come_late_or_twice():
    """Each source numbers its events one by one; they come within the delay, some out of order, and one in two hundred twice."""
    events = list(day(hours=12, duplicates=0.005, reconnect_h=None).events)
    by_source = defaultdict(list)
    for event in events:
        by_source[event.source].append(event.sequence)
        assert -SECOND <= event.arrival - event.time <= 6 * SECOND
    for numbers in by_source.values():
        assert sorted(set(numbers)) == list(range(len(set(numbers))))
        assert numbers != sorted(numbers)
    twice = len(events) - len({event.name for event in events})
    assert 0.002 < twice / len(events) < 0.01


def test_every_clock_is_off_by_less_than_half_a_second():
    """Evaluators' clocks differ, and none by more than 0.4 s from the true time."""
    simulation = day(reconnect_h=None, duplicates=0.0)
    offsets = simulation.world.feed._offset.values()
    assert len(set(offsets)) > 1
    assert max(map(abs, offsets)) <= 400_000


def test_a_monitor_that_connects_anew_hears_what_was_retained():
    """After a connection the last state of every section comes again, marked, with its old id and time."""
    events = list(day(hours=12, reconnect_h=1.0).events)
    retained = [x for x in events if x.retained]
    first: dict[str, AnyEvent] = {}
    for event in events:
        first.setdefault(event.name, event)
    assert len(retained) >= len(LINE.sections)
    for event in retained:
        assert first[event.name].time == event.time
        assert first[event.name].arrival <= event.arrival


@pytest.mark.parametrize(
    ("richness", "kinds"),
    [
        ("basic", {SectionState, SectionReset}),
        ("tallies", {SectionState, SectionReset}),
        (
            "full",
            {
                SectionState,
                SectionReset,
                SectionWork,
                HeadPassage,
                HeadLevel,
                EvaluatorState,
                GatewayStatus,
            },
        ),
    ],
)
def test_a_feed_carries_what_its_richness_says(richness, kinds):
    """A basic feed has states and resets alone, tallies add fields, and only a full one has the other types."""
    faults = [
        Fault(kind="work", subject="M03", at=BEGIN + 20 * MINUTE, minutes=30),
        Fault(kind="reset_followed", subject="W02", at=BEGIN + 20 * MINUTE),
    ]
    events = list(day(hours=4, faults=faults, richness=richness).events)
    assert {type(x) for x in events} == kinds
    told = {x.axles is not None for x in events if isinstance(x, SectionState)}
    assert (True in told) is (richness != "basic")


def test_heartbeats_come_by_their_period_or_not_at_all():
    """Each gateway is heard every thirty seconds, or by whatever period is set, or never."""
    for period in (30.0, 5.0):
        beats = defaultdict(list)
        for event in of(day(hours=1, heartbeat_s=period).events, GatewayStatus):
            beats[event.subject].append(event.time)
            assert event.period_s == period
        assert set(beats) == set(LINE.gateways)
        for times in beats.values():
            gaps = [later - one for one, later in pairwise(sorted(times))]
            assert max(gaps) <= period * SECOND + 1000  # times are cut to milliseconds
    silent = day(hours=1, heartbeat_s=None).events
    assert not list(of(silent, GatewayStatus))


def test_a_recording_ends_in_quiet():
    """For ten seconds before the last heartbeat nothing moves, so that all before it can be concluded."""
    for seed in range(4):
        events = list(day(hours=2, seed=seed).events)
        beats = [x.time for x in events if isinstance(x, GatewayStatus)]
        moves = [x.time for x in events if isinstance(x, SectionState | HeadPassage)]
        assert max(beats) - max(moves) >= 10 * SECOND


def test_events_are_marked_as_a_rehearsal():
    """Every event names the recording it belongs to."""
    assert {x.rehearsal for x in day(hours=1).events} == {"simulated-1"}
    named = day(hours=1, rehearsal="tuesday").events
    assert {x.rehearsal for x in named} == {"tuesday"}


def test_truth_asked_for_first_loses_no_event():
    """Whoever asks for the truth before the events gets both whole."""
    one, other = day(seed=3), day(seed=3)
    truth = one.truth
    assert list(one.events) == list(other.events)
    assert truth == other.truth


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"richness": "rich"}, "richness 'rich': expected one of basic, tallies, full"),
        ({"hours": 0.0}, "expected hours above nought, came 0"),
        ({"faults": [Fault(kind="flood", at=BEGIN)]}, "fault 'flood': expected one of"),
    ],
)
def test_what_cannot_be_simulated_is_said_at_once(wrong, message):
    """An unknown richness or fault, or no time at all, is refused with what was expected."""
    with pytest.raises(ValueError, match=message):
        day(**wrong)


@pytest.mark.slow
def test_weeks_run_through():
    """Ten days run through with trains every day."""
    simulation = simulate(LINE, hours=240, seed=5, begin=BEGIN, richness="basic")
    count = sum(1 for _ in simulation.events)
    days = {
        (moment - BEGIN) // (24 * HOUR) for moment, _ in simulation.world.railway.exits
    }
    assert days == set(range(10))
    assert count > 20_000
