"""A comparison as one HTML file: what would be gained, lost and moved, the load against the limits, and for each difference what shows it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import tzinfo
from html import escape

from monitor.charts import plots
from monitor.charts.document import document, html_table, table
from monitor.charts.plots import Bar
from monitor.core.moments import Moment, as_datetime
from monitor.core.words import CAUTION
from replay.compare import WAYS, Comparison, Difference, What, days_of
from replay.compared import Shows, Table, summary, tables, week_of

MOST = 1000
"""So many differences stand in a page; all of them in JSON and CSV."""

COLUMNS = ("When", "Way", "What", "Kind", "About", "Priority", "What was said", "Shown by")  # fmt: skip

Leads = Callable[[Difference], str]
"""Gives the address at which a difference can be played again, or ""."""


def as_html(found: Comparison, zone: tzinfo, shows: Shows, leads: Leads) -> str:
    """*found* as one HTML file.

    Args:
        found: what was compared.
        zone: in which its times are told.
        shows: gives the command that shows a difference.
        leads: gives the address of its replay.
    """
    said = summary(found)
    totals, weeks, load = tables(found, zone)
    between = f"From {_time(found.begin, zone)} up to {_time(found.end, zone)}"
    parts = (
        '<div class="report">',
        f"<p><b>A</b>: {escape(_bare(found.a))}</p>",
        f"<p><b>B</b>: {escape(_bare(found.b))}</p>",
        f"<p>{between} ({escape(str(zone))}).</p>",
        f'<p class="says">{escape(said[0].upper() + said[1:])}.</p>',
        _counted(totals),
        _counted(load),
        _charts(found, zone),
        _differences(found, zone, shows, leads),
        _counted(weeks),
        f'<p class="caution">{escape(CAUTION)}</p></div>',
    )
    return document("What would be concluded otherwise", "\n".join(parts))


def _bare(name: str) -> str:
    """The name of a side without its letter."""
    return name.removeprefix("A: ").removeprefix("B: ")


def _time(moment: Moment, zone: tzinfo) -> str:
    return f"{as_datetime(moment).astimezone(zone):%Y-%m-%d %H:%M:%S}"


def _counted(one: Table) -> str:
    head, *rows = one.rows
    told = table(one.heading, [title or "what" for title in head], rows)
    return f"<h2>{escape(one.heading)}</h2>{told or '<p>Nothing.</p>'}"


# Drawings: B as a bar or a dot, A as a stroke.


def _charts(found: Comparison, zone: tzinfo) -> str:
    drawn = [
        _weeks(found, "call", zone),
        _weeks(found, "alert", zone),
        _kinds(found),
    ]
    told = "".join(one for one in drawn if one)
    return f'<h2>Drawn</h2><div class="charts">{told}</div>' if told else ""


def _figure(title: str, svg: str, numbers: str) -> str:
    return (
        f"<figure><figcaption>{escape(title)}</figcaption>{svg}"
        f"<details><summary>The numbers</summary>{numbers}</details></figure>"
    )


def _weeks(found: Comparison, what: What, zone: tzinfo) -> str:
    a: Counter[Moment] = Counter()
    b: Counter[Moment] = Counter()
    for one in found.weeks:
        if one.what == what:
            a[one.week] += one.a
            b[one.week] += one.b
    weeks = sorted({*a, *b})
    if len(weeks) < 2:
        return ""
    days = [f"{as_datetime(one).astimezone(zone):%m-%d}" for one in weeks]
    lengths = [days_of(one, found, zone) for one in weeks]
    cut = [looked < whole for looked, whole in lengths]
    title = f"{what.capitalize()}s by week"
    svg = plots.columns(
        f"{what}s",
        title,
        "A bar a week is B; the thick stroke is A; hatched where the time compared begins or ends in it.",
        [
            Bar(label=day, value=float(b[week]), mark=float(a[week]), part=part)
            for day, week, part in zip(days, weeks, cut, strict=True)
        ],
        every=-(-len(weeks) // 13),
        whole=True,
    )
    rows = [
        (week_of(week, found, zone, "%m-%d"), str(a[week]), str(b[week]))
        for week in weeks
    ]
    numbers = table(title, ("Week from", "A", "B"), rows)
    return _figure(f"{title}: B; stroke: A", svg, numbers)


def _kinds(found: Comparison) -> str:
    a: Counter[str] = Counter()
    b: Counter[str] = Counter()
    for one in found.weeks:
        if one.what == "alert":
            a[one.kind] += one.a
            b[one.kind] += one.b
    kinds = sorted({*a, *b}, key=lambda kind: (-abs(a[kind] - b[kind]), kind))
    if not kinds:
        return ""
    title = "Alerts by kind, what differs most first"
    svg = plots.rows(
        "kinds",
        title,
        "A dot a kind is B; the line leads to A.",
        [
            Bar(
                label=kind.replace("-", " "),
                value=float(b[kind]),
                low=float(min(a[kind], b[kind])),
                high=float(max(a[kind], b[kind])),
            )
            for kind in kinds
        ],
        "alerts",
    )
    rows = [(kind, str(a[kind]), str(b[kind])) for kind in kinds]
    numbers = table(title, ("Kind", "A", "B"), rows)
    return _figure(f"{title}: B; line: to A", svg, numbers)


def _differences(found: Comparison, zone: tzinfo, shows: Shows, leads: Leads) -> str:
    ordered = sorted(
        found.differences, key=lambda one: (WAYS.index(one.way), one.one.at)
    )
    if not ordered:
        return ""
    rows = (_row(one, zone, shows, leads) for one in ordered[:MOST])
    left = len(ordered) - MOST
    more = f"<p>{left} more, in JSON and CSV.</p>" if left > 0 else ""
    told = html_table("Differences", COLUMNS, rows)
    return f"<h2>Each difference, and what shows it</h2>{told}{more}"


def _row(one: Difference, zone: tzinfo, shows: Shows, leads: Leads) -> tuple[str, ...]:
    told, place = one.one, leads(one)
    link = f'<a href="{escape(place)}">replay, as A</a><br>' if place else ""
    return (
        _time(told.at, zone),
        escape(f"{one.way}: {one.how}" if one.how else one.way),
        escape(told.what),
        escape(told.kind.replace("-", " ")),
        escape(told.subject.replace("/", " ")),
        escape(told.priority),
        escape(told.text),
        f"{link}with {'A' if one.b is None else 'B'}: <code>{escape(shows(one))}</code>",
    )
