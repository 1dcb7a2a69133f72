from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from monitor.core.moments import MINUTE, SECOND, parse
from monitor.routes import Asked, Route, Routes, read_hours, unknown
from monitor.settings.delivery import DeliverySettings

NIGHT = read_hours("22:00-06:00")


def asked(at="2026-05-04T12:00:00Z", **changes):
    """A prompt call in an area."""
    values = {
        "priority": "prompt",
        "areas": frozenset({"thornmere"}),
        "kind": "section-disturbed",
        **changes,
    }
    return Asked(at=parse(at), **values)


def channels(routes, call):
    """The channels of each step."""
    return [step.channels for step in routes.steps(call)]


def test_the_first_route_that_fits_is_taken():
    """Routes are looked through in their order, by priority, area and kind."""
    routes = Routes(
        routes=(
            Route(steps=(("a",),), priorities=frozenset({"urgent"})),
            Route(steps=(("b",),), areas=frozenset({"ostrel"})),
            Route(steps=(("c",),), kinds=frozenset({"feed-silent"})),
            Route(steps=(("d",),)),
            Route(steps=(("e",),)),
        ),
        zone=ZoneInfo("UTC"),
    )

    assert channels(routes, asked(priority="urgent")) == [("a",)]
    assert channels(routes, asked(areas=frozenset({"ostrel"}))) == [("b",)]
    assert channels(routes, asked(kind="feed-silent")) == [("c",)]
    assert channels(routes, asked()) == [("d",)]


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        ("2026-01-15T20:59:59Z", "day"),  # 21:59:59 in Paris
        ("2026-01-15T21:00:00Z", "night"),
        ("2026-01-15T05:00:00Z", "day"),
        ("2026-07-15T20:00:00Z", "night"),  # 22:00 in summer
    ],
)
def test_hours_are_those_of_the_line(at, expected):
    """Hours are read in the line's timezone, summer and winter, past midnight too."""
    routes = Routes(
        routes=(Route(steps=(("night",),), hours=NIGHT), Route(steps=(("day",),))),
        zone=ZoneInfo("Europe/Paris"),
    )

    assert channels(routes, asked(at)) == [(expected,)]


def test_a_call_that_no_route_fits_goes_to_every_channel():
    """Nobody is left uncalled because of a gap between routes."""
    routes = Routes(
        routes=(Route(steps=(("a",),), areas=frozenset({"ostrel"})),),
        channels=("a", "b"),
        zone=ZoneInfo("UTC"),
    )

    assert channels(routes, asked()) == [("a", "b")]


def test_each_step_has_its_time():
    """Steps follow each other every 60 s where urgent, every 300 s where prompt."""
    routes = Routes(
        routes=(Route(steps=(("a",), ("b",), ("c",))),), zone=ZoneInfo("UTC")
    )

    urgent = [one.after for one in routes.steps(asked(priority="urgent"))]
    assert urgent == [0, 60 * SECOND, 120 * SECOND]
    prompt = [one.after for one in routes.steps(asked())]
    assert prompt == [0, 5 * MINUTE, 10 * MINUTE]


@pytest.mark.parametrize("text", ["", "22-06", "24:00-06:00", "01:00-24:30", "6:00-7:00", "05:00-05:00"])  # fmt: skip
def test_hours_that_are_none_are_refused(text):
    """Hours that cannot be read are told, never guessed."""
    with pytest.raises(ValueError, match=r"hours|ends at 24"):
        read_hours(text)


def test_hours_may_end_with_the_day():
    """24:00 is the end of the day."""
    hours = read_hours("06:00-24:00")
    assert [hours.hold(m) for m in (359, 360, 1439)] == [False, True, True]


def test_a_route_to_what_is_no_channel_is_told():
    """Every name that is no channel is told, once."""
    routes = [Route(steps=(("a", "b"), ("b", "c")))]
    assert unknown(routes, {"a"}) == ("b", "c")


HOOK = {"url": "http://127.0.0.1:1/x"}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"route": [{"steps": [["x"]]}]}, "no channel for calls: x"),
        (
            {
                "webhook": {"x": {**HOOK, "send": ["alerts"]}},
                "route": [{"steps": [["x"]]}],
            },
            "no channel for calls: x",
        ),
        (
            {"webhook": {"x": HOOK}, "alertmanager": {"x": {"url": "http://h"}}},
            "the same name: x",
        ),
        ({"webhook": {"mqtt": HOOK}}, "mqtt is the name"),
        ({"webhook": {"x": {"url": "ftp://h"}}}, "expected http"),
        ({"webhook": {"x": {"url": "http://u:p@h"}}}, "secret_file or token_file"),
        (
            {"alertmanager": {"x": {"url": "http://h", "valid_s": 100}}},
            "at least twice resend_s",
        ),
        ({"mail": {"x": {"host": "h", "sender": "a", "to": ["b@c"]}}}, "no mail"),
        (
            {"mail": {"x": {"host": "h", "sender": "a@b", "to": ["b@c\nBcc: d@e"]}}},
            "no mail",
        ),
        ({"retry_s": 10, "longest_retry_s": 5}, "not shorter"),
        ({"route": [{"steps": [["x"]], "hours": "1-2"}]}, "hours are written"),
    ],
)
def test_settings_that_cannot_work_are_told(values, said):
    """What is wrong with the settings of delivery is said before anything starts."""
    with pytest.raises(ValidationError, match=said):
        DeliverySettings.model_validate(values)


def test_without_settings_nobody_is_called():
    """Out of the box there is no channel but the topic on the broker."""
    settings = DeliverySettings()
    assert settings.calling == ()
    assert settings.mqtt.on
    assert (settings.urgent_s, settings.prompt_s) == (60.0, 300.0)
