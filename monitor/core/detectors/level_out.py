"""A measured value of a head outside its limits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from monitor.core.changes import Change, LevelMeasured, WorkBegan, WorkEnded
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    Suspect,
    Untimed,
    look,
)
from monitor.core.moments import SECOND, Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import MEASURED, amount, clock, names, span


@value_class(frozen=True, slots=True, kw_only=True)
class Run:
    """Samples of one value that lie outside its limits, one after the other.

    Args:
        name: of the value.
        value: the last sample outside.
        since: the first one.
        event: that shows it.
        count: how many there were.
        raised: they were enough.
        back: the first sample within the limits since, or None where the last was outside.
        backs: how many have been within, one after the other.
    """

    name: str
    value: float
    since: Moment
    event: str
    count: int = 1
    raised: bool = False
    back: Moment | None = None
    backs: int = 0


@value_class(frozen=True, slots=True, kw_only=True)
class Levels:
    """What is known of the values of a head.

    Args:
        runs: the values that are outside, or not yet back for good, by name.
        raised: when the open alert was raised, or None where none is open.
        began: the first sample outside of the open alert.
        under_work: nothing is judged now.
    """

    runs: tuple[Run, ...] = ()
    raised: Moment | None = None
    began: Moment = 0
    under_work: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelOut(Untimed):
    """A value measured at a head lies outside its limits: the head may miscount or fail at any train.

    What the desk does first: tell the technician on call, with the value and its limits.
    Within: the day.
    If not: the head fails or miscounts under a train.

    Args:
        out_s: how long it must lie outside, from sample to sample (common practice: a train over the head, or a reading taken amiss, is gone by then).
        samples: so many samples outside, one after the other, are enough too (common practice: one is chance, two may be, three are not).

    Silence is no sample: one value outside and nothing after it raises nothing.
    It is over when the values have been within for as long, or for as many samples.
    A value that touches its limit is within.

    Example:
        >>> from monitor.core.moments import MINUTE, parse
        >>> detector, place = LevelOut(), Place.example("H107")
        >>> memory, noon = detector.start(place), parse("2026-05-04T12:00:00Z")
        >>> for at in (noon, noon + MINUTE):
        ...     change = LevelMeasured(
        ...         place="H107", at=at, values={"a_volts": 3.4}, event="gw/1#7"
        ...     )
        ...     memory, findings = detector.step(memory, change, place)
        >>> findings[0].summary
        'H107: level of sensor A 3.4 V, below 4 V, for 1 min'

    When it is wrong: where the limits in the line file are not those of this type of head, and where someone measures or adjusts without the feed being told of work.
    A head that sends no levels is not watched by this, and neither is a value without limits.

    References:
        The limits are those of the head's own manual; no statistics are involved.
    """

    kind: ClassVar[str] = "level-out"
    title: ClassVar[str] = "head level outside its limits"
    places: ClassVar[PlaceKind] = "head"
    hears: ClassVar[tuple[type[Change], ...]] = (LevelMeasured, WorkBegan, WorkEnded)
    priorities: ClassVar[tuple[Priority, ...]] = ("planned",)
    first: ClassVar[str] = "tell the technician on call, with value and limits"
    within: ClassVar[str] = "the day"
    otherwise: ClassVar[str] = "the head fails or miscounts under a train"

    out_s: float = 60.0  # common practice: longer than a train over the head
    samples: int = 3  # common practice: one is chance, two may be

    def start(self, place: Place) -> Levels:  # noqa: ARG002 - the same everywhere
        """Nothing has been measured."""
        return Levels()

    def step(
        self, memory: Levels, change: Change, place: Place
    ) -> tuple[Levels, tuple[Finding, ...]]:
        """Count samples outside, and samples back; what is measured under work does not count."""
        match change:
            case LevelMeasured():
                return self._measured(memory, change, place)
            case WorkBegan():
                kept = tuple(_gone_on(run) for run in memory.runs if run.raised)
                return replace(memory, runs=kept, under_work=True), ()
            case WorkEnded() if memory.under_work:
                return replace(memory, under_work=False), ()
            case _:
                return memory, ()

    def _measured(
        self, memory: Levels, change: LevelMeasured, place: Place
    ) -> tuple[Levels, tuple[Finding, ...]]:
        if memory.under_work:
            return memory, ()
        before = {run.name: run for run in memory.runs}
        runs = dict(before)
        for name, value in change.values.items():
            limits = place.limits(name)
            if limits is None:
                continue
            outside = not limits[0] <= value <= limits[1]
            if outside:
                runs[name] = self._outside(runs.get(name), name, value, change)
            elif name in runs:
                after = self._inside(runs.pop(name), change.at)
                if after is not None:
                    runs[name] = after
        if runs == before:
            return memory, ()
        after_all = tuple(runs[name] for name in sorted(runs))
        return self._said(replace(memory, runs=after_all), memory, change.at, place)

    def _outside(
        self, run: Run | None, name: str, value: float, change: LevelMeasured
    ) -> Run:
        if run is None:
            run = Run(
                name=name, value=value, since=change.at, event=change.event, count=0
            )
        count = min(run.count + 1, self.samples)
        # Both only grow while it lasts, so what was enough once stays so.
        raised = self._enough(count, change.at - run.since)
        return replace(run, value=value, count=count, raised=raised, back=None, backs=0)

    def _inside(self, run: Run, at: Moment) -> Run | None:
        """What is left of *run* after a sample within: nothing where it was never raised, or has been back for as long."""
        if not run.raised:
            return None
        back = at if run.back is None else run.back
        backs = run.backs + 1
        if self._enough(backs, at - back):
            return None
        return replace(run, back=back, backs=backs)

    def _enough(self, count: int, length: int) -> bool:
        return count >= self.samples or length >= seconds(self.out_s)

    def _said(
        self, after: Levels, before: Levels, at: Moment, place: Place
    ) -> tuple[Levels, tuple[Finding, ...]]:
        raised = [run for run in after.runs if run.raised]
        was = [run.name for run in before.runs if run.raised]
        if [run.name for run in raised] == was:
            return after, ()
        if not raised:
            return replace(after, raised=None), (
                Over(at=at, because="back within its limits for as long"),
            )
        if after.raised is None:
            began = min(run.since for run in raised)
            after = replace(after, raised=at, began=began)
        return after, (self._found(after, raised, at, place),)

    def _found(
        self, memory: Levels, raised: list[Run], at: Moment, place: Place
    ) -> Found:
        said = names([f"{_departure(run, place)}" for run in raised])
        return Found(
            began=memory.began,
            raised=at if memory.raised is None else memory.raised,
            priority="planned",
            summary=f"{place.id}: {said}, for {span(at - memory.began)}",
            evidence=tuple(
                Evidence(
                    time=run.since, text=f"{MEASURED[run.name][0]} out", event=run.event
                )
                for run in sorted(raised, key=lambda run: run.since)
            ),
            suspects=(Suspect(asset=f"head/{place.id}", weight=1.0),),
            checks=look(
                "the fixings, gap and height of the head, and its cable",
                "the levels of the other heads on its trackside unit",
                also=(
                    (
                        "the trackside unit or its supply",
                        "the voltages at the unit, and whether its other heads moved too",
                    ),
                    (
                        "a cable that is wet or damaged",
                        "an insulation and continuity test, and whether it comes with rain",
                    ),
                    (
                        "limits that are not those of this head",
                        "the manual, and the limits in the line file",
                    ),
                ),
            ),
            parameters={
                "out_s": self.out_s,
                "samples": self.samples,
                "outside_for_s": (at - memory.began) / SECOND,
                "values": {run.name: run.value for run in raised},
                "limits": {run.name: _limits(run, place) for run in raised},
            },
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when a value stays outside its limits for {span(seconds(self.out_s))} or {self.samples} samples."

    def explain(self, memory: Levels, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.under_work:
            return (f"{place.id} is under work; its levels are not judged.",)
        if not memory.runs:
            return (f"No value of {place.id} was outside its limits when last heard.",)
        return tuple(self._one(run, at, place) for run in memory.runs)

    def _one(self, run: Run, at: Moment, place: Place) -> str:
        said = f"{MEASURED[run.name][0].capitalize()} has been outside its limits since"
        said = f"{said} {clock(run.since, place.zone, at)}"
        if run.back is not None:
            back = clock(run.back, place.zone, at)
            return f"{said}; back within them since {back}, over after {span(seconds(self.out_s))} or {self.samples} samples."
        if run.raised:
            return f"{said}; that has been raised."
        return f"{said}, {run.count} of {self.samples} samples; raised by one after {span(seconds(self.out_s))} too."


def _gone_on(run: Run) -> Run:
    """*run* with nothing counted of its way back."""
    return replace(run, back=None, backs=0)


def _limits(run: Run, place: Place) -> list[float]:
    return list(place.limits(run.name) or ())


def _departure(run: Run, place: Place) -> str:
    low, high = _limits(run, place)
    side = "below" if run.value < low else "above"
    limit = low if run.value < low else high
    what = MEASURED[run.name][0]
    value = amount(run.name, run.value)
    return f"{what} {value}, {side} {amount(run.name, limit)}"
