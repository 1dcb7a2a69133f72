"""How a section looks on a drawing: five meanings, each another kind of mark, so that none rests on colour.

| meaning | mark |
|---|---|
| clear | a thin line |
| a train or vehicle | a dark bar |
| a fault | a taller block in the colour of its priority, with a word |
| work | a dashed outline, with the letter W |
| not known | hatching, with the words "not known since" |
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

from monitor.core.faults import RANKS
from monitor.core.layout import Line
from monitor.core.moments import Moment, parse
from monitor.core.words import STATES, to_the_minute
from monitor.desk.model import FaultOut, SectionOut

Shows = Literal["clear", "train", "odd", "nothing"]

SHORT = {
    "disturbed": "disturbed",
    "awaiting_sweep": "sweep",
    "awaiting_acknowledgement": "confirm",
}
"""What stands on a section that shows neither clear nor occupied: what it is, or what it waits for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionLook:
    """How a section looks.

    Args:
        shows: clear, a train or vehicle, something else, or nothing yet.
        known: whether that can be relied on.
        fault: the priority of the most serious open fault about it, or "".
        work: whether it is under work.
        word: that stands on it, or "".
        says: all of it, in words.
        since: since when it is not known, as a timestamp, or "".
    """

    shows: Shows
    known: bool
    fault: str
    work: bool
    word: str
    says: str
    since: str = ""

    def plain(self) -> dict[str, Any]:
        """As plain values, for a page."""
        return asdict(self)


def look(
    section: SectionOut, faults: Mapping[str, FaultOut], line: Line, now: Moment
) -> SectionLook:
    """How *section* looks.

    Args:
        section: as the API tells it.
        faults: those that are open, by id.
        line: for its local time.
        now: dates are left out where they are of this day.
    """
    subject = f"section/{section.id}"
    about = [
        faults[one]
        for one in section.faults
        if one in faults and subject in faults[one].concerned
    ]
    worst = max(about, key=lambda one: RANKS[one.priority], default=None)
    fault = worst.priority if worst is not None and worst.priority != "note" else ""
    return SectionLook(
        shows=_shows(section),
        known=section.known,
        fault=fault,
        work=section.under_work,
        word=_word(section, fault),
        says=_says(section, worst, line, now),
        since="" if section.known else section.not_known_since or "",
    )


def _shows(section: SectionOut) -> Shows:
    match section.shown:
        case "clear":
            return "clear"
        case "occupied":
            return "train"
        case None:
            return "nothing"
    return "odd"


def _word(section: SectionOut, fault: str) -> str:
    if not section.known:
        return "not known"
    if section.shown in SHORT:
        return SHORT[section.shown]
    if not fault:
        return ""
    # It shows what it shows, and just that is in doubt.
    return "clear?" if section.shown == "clear" else "occupied?"


def _says(section: SectionOut, worst: FaultOut | None, line: Line, now: Moment) -> str:
    def at(text: str | None) -> str:
        return "" if text is None else to_the_minute(parse(text), line.zone, now)

    said = [section.id]
    if section.known:
        said.append(f"{STATES.get(section.shown or '', 'not heard yet')}")
    elif section.not_known_since is not None:
        said.append(f"not known since {at(section.not_known_since)}")
    else:
        said.append("not heard yet")
    if section.under_work:
        said.append("under work")
    if worst is not None:
        said.append(f"{worst.priority}: {worst.headline} ({worst.number})")
    return ", ".join(said)
