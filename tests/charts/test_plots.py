"""Counts and rates as drawings: what is drawn, for who sees it and for who does not."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, strategies as st

from monitor.charts.plots import Bar, carried, columns, rows, ticks

SVG = "{http://www.w3.org/2000/svg}"


def parsed(svg):
    """A drawing as a tree; it must be well-formed."""
    return ET.fromstring(
        svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    )


BARS = [
    Bar(label="05", value=2.0, low=1.0, high=4.0),
    Bar(label="06", value=1.0, low=0.5, high=3.0, part=True),
    Bar(label="07", value=None),
]


@pytest.mark.parametrize(
    "svg",
    [
        columns("a", "By month", "A bar a month", BARS),
        rows("b", "To expect", "A dot a section", BARS, "per 1,000"),
        carried("c", "Carry most", "From the most on", BARS[:2], [0.67, 1.0]),
    ],
    ids=["columns", "rows", "carried"],
)
def test_who_cannot_see_it_is_told_what_it_shows(svg):
    """A role, a title and a description, named by the drawing (SVG accessibility, WAI-ARIA `img`)."""
    tree = parsed(svg)
    named = tree.attrib["aria-labelledby"].split()
    ids = {one.attrib["id"] for one in tree if "id" in one.attrib}

    assert tree.attrib["role"] == "img"
    assert set(named) <= ids
    assert all(tree.find(f"{SVG}{what}").text for what in ("title", "desc"))


def test_nothing_in_it_has_a_colour_of_its_own():
    """It is printed in grey, and shown on a dark page: the colour is that of the text around it; no style, which pages forbid."""
    for svg in (columns("a", "t", "d", BARS), rows("b", "t", "d", BARS, "u")):
        assert not re.search(r"#[0-9a-fA-F]{3,6}\b(?!-)", svg.replace("url(#", "url("))
        assert "style=" not in svg


def test_a_bar_is_as_high_as_its_value():
    """Twice the value is twice the height; what is only partly observed is hatched, what is not known a question mark."""
    tree = parsed(columns("a", "t", "d", BARS))
    bars = [one for one in tree.findall(f"{SVG}rect") if "stroke" in one.attrib]
    heights = [float(one.attrib["height"]) for one in bars]

    assert heights[0] == pytest.approx(2 * heights[1], abs=0.2)
    assert bars[0].attrib["fill"] == "currentColor"
    assert bars[1].attrib["fill"] == "url(#a-hatch)"
    assert [one.text for one in tree.findall(f"{SVG}text")].count("?") == 1


def test_names_are_escaped():
    """A section may be called anything."""
    tree = parsed(rows("b", "<t>", "&", [Bar(label="<b>&", value=1.0)], "u"))

    assert "<b>&" in [one.text for one in tree.findall(f"{SVG}text")]


@given(st.floats(1e-6, 1e9))
def test_the_scale_reaches_beyond_the_highest(top):
    """Three to seven round numbers from nought, the last no lower than the highest value, and not twice as high."""
    found = ticks(top)

    assert found[0] == 0
    assert found[-1] >= top * (1 - 1e-6)
    assert found[-1] < 2.01 * top
    assert 3 <= len(found) <= 7


def test_counts_have_no_parts_at_the_side():
    """Sections that carry one each: nought and one, and no fifths of a disturbance."""
    bars = [Bar(label="T1", value=1.0), Bar(label="T2", value=1.0)]
    texts = [
        one.text
        for one in parsed(carried("c", "t", "d", bars, [0.5, 1.0])).findall(
            f"{SVG}text"
        )
    ]

    assert "0.2" not in texts
    assert {"0", "1"} <= set(texts)
