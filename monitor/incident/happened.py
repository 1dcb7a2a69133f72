"""What happened in a window, in sentences: the first thing that an incident report says.

What was open when it began and what is urgent stand first; then what came, what was occupied, disturbed and given back, and what was not known.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from monitor.core.alerts import Alert
from monitor.core.events import State, Step
from monitor.core.faults import RANKS, STAYS
from monitor.core.moments import SECOND, Moment
from monitor.core.words import in_full, offset, times
from monitor.incident.story import NOT_KNOWN, NOT_YET, WAITS, WORK, Raised, Span, Story
from monitor.incident.when import When

MOST_OPEN = 8
"""Alerts that the first lines of a report name at most."""

AT_FIRST = 30 * SECOND
"""In so long after its beginning a recording has said something of every section (the usual heartbeat)."""


def happened(story: Story) -> list[str]:
    """What happened, in sentences that count."""
    sources = {one.source for one in story.events}
    resets = Counter(one.step for one in story.marks)
    lasted = Counter(one.kind for one in story.spans)
    occupied = occupations(story.spans)
    started, _ = _not_yet(story)
    unknown = {
        one.section
        for one in story.spans
        if one.kind == NOT_KNOWN and one not in started
    }
    disturbed = {one.section for one in story.spans if one.kind == "disturbed"}
    stood = _stood(story)
    if not story.heard:
        return [*_nothing(story), *stood, reach(story)]
    said = [
        *stood,
        *_urgent(story),
        f"{_count(len(story.events), 'event', 'events')} came from {_count(len(sources), 'source', 'sources')}.",
        f"At least {_count(len(story.traces), 'train was', 'trains were')} followed, through {_count(occupied, 'occupation', 'occupations')} of {_count(len(story.line.sections), 'section', 'sections')}.",
    ]
    if disturbed:
        said.append(
            f"{_sections(disturbed)} showed disturbed, {times(lasted['disturbed'])} in all."
        )
    if resets:
        said.append(
            f"Resets: {resets[Step.ACCEPTED.value]} accepted, {resets[Step.REFUSED.value]} refused, {resets[Step.RESTORED.value]} restored."
        )
    waiting = {
        one.section
        for one in story.spans
        if one.kind == WAITS and (one.ended is None or one.ended > story.end)
    }
    if waiting:
        said.append(
            f"At the end no train had worked through since a reset of {_sections(waiting)}."
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
    said.append(reach(story))
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


def reach(story: Story) -> str:
    """How far back is looked for what was open when the window began."""
    if story.first is None:
        return "What was open when it began is not known: nothing from before it is at hand."
    first = When(story).exactly(story.first)
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
    when = When(story)
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


def _over(one: Raised, when: When) -> str:
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


def _urgent(story: Story) -> list[str]:
    """The urgent alerts raised in the window, each in its own words."""
    when = When(story)
    graded = [one for one in story.raised_in if one.alert.priority == "urgent"]
    said = [
        f"Urgent, raised {when.exactly(one.alert.raised)}: {one.lines[0][1].summary}"
        for one in graded[:MOST_OPEN]
    ]
    if len(graded) > MOST_OPEN:
        said.append(f"{len(graded) - MOST_OPEN} more were urgent.")
    return said


def occupations(spans: Iterable[Span]) -> int:
    """How many occupations there were in which a section showed occupied: what was disturbed or not known for a while in between is drawn in parts, and is one."""
    number = 0
    runs: dict[str, tuple[Moment | None, bool]] = {}
    for one in sorted(spans, key=lambda one: one.began):
        if one.kind in {WORK, WAITS}:
            continue
        until, counted = runs.get(one.section, (None, False))
        counted = counted and until == one.began
        if one.kind == State.OCCUPIED.value and not counted:
            number, counted = number + 1, True
        runs[one.section] = one.ended, counted
    return number


def _count(number: int, one: str, more: str) -> str:
    return f"{number:,} {one if number == 1 else more}"


def _spells(story: Story, most: int = 8) -> list[str]:
    """When sections were not known, and by which gateway: those of one that overlap are one spell."""
    when, line = When(story), story.line
    spells: list[tuple[tuple[str, str], Moment, Moment, set[str]]] = []
    started, waited = _not_yet(story)
    for one in story.spans:
        if one.kind != NOT_KNOWN or one in started:
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
    if started:
        names = {one.section for one in started}
        said.insert(
            0,
            f"{_count(len(names), 'section was', 'sections were')} not heard yet at the "
            f"beginning, the last of them until {when.exactly(waited)}.",
        )
    if len(spells) > most:
        said.append(f"{len(spells) - most} more such spells are in the diagram.")
    return said


def _not_yet(story: Story) -> tuple[set[Span], Moment]:
    """What was not heard yet in the first moments, and until when: every recording begins so."""
    begin = story.begin if story.first is None else max(story.begin, story.first)
    found = {
        one
        for one in story.spans
        if one.why == NOT_YET
        and one.began <= begin
        and one.ended is not None
        and one.ended <= begin + AT_FIRST
    }
    return found, max((one.ended for one in found if one.ended), default=begin)


def _sections(names: Iterable[str], most: int = 8) -> str:
    found = sorted(names)
    more = f" and {len(found) - most} more" if len(found) > most else ""
    return f"{', '.join(found[:most])}{more}"
