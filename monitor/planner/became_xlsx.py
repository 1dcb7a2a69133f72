"""What became of visits, as a workbook: a sheet of visits, one of kinds of alert, one of what is to be known of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from io import BytesIO
from typing import Any

from monitor.core.moments import Moment, as_datetime, parse
from monitor.core.words import CAUTION
from monitor.planner.became_table import (
    FOUND,
    HELPED,
    Cell,
    found_rows,
    helped_rows,
    plain,
)
from monitor.planner.outlook import Became
from monitor.planner.workbook import workbook

WIDE = {"subjects": 28, "sections": 20, "found": 28, "did_it_help": 50, "in_words": 40}
MOMENTS = {"from", "to"}
SHARES = {"share", "share_low", "share_high"}


def as_xlsx(became: Became, at: Moment) -> bytes:
    """*became*, as of *at*, as the bytes of a workbook; times are UTC."""
    out = BytesIO()
    book = workbook(out, "What became of visits", at)
    sheets = _Sheets(book)
    sheets.table("Visits", HELPED, helped_rows(became.helped))
    sheets.table("Of those visited", FOUND, found_rows(became.found))
    told = plain(became)
    sheets.known(
        (
            f"As of {as_datetime(at):%Y-%m-%d %H:%M} UTC; all times are UTC.",
            f"All visits together: {told['together']['in_words']}.",
            *told["notes"],
            CAUTION,
        )
    )
    book.close()
    return out.getvalue()


class _Sheets:
    """The sheets of one workbook."""

    def __init__(self, book: Any) -> None:
        self._book = book
        top = {"text_wrap": True, "valign": "top"}
        self._head = book.add_format({"bold": True, "bottom": 1, **top})
        self._wrap = book.add_format(top)
        self._moment = book.add_format(
            {"num_format": "yyyy-mm-dd hh:mm", "valign": "top"}
        )
        self._share = book.add_format({"num_format": "0.0%", "valign": "top"})

    def table(
        self, name: str, columns: Sequence[str], rows: Iterable[tuple[Cell, ...]]
    ) -> None:
        sheet = self._book.add_worksheet(name)
        for at, column in enumerate(columns):
            sheet.write_string(0, at, column.replace("_", " "), self._head)
            sheet.set_column(at, at, WIDE.get(column, 15))
        last = 0
        for last, row in enumerate(rows, 1):
            for at, (column, cell) in enumerate(zip(columns, row, strict=True)):
                self._write(sheet, (last, at), column, cell)
        sheet.freeze_panes(1, 1)
        sheet.autofilter(0, 0, last, len(columns) - 1)
        sheet.set_landscape()
        sheet.repeat_rows(0)
        sheet.fit_to_pages(1, 0)

    def _write(
        self, sheet: Any, place: tuple[int, int], column: str, cell: Cell
    ) -> None:
        if isinstance(cell, str) and column in MOMENTS:
            sheet.write_datetime(*place, as_datetime(parse(cell)), self._moment)
        elif isinstance(cell, str):
            sheet.write_string(*place, cell, self._wrap)
        elif cell is not None:
            form = self._share if column in SHARES else self._wrap
            sheet.write_number(*place, cell, form)

    def known(self, texts: Iterable[str]) -> None:
        sheet = self._book.add_worksheet("To know")
        sheet.set_column(0, 0, 100)
        for place, text in enumerate(texts):
            sheet.write_string(place, 0, text, self._wrap)
