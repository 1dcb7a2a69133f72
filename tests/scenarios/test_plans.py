"""Days whose work stands in a plan instead of in the feed, as an engineer replays them."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.core.alerts import Alert
from monitor.core.engine import Engine
from monitor.core.events import SectionWork
from monitor.core.moments import exact
from monitor.plans import as_done, read_table
from replay.player import replay, with_entries

HERE = Path(__file__).parent


def _load_tables() -> Any:
    # Test files are found by path, so what stands beside one is too.
    if "tables" in sys.modules:
        return sys.modules["tables"]
    spec = importlib.util.spec_from_file_location("tables", HERE / "tables.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["tables"] = module
    spec.loader.exec_module(module)
    return module


tables = _load_tables()

HEADER = "subject,from,to,reference\n"


def the_day(name):
    """The day in the file of that name."""
    return tables.read_day(HERE / f"{name}.txt")


def replayed(day, events, plan=None) -> list[Alert]:
    """Every record of *events*, with the work of the table *plan* taken as done."""
    works = [] if plan is None else as_done(read_table(plan, day.line), "night")
    found = replay(Engine(day.line), with_entries(events, works), until=day.until)
    return [alert for output in found for alert in output.alerts]


def rows(alerts):
    """Each record: what, where, how urgent, when, and what keeps it quiet."""
    return [
        (
            a.kind,
            a.subject,
            a.priority,
            a.began,
            a.raised,
            a.ended,
            a.parameters.get("quiet"),
        )
        for a in alerts
    ]


def planned(day):
    """The work of a day's feed as a plan, and the feed without it."""
    begun, lines, feed = {}, [], []
    for event in day.events:
        if not isinstance(event, SectionWork):
            feed.append(event)
        elif event.begun:
            begun[event.subject] = event
        else:
            first = begun.pop(event.subject)
            times = f"{exact(first.time)},{exact(event.time)}"
            lines.append(f"{event.subject},{times},{first.reference or ''}\n")
    assert not begun
    assert lines
    return HEADER + "".join(lines), feed


@pytest.mark.parametrize(
    "name",
    [
        "nothing-possession",
        "nothing-out-of-a-possession",
        "nothing-vanished-beside-work",
        "occupied-no-train-after-work",
        "reset-unproved-after-work",
    ],
)
def test_a_plan_that_was_carried_out_is_as_good_as_a_feed_that_tells_of_work(name):
    """The same records, quiet for the same reason; without either it is another day."""
    day = the_day(name)
    plan, feed = planned(day)
    told = rows(replayed(day, day.events))

    assert rows(replayed(day, feed, plan)) == told
    assert rows(replayed(day, feed)) != told


def test_what_is_open_as_work_begins_keeps_quiet_because_of_it_by_name():
    """Loose head evening, with a technician at H103 from 22:20 to 23:30: what was open says by which work it keeps quiet, and what his trolley and the train of 40 do after that raises nothing."""
    day = the_day("loose-head-evening")
    plan = HEADER + "head/H103,2026-05-04T22:20,2026-05-04T23:30,W7 loose head\n"
    alerts = replayed(day, day.events, plan)
    reason = "under work: work W7 loose head"

    assert [
        (
            alert.kind,
            alert.subject,
            tables.short(alert.began, day.first),
            tables.short(alert.ended, day.first),
            alert.parameters.get("quiet"),
        )
        for alert in alerts
    ] == [
        ("section-disturbed", "section/T103", "21:10:00", "open", None),
        ("section-disturbed", "section/T103", "21:10:00", "21:20:01", None),
        ("section-disturbed", "section/T103", "22:15:00", "open", None),
        ("section-disturbed", "section/T103", "22:15:00", "open", reason),
        ("section-disturbed", "section/T103", "22:15:00", "22:25:01", reason),
    ]
