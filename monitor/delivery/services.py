"""Other services, by the library apprise: what it can reach, calls can reach.

It is an extra: who needs none of them need not have it.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any

from monitor.core.messages import plain
from monitor.delivery.channel import Refused, Undelivered, one_line
from monitor.settings.delivery import ServiceSettings, secret
from monitor.store import Item, What

MISSING = (
    "delivery.service needs the library apprise, which is not installed here: "
    "pip install 'tallywatch[apprise]'"
)


class NotInstalled(Exception):
    """The library is not there; the text says how to have it."""


def installed() -> bool:
    """Whether the library is there."""
    return importlib.util.find_spec("apprise") is not None


class Services:
    """Services by the addresses in a file, one a line.

    Args:
        settings: where the file is.

    Raises:
        NotInstalled: the library is not there.
    """

    takes: frozenset[What] = frozenset({"call"})
    calls = True
    holds = False
    batch = 1
    again_s = 0.0

    def __init__(self, settings: ServiceSettings) -> None:
        if not installed():
            raise NotInstalled(MISSING)
        self._settings = settings

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Nothing is needed."""
        yield

    async def send(self, items: Sequence[Item]) -> None:
        """Send each call to every service of the file.

        Raises:
            Undelivered: a service did not take it; those that did get it again.
            Refused: an address in the file is none.
        """
        apprise: Any = importlib.import_module("apprise")
        try:
            addresses = secret(self._settings.urls_file).splitlines()
        except (OSError, UnicodeError) as error:
            raise Undelivered(one_line(error)) from error
        service = apprise.Apprise()
        for number, address in enumerate(addresses, 1):
            text = address.strip()
            # The address holds secrets: its line is told, never itself.
            if text and not text.startswith("#") and not service.add(text):
                raise Refused(f"line {number} of the file is no address of a service")
        for item in items:
            record = json.loads(item.body)
            title = f"{record['number']} {record['priority']}"
            # Told as text, whatever the service shows is made of it without being run.
            text = plain(record["text"])
            sent = await service.async_notify(
                body=text, title=title, body_format="text"
            )
            if not sent:
                raise Undelivered("a service did not take it")

    async def refresh(self) -> None:
        """Nothing: what was sent stays sent."""
