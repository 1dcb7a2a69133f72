"""The period report for whoever asks the running monitor: made beside it, of its files, one at a time.

It reads with connections of its own, in a thread of its own, so that what comes in and what people do never waits for it.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.core.layout import Line
from monitor.core.messages import plain
from monitor.core.moments import (
    DAY,
    EARLIEST,
    LATEST,
    MINUTE,
    Duration,
    Moment,
    as_datetime,
    from_datetime,
)
from monitor.delivery.monthly import CannotBeMade, Letter, Month
from monitor.history import History, HistoryFault
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

Period = tuple[Moment, Moment]


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
        self._one = asyncio.Lock()
        self._last: tuple[Period, Moment, tuple[Visit, ...], Report] | None = None

    async def report(self, begin: Moment, end: Moment) -> Report:
        """The report of the time from *begin* up to *end*.

        Raises:
            NoReport: the files cannot be read.
        """
        async with self._one:
            now, visits = self.now(), self._visits()
            if self._last is not None:
                period, made, known, report = self._last
                if period == (begin, end) and now - made < FRESH and known == visits:
                    return report
            loop = asyncio.get_running_loop()
            report = await loop.run_in_executor(
                None, self._make, begin, end, now, visits
            )
            self._last = (begin, end), now, visits, report
            return report

    def _make(
        self, begin: Moment, end: Moment, now: Moment, visits: tuple[Visit, ...]
    ) -> Report:
        # What reckons is loaded when the first report is asked for: a monitor starts without it.
        from monitor.planner.period import report  # noqa: PLC0415

        try:
            with (
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
            (f"period-{month}.html", "html", as_html(report).encode()),
            (f"period-{month}.csv", "csv", as_csv(report).encode()),
        ),
    )


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
