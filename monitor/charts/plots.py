"""Counts and rates as drawings: bars by hour or month, what carries most, and rates with how sure they are.

A drawing takes the colour of the text around it and no other, so it is the same on a page, in a file and printed in grey; what was only partly observed is hatched.
Each has a title and a description for who cannot see it, and whoever shows it puts the same numbers beside it as a table.
All lengths are in px of the drawing, which may be shown at any size.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from math import floor, log10

WIDTH, LEFT, RIGHT, TOP, PLOT, FOOT = 720, 64, 12, 30, 190, 44
SIZE = 14
SLANTED = 14
"""Letters of a label that does not fit and is slanted."""

ROW = 26
NAMES, WIDEST = 150, 300
LETTER = 8.8
"""A letter is so wide, on average, with a little to spare."""

HATCH = (
    '<defs><pattern id="{id}" width="6" height="6" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="2.5" height="6" fill="currentColor"/>'
    "</pattern></defs>"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One bar.

    Args:
        label: below or beside it.
        value: how high; None: nothing is known.
        low: of its interval, where it has one.
        high: likewise.
        mark: a stroke across: what it would be by something else.
        part: only part of it was observed.
    """

    label: str
    value: float | None
    low: float | None = None
    high: float | None = None
    mark: float | None = None
    part: bool = False


def columns(
    name: str,
    title: str,
    description: str,
    bars: Sequence[Bar],
    every: int = 1,
    *,
    whole: bool = False,
) -> str:
    """Bars side by side, from nought.

    Args:
        name: of the drawing in its page, made of letters.
        title: what it shows.
        description: what there is to see, in words.
        bars: from left to right.
        every: so many labels apart one is written.
        whole: they are counts, and so are the numbers at the side.

    Example:
        >>> svg = columns("m", "By month", "", [Bar(label="05", value=2.0)])
        >>> svg.startswith('<svg role="img"'), "<title" in svg
        (True, True)
    """
    ends = [b.high if b.high is not None else b.value for b in bars]
    marks = [b.mark for b in bars]
    top = max((one for one in (*ends, *marks) if one is not None), default=0.0)
    steps = ticks(top, whole=whole)
    scale = PLOT / steps[-1]
    base = TOP + PLOT
    step = (WIDTH - LEFT - RIGHT) / max(len(bars), 1)
    longest = min(max((len(bar.label) for bar in bars[::every]), default=0), SLANTED)
    slanted = longest * LETTER > step * every
    parts = [HATCH.format(id=f"{name}-hatch")]
    for at in steps:
        y = base - at * scale
        parts.append(_line(LEFT, y, WIDTH - RIGHT, y, width=0.5))
        parts.append(_text(LEFT - 6, y + 5, f"{at:g}", "end"))
    for number, bar in enumerate(bars):
        x = LEFT + number * step
        parts += _column(bar, x, step, scale, name)
        if number % every:
            continue
        if slanted:
            label = _cut(bar.label, SLANTED)
            parts.append(_slanted(x + step / 2 + 4, base + 16, label))
        else:
            parts.append(_text(x + step / 2, base + 20, bar.label, "middle"))
    foot = FOOT + (longest * LETTER * 0.65 if slanted else 0)
    return _svg(name, title, description, base + foot, parts)


def _column(bar: Bar, x: float, step: float, scale: float, name: str) -> Iterable[str]:
    middle, base = x + step / 2, TOP + PLOT
    width = min(step * 0.7, 48.0)
    if bar.value is None:
        if bar.part:
            yield (
                f'<rect x="{middle - width / 2:.1f}" y="{TOP}" width="{width:.1f}" '
                f'height="{PLOT}" fill="url(#{name}-hatch)" fill-opacity="0.3"/>'
            )
        yield _text(middle, base - 6, "?", "middle")
        return
    fill = f"url(#{name}-hatch)" if bar.part else "currentColor"
    height = bar.value * scale
    yield (
        f'<rect x="{middle - width / 2:.1f}" y="{base - height:.1f}" '
        f'width="{width:.1f}" height="{height:.1f}" fill="{fill}" '
        f'fill-opacity="{1 if bar.part else 0.55}" stroke="currentColor"/>'
    )
    if bar.low is not None and bar.high is not None:
        low, high = base - bar.low * scale, base - bar.high * scale
        yield _line(middle, low, middle, high, width=2)
        for y in (low, high):
            yield _line(middle - 5, y, middle + 5, y, width=2)
    if bar.mark is not None:
        y = base - bar.mark * scale
        yield _line(x + 1, y, x + step - 1, y, width=3)


def rows(
    name: str, title: str, description: str, bars: Sequence[Bar], unit: str
) -> str:
    """A row for each: its value as a dot in its interval, to the right of its name."""
    top = max(
        (one for b in bars for one in (b.value, b.high) if one is not None), default=0.0
    )
    steps = ticks(top)
    longest = max((len(bar.label) for bar in bars), default=0)
    names = min(max(longest * LETTER + 8, NAMES), WIDEST)
    most = int((WIDEST - 8) / LETTER)
    scale = (WIDTH - names - RIGHT - 10) / steps[-1]
    bottom = TOP + len(bars) * ROW
    parts = []
    for at in steps:
        x = names + at * scale
        parts.append(_line(x, TOP - 4, x, bottom, width=0.5))
        parts.append(_text(x, bottom + 18, f"{at:g}", "middle"))
    for number, bar in enumerate(bars):
        y = TOP + (number + 0.5) * ROW
        parts.append(_text(names - 8, y + 5, _cut(bar.label, most), "end"))
        if bar.low is not None and bar.high is not None:
            parts.append(
                _line(names + bar.low * scale, y, names + bar.high * scale, y, width=3)
            )
        if bar.value is not None:
            x = names + bar.value * scale
            parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="currentColor"/>'
            )
    parts.append(_text(WIDTH - RIGHT, bottom + 36, unit, "end"))
    return _svg(name, title, description, bottom + FOOT, parts)


def carried(
    name: str,
    title: str,
    description: str,
    bars: Sequence[Bar],
    together: Sequence[float],
) -> str:
    """Bars from the highest to the lowest, and a line for what they come to together, as a share of all."""
    drawn = columns(name, title, description, bars, whole=True)
    step = (WIDTH - LEFT - RIGHT) / max(len(bars), 1)
    points = " ".join(
        f"{LEFT + (number + 0.5) * step:.1f},{TOP + PLOT * (1 - share):.1f}"
        for number, share in enumerate(together)
    )
    line = f'<polyline points="{points}" fill="none" stroke="currentColor" stroke-width="2" stroke-dasharray="6 4"/>'
    said = "".join(
        _text(
            LEFT + (number + 0.5) * step,
            TOP + PLOT * (1 - share) - 8,
            f"{share * 100:.0f} %",
            "middle",
        )
        for number, share in enumerate(together)
        if number == len(together) - 1 or number % max(1, len(together) // 5) == 0
    )
    return drawn.removesuffix("</svg>") + line + said + "</svg>"


def ticks(top: float, *, whole: bool = False) -> list[float]:
    """Round numbers from nought to at least *top*, three to six of them; of counts, *whole* ones.

    Example:
        >>> ticks(9), ticks(0), ticks(0.37)
        ([0.0, 2.0, 4.0, 6.0, 8.0, 10.0], [0.0, 1.0], [0.0, 0.1, 0.2, 0.3, 0.4])
        >>> ticks(1, whole=True), ticks(2, whole=True)
        ([0.0, 1.0], [0.0, 1.0, 2.0])
    """
    if not top > 0:
        return [0.0, 1.0]
    power = 10.0 ** floor(log10(top))
    step = next(power * n for n in (0.2, 0.5, 1, 2, 5) if top / (power * n) <= 5)
    if whole:
        step = max(step, 1.0)
    count = 1
    while count * step < top * (1 - 1e-9):
        count += 1
    return [round(at * step, 10) for at in range(count + 1)]


def _cut(label: str, most: int) -> str:
    return label if len(label) <= most else f"{label[: most - 1]}…"


def _slanted(x: float, y: float, text: str) -> str:
    """A label that would not fit beside its neighbours, ending at (x, y)."""
    turned = _text(x, y, text, "end")
    return turned.replace(
        "<text ", f'<text transform="rotate(-40 {x:.1f} {y:.1f})" ', 1
    )


def _line(x: float, y: float, to_x: float, to_y: float, *, width: float) -> str:
    return (
        f'<line x1="{x:.1f}" y1="{y:.1f}" x2="{to_x:.1f}" y2="{to_y:.1f}" '
        f'stroke="currentColor" stroke-width="{width:g}"/>'
    )


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" '
        f'font-size="{SIZE}" fill="currentColor">{escape(text)}</text>'
    )


def _svg(
    name: str, title: str, description: str, height: float, parts: Iterable[str]
) -> str:
    return (
        f'<svg role="img" class="plot" viewBox="0 0 {WIDTH} {height:.0f}" '
        f'width="{WIDTH}" height="{height:.0f}" '
        f'aria-labelledby="{name}-title {name}-desc">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>'
        f"{''.join(parts)}</svg>"
    )
