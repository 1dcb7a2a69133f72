"""What each section shows, in two views.

`shown` is the newest event as it arrives, for the desk and the metrics; it may change its mind when an older event comes.
The settled view, everything below, is what conclusions rest on: events in order of time, up to the watermark.

A section's state is **not known** while any reason for that stands:

| reason | stands until |
|---|---|
| not yet heard, a gap, its gateway silent | its own next event, snapshot, or repeat of a retained message |
| a late event | the watermark has passed the latest event known when it came |
| its evaluator isolated, its source out of watch, its clock wrong where arrival is not told | that ends |

(A silence after which the numbers go on without a gap ends when the gateway is heard.)
Meanwhile what comes is remembered but not told; when the last reason goes, the section is told as known again, and a state that differs from the one told before is told as a change that nobody saw.

A section is **under work** between `section.work` begun and ended, or while its evaluator is isolated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from monitor.core.changes import (
    Change,
    ContactsChanged,
    InterlockingChanged,
    KnownAgain,
    NotKnown,
    ServiceChanged,
    StateChanged,
    WorkBegan,
    WorkEnded,
    WorkRenamed,
)
from monitor.core.events import (
    Contacts,
    EvaluatorState,
    SectionState,
    SectionWork,
    Service,
    State,
)
from monitor.core.layout import Line
from monitor.core.moments import Moment


class Why(StrEnum):
    """Why a section's state is not known."""

    FIRST = "not yet heard"
    GAP = "a gap in what its source sent"
    SILENT = "its gateway is not heard"
    LATE = "an event of it came late"
    ISOLATED = "its evaluator is isolated"
    OUT = "its source is out of watch"
    CLOCK = "its source's clock is wrong, and this recording does not say by how much"


ENDED_BY_AN_EVENT = frozenset({Why.FIRST, Why.GAP, Why.SILENT})
"""The reasons that a section's own next event takes away."""


@dataclass(slots=True)
class Shown:
    """A section as the newest event shows it, in order of arrival.

    Args:
        event: the newest event, or None before the first.
        at: its corrected time.
        late: it came after conclusions had gone past it.
    """

    event: SectionState | None = None
    at: Moment = 0
    late: bool = False


@dataclass(slots=True)
class Settled:
    """A section as conclusions see it.

    Args:
        state: by its newest settled event, told or not.
        told: what the later stages were told last.
        so_since: when `state` became so.
        event: the event that shows `state`.
        identity: the id of the newest event, by which a repeat is known.
        time: the newest event's own time.
        at: its corrected time.
        reasons: why the state is not known; empty while it is.
        since: since when it is not known.
        axles: its newest tally, or None where tallies are not given.
        most: the most axles it has shown since it was clear last, 0 where tallies are not given.
        work: references of the works going on, and the events that began them.
        isolated: its evaluator is.
        named: the work that was named as the one that keeps it quiet, or "".
    """

    state: State | None = None
    told: State | None = None
    so_since: Moment = 0
    event: str = ""
    identity: str = ""
    time: Moment | None = None
    at: Moment = 0
    contacts: Contacts | None = None
    told_contacts: tuple[bool, bool] | None = None
    interlocking: State | None = None
    told_interlocking: State | None = None
    axles: int | None = None
    most: int = 0
    reasons: set[Why] = field(default_factory=lambda: {Why.FIRST})
    since: Moment | None = None
    work: dict[str, SectionWork] = field(default_factory=dict)
    isolated: bool = False
    named: str = ""

    @property
    def under_work(self) -> bool:
        """Whether nothing is raised about it."""
        return bool(self.work) or self.isolated

    def works(self, evaluator: str) -> list[str]:
        """What goes on there, in words, the first first."""
        names = [f"work {one}" if one else "work" for one in self.work]
        return [*names, f"evaluator {evaluator} isolated"] if self.isolated else names


@dataclass(slots=True)
class Occupancy:
    """The state of every section of a line."""

    line: Line
    shown: dict[str, Shown] = field(init=False)
    sections: dict[str, Settled] = field(init=False)
    service: dict[str, Service] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.shown = {section: Shown() for section in self.line.sections}
        self.sections = {section: Settled() for section in self.line.sections}

    def show(self, event: SectionState, at: Moment, *, late: bool) -> None:
        """An event has come: what does the section show now?"""
        shown = self.shown[event.subject]
        if shown.event is None or at >= shown.at:
            shown.event, shown.at, shown.late = event, at, late

    def state(self, event: SectionState, at: Moment) -> list[Change]:
        """A section's event is settled."""
        section = self.sections[event.subject]
        if event.retained and section.time is not None and event.time <= section.time:
            return []  # what the broker had kept is older than what was heard since
        self._remember(section, event, at)
        if not section.reasons:
            return self._differences(event.subject, section, at, unseen=event.retained)
        return self._without(event.subject, section, ENDED_BY_AN_EVENT, at)

    def still(self, event: SectionState, at: Moment) -> list[Change]:
        """The broker repeats an event it had kept: what it shows still holds, if it was the newest."""
        section = self.sections[event.subject]
        if section.identity != event.name or not section.reasons:
            return []
        return self._without(event.subject, section, ENDED_BY_AN_EVENT, at)

    def late(self, event: SectionState, at: Moment, now: Moment) -> list[Change]:
        """An event came after time had gone past it: nothing is concluded from it."""
        section = self.sections[event.subject]
        if at >= section.at:
            self._remember(section, event, at)
        return self.lose(event.subject, Why.LATE, since=at, at=now)

    def lose(self, name: str, why: Why, *, since: Moment, at: Moment) -> list[Change]:
        """From *at* on the state of section *name* is not known, and was last known at *since*."""
        section = self.sections[name]
        known = not section.reasons
        section.reasons.add(why)
        if not known:
            return []
        section.since = since
        return [NotKnown(place=name, at=at, since=since, why=why.value)]

    def regain(self, name: str, why: Why, at: Moment) -> list[Change]:
        """The reason *why* stands no longer."""
        section = self.sections[name]
        if why not in section.reasons:
            return []
        return self._without(name, section, {why}, at)

    def work(self, event: SectionWork, at: Moment) -> list[Change]:
        """Work began or ended on a section."""
        section = self.sections[event.subject]
        before = section.under_work
        reference = event.reference or ""
        if event.begun:
            section.work[reference] = event
        elif reference in section.work and reference:
            del section.work[reference]
        else:
            # An end that names no work that is known ends all of it.
            section.work.clear()
        return self._work_changed(event.subject, before, at, event.name)

    def evaluator(self, event: EvaluatorState, at: Moment) -> list[Change]:
        """An evaluator says what it is doing."""
        was = self.service.get(event.subject)
        if was is event.state:
            return []
        self.service[event.subject] = event.state
        changes: list[Change] = [
            ServiceChanged(
                place=event.subject,
                at=at,
                was=was,
                now=event.state,
                event=event.name,
                so_since=event.time if event.retained else at,
            )
        ]
        isolated = event.state is Service.ISOLATED
        for name in self.line.sections_of(event.subject):
            changes += self._isolate(name, event, at, isolated=isolated)
        return changes

    def _isolate(
        self, name: str, event: EvaluatorState, at: Moment, *, isolated: bool
    ) -> list[Change]:
        section = self.sections[name]
        if section.isolated == isolated:
            return []
        before = section.under_work
        section.isolated = isolated
        if isolated:
            changes = self.lose(name, Why.ISOLATED, since=at, at=at)
        else:
            changes = self.regain(name, Why.ISOLATED, at)
        return changes + self._work_changed(name, before, at, event.name)

    def _work_changed(
        self, name: str, before: bool, at: Moment, event: str
    ) -> list[Change]:
        section = self.sections[name]
        works = section.works(self.line.sections[name].evaluator)
        if not (works or before) or section.named in works:
            return []
        if not works:
            section.named = ""
            return [WorkEnded(place=name, at=at, event=event, state=section.told)]
        section.named = works[0]
        why = f"under work: {works[0]}"
        if before:
            return [WorkRenamed(place=name, at=at, why=why)]
        return [WorkBegan(place=name, at=at, why=why)]

    def _remember(self, section: Settled, event: SectionState, at: Moment) -> None:
        if event.state is not section.state:
            if section.state is State.CLEAR:
                section.most = 0
            section.state = event.state
            section.so_since = event.time if event.retained else at
            section.event = event.name
        section.identity = event.name
        section.time = event.time
        section.at = at
        section.axles = event.axles
        section.most = max(section.most, event.axles or 0)
        if event.contacts is not None:
            section.contacts = event.contacts
        if event.interlocking is not None:
            section.interlocking = event.interlocking

    def _without(
        self, name: str, section: Settled, gone: frozenset[Why] | set[Why], at: Moment
    ) -> list[Change]:
        first = Why.FIRST in section.reasons
        section.reasons -= gone
        if section.reasons or section.state is None:
            return []
        section.since = None
        changes: list[Change] = []
        if not first:
            changes.append(
                KnownAgain(
                    place=name, at=at, state=section.state, event=section.identity
                )
            )
        return changes + self._differences(name, section, at, unseen=True)

    def _differences(
        self, name: str, section: Settled, at: Moment, *, unseen: bool
    ) -> list[Change]:
        changes: list[Change] = []
        state = section.state
        if state is not None and state is not section.told:
            changes.append(
                StateChanged(
                    place=name,
                    at=at,
                    was=section.told,
                    now=state,
                    event=section.event,
                    so_since=section.so_since,
                    unseen=unseen,
                )
            )
            section.told = state
        if section.contacts is not None:
            changes += self._contacts(name, section, section.contacts, at)
        if section.interlocking is not None:
            changes += self._interlocking(name, section, at)
        return changes

    def _contacts(
        self, name: str, section: Settled, contacts: Contacts, at: Moment
    ) -> Iterator[Change]:
        agree = contacts.clear != contacts.occupied
        key = agree, not agree and contacts.clear
        if key != section.told_contacts:
            section.told_contacts = key
            yield ContactsChanged(
                place=name,
                at=at,
                agree=agree,
                up=not agree and contacts.clear,
                event=section.identity,
            )

    def _interlocking(
        self, name: str, section: Settled, at: Moment
    ) -> Iterator[Change]:
        if section.interlocking is not section.told_interlocking:
            section.told_interlocking = section.interlocking
            yield InterlockingChanged(
                place=name,
                at=at,
                occupied=section.interlocking is not State.CLEAR,
                clear=section.state is State.CLEAR,
                event=section.identity,
            )
