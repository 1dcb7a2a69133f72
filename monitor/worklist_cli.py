"""`tallywatch worklist`: where it is worth while to go, out of what a monitor wrote, also while that runs."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

import json
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.options import DataDirectory, FilesOf, JournalFile

if TYPE_CHECKING:
    from monitor.core.layout import Line
    from monitor.core.moments import Moment
    from monitor.planner.worklist import Item, Worklist


class Format(StrEnum):
    """How a work list is written."""

    TEXT = "text"
    CSV = "csv"
    JSON = "json"
    HTML = "html"
    XLSX = "xlsx"


def worklist(
    form: Annotated[
        Format, typer.Option("--format", help="How it is written.")
    ] = Format.TEXT,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where it goes; else to stdout."),
    ] = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
) -> None:
    """Tell where work is worth while, bundled into visits: what stands still first, then by trains held in the last 90 days and disturbances to be expected in the next 90, added up.

    It is as of the last that the monitor wrote down.
    """
    from monitor.core.words import CAUTION
    from monitor.planner.worklist_html import as_html
    from monitor.planner.worklist_table import as_csv, as_json
    from monitor.planner.worklist_xlsx import as_xlsx

    if form is Format.XLSX and out is None:
        raise typer.BadParameter("a workbook needs --out")
    made, line = _made(files_of, data, journal)
    if form is Format.CSV:
        text = as_csv(made.trips)
    elif form is Format.JSON:
        text = as_json(made) + "\n"
    elif form is Format.HTML:
        text = as_html(made, line)
    else:
        text = "".join(f"{line}\n" for line in lines(made, line))
    if out is not None and form is Format.XLSX:
        out.write_bytes(as_xlsx(made))
    elif out is not None:
        out.write_text(text, encoding="utf-8", newline="")
    else:
        typer.echo(text, nl=False)
    typer.echo(CAUTION, err=True)


def _made(
    files_of: Path | None, data: Path | None, journal: Path | None
) -> tuple[Worklist, Line]:
    from monitor.history import History
    from monitor.inforce import starts
    from monitor.journal import Journal, JournalFault
    from monitor.past_cli import where
    from monitor.planner.outlook import work
    from monitor.planner.recorded import visits_of
    from monitor.store import Store

    files = where(files_of, data, journal)
    with (
        Journal.read(files.journal) as book,
        History.to_read(files.history) as history,
        Store.to_read(files.alerts) as store,
    ):
        held = list(starts(book))
        now = book.ended()
        if not held or now is None:
            raise JournalFault(f"{files.journal}: names no line file")
        line = held[-1].line(book)
        visits = visits_of(book, store)
        made = work(
            history,
            line,
            lambda begin: map(json.loads, store.since(begin)),
            visits,
            now,
        )
    return made, line


EVIDENCE = 3
"""So many alerts are named of what an entry rests on; the table has them all."""


def lines(made: Worklist, line: Line) -> Iterator[str]:
    """What is printed of a work list."""
    from monitor.planner.quiet_hours import NO_LEAVE
    from monitor.planner.worklist import NOTHING, ORDER
    from monitor.planner.worklist_table import place_of

    for number, trip in enumerate(made.trips, start=1):
        where = [trip.site or "no site named", place_of(trip)]
        if trip.low is not None and trip.high is not None and trip.place == "track":
            where.append(f"km {trip.low:g} to {trip.high:g}")
        yield f"{number}. {', '.join(where)}"
        yield f"   {trip.words}"
        if trip.quiet is not None:
            yield f"   fewest trains: {trip.quiet.words}"
            yield f"   {NO_LEAVE}"
        for item in trip.items:
            yield f"   - {item.reason}"
            for name, told in _beside(item, line):
                yield f"     {name}: {told}"
    yield ORDER if made.trips else f"Nothing is on the list: {NOTHING}"
    if made.off:
        yield made.off_words
    yield f"{made.heard.words[0].upper()}{made.heard.words[1:]}."


def _beside(item: Item, line: Line) -> Iterator[tuple[str, str]]:
    """What else is known of a section on the list, by what it is called."""
    from monitor.core.moments import as_datetime
    from monitor.findings import FINDINGS

    def day(moment: Moment) -> str:
        return f"{as_datetime(moment).astimezone(line.zone):%Y-%m-%d}"

    yield "register", ", ".join(item.registers) or "no number in the line file"
    shown = [
        f"{one.kind.replace('-', ' ')} {day(one.at)}{' (open)' if one.is_open else ''}"
        for one in item.evidence[:EVIDENCE]
    ]
    if more := len(item.evidence) - EVIDENCE:
        shown += [f"and {more} more"] if more > 0 else []
    yield "rests on", ", ".join(shown) or "the counts alone"
    visit = item.visit
    if visit is None:
        yield "last visit", "none on record"
        return
    found = FINDINGS[visit.cause].words
    at = f" ({visit.part.replace('/', ' ')})" if visit.part else ""
    yield "last visit", f"{day(visit.begin)}, {found}{at}"
