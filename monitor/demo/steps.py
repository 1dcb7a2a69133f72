"""An alert step by step, out of the journal: what came, and what its detection then knew that it had not known before."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from monitor.core.engine import Engine
from monitor.core.events import AnyEvent, HeadPassage, SectionReset, SectionState
from monitor.core.layout import Line
from monitor.core.moments import MINUTE, Duration, Moment, parse
from monitor.core.words import STATES, clock

BEFORE: Duration = 5 * MINUTE
"""So long before an alert began its story is told."""

RULE = "Raised "
ASIDE = (" was heard last at ", "Events of ")
"""What changes with every event and says nothing of the section."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Args:
        at: when it was so.
        came: what came, in words.
        knows: what the detection knows since, that it did not before.
    """

    at: Moment
    came: str
    knows: tuple[str, ...]


def steps(
    engine: Engine, events: Iterable[AnyEvent], record: dict[str, Any]
) -> Iterator[Step]:
    """The steps to the alert of *record*, about a section, the last of them the alert itself.

    Args:
        engine: a new one, with the settings under which it was raised.
        events: of the journal, from its beginning.
        record: the alert's line.
    """
    line, section = engine.line, record["subject"].partition("/")[2]
    began, raised = parse(record["began"]), parse(record["raised"])
    waiting: list[tuple[Moment, str]] = []
    states: dict[str, str] = {}
    known: set[str] = set()
    for event in events:
        came = _came(event, line, section, states)
        if came and event.time >= began - BEFORE:
            waiting.append((event.time, came))
        over = any(one.id == record["id"] for one in engine.take(event).alerts)
        through = engine.watermark
        while waiting and through is not None and waiting[0][0] <= through:
            at, came = waiting.pop(0)
            knows = _knows(engine, section, record["kind"])
            yield Step(at, came, tuple(one for one in knows if one not in known))
            known |= set(knows)
        if over:
            knows = _knows(engine, section, record["kind"])
            news = tuple(one for one in knows if one not in known)
            yield Step(raised, f"{record['priority']}: {record['summary']}", news)
            return


def _knows(engine: Engine, section: str, kind: str) -> list[str]:
    said = (
        one.removeprefix(f"{kind} (section/{section}): ")
        for one in engine.explain(section, kind)
    )
    return [
        one
        for one in said
        if not any(aside in one for aside in ASIDE)
        and not one.removeprefix(f"{kind}: ").startswith(RULE)
    ]


def _came(event: AnyEvent, line: Line, section: str, states: dict[str, str]) -> str:
    """What *event* says of *section* or beside it, or "" where that is nothing new."""
    match event:
        case SectionState(subject=name) if name in (section, *line.neighbours(section)):
            word = STATES[event.state.value]
            before = states.get(name)
            states[name] = word
            return "" if before == word else f"{name} shows {word}"
        case SectionReset(subject=name) if name == section:
            by = f" by the {event.by}" if event.by else ""
            return f"{name}: reset {event.step.value}{by}"
        case HeadPassage(subject=name) if name in line.heads_of(section):
            return f"{name} counted {event.axles} axles, {event.direction.value}"
    return ""


def told(step: Step, number: int, line: Line) -> list[str]:
    """A step as lines of a terminal."""
    return [
        f"{number:>3}  {clock(step.at, line.zone)}  {step.came}",
        *(f"                 {one}" for one in step.knows),
    ]
