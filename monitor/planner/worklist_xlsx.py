"""The work list as a workbook: a row for each section on it, with real types, and a sheet of what is to be known of it.

Nothing in it is a formula: text is written as text, whatever it begins with.
"""

from __future__ import annotations

from io import BytesIO

from monitor.core.moments import as_datetime, parse
from monitor.core.words import CAUTION
from monitor.planner.quiet_hours import NO_LEAVE
from monitor.planner.workbook import workbook
from monitor.planner.worklist import NOTHING, ORDER, Worklist
from monitor.planner.worklist_table import COLUMNS, rows

WIDE = {"why": 60, "alerts": 40, "fewest_trains": 60, "parts": 28, "site": 24}
MOMENTS = {"last_visit"}


def as_xlsx(made: Worklist) -> bytes:
    """*made* as the bytes of a workbook; times are UTC."""
    out = BytesIO()
    book = workbook(out, "Work list", made.at)
    at = as_datetime(made.at)
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm", "valign": "top"})
    sheet = book.add_worksheet("Work list")
    for place, name in enumerate(COLUMNS):
        sheet.write_string(0, place, name.replace("_", " "), head)
        sheet.set_column(place, place, WIDE.get(name, 14))
    last = 0
    for last, row in enumerate(rows(made.trips), start=1):
        for place, (name, cell) in enumerate(zip(COLUMNS, row, strict=True)):
            if not isinstance(cell, str):
                sheet.write_number(last, place, cell, wrap)
            elif cell and name in MOMENTS:
                sheet.write_datetime(last, place, as_datetime(parse(cell)), moment)
            elif cell:
                sheet.write_string(last, place, cell, wrap)
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, last, len(COLUMNS) - 1)
    sheet.set_landscape()
    sheet.repeat_rows(0)
    sheet.fit_to_pages(1, 0)
    known = book.add_worksheet("To know")
    known.set_column(0, 0, 100)
    heard = made.heard.words
    for place, text in enumerate(
        (
            f"As of {at:%Y-%m-%d %H:%M} UTC; all times are UTC, except those of fewest trains, which are the line's.",
            f"{heard[0].upper()}{heard[1:]}.",
            *([] if made.trips else [f"Nothing is on the list: {NOTHING}"]),
            *([made.off_words] if made.off else []),
            ORDER,
            NO_LEAVE,
            CAUTION,
        )
    ):
        known.write_string(place, 0, text, wrap)
    book.close()
    return out.getvalue()
