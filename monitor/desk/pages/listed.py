"""The lists of the desk's page, told with the ticks: made once for all pages of a position, and told as soon as one of them is another.

A page is told which it should have by marks, and asks for what it does not have; so nothing stands there for long that is not so any more, whatever became of an event.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from monitor.desk.model import NotThere
from monitor.desk.pages.shared import Made, Shared

RENEW_S = 5.0
"""So old at most is what changes without being told: how many calls there were in the last ten minutes."""

LIVELY = frozenset({"top"})
"""What may be another whenever a section is: when a train moved last."""

MOST = 20
"""Positions that one browser follows at once; a railway has fewer desks."""

Makers = Mapping[str, Callable[[str], Awaitable[str]]]
"""How each list of a position is made, by its name."""


@dataclass(slots=True)
class Listed:
    """The lists that are told.

    Args:
        shared: makes each once.
        makers: of a position, by its name, "" where none is set up.
        now: counts seconds.
    """

    shared: Shared
    makers: Makers
    now: Callable[[], float]
    _followed: Counter[str] = field(default_factory=Counter)
    _told: dict[str, dict[str, str]] = field(default_factory=dict)
    _as_of: dict[str, tuple[int, float]] = field(default_factory=dict)

    @contextmanager
    def followed(self, positions: list[str]) -> Iterator[None]:
        """Somebody follows the lists of *positions*."""
        self._followed.update(positions)
        try:
            yield
        finally:
            self._followed.subtract(positions)
            for one in positions:
                if self._followed[one] <= 0:
                    del self._followed[one]
                    self._told.pop(one, None)
                    self._as_of.pop(one, None)

    async def news(self) -> list[tuple[str, dict[str, Any]]]:
        """What is to be told now, by position: the mark of each list, and those that are another than when it was told last."""
        found = []
        for position in list(self._followed):
            version, now = self.shared.version(), self.now()
            before = self._as_of.get(position, (-1, now - RENEW_S))
            try:
                every = await self._lists(position)
            except NotThere:
                continue  # the position was taken out of the settings
            had = self._told.get(position, {})
            marks = {name: made.mark for name, made in every.items()}
            if version == before[0] and marks == had and now - before[1] < RENEW_S:
                continue
            self._told[position] = marks
            self._as_of[position] = version, now
            found.append(
                (
                    position,
                    {name: plain(made, had.get(name)) for name, made in every.items()},
                )
            )
        return found

    async def _lists(self, position: str) -> dict[str, Made]:
        """Each list as it is, or, where it is dear and was made just before, as it was."""
        found = {}
        for name, make in self.makers.items():
            key = name, position
            made = self.shared.last(key)
            if made is None or (
                self._is_old(name, made) and not self.shared.rests(key)
            ):

                async def maker(
                    make: Callable[[str], Awaitable[str]] = make,
                ) -> str:
                    return await make(position)

                made = await self.shared.of(key, maker)
            found[name] = made
        return found

    def _is_old(self, name: str, made: Made) -> bool:
        changed = made.version < self.shared.version()
        return changed or name in LIVELY or self.now() - made.at >= RENEW_S


def plain(made: Made, has: str | None) -> dict[str, Any]:
    """A list for a page that has the one with the mark *has*: without its text where that is the same."""
    told: dict[str, Any] = {"mark": made.mark, "made": made.number}
    if made.mark != has:
        told["text"] = made.text
    return told
