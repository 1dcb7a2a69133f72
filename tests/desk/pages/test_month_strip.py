from __future__ import annotations

import re

from monitor.desk.model import DayOut
from monitor.desk.pages.month_strip import month_strip


def days(*pairs):
    """Days of May."""
    return [
        DayOut(day=f"2026-05-{number + 1:02d}", disturbances=count, not_known=share)
        for number, (count, share) in enumerate(pairs)
    ]


def test_a_day_is_a_column_with_its_number_and_hatched_where_it_was_not_heard():
    """Numbers stand on columns, more is higher, nought is no column, and a day of which an hour was not known is hatched, whatever its number."""
    svg = month_strip({"T107": days((0, 0), (1, 0), (3, 0.05), (0, 1), (40, 0.001))})
    heights = [
        float(one) for one in re.findall(r'class="was" .*?height="([\d.]+)"', svg)
    ]

    assert re.findall(r'class="count"[^>]*>(\d+)<', svg) == ["1", "3", "40"]
    assert heights == sorted(heights)
    assert heights[0] * 3 == heights[1]
    assert svg.count('class="was-unknown"') == 2
    assert "T107, 2026-05-04: not heard" in svg
    assert "T107, 2026-05-03: 3 disturbances; not known for 5 of a hundred" in svg


def test_the_dates_below_end_with_today_and_names_are_escaped():
    """Ten days apart, counted from the last; a name that would be markup is none."""
    svg = month_strip({"<T>": days(*[(0, 0)] * 30), "T2": days(*[(0, 0)] * 30)})

    assert re.findall(r">(05-\d\d)<", svg) == ["05-10", "05-20", "05-30"]
    assert "<T>" not in svg
    assert svg.count('class="row-name"') == 2
