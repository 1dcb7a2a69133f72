"""Detectors at their places: who is told of which change, what each remembers, and when each asked to be woken.

A detector has settings only; a `Watch` is one detector at one place, with its memory.
Watches are made when a place is first told of something that concerns them, and are told then how things stand there.

Most changes concern few detectors and most steps change no memory, so both are looked up once: a place and a kind of change lead straight to their watches.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from monitor.core.changes import Change, LearntAnew, WorkBegan, WorkEnded
from monitor.core.detector import Detector, Finding, Place, Resting, Untimed
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.core.tuning import Detection


@dataclass(slots=True, eq=False)
class Watch:
    """One detector at one place.

    Args:
        detector: its settings.
        place: where it stands.
        subject: of its alerts.
        memory: what it knows.
        due: when it is to be woken, or None.
        asked: when it will be asked whether it is due, or None; never later than that.
        order: what is due at one moment goes by kind, then subject.
        step: of the detector, looked up once.
        timed: silence alone may make it say something.
        rests: tells whether a memory rests, where the detector is one that does; looked up once.
        resting: the memory rests.
    """

    detector: Detector
    place: Place
    subject: str
    memory: Any
    due: Moment | None = None
    asked: Moment | None = None
    order: tuple[str, str] = field(init=False)
    step: Callable[[Any, Change, Place], tuple[Any, tuple[Finding, ...]]] = field(
        init=False
    )
    timed: bool = field(init=False)
    rests: Callable[[Any], bool] | None = field(init=False)
    resting: bool = field(init=False)

    def __post_init__(self) -> None:
        detector = self.detector
        self.order = detector.kind, self.subject
        self.step = detector.step
        self.timed = not isinstance(detector, Untimed)
        self.rests = detector.rests if isinstance(detector, Resting) else None
        self.resting = self.rests is not None and self.rests(self.memory)

    def stirred_by(self, kind: type[Change]) -> bool:
        """Whether a change of *kind* concerns it at rest too."""
        detector = self.detector
        return not isinstance(detector, Resting) or kind in detector.stirred_by


@dataclass(slots=True)
class Watching:
    """All watches of a line.

    Args:
        line: the line file.
        settings: which detectors there are, and which are set otherwise where.
        standing: how things stand at a place, as the changes that lead there; given the kind of place and its id.
        ask: called when a watch asks to be woken, with the watch and the moment.
    """

    line: Line
    settings: Detection
    standing: Callable[[str, str], Iterable[Change]]
    ask: Callable[[Watch, Moment], None]
    _watches: dict[tuple[int, str], Watch] = field(default_factory=dict)
    _concerned: dict[
        tuple[type[Change], str], dict[str, tuple[tuple[Watch, bool], ...]]
    ] = field(default_factory=lambda: defaultdict(dict))
    _places: dict[str, Place] = field(default_factory=dict)
    _hears: dict[type[Change], tuple[int, ...]] = field(init=False)

    def __post_init__(self) -> None:
        hears: dict[type[Change], list[int]] = {}
        for slot, detector in enumerate(self.settings.detectors):
            for kind in dict.fromkeys(detector.hears):
                hears.setdefault(kind, []).append(slot)
        self._hears = {kind: tuple(slots) for kind, slots in hears.items()}

    def concerns(self, kind: type[Change]) -> bool:
        """Whether any detector hears changes of *kind*."""
        return kind in self._hears

    def told(
        self, change: Change, now: Moment | None, places: str = ""
    ) -> list[tuple[Watch, tuple[Finding, ...]]]:
        """Tell the watches at a place of *change*; gives those that found something.

        Sections and heads may bear the same names: a change that several kinds of place hear goes to those of *places* alone, to all but heads where that is not said.
        """
        told = []
        watches = self._concerned[type(change), places].get(change.place)
        if watches is None:
            watches = self._whom(type(change), change.place, places)
        for watch, stirs in watches:
            if watch.resting and not stirs:
                continue
            before = watch.memory
            after, findings = watch.step(before, change, watch.place)
            if after is not before:
                self._keep(watch, after, now)
            if findings:
                told.append((watch, findings))
        return told

    def _whom(
        self, kind: type[Change], place: str, places: str
    ) -> tuple[tuple[Watch, bool], ...]:
        """The watches at a place that changes of *kind* concern, each with whether they do at rest too; from now on they are known."""
        slots = self._of(self._hears.get(kind, ()), kind, places)
        watches = (self.at(slot, place) for slot in slots)
        found = tuple((watch, watch.stirred_by(kind)) for watch in watches)
        self._concerned[kind, places][place] = found
        return found

    def _keep(self, watch: Watch, memory: Any, now: Moment | None) -> None:
        """*watch* knows something else from now on, and may ask to be woken at another moment."""
        watch.memory = memory
        if watch.rests is not None:
            watch.resting = watch.rests(memory)
        if watch.timed:
            due = watch.detector.wake_at(memory)
            if due != watch.due:
                self._schedule(watch, due, now)

    def _of(
        self, slots: tuple[int, ...], kind: type[Change], places: str
    ) -> tuple[int, ...]:
        """Those of *slots* that stand at *places*; without it, all whose places such a change can be about."""
        if places:
            return tuple(
                s for s in slots if self.settings.detectors[s].places == places
            )
        if kind not in (WorkBegan, WorkEnded):
            return slots
        return tuple(s for s in slots if self.settings.detectors[s].places != "head")

    def wake(self, watch: Watch, at: Moment) -> tuple[Finding, ...]:
        """A moment that *watch* asked for has come."""
        if watch.asked == at:
            watch.asked = None
        if watch.due != at:
            if watch.due is not None:
                self._ask_for(watch, watch.due)
            return ()
        watch.due = None
        after, findings = watch.detector.wake(watch.memory, at, watch.place)
        if after is not watch.memory:
            self._keep(watch, after, at)
        return findings

    def _schedule(self, watch: Watch, due: Moment | None, now: Moment | None) -> None:
        if due is None:
            watch.due = None
            return
        # What fell due in the past by new knowledge is due now, not then.
        watch.due = due if now is None or due > now else now
        self._ask_for(watch, watch.due)

    def _ask_for(self, watch: Watch, due: Moment) -> None:
        # Trains come again and again before anything falls due: it is enough to be asked at the earliest of those moments, and then for the next.
        if watch.asked is None or due < watch.asked:
            watch.asked = due
            self.ask(watch, due)

    def at(self, slot: int, name: str) -> Watch:
        """The watch of the detector in *slot* at place *name*."""
        watch = self._watches.get((slot, name))
        if watch is None:
            watch = self._watches[slot, name] = self._make(slot, name)
        return watch

    def _make(self, slot: int, name: str) -> Watch:
        default = self.settings.detectors[slot]
        detector = self.settings.at.get(name, {}).get(default.kind, default)
        place = self._places.get(name)
        if place is None:
            place = self._places[name] = Place(id=name, line=self.line)
        memory = detector.start(place)
        # A place met in the middle of things is told how they stand.
        for change in self.standing(detector.places, name):
            if type(change) in detector.hears:
                memory, _ = detector.step(memory, change, place)
        # A name with its kind before it stands for itself: what several kinds of place can be subject of, and the monitor's own clock, which is no source's fault.
        whole = "/" in name and (
            detector.places != "source" or name.startswith("monitor/")
        )
        subject = name if whole else f"{detector.places}/{name}"
        return Watch(detector, place, subject, memory)

    def sections_that_learn(self) -> list[str]:
        """The sections where something is watched that is learnt, in order."""
        slots = self._hears.get(LearntAnew, ())
        return sorted({name for slot, name in self._watches if slot in slots})

    def count(self) -> int:
        """How many watches there are."""
        return len(self._watches)
