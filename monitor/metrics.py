"""Metrics: what Prometheus reads of the monitor, gathered at the moment it asks.

Two things are read: the engine, for what each section shows now, and `Counts`, which the daemon adds to as it goes.
Nothing is kept in a third place that could fall behind.

Names follow the Prometheus conventions: seconds and totals, one unit a name, labels of bounded sets.
A section's number of series is fixed by the line file, never by what comes from outside.

Counts of events and of what was found go back to the beginning of the journal, because a start folds it; counts of what the journal refused or had already, of commits and of connections start anew with the process.
"""

from __future__ import annotations

import time
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import get_args

from prometheus_client import (
    GC_COLLECTOR,
    PLATFORM_COLLECTOR,
    PROCESS_COLLECTOR,
    CollectorRegistry,
)
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector

from monitor.core.detector import Priority
from monitor.core.engine import Engine, Output
from monitor.core.events import ResetKind, State, Step
from monitor.core.facts import Fact
from monitor.core.moments import SECOND, Moment
from monitor.core.ordering import Outcome

COMMIT_BOUNDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0)
"""Seconds: from a disk with a battery to one that is about to fail."""


@dataclass(slots=True)
class Spread:
    """How durations were spread: a histogram.

    Args:
        bounds: upper bounds in seconds, rising; one more, without end, is implied.
    """

    bounds: tuple[float, ...] = COMMIT_BOUNDS
    counts: list[int] = field(init=False)
    total: float = 0.0

    def __post_init__(self) -> None:
        self.counts = [0] * (len(self.bounds) + 1)

    def note(self, seconds: float) -> None:
        """One thing took *seconds*."""
        self.counts[bisect_left(self.bounds, seconds)] += 1
        self.total += seconds

    def buckets(self) -> list[tuple[str, float]]:
        """Up to each bound, how many; the last is all."""
        heap, running = [], 0
        names = [*map(str, self.bounds), "+Inf"]
        for name, count in zip(names, list(self.counts), strict=True):
            running += count
            heap.append((name, float(running)))
        return heap


@dataclass(slots=True)
class Counts:
    """What the daemon counts as it goes.

    Args:
        repeated: events that the journal had already, and so did not pass on.
        rejected: payloads and parts of arrays that were refused, by the reason's label.
        commits: how long the journal took to commit.
        committing: since when it has been trying to, by a clock that only counts; None while nothing waits.
        connected: there is a connection to the broker.
        connections: how often one was made.
    """

    repeated: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    commits: Spread = field(default_factory=Spread)
    committing: float | None = None
    connected: bool = False
    connections: int = 0
    _facts: Counter[tuple[str, ...]] = field(default_factory=Counter)
    _latest: dict[tuple[str, ...], Moment] = field(default_factory=dict)

    def took(self, output: Output) -> None:
        """The engine gave out *output*: count what is new in it."""
        for fact in output.facts:
            match fact.kind:
                case "occupation" | "disturbance":
                    self._count(fact, (fact.kind, fact.subject))
                case "reset" if fact.values["step"] == Step.ACCEPTED:
                    self._count(fact, (fact.kind, fact.subject, fact.values["kind"]))

    def _count(self, fact: Fact, key: tuple[str, ...]) -> None:
        # A fact is given again when more is known of it; it counts once.
        if fact.began > self._latest.get(key, -1):
            self._latest[key] = fact.began
            self._facts[key] += 1

    def fact(self, *key: str) -> int:
        """How many facts of a kind, a subject, and for resets a kind of reset, there were."""
        return self._facts[key]


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """How a channel of delivery stands.

    Args:
        waiting: items that are still to be sent there.
        oldest_s: seconds for which the oldest of them has been due, 0 where there is none.
        sent: items that the receiver has, since the process began.
        failed: attempts that failed and are made again.
        refused: items that the receiver will not have.
    """

    waiting: int
    oldest_s: float
    sent: int
    failed: int
    refused: int


class Metrics(Collector):
    """Everything Prometheus is told, gathered when it asks.

    Args:
        engine: what each section shows, and which alerts are open, is read off it.
        counts: what the daemon counted.
        version: of the monitor.
        now: the daemon's clock.
        rehearsal: what is heard is played, not so.
        delivered: how each channel of delivery stands, by name.
        would_have_called: calls that a trial kept back, by priority.
        certificates: when each certificate in use ends, by its file's name.
    """

    def __init__(
        self,
        *,
        engine: Engine,
        counts: Counts,
        version: str,
        now: Callable[[], Moment],
        rehearsal: bool = False,
        delivered: Callable[[], Mapping[str, Delivered]] = dict,
        would_have_called: Callable[[], Mapping[str, int]] = dict,
        certificates: Callable[[], Mapping[str, Moment]] = dict,
    ) -> None:
        self._line = engine.line
        self._engine = engine
        self._counts = counts
        self._version = version
        self._now = now
        self._rehearsal = rehearsal
        self._delivered = delivered
        self._would_have_called = would_have_called
        self._certificates = certificates

    def registry(self) -> CollectorRegistry:
        """A registry of these and of the process itself; a new one at each call."""
        registry = CollectorRegistry()
        for collector in (self, PROCESS_COLLECTOR, PLATFORM_COLLECTOR, GC_COLLECTOR):
            registry.register(collector)
        return registry

    def collect(self) -> Iterator[Metric]:
        """What is so now."""
        yield from self._sections()
        yield from self._section_totals()
        yield from self._line_as_a_whole()
        yield from self._resets()
        yield from self._alerts()
        yield from self._intake()
        yield from self._delivery()
        yield from self._itself()

    def _sections(self) -> Iterator[Metric]:
        state = _gauge(
            "section_state", "1 at the state a section shows", *_PLACE, "state"
        )
        unknown = _gauge("section_not_known", "1 while its state is not known", *_PLACE)
        work = _gauge(
            "section_under_work", "1 while nothing is raised about it", *_PLACE
        )
        not_known = self._engine.not_known()
        for name, section in self._line.sections.items():
            place = [name, section.area]
            event = self._engine.shown(name).event
            for one in State:
                shows = event is not None and event.state is one
                state.add_metric([*place, one], float(shows))
            unknown.add_metric(place, float(name in not_known))
            work.add_metric(place, float(self._under_work(name)))
        yield state
        yield unknown
        yield work

    def _under_work(self, name: str) -> bool:
        return self._engine.occupancy.sections[name].under_work

    def _section_totals(self) -> Iterator[Metric]:
        taken = _counter("section_occupations", "Occupations", *_PLACE)
        lost = _counter("section_disturbances", "Disturbances", *_PLACE)
        reset = _counter("section_resets", "Accepted resets", *_PLACE, "kind")
        for name, section in self._line.sections.items():
            place, subject = [name, section.area], f"section/{name}"
            taken.add_metric(place, self._counts.fact("occupation", subject))
            lost.add_metric(place, self._counts.fact("disturbance", subject))
            for kind in ResetKind:
                count = self._counts.fact("reset", subject, kind)
                reset.add_metric([*place, kind], count)
        yield taken
        yield lost
        yield reset

    def _line_as_a_whole(self) -> Iterator[Metric]:
        sections = self._line.sections
        not_known = len(self._engine.not_known())
        work = sum(map(self._under_work, sections))
        yield _value("sections", "Sections of the line file", len(sections))
        yield _value(
            "sections_not_known", "Sections whose state is not known", not_known
        )
        yield _value("sections_under_work", "Sections under work", work)
        watermark = self._engine.watermark
        age = _gauge(
            "watermark_age_seconds",
            "How far conclusions are behind the clock; absent before the first event",
        )
        if watermark is not None:
            age.add_metric([], (self._now() - watermark) / SECOND)
        yield age

    def _resets(self) -> Iterator[Metric]:
        waiting = self._engine.resets_waiting()
        yield _value(
            "resets_waiting",
            "Sections with an accepted reset that no train has proved yet",
            len(waiting),
        )
        now = self._engine.watermark or 0
        ages = [(now - fact.began) / SECOND for fact in waiting.values()]
        yield _value(
            "resets_waiting_oldest_seconds",
            "For how long the oldest of them has waited, 0 where none does",
            max([0.0, *ages]),
        )

    def _alerts(self) -> Iterator[Metric]:
        # Every kind is there at 0, so that a rule sees the first one.
        kinds = sorted(one.kind for one in self._engine.settings.detectors)
        raised = _counter("alerts_raised", "Alerts raised", "kind")
        for kind in kinds:
            raised.add_metric([kind], self._engine.raised.get(kind, 0))
        yield raised
        current = _gauge("alerts_open", "Alerts that are open", "kind", "priority")
        alerts = list(self._engine.alerts.open.values())
        opened = Counter((alert.kind, alert.priority) for alert in alerts)
        for kind in kinds:
            for priority in get_args(Priority):
                current.add_metric([kind, priority], opened[kind, priority])
        yield current

    def _intake(self) -> Iterator[Metric]:
        events = _counter("events", "Events by what became of them", "outcome")
        for outcome, count in self._outcomes().items():
            events.add_metric([outcome], count)
        yield events
        yield _total(
            "unknown",
            "Events of places that the line file lacks; stored, not concluded from",
            self._engine.unknown,
        )
        rejected = _counter(
            "rejected", "Payloads rejected and kept, by reason", "reason"
        )
        for reason, number in sorted(dict(self._counts.rejected).items()):
            rejected.add_metric([reason], number)
        yield rejected
        commits = self._counts.commits
        yield HistogramMetricFamily(
            f"{_PREFIX}journal_commit_seconds",
            "How long the journal took to commit",
            buckets=commits.buckets(),
            sum_value=commits.total,
        )
        begun = self._counts.committing
        yield _value(
            "journal_waiting_seconds",
            "For how long what came has been waiting to be on disk",
            0.0 if begun is None else time.monotonic() - begun,
        )

    def _outcomes(self) -> dict[str, int]:
        counts = self._engine.ordering.counts
        return {
            # An event held until its source's clock is known is taken all the same.
            "taken": counts[Outcome.PLACED] + counts[Outcome.HELD],
            "late": counts[Outcome.LATE],
            "repeated": counts[Outcome.REPEAT] + self._counts.repeated,
            "retained": counts[Outcome.STILL],
        }

    def _delivery(self) -> Iterator[Metric]:
        waiting = _gauge("delivery_waiting", "Items still to be sent", "channel")
        oldest = _gauge(
            "delivery_oldest_seconds",
            "For how long the oldest of them has been due, 0 where there is none",
            "channel",
        )
        sent = _counter("delivery_sent", "Items that the receiver has", "channel")
        failed = _counter(
            "delivery_failed", "Attempts that failed and are made again", "channel"
        )
        refused = _counter(
            "delivery_refused", "Items that the receiver will not have", "channel"
        )
        for channel, one in sorted(self._delivered().items()):
            waiting.add_metric([channel], one.waiting)
            oldest.add_metric([channel], one.oldest_s)
            sent.add_metric([channel], one.sent)
            failed.add_metric([channel], one.failed)
            refused.add_metric([channel], one.refused)
        yield from _there(waiting, oldest, sent, failed, refused)
        would = _gauge(
            "trial_calls", "Calls that there would be but for the trial", "priority"
        )
        for priority, count in sorted(self._would_have_called().items()):
            would.add_metric([priority], count)
        yield from _there(would)

    def _itself(self) -> Iterator[Metric]:
        yield _value(
            "connected",
            "1 while there is a connection to the broker",
            self._counts.connected,
        )
        yield _total(
            "connections", "Connections made to the broker", self._counts.connections
        )
        yield _value(
            "rehearsal", "1 where what is heard is played, not so", self._rehearsal
        )
        ends = _gauge(
            "certificate_end_timestamp_seconds",
            "When a certificate in use is no longer valid",
            "file",
        )
        for file, end in sorted(self._certificates().items()):
            ends.add_metric([file], end / SECOND)
        yield from _there(ends)
        yield InfoMetricFamily(
            f"{_PREFIX}build", "Which monitor this is", value={"version": self._version}
        )


_PREFIX = "tallywatch_"
_PLACE = ("section", "area")


def _there(*families: Metric) -> Iterator[Metric]:
    """Those of which there is anything: nothing is said of channels where there are none."""
    return (one for one in families if one.samples)


def _gauge(name: str, text: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"{_PREFIX}{name}", text, labels=labels)


def _counter(name: str, text: str, *labels: str) -> CounterMetricFamily:
    return CounterMetricFamily(f"{_PREFIX}{name}", text, labels=labels)


def _value(name: str, text: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"{_PREFIX}{name}", text, value=float(value))


def _total(name: str, text: str, value: float) -> CounterMetricFamily:
    return CounterMetricFamily(f"{_PREFIX}{name}", text, value=float(value))
