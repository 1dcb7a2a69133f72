"""`vanished-train` and `unseen-train`, worked out again: a train went in and nobody took it, or one came out that nobody saw go in."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.core.events import (
    State,
)
from monitor.core.moments import (
    DAY,
    Moment,
    parse,
)
from replay.recheck.book import Piece
from replay.recheck.opinion import FOR_EVER, Doubt, Doubts, Record, same
from replay.recheck.then import Then, section_of, under_work


def vanished_train(alert: Record, then: Then, others: Sequence[Record]) -> Doubts:
    """What speaks against *alert*: its section held a train, and cleared with every neighbour known clear."""
    section, began = section_of(alert["subject"]), parse(alert["began"])
    run = then.occupation(section, began)
    cleared = [
        one
        for one in then.clears(section, began, began + 999)
        if same(one.start, began)
    ]
    if not run or not cleared:
        yield Doubt(f"{section} did not become clear at {then.clock(began)}")
        return
    moment, skew = cleared[0].start, then.rules.skew
    if then.line.is_open(section):
        yield Doubt(f"{section} has an open head")
    if then.works(section, moment, moment):
        yield Doubt(f"{section} was under work at {then.clock(moment)}")
    for one in then.line.neighbours(section):
        yield from then.not_known_clear(one, moment - skew, moment + skew)
    yield from _holds_a_train(section, run, moment, then)
    yield from _accounted_for(section, run[0].start, began, then, others)
    allowed = {moment + skew} | then.surely_heard(section, moment + skew)
    yield from then.fell_due(allowed, "its neighbours were known clear")


def _holds_a_train(
    section: str, run: Sequence[Piece], cleared: Moment, then: Then
) -> Doubts:
    """A train entered, and since then no neighbour has become not clear but with another's train."""
    entered = [
        one
        for one in run
        if one.state is State.OCCUPIED
        and (one.first or then.beside(section, one.start, entry=True))
    ]
    seen = [one.start for one in entered if not one.first]
    seen += came_in_behind(section, run[0].start, cleared, then)
    if not entered and not seen:
        yield Doubt(f"no train was seen to enter {section}")
        return
    if not seen:
        yield Doubt(f"{section} was not clear when it was first seen", sure=False)
        return
    departed = [list(_departures(section, one, cleared, then)) for one in seen]
    if all(departed):
        yield from departed[-1]


def came_in_behind(
    section: str, start: Moment, end: Moment, then: Then
) -> list[Moment]:
    """When a neighbour gave up a train that can have gone into *section* alone, by then not clear."""
    return [
        piece.start
        for one in then.line.neighbours(section)
        if not then.line.is_open(one)
        for piece in then.clears(one, start, end)
        if not then.beside_but(one, piece.start, section, entry=False)
    ]


def _departures(section: str, since: Moment, until: Moment, then: Then) -> Doubts:
    """The times at which a neighbour may have taken the train of *section*."""
    start = since + then.rules.skew
    for one in then.line.neighbours(section):
        for piece in then.within(one, start, until):
            if piece.state is None:
                yield Doubt(f"{one} was not known from {then.clock(piece.start)} on")
        if then.works(one, start, until):
            yield Doubt(f"{one} was under work meanwhile")
        for entry in then.entries(one, start, until):
            if not _brought(one, section, entry, then):
                yield Doubt(f"{one} was entered at {then.clock(entry.start)}")


def _brought(neighbour: str, section: str, entry: Piece, then: Then) -> bool:
    """Whether another section gave up the train that entered *neighbour*."""
    skew, moment = then.rules.skew, entry.start
    inside = [
        one
        for one in then.pieces(neighbour)
        if one.start >= moment and not one.not_clear
    ]
    left = inside[0].start if inside else then.raised
    for one in then.line.neighbours(neighbour):
        if one == section:
            continue
        before = then.within(one, moment - skew, moment + skew)
        if any(piece.not_clear for piece in before) and then.clears(one, moment, left):
            return True
    return False


def _accounted_for(
    section: str, entered: Moment, began: Moment, then: Then, others: Sequence[Record]
) -> Doubts:
    """Whether another alert had told already where the train is, or why the section cleared."""
    around = {f"section/{one}" for one in then.line.neighbours(section)}
    for other in others:
        if other["kind"] == "unseen-train":
            named = {other["subject"], *(one["asset"] for one in other["suspects"])}
            earlier = parse(other["raised"]) <= began
            if named & around and earlier and parse(other["began"]) >= entered:
                yield Doubt(f"its train was seen to come out: alert {other['id']}")
        elif other["kind"] == "common-cause":
            ended = FOR_EVER if other["ended"] is None else parse(other["ended"])
            together = f"section/{section}" in other["affected"]
            if together and parse(other["began"]) <= began <= ended:
                yield Doubt(f"it belongs to the group of alert {other['id']}")


def unseen_train(alert: Record, then: Then, others: Sequence[Record]) -> Doubts:
    """What speaks against *alert*: something came out of a section shown clear, and moved on as a train does."""
    subject, began = section_of(alert["subject"]), parse(alert["began"])
    named = {section_of(one["asset"]) for one in alert["suspects"]}
    suspects: set[str] | None = named & set(then.line.sections)
    near = [subject, *then.line.neighbours(subject)]
    appeared = [
        one
        for one in near
        if any(same(piece.start, began) for piece in then.stretches(one))
    ]
    if not appeared:
        yield Doubt(
            f"nothing was entered at {then.clock(began)} at {subject} or beside it"
        )
        return
    if _vanished_there(subject, began, others):
        suspects = None  # no other need be asked
    every = [list(_came_out(one, subject, suspects, began, then)) for one in appeared]
    if all(every):
        yield from every[-1]


def _vanished_there(subject: str, began: Moment, others: Sequence[Record]) -> bool:
    """Whether a train was unaccounted for in *subject* within the day before: of several sections it could have come from, that one is it."""
    return any(
        other["kind"] == "vanished-train"
        and other["subject"] == f"section/{subject}"
        and began - DAY <= parse(other["began"]) <= began
        for other in others
    )


def _came_out(
    place: str, subject: str, suspects: set[str] | None, began: Moment, then: Then
) -> Doubts:
    """Whether a train appeared in *place* and moved on, and *subject* is where it came from."""
    stretch = next(one for one in then.stretches(place) if same(one.start, began))
    if stretch.first:
        yield Doubt(f"{place} was not known before {then.clock(began)}")
    explained = then.beside(place, stretch.start, entry=True)
    if explained:
        yield Doubt(f"the entry is explained: {explained}")
    ended = then.clears(place, stretch.start, then.raised)
    if not ended:
        yield Doubt(f"{place} had not become clear by {then.clock(then.raised)}")
        return
    if len(then.occupation(place, ended[0].start)) != 1:
        yield Doubt(f"{place} was not of occupied alone")
    yield from under_work(then, place)
    onward = [
        (one, entry.start)
        for one in then.line.neighbours(place)
        for entry in then.entries(one, stretch.start, ended[0].start + then.rules.skew)
        if _entered_from(one, place, entry, then)
    ]
    if not onward:
        yield Doubt(f"no neighbour was entered from {place} alone before it cleared")
        return
    doubts = [list(_held_by(subject, suspects, place, one, then)) for one, _ in onward]
    if all(doubts):
        yield from doubts[0]
    skew = then.rules.skew
    bases = {ended[0].start, ended[0].start + skew, *(at + skew for _, at in onward)}
    heard = {at for base in bases for at in then.surely_heard(place, base)}
    heard |= {at for one, base in onward for at in then.surely_heard(one, base + skew)}
    due = {one for one in bases | heard if one >= ended[0].start}
    yield from then.fell_due(due, "it had moved on")


def _entered_from(section: str, place: str, entry: Piece, then: Then) -> bool:
    if then.line.is_open(section) or entry.state is not State.OCCUPIED:
        return False
    return not then.beside_but(section, entry.start, place, entry=True)


def _held_by(
    subject: str, suspects: set[str] | None, place: str, onward: str, then: Then
) -> Doubts:
    """Whether the train must have come from *subject*, where it went from *place* into *onward*."""
    could = {one for one in then.line.neighbours(place) if one != onward}
    if len(could) == 1 or subject != place:
        if subject not in could:
            yield Doubt(
                f"a train in {place} that goes on into {onward} is not from {subject}"
            )
        elif len(could) > 1 and suspects is not None:
            others = ", ".join(sorted(could - {subject}))
            yield Doubt(f"it could have come from {others} too", sure=False)
    elif not could:
        yield Doubt(f"there is no section behind {place}")
    elif not suspects or not suspects <= could:
        yield Doubt(f"its suspects are not those beside {place}")
