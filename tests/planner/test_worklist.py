from __future__ import annotations

import json
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.core.facts import Fact, FactKind
from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, MINUTE, parse
from monitor.history import History
from monitor.planner.effect import Watched
from monitor.planner.quiet_hours import (
    DAYS,
    WEEK,
    Hours,
    Quiet,
    by_hour_of_week,
    countable,
    rarest,
)
from monitor.planner.seen import seen_sections
from monitor.planner.whereabouts import Spot, Whereabouts
from monitor.planner.worklist import (
    Heard,
    Known,
    Warned,
    Worklist,
    taken_off,
    with_hours,
    worklist,
)
from monitor.planner.worklist_table import as_csv, as_json
from monitor.visits import Visit

NOW = parse("2026-05-04T06:00:00Z")  # a Monday

UNSEEN: tuple[FactKind, ...] = ("not-known", "work", "failed", "no-train")
"""While these last nobody sees trains work through."""

TEXT = """
[line]
name = "two rooms"
timezone = "Europe/Berlin"
[[evaluator]]
id = "EV1"
site = "North room"
supply = "PS1"
gateway = "GW1"
ref = "N-1"
[[evaluator]]
id = "EV2"
site = "South room"
[[head]]
id = "H0"
km = 0
between = ["open", "T1"]
"""
SECTION = """
[[section]]
id = "T{n}"
area = "a"
evaluator = "EV{of}"
length_m = 1000
speed_km_h = 100
[[head]]
id = "H{n}"
km = {n}
between = ["T{n}", "{next}"]
unit = "TU{n}"
ref = "R-{n}"
"""
LINE = read_line(
    TEXT
    + "".join(
        SECTION.format(
            n=n, of=1 if n <= 6 else 2, next=f"T{n + 1}" if n < 12 else "open"
        )
        for n in range(1, 13)
    )
)
THERE = Whereabouts(LINE)


def seen(count, days=90, later=0):
    """A section that was disturbed so often, evenly over the last days, or so much later, and watched for a year."""
    step = days * DAY // (count + 1)
    moments = tuple(NOW - days * DAY + step * (at + 1) + later for at in range(count))
    return Watched(((NOW - 365 * DAY, NOW),), moments)


def known(counts, **more):
    """What the list is made of: disturbances in the last 90 days by section; the others have none."""
    watched = {
        name: seen(counts.get(name, 0), later=place * HOUR)
        for place, name in enumerate(LINE.sections)
    }
    values: dict[str, Any] = {
        "now": NOW,
        "watched": watched,
        "held": {},
        "warnings": [],
        "visits": [],
    } | more
    return Known(**values)


def warned(section, *suspects, kind="section-disturbed", days=5, is_open=False):
    """An alert about a section."""
    return Warned(
        id=f"{kind}{section}{days}",
        kind=kind,
        at=NOW - days * DAY,
        is_open=is_open,
        about=(f"section/{section}",),
        suspects=suspects,
        summary=f"{section} disturbed",
    )


def visit(section, days, cause="head"):
    """Somebody was there so many days ago."""
    at = NOW - days * DAY
    return Visit(
        id=f"{section}{days}",
        begin=at,
        end=at,
        subjects=(f"section/{section}",),
        cause=cause,
        by="Ada",
        entered=NOW,
    )


def sections(trips):
    """The sections of each visit."""
    return [[one.section for one in trip.items] for trip in trips]


def test_what_is_near_is_one_visit():
    """T2 and T3 are, T9 is a visit of its own; one disturbance is nothing to go for."""
    found = worklist(known({"T2": 4, "T3": 3, "T9": 2, "T12": 1}), THERE)

    assert sections(found) == [["T2", "T3"], ["T9"]]
    first, second = found
    assert (first.site, first.place, first.low, first.high) == (
        "North room",
        "track",
        1,
        3,
    )
    assert second.site == "South room"
    assert first.expected > second.expected


def test_the_track_and_the_room_are_two_visits():
    """By the suspect part; in a room the kilometre says nothing."""
    told = [
        warned("T1", ("evaluator/EV1", 0.6), ("head/H1", 0.2)),
        warned("T6", ("supply/PS1", 0.5)),
        warned("T2", ("head/H2", 0.5), ("head/H1", 0.5)),
        warned("T3", ("head/H9", 0.9)),
    ]
    found = worklist(known({"T1": 4, "T6": 4, "T2": 3, "T3": 2}, warnings=told), THERE)

    assert [
        (one.place, names) for one, names in zip(found, sections(found), strict=True)
    ] == [
        ("room", ["T1", "T6"]),
        ("track", ["T2", "T3"]),
    ]
    room, track = found
    assert [one.parts for one in room.items] == [("evaluator/EV1",), ("supply/PS1",)]
    assert room.items[0].registers == ("N-1",)
    assert [one.parts for one in track.items] == [
        ("head/H1", "head/H2"),
        ("head/H2", "head/H3"),
    ]
    assert track.items[0].registers == ("R-1", "R-2")


def test_trains_held_and_disturbances_to_come_are_added_up():
    """Ten disturbances go before one train held, thirty trains held before ten disturbances; longer ago than 90 days a train counts no more."""

    def first(held):
        return sections(worklist(known({"T2": 10}, held=held), THERE))

    once = {"T9": [NOW - 3 * DAY], "T12": [NOW - 100 * DAY]}
    assert first(once) == [["T2"], ["T9"]]
    assert first({"T9": [NOW - 3 * DAY] * 30}) == [["T9"], ["T2"]]
    _, second = worklist(known({"T2": 10}, held=once), THERE)
    assert second.held == 1
    assert second.items[0].reason == (
        "T9 held 1 train; look at head H8 and head H9 first."
    )


def test_what_stands_still_comes_first():
    """T9 has not been given back for 30 days and held nobody; T6 for 2 days, T2 held fifty trains: the longest first, then the others."""

    def out(days):
        since = NOW - round(days * DAY)
        return Watched(((NOW - 365 * DAY, since),), (since,), ((since, NOW),))

    one = known({"T2": 10}, held={"T2": [NOW - 3 * DAY] * 50})
    still = {**one.watched, "T9": out(30), "T6": out(2), "T12": out(0.5)}
    found = worklist(replace(one, watched=still), THERE)

    assert sections(found) == [["T9"], ["T6"], ["T2"]]
    assert found[0].words.startswith("T9 not given back; 0 trains held; about ")
    assert not any(one.stands for one in found[2].items)


def test_the_reason_is_a_sentence():
    """How often, how long it was watched, what is open, and what to look at."""
    told = [warned("T2", ("head/H2", 1.0), kind="level-drift", is_open=True, days=200)]
    [trip] = worklist(known({"T2": 3}, warnings=told), THERE)
    [item] = trip.items

    assert item.reason == (
        "T2 was disturbed 3 times in 90 days watched and has level drift open; "
        "look at head H2 first."
    )
    assert item.low < item.expected < item.high
    assert item.evidence == tuple(told)


def test_what_a_part_may_have_caused_is_on_the_list():
    """However rarely it was disturbed: open or over, but not from before it was put right or 90 days ago; a disturbance that is over takes two."""
    told = [
        warned("T1", kind="vanished-train", is_open=True),
        warned("T3", kind="unseen-train", days=60),
        warned("T5", kind="reset-not-held", days=100),
        warned("T7", kind="spurious-occupation", days=5),
        warned("T9", kind="section-disturbed", is_open=True),
        warned("T11", kind="section-disturbed", days=5),
        warned("T12", kind="feed-silent", is_open=True),
    ]
    found = worklist(known({}, warnings=told, visits=[visit("T7", 2)]), THERE)
    reasons = {item.section: item.reason for trip in found for item in trip.items}

    assert reasons.keys() == {"T1", "T3", "T9"}
    assert reasons["T1"].startswith("T1 has vanished train open; look at")
    assert reasons["T3"].startswith("T3 had unseen train; look at")
    assert reasons["T9"].startswith("T9 has section disturbed open; look at")


def test_what_is_only_near_asks_for_no_visit():
    """A train that came out of T3 unseen affects T4; a cable that is cut is about all its sections."""
    near = warned("T3", kind="unseen-train")
    cut = warned("T7", kind="common-cause")
    told = [
        replace(near, about=("section/T3", "section/T4")),
        replace(cut, about=("cable/C9", "section/T7", "section/T8")),
    ]
    found = worklist(known({}, warnings=told), THERE)

    assert {one.section for trip in found for one in trip.items} == {"T3", "T7", "T8"}


def test_what_is_not_given_back_is_on_the_list():
    """One disturbance a month ago, and not available since: that is no month without, and two days of one that was given back are nothing to go for."""
    month = NOW - 30 * DAY
    out = Watched(((NOW - 365 * DAY, month),), (month,), ((month, NOW),))
    was = Watched(
        ((NOW - 365 * DAY, month), (month + 2 * DAY, NOW)),
        (month,),
        ((month, month + 2 * DAY),),
    )
    one = known({})
    both = dict(one.watched) | {"T2": out, "T9": was}
    [trip] = worklist(replace(one, watched=both), THERE)
    [item] = trip.items

    assert (item.section, item.days, item.out) == ("T2", 60.0, 30.0)
    assert item.reason == (
        "T2 was disturbed once in 60 days watched and available and has not been given back "
        "(not available for 30 days); look at head H1 and head H2 first."
    )


def test_what_is_disturbed_before_it_is_given_back_is_no_higher_rate():
    """Thrice in a night, and available again in the morning."""
    night = (NOW - 10 * DAY, NOW - 10 * DAY + 8 * HOUR)
    spells = ((NOW - 90 * DAY, night[0]), (night[1], NOW))
    seen = Watched(
        spells, (night[0],), (night,), (night[0] + HOUR, night[0] + 2 * HOUR)
    )
    once = Watched(spells, (night[0],), (night,))
    one = known({"T9": 2})

    def of(two):
        found = worklist(replace(one, watched=dict(one.watched) | {"T2": two}), THERE)
        return [item for trip in found for item in trip.items if item.section == "T2"]

    [item] = of(seen)
    assert item.disturbed == 3
    assert "and was disturbed twice again before it was given back" in item.reason
    assert of(once) == []


def test_a_short_time_is_told_in_hours():
    """Not in 0 days."""
    short = Watched(((NOW - 5 * HOUR, NOW),), (NOW - HOUR, NOW - 2 * HOUR))
    one = known({})
    [trip] = worklist(replace(one, watched=dict(one.watched) | {"T2": short}), THERE)

    assert trip.items[0].reason.startswith("T2 was disturbed twice in 5 hours watched;")


def test_what_was_put_right_counts_no_more():
    """Since the visit nothing came, and it is off the list; where nothing was found all of it counts still."""
    counts = {"T2": 6, "T9": 6}
    visits = [visit("T2", 0.5), visit("T9", 0.5, cause="nothing")]
    [trip] = worklist(known(counts, visits=visits), THERE)
    [item] = trip.items

    assert (item.section, item.disturbed) == ("T9", 6)
    assert item.visit == visits[1]


def test_one_bad_week_does_not_lead_the_list():
    """Two in a section that was first heard 45 days ago are a higher raw rate than nine in a year, and less is to be expected of it where the others have three."""
    one = known(dict.fromkeys(LINE.sections, 3) | {"T9": 9})
    short = Watched(((NOW - 45 * DAY, NOW),), (NOW - 2 * DAY, NOW - DAY))
    found = worklist(replace(one, watched=dict(one.watched) | {"T2": short}), THERE)
    expected = {item.section: item.expected for trip in found for item in trip.items}

    assert expected["T9"] > expected["T2"] > expected["T3"]


def test_a_line_without_anything_has_no_list():
    """Nothing disturbed; nothing watched."""
    nothing = {name: Watched((), ()) for name in LINE.sections}

    assert worklist(known({}), THERE) == ()
    assert worklist(known({}, watched=nothing, held={"T2": [NOW]}), THERE) == ()


def test_without_kilometres_it_is_one_visit_to_a_room():
    """A line file need not say where heads are."""
    text = "".join(
        line for line in TEXT.splitlines(keepends=True) if not line.startswith("km")
    ) + SECTION.format(n=1, of=1, next="open").replace("km = 1\n", "")
    line = read_line(
        text.replace('[[evaluator]]\nid = "EV2"\nsite = "South room"\n', "")
    )
    one = Known(now=NOW, watched={"T1": seen(3)}, held={}, warnings=[], visits=[])
    [trip] = worklist(one, Whereabouts(line))

    assert (trip.low, trip.high, trip.site) == (None, None, "North room")


def test_a_visit_reaches_from_end_to_end_and_not_from_each_to_the_next():
    """Heads at 0, 2.9, 5.8 and so on, each a section: three km reach from the first to the second, and never along the line."""
    text = TEXT.replace("km = 0", "km = 0.0")
    for n in range(1, 7):
        of_it = SECTION.format(n=n, of=1, next=f"T{n + 1}" if n < 6 else "open")
        text += of_it.replace(f"km = {n}", f"km = {round(2.9 * n, 1)}")
    line = read_line(
        text.replace('[[evaluator]]\nid = "EV2"\nsite = "South room"\n', "")
    )
    there = Whereabouts(line)
    suspected = [warned(f"T{n}", (f"head/H{n}", 0.9)) for n in range(1, 7)]
    one = Known(
        now=NOW,
        watched={name: seen(3) for name in line.sections},
        held={},
        warnings=suspected,
        visits=[],
    )
    trips = worklist(one, there)

    assert sorted((trip.low, trip.high) for trip in trips) == [
        (2.9, 5.8),
        (8.7, 11.6),
        (14.5, 17.4),
    ]


# When.


def hours(one, weeks=4):
    """So many trains in each hour of the week, watched in so many weeks."""
    return Hours([round(4 * trains) * weeks // 4 for trains in one], [weeks] * WEEK)


def test_the_rarest_hours_are_found():
    """A train every fourth night and none from one to four; on Sunday none until six: all of that is told, and the longer time first."""
    day = [0.25, 0, 0, 0, 1, 1] + [4.0] * 18
    sunday = [0.0] * 6 + [4.0] * 18
    found = rarest({"T1": hours(day * 6 + sunday)}, ["T1"])

    assert [one.words for one in found.times] == [
        "Sunday 00:00 to 06:00, no train seen in 4 weeks",
        "Monday, Tuesday, Wednesday, Thursday, Friday, Saturday 01:00 to 04:00, no train seen in 4 weeks",
    ]
    assert found.unknown == 0


def test_the_longest_time_that_is_as_rare_is_told():
    """By night none from 22 to 5 but one in four weeks between one and two, so that the longer part is from two on; on a line that rests from Saturday night to Monday morning that is one time, told once."""
    night = [0, 0.25, 0, 0, 0, 0] + [4.0] * 16 + [0, 0]
    longer = rarest({"T1": hours(night * 7)}, ["T1"])
    rests = [4.0] * 4 + [0.0] * 3 + [4.0] * 17
    week = rests * 5 + [4.0] * 22 + [0.0] * 26
    week[:4] = [0.0] * 4
    found = rarest({"T1": hours(week)}, ["T1"])
    alike = rarest({"T1": hours([1.0] * WEEK)}, ["T1"])

    assert longer.words == "every day 02:00 to 06:00, no train seen in 4 weeks"
    assert found.words == (
        "Saturday 22:00 to Monday 07:00, no train seen in 4 weeks; "
        "Tuesday, Wednesday, Thursday, Friday 04:00 to 07:00, no train seen in 4 weeks"
    )
    assert alike.words == "at any time of the week alike, 168 trains"


def test_the_night_over_midnight_is_told_of_every_day():
    """Trains that are alike all week, none from 23 to 5: the night from Sunday to Monday, over the end of the week, is as good as any."""
    day = [0.0] * 5 + [4.0] * 18 + [0.0]
    found = rarest({"T1": hours(day * 7)}, ["T1"])

    assert found.words == "every day 23:00 to 05:00, no train seen in 4 weeks"


def test_the_trains_of_all_that_the_access_needs_are_added_up():
    """Of two tracks one has trains by day, the other by night: there is no hour without."""
    by_day = [0.0] * 12 + [1.0] * 12
    by_night = [2.0] * 12 + [0.0] * 12
    found = rarest({"T1": hours(by_day * 7), "T2": hours(by_night * 7)}, ["T1", "T2"])

    assert found.words == "every day 12:00 to 24:00, 12 passages through 2 sections"


def test_hours_that_were_watched_too_seldom_are_not_quiet():
    """Two weeks of four are not known, for all that are needed; where nothing is known the days heard are told."""
    busy = hours([1.0] * WEEK)
    seldom = hours([0.0] * WEEK, 2)

    assert rarest({"T1": busy, "T2": seldom}, ["T1", "T2"]).words == (
        "not known yet: T2 was heard and available on 14 of the last 28 days"
    )
    assert rarest({"T1": busy}, ["T1", "T9"]).words == (
        "not known yet: T9 was heard and available on 0 of the last 28 days"
    )
    assert not rarest({}, []).times
    busy.weeks[:24] = [2] * 24
    found = rarest({"T1": busy}, ["T1"])
    assert (found.unknown, "Monday" in found.words) == (24, False)
    assert found.words.endswith("24 of the week's 168 hours are not known")


@pytest.mark.parametrize(
    ("trains", "words"),
    [
        (0.0, "no train seen in 4 weeks"),
        (1.0, "1 train"),
        (0.54, "0.5 trains"),
        (12.0, "12 trains"),
    ],
)
def test_trains_are_told_with_as_many_digits_as_there_are(trains, words):
    """On every day of the week, over midnight."""
    quiet = Quiet(days=DAYS, begin=23, end=2, trains=trains)

    assert quiet.words == f"every day 23:00 to 02:00, {words}"


def passed(name, left, **more):
    """A train through a section."""
    return Fact(
        kind="occupation",
        subject=f"section/{name}",
        began=left - 5 * MINUTE,
        ended=left,
        values={"worked_through": True, "under_work": False} | more,
    )


def test_hours_are_counted_off_the_history_in_local_time():
    """Trains at 22:30 UTC on four Sundays are on Monday at half past midnight in Berlin; what is not asked for is left out."""
    trains = [
        passed(name, NOW - 7 * HOUR - 30 * MINUTE - 7 * DAY * week)
        for week in range(4)
        for name in ("T1", "T2")
    ]
    always = [(NOW - 60 * DAY, NOW)]
    with History.open(":memory:") as history:
        history.write(trains)
        zone = ZoneInfo("Europe/Berlin")
        found = by_hour_of_week(history, NOW, zone, {"T1": always, "T3": always})

    assert found.keys() == {"T1", "T3"}
    assert [at for at, one in enumerate(found["T1"].trains) if one] == [0]
    assert found["T1"].usual(0) == found["T1"].weeks[0] * 0.25 == 1.0
    assert set(found["T3"].weeks) == {4}


def test_an_hour_that_nobody_watched_is_no_hour_without_trains():
    """Trains every hour by day, and the night not known, under work, not available, or occupied with no train seen: night after night it is not told as quiet."""
    day = NOW - NOW % DAY
    nights = [day - back * DAY for back in range(1, 40)]
    facts = [Fact(kind="heard", subject="section/T1", began=nights[-1])]
    facts += [
        passed("T1", night + n * HOUR + HOUR // 2)
        for night in nights
        for n in range(4, 24)
    ]
    for number, night in enumerate(nights):
        facts.append(
            Fact(
                kind=UNSEEN[number % 4],
                subject="section/T1",
                began=night + HOUR // 2,
                ended=night + 4 * HOUR,
            )
        )
    with History.open(":memory:") as history:
        history.write(facts)
        section = seen_sections(history, LINE, day - 365 * DAY, NOW)["T1"]
        found = by_hour_of_week(
            history, NOW, ZoneInfo("UTC"), {"T1": countable(section)}
        )

    assert {found["T1"].weeks[at] for at in range(WEEK) if at % 24 < 4} == {0}
    assert {found["T1"].usual(at) for at in range(WEEK) if at % 24 >= 4} == {1.0}
    [time] = rarest(found, ["T1"]).times
    assert time.words == "every day 04:00 to 24:00, 20 trains"


def test_the_access_needs_what_lies_beyond_the_head():
    """Head H2 lies between T2 and T3; in a room no track is needed."""
    told = [warned("T2", ("head/H2", 1.0)), warned("T9", ("evaluator/EV2", 1.0))]
    found = with_hours(worklist(known({"T2": 3, "T9": 2}, warnings=told), THERE), {})

    assert [(one.access, one.quiet is None) for one in found] == [
        (("T2", "T3"), False),
        ((), True),
    ]


# Where.


@pytest.mark.parametrize(
    ("subject", "spot", "where", "register"),
    [
        ("head/H3", Spot("North room", 3, 3), "track", "R-3"),
        ("unit/TU3", Spot("North room", 3, 3), "track", ""),
        ("section/T3", Spot("North room", 2, 3), "track", ""),
        ("evaluator/EV2", Spot("South room", 6, 12), "room", ""),
        ("gateway/GW1", Spot("North room", 0, 6), "room", ""),
        ("site/South room", Spot("South room", 6, 12), "room", ""),
        ("area/a", Spot("North room", 0, 12), "", ""),
        ("head/H99", Spot("", None, None), "track", ""),
    ],
)
def test_where_things_are(subject, spot, where, register):
    """Site and kilometres of a part, whether it is on the track, and its number."""
    assert THERE.spot(subject) == spot
    assert THERE.where(subject) == where
    assert THERE.register(subject) == register


def test_what_the_line_file_lacks_is_nowhere():
    """Of no kind that there is, or of no name."""
    assert not any(
        map(THERE.has, ["section/X", "head/X", "gateway/X", "cable/X", "x", ""])
    )
    assert all(map(THERE.has, ["section/T1", "head/H1", "gateway/GW1", "unit/TU1"]))


def test_a_bad_afternoon_is_told_as_the_occasion_it_was():
    """Five within hours: on the list by their number, and expected by the one occasion."""
    seen = Watched(
        ((NOW - 365 * DAY, NOW),),
        (NOW - 20 * DAY,),
        soon=tuple(NOW - 20 * DAY + n * HOUR for n in range(1, 5)),
    )
    made = known({})
    [trip] = worklist(replace(made, watched={**made.watched, "T3": seen}), THERE)

    [item] = trip.items
    assert item.disturbed == 5
    assert "T3 was disturbed 5 times, on 1 occasion, in 90 days watched" in item.reason


def test_of_a_line_that_was_watched_for_hours_nothing_is_expected():
    """Two in five hours are no 700 in 90 days: it stands on the list by what came, and says that it is too little."""
    hours = ((NOW - 5 * HOUR, NOW),)
    one = known({})
    short = dict.fromkeys(LINE.sections, Watched(hours, ()))
    short |= {
        "T2": Watched(hours, (NOW - HOUR, NOW - 2 * HOUR)),
        "T9": Watched(hours, (NOW - HOUR, NOW - 2 * HOUR, NOW - 3 * HOUR)),
    }
    made = worklist(replace(one, watched=short), THERE)

    assert sections(made) == [["T9"], ["T2"]]
    assert made[0].words == (
        "0 trains held; watched too little for anything to be expected yet"
    )
    assert made[0].items[0].outlook == "too few"
    [row] = json.loads(as_json(Worklist(made[:1], Heard({}), NOW)))["visits"]
    assert row["expected_90_d"] is None
    assert row["sections"][0]["expected_from_to"] is None
    assert as_csv(made).splitlines()[1].count(",,,") >= 1


def test_what_a_visit_took_off_the_list_is_said():
    """T2 was disturbed four times before its visit and T9 twice; what is off is no quiet section. A visit that found nothing takes off nothing, nor does one from before all of it."""
    made = known(
        {"T2": 4, "T9": 2, "T12": 4, "T5": 3},
        visits=[
            visit("T2", 1),
            visit("T9", 1),
            visit("T12", 1, cause="nothing"),
            visit("T5", 89),
        ],
    )
    off = taken_off(made, THERE)

    assert sections(worklist(made, THERE)) == [["T5"], ["T12"]]
    assert [one.section for one in off] == ["T2", "T9"]
    told = Worklist((), Heard({"T2": 90.0}), NOW, off).off_words
    assert "T2 (visited 2026-05-03) was disturbed 4 times in 90 days watched" in told
    assert taken_off(known({"T2": 4}), THERE) == ()
