from zoneinfo import ZoneInfo

import pytest

from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, MINUTE, parse
from monitor.desk.traffic import Traffic

MONDAY = parse("2026-05-04T00:00:00Z")
UTC = ZoneInfo("UTC")


def left(train, at):
    """A train has left a section."""
    return Fact(
        kind="occupation",
        subject="section/T1",
        began=at - MINUTE,
        ended=at,
        values={"trains": [train]},
    )


def test_a_train_counts_once_however_many_sections_it_leaves():
    """Within the hour before now."""
    traffic = Traffic(UTC)
    traffic.told(
        [
            left("t1", MONDAY + 10 * MINUTE),
            left("t1", MONDAY + 20 * MINUTE),
            left("t2", MONDAY + 65 * MINUTE),
        ]
    )

    assert traffic.moved == MONDAY + 65 * MINUTE
    assert traffic.in_the_last_hour(MONDAY + 70 * MINUTE) == 2
    assert traffic.in_the_last_hour(MONDAY + 90 * MINUTE) == 1


def test_nothing_is_usual_before_it_is_learnt():
    """Four like hours are too few."""
    traffic = Traffic(UTC)
    for day in range(4):
        traffic.told([left(f"t{day}", MONDAY + day * DAY + 30 * MINUTE)])

    assert traffic.usual(MONDAY + 4 * DAY) is None


@pytest.mark.parametrize(("hour", "usual"), [(6, (3, 3)), (7, (0, 0))])
def test_what_is_usual_at_an_hour_of_weekdays(hour, usual):
    """Three trains from six to seven, none from seven to eight, for two weeks."""
    traffic = Traffic(UTC)
    traffic.told([left("first", MONDAY - HOUR)])
    for day in range(14):
        for number in range(3):
            at = MONDAY + day * DAY + 6 * HOUR + number * 10 * MINUTE
            traffic.told([left(f"t{day}-{number}", at)])

    assert traffic.usual(MONDAY + 14 * DAY + hour * HOUR) == usual
