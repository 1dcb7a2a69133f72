"""Several calls side by side, each in a process of its own, with bars on a terminal for how far each has come."""
# ruff: noqa: PLC0415 - what draws bars and starts processes is loaded only where it is needed

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from typing import Any

Told = Callable[[float, str], None]
"""Takes how much is done, from nought to one, and what it has come to."""

LOOK_S = 0.2
"""It is looked so often how far they have come."""


class BesideFault(Exception):
    """A call failed in its process.

    Attributes:
        faults: everything that was wrong, one line each.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = tuple(faults)


def cores() -> int:
    """How many processes may run at once."""
    return len(os.sched_getaffinity(0))


def together(
    calls: Sequence[tuple[Callable[..., Any], tuple[Any, ...]]], names: Sequence[str]
) -> list[Any]:
    """What each of *calls* gives, in order.

    Args:
        calls: a function of a module, which takes `Told` first, and what else it is given.
        names: what each is called.

    Raises:
        BesideFault: one of them failed.
    """
    from concurrent.futures import ProcessPoolExecutor, wait
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    context = get_context("spawn")
    shown = sys.stderr.isatty()
    lines = context.SimpleQueue()
    found = []
    with ProcessPoolExecutor(
        len(calls), context, _begin, (lines if shown else None,)
    ) as pool:
        tasks = [
            pool.submit(_call, place, function, given)
            for place, (function, given) in enumerate(calls)
        ]
        if shown:
            with _bars(names) as bars:
                while wait(tasks, LOOK_S).not_done:
                    while not lines.empty():
                        place, share, day = lines.get()
                        bars.update(place, completed=share, day=day)
        for task in tasks:
            try:
                faults, given = task.result()
            except BrokenProcessPool:
                raise BesideFault(
                    ["a process that did a part of it has died"]
                ) from None
            if faults:
                raise BesideFault(faults)
            found.append(given)
    return found


_lines: Any = None


def _begin(lines: Any) -> None:
    """In the process: where it says how far it has come, if anybody looks."""
    global _lines  # noqa: PLW0603 - a process of a pool has nothing else that outlives a call
    _lines = lines


def _call(
    place: int, function: Callable[..., Any], given: tuple[Any, ...]
) -> tuple[tuple[str, ...], Any]:
    """In the process: what was wrong, and what the call gives."""

    def told(share: float, at: str) -> None:
        if _lines is not None:
            _lines.put((place, share, at))

    try:
        return (), function(told, *given)
    except Exception as error:  # noqa: BLE001 - whoever asked for it tells it, and a fault of ours does not pass between processes
        return tuple(getattr(error, "faults", ())) or (str(error) or repr(error),), None


def _bars(names: Sequence[str]) -> Any:
    """A bar for each."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    bars = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[day]}"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    for name in names:
        bars.add_task(name, total=1.0, day="")
    return bars
