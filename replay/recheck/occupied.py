"""`occupied-no-train`, worked out again: nothing entered, or its train went on and left the section occupied."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from monitor.core.events import (
    State,
)
from monitor.core.moments import (
    Moment,
    parse,
)
from replay.recheck.book import Piece
from replay.recheck.lost import came_in_behind
from replay.recheck.opinion import FEW, Doubt, Doubts, Record, same, weight
from replay.recheck.then import Then, section_of, under_work


def occupied_no_train(alert: Record, then: Then, _: Sequence[Record]) -> Doubts:
    """Rule (a) or rule (b), whichever fits; if neither does, what speaks against the one it says."""
    section, began = section_of(alert["subject"]), parse(alert["began"])
    unexplained = list(_never_entered(section, began, then))
    gone = list(gone_on(section, began, then)) if unexplained else []
    if unexplained and gone:
        at_entry = any(
            same(one.start, began)
            for one in then.pieces(section)
            if one.state is State.OCCUPIED
        )
        yield from unexplained if at_entry else gone


def _never_entered(section: str, began: Moment, then: Then) -> Doubts:
    """Rule (a): the entry is not explained, and the section has stayed occupied since."""
    stretch = _stretch_at(section, began, then)
    if stretch is None:
        yield Doubt(f"no stretch of occupied began in {section} at {then.clock(began)}")
        return
    after_work = not same(stretch.start, began)
    moment = began if after_work else stretch.start
    explained = then.beside(section, moment, entry=True)
    if explained:
        yield Doubt(f"the entry is explained: {explained}")
    if stretch.first and not after_work:
        yield Doubt(
            f"{section} was first shown at {then.clock(moment)}: that is explained"
        )
    if stretch.end <= then.raised:
        yield Doubt(f"{section} was occupied only until {then.clock(stretch.end)}")
    yield from under_work(then, section)
    yield from _moved_on(section, moment, then)
    limit = then.rules.no_train_after
    starts = {moment} | then.known_again(section, moment)
    allowed = {one + limit for one in starts}
    heard = then.heard(section, moment + then.rules.skew)
    allowed |= {one for one in heard if one > moment + limit}
    yield from then.fell_due(allowed, "its time was up")


def _stretch_at(section: str, began: Moment, then: Then) -> Piece | None:
    """The stretch of occupied that began then, or in which work ended then."""
    ended = any(same(one.end, began) for one in then.book.work(section))
    for one in then.stretches(section):
        if same(one.start, began) or (ended and one.start <= began < one.end):
            return one
    return None


def _moved_on(section: str, start: Moment, then: Then) -> Doubts:
    for one in then.line.neighbours(section):
        for entry in then.entries(one, start, then.raised):
            alone = not then.line.is_open(one) and not then.beside_but(
                one, entry.start, section, entry=True
            )
            if alone and entry.state is State.OCCUPIED:
                yield Doubt(f"it moved on into {one} at {then.clock(entry.start)}")


def gone_on(section: str, began: Moment, then: Then) -> Doubts:
    """Rule (b): the train has gone on over the section between, and nothing has come since."""
    ways = _ways_over(section, began, then)
    if not ways:
        yield Doubt(f"no neighbour of {section} became clear at {then.clock(began)}")
        return
    stayed = [
        one
        for one in then.stretches(section)
        if one.start <= began and one.end > then.raised
    ]
    if not stayed:
        yield Doubt(f"{section} was not occupied from {then.clock(began)} on")
        return
    tally = then.book.tally(section, then.raised)
    if then.line.is_open(section) and (tally is None or abs(tally) > FEW):
        yield Doubt(f"{section} has an open head")
    told = [list(_passed(stayed[0], section, way, began, then)) for way in ways]
    yield from min(told, key=weight)
    yield from under_work(then, section)
    yield from _nothing_since(section, began, then)
    starts = {began} | then.known_again(section, began)
    allowed = {one + then.rules.linger for one in starts}
    heard = then.heard(section, began + then.rules.skew)
    allowed |= {one for one in heard if one > began + then.rules.linger}
    yield from then.fell_due(allowed, "it had lingered long enough")


def _ways_over(section: str, cleared: Moment, then: Then) -> list[tuple[str, str]]:
    """Where the train of *section* may have gone on over: a section that became clear then, and the one before it; others that stayed occupied too may lie between."""
    ways: list[tuple[str, str]] = []
    seen, edge = {section}, [section]
    while edge:
        behind = edge.pop()
        for one in then.line.neighbours(behind):
            if one in seen:
                continue
            seen.add(one)
            clears = then.clears(one, cleared, cleared + 999)
            if any(same(piece.start, cleared) for piece in clears):
                ways.append((one, behind))
            elif then.shows(one, cleared, cleared) == "occupied":
                edge.append(one)
    return ways


def _passed(
    stretch: Piece, section: str, way: tuple[str, str], cleared: Moment, then: Then
) -> Doubts:
    """Whether the train of *stretch* went on from *section* over a section that cleared then, into one beyond.

    Args:
        stretch: of *section*.
        section: which stays occupied.
        way: the section between, and the one out of which it was entered.
        cleared: when that between became clear.
        then: what was so.
    """
    between, behind = way
    skew = then.rules.skew
    run = then.occupation(between, cleared)
    start = run[0].start if run else cleared
    if stretch.start > start + skew:
        yield Doubt(
            f"{between} was entered before {section} became occupied at "
            f"{then.clock(stretch.start)}"
        )
    tallies = then.book.tallies(section, stretch.start, then.raised)
    pairs = list(pairwise(tallies))
    if pairs and not any(after < before for before, after in pairs):
        lost = any(
            one.state is None
            for one in then.within(section, stretch.start, then.raised)
        )
        yield Doubt(f"the tally of {section} never went down", sure=not lost)
    for sure, other in _others_into(between, behind, start, cleared, then):
        # Tallies can tell whose train it was; states alone cannot.
        yield Doubt(
            f"what entered {between} need not have come from {behind}: {other}",
            sure=sure and not tallies,
        )
    beyond = [
        (one, piece.start)
        for one in then.line.neighbours(between)
        if one != behind
        for piece in then.within(one, cleared - skew, cleared + skew)
        if piece.not_clear and start - skew <= piece.start <= cleared + skew
    ]
    if not beyond:
        yield Doubt(f"no train was seen to go on beyond {between}")
        return
    others = [then.beside_but(one, at, between, entry=True) for one, at in beyond]
    if all(others):
        yield Doubt(
            f"what entered {beyond[0][0]} need not have come from {between}: "
            f"{others[0]}",
            sure=False,
        )


def _others_into(
    between: str, behind: str, start: Moment, cleared: Moment, then: Then
) -> Iterator[tuple[bool, str]]:
    """The neighbours other than *behind* that may have given *between* its train, and whether one surely did.

    One that stayed occupied until *between* had cleared gave up no train; one that cleared meanwhile gave it up to *between* where nothing else explains that.
    """
    skew = then.rules.skew
    for one in then.line.neighbours(between):
        shown = then.shows(one, start - skew, start + skew, entry=start)
        if one == behind or not shown:
            continue
        gave = then.clears(one, start - skew, cleared + skew)
        whole = shown == "occupied" and not then.line.is_open(one)
        if whole and not gave and not then.hidden(one, start - skew, cleared):
            continue
        sure = whole and any(
            not then.beside_but(one, piece.start, between, entry=False)
            for piece in gave
        )
        yield sure, f"{one} was {shown} at {then.clock(start)}"


def _nothing_since(section: str, since: Moment, then: Then) -> Doubts:
    """Whether nothing has entered since.

    A tally that was told since and has not moved settles it, and so does one that rose by more than a miscount.
    Without tallies a train has entered where a neighbour gave one up: one that is still occupied has given up none yet, one that cleared may have.
    """
    start = since + 1000
    for came in came_in_behind(section, start, then.raised, then):
        yield Doubt(f"a train came into it by {then.clock(came)}")
    before = then.book.tally(section, since)
    told = then.book.tallies(section, start, then.raised)
    if before is not None and told:
        if max(told) > before + FEW:
            yield Doubt(f"{max(told) - before} axles were counted into {section} since")
        if set(told) == {before}:
            return
    for one in then.line.neighbours(section):
        for piece in then.clears(one, start, then.raised):
            yield Doubt(
                f"{one} cleared at {then.clock(piece.start)}: its train may have come in",
                sure=False,
            )
        hidden = then.hidden(one, start, then.raised)
        if hidden:
            yield Doubt(
                f"{one} was {hidden} meanwhile: something may have come from there",
                sure=False,
            )
