from __future__ import annotations

from itertools import pairwise

import pytest

from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, MINUTE, parse, stamp
from monitor.plans import (
    MOST,
    Work,
    as_done,
    read_calendar,
    read_plan,
    read_table,
)
from monitor.tables import TableFault

LINE = read_line(
    """
[line]
name = "Planned"
timezone = "Europe/Berlin"
[[evaluator]]
id = "EV1"
site = "Room 1"
supply = "PS1"
"""
    + "".join(
        f'[[section]]\nid = "{name}"\narea = "{area}"\nevaluator = "EV1"\n'
        "length_m = 800\nspeed_km_h = 100\n"
        for name, area in (("T1", "north"), ("T2", "north"), ("T3", "south"))
    )
    + "".join(
        f'[[head]]\nid = "{head}"\nbetween = {between}\n{more}\n'
        for head, between, more in (
            ("H1", '["open", "T1"]', ""),
            ("H2", '["T1", "T2"]', 'cable = "C1"\nunit = "TU1"'),
            ("H3", '["T2", "T3"]', 'cable = "C1"'),
        )
    ),
    "planned.toml",
)

HEADER = "subject,from,to,reference\n"
NIGHT = parse("2026-05-04T23:00:00Z")  # one o'clock in Berlin, which is two ahead


def one(row):
    """The only work of a table with that row."""
    [work] = read_table(HEADER + row, LINE)
    return work


@pytest.mark.parametrize(
    ("subject", "sections"),
    [
        ("T2", ("T2",)),
        ("section/T2", ("T2",)),
        ("T3; T1", ("T3", "T1")),
        ("area/north", ("T1", "T2")),
        ("head/H3", ("T2", "T3")),
        ("head/H1", ("T1",)),
        ("unit/TU1", ("T1", "T2")),
        ("cable/C1", ("T1", "T2", "T3")),
        ("supply/PS1", ("T1", "T2", "T3")),
        ("head/H2;T1", ("T1", "T2")),
    ],
)
def test_what_is_worked_on_takes_out_the_sections_that_need_it(subject, sections):
    """A section by its name; of anything else, those whose detection needs it, each once."""
    row = f"{subject},2026-05-05T01:00,2026-05-05T03:30,W7"

    assert one(row) == Work(
        sections=sections,
        begin=NIGHT,
        end=NIGHT + 150 * MINUTE,
        reference="W7",
        row="row 2",
    )


def test_a_time_without_an_offset_is_the_lines():
    """On the night of 25 October 2026 clocks go back in Berlin at 03:00 to 02:00: from one to five are five hours."""
    work = one("T1,2026-10-25T01:00,2026-10-25T05:00,")
    offset = one("T1,2026-10-25T01:00:00Z,2026-10-25T05:00:00+00:00,")

    assert work.end - work.begin == 5 * HOUR
    assert offset.end - offset.begin == 4 * HOUR
    assert work.reference == ""


def test_everything_that_is_wrong_is_told_at_once():
    """Each row with its number; nothing of such a plan is taken."""
    rows = [
        "T9,2026-05-05T01:00,2026-05-05T03:30,",
        ",2026-05-05T01:00,2026-05-05T03:30,",
        "T1,tonight,2026-05-05T03:30,",
        "T1,2026-05-05T03:30,2026-05-05T03:30,",
        "T1,2026-05-05T03:30,2026-05-05T04:30,right",
        "cable/C9;T1,1980-05-05T03:30Z,2026-05-05T04:30,",
    ]
    with pytest.raises(TableFault) as fault:
        read_table(HEADER + "\n".join(rows), LINE, "week.csv")

    assert fault.value.faults == (
        "week.csv: row 2: the line file has nothing that is T9",
        "week.csv: row 3: names no section",
        "week.csv: row 4: 'tonight' is no time",
        "week.csv: row 5: ends before it begins",
        "week.csv: row 7: the line file has nothing that is cable/C9",
        "week.csv: row 7: time 1980-05-05T03:30:00+00:00 is before 1990",
    )


def test_a_time_that_comes_twice_or_never_is_refused():
    """In Berlin 02:30 comes twice on 25 October 2026 and never on 29 March; a day is no time."""
    rows = [
        "T1,2026-10-25T02:30,2026-10-25T05:00,",
        "T1,2026-03-29T02:30,2026-03-29T05:00,",
        "T1,2026-03-28,,",
    ]
    with pytest.raises(TableFault) as fault:
        read_table(HEADER + "\n".join(rows), LINE, "week.csv")

    assert fault.value.faults == (
        "week.csv: row 2: 2026-10-25T02:30 comes twice that night: give its offset",
        "week.csv: row 3: 2026-03-29T02:30 does not come that night: clocks go forward",
        "week.csv: row 4: '2026-03-28' has no time of day",
        "week.csv: row 4: a time is missing",
    )
    given = one("T1,2026-10-25T02:30+01:00,2026-10-25T05:00,")
    assert given.begin == parse("2026-10-25T01:30:00Z")


def test_a_table_as_programs_write_it():
    """Names of columns in any case and order, cells with line ends in quotes, rows with nothing in them; what cannot be seen is left out of texts."""
    table = (
        "Text,FROM,To, Subject ,reference\r\n"
        ",,,,\r\n"
        '"two\r\nlines\u202e",2026-05-05T01:00,2026-05-05T03:30,T2,W7\x07\r\n'
        "\r\n"
        ",2026-05-05T01:00,2026-05-05T03:30,T3,\r\n"
    )
    first, second = read_table(table, LINE)

    assert (first.text, first.reference, first.row) == ("two lines", "W7", "row 4")
    assert (second.sections, second.row) == (("T3",), "row 6")


def test_rows_that_do_not_fit_are_told():
    """More cells than columns are a comma too many; the same work twice is a mistake, whatever its end."""
    same = "T1,2026-05-05T01:00,2026-05-05T03:30,W7"
    rows = [same, same.replace("03:30", "04:30"), same.replace("W7", "W8,9")]
    with pytest.raises(TableFault) as fault:
        read_table(HEADER + "\n".join(rows), LINE, "week.csv")

    assert fault.value.faults == (
        "week.csv: row 3: says the same as row 2",
        "week.csv: row 4: has more cells than there are columns",
    )


def test_a_table_without_its_columns_is_refused():
    """What they are called is said."""
    with pytest.raises(TableFault) as fault:
        read_table("section,begin,end\nT1,a,b\n", LINE, "week.csv")

    assert fault.value.faults == (
        "week.csv: there is no column subject",
        "week.csv: there is no column from",
        "week.csv: there is no column to",
    )


def calendar(*events):
    """A calendar with *events*, each its lines."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//example//plan//EN"]
    for number, event in enumerate(events):
        lines += ["BEGIN:VEVENT", f"UID:{number}@example", *event, "END:VEVENT"]
    return "\r\n".join([*lines, "END:VCALENDAR", ""])


def test_a_calendar():
    """RFC 5545: LOCATION holds what is worked on, SUMMARY what the work is called, a time without a zone is the line's."""
    text = calendar(
        (
            "DTSTART:20260505T010000",
            "DTEND;TZID=Europe/London:20260505T023000",  # half past three in Berlin
            "SUMMARY:Tamping",
            "LOCATION:T1\\, head/H3",
        ),
        ("DTSTART:20260503T230000Z", "DTEND:20260504T010000Z", "LOCATION:T2"),
    )

    assert read_calendar(text, LINE) == (
        Work(
            sections=("T2",),
            begin=parse("2026-05-03T23:00:00Z"),
            end=parse("2026-05-04T01:00:00Z"),
            row="event 2",
        ),
        Work(
            sections=("T1", "T2", "T3"),
            begin=NIGHT,
            end=NIGHT + 150 * MINUTE,
            reference="Tamping",
            row="event 1 (Tamping)",
        ),
    )


def test_what_recurs_keeps_its_hour_when_clocks_change():
    """RFC 5545: every Sunday at one, but for the one that is left out; clocks go forward on 29 March 2026, and each lasts two hours."""
    text = calendar(
        (
            "DTSTART;TZID=Europe/Berlin:20260322T010000",
            "DTEND;TZID=Europe/Berlin:20260322T030000",
            "RRULE:FREQ=WEEKLY;COUNT=4",
            "EXDATE;TZID=Europe/Berlin:20260405T010000",
            "LOCATION:T1",
        )
    )
    works = read_calendar(text, LINE)

    assert [work.begin for work in works] == [
        parse("2026-03-22T00:00:00Z"),
        parse("2026-03-29T00:00:00Z"),
        parse("2026-04-11T23:00:00Z"),
    ]
    assert {work.end - work.begin for work in works} == {2 * HOUR}


DAILY = (
    "DTSTART:20260101T010000Z",
    "DURATION:PT1H",
    "RRULE:FREQ=DAILY",
    "LOCATION:T1",
)


def test_what_recurs_for_ever_is_followed_for_a_year():
    """Or over the window that is asked for, however long ago it began: three days' nights, and the one that lasts into them."""
    begin = parse("2031-07-01T01:30:00Z")
    works = read_calendar(calendar(DAILY), LINE, window=(begin, begin + 3 * DAY - HOUR))

    assert len(read_calendar(calendar(DAILY), LINE)) == 367
    assert [stamp(work.begin)[:16] for work in works] == [
        "2031-07-01T01:00",
        "2031-07-02T01:00",
        "2031-07-03T01:00",
    ]


@pytest.mark.parametrize(
    ("rule", "told"),
    [
        ("FREQ=HOURLY", "recurs HOURLY, not by days"),
        ("FREQ=DAILY;INTERVAL=0", "recurs at no interval"),
        (
            "FREQ=DAILY;BYHOUR=1,2,3,4,5,6,7,8,9,10,11,12,13,14,15",
            f"recurs more than {MOST} times",
        ),
    ],
)
def test_what_would_recur_without_end_is_refused(rule, told):
    """Nothing is worked on by the hour, and nothing so often that a plan cannot be read."""
    text = calendar(DAILY).replace("FREQ=DAILY", rule)

    with pytest.raises(TableFault) as fault:
        read_calendar(text, LINE, "week.ics")
    assert fault.value.faults == (f"week.ics: event 1: {told}",)


def test_the_last_time_is_the_one_that_was_said():
    """RFC 5545: UNTIL is in UTC where the beginning has a zone: 23:00 UTC is one o'clock in Berlin in May, and takes part; a day as UNTIL takes part whole."""
    nightly = calendar(
        (
            "DTSTART;TZID=Europe/Berlin:20260504T010000",
            "DTEND;TZID=Europe/Berlin:20260504T030000",
            "RRULE:FREQ=DAILY;UNTIL=20260505T230000Z",
            "LOCATION:T1",
        )
    )
    earlier = nightly.replace("T230000Z", "T225959Z")
    whole = nightly.replace("20260505T230000Z", "20260506")

    assert [len(read_calendar(text, LINE)) for text in (nightly, earlier, whole)] == [
        3,
        2,
        3,
    ]


def test_single_times_of_what_recurs_may_differ():
    """RFC 5545: of four nights the second is moved by another event of the same UID, the third is cancelled, and a fifth comes as a date of its own."""
    series = (
        "DTSTART:20260504T010000Z",
        "DURATION:PT1H",
        "RRULE:FREQ=DAILY;COUNT=4",
        "RDATE:20260520T010000Z",
        "LOCATION:T1",
    )
    moved = (
        "RECURRENCE-ID:20260505T010000Z",
        "DTSTART:20260505T020000Z",
        "DURATION:PT2H",
        "LOCATION:T2",
    )
    cancelled = (
        "RECURRENCE-ID:20260506T010000Z",
        "DTSTART:20260506T010000Z",
        "DURATION:PT1H",
        "STATUS:CANCELLED",
        "LOCATION:T1",
    )
    text = calendar(series, moved, cancelled)
    works = read_calendar(
        text.replace("UID:1@", "UID:0@").replace("UID:2@", "UID:0@"), LINE
    )

    assert [(stamp(work.begin)[8:13], *work.sections) for work in works] == [
        ("04T01", "T1"),
        ("05T02", "T2"),
        ("07T01", "T1"),
        ("20T01", "T1"),
    ]


def test_what_is_wrong_with_a_calendar():
    """Each event by its number and name; a text that is no calendar in one line."""
    text = calendar(
        (
            "DTSTART:20260505T010000Z",
            "DTEND:20260505T020000Z",
            "SUMMARY:Grinding",
            "LOCATION:T7",
        ),
        ("SUMMARY:When?", "LOCATION:T1"),
        ("DTSTART:20260505T010000Z", "DTEND:20260505T020000Z"),
    )
    with pytest.raises(TableFault) as fault:
        read_calendar(text, LINE, "week.ics")
    told = fault.value.faults

    assert told[0] == (
        "week.ics: event 1 (Grinding): the line file has nothing that is T7"
    )
    assert told[1].startswith("week.ics: event 2 (When?): ")
    assert told[2] == "week.ics: event 3: names no section"
    with pytest.raises(TableFault, match=r"week.ics: is no calendar"):
        read_calendar("subject,from,to\n", LINE, "week.ics")


def test_a_file_is_read_by_its_name(tmp_path):
    """`.ics` is a calendar, in either case; a byte that is no UTF-8 is told."""
    table = tmp_path / "week.csv"
    table.write_text(
        "\ufeff" + HEADER + "T1,2026-05-05T01:00,2026-05-05T03:30,W7\n",
        encoding="utf-8",
    )
    other = tmp_path / "WEEK.ICS"
    other.write_text(
        calendar(("DTSTART:20260504T230000Z", "DURATION:PT150M", "LOCATION:T1")),
        encoding="utf-8",
    )
    broken = tmp_path / "broken.csv"
    broken.write_bytes(b"subject\xff")

    [work], [same] = read_plan(table, LINE), read_plan(other, LINE)
    assert (work.begin, work.end) == (same.begin, same.end)
    with pytest.raises(TableFault, match=r"broken.csv: byte 7 is no UTF-8"):
        read_plan(broken, LINE)


def test_what_was_done_as_planned():
    """Each section is taken out and given back once where works on it overlap, by a source that is named after the file."""
    works = (
        Work(sections=("T1", "T2"), begin=NIGHT, end=NIGHT + 2 * HOUR, reference="W7"),
        Work(
            sections=("T2",),
            begin=NIGHT + HOUR,
            end=NIGHT + 3 * HOUR,
            reference="W8",
        ),
        Work(sections=("T2",), begin=NIGHT + 4 * HOUR, end=NIGHT + 5 * HOUR),
    )
    events = as_done(works, "week 19")

    assert [
        ((x.time - NIGHT) // HOUR, x.subject, x.begun, x.reference) for x in events
    ] == [
        (0, "T1", True, "W7"),
        (0, "T2", True, "W7, W8"),
        (2, "T1", False, "W7"),
        (3, "T2", False, "W7, W8"),
        (4, "T2", True, None),
        (5, "T2", False, None),
    ]
    assert {event.source for event in events} == {"plan/week-19"}
    assert all(event.arrival == event.time for event in events)
    assert all(a.time <= b.time for a, b in pairwise(events))
    assert len({event.id for event in events}) == len(events)
