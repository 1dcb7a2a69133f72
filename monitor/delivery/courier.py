"""The courier: takes what waits in the outbox, in order, and sends each item through the channels it is for.

Two kinds of work go on side by side, and everything between them is on disk:

1. **Routing**: what is new in the outbox is given its channels, or the reason why it goes nowhere.
2. **A round of a channel**, one loop for each: what is due there is sent, and marked only when the channel has it.

| a channel | then |
|---|---|
| has it | it is marked, and never sent there again |
| fails, or does not answer in its time | it is tried again after a wait that doubles and is random, so that many do not come at once |
| refuses it for good | it is marked with the reason, counted, logged; the next one goes |

So a channel that fails or hangs holds up no other, and a courier that is killed begins where the disk says.
Between sending and marking it may be killed: then the receiver has it twice, with the same key, which is why there is one.

**Calls** go by their routes, before anything else that waits.
Nobody is called for what is shelved or switched off: such a call is held back, and what it was for calls when that is over, if it is still open and nobody has seen it.
The core counts it as made, so while it is held back the first alert of its fault that is not quiet calls in its place.
A further step goes only where nobody has seen the call and its fault is not over.
On trial nothing that calls somebody is sent, and it is held back likewise; in a rehearsal nothing is sent at all.
A drill goes out on trial too: it is there to try the channels.
"""

from __future__ import annotations

import asyncio
import json
import random
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial

import structlog

from monitor.core.alerts import Alert
from monitor.core.faults import CALLING, RANKS, Call, Fault, call_line
from monitor.core.layout import Line
from monitor.core.messages import message, sections_of
from monitor.core.moments import DAY, MINUTE, SECOND, Duration, Moment
from monitor.core.suppression import OF_A_CAUSE
from monitor.core.words import span
from monitor.delivery.attention import Attention, Nobody
from monitor.delivery.channel import Channel, Refused, Undelivered, one_line, why
from monitor.delivery.records import OnDisk, read_alert, read_call, read_fault
from monitor.metrics import Delivered
from monitor.routes import Asked, Routes
from monitor.store import ASKED, Item, Post, Store, Waiting

POLL_S = 0.5
"""How often it is looked for what is due, where nobody said that there is something: an urgent call is out within a second."""

STUCK: Duration = MINUTE
"""What has waited for so long at a channel shows that something is wrong there."""

MOST_WAYS = 200
"""Items routed at once."""

REHEARSAL, NO_CHANNEL = ASKED
TRIAL = "trial"
TOLD_LATE: Duration = 10 * MINUTE
"""A call that goes out so long after it was due says that it is late, and by how much."""

LET_GO: Duration = DAY
"""So long after its fault is over what was held back is let go: a fault may go on again within a day of its beginning."""

LATE = "its fault was over before it could be sent"
FOR_GOOD = frozenset({REHEARSAL, LATE, NO_CHANNEL})
"""Where nobody was called for one of these, it stays so; for any other reason it is held back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """How the courier goes about it.

    Args:
        trial: nothing that calls somebody is sent.
        rehearsal: nothing is sent at all.
        join_wait: so long after `raised` an alert that may be one of several of a cause waits for channels that hold such.
        late: a call older than this when it is routed is not made where its fault is over.
        retry_s: the first wait after a failure.
        longest_retry_s: the longest.
        timeout_s: by channel, after so long it is given up for this time.
    """

    trial: bool = False
    rehearsal: bool = False
    join_wait: Duration = 20 * SECOND
    late: Duration = 60 * MINUTE
    retry_s: float = 1.0
    longest_retry_s: float = 60.0
    timeout_s: Mapping[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class _Round:
    """A channel between two rounds.

    Args:
        failures: in a row.
        again: not before.
        refresh: when what holds there is told again.
    """

    failures: int = 0
    again: Moment = 0
    refresh: Moment = 0


class Courier:
    """Sends what waits.

    Args:
        store: where the outbox is.
        channels: by name.
        routes: which calls go where.
        line: for the areas that calls are about.
        on_disk: does work in the thread that uses the store.
        now: the daemon's clock.
        attention: what people did.
        standing: how many trains stand before or in what a fault covers.
        told: hears of each call, and why nobody is called, or "".
        ways: how it goes about it.
        draw: gives a number between two others.
    """

    def __init__(
        self,
        store: Store,
        channels: Mapping[str, Channel],
        routes: Routes,
        *,
        line: Line,
        on_disk: OnDisk,
        now: Callable[[], Moment],
        attention: Attention | None = None,
        standing: Callable[[tuple[str, ...]], int] = lambda _: 0,
        told: Callable[[Call, str], None] = lambda _call, _why: None,
        ways: Ways | None = None,
        draw: Callable[[float, float], float] = random.uniform,
    ) -> None:
        self._store = store
        self._channels = channels
        self._routes = routes
        self._line = line
        self._on_disk = on_disk
        self._now = now
        self._attention = attention if attention is not None else Nobody()
        self._standing = standing
        self._told = told
        self._ways = ways if ways is not None else Ways()
        self._draw = draw
        self._rounds = {name: _Round() for name in channels}
        self._wakes = {name: asyncio.Event() for name in channels}
        self._woken = asyncio.Event()
        self._ending = False
        self._log = structlog.get_logger()
        self._sent: Counter[str] = Counter()
        self._failed: Counter[str] = Counter()
        self._refused: Counter[str] = Counter()
        self._backlog: dict[str, tuple[int, Moment]] = {}
        self._would: dict[str, int] = {}

    async def run(self) -> None:
        """Send until stopped; to be begun when everything journaled is folded, or old calls look as if their faults were open.

        Raises:
            sqlite3.Error: the store cannot be used.
        """
        async with asyncio.TaskGroup() as group:
            group.create_task(self._keep_routing(), name="routing")
            for name in self._channels:
                group.create_task(self._keep_sending(name), name=f"channel {name}")

    def wake(self) -> None:
        """There is something new in the outbox."""
        self._woken.set()

    def stop(self) -> None:
        """Begin nothing more: what is under way is sent and marked, and then `run` returns."""
        self._ending = True
        self._woken.set()
        for one in self._wakes.values():
            one.set()

    async def _keep_routing(self) -> None:
        while not self._ending:
            if not (await self.bring_back() + await self.route()):
                await self._count()
                await _wait(self._woken, POLL_S)
            else:
                for one in self._wakes.values():
                    one.set()

    async def _keep_sending(self, name: str) -> None:
        channel, wake = self._channels[name], self._wakes[name]
        if self._ways.rehearsal:
            return
        while not self._ending:
            try:
                async with channel.open():
                    while not self._ending:
                        if not await self.round(name):
                            await _wait(wake, POLL_S)
            except (Undelivered, OSError) as error:
                self._fail(name, error)
                await _wait(wake, self._ways.retry_s)

    # Routing.

    async def route(self) -> int:
        """Give what is new in the outbox its channels; how many items that were."""
        items: list[Item] = await self._on_disk(self._store.unrouted, MOST_WAYS)
        if items:
            for call, kept in await self._on_disk(self._route, items):
                self._told(call, kept)
        return len(items)

    def _route(self, items: Sequence[Item]) -> list[tuple[Call, str]]:
        """In the store's thread: all of it is looked up and noted at once; gives back the calls, each with why nobody is called."""
        ways = [(item, *self._way(item)) for item in items]
        held = {
            item.number
            for item, posts, kept in ways
            if item.what == "call" and not posts and kept not in FOR_GOOD
        }
        self._store.route(ways, held)
        return [
            (read_call(item.body), kept)
            for item, _, kept in ways
            if item.what == "call" and not _is_drill(item)
        ]

    def _way(self, item: Item) -> tuple[list[Post], str]:
        if self._ways.rehearsal:
            return [], REHEARSAL
        if item.what == "call":
            return self._way_of_call(item)
        posts = [
            Post(channel=name, due=self._due(item, channel))
            for name, channel in self._channels.items()
            if item.what in channel.takes
            and (not channel.calls or not self._ways.trial or _is_drill(item))
        ]
        return posts, ""

    def _due(self, item: Item, channel: Channel) -> Moment:
        if not channel.holds or item.what != "alert":
            return item.put
        alert = read_alert(item.body)
        if alert.kind not in OF_A_CAUSE or alert.priority == "urgent":
            return item.put
        return max(item.put, alert.raised + self._ways.join_wait)

    def _way_of_call(self, item: Item) -> tuple[list[Post], str]:
        call, now = read_call(item.body), self._now()
        quiet = self._attention.quiet(call.alert, now)
        if quiet:
            return [], quiet
        if now - call.at > self._ways.late and self._is_over(call):
            return [], LATE
        if self._ways.trial and not _is_drill(item):
            return [], TRIAL
        asked = self._asked(call, now)
        posts = [
            Post(channel=name, step=number, due=now + step.after)
            for number, step in enumerate(self._routes.steps(asked))
            for name in step.channels
            # Nobody can have seen a drill, so it goes no further than its first step.
            if name in self._channels and not (number and _is_drill(item))
        ]
        return posts, "" if posts else NO_CHANNEL

    def later_steps(self, call: Call) -> tuple[str, ...]:
        """In the store's thread: the channels that *call* would go to where nobody has seen it, beside those it goes to at once."""
        first, *later = self._routes.steps(self._asked(call, self._now()))
        names = (name for step in later for name in step.channels)
        return tuple(dict.fromkeys(n for n in names if n not in first.channels))

    def _asked(self, call: Call, now: Moment) -> Asked:
        text = self._store.alert(call.alert)
        alert = None if text is None else read_alert(text)
        return Asked(
            priority=call.priority,
            areas=_areas(alert, self._line),
            kind=alert.kind if alert else "",
            at=now,
        )

    def _is_over(self, call: Call) -> bool:
        """Whether nobody has to do with its fault any more; the core ends one in which something still waits for a person."""
        over = self._attention.over(call.fault)
        if over is not None:
            return over
        text = self._store.fault(call.fault)
        return text is not None and read_fault(text).ended is not None

    # What was held back.

    async def bring_back(self) -> int:
        """Call where what held a call back is over, or something of its fault is not held back; how many calls that are."""
        if self._ways.rehearsal:
            return 0
        items: list[Item] = await self._on_disk(self._store.held)
        return sum([await self._bring_back(item) for item in items])

    async def _bring_back(self, item: Item) -> bool:
        call, now = read_call(item.body), self._now()
        fault = self._attention.fault(call.fault)
        if fault is None or self._is_forgotten(fault, now):
            await self._on_disk(self._store.let_go, item)
            return False
        if self._ways.trial:
            return False
        alerts = self._attention.unanswered(call.fault, now)
        for alert in alerts:
            if alert.id == call.alert:
                again = self._call(fault, alert, call.at, now)
                await self._on_disk(self._store.put_again, item, call_line(again), now)
                return True
        made = await self._on_disk(self._instead, call, fault, alerts, now)
        if made is None:
            return False
        alert, due = made
        call = self._call(fault, alert, due, now)
        keep = partial(self._store.keep, calls=[call], at=now)
        return bool((await self._on_disk(keep)).calls)

    def _is_forgotten(self, fault: Fault, now: Moment) -> bool:
        """Whether it is over, and cannot go on again."""
        ended = fault.ended
        if ended is None or self._attention.over(fault.id) is False:
            return False
        return now - ended > LET_GO

    def _instead(
        self, call: Call, fault: Fault, alerts: Sequence[Alert], now: Moment
    ) -> tuple[Alert, Moment] | None:
        """In the store's thread: the alert that calls instead of *call*, and since when that is due."""
        names = {call.fault, fault.id, *fault.took}
        out = map(read_call, self._store.gone_out(names, call.at))
        rank = max((RANKS[one.priority] for one in out), default=-1)
        for alert in alerts:
            due = alert.raised
            if alert.kind in OF_A_CAUSE and RANKS[alert.priority] == CALLING:
                due += self._ways.join_wait
            if due > now or RANKS[alert.priority] <= rank:
                continue
            if self._store.call_of(alert.id) is None:
                return alert, due
        return None

    def _call(self, fault: Fault, alert: Alert, at: Moment, now: Moment) -> Call:
        """A call for *alert* as it stands now, which was due at *at*."""
        standing = self._standing(fault.subjects)
        return Call(
            fault=fault.id,
            number=fault.number,
            alert=alert.id,
            priority=alert.priority,
            at=at,
            text=message(
                *(fault.number, alert, standing, self._line, now),
                also=self._also(fault.id, alert, now),
            ),
            standing=standing,
        )

    def _also(self, fault: str, alert: Alert, now: Moment) -> list[Alert]:
        """What else somebody is needed for in a fault, the gravest first."""
        others = [
            one for one in self._attention.unanswered(fault, now) if one.id != alert.id
        ]
        return sorted(others, key=lambda one: -RANKS[one.priority])

    # Sending.

    async def round(self, name: str) -> int:
        """Send what is due at a channel, and tell again what holds there; how many items it now has, or will not have.

        Nothing is done while it waits after a failure.
        """
        state, now = self._rounds[name], self._now()
        if now < state.again:
            return 0
        try:
            await self._refresh(name, state, now)
            return await self._send_due(name, now)
        except asyncio.CancelledError:
            raise
        except Exception as error:  # noqa: BLE001 - whatever a channel does wrong, it shall not take the others with it
            if not isinstance(error, Undelivered | TimeoutError | OSError):
                self._log.exception("channel at fault", channel=name)
            self._fail(name, error)
            return 0

    async def _refresh(self, name: str, state: _Round, now: Moment) -> None:
        channel = self._channels[name]
        if not channel.again_s or now < state.refresh:
            return
        with suppress(Refused):
            async with asyncio.timeout(self._timeout(name)):
                await channel.refresh()
        state.refresh = now + round(channel.again_s * SECOND)

    async def _send_due(self, name: str, now: Moment) -> int:
        channel = self._channels[name]
        waiting: list[Waiting] = await self._on_disk(
            self._store.waiting, name, now, channel.batch
        )
        if not waiting:
            return 0
        due, useless = await self._on_disk(self._needed, waiting, now)
        for said, posts in useless.items():
            await self._on_disk(self._store.done, name, posts, "dropped", now, said)
        if due:
            await self._send(name, due)
        return len(waiting)

    def _needed(
        self, waiting: Sequence[Waiting], now: Moment
    ) -> tuple[list[Waiting], dict[str, list[Waiting]]]:
        """In the store's thread: what is still to be sent, and what is not, by why."""
        due: list[Waiting] = []
        useless: dict[str, list[Waiting]] = {}
        for one in waiting:
            why = self._needless(one, now)
            if why:
                useless.setdefault(why, []).append(one)
            else:
                due.append(replace(one, item=self._as_late(one.item, now)))
        return due, useless

    def _as_late(self, item: Item, now: Moment) -> Item:
        """In the store's thread: *item*, which says that it is late where it is a call that is."""
        if item.what != "call" or _is_drill(item):
            return item
        call = read_call(item.body)
        text = self._store.alert(call.alert)
        late = now - call.at
        if late < TOLD_LATE or text is None:
            return item
        alert = read_alert(text)
        also = self._also(call.fault, alert, now)
        words = message(
            *(call.number, alert, call.standing, self._line, now),
            also=also,
            late=late,
        )
        return replace(item, body=call_line(replace(call, text=words)))

    def _needless(self, one: Waiting, now: Moment) -> str:
        """Why a further step of a call is not needed, or ""."""
        if one.step == 0 or one.item.what != "call":
            return ""
        call = read_call(one.item.body)
        if self._attention.seen(call.fault, call.alert, one.item.put):
            return "seen"
        if self._attention.quiet(call.alert, now):
            return "shelved or switched off"
        return "over" if self._is_over(call) else ""

    async def _send(self, name: str, due: Sequence[Waiting]) -> None:
        channel = self._channels[name]
        try:
            async with asyncio.timeout(self._timeout(name)):
                await channel.send([one.item for one in due])
        except Refused as refused:
            if len(due) > 1:
                # Which of them, shows when each goes alone.
                for one in due:
                    await self._send(name, [one])
                return
            self._refused[name] += 1
            self._log.warning("refused", channel=name, why=str(refused), key=due[0].item.key)  # fmt: skip
            await self._done(name, due, "refused", one_line(refused))
        except (Undelivered, TimeoutError, OSError) as error:
            said = _why(error)
            await self._on_disk(self._store.failed, name, due, self._now(), said)
            raise
        else:
            self._sent[name] += len(due)
            self._rounds[name].failures = 0
            await self._done(name, due, "sent", "")

    async def _done(
        self, name: str, due: Sequence[Waiting], state: str, why: str
    ) -> None:
        await self._on_disk(self._store.done, name, due, state, self._now(), why)

    def _timeout(self, name: str) -> float:
        return self._ways.timeout_s.get(name, 10.0)

    def _fail(self, name: str, error: Exception) -> None:
        """Wait before the next attempt, longer each time."""
        state = self._rounds[name]
        self._failed[name] += 1
        wait_s = self._wait_s(state.failures)
        state.failures += 1
        state.again = self._now() + round(wait_s * SECOND)
        self._log.warning(
            "not delivered",
            channel=name,
            why=_why(error),
            again_in_s=round(wait_s, 1),
        )

    def _wait_s(self, failures: int) -> float:
        longest = self._ways.retry_s * 2.0 ** min(failures, 20)
        longest = min(longest, self._ways.longest_retry_s)
        return self._draw(longest / 2, longest)

    # What it says of itself.

    async def _count(self) -> None:
        self._backlog = await self._on_disk(self._store.backlog)
        if self._ways.trial:
            self._would = await self._on_disk(self._store.kept_back, TRIAL)

    def delivered(self) -> dict[str, Delivered]:
        """How each channel stands, as of the last look, at most a second ago."""
        now = self._now()
        return {
            name: Delivered(
                waiting=self._backlog.get(name, (0, now))[0],
                oldest_s=max(0, now - self._backlog.get(name, (0, now))[1]) / SECOND,
                sent=self._sent[name],
                failed=self._failed[name],
                refused=self._refused[name],
            )
            for name in self._channels
        }

    def stuck(self, longer: Duration = STUCK) -> tuple[str, ...]:
        """The channels at which something has waited for longer than that, one sentence each."""
        return tuple(
            f"Nothing has gone out by {name} for {span(round(one.oldest_s * SECOND))}; "
            f"{one.waiting} waiting."
            for name, one in sorted(self.delivered().items())
            if one.oldest_s * SECOND > longer and not self._ways.rehearsal
        )

    def would_have_called(self) -> dict[str, int]:
        """How many calls there would have been but for the trial, by priority."""
        return dict(self._would)


def _why(error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return "it did not answer in time"
    return why(error)


def _is_drill(item: Item) -> bool:
    record = json.loads(item.body)
    return bool(record.get("drill") or record.get("parameters", {}).get("drill"))


def _areas(alert: Alert | None, line: Line) -> frozenset[str]:
    if alert is None:
        return frozenset()
    kind, _, name = alert.subject.partition("/")
    own = {name} if kind == "area" else set()
    found = {line.sections[one].area for one in sections_of(alert, line)}
    return frozenset(own | found)


async def _wait(event: asyncio.Event, at_most_s: float) -> None:
    with suppress(TimeoutError):
        async with asyncio.timeout(at_most_s):
            await event.wait()
    event.clear()
