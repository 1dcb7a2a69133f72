"""What people work on: alerts that belong together, from the first until all is over.

| the fault is | an alert of its place comes | all its alerts are over | every reset in it is followed by a train | a cause covers it, or a head that it shares |
|---|---|---|---|---|
| not there | begins, with the alert's id; a note begins none | | | |
| open | has one more alert | stays, while a reset in it waits for a train; else ends | ends, if all its alerts are over | is taken in by the oldest that is covered |
| ended | goes on, within `again_within_s` of its end; a note joins none | stays ended | stays ended | is taken in, where its alert is of the cause |
| taken in | joins the one that took it | | | |

**Its place**: the sections, heads and assets that its open alerts speak of, those whose own alerts are over for less than `again_within_s`, and those whose reset waits.
A section's alert belongs to a fault of that section, of one of its heads, or of a cause that covers it; a head's to one of that head or of a section beside it.
Two sections that share a head and are disturbed within `join_wait_s` are one fault as well, for that head works loose between them.
What is silent or wrong about the feed (gateways, sources, the monitor's own clock) is of its own place alone; but when all that failed together did so within a minute of their gateway's being heard again, the failure is that fault's.
What came in through a cause alone, or with an evaluator that is locked out, leaves when it is over: a section of a cable that was mended is no longer of the cable's fault.
So one head that works loose is one fault, with all that its sections show through an evening, and is never counted as another because it was quiet between: not within `again_within_s`, and not for longer than a day after it began.

**Only a person ends** what stays until it is closed: a train unaccounted for, or one that came out of where none was shown.
Here it counts as over when everything else is, and nothing more came for `recall_after_s`.

**Calls.**
Somebody is needed when an alert is urgent or prompt, open, and not kept quiet; when it becomes so later, then.
Who was called for a fault is called again only for what is of higher priority than what they were called for, or where nobody was needed anew in it for `recall_after_s`; what is planned, what keeps quiet, and what was over before anybody was called for it do not count.
An urgent alert is called for as well where nobody was called urgently for its section yet, and for each further train there.
What is open for long does not count either: a section that fails at night is called for though a head that miscounted at noon still stands open.
Of what is due at the same moment the gravest is called for: what is urgent, then a section in which vehicles may have been left behind, then a cause; whatever else somebody was about to be called for is told with it, and is called for by that.
What may yet prove to be one of several of a cause is due `join_wait_s` after it was raised; if by then a cause has it, or it is over, nobody is called for it.
For a cause nobody is called again either, unless somebody was about to be called for one of those it takes in: then the cause's is the one call for all of them; but not where what failed together came back with a gateway that somebody was called for, however long it was silent.

**Its number** is made of its id, never counted up, in letters and digits of which none is misheard; four of them, and one more where another fault has those that is open, may go on again, or was taken in by such a one.

Everything here is a fold over alerts, resets and what falls due, each at its own event time, so a replay gives the same faults, numbers, calls and texts.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from typing import Any

from monitor.core.alerts import Alert
from monitor.core.detector import Priority
from monitor.core.facts import Fact
from monitor.core.layout import OPEN, Line
from monitor.core.messages import headline, message, waiting_headline
from monitor.core.moments import DAY, MINUTE, Duration, Moment, parse, stamp
from monitor.core.suppression import OF_A_CAUSE
from monitor.core.trains import Trains
from monitor.core.words import clock, times

STAYS = frozenset({"unseen-train", "vanished-train"})
"""The kinds that only a person ends."""

CAUSE = "common-cause"

LOCKED_OUT = "evaluator-locked-out"

LEFT = "occupied-no-train"
"""Vehicles may be in it: of what is as urgent it is told first."""

OF_THE_FEED = frozenset({"gateway", "source", "monitor"})
"""What is about how the feed reaches the monitor, not about the line."""

RANKS: dict[Priority, int] = {"note": 0, "planned": 1, "prompt": 2, "urgent": 3}
CALLING = RANKS["prompt"]
"""From here on up somebody is needed now."""

SYMBOLS = "234679KMR"
"""What numbers are made of: no two of them are mistaken for one another, said over a bad line or written by hand (common practice)."""
# Why these, each for all that it could be mistaken for, which is left out:
# 2  "two": Q, U and W ("double-u" is heard as "double two"); looks like Z
# 3  "three": rhymes with B, C, D, E, G, P, T, V and an American Z
# 4  "four": none
# 6  "six": S and X; looks like G
# 7  "seven": S; looks like 1, and that like I and L
# 9  "nine": 5 and 1; I and Y have its vowel
# K  "kay": A, H, J and 8, of which the last looks like B
# M  "em": F, L, N, S and X begin as it does
# R  "ar": none
# O and 0 are said and written alike.

FOUR = 4

MOST = 500
"""Alerts of one fault remembered at most: the first, those that are open, and the newest."""

KEPT: Duration = 2 * DAY
"""How long a fault that has ended is remembered where a person may still close something in it."""

LEAVES: Duration = MINUTE
"""So long what came in through a cause is still of its fault when it is over: a reset may be told after the section has come back."""

LONGEST: Duration = DAY
"""So long after it began a fault that has ended may go on again."""

RETURN: Duration = MINUTE
"""What fails so soon after its gateway was heard again came back with it (common practice: equipment starts within a minute of its supply)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that somebody works on, as it stands.

    Args:
        id: of its first alert.
        number: to say on the telephone.
        headline: at most 42 characters, from its most serious open alert.
        priority: the highest of its open alerts; where none is open, the highest it had.
        subject: what the headline is about.
        began: the earliest `began` of its alerts.
        raised: when its first alert was.
        ended: when all was over, or None.
        alerts: ids, in the order in which they came.
        open: those of them that are open.
        lasting: those that only a person ends.
        subjects: the sections, heads and assets it covers, in the order in which they came.
        waiting: sections in it whose last reset no train has followed.
        took: ids of the faults that it took in for a cause.
        into: id of the fault that took this one in, or None.
        calls: how many so far.
        why: why it has a last line although nothing ended it (`succession`), or "".
    """

    id: str
    number: str
    headline: str
    priority: Priority
    subject: str
    began: Moment
    raised: Moment
    ended: Moment | None
    alerts: tuple[str, ...]
    open: tuple[str, ...]
    lasting: tuple[str, ...]
    subjects: tuple[str, ...]
    waiting: tuple[str, ...]
    took: tuple[str, ...]
    into: str | None
    calls: int
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """Somebody is needed now.

    Args:
        fault: its id.
        number: to say on the telephone.
        alert: id of the alert because of which.
        priority: of that alert.
        at: the event time at which it is due.
        text: stands alone within 300 characters.
        standing: trains standing before or in it.
    """

    fault: str
    number: str
    alert: str
    priority: Priority
    at: Moment
    text: str
    standing: int


def fault_line(fault: Fault) -> str:
    """The JSON line of *fault*, without its line feed; equal faults give equal bytes."""
    return _json(
        {
            "id": fault.id,
            "number": fault.number,
            "headline": fault.headline,
            "priority": fault.priority,
            "subject": fault.subject,
            "began": stamp(fault.began),
            "raised": stamp(fault.raised),
            "ended": None if fault.ended is None else stamp(fault.ended),
            "alerts": fault.alerts,
            "open": fault.open,
            "lasting": fault.lasting,
            "subjects": fault.subjects,
            "waiting": fault.waiting,
            "took": fault.took,
            "into": fault.into,
            "calls": fault.calls,
            **({"why": fault.why} if fault.why else {}),
        }
    )


def read_fault(text: str) -> Fault:
    """The fault of a fault line."""
    record = json.loads(text)
    lists = ("alerts", "open", "lasting", "subjects", "waiting", "took")
    return Fault(
        id=record["id"],
        number=record["number"],
        headline=record["headline"],
        priority=record["priority"],
        subject=record["subject"],
        began=parse(record["began"]),
        raised=parse(record["raised"]),
        ended=None if record["ended"] is None else parse(record["ended"]),
        into=record["into"],
        calls=record["calls"],
        why=record.get("why", ""),
        **{name: tuple(record[name]) for name in lists},
    )


def call_line(call: Call) -> str:
    """The JSON line of *call*, without its line feed."""
    return _json(
        {
            "fault": call.fault,
            "number": call.number,
            "alert": call.alert,
            "priority": call.priority,
            "at": stamp(call.at),
            "text": call.text,
            "standing": call.standing,
        }
    )


def _json(values: dict[str, object]) -> str:
    return json.dumps(values, ensure_ascii=False, separators=(", ", ": "))


def number_of(fault: str, taken: Iterable[str] = ()) -> str:
    """The number of a fault, from its id; longer where *taken* has it.

    Example:
        >>> number_of("7b9effd83caf5b4f")
        '94MR'
        >>> number_of("7b9effd83caf5b4f", {"94MR"})
        '94MR6'
    """
    value = int(fault, 16)
    text = ""
    has = set(taken)
    while len(text) < FOUR or text in has:
        value, digit = divmod(value, len(SYMBOLS))
        text += SYMBOLS[digit]
    return text


def trains_standing(
    sections: Iterable[str], line: Line, trains: Trains, since: Moment
) -> int:
    """How many trains cover one of *sections* or a neighbour, and have entered nothing since *since*.

    What may be no train, or may have left the line, is not counted.
    """
    places = {place for one in sections for place in (one, *line.neighbours(one))}
    found = {
        train.number: train
        for place in places
        for train in trains.in_section(place)
        if train.parts[place].sure
    }
    return sum(
        not (train.left_over or train.guess or train.out)
        and all(part.since <= since for part in train.parts.values() if part.sure)
        for train in found.values()
    )


@dataclass(slots=True, eq=False)
class Case:
    """A fault as it is worked out.

    Args:
        id: of its first alert.
        number: to say on the telephone.
        raised: when its first alert was.
        began: the earliest of its alerts.
        alerts: ids, with the number in which each came.
        open: those that are open, by id.
        lasting: ids of those that only a person ends.
        subjects: what it covers, with when something of its own was over there last, or None.
        lent: those of them that came in through a cause, and leave with it.
        groups: ids of the causes of which it has a member, the newest last.
        wanted: ids of alerts for which somebody is about to be called, with when each came to need that.
        passed: ids of alerts for which nobody is called, for somebody was before; counted if they last as long as one that is called for.
        waiting: sections whose reset waits for a train.
        took: ids of the faults it took in, with their numbers.
        last: when somebody was needed in it last, of whom somebody was called for, or had been called before.
        moved: when anything was raised, over or proved last.
        highest: the highest priority it had.
        urged: ids of the urgent alerts for which somebody was called, with kind and subject.
        called: the highest somebody was called for.
        called_at: when somebody was called last.
        calls: how often.
        told: as it was told last.
        ended: when all was over, or None.
        gravest: how serious what it was about was at the worst: the priority's rank, whether it was a cause, and whether vehicles may have been left behind.
        headed: the headline of then, and what that was about.
    """

    id: str
    number: str
    raised: Moment
    began: Moment
    alerts: dict[str, int] = field(default_factory=dict)
    open: dict[str, Alert] = field(default_factory=dict)
    lasting: dict[str, None] = field(default_factory=dict)
    subjects: dict[str, Moment | None] = field(default_factory=dict)
    lent: dict[str, None] = field(default_factory=dict)
    groups: dict[str, None] = field(default_factory=dict)
    wanted: dict[str, Moment] = field(default_factory=dict)
    passed: dict[str, Moment] = field(default_factory=dict)
    waiting: dict[str, None] = field(default_factory=dict)
    took: dict[str, str] = field(default_factory=dict)
    last: Moment | None = None
    moved: Moment = 0
    highest: Priority = "note"
    urged: dict[str, tuple[str, str]] = field(default_factory=dict)
    called: int = -1
    called_at: Moment | None = None
    calls: int = 0
    told: Fault | None = None
    ended: Moment | None = None
    gravest: tuple[int, bool, bool] = (-1, False, False)
    headed: tuple[str, str] = ("", "")

    @property
    def age(self) -> tuple[Moment, str]:
        """Of several the oldest is the least."""
        return self.raised, self.id

    def serious(self) -> list[Alert]:
        """Its open alerts that are no notes."""
        return [one for one in self.open.values() if one.priority != "note"]

    def holds(self) -> bool:
        """Whether something in it is not over yet, what only a person ends left out."""
        return bool(self.waiting) or any(
            one.kind not in STAYS for one in self.serious()
        )

    def stays(self) -> bool:
        """Whether something in it is open that only a person ends."""
        return any(one.kind in STAYS for one in self.serious())

    def has_own(self, subject: str, but: str = "") -> bool:
        """Whether *subject* came into it by itself, by an alert other than *but*."""
        if subject in self.lent:
            return False
        return self.subjects.get(subject) is not None or any(
            one.subject == subject and one.id != but for one in self.open.values()
        )

    def covers(self, subject: str, at: Moment, within: Duration) -> bool:
        """Whether *subject* is of its place: something about it is open, its reset waits, or its own alert was over no longer than *within* ago; what came in through a cause leaves within a minute."""
        if subject not in self.subjects:
            return False
        over = self.subjects[subject]
        kept = min(within, LEAVES) if subject in self.lent else within
        if over is not None and at - over <= kept:
            return True
        if subject.partition("/")[2] in self.waiting and subject.startswith("section/"):
            return True
        return any(
            subject in _covered(one)
            for one in self.serious()
            if self.ended is None or one.kind not in STAYS
        )


def _covered(alert: Alert) -> tuple[str, ...]:
    """What *alert* speaks of: itself and what else is affected; about the feed, and in a note, itself alone."""
    kind = alert.subject.partition("/")[0]
    if kind in OF_THE_FEED or alert.priority == "note":
        return (alert.subject,)
    return (alert.subject, *alert.affected)


def _section(subject: str) -> str:
    kind, _, name = subject.partition("/")
    return name if kind == "section" else ""


@dataclass(slots=True, kw_only=True)
class Faults:
    """All faults of a line.

    Args:
        line: the line file.
        recall_after: after nothing was raised for so long somebody is called again.
        join_wait: so long what may be one of several waits to be called for.
        again_within: so long after its end a fault may go on again.
        standing: how many trains stand in or before these sections.
        ask: called with the moment at which to be woken.
    """

    line: Line
    recall_after: Duration
    join_wait: Duration
    again_within: Duration
    standing: Callable[[tuple[str, ...]], int]
    ask: Callable[[Moment], None]
    cases: dict[str, Case] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    calls: list[Call] = field(default_factory=list)
    _of: dict[str, Case] = field(default_factory=dict)
    _at: dict[str, dict[str, Case]] = field(default_factory=dict)
    _resets: set[str] = field(default_factory=set)
    _pending: list[tuple[Moment, Moment, str]] = field(default_factory=list)
    _ending: list[tuple[Moment, str]] = field(default_factory=list)
    _came: int = 0

    # What the engine calls.

    @property
    def told(self) -> bool:
        """Whether anything has changed since it was asked last."""
        return bool(self.faults or self.calls)

    def give(self) -> tuple[tuple[Fault, ...], tuple[Call, ...]]:
        """What has changed since this was asked last."""
        given = tuple(self.faults), tuple(self.calls)
        self.faults, self.calls = [], []
        return given

    def hear(self, alert: Alert, now: Moment) -> None:
        """One more line of the alert record."""
        case = self._of.get(alert.id)
        before = None
        new = case is None
        if case is None:
            case = self._joined(alert, now)
            if case is None:
                return
            self._add(case, alert)
        else:
            before = case.open.get(alert.id)
        case = self._follow(case, alert, now)
        self._note(case, alert)
        if before is not None or new:
            self._weigh(case, alert, before, now)
        self._settle(case, now)

    def reset(self, fact: Fact, now: Moment) -> None:
        """A section was given back, or a train has worked through after that."""
        name = _section(fact.subject)
        if fact.values.get("step") != "accepted":
            return
        if fact.ended is not None:
            self._resets.discard(name)
            for case in list(self._at.get(fact.subject, {}).values()):
                if name in case.waiting:
                    del case.waiting[name]
                    case.moved = max(case.moved, fact.ended)
                    self._settle(case, now)
            return
        self._resets.add(name)
        at = self._find([fact.subject], (), now, ended_within=self.recall_after)
        if at is not None:
            at.waiting[name] = None
            self._settle(at, now)

    def wake(self, now: Moment) -> None:
        """Some moment that was asked for has come."""
        while self._pending and self._pending[0][0] <= now:
            ready = self._pending[0][0]
            due: dict[str, Moment] = {}
            while self._pending and self._pending[0][0] == ready:
                _, at, name = heappop(self._pending)
                due[name] = at
            self._fall_due(due)
        while self._ending and self._ending[0][0] <= now:
            _, name = heappop(self._ending)
            case = self.cases.get(name)
            if case is not None:
                self._settle(case, now)

    def explain(self, section: str, at: Moment) -> list[str]:
        """Of which faults *section* is, in sentences."""
        said = []
        for case in self._at.get(f"section/{section}", {}).values():
            told = case.told
            if told is None:
                continue
            if told.ended is not None:
                how = f"over since {clock(told.ended, self.line.zone, at)}"
            elif told.open:
                how = f"{len(told.open)} of {len(told.alerts)} alerts open"
            else:
                how = "its alerts are over, a reset in it waits for a train"
            said.append(
                f"{section} is of fault {told.number} ({told.headline}): {how}; "
                + (
                    f"called {times(told.calls)}."
                    if told.calls
                    else "nobody was called."
                )
            )
        return said

    # Which fault.

    def _joined(self, alert: Alert, now: Moment) -> Case | None:
        """The fault that *alert* belongs to; a new one where there is none, and None for a note alone."""
        age = now - alert.raised
        if (alert.kind in STAYS and age > KEPT) or (
            alert.priority == "note" and age > self.again_within
        ):
            return None  # the fault it was of was over long ago, and is forgotten
        if alert.kind == CAUSE:
            found = self._of_cause(alert, now)
        else:
            found = self._named(alert) or self._placed(alert, now)
        if found is not None or alert.priority == "note":
            return found
        return self._begin(alert)

    def _begin(self, alert: Alert) -> Case:
        self._forget(alert.raised)
        numbers = {
            number
            for case in self.cases.values()
            for number in (case.number, *case.took.values())
        }
        case = Case(
            id=alert.id,
            number=number_of(alert.id, numbers),
            raised=alert.raised,
            began=alert.began,
        )
        self.cases[case.id] = case
        return case

    def _named(self, alert: Alert) -> Case | None:
        """The fault of the alert that this one names, or of the cause that has it."""
        group = alert.parameters.get("group")
        if group in self._of:
            return self._of[group]
        subject = alert.parameters.get("vanished")
        if not isinstance(subject, str):
            return None
        named = [
            (one.raised, case)
            for case in self._at.get(subject, {}).values()
            for one in case.open.values()
            if one.kind == "vanished-train" and one.subject == subject
        ]
        return max(named, key=lambda one: one[0])[1] if named else None

    def _placed(self, alert: Alert, now: Moment) -> Case | None:
        kind, _, name = alert.subject.partition("/")
        beside: list[str] = []
        if kind == "section" and name in self.line.sections:
            beside = [f"head/{head}" for head in self.line.heads_of(name)]
        elif kind == "head" and name in self.line.heads:
            between = self.line.heads[name].between
            beside = [f"section/{one}" for one in between if one != OPEN]
        own = [alert.subject]
        if alert.kind in STAYS or kind == "head":
            own += [one for one in _covered(alert) if one not in own]
        within = None if alert.priority == "note" else self.again_within
        at = max(now, alert.raised)
        found = self._find(own, beside, at, ended_within=within)
        both = [one for one in (found, self._shared(alert)) if one is not None]
        return self._unite(both, at) if both else None

    def _shared(self, alert: Alert) -> Case | None:
        """The oldest fault of a section beside that of *alert* that was disturbed with it, as their head does that both share.

        Only while somebody is about to be called for that section: the call names both, and what comes after it is told by its own.
        """
        name = _section(alert.subject)
        if not _is_single(alert) or name not in self.line.sections:
            return None
        found = [
            case
            for other in self.line.neighbours(name)
            for case in self._at.get(f"section/{other}", {}).values()
            for one in case.open.values()
            if one.id in case.wanted
            and _section(one.subject) == other
            and _is_single(one)
            and abs(one.began - alert.began) <= self.join_wait
        ]
        return min(found, key=lambda case: case.age, default=None)

    def _find(
        self,
        own: list[str],
        beside: Iterable[str],
        at: Moment,
        *,
        ended_within: Duration | None,
    ) -> Case | None:
        """The fault of a place: an open one before one that has ended, of the place itself before one of what lies beside it, and of several the oldest."""
        best: tuple[tuple[bool, int, Moment, str], Case] | None = None
        for rank, subject in _ranked(own, beside):
            for case in self._at.get(subject, {}).values():
                if not self._is_of(case, subject, at, ended_within):
                    continue
                key = case.ended is not None, rank, *case.age
                if best is None or key < best[0]:
                    best = key, case
        return None if best is None else best[1]

    def _is_of(
        self, case: Case, subject: str, at: Moment, ended_within: Duration | None
    ) -> bool:
        if case.ended is not None and (
            ended_within is None
            or at - case.ended > ended_within
            or at - case.raised > LONGEST
        ):
            return False
        return case.covers(subject, at, self.again_within)

    # Causes.

    def _of_cause(self, alert: Alert, now: Moment) -> Case | None:
        """The oldest fault that a cause covers; all the others are taken into it."""
        at = max(now, alert.raised)
        found = {
            case.id: case for case in self.cases.values() if alert.id in case.groups
        }
        for subject in _covered(alert):
            for case in self._at.get(subject, {}).values():
                if self._is_of(case, subject, at, None):
                    found[case.id] = case
        back = self._came_back(alert)
        if back is not None:
            found[back.id] = back
            if back.called >= CALLING:
                back.last = at  # who was called for that is at it
                for case in found.values():
                    case.wanted.clear()
        gone = self._find([alert.subject], (), at, ended_within=self.again_within)
        if gone is not None:
            found[gone.id] = gone
        return self._unite(found.values(), at) if found else None

    def _came_back(self, alert: Alert) -> Case | None:
        """The fault of the gateway with which all that *alert* affects came back, or None."""
        gateway = self._gateway_of(alert)
        for case in self._at.get(gateway, {}).values():
            over = case.subjects[gateway]
            if over is not None and abs(alert.began - over) <= RETURN:
                return case
        return None

    def _gateway_of(self, alert: Alert) -> str:
        """The gateway that speaks for all that *alert* affects, or ""."""
        keepers = {
            self.line.sections[name].evaluator
            for one in alert.affected
            if (name := _section(one)) in self.line.sections
        }
        gateways = {self.line.evaluators[one].gateway for one in keepers}
        one = gateways.pop() if len(gateways) == 1 else None
        return "" if one is None else f"gateway/{one}"

    def _follow(self, case: Case, alert: Alert, now: Moment) -> Case:
        """The same fault, or the one of the cause that has *alert* now, which takes it in."""
        group = alert.parameters.get("group")
        if not isinstance(group, str):
            return case
        case.groups[group] = None
        _newest(case.groups)
        cause = self._of.get(group)
        if cause is None or cause is case:
            return case
        return self._unite((case, cause), max(now, alert.raised))

    def _unite(self, cases: Iterable[Case], at: Moment) -> Case:
        every = {case.id: case for case in cases}
        oldest, *others = sorted(every.values(), key=lambda case: case.age)
        for other in others:
            self._take(oldest, other, at)
        return oldest

    def _take(self, case: Case, other: Case, at: Moment) -> None:
        """*other* goes into *case*, and says so."""
        if other.told is not None:
            self.faults.append(
                replace(
                    other.told,
                    ended=other.ended or max(at, other.raised),
                    open=(),
                    lasting=(),
                    waiting=(),
                    into=case.id,
                )
            )
        del self.cases[other.id]
        for subject in other.subjects:
            if subject in other.lent and not case.has_own(subject):
                case.lent[subject] = None
            elif other.has_own(subject):
                case.lent.pop(subject, None)
        for subject in other.subjects:
            del self._at[subject][other.id]
            self._cover(case, subject, other.subjects[subject])
        for alert in other.alerts:
            self._of[alert] = case
        came = {**case.alerts, **other.alerts}
        case.alerts = dict(sorted(came.items(), key=lambda item: item[1]))
        case.open = {
            name: one
            for name in case.alerts
            if (one := case.open.get(name) or other.open.get(name)) is not None
        }
        case.lasting |= other.lasting
        case.groups |= other.groups
        case.urged |= other.urged
        _newest(case.urged)
        case.waiting |= other.waiting
        case.wanted |= other.wanted
        case.passed |= other.passed
        case.took |= {other.id: other.number, **other.took}
        _newest(case.took)
        case.began = min(case.began, other.began)
        if other.last is not None:
            case.last = _later(case.last, other.last)
        case.moved = max(case.moved, other.moved)
        case.highest = max(case.highest, other.highest, key=RANKS.__getitem__)
        case.called = max(case.called, other.called)
        if other.called_at is not None:
            case.called_at = _later(case.called_at, other.called_at)
        case.calls += other.calls
        if other.gravest > case.gravest:
            case.gravest, case.headed = other.gravest, other.headed
        self._trim(case)

    # What is in it.

    def _add(self, case: Case, alert: Alert) -> None:
        """*alert* comes into *case*."""
        self._came += 1
        case.alerts[alert.id] = self._came
        self._of[alert.id] = case
        case.began = min(case.began, alert.began)
        case.moved = max(case.moved, alert.raised)
        if alert.kind in STAYS:
            case.lasting[alert.id] = None
        self._trim(case)

    def _trim(self, case: Case) -> None:
        if len(case.alerts) <= MOST:
            return
        for name in list(case.alerts)[1:-1]:
            if name not in case.open:
                del case.alerts[name]
                case.lasting.pop(name, None)
                del self._of[name]
                if len(case.alerts) <= MOST:
                    return

    def _note(self, case: Case, alert: Alert) -> None:
        """What *alert* says now."""
        own = alert.subject
        if _is_lent(case, alert):
            case.lent[own] = None
        for subject in _covered(alert):
            self._cover(case, subject, None)
            name = _section(subject)
            if name in self._resets:
                case.waiting[name] = None
        if alert.ended is None:
            case.open[alert.id] = alert
        else:
            case.open.pop(alert.id, None)
            over = max(alert.ended, alert.raised)
            case.moved = max(case.moved, over)
            self._cover(case, own, over)
        case.highest = max(case.highest, alert.priority, key=RANKS.__getitem__)
        grave = RANKS[alert.priority], alert.kind == CAUSE, alert.kind == LEFT
        if grave >= case.gravest and (alert.ended is None or not case.headed[0]):
            case.gravest, case.headed = grave, (headline(alert), alert.subject)

    def _cover(self, case: Case, subject: str, over: Moment | None) -> None:
        before = case.subjects.get(subject)
        if over is None or before is None:
            case.subjects[subject] = before if over is None else over
        else:
            case.subjects[subject] = max(before, over)
        self._at.setdefault(subject, {})[case.id] = case

    # Calls.

    def _weigh(
        self, case: Case, alert: Alert, before: Alert | None, now: Moment
    ) -> None:
        """Whether somebody is needed because of *alert*, which was *before*."""
        if not _needs(alert):
            return
        rank = RANKS[alert.priority]
        if before is not None and (
            case.ended is not None
            or (_needs(before) and RANKS[before.priority] >= rank)
        ):
            return
        at = alert.raised if before is None else now
        awaited = any(one in case.open for one in case.wanted)
        quiet = case.last is None or at - case.last >= self.recall_after
        calls = rank > case.called or quiet or awaited or _is_another(case, alert)
        (case.wanted if calls else case.passed)[alert.id] = at
        waits = alert.kind in OF_A_CAUSE and rank == CALLING
        due = at + self.join_wait if waits else at
        ready = max(due, now)
        heappush(self._pending, (ready, due, alert.id))
        self.ask(ready)

    def _fall_due(self, due: dict[str, Moment]) -> None:
        """Of all that is due at one moment the gravest of each fault is called for, unless a cause came, it is over, or somebody was called meanwhile."""
        needed: dict[str, list[Alert]] = {}
        for name in due:
            case = self._of.get(name)
            if case is None:
                continue
            since = case.passed.pop(name, None)
            alert = case.open.get(name)
            if alert is None or not _needs(alert):
                case.wanted.pop(name, None)
            elif name in case.wanted:
                needed.setdefault(case.id, []).append(alert)
            elif since is not None:
                case.last = _later(case.last, since)
        for one, alerts in needed.items():
            case = self.cases[one]
            alerts.sort(key=lambda other: _pressing(other, case.alerts))
            for number, alert in enumerate(alerts):
                if number == 0 or _is_another(case, alert):
                    self._call(case, alert, due[alert.id])
            self._tell(case)

    def _call(self, case: Case, alert: Alert, at: Moment) -> None:
        case.called = max(case.called, RANKS[alert.priority])
        case.called_at = _later(case.called_at, at)
        case.calls += 1
        if alert.priority == "urgent":
            case.urged[alert.id] = alert.kind, alert.subject
            _newest(case.urged)
        also: list[Alert] = []
        for name, since in (case.wanted | case.passed).items():
            one = case.open.get(name)
            if one is not None and _needs(one):
                case.last = _later(case.last, since)
                if name != alert.id:
                    also.append(one)
        also.sort(key=lambda other: _pressing(other, case.alerts))
        case.wanted.clear()
        case.passed.clear()
        standing = self.standing(self._sections(case, at))
        self.calls.append(
            Call(
                fault=case.id,
                number=case.number,
                alert=alert.id,
                priority=alert.priority,
                at=at,
                text=message(case.number, alert, standing, self.line, at, also=also),
                standing=standing,
            )
        )

    def _sections(self, case: Case, at: Moment) -> tuple[str, ...]:
        """The sections that *case* covers now."""
        return tuple(
            name
            for subject in case.subjects
            if (name := _section(subject)) in self.line.sections
            and case.covers(subject, at, 0)
        )

    # How it stands.

    def _settle(self, case: Case, now: Moment) -> None:
        """Whether it is open or over, and what has changed is told."""
        ended = None
        if not case.holds():
            ended = case.moved
            if case.stays():
                ended += self.recall_after
                if ended > now:
                    heappush(self._ending, (ended, case.id))
                    self.ask(ended)
                    ended = None
        if ended is None or case.ended is None or case.moved > case.ended:
            case.ended = ended
        self._tell(case)

    def _head(self, case: Case) -> tuple[str, str]:
        """Its headline and what that is about: from its most serious open alert, else that a reset waits, else from the most serious it had."""
        serious = case.serious()
        if serious:
            alert = min(serious, key=lambda one: _gravity(one, case.alerts))
            alike = [
                one
                for one in serious
                if (one.kind, one.priority) == (alert.kind, alert.priority)
                and _worked_on(one) is _worked_on(alert)
            ]
            return headline(alert, alike), alert.subject
        if case.waiting:
            waiting = list(case.waiting)
            return waiting_headline(waiting), f"section/{waiting[0]}"
        return case.headed

    def _tell(self, case: Case) -> None:
        said, subject = self._head(case)
        ranks = [one.priority for one in case.serious()] or [case.highest]
        fault = Fault(
            id=case.id,
            number=case.number,
            headline=said,
            priority=max(ranks, key=RANKS.__getitem__),
            subject=subject,
            began=case.began,
            raised=case.raised,
            ended=case.ended,
            alerts=tuple(case.alerts),
            open=tuple(case.open),
            lasting=tuple(case.lasting),
            subjects=tuple(case.subjects),
            waiting=tuple(case.waiting),
            took=tuple(case.took),
            into=None,
            calls=case.calls,
        )
        if fault != case.told:
            case.told = fault
            self.faults.append(fault)

    def _forget(self, now: Moment) -> None:
        """Faults that cannot go on again are no longer remembered."""
        for case in list(self.cases.values()):
            if case.ended is None or any(
                one.kind not in STAYS for one in case.open.values()
            ):
                continue  # a note may still be open in one that has ended
            kept = KEPT if case.lasting else self.again_within
            if now - case.ended > max(kept, self.again_within):
                del self.cases[case.id]
                for subject in case.subjects:
                    del self._at[subject][case.id]
                    if not self._at[subject]:
                        del self._at[subject]
                for name in case.alerts:
                    del self._of[name]


def _ranked(own: Iterable[str], beside: Iterable[str]) -> Iterator[tuple[int, str]]:
    for place, subject in enumerate(own):
        yield min(place, 1), subject
    for subject in beside:
        yield 2, subject


def _newest(kept: dict[str, Any]) -> None:
    while len(kept) > MOST:
        del kept[next(iter(kept))]


def _is_single(alert: Alert) -> bool:
    """Whether a section is disturbed, as far as is known by no cause."""
    return (
        alert.kind == "section-disturbed"
        and alert.ended is None
        and "quiet" not in alert.parameters
    )


def _is_another(case: Case, alert: Alert) -> bool:
    """Whether *alert* is urgent, and of a place for which nobody was called urgently yet, or of one more train there."""
    if alert.priority != "urgent" or alert.id in case.urged:
        return False
    told = [kind for kind, subject in case.urged.values() if subject == alert.subject]
    return not told or alert.kind in told


def _is_lent(case: Case, alert: Alert) -> bool:
    """Whether what *alert* is about is in *case* only because of a cause, or of an evaluator that is locked out."""
    own = alert.subject
    if own in case.lent:
        return True
    if case.has_own(own, but=alert.id):
        return False
    return "group" in alert.parameters or any(
        one.kind == LOCKED_OUT and one.subject != own and own in one.affected
        for one in case.open.values()
    )


def _later(before: Moment | None, at: Moment) -> Moment:
    return at if before is None else max(before, at)


def _needs(alert: Alert) -> bool:
    """Whether somebody is needed now because of *alert*."""
    return (
        RANKS[alert.priority] >= CALLING
        and alert.ended is None
        and "quiet" not in alert.parameters
    )


def _worked_on(alert: Alert) -> bool:
    """Whether something other than a cause keeps it quiet: its cause leads the fault in any case."""
    return "quiet" in alert.parameters and "group" not in alert.parameters


def _gravity(alert: Alert, came: dict[str, int]) -> tuple[int, bool, bool, bool, int]:
    """The most serious is the least: by priority, what work keeps quiet after what is not, a cause before others, then what may be vehicles left behind, the oldest."""
    return (
        -RANKS[alert.priority],
        _worked_on(alert),
        alert.kind != CAUSE,
        alert.kind != LEFT,
        came[alert.id],
    )


def _pressing(alert: Alert, came: dict[str, int]) -> tuple[int, bool, bool, int]:
    """What is to be called for first is the least: by priority, then what may be vehicles left behind, a cause, the oldest."""
    return (
        -RANKS[alert.priority],
        alert.kind != LEFT,
        alert.kind != CAUSE,
        came[alert.id],
    )
