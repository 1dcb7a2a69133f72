"""A courier among channels that do as they are told, with a clock that is set."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager

from monitor.core.moments import SECOND
from monitor.delivery.attention import Nobody
from monitor.delivery.channel import Refused
from monitor.delivery.courier import Courier, Ways
from monitor.routes import Routes
from tests.delivery.samples import LINE, RAISED


class Fake:
    """A channel that does as it is told, and keeps what it was sent."""

    def __init__(self, *takes, calls=True, holds=False, batch=1):
        self.takes = frozenset(takes)
        self.calls = calls
        self.holds = holds
        self.batch = batch
        self.again_s = 0.0
        self.had = []
        self.fails = []
        self.refuses = set()
        self.hangs = False
        self.came = asyncio.Event()

    @asynccontextmanager
    async def open(self):
        """Nothing is needed."""
        yield

    async def send(self, items):
        """Have them, unless it fails, refuses or hangs."""
        if self.hangs:
            await asyncio.Event().wait()
        if self.fails:
            raise self.fails.pop(0)
        for item in items:
            if item.about in self.refuses:
                raise Refused("400 no")
        self.had += items
        self.came.set()

    async def has(self, count):
        """Return when it had so many."""
        while len(self.had) < count:
            self.came.clear()
            await self.came.wait()

    async def refresh(self):
        """Nothing."""

    @property
    def whats(self):
        """What it had, in order."""
        return [one.what for one in self.had]


class People(Nobody):
    """What people did, as it is set."""

    def __init__(self):
        self.shelved = ""
        self.has_seen = False

    def quiet(self, alert, at):
        """Why it is quiet."""
        del alert, at
        return self.shelved

    def seen(self, fault, alert, since):
        """Whether it is seen."""
        del fault, alert, since
        return self.has_seen


class World:
    """A courier over a store in memory, with a clock that is set."""

    def __init__(self, store, channels, routes=(), people=None, **ways):
        self.store = store
        self.now = RAISED
        self.people = People() if people is None else people
        self.channels = channels
        timeouts = dict.fromkeys(channels, 0.02)
        calling = tuple(n for n, c in channels.items() if "call" in c.takes)
        self.courier = Courier(
            store,
            channels,
            Routes(routes=tuple(routes), channels=calling, zone=LINE.zone),
            line=LINE,
            on_disk=self.on_disk,
            now=lambda: self.now,
            attention=self.people,
            ways=Ways(timeout_s=timeouts, **ways),
            draw=lambda _low, high: high,
        )

    async def on_disk(self, work, *values):
        """Do it at once."""
        return work(*values)

    def tell(self, *alerts, faults=(), calls=()):
        """Put something into the outbox now."""
        self.store.keep(alerts, faults, calls, at=self.now)

    async def go(self, seconds=0.0):
        """So much later, do all there is to do."""
        self.now += round(seconds * SECOND)
        while await self.courier.bring_back() + await self.courier.route():
            pass
        for name in self.channels:
            while await self.courier.round(name):
                pass
