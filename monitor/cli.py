"""The command line: each command does one thing, and prints for people.

What a command was asked for goes to stdout, everything said about it to stderr.
It ends with 0, with 1 for a failure told in one line (the faults of a file: one line each), with 2 for wrong usage; never with a traceback for a mistake of the one who called it.
"""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any, TypeVar

import typer
from typer.core import TyperGroup

from monitor.bars import progress
from monitor.compare_cli import compare
from monitor.desk.people_cli import people_app
from monitor.drill_cli import drill
from monitor.evidence_cli import evidence, verify
from monitor.keep_cli import keep
from monitor.options import (
    DataDirectory,
    FilesOf,
    From,
    FromOrNone,
    JournalFile,
    SettingsFile,
    To,
    ToOrNone,
    moment,
    window,
)
from monitor.past_cli import explain_then, opened, print_explained, where
from monitor.report_cli import report
from monitor.shown_cli import shown
from monitor.visits_cli import visits_app
from monitor.work_cli import work_app
from monitor.worklist_cli import worklist

if TYPE_CHECKING:
    from monitor.core.events import AnyEvent
    from monitor.core.layout import Line
    from monitor.core.moments import Moment
    from monitor.core.tuning import Detection
    from monitor.core.wire import Rejection
    from monitor.settings import Address, Settings
    from replay.player import Played, Survey
    from replay.recheck import Verdict
    from replay.source import Source

FAILED, STOPPED = 1, 130
"""How a command ends that could not do what it was asked for, and one that Ctrl-C stopped."""

SHOWN_FAULTS = 20
"""Of the bad lines of a recording, so many are shown; all are counted."""

T = TypeVar("T")


class Failed(Exception):
    """A command cannot do what it was asked for.

    Attributes:
        faults: why, one line each.
    """

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class Commands(TyperGroup):
    """Turns what went wrong outside the program into lines on stderr."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command; a failure is told and ends it with 1."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # Whoever read stdout has seen enough; that is no failure of ours.
            _stop_writing()
            raise typer.Exit(0) from None
        except KeyboardInterrupt:
            raise typer.Exit(STOPPED) from None
        except Exception as error:
            faults = _faults(error)
            if faults is None:
                raise
            for fault in faults:
                say(fault)
            raise typer.Exit(FAILED) from None


FAULTS = (
    ("monitor.core.layout", "LineFault"),
    ("monitor.core.tuning", "DetectionFault"),
    ("monitor.settings", "SettingsFault"),
    ("monitor.daemon", "DaemonFault"),
    ("monitor.demo.monitoring", "MonitorFault"),
    ("monitor.journal", "JournalFault"),
    ("monitor.desk.people", "PeopleFault"),
    ("monitor.packing", "PackFault"),
    ("monitor.history", "HistoryFault"),
    ("monitor.past", "PastFault"),
    ("monitor.tables", "TableFault"),
    ("monitor.beside", "BesideFault"),
    ("replay.concluded", "ConcludedFault"),
    ("replay.recording", "RecordingError"),
)
"""Where the faults are described that people can do something about."""


def _faults(error: Exception) -> tuple[str, ...] | None:
    """What to tell people of *error*; None where it is a mistake of ours."""
    if isinstance(error, Failed):
        return error.faults
    if isinstance(error, OSError):
        reason = error.strerror or str(error)
        return (f"{error.filename}: {reason}" if error.filename else reason,)
    # What was never imported cannot have been raised, and need not be imported now.
    known = tuple(
        getattr(sys.modules[module], name)
        for module, name in FAULTS
        if module in sys.modules
    )
    if isinstance(error, known):
        return getattr(error, "faults", (str(error),))
    return None


def _stop_writing() -> None:
    # Else the interpreter complains at its end about what it could not write.
    import os

    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say(text: str) -> None:
    """Tell people *text*, beside what a command was asked for."""
    typer.echo(text, err=True)


app = typer.Typer(
    name="tallywatch",
    cls=Commands,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Watch the section-state and reset events of axle counters, and say what is "
    "suspicious. It watches and commands nothing.",
    epilog="tallywatch COMMAND --help shows how to call each, with an example.",
)

LineFile = Annotated[
    Path, typer.Option("--line", metavar="LINE.TOML", help="The line file.")
]
LineFileOrNone = Annotated[
    Path | None,
    typer.Option(
        "--line",
        metavar="LINE.TOML",
        help="The line file; out of the journal: instead of the one in force then.",
    ),
]
SettingsOrNone = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        metavar="SETTINGS.TOML",
        help="The settings to conclude with; out of the journal: instead of those in "
        "force then.",
    ),
]
EventsFile = Annotated[
    Path,
    typer.Option(
        "--events",
        metavar="FILE",
        help="The recording: .jsonl, .jsonl.gz, .jsonl.zst or .parquet.",
    ),
]
BrokerURL = Annotated[
    str | None,
    typer.Option(
        "--broker", metavar="URL", help="mqtt://host:1883, or mqtts:// for TLS."
    ),
]


EventsOrNone = Annotated[
    Path | None,
    typer.Option(
        "--events",
        metavar="FILE",
        help="The recording: .jsonl, .jsonl.gz, .jsonl.zst or .parquet; without one it "
        "is taken out of the journal.",
    ),
]


class Richness(StrEnum):
    """How much a simulated feed carries."""

    BASIC = "basic"
    TALLIES = "tallies"
    FULL = "full"


class Arrival(StrEnum):
    """Whose word is taken for when an event arrived."""

    MONITOR = "monitor"
    RECORDED = "recorded"


@app.callback(invoke_without_command=True)
def tallywatch(
    *,
    version: Annotated[
        bool, typer.Option("--version", help="Say which version this is.")
    ] = False,
) -> None:
    """Say the version, where that is asked for."""
    if version:
        typer.echo(f"tallywatch {_version()}")
        raise typer.Exit


def _version() -> str:
    from importlib.metadata import version

    return version("tallywatch")


# What commands read.


def read_text(path: Path) -> str:
    """The text of a file.

    Raises:
        Failed: it is no UTF-8.
        OSError: it cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise Failed(f"{path}: byte {error.start} is no UTF-8") from None


def load_line(path: Path) -> Line:
    """The line file at *path*.

    Raises:
        LineFault: with everything that is wrong with it.
    """
    from monitor.core.layout import read_line

    return read_line(read_text(path), path.name)


def load_settings(path: Path | None, **over: Any) -> Settings:
    """The settings at *path*, under those of the environment, under *over*.

    Raises:
        SettingsFault: with everything that is wrong with them.
    """
    from monitor.settings import read

    return read(path, **over)


def load_both(line: Path, settings: Path | None) -> tuple[Line, Detection]:
    """A line file and what conclusions depend on besides, fitting each other.

    Raises:
        LineFault, SettingsFault: with everything that is wrong with one of them.
        Failed: the settings name sections that the line file lacks.
    """
    from monitor.settings import unknown_places

    graph, read = load_line(line), load_settings(settings)
    faults = unknown_places(read, graph)
    if faults:
        raise Failed(*faults)
    return graph, read.detection


class Reader:
    """Reads a recording; tells of its bad lines, and of its progress.

    Args:
        path: the recording.

    Attributes:
        events: how many were read.
        rejected: how many bad lines there were.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.events = 0
        self.rejected = 0

    def survey(self) -> Survey:
        """What must be known of the recording before its events are taken.

        Raises:
            Failed: it does not say what it was asked for.
        """
        from monitor.core.events import RecordKind
        from replay.player import survey
        from replay.recording import read_records

        try:
            return survey(read_records(self.path, RecordKind.LEARNT, RecordKind.WINDOW))
        except ValueError as error:
            raise Failed(f"{self.path}: {error}") from None

    def read(self, doing: str | None) -> Iterator[AnyEvent]:
        """The events in order of arrival; *doing*: with progress, told as that."""
        from replay.recording import read_recording

        events = read_recording(self.path, self._bad)
        for event in events if doing is None else progress(events, doing):
            self.events += 1
            yield event
        if self.rejected > SHOWN_FAULTS:
            say(f"{self.path}: {self.rejected - SHOWN_FAULTS:,} more bad lines")

    def _bad(self, number: int, rejection: Rejection) -> None:
        self.rejected += 1
        if self.rejected <= SHOWN_FAULTS:
            say(f"{self.path}: line {number}: {rejection.reason}")


@contextmanager
def output(path: Path | None) -> Iterator[IO[str]]:
    """The file at *path* to write to, or stdout."""
    if path is None:
        yield sys.stdout
    else:
        with path.open("w", encoding="utf-8", newline="\n") as file:
            yield file


@contextmanager
def written(path: Path | None) -> Iterator[IO[str] | None]:
    """The file at *path* to write to, or None where none is wanted."""
    if path is None:
        yield None
    else:
        with output(path) as file:
            yield file


# The commands.


@app.command(
    epilog="Example: tallywatch check --line line.toml --settings settings.toml"
)
def check(line: LineFile, settings: SettingsFile = None) -> None:
    """Say everything that is wrong with a line file and with settings."""
    from monitor.core.layout import LineFault
    from monitor.settings import SettingsFault, unknown_places

    faults: list[str] = []
    found = read = None
    try:
        found = load_line(line)
    except LineFault as error:
        faults += error.faults
    try:
        read = load_settings(settings)
    except SettingsFault as error:
        faults += error.faults
    if found is not None and read is not None:
        faults += unknown_places(read, found)
    if faults or found is None:
        raise Failed(*faults)
    typer.echo(
        f"{line.name}: {found.name}, {len(found.sections)} sections, "
        f"{len(found.heads)} heads, {len(found.evaluators)} evaluators; no faults"
    )
    if settings is not None:
        typer.echo(f"{settings.name}: no faults")


@app.command(
    epilog="Example: tallywatch replay --line line.toml --events monday.jsonl.gz "
    "--alerts monday-alerts.jsonl"
)
def replay(
    line: LineFileOrNone = None,
    events: EventsOrNone = None,
    settings: SettingsOrNone = None,
    alerts: Annotated[
        Path | None,
        typer.Option(metavar="OUT.jsonl", help="Where alerts go; else to stdout."),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(
            metavar="TIME",
            help="Look no further than this, and conclude what falls due up to it, "
            "also after the last event.",
        ),
    ] = None,
    faults: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.jsonl", help="Where faults go, a line each time one changes."
        ),
    ] = None,
    calls: Annotated[
        Path | None,
        typer.Option(metavar="OUT.jsonl", help="Where calls go."),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Planned work (.csv or .ics) that was done as planned: what happened "
            "under it keeps quiet.",
        ),
    ] = None,
    begin: FromOrNone = None,
    to: ToOrNone = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
    report: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.html",
            help="Where the incident report goes: one file, with a diagram of time "
            "and line, that opens with no network.",
        ),
    ] = None,
    *,
    verify: Annotated[
        bool,
        typer.Option(
            "--verify",
            help="Work the gravest alerts out again by other means; 1 if any disagrees.",
        ),
    ] = False,
) -> None:
    """Play a recording, or a window of the journal, through the detections, with no network.

    Out of the journal it goes by the line file and the settings that were in force then, and says which; what is given is used instead.
    """
    from monitor.core.alerts import line as alert_line
    from monitor.plans import as_done, read_plan
    from replay.player import People

    until_then = None if until is None else moment(until)
    with ExitStack() as stack:
        source: Source
        if events is None:
            source = _journaled(
                stack, line, settings, (begin, to), (files_of, data, journal)
            )
        else:
            source = _recorded(
                line, events, settings, begin or to or files_of or data or journal
            )
        if plan is not None:
            # What recurs is followed over the days of the recording.
            works = read_plan(plan, source.line, source.span())
            source.entries = as_done(works, plan.stem)
        raised: dict[str, str] = {}
        last: dict[str, tuple[str, int]] = {}
        with output(alerts) as out, written(faults) as faulty, written(calls) as called:
            people = People(source.asked, faulty, called)
            for given in source.outputs(until_then):
                people.take(given)
                for alert in given.alerts:
                    if verify:
                        last[alert.id] = alert_line(alert), source.spell
                    if source.asked.asked_for(alert):
                        raised[alert.id] = alert.kind
                        out.write(f"{alert_line(alert)}\n")
        say(_summary(source.events, source.rejected, Counter(raised.values())))
        _report(source, until_then, report)
        if verify:
            _verify(_second_opinions(source, until_then, last.values()))


def _second_opinions(
    source: Source, until: Moment | None, alerts: Collection[tuple[str, int]]
) -> Iterator[Verdict]:
    """What the second checker says of *alerts*, each by what it was concluded by last."""
    from replay.player import second_opinion

    for number, spell in enumerate(source.spells(until)):
        mine = [text for text, by in alerts if by == number]
        yield from second_opinion(spell.events(), mine, spell.line, spell.detection)


def _report(source: Source, until: Moment | None, path: Path | None) -> None:
    from replay.incident import incident

    if path is not None:
        with output(path) as out:
            out.write(
                incident(source, until, lambda taken: progress(taken, "reporting"))
            )


def _recorded(
    line: Path | None, events: Path, settings: Path | None, window_of: object
) -> Source:
    from replay.source import Recorded

    if line is None:
        raise typer.BadParameter("--events needs --line")
    if window_of:
        raise typer.BadParameter("--events is a recording, --from and --to a window")
    graph, tuning = load_both(line, settings)
    reader = Reader(events)
    return Recorded(
        graph,
        tuning,
        reader.survey(),
        read=lambda: reader.read("replaying"),
        again=lambda: read_again(events, None),
        rejected=lambda: reader.rejected,
    )


def _journaled(
    stack: ExitStack,
    line: Path | None,
    settings: Path | None,
    asked: tuple[str | None, str | None],
    files: tuple[Path | None, Path | None, Path | None],
) -> Source:
    from replay.source import Journaled

    if asked[0] is None or asked[1] is None:
        raise typer.BadParameter("--events FILE, or --from TIME and --to TIME")
    begin, end = window(asked[0], asked[1])
    files_of, data, journal = files
    past = stack.enter_context(
        opened(
            begin,
            end,
            line=line,
            settings=settings,
            files_of=files_of,
            data=data,
            journal=journal,
        )
    )
    return Journaled(
        past,
        lambda events: progress(events, "replaying"),
        where(*files).alerts,
        by=_given(line, settings),
    )


def _given(line: Path | None, settings: Path | None) -> str:
    """What is given instead of what was in force, as people call it."""
    named = {"the line file": line, "the settings": settings}
    return " and ".join(
        f"{what} {path.name}" for what, path in named.items() if path is not None
    )


def read_again(
    path: Path, end: Moment | None, doing: str = "verifying"
) -> Iterator[AnyEvent]:
    """The events of a recording once more; its bad lines were told of the first time."""
    from replay.player import up_to
    from replay.recording import read_recording

    events = progress(read_recording(path), doing)
    return events if end is None else up_to(events, end)


def _verify(verdicts: Iterable[Verdict]) -> None:
    """Tell where the second opinion differs.

    Raises:
        Failed: it disagrees with an alert.
    """
    from replay.recheck import Opinion

    opinions: Counter[Opinion] = Counter()
    wrong = []
    for verdict in verdicts:
        opinions[verdict.opinion] += 1
        if verdict.opinion is Opinion.DISAGREES:
            wrong.append(str(verdict))
        elif verdict.opinion is Opinion.CANNOT_TELL:
            say(str(verdict))
    say(
        f"{opinions.total()} alerts worked out again: "
        + ", ".join(f"{opinions[one]} {one.value}" for one in Opinion)
    )
    if wrong:
        raise Failed(*wrong)


def _summary(events: int, rejected: int, raised: Counter[str]) -> str:
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(raised.items()))
    return (
        f"{events:,} events, {rejected:,} lines rejected; "
        f"{raised.total()} alerts{': ' if kinds else ''}{kinds}"
    )


class Format(StrEnum):
    """How a table is written."""

    TEXT = "text"
    MARKDOWN = "markdown"


@app.command(epilog="Example: tallywatch kinds --table --format markdown")
def kinds(
    *,
    table: Annotated[
        bool,
        typer.Option(
            "--table",
            help="What the desk does first for each, within what time, and what "
            "happens if not: the list that a local alarm panel signs.",
        ),
    ] = False,
    form: Annotated[
        Format, typer.Option("--format", help="How the table is written.")
    ] = Format.TEXT,
) -> None:
    """Tell what is looked for, and what each kind asks of the desk."""
    from monitor import kinds as known
    from monitor.core.detectors import CATALOGUE

    rows = known.asked(CATALOGUE)
    if form is Format.MARKDOWN:
        typer.echo(known.as_markdown(rows))
    elif table:
        typer.echo(known.as_text(rows))
    else:
        typer.echo(known.names(rows))


@app.command(
    epilog="Example: tallywatch explain --line line.toml --events monday.jsonl "
    "--section T107 --at 2026-05-04T06:14:00Z --kind occupied-no-train"
)
def explain(
    section: Annotated[str, typer.Option(metavar="ID", help="Which section.")],
    at: Annotated[str, typer.Option(metavar="TIME", help="As it stood then.")],
    line: LineFileOrNone = None,
    events: EventsOrNone = None,
    kind: Annotated[
        str | None, typer.Option(metavar="KIND", help="Only this detection.")
    ] = None,
    settings: SettingsOrNone = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
    *,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print it for machines.")
    ] = False,
) -> None:
    """Say what each detection knew of a section then: timers, distances, what kept it quiet.

    Without a recording it is taken out of the journal, with the line file and the settings that were in force then.
    """
    from monitor.core.engine import Engine
    from monitor.core.words import in_full
    from replay.player import replay as replayed, span_of, up_to

    moment_at = moment(at)
    if events is None:
        with opened(
            moment_at,
            moment_at,
            line=line,
            settings=settings,
            files_of=files_of,
            data=data,
            journal=journal,
        ) as past:
            explain_then(past, section, moment_at, kind, as_json=as_json)
        return
    if line is None:
        raise typer.BadParameter("--events needs --line")
    graph, tuning = load_both(line, settings)
    if section not in graph.sections:
        raise Failed(f"{line.name}: there is no section {section}")
    kinds = [detector.kind for detector in tuning.detectors]
    if kind is not None and kind not in kinds:
        raise typer.BadParameter(f"there is no {kind}; there are {', '.join(kinds)}")
    reader = Reader(events)
    found = reader.survey()
    engine = Engine(graph, tuning, learnt=found.learnt)
    taken = up_to(reader.read("replaying"), moment_at)
    for _ in replayed(engine, taken, until=moment_at):
        pass
    spoken = span_of(read_again(events, None, "reading"))
    shown = in_full(moment_at, graph.zone, graph.timezone)
    heading = f"{section} at {shown}:"
    if spoken is None:
        heading = "The recording has no events."
    elif not spoken[0] <= moment_at <= spoken[1]:
        first, last = (in_full(one, graph.zone, graph.timezone) for one in spoken)
        heading = (
            f"{shown} is outside the recording, which goes from {first} to {last}."
        )
    print_explained(heading, engine.explain(section, kind), as_json=as_json)


@app.command(
    epilog="Example: tallywatch play --line line.toml --events monday.jsonl --speed 20 "
    "--broker mqtt://127.0.0.1:1883"
)
def play(
    speed: Annotated[
        float,
        typer.Option(
            metavar="N", help="How many times as fast as it happened.", min=0.001
        ),
    ],
    line: LineFileOrNone = None,
    events: EventsOrNone = None,
    broker: BrokerURL = "mqtt://127.0.0.1:1883",
    at: Annotated[
        str | None,
        typer.Option(
            "--at",
            metavar="TIME",
            help="What came before is sent without pauses; else the lead-in alone.",
        ),
    ] = None,
    begin: FromOrNone = None,
    to: ToOrNone = None,
    settings: SettingsOrNone = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
    *,
    by_lines: Annotated[
        bool,
        typer.Option(
            "--by-lines",
            help="Lines on stdin hold it, change its speed and move it: hold, go, "
            "speed N, to TIME, back N[s|m|h], ahead N[s|m|h], begin, next, end. "
            "It stays at its end until end.",
        ),
    ] = False,
) -> None:
    """Play a recording, or a window of the journal, onto a broker, as a rehearsal, under rehearsal/.

    Pauses are kept. On a terminal keys hold it, change its speed, and move it ahead and back.
    Moved back, states retained by the broker are set to what they were then, and a monitor that rehearses begins again from there.
    """
    import asyncio

    from monitor.settings import read_url

    try:
        address = read_url(broker or "mqtt://127.0.0.1:1883")
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
    start = None if at is None else moment(at)
    attended = sys.stdin.isatty() and sys.stderr.isatty() and not by_lines
    by = "keys" if attended else "lines" if by_lines else ""
    with ExitStack() as stack:
        if events is None:
            source = _journaled(
                stack, line, settings, (begin, to), (files_of, data, journal)
            )
            name, graph, asked = f"journal {begin}", source.line, source.asked
            taken = partial(source.again, None)
        else:
            if line is None:
                raise typer.BadParameter("--events needs --line")
            reader, graph = Reader(events), load_line(line)
            name, asked = events.name, reader.survey()
            taken = partial(_once_more, reader, None if by else "playing")
        if start is None and asked.window is not None:
            start = asked.window[0]
        played = asyncio.run(_play(graph, taken, name, (speed, start), address, by=by))
    again = f"; {played.again} times back" if played.again else ""
    say(
        f"{played.published:,} events published; {played.left_out:,} left out, "
        f"which only a monitor may write{again}"
    )


def _once_more(reader: Reader, doing: str | None) -> Iterator[AnyEvent]:
    """The events of a recording, from the beginning each time; its bad lines are told of the first time."""
    from replay.recording import read_recording

    if reader.events:
        return read_recording(reader.path)
    return reader.read(doing)


async def _play(
    line: Line,
    events: Callable[[], Iterable[AnyEvent]],
    name: str,
    how: tuple[float, Moment | None],
    address: Address,
    *,
    by: str,
) -> Played:
    import aiomqtt

    from replay import keys
    from replay.deck import Deck
    from replay.player import play as played

    speed, begin = how
    deck = Deck(speed, begin=begin)
    try:
        async with aiomqtt.Client(
            address.host,
            address.port,
            protocol=aiomqtt.ProtocolVersion.V5,
            tls_params=aiomqtt.TLSParameters() if address.tls else None,
        ) as client:

            async def publish(topic: str, payload: bytes, *, retain: bool) -> None:
                await client.publish(topic, payload, qos=1, retain=retain)

            with ExitStack() as stack:
                if by:
                    attend = keys.attended if by == "keys" else keys.by_lines
                    given, said = sys.stdin.fileno(), sys.stderr
                    stack.enter_context(attend(deck, line.zone, given, said))
                return await played(
                    events,
                    publish,
                    line=line,
                    name=name,
                    deck=deck,
                    stays=bool(by),
                )
    except aiomqtt.MqttError as error:
        raise Failed(f"{address.host}:{address.port}: {error}") from None


@app.command(
    epilog="Example: tallywatch simulate --line line.toml --hours 24 --seed 7 "
    "--events day.jsonl.gz --truth truth.jsonl"
)
def simulate(
    line: LineFile,
    hours: Annotated[
        float, typer.Option(metavar="H", help="How long.", min=0.01, max=24 * 400)
    ],
    seed: Annotated[
        int, typer.Option(metavar="N", help="The same again gives the same day.")
    ],
    events: Annotated[
        Path, typer.Option(metavar="OUT", help="The recording to write.")
    ],
    truth: Annotated[
        Path | None,
        typer.Option(metavar="TRUTH.jsonl", help="What was wrong in it, a line each."),
    ] = None,
    begin: Annotated[
        str, typer.Option("--from", metavar="TIME", help="When it begins.")
    ] = "2026-05-04T00:00:00Z",
    richness: Annotated[
        Richness,
        typer.Option(help="States and resets alone, with tallies, or everything."),
    ] = Richness.FULL,
) -> None:
    """Make a recording of an invented day, and say what was wrong in it."""
    import json

    from replay.recording import write_recording
    from replay.simulator import simulate as invent

    day = invent(
        load_line(line),
        hours=hours,
        seed=seed,
        begin=moment(begin),
        richness=richness.value,
        rehearsal=events.name,
    )
    count = write_recording(events, progress(day.events, "simulating"))
    if truth is not None:
        with output(truth) as out:
            for one in day.truth:
                out.write(f"{json.dumps(one, ensure_ascii=False)}\n")
    say(f"{count:,} events written to {events}; {len(day.truth)} things went wrong")


@app.command(
    epilog="Example: tallywatch score --alerts alerts.jsonl --truth truth.jsonl "
    "--line line.toml --hours 24"
)
def score(
    alerts: Annotated[
        Path, typer.Option(metavar="ALERTS.jsonl", help="What was raised.")
    ],
    truth: Annotated[Path, typer.Option(metavar="TRUTH.jsonl", help="What was so.")],
    line: Annotated[
        Path | None,
        typer.Option(metavar="LINE.TOML", help="The line file, for the rate."),
    ] = None,
    hours: Annotated[
        float | None,
        typer.Option(
            metavar="H",
            help="How long the recording is; else as long as the two files speak of.",
            min=0.01,
        ),
    ] = None,
    richness: Annotated[
        Richness, typer.Option(help="How much the feed carried.")
    ] = Richness.FULL,
    *,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print it for machines.")
    ] = False,
) -> None:
    """Hold what was raised against what was so: recall, false alerts, delay."""
    import json

    from monitor.core.moments import HOUR
    from replay import scoring

    graph = None if line is None else load_line(line)
    scores = scoring.score(
        _lines(alerts, scoring.read_alerts),
        _lines(truth, scoring.read_truth),
        richness=richness.value,
        beside=None
        if graph is None
        else {one: graph.neighbours(one) for one in graph.sections},
    )
    sections = None if graph is None else len(graph.sections)
    length = scores.length if hours is None else round(hours * HOUR)
    if as_json:
        typer.echo(json.dumps(scoring.as_json(scores, sections, length), indent=2))
    else:
        _print_scores(scoring.rows(scores, sections, length), scoring.COLUMNS)
        say(
            f"{len(scores.missed)} missed; {len(scores.false)} false, of which "
            f"{scores.urgent_false} urgent"
        )
        if left_out := scoring.left_out(scores):
            say(left_out)


def _lines(path: Path, read: Callable[[Iterable[str]], list[T]]) -> list[T]:
    try:
        return read(read_text(path).splitlines())
    except ValueError as error:
        raise Failed(f"{path}: {error}") from None


def _print_scores(rows: Iterable[tuple[str, ...]], columns: tuple[str, ...]) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table

    table = Table(
        box=SIMPLE_HEAD,
        caption="rate: false alerts per 100 sections and week; delays in seconds",
    )
    for column in columns:
        table.add_column(column, justify="left" if column == "kind" else "right")
    for row in rows:
        table.add_row(*row)
    Console(width=100).print(table)


@app.command(epilog="Example: tallywatch demo --seconds 60")
def demo(
    seconds: Annotated[
        float | None,
        typer.Option(metavar="N", help="Stop by itself after so long.", min=1),
    ] = None,
    seed: Annotated[
        int, typer.Option(metavar="N", help="Draws what breaks after a minute.")
    ] = 1,
    *,
    plain: Annotated[
        bool, typer.Option("--plain", help="Leave out what says what one sees.")
    ] = False,
) -> None:
    """Show the monitor at work on an invented line, with nothing else installed.

    After a minute keys do something: S sees the gravest fault, R goes through the urgent alert step by step, X kills the monitor and lets it come back, Enter goes on.
    """
    import asyncio

    from monitor.demo import perform

    asyncio.run(perform(captions=not plain, seconds=seconds, seed=seed))


@app.command(
    epilog="Example: tallywatch run --line line.toml --settings settings.toml "
    "--broker mqtt://127.0.0.1:1883"
)
def run(
    line: LineFile,
    settings: SettingsFile = None,
    broker: BrokerURL = None,
    arrival: Annotated[
        Arrival,
        typer.Option(
            help="Whose word is taken for when an event arrived: this monitor's, or "
            "what is recorded in it (for a feed that is played).",
        ),
    ] = Arrival.MONITOR,
    *,
    rehearsal: Annotated[
        bool,
        typer.Option("--rehearsal", help="Take what is played, under rehearsal/."),
    ] = False,
) -> None:
    """Watch the feed of a broker, until stopped."""
    from monitor.daemon import run as watch
    from monitor.logs import set_up
    from monitor.settings import unknown_places

    graph, text = load_line(line), read_text(line)
    over = {"broker": {"url": broker}} if broker is not None else {}
    found = load_settings(settings, **over)
    faults = unknown_places(found, graph)
    if faults:
        raise Failed(*faults)
    set_up(found.log.level)
    played = rehearsal or arrival is Arrival.RECORDED
    watch(graph, text, found, played=played, rehearsal=rehearsal)


@app.command(
    epilog="Example: tallywatch export --journal journal.sqlite "
    "--from 2026-05-04T00:00:00Z --to 2026-05-05T00:00:00Z --events monday.jsonl.gz"
)
def export(
    begin: From,
    end: To,
    events: Annotated[
        Path, typer.Option(metavar="OUT", help="The recording to write.")
    ],
    files_of: FilesOf = None,
    journal: JournalFile = None,
    data: DataDirectory = None,
) -> None:
    """Make a recording out of the journal, with its lead-in."""
    from monitor.journal import Journal
    from replay.recording import write_recording

    start, stop = window(begin, end)
    path = where(files_of, data, journal).journal
    with Journal.read(path) as book:
        taken = progress(book.export(start, stop), "writing")
        count = write_recording(events, taken)
    say(f"{count:,} events written to {events}")


app.command(
    epilog="Example: tallywatch evidence --data /var/lib/tallywatch "
    "--from 2026-05-04T02:00:00Z --to 2026-05-04T03:00:00Z --roles -o pack.zip"
)(evidence)
app.command(
    epilog="Example: tallywatch verify --journal journal.sqlite, "
    "or: tallywatch verify pack.zip --root DIGEST"
)(verify)
app.command(
    epilog="Example: tallywatch drill --desk http://127.0.0.1:9109 --token-file token"
)(drill)
app.command(
    epilog="Example: tallywatch shown --data /var/lib/tallywatch "
    "--at 2026-05-04T02:11:09Z --position north"
)(shown)
app.command(
    epilog="Example: tallywatch keep --from 2026-05-04T02:00:00Z "
    '--to 2026-05-04T03:00:00Z --reason "T107 let go of a train"'
)(keep)
app.command(
    epilog="Example: tallywatch compare --line line.toml --settings now.toml "
    "--settings tried.toml --events month.jsonl.zst"
)(compare)
app.command(
    epilog="Example: tallywatch report --data /var/lib/tallywatch "
    "--from 2026-05-01T00:00:00Z --to 2026-06-01T00:00:00Z --out may.html"
)(report)
app.command(epilog="Example: tallywatch worklist --data /var/lib/tallywatch")(worklist)
app.add_typer(people_app)
app.add_typer(work_app)
app.add_typer(visits_app)


def main() -> None:
    """The command `tallywatch`."""
    app(prog_name="tallywatch")
