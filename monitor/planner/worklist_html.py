"""The work list as one HTML file, to send, to print and to keep: it loads nothing and runs nothing."""

from __future__ import annotations

from html import escape

from monitor.charts.document import document, table
from monitor.core.layout import Line
from monitor.core.moments import Moment, as_datetime
from monitor.core.words import CAUTION
from monitor.findings import FINDINGS
from monitor.planner.quiet_hours import NO_LEAVE
from monitor.planner.worklist import NOTHING, ORDER, Item, Trip, Worklist
from monitor.planner.worklist_table import place_of

COLUMNS = ("Section", "Look at", "Why", "Expected in 90 days", "Rests on", "Last visit")


def as_html(made: Worklist, line: Line) -> str:
    """*made* as one HTML file, times as they are along *line*."""
    at = as_datetime(made.at).astimezone(line.zone)
    heard = made.heard.words
    trips = "".join(
        _trip(trip, place, line) for place, trip in enumerate(made.trips, start=1)
    )
    return document(
        f"Work list: {line.name}",
        '<div class="report">'
        f"<p>As of {at:%Y-%m-%d %H:%M} ({escape(str(line.zone))}). "
        f"{escape(heard[0].upper() + heard[1:])}.</p>"
        f"{trips or f'<p><b>Nothing is on the list:</b> {escape(NOTHING)}</p>'}"
        f"{f'<p>{escape(made.off_words)}</p>' if made.off else ''}"
        f'<p class="second">{escape(ORDER)}</p><p class="caution">{escape(CAUTION)}</p></div>',
    )


def _trip(trip: Trip, place: int, line: Line) -> str:
    where = [trip.site or "no site named", place_of(trip)]
    if trip.place == "track" and trip.low is not None and trip.high is not None:
        where.append(f"km {trip.low:g} to {trip.high:g}")
    quiet = ""
    if trip.quiet is not None:
        quiet = (
            f"<p>Fewest trains, by the last four weeks: {escape(trip.quiet.words)}. "
            f"{escape(NO_LEAVE)}</p>"
        )
    told = table(f"Visit {place}", COLUMNS, (_row(item, line) for item in trip.items))
    return (
        f"<h2>{place}. {escape(', '.join(where))}</h2>"
        f"<p><b>{escape(trip.words[0].upper() + trip.words[1:])}.</b></p>{quiet}"
        f"{told}"
    )


def _row(item: Item, line: Line) -> tuple[str, ...]:
    def day(moment: Moment) -> str:
        return f"{as_datetime(moment).astimezone(line.zone):%Y-%m-%d}"

    parts = ", ".join(one.replace("/", " ") for one in item.parts)
    if item.registers:
        parts += f" (register {', '.join(item.registers)})"
    rests = "; ".join(
        f"{one.kind.replace('-', ' ')}, {day(one.at)}{' (open)' if one.is_open else ''}"
        for one in item.evidence
    )
    visit = item.visit
    return (
        item.section,
        parts,
        item.reason,
        item.outlook,
        rests or "the counts alone",
        "none on record"
        if visit is None
        else f"{day(visit.begin)}: {FINDINGS[visit.cause].words}",
    )
