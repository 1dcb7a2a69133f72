"""What was known of the line at the moment at which an alert was raised, and the questions that can be asked of it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from monitor.core.events import (
    State,
)
from monitor.core.layout import Line
from monitor.core.moments import (
    Moment,
)
from replay.recheck.book import Book, Piece, Rules
from replay.recheck.opinion import Doubt, Doubts, same, shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Then:
    """The recording as it was known when an alert was raised.

    Args:
        book: the recording.
        raised: when, to the end of that millisecond.
        rules: the durations.
    """

    book: Book
    raised: Moment
    rules: Rules
    _read: dict[str, tuple[list[Piece], list[Moment]]] = field(default_factory=dict)

    @property
    def line(self) -> Line:
        """The line."""
        return self.book.line

    def clock(self, moment: Moment) -> str:
        """*moment* as people at the line read it."""
        return shown(moment, self.line.zone, self.raised)

    def pieces(self, section: str) -> list[Piece]:
        """What *section* showed."""
        return self._laid_out(section)[0]

    def _laid_out(self, section: str) -> tuple[list[Piece], list[Moment]]:
        if section not in self._read:
            pieces = self.book.timeline(section, self.raised, self.rules.skew)
            self._read[section] = pieces, [one.start for one in pieces]
        return self._read[section]

    def within(self, section: str, start: Moment, end: Moment) -> Sequence[Piece]:
        """What *section* showed from *start* to *end*, both in it."""
        pieces, starts = self._laid_out(section)
        first = max(0, bisect_right(starts, start) - 1)
        return pieces[first : bisect_right(starts, end)]

    def works(self, section: str, start: Moment, end: Moment) -> bool:
        """Whether *section* was under work at any time from *start* to *end*."""
        return any(
            one.start <= end and one.end > start for one in self.book.work(section)
        )

    def shows(
        self, section: str, start: Moment, end: Moment, *, entry: Moment | None = None
    ) -> str:
        """What else than clear *section* was from *start* to *end*, in words; "" for nothing.

        *entry*: of a section beside it; one that was clear and turned disturbed about then does not explain that.
        """
        if self.works(section, start, end):
            return "under work"
        for one in self.within(section, start, end):
            if one.state is None:
                return "not known"
            turned = one.state is State.DISTURBED and not one.first
            if one.not_clear and not (
                entry is not None and turned and one.start >= start
            ):
                return one.state.value.replace("_", " ")
            if turned and not self._was_clear(section, one.start):
                return "disturbed"
        return ""

    def hidden(self, section: str, start: Moment, end: Moment) -> str:
        """In words, why a train may have been in *section* from *start* to *end* that nobody could follow; "" where none."""
        if self.works(section, start, end):
            return "under work"
        for one in self.within(section, start, end):
            if one.state is None:
                return "not known"
            if one.state not in {State.CLEAR, State.OCCUPIED}:
                return one.state.value.replace("_", " ")
        return ""

    def _was_clear(self, section: str, moment: Moment) -> bool:
        before = self.within(section, moment - 1, moment - 1)
        return bool(before) and before[-1].state is State.CLEAR

    def beside(self, section: str, moment: Moment, *, entry: bool) -> str:
        """What explains that *section* changed at *moment*, in words; "" for nothing."""
        if self.line.is_open(section):
            return f"{section} has an open head"
        return self.beside_but(section, moment, "", entry=entry)

    def beside_but(
        self, section: str, moment: Moment, left_out: str, *, entry: bool
    ) -> str:
        """As `beside`, by its neighbours alone, without the one that is *left_out*."""
        skew = self.rules.skew
        about = (moment - skew, moment + skew)
        for one in self.line.neighbours(section):
            if one == left_out:
                continue
            shown = self.shows(one, *about, entry=moment if entry else None)
            if shown:
                return f"{one} was {shown} at {self.clock(moment)}"
        return ""

    def not_known_clear(self, section: str, start: Moment, end: Moment) -> Doubts:
        """Why *section* was not known clear from *start* to *end*."""
        shown = self.shows(section, start, end)
        if shown:
            yield Doubt(
                f"{section} was {shown} within {self.clock(start)} to {self.clock(end)}"
            )
        beats = self.book.sends_heartbeats(section)
        if self.book.gap_within(section, start, end):
            # Without heartbeats there was nothing to wait for, and the gap showed only later.
            yield Doubt(
                f"numbers of the source of {section} are missing at {self.clock(end)}",
                sure=beats,
            )
        heard = self.book.heard_after(section, end)
        if heard is None or heard > max(self.raised, end):
            yield Doubt(
                f"the source of {section} was not heard after {self.clock(end)}"
            )

    def entries(self, section: str, start: Moment, end: Moment) -> list[Piece]:
        """The times from after *start* to *end* at which *section*, known clear, became something else."""
        return [
            after
            for before, after in pairwise(self.within(section, start, end))
            if before.state is State.CLEAR and after.not_clear and after.start > start
        ]

    def clears(self, section: str, start: Moment, end: Moment) -> list[Piece]:
        """The times from *start* to *end* at which *section*, seen otherwise, became clear."""
        return [
            after
            for before, after in pairwise(self.within(section, start - 1, end))
            if before.not_clear and after.state is State.CLEAR and after.start >= start
        ]

    def stretches(self, section: str) -> list[Piece]:
        """The stretches of `occupied`, each going on through times that are not known."""
        joined: list[Piece] = []
        pieces = self.pieces(section)
        for place, one in enumerate(pieces):
            if one.state is not State.OCCUPIED:
                continue
            through = (
                one.first
                and joined
                and place >= 1
                and joined[-1].end == pieces[place - 1].start
            )
            if through:
                joined[-1] = replace(joined[-1], end=one.end)
            else:
                joined.append(one)
        return joined

    def occupation(self, section: str, end: Moment) -> list[Piece]:
        """The pieces of the occupation that ended at *end*, in order; nothing where none did."""
        run: list[Piece] = []
        for one in self.pieces(section):
            if same(one.start, end) and one.state is State.CLEAR:
                return run
            if one.state is State.CLEAR:
                run = []
            else:
                run.append(one)
        return []

    def known_again(self, section: str, start: Moment) -> set[Moment]:
        """When *section* or a neighbour was known again, or given back from work, after *start*."""
        around = (section, *self.line.neighbours(section))
        spells = [
            spell
            for one in around
            for spell in (*self.book.unknown(one, self.raised), *self.book.work(one))
        ]
        return {one.end for one in spells if start < one.end <= self.raised}

    def heard(self, section: str, moment: Moment) -> set[Moment]:
        """When those who speak for *section* and around it were first heard after *moment*."""
        around = (section, *self.line.neighbours(section))
        heard = (self.book.heard_after(one, moment) for one in around)
        return {one for one in heard if one is not None}

    def surely_heard(self, section: str, moment: Moment) -> set[Moment]:
        """Likewise, and when each was first heard whether it sends heartbeats or not: what is urgent waits for that where numbers can show a loss."""
        around = (section, *self.line.neighbours(section))
        words = (self.book.word_after(one, moment) for one in around)
        return self.heard(section, moment) | {one for one in words if one is not None}

    def fell_due(self, allowed: Iterable[Moment], what: str) -> Doubts:
        """Whether the alert was raised at one of the moments at which it may."""
        times = sorted(set(allowed))
        if not any(same(self.raised, one) for one in times):
            due = " or ".join(self.clock(one) for one in times[:3])
            yield Doubt(f"it was raised at {self.clock(self.raised)}; {what}: {due}")


def section_of(subject: str) -> str:
    """The section that *subject* names."""
    return subject.removeprefix("section/")


def under_work(then: Then, section: str) -> Doubts:
    """That *section* was under work speaks against any alert about it."""
    if then.book.under_work(section, then.raised):
        yield Doubt(f"{section} was under work at {then.clock(then.raised)}")
