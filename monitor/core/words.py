"""How the core speaks: times, durations and states in words, and the one caution.

Sentences say what was seen, never what must be so.
Times are shown in the line's own zone; a time on another day than the one spoken of carries its date, and on a night on which the clocks change its offset.
What machines read is UTC, written by `moments.stamp`.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta, tzinfo

from monitor.core.moments import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
)

CAUTION = (
    "Nothing here proves a section empty. "
    "An alert is advice to qualified staff: never reset, restore or pass a train "
    "on the strength of it; the local rules, the signaller and licensed practice "
    "decide."
)
"""Shown wherever an output could lead someone to reset, restore or pass a train."""

STATES = {
    "clear": "clear",
    "occupied": "occupied",
    "disturbed": "disturbed",
    "awaiting_sweep": "awaiting sweep",
    "awaiting_acknowledgement": "awaiting acknowledgement",
}
"""The states of a section as people read them."""

MEASURED = {
    "a_volts": ("level of sensor A", "V"),
    "b_volts": ("level of sensor B", "V"),
    "a_hertz": ("frequency of sensor A", "Hz"),
    "b_hertz": ("frequency of sensor B", "Hz"),
    "supply_volts": ("supply", "V"),
}
"""What is measured at a head as people read it, and its unit."""


def readable(text: str) -> str:
    r"""*text* without what turns the direction of writing, or cannot be seen at all.

    Example:
        >>> readable("moor\u202eroom\u2028gate\n4")
        'moor?room gate\n4'
    """
    return text if text.isprintable() else "".join(map(_readable, text))


def _readable(sign: str) -> str:
    if sign.isprintable() or sign in "\n\t":
        return sign
    return " " if sign.isspace() else "?"


def amount(name: str, value: float) -> str:
    """A measured value with its unit.

    Example:
        >>> amount("a_volts", 3.4), amount("b_hertz", 43512.3)
        ('3.4 V', '43512.3 Hz')
    """
    return f"{round(value, 2):.9g} {MEASURED[name][1]}"


def span(length: Duration) -> str:
    """A duration as a technician says it, two units at most.

    Example:
        >>> span(120 * SECOND), span(3725 * SECOND), span(2_500_000)
        ('2 min', '1 h 2 min', '2.5 s')
    """
    if length < 10 * SECOND:
        return f"{round(length / SECOND, 1):g} s"
    if length < 2 * MINUTE and length % MINUTE:
        return f"{length // SECOND} s"
    if length < HOUR:
        return f"{length // MINUTE} min"
    if length < 2 * DAY:
        hours, minutes = divmod(length // MINUTE, 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(length // HOUR, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def clock(moment: Moment, zone: tzinfo = UTC, seen_from: Moment | None = None) -> str:
    """The time of day of *moment* in *zone*, with the date where *seen_from* is another day.

    On a night on which the clocks change its offset is written out, since an hour of it is there twice, or not at all.

    Example:
        >>> from zoneinfo import ZoneInfo
        >>> from monitor.core.moments import parse
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> clock(noon), clock(noon, seen_from=noon + DAY)
        ('12:00:00', '2026-05-04 12:00:00')
        >>> clock(parse("2026-10-25T00:30:00Z"), ZoneInfo("Europe/Berlin"))
        '02:30:00 (+02:00)'
    """
    return _time_of_day(moment, zone, seen_from, "%H:%M:%S")


def in_full(moment: Moment, zone: tzinfo, name: str) -> str:
    """*moment* with its date, its offset and what the zone is called: what the times of a text that follow go by.

    Example:
        >>> from zoneinfo import ZoneInfo
        >>> from monitor.core.moments import parse
        >>> in_full(
        ...     parse("2026-05-04T12:00:00Z"),
        ...     ZoneInfo("Europe/Berlin"),
        ...     "Europe/Berlin",
        ... )
        '2026-05-04 14:00:00 (+02:00, Europe/Berlin)'
    """
    local = as_datetime(moment).astimezone(zone)
    return f"{local:%Y-%m-%d %H:%M:%S} ({local.isoformat()[-6:]}, {name})"


def to_the_minute(
    moment: Moment, zone: tzinfo = UTC, seen_from: Moment | None = None
) -> str:
    """The time of day of *moment* as it is written by hand, with the date where *seen_from* is another day.

    On a night on which the clocks change its offset is written out, since an hour of it is there twice, or not at all.

    Example:
        >>> from zoneinfo import ZoneInfo
        >>> from monitor.core.moments import parse
        >>> berlin, night = ZoneInfo("Europe/Berlin"), parse("2026-10-25T00:30:00Z")
        >>> to_the_minute(night, berlin), to_the_minute(night + HOUR, berlin)
        ('02:30 (+02:00)', '02:30 (+01:00)')
        >>> to_the_minute(night + DAY, berlin, seen_from=night)
        '2026-10-26 01:30'
    """
    return _time_of_day(moment, zone, seen_from, "%H:%M")


def _time_of_day(
    moment: Moment, zone: tzinfo, seen_from: Moment | None, form: str
) -> str:
    local = as_datetime(moment).astimezone(zone)
    text = f"{local:{form}}"
    if clocks_change(moment, zone):
        text += f" ({local.isoformat()[-6:]})"
    if seen_from is not None:
        other = as_datetime(seen_from).astimezone(zone)
        if other.date() != local.date():
            return f"{local:%Y-%m-%d} {text}"
    return text


def clocks_change(moment: Moment, zone: tzinfo) -> bool:
    """Whether *moment* is in a night, from noon to noon, on which the clocks of *zone* change."""
    local = as_datetime(moment).astimezone(zone)
    day = local.date() if local.hour >= 12 else local.date() - timedelta(days=1)
    noon, next_noon = (
        datetime.combine(one, time(12), zone) for one in (day, day + timedelta(days=1))
    )
    return noon.utcoffset() != next_noon.utcoffset()


def names(items: tuple[str, ...] | list[str]) -> str:
    """A list as it is spoken: `a`, `a and b`, `a, b and c`.

    Example:
        >>> names(["T106", "T107", "T108"])
        'T106, T107 and T108'
    """
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def times(count: int) -> str:
    """How often, in words.

    Example:
        >>> times(1), times(2), times(5)
        ('once', 'twice', '5 times')
    """
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


YEAR = 365.0
"""Days in a year, for statements of chance."""


def often(per_year: float) -> str:
    """How often, from a number a year.

    Example:
        >>> often(12.4), often(1.2), often(0.7), often(0.0312), often(0.0001)
        ('about 12 times a year', 'about once a year', 'about once in 1.4 years', 'about once in 32 years', 'less than once in 1000 years')
        >>> often(float("inf"))
        'more than once a day'
    """
    if per_year >= YEAR:
        return "more than once a day"
    if per_year >= 1:
        return f"about {times(round(per_year))} a year"
    if per_year < 0.001:
        return "less than once in 1000 years"
    years = 1 / per_year
    if years < 10:
        return f"about once in {years:.1f} years"
    return f"about once in {round(years, -1 if years >= 100 else 0):.0f} years"


def offset(correction: Duration) -> str:
    """A correction of a clock, signed.

    Example:
        >>> offset(3600 * SECOND), offset(-1_500_000)
        ('+1 h', '-1.5 s')
    """
    return f"{'-' if correction < 0 else '+'}{span(abs(correction))}"


def whole_hours(moment: Moment, zone: tzinfo) -> tuple[Moment, int]:
    """Where the local hour around *moment* began, and which hour of the day it is there.

    Zones off the whole hour, and the nights on which clocks change, are taken as they come.
    """
    local = as_datetime(moment).astimezone(zone)
    past = timedelta(
        minutes=local.minute, seconds=local.second, microseconds=local.microsecond
    )
    return moment - past // timedelta(microseconds=1), local.hour
