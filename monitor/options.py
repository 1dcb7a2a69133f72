"""Options that commands share: of those that ask a running monitor, and of those that read what it wrote."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from monitor.core.moments import Moment

TokenFile = Annotated[
    Path | None,
    typer.Option("--token-file", metavar="FILE", help="Holds a token that may act."),
]
CaFile = Annotated[
    Path | None,
    typer.Option(
        "--ca-file",
        metavar="FILE",
        help="By which the monitor's certificate is checked, instead of the system's.",
    ),
]

SettingsFile = Annotated[
    Path | None,
    typer.Option("--settings", metavar="SETTINGS.TOML", help="The settings file."),
]
FilesOf = Annotated[
    Path | None,
    typer.Option(
        "--files-of",
        metavar="SETTINGS.TOML",
        help="The settings file of a monitor: it says where that writes.",
    ),
]
DataDirectory = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help="Where a monitor runs or ran: file names of settings are taken from there.",
    ),
]
JournalFile = Annotated[
    Path | None,
    typer.Option(
        "--journal", metavar="FILE", help="The journal; else as the settings say."
    ),
]
From = Annotated[str, typer.Option("--from", metavar="TIME", help="From when.")]
To = Annotated[str, typer.Option("--to", metavar="TIME", help="Up to when.")]
FromOrNone = Annotated[
    str | None,
    typer.Option("--from", metavar="TIME", help="Out of the journal: from when."),
]
ToOrNone = Annotated[
    str | None,
    typer.Option("--to", metavar="TIME", help="Out of the journal: up to when."),
]


def moment(text: str) -> Moment:
    """A time given on the command line."""
    from monitor.core.moments import parse

    try:
        return parse(text)
    except ValueError as error:
        raise typer.BadParameter(f"{error}; one is 2026-05-04T06:12:03Z") from None


def window(begin: str, end: str) -> tuple[Moment, Moment]:
    """Two times given on the command line, the first before the second."""
    start, stop = moment(begin), moment(end)
    if start >= stop:
        raise typer.BadParameter("--from is not before --to")
    return start, stop
