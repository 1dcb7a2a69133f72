"""Failures that share an asset: several sections at once, and what they all depend on.

Theory.
Sections fail singly, and seldom; that three fail within a minute by chance alone is rarer than any cable.
So when several that depend on one asset are newly disturbed, spuriously occupied or locked out within a short time, it is the asset that has failed, and they are its members.

Which asset: the one on which most of those of the window depend; of several, the one with the fewest dependants (what else would have failed with it did not); then the smallest kind of thing.
An area is what is left when no other asset explains as much, and sections share nothing but the sky: a storm, which takes its time, so its window is longer.

A group is told when it has come to rest, or soon after it became one, whichever is first.
Its asset then stays; members that come later join it, until none has for a while.
It is over when all its members have ended.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import isinf
from typing import ClassVar

from monitor.core.changes import (
    CauseBegan,
    CauseEnded,
    CauseMember,
    CauseOver,
    CauseSeen,
    Change,
    Disturbance,
    ServiceChanged,
    StateChanged,
)
from monitor.core.dependence import Dependence, width
from monitor.core.events import Service, State
from monitor.core.moments import DAY, Duration, Moment
from monitor.core.statistics.poisson import cluster_rate
from monitor.core.words import names, span

YEAR = 365.0
"""Days, for statements of chance."""

AREA = "area/"

Rank = tuple[bool, int, bool, int, int, str]
"""What an asset is chosen by, the least first: whether it took a storm's time, how many failed on it (as a negative number), whether it is an area, how many need it, how wide it is, and which it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """When several failures are one.

    Args:
        members: how many make a group.
        window: within what time they must begin.
        storm: likewise for those that share an area alone; as long, none may have joined for a group to be closed to others.
        rest: a group is told when no member has joined for this long ...
        longest: ... or this long after it became one.
        skew: events up to this far apart may be simultaneous.
    """

    members: int
    window: Duration
    storm: Duration
    rest: Duration
    longest: Duration
    skew: Duration

    def of(self, asset: str) -> Duration:
        """The window for *asset*."""
        return self.storm if asset.startswith(AREA) else self.window


@dataclass(slots=True)
class Group:
    """A cause that was told.

    Args:
        asset: what its members share.
        began: when its first member began.
        members: by subject, in order of joining.
        open: those that have not ended.
        last: when the last member began.
        raised: when it was told first.
    """

    asset: str
    began: Moment
    members: dict[str, CauseMember]
    open: set[str]
    last: Moment
    raised: Moment


@dataclass(slots=True)
class Forming:
    """A cause that has its members and is not told yet.

    Args:
        subjects: its members so far.
        became: when it had enough of them.
        last: when the last joined.
    """

    subjects: set[str]
    became: Moment
    last: Moment


@dataclass(slots=True)
class Causes:
    """All groups of a line.

    Args:
        dependence: what depends on what.
        limits: when several failures are one.
        rate: how often a section is disturbed by chance, a day, or None while that is not learnt.
        groups: the causes that were told, by asset.
        forming: those that have their members and are not told yet.
    """

    hears: ClassVar[frozenset[type[Change]]] = frozenset(
        {Disturbance, ServiceChanged, StateChanged}
    )
    """The kinds of change that `hear` knows, so that others need not be told."""

    dependence: Dependence
    limits: Limits
    rate: Callable[[str], float | None]
    groups: dict[str, Group] = field(default_factory=dict)
    _pool: dict[str, CauseMember] = field(default_factory=dict)
    _ended: set[str] = field(default_factory=set)
    forming: list[Forming] = field(default_factory=list)
    _told: list[Change] = field(default_factory=list)

    # What the engine calls.

    def hear(self, change: Change) -> list[Change]:
        """What *change* means for groups."""
        match change:
            case Disturbance(under_work=False):
                self._failed(
                    f"section/{change.place}",
                    change.happened,
                    change.at,
                    change.event,
                    over=change.spurious,
                )
            case ServiceChanged(now=Service.LOCKED_OUT):
                subject = f"evaluator/{change.place}"
                self._failed(
                    subject, change.so_since, change.at, change.event, over=False
                )
            case ServiceChanged():
                self._over(f"evaluator/{change.place}", change.at)
            case StateChanged() if change.now is not State.DISTURBED:
                self._over(f"section/{change.place}", change.at)
        return self._give()

    def next_due(self) -> Moment | None:
        """When a group will be told, or None while none is forming."""
        return min((self._due(one) for one in self.forming), default=None)

    def _due(self, forming: Forming) -> Moment:
        limits = self.limits
        return min(forming.last + limits.rest, forming.became + limits.longest)

    def wake(self, now: Moment) -> list[Change]:
        """Groups are told: they have come to rest, or waited long enough."""
        for forming in sorted(self.forming, key=self._due):
            if self._due(forming) <= now:
                self.forming.remove(forming)
                while self._tell(forming, now):
                    pass
        return self._give()

    def _give(self) -> list[Change]:
        told = self._told
        if told:
            self._told = []
        return told

    def covering(self, subject: str) -> Group | None:
        """The cause of which *subject* is a member, or None."""
        return next((g for g in self.groups.values() if subject in g.members), None)

    def explain(self, asset: str, at: Moment) -> list[str]:
        """How many failures share *asset* within its window, and how many it takes, in a sentence."""
        limits = self.limits
        length = limits.of(asset)
        near = [
            one
            for one in self._pool.values()
            if at - one.began <= length
            and asset in self.dependence.assets_of(one.subject)
        ]
        failed = [one.subject.partition("/")[2] for one in near]
        listed = f": {names(failed)}" if failed else ""
        dependants = len(self.dependence.sections_on(asset))
        failures = f"{len(failed)} of the {dependants} sections that need it"
        said = f"{failures} failed within {span(length)} and are of no group{listed}."
        return [said]

    # Members.

    def _failed(
        self, subject: str, began: Moment, at: Moment, event: str, *, over: bool
    ) -> None:
        member = CauseMember(subject=subject, began=began, event=event)
        group = self.covering(subject) or self._takes(member)
        if group is not None:
            self._join(group, member, at, over=over)
            return
        self._forget(at)
        self._pool[subject] = member
        self._ended.discard(subject)
        if over:
            self._ended.add(subject)
        self._gather(member, at)

    def _gather(self, newest: CauseMember, at: Moment) -> None:
        """With *newest* there may be enough that share an asset, or one more of them."""
        subjects: set[str] = set()
        # What is found late (an occupation, at its end) failed before others.
        later = [one for one in self._pool.values() if one.began > newest.began]
        for last in (newest, *later):
            asset = self._choose(last)
            if asset is not None:
                near = self._near(last, self.limits.of(asset))
                if newest in near:
                    subjects |= {
                        one.subject
                        for one in near
                        if asset in self.dependence.assets_of(one.subject)
                    }
        if newest.subject not in subjects:
            return
        same = [one for one in self.forming if one.subjects & subjects]
        self.forming = [one for one in self.forming if one not in same]
        became = min((one.became for one in same), default=at)
        self.forming.append(
            Forming(
                subjects=subjects.union(*(one.subjects for one in same)),
                became=became,
                last=at,
            )
        )

    def _near(self, newest: CauseMember, length: Duration) -> list[CauseMember]:
        """Those of the pool that failed at most *length* before *newest*, and itself."""
        return [
            one
            for one in self._pool.values()
            if 0 <= newest.began - one.began <= length
        ]

    def _forget(self, at: Moment) -> None:
        old = at - self.limits.storm - self.limits.longest
        for subject in [s for s, one in self._pool.items() if one.began < old]:
            del self._pool[subject]
            self._ended.discard(subject)

    def _takes(self, member: CauseMember) -> Group | None:
        assets = self.dependence.assets_of(member.subject)
        for group in self.groups.values():
            near = abs(member.began - group.last) <= self.limits.of(group.asset)
            if group.asset in assets and near:
                return group
        return None

    def _join(
        self, group: Group, member: CauseMember, at: Moment, *, over: bool
    ) -> None:
        known = member.subject in group.members
        if not known:
            group.members[member.subject] = member
            group.last = max(group.last, member.began)
        if not over:
            group.open.add(member.subject)
        if not known:
            self._member_told(group, member, at)
            self._seen(group, at)
        self._close(group, at)

    # Which asset.

    def _choose(self, newest: CauseMember) -> str | None:
        """The asset of *newest* that explains most of what failed together with it, or None."""
        chosen = self._ranked(newest)
        return None if chosen is None else chosen[-1]

    def _ranked(self, newest: CauseMember) -> Rank | None:
        """The same with what it is chosen by: the least is the best."""
        mine = self.dependence.assets_of(newest.subject)
        for storm in (False, True):
            length = self.limits.storm if storm else self.limits.window
            counts: dict[str, int] = {}
            for one in self._near(newest, length):
                for asset in self.dependence.assets_of(one.subject):
                    if asset in mine and (not storm or asset.startswith(AREA)):
                        counts[asset] = counts.get(asset, 0) + 1
            enough = [a for a, n in counts.items() if n >= self.limits.members]
            if enough:
                return min(self._rank(asset, counts[asset], storm) for asset in enough)
        return None

    def _rank(self, asset: str, count: int, storm: bool) -> Rank:
        dependants = len(self.dependence.sections_on(asset))
        return storm, -count, asset.startswith(AREA), dependants, width(asset), asset

    def _tell(self, forming: Forming, now: Moment) -> bool:
        """Tell one group out of those that are *forming*; whether there was one."""
        pool = sorted(self._pool.values(), key=lambda one: (one.began, one.subject))
        best: tuple[Rank, CauseMember] | None = None
        for newest in reversed(pool):
            if newest.subject in forming.subjects:
                rank = self._ranked(newest)
                if rank is not None and (best is None or rank < best[0]):
                    best = rank, newest
        if best is None:
            return False
        rank, newest = best
        self._form(rank[-1], newest, pool, now)
        return True

    def _form(
        self, asset: str, newest: CauseMember, pool: list[CauseMember], now: Moment
    ) -> None:
        length = self.limits.of(asset)
        members = [
            one
            for one in pool
            if asset in self.dependence.assets_of(one.subject)
            and newest.began - one.began <= length
        ]
        group = Group(
            asset=asset,
            began=members[0].began,
            members={one.subject: one for one in members},
            open={one.subject for one in members} - self._ended,
            last=max(one.began for one in members),
            raised=now,
        )
        for one in members:
            del self._pool[one.subject]
            self._ended.discard(one.subject)
        before = self.groups.pop(asset, None)
        if before is not None:
            self._end(before, now)
        self.groups[asset] = group
        for one in members:
            self._member_told(group, one, now)
        self._seen(group, now)
        self._close(group, now)

    # Telling.

    def _member_told(self, group: Group, member: CauseMember, at: Moment) -> None:
        kind, _, name = member.subject.partition("/")
        self._told.append(
            CauseBegan(
                place=name,
                at=at,
                subject=member.subject,
                asset=group.asset,
                began=group.began,
                section=kind == "section",
            )
        )

    def _seen(self, group: Group, at: Moment) -> None:
        members = sorted(group.members.values(), key=lambda m: (m.began, m.subject))
        lead = members[1].began - members[0].began if len(members) > 1 else 0
        self._told.append(
            CauseSeen(
                place=group.asset,
                at=at,
                began=group.began,
                raised=group.raised,
                members=tuple(members),
                dependants=len(self.dependence.sections_on(group.asset)),
                lead=lead,
                too_close=lead <= self.limits.skew,
                chance_per_year=self._chance(group, members),
            )
        )

    def _chance(self, group: Group, members: list[CauseMember]) -> float | None:
        """How often a year so many of its dependants would fail within the window by chance, if they failed singly."""
        rates = [self.rate(name) for name in self.dependence.sections_on(group.asset)]
        known = [rate for rate in rates if rate is not None]
        if len(known) < len(rates) or not known:
            return None
        within = max(self.limits.of(group.asset), 1) / DAY
        per_year = cluster_rate(len(members), sum(known), within) * YEAR
        return None if isinf(per_year) else per_year

    # Ends.

    def _over(self, subject: str, at: Moment) -> None:
        if subject in self._pool:
            self._ended.add(subject)
        for group in list(self.groups.values()):
            if subject in group.open:
                group.open.discard(subject)
                self._close(group, at)

    def _close(self, group: Group, at: Moment) -> None:
        if not group.open and self.groups.get(group.asset) is group:
            del self.groups[group.asset]
            self._end(group, at)

    def _end(self, group: Group, at: Moment) -> None:
        for subject in group.members:
            kind, _, name = subject.partition("/")
            self._told.append(
                CauseEnded(
                    place=name,
                    at=at,
                    subject=subject,
                    asset=group.asset,
                    section=kind == "section",
                )
            )
        self._told.append(CauseOver(place=group.asset, at=at))
