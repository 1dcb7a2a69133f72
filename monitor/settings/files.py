"""A file that a setting names, and that must be readable before anything starts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator


def _readable(path: Path) -> Path:
    try:
        with path.open("rb") as file:
            file.read(1)
            return path
    except OSError as error:
        raise ValueError(f"{path} cannot be read: {error.strerror}") from None


ReadableFile = Annotated[Path, AfterValidator(_readable)]
