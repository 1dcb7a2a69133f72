"""`reset-unproved`, worked out again: no train has worked through since, in hours in which trains come."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import pairwise
from statistics import median

from monitor.core.events import (
    State,
)
from monitor.core.moments import (
    DAY,
    HOUR,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    midnight_before,
    parse,
)
from replay.recheck.book import Piece
from replay.recheck.opinion import LONG_AGO, Doubt, Doubts, Record, same
from replay.recheck.then import Then, section_of, under_work


def reset_unproved(alert: Record, then: Then, _: Sequence[Record]) -> Doubts:
    """What speaks against *alert*: a reset was accepted, and no train has worked through in time."""
    section, began = section_of(alert["subject"]), parse(alert["began"])
    accepted = _accepted(section, then)
    if not any(same(one, began) for one in accepted):
        yield Doubt(f"no reset of {section} was accepted at {then.clock(began)}")
        return
    yield from under_work(then, section)
    proofs = list(_proofs(section, then))
    last = max((at for at, sure in proofs if sure and at <= began), default=LONG_AGO)
    chain = [one for one in accepted if last < one <= began + 999] or [began]
    for one in accepted:
        if began + 999 < one < then.raised - 999:
            yield Doubt(f"the reset accepted at {then.clock(one)} took its place")
    for at, sure in proofs:
        if began < at <= then.raised - then.rules.skew:
            yield Doubt(f"a train worked through at {then.clock(at)}", sure=sure)
    limit = then.rules.prove_within
    known = max((accepted[one] for one in chain if one in accepted), default=began)
    starts = {*chain, *then.known_again(section, chain[0])}
    passed = [at for at, _ in proofs]
    midnights = {midnight_before(began), midnight_before(then.raised)}
    learnt = [_usual(section, midnight, passed, then) for midnight in midnights]
    allowed = {max(known, due) for one in learnt for due in one.due(starts, limit)}
    if then.book.learnt and then.raised >= max(known, min(starts) + limit):
        if not any(same(then.raised, one) for one in allowed):
            yield Doubt("it fell due by what was learnt before", sure=False)
    else:
        # A usual gap is learnt to the millisecond, and counts three times.
        if any(one.gap is not None for one in learnt):
            allowed |= {then.raised for x in allowed if abs(then.raised - x) <= ROUNDED}
        yield from then.fell_due(allowed, "no train had come for long enough")


ROUNDED = 4000
"""By so much, in microseconds, what rests on a usual gap may differ."""


GAPS = 20
"""Gaps between trains from which the usual one is known."""


DAYS = 14
"""Days by which an hour counts as one in which trains run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Usual:
    """What was usual in a section, as far as a midnight showed.

    Args:
        zone: in which hours are counted.
        gap: between trains, in the middle; None before there are enough.
        hours: those of the day in which trains run; None before a day was seen.
    """

    zone: tzinfo
    gap: Duration | None
    hours: frozenset[int] | None

    def due(self, starts: Iterable[Moment], limit: Duration) -> Iterator[Moment]:
        """When trains had been missing for long enough after each of *starts*."""
        long = max(limit, 3 * self.gap) if self.gap is not None else limit
        for start in starts:
            left, now = long, start
            for _ in range(DAYS * 24):
                end = _next_hour(now, self.zone)
                counts = self.hours is None or _hour(now, self.zone) in self.hours
                if counts and left <= end - now:
                    yield now + left
                    break
                left -= end - now if counts else 0
                now = end


def _hour(moment: Moment, zone: tzinfo) -> int:
    return as_datetime(moment).astimezone(zone).hour


def _next_hour(moment: Moment, zone: tzinfo) -> Moment:
    local = as_datetime(moment).astimezone(zone)
    past = (local.minute * 60 + local.second) * SECOND + local.microsecond
    return moment + HOUR - past


def _usual(
    section: str, midnight: Moment, passed: Sequence[Moment], then: Then
) -> _Usual:
    """What *midnight* showed of *section*, from the moments at which trains had worked through."""
    before = [one for one in passed if one < midnight]
    gaps = [later - one for one, later in pairwise(before)][-GAPS:]
    seen: dict[int, list[bool]] = {hour: [] for hour in range(24)}
    zone, start = then.line.zone, midnight
    while start - HOUR >= then.book.begin:
        start -= HOUR
        days = seen[_hour(start, zone)]
        pieces = then.within(section, start, start + HOUR - 1)
        if len(days) < DAYS and all(one.state is not None for one in pieces):
            days.append(any(start <= one < start + HOUR for one in before))
    known = midnight - then.book.begin >= DAY
    running = {hour for hour, days in seen.items() if 2 * sum(days) >= len(days)}
    return _Usual(
        zone=zone,
        gap=round(median(gaps)) if len(gaps) == GAPS else None,
        hours=frozenset(running) if known else None,
    )


def _accepted(section: str, then: Then) -> dict[Moment, Moment]:
    """When resets count as accepted, and when they could act.

    They count as they were made, or from the end of the work they were made under.
    """
    found: dict[Moment, Moment] = {}
    for reset in then.book.resets[section]:
        if reset.at > then.raised:
            continue
        over = [
            one.end
            for one in then.book.work(section)
            if one.start <= reset.time < one.end <= then.raised
        ]
        counts = max(over, default=reset.time)
        found[counts] = max(counts, reset.at)
    return dict(sorted(found.items()))


def _proofs(section: str, then: Then) -> Iterator[tuple[Moment, bool]]:
    """When a train had worked through *section*, and whether that is beyond doubt."""
    run: list[Piece] = []
    for one in then.pieces(section):
        done = one.state in {State.CLEAR, State.AWAITING_ACKNOWLEDGEMENT}
        if done and run:
            explained = then.beside(section, one.start, entry=False)
            if explained:
                yield from _proof(section, run, one, then)
        if one.state is State.CLEAR:
            run = []
        elif one.state is not None:
            run.append(one)


def _proof(
    section: str, run: Sequence[Piece], ended: Piece, then: Then
) -> Iterator[tuple[Moment, bool]]:
    states = [one.state for one in run]
    swept = State.AWAITING_SWEEP in states and states[-1] in {
        State.AWAITING_SWEEP,
        State.OCCUPIED,
    }
    by_reset = any(
        one.at - then.rules.skew <= ended.start <= one.at + then.rules.reset_effect
        for one in then.book.resets[section]
    )
    tally = then.book.tally(section, ended.start)
    entered = run[0].first or then.beside(section, run[0].start, entry=True)
    if swept:
        yield ended.start, not by_reset
    elif State.AWAITING_ACKNOWLEDGEMENT in states:
        return  # an acknowledgement by itself proves and disproves nothing
    elif ended.state is State.CLEAR and entered and not by_reset and not tally:
        yield ended.start, set(states) == {State.OCCUPIED}
