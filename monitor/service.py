"""What the machine around the daemon sees of it: readiness, signs of life, and the page of metrics.

Readiness and signs of life are datagrams to the service manager's socket, where it named one; elsewhere nothing is sent.
The page of metrics is one small answer to one small question, given from the daemon's own loop, so that nothing is read while it is being changed.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

from prometheus_client import CollectorRegistry
from prometheus_client.exposition import choose_encoder

ASKED_WITHIN_S = 5.0
"""A question that takes longer is not waited for."""

LARGEST_QUESTION = 16 * 1024


class Manager:
    """The service manager that started the daemon, if any.

    Args:
        address: of its socket, as in `NOTIFY_SOCKET`; None: there is none.
        watchdog_s: within how long it wants a sign of life; None: it wants none.
    """

    def __init__(self, address: str | None, watchdog_s: float | None = None) -> None:
        self._address = "\0" + address[1:] if address and address[0] == "@" else address
        self.watchdog_s = watchdog_s if self._address else None

    @classmethod
    def of_environment(cls) -> Manager:
        """The manager named by the environment."""
        limit = os.environ.get("WATCHDOG_USEC", "")
        meant = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        watchdog_s = int(limit) / 1e6 if meant and limit.isdecimal() else None
        return cls(os.environ.get("NOTIFY_SOCKET") or None, watchdog_s or None)

    def tell(self, *states: str) -> None:
        """Tell it *states*, as `READY=1`; that it cannot be reached is no reason to stop."""
        if self._address is None:
            return
        with (
            suppress(OSError),
            socket.socket(
                socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC
            ) as to,
        ):
            to.connect(self._address)
            to.sendall("\n".join(states).encode())


@asynccontextmanager
async def serve(
    registry: CollectorRegistry, host: str, port: int
) -> AsyncIterator[tuple[str, int]]:
    """Give what *registry* collects to whoever asks for `/metrics`; yields where.

    *port* 0 takes any that nobody else has.

    Raises:
        OSError: nothing can be served there.
    """

    async def answer(
        reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        try:
            async with asyncio.timeout(ASKED_WITHIN_S):
                question = await reader.readuntil(b"\r\n\r\n")
                writer.write(_answer(registry, question))
                await writer.drain()
        except (TimeoutError, ConnectionError, EOFError, asyncio.LimitOverrunError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(answer, host, port, limit=LARGEST_QUESTION)
    try:
        yield server.sockets[0].getsockname()[:2]
    finally:
        server.close()


def _answer(registry: CollectorRegistry, question: bytes) -> bytes:
    first, _, rest = question.decode("latin-1").partition("\r\n")
    method, _, target = first.partition(" ")
    path = target.partition(" ")[0].partition("?")[0]
    if method not in ("GET", "HEAD"):
        return _response("405 Method Not Allowed", "text/plain", b"GET alone\n")
    if path != "/metrics":
        return _response(
            "404 Not Found", "text/plain", b"the metrics are at /metrics\n"
        )
    accept = ""
    for header in rest.split("\r\n"):
        name, _, value = header.partition(":")
        if name.strip().lower() == "accept":
            accept = value.strip()
    encode, kind = choose_encoder(accept)
    body = encode(registry)
    return _response("200 OK", kind, body, sends_body=method == "GET")


def _response(status: str, kind: str, body: bytes, *, sends_body: bool = True) -> bytes:
    head = (
        f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\n"
        "Cache-Control: no-store\r\nX-Content-Type-Options: nosniff\r\n"
        "Connection: close\r\n\r\n"
    )
    return head.encode() + (body if sends_body else b"")
