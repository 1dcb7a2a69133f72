"""The fault sheet: all that somebody who goes to a fault takes along, as one HTML file.

It loads nothing and runs nothing, is legible on a phone, and prints on one page; so each part has a bound, and says how much was left out.
Every text of it that came from a file, the feed or a person is escaped, and characters that turn the direction of writing are shown as question marks.

In this order: number and headline, what to do first, where to go, look first, what else it could be and what would settle it, what happened, the likeliest parts, the numbers behind it, the caution.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from monitor.core.alerts import Alert
from monitor.core.detector import first_act
from monitor.core.detectors import CATALOGUE
from monitor.core.faults import Fault
from monitor.core.layout import Line
from monitor.core.messages import cut, plain, sections_of, shorten, site_of
from monitor.core.moments import Moment, as_datetime
from monitor.core.telling import (
    happened,
    leading,
    looks,
    numbers,
    others,
    parts,
    shortened,
)
from monitor.core.words import CAUTION, clock, span
from monitor.kinds import asked

MOST_EVENTS, MOST_CHECKS, MOST_PARTS, MOST_NUMBERS, MOST_PLACES = 8, 4, 4, 9, 2
"""Lines of each part: what fits one page with the longest names."""

LONGEST = 120
"""Characters of one line of a part."""

_FIRST = {one.kind: one for one in asked(CATALOGUE)}

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"  # fmt: skip
"""Nothing is loaded and nothing runs, whatever else went wrong."""

STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 12px; max-width: 1100px; background: #fff; color: #16191c; font: 18px/1.35 system-ui, sans-serif; overflow-wrap: anywhere; font-variant-numeric: tabular-nums; }
h1 { font-size: 24px; line-height: 1.2; margin: 6px 0; }
h2 { font-size: 18px; margin: 16px 0 4px; border-bottom: 1px solid #7c868e; }
p { margin: 4px 0; }
ol, ul { margin: 4px 0; padding-left: 26px; }
li { margin: 3px 0; }
.number { font-size: 34px; font-weight: 700; letter-spacing: 0.08em; }
.chip { display: inline-block; padding: 2px 12px; font-weight: 700; border: 2px solid #16191c; vertical-align: 8px; margin-left: 10px; }
.urgent .chip { background: #9e0b22; border-color: #9e0b22; color: #fff; }
.prompt .chip { background: #f0b400; border-color: #4f3b00; }
.planned .chip { background: #1f57a8; border-color: #1f57a8; color: #fff; border-radius: 14px; }
.mark { border: 3px double #16191c; padding: 4px 10px; font-weight: 700; }
.answer { border: 2px solid #16191c; padding: 8px 12px; margin: 10px 0; }
.answer b { font-size: 20px; }
.second { color: #4a535b; font-size: 16px; }
table { border-collapse: collapse; width: 100%; }
td, th { text-align: left; vertical-align: top; padding: 2px 12px 2px 0; font-weight: 400; }
th { white-space: nowrap; color: #4a535b; width: 1%; }
.numbers { display: grid; grid-template-columns: repeat(auto-fit, minmax(240px, 1fr)); gap: 0 16px; font-size: 16px; }
.numbers div { display: flex; justify-content: space-between; gap: 8px; border-bottom: 1px dotted #7c868e; }
a { white-space: nowrap; }
.caution { font-weight: 700; border-top: 2px solid #16191c; margin-top: 16px; padding-top: 6px; }
@media (min-width: 800px) { .sides { display: grid; grid-template-columns: minmax(0, 1fr) minmax(0, 1fr); gap: 0 28px; } }
@media print {
  @page { size: A4; margin: 10mm; }
  body { font-size: 9.5pt; line-height: 1.15; padding: 0; max-width: none; }
  .sides { display: grid; grid-template-columns: minmax(0, 1fr) minmax(0, 1fr); gap: 0 6mm; font-size: 8.5pt; }
  h1 { font-size: 14pt; } h2 { font-size: 10.5pt; margin: 6px 0 2px; } .number { font-size: 18pt; }
  .answer { margin: 4px 0; padding: 3px 8px; } .answer b { font-size: 11pt; }
  .second, .numbers { font-size: 8.5pt; } .caution { margin-top: 6px; }
  li, p { margin: 1px 0; } td, th { padding: 1px 8px 1px 0; }
  .urgent .chip, .prompt .chip, .planned .chip { background: none; color: #16191c; border-color: #16191c; }
}
"""


def sheet(
    fault: Fault,
    alerts: Sequence[Alert],
    line: Line,
    *,
    made: Moment,
    monitor: str,
    standing: int | None = None,
    mark: str = "",
) -> str:
    """The fault sheet as one HTML file, under 100 kB.

    Args:
        fault: what it is about.
        alerts: its alerts, in the order in which they came.
        line: the line file, for where to go.
        made: when it is made.
        monitor: by which monitor.
        standing: trains standing before or in it; None where nobody counted.
        mark: what is written across it: a drill, a rehearsal.
    """
    first = leading(alerts, fault.open, fault.subject)
    parts = [
        _head(fault, line, made, standing, mark),
        _answer(first),
        _where(fault, alerts, line),
        '<div class="sides"><div>',
        _looks(first),
        _others(first),
        "</div><div>",
        _happened(alerts, line, fault.began),
        _suspects(first),
        "</div></div>",
        _numbers(first),
        f'<p class="caution">{escape(CAUTION)}</p>',
        f'<p class="second">Made {_time(made, line)} by the monitor {_text(monitor)}.</p>',
    ]
    title = f"{_text(fault.number)}: {_text(fault.headline)}"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(POLICY)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n"
        f'<body class="{escape(fault.priority)}">\n'
        + "\n".join(part for part in parts if part)
        + "\n</body>\n</html>\n"
    )


def _head(
    fault: Fault, line: Line, made: Moment, standing: int | None, mark: str
) -> str:
    state = "" if fault.ended is None else f", over since {_time(fault.ended, line)}"
    trains = {
        None: "",
        0: " No train seen standing.",
        1: " <b>1 train standing.</b>",
    }.get(standing, f" <b>{standing} trains standing.</b>")
    banner = f'<p class="mark">{_text(mark)}</p>' if mark else ""
    return (
        f"{banner}<div><span class='number'>{_text(fault.number)}</span>"
        f'<span class="chip">{escape(fault.priority)}</span></div>'
        f"<h1>{_text(fault.headline)}</h1>"
        f"<p>Since {_time(fault.began, line)}, {span(max(0, made - fault.began))}{state}.{trains}</p>"
        f'<p class="second">{_text(line.name)}. Times in {_text(line.timezone)}.</p>'
    )


def _answer(leading: Alert | None) -> str:
    known = _FIRST.get(leading.kind) if leading else None
    if leading is None or known is None:
        return ""
    act = first_act(known.first, leading.priority)
    first = act[:1].upper() + act[1:]
    return (
        f'<div class="answer"><b>{_text(first)}</b>'
        f'<p class="second">Within: {_text(known.within)}. If not: {_text(known.otherwise)}.</p></div>'
    )


def _where(fault: Fault, alerts: Sequence[Alert], line: Line) -> str:
    rows = [*_sites(alerts, line), *_areas(alerts, line)]
    places = [
        escape(shorten(plain(one.partition("/")[2] or one), 24))
        for one in fault.subjects
    ]
    concerned = ", ".join(places[:12]) + _more(len(places) - 12, "others")
    rows.append(("Concerned", concerned))
    cells = "".join(f"<tr><th>{a}</th><td>{b}</td></tr>" for a, b in rows)
    return f"<h2>Where to go, whom to call</h2><table>{cells}</table>"


def _sites(alerts: Sequence[Alert], line: Line) -> list[tuple[str, str]]:
    found = dict.fromkeys(name for one in alerts if (name := site_of(one, line)))
    rows = []
    for name in list(found)[:MOST_PLACES]:
        site = line.sites.get(name)
        says = [_text(name)]
        if site is not None:
            room = f"room {site.room}" if site.room else None
            told = (site.route, site.access, room)
            says += [_text(one, 200) for one in told if one]
        if site is not None and site.telephone:
            says.append(_telephone(site.telephone))
        rows.append(("Go to", ": ".join([says[0], "; ".join(says[1:])]).rstrip(": ")))
    if len(found) > MOST_PLACES:
        rows.append(("", _more(len(found) - MOST_PLACES, "sites").strip(" ,")))
    return rows


def _areas(alerts: Sequence[Alert], line: Line) -> list[tuple[str, str]]:
    found = dict.fromkeys(
        line.sections[name].area for one in alerts for name in sections_of(one, line)
    )
    rows = []
    for name in list(found)[:MOST_PLACES]:
        area = line.areas.get(name)
        says = _text(area.signaller) if area and area.signaller else "the signaller"
        if area and area.telephone:
            says += f", {_telephone(area.telephone)}"
        rows.append(("Call", f"{says} (area {_text(name)})"))
    return rows


def _happened(alerts: Sequence[Alert], line: Line, began: Moment) -> str:
    """Everything the alerts rest on; the first ones say how it began, the last ones how it is."""
    begun, left, now = shortened(happened(alerts), MOST_EVENTS)
    rows = [
        f"<tr><th>{escape(clock(at, line.zone, began))}</th><td>{_text(said)}</td></tr>"
        for at, said in (*begun, *now)
    ]
    if left:
        rows.insert(len(begun), f"<tr><th></th><td>… {left} more between …</td></tr>")
    return f"<h2>What happened</h2><table>{''.join(rows)}</table>"


def _looks(leading: Alert | None) -> str:
    found = looks(leading.checks if leading else ())
    return _list("Look first at", "ol", (_text(one) for one in found), len(found))


def _others(leading: Alert | None) -> str:
    found = others(leading.checks if leading else ())
    items = []
    for one in found:
        settles = f"<br>Settled by {_text(one.settled)}" if one.settled else ""
        items.append(f"{_text(one.what)}{settles}")
    return _list("What else it could be", "ul", items, len(found))


def _suspects(leading: Alert | None) -> str:
    found = parts(leading.suspects if leading else (), room=30)
    return _list("Parts", "ul", (_text(one) for one in found), len(found), MOST_PARTS)


def _list(
    title: str, tag: str, items: Iterable[str], count: int, most: int = MOST_CHECKS
) -> str:
    shown = [f"<li>{one}</li>" for one in items][:most]
    if not shown:
        return ""
    rest = ""
    if count > most:
        rest = f'<p class="second">{_more(count - most, "others").strip(" ,")}</p>'
    return f"<h2>{title}</h2><{tag}>{''.join(shown)}</{tag}>{rest}"


def _numbers(leading: Alert | None) -> str:
    told = numbers(leading.parameters if leading else {})
    shown = [
        f"<div><span>{_text(name, 40)}</span><span>{_text(value, 60)}</span></div>"
        for name, value in told[:MOST_NUMBERS]
    ]
    if not shown:
        return ""
    left = _more(len(told) - MOST_NUMBERS, "others").strip(" ,")
    more = f'<p class="second">{left}</p>' if left else ""
    return (
        f'<h2>The numbers behind it</h2><div class="numbers">{"".join(shown)}</div>'
        f"{more}"
    )


def _more(count: int, what: str) -> str:
    return f", and {count} {what}" if count > 0 else ""


def _time(moment: Moment, line: Line) -> str:
    return escape(f"{as_datetime(moment).astimezone(line.zone):%Y-%m-%d %H:%M:%S}")


def _telephone(number: str) -> str:
    dialled = "".join(c for c in number if c in "+0123456789")
    return f'<a href="tel:{dialled}">{_text(number)}</a>' if dialled else _text(number)


def _text(text: str, room: int = LONGEST) -> str:
    return escape(cut(plain(text), room))
