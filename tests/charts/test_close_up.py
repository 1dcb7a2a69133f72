import re
from dataclasses import dataclass

from monitor.charts.drawing import close_up, overview, standing
from monitor.core.detector import Place

LINE = Place.example("T107").line


@dataclass(frozen=True)
class Look:
    """A section of which nothing is known since four minutes past two."""

    shows: str = "clear"
    known: bool = False
    fault: str = ""
    work: bool = False
    word: str = "not known"
    says: str = "not known"
    since: str = "2026-05-04T02:04:00Z"


def test_the_words_on_a_section_that_is_not_known_leave_its_hatching_to_be_seen():
    """Of what is hatched the plate under the words covers less than half."""
    drawn = close_up(LINE, "T107", dict.fromkeys(LINE.sections, Look()))
    sizes = {
        name: [float(one) for one in found]
        for name, *found in re.findall(
            r'<rect class="(hatch|plate)"[^>]* width="([\d.]+)" height="([\d.]+)"',
            drawn,
        )
    }
    hatch, plate = sizes["hatch"], sizes["plate"]

    assert plate[0] * plate[1] < 0.5 * hatch[0] * hatch[1]


def test_how_areas_stand_is_told_by_their_names():
    """As beside the bands of the overview."""
    looks = {**dict.fromkeys(LINE.sections, Look(known=True)), "T107": Look()}

    assert standing(LINE, looks) == [("thornmere", "1 not known since 02:04")]


def test_areas_out_of_sight_say_what_people_are_called_for():
    """Before how they are heard; what is planned calls nobody."""
    looks = dict.fromkeys(LINE.sections, Look(known=True))
    looks["T107"] = Look(known=True, fault="urgent")
    looks["T109"] = Look(known=True, fault="planned")

    assert standing(LINE, looks) == [("thornmere", "1 urgent, all heard")]


def test_work_has_its_letter_where_there_is_room():
    """Beside its outline; the style sheet shows it where there is work.  In the close-up names take the room."""
    looks = dict.fromkeys(LINE.sections, Look(known=True, work=True, word=""))

    for drawn in (overview(LINE, looks), close_up(LINE, "T107", looks)):
        assert drawn.count('data-work="1"') == 3
    letters = re.findall(r'<text class="letter"[^>]*>W</text>', overview(LINE, looks))
    assert len(letters) == 3
