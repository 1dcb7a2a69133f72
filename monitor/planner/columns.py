"""The columns of the period report's tables, for machines: one place that says what each holds, for every format.

A cell is None where nothing is known: of what was not heard there are no noughts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from monitor.core.moments import HOUR, MINUTE
from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.poisson import limits
from monitor.planner import words
from monitor.planner.figures import KINDS, Figures, Kind, Rank, Report

Cell = str | int | float | bool | None
Form = Literal["text", "count", "number", "share", "yes"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Args:
        key: for machines.
        title: for people, with the unit.
        form: of its cells.
        cell: what stands in it.
        always: also where nothing was heard.
    """

    key: str
    title: str
    form: Form
    cell: Callable[[Figures, Rank], Cell]
    always: bool = False

    def of(self, row: Figures, rank: Rank) -> Cell:
        """What stands in the row of *row*; of what was not heard, what was counted all the same."""
        if row.heard or self.always:
            return self.cell(row, rank)
        return (self.cell(row, rank) or None) if self.form == "count" else None


def _minutes(length: int) -> float:
    return round(length / MINUTE, 2)


def _rate(one: Counted) -> float | None:
    return one.count / one.exposure if one.exposure > 0 else None


def _ends(one: Counted) -> tuple[float | None, float | None]:
    if not one.exposure > 0:
        return None, None
    low, high = limits(one.count, words.CONFIDENCE)
    return low / one.exposure, high / one.exposure


def _sum(row: Figures, what: str) -> int:
    return sum(getattr(one, what) for one in row.resets)


def _seconds(value: float | None) -> float | None:
    return None if value is None else round(value / 60, 2)


def _finite(value: float | None) -> float | None:
    return None if value is None or value in (float("inf"), float("-inf")) else value


BY = {"": "", "head": "its passages", "section": "the busier section beside it"}

COLUMNS: tuple[Column, ...] = (
    Column("kind", "Kind", "text", lambda r, _: r.subject.partition("/")[0], True),
    Column("id", "Id", "text", lambda r, _: r.name, True),
    Column("place", "Where", "text", lambda r, _: r.place, True),
    Column("register", "Register", "text", lambda r, _: r.ref, True),
    Column("heard", "Heard", "yes", lambda r, _: r.heard, True),
    Column("observed", "Observed share", "share", lambda r, _: r.share, True),
    Column(
        "dark_longest_h",
        "Longest not observed, h",
        "number",
        lambda r, _: round(r.dark_longest / HOUR, 2),
        True,
    ),
    Column("new", "Heard first in this period", "yes", lambda r, _: r.new),
    Column("disturbances", "Disturbances", "count", lambda r, _: r.disturbances),
    Column("occasions", "Occasions", "count", lambda r, _: r.occasions),
    Column(
        "occasions_low",
        "Occasions, at least (95 %)",
        "number",
        lambda r, _: limits(r.occasions)[0],
    ),
    Column(
        "occasions_high",
        "Occasions, at most (95 %)",
        "number",
        lambda r, _: limits(r.occasions)[1],
    ),
    Column(
        "spurious", "Spurious occupations among them", "count", lambda r, _: r.spurious
    ),
    Column(
        "apart_under_work",
        "Apart: under work",
        "count",
        lambda r, _: r.apart.under_work,
    ),
    Column(
        "apart_after_work",
        "Apart: within an hour after work",
        "count",
        lambda r, _: r.apart.after_work,
    ),
    Column(
        "apart_at_start",
        "Apart: at an evaluator's start",
        "count",
        lambda r, _: r.apart.at_start,
    ),
    Column(
        "apart_not_available_min",
        "Apart: not available, min",
        "number",
        lambda r, _: _minutes(r.apart.failed),
    ),
    Column("apart_held", "Apart: trains held", "count", lambda r, _: r.apart.held),
    Column("resets", "Resets", "count", lambda r, _: _sum(r, "accepted")),
    Column(
        "resets_followed",
        "Resets that a train followed",
        "count",
        lambda r, _: _sum(r, "followed"),
    ),
    Column(
        "resets_by_kind",
        "Resets by kind",
        "text",
        lambda r, _: "; ".join(words.of_kind(one) for one in r.resets if one.accepted),
    ),
    Column(
        "resets_apart",
        "Apart: resets",
        "count",
        lambda r, _: _sum(r, "apart"),
    ),
    Column(
        "no_train_min",
        "Occupied, no train seen, min",
        "number",
        lambda r, _: _minutes(r.no_train),
    ),
    Column(
        "not_available_min",
        "Not available, min",
        "number",
        lambda r, _: _minutes(r.failed),
    ),
    Column(
        "not_available_busy_min",
        "Not available in hours with trains, min",
        "number",
        lambda r, _: _minutes(r.failed_busy),
    ),
    Column(
        "given_back", "Times not available", "count", lambda r, _: r.given_back.number
    ),
    Column(
        "given_back_half_min",
        "Given back, half within, min",
        "number",
        lambda r, _: _seconds(r.given_back.median_s),
    ),
    Column(
        "given_back_most_min",
        "Given back, nine in ten within, min",
        "number",
        lambda r, _: _seconds(r.given_back.most_s),
    ),
    Column(
        "not_given_back",
        "Not seen to be given back",
        "count",
        lambda r, _: r.given_back.going_on,
    ),
    Column("held", "Trains held", "count", lambda r, _: r.held),
    Column("trains", "Trains worked through", "count", lambda r, _: r.trains),
    Column(
        "trains_by",
        "Trains counted by (of a head)",
        "text",
        lambda r, _: BY[r.by],
        True,
    ),
    Column(
        "trains_at_least", "Trains are at least so many", "yes", lambda r, _: r.at_least
    ),
    Column("axles", "Axles told", "count", lambda r, _: r.axles if r.counted else None),
    Column(
        "per_1000_trains",
        "Occasions per 1,000 trains",
        "number",
        lambda r, _: _rate(r.per_trains()),
    ),
    Column(
        "per_1000_trains_low",
        "Per 1,000 trains, at least (95 %)",
        "number",
        lambda r, _: _ends(r.per_trains())[0],
    ),
    Column(
        "per_1000_trains_high",
        "Per 1,000 trains, at most (95 %)",
        "number",
        lambda r, _: _ends(r.per_trains())[1],
    ),
    Column(
        "per_100000_axles",
        "Occasions per 100,000 axles",
        "number",
        lambda r, _: _rate(r.per_axles()),
    ),
    Column(
        "expected_per_1000_trains",
        "Occasions to expect per 1,000 trains",
        "number",
        lambda _, k: None if k.expected is None else k.expected.rate,
    ),
    Column(
        "expected_low",
        "To expect per 1,000 trains, at least (95 %)",
        "number",
        lambda _, k: None if k.expected is None else k.expected.low,
    ),
    Column(
        "expected_high",
        "To expect per 1,000 trains, at most (95 %)",
        "number",
        lambda _, k: None if k.expected is None else k.expected.high,
    ),
    Column(
        "expected_in_90_days",
        "Occasions to expect in 90 days",
        "number",
        lambda _, k: None if k.thin else k.quarter,
    ),
    Column(
        "expected_in_90_days_low",
        "To expect in 90 days, at least (95 %)",
        "number",
        lambda _, k: None if k.thin else k.quarter_low,
    ),
    Column(
        "expected_in_90_days_high",
        "To expect in 90 days, at most (95 %)",
        "number",
        lambda _, k: None if k.thin else k.quarter_high,
    ),
    Column(
        "more_than_share",
        "More than its share",
        "yes",
        lambda _, k: bool(words.more(k)),
    ),
    Column("trend", "Trend", "text", lambda _, k: words.trend(k)),
    Column(
        "against_before",
        "Times the period before",
        "number",
        lambda _, k: None if k.against is None else _finite(k.against.value),
    ),
    Column(
        "against_before_low",
        "Times the period before, at least (95 %)",
        "number",
        lambda _, k: None if k.against is None else k.against.low,
    ),
    Column(
        "against_before_high",
        "Times the period before, at most (95 %)",
        "number",
        lambda _, k: None if k.against is None else _finite(k.against.high),
    ),
    Column(
        "hours", "Hours with more than trains explain", "text", lambda _, k: k.hours
    ),
    Column(
        "months", "Months with more than trains explain", "text", lambda _, k: k.months
    ),
    Column(
        "seasons",
        "Seasons with more than trains explain",
        "text",
        lambda _, k: k.seasons,
    ),
    Column("alerts", "Alerts about it", "count", lambda r, _: r.alerts, True),
)


def cells(report: Report, kind: Kind) -> Iterator[list[Cell]]:
    """The rows of one kind, in the order of the line file."""
    for row in report.rows[kind]:
        rank = report.ranks[row.subject]
        yield [column.of(row, rank) for column in COLUMNS]


def all_cells(report: Report) -> Iterator[list[Cell]]:
    """The rows of all kinds."""
    for kind in KINDS:
        yield from cells(report, kind)
