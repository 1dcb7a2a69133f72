"""What is measured: each of these is one run, in a process of its own."""

from __future__ import annotations

import resource
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from time import perf_counter

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.events import AnyEvent, RecordKind
from monitor.core.layout import read_line
from monitor.core.wire import read
from replay.player import replay, survey
from replay.recording import read_recording, read_records
from tests.bench import peers, traffic

Measured = tuple[float, float, str]
"""Seconds, peak memory in MiB, and what came out, in words."""


def decoded(lines: Iterable[bytes]) -> Iterator[AnyEvent]:
    """The events of a recording's lines."""
    for line in lines:
        yield from read(line, recorded=True).events


def measure_replay(path: Path, sections: int, limit: int | None = None) -> Measured:
    """The replay of a recording as the command does it, or of its first *limit* events, every detection on."""
    line = read_line(traffic.line_text(sections))
    begun = perf_counter()
    found = survey(read_records(path, RecordKind.LEARNT, RecordKind.WINDOW))
    surveyed = perf_counter() - begun
    engine = Engine(line, learnt=found.learnt)
    lines = sum(
        len(alert_line(alert)) > 0
        for output in replay(engine, islice(read_recording(path), limit))
        for alert in output.alerts
    )
    what = f"{lines} alert lines; {surveyed:.1f} s of it in the first reading"
    return perf_counter() - begun, _peak(), what


def measure_decoding(path: Path) -> Measured:
    """Decoding and validating alone."""
    begun = perf_counter()
    with path.open("rb") as lines:
        count = peers.decode(lines)
    return perf_counter() - begun, _peak(), f"{count} events"


def measure_rules(path: Path) -> Measured:
    """The plain loop."""
    begun = perf_counter()
    with path.open("rb") as lines:
        repeats, long = peers.two_rules(lines)
    return perf_counter() - begun, _peak(), f"{repeats} repeats, {long} long"


def measure_event(sections: int, count: int) -> Measured:
    """*count* events among *sections*, once every section has been met a few times."""
    engine = Engine(read_line(traffic.line_text(sections)))
    met = 4 * sections
    events = decoded(traffic.events(sections, met + count))
    for event in islice(events, met):
        engine.take(event)
    # Made beforehand, so that the engine alone is measured.
    rest = list(events)
    begun = perf_counter()
    for event in rest:
        engine.take(event)
    return perf_counter() - begun, _peak(), f"{len(rest)} events"


def _peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
