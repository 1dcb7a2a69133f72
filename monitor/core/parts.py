"""What is remembered of trains and sections while trains are followed: where each may be, and what each section showed.

A train is the set of the sections in which it may be, its parts; `monitor.core.trains` says what a change does to them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from monitor.core.changes import Cleared, Counted
from monitor.core.events import State
from monitor.core.moments import Moment

REMEMBERED = 20
"""Trains into a section that are remembered to doubt the line file."""


@dataclass(slots=True)
class Part:
    """A section in which a train may be.

    Args:
        since: from when.
        behind: the section out of which the train came into it, or "".
        else_out_of: further sections out of which it may have come instead.
        sure: it can have been no other train.
        alone: its entry is explained by that section and by nothing else.
        event: the event that shows it.
        beyond: neighbours that became not clear since, perhaps with this train.
        may_have_left: the section was clear for a moment since, and another may have come in.
        apart: the clear of the section between it and another in which the train was seen too, or None.
    """

    since: Moment
    behind: str
    sure: bool
    alone: bool = False
    event: str = ""
    beyond: set[str] = field(default_factory=set)
    else_out_of: tuple[str, ...] = ()
    may_have_left: bool = False
    apart: Cleared | None = None

    @property
    def ways(self) -> tuple[str, ...]:
        """The sections out of which the train may have come into it."""
        return (self.behind, *self.else_out_of)


@dataclass(slots=True)
class Train:
    """One train.

    Args:
        number: counted up; for the screen.
        first: the section in which it was first seen.
        since: when.
        real: it has gone from one section into another as a train does.
        out: it may have left the line, or be where nothing is known.
        left_over: it is what stayed where a train had gone on, and may be none.
        guess: it may be no train: one from where nobody sees, in case another that could have come did not.
        parts: where it may be.
        counts: the last heads it passed, with the axles counted there.
    """

    number: int
    first: str
    since: Moment
    real: bool = False
    out: bool = False
    left_over: bool = False
    guess: bool = False
    parts: dict[str, Part] = field(default_factory=dict)
    counts: deque[Counted] = field(default_factory=lambda: deque(maxlen=5))

    def onward(self, name: str, since: Moment | None = None) -> dict[str, Part]:
        """The parts into which it went out of section *name*, where it was since *since*."""
        if since is None:
            since = self.parts[name].since
        return {
            other: part
            for other, part in self.parts.items()
            if name in part.ways and part.since >= since
        }

    def roots(self) -> list[str]:
        """The parts that it may have reached out of none of those in which it still is."""
        return [name for name, part in self.parts.items() if not self._led(part)]

    def _led(self, part: Part) -> bool:
        """Whether the train reached *part* out of another that it is still in."""
        led = (self.parts.get(name) for name in part.ways)
        return all(
            one is not None and one.since <= part.since and not one.may_have_left
            for one in led
        )


@dataclass(slots=True)
class Appearance:
    """Something occupies a section, and nothing explains how it came there.

    Args:
        entered: when.
        event: the event that shows it.
        judged: the latest event time by which that is certain, or None while it is not.
        into: the section into which it moved on, or "".
        cleared: when its section cleared after that, or None.
        shown: the event that shows the clear.
        ended: the latest event time by which its occupation was judged to have ended as one does that a train leaves, or None.
        afar: sections that are not joined to this one and gave up a train meanwhile.
    """

    entered: Moment
    event: str
    judged: Moment | None = None
    into: str = ""
    cleared: Moment | None = None
    shown: str = ""
    ended: Moment | None = None
    afar: set[str] = field(default_factory=set)


@dataclass(slots=True)
class Spot:
    """What is remembered of one section.

    Args:
        trains: those that may be in it.
        appearance: what appeared in it.
        left_behind: it stays occupied after its train went on.
        lost: the train that had nowhere to go when it cleared, with what it was in it.
        comers: for each of the last trains into it, the sections that gave one up just then, though not joined to it.
        entered: when it became not clear last.
        occupied: when it became `occupied` last.
        before: both, before that: a clear that proves short ended nothing.
        pending: entries that are not weighed yet.
        by_reset: its last clear belonged to a reset, and gave up no train.
        gone: it has cleared for good, and whoever was in it has been looked for elsewhere.
        hid: until when it showed neither clear nor `occupied`, or was not known.
        visited: when a neighbour gave up a train last that may have come in here, where it was not clear.
        certain: one of the trains that may be in it has come in: it became `occupied`, and whoever may have come is among them.
    """

    neighbours: tuple[str, ...]
    open: bool
    state: State | None = None
    trains: dict[int, Train] = field(default_factory=dict)
    appearance: Appearance | None = None
    left_behind: bool = False
    lost: tuple[Train, Part, Moment, str] | None = None
    comers: deque[frozenset[str]] = field(
        default_factory=lambda: deque(maxlen=REMEMBERED)
    )
    entered: Moment = 0
    occupied: Moment = 0
    before: tuple[Moment, Moment] = (0, 0)
    pending: int = 0
    by_reset: bool = False
    gone: bool = False
    certain: bool = False
    visited: Moment = 0
    hid: Moment = 0
