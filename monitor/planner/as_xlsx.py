"""The period report as a workbook: a sheet a kind, with real types, a frozen head and filters.

Nothing in it is a formula: text is written as text, whatever it begins with.
A cell with nothing in it is not known, and never nought.
"""

from __future__ import annotations

from io import BytesIO
from typing import Any
from zoneinfo import ZoneInfo

from monitor.core.moments import as_datetime
from monitor.core.words import CAUTION
from monitor.planner import words
from monitor.planner.as_html import NOTES, PLURALS
from monitor.planner.columns import COLUMNS, Cell, Form, cells
from monitor.planner.figures import KINDS, Figures, Kind, Report
from monitor.planner.seasons import TOO_LITTLE
from monitor.planner.workbook import workbook

WIDTHS: dict[Form, int] = {"text": 22, "count": 12, "number": 13, "share": 11, "yes": 9}


def as_xlsx(report: Report) -> bytes:
    """*report* as the bytes of a workbook."""
    out = BytesIO()
    book = workbook(out, f"Period report: {report.line}", report.made or report.end)
    sheets = _Sheets(book)
    sheets.first(report)
    for kind in KINDS:
        if report.rows[kind]:
            sheets.table(report, kind)
    sheets.months(report)
    sheets.seasons(report)
    sheets.how()
    book.close()
    return out.getvalue()


class _Sheets:
    """The sheets of one workbook."""

    def __init__(self, book: Any) -> None:
        self._book = book
        wrap = {"text_wrap": True, "valign": "top"}
        self._head = book.add_format({"bold": True, "bottom": 1, **wrap})
        self._bold = book.add_format({"bold": True})
        self._wrap = book.add_format(wrap)
        self._moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        self._forms = {
            "count": book.add_format({"num_format": "#,##0"}),
            "number": book.add_format({"num_format": "0.0##"}),
            "share": book.add_format({"num_format": "0.0%"}),
        }

    def first(self, report: Report) -> None:
        """What period it is, and what is to be known of it."""
        sheet = self._book.add_worksheet("Report")
        sheet.set_column(0, 0, 30)
        sheet.set_column(1, 1, 60)
        whole = report.whole
        sheet.write_string(0, 0, f"Period report: {report.line}", self._bold)
        rows: list[tuple[str, Any]] = [
            (f"From ({report.timezone})", report.begin),
            (f"Up to ({report.timezone})", report.end),
            (f"Known up to ({report.timezone})", report.reached),
            ("Rehearsal", "yes: none of this is so" if report.rehearsal else "no"),
            ("Disturbances", words.disturbed(whole)),
            ("Trains worked through sections", words.trains(whole)),
            (
                "Occasions per 1,000 trains",
                words.rate(whole.per_trains(), heard=whole.heard),
            ),
            ("Against the period before", words.against(report.against)),
            ("Counted apart", words.apart(whole)),
            ("Resets by kind, a train followed", words.resets(whole)),
            ("Not available", _known(whole, words.minutes(whole.failed))),
            ("In hours with trains", _known(whole, words.minutes(whole.failed_busy))),
            ("Occupied, no train seen", _known(whole, words.minutes(whole.no_train))),
            ("Given back", words.given_back(whole)),
            ("Trains held", _known(whole, str(whole.held))),
            ("Observed share", words.share(whole.share)),
            *(("To know", note) for note in report.notes),
            ("Caution", CAUTION),
        ]
        for number, (name, value) in enumerate(rows, 2):
            sheet.write_string(number, 0, name)
            if isinstance(value, int):
                local = as_datetime(value).astimezone(ZoneInfo(report.timezone))
                sheet.write_datetime(
                    number, 1, local.replace(tzinfo=None), self._moment
                )
            else:
                sheet.write_string(number, 1, value, self._wrap)

    def table(self, report: Report, kind: Kind) -> None:
        """A row for each of a kind."""
        sheet = self._book.add_worksheet(PLURALS[kind])
        for at, column in enumerate(COLUMNS):
            sheet.write_string(0, at, column.title, self._head)
            sheet.set_column(at, at, WIDTHS[column.form])
        number = 0
        for number, row in enumerate(cells(report, kind), 1):
            for at, (column, cell) in enumerate(zip(COLUMNS, row, strict=True)):
                self._write(sheet, number, at, cell, column.form)
        sheet.freeze_panes(1, 2)
        sheet.autofilter(0, 0, number, len(COLUMNS) - 1)
        sheet.set_landscape()
        sheet.repeat_rows(0)
        sheet.fit_to_pages(1, 0)

    def _write(self, sheet: Any, row: int, at: int, cell: Cell, form: Form) -> None:
        match cell:
            case None:
                pass
            case bool():
                sheet.write_boolean(row, at, cell)
            case str():
                sheet.write_string(row, at, cell)
            case _:
                sheet.write_number(row, at, cell, self._forms.get(form))

    def months(self, report: Report) -> None:
        """By month and by hour of the day."""
        for name, slots in (("By month", report.months), ("By hour", report.hours)):
            sheet = self._book.add_worksheet(name)
            sheet.set_column(0, 4, 18)
            first = "Month" if slots is report.months else "Hour"
            titles = ("Disturbances", "Occasions", "Trains", "Observed share")
            for at, title in enumerate((first, *titles)):
                sheet.write_string(0, at, title, self._head)
            for number, slot in enumerate(slots, 1):
                sheet.write_string(number, 0, slot.name)
                told = (slot.disturbances, slot.occasions, slot.trains)
                for at, count in enumerate(told, 1):
                    if slot.told(count) is not None:
                        sheet.write_number(number, at, count, self._forms["count"])
                sheet.write_number(number, 4, slot.share, self._forms["share"])
            sheet.freeze_panes(1, 1)

    def seasons(self, report: Report) -> None:
        """Each season of each year."""
        sheet = self._book.add_worksheet("By season")
        sheet.set_column(0, 5, 18)
        if not report.seasons:
            sheet.write_string(0, 0, TOO_LITTLE)
            return
        titles = (
            "Season",
            "Year",
            "Disturbances",
            "Occasions",
            "Trains",
            "Days observed",
        )
        for at, title in enumerate(titles):
            sheet.write_string(0, at, title, self._head)
        rows = [(one, year) for one in report.seasons for year in one.years]
        for number, (season, one) in enumerate(rows, 1):
            sheet.write_string(number, 0, season.name)
            sheet.write_number(number, 1, one.year)
            told = (one.disturbances, one.occasions, one.trains)
            for at, count in enumerate(told, 2):
                if one.days or count:
                    sheet.write_number(number, at, count, self._forms["count"])
            sheet.write_number(number, 5, one.days, self._forms["number"])
        sheet.freeze_panes(1, 2)

    def how(self) -> None:
        """How the numbers are made."""
        sheet = self._book.add_worksheet("How the numbers are made")
        sheet.set_column(0, 0, 34)
        sheet.set_column(1, 1, 110)
        for number, (what, text) in enumerate(NOTES):
            sheet.write_string(number, 0, what, self._bold)
            sheet.write_string(number, 1, text, self._wrap)


def _known(row: Figures, text: str) -> str:
    return text if row.heard else words.NOT_HEARD
