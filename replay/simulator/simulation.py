"""A simulated recording, and what was wrong in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from random import Random
from typing import Any

from monitor.core.events import AnyEvent
from monitor.core.layout import Line
from monitor.core.moments import HOUR, SECOND, Moment, seconds
from replay.simulator.agenda import Agenda
from replay.simulator.evaluators import Evaluators
from replay.simulator.faults import KINDS, Fault, World, drawn
from replay.simulator.feed import RICHNESS, Feed
from replay.simulator.levels import Levels
from replay.simulator.railway import Booking, Railway
from replay.simulator.record import Day
from replay.simulator.trains import Stock, any_stock
from replay.simulator.truth import truths

QUIET_S = 11
"""How long nothing moves at the end, so that everything before can be concluded."""


class Simulation:
    """A day that is simulated as it is asked for.

    The same line, settings and seed give the same day.
    """

    def __init__(
        self,
        world: World,
        *,
        begin: Moment,
        end: Moment,
        faults: Sequence[Fault],
    ) -> None:
        self.world = world
        self.begin = begin
        self.end = end
        self.faults = tuple(faults)
        self._ran: list[AnyEvent] = []
        self._over = False
        self._events = self._run()
        self._last = end

    @property
    def events(self) -> Iterator[AnyEvent]:
        """The events in order of arrival; each is given once, however often one asks."""
        while True:
            if self._ran:
                kept, self._ran = self._ran, []
                yield from kept
            event = next(self._events, None)
            if event is None:
                return
            yield event

    @property
    def truth(self) -> list[dict[str, Any]]:
        """The truth lines of the contract, by the moment when each could be known.

        What of the day was not asked for yet is simulated first, and its events are kept.
        """
        self._ran += self._events
        world = self.world
        day = Day(
            line=world.line,
            begin=self.begin,
            end=self._last,
            sections=world.feed.sections,
            evaluators=world.feed.evaluators,
            feed=world.feed.faults,
            entries=world.railway.entries,
            exits=world.railway.exits,
            visits=world.railway.visits,
            heard=world.feed.heard,
            source_of=world.feed.source_of,
            passages=world.feed.passages,
            levels=world.feed.levels,
            miscounts=world.evaluators.miscounted,
            richness=world.feed.richness,
        )
        return [one.line() for one in truths(day)]

    def _run(self) -> Iterator[AnyEvent]:
        agenda, feed = self.world.agenda, self.world.feed
        feed.begin()
        for fault in self.faults:
            agenda.at(fault.at, partial(KINDS[fault.kind], self.world, fault))
        self.world.levels.begin()
        while agenda.step(self.end):
            yield from feed.arrived(agenda.now)
        if feed.heartbeat is not None:
            for wait in (0, 4, 8, QUIET_S):
                agenda.now = self.end + wait * SECOND
                feed.last_heartbeats()
        self._last = feed.last
        feed.still_silent(self._last)
        yield from feed.arrived(agenda.now + HOUR)


def simulate(
    line: Line,
    *,
    hours: float,
    seed: int,
    begin: Moment,
    richness: str = "full",
    faults: Sequence[Fault] | None = None,
    rehearsal: str | None = None,
    heartbeat_s: float | None = 30.0,
    headway_s: float = 1200.0,
    bookings: Sequence[Booking] = (),
    traffic_after_s: float | None = 0.0,
    turning: float = 0.05,
    shunting: float = 0.0,
    stock: Callable[[Random], Stock] = any_stock,
    clock_sd_s: float = 0.15,
    delay_s: float = 1.5,
    duplicates: float = 0.005,
    reconnect_h: float | None = 9.0,
    apart_s: float = 0.12,
) -> Simulation:
    """A recording of *line*, and the truth about it.

    Args:
        line: any line.
        hours: how long.
        seed: draws everything; the same seed gives the same day.
        begin: when it begins.
        richness: how much the feed carries: `basic`, `tallies` or `full`.
        faults: what goes wrong, and when; None for what the seed draws at a plausible rate.
        rehearsal: the name that the events are marked with.
        heartbeat_s: period of the gateways' heartbeats, or None; only a full feed has them.
        headway_s: mean time between trains at an open end by day.
        bookings: trains of a script, besides.
        traffic_after_s: when trains begin to come by themselves; None for never.
        turning: share of trains that go into some section and back.
        shunting: share of trains that come in at an open end and go out there again.
        stock: makes a train that comes by itself.
        clock_sd_s: standard deviation of the evaluators' clocks, never more than 0.4 s off.
        delay_s: the longest way of an event to the monitor.
        duplicates: share of events that come again.
        reconnect_h: mean time between the monitor's connections; None for never.
        apart_s: between one snapshot and the next of a gateway that is back from a silence.

    Raises:
        ValueError: *richness* or the kind of a fault is not known, or *hours* is not above nought.
    """
    if richness not in RICHNESS:
        raise ValueError(
            f"richness {richness!r}: expected one of {', '.join(RICHNESS)}"
        )
    if not hours > 0:
        raise ValueError(f"expected hours above nought, came {hours:g}")
    end = begin + seconds(hours * 3600)
    random = Random(seed)  # noqa: S311 - the same day again is what it is for
    agenda = Agenda(begin)
    evaluators = Evaluators(line, agenda, random, fine=richness != "basic")
    feed = Feed(
        line,
        agenda,
        random,
        evaluators.shown,
        evaluators.service,
        richness=richness,
        heartbeat_s=heartbeat_s,
        rehearsal=rehearsal or f"simulated-{seed}",
        clock_sd_s=clock_sd_s,
        delay_s=delay_s,
        duplicates=duplicates,
        reconnect_h=reconnect_h,
        apart_s=apart_s,
    )
    evaluators.feed = feed
    traffic_from = None if traffic_after_s is None else begin + seconds(traffic_after_s)
    # Placing trains tells the evaluators of them, so the railway comes last.
    railway = Railway(
        line,
        agenda,
        random,
        evaluators,
        headway_s=headway_s,
        bookings=bookings,
        traffic_from=traffic_from,
        turning=turning,
        shunting=shunting,
        stock=stock,
    )
    evaluators.railway = railway
    world = World(
        line=line,
        agenda=agenda,
        random=random,
        railway=railway,
        evaluators=evaluators,
        feed=feed,
        levels=Levels(line, agenda, random, feed),
    )
    if faults is None:
        faults = list(drawn(line, random, begin, end))
    for fault in faults:
        if fault.kind not in KINDS:
            raise ValueError(
                f"fault {fault.kind!r}: expected one of {', '.join(sorted(KINDS))}"
            )
    return Simulation(world, begin=begin, end=end, faults=faults)
