"""Occasions: disturbances that come together are told as one, for what comes together does not come by chance.

Eight in an afternoon are one fault that was given back seven times, and five sections that fall at once are one cable.
Counted singly they make a section or a cable look worse than it is, and every interval too narrow.
So rates, comparisons and expectations are of occasions; disturbances are counted beside them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitor.core.moments import DAY, MINUTE, Duration, Moment
from monitor.core.statistics.trend import bursts

OF_ONE: Duration = DAY
"""Of one section all within a day of the first is one occasion: one fault, one visit (a convention of ours)."""

OF_SEVERAL: Duration = MINUTE
"""Of several sections those that begin within a minute of one another are one (as `common-cause`, `window_s` 60)."""


def of_section(moments: Iterable[Moment]) -> tuple[Moment, ...]:
    """When each occasion of a section began.

    One lasts a day from its beginning, however many come in it, so that what fails every hour for a month has thirty and not one.

    Args:
        moments: at which it was disturbed, in order.

    Example:
        >>> from monitor.core.moments import HOUR
        >>> [
        ...     at // HOUR
        ...     for at in of_section([0, HOUR, 23 * HOUR, 24 * HOUR, 47 * HOUR])
        ... ]
        [0, 24]
    """
    found: list[Moment] = []
    for moment in moments:
        if not found or moment - found[-1] >= OF_ONE:
            found.append(moment)
    return tuple(found)


def of_several(sections: Iterable[Sequence[Moment]]) -> tuple[Moment, ...]:
    """When each occasion of several sections together began.

    Args:
        sections: for each, when its own began.

    Example:
        Three of one cable, and one of them again a day later:

        >>> from monitor.core.moments import SECOND
        >>> of_several([[0, DAY], [5 * SECOND], [60 * SECOND]]) == (0, DAY)
        True
    """
    every = [one for one in sections if one]
    if len(every) < 2:
        return tuple(every[0]) if every else ()
    moments = sorted(moment for one in every for moment in one)
    return tuple(int(at) for at in bursts(moments, OF_SEVERAL))
