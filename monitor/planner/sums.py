"""What was seen of each section, added up by what sections need: the figures of a report's rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from monitor.core.moments import HOUR, Moment
from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.waiting import lasting, within as within_share
from monitor.history import HOURS
from monitor.planner.figures import (
    Apart,
    Detail,
    Figures,
    GivenBack,
    Kind,
    Resets,
    Season,
    Slot,
)
from monitor.planner.occasions import of_several
from monitor.planner.passages import Trains, passing
from monitor.planner.seasons import seasons_of
from monitor.planner.seen import Numbers, Section, Seen
from monitor.planner.spells import length
from monitor.planner.whereabouts import Whereabouts


class Sums:
    """What was seen, added up.

    Args:
        seen: of a period.
        there: the places of the line.
        period: how long that is.
        alerts: how many were raised in it, by subject.

    Attributes:
        seen: likewise.
        place: of each section in the order of the line file.
    """

    def __init__(
        self, seen: Seen, there: Whereabouts, period: int, alerts: Mapping[str, int]
    ) -> None:
        self.seen = seen
        self.place = {name: at for at, name in enumerate(seen.sections)}
        self._period = period
        self._alerts = alerts
        self._there = there
        # Once for each section, not for each row in which it stands.
        self._sections = {
            name: _Section(one, seen, at)
            for at, (name, one) in enumerate(seen.sections.items())
        }

    def whole(self) -> Figures:
        """The line."""
        return self._row("line", tuple(self.seen.sections))

    def occasions(self, sections: Sequence[str]) -> tuple[Moment, ...]:
        """When each occasion of *sections* together began."""
        return of_several(self._sections[name].occasions for name in sections)

    def per_trains(
        self, sections: Sequence[str], like: Figures | None = None
    ) -> Counted:
        """Occasions of *sections* together, in so many thousand trains: as `Figures` has it, for who needs no more.

        Args:
            sections: by id.
            like: a row of another period, by which trains are to be counted; where they are counted otherwise here there is nothing to compare.
        """
        count = len(self.occasions(sections))
        if like is None or not like.by:
            trains = sum(self._sections[name].trains for name in sections)
            return Counted(count, trains / 1000)
        found = self._trains(like.subject, sections)
        return Counted(count, found.trains / 1000 if found.by == like.by else 0.0)

    def _trains(self, subject: str, sections: Sequence[str]) -> Trains:
        every = [self._sections[name] for name in sections]
        beside = [Trains(one.trains, one.counted, one.axles, "") for one in every]
        if subject.startswith("head/"):
            return passing(self.seen.passages.get(subject), beside)
        return Trains(
            sum(one.trains for one in beside),
            sum(one.counted for one in beside),
            sum(one.axles for one in beside),
            "",
        )

    def rows(self, kind: Kind) -> tuple[Figures, ...]:
        """A row for each thing of *kind* that the line file has."""
        return tuple(
            self._row(subject, self._there.sections(subject))
            for subject in self._subjects(kind)
        )

    def _subjects(self, kind: Kind) -> list[str]:
        line = self._there.line
        heads = line.heads.values()
        found: dict[Kind, Iterable[str | None]] = {
            "section": line.sections,
            "head": line.heads,
            "unit": (one.unit for one in heads),
            "cable": (one.cable for one in heads),
            "evaluator": line.evaluators,
            "site": (one.site for one in line.evaluators.values()),
        }
        return [f"{kind}/{name}" for name in dict.fromkeys(found[kind]) if name]

    def _row(self, subject: str, sections: tuple[str, ...]) -> Figures:
        every = [self._sections[name] for name in sections]
        seen = [one.seen for one in every]
        through = self._trains(subject, sections)
        return Figures(
            subject=subject,
            place=self._where(subject),
            ref=self._there.register(subject),
            sections=sections,
            period=self._period,
            watched=sum(one.watched for one in every) // max(len(every), 1),
            dark_longest=max((one.dark_longest for one in every), default=0),
            heard=any(one.watched for one in every),
            new=any(one.new for one in every),
            disturbances=sum(len(one.disturbed) for one in seen),
            spurious=sum(one.spurious for one in every),
            occasions=len(self.occasions(sections)),
            apart=_apart(seen, sum(one.failed_apart for one in every)),
            resets=_resets(one for section in seen for one in section.resets),
            no_train=sum(one.no_train for one in every),
            failed=sum(one.failed for one in every),
            failed_busy=sum(one.failed_busy for one in every),
            trains=through.trains,
            by=through.by,
            counted=through.counted,
            axles=round(through.axles),
            held=sum(one.held for one in seen),
            still=any(one.still for one in seen),
            given_back=_given_back([one for section in seen for one in section.back]),
            alerts=self._alerts.get(subject, 0),
        )

    def _where(self, subject: str) -> str:
        if subject == "line":
            return ""
        spot = self._there.spot(subject)
        kilometres = ""
        if spot.low is not None and spot.high is not None:
            kilometres = f"km {spot.low:g}"
            if spot.high - spot.low >= 0.05:
                kilometres += f" to {spot.high:g}"
        site = "" if subject.startswith("site/") else spot.site
        return ", ".join(one for one in (site, kilometres) if one)

    def detail(self, subject: str) -> Detail:
        """What else is known of *subject*."""
        sections = self._there.sections(subject)
        through = sections
        if subject.startswith("head/"):
            # A train counts once at a head: by month and hour it is one of the busier section.
            busiest = max(sections, key=lambda name: self._sections[name].trains)
            through = (busiest,)
        found = [
            (at, name, spurious)
            for name in sections
            for at, spurious in self.seen.sections[name].disturbed
        ]
        return Detail(
            months=self.months(sections, through),
            hours=self.hours(sections, through),
            disturbed=tuple(sorted(found)),
        )

    def months(
        self,
        sections: Sequence[str] | None = None,
        through: Sequence[str] | None = None,
    ) -> tuple[Slot, ...]:
        """The months of the period, of *sections* or the whole line, and of the trains *through* these or others."""
        seen = self.seen
        some = tuple(seen.sections) if sections is None else sections
        shares = self._shares(some, seen.clock.month, len(seen.clock.months))
        names = seen.clock.months
        return self._slots(some, names, 1, self._added(seen.by_month, through), shares)

    def seasons(self) -> tuple[Season, ...]:
        """The seasons of the period; () where too little of the year was seen."""
        months, clock = self.months(), self.seen.clock
        hours = [
            int((clock.month == at)[clock.inside].sum()) for at in range(len(months))
        ]
        return seasons_of(
            clock.months,
            [one.disturbances for one in months],
            [one.occasions for one in months],
            [one.trains for one in months],
            [
                (one.share or 0.0) * number / HOURS
                for one, number in zip(months, hours, strict=True)
            ],
        )

    def hours(
        self,
        sections: Sequence[str] | None = None,
        through: Sequence[str] | None = None,
    ) -> tuple[Slot, ...]:
        """The hours of the day, likewise."""
        seen = self.seen
        some = tuple(seen.sections) if sections is None else sections
        names = [f"{at:02d}" for at in range(HOURS)]
        shares = self._shares(some, seen.clock.hour, HOURS)
        return self._slots(some, names, 0, self._added(seen.by_hour, through), shares)

    def _added(self, trains: Numbers, sections: Sequence[str] | None) -> Numbers:
        """The trains through *sections*, or all, by slot."""
        some = trains
        if sections is not None:
            some = trains[[self.place[name] for name in sections]]
        added: Numbers = some.sum(axis=0)
        return added

    def _slots(
        self,
        sections: Sequence[str],
        names: Sequence[str],
        which: int,
        trains: Numbers,
        shares: Sequence[float],
    ) -> tuple[Slot, ...]:
        at = self.seen.clock.at
        every = [self.seen.sections[name] for name in sections]
        counts = Counter(
            at(moment)[which] for one in every for moment, _ in one.disturbed
        )
        occasions = Counter(at(moment)[which] for moment in self.occasions(sections))
        return tuple(
            Slot(
                name=name,
                disturbances=counts[place],
                occasions=occasions[place],
                trains=int(number),
                share=share,
            )
            for place, (name, number, share) in enumerate(
                zip(names, trains, shares, strict=True)
            )
        )

    def _shares(
        self, sections: Sequence[str], slot: Numbers, number: int
    ) -> list[float]:
        """The share of each of *number* slots that was observed, over all *sections*; *slot* says in which each hour of the period is."""
        seen, clock = self.seen, self.seen.clock
        flat = slot.reshape(-1)
        starts = clock.begin + np.arange(len(flat) + 1, dtype=np.int64) * HOUR
        watched = self._watched_by_hour(sections, starts)
        edges = np.clip(starts, seen.begin, max(seen.end, seen.begin))
        there = np.diff(edges // 1000).astype(np.float64) * max(len(sections), 1)
        took = np.bincount(flat, watched, number)
        whole = np.bincount(flat, there, number)
        return [
            float(min(one / all_of_it, 1.0)) if all_of_it else 0.0
            for one, all_of_it in zip(took, whole, strict=True)
        ]

    def _watched_by_hour(
        self, sections: Sequence[str], starts: Numbers
    ) -> npt.NDArray[np.float64]:
        """How long *sections* were watched in each hour between *starts*, in milliseconds, added up."""
        seen = self.seen
        spells = [spell for name in sections for spell in seen.sections[name].watched]
        begins, ends = np.array(spells, np.int64).reshape(-1, 2).T
        # What of all spells lies before a moment: how long ago they began, less how long ago they ended.
        # In milliseconds of the period, for which the sums of many find room.
        first = starts[0]
        moments = (starts - first) // 1000
        begun, over = (
            _before(np.sort((edge - first) // 1000), moments) for edge in (begins, ends)
        )
        return np.diff(begun - over)


class _Section:
    """What was seen of one section, added up.

    Args:
        seen: of it.
        all_seen: of the line.
        at: its place in the order of the line file.
    """

    __slots__ = (
        "axles", "counted", "dark_longest", "failed", "failed_apart", "failed_busy", "new", "no_train",
        "occasions", "seen", "spurious", "trains", "watched",
    )  # fmt: skip

    def __init__(self, seen: Section, all_seen: Seen, at: int) -> None:
        self.seen = seen
        self.occasions = seen.occasions
        self.watched = length(seen.watched)
        self.dark_longest = seen.dark_longest
        self.new = seen.heard is not None and all_seen.begin < seen.heard < all_seen.end
        self.spurious = sum(spurious for _, spurious in seen.disturbed)
        self.no_train = length(seen.no_train)
        counted = seen.failed_counted
        self.failed = length(counted)
        self.failed_apart = length(seen.apart)
        self.failed_busy = all_seen.busy_length(at, counted)
        self.trains = int(all_seen.by_hour[at].sum())
        self.counted = int(all_seen.counted[at])
        self.axles = float(all_seen.axles[at])


def _apart(seen: Sequence[Section], failed: int) -> Apart:
    return Apart(
        under_work=sum(one.under_work for one in seen),
        after_work=sum(one.after_work for one in seen),
        at_start=sum(one.at_start for one in seen),
        failed=failed,
        held=sum(one.held_apart for one in seen),
    )


def _resets(found: Iterable[tuple[str, bool, bool]]) -> tuple[Resets, ...]:
    counts = Counter(found)
    kinds = dict.fromkeys(kind for kind, _, _ in counts)
    return tuple(
        Resets(
            kind=kind,
            accepted=counts[kind, True, False] + counts[kind, False, False],
            followed=counts[kind, True, False],
            apart=counts[kind, True, True] + counts[kind, False, True],
        )
        for kind in sorted(kinds)
    )


def _given_back(spells: Sequence[tuple[float, bool]]) -> GivenBack:
    curve = lasting(spells)
    return GivenBack(
        number=len(spells),
        going_on=sum(not over for _, over in spells),
        median_s=within_share(curve, 0.5),
        most_s=within_share(curve, 0.9),
    )


def _before(edges: Numbers, moments: Numbers) -> npt.NDArray[np.float64]:
    """For each of *moments*, how long ago each of *edges*, in order, was, added up; those to come are left out.

    Example:
        >>> _before(np.array([1, 4]), np.array([0, 3, 6])).tolist()
        [0.0, 2.0, 7.0]
    """
    number = np.searchsorted(edges, moments, side="right")
    sums = np.concatenate([[0], np.cumsum(edges)])
    gone: npt.NDArray[np.float64] = (number * moments - sums[number]).astype(np.float64)
    return gone
