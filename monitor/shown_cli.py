"""`tallywatch shown`: what the pages of a desk had painted at a moment, and what they had not yet."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.options import DataDirectory, FilesOf, JournalFile, moment
from monitor.past_cli import opened, where

if TYPE_CHECKING:
    from monitor.core.moments import Moment
    from monitor.journal import Journal
    from monitor.painted import Named, Standing
    from monitor.past import Past
    from monitor.shown import Shown

At = Annotated[str, typer.Option("--at", metavar="TIME", help="As it stood then.")]
Desk = Annotated[
    str | None,
    typer.Option("--position", metavar="NAME", help="At which desk; else at all."),
]


PLAYED = (
    "What was played goes by its own time: faults are placed with the event that "
    "brought them, not by when the monitor had them."
)


def shown(
    at: At,
    position: Desk = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
) -> None:
    """Say what the pages of a desk had painted at a moment, whether they could be seen and heard, and what they had not painted yet.

    It says nothing about whether anybody looked.
    """
    from monitor.core.words import CAUTION, in_full, readable
    from monitor.painted import alerts_painted, first_painted, in_words, pages_at
    from monitor.shown import shown_in

    then = moment(at)
    files = where(files_of, data, journal)
    with opened(then, then, files_of=files_of, data=data, journal=journal) as past:
        line = past.runs[-1].line
        records = list(shown_in(past.journal.kept()))
        _refuse_unknown(past, records, position)
        known, named = _known(past, files.alerts, then)
        pages = pages_at(records, then, position)
        desk = position if position is not None else "all desks"
        typer.echo(f"{desk} at {in_full(then, line.zone, line.timezone)}:")
        later = first_painted(records, position)
        for text in in_words(
            pages,
            known,
            later,
            line,
            then,
            areas=past.areas.get(position or "", ()),
            named=named,
            first=alerts_painted(records, position),
        ):
            typer.echo(readable(text))
        if past.journal.played and known is not None:
            typer.echo(PLAYED)
        if not pages:
            typer.echo("No page had said anything by then.")
        elif all(one.left for one in pages):
            typer.echo("Every page that had said anything by then had been left.")
    typer.echo(CAUTION)


def _known(
    past: Past, alerts: Path, at: Moment
) -> tuple[tuple[Standing, ...] | None, dict[str, Named]]:
    """The faults that there had been by then, and the alerts; None and nothing where the store of alerts cannot be read."""
    import sqlite3

    from monitor.painted import known_at, named_at
    from monitor.placed import placed
    from monitor.store import Store

    try:
        came = past.came() if past.journal.played else {}
        with Store.to_read(alerts) as store:
            lines = [
                (one.item.what, one.at, one.item.body)
                for one in placed(
                    store, end=at + 1, played=past.journal.played, came=came
                )
            ]
    except sqlite3.Error as error:
        typer.echo(
            f"{alerts}: {error}; what was concluded and not painted cannot be said",
            err=True,
        )
        return None, {}
    closed = _closed(past.journal)

    def of(what: str) -> list[tuple[Moment, str]]:
        return [(came, body) for kind, came, body in lines if kind == what]

    return known_at(of("fault"), at, closed), named_at(of("alert"), at)


def _closed(journal: Journal) -> dict[str, Moment]:
    """When each fault and alert was closed first, by its id."""
    from monitor.acts import acts
    from monitor.handling import Act

    found: dict[str, Moment] = {}
    for act in acts(journal.kept()):
        if isinstance(act, Act) and act.what == "closed":
            for name in (act.alert, act.fault):
                if name:
                    found.setdefault(name, act.entered)
    return found


def _refuse_unknown(past: Past, shown: list[Shown], position: str | None) -> None:
    """A desk that neither the settings in force then nor any page knows is refused."""
    if position is None:
        return
    known = set(past.areas) | {one.position for one in shown}
    if position not in known:
        there = ", ".join(sorted(known - {""})) or "none on record"
        raise typer.BadParameter(
            f"there is no desk {position}; there are: {there}",
            param_hint="--position",
        )
