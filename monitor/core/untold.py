"""When events came, where their recording does not say.

Theory.
A recording without `recordedtime` still tells the order in which its events came.
A clock that is an hour off shows in it: that source's events stand beside events that are an hour older or younger.
But so does a source that spoke alone for an hour, if one looks at the latest time of each; what tells them apart is whether the others, when they speak again, step *back*.

So a common time is kept, the middle of the first times of all sources to begin with.
An event that is not far ahead of it moves it on.
One that is far ahead waits for another source to speak:

- that source is as far on: it was quiet, and is no longer; the common time moves there;
- that source is between the common time and it: the first one's clock is ahead, and its event came between the two;
- that source is behind the common time: its own clock is, and the next one decides.

What came is given its arrival so; from there on its clock is judged like that of any other.
But by how much a clock is off is known only as closely as others speak, which is not close enough to set its events among theirs: while a clock is wrong, the sections of its source are not known.

With fewer than three sources nobody can say which one is right, and no clock is judged.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from monitor.core.events import AnyEvent, GatewayStatus, by_people
from monitor.core.moments import SECOND, Duration, Moment

FEWEST = 3
"""Sources without which no clock is judged."""

FIRST = 200
"""Events after which it is known how many sources there are."""

MOST = 1000
"""Events that wait at most: a source that speaks alone for so long is believed."""

FAR: Duration = 30 * SECOND
"""From here a clock counts as wrong."""

Came = tuple[AnyEvent, Moment | None]
"""An event, and when it came; None where nobody can say, and for what a person entered."""


@dataclass(slots=True)
class Untold:
    """Events of one recording, in its order.

    Args:
        correction: what is added to the times of a source, as known now.
    """

    correction: Callable[[str], Duration]
    common: Moment | None = None
    judged: bool | None = None
    _waiting: deque[AnyEvent] = field(default_factory=deque)

    def take(self, event: AnyEvent) -> Iterator[Came]:
        """The events whose arrival is known now that *event* has come too, in order.

        One by one: what is made of each may correct the clock of the next.
        """
        self._waiting.append(event)
        if self.judged is None:
            if len(self._waiting) < FIRST:
                return iter(())
            self._begin()
        return self._known(flush=False)

    def flush(self) -> Iterator[Came]:
        """The recording is over: the events that still wait, one by one."""
        if self.judged is None:
            self._begin()
        return self._known(flush=True)

    def _begin(self) -> None:
        first: dict[str, Moment] = {}
        for event in self._waiting:
            if _counts(event) and not by_people(event.source):
                first.setdefault(event.source, event.time)
        self.judged = len(first) >= FEWEST
        times = sorted(first.values())
        if times:
            self.common = times[len(times) // 2]

    def _known(self, *, flush: bool) -> Iterator[Came]:
        waiting = self._waiting
        common = self.common if self.judged else None
        while waiting:
            event = waiting[0]
            people = by_people(event.source)
            if common is not None and not people and _counts(event):
                correction = self.correction(event.source)
                time = event.time + correction
                arrival = self._arrival(event, time, common, correction)
                if arrival is None and (flush or len(waiting) > MOST):
                    arrival = time
                if arrival is None:
                    break
                if arrival > common:
                    common = self.common = arrival
            waiting.popleft()
            yield event, None if people else common

    def _arrival(
        self, event: AnyEvent, time: Moment, common: Moment, correction: Duration
    ) -> Moment | None:
        """When *event*, of *time* as corrected, came, or None while that is not known."""
        if abs(correction) >= FAR:
            return common  # corrected roughly: it moves nothing
        if time <= common + FAR:
            return time
        for other in self._waiting:
            if other.source == event.source or by_people(other.source):
                continue
            theirs = self.correction(other.source)
            if abs(theirs) >= FAR or not _counts(other):
                continue
            theirs += other.time
            if theirs >= time - FAR:
                return time
            if theirs >= common - FAR:
                # It came after the common time, and before what came next.
                return (common + max(common, theirs)) // 2
        return None


def _counts(event: AnyEvent) -> bool:
    """Whether the time of *event*, which no person entered, says anything about when it came."""
    if event.retained:
        return False
    return not (isinstance(event, GatewayStatus) and not event.online)
