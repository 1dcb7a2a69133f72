"""From events in order of arrival to events in order of time, and how far time has surely come.

Theory of operation.
Evaluators stamp and send independently, so events arrive out of order by up to `patience_s`.
They are kept in a heap by corrected time and let go once the watermark has passed them.

The watermark is the latest event time, plus the arrival time gone by since that event came, less the patience.
It never runs ahead of what is usual: an event stamped some seconds ahead of everybody else moves it no further than its arrival allows, or it would make all others late.
Before an event is placed, time is passed up to its arrival, so how often anybody asks what time it is changes nothing.
While the monitor is not connected, and after connecting until the queue of the broker is drained, arrival says nothing about event time: then time passes by events alone.

Two domains meet in this file and are kept apart:

- *by arrival*: repeats, lateness, sequence numbers and clocks are seen as events come;
- *by event time*: everything let go is settled and is never reordered again.

An event that comes after the watermark has passed its time is late: it is concluded from no more, and the engine marks its section as not known for a while.

What people enter acts from its coming: it is placed at its arrival, is never late and moves no watermark.
What the broker had retained shows that a state still holds: it is placed at the present moment, moves nothing, measures nothing, and opens and closes no gap.

Sequence numbers.
A jump opens a `Gap`; a number that comes later fills it; what is still missing when the patience after the higher number has passed is lost.
Numbers that go back are a restart where the gateway says `online` within the patience, else a gap too.
Only the two newest generations of ids are remembered for each source, so memory does not grow with the length of a recording; a repeat older than that is late, and the journal knows it anyway.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, StrEnum
from heapq import heappop, heappush
from typing import Any

from monitor.core.changes import ClockJudged
from monitor.core.clocks import Clocks, Measured, SourceClock
from monitor.core.events import Event, GatewayStatus, by_people
from monitor.core.moments import MINUTE, Duration, Moment

GENERATION = 8192
"""Ids remembered for each source in one generation: at a hundred events a second more than a minute, far beyond any patience."""

WIDEST = 10_000
"""A jump by more numbers than this is not kept number by number: nothing fills it within the patience."""

HOLD: Duration = MINUTE
"""How long an event waits at most until the clock of its source is known."""


class Kind(Enum):
    """What is let go."""

    EVENT = 0
    STILL = 1
    GAP = 2


class Outcome(StrEnum):
    """What became of an event as it came."""

    PLACED = "placed"
    LATE = "late"
    HELD = "held"
    REPEAT = "repeat"
    STILL = "still so"


@dataclass(slots=True)
class Gap:
    """Numbers of a source that have not come.

    Args:
        source: whose.
        missing: the numbers, or None where they went back or are too many to keep.
        count: how many never came, None where the numbers went back.
        since: the last event before, corrected time.
        before: that event.
        after: the event by which the gap shows.
        at: when that was.
        open: not filled and not explained by a restart.
    """

    source: str
    missing: set[int] | None
    count: int | None
    since: Moment
    before: str
    after: str
    at: Moment
    open: bool = True


@dataclass(slots=True)
class _Held:
    """An event that waits until the clock of its source is known."""

    event: Event
    came: Moment
    measured: Measured


@dataclass(slots=True)
class _Source:
    people: bool
    young: set[str] = field(default_factory=set)
    old: set[str] = field(default_factory=set)
    lowest: int = 0  # the first number that came, in this run of numbers
    highest: int | None = None
    before: int | None = None
    turned: Moment = 0
    last_at: Moment = 0
    last: Event | None = None
    restarted: Moment | None = None
    gaps: list[Gap] = field(default_factory=list)
    held: list[_Held] = field(default_factory=list)

    def seen(self, identity: str) -> bool:
        """Whether *identity* came before; from now on it has."""
        if identity in self.young or identity in self.old:
            return True
        if len(self.young) >= GENERATION:
            self.old, self.young = self.young, set()
        self.young.add(identity)
        return False


@dataclass(slots=True)
class Released:
    """Something let go at its settled moment."""

    at: Moment
    kind: Kind
    what: Any


@dataclass(slots=True)
class Ordering:
    """Everything between arrival and event time.

    Args:
        patience: how long reordering waits.
    """

    patience: Duration
    clocks: Clocks = field(default_factory=Clocks)
    ticking: bool = True
    watermark: Moment | None = None
    latest: Moment | None = None
    latest_arrival: Moment = 0
    arrival: Moment = 0
    counts: dict[Outcome, int] = field(
        default_factory=lambda: dict.fromkeys(Outcome, 0)
    )
    corrected: list[tuple[str, Duration, Moment]] = field(default_factory=list)
    judged: list[ClockJudged] = field(default_factory=list)
    late: list[tuple[Event, Moment]] = field(default_factory=list)
    _sources: dict[str, _Source] = field(default_factory=dict)
    _heap: list[tuple[Any, ...]] = field(default_factory=list)
    _count: int = 0
    _holding: int = 0

    def present(self) -> Moment | None:
        """How late it is now, in event time: what the watermark would be with no patience."""
        present = self.latest
        if present is None or not self.ticking:
            return present
        if self.arrival > self.latest_arrival:
            present += self.arrival - self.latest_arrival
        likely = self.clocks.latest_likely(self.arrival)
        return min(likely, present)

    def pass_time(self, arrival: Moment) -> None:
        """Nothing came up to *arrival*."""
        self.arrival = max(self.arrival, arrival)
        if self._holding:
            self._let_go_held()
        self._raise_watermark()

    def _raise_watermark(self) -> None:
        present = self.present()
        if present is not None:
            reached = present - self.patience
            if self.watermark is None or reached > self.watermark:
                self.watermark = reached

    def take(self, event: Event, *, told: bool) -> Outcome:
        """Place *event*; time has been passed up to its arrival before.

        *told*: the event says when it arrived.
        """
        source = self._source(event.source)
        if source.seen(event.id):
            outcome = Outcome.STILL if event.retained else Outcome.REPEAT
            if event.retained:
                self._push(self._present_or(event.time), event, Kind.STILL)
        elif source.people:
            outcome = self._place_entry(event, told=told)
        elif event.retained:
            self._push(self._present_or(event.time), event, Kind.EVENT)
            outcome = Outcome.PLACED
        elif isinstance(event, GatewayStatus) and not event.online:
            outcome = self._place(event, self._present_or(event.time), source)
        else:
            outcome = self._take_timed(event, source, told=told)
        self.counts[outcome] += 1
        return outcome

    def _source(self, name: str) -> _Source:
        source = self._sources.get(name)
        if source is None:
            source = self._sources[name] = _Source(people=by_people(name))
        return source

    def _present_or(self, time: Moment) -> Moment:
        present = self.present()
        if present is None:
            return max(time, self.arrival)
        return present

    def _place_entry(self, event: Event, *, told: bool) -> Outcome:
        at = max(event.time, self.arrival) if told else event.time
        if self.watermark is not None:
            at = max(at, self.watermark)
        self._push(at, event, Kind.EVENT)
        return Outcome.PLACED

    def _take_timed(self, event: Event, source: _Source, *, told: bool) -> Outcome:
        if not told:
            return self._place(event, event.time, source)
        if not self.ticking:
            at = event.time + self.clocks.correction(event.source)
            return self._place(event, at, source)
        clock = self.clocks.of(event.source)
        lag = self.arrival - event.time
        if self.clocks.must_wait(clock, lag):
            return self._hold(event, source, clock, lag)
        if source.held and clock.lag is not None:
            self._let_outliers_go(clock, source)
        at = event.time + clock.correction
        outcome = self._place(event, at, source)
        self.clocks.measure(clock, Measured(lag, at, outcome is Outcome.LATE))
        self._correct(event.source, clock)
        if self.clocks.turned(clock):
            self._judge(event, clock, at)
        return outcome

    def _correct(self, name: str, clock: SourceClock) -> None:
        correction = self.clocks.new_correction(clock)
        if correction is not None:
            clock.correction = correction
            self.corrected.append((name, correction, self.arrival))

    def _judge(self, event: Event, clock: SourceClock, at: Moment) -> None:
        present = self.present()
        told = at if present is None else min(at, present)
        judged = self.clocks.judge(event.source, clock, told, event.name)
        self.judged.append(judged)

    def correct(self, name: str, correction: Duration) -> None:
        """A `clock` record says what is added to the times of source *name*."""
        self.clocks.of(name).correction = correction

    # An event far from arrival, or far from the lag of its source, waits.

    def _hold(
        self, event: Event, source: _Source, clock: SourceClock, lag: Duration
    ) -> Outcome:
        measured = Measured(lag, event.time)
        self.clocks.measure(clock, measured)
        source.held.append(_Held(event, self.arrival, measured))
        self._holding += 1
        if clock.lag is not None and not clock.jumped(lag):
            self._let_go(event.source, source)
        return Outcome.HELD

    def _let_go_held(self) -> None:
        for name, source in self._sources.items():
            if source.held and self.arrival - source.held[0].came >= HOLD:
                self._let_go(name, source)

    def _let_go(self, name: str, source: _Source) -> None:
        """Enough is known of a clock, or none of its events may wait any longer."""
        clock = self.clocks.of(name)
        last = source.held[-1]
        if clock.lag is None or clock.jumped(last.measured.lag):
            clock.begin_anew([one.measured for one in source.held])
            self.clocks.find_usual()
        self._correct(name, clock)
        for one in self._no_longer_held(source):
            self._place_held(one, one.event.time + clock.correction, source)
        if self.clocks.turned(clock):
            self._judge(last.event, clock, last.measured.at)

    def _let_outliers_go(self, clock: SourceClock, source: _Source) -> None:
        """The clock was right all along: what stood far off is placed no later than it came."""
        for one in self._no_longer_held(source):
            at = min(one.event.time + clock.correction, one.came - self.clocks.usual)
            self._place_held(one, at, source)

    def _no_longer_held(self, source: _Source) -> list[_Held]:
        held, source.held = source.held, []
        self._holding -= len(held)
        return held

    def _place_held(self, one: _Held, at: Moment, source: _Source) -> None:
        one.measured.at = at
        if self._place(one.event, at, source) is Outcome.LATE:
            self.late.append((one.event, at))

    def holds(self, name: str) -> bool:
        """Whether events of source *name* wait: what it said last is not known yet."""
        source = self._sources.get(name)
        return source is not None and bool(source.held)

    # Placing.

    def _place(self, event: Event, at: Moment, source: _Source) -> Outcome:
        if event.sequence is not None:
            self._follow(event, event.sequence, at, source)
        if at >= source.last_at:
            source.last_at, source.last = at, event
        if self.watermark is not None and at < self.watermark:
            return Outcome.LATE
        self._push(at, event, Kind.EVENT)
        if self.latest is None or at > self.latest:
            self.latest, self.latest_arrival = at, self.arrival
            self._raise_watermark()
        return Outcome.PLACED

    def _push(self, at: Moment, what: Gap | Event, kind: Kind) -> None:
        self._count += 1
        if isinstance(what, Gap):
            key = (at, what.source, -1, "")
        else:
            number = self._count if what.sequence is None else what.sequence
            key = (at, what.source, number, what.id)
        heappush(self._heap, (*key, self._count, kind, what))

    def _follow(self, event: Event, number: int, at: Moment, source: _Source) -> None:
        online = isinstance(event, GatewayStatus) and event.online
        if online:
            source.restarted = at
            self._excuse(source)
        highest = source.highest
        if highest is None:
            source.lowest = source.highest = number
        elif number == highest + 1:
            source.highest = number
        elif number > highest:
            if not self._of_the_run_before(number, at, source):
                self._jump(event, at, source, range(highest + 1, number))
        elif number < source.lowest and at <= source.last_at:
            pass  # older than the first that came: no gap is known there
        elif self._fill(number, source):
            pass
        elif online and self._just_turned(at, source):
            pass  # what it sent right after coming online overtook the word of it
        else:
            self._turn_back(event, at, source, number)

    def _just_turned(self, at: Moment, source: _Source) -> bool:
        return source.before is not None and abs(at - source.turned) <= self.patience

    def _of_the_run_before(self, number: int, at: Moment, source: _Source) -> bool:
        """Whether a high number is a straggler from before the numbers went back."""
        return source.before is not None and (
            at <= source.turned and number <= source.before + 1
        )

    def _jump(self, event: Event, at: Moment, source: _Source, missing: range) -> None:
        few = set(missing) if len(missing) <= WIDEST else None
        self._open_gap(event, at, source, few, len(missing))
        source.highest = missing.stop

    def _turn_back(
        self, event: Event, at: Moment, source: _Source, number: int
    ) -> None:
        restarted = source.restarted
        gap = self._open_gap(event, at, source, None, None)
        gap.open = restarted is None or abs(at - restarted) > self.patience
        source.before, source.turned = source.highest, at
        source.lowest = source.highest = number

    def _open_gap(
        self,
        event: Event,
        at: Moment,
        source: _Source,
        missing: set[int] | None,
        count: int | None,
    ) -> Gap:
        gap = Gap(
            source=event.source,
            missing=missing,
            count=count,
            since=source.last_at,
            before="" if source.last is None else source.last.name,
            after=event.name,
            at=at,
        )
        source.gaps.append(gap)
        self._push(at + self.patience, gap, Kind.GAP)
        return gap

    def _fill(self, number: int, source: _Source) -> bool:
        for gap in source.gaps:
            if gap.missing is not None and number in gap.missing:
                gap.missing.discard(number)
                gap.count = len(gap.missing)
                gap.open = bool(gap.missing)
                return True
        return False

    def _excuse(self, source: _Source) -> None:
        # Numbers that went back are no gap once the gateway says it has just come online.
        for gap in source.gaps:
            if gap.count is None:
                gap.open = False

    # What the settled side asks.

    def gap_shown_by(self, event: Event) -> Gap | None:
        """The gap that *event*, now let go, is the first to show; a restart shows one too."""
        source = self._sources.get(event.source)
        if source is None:
            return None
        for gap in source.gaps:
            if gap.after == event.name and (gap.open or gap.count is None):
                return gap
        return None

    def in_order_until(self, name: str) -> Moment | None:
        """The last moment before the first open gap of source *name*, or None where it has none."""
        source = self._sources.get(name)
        if source is None or not source.gaps:
            return None
        return min((gap.since for gap in source.gaps if gap.open), default=None)

    def numbers(self, name: str) -> bool:
        """Whether source *name* numbers its events, so that a lost one will show."""
        source = self._sources.get(name)
        return source is not None and source.highest is not None

    def close(self, gap: Gap) -> None:
        """Forget *gap*: its patience is over."""
        gaps = self._sources[gap.source].gaps
        if gap in gaps:
            gaps.remove(gap)

    def next_at(self) -> Moment | None:
        """When the next thing to be let go was so."""
        return self._heap[0][0] if self._heap else None

    def release(self) -> Released:
        """Let go of the earliest."""
        at, *_, kind, what = heappop(self._heap)
        return Released(at, kind, what)

    def flush(self, until: Moment | None) -> None:
        """A recording is over: whatever waits is placed, and time has come as far as its last event, or *until*."""
        for name, source in list(self._sources.items()):
            if source.held:
                self._let_go(name, source)
        ends = [end for end in (self.latest, until) if end is not None]
        if ends:
            reached = max(ends)
            self.watermark = max(reached, self.watermark or reached)

    def waiting(self) -> Iterator[Event]:
        """The events that wait in the heap, in no order."""
        return (entry[-1] for entry in self._heap if entry[-2] is Kind.EVENT)
