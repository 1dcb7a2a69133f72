"""`count-mismatch`, worked out again: one train counted otherwise at one head, or axles left over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from monitor.core.events import (
    HeadPassage,
)
from monitor.core.moments import (
    Moment,
    parse,
)
from replay.recheck.occupied import gone_on
from replay.recheck.opinion import (
    FEW,
    LONG_AGO,
    Doubt,
    Doubts,
    Record,
    same,
    weight,
)
from replay.recheck.then import Then, section_of


def count_mismatch(alert: Record, then: Then, _: Sequence[Record]) -> Doubts:
    """What speaks against *alert*, from its passages or from the axles left over."""
    began = parse(alert["began"])
    given = [then.book.events.get(one["event"] or "") for one in alert["evidence"]]
    found = [one for one in given if one is not None]
    if not any(same(at, began) for _, at in found):
        yield Doubt(f"none of its evidence is of {then.clock(began)}")
    passages = sorted(
        (at, event.subject, event.axles)
        for event, at in found
        if isinstance(event, HeadPassage)
    )
    if passages:
        yield from _passages_differ(alert["subject"], passages, then)
    else:
        yield from _left_over(alert["subject"], then)


def _passages_differ(
    subject: str, passages: Sequence[tuple[Moment, str, int]], then: Then
) -> Doubts:
    """One train at successive heads; the one that departs from the others is the suspect."""
    heads = then.line.heads
    known = [one for one in passages if one[1] in heads]
    for (_, one, _), (_, other, _) in pairwise(known):
        shared = set(heads[one].between) & set(heads[other].between)
        if one != other and not shared & set(then.line.sections):
            yield Doubt(f"{one} and {other} are not heads of one section")
    counts = {head: axles for _, head, axles in known}
    if len(set(counts.values())) < 2:
        yield Doubt("the passages it rests on were counted alike")
        return
    (usual, most), *_ = Counter(counts.values()).most_common(1)
    if subject.startswith("head/"):
        head = subject.removeprefix("head/")
        if head not in counts:
            yield Doubt(f"{head} did not count that train")
        elif most > 1 and counts[head] == usual:
            yield Doubt(f"{head} counted {usual} axles, as {most} heads did")
        elif most == 1:
            yield Doubt("which head departs from the others is open", sure=False)
    elif not any(section_of(subject) in heads[head].between for head in counts):
        yield Doubt(f"no head of {section_of(subject)} counted that train")
    counted = {at for at, _, _ in known}
    near = {
        one
        for _, head, _ in known
        for one in heads[head].between
        if one in then.line.sections
    }
    due = counted | {at + then.rules.skew for at in counted}
    due |= {heard for at in counted for one in near for heard in then.heard(one, at)}
    yield from then.fell_due(due, "it was counted")


def _left_over(subject: str, then: Then) -> Doubts:
    """One to three axles left in a section, or as many too many and too few beside a head."""
    if subject.startswith("section/"):
        section = section_of(subject)
        yield from _few(section, then)
        yield from _still_there(section, then)
        return
    head = then.line.heads[subject.removeprefix("head/")]
    beside = [one for one in head.between if one in then.line.sections]
    tallies = [then.book.tally(one, then.raised) or 0 for one in beside]
    left = [one for one, tally in zip(beside, tallies, strict=True) if tally]
    if not left:
        yield Doubt(f"no axles were left beside {head.id}")
        return
    for section in left:
        yield from _few(section, then)
    if sum(tallies) or len(left) < 2:
        yield Doubt(f"what was left beside {head.id} does not make up for each other")
    elif all(list(_still_there(one, then)) for one in left):
        yield Doubt(f"no train was seen to go on from beside {head.id}", sure=False)


def _few(section: str, then: Then) -> Doubts:
    tally = then.book.tally(section, then.raised)
    if tally is None:
        yield Doubt(f"no tally of {section} was given")
    elif not 1 <= abs(tally) <= FEW:
        yield Doubt(f"the tally of {section} was {tally} at {then.clock(then.raised)}")


def _still_there(section: str, then: Then) -> Doubts:
    """Raised with rule (b) of `occupied-no-train`."""
    cleared = [
        piece.start
        for one in then.line.neighbours(section)
        for piece in then.clears(one, LONG_AGO, then.raised)
    ]
    every = [list(gone_on(section, one, then)) for one in sorted(cleared)]
    if not every:
        yield Doubt(f"no train was seen to go on from {section}")
    else:
        yield from min(reversed(every), key=weight)
