"""A comparison as people read it: tables of weeks and load, each difference with what shows it; and the same as JSON and as a table for a spreadsheet."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from monitor.core.moments import Moment, as_datetime, stamp
from monitor.core.words import CAUTION
from monitor.tables import guarded
from replay.compare import WAYS, WHATS, Comparison, Difference, Load, Told, days_of

SHOWN = 40
"""So many differences are printed; all of them stand in JSON and CSV."""

COLUMNS = (
    "way",
    "what",
    "kind",
    "subject",
    "priority",
    "raised_a",
    "raised_b",
    "ended_a",
    "ended_b",
    "how",
    "text",
    "shown_by",
)

Shows = Callable[[Difference], str]
"""Gives the command that shows a difference again."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows below a heading, the first row above the others."""

    heading: str
    rows: tuple[tuple[str, ...], ...]


def tables(found: Comparison, zone: tzinfo) -> list[Table]:
    """What is counted: all in all, by kind and week, and the load."""
    totals = [("", "A", "B", *WAYS)]
    for what in WHATS:
        a = sum(one.a for one in found.weeks if one.what == what)
        b = sum(one.b for one in found.weeks if one.what == what)
        counts = [found.count(what, way) for way in WAYS]
        totals.append((f"{what}s", str(a), str(b), *map(str, counts)))
    weeks = [("week from", "", "kind", "A", "B", *WAYS)]
    weeks += [
        (
            week_of(one.week, found, zone),
            f"{one.what}s",
            one.kind,
            *(str(getattr(one, name)) for name in ("a", "b", *WAYS)),
        )
        for one in found.weeks
    ]
    return [
        Table("All in all", tuple(totals)),
        Table("By week and kind", tuple(weeks)),
        Table(
            "What is asked of people, all positions together", tuple(_load_rows(found))
        ),
    ]


def week_of(
    week: Moment, found: Comparison, zone: tzinfo, form: str = "%Y-%m-%d"
) -> str:
    """The day on which a week begins, and how much of it was compared where that is not all."""
    day = f"{as_datetime(week).astimezone(zone):{form}}"
    looked, whole = days_of(week, found, zone)
    if looked >= whole:
        return day
    return f"{day} ({looked:.1f} of 7 days)".replace(".0 of", " of")


def _load_rows(found: Comparison) -> Iterator[tuple[str, ...]]:
    a, b = found.load_a, found.load_b
    yield ("calls", "A", "B", "target", "limit")
    yield ("a day, on average", _a_day(a), _a_day(b), "150", "300")
    for mine, others in zip(a.most, b.most, strict=True):
        yield (
            f"most in {_any(mine.within)}",
            str(mine.calls),
            str(others.calls),
            str(mine.limit.target),
            str(mine.limit.limit),
        )
    yield ("floods", str(len(a.floods)), str(len(b.floods)), "", "")
    yield (
        "part of the time in a flood",
        *(f"{100 * one.share:.2f} %" for one in (a, b)),
        "less than 1 %",
        "",
    )


def _a_day(load: Load) -> str:
    return f"{load.calls / load.days:.2f}"


def _any(within: str) -> str:
    return (
        within
        if within[0].isdigit()
        else f"an {within}"
        if within[0] == "h"
        else f"a {within}"
    )


def sentences(found: Comparison, zone: tzinfo, shows: Shows) -> Iterator[str]:
    """Each difference in a sentence, what is gained and lost before what has moved, each with what shows it; at most as many as are printed.

    A fault or call is told by its alert, where that differs in the same way.
    """
    told_by = {(one.way, one.one.kind, one.one.subject) for one in _alerts(found)}
    listed = [
        *_alerts(found),
        *(
            one
            for one in found.differences
            if one.one.what != "alert"
            and (one.way, one.one.kind, one.one.subject) not in told_by
        ),
    ]
    listed.sort(key=lambda one: (WAYS.index(one.way), one.one.at))
    for one in listed[:SHOWN]:
        told = one.one
        at = f"{as_datetime(told.at).astimezone(zone):%Y-%m-%d %H:%M:%S}"
        how = f" ({one.how})" if one.how else ""
        yield f"{one.way:<6} {at}  {told.what} {told.kind}{how}: {told.text}"
        yield f"         {shows(one)}"
    left = len(listed) - SHOWN
    if left > 0:
        yield f"{left} more; --format json or csv has all of them"


def _alerts(found: Comparison) -> list[Difference]:
    return [one for one in found.differences if one.one.what == "alert"]


def summary(found: Comparison) -> str:
    """All in all, in a sentence."""
    if not found.differences:
        return f"Nothing would be concluded otherwise; {sum(found.same.values())} alerts, faults and calls are the same"
    said = [
        f"{what}s: "
        + ", ".join(f"{found.count(what, way)} {way}" for way in WAYS)
        + f", {found.same.get(what, 0)} the same"
        for what in WHATS
    ]
    return "; ".join(said)


def as_json(found: Comparison, shows: Shows, zone: tzinfo) -> str:
    """All of it, for machines."""
    return json.dumps(
        {
            "a": found.a,
            "b": found.b,
            "from": stamp(found.begin),
            "to": stamp(found.end),
            "same": dict(found.same),
            "differences": [
                {
                    "way": one.way,
                    "how": one.how,
                    "a": _told(one.a),
                    "b": _told(one.b),
                    "shown_by": shows(one),
                }
                for one in found.differences
            ],
            "weeks": [
                {
                    "week": stamp(one.week),
                    "days": round(days_of(one.week, found, zone)[0], 3),
                    "what": one.what,
                    "kind": one.kind,
                    **{name: getattr(one, name) for name in ("a", "b", *WAYS)},
                }
                for one in found.weeks
            ],
            "load": {"a": _load(found.load_a), "b": _load(found.load_b)},
            "caution": CAUTION,
        },
        ensure_ascii=False,
        indent=1,
    )


def _told(one: Told | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "what": one.what,
        "id": one.id,
        "kind": one.kind,
        "subject": one.subject,
        "priority": one.priority,
        "began": stamp(one.began),
        "raised": stamp(one.at),
        "ended": _stamped(one.ended) or None,
        "quiet": one.quiet,
        "text": one.text,
    }


def _load(load: Load) -> dict[str, Any]:
    return {
        "calls": load.calls,
        "days": round(load.days, 6),
        "most": {
            one.within: {
                "calls": one.calls,
                "target": one.limit.target,
                "limit": one.limit.limit,
            }
            for one in load.most
        },
        "floods": [
            {
                "from": stamp(one.begin),
                "to": _stamped(one.end) or None,
                "calls": one.calls,
            }
            for one in load.floods
        ],
        "share_in_flood": load.share,
    }


def as_csv(found: Comparison, shows: Shows) -> str:
    """Each difference in a row."""
    out = io.StringIO(newline="")
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    for one in found.differences:
        told, a, b = one.one, one.a, one.b
        cells = (
            one.way,
            told.what,
            told.kind,
            told.subject,
            told.priority,
            "" if a is None else stamp(a.at),
            "" if b is None else stamp(b.at),
            "" if a is None else _stamped(a.ended),
            "" if b is None else _stamped(b.ended),
            one.how,
            told.text,
            shows(one),
        )
        rows.writerow([guarded(cell) for cell in cells])
    return out.getvalue()


def _stamped(moment: Moment | None) -> str:
    return "" if moment is None else stamp(moment)
