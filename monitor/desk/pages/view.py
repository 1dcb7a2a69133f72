"""What pages say, worked out of what the API answers: plain values and sentences, ready for a template.

Times are the line's local time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.charts.placenames import place_names
from monitor.core.alerts import Alert, read
from monitor.core.layout import Line
from monitor.core.messages import do_first
from monitor.core.moments import MINUTE, Moment, parse
from monitor.core.telling import (
    Other,
    happened,
    leading,
    looks,
    numbers,
    others,
    parts,
    shortened,
)
from monitor.core.words import clock, names, span, to_the_minute
from monitor.desk.model import (
    MOST_ALERTS,
    AlertOut,
    Asked,
    Desk,
    FaultOut,
    LoadOut,
    NotThere,
    PositionOut,
    ResetOut,
    StatusOut,
    VisitOut,
)

RANK = {"urgent": 0, "prompt": 1, "planned": 2, "note": 3}
CALLED = frozenset({"urgent", "prompt"})
RESET = "reset-unproved"
RESET_PRIORITY = "planned"
OVER = "It is over. While it was not: "
MOST_ALSO = 1
MOST_EVENTS = 14
MOST_FOUND = 3
MOST_PARTS = 4
MOST_HEADS = 6
MOST_SITES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A fault in a list.

    Args:
        id: of the fault.
        number: to say on the telephone.
        priority: of the chip.
        headline: at most 42 characters.
        place: where, in words.
        people: who saw it, who goes.
        seen: whether somebody has seen everything in it.
        quiet: why nobody is called for it, or "".
        since: the time of day, with the date where that is another day.
        age: since then.
        began: for a page that counts on.
        end: "over" where everything in it is, "over, not seen" where nobody has seen that, "stays until closed" where a person still has to close some of it, or "".
        alerts: ids of all alerts in it, in the order in which they came.
        also: what else is open in it than the headline says, or "".
    """

    id: str
    number: str
    priority: str
    headline: str
    place: str
    people: str
    seen: bool
    quiet: str
    since: str
    age: str
    began: str
    end: str
    alerts: list[str]
    also: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """One thing that happened."""

    at: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """A site to go to.

    Args:
        name: of the site.
        says: how to come there and in, which room, which racks: one thing each.
        telephone: there, or "".
        geo: where it is, as a link to whatever map a telephone has (RFC 5870), or "".
    """

    name: str
    says: list[str]
    telephone: str
    geo: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """A fault, told.

    Args:
        row: as in the list.
        came: as what it was told before, in words, where another number was asked for; else "".
        also: all that is open in it besides what the headline says.
        first: what to do first.
        within: within what time.
        otherwise: what happens if not.
        happened: in order of time.
        left_out: so much of that is left out between.
        looks: look first at.
        others: what else it could be.
        parts: the likeliest first.
        suspects: the same as subjects.
        numbers: the numbers behind it.
        closes: ids and kinds of what only a person closes, that is open.
        section: around which the close-up is drawn, or "".
        sites: where to go.
        more_sites: so many more are not told.
        signallers: whom to tell, with the number.
        notes: what was noted.
        shelvable: kind and subject of the leading alert.
        urgent: whether closing asks for a reason.
        who: has seen it, and goes there, in one line.
        found: what was found at visits before, the newest first.
        heads: that may be watched live, the likeliest first.
    """

    row: Row
    came: str
    also: list[str]
    first: str
    within: str
    otherwise: str
    happened: list[Happened]
    left_out: int
    looks: list[str]
    others: list[Other]
    parts: list[str]
    suspects: list[str]
    numbers: list[tuple[str, str]]
    closes: list[tuple[str, str]]
    section: str
    sites: list[Where]
    more_sites: int
    signallers: list[tuple[str, str]]
    notes: list[Happened]
    shelvable: tuple[str, str]
    urgent: bool
    who: str
    found: list[Happened]
    heads: list[str]


class View:
    """Answers pages.

    Args:
        desk: the API's own door.
        line: the line file.
    """

    def __init__(self, desk: Desk, line: Line) -> None:
        self._desk = desk
        self._line = line
        self._named = place_names(line)

    async def status(self) -> StatusOut:
        """How the monitor stands."""
        return await self._desk.status()

    async def position(self, name: str | None) -> PositionOut | None:
        """The position of this name, or the first; None where none is set up."""
        found = await self._desk.positions()
        if name is None:
            return found[0] if found else None
        for one in found:
            if one.name == name:
                return one
        raise NotThere(f"there is no position {name}")

    async def faults(self, position: PositionOut | None) -> list[FaultOut]:
        """Open faults of a position's areas: not seen first, then by priority, then the newest first."""
        found = await self._desk.faults(is_open=True)
        areas = set(position.areas) if position is not None else set()
        return sorted(
            (one for one in found if not areas or areas & set(self.areas(one))),
            key=lambda one: (one.seen, RANK[one.priority], _backwards(one.raised)),
        )

    def areas(self, fault: FaultOut) -> list[str]:
        """The areas in which *fault* lies, in the order of the line file."""
        within = {self._line.sections[name].area for name in self.sections(fault)}
        every = dict.fromkeys(one.area for one in self._line.sections.values())
        return [area for area in every if area in within]

    def sections(self, fault: FaultOut) -> list[str]:
        """The sections that *fault* is about, or whose heads or evaluators it is about."""
        return list(self._line.sections_about(fault.subjects))

    def row(self, fault: FaultOut, now: Moment) -> Row:
        """*fault* as a row of a list."""
        zone = self._line.zone
        began = parse(fault.since or fault.began)
        return Row(
            id=fault.id,
            number=fault.number,
            priority=RESET_PRIORITY if _waits(fault) else fault.priority,
            headline=fault.headline,
            place=self._place(fault),
            people=_people(fault),
            seen=fault.seen,
            quiet=fault.quiet,
            since=clock(began, zone, now),
            age=span(max(MINUTE, (now - began) // MINUTE * MINUTE)),
            began=fault.since or fault.began,
            end=_end(fault),
            alerts=fault.alerts,
            also=_also(fault),
        )

    def _place(self, fault: FaultOut) -> str:
        areas = [self._named[area] for area in self.areas(fault)]
        parts = [", ".join(areas) or "the feed"]
        kilometres = self._kilometres(self.sections(fault))
        if kilometres:
            parts.append(kilometres)
        if fault.standing:
            plural = "s" if fault.standing > 1 else ""
            parts.append(f"{fault.standing} train{plural} standing")
        # Where a train may stand in a section shown clear, nothing is to sound like an empty one.
        # Where nothing but resets is left, the headline says it.
        if fault.waiting and fault.open and not fault.lasting:
            parts.append(
                f"{names(fault.waiting[:3])} reset, not yet followed by a train"
            )
        return " · ".join(parts)

    def _kilometres(self, sections: Iterable[str]) -> str:
        found = [
            km
            for name in sections
            for head in self._line.heads_of(name)
            if (km := self._line.heads[head].km) is not None
        ]
        if not found:
            return ""
        low, high = min(found), max(found)
        return f"km {low:g}" if high - low < 0.05 else f"km {low:g} to {high:g}"

    async def _led_on(self, name: str) -> tuple[FaultOut, str]:
        """The fault of a number or id, or the one as which it is told since a start, and then so in words.

        Raises:
            NotThere: there is none, or it is told no more.
        """
        asked = fault = await self._desk.fault(name)
        while fault.why and fault.into is not None:
            fault = await self._desk.fault(fault.into)
        if fault.why:
            raise NotThere(
                f"{asked.number}, {asked.headline}, is told no more: {fault.why}"
            )
        if fault is asked:
            return fault, ""
        return fault, f"{asked.number} is {fault.number} now: {asked.why}"

    async def story(self, name: str, most: int = MOST_EVENTS) -> Story:
        """The fault of a number or id, told.

        Args:
            name: the number or id.
            most: so much of what happened at most.

        Raises:
            NotThere: there is none.
        """
        fault, came = await self._led_on(name)
        now = parse((await self._desk.status()).now)
        alerts = await self._alerts(fault)
        records = [read(one.record) for one in alerts]
        leads = leading(records, fault.open, fault.subject)
        kinds = {one.kind: one for one in await self._desk.kinds()}
        # Where only a reset is left that waits for a train, nothing else is to be done.
        waits = _waits(fault)
        kind = RESET if waits else leads.kind if leads is not None else ""
        asked = kinds.get(kind)
        first = do_first(leads) if leads is not None and not waits else ""
        first = first or (asked.first if asked is not None else "")
        over = fault.ended is not None and not fault.lasting
        cause = _cause(leads, records)
        begun, left, now_so = shortened(happened(records), most)
        began, zone = parse(fault.began), self._line.zone
        checks = leads.checks if leads is not None else ()
        sections = self.sections(fault)
        return Story(
            row=self.row(fault, now),
            came=came,
            also=list(fault.also),
            first=f"{OVER}{first}" if over else first[:1].upper() + first[1:],
            within=asked.within if asked is not None and not over else "",
            otherwise=asked.otherwise if asked is not None and not over else "",
            happened=[
                Happened(at=clock(at, zone, began), text=text)
                for at, text in (*begun, *now_so)
            ],
            left_out=left,
            looks=list(dict.fromkeys([*looks(checks), *_looks_of(cause)])),
            others=others(checks),
            parts=_few(parts(cause.suspects if cause is not None else ())),
            suspects=_suspects(records),
            numbers=numbers(leads.parameters if leads is not None else {}),
            closes=_closes(fault, alerts),
            section=_middle(fault, sections),
            sites=self._sites(sections)[:MOST_SITES],
            more_sites=max(0, len(self._sites(sections)) - MOST_SITES),
            signallers=self._signallers(fault),
            notes=self._notes(fault),
            shelvable=(leads.kind, leads.subject) if leads is not None else ("", ""),
            urgent=leads is not None and leads.priority == "urgent",
            who=self._who(fault, alerts, now),
            found=await self._found(fault, sections, now),
            heads=self._heads(records, sections),
        )

    async def _alerts(self, fault: FaultOut) -> list[AlertOut]:
        found = await self._desk.alerts(Asked(fault=fault.id, limit=MOST_ALERTS))
        return list(reversed(found.alerts))

    def _who(self, fault: FaultOut, alerts: Sequence[AlertOut], now: Moment) -> str:
        seen = {
            (one.state.seen_by, one.state.seen_at)
            for one in alerts
            if one.state is not None and one.state.seen_by
        }
        said = [
            f"seen by {by} at {to_the_minute(parse(at), self._line.zone, now)}"
            for by, at in sorted(seen, key=lambda one: (one[1] or "", one[0]))
            if at
        ]
        if not fault.seen:
            said.append("not seen by anybody" if not said else "not all of it seen")
        if fault.on_site:
            said.append(f"{names(fault.on_site)} on site")
        if fault.going:
            said.append(f"{names(fault.going)} going")
        if not fault.on_site and not fault.going:
            said.append("nobody going")
        return " · ".join(said)

    async def _found(
        self, fault: FaultOut, sections: Iterable[str], now: Moment
    ) -> list[Happened]:
        """What was found at visits to any part of it, or of what lies at its sections."""
        about = {*fault.subjects}
        for name in sections:
            about.add(f"section/{name}")
            about.update(f"head/{head}" for head in self._line.heads_of(name))
        zone = self._line.zone
        return [
            Happened(
                at=to_the_minute(parse(one.begin), zone, now),
                text=_visited(one),
            )
            for one in await self._desk.visits()
            if about & {*one.subjects, one.part}
        ][:MOST_FOUND]

    def _heads(self, alerts: Iterable[Alert], sections: Iterable[str]) -> list[str]:
        suspects = [
            name
            for kind, _, name in (one.partition("/") for one in _suspects(alerts))
            if kind == "head"
        ]
        near = [head for name in sections for head in self._line.heads_of(name)]
        found = dict.fromkeys([*suspects, *near])
        return [name for name in found if name in self._line.heads][:MOST_HEADS]

    def _notes(self, fault: FaultOut) -> list[Happened]:
        zone, began = self._line.zone, parse(fault.began)
        return [
            Happened(
                at=to_the_minute(parse(one.at), zone, began),
                text=f"{one.by}: {one.text}",
            )
            for one in fault.notes
        ]

    def _sites(self, sections: Iterable[str]) -> list[Where]:
        evaluators = dict.fromkeys(
            self._line.sections[one].evaluator for one in sections
        )
        stand: dict[str, list[str]] = {}
        for one in evaluators:
            stand.setdefault(self._line.evaluators[one].site, []).append(one)
        return [self._where(name, ids) for name, ids in stand.items()]

    def _where(self, name: str, evaluators: Iterable[str]) -> Where:
        site = self._line.sites.get(name)
        racks = [
            f"{one} in rack {rack}"
            for one in evaluators
            if (rack := self._line.evaluators[one].rack)
        ]
        if site is None:
            return Where(name=name, says=racks, telephone="", geo="")
        room = f"room {site.room}" if site.room else ""
        return Where(
            name=name,
            says=[one for one in (site.route, site.access, room, *racks) if one],
            telephone=site.telephone or "",
            geo="geo:{:f},{:f}".format(*site.geo) if site.geo else "",
        )

    def _signallers(self, fault: FaultOut) -> list[tuple[str, str]]:
        found: dict[tuple[str, str], None] = {}
        for name in self.areas(fault):
            area = self._line.areas.get(name)
            if area is not None:
                found[
                    area.signaller or f"signaller of {name}", area.telephone or ""
                ] = None
        return list(found)

    async def resets(self, position: PositionOut | None) -> list[ResetOut]:
        """Resets waiting for a train, of a position's areas."""
        areas = position.areas if position is not None else []
        found = await self._desk.resets_waiting(None)
        return [one for one in found if not areas or one.area in areas]

    async def load(self, position: PositionOut | None) -> LoadOut:
        """The calls of a position."""
        return await self._desk.load(position.name if position is not None else None)

    def at(self, text: str | None, now: str) -> str:
        """A time of day to the minute, with the date where it is not that of *now*."""
        if text is None:
            return ""
        return to_the_minute(parse(text), self._line.zone, parse(now))


def _waits(fault: FaultOut) -> bool:
    """Whether nothing is left of *fault* but resets that no train has followed."""
    return bool(fault.waiting) and not fault.open


def _cause(leads: Alert | None, alerts: Iterable[Alert]) -> Alert | None:
    """The alert that tells which part it may be: the one that leads, but of a reset what came before it."""
    if leads is None or leads.kind != RESET:
        return leads
    before = [one for one in alerts if one.kind != RESET]
    return leading(before, (), leads.subject) or leads


def _looks_of(cause: Alert | None) -> list[str]:
    return looks(cause.checks) if cause is not None else []


def _end(fault: FaultOut) -> str:
    """Whether what *fault* is about has ended, for people too."""
    if fault.lasting:
        return "stays until closed"
    if fault.ended is None:
        return ""
    return "over" if fault.seen else "over, not seen"


def _also(fault: FaultOut) -> str:
    left = len(fault.also) - MOST_ALSO
    return " · ".join(fault.also[:MOST_ALSO]) + (
        f" and {left} more" if left > 0 else ""
    )


def _backwards(stamped: str) -> int:
    return -parse(stamped)


def _people(fault: FaultOut) -> str:
    said = []
    if fault.on_site:
        said.append(f"{names(fault.on_site)} on site")
    if fault.going:
        said.append(f"{names(fault.going)} going")
    if not said and fault.seen:
        said.append("seen, nobody going")
    return ", ".join(said)


def _visited(visit: VisitOut) -> str:
    """A visit in a line: at what, what was found, in whose words."""
    at = visit.part or visit.subjects[0]
    said = [f"{at.replace('/', ' ')}: {visit.found}"]
    if visit.text:
        said.append(visit.text)
    if visit.who or visit.by:
        said.append(visit.who or visit.by)
    return ", ".join(said)


def _suspects(alerts: Iterable[Alert]) -> list[str]:
    """What may be the cause of any of *alerts*, the likeliest first."""
    weights: dict[str, float] = {}
    for one in alerts:
        for suspect in one.suspects:
            weight = weights.get(suspect.asset, 0.0)
            weights[suspect.asset] = max(suspect.weight, weight)
    return sorted(weights, key=lambda asset: (-weights[asset], asset))


def _few(said: list[str]) -> list[str]:
    left = len(said) - MOST_PARTS
    return [*said[:MOST_PARTS], *([f"and {left} others"] if left > 0 else [])]


def _closes(fault: FaultOut, alerts: Sequence[AlertOut]) -> list[tuple[str, str]]:
    """What only a person closes, and nobody has."""
    return [
        (one.record["id"], one.record["kind"])
        for one in alerts
        if one.record["id"] in fault.lasting
        and one.state is not None
        and one.state.LatchedState
    ]


def _middle(fault: FaultOut, sections: Sequence[str]) -> str:
    """The section in the middle of a fault: its own, or the middle one of those it covers."""
    kind, _, name = fault.subject.partition("/")
    if kind == "section" and name in sections:
        return name
    return sections[len(sections) // 2] if sections else ""
