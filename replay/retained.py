"""What a broker keeps of a recording that is played: for each place the last word of how it stands.

A gateway has its states retained by the broker, so that whoever comes later has a picture; so has whoever plays.
When a recording is turned back, what the broker keeps is set to what it was at that moment: the states of then, marked as retained, and nothing where nothing had been said.
So a listener that is there has them as what still holds rather than as news, and one that comes has the picture of then.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from monitor.core.events import AnyEvent, EvaluatorState, GatewayStatus, SectionState
from monitor.core.layout import Line
from monitor.core.moments import Moment
from replay.messages import message

STATES = SectionState, EvaluatorState, GatewayStatus
"""The events that say how something stands, until the next of it."""


@dataclass(slots=True)
class Retained:
    """What the broker keeps.

    Args:
        line: for the areas in the topics.
    """

    line: Line
    _kept: dict[str, AnyEvent] = field(default_factory=dict)

    def takes(self, event: AnyEvent) -> bool:
        """Whether *event* is kept; if so it is from now on, in place of the one before it."""
        if not isinstance(event, STATES):
            return False
        self._kept[message(event, self.line)[0]] = event
        return True

    def become(
        self, events: Iterable[AnyEvent], moment: Moment, name: str
    ) -> Iterator[tuple[str, bytes]]:
        """Let the broker keep what *events* had it keep by *moment*; what is to be published for that.

        Args:
            events: those that had come by then, in order of arrival.
            moment: when.
            name: of the rehearsal.
        """
        before, self._kept = self._kept, {}
        for event in events:
            self.takes(event)
        for topic in before:
            if topic not in self._kept:
                yield topic, b""
        for event in self._kept.values():
            yield message(
                replace(event, arrival=moment, retained=True, rehearsal=name), self.line
            )

    def nothing(self) -> Iterator[tuple[str, bytes]]:
        """Let the broker keep nothing more; what is to be published for that."""
        before, self._kept = self._kept, {}
        for topic in before:
            yield topic, b""
