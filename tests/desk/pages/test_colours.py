"""Colours of the style sheet: contrast as WCAG 2.2 computes it, and how far apart meanings are for eyes that see fewer colours.

The formulas: relative luminance and contrast ratio of WCAG 2.2 (W3C, "Understanding" 1.4.3 and 1.4.11); colour vision by Machado, Oliveira and Fernandes (2009) and distance in CAM02-UCS, both as the library colorspacious has them.
"""

from __future__ import annotations

import re
from importlib.resources import files
from itertools import combinations

import pytest
from colorspacious import cspace_convert

CSS = (files("monitor.charts") / "static" / "colours.css").read_text()


def colours(selector):
    """The colours that a block of the style sheet names."""
    block = re.search(re.escape(selector) + r" \{(.*?)\}", CSS, re.DOTALL)
    assert block is not None
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block[1]))


THEMES = {"day": colours(":root"), "dimmed": colours(":root[data-dimmed]")}

TEXT = [
    ("ink", "panel"),
    ("ink", "ground"),
    ("ink", "answer"),
    ("second", "panel"),
    ("second", "answer"),
    ("on-urgent", "urgent"),
    ("on-prompt", "prompt"),
    ("on-planned", "planned"),
    ("on-train", "train"),
]
"""What is written in which colour on which: 4.5 at least (1.4.3, level AA)."""

MARKS = [
    ("clear", "panel"),
    ("train", "panel"),
    ("urgent", "panel"),
    ("prompt-edge", "panel"),
    ("planned", "panel"),
    ("hatch", "panel"),
    ("ring", "panel"),
    ("train", "clear"),
]
"""Marks that mean something, beside what they lie on: 3 at least (1.4.11)."""

MEANINGS = ("urgent", "prompt", "planned", "clear", "train")
LEAST = {
    "normal": 20.0,
    "deuteranomaly": 16.0,
    "protanomaly": 15.0,
    "tritanomaly": 16.0,
}
"""The smallest distance between two meanings that is left; 1 is just noticed."""


def luminance(colour):
    """Relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts
    ]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    """The contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_what_the_standard_prints():
    """Black on white is 21 (WCAG 2.2, contrast ratio); #777777 on white is 4.48, the known grey just below 4.5 (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("over", "under"), TEXT)
def test_text_can_be_read(theme, over, under):
    """By day and dimmed."""
    found = THEMES[theme]

    assert contrast(found[over], found[under]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("over", "under"), MARKS)
def test_marks_can_be_told_from_what_they_lie_on(theme, over, under):
    """By day and dimmed; yellow has its dark edge."""
    found = THEMES[theme]

    assert contrast(found[over], found[under]) >= 3.0


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("eyes", LEAST)
def test_meanings_stay_apart_for_eyes_that_see_fewer_colours(theme, eyes):
    """Fully so, and each meaning is another kind of mark besides."""

    def seen(colour):
        rgb = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        if eyes != "normal":
            space = {"name": "sRGB1+CVD", "cvd_type": eyes, "severity": 100}
            rgb = cspace_convert(rgb, space, "sRGB1").clip(0, 1)
        return cspace_convert(rgb, "sRGB1", "CAM02-UCS")

    points = {name: seen(THEMES[theme][name]) for name in MEANINGS}
    apart = {
        pair: sum((points[pair[0]] - points[pair[1]]) ** 2) ** 0.5
        for pair in combinations(MEANINGS, 2)
    }
    pair = min(apart, key=lambda one: apart[one])

    assert apart[pair] >= LEAST[eyes], f"{pair} {apart[pair]:.1f}"
