import re
from zoneinfo import ZoneInfo

import pytest

from monitor.core.moments import MINUTE, parse
from monitor.desk.model import FactOut, SectionFullOut
from monitor.desk.pages.strip import NAMES, WIDTH, spans, strip
from tests.desk.fake import SECTION

NOW = parse("2026-05-04T06:15:00Z")
WINDOW = (NOW - 15 * MINUTE, NOW)
UTC = ZoneInfo("UTC")


def section(*facts, **more):
    """T107 with what was so; clear now."""
    values = {**SECTION, "settled": "clear", "since": "2026-05-04T06:14:00Z", **more}
    told = [
        FactOut(kind=kind, began=begin, ended=end, values={})
        for kind, begin, end in facts
    ]
    return SectionFullOut(**values, facts=told, explained=[])


def test_an_occupation_is_drawn_where_its_times_put_it():
    """From 06:05 to 06:08 of 06:00 to 06:15: the second third's beginning, a fifth wide."""
    one = section(("occupation", "2026-05-04T06:05:00Z", "2026-05-04T06:08:00Z"))
    [bar] = spans(one, WINDOW, UTC)

    assert bar.left == pytest.approx(NAMES + (WIDTH - NAMES) / 3)
    assert bar.width == pytest.approx((WIDTH - NAMES) / 5)
    assert bar.says == "not clear from 06:05:00 to 06:08:00"


def test_what_goes_on_reaches_to_now():
    """An occupation is a fact only when it is over."""
    [bar] = spans(section(settled="occupied"), WINDOW, UTC)

    assert bar.left + bar.width == pytest.approx(WIDTH)


def test_what_lies_before_the_window_is_left_out():
    """And what reaches into it is cut."""
    one = section(
        ("occupation", "2026-05-04T05:00:00Z", "2026-05-04T05:10:00Z"),
        ("not-known", "2026-05-04T05:50:00Z", "2026-05-04T06:01:00Z"),
    )
    [bar] = spans(one, WINDOW, UTC)

    assert (bar.kind, bar.left) == ("not-known", NAMES)


def test_a_section_that_is_not_known_now_goes_on_as_nothing_but_that():
    """What it showed last is not drawn on."""
    one = section(
        ("not-known", "2026-05-04T06:10:00Z", None), settled="occupied", known=False
    )

    assert [bar.kind for bar in spans(one, WINDOW, UTC)] == ["not-known"]


def test_moments_have_their_word():
    """A disturbance and a reset; two close together have one."""
    one = section(
        ("disturbance", "2026-05-04T06:05:00Z", None),
        ("reset", "2026-05-04T06:05:10Z", None),
        ("reset", "2026-05-04T06:12:00Z", None),
    )
    drawn = strip([one], NOW, UTC)

    assert re.findall(r'"moment-said"[^>]*>(\w+)<', drawn) == ["disturbed", "reset"]
    assert drawn.count('class="moment"') == 3
