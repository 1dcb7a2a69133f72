"""What was seen of each section in a period, read off the history: spells, moments, and trains by the hour."""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from monitor.core.facts import FactKind
from monitor.core.layout import Line
from monitor.core.moments import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
)
from monitor.history import HOURS, History
from monitor.planner.occasions import of_section
from monitor.planner.spells import (
    Spell,
    is_in,
    longest,
    together,
    within,
    without,
)

AFTER_WORK: Duration = HOUR
"""So long after work what is disturbed may be its doing (common practice: what was worked on is settled within the first trains)."""

AT_START: Duration = 10 * MINUTE
"""An evaluator that comes into service shows its sections disturbed until each is reset (EULYNX SCI-TDS: start-up comes up disturbed); so long that counts for its start."""

ENOUGH_DAYS = 7
"""With fewer days on which a section was available it is taken from the weeks before whether an hour is one with trains."""

WEEKS_BEFORE: Duration = 28 * DAY
"""Those weeks: every day of the week comes four times."""

LISTED: Duration = 366 * DAY
"""Months of which nothing is known yet are listed for so long."""

CLOCKS: Duration = 10 * SECOND
"""A reset is told by another clock than what it gives back, and takes a while (as `reset_effect_s`)."""

Numbers = npt.NDArray[np.int64]

Why = Literal["under_work", "after_work", "at_start"]
"""Why something is counted apart."""

_Found = tuple["Section", Moment, Moment | None, dict[str, Any]]


@dataclass(slots=True)
class Section:
    """What was seen of one section.

    Args:
        watched: when it was.
        dark: when it was not, within the period.
        work: when it was under work, with a little before.
        starts: when its evaluator came into service.
        heard: when it was heard first.
        disturbed: when, and whether that was a spurious occupation; those that count.
        under_work: how many disturbances fell under work.
        after_work: within an hour after it.
        at_start: when its evaluator started.
        resets: accepted: kind, whether a train followed, whether counted apart.
        failed: spells not available, not under work, as far as they were watched.
        apart: of those, what belongs to an occasion that is counted apart.
        back: how long each took that counts, in seconds, and whether that was its end.
        no_train: spells occupied with no train seen, likewise; those that count.
        held: trains held by it, likewise.
        held_apart: trains held by what is counted apart.
        still: it had not been given back by the end.
        outages: each time that it was not available as a whole: from when, up to when, and why it is counted apart.
    """

    watched: list[Spell] = field(default_factory=list)
    dark: list[Spell] = field(default_factory=list)
    work: list[Spell] = field(default_factory=list)
    starts: tuple[Moment, ...] = ()
    heard: Moment | None = None
    disturbed: list[tuple[Moment, bool]] = field(default_factory=list)
    under_work: int = 0
    after_work: int = 0
    at_start: int = 0
    resets: list[tuple[str, bool, bool]] = field(default_factory=list)
    failed: list[Spell] = field(default_factory=list)
    apart: list[Spell] = field(default_factory=list)
    back: list[tuple[float, bool]] = field(default_factory=list)
    no_train: list[Spell] = field(default_factory=list)
    held: int = 0
    held_apart: int = 0
    still: bool = False
    outages: list[tuple[Moment, Moment, Why | None]] = field(default_factory=list)

    def outage(
        self, at: Moment, later: Duration = 0
    ) -> tuple[Moment, Moment, Why | None] | None:
        """The time not available in which *at* lies, or so much *later* than its end; None: in none."""
        found = None
        for one in self.outages:
            if one[0] <= at < one[1] + later:
                found = one
        return found

    @property
    def failed_counted(self) -> list[Spell]:
        """When it was not available, but for what is counted apart."""
        return without(self.failed, self.apart)

    @property
    def occasions(self) -> tuple[Moment, ...]:
        """When each of its occasions began."""
        return of_section(at for at, _ in self.disturbed)

    @property
    def dark_longest(self) -> Duration:
        """The longest spell not observed."""
        return longest(self.dark)

    @property
    def in_use(self) -> list[Spell]:
        """When it was watched and could be disturbed: what is not available, or under work, is not disturbed anew."""
        return without(self.watched, together([*self.failed, *self.work]))


@dataclass(frozen=True, slots=True)
class Clockface:
    """The hours of a period: which hour of the day, and which month, each is in local time.

    Args:
        begin: 00:00 UTC of the first day.
        hour: by day and hour, UTC: the hour of the day where the line is.
        month: likewise, the place of the month in `months`.
        inside: likewise, whether it begins within the period.
        months: `2026-05`.
        runs: days that are alike in all of these, as the first of them and the first after them.
    """

    begin: Moment
    hour: Numbers
    month: Numbers
    inside: npt.NDArray[np.bool_]
    months: tuple[str, ...]
    runs: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, begin: Moment, end: Moment, zone: tzinfo) -> Clockface:
        """That of the time from *begin* up to *end*."""
        first = begin - begin % DAY
        days = max(1, -(-(end - first) // DAY))
        starts = [first + at * HOUR for at in range(days * HOURS)]
        local = [as_datetime(at).astimezone(zone) for at in starts]
        names = [f"{one:%Y-%m}" for one in local]
        inside = np.array([begin <= at < end for at in starts])
        held = [name for name, here in zip(names, inside, strict=True) if here]
        months = tuple(dict.fromkeys(held)) or (names[0],)
        place = {name: at for at, name in enumerate(months)}
        shape = (days, HOURS)
        hour = np.array([one.hour for one in local]).reshape(shape)
        month = np.array([place.get(name, 0) for name in names]).reshape(shape)
        inside = inside.reshape(shape)
        told = np.concatenate([hour, month, inside], axis=1)
        others = np.flatnonzero((told[1:] != told[:-1]).any(axis=1)) + 1
        edges = [0, *map(int, others), days]
        return cls(
            begin=first,
            hour=hour,
            month=month,
            inside=inside,
            months=months,
            runs=tuple(itertools.pairwise(edges)),
        )

    def by_hour(self, sums: Numbers) -> Numbers:
        """Numbers by section and hour of the day where the line is, of *sums* by run, section and hour, UTC."""
        found = np.zeros((sums.shape[1], HOURS), np.int64)
        for (day, _), run in zip(self.runs, sums, strict=True):
            for at, hour in enumerate(self.hour[day]):
                found[:, hour] += run[:, at]
        return found

    def by_month(self, sums: Numbers) -> Numbers:
        """Likewise by month."""
        found = np.zeros((sums.shape[1], len(self.months)), np.int64)
        for (day, _), run in zip(self.runs, sums, strict=True):
            for at, month in enumerate(self.month[day]):
                found[:, month] += run[:, at]
        return found

    def at(self, moment: Moment) -> tuple[int, int]:
        """The hour of the day and the place of the month of *moment*."""
        day, rest = divmod(moment - self.begin, DAY)
        place = min(max(int(day), 0), len(self.hour) - 1), int(rest // HOUR)
        return int(self.hour[place]), int(self.month[place])


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was seen of a line in a period.

    Args:
        begin: of it.
        end: of it; what of it nothing is known of is dark.
        sections: by id, each of the line file.
        clock: the hours of the period.
        by_hour: trains by section, in the order of the line file, and hour of the day.
        by_month: likewise by month.
        counted: trains whose axles were told, by section.
        axles: of those.
        busy: by section and hour of the day, whether that is an hour with trains.
        passages: of each head of which the feed tells them, as subject, with their axles.
    """

    begin: Moment
    end: Moment
    sections: dict[str, Section]
    clock: Clockface
    by_hour: Numbers
    by_month: Numbers
    counted: Numbers
    axles: npt.NDArray[np.float64]
    busy: npt.NDArray[np.bool_]
    passages: dict[str, tuple[int, int]]

    def busy_length(self, at: int, spells: Iterable[Spell]) -> Duration:
        """How much of *spells* lies in hours with trains at the section that is *at* in order."""
        total = 0
        for begin, end in spells:
            one = begin
            while one < end:
                until = min(end, one - one % HOUR + HOUR)
                if self.busy[at, self.clock.at(one)[0]]:
                    total += until - one
                one = until
        return total


def see(
    history: History, line: Line, begin: Moment, end: Moment, reached: Moment
) -> Seen:
    """What was seen from *begin* up to *end*; from *reached* on, where that is earlier, nothing was."""
    known = max(begin, min(end, reached))
    sections = seen_sections(history, line, begin, known)
    for section in sections.values():
        section.dark = together([*section.dark, (known, end)])
    clock = Clockface.of(begin, min(end, known + LISTED), line.zone)
    trains = _trains(history, list(sections), clock, begin, known)
    hours_seen = _hours_seen(trains.through, sections, clock, known)
    return Seen(
        begin=begin,
        end=end,
        sections=sections,
        clock=clock,
        by_hour=clock.by_hour(trains.sums),
        by_month=clock.by_month(trains.sums),
        counted=trains.counted,
        axles=trains.axles,
        busy=_busy(history, line, sections, hours_seen, begin),
        passages=history.passages(begin, known) if known > begin else {},
    )


def seen_sections(
    history: History, line: Line, begin: Moment, end: Moment
) -> dict[str, Section]:
    """What was seen of each section from *begin* up to *end*, its trains left aside."""
    sections, found = _disturbances(history, line, begin, end)
    _resets(found, begin, end)
    _stood(found, sections, begin, end)
    return sections


def disturbances(
    history: History, line: Line, begin: Moment, end: Moment
) -> dict[str, Section]:
    """Of that only when each section was disturbed, and when it could have been: for who needs no more, in half the time."""
    sections, _ = _disturbances(history, line, begin, end)
    return sections


def _disturbances(
    history: History, line: Line, begin: Moment, end: Moment
) -> tuple[dict[str, Section], _Facts]:
    sections = {name: Section() for name in line.sections}
    found = _Facts(history, sections)
    failed = list(found.of("failed", begin, end))
    _watched(found, sections, line, begin, end)
    # What began before the period may be the doing of work before it.
    _work(found, sections, min([began for _, began, _, _ in failed] + [begin]), end)
    _failed(failed, sections, begin, end)
    _disturbed(found, begin, end)
    return sections, found


class _Facts:
    """Facts, each with its section, where the line file has it.

    Args:
        history: in which they stand.
        sections: by id.
    """

    def __init__(self, history: History, sections: dict[str, Section]) -> None:
        self.history = history
        self._sections = {f"section/{name}": one for name, one in sections.items()}

    def of(self, kind: FactKind, begin: Moment | None, end: Moment) -> Iterator[_Found]:
        """Those of *kind*, by time: section, began, ended and what else is known."""
        sections = self._sections
        for subject, began, ended, values in self.history.rows(kind, begin, end):
            section = sections.get(subject)
            if section is not None:
                yield section, began, ended, values


def _watched(
    found: _Facts,
    sections: dict[str, Section],
    line: Line,
    begin: Moment,
    end: Moment,
) -> None:
    for section, began, _, _ in found.of("heard", None, end):
        before = section.heard
        section.heard = began if before is None else min(before, began)
    for section, began, ended, _ in found.of("not-known", begin, end):
        section.dark.append((began, end if ended is None else ended))
    starts = _starts(found.history, end)
    for name, section in sections.items():
        heard = end if section.heard is None else min(section.heard, end)
        dark = [*section.dark, (begin, heard)]
        section.dark = within(dark, begin, end)
        section.watched = without(within([(begin, end)], begin, end), section.dark)
        section.starts = tuple(starts.get(line.sections[name].evaluator, ()))


def _work(
    found: _Facts, sections: dict[str, Section], begin: Moment, end: Moment
) -> None:
    for section, began, ended, _ in found.of("work", begin - AFTER_WORK, end):
        section.work.append((began, end if ended is None else ended))
    for section in sections.values():
        section.work = together(section.work)


def _starts(history: History, end: Moment) -> dict[str, list[Moment]]:
    """When each evaluator came into service; not where it was heard to be in it first."""
    found: dict[str, list[Moment]] = {}
    known: set[str] = set()
    for subject, began, _, values in history.rows("service", None, end):
        name = subject.partition("/")[2]
        if values.get("state") == "in_service" and name in known:
            found.setdefault(name, []).append(began)
        known.add(name)
    return found


def _why(at: Moment, values: dict[str, Any], section: Section) -> Why | None:
    """Why what began *at* that moment is counted apart; None: it counts."""
    if values.get("under_work") or is_in(at, section.work):
        return "under_work"
    if any(over <= at < over + AFTER_WORK for _, over in section.work):
        return "after_work"
    return "at_start" if _started(section.starts, at) else None


def _failed(
    failed: Iterable[_Found],
    sections: dict[str, Section],
    begin: Moment,
    end: Moment,
) -> None:
    """What was not available: what is counted apart at its beginning is so until it is given back."""
    for section, began, ended, values in failed:
        until = end if ended is None else min(ended, end)
        section.failed.append((began, until))
        section.still = section.still or ended is None or ended > end
        why = _why(began, values, section)
        section.outages.append((began, until, why))
        if why is not None:
            section.apart.append((began, until))
        elif began >= begin and values.get("began_seen", True):
            over = ended is not None and ended <= end
            over = over and bool(values.get("ended_seen", True))
            section.back.append(_took(began, until, section, over=over))
    for section in sections.values():
        section.failed = _kept(section.failed, section, begin, end)
        section.apart = _kept(section.apart, section, begin, end)


def _disturbed(found: _Facts, begin: Moment, end: Moment) -> None:
    for section, at, _, values in found.of("disturbance", begin, end):
        outage = section.outage(at)
        match _why(at, values, section) or (outage and outage[2]):
            case "under_work":
                section.under_work += 1
            case "after_work":
                section.after_work += 1
            case "at_start":
                section.at_start += 1
            case None:
                section.disturbed.append((at, bool(values.get("spurious"))))


def _started(starts: tuple[Moment, ...], at: Moment) -> bool:
    """Whether an evaluator had come into service shortly before *at*; its sections may say so a moment before itself."""
    before = bisect_right(starts, at + MINUTE)
    return before > 0 and at - starts[before - 1] < AT_START


def _resets(found: _Facts, begin: Moment, end: Moment) -> None:
    for section, began, _, values in found.of("reset", begin, end):
        if values.get("step") != "accepted":
            continue
        followed = values.get("proved_at") is not None
        apart = bool(values.get("under_work")) or is_in(began, section.work)
        if not apart:
            # It goes with what it gave back, which was clear a moment before where clocks differ.
            outage = section.outage(began, CLOCKS)
            why = outage[2] if outage else _why(began, values, section)
            apart = why is not None
        section.resets.append((str(values.get("kind")), followed, apart))


def _stood(
    found: _Facts, sections: dict[str, Section], begin: Moment, end: Moment
) -> None:
    """What stood in a section with no train seen, and before it."""
    for section, began, ended, values in found.of("no-train", begin, end):
        if _why(began, values, section) is None:
            section.no_train.append((began, end if ended is None else ended))
    for section, began, ended, _ in found.of("held", begin, end):
        if ended is None or not begin <= ended < end:
            continue
        if within(section.apart, began, ended) and not within(
            section.failed_counted, began, ended
        ):
            section.held_apart += 1
        else:
            section.held += 1
    for section in sections.values():
        section.no_train = _kept(section.no_train, section, begin, end)


def _kept(
    spells: list[Spell], section: Section, begin: Moment, end: Moment
) -> list[Spell]:
    """What of *spells* was watched, and not under work."""
    if not spells:
        return spells
    return without(without(within(spells, begin, end), section.dark), section.work)


def _took(
    began: Moment, until: Moment, section: Section, *, over: bool
) -> tuple[float, bool]:
    """How long it took, as far as that was seen; work cuts it off."""
    for begin, _ in section.work:
        if began < begin < until:
            until, over = begin, False
    return (until - began) / 1_000_000, over


@dataclass(frozen=True, slots=True)
class _Trains:
    """The trains of a period, by section in the order of the line file.

    Args:
        sums: by run of days that are alike, section and hour, UTC.
        through: by section, day and hour, UTC, whether any worked through.
        counted: those whose axles were told, by section.
        axles: of those.
    """

    sums: Numbers
    through: npt.NDArray[np.bool_]
    counted: Numbers
    axles: npt.NDArray[np.float64]


def _trains(
    history: History, names: list[str], clock: Clockface, begin: Moment, end: Moment
) -> _Trains:
    """The trains from *begin* up to *end*."""
    place = {f"section/{name}": at for at, name in enumerate(names)}
    number, days = len(names), len(clock.hour)
    found = _Trains(
        sums=np.zeros((len(clock.runs), number, HOURS), np.int64),
        through=np.zeros((number, days, HOURS), np.bool_),
        counted=np.zeros(number, np.int64),
        axles=np.zeros(number),
    )
    run_of = np.repeat(
        np.arange(len(clock.runs)), [last - first for first, last in clock.runs]
    )
    # The same sections have trains on most days.
    subjects, at, rows = "", np.zeros(0, np.int64), np.zeros(0, np.int64)
    for one in history.traffic_days(begin, end) if end > begin else ():
        if one.subjects != subjects:
            subjects = one.subjects
            places = [place.get(name, -1) for name in subjects.split("\n")]
            known = np.array(places, np.int64)
            rows = np.flatnonzero(known >= 0)
            at = known[rows]
        day = one.day - clock.begin // DAY
        inside = clock.inside[day]
        hours = np.frombuffer(one.trains, np.uint32).reshape(-1, HOURS)[rows]
        counted = np.fromstring(one.counted, np.int64, sep=",")[rows]
        axles = np.fromstring(one.axles, np.int64, sep=",")[rows]
        if not inside.all():
            here = hours * inside
            # Of a day that is cut by the period, as many axles as of its trains.
            part = here.sum(axis=1) / np.maximum(hours.sum(axis=1), 1)
            hours = here
            counted = np.rint(counted * part).astype(np.int64)
            axles = np.rint(axles * part).astype(np.int64)
        found.sums[run_of[day], at] += hours
        found.through[at, day] = hours > 0
        found.counted[at] += counted
        found.axles[at] += axles
    return found


def _hours_seen(
    trains: npt.NDArray[np.bool_],
    sections: dict[str, Section],
    clock: Clockface,
    end: Moment,
) -> tuple[Numbers, Numbers]:
    """By section and hour of the day: on how many days it was watched and available for the whole of that hour, and on how many of them a train worked through.

    A section that is not available lets no train through, and that says nothing of whether one wanted to.
    """
    seen = np.broadcast_to(clock.inside, trains.shape).copy()
    seen.reshape(len(trains), -1)[:, max(0, (end - clock.begin) // HOUR) :] = False
    for at, section in enumerate(sections.values()):
        flat = seen[at].reshape(-1)
        for begin, until in (*section.dark, *section.failed, *section.work):
            first = (begin - clock.begin) // HOUR
            last = -(-(until - clock.begin) // HOUR)
            flat[max(first, 0) : max(last, 0)] = False
    return clock.by_hour(_days(seen, clock)), clock.by_hour(_days(trains & seen, clock))


def _days(hours: npt.NDArray[np.bool_], clock: Clockface) -> Numbers:
    """On how many days it was so, by run of days that are alike, section and hour, UTC."""
    runs = [hours[:, first:last].sum(axis=1) for first, last in clock.runs]
    return np.stack(runs)


def _busy(
    history: History,
    line: Line,
    sections: dict[str, Section],
    seen: tuple[Numbers, Numbers],
    begin: Moment,
) -> npt.NDArray[np.bool_]:
    """The hours of the day in which, on at least half of the days that saw that hour whole, a train worked through.

    Where a section was available on few days, those of the weeks before are taken in; where that leaves none, or no train was ever seen there, the hours are those of most other sections.
    """
    days, through = seen
    failed = np.array([bool(one.failed) for one in sections.values()], np.bool_)
    few = failed[:, None] & (days < ENOUGH_DAYS)
    if few.any():
        first = begin - WEEKS_BEFORE
        before = seen_sections(history, line, first, begin)
        clock = Clockface.of(first, begin, line.zone)
        trains = _trains(history, list(before), clock, first, begin)
        more_days, more_through = _hours_seen(trains.through, before, clock, begin)
        days = days + np.where(few, more_days, 0)
        through = through + np.where(few, more_through, 0)
    found = (days > 0) & (through * 2 >= days)
    # That no train ever came through what is hardly ever available tells nothing.
    known = (days > 0) & ~(few & (through.sum(axis=1) == 0)[:, None])
    others = found.sum(axis=0) * 2 >= np.maximum(known.sum(axis=0), 1)
    return np.where(known, found, others[None, :])
