"""What every detector is, and what it says.

A detector is its settings: a frozen dataclass, one file a pattern, named for what a signaller would call it.
It has no memory of its own.
`start` gives a memory for one place; `step` takes a memory and a change and gives the next memory and what was found; `wake_at` says when silence alone would show something, and the engine then calls `wake` at that very moment, never later in settled time, so that how often a clock ticks, how events are batched and how long ordering waits change nothing.
`explain` says in plain sentences what it knows, what it waits for and how near it is.

What a detector says:

- `Found`: a condition holds; opens an alert, or changes the one that is open for the same kind and place;
- `Over`: it holds no longer; ends the alert that is open.

The engine knows what is under work and not known and tells it as changes; what a detector does with that is the one rule all share: **under work or not known nothing is raised, and timers start again afterwards** (`Hold`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, ClassVar, Literal, Protocol, runtime_checkable
from zoneinfo import ZoneInfo

from monitor.core.changes import Change, KnownAgain, NotKnown, WorkBegan, WorkEnded
from monitor.core.layout import Line
from monitor.core.moments import Duration, Moment

Priority = Literal["urgent", "prompt", "planned", "note"]
PlaceKind = Literal["section", "evaluator", "gateway", "source", "head"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One thing a finding rests on.

    Args:
        time: when it was so.
        text: in a sentence.
        event: `source#id`, or "" where silence is the evidence.
    """

    time: Moment
    text: str
    event: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """An asset that may be the cause.

    Args:
        asset: `head/H107`.
        weight: from 0 to 1, how likely among the suspects.
    """

    asset: str
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A condition holds.

    Args:
        began: when it began.
        raised: the latest event time the conclusion needed.
        priority: what it asks of people.
        summary: what happened, in a sentence.
        evidence: what it rests on, in order.
        suspects: likeliest first.
        checks: what to look at first, and what else would explain it.
        parameters: every number behind it.
        affected: the subjects concerned, where more than the place itself.
        ended: where it ends at once.
    """

    began: Moment
    raised: Moment
    priority: Priority
    summary: str
    evidence: tuple[Evidence, ...]
    suspects: tuple[Suspect, ...] = ()
    checks: tuple[str, ...] = ()
    parameters: dict[str, Any] = field(default_factory=dict)
    affected: tuple[str, ...] = ()
    ended: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Over:
    """A condition holds no longer.

    Args:
        at: when it ceased.
        because: why, where that is not plain from the kind.
    """

    at: Moment
    because: str = ""


Finding = Found | Over


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a detector stands: what it may know besides what it is told.

    Args:
        id: of the section, evaluator, gateway or source.
        line: the line file.
    """

    id: str
    line: Line

    @property
    def zone(self) -> ZoneInfo:
        """In which times are shown."""
        return self.line.zone

    def heads(self) -> tuple[Suspect, ...]:
        """The heads of a section as suspects, all alike."""
        heads = self.line.heads_of(self.id)
        return tuple(
            Suspect(asset=f"head/{head}", weight=round(1 / len(heads), 2))
            for head in heads
        )


@runtime_checkable
class Detector(Protocol):
    """What the engine asks of every detector.

    `memory` is whatever `start` gave: a frozen value, pickled and compared freely.
    """

    kind: ClassVar[str]
    """The alert kind, for machines."""

    title: ClassVar[str]
    """The kind as people read it."""

    places: ClassVar[PlaceKind]
    """What its subject is."""

    hears: ClassVar[tuple[type[Change], ...]]
    """The changes it is told of."""

    def start(self, place: Place) -> Any:
        """The memory of a place of which nothing has been heard."""

    def step(
        self, memory: Any, change: Any, place: Place
    ) -> tuple[Any, tuple[Finding, ...]]:
        """What is known after *change*, and what it shows; the same memory where it shows nothing new."""

    def wake_at(self, memory: Any) -> Moment | None:
        """When silence alone will show something."""

    def wake(
        self, memory: Any, at: Moment, place: Place
    ) -> tuple[Any, tuple[Finding, ...]]:
        """The moment asked for has come, and nothing came before it."""

    def explain(self, memory: Any, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*, what is waited for and how near the threshold is, in sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """A condition that must hold for a while: the memory that several detectors share.

    It obeys the one rule: under work or while not known no timer runs and nothing is raised; afterwards what still holds is timed from there, and after work it also counts as begun there.

    Args:
        since: when the condition began, or None while it does not hold.
        timed_from: from when it is timed: `since`, or the end of a spell that stopped the timer.
        event: the event that shows it.
        raised: an alert about it is open.
        stopped: in words, what stops the timer now; "" where it runs.
    """

    since: Moment | None = None
    timed_from: Moment | None = None
    event: str = ""
    raised: bool = False
    stopped: tuple[str, ...] = ()

    def begin(self, since: Moment, at: Moment, event: str) -> Hold:
        """The condition holds since *since*, and is timed from *at*."""
        return replace(self, since=since, timed_from=at, event=event)

    def cease(self) -> Hold:
        """It holds no longer; who calls this says `Over` first where `raised`."""
        return replace(self, since=None, timed_from=None, event="", raised=False)

    def due(self, limit: Duration) -> Moment | None:
        """When it will have held for *limit*, or None where no timer runs."""
        if self.timed_from is None or self.raised or self.stopped:
            return None
        return self.timed_from + limit

    def told(self, change: Change) -> Hold:
        """The same after *change*, where that stops or restarts timers (work, not known)."""
        match change:
            case WorkBegan():
                return replace(self, stopped=(*self.stopped, "work"))
            case NotKnown():
                return replace(self, stopped=(*self.stopped, "not known"))
            case WorkEnded():
                return self._go_on("work", change.at, anew=True)
            case KnownAgain():
                return self._go_on("not known", change.at, anew=False)
        return self

    def _go_on(self, reason: str, at: Moment, *, anew: bool) -> Hold:
        stopped = tuple(other for other in self.stopped if other != reason)
        if self.since is None or self.raised:
            return replace(self, stopped=stopped)
        since = at if anew else self.since
        return replace(self, stopped=stopped, since=since, timed_from=at)


INTERRUPTIONS: tuple[type[Change], ...] = (
    WorkBegan,
    WorkEnded,
    NotKnown,
    KnownAgain,
)
"""What stops and restarts timers; every detector of sections hears these."""
