"""Who may do what: people in a file, and how somebody shows to be one of them.

Somebody is known by a password (hashed with argon2; a session follows), by a bearer token (256 bits by chance, of which the file holds the SHA-256: what cannot be guessed need not be slow to check), or by the word of a declared proxy.
The file is read anew whenever it changed, so whoever is taken out of it is out at once, sessions and tokens included.
Nothing secret stands in it in plain text, yet it is written for its owner alone.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import secrets
import threading
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from monitor.desk.roles import Role

NAME = re.compile(r"[^\W_][\w .@+-]{0,63}")
"""What somebody may be called: it goes into records, messages and prints."""

SHORTEST, LONGEST = 10, 1000
"""Characters of a password (NIST SP 800-63B asks for 8 at least, and for no rules of composition)."""

TOKEN_BYTES = 32
LABEL = 64
LARGEST_FILE = 2**20


class PeopleFault(Exception):
    """The file of people cannot be used, or what was asked cannot be put into it; the text says why, in one line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """What a program shows instead of a password.

    Args:
        label: what it is for.
        digest: its SHA-256, in hexadecimal digits.
    """

    label: str
    digest: str

    @classmethod
    def of(cls, label: str, token: str) -> Token:
        """What the file holds of *token*.

        Raises:
            PeopleFault: the label cannot be printed, or is long.
        """
        if not (label.isprintable() and 0 < len(label) <= LABEL):
            raise PeopleFault(f"a token's label is a line of up to {LABEL} characters")
        return cls(label=label, digest=_sha(token))


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody in the file.

    Args:
        name: as it is shown and recorded.
        role: what they may do.
        password: its argon2 hash, or None where they have none.
        tokens: those made for them.
    """

    name: str
    role: Role
    password: str | None = None
    tokens: tuple[Token, ...] = ()

    @property
    def mark(self) -> str:
        """Changes with the password, so that a session ends with it."""
        return _sha(self.password or "")[:16]


class _TokenRow(BaseModel):
    model_config = ConfigDict(extra="forbid")
    label: Annotated[str, Field(max_length=64)]
    digest: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class _PersonRow(BaseModel):
    model_config = ConfigDict(extra="forbid")
    name: str
    role: Role
    password: Annotated[str, Field(pattern=r"^\$argon2id\$")] | None = None
    tokens: list[_TokenRow] = []


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid")
    people: list[_PersonRow]


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def check_name(name: str) -> str:
    """*name*, where somebody may be called so.

    Raises:
        PeopleFault: nobody may.
    """
    if NAME.fullmatch(name) is None:
        raise PeopleFault(
            "a name is up to 64 letters, digits, spaces and . @ + - _, "
            "and begins with a letter or digit"
        )
    return name


def check_password(password: str) -> str:
    """*password*, where it may be one.

    Raises:
        PeopleFault: it is too short, or too long.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise PeopleFault(f"a password has {SHORTEST} to {LONGEST} characters")
    return password


def new_token() -> str:
    """A token that nobody guesses."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def read_people(path: Path) -> tuple[Person, ...]:
    """Who is in the file at *path*.

    Raises:
        PeopleFault: it holds something else, or others may write it.
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        if os.fstat(file.fileno()).st_mode & 0o022:
            raise PeopleFault(f"{path}: others may write it; chmod 600 ends that")
        text = file.read(LARGEST_FILE + 1)
    if len(text) > LARGEST_FILE:
        raise PeopleFault(f"{path}: is no file of people, it is too large")
    try:
        rows = _File.model_validate_json(text).people
        people = tuple(
            Person(
                name=check_name(row.name),
                role=row.role,
                password=row.password,
                tokens=tuple(
                    Token(label=one.label, digest=one.digest) for one in row.tokens
                ),
            )
            for row in rows
        )
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise PeopleFault(f"{path}: {where}: {first['msg']}") from None
    except PeopleFault as fault:
        raise PeopleFault(f"{path}: {fault}") from None
    if len({one.name.casefold() for one in people}) < len(people):
        raise PeopleFault(f"{path}: somebody is in it twice")
    return people


def write_people(path: Path, people: Iterable[Person]) -> None:
    """Write *people* to *path*, whole or not at all, readable by its owner alone.

    Raises:
        OSError: it cannot be written.
    """
    rows = [
        {
            "name": one.name,
            "role": one.role.value,
            "password": one.password,
            "tokens": [{"label": t.label, "digest": t.digest} for t in one.tokens],
        }
        for one in people
    ]
    write_privately(path, json.dumps({"people": rows}, ensure_ascii=False, indent=1))


def write_privately(path: Path, text: str) -> None:
    """Put *text* at *path*, on disk when this returns, whole or not at all, for its owner alone.

    Raises:
        OSError: it cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        if os.geteuid() == 0:
            # What root writes is for the daemon whose directory this is.
            owner = path.parent.stat()
            os.fchown(descriptor, owner.st_uid, owner.st_gid)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError:
        with suppress(OSError):
            beside.unlink()
        raise
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


class People:
    """The people of a file, as it stands whenever somebody asks.

    Args:
        path: of the file; one that is not there holds nobody.
        hasher: how passwords are hashed; the library's defaults are those of RFC 9106 for little memory.
    """

    def __init__(self, path: Path, hasher: PasswordHasher | None = None) -> None:
        self._path = path
        self._hasher = hasher if hasher is not None else PasswordHasher()
        self._known: dict[str, Person] = {}
        self._tokens: dict[str, Person] = {}
        self._stat: tuple[int, int, int] | None = None
        self._lock = threading.Lock()
        # Checked for a name that is not there, so that the time taken tells nobody which are.
        self._nobody = self._hasher.hash(secrets.token_hex(16))

    def refresh(self) -> None:
        """Take the file as it stands now.

        Raises:
            PeopleFault: it cannot be used; then nobody is known.
        """
        with self._lock:
            try:
                stat = self._path.stat()
            except FileNotFoundError:
                self._known, self._tokens, self._stat = {}, {}, None
                return
            except OSError as error:
                self._known, self._tokens, self._stat = {}, {}, None
                raise PeopleFault(f"{self._path}: {error.strerror}") from None
            now = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
            if now != self._stat:
                self._known, self._tokens, self._stat = {}, {}, None
                try:
                    people = read_people(self._path)
                except OSError as error:
                    raise PeopleFault(f"{self._path}: {error.strerror}") from None
                self._known = {one.name.casefold(): one for one in people}
                self._tokens = {t.digest: one for one in people for t in one.tokens}
                self._stat = now

    def find(self, name: str) -> Person | None:
        """Who is called *name*, whatever its capitals."""
        self.refresh()
        return self._known.get(name.casefold())

    def by_password(self, name: str, password: str) -> Person | None:
        """Who is called *name* and has *password*; takes some hundredths of a second, whoever is asked for."""
        person = self.find(name)
        known = person.password if person is not None else None
        try:
            self._hasher.verify(known or self._nobody, password[: LONGEST + 1])
        except (Argon2Error, InvalidHashError):
            return None
        return person if known else None

    def by_token(self, token: str) -> Person | None:
        """To whom *token* was given."""
        self.refresh()
        return self._tokens.get(_sha(token))

    def hash(self, password: str) -> str:
        """What the file holds of *password*.

        Raises:
            PeopleFault: it may be none.
        """
        return self._hasher.hash(check_password(password))


def add(
    people: Iterable[Person],
    name: str,
    role: Role,
    *,
    password: str | None = None,
    token: Token | None = None,
) -> tuple[Person, ...]:
    """*people* with who is called *name*: new, or with a new role, password, or one token more.

    Raises:
        PeopleFault: nobody may be called so.
    """
    check_name(name)
    kept = {one.name.casefold(): one for one in people}
    before = kept.get(name.casefold(), Person(name=name, role=role))
    tokens = before.tokens
    if token is not None:
        tokens = (*(t for t in tokens if t.label != token.label), token)
    kept[name.casefold()] = replace(
        before, role=role, password=password or before.password, tokens=tokens
    )
    return tuple(kept.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Somebody has logged in.

    Args:
        name: who.
        mark: of their password then.
        until: when it ends, in seconds of the clock given.
    """

    name: str
    mark: str
    until: float


class Sessions:
    """Who has logged in, kept over a restart, so that a desk need not log in again at night.

    Args:
        path: where they are kept, by the SHA-256 of what the cookie holds; None keeps nothing.
        length_s: how long one lasts.
        now: a clock that counts seconds and goes on over a restart.
        most: how many are kept; then the oldest goes.
    """

    def __init__(
        self,
        path: Path | None,
        length_s: float,
        now: Callable[[], float],
        most: int = 1000,
    ) -> None:
        self._path = path
        self._length_s = length_s
        self._now = now
        self._most = most
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        if path is not None:
            self._read(path)

    def _read(self, path: Path) -> None:
        try:
            rows = json.loads(path.read_text(encoding="utf-8"))
            for key, (name, mark, until) in rows.items():
                self._sessions[str(key)] = Session(
                    name=str(name), mark=str(mark), until=float(until)
                )
        except (OSError, ValueError, TypeError, AttributeError):
            self._sessions.clear()  # everybody logs in again

    def _keep(self) -> None:
        if self._path is not None:
            rows = {k: (s.name, s.mark, s.until) for k, s in self._sessions.items()}
            write_privately(self._path, json.dumps(rows, ensure_ascii=False))

    def begin(self, person: Person) -> str:
        """What the cookie of *person* is to hold.

        Raises:
            OSError: it cannot be kept.
        """
        now = self._now()
        for key in [k for k, s in self._sessions.items() if s.until <= now]:
            del self._sessions[key]
        while len(self._sessions) >= self._most:
            self._sessions.popitem(last=False)
        cookie = secrets.token_urlsafe(TOKEN_BYTES)
        self._sessions[_sha(cookie)] = Session(
            name=person.name, mark=person.mark, until=now + self._length_s
        )
        self._keep()
        return cookie

    def of(self, cookie: str) -> Session | None:
        """The session of *cookie*, unless it is over."""
        session = self._sessions.get(_sha(cookie))
        if session is None or session.until <= self._now():
            return None
        return session

    def end(self, cookie: str) -> None:
        """The session of *cookie* is over.

        Raises:
            OSError: that cannot be kept.
        """
        if self._sessions.pop(_sha(cookie), None) is not None:
            self._keep()


class Proofs:
    """That a question which changes something comes from our own page and from no other.

    A page of somebody else can make a browser send a cookie along, but cannot read what we answered.
    So whoever changes something shows in a header what only an answer of ours told.
    """

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)

    def of(self, whom: str) -> str:
        """What *whom* (a cookie, or a name) has to show."""
        return hmac.new(self._key, whom.encode(), "sha256").hexdigest()

    def fits(self, whom: str, shown: str | None) -> bool:
        """Whether *shown* is that."""
        return shown is not None and hmac.compare_digest(
            self.of(whom).encode(), shown.encode(errors="replace")
        )


class Attempts:
    """How often somebody tried and failed, by name and by address; too often has to wait.

    Args:
        most: failures within *within_s*, then nothing more is tried.
        within_s: seconds.
        now: a clock that counts seconds.
        kept: so many names and addresses are remembered; then the oldest is forgotten.
    """

    def __init__(
        self,
        most: int,
        within_s: float,
        now: Callable[[], float],
        kept: int = 10_000,
    ) -> None:
        self._most = most
        self._within_s = within_s
        self._now = now
        self._kept = kept
        self._failed: OrderedDict[str, deque[float]] = OrderedDict()

    def wait_s(self, *whom: str) -> float:
        """How long *whom* have to wait; 0 where they may try."""
        now = self._now()
        waits = [0.0]
        for one in whom:
            times = self._failed.get(one)
            if times is not None and len(times) >= self._most:
                waits.append(times[0] + self._within_s - now)
        return max(waits)

    def failed(self, *whom: str) -> None:
        """An attempt of *whom* failed, or has begun and is not known yet."""
        for one in whom:
            times = self._failed.setdefault(one, deque(maxlen=self._most))
            times.append(self._now())
            self._failed.move_to_end(one)
        while len(self._failed) > self._kept:
            self._failed.popitem(last=False)

    def succeeded(self, *whom: str) -> None:
        """An attempt of *whom* was right: what failed before is forgotten."""
        for one in whom:
            self._failed.pop(one, None)
