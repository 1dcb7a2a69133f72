"""The line as a drawing, made here from the line file; a page then only changes how each section looks.

Two scales: an overview with one band an area, and a close-up of some sections with their names and heads.
A mark is chosen by the attributes `data-shows`, `data-known`, `data-fault` and `data-work` of a section's group, and by the style sheet; nothing is coloured here.
All lengths are in px of the drawing, which a page may show at any size.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import tzinfo
from html import escape
from typing import Protocol
from urllib.parse import quote

from monitor.charts.lineup import Lineup, Place, lineup, surroundings
from monitor.charts.placenames import place_names
from monitor.core.layout import OPEN, Line
from monitor.core.moments import parse
from monitor.core.words import clock

WIDTH = 1112
NAMES, STATES = 176, 262
"""What is kept free at the left for the names of areas, and at the right for how they stand."""

LONGEST = 14
"""Letters of an area's name that have room there, also where all is drawn smaller."""

BAND = 29
RAILS = 8
"""Sections whose lines are one path."""

LEAST = 9
"""What is not as usual is at least so wide and high."""

CLOSE, COLUMN_MOST, COLUMN_LEAST = 60, 112, 92
"""Sections around one that a close-up is made from, and the width of each: the longest word that stands on one fits."""

PLATE = 76
"""Under the words "not known" the hatching leaves so much free."""

LETTER = 24
"""A section of an overview that is narrower has no room for a letter."""

STEP_MOST = 108
"""The width of a section in the overview of a short line."""

ROW = 58
HATCH = (
    '<defs><pattern id="{id}" width="7" height="7" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect class="hatch-ground" width="7" height="7"/>'
    '<rect class="hatch-stroke" width="2.5" height="7"/></pattern></defs>'
)


class Look(Protocol):
    """How a section looks: what the drawing asks of it."""

    @property
    def shows(self) -> str:
        """A word for the kind of mark: `clear`, `train`, `odd` or `nothing`."""

    @property
    def known(self) -> bool:
        """Whether that can be relied on."""

    @property
    def fault(self) -> str:
        """The priority of the most serious open fault about it, or nothing."""

    @property
    def work(self) -> bool:
        """Whether it is under work."""

    @property
    def word(self) -> str:
        """Stands on it in a close-up."""

    @property
    def says(self) -> str:
        """All of it, in words."""

    @property
    def since(self) -> str:
        """Since when it is not known, as a timestamp, or nothing."""


def overview(line: Line, looks: Mapping[str, Look]) -> str:
    """Every section, one band an area, in the order in which areas come in the line file."""
    areas: dict[str, list[str]] = {}
    for name, section in line.sections.items():
        areas.setdefault(section.area, []).append(name)
    placed = {area: lineup(line, names) for area, names in areas.items()}
    columns = max((one.columns for one in placed.values()), default=1)
    step = min(STEP_MOST, (WIDTH - NAMES - STATES) / columns)
    parts = [HATCH.format(id="not-known")]
    names = place_names(line)
    for number, (area, lined) in enumerate(placed.items()):
        at = number * BAND, step
        parts += _band((area, names[area]), lined, looks, at, line.zone)
    height = BAND * len(areas)
    return _svg("overview", (WIDTH, height), f"The line, {len(areas)} areas", parts)


def standing(line: Line, looks: Mapping[str, Look]) -> list[tuple[str, str]]:
    """The areas by name, each with how its sections stand, as the overview says it beside its bands; before that, how many of them a fault is open about, where people are called for it: the drawing may be out of sight."""
    areas: dict[str, list[Look]] = {}
    for name, section in line.sections.items():
        areas.setdefault(section.area, []).append(looks[name])
    names = place_names(line)
    return [
        (
            names[area],
            _called([one.fault for one in found])
            + stands(
                [one.since for one in found if not one.known], len(found), line.zone
            ),
        )
        for area, found in areas.items()
    ]


def _called(faults: Sequence[str]) -> str:
    """Of how many sections an urgent or prompt fault is open."""
    counted = [(faults.count(one), one) for one in ("urgent", "prompt")]
    return "".join(f"{count} {one}, " for count, one in counted if count)


def _band(
    called: tuple[str, str],
    placed: Lineup,
    looks: Mapping[str, Look],
    at: tuple[int, float],
    zone: tzinfo,
) -> Iterable[str]:
    (area, place_name), (top, step) = called, at
    title = area if place_name == area else f"{place_name}, area {area}"
    pitch = (BAND - 5) / max(1, placed.rows)
    yield f'<text class="area" x="0" y="{top + 19}">{escape(_short(place_name))}<title>{escape(title)}</title></text>'
    marks, rails = [], []
    for name, place in placed.places.items():
        x = NAMES + place.column * step
        middle = top + 2 + pitch * (place.row + 0.5)
        size = step - 1.5, min(pitch - 1, 12)
        marks.append(_section(name, looks[name], (x, middle), size))
        rails.append(f"M{x:.1f} {middle:.1f}h{size[0]:.1f}")
    # Some to a path: a page that draws anew goes through every mark, and through all of a path that it touches.
    for begin in range(0, len(rails), RAILS):
        some = "".join(rails[begin : begin + RAILS])
        yield f'<path class="rail" d="{some}"/>'
    yield from marks
    gone = [looks[one].since for one in placed.places if not looks[one].known]
    yield (
        f'<text class="stands" data-area="{escape(area)}" x="{WIDTH}" y="{top + 19}" '
        f'text-anchor="end">{escape(stands(gone, len(placed.places), zone))}</text>'
    )


def _short(area: str) -> str:
    """As much of a name as has room."""
    return area if len(area) <= LONGEST else f"{area[: LONGEST - 1]}…"


def stands(unknown: Collection[str], total: int, zone: tzinfo) -> str:
    """How many sections of an area are not known, and since when the first of them.

    Args:
        unknown: since when, as a timestamp, for each that is not known; "" for one not heard yet.
        total: so many sections has the area.
        zone: of the line.
    """
    if not unknown:
        return "all heard"
    said = "" if len(unknown) == total else f"{len(unknown)} "
    since = min(filter(None, unknown), default="")
    if not since:
        return f"{said}not heard yet"
    return f"{said}not known since {clock(parse(since), zone)[:5]}"


def _section(
    name: str, look: Look, place: tuple[float, float], size: tuple[float, float]
) -> str:
    """A section of the overview, from the left of its *place* on; what is not as usual is drawn wider than that, where it is narrow."""
    (x, y), (width, height) = place, size
    wide = max(width, LEAST)
    tall = max(height, LEAST)
    left = x + (width - wide) / 2
    return (
        f"<g {_state(name, look)}><title>{escape(look.says)}</title>"
        f'<rect class="bar" x="{x:.1f}" y="{y - tall / 2:.1f}" width="{width:.1f}" height="{tall:.1f}"/>'
        f'<rect class="block" x="{left:.1f}" y="{y - tall / 2 - 1.5:.1f}" width="{wide:.1f}" height="{tall + 3:.1f}"/>'
        f'<path class="urge" d="M{x + width / 2 - 1.3:.1f} {y - 6:.1f}h2.6v7h-2.6zm0 9h2.6v2.6h-2.6z"/>'
        f'<rect class="hatch" fill="url(#not-known)" x="{left:.1f}" y="{y - tall / 2:.1f}" width="{wide:.1f}" height="{tall:.1f}"/>'
        f'<rect class="outline" x="{left:.1f}" y="{y - tall / 2 - 1:.1f}" width="{wide:.1f}" height="{tall + 2:.1f}"/>'
        f"{_letter(x, y, size)}</g>"
    )


def _letter(x: float, y: float, size: tuple[float, float]) -> str:
    """The letter of work, where the band has room for it."""
    if size[0] < LETTER or size[1] < LEAST:
        return ""
    return f'<text class="letter" x="{x + 3:.1f}" y="{y + 6:.1f}">W</text>'


def close_up(
    line: Line, section: str, looks: Mapping[str, Look], most: int = CLOSE
) -> str:
    """*section* and what lies around it, with names and heads."""
    placed = _around(lineup(line, surroundings(line, section, most)), section)
    step = min(COLUMN_MOST, max(COLUMN_LEAST, WIDTH // max(1, placed.columns)))
    parts = [HATCH.format(id="not-known-close")]
    parts += _ways(line, placed, step)
    for name, place in placed.places.items():
        parts.append(_labelled(name, looks[name], place, step, chosen=name == section))
    parts += _heads(line, placed, step)
    width = max(WIDTH, placed.columns * step)
    title = f"Around {section}"
    size = width, placed.rows * ROW
    return _svg("close-up", size, title, parts, f' data-step="{step}"')


def _around(placed: Lineup, section: str) -> Lineup:
    """As much of *placed* as fits beside one another, with *section* in the middle where it can be."""
    most = WIDTH // COLUMN_LEAST
    wanted = placed.places[section].column - most // 2
    first = max(0, min(wanted, placed.columns - most))
    kept = {
        name: place
        for name, place in placed.places.items()
        if first <= place.column < first + most
    }
    rows = {row: i for i, row in enumerate(sorted({p.row for p in kept.values()}))}
    return Lineup(
        places={n: Place(p.column - first, rows[p.row]) for n, p in kept.items()},
        joins=tuple(one for one in placed.joins if one.left in kept),
        columns=min(most, placed.columns - first),
        rows=len(rows),
    )


def _centre(place: Place) -> int:
    return place.row * ROW + 18


def _ways(line: Line, placed: Lineup, step: int) -> Iterable[str]:
    """The way from one section to the next, where that is another track or farther off."""
    del line
    for join in placed.joins:
        if join.right not in placed.places:
            continue
        left, right = placed.places[join.left], placed.places[join.right]
        if left.row == right.row and right.column - left.column == 1:
            continue
        x1, x2 = (left.column + 1) * step - 5, right.column * step + 5
        yield (
            f'<line class="way" x1="{x1}" y1="{_centre(left)}" '
            f'x2="{max(x1 + 4, x2)}" y2="{_centre(right)}"/>'
        )


def _heads(line: Line, placed: Lineup, step: int) -> Iterable[str]:
    for join in placed.joins:
        place = placed.places[join.left]
        opens = join.right == OPEN
        begins = opens and line.heads[join.head].between[0] == OPEN
        x = (place.column if begins else place.column + 1) * step
        y = _centre(place)
        yield (
            f'<a data-x="{x}" href="/heads/{quote(join.head, safe="")}" aria-label="head {escape(join.head)}"><g class="head" data-head="{escape(join.head)}"><title>{escape(_head_says(line, join.head))}</title>'
            f'<rect class="hit" x="{x - 7}" y="{y - 13}" width="14" height="26"/>'
            f'<line x1="{x}" x2="{x}" y1="{y - 13}" y2="{y + 13}"/></g></a>'
        )


def _head_says(line: Line, name: str) -> str:
    head = line.heads[name]
    return name if head.km is None else f"{name}, km {head.km:g}"


def _labelled(name: str, look: Look, place: Place, step: int, *, chosen: bool) -> str:
    x, y = place.column * step + 3, _centre(place)
    width = step - 6
    middle = x + width / 2
    mark = ' data-chosen="1"' if chosen else ""
    return (
        f'<g {_state(name, look)}{mark} data-x="{place.column * step}"><title>{escape(look.says)}</title>'
        f'<line class="rail" x1="{x}" x2="{x + width}" y1="{y}" y2="{y}"/>'
        f'<rect class="bar" x="{x}" y="{y - 8}" width="{width}" height="16"/>'
        # Taller than the words on it and than a fault's block: hatching is seen around both.
        f'<rect class="hatch" fill="url(#not-known-close)" x="{x}" y="{y - 17}" width="{width}" height="30"/>'
        f'<rect class="block" x="{x}" y="{y - 10}" width="{width}" height="20"/>'
        f'<rect class="outline" x="{x - 1}" y="{y - 11}" width="{width + 2}" height="22"/>'
        f'<rect class="plate" x="{middle - PLATE / 2}" y="{y - 8}" width="{PLATE}" height="16"/>'
        f'<text class="word" x="{middle}" y="{y + 5}" text-anchor="middle">{escape(look.word)}</text>'
        f'<a href="/sections/{quote(name, safe="")}"><text class="name" x="{middle}" y="{y + 28}" text-anchor="middle">{escape(name)}</text></a>'
        "</g>"
    )


def _state(name: str, look: Look) -> str:
    return (
        f'class="section" data-section="{escape(name)}" data-shows="{look.shows}" '
        f'data-known="{int(look.known)}" data-since="{escape(look.since)}" data-fault="{look.fault}" data-work="{int(look.work)}"'
    )


def _svg(
    name: str, size: tuple[int, int], title: str, parts: Iterable[str], more: str = ""
) -> str:
    width, height = size
    return (
        f'<svg class="{name}" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="{"group" if name == "close-up" else "img"}" '
        f'aria-label="{escape(title)}"{more}>{"".join(parts)}</svg>'
    )
