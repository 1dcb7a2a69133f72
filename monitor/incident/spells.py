"""Whether a fault was there once, or several times: a fault stays one while it comes and goes."""

from __future__ import annotations

from monitor.core.faults import Fault
from monitor.core.moments import Moment
from monitor.incident.story import Story
from monitor.incident.when import When

MOST_SPELLS = 4
"""Spells of a fault that are told one by one at most."""

LOOK_BACK = frozenset(
    {
        "count-mismatch",
        "level-drift",
        "one-sided-head",
        "repeat-disturbance",
        "worsening",
    }
)
"""The kinds that look back over a time: between what they count nothing need have been so."""


def spelt(fault: Fault, when: When) -> str:
    """That a fault was there several times, and when, or ""."""
    spells = spells_of(fault, when.story)
    if len(spells) < 2:
        return ""
    said = "; ".join(
        f"{when.exactly(began)} to {'the end' if ended is None else when.exactly(ended)}"
        for began, ended in spells[:MOST_SPELLS]
    )
    more = (
        f"; and {len(spells) - MOST_SPELLS} more" if len(spells) > MOST_SPELLS else ""
    )
    return f"in {len(spells)} spells: {said}{more}"


def spells_of(fault: Fault, story: Story) -> list[tuple[Moment, Moment | None]]:
    """From when to when something of *fault* was so, oldest first: alerts that overlap are one spell; None: at the end still."""
    spells: list[tuple[Moment, Moment | None]] = []
    closed = story.closed or {}
    alerts = story.gathered.get(fault.id, ())
    for one in sorted(alerts, key=lambda one: one.began):
        if one.kind in LOOK_BACK:
            continue
        ended = closed.get(one.id) if one.ended is None else one.ended
        if not spells or (spells[-1][1] is not None and spells[-1][1] < one.began):
            spells.append((one.began, ended))
        elif spells[-1][1] is not None:
            over = None if ended is None else max(ended, spells[-1][1])
            spells[-1] = spells[-1][0], over
    return spells
