"""`tallywatch shown`: what the pages of a desk had painted at a moment, and what they had not yet."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.options import DataDirectory, JournalFile, SettingsFile, moment
from monitor.past_cli import opened, where

if TYPE_CHECKING:
    from monitor.core.moments import Moment
    from monitor.journal import Journal
    from monitor.painted import Standing
    from monitor.past import Past

At = Annotated[str, typer.Option("--at", metavar="TIME", help="As it stood then.")]
Desk = Annotated[
    str | None,
    typer.Option("--position", metavar="NAME", help="At which desk; else at all."),
]


def shown(
    at: At,
    position: Desk = None,
    settings: SettingsFile = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
) -> None:
    """Say what the pages of a desk had painted at a moment, whether they could be seen and heard, and what they had not painted yet.

    It says nothing about whether anybody looked.
    """
    from monitor.core.words import CAUTION, in_full, readable
    from monitor.painted import first_painted, in_words, pages_at
    from monitor.shown import shown_in

    then = moment(at)
    files = where(settings, data, journal)
    with opened(then, then, settings=settings, data=data, journal=journal) as past:
        line = past.runs[-1].line
        records = list(shown_in(past.journal.kept()))
        standing = _standing(past, files.alerts, then, position)
        pages = pages_at(records, then, position)
        desk = position if position is not None else "all desks"
        typer.echo(f"{desk} at {in_full(then, line.zone, line.timezone)}:")
        later = first_painted(records, position)
        for text in in_words(pages, standing, later, line, then):
            typer.echo(readable(text))
        if not pages:
            typer.echo("No page had said anything by then.")
    typer.echo(CAUTION)


def _standing(
    past: Past, alerts: Path, at: Moment, position: str | None
) -> tuple[Standing, ...] | None:
    """The faults that were open then and that the desk looks after; None where the store of alerts cannot be read."""
    import sqlite3

    from monitor.painted import of_areas, standing_at
    from monitor.store import Store

    try:
        with Store.to_read(alerts) as store:
            lines = list(store.put_by("fault", at))
    except sqlite3.Error as error:
        typer.echo(
            f"{alerts}: {error}; what was concluded and not painted cannot be said",
            err=True,
        )
        return None
    closed = set(_closed(past.journal, at))
    found = standing_at(lines, at, closed)
    return of_areas(found, past.runs[-1].line, _areas(past, position))


def _closed(journal: Journal, at: Moment) -> Iterator[str]:
    from monitor.acts import acts
    from monitor.handling import Act

    for act in acts(journal.kept()):
        if isinstance(act, Act) and act.what == "closed" and act.entered <= at:
            yield from (act.alert, act.fault)


def _areas(past: Past, position: str | None) -> tuple[str, ...]:
    """The areas of a desk as they were set up then."""
    if position is None or not past.in_force:
        return ()
    desk = past.in_force[-1].settings(past.journal).get("desk", {})
    for one in desk.get("position", ()):
        if one["name"] == position:
            return tuple(one["areas"])
    return ()
