"""A rehearsal that is turned back: what a monitor had written of what came later is put aside, and it goes on from what was so then.

Whoever plays a recording says by the name of the rehearsal that it is played again, from an earlier moment.
A journal is never gone back in, and never shortened: it is kept whole under another name, and a new one begins with its records up to that moment.
Those follow each other as before, so the new one is as good as one that was stopped then.
What is concluded is a fold over it, and made anew.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from monitor.core.events import AnyEvent
from monitor.core.moments import Moment
from monitor.journal import Journal

AGAIN = " (again {})"
"""Ends the name of a rehearsal that was turned back, with how often."""

_AGAIN = re.compile(r"(?P<of>.*) \(again [0-9]{1,9}\)", re.DOTALL)


def turned_back(before: str | None, event: AnyEvent) -> bool:
    """Whether *event* is the first of a recording that was turned back.

    Args:
        before: the name of the rehearsal that was heard last, or None.
        event: what comes.

    Example:
        >>> from monitor.core.events import GatewayStatus
        >>> at = {
        ...     "id": "1",
        ...     "source": "gw/1",
        ...     "subject": "GW1",
        ...     "time": 0,
        ...     "online": True,
        ... }
        >>> [
        ...     turned_back("monday", GatewayStatus(**at, rehearsal=name))
        ...     for name in (None, "monday", "monday (again 2)", "sunday (again 2)")
        ... ]
        [False, False, True, False]
    """
    name = event.rehearsal
    if before is None or name is None or name == before:
        return False
    again = _AGAIN.fullmatch(name)
    return again is not None and again["of"] == _recording(before)


def _recording(name: str) -> str:
    """The recording that a rehearsal is of."""
    again = _AGAIN.fullmatch(name)
    return name if again is None else again["of"]


def begin_again(journal: Path, others: Iterable[Path], moment: Moment) -> Path:
    """Put *journal* aside and begin a new one with what had come by *moment*; put aside too what was made of it.

    Args:
        journal: of a feed that is played; nobody has it open.
        others: files that are made anew out of it.
        moment: by the clock of the recording.

    Returns:
        Where the whole journal is kept.

    Raises:
        JournalFault: it cannot be read or written.
        OSError: it cannot be put aside.
    """
    number = 1
    while _aside(journal, number).exists():
        number += 1
    # Made whole before the other is moved: a crash leaves one or the other under its name.
    made = journal.with_name(f"{journal.name}.new")
    made.unlink(missing_ok=True)
    Journal.begin_with(made, journal, moment)
    for path in (journal, *others):
        for end in ("", "-wal", "-shm"):
            part = path.with_name(f"{path.name}{end}")
            if part.exists():
                part.rename(f"{_aside(path, number)}{end}")
    made.rename(journal)
    return _aside(journal, number)


def _aside(path: Path, number: int) -> Path:
    return path.with_name(f"{path.stem}.before-again-{number}{path.suffix}")
