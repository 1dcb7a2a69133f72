"""Numbers as a planner reads them: no more digits than there is evidence, nought with what it may hide, and "not heard" where nobody listened."""

from __future__ import annotations

from math import inf, isinf

from monitor.core.moments import HOUR, MINUTE, Duration
from monitor.core.statistics.comparing import Counted, Ratio
from monitor.core.statistics.poisson import limits
from monitor.planner.figures import Figures, Rank, Resets

NOT_HEARD = "not heard"
NOT_OBSERVED = "not observed"
TOO_FEW = "too few"
CONFIDENCE = 0.95

SURE = 0.05
"""Said of a trend and of a comparison: beyond chance at one in twenty, where only one was asked about."""

NAMED = 0.1
"""Where many were asked about: of those named, one in ten by accident."""


def few_digits(value: float, digits: int = 2) -> str:
    """*value* with so many digits that count, never written with a power of ten.

    Example:
        >>> [few_digits(x) for x in (0, 0.0253, 3.689, 14.42, 1234.5, 61.4)]
        ['0', '0.025', '3.7', '14', '1200', '61']
    """
    if value == 0:
        return "0"
    if isinf(value):
        return "no limit"
    return f"{float(f'{value:.{digits}g}'):.12f}".rstrip("0").rstrip(".")


def in_range(low: float, high: float, *values: float) -> list[str]:
    """The ends of a range, and *values* in it, with no more digits than tell them apart: rounding moves an end by a sixth of the range at most.

    Example:
        >>> (
        ...     in_range(1.09, 10.24),
        ...     in_range(11156.9, 11575.9),
        ...     in_range(0.2011, 0.2086, 0.2048),
        ... )
        (['1.1', '10'], ['11200', '11600'], ['0.201', '0.209', '0.205'])
    """
    ends = (low, high)
    digits = 2
    # A range of three tenths of its upper end or more needs no third digit.
    if not isinf(high) and 0 < high - low < 0.3 * high:
        while digits < MOST_DIGITS and any(
            abs(float(f"{one:.{digits}g}") - one) * 6 > high - low for one in ends
        ):
            digits += 1
    return [few_digits(one, digits) for one in (*ends, *values)]


MOST_DIGITS = 6


def counted(count: int, *, heard: bool) -> str:
    """A count with what it may stand for: its exact limits at 95 %.

    Example:
        >>> counted(0, heard=True), counted(4, heard=True), counted(0, heard=False)
        ('0 (at most 3.7)', '4 (1.1 to 10)', 'not heard')

        One that came all the same, where nothing is known of the rest:

        >>> counted(1, heard=False)
        '1, not observed'
    """
    if not heard:
        return f"{count}, {NOT_OBSERVED}" if count else NOT_HEARD
    low, high = in_range(*limits(count, CONFIDENCE))
    if count == 0:
        return f"0 (at most {high})"
    return f"{count} ({low} to {high})"


def disturbed(row: Figures) -> str:
    """How often it was disturbed, with what that may stand for: the limits are those of the occasions.

    Example:
        Twelve, in three nights:

        >>> from monitor.planner.figures import GivenBack
        >>> back = GivenBack(number=0, going_on=0, median_s=None, most_s=None)
        >>> row = Figures(
        ...     subject="section/T1",
        ...     period=1,
        ...     watched=1,
        ...     dark_longest=0,
        ...     heard=True,
        ...     disturbances=12,
        ...     occasions=3,
        ...     given_back=back,
        ... )
        >>> disturbed(row)
        '12 on 3 occasions (0.62 to 8.8)'
    """
    if not row.heard or row.occasions == row.disturbances:
        return counted(row.disturbances, heard=row.heard)
    return f"{row.disturbances} on {occasions(row.occasions)}"


def occasions(count: int) -> str:
    """So many occasions, with their limits.

    Example:
        >>> occasions(1)
        '1 occasion (0.025 to 5.6)'
    """
    low, high = in_range(*limits(count, CONFIDENCE))
    return f"{count} occasion{'' if count == 1 else 's'} ({low} to {high})"


def rate(one: Counted, *, heard: bool) -> str:
    """A rate with its limits.

    Example:
        >>> rate(Counted(4, 2.0), heard=True), rate(Counted(0, 2.0), heard=True)
        ('2 (0.54 to 5.1)', '0 (at most 1.8)')
        >>> rate(Counted(0, 0.0), heard=True)
        'no trains seen'
    """
    if not heard:
        return NOT_HEARD
    if not one.exposure > 0:
        return "no trains seen"
    ends = [end / one.exposure for end in limits(one.count, CONFIDENCE)]
    low, high, value = in_range(ends[0], ends[1], one.count / one.exposure)
    if one.count == 0:
        return f"0 (at most {high})"
    return f"{value} ({low} to {high})"


def share(part: float) -> str:
    """A share in per cent; never 100 % or 0 % unless it is that.

    Example:
        >>> [share(x) for x in (1, 0.99999, 0.953, 0.0001, 0)]
        ['100 %', '99.9 %', '95 %', '0.1 %', '0 %']
    """
    per_cent = part * 100
    if part in (0, 1):
        return f"{per_cent:.0f} %"
    if per_cent > 99:
        return f"{min(per_cent, 99.9):.1f} %"
    if per_cent < 1:
        return f"{max(per_cent, 0.1):.1f} %"
    return f"{per_cent:.0f} %"


def minutes(length: Duration) -> str:
    """So many minutes, or hours where they are many.

    Example:
        >>> (
        ...     minutes(0),
        ...     minutes(30 * MINUTE // 60),
        ...     minutes(95 * MINUTE),
        ...     minutes(1300 * MINUTE),
        ... )
        ('0 min', '0.5 min', '95 min', '22 h')
    """
    if length == 0:
        return "0 min"
    if length < 10 * MINUTE:
        return f"{few_digits(max(length / MINUTE, 0.1))} min"
    if length < 2 * HOUR:
        return f"{round(length / MINUTE)} min"
    return f"{few_digits(length / HOUR)} h"


def trains(row: Figures) -> str:
    """Trains worked through; "at least" where not all of it was observed.

    Example:
        A section of which two days in ten were not observed:

        >>> from monitor.planner.figures import GivenBack
        >>> back = GivenBack(number=0, going_on=0, median_s=None, most_s=None)
        >>> row = Figures(
        ...     subject="section/T1",
        ...     period=10,
        ...     watched=8,
        ...     dark_longest=2,
        ...     heard=True,
        ...     trains=1234,
        ...     given_back=back,
        ... )
        >>> trains(row)
        'at least 1,234'
    """
    if not row.heard:
        return NOT_HEARD
    return f"{'at least ' if row.at_least else ''}{row.trains:,}"


def given_back(row: Figures) -> str:
    """How long it took until a section was given back."""
    back = row.given_back
    if not row.heard:
        return NOT_HEARD
    if back.number == 0:
        if row.failed == 0:
            if row.apart.failed:
                return "counted apart"
            # What was reset, held a train or was occupied with none seen did not simply go on.
            noted = row.held or row.no_train or any(one.accepted for one in row.resets)
            return "no failure counted" if noted else "never failed"
        return "began before"
    if back.median_s is None:
        return f"not known: {back.going_on} of {back.number} not seen"
    half = minutes(round(back.median_s * 1_000_000))
    if back.number < 3:
        # Of two the shorter alone would read as what it takes.
        return f"{half} and longer" if back.number == 2 else half
    most = (
        ""
        if back.most_s is None or back.number < 10
        else f", nine in ten in {minutes(round(back.most_s * 1_000_000))}"
    )
    return f"half in {half}{most}"


def resets(row: Figures) -> str:
    """How many resets of each kind, and how many of them a train followed."""
    said = "; ".join(of_kind(one) for one in row.resets if one.accepted)
    if not row.heard:
        return f"{said}, {NOT_OBSERVED}" if said else NOT_HEARD
    return said or "0"


def of_kind(one: Resets) -> str:
    """Resets of one kind.

    Example:
        >>> of_kind(Resets(kind="conditional", accepted=3, followed=2, apart=0))
        'conditional 3, 2 followed'
    """
    followed = {0: "none", one.accepted: "all"}.get(one.followed, one.followed)
    return f"{one.kind.replace('_', ' ')} {one.accepted}, {followed} followed"


def apart(row: Figures) -> str:
    """What is counted apart.

    Example:
        >>> from monitor.planner.figures import Apart, GivenBack
        >>> back = GivenBack(number=0, going_on=0, median_s=None, most_s=None)
        >>> row = Figures(
        ...     subject="section/T1",
        ...     period=1,
        ...     watched=1,
        ...     dark_longest=0,
        ...     heard=True,
        ...     apart=Apart(under_work=3, at_start=1, failed=5 * MINUTE),
        ...     given_back=back,
        ... )
        >>> apart(row)
        '3 under work, 1 at a start, not available for 5 min'
    """
    found = (
        (row.apart.under_work, "under work"),
        (row.apart.after_work, "after work"),
        (row.apart.at_start, "at a start"),
    )
    said = [f"{number} {what}" for number, what in found if number]
    if row.apart.failed:
        said.append(f"not available for {minutes(row.apart.failed)}")
    if row.apart.held:
        said.append(f"{row.apart.held} train{'' if row.apart.held == 1 else 's'} held")
    if resets_apart := sum(one.apart for one in row.resets):
        said.append(f"{resets_apart} reset{'' if resets_apart == 1 else 's'}")
    return ", ".join(said) or "0"


def expected(rank: Rank) -> str:
    """The rate to expect, with how far it is its own record that speaks."""
    one = rank.expected
    if one is None:
        return TOO_FEW
    low, high, rate_of = in_range(one.low, one.high, one.rate)
    return f"{rate_of} ({low} to {high})"


def quarter(rank: Rank) -> str:
    """Occasions to expect in 90 days, with how sure that is.

    Example:
        >>> quarter(Rank(subject="x", quarter=4, quarter_low=2, quarter_high=7.1))
        '4 (2 to 7.1)'
        >>> (
        ...     quarter(Rank(subject="x", quarter=2100, thin=True)),
        ...     quarter(Rank(subject="x")),
        ... )
        ('too few', 'not known')
    """
    if rank.thin:
        return TOO_FEW
    if rank.quarter is None or rank.quarter_low is None or rank.quarter_high is None:
        return "not known"
    return ahead(rank.quarter, rank.quarter_low, rank.quarter_high)


def ahead(mean: float, low: float, high: float) -> str:
    """What is to be expected, with the range of it."""
    least, most, value = in_range(low, high, mean)
    return f"{value} ({least} to {most})"


def trend(rank: Rank) -> str:
    """Whether it got worse, as far as that can be told."""
    if rank.trend is None or rank.rising is None:
        return TOO_FEW
    # Of the line only one was asked about.
    if rank.rising >= (SURE if rank.subject == "line" else NAMED):
        return "none seen"
    return "more and more often" if rank.trend.statistic > 0 else "less and less often"


def against(ratio: Ratio | None) -> str:
    """The rate against that of the period before.

    Example:
        >>> against(Ratio(value=4.0, low=1.08, high=22.1, chance=0.035))
        '4 times as often (1.1 to 22)'
        >>> against(Ratio(value=2.0, low=0.5, high=9.1, chance=0.4))
        'no difference seen (0.5 to 9.1 times)'
        >>> against(None)
        'not comparable'
    """
    if ratio is None:
        return "not comparable"
    if ratio.value is None:
        return "none in either"
    low, high, value = in_range(ratio.low, ratio.high, ratio.value)
    ends = f"{low} to {high}"
    if ratio.high == inf:
        ends = f"{few_digits(ratio.low)} times or more"
    if ratio.chance >= SURE:
        tail = "" if ratio.high == inf else " times"
        return f"no difference seen ({ends}{tail})"
    if isinf(ratio.value):
        return f"none before ({ends})"
    return f"{value} times as often ({ends})"


def times_before(ratio: Ratio | None) -> str:
    """The same in short: how many times the rate of the period before, with its range.

    Example:
        >>> times_before(Ratio(value=2.0, low=0.5, high=9.1, chance=0.4))
        '2 (0.5 to 9.1)'
    """
    if ratio is None:
        return "not comparable"
    if ratio.value is None:
        return "none in either"
    if isinf(ratio.value):
        return f"none before (more than {few_digits(ratio.low)})"
    low, high, value = in_range(ratio.low, ratio.high, ratio.value)
    return f"{value} ({low} to {high})"


def more(rank: Rank) -> str:
    """Whether it carries more than its share."""
    return "yes" if rank.more is not None and rank.more < NAMED else ""
