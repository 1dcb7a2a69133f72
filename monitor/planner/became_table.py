"""What became of visits, as tables (CSV) and as JSON: whether each helped, and how often each kind of alert was about something, of those visited."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from math import isinf
from typing import Any

from monitor.core.moments import stamp
from monitor.core.statistics.effect import Effect
from monitor.core.words import CAUTION
from monitor.findings import FINDINGS
from monitor.planner.effect import Found, Helped
from monitor.planner.effect_words import (
    METHOD,
    OF_THOSE_VISITED,
    RAW,
    all_of,
    became_of,
    of_those_visited,
)
from monitor.planner.outlook import Became
from monitor.tables import guarded

Cell = str | int | float | None

HELPED = (
    "from",
    "to",
    "subjects",
    "sections",
    "cause",
    "found",
    "part",
    "reference",
    "who",
    "came_since",
    "expected_without",
    "ratio",
    "ratio_low",
    "ratio_high",
    "too_early",
    "did_it_help",
    "counted_before",
    "days_before",
    "counted_since",
    "days_since",
    "days_not_available_since",
    "id",
)
FOUND = (
    "kind",
    "visited",
    "found_what_was_suspected",
    "share",
    "share_low",
    "share_high",
    "found_something_else",
    "not_said",
    "in_words",
)


def helped_rows(found: Iterable[Helped]) -> Iterator[tuple[Cell, ...]]:
    """A row for each visit, in the order of `HELPED`; None where nothing can be told."""
    for one in found:
        visit, effect = one.visit, one.effect
        early = effect is None or effect.too_early
        yield (
            stamp(visit.begin),
            stamp(visit.end),
            ";".join(visit.subjects),
            ";".join(one.sections),
            visit.cause,
            FINDINGS[visit.cause].words,
            visit.part,
            visit.reference,
            visit.who,
            None if effect is None else effect.count,
            None if effect is None else round(effect.awaited.mean, 2),
            *((None,) * 3 if effect is None or early else _ratio(effect)),
            "yes" if early else "no",
            became_of(one),
            one.before.count,
            round(one.before.exposure, 1),
            one.after.count,
            round(one.after.exposure, 1),
            round(one.out, 1),
            visit.id,
        )


def _ratio(effect: Effect) -> tuple[float | None, ...]:
    ends = (effect.ratio, effect.low, effect.high)
    return tuple(None if isinf(one) else round(one, 3) for one in ends)


def found_rows(found: Iterable[Found]) -> Iterator[tuple[Cell, ...]]:
    """A row for each kind of alert, in the order of `FOUND`."""
    for one in found:
        share = one.share
        told = (None,) * 3
        if share is not None:
            ends = (share.count / share.total, share.low, share.high)
            told = tuple(round(each, 4) for each in ends)  # type: ignore[assignment]
        yield (
            one.kind,
            0 if share is None else share.total,
            0 if share is None else share.count,
            *told,
            one.elsewhere,
            one.not_said,
            of_those_visited(share),
        )


def helped_csv(became: Became) -> str:
    """Each visit, and whether it helped."""
    return _csv(HELPED, helped_rows(became.helped))


def found_csv(became: Became) -> str:
    """Each kind of alert that led to a visit, and how often it was about something."""
    return _csv(FOUND, found_rows(became.found))


def _csv(columns: Sequence[str], rows: Iterable[tuple[Cell, ...]]) -> str:
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(columns)
    for row in rows:
        table.writerow([guarded(one) if isinstance(one, str) else one for one in row])
    return out.getvalue()


def plain(became: Became) -> dict[str, Any]:
    """All of it, as values of JSON."""
    together = became.together
    return {
        "together": {
            "in_words": all_of(became.helped, together)
            if became.helped
            else "none is on record yet",
            "came_since": None if together is None else together.count,
            "expected_without": None
            if together is None
            else round(together.awaited.mean, 2),
            **dict(
                zip(
                    ("ratio", "ratio_low", "ratio_high"),
                    (None,) * 3
                    if together is None or together.too_early
                    else _ratio(together),
                    strict=True,
                )
            ),
        },
        "visits": [
            dict(zip(HELPED, row, strict=True)) for row in helped_rows(became.helped)
        ],
        "of_those_visited": [
            dict(zip(FOUND, row, strict=True)) for row in found_rows(became.found)
        ],
        "notes": [METHOD, RAW, OF_THOSE_VISITED],
        "caution": CAUTION,
    }


def as_json(became: Became) -> str:
    """The same as text."""
    return json.dumps(plain(became), ensure_ascii=False, indent=1) + "\n"
