from __future__ import annotations

from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
import structlog
from argon2 import PasswordHasher

from monitor.core.moments import SECOND
from monitor.desk.app import create
from monitor.desk.people import People, Person, Token, write_people
from monitor.desk.roles import Role
from monitor.desk.stream import Stream
from monitor.settings.desk import DeskSettings
from tests.desk.daemon import Daemon
from tests.desk.fake import Fake

HERE = "http://127.0.0.1:9109"
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""For tests alone: a hash that takes no time."""

PASSWORD = "correct horse"
LOOKING, ACTING, SETTING_UP = "look-token", "act-token", "set-up-token"


class Hand:
    """A clock that a test moves."""

    def __init__(self):
        self.now = 1_777_875_243 * SECOND

    def __call__(self):
        """Now."""
        return self.now

    def pass_s(self, seconds):
        """Let seconds pass."""
        self.now += seconds * SECOND


class Setting:
    """A desk with four people, its fake monitor, its clock, and whoever asks."""

    def __init__(self, path: Path, **settings):
        self.path = path
        people = [
            Person(
                name="Looker", role=Role.LOOK, tokens=(Token.of("screen", LOOKING),)
            ),
            Person(
                name="A. Moor",
                role=Role.ACT,
                password=QUICK.hash(PASSWORD),
                tokens=(Token.of("script", ACTING),),
            ),
            Person(name="Chief", role=Role.SET_UP, tokens=(Token.of("t", SETTING_UP),)),
        ]
        write_people(path, people)
        self.desk = Fake()
        self.clock = Hand()
        self.settings = DeskSettings(
            people_file=path, **{"unnamed": "nothing", **settings}
        )
        self.stream = Stream(beat_s=0.02)
        self.desk.told = self.stream.put
        self.app = create(
            self.desk,
            self.settings,
            self.stream,
            self.clock,
            people=People(path, QUICK),
        )

    def client(self, token=None, peer="127.0.0.1", base=HERE):
        """Whoever asks, by a token or not, from an address."""
        headers = {} if token is None else {"Authorization": f"Bearer {token}"}
        transport = httpx.ASGITransport(app=self.app, client=(peer, 40000))
        return httpx.AsyncClient(transport=transport, base_url=base, headers=headers)

    @asynccontextmanager
    async def logged_in(self, base=HERE, **more):
        """A browser of A. Moor's, logged in, that shows its proof."""
        async with self.client(base=base, **more) as client:
            answer = await client.post(
                "/api/v1/login", json={"name": "a. moor", "password": PASSWORD}
            )
            assert answer.status_code == 200, answer.text
            client.headers["X-Tallywatch-Proof"] = answer.json()["proof"]
            yield client


@pytest.fixture(autouse=True)
def logged():
    """What is logged, instead of being printed."""
    with structlog.testing.capture_logs() as lines:
        yield lines


@pytest.fixture
def daemon(tmp_path):
    """A monitor with files of its own, in whose journal nothing stands."""
    daemon = Daemon(tmp_path)
    yield daemon
    daemon.close()


@pytest.fixture
def make(tmp_path):
    """Makes a desk with settings."""

    def of(**settings):
        return Setting(tmp_path / "people.json", **settings)

    return of


@pytest.fixture
def setting(make):
    """A desk where everybody has to say who they are."""
    return make()
