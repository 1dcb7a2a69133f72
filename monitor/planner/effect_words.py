"""What became of a visit, in words; no digit that there is no evidence for."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, isinf

from monitor.core.statistics.effect import ENOUGH, Effect, Share
from monitor.core.words import names
from monitor.planner.effect import Helped
from monitor.planner.words import share as per_cent

METHOD = (
    "To be expected without the visit: the rate of the year before it, drawn towards "
    "the line's as far as the section's own record is short, times how long it was "
    "watched since (empirical Bayes; Hauer 1997, Hauer and others 2002). What comes "
    "within a day is one occasion, and counts once, as does what several sections of "
    "a visit have within a minute. Intervals of "
    "95 %. Told from 3 on that were to be expected; a visit that ended less than an "
    "hour ago, work, evaluators that start, and time in which a section was not "
    "available count for neither side."
)
NOUGHT = 0.005
"""Below this a ratio would read as "100 % fewer", which no count can show."""

RAW = (
    "As counted before and after: the worst always fall, whatever is done, so these say "
    "nothing by themselves."
)

OF_THOSE_VISITED = (
    "Where an alert suspects no part in particular, anything found counts. Only what "
    "was visited was judged: what nobody went for may be otherwise. Intervals of 95 % "
    "(Clopper and Pearson 1934)."
)


def told(effect: Effect | None) -> str:
    """What *effect* means, in a sentence.

    Example:
        >>> from monitor.core.statistics.effect import Awaited, effect
        >>> told(effect(Awaited(mean=12.0, own=4.0), 2))
        'fewer: 84 % fewer than to be expected (35 to 98 %)'
        >>> told(effect(Awaited(mean=12.0, own=4.0), 10))
        'no change can be told: between 62 % fewer and 71 % more'
        >>> told(effect(Awaited(mean=12.0, own=4.0), 0))
        'fewer: at least 67 % fewer than to be expected'
        >>> told(effect(Awaited(mean=3.2, own=1.0), 0))
        'no change can be told: between nearly none and 39 % more'
        >>> told(effect(Awaited(mean=1.2, own=1.0), 0))
        'too early: 1.2 expected so far, told from 3 on'
        >>> told(effect(Awaited(mean=5.0, own=1.0), 15))
        'more: 2.9 times as many as to be expected (1.5 to 5.9 times)'
        >>> told(None)
        'not watched since'
    """
    if effect is None:
        return "not watched since"
    if effect.too_early:
        return (
            f"too early: {number(effect.awaited.mean)} expected so far, "
            f"told from {ENOUGH:.0f} on"
        )
    if effect.told < 0:
        if effect.low < NOUGHT or not effect.count:
            return f"fewer: at least {_at_least(1 - effect.high)} fewer than to be expected"
        low, high = (f"{100 * (1 - one):.0f}" for one in (effect.high, effect.low))
        return (
            f"fewer: {100 * (1 - effect.ratio):.0f} % fewer than to be expected "
            f"({low} to {high} %)"
        )
    if effect.told > 0:
        return (
            f"more: {effect.ratio:.1f} times as many as to be expected "
            f"({effect.low:.1f} to {effect.high:.1f} times)"
        )
    if effect.low < NOUGHT:
        return f"no change can be told: between nearly none and {_change(effect.high)}"
    return f"no change can be told: between {_change(effect.low)} and {_change(effect.high)}"


def became_of(one: Helped) -> str:
    """What became of a visit's sections: what was never given back first, since that is no success."""
    if one.never_back:
        since = f"{names(one.never_back)} not given back since"
        if one.effect is None:
            return since
        return f"{since}; of the others: {told(one.effect)}"
    if one.out < 1:
        return told(one.effect)
    return f"{told(one.effect)}; not available for {how_long(one.out)} since"


def all_of(found: Sequence[Helped], together: Effect | None) -> str:
    """What became of all visits."""
    never = sum(bool(one.never_back) for one in found)
    if not never:
        return told(together)
    return (
        f"{told(together)}; after {never} of them a section was not given back, "
        "which is in no number here"
    )


def rates(one: Helped) -> str:
    """What was counted before a visit and after it, each with how long it was watched and available."""
    before, after = one.before, one.after
    several = len(one.sections) > 1
    added = f", the time of {len(one.sections)} sections added up" if several else ""
    return (
        f"{before.count} in {how_long(before.exposure)} before, "
        f"{after.count} in {how_long(after.exposure)} since{added}"
    )


def how_long(days: float) -> str:
    """A time of so many days, in hours where it is short.

    Example:
        >>> (
        ...     how_long(0),
        ...     how_long(0.01),
        ...     how_long(0.05),
        ...     how_long(0.9),
        ...     how_long(1),
        ...     how_long(90.4),
        ... )
        ('no time', 'less than an hour', '1 hour', '22 hours', '1 day', '90 days')
    """
    if days >= 1:
        return f"{days:.0f} day{'' if days < 1.5 else 's'}"
    if not days:
        return "no time"
    hours = round(days * 24)
    if days * 24 < 1:
        return "less than an hour"
    return f"{hours} hour{'' if hours == 1 else 's'}"


def number(expected: float) -> str:
    """So many, with no more digits than there is evidence for.

    Example:
        >>> number(0.02), number(4.26), number(31.4)
        ('fewer than 0.1', '4.3', '31')
    """
    if expected < 0.05:
        return "fewer than 0.1"
    return f"{expected:.1f}" if expected < 9.95 else f"{expected:.0f}"


def _at_least(part: float) -> str:
    """A share that is no more than *part*."""
    return per_cent(floor(100 * part) / 100 if part >= 0.01 else part)


def _change(ratio: float) -> str:
    if isinf(ratio):
        return "any number more"
    if ratio >= 2:
        return f"{ratio:.1f} times as many"
    word = "fewer" if ratio < 1 else "more"
    return f"{100 * abs(1 - ratio):.0f} % {word}"


def of_those_visited(share: Share | None) -> str:
    """How often something was found, in words.

    Example:
        >>> from monitor.core.statistics.effect import share
        >>> of_those_visited(share(9, 10))
        '9 of 10: 90 % (55 to 99.7 %)'
        >>> of_those_visited(share(1, 2))
        '1 of 2: too few'
    """
    if share is None:
        return "nobody has said yet"
    if share.total < 5:
        return f"{share.count} of {share.total}: too few"
    low, high = per_cent(share.low).removesuffix(" %"), per_cent(share.high)
    part = per_cent(share.count / share.total)
    return f"{share.count} of {share.total}: {part} ({low} to {high})"
