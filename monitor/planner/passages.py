"""How many trains passed a head: by itself where the feed tells its passages, else as many as worked through the busier section beside it.

A train counts once at a head, and not once for each section that meets there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.core.words import names
from monitor.planner.figures import Figures

TOLD = 0.5
"""A head whose passages come to less of the trains of its quieter section is not told of whole: a feed that began to tell them in mid period, or tells some."""

MOST = 6
"""So many heads are named in a note."""

By = Literal["", "head", "section"]
"""By what the trains of a row are counted: sections alone, the head's own passages, or the busier section beside it."""


@dataclass(frozen=True, slots=True)
class Trains:
    """Trains, those of them whose axles were told, and these axles."""

    trains: int
    counted: int
    axles: float
    by: By


def passing(told: tuple[int, int] | None, beside: Sequence[Trains]) -> Trains:
    """The trains that passed a head.

    Args:
        told: its passages and their axles, where the feed tells any.
        beside: the trains of each section that meets there.

    Example:
        Sixty through one section and a hundred through the other, at points; the head was passed by sixty-one:

        >>> beside = [Trains(60, 0, 0.0, ""), Trains(100, 0, 0.0, "")]
        >>> passing((61, 2440), beside)
        Trains(trains=61, counted=61, axles=2440.0, by='head')
        >>> passing(None, beside).trains, passing((20, 800), beside).trains
        (100, 100)
    """
    if told is not None and told[0] >= TOLD * min(
        (one.trains for one in beside), default=0
    ):
        count, axles = told
        return Trains(count, count if axles else 0, float(axles), "head")
    most = max(beside, key=lambda one: one.trains, default=Trains(0, 0, 0.0, ""))
    return Trains(most.trains, most.counted, most.axles, "section")


def noted(heads: Iterable[Figures]) -> Iterable[str]:
    """What there is to say of by what heads are counted."""
    heard = [row for row in heads if row.heard and row.trains]
    other = [row.name for row in heard if row.by == "section"]
    if other and len(other) == len(heard):
        yield "This feed tells no passages of heads: those of a head are taken to be the trains of the busier section beside it."
    elif other:
        shown = (
            names(other)
            if len(other) <= MOST
            else f"{', '.join(other[:MOST])} and {len(other) - MOST} more"
        )
        yield f"Passages are those that the feed tells of each head; of {shown} it does not, or not all: there they are the trains of the busier section beside it."
