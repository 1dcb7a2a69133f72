"""A day again: a recording through the engine, or onto a broker at any speed.

Through the engine there is no network and no clock: the events are taken as fast as they can be read.
What a monitor learnt from traffic stands in a recording after the day it was learnt from, but holds from its midnight on; so a recording is read twice, and the first reading (`survey`) finds what the second must know beforehand.

Onto a broker the events are marked as a rehearsal and go out under `rehearsal/`, where no monitor takes them for real unless it was started to.
Their `time` and `recordedtime` are kept; only the pauses between them are shortened, and a deck (`deck`) holds it, moves it ahead and turns it back.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from functools import partial
from itertools import chain
from typing import IO, Protocol

from monitor.core.alerts import Alert
from monitor.core.engine import Detection, Engine, Output
from monitor.core.events import AnyEvent, MonitorRecord, RecordKind
from monitor.core.faults import call_line, fault_line
from monitor.core.layout import Line
from monitor.core.moments import Moment, parse, seconds
from monitor.rehearsals import AGAIN
from replay.deck import Deck
from replay.messages import may_be_played, message
from replay.recheck import Book, Rules, Verdict, recheck
from replay.retained import Retained

# Through the engine.


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What the first reading of a recording finds.

    Args:
        learnt: what was learnt from traffic, to be known at its midnights.
        window: from when to when the recording was asked for, where it says so; what comes before is the lead-in.
    """

    learnt: tuple[MonitorRecord, ...]
    window: tuple[Moment, Moment] | None

    def asked_for(self, alert: Alert) -> bool:
        """Whether *alert* was raised in the part of the day that was asked for, rather than in its lead-in."""
        return self.within(alert.raised)

    def within(self, moment: Moment) -> bool:
        """Whether *moment* is in the part of the day that was asked for."""
        return self.window is None or self.window[0] <= moment <= self.window[1]


def survey(events: Iterable[AnyEvent]) -> Survey:
    """Read a recording for what must be known before it is replayed.

    Raises:
        ValueError: its window record does not say from when to when.
    """
    learnt: list[MonitorRecord] = []
    window = None
    for event in events:
        if isinstance(event, MonitorRecord):
            if event.kind is RecordKind.LEARNT:
                learnt.append(event)
            elif event.kind is RecordKind.WINDOW:
                window = _window(event)
    return Survey(learnt=tuple(learnt), window=window)


def _window(record: MonitorRecord) -> tuple[Moment, Moment]:
    try:
        return parse(str(record.values["from"])), parse(str(record.values["to"]))
    except (KeyError, ValueError) as error:
        raise ValueError(
            f"the window record {record.name} does not say from when to when: {error}"
        ) from None


def replay(
    engine: Engine, events: Iterable[AnyEvent], *, until: Moment | None = None
) -> Iterator[Output]:
    """Take *events* and give what each brings, then what the end of the recording brings.

    Args:
        engine: one that was told what `survey` found learnt.
        events: in order of arrival.
        until: conclude what falls due up to here by silence alone; by default, up to the last event.
    """
    take = engine.take
    for event in events:
        output = take(event)
        if output:
            yield output
    yield engine.finish(until)


@dataclass(frozen=True, slots=True)
class People:
    """Writes what people would have had: faults and calls, a JSON line each.

    Args:
        asked: what the first reading found; nothing from before the part that was asked for is written.
        faults: where a fault goes each time it changes, or None.
        calls: where calls go, or None.
    """

    asked: Survey
    faults: IO[str] | None = None
    calls: IO[str] | None = None

    def take(self, output: Output) -> None:
        """Write what *output* has of them."""
        if self.faults is not None:
            for fault in output.faults:
                if self.asked.within(fault.raised):
                    self.faults.write(f"{fault_line(fault)}\n")
        if self.calls is not None:
            for call in output.calls:
                if self.asked.within(call.at):
                    self.calls.write(f"{call_line(call)}\n")


def heard(event: AnyEvent) -> Moment:
    """When *event* came: its arrival, or its own time where a recording does not say."""
    return event.time if event.arrival is None else event.arrival


def span_of(events: Iterable[AnyEvent]) -> tuple[Moment, Moment] | None:
    """When the first and the last of *events* came, or None where there are none.

    It takes a whole reading; a monitor's own records are no events of the feed and do not count.
    """
    first: Moment | None = None
    last: Moment | None = None
    for event in events:
        if isinstance(event, MonitorRecord):
            continue
        came = heard(event)
        first = came if first is None else min(first, came)
        last = came if last is None else max(last, came)
    return None if first is None or last is None else (first, last)


def up_to(events: Iterable[AnyEvent], moment: Moment) -> Iterator[AnyEvent]:
    """The events that had come by *moment*."""
    return (event for event in events if heard(event) <= moment)


def with_entries(
    events: Iterable[AnyEvent], entries: Iterable[AnyEvent]
) -> Iterator[AnyEvent]:
    """A recording and what people entered besides, each where it came; what came after the last event is left out, for nothing was heard then.

    Args:
        events: in order of arrival.
        entries: likewise.
    """
    waiting = iter(entries)
    entry = next(waiting, None)
    for event in events:
        while entry is not None and heard(entry) <= heard(event):
            yield entry
            entry = next(waiting, None)
        yield event


# Worked out again.


def second_opinion(
    events: Iterable[AnyEvent],
    alerts: Iterable[str],
    line: Line,
    settings: Detection,
) -> Iterator[Verdict]:
    """What the second checker says of *alerts*, for each that it can work out again.

    Args:
        events: the recording they were raised from, in order of arrival.
        alerts: the last line of each.
        line: the line file.
        settings: with which they were raised.
    """
    book = Book(line, events, _rules(settings, ""))
    return recheck(map(json.loads, alerts), book, partial(_rules, settings))


def _rules(settings: Detection, place: str) -> Rules:
    """The durations of *settings* at *place* that the second checker goes by."""
    numbers: dict[str, float] = {}
    for one in settings.detectors:
        numbers |= asdict(settings.at.get(place, {}).get(one.kind, one))  # type: ignore[call-overload]
    numbers |= asdict(settings.words)
    known = {one.name: f"{one.name}_s" for one in fields(Rules)}
    return Rules(
        **{
            name: seconds(numbers[setting])
            for name, setting in known.items()
            if setting in numbers
        }
    )


# Onto a broker.


class Publish(Protocol):
    """Hands a topic and its payload to a broker, and returns once the broker has them."""

    async def __call__(self, topic: str, payload: bytes, *, retain: bool) -> object:
        """Publish it; *retain*: the broker keeps it for whoever comes later, and keeps nothing where it is empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """What was played.

    Args:
        published: how many events the broker has had, again where they were played again.
        left_out: how many only a monitor may write, so that they were not sent.
        again: how often it was turned back.
    """

    published: int
    left_out: int
    again: int = 0


@dataclass(slots=True)
class _Playing:
    events: Callable[[], Iterable[AnyEvent]]
    publish: Publish
    name: str
    deck: Deck
    kept: Retained
    published: int = 0
    left_out: int = 0
    again: int = 0

    @property
    def called(self) -> str:
        """What the rehearsal is called: that it is played again is in its name, by which a monitor knows that time has gone back."""
        return f"{self.name}{AGAIN.format(self.again)}" if self.again else self.name

    async def run(self, *, stays: bool) -> None:
        left = iter(self.events())
        while True:
            await self._on(left)
            if stays and not self.deck.ended and self.deck.turned is None:
                await self.deck.at_its_end()
            if self.deck.turned is None:
                break
            left = await self._back(self.deck.gone_back())
        for topic, payload in self.kept.nothing():
            await self.publish(topic, payload, retain=True)

    async def _on(self, events: Iterator[AnyEvent]) -> None:
        """Publish what comes, until it is at its end, or told to end, or turned back."""
        for event in events:
            if not may_be_played(event):
                self.left_out += not self.again
                continue
            if not await self.deck.until(heard(event)):
                return
            told = replace(event, rehearsal=self.called)
            retain = self.kept.takes(event)
            await self.publish(*message(told, self.kept.line), retain=retain)
            self.published += 1

    async def _back(self, moment: Moment) -> Iterator[AnyEvent]:
        """Set what the broker keeps to what it was at *moment*, and give what came after it."""
        self.again += 1
        left = iter(self.events())
        beyond: list[AnyEvent] = []

        def by_then() -> Iterator[AnyEvent]:
            for event in left:
                if may_be_played(event):
                    if heard(event) > moment:
                        beyond.append(event)
                        return
                    yield event

        for topic, payload in self.kept.become(by_then(), moment, self.called):
            await self.publish(topic, payload, retain=True)
        return chain(beyond, left)


async def play(
    events: Callable[[], Iterable[AnyEvent]],
    publish: Publish,
    *,
    line: Line,
    name: str,
    speed: float = 1.0,
    deck: Deck | None = None,
    stays: bool = False,
) -> Played:
    """Publish *events* in their order, their pauses divided by *speed*.

    A broker slower than the recording delays what follows; what is late is sent at once until the recording has caught up.
    States are retained by the broker while it plays, and no longer.
    Turned back, what is retained is set to what it was then, marked as retained so that nothing of before comes as news, and what came after is published again, under a name that says how often.

    Args:
        events: gives them in order of arrival, from the beginning each time.
        publish: hands a message to the broker.
        line: for the areas in the topics.
        name: what the rehearsal is called: that of the recording.
        speed: how many times as fast as it happened; above nought.
        deck: by which it is held and moved while it plays; it has a speed of its own.
        stays: where everything was played, stand there until it is turned back or told to end.

    Raises:
        ValueError: *speed* is not above nought.
    """
    deck = deck if deck is not None else Deck(speed)
    playing = _Playing(events, publish, name, deck, Retained(line))
    await playing.run(stays=stays)
    return Played(
        published=playing.published, left_out=playing.left_out, again=playing.again
    )
