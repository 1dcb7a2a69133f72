"""Which source's clock to believe.

One source an hour off, either way, must not make the events of the others late.
So the lag of each source is watched: the median of arrival less event time over its last 20 events.
The usual lag is the median over the sources within 30 s of arrival.
A source that departs from it by more than 1 s is corrected by the difference, and everybody downstream sees corrected times only.

Four things keep this from doing harm:

- a correction is set once and renewed only when it is half a second off, so ordinary jitter never moves an id;
- an event far from arrival, from a source whose lag is not known yet, or far from the lag that is known, waits and moves nothing meanwhile: a clock that jumps must not carry the watermark with it;
- half of the last events before a jump and half after it say nothing: the lag is renewed only where the middle two agree;
- where no source is within 30 s it is the monitor's own clock that is wrong, and nobody is corrected.

Where a recording does not say when its events arrived, `untold` says when they did.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import deque
from dataclasses import dataclass, field

from monitor.core.changes import ClockJudged
from monitor.core.moments import SECOND, Duration, Moment
from monitor.core.words import offset, span

ENOUGH = 20
"""Events over which a lag is judged."""

MIDDLE = ENOUGH // 2

FAR: Duration = 30 * SECOND
"""From here a clock counts as wrong, and an event as far from its arrival."""

NOTICEABLE: Duration = SECOND
"""Departures up to this are jitter."""

RENEW: Duration = SECOND // 2
"""How far off a correction must be before it is renewed."""

TENTH: Duration = SECOND // 10


@dataclass(slots=True)
class Measured:
    """An event by which a clock is judged.

    Args:
        lag: how long after its time it came.
        at: its time as corrected where it was placed; while it waits, its own.
        late: it came after the watermark had passed it.
    """

    lag: Duration
    at: Moment
    late: bool = False


@dataclass(slots=True)
class SourceClock:
    """What is known of one source's clock."""

    lags: deque[Measured] = field(default_factory=lambda: deque(maxlen=ENOUGH))
    ordered: list[Duration] = field(default_factory=list)
    late: int = 0
    lag: Duration | None = None
    correction: Duration = 0
    wrong: bool = False

    def measure(self, one: Measured) -> None:
        """One more event came."""
        lags, ordered = self.lags, self.ordered
        if len(lags) < ENOUGH:
            insort(ordered, one.lag)
        else:
            oldest = lags[0]
            self.late -= oldest.late
            if oldest.lag != one.lag:
                del ordered[bisect_left(ordered, oldest.lag)]
                insort(ordered, one.lag)
        lags.append(one)
        self.late += one.late
        if len(ordered) == ENOUGH:
            low, high = ordered[MIDDLE - 1], ordered[MIDDLE]
            if self.lag is None or high - low <= NOTICEABLE:
                self.lag = (low + high) // 2

    def jumped(self, lag: Duration) -> bool:
        """Whether *lag* is far from the one that is known."""
        return self.lag is not None and abs(lag - self.lag) > FAR

    def begin_anew(self, held: list[Measured]) -> None:
        """Judge by the events that waited alone: what came before them was another clock."""
        self.lags.clear()
        self.ordered.clear()
        self.late = 0
        for one in held:
            self.measure(one)
        self.lag = self.ordered[len(self.ordered) // 2]

    @property
    def likely(self) -> Duration | None:
        """The lag, or the middle of what was measured of it so far."""
        if self.lag is None and self.ordered:
            return self.ordered[len(self.ordered) // 2]
        return self.lag


@dataclass(slots=True)
class Clocks:
    """The clocks of all sources, and what is usual among them."""

    sources: dict[str, SourceClock] = field(default_factory=dict)
    usual: Duration = 0
    nobody: bool = False

    def of(self, source: str) -> SourceClock:
        """What is known of *source*, beginning with nothing."""
        clock = self.sources.get(source)
        if clock is None:
            clock = self.sources[source] = SourceClock()
        return clock

    def correction(self, source: str) -> Duration:
        """What is added to the times of *source* now."""
        clock = self.sources.get(source)
        return 0 if clock is None else clock.correction

    def explain(self, source: str) -> list[str]:
        """What is known of the clock of *source*, in a sentence."""
        clock = self.sources.get(source)
        if clock is None or clock.lag is None:
            return [
                f"The clock of {source} is not judged yet: that takes {ENOUGH} events."
            ]
        said = (
            f"Events of {source} come {offset(clock.lag)} after their times, "
            f"{offset(self.usual)} is usual; "
            f"from {span(FAR)} apart its clock counts as wrong; "
            f"{clock.late} of its last {len(clock.lags)} came late"
        )
        if clock.correction:
            said += f"; its times are corrected by {offset(clock.correction)}"
        return [f"{said}."]

    def latest_likely(self, arrival: Moment) -> Moment:
        """The latest time that an event coming at *arrival* can bear by a clock that is right."""
        return arrival - self.usual + NOTICEABLE

    def must_wait(self, clock: SourceClock, lag: Duration) -> bool:
        """Whether an event with *lag* must wait until more is known of its source's *clock*."""
        if clock.lag is None:
            return abs(lag) > FAR
        return clock.jumped(lag)

    def measure(self, clock: SourceClock, one: Measured) -> None:
        """One more event came of the source with *clock*."""
        first = clock.lag is None
        clock.measure(one)
        if clock.lag is not None and (
            first or abs(clock.lag - self.usual) > NOTICEABLE
        ):
            self.find_usual()

    def find_usual(self) -> None:
        """What is usual, from what is known of each source."""
        lags = sorted(c.lag for c in self.sources.values() if c.lag is not None)
        near = [lag for lag in lags if abs(lag) <= FAR]
        # A source of which little was heard cannot say what is usual, but that somebody is near.
        likely = (clock.likely for clock in self.sources.values())
        self.nobody = not any(lag is not None and abs(lag) <= FAR for lag in likely)
        pool = near or ([0] if not self.nobody else lags)
        half = len(pool) // 2
        self.usual = pool[half] if len(pool) % 2 else (pool[half - 1] + pool[half]) // 2

    def new_correction(self, clock: SourceClock) -> Duration | None:
        """The correction that the source with *clock* needs from now on, or None where the present one will do."""
        if clock.lag is None:
            return None
        off = 0 if self.nobody else clock.lag - self.usual
        wanted = 0
        if abs(off) > NOTICEABLE:
            wanted = round(off / TENTH) * TENTH
        return wanted if abs(wanted - clock.correction) >= RENEW else None

    def turned(self, clock: SourceClock) -> bool:
        """Whether *clock* is wrong and was not so far, or right again."""
        if clock.lag is None:
            return False
        off = clock.lag if self.nobody else clock.lag - self.usual
        return (abs(off) >= FAR or clock.late > MIDDLE) is not clock.wrong

    def judge(
        self, source: str, clock: SourceClock, at: Moment, event: str
    ) -> ClockJudged:
        """The clock of *source* turned wrong, or right again, with its last event *event*.

        It begins with the first of the events that it rests on, each as it was placed: one from before the clock jumped keeps its time.
        Nothing of it is later than *at*, when it is told.
        """
        clock.wrong = not clock.wrong
        return ClockJudged(
            place=source,
            at=at,
            wrong=clock.wrong,
            nobody=self.nobody,
            lag=clock.lag or 0,
            usual=self.usual,
            late=clock.late,
            began=min(at, clock.lags[0].at),
            events=len(clock.lags),
            event=event,
            correction=clock.correction,
        )
