"""Trains, followed from section to section by nothing but who is clear.

Theory.
A section says only clear or not clear, and never which train.
But a train is one thing: it covers sections that lie side by side, it enters a section only out of a neighbour (or from where there is no detection), and it is never nowhere.
So each train is kept as the set of sections in which it *may* be, its parts, and every change of a section removes a possibility or adds one:

| what happens | what it means for trains |
|---|---|
| a section is entered, one neighbour explains it, one train is there | that train reaches into it now, *surely* |
| several trains may have entered | it *may* be a part of each, until only one of them has nowhere else to be |
| a section turns disturbed beside a train | the train *may* be in it |
| a section is entered and nothing explains it | something *appeared*: no train until it moves on as one |
| a section clears | no train is in it any longer; where that was the last part of a train, it went into a neighbour that was not clear already, or out where there is no detection, or it is *lost* |

A change is weighed `skew_s` after it happened, when everything that may have been simultaneous is known, in order of time.

**Neighbours hide one another.**
A section that is not clear already (disturbed, or another train in it) says nothing when a train enters it.
So a train is looked for through sections that are not clear and hold no train of their own.

**Which of several.**
Say that a train in N and one in O could both have entered X, which lies between.
When N clears while X does not, and the train of N has nowhere else to be, then X was entered by that one, and the other is still in O.
Trains that come together in one section and leave it together are one from then on.

**What follows.**

- *Went on*: a train reached from X into Y and from Y into Z, and Y has cleared.
  A train covers contiguous sections, so it is no longer in X; what still occupies X is no part of it, or a part that was left behind.
- *Vanished*: the last section in which a train was has cleared, and that no neighbour explains it is judged by the stage before.
- *Unseen*: what appeared in A moves on as a train does, into B that nothing but A explains, and A clears.
  Then it was a train, and it came out of the section on A's other side, which was shown clear.

What is urgent must not rest on one lost message: where a source numbers its events, such a conclusion waits until each one concerned was heard again with no gap.

**What is not known** stops conclusions, never trains: a train goes on through sections that are not known, and what comes out of them is taken for a train, but nothing is concluded from one that may have left unseen.

Passages sharpen it where they are sent: they say out of which neighbour a train came, and how many axles it has.
A head at which trains do as the line file says is confirmed by each; the count is kept, and so are sections into which trains come out of a section that the file does not join to them.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any

from monitor.core.changes import (
    Change,
    Cleared,
    ClearWasShort,
    Counted,
    EntryJudged,
    HeadPassed,
    NotKnown,
    OccupationEnded,
    StateChanged,
    TrainCounted,
    TrainFound,
    TrainJoined,
    TrainMayHaveCome,
    TrainPassed,
    TrainsFromAfar,
    TrainUnseen,
    TrainVanished,
    TrainWentOn,
    Verdict,
)
from monitor.core.events import Direction, State
from monitor.core.layout import OPEN, Line
from monitor.core.moments import DAY, Duration, Moment
from monitor.core.parts import Appearance, Part, Spot, Train
from monitor.core.urgency import Urgency, Urgent, UrgentChange
from monitor.core.words import clock, names

DOUBTED = 15
"""So many of them out of one section that is not joined to it, and the file is doubted."""

FEW = 3
"""So many axles, or fewer, are a miscount; more may be vehicles (common practice: the lightest have two or four, a head loses one)."""

PAIRED = DAY
"""How long a train that vanished may be the one that is seen to come out (common practice: longer stands in no section unnoticed)."""


@dataclass(frozen=True, slots=True)
class Vanished:
    """A train that vanished, as far as one that is seen to come out later may be it."""

    section: str
    cleared: Moment


@dataclass(slots=True)
class Trains:
    """All trains of a line.

    Args:
        line: the line file.
        skew: events up to this far apart may be simultaneous.
        around: the neighbours of a section that explain an entry or exit at a moment.
        is_dark: whether a section is not known, or under work.
        axles: the newest tally of a section, where tallies are given.
        most: the most axles that a section has shown since it was clear last, 0 where tallies are not given.
        urgency: what is urgent, and waits for sources to be heard.
        confirmed: how many trains passed each head as the line file says.
        doubts: sections into which trains come out of one that the line file does not join to them, with that one.
        not_unseen: by section, when something appeared in it last that is not called a train that came out unseen, and why; likewise.
        hears: the kinds of change that `hear` knows, so that others need not be told, each with what is made of it.
        not_told: by section, when it cleared last with nobody to take what was in it though no train is called unaccounted for, and why; for whoever asks.
    """

    line: Line
    skew: Duration
    around: Callable[[str, Moment], list[str]]
    is_dark: Callable[[str], bool]
    axles: Callable[[str], int | None]
    most: Callable[[str], int]
    urgency: Urgency
    spots: dict[str, Spot] = field(init=False)
    confirmed: dict[str, int] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)
    not_told: dict[str, tuple[Moment, str]] = field(default_factory=dict)
    not_unseen: dict[str, tuple[Moment, str]] = field(default_factory=dict)
    _now: Moment = 0
    _numbered: int = 0
    _due: deque[tuple[Moment, StateChanged | HeadPassed]] = field(default_factory=deque)
    _vanished: deque[Vanished] = field(default_factory=lambda: deque(maxlen=64))
    _told: list[Change] = field(default_factory=list)
    hears: dict[type[Change], Callable[[Any], None]] = field(init=False)

    def __post_init__(self) -> None:
        self.spots = {
            name: Spot(self.line.neighbours(name), self.line.is_open(name))
            for name in self.line.sections
        }
        self.hears = {
            StateChanged: self._state,
            Cleared: self._cleared,
            ClearWasShort: self._short,
            EntryJudged: self._judged,
            OccupationEnded: self._ended,
            HeadPassed: self._passage,
            NotKnown: self._lost_sight,
        }

    # What the engine calls.

    def hear(self, change: Change) -> list[Change]:
        """What *change* means for trains."""
        self._now = change.at
        self.hears[type(change)](change)
        return self._give()

    def next_due(self) -> Moment | None:
        """When the next change is weighed."""
        return self._due[0][0] if self._due else None

    def wake(self, now: Moment) -> list[Change]:
        """Weigh what is due at *now*."""
        self._now = now
        while self._due and self._due[0][0] <= now:
            self._weigh(self._due.popleft()[1])
        return self._give()

    def _weigh(self, change: StateChanged | HeadPassed) -> None:
        if isinstance(change, HeadPassed):
            self._passed(change)
        else:
            self._entered(change)

    def explain(self, name: str, at: Moment) -> list[str]:
        """Which trains may be in section *name*, and what urgent conclusion waits, in sentences."""
        said = []
        for train in self.in_section(name):
            seen = clock(train.since, self.line.zone, at)
            sure = "is" if train.parts[name].sure else "may be"
            what = "A train" if train.real else "What may be a train"
            others = [
                f"{'' if part.sure else 'perhaps '}{other}"
                for other, part in train.parts.items()
                if other != name
            ]
            also = f", and in {names(others)} too" if others else ""
            said.append(
                f"{what} (t{train.number}, first seen in {train.first} at {seen}) "
                f"{sure} in {name}{also}."
            )
        said += self._explain_lost(name, at)
        for near in (name, *self.spots[name].neighbours):
            said += self._explain_appearance(near, at)
        said += self.urgency.explain(name, self.line.zone, at)
        return said

    def _explain_lost(self, name: str, at: Moment) -> list[str]:
        """What cleared in section *name* last with nobody to take it, and why that was not told."""
        if name not in self.not_told:
            return []
        cleared, why = self.not_told[name]
        return [
            (
                f"At {clock(cleared, self.line.zone, at)} {name} cleared and no neighbour "
                f"took what was in it; no train is called unaccounted for: {why}."
            )
        ]

    def _explain_appearance(self, name: str, at: Moment) -> list[str]:
        """What appeared in section *name*, and how far it has moved on as a train does."""
        seen = self.spots[name].appearance
        if seen is None:
            if name not in self.not_unseen:
                return []
            since, why = self.not_unseen[name]
            return [
                (
                    f"What appeared in {name} at {clock(since, self.line.zone, at)} "
                    f"is not called a train that came out unseen: {why}."
                )
            ]
        lacks = []
        if seen.judged is None:
            lacks.append(
                f"whether something explains its entry into {name} is not judged"
            )
        if not seen.into:
            lacks.append("no further neighbour was entered that it alone explains")
        if seen.cleared is None:
            lacks.append(f"{name} has not cleared behind it")
        elif seen.ended is None:
            lacks.append(f"the exit from {name} is not judged")
        entered = clock(seen.entered, self.line.zone, at)
        lacking = f": {'; '.join(lacks)}" if lacks else ""
        return [
            (
                f"Something appeared in {name} at {entered}; as a train that came out "
                f"unseen it is not known yet{lacking}."
            )
        ]

    def heard(self, source: str, now: Moment) -> list[Change]:
        """Something of *source* was settled: what waited for it is weighed again."""
        for change in self.urgency.heard(source, now):
            self._tell_urgent(change)
        return self._give()

    def _lost_sight(self, change: NotKnown) -> None:
        """A section was not known at the time: nothing rests on it."""
        self.urgency.not_known(change.place, change.since)
        for near in self.spots[change.place].neighbours:
            seen = self.spots[near].appearance
            if seen is not None and seen.entered + self.skew >= change.since:
                self.spots[near].appearance = None
                self.not_unseen[near] = seen.entered, f"{change.place} was not known"

    def _urgent(
        self, change: UrgentChange, sections: tuple[str, ...], moment: Moment
    ) -> None:
        """*change* is told once the sources of *sections* have been heard past *moment*."""
        told = self.urgency.weigh(Urgent(change, sections, moment), change.at)
        if told is not None:
            self._tell_urgent(told)

    def _tell_urgent(self, change: UrgentChange) -> None:
        if isinstance(change, TrainVanished):
            self._vanished.append(Vanished(change.place, change.cleared))
            self._told.append(change)
        else:
            self._unseen(change)

    def in_section(self, name: str) -> list[Train]:
        """The trains that may be in section *name*, in the order of their numbers."""
        trains = self.spots[name].trains
        if len(trains) < 2:
            return list(trains.values())
        return [train for _, train in sorted(trains.items())]

    def _give(self) -> list[Change]:
        told = self._told
        if told:
            self._told = []
        return told

    # States.

    def _state(self, change: StateChanged) -> None:
        spot = self.spots[change.place]
        if change.was not in (State.OCCUPIED, State.CLEAR):
            spot.hid = change.at
        spot.state = change.now
        if change.now is not State.CLEAR:
            spot.gone = False
        if change.now is State.OCCUPIED:
            spot.before = spot.occupied, spot.entered
            spot.occupied = change.at
        if change.unseen or change.was is None:
            self._first_seen(spot, change)
        elif change.was is State.CLEAR:
            spot.entered = change.at
            spot.pending += 1
            self._due.append((change.at + self.skew, change))
        elif change.now not in (State.OCCUPIED, State.CLEAR):
            # No train alone shows anything else, so what appeared is none.
            spot.appearance = None
        if change.now not in (State.OCCUPIED, State.CLEAR):
            spot.left_behind = False

    def _first_seen(self, spot: Spot, change: StateChanged) -> None:
        """The end of a spell that is not known: what is in the section was not seen to enter."""
        spot.appearance, spot.left_behind = None, False
        if change.now is State.CLEAR:
            self._gone_unseen(change.place)
        elif change.now is State.OCCUPIED and not spot.trains:
            self._new(change.place, change.at)

    def _gone_unseen(self, name: str) -> None:
        for train in self.in_section(name):
            self._take(train, name)
            train.out = True

    def _new(self, name: str, at: Moment) -> Train:
        self._numbered += 1
        train = Train(self._numbered, name, at)
        self._put(train, name, Part(at, "", sure=True))
        return train

    def _put(self, train: Train, name: str, part: Part) -> None:
        train.parts[name] = part
        self.spots[name].trains[train.number] = train

    def _take(self, train: Train, name: str) -> Part | None:
        """Section *name* is no part of *train*, nor what was reached through it alone as a mere possibility."""
        part = train.parts.pop(name, None)
        self.spots[name].trains.pop(train.number, None)
        return part

    def _rule_out(self, train: Train, name: str) -> None:
        """*train* was not in section *name* at all, so neither where it would have gone from there."""
        part = self._take(train, name)
        if part is None:
            return
        for behind in part.ways:
            if behind in train.parts:
                train.parts[behind].beyond.discard(name)
        onwards = {} if part.may_have_left else train.onward(name, part.since)
        for further, onward in onwards.items():
            ways = [way for way in onward.ways if way != name]
            if ways:
                onward.behind, *left = ways
                onward.else_out_of = tuple(left)
            elif not onward.sure:
                self._rule_out(train, further)
        self._settle(name)

    def _settle(self, name: str) -> None:
        """One train fewer may be in section *name*: whoever is left must be there."""
        spot = self.spots[name]
        left = list(spot.trains.values())
        if left and all(other.guess for other in left):
            # Nobody else can have come, so it was one from where nobody sees.
            for other in left:
                other.guess, other.real = False, spot.open
        elif len(left) == 1 and spot.certain and not left[0].parts[name].sure:
            left[0].parts[name].sure = True
            self._stays_together(left[0])

    # A section is entered.

    def _entered(self, change: StateChanged) -> None:
        name, at = change.place, change.at
        spot = self.spots[name]
        spot.pending -= 1
        occupied = change.now is State.OCCUPIED
        found = self.around(name, at)
        handed = self.in_section(name)
        if any(train.parts[name].sure for train in handed):
            return  # handed over already, by a neighbour that cleared a little before
        # After a moment's clear it may be what a miscount left, and nobody came in.
        again = any(train.parts[name].may_have_left for train in handed)
        comers = self._comers(name, found, through=occupied)
        handed = self.in_section(name)  # some of them may be forgotten by now
        if not (comers or handed):
            self._nobody(spot, change, found)
            return
        unseen = spot.open or any(self._may_hold_another(via) for via in found)
        sure = len({*spot.trains, *comers}) == 1 and occupied and not unseen
        alone = sure and len(found) == 1
        if occupied and not unseen and len(found) == 1:
            self._moved_on(found[0], name)
        for train in handed:
            train.parts[name].sure = sure
        for number, (train, (via, *others)) in sorted(comers.items()):
            if number in spot.trains:
                continue
            part = Part(
                at,
                via,
                sure=sure,
                alone=alone,
                event=change.event,
                else_out_of=tuple(others),
            )
            self._reach(train, name, part)
        if occupied and unseen:
            self._new(name, at).guess = True
        spot.certain = occupied and not again
        if occupied:
            spot.comers.append(frozenset())

    def _nobody(self, spot: Spot, change: StateChanged, found: list[str]) -> None:
        if change.now is not State.OCCUPIED:
            return
        train = self._new(change.place, change.at)
        if spot.open or found:
            train.real = spot.open
            spot.comers.append(frozenset())
        else:
            spot.appearance = Appearance(change.at, change.event)

    def _comers(
        self, name: str, found: list[str], *, through: bool
    ) -> dict[int, tuple[Train, list[str]]]:
        """The trains that may have entered section *name*, each with the neighbours out of which, the likeliest first."""
        comers: dict[int, tuple[Train, list[str]]] = {}
        for via in found:
            trains = self.spots[via].trains
            hides = through and self.spots[via].state is not State.CLEAR
            if hides and not any(train.real for train in trains.values()):
                # What stands there may be no train, and hide one that goes through.
                trains = {**trains, **self._behind(via, name)}
            for train in trains.values():
                _, ways = comers.setdefault(train.number, (train, []))
                surely = via in train.parts and train.parts[via].sure
                ways.insert(0 if surely else len(ways), via)
        if len(comers) > 1 and not any(train.real for train, _ in comers.values()):
            return self._one_of(comers)
        return comers

    def _one_of(
        self, comers: dict[int, tuple[Train, list[str]]]
    ) -> dict[int, tuple[Train, list[str]]]:
        """Of several that may all be no train, the one that enters now is one; the others are forgotten, or what is not known would go on growing."""
        first, *rest = sorted(comers)
        for number in rest:
            train, _ = comers[number]
            for name in list(train.parts):
                self._take(train, name)
        return {first: comers[first]}

    def _may_hold_another(self, name: str) -> bool:
        """Whether a train of which nothing is known may have come out of section *name*."""
        if self.is_dark(name):
            return True
        spot = self.spots[name]
        if spot.state is State.OCCUPIED:
            return not spot.trains  # each that was thought to be in it is elsewhere
        return self._hides(name) and not any(t.real for t in spot.trains.values())

    def _behind(self, name: str, without: str) -> dict[int, Train]:
        """The trains beyond section *name*, which is not clear and holds none of its own."""
        seen, edge = {name, without}, deque([name])
        found: dict[int, Train] = {}
        while edge:
            for other in self.spots[edge.popleft()].neighbours:
                spot = self.spots[other]
                if other in seen or spot.state is State.CLEAR:
                    continue
                seen.add(other)
                if any(train.real for train in spot.trains.values()):
                    found.update(spot.trains)
                else:
                    edge.append(other)
        return found

    def _reach(self, train: Train, name: str, part: Part) -> None:
        """*train* may reach into section *name*."""
        via = train.parts.get(part.behind)
        if via is None:
            # It came through a section that was not clear already.
            nearest = next(
                (n for n in self.spots[part.behind].neighbours if n in train.parts), ""
            )
            via = Part(part.since, nearest, sure=part.sure)
            self._put(train, part.behind, via)
            if nearest:
                train.parts[nearest].beyond.add(part.behind)
        via.beyond.add(name)
        for other in part.else_out_of:
            if other in train.parts:
                train.parts[other].beyond.add(name)
        self._put(train, name, part)

    def _moved_on(self, behind: str, name: str) -> None:
        appearance = self.spots[behind].appearance
        if (
            appearance is not None
            and not appearance.into
            and appearance.cleared is None
            and len(self.spots[behind].trains) == 1
            and not self.spots[name].open
        ):
            appearance.into = name

    # A section has cleared.

    def _cleared(self, change: Cleared) -> None:
        name = change.place
        spot = self.spots[name]
        self._weigh_entries(change.cleared)
        spot.gone = spot.state is State.CLEAR
        spot.by_reset = change.by_reset
        leaving = self.in_section(name)
        parts = {train.number: train.parts[name] for train in leaving}
        onward = {train.number: list(train.onward(name)) for train in leaving}
        if leaving:
            self._tell_passed(change, leaving, parts, onward)
        for train in leaving:
            self._take(train, name)
        turned = [t for t in leaving if self._may_have_turned(t, parts[t.number])]
        self._one_went_on(leaving, onward)
        for train in leaving:
            if train.parts:
                self._drawn_out(train, name, parts[train.number], change)
        for train in leaving:
            if not train.parts:
                self._last_part(
                    train, parts[train.number], change, single=len(leaving) == 1
                )
        surely = spot.lost is not None and spot.lost[1].sure
        if leaving and not (surely or spot.open or change.beside):
            self._one_lost(leaving, parts, change)
        self._visit(leaving, turned, change)
        self._merge(leaving)
        if spot.appearance is not None:
            spot.appearance.cleared = change.cleared
            spot.appearance.shown = change.event
            self._remember_comers(spot, change)
            if not spot.appearance.into:
                spot.appearance = None  # it was there, and did not move on
        spot.left_behind = spot.certain = False

    def _one_went_on(self, leaving: list[Train], onward: dict[int, list[str]]) -> None:
        """One of several trains has gone on, and each is thought to be surely where it was: one of those sections stays occupied without its train, and nobody can say which."""
        if len(leaving) < 2:
            return
        stay = [[p for p in train.parts.values() if p.sure] for train in leaving]
        entered = {
            name
            for train in leaving
            for name in onward[train.number]
            if self.spots[name].certain
            and not train.parts[name].sure
            and all(train.number in onward for train in self.in_section(name))
        }
        if all(stay) and entered:
            for part in chain.from_iterable(stay):
                part.sure = False

    def _may_have_turned(self, train: Train, part: Part) -> bool:
        """Whether *train* is nowhere unless it has gone back where *part* came from, which another may have entered instead."""
        back = all(n in part.ways and not p.sure for n, p in train.parts.items())
        return bool(train.parts) and back

    def _visit(
        self, leaving: list[Train], turned: list[Train], change: Cleared
    ) -> None:
        """A train that is surely nowhere else may have gone into a neighbour that was not clear, also beside another that is there."""
        lost = [
            train
            for train in leaving
            if train in turned or not any(p.sure for p in train.parts.values())
        ]
        for near in change.beside if lost else ():
            if any(near not in train.parts for train in lost):
                self.spots[near].visited = change.cleared
                if self.spots[near].left_behind:
                    self._told.append(TrainMayHaveCome(place=near, at=change.at))

    def _one_lost(
        self, leaving: list[Train], parts: dict[int, Part], change: Cleared
    ) -> None:
        """One of several trains came in, no neighbour has taken it, and each of them may be elsewhere: whichever it was, it is lost."""
        came = [t for t in leaving if self._came_in(t, parts[t.number])]
        if not came and self.most(change.place) > FEW:
            # More than a few axles are a train, also where each may be elsewhere.
            came = [t for t in leaving if t.real]
        moved = bool(came) and self._moved_in(parts.values())
        if self.spots[change.place].certain and (moved or len(came) == len(leaving)):
            beyond = set().union(*(part.beyond for part in parts.values()))
            train = next((t for t in came if not t.out), came[0])
            # Any of them may have left the line; the one that moved in did not.
            train = replace(train, out=train.out and not moved)
            part = replace(parts[train.number], sure=True, beyond=beyond)
            lost = (train, part, change.cleared, change.event)
            self.spots[change.place].lost = lost

    def _moved_in(self, parts: Collection[Part]) -> bool:
        """Whether what came in came out of one section that gave it up: so it was a train, whoever else it may have been."""
        ways = {way for part in parts for way in part.ways}
        since = min(part.since for part in parts)
        return (
            all(
                way
                and (spot := self.spots[way]).gone
                and not spot.by_reset
                and spot.entered <= since
                for way in ways
            )
            and len(ways) == 1
        )

    def _came_in(self, train: Train, part: Part) -> bool:
        """Whether it was *train* that came in, if nobody else did: it is one, and went nowhere else out of where it had been."""
        elsewhere = any(
            other.since >= self.spots[way].entered
            for way in filter(None, part.ways)
            for other in train.parts.values()
            if way in other.ways
        )
        maybe = train.guess or part.may_have_left or not train.parts
        return train.real and not (maybe or elsewhere)

    def _weigh_entries(self, before: Moment) -> None:
        """Entries up to *before* are weighed before a clear of that moment."""
        while self._due and self._due[0][1].at <= before:
            self._weigh(self._due.popleft()[1])

    def _tell_passed(
        self,
        change: Cleared,
        leaving: list[Train],
        parts: dict[int, Part],
        onward: dict[int, list[str]],
    ) -> None:
        train = leaving[0]
        into = onward[train.number]
        self._told.append(
            TrainPassed(
                place=change.place,
                at=change.at,
                cleared=change.cleared,
                trains=tuple(train.number for train in leaving),
                first=train.first,
                since=train.since,
                out_of=parts[train.number].behind,
                into=into[0] if into else "",
            )
        )

    def _drawn_out(self, train: Train, name: str, part: Part, change: Cleared) -> None:
        """*train* has left section *name* and is still in others."""
        onward = train.onward(name, part.since)
        for further in onward:
            # What appeared there may be this train, which is explained.
            self.spots[further].appearance = None
        self._fall_apart(onward, change)
        for way in part.ways:
            if way in train.parts and self._hides(way):
                train.parts[way].sure = False  # nobody would see it leave
        sure = any(p.sure and not p.may_have_left for p in train.parts.values())
        # One that came in where there is no detection went on, if anything did.
        came_on = not part.behind and any(self.spots[n].certain for n in onward)
        goes_out = not (sure or came_on) and self.spots[name].open
        if (not onward or goes_out) and self._may_leave(name, change.beside, train):
            train.out = True
        if sure:
            self._stays_together(train)
        elif not (train.out or train.guess or change.by_reset):
            self._may_hide(train, part, change)
            self._may_come_later(train, change)
            roots = train.roots()
            if len(roots) == 1:
                self._must_be_in(train, roots[0])
                self._joined(train, roots[0], change)
        onward = {n: p for n, p in onward.items() if n in train.parts}
        self._moved(train, name, onward)
        behind = train.parts.get(part.behind)
        fronts = [n for n, p in onward.items() if p.sure and not p.else_out_of]
        if part.else_out_of:
            return
        if behind is not None and behind.since <= part.since and fronts:
            front = fronts[0]
            self._went_on(train, part.behind, name, front, change)

    def _fall_apart(self, onward: dict[str, Part], change: Cleared) -> None:
        """A train cannot be on both sides of a section that has cleared: which of them holds it shows when it goes on."""
        sides = [p for n, p in onward.items() if self.spots[n].state is not State.CLEAR]
        if len(sides) > 1 and all(side.sure for side in sides):
            # Where something else explains an entry too, there may be two trains.
            one = all(side.alone for side in sides)
            for side in sides:
                side.sure = False
                side.apart = change if one else None

    def _may_hide(self, train: Train, part: Part, change: Cleared) -> None:
        """*train* may have gone into a neighbour that shows nothing when one enters: disturbed, awaiting its sweep, or occupied by what may be no train."""
        for other in change.beside:
            if other not in train.parts and self._may_hold(other):
                self._put_unseen(train, part, other, change, sure=False)

    def _may_hold(self, name: str) -> bool:
        """Whether section *name* is not clear and holds no train that is known: one that goes in shows nothing."""
        spot = self.spots[name]
        if spot.state is State.OCCUPIED:
            return not (spot.pending or any(t.real for t in spot.trains.values()))
        return self._hides(name)

    def _hides(self, name: str) -> bool:
        """Whether section *name* shows neither a train that comes nor one that goes."""
        return self.spots[name].state not in (State.OCCUPIED, State.CLEAR)

    def _may_come_later(self, train: Train, change: Cleared) -> None:
        """*train* may have gone into a neighbour whose entry came a little later by the clocks than the clear behind it."""
        for other in change.beside:
            if self.spots[other].pending and other not in train.parts:
                self._put(
                    train,
                    other,
                    Part(change.cleared, change.place, sure=False, event=change.event),
                )

    def _stays_together(self, train: Train) -> None:
        """*train* covers sections that lie side by side, so it is nowhere that does not hang together with where it surely is."""
        edge = [name for name, part in train.parts.items() if part.sure]
        together = set(edge)
        while edge:
            for other in self.spots[edge.pop()].neighbours:
                if other in train.parts and other not in together:
                    together.add(other)
                    edge.append(other)
        for name in [name for name in train.parts if name not in together]:
            part = train.parts.get(name)
            if part is not None:
                self._rule_out(train, name)
                apart = part.apart
                if apart is not None and not self.spots[name].trains:
                    front = next(iter(together))
                    cleared = replace(apart, at=self._now)
                    self._stays_occupied(name, part, apart.place, front, cleared)

    def _moved(self, train: Train, name: str, onward: dict[str, Part]) -> None:
        if any(p.sure for p in onward.values()):
            train.real, train.out = True, False
        for further, part in onward.items():
            if part.sure and not part.else_out_of:
                self._confirm(name, further)

    def _may_leave(self, name: str, beside: tuple[str, ...], train: Train) -> bool:
        """Whether a train that drew back out of section *name* may have gone where nobody sees it."""
        if self.spots[name].open:
            return True
        return any(self.is_dark(n) for n in beside if n not in train.parts)

    def _must_be_in(self, train: Train, name: str) -> None:
        """*train* can be nowhere else, so another that can is not in section *name*."""
        train.parts[name].sure = True
        train.guess = False
        for other in self.in_section(name):
            if other is train:
                continue
            if other.guess or (not other.parts[name].sure and len(other.parts) > 1):
                self._rule_out(other, name)

    def _went_on(
        self, train: Train, behind: str, between: str, front: str, change: Cleared
    ) -> None:
        """*train* reached beyond *between*, which has cleared: it is no longer in *behind*, nor in what lies behind that."""
        if self.spots[between].visited >= self.spots[between].entered:
            return  # another may have come in there unseen, and be the one that went on
        last = behind
        while last in train.parts:
            spot = self.spots[last]
            part = train.parts[last]
            self._take(train, last)
            others = self.in_section(last)
            for other in others:
                # One went on, the other stayed: which is which, nobody can say.
                for further in [n for n in other.parts if n in train.parts]:
                    self._rule_out(other, further)
            # What became `occupied` after the train came in is something else.
            same = part.since >= spot.occupied - self.skew
            if not others and same:
                self._stays_occupied(last, part, between, front, change)
            last = part.behind

    def _stays_occupied(
        self, name: str, part: Part, between: str, front: str, change: Cleared
    ) -> None:
        """The train of section *name* is in *front* or beyond, and nothing else is known to be in it."""
        spot = self.spots[name]
        if spot.state is State.CLEAR:
            return  # it has cleared too, a little later by the clocks
        if any(
            self._hid_trains(near, part.since)
            for near in spot.neighbours
            if near == between or near not in part.beyond
        ):
            return  # another may have come out of it, and nobody saw
        if spot.visited >= part.since:
            return
        left = self.axles(name)
        if spot.open and (left is None or abs(left) > FEW):
            return  # another may have come in where there is no detection
        spot.left_behind = True
        self._told.append(
            TrainWentOn(
                place=name,
                at=change.at,
                between=between,
                front=front,
                cleared=change.cleared,
                event=change.event,
                left=left,
                beside=self._pair(name, part),
            )
        )
        if spot.state is State.OCCUPIED:
            self._new(name, change.cleared).left_over = True

    def _hid_trains(self, name: str, since: Moment) -> bool:
        """Whether section *name* was disturbed, awaited its sweep or was not known at some time since *since*."""
        spot = self.spots[name]
        shows = spot.state in (State.OCCUPIED, State.CLEAR)
        return not shows or spot.hid >= since or self.is_dark(name)

    def _pair(self, name: str, part: Part) -> tuple[str, int] | None:
        """The neighbour that *name*'s train came out of or went into, where axles are left over there with the other sign."""
        here = self.axles(name)
        if here is None:
            return None
        for other in (part.behind, *sorted(part.beyond)):
            there = self.axles(other) if other else None
            if there and here and there == -here:
                return other, there
        return None

    def _last_part(
        self, train: Train, part: Part, change: Cleared, *, single: bool
    ) -> None:
        """*train* was nowhere else when its section cleared."""
        name = change.place
        lit = [n for n in change.beside if not self.is_dark(n)]
        dark = [n for n in change.beside if self.is_dark(n)]
        is_open = self.spots[name].open
        if is_open and (part.behind or not lit):
            self._gave_up(name, change.cleared)
            return  # out, where there is no detection
        into = lit or dark
        if not into:
            self.spots[name].lost = (train, part, change.cleared, change.event)
            self._gave_up(name, change.cleared)
            return
        into = [other for other in into if not self.spots[other].gone]
        train.out = train.out or is_open or bool(dark)
        sure = len(change.beside) == 1 and not (dark or train.out)
        for other in into:
            if self.spots[other].pending:
                self._hand_over(train, other, change, sure=sure, single=single)
            else:
                self._join(train, part, other, change, sure=sure)

    def _hand_over(
        self, train: Train, into: str, change: Cleared, *, sure: bool, single: bool
    ) -> None:
        """*train* is in *into*, whose entry came a little later by the clocks than the clear behind it."""
        name = change.place
        entered = self.spots[into].entered
        others = [n for n in self.around(into, entered) if n != name]
        sure = sure and not others
        alone = sure and not self.spots[into].open
        part = Part(change.cleared, name, sure=sure, alone=alone, event=change.event)
        self._put(train, into, part)
        if not sure:
            return
        appearance = self.spots[name].appearance
        if appearance is not None and not appearance.into and alone and single:
            appearance.into = into
        train.real, train.out = True, False
        self._confirm(name, into)

    def _join(
        self, train: Train, part: Part, into: str, change: Cleared, *, sure: bool
    ) -> None:
        """*train* went into *into*, which was not clear already."""
        name, spot = change.place, self.spots[into]
        spot.appearance = None
        self._joined(train, into, change)
        self._put_unseen(train, part, into, change, sure=sure)
        if sure and train.real:
            self._confirm(name, into)

    def _joined(self, train: Train, into: str, change: Cleared) -> None:
        """*train* is in *into* now, and what had been there before it is no longer told apart."""
        if self.spots[into].left_behind and (train.real or not train.left_over):
            self.spots[into].left_behind = False
            self._told.append(
                TrainJoined(
                    place=into,
                    at=change.at,
                    joined=change.cleared,
                    out_of=change.place,
                )
            )
        for other in self.in_section(into):
            if not other.real and len(other.parts) == 1 and train.real:
                self._take(other, into)

    def _put_unseen(
        self, train: Train, part: Part, into: str, change: Cleared, *, sure: bool
    ) -> None:
        """Nobody saw when *train* reached into *into*, so it may have gone on from there since."""
        beyond = {
            near
            for near in self.spots[into].neighbours
            if near != change.place and self.spots[near].entered >= part.since
        }
        self._put(
            train,
            into,
            Part(
                change.cleared,
                change.place,
                sure=sure,
                event=change.event,
                beyond=beyond,
            ),
        )

    def _confirm(self, one: str, other: str) -> None:
        heads = self.line.heads_between(one, other)
        if len(heads) == 1:
            self.confirmed[heads[0]] = self.confirmed.get(heads[0], 0) + 1

    def _merge(self, leaving: list[Train]) -> None:
        """Trains that came together and leave together are one from here on."""
        if len(leaving) < 2:
            return
        kept: list[Train] = []
        for train in leaving:
            if not train.parts:
                continue
            same = next((t for t in kept if t.parts.keys() == train.parts.keys()), None)
            if same is None or len(train.parts) > 1:
                kept.append(train)
                continue
            same.real = same.real or train.real
            there = [t.out for t in (same, train) if not t.guess]
            same.out = all(there) if there else same.out or train.out
            if same.counts and train.counts:
                same.counts.clear()  # of which of them the next head counts the axles, or of both, nobody can say
            else:
                same.counts.extend(train.counts)
            for name in list(train.parts):
                part = self._take(train, name)
                if part is not None:
                    same.parts[name].sure = same.parts[name].sure or part.sure

    def _short(self, change: ClearWasShort) -> None:
        """A clear that ended nothing: a train may have left, and the next one entered at once."""
        name = change.place
        spot = self.spots[name]
        if spot.state is State.OCCUPIED:
            spot.occupied, spot.entered = spot.before
        before = self.in_section(name)
        gone_on = [train for train in before if train.onward(name)]
        for train in gone_on:
            # It may have been out of it for that moment.
            train.parts[name].may_have_left = True
        if (self.axles(name) or 0) < 0:
            return  # the tally went through nought to below it: nothing came in
        for train in gone_on:
            train.parts[name].sure = False
        near = self.around(name, change.at)
        if spot.left_behind and (near or spot.open):
            self._told.append(TrainMayHaveCome(place=name, at=change.at))
        self._may_have_entered(name, before, near, change.at)
        if len(spot.trains) > len(before):
            for train in before:
                train.parts[name].sure = False
                train.parts[name].may_have_left = True
                train.out = train.out or (spot.open and not train.onward(name))

    def _may_have_entered(
        self, name: str, before: list[Train], near: list[str], at: Moment
    ) -> None:
        """Into section *name*, where *before* were, any train beside it may have come in a moment in which it was clear."""
        spot = self.spots[name]
        present = {
            n for train in before for n, part in train.parts.items() if part.sure
        }
        for via in near:
            for train in self.in_section(via):
                if train.number not in spot.trains and via not in present:
                    self._reach(train, name, Part(at, via, sure=False))
        if spot.open:
            self._new(name, at).guess = True

    # What was judged by the stage before.

    def _judged(self, change: EntryJudged) -> None:
        if change.verdict is Verdict.NOT_EXPLAINED:
            # Judged at the very moment at which it is due to be weighed here.
            self._weigh_entries(change.entered)
        appearance = self.spots[change.place].appearance
        if appearance is None or appearance.entered != change.entered:
            return
        if change.verdict is Verdict.NOT_EXPLAINED:
            appearance.judged = change.raised
            self._conclude(change.place, change.at)
        else:
            self.spots[change.place].appearance = None

    def _ended(self, change: OccupationEnded) -> None:
        spot = self.spots[change.place]
        if (
            change.exit is Verdict.CANNOT_TELL
            and spot.trains
            and spot.state is State.CLEAR
        ):
            self._gone_unseen(change.place)
        lost, spot.lost = spot.lost, None
        if lost is not None and lost[2] == change.ended:
            self._vanish(change, *lost)
        appearance = spot.appearance
        if appearance is None or appearance.cleared != change.ended:
            return
        if (
            change.exit is Verdict.EXPLAINED
            and change.only_occupied
            and not change.by_reset
        ):
            appearance.ended = change.raised
            self._conclude(change.place, change.at)
        else:
            spot.appearance = None
            why = _why_not_unseen(change)
            self.not_unseen[change.place] = appearance.entered, why

    def _vanish(
        self,
        change: OccupationEnded,
        train: Train,
        part: Part,
        cleared: Moment,
        event: str,
    ) -> None:
        if (
            change.exit is not Verdict.NOT_EXPLAINED
            or not train.real
            or not part.sure
            or part.may_have_left
            or train.out
            or part.beyond
            or self._came_out(change.place, cleared)
        ):
            why = _why_not_told(change.exit, train, part)
            self.not_told[change.place] = cleared, why
            return
        vanished = TrainVanished(
            place=change.place,
            at=change.at,
            cleared=cleared,
            raised=change.raised,
            entered=part.since,
            out_of=part.behind,
            came=part.event,
            first=train.first,
            since=train.since,
            by_reset=change.by_reset,
            doubted=change.place in self.doubts.values(),
            event=event,
        )
        neighbours = self.spots[change.place].neighbours
        self._urgent(vanished, neighbours, cleared + self.skew)

    def _came_out(self, name: str, cleared: Moment) -> bool:
        """Whether a train was already seen to come out beyond a neighbour of section *name*."""
        for near in self.spots[name].neighbours:
            for other in self.spots[near].neighbours:
                appearance = self.spots[other].appearance
                if (
                    other != name
                    and appearance is not None
                    and appearance.into
                    and appearance.into != near
                    and appearance.entered <= cleared + self.skew
                ):
                    return True
        return False

    def _conclude(self, name: str, at: Moment) -> None:
        """What appeared in section *name* has moved on as a train does, and nothing explains how it came there."""
        spot = self.spots[name]
        seen = spot.appearance
        if seen is None or seen.judged is None or seen.cleared is None or not seen.into:
            return
        if seen.ended is None:
            return
        spot.appearance = None
        if self.is_dark(name):
            self.not_unseen[name] = seen.entered, f"{name} is not known, or under work"
            return
        others = [n for n in spot.neighbours if n != seen.into]
        if not others:
            return  # the end of a line: no section beyond can have held it
        unseen = TrainUnseen(
            place=name,
            at=at,
            appeared=name,
            entered=seen.entered,
            into=seen.into,
            cleared=seen.cleared,
            raised=max(seen.judged, seen.ended),
            suspects=tuple(others),
            vanished="",
            vanished_at=None,
            doubted=name in self.doubts,
            event=seen.event,
            shown=seen.shown,
        )
        self._urgent(unseen, tuple(others), seen.entered + self.skew)

    def _unseen(self, seen: TrainUnseen) -> None:
        """Tell of a train that came out unseen, and which one that vanished it may be."""
        suspects = seen.suspects
        gone = self._gone_before(suspects, seen.cleared)
        if gone is not None and gone.section in suspects:
            suspects = (gone.section,)
        subject = suspects[0] if len(suspects) == 1 else seen.appeared
        self._told.append(
            replace(
                seen,
                place=subject,
                suspects=suspects,
                vanished=gone.section if gone else "",
                vanished_at=gone.cleared if gone else None,
            )
        )
        if gone is not None:
            self._vanished.remove(gone)
            self._told.append(
                TrainFound(
                    place=gone.section,
                    at=seen.at,
                    cleared=gone.cleared,
                    subject=subject,
                    appeared=seen.appeared,
                    entered=seen.entered,
                )
            )

    def _gone_before(self, suspects: tuple[str, ...], at: Moment) -> Vanished | None:
        """The train that vanished in or beside one of *suspects*, the last first."""
        near = set(suspects)
        for name in suspects:
            near.update(self.spots[name].neighbours)
        for gone in reversed(self._vanished):
            if gone.section in near and at - PAIRED <= gone.cleared <= at:
                return gone
        return None

    # Passages.

    def _passage(self, change: HeadPassed) -> None:
        if change.direction is Direction.NONE:
            return
        if self._way(change)[1] == OPEN:
            self._passed(change)  # weighed later, it would be gone
        else:
            self._due.append((change.at + self.skew, change))

    def _way(self, change: HeadPassed) -> tuple[str, str]:
        one, other = self.line.heads[change.place].between
        forward = change.direction is Direction.FORWARD
        return (one, other) if forward else (other, one)

    def _passed(self, change: HeadPassed) -> None:
        source, into = self._way(change)
        train = self._passing(source, into, change.place)
        if train is None:
            return
        counted = Counted(
            head=change.place, at=change.at, axles=change.axles, event=change.event
        )
        train.counts.append(counted)
        self._told.append(
            TrainCounted(
                place=change.place,
                at=change.at,
                passages=tuple(train.counts),
                leaves=into == OPEN,
            )
        )
        if into == OPEN:
            # Whatever is still taken for it here is another.
            train.counts.clear()

    def _passing(self, source: str, into: str, head: str) -> Train | None:
        """The one train that passes *head* from *source* into *into*, or None where that is not certain."""
        if into != OPEN:
            trains = self.in_section(into)
            behind = "" if source == OPEN else source
            entered = [t for t in trains if behind in t.parts[into].ways]
            for train in entered:
                if source != OPEN and not train.parts[into].sure and len(entered) == 1:
                    self._must_be_in(train, into)
        else:
            there = self.in_section(source) if source != OPEN else []
            # What may have come in over this head has not, where it was not counted in.
            counted = [t for t in there if not t.guess or _counted_at(head, t)]
            entered = counted or there
        return entered[0] if len(entered) == 1 else None

    # Doubts about the line file.

    def _gave_up(self, name: str, cleared: Moment) -> None:
        """Section *name* gave up a train that no neighbour took: what appeared elsewhere meanwhile may be it."""
        for other, spot in self.spots.items():
            seen = spot.appearance
            if (
                seen is not None
                and other not in self.spots[name].neighbours
                and other != name
                and seen.entered <= cleared + self.skew
                and (seen.cleared is None or seen.cleared >= cleared)
            ):
                seen.afar.add(name)

    def _remember_comers(self, spot: Spot, change: Cleared) -> None:
        seen = spot.appearance
        if seen is None:
            return
        spot.comers.append(frozenset(seen.afar))
        self._doubt(spot, change.place, change)

    def _doubt(self, spot: Spot, name: str, change: Cleared) -> None:
        counts = Counter(other for comers in spot.comers for other in comers)
        doubted = self.doubts.get(name)
        if counts:
            other, count = min(counts.items(), key=lambda one: (-one[1], one[0]))
        elif doubted is not None:
            other, count = doubted, 0
        else:
            return
        if count >= DOUBTED:
            self.doubts[name] = other
        else:
            self.doubts.pop(name, None)
        self._told.append(
            TrainsFromAfar(
                place=name,
                at=change.at,
                other=other,
                count=count,
                trains=len(spot.comers),
                cleared=change.cleared,
                event=change.event,
            )
        )


def _counted_at(head: str, train: Train) -> bool:
    """Whether *head* has counted *train* before."""
    return any(one.head == head for one in train.counts)


def _why_not_unseen(change: OccupationEnded) -> str:
    """Why what appeared and was gone again is not called a train, in words."""
    if change.by_reset:
        return "its section was given back by a reset"
    if not change.only_occupied:
        return "its section showed another state than occupied"
    if change.exit is Verdict.CANNOT_TELL:
        return "a neighbour was not known when its section cleared"
    return "its section cleared with no neighbour to take it"


def _why_not_told(exit_: Verdict, train: Train, part: Part) -> str:
    """Why a train that nobody took is not called unaccounted for, in words."""
    if exit_ is Verdict.CANNOT_TELL:
        return "a neighbour was not known at the time"
    if exit_ is Verdict.EXPLAINED:
        return "a neighbour was not clear, and may have it"
    if not train.real:
        return "what was in it was not seen to come in as a train does"
    if not part.sure:
        return "that train may have been elsewhere"
    if train.out:
        return "that train may have left the line, or gone where nothing was known"
    if part.beyond:
        return f"{names(sorted(part.beyond))} was entered before, perhaps by it"
    return "a train was already seen to come out beyond a neighbour"
