"""The report of the month that is over, by mail, on a day and at a time of the planner's choice.

What has gone is noted beside the alerts, so that a start later in the month sends nothing twice; a mail that went out just before the monitor was killed has the same Message-ID as the one that goes after it.
A month in which nothing was heard has a letter that says so; only one before the line was heard for the first time has none.
A mailbox that does not answer is tried again, for as long as it takes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from email.message import EmailMessage
from email.utils import format_datetime
from zoneinfo import ZoneInfo

import structlog

from monitor.core.moments import HOUR, MINUTE, Moment, as_datetime, from_datetime
from monitor.core.words import CAUTION
from monitor.delivery.channel import Refused, Undelivered
from monitor.delivery.mail import submit
from monitor.settings.planner import MonthlySettings
from monitor.store import Store

LOOK_S = 60.0
"""It is looked so often whether a report is due."""

FIRST_WAIT = MINUTE
LONGEST_WAIT = HOUR
"""After a mailbox did not answer it is tried again so soon, and then after twice as long each time, up to this."""

LONGEST_SUBJECT = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """What is sent.

    Args:
        subject: in a line.
        text: to read without opening anything.
        files: name, kind of content (`text/html`), content.
    """

    subject: str
    text: str
    files: tuple[tuple[str, str, bytes], ...]


@dataclass(frozen=True, slots=True)
class Month:
    """A month whose report is due.

    Args:
        name: `2026-05`.
        begin: of it.
        end: of it.
        due: when its report goes.
    """

    name: str
    begin: Moment
    end: Moment
    due: Moment


Make = Callable[[Month], Awaitable[Letter | None]]
"""Makes the letter of a month; None where the line had never been heard by its end."""


class CannotBeMade(Exception):
    """The letter cannot be made now; the text says why."""


def latest(now: Moment, zone: ZoneInfo, day: int, at: str) -> Month:
    """The month whose report was due last at *now*.

    Example:
        >>> from monitor.core.moments import parse, stamp
        >>> zone = ZoneInfo("Europe/Berlin")
        >>> found = latest(parse("2026-06-01T04:00:00Z"), zone, 1, "06:00")
        >>> found.name, stamp(found.begin)[:16], stamp(found.due)[:16]
        ('2026-05', '2026-04-30T22:00', '2026-06-01T04:00')
        >>> latest(parse("2026-06-01T03:59:59Z"), zone, 1, "06:00").name
        '2026-04'
    """
    hour = time.fromisoformat(at)
    here = as_datetime(now).astimezone(zone).date()
    first = here.replace(day=1)
    due = _moment(first.replace(day=day), hour, zone)
    if due > now:
        first = (first - timedelta(days=1)).replace(day=1)
        due = _moment(first.replace(day=day), hour, zone)
    month = (first - timedelta(days=1)).replace(day=1)
    return Month(
        f"{month:%Y-%m}",
        _moment(month, time(), zone),
        _moment(first, time(), zone),
        due,
    )


def _moment(day: date, at: time, zone: ZoneInfo) -> Moment:
    return from_datetime(datetime.combine(day, at, zone))


class Monthly:
    """Sends the report of each month.

    Args:
        settings: when, and the mailbox.
        zone: by whose clocks.
        make: makes a letter.
        store: in which is noted what has gone.
        on_disk: does work in the thread of the files.
        now: the clock.
        monitor: who sends.
    """

    def __init__(
        self,
        settings: MonthlySettings,
        *,
        zone: ZoneInfo,
        make: Make,
        store: Store,
        on_disk: Callable[..., Awaitable[object]],
        now: Callable[[], Moment],
        monitor: str,
    ) -> None:
        self._settings = settings
        self._zone = ZoneInfo(settings.timezone) if settings.timezone else zone
        self._make = make
        self._store = store
        self._on_disk = on_disk
        self._now = now
        self._monitor = monitor
        self._wait = FIRST_WAIT
        self._again: Moment = 0
        self._why: tuple[str, str] | None = None
        self._log = structlog.get_logger().bind(monitor=monitor)

    def stuck(self) -> tuple[str, ...]:
        """What is wrong, for whoever asks how the monitor stands."""
        if self._why is None:
            return ()
        month, why = self._why
        return (f"The report of {month} has not gone out: {why}.",)

    async def run(self) -> None:
        """Send what is due, again and again, until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Send the report that is due, if one is and it has not gone."""
        now = self._now()
        if now < self._again:
            return
        month = latest(now, self._zone, self._settings.day, self._settings.at)
        key = f"monthly/{month.name}"
        if await self._on_disk(self._store.has_gone, key):
            return
        try:
            letter = await self._make(month)
            if letter is not None:
                await submit(self._settings, self._mail(month, letter, now))
        except (Undelivered, Refused, CannotBeMade) as error:
            self._failed(month, str(error), now)
            return
        await self._on_disk(self._store.note_gone, key, now)
        self._wait, self._why = FIRST_WAIT, None
        what = "monthly report sent" if letter else "line not heard yet in the month"
        self._log.info(what, month=month.name)

    def _failed(self, month: Month, why: str, now: Moment) -> None:
        self._again, self._why = now + self._wait, (month.name, why)
        self._wait = min(self._wait * 2, LONGEST_WAIT)
        self._log.warning("monthly report not sent", month=month.name, why=why)

    def _mail(self, month: Month, letter: Letter, now: Moment) -> EmailMessage:
        message = EmailMessage()
        message["From"] = self._settings.sender
        message["To"] = ", ".join(self._settings.to)
        message["Subject"] = letter.subject[:LONGEST_SUBJECT]
        message["Date"] = format_datetime(as_datetime(now))
        name = f"monthly-{month.name}@{self._monitor}.tallywatch.invalid"
        message["Message-ID"] = f"<{name}>"
        message["Auto-Submitted"] = "auto-generated"
        message.set_content(
            f"{letter.text}\n\n{CAUTION}\n\nSent by the monitor {self._monitor}.\n"
        )
        for file, kind, content in letter.files:
            maintype, _, subtype = kind.partition("/")
            message.add_attachment(
                content, maintype=maintype, subtype=subtype, filename=file
            )
        return message
