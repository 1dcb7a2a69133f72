from __future__ import annotations

import asyncio
import io
import os
import pty
import termios
from datetime import UTC

import pytest

from monitor.core.moments import MINUTE, parse
from replay.deck import Deck
from replay.keys import HELP, NO_WAY_BACK, attended, press

SIX = parse("2026-05-04T06:00:00Z")


@pytest.fixture(name="terminal")
def _terminal():
    """Both ends of a terminal: where somebody types, and where it is read."""
    typed, read = pty.openpty()
    yield typed, read
    os.close(typed)
    os.close(read)


def echoes(terminal):
    """Whether a terminal waits for whole lines and shows what is typed."""
    return bool(termios.tcgetattr(terminal)[3] & (termios.ECHO | termios.ICANON))


async def until(condition):
    """Wait for what somebody typed to be taken."""
    async with asyncio.timeout(10):
        while not condition():  # noqa: ASYNC110 (a terminal tells nobody)
            await asyncio.sleep(0.01)


async def test_keys_are_taken_as_they_are_typed(terminal):
    """Held, faster and ahead, without a line's end; afterwards the terminal is as it was."""
    typed, read = terminal
    deck, shown = Deck(20.0, begin=SIX), io.StringIO()
    with attended(deck, UTC, read, shown):
        assert not echoes(read)
        os.write(typed, b" +\x1b[C")
        await until(lambda: deck.speed == 40)
    assert echoes(read)

    assert deck.held
    assert deck.now is not None
    assert deck.now >= SIX + MINUTE
    assert HELP in shown.getvalue()
    assert "06:01:" in shown.getvalue()
    assert "40 times as fast  held" in shown.getvalue()


async def test_somebody_who_wants_back_is_told_why_not(terminal):
    """And nothing changes."""
    typed, read = terminal
    deck, shown = Deck(1.0, begin=SIX), io.StringIO()
    with attended(deck, UTC, read, shown):
        os.write(typed, b"\x1b[D")
        await until(lambda: NO_WAY_BACK in shown.getvalue())

    assert not deck.held
    assert not deck.ended


async def test_whatever_happens_the_terminal_is_as_it_was(terminal):
    """Also where what is played comes to grief."""
    _, read = terminal
    with (
        pytest.raises(RuntimeError),
        attended(Deck(1.0), UTC, read, io.StringIO()),
    ):
        raise RuntimeError
    assert echoes(read)


@pytest.mark.parametrize("pressed", [b"", b"\x1b", b"\x1b[", b"\xff\xfe", b"xyz"])
def test_other_keys_do_nothing(pressed):
    """Nor what no key gives."""
    deck = Deck(1.0)

    assert press(deck, pressed) == ""
    assert (deck.held, deck.ended, deck.speed) == (False, False, 1.0)
