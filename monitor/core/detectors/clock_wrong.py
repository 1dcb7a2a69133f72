"""A source's clock departs from the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from monitor.core.changes import Change, ClockJudged
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Suspect,
)
from monitor.core.moments import SECOND, Moment
from monitor.core.words import CAUTION, offset


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """What was judged last."""

    wrong: bool = False
    off: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockWrong:
    """A source's clock departs from the others by half a minute or more, or most of what it sends comes late.

    What the desk does first: put it on the day list; its times are corrected meanwhile.
    Within: the day.
    If not: times in records disagree with those of the neighbours.

    Example:
        >>> ClockWrong().explain(Clock(), 0, Place(id="gw/1", line=None))
        ('The clock of gw/1 is within the others.',)

    It is wrong where a link delays everything by half a minute.
    """

    kind: ClassVar[str] = "clock-wrong"
    title: ClassVar[str] = "clock departs from the others"
    places: ClassVar[PlaceKind] = "source"
    hears: ClassVar[tuple[type[Change], ...]] = (ClockJudged,)
    first: ClassVar[str] = "put it on the day list; its times are corrected"
    within: ClassVar[str] = "the day"
    otherwise: ClassVar[str] = "times in records disagree with the neighbours'"

    def start(self, place: Place) -> Clock:  # noqa: ARG002
        """Nothing has been judged."""
        return Clock()

    def step(
        self, memory: Clock, change: Change, place: Place
    ) -> tuple[Clock, tuple[Finding, ...]]:
        """Raise where it turns wrong, over where it is within again."""
        if not isinstance(change, ClockJudged):
            return memory, ()
        off = change.lag - (0 if change.nobody else change.usual)
        if not change.wrong:
            findings = (Over(at=change.at),) if memory.wrong else ()
            return Clock(off=off), findings
        return Clock(wrong=True, off=off), (self._found(change, off, place),)

    def _found(self, change: ClockJudged, off: int, place: Place) -> Found:
        who = "no source agrees with this monitor" if change.nobody else place.id
        said = f"its times are corrected by {offset(change.correction)}"
        if not change.correction:
            said = "its times are not corrected"
        return Found(
            began=change.began,
            raised=max(change.at, change.began),
            priority="planned",
            summary=f"{who}: clock departs by {offset(off)}; {said}",
            evidence=(
                Evidence(
                    time=change.at, text="the last event judged", event=change.event
                ),
            ),
            suspects=(Suspect(asset=f"source/{place.id}", weight=0.8),),
            checks=(
                "Look first at the time service of the gateway and of the evaluators behind it",
                "Could also be a link that delays; settled by the gateway's own record of sending",
                CAUTION,
            ),
            parameters={
                "lag_s": change.lag / SECOND,
                "usual_lag_s": change.usual / SECOND,
                "late_of_20": change.late,
                "correction_s": change.correction / SECOND,
            },
        )

    def wake_at(self, memory: Clock) -> Moment | None:  # noqa: ARG002
        """Silence shows nothing."""
        return None

    def wake(
        self,
        memory: Clock,
        at: Moment,  # noqa: ARG002
        place: Place,  # noqa: ARG002
    ) -> tuple[Clock, tuple[Finding, ...]]:
        """Never called."""
        return memory, ()

    def explain(
        self,
        memory: Clock,
        at: Moment,  # noqa: ARG002
        place: Place,
    ) -> tuple[str, ...]:
        """What is known."""
        if not memory.wrong:
            return (f"The clock of {place.id} is within the others.",)
        return (f"The clock of {place.id} departs by {offset(memory.off)}.",)
