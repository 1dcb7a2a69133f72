"""The period report as JSON, for other programs: the same columns as the tables, and the whole line."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from monitor.core.moments import Moment, stamp
from monitor.core.words import CAUTION
from monitor.planner.columns import COLUMNS, Cell, cells
from monitor.planner.figures import KINDS, Figures, Rank, Report, Slot
from monitor.planner.seasons import TOO_LITTLE


def as_json(report: Report) -> str:
    """*report* as an object, indented."""
    return json.dumps(plain(report), ensure_ascii=False, indent=1) + "\n"


def plain(report: Report) -> dict[str, Any]:
    """*report* as JSON values."""
    against = report.against
    return {
        "report": "period",
        "caution": CAUTION,
        "line": report.line,
        "timezone": report.timezone,
        "from": stamp(report.begin),
        "to": stamp(report.end),
        "known_up_to": stamp(report.reached),
        "made": _stamped(report.made),
        "rehearsal": report.rehearsal,
        "notes": list(report.notes),
        "whole": _row(report.whole, report.ranks[report.whole.subject]),
        "before": _row(report.before, Rank(subject=report.before.subject)),
        "against_before": None if against is None else _finite(asdict(against)),
        "trend": None if report.fleet is None else asdict(report.fleet),
        "carried_by": list(report.most),
        "months": [_slot(one) for one in report.months],
        "seasons": _seasons(report),
        "hours": [_slot(one) for one in report.hours],
        **{
            f"{kind}s": [
                dict(zip((column.key for column in COLUMNS), row, strict=True))
                for row in cells(report, kind)
            ]
            for kind in KINDS
        },
    }


def _row(row: Figures, rank: Rank) -> dict[str, Cell]:
    """The whole line: what needs no comparison with others."""
    return {
        column.key: cell
        for column in COLUMNS
        if (cell := column.of(row, rank)) is not None
    }


def _slot(slot: Slot) -> dict[str, Cell]:
    """A month or an hour: null where nobody listened, but for what came all the same."""
    return {
        "name": slot.name,
        "disturbances": slot.told(slot.disturbances),
        "occasions": slot.told(slot.occasions),
        "trains": slot.told(slot.trains),
        "share": slot.share,
    }


def _seasons(report: Report) -> list[dict[str, Any]] | str:
    """Each season of each year; in words where too little of the year was seen."""
    if not report.seasons:
        return TOO_LITTLE
    return [
        {
            "season": season.name,
            "years": [
                asdict(one) | {"days": round(one.days, 1)} for one in season.years
            ],
        }
        for season in report.seasons
    ]


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """JSON has no infinity: where there is no limit stands null."""
    return {
        name: None if value in (float("inf"), float("-inf")) else value
        for name, value in values.items()
    }


def _stamped(moment: Moment | None) -> str | None:
    return None if moment is None else stamp(moment)
