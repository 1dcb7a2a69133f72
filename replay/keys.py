"""Plays by keys: somebody at a terminal holds what is played, changes its speed, moves it ahead, and sees how far it is."""

from __future__ import annotations

import asyncio
import os
import termios
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import tzinfo
from typing import TextIO

from monitor.core.moments import MINUTE
from monitor.core.words import clock
from replay.deck import Deck

HELP = (
    "space: hold, go on; + and -: twice and half as fast; right, page down: 1 and "
    "10 minutes ahead; n: to the next event; q: end"
)
NO_WAY_BACK = (
    "There is no way back: what was sent is known. Start the monitor that listens "
    "with a journal of its own, and play from then with --at."
)
SHOWN_S = 0.5
"""So often it is shown how far it is."""

_KEYS: dict[bytes, Callable[[Deck], object]] = {
    b" ": Deck.hold,
    b"+": lambda deck: deck.change(2),
    b"=": lambda deck: deck.change(2),  # the same key, not shifted
    b"-": lambda deck: deck.change(0.5),
    b"\x1b[C": lambda deck: deck.ahead(MINUTE),
    b"\x1b[6~": lambda deck: deck.ahead(10 * MINUTE),
    b"n": Deck.to_next,
    b"q": Deck.end,
}
_BACK = (b"\x1b[D", b"\x1b[5~")


def press(deck: Deck, pressed: bytes) -> str:
    r"""Do what the keys that were *pressed* ask for, and give what is to be said to that, or "".

    Example:
        >>> deck = Deck(20.0, begin=0, clock=lambda: 0.0)
        >>> press(deck, b"+ "), deck.speed, deck.held
        ('', 40.0, True)
        >>> press(deck, b"\x1b[C"), deck.now
        ('', 60000000)
        >>> press(deck, b"\x1b[D")[:20]
        'There is no way back'
        >>> press(deck, b"\xffz\x1b[99~"), deck.now
        ('', 60000000)
    """
    said = ""
    while pressed:
        known = (*_KEYS, *_BACK)
        key = next((one for one in known if pressed.startswith(one)), pressed[:1])
        if key in _KEYS:
            _KEYS[key](deck)
        elif key in _BACK:
            said = NO_WAY_BACK
        pressed = pressed[len(key) :]
    return said


def status(deck: Deck, zone: tzinfo) -> str:
    """How far it is, in a line.

    Example:
        >>> from datetime import UTC
        >>> from monitor.core.moments import parse
        >>> deck = Deck(20.0, begin=parse("2026-05-04T02:11:09Z"))
        >>> deck.hold()
        >>> status(deck, UTC)
        '02:11:09  20 times as fast  held'
    """
    now = deck.now
    shown = "--:--:--" if now is None else clock(now, zone)
    return f"{shown}  {deck.speed:g} times as fast{'  held' if deck.held else ''}"


@contextmanager
def attended(deck: Deck, zone: tzinfo, keys: int, out: TextIO) -> Iterator[None]:
    """Let somebody at the terminal *keys* play *deck* while the block runs, and show on *out* how far it is.

    Args:
        deck: what is played.
        zone: in which times are shown.
        keys: the file descriptor of a terminal.
        out: likewise a terminal.
    """
    loop = asyncio.get_running_loop()
    before = termios.tcgetattr(keys)
    said = HELP
    again: asyncio.TimerHandle | None = None

    def show() -> None:
        nonlocal said, again
        if said:
            out.write(f"\r\x1b[K{said}\n")
            said = ""
        out.write(f"\r\x1b[K{status(deck, zone)}")
        out.flush()
        if again is not None:
            again.cancel()
        again = loop.call_later(SHOWN_S, show)

    def pressed() -> None:
        nonlocal said
        raw = os.read(keys, 1024)
        said = press(deck, raw) or said
        show()
        if not raw:
            loop.remove_reader(keys)  # the terminal is gone

    try:
        tty.setcbreak(keys)
        loop.add_reader(keys, pressed)
        show()
        yield
    finally:
        loop.remove_reader(keys)
        if again is not None:
            again.cancel()
        termios.tcsetattr(keys, termios.TCSADRAIN, before)
        out.write("\r\x1b[K")
        out.flush()
