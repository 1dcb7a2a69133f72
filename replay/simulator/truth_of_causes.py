"""What several failures had in common, by the rule that names one asset for them.

Sections newly disturbed or spuriously occupied, and evaluators locked out, are candidates from the moment they began.
Three within a minute that need the same asset are a group, ten minutes where it is only the weather above them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from monitor.core.events import Service, State
from monitor.core.layout import Line
from monitor.core.moments import MINUTE, SECOND, Duration, Moment
from replay.simulator.record import Record, Truth, itself, pieces_of, spells

WINDOW = MINUTE
STORM = 10 * MINUTE
REST = 10 * SECOND
LONGEST = 15 * SECOND
ENOUGH = 3
ORDER = ("unit", "cable", "evaluator", "supply", "site", "area")


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that failed.

    Args:
        at: when.
        subject: what, `section/T107`.
        assets: what it needs.
        ended: when it was over, or None.
    """

    at: Moment
    subject: str
    assets: frozenset[str]
    ended: Moment | None


@dataclass(frozen=True, slots=True)
class Group:
    """Failures that had an asset in common.

    Args:
        asset: which.
        known: when there was no more to wait for.
        members: what failed, in order.
    """

    asset: str
    known: Moment
    members: tuple[Candidate, ...]

    @property
    def began(self) -> Moment:
        """When the first failed."""
        return self.members[0].at

    @property
    def ended(self) -> Moment | None:
        """When the last was over, or None."""
        ends = [one.ended for one in self.members]
        return None if None in ends else max(one for one in ends if one is not None)

    def covers(self, section: str, moment: Moment) -> bool:
        """Whether *section* belongs to it and it was not over before *moment*."""
        if not any(one.subject == f"section/{section}" for one in self.members):
            return False
        ended = self.ended
        return self.began <= moment and (ended is None or moment <= ended + SECOND)

    def truth(self) -> Truth:
        """The truth line."""
        return Truth(
            kind="common-cause",
            subject=self.asset,
            began=self.began,
            ended=self.ended,
            known=self.known,
        )


def needs_of(line: Line) -> Mapping[str, frozenset[str]]:
    """The assets that each section and evaluator needs."""

    def behind(evaluators: Iterable[str]) -> Iterator[str]:
        for name in evaluators:
            one = line.evaluators[name]
            yield f"evaluator/{name}"
            yield f"site/{one.site}"
            if one.supply:
                yield f"supply/{one.supply}"

    found: dict[str, frozenset[str]] = {}
    for name, section in line.sections.items():
        heads = [line.heads[head] for head in line.heads_of(name)]
        evaluators = {section.evaluator, *(x for one in heads for x in one.evaluators)}
        assets = {f"area/{section.area}", *behind(evaluators)}
        assets |= {f"unit/{one.unit}" for one in heads if one.unit}
        assets |= {f"cable/{one.cable}" for one in heads if one.cable}
        found[f"section/{name}"] = frozenset(assets)
    for name in line.evaluators:
        areas = {f"area/{line.sections[x].area}" for x in line.sections_of(name)}
        found[f"evaluator/{name}"] = frozenset({*areas, *behind([name])})
    return found


def candidates(record: Record, came: Iterable[Truth]) -> list[Candidate]:
    """Everything that failed, in order; *came* are the spurious occupations."""
    needs = needs_of(record.line)
    found = [
        Candidate(one.began, one.subject, needs[one.subject], one.ended)
        for one in came
        if one.known is not None
    ]
    for section, states in record.states.items():
        subject = f"section/{section}"
        found += [
            Candidate(spell.start, subject, needs[subject], spell.end)
            for spell in spells(states, lambda x: x is State.DISTURBED)
            if not record.under_work(section, spell.start)
        ]
    if record.day.richness == "full":
        for name, sightings in record.day.evaluators.items():
            subject = f"evaluator/{name}"
            shown = pieces_of(sightings, itself, record.day.end, Service)
            found += [
                Candidate(one.start, subject, needs[subject], one.end)
                for one in spells(shown, lambda x: x is Service.LOCKED_OUT)
            ]
    return sorted(found, key=lambda one: (one.at, one.subject))


def groups(line: Line, found: Sequence[Candidate]) -> list[Group]:
    """Those of *found* that had an asset in common."""
    dependants: dict[str, int] = {}
    for subject, assets in needs_of(line).items():
        for asset in assets if subject.startswith("section/") else ():
            dependants[asset] = dependants.get(asset, 0) + 1
    pool = list(found)
    told: list[Group] = []
    newest = 0
    while newest < len(pool):
        third = pool[newest]
        if not any(len(_with(pool, x, third.at)) >= ENOUGH for x in third.assets):
            newest += 1
            continue
        known = _told(pool, newest, third)
        shared = {asset for one in pool[: newest + 1] for asset in one.assets}
        counted = [(len(_with(pool, one, known)), one) for one in sorted(shared)]
        enough = [one for one in counted if one[0] >= ENOUGH]
        # An area is named only where nothing smaller would do.
        smaller = [one for one in enough if not one[1].startswith("area/")]
        asset = min(
            smaller or enough,
            key=lambda one: (
                -one[0],
                dependants.get(one[1], 0),
                ORDER.index(one[1].partition("/")[0]),
            ),
        )[1]
        members = _joined(pool, asset, known)
        told.append(Group(asset, known, tuple(members)))
        pool = [one for one in pool if one not in members]
        newest = max(0, newest - len(members))
    return told


def _window(asset: str) -> Duration:
    return STORM if asset.startswith("area/") else WINDOW


def _with(pool: Sequence[Candidate], asset: str, by: Moment) -> set[str]:
    """What needs *asset* and failed shortly before *by*: within the window of the last that did."""
    mine = [one for one in pool if one.at <= by and asset in one.assets]
    if not mine:
        return set()
    since = mine[-1].at - _window(asset)
    return {one.subject for one in mine if one.at >= since and by - one.at <= STORM}


def _told(pool: Sequence[Candidate], newest: int, third: Candidate) -> Moment:
    last = third.at
    for one in pool[newest + 1 :]:
        if one.at > min(last + REST, third.at + LONGEST):
            break
        if one.assets & third.assets:
            last = one.at
    return min(last + REST, third.at + LONGEST)


def _joined(pool: Sequence[Candidate], asset: str, known: Moment) -> list[Candidate]:
    mine = [one for one in pool if asset in one.assets]
    first = [one for one in mine if one.at <= known]
    since = first[-1].at - _window(asset)
    members = [one for one in first if one.at >= since]
    for before, one in pairwise([members[-1], *(x for x in mine if x.at > known)]):
        if one.at - before.at > _window(asset):
            break
        members.append(one)
    return members
