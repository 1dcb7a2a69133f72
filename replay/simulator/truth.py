"""What was truly wrong in a simulated day, and from when on it could be known.

Worked out afterwards, at leisure, with the whole day in hand: from what was sent, and from where the trains truly were.
It shares no code with what draws conclusions from the feed as it comes; only the meanings of the kinds are the same.

Times are true ones: the evaluators' clocks and the delays of the feed are not in them.
What falls due after the last event of the day is left out.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any

from monitor.core.events import Service, State, Step
from monitor.core.layout import Line
from monitor.core.moments import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    midnight_before,
    stamp,
)
from replay.simulator.feed import FeedFault, Shown, Sighting

SKEW = 2 * SECOND
SETTLE = 5 * SECOND
BY_RESET = 10 * SECOND
NO_TRAIN_AFTER = 2 * MINUTE
PROVE_WITHIN = HOUR
HOLD = 15 * MINUTE
NORMAL = 30 * MINUTE
RESTORATION = 5 * MINUTE
CONTACTS = SECOND

NEEDS = {
    "section-disturbed": "basic",
    "repeat-disturbance": "basic",
    "reset-unproved": "basic",
    "reset-not-held": "basic",
    "occupied-no-train": "basic",
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
        known: the earliest moment at which it could be concluded.
    """

    kind: str
    subject: str
    began: Moment
    ended: Moment | None
    known: Moment

    def line(self) -> dict[str, Any]:
        """The truth line of the contract."""
        return {
            "kind": self.kind,
            "subject": self.subject,
            "began": stamp(self.began),
            "ended": None if self.ended is None else stamp(self.ended),
            "known": stamp(self.known),
            "needs": NEEDS[self.kind],
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
    """

    line: Line
    begin: Moment
    end: Moment
    sections: Mapping[str, Sequence[Sighting]]
    evaluators: Mapping[str, Sequence[Sighting]]
    feed: Sequence[FeedFault]
    entries: Sequence[tuple[Moment, str]]
    exits: Sequence[tuple[Moment, str]]


def truths(day: Day) -> list[Truth]:
    """Everything that was so in *day* and could be known by its end, by the moment when it could."""
    record = _Record(day)
    found: list[Truth] = []
    for section in day.line.sections:
        found += _of_section(record, section)
    for evaluator, sightings in day.evaluators.items():
        found += _locked_out(evaluator, sightings, day.end)
    for fault in day.feed:
        found += _of_feed(fault)
    return sorted(
        (one for one in found if one.known <= day.end),
        key=lambda one: (one.known, one.kind, one.subject, one.began),
    )


# What was shown, as lengths of time.


def _pieces(
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


def _smooth(pieces: Sequence[Piece]) -> list[Piece]:
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


def _spells(pieces: Sequence[Piece], so: Callable[[Any], bool]) -> list[Spell]:
    """The times in which *so* held; it goes on through what was not known where it holds on both sides."""
    spells: list[Spell] = []
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
            spells.append(Spell(start, one.start, tuple(known)))
            start = None
    if start is not None:
        spells.append(Spell(start, None, tuple(known)))
    return spells


class _Record:
    """The day by section."""

    def __init__(self, day: Day) -> None:
        self.day = day
        self.line = day.line
        self.shown = {
            one: _pieces(sightings, _itself, day.end, Shown)
            for one, sightings in day.sections.items()
        }
        self.states = {
            one: _pieces(sightings, _state, day.end, Shown)
            for one, sightings in day.sections.items()
        }
        self.smooth = {one: _smooth(pieces) for one, pieces in self.states.items()}
        self.starts = {
            one: [x.start for x in pieces] for one, pieces in self.states.items()
        }
        self.accepted = {
            one: [x.at for x in sightings if x.what is Step.ACCEPTED]
            for one, sightings in day.sections.items()
        }
        self.work = {
            one: list(_work(sightings, day.end))
            for one, sightings in day.sections.items()
        }
        self.entered = _by_section(day.entries, day.line)
        self.left = _by_section(day.exits, day.line)
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


def _itself(value: Any) -> Any:
    return value


def _state(value: Shown) -> State:
    return value.state


def _by_section(
    when: Iterable[tuple[Moment, str]], line: Line
) -> dict[str, list[Moment]]:
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


# Of a section.


def _of_section(record: _Record, section: str) -> Iterator[Truth]:
    yield from _disturbed(record, section)
    yield from _repeated(record, section)
    yield from _unproved(record, section)
    no_train = list(_no_train(record, section))
    yield from no_train
    yield from _not_held(record, section, no_train)
    yield from _long(record, section)
    yield from _contacts(record, section)
    yield from _not_restored(record, section)


def _after_work(record: _Record, section: str, spell: Spell) -> Moment:
    """When the condition of *spell* begins to count: with it, or with the end of the work it began under."""
    start = spell.start
    for begun, ended in record.work[section]:
        if begun <= start < ended:
            start = ended
    return start


def _lasting(
    record: _Record, section: str, kind: str, spells: Iterable[Spell], need: Duration
) -> Iterator[Truth]:
    for spell in spells:
        start = _after_work(record, section, spell)
        known = spell.lasted(need, since=start)
        if known is None or record.under_work(section, known):
            continue
        if spell.end is not None and spell.end <= start:
            continue
        yield Truth(
            kind=kind,
            subject=f"section/{section}",
            began=start,
            ended=spell.end,
            known=known,
        )


def _disturbed(record: _Record, section: str) -> Iterator[Truth]:
    spells = _spells(record.states[section], lambda x: x is State.DISTURBED)
    yield from _lasting(record, section, "section-disturbed", spells, SETTLE)


def _disturbances(record: _Record, section: str) -> list[Moment]:
    """When *section* turned disturbed, those close together once, those under work not at all."""
    found: list[Moment] = []
    for spell in _spells(record.states[section], lambda x: x is State.DISTURBED):
        if record.under_work(section, spell.start):
            continue
        if not found or spell.start - found[-1] > SETTLE:
            found.append(spell.start)
    return found


def _repeated(record: _Record, section: str) -> Iterator[Truth]:
    times = _disturbances(record, section)
    open_since: tuple[Moment, Moment] | None = None
    for place, one in enumerate(times):
        if open_since is not None:
            over = times[place - 2] + DAY if place >= 2 else one
            if over < one:
                yield _repeat(section, *open_since, over)
                open_since = None
        day = [x for x in times[: place + 1] if x > one - DAY]
        hour = [x for x in day if x > one - HOUR]
        counted = day if len(day) >= 3 else hour if len(hour) >= 2 else []
        if counted and open_since is None:
            open_since = counted[0], one
    if open_since is not None:
        over = times[-2] + DAY
        yield _repeat(section, *open_since, over if over <= record.day.end else None)


def _repeat(section: str, began: Moment, known: Moment, ended: Moment | None) -> Truth:
    return Truth(
        kind="repeat-disturbance",
        subject=f"section/{section}",
        began=began,
        ended=ended,
        known=known,
    )


def _resets(record: _Record, section: str) -> list[Moment]:
    """When resets of *section* count from: their acceptance, or the end of the work they were made under."""
    found: list[Moment] = []
    worked = record.worked[section]
    for moment in record.accepted[section]:
        counts = moment
        for begun, ended in record.work[section]:
            if begun <= moment < ended:
                place = bisect_right(worked, moment)
                proved = place < len(worked) and worked[place] < ended
                counts = -1 if proved else ended
        if counts >= 0 and counts not in found:
            found.append(counts)
    return sorted(found)


def _unproved(record: _Record, section: str) -> Iterator[Truth]:
    happened = sorted(
        [(one, "reset") for one in _resets(record, section)]
        + [(one, "worked") for one in record.worked[section]]
        + [
            (one.end, "known")
            for one in record.states[section]
            if one.value is None and one.end < record.day.end
        ]
        + [(end, "known") for _, end in record.work[section]]
    )
    waits: tuple[Moment, Moment] | None = None
    for moment, what in happened:
        raised = waits is not None and waits[1] <= moment
        if waits is None:
            if what == "reset":
                waits = moment, _due(record, section, moment)
            continue
        if what == "known":
            if not raised:
                waits = waits[0], _due(record, section, moment)
            continue
        if raised:
            yield _unproved_line(section, *waits, moment)
        waits = None if what == "worked" else (moment, max(moment, waits[1]))
    if waits is not None:
        yield _unproved_line(section, *waits, None)


def _unproved_line(
    section: str, began: Moment, known: Moment, ended: Moment | None
) -> Truth:
    return Truth(
        kind="reset-unproved",
        subject=f"section/{section}",
        began=began,
        ended=ended,
        known=known,
    )


def _due(record: _Record, section: str, moment: Moment) -> Moment:
    """When a train should have worked through *section*, counted from *moment* in hours that usually see one."""
    learnt = midnight_before(moment)
    worked = record.worked[section]
    before = worked[: bisect_left(worked, learnt)]
    gaps = [later - one for one, later in pairwise(before)][-20:]
    left = PROVE_WITHIN
    if len(gaps) == 20:
        left = max(left, 3 * round(median(gaps)))
    now = moment
    limit = record.day.end + DAY
    while left > 0 and now < limit:
        step = HOUR - now % HOUR
        if not _usual_hour(record, section, now):
            now += step
            continue
        if left <= step:
            return now + left
        left -= step
        now += step
    return limit


def _usual_hour(record: _Record, section: str, moment: Moment) -> bool:
    """Whether trains usually work through *section* in the hour of the day of *moment*."""
    learnt = midnight_before(moment)
    if learnt - record.first < DAY:
        return True
    zone = record.line.zone
    hour = as_datetime(moment).astimezone(zone).hour
    worked = record.worked[section]
    saw = had = 0
    start = learnt
    while start - HOUR >= record.first and saw < 14:
        start -= HOUR
        if as_datetime(start).astimezone(zone).hour == hour:
            saw += 1
            place = bisect_left(worked, start)
            had += place < len(worked) and worked[place] < start + HOUR
    return saw == 0 or 2 * had >= saw


def _no_train(record: _Record, section: str) -> Iterator[Truth]:
    for one in record.smooth[section]:
        if one.value is not State.OCCUPIED or not one.seen:
            continue
        known = one.start + NO_TRAIN_AFTER
        if (
            one.end < known
            or record.under_work(section, one.start)
            or record.under_work(section, known)
            or record.explained(section, one.start)
            or _moved_on(record, section, one.start, known)
            or _interrupted(record, section, one.start, known)
        ):
            continue
        came = record.entered[section]
        place = bisect_right(came, one.start + SECOND)
        train = came[place] if place < len(came) else None
        if train is not None and train < known:
            continue
        ended = one.end if one.end < record.day.end else None
        if train is not None and (ended is None or train < ended):
            ended = train
        yield Truth(
            kind="occupied-no-train",
            subject=f"section/{section}",
            began=one.start,
            ended=ended,
            known=known,
        )


def _moved_on(record: _Record, section: str, start: Moment, until: Moment) -> bool:
    """Whether a neighbour was entered since, out of *section* and nowhere else."""
    for neighbour in record.line.neighbours(section):
        if record.line.is_open(neighbour):
            others: list[str] = []
        else:
            others = [
                one for one in record.line.neighbours(neighbour) if one != section
            ]
        for one in record.within(neighbour, start, until):
            entered = one.value is State.OCCUPIED and start < one.start <= until
            if entered and not any(
                record._explains(other, one.start)  # noqa: SLF001 - of this file
                for other in others
            ):
                return True
    return False


def _interrupted(record: _Record, section: str, start: Moment, until: Moment) -> bool:
    """Whether *section* or a neighbour was not known in between."""
    return any(
        piece.value is None
        for one in (section, *record.line.neighbours(section))
        for piece in record.within(one, start, until)
    )


def _not_held(
    record: _Record, section: str, no_train: Sequence[Truth]
) -> Iterator[Truth]:
    failures = [
        (one, one)
        for one in (
            x.start
            for x in record.states[section]
            if x.value is State.DISTURBED and x.seen
        )
        if not record.under_work(section, one)
    ] + [(one.began, one.began + SKEW) for one in no_train]
    happened = sorted(
        [(one, "reset", one) for one in _resets(record, section)]
        + [(one, "worked", one) for one in record.worked[section]]
        + [(one, "failed", known) for one, known in failures]
    )
    since: Moment | None = None
    failed: tuple[Moment, Moment] | None = None
    for moment, what, known in happened:
        if what == "reset":
            since = moment
        elif what == "worked":
            if failed is not None:
                yield _not_held_line(section, *failed, moment)
            since = failed = None
        elif since is not None and failed is None:
            soon = moment - since <= HOLD
            if soon or _first_train(record, section, since, moment):
                failed = moment, known
    if failed is not None:
        yield _not_held_line(section, *failed, None)


def _first_train(record: _Record, section: str, since: Moment, moment: Moment) -> bool:
    """Whether the first train after *since* was in *section* then."""
    came = record.entered[section]
    trains = bisect_right(came, moment + SECOND) - bisect_left(came, since)
    return trains <= 1 and record.train_inside(section, moment)


def _not_held_line(
    section: str, began: Moment, known: Moment, ended: Moment | None
) -> Truth:
    return Truth(
        kind="reset-not-held",
        subject=f"section/{section}",
        began=began,
        ended=ended,
        known=known,
    )


def _long(record: _Record, section: str) -> Iterator[Truth]:
    normal_s = record.line.sections[section].normal_occupation_s
    normal = NORMAL if normal_s is None else round(normal_s * SECOND)
    came, gone = record.entered[section], record.left[section]
    for spell in _spells(record.smooth[section], lambda x: x is State.OCCUPIED):
        known = spell.lasted(normal)
        if known is None or record.under_work(section, known):
            continue
        # A train was in it for all that time: it came about then, and has not left.
        first = bisect_left(came, spell.start - SETTLE)
        seen_come = first < len(came) and came[first] <= spell.start + SETTLE
        there = bisect_right(came, spell.start + SETTLE) > bisect_right(
            gone, spell.start + SETTLE
        )
        stayed = bisect_left(gone, known) == bisect_right(gone, spell.start + SETTLE)
        if (seen_come or there) and stayed:
            yield Truth(
                kind="long-occupation",
                subject=f"section/{section}",
                began=spell.start,
                ended=spell.end,
                known=known,
            )


def _contacts(record: _Record, section: str) -> Iterator[Truth]:
    alike = _spells(
        record.shown[section], lambda x: x.contacts.clear == x.contacts.occupied
    )
    yield from _lasting(record, section, "contact-disagreement", alike, CONTACTS)


def _not_restored(record: _Record, section: str) -> Iterator[Truth]:
    pieces = record.shown[section]
    forgotten = _spells(
        pieces,
        lambda x: x.state is State.CLEAR and x.interlocking is State.OCCUPIED,
    )
    restored = [
        one.start
        for one in pieces
        if one.value is not None and one.value.interlocking is State.CLEAR
    ]
    last: Moment = -1
    for one in _lasting(
        record, section, "restoration-incomplete", forgotten, RESTORATION
    ):
        if one.began < last:
            continue
        place = bisect_left(restored, one.known)
        ended = restored[place] if place < len(restored) else None
        last = record.day.end + 1 if ended is None else ended
        yield Truth(
            kind=one.kind,
            subject=one.subject,
            began=one.began,
            ended=ended,
            known=one.known,
        )


# Of evaluators and of the feed.


def _locked_out(
    evaluator: str, sightings: Sequence[Sighting], end: Moment
) -> Iterator[Truth]:
    pieces = _pieces(sightings, _itself, end, Service)
    for spell in _spells(pieces, lambda x: x is Service.LOCKED_OUT):
        yield Truth(
            kind="evaluator-locked-out",
            subject=f"evaluator/{evaluator}",
            began=spell.start,
            ended=spell.end,
            known=spell.start,
        )


def _of_feed(fault: FeedFault) -> Iterator[Truth]:
    kind, subject = {
        "silent": ("feed-silent", f"gateway/{fault.gateway}"),
        "gap": ("feed-gap", f"source/{fault.source}"),
        "clock": ("clock-wrong", f"source/{fault.source}"),
    }[fault.kind]
    yield Truth(
        kind=kind,
        subject=subject,
        began=fault.began,
        ended=fault.ended,
        known=fault.known,
    )
