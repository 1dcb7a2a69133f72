"""What people did about what is in a story: who took an alert as seen, and all else."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.words import clock
from monitor.handling import Act
from monitor.incident.story import Raised, Story
from monitor.shifts import DeskAct

AnyAct = Act | DeskAct


def first_seen(acts: Iterable[AnyAct], one: Raised) -> Act | None:
    """By whom an alert, or the fault that it belongs to, was first taken as seen after it could be known; or None where that is not on record."""
    since = one.lines[0][0]
    found = (
        act
        for act in acts
        if isinstance(act, Act)
        and act.what == "seen"
        and (act.alert == one.alert.id or (one.fault and act.fault == one.fault))
        and act.at >= since
    )
    return min(found, key=lambda act: act.at, default=None)


def done_in(acts: Iterable[AnyAct], story: Story) -> list[str]:
    """What was done in the window, a line each, oldest first."""
    zone = story.line.zone
    names = {
        one.alert.id: f"{one.alert.subject.partition('/')[2]} {one.alert.kind.replace('-', ' ')}"
        for one in story.alerts
    }
    numbers = {one.id: f"fault {one.number}" for one in story.faults}
    found = sorted(
        (act for act in acts if story.begin <= act.at <= story.end),
        key=lambda act: (act.at, act.id),
    )
    return [
        f"{clock(act.at, zone, story.begin)} {_what(act, {**names, **numbers})}; "
        f"{act.by}, {act.position or 'no desk'}"
        for act in found
    ]


def _what(act: AnyAct, known: dict[str, str]) -> str:
    what = act.what.replace("_", " ")
    if isinstance(act, DeskAct):
        more = " ".join(part for part in (act.to, act.text) if part)
        return f"{what}: {more}" if more else what
    about = (
        known.get(act.fault)
        or known.get(act.alert)
        or " ".join(part for part in (act.subject, act.kind) if part)
        or "what is not in this window"
    )
    return f"{what}: {about}{f', {act.said}' if act.said else ''}"
