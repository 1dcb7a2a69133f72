"""The webhook: each change as one POST, known by its key, signed where there is a secret.

The body is one JSON object:

| field | is |
|---|---|
| `key` | by which the change is known; the same change has it again |
| `what` | `alert`, `fault` or `call` |
| `monitor` | who sends |
| named like *what* | the line itself |

The key stands in the header `Idempotency-Key` too.
With a secret, `Tallywatch-Signature` holds `sha256=` and the HMAC (RFC 2104) of the body, in hexadecimal.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

import httpx

from monitor.delivery.channel import Undelivered, one_line
from monitor.delivery.posting import client, post
from monitor.settings.delivery import Told, WebhookSettings, secret
from monitor.store import Item, What

_WHAT: dict[Told, What] = {"alerts": "alert", "faults": "fault", "calls": "call"}


def body(item: Item, monitor: str) -> bytes:
    """What is sent of *item*; equal for equal items."""
    told = {
        "key": item.key,
        "what": item.what,
        "monitor": monitor,
        item.what: json.loads(item.body),
    }
    return json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()


def signature(key: str, text: bytes) -> str:
    """The signature of a body.

    Example:
        >>> signature("Jefe", b"what do ya want for nothing?")  # RFC 4231, case 2
        'sha256=5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843'
    """
    return f"sha256={hmac.new(key.encode(), text, hashlib.sha256).hexdigest()}"


class Webhook:
    """A program that takes each change.

    Args:
        settings: where it is, and what it takes.
        monitor: who sends.
    """

    calls = True
    holds = False
    batch = 1
    again_s = 0.0

    def __init__(self, settings: WebhookSettings, monitor: str) -> None:
        self.takes: frozenset[What] = frozenset(_WHAT[one] for one in settings.send)
        self._settings = settings
        self._monitor = monitor
        self._client: httpx.AsyncClient | None = None

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Have a client while it is used."""
        settings = self._settings
        async with client(settings.ca_file, settings.timeout_s) as self._client:
            yield

    async def send(self, items: Sequence[Item]) -> None:
        """POST each of *items*.

        Raises:
            Undelivered: the receiver is not there, or cannot now.
            Refused: it does not want one of them.
        """
        if self._client is None:
            raise Undelivered("it is not open")
        settings = self._settings
        for item in items:
            text = body(item, self._monitor)
            headers = {"Idempotency-Key": item.key}
            if settings.secret_file is not None:
                try:
                    key = secret(settings.secret_file)
                except (OSError, UnicodeError) as error:
                    raise Undelivered(one_line(error)) from error
                headers["Tallywatch-Signature"] = signature(key, text)
            await post(self._client, settings.url, text, headers, settings.token_file)

    async def refresh(self) -> None:
        """Nothing: what was sent stays sent."""
