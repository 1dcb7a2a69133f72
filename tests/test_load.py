"""The check values are those that follow from the published definitions: benchmark summaries of ISA-18.2 / IEC 62682 / EEMUA 191 (10 alarms in 10 minutes at most; a flood starts above 10 and ends below 5; stale after 24 hours), as summarised in public training material, not read in the standards."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st

from monitor.core.alerts import Alert
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse
from monitor.handling import Act, Handling
from monitor.load import (
    LIMITS,
    TEN,
    Flood,
    Raised,
    asking,
    chattering,
    counted,
    fleeting,
    floods,
    in_flood,
    limit_of,
    shares,
    stale,
    top,
    top_share,
)

NOON = parse("2026-05-04T12:00:00Z")


def raised(at=NOON, **more):
    """An alert raised then."""
    given = {"kind": "section-disturbed", "subject": "section/T1", "priority": "prompt"}
    return Raised(**{**given, "raised": at, **more})


def every(step, count, begin=NOON):
    """So many calls, one each *step*."""
    return [begin + number * step for number in range(count)]


def test_ten_calls_in_ten_minutes_are_no_flood():
    """Eleven are, from the eleventh on."""
    assert floods(every(MINUTE - SECOND, 10), NOON + HOUR) == []

    eleven = every(59 * SECOND, 11)
    [flood] = floods(eleven, eleven[-1])
    assert flood == Flood(begin=eleven[-1], end=None, calls=11)


def test_a_call_ten_minutes_ago_counts_no_longer():
    """The window is ten minutes long: eleven calls a minute apart are never more than ten in it."""
    assert floods(every(MINUTE, 60), NOON + HOUR) == []
    assert counted(every(MINUTE, 11), NOON + TEN, TEN) == 10


def test_a_flood_is_over_when_four_are_left_and_not_five():
    """Of eleven calls in the first ten seconds the seventh goes out of the window last but four: then four are left."""
    calls = every(SECOND, 11)
    over = calls[6] + TEN

    assert counted(calls, over - 1, TEN) == 5
    assert counted(calls, over, TEN) == 4
    assert floods(calls, over - 1)[0].end is None
    assert floods(calls, over) == [Flood(begin=calls[10], end=over, calls=11)]


def test_a_flood_that_goes_on_is_one():
    """While five or more are left of ten minutes, what comes is of the same flood; later ones are another."""
    calls = [*every(SECOND, 11), *every(SECOND, 3, NOON + 5 * MINUTE)]
    again = every(SECOND, 11, NOON + HOUR)
    first, second = floods([*calls, *again], NOON + 2 * HOUR)

    # Of fourteen the tenth goes first of the last five.
    assert first == Flood(begin=calls[10], end=calls[9] + TEN, calls=14)
    assert second == Flood(begin=again[10], end=again[6] + TEN, calls=11)


@given(st.lists(st.integers(0, 3600), max_size=80))
def test_floods_agree_with_a_count_at_every_second(seconds):
    """Second by second: it begins with more than ten in the window, and ends with fewer than five."""
    calls = sorted(NOON + one * SECOND for one in seconds)
    within = False
    spans: list[list[int | None]] = []
    for second in range(3600 + 601):
        at = NOON + second * SECOND
        count = counted(calls, at, TEN)
        if within and count < 5:
            within = False
            spans[-1][1] = at
        if not within and count > 10:
            within = True
            spans.append([at, None])

    found = floods(calls, NOON + 4200 * SECOND)
    assert [[one.begin, one.end] for one in found] == spans


def test_three_within_a_minute_chatter():
    """Of one kind about one subject; a minute and a bit is none."""
    quick = [raised(NOON + step * 30 * SECOND) for step in range(3)]
    slow = [
        raised(NOON + step * 30 * SECOND + step, subject="section/T2")
        for step in range(3)
    ]
    mixed = [
        raised(NOON, subject="section/T3"),
        raised(NOON, subject="section/T3", kind="reset-not-held"),
        raised(NOON + SECOND, subject="section/T3"),
    ]

    assert chattering([*slow, *quick, *mixed]) == [("section-disturbed", "section/T1")]


def test_open_for_longer_than_a_day_is_stale():
    """Twenty-four hours are not yet, and a second more is; what is over is not."""
    one = raised()

    assert stale([one], NOON + DAY) == []
    assert stale([one], NOON + DAY + SECOND) == [one]
    assert stale([raised(ended=NOON + HOUR)], NOON + 2 * DAY) == []


def test_over_within_a_minute_unseen_is_fleeting():
    """What somebody saw before it was over served its purpose."""
    gone = raised(ended=NOON + MINUTE)
    seen = raised(ended=NOON + MINUTE, seen=NOON + 30 * SECOND)
    late = raised(ended=NOON + MINUTE, seen=NOON + HOUR)
    longer = raised(ended=NOON + MINUTE + 1)

    assert fleeting([gone, seen, late, longer, raised()]) == [gone, late]


def test_the_ten_that_are_raised_most_often():
    """Those that tie with the tenth are told too."""
    alerts = [
        raised(subject=f"section/T{number:02}")
        for number in range(12)
        for _ in range(20 - number if number < 9 else 2)
    ]
    told = top(alerts)

    assert [often for _, often in told] == [*range(20, 11, -1), 2, 2, 2]
    assert top(alerts, 3) == told[:3]


@pytest.mark.parametrize(
    ("days", "told"), [(29.9, None), (30, {"planned": 0.75, "urgent": 0.25})]
)
def test_shares_need_thirty_days(days, told):
    """A share of fewer days says nothing."""
    alerts = [raised(priority="planned")] * 3 + [raised(priority="urgent")]
    begin = NOON - DAY

    assert shares(alerts, begin, begin + round(days * DAY)) == told
    assert shares([], begin, begin + 40 * DAY) is None


def test_limits_are_those_that_are_published():
    """Per position: 10 minutes about 1 and 2, an hour about 6 and 12, a day about 150 and 300."""
    assert {name: (one.target, one.limit) for name, one in LIMITS.items()} == {
        "10 min": (1, 2),
        "hour": (6, 12),
        "day": (150, 300),
    }


def test_a_shift_can_be_asked_its_part_of_a_day():
    """Twelve hours half of it; no limit is published for a shift itself."""
    assert (limit_of(12 * HOUR).target, limit_of(12 * HOUR).limit) == (75, 150)


def test_what_is_shelved_asks_nothing_until_it_comes_back():
    """A shelved alert is left out of the load, and counts again from the moment at which shelving ends."""
    one = Alert(
        id="0123456789abcdef",
        kind="section-disturbed",
        subject="section/T1",
        priority="prompt",
        began=NOON,
        raised=NOON,
        ended=None,
        summary="",
        evidence=(),
        affected=(),
        suspects=(),
        checks=(),
        parameters={},
    )
    handling = Handling()
    handling.told(one)
    handling.take(
        Act(
            id="act",
            at=NOON,
            entered=NOON,
            by="Ines",
            position="east",
            what="shelved",
            kind=one.kind,
            subject=one.subject,
            text="known",
            until=NOON + HOUR,
        )
    )
    calls = [NOON, NOON + HOUR - 1, NOON + HOUR]
    asked = asking(
        [(at, one.id) for at in calls],
        lambda alert, at: handling.of(alert, at).quiet,
    )

    assert asked == [NOON + HOUR]


def test_time_in_flood():
    """What lies outside the time asked for does not count, and one that lasts counts up to its end."""
    over = Flood(begin=NOON - TEN, end=NOON + TEN, calls=11)
    lasts = Flood(begin=NOON + 50 * MINUTE, end=None, calls=11)

    assert in_flood([over, lasts], NOON, NOON + HOUR) == 20 / 60
    assert in_flood([], NOON, NOON + HOUR) == 0


def test_the_share_of_the_top_ten_with_ties():
    """Eleven places of two alerts each: ten of them are ten elevenths, though the eleventh ties."""
    alerts = [raised(subject=f"section/T{n}") for n in range(11) for _ in range(2)]

    assert top_share(alerts) == 10 / 11
    assert len(top(alerts)) == 11
    assert top_share([]) is None
