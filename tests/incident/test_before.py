"""What was open when a window began is in its report, and what somebody had closed by then is not."""

from __future__ import annotations

import json
import re

from typer.testing import CliRunner

from monitor.acts import entry as act_entry
from monitor.cli import app
from monitor.core.alerts import identify
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import MINUTE, SECOND, parse
from monitor.core.tuning import Detection
from monitor.handling import Act
from monitor.incident.__main__ import made
from monitor.incident.page import page
from monitor.incident.pieces import Piece
from monitor.incident.report import pieces_of, report as written
from monitor.incident.story import gather
from monitor.journal import Journal
from monitor.past import Past
from replay.otherwise import beside
from tests.incident.reading import data_of
from tests.incident.test_pieces import told
from tests.live import LINE

SIX = parse("2026-05-04T06:00:00Z")
QUARTER = SIX + 15 * MINUTE
HALF = SIX + 30 * MINUTE
LOST = identify("vanished-train", "section/T2", SIX + 780 * SECOND)


def after(day_of, at, begin="06:14:05", end="06:15:00"):
    """A window that begins after T103 let go of its train, raised at 06:14:02."""
    day = day_of("vanished-train")
    window = at(begin), at(end)
    return gather(Engine(day.line), day.events, window, until=day.until)


def closed(folder, at):
    """Ada closes it in the journal of that night."""
    act = Act(
        id="a2",
        at=at,
        entered=at,
        by="Ada",
        position="north",
        what="closed",
        alert=LOST,
        text="the train stands in T3, seen by the driver of the next",
    )
    with Journal.open(folder / "journal.sqlite") as journal:
        journal.append([act_entry(act)])


def report(folder, begin="06:15:00"):
    """The report of that night from then to half past six."""
    out = folder / "incident.html"
    window = ("--from", f"2026-05-04T{begin}Z", "--to", "2026-05-04T06:30:00Z")
    given = ["replay", "--journal", str(folder / "journal.sqlite"), *window]
    found = CliRunner().invoke(app, [*given, "--report", str(out)])
    assert found.exit_code == 0, found.output
    return out.read_text(encoding="utf-8")


def test_an_alert_raised_before_the_window_and_open_is_in_it(day_of, at):
    """The gravest stands first of all that is said, with when it was raised, and its fault is told beside it."""
    story = after(day_of, at)
    text = page(story)

    assert story.raised_in == ()
    assert [one.alert.raised for one in story.open_before] == [at("06:14:02")]
    assert [one.raised for one in story.faults] == [at("06:14:02")]
    assert (
        "<li>Open since before this window, raised 06:14:02.000: urgent, T103 " in text
    )
    assert "open since before this window, 06:14:02.000" in text
    assert "0 alerts were raised in this window." in text
    assert "told as far as it was raised since 06:00:00.300" in text
    (held,) = data_of(text)["alerts"]
    assert json.loads(held["lines"][-1][1])["kind"] == "vanished-train"
    assert held["before"]
    assert held["raised"] < 0
    assert [one["number"] for one in data_of(text)["faults"]] == [
        story.faults[0].number
    ]


def test_what_was_over_by_then_is_not(story_of, day_of):
    """A disturbance that is told and over before a window is none of it; one that ends within is."""
    (one, *_) = [
        each
        for each in story_of("reset-not-held").alerts
        if each.alert.kind == "section-disturbed" and each.alert.ended is not None
    ]
    day = day_of("reset-not-held")
    raised, ended = one.alert.raised, one.alert.ended

    def ids(begin):
        story = gather(
            Engine(day.line), day.events, (begin, ended + MINUTE), until=day.until
        )
        return {each.alert.id for each in story.open_before}

    assert one.alert.id in ids(raised + 1)
    assert one.alert.id in ids(ended - 1)
    assert one.alert.id not in ids(ended)


def test_where_nothing_from_before_is_at_hand_it_is_said(story_of, day_of, at):
    """A recording that begins within the window says nothing of what was open then."""
    said = (
        "What was open before 06:00:00.300 is not known: what is at hand begins then."
    )

    assert said in page(story_of("vanished-train"))
    assert said in page(after(day_of, at, "05:30:00", "06:10:30"))
    assert "none of those raised since" not in page(
        after(day_of, at, "05:30:00", "06:10:30")
    )
    assert "none of those raised since 06:00:00.300 was open when it began" in page(
        after(day_of, at, "06:09:00", "06:10:30")
    )


def test_what_somebody_closed_before_the_window_is_not_open_in_it(night):
    """By the acts of the journal, in the report and on the page of the desk; closed within the window, it is told until when."""
    carried = report(night)
    assert "raised 06:13:02.000: urgent, T2 " in carried
    assert "; closed by nobody." in carried
    assert "open until closed" in carried

    closed(night, SIX + 20 * MINUTE)
    within = report(night)
    assert "; closed 06:20:00.000." in within
    assert "open until closed" not in within
    (held,) = data_of(within)["alerts"]
    assert held["ended"] is None
    assert held["closed"] == 5 * 60_000

    since = report(night, "06:21:00")
    assert "Open since before this window" not in since
    assert data_of(since)["alerts"] == data_of(since)["faults"] == []
    head, _ = made(night / "journal.sqlite", SIX + 21 * MINUTE, HALF, "", None)
    assert "Open since before this window" not in str(head["parts"])
    head, _ = made(night / "journal.sqlite", QUARTER, HALF, "", None)
    assert "Open since before this window, raised 06:13:02.000" in str(head["parts"])


def test_of_a_recording_nobody_knows_whether_somebody_closed_it(day_of, at):
    """It carries nothing of what people did, and says so."""
    assert "whether somebody has closed it is not on record here" in page(
        after(day_of, at)
    )


def test_what_was_open_before_on_both_sides_is_neither_gained_nor_lost(night):
    """And where the other side would never have told it, it is lost."""
    with Journal.read(night / "journal.sqlite") as journal:
        story = told(Past(journal, QUARTER, HALF)).story.settled({})
        siding = f'{LINE}\n[[head]]\nid = "H9"\nbetween = ["T2", "open"]\n'
        same, other = (
            beside(story, pieces_of(past), "what was given", store=None)
            for past in (
                Past(journal, QUARTER, HALF, detection=Detection()),
                Past(journal, QUARTER, HALF, line=read_line(siding, "line.toml")),
            )
        )

    assert (same.same, same.differences) == (1, ())
    assert [(one.way, one.here) for one in other.differences] == [("lost", LOST)]


def test_what_was_closed_before_is_closed_on_both_sides(night):
    """What a person closed is no gain of other settings."""
    with Journal.read(night / "journal.sqlite") as journal:
        story = told(Past(journal, QUARTER, HALF)).story.settled({LOST: QUARTER - 1})
        pieces = pieces_of(Past(journal, QUARTER, HALF, detection=Detection()))
        found = beside(story, pieces, "the settings", store=None)

    assert story.alerts == ()
    assert (found.same, found.differences) == (0, ())


def test_it_is_walked_to_as_well(day_of, at):
    """Why it was concluded can be stepped through, though that was before the window."""
    day = day_of("vanished-train")
    piece = Piece(events=lambda: day.events, engine=lambda: Engine(day.line))
    text = written([piece], window=(at("06:14:05"), at("06:15:00")), until=day.until)

    (walk,) = data_of(text)["steps"]["of"]
    assert walk["section"] == "T103"
    assert walk["steps"]
    assert re.search(r"T103: vanished train, raised 06:14:02", text)
