"""An incident report out of a recording, wherever that comes from.

The recording is read twice: once for what happened, and once more to stop at each step of the way to the gravest alerts.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial

from monitor.core.moments import Moment
from monitor.incident.beside import Beside
from monitor.incident.desks import Desks
from monitor.incident.doing import AnyAct
from monitor.incident.page import Notes, page
from monitor.incident.pieces import Piece, gathered
from monitor.incident.story import Story
from monitor.incident.told import Deliveries, Sent
from monitor.painted import Painting, paintings
from monitor.past import Past
from monitor.shown import Shown
from monitor.standing import STOOD, closings


def kept_about(past: Past) -> Iterator[bytes]:
    """What pages have shown and what people did, as the journal has kept it, as far as it may be about a window."""
    return past.journal.kept(since=past.begin - STOOD)


def pieces_of(past: Past) -> tuple[Piece, ...]:
    """A window of a journal, by what was in force in each part of it.

    Raises:
        PastFault, LineFault: as for `Past.runs`.
    """
    changes = ((None, ""), *past.changes)
    return tuple(
        Piece(
            events=partial(past.events, run),
            engine=partial(past.engine, run),
            since=since,
            why=why,
        )
        for run, (since, why) in zip(past.runs, changes, strict=True)
    )


def report(
    pieces: Iterable[Piece],
    *,
    window: tuple[Moment, Moment] | None = None,
    until: Moment | None = None,
    shown: Iterable[Shown] | None = None,
    sent: Deliveries | None = None,
    acts: Iterable[AnyAct] | None = None,
    closed: Mapping[str, Moment] | None = None,
    notes: Notes = (),
    beside: Callable[[Story], Beside] | None = None,
    only: Callable[[Story], Story] | None = None,
    areas: Mapping[str, Collection[str]] | None = None,
) -> str:
    """The incident report as one HTML file; the same gives the same bytes.

    Args:
        pieces: the recording, by what was in force.
        window: from when to when; what comes before is the lead-in; by default all of it.
        until: conclude what falls due up to here by silence alone.
        shown: what pages have shown, where the journal is at hand.
        sent: what was delivered, or why that is not told.
        acts: what people did, with their names; None: that is not told.
        closed: when they closed alerts that only a person ends, by the ids of those; None: as *acts* say, where there are any.
        notes: further parts: a title and its lines each.
        beside: gives what would have been concluded by something else, held against what was.
        only: leaves out of what happened what is not to be told.
        areas: that each desk looked after, by its name; see `Desks`.
    """
    done = None if acts is None else tuple(acts)
    if closed is None and done is not None:
        closed = closings(done)
    found = gathered(pieces, window, until=until)
    found = replace(found, story=found.story.settled(closed))
    if only is not None:
        found = replace(found, story=only(found.story))
    told: tuple[Painting | Sent, ...] | None = None
    desks = None
    if shown is not None:
        shown = tuple(shown)
        desks = Desks(shown=shown, areas=areas or {})
        told = (*paintings(shown), *(() if sent is None else sent.sent))
    return page(
        found.story,
        told=told,
        untold="" if sent is None else sent.why,
        acts=done,
        steps=found.steps(),
        notes=notes,
        beside=None if beside is None else beside(found.story),
        desks=desks,
    )
