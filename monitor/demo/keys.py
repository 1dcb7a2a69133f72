"""The keys of a terminal, one by one as they are pressed."""

from __future__ import annotations

import asyncio
import os
import re
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

SEVERAL = re.compile(r"\x1b(?:\[[0-9;]*[A-Za-z~]|O.)")
"""A key that sends several signs (an arrow) says nothing here."""

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
        # Ctrl-C stays a signal; who is quick has pressed several by the time they are read.
        pressed = os.read(number, 32).decode("ascii", "replace")
        for one in SEVERAL.sub("", pressed):
            hear(CALLED.get(one, one.lower()))

    tty.setcbreak(number)
    loop.add_reader(number, read)
    try:
        yield True
    finally:
        loop.remove_reader(number)
        termios.tcsetattr(number, termios.TCSADRAIN, before)
