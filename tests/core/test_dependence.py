from __future__ import annotations

import pytest

from monitor.core.dependence import ORDER, Dependence, width
from monitor.core.layout import read_line

LINE = """
[line]
name = "Depending"
timezone = "UTC"

[[evaluator]]
id = "EV1"
site = "North"
supply = "PS1"

[[evaluator]]
id = "EV2"
site = "South"

[[section]]
id = "T1"
area = "east"
evaluator = "EV1"
length_m = 800
speed_km_h = 100

[[section]]
id = "T2"
area = "east"
evaluator = "EV1"
length_m = 800
speed_km_h = 100

[[section]]
id = "T3"
area = "west"
evaluator = "EV2"
length_m = 800
speed_km_h = 100

[[head]]
id = "H0"
between = ["open", "T1"]

[[head]]
id = "H1"
between = ["T1", "T2"]
unit = "U1"
cable = "K1"

[[head]]
id = "H2"
between = ["T2", "T3"]
unit = "U2"
cable = "K1"
evaluators = ["EV1", "EV2"]
"""


@pytest.fixture(scope="module")
def dependence():
    """Three sections in a row; the head between T2 and T3 ends in both rooms."""
    return Dependence(read_line(LINE, "depending.toml"))


@pytest.mark.parametrize(
    ("subject", "assets"),
    [
        (
            "section/T1",
            ["unit/U1", "cable/K1", "evaluator/EV1", "supply/PS1", "site/North"],
        ),
        (
            "section/T2",
            [
                "unit/U1",
                "unit/U2",
                "cable/K1",
                "evaluator/EV1",
                "evaluator/EV2",
                "supply/PS1",
                "site/North",
                "site/South",
            ],
        ),
        (
            "section/T3",
            [
                "unit/U2",
                "cable/K1",
                "evaluator/EV2",
                "evaluator/EV1",
                "supply/PS1",
                "site/South",
                "site/North",
            ],
        ),
    ],
)
def test_what_a_section_needs(dependence, subject, assets):
    """The units and cables of its heads, its evaluator and those where the heads end, what supplies them and where they stand, each once and the smallest first, and its area last."""
    *needed, area = dependence.assets_of(subject)

    assert needed == assets
    assert area == ("area/west" if subject == "section/T3" else "area/east")


def test_what_an_evaluator_needs(dependence):
    """Itself, its supply, its room, and the areas of the sections that it keeps."""
    assert dependence.assets_of("evaluator/EV1") == (
        "evaluator/EV1",
        "supply/PS1",
        "site/North",
        "area/east",
    )
    assert dependence.assets_of("evaluator/EV2") == (
        "evaluator/EV2",
        "site/South",
        "area/west",
    )


@pytest.mark.parametrize(
    ("asset", "sections"),
    [
        ("unit/U1", ("T1", "T2")),
        ("unit/U2", ("T2", "T3")),
        ("cable/K1", ("T1", "T2", "T3")),
        ("evaluator/EV2", ("T2", "T3")),
        ("supply/PS1", ("T1", "T2", "T3")),
        ("area/west", ("T3",)),
        ("cable/K9", ()),
    ],
)
def test_what_needs_an_asset(dependence, asset, sections):
    """The sections in the order of the line file; of what the line file does not name, none."""
    assert dependence.sections_on(asset) == sections


def test_the_two_ways_round_agree(dependence):
    """A section needs an asset if and only if it is among those that need it."""
    for section in ("T1", "T2", "T3"):
        needed = set(dependence.assets_of(f"section/{section}"))
        on = {
            a for one in needed for a in [one] if section in dependence.sections_on(a)
        }
        assert needed == on


def test_what_is_not_in_the_line_file_is_refused(dependence):
    """A section that is not there is a fault of the caller, and no section without assets."""
    with pytest.raises(KeyError):
        dependence.assets_of("section/T9")


def test_assets_are_ordered_from_the_smallest(dependence):
    """Unit, cable, evaluator, supply, site, area: as they are preferred where they explain as much."""
    assert ORDER == ("unit", "cable", "evaluator", "supply", "site", "area")
    widths = [width(one) for one in dependence.assets_of("section/T2")]
    assert widths == sorted(widths) == [0, 0, 1, 2, 2, 3, 4, 4, 5]
