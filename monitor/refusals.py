"""Why what a person enters cannot be taken: one line for each thing that is wrong with it.

An entry acts on what is raised about a section, so a slip of the hand must not pass: a day that has not come yet, an end of work that was never begun, a source that nobody has heard of.
It is asked before the entry is written down; what stands in the journal is never refused again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping

from monitor.core.events import (
    AnyEvent,
    SectionReset,
    SectionWork,
    SourceWatch,
    by_people,
)
from monitor.core.layout import Line
from monitor.core.moments import DAY, Moment
from monitor.core.words import clock, names

OLDEST = 31 * DAY
"""What was so longer ago than this is a slip: no conclusion waits for so long."""

Works = Mapping[str, Collection[SectionWork]]
"""The work going on, by section."""


def refusals(
    events: Iterable[AnyEvent],
    *,
    now: Moment,
    line: Line,
    works: Works,
    sources: Mapping[str, bool],
) -> tuple[str, ...]:
    """What is wrong with *events* that a person is about to enter together, one line each; () where nothing is.

    Args:
        events: as they would be journaled.
        now: when they are entered.
        line: the line file.
        works: the work going on, as the engine has it.
        sources: those that were heard of; True: taken out of watch.

    Example:
        >>> from monitor.core.detector import Place
        >>> line = Place.example().line
        >>> end = SectionWork(
        ...     id="1", source="desk/1", subject="T107", time=DAY, begun=False
        ... )
        >>> refusals([end], now=DAY, line=line, works={}, sources={})
        ('T107 is not under work',)
    """
    told: dict[str, None] = {}
    for event in events:
        told.update(dict.fromkeys(_when(event, now, line)))
        if isinstance(event, SourceWatch):
            told.update(dict.fromkeys(_watched(event, sources)))
            continue
        if not isinstance(event, SectionWork | SectionReset):
            told[f"{event.subject}: nobody enters what equipment says"] = None
        elif event.subject not in line.sections:
            told[f"the line file has no section {event.subject}"] = None
        elif isinstance(event, SectionWork):
            going = works.get(event.subject, ())
            told.update(dict.fromkeys(_worked(event, going, line)))
    return tuple(told)


def _when(event: AnyEvent, now: Moment, line: Line) -> Iterator[str]:
    shown = clock(event.time, line.zone, now)
    if event.time > now:
        yield f"{shown} has not come yet"
    elif event.time < now - OLDEST:
        yield f"{shown} is more than {OLDEST // DAY} days ago"


def _worked(
    event: SectionWork, going: Collection[SectionWork], line: Line
) -> Iterator[str]:
    section = event.subject
    named = event.reference or ""
    same = [one for one in going if (one.reference or "") == named]
    if event.begun:
        end = event.planned_end
        if end is not None and end <= event.time:
            yield "the work is planned to end before it began"
        if same:
            yield f"{section} is under {_named(event)} already"
        return
    if not same and not named and len(going) == 1:
        same = list(going)  # there is no other that could be meant
    if not going:
        yield f"{section} is not under work"
    elif not same:
        # To the engine an end that names nothing it knows ends everything there.
        others = names([_named(one) for one in going])
        asked = f"not under {_named(event)}" if event.reference else "to be named"
        yield f"{section} is under {others}, {asked}"
    elif event.time < same[0].time:
        began = clock(same[0].time, line.zone, event.time)
        yield f"{_named(event)} on {section} began at {began}, after that"


def _named(event: SectionWork) -> str:
    return f"work {event.reference}" if event.reference else "work without a name"


def _watched(event: SourceWatch, sources: Mapping[str, bool]) -> Iterator[str]:
    source = event.subject
    if by_people(source):
        yield f"{source} is people, not a source"
    elif source not in sources:
        yield f"nothing was ever heard from {source}"
    elif sources[source] == event.out:
        yield f"{source} is {'out of' if event.out else 'in'} watch already"
