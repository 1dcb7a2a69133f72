"""What the second checker says of an alert: an opinion, and the doubts that it rests on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import tzinfo
from enum import Enum
from typing import Any

from monitor.core.moments import (
    Moment,
    as_datetime,
)

FOR_EVER: Moment = 1 << 62


LONG_AGO: Moment = -(1 << 62)


FEW = 3
"""Axles left over up to this many are a miscount; more may be vehicles."""


class Opinion(Enum):
    """What comes of working an alert out again."""

    AGREES = "agrees"
    DISAGREES = "disagrees"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The second opinion on one alert.

    Args:
        id: of the alert.
        kind: its kind.
        subject: about what it is.
        opinion: what came of it.
        why: where it does not agree, the sentence that says why.
    """

    id: str
    kind: str
    subject: str
    opinion: Opinion
    why: str = ""

    def __str__(self) -> str:
        said = f"{self.kind} {self.subject} ({self.id}): {self.opinion.value}"
        return f"{said}: {self.why}" if self.why else said


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that speaks against an alert.

    Args:
        why: as a sentence.
        sure: False where it only keeps the checker from agreeing.
    """

    why: str
    sure: bool = True


Doubts = Iterator[Doubt]


Record = Mapping[str, Any]
"""An alert as the contract's record has it, read from JSON."""


def shown(moment: Moment, zone: tzinfo, seen_from: Moment) -> str:
    """The time of day of *moment* in *zone*, to the millisecond where it is no whole second, with its date and offset where *seen_from* is of another day."""
    local, other = (as_datetime(one).astimezone(zone) for one in (moment, seen_from))
    text = f"{local:%H:%M:%S}.{local.microsecond // 1000:03d}".removesuffix(".000")
    if local.date() == other.date() and local.utcoffset() == other.utcoffset():
        return text
    return f"{local:%Y-%m-%d} {text} ({local.isoformat()[-6:]})"


def same(one: Moment, other: Moment) -> bool:
    """Whether they are one moment as far as an alert's record says it: milliseconds."""
    return one // 1000 == other // 1000


def weight(doubts: list[Doubt]) -> tuple[int, int]:
    """How much speaks against something: what is sure before what is not."""
    return sum(doubt.sure for doubt in doubts), len(doubts)
