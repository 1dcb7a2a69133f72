"""Days as tables that a signaller can read: the line in a few words, what happens, and what must be raised.

A file begins with a title and a story; then come three parts, each under its heading.
What stands behind `#` is a remark.

`LINE`

| words | meaning |
|---|---|
| `open T101 T102 T103 open` | sections in a row, with a head between each two; `open`: no detection beyond |
| `T102 T201 open` | a leg that leaves T102: points |
| `head H204 T203 T104` | one more head, where two ways meet |
| `evaluator EV2 T103 T104` | keeps these tallies; all others are EV1's |
| `gateway GW1 EV1 EV2` | speaks for these evaluators, as source `gw/1`; else EV2 has GW2 |
| `supply PS1 EV1`, `site Hut EV1`, `area west T101` | what else they share |
| `unit TU1 H102`, `cable C2 H102 H103` | what the heads hang on |
| `normal T102 7200` | longest occupation in seconds that is normal there |
| `limits a_volts 2.0 4.5` | what a measured value may be |

The head on the way into T102 is H102; the one at an open end behind T103 is H104.
`T101..T140` stands for forty names, here and in the tables.

`WHAT HAPPENS`

| words | meaning |
|---|---|
| `on 2026-05-04` | the day from here on; a time may also be `2026-05-05T06:00` |
| `time T101 T102` | columns of the rows that follow |
| `06:00:00 occupied .` | T101 becomes occupied, T102 shows what it did; `occupied/40` with its tally |
| `06:00:00 T101 reset accepted` | a step of a reset, `unconditional` unless it says otherwise |
| `06:00:00 T101 work begun W7` | planned work |
| `06:00:00 T101 clear contacts up/up interlocking occupied` | a state with its contacts (clear/occupied) and what the interlocking has |
| `06:00:00 T101 disturbed for 4 s` | and clear again then |
| `06:00:00 H102 forward 40 a 40 b 39` | a train of 40 axles past a head, and what each sensor saw |
| `06:00:00 H102 a_volts 3.40` | a measured value |
| `06:00:00 EV1 locked_out`, `GW1 online`, `gw/1 out` | evaluator, gateway, a source taken out of watch; `GW1 online 21600` where it says so every six hours and not every half minute |
| `06:00:00 train T101 T102 T103, 60 s each` | enters one section after the other every minute, and leaves each 10 s after entering the next; `train of 40 axles` is counted at each head it passes as well, `but 39 at H103` |
| `every 30 s from 06:00 to 07:00 GW1 online` | again and again; `a_volts 3.40 by -0.10` is less by as much each time |
| `06:00:00 one by one every 15 s T101 T106 T111 disturbed` | each so much later than the one before |
| `06:30:00 retained T101 T102` | the broker repeats what these said last |
| `numbered` | each source counts what it sends |
| `clock of gw/2 is 3600 s ahead` | or behind |
| `until 08:00:00` | nothing more comes, and it is looked at as far as this; else ten minutes |

A row or line may end in `lost` (sent, and never came), `twice` (came again a second later), `arrives 06:00:02`, `retained` (the broker kept it), `entered desk/1` (by a person), `number 0` (where the source begins to count again).

`WHAT IS RAISED`, with `nothing`, or a row for each alert as it stands at the end; under `WHAT IS RAISED, RECORD BY RECORD` a row for each line of the alert record.

`one by one every 15 s T101 T106 section-disturbed prompt 06:00:00 06:00:05 07:00:00` is a row for each, begun and raised so much later than the one before; `15 times every 600 s vanished-train section/T103 ...` likewise.
`vanished-train section/T103 urgent 06:05:00 06:05:02 open`: kind, subject, priority, began, raised, ended or `open`; then, where wanted, `in cable/C2` (the common cause that has it; without it there must be none), `quiet` (work keeps it so), `suspect head/H103`, and words in quotes that its sentence must hold.

A part `DISAGREES` says in a sentence why the engine does not do so yet.
"""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise, takewhile
from pathlib import Path
from typing import Any

from monitor.core.events import AnyEvent
from monitor.core.layout import OPEN, Line, read_line
from monitor.core.moments import (
    MINUTE,
    SECOND,
    Duration,
    Moment,
    parse,
    seconds,
    stamp,
)
from monitor.core.wire import read

TAIL: Duration = 10 * MINUTE
"""Quiet time looked at after the last event, where a day does not say."""

LAG: Duration = 3 * SECOND // 10
"""From an event to its arrival."""

BETWEEN: Duration = SECOND // 10
"""The second source is that much slower, the third twice as much, and so on."""

REAR: Duration = 10 * SECOND
"""From a train's entering a section to its leaving the one before."""

STATES = {
    "clear": "clear",
    "occupied": "occupied",
    "disturbed": "disturbed",
    "sweep": "awaiting_sweep",
    "acknowledge": "awaiting_acknowledgement",
}
"""The words of a table, and of the feed."""

PLAIN = {"area": "a", "evaluator": "EV1", "length_m": 800, "speed_km_h": 100}
"""A section of which nothing else is said."""

SHARED = {
    "evaluator": "sections",
    "area": "sections",
    "gateway": "evaluators",
    "supply": "evaluators",
    "site": "evaluators",
    "unit": "heads",
    "cable": "heads",
}
"""What may be shared, and by what."""

MEASURED = ("a_volts", "b_volts", "a_hertz", "b_hertz", "supply_volts")

Words = list[str]

_IS_SECTION = re.compile(r"T\d+").fullmatch


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """An alert, or a record of one, as a day expects it.

    Args:
        kind: of what kind.
        subject: about what.
        began: as the tables have times.
        row: kind, subject, priority, began, raised, ended, and what has it or keeps it quiet.
        words: what its sentence must hold.
        suspects: assets that must be among its suspects.
    """

    kind: str
    subject: str
    began: str
    row: str
    words: tuple[str, ...] = ()
    suspects: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A day, ready to be run.

    Args:
        title: in a few words.
        story: in a sentence or two.
        first: the date on which it begins.
        line: the line file.
        events: in order of arrival.
        until: how far it is looked at.
        raised: what must be raised, and nothing else.
        every_record: `raised` has a row for each line of the alert record.
    """

    title: str
    story: str
    first: str
    line: Line
    events: tuple[AnyEvent, ...]
    until: Moment
    raised: tuple[Raised, ...]
    every_record: bool


MANY = 1000
"""Days with more events than this take more than a quarter of a second."""

LONG = frozenset({"nothing-learnt-silence", "reset-unproved-by-night"})
"""The days with as many."""


@dataclass(frozen=True, slots=True)
class Days:
    """The days beside a file, each read when it is first asked for: so that running one takes no longer than it.

    Args:
        at: the directory they are in.
    """

    at: Path

    def __iter__(self) -> Iterator[str]:
        return iter(sorted(path.stem for path in self.at.glob("*.txt")))

    def __getitem__(self, name: str) -> Day:
        return _read_once(self.at / f"{name}.txt")

    def parts(self, name: str) -> dict[str, list[str]]:
        """What the file says, part by part, not yet understood."""
        return _parts((self.at / f"{name}.txt").read_text(encoding="utf-8"))

    def disagrees(self, name: str) -> str:
        """Why the engine does not do so yet, or nothing."""
        return " ".join(self.parts(name).get("DISAGREES", [])).strip()

    def by_arrival(self, name: str) -> bool:
        """Whether it matters when an event came: a clock is wrong, one is late, or a connection ended."""
        rows = self.parts(name)["WHAT HAPPENS"]
        words = {word for row in rows for word in shlex.split(row, comments=True)}
        return bool(words & {"offline", "arrives", "entered", "clock"})


@cache
def _read_once(path: Path) -> Day:
    return read_day(path)


def read_day(path: Path) -> Day:
    """The day in the file at *path*.

    Raises:
        ValueError: a line of it cannot be read; the message has the line.
    """
    parts = _parts(path.read_text(encoding="utf-8"))
    title, *story = parts[""]
    line = _line(title, parts["LINE"])
    feed = _Feed(line)
    for number, text in enumerate(parts["WHAT HAPPENS"], 1):
        words = shlex.split(text, comments=True)
        if words:
            try:
                feed.tell(words)
            except (KeyError, ValueError, IndexError) as error:
                raise ValueError(f"{path.name}: {number}: {text.strip()}") from error
    whole = "WHAT IS RAISED, RECORD BY RECORD"
    rows = parts.get(whole, parts.get("WHAT IS RAISED", []))
    expected = [shlex.split(row, comments=True) for row in rows]
    return Day(
        title=title,
        story=" ".join(story).strip(),
        first=feed.first,
        line=line,
        events=feed.events(),
        until=feed.until,
        raised=tuple(
            one
            for words in expected
            if words and words != ["nothing"]
            for one in _rows(words, feed.first)
        ),
        every_record=whole in parts,
    )


def _parts(text: str) -> dict[str, list[str]]:
    parts: dict[str, list[str]] = {"": []}
    name = ""
    for line in text.splitlines():
        if re.fullmatch(r"[A-Z][A-Z ,]+", line.strip()):
            name = line.strip()
            parts[name] = []
        elif line.strip():
            parts[name].append(line)
    return parts


def short(moment: Moment | None, first: str) -> str:
    """*moment* as the tables have it: the time, with the day where it is not the first one."""
    if moment is None:
        return "open"
    day, _, clock = stamp(moment).removesuffix("Z").partition("T")
    clock = clock.removesuffix(".000")
    return clock if day == first else f"{day}T{clock}"


def _moment(text: str, day: str) -> Moment:
    date, _, clock = text.rpartition("T")
    if clock.count(":") == 1:
        clock += ":00"
    return parse(f"{date or day}T{clock}Z")


def _rows(words: Words, first: str) -> Iterator[Raised]:
    """The rows that one line stands for."""
    match words:
        case [number, "times", "every", step, "s", *row]:
            for place in range(int(number)):
                yield _raised(row, first, place * seconds(float(step)))
        case ["one", "by", "one", "every", *_]:
            for later, name, (kind, *rest) in _one_by_one(words):
                yield _raised([kind, f"section/{name}", *rest], first, later)
        case _:
            yield _raised(words, first)


def _raised(words: Words, first: str, later: Duration = 0) -> Raised:
    kind, subject, priority, began, raised, ended, *more = words
    if ended != "open":
        ended = short(_moment(ended, first), first)
    times = [short(_moment(time, first) + later, first) for time in (began, raised)]
    row = " ".join((kind, subject, priority, *times, ended))
    said, suspects = [], []
    rest = iter(more)
    for word in rest:
        if word == "in":
            row += f" in {next(rest)}"
        elif word == "quiet":
            row += " quiet"
        elif word == "suspect":
            suspects.append(next(rest))
        else:
            said.append(word)
    return Raised(
        kind=kind,
        subject=subject,
        began=times[0],
        row=row,
        words=tuple(said),
        suspects=tuple(suspects),
    )


# The line.


def _names(words: Words) -> Words:
    """*words* with `T101..T103` written out."""
    out: Words = []
    for word in words:
        first, dots, last = word.partition("..")
        if not dots:
            out.append(word)
            continue
        letters = first.rstrip("0123456789")
        start, end = int(first[len(letters) :]), int(last[len(letters) :])
        out += [f"{letters}{number}" for number in range(start, end + 1)]
    return out


@dataclass(slots=True)
class _Parts:
    """What the words of `LINE` say, by id."""

    heads: dict[str, tuple[str, str]] = field(default_factory=dict)
    sections: dict[str, dict[str, Any]] = field(default_factory=dict)
    evaluators: dict[str, dict[str, Any]] = field(default_factory=dict)
    hung: dict[str, dict[str, Any]] = field(default_factory=dict)
    limits: dict[str, list[float]] = field(default_factory=dict)


def _line(title: str, rows: list[str]) -> Line:
    parts = _Parts()
    for row in rows:
        words = _names(shlex.split(row, comments=True))
        if words:
            _line_row(words, parts)
    text = ["[line]", f"name = {json.dumps(title)}", 'timezone = "UTC"']
    keepers = {one["evaluator"] for one in parts.sections.values()}
    for name in sorted(keepers | set(parts.evaluators)):
        number = name.lstrip("EV")
        told = {"site": f"Room {number}", "gateway": f"GW{number}"}
        told |= parts.evaluators.get(name, {})
        text += ["[[evaluator]]", *_table(name, told)]
    for name, told in parts.sections.items():
        text += ["[[section]]", *_table(name, told)]
    for name, between in parts.heads.items():
        told = {"between": [*between]} | parts.hung.get(name, {})
        text += ["[[head]]", *_table(name, told)]
    text += ["[limits]", *(f"{k} = {v}" for k, v in parts.limits.items())]
    return read_line("\n".join(text), "LINE")


def _table(name: str, told: dict[str, Any]) -> list[str]:
    return [f'id = "{name}"', *(f"{k} = {json.dumps(v)}" for k, v in told.items())]


def _line_row(words: Words, parts: _Parts) -> None:
    match words:
        case ["head", name, one, other]:
            _join(name, one, other, parts)
        case ["limits", name, low, high]:
            parts.limits[name] = [float(low), float(high)]
        case ["normal", section, longest]:
            parts.sections[section]["normal_occupation_s"] = float(longest)
        case [what, name, *others] if what in SHARED:
            _share(what, name, others, parts)
        case _:
            _way(words, parts)


def _share(what: str, name: str, others: Words, parts: _Parts) -> None:
    """*others* (sections, evaluators or heads) have *name* for their *what*."""
    of = {"sections": parts.sections, "evaluators": parts.evaluators}
    rows = of.get(SHARED[what], parts.hung)
    if what == "evaluator":
        parts.evaluators.setdefault(name, {})
    for other in others:
        rows.setdefault(other, {})[what] = name


def _way(words: Words, parts: _Parts) -> None:
    """Sections in a row."""
    for one, other in pairwise(words):
        _join(_head(one, other), one, other, parts)
    for section in words:
        if section != OPEN:
            parts.sections.setdefault(section, dict(PLAIN))


def _join(name: str, one: str, other: str, parts: _Parts) -> None:
    if name in parts.heads:
        raise ValueError(f"two heads are {name}")
    parts.heads[name] = (one, other)


def _head(one: str, other: str) -> str:
    """The head on the way from *one* into *other*."""
    if other == OPEN:
        return f"H{int(one.lstrip('T')) + 1}"
    return f"H{other.lstrip('T')}"


# The feed.


@dataclass(slots=True)
class _Feed:
    """Turns lines of a table into events."""

    line: Line
    first: str = ""
    day: str = ""
    columns: Words = field(default_factory=list)
    numbered: bool = False
    clocks: dict[str, Duration] = field(default_factory=dict)
    end: Moment | None = None
    _sent: list[tuple[Moment, dict[str, Any], dict[str, Any]]] = field(
        default_factory=list
    )

    # One line of the table.

    def tell(self, words: Words) -> None:
        """One more line of the table."""
        match words:
            case ["on", day]:
                self.day = day
                self.first = self.first or day
            case ["time", *columns]:
                self.columns = _names(columns)
            case ["numbered"]:
                self.numbered = True
            case ["clock", "of", source, "is", number, "s", "ahead" | "behind" as way]:
                off = seconds(float(number))
                self.clocks[source] = off if way == "ahead" else -off
            case ["until", time]:
                self.end = self.moment(time)
            case ["every", number, "s", "from", first, "to", last, *what]:
                self._again(seconds(float(number)), first, last, what)
            case [time, *what]:
                self._at(self.moment(time), what)

    def moment(self, text: str) -> Moment:
        """A time of the day the table has come to, or a whole one."""
        return _moment(text, self.day)

    def _again(self, step: Duration, first: str, last: str, what: Words) -> None:
        at, end, number = self.moment(first), self.moment(last), 0
        while at <= end:
            self._at(at, list(_moved(what, number)))
            at, number = at + step, number + 1

    def _at(self, at: Moment, words: Words) -> None:
        words, how = _split(words)
        if "arrives" in how:
            how["arrives"] = self.moment(how["arrives"])
        self._said(at, words, how)

    def _said(self, at: Moment, words: Words, how: dict[str, Any]) -> None:
        match words:
            case ["train", *what]:
                for event_at, event in self._train(at, what):
                    self._send(event_at, event, how)
            case ["one", "by", "one", "every", *_]:
                for later, name, event in _one_by_one(words):
                    self._one(at + later, [name, *event], how)
            case ["retained", *sections]:
                for section in _names(sections):
                    self._repeat(at, section)
            case [cell, *_] if _is_cell(cell):
                self._row(at, words, how)
            case [subjects, *what]:
                for subject in _names([subjects]):
                    self._one(at, [subject, *what], how)

    def _row(self, at: Moment, cells: Words, how: dict[str, Any]) -> None:
        for section, cell in zip(self.columns, cells, strict=True):
            if cell != ".":
                self._send(at, [section, *_cell(cell)], how)

    def _one(self, at: Moment, words: Words, how: dict[str, Any]) -> None:
        if words[-3:-2] == ["for"] and words[-1] == "s":
            self._send(at, words[:-3], how)
            end = at + seconds(float(words[-2]))
            self._send(end, [words[0], "clear"], how)
        else:
            self._send(at, words, how)

    def _train(self, at: Moment, words: Words) -> Iterator[tuple[Moment, Words]]:
        """The states, and where axles are told the passages, of one train."""
        text = " ".join(words).replace(",", "")
        found = re.fullmatch(
            r"(?:of (\d+) axles )?(?:but (\d+) at (\S+) )?(.+) (\d+) s each", text
        )
        if found is None:
            raise ValueError(text)
        axles, odd, where, sections, number = found.groups()
        way, step = _names(sections.split()), seconds(float(number))
        for place, section in enumerate(way):
            entered = at + place * step
            yield entered, [section, "occupied"]
            yield entered + step + REAR, [section, "clear"]
        if axles is None:
            return
        for place, (one, other) in enumerate(pairwise([OPEN, *way, OPEN])):
            for head in self._between(one, other):
                count = odd if head == where else axles
                passed = at + place * step + REAR
                forward = self.line.heads[head].between == (one, other)
                direction = "forward" if forward else "reverse"
                yield passed, [head, direction, count]

    def _between(self, one: str, other: str) -> tuple[str, ...]:
        line = self.line
        section = other if one == OPEN else one
        return tuple(
            head
            for head in line.heads_of(section)
            if set(line.heads[head].between) == {one, other}
        )

    # Events.

    def _send(self, at: Moment, words: Words, how: dict[str, Any]) -> None:
        subject = words[0]
        kind, data = _told(subject, words[1:], self.line)
        source = how.get("entered") or self._source(subject)
        event = {
            "specversion": "1.0",
            "type": f"tallywatch.{kind}",
            "source": source,
            "subject": subject,
            "data": data,
        }
        self._sent.append((at, event, {**how}))

    def _repeat(self, at: Moment, section: str) -> None:
        """What *section* said last comes again as a retained message."""
        said = [
            (when, number)
            for number, (when, event, _) in enumerate(self._sent)
            if event["subject"] == section and when <= at and _is_state(event)
        ]
        _, newest = max(said)
        self._sent[newest][2].setdefault("repeats", []).append(at)

    def _source(self, subject: str) -> str:
        line = self.line
        if subject in line.heads:
            subject = next(s for s in line.heads[subject].between if s != OPEN)
        if subject in line.sections:
            subject = line.sections[subject].evaluator
        if subject in line.evaluators:
            subject = line.evaluators[subject].gateway or "GW9"
        return f"gw/{subject.removeprefix('GW')}"

    @property
    def until(self) -> Moment:
        """How far the day is looked at."""
        if self.end is not None:
            return self.end
        return max(at for at, *_ in self._sent) + TAIL

    def events(self) -> tuple[AnyEvent, ...]:
        """Everything that was sent, in order of arrival."""
        sent = sorted(self._sent, key=lambda one: one[0])
        sources = sorted({event["source"] for _, event, _ in sent})
        numbers: dict[str, int] = {}
        came: list[tuple[Moment, AnyEvent]] = []
        for count, (at, told, how) in enumerate(sent, 1):
            source = told["source"]
            event = {**told, "id": str(count)}
            event["time"] = stamp(at + self.clocks.get(source, 0))
            if self.numbered and not how.get("entered"):
                number = int(how.get("number", numbers.get(source, 0)))
                event["sequence"] = str(number)
                numbers[source] = number + 1
            if not how.get("lost"):
                lag = LAG + sources.index(source) * BETWEEN
                for arrival, retained in _arrivals(at, lag, how):
                    event["recordedtime"] = stamp(arrival)
                    came.append((arrival, _event({**event, **retained})))
        return tuple(event for _, event in sorted(came, key=lambda one: one[0]))


def _arrivals(
    at: Moment, lag: Duration, how: dict[str, Any]
) -> Iterator[tuple[Moment, dict[str, Any]]]:
    first = how.get("arrives", at + lag)
    yield first, {"recordedretained": True} if how.get("retained") else {}
    if how.get("twice"):
        yield first + SECOND, {}
    for again in how.get("repeats", []):
        yield again + lag, {"recordedretained": True}


def _event(event: dict[str, Any]) -> AnyEvent:
    reading = read(json.dumps(event).encode(), recorded=True)
    if reading.rejections:
        raise ValueError(reading.rejections[0].reason)
    return reading.events[0]


def _is_state(event: dict[str, Any]) -> bool:
    return bool(event["type"] == "tallywatch.section.state")


def _moved(words: Words, number: int) -> Iterator[str]:
    """*words* where `3.40 by -0.10` has moved *number* times."""
    words = [*words]
    while "by" in words and re.fullmatch(r"-?[\d.]+", words[words.index("by") + 1]):
        place = words.index("by")
        value = float(words[place - 1]) + number * float(words[place + 1])
        words[place - 1 : place + 2] = [f"{value:.3f}"]
    yield from words


def _split(words: Words) -> tuple[Words, dict[str, Any]]:
    """What a line says, and how it came."""
    how: dict[str, Any] = {}
    left: Words = []
    rest = iter(words)
    for word in rest:
        if word in ("lost", "twice") or (word == "retained" and left):
            how[word] = True
        elif word in ("arrives", "entered", "number"):
            how[word] = next(rest)
        else:
            left.append(word)
    return left, how


def _one_by_one(words: Words) -> Iterator[tuple[Duration, str, Words]]:
    """What `one by one every 15 s T101 T106 disturbed` says: how much later, of whom, what."""
    step, said = seconds(float(words[4])), _names(words[6:])
    names = list(takewhile(_IS_SECTION, said))
    for place, name in enumerate(names):
        yield place * step, name, said[len(names) :]


def _is_cell(word: str) -> bool:
    return word == "." or word.partition("/")[0] in STATES


def _cell(cell: str) -> Words:
    state, _, tally = cell.partition("/")
    return [state, "axles", tally] if tally else [state]


def _told(subject: str, words: Words, line: Line) -> tuple[str, dict[str, Any]]:
    """The type and the data of what *words* say of *subject*."""
    match words:
        case ["reset", step, *more]:
            data = {"step": step, "kind": more[0] if more else "unconditional"}
            return "section.reset", data
        case ["work", state, *reference]:
            data = {"state": state}
            return "section.work", data | dict(
                zip(["reference"], reference, strict=False)
            )
        case ["forward" | "reverse" | "none" as way, axles, *more]:
            seen = {k: int(v) for k, v in _pairs(more)}
            return "head.passage", {"direction": way, "axles": int(axles), **seen}
        case ["in_service" | "locked_out" | "isolated" as state]:
            return "evaluator.state", {"state": state}
        case ["online" | "offline" as state, *period]:
            told = {"state": state, "period_s": float(period[0]) if period else 30}
            return "gateway.status", told
        case ["out" | "in" as state]:
            return "source.watch", {"state": state}
        case [name, *_] if name in MEASURED:
            return "head.level", {k: float(v) for k, v in _pairs(words)}
        case [state, *more] if subject in line.sections:
            return "section.state", {"state": STATES[state], **_more(more)}
    raise ValueError(" ".join(words))


def _pairs(words: Words) -> list[tuple[str, str]]:
    return list(zip(words[::2], words[1::2], strict=True))


def _more(words: Words) -> dict[str, Any]:
    data: dict[str, Any] = {}
    for name, value in _pairs(words):
        if name == "axles":
            data[name] = int(value)
        elif name == "contacts":
            clear, _, occupied = value.partition("/")
            data[name] = {"clear": clear == "up", "occupied": occupied == "up"}
        elif name == "interlocking":
            data[name] = value
        else:
            raise ValueError(name)
    return data
