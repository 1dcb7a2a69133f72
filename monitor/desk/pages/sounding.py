"""Which of the pages that are open at a position makes its sounds: one, however many there are, and the same one while it is there and can; and what is silenced there, on all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

GONE_S = 3.5
"""A page that may make sounds and has not been heard for so long is not there: it says so once a second."""

GONE_BLOCKED_S = 10.0
"""One that may make none says so more seldom."""

MOST = 200
"""Pages of a position at most; others make no sound."""


MOST_SILENCED = 500
"""What was silenced before that sounds again, if it still stands."""


@dataclass(slots=True)
class _Open:
    heard: float
    able: bool


@dataclass(slots=True)
class Sounding:
    """The pages that are open, by position.

    Args:
        now: counts seconds.
    """

    now: Callable[[], float]
    _pages: dict[str, dict[str, _Open]] = field(default_factory=dict)
    _chosen: dict[str, str] = field(default_factory=dict)
    _silenced: dict[str, dict[str, None]] = field(default_factory=dict)

    def beat(self, position: str, page: str, *, able: bool) -> bool:
        """A page says that it is there, and whether its browser lets it make sounds; gives whether it is to."""
        pages = self._pages.setdefault(position, {})
        if page in pages or len(pages) < MOST:
            pages[page] = _Open(self.now(), able)
        self._forget(position)
        chosen = self._chosen.get(position)
        if chosen not in pages or not pages[chosen].able:
            able_ones = [name for name, one in pages.items() if one.able]
            if not able_ones:
                self._chosen.pop(position, None)
                return False
            chosen = self._chosen[position] = able_ones[0]
        return chosen == page

    def silence(self, position: str, what: Iterable[str]) -> None:
        """*What* sounds at *position* now sounds there no more, on no page; anything else does."""
        silenced = self._silenced.setdefault(position, {})
        silenced |= dict.fromkeys(what)
        while len(silenced) > MOST_SILENCED:
            del silenced[next(iter(silenced))]

    def let_sound(self, position: str) -> None:
        """Whatever was silenced at *position* sounds again."""
        self._silenced.pop(position, None)

    def silenced(self, position: str) -> list[str]:
        """What is silenced at *position*, in the order in which it was."""
        return list(self._silenced.get(position, ()))

    def pages(self, position: str) -> int:
        """How many are open at *position*."""
        return len(self._pages.get(position, ()))

    def _forget(self, position: str) -> None:
        pages, now = self._pages[position], self.now()
        for name, one in list(pages.items()):
            if now - one.heard > (GONE_S if one.able else GONE_BLOCKED_S):
                del pages[name]
