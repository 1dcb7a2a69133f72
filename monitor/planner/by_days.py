"""What is to be expected where no train was seen: a rate by days, for one by trains there is none.

A feed that tells no trains, or a siding on which none was worked through, has disturbances all the same, and they belong into the same order as all others.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from monitor.core.moments import DAY
from monitor.core.statistics.comparing import Counted
from monitor.core.statistics.ranking import Expected, expected
from monitor.planner.figures import Figures


def per_days(row: Figures) -> Counted:
    """The occasions of a row, in so many days in which it was watched and could be disturbed.

    Example:
        Thirty days, of which it was not available for six:

        >>> from monitor.planner.figures import GivenBack
        >>> back = GivenBack(number=1, going_on=0, median_s=None, most_s=None)
        >>> row = Figures(
        ...     subject="section/T1",
        ...     sections=("T1",),
        ...     period=30 * DAY,
        ...     watched=30 * DAY,
        ...     dark_longest=0,
        ...     heard=True,
        ...     occasions=3,
        ...     failed=6 * DAY,
        ...     given_back=back,
        ... )
        >>> per_days(row)
        Counted(count=3, exposure=24.0)
    """
    out = (row.failed + row.apart.failed) / max(len(row.sections), 1)
    return Counted(row.occasions, max(row.watched - out, 0) / DAY)


def expected_by_days(rows: Iterable[Figures]) -> Mapping[str, Expected]:
    """The rate a day of those of *rows* without trains, drawn towards that of all of them."""
    every = list(rows)
    bare = {row.subject for row in every if row.heard and not row.trains}
    if not bare:
        return {}
    records = {row.subject: per_days(row) for row in every}
    rates = expected(records)
    return {
        subject: rates[subject]
        for subject in bare
        if subject in rates and records[subject].exposure > 0
    }
