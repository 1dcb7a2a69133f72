import re
from zoneinfo import ZoneInfo

import pytest

from monitor.core.moments import MINUTE, parse
from monitor.desk.model import FactOut, SectionFullOut, ShownOut
from monitor.desk.pages.strip import NAMES, WIDTH, legend, spans, strip
from tests.desk.fake import SECTION

NOW = parse("2026-05-04T06:15:00Z")
WINDOW = (NOW - 15 * MINUTE, NOW)
UTC = ZoneInfo("UTC")


def section(*facts, states=(), **more):
    """T107 with what was so and the states of it that are kept; clear now."""
    values = {**SECTION, "settled": "clear", "since": "2026-05-04T06:14:00Z", **more}
    told = [
        FactOut(kind=kind, began=begin, ended=end, values={})
        for kind, begin, end in facts
    ]
    shown = [ShownOut(at=f"2026-05-04T{at}Z", state=state) for at, state in states]
    return SectionFullOut(**values, facts=told, states=shown, explained=[])


def test_an_occupation_is_drawn_where_its_times_put_it():
    """From 06:05 to 06:08 of 06:00 to 06:15: the second third's beginning, a fifth wide."""
    one = section(("occupation", "2026-05-04T06:05:00Z", "2026-05-04T06:08:00Z"))
    [bar] = spans(one, WINDOW, UTC)

    assert bar.left == pytest.approx(NAMES + (WIDTH - NAMES) / 3)
    assert bar.width == pytest.approx((WIDTH - NAMES) / 5)
    assert bar.says == "not clear from 06:05:00 to 06:08:00"


def test_each_state_has_a_mark_of_its_own():
    """Never a train's bar for a disturbance, nor for what waits: 06:05 to 06:08 disturbed, then for a sweep, then to be confirmed, then a train."""
    states = (
        ("06:05:00", "disturbed"),
        ("06:08:00", "awaiting_sweep"),
        ("06:09:00", "awaiting_acknowledgement"),
        ("06:10:00", "occupied"),
        ("06:11:00", "clear"),
    )
    one = section(
        ("occupation", "2026-05-04T06:05:00Z", "2026-05-04T06:11:00Z"), states=states
    )
    found = spans(one, WINDOW, UTC)
    drawn = re.findall(
        r'<rect class="(was[a-z-]*)"[^>]*><title', strip([one], NOW, UTC)
    )

    assert [bar.says for bar in found] == [
        "disturbed from 06:05:00 to 06:08:00",
        "awaiting sweep from 06:08:00 to 06:09:00",
        "awaiting acknowledgement from 06:09:00 to 06:10:00",
        "occupied from 06:10:00 to 06:11:00",
    ]
    assert drawn == ["was-disturbed", "was-sweep", "was-confirm", "was"]


def test_what_was_before_the_states_that_are_kept_is_a_train_only_where_nothing_else_was():
    """An occupation of which no state is kept may have been a disturbance: then its mark is no train's."""
    one = section(
        ("occupation", "2026-05-04T06:02:00Z", "2026-05-04T06:03:00Z"),
        ("occupation", "2026-05-04T06:05:00Z", "2026-05-04T06:11:00Z"),
        states=(("06:08:00", "occupied"), ("06:11:00", "clear")),
    )
    one.facts[0].values["only_occupied"] = True

    assert [bar.says for bar in spans(one, WINDOW, UTC)] == [
        "occupied from 06:02:00 to 06:03:00",
        "not clear from 06:05:00 to 06:08:00",
        "occupied from 06:08:00 to 06:11:00",
    ]


def test_the_legend_tells_every_mark_but_that_of_what_is_not_kept():
    """In words beside them."""
    told = legend()

    assert re.findall(r'<rect class="(was[a-z-]*)"', told) == [
        "was",
        "was-disturbed",
        "was-sweep",
        "was-confirm",
        "was-unknown",
    ]
    assert re.findall(r"</svg> ([a-z ]+)</span>", told) == [
        "train",
        "disturbed",
        "awaits a sweep",
        "awaits confirming",
        "not known",
    ]


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
