"""What people enter, as the events that it is: the same types as the feed's, from the source of their desk."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

from monitor.core.events import (
    AnyEvent,
    ResetKind,
    SectionReset,
    SectionWork,
    SourceWatch,
    Step,
)
from monitor.core.layout import Line
from monitor.core.moments import Moment, parse
from monitor.desk.model import (
    NotThere,
    PlanImportedIn,
    PlanIn,
    PlanWithdrawnIn,
    Refused,
    ResetIn,
    WatchIn,
    Who,
    WorkIn,
)
from monitor.desk.places import Places
from monitor.planned import Imported, Stepped, Withdrawn
from monitor.plans import read_bytes, year_from
from monitor.tables import TableFault

SHOWN_FAULTS = 20
"""Of what is wrong with a plan, so much is told."""

_ODD = re.compile(r"[^\w.-]")
"""What a source's name does without."""


def moment_of(at: str | None, now: Moment) -> Moment:
    """When something was so; *now* where that is not said.

    Raises:
        Refused: it has not happened yet.
    """
    moment = now if at is None else parse(at)
    if moment > now:
        raise Refused("that has not happened yet")
    return moment


def entered(
    entry: WorkIn | ResetIn | WatchIn,
    identity: str,
    now: Moment,
    line: Line,
    places: Places,
) -> Sequence[AnyEvent]:
    """The events that *entry* is.

    Args:
        entry: what was entered.
        identity: names it for ever.
        now: when it was entered.
        line: the line file.
        places: of that line.

    Raises:
        NotThere: it names what the line file lacks.
        Refused: it has not happened yet.
    """
    source = f"desk/{_ODD.sub('-', entry.position)}"
    at = moment_of(entry.at, now)
    if isinstance(entry, ResetIn):
        if entry.section not in line.sections:
            raise NotThere(f"the line file has no section {entry.section}")
        return [
            SectionReset(
                id=identity,
                source=source,
                subject=entry.section,
                time=at,
                arrival=now,
                kind=ResetKind(entry.kind),
                step=Step(entry.step),
                by=entry.by,
            )
        ]
    if isinstance(entry, WatchIn):
        return [
            SourceWatch(
                id=identity,
                source=source,
                subject=entry.source,
                time=at,
                arrival=now,
                out=entry.state == "out",
            )
        ]
    sections = dict.fromkeys(
        section for subject in entry.subjects for section in places.sections(subject)
    )
    return [
        SectionWork(
            id=f"{identity}/{section}",
            source=source,
            subject=section,
            time=at,
            arrival=now,
            begun=entry.what == "work_begun",
            reference=entry.reference or None,
            planned_end=None if entry.planned_end is None else parse(entry.planned_end),
        )
        for section in sections
    ]


def stepped(entry: PlanIn, who: Who, identity: str, now: Moment) -> Stepped:
    """The step of planned work that *entry* is, for the journal.

    Raises:
        Refused: it has not happened yet.
    """
    return Stepped(
        id=identity,
        entered=now,
        by=who.name,
        position=who.position,
        plan=entry.plan,
        key=entry.work,
        step="begun" if entry.what == "plan_begun" else "ended",
        at=moment_of(entry.at, now),
    )


def imported(
    entry: PlanImportedIn, who: Who, identity: str, now: Moment, line: Line
) -> Imported:
    """The plan that *entry* holds, for the journal.

    Raises:
        Refused: something is wrong with it.
    """
    name = f"{_ODD.sub('-', entry.plan)}.{entry.form}"
    try:
        works = read_bytes(entry.text.encode(), line, name, year_from(now))
    except TableFault as fault:
        more = len(fault.faults) - SHOWN_FAULTS
        told = [*fault.faults[:SHOWN_FAULTS], *([f"{more} more"] if more > 0 else [])]
        raise Refused("; ".join(told)) from None
    return Imported(
        id=identity,
        entered=now,
        by=who.name,
        position=who.position,
        plan=entry.plan,
        works=works,
    )


def withdrawn(
    entry: PlanWithdrawnIn, who: Who, identity: str, now: Moment, plans: Collection[str]
) -> Withdrawn:
    """That a plan is no longer one, for the journal.

    Raises:
        NotThere: there is none of that name.
    """
    if entry.plan not in plans:
        raise NotThere(f"there is no plan {entry.plan}")
    return Withdrawn(
        id=identity,
        entered=now,
        by=who.name,
        position=who.position,
        plan=entry.plan,
    )
