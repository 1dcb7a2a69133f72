"""`tallywatch keep`: a window of the journal is to be kept, by whom and why; and which are."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.drill_cli import HERE
from monitor.options import (
    CaFile,
    DataDirectory,
    FilesOf,
    FromOrNone,
    JournalFile,
    TokenFile,
    ToOrNone,
    window,
)
from monitor.past_cli import where

if TYPE_CHECKING:
    from monitor.core.moments import Moment
    from monitor.keeps import Keep

LONGEST = 500
"""Characters of a reason, as the desk takes it."""

At = Annotated[
    str, typer.Option("--desk", metavar="URL", help="Where the monitor answers.")
]


def keep(
    begin: FromOrNone = None,
    end: ToOrNone = None,
    reason: Annotated[
        str | None, typer.Option("--reason", metavar="TEXT", help="Why.")
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(
            "--by",
            metavar="NAME",
            help="Who wants it: straight into a journal that no monitor is writing; "
            "else the running monitor is asked, and knows who asks.",
        ),
    ] = None,
    position: Annotated[
        str, typer.Option("--position", metavar="NAME", help="At which desk.")
    ] = "",
    desk: At = HERE,
    token_file: TokenFile = None,
    ca_file: CaFile = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
    *,
    list_them: Annotated[
        bool,
        typer.Option("--list", help="Only list the windows that are to be kept."),
    ] = False,
) -> None:
    """Write into the journal that a window of it is to be kept, by whom and why; whatever ages or deletes leaves it.

    The running monitor at --desk is asked to; with --by and where its journal is, a journal that no monitor is writing is written itself.
    """
    if list_them:
        _list(where(files_of, data, journal).journal)
        return
    if begin is None or end is None or not reason:
        raise typer.BadParameter("--from, --to and --reason, or --list")
    start, stop = window(begin, end)
    if len(reason) > LONGEST or not reason.isprintable():
        raise typer.BadParameter(f"--reason is one line of up to {LONGEST} characters")
    if by is not None:
        path = where(files_of, data, journal).journal
        _write(path, start, stop, reason, by, position)
        typer.echo(f"kept: {path} says so")
        return
    from monitor.asking import NotDone, ask
    from monitor.core.moments import exact

    given = {
        "position": position,
        "begin": exact(start),
        "end": exact(stop),
        "reason": reason,
    }
    try:
        told = ask(desk, "keeps", given, token_file=token_file, ca_file=ca_file)
    except NotDone as why:
        typer.echo(str(why), err=True)
        raise typer.Exit(1) from None
    typer.echo(f"kept: {desk} wrote it down at {told['at']}")


def _write(
    path: Path, begin: Moment, end: Moment, reason: str, by: str, position: str
) -> None:
    import secrets

    from monitor.daemon import Clock
    from monitor.journal import Journal, JournalFault
    from monitor.keeps import Keep, entry

    with Journal.read(path) as journal:
        played = journal.played
    if not by.isprintable() or not by.strip():
        raise JournalFault("--by is a name")
    made = Keep(
        id=secrets.token_hex(8),
        begin=begin,
        end=end,
        reason=reason,
        by=by,
        position=position,
        entered=Clock()(),
    )
    with Journal.open(path, played=played) as journal:
        journal.append([entry(made)])


def _list(path: Path) -> None:
    from monitor.journal import Journal
    from monitor.keeps import keeps_in

    with Journal.read(path) as journal:
        found = list(keeps_in(journal.kept()))
    for one in sorted(found, key=lambda one: (one.begin, one.id)):
        typer.echo(in_a_line(one))
    windows = "window" if len(found) == 1 else "windows"
    typer.echo(f"{len(found)} {windows} to be kept", err=True)


def in_a_line(keep: Keep) -> str:
    """*keep* as it is listed; times are UTC.

    Example:
        >>> from monitor.core.moments import HOUR, parse
        >>> from monitor.keeps import Keep
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> in_a_line(
        ...     Keep(
        ...         id="1",
        ...         begin=noon,
        ...         end=noon + HOUR,
        ...         reason="the night of the storm",
        ...         by="A. Moor",
        ...         position="north",
        ...         entered=noon + HOUR,
        ...     )
        ... )
        '2026-05-04T12:00:00.000Z to 2026-05-04T13:00:00.000Z: the night of the storm (A. Moor at north, 2026-05-04T13:00:00.000Z)'
    """
    from monitor.core.moments import stamp

    desk = f" at {keep.position}" if keep.position else ""
    return (
        f"{stamp(keep.begin)} to {stamp(keep.end)}: {keep.reason} "
        f"({keep.by}{desk}, {stamp(keep.entered)})"
    )
