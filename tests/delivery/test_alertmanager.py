"""What an Alertmanager is told of an alert over its life; that a real one takes it so, tests/deploy/test_servers.py shows."""

from __future__ import annotations

from contextlib import asynccontextmanager

import pytest

from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from monitor.delivery.alertmanager import Alertmanager
from monitor.delivery.attention import Nobody
from monitor.delivery.channel import Refused, Undelivered
from monitor.delivery.records import Records
from monitor.settings.delivery import AlertmanagerSettings
from monitor.store import Post, Store, Waiting
from tests.delivery.samples import BEGAN, LINE, RAISED, alert, call
from tests.receiver import receiving


class Closing(Nobody):
    """A person who has closed or shelved what is named."""

    def __init__(self):
        self.ids = set()
        self.quiets = set()
        self.number_of = ""

    def quiet(self, alert, at):
        """Whether it is shelved."""
        del at
        return "shelved" if alert in self.quiets else ""

    def number(self, alert):
        """Of its fault."""
        del alert
        return self.number_of

    def closed(self, alert, at):
        """Whether it was closed."""
        del at
        return alert in self.ids


class World:
    """A channel to an Alertmanager, over a store in memory, with a clock that is set."""

    def __init__(self, store, room):
        self.store = store
        self.room = room
        self.now = RAISED + SECOND
        self.people = Closing()
        self.priorities = {}
        self.channel = self.made()

    def made(self):
        """The channel, as a start makes it."""
        return Alertmanager(
            "room",
            AlertmanagerSettings(url=self.room.url, timeout_s=5, **self.priorities),
            monitor="monitor-1",
            line=LINE,
            records=Records(self.store, self.on_disk),
            attention=self.people,
            now=lambda: self.now,
        )

    async def on_disk(self, work, *values):
        """Do it at once."""
        return work(*values)

    @asynccontextmanager
    async def opened(self):
        """It runs while the block does; a further block is a further start."""
        self.channel = self.made()
        async with self.channel.open():
            yield

    async def tell(self, *alerts, calls=()):
        """The outbox has lines of alerts, and they are sent; gives back what was told."""
        self.store.keep(alerts, calls=calls, at=self.now)
        items = self.store.unrouted(1000)
        ways = [(one, [Post(channel="room", due=self.now)], "") for one in items]
        self.store.route(ways)
        told = await self.told(
            self.channel.send([one for one in items if one.what == "alert"])
        )
        posts = [Waiting(item=one, step=0, attempts=0) for one in items]
        self.store.done("room", posts, "sent", self.now)
        return told

    async def told(self, doing):
        """What was told while something was done."""
        before = len(self.room.had)
        await doing
        return [one for message in self.room.had[before:] for one in message]

    async def again(self, seconds=60):
        """So much later, the next round; gives back what was told."""
        self.now += seconds * SECOND
        return await self.told(self.channel.refresh())


@pytest.fixture
def world():
    """A world whose Alertmanager takes everything."""
    with receiving() as room, Store.open(":memory:") as store:
        yield World(store, room)


def ends(told):
    """When each that was told ends."""
    return [parse(one["endsAt"]) for one in told]


async def test_an_open_alert_holds_until_it_is_told_again(world):
    """It is told with when it began and a moment ahead, past the next round and the one after; the next round moves that moment alone."""
    async with world.opened():
        (first,) = await world.tell(alert(), calls=[call()])
        (second,) = await world.again()
    assert first["startsAt"] == "2026-05-04T06:12:03.412Z"
    assert ends([first]) == [RAISED + SECOND + 600 * SECOND]
    assert ends([second]) == [RAISED + 61 * SECOND + 600 * SECOND]
    assert {**second, "endsAt": ""} == {**first, "endsAt": ""}
    assert first["labels"] == {
        "alertname": "occupied-no-train",
        "id": alert().id,
        "subject": "section/T107",
        "area": "thornmere",
        "monitor": "monitor-1",
        "priority": "prompt",
    }
    assert first["annotations"]["fault"] == "XLLM"
    assert first["annotations"]["site"] == "Thornmere room"


async def test_what_may_change_is_no_label(world):
    """What is affected and what is said may grow; it stays the same alert."""
    grown = alert(affected=("section/T107", "section/T106"), summary="more of it")
    async with world.opened():
        (first,) = await world.tell(alert())
        (second,) = await world.tell(grown)
    assert second["labels"] == first["labels"]
    assert second["annotations"]["summary"] == "more of it"


async def test_what_is_over_is_told_as_over_for_a_quarter_of_an_hour(world):
    """It ends when it ended, is told so again while its receiver may have forgotten, and then no more."""
    over = BEGAN + 3 * MINUTE
    async with world.opened():
        await world.tell(alert())
        world.now = over + SECOND
        assert ends(await world.tell(alert(ended=over))) == [over]
        assert ends(await world.again()) == [over]
        assert ends(await world.again(13 * 60)) == [over]
        assert await world.again(61) == []
        assert await world.again() == []


async def test_where_the_priority_rises_the_lower_is_over(world):
    """Routes go by priority: what was told as prompt is over, and told as urgent; that stays, though a later line says less."""
    async with world.opened():
        await world.tell(alert(priority="prompt"))
        told = await world.tell(alert(priority="urgent"))
        assert [one["labels"]["priority"] for one in told] == ["prompt", "urgent"]
        assert ends(told) == [world.now, world.now + 600 * SECOND]
        (less,) = await world.tell(alert(priority="prompt", summary="less"))
        assert less["labels"]["priority"] == "urgent"


async def test_what_a_person_closed_is_over(world):
    """A kind that only a person ends has no end of its own: it is over once it is closed, also after a start."""
    async with world.opened():
        (told,) = await world.tell(alert(kind="unseen-train", priority="urgent"))
        world.people.ids.add(told["labels"]["id"])
        (closed,) = await world.again()
        assert ends([closed]) == [world.now]
    async with world.opened():
        (again,) = await world.again()
        assert parse(again["endsAt"]) <= world.now


async def test_what_joined_a_cause_is_not_told(world):
    """An alert that is quiet by now is not told; one that was told before is over."""
    quiet = {"quiet": "its cause is told"}
    async with world.opened():
        assert await world.tell(alert(section="T106", parameters=quiet)) == []
        await world.tell(alert())
        assert ends(await world.tell(alert(parameters=quiet))) == [world.now]


async def test_only_the_priorities_that_are_set_are_told(world):
    """A note is for the section's page, what is planned for the day list; where it becomes prompt it is told."""
    async with world.opened():
        assert await world.tell(alert(priority="note")) == []
        assert await world.tell(alert(priority="planned")) == []
        assert await world.again() == []
        (told,) = await world.tell(alert(priority="prompt"))
        assert told["labels"]["priority"] == "prompt"
    world.priorities = {"priorities": ("planned",)}
    async with world.opened():
        (told,) = await world.tell(alert(section="T106", priority="planned"))
        assert told["labels"]["priority"] == "planned"


async def test_what_is_shelved_is_over_until_it_comes_back(world):
    """What people shelve or switch off is told as over, also after a start, and told anew when it is shelved no more, however long that was."""
    async with world.opened():
        await world.tell(alert())
        world.people.quiets.add(alert().id)
        assert ends(await world.again()) == [world.now]
        assert await world.tell(alert(summary="more of it")) == []
        assert await world.again(16 * 60) == []
        world.people.quiets.clear()
        (back,) = await world.again()
        assert back["annotations"]["summary"] == "more of it"
        assert ends([back]) == [world.now + 600 * SECOND]
        world.people.quiets.add(alert().id)
        await world.again()
    async with world.opened():
        (told,) = await world.again()
        assert parse(told["endsAt"]) <= world.now
        world.people.quiets.clear()
        assert ends(await world.again()) == [world.now + 600 * SECOND]


async def test_what_is_shelved_before_it_was_told_is_told_when_it_comes_back(world):
    """Nothing is told of it while it is shelved; nothing at all where it is over by then."""
    over = alert(section="T106")
    async with world.opened():
        world.people.quiets |= {alert().id, over.id}
        assert await world.tell(alert(), over) == []
        assert await world.tell(alert(section="T106", ended=RAISED + SECOND)) == []
        world.people.quiets.clear()
        (back,) = await world.again()
        assert back["labels"]["id"] == alert().id


async def test_what_is_closed_is_over_though_that_could_not_be_told_at_once(world):
    """Where it fails just then, it is told as over when it answers."""
    async with world.opened():
        await world.tell(alert(kind="unseen-train", priority="urgent"))
        world.people.ids.add(alert(kind="unseen-train").id)
        world.room.answer(503)
        with pytest.raises(Undelivered):
            await world.again()
        world.room.answer()
        assert ends(await world.again()) == [world.now]


async def test_an_alert_has_the_number_of_its_fault(world):
    """By it one fault is one page: every alert of it has the same."""
    world.people.number_of = "XLLM"
    async with world.opened():
        told = await world.tell(alert(), alert("reset-not-held"))
    assert [one["labels"]["fault"] for one in told] == ["XLLM", "XLLM"]


async def test_a_note_stays_untold(world):
    """It is told to nobody, however often."""
    async with world.opened():
        assert await world.tell(alert(priority="note")) == []
        assert await world.again() == []


async def test_a_start_tells_again_what_holds_and_what_was_just_over(world):
    """What it was told stands in the store: after a start it is told again, as it was."""
    over = BEGAN + 3 * MINUTE
    async with world.opened():
        (open_one,) = await world.tell(alert())
        await world.tell(alert(section="T106"))
        world.now = over + SECOND
        await world.tell(alert(section="T106", ended=over))
    async with world.opened():
        told = await world.again()
    by_subject = {one["labels"]["subject"]: one for one in told}
    assert by_subject["section/T107"]["labels"] == open_one["labels"]
    assert ends([by_subject["section/T106"]]) == [over]
    world.now += HOUR
    async with world.opened():
        (left,) = await world.again()
    assert left["labels"] == open_one["labels"]


async def test_a_clock_that_is_ahead_keeps_nothing_firing(world):
    """What began after now, by a clock that is ahead, begins now, and is over when it is over."""
    ahead = BEGAN + HOUR
    async with world.opened():
        (told,) = await world.tell(alert(began=ahead))
        assert parse(told["startsAt"]) == world.now
        (over,) = await world.tell(alert(began=ahead, ended=ahead + MINUTE))
        assert parse(over["startsAt"]) <= parse(over["endsAt"]) <= world.now


async def test_what_it_did_not_get_is_told_again_whole(world):
    """Where it fails nothing counts as told; where it refuses that is said."""
    async with world.opened():
        world.room.answer(503)
        with pytest.raises(Undelivered, match="503"):
            await world.tell(alert())
        world.room.answer(400)
        with pytest.raises(Refused, match="400"):
            await world.told(world.channel.send(_lines(world.store)))
        world.room.answer()
        (told,) = await world.told(world.channel.send(_lines(world.store)))
        assert told["labels"]["id"] == alert().id


def _lines(store):
    return [one.item for one in store.waiting("room", RAISED + HOUR)]


async def test_many_go_in_parts(world):
    """A thousand open alerts are told in requests that any server takes."""
    many = [alert(began=BEGAN - number * SECOND) for number in range(450)]
    async with world.opened():
        await world.tell(*many)
        before = len(world.room.had)
        assert len(await world.again()) == 450
        assert [len(one) for one in world.room.had[before:]] == [200, 200, 50]
