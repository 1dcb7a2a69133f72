from __future__ import annotations

from itertools import count

import pytest

from monitor.core.moments import HOUR, MINUTE, SECOND
from monitor.delivery.attention import Desk
from monitor.delivery.courier import LATE
from monitor.handling import Act, Handling
from monitor.routes import Route
from monitor.store import Store
from tests.delivery.samples import RAISED, alert, call, fault
from tests.delivery.world import Fake, World

VANISHED = alert("vanished-train", priority="urgent")
NUMBERS = count()


class Room(World):
    """A courier beside a desk at which things are really done."""

    def __init__(self, store, routes=(), **ways):
        self.handling = Handling()
        self.desk, self.night = Fake("call"), Fake("call")
        channels = {"desk": self.desk, "night": self.night}
        super().__init__(store, channels, routes, Desk(self.handling), **ways)

    def tell(self, *alerts, faults=(), calls=()):
        """The core said so."""
        for one in alerts:
            self.handling.told(one)
        for one in faults:
            self.handling.told_fault(one)
        super().tell(*alerts, faults=faults, calls=calls)

    def do(self, what, **more):
        """Somebody does something now."""
        given = {
            "id": str(next(NUMBERS)),
            "by": "Ada",
            "position": "north",
            "at": self.now,
            "entered": self.now,
            "what": what,
        }
        assert self.handling.take(Act(**(given | more)))

    def shelve(self, about, until=None):
        """Somebody shelves what *about* is of."""
        place = {"kind": about.kind, "subject": about.subject}
        self.do("shelved", **place, text="known", until=until)


@pytest.fixture
def store():
    """A store that keeps nothing."""
    with Store.open(":memory:") as store:
        yield store


ONE_STEP = [Route(steps=(("desk",),))]
TWO_STEPS = [Route(steps=(("desk",), ("night",)))]


def standing(ended=RAISED + 15 * MINUTE):
    """A fault that is over in the core, with a train in it that nobody has found."""
    return fault([VANISHED], ended=ended, lasting=(VANISHED.id,))


async def test_an_old_urgent_call_is_made_while_nobody_has_closed_it(store):
    """After hours without a monitor an urgent call goes out though the core's fault has ended: the train is still to be found."""
    room = Room(store, ONE_STEP)
    room.tell(VANISHED, faults=[standing()], calls=[call(VANISHED)])
    await room.go(3 * HOUR / SECOND)

    assert [one.about for one in room.desk.had] == [VANISHED.id]


async def test_an_old_urgent_call_is_not_made_for_what_is_closed(store):
    """Nobody is called hours later for a train that somebody has found and closed meanwhile."""
    room = Room(store, ONE_STEP)
    room.tell(VANISHED, faults=[standing()], calls=[call(VANISHED)])
    room.do("closed", alert=VANISHED.id, text="stood at the signal")
    await room.go(3 * HOUR / SECOND)

    assert room.desk.had == []
    assert store.kept_back(LATE) == {"urgent": 1}


async def test_an_urgent_call_goes_on_though_its_fault_ended_in_the_core(store):
    """The second step of an urgent call goes though the core's fault has ended, while nobody has closed it."""
    room = Room(store, TWO_STEPS)
    room.tell(VANISHED, faults=[fault([VANISHED])], calls=[call(VANISHED)])
    await room.go()
    room.tell(faults=[standing(ended=RAISED + 30 * SECOND)])
    await room.go(60)

    assert len(room.night.had) == 1


async def test_a_call_goes_by_the_fault_that_took_its_own_in(store):
    """An old call is made where a cause has taken its fault in, and that one is open."""
    room = Room(store, ONE_STEP)
    one, other = alert(), alert(section="T106")
    room.tell(one, other, faults=[fault([one])], calls=[call(one)])
    taken = fault([one], into=other.id, ended=RAISED + MINUTE, open=())
    room.tell(faults=[taken, fault([other, one], took=(one.id,))])
    await room.go(3 * HOUR / SECOND)

    assert len(room.desk.had) == 1


def called_again(room):
    """A first call that somebody has seen and goes for, and a graver one an hour later; neither is seen anew."""
    first, graver = alert(), alert("vanished-train", "T106", priority="urgent")
    room.tell(first, faults=[fault([first])], calls=[call(first)])
    room.do("seen", fault=first.id)
    room.do("going", fault=first.id)
    room.do("on_site", fault=first.id, by="Bo")
    room.now += HOUR
    again = call(graver, fault=first.id, at=room.now)
    room.tell(graver, faults=[fault([first, graver])], calls=[again])
    return first


async def test_who_went_before_a_graver_call_does_not_stop_it(store):
    """Somebody goes to a loose head; when a train vanishes there the next step is called unless somebody answers that."""
    room = Room(store, TWO_STEPS)
    called_again(room)
    await room.go()
    await room.go(60)

    assert len(room.night.had) == 1


@pytest.mark.parametrize("what", ["going", "on_site"])
async def test_who_goes_after_a_call_stops_it(store, what):
    """The next step is not needed where somebody has said after the call that they go, or are there."""
    room = Room(store, TWO_STEPS)
    first = called_again(room)
    await room.go()
    room.now += SECOND
    room.do(what, fault=first.id)
    await room.go(60)

    assert room.night.had == []
    assert store.backlog() == {}


async def test_who_went_and_is_gone_again_does_not_stop_it(store):
    """Whoever said that they go and then that they do not is nobody who goes."""
    room = Room(store, TWO_STEPS)
    first = called_again(room)
    await room.go()
    room.do("going", fault=first.id)
    room.now += SECOND
    room.do("gone", fault=first.id)
    await room.go(60)

    assert len(room.night.had) == 1
