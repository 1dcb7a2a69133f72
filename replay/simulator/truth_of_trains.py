"""What was truly so of trains: those that sections let go of, did not show, or went on showing.

Each is asked twice: where the train truly was, and whether what was shown suffices to say so.
Where something was not known meanwhile, or other trains were about so that nobody could tell, it has no moment at which it could be known.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from monitor.core.events import State
from monitor.core.moments import MINUTE, SECOND, Moment
from replay.simulator.railway import Visit
from replay.simulator.record import CLOCKS, NOTICED, SKEW, Piece, Record, Truth

LINGER = MINUTE
SOON = 3 * SECOND
"""A section shows a train within this of its first axle."""


# Trains that a section let go of.


def vanished(record: Record, section: str) -> Iterator[Truth]:
    """`vanished-train`: *section* cleared while it held a train, and no neighbour showed it."""
    if record.line.is_open(section):
        return
    visits = record.visits[section]
    first = 0
    start: Moment | None = None
    for piece in record.smooth[section]:
        if piece.value is None:
            start = None
            continue
        if piece.value is not State.CLEAR:
            if piece.seen and start is None:
                start = piece.start
            continue
        cleared, began, start = piece.start, start, None
        while first < len(visits) and visits[first].came < cleared + SECOND:
            first += 1
        if not piece.seen or not first or record.under_work(section, cleared):
            continue
        visit = visits[first - 1]
        if began is not None and visit.came < began - SOON:
            continue  # no train came into it in that time
        alone = record.alone(section, cleared)
        if alone is False or _went_on_seen(record, visit, cleared):
            continue
        tellable = alone and piece.end >= cleared + SKEW
        tellable = tellable and began is not None and _held(record, visit, cleared)
        around = record.line.neighbours(section)
        yield Truth(
            kind="vanished-train",
            subject=f"section/{section}",
            began=cleared,
            ended=None,
            known=record.heard(around, cleared + SKEW) if tellable else None,
        )


def _went_on_seen(record: Record, visit: Visit, cleared: Moment) -> bool:
    """Whether the train had gone on and been shown beyond before its section cleared, so that it is not missed."""
    if visit.reached is None or visit.into is None:
        return False
    beyond = record.turned(visit.into, visit.reached)
    return beyond is not None and beyond.start < cleared


def _held(record: Record, visit: Visit, cleared: Moment) -> bool:
    """Whether what was shown leaves no doubt that *visit*'s train had come in, and gone nowhere."""
    section = visit.section
    piece = record.turned(section, visit.came)
    around = record.line.neighbours(section)
    if (
        piece is None
        or piece.value is not State.OCCUPIED
        or visit.out_of is None
        or record.turned_clear(visit.out_of, visit.came, cleared) is None
        or record.alone(section, visit.came) is not False
        or not record.seen((section, *around), visit.came - SKEW, cleared + SKEW)
        or _came_out_already(record, visit, cleared)
    ):
        return False
    for one in around:
        for other in record.within(one, visit.came - SKEW, cleared):
            fresh = other.seen and other.value is not State.CLEAR
            fresh = fresh and other.start > visit.came - CLOCKS
            if fresh and not _of_another(record, visit, one, other, cleared):
                return False
    return True


def _of_another(
    record: Record, visit: Visit, neighbour: str, piece: Piece, cleared: Moment
) -> bool:
    """Whether *neighbour* was occupied by another train, that was seen to come out of elsewhere and to be gone from there."""
    for other in record.visits[neighbour]:
        near = abs(other.came - piece.start) <= SOON and other.train != visit.train
        if near and other.out_of not in {None, visit.section}:
            assert other.out_of is not None  # noqa: S101 - just asked
            gone = record.turned_clear(other.out_of, other.came, piece.end)
            return gone is not None and gone + SKEW < cleared
    return False


def _came_out_already(record: Record, visit: Visit, cleared: Moment) -> bool:
    """Whether the train was shown beyond a neighbour before its section cleared."""
    later = [
        one
        for one in record.of_train[visit.train]
        if visit.came < one.came <= cleared + SKEW + CLOCKS
    ]
    return any(record.turned(one.section, one.came) is not None for one in later)


# Trains that came out of a section shown clear.


def unseen(record: Record, section: str) -> Iterator[Truth]:
    """`unseen-train`: a train came into *section* out of one that was shown clear, and went on as trains do."""
    if record.line.is_open(section):
        return
    for visit in record.visits[section]:
        came, reached = visit.came, visit.reached
        if visit.out_of is None or reached is None or visit.into is None:
            continue
        piece = record.turned(section, came)
        if piece is None or piece.value is not State.OCCUPIED:
            continue
        alone = record.alone(section, piece.start)
        if alone is False or record.under_work(section, piece.start):
            continue
        beyond = record.turned(visit.into, reached)
        if beyond is None or visit.into == visit.out_of:
            continue
        others = record.alone(visit.into, beyond.start, but=section)
        cleared = record.turned_clear(section, reached, piece.end + SECOND)
        if others is False or cleared is None:
            continue
        around = {
            section,
            visit.into,
            *record.line.neighbours(section),
            *record.line.neighbours(visit.into),
        }
        tellable = alone and others and beyond.value is State.OCCUPIED
        tellable = tellable and record.seen(around, piece.start - SKEW, cleared + SKEW)
        asked = max(cleared, piece.start + SKEW, beyond.start + SKEW)
        yield Truth(
            kind="unseen-train",
            subject=f"section/{visit.out_of}",
            began=piece.start,
            ended=None,
            known=record.heard(around, asked) if tellable else None,
        )


# What stays when the train has gone on.


def left_behind(record: Record, section: str) -> Iterator[Truth]:
    """`occupied-no-train` (b): *section* went on showing occupied when its train was two sections on."""
    for visit in record.visits[section]:
        piece = _still_occupied(record, visit)
        after = _next(record, visit)
        if piece is None or after is None or _another_in(record, visit):
            continue
        paired = _paired(record, visit, after)
        if _still_occupied(record, after) is not None:
            # What it left there too hides whether it went on, until it is a section further.
            after = _next(record, after)
        if after is None or after.into is None or after.left is None:
            continue
        cleared = record.turned_clear(after.section, after.came, after.left + MINUTE)
        beside = after
        if cleared is None:
            # What failed there hides it too, but beyond it the train may be seen.
            further = _next(record, after)
            if further is None or further.into is None or further.left is None:
                continue
            beside = further
            cleared = record.turned_clear(
                further.section, further.came, further.left + MINUTE
            )
        came = min(
            (x.came for x in record.visits[section] if x.came > (visit.left or 0)),
            default=record.day.end + 1,
        )
        if cleared is None or min(piece.end, came - 1) < cleared + LINGER:
            continue
        known = cleared + LINGER
        if any(record.under_work(section, x) for x in (cleared, known)):
            continue
        ended = min(piece.end, came)
        tellable = after is beside and (after.section == visit.into or paired)
        tellable = tellable and _followed(record, visit, after, known)
        yield Truth(
            kind="occupied-no-train",
            subject=f"section/{section}",
            began=cleared,
            ended=ended if ended < record.day.end else None,
            known=known if tellable else None,
        )


def _another_in(record: Record, visit: Visit) -> bool:
    """Whether another train had come in behind that of *visit* before it left."""
    left = visit.left or 0
    return any(
        one.came < left and (one.left is None or one.left > left) and not one.parted
        for one in record.visits[visit.section]
        if one.train != visit.train
    )


def _still_occupied(record: Record, visit: Visit) -> Piece | None:
    """The time in which its section went on showing occupied when the train of *visit* had left it, or None."""
    if visit.left is None:
        return None
    piece = _shown_at(record, visit.section, visit.left + SKEW)
    if piece is None or piece.value is not State.OCCUPIED:
        return None
    return piece


def _shown_at(record: Record, section: str, moment: Moment) -> Piece | None:
    return next(
        (
            one
            for one in record.within(section, moment, moment)
            if one.start <= moment < one.end
        ),
        None,
    )


def _next(record: Record, visit: Visit) -> Visit | None:
    """The section that *visit*'s train went into."""
    return next(
        (
            one
            for one in record.of_train[visit.train]
            if one.section == visit.into and one.came >= visit.came
        ),
        None,
    )


def _paired(record: Record, visit: Visit, after: Visit) -> bool:
    """Whether as many axles were left in one section as are lacking in the next, and the feed says so."""
    if record.day.richness == "basic" or visit.left is None or after.left is None:
        return False
    here = record.axles(visit.section, visit.left + SKEW)
    beyond = record.axles(after.section, after.left + SKEW)
    return here is not None and beyond is not None and here == -beyond != 0


def _followed(record: Record, visit: Visit, after: Visit, known: Moment) -> bool:
    """Whether the train was shown coming and going, and nothing else was about."""
    section, beyond = visit.section, after.into
    assert beyond is not None  # noqa: S101 - asked before
    assert after.reached is not None  # noqa: S101 - it has left
    around = record.line.neighbours(section)
    shown = [
        record.turned(one, moment)
        for one, moment in (
            (section, visit.came),
            (after.section, after.came),
            (beyond, after.reached),
        )
    ]
    if any(one is None or one.value is not State.OCCUPIED for one in shown):
        return False
    # Where another train could have come in as well, this one may have drawn back.
    surely = (
        record.alone(after.section, after.came, but=after.out_of),
        record.alone(beyond, after.reached, but=after.section),
    )
    if not all(surely):
        return False
    seen = (section, after.section, beyond, *around)
    if not record.seen(seen, visit.came - SKEW, known + SKEW):
        return False
    if visit.out_of is None or record.alone(section, visit.came) is not False:
        return False
    behind = record.turned_clear(visit.out_of, visit.came, known)
    if behind is None or _let_another_in(record, visit):
        return False
    for one in around:
        for piece in record.within(one, visit.came + SKEW, known + SKEW):
            other = piece.start > visit.came + SKEW and piece.value is not State.CLEAR
            own = one == visit.into
            waits = any(
                x.came <= piece.start + SOON and (x.left is None or x.left > known)
                for x in record.visits[one]
                if x.train != visit.train and x.came >= piece.start - SOON
            )
            if other and not own and not waits:
                return False
    return True


def _let_another_in(record: Record, visit: Visit) -> bool:
    """Whether its section was clear for a moment as the train left, and what stood beside it then may have come in."""
    piece = _still_occupied(record, visit)
    if piece is None or piece.start <= visit.came + SKEW:
        return False
    return any(
        other.value is not State.CLEAR
        for one in record.line.neighbours(visit.section)
        if one != visit.into
        for other in record.within(one, piece.start - SKEW, piece.start)
    )


def seems_left(record: Record, section: str) -> Iterator[Truth]:
    """`occupied-no-train` (b) as it may seem while messages about *section*, or about what is within two sections of it, are lost: a neighbour was entered and cleared, and *section* stayed occupied.

    Another train that was not seen to come may be taken for the one in *section*, so where the trains truly were says nothing of it.
    """
    around = record.line.neighbours(section)
    further = {x for one in around for x in record.line.neighbours(one)}
    day = record.day
    lost = [
        (
            one.start,
            min(one.end, one.start + NOTICED)
            if day.source_of[near] in day.heard
            else one.end,
        )
        for near in sorted({section, *around, *further})
        for one in record.states[near]
        if one.value is None and near in day.source_of
    ]
    stretches = [x for x in record.smooth[section] if x.value is State.OCCUPIED]
    passed = [
        (before.start, one.start)
        for near in around
        for before, one in pairwise(record.smooth[near])
        if one.value is State.CLEAR and one.seen
    ]
    for entered, cleared in passed:
        if not any(start <= cleared <= end for start, end in lost):
            continue
        for one in stretches:
            if one.start < entered and cleared + LINGER <= one.end:
                yield Truth(
                    kind="occupied-no-train",
                    subject=f"section/{section}",
                    began=cleared,
                    ended=one.end if one.end < record.day.end else None,
                    known=None,
                )


# What came and went without a train.


def spurious(record: Record, section: str) -> Iterator[Truth]:
    """`spurious-occupation`: *section* was occupied and clear again, and nothing explains either."""
    if record.line.is_open(section):
        return
    pieces = record.smooth[section]
    for place, piece in enumerate(pieces[:-1]):
        after = pieces[place + 1]
        if (
            piece.value is not State.OCCUPIED
            or not piece.seen
            or not place
            or pieces[place - 1].value is not State.CLEAR
            or after.value is not State.CLEAR
            or record.under_work(section, piece.start)
            or record.under_work(section, piece.end)
            or record.by_reset(section, piece.end)
        ):
            continue
        entry = record.alone(section, piece.start)
        leaving = record.alone(section, piece.end)
        if entry is False or leaving is False:
            continue
        known = record.heard(record.line.neighbours(section), piece.end + SKEW)
        lasting = after.end >= piece.end + SKEW + CLOCKS
        yield Truth(
            kind="spurious-occupation",
            subject=f"section/{section}",
            began=piece.start,
            ended=known,
            known=known if entry and leaving and lasting else None,
        )
