"""What the planner's pages are made of: history, alerts and visits, read off the files by whoever has a thread for it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from monitor.core.layout import Line
from monitor.core.moments import DAY, Moment, parse
from monitor.core.statistics.effect import Effect
from monitor.history import History
from monitor.planner.effect import (
    BEFORE,
    LED,
    Found,
    Helped,
    Raised,
    Watched,
    all_together,
    found_by_kind,
    helped,
)
from monitor.planner.quiet_hours import by_hour_of_week, countable
from monitor.planner.seen import seen_sections
from monitor.planner.spells import length, within
from monitor.planner.whereabouts import Whereabouts
from monitor.planner.worklist import (
    LATELY,
    Heard,
    Known,
    Warned,
    Worklist,
    taken_off,
    with_hours,
    worklist,
)
from monitor.visits import Visit

Record = Mapping[str, Any]
"""The last line of an alert, as the contract has it."""

Alerts = Callable[[Moment], Iterable[Record]]
"""The alerts that were raised from a moment on, and those that are open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Became:
    """What became of all visits.

    Args:
        helped: each, the newest first.
        together: all of them at once; None where there is nothing to tell.
        found: how often each kind of alert that led to one was about something.
    """

    helped: tuple[Helped, ...]
    together: Effect | None
    found: tuple[Found, ...]


def work(
    history: History,
    line: Line,
    alerts: Alerts,
    visits: Sequence[Visit],
    now: Moment,
) -> Worklist:
    """The work list as it is now.

    Args:
        history: of what was so.
        line: the line file.
        alerts: as they were told last.
        visits: all of them.
        now: when.
    """
    there = Whereabouts(line)
    sections = seen_sections(history, line, now - BEFORE, now)
    held: dict[str, list[Moment]] = defaultdict(list)
    for fact in history.read("held", None, now - LATELY, now):
        if fact.ended is not None:
            held[fact.subject.partition("/")[2]].append(fact.ended)
    known = Known(
        now=now,
        watched={name: Watched.of(one) for name, one in sections.items()},
        held=held,
        warnings=[_warned(one) for one in alerts(now - LATELY)],
        visits=visits,
    )
    trips = worklist(known, there)
    watched = {
        name: countable(sections[name]) for trip in trips for name in trip.access
    }
    hours = by_hour_of_week(history, now, line.zone, watched)
    days = {
        name: length(within(one.watched, now - LATELY, now)) / DAY
        for name, one in sections.items()
    }
    off = taken_off(known, there)
    return Worklist(with_hours(trips, hours), Heard(days), now, off)


def became(  # noqa: PLR0917 - all there is to go by
    history: History,
    line: Line,
    alerts: Alerts,
    visits: Sequence[Visit],
    now: Moment,
    fault_of: Callable[[str], str],
    into: Callable[[str], str] = str,
) -> Became:
    """What became of the visits.

    Args:
        history: of what was so.
        line: the line file.
        alerts: as they were told last.
        visits: all of them.
        now: when.
        fault_of: gives the fault in which an alert is, or "".
        into: gives the fault that took one in, or that one itself.
    """
    if not visits:
        return Became(helped=(), together=None, found=())
    there = Whereabouts(line)
    first = min(one.begin for one in visits)
    # A month more, so that the line's rates are known for the first visit too.
    sections = seen_sections(history, line, first - BEFORE - 28 * DAY, now)
    watched = {name: Watched.of(one) for name, one in sections.items()}
    each = helped(visits, watched, there, now)
    raised = [
        Raised(
            id=one["id"],
            kind=one["kind"],
            subject=one["subject"],
            at=parse(one["raised"]),
            fault=fault_of(one["id"]),
            suspects=tuple(str(each["asset"]) for each in one["suspects"]),
        )
        for one in alerts(first - LED)
    ]
    for_faults = [replace(one, fault=into(one.fault)) for one in visits]
    return Became(
        helped=tuple(each),
        together=all_together(each),
        found=tuple(found_by_kind(for_faults, raised, there)),
    )


def _warned(record: Record) -> Warned:
    return Warned(
        id=record["id"],
        kind=record["kind"],
        at=parse(record["raised"]),
        is_open=record["ended"] is None,
        about=tuple(dict.fromkeys([record["subject"], *record["affected"]])),
        suspects=tuple(
            (str(one["asset"]), float(one["weight"])) for one in record["suspects"]
        ),
        summary=record["summary"],
    )
