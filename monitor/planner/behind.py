"""What a report is made of: the files of a monitor, or a recording on its way through the engine."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from monitor.core.engine import Output
from monitor.core.events import AnyEvent, MonitorRecord
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.history import History
from monitor.inforce import starts
from monitor.journal import Journal, JournalFault
from monitor.planner.figures import Report
from monitor.planner.period import report
from monitor.planner.recorded import visits_of
from monitor.store import Store
from monitor.visits import Visit

FACTS_AT_ONCE = 5000
"""So many facts of a recording are written together."""


def of_files(
    journal: Journal,
    history: History,
    alerts: Path,
    period: tuple[Moment, Moment],
    line: Line | None = None,
) -> Report:
    """The report of a monitor, out of what it wrote.

    Args:
        journal: up to when it was heard, and the line file in force last.
        history: of what was so.
        alerts: its alert file, if there is one.
        period: from when, up to when.
        line: instead of the line file in force last.

    Raises:
        JournalFault: the journal has no line file.
        LineFault: this version does not take the one it has.
    """
    if line is None:
        held = list(starts(journal))
        if not held:
            raise JournalFault("the journal names no line file; give one with --line")
        line = held[-1].line(journal)
    raised: dict[str, int] = {}
    visits: tuple[Visit, ...] = ()
    if alerts.is_file():
        with Store.to_read(alerts) as store:
            raised = store.raised_by_subject(*period)
            visits = visits_of(journal, store)
    begin, end = period
    reached = journal.ended()
    return report(
        history,
        line,
        begin,
        end,
        reached=begin if reached is None else reached,
        made=reached,
        rehearsal=journal.played,
        alerts=raised,
        visits=visits,
    )


class Gathering:
    """The facts of a recording, gathered while it is replayed.

    Args:
        line: the line file.
    """

    def __init__(self, line: Line) -> None:
        self._line = line
        self._history = History.open(":memory:")
        self._output: list[Output] = []
        self._facts = 0
        self._raised: dict[str, tuple[str, Moment]] = {}
        self._reached: Moment = 0
        self._rehearsal = False

    def watch(self, events: Iterable[AnyEvent]) -> Iterator[AnyEvent]:
        """*events* as they are; up to when they reach, and whether they are a rehearsal's, is noted."""
        for event in events:
            at = event.time if event.arrival is None else event.arrival
            self._reached = max(self._reached, at)
            if not isinstance(event, MonitorRecord):
                self._rehearsal = self._rehearsal or event.rehearsal is not None
            yield event

    def take(self, output: Output) -> None:
        """What the engine gave."""
        for alert in output.alerts:
            self._raised[alert.id] = alert.subject, alert.raised
        if output.facts:
            self._output.append(output)
            self._facts += len(output.facts)
            if self._facts >= FACTS_AT_ONCE:
                self._write()

    def _write(self) -> None:
        self._history.write(fact for one in self._output for fact in one.facts)
        self._output, self._facts = [], 0

    def report(self, begin: Moment, end: Moment) -> Report:
        """The report of a period in it."""
        self._write()
        raised = Counter(
            subject for subject, at in self._raised.values() if begin <= at < end
        )
        return report(
            self._history,
            self._line,
            begin,
            end,
            reached=self._reached,
            rehearsal=self._rehearsal,
            alerts=raised,
        )

    def close(self) -> None:
        """Let go of what was gathered."""
        self._history.close()
