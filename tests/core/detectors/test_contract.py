"""What every detection keeps, whatever it looks for."""

from __future__ import annotations

import doctest
import json
import pickle
import re
from dataclasses import FrozenInstanceError, fields, is_dataclass, replace
from random import Random
from typing import Any

import pytest
from hypothesis import given, strategies as st

from monitor.core import changes
from monitor.core.detector import (
    IF_PROMPT,
    Detector,
    Over,
    Place,
    Resting,
    first_act,
)
from monitor.core.detectors import CATALOGUE
from monitor.core.events import State
from monitor.core.faults import STAYS
from monitor.core.messages import LONGEST_ACT
from monitor.core.moments import MINUTE, SECOND, parse
from monitor.core.words import CAUTION

NOON = parse("2026-05-04T12:00:00Z")

FORBIDDEN = re.compile(
    r"\b(empty|free|safe|can be reset|no train can|blind|acknowledged?)\b",
    re.IGNORECASE,
)
"""Words that could be taken for proof, or that are not the page's own."""

KINDS = [
    "clock-wrong",
    "common-cause",
    "contact-disagreement",
    "count-mismatch",
    "evaluator-locked-out",
    "feed-gap",
    "feed-silent",
    "level-drift",
    "level-out",
    "line-file-doubt",
    "long-occupation",
    "occupied-no-train",
    "one-sided-head",
    "repeat-disturbance",
    "reset-not-held",
    "reset-unproved",
    "restoration-incomplete",
    "section-disturbed",
    "spurious-occupation",
    "unseen-train",
    "vanished-train",
    "worsening",
]

PRIORITY = {
    "clock-wrong": "planned",
    "common-cause": "prompt",
    "contact-disagreement": "prompt",
    "count-mismatch": "planned",
    "evaluator-locked-out": "prompt",
    "feed-gap": "note",
    "feed-silent": "prompt",
    "level-drift": "planned",
    "level-out": "planned",
    "line-file-doubt": "note",
    "long-occupation": "note",
    "occupied-no-train": "prompt",
    "one-sided-head": "planned",
    "repeat-disturbance": "planned",
    "reset-not-held": "prompt",
    "reset-unproved": "planned",
    "restoration-incomplete": "prompt",
    "section-disturbed": "prompt",
    "spurious-occupation": "planned",
    "unseen-train": "urgent",
    "vanished-train": "urgent",
    "worsening": "planned",
}

WORSE: dict[int, tuple[int, ...]] = {
    0: (1,),
    20: (1,),
    **dict.fromkeys(range(36, 50, 2), (1,)),
    **dict.fromkeys(range(50, 62), (1, 9, 17)),
}
"""Hours of disturbances by day: few in the first five weeks, one every second day in the next two, then three a day; the last Sunday is 62 days on."""

FAULTS = {
    "contact-disagreement": "12:00 contacts up/up",
    "count-mismatch": "12:00 counted 39/40",
    "evaluator-locked-out": "12:00 locked_out",
    "level-drift": "\n".join(
        f"{day}d 12:00 level a_volts={6 - 0.2 * day:.1f}" for day in range(7)
    ),
    "level-out": "12:00 level a_volts=3.4\n12:01 level a_volts=3.3",
    "line-file-doubt": "12:00 afar T109 15/20",
    "long-occupation": "12:00 occupied\n12:00 entry occupied explained",
    "occupied-no-train": (
        "12:00 occupied\n12:00:02 entry occupied not explained entered=12:00"
    ),
    "one-sided-head": "12:00 passage none\n12:10 passage forward a=16 b=15",
    "repeat-disturbance": "12:00 disturbance\n12:10 disturbance",
    "reset-not-held": "12:00 reset accepted\n12:01 disturbed",
    "reset-unproved": "12:00 reset accepted",
    "restoration-incomplete": "12:00 clear\n12:00 interlocking occupied",
    "section-disturbed": "12:00 disturbed",
    "spurious-occupation": "12:00:08 spurious began=12:00 ended=12:00:06",
    "worsening": "\n".join(
        f"{day}d {hour:02}:00 disturbance"
        for day, hours in WORSE.items()
        for hour in hours
    ),
}
"""The plainest case of each kind, as a table; the three about the feed are made below."""

UNTIL = {"level-drift": "7d 00:00", "worsening": "63d 00:00"}
"""When the plainest case is known, where not on its first day."""

SILENT = changes.GatewaySilent(
    place="GW1",
    at=NOON + 90 * SECOND,
    since=NOON,
    event="gw/1#7",
    offline=False,
    period=30 * SECOND,
    sections=("T107",),
)
GAP = changes.GapFound(
    place="gw/1",
    at=NOON + 13 * SECOND,
    since=NOON,
    event="gw/1#7",
    after="gw/1#9",
    missing=1,
    sections=("T107",),
)
JUDGED = changes.ClockJudged(
    place="gw/1",
    at=NOON + MINUTE,
    wrong=True,
    nobody=False,
    lag=3600 * SECOND,
    usual=0,
    late=0,
    began=NOON,
    events=20,
    event="gw/1#27",
    correction=3600 * SECOND,
)
VANISHED = changes.TrainVanished(
    place="T107",
    at=NOON + 2 * SECOND,
    cleared=NOON,
    raised=NOON + 2 * SECOND,
    entered=NOON - MINUTE,
    out_of="T106",
    came="gw/1#5",
    first="T106",
    since=NOON - 2 * MINUTE,
    by_reset=False,
    doubted=False,
    event="gw/1#7",
)
UNSEEN = changes.TrainUnseen(
    place="T107",
    at=NOON + MINUTE,
    appeared="T108",
    entered=NOON,
    into="T109",
    cleared=NOON + 58 * SECOND,
    raised=NOON + MINUTE,
    suspects=("T107",),
    vanished="",
    vanished_at=None,
    doubted=False,
    event="gw/1#7",
    shown="gw/1#9",
)
CAUSE = changes.CauseSeen(
    place="supply/PS1",
    at=NOON + 14 * SECOND,
    began=NOON,
    raised=NOON + 14 * SECOND,
    members=tuple(
        changes.CauseMember(
            subject=f"section/T10{n}", began=NOON + n * SECOND, event=f"gw/1#{n}"
        )
        for n in (6, 7, 8)
    ),
    dependants=3,
    lead=SECOND,
    too_close=True,
    chance_per_year=0.0002,
)
FEED = {
    "feed-silent": SILENT,
    "feed-gap": GAP,
    "clock-wrong": JUDGED,
    "vanished-train": VANISHED,
    "common-cause": CAUSE,
    "unseen-train": UNSEEN,
}

SILENTLY_NEVER = (
    "count-mismatch",
    "evaluator-locked-out",
    "level-out",
    "line-file-doubt",
    "reset-not-held",
    "spurious-occupation",
)
"""Kinds of which the plainest case waits for nothing."""

TRAIN = """
{0}:{1:02}:00.000 occupied
{0}:{1:02}:00.000 entered
{0}:{1:02}:00.000 entry occupied explained
{0}:{1:02}:00.400 contacts down/down
{0}:{1:02}:00.600 contacts down/up
{0}:{1:02}:01.000 interlocking occupied
{0}:{1:02}:58.000 clear
{0}:{1:02}:58.400 contacts down/down
{0}:{1:02}:58.600 contacts up/down
{0}:{1:02}:59.000 interlocking clear
"""

each = pytest.mark.parametrize(
    "detector", [pytest.param(one, id=one.kind) for one in CATALOGUE]
)


def examples(detector):
    """The examples on a detection's page."""
    return doctest.DocTestParser().get_examples(type(detector).__doc__ or "")


def page(detector):
    """A detection's page as one line of text."""
    return " ".join((type(detector).__doc__ or "").split())


@pytest.fixture
def faulty(watch):
    """A detection after the plainest case of what it looks for."""

    def over(detector):
        day = watch(detector)
        if detector.kind in FEED:
            day.hear(FEED[detector.kind])
        else:
            day.tell(FAULTS[detector.kind])
        day.until(UNTIL.get(detector.kind, "20:00"))
        return day

    return over


def random_line(rng, clock, began):
    """A line of the table: anything may happen, plausible or not."""
    states = [state.value for state in State]
    verdicts = [verdict.value for verdict in changes.Verdict]
    return (
        clock
        + " "
        + rng.choice(
            [
                *states,
                *states,
                f"{rng.choice(states)} unseen so={began}",
                f"entry occupied {rng.choice(verdicts)} entered={began}",
                f"entry disturbed {rng.choice(verdicts)} entered={began}",
                f"entered began={began}",
                f"stretch ended={began}",
                f"occupation began={began} ended={clock}",
                f"spurious began={began} ended={clock}",
                f"afar T109 {rng.choice([13, 14, 15, 16])}/20",
                "moved T108",
                "joined T106",
                f"worked left={began}",
                "disturbance",
                f"disturbance spurious happened={began}",
                "disturbance work",
                "reset accepted",
                "reset refused",
                f"reset accepted so={began}",
                f"contacts {rng.choice(['up/up', 'down/down', 'up/down'])}",
                f"interlocking {rng.choice(['clear', 'occupied'])}",
                "in_service",
                "locked_out",
                "isolated",
                "work begun",
                "work ended",
                "not known",
                "known again",
                f"vanished cleared={began}",
                f"unseen entered={began}",
                "cause",
                "cause over",
            ]
        )
    )


def head_line(rng, day):
    """A line about a head: its level falls day by day, and now and then it is wild or silent."""
    level = 7.5 - 0.17 * day + rng.gauss(0, 0.1)
    lines = [f"level a_volts={level:.2f}"] * 6 + ["level a_volts=3.4 b_volts=6.0"] * 2
    lines += ["passage forward a=16 b=16"] * 6 + ["passage none", "passage reverse b=9"]
    lines += ["passage reverse a=16 b=15", "work begun", "work ended", "work ended"]
    lines += ["counted 39/40", "counted 43/40", "left gone", *["agreed"] * 30]
    lines += ["left T106:+1 T107:-1", "left T106:+2 T107:-2"]
    return rng.choice(lines)


def growing_line(rng):
    """A line about a section that is disturbed, and seldom under work or not known for long."""
    lines = ["disturbance"] * 18 + ["disturbance work", "clear", "occupied"]
    lines += ["work begun", "not known", *["work ended", "known again"] * 4]
    return rng.choice(lines)


def at_clock(seconds):
    """`1d 02:03:04.500`: *seconds* after midnight as the tables have it."""
    days, rest = divmod(seconds, 86_400)
    hours, rest = divmod(rest, 3600)
    minutes, rest = divmod(rest, 60)
    return f"{int(days)}d", f"{int(hours):02}:{int(minutes):02}:{rest:06.3f}"


def random_changes(day, rng, count):
    """*count* changes of a place, in order of time; before a few of them something is learnt."""
    seconds, before = 0.0, "00:00:00.000"
    heard = changes.GatewayHeard(place="GW1", at=NOON, event="gw/1#8")
    feed = [SILENT, heard, GAP, JUDGED]
    for number in range(count):
        step = rng.choice([0.0, 0.5, 2.0, 4.999, 5.0, 30.0, 120.0, 900.0, 1801.0])
        if day.detector.kind == "worsening":
            # What is judged by weeks, over years: first slow, then fast.
            step *= 200 if number < count / 2 else 40
        seconds = round(seconds + step, 3)
        date, clock = at_clock(seconds)
        if rng.random() < 0.02:
            hours = frozenset(rng.sample(range(24), rng.randrange(25)))
            day.learn(f"{date} {clock}", hours=hours, longest=2400 * SECOND)
        if day.detector.places in ("gateway", "source"):
            at = day.change(f"{date} {clock} clear").at
            change = replace(rng.choice(feed), at=at)
            match change:
                case changes.ClockJudged():
                    yield replace(change, began=at, wrong=rng.random() < 0.5)
                case changes.GatewaySilent() | changes.GapFound():
                    yield replace(change, since=at)
                case _:
                    yield change
        elif day.detector.places == "head":
            yield day.change(f"{date} {clock} {head_line(rng, seconds / 86_400)}")
        elif day.detector.kind == "worsening":
            yield day.change(f"{date} {clock} {growing_line(rng)}")
        else:
            began = min(before, clock)
            yield day.change(f"{date} {random_line(rng, clock, began)}")
        before = clock


def test_the_catalogue_is_whole_and_in_order():
    """Every kind of this page is there once, in the order of the kinds."""
    assert [one.kind for one in CATALOGUE] == KINDS


@each
def test_it_is_a_detection(detector):
    """Each keeps to the protocol, and is a frozen value that is its settings."""
    plain: Any = detector
    assert isinstance(plain, Detector)
    assert is_dataclass(detector)
    made: Any = plain.__class__
    assert made() == plain
    names = [one.name for one in fields(made)]
    for name in names:
        value = getattr(plain, name)
        assert isinstance(value, int | float)
        assert value > 0
        with pytest.raises(FrozenInstanceError):
            setattr(detector, name, value)
    assert not hasattr(detector, "__dict__")


@each
def test_its_page_is_whole(detector):
    """First sentence, settings, what the desk does, an example that ends in a finding, when it is wrong, references."""
    text = page(detector)
    first = (type(detector).__doc__ or "").splitlines()[0]

    assert first.endswith(".")
    assert len(first.split()) >= 5
    headings = (
        "What the desk does first: ",
        "Within: ",
        "If not: ",
        "Args: ",
        "Example: ",
        "When it is wrong: ",
        "References: ",
    )
    places = [text.index(heading) for heading in headings]
    assert places == sorted(places)
    for one in fields(detector):
        assert re.search(
            rf"\b{one.name}: .*common practice|\b{one.name}: .*in hours", text
        )
    assert "findings[0].summary" in examples(detector)[-1].source


@each
def test_its_table_says_what_its_page_says(detector):
    """What the desk does first, within what time and what happens if not are there for a table too, and agree on the time."""
    assert all((detector.first, detector.within, detector.otherwise, detector.title))
    within = page(detector).partition("Within: ")[2].partition(". If not")[0]
    assert detector.within.split(";")[0] == within.split(";")[0]


@each
def test_people_read_no_word_that_could_be_taken_for_proof(detector):
    """Neither title nor page nor table says what was not seen."""
    said = (detector.title, detector.first, detector.otherwise, page(detector))

    assert [FORBIDDEN.findall(text) for text in said] == [[], [], [], []]


@each
def test_its_memory_is_a_value(faulty, detector):
    """What it remembers can be kept and compared; that no step changes it is seen below, on every change."""
    place = Place.example()
    fresh, day = detector.start(place), faulty(detector)

    for memory in (fresh, day.memory):
        assert is_dataclass(memory)
        assert pickle.loads(pickle.dumps(memory)) == memory
        assert hash(type(memory)) is not None
        assert not hasattr(memory, "__dict__")
    assert detector.start(place) == fresh


@each
def test_it_finds_the_plainest_case(faulty, detector):
    """What it looks for is found, once, with the priority of its kind."""
    day = faulty(detector)

    assert [one.priority for one in day.found] == [PRIORITY[detector.kind]]


@each
def test_its_table_says_what_it_asks_of_people(faulty, detector):
    """The plainest case has the usual priority of its table, and only what stays until it is closed is said to."""
    [found] = faulty(detector).found

    assert found.priority == detector.priorities[0]
    assert found.lasting == (detector.kind in STAYS)


@each
def test_what_it_finds_can_be_read_and_written(faulty, detector):
    """Every alert says what happened, what it rests on, where to look first, what else it could be, and the caution last."""
    [found] = faulty(detector).found

    assert found.summary
    assert found.began <= found.raised
    assert found.evidence
    assert [one.time for one in found.evidence] == sorted(
        one.time for one in found.evidence
    )
    assert any(one.event for one in found.evidence)
    looks = [text for text in found.checks if text.startswith("Look first at ")]
    others = [text for text in found.checks if text.startswith("Could also be: ")]
    assert looks
    assert others
    assert all("; settled by " in text for text in others)
    assert found.checks == (*looks, *others, CAUTION)
    assert json.loads(json.dumps(found.parameters)) == found.parameters
    for one in fields(detector):
        assert one.name in found.parameters or one.name in ("normal_s", "linger_s")
    assert all(0 < one.weight <= 1 for one in found.suspects)
    texts = (found.summary, *found.checks[:-1], *(one.text for one in found.evidence))
    assert not any(FORBIDDEN.search(text) for text in texts)


@each
def test_what_the_desk_does_first_fits_a_call(detector):
    """Both what it usually is and what it is where the alert is prompt; only a kind that is prompt at times says the latter."""
    usual, _, pressing = detector.first.partition(IF_PROMPT)

    assert 0 < len(usual) <= LONGEST_ACT
    assert len(pressing) <= LONGEST_ACT
    assert not pressing or "prompt" in detector.priorities[1:]
    for priority in detector.priorities:
        wanted = pressing if pressing and priority == "prompt" else usual
        assert first_act(detector.first, priority) == wanted


@each
def test_silence_before_its_time_shows_nothing(watch, detector):
    """A microsecond before it is due nothing is shown, and a wake that comes too early changes nothing."""
    day = watch(detector)
    if detector.kind in FEED:
        day.hear(FEED[detector.kind])
    else:
        day.tell(FAULTS[detector.kind])
    due = detector.wake_at(day.memory)
    if due is None:
        assert detector.kind in (*FEED, *SILENTLY_NEVER)
        return

    before = day.brief()
    day.pass_time(due - 1)
    assert day.brief() == before
    assert detector.wake(day.memory, due - 1, day.place) == (day.memory, ())
    day.pass_time(due)
    assert len(day.brief()) == len(before) + 1


@each
def test_a_clean_day_finds_nothing(watch, detector):
    """Eighteen hours of trains every ten minutes, a reset that each next train proves, and silence afterwards."""
    day = watch(detector).tell(
        "04:00 clear\n04:00 in_service\n04:00 interlocking clear"
    )
    for hour in range(5, 23):
        for minute in range(0, 60, 10):
            day.tell(TRAIN.format(f"{hour:02}", minute))
            left = f"{hour:02}:{minute:02}:58"
            told = f"{hour:02}:{minute + 1:02}:00"
            began = f"{hour:02}:{minute:02}:00"
            day.tell(
                f"""
                {told} stretch ended={left}
                {told} occupation began={began} ended={left}
                {told} worked left={left}
                """
            )
            if hour == 12:
                day.tell(f"{hour}:{minute + 5:02}:00 reset accepted")
    day.learn("1d 00:00", hours=frozenset(range(5, 23)), gap_median=600 * SECOND)

    assert day.until("2d 12:00") == []


@each
@pytest.mark.slow
@given(seed=st.integers(0, 2**32))
def test_whatever_happens_it_keeps_its_word(watch, detector, seed):
    """No step changes the memory it is given, an end is told only of what is open, and at every point there is something to explain.

    The changes are drawn without regard to what can follow what.
    """
    day = watch(detector)
    for change in random_changes(day, Random(seed), 40):
        day.pass_time(change.at - 1)
        given_memory, was = day.memory, pickle.dumps(day.memory)
        day.hear(change)
        assert pickle.dumps(given_memory) == was
        said = detector.explain(day.memory, change.at, day.place)
        assert said
        for sentence in said:
            assert re.fullmatch(r"\S.*\S\.", sentence)
            assert not FORBIDDEN.search(sentence)

    is_open = False
    for finding in day.findings:
        if isinstance(finding, Over):
            assert is_open, "over, and was not open"
            is_open = False
        else:
            assert finding.began <= finding.raised
            assert finding.priority in detector.priorities
            assert finding.checks[-1] == CAUTION
            is_open = finding.ended is None


@pytest.mark.slow
@pytest.mark.parametrize(
    "detector",
    [one for one in CATALOGUE if isinstance(one, Resting)],
    ids=lambda one: one.kind,
)
def test_at_rest_it_misses_nothing(watch, detector):
    """What a memory at rest is not told of would have changed nothing and found nothing."""
    day, spared = watch(detector), 0
    for change in random_changes(day, Random(11), 3000):
        if detector.rests(day.memory) and type(change) not in detector.stirred_by:
            memory, findings = detector.step(day.memory, change, day.place)
            assert memory is day.memory
            assert findings == ()
            spared += type(change) in detector.hears
        day.pass_time(change.at - 1)
        day.hear(change)

    assert spared > 50, "it never rested"


@each
@pytest.mark.slow
def test_its_memory_does_not_grow_without_bound(watch, detector):
    """After 5,000 changes of all sorts what is remembered of a place is still small."""
    day = watch(detector)
    for change in random_changes(day, Random(7), 5000):
        day.hear(change)

    assert len(pickle.dumps(day.memory)) < 8192
    assert day.findings, "a detection that found nothing has not been tried"
