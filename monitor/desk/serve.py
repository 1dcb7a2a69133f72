"""The desk's server: one task of the daemon's, which ends in good order and leaves signals alone."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn

from monitor.desk.guard import App
from monitor.desk.stream import Stream
from monitor.settings.desk import DeskSettings

GRACE_S = 3
"""So long an answer that is under way at the end may take."""

AT_ONCE = 1000
"""Connections; one more is told to come later."""

BACKLOG = 128
LARGEST_HEAD = 16 * 1024


class _Server(uvicorn.Server):
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield  # the daemon hears them


class DeskServer:
    """Answers at an address until it is stopped.

    Args:
        app: what answers.
        settings: where.
        stream: of events; its readers are let go at the end.

    Raises:
        OSError: nothing can be answered there, or the certificate cannot be used.
    """

    def __init__(self, app: App, settings: DeskSettings, stream: Stream) -> None:
        self._stream = stream
        config = uvicorn.Config(
            app,
            http="h11",
            ws="none",
            lifespan="off",
            interface="asgi3",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_keep_alive=20,
            timeout_graceful_shutdown=GRACE_S,
            limit_concurrency=AT_ONCE,
            h11_max_incomplete_event_size=LARGEST_HEAD,
            ssl_certfile=settings.cert_file,
            ssl_keyfile=settings.key_file,
        )
        config.load()
        self._socket = _bound(settings.host, settings.port)
        self._server = _Server(config)
        scheme = "https" if settings.tls else "http"
        host, port = self._socket.getsockname()[:2]
        shown = f"[{host}]" if ":" in host else host
        self.at = f"{scheme}://{shown}:{port}"

    async def run(self) -> None:
        """Answer until stopped or cancelled; either way what is under way is answered first."""
        try:
            await self._server.serve(sockets=[self._socket])
        except asyncio.CancelledError:
            self.stop()
            if self._server.started:
                await self._server.shutdown(sockets=[self._socket])
            raise
        finally:
            self._socket.close()

    def close(self) -> None:
        """Let go of the port, where it was never answered there; doing so twice is no fault."""
        self._socket.close()

    def stop(self) -> None:
        """Take nothing more, let the readers of the stream go, and end."""
        self._stream.close()
        self._server.should_exit = True


def _bound(host: str, port: int) -> socket.socket:
    """A socket that listens on *host* and *port*, so that a port that is taken is told at once."""
    found = socket.getaddrinfo(
        host.strip("[]"), port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )
    family, kind, protocol, _, address = found[0]
    bound = socket.socket(family, kind, protocol)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(address)
        # From here on who comes waits; refused would be who came as soon as the address is told.
        bound.listen(BACKLOG)
    except OSError:
        bound.close()
        raise
    bound.setblocking(False)
    return bound
