"""When somebody had an alert before them, as far as the journal and the store know.

Pages say which faults they have painted, and which alerts with them.
Those of earlier versions say faults alone: of an alert that joined a fault that stood there already it is known then only that its fault was before somebody.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from monitor.core.moments import Moment
from monitor.incident.story import Raised, Story
from monitor.painted import Painting
from monitor.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """An alert, or the call for it, was delivered.

    Args:
        alert: its id.
        at: when.
        channel: by which.
    """

    alert: str
    at: Moment
    channel: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Deliveries:
    """What is known of what was delivered.

    Args:
        sent: each.
        why: in words, why that is not all, or ""; a report says it.
    """

    sent: tuple[Sent, ...] = ()
    why: str = ""


def delivered(store: Path | None, *, played: bool = False) -> Deliveries:
    """What was delivered, by the store of a monitor; where that is not at hand, why.

    Args:
        store: where it is.
        played: the journal is of what was played: such a monitor delivers nowhere real, and its store goes by the time of day.
    """
    if played:
        return Deliveries(why="A rehearsal is delivered nowhere.")
    if store is None:
        return Deliveries(why="What was delivered is not told: no store is named.")
    if not store.is_file():
        return Deliveries(
            why=f"What was delivered is not told: there is no store {store.name} "
            "where the monitor wrote."
        )
    try:
        with Store.to_read(store) as read:
            return Deliveries(
                sent=tuple(
                    Sent(alert=alert, at=at, channel=channel)
                    for alert, channel, at in read.sent()
                )
            )
    except sqlite3.Error as error:
        return Deliveries(
            why=f"What was delivered is not told: the store {store.name} "
            f"cannot be read ({error})."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """When an alert was first before somebody.

    Args:
        first: when it was first painted with its fault, or delivered; None: that is not on record.
        before: the painting in which its fault had stood there before the alert came, by a page that does not say which alerts it painted, or where no page says it painted this one.
    """

    first: Painting | Sent | None
    before: Painting | None


def first_told(told: Iterable[Painting | Sent], one: Raised, story: Story) -> Told:
    """When *one* was first painted by a page in front of somebody, or delivered.

    Args:
        told: what pages have shown, and what was delivered.
        one: the alert.
        story: that has its fault, and what that took in.
    """
    told, since = tuple(told), one.lines[0][0]
    names = with_what_it_took(one.fault, story)
    painted = [
        each
        for each in told
        if isinstance(each, Painting) and each.visible and each.fault in names
    ]
    itself = [each for each in painted if one.alert.id in (each.alerts or ())]
    unsaid = [each for each in painted if each.alerts is None]
    before = min(unsaid if itself else painted, key=lambda each: each.at, default=None)
    if before is not None and before.at >= since:
        before = None
    found: list[Painting | Sent] = [
        each for each in told if isinstance(each, Sent) and each.alert == one.alert.id
    ]
    found += itself
    if before is None:
        found += unsaid
    return Told(first=min(found, key=lambda each: each.at, default=None), before=before)


def with_what_it_took(fault: str, story: Story) -> Collection[str]:
    """The ids under which pages may have painted *fault*."""
    of = {one.id: one.took for one in story.faults}
    found: list[str] = []
    left = [fault] if fault else []
    while left:
        name = left.pop()
        if name not in found:
            found.append(name)
            left += of.get(name, ())
    return found
