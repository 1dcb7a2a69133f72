"""The whole core behind one door, the same live and in replay.

Events go in, in order of arrival; alerts, facts, faults, calls and the monitor's own records come out.
The engine is the only thing here that remembers: it is a fold over the journal, and the same journal gives the same alerts, byte for byte.

How time passes.
`take` and `pass_time` first let time pass up to the arrival, then place the event.
Whatever the watermark has passed is settled: events in order of time, and between them everything that falls due by silence alone, each *at its own moment*: before the event that comes after it, and after the events of the same moment.
What is due at one moment goes by stage, then kind, then subject.
So how often a clock ticks, how events are batched, and how long ordering waits, change nothing.

The way of one event: ordering, hearing, occupancy, entries, trains, counts, then chronicle (facts), usual (learning) and the detectors, whose findings become alerts, and alerts faults and calls.
A change is told to all of them before what it leads to is told to any.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from typing import Any

from monitor.core.alerts import Alert, Alerts, identify
from monitor.core.causes import Causes, Limits
from monitor.core.changes import (
    AssetDisturbed,
    CauseBegan,
    CauseEnded,
    Change,
    ClockJudged,
    Disturbance,
    GapFound,
    GatewayHeard,
    GatewaySilent,
    HeadPassed,
    KnownAgain,
    LearntAnew,
    LevelMeasured,
    NotKnown,
    OccupationEnded,
    ResetTaken,
    StateChanged,
    Verdict,
    WorkBegan,
    WorkedThrough,
    WorkEnded,
    WorkRenamed,
)
from monitor.core.chronicle import Chronicle
from monitor.core.counts import Counts
from monitor.core.dependence import Dependence
from monitor.core.detector import DO_FIRST, Detector, Finding, Found, first_act
from monitor.core.detectors.common_cause import CommonCause
from monitor.core.detectors.count_mismatch import CountMismatch
from monitor.core.detectors.occupied_no_train import OccupiedNoTrain
from monitor.core.detectors.reset_unproved import ResetUnproved, Timer
from monitor.core.detectors.unseen_train import UnseenTrain
from monitor.core.entries import Entries
from monitor.core.events import (
    AnyEvent,
    EvaluatorState,
    Event,
    GatewayStatus,
    HeadLevel,
    HeadPassage,
    MonitorRecord,
    RecordKind,
    SectionReset,
    SectionState,
    SectionWork,
    SourceWatch,
    State,
    by_people,
)
from monitor.core.facts import Fact
from monitor.core.faults import Call, Fault, Faults, trains_standing
from monitor.core.hearing import Heard, Hearing
from monitor.core.lately import Lately
from monitor.core.layout import OPEN, Line
from monitor.core.moments import (
    DAY,
    LATEST,
    SECOND,
    Moment,
    midnight_before,
    seconds,
    stamp,
)
from monitor.core.occupancy import Occupancy, Shown, Why
from monitor.core.ordering import Gap, Kind, Ordering, Outcome, Released
from monitor.core.silences import Silences, read_silences
from monitor.core.statistics.poisson import Gamma
from monitor.core.suppression import Covered
from monitor.core.trains import Trains
from monitor.core.tuning import Detection, DetectionFault, Words
from monitor.core.untold import Untold
from monitor.core.urgency import Urgency
from monitor.core.usual import Learning, Usual, read_learnt
from monitor.core.watching import Watch, Watching
from monitor.core.words import STATES, clock, names

__all__ = ["Detection", "DetectionFault", "Engine", "Output", "Words"]

Listener = Callable[[Change], None]
"""Is told of changes, and tells nobody."""

LEARNT_FROM = frozenset(
    {OccupationEnded, WorkedThrough, Disturbance, StateChanged, KnownAgain, NotKnown}
)
"""What is usual is learnt from these."""

# The order of the stages, for what falls due at one moment.
DAY_STAGE, HEARING_STAGE, LATE_STAGE, TRAIN_STAGE, DETECTOR_STAGE, FAULT_STAGE = range(
    6
)


NO_WAKE = (LATEST, FAULT_STAGE)
"""Later than any wake."""


@dataclass(frozen=True, slots=True)
class Output:
    """What one event, or the passing of time, brought.

    Args:
        alerts: alert records, one for each that was raised, changed or ended, in order.
        facts: what was so.
        records: what the monitor did or learnt, to be journaled after the event that led to it.
        faults: as they stand now, one for each time one changed, in order.
        calls: for what somebody is needed now, in order.
    """

    alerts: tuple[Alert, ...] = ()
    facts: tuple[Fact, ...] = ()
    records: tuple[MonitorRecord, ...] = ()
    faults: tuple[Fault, ...] = ()
    calls: tuple[Call, ...] = ()

    def __bool__(self) -> bool:
        return bool(
            self.alerts or self.facts or self.records or self.faults or self.calls
        )


NOTHING = Output()


class Engine:
    """The core: a fold over events in order of arrival.

    Args:
        line: the line file.
        settings: every number that conclusions depend on.
        monitor: the monitor's id, for its records and for faults of its own clock.
        learnt: the `learnt` records of the recording or journal, found by a first pass, so that each is known at its midnight.
    """

    def __init__(
        self,
        line: Line,
        settings: Detection | None = None,
        *,
        monitor: str = "monitor-1",
        learnt: Iterable[MonitorRecord] = (),
    ) -> None:
        self.line = line
        self.settings = settings if settings is not None else Detection()
        self.monitor = monitor
        words = self.settings.words
        skew = seconds(words.skew_s)
        self.ordering = Ordering(seconds(words.patience_s))
        self.untold = Untold(self.ordering.clocks.correction)
        self.hearing = Hearing(line, seconds(words.period_s), skew)
        self.occupancy = Occupancy(line)
        self.entries = Entries(
            line,
            skew,
            seconds(words.settle_s),
            seconds(words.reset_effect_s),
            self.hearing.source_of,
            self._heard_past,
            lambda section: self.occupancy.sections[section].axles,
        )
        self.trains = Trains(
            line,
            skew,
            self.entries.around,
            self.entries.is_dark,
            lambda section: self.occupancy.sections[section].axles,
            lambda section: self.occupancy.sections[section].most,
            Urgency(self._sure_past, self.hearing.source_of),
        )
        self.counts = Counts(line, self.occupancy.sections)
        self.dependence = Dependence(line)
        self.causes = Causes(self.dependence, self._limits(), self._rate)
        self._hearers: dict[type[Change], tuple[Callable[[Any], None], ...]] = {}
        self._listeners: list[tuple[frozenset[type[Change]], Listener]] = []
        self.chronicle = Chronicle(
            beside=line.neighbours,
            most=lambda section: self.occupancy.sections[section].most,
        )
        self.lately = Lately(line)
        self.alerts = Alerts()
        self.faults = Faults(
            line=line,
            recall_after=seconds(words.recall_after_s),
            join_wait=seconds(words.join_wait_s),
            again_within=seconds(words.again_within_s),
            standing=self._trains_standing,
            ask=lambda due: self._wake_at(due, FAULT_STAGE, ""),
        )
        self.learning = Learning(line)
        self.silences = Silences(line.zone)
        self.usual: dict[str, Usual] = {}
        self.now: Moment | None = None
        self.unknown = 0
        self.raised: dict[str, int] = {}
        self._adrift: set[str] = set()
        self._late_until: dict[str, Moment] = {}
        self._learnt: dict[Moment, dict[str, Any]] = {}
        self._learnt_until: Moment | None = None
        self._wakes: list[tuple[Any, ...]] = []
        self._woken = 0
        self.watching = Watching(line, self.settings, self._standing, self._ask)
        self._alerts: list[Alert] = []
        self._facts: list[Fact] = []
        self._records: list[MonitorRecord] = []
        for record in learnt:
            self._note_learnt(record)

    # The door.

    @property
    def watermark(self) -> Moment | None:
        """How far time has surely come, in event time."""
        return self.ordering.watermark

    def take(self, event: AnyEvent) -> Output:
        """One more event has come; events come in order of arrival."""
        if isinstance(event, MonitorRecord):
            self._record(event)
        elif event.arrival is None:
            for known, arrival in self.untold.take(event):
                self._take(known, arrival)
        else:
            self._take(event, event.arrival)
        return self._give()

    def _take(self, event: AnyEvent, arrival: Moment | None) -> None:
        ordering = self.ordering
        if arrival is not None:
            ordering.pass_time(arrival)
        elif not (event.retained or by_people(event.source)) and not (
            isinstance(event, GatewayStatus) and not event.online
        ):
            # A recording that does not say when its events came: their own times are all there is.
            ordering.pass_time(event.time)
        self._advance()
        settled = ordering.watermark
        outcome = ordering.take(event, told=arrival is not None)
        if isinstance(event, SectionState) and event.subject in self.occupancy.shown:
            self._show(event, outcome)
        if outcome is not Outcome.PLACED:
            if outcome is Outcome.LATE:
                self._late(event, self._corrected(event))
            if outcome in (Outcome.LATE, Outcome.HELD):
                self._alive(event)
        if ordering.corrected or ordering.judged or ordering.late:
            self._clocks()
        elif outcome is Outcome.PLACED and settled == ordering.watermark:
            at = ordering.next_at()
            if at is not None and (settled is None or at > settled):
                return  # nothing has become due by its coming
        self._advance()

    def pass_time(self, arrival: Moment) -> Output:
        """Nothing came up to *arrival*."""
        self.ordering.pass_time(arrival)
        self._advance()
        return self._give()

    def finish(self, until: Moment | None = None) -> Output:
        """A recording is over: everything in it is settled, and what falls due up to its last event, or *until*, is concluded."""
        for event, arrival in self.untold.flush():
            self._take(event, arrival)
        self.ordering.flush(until)
        self._clocks()
        self._advance()
        return self._give()

    def _limits(self) -> Limits:
        """When several failures are one, as set for the detection that says so."""
        words = self.settings.words
        cause = next(
            (one for one in self.settings.detectors if isinstance(one, CommonCause)),
            CommonCause(),
        )
        return Limits(
            members=cause.members,
            window=seconds(cause.window_s),
            storm=seconds(cause.storm_s),
            rest=seconds(cause.rest_s),
            longest=seconds(cause.longest_s),
            skew=seconds(words.skew_s),
        )

    def _rate(self, section: str) -> float | None:
        """How often *section* is disturbed a day, as far as that is learnt."""
        usual = self.usual.get(section)
        if usual is None or not usual.rate_known:
            return None
        prior = Gamma(usual.prior_shape, usual.prior_days)
        return prior.after(usual.disturbances, usual.exposure_days).mean

    # What people may ask.

    def listen(self, kinds: frozenset[type[Change]], hear: Listener) -> None:
        """Tell *hear* of every change of *kinds*, before anybody else and as it is settled.

        It is for whoever draws or explains what was so; nothing is concluded from what it does.
        """
        self._listeners.append((kinds, hear))
        self._hearers.clear()

    def shown(self, section: str) -> Shown:
        """What *section* shows by the newest event that came."""
        return self.occupancy.shown[section]

    def not_known(self) -> dict[str, str]:
        """The sections whose state is not known, and why."""
        return {
            name: ", ".join(sorted(section.reasons))
            for name, section in self.occupancy.sections.items()
            if section.reasons
        }

    def resets_waiting(self) -> dict[str, Fact]:
        """The accepted resets that no train has followed yet, by section."""
        return dict(self.chronicle.waiting)

    def reset_timers(self, now: Moment) -> dict[str, Timer]:
        """How far each reset that waits for a train has come at *now*, by section; none of those for which that is not watched."""
        found = {}
        slots = [
            slot
            for slot, detector in enumerate(self.settings.detectors)
            if isinstance(detector, ResetUnproved)
        ]
        for section in self.chronicle.waiting:
            for slot in slots:
                watch = self.watching.at(slot, section)
                if isinstance(watch.detector, ResetUnproved):
                    timer = watch.detector.timer(watch.memory, now, watch.place)
                    if timer is not None:
                        found[section] = timer
        return found

    def explain(self, section: str, kind: str | None = None) -> list[str]:
        """What each detection about *section*, its evaluator, gateway and source knows now, and what keeps it quiet.

        Raises:
            KeyError: the line file has no such section.
        """
        # Up to the watermark everything is known, whether or not something happened.
        now = max(self.now or 0, self.watermark or self.ordering.arrival)
        places = self._places_of(section)
        said = self._known_of(section, now)
        for slot, detector in enumerate(self.settings.detectors):
            if kind in (None, detector.kind):
                there = list(places[detector.places])
                if AssetDisturbed in detector.hears:
                    there += places["asset"]
                if isinstance(detector, CountMismatch):
                    there.append(f"section/{section}")
                said += self._behind(detector, section, now)
                watches = [self.watching.at(slot, place) for place in there]
                for watch in watches:
                    said += self._explained(watch, now)
                rules = dict.fromkeys(one.detector.rule() for one in watches)
                said += [
                    f"{detector.kind}: {rule}" for rule in rules or (detector.rule(),)
                ]
        if kind is None:
            said += self.faults.explain(section, now)
        return said

    def _places_of(self, section: str) -> dict[str, list[str]]:
        """*section* and whatever belongs to it, by what detections are about."""
        evaluator = self.line.sections[section].evaluator
        gateway = self.line.evaluators[evaluator].gateway
        source = self.hearing.source_of(section)
        return {
            "section": [section],
            "evaluator": [evaluator],
            "gateway": [gateway] if gateway is not None else [],
            "source": [source] if source is not None else [],
            "head": list(self.line.heads_of(section)),
            "asset": list(self.dependence.assets_of(f"section/{section}")),
        }

    def _known_of(self, section: str, now: Moment) -> list[str]:
        """What every detection about *section* goes by."""
        settled = self.occupancy.sections[section]
        source = self.hearing.source_of(section)
        said = self._shown_in_words(section, now)
        if settled.reasons:
            said.append(
                f"{section} is not known: {', '.join(sorted(settled.reasons))}; "
                "nothing is concluded against it or its neighbours."
            )
        if settled.under_work:
            said.append(f"{section} is under work: nothing is raised about it.")
        said += self.entries.explain(section, now)
        said += self.lately.explain(section, now)
        said += self.trains.explain(section, now)
        if source is not None:
            said += self.hearing.explain(source, now)
            said += self.ordering.clocks.explain(source)
        return said

    def _behind(self, detector: Detector, section: str, now: Moment) -> list[str]:
        """What the stages know besides that *detector* goes by."""
        said: list[str] = []
        if isinstance(detector, CountMismatch):
            said = self._counted(section)
        elif isinstance(detector, UnseenTrain):
            for near in self.line.neighbours(section):
                said += self.lately.explain(near, now)
        return [f"{detector.kind} (section/{section}): {text}" for text in said]

    def _counted(self, section: str) -> list[str]:
        """What heads and tallies say of *section* and of the trains in it."""
        said = self.counts.explain(section)
        for train in self.trains.in_section(section):
            counts = [f"{one.axles} at {one.head}" for one in train.counts]
            if counts:
                said.append(f"t{train.number} was counted as {names(counts)}.")
        return said

    def _shown_in_words(self, section: str, now: Moment) -> list[str]:
        settled = self.occupancy.sections[section]
        if settled.state is None:
            # A day is looked at, or a recording: what came before that nobody asked.
            return [f"{section} has not been heard in what is looked at."]
        since = clock(settled.so_since, self.line.zone, now)
        return [f"{section} shows {STATES[settled.state.value]} since {since}."]

    def _explained(self, watch: Watch, now: Moment) -> list[str]:
        kind, subject = watch.order
        sentences = watch.detector.explain(watch.memory, now, watch.place)
        if isinstance(watch.detector, CommonCause):
            sentences = (*sentences, *self.causes.explain(subject, now))
        said = [f"{kind} ({subject}): {text}" for text in sentences]
        for alert in self.alerts.about(kind, subject):
            quiet = alert.parameters.get("quiet")
            tail = f", quiet because {quiet}" if quiet else ""
            said.append(
                f"{kind} ({subject}): alert {alert.id} is open since "
                f"{clock(alert.raised, watch.place.zone, now)}{tail}."
            )
        return said

    # The monitor's own records.

    def _record(self, record: MonitorRecord) -> None:
        values = record.values
        if values.get("arrival") == "recorded":
            return  # a feed that is played: nothing passes between its events
        match record.kind:
            case RecordKind.CLOCK:
                correction = round(float(values["correction_s"]) * SECOND)
                self.ordering.correct(str(values["source"]), correction)
            case RecordKind.LEARNT:
                self._note_learnt(record)
                self._use_learnt()
            case RecordKind.STARTED | RecordKind.CONNECTED if not values.get("still"):
                # Nobody saw to it that the run before said good-bye.
                self.ordering.ticking = False
                if values.get("session") == "new" and self.now is not None:
                    self._session_lost()
            case RecordKind.CONNECTED | RecordKind.DISCONNECTED | RecordKind.DRAINED:
                self._connection(record)
        self._advance()

    def _connection(self, record: MonitorRecord) -> None:
        """While connected, and the queue of the broker drained, time passes by arrival too."""
        ordering = self.ordering
        if record.kind is RecordKind.DRAINED and not ordering.ticking:
            ordering.ticking = True
            self._judge_deferred()
        if record.arrival is not None:
            ordering.pass_time(record.arrival)
        self._advance()
        if record.kind is RecordKind.DISCONNECTED:
            ordering.ticking = False

    def _session_lost(self) -> None:
        # The broker kept nothing for us: whatever was sent meanwhile is gone.
        at = self.now or 0
        for section in self.line.sections:
            source = self.hearing.source_of(section)
            heard = self.hearing.sources.get(source or "")
            since = heard.last_at if heard is not None else at
            self._tell_all(self.occupancy.lose(section, Why.GAP, since=since, at=at))
        for source in self.hearing.sources:
            self._tell_derived(self.entries.not_heard(source, at))
            self.trains.urgency.not_heard(source)

    def _write(
        self, kind: RecordKind, name: str, at: Moment, values: dict[str, Any]
    ) -> None:
        self._records.append(
            MonitorRecord(
                id=f"{kind.value}/{name}/{stamp(at)}",
                source=self.monitor,
                subject=self.monitor,
                time=at,
                arrival=self.ordering.arrival or at,
                kind=kind,
                values=values,
            )
        )

    def _clocks(self) -> None:
        ordering = self.ordering
        for source, correction, arrival in ordering.corrected:
            values = {"source": source, "correction_s": round(correction / SECOND, 1)}
            self._write(RecordKind.CLOCK, source, arrival, values)
        ordering.corrected.clear()
        judged = ordering.judged[:]
        ordering.judged.clear()
        late = ordering.late[:]
        ordering.late.clear()
        for event, at in late:
            self._late(event, at)
        for change in judged:
            if change.nobody:
                self._tell(replace(change, place=f"monitor/{self.monitor}"))
                continue
            self._tell(change)
            if self.untold.judged:
                self._clock_untold(change)

    def _clock_untold(self, change: ClockJudged) -> None:
        """A clock turned wrong, or right again, in a recording that does not say when events came."""
        now = self.now if self.now is not None else change.at
        sections = self.hearing.sections_of(change.place)
        if change.wrong:
            self._adrift.add(change.place)
            for section in sections:
                since = min(now, change.began)
                lost = self.occupancy.lose(section, Why.CLOCK, since=since, at=now)
                self._tell_all(lost)
            return
        self._adrift.discard(change.place)
        for section in sections:
            self._tell_all(self.occupancy.regain(section, Why.CLOCK, now))

    # What is learnt.

    def _note_learnt(self, record: MonitorRecord) -> None:
        try:
            until, _ = read_learnt(record.values)
        except ValueError:
            return  # no record that we wrote: what it says is learnt anew
        self._learnt[until] = record.values

    def _use_learnt(self) -> None:
        now = self.now
        if now is None:
            return
        known = [until for until in self._learnt if until <= now]
        if known and (self._learnt_until is None or max(known) > self._learnt_until):
            self._apply_learnt(max(known), now)

    def _apply_learnt(self, until: Moment, at: Moment) -> None:
        values = self._learnt.pop(until)
        _, self.usual = read_learnt(values)
        self.hearing.limits = read_silences(values.get("silences"))
        for source, heard in self.hearing.sources.items():
            if heard.period is None and heard.wake is None:
                self._watch_silence(source, heard)
        self._learnt_until = until
        for place in self.watching.sections_that_learn():
            usual = self.usual.get(place)
            if usual is not None:
                self._watch_change(LearntAnew(place=place, at=at, usual=usual))

    def _midnight(self, midnight: Moment) -> None:
        self._wake_at(midnight + DAY, DAY_STAGE, "")
        if midnight not in self._learnt:
            values = self.learning.learn(midnight)
            going_on = {
                source: heard.last_at
                for source, heard in self.hearing.sources.items()
                if heard.period is None and not heard.silent
            }
            silences = self.silences.learnt(midnight, going_on)
            if silences:
                values["silences"] = silences
            self._learnt[midnight] = values
            self._write(RecordKind.LEARNT, "day", midnight, values)
        self.silences.turn()
        self._apply_learnt(midnight, midnight)

    # Settling.

    def _show(self, event: SectionState, outcome: Outcome) -> None:
        if outcome is Outcome.REPEAT or outcome is Outcome.STILL:
            return
        at = self._corrected(event)
        self.occupancy.show(event, at, late=outcome is Outcome.LATE)

    def _corrected(self, event: Event) -> Moment:
        clock = self.ordering.clocks.sources.get(event.source)
        return event.time + (clock.correction if clock is not None else 0)

    def _alive(self, event: Event) -> None:
        # What comes too late for conclusions, or waits, is no silence all the same.
        heard = self.hearing.sources.get(event.source)
        present = self.ordering.present()
        if heard is not None and present is not None:
            heard.alive = max(heard.alive, present)

    def _late(self, event: Event, at: Moment) -> None:
        if event.subject not in self.line.sections:
            return
        # Whatever the watermark has passed is settled: it is no earlier than that now.
        settled = (self.now, self.ordering.watermark)
        now = max((one for one in settled if one is not None), default=event.time)
        latest = self.ordering.latest
        if isinstance(event, SectionState):
            changes = self.occupancy.late(event, at, now)
        else:
            changes = self.occupancy.lose(event.subject, Why.LATE, since=at, at=now)
        self._tell_all(changes)
        if latest is not None:
            self._late_until[event.subject] = latest
            self._wake_at(latest, LATE_STAGE, event.subject)

    def _advance(self) -> None:
        """Settle whatever the watermark has passed."""
        ordering = self.ordering
        watermark = ordering.watermark
        if watermark is None:
            return
        while True:
            at = ordering.next_at()
            if at is None or at > watermark:
                break
            self._wake_before(at)
            if self.now is None:
                self._first(at)
            self.now = at
            self._settle(ordering.release())
        self._wake_before(watermark + 1)

    def _first(self, at: Moment) -> None:
        self.now = at
        midnight = midnight_before(at) + DAY
        self._wake_at(midnight, DAY_STAGE, "")
        self._use_learnt()

    def _wake_before(self, limit: Moment) -> None:
        """Wake everything that is due before *limit*, each at its own moment."""
        wakes, entries = self._wakes, self.entries
        trains, causes = self.trains, self.causes
        while True:
            stage: Entries | Trains | Causes = entries
            due = entries.next_due()
            other = trains.next_due()
            if other is not None and (due is None or other < due):
                stage, due = trains, other
            if causes.forming:
                other = causes.next_due()
                if other is not None and (due is None or other < due):
                    stage, due = causes, other
            first = wakes[0] if wakes else NO_WAKE
            if (
                due is not None
                and due < limit
                and (due < first[0] or (due == first[0] and first[1] > TRAIN_STAGE))
            ):
                self.now = due
                self._tell_derived(stage.wake(due))
            elif first[0] < limit:
                self._fall_due(*heappop(wakes))
            else:
                return

    def _wake_at(self, due: Moment, stage: int, place: str) -> None:
        """Something other than a detector asks to be woken."""
        self._woken += 1
        heappush(self._wakes, (due, stage, "", place, self._woken, place))

    def _ask(self, watch: Watch, due: Moment) -> None:
        """A detector asks to be woken."""
        self._woken += 1
        entry = (due, DETECTOR_STAGE, *watch.order, self._woken, watch)
        heappush(self._wakes, entry)

    def _fall_due(
        self, at: Moment, stage: int, _kind: str, place: str, _number: int, what: Any
    ) -> None:
        if stage == DETECTOR_STAGE:
            if what.due == at:
                self.now = at
            findings = self.watching.wake(what, at)
            if findings:
                self._found(what, findings)
            return
        self.now = at if self.now is None else max(at, self.now)
        if stage == FAULT_STAGE:
            self.faults.wake(at)
        elif stage == DAY_STAGE:
            self._midnight(at)
        elif stage == HEARING_STAGE:
            self._silence(place, self.now)
        elif self._late_until.get(place) == at:
            del self._late_until[place]
            self._tell_all(self.occupancy.regain(place, Why.LATE, self.now))

    def _settle(self, released: Released) -> None:
        what = released.what
        if released.kind is Kind.GAP:
            self._gap_over(what, released.at)
        elif released.kind is Kind.STILL:
            if isinstance(what, SectionState) and what.subject in self.line.sections:
                self._tell_all(self.occupancy.still(what, released.at))
        else:
            self._event(what, released.at)

    def _event(self, event: AnyEvent, at: Moment) -> None:
        if not (event.retained or by_people(event.source)):
            if isinstance(event, GatewayStatus) and not event.online:
                self._offline(event, at)
                return
            self._heard(event, at)
        if self._knows(event):
            self._act(event, at)
        else:
            self.unknown += 1

    def _act(self, event: AnyEvent, at: Moment) -> None:
        match event:
            case SectionState():
                self._section_state(event, at)
            case SectionReset():
                self._reset(event, at)
            case SectionWork():
                self._tell_all(self.occupancy.work(event, at))
            case EvaluatorState():
                self._tell_all(self.occupancy.evaluator(event, at))
            case HeadPassage():
                self._passage(event, at)
            case HeadLevel():
                self._level(event, at)
            case SourceWatch():
                self._watch(event, at)

    def _knows(self, event: AnyEvent) -> bool:
        """Whether the line file has what *event* speaks of; gateways, sources and the monitor need not be in it."""
        match event:
            case SectionState() | SectionReset() | SectionWork():
                return event.subject in self.line.sections
            case EvaluatorState():
                return event.subject in self.line.evaluators
            case HeadPassage() | HeadLevel():
                return event.subject in self.line.heads
        return True

    def _section_state(self, event: SectionState, at: Moment) -> None:
        if not (event.retained and event.subject in self.hearing.speaks_for):
            self.hearing.speaks_for[event.subject] = event.source
        if event.source in self._adrift:
            lost = self.occupancy.lose(event.subject, Why.CLOCK, since=at, at=at)
            self._tell_all(lost)
        self._tell_all(self.occupancy.state(event, at))
        if event.subject in self.counts.left:
            self._tell_derived(self.counts.tell(event.subject, at))

    def _reset(self, event: SectionReset, at: Moment) -> None:
        entered = by_people(event.source)
        self._tell(
            ResetTaken(
                place=event.subject,
                at=at,
                kind=event.kind,
                step=event.step,
                by=event.by,
                so_at=min(event.time, at) if entered else at,
                event=event.name,
                worked=self.entries.sections[event.subject].worked,
            )
        )

    def _passage(self, event: HeadPassage, at: Moment) -> None:
        self._tell(
            HeadPassed(
                place=event.subject,
                at=at,
                direction=event.direction,
                axles=event.axles,
                a=event.a,
                b=event.b,
                seconds=event.seconds,
                event=event.name,
            )
        )

    def _level(self, event: HeadLevel, at: Moment) -> None:
        measured = {
            "a_volts": event.a_volts,
            "b_volts": event.b_volts,
            "a_hertz": event.a_hertz,
            "b_hertz": event.b_hertz,
            "supply_volts": event.supply_volts,
        }
        values = {k: float(v) for k, v in measured.items() if v is not None}
        self._tell(
            LevelMeasured(place=event.subject, at=at, values=values, event=event.name)
        )

    # Hearing.

    def _heard_past(self, source: str | None, moment: Moment) -> Moment | None:
        if source is not None:
            until = self.ordering.in_order_until(source)
            if (until is not None and until <= moment) or self.ordering.holds(source):
                return None
        return self.hearing.heard_past(source, moment)

    def _sure_past(self, source: str | None, moment: Moment) -> Moment | None:
        """By when whatever *source* said up to *moment* has surely come, as far as its numbers or its usual silences can show that."""
        past = self._heard_past(source, moment)
        if past is None or source is None:
            return past
        if not (self.ordering.numbers(source) or source in self.hearing.limits):
            return past
        heard = self.hearing.sources.get(source)
        if heard is None or heard.silent or heard.last_at <= moment:
            return None
        return heard.last_at

    def _heard(self, event: Event, at: Moment) -> None:
        hearing = self.hearing
        before = hearing.sources.get(event.source)
        if before is not None and before.period is None and not before.silent:
            self.silences.hear(event.source, before.last_at, max(at, before.last_at))
        heard = hearing.hear(event, at)
        gap = None
        if event.sequence is not None:
            gap = self.ordering.gap_shown_by(event)
        anew = gap is not None or heard.silent
        if heard.silent:
            self._heard_again(event, heard, at, whole=gap is None)
        if gap is not None:
            self._lose_source(event.source, Why.GAP, gap.since, at)
        if isinstance(event, GatewayStatus):
            hearing.status(event, heard, restarted=anew)
        if heard.wake is None and (heard.period is not None or hearing.limits):
            self._watch_silence(event.source, heard)
        if self.entries.waits_for(event.source):
            self._tell_derived(self.entries.heard(event.source, at))
        if self.trains.urgency.waits_for(event.source):
            self._tell_derived(self.trains.heard(event.source, at))

    def _heard_again(
        self, event: Event, heard: Heard, at: Moment, *, whole: bool
    ) -> None:
        heard.silent = False
        if heard.gateway is not None:
            self._tell(GatewayHeard(place=heard.gateway, at=at, event=event.name))
        if whole and event.sequence is not None:
            for section in self.hearing.sections_of(event.source):
                self._tell_all(self.occupancy.regain(section, Why.SILENT, at))

    def _watch_silence(self, source: str, heard: Heard) -> None:
        due = self.hearing.silence_due(source, heard)
        heard.wake = due
        if due is not None:
            self._wake_at(due, HEARING_STAGE, source)

    def _silence(self, source: str, now: Moment) -> None:
        heard = self.hearing.sources[source]
        heard.wake = None
        due = self.hearing.silence_due(source, heard)
        if due is None:
            return
        if due > now:
            self._watch_silence(source, heard)
        elif not self.ordering.ticking:
            heard.deferred = True
        else:
            self._silent(source, heard, now, offline=False)

    def _judge_deferred(self) -> None:
        for source, heard in self.hearing.sources.items():
            if heard.deferred:
                heard.deferred = False
                self._watch_silence(source, heard)

    def _offline(self, event: GatewayStatus, at: Moment) -> None:
        heard = self.hearing.sources.get(event.source)
        if heard is None or heard.silent or self.hearing.is_stale_will(event, heard):
            return
        heard.gateway = event.subject
        self.hearing.gateway_source[event.subject] = event.source
        self._silent(event.source, heard, at, offline=True)

    def _silent(self, source: str, heard: Heard, now: Moment, *, offline: bool) -> None:
        heard.silent = True
        sections = self._lose_source(source, Why.SILENT, heard.last_at, now)
        if heard.gateway is not None and not heard.out:
            self._tell(
                GatewaySilent(
                    place=heard.gateway,
                    at=now,
                    since=heard.last_at,
                    event=heard.last,
                    offline=offline,
                    period=heard.period or self.hearing.default_period,
                    sections=sections,
                )
            )

    def _lose_source(
        self, source: str, why: Why, since: Moment, at: Moment
    ) -> tuple[str, ...]:
        sections = self.hearing.sections_of(source)
        for section in sections:
            self._tell_all(self.occupancy.lose(section, why, since=since, at=at))
        self._tell_derived(self.entries.not_heard(source, at))
        self.trains.urgency.not_heard(source)
        return sections

    def _gap_over(self, gap: Gap, at: Moment) -> None:
        self.ordering.close(gap)
        if gap.open:
            self._tell(
                GapFound(
                    place=gap.source,
                    at=at,
                    since=gap.since,
                    event=gap.before,
                    after=gap.after,
                    missing=gap.count,
                    sections=self.hearing.sections_of(gap.source),
                )
            )
        else:
            if self.entries.waits_for(gap.source):
                self._tell_derived(self.entries.heard(gap.source, at))
            if self.trains.urgency.waits_for(gap.source):
                self._tell_derived(self.trains.heard(gap.source, at))

    def _watch(self, event: SourceWatch, at: Moment) -> None:
        heard = self.hearing.sources.get(event.subject)
        if heard is None:
            heard = self.hearing.sources[event.subject] = Heard(at, event.name)
        heard.out = event.out
        if event.out:
            self._lose_source(event.subject, Why.OUT, at, at)
            return
        for section in self.hearing.sections_of(event.subject):
            self._tell_all(self.occupancy.regain(section, Why.OUT, at))
        if heard.wake is None:
            self._watch_silence(event.subject, heard)

    # Telling.

    def _tell_all(self, changes: list[Change]) -> None:
        for change in changes:
            self._tell(change)

    def _tell(self, change: Change) -> None:
        """Tell *change* to everybody, then what the stage of entries makes of it."""
        derived = (
            self.entries.hear(change) if type(change) in self.entries.hears else ()
        )
        self._dispatch(change)
        for one in derived:
            self._dispatch(one)

    def _tell_derived(self, changes: list[Change]) -> None:
        for change in changes:
            self._dispatch(change)

    def _dispatch(self, change: Change) -> None:
        """Tell *change* to whom it concerns, then what the later stages make of it."""
        kind = type(change)
        hearers = self._hearers.get(kind)
        if hearers is None:
            hearers = self._hearers[kind] = self._who_hears(kind)
        for hear in hearers:
            hear(change)

    def _who_hears(self, kind: type[Change]) -> tuple[Callable[[Any], None], ...]:
        """Facts, learning, detectors, what keeps alerts quiet; then the stages that follow, in their order."""
        hearers: list[Callable[[Any], None]] = [
            hear for kinds, hear in self._listeners if kind in kinds
        ]
        hearers += self._who_keeps(kind)
        if kind in LEARNT_FROM:
            hearers.append(self._learn)
        if kind in (CauseBegan, CauseEnded):
            hearers += [self._cause_told, self._cause_changed]
        elif self.watching.concerns(kind):
            hearers.append(self._watch_change)
        if kind in (WorkBegan, WorkEnded, WorkRenamed):
            renamed = kind is WorkRenamed
            hearers.append(self._work_renamed if renamed else self._work_changed)
        if kind is Disturbance and self.watching.concerns(AssetDisturbed):
            hearers.append(self._assets_disturbed)
        for stage in (self.trains, self.counts, self.causes):
            if kind in stage.hears:
                hearers.append(self._passed_on(stage))
        return tuple(hearers)

    def _who_keeps(self, kind: type[Change]) -> list[Callable[[Any], None]]:
        """Those that write down what was so."""
        hearers: list[Callable[[Any], None]] = []
        if kind in (ResetTaken, WorkedThrough):
            hearers.append(self._note_reset)
        elif kind in self.chronicle.hears:
            hearers.append(self._note)
        if kind in self.lately.hears:
            hearers.append(self.lately.hear)
        return hearers

    def _passed_on(self, stage: Trains | Counts | Causes) -> Callable[[Any], None]:
        def pass_on(change: Any) -> None:
            for one in stage.hear(change):
                self._dispatch(one)

        return pass_on

    def _note(self, change: Change) -> None:
        self._facts += self.chronicle.hear(change)

    def _note_reset(self, change: Change) -> None:
        for fact in self.chronicle.hear(change):
            self._facts.append(fact)
            if fact.ended is not None and change.place in self.chronicle.waiting:
                continue  # an older one, entered later: the newer goes on waiting
            self.faults.reset(fact, change.at if self.now is None else self.now)

    def _cause_told(self, change: CauseBegan | CauseEnded) -> None:
        # Detections of sections hear of it; an evaluator's name may be a section's too.
        if change.section:
            self._watch_change(change)

    def _watch_change(self, change: Change) -> None:
        for watch, findings in self.watching.told(change, self.now):
            self._found(watch, findings)

    def _work_changed(self, change: WorkBegan | WorkEnded) -> None:
        subject = f"section/{change.place}"
        work = self.alerts.suppression.work
        if isinstance(change, WorkBegan):
            work[subject] = change.why
        else:
            work.pop(subject, None)
        self._say(self.alerts.remark(subject))
        for head in self.line.heads_of(change.place):
            self._head_worked_on(head, change)

    def _work_renamed(self, change: WorkRenamed) -> None:
        """What keeps the section quiet has another name, and so at the heads that were quiet by it."""
        work = self.alerts.suppression.work
        section = f"section/{change.place}"
        heads = [f"head/{head}" for head in self.line.heads_of(change.place)]
        before = work[section]
        for subject in [section, *(one for one in heads if work.get(one) == before)]:
            work[subject] = change.why
            self._say(self.alerts.remark(subject))

    def _head_worked_on(self, head: str, change: WorkBegan | WorkEnded) -> None:
        """A head is under work while any section beside it is."""
        sections = self.occupancy.sections
        beside = [sections[one] for one in self.line.heads[head].between if one != OPEN]
        subject, work = f"head/{head}", self.alerts.suppression.work
        if isinstance(change, WorkBegan):
            if subject in work:
                return
            work[subject] = change.why
        elif any(one.under_work for one in beside) or subject not in work:
            return
        else:
            del work[subject]
        self._watch_head(replace(change, place=head))
        self._say(self.alerts.remark(subject))

    def _watch_head(self, change: Change) -> None:
        for watch, findings in self.watching.told(change, self.now, "head"):
            self._found(watch, findings)

    def _cause_changed(self, change: CauseBegan | CauseEnded) -> None:
        causes = self.alerts.suppression.causes
        if isinstance(change, CauseBegan):
            group = identify(CommonCause.kind, change.asset, change.began)
            causes[change.subject] = Covered(
                group=group, asset=change.asset, since=change.began
            )
        else:
            causes.pop(change.subject, None)
        self._say(self.alerts.remark(change.subject))

    def _assets_disturbed(self, change: Disturbance) -> None:
        """Tell the assets that a section needs that it was disturbed."""
        for asset in self.dependence.assets_of(f"section/{change.place}"):
            self._watch_change(
                AssetDisturbed(
                    place=asset,
                    at=change.at,
                    happened=change.happened,
                    spurious=change.spurious,
                    under_work=change.under_work,
                    event=change.event,
                    section=change.place,
                )
            )

    def _learn(self, change: Change) -> None:
        learning = self.learning
        match change:
            case OccupationEnded(entry=Verdict.EXPLAINED):
                learning.occupied(change.place, change.ended - change.began)
            case WorkedThrough():
                learning.worked_through(change.place, change.left)
            case Disturbance(under_work=False):
                learning.disturbed(change.place, change.happened)
            case StateChanged(was=None) | KnownAgain():
                learning.known(change.place, change.at)
            case NotKnown():
                learning.not_known(change.place, change.since)

    # Detectors.

    def _standing(self, kind: str, name: str) -> list[Change]:
        """How things stand at a place, as the changes that lead there."""
        if kind == "head":
            why = self.alerts.suppression.work.get(f"head/{name}")
            at = self.now if self.now is not None else self.ordering.arrival
            return [] if why is None else [WorkBegan(place=name, at=at, why=why)]
        if kind not in ("section", "asset"):
            return []
        if name not in self.occupancy.sections:
            return self._asset_standing(name)
        at = self.now if self.now is not None else self.ordering.arrival
        standing: list[Change] = []
        usual = self.usual.get(name)
        if usual is not None:
            standing.append(LearntAnew(place=name, at=at, usual=usual))
        section = self.occupancy.sections[name]
        if section.reasons - {Why.FIRST}:
            since = section.since if section.since is not None else at
            standing.append(NotKnown(place=name, at=at, since=since, why=""))
        if section.under_work:
            standing.append(WorkBegan(place=name, at=at, why=""))
        return standing

    def _asset_standing(self, name: str) -> list[Change]:
        """An asset is watched from the first event on of a section that needs it."""
        known = [
            (first, section)
            for section in self.dependence.sections_on(name)
            if (first := self.learning.first_known(section)) is not None
        ]
        if not known:
            return []
        first, section = min(known)
        state = self.occupancy.sections[section].told or State.CLEAR
        return [
            StateChanged(
                place=name, at=first, was=None, now=state, event="", so_since=first
            )
        ]

    def _found(self, watch: Watch, findings: tuple[Finding, ...]) -> None:
        kind, subject = watch.order
        for finding in findings:
            if isinstance(finding, Found):
                open_before = len(self.alerts.open)
                act = first_act(watch.detector.first, finding.priority)
                checks = (f"{DO_FIRST}{act}", *finding.checks)
                found = replace(finding, checks=checks)
                alert = self.alerts.found(kind, subject, found)
                if alert is not None and (
                    len(self.alerts.open) > open_before or finding.ended is not None
                ):
                    self.raised[kind] = self.raised.get(kind, 0) + 1
            else:
                alert = self.alerts.over(kind, subject, finding)
            if alert is not None:
                self._say([alert])

    def _say(self, alerts: list[Alert]) -> None:
        """Lines of the alert record; what they mean for faults follows at once."""
        self._alerts += alerts
        for alert in alerts:
            if alert.kind == OccupiedNoTrain.kind:
                self._facts.append(
                    self.chronicle.alert(
                        alert.subject, alert.began, alert.ended, alert.id
                    )
                )
            self.faults.hear(alert, alert.raised if self.now is None else self.now)

    def trains_standing(self, subjects: Iterable[str]) -> int:
        """How many trains stand in or before the sections among *subjects* now."""
        named = (one.partition("/") for one in subjects)
        return self._trains_standing(
            tuple(
                name
                for kind, _, name in named
                if kind == "section" and name in self.line.sections
            )
        )

    def _trains_standing(self, sections: tuple[str, ...]) -> int:
        before = seconds(self.settings.words.standing_after_s)
        since = (self.now or 0) - before
        return trains_standing(sections, self.line, self.trains, since)

    def _give(self) -> Output:
        if not (self._alerts or self._facts or self._records or self.faults.told):
            return NOTHING
        output = Output(
            tuple(self._alerts),
            tuple(self._facts),
            tuple(self._records),
            *self.faults.give(),
        )
        self._alerts, self._facts, self._records = [], [], []
        return output
