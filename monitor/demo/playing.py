"""The simulated line on the broker, with what it has sent."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import aiomqtt

from monitor.core.events import AnyEvent
from monitor.core.layout import Line
from monitor.core.moments import Moment
from replay import player
from replay.simulator.scenarios import tour


@dataclass(slots=True)
class Playing:
    """The tour, played.

    Args:
        line: the line file.
        host: of the broker.
        port: of the broker.
        speed: how many times as fast as the railway.
        seed: draws what breaks after the first minute.

    Attributes:
        sent: the names of the events that the broker has, in their order.
        now: the railway's time, once anything was sent.
        stopped: nothing more is to be sent.
    """

    line: Line
    host: str
    port: int
    speed: float
    seed: int = 1
    sent: dict[str, None] = field(default_factory=dict)
    now: Moment | None = None
    stopped: bool = False
    _last: str = ""

    async def run(self) -> None:
        """Play until the end."""
        async with aiomqtt.Client(self.host, self.port) as client:
            # Nobody comes later here, so nothing is retained: the monitor that does has a session.
            async def publish(topic: str, payload: bytes, **_: bool) -> None:
                if payload:
                    await client.publish(topic, payload, qos=1)
                    self.sent[self._last] = None

            scenario = tour(self.line, seed=self.seed)
            events = scenario.simulate(self.line, seed=self.seed).events
            await player.play(
                lambda: self._noted(events),
                publish,
                line=self.line,
                name="demo",
                speed=self.speed,
            )

    def _noted(self, events: Iterable[AnyEvent]) -> Iterator[AnyEvent]:
        for event in events:
            # Being cancelled is not enough: Python 3.11 forgets that where an answer comes at the same moment.
            if self.stopped:
                return
            self._last, self.now = event.name, player.heard(event)
            yield event
