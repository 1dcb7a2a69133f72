"""The work list: where it is worth while to go, in visits rather than sections.

What lies at one site and near one kilometre, and is done in one place (on the track, or in the room), is one visit.
Visits are in the order of `ORDER`; a rate is drawn towards the line's, so that one bad week does not lead the list.
A section stands there that held a train or was disturbed twice in the last 90 days, that has not been given back for a day, or about which something was raised that a part of it may have caused; what was before a visit at which something was found and put right counts no more.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from monitor.core.moments import DAY, Duration, Moment, as_datetime
from monitor.core.words import names, times
from monitor.findings import judged
from monitor.planner.effect import Watched, sections_of
from monitor.planner.effect_words import how_long, number
from monitor.planner.expected import AHEAD_DAYS, Expecting, put_right
from monitor.planner.figures import SHORT
from monitor.planner.quiet_hours import Hours, Rarest, rarest
from monitor.planner.whereabouts import Whereabouts
from monitor.planner.words import TOO_FEW, ahead
from monitor.visits import Visit

LATELY: Duration = 90 * DAY
LEAST = 2
"""Disturbances in the last 90 days, from which on a section is on the list."""

NEAR_KM = 3.0
"""From end to end so much is reached in one visit (a convention of ours)."""

STAYS = 1.0
"""Days: what has not been given back for so long is on the list, whatever was raised (a convention of ours)."""

ORDER = (
    "On the list stands what held a train or was disturbed twice in the last 90 days, has not been given back for a day, "
    "or about which something was raised that a part of it may have caused; what was disturbed once besides is in the report. "
    "In this order: what stands still first, that is has not been given back for a day or more, the longest first; "
    "then by trains held in the last 90 days and occasions of disturbance to be expected in the next 90, added up, "
    "so that neither many disturbances that held nobody nor trains held on few occasions stand too low "
    "(that one is as grave as the other is a convention of ours); while the line was watched for less than a week, those so far."
)
"""The rule by which sections come onto the list, visits follow one another, and sections in a visit."""

ASK = frozenset(
    {
        "common-cause",
        "contact-disagreement",
        "count-mismatch",
        "evaluator-locked-out",
        "level-drift",
        "level-out",
        "occupied-no-train",
        "one-sided-head",
        "repeat-disturbance",
        "reset-not-held",
        "spurious-occupation",
        "unseen-train",
        "vanished-train",
        "worsening",
    }
)
"""Kinds that a part may have caused, of which one is enough to go and look, open or over."""

ASK_WHILE_OPEN = frozenset({"restoration-incomplete", "section-disturbed"})
"""Kinds that ask for it while they are open; of disturbances that are over `LEAST` do."""

CAUSES = frozenset({"common-cause", "evaluator-locked-out"})
"""Kinds that are about all they affect; others ask for a visit only where their subject is."""

Place = Literal["track", "room"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned:
    """An alert, as far as the list goes by it.

    Args:
        id: of it.
        kind: of what.
        at: when it was raised.
        is_open: whether it still is.
        about: subjects that it is about, or affects.
        suspects: parts that may be the cause, with their weight.
        summary: what happened.
    """

    id: str
    kind: str
    at: Moment
    is_open: bool
    about: tuple[str, ...]
    suspects: tuple[tuple[str, float], ...]
    summary: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A section on the list.

    Args:
        section: which.
        parts: the likeliest to look at, as subjects.
        place: where those are.
        registers: numbers of those in the owner's register, as far as known.
        disturbed: how often it was, lately, also before it was given back.
        days: watched lately, and available.
        out: days in which it was not available, lately.
        stands: it has not been given back for a day or more.
        held: trains held by it lately.
        thin: the line was watched too little for anything to be expected.
        unsure: too little is known of it to tell what is to be expected, also where its line was watched for long.
        expected: occasions of disturbance to be expected in the next 90 days; nothing to be told where that is thin.
        low: the lower end of what that may be.
        high: the upper end.
        reason: why it is on the list, in a sentence.
        evidence: what that rests on, the newest first.
        visit: the last one, or None.
    """

    section: str
    parts: tuple[str, ...]
    place: Place
    registers: tuple[str, ...]
    disturbed: int
    days: float
    out: float
    stands: bool
    held: int
    thin: bool
    unsure: bool
    expected: float
    low: float
    high: float
    reason: str
    evidence: tuple[Warned, ...]
    visit: Visit | None

    @property
    def order(self) -> tuple[float, float, str]:
        """Its place by `ORDER`: the lowest first."""
        return -(self.out if self.stands else 0.0), -self.worth, self.section

    @property
    def worth(self) -> float:
        """Trains held, and what is to be expected; where that is thin, what came so far."""
        return self.held + (self.disturbed if self.thin else self.expected)

    @property
    def outlook(self) -> str:
        """What is to be expected, as people read it."""
        if self.thin or self.unsure:
            return TOO_FEW
        return ahead(self.expected, self.low, self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """One visit that would be worth while.

    Args:
        site: the room to which it all belongs, or "".
        place: on the track, or in the room.
        low: the lowest kilometre, or None.
        high: the highest.
        items: what to look at, the gravest first.
        held: trains held, of all of them.
        expected: occasions of disturbance to be expected in the next 90 days, of all together.
        access: sections that somebody at those parts is on; () in a room.
        quiet: when trains are rarest in all of these, where the track is needed.
    """

    site: str
    place: Place
    low: float | None
    high: float | None
    items: tuple[Item, ...]
    held: int
    expected: float
    access: tuple[str, ...]
    quiet: Rarest | None = None

    @property
    def stands(self) -> tuple[str, ...]:
        """Its sections that stand still."""
        return tuple(one.section for one in self.items if one.stands)

    @property
    def order(self) -> tuple[float, float, str]:
        """Its place by `ORDER`: the lowest first."""
        longest = max((one.out for one in self.items if one.stands), default=0.0)
        soon = self.expected
        if self.thin:
            soon = sum(one.disturbed for one in self.items)
        return -longest, -(self.held + soon), self.site

    @property
    def thin(self) -> bool:
        """Whether the line was watched too little for anything to be expected."""
        return any(one.thin for one in self.items)

    @property
    def words(self) -> str:
        """What it is worth, as people read it."""
        still = f"{names(self.stands)} not given back; " if self.stands else ""
        held = f"{self.held} train{'' if self.held == 1 else 's'} held; "
        if self.thin:
            return f"{still}{held}watched too little for anything to be expected yet"
        every = sum(one.expected for one in self.items)
        once = ", those that come together counted once"
        return (
            f"{still}{held}about {number(self.expected)} "
            "disturbances to be expected in 90 days"
            f"{once if number(every) != number(self.expected) else ''}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """All that a list is made of.

    Args:
        now: when.
        watched: each section of the line, over the last year.
        held: when trains were held, by section.
        warnings: alerts of the last 90 days, and open ones.
        visits: all of them.
    """

    now: Moment
    watched: Mapping[str, Watched]
    held: Mapping[str, Sequence[Moment]]
    warnings: Sequence[Warned]
    visits: Sequence[Visit]


@dataclass(frozen=True, slots=True)
class Heard:
    """How much of a line was heard lately, so that nobody takes silence for rest.

    Args:
        days: in the last 90, by section; nought where it was not heard.
    """

    days: Mapping[str, float]

    @property
    def words(self) -> str:
        """As people read it.

        Example:
            >>> Heard({"T1": 90.0, "T2": 2.0, "T3": 0.0}).words
            '2 of 3 sections were heard in the last 90 days, for 46 days on average, the least T2 for 2 days'
            >>> Heard({"T1": 0.0}).words
            'none of 1 section was heard in the last 90 days'
        """
        known = {name: days for name, days in self.days.items() if days > 0}
        all_of_them = f"{len(self.days)} section{'' if len(self.days) == 1 else 's'}"
        lately = f"heard in the last {AHEAD_DAYS} days"
        if not known:
            return f"none of {all_of_them} was {lately}"
        verb = "was" if len(known) == 1 else "were"
        told = f"{len(known)} of {all_of_them} {verb} {lately}"
        mean = sum(known.values()) / len(known)
        told += f", for {how_long(mean)}"
        least = min(known, key=lambda name: known[name])
        if known[least] > mean - 0.5:
            return told
        return f"{told} on average, the least {least} for {how_long(known[least])}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenOff:
    """A section that would be on the list, but for a visit at which something was found and put right.

    Args:
        section: which.
        visit: the last of those.
        day: on which that ended, where the line is.
        said: what would have put it on the list, in the last 90 days.
    """

    section: str
    visit: Visit
    day: str
    said: tuple[str, ...]

    @property
    def words(self) -> str:
        """As people read it."""
        return f"{self.section} (visited {self.day}) {names(self.said)}"


@dataclass(frozen=True, slots=True)
class Worklist:
    """Where it is worth while to go, and on how much that rests.

    Args:
        trips: the first first.
        heard: how much of the line was heard.
        at: as of when.
        off: sections that only a visit took off it.
    """

    trips: tuple[Trip, ...]
    heard: Heard
    at: Moment
    off: tuple[TakenOff, ...] = ()

    @property
    def off_words(self) -> str:
        """What visits took off it, as people read it; "" where they took nothing."""
        if not self.off:
            return ""
        told = "; ".join(one.words for one in self.off)
        return f"Taken off by a visit at which something was found and put right, and nothing since that asks for another: {told}."


NOTHING = (
    "since its last visit at which something was put right, and in 90 days at most, no section held a train, "
    "was disturbed twice or was left not available for a day, and nothing was raised that a part may have caused. "
    "What was not heard may need work all the same."
)
"""What is meant by a list on which nothing stands."""


def worklist(known: Known, there: Whereabouts) -> tuple[Trip, ...]:
    """The visits that would be worth while, the first first."""
    expecting = Expecting(
        known.watched, known.now, put_right(known.visits, there, known.now)
    )
    items = _items(known, there, expecting)
    groups: dict[tuple[str, Place], list[Item]] = defaultdict(list)
    for item in items:
        groups[there.spot(item.parts[0]).site, item.place].append(item)
    trips = [
        _trip(site, place, some, there, expecting)
        for (site, place), every in groups.items()
        for some in _near(every, place, there)
    ]
    return tuple(sorted(trips, key=lambda one: one.order))


def taken_off(known: Known, there: Whereabouts) -> tuple[TakenOff, ...]:
    """The sections that would be on the list, had nobody been there in the last 90 days."""
    since = put_right(known.visits, there, known.now)
    by_section = _by_section(known.warnings, there)
    now, begin = known.now, known.now - LATELY
    judging = sorted(
        (one for one in known.visits if judged(one.cause)),
        key=lambda one: (one.end, one.id),
    )
    last = {name: one for one in judging for name in sections_of(one, there)}
    found = []
    for name, seen in known.watched.items():
        if since.get(name, 0) <= begin:
            continue
        told = by_section.get(name, ())
        whole = _listed(known, name, begin, told, there)
        now_on = _listed(known, name, since[name], told, there)
        if whole is not None and now_on is None:
            day = as_datetime(last[name].end).astimezone(there.line.zone)
            said = (*_counted(seen, begin, now), *whole)
            found.append(
                TakenOff(
                    section=name, visit=last[name], day=f"{day:%Y-%m-%d}", said=said
                )
            )
    return tuple(found)


def _listed(
    known: Known,
    name: str,
    begin: Moment,
    told: Iterable[Warned],
    there: Whereabouts,
) -> tuple[str, ...] | None:
    """What else than counts is to be said of a section since *begin*; None where it is not on the list by what was since."""
    seen, now = known.watched[name], known.now
    held = sum(begin <= at <= now for at in known.held.get(name, ()))
    asked = [
        one
        for one in told
        if (one.is_open or one.at >= begin) and _asks(one, name, there)
    ]
    disturbed = seen.counted(begin, now).count
    disturbed += sum(begin <= at < now for at in (*seen.soon, *seen.again))
    stays = seen.is_out and seen.out(begin, now) >= STAYS
    if not (held or disturbed >= LEAST or asked or stays):
        return None
    return (*([_held(held)] if held else []), *_raised(asked))


def _held(held: int) -> str:
    return f"held {held} train{'' if held == 1 else 's'}"


def with_hours(trips: Iterable[Trip], hours: Mapping[str, Hours]) -> tuple[Trip, ...]:
    """*trips* with the times of the week in which trains are rarest, where the track is needed.

    Args:
        trips: as they are.
        hours: trains by hour of the week, by section.
    """
    return tuple(
        replace(one, quiet=rarest(hours, one.access)) if one.place == "track" else one
        for one in trips
    )


def _items(known: Known, there: Whereabouts, expecting: Expecting) -> list[Item]:
    now = known.now
    since, last = put_right(known.visits, there, now), _last(known.visits, there)
    by_section = _by_section(known.warnings, there)
    found = []
    for name, seen in known.watched.items():
        begin = max(now - LATELY, since.get(name, 0))
        lately = seen.counted(begin, now)
        held = sum(begin <= at <= now for at in known.held.get(name, ()))
        told = [
            one for one in by_section.get(name, ()) if one.is_open or one.at >= begin
        ]
        asked = [one for one in told if _asks(one, name, there)]
        again = sum(begin <= at < now for at in seen.again)
        soon = sum(begin <= at < now for at in seen.soon)
        disturbed = lately.count + soon + again
        out = seen.out(begin, now)
        stays = seen.is_out and out >= STAYS
        soon_to_come = expecting.one(name)
        if soon_to_come is None or not (held or disturbed >= LEAST or asked or stays):
            continue
        parts = _parts(name, told, there)
        told.sort(key=lambda one: -one.at)
        item = Item(
            section=name,
            parts=parts,
            place="room" if there.where(parts[0]) == "room" else "track",
            registers=tuple(filter(None, map(there.register, parts))),
            disturbed=disturbed,
            days=lately.exposure,
            out=out,
            stands=stays,
            held=held,
            thin=expecting.days * DAY < SHORT,
            unsure=soon_to_come.thin,
            expected=soon_to_come.mean,
            low=soon_to_come.low,
            high=soon_to_come.high,
            reason=_reason(
                name,
                (
                    *_counted(seen, begin, now),
                    *([_held(held)] if held else []),
                    *_raised(asked),
                ),
                parts,
            ),
            evidence=tuple(told),
            visit=last.get(name),
        )
        found.append(item)
    return sorted(found, key=lambda one: one.order)


def _last(visits: Iterable[Visit], there: Whereabouts) -> dict[str, Visit]:
    """The last visit to each section."""
    ordered = sorted(visits, key=lambda one: (one.end, one.id))
    return {name: one for one in ordered for name in sections_of(one, there)}


def _by_section(
    warnings: Iterable[Warned], there: Whereabouts
) -> dict[str, list[Warned]]:
    found: dict[str, list[Warned]] = defaultdict(list)
    for one in warnings:
        sections = {
            section
            for subject in one.about
            if subject.partition("/")[0] in {"section", "head"}
            for section in there.sections(subject)
        }
        for section in sections:
            found[section].append(one)
    return found


def _parts(section: str, told: Iterable[Warned], there: Whereabouts) -> tuple[str, ...]:
    """What to look at: the parts of *section* that alerts suspect most, all that are as likely; its heads where none does."""
    own = set(there.parts(section))
    weights: dict[str, float] = defaultdict(float)
    for one in told:
        for asset, weight in one.suspects:
            if asset in own:
                weights[asset] += weight
    if not weights:
        heads = tuple(one for one in there.parts(section) if one.startswith("head/"))
        return heads or (f"section/{section}",)
    most = max(weights.values())
    return tuple(
        one for one in there.parts(section) if weights.get(one, 0) >= most - 1e-9
    )


def _asks(one: Warned, section: str, there: Whereabouts) -> bool:
    """Whether an alert asks for a visit to *section*."""
    if one.kind not in ASK and not (one.is_open and one.kind in ASK_WHILE_OPEN):
        return False
    return one.kind in CAUSES or section in there.sections(one.about[0])


def _counted(seen: Watched, begin: Moment, now: Moment) -> Iterable[str]:
    lately = seen.counted(begin, now)
    again = sum(begin <= at < now for at in seen.again)
    out = seen.out(begin, now)
    soon = sum(begin <= at < now for at in seen.soon)
    if lately.count or soon:
        available = " and available" if out else ""
        together = f", on {_occasions(lately.count)}," if soon and lately.count else ""
        yield (
            f"was disturbed {times(lately.count + soon)}{together} "
            f"in {how_long(lately.exposure)} watched{available}"
        )
    if again:
        yield f"was disturbed {times(again)} again before it was given back"
    if out and seen.is_out:
        yield f"has not been given back (not available for {how_long(out)})"
    elif out >= 1:
        yield f"was not available for {how_long(out)}"


def _occasions(count: int) -> str:
    return f"{count} occasion{'' if count == 1 else 's'}"


def _raised(asked: Sequence[Warned]) -> Iterable[str]:
    waiting = dict.fromkeys(one.kind for one in asked if one.is_open)
    gone = dict.fromkeys(one.kind for one in asked if one.kind not in waiting)
    for verb, kinds, end in (("has", waiting, " open"), ("had", gone, "")):
        if kinds:
            yield f"{verb} {names([one.replace('-', ' ') for one in kinds])}{end}"


def _reason(section: str, said: tuple[str, ...], parts: Sequence[str]) -> str:
    likely = names([one.replace("/", " ") for one in parts])
    return f"{section} {names(said)}; look at {likely} first."


def _near(items: list[Item], place: Place, there: Whereabouts) -> list[list[Item]]:
    """What of *items* is reached in one visit: all in a room, and along the track what is near."""
    if place == "room":
        return [items]
    nowhere: list[Item] = []
    known: list[tuple[float, float, Item]] = []
    for one in items:
        spots = [there.spot(part) for part in one.parts]
        ends = [km for x in spots for km in (x.low, x.high) if km is not None]
        if ends:
            known.append((min(ends), max(ends), one))
        else:
            nowhere.append(one)
    groups: list[list[Item]] = []
    first = last = 0.0
    for low, high, one in sorted(known, key=lambda x: (x[0], x[1], x[2].section)):
        # From the first to the last of them, not from each to the next: those would lead along the whole line.
        if not groups or max(last, high) - first > NEAR_KM:
            groups.append([])
            first, last = low, high
        groups[-1].append(one)
        last = max(last, high)
    return [*groups, nowhere] if nowhere else groups


def _trip(
    site: str,
    place: Place,
    items: Sequence[Item],
    there: Whereabouts,
    expecting: Expecting,
) -> Trip:
    ordered = sorted(items, key=lambda one: one.order)
    spots = [there.spot(part) for one in ordered for part in one.parts]
    lows = [one.low for one in spots if one.low is not None]
    highs = [one.high for one in spots if one.high is not None]
    access = _access(ordered, there) if place == "track" else ()
    together = expecting.several(one.section for one in ordered)
    return Trip(
        site=site,
        place=place,
        low=min(lows, default=None),
        high=max(highs, default=None),
        items=tuple(ordered),
        held=sum(one.held for one in ordered),
        expected=0.0 if together is None else together.mean,
        access=access,
    )


def _access(items: Iterable[Item], there: Whereabouts) -> tuple[str, ...]:
    """The sections themselves, and those at whose heads one stands: a head lies between two."""
    parts = [one for item in items for one in (f"section/{item.section}", *item.parts)]
    found = (name for part in parts for name in there.sections(part))
    return tuple(dict.fromkeys(found))
