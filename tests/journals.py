"""Journals as a monitor writes them, without a monitor."""

from __future__ import annotations

from itertools import count

from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.layout import read_line
from monitor.core.moments import exact
from monitor.core.wire import read, write
from monitor.inforce import started
from monitor.journal import Entry, own
from monitor.settings import read as read_settings

_numbers = count(1)


def record_of(monitor, kind, at, **values):
    """A record of *monitor* as it stands in a journal."""
    return own(
        MonitorRecord(
            id=f"{kind.value}/{exact(at)}/{next(_numbers)}",
            source=monitor,
            subject=monitor,
            time=at,
            arrival=at,
            kind=kind,
            values=values,
        ),
        at,
    )


def start(journal, at, line, *, monitor="monitor-7", version="0.1.0", **settings):
    """A monitor starts at a moment, with a line file and settings."""
    found = read_settings(monitor=monitor, **settings)
    journal.append(
        started(
            journal,
            lambda kind, values: record_of(monitor, kind, at, **values),
            version=version,
            settings=found.text(),
            line=line,
            line_digest=read_line(line).digest,
            now=at,
        )
    )
    return found


def connect(journal, at, monitor="monitor-7"):
    """It has the broker, and what waited there."""
    for kind in (RecordKind.CONNECTED, RecordKind.DRAINED):
        journal.append([record_of(monitor, kind, at)])


def come(journal, events, lag=0):
    """Events come, each *lag* after it happened, and each by itself."""
    for event in events:
        arrival = event.time + lag
        payload = write(event)
        journal.append(
            [
                Entry(
                    payload=payload,
                    arrival=arrival,
                    reading=read(payload, arrival=arrival, live=True),
                    topic=f"tally/a/section/{event.subject}/state",
                )
            ]
        )
