"""A fault that comes and goes is one fault, and its spells are counted."""

from __future__ import annotations

from monitor.incident.page import page
from monitor.incident.spells import spells_of
from monitor.journal import Journal
from tests.incident.test_pieces import day, told
from tests.live import LINE


def disturbed(story, section):
    """When the section showed disturbed, from and to."""
    return [
        (one.began, one.ended)
        for one in story.spans
        if (one.section, one.kind) == (section, "disturbed")
    ]


def test_each_spell_of_a_fault_is_told(tmp_path, at):
    """T2 is disturbed twice, half an hour apart: one fault in two spells, each from when to when it showed so."""
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        story = told(day(journal, LINE, LINE)).story
    (fault,) = story.faults

    found = spells_of(fault, story)

    assert len(found) == 2
    assert found == disturbed(story, "T2")
    assert found == [
        (at("06:10:00"), at("06:14:00")),
        (at("06:40:00"), at("06:44:00")),
    ]
    assert (
        "in 2 spells: 06:10:00.000 to 06:14:00.000; 06:40:00.000 to 06:44:00.000"
        in page(story)
    )


def test_what_looks_back_bridges_nothing(story_of):
    """Three disturbances, three hours apart, are no spell of nine hours."""
    story = story_of("repeat-disturbance")
    (fault,) = story.faults

    assert spells_of(fault, story) == []


def test_alerts_that_overlap_are_one_spell(story_of):
    """What was so all the time is not told twice, nor that it was there once."""
    story = story_of("vanished-train")
    (fault,) = story.faults

    assert [one[1] for one in spells_of(fault, story)] == [None]
    assert "spells: " not in page(story)


def test_what_somebody_closed_ends_its_spell(story_of, at):
    """A train unaccounted for is so until a person closes that."""
    story = story_of("vanished-train")
    (fault,) = story.faults
    closed = {fault.id: at("07:00:00")}

    assert spells_of(fault, story.settled(closed)) == [(at("06:14:00"), at("07:00:00"))]
