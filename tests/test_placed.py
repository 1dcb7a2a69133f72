import json
from typing import Any

from monitor.core.moments import HOUR, SECOND, parse, stamp
from monitor.placed import placed
from monitor.store import Store, What

NIGHT = parse("2026-05-04T02:00:00Z")
LATER = parse("2026-11-30T19:04:00Z")
"""By the time of day at which it was played."""


def alert(name, raised, ended=None):
    """A line of an alert."""
    return {
        "id": name,
        "raised": stamp(NIGHT + raised * SECOND),
        "ended": None if ended is None else stamp(NIGHT + ended * SECOND),
    }


def fault(alerts, still_open, ended=None):
    """A line of a fault."""
    return alert("f", 5, ended) | {"alerts": alerts, "open": still_open}


def test_what_was_played_is_placed_by_its_own_text(tmp_path):
    """Raising, end, and when a call was due; a line of a fault by what its alerts had come to; never before the line before it."""
    lines: list[tuple[What, dict[str, Any]]] = [
        ("alert", alert("a", 5)),
        ("fault", fault(["a"], ["a"])),
        ("call", {"at": stamp(NIGHT + 6 * SECOND)}),
        ("alert", alert("b", 30)),
        ("fault", fault(["a", "b"], ["a", "b"])),
        ("alert", alert("a", 5, 60)),
        ("fault", fault(["a", "b"], ["b"])),
        ("alert", alert("b", 30, 90)),
        ("fault", fault(["a", "b"], [], ended=90)),
    ]
    with Store.open(tmp_path / "alerts.sqlite") as store:
        for number, (what, told) in enumerate(lines):
            store.put(what, str(number), "f", json.dumps(told), LATER + number)

        found = list(placed(store, played=True))
        within = list(
            placed(store, NIGHT + 30 * SECOND, NIGHT + 90 * SECOND, played=True)
        )
        live = list(placed(store, LATER, LATER + 2, played=False))

    assert [(one.at - NIGHT) // SECOND for one in found] == [
        *(5, 5, 6, 30, 30, 60, 60, 90, 90)
    ]
    assert [one.item.key for one in within] == ["3", "4", "5", "6"]
    assert [one.at for one in live] == [LATER, LATER + 1]
    assert LATER - NIGHT > HOUR


def test_what_was_played_came_with_the_event_that_brought_it(tmp_path):
    """An alert is raised by the clocks of the feed, and is there once the event came that settled it; so is all that is told of it."""
    first, ended = alert("a", 5), alert("a", 5, 60)
    came = {json.dumps(first): NIGHT + 8 * SECOND}
    with Store.open(tmp_path / "alerts.sqlite") as store:
        for number, told in enumerate((first, ended)):
            store.put("alert", str(number), "a", json.dumps(told), LATER)

        found = list(placed(store, played=True, came=came))
        before = list(placed(store, end=NIGHT + 8 * SECOND, played=True, came=came))

    assert [(one.at - NIGHT) // SECOND for one in found] == [8, 60]
    assert before == []
