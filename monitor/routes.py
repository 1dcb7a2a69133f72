"""Which channels a call goes to, in which steps: a pure function of what is called for and of the time of day.

The first route that fits is taken: where its priorities, areas and kinds name what is called for (one that names none takes any), and the line's own time of day is within its hours.
Its first step goes at once.
Each further one goes when its time has passed and nobody has seen the call: by its priority, `urgent_s` or `prompt_s` after the step before.

A call that no route fits goes to every channel that takes calls: it is better to call too many than nobody.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from monitor.core.detector import Priority
from monitor.core.moments import MINUTE, SECOND, Duration, Moment, as_datetime

_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]|24):([0-5]\d)", re.ASCII)
_DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """A part of the day, from one minute to before another; past midnight where the second is not later.

    Args:
        begin: minutes since midnight.
        end: likewise.
    """

    begin: int
    end: int

    def hold(self, minute: int) -> bool:
        """Whether a minute of the day is within them."""
        if self.begin < self.end:
            return self.begin <= minute < self.end
        return minute >= self.begin or minute < self.end


def read_hours(text: str) -> Hours:
    """The hours in `22:00-06:00`.

    Raises:
        ValueError: it is no such text.

    Example:
        >>> read_hours("22:00-06:00").hold(23 * 60), read_hours("22:00-06:00").hold(360)
        (True, False)
    """
    found = _HOURS.fullmatch(text)
    if found is None:
        raise ValueError("hours are written as 22:00-06:00")
    first, minute, last, until = map(int, found.groups())
    begin, end = first * 60 + minute, last * 60 + until
    if end > _DAY_MINUTES:
        raise ValueError("a day ends at 24:00")
    if begin == end:
        raise ValueError(
            "hours that begin and end together: leave them out for all day"
        )
    return Hours(begin=begin, end=end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Where calls of some sort go.

    Args:
        steps: the names of channels, step by step.
        priorities: of what; none: any.
        areas: in which; none: any.
        kinds: of alert; none: any.
        hours: of the day, in the line's timezone; None: all day.
    """

    steps: tuple[tuple[str, ...], ...]
    priorities: frozenset[Priority] = frozenset()
    areas: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()
    hours: Hours | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is called for.

    Args:
        priority: of the call.
        areas: of the sections concerned; none where it is about no section.
        kind: of the alert because of which.
        at: now.
    """

    priority: Priority
    areas: frozenset[str]
    kind: str
    at: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Channels that a call goes to together.

    Args:
        after: so long after it was made, where nobody has seen it by then.
        channels: their names.
    """

    after: Duration
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Routes:
    """All routes, and how long each step has.

    Args:
        routes: in their order; the first that fits is taken.
        channels: every channel that takes calls, for what no route fits.
        zone: the line's.
        urgent: after so long without being seen the next step of an urgent call.
        prompt: the same for a prompt one.
    """

    routes: tuple[Route, ...] = ()
    channels: tuple[str, ...] = ()
    zone: tzinfo
    urgent: Duration = 60 * SECOND
    prompt: Duration = 5 * MINUTE

    def steps(self, asked: Asked) -> tuple[Step, ...]:
        """The steps of a call, each with when it is due after the call was made."""
        route = next((one for one in self.routes if self._fits(one, asked)), None)
        steps = (self.channels,) if route is None else route.steps
        each = self.urgent if asked.priority == "urgent" else self.prompt
        return tuple(
            Step(after=number * each, channels=names)
            for number, names in enumerate(steps)
        )

    def _fits(self, route: Route, asked: Asked) -> bool:
        if route.priorities and asked.priority not in route.priorities:
            return False
        if route.kinds and asked.kind not in route.kinds:
            return False
        if route.areas and not route.areas & asked.areas:
            return False
        if route.hours is None:
            return True
        local = as_datetime(asked.at).astimezone(self.zone)
        return route.hours.hold(local.hour * 60 + local.minute)


def unknown(routes: Sequence[Route], channels: Collection[str]) -> tuple[str, ...]:
    """The channels that routes name and that are not there, or take no calls, each once."""
    named = [name for route in routes for step in route.steps for name in step]
    return tuple(dict.fromkeys(name for name in named if name not in channels))
