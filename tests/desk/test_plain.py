from __future__ import annotations

import json
from dataclasses import dataclass
from enum import Enum

from monitor.core.moments import MINUTE, Duration, Moment, parse
from monitor.desk.plain import plain

NOON = parse("2026-05-04T12:00:00Z")


class Colour(Enum):
    """A choice."""

    GREY = "grey"


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    """A value in a value."""

    at: Moment | None
    lasts: Duration


@dataclass(frozen=True, slots=True, kw_only=True)
class Outer:
    """A value of every sort."""

    count: int
    sure: bool
    colour: Colour
    inner: tuple[Inner, ...]
    notes: tuple[tuple[Moment, str, int], ...]
    by_name: dict[str, Moment]
    names: frozenset[str]


def test_every_sort_of_value_is_plain():
    """Moments become RFC 3339 and durations seconds, by what their field says they are, however deep; counts stay counts."""
    value = Outer(
        count=NOON,
        sure=True,
        colour=Colour.GREY,
        inner=(Inner(at=NOON, lasts=2 * MINUTE), Inner(at=None, lasts=0)),
        notes=((NOON, "seen", 3),),
        by_name={"T107": NOON},
        names=frozenset({"b", "a"}),
    )
    assert json.loads(json.dumps(plain(value))) == {
        "count": NOON,
        "sure": True,
        "colour": "grey",
        "inner": [
            {"at": "2026-05-04T12:00:00.000Z", "lasts": 120.0},
            {"at": None, "lasts": 0.0},
        ],
        "notes": [["2026-05-04T12:00:00.000Z", "seen", 3]],
        "by_name": {"T107": "2026-05-04T12:00:00.000Z"},
        "names": ["a", "b"],
    }
