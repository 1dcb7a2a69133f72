"""What every channel is: something that takes items and either has them, refuses them, or fails for now."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractAsyncContextManager
from typing import Protocol

from monitor.store import Item, What


class Undelivered(Exception):
    """It could not be delivered now; later it may. The text says why, in one line."""


class Refused(Exception):
    """The receiver will not have it, however often it is sent. The text says why, in one line."""


class Channel(Protocol):
    """A way to a receiver.

    Attributes:
        takes: what it is for.
        calls: somebody is alarmed by it; on trial nothing goes there.
        holds: what may yet prove to be one of several of a cause waits before it goes there.
        batch: how many items it takes at once.
        again_s: seconds between two rounds of `refresh`; 0 where there are none.
    """

    takes: frozenset[What]
    calls: bool
    holds: bool
    batch: int
    again_s: float

    def open(self) -> AbstractAsyncContextManager[None]:
        """What it needs while it is used: a client, a connection that comes and goes."""
        ...

    async def send(self, items: Sequence[Item]) -> None:
        """Return when the receiver has all of *items*.

        Raises:
            Undelivered: it may be tried again; the receiver may have some of them.
            Refused: the receiver does not want one of them.
        """
        ...

    async def refresh(self) -> None:
        """Tell the receiver again what still holds.

        Raises:
            Undelivered: it may be tried again.
        """
        ...


def why(error: BaseException) -> str:
    """What *error* says, in one line; its name where it says nothing."""
    return one_line(error) or type(error).__name__


def one_line(text: object, room: int = 200) -> str:
    r"""*text* as a line of a log or a table: nothing in it that is not to be read.

    Example:
        >>> one_line("502\r\n<html>\x1b[2J")
        '502 <html>?[2J'
    """
    spaced = " ".join(str(text).split())
    return "".join(c if c.isprintable() else "?" for c in spaced)[:room]
