"""The visits that stand in a journal: those that were entered, and those that are read out of what somebody on site said about a fault."""

from __future__ import annotations

import json
from dataclasses import dataclass

from monitor.acts import read_act
from monitor.handling import Act
from monitor.journal import Journal
from monitor.store import Store
from monitor.visits import Visit, Visits, read_visit


@dataclass(frozen=True, slots=True)
class _Fault:
    subject: str
    subjects: tuple[str, ...]


def visits_of(journal: Journal, store: Store) -> tuple[Visit, ...]:
    """All visits, the oldest first.

    Args:
        journal: in which they stand.
        store: of the faults that people spoke of.

    Raises:
        ValueError: a record is not as it was written.
    """
    visits = Visits()
    faults: dict[str, _Fault | None] = {}
    for payload in journal.kept():
        record = read_visit(payload)
        if record is not None:
            visits.take(record)
            continue
        act = read_act(payload)
        if isinstance(act, Act) and act.fault:
            if act.fault not in faults:
                faults[act.fault] = _fault(store, act.fault)
            visits.told(act, faults[act.fault])
    return visits.all()


def _fault(store: Store, name: str) -> _Fault | None:
    """A fault as it stood last, or the one that took it in."""
    seen: set[str] = set()
    while name not in seen:
        seen.add(name)
        line = store.fault(name)
        if line is None:
            return None
        told = json.loads(line)
        if told["into"] is None:
            return _Fault(told["subject"], tuple(told["subjects"]))
        name = told["into"]
    return None
