"""Visits: when somebody was at a part, which, and what was found there.

A visit is a record of its own in the journal, like an act; the engine is never told of it.
It is entered by the planner, comes out of a table, or is read out of what somebody on site said about a fault: that they were there, what they found, and that they are gone.
A later record of the same id takes the place of the earlier; one that was entered in error is withdrawn, and stays in the journal all the same.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol, cast

from monitor import kept
from monitor.core.moments import Moment, exact, parse
from monitor.findings import Cause, is_cause
from monitor.handling import Act
from monitor.journal import Entry

TYPE = "tallywatch.planner.visit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """Somebody was there.

    Args:
        id: names it for ever.
        begin: when it began.
        end: when it ended; the same where only a moment is known.
        subjects: what was visited, as in alerts.
        cause: what was found, from the list.
        part: at what it was found, as a subject, or "".
        reference: the number of the order or report, or "".
        text: a note, or "".
        who: was there, or "".
        fault: id of the fault for which, or "".
        by: who entered it.
        position: at which desk, or "".
        entered: when that was.
    """

    id: str
    begin: Moment
    end: Moment
    subjects: tuple[str, ...]
    cause: Cause
    part: str = ""
    reference: str = ""
    text: str = ""
    who: str = ""
    fault: str = ""
    by: str
    position: str = ""
    entered: Moment

    def says(self, other: Visit) -> bool:
        """Whether *other* says the same, whoever entered it, and whenever."""
        same = replace(other, by=self.by, position=self.position, entered=self.entered)
        return same == self


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn:
    """A visit was entered in error.

    Args:
        id: names the record.
        visit: id of the visit.
        text: why.
        by: who says so.
        position: at which desk, or "".
        entered: when.
    """

    id: str
    visit: str
    text: str
    by: str
    position: str = ""
    entered: Moment


Record = Visit | Withdrawn


class About(Protocol):
    """A fault, as far as a visit for it goes by it."""

    @property
    def subject(self) -> str:
        """What it is about."""

    @property
    def subjects(self) -> tuple[str, ...]:
        """All that it covers."""


def identity_of(begin: Moment, subjects: Sequence[str], who: str) -> str:
    """What names a visit that came without an id: when, where and who, so that it is the same when more is known of what was found.

    Example:
        >>> len(identity_of(0, ["section/T107"], "Ines"))
        16
    """
    told = "\n".join([exact(begin), *subjects, who])
    return hashlib.sha256(told.encode()).hexdigest()[:16]


class Visits:
    """All visits, out of their records and out of what people said on site.

    Example:
        >>> visit = Visit(
        ...     id="1",
        ...     begin=0,
        ...     end=0,
        ...     subjects=("head/H107",),
        ...     cause="head",
        ...     by="Ada",
        ...     entered=0,
        ... )
        >>> visits = Visits()
        >>> visits.take(visit), visits.take(visit)
        (True, False)
        >>> [one.cause for one in visits.all()]
        ['head']
    """

    def __init__(self) -> None:
        self._visits: dict[str, Visit] = {}
        self._withdrawn: dict[str, Visit] = {}
        self._there: dict[tuple[str, str], Moment] = {}
        self._found: dict[tuple[str, str], str] = {}

    def all(self) -> tuple[Visit, ...]:
        """All of them, the oldest first."""
        return tuple(sorted(self._visits.values(), key=lambda one: (one.begin, one.id)))

    def visit(self, name: str) -> Visit | None:
        """The visit of an id, or None."""
        return self._visits.get(name)

    def changes(self, record: Record) -> bool:
        """Whether *record* says anything that is not known; what was withdrawn does not come back by being said again."""
        if isinstance(record, Withdrawn):
            return record.visit in self._visits
        known = self._visits.get(record.id) or self._withdrawn.get(record.id)
        return known is None or not known.says(record)

    def take(self, record: Record) -> bool:
        """Keep what *record* says; False where that changes nothing."""
        if not self.changes(record):
            return False
        if isinstance(record, Withdrawn):
            self._withdrawn[record.visit] = self._visits.pop(record.visit)
        else:
            self._visits[record.id] = record
            self._withdrawn.pop(record.id, None)
        return True

    def told(self, act: Act, fault: About | None) -> None:
        """Somebody did something about a fault: who found something there has visited it.

        Args:
            act: that was taken.
            fault: that it is about, as it stands; None where it is not known.
        """
        place = act.fault, act.by
        match act.what:
            case "on_site":
                self._there[place] = act.at
            case "found":
                self._find(act, fault, place)
            case "gone":
                self._there.pop(place, None)
                visit = self._visits.get(self._found.pop(place, ""))
                if visit is not None and act.at > visit.end:
                    self._visits[visit.id] = replace(visit, end=act.at)

    def _find(self, act: Act, fault: About | None, place: tuple[str, str]) -> None:
        cause = cast("Cause", act.cause) if is_cause(act.cause) else "not-said"
        before = self._visits.get(self._found.get(place, ""))
        if before is not None:
            # The same person at the same fault, with more to say.
            self._visits[before.id] = replace(
                before,
                end=max(before.end, act.at),
                cause=before.cause if cause == "not-said" else cause,
                part=act.part or before.part,
                text="\n".join(one for one in (before.text, act.text) if one),
                entered=act.entered,
            )
            return
        self._found[place] = act.id
        self._visits[act.id] = Visit(
            id=act.id,
            begin=min(self._there.get(place, act.at), act.at),
            end=act.at,
            subjects=(act.part,) if fault is None else _subjects(fault),
            cause=cause,
            part=act.part,
            text=act.text,
            who=act.by,
            fault=act.fault,
            by=act.by,
            position=act.position,
            entered=act.entered,
        )


def _subjects(fault: About) -> tuple[str, ...]:
    """What a visit for *fault* is to: what the fault is about, and the sections in it."""
    sections = [one for one in fault.subjects if one.startswith("section/")]
    return tuple(dict.fromkeys([fault.subject, *sections]))


# In the journal.

_TEXTS = ("part", "reference", "text", "who", "fault")


def entry(record: Record) -> Entry:
    """*record* as something to be journaled."""
    if isinstance(record, Visit):
        at = record.begin
        data: dict[str, Any] = {
            "what": "made",
            "end": exact(record.end),
            "subjects": list(record.subjects),
            "cause": record.cause,
        }
        data |= {name: told for name in _TEXTS if (told := getattr(record, name))}
    else:
        at = record.entered
        data = {"what": "withdrawn", "visit": record.visit, "text": record.text}
    payload = kept.write(
        TYPE,
        data | {"by": record.by},
        identity=record.id,
        position=record.position,
        at=at,
        entered=record.entered,
    )
    return kept.entry(payload, record.entered)


def read_visit(payload: bytes) -> Record | None:
    """The record about a visit in *payload*, or None where it is something else.

    Raises:
        ValueError: it is one, and not as `entry` writes it.
    """
    event = kept.read(payload, TYPE)
    if event is None:
        return None
    try:
        return _read(event)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"a visit in the journal is not whole: {error!r}") from None


def visits_in(payloads: Iterable[bytes]) -> Visits:
    """The visits that were entered, among the *payloads* that a journal has kept; not those that are read out of acts.

    Raises:
        ValueError: one is not as it was written.
    """
    visits = Visits()
    for payload in payloads:
        record = read_visit(payload)
        if record is not None:
            visits.take(record)
    return visits


def _read(event: Mapping[str, Any]) -> Record:
    data = event["data"]
    common: dict[str, Any] = {
        "id": event["id"],
        "by": data["by"],
        "position": kept.position(event),
        "entered": parse(event["recordedtime"]),
    }
    if data["what"] == "withdrawn":
        return Withdrawn(visit=data["visit"], text=data["text"], **common)
    if not is_cause(data["cause"]):
        raise ValueError(f"there is no cause {data['cause']!r}")
    common |= {name: str(data.get(name, "")) for name in _TEXTS}
    return Visit(
        begin=parse(event["time"]),
        end=parse(data["end"]),
        subjects=tuple(data["subjects"]),
        cause=data["cause"],
        **common,
    )
