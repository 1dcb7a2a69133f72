from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import ClassVar
from xml.etree import ElementTree as ET

import pytest

from monitor.charts import __main__ as writer
from monitor.charts.examples import example_of
from monitor.charts.pictures import KINDS, draw
from monitor.charts.scenes import scene_of
from monitor.core.changes import LeftOverGone
from monitor.core.detectors import CATALOGUE
from monitor.core.detectors.section_disturbed import SectionDisturbed
from monitor.core.moments import parse
from tests.test_words import faults

SVG = "{http://www.w3.org/2000/svg}"

NOON = parse("2026-05-04T12:00:00Z")

FLAGS = {
    "clock-wrong": ("began 12:00:00", "raised 12:01:00, planned, 1 min later"),
    "common-cause": ("began 12:00:00", "raised 12:00:14, prompt, 14 s later"),
    "contact-disagreement": ("began 12:00:00", "raised 12:00:01, prompt, 1 s later"),
    "count-mismatch": ("began 12:00:00", "raised 12:02:02, planned, 2 min later"),
    "evaluator-locked-out": ("began 12:00:00", "raised at once, prompt"),
    "feed-gap": ("began 12:00:00", "raised 12:00:13, note, 13 s later"),
    "feed-silent": ("began 12:00:00", "raised 12:01:30, prompt, 90 s later"),
    # Seven whole days from 4 to 10 May are needed: known at the midnight after them.
    "level-drift": ("began 2026-05-11", "raised at once, planned"),
    "level-out": ("began 12:00:00", "raised 12:01:00, planned, 1 min later"),
    "line-file-doubt": ("began 00:00:00", "raised 12:00:02, note, 12 h later"),
    "long-occupation": ("began 12:00:00", "raised 12:30:00, note, 30 min later"),
    "occupied-no-train": ("began 12:00:00", "raised 12:02:00, prompt, 2 min later"),
    "one-sided-head": ("began 12:00:00", "raised 12:30:00, planned, 30 min later"),
    "repeat-disturbance": ("began 12:00:00", "raised 12:30:00, planned, 30 min later"),
    "reset-not-held": ("began 12:10:00", "raised at once, prompt"),
    "reset-unproved": ("began 12:00:00", "raised 13:00:00, planned, 1 h later"),
    "restoration-incomplete": (
        "began 12:00:00",
        "raised 12:05:00, prompt, 5 min later",
    ),
    "section-disturbed": ("began 12:00:00", "raised 12:00:05, prompt, 5 s later"),
    "spurious-occupation": ("began 12:00:00", "raised 12:00:08, planned, 8 s later"),
    "unseen-train": ("began 12:00:00", "raised 12:01:02, urgent, 62 s later"),
    "vanished-train": ("began 12:00:00", "raised 12:00:02, urgent, 2 s later"),
    "worsening": ("began 2026-06-29", "raised at once, planned"),
}
"""By hand, from the times in the examples and the rules of the kinds."""

kinds = pytest.mark.parametrize(
    "detector", [pytest.param(one, id=one.kind) for one in CATALOGUE]
)


def drawn(kind):
    """The file of a kind, as a tree."""
    text = (KINDS / f"{kind}.svg").read_text(encoding="utf-8")
    return ET.fromstring(text)


def texts(tree):
    """The words on a drawing, in order."""
    return [text.text for text in tree.iter(f"{SVG}text")]


def corners(path):
    """Every point of a path of the commands that the drawings use."""
    x = y = 0.0
    for command, numbers in re.findall(r"([MLHVmlhvz])([^MLHVmlhvz]*)", path):
        given = [float(n) for n in re.findall(r"-?[0-9.]+", numbers)]
        match command:
            case "M" | "L":
                x, y = given
            case "m" | "l":
                x, y = x + given[0], y + given[1]
            case "H":
                (x,) = given
            case "V":
                (y,) = given
            case "h":
                x += given[0]
            case "v":
                y += given[0]
        yield x, y


def box(text):
    """Where words stand, at 5.7 px a letter: what a usual font of 11 px takes."""
    x, y, long = float(text.get("x")), float(text.get("y")), 5.7 * len(text.text)
    left = x - long if text.get("text-anchor") == "end" else x
    return left, y - 8, left + long, y + 2


def luminance(colour):
    """Relative luminance as WCAG 2 defines it."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [
        p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast as WCAG 2 defines it."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def colours(tree):
    """Fill and stroke of each class, by day and on a dark screen."""
    style = tree.find(f"{SVG}style").text
    found = []
    for part in style.split("@media"):
        rules = re.findall(r"#[\w-]+-picture \.?([\w-]+) { ([^}]*) }", part)
        found.append(
            {
                (name, what): colour
                for name, how in rules
                for what, colour in re.findall(r"(fill|stroke): (#\w{6})", how)
            }
        )
    return found


def test_every_kind_has_its_picture():
    """There is a picture for each kind of the catalogue, and none of a kind that is not."""
    assert {path.stem for path in KINDS.iterdir()} == {d.kind for d in CATALOGUE}


@kinds
def test_the_files_are_what_is_drawn_now(detector):
    """A picture in the tree is what its example gives now; `python -m monitor.charts` makes it so."""
    kept = (KINDS / f"{detector.kind}.svg").read_text(encoding="utf-8")

    assert kept == draw(detector)


@kinds
def test_a_picture_says_in_words_what_it_shows(detector):
    """Who does not see the drawing is told its title, what was found, and when."""
    tree = drawn(detector.kind)
    title, told = tree.find(f"{SVG}title"), tree.find(f"{SVG}desc")

    assert title.text == detector.title
    assert example_of(detector).found.summary in told.text
    assert "Began " in told.text
    assert tree.get("role") == "img"
    assert tree.get("aria-labelledby").split() == [title.get("id"), told.get("id")]


@kinds
def test_a_picture_flags_when_it_began_and_was_raised(detector):
    """Both moments and the priority are written on the drawing."""
    assert [
        text
        for text in texts(drawn(detector.kind))
        if text.startswith(("began", "raised"))
    ] == list(FLAGS[detector.kind])


@kinds
def test_no_picture_says_that_a_section_is_empty(detector):
    """No word on a drawing, or of its description, could be taken for proof."""
    words = " ".join(drawn(detector.kind).itertext())

    assert faults(words) == []


@kinds
def test_a_picture_stands_alone(detector):
    """Nothing is run or fetched, and no name in it can meet one of another drawing."""
    text = (KINDS / f"{detector.kind}.svg").read_text(encoding="utf-8")
    tree = drawn(detector.kind)
    named = [one.get("id") for one in tree.iter() if one.get("id")]

    assert not list(tree.iter(f"{SVG}script"))
    assert set(re.findall(r"https?://[^\"]+", text)) == {"http://www.w3.org/2000/svg"}
    assert "@import" not in text
    assert all(name.startswith(f"{detector.kind}-") for name in named)
    assert len(named) == len(set(named))
    for rule in re.findall(r"^(.*) {", tree.find(f"{SVG}style").text, re.MULTILINE):
        assert rule.startswith((f"#{detector.kind}-picture ", "@media "))


@kinds
def test_a_picture_fits_its_box(detector):
    """No line, bar or word goes over the edge."""
    tree = drawn(detector.kind)
    wide, high = float(tree.get("width")), float(tree.get("height"))
    spots = [box(text) for text in tree.iter(f"{SVG}text")]
    for rect in tree.iter(f"{SVG}rect"):
        x, y = float(rect.get("x", 0)), float(rect.get("y", 0))
        right = x + float(rect.get("width"))
        spots.append((x, y, right, y + float(rect.get("height"))))
    for path in tree.iter(f"{SVG}path"):
        if path.get("class") != "hatch":
            spots += [(x, y, x, y) for x, y in corners(path.get("d"))]

    assert (wide, high <= 150) == (360, True)
    assert [
        spot
        for spot in spots
        if spot[0] < 0 or spot[1] < 0 or spot[2] > wide or spot[3] > high
    ] == []


@kinds
def test_no_words_of_a_picture_lie_on_others(detector):
    """Every word on a drawing can be read."""
    tree = drawn(detector.kind)
    spots = [(text.text, box(text)) for text in tree.iter(f"{SVG}text")]

    assert [
        (one, other)
        for number, (one, a) in enumerate(spots)
        for other, b in spots[number + 1 :]
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
    ] == []


@kinds
def test_words_and_marks_can_be_told_from_their_ground(detector):
    """By day and on a dark screen words have a contrast of 4.5, marks of 3 (WCAG 2.2, 1.4.3 and 1.4.11)."""
    for scheme in colours(drawn(detector.kind)):
        ground = scheme["ground", "fill"]
        for words in (("text", "fill"), ("second", "fill")):
            assert contrast(scheme[words], ground) >= 4.5
        assert contrast(scheme["on-train", "fill"], scheme["train", "fill"]) >= 4.5
        assert contrast(scheme["on-fault", "fill"], scheme["fault", "fill"]) >= 4.5
        for mark in ("clear", "hatch", "line", "edge", "fault"):
            assert contrast(scheme[mark, "stroke"], ground) >= 3
        assert contrast(scheme["train", "fill"], ground) >= 3


def test_lengths_are_times():
    """Six seconds of eight between `began` and `raised` are three quarters of the way."""
    tree = drawn("spurious-occupation")
    (bar,) = [r for r in tree.iter(f"{SVG}rect") if r.get("class") == "odd"]
    began, raised = (
        next(corners(p.get("d")))[0]
        for p in tree.iter(f"{SVG}path")
        if p.get("class") == "line"
    )

    assert float(bar.get("x")) == pytest.approx(began, abs=0.1)
    assert float(bar.get("width")) == pytest.approx(0.75 * (raised - began), abs=0.1)


def test_a_vanished_train_is_seen_to_come_and_not_to_go():
    """The train is drawn from T106 into T107, which shows clear then, and T108 as not taking it."""
    tree = drawn("vanished-train")
    bars = [r for r in tree.iter(f"{SVG}rect") if r.get("class") == "train"]

    # T106 from 200 s to 90 s before, T107 for those 90 s: rows 24 px apart.
    first, second = bars
    assert float(second.get("y")) - float(first.get("y")) == 24
    assert float(second.get("x")) == pytest.approx(
        float(first.get("x")) + float(first.get("width")), abs=0.1
    )
    assert float(first.get("width")) / float(second.get("width")) == pytest.approx(
        110 / 90, rel=0.01
    )
    assert "did not take the train" in texts(tree)


def test_what_is_not_known_is_hatched_and_says_so():
    """Three sections behind a silent gateway are hatched, each with the words."""
    tree = drawn("feed-silent")
    hatched = [r for r in tree.iter(f"{SVG}rect") if "hatch" in r.get("fill", "")]

    assert len(hatched) == 3
    assert texts(tree).count("not known") == 3


def test_the_head_that_counted_otherwise_is_marked():
    """Of three passages, the one of H107 alone is drawn as a fault."""
    tree = drawn("count-mismatch")
    lozenges = [
        p
        for p in tree.iter(f"{SVG}path")
        if p.get("class") == "fault" and "z" in p.get("d")
    ]

    assert len(lozenges) == 1
    assert [t for t in texts(tree) if "axles" in t] == [
        "40 axles",
        "39 axles",
        "40 axles",
    ]


def test_an_example_is_woken_when_it_asks():
    """A finding that silence alone gives comes at its moment, though the example goes on stepping."""
    drift = next(one for one in CATALOGUE if one.kind == "level-drift")

    assert example_of(drift).found.raised == parse("2026-05-11T00:00:00Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wordless(SectionDisturbed):
    """A section shows disturbed, and no example says how."""

    kind: ClassVar[str] = "wordless"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fruitless(SectionDisturbed):
    """A section is told of, and nothing is found.

    Example:
        >>> from monitor.core.changes import LeftOverGone
        >>> from monitor.core.detector import Place
        >>> detector, place = Fruitless(), Place.example("T107")
        >>> _ = detector.step(
        ...     detector.start(place), LeftOverGone(place="T107", at=0), place
        ... )
    """

    kind: ClassVar[str] = "fruitless"


def test_without_an_example_there_is_no_picture():
    """What has no example, or one that finds nothing, is refused by name."""
    with pytest.raises(ValueError, match="wordless: its docstring has no example"):
        draw(Wordless())
    with pytest.raises(ValueError, match="fruitless: its example ends in no finding"):
        draw(Fruitless())


def test_what_nobody_said_how_to_draw_is_refused():
    """A change that has no drawing is named, rather than left out in silence."""
    example = example_of(SectionDisturbed())
    other = replace(example, changes=(LeftOverGone(place="T107", at=NOON),))

    with pytest.raises(ValueError, match="how to draw LeftOverGone"):
        scene_of(other)


def test_the_writer_writes_all_and_takes_away_what_is_no_more(tmp_path, monkeypatch):
    """The command leaves a file for each kind and none beside."""
    monkeypatch.setattr(writer, "KINDS", tmp_path / "kinds")
    (tmp_path / "kinds").mkdir()
    (tmp_path / "kinds/forgotten.svg").write_text("<svg/>", encoding="utf-8")

    writer.main()

    assert {path.name for path in (tmp_path / "kinds").iterdir()} == {
        f"{detector.kind}.svg" for detector in CATALOGUE
    }
