"""The door: who asks, and whether they may.

In this order: a bearer token, the word of a declared proxy, a session's cookie, and else whoever is at this machine.
A token that is wrong, or a proxy that names nobody known, is refused and not taken for less.
Whoever changes something without a token shows a proof besides, which only an answer of ours told them (`Proofs`): a browser sends cookies, and what a proxy adds, for the pages of others too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import structlog
from anyio import CapacityLimiter, to_thread
from starlette.requests import Request
from starlette.responses import Response

from monitor.desk.guard import Refusal, address, is_encrypted, peer, printable
from monitor.desk.people import Attempts, People, Person, Proofs, Sessions
from monitor.desk.roles import Role
from monitor.settings.desk import DeskSettings, read_address

PROOF_HEADER = "X-Tallywatch-Proof"
COOKIE = "tallywatch"
SECURE_COOKIE = "__Host-tallywatch"
"""The name under which a browser takes a cookie only from where it goes back to, encrypted."""

UNNAMED = "unnamed"
FAILURES, FROM_ONE_PLACE, WITHIN_S = 10, 30, 300.0
"""Failed log-ins of one name, attempts of one address, within so many seconds: a person mistypes twice, a shift logs in at once."""

AT_ONCE = 2
"""Passwords checked at once: each takes a core and 64 MiB for a moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asker:
    """Who asks.

    Args:
        name: as in the file, or "unnamed".
        role: what they may do.
        how: they showed who they are.
        whom: what a proof of theirs is made of.
    """

    name: str
    role: Role
    how: Literal["session", "token", "proxy", "unnamed"]
    whom: str


class Door:
    """Says who asks.

    Args:
        settings: of the desk.
        people: who may do what.
        sessions: who has logged in.
        now: a clock that counts seconds.
    """

    def __init__(
        self,
        settings: DeskSettings,
        people: People,
        sessions: Sessions,
        now: Callable[[], float],
    ) -> None:
        self._settings = settings
        self._people = people
        self._sessions = sessions
        self._proofs = Proofs()
        self._by_name = Attempts(FAILURES, WITHIN_S, now)
        self._by_address = Attempts(FROM_ONE_PLACE, WITHIN_S, now)
        self._limiter: CapacityLimiter | None = None
        self._log = structlog.get_logger()

    def who(self, request: Request) -> Asker:
        """Who asks.

        Raises:
            Refusal: nobody knows, or what was shown is wrong.
        """
        given = request.headers.getlist("authorization")
        if given:
            return self._by_token(given)
        asker = self._by_proxy(request) or self._by_cookie(request)
        if asker is not None:
            return asker
        if self._is_here(request) and self._settings.unnamed != "nothing":
            role = Role(self._settings.unnamed)
            return Asker(name=UNNAMED, role=role, how="unnamed", whom=UNNAMED)
        raise Refusal(401, "Log in first.", {"WWW-Authenticate": "Bearer"})

    def check(self, request: Request, role: Role) -> Asker:
        """Who asks, where they may what *role* may.

        Raises:
            Refusal: they may not.
        """
        asker = self.who(request)
        if not asker.role.may(role):
            raise Refusal(403, f"That needs the role {role.value}.")
        if request.method not in ("GET", "HEAD", "OPTIONS"):
            self._check_proof(request, asker)
        return asker

    def still(self, request: Request, asker: Asker) -> bool:
        """Whether *asker*, who was let in, still would be."""
        try:
            return self.who(request).name == asker.name
        except Exception:  # noqa: BLE001 - whatever is wrong, they are out
            return False

    def proof(self, asker: Asker) -> str:
        """What *asker* has to show to change something; "" for one with a token."""
        return "" if asker.how == "token" else self._proofs.of(asker.whom)

    def _check_proof(self, request: Request, asker: Asker) -> None:
        if asker.how == "token":
            return
        if not self._proofs.fits(asker.whom, request.headers.get(PROOF_HEADER)):
            raise Refusal(
                403, f"Show the proof of /api/v1/me in the header {PROOF_HEADER}."
            )

    def _by_token(self, given: list[str]) -> Asker:
        scheme, _, token = given[0].partition(" ")
        person = None
        if len(given) == 1 and scheme.lower() == "bearer":
            person = self._people.by_token(token.strip())
        if person is None:
            raise Refusal(
                401,
                "That token is not known.",
                {"WWW-Authenticate": 'Bearer error="invalid_token"'},
            )
        return Asker(name=person.name, role=person.role, how="token", whom="")

    def _by_proxy(self, request: Request) -> Asker | None:
        header = self._settings.identity_header
        if header is None or not self._settings.is_trusted(peer(request.scope)):
            return None
        named = request.headers.getlist(header)
        if not named:
            return None
        person = self._people.find(named[0]) if len(named) == 1 else None
        if person is None:
            raise Refusal(403, "The proxy names nobody who is known here.")
        return Asker(
            name=person.name,
            role=person.role,
            how="proxy",
            whom=f"proxy {person.name}",
        )

    def _cookie_of(self, request: Request) -> str | None:
        secure = is_encrypted(request.scope, self._settings)
        return request.cookies.get(SECURE_COOKIE if secure else COOKIE)

    def _by_cookie(self, request: Request) -> Asker | None:
        cookie = self._cookie_of(request)
        session = self._sessions.of(cookie) if cookie else None
        if cookie is None or session is None:
            return None
        person = self._people.find(session.name)
        if person is None or person.mark != session.mark:
            return None
        return Asker(
            name=person.name,
            role=person.role,
            how="session",
            whom=f"session {cookie}",
        )

    def _is_here(self, request: Request) -> bool:
        """Whether the question comes from this machine, and by no proxy that is declared."""
        end = peer(request.scope)
        found = read_address(end)
        return (
            found is not None
            and found.is_loopback
            and not self._settings.is_trusted(end)
        )

    # Logging in and out.

    async def log_in(self, request: Request, name: str, password: str) -> Person:
        """Who is called *name* and has *password*.

        Raises:
            Refusal: nobody, or it was tried too often.
        """
        place = address(request.scope, self._settings)
        key = name.casefold()
        wait_s = max(self._by_name.wait_s(key), self._by_address.wait_s(place))
        if wait_s > 0:
            self._log.warning("login refused", name=printable(name), address=place)
            raise Refusal(
                429,
                "Too many attempts; wait a little.",
                {"Retry-After": str(int(wait_s) + 1)},
            )
        # Counted before it is known, so that nobody tries many at once.
        self._by_name.failed(key)
        self._by_address.failed(place)
        if self._limiter is None:
            self._limiter = CapacityLimiter(AT_ONCE)
        person = await to_thread.run_sync(
            self._people.by_password, name, password, limiter=self._limiter
        )
        if person is None:
            self._log.warning("login failed", name=printable(name), address=place)
            raise Refusal(401, "Name or password is wrong.")
        self._by_name.succeeded(key)
        self._log.info("login", name=person.name, address=place)
        return person

    def begin(self, request: Request, response: Response, person: Person) -> Asker:
        """Begin a session of *person*, whose cookie goes with *response*."""
        before = self._cookie_of(request)
        if before:
            self._sessions.end(before)
        cookie = self._sessions.begin(person)
        secure = is_encrypted(request.scope, self._settings)
        response.set_cookie(
            SECURE_COOKIE if secure else COOKIE,
            cookie,
            max_age=round(self._settings.session_h * 3600),
            path="/",
            secure=secure,
            httponly=True,
            samesite="strict",
        )
        return Asker(
            name=person.name,
            role=person.role,
            how="session",
            whom=f"session {cookie}",
        )

    def end(self, request: Request, response: Response) -> None:
        """End the session that asks."""
        cookie = self._cookie_of(request)
        if cookie:
            self._sessions.end(cookie)
        secure = is_encrypted(request.scope, self._settings)
        response.delete_cookie(
            SECURE_COOKIE if secure else COOKIE,
            path="/",
            secure=secure,
            httponly=True,
            samesite="strict",
        )
