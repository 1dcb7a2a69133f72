"""What a change would do, before it is made: what was concluded on one side held against what was concluded on the other.

A side is a recording or a window of the journal under some settings and line file, or what a monitor concluded live.
Alerts, faults and calls are held against each other each by themselves: the same id is the same thing; else one of the same kind and subject is, whose times overlap or that began within ten minutes.
What is on one side alone is gained or lost; what is on both and was raised otherwise, ended otherwise, is graver or less grave, or keeps quiet, has moved.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta, tzinfo
from typing import Any, Literal

from monitor.core.alerts import Alert, line as alert_line
from monitor.core.engine import Output
from monitor.core.faults import RANKS, Call, Fault, call_line, fault_line
from monitor.core.moments import (
    DAY,
    MINUTE,
    Duration,
    Moment,
    as_datetime,
    from_datetime,
    parse,
)
from monitor.core.words import span
from monitor.load import LIMITS, Flood, Limit, counted, floods, in_flood

NEAR: Duration = 10 * MINUTE
"""What began so near to one of the same kind and subject may be the same (a convention of ours)."""

What = Literal["alert", "fault", "call"]
Way = Literal["gained", "lost", "moved"]

WHATS: tuple[What, ...] = ("alert", "fault", "call")
WAYS: tuple[Way, ...] = ("gained", "lost", "moved")


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One thing that one side concluded, as it stood at the end.

    Args:
        what: an alert, a fault or a call.
        id: of the alert or fault; of a call, that of the alert because of which.
        kind: of the alert; of a fault, that of its first alert.
        subject: as in alerts.
        began: when the condition began; of a call, when it was due.
        at: when it was raised, or due.
        ended: when it was over, or None; of a call, when it was due.
        priority: the highest it had.
        quiet: why it keeps quiet, or "".
        text: what was said of it first.
    """

    what: What
    id: str
    kind: str
    subject: str
    began: Moment
    at: Moment
    ended: Moment | None
    priority: str
    quiet: str = ""
    text: str = ""


@dataclass(slots=True)
class Side:
    """What one side concluded.

    Args:
        name: what people call it.
        begin: nothing raised before counts; None: from the first on.
        end: nor after.

    Example:
        >>> side = Side("now")
        >>> side.take(Output())
        >>> side.told
        ()
    """

    name: str
    begin: Moment | None = None
    end: Moment | None = None
    _alerts: dict[str, Told] = field(default_factory=dict)
    _faults: dict[str, Told] = field(default_factory=dict)
    _calls: dict[tuple[str, Moment], Told] = field(default_factory=dict)

    def take(self, output: Output) -> None:
        """The engine gave *output*."""
        for alert in output.alerts:
            self.alert(alert)
        for fault in output.faults:
            self.fault(fault)
        for call in output.calls:
            self.call(call)

    def alert(self, alert: Alert | Mapping[str, Any]) -> None:
        """A line of an alert's record."""
        record = json.loads(alert_line(alert)) if isinstance(alert, Alert) else alert
        before = self._alerts.get(record["id"])
        self._alerts[record["id"]] = Told(
            what="alert",
            id=record["id"],
            kind=record["kind"],
            subject=record["subject"],
            began=parse(record["began"]),
            at=parse(record["raised"]),
            ended=_moment(record["ended"]),
            priority=_graver(before, record["priority"]),
            quiet=str(record.get("parameters", {}).get("quiet", "")),
            text=record["summary"] if before is None else before.text,
        )

    def fault(self, fault: Fault | Mapping[str, Any]) -> None:
        """A fault has changed; one that another took in is no fault any more."""
        record = json.loads(fault_line(fault)) if isinstance(fault, Fault) else fault
        name = record["id"]
        if record["into"] is not None:
            self._faults.pop(name, None)
            return
        before = self._faults.get(name)
        self._faults[name] = Told(
            what="fault",
            id=name,
            kind=self._kind(name),
            # As it was raised: a fault renamed meanwhile is the same one.
            subject=record["subject"] if before is None else before.subject,
            began=parse(record["began"]),
            at=parse(record["raised"]),
            ended=_moment(record["ended"]),
            priority=_graver(before, record["priority"]),
            text=record["headline"] if before is None else before.text,
        )

    def call(self, call: Call | Mapping[str, Any]) -> None:
        """Somebody would be called."""
        record = json.loads(call_line(call)) if isinstance(call, Call) else call
        at, alert = parse(record["at"]), self._alerts.get(record["alert"])
        self._calls[record["alert"], at] = Told(
            what="call",
            id=record["alert"],
            kind=self._kind(record["alert"]),
            subject="" if alert is None else alert.subject,
            began=at,
            at=at,
            ended=at,
            priority=record["priority"],
            text=record["text"],
        )

    def _kind(self, alert: str) -> str:
        return self._alerts[alert].kind if alert in self._alerts else "unknown"

    @property
    def told(self) -> tuple[Told, ...]:
        """All that counts, in order."""
        every = (*self._alerts.values(), *self._faults.values(), *self._calls.values())
        return tuple(sorted(filter(self._counts, every), key=_order))

    def _counts(self, one: Told) -> bool:
        if self.begin is not None and one.at < self.begin:
            return False
        return self.end is None or one.at <= self.end


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing that is not the same on both sides.

    Args:
        way: gained, lost or moved.
        a: as it was on the first side, or None.
        b: as it was on the second, or None.
        how: what has moved, in words.
    """

    way: Way
    a: Told | None
    b: Told | None
    how: str = ""

    @property
    def one(self) -> Told:
        """It, as it was where it was."""
        found = self.b if self.b is not None else self.a
        if found is None:
            raise ValueError("a difference is of something")
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How much of a kind there was in a week.

    Args:
        week: its Monday, 00:00 local time.
        what: alerts, faults or calls.
        kind: of them.
        a: how many on the first side.
        b: on the second.
        gained: on the second alone.
        lost: on the first alone.
        moved: on both, otherwise.
    """

    week: Moment
    what: What
    kind: str
    a: int
    b: int
    gained: int
    lost: int
    moved: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Most:
    """How many calls came at most in so long.

    Args:
        within: how long, in words.
        calls: the most that came in any such time.
        limit: what one position can be asked.
    """

    within: str
    calls: int
    limit: Limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """How much one side asks of people; all positions together.

    Args:
        calls: how many.
        days: over how many.
        most: in each length of time.
        floods: more than anybody can handle.
        share: what part of the time was in a flood.
    """

    calls: int
    days: float
    most: tuple[Most, ...]
    floods: tuple[Flood, ...]
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two sides, held against each other.

    Args:
        a: what the first is called.
        b: and the second.
        begin: from when.
        end: to when.
        differences: in order of time.
        same: how much is the same on both, by what.
        weeks: by week, what and kind.
        load_a: what the first asks of people.
        load_b: and the second.
    """

    a: str
    b: str
    begin: Moment
    end: Moment
    differences: tuple[Difference, ...]
    same: Mapping[str, int]
    weeks: tuple[Tally, ...]
    load_a: Load
    load_b: Load

    def count(self, what: What, way: Way) -> int:
        """How many of *what* went that *way*."""
        return sum(one.one.what == what and one.way == way for one in self.differences)


def compare(
    a: Side, b: Side, zone: tzinfo, window: tuple[Moment, Moment]
) -> Comparison:
    """Hold *b* against *a*.

    Args:
        a: as it is.
        b: as it would be.
        zone: in which weeks begin.
        window: from when to when both look.
    """
    differences: list[Difference] = []
    same: Counter[str] = Counter()
    for what in WHATS:
        mine = [one for one in a.told if one.what == what]
        others = [one for one in b.told if one.what == what]
        for one, other in _paired(mine, others):
            found = _difference(one, other)
            if found is None:
                same[what] += 1
            else:
                differences.append(found)
    differences.sort(key=lambda one: _order(one.one))
    begin, end = window
    return Comparison(
        a=a.name,
        b=b.name,
        begin=begin,
        end=end,
        differences=tuple(differences),
        same=dict(same),
        weeks=_weeks(a.told, b.told, differences, zone),
        load_a=load_of(a, begin, end),
        load_b=load_of(b, begin, end),
    )


# Which is which.


def _paired(
    mine: list[Told], others: list[Told]
) -> Iterator[tuple[Told | None, Told | None]]:
    """Each of both, with the one that it is on the other side, or None."""
    by_key = {_key(one): one for one in others}
    mates = {_key(one): by_key.pop(_key(one), None) for one in mine}
    left = [one for one in mine if mates[_key(one)] is None]
    for one, other in _nearest_first(left, list(by_key.values())):
        mates[_key(one)] = by_key.pop(_key(other))
    for one in mine:
        yield one, mates[_key(one)]
    for other in by_key.values():
        yield None, other


def _key(one: Told) -> tuple[str, Moment]:
    """What makes two the same for sure: the id, and of calls for one alert, when."""
    return one.id, one.at if one.what == "call" else 0


def _nearest_first(mine: list[Told], others: list[Told]) -> Iterator[tuple[Told, Told]]:
    """Pairs of what may be the same, the nearest first and nothing twice; the same whichever side is first."""
    there: dict[tuple[str, str], list[Told]] = defaultdict(list)
    for other in others:
        there[other.kind, other.subject].append(other)
    pairs = [
        (one, other)
        for one in mine
        for other in there[one.kind, one.subject]
        if _may_be(one, other)
    ]
    pairs.sort(key=_apart)
    taken: set[int] = set()
    for one, other in pairs:
        if not {id(one), id(other)} & taken:
            taken |= {id(one), id(other)}
            yield one, other


def _apart(pair: tuple[Told, Told]) -> tuple[Moment, Moment]:
    """How far two are from one another, then which were first."""
    one, other = pair
    return abs(one.began - other.began), min(one.began, other.began)


def _may_be(one: Told, other: Told) -> bool:
    if abs(one.began - other.began) <= NEAR:
        return True
    first, second = sorted((one, other), key=lambda each: each.began)
    return first.ended is None or first.ended > second.began


def _difference(a: Told | None, b: Told | None) -> Difference | None:
    if a is None:
        return Difference(way="gained", a=None, b=b)
    if b is None:
        return Difference(way="lost", a=a, b=None)
    how = list(_moved(a, b))
    return Difference(way="moved", a=a, b=b, how="; ".join(how)) if how else None


def _moved(a: Told, b: Told) -> Iterator[str]:
    """In what *b* is another than *a*, in words."""
    if b.at != a.at:
        word = "due" if a.what == "call" else "raised"
        yield f"{word} {span(abs(b.at - a.at))} {'later' if b.at > a.at else 'earlier'}"
    if a.what != "call" and b.ended != a.ended:
        if a.ended is None:
            yield "over"
        elif b.ended is None:
            yield "not over"
        else:
            word = "later" if b.ended > a.ended else "earlier"
            yield f"over {span(abs(b.ended - a.ended))} {word}"
    if b.priority != a.priority:
        yield f"{b.priority} rather than {a.priority}"
    if bool(b.quiet) != bool(a.quiet):
        yield f"quiet: {b.quiet}" if b.quiet else "no longer quiet"


def _graver(before: Told | None, priority: str) -> str:
    if before is None:
        return priority
    ranks: Mapping[str, int] = RANKS  # type: ignore[assignment]
    return max(before.priority, priority, key=ranks.__getitem__)


def _order(one: Told) -> tuple[Moment, int, str, str, str]:
    return one.at, WHATS.index(one.what), one.kind, one.subject, one.id


def _moment(text: str | None) -> Moment | None:
    return None if text is None else parse(text)


# By week.


def _weeks(
    a: Iterable[Told],
    b: Iterable[Told],
    differences: Iterable[Difference],
    zone: tzinfo,
) -> tuple[Tally, ...]:
    monday = _mondays(zone)
    counts: dict[tuple[Moment, int, str], Counter[str]] = defaultdict(Counter)

    def add(one: Told, to: str) -> None:
        counts[monday(one.at), WHATS.index(one.what), one.kind][to] += 1

    for told, side in ((a, "a"), (b, "b")):
        for one in told:
            add(one, side)
    for each in differences:
        add(each.one, each.way)
    return tuple(
        Tally(
            week=week,
            what=WHATS[what],
            kind=kind,
            **{name: found[name] for name in ("a", "b", *WAYS)},
        )
        for (week, what, kind), found in sorted(counts.items())
    )


def _mondays(zone: tzinfo) -> Callable[[Moment], Moment]:
    """Gives the Monday, 00:00 local time, of a moment's week."""
    known: dict[Moment, Moment] = {}

    def monday(moment: Moment) -> Moment:
        hour = moment // (60 * MINUTE)
        if hour not in known:
            local = as_datetime(moment).astimezone(zone)
            day = local.date() - timedelta(days=local.weekday())
            known[hour] = from_datetime(datetime.combine(day, time(), zone))
        return known[hour]

    return monday


def days_of(week: Moment, found: Comparison, zone: tzinfo) -> tuple[float, float]:
    """How many days of a week both sides looked at, and how many it has; less where the time compared begins or ends in it, and an hour more or less where clocks change."""
    monday = _mondays(zone)
    after = monday(week + 7 * DAY + DAY // 2)
    inside = min(after, found.end) - max(week, found.begin)
    return max(inside, 0) / DAY, (after - week) / DAY


# What is asked of people.


def load_of(side: Side, begin: Moment, end: Moment) -> Load:
    """How much *side* asks of people, against the published limits."""
    calls = sorted(one.at for one in side.told if one.what == "call")
    found = floods(calls, end)
    length = max(end - begin, 1)
    return Load(
        calls=len(calls),
        days=length / DAY,
        most=tuple(
            Most(
                within=within,
                calls=max(
                    (counted(calls, at, limit.length) for at in calls), default=0
                ),
                limit=limit,
            )
            for within, limit in LIMITS.items()
        ),
        floods=tuple(found),
        share=in_flood(found, begin, begin + length),
    )
