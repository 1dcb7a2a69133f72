"""The daemon: the parts put together around one engine, with one clock and one orderly stop.

The way of what comes: feed, wire, journal, engine, store; the broker is told after the journal.
The engine is a fold over the journal, live as in a replay: it is told nothing that is not written down, and in the order in which it is written down.
So whoever journals holds the turn until the engine has taken what was journaled.

Time passes once a second.
What silence alone brought is concluded from a moment that nothing stands for, so before it counts the daemon journals that it was still connected at that tick: a fold passes the same time.

What people do comes in by the desk, and is journaled and folded like what the feed brings.
What is concluded goes out by the courier, which reads the store; neither of them is waited for.

A feed that is played (`--arrival recorded`, `--rehearsal`) says itself when its events came: then nothing passes between events, and what is journaled of the connection says so and moves nothing.
For people it is then as late as the feed has been played, and nothing is sent to anybody.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sqlite3
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial
from importlib.metadata import version
from itertools import count
from pathlib import Path
from typing import Any, Protocol, TypeVar

import structlog

from monitor.core import wire
from monitor.core.alerts import Alert
from monitor.core.engine import Engine, Output
from monitor.core.events import AnyEvent, MonitorRecord, RecordKind
from monitor.core.faults import Call, Fault, read_fault
from monitor.core.layout import Line
from monitor.core.moments import SECOND, Duration, Moment, exact, seconds, stamp
from monitor.core.succession import Succession
from monitor.delivery.attention import Desk
from monitor.delivery.certificates import ends
from monitor.delivery.channels import courier
from monitor.delivery.courier import Courier
from monitor.delivery.drill import Drill
from monitor.delivery.monthly import Monthly
from monitor.delivery.records import read_call
from monitor.delivery.services import NotInstalled
from monitor.desk.burden import LOOKED_BACK
from monitor.desk.front import Daemonic, Front, Pulse, Records
from monitor.desk.outlooks import Outlooks
from monitor.desk.people import PeopleFault
from monitor.desk.planning import Planning
from monitor.desk.positions import Around, Positions
from monitor.doings import Doings
from monitor.feed import FeedLost, Message
from monitor.feed.mqtt import Connection, MqttFeed, delays
from monitor.gauges import ListGauges
from monitor.history import History
from monitor.inforce import started
from monitor.journal import Committed, Entry, Journal, JournalFault, own
from monitor.metrics import Counts, Metrics
from monitor.rehearsals import begin_again, turned_back
from monitor.service import Manager, serve
from monitor.settings import Settings
from monitor.shifts import Position, Rota
from monitor.store import Kept, Store
from monitor.tidy import keep_tidy

TICK_S = 1.0
"""How often time passes: alerts by silence alone come at most this late."""

LOOKED_AT = 10
"""Every so many ticks it is looked whether work is due to end."""

QUIET: Duration = 5 * SECOND
"""With nothing for so long after connecting, the broker's queue counts as drained."""

GRACE_S = 3.0
"""So long at a stop what is being sent may take; what is not through by then is sent at the next start."""

EVERYBODY = "desk"
"""The position that there is where none is set up."""

FORMER = 500
"""Faults that are told otherwise now, of which the desk still knows to what they lead on."""

FOLD = 2000
"""Events folded at a start between two looks at whether to stop."""

T = TypeVar("T")


class DaemonFault(Exception):
    """The daemon cannot go on; the text says why, in one line."""


class Clock:
    """The one clock: the time of day at the start, and from then on a clock that only counts.

    So arrival never goes back while the daemon runs, whatever is done to the time of day.
    """

    def __init__(self) -> None:
        self._offset = time.time_ns() - time.monotonic_ns()

    def __call__(self) -> Moment:
        """Now."""
        return (self._offset + time.monotonic_ns()) // 1000


class Daemon:
    """One monitor on one feed.

    Args:
        line: the line file.
        line_text: as it was read, to be kept with the journal.
        settings: everything else.
        played: arrival is what each event says, and nothing passes between events.
        rehearsal: events that are marked as a rehearsal are taken; implies *played*.
        rehearsed: what the rehearsal was called that was heard last; by default as the journal says.
        tell: is called with each alert line that is new.
        caption: what a show says about what one sees, for the pages; nothing else sets it.
        now: the clock.

    Attributes:
        engine: everything concluded.
        doings: everything people did.
        counts: what was counted.
        again: where it ended because what is played was turned back: to when, and what it is called from then on.
        metrics_at: where the metrics are, once they are.
        desk_at: where people are answered, once they are.
        ready: set once it is listening to the broker, or trying to.
    """

    def __init__(
        self,
        line: Line,
        line_text: str,
        settings: Settings,
        *,
        played: bool = False,
        rehearsal: bool = False,
        rehearsed: str | None = None,
        tell: Callable[[Alert], None] | None = None,
        caption: Callable[[], str] = str,
        now: Callable[[], Moment] | None = None,
    ) -> None:
        self._line = line
        self._line_text = line_text
        self._settings = settings
        self._played = played or rehearsal
        self._rehearsal = rehearsal
        self._tell = tell
        self._caption = caption
        self._now = now if now is not None else Clock()
        self._patience = seconds(settings.detection.words.patience_s)
        self._manager = Manager.of_environment()
        self._log = structlog.get_logger().bind(monitor=settings.monitor)
        self._turn = asyncio.Lock()
        self._stop = asyncio.Event()
        self._connection: Connection | None = None
        self._drained = False
        self._last_heard: Moment = 0
        self._rounds = 0
        self._rehearsed = rehearsed
        self.doings = Doings(
            _positions(settings), seconds(settings.desk.longest_shelf_h * 3600)
        )
        self._planning = Planning(
            line,
            settings.files.history,
            settings.files.alerts,
            self._present,
            reached=lambda: self.engine.watermark,
            visits=self.doings.visits.all,
            rehearsal=self._played,
        )
        self._front: Front | None = None
        self._courier: Courier | None = None
        self._monthly: Monthly | None = None
        self._drill: Drill | None = None
        self.engine = Engine(line, settings.detection, monitor=settings.monitor)
        self.counts = Counts()
        self.again: tuple[Moment, str] | None = None
        self.metrics_at: str | None = None
        self.desk_at: str | None = None
        self.ready = asyncio.Event()

    def stop(self) -> None:
        """Stop in good order: what is journaled is concluded from, what is not is left with the broker."""
        self._stop.set()

    async def run(self) -> None:
        """Run until stopped.

        Raises:
            DaemonFault: the files cannot be used, or a port is taken.
        """
        with ExitStack() as stack:
            try:
                self._open(stack)
                await self._start()
                if not self._stop.is_set():
                    self._answer(stack)
                    await self._watch()
            except (JournalFault, sqlite3.Error) as error:
                raise DaemonFault(str(error)) from error
            finally:
                self._manager.tell("STOPPING=1")
                self._log.info("stopped")

    def _open(self, stack: ExitStack) -> None:
        files = self._settings.files
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="disk")
        for path in (files.journal, files.alerts, files.history):
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise DaemonFault(f"{path.parent}: {error.strerror}") from error
        self._journal = stack.enter_context(
            Journal.open(files.journal, played=self._played)
        )
        self._store = _open(stack, Store.open, files.alerts)
        self._history = _open(stack, History.open, files.history)
        self._records = _open(stack, Records.open, files.alerts)
        # Last in, first out: no file is closed while something is being done with it.
        stack.callback(self._thread.shutdown)
        self._numbers = count(self._journal.position + 1)

    async def _on_disk(self, work: Callable[..., T], *values: Any) -> T:
        """Do *work* in the one thread that writes."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._thread, work, *values)

    # Starting.

    async def _start(self) -> None:
        self.engine = Engine(
            self._line,
            self._settings.detection,
            monitor=self._settings.monitor,
            learnt=self._journal.learnt(),
        )
        if self._settings.desk.on:
            self._front = Front(
                self._line,
                self._settings.desk,
                self._lent(),
                self._now,
                self._caption,
                planning=self._planning,
                outlooks=Outlooks(
                    self._line,
                    self._settings.files.history,
                    self._settings.files.alerts,
                    self.doings.visits,
                    self._present,
                    lambda: self.engine.watermark,
                ),
            )
        self._courier = self._sender()
        self._monthly = self._reporter()
        await self._in_force()
        await self._fold()

    def _lent(self) -> Daemonic:
        """What the desk is lent."""
        settings, doings = self._settings, self.doings
        around = Around(
            engine=lambda: self.engine,
            handling=doings.handling,
            journal=self._journal,
            history=self._history,
            on_disk=self._on_disk,
            now=self._present,
            wrong=lambda: self._pulse().wrong,
        )
        rota = Rota.read(settings.desk.shifts, self._line.zone)
        self._drill = Drill(
            self._store,
            on_disk=self._on_disk,
            now=self._now,
            wake=self._wake,
            monitor=settings.monitor,
            later=lambda call: (
                () if self._courier is None else self._courier.later_steps(call)
            ),
        )
        return Daemonic(
            engine=lambda: self.engine,
            handling=doings.handling,
            history=self._history,
            records=self._records,
            turn=self._turn,
            write=self._write,
            conclude=self._conclude,
            on_disk=self._on_disk,
            pulse=self._pulse,
            now=self._present,
            plans=doings.plans,
            keeps=doings.keeps,
            visits=doings.visits,
            sheets=Positions(doings.desks, rota, around),
            drill=self._drill,
            monitor=settings.monitor,
            version=version("tallywatch"),
            journal=settings.files.journal,
            alerts=settings.files.alerts,
        )

    def _sender(self) -> Courier:
        settings = self._settings
        try:
            return courier(
                settings.delivery,
                broker=settings.broker,
                client_id=settings.client_id,
                monitor=settings.monitor,
                line=self._line,
                store=self._store,
                on_disk=self._on_disk,
                now=self._now,
                attention=Desk(self.doings.handling),
                standing=self.engine.trains_standing,
                told=self._called,
                join_wait_s=settings.detection.words.join_wait_s,
                rehearsal=self._played,
            )
        except NotInstalled as error:
            raise DaemonFault(str(error)) from error

    def _reporter(self) -> Monthly | None:
        """What sends the report of each month; nothing goes anywhere of a feed that is played."""
        settings = self._settings
        if settings.monthly is None or self._played:
            return None
        return Monthly(
            settings.monthly,
            zone=self._line.zone,
            make=self._planning.letter,
            store=self._store,
            on_disk=self._on_disk,
            now=self._now,
            monitor=settings.monitor,
        )

    def _besides(self) -> tuple[str, ...]:
        """What is wrong besides with what goes out."""
        found = self._courier.stuck() if self._courier is not None else ()
        return (*found, *(self._monthly.stuck() if self._monthly is not None else ()))

    def _pulse(self) -> Pulse:
        """How the daemon stands."""
        lost = (
            () if self.counts.connected else ("There is no connection to the broker.",)
        )
        return Pulse(
            connected=self.counts.connected,
            heard=self._last_heard or None,
            silent=self._now() - self._last_heard if self._last_heard else None,
            rehearsal=self._played,
            trial=self._settings.delivery.trial,
            why=lost,
            besides=self._besides(),
        )

    async def _in_force(self) -> None:
        """Journal that the monitor started, and with what."""
        entries = started(
            self._journal,
            lambda kind, values: own(self._record(kind, values), self._now()),
            version=version("tallywatch"),
            settings=self._settings.text(),
            line=self._line_text,
            line_digest=self._line.digest,
            now=self._now(),
        )
        self._committed(await self._on_disk(self._append, entries))

    async def _fold(self) -> None:
        """Tell the engine, and what people do beside it, everything that was ever journaled; what is found is stored, and is new to nobody."""
        begun_as = self._rehearsed
        succession = Succession(
            map(read_fault, await self._on_disk(self._store.standing))
        )
        heard = 0
        outputs: list[Output] = []
        records: list[MonitorRecord] = []
        events = 0
        for one in self._journal.story():
            if isinstance(one, bytes):
                self._was_done(one)
                continue
            self._rehearsed = begun_as or one.rehearsal or self._rehearsed
            output = self._given(self.engine.take(one))
            if not isinstance(one, MonitorRecord):
                heard = max(heard, one.time if one.arrival is None else one.arrival)
            if output:
                succession.told(output.faults)
                outputs.append(output)
                records += output.records
                if self._front is not None:
                    self._front.told([output], live=False)
            events += 1
            if events % FOLD == 0:
                await self._keep(outputs, live=False)
                outputs = []
                await asyncio.sleep(0)
                if self._stop.is_set():
                    return
        await self._keep(outputs, live=False)
        await self._lead_on(succession.lines(heard))
        if self._front is not None:
            since = self._present() - LOOKED_BACK
            for text in await self._on_disk(self._store.called, since):
                self._front.was_called(read_call(text))
        # Those that a crash kept from being written; the journal knows the others.
        await self._journal_records(records)
        self._log.info(
            "folded",
            events=events,
            position=self._journal.position,
            watermark=_stamped(self.engine.watermark),
            acts_left_out=self.doings.left_out,
        )

    async def _lead_on(self, otherwise: tuple[Fault, ...]) -> None:
        """Faults of which people were told a number, and that are told otherwise now, lead on to what they are now."""
        for fault in otherwise:
            self._log.info(
                "fault told otherwise",
                number=fault.number,
                into=fault.into,
                why=fault.why,
            )
        await self._on_disk(partial(self._store.keep, faults=otherwise, at=self._now()))
        if self._front is not None:
            former = await self._on_disk(self._store.former, FORMER)
            self._front.was_told(map(read_fault, former))

    def _was_done(self, payload: bytes) -> None:
        try:
            self.doings.read(payload)
        except ValueError as error:
            raise JournalFault(str(error)) from error

    def _given(self, output: Output) -> Output:
        """What the engine gave, once those know it who handle it."""
        self.doings.told(output)
        return output

    # Running.

    async def _watch(self) -> None:
        listen, sender = self._settings.metrics, self._courier
        files = self._settings.certificates()
        metrics = Metrics(
            engine=self.engine,
            counts=self.counts,
            version=version("tallywatch"),
            now=self._now,
            rehearsal=self._rehearsal,
            delivered=sender.delivered if sender is not None else dict,
            would_have_called=sender.would_have_called if sender is not None else dict,
            certificates=lambda: ends(files),
        )
        registry = metrics.registry()
        registry.register(
            ListGauges(lambda: self.engine, self.doings.handling, self._present)
        )
        try:
            serving = serve(registry, listen.host, listen.port)
            async with serving as (host, port):
                self.metrics_at = f"http://{host}:{port}/metrics"
                self._log.info("metrics", at=self.metrics_at)
                await self._until_stopped()
        except OSError as error:
            if self.metrics_at is not None:
                raise
            raise DaemonFault(
                f"metrics at {listen.host}:{listen.port}: {error.strerror or error}"
            ) from error

    def _answer(self, stack: ExitStack) -> None:
        """Take the desk's port."""
        if self._front is None:
            return
        stack.callback(self._front.close)
        desk = self._settings.desk
        try:
            self.desk_at = self._front.listen()
        except OSError as error:
            raise DaemonFault(
                f"desk at {desk.host}:{desk.port}: {error.strerror or error}"
            ) from error
        except PeopleFault as fault:
            raise DaemonFault(str(fault)) from fault
        self._log.info("desk", at=self.desk_at)

    async def _until_stopped(self) -> None:
        front = self._front.tasks() if self._front is not None else ()
        monthly = () if self._monthly is None else (("monthly", self._monthly.run()),)
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [
                    group.create_task(work, name=name)
                    for name, work in (
                        ("feed", self._listen()),
                        ("ticks", self._ticks()),
                        ("watchdog", self._feed_watchdog()),
                        *front,
                        *monthly,
                    )
                ]
                sending = group.create_task(self._send(), name="courier")
                self._manager.tell("READY=1")
                self.ready.set()
                await self._stop.wait()
                await self._let_go(sending)
                # With the turn in hand nobody is between journal and engine.
                async with self._turn:
                    for task in (*tasks, sending):
                        task.cancel()
        except ExceptionGroup as group:
            foreseen, others = group.split((JournalFault, sqlite3.Error))
            if others is not None or foreseen is None:
                raise
            raise DaemonFault(_first(foreseen)) from group
        if self._connection is not None:
            await self._disconnected("stopped")

    async def _send(self) -> None:
        if self._courier is not None:
            await self._courier.run()

    async def _let_go(self, sending: asyncio.Task[None]) -> None:
        """Nobody is answered any more, and what is being sent comes to its end, or is given up."""
        if self._drill is not None:
            self._drill.stop()
        if self._front is not None:
            self._front.stop()
        if self._courier is not None:
            self._courier.stop()
        await asyncio.wait([sending], timeout=GRACE_S)

    def _wake(self) -> None:
        """There is something to be sent."""
        if self._courier is not None:
            self._courier.wake()

    async def _listen(self) -> None:
        """Listen to the broker, again and again."""
        settings = self._settings
        topic = "rehearsal/#" if self._rehearsal else "tally/#"
        feed = MqttFeed(
            settings.broker,
            client_id=settings.client_id,
            topic=settings.broker.subscribe or topic,
            status_topic=f"tallywatch/{settings.monitor}/status",
            now=self._now,
            rehearsal=self._rehearsal,
        )
        waits = delays()
        while True:
            try:
                async with feed.connect() as connection:
                    waits = delays()
                    await self._connected(connection)
                    await self._hear(connection)
            except FeedLost as lost:
                if self._connection is not None:
                    await self._disconnected(str(lost))
                wait_s = next(waits)
                self._log.warning(
                    "no connection",
                    broker=settings.broker.url,
                    why=str(lost),
                    again_in_s=round(wait_s, 1),
                )
                await asyncio.sleep(wait_s)

    async def _hear(self, connection: Connection) -> None:
        while self.again is None:
            batch = await connection.batch()
            async with self._turn:
                await self._take(batch, connection)
                self._rounds += 1
        await asyncio.Event().wait()  # until this one has ended

    async def _take(self, batch: Sequence[Message], connection: Connection) -> None:
        """Journal *batch*, then acknowledge it, then conclude from it."""
        entries: list[Entry] = []
        taken = 0
        for message in batch:
            reading = self._read(message)
            if self._turned_back(reading):
                break
            taken += 1
            if self._rehearsal and not message.payload:
                continue  # takes away what the broker retained, and tells nothing
            entries.append(
                Entry(
                    payload=message.payload,
                    arrival=message.arrival,
                    reading=reading,
                    topic=message.topic,
                    retained=message.retained,
                    recorded=self._played,
                )
            )
            if not self._drained and any(map(self._is_prompt, reading.events)):
                entries.append(self._drain(message.arrival))
        self._last_heard = batch[-1].arrival
        committed = await self._on_disk(self._append, entries)
        # What is not acknowledged comes again, to the one that begins again.
        connection.acknowledge(batch[:taken])
        self._committed(committed)
        await self._conclude(committed.events)

    def _turned_back(self, reading: wire.Reading) -> bool:
        """Whether what is played was turned back; then this monitor ends, to begin again from there."""
        if not self._rehearsal:
            return False
        for event in reading.events:
            if turned_back(self._rehearsed, event):
                at = event.time if event.arrival is None else event.arrival
                self.again = at, event.rehearsal or ""
                self._log.info("turned back", to=stamp(at), rehearsal=event.rehearsal)
                self.stop()
                return True
            self._rehearsed = event.rehearsal or self._rehearsed
        return False

    def _read(self, message: Message) -> wire.Reading:
        return wire.read(
            message.payload,
            topic=message.topic,
            arrival=None if self._played else message.arrival,
            retained=message.retained,
            recorded=self._played,
            live=True,
            rehearsal=self._rehearsal,
        )

    def _is_prompt(self, event: AnyEvent) -> bool:
        """Whether *event* shows that the broker's queue is drained: it was under way for no longer than ordering waits."""
        arrival = event.arrival
        return (
            not event.retained
            and arrival is not None
            and abs(arrival - event.time) <= self._patience
        )

    def _drain(self, now: Moment) -> Entry:
        self._drained = True
        self._log.info("drained")
        return own(self._record(RecordKind.DRAINED, {}, now), now)

    async def _connected(self, connection: Connection) -> None:
        async with self._turn:
            self._connection = connection
            # What is played measures no lag, so nothing there has to be drained.
            self._drained = self._played
            self._last_heard = self._now()
            self.counts.connected = True
            self.counts.connections += 1
            session = "resumed" if connection.resumed else "new"
            self._log.info(
                "connected", broker=self._settings.broker.url, session=session
            )
            await self._journal_and_take(RecordKind.CONNECTED, {"session": session})

    async def _disconnected(self, why: str) -> None:
        async with self._turn:
            self._connection = None
            self.counts.connected = False
            self._log.info("disconnected", why=why)
            await self._journal_and_take(RecordKind.DISCONNECTED, {"why": why})

    async def _ticks(self) -> None:
        """Let time pass, once a second."""
        for ticks in count(1):
            await asyncio.sleep(TICK_S)
            async with self._turn:
                if self._played:
                    # Nothing passes; that the disk can be reached is worth knowing.
                    await self._on_disk(os.getpid)
                else:
                    await self._tick(self._present())
                self._rounds += 1
                if self._front is not None and ticks % LOOKED_AT == 0:
                    self._front.looked()

    def _present(self) -> Moment:
        """Now; but nothing may pass that has come and is not journaled yet, and where the feed is played it is as late as it has been played."""
        now = self._now()
        if self._played:
            return self.engine.ordering.arrival or now
        waiting = self._connection.waiting_since if self._connection else None
        return now if waiting is None else min(now, waiting)

    async def _tick(self, now: Moment) -> None:
        if self._connection is None:
            return
        if not self._drained and now - self._last_heard >= QUIET:
            committed = await self._on_disk(self._append, [self._drain(now)])
            self._committed(committed)
            await self._conclude(committed.events)
        output = self._given(self.engine.pass_time(now))
        if output:
            still = self._record(RecordKind.CONNECTED, {"still": True}, now)
            self._committed(await self._on_disk(self._append, [own(still, now)]))
            await self._keep([output])
            await self._journal_records(output.records)

    async def _feed_watchdog(self) -> None:
        """Give the service manager signs of life, but only while something really gets through."""
        limit_s = self._manager.watchdog_s
        if limit_s is None:
            return
        seen = -1
        while True:
            if self._rounds > seen:
                seen = self._rounds
                self._manager.tell("WATCHDOG=1")
            await asyncio.sleep(limit_s / 3)

    # From journal to store.

    async def _write(self, entries: Sequence[Entry]) -> Committed:
        """Journal what people did or entered; it is on disk when this returns."""
        committed = await self._on_disk(self._append, entries)
        self._committed(committed)
        return committed

    def _append(self, entries: Sequence[Entry]) -> Committed:
        # Where it cannot be written it stays so, for whoever asks while the daemon ends.
        begun = self.counts.committing = time.monotonic()
        committed = self._journal.append(entries)
        self.counts.committing = None
        self.counts.commits.note(time.monotonic() - begun)
        return committed

    def _committed(self, committed: Committed) -> None:
        self.counts.repeated += committed.repeated
        for rejection in committed.rejections:
            self.counts.rejected[rejection.label] += 1
        if committed.rejections:
            # One line a batch: whoever floods the feed shall not flood the log.
            first = committed.rejections[0]
            self._log.warning(
                "rejected",
                count=len(committed.rejections),
                label=first.label,
                reason=first.reason,
            )
        for root in committed.roots:
            self._log.info(
                "root of the day",
                day=stamp(root.day)[:10],
                position=root.position,
                digest=root.digest,
            )

    async def _conclude(self, events: Iterable[AnyEvent]) -> None:
        events = tuple(events)
        outputs = [
            output
            for event in events
            if (output := self._given(self.engine.take(event)))
        ]
        if self._front is not None:
            # What sections show is on disk already, and need not wait for what was concluded.
            self._front.heard(events)
        await self._keep(outputs)
        await self._journal_records(
            [record for output in outputs for record in output.records]
        )

    async def _keep(self, outputs: Sequence[Output], *, live: bool = True) -> None:
        """Store what the engine gave, and tell people what is new in it; not *live* while the journal is folded."""
        facts = [fact for output in outputs for fact in output.facts]
        for output in outputs:
            self.counts.took(output)
        if facts:
            await self._on_disk(self._history.write, facts)
        kept = await self._stored(outputs, self._now() if live else None)
        for alert in kept.alerts:
            self._log.info(
                "alert",
                id=alert.id,
                kind=alert.kind,
                subject=alert.subject,
                priority=alert.priority,
                raised=stamp(alert.raised),
                ended=_stamped(alert.ended),
                summary=alert.summary,
            )
            if self._tell is not None:
                self._tell(alert)
        if live and self._front is not None:
            self._front.told(outputs)

    def _called(self, call: Call, why: str) -> None:
        """Somebody is called, or nobody is, and why."""
        self._log.info(
            "call",
            fault=call.number,
            alert=call.alert,
            priority=call.priority,
            at=stamp(call.at),
            text=call.text,
            **({"nobody_for": why} if why else {}),
        )
        if self._front is not None:
            self._front.called(call, why)

    async def _stored(self, outputs: Sequence[Output], at: Moment | None) -> Kept:
        """What was new in *outputs*, now that it is on disk and in the outbox."""
        found = Output(
            alerts=tuple(alert for output in outputs for alert in output.alerts),
            faults=tuple(fault for output in outputs for fault in output.faults),
            calls=tuple(call for output in outputs for call in output.calls),
        )
        if not found:
            return Kept(alerts=[], faults=[], calls=[])
        keep = partial(self._store.keep, at=at)
        kept = await self._on_disk(keep, found.alerts, found.faults, found.calls)
        self._wake()
        return kept

    async def _journal_records(self, records: Sequence[MonitorRecord]) -> None:
        """Journal what the engine did itself; it knows that already."""
        if records:
            now = self._now()
            entries = [own(record, now) for record in records]
            # Those that the journal has are no repeats of the feed: not counted.
            committed = await self._on_disk(self._append, entries)
            for root in committed.roots:
                self._committed(Committed((), (), 0, (root,)))

    async def _journal_and_take(self, kind: RecordKind, values: dict[str, Any]) -> None:
        now = self._now()
        record = self._record(kind, values, now)
        committed = await self._on_disk(self._append, [own(record, now)])
        self._committed(committed)
        await self._conclude(committed.events)

    def _record(
        self, kind: RecordKind, values: dict[str, Any], now: Moment | None = None
    ) -> MonitorRecord:
        now = now if now is not None else self._now()
        if self._played:
            values = {**values, "arrival": "recorded"}
        name = "still" if values.get("still") else kind.value
        monitor = self._settings.monitor
        return MonitorRecord(
            id=f"{name}/{exact(now)}/{next(self._numbers)}",
            source=monitor,
            subject=monitor,
            time=now,
            arrival=now,
            kind=kind,
            values=values,
        )


class _Opens(Protocol):
    def close(self) -> None: ...


K = TypeVar("K", bound=_Opens)


def _open(stack: ExitStack, opener: Callable[[Path], K], path: Path) -> K:
    try:
        opened = opener(path)
    except sqlite3.Error as error:
        raise DaemonFault(f"{path} cannot be opened: {error}") from error
    stack.callback(opened.close)
    return opened


def _positions(settings: Settings) -> list[Position]:
    """The positions that are set up, or the one that there is else."""
    found = [Position(name=one.name, areas=one.areas) for one in settings.desk.position]
    return found or [Position(name=EVERYBODY)]


def _first(group: ExceptionGroup[Any]) -> str:
    """What the first exception in *group* says."""
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return str(error)


def _stamped(moment: Moment | None) -> str | None:
    return None if moment is None else stamp(moment)


def run(
    line: Line,
    line_text: str,
    settings: Settings,
    *,
    played: bool = False,
    rehearsal: bool = False,
) -> None:
    """Run the daemon until SIGTERM or SIGINT; where what is played is turned back, again from there.

    Raises:
        DaemonFault: it cannot go on.
    """
    rehearsed = None
    while True:
        daemon = Daemon(
            line,
            line_text,
            settings,
            played=played,
            rehearsal=rehearsal,
            rehearsed=rehearsed,
        )
        asyncio.run(until_told(daemon))
        if daemon.again is None:
            return
        moment, rehearsed = daemon.again
        put_aside(settings, moment)


def put_aside(settings: Settings, moment: Moment) -> None:
    """Put aside what was written, and begin with what had come by *moment* of what is played.

    Raises:
        DaemonFault: it cannot be put aside.
    """
    files = settings.files
    try:
        begin_again(files.journal, (files.alerts, files.history), moment)
    except (JournalFault, OSError) as error:
        raise DaemonFault(str(error)) from error


async def until_told(daemon: Daemon) -> None:
    """Run *daemon* until this process is told to end, by SIGTERM or SIGINT.

    Raises:
        DaemonFault: it cannot go on.
    """
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop)

    async def tidied() -> None:
        await daemon.ready.wait()
        await keep_tidy()

    tidying = loop.create_task(tidied(), name="tidying")
    try:
        await daemon.run()
    finally:
        tidying.cancel()
