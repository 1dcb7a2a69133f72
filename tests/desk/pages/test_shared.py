from __future__ import annotations

import asyncio

import pytest

from monitor.desk.pages.shared import KEPT_S, MOST, Shared


class Maker:
    """Makes parts, and counts them."""

    def __init__(self):
        self.version = 0
        self.seconds = 0.0
        self.made = 0
        self.takes = 0.0
        self.waited = []
        self.shared = Shared(lambda: self.version, lambda: self.seconds, self.pause)

    async def pause(self, seconds):
        """Wait."""
        self.waited.append(seconds)
        self.seconds += seconds

    async def make(self):
        """One part."""
        self.made += 1
        self.seconds += self.takes
        await asyncio.sleep(0)
        return f"part {self.made}"

    async def ask(self, key="faults", since=None):
        """What whoever asks for it is given."""
        return (await self.shared.of(key, self.make, since)).text


async def test_ten_pages_that_ask_at_once_are_given_one_part():
    """It is made once; when something changed, or it is old, it is made anew."""
    maker = Maker()

    assert set(await asyncio.gather(*(maker.ask() for _ in range(10)))) == {"part 1"}
    maker.version += 1
    assert await maker.ask() == "part 2"
    maker.seconds += KEPT_S
    assert await maker.ask() == "part 3"
    assert await maker.ask("foot") == "part 4"


async def test_what_was_made_since_a_tick_will_do_for_whoever_it_told():
    """In a storm something changes while pages ask, and each is still given what it was told of."""
    maker = Maker()
    maker.version = 5
    assert await maker.ask(since=4) == "part 1"
    maker.version = 7
    assert await maker.ask(since=5) == "part 1"
    assert await maker.ask(since=6) == "part 2"
    assert await maker.ask(since=99) == "part 2"
    assert await maker.ask() == "part 2"
    maker.version = 8
    assert await maker.ask() == "part 3"


async def test_a_part_that_takes_long_is_made_seldom():
    """Three times as long as it took nothing is made, and at most a second; whoever asks waits for the new one."""
    maker = Maker()
    maker.takes = 0.1
    assert await maker.ask() == "part 1"
    maker.version += 1
    assert await maker.ask() == "part 2"
    assert maker.waited == [pytest.approx(0.3)]
    maker.takes = 2.0
    maker.seconds += 60
    assert await maker.ask() == "part 3"
    maker.version += 1
    assert await maker.ask() == "part 4"
    assert maker.waited[1:] == [pytest.approx(1.0)]


async def test_what_changed_while_it_was_made_is_asked_for_again():
    """The version counts from before it was made."""
    maker = Maker()

    async def meanwhile():
        maker.version += 1
        return await maker.make()

    await maker.shared.of("faults", meanwhile)

    assert await maker.ask() == "part 2"


async def test_a_part_that_cannot_be_made_is_no_part_and_nothing_grows():
    """Whoever asks is told why, and the next is not; what nobody asks for any more is let go."""
    maker = Maker()

    async def fail():
        raise LookupError("there is no fault X")

    with pytest.raises(LookupError):
        await maker.shared.of("fault X", fail)
    assert await maker.ask("fault X") == "part 1"
    for number in range(2 * MOST):
        await maker.ask(str(number))
    assert len(maker.shared._made) == MOST
    assert maker.shared._making == {}
