"""What the top line of the desk says, in sentences: a page shows it as it comes, and asks for it again each minute and on every change."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from monitor.charts.placenames import place_names
from monitor.core.layout import Line
from monitor.core.moments import parse
from monitor.core.words import to_the_minute
from monitor.desk.model import PositionOut, StatusOut, WorkOut
from monitor.desk.pages.looks import SectionLook

MOST_AREAS = 2
"""Areas are named while there are no more than so many of which something is not known."""


def top(
    status: StatusOut,
    position: PositionOut | None,
    work: Iterable[WorkOut],
    looks: Mapping[str, SectionLook],
    line: Line,
) -> dict[str, str]:
    """The sentences of the top line, by their places in it.

    Args:
        status: how the monitor stands.
        position: of the page, or None where none is set up.
        work: that is going on.
        looks: of every section.
        line: for its areas and its local time.
    """
    now = parse(status.now)

    def at(stamped: str) -> str:
        return to_the_minute(parse(stamped), line.zone, now)

    going = list(work)
    ends = [one.planned_end for one in going if one.planned_end]
    plural = "" if status.trains == 1 else "s"
    return {
        "position": _position(position, at),
        "moved": f"last train movement {at(status.moved)}"
        if status.moved
        else "no train movement yet",
        "trains": f"{status.trains} train{plural} in the last hour",
        "usual": f"usual at this hour: {status.usual[0]} to {status.usual[1]}"
        if status.usual
        else "usual not learnt yet",
        "where": _where(looks, line, at),
        "work": f"Work on the line: {len(going)}",
        "hand-back": f"hand back {at(min(ends))}"
        if ends
        else ("none has an end planned" if going else "none that this feed shows"),
    }


def _position(position: PositionOut | None, at: Callable[[str], str]) -> str:
    if position is None:
        return "no position"
    if not position.has_it or position.since is None:
        return position.name
    return f"{position.name} · {position.has_it} since {at(position.since)}"


def _where(
    looks: Mapping[str, SectionLook], line: Line, at: Callable[[str], str]
) -> str:
    """Of which areas something is not known, and since when: the longest since of each."""
    since: dict[str, list[str]] = {}
    for name, one in looks.items():
        if not one.known:
            since.setdefault(line.sections[name].area, []).append(one.since)
    if not since:
        return "of all sections"
    every = [stamped for found in since.values() for stamped in found if stamped]
    if len(since) > MOST_AREAS:
        return f"{len(since)} areas" + (f", since {at(min(every))}" if every else "")
    named = place_names(line)
    return ", ".join(
        f"{named[area]} since {at(min(filter(None, found)))}"
        if any(found)
        else f"{named[area]} not heard yet"
        for area, found in since.items()
    )
