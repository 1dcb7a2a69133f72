"""What a handover sheet needs of the past, read off the files by the one thread that may.

The sheet itself is made where the engine is, of what this gives.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.facts import Fact
from monitor.core.moments import Moment
from monitor.handover import KINDS_COUNTED, Part, Read, count, parts
from monitor.history import History
from monitor.journal import Journal
from monitor.lists import LOOKED_BACK, came
from monitor.load import Raised
from monitor.shifts import Rota

IN_FORCE = (RecordKind.SETTINGS, RecordKind.LINE)
OWN = (
    RecordKind.STARTED,
    RecordKind.CONNECTED,
    RecordKind.DISCONNECTED,
    RecordKind.CLOCK,
    *IN_FORCE,
)
"""The monitor's own records that a sheet tells of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Whose past is asked for.

    Args:
        rota: when shifts begin.
        now: when.
        subjects: that the position looks after (`handover.subjects_of`).
        waiting: the sections whose resets wait for a train.
        calls: that asked something of the position, as long ago as they are known (`load.asking`).
        alerts: of whatever place, as far as load goes by them.
        known_since: from when on *calls* and *alerts* hold everything; None: from the beginning of the journal.
        wrong: why the monitor cannot do its work now.
    """

    rota: Rota
    now: Moment
    subjects: frozenset[str]
    waiting: tuple[str, ...] = ()
    calls: tuple[Moment, ...] = ()
    alerts: tuple[Raised, ...] = ()
    known_since: Moment | None = None
    wrong: tuple[str, ...] = ()


def read(journal: Journal, history: History, wanted: Wanted) -> Read:
    """What is read for a sheet.

    Args:
        journal: of the monitor's own records.
        history: of what was so.
        wanted: whose past.
    """
    now = wanted.now
    began = journal.began()
    since = max(now if began is None else began, wanted.known_since or 0)
    this, *like = parts(wanted.rota, now, since)
    facts = _facts(history, this)
    records = _records(journal, this)
    return Read(
        dark=tuple(fact for fact in facts if fact.kind == "not-known"),
        passed=came(
            fact
            for section in wanted.waiting
            for fact in history.read(
                "occupation", f"section/{section}", now - LOOKED_BACK
            )
        ),
        records=records,
        texts=dict(_texts(journal, records)),
        counted=tuple(
            count(
                part,
                calls=wanted.calls,
                alerts=wanted.alerts,
                facts=facts if part is this else _facts(history, part),
                subjects=wanted.subjects,
            )
            for part in (this, *like)
        ),
        wrong=wanted.wrong,
    )


def _facts(history: History, part: Part) -> list[Fact]:
    return [
        fact
        for kind in KINDS_COUNTED
        for fact in history.read(kind, None, part.begin, part.end)
    ]


def _records(journal: Journal, part: Part) -> tuple[MonitorRecord, ...]:
    """Those of the shift, after the last ones before it by which it began."""
    before = [journal.last(kind, part.begin) for kind in IN_FORCE]
    lost = journal.last(RecordKind.DISCONNECTED, part.begin)
    found = journal.last(RecordKind.CONNECTED, part.begin)
    if lost is not None and (found is None or found.time < lost.time):
        before.append(lost)
    earlier = sorted(
        (one for one in before if one is not None), key=lambda one: one.time
    )
    return (*earlier, *journal.records(OWN, part.begin, part.end))


def _texts(
    journal: Journal, records: Iterable[MonitorRecord]
) -> Iterator[tuple[str, str]]:
    """The settings of *records*, by digest."""
    for record in records:
        if record.kind is RecordKind.SETTINGS:
            text = journal.payload(int(record.values["text_at"]))
            yield str(record.values["digest"]), text.decode()
