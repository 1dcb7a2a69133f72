"""Faults that are told otherwise since a start: their numbers lead on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.faults import Fault, fault_line, number_of, read_fault
from monitor.core.moments import MINUTE, parse
from monitor.core.succession import LEFT, WHY, Succession

SIX = parse("2026-05-04T06:00:00Z")
A, B, C = "a" * 16, "b" * 16, "c" * 16


def fault(name, *alerts, raised=SIX, **more):
    """A fault of some alerts, all of them open."""
    given = {"open": alerts, "lasting": (), "ended": None, "into": None, **more}
    return Fault(
        id=name,
        number=number_of(name),
        headline="T2 disturbed",
        priority="prompt",
        subject="section/T2",
        began=raised,
        raised=raised,
        alerts=alerts,
        subjects=("section/T2",),
        waiting=(),
        took=(),
        calls=1,
        **given,
    )


def became(former, *now, at=SIX + 9 * MINUTE):
    """The last lines of *former*, where *now* is told after a start."""
    succession = Succession(former)
    succession.told(now)
    return succession.lines(at)


def test_a_number_that_was_told_leads_on_to_the_fault_that_has_its_alerts():
    """What was open in it says where it went; the fault of what is over already does not."""
    [one] = became(
        [fault(A, A, B, open=(B,))],
        fault(C, A),
        fault(B, B, raised=SIX + MINUTE),
    )

    assert (one.id, one.into, one.why) == (A, B, WHY)
    assert one.ended == SIX + MINUTE
    assert one.open == one.lasting == ()
    assert read_fault(fault_line(one)) == one


def test_one_that_nobody_comes_to_any_more_is_over_and_says_why():
    """With the last event that came before the start."""
    [one] = became([fault(A, A)], fault(C, C))

    assert (one.into, one.ended, one.why) == (None, SIX + 9 * MINUTE, LEFT)


@pytest.mark.parametrize(
    "former",
    [
        pytest.param(fault(A, A), id="told as before"),
        pytest.param(fault(C, A, ended=SIX), id="over"),
        pytest.param(fault(C, A, into=A, ended=SIX), id="taken in"),
        pytest.param(fault(C, C, ended=SIX, lasting=(C,)), id="over, gone"),
    ],
)
def test_others_are_left_alone(former):
    """What is told as before, and what was over, has its last line already."""
    assert became([former], fault(A, A)) == ()


def test_what_only_a_person_ends_leads_on_though_all_else_is_over():
    """Whoever closes it has the number; it is over since when it was."""
    [one] = became([fault(C, A, ended=SIX, lasting=(A,), open=())], fault(A, A))

    assert (one.into, one.ended) == (A, SIX)


def test_where_the_alerts_go_is_where_they_are_at_last():
    """A fault that was taken in by another has none of its own any more."""
    own = fault(B, A, B)
    taken = replace(own, into=C, ended=SIX, open=())

    [one] = became([fault(A, A, B)], own, fault(C, C, A, B), taken)

    assert one.into == C
