"""Options of the commands that ask a running monitor."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

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
