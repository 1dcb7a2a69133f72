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
from replay.keys import HELP, LINES, Keys, attended, by_lines

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


async def test_a_time_is_typed_and_gone_to(terminal):
    """Ahead, and back; what is typed wrong changes nothing and says how it is written."""
    typed, read = terminal
    deck, shown = Deck(1.0, begin=SIX), io.StringIO()
    deck.hold()
    with attended(deck, UTC, read, shown):
        os.write(typed, b"t06:25\r")
        await until(lambda: deck.now == SIX + 25 * MINUTE)
        assert deck.turned is None
        os.write(typed, b"t06:100\x7f\x7f5:30\r\x1b[D")
        await until(lambda: deck.turned is not None)
        os.write(typed, b"tlater\r")
        await until(lambda: "later: expected a time such as" in shown.getvalue())

    assert deck.now == deck.turned
    assert HELP in shown.getvalue()


async def test_whoever_writes_lines_plays_it_and_is_answered():
    """One answer a line: how far it is, or what was wrong with it; a last line needs no end."""
    read, written = os.pipe()
    deck, said = Deck(20.0, begin=SIX), io.StringIO()
    try:
        with by_lines(deck, UTC, read, said):
            os.write(written, b"hold\nspeed 4\nspeed none\nto 06:10\nback 9m\nahe")
            os.write(written, b"ad 30\nspeed -1\njump\n\nend")
            os.close(written)
            await until(lambda: deck.ended)
    finally:
        os.close(read)

    told = said.getvalue().splitlines()
    assert [one.partition("  ")[0] for one in told] == [
        "06:00:00",
        "06:00:00",
        "none: expected a number",
        "06:10:00",
        "06:01:00",
        "06:01:30",
        "expected a speed above nought, came -1",
        f"jump: expected {LINES}",
        "06:01:30",
    ]
    assert told[-1] == "06:01:30  4 times as fast  held"


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

    assert Keys(deck, UTC).press(pressed) == ""
    assert (deck.held, deck.ended, deck.speed) == (False, False, 1.0)
