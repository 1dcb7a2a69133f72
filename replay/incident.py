"""The incident report of what a replay takes its events from: a recording, or a window of the journal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from monitor.core.events import AnyEvent
from monitor.core.moments import Moment
from monitor.incident.beside import Beside
from monitor.incident.report import report
from monitor.incident.story import Story
from replay.otherwise import beside
from replay.source import Source, Tried


def incident(
    source: Source,
    until: Moment | None = None,
    through: Callable[[Iterable[AnyEvent]], Iterator[AnyEvent]] = iter,
) -> str:
    """The report as one HTML file.

    Args:
        source: of the events.
        until: look no further than this, and conclude what falls due up to it.
        through: what the events are handed through on their way.
    """
    said = source.said()
    tried = source.tried
    was = source if tried is None else tried.was
    return report(
        was.pieces(until, through),
        window=source.asked.window,
        until=until,
        shown=source.shown(),
        areas=source.areas(),
        sent=source.sent(),
        acts=source.acts(),
        notes=[("In force", said)] if said else [],
        beside=None if tried is None else _beside(source, tried, until, through),
    )


def _beside(
    source: Source,
    tried: Tried,
    until: Moment | None,
    through: Callable[[Iterable[AnyEvent]], Iterator[AnyEvent]],
) -> Callable[[Story], Beside]:
    """What is held beside what was concluded, where something was given instead of what was in force."""
    return lambda story: beside(
        story,
        source.pieces(until, through),
        tried.by,
        store=tried.store,
        until=until,
    )
