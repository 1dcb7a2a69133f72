"""The period report as CSV (RFC 4180): one table, a row for each section and for each thing that sections need.

What a spreadsheet could take for a formula is told as text; a cell with nothing in it is not known, and never nought.
"""

from __future__ import annotations

import csv
from io import StringIO

from monitor.planner.columns import COLUMNS, Cell, all_cells
from monitor.planner.figures import Report
from monitor.tables import guarded


def as_csv(report: Report) -> str:
    """The tables of *report* as one."""
    out = StringIO()
    writer = csv.writer(out)
    writer.writerow([column.key for column in COLUMNS])
    writer.writerows([_written(cell) for cell in row] for row in all_cells(report))
    return out.getvalue()


def _written(cell: Cell) -> str:
    match cell:
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case str():
            return guarded(cell)
        case float():
            return f"{cell:.6g}"
        case _:
            return str(cell)
