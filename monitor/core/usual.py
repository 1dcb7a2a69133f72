"""What is usual for each section, learnt from its own traffic once a day.

A section of a branch line that sees three trains a day and one of a terminal cannot be judged by one number.
`Learning` folds what happens, section by section, into a memory of fixed size; at 00:00 UTC it gives what it has learnt as a record of plain values, which is journaled like any other event.
Detectors know only what `read_learnt` makes of such a record: so live and replay go by the same numbers, to the last digit, and a record carried along in a recording stands in for the days before it.

What was not seen teaches nothing: a spell in which a section was not known adds no exposure, and spoils the local hours that it touches.
It does not break a gap between trains, however: the median of twenty is not moved by the few that a silence makes too long.

The rate of disturbances of one section is drawn towards its line's by a gamma prior (`statistics.poisson.line_prior`, method of moments).
Moments need something to go by.
With fewer than `FEW` sections, or where their counts spread no wider than chance alone would have it, the moments would claim that all sections are alike, with the weight of the whole line's record; then the prior is a weak one instead, at the line's mean and with the weight of one disturbance at most.
A line without a single disturbance is taken to have had half of one.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from dataclasses import dataclass
from math import exp, fsum, log
from typing import Any

from monitor.core.layout import Line
from monitor.core.moments import (
    DAY,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    midnight_before,
    parse,
    seconds,
    stamp,
)
from monitor.core.statistics.poisson import Gamma, cluster_rate, line_prior
from monitor.core.words import whole_hours

GAPS = 20
"""Gaps between trains that the usual gap is the median of; with fewer there is none."""

LENGTHS_LEAST = 200
"""Occupations before a usual longest is given: with fewer, the 99th percentile is the longest or the one before."""

LENGTHS = 400
"""Occupations remembered: enough for the 99th percentile to be the fifth longest, few enough to follow a change of timetable within weeks."""

HALF_OF_DAYS = 7
"""Half of the last 14 days that saw an hour whole."""

HOUR_DAYS = 60
"""Days looked back for those 14: a section not known for longer begins anew."""

RATE_DAYS = 90
"""Days over which disturbances and exposure are counted."""

LEAST_DAYS = 30.0
"""Days that a rate must rest on, of the section and of what its line lends it, before a chance is made of it: in fewer, one disturbance more or less changes the answer many times over."""

FEW = 10
"""With fewer sections the spread between them is not to be estimated from it."""

YEAR_DAYS = 365

_QUARTER = 15 * MINUTE
"""Local hours begin at whole quarters of an hour UTC: so in every zone, and through every change of clocks, since 1990."""

_SPARE = 4
"""Rows of a ring beyond the days that are read, for what comes before the midnight that reads them."""

_GRAIN = 1000
"""Chances are kept for rates a thousandth apart: far less than what Naus's approximation gives away."""

_COLUMNS = [
    "gap_s",
    "longest_s",
    "hours",
    "days_seen",
    "disturbances",
    "exposure_days",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """What was usual for one section, and for its line, up to a midnight.

    Args:
        gap_median: median of the last 20 gaps between moments of working through (of the two in the middle, half their sum); None with fewer.
        longest: of the last 400 occupations by a train, the 99th percentile by nearest rank (the shortest that 99 in 100 do not exceed); None with fewer than 200.
        hours: hours of the line's local day in which, on at least half of the last 14 days that saw that hour whole, a train was worked through. An hour that no day saw whole yet is among them: nothing speaks against it. None before 24 h are seen.
        days_seen: for how many days, in all, the section was known.
        disturbances: how often it was disturbed in the last 90 days, not under work.
        exposure_days: for how many of those 90 days it was known.
        counted_until: the midnight up to which all this is counted.
        prior_shape: what its line tells of a section of which nothing else is known: as if so many disturbances ...
        prior_days: ... had been counted in so many days; 0 where nothing was seen of the line.
        sections: how many sections the line's numbers rest on.
        line_chance_day: how often a year, somewhere on those sections, 3 disturbances within 24 h are to be expected if they come singly.
        line_chance_hour: likewise 2 within 1 h.
    """

    gap_median: Duration | None
    longest: Duration | None
    hours: frozenset[int] | None
    days_seen: float
    disturbances: int
    exposure_days: float
    counted_until: Moment
    prior_shape: float
    prior_days: float
    sections: int
    line_chance_day: float
    line_chance_hour: float

    @property
    def rate_known(self) -> bool:
        """Whether enough was counted to say how often the section is disturbed."""
        if self.prior_shape <= 0 or self.prior_days <= 0:
            return False
        return self.prior_days + self.exposure_days >= LEAST_DAYS


class _Days:
    """A number for each of the last days, in a ring; a day not written to is nought."""

    __slots__ = ("newest", "rows")

    def __init__(self, typecode: str, kept: int) -> None:
        self.rows: array[int] = array(typecode, bytes(array(typecode).itemsize * kept))
        self.newest = 0

    def place(self, day: int) -> int | None:
        """Where in `rows` *day* is, or None where it is too long ago; the ring moves on to a later day."""
        size = len(self.rows)
        ahead = day - self.newest
        if ahead > 0:
            for passed in range(max(self.newest, day - size) + 1, day + 1):
                self.rows[passed % size] = 0
            self.newest = day
        elif ahead <= -size:
            return None
        return day % size

    def add(self, day: int, number: int) -> None:
        place = self.place(day)
        if place is not None:
            self.rows[place] += number

    def mark(self, day: int, bits: int) -> None:
        place = self.place(day)
        if place is not None:
            self.rows[place] |= bits

    def back(self, day: int, count: int) -> array[int]:
        """The numbers of *count* days, from *day* backwards; fewer where the ring has moved on."""
        place = self.place(day)
        if place is None:
            return self.rows[:0]
        rows = self.rows[place::-1] + self.rows[:place:-1]
        return rows[: min(count, len(rows) - (self.newest - day))]


class _Memory:
    """What is remembered of one section: of the same size after a year as after a month.

    Attributes:
        first: when it was first known, or None.
        lit: the beginning of the present spell in which it is known.
        dark: since when it is not known, or None while it is.
        told: up to where the present dark spell stands in `missed` and `unseen`.
        blind: how long it was not known since `first`, in all.
        unseen: how long it was not known, by UTC day.
        missed: local hours that were not seen whole, a bit for each, by local day.
        worked: local hours in which a train was worked through, likewise.
        disturbed: disturbances by UTC day.
        left: when a train was last worked through.
        gaps: the last gaps between those moments.
        lengths: how long the last occupations were.
    """

    __slots__ = (
        "blind",
        "dark",
        "disturbed",
        "first",
        "gaps",
        "left",
        "lengths",
        "lit",
        "missed",
        "told",
        "unseen",
        "worked",
    )

    def __init__(self) -> None:
        self.first: Moment | None = None
        self.lit: Moment = 0
        self.dark: Moment | None = None
        self.told: Moment = 0
        self.blind: Duration = 0
        self.unseen = _Days("q", RATE_DAYS + _SPARE)
        self.missed = _Days("I", HOUR_DAYS + _SPARE)
        self.worked = _Days("I", HOUR_DAYS + _SPARE)
        self.disturbed = _Days("I", RATE_DAYS + _SPARE)
        self.left: Moment | None = None
        self.gaps: array[int] = array("q")
        self.lengths: array[int] = array("q")


_Row = list[float | int | None]


class Learning:
    """Folds what happens on *line* into what is usual there.

    Sections are those of the line; times may be told a little late, and count for the day and hour in which they lie.
    """

    def __init__(self, line: Line) -> None:
        self._zone = line.zone
        self._memories = {name: _Memory() for name in sorted(line.sections)}
        self._slots: dict[int, tuple[int, int]] = {}
        self._spells: dict[tuple[Moment, Moment], dict[int, int]] = {}
        self._chances: dict[int, tuple[float, float]] = {}

    # What happens.

    def known(self, section: str, at: Moment) -> None:
        """From *at* on the state of *section* is known."""
        memory = self._memories[section]
        if memory.first is None:
            memory.first = at
            # Hours of that day before it was first heard were not seen either.
            self._spoil(memory, at - DAY - _QUARTER, at)
        elif memory.dark is None:
            return
        else:
            self._lose(memory, memory.told, at)
            memory.dark = None
        memory.lit = max(at, memory.told)

    def first_known(self, section: str) -> Moment | None:
        """When the state of *section* was known first, or None before that."""
        return self._memories[section].first

    def not_known(self, section: str, at: Moment) -> None:
        """From *at* on, which may be some time ago, the state of *section* is not known."""
        memory = self._memories[section]
        if memory.first is None:
            return
        at = max(at, memory.lit)
        if memory.dark is None:
            memory.dark = memory.told = at
        elif at < memory.dark:
            self._lose(memory, at, memory.dark)
            memory.dark = at

    def worked_through(self, section: str, left: Moment) -> None:
        """A train was worked through *section* and *left* it."""
        memory = self._memories[section]
        day, hour = self._local(left)
        memory.worked.mark(day, hour)
        before = memory.left
        if before is not None:
            if left <= before:
                return
            memory.gaps.append(left - before)
            del memory.gaps[:-GAPS]
        memory.left = left

    def occupied(self, section: str, length: Duration) -> None:
        """An occupation of *section* by a train is over and was of *length*."""
        lengths = self._memories[section].lengths
        lengths.append(length)
        if len(lengths) > LENGTHS:
            del lengths[0]

    def disturbed(self, section: str, at: Moment) -> None:
        """*section* was disturbed, and not under work."""
        self._memories[section].disturbed.add(at // DAY, 1)

    # Spells not known.

    def _lose(self, memory: _Memory, start: Moment, end: Moment) -> None:
        if end <= start:
            return
        memory.blind += end - start
        self._spoil(memory, start, end)
        start = max(start, end - RATE_DAYS * DAY)
        while start < end:
            day = start // DAY
            stop = min(end, (day + 1) * DAY)
            memory.unseen.add(day, stop - start)
            start = stop

    def _spoil(self, memory: _Memory, start: Moment, end: Moment) -> None:
        for day, hours in self._hours_in(start, end).items():
            memory.missed.mark(day, hours)

    def _hours_in(self, start: Moment, end: Moment) -> dict[int, int]:
        """The local hours that a spell touches, a bit for each, by local day.

        A gateway that falls silent takes many sections with it, all for the same spell: so the last ones are kept.
        """
        found = self._spells.get((start, end))
        if found is None:
            found = {}
            oldest = max(start, end - (HOUR_DAYS + 1) * DAY)
            for slot in range(oldest // _QUARTER, -(-end // _QUARTER)):
                day, hour = self._local(slot * _QUARTER)
                found[day] = found.get(day, 0) | hour
            if len(self._spells) >= 256:
                self._spells.clear()
            self._spells[start, end] = found
        return found

    def _local(self, moment: Moment) -> tuple[int, int]:
        """The local day of *moment*, counted, and the bit of its hour there."""
        slot = moment // _QUARTER
        found = self._slots.get(slot)
        if found is None:
            local = as_datetime(slot * _QUARTER).astimezone(self._zone)
            found = local.toordinal(), 1 << local.hour
            if len(self._slots) >= 16_384:
                self._slots.clear()
            self._slots[slot] = found
        return found

    # What is learnt of it.

    def learn(self, midnight: Moment) -> dict[str, Any]:
        """What is usual, counted up to *midnight*: the values of a `learnt` record.

        The same happenings give the same values, in the same order, whichever section came first.
        One row stands for each section heard before *midnight*, its numbers in the order of `columns`; `hours` has bit *n* set for the hour from *n* o'clock.

        Args:
            midnight: a 00:00 UTC, later than that of the call before.
        """
        happened, today = self._happened(midnight)
        rows: dict[str, _Row] = {}
        for name, memory in self._memories.items():
            first = memory.first
            if first is None or first >= midnight:
                continue
            if memory.dark is not None and memory.told < midnight:
                self._lose(memory, memory.told, midnight)
                memory.told = midnight
            seen = midnight - first - memory.blind
            busy = self._busy(memory, first, happened, today) if seen >= DAY else None
            day = midnight // DAY - 1
            unseen = sum(memory.unseen.back(day, RATE_DAYS))
            exposure = min(midnight - first, RATE_DAYS * DAY) - unseen
            rows[name] = [
                _in_seconds(_median(memory.gaps)),
                _in_seconds(_longest(memory.lengths)),
                busy,
                round(max(seen, 0) / DAY, 3),
                sum(memory.disturbed.back(day, RATE_DAYS)),
                round(max(exposure, 0) / DAY, 3),
            ]
        return {
            "columns": list(_COLUMNS),
            "line": self._line(rows.values()),
            "sections": rows,
            "until": stamp(midnight),
        }

    def _happened(self, midnight: Moment) -> tuple[list[int], int]:
        """Which local hours were over by *midnight*, day by day backwards from the last such day.

        One that does not occur, on the night on which clocks go forward, is not among them.
        """
        over, _ = whole_hours(midnight, self._zone)
        hours = self._hours_in(over - HOUR_DAYS * DAY, over)
        today = max(hours)
        return [hours.get(today - ago, 0) for ago in range(HOUR_DAYS)], today

    def _busy(
        self, memory: _Memory, first: Moment, happened: list[int], today: int
    ) -> int:
        """The hours with trains, a bit for each."""
        days = today - self._local(first)[0] + 1
        missed = memory.missed.back(today, HOUR_DAYS)
        worked = memory.worked.back(today, HOUR_DAYS)
        seen = [
            (hours & ~gone, trains)
            for hours, gone, trains in zip(
                happened[: max(days, 0)], missed, worked, strict=False
            )
        ]
        busy = 0
        for number in range(24):
            hour = 1 << number
            having = lacking = 0
            for whole, trains in seen:
                if whole & hour:
                    # Of 14 days, seven that have one or eight that lack one decide.
                    if trains & hour:
                        having += 1
                        if having == HALF_OF_DAYS:
                            break
                    else:
                        lacking += 1
                        if lacking > HALF_OF_DAYS:
                            break
            if having >= lacking:
                busy |= hour
        return busy

    def _line(self, rows: Iterable[_Row]) -> dict[str, float]:
        records = [(row[4] or 0, row[5] or 0.0) for row in rows if row[5]]
        prior = _prior(records)
        if prior is None:
            return {
                "chance_day": 0.0,
                "chance_hour": 0.0,
                "prior_days": 0.0,
                "prior_shape": 0.0,
                "sections": 0,
            }
        chances = [self._chance(prior.after(*record).mean) for record in records]
        return {
            "chance_day": _digits(fsum(day for day, _ in chances)),
            "chance_hour": _digits(fsum(hour for _, hour in chances)),
            "prior_days": _digits(prior.exposure),
            "prior_shape": _digits(prior.shape),
            "sections": len(records),
        }

    def _chance(self, rate: float) -> tuple[float, float]:
        """Clusters by chance in a year at *rate* a day: 3 within a day, 2 within an hour.

        At most one for every window: at rates at which they merge, more of them say nothing.
        """
        grain = round(log(rate) * _GRAIN)
        found = self._chances.get(grain)
        if found is None:
            near = exp(grain / _GRAIN)
            day = min(cluster_rate(3, near, 1.0), 1.0) * YEAR_DAYS
            hour = min(cluster_rate(2, near, 1 / 24), 24.0) * YEAR_DAYS
            if len(self._chances) >= 16_384:
                self._chances.clear()
            found = self._chances[grain] = day, hour
        return found


def _median(gaps: array[int]) -> Duration | None:
    if len(gaps) < GAPS:
        return None
    ordered = sorted(gaps)
    return (ordered[GAPS // 2 - 1] + ordered[GAPS // 2]) // 2


def _longest(lengths: array[int]) -> Duration | None:
    if len(lengths) < LENGTHS_LEAST:
        return None
    return sorted(lengths)[-(-len(lengths) * 99 // 100) - 1]


def _prior(records: list[tuple[float, float]]) -> Gamma | None:
    """The line's prior; a weak one where the sections do not tell how they differ."""
    prior = line_prior(records)
    if prior is None:
        return None
    alike = prior.shape >= sum(count for count, _ in records)
    if (alike or len(records) < FEW) and prior.shape > 1:
        return Gamma(1.0, prior.exposure / prior.shape)
    return prior


def _in_seconds(length: Duration | None) -> float | None:
    return None if length is None else round(length / SECOND, 3)


def _digits(value: float) -> float:
    return float(f"{value:.6g}")


# Back from the record.


def read_learnt(values: dict[str, Any]) -> tuple[Moment, dict[str, Usual]]:
    """What the values of a `learnt` record say: up to when, and of each section.

    Raises:
        ValueError: they are none; the message says in one line what is wrong.
    """
    until = _until(values)
    line, sections = values.get("line"), values.get("sections")
    if not isinstance(line, dict) or not isinstance(sections, dict):
        raise ValueError("learnt: line and sections must be tables")  # noqa: TRY004 - a record at fault, whatever its fault
    if values.get("columns") != _COLUMNS:
        raise ValueError("learnt: columns are not the ones known here")
    shared: dict[str, Any] = {
        "counted_until": until,
        "prior_shape": _number(line.get("prior_shape"), "prior_shape"),
        "prior_days": _number(line.get("prior_days"), "prior_days"),
        "sections": _whole(line.get("sections"), "sections"),
        "line_chance_day": _number(line.get("chance_day"), "chance_day"),
        "line_chance_hour": _number(line.get("chance_hour"), "chance_hour"),
    }
    # Most sections of a line share their hours: one set for all of them.
    hours: dict[int, frozenset[int]] = {}
    return until, {
        name: _usual(name, row, shared, hours) for name, row in sections.items()
    }


def _until(values: dict[str, Any]) -> Moment:
    text = values.get("until")
    if not isinstance(text, str):
        raise ValueError("learnt: until is missing")  # noqa: TRY004 - as above
    try:
        until = parse(text)
    except ValueError as error:
        raise ValueError(f"learnt: until: {error}") from None
    if until != midnight_before(until):
        raise ValueError(f"learnt: until {stamp(until)} is not 00:00 UTC")
    return until


def _usual(
    name: str, row: Any, shared: dict[str, Any], hours: dict[int, frozenset[int]]
) -> Usual:
    if not isinstance(row, list) or len(row) != len(_COLUMNS):
        raise ValueError(f"learnt: {name!r:.60}: not {len(_COLUMNS)} numbers")
    gap, longest, busy, days, disturbances, exposure = row
    where = f"{name!r:.60}"
    if busy is not None:
        bits = _whole(busy, f"{where}: hours")
        if bits >> 24:
            raise ValueError(f"learnt: {where}: hours beyond the 24 of a day")
        if bits not in hours:
            hours[bits] = frozenset(hour for hour in range(24) if bits >> hour & 1)
        busy = hours[bits]
    return Usual(
        gap_median=_length(gap, f"{where}: gap_s"),
        longest=_length(longest, f"{where}: longest_s"),
        hours=busy,
        days_seen=_number(days, f"{where}: days_seen"),
        disturbances=_whole(disturbances, f"{where}: disturbances"),
        exposure_days=_number(exposure, f"{where}: exposure_days"),
        **shared,
    )


def _length(value: Any, what: str) -> Duration | None:
    return None if value is None else seconds(_number(value, what))


def _number(value: Any, what: str) -> float:
    """A number of nought or more; 1e12 is beyond anything that is counted or measured here."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"learnt: {what}: no number")  # noqa: TRY004 - as above
    if not 0 <= value <= 1e12:
        raise ValueError(f"learnt: {what}: {value!r:.30} is out of range")
    return float(value)


def _whole(value: Any, what: str) -> int:
    number = _number(value, what)
    if number != int(number):
        raise ValueError(f"learnt: {what}: {value!r:.30} is not whole")
    return int(number)
