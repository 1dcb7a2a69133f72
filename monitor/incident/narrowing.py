"""A story of part of a line: what is handed on of some sections says nothing of the others."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import replace

from monitor.core.events import AnyEvent
from monitor.incident.story import Story, Trace


def narrowed(
    story: Story, wanted: Collection[str], speaks: Callable[[AnyEvent], bool]
) -> Story:
    """*story* as far as it is about *wanted*.

    Args:
        story: of the whole line.
        wanted: subjects, such as `section/T107`.
        speaks: whether an event is about one of them.
    """
    names = [one for one in story.line.sections if f"section/{one}" in wanted]
    here = frozenset(names)
    alerts = tuple(
        one
        for one in story.alerts
        if one.alert.subject in wanted or here & _sections(one.alert.affected)
    )
    faults = {one.fault for one in alerts}
    sources = {name: source for name, source in story.sources.items() if name in here}
    return replace(
        story,
        line=story.line.part(names),
        events=tuple(filter(speaks, story.events)),
        spans=tuple(one for one in story.spans if one.section in here),
        marks=tuple(one for one in story.marks if one.section in here),
        traces=tuple(_parts(story, here)),
        alerts=alerts,
        faults=tuple(one for one in story.faults if one.id in faults),
        sources=sources,
        corrections={
            name: correction
            for name, correction in story.corrections.items()
            if name in sources.values()
        },
    )


def _sections(subjects: Collection[str]) -> frozenset[str]:
    return frozenset(
        one.removeprefix("section/") for one in subjects if one.startswith("section/")
    )


def _parts(story: Story, here: frozenset[str]) -> Iterator[Trace]:
    """Each train as far as it went through those sections."""
    for trace in story.traces:
        visits = tuple(one for one in trace.visits if one.section in here)
        if visits:
            yield replace(trace, visits=visits)
