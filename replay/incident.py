"""The incident report of what a replay takes its events from: a recording, or a window of the journal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from monitor.core.events import AnyEvent
from monitor.core.moments import Moment
from monitor.incident.report import report
from replay.source import Source


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
    return report(
        source.pieces(until, through),
        window=source.asked.window,
        until=until,
        shown=source.shown(),
        sent=source.sent(),
        acts=source.acts(),
        notes=[("In force", said)] if said else [],
    )
