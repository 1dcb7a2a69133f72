"""What was judged last of each section, for whoever asks why nothing was said.

Stages forget what they have judged, since no conclusion needs it any longer.
A person who asks does: whether the last occupation was entered and left as a train does, and which neighbour says so; and what the section showed before, state by state.
Nothing is concluded from what is kept here.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import ClassVar

from monitor.core.changes import (
    Change,
    Cleared,
    OccupationEnded,
    StateChanged,
    Verdict,
)
from monitor.core.events import State
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.core.words import clock, names

STATES_KEPT = 60
"""So many changes of state are kept of a section: with a train every two minutes that is an hour."""


@dataclass(slots=True)
class Lately:
    """The last occupation of each section that is over and judged, and its last states.

    Args:
        line: the line file.
    """

    hears: ClassVar[frozenset[type[Change]]] = frozenset(
        {Cleared, OccupationEnded, StateChanged}
    )
    """The kinds of change that `hear` knows."""

    line: Line
    _cleared: dict[str, Cleared] = field(default_factory=dict)
    _ended: dict[str, OccupationEnded] = field(default_factory=dict)
    _states: dict[str, deque[tuple[Moment, State]]] = field(default_factory=dict)

    def hear(self, change: Change) -> None:
        """Keep *change*, in the place of the one before."""
        if isinstance(change, StateChanged):
            kept = self._states.get(change.place)
            if kept is None:
                kept = self._states[change.place] = deque(maxlen=STATES_KEPT)
            kept.append((change.at, change.now))
        elif isinstance(change, Cleared):
            self._cleared[change.place] = change
        elif isinstance(change, OccupationEnded):
            self._ended[change.place] = change

    def states(self, name: str) -> tuple[tuple[Moment, State], ...]:
        """The last states of section *name*, the oldest first, each with the moment from which on it was shown."""
        return tuple(self._states.get(name, ()))

    def explain(self, name: str, at: Moment) -> list[str]:
        """How the last occupation of section *name* was entered and left, in a sentence."""
        ended = self._ended.get(name)
        if ended is None:
            return []
        zone = self.line.zone
        span = f"{clock(ended.began, zone, at)} to {clock(ended.ended, zone, at)}"
        how = "by a reset" if ended.by_reset else "by itself"
        others = "" if ended.only_occupied else "not only as occupied; "
        proof = "a train worked through" if ended.worked else "no train worked through"
        return [
            (
                f"{name} was occupied or not clear last from {span}: {others}"
                f"its entry {_VERDICTS[ended.entry]}; it cleared {how}, "
                f"and its exit {self._exit(name, ended)}; {proof}."
            )
        ]

    def _exit(self, name: str, ended: OccupationEnded) -> str:
        said = _VERDICTS[ended.exit]
        cleared = self._cleared.get(name)
        if ended.exit is not Verdict.EXPLAINED:
            return said
        if cleared is not None and cleared.cleared == ended.ended and cleared.beside:
            was = "was" if len(cleared.beside) == 1 else "were"
            return f"{said}: {names(cleared.beside)} {was} not clear or not known"
        if self.line.is_open(name):
            return f"{said}: it has a head with no detection beyond"
        return f"{said}: a neighbour was not known then"


_VERDICTS = {
    Verdict.EXPLAINED: "is explained",
    Verdict.NOT_EXPLAINED: "is not explained, every neighbour being known clear",
    Verdict.CANNOT_TELL: "cannot be judged, a neighbour not being known then",
}
