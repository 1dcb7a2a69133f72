"""What is to be expected in the next 90 days: made in one place and of one year, so that the report and the work list give one number.

The rate of a section is that of the last year, or since a visit at which something was put right there, drawn towards the line's as far as its own record is short (`core.statistics.spread`).
What the line is like is made of whole records: what was put right at one section changes nothing of what is to be expected at others.

What several sections have in common strikes them together: of a cut cable each section has one occasion, and all of them together have one as well.
So of several there is to be expected what is of each, added up, less by as much as their occasions were fewer together than one by one.
The range is that of the belief, and of what it were were sections less alike than they look: rather too wide than too narrow.
Nor does it make a line better known that many sections were struck at once: nothing is surer than by as many occasions as the whole line had.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from monitor.core.moments import DAY, Moment
from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.effect import Awaited
from monitor.core.statistics.poisson import Gamma, line_prior
from monitor.core.statistics.ranking import quantile
from monitor.core.statistics.spread import Fleet, Spread, fleet_of
from monitor.findings import judged
from monitor.planner.effect import BEFORE, SETTLED, Watched, sections_of
from monitor.planner.figures import SHORT
from monitor.planner.occasions import of_several
from monitor.planner.whereabouts import Whereabouts
from monitor.visits import Visit

AHEAD_DAYS = 90

WIDE = 10
"""Nothing is told where the upper end is more than so many times the lower."""


UNLIKE = 2.0
"""For the ends of a range sections are taken to be less alike than they look, by so much (`poisson.line_prior`): so it holds what is to be expected of 94 sections of 100 or more, on a line of twelve as on one of a thousand, and on one of three of 92 (`python -m tests.bench.report ahead`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Occasions of disturbance to be expected in the next 90 days.

    Args:
        mean: of them.
        low: the lower end of what that may be.
        high: the upper end.
        thin: too little is known to tell it.
    """

    mean: float
    low: float
    high: float
    thin: bool


class Expecting:
    """What is to be expected on a line.

    Args:
        watched: each section of the line, over the last year.
        now: up to when.
        since: from when on a section is as it is now, where something was put right in that year.

    Attributes:
        days: watched and available in that year, of a section on average.
    """

    def __init__(
        self,
        watched: Mapping[str, Watched],
        now: Moment,
        since: Mapping[str, Moment] | None = None,
    ) -> None:
        first = now - BEFORE
        begins = {name: max(first, (since or {}).get(name, first)) for name in watched}
        whole = {name: one.counted(first, now) for name, one in watched.items()}
        records = [(one.count, one.exposure) for one in whole.values()]
        own = {
            name: watched[name].counted(at, now) if at > first else whole[name]
            for name, at in begins.items()
        }
        self._watched_for = {name: one.exposure for name, one in whole.items()}
        self.days = sum(self._watched_for.values()) / max(len(watched), 1)
        self._awaited = _awaited(fleet_of(records), own)
        self._unlike = _each(line_prior(records, UNLIKE), own)
        self._own = {
            name: one.between(begins[name], now) for name, one in watched.items()
        }
        most = of_several(one.between(first, now) for one in watched.values())
        self._most = max(len(most), 0.5)

    def one(self, name: str) -> Ahead | None:
        """What is to be expected of a section; None where nothing of the line was watched."""
        if name not in self._awaited:
            return None
        return self._ahead([name], 1.0, self._watched_for[name])

    def several(self, names: Iterable[str]) -> Ahead | None:
        """What is to be expected of all that need one thing, or are looked at in one visit; what was not watched is left out."""
        watched = [name for name in names if self._watched_for[name] > 0]
        if len(watched) == 1:
            return self.one(watched[0])
        if not watched:
            return None
        days = sum(self._watched_for[name] for name in watched) / len(watched)
        return self._ahead(watched, self._joint(watched), days)

    def _ahead(self, names: Sequence[str], joint: float, days: float) -> Ahead:
        mean, low, high = self._range(self._awaited, names, joint)
        _, least, most = self._range(self._unlike, names, joint)
        low, high = min(low, least), max(high, most)
        short = days * DAY < SHORT
        return Ahead(mean=mean, low=low, high=high, thin=short or high > WIDE * low)

    def _range(
        self, beliefs: Mapping[str, _Belief], names: Sequence[str], joint: float
    ) -> tuple[float, float, float]:
        # As many occasions less have as much chance in them as those that are left.
        mean = joint * sum(beliefs[name][0] for name in names)
        variance = joint * sum(beliefs[name][1] for name in names)
        shape = min(mean**2 / variance, self._most)
        belief = Gamma(shape, shape / mean)
        return mean, quantile(belief, 0.025), quantile(belief, 0.975)

    def _joint(self, names: Sequence[str]) -> float:
        """How many occasions *names* had together, of those that they had one by one."""
        every = [self._own[name] for name in names]
        number = sum(map(len, every))
        return len(of_several(every)) / number if number else 1.0


_Belief = tuple[float, float]
"""The mean of what is to be expected, and its variance."""


def _awaited(fleet: Fleet | None, own: Mapping[str, Counted]) -> dict[str, _Belief]:
    if fleet is None or not isinstance(fleet.prior, Spread):
        return _each(fleet, own)
    # Of so many it is known what they are like.
    each = fleet.prior.after_each([(one.count, one.exposure) for one in own.values()])
    return {
        name: (belief.mean * AHEAD_DAYS, (belief.deviation * AHEAD_DAYS) ** 2)
        for name, belief in zip(own, each, strict=True)
    }


def _each(
    fleet: Fleet | Gamma | None, own: Mapping[str, Counted]
) -> dict[str, _Belief]:
    if fleet is None:
        return {}
    found = {name: Awaited.after(fleet, one, AHEAD_DAYS) for name, one in own.items()}
    return {name: (one.mean, one.variance) for name, one in found.items()}


def put_right(
    visits: Iterable[Visit], there: Whereabouts, now: Moment
) -> dict[str, Moment]:
    """From when on each section is as it is now, because something was found and put right up to then."""
    since: dict[str, Moment] = {}
    for visit in sorted(visits, key=lambda one: (one.end, one.id)):
        if judged(visit.cause) and visit.end <= now:
            since.update(dict.fromkeys(sections_of(visit, there), visit.end + SETTLED))
    return since
