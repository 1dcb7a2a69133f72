"""The trains of a line: where they go, when they may, and which axle is over which head when.

Three rules keep them apart and moving, on any line.

- A section is held by one train, from the grant of its authority until its last axle has left.
- A train starts only where the ways of all that are under way, taken together, have no circle: then some train can always go on.
- Where a train will stand to turn, no other is under way to, nor through.

A train is granted the next section where its interlocking takes it for clear; one that shows otherwise with nobody in it, after a wait, at walking pace, as local rules do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from heapq import heappop, heappush
from itertools import pairwise
from math import inf, isinf
from random import Random
from typing import Protocol

from monitor.core.layout import OPEN, Line
from monitor.core.moments import HOUR, MINUTE, SECOND, Moment, seconds
from replay.simulator.agenda import Agenda
from replay.simulator.trains import (
    SMALL,
    Run,
    Stock,
    any_stock,
    braking_distance,
    light_engine,
    profile,
    railcar,
)

APPROACH_M = 900.0
"""How far outside the first head a train comes into view."""

BEFORE_SIGNAL_M = 15.0
"""Where a train stands before the head it may not pass."""

CAUTION = 20 / 3.6
"""Walking pace, more or less: through a section that does not show clear."""

QUEUE = 4
"""Trains that wait outside at one open end; more are sent another way."""


class Heads(Protocol):
    """What the trains influence, and what the signals are told."""

    def axle(self, head: str, out_of: str | None, into: str | None) -> None:
        """An axle is over *head*, between two sections or one and the open."""

    def passage(
        self,
        head: str,
        *,
        train: int,
        forward: bool,
        axles: int,
        first: Moment,
        last: Moment,
    ) -> None:
        """A train, or the part of it that was before *head*, has gone over it."""

    def stands(self, section: str, axles: int) -> None:
        """So many axles are in *section* when the day begins."""

    def proves_clear(self, section: str) -> bool:
        """Whether the interlocking takes *section* for clear."""

    def awaits_train(self, section: str) -> bool:
        """Whether *section* waits for a train to sweep it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way over the line.

    Args:
        places: sections in order; None stands first or last for what lies beyond an open head.
        heads: those between one place and the next.
    """

    places: tuple[str | None, ...]
    heads: tuple[str, ...]

    def sections(self) -> tuple[str, ...]:
        """The places that are sections."""
        return tuple(one for one in self.places if one is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """A train of a script.

    Args:
        stock: what it is made of.
        via: the sections it goes through, in order; each joined to the next.
        seconds: after the beginning of the day; it comes in from outside then, unless *inside*.
        inside: it stands in the first section when the day begins.
    """

    stock: Stock
    via: tuple[str, ...]
    seconds: float = 0.0
    inside: bool = False


@dataclass(slots=True, eq=False, kw_only=True)
class Visit:
    """A train in a section.

    Args:
        section: where.
        train: its number.
        came: when its first axle came in.
        out_of: from which section, or None from outside or where it stood when the day began.
        reached: when its first axle was in the next, or None while it is not.
        into: which section that was, or None for outside.
        left: when its last axle was out, or None while it is not.
        parted: it was not seen to come: it was a part of the train before it.
    """

    section: str
    train: int
    came: Moment
    out_of: str | None = None
    reached: Moment | None = None
    into: str | None = None
    left: Moment | None = None
    parted: bool = False


@dataclass(slots=True, eq=False)
class Train:
    """One train under way.

    Args:
        number: as they came.
        stock: what it is made of, as it runs now.
        way: where it goes now.
        xs: where the heads are, on its own coordinate.
        at: the number of the place where its front is.
        tail: the number of the place where its last axle is.
        granted: the number of the last place it may enter.
        short: where its authority ends behind another train, or None.
        joined: the numbers of those that were coupled to it.
        crossings: where the front is when an axle is over a head: position, head, axle; in order.
    """

    number: int
    stock: Stock
    way: Way
    xs: list[float]
    x: float
    v: float = 0.0
    at: int = 0
    tail: int = 0
    granted: int = 0
    begun: Moment = 0
    run: Run = field(default_factory=lambda: Run((), 0.0))
    crossings: list[tuple[float, int, int]] = field(default_factory=list)
    crossed: int = 0
    version: int = 0
    slow: set[int] = field(default_factory=set)
    stops: dict[int, float] = field(default_factory=dict)
    first_axle: dict[int, Moment] = field(default_factory=dict)
    counted: dict[int, int] = field(default_factory=dict)
    waits_for: int = -1
    standing: bool = True
    fixed_way: bool = False  # booked: it calls nowhere
    asked: bool = False
    short: float | None = None
    joined: tuple[int, ...] = ()
    back: tuple[Way, ...] = ()

    @property
    def last(self) -> int:
        """The number of its last place."""
        return len(self.way.places) - 1


class Railway:
    """The trains of *line*, moved on *agenda* over *heads*.

    Args:
        line: any line.
        agenda: the clock.
        random: draws everything.
        heads: what the trains influence.
        headway_s: mean time between trains at an open end, in the busiest hours.
        bookings: trains of a script.
        traffic_from: from when on trains come by themselves besides; None for never.
        turning: share of trains that go into some section and back.
        shunting: share of trains that come in at an open end and go out there again.
        stock: makes a train that comes by itself.
    """

    def __init__(
        self,
        line: Line,
        agenda: Agenda,
        random: Random,
        heads: Heads,
        *,
        headway_s: float = 1200.0,
        bookings: Sequence[Booking] = (),
        traffic_from: Moment | None = None,
        turning: float = 0.05,
        shunting: float = 0.0,
        stock: Callable[[Random], Stock] = any_stock,
    ) -> None:
        self.turning = turning
        self.shunting = shunting
        self.stock = stock
        self.line = line
        self.agenda = agenda
        self.random = random
        self.heads = heads
        self.headway_s = headway_s
        self.holder: dict[str, Train] = {}
        self.inside: dict[str, set[Train]] = {one: set() for one in line.sections}
        self.second: dict[str, Train] = {}
        self.holds: dict[str, Moment] = {}
        self.closed: dict[str, Moment] = {}
        self.trains: list[Train] = []
        self.entries: list[tuple[Moment, str]] = []
        self.exits: list[tuple[Moment, str]] = []
        self.visits: list[Visit] = []
        self.finished = 0
        self._number = 0
        self._there: dict[tuple[int, str], Visit] = {}
        self._after_leaving: dict[str, list[Callable[[], None]]] = {}
        self._waiting: dict[str, list[Train]] = {}
        self._joins: dict[str, dict[str, int]] = {}
        self._stand: dict[Train, frozenset[str]] = {}
        self._turning: list[Train] = []
        self._queue: list[tuple[Stock, str, tuple[Way, ...]]] = []
        self._dispatching = False
        self._open = [
            (name, inner)
            for name, head in line.heads.items()
            for inner, outer in (head.between, head.between[::-1])
            if outer == OPEN and inner != OPEN
        ]
        self._terminals = [one for one in line.sections if len(line.heads_of(one)) == 1]
        for booking in bookings:
            self._book(booking)
        if traffic_from is not None:
            self._begin_traffic(traffic_from, residents=not bookings)

    # What others may ask and do.

    def wake(self, section: str) -> None:
        """The signals into *section* may show something else now."""
        for train in self._waiting.pop(section, []):
            delay = self.random.uniform(2.0, 6.0) if train.standing else 0.5
            self.agenda.at(
                self.agenda.now + seconds(delay), partial(self._go_on, train)
            )

    def hold(self, section: str, until: Moment) -> None:
        """Let the next train stand in *section* until then."""
        self.holds[section] = until
        self.agenda.at(until, lambda: self._end_of_hold(section))

    def close(self, section: str, until: Moment) -> None:
        """Send no train through *section* until then."""
        self.closed[section] = max(until, self.closed.get(section, 0))
        self.agenda.at(until, self._dispatch)

    def is_closed(self, section: str) -> bool:
        """Whether no train is sent through *section* now."""
        return self.closed.get(section, 0) > self.agenda.now

    def expected(self, section: str) -> bool:
        """Whether a train is in *section*, or under way to it."""
        return any(section in one.way.places[one.tail :] for one in self.trains)

    def stands_whole(self, section: str) -> bool:
        """Whether a train stands with all its axles in *section*."""
        train = self.holder.get(section)
        return (
            train is not None
            and train.standing
            and train.way.places[train.at] == section
            and train.tail == train.at
        )

    def after_leaving(self, section: str, action: Callable[[], None]) -> None:
        """Do *action* when the next train has left *section*."""
        self._after_leaving.setdefault(section, []).append(action)

    # Two in one section.

    def _rear(self, section: str) -> float | None:
        """How far into *section* the train stands that stands whole in it, measured to its rear from where it came in."""
        train = self.holder.get(section)
        if train is None or not self.stands_whole(section) or not train.at:
            return None
        x, _ = self._now(train)
        return x - train.xs[train.at - 1] - train.stock.length

    def talk_in(self, section: str, gap: float = 20.0) -> bool:
        """Let a train that stands before *section* in behind the one that stands in it; whether there is one, and room."""
        rear, first = self._rear(section), self.holder.get(section)
        if rear is None or first is None or section in self.second:
            return False
        before = first.way.places[first.at - 1]
        for train in self.trains:
            place = train.granted + 1
            if (
                train is not first
                and train.standing
                and place < train.last
                and train.way.places[place] == section
                and train.way.places[place - 1] == before
                and train.at == train.granted
                and rear - gap > train.stock.length + 30.0
            ):
                self.second[section] = train
                train.granted = place
                train.slow.add(place)
                train.short = train.xs[place - 1] + rear - gap
                self._go_on(train)
                return True
        return False

    def _next_in(self, section: str) -> None:
        """The first train has left *section*; the one behind it, if any, has it to itself."""
        train = self.second.pop(section, None)
        if train is not None:
            self.holder[section] = train
            train.short = None
            self.agenda.at(self.agenda.now + 5 * SECOND, partial(self._go_on, train))

    def may_part(self, section: str) -> bool:
        """Whether the train that stands in *section* can be divided, with both parts going the same way later."""
        train = self.holder.get(section)
        return (
            train is not None
            and self.stands_whole(section)
            and section not in self.second
            and train.at < train.last
            and train.way.places[-1] is None
            and len(train.stock.axles) >= 8
        )

    def part(self, section: str, wait: float) -> None:
        """Divide the train that stands in *section*: its front goes on when it may, its rear follows after *wait* seconds or later."""
        train = self.holder[section]
        came = train.xs[train.at - 1] if train.at else 0.0
        front, rear, behind = train.stock.divided()
        number = train.at
        x, _ = self._now(train)
        second = self._new(
            rear, Way(places=(section,), heads=()), [], x - came - behind
        )
        train.stock = front
        self._cross_again(train, x)
        self.trains.append(second)
        self._comes(second, section, None)
        visit = self._there[second.number, section]
        visit.parted = True
        self._stand[second] = frozenset((section,))
        self.second[section] = second
        way = Way(places=train.way.places[number:], heads=train.way.heads[number:])

        def follow() -> None:
            second.back = (way,)
            self._turning.append(second)
            self._dispatch()

        self.agenda.at(self.agenda.now + seconds(wait), follow)

    def _cross_again(self, train: Train, x: float) -> None:
        """*train*, whole in one section with its front at *x*, has other axles than before."""
        train.crossings = sorted(
            (head + axle, number, place)
            for number, head in enumerate(train.xs)
            for place, axle in enumerate(train.stock.axles)
            if number >= train.at and head + axle > x
        )
        train.crossed = 0

    def couple(self, section: str) -> bool:
        """Couple the two trains that stand in *section*; whether they could be."""
        first, second = self.holder.get(section), self.second.get(section)
        if first is None or second is None or second.tail != second.at:
            return False
        if not (first.standing and second.standing and self.stands_whole(section)):
            return False
        if not first.at or not second.at:
            return False
        ahead, _ = self._now(first)
        x, _ = self._now(second)
        offset = (ahead - first.xs[first.at - 1]) - (x - second.xs[second.at - 1])
        first.stock = first.stock.with_behind(second.stock, offset)
        first.joined = (*first.joined, second.number, *second.joined)
        self._cross_again(first, ahead)
        del self.second[section]
        self.trains.remove(second)
        self.inside[section].discard(second)
        self._stand.pop(second, None)
        for one, other in pairwise(second.way.places[second.at :]):
            if one is not None and other is not None:
                _count_join(self._joins, one, other, -1)
        return True

    def keeps_from(self, section: str) -> bool:
        """Whether *section* and its neighbours are held by nobody."""
        places = (section, *self.line.neighbours(section))
        return not any(one in self.holder for one in places)

    # Traffic.

    def _begin_traffic(self, begin: Moment, *, residents: bool) -> None:
        for head, section in self._open:
            self._next_arrival(head, section, begin)
        if residents:
            for part in self._parts():
                if not any(self.line.is_open(one) for one in part):
                    self._reside(part)

    def _next_arrival(self, head: str, section: str, after: Moment) -> None:
        hour = after % (24 * HOUR) // HOUR
        busy = 1.0 if 5 <= hour < 22 else 0.4
        gap = 20.0 + self.random.expovariate(busy / self.headway_s)
        moment = after + seconds(gap)

        def arrive() -> None:
            waiting = sum(1 for _, one, _ in self._queue if one == head)
            if waiting < QUEUE:
                ways = self._ways_in(head, section)
                self._queue.append((self.stock(self.random), head, ways))
                # Now and then another follows as closely as signals let it.
                if self.random.random() < 0.25:
                    self._queue.append((self.stock(self.random), head, ways))
                self._dispatch()
            self._next_arrival(head, section, moment)

        self.agenda.at(moment, arrive)

    def _parts(self) -> list[list[str]]:
        """The sections in groups that no head joins."""
        seen: set[str] = set()
        parts = []
        for start in self.line.sections:
            if start in seen:
                continue
            part, new = [], [start]
            seen.add(start)
            while new:
                one = new.pop()
                part.append(one)
                for other in self.line.neighbours(one):
                    if other not in seen:
                        seen.add(other)
                        new.append(other)
            parts.append(part)
        return parts

    def _reside(self, part: list[str]) -> None:
        """A train that lives in *part*, since none can come in."""
        if len(part) < 2:
            return
        section = self.random.choice(
            [one for one in part if one in self._terminals] or part
        )
        fits = self.line.sections[section].length_m > 60
        train = self._place(railcar() if fits else light_engine(), section)
        self.agenda.at(
            self.agenda.now + seconds(self.random.uniform(20, 200)),
            lambda: self._wants_to_turn(train),
        )

    def _place(self, stock: Stock, section: str) -> Train:
        """A train that stands in *section* when the day begins."""
        length = self.line.sections[section].length_m
        x = min(length - BEFORE_SIGNAL_M, stock.length + 30.0)
        way = Way(places=(section,), heads=())
        train = self._new(stock, way, [], x)
        self.holder[section] = train
        self._comes(train, section, None)
        self.trains.append(train)
        self._stand[train] = frozenset((section,))
        self.heads.stands(section, len(stock.axles))
        return train

    def _comes(self, train: Train, section: str, out_of: str | None) -> None:
        """The first axle of *train* is in *section*."""
        now = self.agenda.now
        self.inside[section].add(train)
        self.entries.append((now, section))
        visit = Visit(section=section, train=train.number, came=now, out_of=out_of)
        self.visits.append(visit)
        self._there[train.number, section] = visit

    def _goes(self, train: Train, section: str, into: str | None) -> None:
        """The last axle of *train* is out of *section*."""
        now = self.agenda.now
        self.inside[section].discard(train)
        self.exits.append((now, section))
        for number in (train.number, *train.joined):
            visit = self._there.pop((number, section), None)
            if visit is not None:
                visit.left, visit.into = now, into
        for action in self._after_leaving.pop(section, []):
            action()

    def _new(self, stock: Stock, way: Way, xs: list[float], x: float) -> Train:
        self._number += 1
        return Train(number=self._number, stock=stock, way=way, xs=xs, x=x)

    def _book(self, booking: Booking) -> None:
        moment = self.agenda.now + seconds(booking.seconds)
        if booking.inside:
            train = self._place(booking.stock, booking.via[0])
            train.fixed_way = True
            way = self._through(booking.via, from_open=False)
            self.agenda.at(moment, lambda: self._start_again(train, way, ahead=True))
            return
        way = self._through(booking.via, from_open=True)
        self.agenda.at(moment, lambda: self._enter_booked(booking.stock, way))

    def _enter_booked(self, stock: Stock, way: Way) -> None:
        if self._fits(way, stock, None):
            self._enter(stock, way, booked=True)
        else:
            self.agenda.at(
                self.agenda.now + 20 * SECOND, lambda: self._enter_booked(stock, way)
            )

    def _through(self, via: Sequence[str], *, from_open: bool) -> Way:
        """The way through *via*, out of the last through an open head where it has one."""
        places: list[str | None] = list(via)
        heads = [self.line.heads_between(one, other)[0] for one, other in pairwise(via)]
        outside = [name for name, inner in self._open if inner == via[0]]
        if from_open:
            places.insert(0, None)
            heads.insert(0, outside[0])
        beyond = [
            name for name, inner in self._open if inner == via[-1] and name not in heads
        ]
        if beyond:
            places.append(None)
            heads.append(beyond[0])
        return Way(places=tuple(places), heads=tuple(heads))

    # Ways.

    def _find(
        self,
        start: str,
        goal: str,
        *,
        without: Iterable[str] = (),
        came_by: str | None = None,
        leave_by: str | None = None,
    ) -> Way | None:
        """A short way from *start* to *goal*, not always the shortest."""
        avoid = set(without)
        if goal in avoid:
            return None
        before = self._search(start, goal, avoid, came_by)
        if before is None:
            return None
        places: list[str | None] = [goal]
        heads: list[str] = []
        while places[-1] != start:
            one, head = before[str(places[-1])]
            places.append(one)
            heads.append(head)
        places.reverse()
        heads.reverse()
        if leave_by is not None:
            places.append(None)
            heads.append(leave_by)
        return Way(places=tuple(places), heads=tuple(heads))

    def _search(
        self, start: str, goal: str, avoid: set[str], came_by: str | None
    ) -> dict[str, tuple[str, str]] | None:
        """By which section and head one comes to each, on the way from *start* to *goal*; lengths are drawn a little longer or shorter."""
        best: dict[str, float] = {start: 0.0}
        before: dict[str, tuple[str, str]] = {}
        heap = [(0.0, start)]
        factors = {one: self.random.uniform(0.6, 1.6) for one in self.line.heads}
        while heap:
            cost, one = heappop(heap)
            if one == goal:
                return before
            if cost > best[one]:
                continue
            for head in self.line.heads_of(one):
                a, b = self.line.heads[head].between
                other = b if a == one else a
                if other in {OPEN, one} or other in avoid or head == came_by:
                    continue
                new = cost + self.line.sections[other].length_m * factors[head]
                if new < best.get(other, inf):
                    best[other] = new
                    before[other] = (one, head)
                    heappush(heap, (new, other))
        return None

    def _goals(self, section: str, came_by: str | None) -> list[tuple[str, str | None]]:
        """Where a train from *section* may go: section and the open head it leaves by, or None; in an order drawn by lot."""
        out: list[tuple[str, str | None]] = [
            (inner, name) for name, inner in self._open if name != came_by
        ]
        stops: list[tuple[str, str | None]] = [
            (one, None) for one in self._terminals if one != section
        ]
        self.random.shuffle(out)
        self.random.shuffle(stops)
        if came_by is None:  # one that has turned goes out, where it can
            back = [] if out else [one for one in stops if one[0] != section]
            if not out and not back:
                others = [one for one in self.line.sections if one != section]
                back = [
                    (one, None)
                    for one in self.random.sample(others, min(3, len(others)))
                ]
            return out + back
        goals = out + stops
        self.random.shuffle(goals)
        draw = self.random.random()
        if draw >= 1.0 - self.shunting:
            goals.insert(0, (section, None))
        elif not goals or draw < self.turning:
            # Into a section, and back: mid-line, or the only section there is.
            goals.insert(0, (self.random.choice(list(self.line.sections)), None))
            goals.append((section, None))
        return goals

    # Starting.

    def _dispatch_soon(self) -> None:
        """Look once for all that happens within a while."""
        if not self._dispatching and (self._queue or self._turning):
            self._dispatching = True
            self.agenda.at(self.agenda.now + 15 * SECOND, self._dispatch)

    def _dispatch(self) -> None:
        """Start whoever may: those that stand on the line first, then those outside in the order they came."""
        self._dispatching = False
        for train in tuple(self._turning):
            way = next(
                (x for x in train.back if self._fits(x, train.stock, train)), None
            )
            if way is not None:
                self._start_again(train, way, ahead=False)
        blocked: dict[str, dict[str, int]] = {}
        waiting = []
        for stock, head, ways in self._queue:
            may = [one for one in ways if not self._shut(one)]
            way = next((x for x in may if self._fits(x, stock, None, blocked)), None)
            if way is not None:
                self._enter(stock, way)
            elif may:
                _count_joins(blocked, may[0], 1)
                waiting.append((stock, head, ways))
        self._queue = waiting

    def _shut(self, way: Way) -> bool:
        return any(self.is_closed(one) for one in way.sections())

    def _ways_in(self, head: str, section: str) -> tuple[Way, ...]:
        """Ways that a train may take which comes in by *head*, in an order drawn by lot."""
        ways = []
        for goal, leave_by in self._goals(section, head):
            inner = self._find(section, goal, came_by=head, leave_by=leave_by)
            if inner is not None and head not in inner.heads:
                ways.append(
                    Way(places=(None, *inner.places), heads=(head, *inner.heads))
                )
        return tuple(ways)

    def _fits(
        self,
        way: Way,
        stock: Stock,
        own: Train | None,
        blocked: dict[str, dict[str, int]] | None = None,
    ) -> bool:
        """Whether *way* can be started beside those under way."""
        if self._shut(way):
            return False
        sections = set(way.sections())
        for train, places in self._stand.items():
            if train is not own and places & sections:
                return False
        if way.places[-1] is not None:
            stand = self._standing_place(way, stock)
            for train in self.trains:
                if train is not own and stand & set(train.way.places[train.tail :]):
                    return False
        joins: dict[str, set[str]] = {}
        for counts in (self._joins, blocked or {}):
            for one, others in counts.items():
                joins.setdefault(one, set()).update(others)
        chain = way.sections()
        for one, other in pairwise(chain):
            joins.setdefault(one, set()).add(other)
        return not _has_circle(joins, chain[0])

    def _standing_place(self, way: Way, stock: Stock) -> frozenset[str]:
        """The sections that a train stands in at the end of *way*."""
        sections = way.sections()
        covered = [sections[-1]]
        room = self.line.sections[sections[-1]].length_m - BEFORE_SIGNAL_M
        for one in reversed(sections[:-1]):
            if room >= stock.length:
                break
            covered.append(one)
            room += self.line.sections[one].length_m
        return frozenset(covered)

    def _enter(self, stock: Stock, way: Way, *, booked: bool = False) -> None:
        xs = self._positions(way, 0.0, 0)
        train = self._new(stock, way, xs, -APPROACH_M)
        train.fixed_way = booked
        train.v = min(self._speed(train, 1), stock.fastest) * 0.8
        self.trains.append(train)
        self._begin_way(train)

    def _positions(self, way: Way, first: float, place: int) -> list[float]:
        """Where the heads of *way* are, the first at *first*, from *place* on."""
        xs = [first]
        for one in way.places[place + 1 : -1]:
            assert one is not None  # noqa: S101 - only the ends of a way are open
            xs.append(xs[-1] + self.line.sections[one].length_m)
        return xs

    def _begin_way(self, train: Train) -> None:
        way = train.way
        _count_joins(self._joins, way, 1)
        self._stand.pop(train, None)
        if way.places[-1] is not None:
            self._stand[train] = self._standing_place(way, train.stock)
        train.granted = train.at
        train.asked = False
        train.waits_for = -1
        train.crossed = 0
        train.slow.clear()
        train.first_axle.clear()
        train.counted.clear()
        train.crossings = sorted(
            (x + axle, number, place)
            for number, x in enumerate(train.xs)
            for place, axle in enumerate(train.stock.axles)
            # One that stands exactly over a head was counted as it came there.
            if x + axle > train.x - 2 * SMALL
        )
        train.stops = {
            number: self.random.uniform(25, 100)
            for number, one in enumerate(way.places[1:-1], 1)
            if one is not None
            and number > train.at
            and not train.fixed_way
            and self.random.random() < train.stock.stops
        }
        train.begun = self.agenda.now
        self._go_on(train)

    # Turning.

    def _wants_to_turn(self, train: Train) -> None:
        train.back = tuple(self._ways_back(train))
        self._turning.append(train)
        self._dispatch()

    def _ways_back(self, train: Train) -> Iterator[Way]:
        """Ways on for *train*, which stands at the end of its own."""
        covered = train.way.places[train.tail : train.at + 1]
        back = train.way.heads[train.tail : train.at][::-1]
        if covered[0] is None:  # its rear is still outside
            yield Way(places=covered[::-1], heads=back)
            return
        start = covered[0]
        others = [one for one in covered[1:] if one is not None]
        some = False
        goals = self._goals(start, None)
        if train.way.places == (None, start):  # shunting: out by where it came in
            goals.sort(key=lambda goal: goal[1] not in train.way.heads)
        for goal, leave_by in goals:
            found = self._find(start, goal, without=others, leave_by=leave_by)
            if found is not None and found.heads:
                some = True
                yield Way(
                    places=(*covered[:0:-1], *found.places),
                    heads=(*back, *found.heads),
                )
        if back and not some:  # no further than its rear
            yield Way(places=covered[::-1], heads=back)

    def _start_again(self, train: Train, way: Way, *, ahead: bool) -> None:
        """Start *train*, which stands, along *way*; with its other end in front unless *ahead*."""
        if train in self._turning:
            self._turning.remove(train)
        covered = train.at - train.tail
        if ahead:
            section = way.places[0]
            assert section is not None  # noqa: S101 - it stands in it
            first = self.line.sections[section].length_m
            train.xs = self._positions(way, first, 0)
        elif covered:
            xs = [-one for one in train.xs[train.tail : train.at]][::-1]
            rest = Way(places=way.places[covered:], heads=way.heads[covered:])
            if rest.heads:
                start = rest.places[0]
                assert start is not None  # noqa: S101 - beyond the open there is no head
                first = xs[-1] + self.line.sections[start].length_m
                xs += self._positions(rest, first, 0)
            train.xs = xs
            train.x = train.stock.length - train.x
            train.stock = train.stock.turned()
        else:
            self._start_alone(train, way)
        train.way = way
        train.tail = 0
        train.at = covered if not ahead else 0
        train.v = 0.0
        train.run = Run((), train.x)
        self._begin_way(train)

    def _start_alone(self, train: Train, way: Way) -> None:
        """Start *train*, which stands whole in one section: back by the head it came by, or on."""
        section = way.places[0]
        assert section is not None  # noqa: S101 - it stands in it
        length = self.line.sections[section].length_m
        came = train.xs[train.tail - 1] if train.tail else 0.0
        front = train.x - came
        if train.tail and way.heads[0] == train.way.heads[train.tail - 1]:
            front = length - (front - train.stock.length)
            train.stock = train.stock.turned()
        train.xs = self._positions(way, length, 0)
        train.x = min(front, length - 1.0)

    # Moving.

    def _speed(self, train: Train, place: int) -> float:
        """How fast *train* may go in a place."""
        if place in train.slow:
            return CAUTION
        section = train.way.places[place]
        if section is None:
            beside = 1 if place == 0 else place - 1
            section = train.way.places[beside] if len(train.way.places) > 1 else None
        if section is None:
            return train.stock.fastest
        return min(train.stock.fastest, self.line.sections[section].speed_km_h / 3.6)

    def _end(self, train: Train) -> float:
        """Where the authority of *train* ends."""
        if train.short is not None:
            return train.short
        if train.granted < train.last:
            end = train.xs[train.granted] - BEFORE_SIGNAL_M
            start = train.xs[train.granted - 1] if train.granted else -inf
            return end if end > start + 1.0 else train.xs[train.granted] - 1.0
        section = train.way.places[-1]
        beyond = train.xs[-1] if train.xs else 0.0
        if section is None:
            return beyond + train.stock.length + 50.0
        length = self.line.sections[section].length_m
        return beyond + max(length - BEFORE_SIGNAL_M, length * 0.8)

    def _now(self, train: Train) -> tuple[float, float]:
        return train.run.where((self.agenda.now - train.begun) / SECOND)

    def _go_on(self, train: Train) -> None:
        """Ask for more authority, and run by what there is."""
        if train not in self.trains or not train.way.heads:
            return
        if train.version:
            train.x, train.v = self._now(train)
        self._extend(train)
        end = self._end(train)
        stretches = []
        for place in range(train.at, train.granted + 1):
            until = train.xs[place] if place < train.granted else end
            if until > train.x:
                stretches.append((until, self._speed(train, place)))
        stop = train.way.places[train.granted] is not None or train.granted == 0
        phases = profile(
            train.x,
            train.v,
            stretches,
            accelerate=train.stock.accelerate,
            brake=train.stock.brake,
            stop=stop,
        )
        train.run = Run(phases, train.x)
        train.begun = self.agenda.now
        train.standing = not phases
        train.version += 1
        self._schedule(train)

    def _schedule(self, train: Train) -> None:
        crossing = inf
        if train.crossed < len(train.crossings):
            crossing = train.run.when(train.crossings[train.crossed][0])
        version = train.version
        moment = min(crossing, train.run.lasts)
        if isinf(crossing):
            self.agenda.at(
                train.begun + seconds(moment), lambda: self._arrived(train, version)
            )
        else:
            self.agenda.at(
                train.begun + seconds(crossing), lambda: self._cross(train, version)
            )

    def _cross(self, train: Train, version: int) -> None:
        """An axle is over a head."""
        if version != train.version:
            return
        _, number, axle = train.crossings[train.crossed]
        train.crossed += 1
        out_of, into = train.way.places[number], train.way.places[number + 1]
        entered = number + 1 > train.at
        if entered:
            train.at = number + 1
            if out_of is not None:
                visit = self._there[train.number, out_of]
                visit.reached, visit.into = self.agenda.now, into
            if into is not None:
                self._comes(train, into, out_of)
        train.counted[number] = train.counted.get(number, 0) + 1
        train.first_axle.setdefault(number, self.agenda.now)
        self.heads.axle(train.way.heads[number], out_of, into)
        if axle == len(train.stock.axles) - 1:
            self._left(train, number)
        if entered and train in self.trains:
            self._go_on(train)
        elif train in self.trains:
            self._schedule(train)

    def _left(self, train: Train, number: int) -> None:
        """The last axle of *train* is over a head."""
        head = train.way.heads[number]
        section, beyond = train.way.places[number], train.way.places[number + 1]
        self.heads.passage(
            head,
            train=train.number,
            forward=self.line.heads[head].between[0] == (section or OPEN),
            axles=train.counted[number],
            first=train.first_axle[number],
            last=self.agenda.now,
        )
        train.tail = number + 1
        if section is not None:
            if beyond is not None:
                _count_join(self._joins, section, beyond, -1)
            self.holder.pop(section, None)
            self._goes(train, section, beyond)
            self._next_in(section)
            self.wake(section)
        if train.tail == train.last and beyond is None:
            self.trains.remove(train)
            self.finished += 1
            self._stand.pop(train, None)
        self._dispatch_soon()

    def _arrived(self, train: Train, version: int) -> None:
        """*train* stands at the end of its authority."""
        if version != train.version:
            return
        train.x, train.v = self._now(train)
        train.v = 0.0
        train.run = Run((), train.x)
        train.begun = self.agenda.now
        train.standing = True
        place = train.granted
        if place == train.last and train.way.places[place] is not None:
            if train.at == train.last and not train.asked:
                train.asked = True
                # Its place is kept for it; its way is over.
                for number in range(train.tail, train.last):
                    one, other = train.way.places[number : number + 2]
                    if one is not None and other is not None:
                        _count_join(self._joins, one, other, -1)
                pause = seconds(self.random.uniform(150, 900))
                self.agenda.at(
                    self.agenda.now + pause, partial(self._wants_to_turn, train)
                )
        elif place in train.stops:
            pause = seconds(train.stops.pop(place))
            self.agenda.at(self.agenda.now + pause, lambda: self._go_on(train))
        else:
            self._ask_for_caution(train)

    def _extend(self, train: Train) -> None:
        """Grant *train* what it needs ahead, as far as it can be granted."""
        if train.short is not None:
            return
        need = braking_distance(train.stock.fastest, train.stock.brake) + 150.0
        while train.granted < train.last:
            if self._end(train) - train.x > need and train.granted > train.at:
                return
            here = train.way.places[train.granted]
            if here is not None and self.holds.get(here, 0) > self.agenda.now:
                return
            if train.granted in train.stops:
                return
            section = train.way.places[train.granted + 1]
            if section is not None:
                if self.holder.get(section, train) is not train or (
                    not self.heads.proves_clear(section)
                ):
                    self._wait(train, section)
                    return
                self.holder[section] = train
            train.granted += 1

    def _wait(self, train: Train, section: str) -> None:
        queue = self._waiting.setdefault(section, [])
        if train not in queue:
            queue.append(train)

    def _end_of_hold(self, section: str) -> None:
        if self.holds.get(section, 0) <= self.agenda.now:
            self.holds.pop(section, None)
            train = self.holder.get(section)
            if train is not None:
                self._go_on(train)

    def _ask_for_caution(self, train: Train) -> None:
        """*train* stands before a section; where that shows what it should not, it is cautioned through after a wait."""
        if train.granted >= train.last or train.short is not None:
            return
        section = train.way.places[train.granted + 1]
        if section is None or train.waits_for == train.granted + 1:
            return
        place = train.waits_for = train.granted + 1
        wait = (
            self.random.uniform(20, 60)
            if self.heads.awaits_train(section)
            else self.random.uniform(150, 330)
        )
        self.agenda.at(
            self.agenda.now + seconds(wait), lambda: self._caution(train, place)
        )

    def _caution(self, train: Train, place: int) -> None:
        if train.waits_for == place:
            train.waits_for = -1
        if (
            train not in self.trains
            or train.granted + 1 != place
            or not train.standing
            or place > train.last
            or train.short is not None
        ):
            return
        section, here = train.way.places[place], train.way.places[place - 1]
        if section is None:
            return
        held = here is not None and self.holds.get(here, 0) > self.agenda.now
        if section in self.holder or self.heads.proves_clear(section) or held:
            train.waits_for = place
            self.agenda.at(
                self.agenda.now + MINUTE, lambda: self._caution(train, place)
            )
            return
        self.holder[section] = train
        train.granted = place
        train.slow.add(place)
        self._go_on(train)


def _count_join(
    joins: dict[str, dict[str, int]], one: str, other: str, more: int
) -> None:
    beside = joins.setdefault(one, {})
    beside[other] = beside.get(other, 0) + more
    if beside[other] <= 0:
        del beside[other]
        if not beside:
            del joins[one]


def _count_joins(joins: dict[str, dict[str, int]], way: Way, more: int) -> None:
    chain = way.sections()
    for one, other in pairwise(chain):
        _count_join(joins, one, other, more)


def _has_circle(joins: dict[str, set[str]], start: str) -> bool:
    """Whether from *start* one can come to a place from which one comes to it again."""
    done: set[str] = set()
    path: set[str] = {start}
    stack = [(start, iter(sorted(joins.get(start, ()))))]
    while stack:
        one, others = stack[-1]
        for other in others:
            if other in path:
                return True
            if other not in done:
                path.add(other)
                stack.append((other, iter(sorted(joins.get(other, ())))))
                break
        else:
            path.discard(one)
            done.add(one)
            stack.pop()
    return False
