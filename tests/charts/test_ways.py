"""Rows of the time-distance diagram: the main line together, what leaves it beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.charts.ways import ways
from monitor.core.layout import read_line

LINES = Path(__file__).parent.parent.parent / "replay/simulator"


def ways_of(name):
    """The ways of an invented line, as texts."""
    line = read_line((LINES / name).read_text(), name)
    return [" ".join(way) for way in ways(line, line.sections)]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (
            "line.toml",
            [
                "P01 P02 P03 P04 P06 P05 W01 W02 W03 T06 T07 T08 T09 T10 O01 O03 O02",
                "M01 M02 M03 M04 M05 M06 M07",
            ],
        ),
        ("lines/double.toml", ["D1 D2 D3 D4 D5 D6 D7 D8", "U1 U2 U3 U4 U5 U6 U7 U8"]),
        (
            "lines/loops.toml",
            [
                "S1 S2 W1 L1A L1B E1 S3 S4 W2 L2A L2B E2 S5 S6 W3 L3A L3B E3 S7 S8",
            ],
        ),
        ("lines/quay.toml", ["A1 A2 A3 J1 C1 C2 J2 Q1 Q2 Y1", "B1 B2"]),
    ],
)
def test_a_branch_stands_beside_the_main_line(name, expected):
    """Read off the line files: loops, platforms and sidings at their place, a branch and a second track by themselves, longer than the rest of the main line or not."""
    assert ways_of(name) == expected


def test_every_section_has_one_row():
    """Each once, whatever is asked for."""
    line = read_line((LINES / "line.toml").read_text(), "line.toml")
    some = list(line.sections)[::2]

    assert sorted(one for way in ways(line, some) for one in way) == sorted(some)
    assert ways(line, []) == ()
