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
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from monitor.charts.drawing import overview
from monitor.core.alerts import Alert
from monitor.core.detectors import CATALOGUE
from monitor.core.events import Step
from monitor.core.faults import RANKS, STAYS, Fault
from monitor.core.moments import SECOND, Duration, Moment, as_datetime
from monitor.core.words import CAUTION, clock, in_full, offset, readable, span, times
from monitor.incident.beside import Beside
from monitor.incident.document import as_text, clocks, document
from monitor.incident.doing import AnyAct, done_in, first_seen
from monitor.incident.offsets import LEAST as ENOUGH
from monitor.incident.stepping import Steps
from monitor.incident.story import NOT_KNOWN, Raised, Story
from monitor.incident.told import Sent, first_told
from monitor.painted import Painting

SCRIPTS = ("geometry.js", "unpack.js", "diagram.js", "report.js")
"""In the order in which each needs those before it."""

STYLES = ("colours.css", "report.css")

MOST_OPEN = 8
"""Alerts that the first lines of a report name at most."""

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
        ),
        packed=as_text(
            document(story, told=known or (), steps=steps, beside=beside)
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
) -> Markup:
    """The parts of the report, for a page to hold."""
    if acts is not None:
        done = done_in(acts, story) or ["Nothing is on record in this window."]
        notes = [("What people did", done), *notes]
    when = _When(story)
    numbers = {one.id: one.number for one in story.faults}
    blank = Blank()
    text = _environment().get_template("parts.html").render(
        happened=happened(story),
        heard=story.heard,
        reach=_reach(story),
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
            }
            for one in story.faults
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
        walks=[_walk(one, story, when) for one in steps],
        clocks=[_clock(one) for one in clocks(story)],
        notes=list(notes),
    )  # fmt: skip
    return _ours(text)


def window(story: Story) -> str:
    """From when to when, in words."""
    zone, name = story.line.zone, story.line.timezone
    if not story.begin:
        return "The recording has no events."
    return (
        f"From {in_full(story.begin, zone, name)} to {in_full(story.end, zone, name)}"
    )


def happened(story: Story) -> list[str]:
    """What happened, in sentences that count."""
    sources = {one.source for one in story.events}
    resets = Counter(one.step for one in story.marks)
    lasted = Counter(one.kind for one in story.spans)
    unknown = {one.section for one in story.spans if one.kind == "not-known"}
    disturbed = {one.section for one in story.spans if one.kind == "disturbed"}
    stood = _stood(story)
    if not story.heard:
        return [*_nothing(story), *stood, _reach(story)]
    said = [
        *stood,
        f"{_count(len(story.events), 'event', 'events')} came from {_count(len(sources), 'source', 'sources')}.",
        f"At least {_count(len(story.traces), 'train was', 'trains were')} followed, through {_count(lasted['occupied'], 'occupation', 'occupations')} of {_count(len(story.line.sections), 'section', 'sections')}.",
    ]
    if disturbed:
        said.append(
            f"{_sections(disturbed)} showed disturbed, {times(lasted['disturbed'])} in all."
        )
    if resets:
        said.append(
            f"Resets: {resets[Step.ACCEPTED.value]} accepted, {resets[Step.REFUSED.value]} refused, {resets[Step.RESTORED.value]} restored."
        )
    if unknown:
        said.append(
            f"{_sections(unknown)} {'was' if len(unknown) == 1 else 'were'} not known for some of the time."
        )
        said += _spells(story)
    found = Counter(one.alert.priority for one in story.raised_in)
    graded = ", ".join(
        f"{found[one]} {one}"
        for one in ("urgent", "prompt", "planned", "note")
        if found[one]
    )
    said.append(
        f"{_count(len(story.raised_in), 'alert was', 'alerts were')} raised in this window{f': {graded}' if graded else ''}."
    )
    said.append(_reach(story))
    for source, correction in story.corrections.items():
        said.append(
            f"The times of {source} are corrected by {offset(correction)}: its clock was wrong."
        )
    return said


def _nothing(story: Story) -> Iterator[str]:
    """That nothing came of the window, and when something was heard last."""
    yield "The journal or recording holds nothing of this window."
    if story.last is not None:
        zone, name = story.line.zone, story.line.timezone
        yield f"Last heard before it: {in_full(story.last, zone, name)}."
    yield "No section is known for any of it, and no train could be followed."
    if not story.raised_in:
        yield "That no alert was raised in it says nothing: nothing could be seen."


def _reach(story: Story) -> str:
    """How far back is looked for what was open when the window began."""
    if story.first is None:
        return "What was open when it began is not known: nothing from before it is at hand."
    first = _When(story).exactly(story.first)
    if not story.led_in:
        return (
            f"What was open before {first} is not known: what is at hand begins then."
        )
    return (
        "What was open when the window began is told as far as it was raised since "
        f"{first}; nothing from before that is gone through."
    )


def _stood(story: Story) -> list[str]:
    """The alerts that were open when the window began, gravest first."""
    when = _When(story)
    graded = sorted(story.open_before, key=lambda one: -RANKS[one.alert.priority])
    said = [
        f"Open since before this window, raised {when.exactly(one.alert.raised)}: "
        f"{one.alert.priority}, {_as_of(one, story.begin).summary}; {_over(one, when)}."
        for one in graded[:MOST_OPEN]
    ]
    if len(graded) > MOST_OPEN:
        more = len(graded) - MOST_OPEN
        said.append(
            f"{_count(more, 'more alert was', 'more alerts were')} open since before it; "
            "the table of alerts has them all."
        )
    return said


def _as_of(one: Raised, at: Moment) -> Alert:
    """The line of an alert that held at a moment, else its first."""
    known = [line for came, line in one.lines if came <= at]
    return known[-1] if known else one.lines[0][1]


def _over(one: Raised, when: _When) -> str:
    """Until when an alert was open, in words."""
    alert, story = one.alert, when.story
    if alert.ended is not None:
        return f"over {when.exactly(alert.ended)}"
    if alert.kind not in STAYS:
        return "open at the end"
    at = story.ended(one)
    if at is not None:
        return f"closed {when.exactly(at)}"
    if story.closed is None:
        return "whether somebody has closed it is not on record here"
    return "closed by nobody"


def _count(number: int, one: str, more: str) -> str:
    return f"{number:,} {one if number == 1 else more}"


def _spells(story: Story, most: int = 8) -> list[str]:
    """When sections were not known, and by which gateway: those of one that overlap are one spell."""
    when, line = _When(story), story.line
    spells: list[tuple[tuple[str, str], Moment, Moment, set[str]]] = []
    for one in story.spans:
        if one.kind != NOT_KNOWN:
            continue
        gateway = line.evaluators[line.sections[one.section].evaluator].gateway or ""
        of = gateway, one.why
        ended = story.end if one.ended is None else one.ended
        for place in range(len(spells) - 1, -1, -1):
            known, began, over, names = spells[place]
            if known == of and one.began <= over:
                spells[place] = of, began, max(over, ended), names | {one.section}
                break
        else:
            spells.append((of, one.began, ended, {one.section}))
    said = [
        f"Not known from {when.exactly(began)} to {when.exactly(over)}: "
        f"{_count(len(names), 'section', 'sections')}"
        f"{f' of gateway {of[0]}' if of[0] else ''}{f', {of[1]}' if of[1] else ''}."
        for of, began, over, names in spells[:most]
    ]
    if len(spells) > most:
        said.append(f"{len(spells) - most} more such spells are in the diagram.")
    return said


def _sections(names: Iterable[str], most: int = 8) -> str:
    found = sorted(names)
    more = f" and {len(found) - most} more" if len(found) > most else ""
    return f"{', '.join(found[:most])}{more}"


@dataclass(frozen=True, slots=True)
class _When:
    """Says when, in the line's own time."""

    story: Story

    def exactly(self, at: Moment) -> str:
        """To the millisecond; with its date where that is not the day on which the window begins."""
        zone = self.story.line.zone
        text = clock(at, zone, self.story.begin)
        digits = f"{as_datetime(at):%f}"[:3]
        return re.sub(r"(\d\d:\d\d:\d\d)", rf"\1.{digits}", text, count=1)


def _gravest_first(story: Story) -> list[tuple[int, Raised]]:
    """The alerts with their places in the document, gravest first, those as grave in the order in which they were raised."""
    return sorted(
        enumerate(story.alerts), key=lambda each: -RANKS[each[1].alert.priority]
    )


def _row(
    one: Raised,
    when: _When,
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
        "first": f"as told at {when.exactly(one.lines[0][0])}: {one.lines[0][1].summary}",
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
    when = _When(story)
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


def _raised(found: tuple[int, Raised] | None, when: _When) -> str:
    return "" if found is None else when.exactly(found[1].alert.raised)


def _told(one: Raised, when: _When, told: tuple[Painting | Sent, ...] | None) -> str:
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


def _seen(one: Raised, when: _When, acts: tuple[AnyAct, ...]) -> str:
    act = first_seen(acts, one)
    return "by nobody on record" if act is None else f"{when.exactly(act.at)}, {act.by}"


def _until(fault: Fault, when: _When) -> str:
    """Until when a fault stands; what only a person ends, until then."""
    said = [] if fault.ended is None else [when.exactly(fault.ended)]
    if when.story.left_open(fault):
        said.append("open until closed")
    elif fault.lasting:
        closed = when.story.closed or {}
        said.append(f"closed {when.exactly(max(closed[one] for one in fault.lasting))}")
    return "; ".join(said) or "open"


def _ended(one: Raised, when: _When) -> str:
    if one.alert.ended is not None:
        return when.exactly(one.alert.ended)
    closed = when.story.ended(one)
    return "open" if closed is None else f"closed {when.exactly(closed)}"


def _walk(one: Steps, story: Story, when: _When) -> str:
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
