from __future__ import annotations

import random

import pytest

from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.moments import SECOND, parse
from tests.core.conftest import Run, plain_line

pytestmark = pytest.mark.days

BEGIN = parse("2026-05-04T06:00:00Z")


def test_what_flickers_between_two_that_are_occupied_stops_nothing():
    """Found occupied on both sides of a section that is disturbed and clear for a moment: of two that may be no train one is forgotten, and the watch goes on."""
    ran = Run(plain_line())
    ran.tell(
        """
        06:00:02 T3 occupied
        06:00:04.6 T1 occupied
        06:00:10.6 T2 disturbed
        06:00:13.1 T2 clear
        06:00:13.2 T2 disturbed
        06:00:59.8 T1 disturbed
        """
    )
    ran.until("06:02")
    assert ran.engine.shown("T1").event is not None


def test_no_order_of_states_stops_it():
    """Whatever four sections show, however soon after one another, is taken to its end."""
    names = sorted(plain_line(4).sections)
    for seed in range(100):
        draw = random.Random(seed)
        engine, at = Engine(plain_line(4)), BEGIN
        for number in range(60):
            at += draw.choice([1, 5, 10, 20, 40]) * SECOND // 10
            engine.take(
                SectionState(
                    id=str(number),
                    source="gw/1",
                    subject=draw.choice(names),
                    time=at,
                    arrival=at,
                    state=draw.choice([State.CLEAR, State.OCCUPIED, State.DISTURBED]),
                )
            )
        engine.finish()
        assert engine.watermark == at
