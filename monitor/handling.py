"""What people do with alerts: a state for each, and a record of each act.

Nothing here enters the core: an alert is what was so, this is what was done about it.
It is a fold over alert lines and acts in the order in which they came, so a start that reads both again knows everything.

| an alert is | over | again | graver | seen | closed |
|---|---|---|---|---|---|
| not seen | over, not yet seen | | | seen | closed |
| seen | done | | not seen | refused | closed |
| over, not yet seen | | not seen | | done | refused |
| done | | not seen | | refused | refused |
| closed | | | | refused | refused |

It is graver when somebody is needed now at a higher priority than it had when it was seen: whoever saw it as something for another day has not seen that.

Only what a person ends can be closed; anything else ends by itself.
Besides, an alert may be kept from calling people, each with its reason: shelved for a time or once, switched off, or quiet by design (`parameters.quiet`: under work, or covered by a cause).
Shelving and switching off are of a kind at a subject, so they hold for the next alert there too.

States have the names of OPC 10000-9 (Alarms and Conditions): ActiveState, AckedState, LatchedState, SuppressedState, OutOfServiceState, and Unshelved, TimedShelved, OneShotShelved.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal, cast

from monitor.core.alerts import Alert
from monitor.core.detector import Priority
from monitor.core.faults import CALLING, RANKS, STAYS, Fault
from monitor.core.moments import DAY, Duration, Moment
from monitor.findings import FINDINGS, Cause, is_cause

LOOKED_BACK: Duration = 7 * DAY
"""Before something is shelved, what that would have hidden in so long is shown."""

UNSEEN: Duration = DAY
"""So long what is over and nobody has seen is kept before people: through every shift that may have to know of it (common practice: three a day)."""

MOST = 500
"""Characters of a reason or a note that are kept."""

KEPT = 5000
"""Alerts with which nobody has to do any more, faults, and acts are remembered so many, the newest."""

What = Literal[
    "seen",
    "closed",
    "going",
    "on_site",
    "noted",
    "found",
    "gone",
    "shelved",
    "unshelved",
    "switched_off",
    "switched_on",
]


class Refused(Exception):
    """An act cannot be taken; the text says why, for the one who did it."""


class Life(Enum):
    """How far people are with an alert."""

    NOT_SEEN = "not seen"
    SEEN = "seen"
    OVER_NOT_SEEN = "over, not yet seen"
    DONE = "done"
    CLOSED = "closed"


class Step(Enum):
    """What happens to an alert's life."""

    OVER = "over"
    AGAIN = "again"
    GRAVER = "graver"
    SEEN = "seen"
    CLOSED = "closed"


LIVES: dict[tuple[Life, Step], Life] = {
    (Life.NOT_SEEN, Step.OVER): Life.OVER_NOT_SEEN,
    (Life.NOT_SEEN, Step.SEEN): Life.SEEN,
    (Life.NOT_SEEN, Step.CLOSED): Life.CLOSED,
    (Life.SEEN, Step.OVER): Life.DONE,
    (Life.SEEN, Step.GRAVER): Life.NOT_SEEN,
    (Life.SEEN, Step.CLOSED): Life.CLOSED,
    (Life.OVER_NOT_SEEN, Step.AGAIN): Life.NOT_SEEN,
    (Life.OVER_NOT_SEEN, Step.SEEN): Life.DONE,
    (Life.DONE, Step.AGAIN): Life.NOT_SEEN,
}
"""Every pair that may be; a missing one is refused, or changes nothing where nobody did it."""


class Shelf(Enum):
    """The states of shelving, as OPC 10000-9 names them."""

    UNSHELVED = "Unshelved"
    TIMED = "TimedShelved"
    ONCE = "OneShotShelved"


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """Something that a person did.

    Args:
        id: names it for ever, so that taking it again changes nothing.
        at: when it was so.
        entered: when it was entered; later, where it was typed without coverage.
        by: who.
        position: at which desk.
        what: was done.
        alert: about which alert, by its id; or "".
        fault: about which fault, by its id; or "".
        kind: with *subject*, what is shelved or switched off.
        subject: as in alerts, `section/T107`.
        text: a reason, a note, or what was found.
        cause: what was found, from the list of `findings`; or "".
        part: at what it was found, as a subject; or "".
        until: to when something is shelved; None: for the present alert, once.
    """

    id: str
    at: Moment
    entered: Moment
    by: str
    position: str
    what: What
    alert: str = ""
    fault: str = ""
    kind: str = ""
    subject: str = ""
    text: str = ""
    cause: str = ""
    part: str = ""
    until: Moment | None = None

    @property
    def said(self) -> str:
        """A note, or what was found, in words."""
        if not is_cause(self.cause):
            return self.text
        words = FINDINGS[cast("Cause", self.cause)].words
        part = f" ({self.part.partition('/')[2]})" if self.part else ""
        return f"{words}{part}: {self.text}" if self.text else f"{words}{part}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Handled:
    """An alert as people stand to it at a moment.

    Args:
        life: how far they are.
        active: it is open, and nobody has closed it (ActiveState).
        acked: somebody has seen it (AckedState).
        latched: it stays until a person closes it (LatchedState).
        shelf: whether it is shelved.
        until: to when, or None where it is not, or once.
        suppressed: why it is quiet by design, or "" (SuppressedState).
        out_of_service: why its kind is switched off there, or "" (OutOfServiceState).
        seen_by: who saw it, or "".
        seen_at: when, or None.
    """

    life: Life
    active: bool
    acked: bool
    latched: bool
    shelf: Shelf
    until: Moment | None
    suppressed: str
    out_of_service: str
    seen_by: str
    seen_at: Moment | None

    @property
    def quiet(self) -> str:
        """Why nobody is called for it, in words, or ""."""
        if self.out_of_service:
            return f"switched off here: {self.out_of_service}"
        if self.shelf is not Shelf.UNSHELVED:
            return "shelved"
        return self.suppressed


@dataclass(frozen=True, slots=True, kw_only=True)
class Attended:
    """A fault as people stand to it.

    Args:
        going: who said to go there, and is not gone again.
        on_site: who is there.
        notes: who noted or found what and when, oldest first.
        acts: everything done about it, oldest first.
    """

    going: tuple[str, ...]
    on_site: tuple[str, ...]
    notes: tuple[tuple[Moment, str, str], ...]
    acts: tuple[Act, ...]


@dataclass(slots=True)
class _Alert:
    alert: Alert
    life: Life = Life.NOT_SEEN
    seen: Act | None = None
    seen_as: Priority = "note"

    def graver(self) -> bool:
        """Whether somebody is needed now, and more than when it was seen."""
        rank = RANKS[self.alert.priority]
        return rank >= CALLING and rank > RANKS[self.seen_as]


@dataclass(frozen=True, slots=True)
class _Shelved:
    act: Act
    once_for: str  # the id of the alert that it holds for, or ""


Place = tuple[str, str]


@dataclass(slots=True)
class Handling:
    """What people did about all alerts, and what may be done next.

    Args:
        longest: for so long something is shelved at most (MaxTimeShelved of OPC 10000-9), whatever was asked for, once too.
    """

    longest: Duration = DAY
    _alerts: dict[str, _Alert] = field(default_factory=dict)
    _faults: dict[str, Fault] = field(default_factory=dict)
    _acts: dict[str, Act] = field(default_factory=dict)
    _fault_of: dict[str, str] = field(default_factory=dict)
    _of_fault: dict[str, list[Act]] = field(default_factory=dict)
    _shelved: dict[Place, _Shelved] = field(default_factory=dict)
    _off: dict[Place, Act] = field(default_factory=dict)

    # What it is told.

    def told(self, alert: Alert) -> None:
        """An alert has opened, changed or ended: a line of the record."""
        known = self._alerts.get(alert.id)
        if known is None:
            known = self._alerts[alert.id] = _Alert(alert)
            self._over_once(alert)
            self._forget_alerts()
        was_open, known.alert = known.alert.ended is None, alert
        if alert.ended is not None:
            self._step(known, Step.OVER)
            self._over_once(alert)
        elif not was_open:
            self._step(known, Step.AGAIN)
        elif known.graver():
            self._step(known, Step.GRAVER)
        if known.life is Life.NOT_SEEN:
            known.seen = None

    def told_fault(self, fault: Fault) -> None:
        """A fault has changed."""
        self._faults[fault.id] = fault
        for alert in fault.alerts:
            self._fault_of.setdefault(alert, fault.id)
        if len(self._faults) > 2 * KEPT:
            for name in self._oldest(n for n in self._faults if not self.is_open(n)):
                for alert in self._faults.pop(name).alerts:
                    self._fault_of.pop(alert, None)
                self._of_fault.pop(name, None)

    def _forget_alerts(self) -> None:
        if len(self._alerts) > 2 * KEPT:
            nobodys = {Life.DONE, Life.CLOSED}
            over = (n for n, one in self._alerts.items() if one.life in nobodys)
            for name in self._oldest(over):
                del self._alerts[name]

    @staticmethod
    def _oldest(names: Iterable[str]) -> list[str]:
        """All of *names* but the newest that are kept."""
        return list(names)[:-KEPT]

    def _over_once(self, alert: Alert) -> None:
        """What was shelved once comes back when its alert is over, or another has come."""
        place = alert.kind, alert.subject
        shelved = self._shelved.get(place)
        if shelved is None or shelved.act.until is not None:
            return
        if alert.ended is not None or shelved.once_for != alert.id:
            del self._shelved[place]

    def _step(self, known: _Alert, step: Step) -> bool:
        after = LIVES.get((known.life, step))
        if after is None:
            return False
        known.life = after
        return True

    # What people do.

    def take(self, act: Act) -> bool:
        """Take *act*; False where it was taken already.

        Raises:
            Refused: it cannot be taken, or lacks a reason; nothing has changed.
        """
        if act.id in self._acts:
            return False
        if len(act.text) > MOST:
            raise Refused(f"at most {MOST} characters")
        if act.entered < act.at:
            raise Refused("that has not happened yet")
        self._do(act)
        self._acts[act.id] = act
        if len(self._acts) > 2 * KEPT:
            for name in self._oldest(self._acts):
                del self._acts[name]
        if act.fault:
            self._of_fault.setdefault(act.fault, []).append(act)
        return True

    def _do(self, act: Act) -> None:
        match act.what:
            case "seen":
                self._seen(act)
            case "closed":
                self._closed(act)
            case "shelved" | "switched_off":
                self._silenced(act)
            case "unshelved":
                self._put_back(act, self._shelved, "shelved")
            case "switched_on":
                self._put_back(act, self._off, "switched off")
            case "noted" | "found" if not act.said.strip():
                raise Refused("there is nothing in it")
            case _:
                self._fault(act)

    def _seen(self, act: Act) -> None:
        concerned = list(self._concerned(act))
        waiting = [one for one in concerned if (one.life, Step.SEEN) in LIVES]
        if not waiting:
            raise Refused("it is seen already")
        for one in waiting:
            self._step(one, Step.SEEN)
            one.seen, one.seen_as = act, one.alert.priority

    def _concerned(self, act: Act) -> Iterator[_Alert]:
        """The alert, or all alerts of the fault, that *act* is about."""
        if act.alert:
            yield self._alert(act.alert)
            return
        fault = self._fault(act)
        for name in fault.alerts:
            if name in self._alerts:
                yield self._alerts[name]

    def _alert(self, name: str) -> _Alert:
        known = self._alerts.get(name)
        if known is None:
            raise Refused(f"there is no alert {name}")
        return known

    def _fault(self, act: Act) -> Fault:
        fault = self._faults.get(act.fault)
        if fault is None:
            raise Refused(f"there is no fault {act.fault or 'named'}")
        return fault

    def _closed(self, act: Act) -> None:
        known = self._alert(act.alert)
        if known.alert.kind not in STAYS:
            raise Refused("it ends by itself, and cannot be closed")
        if (known.life, Step.CLOSED) not in LIVES:
            raise Refused("it is closed already")
        if known.alert.priority == "urgent" and not act.text.strip():
            raise Refused("say why it can be closed")
        self._step(known, Step.CLOSED)
        known.seen = known.seen or act

    def _silenced(self, act: Act) -> None:
        if not (act.kind and act.subject):
            raise Refused("say which kind, and where")
        if not act.text.strip():
            raise Refused("say why")
        place = act.kind, act.subject
        if act.what == "switched_off":
            self._off[place] = act
            return
        once_for = ""
        if act.until is None:
            once_for = self._open_at(place)
            if not once_for:
                raise Refused("nothing is open there that could be shelved once")
        elif act.until <= act.entered:
            raise Refused("that time is over")
        self._shelved[place] = _Shelved(act, once_for)

    def _open_at(self, place: Place) -> str:
        for name, known in reversed(self._alerts.items()):
            alert = known.alert
            if (alert.kind, alert.subject) == place and alert.ended is None:
                return name
        return ""

    def _put_back(self, act: Act, kept: dict[Place, _Shelved] | dict[Place, Act], how: str) -> None:  # fmt: skip
        if kept.pop((act.kind, act.subject), None) is None:
            raise Refused(f"it is not {how}")

    # What is asked.

    def of(self, alert: str, at: Moment) -> Handled:
        """How people stand to an alert at a moment.

        Raises:
            KeyError: it was never told of.
        """
        known = self._alerts[alert]
        line, life = known.alert, known.life
        place = line.kind, line.subject
        stays = line.kind in STAYS
        shelf, until = self._shelf(place, at)
        off = self._off.get(place)
        return Handled(
            life=life,
            active=line.ended is None and life is not Life.CLOSED,
            acked=life in {Life.SEEN, Life.DONE, Life.CLOSED},
            latched=stays and life is not Life.CLOSED,
            shelf=shelf,
            until=until,
            suppressed=str(line.parameters.get("quiet", "")),
            out_of_service=off.text if off is not None else "",
            seen_by=known.seen.by if known.seen else "",
            seen_at=known.seen.at if known.seen else None,
        )

    def _shelf(self, place: Place, at: Moment) -> tuple[Shelf, Moment | None]:
        shelved = self._shelved.get(place)
        if shelved is None:
            return Shelf.UNSHELVED, None
        until = shelved.act.until
        longest = shelved.act.entered + self.longest
        if until is None:
            return (Shelf.ONCE if at < longest else Shelf.UNSHELVED), None
        until = min(until, longest)
        return (Shelf.TIMED, until) if at < until else (Shelf.UNSHELVED, None)

    def is_open(self, fault: str) -> bool:
        """Whether people still have to do with a fault: it has not ended, or something in it stays until it is closed.

        Raises:
            KeyError: it was never told of.
        """
        one = self._faults[fault]
        if one.into is not None:
            return False
        return one.ended is None or any(
            self._alerts[name].life is not Life.CLOSED
            for name in one.lasting
            if name in self._alerts
        )

    def is_over_not_seen(self, fault: str, at: Moment) -> bool:
        """Whether a fault is over, somebody was needed for something in it, and nobody has seen that; for a day after its end.

        Raises:
            KeyError: it was never told of.
        """
        one = self._faults[fault]
        if one.into is not None or one.ended is None or at - one.ended >= UNSEEN:
            return False
        return not self.is_open(fault) and any(
            known.life is Life.OVER_NOT_SEEN
            and RANKS[known.alert.priority] >= CALLING
            and not self.of(known.alert.id, at).quiet
            for name in one.alerts
            if (known := self._alerts.get(name)) is not None
        )

    def over_not_seen(self, at: Moment) -> list[Fault]:
        """The faults that are over and that nobody has seen, in the order in which they came."""
        found = [
            one for one in self._faults.values() if self.is_over_not_seen(one.id, at)
        ]
        return sorted(found, key=lambda one: (one.raised, one.id))

    def fault(self, name: str) -> Fault:
        """A fault as it stands, or the one that took it in.

        Raises:
            KeyError: it was never told of.
        """
        one = self._faults[name]
        while one.into is not None and one.into in self._faults:
            one = self._faults[one.into]
        return one

    def fault_of(self, act: Act) -> Fault | None:
        """The fault that *act* is about, or the one that took it in; None where it is about none that is remembered."""
        return self.fault(act.fault) if act.fault in self._faults else None

    def first_fault_of(self, alert: str) -> Fault | None:
        """The fault in which an alert was at first, whichever took that in since; None where it is of none."""
        return self._faults.get(self._fault_of.get(alert, ""))

    def unanswered(self, fault: str, at: Moment) -> tuple[Alert, ...]:
        """The alerts of a fault for which somebody is needed now and that nobody has seen, but what is quiet; in the order in which they came.

        Raises:
            KeyError: it was never told of.
        """
        return tuple(
            known.alert
            for known in self._needing(fault)
            if known.life is Life.NOT_SEEN and not self.of(known.alert.id, at).quiet
        )

    def quiet(self, fault: str, at: Moment) -> str:
        """Why nobody is called for anything in a fault, in words; "" where somebody is, or nothing in it needs anybody now.

        Raises:
            KeyError: it was never told of.
        """
        why = [self.of(known.alert.id, at).quiet for known in self._needing(fault)]
        return why[0] if why and all(why) else ""

    def _needing(self, fault: str) -> list[_Alert]:
        """The alerts of a fault for which somebody is needed now, seen or not."""
        return [
            known
            for name in self.fault(fault).alerts
            if (known := self._alerts.get(name)) is not None
            and known.alert.ended is None
            and known.life is not Life.CLOSED
            and RANKS[known.alert.priority] >= CALLING
        ]

    def attending(self, fault: str, since: Moment) -> bool:
        """Whether somebody who goes to a fault, or is there, said so at or after *since*."""
        attended = self.attended(fault)
        there = {*attended.going, *attended.on_site}
        return any(
            act.what in {"going", "on_site"} and act.by in there
            for act in attended.acts
            if act.entered >= since
        )

    def open_faults(self) -> list[Fault]:
        """The faults with which people still have to do, in the order in which they came."""
        found = [one for one in self._faults.values() if self.is_open(one.id)]
        return sorted(found, key=lambda one: (one.raised, one.id))

    def is_seen(self, fault: str) -> bool:
        """Whether somebody has seen everything in a fault.

        Raises:
            KeyError: it was never told of.
        """
        return not any(
            self._alerts[name].life in {Life.NOT_SEEN, Life.OVER_NOT_SEEN}
            for name in self._faults[fault].alerts
            if name in self._alerts
        )

    def act(self, name: str) -> Act | None:
        """What was taken under an id, or None."""
        return self._acts.get(name)

    def knows(self, subject: str) -> bool:
        """Whether there was ever an alert about *subject*, as far as is remembered."""
        return any(known.alert.subject == subject for known in self._alerts.values())

    def acts(self, begin: Moment, end: Moment) -> list[Act]:
        """What people entered from *begin* up to *end*, oldest first."""
        return [act for act in self._acts.values() if begin <= act.entered < end]

    def attended(self, fault: str) -> Attended:
        """Who goes to a fault, who is there, and what was noted; also what was done about those that it took in."""
        one = self._faults.get(fault)
        names = (fault, *(one.took if one is not None else ()))
        acts = sorted(
            (act for name in names for act in self._of_fault.get(name, ())),
            key=lambda act: (act.at, act.entered, act.id),
        )
        going: dict[str, None] = {}
        there: dict[str, None] = {}
        for act in acts:
            match act.what:
                case "going":
                    going[act.by] = None
                case "on_site":
                    going.pop(act.by, None)
                    there[act.by] = None
                case "gone":
                    going.pop(act.by, None)
                    there.pop(act.by, None)
        notes = [
            (act.at, act.by, act.said) for act in acts if act.what in {"noted", "found"}
        ]
        return Attended(
            going=tuple(going),
            on_site=tuple(there),
            notes=tuple(notes),
            acts=tuple(acts),
        )

    def not_closed(self) -> list[Alert]:
        """What stays until a person closes it, and nobody has, in the order in which it came."""
        return [
            known.alert
            for known in self._alerts.values()
            if known.alert.kind in STAYS and known.life is not Life.CLOSED
        ]

    def shelved(self, at: Moment) -> list[Act]:
        """What is shelved at a moment, oldest first."""
        return [
            one.act
            for place, one in self._shelved.items()
            if self._shelf(place, at)[0] is not Shelf.UNSHELVED
        ]

    def switched_off(self) -> list[Act]:
        """What is switched off, oldest first."""
        return list(self._off.values())


def would_have_hidden(
    alerts: Iterable[Alert], kind: str, subject: str, now: Moment
) -> list[Alert]:
    """What shelving *kind* at *subject* would have hidden in the last seven days, oldest first."""
    hidden = [
        alert
        for alert in alerts
        if (alert.kind, alert.subject) == (kind, subject)
        and now - LOOKED_BACK < alert.raised <= now
    ]
    return sorted(hidden, key=lambda alert: alert.raised)
