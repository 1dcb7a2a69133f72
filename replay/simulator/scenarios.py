"""Named days: those with nothing wrong, one for each way of losing the truth, and the tour of the demo; and quiet months."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from random import Random

from monitor.core.events import ResetKind
from monitor.core.layout import Line
from monitor.core.moments import DAY, HOUR, MINUTE, Moment, parse, seconds
from replay.simulator.faults import Fault, drawn
from replay.simulator.railway import Booking
from replay.simulator.simulation import Simulation, simulate
from replay.simulator.trains import Stock, any_stock, long_goods, mixed_stock, railcar

MORNING = parse("2026-05-04T06:00:00Z")
"""When the named days begin."""

MIDNIGHT = parse("2026-05-04T00:00:00Z")
"""When quiet months begin."""

NIGHT = parse("2026-05-04T02:00:00Z")
"""When the tour begins."""

HOURS = {
    "quiet": 24.0,
    "drifting_head": 5.0,
    "long_stand": 4.0,
    "reset_unfollowed": 4.0,
    "work": 4.0,
    "one_sided": 24.0,
    "possession": 6.0,
    "part": 4.0,
    "level_out": 14.0,
    "level_drift": 15 * 24.0,
}
"""How long the named days are, where not three hours."""

LONG = ("level_drift",)
"""Named days that last weeks: with few trains and slow heartbeats, or they would take as long as all others."""

SPARSE_S, SLOW_S = 14_400.0, 300.0

NOTHING = (
    "quiet",
    "standing",
    "close_following",
    "turning",
    "shunting",
    "long_trains",
    "talk_past",
    "part_and_join",
    "possession",
    "restart",
)
"""Named days in which nothing is wrong, however it looks."""

ODD = (
    "standing",
    "talk_past",
    "part_and_join",
    "before_train",
    "restart",
    "possession",
)
"""What happens on a quiet day, besides what its traffic is like; what keeps trains away comes last, so that they come soon after it."""

DAYS = (
    *NOTHING,
    "lightning",
    "drifting_head",
    "level_out",
    "level_drift",
    "loose_head",
    "phantom",
    "reset_followed",
    "reset_unfollowed",
    "reset_inside",
    "lost_train",
    "missed_train",
    "stuck",
    "miscount",
    "one_sided",
    "spurious",
    "lock_out",
    "contacts",
    "not_restored",
    "offline",
    "silence",
    "outage",
    "gap",
    "clock",
    "cable",
    "unit",
    "evaluator",
    "supply",
    "storm",
    "work",
    "long_stand",
    "part",
    "slow_sweep",
    "before_train",
)
"""Every named day: those in which nothing is wrong, and those named after what goes wrong in them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A day to be simulated.

    Args:
        name: what it is called; its events are marked with it.
        begin: when it begins.
        hours: how long it is.
        faults: what goes wrong.
        bookings: trains of a script.
        traffic_after_s: when trains begin to come by themselves.
        heartbeat_s: period of the gateways' heartbeats.
        headway_s: mean time between trains at an open end by day.
        turning: share of trains that go into some section and back.
        shunting: share of trains that come in at an open end and go out there again.
        stock: makes a train that comes by itself.
        apart_s: between one snapshot and the next of a gateway that is back from a silence.
    """

    name: str
    begin: Moment
    hours: float
    faults: Sequence[Fault] = ()
    bookings: Sequence[Booking] = ()
    traffic_after_s: float = 0.0
    heartbeat_s: float = 30.0
    headway_s: float = 1200.0
    turning: float = 0.05
    shunting: float = 0.0
    stock: Callable[[Random], Stock] = any_stock
    apart_s: float = 0.12

    def simulate(
        self, line: Line, *, seed: int = 1, richness: str = "full"
    ) -> Simulation:
        """The day on *line*."""
        return simulate(
            line,
            hours=self.hours,
            seed=seed,
            begin=self.begin,
            richness=richness,
            faults=self.faults,
            rehearsal=self.name,
            heartbeat_s=self.heartbeat_s,
            headway_s=self.headway_s,
            bookings=self.bookings,
            traffic_after_s=self.traffic_after_s,
            turning=self.turning,
            shunting=self.shunting,
            stock=self.stock,
            apart_s=self.apart_s,
        )


def day(name: str, *, subject: str = "") -> Scenario:
    """The named day *name*, in which one thing goes wrong after forty minutes.

    Args:
        name: one of `DAYS`.
        subject: what it strikes; any by default.

    Raises:
        ValueError: there is no such day.
    """
    if name not in DAYS:
        raise ValueError(f"day {name!r}: expected one of {', '.join(DAYS)}")
    at = MORNING + 40 * MINUTE
    faults: dict[str, tuple[Fault, ...]] = {
        "quiet": (),
        "close_following": (),
        "turning": (),
        "shunting": (),
        "long_trains": (),
    }
    scenario = Scenario(
        name=name,
        begin=MORNING,
        hours=HOURS.get(name, 3.0),
        faults=faults.get(name, (Fault(kind=name, subject=subject, at=at),)),
    )
    if name in LONG:
        return replace(scenario, headway_s=SPARSE_S, heartbeat_s=SLOW_S)
    if name in {"close_following", "talk_past"}:
        return replace(scenario, headway_s=240.0)
    if name == "turning":
        return replace(scenario, turning=0.7)
    if name == "shunting":
        return replace(scenario, shunting=0.7)
    if name == "long_trains":
        return replace(scenario, stock=long_goods)
    return scenario


def quiet(*, days: float, seed: int = 1, begin: Moment = MIDNIGHT) -> Scenario:
    """Days of busy, ordinary running, with everything that looks odd and is not wrong.

    Trains follow closely, turn, shunt through open heads, and some are longer than several sections.
    Every day, between five and nineteen o'clock, each of `ODD` happens, one after the other, the last of them at the end.
    Of these only `before_train` disturbs a section, and that is truly so; there is nothing else to be told of.

    Args:
        days: how many.
        seed: draws the order.
        begin: a midnight.
    """
    random = Random(seed)  # noqa: S311 - the same days again is what it is for
    faults = []
    for number in range(math.ceil(days)):
        kinds = [*random.sample(ODD[:-1], len(ODD) - 1), ODD[-1]]
        start = begin + number * DAY + 5 * HOUR
        for place, kind in enumerate(kinds):
            wait = place * 14 * HOUR // len(kinds) + seconds(random.uniform(0, 600))
            way = ResetKind.PREPARATORY if number % 2 else ResetKind.UNCONDITIONAL
            faults.append(Fault(kind=kind, at=start + wait, reset=way))
    end = begin + seconds(days * 86_400)
    return Scenario(
        name="quiet-month",
        begin=begin,
        hours=days * 24,
        faults=tuple(one for one in faults if one.at < end),
        turning=0.1,
        shunting=0.1,
        stock=mixed_stock,
    )


TOUR_HOURS = 30 * 24.0
"""A month of railway time: at twenty times the speed a day and a half of watching."""

TOUR_FAULT_EVERY = (42.0, 68.0)
TOUR_HEADWAY_S = 400.0
"""In the busiest hours; by night two and a half times as long."""

_SHOWN = frozenset(
    {
        "reset_followed",
        "loose_head",
        "not_restored",
        "contacts",
        "gap",
        "offline",
        "silence",
        "lost_train",
        "lock_out",
        "lightning",
        "cable",
        "unit",
        "evaluator",
        "supply",
        "storm",
        "slow_sweep",
    }
)
"""What goes wrong where somebody watches: it is told within minutes, and keeps trains away for no longer than it takes to repair."""


def tour(line: Line, *, hours: float = TOUR_HOURS, seed: int = 1) -> Scenario:
    """The demo's days on the example line.

    Five trains, and in the first minute, at twenty times the speed, four things that go wrong; from then on a fault every 42 to 68 minutes of railway time, and trains by night as by day.

    Args:
        line: the example line, or one with the same sections.
        hours: how long it is; half an hour at least.  What is not asked for is not simulated.
        seed: draws the faults after the first minute.

    Raises:
        ValueError: *line* lacks a section or cable that the tour speaks of.
    """
    missing = [one for one in _TOUR_SECTIONS if one not in line.sections]
    cables = {head.cable for head in line.heads.values()}
    if missing or "C4" not in cables:
        raise ValueError(
            f"the tour needs cable C4 and sections {', '.join(_TOUR_SECTIONS)}"
        )
    end = NIGHT + seconds(hours * 3600)
    random = Random(seed)  # noqa: S311 - the same day again is what it is for
    later = drawn(line, random, NIGHT, end, every=TOUR_FAULT_EVERY, among=_SHOWN)
    branch = line.evaluators[line.sections["M01"].evaluator].gateway or ""
    return Scenario(
        name="tour",
        begin=NIGHT,
        hours=hours,
        faults=(*_tour_faults(branch), *later),
        bookings=_tour_trains(),
        traffic_after_s=19 * 60.0,
        heartbeat_s=5.0,
        headway_s=TOUR_HEADWAY_S,
        # One section after the other comes back, slowly enough to be seen.
        apart_s=6.0,
    )


_EAST = (
    "P01 P02 P03 P04 P06 W01 W02 W03 T06 T07 T08 T09 T10 O01 O02".split()  # noqa: SIM905 - reads as the line does
)
_BRANCH = "M01 M02 M03 M04 M05 M06 M07".split()  # noqa: SIM905
_TOUR_SECTIONS = (*_EAST, "P05", *_BRANCH)


def _minute(minutes: float) -> Moment:
    return NIGHT + round(minutes * MINUTE)


def _tour_faults(branch: str) -> tuple[Fault, ...]:
    at_once = ResetKind.UNCONDITIONAL
    cable = ("P03", "P04", "P05", "P06")
    return (
        # A train is kept before the cable, another where it is to be lost, and the next well behind it.
        Fault(kind="hold", subject="P02", at=_minute(0), minutes=3.5),
        Fault(kind="hold", subject="T07", at=_minute(0), minutes=7.0),
        Fault(kind="hold", subject="T08", at=_minute(0), minutes=11.2),
        Fault(kind="hold", subject="T06", at=_minute(3), minutes=9.0),
        *(
            Fault(kind="disturb", subject=one, at=_minute(3 + place * 0.03))
            for place, one in enumerate(cable)
        ),
        *(
            Fault(
                kind="reset", subject=one, at=_minute(5 + place * 0.05), reset=at_once
            )
            for place, one in enumerate(cable)
        ),
        Fault(kind="reset", subject="T08", at=_minute(9), reset=at_once),
        Fault(kind="outage", subject=branch, at=_minute(14), minutes=1.6),
        # Its technician comes when the tour is over.
        Fault(kind="give_back", subject="T08", at=_minute(21)),
    )


def _tour_trains() -> tuple[Booking, ...]:
    def to(section: str) -> tuple[str, ...]:
        return tuple(_EAST[_EAST.index(section) :])

    return (
        Booking(stock=railcar(4), via=to("T10"), seconds=5, inside=True),
        Booking(stock=railcar(2), via=to("T06"), seconds=15, inside=True),
        Booking(stock=railcar(3), via=to("P01"), seconds=20, inside=True),
        Booking(stock=railcar(1), via=("M02", *_BRANCH[2:]), seconds=10, inside=True),
        Booking(stock=railcar(2), via=to("W01"), seconds=40, inside=True),
    )
