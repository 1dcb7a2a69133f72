"""What the commands about the past share: where a monitor wrote, and a window of its journal with what was in force then."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from monitor.core.layout import Line
    from monitor.core.moments import Moment
    from monitor.core.tuning import Detection
    from monitor.past import Past


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """Where a monitor writes, or wrote."""

    journal: Path
    alerts: Path
    history: Path
    people: Path


def where(files_of: Path | None, data: Path | None, journal: Path | None) -> Where:
    """Where the files of a monitor are.

    Args:
        files_of: its settings file.
        data: where it ran: relative names are taken from there.
        journal: where its journal is, whatever those say; what else it wrote is then looked for beside it.

    Raises:
        SettingsFault: with everything that is wrong with the settings.
    """
    from monitor.settings import read

    found = read(files_of)
    base = data if data is not None else Path()
    if data is None and journal is not None:
        base = journal.parent
    return Where(
        journal=journal if journal is not None else base / found.files.journal,
        alerts=base / found.files.alerts,
        history=base / found.files.history,
        people=base / found.desk.people_file,
    )


@contextmanager
def opened(
    begin: Moment,
    end: Moment,
    *,
    line: Path | None = None,
    settings: Path | None = None,
    files_of: Path | None = None,
    data: Path | None = None,
    journal: Path | None = None,
) -> Iterator[Past]:
    """A window of the journal; what was in force then is told on stderr.

    Args:
        begin: from when.
        end: up to when.
        line: instead of the line file in force then.
        settings: instead of the settings in force then.
        files_of: the settings file of the monitor: says where the journal is, where nothing else does.
        data: where the monitor ran.
        journal: its journal.

    Raises:
        JournalFault, PastFault, LineFault, SettingsFault: it cannot be used.
    """
    from monitor.journal import Journal
    from monitor.past import Past

    files = where(files_of, data, journal)
    with Journal.read(files.journal) as book:
        past = Past(
            book,
            begin,
            end,
            line=None if line is None else _line(line),
            detection=None if settings is None else _detection(settings),
        )
        for sentence in past.said(version()):
            typer.echo(sentence, err=True)
        yield past


def _line(path: Path) -> Line:
    from monitor.core.layout import LineFault, read_line

    try:
        return read_line(path.read_text(encoding="utf-8"), path.name)
    except UnicodeDecodeError as error:
        fault = f"{path}: byte {error.start} is no UTF-8"
        raise LineFault((fault,)) from None


def _detection(path: Path) -> Detection:
    from monitor.settings import read

    return read(path).detection


def version() -> str:
    """Which monitor this is."""
    from importlib.metadata import version as of

    return of("tallywatch")


def explain_then(
    past: Past, section: str, at: Moment, kind: str | None, *, as_json: bool = False
) -> None:
    """Print what each detection knew of a section, by what was in force then.

    Raises:
        PastFault: there was no such section, or nothing was heard by then.
    """
    from monitor.bars import progress
    from monitor.core.words import in_full
    from monitor.past import PastFault, explained

    run = past.runs[-1]
    graph = run.line
    if section not in graph.sections:
        raise PastFault(f"there was no section {section} in {graph.name}")
    kinds = [one.kind for one in run.detection.detectors]
    if kind is not None and kind not in kinds:
        raise typer.BadParameter(f"there is no {kind}; there are {', '.join(kinds)}")
    print_explained(
        f"{section} at {in_full(at, graph.zone, graph.timezone)}:",
        explained(
            past, section, at, kind, lambda events: progress(events, "explaining")
        ),
        reach=past.reach_of(at),
        in_force=past.said(version()),
        as_json=as_json,
    )


def print_explained(
    heading: str,
    said: list[str],
    *,
    reach: list[str] | None = None,
    in_force: list[str] | None = None,
    as_json: bool = False,
) -> None:
    """Print what detections knew.

    Args:
        heading: of what, and when.
        said: in sentences.
        reach: how far it was looked.
        in_force: what was; people have been told that already.
        as_json: for programs, in one line.
    """
    import json

    from monitor.core.words import CAUTION

    if as_json:
        told = {
            "heading": heading,
            "said": said,
            "reach": reach or [],
            "in_force": in_force or [],
            "caution": CAUTION,
        }
        typer.echo(json.dumps(told, ensure_ascii=False))
        return
    for sentence in (heading, *said, *(reach or ()), CAUTION):
        typer.echo(sentence)
