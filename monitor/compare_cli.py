"""`tallywatch compare`: what other settings or a corrected line file would have concluded, before they are put to use."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.core.moments import DAY, Duration
from monitor.drill_cli import HERE
from monitor.options import (
    DataDirectory,
    FilesOf,
    FromOrNone,
    JournalFile,
    ToOrNone,
    window,
)
from monitor.past_cli import where

if TYPE_CHECKING:
    from monitor.core.events import AnyEvent
    from monitor.core.layout import Line
    from monitor.core.moments import Moment
    from monitor.core.tuning import Detection
    from monitor.past import Past
    from replay.compare import Comparison, Difference, Side
    from replay.source import Source

EVERY = 2000
"""Events between two looks at how far it has come."""


class Format(StrEnum):
    """How a comparison is written."""

    TEXT = "text"
    HTML = "html"
    JSON = "json"
    CSV = "csv"


@dataclass(frozen=True, slots=True)
class Under:
    """Under what one side concludes; None: what was in force then, or the defaults."""

    line: Path | None
    settings: Path | None

    @property
    def name(self) -> str:
        """As people call it."""
        given = [str(one) for one in (self.line, self.settings) if one is not None]
        return ", ".join(given) or "what was in force then"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is gone through."""

    events: Path | None
    begin: Moment | None
    end: Moment | None
    data: Path | None
    journal: Path | None
    alerts: Path | None = None


def compare(
    line: Annotated[
        list[Path] | None,
        typer.Option(
            "--line",
            metavar="LINE.TOML",
            help="The line file; twice: that of A, then that of B.",
        ),
    ] = None,
    settings: Annotated[
        list[Path] | None,
        typer.Option(
            "--settings",
            metavar="SETTINGS.TOML",
            help="The settings; twice: those of A, then those of B.",
        ),
    ] = None,
    events: Annotated[
        Path | None,
        typer.Option(
            "--events",
            metavar="FILE",
            help="The recording; without one it is taken out of the journal.",
        ),
    ] = None,
    begin: FromOrNone = None,
    to: ToOrNone = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
    concluded: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="A is what was concluded: alert lines (.jsonl), or a monitor's file of alerts.",
        ),
    ] = None,
    form: Annotated[
        Format, typer.Option("--format", help="How it is written.")
    ] = Format.TEXT,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Where it goes; else to stdout.")
    ] = None,
    desk: Annotated[
        str,
        typer.Option(
            "--desk",
            metavar="URL",
            help="Where the monitor of the journal answers: a page (--format html) leads to its replay of what was in force then.",
        ),
    ] = HERE,
    *,
    live: Annotated[
        bool,
        typer.Option(
            "--live", help="A is what the monitor of the journal concluded live."
        ),
    ] = False,
) -> None:
    """Hold what B would conclude against what A does: alerts, faults and calls gained, lost and moved, by kind and week, with the load on people.

    B is other settings (--settings twice), another line file (--line twice), or, against what was in force or concluded live, one of either.
    """
    lines, files = line or [], settings or []
    asked = _asked(events, (begin, to), data, journal)
    if files_of is not None:
        there = where(files_of, data, journal)
        asked = replace(asked, journal=there.journal, alerts=there.alerts)
    against = concluded is not None or live
    a, b = _sides(lines, files, against=against, journaled=events is None)
    with ExitStack() as stack:
        from replay.compare import compare as held

        mine, other = _ran(stack, (a, b), asked, concluded, against=against)
        span = _span(mine, other.side, asked)
        zone = other.line.zone
        found = held(mine, other.side, zone, span)
        shows = _shows(asked, a, b)
        _write(
            found,
            zone,
            shows,
            (form, out),
            _leads(asked, desk, a, against=against and concluded is None),
        )


def _asked(
    events: Path | None,
    between: tuple[str | None, str | None],
    data: Path | None,
    journal: Path | None,
) -> Asked:
    begin = end = None
    if between[0] is not None and between[1] is not None:
        begin, end = window(between[0], between[1])
    elif events is None or between != (None, None):
        raise typer.BadParameter("--events FILE, or --from TIME and --to TIME")
    if events is not None and (data or journal):
        raise typer.BadParameter(
            "--events is a recording, --data and --journal are none"
        )
    return Asked(events=events, begin=begin, end=end, data=data, journal=journal)


def _sides(
    lines: Sequence[Path], files: Sequence[Path], *, against: bool, journaled: bool
) -> tuple[Under, Under]:
    """Under what A concludes, and under what B."""
    most = max(len(lines), len(files))
    if most > 2 or (against and most > 1):
        raise typer.BadParameter("there are two sides, A and B")
    if not journaled and not lines:
        raise typer.BadParameter("--events needs --line")
    if not (against or most == 2 or (journaled and most == 1)):
        raise typer.BadParameter(
            "--settings or --line is needed twice: for A, and for B"
        )

    def of(given: Sequence[Path], side: int) -> Path | None:
        if not given:
            return None
        # Against what was in force or concluded, what is given is B's alone.
        alone = len(given) == 1 and journaled and most == 1
        return None if alone and side == 0 else given[min(side, len(given) - 1)]

    return tuple(Under(of(lines, side), of(files, side)) for side in (0, 1))  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class _Ran:
    side: Side
    line: Line


def _ran(
    stack: ExitStack,
    sides: tuple[Under, Under],
    asked: Asked,
    concluded: Path | None,
    *,
    against: bool,
) -> tuple[Side, _Ran]:
    """What A and B conclude; where there is much to go through and a core for each, side by side."""
    from monitor.beside import cores, together

    a, b = sides
    if against:
        other = _run(stack, b, asked, f"B: {b.name}")
        return _concluded(concluded, asked, other.side), other
    named = [(a, f"A: {a.name}"), (b, f"B: {b.name}")]
    # What is wrong with either is said before anything is begun.
    sources = [_source(stack, under, asked, name) for under, name in named]
    if cores() < 2 or not _is_much(asked):
        mine, other = (_run(stack, under, asked, name) for under, name in named)
        return mine.side, other
    calls = [(_alone, (under, asked, name)) for under, name in named]
    ran = together(calls, [name for _, name in named])
    for (_, name), (_, events) in zip(named, ran, strict=True):
        typer.echo(f"{name}: {events:,} events", err=True)
    return ran[0][0], _Ran(ran[1][0], sources[1].line)


MUCH: Duration = DAY
"""A window of the journal that is longer is gone through side by side, since each side has to be begun by itself."""

MUCH_BYTES = 20_000_000
"""Of a recording, a file that is larger."""


def _is_much(asked: Asked) -> bool:
    if asked.events is not None:
        return asked.events.is_file() and asked.events.stat().st_size > MUCH_BYTES
    return (
        asked.begin is not None
        and asked.end is not None
        and asked.end - asked.begin > MUCH
    )


def _alone(
    told: Callable[[float, str], None], under: Under, asked: Asked, name: str
) -> tuple[Side, int]:
    """What is concluded under something, in a process of its own; *told* is how far it has come."""
    with ExitStack() as stack:
        source = _source(stack, under, asked, name, told)
        side = _side(source, asked, name)
        for given in source.outputs(asked.end):
            side.take(given)
        return side, source.events


def _run(stack: ExitStack, under: Under, asked: Asked, name: str) -> _Ran:
    """What is concluded under something, all of it."""
    source = _source(stack, under, asked, name)
    side = _side(source, asked, name)
    for given in source.outputs(asked.end):
        side.take(given)
    typer.echo(f"{name}: {source.events:,} events", err=True)
    return _Ran(side, source.line)


def _side(source: Source, asked: Asked, name: str) -> Side:
    """What is concluded of *source* goes into it."""
    from replay.compare import Side

    read = source.asked.window
    return Side(
        name,
        asked.begin if asked.begin is not None or read is None else read[0],
        asked.end if asked.end is not None or read is None else read[1],
    )


def _source(
    stack: ExitStack,
    under: Under,
    asked: Asked,
    name: str,
    told: Callable[[float, str], None] | None = None,
) -> Source:
    """What is gone through under something; *told* is how far it has come, else a bar on a terminal is."""
    from replay.source import Journaled, Recorded

    def through(events: Iterable[AnyEvent]) -> Iterator[AnyEvent]:
        if told is None:
            return going(events, name, asked)
        return telling(events, asked, told)

    if asked.events is not None and under.line is not None:
        from monitor.core.events import RecordKind
        from replay.player import survey
        from replay.recording import read_recording, read_records

        path = asked.events
        graph = _line(under.line)
        detection = _detection(under.settings, graph)
        bad: list[int] = []
        found = survey(read_records(path, RecordKind.LEARNT, RecordKind.WINDOW))
        return Recorded(
            graph,
            detection,
            found,
            read=lambda: through(
                read_recording(path, lambda number, _: bad.append(number))
            ),
            again=lambda: read_recording(path),
            rejected=lambda: len(bad),
        )
    past = _past(stack, under, asked)
    return Journaled(past, through)


def _past(stack: ExitStack, under: Under, asked: Asked) -> Past:
    from monitor.journal import Journal
    from monitor.past import Past

    if asked.begin is None or asked.end is None:
        raise typer.BadParameter("--from TIME and --to TIME")
    place = where(None, asked.data, asked.journal).journal
    book = stack.enter_context(Journal.read(place))
    graph = None if under.line is None else _line(under.line)
    detection = None
    if under.settings is not None:
        detection = _detection(under.settings, graph)
    return Past(book, asked.begin, asked.end, line=graph, detection=detection)


def _line(path: Path) -> Line:
    from monitor.core.layout import LineFault, read_line

    try:
        return read_line(path.read_text(encoding="utf-8"), path.name)
    except UnicodeDecodeError as error:
        raise LineFault((f"{path}: byte {error.start} is no UTF-8",)) from None


def _detection(path: Path | None, graph: Line | None) -> Detection:
    from monitor.settings import SettingsFault, read, unknown_places

    found = read(path)
    faults = () if graph is None else tuple(unknown_places(found, graph))
    if faults:
        raise SettingsFault(faults)
    return found.detection


def _concluded(path: Path | None, asked: Asked, other: Side) -> Side:
    """What was concluded, of the time in which *other* looks."""
    from replay.compare import Side
    from replay.concluded import read_lines, read_store

    found = path
    if found is None:
        found = asked.alerts or where(None, asked.data, asked.journal).alerts
    side = Side(f"A: {found}", other.begin, other.end)
    (read_lines if found.suffix == ".jsonl" else read_store)(found, side)
    return side


def _span(a: Side, b: Side, asked: Asked) -> tuple[Moment, Moment]:
    """From when to when both look."""
    moments = [one.at for side in (a, b) for one in side.told]
    begin = asked.begin if asked.begin is not None else b.begin
    end = asked.end if asked.end is not None else b.end
    return (
        begin if begin is not None else min(moments, default=0),
        end if end is not None else max(moments, default=0),
    )


def going(events: Iterable[AnyEvent], doing: str, asked: Asked) -> Iterator[AnyEvent]:
    """The *events*; on a terminal with the day that they have come to and, where that is known, how much is left."""
    if not sys.stderr.isatty():
        yield from events
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from monitor.core.moments import stamp

    total = None
    if asked.begin is not None and asked.end is not None:
        total = asked.end - asked.begin
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[day]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(doing, total=total, day="")
        for count, event in enumerate(events):
            if not count % EVERY:
                done = 0 if asked.begin is None else max(0, event.time - asked.begin)
                bar.update(task, completed=done, day=stamp(event.time)[:10])
            yield event


def telling(
    events: Iterable[AnyEvent], asked: Asked, told: Callable[[float, str], None]
) -> Iterator[AnyEvent]:
    """The *events*; *told* is how much of the window they have come through, and to which day."""
    from monitor.core.moments import stamp

    for count, event in enumerate(events):
        if not count % EVERY:
            share = 0.0
            if asked.begin is not None and asked.end is not None:
                share = (event.time - asked.begin) / (asked.end - asked.begin)
            told(min(max(share, 0.0), 1.0), stamp(event.time)[:10])
        yield event


def _leads(
    asked: Asked, desk: str, a: Under, *, against: bool
) -> Callable[[Difference], str]:
    """Gives the address at which the desk plays a difference again, as A concluded it; "" where it does not.

    The desk concludes with what was in force then, and with nothing else: what B alone has is not there, and what A has neither where A is something else.
    A recording is on no desk.

    Args:
        asked: what is gone through.
        desk: where it answers.
        a: under what A concludes.
        against: A is what was concluded live.
    """
    in_force = against or (a.line is None and a.settings is None)

    def address(one: Difference) -> str:
        from urllib.parse import urlencode

        from monitor.core.moments import MINUTE, stamp

        told = one.a
        if told is None or not in_force or asked.events is not None:
            return ""
        begin, end = told.began - AROUND_MIN * MINUTE, told.at + AROUND_MIN * MINUTE
        if end - begin > DAY:
            begin = end - DAY
        query = {"from": stamp(begin), "to": stamp(end)}
        kind, _, name = told.subject.partition("/")
        if kind == "section":
            query |= {"section": name, "at": stamp(told.at)}
        return f"{desk.rstrip('/')}/replay?{urlencode(query)}"

    return address


AROUND_MIN = 15
"""So many minutes are shown before a difference and after it."""


def _shows(asked: Asked, a: Under, b: Under) -> Callable[[Difference], str]:
    """Gives the command that shows a difference again, on the side that has it."""

    def command(one: Difference) -> str:
        from monitor.core.moments import stamp

        told = one.one
        kind, _, name = told.subject.partition("/")
        # What A alone has is shown with A: of what was concluded live, with what was in force.
        under = b if one.b is not None else a
        words = ["tallywatch"]
        if kind == "section":
            words += ["explain", "--section", name, "--at", stamp(told.at)]
            if told.what == "alert":
                words += ["--kind", told.kind]
        elif asked.events is not None:
            words += ["replay", "--until", stamp(told.at)]
        else:
            words += [
                "replay",
                "--from",
                stamp(told.began),
                "--to",
                stamp(told.at + 1000),
            ]
        for option, path in (
            ("--line", under.line),
            ("--settings", under.settings),
            ("--events", asked.events),
            ("--data", asked.data),
            ("--journal", asked.journal),
        ):
            if path is not None:
                words += [option, str(path)]
        return shlex.join(words)

    return command


def _write(
    found: Comparison,
    zone: Any,
    shows: Any,
    to: tuple[Format, Path | None],
    leads: Callable[[Difference], str],
) -> None:
    from replay import compared

    form, out = to
    if form is Format.HTML:
        from replay.compared_html import as_html

        text = as_html(found, zone, shows, leads)
    elif form is Format.JSON:
        text = compared.as_json(found, shows, zone) + "\n"
    elif form is Format.CSV:
        text = compared.as_csv(found, shows)
    else:
        text = _text(found, zone, shows)
    if out is not None:
        out.write_text(text, encoding="utf-8", newline="")
    else:
        typer.echo(text, nl=False)
    typer.echo(compared.summary(found), err=True)


def _text(found: Comparison, zone: Any, shows: Any) -> str:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from monitor.core.words import CAUTION
    from replay.compared import sentences, tables

    console = Console(width=100, record=True, file=open_nowhere())
    console.print(Text(f"{found.a}\n{found.b}"))
    for one in tables(found, zone):
        head, *rows = one.rows
        table = Table(box=SIMPLE_HEAD, title=one.heading, title_justify="left")
        for column in head:
            number = column in {"A", "B", "gained", "lost", "moved", "target", "limit"}
            table.add_column(column, justify="right" if number else "left")
        for row in rows:
            table.add_row(*map(Text, row))
        console.print(table)
    said = [*sentences(found, zone, shows), CAUTION]
    return console.export_text() + "\n".join(said) + "\n"


def open_nowhere() -> Any:
    """Something to write to that keeps nothing."""
    from io import StringIO

    return StringIO()
