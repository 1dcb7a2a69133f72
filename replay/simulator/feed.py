"""How events are stamped, numbered and sent, and what becomes of them on the way.

An evaluator stamps by its own clock; its gateway numbers what it sends.
On the way an event is delayed, so that a later one may come first, and now and then repeated.
A gateway can fall silent, lose single events, or have a clock that is hours off; what it loses is lost for good, and it answers with snapshots.

What came is kept in a plain list (`Sighting`), with the true times: from it `truth` says what could be known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from heapq import heappop, heappush
from itertools import count
from random import Random
from typing import Any, TypeVar

from monitor.core.events import (
    AnyEvent,
    Contacts,
    Direction,
    EvaluatorState,
    GatewayStatus,
    HeadLevel,
    HeadPassage,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    Service,
    State,
    Step,
)
from monitor.core.layout import Line
from monitor.core.moments import HOUR, SECOND, Duration, Moment, seconds
from replay.simulator.agenda import Agenda

MILLISECOND: Duration = 1000

APART: Duration = 120 * MILLISECOND
"""Between one snapshot and the next."""

RICHNESS = ("basic", "tallies", "full")
"""How much a feed carries, from little to all."""

E = TypeVar("E", bound=AnyEvent)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a section shows, as its evaluator tells it.

    Args:
        state: its state.
        axles: its tally, or None where that says nothing.
        contacts: its proving contacts.
        interlocking: what the interlocking takes it for.
    """

    state: State
    axles: int | None
    contacts: Contacts
    interlocking: State


@dataclass(frozen=True, slots=True)
class Sighting:
    """Something that came, with the true moment of its sending.

    Args:
        at: when.
        what: what a section shows; a step of a reset; work begun (True) or ended (False); an evaluator's state; None where from here on nothing is known.
    """

    at: Moment
    what: Shown | Step | bool | Service | None


@dataclass(frozen=True, slots=True)
class Passed:
    """What a head told of a train.

    Args:
        at: when its last axle was over it.
        axles: how many were counted.
        odd: it had no direction, or its sensors counted differently.
        train: whose they were.
    """

    at: Moment
    axles: int
    odd: bool
    train: int


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured at a head.

    Args:
        at: when.
        values: by name.
    """

    at: Moment
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedFault:
    """What was wrong with the feed of one source.

    Args:
        kind: `silent`, `gap` or `clock`.
        source: whose.
        gateway: which gateway speaks with it, or None.
        began: the last event before it, or the first that was wrong.
        known: when it could be noticed; None where too little came to be sure.
        ended: when it was over, or None.
    """

    kind: str
    source: str
    gateway: str | None
    began: Moment
    known: Moment | None
    ended: Moment | None


@dataclass(slots=True, eq=False)
class Source:
    """One source of events.

    Args:
        name: as events name it.
        gateway: the gateway that speaks with it, or None.
        sections: those it tells of.
    """

    name: str
    gateway: str | None
    sections: list[str]
    number: int = 0
    made: int = 0
    last: Moment | None = None
    connected: Moment = 0
    silent: bool = False
    drop: int = 0
    gap_from: Moment | None = None
    wrong: Duration = 0
    wrong_count: int = 0
    wrong_from: Moment = 0
    wrong_known: Moment | None = None

    @property
    def lost(self) -> bool:
        """Whether what it sends now does not come."""
        return self.silent or self.drop > 0


class Feed:
    """What the monitor receives from *line*.

    Args:
        line: any line.
        agenda: the clock.
        random: draws delays, repeats and clocks.
        shown: what a section shows now.
        service: what an evaluator says of itself now.
        richness: one of `RICHNESS`.
        heartbeat_s: period of the gateways' heartbeats, or None; only a full feed has them.
        rehearsal: what the events are marked with.
        clock_sd_s: standard deviation of the evaluators' clocks, which are never more than 0.4 s off.
        delay_s: the longest an event takes.
        duplicates: share of events that come again.
        reconnect_h: mean time between connections of the monitor, after which retained messages come again; None for never.
        apart_s: between one snapshot and the next of a source that is back from a silence.
    """

    def __init__(
        self,
        line: Line,
        agenda: Agenda,
        random: Random,
        shown: Callable[[str], Shown],
        service: Callable[[str], Service],
        *,
        richness: str,
        heartbeat_s: float | None,
        rehearsal: str,
        clock_sd_s: float = 0.15,
        delay_s: float = 1.5,
        duplicates: float = 0.005,
        reconnect_h: float | None = 9.0,
        apart_s: float = 0.12,
    ) -> None:
        self.line = line
        self.agenda = agenda
        self.random = random
        self.shown = shown
        self.service = service
        self.richness = richness
        self.full = richness == "full"
        self.heartbeat = seconds(heartbeat_s) if heartbeat_s and self.full else None
        self.rehearsal = rehearsal
        self.delay_s = delay_s
        self.duplicates = duplicates
        self.reconnect_h = reconnect_h
        self.apart = seconds(apart_s)
        self.sections: dict[str, list[Sighting]] = {one: [] for one in line.sections}
        self.evaluators: dict[str, list[Sighting]] = {
            one: [] for one in line.evaluators
        }
        self.passages: dict[str, list[Passed]] = {one: [] for one in line.heads}
        self.levels: dict[str, list[Measured]] = {one: [] for one in line.heads}
        self.heard: dict[str, list[Moment]] = {}
        self.faults: list[FeedFault] = []
        self.sources: dict[str, Source] = {}
        self._of: dict[str, Source] = {}
        self._offset: dict[str, Duration] = {}
        for name, evaluator in line.evaluators.items():
            gateway = evaluator.gateway
            source = f"gw/{gateway}" if gateway else f"ev/{name}"
            found = self.sources.setdefault(source, Source(source, gateway, []))
            found.sections += line.sections_of(name)
            if gateway and self.heartbeat:
                self.heard[source] = []
            self._of[name] = found
            off = max(-0.4, min(0.4, random.gauss(0.0, clock_sd_s)))
            self._offset[name] = round(off * 1000) * MILLISECOND
        self._told: dict[str, Shown | State] = {}
        self._retained: dict[str, AnyEvent] = {}
        self._heap: list[tuple[Moment, int, AnyEvent]] = []
        self._count = count()

    # What is said.

    def begin(self) -> None:
        """Every gateway comes online and sends how things stand."""
        for place, source in enumerate(self.sources.values()):
            self.agenda.at(
                self.agenda.now + (200 + 150 * place) * MILLISECOND,
                partial(self._online, source, first=True),
            )
        if self.reconnect_h is not None:
            self._next_reconnection(self.reconnect_h)

    def section(self, section: str, *, anew: bool = False) -> None:
        """Tell how *section* stands, where that is news or *anew*."""
        shown = self.shown(section)
        rich = self.richness != "basic"
        news = shown if rich else shown.state
        evaluator = self.line.sections[section].evaluator
        if self._told.get(section) != news or anew:
            self._told[section] = news
            event = self._send(
                evaluator,
                SectionState,
                section,
                state=shown.state,
                axles=shown.axles if rich else None,
                contacts=shown.contacts if rich else None,
                interlocking=shown.interlocking if rich else None,
            )
            if event is None:
                return
            self._retained[section] = event
        elif self._of[evaluator].lost:
            return
        # What a poor feed leaves out was so all the same.
        self.sections[section].append(Sighting(self.agenda.now, shown))

    def reset(self, section: str, kind: ResetKind, step: Step, by: str) -> None:
        """Tell a step of a reset."""
        evaluator = self.line.sections[section].evaluator
        event = self._send(
            evaluator, SectionReset, section, kind=kind, step=step, by=by
        )
        if event is not None:
            self.sections[section].append(Sighting(self.agenda.now, step))

    def work(self, section: str, *, begun: bool, reference: str) -> None:
        """Tell that planned work began or ended."""
        if not self.full:
            return
        evaluator = self.line.sections[section].evaluator
        event = self._send(
            evaluator, SectionWork, section, begun=begun, reference=reference
        )
        if event is not None:
            self.sections[section].append(Sighting(self.agenda.now, begun))

    def evaluator(self, evaluator: str) -> None:
        """Tell how *evaluator* stands."""
        state = self.service(evaluator)
        if self.full:
            if self._send(evaluator, EvaluatorState, evaluator, state=state) is None:
                return
        elif self._of[evaluator].lost:
            return
        self.evaluators[evaluator].append(Sighting(self.agenda.now, state))

    def passage(self, head: str, train: int, **values: Any) -> None:
        """Tell that *train* passed *head*."""
        evaluator = self._evaluator_of(head)
        if self.full and self._send(evaluator, HeadPassage, head, **values) is not None:
            odd = values["a"] != values["b"] or values["direction"] is Direction.NONE
            passed = Passed(self.agenda.now, values["axles"], odd, train)
            self.passages[head].append(passed)

    def level(self, head: str, **values: float) -> None:
        """Tell what was measured at *head*."""
        evaluator = self._evaluator_of(head)
        if self.full and self._send(evaluator, HeadLevel, head, **values) is not None:
            self.levels[head].append(Measured(self.agenda.now, values))

    def _evaluator_of(self, head: str) -> str:
        one = self.line.heads[head]
        if one.evaluators:
            return one.evaluators[0]
        inner = next(x for x in one.between if x in self.line.sections)
        return self.line.sections[inner].evaluator

    @property
    def source_of(self) -> dict[str, str]:
        """Which source tells of each section."""
        return {one: x.name for x in self.sources.values() for one in x.sections}

    @property
    def last(self) -> Moment:
        """When the last event was sent; now, where none was."""
        sent = [one.last for one in self.sources.values() if one.last is not None]
        return max(sent, default=self.agenda.now)

    # How it is sent.

    def _send(
        self, evaluator: str, make: type[E], subject: str, /, **values: Any
    ) -> E | None:
        source = self._of[evaluator]
        return self._from(source, self._offset[evaluator], make, subject, **values)

    def _from(
        self,
        source: Source,
        offset: Duration,
        make: type[E],
        subject: str,
        /,
        **values: Any,
    ) -> E | None:
        """An event of *source*, or None where it is lost."""
        number = source.number
        source.number += 1
        source.made += 1
        if source.silent:
            return None
        if source.drop:
            source.drop -= 1
            if source.gap_from is None:
                source.gap_from = source.last
                self._not_known(source)
            return None
        now = self.agenda.now
        time = now + offset + source.wrong
        event = make(
            id=f"{source.made}",
            source=source.name,
            subject=subject,
            time=time - time % MILLISECOND,
            sequence=number,
            rehearsal=self.rehearsal,
            **values,
        )
        source.last = now
        if source.name in self.heard:
            self.heard[source.name].append(now)
        arrival = now + self._delay()
        self._push(arrival, event)
        if self.random.random() < self.duplicates:
            self._push(arrival + seconds(self.random.uniform(0.1, 4.0)), event)
        self._after(source)
        return event

    def _after(self, source: Source) -> None:
        """What an event that was sent makes known."""
        now = self.agenda.now
        if source.gap_from is not None and not source.drop:
            began, source.gap_from = source.gap_from, None
            self._fault("gap", source, began, now + 3 * SECOND, now + 3 * SECOND)
            if self.heartbeat is not None and began + 3 * self.heartbeat < now:
                # What was lost were heartbeats, one after another.
                self._fault("silent", source, began, began + 3 * self.heartbeat, now)
            self.agenda.at(
                now + seconds(self.random.uniform(3.0, 6.0)),
                partial(self._snapshots, source),
            )
        if source.wrong:
            source.wrong_count += 1
            if source.wrong_count == 1:
                source.wrong_from = now
            if source.wrong_count == 11:  # more than half of the last twenty
                source.wrong_known = now

    def _fault(
        self,
        kind: str,
        source: Source,
        began: Moment,
        known: Moment | None,
        ended: Moment | None,
    ) -> None:
        self.faults.append(
            FeedFault(
                kind=kind,
                source=source.name,
                gateway=source.gateway,
                began=began,
                known=known,
                ended=ended,
            )
        )

    def _delay(self) -> Duration:
        drawn = 0.04 + self.random.expovariate(4.0)
        if drawn > self.delay_s:
            drawn = self.random.uniform(0.04, self.delay_s)
        return round(drawn * 1000) * MILLISECOND

    def _push(
        self, arrival: Moment, event: AnyEvent, *, retained: bool = False
    ) -> None:
        arrival -= arrival % MILLISECOND
        marked = replace(event, arrival=arrival, retained=retained)
        heappush(self._heap, (arrival, next(self._count), marked))

    def arrived(self, by: Moment) -> Iterator[AnyEvent]:
        """The events that have come by then, in order of arrival."""
        heap = self._heap
        while heap and heap[0][0] <= by:
            yield heappop(heap)[2]

    # Heartbeats, silence, gaps and clocks.

    def _online(
        self, source: Source, *, first: bool = False, apart: Duration = APART
    ) -> None:
        source.connected = self.agenda.now
        if source.gateway is not None:
            self._heartbeat(source)
            if first and self.heartbeat:
                self.agenda.at(
                    self.agenda.now + self.heartbeat, partial(self._beat, source)
                )
        self._snapshots(source, apart=apart)

    def _snapshots(
        self, source: Source, wait: Duration = 2 * SECOND, apart: Duration = APART
    ) -> None:
        """Send how everything stands, one after the other; it has said by then that it is online."""
        sends = [
            partial(self.evaluator, name)
            for name, one in self._of.items()
            if one is source
        ]
        sends += [partial(self._snapshot, one) for one in source.sections]
        for place, send in enumerate(sends):
            moment = self.agenda.now + wait + place * apart
            self.agenda.at(moment, send)

    def _snapshot(self, section: str) -> None:
        self.section(section, anew=True)

    def _heartbeat(self, source: Source) -> None:
        if self.heartbeat and source.gateway is not None:
            period = self.heartbeat / SECOND
            offset = self._offset[next(e for e, s in self._of.items() if s is source)]
            self._from(
                source,
                offset,
                GatewayStatus,
                source.gateway,
                online=True,
                period_s=period,
            )

    def _beat(self, source: Source) -> None:
        assert self.heartbeat is not None  # noqa: S101 - asked for only where there is one
        self._heartbeat(source)
        self.agenda.at(self.agenda.now + self.heartbeat, partial(self._beat, source))

    def last_heartbeats(self) -> None:
        """Every gateway is heard once more."""
        for source in self.sources.values():
            self._heartbeat(source)

    def _not_known(self, source: Source) -> None:
        """From the last event heard of *source* on, nothing is known of its sections."""
        if source.last is None:
            return
        for section in source.sections:
            self.sections[section].append(Sighting(source.last, None))
        for evaluator, one in self._of.items():
            if one is source:
                self.evaluators[evaluator].append(Sighting(source.last, None))

    def silence(
        self, source: Source, until: Moment, *, offline: bool, restart: bool
    ) -> None:
        """Nothing comes from *source* until then.

        Args:
            source: whose events are lost.
            until: when it is back.
            offline: the broker notices, and gives out its will.
            restart: it numbers from nought when it is back, as it says by coming online; a feed without heartbeats cannot say so, and goes on counting.
        """
        if source.silent or source.last is None:
            return
        began, now = source.last, self.agenda.now
        source.silent = True
        self._not_known(source)
        known = None
        if self.heartbeat is not None:
            known = began + 3 * self.heartbeat
            if offline and source.gateway is not None:
                told = min(
                    now + seconds(self.random.uniform(1.0, 45.0)), until - SECOND
                )
                offset = self._offset[
                    next(e for e, s in self._of.items() if s is source)
                ]
                stamp = source.connected + offset
                source.made += 1
                will = GatewayStatus(
                    id=f"{source.made}",
                    source=source.name,
                    subject=source.gateway,
                    time=stamp - stamp % MILLISECOND,
                    online=False,
                    rehearsal=self.rehearsal,
                )
                self._push(told, will)
                known = min(known, told)
        self.agenda.at(
            until, partial(self._back, source, began, known, restart=restart)
        )

    def _back(
        self, source: Source, began: Moment, known: Moment | None, *, restart: bool
    ) -> None:
        now = self.agenda.now
        source.silent = False
        if known is not None and known < now:
            self._fault("silent", source, began, known, now)
        if restart and self.heartbeat is not None:
            source.number = 0
        else:
            # What was lost was numbered: at least the one that would have said so.
            source.number += 1
            self._fault("gap", source, began, now + 3 * SECOND, now + 3 * SECOND)
        self._online(source, apart=self.apart)

    def still_silent(self, until: Moment) -> None:
        """Write down what is not over when the day ends."""
        for source in self.sources.values():
            if source.silent and source.last is not None and self.heartbeat is not None:
                known = source.last + 3 * self.heartbeat
                if known <= until:
                    self._fault("silent", source, source.last, known, None)
            if source.wrong and source.wrong_count:
                self._fault(
                    "clock", source, source.wrong_from, source.wrong_known, None
                )

    def drop(self, source: Source, events: int) -> None:
        """Lose the next *events* of *source*."""
        if source.last is not None and not source.silent:
            source.drop = events

    def set_wrong(self, source: Source, off: Duration) -> None:
        """Put the clock of *source* off by so much, or right again with nought."""
        if source.wrong and not off and source.wrong_count:
            self._fault(
                "clock", source, source.wrong_from, source.wrong_known, self.agenda.now
            )
        source.wrong = off
        source.wrong_count = 0
        source.wrong_known = None

    def _next_reconnection(self, mean_h: float) -> None:
        gap = self.random.expovariate(1.0 / mean_h) * HOUR / SECOND

        def reconnect() -> None:
            # Not while something is lost: what the broker retained then is out of date.
            if not any(one.lost for one in self.sources.values()):
                self.repeat_retained()
            self._next_reconnection(mean_h)

        self.agenda.at(self.agenda.now + seconds(600.0 + gap), reconnect)

    def repeat_retained(self) -> None:
        """The monitor connects anew, and the broker sends again what it retained."""
        for event in self._retained.values():
            delay = seconds(1.6 + self.random.uniform(0.0, 0.4))
            self._push(self.agenda.now + delay, event, retained=True)
