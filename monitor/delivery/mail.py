"""Mail: a call as text that stands alone, with its fault sheet as the one attachment.

The Message-ID is made of the call's key, so that a mail that was sent twice, because the monitor was killed between sending and noting it, is one to whoever sorts by that.
"""

from __future__ import annotations

import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from email.message import EmailMessage
from email.utils import format_datetime

import aiosmtplib

from monitor.core.faults import Call
from monitor.core.messages import plain
from monitor.core.moments import Moment, as_datetime
from monitor.core.words import CAUTION
from monitor.delivery.channel import Refused, Undelivered, one_line, why
from monitor.delivery.records import read_call
from monitor.settings.delivery import MailSettings, secret
from monitor.store import Item, What

Sheet = Callable[[Call], Awaitable[str]]
"""The fault sheet of a call, or "" where there is none."""

LASTING = frozenset({501, 521, 550, 551, 552, 553, 554, 555, 556})
"""Answers that stay the same however often one asks (RFC 5321, RFC 7504)."""

LONGEST_SUBJECT = 100


def mail(
    item: Item,
    *,
    sender: str,
    to: Sequence[str],
    monitor: str,
    sheet: str,
    now: Moment,
) -> EmailMessage:
    """The mail of a call."""
    call = read_call(item.body)
    text = plain(call.text)
    message = EmailMessage()
    message["From"] = sender
    message["To"] = ", ".join(to)
    message["Subject"] = text.partition(". ")[0][:LONGEST_SUBJECT]
    message["Date"] = format_datetime(as_datetime(now))
    message["Message-ID"] = f"<{item.key[:32]}@{monitor}.tallywatch.invalid>"
    message["Auto-Submitted"] = "auto-generated"
    if call.priority == "urgent":
        message["Importance"] = "high"
    message.set_content(f"{text}\n\n{CAUTION}\n\nSent by the monitor {monitor}.\n")
    if sheet:
        name = f"fault-{plain(call.number)}.html"
        message.add_attachment(sheet, subtype="html", filename=name)
    return message


class Mail:
    """A mailbox, or several.

    Args:
        settings: the server, from whom and to whom.
        monitor: who sends.
        sheet: makes the fault sheet.
        now: the clock.
    """

    takes: frozenset[What] = frozenset({"call"})
    calls = True
    holds = False
    batch = 1
    again_s = 0.0

    def __init__(
        self,
        settings: MailSettings,
        *,
        monitor: str,
        sheet: Sheet,
        now: Callable[[], Moment],
    ) -> None:
        self._settings = settings
        self._monitor = monitor
        self._sheet = sheet
        self._now = now

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Nothing is needed: each mail has a connection of its own."""
        yield

    async def send(self, items: Sequence[Item]) -> None:
        """Send the mail of each call.

        Raises:
            Undelivered: the server is not there, or cannot now.
            Refused: it does not take this, or has none of those it is for.
        """
        for item in items:
            message = mail(
                item,
                sender=self._settings.sender,
                to=self._settings.to,
                monitor=self._monitor,
                sheet=await self._sheet(read_call(item.body)),
                now=self._now(),
            )
            await submit(self._settings, message)

    async def refresh(self) -> None:
        """Nothing: what was sent stays sent."""


async def submit(settings: MailSettings, message: EmailMessage) -> None:
    """Hand *message* to the mail server.

    Raises:
        Undelivered: the server is not there, or cannot now.
        Refused: it does not take this, or has none of those it is for.
    """
    cafile = str(settings.ca_file) if settings.ca_file else None
    try:
        password = secret(settings.password_file) if settings.password_file else None
        await aiosmtplib.send(
            message,
            hostname=settings.host,
            port=settings.port,
            username=settings.username,
            password=password,
            use_tls=settings.tls == "always",
            start_tls=settings.tls == "starttls",
            timeout=settings.timeout_s,
            tls_context=ssl.create_default_context(cafile=cafile),
        )
    except aiosmtplib.SMTPRecipientsRefused as error:
        codes = {one.code for one in error.recipients}
        if codes <= LASTING:
            raise Refused(one_line(error)) from error
        raise Undelivered(one_line(error)) from error
    except aiosmtplib.SMTPAuthenticationError as error:
        raise Undelivered(one_line(error)) from error
    except aiosmtplib.SMTPResponseException as error:
        if error.code in LASTING:
            raise Refused(one_line(error)) from error
        raise Undelivered(one_line(error)) from error
    except (aiosmtplib.SMTPException, OSError, UnicodeError) as error:
        raise Undelivered(why(error)) from error
