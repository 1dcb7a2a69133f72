from __future__ import annotations

import asyncio

import pytest
from hypothesis import given, strategies as st

from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from replay.deck import FASTEST, SLOWEST, Deck

SIX = parse("2026-05-04T06:00:00Z")


class Hand:
    """A clock that moves only by waiting, and what somebody does while a deck waits, in turn."""

    def __init__(self, *doings):
        self.now = 0.0
        self.doings = list(doings)
        self.waited = []

    def deck(self, speed=1.0, begin=None):
        """A deck on that clock."""
        return Deck(speed, begin=begin, clock=lambda: self.now, waits=self.wait)

    async def wait(self, seconds, changed):
        """Wait to the end, or until somebody does something: after how long, and what."""
        self.waited.append(seconds)
        if self.doings:
            after, do = self.doings.pop(0)
            assert seconds is None or after <= seconds
            self.now += after
            do()
            assert changed.is_set()
        else:
            assert seconds is not None, "it would stand for ever"
            self.now += seconds


async def test_a_pause_of_the_recording_is_divided_by_the_speed():
    """A minute at twenty times the speed takes three seconds."""
    hand = Hand()
    deck = hand.deck(20)
    assert await deck.until(SIX)
    assert await deck.until(SIX + MINUTE)

    assert hand.now == pytest.approx(3)


async def test_while_it_is_held_nothing_goes_on():
    """And afterwards it goes on from where it stood."""
    hand = Hand()
    deck = hand.deck()
    await deck.until(SIX)
    hand.doings = [(20, deck.hold), (1000, deck.hold)]
    await deck.until(SIX + MINUTE)

    assert hand.waited[1] is None
    assert hand.now == pytest.approx(1060)
    assert deck.now == SIX + MINUTE


async def test_another_speed_holds_from_then_on():
    """Half a minute as it was, the other half at twice the speed."""
    hand = Hand()
    deck = hand.deck()
    await deck.until(SIX)
    hand.doings = [(30, lambda: deck.change(2))]
    await deck.until(SIX + MINUTE)

    assert hand.now == pytest.approx(45)


async def test_what_is_gone_past_is_due_at_once():
    """Ten minutes ahead: what was due in five is sent now, what is due in eleven in one."""
    hand = Hand()
    deck = hand.deck()
    await deck.until(SIX)
    deck.ahead(10 * MINUTE)
    await deck.until(SIX + 5 * MINUTE)
    assert hand.now == 0
    await deck.until(SIX + 11 * MINUTE)

    assert hand.now == pytest.approx(60)


async def test_to_the_next_event_takes_no_time():
    """A quiet hour is gone past, and the pause after it is kept."""
    hand = Hand()
    deck = hand.deck()
    await deck.until(SIX)
    hand.doings = [(5, deck.to_next)]
    await deck.until(SIX + HOUR)
    assert hand.now == pytest.approx(5)
    await deck.until(SIX + HOUR + MINUTE)

    assert hand.now == pytest.approx(65)


async def test_what_was_before_its_beginning_is_due_at_once():
    """The lead-in is sent without pauses, and then the pauses are kept."""
    hand = Hand()
    deck = hand.deck(begin=SIX)
    for minutes in (-60, -30, 0):
        assert await deck.until(SIX + minutes * MINUTE)
    assert hand.now == 0
    await deck.until(SIX + MINUTE)

    assert hand.now == pytest.approx(60)


async def test_it_ends_when_told_also_while_it_is_held():
    """Nothing more is due."""
    hand = Hand()
    deck = hand.deck()
    await deck.until(SIX)
    hand.doings = [(1, deck.hold), (1, deck.end)]

    assert not await deck.until(SIX + HOUR)
    assert not await deck.until(SIX)


async def test_before_the_first_event_there_is_no_time():
    """Nor is anything moved."""
    deck = Hand().deck()
    deck.ahead(MINUTE)
    deck.to_next()

    assert deck.now is None


async def test_what_is_gone_past_is_due_also_while_it_is_held():
    """It stands where it was moved to, and whoever listens knows how things stand there."""
    hand = Hand()
    deck = hand.deck()
    await deck.until(SIX)
    deck.hold()
    deck.ahead(10 * MINUTE)
    assert await deck.until(SIX + 5 * MINUTE)
    hand.doings = [(7, deck.hold)]
    assert await deck.until(SIX + 11 * MINUTE)

    assert hand.now == pytest.approx(67)


async def test_turned_back_nothing_is_due_until_whoever_plays_has_gone_there():
    """From then on pauses are kept again, from that moment."""
    hand = Hand()
    deck = hand.deck(begin=SIX)
    assert await deck.until(SIX)
    hand.now += 30 * 60
    hand.doings = [(60, lambda: deck.back(10 * MINUTE))]
    assert not await deck.until(SIX + HOUR)
    back = SIX + 21 * MINUTE
    assert deck.now == deck.gone_back() == back
    begun = hand.now
    hand.doings = []
    assert await deck.until(back + MINUTE)

    assert hand.now - begun == pytest.approx(60)
    with pytest.raises(ValueError, match="not turned back"):
        deck.gone_back()


async def test_at_its_end_it_stands_until_somebody_turns_it_back():
    """Or ends it."""
    hand = Hand()
    deck = hand.deck(begin=SIX)
    await deck.until(SIX + MINUTE)
    hand.doings = [(500, lambda: deck.change(2)), (100, deck.to_begin)]
    await deck.at_its_end()
    assert deck.held
    assert deck.gone_back() == SIX

    hand.doings = [(1, deck.end)]
    await deck.at_its_end()
    assert deck.ended


@given(
    st.lists(
        st.sampled_from(["hold", "faster", "slower", "ahead", "back", "begin"]),
        max_size=30,
    )
)
def test_it_goes_back_only_where_it_is_turned_back(doings):
    """And never to before its beginning; whatever is done, its speed stays within its limits."""
    hand = Hand()
    deck = hand.deck(begin=SIX)
    before = SIX
    for one in doings:
        hand.now += 1
        deck.turned = None
        {
            "hold": deck.hold,
            "faster": lambda: deck.change(2),
            "slower": lambda: deck.change(0.5),
            "ahead": lambda: deck.ahead(MINUTE),
            "back": lambda: deck.back(MINUTE),
            "begin": deck.to_begin,
        }[one]()
        assert deck.now is not None
        assert deck.now >= SIX
        assert deck.now >= before or deck.turned == deck.now
        assert SLOWEST <= deck.speed <= FASTEST
        before = deck.now


async def test_the_real_wait_ends_with_what_it_waits_for():
    """By time, or by what is set."""
    deck = Deck(1.0, begin=SIX)
    assert await deck.until(SIX + SECOND // 100)
    deck.hold()
    async with asyncio.TaskGroup() as group:
        waiting = group.create_task(deck.until(SIX + HOUR))
        await asyncio.sleep(0)
        deck.end()

    assert waiting.result() is False
