"""Frozen values as plain JSON values: moments as RFC 3339, durations in seconds, everything else as it is.

A moment and a count are both whole numbers, so it is the annotation of a field that says which it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Set as AbstractSet
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from monitor.core.moments import EARLIEST, SECOND, stamp


def plain(value: Any, annotation: str = "") -> Any:
    """*value* as plain JSON values.

    Args:
        value: a dataclass, a mapping, several of something, or one thing.
        annotation: what the field that holds it says it is.

    Example:
        >>> from monitor.core.facts import Fact
        >>> from monitor.core.moments import parse
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> plain(Fact(kind="reset", subject="section/T107", began=noon))["began"]
        '2026-05-04T12:00:00.000Z'
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {
            one.name: plain(getattr(value, one.name), str(one.type))
            for one in fields(value)
            if not one.name.startswith("_")
        }
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, int):
        return _number(value, annotation)
    if isinstance(value, float | str):
        return value
    if isinstance(value, Mapping):
        return {str(k): plain(v, annotation) for k, v in value.items()}
    if isinstance(value, AbstractSet):
        return sorted(plain(one, annotation) for one in value)
    return [plain(one, annotation) for one in value]


def _number(value: int, annotation: str) -> Any:
    # A field may hold counts beside moments; no count is as large as a moment.
    if "Moment" in annotation and value >= EARLIEST:
        return stamp(value)
    if "Duration" in annotation:
        return value / SECOND
    return value
