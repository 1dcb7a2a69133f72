from __future__ import annotations

from dataclasses import replace
from itertools import count
from zoneinfo import ZoneInfo

import pytest

from monitor.core.alerts import Alert, identify
from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.moments import DAY, HOUR, MINUTE, parse, stamp
from monitor.core.words import CAUTION
from monitor.handling import Act, Handling
from monitor.lists import (
    HEADING,
    WIDTH,
    Open,
    before_first_train,
    came,
    first_train,
    hour_with_trains,
    next_train,
    of_area,
    of_work,
    print_resets,
    print_standing,
    resets_waiting,
    values,
)
from tests.core.conftest import Run, plain_line
from tests.core.detectors.conftest import usual

NUMBERS = count()
BERLIN = ZoneInfo("Europe/Berlin")

QUIET = """
06:00:00 T1 clear
06:00:00 T2 clear
06:00:00 T3 clear
06:00:00 T4 clear
06:00:00 T5 clear
06:05:00 T1 clear
"""

TRAIN = """
06:10:00 T1 occupied
06:10:40 T2 occupied
06:10:50 T1 clear
06:11:20 T3 occupied
06:11:30 T2 clear
06:12:00 T4 occupied
06:12:10 T3 clear
06:12:40 T5 occupied
06:12:50 T4 clear
06:13:30 T5 clear
"""

RESET = """
07:00:00 T3 disturbed
07:10:00 T3 reset accepted preparatory
07:10:01 T3 awaiting_sweep
"""


def at(text, day=4):
    """A moment of the day that stories are about, or of another of May 2026."""
    return parse(f"2026-05-{day:02}T{text}:00Z")


def day(*tables, **more):
    """An engine that was told so."""
    ran = Run(plain_line(), **more)
    for table in tables:
        ran.tell(table)
    return ran


def learnt(**sections):
    """What was learnt before that day: of each section its usual gap in minutes, and hours with trains."""
    rows = {
        name: [gap * 60.0, None, sum(1 << hour for hour in hours), 20.0, 0, 20.0]
        for name, (gap, hours) in sections.items()
    }
    line = {"chance_day": 0, "chance_hour": 0, "prior_days": 0, "prior_shape": 0}
    midnight = at("00:00")
    return MonitorRecord(
        id="learnt/1",
        source="monitor-1",
        subject="monitor-1",
        time=midnight,
        arrival=midnight,
        kind=RecordKind.LEARNT,
        values={
            "columns": [
                "gap_s",
                "longest_s",
                "hours",
                "days_seen",
                "disturbances",
                "exposure_days",
            ],
            "line": {**line, "sections": len(rows)},
            "sections": rows,
            "until": stamp(midnight),
        },
    )


def act(what, kind, subject, until=None, text="party on the way"):
    """Ines keeps something quiet at seven."""
    return Act(
        id=f"act-{next(NUMBERS)}",
        at=at("07:00"),
        entered=at("07:00"),
        by="Ines",
        position="east",
        what=what,
        kind=kind,
        subject=subject,
        text=text,
        until=until,
    )


def told(standing):
    """What stands open, in brief."""
    return [
        (one.subject, one.what, None if one.since is None else stamp(one.since)[11:16])
        for one in standing
    ]


# Resets waiting for a train.


def test_a_reset_waits_until_a_train_has_followed():
    """It is told with everything that is known of it, and goes when a train has worked through."""
    ran = day(QUIET, TRAIN, RESET, "07:20:00 T1 clear")
    [reset] = resets_waiting(ran.engine, at("07:20"))

    assert (reset.section, reset.area, reset.kind) == ("T3", "a", "preparatory")
    assert (reset.at, reset.by, reset.step) == (at("07:10"), None, "accepted")
    assert reset.shows == "awaiting sweep"
    # No day is learnt yet, so every hour counts: an hour after the reset.
    assert (reset.due, reset.raised, reset.stopped) == (at("08:10"), None, "")
    assert reset.last == parse("2026-05-04T06:12:10Z")
    assert reset.next_train(at("07:20"), BERLIN) == "not learnt yet"
    assert reset.wanted(at("07:20"), BERLIN) == "due by 10:10"

    ran.tell(
        """
        07:30:00 T2 occupied
        07:30:40 T3 occupied
        07:30:50 T2 clear
        07:31:20 T4 occupied
        07:31:30 T3 clear
        07:32:00 T4 clear
        07:40:00 T1 clear
        """
    )
    assert resets_waiting(ran.engine, at("07:40")) == ()


def test_a_reset_under_work_of_other_sections_is_not_asked_for():
    """A list may be of some sections alone, and goes by the time of the reset."""
    ran = day(QUIET, TRAIN, "06:50:00 T5 reset accepted", RESET, "07:20:00 T1 clear")

    assert [one.section for one in resets_waiting(ran.engine, at("07:20"))] == [
        *("T5", "T3"),
    ]
    [only] = resets_waiting(ran.engine, at("07:20"), sections=("T1", "T5"))
    assert only.section == "T5"


def test_the_step_that_a_reset_has_reached():
    """Restored is further than accepted; a section that shows clear may still stand occupied in the interlocking."""
    ran = day(
        QUIET,
        TRAIN,
        """
        07:00:00 T3 disturbed
        07:10:00 T3 reset accepted
        07:10:01 T3 clear interlocking=occupied
        07:11:00 T1 clear
        """,
    )
    [before] = resets_waiting(ran.engine, at("07:11"))
    ran.tell(
        """
        07:12:00 T3 reset restored
        07:12:01 T3 clear interlocking=clear
        07:13:00 T1 clear
        """
    )
    [after] = resets_waiting(ran.engine, at("07:13"))

    assert (before.step, before.shows) == (
        "accepted",
        "clear, the interlocking occupied",
    )
    assert (after.step, after.shows) == ("restored", "clear")


def test_an_overdue_reset_says_so():
    """After an hour without a train it is raised, and the list says since when."""
    ran = day(QUIET, TRAIN, RESET).until("09:00")
    [reset] = resets_waiting(ran.engine, at("09:00"))

    assert (reset.due, reset.raised) == (None, at("08:10"))
    assert reset.wanted(at("09:00"), ZoneInfo("UTC")) == "overdue since 08:10"


def test_at_night_the_timer_is_stopped_and_says_from_when_trains_come():
    """Trains come in the hours from five on; of the last days the first came at 05:20."""
    engine = day(
        QUIET,
        "23:30:00 T3 disturbed\n23:40:00 T3 reset accepted\n23:40:01 T3 clear",
        learnt=(learnt(T3=(20, range(5, 23))),),
    ).until("23:50").engine  # fmt: skip
    passed = {"T3": [at("05:18", 1), at("05:20", 2), at("05:20", 3), at("05:41", 3)]}
    [reset] = resets_waiting(engine, at("23:50"), passed=passed)

    assert reset.stopped == "no trains usually at this hour"
    assert reset.resumes == reset.next_about == at("05:20", 5)
    assert reset.next_train(at("23:50"), ZoneInfo("UTC")) == (
        "trains usually from 2026-05-05 05:20"
    )
    assert reset.wanted(at("23:50"), ZoneInfo("UTC")) == (
        "timer stopped: no trains usually at this hour"
    )
    # Without what came before, the hour is all that is known.
    [plain] = resets_waiting(engine, at("23:50"))
    assert plain.resumes == at("05:00", 5)


def test_a_detection_that_is_off_leaves_the_reset_on_the_list():
    """The list is of resets, not of alerts."""
    ran = day(QUIET, TRAIN, RESET, "07:20:00 T1 clear")
    settings = ran.engine.settings
    kept = tuple(one for one in settings.detectors if one.kind != "reset-unproved")
    without = day(
        *(QUIET, TRAIN, RESET, "07:20:00 T1 clear"),
        settings=replace(settings, detectors=kept),
    )
    [reset] = resets_waiting(without.engine, at("07:20"))

    assert (reset.due, reset.stopped) == (None, "")
    assert reset.wanted(at("07:20"), BERLIN) == "not watched"


@pytest.mark.parametrize(
    ("gap", "hours", "last", "now", "about"),
    [
        # The last at 12:00, one in 20 min: about 12:20.
        (20, None, "12:00", "12:05", "12:20"),
        # One should have come at 12:20.
        (20, None, "12:00", "12:30", None),
        (None, None, "12:00", "12:30", None),
        # After the last hour with trains it is the morning's first.
        (60, range(5, 24), "23:30", "23:40", "29:00"),
        (20, range(5, 24), "23:50", "24:10", "29:00"),
        (20, range(0), "12:00", "12:05", None),
    ],
)
def test_when_a_train_usually_comes_next(gap, hours, last, now, about):
    """By the usual gap after the last one, in hours with trains."""

    def hour(text):
        hours, minutes = map(int, text.split(":"))
        return at("00:00") + hours * HOUR + minutes * MINUTE

    known = usual(
        gap_median=None if gap is None else gap * MINUTE,
        hours=None if hours is None else frozenset(hours),
    )
    came_next = next_train(known, hour(last), (), hour(now), ZoneInfo("UTC"))

    assert came_next == (None if about is None else hour(about))
    assert next_train(None, hour(last), (), hour(now), ZoneInfo("UTC")) is None


def test_the_first_train_of_few_days_says_nothing():
    """Two days are too few for a time; three give their median, and what is longer ago than a fortnight counts no more."""
    begin = at("05:00", 20)
    two = [at("05:10", 18), at("05:30", 19)]

    assert first_train(begin, two, ZoneInfo("UTC")) == begin
    assert first_train(begin, [*two, at("05:20", 17)], ZoneInfo("UTC")) == at(
        "05:20", 20
    )
    assert first_train(begin, [*two, at("05:20", 5)], ZoneInfo("UTC")) == begin
    # A train of another hour is no first train of this one.
    assert first_train(begin, [*two, at("06:20", 17)], ZoneInfo("UTC")) == begin


def test_hours_with_trains_are_local():
    """Five in Berlin is three in UTC in summer, and four in winter."""
    hours = frozenset({5})
    summer, winter = parse("2026-10-24T12:00:00Z"), parse("2026-10-25T12:00:00Z")

    assert hour_with_trains(summer, hours, BERLIN) == parse("2026-10-25T04:00:00Z")
    assert hour_with_trains(winter, hours, BERLIN) == parse("2026-10-26T04:00:00Z")
    assert hour_with_trains(summer - DAY, hours, BERLIN) == parse(
        "2026-10-24T03:00:00Z"
    )
    assert hour_with_trains(summer, None, BERLIN) == summer


def test_trains_that_came_are_those_that_were_worked_through():
    """An occupation that proves nothing is no train."""
    ran = day(QUIET, TRAIN, "06:20:00 T3 occupied\n06:21:00 T3 clear").until("07:00")

    assert came(ran.facts)["T3"] == [parse("2026-05-04T06:11:20Z")]


# Before the first train.


@pytest.mark.parametrize(
    ("story", "what", "since"),
    [
        ("07:00:00 T3 disturbed", Open.DISTURBED, "07:00"),
        ("07:00:00 T3 awaiting_sweep", Open.AWAITING_SWEEP, "07:00"),
        (
            "07:00:00 T3 awaiting_acknowledgement",
            Open.AWAITING_ACKNOWLEDGEMENT,
            "07:00",
        ),
        ("07:00:00 T3 clear interlocking=occupied", Open.NOT_RESTORED, "06:12"),
        # Raised or not yet: nobody entered it.
        ("07:09:00 T3 occupied", Open.NO_TRAIN_SEEN, "07:09"),
        ("07:00:00 T3 occupied", Open.NO_TRAIN_SEEN, "07:00"),
        ("07:00:00 T3 reset accepted", Open.NO_TRAIN_SINCE, "07:00"),
        ("07:00:00 T3 work begun W7", Open.WORK, "07:00"),
    ],
)
def test_what_stands_open_in_a_section(story, what, since):
    """Each thing that is not as it should be before a train, with since when."""
    ran = day(QUIET, TRAIN, story, "07:10:00 T1 clear")
    standing = before_first_train(ran.engine, Handling(), at("07:10"))

    assert told(standing) == [("section/T3", what, since)]


def test_a_train_that_stands_there_is_not_told():
    """A section occupied by a train that was seen to enter it is as it should be."""
    ran = day(QUIET, TRAIN[:60], "07:10:00 T5 clear")

    assert told(before_first_train(ran.engine, Handling(), at("07:10"))) == []


def test_what_was_occupied_before_anybody_looked_is_told():
    """Nobody saw what entered a section that was occupied when it was first heard under work."""
    ran = day(
        QUIET,
        """
        06:30:00 T3 work begun W7
        06:40:00 T3 occupied
        06:50:00 T1 clear
        """,
    )

    assert told(before_first_train(ran.engine, Handling(), at("06:50"))) == [
        ("section/T3", Open.NO_TRAIN_SEEN, "06:40"),
        ("section/T3", Open.WORK, "06:30"),
    ]


def test_what_is_not_known_is_told_with_its_reason():
    """Before its first event a section is not known; so are those of an evaluator that is isolated."""
    ran = day(
        "06:00:00 T1 clear\n06:00:00 T2 clear\n06:00:00 T3 clear\n06:00:00 T4 clear",
        "06:30:00 EV2 isolated\n06:40:00 T1 clear",
    )
    standing = before_first_train(ran.engine, Handling(), at("06:40"))

    assert told(standing) == [
        ("section/T4", Open.NOT_KNOWN, "06:30"),
        ("section/T5", Open.NOT_KNOWN, None),
        ("evaluator/EV2", Open.ISOLATED, "06:30"),
    ]
    assert standing[0].text == "its evaluator is isolated"


def test_a_locked_out_evaluator_is_told_to_all_that_need_it():
    """With the sections asked for; others do not hear of it."""
    ran = day(QUIET, "06:30:00 EV2 locked_out\n06:40:00 T1 clear")

    def of(*sections):
        return told(
            before_first_train(ran.engine, Handling(), at("06:40"), sections=sections)
        )

    assert of("T4") == [("evaluator/EV2", Open.LOCKED_OUT, "06:30")]
    assert of("T1") == []


def test_what_people_keep_quiet_is_told_with_who_and_why():
    """Shelved and switched off, of the sections asked for, their heads and what they need."""
    ran = day(QUIET)
    handling = Handling()
    handling.take(act("shelved", "section-disturbed", "section/T3", until=at("09:00")))
    handling.take(act("switched_off", "level-out", "head/H3"))
    handling.take(act("switched_off", "level-out", "head/H0"))

    def of(now, *sections):
        found = before_first_train(ran.engine, handling, now, sections=sections)
        return [(one.what, one.until, one.text) for one in found]

    shelved = (
        Open.SHELVED,
        at("09:00"),
        "section-disturbed, by Ines: party on the way",
    )
    off = (Open.SWITCHED_OFF, None, "level-out, by Ines: party on the way")
    # H3 stands between T3 and T4, H0 at the open end of T1.
    assert of(at("08:00"), "T3") == [shelved, off]
    assert of(at("08:00"), "T4") == [off]
    # Shelving came back by itself.
    assert of(at("09:00"), "T3") == [off]


def test_a_train_unaccounted_for_is_told_until_a_person_has_closed_it():
    """It stands open though its section shows clear."""
    ran = day(QUIET)
    began = at("06:20")
    vanished = Alert(
        id=identify("vanished-train", "section/T3", began),
        kind="vanished-train",
        subject="section/T3",
        priority="urgent",
        began=began,
        raised=began,
        ended=None,
        summary="T3 cleared, its train is unaccounted for",
        evidence=(),
        affected=(),
        suspects=(),
        checks=(),
        parameters={},
    )
    handling = Handling()
    handling.told(vanished)
    before = before_first_train(ran.engine, handling, at("07:00"))
    elsewhere = before_first_train(ran.engine, handling, at("07:00"), sections=("T4",))
    handling.take(
        replace(
            act("closed", "", "", text="seen at the next station"), alert=vanished.id
        )
    )

    assert told(before) == [("section/T3", Open.UNACCOUNTED, "06:20")]
    assert before[0].text == "T3 cleared, its train is unaccounted for"
    assert elsewhere == ()
    assert before_first_train(ran.engine, handling, at("07:00")) == ()


def test_sections_of_an_area_and_of_a_work():
    """In the order of the line file; what is planned for a work belongs to it before it begins; what is not there is refused."""
    ran = day(
        QUIET, "06:30:00 T4 work begun W7\n06:30:00 T2 work begun W7\n06:31:00 T1 clear"
    )

    assert of_area(ran.line, "a") == ("T1", "T2", "T3", "T4", "T5")
    assert of_work(ran.engine, "W7") == ("T2", "T4")
    assert of_work(ran.engine, "W7", ("T5",)) == ("T2", "T4", "T5")
    with pytest.raises(KeyError, match="nowhere"):
        of_area(ran.line, "nowhere")
    with pytest.raises(KeyError, match="W8"):
        of_work(ran.engine, "W8")


# As a sheet of paper, and as metrics.


def test_the_sheet_before_the_first_train():
    """Headed with what it is not, the same of several sections in one line, and with the caution."""
    ran = day(
        QUIET,
        "07:00:00 T3 work begun W7\n07:00:00 T4 work begun W7\n07:05:00 T3 disturbed",
        "07:10:00 T1 clear",
    )
    standing = before_first_train(ran.engine, Handling(), at("07:10"))
    sheet = print_standing(standing, ran.line, at("07:10"), "W7").splitlines()

    assert sheet[:6] == [
        "Before the first train: W7",
        "Plain line, 2026-05-04 07:10 UTC",
        HEADING,
        "",
        "T3: disturbed, since 07:05",
        "T3 and T4: work not ended, W7, since 07:00",
    ]
    assert " ".join(" ".join(sheet[7:]).split()) == CAUTION


def test_a_sheet_without_anything_says_only_that_nothing_is_shown():
    """It keeps its heading and its caution."""
    ran = day(QUIET)
    sheet = print_standing((), ran.line, at("07:10"))

    assert "Nothing of what was asked for is shown as open." in sheet
    assert HEADING in sheet
    assert "never reset, restore or pass a train" in " ".join(sheet.split())


def test_what_people_wrote_stays_in_its_line():
    """A note with line breaks and escapes can neither add a line nor colour a printer."""
    ran = day(QUIET)
    handling = Handling()
    text = "known\nT4: disturbed, since 01:00\x1b[31m"
    handling.take(act("switched_off", "level-out", "section/T3", text=text))
    standing = before_first_train(ran.engine, handling, at("07:10"))
    sheet = print_standing(standing, ran.line, at("07:10"))

    assert "\x1b" not in sheet
    assert not any(line.startswith("T4:") for line in sheet.splitlines())
    assert max(map(len, sheet.splitlines())) <= WIDTH


def test_the_sheet_of_resets():
    """Two lines for each reset, and the caution."""
    ran = day(QUIET, TRAIN, RESET, "07:20:00 T1 clear")
    waiting = resets_waiting(ran.engine, at("07:20"))
    sheet = print_resets(waiting, ran.line, at("07:20"))

    assert sheet.splitlines()[3:6] == [
        "T3: preparatory reset at 07:10, accepted; shows awaiting sweep",
        "  next train not learnt yet; due by 08:10",
        "",
    ]
    assert "Nothing here proves a section empty." in sheet
    assert "No reset that this feed carries waits" in print_resets(
        (), ran.line, at("07:20")
    )


def test_both_lists_as_metrics():
    """Every area and everything that may stand open is there at nought, so that a rule sees the first."""
    ran = day(QUIET, TRAIN, RESET).until("09:00")
    found = values(
        resets_waiting(ran.engine, at("09:00")),
        before_first_train(ran.engine, Handling(), at("09:00")),
        ran.line,
    )
    above = {(one.name, dict(one.labels).get("what")) for one in found if one.value}

    assert len(found) == 1 + len(Open)
    assert above == {
        ("resets_overdue", None),
        ("standing_open", "awaiting_sweep"),
        ("standing_open", "no_train_since"),
    }
