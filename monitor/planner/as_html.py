"""The period report for people: one body, shown as a page of the desk and as a file that opens by double-click.

The file loads nothing and runs nothing.
First what there is to say, then the sections where most is to come, then drawings with their numbers, then everything, then how it was worked out, and the caution.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Sequence
from html import escape, unescape

from monitor.charts import plots
from monitor.charts.document import document
from monitor.charts.plots import Bar
from monitor.core.moments import Moment, as_datetime
from monitor.core.statistics.poisson import limits
from monitor.core.words import CAUTION, readable, span
from monitor.planner import words
from monitor.planner.expected import WIDE
from monitor.planner.figures import (
    FULLY,
    KINDS,
    SHORT,
    Figures,
    Kind,
    Rank,
    Report,
    Slot,
)
from monitor.planner.seasons import TOO_LITTLE

WORST = 12
"""So many sections are told of first."""

STILL = 10
"""Not available for one in so many hours: told of before all others, as is what was not given back."""

ON_PAPER = 40
"""So many rows of a kind are printed; a table of thousands is for the workbook."""

BARS = 15
"""So many bars at most show what carries most."""

PLURALS: dict[Kind, str] = {
    "section": "Sections",
    "head": "Heads",
    "unit": "Trackside units",
    "cable": "Cables",
    "evaluator": "Evaluators",
    "site": "Sites",
}

NOTES: tuple[tuple[str, str], ...] = (
    (
        "Occasions",
        "Disturbances that come together are one occasion: of a section all within a day of the first, of several sections (those of a head, unit, cable, evaluator, site or the line) those that begin within a minute of one another. Rates, comparisons and what is to be expected are of occasions, so that a bad afternoon does not make a section look worse than it is, nor a cable that is cut once; disturbances are counted beside them.",
    ),
    (
        "Counts and rates",
        "The range is the exact Poisson interval at 95 % (Garwood 1936): it covers in at least that share of cases, so it is rather too wide than too narrow. It is that of the occasions. A nought stands with what it may hide.",
    ),
    (
        "Counted apart",
        "Disturbances under work, within an hour after it, and when an evaluator comes into service are told and do not count; nor does what belongs to them until the section is given back: further disturbances, resets, minutes not available, trains held, the time it took.",
    ),
    (
        "To expect",
        "In 90 days: the rate of the year up to the end of the period, or since a visit at which something was put right, however long the period is; so it is the number of the work list too. It is drawn towards that of the line, the more the shorter its own record (empirical Bayes; Hauer and others 2002), so that one event on a quiet section does not top the list. Of what several sections need: what is to be expected of each, added up, less by as much as their occasions in that year were fewer together than one by one. The range is also that of sections that are less alike than they look, and so rather too wide than too narrow; on a line of a few sections it holds a little less than 95 %. Too few: watched for less than 7 days, or a range of more than 1 to 10. Per 1,000 trains: by the period alone, drawn towards that of its kind. What had not been given back by the end, or was not available for a tenth of the time, stands first.",
    ),
    (
        "Against the period before",
        "As long a time just before, occasions by their trains: exact test given the total (Przyborowski and Wilenski 1940), twice the smaller tail. Said to differ below 5 %. Of many sections compared one in twenty differs by accident.",
    ),
    (
        "Trend",
        "Laplace's test over the time that was observed and in which the section was available, exact for few events (Irwin and Hall), and divided by how uneven the gaps are where they come in bursts (Lewis and Robinson 1974); over several sections, those of a head, unit, cable, evaluator, site or the line, the occasions, each against its own section's time (Kvaløy and Lindqvist 2003). Fewer than 4 are too few.",
    ),
    (
        "More than its share",
        "By its trains alone it would have so many occasions less than once in ten, once all were asked about (Benjamini and Hochberg 1995): of those named, one in ten is named by accident.",
    ),
    (
        "Hours, months, seasons",
        "Named where the trains of that hour, month or season explain so many occasions less than once in twenty, once all were asked about (Benjamini and Hochberg 1995), of at least 5. Seasons are quarters of whole months; one is named where it was so in more than half of the years, or of a single year with that said, and nothing is told where less than half of one of the four was observed.",
    ),
    (
        "Not available",
        "From turning disturbed until it was clear again, at the interlocking too where the feed tells that; of several sections the sum. An hour with trains is one in which, on at least half of the days on which it was available, a train was worked through there; where those are fewer than 7, the four weeks before are taken in, and where no train was seen then either, the hours are those of most other sections.",
    ),
    (
        "Given back",
        "Times that are not over count for as long as they were seen (Kaplan and Meier 1958).",
    ),
    (
        "Held",
        "Trains that stood before a section that was not available for longer than any of the last 20 trains there. Trains behind those, and trains that were turned back, are not seen to be held: there may be more.",
    ),
    (
        "Heads, units, cables, evaluators, sites",
        "A disturbance stands at everything its section needs, so these figures do not add up. Passages of a head are its own, where the feed tells them, else the trains of the busier section beside it (marked *); of a unit, cable, evaluator or site a train is a passage at each of its sections.",
    ),
)
"""How the numbers are made, and after whom; in the order in which they are referred to."""


def as_html(report: Report) -> str:
    """*report* as one HTML file."""
    return document(f"Period report: {report.line}", body(report))


Address = Callable[[str], str]
"""Gives where a subject has a page of its own, or ""."""


class _Names:
    """Names of a report's rows, each leading to more of it.

    Args:
        report: of which.
        address: where each has a page of its own; None: it leads to its row, where all rows are.
    """

    def __init__(self, report: Report, address: Address | None) -> None:
        self._address = address
        self._rows = {
            row.subject: f"{kind}-{place}"
            for kind in KINDS
            for place, row in enumerate(report.rows[kind], 1)
        }

    def anchor(self, subject: str) -> str:
        """What the row of *subject* is called in the page."""
        return self._rows[subject]

    def of(self, subject: str, *, in_its_row: bool = False) -> str:
        """The name of *subject*, which leads somewhere; in its row to nothing but a page of its own."""
        name = escape(subject.partition("/")[2])
        if self._address is not None:
            place = self._address(subject)
        else:
            place = "" if in_its_row else f"#{self.anchor(subject)}"
        return f'<a href="{escape(place)}">{name}</a>' if place else name

    def of_sections(self, sections: Iterable[str]) -> list[str]:
        """The names of sections."""
        return [self.of(f"section/{name}") for name in sections]


def body(
    report: Report, most: int | None = None, address: Address | None = None
) -> str:
    """*report* as the body of a page.

    Args:
        report: what to tell.
        most: so many rows of a kind at most; None: all.
        address: where things have a page of their own; None: names lead to their rows, for which all must be there.
    """
    names = _Names(report, address)
    parts = "\n".join(
        part
        for part in (
            '<article class="report">',
            period_of(report),
            _says(report, names),
            _notes(report),
            _worst(report, names),
            _charts(report, names),
            *(_table(report, kind, most, names) for kind in KINDS),
            _made_how(),
            f'<p class="caution">{escape(CAUTION)}</p>',
            "</article>",
        )
        if part
    )
    return readable(parts)


def said(report: Report) -> str:
    """What there is to say first, as plain text."""
    return unescape(re.sub(r"<[^<>]+>", "", _says(report, _Names(report, None))))


def _day(moment: Moment, report: Report) -> str:
    from zoneinfo import ZoneInfo  # noqa: PLC0415 - only where a date is written

    local = as_datetime(moment).astimezone(ZoneInfo(report.timezone))
    return f"{local:%Y-%m-%d %H:%M}"


def period_of(report: Report) -> str:
    """From when to when, and up to when it is known."""
    rehearsal = '<p class="mark">Rehearsal: none of this is so.</p>'
    return (
        f'<p class="second">From {_day(report.begin, report)} up to '
        f"{_day(report.end, report)} ({escape(report.timezone)}), known up to "
        f"{_day(report.reached, report)}.</p>{rehearsal if report.rehearsal else ''}"
    )


def _says(report: Report, names: _Names) -> str:
    whole = report.whole
    if not whole.heard:
        return '<p class="says">Nothing was heard in this period, so nothing is known of it.</p>'
    told = whole.disturbances
    passages = words.trains(whole)
    dark = span(whole.dark_longest) if whole.dark_longest else "never"
    often = f"<b>{words.counted(told, heard=True)}</b> disturbance{'' if told == 1 else 's'}"
    if whole.occasions != told:
        often = (
            f"<b>{told}</b> disturbances on <b>{words.occasions(whole.occasions)}</b>"
        )
    sentences = [
        f"{often}, while trains worked through a section {passages} times: <b>{words.rate(whole.per_trains(), heard=True)}</b> {'' if whole.occasions == told else 'occasions '}per 1,000.",
        f"Against the period before: <b>{words.against(report.against)}</b>.",
        _fleet(report),
        f"Not available for <b>{words.minutes(whole.failed)}</b> in all, {words.minutes(whole.failed_busy)} of it in hours with trains; <b>{whole.held}</b> train{'' if whole.held == 1 else 's'} held.",
        f"Counted apart: {words.apart(whole)}." if words.apart(whole) != "0" else "",
        f"Observed {words.share(whole.share)} of the period; the longest that a section was not: {dark}.",
        _carry(report, names),
    ]
    return f'<p class="says">{" ".join(one for one in sentences if one)}</p>'


def _fleet(report: Report) -> str:
    trend = report.fleet
    if trend is None:
        return ""
    if trend.chance >= words.SURE:
        return "Within the period they came neither more nor less often than before, as far as can be told."
    way = "more" if trend.statistic > 0 else "less"
    return f"Within the period they came <b>{way} and {way} often</b>."


def _carry(report: Report, names: _Names) -> str:
    most = report.most
    if len(most) < 1 or report.whole.disturbances < len(most) * 2:
        return ""
    share = next(one.together for one in report.carried if one.name == most[-1])
    there = len(report.rows["section"])
    return (
        f"{len(most)} of {there} sections carried {words.share(share)} of them: "
        f"{', '.join(names.of_sections(most[:8]))}{f' and {len(most) - 8} more' if len(most) > 8 else ''}."
    )


def _notes(report: Report) -> str:
    if not report.notes:
        return ""
    items = "".join(f"<li>{escape(one)}</li>" for one in report.notes)
    return f'<ul class="notes">{items}</ul>'


Cells = Sequence[tuple[str, Callable[[Figures, Rank], str]]]

_WORST: Cells = (
    ("Where", lambda r, _: r.place),
    ("To expect in 90 days", lambda _, k: words.quarter(k)),
    ("Disturbances", lambda r, _: words.disturbed(r)),
    ("Per 1,000 trains", lambda r, _: words.rate(r.per_trains(), heard=r.heard)),
    ("Not available, in hours with trains", lambda r, _: _failed(r)),
    ("Trains held", lambda r, _: _plain(r, str(r.held))),
    ("More than its share", lambda _, k: words.more(k)),
    ("Trend", lambda _, k: words.trend(k)),
    ("Against the period before", lambda _, k: words.against(k.against)),
    ("When", lambda _, k: "; ".join(x for x in (k.hours, k.months, k.seasons) if x)),
)

_ALL: Cells = (
    ("Where", lambda r, _: " · ".join(x for x in (r.place, r.ref) if x)),
    ("Observed", lambda r, _: _observed(r)),
    (
        "Trains",
        lambda r, _: f"{words.trains(r)}{'*' if r.by == 'section' and r.heard else ''}",
    ),
    ("Disturbances", lambda r, _: words.disturbed(r)),
    ("Of them spurious occupations", lambda r, _: _plain(r, str(r.spurious))),
    ("Counted apart", lambda r, _: _plain(r, words.apart(r))),
    ("Per 1,000 trains", lambda r, _: words.rate(r.per_trains(), heard=r.heard)),
    ("Per 100,000 axles", lambda r, _: _per_axles(r)),
    ("Resets by kind, a train followed", lambda r, _: words.resets(r)),
    ("Occupied, no train seen", lambda r, _: _plain(r, words.minutes(r.no_train))),
    ("Not available, in hours with trains", lambda r, _: _failed(r)),
    ("Given back", lambda r, _: words.given_back(r)),
    ("Held", lambda r, _: _plain(r, str(r.held))),
    ("Trend", lambda _, k: words.trend(k)),
    ("Times the period before", lambda _, k: words.times_before(k.against)),
)


_PASSAGES = {
    "Trains": "Passages",
    "Per 1,000 trains": "Per 1,000 passages",
}
"""What a train is of several sections: it counts at each of them."""

_PARTS: Cells = tuple((_PASSAGES.get(title, title), cell) for title, cell in _ALL)


def columns_of(row: Figures) -> Cells:
    """All that is told of a row, as its table and that of the worst have it, each once."""
    own = _ALL if row.subject.startswith("section/") else _PARTS
    more = [one for one in _WORST if one[0] in _MORE]
    return (*(one for one in own if one[0] != _IN_SHORT), *more)


_MORE = {"To expect in 90 days", "More than its share", "Against the period before", "When"}  # fmt: skip
_IN_SHORT = "Times the period before"


def _plain(row: Figures, text: str) -> str:
    if row.heard:
        return text
    if text in {"0", "0 min"}:
        return words.NOT_HEARD
    return f"{text}, {words.NOT_OBSERVED}"


def _per_axles(row: Figures) -> str:
    if row.heard and not row.counted:
        return "not told"
    return words.rate(row.per_axles(), heard=row.heard)


def _failed(row: Figures) -> str:
    if not row.heard or not row.failed:
        return _plain(row, "0 min")
    busy = words.minutes(row.failed_busy)
    return f"{words.minutes(row.failed)}, {busy} of it"


def _observed(row: Figures) -> str:
    if not row.heard:
        return words.NOT_HEARD
    dark = f", longest not {span(row.dark_longest)}" if row.dark_longest else ""
    return f"{words.share(row.share)}{dark}"


def _first(report: Report) -> Callable[[Figures], tuple[float | str, ...]]:
    """The order in which they are told: first what stands still, for that is worst and little is to be expected of it; then where most is to come; last what was hardly watched."""

    def place(row: Figures) -> tuple[float | str, ...]:
        rank = report.ranks[row.subject]
        quarter = rank.quarter
        long = row.failed * STILL >= row.watched * len(row.sections)
        if row.still or (row.failed and long):
            return 0, -row.failed, -row.disturbances, row.name
        if quarter is None or row.watched < SHORT:
            return 2, -row.failed, -row.disturbances, row.name
        return 1, -quarter, -row.failed, row.name

    return place


def _worst(report: Report, names: _Names) -> str:
    ranked = sorted(
        (
            row
            for row in report.rows["section"]
            if row.disturbances or row.failed or row.still
        ),
        key=_first(report),
    )[:WORST]
    if not ranked:
        return ""
    heading = (
        "<h2>Where most is to come</h2>"
        '<p class="second">First what is not given back, or was not available for a tenth of the time, the longest first; '
        "then by what is to be expected; what was watched for too short a time comes last.</p>"
    )
    return heading + _rows(report, ranked, ("Section", _WORST), names)


def _table(report: Report, kind: Kind, most: int | None, names: _Names) -> str:
    found = report.rows[kind]
    if not found:
        return ""
    title = PLURALS[kind]
    worst = sorted(found, key=_first(report))
    shown: Sequence[Figures] = found
    more = ""
    if most is not None and len(found) > most:
        shown = worst[:most]
        more = (
            f'<p class="second">The {most} of {len(found)} where most is to come; '
            "all of them are in the table to download.</p>"
        )
    printed = {row.subject for row in worst[:ON_PAPER]}
    if len(shown) > ON_PAPER:
        and_all = ", and the sum of all" if kind == "section" else ""
        more += (
            f'<p class="second on-paper">On paper: the {ON_PAPER} of {len(found)} where '
            f"most is to come{and_all}; the whole table is in the workbook (xlsx).</p>"
        )
    heading = f'<h2 id="{kind}s">{title}</h2>'
    columns = _ALL if kind == "section" else _PARTS
    told = _rows(
        report,
        shown,
        (title.removesuffix("s"), columns),
        names,
        own=True,
        printed=printed,
        whole=kind == "section",
    )
    return heading + more + told


def _rows(
    report: Report,
    rows: Iterable[Figures],
    told: tuple[str, Cells],
    names: _Names,
    *,
    own: bool = False,
    printed: Collection[str] | None = None,
    whole: bool = False,
) -> str:
    """A table of *rows*; in their own one each can be led to.

    Args:
        report: of which.
        rows: in this order.
        told: what a row is, and its columns.
        names: leads to more of each.
        own: it is the table in which all stand.
        printed: those that are printed too; None: all.
        whole: the line stands below them, as the sum of all.
    """
    name, columns = told
    head = "".join(f'<th scope="col">{escape(title)}</th>' for title, _ in columns)
    lines = []
    for row in rows:
        anchor = f' id="{names.anchor(row.subject)}"' if own else ""
        rest = ' class="rest"' if printed and row.subject not in printed else ""
        shown = names.of(row.subject, in_its_row=own)
        cells = _cells(row, report.ranks[row.subject], columns)
        lines.append(f'<tr{anchor}{rest}><th scope="row">{shown}</th>{cells}</tr>')
    if whole:
        cells = _cells(report.whole, _of_the_line(report), columns)
        lines.append(f'<tr class="sum"><th scope="row">The line</th>{cells}</tr>')
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(name)}"><table>'
        f'<thead><tr><th scope="col">{escape(name)}</th>{head}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table></div>"
    )


def _cells(row: Figures, rank: Rank, columns: Cells) -> str:
    return "".join(
        f'<td data-label="{escape(title)}">{escape(cell(row, rank))}</td>'
        for title, cell in columns
    )


def _of_the_line(report: Report) -> Rank:
    """How the line stands: against the period before, and its trend, which is asked for once."""
    trend = report.fleet
    return Rank(
        subject="line",
        trend=trend,
        rising=None if trend is None else trend.chance,
        against=report.against,
    )


# Drawings, each with its numbers beside it.


def _charts(report: Report, names: _Names) -> str:
    if not report.whole.heard:
        return ""
    drawn = [
        months_drawn(report.months),
        _carried(report, names),
        _expected(report, names),
        hours_drawn(report.hours),
        _seasons(report),
    ]
    few = "" if report.seasons else f'<p class="second">Seasons: {TOO_LITTLE}.</p>'
    return f'<h2>Drawn</h2><div class="charts">{"".join(one for one in drawn if one)}</div>{few}'


def _figure(
    title: str,
    svg: str,
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    name: Callable[[str], str] = escape,
) -> str:
    """A drawing with its numbers; *name* gives what stands before a row, as HTML."""
    ths = "".join(f'<th scope="col">{escape(one)}</th>' for one in head)
    trs = "".join(
        f'<tr><th scope="row">{name(row[0])}</th>'
        f"{''.join(f'<td>{escape(one)}</td>' for one in row[1:])}</tr>"
        for row in rows
    )
    return (
        f"<figure><figcaption>{escape(title)}</figcaption>{svg}"
        "<details><summary>The numbers</summary>"
        f"<table><thead><tr>{ths}</tr></thead><tbody>{trs}</tbody></table></details></figure>"
    )


def _slot_bar(slot: Slot) -> Bar:
    one = slot.per_trains()
    part = slot.share < FULLY
    if not one.exposure > 0:
        return Bar(label=slot.name[2:], value=None, part=part)
    low, high = limits(one.count, words.CONFIDENCE)
    return Bar(
        label=slot.name[2:],
        value=one.count / one.exposure,
        low=low / one.exposure,
        high=high / one.exposure,
        part=part,
    )


def months_drawn(months: Sequence[Slot]) -> str:
    """Occasions by month, drawn, with the numbers; "" of one month alone."""
    if len(months) < 2:
        return ""
    title = "Occasions per 1,000 trains, by month"
    svg = plots.columns(
        "months",
        title,
        "A bar a month with its 95 % interval; hatched where less than 95 % was observed, "
        "and a question mark where no train was seen.",
        [_slot_bar(one) for one in months],
        every=-(-len(months) // 13),
    )
    rows = [
        (
            one.name,
            _told(one, one.disturbances),
            _told(one, one.occasions),
            _told(one, one.trains),
            words.rate(one.per_trains(), heard=one.heard),
            words.share(one.share),
        )
        for one in months
    ]
    head = (
        "Month",
        "Disturbances",
        "Occasions",
        "Trains",
        "Per 1,000 trains",
        "Observed",
    )
    return _figure(title, svg, head, rows)


def _told(slot: Slot, count: int) -> str:
    told = slot.told(count)
    return words.NOT_HEARD if told is None else f"{told:,}"


def _seasons(report: Report) -> str:
    if not report.seasons:
        return ""
    title = "Occasions per 1,000 trains, by season"
    bars = []
    for season in report.seasons:
        one = season.per_trains()
        if not one.exposure > 0:
            bars.append(Bar(label=season.name, value=None))
            continue
        low, high = (end / one.exposure for end in limits(one.count, words.CONFIDENCE))
        rate = one.count / one.exposure
        bars.append(Bar(label=season.name, value=rate, low=low, high=high))
    svg = plots.columns(
        "seasons",
        title,
        "A bar for each season, all years together, with its 95 % interval.",
        bars,
    )
    rows = [
        (
            f"{season.name} {one.year}",
            str(one.occasions) if one.days else words.NOT_HEARD,
            f"{one.trains:,}" if one.days else words.NOT_HEARD,
            words.rate(one.per_trains(), heard=bool(one.days)),
            f"{one.days:.0f}",
        )
        for season in report.seasons
        for one in season.years
    ]
    head = ("Season", "Occasions", "Trains", "Per 1,000 trains", "Days observed")
    return _figure(title, svg, head, rows)


def hours_drawn(hours: Sequence[Slot]) -> str:
    """Occasions by hour of the day, drawn, with the numbers; "" where there are none."""
    total = sum(one.occasions for one in hours)
    trains = sum(one.trains for one in hours)
    if not total or not trains:
        return ""
    title = "Occasions by hour of the day"
    shares = [total * one.trains / trains for one in hours]
    svg = plots.columns(
        "hours",
        title,
        "A bar an hour; the thick stroke is how many there would be by trains alone; "
        "hatched where less than 95 % of that hour was observed, and a question mark where none of it was.",
        [_hour_bar(one, share) for one, share in zip(hours, shares, strict=True)],
        every=2,
        whole=True,
    )
    rows = [
        (
            one.name,
            _told(one, one.occasions),
            f"{share:.1f}" if one.heard else words.NOT_HEARD,
            _told(one, one.disturbances),
            _told(one, one.trains),
            words.share(one.share),
        )
        for one, share in zip(hours, shares, strict=True)
    ]
    head = (
        "Hour",
        "Occasions",
        "By trains alone",
        "Disturbances",
        "Trains",
        "Observed",
    )
    return _figure(f"{title}; stroke: by trains alone", svg, head, rows)


def _hour_bar(slot: Slot, share: float) -> Bar:
    part = slot.share < FULLY
    count = slot.told(slot.occasions)
    if count is None:
        return Bar(label=slot.name, value=None, part=part)
    return Bar(label=slot.name, value=float(count), mark=share, part=part)


def _carried(report: Report, names: _Names) -> str:
    shown = report.carried[:BARS]
    if len(shown) < 2:
        return ""
    title = "Sections that carry most disturbances"
    svg = plots.carried(
        "carried",
        title,
        "Bars from the most on; the dashed line is what they come to together, as a share of all.",
        [Bar(label=one.name, value=float(one.count)) for one in shown],
        [one.together for one in shown],
    )
    rows = [
        (one.name, str(one.rank), str(one.count), words.share(one.together))
        for one in report.carried
    ]
    head = ("Section", "Rank", "Disturbances", "Together")
    return _figure(
        f"{title}; dashed: together",
        svg,
        head,
        rows,
        lambda one: names.of(f"section/{one}"),
    )


def _expected(report: Report, names: _Names) -> str:
    found = [
        (row, one)
        for row in report.rows["section"]
        if (one := report.ranks[row.subject].expected) is not None
        and row.trains
        and row.trains
        and row.watched >= SHORT
        and one.high <= WIDE * one.low
    ]
    ranked = sorted(found, key=lambda x: (-x[1].rate, x[0].name))[:WORST]
    if len(ranked) < 2:
        return ""
    title = "Occasions to expect per 1,000 trains"
    svg = plots.rows(
        "expected",
        title,
        "A dot a section, in the range that holds it with 95 %; the highest first. "
        "Sections of which too little is known are left out.",
        [
            Bar(label=row.name, value=one.rate, low=one.low, high=one.high)
            for row, one in ranked
        ],
        "per 1,000 trains",
    )
    rows = [
        (row.name, *map(words.few_digits, (one.rate, one.low, one.high)))
        for row, one in ranked
    ]
    head = ("Section", "To expect", "At least", "At most")
    return _figure(title, svg, head, rows, lambda one: names.of(f"section/{one}"))


def _made_how() -> str:
    items = "".join(
        f"<li><b>{escape(what)}.</b> {escape(how)}</li>" for what, how in NOTES
    )
    return f'<h2>How the numbers are made</h2><ol class="notes">{items}</ol>'
