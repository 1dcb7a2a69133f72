from importlib.resources import files
from pathlib import Path

import pytest

from monitor.charts.lineup import Place, lineup, surroundings
from monitor.core.layout import OPEN, read_line

SIMULATOR = Path(str(files("replay.simulator")))
LINES = [SIMULATOR / "line.toml", *sorted((SIMULATOR / "lines").glob("*.toml"))]

HEAD = (
    '[line]\nname = "A line"\ntimezone = "UTC"\n[[evaluator]]\nid = "E"\nsite = "S"\n'
)


def line_of(*joined, km=(), track=()):
    """A line out of pairs of sections, each a head, some with kilometres."""
    names = dict.fromkeys(name for pair in joined for name in pair if name != OPEN)
    tracks = dict(track)
    text = HEAD + "".join(
        f'[[section]]\nid = "{name}"\narea = "x"\nevaluator = "E"\nlength_m = 500\nspeed_km_h = 80\n'
        + (f'track = "{tracks[name]}"\n' if name in tracks else "")
        for name in names
    )
    for number, (one, other) in enumerate(joined):
        text += f'[[head]]\nid = "H{number}"\nbetween = ["{one}", "{other}"]\n'
        if km:
            text += f"km = {km[number]}\n"
    return read_line(text)


def drawn(line, names=None):
    """The rows of the drawing, as names side by side."""
    placed = lineup(line, names if names is not None else line.sections)
    return [
        [
            next((n for n, p in placed.places.items() if p == Place(c, r)), "")
            for c in range(placed.columns)
        ]
        for r in range(placed.rows)
    ]


def test_a_plain_line_goes_by_its_kilometres():
    """Whatever the order of the file, and whichever way its heads look."""
    line = line_of(("C", "B"), ("B", "A"), km=(2.0, 1.5))

    assert drawn(line) == [["A", "B", "C"]]


def test_without_kilometres_forward_is_to_the_right():
    """A head's forward is out of the first section, into the second."""
    line = line_of((OPEN, "A"), ("A", "B"), ("B", "C"))

    assert drawn(line) == [["A", "B", "C"]]


def test_kilometres_that_cannot_be_are_not_gone_by():
    """Heads of a section of 500 m that are 14 km apart: then by the ways of the heads."""
    line = line_of(("A", "B"), ("B", "C"), ("C", "D"), km=(1.0, 15.0, 2.0))

    assert drawn(line) == [["A", "B", "C", "D"]]


def test_a_loop_lies_below_the_main_track():
    """Both tracks between the same points share a column."""
    line = line_of(("W", "M"), ("M", "E"), ("W", "L"), ("L", "E"))

    assert drawn(line) == [["W", "M", "E"], ["", "L", ""]]


def test_a_ring_is_drawn_all_the_same():
    """One of its ways is left out."""
    line = line_of(("A", "B"), ("B", "C"), ("C", "A"))

    assert drawn(line) == [["A", "B", "C"]]


@pytest.mark.parametrize("path", LINES, ids=lambda path: path.stem)
def test_no_two_sections_share_a_place(path):
    """On every invented line, as a whole and area by area."""
    line = read_line(path.read_text())
    areas = {one.area for one in line.sections.values()}
    for names in (
        list(line.sections),
        *([n for n, one in line.sections.items() if one.area == a] for a in areas),
    ):
        placed = lineup(line, names)
        assert sorted(placed.places) == sorted(names)
        assert len(set(placed.places.values())) == len(names)


@pytest.mark.parametrize("path", LINES, ids=lambda path: path.stem)
def test_most_neighbours_are_drawn_side_by_side(path):
    """What a train enters next lies in the next column: at nine of ten heads."""
    line = read_line(path.read_text())
    placed = lineup(line, line.sections)
    joins = [one for one in placed.joins if one.right in placed.places]
    near = [
        placed.places[one.right].column - placed.places[one.left].column in (0, 1)
        for one in joins
    ]

    assert sum(near) >= 0.85 * len(near)


def test_nine_hundred_sections_are_placed():
    """Six areas of two tracks of 75."""
    pairs = [
        (f"A{area}T{track}S{number}", f"A{area}T{track}S{number + 1}")
        for area in range(6)
        for track in range(2)
        for number in range(74)
    ]
    line = line_of(*pairs)
    one = [name for name in line.sections if name.startswith("A0")]
    placed = lineup(line, one)

    assert (len(line.sections), placed.columns, placed.rows) == (900, 75, 2)


def test_what_is_around_a_section_is_what_is_nearest():
    """By heads passed, in the order of the file."""
    line = line_of(("A", "B"), ("B", "C"), ("C", "D"), ("D", "E"))

    assert surroundings(line, "C", 3) == ("B", "C", "D")
