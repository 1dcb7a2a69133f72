"""What stood open when a window began: alerts and faults raised before it, and what pages had painted by then.

Whether an alert is over stands in its record; that a person closed one, in the journal.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from monitor.core.alerts import Alert
from monitor.core.faults import Fault
from monitor.core.moments import DAY, Duration, Moment
from monitor.handling import Act
from monitor.shown import Shown

STOOD: Duration = 7 * DAY
"""What pages had shown for longer before a window is not looked for: a long journal holds very much of that."""


def closings(acts: Iterable[object]) -> dict[str, Moment]:
    """When alerts that only a person ends were closed, by their ids; other acts say nothing here."""
    found: dict[str, Moment] = {}
    for act in acts:
        if isinstance(act, Act) and act.what == "closed":
            found[act.alert] = min(act.at, found.get(act.alert, act.at))
    return found


def stood(alert: Alert, begin: Moment, closed: Mapping[str, Moment]) -> bool:
    """Whether *alert*, by its last line, was raised before a window and open when that began.

    Args:
        alert: its last line.
        begin: of the window.
        closed: when people closed alerts.
    """
    if alert.raised >= begin or (alert.ended is not None and alert.ended <= begin):
        return False
    return closed.get(alert.id, begin) >= begin


def fault_stood(fault: Fault, begin: Moment, closed: Mapping[str, Moment]) -> bool:
    """Whether *fault*, as it stood at the end, was raised before a window and open when that began: until all is over, and what only a person ends is closed.

    Args:
        fault: as it stood last.
        begin: of the window.
        closed: when people closed alerts.
    """
    if fault.into is not None or fault.raised >= begin:
        return False
    if any(closed.get(one, begin) >= begin for one in fault.lasting):
        return True
    if fault.ended is not None and fault.ended <= begin:
        return False
    # What was closed keeps no fault open for as long as more might have come to it.
    others = set(fault.open) - set(fault.lasting)
    return not fault.lasting or bool(others or fault.waiting)


def painted_before(
    shown: Iterable[Shown], begin: Moment, faults: Collection[str] = ()
) -> tuple[Shown, ...]:
    """What stood on the pages of each desk when a window began: of every page that had not been left, what it said last, and the newest painting of each fault.

    Args:
        shown: what pages have shown.
        begin: of the window.
        faults: those of which every painting is wanted, the first too, and by pages that are gone.
    """
    before = [one for one in shown if one.at < begin]
    pages: dict[str, dict[str, Shown]] = {}
    # A page says that it is hidden and that it is left at one moment; left comes after.
    before.sort(key=lambda one: (one.at, one.left))
    for one in before:
        if one.left:
            pages.pop(one.page, None)
            continue
        said = pages.setdefault(one.page, {})
        said[""] = one
        # That its sound was begun is no painting.
        if one.sound != "sounded":
            said |= {fault.fault: one for fault in one.faults}
    found = {one.id for said in pages.values() for one in said.values()}
    return tuple(
        one
        for one in before
        if one.id in found or any(each.fault in faults for each in one.faults)
    )
