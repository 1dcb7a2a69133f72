"""Alertmanager (API v2): it is told what holds, again and again in time, and what is over.

| an alert | is told as |
|---|---|
| open | firing, from `began` until `valid_s` from now; again every `resend_s` |
| over, closed, shelved or switched off by a person, or quiet by now | resolved; again for a quarter of an hour, because its receiver keeps none over a restart |
| open, and no longer shelved, switched off or quiet | firing once more, at the next round |
| quiet or over before it was told | nothing |

Labels are what Alertmanager knows an alert by, so they stay as they are over its life: `alertname` (its kind), `id`, `fault` (the number of the fault in which it was at first: by it one fault is one group), `subject`, `area`, `monitor`, `priority`.
Routes go by priority; so where that rises, what was told with the lower is resolved and told with the higher.
Everything that may change is an annotation.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from typing import Any

import httpx

from monitor.core.alerts import Alert
from monitor.core.detector import Priority
from monitor.core.faults import RANKS
from monitor.core.layout import Line
from monitor.core.messages import headline, plain, sections_of, site_of
from monitor.core.moments import MINUTE, Duration, Moment, seconds, stamp
from monitor.core.words import CAUTION
from monitor.delivery.attention import Attention
from monitor.delivery.channel import Undelivered
from monitor.delivery.posting import client, post
from monitor.delivery.records import Records, read_alert
from monitor.settings.delivery import AlertmanagerSettings
from monitor.store import Item, What

STILL_TOLD: Duration = 15 * MINUTE
"""For so long what is over is told again."""

CHUNK = 200
"""Alerts in one POST at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An alert as Alertmanager has it.

    Args:
        alert: its last line.
        priority: under which it was told.
        over: when it ended; None while it holds.
        until: until when that it is over is told again.
    """

    alert: Alert
    priority: Priority
    over: Moment | None = None
    until: Moment = 0


Key = tuple[str, Priority]


@dataclass(frozen=True, slots=True)
class _Open:
    """An alert that is open, whether it is told or quiet: its last line, and the highest priority it had."""

    alert: Alert
    priority: Priority


class Alertmanager:
    """An Alertmanager.

    Args:
        name: of the channel.
        settings: where it is, and what it is told.
        monitor: who tells it.
        line: for areas and sites.
        records: what it was told before.
        attention: what people have closed, shelved or switched off.
        now: the clock.
    """

    takes: frozenset[What] = frozenset({"alert"})
    calls = True
    holds = True
    batch = 64

    def __init__(
        self,
        name: str,
        settings: AlertmanagerSettings,
        *,
        monitor: str,
        line: Line,
        records: Records,
        attention: Attention,
        now: Callable[[], Moment],
    ) -> None:
        self.again_s = settings.resend_s
        self._name = name
        self._settings = settings
        self._monitor = monitor
        self._line = line
        self._records = records
        self._attention = attention
        self._now = now
        self._url = f"{settings.url.rstrip('/')}/api/v2/alerts"
        self._valid = seconds(settings.valid_s)
        self._client: httpx.AsyncClient | None = None
        self._told: dict[Key, Told] = {}
        self._open: dict[str, _Open] = {}

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Know what it was told before, and have a client while it is used."""
        settings, now = self._settings, self._now()
        before = await self._records.told(self._name, now - STILL_TOLD)
        # What it has, it may be told as over; so at first nobody is asked what is quiet.
        self._open = {}
        told: dict[Key, Told] = {}
        for alert in before:
            told = self._taken(told, alert, now, people=False)
        self._told = self._settled(told, now)
        async with client(settings.ca_file, settings.timeout_s) as self._client:
            yield

    async def send(self, items: Sequence[Item]) -> None:
        """Tell it the alerts of *items*.

        Raises:
            Undelivered: it is not there, or cannot now.
            Refused: it does not take one of them.
        """
        now = self._now()
        alerts = [read_alert(item.body) for item in items]
        # The last line of each is what holds.
        last = {alert.id: alert for alert in alerts}
        ranks = {alert.id: alert.priority for alert in alerts}
        for alert in alerts:
            ranks[alert.id] = _higher(ranks[alert.id], alert.priority)
        was, told = dict(self._open), self._told
        for alert in last.values():
            told = self._taken(told, alert, now, ranks[alert.id])
        told = self._settled(told, now)
        changed = [one for key, one in told.items() if self._told.get(key) != one]
        try:
            await self._tell(changed, now)
        except BaseException:
            self._open = was
            raise
        self._tell_no_more(told, now)

    async def refresh(self) -> None:
        """Tell it again what holds, and for a while what is over.

        Raises:
            Undelivered: it is not there, or cannot now.
            Refused: it does not take one of them.
        """
        now = self._now()
        told = self._settled(self._told, now)
        told = {
            key: one
            for key, one in told.items()
            if one.over is None or one.until > now or one != self._told.get(key)
        }
        await self._tell(told.values(), now)
        self._tell_no_more(told, now)

    def _tell_no_more(self, told: dict[Key, Told], now: Moment) -> None:
        """It has *told*; what is closed does not come back."""
        self._told = told
        for name in list(self._open):
            if self._attention.closed(name, now):
                del self._open[name]

    def _taken(
        self,
        told: dict[Key, Told],
        alert: Alert,
        now: Moment,
        priority: Priority = "note",
        *,
        people: bool = True,
    ) -> dict[Key, Told]:
        """What it has been told once it knows a line of *alert* too, which was of *priority* meanwhile."""
        held = [one for key, one in told.items() if key[0] == alert.id]
        known = self._open.pop(alert.id, None)
        for one in (alert, *held, *([known] if known else ())):
            priority = _higher(priority, one.priority)
        if alert.ended is None:
            self._open[alert.id] = _Open(alert, priority)
            return self._stands(told, self._open[alert.id], now, people=people)
        return told | {
            (alert.id, one.priority): _over(one, alert, alert.ended, now)
            for one in held
            if one.over is None
        }

    def _settled(self, told: dict[Key, Told], now: Moment) -> dict[Key, Told]:
        """What it has been told once it knows what people did meanwhile."""
        for one in self._open.values():
            told = self._stands(told, one, now)
        return told

    def _stands(
        self, told: dict[Key, Told], one: _Open, now: Moment, *, people: bool = True
    ) -> dict[Key, Told]:
        """What it has been told once it knows how an open alert stands."""
        alert, priority = one.alert, one.priority
        fires = priority in self._settings.priorities and not (
            "quiet" in alert.parameters or (people and self._is_quiet(alert, now))
        )
        after = {
            key: _over(held, held.alert if fires else alert, now, now)
            for key, held in told.items()
            if key[0] == alert.id
            and held.over is None
            and not (fires and held.priority == priority)
        }
        if fires:
            after[alert.id, priority] = Told(alert=alert, priority=priority)
        return told | after

    def _is_quiet(self, alert: Alert, now: Moment) -> bool:
        """Whether people have closed it, shelved it, or switched it off."""
        attention = self._attention
        return attention.closed(alert.id, now) or bool(attention.quiet(alert.id, now))

    async def _tell(self, told: Iterable[Told], now: Moment) -> None:
        if self._client is None:
            raise Undelivered("it is not open")
        bodies = [await self._body(one, now) for one in told]
        for begin in range(0, len(bodies), CHUNK):
            text = json.dumps(bodies[begin : begin + CHUNK], ensure_ascii=False)
            token = self._settings.token_file
            await post(self._client, self._url, text.encode(), {}, token)

    async def _body(self, told: Told, now: Moment) -> dict[str, Any]:
        alert = told.alert
        # A clock that is ahead must not keep what is over firing.
        began = min(alert.began, now)
        ends = now + self._valid
        if told.over is not None:
            ends = max(began, min(told.over, now))
        return {
            "labels": self.labels(alert, told.priority),
            "annotations": await self._annotations(alert),
            "startsAt": stamp(began),
            "endsAt": stamp(ends),
        }

    def labels(self, alert: Alert, priority: Priority) -> dict[str, str]:
        """What the alert is known by, the same over its whole life while its priority is."""
        areas = [self._line.sections[one].area for one in _sections(alert, self._line)]
        labels = {
            "alertname": alert.kind,
            "id": alert.id,
            "fault": self._attention.number(alert.id),
            "subject": plain(alert.subject),
            "area": plain(areas[0]) if areas else "",
            "monitor": self._monitor,
            "priority": priority,
            "drill": "yes" if "drill" in alert.parameters else "",
        }
        return {name: value for name, value in labels.items() if value}

    async def _annotations(self, alert: Alert) -> dict[str, str]:
        call = await self._records.call_of(alert.id)
        # What Alertmanager makes of these is read by people.
        texts = {
            "headline": headline(alert),
            "summary": plain(alert.summary),
            "fault": call.number if call else "",
            "message": plain(call.text) if call else "",
            "site": plain(site_of(alert, self._line)),
            "look_first": "\n".join(map(plain, alert.checks)),
            "caution": CAUTION,
        }
        return {name: text for name, text in texts.items() if text}


def _sections(alert: Alert, line: Line) -> list[str]:
    """The sections of its own subject: what is affected may grow, and labels stay."""
    kind, _, name = alert.subject.partition("/")
    if kind == "evaluator":
        return list(line.sections_of(name))
    own = replace(alert, affected=())
    return sections_of(own, line)


def _higher(one: Priority, other: Priority) -> Priority:
    return max(one, other, key=RANKS.__getitem__)


def _over(told: Told, alert: Alert, at: Moment, now: Moment) -> Told:
    return Told(alert=alert, priority=told.priority, over=at, until=now + STILL_TOLD)
