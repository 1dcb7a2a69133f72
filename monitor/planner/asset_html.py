"""One row of the period report as a page of its own: its numbers, its months and hours, when it was disturbed, who was there and what was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from html import escape
from zoneinfo import ZoneInfo

from monitor.charts.document import html_table, table
from monitor.core.moments import Moment, as_datetime
from monitor.core.words import readable
from monitor.findings import FINDINGS
from monitor.planner.as_html import (
    columns_of,
    hours_drawn,
    months_drawn,
    period_of,
)
from monitor.planner.figures import KINDS, Figures, Report
from monitor.visits import Visit

MOST = 100
"""So many disturbances are told, the latest first."""

Address = Callable[[str], str]
Replay = Callable[[str, Moment], str]
"""Gives where a section is played again at a moment."""


def row_of(report: Report, subject: str) -> Figures | None:
    """The row of *subject*; None where the report has none."""
    return next(
        (row for kind in KINDS for row in report.rows[kind] if row.subject == subject),
        None,
    )


def body(
    report: Report,
    row: Figures,
    visits: Sequence[Visit],
    address: Address,
    replay: Replay,
) -> str:
    """The page of *row*, as HTML; whoever shows it puts the caution below.

    Args:
        report: in which it stands.
        row: which.
        visits: to it, or to a section that needs it.
        address: where another row has its page.
        replay: where a disturbance is played again.
    """
    detail = report.detail(row.subject)
    drawn = [months_drawn(detail.months), hours_drawn(detail.hours)]
    charts = "".join(one for one in drawn if one)
    parts = (
        '<article class="report">',
        period_of(report),
        _numbers(report, row),
        f'<h2>Drawn</h2><div class="charts">{charts}</div>' if charts else "",
        _disturbed(report, row, replay),
        _visited(report, visits),
        _sections(row, address),
        "</article>",
    )
    return readable("\n".join(one for one in parts if one))


def _numbers(report: Report, row: Figures) -> str:
    """The same as its row, a line for each column."""
    rank = report.ranks[row.subject]
    told = [
        (title, said)
        for title, cell in columns_of(row)
        if (said := cell(row, rank)) or title == "Where"
    ]
    told.append(("Alerts about it", str(row.alerts)))
    items = "".join(
        f"<dt>{escape(title)}</dt><dd>{escape(said)}</dd>" for title, said in told
    )
    note = ""
    if row.by == "section":
        note = '<p class="second">* The trains of the busier section beside it: this feed does not tell the passages of this head, or not all.</p>'
    return f'<h2>In this period</h2><dl class="numbers">{items}</dl>{note}'


def _time(moment: Moment, report: Report) -> str:
    local = as_datetime(moment).astimezone(ZoneInfo(report.timezone))
    return f"{local:%Y-%m-%d %H:%M:%S}"


def _disturbed(report: Report, row: Figures, replay: Replay) -> str:
    found = report.detail(row.subject).disturbed
    if not found:
        return ""
    rows = (
        (
            f'<a href="{escape(replay(section, at))}">{_time(at, report)}</a>',
            escape(section),
            "spurious occupation" if spurious else "disturbed",
        )
        for at, section, spurious in reversed(found[-MOST:])
    )
    left = len(found) - MOST
    more = f'<p class="second">{left} older ones.</p>' if left > 0 else ""
    told = html_table("Disturbances", ("When (replay)", "Section", "What"), rows)
    return f"<h2>When it was disturbed</h2>{told}{more}"


def _visited(report: Report, visits: Sequence[Visit]) -> str:
    heading = "<h2>Visits, and what was found</h2>"
    if not visits:
        return f"{heading}<p>None is on record.</p>"
    causes = Counter(FINDINGS[one.cause].words for one in visits)
    said = "; ".join(f"{cause}: {number}" for cause, number in causes.most_common())
    rows = (
        (
            _time(one.begin, report)[:16],
            _subjects(one.subjects),
            FINDINGS[one.cause].words + (f" ({_bare(one.part)})" if one.part else ""),
            one.who,
            "; ".join(filter(None, (one.reference, one.text))),
        )
        for one in sorted(visits, key=lambda x: (-x.begin, x.id))
    )
    columns = ("When", "What was visited", "Found", "Who", "Note")
    return f"{heading}<p>{escape(said)}.</p>{table('Visits', columns, rows)}"


def _subjects(subjects: Iterable[str], most: int = 4) -> str:
    every = list(subjects)
    told = ", ".join(map(_bare, every[:most]))
    return f"{told} and {len(every) - most} more" if len(every) > most else told


def _bare(subject: str) -> str:
    return subject.replace("/", " ", 1)


def _sections(row: Figures, address: Address) -> str:
    if row.subject.startswith("section/"):
        return ""
    told = ", ".join(
        f'<a href="{escape(address(f"section/{name}"))}">{escape(name)}</a>'
        for name in row.sections
    )
    return f"<h2>Sections that need it</h2><p>{told}</p>"
