"""What heads said last: for somebody who turns a test wheel over one of them, also under work, and looks at it on a telephone.

It is what came, as it came: nothing is put in order or concluded from.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.core.events import AnyEvent, Direction, HeadLevel, HeadPassage
from monitor.core.moments import Moment
from monitor.core.words import MEASURED

KEPT = 50
"""Passages kept of each head."""


@dataclass(slots=True)
class Wheel:
    """What one head said since the monitor started.

    Args:
        passages: the last of them, oldest first.
        levels: the last value of each that is measured, with its time.
        heard: the time of its last event, or None.
    """

    passages: deque[HeadPassage] = field(default_factory=lambda: deque(maxlen=KEPT))
    levels: dict[str, tuple[Moment, float]] = field(default_factory=dict)
    heard: Moment | None = None

    def take(self, event: HeadPassage | HeadLevel) -> None:
        """It says something."""
        self.heard = event.time if self.heard is None else max(self.heard, event.time)
        if isinstance(event, HeadPassage):
            self.passages.append(event)
            return
        for name in MEASURED:
            value = getattr(event, name)
            if value is not None:
                self.levels[name] = (event.time, value)

    def axles(self, direction: Direction, since: Moment | None) -> int:
        """Axles counted in a direction by what is kept, from *since* on."""
        return sum(
            one.axles
            for one in self.passages
            if one.direction is direction and (since is None or one.time >= since)
        )


class Wheels:
    """What all heads said.

    Args:
        heads: their names.
    """

    def __init__(self, heads: Iterable[str]) -> None:
        self._wheels = {name: Wheel() for name in heads}

    def heard(self, events: Iterable[AnyEvent]) -> None:
        """What came."""
        for event in events:
            if isinstance(event, HeadPassage | HeadLevel):
                wheel = self._wheels.get(event.subject)
                if wheel is not None:
                    wheel.take(event)

    def of(self, name: str) -> Wheel:
        """What the head *name* said.

        Raises:
            KeyError: there is no such head.
        """
        return self._wheels[name]
