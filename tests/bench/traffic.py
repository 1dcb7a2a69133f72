"""Trains over plain lines, cheaply made: so many basic events of so many sections.

Every fifty sections in a row are a line of its own, with a train every five minutes that takes a minute for a section and stands in two for ten seconds.
Now and then a section is disturbed behind a train, is reset, and is proved by the next; a few are disturbed again and again.
Nothing is drawn by lot: the same numbers give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import heapify, heappop, heappush

from monitor.core.moments import SECOND, parse, stamp

ROW = 50
"""Sections in a row."""

STEP, OVERLAP, HEADWAY = 60, 10, 300
"""Seconds for a section, in two sections at once, and between trains."""

BEGIN = parse("2026-05-04T00:00:00Z")

DISTURBED_EVERY = 997
"""One passage in so many leaves the section disturbed; prime, so that it wanders over the sections."""

FLAKY = 97
"""One section in so many is disturbed every two hundred minutes besides."""


def line_text(sections: int) -> str:
    """The line file of *sections*, in rows of fifty, both ends of each row open."""
    text = ['[line]\nname = "rows"\ntimezone = "UTC"\n']
    for row in range((sections + ROW - 1) // ROW):
        text.append(f'[[evaluator]]\nid = "E{row}"\nsite = "S{row}"\n')
        ids = [f"R{row}_{n}" for n in range(min(ROW, sections - row * ROW))]
        text += [
            f'[[section]]\nid = "{one}"\narea = "A{row % 20}"\nevaluator = "E{row}"\n'
            "length_m = 1000\nspeed_km_h = 100\n"
            for one in ids
        ]
        text += [
            f'[[head]]\nid = "H{row}_{n}"\nbetween = ["{one}", "{other}"]\n'
            for n, (one, other) in enumerate(
                zip(["open", *ids], [*ids, "open"], strict=True)
            )
        ]
    return "".join(text)


def events(sections: int, count: int) -> Iterator[bytes]:
    """*count* lines of a recording; the first ones say what every section shows."""
    number = 0
    for row in range((sections + ROW - 1) // ROW):
        for place in range(min(ROW, sections - row * ROW)):
            number += 1
            yield _event(number, 0, row, place, "clear")
    for second, row, place, what in _happenings(sections):
        if number >= count:
            return
        number += 1
        yield _event(number, second, row, place, what)


def _happenings(sections: int) -> Iterator[tuple[float, int, int, str]]:
    """What happens where, in order of time, without end."""
    heap: list[tuple[float, int, int, int, str]] = []
    rows = [min(ROW, sections - n * ROW) for n in range((sections + ROW - 1) // ROW)]
    passages = 0
    for row, length in enumerate(rows):
        # Trains already on the line at the start, then one that brings the next.
        for ahead in range(length * STEP // HEADWAY, 0, -1):
            place = ahead * HEADWAY // STEP
            if place < length:
                heap.append((1.0 + row % 7, row, place, 0, "occupied"))
        heap.append((20.0 + row % 7, row, 0, 1, "occupied"))
    heapify(heap)
    while True:
        second, row, place, leads, what = heappop(heap)
        yield second, row, place, what
        if what == "occupied":
            passages += 1
            if leads:
                heappush(heap, (second + HEADWAY, row, 0, 1, "occupied"))
            left = _left(row, place, second, passages)
            if place + 1 < rows[row]:
                heappush(heap, (second + STEP, row, place + 1, 0, "occupied"))
            heappush(heap, (second + STEP + OVERLAP, row, place, 0, left))
        elif what == "disturbed":
            heappush(heap, (second + 90, row, place, 0, "reset"))
        elif what == "reset":
            heappush(heap, (second + 1, row, place, 0, "clear"))


def _left(row: int, place: int, second: float, passages: int) -> str:
    """What the train leaves behind."""
    flaky = (row * ROW + place) % FLAKY == 0 and second // HEADWAY % 40 == 7
    return "disturbed" if flaky or passages % DISTURBED_EVERY == 0 else "clear"


def _event(number: int, second: float, row: int, place: int, what: str) -> bytes:
    time = stamp(BEGIN + round(second * SECOND)).encode()
    kind, data = (
        (b"reset", b'"kind":"unconditional","step":"accepted"')
        if what == "reset"
        else (b"state", b'"state":"%b"' % what.encode())
    )
    return (
        b'{"specversion":"1.0","id":"%d","source":"gw/%d",'
        b'"type":"tallywatch.section.%b","subject":"R%d_%d","time":"%b",'
        b'"data":{%b}}\n' % (number, row, kind, row, place, time, data)
    )
