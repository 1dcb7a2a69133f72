"""What was truly wrong in a simulated day, and from when on it could be known.

Worked out afterwards, at leisure, with the whole day in hand: from what was sent, and from where the trains truly were.
It shares no code with what draws conclusions from the feed as it comes; only the meanings of the kinds are the same.

What falls due after the last event of the day is left out.
While messages are lost and nobody can have noticed, a day seems otherwise than it was: what seems so then may be said or not.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

from monitor.core.events import Service, State
from monitor.core.moments import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    midnight_before,
)
from replay.simulator.feed import FeedFault, Sighting
from replay.simulator.record import (
    CLOCKS,
    SKEW,
    Day,
    Record,
    Spell,
    Truth,
    itself,
    pieces_of,
    spells,
    unnoticed,
)
from replay.simulator.truth_of_causes import candidates, groups
from replay.simulator.truth_of_counts import left_over, miscounts, of_heads
from replay.simulator.truth_of_trains import (
    left_behind,
    seems_left,
    spurious,
    unseen,
    vanished,
)

SETTLE = 5 * SECOND
NO_TRAIN_AFTER = 2 * MINUTE
PROVE_WITHIN = HOUR
HOLD = 15 * MINUTE
NORMAL = 30 * MINUTE
RESTORATION = 5 * MINUTE
CONTACTS = SECOND


def truths(day: Day) -> list[Truth]:
    """Everything that was so in *day* and could be known by its end, by the moment when it could."""
    record = Record(day)
    found: list[Truth] = []
    came = {one: list(spurious(record, one)) for one in day.line.sections}
    causes = groups(
        day.line, candidates(record, [one for some in came.values() for one in some])
    )
    found += [one.truth() for one in causes]
    behind = {one: list(left_behind(record, one)) for one in day.line.sections}
    seems = Record(unnoticed(day))
    stays = [
        x
        for one in day.line.sections
        for x in (*left_behind(seems, one), *seems_left(record, one))
    ]
    seeming = list(_seeming(seems))
    for section in day.line.sections:
        found += came[section]
        found += _of_section(record, section, came[section], behind[section], seeming)
        found += [
            one
            for one in vanished(record, section)
            if not any(group.covers(section, one.began) for group in causes)
        ]
    found += miscounts(record, [one for some in behind.values() for one in some])
    found += left_over(seems, list(_doubtful(stays, found)))
    found += _doubtful([*seeming, *stays], found)
    found += of_heads(record)
    for evaluator, sightings in day.evaluators.items():
        found += _locked_out(evaluator, sightings, day.end)
    for fault in day.feed:
        found += _of_feed(fault)
    return sorted(
        _by(day.end, found),
        key=lambda one: (one.known or one.began, one.kind, one.subject, one.began),
    )


def _by(end: Moment, found: Iterable[Truth]) -> Iterator[Truth]:
    """What of *found* was so by *end*; what falls due so close to it that the clocks decide may be said or not."""
    for one in found:
        due = one.began if one.known is None else one.known
        if due >= end + CLOCKS:
            continue
        close = one.known is not None and one.known > end - CLOCKS
        yield replace(one, known=None) if close else one


def _seeming(record: Record) -> Iterator[Truth]:
    """What seems so in *record*, where what was lost is not noticed: of kinds that call nobody at once."""
    for section in record.line.sections:
        yield from spurious(record, section)
        yield from _no_train(record, section)
        yield from _long(record, section)


# Of a section.


def _of_section(
    record: Record,
    section: str,
    came: Sequence[Truth],
    behind: Sequence[Truth],
    seeming: Iterable[Truth],
) -> Iterator[Truth]:
    doubtful = [
        one
        for one in seeming
        if one.kind == "spurious-occupation" and one.subject == f"section/{section}"
    ]
    yield from _disturbed(record, section)
    yield from _repeated(record, section, came, doubtful)
    yield from _unproved(record, section)
    no_train = [*_no_train(record, section), *behind]
    yield from no_train
    yield from unseen(record, section)
    yield from _not_held(record, section, no_train)
    yield from _long(record, section)
    yield from _contacts(record, section)
    yield from _not_restored(record, section)


def _after_work(record: Record, section: str, spell: Spell) -> Moment:
    """When the condition of *spell* begins to count: with it, or with the end of the work it began under."""
    start = spell.start
    for begun, ended in record.work[section]:
        if begun <= start < ended:
            start = ended
    return start


def _lasting(
    record: Record, section: str, kind: str, found: Iterable[Spell], need: Duration
) -> Iterator[Truth]:
    for spell in found:
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


def _disturbed(record: Record, section: str) -> Iterator[Truth]:
    found = spells(record.states[section], lambda x: x is State.DISTURBED)
    yield from _lasting(record, section, "section-disturbed", found, SETTLE)


def _disturbances(
    record: Record, section: str, came: Iterable[Truth]
) -> list[tuple[Moment, Moment]]:
    """When *section* was disturbed and when that could be known, those close together once, those under work not at all.

    A spurious occupation, of *came*, is one from its beginning, and known when it is over.
    """
    turned = [
        (spell.start, spell.start)
        for spell in spells(record.states[section], lambda x: x is State.DISTURBED)
        if not record.under_work(section, spell.start)
    ]
    turned += [(one.began, one.ended or one.began) for one in came]
    found: list[tuple[Moment, Moment]] = []
    for began, known in sorted(turned):
        if not found or began - found[-1][0] > SETTLE:
            found.append((began, known))
    return found


def _repeated(
    record: Record, section: str, came: Sequence[Truth], doubtful: Sequence[Truth]
) -> Iterator[Truth]:
    """`repeat-disturbance`; with spurious occupations that may be told or not, it may be told or not."""
    surely = [one for one in came if one.known is not None]
    told = list(_repeats(record, section, _disturbances(record, section, surely)))
    yield from told
    every = _disturbances(record, section, [*came, *doubtful])
    yield from _doubtful(_repeats(record, section, every), told)


def _doubtful(found: Iterable[Truth], told: Sequence[Truth]) -> Iterator[Truth]:
    """What of *found* is not among *told*, as what may be said or not."""
    for one in found:
        if not any(_overlap(one, other) for other in told):
            yield replace(one, known=None)


def _overlap(one: Truth, other: Truth) -> bool:
    """Whether the two say the same of the same time."""
    return (
        (one.kind, one.subject) == (other.kind, other.subject)
        and (other.ended is None or one.began <= other.ended)
        and (one.ended is None or other.began <= one.ended)
    )


def _repeats(
    record: Record, section: str, happened: Sequence[tuple[Moment, Moment]]
) -> Iterator[Truth]:
    times = [began for began, _ in happened]
    open_since: tuple[Moment, Moment] | None = None
    for place, (one, known) in enumerate(happened):
        if open_since is not None:
            over = times[place - 2] + DAY if place >= 2 else one
            if over < one:
                yield _repeat(section, *open_since, over)
                open_since = None
        day = [x for x in times[: place + 1] if x > one - DAY]
        hour = [x for x in day if x > one - HOUR]
        counted = day if len(day) >= 3 else hour if len(hour) >= 2 else []
        if counted and open_since is None:
            open_since = counted[0], known
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


def _resets(record: Record, section: str) -> list[Moment]:
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


def _unproved(record: Record, section: str) -> Iterator[Truth]:
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


def _due(record: Record, section: str, moment: Moment) -> Moment:
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


def _usual_hour(record: Record, section: str, moment: Moment) -> bool:
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


def _no_train(record: Record, section: str) -> Iterator[Truth]:
    for one in record.smooth[section]:
        if one.value is not State.OCCUPIED or not one.seen:
            continue
        known = one.start + NO_TRAIN_AFTER
        alone = record.alone(section, one.start)
        moved = _moved_on(record, section, one.start, known)
        if (
            one.end < known
            or record.under_work(section, one.start)
            or record.under_work(section, known)
            or alone is False
            or not all(map(record.line.is_open, moved))
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
            # What came into a section with an open end may have come from outside.
            known=known if alone and not moved else None,
        )


def _moved_on(record: Record, section: str, start: Moment, until: Moment) -> set[str]:
    """The neighbours that were entered since, as far as the line shows out of *section* and out of nowhere else."""
    found = set()
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
                found.add(neighbour)
    return found


def _interrupted(record: Record, section: str, start: Moment, until: Moment) -> bool:
    """Whether *section* or a neighbour was not known in between."""
    return any(
        piece.value is None
        for one in (section, *record.line.neighbours(section))
        for piece in record.within(one, start, until)
    )


def _not_held(
    record: Record, section: str, no_train: Sequence[Truth]
) -> Iterator[Truth]:
    failures = [
        (one, one)
        for one in (
            x.start
            for x in record.states[section]
            if x.value is State.DISTURBED and x.seen
        )
        if not record.under_work(section, one)
    ] + [(one.began, one.began + SKEW) for one in no_train if one.known is not None]
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


def _first_train(record: Record, section: str, since: Moment, moment: Moment) -> bool:
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


def _long(record: Record, section: str) -> Iterator[Truth]:
    told = list(_stood_long(record, section))
    yield from told
    yield from _doubtful(_not_clear_long(record, section), told)


def _normal(record: Record, section: str) -> Duration:
    normal_s = record.line.sections[section].normal_occupation_s
    return NORMAL if normal_s is None else round(normal_s * SECOND)


def _stood_long(record: Record, section: str) -> Iterator[Truth]:
    """`long-occupation`: *section* was occupied for long without a break."""
    normal = _normal(record, section)
    came, gone = record.entered[section], record.left[section]
    for spell in spells(record.smooth[section], lambda x: x is State.OCCUPIED):
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
        if seen_come or there:
            yield Truth(
                kind="long-occupation",
                subject=f"section/{section}",
                began=spell.start,
                ended=spell.end,
                # Where it went on since, that may be told, or it may not.
                known=known if stayed else None,
            )


def _not_clear_long(record: Record, section: str) -> Iterator[Truth]:
    """The same where it failed meanwhile: one occupation, that a train began and a train was in when it had lasted, the same or another."""
    pieces = record.smooth[section]
    for spell in spells(pieces, lambda x: x is not State.CLEAR):
        known = spell.lasted(_normal(record, section))
        if known is None or record.under_work(section, known):
            continue
        at = {
            one.value
            for one in pieces
            for moment in (spell.start, known)
            if one.start <= moment < one.end
        }
        inside = record.train_inside(section, spell.start + SETTLE)
        if at == {State.OCCUPIED} and inside:
            yield Truth(
                kind="long-occupation",
                subject=f"section/{section}",
                began=spell.start,
                ended=spell.end,
                known=known,
            )


def _contacts(record: Record, section: str) -> Iterator[Truth]:
    alike = spells(
        record.shown[section], lambda x: x.contacts.clear == x.contacts.occupied
    )
    yield from _lasting(record, section, "contact-disagreement", alike, CONTACTS)


def _not_restored(record: Record, section: str) -> Iterator[Truth]:
    pieces = record.shown[section]
    forgotten = spells(
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
        assert one.known is not None  # noqa: S101 - it lasted
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
    pieces = pieces_of(sightings, itself, end, Service)
    for spell in spells(pieces, lambda x: x is Service.LOCKED_OUT):
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
