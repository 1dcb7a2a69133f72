"""A drill: a marked alert and call through the whole chain, with the time at each stage.

It goes the real way, to the real channels, by the real routes; on trial too, for it is there to try them.
It stands in no list of alerts, faults or calls, and every text of it begins with the word.
When all channels have answered, or the time is up, its alert is told as over.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace

from monitor.core.alerts import Alert, digest, identify, line
from monitor.core.detector import Priority
from monitor.core.faults import Call, call_line, number_of
from monitor.core.moments import SECOND, Duration, Moment
from monitor.core.words import CAUTION
from monitor.delivery.records import OnDisk
from monitor.store import Store, call_key

KIND = "drill"
LOOK_S = 0.05
SAYS = "Drill: nothing has happened, and nothing is to be done but to say that it came"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A stage of the chain.

    Args:
        name: `written down`, `routed`, or a channel with what it was sent.
        took: from the beginning of the drill; None where it was not reached.
        said: how it went, in words.
    """

    name: str
    took: Duration | None
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """How a drill went.

    Args:
        number: to say on the telephone: it stands in the call.
        began: when it began.
        stages: in the order of the chain.
        left_out: channels of later steps, which were not tried: nobody can have seen a drill, and it wakes nobody whom a call wakes only when it is not answered.
    """

    number: str
    began: Moment
    stages: tuple[Stage, ...]
    left_out: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether everything was reached, and at least one channel was."""
        return len(self.stages) > 2 and all(one.took is not None for one in self.stages)


def drill_alert(monitor: str, at: Moment, by: str) -> Alert:
    """The marked alert of a drill."""
    subject = f"monitor/{monitor}"
    return Alert(
        id=identify(f"{KIND}\n{secrets.token_hex(8)}", subject, at),
        kind=KIND,
        subject=subject,
        priority="urgent",
        began=at,
        raised=at,
        ended=None,
        summary=f"{SAYS}; asked for by {by}",
        evidence=(),
        affected=(subject,),
        suspects=(),
        checks=(CAUTION,),
        parameters={"drill": True},
    )


def drill_call(alert: Alert, by: str, priority: Priority = "urgent") -> Call:
    """The marked call of a drill, in the words of `drill_alert`."""
    number = number_of(alert.id)
    return Call(
        fault=alert.id,
        number=number,
        alert=alert.id,
        priority=priority,
        at=alert.raised,
        text=f"{number} drill. {SAYS}. Asked for by {by[:60]}.",
        standing=0,
    )


class Drill:
    """A drill on a running monitor.

    Args:
        store: where its outbox is.
        on_disk: does work in the thread that uses the store.
        now: the daemon's clock.
        wake: tells the courier that there is something new.
        monitor: its id.
        later: the channels of the further steps of a call, asked in the thread that uses the store.
    """

    def __init__(
        self,
        store: Store,
        *,
        on_disk: OnDisk,
        now: Callable[[], Moment],
        wake: Callable[[], None],
        monitor: str,
        later: Callable[[Call], tuple[str, ...]] = lambda _: (),
    ) -> None:
        self._store = store
        self._on_disk = on_disk
        self._now = now
        self._wake = wake
        self._monitor = monitor
        self._later = later
        self._ending = False

    def stop(self) -> None:
        """Wait no longer: whoever asked is told how far it came."""
        self._ending = True

    async def run(self, by: str, within_s: float = 60.0) -> Report:
        """Send a drill, and report when each stage was reached; at most *within_s* seconds.

        Raises:
            sqlite3.Error: the store cannot be used.
        """
        began = self._now()
        alert = drill_alert(self._monitor, began, by)
        call = drill_call(alert, by)
        text = line(alert)
        told = {"alert": digest(text), "call": call_key(call)}
        marked = json.dumps({**json.loads(call_line(call)), "drill": True})
        await self._put("alert", told["alert"], alert.id, text)
        await self._put("call", told["call"], alert.id, marked)
        written = self._now()
        self._wake()
        try:
            stages = await self._watch(told, began, began + round(within_s * SECOND))
        finally:
            over = line(replace(alert, ended=self._now()))
            await self._put("alert", digest(over), alert.id, over)
            self._wake()
        first = Stage(name="written down", took=written - began, said="on disk")
        return Report(
            number=call.number,
            began=began,
            stages=(first, *stages),
            left_out=await self._on_disk(self._later, call),
        )

    async def _put(self, what: str, key: str, about: str, text: str) -> None:
        await self._on_disk(self._store.put, what, key, about, text, self._now())

    async def _watch(
        self, told: dict[str, str], began: Moment, until: Moment
    ) -> list[Stage]:
        routed: Moment | None = None
        while True:
            now = self._now()
            ways = [
                await self._on_disk(self._store.is_routed, k) for k in told.values()
            ]
            if routed is None and all(done for done, _ in ways):
                routed = now
            found = [
                (what, await self._on_disk(self._store.progress, key))
                for what, key in told.items()
            ]
            states = [one for _, each in found for one, _, _ in each.values()]
            through = routed is not None and "waiting" not in states
            if through or self._ending or now >= until:
                break
            await asyncio.sleep(LOOK_S)
        because = "; ".join(dict.fromkeys(why for _, why in ways if why))
        took = None if routed is None else routed - began
        stages = [Stage(name="routed", took=took, said=because or "to its channels")]
        for what, each in found:
            for channel, (state, at, why) in sorted(each.items()):
                sent = at - began if state == "sent" and at is not None else None
                said = f"{state}: {why}" if why else state
                stages.append(Stage(name=f"{channel}, {what}", took=sent, said=said))
        return stages
