"""Reports as one HTML file that opens by double-click: it loads nothing and runs nothing, whatever else went wrong."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

from monitor.core.words import readable

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"  # fmt: skip
"""Nothing is loaded and nothing runs."""

_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 16px; max-width: 1880px; background: #fff; color: #16191c; font: 16px/1.35 system-ui, sans-serif; }
h1 { font-size: 24px; margin: 0 0 8px; }
@media print { @page { size: A4 landscape; margin: 10mm; } body { padding: 0; max-width: none; } }
"""


def document(title: str, inner: str) -> str:
    """One HTML file of *inner*, which is HTML already; *title* is not."""
    title = escape(title)
    return readable(
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(POLICY)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{_STYLE}{style()}</style>\n</head>\n<body>\n"
        f"<h1>{title}</h1>\n<main>{inner}</main>\n</body>\n</html>\n"
    )


def style() -> str:
    """The style sheet of what is in a document."""
    return (files("monitor.charts") / "static" / "document.css").read_text("utf-8")


def table(name: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of texts; "" where it has no row.

    Args:
        name: for who cannot see it.
        columns: the first is of what a row is about.
        rows: their cells, in plain text.

    Example:
        >>> "1 &lt; 2</td>" in table("t", ["it", "much"], [["a", "1 < 2"]])
        True
        >>> table("t", ["it"], [])
        ''
    """
    told = ([escape(cell) for cell in row] for row in rows)
    return html_table(name, columns, told)


def html_table(name: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """The same of cells that are HTML already."""
    lines = []
    for first, *cells in rows:
        told = "".join(
            f'<td data-label="{escape(title)}">{cell}</td>'
            for title, cell in zip(columns[1:], cells, strict=True)
        )
        lines.append(f'<tr><th scope="row">{first}</th>{told}</tr>')
    if not lines:
        return ""
    head = "".join(f'<th scope="col">{escape(one)}</th>' for one in columns)
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(name)}">'
        f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(lines)}</tbody></table></div>"
    )
