"""The incident report as one HTML file that opens by double-click and asks for nothing.

Its policy stands in itself: no source of anything but the one script and the one style sheet in it, each by its SHA-256, so that whatever a feed or a person wrote cannot run.
From a file a browser gives a page no origin: it can fetch no other file, load no module and keep nothing; therefore all stands in the one file, and the address after `#` is all that is remembered.
The same story gives the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from monitor.charts.drawing import overview
from monitor.core.alerts import Alert
from monitor.core.detectors import CATALOGUE
from monitor.core.faults import RANKS, Fault
from monitor.core.moments import SECOND, Duration
from monitor.core.words import CAUTION, offset, readable, span
from monitor.incident.beside import Beside
from monitor.incident.desks import Desks, Had, called, screens
from monitor.incident.document import as_text, clocks, document
from monitor.incident.doing import AnyAct, done_in, first_seen
from monitor.incident.happened import happened, reach
from monitor.incident.offsets import LEAST as ENOUGH
from monitor.incident.spells import spelt
from monitor.incident.stepping import Steps
from monitor.incident.story import Raised, Story
from monitor.incident.told import Sent, first_told
from monitor.incident.when import When, window
from monitor.painted import Painting

SCRIPTS = ("geometry.js", "unpack.js", "diagram.js", "report.js")
"""In the order in which each needs those before it."""

STYLES = ("colours.css", "report.css")

TITLES = {detector.kind: detector.title for detector in CATALOGUE}

Notes = Iterable[tuple[str, list[str]]]
"""Further parts of a report, a title and its lines each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blank:
    """How a section looks before the script has said how it stood."""

    shows: str = "nothing"
    known: bool = False
    fault: str = ""
    work: bool = False
    word: str = ""
    says: str = "not yet drawn"
    since: str = ""


def asset(name: str) -> str:
    """A script or style sheet of the diagram, as it stands."""
    return (files("monitor.charts") / "static" / name).read_text(encoding="utf-8")


def one_script() -> str:
    """The scripts as one, since a file can load no other: what they import of one another stands before it."""
    parts = []
    for name in SCRIPTS:
        text = re.sub(r"^import .*;\n", "", asset(name), flags=re.MULTILINE)
        parts.append(re.sub(r"^export ", "", text, flags=re.MULTILINE))
    return "\n".join(parts)


def page(
    story: Story,
    *,
    told: Iterable[Painting | Sent] | None = None,
    untold: str = "",
    acts: Iterable[AnyAct] | None = None,
    steps: Iterable[Steps] = (),
    notes: Notes = (),
    beside: Beside | None = None,
    desks: Desks | None = None,
) -> str:
    """The report of *story*.

    Args:
        story: what happened.
        told: what pages have shown and what was delivered; None where that is not at hand.
        untold: why what was delivered is not in that, or "".
        acts: what people did; None where that is not told.
        steps: what detections knew, event by event.
        notes: further parts.
        beside: the same window, as it would have been told by something else.
        desks: what the pages of desks have shown; None where that is not at hand.
    """
    steps = tuple(steps)
    known = None if told is None else tuple(told)
    done = None if acts is None else tuple(acts)
    script, style = one_script(), "".join(map(asset, STYLES))
    return _environment().get_template("report.html").render(
        title=f"Incident report: {story.line.name}",
        window=window(story),
        rehearsal=story.rehearsal,
        caution=CAUTION,
        policy=_ours(policy(script, style)),
        style=_ours(style),
        script=_ours(script),
        parts=parts(
            story,
            told=known,
            untold=untold,
            acts=done,
            steps=steps,
            notes=notes,
            beside=beside,
            desks=desks,
        ),
        packed=as_text(
            document(story, told=known or (), steps=steps, beside=beside, desks=desks)
        ),
    )  # fmt: skip


def _ours(text: str) -> Markup:
    """What was made and escaped here, for a template to hold as it is."""
    return Markup(text)  # noqa: S704 - templates and drawings escape what they are given


def policy(script: str, style: str) -> str:
    """What a browser may load and run: the one script, the one style sheet, nothing else."""
    return (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


def parts(
    story: Story,
    *,
    told: tuple[Painting | Sent, ...] | None,
    steps: tuple[Steps, ...],
    untold: str = "",
    acts: tuple[AnyAct, ...] | None = None,
    notes: Notes = (),
    beside: Beside | None = None,
    desks: Desks | None = None,
) -> Markup:
    """The parts of the report, for a page to hold."""
    if acts is not None:
        done = done_in(acts, story) or ["Nothing is on record in this window."]
        notes = [("What people did", done), *notes]
    when = When(story)
    numbers = {one.id: one.number for one in story.faults}
    blank = Blank()
    text = _environment().get_template("parts.html").render(
        happened=happened(story),
        heard=story.heard,
        reach=reach(story),
        since=when.exactly(story.first) if story.led_in and story.first else "",
        carried=len(story.open_before),
        faults=[
            {
                "priority": one.priority,
                "headline": story.headlines.get(one.id, one.headline),
                "in_the_end": one.headline,
                "number": one.number,
                "began": when.exactly(one.began),
                "before": when.exactly(one.raised) if one.raised < story.begin else "",
                "ended": _until(one, when),
                "spells": spelt(one, when),
            }
            for one in sorted(story.faults, key=lambda one: -RANKS[one.priority])
        ],
        drawing=_ours(overview(story.line, dict.fromkeys(story.line.sections, blank))),
        alerts=[
            {"in_document": place, **_row(one, when, numbers, told, acts)}
            for place, one in _gravest_first(story)
        ],
        enough=ENOUGH,
        acts_known=acts is not None,
        told_known=told is not None,
        untold=untold if told is not None else "",
        changes=[
            {"at": when.exactly(at), "what": what} for at, what in story.changes
        ],
        beside=None if beside is None else _beside(beside, story),
        desks=None if desks is None else _desks(desks, story, when),
        walks=[_walk(one, story, when) for one in steps],
        clocks=[_clock(one) for one in clocks(story)],
        notes=list(notes),
    )  # fmt: skip
    return _ours(text)


def _gravest_first(story: Story) -> list[tuple[int, Raised]]:
    """The alerts with their places in the document, gravest first, those as grave in the order in which they were raised."""
    return sorted(
        enumerate(story.alerts), key=lambda each: -RANKS[each[1].alert.priority]
    )


def _row(
    one: Raised,
    when: When,
    numbers: dict[str, str],
    told: tuple[Painting | Sent, ...] | None,
    acts: tuple[AnyAct, ...] | None,
) -> dict[str, Any]:
    alert: Alert = one.alert
    return {
        "id": alert.id,
        "kind": alert.kind,
        "priority": alert.priority,
        "place": alert.subject.partition("/")[2],
        "title": TITLES.get(alert.kind, alert.kind),
        "first": f"as concluded at {when.exactly(one.lines[0][0])}: {one.lines[0][1].summary}",
        "lines": [
            f"{when.exactly(at)} {line.summary}"
            for (_, before), (at, line) in pairwise(one.lines)
            if line.summary != before.summary
        ],
        "evidence": [
            {"at": when.exactly(rest.time), "text": rest.text, "event": rest.event}
            for rest in alert.evidence
        ],
        "checks": alert.checks,
        "fault": numbers.get(one.fault, ""),
        "began": when.exactly(alert.began),
        "raised": when.exactly(alert.raised),
        "heard": when.exactly(one.heard),
        "told": _told(one, when, told),
        "seen": _seen(one, when, acts or ()),
        "ended": _ended(one, when),
        "before": one.before,
    }


def _beside(beside: Beside, story: Story) -> dict[str, Any]:
    """What would have been otherwise, in words."""
    when = When(story)
    here = {one.alert.id: (place, one) for place, one in enumerate(story.alerts)}
    there = {
        one.alert.id: (place, one) for place, one in enumerate(beside.story.alerts)
    }
    rows = []
    for one in beside.differences:
        mine, others = here.get(one.here), there.get(one.there)
        shown = mine if mine is not None else others
        if shown is None:
            continue
        alert = shown[1].alert
        rows.append(
            {
                "way": one.way,
                "how": one.how,
                "priority": (others or shown)[1].alert.priority,
                "place": alert.subject.partition("/")[2],
                "title": TITLES.get(alert.kind, alert.kind),
                "summary": shown[1].lines[0][1].summary,
                "here": None if mine is None else mine[0],
                "there": None if others is None else others[0],
                "raised_here": _raised(mine, when),
                "raised_there": _raised(others, when),
                "ended_here": "" if mine is None else _ended(mine[1], when),
                "ended_there": "" if others is None else _ended(others[1], when),
            }
        )
    counts = Counter(one.way for one in beside.differences)
    return {
        "by": beside.by,
        "rows": rows,
        "counts": ", ".join(
            f"{counts[way]} {way}" for way in ("gained", "lost", "moved")
        ),
        "same": beside.same,
        "live": beside.live,
    }


def _raised(found: tuple[int, Raised] | None, when: When) -> str:
    return "" if found is None else when.exactly(found[1].alert.raised)


def _desks(desks: Desks, story: Story, when: When) -> dict[str, Any]:
    """When each desk had each alert first, on a page in front."""
    found = screens(desks, story)
    firsts = {one.position: one for one in found}
    grave = set(called(story))
    rows = [
        {
            "priority": one.alert.priority,
            "place": one.alert.subject.partition("/")[2],
            "title": TITLES.get(one.alert.kind, one.alert.kind),
            "known": when.exactly(one.lines[0][0]),
            "cells": [
                _first(screen.first.get(place), when, ours=place in screen.looks_after)
                for screen in firsts.values()
            ],
        }
        for place, one in _gravest_first(story)
        if place in grave
    ]
    return {
        "positions": [one or "no desk" for one in firsts],
        "rows": rows,
        "pages": len(found),
    }


def _first(had: Had | None, when: When, *, ours: bool) -> str:
    if had is not None and had.alert is not None:
        return when.exactly(had.alert)
    if had is not None and had.fault is not None:
        return f"its fault {when.exactly(had.fault)}"
    return "nowhere on record" if ours else "not of its areas"


def _told(one: Raised, when: When, told: tuple[Painting | Sent, ...] | None) -> str:
    if told is None:
        return "not on record"
    found = first_told(told, one, when.story)
    said = []
    if isinstance(found.first, Sent):
        said.append(f"{when.exactly(found.first.at)}, by {found.first.channel}")
    elif found.first is not None:
        said.append(f"{when.exactly(found.first.at)}, {found.first.position}")
    if found.before is not None:
        said.append(
            f"its fault was before {found.before.position or 'somebody'} "
            f"since {when.exactly(found.before.at)}"
        )
    return "; ".join(said) or "nowhere, as far as is on record"


def _seen(one: Raised, when: When, acts: tuple[AnyAct, ...]) -> str:
    act = first_seen(acts, one)
    return "by nobody on record" if act is None else f"{when.exactly(act.at)}, {act.by}"


def _until(fault: Fault, when: When) -> str:
    """Until when a fault stands; what only a person ends, until then; what a start told otherwise, as what it goes on."""
    if fault.why:
        numbers = {one.id: one.number for one in when.story.faults}
        goes = (
            f"; goes on as {numbers.get(fault.into, fault.into)}" if fault.into else ""
        )
        return f"{'' if fault.ended is None else when.exactly(fault.ended)}{goes}; {fault.why}"
    said = [] if fault.ended is None else [when.exactly(fault.ended)]
    if when.story.left_open(fault):
        said.append("open until closed")
    elif fault.lasting:
        closed = when.story.closed or {}
        said.append(f"closed {when.exactly(max(closed[one] for one in fault.lasting))}")
    return "; ".join(said) or "open"


def _ended(one: Raised, when: When) -> str:
    if one.alert.ended is not None:
        return when.exactly(one.alert.ended)
    closed = when.story.ended(one)
    return "open" if closed is None else f"closed {when.exactly(closed)}"


def _walk(one: Steps, story: Story, when: When) -> str:
    for raised in story.alerts:
        if raised.alert.id == one.alert:
            kind = raised.alert.kind.replace("-", " ")
            return f"{one.section}: {kind}, raised {when.exactly(raised.alert.raised)}"
    return one.section


def _clock(one: dict[str, Any]) -> dict[str, Any]:
    return {
        "source": one["source"],
        "ahead": _seconds(one["ahead"]) if one["ahead"] is not None else "too few to say",
        "spread": "" if one["spread"] is None else f"{one['spread'] / SECOND:.2f} s",
        "handovers": one["handovers"],
        "beside": ", ".join(one["beside"]),
        "correction": offset(one["correction"]) if one["correction"] else "no",
    }  # fmt: skip


def _seconds(value: Duration) -> str:
    return f"{value / SECOND:+.2f} s" if abs(value) < 60 * SECOND else span(value)


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("monitor.incident"),
        autoescape=True,
        finalize=lambda value: readable(value) if type(value) is str else value,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
