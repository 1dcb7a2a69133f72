from dataclasses import replace

import pytest

from monitor.core.moments import parse
from monitor.shown import Painted, Shown, entry, shown_in

NOON = parse("2026-05-04T12:00:00Z")
ONE = Shown(
    id="a1",
    position="north",
    by="A. Moor",
    page="0123456789abcdef",
    at=NOON,
    entered=NOON + 40_000,
    visible=True,
    sound="played",
    faults=(
        Painted(
            fault="7b9effd83caf5b4f",
            headline="T107 <b>",
            priority="prompt",
            alerts=("7b9effd83caf5b4f", "1122334455667788"),
        ),
        Painted(fault="1122334455667788", headline="T108", priority="prompt"),
    ),
    stale=NOON - 5_000_000,
)


def test_what_was_shown_is_read_as_it_was_written():
    """With its own time and that of its coming."""
    written = entry(ONE)
    left = replace(ONE, left=True)

    assert written.kept
    assert list(shown_in([b"no json", b'{"type":"other"}', written.payload])) == [ONE]
    assert list(shown_in([entry(left).payload])) == [left]


def test_what_is_not_whole_is_told():
    """A record of it without its data is no such record."""
    with pytest.raises(ValueError, match="not whole"):
        list(shown_in([b'{"type":"tallywatch.desk.shown","id":"1"}']))
