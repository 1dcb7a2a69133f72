"""When somebody had a fault before them, as far as the journal knows."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.moments import Moment
from monitor.painted import Painting


def first_told(told: Iterable[Painting], fault: str, since: Moment) -> Painting | None:
    """When *fault* was first painted by a page in front of somebody from *since* on, or None where that is not on record."""
    found = (
        one for one in told if one.fault == fault and one.visible and one.at >= since
    )
    return min(found, key=lambda one: one.at, default=None)
