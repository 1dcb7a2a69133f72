"""The last minutes of a section and its neighbours as strips: time to the right, a row a section.

Each state has a mark of its own, as in the drawing of the line: a train or vehicle is a dark bar, a disturbance a taller block in the colour of a fault, what waits for a sweep an outline with arrows, what waits to be confirmed one with dots, and what was not known is hatched.
A disturbance and a reset are also a stroke with its word above.
Of times before the states that are kept nothing is known but that the section was not clear, and whether it was available.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from html import escape

from monitor.charts.drawing import HATCH
from monitor.core.moments import MINUTE, Duration, Moment, parse
from monitor.core.words import STATES, clock
from monitor.desk.model import FactOut, SectionFullOut

WIDTH, NAMES, ROW, FOOT = 544, 84, 40, 24
LAST: Duration = 15 * MINUTE
SAID = {"disturbance": "disturbed", "reset": "reset"}
APART = 84
"""Words closer than this would stand on one another: then the stroke stands alone."""

MARKS = {
    "occupied": ("was", "train"),
    "disturbed": ("was-disturbed", "disturbed"),
    "awaiting_sweep": ("was-sweep", "awaits a sweep"),
    "awaiting_acknowledgement": ("was-confirm", "awaits confirming"),
    "not-clear": ("was-odd", ""),
    "not-known": ("was-unknown", "not known"),
}
"""What lasts, with the mark that it has, by its name in the style sheet, and its word in the legend; what is not kept state by state stands in no legend: a word on it would say too much."""

FILLS = {
    "awaiting_sweep": ("sweep-strip", 12, "M2 -4l5 4l-5 4"),
    "awaiting_acknowledgement": ("confirm-strip", 8, "M2.5 0h3"),
}
"""What an outline is filled with: a name, how far apart, and the way of a stroke around the middle."""

TALL = {"occupied": 16.0, "not-known": 16.0}
TALLER = 20.0
"""What is neither clear nor a train is taller, so that it is found without its colour."""


@dataclass(frozen=True, slots=True)
class Span:
    """Something that lasted, in px."""

    kind: str
    left: float
    width: float
    says: str


def strip(
    sections: Sequence[SectionFullOut], now: Moment, zone: tzinfo, last: Duration = LAST
) -> str:
    """The strips of *sections* up to *now*.

    Args:
        sections: with what was so in that time.
        now: the right edge.
        zone: for the times that are written.
        last: how far back.
    """
    begin = now - last
    height = ROW * len(sections) + FOOT
    names, parts = [], [HATCH.format(id="not-known-strip"), *_fills()]
    for number, section in enumerate(sections):
        y = number * ROW + 27
        names.append(row_name(section.id, y + 5))
        parts += _row(section, y, (begin, now), zone)
    bottom = height - 6
    parts += [
        f'<text class="name" x="{NAMES}" y="{bottom}">{clock(begin, zone)}</text>',
        f'<text class="name" x="{WIDTH}" y="{bottom}" text-anchor="end">{clock(now, zone)}</text>',
    ]
    title = f"The last {last // MINUTE} minutes of {', '.join(s.id for s in sections)}"
    return beside("strip", title, height, names, parts)


def row_name(name: str, y: float) -> str:
    """The name of a row."""
    return f'<text class="row-name" x="0" y="{y:g}">{escape(name)}</text>'


def beside(
    kind: str, title: str, height: int, names: Iterable[str], parts: Iterable[str]
) -> str:
    """Rows and their names as two drawings beside one another, so that the names stay where the rows are pushed."""
    return (
        f'<svg class="row-names" viewBox="0 0 {NAMES} {height}" width="{NAMES}" height="{height}" '
        f'aria-hidden="true">{"".join(names)}</svg>'
        f'<svg class="{kind}" viewBox="{NAMES} 0 {WIDTH - NAMES} {height}" width="{WIDTH - NAMES}" '
        f'height="{height}" role="img" aria-label="{escape(title)}">{"".join(parts)}</svg>'
    )


def legend() -> str:
    """Each mark with its word."""
    width, height = 26, TALLER + 2
    return " ".join(
        f'<span><svg width="{width}" height="{height:g}" viewBox="0 0 {width} {height:g}" aria-hidden="true">'
        f"{_mark(kind, 1, height / 2, width - 2)}</svg> {word}</span>"
        for kind, (_, word) in MARKS.items()
        if word
    )


def _fills() -> Iterable[str]:
    for name, step, way in FILLS.values():
        yield (
            f'<defs><pattern id="{name}" width="{step}" height="{TALLER:g}" patternUnits="userSpaceOnUse">'
            f'<rect class="hatch-ground" width="{step}" height="{TALLER:g}"/>'
            f'<path class="inside" transform="translate(0 {TALLER / 2:g})" d="{way}"/></pattern></defs>'
        )


def _mark(kind: str, x: float, y: float, width: float, says: str = "") -> str:
    """The mark of *kind*, from *x* on, with *y* in its middle."""
    tall = TALL.get(kind, TALLER)
    fill = FILLS[kind][0] if kind in FILLS else ""
    fill = "not-known-strip" if kind == "not-known" else fill
    drawn = f' fill="url(#{fill})"' if fill else ""
    size = f'width="{width:.1f}" height="{tall:g}"'
    title = f"<title>{escape(says)}</title>" if says else ""
    # A pattern lies on the whole drawing: moved, it lies on the mark.
    return (
        f'<g transform="translate({x:.1f} {y - tall / 2:g})">'
        f'<rect class="{MARKS[kind][0]}"{drawn} {size}>{title}</rect></g>'
    )


def _row(
    section: SectionFullOut, y: int, window: tuple[Moment, Moment], zone: tzinfo
) -> Iterable[str]:
    yield f'<line class="rail" x1="{NAMES}" x2="{WIDTH}" y1="{y}" y2="{y}"/>'
    for one in spans(section, window, zone):
        yield _mark(one.kind, one.left, y, one.width, one.says)
    free = 0.0
    for fact in section.facts:
        at = parse(fact.began)
        if fact.kind in SAID and window[0] <= at <= window[1]:
            x = _across(at, window)
            yield f'<line class="moment" x1="{x:.1f}" x2="{x:.1f}" y1="{y - 12}" y2="{y + 12}"/>'
            if x >= free:
                anchor = "end" if x > WIDTH - APART else "start"
                yield f'<text class="moment-said" x="{x:.1f}" y="{y - 14}" text-anchor="{anchor}">{SAID[fact.kind]}</text>'
                free = x + APART


def spans(
    section: SectionFullOut, window: tuple[Moment, Moment], zone: tzinfo
) -> list[Span]:
    """What lasted in *window*, what was not known last, so that it lies on the rest."""
    states = [(parse(one.at), one.state) for one in section.states]
    kept = states[0][0] if states else window[1]
    lasted = [
        *_before(section, kept, window[1]),
        *_shown(section, states, window[1]),
        *(
            ("not-known", parse(fact.began), _end(fact, window[1]))
            for fact in section.facts
            if fact.kind == "not-known"
        ),
    ]
    found = []
    for kind, begin, end in lasted:
        left, right = max(begin, window[0]), min(end, window[1])
        if left < right:
            x = _across(left, window)
            what = STATES.get(kind, kind.replace("-", " "))
            says = f"{what} from {clock(begin, zone)} to {clock(end, zone)}"
            found.append(Span(kind, x, max(1.0, _across(right, window) - x), says))
    return found


def _before(
    section: SectionFullOut, until: Moment, now: Moment
) -> Iterable[tuple[str, Moment, Moment]]:
    """What lasted before the first state that is kept: of an occupation it is told whether there was nothing but a train."""
    for fact in section.facts:
        if fact.kind == "occupation" and fact.ended:
            kind = "occupied" if fact.values.get("only_occupied") else "not-clear"
            yield kind, parse(fact.began), min(_end(fact, now), until)
    if section.states or not section.known or section.since is None:
        return
    if section.settled not in (None, "clear"):
        yield section.settled, parse(section.since), now


def _shown(
    section: SectionFullOut, states: Sequence[tuple[Moment, str]], now: Moment
) -> Iterable[tuple[str, Moment, Moment]]:
    """The states that are kept, each until the next; what was shown last ends where it is not known any longer."""
    last = now
    if not section.known and section.not_known_since:
        last = parse(section.not_known_since)
    for place, (at, state) in enumerate(states):
        if state != "clear":
            yield state, at, states[place + 1][0] if place + 1 < len(states) else last


def _end(fact: FactOut, now: Moment) -> Moment:
    return now if fact.ended is None else parse(fact.ended)


def _across(at: Moment, window: tuple[Moment, Moment]) -> float:
    begin, end = window
    return NAMES + (WIDTH - NAMES) * (at - begin) / (end - begin)
