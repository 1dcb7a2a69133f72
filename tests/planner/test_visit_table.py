from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, strategies as st

from monitor.core.detector import Place
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, exact, parse
from monitor.findings import FINDINGS
from monitor.planner.visit_table import (
    COLUMNS,
    Importing,
    read,
    read_raw,
    write,
)
from monitor.planner.whereabouts import Whereabouts
from monitor.tables import TableFault, bare, guarded
from monitor.visits import Visit

NOON = parse("2026-05-04T12:00:00Z")
THERE = Whereabouts(Place.example().line)
BY = Importing("Ada", "plans", NOON)

PRINTED = st.characters(codec="utf-8", exclude_categories=("C", "Z"))
CELL = st.text(st.sampled_from("='+-@;,\" ") | PRINTED, max_size=20).filter(
    str.isprintable
)
NOTE = st.lists(CELL, max_size=3).map("\n".join)
SUBJECTS = ["section/T107", "head/H107", "supply/PS1", "site/Thornmere room"]


@st.composite
def visits(draw):
    """A visit as it may be entered."""
    begin = draw(st.integers(NOON - 100 * HOUR, NOON))
    return Visit(
        id=draw(st.text("0123456789abcdef", min_size=16, max_size=16)),
        begin=begin,
        end=draw(st.just(begin) | st.integers(begin, NOON)),
        subjects=tuple(
            draw(st.lists(st.sampled_from(SUBJECTS), min_size=1, unique=True))
        ),
        cause=draw(st.sampled_from(list(FINDINGS))),
        part=draw(st.sampled_from(["", *SUBJECTS])),
        reference=draw(CELL),
        text=draw(NOTE),
        who=draw(CELL),
        fault=draw(st.sampled_from(["", "7b9effd83caf5b4f"])),
        by="Ada",
        position="plans",
        entered=NOON,
    )


@given(st.lists(visits(), max_size=4, unique_by=lambda one: one.id))
def test_a_table_comes_back_as_it_was_written(given_visits):
    """Whatever people typed: formulas, quotes, lines, what divides subjects."""
    assert read(write(given_visits), THERE, BY) == tuple(given_visits)


@given(st.text(st.sampled_from("='+-@ a\t\r"), max_size=6))
def test_no_cell_is_a_formula(text):
    """What a spreadsheet would reckon with (=, +, -, @, tab, return: the list of OWASP's page on CSV injection, from memory) never stands first, and nothing is lost."""
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r"))
    assert bare(guarded(text)) == text


def test_the_guard_is_in_what_is_written():
    """A note that would start a program is text."""
    visit = Visit(
        id="0" * 16,
        begin=NOON,
        end=NOON,
        subjects=("section/T107",),
        cause="head",
        text="=cmd|' /C calc'!A0",
        by="",
        entered=NOON,
    )
    header, row = csv.reader(io.StringIO(write([visit])))

    assert tuple(header) == COLUMNS
    assert dict(zip(header, row, strict=True))["text"] == "'=cmd|' /C calc'!A0"


def table(*rows, columns="from,to,subject,cause"):
    """A table of these rows."""
    return "\n".join([columns, *rows])


def faults(text, there=THERE):
    """What is wrong with a table."""
    with pytest.raises(TableFault) as caught:
        read(text, there, BY, "v.csv")
    return list(caught.value.faults)


def test_every_fault_is_told_with_its_line():
    """All of them at once, by the line of the file on which the row ends."""
    found = faults(
        table(
            "2026-05-04T09:00,2026-05-04T08:00,T107,cable",
            "soon,,T107,cable",
            "",
            "2026-05-04T09:00,,T999,cable",
            "2026-05-04T09:00,,,gremlins",
            "2026-05-05T09:00,,T107,head",
            "2026-05-04,,T107,head",
            "2026-05-04T09:00,,T107,head,,,",
            "2026-05-04T09:00,,T107,head,more",
        )
    )

    causes = ", ".join(FINDINGS)
    assert found == [
        "v.csv: line 2: ends before it begins",
        "v.csv: line 3: 'soon' is no time",
        "v.csv: line 5: the line file has nothing that is 'section/T999'",
        "v.csv: line 6: names nothing that was visited",
        f"v.csv: line 6: what was found, 'gremlins', is not on the list, which is: {causes}",
        "v.csv: line 7: '2026-05-05T09:00' has not come yet",
        "v.csv: line 8: '2026-05-04' has no time of day",
        "v.csv: line 10: has more cells than there are columns",
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "v.csv: there is nothing in it"),
        (
            "subject,cause",
            "v.csv: line 1: the column from is missing; needed are from, subject and cause",
        ),
        ("from,from,subject,cause", "v.csv: line 1: the column from comes twice"),
        (
            table("2026-05-04T09:00,,T107,head,zz", columns="from,to,subject,cause,id"),
            "v.csv: line 2: 'zz' is no id: one has 16 hexadecimal digits",
        ),
        (
            table(
                "2026-05-04T09:00,,T107,head,zz", columns="from,to,subject,cause,fault"
            ),
            "v.csv: line 2: 'zz' is no id of a fault: one has 16 hexadecimal digits",
        ),
        (
            table(
                "2026-05-04T09:00,,T107,head,X9", columns="from,to,subject,cause,part"
            ),
            "v.csv: line 2: the line file has nothing that is 'section/X9'",
        ),
        (
            table(
                f"2026-05-04T09:00,,T107,head,{'x' * 501}",
                columns="from,to,subject,cause,text",
            ),
            "v.csv: line 2: text is longer than 500 characters",
        ),
        (
            table(
                "2026-05-04T09:00,,T107,head,\u202eevil",
                columns="from,to,subject,cause,who",
            ),
            "v.csv: line 2: who holds what cannot be printed",
        ),
        (
            table("2026-05-04T09:00,,T107,head", "2026-05-04T09:00,,T107,cable"),
            "v.csv: line 3: is the same visit as one before it",
        ),
    ],
    ids=[
        "nothing",
        "column",
        "twice",
        "id",
        "fault",
        "part",
        "long",
        "turned",
        "again",
    ],
)
def test_what_is_wrong_is_said(text, told):
    """In one line, with its number."""
    assert told in faults(text)


@pytest.mark.parametrize("divider", [";", "\t"])
def test_a_table_of_a_spreadsheet_that_divides_otherwise_is_read(divider):
    """What was found in the words in which it is offered; several subjects in quotes."""
    cells = ("2026-05-04T09:00", '"T107;H107"', "Cable or joint")
    text = f"{divider.join(('from', 'subject', 'cause'))}\n{divider.join(cells)}\n"
    [visit] = read(text, THERE, BY)

    assert visit.subjects == ("section/T107", "head/H107")
    assert visit.cause == "cable"


def test_what_is_no_text_is_refused():
    """A file in another encoding, or none at all."""
    with pytest.raises(
        TableFault, match="byte 0 is no UTF-8: save the table as CSV in UTF-8"
    ):
        read_raw(b"\xff\xfe", THERE, BY)
    with pytest.raises(TableFault, match="is no table"):
        read("from,subject,cause\n" + "x" * 200_000, THERE, BY)


def test_a_visit_without_an_id_is_named_by_when_where_and_who():
    """So that the same table with more found in it is about the same visit."""
    columns = "from,subject,cause,who"
    [first] = read(
        table("2026-05-04T09:00,T107,not-said,Ines", columns=columns), THERE, BY
    )
    [later] = read(
        table("2026-05-04T09:00,T107,cable,Ines", columns=columns), THERE, BY
    )
    [other] = read(table("2026-05-04T09:00,T107,cable,Bo", columns=columns), THERE, BY)

    assert first.id == later.id != other.id
    assert later.end == later.begin


BERLIN = """
[line]
name = "odd names"
timezone = "Europe/Berlin"
[[evaluator]]
id = "EV1"
site = "Room; north"
[[section]]
id = "A;B"
area = "a"
evaluator = "EV1"
length_m = 800
speed_km_h = 100
[[head]]
id = "H1"
between = ["open", "A;B"]
"""


def test_a_name_may_hold_what_divides_names():
    """A semicolon in an id is no end of it."""
    there = Whereabouts(read_line(BERLIN))
    text = table('2026-05-04T09:00,,"section/A;B; site/Room; north;head/H1",head')
    [visit] = read(text, there, BY)

    assert visit.subjects == ("section/A;B", "site/Room; north", "head/H1")
    assert read(write([visit]), there, BY) == (visit,)


def test_a_part_may_be_given_by_its_name_alone():
    """Where only one thing has it; a section goes before."""
    text = table(
        "2026-05-04T09:00,,T107; H107 ;PS1,head,H107",
        columns="from,to,subject,cause,part",
    )
    [visit] = read(text, THERE, BY, "v.csv")

    assert visit.subjects == ("section/T107", "head/H107", "supply/PS1")
    assert visit.part == "head/H107"


@pytest.mark.parametrize(
    ("given_time", "told"),
    [
        ("2026-03-29T02:30", "does not come that night"),
        ("2025-10-26T02:30", "comes twice that night"),
        ("1969-01-01T00:00:00Z", "line 2"),
    ],
)
def test_a_time_that_is_none_or_two_is_refused(given_time, told):
    """Local times on the nights when clocks change, and times before there were any."""
    [found] = faults(
        table(f"{given_time},,H1,head".replace("H1", "head/H1")),
        Whereabouts(read_line(BERLIN)),
    )

    assert told in found


def test_times_are_local_unless_they_say_otherwise():
    """Nine in Berlin in May is seven in UTC."""
    there = Whereabouts(read_line(BERLIN))
    [visit] = read(
        table("2026-05-04T09:00,2026-05-04T09:10+02:00,head/H1,head"), there, BY
    )

    assert exact(visit.begin) == "2026-05-04T07:00:00.000Z"
    assert visit.end - visit.begin == 10 * MINUTE


CELLS = (
    st.text(max_size=12)
    | st.datetimes().map(lambda one: one.isoformat())
    | st.datetimes(timezones=st.timezones()).map(lambda one: one.isoformat())
    | st.sampled_from(
        ["T107", "head/H107", "cable", '"', '""', "\x00", "'=", ";;", "\r"]
    )
)


@given(
    st.lists(st.lists(CELLS, max_size=11).map(",".join), max_size=4).map("\n".join),
    st.sampled_from([THERE, Whereabouts(read_line(BERLIN))]),
)
def test_whatever_is_in_a_table_it_is_read_or_refused(rows, there):
    """Never anything but visits, or faults of one line that can be printed, each with where."""
    found, faults = taken(f"{','.join(COLUMNS)}\n{rows}", there)

    assert all(there.has(subject) for one in found for subject in one.subjects)
    for one in faults:
        assert one.startswith("v.csv: ")
        assert one.isprintable()


def taken(text, there):
    """What is read of a table, and what is wrong with it."""
    try:
        return read(text, there, BY, "v.csv"), ()
    except TableFault as fault:
        return (), fault.faults
