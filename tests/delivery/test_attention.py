from __future__ import annotations

from dataclasses import replace
from itertools import count

import pytest

from monitor.core.moments import HOUR, MINUTE, SECOND
from monitor.delivery.attention import Desk
from monitor.delivery.courier import LATE, NO_CHANNEL
from monitor.delivery.records import read_call
from monitor.handling import Act, Handling
from monitor.routes import Route
from monitor.store import Store
from tests.delivery.samples import RAISED, alert, call, fault
from tests.delivery.world import Fake, World

VANISHED = alert("vanished-train", priority="urgent")
NUMBERS = count()


class Room(World):
    """A courier beside a desk at which things are really done."""

    def __init__(self, store, routes=(), handling=None, **ways):
        self.handling = Handling() if handling is None else handling
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


async def called_again(room):
    """A first call that somebody has seen and goes for, and a graver one an hour later; neither is seen anew."""
    first, graver = alert(), alert("vanished-train", "T106", priority="urgent")
    room.tell(first, faults=[fault([first])], calls=[call(first)])
    await room.go()
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
    await called_again(room)
    await room.go()
    await room.go(60)

    assert len(room.night.had) == 1


@pytest.mark.parametrize("what", ["going", "on_site"])
async def test_who_goes_after_a_call_stops_it(store, what):
    """The next step is not needed where somebody has said after the call that they go, or are there."""
    room = Room(store, TWO_STEPS)
    first = await called_again(room)
    await room.go()
    room.now += SECOND
    room.do(what, fault=first.id)
    await room.go(60)

    assert room.night.had == []
    assert store.backlog() == {}


async def test_who_went_and_is_gone_again_does_not_stop_it(store):
    """Whoever said that they go and then that they do not is nobody who goes."""
    room = Room(store, TWO_STEPS)
    first = await called_again(room)
    await room.go()
    room.do("going", fault=first.id)
    room.now += SECOND
    room.do("gone", fault=first.id)
    await room.go(60)

    assert len(room.night.had) == 1


DISTURBED = alert("section-disturbed")
OTHER = alert("occupied-no-train", "T106", began=DISTURBED.began + MINUTE)


def shelved_and_called(room, until=None):
    """A call for a disturbed section that is shelved: nobody is called."""
    room.shelve(DISTURBED, until)
    room.tell(DISTURBED, faults=[fault([DISTURBED])], calls=[call(DISTURBED)])


def texts(channel):
    """What a channel was told."""
    return [read_call(one.body).text for one in channel.had]


async def test_what_is_shelved_calls_when_that_runs_out(store):
    """Automatic return: what nobody has seen and is still so calls the moment its shelf runs out, once."""
    room = Room(store, ONE_STEP)
    shelved_and_called(room, until=RAISED + HOUR)
    await room.go(3599)
    assert room.desk.had == []
    assert store.kept_back("shelved") == {"prompt": 1}
    await room.go(1)
    await room.go(HOUR / SECOND)

    assert [read_call(one.body).alert for one in room.desk.had] == [DISTURBED.id]
    assert store.kept_back("shelved") == {}


async def test_what_comes_back_goes_on_step_by_step(store):
    """Each step of a call that came back has its time from then."""
    room = Room(store, TWO_STEPS)
    shelved_and_called(room, until=RAISED + HOUR)
    await room.go()
    await room.go(HOUR / SECOND)
    assert (len(room.desk.had), room.night.had) == (1, [])
    await room.go(299)
    assert room.night.had == []
    await room.go(1)
    assert len(room.night.had) == 1


@pytest.mark.parametrize("how", ["unshelved", "switched_on"])
async def test_what_is_taken_off_or_switched_on_calls(store, how):
    """What a person lets call again calls at once."""
    room = Room(store, ONE_STEP)
    place = {"kind": DISTURBED.kind, "subject": DISTURBED.subject}
    before = {"unshelved": "shelved", "switched_on": "switched_off"}[how]
    more = {"until": RAISED + HOUR} if how == "unshelved" else {}
    room.do(before, **place, text="known", **more)
    room.tell(DISTURBED, faults=[fault([DISTURBED])], calls=[call(DISTURBED)])
    await room.go()
    assert room.desk.had == []
    room.do(how, **place)
    await room.go()

    assert len(room.desk.had) == 1


@pytest.mark.parametrize("how", ["seen", "over", "planned"])
async def test_what_is_seen_over_or_no_longer_pressing_does_not_call_on_return(
    store, how
):
    """Nobody is called on return for what somebody has seen, what is over, or what has become planned."""
    room = Room(store, ONE_STEP)
    shelved_and_called(room, until=RAISED + HOUR)
    await room.go()
    if how == "seen":
        room.do("seen", alert=DISTURBED.id)
    if how == "over":
        over = replace(DISTURBED, ended=RAISED + MINUTE)
        room.tell(over, faults=[fault([over], ended=RAISED + MINUTE)])
    if how == "planned":
        room.tell(replace(DISTURBED, priority="planned"))
    await room.go(2 * HOUR / SECOND)

    assert room.desk.had == []


async def test_what_has_called_does_not_call_on_return(store):
    """What somebody was called for before it was shelved is no news when it comes back."""
    room = Room(store, ONE_STEP)
    room.tell(DISTURBED, faults=[fault([DISTURBED])], calls=[call(DISTURBED)])
    await room.go()
    room.now += SECOND
    room.shelve(DISTURBED, RAISED + HOUR)
    await room.go(2 * HOUR / SECOND)

    assert len(room.desk.had) == 1


async def test_another_alert_calls_in_the_place_of_one_that_is_shelved(store):
    """The core calls once for a fault; where that call was shelved, the next alert there that is not calls, and no third."""
    room = Room(store, ONE_STEP)
    shelved_and_called(room, until=RAISED + 8 * HOUR)
    await room.go(60)
    room.tell(OTHER, faults=[fault([DISTURBED, OTHER])])
    await room.go()
    third = alert("reset-not-held", "T106", began=OTHER.raised)
    room.now = third.raised
    room.tell(third, faults=[fault([DISTURBED, OTHER, third])])
    await room.go(60)
    calls = [read_call(one.body) for one in room.desk.had]

    assert [(one.alert, one.fault, one.at) for one in calls] == [
        (OTHER.id, DISTURBED.id, OTHER.raised)
    ]
    assert texts(room.desk)[0].startswith("XLLM prompt: T106 occupied")


async def test_what_calls_in_its_place_may_yet_prove_to_be_of_a_cause(store):
    """What may be one of several waits as in the core, 20 s after it was raised; what is quiet by then does not call."""
    for quiet in (False, True):
        room = Room(store, ONE_STEP)
        base = alert(began=RAISED - HOUR if quiet else RAISED)
        room.now = base.raised
        room.shelve(base, base.raised + HOUR)
        room.tell(base, faults=[fault([base])], calls=[call(base)])
        member = alert("section-disturbed", "T106", began=base.began + MINUTE)
        room.now = member.raised
        room.tell(member, faults=[fault([base, member])])
        await room.go(19)
        assert room.desk.had == []
        if quiet:
            room.tell(replace(member, parameters={"quiet": "covered by a cause"}))
        await room.go(1)
        assert len(room.desk.had) == (0 if quiet else 1)


async def test_after_a_trial_what_nobody_has_seen_calls(store):
    """A call that was not made on trial does not use up that of its fault: with the trial over, what is still so calls."""
    room = Room(store, ONE_STEP, trial=True)
    room.tell(alert(), faults=[fault()], calls=[call()])
    await room.go(60)
    assert room.desk.had == []
    after = Room(store, ONE_STEP, handling=room.handling)
    after.now = room.now
    await after.go(60)

    assert [read_call(one.body).alert for one in after.desk.had] == [alert().id]


async def test_what_is_held_back_is_let_go_in_the_end(store):
    """A day after its fault is over nothing of a call is looked at any more, and its reason stands."""
    room = Room(store, ONE_STEP)
    shelved_and_called(room, until=RAISED + HOUR)
    await room.go()
    over = replace(DISTURBED, ended=RAISED + MINUTE)
    room.tell(over, faults=[fault([over], ended=RAISED + MINUTE)])
    await room.go(HOUR / SECOND)
    assert len(store.held()) == 1
    await room.go(24 * HOUR / SECOND)

    assert store.held() == []
    assert store.kept_back("shelved") == {"prompt": 1}


async def test_each_call_is_told_with_why_nobody_was_called(store):
    """Whoever follows hears of each call once it is known whether it goes to anybody, and again when it does."""
    heard = []
    room = Room(store, ONE_STEP)
    room.courier._told = lambda call, why: heard.append((call.alert, why))
    shelved_and_called(room, until=RAISED + HOUR)
    await room.go()
    await room.go(HOUR / SECOND)

    assert heard == [(DISTURBED.id, "shelved"), (DISTURBED.id, "")]
    assert [read_call(one.body).alert for one in room.desk.had] == [DISTURBED.id]


def test_calls_that_went_out_are_known_after_a_start(store):
    """What somebody was asked stands in the store; what was shelved, late or on trial does not count."""
    why = ["", "shelved", "trial", LATE, NO_CHANNEL, "rehearsal"]
    calls = [call(at=RAISED + n * SECOND) for n in range(len(why) + 1)]
    store.keep(calls=calls, at=RAISED)
    store.route(
        [(item, [], kept) for item, kept in zip(store.unrouted(), why, strict=False)]
    )

    assert [read_call(one).at - RAISED for one in store.called(RAISED)] == [
        0,
        4 * SECOND,
        5 * SECOND,
    ]
    assert len(store.called(RAISED + 1)) == 2


@pytest.mark.parametrize(
    ("after", "says"),
    [
        (9 * MINUTE, ""),
        (3 * HOUR, "Told 3 h after it was due"),
    ],
)
async def test_a_late_call_says_that_it_is_late(store, after, says):
    """Whoever is called after an outage knows at once that it was so for hours."""
    room = Room(store, ONE_STEP)
    room.tell(VANISHED, faults=[fault([VANISHED])], calls=[call(VANISHED)])
    await room.go(after / SECOND)
    (text,) = texts(room.desk)

    assert (says in text) if says else ("after it was due" not in text)
    assert text.startswith("XLLM urgent" if says else "XLLM")
    assert len(text) <= 300
