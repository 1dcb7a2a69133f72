"""Small pasts, written by hand: a line of four sections, and what was so on it."""

from __future__ import annotations

from monitor.core.facts import Fact
from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, parse
from monitor.history import History
from monitor.planner.period import report

MAY = parse("2026-05-01T00:00:00Z")
JUNE = parse("2026-06-01T00:00:00Z")

LINE = """
[line]
name = "Varnholt - Ostrel line"   # invented
timezone = "UTC"

[[evaluator]]
id = "EV1"
site = "Thornmere room"
ref = "R-1"

[[evaluator]]
id = "EV2"
site = "Ostrel room"
"""


def line(zone="UTC", site="Thornmere room"):
    """T1 to T4 in a row, two on each evaluator; H1, H2, ... between them, TU1 for the first three heads."""
    text = LINE.replace('"UTC"', f'"{zone}"').replace("Thornmere room", site)
    for n in range(1, 5):
        text += (
            f'[[section]]\nid = "T{n}"\narea = "a"\nevaluator = "EV{(n + 1) // 2}"\n'
            f"length_m = 800\nspeed_km_h = 100\n"
        )
    ends = ["open", "T1", "T2", "T3", "T4", "open"]
    for n in range(5):
        unit = "TU1" if n < 3 else "TU2"
        text += (
            f'[[head]]\nid = "H{n}"\nbetween = ["{ends[n]}", "{ends[n + 1]}"]\n'
            f'km = {n}.0\nunit = "{unit}"\ncable = "C1"\n'
        )
    return read_line(text, "line.toml")


def at(day, hour=0.0):
    """A moment of May, by day and hour."""
    return MAY + (day - 1) * DAY + round(hour * HOUR)


def fact(what, section, began, ended=None, /, **values):
    """A fact of a section."""
    return Fact(
        kind=what,
        subject=f"section/T{section}",
        began=began,
        ended=ended,
        values=values,
    )


def heard(*sections, since=MAY - 60 * DAY):
    """First events."""
    return [fact("heard", n, since) for n in sections or (1, 2, 3, 4)]


def disturbed(section, moment, **values):
    """A disturbance."""
    return fact("disturbance", section, moment, spurious=False, **values)


def train(section, left, axles=0, **values):
    """A train of five minutes that worked through."""
    began = left - HOUR // 12
    return fact(
        "occupation", section, began, left, worked_through=True, axles=axles, **values
    )


def trains(section, first=1, last=31, hours=(6, 12, 18), axles=0):
    """A train at each of these hours, day by day."""
    return [
        train(section, at(day, hour + 0.5), axles)
        for day in range(first, last + 1)
        for hour in hours
    ]


def passages(head, first=1, last=31, hours=(6, 12, 18), axles=0):
    """The passages of a head, one in each of these hours, day by day."""
    return [
        Fact(
            kind="passages",
            subject=f"head/H{head}",
            began=at(day, hour),
            ended=at(day, hour + 0.5),
            values={"count": 1, "axles": axles},
        )
        for day in range(first, last + 1)
        for hour in hours
    ]


def of(facts, begin=MAY, end=JUNE, graph=None, reached=None, **more):
    """The report over *facts*."""
    with History.open(":memory:") as history:
        history.write(facts)
        return report(
            history,
            graph if graph is not None else line(),
            begin,
            end,
            reached=end if reached is None else reached,
            **more,
        )


def row(found, subject):
    """The row of *subject*."""
    kind = subject.partition("/")[0]
    [one] = [one for one in found.rows[kind] if one.subject == subject]
    return one
