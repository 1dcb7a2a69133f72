"""The planner's work list and what became of visits, for whoever asks the running monitor: made beside it, of its files, one at a time.

It reads with connections of its own, in a thread of its own, so that what comes in and what people do never waits for it.
"""

from __future__ import annotations

import asyncio
import json
import sqlite3
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from monitor.core.layout import Line
from monitor.core.moments import MINUTE, Duration, Moment
from monitor.history import History, HistoryFault
from monitor.store import Store
from monitor.visits import Visit, Visits

if TYPE_CHECKING:
    from monitor.planner.outlook import Became
    from monitor.planner.worklist import Worklist

FRESH: Duration = MINUTE
"""What was worked out is not worked out anew so soon, unless a visit has come meanwhile."""

T = TypeVar("T")


class NoOutlook(Exception):
    """There is none; the text says why, in one line."""


class Outlooks:
    """Makes work lists of the running monitor, and tells what became of visits.

    Args:
        line: the line file.
        history: the file of facts.
        alerts: the file of alerts.
        visits: as people recorded them.
        now: the clock.
        reached: how far time has surely come in what was heard; None: nothing was.
    """

    def __init__(  # noqa: PLR0917 - what it is made of
        self,
        line: Line,
        history: Path,
        alerts: Path,
        visits: Visits,
        now: Callable[[], Moment],
        reached: Callable[[], Moment | None],
    ) -> None:
        self.line = line
        self.visits = visits
        self.now = now
        self._history = history
        self._alerts = alerts
        self._reached = reached
        self._one = asyncio.Lock()
        self._known: dict[str, tuple[tuple[Visit, ...], Moment, Any]] = {}

    async def work(self) -> Worklist:
        """The work list.

        Raises:
            NoOutlook: the files cannot be read.
        """

        def make(
            history: History, store: Store, visits: tuple[Visit, ...], now: Moment
        ) -> Worklist:
            # What reckons is loaded when it is first asked for: a monitor starts without it.
            from monitor.planner.outlook import work  # noqa: PLC0415

            alerts = _alerts(store)
            return work(history, self.line, alerts, visits, now)

        return await self._fresh("work", make)

    async def became(self) -> Became:
        """What became of visits.

        Raises:
            NoOutlook: the files cannot be read.
        """

        def make(
            history: History, store: Store, visits: tuple[Visit, ...], now: Moment
        ) -> Became:
            from monitor.planner.outlook import became  # noqa: PLC0415

            into, of = _faults(store)
            return became(
                history,
                self.line,
                _alerts(store),
                visits,
                now,
                lambda alert: _root(of.get(alert, ""), into),
                lambda fault: _root(fault, into),
            )

        return await self._fresh("became", make)

    async def _fresh(
        self,
        name: str,
        make: Callable[[History, Store, tuple[Visit, ...], Moment], T],
    ) -> T:
        async with self._one:
            visits, now = self.visits.all(), self.now()
            known = self._known.get(name)
            if known is not None and known[0] == visits and now - known[1] < FRESH:
                found: T = known[2]
                return found
            # What has not surely come is not looked at: it would be taken for quiet.
            until = self._reached() or now
            loop = asyncio.get_running_loop()
            found = await loop.run_in_executor(None, self._read, make, visits, until)
            self._known[name] = visits, now, found
            return found

    def _read(
        self,
        make: Callable[[History, Store, tuple[Visit, ...], Moment], T],
        visits: tuple[Visit, ...],
        until: Moment,
    ) -> T:
        try:
            with (
                History.to_read(self._history) as history,
                Store.to_read(self._alerts) as store,
            ):
                return make(history, store, visits, until)
        except (HistoryFault, sqlite3.Error) as error:
            raise NoOutlook(f"that cannot be told now: {error}") from error


def _alerts(store: Store) -> Callable[[Moment], Iterable[dict[str, Any]]]:
    return lambda begin: map(json.loads, store.since(begin))


def _faults(store: Store) -> tuple[dict[str, str], dict[str, str]]:
    """The fault that took each in, and the fault in which each alert was first."""
    into: dict[str, str] = {}
    of: dict[str, str] = {}
    for fault in map(json.loads, store.faults()):
        if fault["into"] is not None:
            into[fault["id"]] = fault["into"]
        for alert in fault["alerts"]:
            of.setdefault(alert, fault["id"])
    return into, of


def _root(fault: str, into: dict[str, str]) -> str:
    seen = {fault}
    while fault in into and into[fault] not in seen:
        fault = into[fault]
        seen.add(fault)
    return fault
