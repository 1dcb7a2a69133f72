"""What every detector is, and what it says.

A detector is its settings: a frozen dataclass, one file a pattern, named for what a signaller would call it.
It has no memory of its own.
`start` gives a memory for one place; `step` takes a memory and a change and gives the next memory and what was found; `wake_at` says when silence alone would show something, and the engine then calls `wake` at that very moment, never later in settled time, so that how often a clock ticks, how events are batched and how long ordering waits change nothing.
`explain` says in plain sentences what it knows, what it waits for and how near it is; `rule` says when it is raised.

What a detector says:

- `Found`: a condition holds; opens an alert, or changes the one that is open for the same kind and place;
- `Over`: it holds no longer; ends the alert that is open.

The engine knows what is under work and not known and tells it as changes; what a detector does with that is the one rule all share: **under work or not known nothing is raised, and timers start again afterwards** (`Hold`).
"""

from __future__ import annotations

from dataclasses import field, replace
from itertools import pairwise
from typing import Any, ClassVar, Literal, Protocol, runtime_checkable
from zoneinfo import ZoneInfo

from monitor.core.changes import Change, KnownAgain, NotKnown, WorkBegan, WorkEnded
from monitor.core.layout import Evaluator, Line, read_line
from monitor.core.moments import Duration, Moment
from monitor.core.values import value_class
from monitor.core.words import CAUTION, names, span

Priority = Literal["urgent", "prompt", "planned", "note"]
PlaceKind = Literal["section", "evaluator", "gateway", "source", "head", "asset"]


@value_class(frozen=True, slots=True, kw_only=True)
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


@value_class(frozen=True, slots=True, kw_only=True)
class Suspect:
    """An asset that may be the cause.

    Args:
        asset: `head/H107`.
        weight: from 0 to 1, how likely among the suspects.
    """

    asset: str
    weight: float


@value_class(frozen=True, slots=True, kw_only=True)
class Found:
    """A condition holds.

    Args:
        began: when it began.
        raised: the latest event time the conclusion needed.
        priority: what it asks of people.
        summary: what happened, in a sentence.
        evidence: what it rests on, in order.
        suspects: likeliest first.
        checks: what to look at first, and what else would explain it; what the desk does first is put before them.
        parameters: every number behind it.
        affected: the subjects concerned, where more than the place itself.
        ended: where it ends at once.
        lasting: only a person ends it, so each `began` is an alert of its own.
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
    lasting: bool = False


@value_class(frozen=True, slots=True, kw_only=True)
class Over:
    """A condition holds no longer.

    Args:
        at: when it ceased.
        because: why, in words.
    """

    at: Moment
    because: str


Finding = Found | Over


DO_FIRST = "Do first: "
"""Begins the check that says what the desk does first."""

IF_PROMPT = "; if prompt, "
"""In what the desk does first, before what that is where the alert is prompt."""


def first_act(first: str, priority: Priority) -> str:
    """What the desk does first about an alert, of all that a detector says in *first*.

    Example:
        >>> first = "put it on the day list; if prompt, tell the technician on call"
        >>> first_act(first, "planned"), first_act(first, "prompt")
        ('put it on the day list', 'tell the technician on call')
    """
    usual, _, pressing = first.partition(IF_PROMPT)
    return pressing if pressing and priority == "prompt" else usual


LOOK, COULD, SETTLED = "Look first at ", "Could also be: ", "; settled by "
"""Begin the checks that say where to look, and what else it could be; before what would settle that stands the last."""


def look(*first: str, also: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    """What an alert tells people to do: where to look first, what else it could be, and the caution.

    Args:
        first: where to look first, in order, after the words "Look first at".
        also: what else would explain it, each with what would settle that.

    Example:
        >>> look("its supply", also=(("the link", "the log of the link"),))[:2]
        ('Look first at its supply', 'Could also be: the link; settled by the log of the link')
    """
    looks = tuple(f"{LOOK}{what}" for what in first)
    others = tuple(f"{COULD}{what}{SETTLED}{how}" for what, how in also)
    return (*looks, *others, CAUTION)


@value_class(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a detector stands: what it may know besides what it is told.

    Args:
        id: of the section, evaluator, gateway, source or head.
        line: the line file.
    """

    id: str
    line: Line

    @property
    def zone(self) -> ZoneInfo:
        """In which times are shown."""
        return self.line.zone

    @property
    def evaluator(self) -> Evaluator:
        """What keeps the tally of a section."""
        return self.line.evaluators[self.line.sections[self.id].evaluator]

    @property
    def room(self) -> str:
        """Where a technician goes about a section, in words: `EV1 in Thornmere room`."""
        return f"{self.evaluator.id} in {self.evaluator.site}"

    def limits(self, measured: str) -> tuple[float, float] | None:
        """Between what *measured* may lie at a head: its own limits, else the line's, else None."""
        own = self.line.heads[self.id].limits.get(measured)
        return self.line.limits.get(measured) if own is None else own

    @classmethod
    def example(cls, name: str = "T107", **more: Any) -> Place:
        """A place on a small invented line, as the pages of the detections use it.

        Sections T106, T107 and T108 lie in a row, open at both ends; EV1 keeps all three, GW1 speaks for it.
        Head H107 lies between T106 and T107, and so on; sensors are within limits from 4 to 8 V.
        *more* are further keys of T107 in the line file.
        """
        text = (
            '[line]\nname = "Thornmere"\ntimezone = "UTC"\n'
            "[limits]\na_volts = [4.0, 8.0]\nb_volts = [4.0, 8.0]\n"
            '[[evaluator]]\nid = "EV1"\nsite = "Thornmere room"\n'
            'supply = "PS1"\ngateway = "GW1"\n'
        )
        for section in ("T106", "T107", "T108"):
            text += (
                f'[[section]]\nid = "{section}"\narea = "thornmere"\n'
                'evaluator = "EV1"\nlength_m = 820\nspeed_km_h = 120\n'
            )
            if section == "T107":
                text += "".join(f"{key} = {value!r}\n" for key, value in more.items())
        row = ("open", "T106", "T107", "T108", "open")
        for number, (one, other) in enumerate(pairwise(row), 106):
            text += f'[[head]]\nid = "H{number}"\nbetween = ["{one}", "{other}"]\n'
        return cls(id=name, line=read_line(text))

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

    priorities: ClassVar[tuple[Priority, ...]]
    """What its alerts may ask of people, the usual first."""

    first: ClassVar[str]
    """What the desk does first: the list that is signed, every alert and every call say it in these words; after "; if prompt, " what it is where the alert is prompt."""

    within: ClassVar[str]
    """Within what time."""

    otherwise: ClassVar[str]
    """What happens if not."""

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

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by, in a sentence."""

    def explain(self, memory: Any, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*, what is waited for and how near the threshold is, in sentences."""


class Untimed:
    """A detector that silence alone never makes say anything."""

    __slots__ = ()

    def wake_at(self, memory: Any) -> Moment | None:  # noqa: ARG002 - the same for all
        """Never."""
        return None

    def wake(
        self,
        memory: Any,
        at: Moment,  # noqa: ARG002
        place: Place,  # noqa: ARG002
    ) -> tuple[Any, tuple[Finding, ...]]:
        """Nothing; it is not called."""
        return memory, ()


class Resting:
    """A detector that mostly has nothing to do: while its memory rests, few changes can stir it, and it is told of no others.

    Trains are many and faults are few, so this spares nearly half of all steps.
    """

    __slots__ = ()

    stirred_by: ClassVar[frozenset[type[Change]]]
    """The changes that a memory at rest is told of; any other would leave it as it is and find nothing."""

    def rests(self, memory: Any) -> bool:
        """Whether *memory* rests."""
        raise NotImplementedError


@value_class(frozen=True, slots=True, kw_only=True)
class Hold:
    """A condition that must hold for a while: the memory that several detectors share.

    It obeys the one rule: under work or while not known no timer runs and nothing is raised; afterwards what still holds is timed from there, and after work it also counts as begun there.

    Args:
        since: when the condition began, or None while it does not hold.
        timed_from: from when it is timed: `since`, or the end of a spell that stopped the timer.
        shown: when the event that shows it says so; differs from `since` only after work.
        event: the event that shows it.
        anew: the event that ended the work from which it counts as begun, or "".
        raised: an alert about it is open.
        stopped: in words, what stops the timer now; nothing where it runs.
    """

    since: Moment | None = None
    timed_from: Moment | None = None
    shown: Moment = 0
    event: str = ""
    anew: str = ""
    raised: bool = False
    stopped: tuple[str, ...] = ()

    def begin(self, since: Moment, at: Moment, event: str) -> Hold:
        """The condition holds since *since*, and is timed from *at*."""
        # Made outright: `replace` costs several times as much, and trains are many.
        return Hold(
            since=since,
            timed_from=at,
            shown=since,
            event=event,
            raised=self.raised,
            stopped=self.stopped,
        )

    def cease(self) -> Hold:
        """It holds no longer; who calls this says `Over` first where `raised`."""
        return Hold(stopped=self.stopped)

    def due(self, limit: Duration) -> Moment | None:
        """When it will have held for *limit*, or None where no timer runs."""
        if self.timed_from is None or self.raised or self.stopped:
            return None
        return self.timed_from + limit

    def told(self, change: Change) -> Hold:
        """The same after *change*, where that stops or restarts timers (work, not known)."""
        match change:
            case WorkBegan():
                return self._stop("under work")
            case NotKnown():
                return self._stop("not known")
            case WorkEnded():
                after = self._go_on("under work", change.at)
                if after is self or self.since is None or self.raised:
                    return after
                return replace(after, since=change.at, anew=change.event)
            case KnownAgain():
                return self._go_on("not known", change.at)
            case _:
                return self

    def _stop(self, reason: str) -> Hold:
        if reason in self.stopped:
            return self
        return replace(self, stopped=(*self.stopped, reason))

    def _go_on(self, reason: str, at: Moment) -> Hold:
        if reason not in self.stopped:
            return self
        stopped = tuple(other for other in self.stopped if other != reason)
        if self.since is None or self.raised:
            return replace(self, stopped=stopped)
        return replace(self, stopped=stopped, timed_from=at)

    def evidence(self, text: str) -> tuple[Evidence, ...]:
        """The events behind it: what shows it, as *text*, and the end of work from which it counts."""
        shown = Evidence(time=self.shown, text=text, event=self.event)
        if not self.anew or self.since is None:
            return (shown,)
        ended = Evidence(
            time=self.since, text="work ended, and it was still so", event=self.anew
        )
        return (shown, ended)

    def outlook(self, limit: Duration, at: Moment) -> str:
        """How far the timer is at *at*, and what stops it, in a sentence."""
        if self.raised:
            return "That has been raised."
        if self.stopped:
            return f"The timer is stopped: the section is {names(self.stopped)}."
        begun = at if self.timed_from is None else self.timed_from
        gone = min(limit, max(0, at - begun))
        return (
            f"{span(gone)} of {span(limit)} have gone by; "
            f"raised in {span(limit - gone)} if it stays so."
        )


INTERRUPTIONS: tuple[type[Change], ...] = (
    WorkBegan,
    WorkEnded,
    NotKnown,
    KnownAgain,
)
"""What stops and restarts timers; every detector of sections hears these."""
