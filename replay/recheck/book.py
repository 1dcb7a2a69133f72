"""A recording laid out by section, in event time: what each showed, when that was known, and when nobody could tell."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.core.events import (
    AnyEvent,
    EvaluatorState,
    GatewayStatus,
    HeadPassage,
    MonitorRecord,
    RecordKind,
    SectionReset,
    SectionState,
    SectionWork,
    Service,
    SourceWatch,
    State,
    Step,
    by_people,
)
from monitor.core.layout import Line
from monitor.core.moments import (
    MINUTE,
    SECOND,
    Duration,
    Moment,
)
from monitor.core.ordering import Gap, Kind, Ordering, Outcome
from replay.recheck.opinion import FOR_EVER, LONG_AGO

PERIODS = 3
"""Heartbeats that must be missed before a gateway counts as silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """The durations in the meanings of the five kinds.

    Args:
        skew: events up to this far apart may be simultaneous.
        patience: how long ordering waits.
        reset_effect: a clear up to this long after an accepted reset is by it.
        period: between heartbeats, where a gateway does not say.
        no_train_after: how long an entry that nothing explains may stand.
        linger: how long a section may stay occupied after its train has gone on.
        prove_within: how long a reset may wait for a train.
    """

    skew: Duration = 2 * SECOND
    patience: Duration = 3 * SECOND
    reset_effect: Duration = 10 * SECOND
    period: Duration = 30 * SECOND
    no_train_after: Duration = 120 * SECOND
    linger: Duration = 60 * SECOND
    prove_within: Duration = 60 * MINUTE


@dataclass(frozen=True, slots=True)
class Sighting:
    """A section's evaluator said what it shows.

    Args:
        at: when that was so, by a clock set right.
        state: what it shows.
        axles: its tally, where given.
        told: from when on that was known; later than *at* where it came late.
    """

    at: Moment
    state: State
    axles: int | None
    told: Moment


@dataclass(frozen=True, slots=True)
class Spell:
    """A length of time, and from when on it was known of."""

    start: Moment
    end: Moment
    told: Moment


@dataclass(frozen=True, slots=True)
class Piece:
    """A length of time, its end not in it, in which a section showed one state.

    Args:
        start: from when.
        end: to when.
        state: what; None where it was not known.
        first: what came before it was not known.
    """

    start: Moment
    end: Moment
    state: State | None
    first: bool

    @property
    def not_clear(self) -> bool:
        """Whether it shows something else than clear."""
        return self.state not in {None, State.CLEAR}


@dataclass(slots=True)
class _Voice:
    """One source, as its events were in order of time."""

    heard: list[Moment] = field(default_factory=list)
    alive: Moment = LONG_AGO
    sequence: int | None = None
    period: Duration | None = None
    connected: Moment | None = None
    silent: bool = False
    lost: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Loss:
    """A source could not be relied on: from when, until it was heard again, and from when that was known."""

    source: str
    since: Moment
    heard: Moment
    told: Moment
    gap: bool


@dataclass(frozen=True, slots=True)
class Reset:
    """An accepted reset: when it was placed, and when people say it was."""

    at: Moment
    time: Moment


class Book:
    """A recording laid out by section, in event time.

    Args:
        line: the line file.
        events: in order of arrival.
        rules: the durations.

    Attributes:
        learnt: the recording says what a monitor had learnt from traffic.
        begin: the earliest moment in it.
    """

    def __init__(
        self, line: Line, events: Iterable[AnyEvent], rules: Rules | None = None
    ) -> None:
        self.line = line
        self.rules = rules if rules is not None else Rules()
        self.learnt = False
        self.begin = FOR_EVER
        self.sightings: dict[str, list[Sighting]] = {one: [] for one in line.sections}
        self.resets: dict[str, list[Reset]] = {one: [] for one in line.sections}
        self.passages: dict[str, list[tuple[Moment, HeadPassage]]] = {}
        self.events: dict[str, tuple[AnyEvent, Moment]] = {}
        self._still: dict[str, list[Moment]] = {one: [] for one in line.sections}
        self._unknown: dict[str, list[Spell]] = {one: [] for one in line.sections}
        self._work: dict[str, list[Spell]] = {one: [] for one in line.sections}
        self._voices: dict[str, _Voice] = {}
        self._gateways: dict[str, str] = {}
        self._speakers: dict[str, str] = {}
        self._losses: list[_Loss] = []
        self._begun: dict[tuple[str, str], Moment] = {}
        self._away: list[tuple[Moment, Moment]] = []
        self._away_since: Moment | None = None
        self._ordering = Ordering(self.rules.patience)
        for event in events:
            self._take(event)
        self._finish()

    # What can be asked.

    def source_of(self, section: str) -> str | None:
        """Which source speaks for *section*."""
        gateway = self.line.evaluators[self.line.sections[section].evaluator].gateway
        if gateway in self._gateways:
            return self._gateways[gateway]
        return self._speakers.get(section)

    def heard_after(self, section: str, moment: Moment) -> Moment | None:
        """When the source of *section*, if it sends heartbeats, was first heard after *moment*; *moment* itself where it sends none; None where never."""
        if not self.sends_heartbeats(section):
            return moment
        return self.word_after(section, moment)

    def word_after(self, section: str, moment: Moment) -> Moment | None:
        """When the source of *section* was first heard after *moment*, whatever it sends; None where never."""
        voice = self._voices.get(self.source_of(section) or "")
        if voice is None:
            return None
        place = bisect_right(voice.heard, moment)
        return voice.heard[place] if place < len(voice.heard) else None

    def sends_heartbeats(self, section: str) -> bool:
        """Whether the source of *section* does."""
        voice = self._voices.get(self.source_of(section) or "")
        return voice is not None and voice.period is not None

    def gap_within(self, section: str, start: Moment, end: Moment) -> bool:
        """Whether numbers of the source of *section* are missing from *start* to *end*."""
        source = self.source_of(section)
        return any(
            one.gap and one.source == source and one.since <= end and one.heard > start
            for one in self._losses
        )

    def under_work(self, section: str, moment: Moment) -> bool:
        """Whether *section* was under work at *moment*."""
        return any(one.start <= moment < one.end for one in self._work[section])

    def work(self, section: str) -> Sequence[Spell]:
        """When *section* was under work."""
        return self._work.get(section, ())

    def unknown(self, section: str, known_at: Moment) -> list[Spell]:
        """When *section* was not known, by what was known at *known_at*."""
        return [one for one in self._unknown[section] if one.told <= known_at]

    def tally(self, section: str, moment: Moment) -> int | None:
        """The last tally that was given of *section* by *moment*."""
        given = (
            one.axles
            for one in reversed(self.sightings[section])
            if one.at <= moment and one.told <= moment
        )
        return next((axles for axles in given if axles is not None), None)

    def tallies(self, section: str, start: Moment, end: Moment) -> list[int]:
        """The tallies that were given of *section* from *start* to *end*."""
        return [
            one.axles
            for one in self.sightings[section]
            if one.axles is not None and start <= one.at <= end >= one.told
        ]

    def timeline(self, section: str, known_at: Moment, skew: Duration) -> list[Piece]:
        """What *section* showed up to *known_at*, as known then, without clears shorter than *skew*."""
        said = [
            one
            for one in self.sightings[section]
            if one.at <= known_at and one.told <= known_at
        ]
        spells = self.unknown(section, known_at)
        times = {one.at for one in said} | {LONG_AGO}
        times |= {x for one in spells for x in (one.start, one.end) if x <= known_at}
        ats = [one.at for one in said]
        states: list[tuple[Moment, State | None]] = []
        for time in sorted(times):
            place = bisect_right(ats, time)
            blind = any(one.start <= time < one.end for one in spells)
            state = None if blind or not place else said[place - 1].state
            if not states or states[-1][1] is not state:
                states.append((time, state))
        ends = [start for start, _ in states[1:]] + [known_at + 1]
        pieces = [
            Piece(start, end, state, first)
            for (start, state), end, first in zip(
                states,
                ends,
                [True, *(state is None for _, state in states)],
                strict=False,
            )
        ]
        return _smooth(pieces, skew)

    # Laying out.

    def _take(self, event: AnyEvent) -> None:
        if isinstance(event, MonitorRecord):
            self._own(event)
            return
        ordering = self._ordering
        will = isinstance(event, GatewayStatus) and not event.online
        if event.arrival is not None:
            ordering.pass_time(event.arrival)
        elif not (event.retained or will or by_people(event.source)):
            ordering.pass_time(event.time)
        self._settle()
        outcome = ordering.take(event, told=event.arrival is not None)
        if outcome is Outcome.LATE:
            self._late(event, event.time + self._correction(event.source))
        if outcome in {Outcome.LATE, Outcome.HELD}:
            voice = self._voices.setdefault(event.source, _Voice())
            voice.alive = max(voice.alive, ordering.present() or LONG_AGO)
        self._late_after_waiting()
        self._settle()

    def _correction(self, source: str) -> Duration:
        clock = self._ordering.clocks.sources.get(source)
        return 0 if clock is None else clock.correction

    def _late_after_waiting(self) -> None:
        ordering = self._ordering
        for event, at in ordering.late:
            self._late(event, at)
        for waiting in (ordering.late, ordering.corrected, ordering.judged):
            waiting.clear()

    def _late(self, event: Any, at: Moment) -> None:
        """What came late is applied to what is shown, and makes it not known for a while."""
        ordering = self._ordering
        self.events[event.name] = (event, at)
        if event.subject not in self.line.sections:
            return
        told = ordering.watermark or at
        if isinstance(event, SectionState):
            seen = Sighting(at, event.state, event.axles, told)
            self.sightings[event.subject].append(seen)
        latest = ordering.latest or at
        self._unknown[event.subject].append(Spell(at, latest, told))

    def _own(self, record: MonitorRecord) -> None:
        values, ordering = record.values, self._ordering
        if values.get("arrival") == "recorded":
            return
        match record.kind:
            case RecordKind.CLOCK:
                correction = round(float(values["correction_s"]) * SECOND)
                ordering.correct(str(values["source"]), correction)
            case RecordKind.LEARNT:
                self.learnt = True
            case RecordKind.DRAINED | RecordKind.DISCONNECTED:
                self._connection(record)
            case RecordKind.STARTED | RecordKind.CONNECTED if not values.get("still"):
                ordering.ticking = False
                self._go_away()
                if values.get("session") == "new":
                    self._lose_all()
        self._settle()

    def _connection(self, record: MonitorRecord) -> None:
        ordering = self._ordering
        if record.kind is RecordKind.DRAINED:
            ordering.ticking = True
        if record.arrival is not None:
            ordering.pass_time(record.arrival)
        self._settle()
        present = ordering.present()
        if record.kind is RecordKind.DISCONNECTED:
            self._go_away()
            ordering.ticking = False
        elif self._away_since is not None and present is not None:
            self._away.append((self._away_since, present))
            self._away_since = None

    def _go_away(self) -> None:
        present = self._ordering.present()
        if self._away_since is None and present is not None:
            self._away_since = present

    def _lose_all(self) -> None:
        """The broker kept nothing meanwhile."""
        told = self._ordering.watermark or LONG_AGO
        for source, voice in self._voices.items():
            since = voice.heard[-1] if voice.heard else told
            self._losses.append(_Loss(source, since, FOR_EVER, told, gap=False))

    def _settle(self) -> None:
        ordering = self._ordering
        while True:
            due, watermark = ordering.next_at(), ordering.watermark
            if due is None or watermark is None or due > watermark:
                return
            released = ordering.release()
            if released.kind is Kind.GAP:
                self._gap(released.what, released.at)
            elif released.kind is Kind.STILL:
                if released.what.subject in self._still:
                    self._still[released.what.subject].append(released.at)
            else:
                self._place(released.what, released.at)

    def _gap(self, gap: Gap, at: Moment) -> None:
        if gap.open or gap.count is None:
            self._losses.append(_Loss(gap.source, gap.since, gap.at, at, gap=True))
        self._ordering.close(gap)

    def _hear(self, event: AnyEvent, at: Moment) -> None:
        """A source was heard; what the broker had kept, and what people enter, is no sign of it."""
        will = isinstance(event, GatewayStatus) and not event.online
        if event.retained or will or by_people(event.source):
            return
        voice = self._voices.setdefault(event.source, _Voice())
        self._judge_silence(event.source, voice, at)
        goes_on = (
            event.sequence is not None
            and voice.sequence is not None
            and event.sequence == voice.sequence + 1
        )
        for place in voice.lost:
            if goes_on:
                self._losses[place] = replace(self._losses[place], heard=at)
        voice.lost.clear()
        if event.sequence is not None:
            voice.sequence = event.sequence
        voice.heard.append(at)

    def _judge_silence(self, source: str, voice: _Voice, now: Moment) -> None:
        if not voice.heard or voice.period is None or voice.silent:
            return
        last = max(voice.heard[-1], voice.alive)
        due = last + PERIODS * voice.period
        if due < now and not self._was_away(last, now):
            self._lose(source, voice, due)

    def _lose(self, source: str, voice: _Voice, told: Moment) -> None:
        """From its last event on a source cannot be relied on; if its numbers then go on, until it is heard."""
        since = voice.heard[-1] if voice.heard else told
        voice.silent = True
        voice.lost.append(len(self._losses))
        self._losses.append(_Loss(source, since, FOR_EVER, told, gap=False))

    def _was_away(self, start: Moment, end: Moment) -> bool:
        return any(a < end and b > start for a, b in self._away)

    def _place(self, event: AnyEvent, at: Moment) -> None:
        self.events[event.name] = (event, at)
        self.begin = min(self.begin, at)
        self._hear(event, at)
        match event:
            case GatewayStatus():
                self._status(event, at)
            case SourceWatch():
                self._out(event, at)
            case EvaluatorState():
                isolated = event.state is Service.ISOLATED
                for section in self.line.sections_of(event.subject):
                    self._working(section, "isolated", at, begun=isolated)
            case HeadPassage():
                self.passages.setdefault(event.subject, []).append((at, event))
            case SectionState() | SectionReset() | SectionWork():
                if event.subject in self.line.sections:
                    self._of_section(event, at)
            case _:
                pass

    def _of_section(
        self, event: SectionState | SectionReset | SectionWork, at: Moment
    ) -> None:
        section = event.subject
        if not by_people(event.source):
            self._speakers[section] = event.source
        match event:
            case SectionState():
                seen = Sighting(at, event.state, event.axles, LONG_AGO)
                self.sightings[section].append(seen)
            case SectionReset() if event.step is Step.ACCEPTED:
                said = min(event.time, at) if by_people(event.source) else at
                self.resets[section].append(Reset(at, said))
            case SectionWork():
                self._working(section, "work", at, begun=event.begun)
            case _:
                pass

    def _working(self, section: str, why: str, at: Moment, *, begun: bool) -> None:
        since = self._begun.get((section, why))
        if begun and since is None:
            self._begun[section, why] = at
        elif not begun and since is not None:
            del self._begun[section, why]
            self._work[section].append(Spell(since, at, since))

    def _status(self, event: GatewayStatus, at: Moment) -> None:
        voice = self._voices.setdefault(event.source, _Voice())
        if event.online:
            self._gateways[event.subject] = event.source
            if event.period_s is not None:
                voice.period = max(1, round(event.period_s * SECOND))
            elif voice.period is None:
                voice.period = self.rules.period
            if voice.connected is None or voice.silent:
                voice.connected = event.time
            voice.silent = False
            return
        stale = (
            voice.connected is not None
            and event.time < voice.connected - self.rules.skew
        )
        if not stale:
            self._lose(event.source, voice, at)

    def _out(self, event: SourceWatch, at: Moment) -> None:
        key = ("", event.subject)
        since = self._begun.get(key)
        if event.out and since is None:
            self._begun[key] = at
        elif not event.out and since is not None:
            del self._begun[key]
            self._out_between(event.subject, since, at)

    def _out_between(self, source: str, since: Moment, until: Moment) -> None:
        for section in self.line.sections:
            if self.source_of(section) == source:
                self._unknown[section].append(Spell(since, until, since))

    def _finish(self) -> None:
        self._ordering.flush(None)
        self._late_after_waiting()
        self._settle()
        for source, voice in self._voices.items():
            self._judge_silence(source, voice, self._ordering.watermark or LONG_AGO)
        for (section, what), since in self._begun.items():
            if section:
                self._work[section].append(Spell(since, FOR_EVER, since))
            else:
                self._out_between(what, since, FOR_EVER)
        for seen in self.sightings.values():
            seen.sort(key=lambda one: one.at)
        for loss in self._losses:
            for section in self.line.sections:
                if self.source_of(section) == loss.source:
                    self._lost(section, loss)

    def _lost(self, section: str, loss: _Loss) -> None:
        """A section is not known from a loss until its own next word, or until its source is heard and lost nothing."""
        own = [one.at for one in self.sightings[section] if one.at > loss.since]
        own += [one for one in self._still[section] if one > loss.since]
        end = min(own, default=FOR_EVER)
        if not loss.gap:
            end = min(end, loss.heard)
        self._unknown[section].append(Spell(loss.since, end, loss.told))


def _smooth(pieces: Sequence[Piece], skew: Duration) -> list[Piece]:
    """Without the clears that are shorter than *skew*, whatever is the same being one piece."""
    smooth: list[Piece] = []
    for place, one in enumerate(pieces):
        last = smooth[-1] if smooth else None
        short = (
            one.state is State.CLEAR
            and one.end - one.start < skew
            and place + 1 < len(pieces)
            and pieces[place + 1].not_clear
        )
        if last is not None and ((short and last.not_clear) or last.state is one.state):
            smooth[-1] = replace(last, end=one.end)
        else:
            smooth.append(one)
    return smooth
