"""What is handed on after an incident: the records of a window as they stand in the journal, proof that they stand there, and what was concluded and shown.

| file | holds |
|---|---|
| `README.txt` | what this is, and how it is checked |
| `pack.json` | what was asked for, what was in force, the chain, what was left out |
| `records.jsonl.gz` | the records in their order, and the digests of those left out |
| `line.toml`, `settings.json` | what was in force; numbered where several were |
| `alerts.jsonl`, `faults.jsonl`, `calls.jsonl` | what is concluded from the journal with that, in the window and of what was open when it began |
| `told.jsonl` | what the monitor had in its store of that, and where it was sent |
| `shown.jsonl` | what pages had painted, and what stood on them when the window began |
| `report.html` | the incident report, where whoever calls adds it |

The same journal, store and question give the same bytes.
Secrets never go in; with roles in place of names a record in which one stands is changed, and named as that.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from monitor.acts import acts
from monitor.core.alerts import Alert, line as alert_line
from monitor.core.events import (
    AnyEvent,
    EvaluatorState,
    GatewayStatus,
    HeadLevel,
    HeadPassage,
    MonitorRecord,
    RecordKind,
    SectionReset,
    SectionState,
    SectionWork,
    by_people,
)
from monitor.core.faults import Call, Fault, call_line, fault_line
from monitor.core.layout import Line
from monitor.core.moments import DAY, Moment, exact, stamp
from monitor.core.wire import read, write
from monitor.core.words import CAUTION
from monitor.journal import LEAD_OUT, Journal, Raw, Root
from monitor.packing import PackFault
from monitor.past import Past, Through
from monitor.placed import placed
from monitor.shown import Shown, shown_in
from monitor.standing import STOOD, closings, fault_stood, painted_before, stood
from monitor.store import Store
from monitor.withheld import Withheld, names_in

FORM = 1
"""Of the files together; another is refused rather than guessed at."""

ABOUT = "pack.json"
RECORDS = "records.jsonl.gz"

_PLACES: dict[type, str] = {
    SectionState: "section",
    SectionReset: "section",
    SectionWork: "section",
    HeadPassage: "head",
    HeadLevel: "head",
    EvaluatorState: "evaluator",
    GatewayStatus: "gateway",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked for.

    Args:
        begin: from when.
        end: up to when.
        sections: which are spoken of, with those beside them; none: all.
        roles: of people, by name, to stand in place of names; None: names stay.
        roots: digests of days that were kept elsewhere.
        version: of this monitor.
    """

    begin: Moment
    end: Moment
    sections: tuple[str, ...] = ()
    roles: Mapping[str, str] | None = None
    roots: tuple[str, ...] = ()
    version: str = ""


@dataclass(slots=True)
class _Counted:
    """What went into the file of records."""

    shown: int = 0
    left_out: int = 0
    after: int = 0
    withheld: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reach:
    """From where to where the chain goes: the records of the window, and on to the root of their last day."""

    first: int
    last: int
    end: int
    roots: tuple[Root, ...]


@dataclass(slots=True)
class _Concluded:
    """What is concluded now: of the window, and of what was open when it began.

    Args:
        begin: of the window.
        end: of it.
        stood: ids of the alerts that were open when it began, and when each was raised; known once it is settled.
        before: ids of the faults that were, and of those they had taken in.
        faults: ids of all faults that are spoken of.
    """

    begin: Moment
    end: Moment
    stood: dict[str, Moment] = field(default_factory=dict)
    before: frozenset[str] = frozenset()
    faults: dict[str, Fault] = field(default_factory=dict)
    _last: dict[str, Alert] = field(default_factory=dict)
    _alerts: list[tuple[Alert, str]] = field(default_factory=list)
    _faults: list[tuple[Fault, str]] = field(default_factory=list)
    _calls: list[tuple[Call, str]] = field(default_factory=list)

    def alert(self, alert: Alert, text: str) -> None:
        """A line of an alert."""
        self._last[alert.id] = alert
        self._alerts.append((alert, text))

    def fault(self, fault: Fault, text: str) -> None:
        """A line of a fault."""
        self.faults[fault.id] = fault
        self._faults.append((fault, text))

    def call(self, call: Call, text: str) -> None:
        """A call for a fault that is spoken of."""
        self._calls.append((call, text))

    def settle(self, closed: Mapping[str, Moment]) -> None:
        """All has been said; *closed*: when people closed alerts."""
        self.stood = {
            name: one.raised
            for name, one in self._last.items()
            if stood(one, self.begin, closed)
        }
        open_then = [
            one
            for one in self.faults.values()
            if fault_stood(one, self.begin, closed)
            or (one.into is None and set(one.alerts) & set(self.stood))
        ]
        self.before = frozenset(
            name for one in open_then for name in (one.id, *one.took)
        )

    def raised_in(self) -> Iterator[str]:
        """The lines of the alerts raised in the window."""
        return (text for one, text in self._alerts if self._within(one.raised))

    def files(self) -> dict[str, list[str]]:
        """The lines, by the file they go into."""
        return {
            "alerts.jsonl": [
                text
                for one, text in self._alerts
                if self._within(one.raised) or one.id in self.stood
            ],
            "faults.jsonl": [
                text
                for one, text in self._faults
                if self._within(one.raised) or one.id in self.before
            ],
            "calls.jsonl": [
                text
                for one, text in self._calls
                if self._within(one.at)
                or (one.at < self.begin and one.fault in self.before)
            ],
        }

    def _within(self, at: Moment) -> bool:
        return self.begin <= at <= self.end


class Evidence:
    """The files of one window.

    Args:
        asked: what is asked for.
        past: the window of the journal.
        store: what people were told, where it is at hand.
        through: what the events are handed through on their way.
    """

    def __init__(
        self, asked: Asked, past: Past, store: Store | None, through: Through = iter
    ) -> None:
        self._asked, self._past, self._store = asked, past, store
        self._through = through
        self._journal = past.journal
        self._line = past.runs[-1].line
        self._wanted = _wanted(self._line, asked.sections)
        if self._journal.format == 1:
            raise PackFault(
                "the journal was begun by an earlier version: its chain can only be "
                "followed with every record whole"
            )
        self._reach = _reach(self._journal, asked)
        self.withheld = Withheld(asked.roles, self._names())
        self._settings_at = {
            int(record.values["text_at"])
            for _, record in self._journal.placed([RecordKind.SETTINGS])
        }

    def files(
        self, scratch: Path, more: Mapping[str, bytes] | None = None
    ) -> dict[str, bytes | Path]:
        """The files by name, in order.

        Args:
            scratch: a directory for what is too large to be held.
            more: further files.

        Raises:
            PackFault: a root that was kept elsewhere is of no day in it.
            PastFault, LineFault: it cannot be concluded from again.
        """
        counted = _Counted()
        self._write_records(scratch / RECORDS, counted)
        texts, in_force = self._texts()
        concluded = self._concluded
        told = self._told()
        about = self._about(counted, in_force, None if told is None else told[1])
        return {
            "README.txt": _readme(about).encode(),
            ABOUT: _json(about, indent=1).encode() + b"\n",
            RECORDS: scratch / RECORDS,
            **texts,
            **{name: _lines(lines) for name, lines in concluded.files().items()},
            **({} if told is None else {"told.jsonl": _lines(told[0])}),
            "shown.jsonl": _lines(self._shown()),
            **(more or {}),
        }

    # Records.

    def _names(self) -> Iterator[str]:
        """The people named in the window, in that order, and those named before it."""
        for one in self._journal.raw(self._reach.first, self._reach.last):
            if one.row[2] is None:
                yield from names_in(one.row[5])
        for payload in self._journal.kept(self._reach.last):
            yield from names_in(payload)

    def _write_records(self, path: Path, counted: _Counted) -> None:
        reach = self._reach
        with (
            path.open("wb") as file,
            gzip.GzipFile(
                filename="", mode="wb", compresslevel=6, fileobj=file, mtime=0
            ) as packed,
        ):
            for one in self._journal.raw(reach.first, reach.end):
                told = self._record(one, counted)
                packed.write(_json(told).encode() + b"\n")

    def _record(self, one: Raw, counted: _Counted) -> dict[str, Any]:
        short = {"position": one.position, "itself": one.itself.hex()}
        if one.position > self._reach.last:
            counted.after += 1
            return short
        if not self._is_wanted(one):
            counted.left_out += 1
            return short
        counted.shown += 1
        given = self._given(one)
        whole = as_told(one)
        if given != whole:
            counted.withheld.append(one.position)
            given |= {"withheld": True}
        else:
            given |= {"blind": one.blind.hex()}
        return {**short, "digest": one.digest.hex(), **given}

    def _given(self, one: Raw) -> dict[str, Any]:
        payload = one.row[5]
        settings = one.position in self._settings_at
        changed = (
            self.withheld.settings(payload)
            if settings
            else self.withheld.payload(payload)
        )
        rest = as_told(one)
        del rest["payload"]
        return {**self.withheld.value(rest), "payload": _payload(changed)}

    def _is_wanted(self, one: Raw) -> bool:
        if self._wanted is None or one.row[2] is None or one.rejections:
            return True
        reading = read(one.row[5], recorded=True, rehearsal=True)
        return any(map(self.speaks, reading.events))

    @property
    def wanted(self) -> frozenset[str] | None:
        """All that is spoken of, as alerts name it; None: everything."""
        return self._wanted

    def speaks(self, event: AnyEvent) -> bool:
        """Whether *event* is about what is spoken of, or is the monitor's own or a person's."""
        return (
            self._wanted is None
            or place_of(event) in self._wanted
            or by_people(event.source)
            or isinstance(event, MonitorRecord)
        )

    # What was in force.

    def _texts(self) -> tuple[dict[str, bytes], list[dict[str, Any]]]:
        files: dict[str, bytes] = {}
        told = []
        of = self._past.in_force
        lines = {one.line_digest: one.line_at for one in of}
        settings = {one.settings_digest: one.settings_at for one in of}
        for one in of:
            line = _numbered("line", ".toml", one.line_digest, lines)
            tables = _numbered("settings", ".json", one.settings_digest, settings)
            raw = self._journal.payload(one.line_at)
            text = self.withheld.text(raw.decode("utf-8", "surrogateescape"))
            files[line] = text.encode("utf-8", "surrogateescape")
            before = self._journal.payload(one.settings_at)
            files[tables] = self.withheld.settings(before)
            told.append(
                {
                    "position": one.position,
                    "at": exact(one.at),
                    "monitor": one.monitor,
                    "version": one.version,
                    "line": line,
                    "line_digest": one.line_digest,
                    "line_whole": files[line] == raw,
                    "settings": tables,
                    "settings_digest": one.settings_digest,
                    "settings_whole": files[tables] == before,
                }
            )
        return files, told

    # What was concluded and told.

    @cached_property
    def closed(self) -> dict[str, Moment]:
        """When people closed alerts that only a person ends, as far as that may be about the window."""
        since = self._past.begin - STOOD
        if self._store is not None:
            opened = (raised for _, raised in self._store.open_at(self._past.begin))
            since = min(since, next(opened, since))
        return closings(acts(self._journal.kept(since=since)))

    @cached_property
    def _concluded(self) -> _Concluded:
        found = _Concluded(self._past.begin, self._past.end)
        for output in self._past.outputs(through=self._through):
            for alert in output.alerts:
                if self._speaks_of(alert.subject, *alert.affected):
                    found.alert(alert, self._without_names(alert_line(alert)))
            for fault in output.faults:
                if self._speaks_of(*fault.subjects):
                    found.fault(fault, self._without_names(fault_line(fault)))
            for call in output.calls:
                if call.fault in found.faults:
                    found.call(call, self._without_names(call_line(call)))
        found.settle(self.closed)
        return found

    def _without_names(self, text: str) -> str:
        return self.withheld.payload(text.encode()).decode()

    def _speaks_of(self, *subjects: str) -> bool:
        """Whether something is about what is asked for."""
        return self._wanted is None or any(one in self._wanted for one in subjects)

    def _told(self) -> tuple[list[str], list[str]] | None:
        """What the store has of the window and of what was open when it began, and the ids of alerts raised in it of which it says otherwise than what is concluded now; None where there is no store."""
        if self._store is None:
            return None
        begin, end = self._asked.begin, self._asked.end
        lines = []
        played = self._journal.played
        stood = self._stood_by(self._store)
        faults = {*self._concluded.before}
        opened = (one.raised for one in self._concluded.faults.values())
        since = min([begin, *stood.values(), *opened])
        for one in placed(
            self._store,
            since,
            end,
            played=played,
            came=self._past.came() if played else None,
        ):
            item, told = one.item, json.loads(one.item.body)
            if item.what == "fault" and set(told["alerts"]) & set(stood):
                faults.add(item.about)
            before = one.at < begin
            if before and item.about not in {*stood, *faults}:
                continue
            if not (
                self._speaks_of(*_subjects(told))
                or item.about in self._concluded.faults
            ):
                continue
            row = {
                **({"before": True} if before else {}),
                "put": exact(one.at),
                **({"wall_clock": exact(item.put)} if played else {}),
                "what": item.what,
                "told": told,
                "sent": [
                    {"channel": channel, "state": state, "at": exact(at)}
                    for channel, state, at in self._store.became_of(item)
                    if played or at <= end  # then by the wall clock too
                ],
            }
            lines.append(_json(self.withheld.value(row)))
        stored = {
            self._without_names(text)
            for text in self._store.raised_between(begin, end)
            if self._speaks_of(*_subjects(json.loads(text)))
        }
        # The store knows what came after the window too: how an alert ended later.
        here = {text: _id(text) for text in self._concluded.raised_in()}
        odd = {name for text, name in here.items() if text not in stored}
        odd |= {_id(text) for text in stored} ^ set(here.values())
        return lines, sorted(odd)

    def _stood_by(self, store: Store) -> dict[str, Moment]:
        """The alerts that were open when the window began, by the store and by what is concluded now, and when each was raised."""
        begin = self._asked.begin
        of = dict(store.open_at(begin)) | self._concluded.stood
        return {
            name: raised
            for name, raised in of.items()
            if self.closed.get(name, begin) >= begin
        }

    def handed_on(self, events: Iterable[AnyEvent]) -> Iterator[AnyEvent]:
        """*events*, without names where those are left out."""
        for event in self._through(events):
            if self.withheld.leaves_names_out:
                payload = write(event)
                changed = self.withheld.payload(payload)
                if changed != payload:
                    yield from read(changed, recorded=True, rehearsal=True).events
                    continue
            yield event

    def shown(self) -> Iterator[Shown]:
        """What stood on pages when the window began, and what they said within its records, without names where those are left out."""
        first, begin = self._reach.first, self._asked.begin
        before = shown_in(self._journal.kept(first - 1, since=begin - STOOD))
        for told in painted_before(before, begin, self._concluded.before):
            yield replace(told, by=self.withheld.text(told.by))
        for one in self._journal.raw(self._reach.first, self._reach.last):
            if one.row[2] is None:
                for told in shown_in([bytes(one.row[5])]):
                    yield replace(told, by=self.withheld.text(told.by))

    def _shown(self) -> Iterator[str]:
        for one in self.shown():
            row = {
                **({"before": True} if one.at < self._asked.begin else {}),
                "at": exact(one.at),
                "entered": exact(one.entered),
                "position": one.position,
                "page": one.page,
                "by": one.by,
                "visible": one.visible,
                "sound": one.sound,
                "stale": None if one.stale is None else exact(one.stale),
                **({"left": True} if one.left else {}),
                "faults": [
                    {
                        "fault": fault.fault,
                        "headline": fault.headline,
                        "priority": fault.priority,
                        **(
                            {}
                            if fault.alerts is None
                            else {"alerts": list(fault.alerts)}
                        ),
                    }
                    for fault in one.faults
                ],
            }
            yield _json(self.withheld.value(row))

    # About it.

    def _about(
        self,
        counted: _Counted,
        in_force: list[dict[str, Any]],
        differ: list[str] | None,
    ) -> dict[str, Any]:
        reach, asked = self._reach, self._asked
        last = self._journal.digest_at(reach.end) if reach.end else b""
        return {
            "form": FORM,
            "from": exact(asked.begin),
            "to": exact(asked.end),
            "sections": list(asked.sections),
            "roles": asked.roles is not None,
            "made_by": asked.version,
            "played": self._journal.played,
            "chain": {
                "before": self._journal.digest_at(reach.first - 1).hex(),
                "first": reach.first,
                "last": reach.last,
                "end": reach.end,
                "digest": last.hex(),
                "roots": [
                    {
                        "day": stamp(one.day)[:10],
                        "position": one.position,
                        "digest": one.digest,
                    }
                    for one in reach.roots
                ],
                "kept_elsewhere": list(asked.roots),
            },
            "records": {
                "shown": counted.shown,
                "left_out": counted.left_out,
                "after": counted.after,
                "withheld": counted.withheld,
            },
            "concluded_since": exact(self._past.lead_in),
            "in_force": in_force,
            "alerts_otherwise_in_store": differ,
            "caution": CAUTION,
        }


def as_told(one: Raw) -> dict[str, Any]:
    """A record as it stands in the file of records, nothing changed."""
    arrival, topic, retained, recorded, payload = one.row[1:]
    return {
        "arrival": arrival,
        "topic": topic,
        "retained": retained,
        "recorded": recorded,
        "events": [list(row[1:]) for row in one.events],
        "rejections": [list(row[1:]) for row in one.rejections],
        "payload": _payload(payload),
    }


def _payload(payload: bytes) -> str | dict[str, str]:
    """As text, or in base64 what is none."""
    try:
        return bytes(payload).decode()
    except UnicodeDecodeError:
        return {"base64": base64.b64encode(payload).decode()}


def place_of(event: AnyEvent) -> str:
    """What an event is about, as alerts name it."""
    return f"{_PLACES.get(type(event), 'monitor')}/{event.subject}"


def _wanted(line: Line, sections: tuple[str, ...]) -> frozenset[str] | None:
    """All that is spoken of with *sections*: what lies beside them, and what all those depend on; None: everything.

    Raises:
        PackFault: the line file has no such section.
    """
    if not sections:
        return None
    for name in sections:
        if name not in line.sections:
            raise PackFault(f"there was no section {name} in {line.name}")
    near = {*sections, *(beside for one in sections for beside in line.neighbours(one))}
    found = {f"section/{name}" for name in near}
    for name in near:
        evaluator = line.evaluators[line.sections[name].evaluator]
        found |= {f"head/{head}" for head in line.heads_of(name)}
        found |= {f"evaluator/{evaluator.id}", f"gateway/{evaluator.gateway}"}
        found |= {f"site/{evaluator.site}", f"area/{line.sections[name].area}"}
    return frozenset(found)


def _reach(journal: Journal, asked: Asked) -> _Reach:
    found = journal.arrived(asked.begin, asked.end + LEAD_OUT)
    if found is None:
        before = journal.arrived(0, asked.begin)
        last = before[1] if before is not None else 0
        first = last + 1
    else:
        first, last = found
    roots = tuple(journal.roots(min(first, max(last, 1)), last)) if last else ()
    for digest in asked.roots:
        if digest not in {one.digest for one in roots}:
            raise PackFault(
                f"no day of the window ends with {digest}: this is not the journal of "
                "which that root was kept, it was changed, or the day is another"
            )
    end = roots[-1].position if roots and roots[-1].position >= last else last
    return _Reach(first=first, last=last, end=end, roots=roots)


def _numbered(stem: str, suffix: str, digest: str, of: Mapping[str, int]) -> str:
    if len(of) == 1:
        return f"{stem}{suffix}"
    return f"{stem}-{list(of).index(digest) + 1}{suffix}"


def _subjects(told: Mapping[str, Any]) -> list[str]:
    return [
        *([told["subject"]] if "subject" in told else []),
        *told.get("affected", ()),
        *told.get("subjects", ()),
    ]


def _id(text: str) -> str:
    return str(json.loads(text)["id"])


def _json(value: Any, indent: int | None = None) -> str:
    separators = None if indent else (",", ":")
    return json.dumps(value, ensure_ascii=False, indent=indent, separators=separators)


def _lines(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode()


_PLAYED = """\
A REHEARSAL: what stands here was played, not so; what the monitor did itself, it did by the time of day at which it was played.

"""

_README = """\
What an axle counter monitor wrote down from {begin} to {end}.

{caution}

To check it, with nothing else at hand:

    tallywatch verify pack.zip
    sha256sum -c SHA256SUMS        (the files alone)

records.jsonl.gz holds {shown} records of the journal, of which {withheld} are changed so that no secret and no name stands in them, and the digests of {others} others.
The digest of a record ("digest") is the SHA-256 of the one before it and of that of the record alone ("itself"), which is the SHA-256 of its "blind" and its columns.
A record that is changed or left out keeps its "blind" to itself, so that nobody can test a guess of what stood there.
{roots}
The chain has no key of anybody else's: whoever holds a journal can make another one, with other roots.
It proves as much as the root that somebody kept that day, out of the log of the monitor: tallywatch verify pack.zip --root DIGEST.

line.toml and settings.json are what was in force, as the journal has them; pack.json says since when, and which version it was.
alerts.jsonl, faults.jsonl and calls.jsonl are concluded from the journal with those, by version {version}: what was raised from then to then, and what had been raised since {since} and was open when it began.
told.jsonl is what the store of the monitor had, with when ("put"; in a rehearsal with the event that brought it, beside the time of day, "wall_clock"), and where it was sent; it may be missing.
shown.jsonl is what pages said they had painted; whether anybody looked is not known.
Where a line of told.jsonl or shown.jsonl says "before", it is from before the window: of what was open when it began, and of what stood on each page then, as far as that was painted within {stood_d} days.
report.html shows all of that, of the sections that are spoken of; it opens with no network.
What is concluded, told and shown stands outside the chain, but for the records it comes from.
"""


def _readme(about: Mapping[str, Any]) -> str:
    chain, records = about["chain"], about["records"]
    roots = [
        f"With record {one['position']} the day {one['day']} ends; its root is {one['digest']}."
        for one in chain["roots"]
    ]
    if chain["end"] and chain["end"] not in {one["position"] for one in chain["roots"]}:
        roots.append(
            f"The last day had not ended; the chain ends with record {chain['end']} and "
            f"the digest {chain['digest']}."
        )
    kept = ", ".join(chain["kept_elsewhere"])
    roots.append(
        f"It was checked against roots that were kept elsewhere: {kept}."
        if kept
        else "It was checked against no root that was kept elsewhere."
    )
    return (_PLAYED if about["played"] else "") + _README.format(
        begin=about["from"],
        end=about["to"],
        caution=about["caution"],
        shown=records["shown"],
        withheld=len(records["withheld"]),
        others=records["left_out"] + records["after"],
        roots="\n".join(roots),
        version=about["made_by"],
        since=about["concluded_since"],
        stood_d=STOOD // DAY,
    )
