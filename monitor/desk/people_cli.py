"""`tallywatch people`: who may do what at the desk, kept in a file.

A password comes from a prompt or from stdin and is never an argument, where any process could read it; a token is made here and shown once.
"""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.desk.roles import Role

if TYPE_CHECKING:
    from monitor.desk.people import Person

people_app = typer.Typer(
    name="people",
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Who may do what at the desk.",
    epilog='Example: tallywatch people add "A. Moor" --role act',
)

PeopleFile = Annotated[
    Path,
    typer.Option("--file", metavar="PEOPLE.JSON", help="The file of people."),
]
FILE = Path("people.json")


def _read(path: Path) -> tuple[Person, ...]:
    from monitor.desk.people import PeopleFault, read_people

    try:
        return read_people(path)
    except FileNotFoundError:
        return ()
    except PeopleFault as fault:
        raise _fail(str(fault)) from None


def _fail(why: str) -> typer.Exit:
    typer.echo(why, err=True)
    return typer.Exit(1)


def _password() -> str:
    """A password from whoever types, twice; else the first line of stdin."""
    if sys.stdin.isatty():
        return str(
            typer.prompt(
                "Password", hide_input=True, confirmation_prompt=True, err=True
            )
        )
    return sys.stdin.readline().rstrip("\r\n")


@people_app.command("add")
def add_person(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Who.")],
    role: Annotated[
        Role,
        typer.Option(
            help="look: sees everything; act: does what a desk does; "
            "set_up: also switches kinds off and on."
        ),
    ],
    *,
    token: Annotated[
        str | None,
        typer.Option(
            metavar="LABEL",
            help="Make a token for a program instead of a password, "
            "and print it, once; LABEL says what for.",
        ),
    ] = None,
    file: PeopleFile = FILE,
) -> None:
    """Add somebody, or give them another role, password or token.

    Example: tallywatch people add "A. Moor" --role act

    The password is asked for, or read from stdin where that is no terminal.
    """
    from monitor.desk.people import (
        People,
        PeopleFault,
        Token,
        add,
        check_name,
        new_token,
        write_people,
    )

    try:
        check_name(name)
        people = _read(file)
        if token is not None:
            shown = new_token()
            changed = add(people, name, role, token=Token.of(token, shown))
            write_people(file, changed)
            typer.echo(shown)
            return
        hashed = People(file).hash(_password())
        write_people(file, add(people, name, role, password=hashed))
    except PeopleFault as fault:
        raise _fail(str(fault)) from None
    typer.echo(f"{name} may {role.value.replace('_', ' ')}.", err=True)


@people_app.command("remove")
def remove_person(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Who.")],
    file: PeopleFile = FILE,
) -> None:
    """Take somebody out: their sessions and tokens are worth nothing from now on.

    Example: tallywatch people remove "A. Moor"
    """
    from monitor.desk.people import write_people

    people = _read(file)
    kept = [one for one in people if one.name.casefold() != name.casefold()]
    if len(kept) == len(people):
        raise _fail(f"{file}: nobody in it is called {name}")
    write_people(file, kept)


@people_app.command("list")
def list_people(file: PeopleFile = FILE) -> None:
    """List who may do what, and what for tokens were made.

    Example: tallywatch people list
    """
    for one in _read(file):
        by = ["password"] * (one.password is not None)
        by += [f"token {t.label}" for t in one.tokens]
        typer.echo(f"{one.name}\t{one.role.value}\t{', '.join(by) or 'proxy'}")
