from __future__ import annotations

import json
from dataclasses import replace

import pytest

from monitor.core.alerts import Alert, identify, line
from monitor.core.faults import Call, Fault, call_line, fault_line
from monitor.core.moments import SECOND, parse
from monitor.store import Post, Store

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


def fault(**changes):
    """The fault of that alert."""
    one = alert()
    made = Fault(
        id=one.id,
        number="XLLM",
        headline="T1 disturbed",
        priority="prompt",
        subject=one.subject,
        began=one.began,
        raised=one.raised,
        ended=None,
        alerts=(one.id,),
        open=(one.id,),
        lasting=(),
        subjects=(one.subject,),
        waiting=(),
        took=(),
        into=None,
        calls=1,
    )
    return replace(made, **changes)


def call(**changes):
    """The call for it."""
    made = Call(
        fault=alert().id,
        number="XLLM",
        alert=alert().id,
        priority="prompt",
        at=NOON,
        text="XLLM prompt: T1 disturbed.",
        standing=0,
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
        store.route([(item, [], "") for item in store.unrouted()])
    with Store.open(path) as store:
        assert store.add([*told, *told]) == []
        assert list(store.lines()) == [line(one) for one in told]
        assert store.unrouted() == []


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
    assert len(store.unrouted()) == 2


def post(store, *channels, due=NOON):
    """Give everything new in the outbox the same channels."""
    ways = [Post(channel=name, due=due) for name in channels]
    store.route([(item, ways, "") for item in store.unrouted()])


def test_what_waits_is_given_in_order_until_the_channel_has_it(store):
    """A channel is given lines in the order in which they came, each until it has it, whatever others have."""
    store.add([alert("T1"), alert("T2"), alert("T3")])
    post(store, "a", "b")
    first, second = store.waiting("a", NOON, 2)
    store.done("a", [first], "sent", NOON)

    assert second.item.body == line(alert("T2"))
    assert [one.item.body for one in store.waiting("a", NOON)] == [
        line(alert("T2")),
        line(alert("T3")),
    ]
    assert len(store.waiting("b", NOON)) == 3
    assert store.backlog()["a"][0] == 2


def test_what_was_delivered_is_not_sent_again_after_a_restart(path):
    """Where each item was delivered outlives the process; what failed is there with its attempts."""
    with Store.open(path) as store:
        store.add([alert("T1"), alert("T2")])
        post(store, "a")
        first, second = store.waiting("a", NOON)
        store.done("a", [first], "sent", NOON)
        store.failed("a", [second], NOON, "503")
    with Store.open(path) as store:
        store.add([alert("T1"), alert("T2")])
        post(store, "a")
        (waiting,) = store.waiting("a", NOON)

    assert waiting.item == second.item
    assert waiting.attempts == 1


def test_nothing_is_given_before_it_is_due(store):
    """What is due later waits until then."""
    store.add([alert()])
    post(store, "a", due=NOON + 20 * SECOND)

    assert store.waiting("a", NOON + 19 * SECOND) == []
    assert len(store.waiting("a", NOON + 20 * SECOND)) == 1


def test_a_call_goes_before_what_came_before_it(store):
    """Where much waits, calls are given first: somebody is needed now."""
    store.keep([alert("T1"), alert("T2")], [], [call()], at=NOON)
    post(store, "a")

    assert [one.item.what for one in store.waiting("a", NOON)] == [
        "call",
        "alert",
        "alert",
    ]


def test_a_call_is_known_by_what_it_calls_for(store):
    """The same call in other words is the same call; another moment makes another."""
    assert store.keep(calls=[call()]).calls == [call()]
    assert store.keep(calls=[call(text="other words")]).calls == []
    later = call(at=NOON + SECOND)
    assert store.keep(calls=[later]).calls == [later]
    assert store.call_of(alert().id) == call_line(later)


def test_a_fault_that_comes_back_to_what_it_was_is_told_so(path):
    """Whoever was told the second is told the third, which is the first again; a start that folds all of it tells nobody."""
    urgent = replace(fault(), priority="urgent")
    came = [fault(), urgent, urgent, fault(), urgent]
    told = [fault(), urgent, fault(), urgent]
    for new in (told, []):
        with Store.open(path) as store:
            assert store.keep(faults=came).faults == new
            assert store.faults() == [fault_line(urgent)]
            items = [json.loads(one.body)["priority"] for one in store.unrouted()]
            assert items == [one.priority for one in told]


def test_the_last_line_of_a_fault_holds(path):
    """A fault is as its last line says, and a line that is told again is new to nobody."""
    over = replace(fault(), ended=NOON + 60 * SECOND, open=())
    with Store.open(path) as store:
        assert store.keep(faults=[fault(), over]).faults == [fault(), over]
    with Store.open(path) as store:
        assert store.keep(faults=[fault(), over]).faults == []
        _holds(store, over)


def _holds(store, over):
    assert store.faults() == [fault_line(over)]
    assert store.faults(open_only=True) == []
    assert store.fault(fault().id) == fault_line(over)


def test_calls_kept_back_are_counted(store):
    """What a trial kept back is counted by priority, and goes nowhere."""
    store.keep(calls=[call(), call(at=NOON + SECOND, priority="urgent")])
    store.route([(item, [], "trial") for item in store.unrouted()])

    assert store.kept_back("trial") == {"prompt": 1, "urgent": 1}
    assert store.kept_back("rehearsal") == {}
    assert store.backlog() == {}


def test_an_older_file_goes_on(path):
    """A file from before there were channels is taken; what waited there is not sent a year late."""
    with Store.open(path) as store:
        store._connection.execute("CREATE TABLE outbox (number INTEGER PRIMARY KEY)")
        store.add([alert()])
        store._connection.execute("DELETE FROM item")
        store._connection.commit()
    with Store.open(path) as store:
        assert store.add([alert()]) == []
        assert store.unrouted() == []
        assert store.alerts() == [line(alert())]


def test_all_lines_of_a_call_or_none(store):
    """When one cannot be stored, none of its call is."""
    with pytest.raises(AttributeError):
        store.add([alert(), None])

    assert list(store.lines()) == []
    assert store.unrouted() == []
    assert store.add([alert()]) == [alert()]
