"""Entries and exits: what the neighbours explain, and when a train has worked through.

Theory.
A section says only clear or not clear.
A train that enters it was in a neighbour just before, and one that leaves is in a neighbour just after; evaluators stamp independently, so "just" means within `skew_s`.
So an entry at t is *explained* if within the skew some neighbour was not clear or not known, or the section has an open head, or it is the section's first event; an exit likewise.
It is *not explained* only if every neighbour was known to be clear all the while; where heartbeats are sent, that is known only once each neighbour's gateway has been heard after it.
When a silence, a will or a gap comes first, nobody can tell.

A neighbour that was clear and turns `disturbed` within the skew explains nothing: that is what a failing head between the two looks like.
Such a spell explains entries from `skew_s` after its beginning on, and the code keeps for each spell only the first moment (`onset`) from which it explains.

An entry or exit is told twice: when it happened, and when it is judged.
What explains an entry at once need not wait; that nothing does is known `skew_s` later at the earliest.

A clear shorter than the skew ends nothing: a tally on its way through zero to minus one shows clear for a moment.
So whether a clear ended an occupation is decided `skew_s` after it.

An occupation is cut into stretches where the state changes between `occupied` and any other; each stretch of `occupied` has its own entry.

**Worked through**, the proof that a section detects a train again:

- an occupation that ended from `occupied`, with entry and exit explained, not by a reset, and at a tally of nought where tallies are given; or
- from `awaiting_sweep`, at once or through `occupied`, to `awaiting_acknowledgement` or `clear`, with an exit explained at that moment and not by a further reset.

The acknowledgement itself proves nothing.
Where the clear, or what went before it, was not seen, nothing is proved either.
A section that clears out of `disturbed` by itself is taken as no proof: where resets are not in the feed, that is what a reset looks like.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from typing import ClassVar

from monitor.core.changes import (
    Change,
    Cleared,
    ClearWasShort,
    Disturbance,
    Entered,
    EntryJudged,
    KnownAgain,
    MovedOn,
    NotKnown,
    OccupationEnded,
    ResetTaken,
    StateChanged,
    StretchEnded,
    TrainJoined,
    Verdict,
    WorkBegan,
    WorkedThrough,
    WorkEnded,
)
from monitor.core.events import State, Step
from monitor.core.layout import Line
from monitor.core.moments import Duration, Moment
from monitor.core.words import clock, names

NEVER: Moment = -(2**62)
EVER: Moment = 2**62


@dataclass(slots=True)
class Occupation:
    """A longest unbroken time not clear.

    Args:
        began: when, corrected; for one begun unseen, when the first event that shows it says.
        entry: the judgement on its beginning, once made.
        only_occupied: no other state was shown in it.
    """

    began: Moment
    entry: Verdict | None = None
    only_occupied: bool = True


@dataclass(slots=True)
class Stretch:
    """A part of an occupation in which the state is `occupied`.

    Args:
        entered: when it began.
        entry: the judgement on its beginning, once made.
        moved_into: the neighbour into which it moved on, with nothing else to explain that.
    """

    entered: Moment
    entry: Verdict | None = None
    moved_into: str = ""


class About(Enum):
    """What a question asks."""

    ENTRY = "entered"
    DISTURBED = "disturbed"
    EXIT = "left"
    SWEEP = "swept"


_DOING = {
    About.ENTRY: "became occupied",
    About.DISTURBED: "turned disturbed",
    About.EXIT: "cleared",
    About.SWEEP: "was swept",
}
"""What a question asks about, in words."""


@dataclass(slots=True)
class Question:
    """Something to be judged.

    Args:
        about: what is asked.
        section: of which section.
        at: when it happened.
        due: `skew_s` later.
        event: the event that shows it.
        occupation: the occupation it belongs to.
        stretch: the stretch, where there is one.
        before: the state before.
        sweeping: the section was being swept.
        axles: the tally at that moment, where tallies are given.
        open: not yet answered.
    """

    about: About
    section: str
    at: Moment
    due: Moment
    event: str
    occupation: Occupation
    stretch: Stretch | None = None
    before: State | None = None
    sweeping: bool = False
    axles: int | None = None
    open: bool = True


@dataclass(slots=True)
class Section:
    """What is remembered of one section.

    `onset` and `last_onset` say from when the spell of not clear going on, and the one before, explain; `last_end` when that one ended.
    """

    neighbours: tuple[str, ...]
    open: bool
    state: State | None = None
    state_since: Moment = NEVER
    known: bool = False
    worked_on: bool = False
    dark_until: Moment = EVER
    onset: Moment = EVER
    last_onset: Moment = EVER
    last_end: Moment = NEVER
    occupation: Occupation | None = None
    stretch: Stretch | None = None
    leaving: Question | None = None
    sweeping: bool = False
    accepted: Moment = NEVER
    disturbed: Moment = NEVER
    worked: Moment | None = None
    judged: tuple[Moment, Verdict, tuple[str, ...]] | None = None

    @property
    def dark(self) -> bool:
        """Not known, or under work: nothing is concluded against it."""
        return not self.known or self.worked_on


@dataclass(slots=True)
class Entries:
    """Entries and exits of all sections.

    Args:
        line: the line file.
        skew: events up to this far apart may be simultaneous.
        settle: disturbances within this are one.
        reset_effect: a clear up to this long after an accepted reset is by it.
        source_of: which source speaks for a section.
        heard_past: the event time by which a source is known to have been heard after a moment, or None.
        axles: the newest tally of a section, where tallies are given.
    """

    hears: ClassVar[frozenset[type[Change]]] = frozenset(
        {StateChanged, ResetTaken, NotKnown, KnownAgain, WorkBegan, WorkEnded}
    )
    """The kinds of change that `hear` knows, so that others need not be told."""

    line: Line
    skew: Duration
    settle: Duration
    reset_effect: Duration
    source_of: Callable[[str], str | None]
    heard_past: Callable[[str | None, Moment], Moment | None]
    axles: Callable[[str], int | None]
    sections: dict[str, Section] = field(init=False)
    _due: deque[Question] = field(default_factory=deque)
    _waiting: dict[str, list[Question]] = field(default_factory=dict)
    _told: list[Change] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.sections = {
            name: Section(self.line.neighbours(name), self.line.is_open(name))
            for name in self.line.sections
        }

    # What the engine calls.

    def hear(self, change: Change) -> list[Change]:
        """What *change* means for entries and exits."""
        match change:
            case StateChanged(unseen=False):
                self._changed(change)
            case StateChanged():
                self._unseen(change)
            case ResetTaken(step=Step.ACCEPTED):
                section = self.sections[change.place]
                section.accepted = max(section.accepted, change.so_at)
            case NotKnown():
                self._lost(change)
            case KnownAgain():
                self._lit(change).known = True
            case WorkBegan():
                self.sections[change.place].worked_on = True
            case WorkEnded():
                self._lit(change).worked_on = False
        return self._give()

    def _lit(self, change: Change) -> Section:
        section = self.sections[change.place]
        section.dark_until = change.at
        return section

    def next_due(self) -> Moment | None:
        """When the next question can be answered."""
        due = self._due
        while due and not due[0].open:
            due.popleft()
        return due[0].due if due else None

    def wake(self, now: Moment) -> list[Change]:
        """Answer what is due at *now*, section by section."""
        asked = []
        while self._due and self._due[0].due <= now:
            question = self._due.popleft()
            if question.open:
                asked.append(question)
        if len(asked) > 1:
            asked.sort(key=lambda question: (question.due, question.section))
        for question in asked:
            if question.open:
                self._ask(question, now)
        return self._give()

    def heard(self, source: str, now: Moment) -> list[Change]:
        """Something of *source* was settled: questions that waited for it are asked again."""
        for question in self._waiting.pop(source, ()):
            if question.open:
                self._ask(question, now)
        return self._give()

    def not_heard(self, source: str, now: Moment) -> list[Change]:
        """A silence, a will or a gap of *source* came first: nobody can tell."""
        for question in self._waiting.pop(source, ()):
            if question.open:
                self._answer(question, Verdict.CANNOT_TELL, [], question.due, now)
        return self._give()

    def waits_for(self, source: str) -> bool:
        """Whether a question waits for something of *source*."""
        return source in self._waiting

    def beside(self, name: str, at: Moment) -> str:
        """How the neighbours of section *name* stand, as a part of a sentence."""
        clear: list[str] = []
        rest: list[str] = []
        for other in self.sections[name].neighbours:
            seen = self.sections[other]
            (clear if seen.state is State.CLEAR and seen.known else rest).append(other)
        parts = []
        if clear:
            since = max(self.sections[other].state_since for other in clear)
            parts.append(
                f"{names(clear)} clear since {clock(since, self.line.zone, at)}"
            )
        if rest:
            parts.append(f"{names(rest)} not clear or not known")
        return "; ".join(parts)

    def around(self, name: str, at: Moment) -> list[str]:
        """The neighbours of section *name* that explain an entry or exit at *at*, as far as is known."""
        return self._explainers(self.sections[name], at)

    def explain(self, name: str, at: Moment) -> list[str]:
        """How the last entry into section *name* was judged, and what is not judged yet, in sentences."""
        section = self.sections[name]
        said = []
        if section.judged is not None:
            said.append(self._judgement(name, *section.judged, at))
        for question in self._questions_about(name):
            when = clock(question.at, self.line.zone, at)
            doing = _DOING[question.about]
            said.append(
                f"{name} {doing} at {when}, and whether a neighbour explains that "
                f"is not judged yet: {self._waits(section, question, at)}."
            )
        return said

    def _judgement(
        self,
        name: str,
        entered: Moment,
        verdict: Verdict,
        found: tuple[str, ...],
        at: Moment,
    ) -> str:
        when = clock(entered, self.line.zone, at)
        if verdict is Verdict.CANNOT_TELL:
            why = "nobody can tell: a neighbour was not known at the time"
        elif verdict is Verdict.NOT_EXPLAINED:
            why = "no neighbour explains it: all were known clear"
        elif found:
            why = f"{names(found)} was not clear or not known, which explains it"
        elif self.sections[name].open:
            why = "a train may have come in from where there is no detection"
        else:
            why = "it was the first event of the section, or was not seen"
        return f"The last entry into {name} was at {when}: {why}."

    def _waits(self, section: Section, question: Question, at: Moment) -> str:
        if at < question.due:
            return "events up to the skew away may still come"
        missing = sorted(
            {
                source
                for other in section.neighbours
                if (source := self.source_of(other)) is not None
                and self.heard_past(source, question.due) is None
            }
        )
        past = clock(question.due, self.line.zone, at)
        return f"it waits until {names(missing)} is heard after {past}"

    def is_dark(self, name: str) -> bool:
        """Whether section *name* is not known, or under work."""
        return self.sections[name].dark

    # Judging.

    def _explainers(self, section: Section, at: Moment) -> list[str]:
        low, high = at - self.skew, at + self.skew
        found = []
        for name in section.neighbours:
            other = self.sections[name]
            if (
                other.dark
                or other.dark_until >= low
                or other.onset <= high
                or (other.last_end >= low and other.last_onset <= high)
            ):
                found.append(name)
        return found

    def _put(self, question: Question) -> None:
        """Ask at once where that can settle it, else when it is due."""
        if question.about in (About.ENTRY, About.DISTURBED):
            section = self.sections[question.section]
            found = self._explainers(section, question.at)
            if section.open or found:
                self._answer(
                    question, Verdict.EXPLAINED, found, question.at, question.at
                )
                return
        self._due.append(question)

    def _ask(self, question: Question, now: Moment) -> None:
        section = self.sections[question.section]
        found = self._explainers(section, question.at)
        if question.about is About.EXIT and section.leaving is question:
            self._clear_lasted(question, section, now, found)
        if section.open or found:
            self._answer(question, Verdict.EXPLAINED, found, question.due, now)
            return
        raised = question.due
        for name in section.neighbours:
            source = self.source_of(name)
            heard = self.heard_past(source, question.due)
            if heard is None:
                self._waiting.setdefault(source or "", []).append(question)
                return
            raised = max(raised, heard)
        self._answer(question, Verdict.NOT_EXPLAINED, [], raised, now)

    def _answer(
        self,
        question: Question,
        verdict: Verdict,
        found: list[str],
        raised: Moment,
        now: Moment,
    ) -> None:
        question.open = False
        match question.about:
            case About.ENTRY | About.DISTURBED:
                self._entry(question, verdict, found, raised, now)
            case About.EXIT:
                self._exit(question, verdict, found, raised, now)
            case About.SWEEP:
                if self._swept(question, verdict):
                    self._worked(question, raised, now)

    def _give(self) -> list[Change]:
        told = self._told
        if told:
            self._told = []
        return told

    # A change of state that was seen.

    def _changed(self, change: StateChanged) -> None:
        section = self.sections[change.place]
        section.known = True
        section.state, section.state_since = change.now, change.at
        if change.was is State.CLEAR:
            self._becomes_not_clear(section, change)
        elif change.now is State.CLEAR:
            self._becomes_clear(section, change)
        else:
            self._stays_not_clear(section, change)
        if change.now is State.DISTURBED:
            self._disturbed(section, change)
        if change.now is State.AWAITING_SWEEP:
            section.sweeping = True
        elif change.now is not State.OCCUPIED:
            section.sweeping = False

    def _becomes_not_clear(self, section: Section, change: StateChanged) -> None:
        leaving = section.leaving
        if leaving is not None:
            if change.at - leaving.at < self.skew:
                self._clear_was_short(section, leaving, change)
                return
            # It lasted for the skew to the very moment of this event.
            self._ask(leaving, change.at)
        disturbed = change.now is State.DISTURBED
        section.onset = change.at + (2 * self.skew + 1 if disturbed else 0)
        section.occupation = Occupation(
            began=change.at, only_occupied=change.now is State.OCCUPIED
        )
        self._go_on(section, section.occupation, change)

    def _clear_was_short(
        self, section: Section, leaving: Question, change: StateChanged
    ) -> None:
        # The occupation goes on, and so does the stretch where it is `occupied` again.
        leaving.open = False
        section.leaving = None
        section.sweeping = leaving.sweeping
        section.onset, section.last_end = section.last_onset, NEVER
        self._told.append(
            ClearWasShort(place=change.place, at=change.at, cleared=leaving.at)
        )
        if change.now is not State.OCCUPIED or section.stretch is None:
            self._stays_not_clear(section, change)

    def _stays_not_clear(self, section: Section, change: StateChanged) -> None:
        occupation = section.occupation
        if occupation is None:
            occupation = section.occupation = Occupation(began=change.at)
        if change.now is not State.OCCUPIED:
            self._end_stretch(section, change.place, change.at, change.at)
        occupation.only_occupied = False
        if change.now is not State.DISTURBED:
            section.onset = min(section.onset, change.at)
        self._go_on(section, occupation, change)

    def _go_on(
        self, section: Section, occupation: Occupation, change: StateChanged
    ) -> None:
        about = {
            State.OCCUPIED: About.ENTRY,
            State.DISTURBED: About.DISTURBED,
            State.AWAITING_ACKNOWLEDGEMENT: About.SWEEP,
        }.get(change.now)
        if about is About.ENTRY:
            section.stretch = Stretch(entered=change.at)
            self._told.append(
                Entered(
                    place=change.place,
                    at=change.at,
                    event=change.event,
                    occupation=occupation.began,
                )
            )
        if about is None or (about is About.SWEEP and not section.sweeping):
            return
        self._put(
            Question(
                about=about,
                section=change.place,
                at=change.at,
                due=change.at + self.skew,
                event=change.event,
                occupation=occupation,
                stretch=section.stretch,
                before=change.was,
            )
        )

    def _becomes_clear(self, section: Section, change: StateChanged) -> None:
        section.last_onset, section.last_end = section.onset, change.at
        section.onset = EVER
        if section.occupation is None:
            return
        section.leaving = Question(
            about=About.EXIT,
            section=change.place,
            at=change.at,
            due=change.at + self.skew,
            event=change.event,
            occupation=section.occupation,
            stretch=section.stretch,
            before=change.was,
            sweeping=section.sweeping,
            axles=self.axles(change.place),
        )
        self._put(section.leaving)

    def _clear_lasted(
        self, question: Question, section: Section, now: Moment, found: list[str]
    ) -> None:
        section.leaving = section.occupation = None
        self._told.append(
            Cleared(
                place=question.section,
                at=now,
                cleared=question.at,
                beside=tuple(found),
                by_reset=self._by_reset(question),
                event=question.event,
            )
        )
        self._end_stretch(section, question.section, question.at, now)

    def _end_stretch(
        self, section: Section, name: str, ended: Moment, now: Moment
    ) -> None:
        if section.stretch is not None:
            self._told.append(
                StretchEnded(
                    place=name, at=now, entered=section.stretch.entered, ended=ended
                )
            )
            section.stretch = None

    # Judgements.

    def _entry(
        self,
        question: Question,
        verdict: Verdict,
        found: list[str],
        raised: Moment,
        now: Moment,
    ) -> None:
        occupied = question.about is About.ENTRY
        self.sections[question.section].judged = question.at, verdict, tuple(found)
        if question.occupation.began == question.at:
            question.occupation.entry = verdict
        if occupied and question.stretch is not None:
            question.stretch.entry = verdict
        explained = verdict is Verdict.EXPLAINED
        self._told.append(
            EntryJudged(
                place=question.section,
                at=now,
                entered=question.at,
                state=State.OCCUPIED if occupied else State.DISTURBED,
                verdict=verdict,
                raised=raised,
                beside="" if explained else self.beside(question.section, question.at),
                event=question.event,
                occupation=question.occupation.began,
                train=self._train_beside(found, question.at),
            )
        )
        alone = len(found) == 1 and not self.sections[question.section].open
        if occupied and alone:
            self._moved(found[0], question, now)

    def _train_beside(self, found: list[str], at: Moment) -> bool:
        """Whether one of the neighbours *found* was `occupied` about *at*, rather than disturbed or not known."""
        for name in found:
            other = self.sections[name]
            left = other.state is State.CLEAR and other.last_end >= at - self.skew
            if not other.dark and (other.state is State.OCCUPIED or left):
                return True
        return False

    def _moved(self, behind: str, question: Question, now: Moment) -> None:
        """What occupies *behind* went on into the section of *question*."""
        section = self.sections[behind]
        stretch = section.stretch
        if (
            stretch is not None
            and stretch.entered <= question.at
            and stretch.entry is not Verdict.EXPLAINED
            and not section.dark
        ):
            stretch.moved_into = question.section
            self._told.append(MovedOn(place=behind, at=now, into=question.section))

    def _exit(
        self,
        question: Question,
        verdict: Verdict,
        found: list[str],
        raised: Moment,
        now: Moment,
    ) -> None:
        section = self.sections[question.section]
        if section.leaving is question:
            self._clear_lasted(question, section, now, found)
        occupation = question.occupation
        by_reset = self._by_reset(question)
        spurious = (
            occupation.only_occupied
            and occupation.entry is Verdict.NOT_EXPLAINED
            and verdict is Verdict.NOT_EXPLAINED
            and not by_reset
        )
        worked = self._proves(question, verdict)
        self._told.append(
            OccupationEnded(
                place=question.section,
                at=now,
                began=occupation.began,
                ended=question.at,
                entry=occupation.entry or Verdict.CANNOT_TELL,
                exit=verdict,
                by_reset=by_reset,
                only_occupied=occupation.only_occupied,
                raised=raised,
                event=question.event,
                worked=worked,
                spurious=spurious,
            )
        )
        if worked:
            self._worked(question, raised, now)
        if spurious:
            self._told.append(
                Disturbance(
                    place=question.section,
                    at=now,
                    happened=occupation.began,
                    spurious=True,
                    under_work=section.worked_on,
                    event=question.event,
                )
            )
        if verdict is Verdict.EXPLAINED and len(found) == 1 and not section.open:
            self._joined(found[0], question, now)

    def _proves(self, question: Question, verdict: Verdict) -> bool:
        """Whether an occupation that ended was worked through."""
        if question.sweeping:
            return self._swept(question, verdict)
        return (
            verdict is Verdict.EXPLAINED
            and question.occupation.entry is Verdict.EXPLAINED
            and question.before is State.OCCUPIED
            and question.axles in (None, 0)
            and not self._by_reset(question)
        )

    def _swept(self, question: Question, verdict: Verdict) -> bool:
        return verdict is Verdict.EXPLAINED and not self._by_reset(question)

    def _worked(self, question: Question, raised: Moment, now: Moment) -> None:
        section = self.sections[question.section]
        section.worked = max(section.worked or question.at, question.at)
        self._told.append(
            WorkedThrough(
                place=question.section,
                at=now,
                left=question.at,
                raised=raised,
                event=question.event,
            )
        )

    def _by_reset(self, question: Question) -> bool:
        accepted = self.sections[question.section].accepted
        return question.at - self.reset_effect <= accepted <= question.at + self.skew

    def _joined(self, into: str, question: Question, now: Moment) -> None:
        """A train left the section of *question*, and only *into*, occupied already, can have taken it."""
        section = self.sections[into]
        stretch = section.stretch
        if (
            stretch is not None
            and stretch.entered < question.at
            and stretch.entry is Verdict.NOT_EXPLAINED
            and stretch.moved_into != question.section
            and question.occupation.entry is Verdict.EXPLAINED
            and not section.dark
        ):
            self._told.append(
                TrainJoined(
                    place=into, at=now, joined=question.at, out_of=question.section
                )
            )

    def _disturbed(self, section: Section, change: StateChanged) -> None:
        merged = change.at - section.disturbed <= self.settle
        section.disturbed = change.at
        if not merged:
            self._told.append(
                Disturbance(
                    place=change.place,
                    at=change.at,
                    happened=change.at,
                    spurious=False,
                    under_work=section.worked_on,
                    event=change.event,
                )
            )

    # What was not seen.

    def _questions_about(self, name: str) -> Iterator[Question]:
        for question in self._due:
            if question.section == name and question.open:
                yield question
        for waiting in self._waiting.values():
            for question in waiting:
                if question.section == name and question.open:
                    yield question

    def _lost(self, change: NotKnown) -> None:
        self.sections[change.place].known = False
        for question in list(self._questions_about(change.place)):
            self._answer(question, Verdict.CANNOT_TELL, [], question.due, change.at)
        for near in self.sections[change.place].neighbours:
            self._doubt(near, change)

    def _doubt(self, name: str, lost: NotKnown) -> None:
        """A neighbour turns out not to have been known when section *name* was entered: whatever was judged of that, nobody can tell."""
        section = self.sections[name]
        stretch, occupation = section.stretch, section.occupation
        if stretch is None or occupation is None:
            return
        entered = stretch.entered
        judged = stretch.entry is Verdict.NOT_EXPLAINED
        if not judged or entered + self.skew < lost.since:
            return
        stretch.entry = Verdict.CANNOT_TELL
        if occupation.began == entered:
            occupation.entry = Verdict.CANNOT_TELL
        section.judged = entered, Verdict.CANNOT_TELL, ()
        self._told.append(
            EntryJudged(
                place=name,
                at=lost.at,
                entered=entered,
                state=State.OCCUPIED,
                verdict=Verdict.CANNOT_TELL,
                raised=lost.at,
                beside="",
                event="",
                occupation=occupation.began,
            )
        )

    def _unseen(self, change: StateChanged) -> None:
        section = self._lit(change)
        section.known = True
        section.state, section.state_since = change.now, change.at
        section.sweeping = change.now is State.AWAITING_SWEEP
        if section.leaving is not None:
            section.leaving.open = False
            section.leaving = None
        if change.now is not State.OCCUPIED:
            self._end_stretch(section, change.place, change.at, change.at)
        if change.now is State.CLEAR:
            self._unseen_clear(section, change)
            return
        section.onset = min(section.onset, change.at)
        if section.occupation is None:
            section.occupation = Occupation(
                began=change.so_since, entry=Verdict.EXPLAINED
            )
        if change.now is not State.OCCUPIED:
            section.occupation.only_occupied = False
        if change.now is State.OCCUPIED and section.stretch is None:
            self._unseen_entry(section, section.occupation, change)
        if change.now is State.DISTURBED and change.was is not None:
            self._disturbed(section, change)

    def _unseen_entry(
        self, section: Section, occupation: Occupation, change: StateChanged
    ) -> None:
        section.stretch = Stretch(entered=change.at, entry=Verdict.EXPLAINED)
        self._told.append(
            Entered(
                place=change.place,
                at=change.at,
                event=change.event,
                occupation=occupation.began,
                unseen=True,
            )
        )
        self._told.append(
            EntryJudged(
                place=change.place,
                at=change.at,
                entered=change.at,
                state=State.OCCUPIED,
                verdict=Verdict.EXPLAINED,
                raised=change.at,
                beside="",
                event=change.event,
                occupation=occupation.began,
            )
        )

    def _unseen_clear(self, section: Section, change: StateChanged) -> None:
        section.last_onset, section.last_end = section.onset, change.at
        section.onset = EVER
        occupation, section.occupation = section.occupation, None
        if occupation is None:
            return
        self._told.append(
            OccupationEnded(
                place=change.place,
                at=change.at,
                began=occupation.began,
                ended=change.at,
                entry=occupation.entry or Verdict.CANNOT_TELL,
                exit=Verdict.CANNOT_TELL,
                by_reset=False,
                only_occupied=occupation.only_occupied,
                raised=change.at,
                event=change.event,
                worked=False,
                spurious=False,
            )
        )
