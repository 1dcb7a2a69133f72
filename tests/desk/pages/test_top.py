"""What the top line says."""

from typing import Any

from monitor.core.detector import Place
from monitor.desk.model import PositionOut, StatusOut, WorkOut
from monitor.desk.pages.looks import SectionLook
from monitor.desk.pages.top import top

LINE = Place.example("T107").line
STATUS: dict[str, Any] = {
    "line": "example",
    "timezone": "UTC",
    "monitor": "monitor-1",
    "version": "0",
    "now": "2026-05-04T06:20:00Z",
    "heard": None,
    "silent_s": None,
    "watermark": None,
    "connected": True,
    "rehearsal": False,
    "trial": False,
    "wrong": [],
    "sections": 3,
    "not_known": 0,
    "moved": None,
    "trains": 1,
    "usual": None,
    "caution": "",
}
WORK: dict[str, Any] = {
    "reference": "W1",
    "sections": ["T107"],
    "plan": "",
    "key": "",
    "stage": "begun",
    "begun": "2026-05-04T05:00:00Z",
    "ended": None,
    "planned_begin": None,
    "planned_end": None,
    "due": "",
}
CLEAR = SectionLook(
    shows="clear", known=True, fault="", work=False, word="", says="clear"
)


def said(*, looks=None, position=None, work=(), **more):
    """The sentences, with everything known but for *looks*."""
    every = dict.fromkeys(LINE.sections, CLEAR) | (looks or {})
    return top(StatusOut(**{**STATUS, **more}), position, work, every, LINE)


def unknown(since):
    """A section that is not known since then."""
    return SectionLook(
        shows="clear",
        known=False,
        fault="",
        work=False,
        word="not known",
        says="",
        since=since,
    )


def test_where_something_is_not_known_and_since_when():
    """The longest since of an area; and of an area of which nothing came yet just that."""
    area = LINE.sections["T107"].area
    two = {
        "T107": unknown("2026-05-04T02:13:00Z"),
        "T106": unknown("2026-05-04T04:00:00Z"),
    }

    assert said()["where"] == "of all sections"
    assert said(looks=two)["where"] == f"{area} since 02:13"
    assert said(looks={"T107": unknown("")})["where"] == f"{area} not heard yet"


def test_who_has_the_desk_and_since_when():
    """As long as nobody has it, its name alone."""
    has: dict[str, Any] = {"name": "north", "areas": [], "has_it": None, "since": None}
    taken = has | {"has_it": "A. Moor", "since": "2026-05-04T05:58:00Z"}

    assert said()["position"] == "no position"
    assert said(position=PositionOut(**has))["position"] == "north"
    assert (
        said(position=PositionOut(**taken))["position"] == "north · A. Moor since 05:58"
    )


def test_trains_and_work_are_counted():
    """In the words of one, and of more; the hand back is the first that is planned."""
    ends = ("2026-05-04T08:00:00Z", None, "2026-05-04T07:30:00Z")
    work = [WorkOut(**{**WORK, "planned_end": end}) for end in ends]
    found = said(work=work, usual=[3, 5], moved="2026-05-04T06:11:00Z")

    assert found["trains"] == "1 train in the last hour"
    assert said(trains=2)["trains"] == "2 trains in the last hour"
    assert found["usual"] == "usual at this hour: 3 to 5"
    assert found["moved"] == "last train movement 06:11"
    assert found["work"] == "Work on the line: 3"
    assert found["hand-back"] == "hand back 07:30"
    assert said(work=work[1:2])["hand-back"] == "none has an end planned"
    assert said(work=[])["hand-back"] == "none that this feed shows"
