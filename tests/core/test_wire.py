from __future__ import annotations

import json
from dataclasses import FrozenInstanceError, fields, replace
from typing import Any, get_args

import pytest
from hypothesis import example, given, strategies as st

from monitor.core import events as kinds
from monitor.core.events import (
    AnyEvent,
    Contacts,
    Direction,
    EvaluatorState,
    GatewayStatus,
    HeadLevel,
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
from monitor.core.moments import EARLIEST, LATEST, parse
from monitor.core.wire import LABELS, LARGEST, TYPES, read, type_of, write

AT = parse("2026-05-04T06:12:03.412Z")


def raw(what="section.state", data=None, **attributes):
    """The attributes of a good event; those given as None are left out."""
    event = {
        "specversion": "1.0",
        "id": "88121",
        "source": "gw/1",
        "type": f"tallywatch.{what}",
        "subject": "T107",
        "time": "2026-05-04T06:12:03.412Z",
        "data": {"state": "occupied"} if data is None else data,
    }
    event.update(attributes)
    return {name: value for name, value in event.items() if value is not None}


def payload(*args, **attributes):
    """A good event as bytes."""
    return json.dumps(raw(*args, **attributes)).encode()


def good(data, **how):
    """The one event of *data*, which is refused nothing."""
    reading = read(data, **how)
    assert reading.rejections == ()
    (event,) = reading.events
    return event


def bad(data, **how):
    """Label and reason for which *data* is refused, and nothing is taken of it."""
    reading = read(data, **how)
    assert reading.events == ()
    (rejection,) = reading.rejections
    assert rejection.label in LABELS
    assert rejection.reason.isprintable()
    assert 0 < len(rejection.reason) <= 200
    return rejection.label, rejection.reason


# Every kind.

COMMON: dict[str, Any] = {
    "id": "88121",
    "source": "gw/1",
    "subject": "T107",
    "time": AT,
}


@pytest.mark.parametrize(
    ("what", "data", "event"),
    [
        pytest.param(
            "section.state",
            {"state": "clear"},
            SectionState(**COMMON, state=State.CLEAR),
            id="state, the least",
        ),
        pytest.param(
            "section.state",
            {
                "state": "awaiting_sweep",
                "axles": -2,
                "contacts": {"clear": False, "occupied": True},
                "interlocking": "occupied",
                "train": "2Y41",
            },
            SectionState(
                **COMMON,
                state=State.AWAITING_SWEEP,
                axles=-2,
                contacts=Contacts(clear=False, occupied=True),
                interlocking=State.OCCUPIED,
                train="2Y41",
            ),
            id="state, all",
        ),
        pytest.param(
            "section.reset",
            {"kind": "preparatory", "step": "accepted", "by": "signaller"},
            SectionReset(
                **COMMON, kind=ResetKind.PREPARATORY, step=Step.ACCEPTED, by="signaller"
            ),
            id="reset",
        ),
        pytest.param(
            "section.work",
            {
                "state": "begun",
                "reference": "W7",
                "planned_end": "2026-05-04T08:12:03.412+01:00",
            },
            SectionWork(
                **COMMON, begun=True, reference="W7", planned_end=AT + 3_600_000_000
            ),
            id="work begun",
        ),
        pytest.param(
            "section.work",
            {"state": "ended"},
            SectionWork(**COMMON, begun=False),
            id="work ended",
        ),
        pytest.param(
            "head.passage",
            {"direction": "reverse", "axles": 16, "a": 16, "b": 15, "seconds": 4.5},
            HeadPassage(
                **COMMON, direction=Direction.REVERSE, axles=16, a=16, b=15, seconds=4.5
            ),
            id="passage",
        ),
        pytest.param(
            "head.level",
            {
                "a_volts": 3.1,
                "b_volts": 3,
                "a_hertz": 28000,
                "b_hertz": 29500.5,
                "supply_volts": 54,
            },
            HeadLevel(
                **COMMON,
                a_volts=3.1,
                b_volts=3.0,
                a_hertz=28000.0,
                b_hertz=29500.5,
                supply_volts=54.0,
            ),
            id="level",
        ),
        pytest.param(
            "evaluator.state",
            {"state": "locked_out"},
            EvaluatorState(**COMMON, state=Service.LOCKED_OUT),
            id="evaluator",
        ),
        pytest.param(
            "gateway.status",
            {"state": "online", "period_s": 30},
            GatewayStatus(**COMMON, online=True, period_s=30.0),
            id="gateway online",
        ),
        pytest.param(
            "gateway.status",
            {"state": "offline"},
            GatewayStatus(**COMMON, online=False),
            id="gateway offline",
        ),
        pytest.param(
            "source.watch",
            {"state": "out"},
            SourceWatch(**COMMON, out=True),
            id="watch out",
        ),
        pytest.param(
            "source.watch",
            {"state": "in"},
            SourceWatch(**COMMON, out=False),
            id="watch in",
        ),
        pytest.param(
            "monitor.record",
            {"kind": "clock", "source": "gw/1", "offset_s": 3600.0},
            MonitorRecord(
                **COMMON,
                kind=RecordKind.CLOCK,
                values={"source": "gw/1", "offset_s": 3600.0},
            ),
            id="record",
        ),
    ],
)
def test_every_kind_is_read(what, data, event):
    """Each type of the contract becomes its event, with every field."""
    assert good(payload(what, data)) == event
    assert type_of(event) == f"tallywatch.{what}"


def test_every_kind_has_a_type():
    """What the core knows can be written, and nothing else can be read."""
    assert len(TYPES) == len(get_args(AnyEvent)) == 9


def test_the_words_of_each_field_are_taken():
    """Every state, kind, step, direction and service of the contract is taken."""
    for state in State:
        event = good(payload(data={"state": state.value}))
        assert isinstance(event, SectionState)
        assert event.state is state
    for kind in ResetKind:
        for step in Step:
            event = good(
                payload("section.reset", {"kind": kind.value, "step": step.value})
            )
            assert isinstance(event, SectionReset)
            assert (event.kind, event.step) == (kind, step)
    for did in RecordKind:
        event = good(payload("monitor.record", {"kind": did.value}))
        assert isinstance(event, MonitorRecord)
        assert event.kind is did


def test_an_event_is_whole_and_frozen():
    """Every field of every kind is set, and none can be set again."""
    for event in (
        good(payload()),
        good(payload("head.level", {"a_volts": 1})),
        good(payload("monitor.record", {"kind": "started"})),
    ):
        assert all(hasattr(event, field.name) for field in fields(event))
        assert replace(event, id="2").id == "2"
        with pytest.raises(FrozenInstanceError):
            event.id = "3"


def test_further_fields_are_kept_and_ignored():
    """What the contract does not know stays with the event, and comes out again."""
    event = good(payload(data={"state": "clear", "kp": 12.4, "card": {"slot": 3}}))

    assert event == SectionState(**COMMON, state=State.CLEAR)
    assert event.extra == {"kp": 12.4, "card": {"slot": 3}}
    assert good(write(event)).extra == event.extra
    assert good(payload()).extra is None


def test_a_field_or_attribute_that_is_null_is_absent():
    """JSON null says that there is none (CloudEvents 1.0, JSON format, section 2.2)."""
    data = {"state": "clear", "axles": None, "contacts": None, "train": None}
    event = raw(data=data) | {"sequence": None, "recordedtime": None, "rehearsal": None}

    read_event = good(json.dumps(event).encode(), recorded=True)

    assert read_event == SectionState(**COMMON, state=State.CLEAR)


@pytest.mark.parametrize("sequence", ["88121", "0088121", 88121], ids=repr)
def test_a_sequence_is_decimal_digits(sequence):
    """Digits in a text, or a number."""
    assert good(payload(sequence=sequence)).sequence == 88121


def test_whole_numbers_may_be_written_with_a_point():
    """JSON knows one kind of number: 16.0 axles are 16."""
    event = good(payload(data={"state": "clear", "axles": 16.0}))

    assert isinstance(event, SectionState)
    assert event.axles == 16


def test_a_text_that_is_only_shown_costs_no_event():
    """A running number that is too long or unprintable is shown cut, and the state is taken."""
    event = good(payload(data={"state": "clear", "train": "\x1b[31m" + "x" * 400}))

    assert isinstance(event, SectionState)
    assert event.train == "?[31m" + "x" * 295


# What the monitor knows of a message.


def test_arrival_is_the_monitors_own_on_the_wire():
    """What an event says of its arrival is ignored, unless it is a recording."""
    data = payload(recordedtime="2026-05-04T06:12:04Z", recordedretained=True)

    live = good(data, arrival=7, retained=False, live=True)
    assert (live.arrival, live.retained) == (7, False)
    played = good(data, arrival=7, recorded=True)
    assert (played.arrival, played.retained) == (AT + 588_000, True)


def test_a_recording_need_not_say_when_an_event_came():
    """Without a recordedtime, arrival is not known; that it was retained is told by it, or by the broker that has it of whoever plays."""
    assert good(payload(), arrival=7, recorded=True).arrival is None
    assert good(payload(), arrival=7, recorded=True).retained is False
    assert good(payload(), arrival=7, retained=True, recorded=True).arrival is None
    assert good(payload(), arrival=7, retained=True, recorded=True).retained is True


def test_a_bad_recordedtime_matters_only_in_a_recording():
    """What is ignored is not looked at."""
    data = payload(recordedtime="yesterday", recordedretained="yes")

    assert good(data, live=True).arrival is None
    assert bad(data, recorded=True)[0] == "bad_time"


# Rejections.


@pytest.mark.parametrize(
    "name", ["specversion", "id", "source", "type", "subject", "time", "data"]
)
def test_each_required_attribute_is_required(name):
    """CloudEvents 1.0 requires id, source, specversion and type; this feed subject, time and data too."""
    event = raw()
    del event[name]

    for given_event in (event, event | {name: None}):
        label, reason = bad(json.dumps(given_event).encode())
        assert label == "missing_attribute"
        assert reason == f"{name} is missing"


@pytest.mark.parametrize("name", ["specversion", "id", "source", "type", "subject"])
@pytest.mark.parametrize(
    "value", ["", 5, True, [], {}, ["x"]], ids=["none", "5", "true", "[]", "{}", "[x]"]
)
def test_each_required_attribute_is_a_text_with_something_in_it(name, value):
    """CloudEvents 1.0: id, source, specversion and type MUST be non-empty strings."""
    label, reason = bad(json.dumps(raw() | {name: value}).encode())

    assert label == "bad_attribute"
    assert reason.startswith(f"{name}: expected a text, came ")


@pytest.mark.parametrize("name", ["id", "source", "subject", "type"])
@pytest.mark.parametrize("sign", ["\n", "\x00", "\x7f", "\x85"], ids=ascii)
def test_an_attribute_has_no_control_sign(name, sign):
    """CloudEvents 1.0 allows none; one could make two alerts of one id."""
    label, reason = bad(payload(**{name: f"a{sign}b"}))

    assert label == "bad_attribute"
    assert reason.startswith(f"{name}: a control sign in ")


def test_an_attribute_may_be_in_any_language():
    """Letters and signs beyond ASCII are no fault, neither are spaces."""
    event = good(payload(source="Stellwerk Fröndenberg\u00a0/ 1", subject="τ107"))

    assert (event.source, event.subject) == ("Stellwerk Fröndenberg\u00a0/ 1", "τ107")


def test_an_attribute_has_a_length():
    """What names an event for ever is kept for ever: 300 characters are enough."""
    assert good(payload(id="x" * 300)).id == "x" * 300
    assert bad(payload(id="x" * 301))[0] == "bad_attribute"


@pytest.mark.parametrize("version", ["0.3", "1.1", "2.0", "1"])
def test_another_version_is_refused(version):
    """This feed is CloudEvents 1.0."""
    label, reason = bad(payload(specversion=version))

    assert label == "bad_attribute"
    assert reason == f'specversion: expected "1.0", came "{version}"'


@pytest.mark.parametrize(
    ("time", "reason"),
    [
        ("2026-05-04T06:12:03", "has no offset"),
        ("0001-01-01T00:00:00Z", "is before 1990"),
        ("9999-12-31T23:59:59Z", "is after 2199"),
        ("2026-02-30T06:12:03Z", "does not exist"),
        ("", "is not RFC 3339"),
        ("\x1b[2J", "is not RFC 3339"),
        (1777875123, "expected a time, came 1777875123"),
        (["Z"] * 24, "expected a time"),
        ({str(n): "Z" for n in range(24)}, "expected a time"),
    ],
)
def test_a_naive_or_impossible_time_is_refused(time, reason):
    """A time that cannot be placed says why, and bears its own label."""
    label, told = bad(payload(time=time))

    assert label == "bad_time"
    assert reason in told


@pytest.mark.parametrize(
    "what", ["section.exploded", "section", "", "section.state ", "Section.State"]
)
def test_an_unknown_type_is_refused(what):
    """A type that the contract does not name is kept apart, however near."""
    label, reason = bad(payload(what))

    assert label == "unknown_type"
    assert reason == f"type tallywatch.{what} is not known"


@pytest.mark.parametrize(
    "sequence",
    ["", "12a", "-1", "+1", "1.5", " 1", "٣", "²", "1" * 19, -1, 10**18, 1.5, True, []],
    ids=ascii,
)
def test_a_sequence_that_is_no_number_is_refused(sequence):
    """At most 18 decimal digits, nothing else."""
    label, reason = bad(payload(sequence=sequence))

    assert label == "bad_attribute"
    assert reason.startswith("sequence: expected up to 18 decimal digits")


@pytest.mark.parametrize(
    ("what", "data", "reason"),
    [
        ("section.state", {}, "data.state is missing"),
        ("section.state", {"state": None}, "data.state is missing"),
        (
            "section.state",
            {"state": "free"},
            (
                "data.state: expected one of clear, occupied, disturbed, awaiting_sweep, "
                'awaiting_acknowledgement, came "free"'
            ),
        ),
        ("section.state", {"state": ["clear"]}, "data.state: expected one of"),
        (
            "section.state",
            {"state": "clear", "axles": "3"},
            'data.axles: expected a whole number, came "3"',
        ),
        ("section.state", {"state": "clear", "axles": 1.5}, "data.axles: expected"),
        ("section.state", {"state": "clear", "axles": True}, "data.axles: expected"),
        ("section.state", {"state": "clear", "axles": 2**53 + 1}, "data.axles"),
        (
            "section.state",
            {"state": "clear", "contacts": {"clear": True}},
            (
                "data.contacts: expected clear and occupied, each true or false, "
                'came {"clear": true}'
            ),
        ),
        ("section.state", {"state": "clear", "contacts": [1, 0]}, "data.contacts"),
        (
            "section.state",
            {"state": "clear", "interlocking": "disturbed"},
            "data.interlocking: expected one of clear, occupied",
        ),
        (
            "section.state",
            {"state": "clear", "train": 7},
            "data.train: expected a text",
        ),
        ("section.reset", {"kind": "hard", "step": "accepted"}, "data.kind"),
        ("section.reset", {"kind": "conditional"}, "data.step is missing"),
        (
            "section.reset",
            {"kind": "conditional", "step": "accepted", "by": "driver"},
            "data.by: expected one of technician, signaller",
        ),
        ("section.work", {"state": "started"}, "data.state: expected one of begun"),
        (
            "section.work",
            {"state": "begun", "planned_end": "2026-05-04T06:12:03"},
            "data.planned_end: time 2026-05-04T06:12:03 has no offset",
        ),
        ("head.passage", {"direction": "forward"}, "data.axles is missing"),
        ("head.passage", {"direction": "up", "axles": 1}, "data.direction"),
        ("head.passage", {"direction": "none", "axles": -1}, "data.axles"),
        ("head.passage", {"direction": "none", "axles": 1, "a": -1}, "data.a"),
        ("head.passage", {"direction": "none", "axles": 1, "seconds": -0.5}, "data.s"),
        ("head.level", {}, "data: expected any of a_volts"),
        ("head.level", {"a_volts": None, "c_volts": 1}, "data: expected any of"),
        ("head.level", {"a_volts": "3.1"}, "data.a_volts: expected a number"),
        ("evaluator.state", {"state": "broken"}, "data.state"),
        ("gateway.status", {"state": True}, "data.state: expected one of online"),
        ("gateway.status", {"state": "online", "period_s": -1}, "data.period_s"),
        ("source.watch", {"state": "gone"}, "data.state: expected one of out, in"),
        ("monitor.record", {"kind": "slept"}, "data.kind: expected one of started"),
        ("monitor.record", {}, "data.kind: expected one of"),
    ],
)
def test_data_that_is_wrong_names_the_field(what, data, reason):
    """Whoever mends the feed reads which field, what was expected and what came."""
    label, told = bad(payload(what, data))

    assert label == "bad_data"
    assert told.startswith(reason)


@pytest.mark.parametrize("data", ["clear", 5, [], True], ids=str)
def test_data_is_an_object(data):
    """Anything but an object is no data of this feed."""
    label, reason = bad(payload(data=data))

    assert label == "bad_data"
    assert reason.startswith("data: expected an object, came ")


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
@pytest.mark.parametrize("field", ["axles", "a field unknown"])
def test_what_is_no_json_number_is_refused(number, field):
    """NaN and infinity are no JSON, wherever they stand."""
    text = json.dumps(raw(data={"state": "clear", field: 1})).replace(
        f'"{field}": 1', f'"{field}": {number}'
    )

    assert bad(text.encode())[0] == "not_json"


@pytest.mark.parametrize("number", ["1e999", "-1e999", "9" * 400, "9" * 4300])
@pytest.mark.parametrize("what", ["head.level", "section.state", "monitor.record"])
def test_a_number_without_bounds_stops_nothing(number, what):
    """A number too large to be a measured value is refused or can be written again."""
    known: dict[str, Any] = {"section.state": {"state": "clear"}, "head.level": {}}
    data = known.get(what, {"kind": "started"}) | {"more": [{"x": 77}], "a_volts": 78}
    text = json.dumps(raw(what, data)).replace("78", number).replace("77", number)

    reading = read(text.encode())

    if reading.events:
        (event,) = reading.events
        assert good(write(event), recorded=True) == event
    else:
        assert [one.label for one in reading.rejections] == ["bad_data"]


@pytest.mark.parametrize(
    ("data", "label"),
    [
        pytest.param(b"", "not_json", id="nothing"),
        pytest.param(b"{", "not_json", id="a bracket"),
        pytest.param(b"occupied", "not_json", id="a word"),
        pytest.param(b"\x00", "not_json", id="a nought"),
        pytest.param(payload()[:-10], "not_json", id="cut off"),
        pytest.param(payload() + b"}", "not_json", id="a bracket too many"),
        pytest.param(b"\xff\xfe{}", "not_utf8", id="UTF-16"),
        pytest.param(payload().replace(b"T107", b"T\xe4"), "not_utf8", id="Latin-1"),
        pytest.param(
            payload().replace(b"T107", b"\\ud800"), "not_json", id="half a sign"
        ),
        pytest.param(b"[" * 100_000, "too_deep", id="brackets"),
        pytest.param(b'{"data":' * 30_000, "too_deep", id="objects"),
        pytest.param(
            b"[" * 150 + b"]" * 150, "not_an_event", id="an array in an array"
        ),
        pytest.param(b"5", "not_an_event", id="5"),
        pytest.param(b"null", "not_an_event", id="null"),
        pytest.param(b'"text"', "not_an_event", id="a text"),
        pytest.param(b"true", "not_an_event", id="true"),
        pytest.param(b"1.5", "not_an_event", id="1.5"),
        pytest.param(b"[]", "not_an_event", id="an array of none"),
        pytest.param(b"{}", "missing_attribute", id="an object of none"),
        pytest.param(b" " * (LARGEST + 1), "too_large", id="spaces"),
        pytest.param(b"x" * (1 << 20), "too_large", id="a MiB"),
    ],
)
def test_what_does_not_parse_is_refused(data, label):
    """Each way of not being an event has its label, and none stops anything."""
    assert bad(data)[0] == label


def test_what_is_just_not_too_large_is_read():
    """256 KiB are taken, one byte more is not."""
    data = payload()

    assert good(data + b" " * (LARGEST - len(data))).id == "88121"
    assert bad(data + b" " * (LARGEST - len(data) + 1))[0] == "too_large"


# Topics.


@pytest.mark.parametrize(
    "topic",
    [
        "tally/thornmere/section/T107/state",
        "a/prefix/of/many/levels/thornmere/section/T107/state",
        "T107/state",
    ],
)
def test_the_topic_names_the_subject_in_its_last_level_but_one(topic):
    """However long the prefix is, the id stands at the same place from the end."""
    assert good(payload(), topic=topic).subject == "T107"


@pytest.mark.parametrize(
    "topic",
    [
        "tally/thornmere/section/T108/state",
        "tally/thornmere/section/T107",
        "tally/thornmere/section/T107/state/",
        "T107",
        "",
    ],
)
def test_a_topic_at_odds_with_the_subject_is_refused(topic):
    """An event on another section's topic is about neither for certain."""
    label, reason = bad(payload(), topic=topic)

    assert label == "topic_mismatch"
    assert "the subject is 'T107'" in reason


def test_the_topic_of_an_array_is_not_compared():
    """An array may hold many subjects; that of one, too."""
    for many in ([raw()], [raw(), raw(subject="T108", id="2")]):
        reading = read(json.dumps(many).encode(), topic="tally/a/section/T9/state")
        assert len(reading.events) == len(many)


def test_a_subject_with_a_slash_is_on_no_topic():
    """A subject of two levels can stand on no topic of the contract."""
    topic = "tally/a/section/T/107/state"

    assert bad(payload(subject="T/107"), topic=topic)[0] == "topic_mismatch"


# Who may say what.


@pytest.mark.parametrize("source", ["desk/1", "plan/night.csv"])
@pytest.mark.parametrize("rehearsal", [False, True])
def test_what_people_enter_does_not_come_from_the_broker(source, rehearsal):
    """The monitor alone makes entries of people; anybody could claim to be the desk."""
    data = payload(
        "section.work", {"state": "begun"}, source=source, rehearsal="monday"
    )

    assert bad(data, live=True, rehearsal=rehearsal)[0] == "reserved"
    assert good(data, recorded=True).source == source


@pytest.mark.parametrize(
    ("what", "data"),
    [("monitor.record", {"kind": "learnt"}), ("source.watch", {"state": "out"})],
)
def test_what_the_monitor_makes_does_not_come_from_the_broker(what, data):
    """What was learnt, and what is out of watch, nobody says but the monitor."""
    assert bad(payload(what, data), live=True)[0] == "reserved"
    assert good(payload(what, data), recorded=True).id == "88121"


def test_a_rehearsal_is_refused_unless_asked_for():
    """What is played is taken for real by no monitor; a replay reads it like any other."""
    data = payload(rehearsal="monday.jsonl")

    label, reason = bad(data, live=True)
    assert label == "rehearsal"
    assert "monday.jsonl" in reason
    assert good(data, live=True, rehearsal=True).rehearsal == "monday.jsonl"
    assert good(data, recorded=True).rehearsal == "monday.jsonl"


def test_a_rehearsal_has_a_name():
    """The attribute that keeps played events apart cannot be there without a name."""
    for name in ("", 5, False):
        assert bad(payload(rehearsal=name), live=True)[0] == "bad_attribute"


# Arrays.


def test_an_array_gives_its_good_events_and_names_its_bad_ones():
    """One bad member costs no other; each is told with its place."""
    many = [raw(id="1"), {}, raw(id="2"), 7, raw(id="3", time="noon"), [raw()]]

    reading = read(json.dumps(many).encode(), arrival=9)

    assert [event.id for event in reading.events] == ["1", "2"]
    assert {event.arrival for event in reading.events} == {9}
    assert [(one.label, one.reason) for one in reading.rejections] == [
        ("missing_attribute", "event 2 of 6: type is missing"),
        ("not_an_event", "event 4 of 6: expected an object, came a number"),
        ("bad_time", "event 5 of 6: time noon is not RFC 3339"),
        ("not_an_event", "event 6 of 6: expected an object, came an array"),
    ]


# Writing.


def test_an_event_is_written_as_the_contract_says():
    """One line of CloudEvents JSON: digits in a text for the sequence, times in UTC."""
    event = SectionState(
        **COMMON,
        sequence=88121,
        arrival=AT + 100_001,
        retained=True,
        rehearsal="monday",
        state=State.OCCUPIED,
        axles=16,
        contacts=Contacts(clear=False, occupied=True),
        train="2Y41 Ø",
    )

    assert write(event).decode() == (
        '{"specversion":"1.0","id":"88121","source":"gw/1",'
        '"type":"tallywatch.section.state","subject":"T107",'
        '"time":"2026-05-04T06:12:03.412Z","sequence":"88121",'
        '"recordedtime":"2026-05-04T06:12:03.512001Z","recordedretained":true,'
        '"rehearsal":"monday","data":{"state":"occupied","axles":16,'
        '"contacts":{"clear":false,"occupied":true},"train":"2Y41 Ø"}}'
    )


def test_a_further_field_never_takes_the_place_of_a_known_one():
    """What is kept and ignored cannot change what is known when it is written again."""
    event = SectionState(**COMMON, state=State.CLEAR, extra={"state": "occupied"})
    record = MonitorRecord(**COMMON, kind=RecordKind.CLOCK, values={"kind": "learnt"})

    assert good(write(event)) == event
    written = good(write(record))
    assert isinstance(written, MonitorRecord)
    assert written.kind is RecordKind.CLOCK


def test_what_a_record_cannot_say_in_json_is_written_as_null():
    """A line that is written can always be read again."""
    record = MonitorRecord(
        **COMMON, kind=RecordKind.LEARNT, values={"rate": float("nan")}
    )

    written = good(write(record))
    assert isinstance(written, MonitorRecord)
    assert written.values == {"rate": None}


# Properties.

PLAIN = st.characters(categories=("L", "N", "P", "S"), include_characters=" ")
TEXT = st.text(PLAIN, min_size=1, max_size=20)
MOMENT = st.integers(EARLIEST, LATEST - 1)
COUNT = st.integers(0, 2**53)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
LENGTH = st.floats(0, allow_infinity=False)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | FINITE | TEXT,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3)
    ),
    max_leaves=6,
)


def maybe(strategy):
    """Something, or None."""
    return st.none() | strategy


EVERY: dict[str, Any] = {
    "id": TEXT,
    "source": TEXT,
    "subject": TEXT,
    "time": MOMENT,
    "sequence": maybe(st.integers(0, 10**18 - 1)),
    "arrival": maybe(MOMENT),
    "retained": st.booleans(),
    "rehearsal": maybe(TEXT),
}
EXTRA = maybe(st.dictionaries(TEXT.map("x {}".format), JSON, min_size=1, max_size=3))
LEVELS = ("a_volts", "b_volts", "a_hertz", "b_hertz", "supply_volts")

EVENTS = st.one_of(
    st.builds(
        SectionState,
        **EVERY,
        extra=EXTRA,
        state=st.sampled_from(State),
        axles=maybe(st.integers(-(2**53), 2**53)),
        contacts=maybe(
            st.builds(Contacts, clear=st.booleans(), occupied=st.booleans())
        ),
        interlocking=maybe(st.sampled_from([State.CLEAR, State.OCCUPIED])),
        train=maybe(TEXT),
    ),
    st.builds(
        SectionReset,
        **EVERY,
        extra=EXTRA,
        kind=st.sampled_from(ResetKind),
        step=st.sampled_from(Step),
        by=maybe(st.sampled_from(["technician", "signaller"])),
    ),
    st.builds(
        SectionWork,
        **EVERY,
        extra=EXTRA,
        begun=st.booleans(),
        reference=maybe(TEXT),
        planned_end=maybe(MOMENT),
    ),
    st.builds(
        HeadPassage,
        **EVERY,
        extra=EXTRA,
        direction=st.sampled_from(Direction),
        axles=COUNT,
        a=maybe(COUNT),
        b=maybe(COUNT),
        seconds=maybe(LENGTH),
    ),
    st.builds(
        HeadLevel, **EVERY, extra=EXTRA, **{name: maybe(FINITE) for name in LEVELS}
    ).filter(lambda e: any(getattr(e, name) is not None for name in LEVELS)),
    st.builds(EvaluatorState, **EVERY, extra=EXTRA, state=st.sampled_from(Service)),
    st.builds(
        GatewayStatus,
        **EVERY,
        extra=EXTRA,
        online=st.booleans(),
        period_s=maybe(LENGTH),
    ),
    st.builds(SourceWatch, **EVERY, extra=EXTRA, out=st.booleans()),
    st.builds(
        MonitorRecord,
        **EVERY,
        kind=st.sampled_from(RecordKind),
        values=st.dictionaries(TEXT.map("x {}".format), JSON, max_size=4),
    ),
)


@given(EVENTS)
def test_what_is_written_is_read_again(event):
    """A recording gives back every event as it was, further fields included."""
    line = write(event)

    assert b"\n" not in line
    again = good(line, recorded=True)
    assert again == event
    assert again.extra == event.extra
    assert write(again) == line


HOW = st.fixed_dictionaries(
    {
        "topic": maybe(st.text(max_size=20)),
        "arrival": maybe(MOMENT),
        "retained": st.booleans(),
        "recorded": st.booleans(),
        "live": st.booleans(),
        "rehearsal": st.booleans(),
    }
)


def judged(reading):
    """Nothing but events of known kinds, and rejections in their bounds; something in all."""
    assert len(reading.events) + len(reading.rejections) > 0
    for event in reading.events:
        assert isinstance(event, AnyEvent)
        assert good(write(event), recorded=True) == event
    for rejection in reading.rejections:
        assert rejection.label in LABELS
        assert rejection.reason.isprintable()
        assert 0 < len(rejection.reason) <= 200


@given(st.binary(max_size=300), HOW)
@example(b"[" * 300, {})
@example(b"\xed\xa0\x80", {})
def test_any_bytes_are_read(data, how):
    """Whatever comes, reading it raises nothing."""
    judged(read(data, **how))


@given(st.data(), EVENTS, HOW)
def test_a_damaged_event_is_read(data, event, how):
    """An event cut off, or with some bytes changed, raises nothing."""
    line = bytearray(write(event))
    for _ in range(data.draw(st.integers(1, 3))):
        line[data.draw(st.integers(0, len(line) - 1))] = data.draw(st.integers(0, 255))
    judged(read(bytes(line[: data.draw(st.integers(0, len(line)))]), **how))


WRONG = JSON | st.sampled_from(
    [10**400, "x" * 400, "\x00", "\ud7ff", "1990-01-01T00:00:00Z", -1, 2**63, "1.0"]
)


@given(st.data(), EVENTS, HOW)
def test_an_event_with_any_value_anywhere_is_read(data, event, how):
    """Whatever JSON stands in a place where another was due, reading it raises nothing."""
    line = json.loads(write(event))
    names = st.sampled_from([*line, "recordedtime", "recordedretained", "sequence"])
    line[data.draw(names)] = data.draw(WRONG)
    if isinstance(line["data"], dict) and line["data"]:
        line["data"][data.draw(st.sampled_from(list(line["data"])))] = data.draw(WRONG)
    many = data.draw(st.sampled_from([line, [line], [line, 5, line]]))

    judged(read(json.dumps(many).encode(), **how))


def test_the_enumerations_are_those_of_the_contract():
    """The words on the wire are fixed: who renames one breaks every feed."""
    assert [one.value for one in kinds.State] == [
        "clear",
        "occupied",
        "disturbed",
        "awaiting_sweep",
        "awaiting_acknowledgement",
    ]
    assert [one.value for one in kinds.Step] == [
        "requested",
        "accepted",
        "refused",
        "restored",
    ]
    assert [one.value for one in kinds.Direction] == ["forward", "reverse", "none"]
    assert [one.value for one in kinds.Service] == [
        "in_service",
        "locked_out",
        "isolated",
    ]
    assert [one.value for one in kinds.RecordKind] == [
        "started",
        "connected",
        "disconnected",
        "drained",
        "clock",
        "learnt",
        "settings",
        "line",
        "window",
    ]
