"""`tallywatch report`: what a period was like, out of what a monitor wrote, or out of a recording."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

import sys
from contextlib import closing
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.options import (
    DataDirectory,
    FilesOf,
    From,
    JournalFile,
    SettingsFile,
    To,
    window,
)
from monitor.past_cli import where

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from monitor.core.events import AnyEvent
    from monitor.core.layout import Line
    from monitor.core.moments import Moment
    from monitor.past_cli import Where
    from monitor.planner.figures import Report


class Format(StrEnum):
    """How a report is written."""

    HTML = "html"
    CSV = "csv"
    XLSX = "xlsx"
    JSON = "json"


def report(
    begin: From,
    end: To,
    form: Annotated[
        Format, typer.Option("--format", help="How it is written.")
    ] = Format.HTML,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where it goes; else to stdout."),
    ] = None,
    line: Annotated[
        Path | None,
        typer.Option(
            "--line",
            metavar="LINE.TOML",
            help="The line file; else the one in force last.",
        ),
    ] = None,
    events: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="A recording, instead of what a monitor wrote; it needs --line.",
        ),
    ] = None,
    settings: SettingsFile = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
) -> None:
    """Tell what a period was like, section by section: what was disturbed, how often, who was held, and how far all that can be trusted.

    It reads what a monitor wrote, also while that runs; --events makes the same of a recording.
    """
    from monitor.core.words import CAUTION

    start, stop = window(begin, end)
    if form is Format.XLSX and out is None and sys.stdout.isatty():
        raise typer.BadParameter("--format xlsx needs --out")
    if events is None:
        if settings is not None:
            raise typer.BadParameter(
                "--settings is what a recording is concluded with; the settings of "
                "the monitor that wrote are named by --files-of"
            )
        found = _of_a_monitor(start, stop, line, where(files_of, data, journal))
    else:
        if line is None:
            raise typer.BadParameter("--events needs --line")
        found = _of_a_recording(start, stop, line, events, settings)
    _write(_writer(form)(found), out)
    if form is not Format.HTML:
        typer.echo(CAUTION, err=True)


def _of_a_monitor(
    start: Moment,
    stop: Moment,
    line: Path | None,
    files: Where,
) -> Report:
    from monitor.history import History
    from monitor.journal import Journal
    from monitor.planner.behind import of_files

    with (
        Journal.read(files.journal) as book,
        History.to_read(files.history) as history,
    ):
        graph = None if line is None else _line_of(line)
        return of_files(book, history, files.alerts, (start, stop), graph)


def _of_a_recording(
    start: Moment, stop: Moment, line: Path, events: Path, settings: Path | None
) -> Report:
    from monitor.core.engine import Engine
    from monitor.core.events import RecordKind
    from monitor.planner.behind import Gathering
    from monitor.settings import read
    from replay.player import replay, survey
    from replay.recording import read_records

    graph, tuning = _line_of(line), read(settings).detection
    try:
        learnt = survey(
            read_records(events, RecordKind.LEARNT, RecordKind.WINDOW)
        ).learnt
    except ValueError as error:
        typer.echo(f"{events}: {error}", err=True)
        raise typer.Exit(1) from None
    with closing(Gathering(graph)) as gathering:
        engine = Engine(graph, tuning, learnt=learnt)
        taken = gathering.watch(_shown(events))
        for output in replay(engine, taken):
            gathering.take(output)
        return gathering.report(start, stop)


def _shown(path: Path) -> Iterator[AnyEvent]:
    """The events of a recording, with progress; bad lines are told of as one number."""
    from monitor.bars import progress
    from replay.recording import read_recording

    bad: list[int] = []
    yield from progress(
        read_recording(path, lambda number, _: bad.append(number)), "replaying"
    )
    if bad:
        typer.echo(f"{path}: {len(bad):,} bad lines, the first line {bad[0]}", err=True)


def _line_of(path: Path) -> Line:
    from monitor.core.layout import LineFault, read_line

    try:
        return read_line(path.read_text(encoding="utf-8"), path.name)
    except UnicodeDecodeError as error:
        raise LineFault([f"{path}: byte {error.start} is no UTF-8"]) from None


def _writer(form: Format) -> Callable[[Report], bytes]:
    """What writes a report as *form*."""
    if form is Format.CSV:
        from monitor.planner.as_csv import as_csv

        return lambda one: as_csv(one).encode()
    if form is Format.HTML:
        from monitor.planner.as_html import as_html

        return lambda one: as_html(one).encode()
    if form is Format.XLSX:
        return _as_xlsx()
    from monitor.planner.as_json import as_json

    return lambda one: as_json(one).encode()


def _as_xlsx() -> Callable[[Report], bytes]:
    """What writes a workbook, where the extra is installed."""
    try:
        from monitor.planner.as_xlsx import as_xlsx
    except ModuleNotFoundError as error:
        typer.echo(
            f"{error.name} is missing: install the extra, tallywatch[xlsx]", err=True
        )
        raise typer.Exit(1) from None
    return as_xlsx


def _write(text: bytes, out: Path | None) -> None:
    if out is None:
        sys.stdout.buffer.write(text)
        sys.stdout.buffer.flush()
    else:
        out.write_bytes(text)
