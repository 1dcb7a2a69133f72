from __future__ import annotations

import asyncio
from collections import Counter
from contextlib import suppress
from dataclasses import replace

import pytest

from monitor.core.moments import HOUR, MINUTE, SECOND
from monitor.delivery.channel import Undelivered
from monitor.delivery.courier import LATE
from monitor.delivery.drill import Drill
from monitor.routes import Route
from monitor.store import Store
from tests.delivery.samples import RAISED, alert, call, fault
from tests.delivery.world import Fake, World


@pytest.fixture
def store():
    """A store that keeps nothing."""
    with Store.open(":memory:") as store:
        yield store


async def test_each_item_goes_once_to_each_channel_it_is_for(store):
    """A channel has what it takes, once, in the order in which it came."""
    a, b = Fake("alert", "call"), Fake("alert", batch=2)
    world = World(store, {"a": a, "b": b})
    one, two = alert(), alert(section="T106")
    world.tell(one, two, calls=[call(one)])
    await world.go()
    await world.go(60)

    assert a.whats == ["call", "alert", "alert"]
    assert [item.about for item in b.had] == [one.id, two.id]


async def test_a_channel_that_fails_or_hangs_holds_up_no_other(store):
    """What one channel cannot have now, the others have at once."""
    failing, hanging, good = Fake("alert"), Fake("alert"), Fake("alert")
    failing.fails = [Undelivered("503")] * 3
    hanging.hangs = True
    world = World(store, {"failing": failing, "hanging": hanging, "good": good})
    world.tell(alert())
    await world.go()

    assert len(good.had) == 1
    assert failing.had == hanging.had == []
    assert {n: one.failed for n, one in world.courier.delivered().items()} == {
        "failing": 1,
        "hanging": 1,
        "good": 0,
    }


async def test_it_waits_longer_after_each_failure_and_then_sends(store):
    """After a failure nothing is tried for one second, then two, then four; then the receiver has it once."""
    hook = Fake("alert")
    hook.fails = [Undelivered("503"), Undelivered("503"), Undelivered("503")]
    world = World(store, {"hook": hook})
    world.tell(alert())
    left = []
    for _ in range(8):
        await world.go()
        left.append(len(hook.fails))
        world.now += SECOND

    # Tried at 0, 1, 3 and 7 s.
    assert left == [2, 1, 1, 0, 0, 0, 0, 0]
    assert len(hook.had) == 1


async def test_what_has_waited_too_long_is_said(store):
    """A channel that has had nothing for a minute is named with how much waits there; one that answers is not."""
    failing, good = Fake("alert"), Fake("alert")
    failing.fails = [Undelivered("503")] * 100
    world = World(store, {"failing": failing, "good": good})
    world.tell(alert(), alert(section="T106"))
    await world.go()
    await world.courier._count()
    assert world.courier.stuck() == ()
    await world.go(61)
    await world.courier._count()

    assert world.courier.stuck() == (
        "Nothing has gone out by failing for 61 s; 2 waiting.",
    )


async def test_what_is_refused_for_good_holds_up_nothing(store):
    """One item that the receiver will not have is counted and left; those beside it go."""
    hook = Fake("alert", batch=10)
    one, two, three = alert(), alert(section="T106"), alert(began=RAISED)
    hook.refuses = {two.id}
    world = World(store, {"hook": hook})
    world.tell(one, two, three)
    await world.go()

    assert [item.about for item in hook.had] == [one.id, three.id]
    assert world.courier.delivered()["hook"].refused == 1
    assert store.backlog() == {}


async def test_a_channel_at_fault_itself_is_tried_again(store):
    """Whatever goes wrong inside a channel, the item is not lost and the courier goes on."""
    hook = Fake("alert")
    hook.fails = [KeyError("oops")]
    world = World(store, {"hook": hook})
    world.tell(alert())
    await world.go()
    assert hook.had == []
    await world.go(2)
    assert len(hook.had) == 1


def steps(*names):
    """A route for everything, a channel a step."""
    return [Route(steps=tuple((name,) for name in names))]


@pytest.mark.parametrize(("priority", "after_s"), [("urgent", 60), ("prompt", 300)])
async def test_a_call_that_nobody_has_seen_goes_on(store, priority, after_s):
    """The next step is called after 60 s where it is urgent, after 300 s where prompt, not before."""
    desk, night = Fake("call"), Fake("call")
    world = World(store, {"desk": desk, "night": night}, steps("desk", "night"))
    world.tell(alert(), faults=[fault()], calls=[call(priority=priority)])
    await world.go()
    await world.go(after_s - 1)
    assert (len(desk.had), len(night.had)) == (1, 0)
    await world.go(1)
    assert (len(desk.had), len(night.had)) == (1, 1)


@pytest.mark.parametrize("how", ["seen", "over", "shelved"])
async def test_a_call_that_is_seen_or_over_goes_no_further(store, how):
    """No further step is called once somebody has seen it, it was shelved, or its fault is over."""
    desk, night = Fake("call"), Fake("call")
    world = World(store, {"desk": desk, "night": night}, steps("desk", "night"))
    world.tell(alert(), faults=[fault()], calls=[call()])
    await world.go()
    world.people.has_seen = how == "seen"
    world.people.shelved = "shelved" if how == "shelved" else ""
    if how == "over":
        world.tell(faults=[fault(ended=RAISED + SECOND, open=())])
    await world.go(600)

    assert (len(desk.had), len(night.had)) == (1, 0)
    assert store.backlog() == {}


async def test_nobody_is_called_for_what_is_shelved(store):
    """A call for what is shelved or switched off is kept with the reason, and goes nowhere."""
    desk = Fake("call")
    world = World(store, {"desk": desk})
    world.people.shelved = "shelved"
    world.tell(calls=[call()])
    await world.go()

    assert desk.had == []
    assert store.kept_back("shelved") == {"prompt": 1}


async def test_on_trial_nothing_calls_and_it_is_counted(store):
    """On trial what only records goes on, nothing that calls somebody is sent, and it is counted what would have been."""
    topic, hook = Fake("alert", calls=False), Fake("alert", "call")
    world = World(store, {"topic": topic, "hook": hook}, trial=True)
    world.tell(alert(), calls=[call(), call(priority="urgent", at=RAISED + 1000)])
    await world.go()
    await world.courier._count()

    assert topic.whats == ["alert"]
    assert hook.had == []
    assert world.courier.would_have_called() == {"prompt": 1, "urgent": 1}


async def test_in_a_rehearsal_nothing_goes_anywhere(store):
    """What is played reaches no real channel, not even one that only records."""
    topic = Fake("alert", "call", calls=False)
    world = World(store, {"topic": topic}, rehearsal=True)
    world.tell(alert(), calls=[call()])
    await world.go()

    assert topic.had == []
    assert store.unrouted() == []


async def test_an_old_call_is_made_only_where_its_fault_is_open(store):
    """After hours without a monitor, somebody is called for what is still so, not for what is over."""
    desk = Fake("call")
    world = World(store, {"desk": desk})
    over = alert(section="T106")
    world.tell(
        faults=[fault(), fault([over], ended=RAISED + MINUTE, open=())],
        calls=[call(), call(over)],
    )
    world.now += 5 * HOUR
    await world.go()

    assert [item.about for item in desk.had] == [fault().id]
    assert store.kept_back(LATE) == {"prompt": 1}


async def test_what_may_join_a_cause_waits_where_people_are_alarmed(store):
    """A channel that holds has a disturbed section 20 s after it was raised, others at once; urgent never waits."""
    topic, pager = Fake("alert"), Fake("alert", holds=True)
    world = World(store, {"topic": topic, "pager": pager})
    may_join = alert(kind="section-disturbed")
    urgent = alert(kind="vanished-train", priority="urgent")
    world.tell(may_join, urgent)
    await world.go()
    assert (len(topic.had), [one.about for one in pager.had]) == (2, [urgent.id])
    await world.go(19)
    assert len(pager.had) == 1
    await world.go(1)
    assert len(pager.had) == 2


async def test_a_killed_courier_begins_where_the_disk_says(tmp_path):
    """A courier that ended between sending and marking sends that again, with the same key, and nothing else."""
    hook = Fake("alert")
    with Store.open(tmp_path / "s") as store:
        world = World(store, {"hook": hook})
        world.tell(alert(), alert(section="T106"))
        await world.courier.route()
        await world.courier.round("hook")
        # It has the second, and the courier dies before it is marked.
        (waiting,) = store.waiting("hook", world.now)
        await hook.send([waiting.item])
    with Store.open(tmp_path / "s") as store:
        world = World(store, {"hook": hook})
        await world.go()

    keys = Counter(item.key for item in hook.had)
    assert sorted(keys.values()) == [1, 2]


async def test_it_runs_until_it_is_cancelled(store):
    """Woken, it sends what is new while another channel hangs, and it ends when it is told to."""
    good, hanging = Fake("alert"), Fake("alert")
    hanging.hangs = True
    world = World(store, {"good": good, "hanging": hanging})
    async with asyncio.timeout(5), asyncio.TaskGroup() as group:
        running = group.create_task(world.courier.run())
        world.tell(alert())
        world.courier.wake()
        await good.has(1)
        running.cancel()
    with suppress(asyncio.CancelledError):
        await running

    assert hanging.had == []


async def test_stopped_it_ends_what_is_under_way_and_begins_nothing(store):
    """What a receiver is taking when it is told to stop is marked as sent; what would come next waits for the next start."""
    taking, goes_on = asyncio.Event(), asyncio.Event()

    class Slow(Fake):
        async def send(self, items):
            taking.set()
            await goes_on.wait()
            await super().send(items)

    slow = Slow("alert")
    world = World(store, {"slow": slow})
    world.courier._ways = replace(world.courier._ways, timeout_s={})
    world.tell(alert())
    async with asyncio.timeout(5), asyncio.TaskGroup() as group:
        group.create_task(world.courier.run())
        await taking.wait()
        world.courier.stop()
        world.tell(alert(section="T106"))
        goes_on.set()

    assert len(slow.had) == 1
    assert store.waiting("slow", world.now) == []
    assert [item.about for item in store.unrouted()] == [alert(section="T106").id]


async def test_a_drill_reports_each_stage_and_goes_out_on_trial(store):
    """A drill passes every channel, on trial too, is marked in every text, and ends by itself."""
    topic, desk, night = Fake("alert", calls=False), Fake("call"), Fake("call")
    channels = {"topic": topic, "desk": desk, "night": night}
    world = World(store, channels, steps("desk", "night"), trial=True)

    def pass_time():
        world.now += 1000
        return world.now

    drill = Drill(
        store,
        on_disk=world.on_disk,
        now=pass_time,
        wake=world.courier.wake,
        monitor="monitor-1",
        later=world.courier.later_steps,
    )
    async with asyncio.timeout(5), asyncio.TaskGroup() as group:
        running = group.create_task(world.courier.run())
        report = await drill.run("Ann")
        await topic.has(2)
        running.cancel()

    assert [one.name for one in report.stages] == [
        "written down",
        "routed",
        "topic, alert",
        "desk, call",
    ]
    assert report.passed
    assert all(one.took for one in report.stages)
    assert all("Drill" in item.body for item in [*topic.had, *desk.had])
    assert report.number in desk.had[0].body
    assert '"ended": null' in topic.had[0].body
    assert '"ended": "' in topic.had[1].body
    assert store.alerts() == store.calls() == store.faults() == []
    assert night.had == []
    assert report.left_out == ("night",)


async def test_a_drill_says_which_stage_was_not_reached(store):
    """A drill whose channel does not answer says so, and has not passed."""
    desk = Fake("call")
    desk.hangs = True
    world = World(store, {"desk": desk})

    def pass_time():
        world.now += SECOND
        return world.now

    drill = Drill(
        store,
        on_disk=world.on_disk,
        now=pass_time,
        wake=world.courier.wake,
        monitor="monitor-1",
    )
    async with asyncio.timeout(5), asyncio.TaskGroup() as group:
        running = group.create_task(world.courier.run())
        report = await drill.run("Ann", within_s=30)
        running.cancel()

    assert not report.passed
    last = report.stages[-1]
    assert (last.name, last.took) == ("desk, call", None)
    assert last.said.startswith("waiting")
