"""What people enter about visits, as the records that it is."""

from __future__ import annotations

from monitor.core.moments import Moment, parse, stamp
from monitor.desk.model import (
    AnyVisit,
    NotThere,
    Refused,
    VisitIn,
    VisitOut,
    VisitsIn,
    Who,
)
from monitor.findings import FINDINGS
from monitor.planner.visit_table import Importing, read
from monitor.planner.whereabouts import Whereabouts
from monitor.tables import TableFault
from monitor.visits import Record, Visit, Visits, Withdrawn

SHOWN_FAULTS = 20
"""Of what is wrong with a table, so much is told."""


def recorded(  # noqa: PLR0917 - what there is to go by
    given: AnyVisit,
    who: Who,
    identity: str,
    now: Moment,
    there: Whereabouts,
    visits: Visits,
) -> list[Record]:
    """The records that *given* is, of those that say something new.

    Args:
        given: what was entered.
        who: by whom.
        identity: names it for ever.
        now: when.
        there: the places of the line.
        visits: those that are known.

    Raises:
        NotThere: it names what is not there.
        Refused: it cannot be.
    """
    if isinstance(given, VisitIn):
        return [_visit(given, who, identity, now, there)]
    if isinstance(given, VisitsIn):
        return [*_table(given, who, now, there)]
    if visits.visit(given.visit) is None:
        raise NotThere(f"there is no visit {given.visit}")
    return [
        Withdrawn(
            id=identity,
            visit=given.visit,
            text=given.text,
            by=who.name,
            position=who.position,
            entered=now,
        )
    ]


def _visit(
    given: VisitIn, who: Who, identity: str, now: Moment, there: Whereabouts
) -> Visit:
    subjects = tuple(dict.fromkeys(given.subjects))
    for subject in (*subjects, *([given.part] if given.part else [])):
        if not there.has(subject):
            raise NotThere(f"the line file has nothing that is {subject}")
    begin = parse(given.begin)
    end = begin if given.end is None else parse(given.end)
    if end < begin:
        raise Refused("it ends before it begins")
    if end > now:
        raise Refused("that has not happened yet")
    return Visit(
        id=identity,
        begin=begin,
        end=end,
        subjects=subjects,
        cause=given.cause,
        part=given.part or "",
        reference=given.reference,
        text=given.text,
        who=given.who or who.name,
        fault=given.fault or "",
        by=who.name,
        position=who.position,
        entered=now,
    )


def _table(
    given: VisitsIn, who: Who, now: Moment, there: Whereabouts
) -> tuple[Visit, ...]:
    by = Importing(who.name, who.position, now)
    try:
        return read(given.text, there, by, given.name)
    except TableFault as fault:
        more = len(fault.faults) - SHOWN_FAULTS
        told = [*fault.faults[:SHOWN_FAULTS], *([f"{more} more"] if more > 0 else [])]
        raise Refused("; ".join(told)) from None


def shown(visit: Visit) -> VisitOut:
    """*visit* as it is told."""
    return VisitOut(
        id=visit.id,
        begin=stamp(visit.begin),
        end=stamp(visit.end),
        subjects=list(visit.subjects),
        cause=visit.cause,
        found=FINDINGS[visit.cause].words,
        part=visit.part,
        reference=visit.reference,
        text=visit.text,
        who=visit.who,
        fault=visit.fault,
        by=visit.by,
        position=visit.position,
        entered=stamp(visit.entered),
    )
