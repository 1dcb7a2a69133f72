"""What became of visits as one HTML file, to send, to print and to keep: it loads nothing and runs nothing."""

from __future__ import annotations

from html import escape

from monitor.charts.document import document, table
from monitor.core.layout import Line
from monitor.core.moments import Moment, as_datetime
from monitor.core.words import CAUTION
from monitor.findings import FINDINGS
from monitor.planner.effect import Found, Helped
from monitor.planner.effect_words import (
    METHOD,
    OF_THOSE_VISITED,
    RAW,
    all_of,
    became_of,
    number,
    of_those_visited,
    rates,
)
from monitor.planner.outlook import Became

VISITS = (
    "When",
    "What",
    "Found",
    "Who",
    "Came since",
    "Expected",
    "Did it help",
    "As counted*",
)
KINDS = (
    "Kind of alert that led to a visit",
    "Found what was suspected",
    "Found something else",
    "Not said",
)

NOTHING = "not told"


def as_html(became: Became, line: Line, now: Moment) -> str:
    """*became* as one HTML file, times as they are along *line*."""
    at = as_datetime(now).astimezone(line.zone)
    together = (
        all_of(became.helped, became.together)
        if became.helped
        else "none is on record yet"
    )
    visits = table("Visits", VISITS, (_visit(one, line) for one in became.helped))
    kinds = table("Kinds of alert", KINDS, map(_kind, became.found))
    return document(
        f"Visits: {line.name}",
        '<div class="report">'
        f"<p>As of {at:%Y-%m-%d %H:%M} ({escape(str(line.zone))}).</p>"
        f'<p class="says">All visits together: {escape(together)}.</p>'
        f"{visits or '<p>No visit is on record.</p>'}"
        f'<p class="second">* {escape(RAW)}</p><p class="second">{escape(METHOD)}</p>'
        f"<h2>What was found, of those visited</h2>"
        f"{kinds or '<p>No alert has led to a visit yet.</p>'}"
        f'<p class="second">{escape(OF_THOSE_VISITED)}</p>'
        f'<p class="caution">{escape(CAUTION)}</p></div>',
    )


def _visit(one: Helped, line: Line) -> tuple[str, ...]:
    visit, effect = one.visit, one.effect
    found = FINDINGS[visit.cause].words
    if visit.part:
        found += f" ({visit.part.replace('/', ' ')})"
    note = "; ".join(text for text in (visit.text, visit.reference) if text)
    return (
        f"{as_datetime(visit.begin).astimezone(line.zone):%Y-%m-%d %H:%M}",
        ", ".join(subject.replace("/", " ") for subject in visit.subjects),
        f"{found}: {note}" if note else found,
        visit.who,
        NOTHING if effect is None else str(effect.count),
        NOTHING if effect is None else number(effect.awaited.mean),
        became_of(one),
        rates(one),
    )


def _kind(one: Found) -> tuple[str, ...]:
    return (
        one.kind.replace("-", " "),
        of_those_visited(one.share),
        str(one.elsewhere),
        str(one.not_said),
    )
