"""A workbook in memory, in which nothing is a formula, a link or a number that was written as text."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import xlsxwriter

from monitor.core.moments import Moment, as_datetime
from monitor.core.words import CAUTION


def workbook(out: BytesIO, title: str, made: Moment) -> Any:
    """A workbook that is written to *out* when it is closed; its properties hold the caution."""
    book = xlsxwriter.Workbook(
        out,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "remove_timezone": True,
        },
    )
    book.set_properties(
        {"title": title, "comments": CAUTION, "created": as_datetime(made)}
    )
    return book
