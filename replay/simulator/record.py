"""A simulated day as it was shown and as it was, to be asked about at leisure.

What was sent is kept as lengths of time in which one thing was shown; what was true, as visits of trains to sections.
Whether something is *so* is answered yes, no, or None where clocks that are not quite alike leave it open.

Times are true ones: the evaluators' clocks and the delays of the feed are not in them.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.core.events import State, Step
from monitor.core.layout import Line
from monitor.core.moments import DAY, SECOND, Duration, Moment, stamp
from replay.simulator.feed import FeedFault, Measured, Passed, Shown, Sighting
from replay.simulator.miscounts import Miscount
from replay.simulator.railway import Visit

SKEW = 2 * SECOND
BY_RESET = 10 * SECOND
NOTICED = 90 * SECOND
"""A silence is noticed after three heartbeats."""
CLOCKS = SECOND
"""Two evaluators' clocks lie no farther apart than this, with a little room."""

NEEDS = {
    "section-disturbed": "basic",
    "repeat-disturbance": "basic",
    "reset-unproved": "basic",
    "reset-not-held": "basic",
    "occupied-no-train": "basic",
    "vanished-train": "basic",
    "unseen-train": "basic",
    "spurious-occupation": "basic",
    "common-cause": "basic",
    "count-mismatch": "tallies",
    "one-sided-head": "full",
    "level-out": "full",
    "level-drift": "full",
    "worsening": "basic",
    "long-occupation": "basic",
    "contact-disagreement": "tallies",
    "restoration-incomplete": "tallies",
    "evaluator-locked-out": "full",
    "feed-silent": "full",
    "feed-gap": "basic",
    "clock-wrong": "basic",
}
"""How rich a feed must be to show each kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Something that was so.

    Args:
        kind: as the alert that should say it.
        subject: of what.
        began: when it began.
        ended: when it ceased, or None where it had not.
        known: the earliest moment at which it could be concluded; None where what was sent leaves that open, so that saying it is right and not saying it no fault.
        needs: how rich a feed must be to show it, where not as `NEEDS` has it.
    """

    kind: str
    subject: str
    began: Moment
    ended: Moment | None
    known: Moment | None
    needs: str = ""

    def line(self) -> dict[str, Any]:
        """The truth line of the contract."""
        return {
            "kind": self.kind,
            "subject": self.subject,
            "began": stamp(self.began),
            "ended": None if self.ended is None else stamp(self.ended),
            "known": None if self.known is None else stamp(self.known),
            "needs": self.needs or NEEDS[self.kind],
        }


@dataclass(frozen=True, slots=True)
class Piece:
    """A length of time in which one thing was shown.

    Args:
        start: from when.
        end: to when.
        value: what; None where nothing was known.
        seen: what came before it was known too.
    """

    start: Moment
    end: Moment
    value: Any
    seen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """All that a day's truth is worked out from.

    Args:
        line: the line.
        begin: when the recording begins.
        end: when its last event was sent.
        sections: what came of each section, in order.
        evaluators: what came of each evaluator, in order.
        feed: what was wrong with the feed.
        entries: when a train truly came into which section.
        exits: when one had truly left it.
        visits: every train in every section, in order of coming.
        heard: when each source sent something, in order; only of those that send heartbeats.
        passages: what each head told of trains, in order.
        levels: what was measured at each head, in order.
        miscounts: at which head a train was counted wrongly, or in which section, when and by how much.
        richness: how much the feed carried.
    """

    line: Line
    begin: Moment
    end: Moment
    sections: Mapping[str, Sequence[Sighting]]
    evaluators: Mapping[str, Sequence[Sighting]]
    feed: Sequence[FeedFault]
    entries: Sequence[tuple[Moment, str]]
    exits: Sequence[tuple[Moment, str]]
    visits: Sequence[Visit] = ()
    heard: Mapping[str, Sequence[Moment]] = field(default_factory=dict)
    source_of: Mapping[str, str] = field(default_factory=dict)
    passages: Mapping[str, Sequence[Passed]] = field(default_factory=dict)
    levels: Mapping[str, Sequence[Measured]] = field(default_factory=dict)
    miscounts: Sequence[Miscount] = ()
    richness: str = "full"


def unnoticed(day: Day) -> Day:
    """*day* as it seems while what was lost is not noticed: what a section showed last it goes on showing.

    Where a source sends heartbeats a silence is noticed after three of them; without, only when its next message leaves out a number.
    Of a section whose source is not told, what is not known is known not to be.
    """

    def seems(section: str, sightings: Sequence[Sighting]) -> Iterator[Sighting]:
        source = day.source_of.get(section)
        for place, one in enumerate(sightings):
            if one.what is not None or source is None:
                yield one
            elif source in day.heard:
                after = sightings[place + 1 : place + 2]
                if not after or one.at + NOTICED < after[0].at:
                    yield replace(one, at=one.at + NOTICED)

    return replace(
        day,
        sections={one: list(seems(one, x)) for one, x in day.sections.items()},
    )


# What was shown, as lengths of time.


def pieces_of(
    sightings: Iterable[Sighting], value: Callable[[Any], Any], end: Moment, kind: type
) -> list[Piece]:
    """What sightings of *kind* showed, each as long as it held."""
    pieces: list[Piece] = []
    start: Moment | None = None
    now: Any = None
    seen = False
    for one in sightings:
        if one.what is not None and not isinstance(one.what, kind):
            continue
        new = None if one.what is None else value(one.what)
        if start is not None and new == now:
            continue
        if start is not None and one.at > start:
            pieces.append(Piece(start, one.at, now, seen))
            seen = now is not None
        start, now = one.at, new
    if start is not None:
        pieces.append(Piece(start, max(end, start), now, seen))
    return pieces


def smoothed(pieces: Sequence[Piece]) -> list[Piece]:
    """Without the clears that are shorter than the skew: a tally on its way through nought."""
    smooth: list[Piece] = []
    for place, one in enumerate(pieces):
        last = smooth[-1] if smooth else None
        short = (
            one.value is State.CLEAR
            and one.end - one.start < SKEW
            and place + 1 < len(pieces)
            and last is not None
            and last.value not in {None, State.CLEAR}
        )
        if last is not None and (short or last.value == one.value):
            smooth[-1] = Piece(last.start, one.end, last.value, last.seen)
        else:
            smooth.append(one)
    return smooth


@dataclass(frozen=True, slots=True)
class Spell:
    """A time in which something was so, as far as it was seen.

    Args:
        start: from when.
        end: to when, or None where it went on.
        known: the parts of it that were seen without a break.
    """

    start: Moment
    end: Moment | None
    known: tuple[tuple[Moment, Moment], ...]

    def lasted(self, need: Duration, *, since: Moment = 0) -> Moment | None:
        """When it had been seen for *need* without a break, after *since*."""
        for start, end in self.known:
            due = max(start, since) + need
            if due <= end:
                return due
        return None


def spells(pieces: Sequence[Piece], so: Callable[[Any], bool]) -> list[Spell]:
    """The times in which *so* held; it goes on through what was not known where it holds on both sides."""
    found: list[Spell] = []
    start: Moment | None = None
    known: list[tuple[Moment, Moment]] = []
    for one in pieces:
        if one.value is None:
            continue
        if so(one.value):
            if start is None:
                start, known = one.start, []
            if known and known[-1][1] == one.start:
                known[-1] = (known[-1][0], one.end)
            else:
                known.append((one.start, one.end))
        elif start is not None:
            found.append(Spell(start, one.start, tuple(known)))
            start = None
    if start is not None:
        found.append(Spell(start, None, tuple(known)))
    return found


class Record:
    """The day by section."""

    def __init__(self, day: Day) -> None:
        self.day = day
        self.line = day.line
        self.shown = {
            one: pieces_of(sightings, itself, day.end, Shown)
            for one, sightings in day.sections.items()
        }
        self.states = {
            one: pieces_of(sightings, state_of, day.end, Shown)
            for one, sightings in day.sections.items()
        }
        self.smooth = {one: smoothed(pieces) for one, pieces in self.states.items()}
        self.starts = {
            one: [x.start for x in pieces] for one, pieces in self.states.items()
        }
        self.smooth_starts = {
            one: [x.start for x in pieces] for one, pieces in self.smooth.items()
        }
        self.accepted = {
            one: [x.at for x in sightings if x.what is Step.ACCEPTED]
            for one, sightings in day.sections.items()
        }
        self.work = {
            one: list(_work(sightings, day.end))
            for one, sightings in day.sections.items()
        }
        self.entered = by_section(day.entries, day.line)
        self.left = by_section(day.exits, day.line)
        self.visits: dict[str, list[Visit]] = {one: [] for one in self.line.sections}
        self.of_train: dict[int, list[Visit]] = {}
        for visit in day.visits:
            self.visits[visit.section].append(visit)
            self.of_train.setdefault(visit.train, []).append(visit)
        self.worked = {one: list(self._worked(one)) for one in day.line.sections}
        self.first = min(
            (one[0].at for one in day.sections.values() if one), default=day.begin
        )

    def within(self, section: str, start: Moment, end: Moment) -> Iterator[Piece]:
        """What *section* showed in a time."""
        pieces = self.states[section]
        place = max(0, bisect_right(self.starts[section], start) - 1)
        if not pieces or pieces[0].start > start:
            yield Piece(self.day.begin, start, None, seen=False)
        for one in pieces[place:]:
            if one.start > end:
                return
            if one.end >= start:
                yield one

    def under_work(self, section: str, moment: Moment) -> bool:
        """Whether *section* was under work at *moment*, as far as the feed says."""
        return any(start <= moment < end for start, end in self.work[section])

    def explained(self, section: str, moment: Moment) -> bool:
        """Whether a neighbour explains that a train came or went then."""
        if self.line.is_open(section):
            return True
        return any(self._explains(one, moment) for one in self.line.neighbours(section))

    def _explains(self, neighbour: str, moment: Moment) -> bool:
        start, end = moment - SKEW, moment + SKEW
        if any(a <= end and b >= start for a, b in self.work[neighbour]):
            return True
        before: Any = None
        for one in self.within(neighbour, start - 1, end):
            fails = (
                one.value is State.DISTURBED
                and before is State.CLEAR
                and one.start >= start
            )
            if one.value is not State.CLEAR and not fails:
                return True
            before = one.value
        return False

    def alone(
        self, section: str, moment: Moment, *, but: str | None = None
    ) -> bool | None:
        """Whether no neighbour of *section* explains that a train came or went then, *but* not counted.

        None where clocks not quite alike leave that open.
        """
        if self.line.is_open(section):
            return False
        open_ = False
        for one in self.line.neighbours(section):
            if one == but:
                continue
            if self._beside(one, moment, SKEW - CLOCKS):
                return False
            open_ = open_ or self._beside(one, moment, SKEW + CLOCKS)
        return None if open_ else True

    def _beside(self, neighbour: str, moment: Moment, apart: Duration) -> bool:
        """Whether *neighbour* was not clear, or not known, within *apart* of *moment*."""
        start, end = moment - apart, moment + apart
        if any(a <= end and b >= start for a, b in self.work[neighbour]):
            return True
        before: Any = None
        for one in self.within(neighbour, start - 1, end):
            fails = (
                one.value is State.DISTURBED
                and before is State.CLEAR
                and one.start >= start
            )
            if one.value is not State.CLEAR and not fails:
                return True
            before = one.value
        return False

    def axles(self, section: str, moment: Moment) -> int | None:
        """The tally that *section* told last, by *moment*."""
        shown = [x for x in self.shown[section] if x.start <= moment and x.value]
        return shown[-1].value.axles if shown else None

    def turned(
        self, section: str, moment: Moment, *, within: Duration = 3 * SECOND
    ) -> Piece | None:
        """The time not clear of *section* that began at about *moment* with a clear seen before, or None."""
        pieces, starts = self.smooth[section], self.smooth_starts[section]
        for one in pieces[bisect_left(starts, moment - within) :]:
            if one.start > moment + within:
                return None
            if one.seen and one.value not in {State.CLEAR, None}:
                return one
        return None

    def turned_clear(
        self, section: str, after: Moment, before: Moment
    ) -> Moment | None:
        """When *section* first turned clear, as was seen, *after* one moment and before another; or None."""
        pieces, starts = self.smooth[section], self.smooth_starts[section]
        for one in pieces[bisect_left(starts, after) :]:
            if one.start > before:
                return None
            if one.value is State.CLEAR and one.seen:
                return one.start
        return None

    def seen(self, sections: Iterable[str], start: Moment, end: Moment) -> bool:
        """Whether all of *sections* were known, and under no work, from *start* to *end*."""
        for section in sections:
            if any(a <= end and b >= start for a, b in self.work[section]):
                return False
            if any(one.value is None for one in self.within(section, start, end)):
                return False
        return True

    def heard(self, sections: Iterable[str], moment: Moment) -> Moment:
        """When everybody who speaks for *sections* had been heard at *moment* or after it, where they are heard regularly."""
        latest = moment
        for section in sections:
            times = self.day.heard.get(self.day.source_of.get(section, ""), ())
            place = bisect_left(times, moment)
            if place < len(times):
                latest = max(latest, times[place])
        return latest

    def by_reset(self, section: str, moment: Moment) -> bool:
        """Whether a change at *moment* came by an accepted reset."""
        accepted = self.accepted[section]
        place = bisect_left(accepted, moment - BY_RESET)
        return place < len(accepted) and accepted[place] <= moment + SKEW

    def _worked(self, section: str) -> Iterator[Moment]:
        """When a train had worked through *section*."""
        entry_explained = False
        sweeping = False
        last: Any = None
        for one in self.smooth[section]:
            now = one.value
            if now in {State.CLEAR, State.AWAITING_ACKNOWLEDGEMENT} and one.seen:
                through = (
                    last is State.OCCUPIED and entry_explained and now is State.CLEAR
                )
                if (
                    (through or (sweeping and last is not State.DISTURBED))
                    and self.explained(section, one.start)
                    and not self.by_reset(section, one.start)
                ):
                    yield one.start
            if now is State.CLEAR or now is None:
                sweeping = False
            elif last is State.CLEAR or not one.seen:
                entry_explained = not one.seen or self.explained(section, one.start)
            if now is State.AWAITING_SWEEP:
                sweeping = True
            elif now in {State.DISTURBED, State.AWAITING_ACKNOWLEDGEMENT}:
                sweeping = entry_explained = False
            last = now

    def train_inside(self, section: str, moment: Moment) -> bool:
        """Whether a train was truly in *section* then."""
        came = bisect_right(self.entered[section], moment + SECOND)
        gone = bisect_left(self.left[section], moment - SECOND)
        return came > gone


def itself(value: Any) -> Any:
    """The value."""
    return value


def state_of(value: Shown) -> State:
    """The state that was shown."""
    return value.state


def by_section(
    when: Iterable[tuple[Moment, str]], line: Line
) -> dict[str, list[Moment]]:
    """The moments, each with its section, by section."""
    found: dict[str, list[Moment]] = {one: [] for one in line.sections}
    for moment, section in when:
        found[section].append(moment)
    return found


def _work(
    sightings: Iterable[Sighting], end: Moment
) -> Iterator[tuple[Moment, Moment]]:
    start: Moment | None = None
    for one in sightings:
        if one.what is True and start is None:
            start = one.at
        elif one.what is False and start is not None:
            yield start, one.at
            start = None
    if start is not None:
        yield start, end + DAY
