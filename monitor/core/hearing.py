"""What was heard of each source: who speaks for a section, silence, and gaps.

A section's state is known only while somebody speaks for it.
Its source is that of its gateway, once the gateway's `gateway.status` has told which that is; before that, the source of its last event.

Silence is judged by heartbeat, for sources whose `gateway.status` has been heard, in settled time: when three periods have passed since the last event with none in between.
Any other source is judged by its own usual silences, once they are learnt.
It is not judged while time passes by events alone; what fell due then is judged once the queue is drained.
A gateway's will is timed by its arrival; one whose own time lies before the `online` that began the present connection speaks of an older one and is ignored.

"Known at t" needs more than no news: where heartbeats are sent, something of that source with a time after t must have come, and no gap may lie between (`heard_past`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.core.events import Event, GatewayStatus
from monitor.core.layout import Line
from monitor.core.moments import Duration, Moment, seconds
from monitor.core.silences import Limits, cell_of
from monitor.core.words import clock

PERIODS = 3
"""Heartbeats missed before a gateway counts as silent (common practice: one may be lost, two may be late)."""


@dataclass(slots=True)
class Heard:
    """What is known of one source.

    Args:
        last_at: its last event, settled.
        last: that event.
        gateway: which gateway it is the source of, once known.
        period: between two heartbeats, or None where it sends none.
        silent: it is judged silent, or its will came.
        out: a person took it out of watch.
        connected: when the `online` came that began its present connection.
        deferred: a silence fell due while none was judged.
        alive: until when it was heard of, by events that could not be settled in time.
    """

    last_at: Moment
    last: str
    gateway: str | None = None
    period: Duration | None = None
    silent: bool = False
    out: bool = False
    connected: Moment | None = None
    deferred: bool = False
    wake: Moment | None = None
    alive: Moment = 0


@dataclass(slots=True)
class Hearing:
    """Who speaks for what, and when they were heard.

    Args:
        line: the line file.
        default_period: between heartbeats where the gateway does not say.
        skew: how far apart two clocks may be.
        limits: how long sources without a heartbeat may be silent, as learnt.
    """

    line: Line
    default_period: Duration
    skew: Duration
    sources: dict[str, Heard] = field(default_factory=dict)
    speaks_for: dict[str, str] = field(default_factory=dict)
    gateway_source: dict[str, str] = field(default_factory=dict)
    limits: Limits = field(default_factory=dict)
    _named: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self._named = {}
        for section in self.line.sections.values():
            gateway = self.line.evaluators[section.evaluator].gateway
            if gateway is not None:
                self._named[section.id] = gateway

    def source_of(self, section: str) -> str | None:
        """Which source speaks for *section*, as far as is known."""
        gateway = self._named.get(section)
        if gateway is not None:
            source = self.gateway_source.get(gateway)
            if source is not None:
                return source
        return self.speaks_for.get(section)

    def sections_of(self, source: str) -> tuple[str, ...]:
        """The sections that *source* speaks for."""
        return tuple(
            section
            for section in self.line.sections
            if self.source_of(section) == source
        )

    def hear(self, event: Event, at: Moment) -> Heard:
        """One more event of a source was settled."""
        heard = self.sources.get(event.source)
        if heard is None:
            heard = self.sources[event.source] = Heard(at, event.name)
        elif at >= heard.last_at:
            heard.last_at, heard.last = at, event.name
        return heard

    def status(self, event: GatewayStatus, heard: Heard, *, restarted: bool) -> None:
        """A gateway says that it is online; *restarted* where it does so after a silence or a gap."""
        heard.gateway = event.subject
        self.gateway_source[event.subject] = event.source
        period = event.period_s
        if period is not None:
            heard.period = max(1, seconds(period))
        elif heard.period is None:
            heard.period = self.default_period
        if heard.connected is None or restarted:
            heard.connected = event.time

    def is_stale_will(self, event: GatewayStatus, heard: Heard) -> bool:
        """Whether an `offline` speaks of a connection before the present one.

        A gateway fixes its will just before it says `online`, so a will may be older by a little and still be that of the present connection: up to the skew.
        """
        return heard.connected is not None and event.time < heard.connected - self.skew

    def silence_due(self, source: str, heard: Heard) -> Moment | None:
        """When silence alone will show that a source is not heard; None where that cannot be judged."""
        if heard.silent or heard.out:
            return None
        last = max(heard.last_at, heard.alive)
        if heard.period is not None:
            return last + PERIODS * heard.period
        limits = self.limits.get(source)
        limit = None if limits is None else limits[cell_of(last, self.line.zone)]
        return None if limit is None else last + limit

    def explain(self, source: str, at: Moment) -> list[str]:
        """When *source* was heard last, and when its silence is due, in sentences."""
        heard = self.sources.get(source)
        if heard is None:
            return [f"{source} has not been heard in what is looked at."]
        last = clock(heard.last_at, self.line.zone, at)
        said = f"{source} was heard last at {last}"
        due = self.silence_due(source, heard)
        if heard.out:
            return [f"{said}; it is out of watch."]
        if heard.silent:
            return [f"{said}; it is silent."]
        if due is None:
            said += "; it sends no heartbeat, and its usual silences are not learnt"
            return [f"{said}: whether it is silent cannot be judged yet."]
        return [f"{said}; it counts as silent from {clock(due, self.line.zone, at)}."]

    def heard_past(self, source: str | None, moment: Moment) -> Moment | None:
        """The event time by which *source* is known to have been heard at *moment*; None while that is not known.

        A source without heartbeats cannot be asked: it counts as heard.
        """
        heard = self.sources.get(source) if source is not None else None
        if heard is None or heard.period is None:
            return moment
        if heard.silent or heard.last_at <= moment:
            return None
        return heard.last_at
