"""The work list as a table (CSV) and as JSON, for other programs: a row for each section on it."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator
from typing import Any

from monitor.core.moments import stamp
from monitor.core.words import CAUTION
from monitor.findings import FINDINGS
from monitor.planner.quiet_hours import NO_LEAVE
from monitor.planner.worklist import ORDER, Item, Trip, Worklist
from monitor.tables import guarded

COLUMNS = (
    "visit",
    "site",
    "place",
    "km_low",
    "km_high",
    "section",
    "parts",
    "registers",
    "trains_held_90_d",
    "disturbed_90_d",
    "days_watched",
    "days_not_available",
    "stands_still",
    "expected_90_d",
    "expected_low",
    "expected_high",
    "why",
    "alerts",
    "last_visit",
    "found",
    "fewest_trains",
)


def as_csv(trips: Iterable[Trip]) -> str:
    """The list as a table, a row for each section."""
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(COLUMNS)
    for cells in rows(trips):
        table.writerow([guarded(one) if isinstance(one, str) else one for one in cells])
    return out.getvalue()


def rows(trips: Iterable[Trip]) -> Iterator[tuple[Any, ...]]:
    """The cells of each row, in the order of the columns; "" where there is nothing to say."""
    for number, trip in enumerate(trips, start=1):
        for item in trip.items:
            yield (
                number,
                trip.site,
                place_of(trip),
                "" if trip.low is None else trip.low,
                "" if trip.high is None else trip.high,
                item.section,
                ";".join(item.parts),
                ";".join(item.registers),
                item.held,
                item.disturbed,
                round(item.days, 1),
                round(item.out, 1),
                "yes" if item.stands else "no",
                *(
                    "" if item.thin or item.unsure else round(one, 1)
                    for one in (item.expected, item.low, item.high)
                ),
                item.reason,
                ";".join(f"{one.kind} {stamp(one.at)}" for one in item.evidence),
                "" if item.visit is None else stamp(item.visit.begin),
                "" if item.visit is None else FINDINGS[item.visit.cause].words,
                "" if trip.quiet is None else f"{trip.quiet.words}. {NO_LEAVE}",
            )


def place_of(trip: Trip) -> str:
    """What one needs for it, in words."""
    return "in the room" if trip.place == "room" else "track access needed"


def as_json(made: Worklist) -> str:
    """The list, for programs."""
    return json.dumps(
        {
            "as_of": stamp(made.at),
            "visits": [
                {
                    "site": trip.site,
                    "place": place_of(trip),
                    "km": [trip.low, trip.high],
                    "trains_held_90_d": trip.held,
                    "expected_90_d": None if trip.thin else round(trip.expected, 2),
                    "fewest_trains": None
                    if trip.quiet is None
                    else {
                        "sections": list(trip.access),
                        "times": [one.words for one in trip.quiet.times],
                        "hours_not_known": trip.quiet.unknown,
                        "days_heard": round(trip.quiet.heard, 1),
                        "in_words": trip.quiet.words,
                        "note": NO_LEAVE,
                    },
                    "sections": [_item(item) for item in trip.items],
                }
                for trip in made.trips
            ],
            "taken_off": [
                {
                    "section": one.section,
                    "visit": one.visit.id,
                    "ended": stamp(one.visit.end),
                    "why": list(one.said),
                }
                for one in made.off
            ],
            "order": ORDER,
            "heard": made.heard.words,
            "days_heard_90_d": {
                name: round(days, 1) for name, days in made.heard.days.items()
            },
            "caution": CAUTION,
        },
        ensure_ascii=False,
        indent=1,
    )


def _item(item: Item) -> dict[str, Any]:
    visit = item.visit
    return {
        "section": item.section,
        "parts": list(item.parts),
        "registers": list(item.registers),
        "trains_held_90_d": item.held,
        "disturbed_90_d": item.disturbed,
        "days_watched": round(item.days, 2),
        "days_not_available": round(item.out, 2),
        "stands_still": item.stands,
        "expected_90_d": None if item.thin or item.unsure else round(item.expected, 2),
        "expected_from_to": None
        if item.thin or item.unsure
        else [round(item.low, 2), round(item.high, 2)],
        "why": item.reason,
        "alerts": [
            {"id": one.id, "kind": one.kind, "raised": stamp(one.at)}
            for one in item.evidence
        ],
        "last_visit": None
        if visit is None
        else {"id": visit.id, "begin": stamp(visit.begin), "cause": visit.cause},
    }
