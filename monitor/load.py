"""How much is asked of the people at a desk, by the published indicators of alarm management.

What counts is what calls somebody, not what is recorded: notes, planned work, members of a cause, and what is shelved ask nothing of anybody now.
Targets and limits are those that summaries of ISA-18.2, IEC 62682 and EEMUA 191 give for one operating position; the standards themselves are not free, and were not read.

| indicator | target | limit |
|---|---|---|
| calls in 10 minutes | 1 | 2 |
| calls in an hour | 6 | 12 |
| calls in a day | 150 | 300 |
| calls in a shift | its part of a day's | likewise |
| part of the time in a flood | less than 1 % | |
| alerts open for longer than a day | | fewer than 5 |
| alerts that chatter | | 0 |

A flood begins with more than 10 calls in 10 minutes, and ends when fewer than 5 are left in the last 10 minutes.
An alert chatters that is raised three times or more in a minute (a convention).
It fleets where it is over within a minute and nobody had seen it (a convention of ours).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from monitor.core.moments import DAY, HOUR, MINUTE, Duration, Moment

TEN: Duration = 10 * MINUTE

FLOOD_BEGINS = 10
"""More calls than this in ten minutes are a flood."""

FLOOD_ENDS = 5
"""With fewer than this in the last ten minutes it is over."""

CHATTERS = 3
STALE: Duration = DAY
FLEETS: Duration = MINUTE

LEAST_DAYS = 30
"""With fewer days of record a share says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """What one position can be asked.

    Args:
        length: in so long.
        target: as many are no trouble.
        limit: more than this cannot be handled.
    """

    length: Duration
    target: int
    limit: int


LIMITS = {
    "10 min": Limit(length=TEN, target=1, limit=2),
    "hour": Limit(length=HOUR, target=6, limit=12),
    "day": Limit(length=DAY, target=150, limit=300),
}
"""By the summaries named above."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """More calls than anybody can handle.

    Args:
        begin: of the call that was one too many.
        end: when it was over, or None while it lasts.
        calls: how many there were from its first ten minutes to its end.
    """

    begin: Moment
    end: Moment | None
    calls: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """An alert as far as load goes by it.

    Args:
        kind: of what.
        subject: about what.
        priority: as it is.
        raised: when.
        ended: when it was over, or None.
        seen: when somebody saw it, or None.
    """

    kind: str
    subject: str
    priority: str
    raised: Moment
    ended: Moment | None = None
    seen: Moment | None = None


def limit_of(length: Duration) -> Limit:
    """What one position can be asked in a shift of *length*: its part of a day's.

    Example:
        >>> limit_of(8 * HOUR).target, limit_of(8 * HOUR).limit
        (50, 100)
    """
    day = LIMITS["day"]
    return Limit(
        length=length,
        target=round(day.target * length / DAY),
        limit=round(day.limit * length / DAY),
    )


def asking(
    calls: Iterable[tuple[Moment, str]], quiet: Callable[[str, Moment], str]
) -> list[Moment]:
    """The moments of those calls that asked something of somebody, in order.

    Args:
        calls: when each was due, and because of which alert.
        quiet: why an alert was kept quiet at a moment, shelved or switched off, or "".
    """
    return sorted(at for at, alert in calls if not quiet(alert, at))


def counted(calls: Sequence[Moment], now: Moment, length: Duration) -> int:
    """How many of *calls*, in order of time, came in the last *length* up to *now*.

    Example:
        >>> counted([0, 30 * MINUTE, HOUR], HOUR, HOUR)
        2
    """
    return bisect_right(calls, now) - bisect_right(calls, now - length)


def floods(calls: Sequence[Moment], now: Moment) -> list[Flood]:
    """The floods among *calls*, in order of time, as known at *now*."""
    found: list[Flood] = []
    begin: Moment | None = None
    for place, at in enumerate(calls):
        if at > now:
            break
        if begin is not None:
            end = _ends(calls, place)
            if end < at:
                found.append(_flood(calls, begin, end))
                begin = None
        if begin is None and counted(calls[: place + 1], at, TEN) > FLOOD_BEGINS:
            begin = at
    if begin is not None:
        known = bisect_right(calls, now)
        end = _ends(calls, known)
        found.append(_flood(calls, begin, end if end <= now else None, now))
    return found


def in_flood(found: Iterable[Flood], begin: Moment, end: Moment) -> float:
    """What part of the time from *begin* up to *end* was in a flood; a published target is less than a hundredth."""
    length = sum(
        max(
            0, min(one.end if one.end is not None else end, end) - max(one.begin, begin)
        )
        for one in found
    )
    return length / (end - begin)


def _ends(calls: Sequence[Moment], until: int) -> Moment:
    """When fewer than `FLOOD_ENDS` are left of the last ten minutes, if none but the first *until* calls come."""
    return calls[until - FLOOD_ENDS] + TEN


def _flood(
    calls: Sequence[Moment], begin: Moment, end: Moment | None, now: Moment = 0
) -> Flood:
    first = bisect_right(calls, begin - TEN)
    last = bisect_right(calls, now if end is None else end)
    return Flood(begin=begin, end=end, calls=last - first)


def chattering(alerts: Iterable[Raised]) -> list[tuple[str, str]]:
    """The kinds and subjects that were raised three times or more within a minute, in order."""
    moments: dict[tuple[str, str], list[Moment]] = defaultdict(list)
    for one in alerts:
        moments[one.kind, one.subject].append(one.raised)
    return sorted(
        place for place, raised in moments.items() if _chatters(sorted(raised))
    )


def _chatters(raised: Sequence[Moment]) -> bool:
    return any(
        last - first <= MINUTE
        for first, last in zip(raised, raised[CHATTERS - 1 :], strict=False)
    )


def fleeting(alerts: Iterable[Raised]) -> list[Raised]:
    """Those that were over within a minute, and that nobody had seen by then."""
    return [
        one
        for one in alerts
        if one.ended is not None
        and one.ended - one.raised <= FLEETS
        and (one.seen is None or one.seen > one.ended)
    ]


def stale(alerts: Iterable[Raised], now: Moment) -> list[Raised]:
    """Those that have been open for longer than a day."""
    return [one for one in alerts if one.ended is None and now - one.raised > STALE]


def top(alerts: Iterable[Raised], most: int = 10) -> list[tuple[tuple[str, str], int]]:
    """The kinds and subjects that were raised most often, with how often; with the tenth, all that are raised as often."""
    often = Counter((one.kind, one.subject) for one in alerts)
    ranked = sorted(often.items(), key=lambda one: (-one[1], one[0]))
    if len(ranked) <= most:
        return ranked
    least = ranked[most - 1][1]
    return [one for one in ranked if one[1] >= least]


def top_share(alerts: Sequence[Raised], most: int = 10) -> float | None:
    """What part of all alerts the *most* frequent kinds and subjects made; None where there are none.

    Of those that tie with the last only as many count as there is room for, so that the part does not grow with the ties.
    """
    if not alerts:
        return None
    ranked = top(alerts, most)[:most]
    return sum(often for _, often in ranked) / len(alerts)


def shares(
    alerts: Sequence[Raised], begin: Moment, end: Moment
) -> dict[str, float] | None:
    """What part of the alerts had which priority, or None where the record is shorter than thirty days or holds none."""
    if end - begin < LEAST_DAYS * DAY:
        return None
    inside = sorted(one.raised for one in alerts)
    total = bisect_left(inside, end) - bisect_left(inside, begin)
    if not total:
        return None
    often = Counter(one.priority for one in alerts if begin <= one.raised < end)
    return {priority: count / total for priority, count in sorted(often.items())}
