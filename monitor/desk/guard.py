"""The guard around everything that is answered: what comes in is small and from our own pages, what goes out says so to browsers.

It stands outside the application, so that its headers are on every answer, those to mistakes and failures too.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from http import HTTPStatus
from typing import Any
from urllib.parse import urlsplit

import structlog

from monitor.settings.desk import LOOPBACK_NAMES, DeskSettings

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Scope = MutableMapping[str, Any]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LARGEST_BODY = 64 * 1024
"""Bytes: the longest note is far shorter."""

LARGEST_ENTRY = 1024 * 1024
"""Bytes, where a plan's file may come."""

BODY_WITHIN_S = 10.0
PROBLEM = "application/problem+json"
"""How it is said what was wrong (RFC 9457)."""

FAILED = "The monitor failed to answer; its log says why."

HEADERS = (
    (
        b"content-security-policy",
        (
            b"default-src 'self'; base-uri 'none'; form-action 'self'; "
            b"frame-ancestors 'none'; object-src 'none'"
        ),
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
    (b"cache-control", b"no-store"),
)
STRICT_TLS = (b"strict-transport-security", b"max-age=31536000")


class Refusal(Exception):
    """A question is refused.

    Attributes:
        status: of the answer.
        why: in a sentence.
        headers: that go with it.
    """

    def __init__(
        self, status: int, why: str, headers: dict[str, str] | None = None
    ) -> None:
        super().__init__(why)
        self.status = status
        self.why = why
        self.headers = headers or {}


def problem(status: int, why: str, **more: Any) -> dict[str, Any]:
    """The body of an answer that says what was wrong."""
    return {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": why,
        **more,
    }


def printable(text: str) -> str:
    """*text* without anything that cannot be printed, and not long."""
    return "".join(c if c.isprintable() else "?" for c in text[:300])


def _headers(scope: Scope, name: bytes) -> list[str]:
    return [v.decode("latin-1") for k, v in scope["headers"] if k == name]


def peer(scope: Scope) -> str:
    """The address at the other end of the connection."""
    client = scope.get("client")
    return str(client[0]) if client else ""


def is_encrypted(scope: Scope, settings: DeskSettings) -> bool:
    """Whether the browser's side is encrypted, as far as is known here or a declared proxy says."""
    if scope.get("scheme") == "https":
        return True
    if not settings.is_trusted(peer(scope)):
        return False
    return _headers(scope, b"x-forwarded-proto")[-1:] == ["https"]


def address(scope: Scope, settings: DeskSettings) -> str:
    """Where a question comes from: the other end, or what a declared proxy says."""
    end = peer(scope)
    if not settings.is_trusted(end):
        return end
    said = [
        one.strip()
        for line in _headers(scope, b"x-forwarded-for")
        for one in line.split(",")
    ]
    for one in reversed(said):
        if not settings.is_trusted(one):
            return printable(one[:64])
    return end


class Guard:
    """Stands around *app*.

    Args:
        app: what answers.
        settings: of the desk.
        larger: how many bytes may come at a path, where that is more than elsewhere.
    """

    def __init__(
        self, app: App, settings: DeskSettings, larger: Mapping[str, int] | None = None
    ) -> None:
        self.app = app
        self._larger = larger or {}
        self._settings = settings
        own = set() if settings.is_public else {settings.host.lower()}
        self._names = {*LOOPBACK_NAMES, *map(str.lower, settings.names), *own}
        self._log = structlog.get_logger()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one question."""
        if scope["type"] != "http":
            return
        begun = whole = False
        more = self._more(scope)

        async def sends(message: Message) -> None:
            nonlocal begun, whole
            if message["type"] == "http.response.body":
                whole = not message.get("more_body", False)
            elif message["type"] == "http.response.start":
                begun = True
                message = {**message, "headers": _joined(message, more)}
            await send(message)

        try:
            self._check_host(scope)
            receive = await self._body(scope, receive)
            await self.app(scope, receive, sends)
        except Refusal as refusal:
            await _answer(sends, refusal.status, refusal.why, refusal.headers)
        except Exception:
            self._log.exception(
                "desk failed", method=scope["method"], path=printable(scope["path"])
            )
            if whole:
                return
            if begun:
                raise  # half an answer must not look whole
            await _answer(sends, 500, FAILED)

    def _more(self, scope: Scope) -> list[tuple[bytes, bytes]]:
        """The headers of every answer to this question."""
        if is_encrypted(scope, self._settings):
            return [*HEADERS, STRICT_TLS]
        return list(HEADERS)

    def _check_host(self, scope: Scope) -> None:
        """A page of somebody else's whose name was made to lead here is refused by the name it calls us."""
        if self._settings.unnamed == "nothing" and not self._settings.names:
            return  # nothing is told to anybody who did not say who they are
        hosts = _headers(scope, b"host")
        name = _name(hosts[0]) if len(hosts) == 1 else ""
        if name not in self._names:
            raise Refusal(421, "This is not the name of this desk.")

    async def _body(self, scope: Scope, receive: Receive) -> Receive:
        """Read what was sent, which is small, and look at where it comes from where it is to change something."""
        if scope["method"] in ("GET", "HEAD", "OPTIONS"):
            return receive
        self._check_origin(scope)
        most = self._larger.get(scope["path"], LARGEST_BODY)
        body = await _read(scope, receive, most)
        kind = "".join(_headers(scope, b"content-type")[:1]).partition(";")[0]
        if body and kind.strip().lower() != "application/json":
            raise Refusal(415, "What is sent is application/json.")
        given = False

        async def again() -> Message:
            nonlocal given
            if given:
                return await receive()
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        return again

    def _check_origin(self, scope: Scope) -> None:
        site = _headers(scope, b"sec-fetch-site")
        origins = _headers(scope, b"origin")
        if any(one not in ("same-origin", "none") for one in site):
            raise Refusal(403, "That came from a page that is not of this desk.")
        hosts = _headers(scope, b"host")
        if self._settings.is_trusted(peer(scope)):
            hosts += _headers(scope, b"x-forwarded-host")
        ours = {host.lower() for host in hosts}
        for origin in origins:
            netloc = _netloc(origin)
            if netloc not in ours and _name(netloc) not in self._settings.names:
                raise Refusal(403, "That came from a page that is not of this desk.")


def _joined(
    message: Message, more: list[tuple[bytes, bytes]]
) -> list[tuple[bytes, bytes]]:
    """The headers of an answer, with those of *more* that it lacks."""
    given = list(message.get("headers", ()))
    names = {name.lower() for name, _ in given}
    return given + [pair for pair in more if pair[0] not in names]


def _netloc(origin: str) -> str:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _name(host: str) -> str:
    """*host* without its port."""
    if host.startswith("["):
        return host.partition("]")[0].lower() + "]"
    return host.partition(":")[0].lower()


async def _read(scope: Scope, receive: Receive, most: int) -> bytes:
    length = "".join(_headers(scope, b"content-length")[:1])
    if length.isdecimal() and int(length[:20]) > most:
        raise Refusal(413, f"At most {most} bytes are taken.")
    body = b""
    try:
        async with asyncio.timeout(BODY_WITHIN_S):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    raise Refusal(400, "It broke off.")
                body += bytes(message.get("body", b""))
                if len(body) > most:
                    raise Refusal(413, f"At most {most} bytes are taken.")
                if not message.get("more_body"):
                    return body
    except TimeoutError:
        raise Refusal(408, "It took too long to come.") from None


async def _answer(
    send: Send, status: int, why: str, headers: dict[str, str] | None = None
) -> None:
    body = json.dumps(problem(status, why)).encode()
    given = [
        (b"content-type", PROBLEM.encode()),
        (b"content-length", str(len(body)).encode()),
        *((k.lower().encode(), v.encode()) for k, v in (headers or {}).items()),
    ]
    await send({"type": "http.response.start", "status": status, "headers": given})
    await send({"type": "http.response.body", "body": body})
