"""What was truly so of counts: trains counted wrongly, heads that see with one sensor, levels that leave their limits.

A miscount is known by what it leaves in the sections beside it, where tallies are sent, or by the counts of the same train at other heads, where those are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations
from math import erfc, sqrt
from statistics import median

from monitor.core.layout import Limits, Line
from monitor.core.moments import DAY, MINUTE, Moment
from replay.simulator.feed import Measured, Passed
from replay.simulator.miscounts import Miscount
from replay.simulator.record import SKEW, Record, Truth

FEW = 3
"""More axles than this may be vehicles."""

ODD = 2
ODD_SHARE = 0.01
OUT = MINUTE
OUT_SAMPLES = 3
DRIFT_DAYS = 7
DRIFT_WINDOW = 60
DRIFT_AHEAD = 14
DRIFT_P = 0.01


# Trains counted wrongly.


def miscounts(record: Record, behind: Sequence[Truth]) -> Iterator[Truth]:
    """`count-mismatch`, of each miscount, and of what else a train left over; *behind* is what was found of sections that stayed occupied."""
    owned: list[Truth] = []
    for one in record.day.miscounts:
        kind, _, name = one.place.partition("/")
        sections = [name]
        if kind == "head":
            between = record.line.heads[name].between
            sections = [x for x in between if x in record.line.sections]
        left = [
            truth
            for truth in behind
            if truth.subject.removeprefix("section/") in sections
            and one.at - MINUTE < truth.began
            and _train_of(record, truth, one)
        ]
        few = [x for x in left if _few_left(record, x)]
        owned += few
        known = [x.known for x in few if x.known is not None]
        told = _by_passages(record, one) if kind == "head" else None
        needs = "tallies" if known or (few and told is None) else "full"
        if told is not None and record.day.richness == "full":
            known.append(told)
        yield Truth(
            kind="count-mismatch",
            subject=one.place,
            began=one.at,
            ended=max([*known, *(x.began + MINUTE for x in left)], default=one.at),
            known=min(known, default=None),
            needs=needs,
        )
    yield from left_over(record, [one for one in behind if one not in owned])


def left_over(record: Record, behind: Iterable[Truth]) -> Iterator[Truth]:
    """`count-mismatch`, of one to three axles that stayed in a section whose train went on, however they came to be left.

    Nobody may have miscounted: what a section showed before its train came stays in it too, and what a section did not count on its way in is lacking afterwards.
    """
    told: list[Truth] = []
    for one in sorted(behind, key=lambda x: x.began):
        if not _few_left(record, one):
            continue
        subject = _pointed_at(record, one)
        if any(
            x.subject == subject and (x.ended is None or one.began <= x.ended)
            for x in told
        ):
            continue  # the other half of a pair
        told.append(
            Truth(
                kind="count-mismatch",
                subject=subject,
                began=one.began,
                ended=one.ended,
                known=one.known,
                needs="tallies",
            )
        )
    yield from told


def _pointed_at(record: Record, truth: Truth) -> str:
    """The one head beside which as many axles are lacking as are over, or the section itself."""
    section = truth.subject.removeprefix("section/")
    asked = truth.began + MINUTE
    axles = record.axles(section, asked)
    assert axles is not None  # noqa: S101 - they are few
    heads = [
        head
        for head in record.line.heads_of(section)
        for other in record.line.heads[head].between
        if other in record.line.sections
        and other != section
        and record.axles(other, asked) == -axles
        and not record.train_inside(other, asked)
    ]
    return f"head/{heads[0]}" if len(heads) == 1 else truth.subject


def _train_of(record: Record, truth: Truth, one: Miscount) -> bool:
    """Whether what *truth* speaks of was left by the train of *one*."""
    section = truth.subject.removeprefix("section/")
    visits = [x for x in record.visits[section] if x.came < truth.began]
    return bool(visits) and visits[-1].train == one.train


def _few_left(record: Record, truth: Truth) -> bool:
    """Whether one to three axles were shown as left over, a minute after the section between had cleared."""
    axles = record.axles(truth.subject.removeprefix("section/"), truth.began + MINUTE)
    return axles is not None and 1 <= abs(axles) <= FEW


def _by_passages(record: Record, one: Miscount) -> Moment | None:
    """When the counts of the same train at other heads showed which head had departed from them."""
    passed = sorted(
        (x.at, head, x.axles)
        for head, told in record.day.passages.items()
        for x in told
        if x.train == one.train
    )
    place = next(
        (
            number
            for number, (at, head, _) in enumerate(passed)
            if f"head/{head}" == one.place and at >= one.at
        ),
        None,
    )
    if place is None or len({head for _, head, _ in passed}) < len(passed):
        return None
    first = max(0, min(place - 1, len(passed) - 3))
    three = passed[first : first + 3]
    others = [axles for at, head, axles in three if f"head/{head}" != one.place]
    if len(three) < 3 or len(others) != 2 or others[0] != others[1]:
        return None
    seen = {
        section
        for _, head, _ in three
        for section in record.line.heads[head].between
        if section in record.line.sections
    }
    start, end = three[0][0] - MINUTE, three[-1][0] + SKEW
    return three[-1][0] if record.seen(seen, start, end) else None


# Heads that see with one sensor.


def one_sided(head: str, passages: Sequence[Passed]) -> Iterator[Truth]:
    """`one-sided-head`: two odd passages within a day or more, and more than one in a hundred."""
    times = [one.at for one in passages]
    odd: list[Moment] = []
    open_: tuple[Moment, Moment] | None = None
    first = 0
    for number, one in enumerate(passages):
        if not one.odd:
            continue
        if open_ is not None and one.at - odd[-1] > DAY:
            yield _one_sided_line(head, *open_, odd[-1] + DAY)
            open_ = None
        odd.append(one.at)
        while times[first] <= one.at - DAY:
            first += 1
        counted = [at for at in odd if at > one.at - DAY]
        many = len(counted) > ODD_SHARE * (number - first + 1)
        if open_ is None and len(counted) >= ODD and many:
            open_ = counted[0], one.at
    if open_ is not None:
        yield _one_sided_line(head, *open_, odd[-1] + DAY)


def _one_sided_line(head: str, began: Moment, known: Moment, ended: Moment) -> Truth:
    return Truth(
        kind="one-sided-head",
        subject=f"head/{head}",
        began=began,
        ended=ended,
        known=known,
    )


# Levels.


def limits_of(line: Line, head: str) -> Limits:
    """What the values of *head* may be."""
    return {**line.limits, **line.heads[head].limits}


def level_out(head: str, levels: Sequence[Measured], limits: Limits) -> Iterator[Truth]:
    """`level-out`: a value outside its limits from one sample to another a minute later, or for three samples."""
    spells = (
        spell
        for name, (least, most) in limits.items()
        for spell in _outside(levels, name, least, most)
    )
    yield from _of_head("level-out", head, spells)


def _of_head(
    kind: str, head: str, spells: Iterable[tuple[Moment, Moment, Moment | None]]
) -> Iterator[Truth]:
    """One line for what several values say of *head* at a time; each spell is from when, known when, to when."""
    whole: list[tuple[Moment, Moment, Moment | None]] = []
    for began, known, ended in sorted(spells, key=lambda one: one[:2]):
        last = whole[-1] if whole else None
        if last is not None and (last[2] is None or began <= last[2]):
            later = None if None in {last[2], ended} else max(last[2] or 0, ended or 0)
            whole[-1] = (last[0], min(last[1], known), later)
        else:
            whole.append((began, known, ended))
    for began, known, ended in whole:
        yield Truth(
            kind=kind, subject=f"head/{head}", began=began, ended=ended, known=known
        )


def _outside(
    levels: Sequence[Measured], name: str, least: float, most: float
) -> Iterator[tuple[Moment, Moment, Moment | None]]:
    """When a value was outside: from when, since when that was known, to when."""
    run: list[Moment] = []
    back: list[Moment] = []
    known: Moment | None = None
    for one in levels:
        value = one.values.get(name)
        if value is None:
            continue
        if not least <= value <= most:
            run, back = [*run, one.at], []
            if known is None and _enough(run):
                known = one.at
            continue
        if known is None:
            run = []
            continue
        back.append(one.at)
        if _enough(back):
            yield run[0], known, one.at
            run, back, known = [], [], None
    if known is not None:
        yield run[0], known, None


def _enough(samples: Sequence[Moment]) -> bool:
    return samples[-1] - samples[0] >= OUT or len(samples) >= OUT_SAMPLES


def level_drift(
    head: str, levels: Sequence[Measured], limits: Limits, end: Moment
) -> Iterator[Truth]:
    """`level-drift`: the medians of the days trend towards a limit that they would meet within a fortnight."""
    spells = (
        spell
        for name, (least, most) in limits.items()
        for spell in _drifts(_medians(levels, name), least, most, end)
    )
    yield from _of_head("level-drift", head, spells)


def _drifts(
    medians: Mapping[int, float], least: float, most: float, end: Moment
) -> Iterator[tuple[Moment, Moment, Moment | None]]:
    """When the medians of the days, by day, trended towards a limit: from when, known when, to when."""
    days = sorted(medians)
    known: Moment | None = None
    for place in range(DRIFT_DAYS, len(days) + 1):
        midnight = (days[place - 1] + 1) * DAY
        if midnight > end:
            break
        window = [medians[one] for one in days[:place][-DRIFT_WINDOW:]]
        meets = _meets(window, least, most)
        if meets and known is None:
            known = midnight
        elif not meets and known is not None:
            yield known, known, midnight
            known = None
    if known is not None:
        yield known, known, None


def _medians(levels: Iterable[Measured], name: str) -> Mapping[int, float]:
    days: dict[int, list[float]] = {}
    for one in levels:
        if name in one.values:
            days.setdefault(one.at // DAY, []).append(one.values[name])
    return {day: median(values) for day, values in days.items()}


def _meets(values: Sequence[float], least: float, most: float) -> bool:
    """Whether *values*, one a day, trend significantly to a limit that is a fortnight away at most."""
    pairs = list(combinations(range(len(values)), 2))
    slopes = [(values[b] - values[a]) / (b - a) for a, b in pairs]
    slope = median(slopes)
    if not slope:
        return False
    count = len(values)
    signs = sum((x > 0) - (x < 0) for x in slopes)
    spread = sqrt(count * (count - 1) * (2 * count + 5) / 18)
    if erfc((abs(signs) - 1) / spread / sqrt(2)) >= DRIFT_P:
        return False
    middle = median(x - slope * place for place, x in enumerate(values))
    now = middle + slope * (count - 1)
    limit = most if slope > 0 else least
    return (limit - now) / slope <= DRIFT_AHEAD


def of_heads(record: Record) -> Iterator[Truth]:
    """All that was so of heads alone."""
    day = record.day
    for head, passages in day.passages.items():
        yield from one_sided(head, passages)
    for head, levels in day.levels.items():
        limits = limits_of(record.line, head)
        yield from level_out(head, levels, limits)
        yield from level_drift(head, levels, limits, day.end)
