from __future__ import annotations

from dataclasses import replace
from itertools import count
from zoneinfo import ZoneInfo

import pytest

from monitor import handover
from monitor.core.alerts import Alert, identify
from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.facts import Fact
from monitor.core.faults import Fault
from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from monitor.core.words import CAUTION
from monitor.handling import Act, Handling
from monitor.handover import (
    Counted,
    Dark,
    Happened,
    Part,
    Read,
    beside,
    both_names,
    differences,
    longest_dark,
    make,
    own_faults,
    parts,
    print_sheet,
    sections_of,
    settings_changed,
    subjects_of,
)
from monitor.lists import HEADING, WIDTH, Open
from monitor.load import Raised
from monitor.shifts import BEGINS, DeskAct, Desks, Position, Rota
from tests.core.conftest import Run, plain_line

UTC = ZoneInfo("UTC")
BERLIN = ZoneInfo("Europe/Berlin")
NUMBERS = count()
EAST = Position(name="east", areas=("a",))

QUIET = """
06:00:00 T1 clear
06:00:00 T2 clear
06:00:00 T3 clear
06:00:00 T4 clear
06:00:00 T5 clear
06:05:00 T1 clear
"""


def at(text, day=4):
    """A moment of the day that stories are about, a Monday, or of another of May 2026."""
    return parse(f"2026-05-{day:02}T{text}:00Z")


SHIFT = Part(begin=at("06:00"), end=at("13:30"))


def record(kind, time, **values):
    """Something that the monitor itself wrote down."""
    return MonitorRecord(
        id=f"{kind.value}/{next(NUMBERS)}",
        source="monitor-1",
        subject="monitor-1",
        time=time,
        arrival=time,
        kind=kind,
        values=values,
    )


def alert(kind="section-disturbed", subject="section/T3", began=None, **more):
    """An alert as it opens."""
    began = at("07:00") if began is None else began
    given = {
        "id": identify(kind, subject, began),
        "kind": kind,
        "subject": subject,
        "priority": "prompt",
        "began": began,
        "raised": began + 5 * SECOND,
        "ended": None,
        "summary": "",
        "evidence": (),
        "affected": (),
        "suspects": (),
        "checks": (),
        "parameters": {},
    }
    return Alert(**{**given, **more})


def fault(one, number="K7M3", **more):
    """A fault of one alert."""
    given = {
        "id": one.id,
        "number": number,
        "headline": f"{one.subject.removeprefix('section/')} disturbed",
        "priority": "prompt",
        "subject": one.subject,
        "began": one.began,
        "raised": one.raised,
        "ended": None,
        "alerts": (one.id,),
        "open": (one.id,),
        "lasting": (),
        "subjects": (one.subject,),
        "waiting": (),
        "took": (),
        "into": None,
        "calls": 1,
    }
    return Fault(**{**given, **more})


def act(what, time="08:00", by="Ines", **more):
    """Something that was done about an alert or fault."""
    given = {
        "id": f"act-{next(NUMBERS)}",
        "at": at(time),
        "entered": at(time),
        "by": by,
        "position": "east",
        "what": what,
    }
    return Act(**{**given, **more})


def desk_act(what, time, by="Ines", **more):
    """Something that was done about a desk."""
    given = {
        "id": f"desk-{next(NUMBERS)}",
        "at": at(time),
        "entered": at(time),
        "by": by,
        "position": "east",
        "what": what,
    }
    return DeskAct(**{**given, **more})


def sheet_of(engine, handling=None, *desk_acts, now=None, read=None):
    """The sheet of the desk east in the early shift."""
    desks = Desks((EAST,))
    desks.fold(desk_acts)
    now = at("13:30") if now is None else now
    return make(
        engine,
        handling if handling is not None else Handling(),
        desks.desk("east"),
        Rota.read(BEGINS, engine.line.zone).of(now),
        now=now,
        read=read if read is not None else Read(),
    )


def told(*tables, line=None):
    """An engine that was told so."""
    ran = Run(line if line is not None else plain_line())
    for table in tables:
        ran.tell(table)
    return ran.engine


# What is on it.


def test_both_names_are_on_it():
    """Who goes and who comes, before the handover, at it, and for half an hour after it."""
    desks = Desks((EAST,))
    before = both_names(desks.desk("east"), at("13:00"))
    desks.take(desk_act("take_desk", "06:00"))
    during = both_names(desks.desk("east"), at("13:00"))
    desks.take(desk_act("hand_over", "13:50", to="Bo"))
    offered = both_names(desks.desk("east"), at("13:51"))
    desks.take(desk_act("take_desk", "13:55", by="Bo"))
    taken = desks.desk("east")

    assert (before, during) == (("", ""), ("Ines", ""))
    assert offered == ("Ines", "Bo")
    assert both_names(taken, at("14:25")) == ("Ines", "Bo")
    assert both_names(taken, at("14:26")) == ("Bo", "")


def test_open_faults_and_who_goes():
    """Those of the desk's areas that people still have to do with, with who goes, who is there, and what was noted."""
    one, over, far = alert(), alert(subject="section/T4"), alert(subject="head/H99")
    handling = Handling()
    for each in (one, over, far):
        handling.told(each)
    handling.told_fault(fault(one))
    handling.told_fault(fault(over, ended=at("08:00")))
    handling.told_fault(fault(far))
    handling.take(act("going", fault=one.id, by="Ada"))
    handling.take(act("noted", fault=one.id, text="loose head"))
    [told_of] = sheet_of(told(QUIET), handling).faults

    assert (told_of.fault.id, told_of.seen) == (one.id, False)
    assert (told_of.going, told_of.on_site, told_of.notes) == (
        *(("Ada",), (), ("loose head",)),
    )
    handling.take(act("seen", fault=one.id))
    assert sheet_of(told(QUIET), handling).faults[0].seen


def test_what_is_over_and_nobody_has_seen_is_handed_over():
    """A fault that came and went while nobody looked is on the sheet until somebody has seen it."""
    one = alert()
    handling = Handling()
    handling.told(one)
    handling.told(replace(one, ended=at("08:00")))
    handling.told_fault(fault(one, ended=at("08:00"), open=()))
    sheet = sheet_of(told(QUIET), handling)
    handling.take(act("seen", fault=one.id))

    assert [(each.fault.id, each.seen) for each in sheet.faults] == [(one.id, False)]
    assert "; over since 08:00; NOT SEEN" in " ".join(
        print_sheet(sheet, plain_line()).split()
    )
    assert sheet_of(told(QUIET), handling).faults == ()


def test_a_fault_that_a_person_has_to_close_is_on_it_until_then():
    """A train unaccounted for is handed over though all else is over."""
    one = alert("vanished-train", priority="urgent")
    handling = Handling()
    handling.told(one)
    handling.told_fault(fault(one, ended=at("08:00"), lasting=(one.id,), open=()))
    before = sheet_of(told(QUIET), handling)
    handling.take(act("closed", alert=one.id, text="found in T4"))
    after = sheet_of(told(QUIET), handling)

    assert [each.fault.id for each in before.faults] == [one.id]
    assert [each.what for each in before.standing] == [Open.UNACCOUNTED]
    assert (after.faults, after.standing) == ((), ())


def test_resets_work_and_what_stands_open_are_on_it():
    """As on the lists, of the desk's sections."""
    engine = told(
        QUIET,
        """
        07:00:00 T3 disturbed
        07:10:00 T3 reset accepted
        07:10:01 T3 clear
        07:20:00 T4 work begun W7
        07:20:00 T5 work begun W7
        07:30:00 T1 clear
        """,
    )
    sheet = sheet_of(engine, now=at("07:30"))

    assert [one.section for one in sheet.resets] == ["T3"]
    assert [one.what for one in sheet.standing] == [
        *(Open.NO_TRAIN_SINCE, Open.WORK, Open.WORK),
    ]
    [work] = sheet.work
    assert (work.reference, work.sections, work.began) == (
        *("W7", ("T4", "T5"), at("07:20")),
    )
    assert (work.planned_end, work.over) == (None, False)
    assert (sheet.heading, sheet.caution) == (HEADING, CAUTION)


def test_what_is_kept_quiet_and_what_was_switched_in_the_shift():
    """Shelved and switched off stand on it; switching is also a change of settings in the shift in which it was done."""
    handling = Handling()
    where = {"kind": "level-out", "subject": "head/H3"}
    handling.take(act("switched_off", "05:00", **where, text="new head"))
    handling.take(act("switched_on", "07:00", **where))
    handling.take(
        act(
            "shelved",
            kind="section-disturbed",
            subject="section/T3",
            text="known",
            until=at("20:00"),
        )
    )
    sheet = sheet_of(told(QUIET), handling)

    assert [one.subject for one in sheet.kept_quiet] == ["section/T3"]
    assert sheet.changed == (
        Happened(
            at=at("07:00"),
            ended=None,
            text="level-out at head/H3 switched on by Ines",
        ),
    )


def test_not_known_now_and_longest_in_the_shift():
    """Only what lies within the shift counts for how long; a spell that goes on counts up to now."""

    def spell(name, began, ended):
        return Fact(
            kind="not-known",
            subject=f"section/{name}",
            began=began,
            ended=ended,
            values={"why": "a gap"},
        )

    facts = [
        spell("T1", at("01:00"), at("06:10")),  # five hours, ten minutes of the shift
        spell("T2", at("07:00"), at("07:40")),
        spell("T3", at("13:00"), None),
        spell("T9", at("06:00"), None),  # of another desk
        spell("T4", at("05:00"), at("06:00")),  # of the shift before
    ]
    found = longest_dark(facts, SHIFT, ["T1", "T2", "T3", "T4"])

    assert found == Dark(
        section="T2",
        why="a gap",
        began=at("07:00"),
        ended=at("07:40"),
        lasted=40 * MINUTE,
    )
    assert longest_dark(facts, replace(SHIFT, end=at("14:30")), ["T2", "T3"]) == Dark(
        section="T3", why="a gap", began=at("13:00"), ended=None, lasted=90 * MINUTE
    )
    assert longest_dark(facts, SHIFT, ["T4"]) is None

    sheet = sheet_of(told("06:00:00 T1 clear\n06:30:00 T1 clear"), now=at("06:30"))
    assert [one.section for one in sheet.not_known] == ["T2", "T3", "T4", "T5"]
    assert sheet.not_known[0].why == "not yet heard"
    assert sheet.not_known[0].lasted == 30 * MINUTE


# The numbers.


def test_like_shifts_are_counted_up_to_as_long_after_their_beginning():
    """Half a shift is compared with halves, never with whole ones."""
    rota = Rota.read(BEGINS, UTC)
    this, *like = parts(rota, at("09:00"), at("06:00", 1))

    assert this == Part(begin=at("06:00"), end=at("09:00"))
    # On 1 May, a Friday, the record begins; the days between are no working days.
    assert like == [Part(begin=at("06:00", 1), end=at("09:00", 1))]


def test_a_like_shift_that_was_shorter_ends_when_it_did():
    """The night on which the clocks went forward had an hour less."""
    rota = Rota.read(BEGINS, BERLIN)
    saturday = parse("2026-04-05T03:30:00Z")  # half past five, on Sunday morning
    [_, *like] = parts(rota, saturday, 0)

    spring = next(one for one in like if one.begin == parse("2026-03-28T21:00:00Z"))
    assert spring.end == parse("2026-03-29T04:00:00Z")


def test_what_a_shift_has_brought():
    """Of the desk's subjects; disturbances under work, and resets only asked for, do not count."""

    def fact(kind, name, began, ended=None, **values):
        return Fact(
            kind=kind,
            subject=f"section/{name}",
            began=began,
            ended=ended,
            values=values,
        )

    def raised(priority, time, subject="section/T1"):
        return Raised(
            kind="section-disturbed", subject=subject, priority=priority, raised=time
        )

    counted = handover.count(
        SHIFT,
        calls=[at("05:59"), at("06:00"), at("13:29"), at("13:30")],
        alerts=[
            raised("prompt", at("07:00")),
            raised("prompt", at("05:00")),
            raised("urgent", at("07:00")),
            raised("planned", at("07:00")),
            raised("urgent", at("07:00"), "section/T9"),
        ],
        facts=[
            fact("disturbance", "T1", at("07:00"), under_work=False),
            fact("disturbance", "T1", at("07:01"), under_work=True),
            fact("disturbance", "T9", at("07:00"), under_work=False),
            fact("reset", "T1", at("07:05"), at("08:00"), step="accepted"),
            fact("reset", "T1", at("07:04"), step="requested"),
            fact("not-known", "T1", at("05:00"), at("06:10"), why=""),
            fact("not-known", "T2", at("13:00"), why=""),
        ],
        subjects=["section/T1", "section/T2"],
    )

    assert counted == Counted(
        calls=2, urgent=1, prompt=1, disturbances=1, resets=1, not_known=10 + 30
    )


def test_numbers_stand_beside_the_median_of_like_shifts():
    """Of an even number it is the middle of the two; without any it is said that there is none."""
    like = [Counted(calls=calls) for calls in (1, 9, 2, 3)]
    calls = beside([Counted(calls=7), *like])[0]
    alone = beside([Counted(calls=7)])[0]

    assert (calls.words, calls.count, calls.usual, calls.of) == ("calls", 7, 2.5, 4)
    assert (alone.count, alone.usual, alone.of) == (7, None, 0)
    assert beside([]) == ()


# What changed, and the monitor's own faults.


def test_settings_that_changed_are_named():
    """In the shift in which they came into force, with both values; the same again is no change."""
    old, new = '{"log": {"level": "info"}, "a": 1}', '{"log": {"level": "debug"}}'
    records = [
        record(RecordKind.SETTINGS, at("01:00"), digest="1"),
        record(RecordKind.LINE, at("01:00"), digest="l"),
        record(RecordKind.SETTINGS, at("07:00"), digest="1"),
        record(RecordKind.SETTINGS, at("08:00"), digest="2"),
        record(RecordKind.LINE, at("08:00"), digest="m"),
        record(RecordKind.STARTED, at("08:00"), version="0"),
        record(RecordKind.SETTINGS, at("14:00"), digest="3"),
    ]
    changed = list(settings_changed(records, SHIFT, {"1": old, "2": new}))

    assert [(one.at, one.text) for one in changed] == [
        (
            at("08:00"),
            'other settings in force: a was 1, is not set; log.level was "info", is "debug"',
        ),
        (at("08:00"), "another line file in force"),
    ]


def test_a_table_that_came_or_went_is_a_difference():
    """An empty table counts as a value."""
    assert differences('{"detect": {}}', '{"detect": {"x": {"y": 1}}}') == (
        "detect was {}, is not set",
        "detect.x.y was not set, is 1",
    )
    assert differences("{}", "{}") == ()


def test_the_monitors_own_faults():
    """Starts, spells without the broker that reach into the shift, and clocks taken to be wrong."""
    records = [
        record(RecordKind.DISCONNECTED, at("05:00"), why="refused"),
        record(RecordKind.CONNECTED, at("05:30")),
        record(RecordKind.DISCONNECTED, at("05:50"), why="lost"),
        record(RecordKind.CONNECTED, at("06:10")),
        record(RecordKind.STARTED, at("07:00"), version="0.4"),
        record(RecordKind.CLOCK, at("08:00"), source="gw/2", correction_s=-3600.0),
        record(RecordKind.DISCONNECTED, at("13:00"), why="lost"),
    ]

    assert list(own_faults(records, SHIFT)) == [
        Happened(
            at=at("05:50"), ended=at("06:10"), text="no connection to the broker: lost"
        ),
        Happened(at=at("07:00"), ended=None, text="monitor started, version 0.4"),
        Happened(at=at("08:00"), ended=None, text="times of gw/2 corrected by -1 h"),
        Happened(at=at("13:00"), ended=None, text="no connection to the broker: lost"),
    ]


# What a position looks after.


def test_what_a_position_looks_after():
    """Its areas' sections, their heads and what they need; without areas all of the line; the monitor is everybody's."""
    engine = told(QUIET)
    subjects = subjects_of(engine, EAST)

    assert {"section/T3", "head/H3", "evaluator/EV2", "gateway/GW1"} <= subjects
    assert f"monitor/{engine.monitor}" in subjects
    assert sections_of(engine.line, Position(name="all")) == tuple(engine.line.sections)
    with pytest.raises(KeyError, match="nowhere"):
        sections_of(engine.line, Position(name="x", areas=("nowhere",)))


# As a sheet of paper.


def test_the_sheet_as_it_is_printed():
    """Every part has its heading, also where there is nothing to tell, and what can lead to a reset carries the caution."""
    one = alert()
    handling = Handling()
    handling.told(one)
    handling.told_fault(fault(one))
    handling.take(act("going", fault=one.id, by="Ada"))
    left = desk_act("hand_over", "13:20", to="Bo", text="key 4 is with the party")
    read = Read(counted=(Counted(calls=3), Counted(calls=1)), wrong=("Disk full.",))
    sheet = sheet_of(
        told(QUIET, "07:00:00 T3 disturbed\n07:10:00 T1 clear"),
        handling,
        desk_act("take_desk", "06:00"),
        left,
        read=read,
    )
    text = print_sheet(sheet, plain_line())

    assert text.splitlines()[:11] == [
        "Handover: east, a",
        "Plain line, shift 2026-05-04 06:00 to 14:00, made 2026-05-04 13:30 UTC",
        "Goes: Ines    Comes: Bo",
        "",
        "Open faults and who goes",
        "K7M3 prompt: T3 disturbed, since 07:00; going Ada; NOT SEEN",
        "",
        "Resets waiting for a train",
        "none",
        "",
        "Before the first train",
    ]
    for row in (
        HEADING,
        "T3: disturbed, since 07:00",
        "Disk full.",
        "calls: 3 (usually 1, median of 1 like shift)",
        "13:20 Ines: key 4 is with the party",
    ):
        assert row in text.splitlines()
    assert " ".join(text.split()).endswith(CAUTION)
    assert max(map(len, text.splitlines())) <= WIDTH


def test_on_the_night_on_which_clocks_change_every_time_has_its_offset():
    """Half past two is there twice, an hour apart."""
    line = replace(plain_line(), zone=BERLIN, timezone="Europe/Berlin")
    engine = told(QUIET, line=line)
    now = parse("2026-10-25T01:30:00Z")
    desks = Desks((EAST,))
    for name, time in (("Ines", "00:30"), ("Bo", "01:30")):
        moment = parse(f"2026-10-25T{time}:00Z")
        desks.take(
            replace(
                desk_act("take_desk", "06:00", by=name, text="taken"),
                at=moment,
                entered=moment,
            )
        )
    rota = Rota.read(BEGINS, BERLIN)
    sheet = make(
        engine,
        Handling(),
        desks.desk("east"),
        rota.of(now),
        now=now,
        read=Read(),
    )
    rows = print_sheet(sheet, line).splitlines()

    assert "02:30 (+02:00) Ines: taken" in rows
    assert "02:30 (+01:00) Bo: taken" in rows
    assert "2026-10-24 22:00 (+02:00) to 2026-10-25 06:00 (+01:00)" in rows[1]


def test_what_people_wrote_stays_in_its_line():
    """A note with line breaks and escapes adds no row of its own."""
    left = desk_act(
        "note_left", "07:00", text="known\nT4: disturbed, since 01:00\x1b[31m"
    )
    rows = print_sheet(sheet_of(told(QUIET), None, left), plain_line()).splitlines()

    assert not any(row.startswith("T4:") for row in rows)
    assert "\x1b" not in "".join(rows)


def test_a_night_at_the_desk_is_an_hour_longer_in_autumn():
    """As much of each like shift is counted as of this one, whatever the clocks do."""
    rota = Rota.read(BEGINS, BERLIN)
    now = parse("2026-10-25T04:59:00Z")  # 05:59 after nine hours but a minute
    this, before, *_ = parts(rota, now, 0)

    assert this.end - this.begin == 9 * HOUR - MINUTE
    # The Saturday night before ended after its eight hours.
    assert before.end - before.begin == 8 * HOUR
