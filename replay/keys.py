"""Plays by keys, or by lines: somebody holds what is played, changes its speed, moves it ahead or back, and sees how far it is."""

from __future__ import annotations

import asyncio
import os
import re
import termios
import tty
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import TextIO

from monitor.core.moments import (
    HOUR,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    from_datetime,
    parse,
)
from monitor.core.words import clock
from replay.deck import Deck

HELP = (
    "space: hold, go on; + and -: twice and half as fast; left and right: 1 minute "
    "back and ahead; page up and page down: 10 minutes; home: its beginning; n: to "
    "the next event; t: to a time that is typed; q: end"
)
LINES = (
    "hold, go, speed N, to TIME, back N[s|m|h], ahead N[s|m|h], begin, next, end: "
    "one a line"
)
SHOWN_S = 0.5
"""So often it is shown how far it is."""

_KEYS: dict[bytes, Callable[[Deck], object]] = {
    b" ": Deck.hold,
    b"+": lambda deck: deck.change(2),
    b"=": lambda deck: deck.change(2),  # the same key, not shifted
    b"-": lambda deck: deck.change(0.5),
    b"\x1b[C": lambda deck: deck.ahead(MINUTE),
    b"\x1b[D": lambda deck: deck.back(MINUTE),
    b"\x1b[6~": lambda deck: deck.ahead(10 * MINUTE),
    b"\x1b[5~": lambda deck: deck.back(10 * MINUTE),
    b"\x1b[H": Deck.to_begin,
    b"\x1b[1~": Deck.to_begin,
    b"n": Deck.to_next,
    b"q": Deck.end,
}
_TYPE, _ENTER, _RUBOUT, _ESCAPE = b"t", (b"\r", b"\n"), (b"\x7f", b"\x08"), b"\x1b"
_SHORT = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?")
_LENGTH = re.compile(r"(\d+(?:\.\d+)?)\s*([smh]?)")
_UNITS = {"": SECOND, "s": SECOND, "m": MINUTE, "h": HOUR}


@dataclass(slots=True)
class Keys:
    """What is typed at a terminal.

    Args:
        deck: what is played.
        zone: in which times are typed and shown.

    Attributes:
        typed: of a time that is being typed, or None.
    """

    deck: Deck
    zone: tzinfo
    typed: str | None = None

    def press(self, pressed: bytes) -> str:
        r"""Do what the keys that were *pressed* ask for, and give what is to be said to that, or "".

        Example:
            >>> from datetime import UTC
            >>> deck = Deck(20.0, begin=0, clock=lambda: 0.0)
            >>> keys = Keys(deck, UTC)
            >>> keys.press(b"+ "), deck.speed, deck.held
            ('', 40.0, True)
            >>> keys.press(b"\x1b[C"), deck.now
            ('', 60000000)
            >>> keys.press(b"t00:00:30\r"), deck.now, deck.turned
            ('', 30000000, 30000000)
            >>> keys.press(b"tnoon\r")
            'noon: expected a time such as 02:11:09 or 2026-05-04T02:11:09Z'
            >>> keys.press(b"\xffz\x1b[99~"), deck.now
            ('', 30000000)
        """
        said = ""
        while pressed:
            if self.typed is not None:
                said = self._type(pressed[:1]) or said
                pressed = pressed[1:]
                continue
            key = next((one for one in _KEYS if pressed.startswith(one)), pressed[:1])
            if key in _KEYS:
                _KEYS[key](self.deck)
            elif key == _TYPE:
                self.typed = ""
            pressed = pressed[len(key) :]
        return said

    def _type(self, key: bytes) -> str:
        typed = self.typed or ""
        if key in _ENTER:
            self.typed = None
            return _told(lambda: self.deck.to(time_of(typed, self.deck, self.zone)))
        if key in _RUBOUT:
            self.typed = typed[:-1]
        elif key == _ESCAPE:
            self.typed = None
        elif len(typed) < 40 and key.isascii() and key.decode("ascii").isprintable():
            self.typed = typed + key.decode("ascii")
        return ""


def obey(deck: Deck, line: str, zone: tzinfo) -> str:
    """Do what a *line* asks for, and give what is to be said to that, or "".

    Example:
        >>> from datetime import UTC
        >>> deck = Deck(20.0, begin=0, clock=lambda: 0.0)
        >>> for line in (
        ...     "hold",
        ...     "speed 4",
        ...     "ahead 10m",
        ...     "back 90",
        ...     "to 00:01",
        ...     "begin",
        ... ):
        ...     said = obey(deck, line, UTC)
        ...     print(said or (deck.held, deck.speed, deck.now))
        (True, 20.0, 0)
        (True, 4.0, 0)
        (True, 4.0, 600000000)
        (True, 4.0, 510000000)
        (True, 4.0, 60000000)
        (True, 4.0, 0)
        >>> obey(deck, "jump", UTC)
        'jump: expected hold, go, speed N, to TIME, back N[s|m|h], ahead N[s|m|h], begin, next, end: one a line'
    """
    word, _, rest = line.strip().partition(" ")
    rest = rest.strip()
    does: dict[str, Callable[[], object]] = {
        "": lambda: None,
        "hold": lambda: deck.stand(still=True),
        "go": lambda: deck.stand(still=False),
        "speed": lambda: deck.run_at(_number(rest)),
        "to": lambda: deck.to(time_of(rest, deck, zone)),
        "back": lambda: deck.back(_length(rest)),
        "ahead": lambda: deck.ahead(_length(rest)),
        "begin": deck.to_begin,
        "next": deck.to_next,
        "end": deck.end,
    }
    if word not in does:
        return f"{word}: expected {LINES}"
    return _told(does[word])


def _told(do: Callable[[], object]) -> str:
    try:
        do()
    except ValueError as error:
        return str(error)
    return ""


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{text}: expected a number") from None


def _length(text: str) -> Duration:
    found = _LENGTH.fullmatch(text)
    if found is None:
        raise ValueError(f"{text}: expected a length such as 90, 10m or 1h")
    return round(float(found[1]) * _UNITS[found[2]])


def time_of(text: str, deck: Deck, zone: tzinfo) -> Moment:
    """The moment that is typed: in full, or a time of the day to which it has been played, in *zone*.

    Raises:
        ValueError: it is no time.
    """
    short = _SHORT.fullmatch(text.strip())
    try:
        if short is None:
            return parse(text.strip())
        hour, minute, second = (int(part or 0) for part in short.groups())
        day = as_datetime(deck.now or 0).astimezone(zone).date()
        at = datetime(day.year, day.month, day.day, hour, minute, second, tzinfo=zone)
        return from_datetime(at)
    except ValueError:
        raise ValueError(
            f"{text}: expected a time such as 02:11:09 or 2026-05-04T02:11:09Z"
        ) from None


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
    typing = Keys(deck, zone)
    said = HELP
    again: asyncio.TimerHandle | None = None

    def show() -> None:
        nonlocal said, again
        if said:
            out.write(f"\r\x1b[K{said}\n")
            said = ""
        to = "" if typing.typed is None else f"  to {typing.typed}_"
        out.write(f"\r\x1b[K{status(deck, zone)}{to}")
        out.flush()
        if again is not None:
            again.cancel()
        again = loop.call_later(SHOWN_S, show)

    def pressed() -> None:
        nonlocal said
        raw = os.read(keys, 1024)
        said = typing.press(raw) or said
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


@contextmanager
def by_lines(deck: Deck, zone: tzinfo, lines: int, out: TextIO) -> Iterator[None]:
    """Let whoever writes lines to *lines* play *deck* while the block runs; what is said to each goes to *out*, with how far it is.

    Args:
        deck: what is played.
        zone: in which times are written.
        lines: a file descriptor that can be waited for, such as a pipe.
        out: where answers go; one for each line.
    """
    loop = asyncio.get_running_loop()
    left = b""

    def came() -> None:
        nonlocal left
        raw = os.read(lines, 4096)
        *whole, left = (left + raw).split(b"\n")
        answer(whole)
        if not raw:
            answer([left])
            loop.remove_reader(lines)

    def answer(whole: Iterable[bytes]) -> None:
        for line in whole:
            text = line.decode("utf-8", "replace")
            if text.strip():
                out.write(f"{obey(deck, text, zone) or status(deck, zone)}\n")
        out.flush()

    loop.add_reader(lines, came)
    try:
        yield
    finally:
        loop.remove_reader(lines)
