"""What can happen: one frozen class a kind, as the feed tells it.

An event says what was so at the trackside (`time`), who says it (`source`, `id`) and when we heard of it (`arrival`).
Passing time comes in too (`Engine.pass_time`), so that nothing in the core ever asks a clock.
The kinds and their fields are those of the feed's contract; `wire` makes them from bytes and writes them back.

Three times are kept apart, because confusing them makes false alarms:

- `time`: the moment at the trackside or evaluator, by the sender's clock;
- `arrival`: when this monitor received it, or None in a recording that does not say;
- and, in the stages after `ordering`, `at`: `time` corrected for a clock known to be wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from monitor.core.moments import Moment


class State(StrEnum):
    """What an evaluator says of a section."""

    CLEAR = "clear"
    OCCUPIED = "occupied"
    DISTURBED = "disturbed"
    AWAITING_SWEEP = "awaiting_sweep"
    AWAITING_ACKNOWLEDGEMENT = "awaiting_acknowledgement"


class ResetKind(StrEnum):
    """The ways of giving a section back."""

    UNCONDITIONAL = "unconditional"
    CONDITIONAL = "conditional"
    PREPARATORY = "preparatory"
    PREPARATORY_ACKNOWLEDGED = "preparatory_acknowledged"


class Step(StrEnum):
    """How far a reset has come."""

    REQUESTED = "requested"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    RESTORED = "restored"


class Direction(StrEnum):
    """Which way a train passed a head; forward is out of the first section of `between`, into the second."""

    FORWARD = "forward"
    REVERSE = "reverse"
    NONE = "none"


class Service(StrEnum):
    """What an evaluator says of itself."""

    IN_SERVICE = "in_service"
    LOCKED_OUT = "locked_out"
    ISOLATED = "isolated"


class RecordKind(StrEnum):
    """What the monitor itself did or learnt."""

    STARTED = "started"
    CONNECTED = "connected"
    DISCONNECTED = "disconnected"
    DRAINED = "drained"
    CLOCK = "clock"
    LEARNT = "learnt"
    SETTINGS = "settings"
    LINE = "line"
    WINDOW = "window"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What every event carries.

    Args:
        id: with *source*, names the event for ever.
        source: who says it.
        subject: the section, head, evaluator, gateway, source or monitor it speaks of.
        time: the moment at the trackside or evaluator, by the sender's clock.
        sequence: counts up by one per source, or None.
        arrival: when the monitor received it, or None where a recording does not say.
        retained: the broker sent it as a retained message.
        rehearsal: the name of the recording that a rehearsal plays, or None.
        extra: further fields of `data`, kept and ignored.
    """

    id: str
    source: str
    subject: str
    time: Moment
    sequence: int | None = None
    arrival: Moment | None = None
    retained: bool = False
    rehearsal: str | None = None
    extra: dict[str, Any] | None = field(default=None, compare=False)

    @property
    def name(self) -> str:
        """How evidence names this event: source and id."""
        return f"{self.source}#{self.id}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contacts:
    """The two proving contacts of a section; True is up."""

    clear: bool
    occupied: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionState(Event):
    """A section's evaluator says what it shows now.

    Args:
        state: what it shows.
        axles: tally now in the section; may be negative.
        contacts: the proving contacts.
        interlocking: what the interlocking takes the section for, `clear` or `occupied`.
        train: the running number, where the feed knows it; shown, never concluded from.
    """

    state: State
    axles: int | None = None
    contacts: Contacts | None = None
    interlocking: State | None = None
    train: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionReset(Event):
    """One step of the reset and restoration procedure was taken.

    Args:
        kind: the way of giving back.
        step: how far it has come.
        by: `technician` or `signaller`, where known.
    """

    kind: ResetKind
    step: Step
    by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionWork(Event):
    """Planned work took a section out of normal service, or gave it back.

    Args:
        begun: True where it began, False where it ended.
        reference: what the work is called, where known.
        planned_end: when it should end; shown, never acts.
    """

    begun: bool
    reference: str | None = None
    planned_end: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadPassage(Event):
    """One train, or part of one, has passed a head; `time` is its last axle.

    Args:
        direction: which way.
        axles: how many were counted.
        a: influences seen by sensor A, where known.
        b: influences seen by sensor B, where known.
        seconds: from first axle to last, where known.
    """

    direction: Direction
    axles: int
    a: int | None = None
    b: int | None = None
    seconds: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadLevel(Event):
    """Values were measured at the evaluator's test point of a head.

    Args:
        a_volts: level of sensor A.
        b_volts: level of sensor B.
        a_hertz: frequency of sensor A.
        b_hertz: frequency of sensor B.
        supply_volts: what feeds the head.
    """

    a_volts: float | None = None
    b_volts: float | None = None
    a_hertz: float | None = None
    b_hertz: float | None = None
    supply_volts: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluatorState(Event):
    """An evaluator says whether it works."""

    state: Service


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayStatus(Event):
    """A gateway is there (heartbeat), or its connection ended (the will it left with the broker).

    Args:
        online: False for the will; its `time` is that of connecting, so it is placed by arrival.
        period_s: seconds between heartbeats, where the gateway says so.
    """

    online: bool
    period_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceWatch(Event):
    """A person took a source out of watch (`out`), or put it back.

    The source spoken of is the subject.
    """

    out: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorRecord(Event):
    """The monitor did or learnt something; written by the monitor alone.

    Args:
        kind: what.
        values: with what values.
    """

    kind: RecordKind
    values: dict[str, Any] = field(default_factory=dict)


AnyEvent = (
    SectionState
    | SectionReset
    | SectionWork
    | HeadPassage
    | HeadLevel
    | EvaluatorState
    | GatewayStatus
    | SourceWatch
    | MonitorRecord
)
"""Every kind of event that a feed, a person or the monitor itself can tell."""

PEOPLE = ("desk/", "plan/")
"""How the sources begin under which people's entries are journaled; the monitor alone makes them."""


def by_people(source: str) -> bool:
    """Whether *source* stands for what a person entered rather than what equipment sent."""
    return source.startswith(PEOPLE)
