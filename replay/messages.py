"""What is published of a recording that is played: topic and payload, as a gateway has them, under `rehearsal/`.

What only a monitor may write (its own records, and what people enter) is left out, since every monitor refuses that from a broker.
"""

from __future__ import annotations

from monitor.core.events import (
    AnyEvent,
    EvaluatorState,
    GatewayStatus,
    HeadLevel,
    HeadPassage,
    MonitorRecord,
    SectionReset,
    SectionState,
    SectionWork,
    SourceWatch,
    by_people,
)
from monitor.core.layout import Line
from monitor.core.wire import write

# What the topic says of a kind: class and what.
_TOPICS: dict[type, tuple[str, str]] = {
    SectionState: ("section", "state"),
    SectionReset: ("section", "reset"),
    SectionWork: ("section", "work"),
    HeadPassage: ("head", "passage"),
    HeadLevel: ("head", "level"),
    EvaluatorState: ("evaluator", "state"),
    GatewayStatus: ("gateway", "status"),
}

NO_AREA = "line"
"""Stands in a topic for the area of what belongs to none: the sender's choice, it carries no meaning."""


def message(event: AnyEvent, line: Line) -> tuple[str, bytes]:
    """The topic and the payload with which *event* is played.

    The topic is such as `rehearsal/thornmere/section/T107/state`.
    An id with a character that means something in a topic cannot stand there as it is; then the event goes out as an array of one, whose topic is not compared with it.
    """
    kind, what = _TOPICS[type(event)]
    area, subject = _area(kind, event.subject, line), event.subject
    payload = write(event)
    if _level(subject) != subject:
        payload = b"[" + payload + b"]"
    return f"rehearsal/{_level(area)}/{kind}/{_level(subject)}/{what}", payload


def _level(text: str) -> str:
    return text.translate(dict.fromkeys(map(ord, "/+#\0"), "-"))


def _area(kind: str, subject: str, line: Line) -> str:
    sections: tuple[str, ...] = ()
    if kind == "section":
        sections = (subject,)
    elif kind == "head" and subject in line.heads:
        sections = line.heads[subject].between
    elif kind == "evaluator":
        sections = line.sections_of(subject)
    areas = (line.sections[name].area for name in sections if name in line.sections)
    return next(areas, NO_AREA)


def may_be_played(event: AnyEvent) -> bool:
    """Whether a monitor takes *event* from a broker: its own records and people's entries it never does."""
    return not (
        isinstance(event, MonitorRecord | SourceWatch) or by_people(event.source)
    )
