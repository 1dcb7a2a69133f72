"""The handover sheet: everything that whoever has the desk next should know, on one sheet.

It is made of what is concluded now, what people did, and what the shift has brought; nothing of it is kept, for it can be made again.
How much the shift has brought stands beside the median of like shifts, each up to as long after its beginning as this one has gone on.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any

from monitor.core.engine import Engine
from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.facts import Fact, FactKind
from monitor.core.faults import Fault
from monitor.core.layout import Line
from monitor.core.moments import MINUTE, Duration, Moment, as_datetime
from monitor.core.words import CAUTION, names, offset, span, to_the_minute
from monitor.handling import Act, Handling
from monitor.lists import (
    HEADING,
    Reset,
    Standing,
    about,
    before_first_train,
    folded,
    of_area,
    on_one_line,
    print_resets_rows,
    print_standing_rows,
    resets_waiting,
)
from monitor.load import Raised
from monitor.shifts import Desk, Held, Note, Position, Rota, Shift

JUST_TAKEN: Duration = 30 * MINUTE
"""So long after a desk was taken its sheet still names who had it before."""

KINDS_COUNTED: tuple[FactKind, ...] = ("disturbance", "reset", "not-known")
"""The facts that the numbers are made of."""


# How much a shift has brought.


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """As much of a shift as is counted.

    Args:
        begin: its first moment.
        end: the first moment that no longer counts.
    """

    begin: Moment
    end: Moment

    def holds(self, moment: Moment) -> bool:
        """Whether *moment* is in it."""
        return self.begin <= moment < self.end


def parts(rota: Rota, now: Moment, since: Moment) -> tuple[Part, ...]:
    """This shift up to *now*, then as much of each like shift before it, newest first.

    Args:
        rota: when shifts begin.
        now: when.
        since: from when on the record holds everything.
    """
    shift = rota.of(now)
    gone = now - shift.begin
    like = [
        Part(begin=one.begin, end=min(one.begin + gone, one.end))
        for one in rota.like(shift, since)
    ]
    return (Part(begin=shift.begin, end=now), *like)


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What a shift has brought.

    Args:
        calls: people were called.
        urgent: alerts raised of that priority.
        prompt: likewise.
        disturbances: of sections not under work.
        resets: accepted.
        not_known: minutes for which sections were not known, of all of them together.
    """

    calls: int = 0
    urgent: int = 0
    prompt: int = 0
    disturbances: int = 0
    resets: int = 0
    not_known: int = 0


WORDS = {
    "calls": "calls",
    "urgent": "urgent alerts",
    "prompt": "prompt alerts",
    "disturbances": "disturbances, not under work",
    "resets": "resets accepted",
    "not_known": "minutes of sections not known",
}
"""What was counted as people read it, in the order of the sheet."""


def count(
    part: Part,
    *,
    calls: Iterable[Moment],
    alerts: Iterable[Raised],
    facts: Iterable[Fact],
    subjects: Iterable[str],
) -> Counted:
    """What *part* of a shift has brought.

    Args:
        part: which.
        calls: of the position.
        alerts: of whatever place, as far as load goes by them.
        facts: of `KINDS_COUNTED`, that were so at any time in it; of whatever place.
        subjects: that the position looks after.
    """
    mine = frozenset(subjects)
    raised = [
        one.priority for one in alerts if one.subject in mine and part.holds(one.raised)
    ]
    disturbances = resets = 0
    dark: Duration = 0
    for fact in facts:
        if fact.subject not in mine:
            continue
        if fact.kind == "not-known":
            dark += _clipped(fact, part)
        elif part.holds(fact.began):
            accepted = fact.values.get("step") == "accepted"
            resets += fact.kind == "reset" and accepted
            under_work = bool(fact.values.get("under_work"))
            disturbances += fact.kind == "disturbance" and not under_work
    return Counted(
        calls=sum(map(part.holds, calls)),
        urgent=raised.count("urgent"),
        prompt=raised.count("prompt"),
        disturbances=disturbances,
        resets=resets,
        not_known=dark // MINUTE,
    )


def _clipped(fact: Fact, part: Part) -> Duration:
    end = part.end if fact.ended is None else min(fact.ended, part.end)
    return max(0, end - max(fact.began, part.begin))


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A number of this shift beside those of like ones.

    Args:
        words: what was counted.
        count: in this shift so far.
        usual: median of the like shifts, each up to as long after its beginning; None where there is none.
        of: how many those were.
    """

    words: str
    count: int
    usual: float | None
    of: int


def beside(counted: Sequence[Counted]) -> tuple[Number, ...]:
    """The numbers of the first beside the median of the others."""
    if not counted:
        return ()
    this, *like = counted
    return tuple(
        Number(
            words=words,
            count=getattr(this, name),
            usual=median(getattr(one, name) for one in like) if like else None,
            of=len(like),
        )
        for name, words in WORDS.items()
    )


# What else is on the sheet.


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenFault:
    """A fault with which people still have to do.

    Args:
        fault: as it stands.
        seen: somebody has seen everything in it.
        going: who goes there.
        on_site: who is there.
        notes: what was noted about it, oldest first.
    """

    fault: Fault
    seen: bool
    going: tuple[str, ...]
    on_site: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Work that nobody has ended.

    Args:
        reference: what it is called, or "".
        sections: on which.
        began: when.
        planned_end: when it should end, where that was said.
        over: that has passed.
    """

    reference: str
    sections: tuple[str, ...]
    began: Moment
    planned_end: Moment | None
    over: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Dark:
    """A spell in which a section was not known.

    Args:
        section: which.
        why: in words.
        began: when, or None where it was never heard.
        ended: when, or None while it lasts.
        lasted: how long within the shift.
    """

    section: str
    why: str
    began: Moment | None
    ended: Moment | None
    lasted: Duration


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """Something that the monitor or its settings went through.

    Args:
        at: when it began.
        ended: when it was over, or None: it was a moment, or lasts.
        text: what it was.
    """

    at: Moment
    ended: Moment | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """All that is handed over.

    Args:
        position: whose.
        shift: which shift goes.
        made: when the sheet was made.
        who_goes: has the desk, or "".
        who_comes: takes it, or "" where that is not said yet.
        faults: open ones.
        resets: waiting for a train.
        standing: what stands open before the first train.
        work: that nobody has ended.
        kept_quiet: what is shelved or switched off.
        not_known: sections not known now.
        longest: the longest spell not known in the shift.
        changed: settings, the line file, and what was switched off or on.
        own: the monitor's own faults.
        wrong: why the monitor cannot do its work now, one sentence each.
        numbers: beside those of like shifts.
        notes: carried on until somebody closes them.
        heading: what *standing* is, and is not.
        caution: that goes with all of this.
    """

    position: Position
    shift: Shift
    made: Moment
    who_goes: str
    who_comes: str
    faults: tuple[OpenFault, ...]
    resets: tuple[Reset, ...]
    standing: tuple[Standing, ...]
    work: tuple[Work, ...]
    kept_quiet: tuple[Act, ...]
    not_known: tuple[Dark, ...]
    longest: Dark | None
    changed: tuple[Happened, ...]
    own: tuple[Happened, ...]
    wrong: tuple[str, ...]
    numbers: tuple[Number, ...]
    notes: tuple[Note, ...]
    heading: str = HEADING
    caution: str = CAUTION


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """What is read off the disk for a sheet.

    Args:
        dark: facts of the kind `not-known` of the shift.
        passed: when trains came into the sections whose resets wait (`lists.came`).
        records: the monitor's own records of the shift, and the last ones of settings and line file before it; oldest first.
        texts: settings as they were in force, by digest.
        counted: what this shift has brought (`count`), then what each like one had.
        wrong: why the monitor cannot do its work now.
    """

    dark: tuple[Fact, ...] = ()
    passed: Mapping[str, Sequence[Moment]] | None = None
    records: tuple[MonitorRecord, ...] = ()
    texts: Mapping[str, str] | None = None
    counted: tuple[Counted, ...] = ()
    wrong: tuple[str, ...] = ()


def sections_of(line: Line, position: Position) -> tuple[str, ...]:
    """The sections that a position looks after, in the order of its areas.

    Raises:
        KeyError: one of its areas is not in the line file.
    """
    if not position.areas:
        return tuple(line.sections)
    return tuple(name for area in position.areas for name in of_area(line, area))


def subjects_of(engine: Engine, position: Position) -> frozenset[str]:
    """All that a position looks after, as subjects; the monitor itself is everybody's.

    Raises:
        KeyError: one of its areas is not in the line file.
    """
    found = about(engine, sections_of(engine.line, position))
    return frozenset((*found, f"monitor/{engine.monitor}"))


def make(
    engine: Engine,
    handling: Handling,
    desk: Desk,
    shift: Shift,
    *,
    now: Moment,
    read: Read,
) -> Sheet:
    """The sheet of a desk as it is now.

    Args:
        engine: what is concluded.
        handling: what people did.
        desk: as it stands.
        shift: the one that goes on.
        now: when.
        read: what is read off the disk.
    """
    sections = sections_of(engine.line, desk.position)
    subjects = subjects_of(engine, desk.position)
    part = Part(begin=shift.begin, end=now)
    who_goes, who_comes = both_names(desk, now)
    kept = [*handling.shelved(now), *handling.switched_off()]
    return Sheet(
        position=desk.position,
        shift=shift,
        made=now,
        who_goes=who_goes,
        who_comes=who_comes,
        faults=tuple(_open_faults(handling, subjects, now)),
        resets=resets_waiting(engine, now, sections=sections, passed=read.passed),
        standing=before_first_train(engine, handling, now, sections=sections),
        work=_work(engine, sections, now),
        kept_quiet=tuple(act for act in kept if act.subject in subjects),
        not_known=tuple(_not_known(engine, sections, part)),
        longest=longest_dark(read.dark, part, sections),
        changed=tuple(_changed(handling, subjects, part, read)),
        own=tuple(own_faults(read.records, part)),
        wrong=read.wrong,
        numbers=beside(read.counted),
        notes=desk.notes,
    )


def both_names(desk: Desk, now: Moment) -> tuple[str, str]:
    """Who goes and who comes, as far as that is known."""
    taken = desk.since
    if desk.held is Held.HANDED_OVER:
        return desk.who, desk.to
    if desk.before and taken is not None and now - taken <= JUST_TAKEN:
        return desk.before, desk.who
    return desk.who, ""


def _open_faults(
    handling: Handling, subjects: frozenset[str], now: Moment
) -> Iterator[OpenFault]:
    for fault in (*handling.open_faults(), *handling.over_not_seen(now)):
        if subjects.isdisjoint((fault.subject, *fault.subjects)):
            continue
        attended = handling.attended(fault.id)
        yield OpenFault(
            fault=fault,
            seen=handling.is_seen(fault.id),
            going=attended.going,
            on_site=attended.on_site,
            notes=tuple(text for _, _, text in attended.notes),
        )


def _work(engine: Engine, sections: Sequence[str], now: Moment) -> tuple[Work, ...]:
    found: dict[tuple[Moment, str, Moment | None], list[str]] = {}
    for name in sections:
        for event in engine.occupancy.sections[name].work.values():
            key = event.time, event.reference or "", event.planned_end
            found.setdefault(key, []).append(name)
    return tuple(
        Work(
            reference=reference,
            sections=tuple(on),
            began=began,
            planned_end=planned_end,
            over=planned_end is not None and planned_end < now,
        )
        for (began, reference, planned_end), on in sorted(
            found.items(), key=lambda one: (one[0][0], one[0][1])
        )
    )


def _not_known(engine: Engine, sections: Sequence[str], part: Part) -> Iterator[Dark]:
    for name in sections:
        settled = engine.occupancy.sections[name]
        if settled.reasons:
            since = part.begin if settled.since is None else settled.since
            yield Dark(
                section=name,
                why=", ".join(sorted(settled.reasons)),
                began=settled.since,
                ended=None,
                lasted=max(0, part.end - max(since, part.begin)),
            )


def longest_dark(
    facts: Iterable[Fact], part: Part, sections: Iterable[str]
) -> Dark | None:
    """The spell not known that took the most of the shift, the earliest of several; None where there was none."""
    mine = {f"section/{name}" for name in sections}
    spells = [fact for fact in facts if fact.subject in mine and _clipped(fact, part)]
    if not spells:
        return None
    fact = min(spells, key=lambda one: (-_clipped(one, part), one.began, one.subject))
    return Dark(
        section=fact.subject.removeprefix("section/"),
        why=str(fact.values.get("why", "")),
        began=fact.began,
        ended=fact.ended,
        lasted=_clipped(fact, part),
    )


# What changed, and the monitor's own faults.


def _changed(
    handling: Handling, subjects: frozenset[str], part: Part, read: Read
) -> Iterator[Happened]:
    found = list(settings_changed(read.records, part, read.texts or {}))
    for act in handling.acts(part.begin, part.end):
        if act.what in {"switched_off", "switched_on"} and act.subject in subjects:
            how = act.what.replace("_", " ")
            why = f": {act.text}" if act.text else ""
            text = f"{act.kind} at {act.subject} {how} by {act.by}{why}"
            found.append(Happened(at=act.at, ended=None, text=text))
    yield from sorted(found, key=lambda one: one.at)


def settings_changed(
    records: Iterable[MonitorRecord], part: Part, texts: Mapping[str, str]
) -> Iterator[Happened]:
    """Other settings, or another line file, than were in force before.

    Args:
        records: of settings and line file, also the last ones before; others are passed over.
        part: of the shift.
        texts: the settings themselves, by digest, as far as they are at hand.
    """
    known = list(records)
    for kind, what in (
        (RecordKind.SETTINGS, "other settings"),
        (RecordKind.LINE, "another line file"),
    ):
        of_kind = [record for record in known if record.kind is kind]
        for before, after in pairwise(of_kind):
            was, now = str(before.values["digest"]), str(after.values["digest"])
            if was != now and part.holds(after.time):
                how = ""
                if kind is RecordKind.SETTINGS and was in texts and now in texts:
                    how = "; ".join(differences(texts[was], texts[now]))
                text = f"{what} in force{f': {how}' if how else ''}"
                yield Happened(at=after.time, ended=None, text=text)


def differences(before: str, after: str) -> tuple[str, ...]:
    """Which settings differ between two texts of JSON, each with both values.

    Example:
        >>> differences('{"log": {"level": "info"}}', '{"log": {"level": "debug"}}')
        ('log.level was "info", is "debug"',)
    """
    old, new = dict(_flat(json.loads(before))), dict(_flat(json.loads(after)))
    return tuple(
        f"{name} was {_shown(old, name)}, is {_shown(new, name)}"
        for name in sorted(old.keys() | new.keys())
        if old.get(name) != new.get(name)
    )


def _flat(value: Any, name: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(value, dict) and (value or not name):
        for key, inner in value.items():
            yield from _flat(inner, f"{name}.{key}" if name else str(key))
    else:
        yield name, json.dumps(value, ensure_ascii=False)


def _shown(values: Mapping[str, str], name: str) -> str:
    return values.get(name, "not set")


def own_faults(records: Iterable[MonitorRecord], part: Part) -> Iterator[Happened]:
    """When the monitor was started, without a connection, or took a clock to be wrong, within *part* of a shift."""
    lost: MonitorRecord | None = None
    for record in records:
        match record.kind:
            case RecordKind.STARTED if part.holds(record.time):
                text = f"monitor started, version {record.values.get('version', '')}"
                yield Happened(at=record.time, ended=None, text=text)
            case RecordKind.DISCONNECTED:
                lost = record
            case RecordKind.CONNECTED if lost is not None:
                if record.time >= part.begin:
                    yield _without(lost, record.time)
                lost = None
            case RecordKind.CLOCK if part.holds(record.time):
                by = offset(round(float(record.values["correction_s"]) * 1_000_000))
                text = f"times of {record.values['source']} corrected by {by}"
                yield Happened(at=record.time, ended=None, text=text)
    if lost is not None:
        yield _without(lost, None)


def _without(lost: MonitorRecord, ended: Moment | None) -> Happened:
    why = str(lost.values.get("why", ""))
    text = f"no connection to the broker{f': {why}' if why else ''}"
    return Happened(at=lost.time, ended=ended, text=text)


# As a sheet of paper.


def print_sheet(sheet: Sheet, line: Line) -> str:
    """The sheet as plain text."""
    zone, now = line.zone, sheet.made

    def when(moment: Moment) -> str:
        return to_the_minute(moment, zone, now)

    made = f"{as_datetime(now).astimezone(zone):%Y-%m-%d} {to_the_minute(now, zone)}"
    areas = names(sheet.position.areas) or "all areas"
    blocks: list[tuple[str, list[str]]] = [
        (f"Handover: {sheet.position.name}, {areas}", [
            f"{line.name}, shift {sheet.shift.words(zone)}, made {made} {line.timezone}",
            f"Goes: {sheet.who_goes or '________'}    Comes: {sheet.who_comes or '________'}",
        ]),
        ("Open faults and who goes", [_fault_row(one, when) for one in sheet.faults]),
        ("Resets waiting for a train", print_resets_rows(sheet.resets, line, now)),
        (
            f"Before the first train\n{sheet.heading}",
            print_standing_rows(sheet.standing, line, now),
        ),
        ("Work not ended", [_work_row(one, when) for one in sheet.work]),
        ("Shelved and switched off", [_quiet_row(one, when) for one in sheet.kept_quiet]),
        ("Not known", _dark_rows(sheet, when)),
        ("Settings changed", [_happened_row(one, when) for one in sheet.changed]),
        (
            "The monitor itself",
            [*sheet.wrong, *(_happened_row(one, when) for one in sheet.own)],
        ),
        ("Numbers of this shift, beside like ones", [_number_row(one) for one in sheet.numbers]),
        (
            "Notes carried on",
            [f"{when(one.at)} {one.by}: {on_one_line(one.text)}" for one in sheet.notes],
        ),
    ]  # fmt: skip
    text = [folded(row) for title, rows in blocks for row in (title, *(rows or ["none"]), "")]  # fmt: skip
    return "\n".join([*text, folded(sheet.caution)]) + "\n"


def _fault_row(one: OpenFault, when: Any) -> str:
    fault = one.fault
    there = [f"on site {names(one.on_site)}"] if one.on_site else []
    going = [f"going {names(one.going)}"] if one.going else []
    who = ", ".join([*there, *going]) or "nobody goes"
    row = f"{fault.number} {fault.priority}: {fault.headline}, since {when(fault.began)}; {who}"
    if fault.ended is not None and not fault.lasting:
        row += f"; over since {when(fault.ended)}"
    if not one.seen:
        row += "; NOT SEEN"
    return "\n".join([row, *(f"  note: {on_one_line(text)}" for text in one.notes)])


def _work_row(one: Work, when: Any) -> str:
    row = f"{one.reference or 'work'}: {names(one.sections)}, since {when(one.began)}"
    if one.planned_end is None:
        return row
    return f"{row}, planned end {when(one.planned_end)}{' (past)' if one.over else ''}"


def _quiet_row(act: Act, when: Any) -> str:
    how = "switched off here" if act.what == "switched_off" else "shelved"
    row = f"{act.subject.removeprefix('section/')} {act.kind}: {how} by {act.by}"
    if act.until is not None:
        row += f" until {when(act.until)}"
    return f"{row}: {on_one_line(act.text)}"


def _dark_rows(sheet: Sheet, when: Any) -> list[str]:
    together: dict[tuple[str, Moment | None], list[str]] = {}
    for one in sheet.not_known:
        together.setdefault((one.why, one.began), []).append(one.section)
    rows = [
        f"now {names(sections)}: {why}"
        f"{'' if began is None else f', since {when(began)}'}"
        for (why, began), sections in together.items()
    ]
    longest = sheet.longest
    if longest is not None:
        rows.append(
            f"longest in the shift {longest.section}, {span(longest.lasted)}"
            f"{f': {longest.why}' if longest.why else ''}"
        )
    return rows


def _happened_row(one: Happened, when: Any) -> str:
    to = "" if one.ended is None else f" to {when(one.ended)}"
    return f"{when(one.at)}{to}: {on_one_line(one.text)}"


def _number_row(one: Number) -> str:
    usual = "nothing to compare with yet"
    if one.usual is not None:
        shifts = "1 like shift" if one.of == 1 else f"{one.of} like shifts"
        usual = f"usually {one.usual:g}, median of {shifts}"
    return f"{one.words}: {one.count} ({usual})"
