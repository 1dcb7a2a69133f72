"""Laws of the tracker, tried on random walks of trains whose true positions are known.

Every walk is legal: a train covers sections that lie side by side, moves one section at a time, may turn back, and enters no section in which another is.
Whatever such trains do, nothing vanishes, nothing comes out of a clear section, and nothing is left behind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import cycle
from typing import Any

import pytest
from hypothesis import assume, given, strategies as st

from monitor.core.changes import (
    Change,
    TrainJoined,
    TrainUnseen,
    TrainVanished,
    TrainWentOn,
)
from monitor.core.detectors.occupied_no_train import OccupiedNoTrain
from monitor.core.detectors.unseen_train import UnseenTrain
from monitor.core.detectors.vanished_train import VanishedTrain
from monitor.core.engine import Detection, Engine
from monitor.core.events import SectionState, State
from monitor.core.layout import OPEN, Line
from monitor.core.moments import MINUTE, SECOND, Moment, parse

pytestmark = pytest.mark.days

START = parse("2026-05-04T06:00:00Z")

SHAPES = {
    # A plain line, open at both ends.
    "plain": "open-A A-B B-C C-D D-E E-F F-open",
    # Points at P: out of A and B either to C and D or to E and F.
    "points": "open-A A-B B-P P-C C-D D-open P-E E-F F-open",
    # A terminal with two platforms, D and E, behind points at C.
    "terminal": "open-A A-B B-C C-D C-E",
    # Single line with a loop of two tracks, C and D, between B and E.
    "loop": "open-A A-B B-C B-D C-E D-E E-F F-open",
    # Two tracks with a crossover: B and G are joined by X.
    "crossover": "open-A A-B B-C C-D D-open open-E E-F F-G G-H H-open B-X X-G",
    # A ring with one way out.
    "ring": "open-A A-B B-C C-D D-E E-F F-B",
    # Short: two sections and an open end on either side.
    "short": "open-A A-B B-open",
}
"""Joined sections, `open` where no detection lies beyond."""

HANDED = 4
"""So many evaluators share the sections of a net, each with its own clock."""


@pytest.fixture(scope="session")
def lines(net):
    """The line of each shape."""
    return {shape: net(joined) for shape, joined in SHAPES.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How close things come to one another, in tenths of a second.

    Args:
        overlap: at least so long a train is in both sections at a boundary.
        run: at least so long until its front reaches the next.
        apart: at least so long a section is clear before another train enters.
    """

    overlap: int = 5
    run: int = 60
    apart: int = 60


@dataclass(slots=True)
class Walker:
    """A train as it truly is.

    Args:
        covers: the sections it is in, its front last.
        longest: so many sections it covers at most.
        ready: when its rear can draw out of a section, or it can turn.
        onward: when its front can reach the next.
        leaving: its front has gone out at an open end.
    """

    covers: list[str]
    longest: int
    ready: int = 0
    onward: int = 0
    leaving: bool = False


Shown = tuple[int, str, bool]
"""When, in tenths of a second, which section, and whether it became occupied."""

Move = tuple[int, str, Walker | None, str]
"""When it can be made at the earliest, what, by which train, into or out of which section."""


@dataclass(slots=True)
class Walk:
    """Trains walking about on a line; where *joins* is set, one may also enter a section in which another stands."""

    line: Line
    pace: Pace
    joins: bool = False
    now: int = 0
    trains: list[Walker] = field(default_factory=list)
    shown: list[Shown] = field(default_factory=list)
    cleared: dict[str, int] = field(default_factory=dict)

    def taken(self) -> set[str]:
        """The sections in which trains are."""
        return {name for train in self.trains for name in train.covers}

    def moves(self, *, arrivals: bool = True) -> list[Move]:
        """What may happen next."""
        found: list[Move] = []
        taken = self.taken()
        if arrivals:
            found += [
                (self._from(name), "arrive", None, name)
                for name in self.line.sections
                if self.line.is_open(name) and name not in taken
            ]
        for train in self.trains:
            found += self._moves(train, taken)
        return found

    def _from(self, name: str) -> int:
        return self.cleared.get(name, -self.pace.apart) + self.pace.apart

    def _moves(self, train: Walker, taken: set[str]) -> Iterator[Move]:
        front = train.covers[-1]
        if len(train.covers) > 1 or train.leaving:
            yield train.ready, "draw", train, train.covers[0]
        if train.leaving:
            return
        if len(train.covers) < train.longest + 1:
            for other in self.line.neighbours(front):
                if other not in taken or (self.joins and other not in train.covers):
                    yield max(train.onward, self._from(other)), "enter", train, other
        if self.line.is_open(front):
            yield train.onward, "leave", train, front
        yield train.ready, "turn", train, front

    def make(self, move: Move, wait: int, longest: int = 1) -> None:
        """Make *move*, *wait* tenths after now or when it can be made."""
        earliest, what, train, name = move
        self.now = max(self.now + wait, earliest)
        if train is None:
            later = self.now + self.pace.run
            self.trains.append(Walker([name], longest, later, later))
            self.shown.append((self.now, name, True))
            return
        match what:
            case "enter":
                if name not in self.taken():
                    self.shown.append((self.now, name, True))
                train.covers.append(name)
                train.ready = self.now + self.pace.overlap
                train.onward = self.now + self.pace.run
            case "draw":
                train.covers.pop(0)
                train.ready = self.now + self.pace.run
                if name not in self.taken():
                    self.shown.append((self.now, name, False))
                    self.cleared[name] = self.now
            case "leave":
                train.leaving = True
            case "turn":
                train.covers.reverse()
                train.ready = train.onward = self.now + self.pace.run
        if not train.covers:
            self.trains.remove(train)

    def go_home(self) -> bool:
        """Lead every train out, the nearest first; whether that was possible."""
        for _ in range(500):
            if not self.trains:
                return True
            if not any(self._homeward(train) for train in self.trains):
                return False
        return False

    def _homeward(self, train: Walker) -> bool:
        """One step of *train* towards an open end, if there is one it can reach."""
        if train.leaving or len(train.covers) > train.longest:
            self.make((train.ready, "draw", train, train.covers[0]), 70)
            return True
        taken = self.taken()
        for turned in (False, True):
            front = train.covers[0 if turned else -1]
            step = self._way_out(front, taken)
            if step is None:
                continue
            if turned:
                self.make((train.ready, "turn", train, front), 70)
            elif step == OPEN:
                self.make((train.onward, "leave", train, front), 70)
            else:
                self.make(
                    (max(train.onward, self._from(step)), "enter", train, step), 70
                )
            return True
        return False

    def _way_out(self, front: str, taken: set[str]) -> str | None:
        """The first step out of section *front* to an open end."""
        if self.line.is_open(front):
            return OPEN
        seen, edge = {front}, [(front, "")]
        while edge:
            here, first = edge.pop(0)
            if here != front and self.line.is_open(here):
                return first
            for other in self.line.neighbours(here):
                if other not in seen and other not in taken:
                    seen.add(other)
                    edge.append((other, first or other))
        return None


Steps = list[tuple[int, int, int]]
"""Which move, how long to wait, and how long a train that arrives is."""

STEPS = st.lists(
    st.tuples(
        st.integers(0, 50),
        st.one_of(st.integers(0, 30), st.integers(0, 600)),
        st.integers(1, 3),
    ),
    min_size=4,
    max_size=60,
)


def walk(
    line: Line, steps: Steps, pace: Pace | None = None, *, joins: bool = False
) -> Walk:
    """The walk that *steps* choose on *line*."""
    walked = Walk(line, pace if pace is not None else Pace(), joins=joins)
    for choice, wait, longest in steps:
        moves = walked.moves(arrivals=len(walked.trains) < 4)
        if moves:
            walked.make(moves[choice % len(moves)], wait, longest)
    return walked


class Tracked:
    """The engine over a walk, and what the tracker told."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.engine = Engine(
            line,
            Detection(detectors=(OccupiedNoTrain(), UnseenTrain(), VanishedTrain())),
        )
        self.told: list[Change] = []
        self.alerts: list[Any] = []
        dispatch = self.engine._dispatch

        def listen(change: Change) -> None:
            self.told.append(change)
            dispatch(change)

        self.engine._dispatch = listen  # type: ignore[method-assign]

    def over(self, events: list[SectionState], until: Moment) -> Tracked:
        """Everything is told, and looked at as far as *until*."""
        for event in events:
            self.alerts += self.engine.take(event).alerts
        self.alerts += self.engine.finish(until).alerts
        return self

    def wrong(self) -> list[Change]:
        """What must never be told of trains that only walk."""
        return [
            one
            for one in self.told
            if isinstance(one, TrainVanished | TrainUnseen | TrainWentOn | TrainJoined)
        ]

    def holds(self, name: str) -> list[int]:
        """The trains that may be in a section."""
        return [train.number for train in self.engine.trains.in_section(name)]


def numbered(events: list[SectionState]) -> list[SectionState]:
    """The same as each source numbers what it sends, in order of its times."""
    counts: dict[str, int] = {}
    found = []
    for event in sorted(events, key=lambda one: one.time):
        counts[event.source] = counts.get(event.source, 0) + 1
        found.append(replace(event, sequence=counts[event.source]))
    return found


def events_of(
    walked: Walk, clocks: tuple[int, ...] = (0,) * HANDED
) -> list[SectionState]:
    """What the evaluators send, each with its clock so many tenths wrong; all clear at first."""
    line = walked.line
    shown = [(-600, name, False) for name in line.sections] + walked.shown
    events = []
    for number, (at, name, occupied) in enumerate(shown):
        evaluator = line.sections[name].evaluator
        time = START + (at + clocks[int(evaluator[2:])]) * SECOND // 10
        events.append(
            SectionState(
                id=str(number),
                source=f"gw/{evaluator}",
                subject=name,
                time=time,
                arrival=None,
                retained=False,
                sequence=None,
                state=State.OCCUPIED if occupied else State.CLEAR,
            )
        )
    return events


def track(walked: Walk, clocks: tuple[int, ...] = (0,) * HANDED) -> Tracked:
    """What the tracker makes of a walk."""
    events = sorted(events_of(walked, clocks), key=lambda one: one.time)
    return Tracked(walked.line).over(events, START + walked.now * SECOND // 10 + MINUTE)


SHIFTS = st.tuples(*[st.integers(-9, 9)] * HANDED)
"""Clocks up to nine tenths wrong: no two differ by the skew of two seconds."""


def hold(tracked: Tracked) -> dict[str, list[int]]:
    """The trains that may be in each section, of those in which one may be."""
    found = {name: tracked.holds(name) for name in tracked.line.sections}
    return {name: trains for name, trains in found.items() if trains}


@pytest.mark.parametrize("shape", SHAPES)
@given(steps=STEPS)
def test_trains_that_only_walk_raise_nothing(lines, shape, steps):
    """No train vanishes, none comes out of a clear section, none leaves anything behind, whatever trains do that only walk."""
    tracked = track(walk(lines[shape], steps))

    assert tracked.wrong() == []
    assert tracked.alerts == []


@pytest.mark.parametrize("shape", SHAPES)
@given(steps=STEPS, clocks=SHIFTS)
def test_clocks_that_differ_by_less_than_the_skew_raise_nothing(
    lines, shape, steps, clocks
):
    """The same with clocks that are wrong by less than half the skew: a section may clear before the next is entered."""
    tracked = track(walk(lines[shape], steps), clocks)

    assert tracked.wrong() == []
    assert tracked.alerts == []


@pytest.mark.parametrize("shape", SHAPES)
@given(steps=STEPS, clocks=SHIFTS)
def test_trains_that_follow_at_once_raise_nothing(lines, shape, steps, clocks):
    """A section may be clear for a tenth of a second only between two trains, which shows as no clear at all."""
    tracked = track(walk(lines[shape], steps, Pace(apart=1)), clocks)

    assert tracked.wrong() == []
    assert tracked.alerts == []


@pytest.mark.parametrize("shape", SHAPES)
@given(steps=STEPS, clocks=SHIFTS)
def test_trains_that_join_and_part_are_never_lost(lines, shape, steps, clocks):
    """Trains that enter sections in which others stand, and part again, never vanish and never come out of a clear section."""
    tracked = track(walk(lines[shape], steps, joins=True), clocks)

    lost = TrainVanished | TrainUnseen
    assert [one for one in tracked.told if isinstance(one, lost)] == []


@pytest.mark.parametrize("shape", SHAPES)
@given(steps=STEPS, clocks=SHIFTS)
def test_trains_are_where_they_may_be(lines, shape, steps, clocks):
    """Once everything is settled some train may be in every section that is occupied, and none in one that is clear."""
    walked = walk(lines[shape], steps)

    assert hold(track(walked, clocks)).keys() == walked.taken()


@pytest.mark.parametrize("shape", SHAPES)
@given(steps=STEPS, clocks=SHIFTS)
def test_after_all_have_left_there_are_no_trains(lines, shape, steps, clocks):
    """When the last train is out, none is remembered anywhere, and nothing was raised on the way."""
    walked = walk(lines[shape], steps)
    assume(walked.go_home())
    tracked = track(walked, clocks)

    assert hold(tracked) == {}
    assert tracked.wrong() == []


@pytest.mark.parametrize("shape", SHAPES)
@given(
    steps=STEPS,
    late=st.lists(st.integers(0, 15), min_size=1, max_size=40),
    deaf=st.sampled_from("ABC"),
)
def test_the_order_of_coming_changes_nothing(lines, shape, steps, late, deaf):
    """Events that come up to 1.5 s late and out of order tell the same as in order, whatever they tell: one section shows no train at all."""
    walked = walk(lines[shape], steps)
    walked.shown = [one for one in walked.shown if one[1] != deaf]
    events = sorted(numbered(events_of(walked)), key=lambda one: one.time)
    delay = dict(zip((one.id for one in events), cycle(late), strict=False))
    mixed = sorted(events, key=lambda one: one.time + delay[one.id] * SECOND // 10)
    until = START + walked.now * SECOND // 10 + MINUTE
    plain, other = Tracked(walked.line), Tracked(walked.line)

    assert other.over(mixed, until).told == plain.over(events, until).told
    assert other.alerts == plain.alerts
