"""The running monitor as the desk asks it: engine, handling, alert file and history behind the one narrow door.

What changes something is done by one task of the daemon's, `run`, one after the other and with the daemon's turn in hand: so whoever asked may go away in the middle, and an act or entry is still either whole or not there.
An act is on disk, and an entry is on disk and concluded from, before the one who asked hears of it; a disk that fails ends that task, and with it the daemon.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import secrets
from collections.abc import Awaitable, Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol, TypeVar

from monitor import acts, lists
from monitor.core.alerts import Alert, line as alert_line, read as read_record
from monitor.core.detectors import CATALOGUE
from monitor.core.engine import Engine, Output
from monitor.core.events import AnyEvent, Direction, SectionState
from monitor.core.facts import Fact, FactKind
from monitor.core.faults import RANKS, Call, Fault
from monitor.core.layout import Line
from monitor.core.messages import headline
from monitor.core.moments import (
    DAY,
    HOUR,
    SECOND,
    Duration,
    Moment,
    midnight_before,
    parse,
    stamp,
)
from monitor.core.words import CAUTION, MEASURED, amount, span
from monitor.delivery.drill import Drill
from monitor.desk import model
from monitor.desk.burden import Burden
from monitor.desk.entering import entered, imported, moment_of, stepped, withdrawn
from monitor.desk.explaining import Explaining
from monitor.desk.model import AnyAct, AnyEntry, Asked, Done, Ending, NotThere, Who
from monitor.desk.month import month
from monitor.desk.places import Places
from monitor.desk.plain import plain
from monitor.desk.positions import Lately
from monitor.desk.records import Records
from monitor.desk.replaying import Replaying
from monitor.desk.stream import Stream
from monitor.desk.traffic import Traffic
from monitor.desk.visiting import recorded, shown as shown_visit
from monitor.desk.wheels import Wheels
from monitor.desk.windows import Made, Window
from monitor.handling import (
    Act,
    Handled,
    Handling,
    Life,
    Refused as NotTaken,
    would_have_hidden,
)
from monitor.handover import Sheet, print_sheet
from monitor.history import History
from monitor.journal import Committed, Entry, own
from monitor.keeps import Keep, entry as keep_entry
from monitor.kinds import asked as asked_of_kinds
from monitor.planned import (
    AnyRecord,
    Going,
    NoStep,
    Plans,
    Stepped,
    entry as planned_entry,
    going,
    reference_of,
    sources_of,
    works_of,
)
from monitor.planner.visit_table import write as visits_table
from monitor.planner.whereabouts import Whereabouts
from monitor.refusals import refusals
from monitor.shifts import Shift
from monitor.shown import Painted, Shown, entry as shown_entry
from monitor.store import ASKED
from monitor.visits import Visits, entry as visit_entry

Alerting = (
    model.SeenIn
    | model.ClosedIn
    | model.AttendedIn
    | model.NotedIn
    | model.FoundIn
    | model.ShelvedIn
    | model.QuietIn
)
"""The acts that are about alerts and faults."""

KEPT_FAULTS = 5000
"""Faults that have ended are remembered so many; older ones are in the alert file alone."""

OTHER = "that key was given to something else already"

KEPT_ENTRIES = 1000
"""Entries that are known again when they are sent again."""

FACTS: tuple[FactKind, ...] = (
    "occupation",
    "disturbance",
    "reset",
    "not-known",
    "work",
)
"""What is told of a section."""

T = TypeVar("T")


class OnDisk(Protocol):
    """Does work in the one thread that reads and writes files."""

    def __call__(self, work: Callable[..., T], *values: Any) -> Awaitable[T]:
        """What *work* gives for *values*."""


class Sheets(Protocol):
    """Positions and what is handed over between shifts."""

    def positions(self) -> list[model.PositionOut]:
        """The desks, and who has each."""

    def shift(self, now: Moment) -> Shift:
        """The shift that goes on."""

    async def handover(self, position: str, lately: Lately) -> Sheet:
        """The sheet of a position as it would be now.

        Raises:
            NotThere: there is no such position.
        """

    def act(self, who: Who, given: model.DeskIn, now: Moment, identity: str) -> Entry:
        """What is to be journaled for taking or handing over a desk, which is done.

        Raises:
            Refused: it cannot be done; nothing has changed.
        """


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """How the daemon stands.

    Args:
        connected: whether the broker is.
        heard: when anything came from the feed last, or None.
        silent: how long ago that was.
        rehearsal: what is shown is played, not so.
        trial: it is being tried out: nobody is called.
        why: it cannot do its work, one sentence each.
        besides: what else is wrong with it, likewise; its work goes on.
    """

    connected: bool
    heard: Moment | None
    rehearsal: bool
    trial: bool = False
    silent: Duration | None = None
    why: tuple[str, ...] = ()
    besides: tuple[str, ...] = ()

    @property
    def wrong(self) -> tuple[str, ...]:
        """All that is wrong with the monitor itself."""
        return self.why + self.besides


@dataclass(frozen=True, slots=True, kw_only=True)
class Daemonic:
    """What the daemon lends.

    Args:
        engine: as it is now.
        handling: what people did.
        history: the facts.
        records: the alerts, opened for reading.
        turn: whoever journals holds it until the engine has taken what was journaled.
        write: puts entries into the journal; they are on disk when it returns.
        conclude: tells the engine events that were journaled, and keeps what it finds.
        on_disk: does work in the thread of the files.
        pulse: how the daemon stands.
        now: the clock.
        plans: the work that is planned.
        keeps: windows of the journal that are to be kept, by id.
        visits: to parts, and what was found there.
        sheets: positions and shifts; None: none are set up.
        drill: sends a marked alert through the whole chain; None: nothing is ever sent.
        monitor: the monitor's id.
        version: of this program.
        journal: where it is, for whoever looks back; None: nobody can.
        alerts: where the store is, likewise.
    """

    engine: Callable[[], Engine]
    handling: Handling
    history: History
    records: Records
    turn: asyncio.Lock
    write: Callable[[Sequence[Entry]], Awaitable[Committed]]
    conclude: Callable[[Iterable[AnyEvent]], Awaitable[None]]
    on_disk: OnDisk
    pulse: Callable[[], Pulse]
    now: Callable[[], Moment]
    plans: Plans
    keeps: dict[str, Keep]
    visits: Visits
    monitor: str
    version: str
    sheets: Sheets | None = None
    drill: Drill | None = None
    journal: Path | None = None
    alerts: Path | None = None


def _stamped(moment: Moment | None) -> str | None:
    return None if moment is None else stamp(moment)


@dataclass(frozen=True, slots=True)
class _Open:
    """An alert that is open, as far as its fault is told with it."""

    kind: str
    subject: str
    says: str
    rank: int
    is_quiet: bool
    began: Moment


class MonitorDesk:
    """Answers what the API asks.

    Args:
        line: the line file.
        lent: by the daemon.
        stream: to which changes are told.
    """

    def __init__(self, line: Line, lent: Daemonic, stream: Stream) -> None:
        self._line = line
        self._lent = lent
        self._stream = stream
        self._places = Places(line)
        self._there = Whereabouts(line)
        self._faults: dict[str, Fault] = {}
        self._lasting: dict[str, Fault] = {}
        self._over: dict[str, Fault] = {}
        self._former: dict[str, Fault] = {}
        self._fault_of: dict[str, str] = {}
        self._open: dict[str, _Open] = {}
        self._covering: dict[str, list[str]] | None = None
        self._burden = Burden()
        self._traffic = Traffic(line.zone)
        self._wheels = Wheels(line.heads)
        self._entered: dict[str, tuple[Done, AnyEntry]] = {}
        self._jobs: asyncio.Queue[tuple[Any, asyncio.Future[Any]]] = asyncio.Queue()
        self._ended = False
        self._drilling = False
        self._painted: list[Shown] = []
        self._explaining = Explaining(lent.journal)
        self._due: dict[tuple[str, tuple[str, ...]], Going] = {}
        self._replaying = Replaying(lent.journal, lent.alerts)

    # What the daemon tells.

    def told(self, outputs: Iterable[Output], *, live: bool = True) -> None:
        """What the engine gave; at a start, out of the journal, nobody is told of it anew."""
        changed: dict[str, None] = {}
        for output in outputs:
            self._remember(output)
            if live:
                self._tell(output)
                changed.update((fact.subject, None) for fact in output.facts)
        for subject in changed:
            kind, _, name = subject.partition("/")
            if kind == "section" and name in self._line.sections:
                self._put_section(name)

    def _remember(self, output: Output) -> None:
        for fault in output.faults:
            self._keep(fault)
        for alert in output.alerts:
            self._burden.told(alert)
            if alert.ended is None:
                self._open[alert.id] = _Open(
                    alert.kind,
                    alert.subject,
                    headline(alert),
                    RANKS[alert.priority],
                    "quiet" in alert.parameters,
                    alert.began,
                )
        self._traffic.told(output.facts)

    def _tell(self, output: Output) -> None:
        for alert in output.alerts:
            self._put_alert(alert)
        for fault in output.faults:
            self._stream.put("fault", self._fault(fault).model_dump())

    def heard(self, events: Iterable[AnyEvent]) -> None:
        """What came and was concluded from: who follows is told what sections show."""
        events = tuple(events)
        self._wheels.heard(events)
        names = {
            event.subject: None for event in events if isinstance(event, SectionState)
        }
        for name in names:
            if name in self._line.sections:
                self._put_section(name)

    def _keep(self, fault: Fault) -> None:
        self._covering = None
        self._faults.pop(fault.id, None)
        self._faults[fault.id] = fault
        # In a storm most are over: whoever asks what is open shall not look through those.
        self._lasting.pop(fault.id, None)
        if fault.into is None and (fault.ended is None or fault.lasting):
            self._lasting[fault.id] = fault
        # Those that are over are looked through until somebody has seen them.
        self._over.pop(fault.id, None)
        if fault.into is None and fault.ended is not None:
            self._over[fault.id] = fault
        self._fault_of.update((alert, fault.id) for alert in fault.alerts)
        open_now = set(fault.open)
        for alert in fault.alerts:
            if alert not in open_now:
                self._open.pop(alert, None)
        if len(self._faults) > 2 * KEPT_FAULTS:
            over = [one for one in self._faults.values() if one.ended is not None]
            for one in over[:-KEPT_FAULTS]:
                del self._faults[one.id]
                self._lasting.pop(one.id, None)
                self._over.pop(one.id, None)
            kept = self._faults
            self._fault_of = {a: f for a, f in self._fault_of.items() if f in kept}

    def _put_alert(self, alert: Alert) -> None:
        record = json.loads(alert_line(alert))
        self._stream.put("alert", self._alert(record).model_dump())

    def called(self, call: Call, why: str) -> None:
        """Somebody is called, or nobody is, and why; what asked nothing of anybody is no load."""
        if not why or why in ASKED:
            self.was_called(call)
        self._stream.put(
            "call",
            {
                "fault": call.fault,
                "number": call.number,
                "alert": call.alert,
                "priority": call.priority,
                "at": stamp(call.at),
                "text": call.text,
                "standing": call.standing,
                "nobody_for": why,
            },
        )

    def was_called(self, call: Call) -> None:
        """Somebody was called before the monitor started."""
        self._burden.called(call)

    def was_told(self, former: Iterable[Fault]) -> None:
        """Faults that were told before the monitor started, and are told otherwise now: whoever has their number is led on."""
        self._former = {one.id: one for one in former}

    def _put_section(self, name: str) -> None:
        self._stream.put("section", self._section(name).model_dump())

    def looked(self) -> None:
        """Time has passed: who follows is told of work whose planned end comes soon, or is over."""
        now = self._lent.now()
        due = {
            (one.reference, one.sections): one
            for one in going(works_of(self._lent.engine()), now)
            if one.due
        }
        for key, one in due.items():
            before = self._due.get(key)
            if before is None or before.due != one.due:
                self._stream.put("work", _as_work(one).model_dump())
        self._due = due

    async def run(self) -> None:
        """Do what people ask to be done, one after the other, for ever.

        Raises:
            JournalFault: it could not be written down.
        """
        try:
            while True:
                work, done = await self._jobs.get()
                try:
                    result = await work()
                except (NotThere, model.Refused) as refused:
                    if not done.done():
                        done.set_exception(refused)
                except BaseException:
                    _let_go(done)
                    raise
                else:
                    if not done.done():
                        done.set_result(result)
        finally:
            self._ended = True
            while not self._jobs.empty():
                _let_go(self._jobs.get_nowait()[1])

    async def _do(self, work: Callable[[], Awaitable[T]]) -> T:
        if self._ended:
            raise Ending
        done: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        self._jobs.put_nowait((work, done))
        return await done

    # What is asked.

    def unready(self) -> list[str]:
        """Why it cannot do its work now."""
        why = list(self._lent.pulse().why)
        return [*why, "The monitor is ending."] if self._ended else why

    async def status(self) -> model.StatusOut:
        """How it stands."""
        engine, pulse = self._lent.engine(), self._lent.pulse()
        return model.StatusOut(
            line=self._line.name,
            timezone=self._line.timezone,
            monitor=self._lent.monitor,
            version=self._lent.version,
            now=stamp(self._lent.now()),
            heard=_stamped(pulse.heard),
            silent_s=None if pulse.silent is None else pulse.silent / SECOND,
            watermark=_stamped(engine.watermark),
            connected=pulse.connected,
            rehearsal=pulse.rehearsal,
            trial=pulse.trial,
            wrong=list(pulse.wrong),
            sections=len(self._line.sections),
            not_known=len(engine.not_known()),
            moved=_stamped(self._traffic.moved),
            trains=self._traffic.in_the_last_hour(self._lent.now()),
            usual=_listed(self._traffic.usual(self._lent.now())),
            caution=CAUTION,
        )

    async def faults(self, *, is_open: bool | None) -> list[model.FaultOut]:
        """Faults, in the order in which they came."""
        if is_open:
            over = self._over.items()
            self._over = {n: f for n, f in over if self._is_before_people(f)}
            every = {**self._lasting, **self._over}.values()
        else:
            every = self._faults.values()
        return [
            self._fault(fault)
            for fault in sorted(every, key=lambda f: (f.raised, f.id))
            if is_open is None or self._is_before_people(fault) == is_open
        ]

    async def fault(self, name: str) -> model.FaultOut:
        """The fault of a number, the one that is open before those that are not, or of an id."""
        fault = self._faults.get(name)
        if fault is None:
            named = [one for one in self._faults.values() if one.number == name.upper()]
            fault = max(
                named, key=lambda one: (self._is_open(one), one.raised), default=None
            )
        if fault is None:
            fault = self._former_of(name)
        if fault is None:
            raise NotThere(f"there is no fault {name}")
        return self._fault(fault)

    def _former_of(self, name: str) -> Fault | None:
        """The newest that was told before a start and is told otherwise now, by its number or id."""
        return next(
            (
                one
                for one in reversed(self._former.values())
                if name in {one.id, one.number} or name.upper() == one.number
            ),
            None,
        )

    def _is_open(self, fault: Fault) -> bool:
        try:
            return self._lent.handling.is_open(fault.id)
        except KeyError:
            return fault.ended is None and fault.into is None

    def _is_unseen(self, fault: Fault) -> bool:
        """Whether it is over and nobody has seen it: it stays before people until somebody has."""
        try:
            return self._lent.handling.is_over_not_seen(fault.id, self._lent.now())
        except KeyError:
            return False

    def _is_before_people(self, fault: Fault) -> bool:
        return self._is_open(fault) or self._is_unseen(fault)

    def _fault(self, fault: Fault) -> model.FaultOut:
        attended = self._lent.handling.attended(fault.id)
        into = None
        if fault.into is not None:
            into = self._faults.get(fault.into) or self._former.get(fault.into)
        return model.FaultOut(
            id=fault.id,
            number=fault.number,
            headline=fault.headline,
            priority=fault.priority,
            subject=fault.subject,
            began=stamp(fault.began),
            since=stamp(self._since(fault)),
            raised=stamp(fault.raised),
            ended=_stamped(fault.ended),
            alerts=list(fault.alerts),
            open=list(fault.open),
            lasting=list(fault.lasting),
            subjects=list(fault.subjects),
            waiting=list(fault.waiting),
            took=list(fault.took),
            into=fault.into,
            into_number=into.number if into is not None else None,
            why=fault.why,
            calls=fault.calls,
            is_open=self._is_before_people(fault),
            seen=self._is_seen(fault),
            quiet=self._quiet(fault),
            going=list(attended.going),
            on_site=list(attended.on_site),
            standing=self._standing_before(fault),
            concerned=self._concerned(fault),
            also=self._also(fault),
            notes=[
                model.NoteOut(at=stamp(at), by=by, text=text)
                for at, by, text in attended.notes
            ],
        )

    def _concerned(self, fault: Fault) -> list[str]:
        about = [self._open[one].subject for one in fault.open if one in self._open]
        waiting = [f"section/{name}" for name in fault.waiting]
        return list(dict.fromkeys([*about, *waiting]))

    def _since(self, fault: Fault) -> Moment:
        """When what the headline says began; the fault itself may have begun with something that is over."""
        found = [self._open[one] for one in fault.open if one in self._open]
        if not found:
            resets = self._lent.engine().resets_waiting() if fault.waiting else {}
            waiting = [resets[name].began for name in fault.waiting if name in resets]
            return min(waiting, default=fault.began)
        said = [one for one in found if one.says == fault.headline]
        if not said:
            # The headline is of several sections at once: of all that are of its kind.
            kinds = {one.kind for one in found if one.subject == fault.subject}
            top = max((one.rank for one in found if one.kind in kinds), default=0)
            said = [one for one in found if one.kind in kinds and one.rank == top]
        return min((one.began for one in said), default=fault.began)

    def _also(self, fault: Fault) -> list[str]:
        """What else is open in *fault* than what its headline says, the gravest first."""
        found = [self._open[one] for one in fault.open if one in self._open]
        loud = [one for one in found if not one.is_quiet]
        ordered = sorted(loud, key=lambda one: -one.rank)
        said = dict.fromkeys(one.says for one in ordered)
        if fault.headline not in said:
            # The headline is of several sections at once: of all that are of its kind.
            leading = [one.kind for one in ordered if one.subject == fault.subject][:1]
            said = dict.fromkeys(one.says for one in ordered if one.kind not in leading)
        return [one for one in said if one != fault.headline]

    def _standing_before(self, fault: Fault) -> int:
        if fault.ended is not None:
            return 0
        return self._lent.engine().trains_standing(fault.subjects)

    def _is_seen(self, fault: Fault) -> bool:
        return not any(
            handled.life in {Life.NOT_SEEN, Life.OVER_NOT_SEEN}
            for alert in fault.alerts
            if (handled := self._handled(alert)) is not None
        )

    def _quiet(self, fault: Fault) -> str:
        """Why nobody is called for anything in a fault that is open, or ""."""
        if self._lent.pulse().trial:
            return "trial"
        try:
            return self._lent.handling.quiet(fault.id, self._lent.now())
        except KeyError:
            return ""

    def _handled(self, alert: str) -> Handled | None:
        try:
            return self._lent.handling.of(alert, self._lent.now())
        except KeyError:
            return None

    def _alert(self, record: dict[str, Any]) -> model.AlertOut:
        return model.AlertOut(
            record=record,
            fault=self._fault_of.get(record["id"]),
            state=self._state(record["id"]),
        )

    def _state(self, alert: str) -> model.StateOut | None:
        handled = self._handled(alert)
        if handled is None:
            return None
        return model.StateOut(
            ActiveState=handled.active,
            AckedState=handled.acked,
            LatchedState=handled.latched,
            SuppressedState=bool(handled.suppressed),
            OutOfServiceState=bool(handled.out_of_service),
            ShelvingState=handled.shelf.value,
            words=handled.life.value,
            quiet=handled.quiet,
            until=_stamped(handled.until),
            seen_by=handled.seen_by,
            seen_at=_stamped(handled.seen_at),
        )

    async def alerts(self, asked: Asked) -> model.AlertsOut:
        """Alerts, the newest first."""
        subjects = None if asked.area is None else self._places.of_area(asked.area)
        ids: tuple[str, ...] | None = None
        if asked.fault is not None:
            fault = self._faults.get(asked.fault)
            if fault is None:
                raise NotThere(f"there is no fault {asked.fault}")
            ids = fault.alerts
        found = await self._lent.on_disk(self._lent.records.find, asked, subjects, ids)
        return model.AlertsOut(
            alerts=[self._alert(json.loads(text)) for text in found.lines],
            more=found.more,
        )

    async def alert(self, name: str) -> model.AlertFullOut:
        """One alert, with its lines."""
        records = self._lent.records
        last = await self._lent.on_disk(records.last, name)
        lines = await self._lent.on_disk(records.lines, name)
        one = self._alert(json.loads(last))
        return model.AlertFullOut(
            record=one.record,
            fault=one.fault,
            state=one.state,
            lines=[json.loads(text) for text in lines],
        )

    async def would_have_hidden(self, kind: str, subject: str) -> model.HiddenOut:
        """What shelving would have hidden in the last seven days."""
        asked = Asked(kind=kind, subject=subject, limit=model.MOST_ALERTS)
        found = await self._lent.on_disk(self._lent.records.find, asked)
        records = [json.loads(text) for text in found.lines]
        by_id = {record["id"]: record for record in records}
        hidden = would_have_hidden(
            map(read_record, records), kind, subject, self._lent.now()
        )
        return model.HiddenOut(
            kind=kind,
            subject=subject,
            alerts=[self._alert(by_id[one.id]) for one in hidden],
        )

    async def sections(self, area: str | None) -> list[model.SectionOut]:
        """The sections of an area, or all."""
        return [self._section(name) for name in self._places.in_area(area)]

    async def some_sections(self, names: Collection[str]) -> list[model.SectionOut]:
        """Those sections of *names* that there are."""
        return [self._section(name) for name in names if name in self._line.sections]

    async def section(self, name: str, hours: int) -> model.SectionFullOut:
        """One section, with the facts of the last hours."""
        if name not in self._line.sections:
            raise NotThere(f"the line file has no section {name}")
        begin = self._lent.now() - hours * HOUR
        facts = await self._lent.on_disk(self._facts, f"section/{name}", begin)
        return model.SectionFullOut(
            **self._section(name).model_dump(),
            facts=[
                model.FactOut(
                    kind=fact.kind,
                    began=stamp(fact.began),
                    ended=_stamped(fact.ended),
                    values=fact.values,
                )
                for fact in facts
            ],
            states=[
                model.ShownOut(at=stamp(at), state=state.value)
                for at, state in self._lent.engine().lately.states(name)
            ],
            explained=self._lent.engine().explain(name),
        )

    async def days(self, name: str, days: int) -> list[model.DayOut]:
        """The last days of a section, the oldest first."""
        if name not in self._line.sections:
            raise NotThere(f"the line file has no section {name}")
        now = self._lent.now()
        begin = midnight_before(now) - (days - 1) * DAY
        facts = await self._lent.on_disk(self._of_days, f"section/{name}", begin)
        return [
            model.DayOut(
                day=stamp(one.begin)[:10],
                disturbances=one.disturbances,
                not_known=round(one.not_known, 4),
            )
            for one in month(facts, now, days)
        ]

    def _of_days(self, subject: str, begin: Moment) -> list[Fact]:
        history = self._lent.history
        return [
            *history.read("heard", subject),
            *history.read("not-known", subject, begin),
            *history.read("disturbance", subject, begin),
        ]

    async def head_live(self, name: str, since: Moment | None) -> model.HeadLiveOut:
        """What a head said last."""
        if name not in self._line.heads:
            raise NotThere(f"the line file has no head {name}")
        wheel, head = self._wheels.of(name), self._line.heads[name]
        sections = self._lent.engine().occupancy.sections
        return model.HeadLiveOut(
            id=name,
            between=list(head.between),
            now=stamp(self._lent.now()),
            heard=_stamped(wheel.heard),
            since=_stamped(since),
            forward=wheel.axles(Direction.FORWARD, since),
            reverse=wheel.axles(Direction.REVERSE, since),
            undirected=wheel.axles(Direction.NONE, since),
            passages=[
                model.PassageOut(
                    at=stamp(one.time),
                    direction=one.direction.value,
                    axles=one.axles,
                    a=one.a,
                    b=one.b,
                    seconds=one.seconds,
                )
                for one in reversed(wheel.passages)
            ],
            levels=[
                model.LevelOut(
                    name=key,
                    what=MEASURED[key][0],
                    value=amount(key, value),
                    at=stamp(at),
                )
                for key, (at, value) in wheel.levels.items()
            ],
            under_work=[
                one
                for one in head.between
                if one in sections and sections[one].under_work
            ],
        )

    def _facts(self, subject: str, begin: Moment) -> list[Fact]:
        found = [
            fact
            for kind in FACTS
            for fact in self._lent.history.read(kind, subject, begin)
        ]
        return sorted(found, key=lambda fact: (fact.began, fact.kind))

    def _by_subject(self) -> dict[str, list[str]]:
        """The open faults that cover each subject; made anew when one changed."""
        found = self._covering
        if found is None:
            found = self._covering = {}
            for fault in self._lasting.values():
                if self._is_open(fault):
                    for subject in fault.subjects:
                        found.setdefault(subject, []).append(fault.id)
        return found

    def _section(self, name: str) -> model.SectionOut:
        engine, section = self._lent.engine(), self._line.sections[name]
        shown, settled = engine.shown(name), engine.occupancy.sections[name]
        return model.SectionOut(
            id=name,
            area=section.area,
            evaluator=section.evaluator,
            track=section.track,
            length_m=section.length_m,
            heads=list(self._line.heads_of(name)),
            neighbours=list(self._line.neighbours(name)),
            shown=shown.event.state.value if shown.event is not None else None,
            shown_at=stamp(shown.at) if shown.event is not None else None,
            settled=settled.state.value if settled.state is not None else None,
            since=stamp(settled.so_since) if settled.state is not None else None,
            known=not settled.reasons,
            not_known=", ".join(sorted(settled.reasons)),
            not_known_since=_stamped(settled.since) if settled.reasons else None,
            axles=settled.axles,
            interlocking=settled.interlocking.value if settled.interlocking else None,
            under_work=settled.under_work,
            work=sorted(filter(None, settled.work)),
            faults=self._by_subject().get(f"section/{name}", []),
        )

    async def heads(self) -> list[model.HeadOut]:
        """The heads, in the order of the line file."""
        return [self._head(name) for name in self._line.heads]

    async def head(self, name: str) -> model.HeadOut:
        """One head."""
        if name not in self._line.heads:
            raise NotThere(f"the line file has no head {name}")
        return self._head(name)

    def _head(self, name: str) -> model.HeadOut:
        head = self._line.heads[name]
        return model.HeadOut(
            id=name,
            between=list(head.between),
            km=head.km,
            unit=head.unit,
            cable=head.cable,
            evaluators=list(head.evaluators),
            ref=head.ref,
            faults=self._by_subject().get(f"head/{name}", []),
        )

    async def kinds(self) -> list[model.KindOut]:
        """What each kind asks of the desk."""
        return [
            model.KindOut(
                kind=one.kind,
                title=one.title,
                priority=one.priority,
                calls=one.calls,
                first=one.first,
                within=one.within,
                otherwise=one.otherwise,
            )
            for one in asked_of_kinds(self._lent.engine().settings.detectors)
        ]

    async def work(self) -> list[model.WorkOut]:
        """The work going on, what is to end first before the rest."""
        works = works_of(self._lent.engine())
        return [_as_work(one) for one in going(works, self._lent.now())]

    async def plans(self) -> list[model.WorkOut]:
        """Every piece of work in the plans, and what became of it."""
        works = works_of(self._lent.engine())
        return [
            model.WorkOut(
                reference=row.work.reference,
                sections=list(row.work.sections),
                plan=row.plan,
                key=row.work.key,
                stage=row.stage,
                begun=_stamped(row.begun),
                ended=_stamped(row.ended),
                planned_begin=stamp(row.work.begin),
                planned_end=stamp(row.work.end),
            )
            for row in self._lent.plans.rows(works)
        ]

    async def resets_waiting(self, area: str | None) -> list[model.ResetOut]:
        """The resets that no train has followed, oldest first."""
        now, zone = self._lent.now(), self._line.zone
        return [
            model.ResetOut(
                section=one.section,
                area=one.area,
                kind=one.kind,
                step=one.step,
                by=one.by,
                at=stamp(one.at),
                shows=one.shows,
                next_train=one.next_train(now, zone),
                wanted=one.wanted(now, zone),
                due=_stamped(one.due),
                overdue=_stamped(one.raised),
                stopped=one.stopped,
            )
            for one in await self._resets(area, now)
        ]

    async def print_resets(self, area: str | None) -> str:
        """The same, as a sheet of paper."""
        now = self._lent.now()
        return lists.print_resets(await self._resets(area, now), self._line, now)

    async def _resets(self, area: str | None, now: Moment) -> tuple[lists.Reset, ...]:
        engine = self._lent.engine()
        sections = set(self._places.in_area(area)) & engine.resets_waiting().keys()
        passed = await self._lent.on_disk(self._came, sections, now)
        return lists.resets_waiting(engine, now, sections=sections, passed=passed)

    def _came(self, sections: Iterable[str], now: Moment) -> dict[str, list[Moment]]:
        begin = now - lists.LOOKED_BACK
        return lists.came(
            fact
            for name in sections
            for fact in self._lent.history.read("occupation", f"section/{name}", begin)
        )

    async def before_first_train(
        self, area: str | None, work: str | None
    ) -> model.FirstTrainOut:
        """What stands open in an area, in a work, or anywhere."""
        return model.FirstTrainOut(
            heading=lists.HEADING,
            of=work or area or "",
            items=[
                model.StandingOut(
                    subject=one.subject,
                    area=one.area,
                    what=one.what.value,
                    since=_stamped(one.since),
                    until=_stamped(one.until),
                    text=one.text,
                )
                for one in self._standing(area, work, self._lent.now())
            ],
        )

    async def print_first_train(self, area: str | None, work: str | None) -> str:
        """The same, as a sheet of paper."""
        now = self._lent.now()
        standing = self._standing(area, work, now)
        return lists.print_standing(standing, self._line, now, work or area or "")

    def _standing(
        self, area: str | None, work: str | None, now: Moment
    ) -> tuple[lists.Standing, ...]:
        engine = self._lent.engine()
        sections = self._places.in_area(area)
        if work is not None:
            of_work = self._sections_of_work(engine, work)
            sections = tuple(name for name in sections if name in of_work)
        return lists.before_first_train(
            engine, self._lent.handling, now, sections=sections
        )

    def _sections_of_work(self, engine: Engine, reference: str) -> set[str]:
        """The sections of a work that goes on, or is planned."""
        planned = [
            section
            for row in self._lent.plans.rows(works_of(engine))
            if reference_of(row.work) == reference
            for section in row.work.sections
        ]
        try:
            return set(lists.of_work(engine, reference, planned))
        except KeyError:
            raise NotThere(f"there is no work {reference}") from None

    async def positions(self) -> list[model.PositionOut]:
        """The desks."""
        sheets = self._lent.sheets
        return [] if sheets is None else sheets.positions()

    async def handover(self, position: str) -> model.SheetOut:
        """The handover sheet of a position, as it would be now."""
        sheet = await self._sheet(position)
        return model.SheetOut(
            position=position, made=stamp(sheet.made), parts=plain(sheet)
        )

    async def print_handover(self, position: str) -> str:
        """The same, as a sheet of paper."""
        return print_sheet(await self._sheet(position), self._line)

    async def _sheet(self, position: str) -> Sheet:
        sheets = self._lent.sheets
        if sheets is None:
            raise NotThere(f"there is no position {position}")
        return await sheets.handover(position, self._burden.lately())

    async def quiet(self) -> int:
        """How many alerts are open and keep quiet."""
        return sum(
            one.is_quiet or bool(handled is not None and handled.quiet)
            for one, handled in (
                (one, self._handled(name)) for name, one in self._open.items()
            )
        )

    async def load(self, position: str | None) -> model.LoadOut:
        """The calls of a position, or of all."""
        subjects = None if position is None else self._subjects_of(position)
        sheets, now = self._lent.sheets, self._lent.now()
        shift = None if sheets is None else sheets.shift(now)
        return self._burden.out(
            position or "", now, subjects, self._seen_at, shift=shift
        )

    def _subjects_of(self, position: str) -> set[str]:
        """What a position looks after: all that lies in its areas; all where it has none."""
        for one in [] if self._lent.sheets is None else self._lent.sheets.positions():
            if one.name == position:
                areas = one.areas or {s.area for s in self._line.sections.values()}
                return {of for area in areas for of in self._places.of_area(area)}
        raise NotThere(f"there is no position {position}")

    def _seen_at(self, alert: str) -> Moment | None:
        handled = self._handled(alert)
        return None if handled is None else handled.seen_at

    # What people do.

    async def act(self, who: Who, act: AnyAct) -> Done:
        """Take an act; it is on disk when this returns."""
        return await self._do(lambda: self._act(who, act))

    async def _act(self, who: Who, given: AnyAct) -> Done:
        if isinstance(given, model.DeskIn):
            return await self._take_or_hand_over(who, given)
        async with self._lent.turn:
            now = self._lent.now()
            act = self._as_act(who, given, now)
            self._check_position(who)
            self._check_silencing(given, now)
            before = self._lent.handling.act(act.id)
            if before is not None and not _is_same(before, act, given):
                raise model.Refused(OTHER)
            try:
                new = self._lent.handling.take(act)
            except NotTaken as refused:
                raise model.Refused(str(refused)) from None
            if new:
                # Memory may be ahead for a moment, the one who asked never.
                self._lent.visits.told(act, self._lent.handling.fault_of(act))
                await self._lent.write([acts.entry(act)])
        if new:
            self._tell_of(act)
        taken = act if before is None else before
        return Done(id=act.id, at=stamp(taken.at), again=not new)

    def _check_position(self, who: Who) -> None:
        """Refuse what is done at a desk that is not set up: it would be nobody's."""
        sheets = self._lent.sheets
        if sheets is None or not who.position:
            return
        if who.position not in {one.name for one in sheets.positions()}:
            raise model.Refused(f"there is no position {who.position}")

    def _check_silencing(self, given: Alerting, now: Moment) -> None:
        """Refuse to keep quiet what is not there, or for longer than may be."""
        if not isinstance(given, model.ShelvedIn | model.QuietIn):
            return
        if given.what in {"unshelved", "switched_on"}:
            return
        handling = self._lent.handling
        if not (self._places.has(given.subject) or handling.knows(given.subject)):
            raise NotThere(f"there is nothing that is {given.subject}")
        if given.kind not in {one.kind for one in CATALOGUE}:
            raise NotThere(f"there is no kind {given.kind}")
        until = getattr(given, "until", None)
        if until is not None and parse(until) - now > handling.longest:
            raise model.Refused(f"it is shelved for {span(handling.longest)} at most")

    async def _take_or_hand_over(self, who: Who, given: model.DeskIn) -> Done:
        sheets, identity = self._lent.sheets, secrets.token_hex(8)
        if sheets is None:
            raise model.Refused("no positions are set up here")
        async with self._lent.turn:
            now = self._lent.now()
            await self._lent.write([sheets.act(who, given, now, identity)])
        self._stream.put(
            "position", {"name": given.position, "by": who.name, "what": given.what}
        )
        return Done(id=identity, at=stamp(now))

    def _as_act(self, who: Who, given: Alerting, now: Moment) -> Act:
        until = getattr(given, "until", None)
        return Act(
            id=_identity(who, given.key),
            at=moment_of(given.at, now),
            entered=now,
            by=who.name,
            position=who.position,
            what=given.what,
            alert=getattr(given, "alert", None) or "",
            fault=getattr(given, "fault", None) or "",
            kind=getattr(given, "kind", ""),
            subject=getattr(given, "subject", ""),
            text=getattr(given, "text", ""),
            cause=getattr(given, "cause", None) or "",
            part=getattr(given, "part", None) or "",
            until=None if until is None else parse(until),
        )

    def _tell_of(self, act: Act) -> None:
        self._covering = None  # what stays until it is closed may be
        self._stream.put(
            "act",
            {
                "id": act.id,
                "at": stamp(act.at),
                "by": act.by,
                "position": act.position,
                "what": act.what,
                "alert": act.alert or None,
                "fault": act.fault or None,
                "kind": act.kind or None,
                "subject": act.subject or None,
                "text": act.said,
                "until": _stamped(act.until),
            },
        )

    async def enter(self, who: Who, entry: AnyEntry) -> Done:
        """Take an entry; it is on disk, and concluded from, when this returns."""
        return await self._do(lambda: self._enter(who, entry))

    async def _enter(self, who: Who, entry: AnyEntry) -> Done:
        async with self._lent.turn:
            now = self._lent.now()
            identity = _identity(who, entry.key)
            before = self._entered.get(identity)
            if before is not None:
                done, same = before
                if same != entry:
                    raise model.Refused(OTHER)
                return done.model_copy(update={"again": True})
            self._check_position(who)
            record, events = self._as_entered(who, entry, identity, now)
            entries = [own(event, now) for event in events]
            if record is not None:
                entries.insert(0, planned_entry(record))
            committed = await self._lent.write(entries)
            if record is not None:
                self._lent.plans.take(record)
            await self._lent.conclude(committed.events)
        self._stream.put("entry", {"id": identity, "by": who.name, "what": entry.what})
        done = Done(id=identity, at=stamp(events[0].time if events else now))
        self._remember_entry(identity, done, entry)
        return done

    def _as_entered(
        self, who: Who, entry: AnyEntry, identity: str, now: Moment
    ) -> tuple[AnyRecord | None, Sequence[AnyEvent]]:
        """What is to be journaled: a record about a plan, and what the engine is told of."""
        plans = self._lent.plans
        record: AnyRecord | None = None
        events: Sequence[AnyEvent]
        match entry:
            case model.PlanImportedIn():
                return imported(entry, who, identity, now, self._line), ()
            case model.PlanWithdrawnIn():
                return withdrawn(entry, who, identity, now, plans.names), ()
            case model.PlanIn():
                record = stepped(entry, who, identity, now)
                events = self._events_of(record)
            case _:
                events = entered(entry, identity, now, self._line, self._places)
        self._check(events, now)
        return record, events

    def _events_of(self, step: Stepped) -> Sequence[AnyEvent]:
        try:
            return self._lent.plans.events(step, works_of(self._lent.engine()))
        except NoStep as why:
            raise model.Refused(str(why)) from None

    def _check(self, events: Sequence[AnyEvent], now: Moment) -> None:
        """Refuse what must be a slip of the hand."""
        engine = self._lent.engine()
        if self._lent.pulse().rehearsal and not engine.ordering.arrival:
            # By our own clock everything that is played would be late from then on.
            raise model.Refused("nothing has been played yet")
        wrong = refusals(
            events,
            now=now,
            line=self._line,
            works=works_of(engine),
            sources=sources_of(engine),
        )
        if wrong:
            raise model.Refused("; ".join(wrong))
        if not events:
            raise model.Refused("that changes nothing")

    async def keeps(self) -> list[model.KeepOut]:
        """The windows that are to be kept, oldest first."""
        return [
            model.KeepOut(
                id=one.id,
                begin=stamp(one.begin),
                end=stamp(one.end),
                reason=one.reason,
                by=one.by,
                position=one.position,
                entered=stamp(one.entered),
            )
            for one in sorted(self._lent.keeps.values(), key=lambda x: (x.begin, x.id))
        ]

    async def keep(self, who: Who, given: model.KeepIn) -> Done:
        """Keep a window; it is on disk when this returns."""
        return await self._do(lambda: self._keep_window(who, given))

    async def _keep_window(self, who: Who, given: model.KeepIn) -> Done:
        begin, end = parse(given.begin), parse(given.end)
        if end <= begin:
            raise model.Refused("It ends before it begins.")
        async with self._lent.turn:
            now, identity = self._lent.now(), _identity(who, given.key)
            known = self._lent.keeps.get(identity)
            if known is not None:
                if (known.begin, known.end, known.reason) != (begin, end, given.reason):
                    raise model.Refused(OTHER)
                return Done(id=identity, at=stamp(known.entered), again=True)
            self._check_position(who)
            keep = Keep(
                id=identity,
                begin=begin,
                end=end,
                reason=given.reason,
                by=who.name,
                position=who.position,
                entered=now,
            )
            await self._lent.write([keep_entry(keep)])
            self._lent.keeps[identity] = keep
        return Done(id=identity, at=stamp(now))

    async def visits(self) -> list[model.VisitOut]:
        """The visits, the newest first."""
        return [shown_visit(one) for one in reversed(self._lent.visits.all())]

    async def visits_table(self) -> str:
        """The visits as a table."""
        return visits_table(self._lent.visits.all())

    async def visit(self, who: Who, given: model.AnyVisit) -> model.VisitedOut:
        """Take a visit, a table of them, or one back; it is on disk when this returns."""
        return await self._do(lambda: self._visited(who, given))

    async def _visited(self, who: Who, given: model.AnyVisit) -> model.VisitedOut:
        async with self._lent.turn:
            now, visits = self._lent.now(), self._lent.visits
            identity = _identity(who, getattr(given, "key", None))
            self._check_position(who)
            records = recorded(given, who, identity, now, self._there, visits)
            known = visits.visit(identity)
            if known is not None and any(map(visits.changes, records)):
                raise model.Refused(OTHER)
            new = [one for one in records if visits.changes(one)]
            if new:
                await self._lent.write([visit_entry(one) for one in new])
                for one in new:
                    visits.take(one)
        return model.VisitedOut(
            visits=[one.id for one in new], known=len(records) - len(new)
        )

    async def shown(self, who: Who, given: model.ShownIn) -> Done:
        """A page has shown something; it is on disk when this returns."""
        records = self._records_of(who, given)
        self._painted += records
        # What ten pages say at the same time is written at once.
        await self._do(self._write_painted)
        return Done(id=records[-1].id, at=stamp(records[-1].at))

    async def _write_painted(self) -> None:
        async with self._lent.turn:
            records, self._painted = self._painted, []
            if records:
                await self._lent.write([shown_entry(one) for one in records])

    def _records_of(self, who: Who, given: model.ShownIn) -> list[Shown]:
        """A record for each moment at which something was painted, in that order, and one where nothing was."""
        painted: dict[str, list[Painted]] = {}
        for one in given.faults:
            values = one.model_dump(exclude={"at"})
            painted.setdefault(one.at or given.at, []).append(Painted(**values))
        stale = None if given.stale is None else parse(given.stale)
        entered = self._lent.now()
        return [
            Shown(
                id=secrets.token_hex(8),
                position=who.position,
                by=who.name,
                page=given.page,
                at=parse(at),
                entered=entered,
                visible=given.visible,
                sound=given.sound,
                faults=tuple(painted.get(at, ())),
                stale=stale,
                left=given.left,
            )
            for at in sorted(painted, key=parse) or [given.at]
        ]

    async def replayed(self, window: Window) -> Made:
        """A window of the journal, as the replay page shows it."""
        return await self._replaying.made(window)

    async def explained(
        self, name: str, at: str, kind: str | None
    ) -> model.ExplainedOut:
        """What each detection knew of a section at a moment that has passed."""
        if name not in self._line.sections:
            raise NotThere(f"the line file has no section {name}")
        return await self._explaining.explained(name, parse(at), kind)

    async def drill(self, who: Who, given: model.DrillIn) -> model.DrillOut:
        """Send a drill, and report how it went; one at a time."""
        drill = self._lent.drill
        if drill is None or self._ended:
            raise model.Refused("nothing is sent from here")
        if self._drilling:
            raise model.Refused("a drill is going on already")
        self._drilling = True
        try:
            report = await drill.run(who.name, given.within_s)
        finally:
            self._drilling = False
        return model.DrillOut(
            number=report.number,
            began=stamp(report.began),
            passed=report.passed,
            left_out=list(report.left_out),
            stages=[
                model.StageOut(
                    name=one.name,
                    took_s=None if one.took is None else one.took / SECOND,
                    said=one.said,
                )
                for one in report.stages
            ],
        )

    def _remember_entry(self, identity: str, done: Done, entry: AnyEntry) -> None:
        self._entered[identity] = done, entry
        if len(self._entered) > KEPT_ENTRIES:
            del self._entered[next(iter(self._entered))]


def _as_work(one: Going) -> model.WorkOut:
    return model.WorkOut(
        reference=one.reference,
        sections=list(one.sections),
        stage="begun",
        begun=stamp(one.begun),
        planned_end=_stamped(one.planned_end),
        due=one.due,
    )


def _listed(pair: tuple[int, int] | None) -> list[int] | None:
    return None if pair is None else [*pair]


def _let_go(done: asyncio.Future[Any]) -> None:
    if not done.done():
        done.set_exception(Ending())


def _identity(who: Who, key: str | None) -> str:
    """What names an act or entry: by chance, or by who did it and the key they gave it."""
    if key is None:
        return secrets.token_hex(8)
    return hashlib.sha256(f"{who.name}\n{key}".encode()).hexdigest()[:16]


def _is_same(before: Act, act: Act, given: Alerting) -> bool:
    """Whether *given* is what was taken *before*, sent again; when it came is no part of it."""
    at = before.at if given.at is None else act.at
    return replace(act, at=at, entered=before.entered) == before
