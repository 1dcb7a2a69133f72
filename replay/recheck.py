"""A second opinion: each alert of the five gravest kinds, worked out again by other means.

The detections draw their conclusions as events come, from memories that are never larger than they must be.
Here nothing is remembered and nothing is fast: the whole recording is laid out by section, and the words that say what a kind means are read again at one place and one moment.
Of the core only what events are, how the line lies, and in which order and at what time events were are taken over; what a train is, is worked out anew.

The opinion on an alert is one of three: it agrees; it disagrees, with the sentence why; or it cannot tell, with the sentence why not.
What had not come by the moment at which an alert was raised is no argument against it, so every question is asked of what was known then.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from enum import Enum
from itertools import pairwise
from statistics import median
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
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    midnight_before,
    parse,
    stamp,
)
from monitor.core.ordering import Gap, Kind, Ordering, Outcome

FOR_EVER: Moment = 1 << 62
LONG_AGO: Moment = -(1 << 62)

PERIODS = 3
"""Heartbeats that must be missed before a gateway counts as silent."""

FEW = 3
"""Axles left over up to this many are a miscount; more may be vehicles."""


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


class Opinion(Enum):
    """What comes of working an alert out again."""

    AGREES = "agrees"
    DISAGREES = "disagrees"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The second opinion on one alert.

    Args:
        id: of the alert.
        kind: its kind.
        subject: about what it is.
        opinion: what came of it.
        why: where it does not agree, the sentence that says why.
    """

    id: str
    kind: str
    subject: str
    opinion: Opinion
    why: str = ""

    def __str__(self) -> str:
        said = f"{self.kind} {self.subject} ({self.id}): {self.opinion.value}"
        return f"{said}: {self.why}" if self.why else said


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that speaks against an alert.

    Args:
        why: as a sentence.
        sure: False where it only keeps the checker from agreeing.
    """

    why: str
    sure: bool = True


Doubts = Iterator[Doubt]
Record = Mapping[str, Any]
"""An alert as the contract's record has it, read from JSON."""


def _clock(moment: Moment) -> str:
    return stamp(moment)[11:23].removesuffix(".000")


def _same(one: Moment, other: Moment) -> bool:
    """Whether they are one moment as far as an alert's record says it: milliseconds."""
    return one // 1000 == other // 1000


# What was known of a section.


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


# Questions about a place and a moment, by what was known at another.


@dataclass(frozen=True, slots=True, kw_only=True)
class Then:
    """The recording as it was known when an alert was raised.

    Args:
        book: the recording.
        raised: when, to the end of that millisecond.
        rules: the durations.
    """

    book: Book
    raised: Moment
    rules: Rules
    _read: dict[str, tuple[list[Piece], list[Moment]]] = field(default_factory=dict)

    @property
    def line(self) -> Line:
        """The line."""
        return self.book.line

    def pieces(self, section: str) -> list[Piece]:
        """What *section* showed."""
        return self._laid_out(section)[0]

    def _laid_out(self, section: str) -> tuple[list[Piece], list[Moment]]:
        if section not in self._read:
            pieces = self.book.timeline(section, self.raised, self.rules.skew)
            self._read[section] = pieces, [one.start for one in pieces]
        return self._read[section]

    def within(self, section: str, start: Moment, end: Moment) -> Sequence[Piece]:
        """What *section* showed from *start* to *end*, both in it."""
        pieces, starts = self._laid_out(section)
        first = max(0, bisect_right(starts, start) - 1)
        return pieces[first : bisect_right(starts, end)]

    def works(self, section: str, start: Moment, end: Moment) -> bool:
        """Whether *section* was under work at any time from *start* to *end*."""
        return any(
            one.start <= end and one.end > start for one in self.book.work(section)
        )

    def shows(
        self, section: str, start: Moment, end: Moment, *, entry: Moment | None = None
    ) -> str:
        """What else than clear *section* was from *start* to *end*, in words; "" for nothing.

        *entry*: of a section beside it; one that was clear and turned disturbed about then does not explain that.
        """
        if self.works(section, start, end):
            return "under work"
        for one in self.within(section, start, end):
            if one.state is None:
                return "not known"
            turned = one.state is State.DISTURBED and not one.first
            if one.not_clear and not (
                entry is not None and turned and one.start >= start
            ):
                return one.state.value.replace("_", " ")
            if turned and not self._was_clear(section, one.start):
                return "disturbed"
        return ""

    def _was_clear(self, section: str, moment: Moment) -> bool:
        before = self.within(section, moment - 1, moment - 1)
        return bool(before) and before[-1].state is State.CLEAR

    def beside(self, section: str, moment: Moment, *, entry: bool) -> str:
        """What explains that *section* changed at *moment*, in words; "" for nothing."""
        if self.line.is_open(section):
            return f"{section} has an open head"
        return self.beside_but(section, moment, "", entry=entry)

    def beside_but(
        self, section: str, moment: Moment, left_out: str, *, entry: bool
    ) -> str:
        """As `beside`, by its neighbours alone, without the one that is *left_out*."""
        skew = self.rules.skew
        about = (moment - skew, moment + skew)
        for one in self.line.neighbours(section):
            if one == left_out:
                continue
            shown = self.shows(one, *about, entry=moment if entry else None)
            if shown:
                return f"{one} was {shown} at {_clock(moment)}"
        return ""

    def not_known_clear(self, section: str, start: Moment, end: Moment) -> Doubts:
        """Why *section* was not known clear from *start* to *end*."""
        shown = self.shows(section, start, end)
        if shown:
            yield Doubt(
                f"{section} was {shown} within {_clock(start)} to {_clock(end)}"
            )
        beats = self.book.sends_heartbeats(section)
        if self.book.gap_within(section, start, end):
            # Without heartbeats there was nothing to wait for, and the gap showed only later.
            yield Doubt(
                f"numbers of the source of {section} are missing at {_clock(end)}",
                sure=beats,
            )
        heard = self.book.heard_after(section, end)
        if heard is None or heard > max(self.raised, end):
            yield Doubt(f"the source of {section} was not heard after {_clock(end)}")

    def entries(self, section: str, start: Moment, end: Moment) -> list[Piece]:
        """The times from after *start* to *end* at which *section*, known clear, became something else."""
        return [
            after
            for before, after in pairwise(self.within(section, start, end))
            if before.state is State.CLEAR and after.not_clear and after.start > start
        ]

    def clears(self, section: str, start: Moment, end: Moment) -> list[Piece]:
        """The times from *start* to *end* at which *section*, seen otherwise, became clear."""
        return [
            after
            for before, after in pairwise(self.within(section, start - 1, end))
            if before.not_clear and after.state is State.CLEAR and after.start >= start
        ]

    def stretches(self, section: str) -> list[Piece]:
        """The stretches of `occupied`, each going on through times that are not known."""
        joined: list[Piece] = []
        pieces = self.pieces(section)
        for place, one in enumerate(pieces):
            if one.state is not State.OCCUPIED:
                continue
            through = (
                one.first
                and joined
                and place >= 1
                and joined[-1].end == pieces[place - 1].start
            )
            if through:
                joined[-1] = replace(joined[-1], end=one.end)
            else:
                joined.append(one)
        return joined

    def occupation(self, section: str, end: Moment) -> list[Piece]:
        """The pieces of the occupation that ended at *end*, in order; nothing where none did."""
        run: list[Piece] = []
        for one in self.pieces(section):
            if _same(one.start, end) and one.state is State.CLEAR:
                return run
            if one.state is State.CLEAR:
                run = []
            else:
                run.append(one)
        return []

    def known_again(self, section: str, start: Moment) -> set[Moment]:
        """When *section* or a neighbour was known again, or given back from work, after *start*."""
        around = (section, *self.line.neighbours(section))
        spells = [
            spell
            for one in around
            for spell in (*self.book.unknown(one, self.raised), *self.book.work(one))
        ]
        return {one.end for one in spells if start < one.end <= self.raised}

    def heard(self, section: str, moment: Moment) -> set[Moment]:
        """When those who speak for *section* and around it were first heard after *moment*."""
        around = (section, *self.line.neighbours(section))
        heard = (self.book.heard_after(one, moment) for one in around)
        return {one for one in heard if one is not None}

    def surely_heard(self, section: str, moment: Moment) -> set[Moment]:
        """Likewise, and when each was first heard whether it sends heartbeats or not: what is urgent waits for that where numbers can show a loss."""
        around = (section, *self.line.neighbours(section))
        words = (self.book.word_after(one, moment) for one in around)
        return self.heard(section, moment) | {one for one in words if one is not None}

    def fell_due(self, allowed: Iterable[Moment], what: str) -> Doubts:
        """Whether the alert was raised at one of the moments at which it may."""
        times = sorted(set(allowed))
        if not any(_same(self.raised, one) for one in times):
            due = " or ".join(_clock(one) for one in times[:3])
            yield Doubt(f"it was raised at {_clock(self.raised)}; {what}: {due}")


# The five kinds.


def _section(subject: str) -> str:
    return subject.removeprefix("section/")


def _under_work(then: Then, section: str) -> Doubts:
    if then.book.under_work(section, then.raised):
        yield Doubt(f"{section} was under work at {_clock(then.raised)}")


def _occupied_no_train(alert: Record, then: Then, _: Sequence[Record]) -> Doubts:
    """Rule (a) or rule (b), whichever fits; if neither does, what speaks against the one it says."""
    section, began = _section(alert["subject"]), parse(alert["began"])
    unexplained = list(_never_entered(section, began, then))
    gone = list(_gone_on(section, began, then)) if unexplained else []
    if unexplained and gone:
        at_entry = any(
            _same(one.start, began)
            for one in then.pieces(section)
            if one.state is State.OCCUPIED
        )
        yield from unexplained if at_entry else gone


def _never_entered(section: str, began: Moment, then: Then) -> Doubts:
    """Rule (a): the entry is not explained, and the section has stayed occupied since."""
    stretch = _stretch_at(section, began, then)
    if stretch is None:
        yield Doubt(f"no stretch of occupied began in {section} at {_clock(began)}")
        return
    after_work = not _same(stretch.start, began)
    moment = began if after_work else stretch.start
    explained = then.beside(section, moment, entry=True)
    if explained:
        yield Doubt(f"the entry is explained: {explained}")
    if stretch.first and not after_work:
        yield Doubt(f"{section} was first shown at {_clock(moment)}: that is explained")
    if stretch.end <= then.raised:
        yield Doubt(f"{section} was occupied only until {_clock(stretch.end)}")
    yield from _under_work(then, section)
    yield from _moved_on(section, moment, then)
    limit = then.rules.no_train_after
    starts = {moment} | then.known_again(section, moment)
    allowed = {one + limit for one in starts}
    heard = then.heard(section, moment + then.rules.skew)
    allowed |= {one for one in heard if one > moment + limit}
    yield from then.fell_due(allowed, "its time was up")


def _stretch_at(section: str, began: Moment, then: Then) -> Piece | None:
    """The stretch of occupied that began then, or in which work ended then."""
    ended = any(_same(one.end, began) for one in then.book.work(section))
    for one in then.stretches(section):
        if _same(one.start, began) or (ended and one.start <= began < one.end):
            return one
    return None


def _moved_on(section: str, start: Moment, then: Then) -> Doubts:
    for one in then.line.neighbours(section):
        for entry in then.entries(one, start, then.raised):
            alone = not then.line.is_open(one) and not then.beside_but(
                one, entry.start, section, entry=True
            )
            if alone and entry.state is State.OCCUPIED:
                yield Doubt(f"it moved on into {one} at {_clock(entry.start)}")


def _gone_on(section: str, began: Moment, then: Then) -> Doubts:
    """Rule (b): the train has gone on over the section between, and nothing has come since."""
    ways = _ways_over(section, began, then)
    if not ways:
        yield Doubt(f"no neighbour of {section} became clear at {_clock(began)}")
        return
    stayed = [
        one
        for one in then.stretches(section)
        if one.start <= began and one.end > then.raised
    ]
    if not stayed:
        yield Doubt(f"{section} was not occupied from {_clock(began)} on")
        return
    tally = then.book.tally(section, then.raised)
    if then.line.is_open(section) and (tally is None or abs(tally) > FEW):
        yield Doubt(f"{section} has an open head")
    told = [list(_passed(stayed[0], section, way, began, then)) for way in ways]
    yield from min(told, key=_weight)
    yield from _under_work(then, section)
    yield from _nothing_since(section, began, then)
    starts = {began} | then.known_again(section, began)
    allowed = {one + then.rules.linger for one in starts}
    heard = then.heard(section, began + then.rules.skew)
    allowed |= {one for one in heard if one > began + then.rules.linger}
    yield from then.fell_due(allowed, "it had lingered long enough")


def _ways_over(section: str, cleared: Moment, then: Then) -> list[tuple[str, str]]:
    """Where the train of *section* may have gone on over: a section that became clear then, and the one before it; others that stayed occupied too may lie between."""
    ways: list[tuple[str, str]] = []
    seen, edge = {section}, [section]
    while edge:
        behind = edge.pop()
        for one in then.line.neighbours(behind):
            if one in seen:
                continue
            seen.add(one)
            clears = then.clears(one, cleared, cleared + 999)
            if any(_same(piece.start, cleared) for piece in clears):
                ways.append((one, behind))
            elif then.shows(one, cleared, cleared) == "occupied":
                edge.append(one)
    return ways


def _weight(doubts: list[Doubt]) -> tuple[int, int]:
    """How much speaks against something: what is sure before what is not."""
    return sum(doubt.sure for doubt in doubts), len(doubts)


def _passed(
    stretch: Piece, section: str, way: tuple[str, str], cleared: Moment, then: Then
) -> Doubts:
    """Whether the train of *stretch* went on from *section* over a section that cleared then, into one beyond.

    Args:
        stretch: of *section*.
        section: which stays occupied.
        way: the section between, and the one out of which it was entered.
        cleared: when that between became clear.
        then: what was so.
    """
    between, behind = way
    skew = then.rules.skew
    run = then.occupation(between, cleared)
    start = run[0].start if run else cleared
    if stretch.start > start + skew:
        yield Doubt(
            f"{between} was entered before {section} became occupied at "
            f"{_clock(stretch.start)}"
        )
    tallies = then.book.tallies(section, stretch.start, then.raised)
    pairs = list(pairwise(tallies))
    if pairs and not any(after < before for before, after in pairs):
        lost = any(
            one.state is None
            for one in then.within(section, stretch.start, then.raised)
        )
        yield Doubt(f"the tally of {section} never went down", sure=not lost)
    other = then.beside_but(between, start, behind, entry=True)
    if other:
        # Tallies can tell whose train it was; states alone cannot.
        yield Doubt(
            f"what entered {between} need not have come from {behind}: {other}",
            sure=not tallies,
        )
    beyond = [
        (one, piece.start)
        for one in then.line.neighbours(between)
        if one != behind
        for piece in then.within(one, cleared - skew, cleared + skew)
        if piece.not_clear and start - skew <= piece.start <= cleared + skew
    ]
    if not beyond:
        yield Doubt(f"no train was seen to go on beyond {between}")
        return
    others = [then.beside_but(one, at, between, entry=True) for one, at in beyond]
    if all(others):
        yield Doubt(
            f"what entered {beyond[0][0]} need not have come from {between}: "
            f"{others[0]}",
            sure=False,
        )


def _nothing_since(section: str, since: Moment, then: Then) -> Doubts:
    for came in _came_in_behind(section, since + 1000, then.raised, then):
        yield Doubt(f"a train came into it by {_clock(came)}")
    for one in then.line.neighbours(section):
        shown = then.shows(one, since + 1000, then.raised)
        if shown:
            yield Doubt(
                f"{one} was {shown} meanwhile: something may have come from there",
                sure=False,
            )


def _vanished_train(alert: Record, then: Then, others: Sequence[Record]) -> Doubts:
    section, began = _section(alert["subject"]), parse(alert["began"])
    run = then.occupation(section, began)
    cleared = [
        one
        for one in then.clears(section, began, began + 999)
        if _same(one.start, began)
    ]
    if not run or not cleared:
        yield Doubt(f"{section} did not become clear at {_clock(began)}")
        return
    moment, skew = cleared[0].start, then.rules.skew
    if then.line.is_open(section):
        yield Doubt(f"{section} has an open head")
    if then.works(section, moment, moment):
        yield Doubt(f"{section} was under work at {_clock(moment)}")
    for one in then.line.neighbours(section):
        yield from then.not_known_clear(one, moment - skew, moment + skew)
    yield from _holds_a_train(section, run, moment, then)
    yield from _accounted_for(section, run[0].start, began, then, others)
    allowed = {moment + skew} | then.surely_heard(section, moment + skew)
    yield from then.fell_due(allowed, "its neighbours were known clear")


def _holds_a_train(
    section: str, run: Sequence[Piece], cleared: Moment, then: Then
) -> Doubts:
    """A train entered, and since then no neighbour has become not clear but with another's train."""
    entered = [
        one
        for one in run
        if one.state is State.OCCUPIED
        and (one.first or then.beside(section, one.start, entry=True))
    ]
    seen = [one.start for one in entered if not one.first]
    seen += _came_in_behind(section, run[0].start, cleared, then)
    if not entered and not seen:
        yield Doubt(f"no train was seen to enter {section}")
        return
    if not seen:
        yield Doubt(f"{section} was not clear when it was first seen", sure=False)
        return
    departed = [list(_departures(section, one, cleared, then)) for one in seen]
    if all(departed):
        yield from departed[-1]


def _came_in_behind(
    section: str, start: Moment, end: Moment, then: Then
) -> list[Moment]:
    """When a neighbour gave up a train that can have gone into *section* alone, by then not clear."""
    return [
        piece.start
        for one in then.line.neighbours(section)
        if not then.line.is_open(one)
        for piece in then.clears(one, start, end)
        if not then.beside_but(one, piece.start, section, entry=False)
    ]


def _departures(section: str, since: Moment, until: Moment, then: Then) -> Doubts:
    """The times at which a neighbour may have taken the train of *section*."""
    start = since + then.rules.skew
    for one in then.line.neighbours(section):
        for piece in then.within(one, start, until):
            if piece.state is None:
                yield Doubt(f"{one} was not known from {_clock(piece.start)} on")
        if then.works(one, start, until):
            yield Doubt(f"{one} was under work meanwhile")
        for entry in then.entries(one, start, until):
            if not _brought(one, section, entry, then):
                yield Doubt(f"{one} was entered at {_clock(entry.start)}")


def _brought(neighbour: str, section: str, entry: Piece, then: Then) -> bool:
    """Whether another section gave up the train that entered *neighbour*."""
    skew, moment = then.rules.skew, entry.start
    inside = [
        one
        for one in then.pieces(neighbour)
        if one.start >= moment and not one.not_clear
    ]
    left = inside[0].start if inside else then.raised
    for one in then.line.neighbours(neighbour):
        if one == section:
            continue
        before = then.within(one, moment - skew, moment + skew)
        if any(piece.not_clear for piece in before) and then.clears(one, moment, left):
            return True
    return False


def _accounted_for(
    section: str, entered: Moment, began: Moment, then: Then, others: Sequence[Record]
) -> Doubts:
    """Whether another alert had told already where the train is, or why the section cleared."""
    around = {f"section/{one}" for one in then.line.neighbours(section)}
    for other in others:
        if other["kind"] == "unseen-train":
            named = {other["subject"], *(one["asset"] for one in other["suspects"])}
            earlier = parse(other["raised"]) <= began
            if named & around and earlier and parse(other["began"]) >= entered:
                yield Doubt(f"its train was seen to come out: alert {other['id']}")
        elif other["kind"] == "common-cause":
            ended = FOR_EVER if other["ended"] is None else parse(other["ended"])
            together = f"section/{section}" in other["affected"]
            if together and parse(other["began"]) <= began <= ended:
                yield Doubt(f"it belongs to the group of alert {other['id']}")


def _unseen_train(alert: Record, then: Then, _: Sequence[Record]) -> Doubts:
    subject, began = _section(alert["subject"]), parse(alert["began"])
    suspects = {_section(one["asset"]) for one in alert["suspects"]}
    suspects &= set(then.line.sections)
    near = [subject, *then.line.neighbours(subject)]
    appeared = [
        one
        for one in near
        if any(_same(piece.start, began) for piece in then.stretches(one))
    ]
    if not appeared:
        yield Doubt(f"nothing was entered at {_clock(began)} at {subject} or beside it")
        return
    every = [list(_came_out(one, subject, suspects, began, then)) for one in appeared]
    if all(every):
        yield from every[-1]


def _came_out(
    place: str, subject: str, suspects: set[str], began: Moment, then: Then
) -> Doubts:
    """Whether a train appeared in *place* and moved on, and *subject* is where it came from."""
    stretch = next(one for one in then.stretches(place) if _same(one.start, began))
    if stretch.first:
        yield Doubt(f"{place} was not known before {_clock(began)}")
    explained = then.beside(place, stretch.start, entry=True)
    if explained:
        yield Doubt(f"the entry is explained: {explained}")
    ended = then.clears(place, stretch.start, then.raised)
    if not ended:
        yield Doubt(f"{place} had not become clear by {_clock(then.raised)}")
        return
    if len(then.occupation(place, ended[0].start)) != 1:
        yield Doubt(f"{place} was not of occupied alone")
    yield from _under_work(then, place)
    onward = [
        (one, entry.start)
        for one in then.line.neighbours(place)
        for entry in then.entries(one, stretch.start, ended[0].start + then.rules.skew)
        if _entered_from(one, place, entry, then)
    ]
    if not onward:
        yield Doubt(f"no neighbour was entered from {place} alone before it cleared")
        return
    doubts = [list(_held_by(subject, suspects, place, one, then)) for one, _ in onward]
    if all(doubts):
        yield from doubts[0]
    skew = then.rules.skew
    bases = {ended[0].start, ended[0].start + skew, *(at + skew for _, at in onward)}
    heard = {at for base in bases for at in then.surely_heard(place, base)}
    heard |= {at for one, base in onward for at in then.surely_heard(one, base + skew)}
    due = {one for one in bases | heard if one >= ended[0].start}
    yield from then.fell_due(due, "it had moved on")


def _entered_from(section: str, place: str, entry: Piece, then: Then) -> bool:
    if then.line.is_open(section) or entry.state is not State.OCCUPIED:
        return False
    return not then.beside_but(section, entry.start, place, entry=True)


def _held_by(
    subject: str, suspects: set[str], place: str, onward: str, then: Then
) -> Doubts:
    """Whether the train must have come from *subject*, where it went from *place* into *onward*."""
    could = {one for one in then.line.neighbours(place) if one != onward}
    if len(could) == 1 or subject != place:
        if subject not in could:
            yield Doubt(
                f"a train in {place} that goes on into {onward} is not from {subject}"
            )
        elif len(could) > 1:
            others = ", ".join(sorted(could - {subject}))
            yield Doubt(f"it could have come from {others} too", sure=False)
    elif not could:
        yield Doubt(f"there is no section behind {place}")
    elif not suspects or not suspects <= could:
        yield Doubt(f"its suspects are not those beside {place}")


def _reset_unproved(alert: Record, then: Then, _: Sequence[Record]) -> Doubts:
    section, began = _section(alert["subject"]), parse(alert["began"])
    accepted = _accepted(section, then)
    if not any(_same(one, began) for one in accepted):
        yield Doubt(f"no reset of {section} was accepted at {_clock(began)}")
        return
    yield from _under_work(then, section)
    proofs = list(_proofs(section, then))
    last = max((at for at, sure in proofs if sure and at <= began), default=LONG_AGO)
    chain = [one for one in accepted if last < one <= began + 999] or [began]
    for one in accepted:
        if began + 999 < one < then.raised - 999:
            yield Doubt(f"the reset accepted at {_clock(one)} took its place")
    for at, sure in proofs:
        if began < at <= then.raised - then.rules.skew:
            yield Doubt(f"a train worked through at {_clock(at)}", sure=sure)
    limit = then.rules.prove_within
    known = max((accepted[one] for one in chain if one in accepted), default=began)
    starts = {*chain, *then.known_again(section, chain[0])}
    passed = [at for at, _ in proofs]
    allowed = {
        max(known, due)
        for midnight in {midnight_before(began), midnight_before(then.raised)}
        for due in _usual(section, midnight, passed, then).due(starts, limit)
    }
    if then.book.learnt and then.raised >= max(known, min(starts) + limit):
        if not any(_same(then.raised, one) for one in allowed):
            yield Doubt("it fell due by what was learnt before", sure=False)
    else:
        yield from then.fell_due(allowed, "no train had come for long enough")


GAPS = 20
"""Gaps between trains from which the usual one is known."""

DAYS = 14
"""Days by which an hour counts as one in which trains run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Usual:
    """What was usual in a section, as far as a midnight showed.

    Args:
        zone: in which hours are counted.
        gap: between trains, in the middle; None before there are enough.
        hours: those of the day in which trains run; None before a day was seen.
    """

    zone: tzinfo
    gap: Duration | None
    hours: frozenset[int] | None

    def due(self, starts: Iterable[Moment], limit: Duration) -> Iterator[Moment]:
        """When trains had been missing for long enough after each of *starts*."""
        long = max(limit, 3 * self.gap) if self.gap is not None else limit
        for start in starts:
            left, now = long, start
            for _ in range(DAYS * 24):
                end = _next_hour(now, self.zone)
                counts = self.hours is None or _hour(now, self.zone) in self.hours
                if counts and left <= end - now:
                    yield now + left
                    break
                left -= end - now if counts else 0
                now = end


def _hour(moment: Moment, zone: tzinfo) -> int:
    return as_datetime(moment).astimezone(zone).hour


def _next_hour(moment: Moment, zone: tzinfo) -> Moment:
    local = as_datetime(moment).astimezone(zone)
    past = (local.minute * 60 + local.second) * SECOND + local.microsecond
    return moment + HOUR - past


def _usual(
    section: str, midnight: Moment, passed: Sequence[Moment], then: Then
) -> _Usual:
    """What *midnight* showed of *section*, from the moments at which trains had worked through."""
    before = [one for one in passed if one < midnight]
    gaps = [later - one for one, later in pairwise(before)][-GAPS:]
    seen: dict[int, list[bool]] = {hour: [] for hour in range(24)}
    zone, start = then.line.zone, midnight
    while start - HOUR >= then.book.begin:
        start -= HOUR
        days = seen[_hour(start, zone)]
        pieces = then.within(section, start, start + HOUR - 1)
        if len(days) < DAYS and all(one.state is not None for one in pieces):
            days.append(any(start <= one < start + HOUR for one in before))
    known = midnight - then.book.begin >= DAY
    running = {hour for hour, days in seen.items() if 2 * sum(days) >= len(days)}
    return _Usual(
        zone=zone,
        gap=round(median(gaps)) if len(gaps) == GAPS else None,
        hours=frozenset(running) if known else None,
    )


def _accepted(section: str, then: Then) -> dict[Moment, Moment]:
    """When resets count as accepted, and when they could act.

    They count as they were made, or from the end of the work they were made under.
    """
    found: dict[Moment, Moment] = {}
    for reset in then.book.resets[section]:
        if reset.at > then.raised:
            continue
        over = [
            one.end
            for one in then.book.work(section)
            if one.start <= reset.time < one.end <= then.raised
        ]
        counts = max(over, default=reset.time)
        found[counts] = max(counts, reset.at)
    return dict(sorted(found.items()))


def _proofs(section: str, then: Then) -> Iterator[tuple[Moment, bool]]:
    """When a train had worked through *section*, and whether that is beyond doubt."""
    run: list[Piece] = []
    for one in then.pieces(section):
        done = one.state in {State.CLEAR, State.AWAITING_ACKNOWLEDGEMENT}
        if done and run:
            explained = then.beside(section, one.start, entry=False)
            if explained:
                yield from _proof(section, run, one, then)
        if one.state is State.CLEAR:
            run = []
        elif one.state is not None:
            run.append(one)


def _proof(
    section: str, run: Sequence[Piece], ended: Piece, then: Then
) -> Iterator[tuple[Moment, bool]]:
    states = [one.state for one in run]
    swept = State.AWAITING_SWEEP in states and states[-1] in {
        State.AWAITING_SWEEP,
        State.OCCUPIED,
    }
    by_reset = any(
        one.at - then.rules.skew <= ended.start <= one.at + then.rules.reset_effect
        for one in then.book.resets[section]
    )
    tally = then.book.tally(section, ended.start)
    entered = run[0].first or then.beside(section, run[0].start, entry=True)
    if swept:
        yield ended.start, not by_reset
    elif State.AWAITING_ACKNOWLEDGEMENT in states:
        return  # an acknowledgement by itself proves and disproves nothing
    elif ended.state is State.CLEAR and entered and not by_reset and not tally:
        yield ended.start, set(states) == {State.OCCUPIED}


def _count_mismatch(alert: Record, then: Then, _: Sequence[Record]) -> Doubts:
    began = parse(alert["began"])
    given = [then.book.events.get(one["event"] or "") for one in alert["evidence"]]
    found = [one for one in given if one is not None]
    if not any(_same(at, began) for _, at in found):
        yield Doubt(f"none of its evidence is of {_clock(began)}")
    passages = sorted(
        (at, event.subject, event.axles)
        for event, at in found
        if isinstance(event, HeadPassage)
    )
    if passages:
        yield from _passages_differ(alert["subject"], passages, then)
    else:
        yield from _left_over(alert["subject"], then)


def _passages_differ(
    subject: str, passages: Sequence[tuple[Moment, str, int]], then: Then
) -> Doubts:
    """One train at successive heads; the one that departs from the others is the suspect."""
    heads = then.line.heads
    known = [one for one in passages if one[1] in heads]
    for (_, one, _), (_, other, _) in pairwise(known):
        shared = set(heads[one].between) & set(heads[other].between)
        if one != other and not shared & set(then.line.sections):
            yield Doubt(f"{one} and {other} are not heads of one section")
    counts = {head: axles for _, head, axles in known}
    if len(set(counts.values())) < 2:
        yield Doubt("the passages it rests on were counted alike")
        return
    (usual, most), *_ = Counter(counts.values()).most_common(1)
    if subject.startswith("head/"):
        head = subject.removeprefix("head/")
        if head not in counts:
            yield Doubt(f"{head} did not count that train")
        elif most > 1 and counts[head] == usual:
            yield Doubt(f"{head} counted {usual} axles, as {most} heads did")
        elif most == 1:
            yield Doubt("which head departs from the others is open", sure=False)
    elif not any(_section(subject) in heads[head].between for head in counts):
        yield Doubt(f"no head of {_section(subject)} counted that train")
    counted = {at for at, _, _ in known}
    near = {
        one
        for _, head, _ in known
        for one in heads[head].between
        if one in then.line.sections
    }
    due = counted | {at + then.rules.skew for at in counted}
    due |= {heard for at in counted for one in near for heard in then.heard(one, at)}
    yield from then.fell_due(due, "it was counted")


def _left_over(subject: str, then: Then) -> Doubts:
    """One to three axles left in a section, or as many too many and too few beside a head."""
    if subject.startswith("section/"):
        section = _section(subject)
        yield from _few(section, then)
        yield from _still_there(section, then)
        return
    head = then.line.heads[subject.removeprefix("head/")]
    beside = [one for one in head.between if one in then.line.sections]
    tallies = [then.book.tally(one, then.raised) or 0 for one in beside]
    left = [one for one, tally in zip(beside, tallies, strict=True) if tally]
    if not left:
        yield Doubt(f"no axles were left beside {head.id}")
        return
    for section in left:
        yield from _few(section, then)
    if sum(tallies) or len(left) < 2:
        yield Doubt(f"what was left beside {head.id} does not make up for each other")
    elif all(list(_still_there(one, then)) for one in left):
        yield Doubt(f"no train was seen to go on from beside {head.id}", sure=False)


def _few(section: str, then: Then) -> Doubts:
    tally = then.book.tally(section, then.raised)
    if tally is None:
        yield Doubt(f"no tally of {section} was given")
    elif not 1 <= abs(tally) <= FEW:
        yield Doubt(f"the tally of {section} was {tally} at {_clock(then.raised)}")


def _still_there(section: str, then: Then) -> Doubts:
    """Raised with rule (b) of `occupied-no-train`."""
    cleared = [
        piece.start
        for one in then.line.neighbours(section)
        for piece in then.clears(one, LONG_AGO, then.raised)
    ]
    every = [list(_gone_on(section, one, then)) for one in sorted(cleared)]
    if not every:
        yield Doubt(f"no train was seen to go on from {section}")
    else:
        yield from min(reversed(every), key=_weight)


# The door.

_KINDS: dict[str, tuple[str, Callable[[Record, Then, Sequence[Record]], Doubts]]] = {
    "occupied-no-train": ("section", _occupied_no_train),
    "vanished-train": ("section", _vanished_train),
    "unseen-train": ("section", _unseen_train),
    "reset-unproved": ("section", _reset_unproved),
    "count-mismatch": ("section or head", _count_mismatch),
}

KINDS = tuple(_KINDS)
"""The kinds that are worked out again."""

LASTING = frozenset({"vanished-train", "unseen-train"})
"""Kinds that only a person ends."""


def check(
    alert: Record, book: Book, others: Sequence[Record] = (), rules: Rules | None = None
) -> Verdict:
    """Work *alert* out again.

    Args:
        alert: its record, one of `KINDS`.
        book: the recording it was raised from.
        others: the other alerts of that recording, which some meanings speak of.
        rules: the durations at its place, where they are not those of the line.

    Raises:
        KeyError: it is of another kind, or its record lacks a field.
    """
    doubts = list(_formal(alert, book))
    if not doubts:
        then = Then(
            book=book,
            raised=parse(alert["raised"]) + 999,
            rules=book.rules if rules is None else rules,
        )
        doubts = list(_KINDS[alert["kind"]][1](alert, then, others))
    doubts.sort(key=lambda one: not one.sure)
    opinion = Opinion.AGREES
    if doubts:
        opinion = Opinion.DISAGREES if doubts[0].sure else Opinion.CANNOT_TELL
    return Verdict(
        id=alert["id"],
        kind=alert["kind"],
        subject=alert["subject"],
        opinion=opinion,
        why=doubts[0].why if doubts else "",
    )


def _formal(alert: Record, book: Book) -> Doubts:
    """What must be so of every alert."""
    text = f"{alert['kind']}\n{alert['subject']}\n{alert['began']}"
    if hashlib.sha256(text.encode()).hexdigest()[:16] != alert["id"]:
        yield Doubt("its id is not that of its kind, subject and beginning")
    what, _, name = alert["subject"].partition("/")
    places = {"section": book.line.sections, "head": book.line.heads}.get(what, {})
    if name not in places or what not in _KINDS[alert["kind"]][0]:
        yield Doubt(f"there is no {alert['subject']} for it to be about")
    if parse(alert["raised"]) < parse(alert["began"]):
        yield Doubt("it was raised before it began")
    if alert["kind"] in LASTING and alert["ended"] is not None:
        yield Doubt("it ended, which only a person can make it do")
    if not alert["evidence"]:
        yield Doubt("it has no evidence")
    for one in alert["evidence"]:
        yield from _borne_out(one, book)


def _borne_out(evidence: Record, book: Book) -> Doubts:
    name = evidence["event"]
    if not name:
        return
    if name not in book.events:
        yield Doubt(f"the recording has no event {name}")
        return
    event, at = book.events[name]
    time = parse(evidence["time"])
    # What happened under work counts from the end of that.
    over = (spell.end for spell in book.work(event.subject))
    if not any(_same(time, one) for one in (at, event.time, *over)):
        yield Doubt(f"event {name} is of {_clock(at)}, not of {_clock(time)}")


def recheck(
    alerts: Iterable[Record],
    book: Book,
    rules: Callable[[str], Rules] | None = None,
) -> Iterator[Verdict]:
    """Work out again every alert that is one of `KINDS`, in their order.

    Args:
        alerts: the records of all alerts of a recording, one for each id.
        book: the recording.
        rules: the durations at a section or head, where they are not alike everywhere.
    """
    known = list(alerts)
    for alert in known:
        if alert["kind"] in _KINDS:
            name = alert["subject"].partition("/")[2]
            at = rules(name) if rules is not None else None
            yield check(alert, book, known, at)
