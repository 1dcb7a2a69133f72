"""The period report as CSV and JSON."""

from __future__ import annotations

import csv
import json
from io import StringIO

import pytest
from hypothesis import given, strategies as st

from monitor.core.words import CAUTION
from monitor.planner.as_csv import as_csv
from monitor.planner.as_json import as_json
from monitor.planner.columns import COLUMNS
from monitor.tables import guarded
from tests.planner.facts import at as on, disturbed, heard, line, of, trains


@pytest.fixture(name="may", scope="module")
def _may():
    return of(
        [
            *heard(1, 2, 3),
            *trains(1),
            *trains(2, axles=40),
            *(disturbed(2, on(n, 7)) for n in (3, 9, 20)),
        ]
    )


def table(text):
    """Rows of a CSV, by id."""
    return {(one["kind"], one["id"]): one for one in csv.DictReader(StringIO(text))}


def test_csv_has_a_row_for_everything(may):
    """Four sections, five heads, two units, a cable, two evaluators, two sites."""
    rows = table(as_csv(may))

    assert len(rows) == 4 + 5 + 2 + 1 + 2 + 2
    one = rows["section", "T2"]
    assert (one["disturbances"], one["trains"], one["axles"]) == ("3", "93", "3720")
    assert one["per_1000_trains"] == "32.2581"
    assert one["occasions_high"] == "8.76727"  # Garwood, 3 at 95 %: references


def test_a_cell_of_what_was_not_heard_is_nothing_and_not_nought(may):
    """Only what it is, and that it was not heard."""
    one = table(as_csv(may))["section", "T4"]

    assert one["heard"] == "no"
    assert one["observed"] == "0"
    assert {
        one[key] for key in ("disturbances", "trains", "held", "per_1000_trains")
    } == {""}


def test_csv_lines_end_as_the_standard_says(may):
    """RFC 4180: carriage return and line feed, and as many cells in every row."""
    text = as_csv(may)

    assert text.count("\r\n") == text.count("\n")
    assert {len(row) for row in csv.reader(StringIO(text))} == {len(COLUMNS)}


@pytest.mark.parametrize(
    "name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "\r=1"]
)
def test_nothing_in_a_table_is_a_formula(name):
    """What a spreadsheet would take for one is told as text (OWASP, "CSV Injection")."""
    assert guarded(name) == f"'{name}"


@given(st.text())
def test_other_text_stays_as_it_is(name):
    """Nothing else is touched."""
    found = guarded(name)

    assert found in (name, f"'{name}")
    assert not found.lstrip().startswith(("=", "+", "-", "@"))


def test_a_hostile_site_is_told_as_text():
    """The name of a site comes from the line file, and goes into a spreadsheet."""
    rows = table(as_csv(of(heard(), graph=line(site="=HYPERLINK(A1)"))))

    assert ("site", "'=HYPERLINK(A1)") in rows


def test_json_says_the_same_with_real_types(may):
    """Numbers are numbers, yes is true, nothing is null; and the caution stands in it."""
    found = json.loads(as_json(may))
    sections = {one["id"]: one for one in found["sections"]}

    assert found["caution"] == CAUTION
    assert sections["T2"]["disturbances"] == 3
    assert sections["T2"]["heard"] is True
    assert sections["T4"]["disturbances"] is None
    assert found["whole"]["disturbances"] == 3
    assert (found["from"], found["to"]) == (
        "2026-05-01T00:00:00.000Z",
        "2026-06-01T00:00:00.000Z",
    )
    assert [one["name"] for one in found["months"]] == ["2026-05"]
    assert len(found["hours"]) == 24


def test_json_has_no_number_that_json_lacks():
    """A ratio without limit is null: `Infinity` is no JSON (RFC 8259)."""
    found = of([*heard(), *trains(2), disturbed(2, on(3))])

    def refuse(name):
        raise AssertionError(name)

    json.loads(as_json(found), parse_constant=refuse)


def test_no_two_columns_are_called_the_same():
    """In a spreadsheet a title is all that says what a column holds."""
    titles = [one.title for one in COLUMNS]
    keys = [one.key for one in COLUMNS]

    assert len(set(titles)) == len(titles)
    assert len(set(keys)) == len(keys)
