"""A story as one small document that a browser can unpack quickly: columns, differences, and indexes into tables of words.

A day of a busy line has hundreds of thousands of events; written out one by one they would be tens of megabytes, and a browser would take seconds to read them.
So each field is a column, a moment is the difference from the one before it, and words stand once in a table.
The same story gives the same bytes.

Moments are whole numbers of `unit` microseconds after `begin`.
An event is named by its place in the window; one from before the window by its own name, `source#id`.
`monitor/charts/static/unpack.js` is the other side of this page.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from monitor.charts.lineup import lineup
from monitor.charts.ways import ways
from monitor.core.alerts import line as alert_line
from monitor.core.events import AnyEvent
from monitor.core.faults import Fault
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.core.wire import type_of, write
from monitor.incident.beside import Beside
from monitor.incident.desks import Desks, Had, Screen, screens
from monitor.incident.offsets import Offset, handovers, offsets
from monitor.incident.stepping import Steps
from monitor.incident.story import Mark, Raised, Span, Story, Trace
from monitor.incident.told import Sent, first_told
from monitor.painted import Painting

FORMAT = 1
"""Of the document."""

LARGEST_WHOLE = 1 << 53
"""A browser counts exactly up to here; a longer number that is an id stays text."""


@dataclass(slots=True)
class _Words:
    """A table of words, each once, in the order in which they came."""

    known: dict[str, int] = field(default_factory=dict)

    def at(self, word: str) -> int:
        """The place of *word*."""
        return self.known.setdefault(word, len(self.known))

    def all(self) -> list[str]:
        """The table."""
        return list(self.known)


@dataclass(slots=True)
class _Writer:
    """Turns moments and event names into what stands in the document."""

    begin: Moment
    unit: int
    places: dict[str, int]

    def moment(self, at: Moment) -> int:
        return (at - self.begin) // self.unit

    def length(self, begin: Moment, end: Moment | None) -> int | None:
        return None if end is None else self.moment(end) - self.moment(begin)

    def event(self, name: str) -> int | str | None:
        return self.places.get(name, name) if name else None


def document(
    story: Story,
    *,
    told: Iterable[Painting | Sent] = (),
    steps: Iterable[Steps] = (),
    beside: Beside | None = None,
    desks: Desks | None = None,
) -> dict[str, Any]:
    """All of *story* as plain values.

    Args:
        story: what happened.
        told: what pages have shown and what was delivered, where journal and store are at hand.
        steps: what detections knew, event by event.
        beside: the same window as it would have been told by something else; its events are those of *story*.
        desks: what the pages of desks have shown; None where that is not at hand.
    """
    told = tuple(told)
    steps = tuple(steps)
    unit = min(_unit(one) for one in (story, beside.story if beside else story))
    writer = _Writer(story.begin, unit, {e.name: n for n, e in enumerate(story.events)})
    return {
        "format": FORMAT,
        "line": {"name": story.line.name, "timezone": story.line.timezone},
        "rehearsal": story.rehearsal,
        "begin": story.begin,
        "unit": unit,
        "length": writer.moment(story.end),
        "first": None if story.first is None else writer.moment(story.first),
        "events": _events(story.events, writer),
        **_told(story, writer, told, beside, there=False),
        "clocks": clocks(story),
        "steps": _steps(steps, writer),
        "screens": []
        if desks is None
        else [_screen(one, writer) for one in screens(desks, story)],
        "beside": None
        if beside is None
        else _told(beside.story, writer, (), beside, there=True),
    }


def _told(
    story: Story,
    writer: _Writer,
    told: tuple[Painting | Sent, ...],
    beside: Beside | None,
    *,
    there: bool,
) -> dict[str, Any]:
    """What is drawn of *story*: all but its events."""
    sections = list(story.line.sections)
    return {
        "sections": _sections(story.line),
        "spans": _spans(story.spans, writer, sections),
        "marks": _marks(story.marks, writer, sections),
        "traces": [_trace(one, writer, sections) for one in story.traces],
        "alerts": [
            _alert(one, writer, story, told)
            | ({} if beside is None else _way(one, beside, there=there))
            for one in story.alerts
        ],
        "faults": [_fault(one, writer) for one in story.faults],
        "changes": [[writer.moment(at), what] for at, what in story.changes],
    }


def _way(one: Raised, beside: Beside, *, there: bool) -> dict[str, str]:
    """In which way an alert is another on the other side, and what it is there."""
    found = beside.ways(there=there).get(one.alert.id)
    if found is None:
        return {"way": "", "mate": one.alert.id}
    return {"way": found.way, "mate": found.here if there else found.there}


def _unit(story: Story) -> int:
    """A millisecond, if all that happened fits into whole ones."""
    moments = [story.begin, story.end]
    moments += [one.time for one in story.events]
    moments += [one.arrival for one in story.events if one.arrival is not None]
    moments += [m for one in story.spans for m in (one.began, one.ended, one.heard)
                if m is not None]  # fmt: skip
    return 1000 if all(one % 1000 == 0 for one in moments) else 1


def _sections(line: Line) -> list[dict[str, Any]]:
    """The sections with their places: `way` is what trains run through in one go and `along` the place in all ways, `row` the track and `column` how far along the line, `beside` its neighbours."""
    placed = lineup(line, line.sections)
    rows = [
        (name, number)
        for number, way in enumerate(ways(line, line.sections))
        for name in way
    ]
    along = {name: (number, place) for place, (name, number) in enumerate(rows)}
    place = {name: number for number, name in enumerate(line.sections)}
    return [
        {
            "id": name,
            "area": section.area,
            "track": section.track or "",
            "way": along[name][0],
            "along": along[name][1],
            "row": placed.places[name].row,
            "column": placed.places[name].column,
            "beside": [place[one] for one in line.neighbours(name)],
        }
        for name, section in line.sections.items()
    ]


def _events(events: Iterable[AnyEvent], writer: _Writer) -> dict[str, Any]:
    types, subjects, sources, texts = _Words(), _Words(), _Words(), _Words()
    columns: dict[str, list[Any]] = {
        name: []
        for name in (
            "type",
            "subject",
            "source",
            "id",
            "sequence",
            "time",
            "late",
            "text",
        )
    }
    retained: list[int] = []
    before = 0
    ids: dict[str, int] = {}
    numbers: dict[str, int] = {}
    for place, event in enumerate(events):
        at = writer.moment(event.time)
        columns["type"].append(types.at(type_of(event)))
        columns["subject"].append(subjects.at(event.subject))
        columns["source"].append(sources.at(event.source))
        columns["id"].append(_less_than_before(event.id, event.source, ids))
        sequence = event.sequence
        columns["sequence"].append(
            None
            if sequence is None
            else sequence
            if sequence >= LARGEST_WHOLE
            else sequence - numbers.get(event.source, -1) - 1
        )
        if sequence is not None:
            numbers[event.source] = sequence
        columns["time"].append(at - before)
        columns["late"].append(writer.length(event.time, event.arrival))
        columns["text"].append(texts.at(_data(event)))
        if event.retained:
            retained.append(place)
        before = at
    return {
        "types": types.all(),
        "subjects": subjects.all(),
        "sources": sources.all(),
        "texts": texts.all(),
        "retained": retained,
        **columns,
    }


def _less_than_before(name: str, source: str, before: dict[str, int]) -> int | str:
    """An id that is a number as how much more it is than the one before it of its source; any other as it is."""
    if not (name.isascii() and name.isdecimal()) or (name[0] == "0" and name != "0"):
        return name
    value = int(name)
    if value >= LARGEST_WHOLE:
        return name
    more = value - before.get(source, 0)
    before[source] = value
    return more


def _data(event: AnyEvent) -> str:
    """The `data` of *event*, as JSON."""
    text = write(event).decode()
    # It comes last; before it no member has a name or value in which this could stand, since a quote in a text is escaped.
    return text[text.index(',"data":') + len(',"data":') : -1]


def _spans(
    spans: Iterable[Span], writer: _Writer, sections: list[str]
) -> dict[str, Any]:
    kinds, whys = _Words(), _Words()
    place = {name: number for number, name in enumerate(sections)}
    columns: dict[str, list[Any]] = {
        name: []
        for name in (
            "section",
            "kind",
            "began",
            "lasted",
            "event",
            "until",
            "heard",
            "heard_end",
            "why",
        )
    }
    before = 0
    for one in spans:
        began = writer.moment(one.began)
        columns["section"].append(place[one.section])
        columns["kind"].append(kinds.at(one.kind))
        columns["began"].append(began - before)
        columns["lasted"].append(writer.length(one.began, one.ended))
        columns["event"].append(writer.event(one.event))
        columns["until"].append(writer.event(one.until))
        columns["heard"].append(writer.length(one.began, one.heard))
        columns["heard_end"].append(
            None if one.ended is None else writer.length(one.ended, one.heard_end)
        )
        columns["why"].append(whys.at(one.why))
        before = began
    return {"kinds": kinds.all(), "whys": whys.all(), **columns}


def _marks(
    marks: Iterable[Mark], writer: _Writer, sections: list[str]
) -> list[list[Any]]:
    place = {name: number for number, name in enumerate(sections)}
    return [
        [
            place[one.section],
            writer.moment(one.at),
            one.kind,
            one.step,
            one.by,
            writer.event(one.event),
            writer.length(one.at, one.heard),
        ]
        for one in marks
        if one.section in place
    ]


def _trace(trace: Trace, writer: _Writer, sections: list[str]) -> list[Any]:
    """Number, sections, differences of entering, how long in each, whether it was surely that train, how long after leaving that was known."""
    place = {name: number for number, name in enumerate(sections)}
    entered, before = [], 0
    for one in trace.visits:
        at = writer.moment(one.entered)
        entered.append(at - before)
        before = at
    return [
        trace.number,
        [place[one.section] for one in trace.visits],
        entered,
        [writer.length(one.entered, one.left) for one in trace.visits],
        [int(one.sure) for one in trace.visits],
        [writer.length(one.entered, one.heard) for one in trace.visits],
    ]


def _alert(
    one: Raised, writer: _Writer, story: Story, told: tuple[Painting | Sent, ...]
) -> dict[str, Any]:
    alert = one.alert
    found = first_told(told, one, story)
    shown, before = found.first, found.before
    return {
        "began": writer.moment(alert.began),
        "raised": writer.moment(alert.raised),
        "ended": None if alert.ended is None else writer.moment(alert.ended),
        "closed": _closed(one, writer, story),
        "before": one.before,
        "heard": writer.moment(one.heard),
        "told": None if shown is None else writer.moment(shown.at),
        "told_at": (
            ""
            if shown is None
            else shown.channel
            if isinstance(shown, Sent)
            else shown.position
        ),
        "fault_before": None
        if before is None
        else [writer.moment(before.at), before.position],
        "fault": one.fault,
        "sections": [
            name
            for subject in alert.affected
            if (name := subject.removeprefix("section/")) in story.line.sections
        ],
        "lines": [[writer.moment(at), alert_line(line)] for at, line in one.lines],
    }


def _closed(one: Raised, writer: _Writer, story: Story) -> int | None:
    """When somebody closed what only a person ends."""
    at = (story.closed or {}).get(one.alert.id)
    return None if at is None or one.alert.ended is not None else writer.moment(at)


def _fault(fault: Fault, writer: _Writer) -> dict[str, Any]:
    return {
        "id": fault.id,
        "number": fault.number,
        "headline": fault.headline,
        "priority": fault.priority,
        "began": writer.moment(fault.began),
        "ended": None if fault.ended is None else writer.moment(fault.ended),
        "alerts": list(fault.alerts),
    }


def clocks(story: Story) -> list[dict[str, Any]]:
    """What is known of each source's clock, in microseconds: corrected by how much, and what handovers say is left."""
    found: dict[str, Offset] = {
        one.source: one
        for one in offsets(handovers(story.traces, story.sources), story.sources)
    }
    names = sorted({*found, *story.corrections})
    return [
        {
            "source": name,
            "ahead": None if (one := found.get(name)) is None else one.ahead,
            "spread": None if one is None else one.spread,
            "handovers": 0 if one is None else one.handovers,
            "beside": [] if one is None else list(one.beside),
            "correction": story.corrections.get(name, 0),
        }
        for name in names
    ]


def _steps(steps: Iterable[Steps], writer: _Writer) -> dict[str, Any]:
    """What was known step by step; sentences stand once, for most are said again at the next step."""
    sentences = _Words()
    return {
        "of": [
            {
                "section": one.section,
                "alert": one.alert,
                "steps": [
                    [
                        writer.moment(step.at),
                        writer.event(step.event),
                        step.what,
                        [sentences.at(said) for said in step.said],
                    ]
                    for step in one.steps
                ],
            }
            for one in steps
        ],
        "sentences": sentences.all(),
    }


def _screen(one: Screen, writer: _Writer) -> dict[str, Any]:
    def moment(at: Moment | None) -> int | None:
        return None if at is None else writer.moment(at)

    def each(had: dict[int, Had]) -> list[list[int | None]]:
        return [
            [place, moment(found.alert), moment(found.fault)]
            for place, found in sorted(had.items())
        ]

    return {
        "page": one.page,
        "position": one.position,
        "by": one.by,
        "turns": [
            [writer.moment(turn.at), int(turn.visible), turn.sound, int(turn.left)]
            for turn in one.turns
        ],
        "stale": [[writer.moment(begin), moment(end)] for begin, end in one.stale],
        "had": each(one.had),
        "first": each(one.first),
        "looks_after": sorted(one.looks_after),
    }


def as_json(content: dict[str, Any]) -> bytes:
    """*content* as JSON, as short as it can be written."""
    return json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()


def packed(content: dict[str, Any]) -> bytes:
    """*content* as compressed JSON; the same gives the same bytes."""
    return gzip.compress(as_json(content), compresslevel=9, mtime=0)


def as_text(content: dict[str, Any]) -> str:
    """*content* packed, in letters that may stand in a page."""
    return base64.b64encode(packed(content)).decode()
