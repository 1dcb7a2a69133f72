"""A window of the journal that a page asks for, and what it is given."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.core.moments import Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """What is to be shown.

    Args:
        begin: from when.
        end: to when.
        section: to be stepped through, or "".
        at: from when, or None: from the beginning.
        settings: to be tried over those in force, as TOML, or "".
    """

    begin: Moment
    end: Moment
    section: str = ""
    at: Moment | None = None
    settings: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A window, as a page shows it.

    Args:
        window: from when to when, in words.
        rehearsal: what is told was played, not so.
        parts: of the page, as markup.
        packed: the document of the diagram, compressed.
    """

    window: str
    rehearsal: bool
    parts: str
    packed: bytes
