"""The keys of a terminal, one by one as they are pressed."""

from __future__ import annotations

import asyncio
import os
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

CALLED = {"\n": "enter", "\r": "enter", " ": "enter", "\x1b": "escape"}


@contextmanager
def keys(hear: Callable[[str], None]) -> Iterator[bool]:
    """Tell *hear* each key while the block runs; gives whether there is a terminal that has any."""
    if not sys.stdin.isatty():
        yield False
        return
    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    loop = asyncio.get_running_loop()

    def read() -> None:
        # Ctrl-C stays a signal; a key that sends several signs (an arrow) says nothing here.
        pressed = os.read(number, 32).decode("ascii", "replace")
        if len(pressed) == 1:
            hear(CALLED.get(pressed, pressed.lower()))

    tty.setcbreak(number)
    loop.add_reader(number, read)
    try:
        yield True
    finally:
        loop.remove_reader(number)
        termios.tcsetattr(number, termios.TCSADRAIN, before)
