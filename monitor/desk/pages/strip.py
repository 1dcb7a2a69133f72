"""The last minutes of a section and its neighbours as strips: time to the right, a row a section.

An occupation is a dark bar, what was not known is hatched, a disturbance and a reset are a stroke with its word above.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from html import escape

from monitor.charts.drawing import HATCH
from monitor.core.moments import MINUTE, Duration, Moment, parse
from monitor.core.words import clock
from monitor.desk.model import FactOut, SectionFullOut

WIDTH, NAMES, ROW, FOOT = 544, 84, 40, 24
LAST: Duration = 15 * MINUTE
SAID = {"disturbance": "disturbed", "reset": "reset"}
APART = 84
"""Words closer than this would stand on one another: then the stroke stands alone."""


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
    parts = [HATCH.format(id="not-known-strip")]
    for number, section in enumerate(sections):
        parts += _row(section, number * ROW, (begin, now), zone)
    bottom = height - 6
    parts += [
        f'<text class="name" x="{NAMES}" y="{bottom}">{clock(begin, zone)}</text>',
        f'<text class="name" x="{WIDTH}" y="{bottom}" text-anchor="end">{clock(now, zone)}</text>',
    ]
    title = f"The last {last // MINUTE} minutes of {', '.join(s.id for s in sections)}"
    return (
        f'<svg class="strip" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="img" aria-label="{escape(title)}">{"".join(parts)}</svg>'
    )


def _row(
    section: SectionFullOut, top: int, window: tuple[Moment, Moment], zone: tzinfo
) -> Iterable[str]:
    y = top + 27
    yield f'<text class="row-name" x="0" y="{y + 5}">{escape(section.id)}</text>'
    yield f'<line class="rail" x1="{NAMES}" x2="{WIDTH}" y1="{y}" y2="{y}"/>'
    for one in spans(section, window, zone):
        shape = 'class="was-unknown" fill="url(#not-known-strip)"'
        if one.kind == "occupation":
            shape = 'class="was"'
        yield (
            f'<rect {shape} x="{one.left:.1f}" y="{y - 8}" width="{one.width:.1f}" height="16">'
            f"<title>{escape(one.says)}</title></rect>"
        )
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
    """What lasted in *window*: what is over is a fact, what goes on is how the section stands."""
    lasted = [
        (fact.kind, parse(fact.began), _end(fact, window[1]))
        for fact in section.facts
        if fact.kind == "not-known" or (fact.kind == "occupation" and fact.ended)
    ]
    if section.known and section.settled not in (None, "clear") and section.since:
        lasted.append(("occupation", parse(section.since), window[1]))
    found = []
    for kind, begin, end in sorted(
        lasted, key=lambda one: (one[0] != "occupation", one[1])
    ):
        left, right = max(begin, window[0]), min(end, window[1])
        if left < right:
            x = _across(left, window)
            what = "not clear" if kind == "occupation" else "not known"
            says = f"{what} from {clock(begin, zone)} to {clock(end, zone)}"
            found.append(Span(kind, x, max(1.0, _across(right, window) - x), says))
    return found


def _end(fact: FactOut, now: Moment) -> Moment:
    return now if fact.ended is None else parse(fact.ended)


def _across(at: Moment, window: tuple[Moment, Moment]) -> float:
    begin, end = window
    return NAMES + (WIDTH - NAMES) * (at - begin) / (end - begin)
