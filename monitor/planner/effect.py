"""Did the visit help: occasions of disturbance since, against those to be expected without it; and which kinds of alert were about something.

What was to be expected is the rate of the section before the visit, drawn towards the line's as far as its own record is short, times how long it was watched since.
So many disturbances as before are not to be expected: whoever is visited because of a bad month has a better one next, whatever is done, and the raw counts stand beside only with that word.

Before is a year at most, and no further back than the visit before; after ends at the next.
Visits to a section less than a day apart are one, since nobody can tell them apart; what happens from the first's beginning until an hour after the last's end counts for neither side.
A disturbance belongs to when it began: one in the middle of which somebody came is the reason for the visit, and counts before it.
What is under work, within an hour after it, or as an evaluator starts counts nowhere, and the time under work is not watched.
Of a visit for several sections, occasions that come together count once (`planner.occasions`), before it and after it: a cable that is cut over twenty of them is no twenty chances to do better, and nothing is surer than by all occasions of the line together.
Nor is the time in which a section is not available: what has failed cannot fail, and a section that nobody gives back has no success to show.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

from monitor.core.moments import DAY, HOUR, Duration, Moment
from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.effect import (
    Awaited,
    Effect,
    Share,
    effect,
    share,
    together as added,
)
from monitor.core.statistics.spread import Fleet, fleet_of
from monitor.findings import Cause, judged
from monitor.planner.occasions import of_section, of_several
from monitor.planner.seen import AFTER_WORK, Section
from monitor.planner.spells import Spell, length, together, within, without
from monitor.planner.whereabouts import Whereabouts
from monitor.visits import Visit

BEFORE: Duration = 365 * DAY
"""As far back the rate is looked at: longer ago the section was another, shorter there is too little."""

SETTLED: Duration = HOUR
"""So long after a visit what happens may be its doing, like after work."""

ONE: Duration = DAY
"""Visits to a section less than this apart are one."""

LED: Duration = 30 * DAY
"""An alert that was raised longer before a visit did not lead to it (a convention of ours)."""

BETWEEN: Duration = 28 * DAY
"""The line's rates are looked at anew for visits further apart than this, and on a line that was not watched for long for those nearer (`_step`)."""


@dataclass(frozen=True, slots=True)
class Watched:
    """How a section was watched, and when it was disturbed.

    Args:
        spells: when it was watched, in order, apart from one another.
        disturbed: when each occasion began that counts, in order.
        failed: when it was not available, in order; no part of `spells`.
        again: moments at which it was disturbed anew before it was given back, in order.
        soon: moments at which it was on the same occasion, in order.
    """

    spells: tuple[Spell, ...]
    disturbed: tuple[Moment, ...]
    failed: tuple[Spell, ...] = ()
    again: tuple[Moment, ...] = ()
    soon: tuple[Moment, ...] = ()

    @classmethod
    def of(cls, section: Section) -> Watched:
        """What was seen of a section, without what was under work, and without the time in which it was not available.

        What is disturbed while it is not available is disturbed once; only what began that counts for a rate.
        What comes within a day of that counts once too (`planner.occasions`): a bad afternoon is no eight chances to do better.
        """
        work = together((begin, end + AFTER_WORK) for begin, end in section.work)
        failed = without(together(section.failed), work)
        first: set[int] = set()
        counted, again = [], []
        for at in sorted(at for at, _ in section.disturbed):
            place = bisect_right(failed, at, key=lambda one: one[0]) - 1
            if place < 0 or at >= failed[place][1]:
                counted.append(at)
            elif place in first:
                again.append(at)
            else:
                first.add(place)
                counted.append(at)
        occasions = of_section(counted)
        return cls(
            tuple(without(section.watched, together([*work, *failed]))),
            occasions,
            tuple(failed),
            tuple(again),
            tuple(sorted(set(counted) - set(occasions))),
        )

    @property
    def is_out(self) -> bool:
        """Whether it was not available when it was watched last."""
        last = self.spells[-1][1] if self.spells else 0
        return bool(self.failed) and self.failed[-1][1] > last

    def out(self, begin: Moment, end: Moment) -> float:
        """Days from *begin* up to *end* in which it was not available.

        Example:
            >>> Watched((), (), ((DAY, 3 * DAY),)).out(2 * DAY, 9 * DAY)
            1.0
        """
        return length(within(self.failed, begin, end)) / DAY

    def counted(self, begin: Moment, end: Moment) -> Counted:
        """Occasions from *begin* up to *end*, and the days in which it was watched.

        Example:
            >>> seen = Watched(((0, 4 * DAY), (6 * DAY, 9 * DAY)), (DAY, 7 * DAY))
            >>> seen.counted(2 * DAY, 8 * DAY)
            Counted(count=1, exposure=4.0)
        """
        days = 0
        for first, last in self.spells:
            if first >= end:
                break
            days += max(0, min(last, end) - max(first, begin))
        return Counted(len(self.between(begin, end)), days / DAY)

    def between(self, begin: Moment, end: Moment) -> tuple[Moment, ...]:
        """When those occasions began."""
        first, last = (bisect_left(self.disturbed, one) for one in (begin, end))
        return self.disturbed[first:last]


@dataclass(frozen=True, slots=True, kw_only=True)
class Helped:
    """What became of the sections of a visit.

    Args:
        visit: which.
        sections: that it was for.
        before: occasions before it, and days watched; of several sections those days added up, and occasions that came together once.
        after: since, likewise.
        during: while it went on, or within an hour after; they count for neither.
        effect: what that means; None where nothing was watched since.
        shared: how many other visits were to the same section within a day: they are told as one.
        until: to when it is looked at: the next visit, or now.
        out: days after it in which they were not available, of several added up; they are no part of `after`.
        never_back: sections that were never available after it.
    """

    visit: Visit
    sections: tuple[str, ...]
    before: Counted
    after: Counted
    during: int
    effect: Effect | None
    shared: int
    until: Moment
    out: float = 0.0
    never_back: tuple[str, ...] = ()


@dataclass(slots=True)
class Visited:
    """The visits to each section, in order, those that are one put together.

    Args:
        spells: from the beginning of the first to the end of the last.
        visits: ids in each.
    """

    spells: list[Spell] = field(default_factory=list)
    visits: list[list[str]] = field(default_factory=list)

    def add(self, visit: Visit) -> None:
        """One more, no earlier than those before it."""
        if self.spells and visit.begin - self.spells[-1][1] < ONE:
            begin, end = self.spells[-1]
            self.spells[-1] = begin, max(end, visit.end)
            self.visits[-1].append(visit.id)
        else:
            self.spells.append((visit.begin, visit.end))
            self.visits.append([visit.id])


def visited(visits: Iterable[Visit], there: Whereabouts) -> dict[str, Visited]:
    """The visits to each section."""
    found: dict[str, Visited] = defaultdict(Visited)
    for visit in sorted(visits, key=lambda one: (one.begin, one.id)):
        for section in sections_of(visit, there):
            found[section].add(visit)
    return dict(found)


def sections_of(visit: Visit, there: Whereabouts) -> tuple[str, ...]:
    """The sections that a visit was for: those it names, else all that need the parts it names."""
    named = [one for one in visit.subjects if one.startswith("section/")]
    found = [
        section
        for subject in named or visit.subjects
        for section in there.sections(subject)
    ]
    return tuple(dict.fromkeys(found))


def helped(
    visits: Sequence[Visit],
    watched: Mapping[str, Watched],
    there: Whereabouts,
    now: Moment,
) -> list[Helped]:
    """What became of each visit's sections, the newest first.

    Args:
        visits: all of them.
        watched: each section of the line, from a year before the first of those visits.
        there: the places of the line.
        now: up to when.
    """
    by_section = visited(visits, there)
    fleets = _fleets(watched, now)
    return [
        _helped(visit, by_section, watched, there, fleets, now)
        for visit in sorted(visits, key=lambda one: (-one.begin, one.id))
    ]


@dataclass(frozen=True, slots=True)
class _Line:
    """What a line was like.

    Args:
        fleet: what its sections are like.
        occasions: of all of them together, half of one at least; nothing is known more surely than by so many.
    """

    fleet: Fleet
    occasions: float


def _fleets(
    watched: Mapping[str, Watched], now: Moment
) -> Callable[[Moment], _Line | None]:
    """What the line's rates were like in the year before a moment, or in some weeks less; where nothing was watched then, in all that was."""
    first = min((one.spells[0][0] for one in watched.values() if one.spells), default=0)

    @cache
    def line(begin: Moment, end: Moment) -> _Line | None:
        records = [one.counted(begin, end) for one in watched.values()]
        fleet = fleet_of((one.count, one.exposure) for one in records)
        if fleet is None:
            return None
        every = of_several(one.between(begin, end) for one in watched.values())
        return _Line(fleet, max(len(every), 0.5))

    def at(moment: Moment) -> _Line | None:
        step = _step(moment - first)
        end = moment - moment % step
        return (
            line(end - BEFORE, end)
            or line(end + step - BEFORE, end + step)
            or line(0, now)
        )

    return at


def _step(watched: Duration) -> Duration:
    """How far apart visits are for which the line's rates are looked at anew: an eighth of the time for which it had been watched at most, for what came last is much of a short record.

    Example:
        >>> [_step(days * DAY) // DAY for days in (0, 3, 20, 100, 400)]
        [1, 1, 2, 8, 28]
    """
    step = DAY
    while step * 16 <= watched and step < BETWEEN:
        step *= 2
    return min(step, BETWEEN)


def _helped(  # noqa: PLR0917 - all there is to go by
    visit: Visit,
    by_section: Mapping[str, Visited],
    watched: Mapping[str, Watched],
    there: Whereabouts,
    fleets: Callable[[Moment], _Line | None],
    now: Moment,
) -> Helped:
    sections = sections_of(visit, there)
    awaited: list[Awaited] = []
    was, since, during = _Together(), _Together(), 0
    least = 0.0
    shared, until = 0, now
    out, never_back = 0.0, []
    for name in sections:
        seen, mine = watched.get(name), by_section[name]
        at = next(i for i, ids in enumerate(mine.visits) if visit.id in ids)
        begin, end = mine.spells[at]
        last = mine.spells[at - 1][1] + SETTLED if at else 0
        stop = mine.spells[at + 1][0] if at + 1 < len(mine.spells) else now
        shared = max(shared, len(mine.visits[at]) - 1)
        until = min(until, stop)
        if seen is None:
            continue
        own = was.add(seen, max(begin - BEFORE, last), begin)
        days = since.add(seen, end + SETTLED, max(stop, end + SETTLED)).exposure
        gone = seen.out(end + SETTLED, stop)
        out += gone
        if gone and not days:
            never_back.append(name)
        during += seen.counted(begin, min(end + SETTLED, now)).count
        line = fleets(begin)
        if line is not None:
            awaited.append(Awaited.after(line.fleet, own, days))
            least = max(least, 1 / line.occasions)
    all_of_it = added(awaited).thinned(was.part or since.part or 1.0)
    all_of_it = replace(all_of_it, own=max(all_of_it.own, least * all_of_it.mean**2))
    before, after = was.counted, since.counted
    return Helped(
        visit=visit,
        sections=sections,
        before=before,
        after=after,
        during=during,
        effect=effect(all_of_it, after.count),
        shared=shared,
        until=until,
        out=out,
        never_back=tuple(never_back),
    )


@dataclass(slots=True)
class _Together:
    """The occasions of several sections, each in a time of its own.

    Args:
        moments: for each, when its own began.
        days: watched, added up.
    """

    moments: list[tuple[Moment, ...]] = field(default_factory=list)
    days: float = 0.0

    def add(self, seen: Watched, begin: Moment, end: Moment) -> Counted:
        """One more, from *begin* up to *end*; gives what was counted of it alone."""
        found = seen.counted(begin, end)
        self.moments.append(seen.between(begin, end))
        self.days += found.exposure
        return found

    @property
    def counted(self) -> Counted:
        """All occasions, those that came together once."""
        return Counted(len(of_several(self.moments)), self.days)

    @property
    def part(self) -> float:
        """How many that is of those of each, added up; nought where there were none."""
        number = sum(map(len, self.moments))
        return self.counted.count / number if number else 0.0


def all_together(found: Iterable[Helped]) -> Effect | None:
    """What all visits did together; of those that are one, one counts."""
    awaited: list[Awaited] = []
    count = 0
    seen: set[tuple[str, Moment]] = set()
    for one in found:
        keys = {(section, one.until) for section in one.sections}
        if one.effect is None or (one.shared and keys & seen):
            continue
        seen |= keys
        awaited.append(one.effect.awaited)
        count += one.effect.count
    return effect(added(awaited), count)


# What was found, held against what had been raised.


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """An alert, as far as a visit is held against it.

    Args:
        id: of it.
        kind: of what.
        subject: about what.
        at: when it was raised.
        fault: in which fault it is, or "".
        suspects: parts that it takes for the cause, as subjects.
    """

    id: str
    kind: str
    subject: str
    at: Moment
    fault: str = ""
    suspects: tuple[str, ...] = ()

    @property
    def parts(self) -> frozenset[str]:
        """The parts that it is about: those it suspects, and its subject where that is one."""
        own = () if self.subject.startswith("section/") else (self.subject,)
        return frozenset((*self.suspects, *own))


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """How often what a kind of alert suspected was found at the visit that it led to; of those visited.

    Args:
        kind: of alert.
        share: of the visits at which somebody said what was found; None where nobody ever did.
        elsewhere: visits at which something was found, and not at what was suspected; the share counts them as not found.
        not_said: visits at which nobody said.
    """

    kind: str
    share: Share | None
    elsewhere: int
    not_said: int


_AT: dict[Cause, str] = {
    "head": "head",
    "sensor": "head",
    "track": "head",
    "unit": "unit",
    "cable": "cable",
    "supply": "supply",
    "evaluator": "evaluator",
    "output": "evaluator",
    "feed": "gateway",
}
"""At what kind of part each cause is found; those left out are at none."""


def found_by_kind(
    visits: Sequence[Visit], raised: Iterable[Raised], there: Whereabouts
) -> list[Found]:
    """For each kind that led to a visit, how often that was found which it suspected; a kind counts once for a visit.

    An alert led to a visit for whose fault it is, or that was to its subject or a part that it suspects, within a month of it and with no other visit between.
    One about a section, a head or a trackside unit led also to a visit to a section of it; a cable and what stands in a room serve too many for that.
    """
    alerts = sorted(raised, key=lambda one: one.at)
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    taken: set[str] = set()
    for visit in sorted(visits, key=lambda one: (one.begin, one.id)):
        sections = set(sections_of(visit, there))
        led = [
            one
            for one in alerts
            if one.id not in taken and _led(one, visit, sections, there)
        ]
        taken |= {one.id for one in led}
        verdict = judged(visit.cause)
        borne_out = {one.kind for one in led if _bears_out(visit, one)}
        for kind in {one.kind for one in led}:
            if verdict:
                place = 0 if kind in borne_out else 1
            else:
                place = 3 if verdict is None else 2
            counts[kind][place] += 1
    return [
        Found(
            kind=kind,
            share=share(yes, yes + other + no),
            elsewhere=other,
            not_said=unsaid,
        )
        for kind, (yes, other, no, unsaid) in sorted(counts.items())
    ]


def _bears_out(visit: Visit, alert: Raised) -> bool:
    """Whether what was found is at a part that *alert* suspects; where it suspects none, or what was found is at no part, anything is."""
    part = "" if visit.part.startswith("section/") else visit.part
    at = _AT.get(visit.cause, "")
    if not alert.parts or not (part or at):
        return True
    if part:
        return part in alert.parts
    return any(one.startswith(f"{at}/") for one in alert.parts)


def _led(alert: Raised, visit: Visit, sections: set[str], there: Whereabouts) -> bool:
    if visit.fault and alert.fault:
        return visit.fault == alert.fault
    if not visit.end - LED <= alert.at <= visit.end:
        return False
    named = {*visit.subjects, visit.part}
    if alert.subject in named or alert.parts & named:
        return True
    kind = alert.subject.partition("/")[0]
    narrow = kind in {"section", "head", "unit"}
    shares = bool(sections & set(there.sections(alert.subject)))
    return shares and (narrow or (not visit.part and kind == _AT.get(visit.cause)))
