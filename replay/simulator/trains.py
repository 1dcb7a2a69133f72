"""How a train moves: along one coordinate, in phases of constant acceleration.

Nothing is stepped.
From where a train is and how far it may go follows a profile in closed form; from the profile, the moment at which each axle is over each head.
Metres, seconds, and metres per second throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt
from random import Random

SMALL = 1e-9


@dataclass(frozen=True, slots=True)
class Phase:
    """A time of constant acceleration.

    Args:
        at: when it begins, from the beginning of the profile.
        x: where the front is then.
        v: how fast.
        a: the acceleration; below nought when braking.
        lasts: how long.
    """

    at: float
    x: float
    v: float
    a: float
    lasts: float


def braking_distance(v: float, brake: float) -> float:
    """How far a train runs from *v* to a stand at the deceleration *brake*: v squared over twice that."""
    return v * v / (2 * brake)


def profile(
    x: float,
    v: float,
    stretches: Sequence[tuple[float, float]],
    *,
    accelerate: float,
    brake: float,
    stop: bool,
) -> tuple[Phase, ...]:
    """The fastest run within the limits.

    Args:
        x: where the front is now.
        v: how fast it goes now.
        stretches: the end of each and its highest speed, in order; the first holds *x*.
        accelerate: the greatest acceleration.
        brake: the deceleration of ordinary braking; more only where a limit could not be kept otherwise.
        stop: it stands at the end of the last stretch; else it may pass that at any speed.

    Returns:
        phases that begin and end where their neighbours do.
    """
    leave = 0.0 if stop else inf
    allowed: list[float] = []
    for number in range(len(stretches) - 1, -1, -1):
        end, limit = stretches[number]
        start = stretches[number - 1][0] if number else x
        leave = min(leave, limit)
        allowed.append(leave)
        leave = min(limit, sqrt(leave * leave + 2 * brake * max(0.0, end - start)))
    phases: list[Phase] = []
    time = 0.0
    for (end, limit), cap in zip(stretches, reversed(allowed), strict=True):
        for a, lasts in _stretch(end - x, v, limit, cap, accelerate, brake):
            phases.append(Phase(time, x, v, a, lasts))
            time += lasts
            x += v * lasts + a * lasts * lasts / 2
            v = max(0.0, v + a * lasts)
        x = end
    return tuple(phases)


def _stretch(  # noqa: PLR0917 - six numbers of one formula
    length: float, v: float, limit: float, cap: float, accelerate: float, brake: float
) -> list[tuple[float, float]]:
    """Accelerations and how long each lasts, over *length* from *v* to at most *cap*."""
    if length <= SMALL:
        return []
    if v * v - cap * cap >= 2 * brake * length:
        # No room to do more than brake, and where too fast, harder than usual.
        return [((cap * cap - v * v) / (2 * length), 2 * length / (v + cap))]
    leave = min(cap, sqrt(v * v + 2 * accelerate * length))
    peak = sqrt(
        (2 * accelerate * brake * length + brake * v * v + accelerate * leave * leave)
        / (accelerate + brake)
    )
    peak = max(v, min(peak, limit), leave)
    up = (peak * peak - v * v) / (2 * accelerate)
    down = (peak * peak - leave * leave) / (2 * brake)
    parts = [
        (accelerate, (peak - v) / accelerate),
        (0.0, max(0.0, length - up - down) / peak),
        (-brake, (peak - leave) / brake),
    ]
    return [(a, lasts) for a, lasts in parts if lasts > SMALL]


class Run:
    """A profile that is asked in the order of its positions.

    Args:
        phases: of `profile`.
        x: where it begins, for a profile without phases.
    """

    __slots__ = ("_next", "end", "lasts", "phases", "x")

    def __init__(self, phases: Sequence[Phase], x: float) -> None:
        self.phases = phases
        self.x = x
        self._next = 0
        last = phases[-1] if phases else Phase(0.0, x, 0.0, 0.0, 0.0)
        self.lasts = last.at + last.lasts
        self.end = last.x + last.v * last.lasts + last.a * last.lasts**2 / 2

    def when(self, x: float) -> float:
        """How long after its beginning the front is at *x*, which never goes back; infinite where it does not come so far."""
        if x > self.end + SMALL:
            return inf
        if not self.phases:
            return 0.0
        place, phases = self._next, self.phases
        while place + 1 < len(phases) and x >= phases[place + 1].x:
            place += 1
        self._next = place
        phase = phases[place]
        way = max(0.0, x - phase.x)
        leave = sqrt(max(0.0, phase.v * phase.v + 2 * phase.a * way))
        sum_of_speeds = phase.v + leave
        return phase.at + (2 * way / sum_of_speeds if sum_of_speeds > SMALL else 0.0)

    def where(self, time: float) -> tuple[float, float]:
        """Where the front is and how fast it goes, *time* after its beginning."""
        if time >= self.lasts:
            if not self.phases:
                return self.x, 0.0
            last = self.phases[-1]
            return self.end, max(0.0, last.v + last.a * last.lasts)
        for phase in reversed(self.phases):
            if phase.at <= time:
                gone = time - phase.at
                x = phase.x + phase.v * gone + phase.a * gone * gone / 2
                return x, max(0.0, phase.v + phase.a * gone)
        return self.x, 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What a train is made of.

    Args:
        name: what kind of train.
        axles: distances of the axles behind the front, rising.
        length: over all.
        accelerate: its greatest acceleration.
        brake: its ordinary deceleration.
        fastest: its highest speed.
        stops: how likely it calls in a section.
    """

    name: str
    axles: tuple[float, ...]
    length: float
    accelerate: float
    brake: float
    fastest: float
    stops: float = 0.0

    def turned(self) -> Stock:
        """The same with its other end in front."""
        return Stock(
            name=self.name,
            axles=tuple(self.length - one for one in reversed(self.axles)),
            length=self.length,
            accelerate=self.accelerate,
            brake=self.brake,
            fastest=self.fastest,
            stops=self.stops,
        )

    def divided(self) -> tuple[Stock, Stock, float]:
        """Its front and rear half, and how far the front of the rear is behind the front; four axles or more in each."""
        middle = max(4, len(self.axles) // 2 - len(self.axles) // 2 % 4)
        cut = (self.axles[middle - 1] + self.axles[middle]) / 2
        front = replace(self, axles=self.axles[:middle], length=cut - 0.5)
        rear = replace(
            self,
            axles=tuple(one - cut for one in self.axles[middle:]),
            length=self.length - cut,
        )
        return front, rear, cut

    def with_behind(self, other: Stock, offset: float) -> Stock:
        """It and *other*, whose front is *offset* behind its own."""
        return replace(
            self,
            axles=(*self.axles, *(offset + one for one in other.axles)),
            length=offset + other.length,
        )


Vehicle = tuple[float, tuple[float, ...]]
"""Length, and where its axles are."""

RAILCAR: Vehicle = (24.0, (2.9, 5.3, 18.7, 21.1))
COACH: Vehicle = (26.4, (2.6, 5.1, 21.3, 23.8))
ENGINE: Vehicle = (19.0, (3.1, 6.1, 12.9, 15.9))
HEAVY_ENGINE: Vehicle = (21.0, (2.8, 4.8, 6.8, 14.2, 16.2, 18.2))
WAGON: Vehicle = (14.0, (2.5, 11.5))
LONG_WAGON: Vehicle = (19.6, (1.9, 3.7, 15.9, 17.7))


def coupled(vehicles: Sequence[Vehicle]) -> tuple[tuple[float, ...], float]:
    """The axles of *vehicles* one behind the other, and how long they are together."""
    axles: list[float] = []
    length = 0.0
    for own, places in vehicles:
        axles += [length + one for one in places]
        length += own
    return tuple(axles), length


def railcar(cars: int = 2) -> Stock:
    """A light passenger train."""
    axles, length = coupled([RAILCAR] * cars)
    return Stock(
        name="railcar",
        axles=axles,
        length=length,
        accelerate=0.7,
        brake=0.7,
        fastest=33.0,
        stops=0.25,
    )


def light_engine() -> Stock:
    """An engine alone."""
    axles, length = coupled([ENGINE])
    return Stock(
        name="engine",
        axles=axles,
        length=length,
        accelerate=0.5,
        brake=0.6,
        fastest=28.0,
    )


def any_stock(random: Random) -> Stock:
    """A train as they come: railcars most often, then goods trains, coaches and engines."""
    draw = random.random()
    if draw < 0.5:
        return railcar(random.randint(1, 4))
    if draw < 0.6:
        return light_engine()
    if draw < 0.75:
        axles, length = coupled([ENGINE, *[COACH] * random.randint(3, 8)])
        return Stock(
            name="coaches",
            axles=axles,
            length=length,
            accelerate=0.45,
            brake=0.6,
            fastest=39.0,
            stops=0.15,
        )
    wagons = [
        WAGON if random.random() < 0.5 else LONG_WAGON
        for _ in range(random.randint(8, 34))
    ]
    axles, length = coupled([HEAVY_ENGINE, *wagons])
    return Stock(
        name="goods",
        axles=axles,
        length=length,
        accelerate=0.2,
        brake=0.4,
        fastest=22.0,
    )


def mixed_stock(random: Random) -> Stock:
    """A train as they come, one in twelve longer than most sections."""
    return long_goods(random) if random.random() < 1 / 12 else any_stock(random)


def long_goods(random: Random) -> Stock:
    """A goods train that is longer than most sections."""
    wagons = [LONG_WAGON] * random.randint(45, 75)
    axles, length = coupled([HEAVY_ENGINE, *wagons])
    return Stock(
        name="long goods",
        axles=axles,
        length=length,
        accelerate=0.2,
        brake=0.4,
        fastest=22.0,
    )
