"""Step by step through the events of a section: what each detection knew then, and why it did or did not conclude.

It is the engine over the recording once more, asked after each event that concerns the section or one beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from monitor.core.alerts import Alert
from monitor.core.changes import (
    Change,
    KnownAgain,
    NotKnown,
    ResetTaken,
    StateChanged,
    WorkBegan,
    WorkEnded,
)
from monitor.core.engine import Engine, Output
from monitor.core.events import AnyEvent
from monitor.core.layout import Line
from monitor.core.moments import MINUTE, Duration, Moment
from monitor.core.words import STATES
from monitor.incident.story import Story

BEFORE: Duration = 3 * MINUTE
"""Steps begin so long before what is stepped through."""

MOST = 40
"""Steps of one walk at most: the last ones on the way to an alert, else the first ones."""

WALKS = 12
"""Alerts of a report that are stepped through at most: the gravest, then the first."""

HEARS: frozenset[type[Change]] = frozenset(
    {StateChanged, NotKnown, KnownAgain, WorkBegan, WorkEnded, ResetTaken}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """What is to be stepped through.

    Args:
        section: which.
        begin: from when.
        end: to when.
        alert: id of the alert that it is about, or "".
    """

    section: str
    begin: Moment
    end: Moment
    alert: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How things stood after something had happened.

    Args:
        at: when that was, settled.
        event: the event that shows it, or "".
        what: happened, in words.
        said: by the section, by what lies beside it, and by each detection.
    """

    at: Moment
    event: str
    what: str
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """A walk, step by step.

    Args:
        section: which.
        alert: that it is about, or "".
        steps: the oldest first.
    """

    section: str
    alert: str
    steps: tuple[Step, ...]


def walks_of(story: Story, most: int = WALKS) -> tuple[Walk, ...]:
    """The walks to the alerts of *story* about sections: the gravest first, of those as grave the ones raised in the window; *most* at most."""
    ranks = {"urgent": 0, "prompt": 1}
    alerts = [
        one.alert
        for one in (*story.raised_in, *story.open_before)
        if one.alert.priority in ranks and _section(one.alert, story.line)
    ]
    chosen = sorted(alerts, key=lambda one: ranks[one.priority])[:most]
    return tuple(
        Walk(
            section=_section(one, story.line),
            begin=one.began - BEFORE,
            end=one.raised,
            alert=one.id,
        )
        for one in chosen
    )


def _section(alert: Alert, line: Line) -> str:
    name = alert.subject.removeprefix("section/")
    return name if name in line.sections else ""


@dataclass(slots=True)
class _Stepper:
    """One walk, as it is gone."""

    walk: Walk
    near: frozenset[str]
    steps: list[Step] = field(default_factory=list)
    happened: list[Change] = field(default_factory=list)
    concluded: set[str] = field(default_factory=set)

    def hear(self, change: Change) -> None:
        if change.place in self.near and self.walk.begin <= change.at <= self.walk.end:
            self.happened.append(change)

    def look(self, engine: Engine, output: Output) -> None:
        """Ask what is known, where something happened."""
        raised = [
            alert
            for alert in output.alerts
            if f"section/{self.walk.section}" == alert.subject
            # Told anew it says what was known later, under the time of the first.
            and alert.id not in self.concluded
            and self.walk.begin <= alert.raised <= self.walk.end
        ]
        self.concluded |= {alert.id for alert in raised}
        if not (self.happened or raised):
            return
        said = tuple(engine.explain(self.walk.section))
        told = [_in_words(one) for one in self.happened]
        told += [
            f"{alert.kind} ({alert.priority}): {alert.summary}" for alert in raised
        ]
        last = self.happened[-1] if self.happened else None
        self.steps.append(
            Step(
                at=last.at if last is not None else raised[-1].raised,
                event=getattr(last, "event", ""),
                what="; ".join(dict.fromkeys(told)),
                said=said,
            )
        )
        self.happened.clear()


def _in_words(change: Change) -> str:
    match change:
        case StateChanged():
            return f"{change.place} {STATES[change.now.value]}"
        case KnownAgain():
            return f"{change.place} known again, {STATES[change.state.value]}"
        case NotKnown():
            return f"{change.place} not known"
        case WorkBegan():
            return f"{change.place} {change.why}"
        case WorkEnded():
            return f"{change.place} no longer under work"
        case ResetTaken():
            return f"{change.place} reset {change.step.value}"
    return change.place


def step_through(
    engine: Engine, events: Iterable[AnyEvent], walks: Iterable[Walk]
) -> tuple[Steps, ...]:
    """What was known at each step of *walks*, in their order.

    Args:
        engine: a fresh one, told what was learnt.
        events: of the recording, in order of arrival; no more is taken of them than is needed.
        walks: what to step through.

    Raises:
        KeyError: the line file has no such section.
    """
    steppers = [
        _Stepper(one, frozenset({one.section, *engine.line.neighbours(one.section)}))
        for one in walks
    ]
    for one in steppers:
        engine.listen(HEARS, one.hear)
    for output in _outputs(engine, events, [one.walk.end for one in steppers]):
        for one in steppers:
            one.look(engine, output)
    return tuple(
        Steps(
            section=one.walk.section,
            alert=one.walk.alert,
            steps=tuple(one.steps[-MOST:] if one.walk.alert else one.steps[:MOST]),
        )
        for one in steppers
    )


def _outputs(
    engine: Engine, events: Iterable[AnyEvent], ends: list[Moment]
) -> Iterator[Output]:
    """What each event brings, until time has surely come past all *ends*."""
    last = max(ends, default=0)
    for event in events:
        yield engine.take(event)
        if engine.watermark is not None and engine.watermark > last:
            return
    yield engine.finish()
