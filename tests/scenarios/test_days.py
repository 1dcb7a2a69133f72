"""Every day beside this file, through the engine: what it raises is what the table says, nothing more and nothing less.

The tables are for signallers; `tables.py` says how they are read.
What a day expects is written by hand from what the kinds mean, never from what came out.
"""

from __future__ import annotations

import importlib.util
import re
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any
from zlib import crc32
from zoneinfo import ZoneInfo

import pytest

from monitor.core.alerts import Alert
from monitor.core.detectors import CATALOGUE
from monitor.core.engine import Engine
from monitor.core.events import AnyEvent

pytestmark = pytest.mark.days

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
DAYS = tables.Days(HERE)
KINDS = {detector.kind for detector in CATALOGUE}


def named(name):
    """A day as a parameter; one that the engine does not do yet is marked with the reason."""
    marks = [pytest.mark.slow] if name in tables.LONG else []
    if reason := DAYS.disagrees(name):
        marks.append(pytest.mark.xfail(strict=True, reason=reason))
    return pytest.param(name, id=name, marks=marks)


def alerts_of(day, events: tuple[AnyEvent, ...]) -> list[Alert]:
    """Every line of the alert record."""
    engine = Engine(day.line)
    alerts: list[Alert] = []
    for event in events:
        alerts += engine.take(event).alerts
    return [*alerts, *engine.finish(day.until).alerts]


def shaken(events: tuple[AnyEvent, ...]) -> tuple[AnyEvent, ...]:
    """*events* as they may come as well: each up to a second and a half later, every seventh a second time."""
    came = []
    for number, event in enumerate(events):
        assert event.arrival is not None
        later = event.arrival + number * 700_000 % 1_500_000
        came.append(replace(event, arrival=later))
        if number % 7 == 0:
            came.append(replace(event, arrival=later + 1_000_000))
    return tuple(sorted(came, key=lambda one: one.arrival or 0))


def untold(events: tuple[AnyEvent, ...]) -> tuple[AnyEvent, ...]:
    """*events* as in a recording that does not say when they came."""
    return tuple(replace(event, arrival=None) for event in events)


def skewed(events: tuple[AnyEvent, ...]) -> tuple[AnyEvent, ...]:
    """*events* where the clock of everything that speaks is up to 0.4 s off, this way or that."""
    return tuple(
        replace(
            event, time=event.time + crc32(event.subject.encode()) % 801_000 - 400_000
        )
        for event in events
    )


def last_lines(alerts: list[Alert]) -> list[Alert]:
    """The last line of each id, in the order in which they were raised."""
    return list({alert.id: alert for alert in alerts}.values())


def as_rows(day, alerts: list[Alert]) -> list[str]:
    """*alerts* as the table has them."""
    causes = {a.id: a.subject for a in alerts if a.kind == "common-cause"}
    rows = []
    for one in alerts:
        times = [
            tables.short(at, day.first) for at in (one.began, one.raised, one.ended)
        ]
        row = " ".join((one.kind, one.subject, one.priority, *times))
        group = one.parameters.get("group")
        if group is not None:
            row += f" in {causes.get(group, group)}"
        elif "quiet" in one.parameters:
            row += " quiet"
        rows.append(row)
    return rows


@pytest.mark.parametrize("name", [named(name) for name in DAYS])
def test_a_day_raises_what_its_table_says(name):
    """A day raises the alerts of its table, each with its times and priority, and nothing else."""
    hold(DAYS[name])


def hold(day):
    """Hold what a day raises against its table."""
    alerts = alerts_of(day, day.events)
    shown = alerts if day.every_record else last_lines(alerts)
    rows = as_rows(day, shown)
    expected = [one.row for one in day.raised]

    if day.every_record:
        assert rows == expected
    else:
        assert sorted(rows) == sorted(expected)
    for wanted in day.raised:
        found = [a for a, row in zip(shown, rows, strict=True) if row == wanted.row]
        for words in wanted.words:
            assert any(words in alert.summary for alert in found), words
        for asset in wanted.suspects:
            assert any(asset == s.asset for a in found for s in a.suspects), asset


ORDINARY = [
    named(name) for name in DAYS if not (DAYS.disagrees(name) or DAYS.by_arrival(name))
]
"""Days on which it tells nothing when an event came."""


@pytest.mark.parametrize("name", ORDINARY)
@pytest.mark.parametrize("how", [shaken, untold])
def test_how_events_come_changes_nothing(name, how):
    """Order of arrival within a second and a half, redelivery, and a recording without arrival times change no alert."""
    day = DAYS[name]
    rows = as_rows(day, last_lines(alerts_of(day, how(day.events))))
    # Where a table has every record, an alert stands as its last one says.
    stands = {(one.kind, one.subject, one.began): one.row for one in day.raised}

    assert sorted(rows) == sorted(stands.values())


@pytest.mark.parametrize("name", ORDINARY)
def test_imperfect_clocks_change_no_conclusion(name):
    """Clocks that are up to 0.4 s off move what is raised by as much, and raise nothing else."""
    day = DAYS[name]
    alerts = last_lines(alerts_of(day, skewed(day.events)))
    expected = {(one.kind, one.subject, one.began) for one in day.raised}

    assert Counter((one.kind, one.subject) for one in alerts) == Counter(
        (kind, subject) for kind, subject, _ in expected
    )


INDIA = "Asia/Kolkata"
"""Five and a half hours ahead of UTC, all the year round."""

TIME = re.compile(r"(?:\d{4}-\d\d-\d\d )?(\d\d):(\d\d):(\d\d)")


def told(day, timezone):
    """Every text that people have of a day, on a line in *timezone*."""
    line = replace(day.line, timezone=timezone, zone=ZoneInfo(timezone))
    engine = Engine(line)
    outputs = [engine.take(event) for event in day.events]
    outputs.append(engine.finish(day.until))
    texts = []
    for output in outputs:
        for alert in output.alerts:
            texts += [alert.summary, *alert.checks, *(e.text for e in alert.evidence)]
        texts += [one.headline for one in output.faults]
        texts += [one.text for one in output.calls]
    for section in sorted(line.sections):
        texts += engine.explain(section)
    return texts


def shifted(found):
    """A time of day five and a half hours later, without its date."""
    hours, minutes, seconds = map(int, found.groups())
    minutes += 60 * hours + 330
    return f"{minutes // 60 % 24:02}:{minutes % 60:02}:{seconds:02}"


@pytest.mark.parametrize(
    "name", [name for name in DAYS if name in KINDS or name == "loose-head-night"]
)
def test_people_read_the_time_of_the_line(name):
    """Whatever is told in India bears times that are five and a half hours later than those told in UTC, and nothing else is different; no text has a time for machines."""
    here, there = told(DAYS[name], "UTC"), told(DAYS[name], INDIA)

    assert [TIME.sub(shifted, text) for text in here] == [
        TIME.sub(lambda found: ":".join(found.groups()), text) for text in there
    ]
    assert not [text for text in there if re.search(r"\d[TZ]\b|\dT\d", text)]


def test_there_is_a_day_for_every_kind():
    """Every kind of the catalogue is raised on some day, and has a day of its name."""
    raised = {one.kind for name in DAYS for one in DAYS[name].raised}

    assert raised == KINDS
    assert [k for k in sorted(KINDS) if not any(n.startswith(k) for n in DAYS)] == []


def test_the_long_days_are_known():
    """Which days are long is written down, so that none needs to be read to be left out."""
    assert {n for n in DAYS if len(DAYS[n].events) > tables.MANY} == tables.LONG


WRONG = """A day that expects something else

T103 is disturbed.

LINE
open T101 T102 T103 T104 T105 open

WHAT HAPPENS
on 2026-05-04
06:00:00 T101..T105 clear
06:10:00 T103 disturbed

WHAT IS RAISED
{expected}
"""


@pytest.mark.parametrize(
    "expected",
    [
        "nothing",
        "section-disturbed section/T103 prompt 06:10:00 06:10:05 06:20:00",
        "section-disturbed section/T103 prompt 06:10:00 06:10:06 open",
        "section-disturbed section/T103 planned 06:10:00 06:10:05 open",
        "section-disturbed section/T103 prompt 06:10:00 06:10:05 open in cable/C2",
        "section-disturbed section/T103 prompt 06:10:00 06:10:05 open 'no such words'",
        "section-disturbed section/T103 prompt 06:10:00 06:10:05 open suspect head/H999",
    ],
)
def test_a_day_that_expects_something_else_fails(tmp_path, expected):
    """An alert more or less, another time, priority or group, or words that are not said, fail a day."""
    path = tmp_path / "wrong.txt"
    path.write_text(WRONG.format(expected=expected), encoding="utf-8")

    with pytest.raises(AssertionError):
        hold(tables.read_day(path))


@pytest.mark.parametrize(
    "line", ["06:20:00 T103 purple", "06:20:00 T999 clear", "then"]
)
def test_a_line_that_cannot_be_read_is_named(tmp_path, line):
    """A table with a word too many or a section that is not there is refused, with the line."""
    path = tmp_path / "wrong.txt"
    text = WRONG.replace("06:10:00 T103 disturbed", line)
    path.write_text(text.format(expected="nothing"), encoding="utf-8")

    with pytest.raises(ValueError, match=f"wrong.txt.*{line}"):
        tables.read_day(path)
