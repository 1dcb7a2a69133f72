"""A broker inside the process, for the demo alone: nothing else needs to be installed.

It loses messages, and is no broker for anything that matters:

- what it has not had acknowledged it does not send again, so a monitor that is killed misses it;
- a publisher that disconnects right after its last acknowledgement may have most of what it sent forgotten;
- it keeps nothing for who is away and has no name, nothing over its own end, and knows MQTT 3.1.1 only.

It listens on a loopback port that nobody else has.
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

PLUGIN = "amqtt.plugins.authentication.AnonymousAuthPlugin"


class EmbeddedFault(Exception):
    """The broker for the demo cannot be started; the text says why, in one line."""


@asynccontextmanager
async def embedded_broker() -> AsyncIterator[str]:
    """Start a broker on the loopback address; yields its URL.

    Raises:
        EmbeddedFault: it is not installed.
    """
    try:
        from amqtt.broker import Broker  # noqa: PLC0415 (an extra: not everybody has it)
    except ImportError:
        raise EmbeddedFault(
            "the demo's broker is not installed: pip install 'tallywatch[demo]'"
        ) from None
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.ERROR)
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": "127.0.0.1:0"}},
            "plugins": {PLUGIN: {"allow_anonymous": True}},
        }
    )
    await broker.start()
    try:
        # There is no public way to learn which port the system gave.
        server = broker._servers["default"].instance  # noqa: SLF001
        port = server.sockets[0].getsockname()[1]
        yield f"mqtt://127.0.0.1:{port}"
    finally:
        await broker.shutdown()
