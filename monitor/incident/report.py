"""An incident report out of a recording, wherever that comes from.

The recording is read twice: once for what happened, and once more to stop at each step of the way to the gravest alerts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from monitor.core.engine import Engine
from monitor.core.events import AnyEvent
from monitor.core.moments import Moment
from monitor.incident.doing import AnyAct
from monitor.incident.page import Notes, page
from monitor.incident.stepping import Steps, Walk, step_through, walks_of
from monitor.incident.story import Story, gather
from monitor.incident.told import Sent
from monitor.painted import Painting, paintings
from monitor.shown import Shown

Events = Callable[[], Iterable[AnyEvent]]
"""Gives the events of a recording, in order of arrival, from the beginning each time."""

LAST = (
    "What is told here goes by what was in force last in this window; "
    "alerts that only what was in force before gave are not in it."
)
"""Said where the line file or the settings changed within a window."""

Engines = Callable[[], Engine]
"""Gives an engine that was told nothing yet but what was learnt."""


def report(
    events: Events,
    engines: Engines,
    *,
    window: tuple[Moment, Moment] | None = None,
    until: Moment | None = None,
    shown: Iterable[Shown] | None = None,
    sent: Iterable[Sent] = (),
    acts: Iterable[AnyAct] | None = None,
    notes: Notes = (),
) -> str:
    """The incident report as one HTML file; the same gives the same bytes.

    Args:
        events: of the recording.
        engines: to take them.
        window: from when to when; what comes before is the lead-in; by default all of it.
        until: conclude what falls due up to here by silence alone.
        shown: what pages have shown, where the journal is at hand.
        sent: what was delivered, where the store is at hand.
        acts: what people did, with their names; None: that is not told.
        notes: further parts: a title and its lines each.
    """
    story = gather(engines(), events(), window, until=until)
    told: tuple[Painting | Sent, ...] | None = None
    if shown is not None:
        told = (*paintings(shown), *sent)
    steps = steps_of(story, events, engines)
    return page(story, told=told, acts=acts, steps=steps, notes=notes)


def steps_of(
    story: Story, events: Events, engines: Engines, first: tuple[Walk, ...] = ()
) -> tuple[Steps, ...]:
    """What was known at each step of the walks asked for *first*, and of the way to the gravest alerts of *story*."""
    walks = (*first, *walks_of(story))
    return step_through(engines(), events(), walks) if walks else ()
