"""`tallywatch work`: planned work out of a file, as it would be understood, or for a running monitor to have as a plan.

A plan quiets nothing: work begins when somebody at the desk says so.
"""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.options import CaFile, TokenFile

if TYPE_CHECKING:
    from datetime import tzinfo

    from monitor.core.moments import Moment
    from monitor.plans import Work

work_app = typer.Typer(
    name="work",
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Planned work.",
    epilog="Example: tallywatch work import possessions.csv --line line.toml",
)


@work_app.callback()
def _work() -> None:
    # With one command alone there would be no name for it.
    pass


@work_app.command(
    "import",
    epilog="Example: tallywatch work import possessions.csv --line line.toml",
)
def import_(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Planned work (.csv or .ics).")
    ],
    line: Annotated[
        Path, typer.Option("--line", metavar="LINE.TOML", help="The line file.")
    ],
    since: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="TIME",
            help="Follow what recurs for a year from then on; else from its first time.",
        ),
    ] = None,
    *,
    desk: Annotated[
        str | None,
        typer.Option(
            metavar="URL",
            help="Where a running monitor answers, which is to have it as a plan.",
        ),
    ] = None,
    plan: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="What the plan is called there, in place of one of the same name; "
            "else as the file.",
        ),
    ] = None,
    position: Annotated[
        str, typer.Option(metavar="NAME", help="At which desk it is entered there.")
    ] = "desk",
    token_file: TokenFile = None,
    ca_file: CaFile = None,
) -> None:
    """Read planned work, and say everything that is wrong with it, or which sections it takes out and when.

    A plan quiets nothing: work begins when somebody says so.
    With --desk a running monitor has it from now on.
    """
    from monitor.asking import NotDone, ask
    from monitor.core.layout import LineFault, read_line
    from monitor.plans import read_plan, year_from
    from monitor.tables import TableFault

    window = None if since is None else year_from(_moment(since))
    try:
        graph = read_line(line.read_text(encoding="utf-8"), line.name)
        works = read_plan(file, graph, window)
        if desk is not None:
            entry = {
                "what": "plan_imported",
                "position": position,
                "plan": plan or file.stem,
                "form": "ics" if file.suffix.lower() == ".ics" else "csv",
                "text": file.read_text(encoding="utf-8-sig"),
            }
            ask(desk, "entries", entry, token_file=token_file, ca_file=ca_file)
    except NotDone as why:
        raise _failed(str(why)) from None
    except (LineFault, TableFault) as fault:
        raise _failed(*fault.faults) from None
    except UnicodeDecodeError as error:
        raise _failed(f"{line}: byte {error.start} is no UTF-8") from None
    except OSError as error:
        raise _failed(f"{error.filename}: {error.strerror}") from None
    for work in works:
        typer.echo(shown(work, graph.zone))
    count = len(works)
    pieces = "piece" if count == 1 else "pieces"
    had = "" if desk is None else f", which {desk} has as the plan {plan or file.stem}"
    typer.echo(
        f"{file.name}: {count} {pieces} of work{had}; none begins until somebody says so",
        err=True,
    )


def _failed(*faults: str) -> typer.Exit:
    for fault in faults:
        typer.echo(fault, err=True)
    return typer.Exit(1)


def _moment(text: str) -> Moment:
    from monitor.core.moments import parse

    try:
        return parse(text)
    except ValueError as error:
        raise typer.BadParameter(f"{error}; one is 2026-05-04T06:12:03Z") from None


def shown(work: Work, zone: tzinfo) -> str:
    """*work* in one line, in the local time of *zone*; with offsets where clocks change meanwhile.

    Example:
        >>> from zoneinfo import ZoneInfo
        >>> from monitor.core.moments import HOUR, parse
        >>> from monitor.plans import Work
        >>> night = parse("2026-10-24T23:00:00Z")
        >>> work = Work(sections=("T1", "T2"), begin=night, end=night + 4 * HOUR)
        >>> shown(work, ZoneInfo("Europe/Berlin"))
        '2026-10-25 01:00 +0200 to 04:00 +0100  T1, T2'
    """
    from monitor.core.moments import as_datetime

    begin, end = (as_datetime(at).astimezone(zone) for at in (work.begin, work.end))
    offset = " %z" if begin.utcoffset() != end.utcoffset() else ""
    first = f"{begin:%Y-%m-%d %H:%M{offset}}"
    day = "" if begin.date() == end.date() else "%Y-%m-%d "
    times = f"{first} to {end:{day}%H:%M{offset}}"
    said = [times, ", ".join(work.sections), work.reference, work.text]
    return "  ".join(one for one in said if one)
