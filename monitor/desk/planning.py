"""The period report for whoever asks the running monitor: made beside it, of its files, one at a time, and kept for a while.

It reads with connections of its own, in a thread of its own, so that what comes in and what people do never waits for it.
"""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.core.layout import Line
from monitor.core.messages import plain
from monitor.core.moments import (
    DAY,
    EARLIEST,
    HOUR,
    LATEST,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    from_datetime,
)
from monitor.delivery.monthly import CannotBeMade, Letter, Month
from monitor.history import History, HistoryFault
from monitor.planner.whereabouts import Whereabouts
from monitor.store import Store
from monitor.visits import Visit

if TYPE_CHECKING:
    from monitor.planner.figures import Report

LONGEST: Duration = 3660 * DAY
"""Nobody asks for more than ten years at once."""

USUAL_D = 30
"""Days that are told of where nobody says how many."""

FRESH: Duration = MINUTE
"""A report of the same period is not made anew so soon."""

OVER: Duration = HOUR
"""Nor one of a period that was over, and heard to its end, when it was made: of that only what came late is new."""

KEPT = 6
"""So many periods are kept: those that a planner goes to and fro between."""

WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

Period = tuple[Moment, Moment]
Key = tuple[Moment, Moment | None]
"""A period, or up to now."""


@dataclass(frozen=True, slots=True)
class Being:
    """A report that is being made.

    Args:
        for_s: for so long now.
        usual_s: the last one took so long, as far as its days go; None where none was made yet.
    """

    for_s: float
    usual_s: float | None

    @property
    def share(self) -> float | None:
        """How far it has come, as far as that can be told; never all of it."""
        return None if not self.usual_s else min(self.for_s / self.usual_s, 0.95)


@dataclass(frozen=True, slots=True)
class _Made:
    at: Moment
    over: bool
    visits: tuple[Visit, ...]
    report: Report


@dataclass(slots=True)
class _Making:
    began: Moment
    visits: tuple[Visit, ...]
    future: asyncio.Future[Report]


class NoReport(Exception):
    """There is none; the text says why, in one line."""


class Planning:
    """Makes period reports of the running monitor.

    Args:
        line: the line file.
        history: the file of facts.
        alerts: the file of alerts.
        now: the clock.
        reached: how far time has surely come in what was heard; None: nothing was.
        visits: gives all of them.
        rehearsal: none of it is so.
    """

    def __init__(
        self,
        line: Line,
        history: Path,
        alerts: Path,
        now: Callable[[], Moment],
        *,
        reached: Callable[[], Moment | None],
        visits: Callable[[], tuple[Visit, ...]] = tuple,
        rehearsal: bool = False,
    ) -> None:
        self.line = line
        self.now = now
        self.rehearsal = rehearsal
        self._reached = reached
        self._visits = visits
        self._history = history
        self._alerts = alerts
        self._one = threading.Lock()
        self._made: OrderedDict[Key, _Made] = OrderedDict()
        self._making: dict[Key, _Making] = {}
        self._a_day_s: float | None = None

    async def report(self, begin: Moment, end: Moment) -> Report:
        """The report of the time from *begin* up to *end*.

        Raises:
            NoReport: the files cannot be read.
        """
        known = self._known(begin, end)
        if known is not None:
            return known
        # Whoever goes away does not end what others wait for.
        return await asyncio.shield(self._asked(begin, end).future)

    async def soon(self, begin: Moment, end: Moment, within_s: float) -> Report | Being:
        """The report, where it is made within so many seconds; else how far it has come: it is made all the same, for whoever asks again.

        Raises:
            NoReport: the files cannot be read.
        """
        known = self._known(begin, end)
        if known is not None:
            return known
        making = self._asked(begin, end)
        done, _ = await asyncio.wait({making.future}, timeout=within_s)
        if done:
            return making.future.result()
        days = (end - begin) / DAY
        return Being(
            for_s=(self.now() - making.began) / SECOND,
            usual_s=None if self._a_day_s is None else self._a_day_s * days,
        )

    def visits_to(self, subject: str) -> tuple[Visit, ...]:
        """The visits to what *subject* is, or to what it stands for."""
        there = Whereabouts(self.line)
        mine = set(there.sections(subject))
        kind = subject.partition("/")[0]

        def concerns(visit: Visit) -> bool:
            named = (*visit.subjects, *([visit.part] if visit.part else []))
            if subject in named:
                return True
            # A section has those to the parts that it needs; a part those that named nothing else of it.
            if kind == "section":
                return any(mine & set(there.sections(one)) for one in named)
            return any(
                one.startswith("section/") and mine & set(there.sections(one))
                for one in named
            )

        return tuple(one for one in self._visits() if concerns(one))

    def _key(self, begin: Moment, end: Moment) -> Key:
        # Up to now is another moment each time, and the same question.
        return begin, None if end >= self.now() - FRESH else end

    def _known(self, begin: Moment, end: Moment) -> Report | None:
        """The report as it was made lately, where nothing else is known since."""
        key = self._key(begin, end)
        made = self._made.get(key)
        if made is None or made.visits != self._visits():
            return None
        if self.now() - made.at >= (OVER if made.over else FRESH):
            return None
        self._made.move_to_end(key)
        return made.report

    def _asked(self, begin: Moment, end: Moment) -> _Making:
        """The report in the making; begun now where it is not."""
        key, visits = self._key(begin, end), self._visits()
        making = self._making.get(key)
        if making is not None and making.visits == visits:
            return making
        now = self.now()
        loop = asyncio.get_running_loop()
        future = loop.run_in_executor(None, self._make, begin, end, now, visits)
        making = _Making(now, visits, future)
        self._making[key] = making

        def keep(done: asyncio.Future[Report]) -> None:
            if self._making.get(key) is making:
                del self._making[key]
            if done.cancelled() or done.exception() is not None:
                return
            report = done.result()
            self._a_day_s = (self.now() - now) / SECOND / max((end - begin) / DAY, 1)
            over = key[1] is not None and report.reached >= end
            self._made[key] = _Made(now, over, visits, report)
            self._made.move_to_end(key)
            while len(self._made) > KEPT:
                self._made.popitem(last=False)

        future.add_done_callback(keep)
        return making

    def _make(
        self, begin: Moment, end: Moment, now: Moment, visits: tuple[Visit, ...]
    ) -> Report:
        # What reckons is loaded when the first report is asked for: a monitor starts without it.
        from monitor.planner.period import report  # noqa: PLC0415

        try:
            with (
                self._one,
                History.to_read(self._history) as history,
                Store.to_read(self._alerts) as store,
            ):
                return report(
                    history,
                    self.line,
                    begin,
                    end,
                    reached=self._reached() or begin,
                    made=now,
                    rehearsal=self.rehearsal,
                    alerts=store.raised_by_subject(begin, end),
                    visits=visits,
                )
        except (HistoryFault, sqlite3.Error) as error:
            raise NoReport(f"no report can be made now: {error}") from error

    def period(self, begin: str | None, end: str | None) -> Period:
        """The period from the beginning of one day up to the end of another, as the line's clocks show them; by default the last 30 days.

        Raises:
            ValueError: these are no days, or the period is none, or too long; the text says which.

        Example:
            >>> from monitor.core.detector import Place
            >>> from monitor.core.moments import parse, stamp
            >>> noon = parse("2026-06-10T12:00:00Z")
            >>> planning = Planning(
            ...     Place.example().line,
            ...     Path("h"),
            ...     Path("a"),
            ...     lambda: noon,
            ...     reached=lambda: noon,
            ... )
            >>> [stamp(x)[:16] for x in planning.period("2026-05-01", "2026-05-31")]
            ['2026-05-01T00:00', '2026-06-01T00:00']
            >>> [stamp(x)[:16] for x in planning.period(None, None)]
            ['2026-05-11T00:00', '2026-06-10T12:00']
        """
        today = as_datetime(self.now()).astimezone(self.line.zone)
        stop = self.now() if not end else self._midnight(end, 1)
        start = (
            self._midnight(f"{today:%Y-%m-%d}", -USUAL_D)
            if not begin
            else self._midnight(begin, 0)
        )
        if start >= stop:
            raise ValueError("the period ends before it begins")
        if stop - start > LONGEST:
            raise ValueError("the period is longer than ten years")
        return start, stop

    def _midnight(self, day: str, later: int) -> Moment:
        """When a day begins, or one so many days later."""
        try:
            found = datetime.strptime(day, "%Y-%m-%d") + timedelta(days=later)  # noqa: DTZ007 - of the line's zone, below
            moment = from_datetime(found.replace(tzinfo=self.line.zone))
        except (ValueError, OverflowError):
            raise ValueError(f"{day[:20]!r} is no day, like 2026-05-31") from None
        if not EARLIEST <= moment < LATEST:
            raise ValueError(f"{day[:20]} is before 1990 or after 2199")
        return moment

    async def letter(self, month: Month) -> Letter | None:
        """The report of a month as a letter; None where the line had never been heard by its end.

        A month in which nothing was heard has one that says so: without it a dead feed looks like a quiet month.
        What the broker keeps for a monitor that was away is waited for, but no longer than a day.

        Raises:
            CannotBeMade: the files cannot be read, or the month has not been heard to its end.
        """
        reached = self._reached()
        if reached is None:
            raise CannotBeMade("nothing has been heard yet")
        if reached < month.end and self.now() < month.due + DAY:
            raise CannotBeMade("the month has not been heard to its end")
        try:
            report = await self.report(month.begin, month.end)
        except NoReport as error:
            raise CannotBeMade(str(error)) from error
        if not report.ever:
            return None
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(None, _letter, month.name, report)


def _letter(month: str, report: Report) -> Letter:
    from monitor.planner.as_csv import as_csv  # noqa: PLC0415 - as above
    from monitor.planner.as_html import as_html, said  # noqa: PLC0415

    notes = "".join(f"\n- {one}" for one in report.notes)
    return Letter(
        subject=plain(f"{report.line[:50]}: {month}, {words_of(report)}"),
        text=f"{report.line}, {month}.\n\n{said(report)}\n{notes}",
        files=(
            (f"period-{month}.html", "text/html", as_html(report).encode()),
            (f"period-{month}.csv", "text/csv", as_csv(report).encode()),
            *_workbook(month, report),
        ),
    )


def _workbook(month: str, report: Report) -> Iterable[tuple[str, str, bytes]]:
    """The whole table for a spreadsheet, where the extra is installed."""
    try:
        from monitor.planner.as_xlsx import as_xlsx  # noqa: PLC0415 - as above
    except ModuleNotFoundError:
        return
    yield f"period-{month}.xlsx", WORKBOOK, as_xlsx(report)


def words_of(report: Report) -> str:
    """How many disturbances, and how much of the period was observed, for a subject line."""
    from monitor.planner.words import NOT_HEARD, share  # noqa: PLC0415 - as above

    whole = report.whole
    if not whole.heard:
        return NOT_HEARD
    count = whole.disturbances
    return (
        f"{count} disturbance{'' if count == 1 else 's'}, {share(whole.share)} observed"
    )
