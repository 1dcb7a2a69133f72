"""Tables that people read and write with a spreadsheet: cells that it takes for text, and what is wrong with a table that came in."""

from __future__ import annotations

from collections.abc import Sequence

_FORMULA = ("=", "+", "-", "@")
"""A spreadsheet takes for a formula what begins so, also after spaces (OWASP, "CSV Injection")."""

_SPACES = ("\t", "\r", "\n")
"""What begins so it may drop the beginning of."""


class TableFault(Exception):
    """A table, or a calendar, is wrong.

    Attributes:
        faults: everything that is wrong with it, one line each.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = tuple(faults)


def guarded(cell: str) -> str:
    """*cell* so that a spreadsheet takes it for text.

    Example:
        >>> guarded("=1+1"), guarded("H107"), guarded("'tis"), guarded("'=")
        ("'=1+1", 'H107', "'tis", "''=")
    """
    return f"'{cell}" if _is_taken(cell) else cell


def bare(cell: str) -> str:
    """*cell* as it was before `guarded`.

    Example:
        >>> bare("'=1+1"), bare("'tis"), bare("''=")
        ('=1+1', "'tis", "'=")
    """
    return cell[1:] if cell.startswith("'") and _is_taken(cell) else cell


def _is_taken(cell: str) -> bool:
    """Whether it could be taken for a formula, however many apostrophes stand before it."""
    text = cell.lstrip("'")
    return text.startswith(_SPACES) or text.lstrip().startswith(_FORMULA)
