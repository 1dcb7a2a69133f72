"""What is urgent waits until everybody concerned has been heard again.

One lost message would explain a train that vanished, or one that came out unseen.
Where a source numbers its events a loss shows as a gap, at the latest with its next event; so a conclusion waits until each source concerned was heard past the moment it rests on.
A gap, a silence, or a section that turns out not to have been known then comes first: then nobody can tell, and nothing is said.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import tzinfo

from monitor.core.changes import TrainUnseen, TrainVanished
from monitor.core.moments import Moment
from monitor.core.words import clock, names

DROPPED = 16
"""What was not concluded is remembered for whoever asks, so many at most."""

UrgentChange = TrainVanished | TrainUnseen


@dataclass(frozen=True, slots=True)
class Urgent:
    """One conclusion that waits.

    Args:
        change: what will be told.
        sections: whose sources must be heard.
        moment: past when.
    """

    change: UrgentChange
    sections: tuple[str, ...]
    moment: Moment


@dataclass(slots=True)
class Urgency:
    """All that wait.

    Args:
        sure_past: the event time by which what a section's source said up to a moment has surely all come, or None while that is not known.
        source_of: which source speaks for a section.
    """

    sure_past: Callable[[str | None, Moment], Moment | None]
    source_of: Callable[[str], str | None]
    _waiting: list[Urgent] = field(default_factory=list)
    _dropped: deque[tuple[Urgent, str]] = field(
        default_factory=lambda: deque(maxlen=DROPPED)
    )

    def weigh(self, one: Urgent, now: Moment) -> UrgentChange | None:
        """What can be told of *one* now, with the time it needed; None while it waits."""
        raised = one.change.raised
        for name in one.sections:
            heard = self.sure_past(self.source_of(name), one.moment)
            if heard is None:
                self._waiting.append(one)
                return None
            raised = max(raised, heard)
        return replace(one.change, at=now, raised=raised)

    def waits_for(self, source: str) -> bool:
        """Whether a conclusion waits for something of *source*."""
        return any(source in self._sources(one) for one in self._waiting)

    def heard(self, source: str, now: Moment) -> list[UrgentChange]:
        """Something of *source* was settled: what can be told of all that waited for it."""
        waiting, self._waiting = self._waiting, []
        told = []
        for one in waiting:
            if source not in self._sources(one):
                self._waiting.append(one)
                continue
            change = self.weigh(one, now)
            if change is not None:
                told.append(change)
        return told

    def not_heard(self, source: str) -> None:
        """A silence or a gap of *source* came first: nobody can tell."""
        why = f"{source} fell silent, or something it sent was lost"
        self._drop([x for x in self._waiting if source in self._sources(x)], why)

    def not_known(self, section: str, since: Moment) -> None:
        """*section* was not known *since* then: nothing rests on it."""
        gone = [
            one
            for one in self._waiting
            if section in one.sections and since <= one.moment
        ]
        self._drop(gone, f"{section} turned out not to have been known then")

    def _drop(self, gone: list[Urgent], why: str) -> None:
        if gone:
            self._waiting = [one for one in self._waiting if one not in gone]
            self._dropped += [(one, why) for one in gone]

    def explain(self, name: str, zone: tzinfo, at: Moment) -> list[str]:
        """What waits about section *name*, or for it, and what was not concluded, in sentences."""
        said = []
        for one, why in self._dropped:
            if one.change.place == name or name in one.sections:
                rests = clock(one.moment, zone, at)
                said.append(
                    f"What might have been urgent about {one.change.place} "
                    f"at {rests} was not concluded: {why}."
                )
        for one in self._waiting:
            if one.change.place == name or name in one.sections:
                sources = sorted(source for source in self._sources(one) if source)
                past = clock(one.moment, zone, at)
                said.append(
                    f"What may be urgent about {one.change.place} waits until "
                    f"{names(sources)} is heard after {past}: "
                    "one lost message would explain it."
                )
        return said

    def _sources(self, one: Urgent) -> set[str | None]:
        return {self.source_of(name) for name in one.sections}
