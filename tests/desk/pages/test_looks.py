import pytest

from monitor.core.detector import Place
from monitor.core.moments import parse
from monitor.desk.model import FaultOut, SectionOut
from monitor.desk.pages.looks import look
from tests.desk.fake import FAULT, SECTION

NOW = parse("2026-05-04T06:20:00Z")


@pytest.fixture
def line():
    """The line that T107 lies on."""
    return Place.example("T107").line


def section(**more):
    """T107, clear and nothing wrong, but for *more*."""
    return SectionOut(**{**SECTION, "shown": "clear", "faults": [], **more})


def seen(line, one, *faults):
    """How it looks while *faults* are open."""
    return look(one, {fault.id: fault for fault in faults}, line, NOW)


def test_a_clear_section_is_a_thin_line_and_no_word(line):
    """Grey is normal."""
    found = seen(line, section())

    assert (found.shows, found.known, found.fault, found.word) == (
        "clear",
        True,
        "",
        "",
    )


def test_an_occupied_section_is_a_bar(line):
    """Dark is a train or vehicle."""
    assert seen(line, section(shown="occupied")).shows == "train"


def test_what_is_not_known_says_so_and_since_when(line):
    """Whatever it showed last; never grey, and never without words."""
    found = seen(
        line,
        section(
            known=False, not_known="silent", not_known_since="2026-05-04T06:01:00Z"
        ),
    )

    assert (found.known, found.word) == (False, "not known")
    assert found.says == "T107, not known since 06:01"


def test_a_section_not_heard_yet_is_not_known(line):
    """Before its first event."""
    found = seen(line, section(shown=None, known=False))

    assert (found.shows, found.says) == ("nothing", "T107, not heard yet")


@pytest.mark.parametrize(
    ("shown", "word"),
    [
        ("clear", "clear?"),
        ("occupied", "occupied?"),
        ("disturbed", "disturbed"),
        ("awaiting_sweep", "sweep"),
        ("awaiting_acknowledgement", "confirm"),
    ],
)
def test_a_fault_has_a_colour_and_a_word(line, shown, word):
    """What it shows is what is in doubt, or says itself what it is."""
    found = seen(line, section(shown=shown, faults=[FAULT.id]), FAULT)

    assert (found.fault, found.word) == ("prompt", word)


def test_a_fault_that_is_no_longer_about_it_leaves_it_grey(line):
    """The fault goes on elsewhere; a train has worked through this section."""
    elsewhere = FaultOut(**{**FAULT.model_dump(), "concerned": ["section/T108"]})

    assert seen(line, section(faults=[FAULT.id]), elsewhere).fault == ""


def test_a_note_colours_nothing(line):
    """Nobody needs to look."""
    note = FaultOut(**{**FAULT.model_dump(), "priority": "note"})

    assert seen(line, section(faults=[FAULT.id]), note).fault == ""


def test_the_most_serious_of_two_faults_counts(line):
    """Urgent before prompt."""
    urgent = FaultOut(
        **{**FAULT.model_dump(), "id": "0" * 16, "priority": "urgent", "number": "WR6L"}
    )
    found = seen(line, section(faults=[FAULT.id, urgent.id]), FAULT, urgent)

    assert found.fault == "urgent"
    assert "WR6L" in found.says


def test_work_is_said(line):
    """An outline, and words."""
    found = seen(line, section(under_work=True))

    assert found.work
    assert found.says == "T107, clear, under work"
