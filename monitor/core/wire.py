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
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, NoReturn

from pydantic_core import from_json, to_json

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

LONGEST = 300
"""Characters of an attribute, or of a text in `data`."""

PREFIX = "tallywatch."

OWN = b'"type":"tallywatch.monitor.record"'
"""In a recording the monitor's own records may be larger: one holds what was learnt of every section."""


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
    *recorded*: arrival, and that it was retained, stand in the event itself (recordings, feeds that are played); else what stands there is ignored.
    *live*: it comes from a broker, where people's entries, the monitor's own records and, unless *rehearsal*, rehearsal events are refused.
    """
    if len(payload) > LARGEST and not (recorded and OWN in payload[:LARGEST]):
        return _rejected("too_large", f"longer than {LARGEST} bytes")
    try:
        raw = from_json(payload, allow_inf_nan=False, cache_strings="keys")
    except ValueError as error:
        return _not_json(payload, error)
    how = (arrival, retained, recorded, live, rehearsal)
    if type(raw) is not list:
        try:
            return Reading(events=(_event(raw, topic, *how),))
        except _Refused as error:
            return _rejected(error.label, str(error))
    if not raw:
        return _rejected("not_an_event", "an array with no event in it")
    events, rejections = [], []
    for place, one in enumerate(raw, 1):
        try:
            # Of many events the topic can name only one: it is not compared.
            events.append(_event(one, None, *how))
        except _Refused as error:
            reason = _one_line(f"event {place} of {len(raw)}: {error}")
            rejections.append(Rejection(reason=reason, label=error.label))
    return Reading(events=tuple(events), rejections=tuple(rejections))


def _rejected(label: str, reason: str) -> Reading:
    return Reading(rejections=(Rejection(reason=_one_line(reason), label=label),))


def _one_line(text: str) -> str:
    printable = _printable(text)
    return printable if len(printable) <= 200 else printable[:197] + "..."


def _printable(text: str) -> str:
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else "?" for c in text)


def _not_json(payload: bytes, error: ValueError) -> Reading:
    try:
        payload.decode()
    except UnicodeDecodeError as fault:
        return _rejected("not_utf8", f"not UTF-8 at byte {fault.start}")
    if "recursion" in str(error):
        return _rejected("too_deep", "nested too deep")
    if not payload:
        return _rejected("not_json", "not JSON: no bytes came")
    return _rejected("not_json", f"not JSON: {error}")


# Reading one event.


def _slot(kind: type[Event], name: str) -> Callable[[Event, Any], None]:
    """What sets the field *name* of a new event of *kind*.

    The events are frozen, and their own `__init__` goes round that for each field by a look-up; straight to the slots takes half the time, which tells in a recording of millions.
    """
    setter: Callable[[Event, Any], None] = kind.__dict__[name].__set__
    return setter


_set_id = _slot(Event, "id")
_set_source = _slot(Event, "source")
_set_subject = _slot(Event, "subject")
_set_time = _slot(Event, "time")
_set_sequence = _slot(Event, "sequence")
_set_arrival = _slot(Event, "arrival")
_set_retained = _slot(Event, "retained")
_set_rehearsal = _slot(Event, "rehearsal")
_set_extra = _slot(Event, "extra")


def _event(  # noqa: PLR0917 - by place, since it is called for every event of a recording
    raw: Any,
    topic: str | None,
    arrival: Moment | None,
    retained: bool,
    recorded: bool,
    live: bool,
    rehearsal: bool,
) -> Any:
    if type(raw) is not dict:
        raise _Refused("not_an_event", f"expected an object, came {_kind(raw)}")
    get: Callable[[str], Any] = raw.get
    kind, data = get("type"), get("data")
    shape = _SHAPES.get(kind) if type(kind) is str else None
    if shape is None or type(data) is not dict or get("specversion") != "1.0":
        _explain(raw)
    named, source, subject = get("id"), get("source"), get("subject")
    # Looked at together; one by one only where something may be wrong.
    try:
        joined = "".join((named, source, subject))  # noqa: FLY002 - refuses what is no text
        plain = len(joined) <= LONGEST and joined.isprintable()
    except TypeError:
        plain = False
    if not (plain and named and source and subject):
        for name in ("id", "source", "subject"):
            _text(raw, name)
    if topic is not None:
        _compare(topic, subject)
    event = object.__new__(shape.make)
    _set_id(event, named)
    _set_source(event, source)
    _set_subject(event, subject)
    _set_time(event, _moment(get("time"), "time"))
    sequence = get("sequence")
    _set_sequence(event, None if sequence is None else _sequence(sequence))
    if recorded:
        arrival = get("recordedtime")
        if arrival is not None:
            arrival = _moment(arrival, "recordedtime")
        # What is played may be retained by the broker itself, too.
        retained = _flag(get("recordedretained"), "recordedretained") or retained
    _set_arrival(event, arrival)
    _set_retained(event, retained)
    played = get("rehearsal")
    _set_rehearsal(event, None if played is None else _text(raw, "rehearsal"))
    if live:
        _from_a_broker(kind, source, played, rehearsal)
    shape.fill(event, data)
    return event


def _explain(raw: dict[str, Any]) -> NoReturn:
    """Say what of the outer shape of an event is wrong."""
    kind = _text(raw, "type")
    version, data = _text(raw, "specversion"), raw.get("data")
    if version != "1.0":
        raise _Refused(
            "bad_attribute", f'specversion: expected "1.0", came {_show(version)}'
        )
    if kind not in _SHAPES:
        raise _Refused("unknown_type", f"type {kind[:60]} is not known")
    if data is None:
        raise _Refused("missing_attribute", "data is missing")
    raise _Refused("bad_data", f"data: expected an object, came {_kind(data)}")


def _compare(topic: str, subject: str) -> None:
    """The last level of a topic but one names the subject."""
    levels = topic.rsplit("/", 2)
    named = levels[-2] if len(levels) > 1 else ""
    if named != subject:
        raise _Refused(
            "topic_mismatch",
            f"the topic names {named[:60]!r}, the subject is {subject[:60]!r}",
        )


def _from_a_broker(kind: str, source: str, played: str | None, rehearsal: bool) -> None:
    if kind in _OURS or by_people(source):
        raise _Refused(
            "reserved", f"{kind} from {source[:60]}: only the monitor makes these"
        )
    if played is not None and not rehearsal:
        raise _Refused(
            "rehearsal",
            f"a rehearsal of {played[:60]}; "
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


_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\ufffe\uffff]")
"""What CloudEvents allows in no attribute."""


def _text(raw: dict[str, Any], name: str) -> str:
    value = raw.get(name)
    if value is None:
        raise _Refused("missing_attribute", f"{name} is missing")
    if type(value) is not str or not value:
        raise _Refused("bad_attribute", f"{name}: expected a text, came {_show(value)}")
    if len(value) > LONGEST:
        raise _Refused("bad_attribute", f"{name}: longer than {LONGEST} characters")
    if _CONTROL.search(value):
        raise _Refused("bad_attribute", f"{name}: a control sign in {_show(value)}")
    return value


def _moment(value: object, name: str) -> Moment:
    if value is None:
        raise _Refused("missing_attribute", f"{name} is missing")
    if type(value) is not str:
        raise _Refused("bad_time", f"{name}: expected a time, came {_show(value)}")
    try:
        return parse(value)
    except ValueError as error:
        told = str(error) if name == "time" else f"{name}: {error}"
        raise _Refused("bad_time", told) from None


def _flag(value: object, name: str) -> bool:
    if value is None:
        return False
    if type(value) is bool:
        return value
    raise _Refused("bad_attribute", f"{name}: expected true or false")


def _sequence(value: object) -> int:
    if type(value) is str:
        if len(value) <= 18 and value.isdecimal() and value.isascii():
            return int(value)
    elif type(value) is int and 0 <= value < 10**18:
        return value
    raise _Refused(
        "bad_attribute",
        f"sequence: expected up to 18 decimal digits, came {_show(value)}",
    )


# Reading `data`: what a field may be. Each takes a value that is not None.


def _one_of(*words: str) -> Callable[[object], Any]:
    """Reads one of *words*, which may be the members of an enumeration."""
    values = {str(word): word for word in words}
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
    if type(value) is float or type(value) is int:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if math.isfinite(number):
            return number
    raise ValueError("expected a number")


def _length(value: object) -> float:
    number = _number(value)
    if number < 0:
        raise ValueError("expected a number not below nought")
    return number


def _string(value: object) -> str:
    # Only shown, so that a long one is cut rather than the event refused.
    if type(value) is str:
        return _printable(value[:LONGEST])
    raise ValueError("expected a text")


def _when(value: object) -> Moment:
    return parse(_string(value))


def _contacts(value: object) -> Contacts:
    if type(value) is dict:
        clear, occupied = value.get("clear"), value.get("occupied")
        if type(clear) is bool and type(occupied) is bool:
            return Contacts(clear=clear, occupied=occupied)
    raise ValueError("expected clear and occupied, each true or false")


def _refuse_infinite(name: str, value: object) -> None:
    """JSON has no infinity, but 1e999 reads as one; kept, it could not be written again."""
    if type(value) is float:
        if not math.isfinite(value):
            raise _Refused("bad_data", f"data.{name}: a number too large")
    elif type(value) is dict:
        for inner in value.values():
            _refuse_infinite(name, inner)
    elif type(value) is list:
        for inner in value:
            _refuse_infinite(name, inner)


@dataclass(frozen=True, slots=True)
class _Field:
    """A field of `data`.

    Args:
        read: makes the event's value of one that is not None, or raises ValueError with what was expected.
        attribute: its name in the event, where it is another.
        must: whether it must be there.
        write: the way back, where the value is not written as it is.
    """

    read: Callable[[object], Any]
    attribute: str = ""
    must: bool = False
    write: Callable[[Any], Any] | None = None


def _either(attribute: str, yes: str, no: str) -> _Field:
    words = {yes: True, no: False}
    word = _one_of(yes, no)
    return _Field(
        lambda value: words[word(value)],
        attribute,
        must=True,
        write=lambda value: yes if value else no,
    )


def _write_contacts(value: Contacts) -> dict[str, bool]:
    return {"clear": value.clear, "occupied": value.occupied}


class _Shape:
    """What `data` of one kind of event may hold, and how it becomes an event's own fields."""

    def __init__(self, make: type[Event], **known: _Field) -> None:
        self.make = make
        self.known = {
            name: (field.attribute or name, field) for name, field in known.items()
        }
        self._fields = {
            name: (_slot(make, attribute), field.read)
            for name, (attribute, field) in self.known.items()
        }
        self._must = [name for name, field in known.items() if field.must]
        told = {self.known[name][0] for name in self._must}
        inherited = {field.name for field in fields(Event)}
        self._optional = [
            _slot(make, field.name)
            for field in fields(make)
            if field.name not in inherited | told
        ]

    def fill(self, event: Event, data: dict[str, Any]) -> None:
        """Set the fields of *event* beyond those that every event has."""
        extra = None
        for setter in self._optional:
            setter(event, None)
        name = ""
        try:
            for name, value in data.items():
                one = self._fields.get(name)
                if one is None:
                    _refuse_infinite(name, value)
                    extra = extra or {}
                    extra[name] = value
                elif value is not None:
                    one[0](event, one[1](value))
        except ValueError as error:
            raise _Refused(
                "bad_data", f"data.{name}: {error}, came {_show(data[name])}"
            ) from None
        for must in self._must:
            if data.get(must) is None:
                raise _Refused("bad_data", f"data.{must} is missing")
        _set_extra(event, extra)

    def data(self, event: Any) -> dict[str, Any]:
        """The `data` of *event*."""
        data = dict(event.extra or {})
        for name, (attribute, field) in self.known.items():
            value = getattr(event, attribute)
            if value is not None:
                data[name] = value if field.write is None else field.write(value)
        return data


class _Levels(_Shape):
    """Of the values that can be measured any may be there, but not none."""

    def fill(self, event: Event, data: dict[str, Any]) -> None:
        """Set the fields of *event* beyond those that every event has."""
        super().fill(event, data)
        if all(data.get(name) is None for name in self.known):
            raise _Refused("bad_data", f"data: expected any of {', '.join(self.known)}")


class _Record(_Shape):
    """A record of the monitor: whatever it holds beside its kind are its values."""

    _set_kind = staticmethod(_slot(MonitorRecord, "kind"))
    _set_values = staticmethod(_slot(MonitorRecord, "values"))
    _kind_of = staticmethod(_one_of(*RecordKind))

    def __init__(self) -> None:
        super().__init__(MonitorRecord)

    def fill(self, event: Event, data: dict[str, Any]) -> None:
        """Set the fields of *event* beyond those that every event has."""
        values = dict(data)
        try:
            self._set_kind(event, self._kind_of(values.pop("kind", None)))
        except ValueError as error:
            raise _Refused("bad_data", f"data.kind: {error}") from None
        for name, value in values.items():
            _refuse_infinite(name, value)
        self._set_values(event, values)
        _set_extra(event, None)

    def data(self, event: Any) -> dict[str, Any]:
        """The `data` of *event*."""
        return {**event.values, "kind": event.kind}


_SHAPES = {
    PREFIX + name: shape
    for name, shape in {
        "section.state": _Shape(
            SectionState,
            state=_Field(_one_of(*State), must=True),
            axles=_Field(_whole),
            contacts=_Field(_contacts, write=_write_contacts),
            interlocking=_Field(_one_of(State.CLEAR, State.OCCUPIED)),
            train=_Field(_string),
        ),
        "section.reset": _Shape(
            SectionReset,
            kind=_Field(_one_of(*ResetKind), must=True),
            step=_Field(_one_of(*Step), must=True),
            by=_Field(_one_of("technician", "signaller")),
        ),
        "section.work": _Shape(
            SectionWork,
            state=_either("begun", "begun", "ended"),
            reference=_Field(_string),
            planned_end=_Field(_when, write=exact),
        ),
        "head.passage": _Shape(
            HeadPassage,
            direction=_Field(_one_of(*Direction), must=True),
            axles=_Field(_count, must=True),
            a=_Field(_count),
            b=_Field(_count),
            seconds=_Field(_length),
        ),
        "head.level": _Levels(
            HeadLevel,
            a_volts=_Field(_number),
            b_volts=_Field(_number),
            a_hertz=_Field(_number),
            b_hertz=_Field(_number),
            supply_volts=_Field(_number),
        ),
        "evaluator.state": _Shape(
            EvaluatorState, state=_Field(_one_of(*Service), must=True)
        ),
        "gateway.status": _Shape(
            GatewayStatus,
            state=_either("online", "online", "offline"),
            period_s=_Field(_length),
        ),
        "source.watch": _Shape(SourceWatch, state=_either("out", "out", "in")),
        "monitor.record": _Record(),
    }.items()
}
"""By the type on the wire."""

_OURS = frozenset({PREFIX + "monitor.record", PREFIX + "source.watch"})
"""What the monitor alone makes."""

TYPES = tuple(_SHAPES)
"""Every type that is known."""


# Writing.

_TYPES = {shape.make: (kind, shape) for kind, shape in _SHAPES.items()}


def type_of(event: AnyEvent) -> str:
    """The `type` that *event* bears on the wire."""
    return _TYPES[type(event)][0]


def write(event: AnyEvent) -> bytes:
    """*event* as one line of CloudEvents JSON, without a line feed; `read` with *recorded* gives it back."""
    kind, shape = _TYPES[type(event)]
    line: dict[str, Any] = {
        "specversion": "1.0",
        "id": event.id,
        "source": event.source,
        "type": kind,
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
    line["data"] = shape.data(event)
    return to_json(line, inf_nan_mode="null")
