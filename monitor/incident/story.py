"""What happened in a window of a recording, as plain values: all that an incident report and its diagram are made of.

The engine is listened to while it takes the recording, so what stands here is what it went by: corrected times, what was not known, and trains as it followed them.
Nothing is concluded here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import ClassVar

from monitor.core.alerts import Alert
from monitor.core.changes import (
    Change,
    KnownAgain,
    NotKnown,
    OccupationEnded,
    ResetTaken,
    StateChanged,
    TrainPassed,
    WorkBegan,
    WorkEnded,
)
from monitor.core.engine import Engine, Output
from monitor.core.events import (
    AnyEvent,
    MonitorRecord,
    RecordKind,
    State,
    Step,
)
from monitor.core.facts import Fact
from monitor.core.faults import Fault
from monitor.core.layout import Line
from monitor.core.moments import SECOND, Duration, Moment
from monitor.standing import fault_stood, stood

NOT_KNOWN, WORK = "not-known", "work"
"""What lasts beside the states of a section other than clear."""

WAITS = "waits-for-train"
"""Since a reset was accepted no train has worked through: what the section shows is in doubt."""

NOT_YET = "not heard yet"
"""Why what a recording has not spoken of is not known."""

UNHEARD: Duration = 90 * SECOND
"""What comes so long after the last event of a recording is not known (three heartbeats of 30 s)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A section was something for a while.

    Args:
        section: which.
        kind: what it showed, or that it was not known, or under work.
        began: when, in corrected time; the beginning of the recording where it began before.
        ended: when it ceased, or None where it went on.
        event: the event that shows it began, or "".
        until: the event that shows it ended, or "".
        heard: when whoever watched could know that it began.
        heard_end: likewise that it had ended, or None.
        why: in words, for what is not known and for work.
    """

    section: str
    kind: str
    began: Moment
    ended: Moment | None
    event: str
    until: str
    heard: Moment
    heard_end: Moment | None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One step of a reset was taken.

    Args:
        section: which.
        at: when it was so.
        kind: the way of giving back.
        step: how far it had come.
        by: who, or "".
        event: the event that says so.
        heard: when it came.
    """

    section: str
    at: Moment
    kind: str
    step: str
    by: str
    event: str
    heard: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """A train was in a section.

    Args:
        section: which.
        entered: when its front came in, as far as that is known.
        left: when the section cleared behind it, or None where it is there still.
        sure: it can have been no other train.
        heard: when the leaving could be known, or the last moment of the recording.
    """

    section: str
    entered: Moment
    left: Moment | None
    sure: bool
    heard: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """A train, by the sections it went through.

    Args:
        number: as numbered by the monitor.
        visits: in the order of entering.
    """

    number: int
    visits: tuple[Visit, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """An alert, and its times.

    Args:
        alert: its last line.
        lines: when each of its lines could be known, and the line.
        heard: when the last of the events came that it rested on when it was raised.
        fault: id of the fault it belongs to, or "".
        before: it was raised before the window, and open when that began.
    """

    alert: Alert
    lines: tuple[tuple[Moment, Alert], ...]
    heard: Moment
    fault: str
    before: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """A window of a recording.

    Until it is `settled`, alerts and faults that only a person ends stand open in it.

    Args:
        line: the line file.
        begin: of the window, by arrival.
        end: of the window.
        events: everything that came in it, in order of arrival, the monitor's own records too.
        spans: what lasted, in the order in which it began.
        marks: resets, step by step.
        traces: trains, by number.
        alerts: those that were open when the window began and those raised in it, in the order in which they were raised.
        faults: those they belong to, and those open when it began, as they stood at the end.
        sources: which source spoke for each section at the end, "" where none did.
        corrections: what is added to the times of a source known to be wrong.
        rehearsal: what is told was played, not so.
        last: when the last event came by the end of the window, or None.
        first: when the first event came of all that was gone through, or None.
        gathered: what each fault was made of, by its id: the last lines of its alerts, those over before the window too.
        closed: when people closed alerts that only a person ends, by their ids; None where that is not known.
        headlines: of the faults, as they were raised, by id.
        changes: from when on other settings or another line file were in force, and in what they were others.
    """

    line: Line
    begin: Moment
    end: Moment
    events: tuple[AnyEvent, ...]
    spans: tuple[Span, ...]
    marks: tuple[Mark, ...]
    traces: tuple[Trace, ...]
    alerts: tuple[Raised, ...]
    faults: tuple[Fault, ...]
    sources: dict[str, str]
    corrections: dict[str, Duration]
    rehearsal: bool
    last: Moment | None = None
    headlines: dict[str, str] = field(default_factory=dict)
    changes: tuple[tuple[Moment, str], ...] = ()
    first: Moment | None = None
    gathered: Mapping[str, tuple[Alert, ...]] = field(default_factory=dict)
    closed: Mapping[str, Moment] | None = None

    @property
    def heard(self) -> bool:
        """Whether anything of the window was: an event in it, or one so short before it that what it said held."""
        return self.last is not None and self.last + UNHEARD >= self.begin

    @property
    def led_in(self) -> bool:
        """Whether anything from before the window was gone through: without that nobody knows what was open when it began."""
        return self.first is not None and self.first < self.begin

    @property
    def raised_in(self) -> tuple[Raised, ...]:
        """The alerts raised in the window."""
        return tuple(one for one in self.alerts if not one.before)

    @property
    def open_before(self) -> tuple[Raised, ...]:
        """The alerts raised earlier that were open when the window began."""
        return tuple(one for one in self.alerts if one.before)

    def ended(self, one: Raised) -> Moment | None:
        """When *one* was over or closed, or None where it stood open."""
        if one.alert.ended is not None or self.closed is None:
            return one.alert.ended
        return self.closed.get(one.alert.id)

    def left_open(self, fault: Fault) -> tuple[str, ...]:
        """The alerts of *fault* that wait for a person to close them."""
        closed = self.closed or {}
        return tuple(one for one in fault.lasting if one not in closed)

    def settled(self, closed: Mapping[str, Moment] | None) -> Story:
        """It without what people had *closed* before the window began: when each alert was, by its id; None where nobody knows."""
        story = replace(self, closed=closed)
        if closed is None:
            return story
        kept = tuple(
            one
            for one in self.alerts
            if not one.before or stood(one.alert, self.begin, closed)
        )
        named = {one.fault for one in kept}
        return replace(
            story,
            alerts=kept,
            faults=tuple(
                one
                for one in self.faults
                if one.id in named or fault_stood(one, self.begin, closed)
            ),
        )


def gather(
    engine: Engine,
    events: Iterable[AnyEvent],
    window: tuple[Moment, Moment] | None = None,
    *,
    until: Moment | None = None,
    told: Callable[[Output], object] | None = None,
    ends: bool = True,
) -> Story:
    """Let *engine* take *events*, and tell what happened in *window*.

    Args:
        engine: one that was told what was learnt.
        events: in order of arrival; those before the window are the lead-in.
        window: from when to when; by default all of the recording.
        until: conclude what falls due up to here by silence alone; by default, up to the last event.
        told: is given what each event brings.
        ends: take what only the end of the recording brings as concluded; not where whoever concluded was stopped there.
    """
    listener = Listener(engine, window)
    for event in events:
        listener.comes(event)
        output = engine.take(event)
        if output:
            listener.told(output)
            if told is not None:
                told(output)
    # Also where nothing more was concluded, what came last was so.
    output = engine.finish(until)
    if ends:
        listener.told(output)
        if told is not None:
            told(output)
    return listener.story(goes_on=not ends)


def arrival_of(event: AnyEvent) -> Moment:
    """When *event* came: its arrival, or its own time where a recording does not say."""
    return event.time if event.arrival is None else event.arrival


@dataclass(slots=True)
class Listener:
    """Writes down what the engine goes by.

    Args:
        engine: that takes the recording.
        window: from when to when; None: all of it.
    """

    HEARS: ClassVar[frozenset[type[Change]]] = frozenset(
        {
            KnownAgain,
            NotKnown,
            OccupationEnded,
            ResetTaken,
            StateChanged,
            TrainPassed,
            WorkBegan,
            WorkEnded,
        }
    )
    """The kinds of change that `hear` knows."""

    engine: Engine
    window: tuple[Moment, Moment] | None = None
    _first: Moment | None = None
    _last: Moment = 0
    _by_end: Moment | None = None
    _rehearsal: bool = False
    _events: list[AnyEvent] = field(default_factory=list)
    _came: dict[str, Moment] = field(default_factory=dict)
    _shows: dict[str, Span] = field(default_factory=dict)
    _work: dict[str, Span] = field(default_factory=dict)
    _waits: dict[str, Span] = field(default_factory=dict)
    _spans: list[Span] = field(default_factory=list)
    _marks: list[Mark] = field(default_factory=list)
    _passed: dict[str, tuple[TrainPassed, Moment]] = field(default_factory=dict)
    _visits: dict[int, list[Visit]] = field(default_factory=dict)
    _lines: dict[str, list[tuple[Moment, Alert]]] = field(default_factory=dict)
    _faults: dict[str, Fault] = field(default_factory=dict)
    _headlines: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.engine.listen(self.HEARS, self.hear)

    # What comes.

    def comes(self, event: AnyEvent) -> None:
        """*event* is about to be taken."""
        if isinstance(event, MonitorRecord) and event.kind is RecordKind.WINDOW:
            return  # it says what was asked for, and stands in no journal
        at = arrival_of(event)
        if not isinstance(event, MonitorRecord):
            if self._first is None:
                self._start(at)
            self._last = max(self._last, at)
            if self.window is None or at < self.window[1]:
                self._by_end = self._last
            self._rehearsal = self._rehearsal or event.rehearsal is not None
        self._came.setdefault(event.name, at)
        if self.window is None or self.window[0] <= at < self.window[1]:
            self._events.append(event)

    def _start(self, at: Moment) -> None:
        self._first = at
        if self.window is not None:
            at = min(at, self.window[0])  # nothing is known of what was before
        for section in self.engine.line.sections:
            self._begin(section, NOT_KNOWN, at, why=NOT_YET)

    def told(self, output: Output) -> None:
        """What the engine gave."""
        now = self.engine.ordering.arrival
        for alert in output.alerts:
            self._lines.setdefault(alert.id, []).append((now, alert))
        for fault in output.faults:
            self._faults[fault.id] = fault
            self._headlines.setdefault(fault.id, fault.headline)
        for fact in output.facts:
            if fact.kind == "reset" and fact.values["step"] == Step.ACCEPTED.value:
                self._given_back(fact)

    # What changes.

    def hear(self, change: Change) -> None:
        """Something changed."""
        place = change.place
        match change:
            case StateChanged():
                self._changes(place, change.now, change.at, change.event)
            case KnownAgain():
                self._changes(place, change.state, change.at, change.event)
            case NotKnown():
                self._end(place, change.since, "")
                self._begin(place, NOT_KNOWN, change.since, why=change.why)
            case WorkBegan():
                self._work[place] = self._span(place, WORK, change.at, "", change.why)
            case WorkEnded() if place in self._work:
                work = self._work.pop(place)
                self._close(work, change.at, change.event)
            case ResetTaken():
                self._reset(change)
            case TrainPassed():
                self._leave(place)
                self._passed[place] = change, self.engine.ordering.arrival
            case OccupationEnded():
                self._leave(place, change)

    def _changes(self, section: str, state: State, at: Moment, event: str) -> None:
        before = self._shows.get(section)
        if before is not None and before.kind == state.value:
            return
        self._end(section, at, event)
        if state is not State.CLEAR:
            self._begin(section, state.value, at, event)

    def _known(self, event: str) -> Moment:
        """When whoever watched could know what *event* says; without one, when time had come so far."""
        return self._came.get(event, self.engine.ordering.arrival)

    def _span(self, section: str, kind: str, at: Moment, event: str, why: str) -> Span:
        return Span(
            section=section,
            kind=kind,
            began=at,
            ended=None,
            event=event,
            until="",
            heard=self._known(event),
            heard_end=None,
            why=why,
        )

    def _begin(
        self, section: str, kind: str, at: Moment, event: str = "", why: str = ""
    ) -> None:
        self._shows[section] = self._span(section, kind, at, event, why)

    def _end(self, section: str, at: Moment, event: str) -> None:
        before = self._shows.pop(section, None)
        if before is not None:
            self._close(before, at, event)

    def _close(self, span: Span, at: Moment, event: str) -> None:
        if at > span.began:
            ended = replace(span, ended=at, until=event, heard_end=self._known(event))
            self._spans.append(ended)

    def _given_back(self, fact: Fact) -> None:
        """A reset was accepted, or a train has followed it; one that takes the place of another goes on waiting from that on."""
        section = fact.subject.removeprefix("section/")
        before = self._waits.get(section)
        if fact.ended is not None:
            if before is not None:
                self._close(self._waits.pop(section), fact.ended, "")
        elif before is None or fact.began < before.began:
            event = str(fact.values["event"])
            self._waits[section] = self._span(section, WAITS, fact.began, event, "")

    def _reset(self, change: ResetTaken) -> None:
        self._marks.append(
            Mark(
                section=change.place,
                at=change.so_at,
                kind=change.kind.value,
                step=change.step.value,
                by=change.by or "",
                event=change.event,
                heard=self._known(change.event),
            )
        )

    # Trains.

    def _leave(self, section: str, ended: OccupationEnded | None = None) -> None:
        """The trains that left *section* last, now that it is known when they came in, or that nobody will say."""
        if section not in self._passed:
            return
        passed, heard = self._passed.pop(section)
        began = passed.since if passed.first == section else passed.cleared
        if ended is not None and ended.ended == passed.cleared:
            began = ended.began
        for number in passed.trains:
            before = self._visits.setdefault(number, [])
            came = before[-1] if before else None
            entered = began
            if came is not None and came.left is not None and came.entered > began:
                entered = min(came.left, passed.cleared)  # another was in it before
            before.append(
                Visit(
                    section=section,
                    entered=entered,
                    left=passed.cleared,
                    sure=len(passed.trains) == 1,
                    heard=heard,
                )
            )

    def _standing(self) -> None:
        """The trains that are still there."""
        now = self.engine.ordering.arrival
        for section, spot in self.engine.trains.spots.items():
            for train in self.engine.trains.in_section(section):
                part = spot.trains[train.number].parts[section]
                if not train.guess:
                    visit = Visit(
                        section=section,
                        entered=part.since,
                        left=None,
                        sure=part.sure,
                        heard=now,
                    )
                    self._visits.setdefault(train.number, []).append(visit)

    # All of it.

    def story(self, *, goes_on: bool = False) -> Story:
        """What happened in the window; not known is what comes long after the last event, unless the recording *goes on* elsewhere."""
        for section in list(self._passed):
            self._leave(section)
        self._standing()
        begin, end = self.window or (self._first or 0, self._last)
        if end > self._last + UNHEARD and not goes_on:
            self._nothing_more(begin)
        going_on = (self._shows, self._work, self._waits)
        spans = [*self._spans, *(one for each in going_on for one in each.values())]
        line = self.engine.line
        alerts = self._raised(begin, end)
        faults = self._faults_of(alerts, begin)
        return Story(
            line=line,
            begin=begin,
            end=end,
            events=tuple(self._events),
            spans=tuple(
                sorted(
                    (one for one in spans if _touches(one, begin, end)),
                    key=lambda one: (one.began, one.section, one.kind),
                )
            ),
            marks=tuple(one for one in self._marks if begin <= one.at <= end),
            # Of trains last followed long before, nobody knows whether they are there.
            traces=tuple(self._traces(begin, end))
            if (self._by_end or 0) + UNHEARD >= begin
            else (),
            alerts=alerts,
            faults=faults,
            sources={
                name: self.engine.hearing.source_of(name) or ""
                for name in line.sections
            },
            corrections={
                name: clock.correction
                for name, clock in sorted(self.engine.ordering.clocks.sources.items())
                if clock.correction
            },
            rehearsal=self._rehearsal,
            last=self._by_end,
            headlines=self._headlines,
            first=self._first,
            gathered={
                one.id: tuple(
                    self._lines[name][-1][1]
                    for name in one.alerts
                    if name in self._lines
                )
                for one in faults
            },
        )

    def _nothing_more(self, begin: Moment) -> None:
        """The window goes on after the last event that came: nothing is known of that."""
        last = self._last if self._first is not None else begin
        for section in self.engine.line.sections:
            before = self._shows.get(section)
            if before is None or before.kind != NOT_KNOWN:
                self._end(section, last, "")
                self._begin(section, NOT_KNOWN, last, why="nothing came after this")

    def _traces(self, begin: Moment, end: Moment) -> Iterator[Trace]:
        for number, visits in sorted(self._visits.items()):
            if any(
                one.entered <= end and (one.left is None or one.left >= begin)
                for one in visits
            ):
                yield Trace(
                    number=number,
                    visits=tuple(sorted(visits, key=lambda one: one.entered)),
                )

    def _raised(self, begin: Moment, end: Moment) -> tuple[Raised, ...]:
        of = {
            alert: fault.id
            for fault in self._faults.values()
            for alert in fault.alerts
            if fault.into is None
        }
        found = []
        for name, lines in self._lines.items():
            at, first = lines[0]
            before = self.window is not None and first.raised < begin
            if before and not stood(lines[-1][1], begin, {}):
                continue
            if self.window is not None and first.raised > end:
                continue
            rested = [
                self._came[one.event]
                for one in first.evidence
                if one.event in self._came
            ]
            found.append(
                Raised(
                    alert=lines[-1][1],
                    lines=tuple(lines),
                    heard=max(rested, default=at),
                    fault=of.get(name, ""),
                    before=before,
                )
            )
        return tuple(found)

    def _faults_of(self, alerts: Iterable[Raised], begin: Moment) -> tuple[Fault, ...]:
        stood = (one.id for one in self._faults.values() if fault_stood(one, begin, {}))
        named = dict.fromkeys([*(one.fault for one in alerts), *stood])
        return tuple(self._faults[one] for one in named if one in self._faults)


def _touches(span: Span, begin: Moment, end: Moment) -> bool:
    return span.began <= end and (span.ended is None or span.ended >= begin)
