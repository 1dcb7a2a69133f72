"""What if: a window of a journal under other settings or another line file, held against what was concluded, and against what the monitor said live."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path

from monitor.core.alerts import line as alert_line
from monitor.core.moments import Moment
from monitor.core.words import names
from monitor.incident.beside import Beside, Otherwise
from monitor.incident.pieces import Piece, gathered
from monitor.incident.story import Story
from monitor.store import Store
from replay.compare import Side, compare

MOST = 12
"""Alerts of which the store says otherwise that are named at most."""


def beside(
    story: Story,
    pieces: Iterable[Piece],
    by: str,
    *,
    store: Path | None,
    until: Moment | None = None,
) -> Beside:
    """The other side of *story*.

    Args:
        story: what was concluded.
        pieces: the same window, by something else.
        by: what that is, in words.
        store: where the store of the monitor is, for what it said live.
        until: conclude what falls due up to here by silence alone.
    """
    window = story.begin, story.end
    other = gathered(pieces, window, until=until).story.settled(story.closed)
    here, there = _side("A", story), _side("B", other)
    found = compare(here, there, story.line.zone, window)
    alerts = [one for one in found.differences if one.one.what == "alert"]
    return Beside(
        story=other,
        by=by,
        differences=tuple(
            Otherwise(
                way=one.way,
                how=one.how,
                here="" if one.a is None else one.a.id,
                there="" if one.b is None else one.b.id,
            )
            for one in alerts
        ),
        same=found.same.get("alert", 0),
        live=tuple(said_live(story, store)),
    )


def _side(name: str, story: Story) -> Side:
    # Also what was open when the window began, whenever that was raised.
    side = Side(name, None, story.end)
    for one in story.alerts:
        for _, line in one.lines:
            side.alert(line)
    return side


def said_live(story: Story, store: Path | None) -> list[str]:
    """Whether what is told of *story* is what the monitor said live, by its store."""
    cannot = "Whether A is what the monitor said live cannot be told"
    if store is None or not store.is_file():
        return [f"{cannot}: there is no store of its alerts at hand."]
    try:
        with Store.to_read(store) as read:
            lines = set(read.raised_between(story.begin, story.end))
    except sqlite3.Error as error:
        return [f"{cannot}: its store cannot be read ({error})."]
    mine = {
        alert_line(line): one.alert for one in story.raised_in for _, line in one.lines
    }
    ids = {one.alert.id for one in story.raised_in}
    # What came after the window the store knows too: how an alert ended later.
    odd = [one for text, one in mine.items() if text not in lines]
    more = [text for text in lines if not any(name in text for name in ids)]
    if not odd and not more:
        return ["A is, line for line, what the monitor said live, by its store."]
    told = sorted({f"{one.subject.partition('/')[2]} {one.kind}" for one in odd})
    said = []
    if told:
        left = f" and {len(told) - MOST} more" if len(told) > MOST else ""
        said.append(
            "The store of the monitor, by which it said live what it said, has not the "
            f"same of: {names(told[:MOST])}{left}."
        )
    if more:
        said.append(
            f"It holds {len(more)} lines of other alerts raised in this window, which "
            "A has not."
        )
    return said
