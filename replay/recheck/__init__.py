"""A second opinion: each alert of the five gravest kinds, worked out again by other means.

The detections draw their conclusions as events come, from memories that are never larger than they must be.
Here nothing is remembered and nothing is fast: the whole recording is laid out by section, and the words that say what a kind means are read again at one place and one moment.
Of the core only what events are, how the line lies, and in which order and at what time events were are taken over; what a train is, is worked out anew.

The opinion on an alert is one of three: it agrees; it disagrees, with the sentence why; or it cannot tell, with the sentence why not.
What had not come by the moment at which an alert was raised is no argument against it, so every question is asked of what was known then.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence

from monitor.core.moments import Moment, parse
from replay.recheck.book import Book, Rules
from replay.recheck.counts import count_mismatch
from replay.recheck.lost import unseen_train, vanished_train
from replay.recheck.occupied import occupied_no_train
from replay.recheck.opinion import Doubt, Doubts, Opinion, Record, Verdict, same, shown
from replay.recheck.resets import reset_unproved
from replay.recheck.then import Then

__all__ = ["KINDS", "Book", "Opinion", "Rules", "Verdict", "check", "recheck"]

_KINDS: dict[str, tuple[str, Callable[[Record, Then, Sequence[Record]], Doubts]]] = {
    "occupied-no-train": ("section", occupied_no_train),
    "vanished-train": ("section", vanished_train),
    "unseen-train": ("section", unseen_train),
    "reset-unproved": ("section", reset_unproved),
    "count-mismatch": ("section or head", count_mismatch),
}


KINDS = tuple(_KINDS)
"""The kinds that are worked out again."""


LASTING = frozenset({"vanished-train", "unseen-train"})
"""Kinds that only a person ends."""


def check(
    alert: Record, book: Book, others: Sequence[Record] = (), rules: Rules | None = None
) -> Verdict:
    """Work *alert* out again.

    Args:
        alert: its record, one of `KINDS`.
        book: the recording it was raised from.
        others: the other alerts of that recording, which some meanings speak of.
        rules: the durations at its place, where they are not those of the line.

    Raises:
        KeyError: it is of another kind, or its record lacks a field.
    """
    doubts = list(_formal(alert, book))
    if not doubts:
        then = Then(
            book=book,
            raised=parse(alert["raised"]) + 999,
            rules=book.rules if rules is None else rules,
        )
        doubts = list(_KINDS[alert["kind"]][1](alert, then, others))
    doubts.sort(key=lambda one: not one.sure)
    opinion = Opinion.AGREES
    if doubts:
        opinion = Opinion.DISAGREES if doubts[0].sure else Opinion.CANNOT_TELL
    return Verdict(
        id=alert["id"],
        kind=alert["kind"],
        subject=alert["subject"],
        opinion=opinion,
        why=doubts[0].why if doubts else "",
    )


def _formal(alert: Record, book: Book) -> Doubts:
    """What must be so of every alert."""
    text = f"{alert['kind']}\n{alert['subject']}\n{alert['began']}"
    if hashlib.sha256(text.encode()).hexdigest()[:16] != alert["id"]:
        yield Doubt("its id is not that of its kind, subject and beginning")
    what, _, name = alert["subject"].partition("/")
    places = {"section": book.line.sections, "head": book.line.heads}.get(what, {})
    if name not in places or what not in _KINDS[alert["kind"]][0]:
        yield Doubt(f"there is no {alert['subject']} for it to be about")
    if parse(alert["raised"]) < parse(alert["began"]):
        yield Doubt("it was raised before it began")
    if alert["kind"] in LASTING and alert["ended"] is not None:
        yield Doubt("it ended, which only a person can make it do")
    if not alert["evidence"]:
        yield Doubt("it has no evidence")
    raised = parse(alert["raised"])
    for one in alert["evidence"]:
        yield from _borne_out(one, book, raised)


def _borne_out(evidence: Record, book: Book, raised: Moment) -> Doubts:
    name = evidence["event"]
    if not name:
        return
    if name not in book.events:
        yield Doubt(f"the recording has no event {name}")
        return
    event, at = book.events[name]
    time = parse(evidence["time"])
    # What happened under work counts from the end of that.
    over = (spell.end for spell in book.work(event.subject))
    if not any(same(time, one) for one in (at, event.time, *over)):
        zone = book.line.zone
        of, said = (shown(one, zone, raised) for one in (at, time))
        yield Doubt(f"event {name} is of {of}, not of {said}")


def recheck(
    alerts: Iterable[Record],
    book: Book,
    rules: Callable[[str], Rules] | None = None,
) -> Iterator[Verdict]:
    """Work out again every alert that is one of `KINDS`, in their order.

    Args:
        alerts: the records of all alerts of a recording, one for each id.
        book: the recording.
        rules: the durations at a section or head, where they are not alike everywhere.
    """
    known = list(alerts)
    for alert in known:
        if alert["kind"] in _KINDS:
            name = alert["subject"].partition("/")[2]
            at = rules(name) if rules is not None else None
            yield check(alert, book, known, at)
