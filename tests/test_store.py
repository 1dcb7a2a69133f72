from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.alerts import Alert, identify, line
from monitor.core.moments import SECOND, parse
from monitor.store import Store

NOON = parse("2026-05-04T12:00:00Z")


def alert(section="T1", *, began=NOON, **changes):
    """An alert about a section."""
    subject = f"section/{section}"
    made = Alert(
        id=identify("section-disturbed", subject, began),
        kind="section-disturbed",
        subject=subject,
        priority="prompt",
        began=began,
        raised=began + 5 * SECOND,
        ended=None,
        summary=f"{section} disturbed",
        evidence=(),
        affected=(subject,),
        suspects=(),
        checks=(),
        parameters={},
    )
    return replace(made, **changes)


@pytest.fixture
def path(tmp_path):
    """Where a store is to be."""
    return tmp_path / "alerts.sqlite"


@pytest.fixture
def store(path):
    """A new store."""
    with Store.open(path) as store:
        yield store


def test_storing_a_line_again_does_nothing(path):
    """A fold from the beginning gives the same lines again, and nobody is told twice."""
    told = [alert(), alert(ended=NOON + 60 * SECOND), alert("T2")]
    with Store.open(path) as store:
        assert store.add(told) == told
        for waiting in store.waiting():
            store.sent(waiting.number)
    with Store.open(path) as store:
        assert store.add([*told, *told]) == []
        assert list(store.lines()) == [line(one) for one in told]
        assert store.waiting() == []


def test_the_last_line_of_an_id_holds(store):
    """An alert is as its last line says; one that is over is no longer among the open ones."""
    over = alert(ended=NOON + 60 * SECOND)
    store.add([alert(), alert("T2"), over])

    assert store.alerts() == [line(over), line(alert("T2"))]
    assert store.alerts(open_only=True) == [line(alert("T2"))]


def test_an_alert_may_come_back_to_what_it_said_before(store):
    """A line said before still is the last one when it is said last, though it is not sent again."""
    quiet = alert(parameters={"quiet": "work"})
    assert store.add([alert(), quiet, alert()]) == [alert(), quiet]

    assert store.alerts() == [line(alert())]
    assert len(store.waiting()) == 2


def test_what_waits_is_given_in_order_until_it_is_sent(store):
    """The outbox gives lines in the order in which they came, each until it is sent."""
    store.add([alert("T1"), alert("T2"), alert("T3")])
    first, second = store.waiting(2)
    store.sent(first.number)

    assert [one.line for one in store.waiting()] == [
        line(alert("T2")),
        line(alert("T3")),
    ]
    assert second.line == line(alert("T2"))


def test_all_lines_of_a_call_or_none(store):
    """When one cannot be stored, none of its call is."""
    with pytest.raises(AttributeError):
        store.add([alert(), None])

    assert list(store.lines()) == []
    assert store.waiting() == []
    assert store.add([alert()]) == [alert()]
