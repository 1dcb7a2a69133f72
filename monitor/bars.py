"""Progress on a terminal, for work that takes longer than a second."""
# ruff: noqa: PLC0415 - what draws bars is loaded only where one is drawn

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import Any, TypeVar

T = TypeVar("T")


def progress(items: Iterable[T], doing: str) -> Iterator[T]:
    """The *items*, with their number on a terminal where they take longer than a second."""
    if not sys.stderr.isatty():
        yield from items
        return
    from time import monotonic

    shown = None
    begun = monotonic()
    try:
        for count, item in enumerate(items):
            if not count % 1000 and monotonic() - begun > 1:
                shown = shown or _bar(doing)
                shown.update(shown.task_ids[0], completed=count)
            yield item
    finally:
        if shown is not None:
            shown.stop()


def _bar(doing: str) -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:,}"),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    # How many there will be is not known before the file has been read.
    bar.add_task(doing, total=None)
    bar.start()
    return bar
