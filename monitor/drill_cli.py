"""`tallywatch drill`: a drill on a running monitor, and when it reached each stage."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from typing import Annotated, Any

import typer

from monitor.options import CaFile, TokenFile

HERE = "http://127.0.0.1:9109"

At = Annotated[
    str, typer.Option("--desk", metavar="URL", help="Where the monitor answers.")
]


def drill(
    desk: At = HERE,
    token_file: TokenFile = None,
    ca_file: CaFile = None,
    within: Annotated[
        float,
        typer.Option(metavar="S", help="Wait so many seconds.", min=1, max=120),
    ] = 60.0,
) -> None:
    """Send a marked alert and call through the whole chain of a running monitor, and report the time at each stage.

    It goes to the real receivers, also on trial; ends with 1 where any of them was not reached.
    """
    from monitor.asking import WAIT_S, NotDone, ask

    try:
        told = ask(
            desk,
            "drills",
            {"within_s": within},
            token_file=token_file,
            ca_file=ca_file,
            within_s=within + WAIT_S,
        )
    except NotDone as why:
        typer.echo(str(why), err=True)
        raise typer.Exit(1) from None
    for line in report(told):
        typer.echo(line)
    if not told["passed"]:
        typer.echo("not everything was reached", err=True)
        raise typer.Exit(1)


def report(told: dict[str, Any]) -> list[str]:
    """What is printed of a drill: a line for each stage.

    Example:
        >>> report(
        ...     {
        ...         "number": "94MR",
        ...         "began": "2026-05-04T06:12:03.412Z",
        ...         "stages": [
        ...             {"name": "written down", "took_s": 0.004, "said": "on disk"},
        ...             {"name": "room, call", "took_s": None, "said": "waiting: 503"},
        ...         ],
        ...         "left_out": ["night"],
        ...     }
        ... )
        ['drill 94MR, begun 2026-05-04T06:12:03.412Z', '    0.004 s  written down: on disk', '          -  room, call: waiting: 503', 'not tried, for they are called only in later steps: night']
    """
    lines = [f"drill {told['number']}, begun {told['began']}"]
    for stage in told["stages"]:
        took = stage["took_s"]
        shown = "-" if took is None else f"{took:.3f} s"
        lines.append(f"{shown:>11}  {stage['name']}: {stage['said']}")
    if told["left_out"]:
        names = ", ".join(told["left_out"])
        lines.append(f"not tried, for they are called only in later steps: {names}")
    return lines
