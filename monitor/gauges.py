"""Both lists as Prometheus is told of them: how much of what stands open in each area."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from monitor.core.engine import Engine
from monitor.core.moments import Moment
from monitor.handling import Handling
from monitor.lists import before_first_train, resets_waiting, values

PREFIX = "tallywatch_"


class ListGauges(Collector):
    """The lists, made anew whenever Prometheus asks.

    Args:
        engine: as it is now.
        handling: what people did.
        now: the daemon's clock.
    """

    def __init__(
        self,
        engine: Callable[[], Engine],
        handling: Handling,
        now: Callable[[], Moment],
    ) -> None:
        self._engine = engine
        self._handling = handling
        self._now = now

    def collect(self) -> Iterator[Metric]:
        """What stands open now."""
        engine, now = self._engine(), self._now()
        resets = resets_waiting(engine, now)
        standing = before_first_train(engine, self._handling, now)
        found: dict[str, GaugeMetricFamily] = {}
        for one in values(resets, standing, engine.line):
            labels = [name for name, _ in one.labels]
            gauge = found.setdefault(
                one.name,
                GaugeMetricFamily(f"{PREFIX}{one.name}", one.text, labels=labels),
            )
            gauge.add_metric([value for _, value in one.labels], one.value)
        yield from found.values()
