"""The last days of a section and its neighbours: a column a day, a row a section.

A column is as high as there were disturbances, with their number on it; a day of which some was not known is hatched, for there the number may be too low.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

from monitor.charts.drawing import HATCH
from monitor.desk.model import DayOut
from monitor.desk.pages.strip import NAMES, WIDTH, beside, row_name

ROW, FOOT = 46, 24
HALF = 24
"""How high a column grows at most."""

NEGLIGIBLE = 0.01
"""A quarter of an hour of a day that was not known takes nothing away from its number."""

FULL = 6
"""As many disturbances as make the highest column."""


def month_strip(sections: Mapping[str, Sequence[DayOut]]) -> str:
    """The days of *sections*, all of them the same days, the oldest first."""
    rows = list(sections.items())
    days = rows[0][1]
    step = (WIDTH - NAMES) / len(days)
    height = ROW * len(rows) + FOOT
    names, parts = [], [HATCH.format(id="not-known-month")]
    for number, (name, each) in enumerate(rows):
        base = (number + 1) * ROW - 2
        names.append(row_name(name, base - 6))
        parts += _row(name, each, base, step)
    bottom = height - 6
    for place, day in enumerate(days):
        # Ten days apart, and the last of them today.
        if (len(days) - 1 - place) % 10 == 0:
            x = NAMES + (place + 0.5) * step
            anchor = "end" if place == len(days) - 1 else "middle"
            x = WIDTH if anchor == "end" else x
            parts.append(
                f'<text class="name" x="{x:.1f}" y="{bottom}" text-anchor="{anchor}">{day.day[5:]}</text>'
            )
    title = f"The last {len(days)} days of {', '.join(sections)}"
    return beside("month", title, height, names, parts)


def _row(name: str, days: Sequence[DayOut], base: int, step: float) -> Iterable[str]:
    yield f'<line class="rail" x1="{NAMES}" x2="{WIDTH}" y1="{base}" y2="{base}"/>'
    for place, day in enumerate(days):
        x = NAMES + place * step + 1
        says = f"{name}, {day.day}: {said(day)}"
        yield f"<g><title>{escape(says)}</title>"
        if day.not_known > NEGLIGIBLE:
            yield (
                f'<rect class="was-unknown" fill="url(#not-known-month)" x="{x:.1f}" y="{base - HALF}" '
                f'width="{step - 2:.1f}" height="{HALF}"/>'
            )
        if day.disturbances:
            tall = HALF * min(day.disturbances, FULL) / FULL
            yield (
                f'<rect class="was" x="{x:.1f}" y="{base - tall:.1f}" width="{step - 2:.1f}" height="{tall:.1f}"/>'
                f'<text class="count" x="{x + step / 2 - 1:.1f}" y="{base - tall - 4:.1f}" text-anchor="middle">{day.disturbances}</text>'
            )
        yield "</g>"


def said(day: DayOut) -> str:
    """A day in words.

    Example:
        >>> said(DayOut(day="2026-05-04", disturbances=0, not_known=1.0))
        'not heard'
        >>> said(DayOut(day="2026-05-04", disturbances=2, not_known=0.25))
        '2 disturbances; not known for 25 of a hundred of it'
    """
    if day.not_known >= 1 and not day.disturbances:
        return "not heard"
    plural = "" if day.disturbances == 1 else "s"
    text = f"{day.disturbances} disturbance{plural}"
    if day.not_known > NEGLIGIBLE:
        text += f"; not known for {round(100 * day.not_known)} of a hundred of it"
    return text
