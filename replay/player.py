"""A day again: a recording through the engine, or onto a broker at any speed.

Through the engine there is no network and no clock: the events are taken as fast as they can be read.
What a monitor learnt from traffic stands in a recording after the day it was learnt from, but holds from its midnight on; so a recording is read twice, and the first reading (`survey`) finds what the second must know beforehand.

Onto a broker the events are marked as a rehearsal and go out under `rehearsal/`, where no monitor takes them for real unless it was started to.
Their `time` and `recordedtime` are kept; only the pauses between them are shortened, and a deck (`deck`) holds it and moves it ahead.
What only a monitor may write (its own records, and what people enter) is left out, since every monitor refuses that from a broker.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from functools import partial
from typing import IO

from monitor.core.alerts import Alert
from monitor.core.engine import Detection, Engine, Output
from monitor.core.events import (
    AnyEvent,
    EvaluatorState,
    GatewayStatus,
    HeadLevel,
    HeadPassage,
    MonitorRecord,
    RecordKind,
    SectionReset,
    SectionState,
    SectionWork,
    SourceWatch,
    by_people,
)
from monitor.core.faults import call_line, fault_line
from monitor.core.layout import Line
from monitor.core.moments import Moment, parse, seconds
from monitor.core.wire import write
from replay.deck import Deck
from replay.recheck import Book, Rules, Verdict, recheck

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

# What the topic says of a kind: class and what.
_TOPICS: dict[type, tuple[str, str]] = {
    SectionState: ("section", "state"),
    SectionReset: ("section", "reset"),
    SectionWork: ("section", "work"),
    HeadPassage: ("head", "passage"),
    HeadLevel: ("head", "level"),
    EvaluatorState: ("evaluator", "state"),
    GatewayStatus: ("gateway", "status"),
}

NO_AREA = "line"
"""Stands in a topic for the area of what belongs to none: the sender's choice, it carries no meaning."""


Publish = Callable[[str, bytes], Awaitable[object]]
"""Hands a topic and its payload to a broker, and returns once the broker has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """What was played.

    Args:
        published: how many events the broker has.
        left_out: how many only a monitor may write, so that they were not sent.
    """

    published: int
    left_out: int


def message(event: AnyEvent, line: Line) -> tuple[str, bytes]:
    """The topic and the payload with which *event* is played.

    The topic is such as `rehearsal/thornmere/section/T107/state`.
    An id with a character that means something in a topic cannot stand there as it is; then the event goes out as an array of one, whose topic is not compared with it.
    """
    kind, what = _TOPICS[type(event)]
    area, subject = _area(kind, event.subject, line), event.subject
    payload = write(event)
    if _level(subject) != subject:
        payload = b"[" + payload + b"]"
    return f"rehearsal/{_level(area)}/{kind}/{_level(subject)}/{what}", payload


def _level(text: str) -> str:
    return text.translate(dict.fromkeys(map(ord, "/+#\0"), "-"))


def _area(kind: str, subject: str, line: Line) -> str:
    sections: tuple[str, ...] = ()
    if kind == "section":
        sections = (subject,)
    elif kind == "head" and subject in line.heads:
        sections = line.heads[subject].between
    elif kind == "evaluator":
        sections = line.sections_of(subject)
    areas = (line.sections[name].area for name in sections if name in line.sections)
    return next(areas, NO_AREA)


def may_be_played(event: AnyEvent) -> bool:
    """Whether a monitor takes *event* from a broker: its own records and people's entries it never does."""
    return not (
        isinstance(event, MonitorRecord | SourceWatch) or by_people(event.source)
    )


async def play(
    events: Iterable[AnyEvent],
    publish: Publish,
    *,
    line: Line,
    name: str,
    speed: float = 1.0,
    deck: Deck | None = None,
) -> Played:
    """Publish *events* in their order, their pauses divided by *speed*.

    A broker slower than the recording delays what follows; what is late is sent at once until the recording has caught up.

    Args:
        events: in order of arrival.
        publish: hands a message to the broker.
        line: for the areas in the topics.
        name: what the rehearsal is called: that of the recording.
        speed: how many times as fast as it happened; above nought.
        deck: by which it is held and moved while it plays; it has a speed of its own.

    Raises:
        ValueError: *speed* is not above nought.
    """
    deck = deck if deck is not None else Deck(speed)
    published = left_out = 0
    for event in events:
        if not may_be_played(event):
            left_out += 1
            continue
        if not await deck.until(heard(event)):
            break
        await publish(*message(replace(event, rehearsal=name), line))
        published += 1
    return Played(published=published, left_out=left_out)
