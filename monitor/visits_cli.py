"""`tallywatch visits`: visits and what was found, into a running monitor and out of it as a table."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.drill_cli import HERE
from monitor.options import CaFile, TokenFile

if TYPE_CHECKING:
    from monitor.asking import NotDone

visits_app = typer.Typer(
    name="visits",
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Visits to parts, and what was found there.",
    epilog="Example: tallywatch visits import visits.csv",
)

At = Annotated[
    str, typer.Option("--desk", metavar="URL", help="Where the monitor answers.")
]


@visits_app.command(
    "import", epilog="Example: tallywatch visits import visits.csv --token-file token"
)
def import_(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Visits (.csv); see the README.")
    ],
    desk: At = HERE,
    position: Annotated[
        str, typer.Option(metavar="NAME", help="At which desk they are entered.")
    ] = "",
    token_file: TokenFile = None,
    ca_file: CaFile = None,
) -> None:
    """Hand a table of visits to a running monitor; everything that is wrong with it is said, and then nothing is taken.

    A table that comes again changes nothing; a visit of which more is known by then takes the place of what was said of it before.
    """
    from monitor.asking import NotDone, ask
    from monitor.planner.visit_table import no_utf8

    try:
        text = file.read_text(encoding="utf-8-sig")
        if not text.strip():
            raise _failed(f"{file}: there is nothing in it")
        given = {
            "what": "visits_imported",
            "position": position,
            "name": file.name[-LONGEST_NAME:],
            "text": text,
        }
        told = ask(desk, "visits", given, token_file=token_file, ca_file=ca_file)
    except NotDone as why:
        raise _failed(*told_of(why, file.name)) from None
    except UnicodeDecodeError as error:
        raise _failed(f"{file}: {no_utf8(error)}") from None
    except OSError as error:
        raise _failed(f"{error.filename}: {error.strerror}") from None
    new = len(told["visits"])
    typer.echo(f"{file.name}: {new} new or changed, {told['known']} known already")


@visits_app.command(epilog="Example: tallywatch visits export --out visits.csv")
def export(
    desk: At = HERE,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where the table goes; else to stdout."),
    ] = None,
    token_file: TokenFile = None,
    ca_file: CaFile = None,
) -> None:
    """Write the visits that a running monitor knows as a table, those that were told on site too."""
    from monitor.asking import NotDone, fetch

    try:
        text = fetch(desk, "visits/table", token_file=token_file, ca_file=ca_file)
        if out is not None:
            out.write_text(text, encoding="utf-8", newline="")
            return
    except NotDone as why:
        raise _failed(str(why)) from None
    except OSError as error:
        raise _failed(f"{error.filename}: {error.strerror}") from None
    typer.echo(text, nl=False)


LONGEST_NAME = 64
"""A file is told to the monitor by so many characters of its name, the last ones."""


def told_of(why: NotDone, name: str) -> list[str]:
    """What is wrong with a table, a line each, and that nothing of it was taken; or why it was not looked at."""
    mark = f"; {name[-LONGEST_NAME:]}: "
    first, *more = why.told.split(mark)
    if not first.startswith(mark[2:]):
        return [str(why)]
    return [
        first,
        *(f"{mark[2:]}{one}" for one in more),
        "Nothing of it was taken: mend these lines and import it again.",
    ]


def _failed(*faults: str) -> typer.Exit:
    for fault in faults:
        typer.echo(fault, err=True)
    return typer.Exit(1)
