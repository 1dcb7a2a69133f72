"""What is measured at a head: its usual value, the swing of day and night, and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import cos, tau
from random import Random

from monitor.core.layout import Line
from monitor.core.moments import DAY, HOUR, SECOND, Moment, seconds
from replay.simulator.agenda import Agenda
from replay.simulator.feed import Feed

WARMEST = 15 * HOUR
"""When the swing of day and night is at its height."""

NOISE = 0.02


@dataclass(slots=True, eq=False)
class Level:
    """How a head stands.

    Args:
        usual: its voltage in the middle of a day.
        swing: how much it is higher by day and lower by night.
        off: by how much it is off now, when its drift began.
        slope: how much it drifts a day.
        since: from when.
    """

    usual: float
    swing: float
    off: float = 0.0
    slope: float = 0.0
    since: Moment = 0


class Levels:
    """The levels of all heads of *line*, measured about once an hour.

    Args:
        line: any line.
        agenda: the clock.
        random: draws them.
        feed: what they are told to.
    """

    def __init__(self, line: Line, agenda: Agenda, random: Random, feed: Feed) -> None:
        self.agenda = agenda
        self.random = random
        self.feed = feed
        self.of = {
            head: Level(usual=random.uniform(2.9, 3.6), swing=random.uniform(0.02, 0.1))
            for head in line.heads
        }

    def begin(self) -> None:
        """Measure every head, each in its own time; a feed that carries no levels needs none."""
        if not self.feed.full:
            return
        for head in self.of:
            wait = seconds(self.random.uniform(30, 3600))
            self.agenda.at(self.agenda.now + wait, partial(self._hourly, head))

    def put(self, head: str, *, off: float, slope: float = 0.0) -> None:
        """Let *head* be off by so many volts, and drift by so many a day from there; by nought it is right again."""
        one = self.of[head]
        one.off, one.slope, one.since = off, slope, self.agenda.now

    def volts(self, head: str) -> float:
        """What *head* shows now."""
        one, now = self.of[head], self.agenda.now
        day = cos(tau * ((now - WARMEST) % DAY) / DAY)
        drift = one.slope * (now - one.since) / DAY
        return one.usual + one.swing * day + one.off + drift

    def measure(self, head: str) -> None:
        """Tell how *head* stands."""
        volts = max(0.0, self.volts(head))
        self.feed.level(
            head,
            a_volts=round(volts + self.random.gauss(0, NOISE), 3),
            b_volts=round(volts + 0.1 + self.random.gauss(0, NOISE), 3),
            supply_volts=round(51.0 + self.random.gauss(0, 0.2), 2),
        )

    def _hourly(self, head: str) -> None:
        self.measure(head)
        self.agenda.at(self.agenda.now + 3600 * SECOND, partial(self._hourly, head))
