"""From bytes to events or rejections, and back: CloudEvents 1.0 in structured JSON.

`read` never raises: whatever comes is data.
What cannot be taken is a rejection with a one-line reason for people and a label from a small set for counting.
An array gives its good events and one rejection for each bad member.

One decoder serves the live feed and every recording.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic_core import from_json

from monitor.core.events import (
    AnyEvent,
    Contacts,
    Direction,
    EvaluatorState,
    Event,
    GatewayStatus,
    HeadLevel,
    HeadPassage,
    MonitorRecord,
    RecordKind,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    Service,
    SourceWatch,
    State,
    Step,
    by_people,
)
from monitor.core.moments import Moment, exact, parse

LARGEST = 256 * 1024
"""Bytes; a larger payload is no event of a train detection feed."""

PREFIX = "tallywatch."


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejection:
    """Something that is no event.

    Args:
        reason: why, in one line.
        label: why, from a small set, for counting.
    """

    reason: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one payload gave.

    Args:
        events: in their order.
        rejections: what was no event.
    """

    events: tuple[AnyEvent, ...] = ()
    rejections: tuple[Rejection, ...] = ()


LABELS = (
    "too_large",
    "not_utf8",
    "not_json",
    "too_deep",
    "not_an_event",
    "missing_attribute",
    "bad_attribute",
    "bad_time",
    "unknown_type",
    "bad_data",
    "topic_mismatch",
    "reserved",
    "rehearsal",
)
"""Every label that a rejection may bear."""


class _Refused(Exception):
    def __init__(self, label: str, reason: str) -> None:
        super().__init__(reason)
        self.label = label


def read(
    payload: bytes,
    *,
    topic: str | None = None,
    arrival: Moment | None = None,
    retained: bool = False,
    recorded: bool = False,
    live: bool = False,
    rehearsal: bool = False,
) -> Reading:
    """The events of one payload, or why there are none.

    *topic*: of a message; an event alone on a topic whose id disagrees with its subject is refused.
    *arrival*, *retained*: what the monitor knows of the message.
    *recorded*: arrival and retained stand in the event itself (recordings, feeds that are played); else what stands there is ignored.
    *live*: it comes from a broker, where people's entries, the monitor's own records and, unless *rehearsal*, rehearsal events are refused.
    """
    if len(payload) > LARGEST:
        return _rejected(
            "too_large", f"{len(payload)} bytes; at most {LARGEST} are taken"
        )
    try:
        raw = from_json(payload, allow_inf_nan=False, cache_strings="keys")
    except ValueError as error:
        return _not_json(payload, error)
    door = _Door(topic, arrival, retained, recorded, live, rehearsal)
    if not isinstance(raw, list):
        try:
            return Reading(events=(door.event(raw, alone=True),))
        except _Refused as error:
            return _rejected(error.label, str(error))
    if not raw:
        return _rejected("not_an_event", "an array with no event in it")
    events, rejections = [], []
    for place, one in enumerate(raw, 1):
        try:
            events.append(door.event(one, alone=False))
        except _Refused as error:
            reason = _one_line(f"event {place} of {len(raw)}: {error}")
            rejections.append(Rejection(reason=reason, label=error.label))
    return Reading(events=tuple(events), rejections=tuple(rejections))


def _rejected(label: str, reason: str) -> Reading:
    return Reading(rejections=(Rejection(reason=_one_line(reason), label=label),))


def _one_line(text: str) -> str:
    printable = "".join(c if c.isprintable() else "?" for c in text)
    return printable if len(printable) <= 200 else printable[:197] + "..."


def _not_json(payload: bytes, error: ValueError) -> Reading:
    try:
        payload.decode()
    except UnicodeDecodeError as fault:
        return _rejected("not_utf8", f"not UTF-8 at byte {fault.start}")
    if "recursion" in str(error):
        return _rejected("too_deep", "nested too deep")
    return _rejected("not_json", f"not JSON: {error}")


# Reading one event.


@dataclass(slots=True)
class _Door:
    topic: str | None
    arrival: Moment | None
    retained: bool
    recorded: bool
    live: bool
    rehearsal: bool

    def event(self, raw: Any, *, alone: bool) -> AnyEvent:
        if type(raw) is not dict:
            raise _Refused("not_an_event", f"expected an object, came {_kind(raw)}")
        kind = _text(raw, "type")
        build = _KINDS.get(kind)
        if build is None:
            raise _Refused("unknown_type", f"type {kind[:60]} is not known")
        if raw.get("specversion") != "1.0":
            raise _Refused(
                "bad_attribute",
                f'specversion: expected "1.0", came {_show(raw.get("specversion"))}',
            )
        common = self._common(raw)
        if alone and self.topic is not None:
            self._topic(common["subject"])
        if self.live:
            self._from_a_broker(kind, common)
        data = raw.get("data")
        if type(data) is not dict:
            raise _Refused("bad_data", f"data: expected an object, came {_kind(data)}")
        return build(data, common)

    def _common(self, raw: dict[str, Any]) -> dict[str, Any]:
        arrival, retained = self.arrival, self.retained
        if self.recorded:
            recorded = raw.get("recordedtime")
            arrival = None if recorded is None else _moment(recorded, "recordedtime")
            retained = _flag(raw.get("recordedretained"), "recordedretained")
        common = {
            "id": _text(raw, "id"),
            "source": _text(raw, "source"),
            "subject": _text(raw, "subject"),
            "time": _moment(_text(raw, "time"), "time"),
            "sequence": _sequence(raw.get("sequence")),
            "arrival": arrival,
            "retained": retained,
        }
        rehearsal = raw.get("rehearsal")
        if rehearsal is not None:
            common["rehearsal"] = _text(raw, "rehearsal")
        return common

    def _topic(self, subject: str) -> None:
        levels = (self.topic or "").split("/")
        named = levels[-2] if len(levels) > 1 else ""
        if named != subject:
            raise _Refused(
                "topic_mismatch",
                f"the topic names {named[:60]!r}, the subject is {subject[:60]!r}",
            )

    def _from_a_broker(self, kind: str, common: dict[str, Any]) -> None:
        if by_people(common["source"]) or kind in _OURS:
            raise _Refused(
                "reserved",
                f"{kind} from {common['source'][:60]}: only the monitor makes these",
            )
        if common.get("rehearsal") is not None and not self.rehearsal:
            raise _Refused(
                "rehearsal",
                f"a rehearsal of {common['rehearsal'][:60]}; "
                "the monitor was not started with --rehearsal",
            )


def _kind(value: object) -> str:
    return {
        type(None): "nothing",
        bool: "true or false",
        int: "a number",
        float: "a number",
        str: "a text",
        list: "an array",
        dict: "an object",
    }[type(value)]


def _show(value: object) -> str:
    return json.dumps(value)[:40]


def _text(raw: Mapping[str, Any], name: str) -> str:
    value = raw.get(name)
    if type(value) is str and value:
        if len(value) > 300:
            raise _Refused("bad_attribute", f"{name}: longer than 300 characters")
        return value
    if value is None:
        raise _Refused("missing_attribute", f"{name} is missing")
    raise _Refused("bad_attribute", f"{name}: expected a text, came {_show(value)}")


def _moment(value: object, name: str) -> Moment:
    if type(value) is not str:
        raise _Refused("bad_time", f"{name}: expected a time, came {_show(value)}")
    try:
        return parse(value)
    except ValueError as error:
        raise _Refused("bad_time", f"{name}: {error}") from None


def _flag(value: object, name: str) -> bool:
    if value is None:
        return False
    if type(value) is bool:
        return value
    raise _Refused("bad_attribute", f"{name}: expected true or false")


_DIGITS = re.compile(r"\d{1,18}", re.ASCII)


def _sequence(value: object) -> int | None:
    if value is None:
        return None
    if type(value) is int and 0 <= value < 10**18:
        return value
    if type(value) is str and _DIGITS.fullmatch(value):
        return int(value)
    raise _Refused(
        "bad_attribute",
        f"sequence: expected up to 18 decimal digits, came {_show(value)}",
    )


# Reading `data`: what a field may be. Each takes a value that is not None.


def _one_of(kind: type[Any]) -> Callable[[object], Any]:
    values = {member.value: member for member in kind}
    allowed = ", ".join(values)

    def read_value(value: object) -> Any:
        found = values.get(value) if type(value) is str else None
        if found is None:
            raise ValueError(f"expected one of {allowed}")
        return found

    return read_value


def _whole(value: object) -> int:
    if type(value) is int and -(2**53) <= value <= 2**53:
        return value
    if type(value) is float and value.is_integer() and abs(value) <= 2**53:
        return int(value)
    raise ValueError("expected a whole number")


def _count(value: object) -> int:
    number = _whole(value)
    if number < 0:
        raise ValueError("expected a number not below nought")
    return number


def _number(value: object) -> float:
    if type(value) in (int, float) and math.isfinite(value):  # type: ignore[arg-type]
        return float(value)  # type: ignore[arg-type]
    raise ValueError("expected a number")


def _length(value: object) -> float:
    number = _number(value)
    if number < 0:
        raise ValueError("expected a number not below nought")
    return number


def _string(value: object) -> str:
    if type(value) is str:
        return value[:300]
    raise ValueError("expected a text")


def _when(value: object) -> Moment:
    return parse(_string(value))


def _contacts(value: object) -> Contacts:
    if type(value) is dict:
        clear, occupied = value.get("clear"), value.get("occupied")
        if type(clear) is bool and type(occupied) is bool:
            return Contacts(clear=clear, occupied=occupied)
    raise ValueError("expected clear and occupied, each true or false")


def _object(value: object) -> dict[str, Any]:
    if type(value) is dict:
        return value
    raise ValueError("expected an object")


_INTERLOCKING = {"clear": State.CLEAR, "occupied": State.OCCUPIED}


def _interlocking(value: object) -> State:
    found = _INTERLOCKING.get(value) if type(value) is str else None
    if found is None:
        raise ValueError("expected one of clear, occupied")
    return found


def _either(yes: str, no: str) -> Callable[[object], bool]:
    def read_value(value: object) -> bool:
        if value == yes:
            return True
        if value == no:
            return False
        raise ValueError(f"expected one of {yes}, {no}")

    return read_value


Field = tuple[str, Callable[[object], Any], bool]
"""The name in the event class, how it is read, and whether it must be there."""

_STATE = _one_of(State)


def _reader(
    make: type[Any], fields: dict[str, Field]
) -> Callable[[dict[str, Any], dict[str, Any]], Any]:
    required = [name for name, (_, _, must) in fields.items() if must]

    def build(data: dict[str, Any], common: dict[str, Any]) -> Any:
        extra = None
        for name, value in data.items():
            one = fields.get(name)
            if one is None:
                extra = extra or {}
                extra[name] = value
            elif value is not None:
                try:
                    common[one[0]] = one[1](value)
                except ValueError as error:
                    raise _Refused(
                        "bad_data", f"data.{name}: {error}, came {_show(value)}"
                    ) from None
        for name in required:
            if fields[name][0] not in common:
                raise _Refused("bad_data", f"data.{name} is missing")
        if extra is not None:
            common["extra"] = extra
        return make(**common)

    return build


_SHAPES: dict[str, tuple[type[Any], dict[str, Field]]] = {
    "section.state": (
        SectionState,
        {
            "state": ("state", _STATE, True),
            "axles": ("axles", _whole, False),
            "contacts": ("contacts", _contacts, False),
            "interlocking": ("interlocking", _interlocking, False),
            "train": ("train", _string, False),
        },
    ),
    "section.reset": (
        SectionReset,
        {
            "kind": ("kind", _one_of(ResetKind), True),
            "step": ("step", _one_of(Step), True),
            "by": ("by", _string, False),
        },
    ),
    "section.work": (
        SectionWork,
        {
            "state": ("begun", _either("begun", "ended"), True),
            "reference": ("reference", _string, False),
            "planned_end": ("planned_end", _when, False),
        },
    ),
    "head.passage": (
        HeadPassage,
        {
            "direction": ("direction", _one_of(Direction), True),
            "axles": ("axles", _count, True),
            "a": ("a", _count, False),
            "b": ("b", _count, False),
            "seconds": ("seconds", _length, False),
        },
    ),
    "head.level": (
        HeadLevel,
        {
            name: (name, _number, False)
            for name in ("a_volts", "b_volts", "a_hertz", "b_hertz", "supply_volts")
        },
    ),
    "evaluator.state": (EvaluatorState, {"state": ("state", _one_of(Service), True)}),
    "gateway.status": (
        GatewayStatus,
        {
            "state": ("online", _either("online", "offline"), True),
            "period_s": ("period_s", _length, False),
        },
    ),
    "source.watch": (SourceWatch, {"state": ("out", _either("out", "in"), True)}),
}

_OURS = frozenset({PREFIX + "monitor.record", PREFIX + "source.watch"})
"""What the monitor alone makes."""


def _read_record(data: dict[str, Any], common: dict[str, Any]) -> MonitorRecord:
    values = dict(data)
    try:
        kind = _one_of(RecordKind)(values.pop("kind", None))
    except ValueError as error:
        raise _Refused("bad_data", f"data.kind: {error}") from None
    return MonitorRecord(**common, kind=kind, values=values)


_KINDS: dict[str, Callable[[dict[str, Any], dict[str, Any]], AnyEvent]] = {
    PREFIX + name: _reader(make, fields) for name, (make, fields) in _SHAPES.items()
} | {PREFIX + "monitor.record": _read_record}


# Writing.

_NAMES: dict[type[Any], str] = {make: name for name, (make, _) in _SHAPES.items()} | {
    MonitorRecord: "monitor.record"
}

_EITHER = {
    ("section.work", "state"): ("begun", "ended"),
    ("gateway.status", "state"): ("online", "offline"),
    ("source.watch", "state"): ("out", "in"),
}


def write(event: AnyEvent) -> bytes:
    """*event* as one line of CloudEvents JSON, without a line feed; `read` with *recorded* gives it back."""
    name = _NAMES[type(event)]
    line: dict[str, Any] = {
        "specversion": "1.0",
        "id": event.id,
        "source": event.source,
        "type": PREFIX + name,
        "subject": event.subject,
        "time": exact(event.time),
    }
    if event.sequence is not None:
        line["sequence"] = str(event.sequence)
    if event.arrival is not None:
        line["recordedtime"] = exact(event.arrival)
    if event.retained:
        line["recordedretained"] = True
    if event.rehearsal is not None:
        line["rehearsal"] = event.rehearsal
    line["data"] = _data(event, name)
    return json.dumps(line, ensure_ascii=False, separators=(",", ":")).encode()


def _data(event: Event, name: str) -> dict[str, Any]:
    if isinstance(event, MonitorRecord):
        return {"kind": event.kind.value, **event.values}
    data: dict[str, Any] = {}
    for key, (attribute, _, _) in _SHAPES[name][1].items():
        value = getattr(event, attribute)
        if value is None:
            continue
        either = _EITHER.get((name, key))
        if either is not None:
            data[key] = either[0] if value else either[1]
        elif isinstance(value, Contacts):
            data[key] = {"clear": value.clear, "occupied": value.occupied}
        elif key == "planned_end":
            data[key] = exact(value)
        else:
            data[key] = value
    return data | (event.extra or {})
