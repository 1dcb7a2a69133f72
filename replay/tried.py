"""A window of a journal for the desk's page, beside what other settings would have concluded of it: `python -m replay.tried`.

Somebody types a few settings on the page; they lie over those that were in force, for this one picture, and change nothing anywhere.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from monitor.core.layout import Line
from monitor.core.tuning import Detection, DetectionFault
from monitor.incident.__main__ import MOST, answer, asked
from monitor.incident.beside import Beside
from monitor.incident.report import pieces_of
from monitor.incident.story import Story
from monitor.inforce import read_detection
from monitor.past import Past, PastFault
from replay.otherwise import beside

TABLES = ("words", "detect", "section")
"""What conclusions depend on besides the line file and the events."""


def given(text: str) -> dict[str, Any]:
    r"""The settings in *text*.

    Raises:
        PastFault: with the first thing that is wrong with them.

    Example:
        >>> given("[detect.section-disturbed]\nsettle_s = 60")
        {'detect': {'section-disturbed': {'settle_s': 60}}}
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PastFault(f"the settings to be tried cannot be read: {error}") from None
    others = [name for name in tables if name not in TABLES]
    if others or not tables:
        named = f", not {others[0]}" if others else ""
        raise PastFault(
            "only [words], [detect.KIND] and [section.ID.KIND] can be tried here"
            + named
        )
    try:
        Detection.of(**tables)
    except DetectionFault as fault:
        raise PastFault(f"the settings to be tried: {fault.faults[0]}") from None
    except (AttributeError, TypeError):
        raise PastFault("the settings to be tried are no tables of settings") from None
    return tables


def over(before: Mapping[str, Any], tried: Mapping[str, Any]) -> dict[str, Any]:
    """The tables *before* with those *tried* laid over them.

    Example:
        >>> over({"a": {"b": 1, "c": 2}}, {"a": {"b": 3}})
        {'a': {'b': 3, 'c': 2}}
    """
    laid = dict(before)
    for name, value in tried.items():
        under = laid.get(name)
        if isinstance(value, Mapping) and isinstance(under, Mapping):
            laid[name] = over(under, value)
        else:
            laid[name] = value
    return laid


def in_words(tables: Mapping[str, Any], where: str = "") -> list[str]:
    """Each setting of *tables*, in a line.

    Example:
        >>> in_words({"detect": {"section-disturbed": {"settle_s": 60}}})
        ['[detect.section-disturbed] settle_s = 60']
    """
    said = []
    for name, value in tables.items():
        if isinstance(value, Mapping):
            said += in_words(value, f"{where}.{name}" if where else name)
        else:
            said.append(f"[{where}] {name} = {value}")
    return said


def tried_on(
    tables: Mapping[str, Any], alerts: Path | None
) -> Callable[[Past, Story], Beside]:
    """What would have been with *tables* over what was in force, held against what was.

    Args:
        tables: the settings.
        alerts: where the store of the monitor is, for what it said live.
    """

    def held(past: Past, story: Story) -> Beside:
        _are_there(tables, past.runs[-1].line)
        before = past.in_force[-1].settings(past.journal) if past.in_force else {}
        detection, _ = read_detection(over(before, tables))
        other = Past(past.journal, past.begin, past.end, detection=detection)
        by = f"the settings in force with {'; '.join(in_words(tables))}"
        return beside(story, pieces_of(other), by, store=alerts)

    return held


def _are_there(tables: Mapping[str, Any], line: Line) -> None:
    for name in tables.get("section", {}):
        if name not in line.sections:
            raise PastFault(f"the settings to be tried: there is no section {name}")


def main() -> int:
    """Make it and write it to stdout."""
    parser = asked("python -m replay.tried")
    parser.add_argument("--settings", required=True, help="TOML")
    found = parser.parse_args()
    # Everything is gone through once more.
    return answer(
        found, lambda: tried_on(given(found.settings), found.alerts), most=MOST // 2
    )


if __name__ == "__main__":
    sys.exit(main())
