"""A window of the journal, concluded from again as the monitor did it then: with the line file and the settings that were in force, and in the order in which things came.

A monitor that starts anew folds its whole journal with what is in force from then on.
So a window in which that changed is gone through once for each: up to the next start, and then again from its lead-in; what was said already is not said twice, as the monitor's own store has it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby, pairwise

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine, Output
from monitor.core.events import AnyEvent, MonitorRecord
from monitor.core.faults import Fault, call_line, fault_line
from monitor.core.layout import Line
from monitor.core.moments import HOUR, Moment
from monitor.core.succession import Succession
from monitor.core.tuning import Detection
from monitor.core.words import in_full, names
from monitor.inforce import InForce, differences, in_force
from monitor.journal import LEAD_IN_H, Journal

Through = Callable[[Iterable[AnyEvent]], Iterable[AnyEvent]]
"""What events are handed through on their way: they are counted there, or looked at."""


class PastFault(Exception):
    """A window of the journal cannot be concluded from again; the text says why, in one line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One going through the window.

    Args:
        line: the line file.
        detection: every number besides.
        monitor: the id of the monitor.
        last: the position at which it ends, or None: as far as the window goes.
    """

    line: Line
    detection: Detection
    monitor: str
    last: int | None = None


class Past:
    """A window of a journal.

    Args:
        journal: that holds it.
        begin: from when.
        end: up to when.
        line: instead of the line file in force then.
        detection: instead of the settings in force then.
        lead_in_h: hours before it that are gone through too.

    Attributes:
        in_force: what was, oldest first.
        run: the number of the run at which `outputs` is.
    """

    def __init__(
        self,
        journal: Journal,
        begin: Moment,
        end: Moment,
        *,
        line: Line | None = None,
        detection: Detection | None = None,
        lead_in_h: float = LEAD_IN_H,
    ) -> None:
        self.journal = journal
        self.run = 0
        self.begin, self.end = begin, end
        self.lead_in_h = lead_in_h
        self._line, self._detection = line, detection
        self.in_force = in_force(journal, begin, end + 1)  # both included

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """How often the window is gone through, and with what.

        Raises:
            PastFault: the journal does not say what was in force, and nobody else does.
            LineFault: this version does not take the line file.
        """
        if not self.in_force:
            if self._line is None:
                raise PastFault(
                    "the journal does not say which line file was in force then: "
                    "name one with --line"
                )
            found = self._detection if self._detection is not None else Detection()
            return (Run(line=self._line, detection=found, monitor="monitor-1"),)
        spells = [list(group) for _, group in groupby(self.in_force, self._told_by)]
        runs = [self._run(spell[-1]) for spell in spells]
        return (
            *(
                replace(run, last=after[0].position - 1)
                for run, after in zip(runs, spells[1:], strict=False)
            ),
            runs[-1],
        )

    @cached_property
    def areas(self) -> dict[str, tuple[str, ...]]:
        """The areas that each desk looked after, by its name, as they were set up last in the window; empty where the journal does not say."""
        if not self.in_force:
            return {}
        found = self.in_force[-1].settings(self.journal).get("desk", {})
        return {one["name"]: tuple(one["areas"]) for one in found.get("position", ())}

    @property
    def changes(self) -> tuple[tuple[Moment, str], ...]:
        """From when on each run but the first holds, within the window, and in what it is other than the one before, in words.

        Raises:
            PastFault, LineFault: as for `runs`.
        """
        spells = [list(group) for _, group in groupby(self.in_force, self._told_by)]
        found = []
        for before, after in pairwise(spells):
            at = self._came_after(after[0])
            said = differences(self.journal, before[-1], after[-1])
            found.append((min(max(at, self.begin), self.end), "; ".join(said)))
        return tuple(found)

    def _came_after(self, one: InForce) -> Moment:
        """When a start was, on the clock of the feed: of what was played, when the first event came after it."""
        if not self.journal.played:
            return one.at
        at = self.journal.came_from(one.position)
        return self.end if at is None else at

    def _told_by(self, one: InForce) -> tuple[str, ...]:
        """What of it conclusions here depend on."""
        return (
            one.monitor,
            one.settings_digest if self._detection is None else "",
            one.line_digest if self._line is None else "",
        )

    def _run(self, one: InForce) -> Run:
        line, detection = self._line, self._detection
        return Run(
            line=one.line(self.journal) if line is None else line,
            detection=one.detection(self.journal)[0]
            if detection is None
            else detection,
            monitor=one.monitor,
        )

    def as_it_was(self) -> Past | None:
        """The same window by what was in force in it; None where this is that already, or the journal does not say what was."""
        if (self._line is None and self._detection is None) or not self.in_force:
            return None
        return Past(self.journal, self.begin, self.end, lead_in_h=self.lead_in_h)

    @property
    def lead_in(self) -> Moment:
        """From when on it is gone through."""
        return self.begin - round(self.lead_in_h * HOUR)

    def events(self, run: Run) -> Iterator[AnyEvent]:
        """What *run* goes through, in order of arrival, with its lead-in."""
        return self.journal.export(self.begin, self.end, self.lead_in_h, last=run.last)

    def engine(self, run: Run) -> Engine:
        """An engine for *run* that has been told nothing yet but what was learnt."""
        return Engine(
            run.line,
            run.detection,
            monitor=run.monitor,
            learnt=self.journal.learnt(),
        )

    def outputs(
        self,
        until: Moment | None = None,
        through: Through = iter,
    ) -> Iterator[Output]:
        """What was concluded, lead-in included, each line once.

        Args:
            until: conclude what falls due up to here by silence alone; by default, up to the last event.
            through: what the events are handed through on their way.
        """
        before: set[str] = set()
        told: dict[str, Fault] = {}
        starts = [None, *(at for at, _ in self.changes)]
        for number, (run, start) in enumerate(zip(self.runs, starts, strict=True)):
            self.run = number
            engine, said = self.engine(run), set[str]()
            succession = Succession(tuple(told.values()))
            heard, folding = 0, start is not None
            for event in through(self.events(run)):
                at = event.time if event.arrival is None else event.arrival
                if folding and start is not None and at >= start:
                    # Up to here the start folded, and said what became of those of before.
                    yield _new(_otherwise(succession, heard, told), before, said)
                    folding = False
                if not isinstance(event, MonitorRecord):
                    heard = max(heard, at)
                output = engine.take(event)
                if output:
                    if folding:
                        succession.told(output.faults)
                    told.update((one.id, one) for one in output.faults)
                    yield _new(output, before, said)
            if folding:
                yield _new(_otherwise(succession, heard, told), before, said)
            if run.last is None:
                yield _new(engine.finish(until), before, said)
            before |= said

    def came(self) -> dict[str, Moment]:
        """When each line came that is concluded from the window and its lead-in, by the clock of the journal: with the event that brought it, or with the start that folded it."""
        found: dict[str, Moment] = {}
        starts = [0, *(at for at, _ in self.changes)]
        now = 0

        def through(events: Iterable[AnyEvent]) -> Iterator[AnyEvent]:
            nonlocal now
            for event in events:
                now = event.time if event.arrival is None else event.arrival
                yield event

        for output in self.outputs(through=through):
            at = max(now, starts[self.run])
            for text in (
                *map(alert_line, output.alerts),
                *map(fault_line, output.faults),
                *map(call_line, output.calls),
            ):
                found.setdefault(text, at)
        return found

    def asked_for(self, moment: Moment) -> bool:
        """Whether *moment* is in the window rather than in its lead-in."""
        return self.begin <= moment <= self.end

    def said(self, version: str) -> list[str]:
        """What was in force and what is used, in sentences.

        Args:
            version: of this monitor.

        Raises:
            PastFault, LineFault: as for `runs`.
        """
        line = self.runs[-1].line
        # A monitor of what is played starts by the time of day, whatever time its feed has.
        played = " (wall clock; rehearsal)" if self.journal.played else ""
        said = [
            f"In force from {in_full(one.at, line.zone, line.timezone)}{played} on: {self._named(one)}."
            for one in self.in_force
        ]
        others = sorted({one.version for one in self.in_force} - {version})
        if others:
            said.append(
                f"Concluded then by version {names(others)}, now by version {version}: "
                "what they say may differ."
            )
        for one in self.in_force:
            left_out = () if self._detection else one.detection(self.journal)[1]
            said += [
                f"Settings in force then that this version does not know: {left}."
                for left in left_out
            ]
        given = [
            what
            for what, there in (
                ("line file", self._line),
                ("settings", self._detection),
            )
            if there is not None
        ]
        if given:
            said.append(f"Used instead of what was in force: the {names(given)} given.")
        return list(dict.fromkeys(said))

    def reach_of(self, at: Moment) -> list[str]:
        """How far what is looked at for *at* goes, in sentences; nothing of a journal of what was played, whose times are another's."""
        began, ended = self.journal.began(), self.journal.ended()
        if began is None or ended is None or self.journal.played:
            return []
        line = self.runs[-1].line
        first = in_full(max(began, self.lead_in), line.zone, line.timezone)
        said = [f"What came before {first} is not looked at."]
        if at > ended:
            last = in_full(ended, line.zone, line.timezone)
            said.append(f"Nothing is journaled after {last}.")
        return said

    @staticmethod
    def _named(one: InForce) -> str:
        return (
            f"monitor {one.monitor}, version {one.version}, "
            f"line file {one.line_digest[:12]}, settings {one.settings_digest[:12]}"
        )


def _otherwise(succession: Succession, heard: Moment, told: dict[str, Fault]) -> Output:
    """What a start says of the faults that were *told* before it and are told otherwise now."""
    lines = succession.lines(heard)
    told.update((one.id, one) for one in lines)
    return Output(faults=lines)


def _new(output: Output, before: set[str], said: set[str]) -> Output:
    """*output* without what was said *before*; what is in it is *said*."""

    def fresh(text: str) -> bool:
        said.add(text)
        return text not in before

    return replace(
        output,
        alerts=tuple(one for one in output.alerts if fresh(alert_line(one))),
        faults=tuple(one for one in output.faults if fresh(fault_line(one))),
        calls=tuple(one for one in output.calls if fresh(call_line(one))),
    )


def explained(
    past: Past,
    section: str,
    at: Moment,
    kind: str | None = None,
    through: Through = iter,
) -> list[str]:
    """What each detection knew of a section at a moment, by what was in force then.

    Args:
        past: a window that ends at *at*.
        section: which.
        at: as it stood then.
        kind: only this detection.
        through: what the events are handed through on their way.

    Raises:
        KeyError: there was no such section.
        PastFault, LineFault: as for `Past.runs`.
    """
    run = past.runs[-1]
    engine = past.engine(run)
    for event in through(past.events(run)):
        came = event.time if event.arrival is None else event.arrival
        if came <= at:
            engine.take(event)
    engine.finish(at)
    return engine.explain(section, kind)
