"""Axles, counted: one train is the same train at every head, and what goes in comes out.

Theory.
A train has as many axles at one head as at the next, unless vehicles were coupled or left between them; so a head that counts otherwise than the heads before and after it, which agree, has miscounted.
A section's tally is what its heads counted in, less what they counted out; so a head that lost k axles of a train leaves +k in the section that the train came from and -k in the one that it went to.

| what is seen | which head is the suspect |
|---|---|
| 40, 39, 40 at three heads one after another | the middle one |
| 39, 40, 40, and the train was seen at no head before | the first |
| 40, 40, 39, and the train leaves where there is no detection | the last |
| after the train has gone, +1 in one section and -1 in that beside it | the head between them |
| after the train has gone, +1 or -1 in a section, and nothing beside it | the one of its heads that miscounted that train, where passages say so; else the section |

One to three axles are a miscount; more may be vehicles that were coupled or left, and are none.
A train that turns back passes one head twice; where both passages say the same they are one.

What is under work is not counted, and what is left in a section that is not known waits until it is known again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

from monitor.core.changes import (
    AxlesLeft,
    Change,
    Cleared,
    CountAgreed,
    Counted,
    HeadPassed,
    KnownAgain,
    LeftOver,
    LeftOverGone,
    Miscounted,
    NotKnown,
    OccupationEnded,
    TrainCounted,
    TrainJoined,
    TrainPassed,
    TrainWentOn,
    WorkBegan,
)
from monitor.core.events import State
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.core.occupancy import Settled
from monitor.core.trains import FEW

REMEMBERED = 5
"""Passages of a train that are told; where fewer are, they are all there were."""


def departs(counts: Sequence[int]) -> int | None:
    """Which of three counts of one train departs from the other two, by one to three axles, or None.

    Where it departs by more, vehicles may have been coupled or left in between, so it is no miscount; where no two agree, nobody can tell.

    Example:
        >>> departs((40, 39, 40)), departs((38, 40, 40)), departs((40, 40, 41))
        (1, 0, 2)
        >>> departs((40, 36, 40)), departs((40, 39, 38)), departs((40, 40, 40))
        (None, None, None)
    """
    one, two, three = counts
    if one == three:
        odd, usual = 1, one
    elif two == three:
        odd, usual = 0, two
    elif one == two:
        odd, usual = 2, one
    else:
        return None
    return odd if is_few(counts[odd] - usual) else None


def is_few(axles: int) -> bool:
    """Whether so many axles, over or lacking, are a miscount.

    Example:
        >>> [is_few(axles) for axles in (-4, -3, 0, 1, 3, 4)]
        [False, True, False, True, True, False]
    """
    return 1 <= abs(axles) <= FEW


@dataclass(slots=True)
class Left:
    """A section that its train has left, and that is still not clear.

    Args:
        state: what it has shown since.
        between: the section between it and the train.
        cleared: when that cleared.
        event: the event that shows it.
        since: from when its staying occupied is timed.
        told: where it was told as left over, or "".
        paired: the head that what is left here and beside it points to, and the tally that does, or None.
    """

    state: State | None
    between: str
    cleared: Moment
    event: str
    since: Moment
    told: str = ""
    paired: tuple[str, int] | None = None


@dataclass(slots=True)
class Counts:
    """What heads and tallies say of the same trains, over a line.

    Args:
        line: the line file.
        sections: how each section stands.
    """

    hears: ClassVar[frozenset[type[Change]]] = frozenset(
        {
            HeadPassed,
            TrainCounted,
            TrainPassed,
            OccupationEnded,
            TrainWentOn,
            TrainJoined,
            Cleared,
            NotKnown,
            KnownAgain,
            WorkBegan,
        }
    )
    """The kinds of change that `hear` knows, so that others need not be told."""

    line: Line
    sections: Mapping[str, Settled]
    left: dict[str, Left] = field(default_factory=dict)
    _suspected: set[str] = field(default_factory=set)
    _told_of: dict[str, LeftOver] = field(default_factory=dict)
    _passing: set[str] = field(default_factory=set)
    _blamed: dict[str, Miscounted] = field(default_factory=dict)
    _went: dict[str, str] = field(default_factory=dict)
    _told: list[Change] = field(default_factory=list)

    # What the engine calls.

    def hear(self, change: Change) -> list[Change]:
        """What *change* means for counts."""
        match change:
            case HeadPassed():
                self._passing.add(change.place)
            case TrainCounted():
                self._counted(change)
            case TrainPassed():
                if self._suspected:
                    self._went[change.place] = change.into
            case OccupationEnded():
                if self._suspected:
                    self._worked(change)
            case TrainWentOn():
                self._went_on(change)
            case KnownAgain():
                self._known_again(change)
            case NotKnown():
                self.look(change.place, change.at)
            case _:
                self._gone(change.place, change.at)
        return self._give()

    def explain(self, name: str) -> list[str]:
        """What the tally of section *name* says, and of what was left in it after its train went on, in sentences."""
        axles = self.sections[name].axles
        if axles is None:
            said = [f"No tally of {name} is given."]
        else:
            said = [f"The tally of {name} is {axles}."]
        left = self.left.get(name)
        if left is None:
            return said
        went = f"It stays not clear after its train went on over {left.between}"
        if left.told:
            said.append(f"{went}; that points to {left.told}.")
        elif axles is None:
            said.append(f"{went}; without a tally nobody can tell a miscount.")
        elif not is_few(axles):
            said.append(f"{went}; only 1 to {FEW} axles are called a miscount.")
        else:
            said.append(f"{went}; it is not known, or under work, or not occupied.")
        return said

    def tell(self, section: str, at: Moment) -> list[Change]:
        """Its evaluator has told how *section*, one of `left`, stands."""
        self.look(section, at)
        return self._give()

    def _give(self) -> list[Change]:
        told = self._told
        if told:
            self._told = []
        return told

    # One train at several heads.

    def _counted(self, change: TrainCounted) -> None:
        whole = len(change.passages) < REMEMBERED
        runs = _runs(change.passages)
        if len(runs) < 2:
            return
        newest = len(_runs(change.passages[:-1])) < len(runs)
        if newest:
            if len(runs) >= 3:
                self._judge(runs[-3:], change.at, first=whole and len(runs) == 3)
            elif whole and runs[0].axles == runs[1].axles:
                self._agreed(runs[0].head, change.at)
        if change.leaves:
            self._judge_last(runs, change.at)

    def _judge(self, three: Sequence[Counted], at: Moment, *, first: bool) -> None:
        """The middle one of *three* is known from both sides now; so is the *first*, where the train was seen at none before."""
        counts = [one.axles for one in three]
        odd = departs(counts)
        if odd == 1 or (odd == 0 and first):
            self._miscounted(three, odd, at)
        if odd != 1 and counts[1] in (counts[0], counts[2]):
            self._agreed(three[1].head, at)

    def _judge_last(self, runs: Sequence[Counted], at: Moment) -> None:
        """No head comes after the last of *runs*."""
        if runs[-1].axles == runs[-2].axles:
            self._agreed(runs[-1].head, at)
        elif len(runs) >= 3 and departs([one.axles for one in runs[-3:]]) == 2:
            self._miscounted(runs[-3:], 2, at)

    def _miscounted(self, three: Sequence[Counted], odd: int, at: Moment) -> None:
        suspect, other = three[odd], three[odd - 1]
        if self._worked_on(suspect.head):
            return
        told = Miscounted(
            place=suspect.head,
            at=at,
            axles=suspect.axles,
            usual=other.axles,
            passages=tuple(three),
        )
        self._suspected.add(suspect.head)
        self._blamed[suspect.head] = told
        self._told.append(told)
        for section in self.line.heads[suspect.head].between:
            if section in self.left:
                self.look(section, at)

    def _agreed(self, subject: str, at: Moment) -> None:
        if subject in self._suspected and not (
            subject in self.line.heads and self._worked_on(subject)
        ):
            self._told.append(CountAgreed(place=subject, at=at))

    def _worked_on(self, head: str) -> bool:
        """Whether a section beside *head* is under work."""
        return any(
            self.sections[one].under_work
            for one in self.line.heads[head].between
            if one in self.sections
        )

    def _worked(self, change: OccupationEnded) -> None:
        """A section that was worked through counted a train in and out alike, and so did the head it left by."""
        name = change.place
        into = self._went.pop(name, "")
        if not change.worked or self.sections[name].under_work:
            return
        self._agreed(f"section/{name}", change.at)
        for head in self.line.heads_between(name, into) if into else ():
            if head not in self._passing:
                self._agreed(head, change.at)

    # What is left over.

    def _went_on(self, change: TrainWentOn) -> None:
        settled = self.sections[change.place]
        self._gone(change.place, change.at)
        if settled.under_work or settled.state is State.CLEAR:
            return
        self.left[change.place] = Left(
            settled.state, change.between, change.cleared, change.event, change.cleared
        )
        self.look(change.place, change.at)

    def _known_again(self, change: KnownAgain) -> None:
        left = self.left.get(change.place)
        if left is not None:
            left.since = change.at
            self.look(change.place, change.at)

    def _gone(self, section: str, at: Moment) -> None:
        """A train joined what was left in *section*, it shows another state, or work began there."""
        if section in self.left:
            self._withdraw(self.left.pop(section).told, at)
            self._point_all(at)

    def look(self, section: str, at: Moment) -> None:
        """What is left in *section* may have changed, and so may what it says of those beside it."""
        left = self.left.get(section)
        if left is None:
            return
        if self.sections[section].state is not left.state:
            self._gone(section, at)  # its tally has become another since
        else:
            self._point_all(at)

    def _point_all(self, at: Moment) -> None:
        # Two passes: what points elsewhere now may have pointed where another does.
        for name in (*self.left, *self.left):
            self._point(name, at)

    def _point(self, section: str, at: Moment) -> None:
        """Tell where what is left in *section* points, where that is new."""
        left = self.left[section]
        place, names = self._subject(section)
        if left.told != place:
            self._withdraw(left.told, at)
            left.told = place
        if not place:
            return
        one = self.left[names[0]]
        told = LeftOver(
            place=place,
            at=at,
            left=tuple(self._axles(name) for name in names),
            between=one.between,
            cleared=min(self.left[name].cleared for name in names),
            event=one.event,
            since=max(self.left[name].since for name in names),
        )
        before = self._told_of.get(place)
        if before is None or _differs(before, told):
            self._suspected.add(place)
            self._told_of[place] = told
            self._told.append(told)

    def _withdraw(self, place: str, at: Moment) -> None:
        if self._told_of.pop(place, None) is None:
            return
        self._told.append(LeftOverGone(place=place, at=at))
        for other in self.left.values():
            if other.told == place:
                other.told = ""

    def _subject(self, section: str) -> tuple[str, tuple[str, ...]]:
        """Where what is left in *section* points, and the sections that say so; "" where it says nothing."""
        settled = self.sections[section]
        if settled.reasons or settled.under_work or not is_few(settled.axles or 0):
            return "", ()
        beside = self._pair(section)
        if beside:
            names = tuple(sorted((section, beside), key=list(self.sections).index))
            [head] = self.line.heads_between(section, beside)
            stay = any(self.sections[n].state is State.OCCUPIED for n in names)
            for name in names:
                self.left[name].paired = head, self.sections[name].axles or 0
            return (head, names) if stay else ("", ())
        if settled.state is not State.OCCUPIED:
            return "", ()
        paired = self.left[section].paired
        if paired is not None and paired[1] == settled.axles:
            return paired[0], (section,)  # the other has been given back since
        return self._head_to_blame(section) or f"section/{section}", (section,)

    def _pair(self, section: str) -> str:
        """The neighbour that its train has left too, with as many axles of the other sign, where one head lies between; or ""."""
        axles = self.sections[section].axles or 0
        for other in self.line.neighbours(section):
            settled = self.sections[other]
            if (
                other in self.left
                and is_few(axles)
                and settled.axles == -axles
                and not settled.reasons
                and len(self.line.heads_between(section, other)) == 1
            ):
                return other
        return ""

    def _head_to_blame(self, section: str) -> str:
        """The head of *section* that miscounted the train by as much as is left, or ""."""
        settled = self.sections[section]
        for head in self.line.heads_of(section):
            blamed = self._blamed.get(head)
            if blamed is None or abs(blamed.axles - blamed.usual) != abs(
                settled.axles or 0
            ):
                continue
            passed = next(one.at for one in blamed.passages if one.head == head)
            if settled.so_since <= passed <= self.left[section].cleared:
                return head
        return ""

    def _axles(self, section: str) -> AxlesLeft:
        settled = self.sections[section]
        return AxlesLeft(
            section=section,
            axles=settled.axles or 0,
            at=settled.at,
            event=settled.identity,
        )


def _differs(one: LeftOver, other: LeftOver) -> bool:
    """Whether the two say something else; that the same tally was told again does not count."""
    said = [
        (x.cleared, x.since, [(y.section, y.axles) for y in x.left])
        for x in (one, other)
    ]
    return said[0] != said[1]


def _runs(passages: Sequence[Counted]) -> list[Counted]:
    """*passages* with those at one head, one after another and alike, taken once: a train that turned back."""
    runs: list[Counted] = []
    for one in passages:
        if not runs or (one.head, one.axles) != (runs[-1].head, runs[-1].axles):
            runs.append(one)
    return runs
