"""Moments: points in time as whole microseconds since 1970-01-01T00:00:00Z.

The core counts time in integers.
They are exact, they compare and hash fast, and they cannot be naive: a moment is UTC by definition, so no value inside the core can carry the wrong zone or none.
Durations are integers of the same unit.
Text is turned into moments at the border (`parse`) and back (`stamp`); how a moment is shown to a person is the business of `words`.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import lru_cache

Moment = int
"""A point in time: microseconds since the epoch, UTC."""

Duration = int
"""A length of time in microseconds."""

SECOND: Duration = 1_000_000
MINUTE: Duration = 60 * SECOND
HOUR: Duration = 60 * MINUTE
DAY: Duration = 24 * HOUR

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)

EARLIEST: Moment = 631_152_000 * SECOND
"""1990-01-01: no train detection feed is older, so an earlier time is a broken clock."""

LATEST: Moment = 7_258_118_400 * SECOND
"""2200-01-01: a later time is a broken clock too."""

_RFC3339 = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt](\d{2}:\d{2}:\d{2})(?:\.(\d{1,9})\d*)?([Zz]|[+-]\d{2}:\d{2})",
    re.ASCII,
)

_minutes: dict[str, Moment] = {}


def seconds(value: float) -> Duration:
    """The duration of *value* seconds, to the nearest microsecond."""
    return round(value * SECOND)


def parse(text: str) -> Moment:
    """Read an RFC 3339 time with an offset.

    Digits beyond the microsecond are cut.

    Raises:
        ValueError: the text is no RFC 3339 time, has no offset, or names a moment before `EARLIEST` or after `LATEST`; the message says which.

    Example:
        >>> parse("1970-01-01T00:00:01Z")
        Traceback (most recent call last):
        ...
        ValueError: time 1970-01-01T00:00:01Z is before 1990
        >>> parse("2026-05-04T08:12:03.412+02:00") == parse("2026-05-04T06:12:03.412Z")
        True
    """
    # Nearly every time of a feed has this shape, and most share their minute with the one before: one look-up instead of a regular expression and a calendar.
    if len(text) == 24 and text[23] == "Z" and text[19] == ".":
        minute = _minutes.get(text[:17])
        second, milli = text[17:19], text[20:23]
        if (
            minute is not None
            and second < "60"
            and (second + milli).isdecimal()
            and text.isascii()
        ):
            return minute + int(second) * SECOND + int(milli) * 1000
    return _parse_any(text)


def _parse_any(text: str) -> Moment:
    found = _RFC3339.fullmatch(text)
    if found is None:
        reason = (
            "has no offset" if _RFC3339.fullmatch(text + "Z") else "is not RFC 3339"
        )
        raise ValueError(f"time {text[:40]} {reason}")
    date, clock, fraction, offset = found.groups()
    zone = "+00:00" if offset in "Zz" else offset
    try:
        moment = (
            datetime.fromisoformat(f"{date}T{clock}{zone}") - _EPOCH
        ) // _MICROSECOND
    except (ValueError, OverflowError):
        raise ValueError(f"time {text[:40]} does not exist") from None
    if moment < EARLIEST:
        raise ValueError(f"time {text[:40]} is before 1990")
    if moment >= LATEST:
        raise ValueError(f"time {text[:40]} is after 2199")
    if zone == "+00:00":
        if len(_minutes) > 4096:
            _minutes.clear()
        _minutes[f"{date}T{clock[:6]}"] = moment - int(clock[6:]) * SECOND
    return moment + int((fraction or "0").ljust(6, "0")[:6])


@lru_cache(
    maxsize=1024
)  # what is told of a train says each time when it was first seen
def stamp(moment: Moment) -> str:
    """Write *moment* as the contract does: UTC, three decimals cut and not rounded, `Z`.

    Example:
        >>> stamp(parse("2026-05-04T06:12:03.4129Z"))
        '2026-05-04T06:12:03.412Z'
    """
    return f"{as_datetime(moment):%Y-%m-%dT%H:%M:%S}.{moment % SECOND // 1000:03d}Z"


def exact(moment: Moment) -> str:
    """Write *moment* in full, six decimals where three do not hold it, so that `parse` gives it back."""
    if moment % 1000 == 0:
        return stamp(moment)
    return f"{as_datetime(moment):%Y-%m-%dT%H:%M:%S}.{moment % SECOND:06d}Z"


def as_datetime(moment: Moment) -> datetime:
    """*moment* as an aware datetime in UTC."""
    return _EPOCH + timedelta(microseconds=moment)


def from_datetime(value: datetime) -> Moment:
    """An aware *value* as a moment.

    Raises:
        TypeError: *value* is naive.
    """
    return (value - _EPOCH) // _MICROSECOND


def midnight_before(moment: Moment) -> Moment:
    """The latest 00:00 UTC at or before *moment*."""
    return moment - moment % DAY
