from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.core.alerts import Alert
from monitor.core.engine import Engine
from monitor.core.events import (
    AnyEvent,
    Direction,
    EvaluatorState,
    GatewayStatus,
    HeadPassage,
    MonitorRecord,
    RecordKind,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    Service,
    SourceWatch,
    State,
    Step,
)
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from monitor.core.wire import read
from replay.deck import Deck
from replay.messages import message
from replay.player import heard, play, replay, survey, up_to

SIX = parse("2026-05-04T06:00:00Z")

LINE = read_line("""
[line]
name = "three sections"
timezone = "UTC"
[[evaluator]]
id = "EV1"
site = "room"
gateway = "GW1"
[[section]]
id = "T1"
area = "thornmere"
evaluator = "EV1"
length_m = 800
speed_km_h = 120
[[section]]
id = "T2"
area = "upper_lower"
evaluator = "EV1"
length_m = 800
speed_km_h = 120
[[head]]
id = "H1"
between = ["T1", "open"]
[[head]]
id = "H2"
between = ["T1", "T2"]
[[head]]
id = "H3"
between = ["open", "T2"]
""")


def state(number, seconds, *, subject="T1", arrival=None, source="gw/1", **more):
    """Event *number*: *subject* occupied, so many seconds after six."""
    return SectionState(
        id=str(number),
        source=source,
        subject=subject,
        time=SIX + round(seconds * SECOND),
        arrival=None if arrival is None else SIX + round(arrival * SECOND),
        state=State.OCCUPIED,
        **more,
    )


def record(kind, **values):
    """A record of the monitor itself."""
    return MonitorRecord(
        id=kind, source="m", subject="m", time=SIX, kind=RecordKind(kind), values=values
    )


class Broker:
    """Keeps what is published, and the time at which it came; its clock moves only by sleeping."""

    def __init__(self, *, takes=0.0):
        self.now = 100.0
        self.takes = takes
        self.messages = []
        self.all = []
        self.kept = {}

    async def publish(self, topic, payload, *, retain):
        """Take one message, and keep it where it is to be kept."""
        self.now += self.takes
        self.all.append((topic, payload, retain))
        if retain and payload:
            self.kept[topic] = json.loads(payload)
        elif retain:
            self.kept.pop(topic, None)
        if payload:
            self.messages.append((round(self.now - 100, 6), topic, payload))

    async def wait(self, seconds, _changed):
        """Let time pass."""
        self.now += seconds

    async def play(self, events, speed=1.0):
        """Play *events* onto this broker."""
        return await play(
            lambda: iter(events),
            self.publish,
            line=LINE,
            name="monday",
            deck=Deck(speed, clock=lambda: self.now, waits=self.wait),
        )


async def test_pauses_are_divided_by_the_speed():
    """At twenty times the speed, twenty seconds of the recording take one."""
    broker = Broker()

    await broker.play([state(1, 0), state(2, 20), state(3, 50)], speed=20)

    assert [when for when, _, _ in broker.messages] == [0, 1, 2.5]


async def test_arrival_is_what_pauses_are_made_of():
    """Where a recording says when its events came, they come again with those pauses."""
    broker = Broker()

    await broker.play([state(1, 30, arrival=31), state(2, 20, arrival=33)])

    assert [when for when, _, _ in broker.messages] == [0, 2]


async def test_a_slow_broker_is_caught_up_with():
    """Delay does not add up: what is late goes at once until the recording has caught up."""
    broker = Broker(takes=3)

    await broker.play([state(1, 0), state(2, 1), state(3, 2), state(4, 30)])

    assert [when for when, _, _ in broker.messages] == [3, 6, 9, 33]


async def test_times_are_kept_and_the_rehearsal_is_named():
    """What is played is the event of the recording, marked with the recording's name."""
    broker = Broker()
    events: list[AnyEvent] = [
        state(1, 0, arrival=1, retained=True, sequence=7),
        state(2, 5),
    ]

    await broker.play(events, speed=5)

    raw = [json.loads(payload) for _, _, payload in broker.messages]
    assert [one["rehearsal"] for one in raw] == ["monday", "monday"]
    assert [one["time"] for one in raw] == [
        "2026-05-04T06:00:00.000Z",
        "2026-05-04T06:00:05.000Z",
    ]
    assert raw[0]["recordedtime"] == "2026-05-04T06:00:01.000Z"
    assert "recordedtime" not in raw[1]
    came = [
        one
        for _, topic, payload in broker.messages
        for one in read(
            payload, topic=topic, live=True, rehearsal=True, recorded=True
        ).events
    ]
    assert [(e.id, e.arrival, e.retained, e.sequence) for e in came] == [
        ("1", SIX + SECOND, True, 7),
        ("2", None, False, None),
    ]


def shows(number, seconds, subject, shown):
    """Event *number*: *subject* shows something, so many seconds after six, heard a second later."""
    at = SIX + seconds * SECOND
    return SectionState(
        id=str(number), source="gw/1", subject=subject, time=at,
        arrival=at + SECOND, state=State(shown), sequence=number,
    )  # fmt: skip


DAY = [
    shows(1, 0, "T1", "clear"),
    record("started"),
    shows(2, 100, "T1", "occupied"),
    GatewayStatus(id="g1", source="gw/1", subject="GW1", time=SIX + 150 * SECOND, online=True, sequence=3),
    shows(4, 200, "T2", "occupied"),
    SectionReset(id="r", source="gw/1", subject="T2", time=SIX + 220 * SECOND, kind=ResetKind.UNCONDITIONAL, step=Step.ACCEPTED),
    shows(5, 300, "T1", "clear"),
]  # fmt: skip
T1, T2 = (f"rehearsal/{area}/section/{name}/state" for area, name in (("thornmere", "T1"), ("upper_lower", "T2")))  # fmt: skip


async def played_by(broker, doings, events=DAY):
    """Play *events*, doing something once so many messages have come; held until then."""
    deck = Deck(1.0, clock=lambda: broker.now, waits=broker.wait)
    left = dict(doings)

    async def publish(topic, payload, *, retain):
        await broker.publish(topic, payload, retain=retain)
        if len(broker.all) in left:
            left.pop(len(broker.all))(deck)

    return await play(
        lambda: iter(events), publish, line=LINE, name="monday", deck=deck
    )


async def test_states_are_retained_while_it_plays_and_no_longer():
    """Whoever comes later has the picture; a reset is no state; and what was played leaves nothing behind."""
    broker = Broker()
    seen = []

    await played_by(broker, {6: lambda _: seen.append(dict(broker.kept))})

    [kept] = seen
    assert {topic: one["id"] for topic, one in kept.items()} == {
        T1: "5",
        T2: "4",
        "rehearsal/line/gateway/GW1/status": "g1",
    }
    assert [retain for _, _, retain in broker.all[:6]] == [True] * 4 + [False, True]
    assert broker.kept == {}


async def test_turned_back_the_broker_keeps_what_it_kept_then():
    """The states of then, as retained and of that moment; what had not been said is gone; and what came after comes again, once."""
    broker = Broker()
    kept = []

    def back(deck):
        deck.to(SIX + 130 * SECOND)

    played = await played_by(
        broker, {6: back, 9: lambda _: kept.append(dict(broker.kept))}
    )

    again = broker.all[6:]
    cleared = [topic for topic, payload, _ in again[:2] if not payload]
    assert cleared == ["rehearsal/line/gateway/GW1/status", T2]
    assert list(kept[0]) == [T1]
    still = json.loads(again[2][1])
    assert (still["id"], still["data"]["state"]) == ("2", "occupied")
    assert still["recordedretained"] is True
    assert still["recordedtime"] == "2026-05-04T06:02:10.000Z"
    assert still["time"] == "2026-05-04T06:01:40.000Z"
    after = [json.loads(payload) for _, payload, _ in again[3:7]]
    assert [one["id"] for one in after] == ["g1", "4", "r", "5"]
    assert not any("recordedretained" in one for one in after)
    assert {one["rehearsal"] for one in (still, *after)} == {"monday (again 1)"}
    assert (played.published, played.again, played.left_out) == (10, 1, 1)


async def test_turned_back_and_held_it_stands_there_until_it_goes_on():
    """The picture of then is there, and nothing after it comes until somebody lets it."""
    broker = Broker()
    waits: list[tuple[float, float | None]] = []

    async def wait(seconds, _):
        waits.append((broker.now, seconds))
        if seconds is None:
            broker.now += 77
            deck.hold()
        else:
            broker.now += seconds

    deck = Deck(1.0, clock=lambda: broker.now, waits=wait)

    async def publish(topic, payload, *, retain):
        await broker.publish(topic, payload, retain=retain)
        if len(broker.all) == 6:
            deck.hold()
            deck.to(SIX + 130 * SECOND)

    await play(lambda: iter(DAY), publish, line=LINE, name="monday", deck=deck)

    stood = [at for at, seconds in waits if seconds is None]
    came = [when + 100 for when, _, _ in broker.messages]
    assert len(stood) == 1
    assert [at for at in came if at <= stood[0]] == came[:7]  # the last is the picture
    assert came[7] == pytest.approx(stood[0] + 77 + 20)


async def test_what_only_a_monitor_writes_is_left_out():
    """Records of a monitor and people's entries are not sent, since no monitor takes them from a broker; they are counted."""
    broker = Broker()
    work = SectionWork(
        id="9", source="desk/1", subject="T1", time=SIX, begun=True, reference=None
    )
    out = SourceWatch(id="1", source="desk/1", subject="gw/1", time=SIX, out=True)

    played = await broker.play([record("started"), work, out, state(1, 0)])

    assert (played.published, played.left_out) == (1, 3)
    assert len(broker.messages) == 1


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
async def test_a_speed_that_is_none_is_refused(speed):
    """Played at no speed, a recording would never end."""
    with pytest.raises(ValueError, match="expected a speed above nought"):
        await Broker().play([state(1, 0)], speed=speed)


COMMON: dict[str, Any] = {"id": "1", "source": "gw/1", "time": SIX}


@pytest.mark.parametrize(
    ("event", "topic"),
    [
        (state(1, 0), "rehearsal/thornmere/section/T1/state"),
        (
            SectionReset(
                **COMMON, subject="T1", kind=ResetKind.UNCONDITIONAL, step=Step.ACCEPTED
            ),
            "rehearsal/thornmere/section/T1/reset",
        ),
        (
            HeadPassage(**COMMON, subject="H1", direction=Direction.FORWARD, axles=8),
            "rehearsal/thornmere/head/H1/passage",
        ),
        (
            HeadPassage(**COMMON, subject="H3", direction=Direction.FORWARD, axles=8),
            "rehearsal/upper_lower/head/H3/passage",
        ),
        (
            EvaluatorState(**COMMON, subject="EV1", state=Service.IN_SERVICE),
            "rehearsal/thornmere/evaluator/EV1/state",
        ),
        (
            GatewayStatus(**COMMON, subject="GW1", online=True),
            "rehearsal/line/gateway/GW1/status",
        ),
        (state(1, 0, subject="X9"), "rehearsal/line/section/X9/state"),
    ],
    ids=["section", "reset", "head", "open end", "evaluator", "gateway", "unknown"],
)
def test_topics_are_those_of_the_feed(event, topic):
    """The topic names area, class, id and what; a place the line file lacks has one all the same."""
    assert message(event, LINE)[0] == topic


@pytest.mark.parametrize("subject", ["A/B", "A+", "#", "T1"])
def test_every_message_is_taken_whatever_the_id(subject):
    """A monitor that rehearses takes what is played, also where an id cannot stand in a topic."""
    topic, payload = message(state(1, 0, subject=subject, rehearsal="monday"), LINE)

    reading = read(payload, topic=topic, live=True, rehearsal=True)

    assert not set("+#") & set(topic)
    assert reading.rejections == ()
    assert [one.subject for one in reading.events] == [subject]


def test_survey_finds_what_must_be_known_first():
    """The first reading gives what was learnt, and the window."""
    learnt = record("learnt", day="2026-05-03")
    window = record(
        "window", **{"from": "2026-05-04T06:00:00Z", "to": "2026-05-04T07:00:00Z"}
    )

    found = survey([state(1, 0), learnt, window, state(2, 1)])

    assert found.learnt == (learnt,)
    assert found.window == (SIX, SIX + HOUR)
    assert survey([state(1, 0)]).window is None


def test_a_window_without_its_ends_is_refused():
    """A window record that does not say from when to when is named, not guessed at."""
    with pytest.raises(ValueError, match="window record m#window does not say"):
        survey([record("window", **{"from": "2026-05-04T06:00:00Z"})])


def alert(raised):
    """An alert raised at *raised*."""
    return Alert(
        id="0" * 16,
        kind="feed-gap",
        subject="source/gw/1",
        priority="note",
        began=SIX,
        raised=raised,
        ended=None,
        summary="",
        evidence=(),
        affected=(),
        suspects=(),
        checks=(),
        parameters={},
    )


@pytest.mark.parametrize(
    ("raised", "expected"),
    [(-1, False), (0, True), (HOUR, True), (HOUR + 1, False)],
    ids=["lead-in", "first moment", "last moment", "after"],
)
def test_the_window_decides_what_is_written(raised, expected):
    """Alerts of the lead-in are not written, nor those raised after what was asked for."""
    found = survey(
        [
            record(
                "window",
                **{"from": "2026-05-04T06:00:00Z", "to": "2026-05-04T07:00:00Z"},
            )
        ]
    )

    assert found.asked_for(alert(SIX + raised)) is expected


def test_replay_gives_alerts_in_order_and_ends_with_the_recording():
    """A section that stays disturbed is raised in replay, its timer running out by *until* alone."""
    disturbed = SectionState(
        id="2",
        source="gw/1",
        subject="T1",
        time=SIX + MINUTE,
        state=State.DISTURBED,
    )
    clear = SectionState(
        id="1", source="gw/1", subject="T1", time=SIX, state=State.CLEAR
    )

    def kinds(until):
        outputs = replay(Engine(LINE), [clear, disturbed], until=until)
        return [one.kind for output in outputs for one in output.alerts]

    assert kinds(None) == []
    assert "section-disturbed" in kinds(SIX + 2 * MINUTE)


def test_up_to_a_moment_is_by_arrival():
    """What had happened but was not heard yet is not known yet."""
    events: list[AnyEvent] = [state(1, 0), state(2, 10, arrival=40), state(3, 20)]

    known = list(up_to(events, SIX + 30 * SECOND))

    assert [event.id for event in known] == ["1", "3"]
    assert heard(events[1]) == SIX + 40 * SECOND
