"""What stood on the pages of desks, beside a day that a signaller can read."""

from __future__ import annotations

import pytest

from monitor.core.moments import HOUR, SECOND
from monitor.incident.desks import Desks, Had, screens
from monitor.incident.document import document
from monitor.shown import Painted, Shown

HAND = "b990b2e3dd5900a1"
"""T103 let go of a train: the SHA-256 of kind, subject and beginning, as the alert record has it."""


def said(at, page="0" * 8, position="north", alerts=(HAND,), **more):
    """A page says what it painted at a moment."""
    fault = Painted(
        fault=HAND, headline="T103 cleared", priority="urgent", alerts=alerts
    )
    given = {"visible": True, "sound": "could", "by": "Ada", **more}
    painted = given.pop("faults", (fault,))
    return Shown(
        id=f"{page}{at}",
        page=page,
        position=position,
        at=at,
        entered=at,
        faults=painted,
        **given,
    )


@pytest.fixture
def story(story_of):
    """A train is lost in T103, and that is concluded when the day ends."""
    return story_of("vanished-train")


def test_each_page_has_what_it_painted_and_its_desk_what_any_of_its_pages_did(story):
    """A page behind another is none that its desk had; one that does not say which alerts it painted had the fault."""
    known = story.end
    desks = Desks(
        shown=(
            said(known + 3 * SECOND),
            said(known + SECOND, page="1" * 8, visible=False),
            said(known - 2 * SECOND, page="2" * 8, position="south", alerts=None),
            said(known - 2 * SECOND, faults=()),
            said(known - 2 * SECOND, page="1" * 8, faults=()),
        )
    )

    north, behind, south = screens(desks, story)

    assert north.had == {0: Had(alert=known + 3 * SECOND, fault=None)}
    assert behind.had == {0: Had(alert=known + SECOND, fault=None)}
    assert north.first == behind.first == north.had
    assert south.had == {0: Had(alert=None, fault=known - 2 * SECOND)}


def test_pages_that_had_gone_before_the_window_are_not_there(story):
    """Left before it began, not heard for half a day, opened after it: none of them stood there."""
    desks = Desks(
        shown=(
            said(story.begin - 2 * SECOND),
            said(story.begin - SECOND, left=True, faults=()),
            said(story.begin - 13 * HOUR, page="1" * 8),
            said(story.end + SECOND, page="2" * 8),
            said(story.begin - HOUR, page="3" * 8),
            said(story.begin + SECOND, page="3" * 8, left=True, faults=()),
        )
    )

    [there] = screens(desks, story)

    assert there.page == "3" * 8
    assert [turn.left for turn in there.turns] == [False, True]


def test_a_desk_has_to_paint_what_lies_in_its_areas(story):
    """A desk without areas of its own looks after all."""
    shown = (
        said(story.begin),
        said(story.begin, page="1" * 8, position="south"),
        said(story.begin, page="2" * 8, position="west"),
    )
    areas = {"north": ("a",), "south": ("elsewhere",), "west": ()}

    found = screens(Desks(shown=shown, areas=areas), story)

    assert [(one.position, one.looks_after) for one in found] == [
        ("north", {0}),
        ("south", frozenset()),
        ("west", {0}),
    ]


def test_the_document_has_it_and_nothing_where_it_is_not_at_hand(story):
    """Moments are counted from the beginning of the window, in whole milliseconds."""
    desks = Desks(shown=(said(story.end + SECOND),), areas={})
    one = Desks(shown=(said(story.begin + SECOND),), areas={})

    assert document(story)["screens"] == []
    assert document(story, desks=desks)["screens"] == []
    [written] = document(story, desks=one)["screens"]
    unit = document(story)["unit"]
    assert written["had"] == [[0, SECOND // unit, None]]
    assert written["turns"] == [[SECOND // unit, 1, "sound on", 0]]
    assert written["looks_after"] == [0]
