"""The period report for people, as a file, and as a workbook."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from io import BytesIO

import openpyxl
import pytest

from monitor.core.moments import DAY, HOUR, MINUTE
from monitor.core.words import CAUTION
from monitor.planner import as_html as as_html_
from monitor.planner.as_html import as_html, body
from monitor.planner.as_json import plain
from monitor.planner.as_xlsx import as_xlsx
from monitor.planner.columns import COLUMNS
from tests.planner.facts import (
    JUNE,
    MAY,
    at,
    disturbed,
    fact,
    heard,
    line,
    of,
    trains,
)


@pytest.fixture(name="told", scope="module")
def _told():
    return of(
        [
            *heard(1, 2, 3),
            *trains(1),
            *trains(2, axles=40),
            *trains(3, last=15),
            *(disturbed(2, at(n, 7)) for n in (3, 9, 20)),
            disturbed(3, at(3, 7)),
            fact("failed", 2, at(3, 7), at(3, 8)),
            fact("not-known", 3, at(16), at(31, 24), why="silent"),
        ],
        graph=line(site="Thornmere <room> & hut"),
    )


class Reading(HTMLParser):
    """What a page holds: its tags, whether they close, what they ask for, and its text."""

    def __init__(self):
        super().__init__()
        self.open, self.asks, self.text, self.ids = [], [], [], []

    def handle_starttag(self, tag, attrs):
        """A tag opens."""
        found = dict(attrs)
        self.asks += [found[k] for k in ("src", "href", "action") if k in found]
        self.ids += [found["id"]] if "id" in found else []
        assert "style" not in found
        assert not any(k.startswith("on") for k in found)
        if tag not in {"meta", "br", "link", "rect", "line", "circle", "polyline"}:
            self.open.append(tag)

    def handle_endtag(self, tag):
        """A tag closes."""
        if tag not in {"meta", "br", "link", "rect", "line", "circle", "polyline"}:
            assert self.open.pop() == tag

    def handle_data(self, data):
        """Text between."""
        self.text.append(data)


def read(page):
    """A page, read."""
    found = Reading()
    found.feed(page)
    assert found.open == []
    return found


def test_the_file_asks_for_nothing(told):
    """No address in it leads out of it, and its policy forbids to load or run anything."""
    page = as_html(told)
    found = read(page)

    assert all(one.startswith("#") for one in found.asks)
    assert "default-src &#x27;none&#x27;" in page
    assert "<script" not in page
    assert "@import" not in page


def test_every_id_is_there_once(told):
    """Else a drawing would be named by another."""
    ids = read(as_html(told)).ids

    assert len(ids) == len(set(ids))


def test_it_says_what_there_is_to_say(told):
    """By hand: 3 occasions in 93 + 93 + 45 trains are 13 per 1,000, exact limits 0.62 and 8.77 (Garwood)."""
    text = " ".join(" ".join(read(body(told)).text).split())

    assert "4 disturbances on 3 occasions (0.62 to 8.8)" in text
    assert "at least 231 times: 13 (2.7 to 38) occasions per 1,000" in text
    assert "Not heard in this period: T4." in text
    assert CAUTION in text


def test_what_comes_from_files_is_escaped(told):
    """A site may be called anything."""
    page = as_html(told)

    assert "Thornmere &lt;room&gt; &amp; hut" in page
    assert "<room>" not in page


def test_a_long_table_is_cut_on_a_page_and_says_so(told):
    """The two where most is to come, and where the others are."""
    whole, cut = body(told), body(told, 2)

    assert whole.count("<tr ") > cut.count("<tr ")
    assert "The 2 of 4 where most is to come" in cut


def test_on_paper_stand_the_worst_and_the_sum(told, monkeypatch):
    """Of four sections two: T2, disturbed three times, and T3; the sum of all; and where the others are."""
    whole = body(told)
    monkeypatch.setattr(as_html_, "ON_PAPER", 2)
    table = body(told).partition('id="sections"')[2].partition("</table>")[0]
    rest = re.findall(r'class="rest"><th scope="row">(T\d)</th>', table)

    assert rest == ["T1", "T4"]
    assert "On paper: the 2 of 4 where most is to come, and the sum of all" in table
    assert "4 on 3 occasions" in table.partition('class="sum"')[2]
    assert "On paper" not in whole
    assert 'class="rest"' not in whole
    assert ".report tr.rest { display: none; }" in as_html(told)


def test_drawings_have_their_numbers_beside_them(told):
    """Each figure has a drawing and a table."""
    page = body(told)

    figures = re.findall(r"<figure>.*?</figure>", page, flags=re.DOTALL)
    assert len(figures) == 3  # one month alone is not drawn
    assert all("<svg" in one and "<table>" in one for one in figures)


def test_what_stands_still_is_told_of_first():
    """T3 failed since April and no train passed; T1 was not available for a tenth of May; T2 was disturbed four times; T4 once, and was hardly watched: in this order, also where the table is cut."""
    found = of(
        [
            *heard(1, 2, 3),
            *heard(4, since=at(31)),
            *(x for n in (1, 2) for x in trains(n)),
            *trains(4, first=31),
            fact("failed", 3, MAY - DAY, None),
            fact("failed", 1, at(4), at(7, 3)),
            *(disturbed(2, at(n, 7)) for n in (3, 9, 15, 20)),
            disturbed(4, at(31, 7)),
        ]
    )
    page = body(found, 1)
    worst, _, rest = page.partition("Drawn")
    table = rest.partition('id="sections"')[2].partition("</table>")[0]

    assert re.findall(r'<th scope="row"><a href="#[^"]+">(T\d)</a>', worst) == [
        "T3",
        "T1",
        "T2",
        "T4",
    ]
    assert re.findall(r'<th scope="row">(T\d)</th>', table) == ["T3"]


def test_one_event_where_no_train_ran_does_not_lead_the_list():
    """T3 has no trains and was disturbed once, for five minutes: it stands behind T2, disturbed on four days, and its place is by days, of which it had 31 without harm."""
    facts = [
        *heard(),
        *(x for n in (1, 2, 4) for x in trains(n)),
        disturbed(3, at(9, 7)),
        fact("failed", 3, at(9, 7), at(9, 7) + 5 * MINUTE),
        *(disturbed(2, at(n, 7)) for n in (3, 9, 15, 20)),
    ]
    worst = body(of(facts)).partition("Drawn")[0]
    rows = re.findall(r"<tr><th scope=\"row\"><a[^>]*>(T\d)</a>.*?</tr>", worst)
    third = worst.partition(">T3</a>")[2].partition("</tr>")[0]

    assert rows == ["T2", "T3"]
    assert "not known" not in third
    assert "no trains seen" in third  # by trains there is no rate

    # Not given back it stands first.
    still = body(of([*facts, fact("failed", 3, at(30), None)])).partition("Drawn")[0]
    rows = re.findall(r"<tr><th scope=\"row\"><a[^>]*>(T\d)</a>.*?</tr>", still)
    assert rows == ["T3", "T2"]


def test_every_cell_says_what_it_is(told):
    """Where there is no room for a head of the table, each cell is named by it."""
    table = body(told).partition('id="sections"')[2].partition("</table>")[0]
    head = re.findall(r'<th scope="col">(.*?)</th>', table)[1:]
    row = table.partition("<tbody>")[2].partition("</tr>")[0]

    assert re.findall(r'data-label="(.*?)"', row) == head
    assert row.count("<td") == len(head)


def test_trains_of_several_sections_are_passages(told):
    """A train counts at each section of a head; at a section it is a train."""
    page = body(told)
    sections, _, heads = page.partition('id="heads"')

    assert '<th scope="col">Passages</th>' in heads
    assert '<th scope="col">Trains</th>' not in heads
    assert '<th scope="col">Passages</th>' not in sections


def test_spurious_occupations_and_resets_by_kind_are_told():
    """One of two disturbances was a spurious occupation; of three resets of two kinds one was followed."""
    resets = [
        fact("reset", 2, at(3), step="accepted", kind="conditional"),
        fact("reset", 2, at(4), step="accepted", kind="conditional"),
        fact("reset", 2, at(5), step="accepted", kind="preparatory", proved_at="x"),
    ]
    spurious = fact("disturbance", 2, at(7), spurious=True)
    page = body(of([*heard(), *trains(2), *resets, disturbed(2, at(6)), spurious]))

    assert '<td data-label="Of them spurious occupations">1</td>' in page
    assert "conditional 2, none followed; preparatory 1, all followed" in page


def test_a_month_that_is_not_known_is_not_heard():
    """May and June asked for at the end of May: June has no noughts, and is hatched."""
    page = body(of([*heard(), *trains(2)], end=JUNE + 30 * DAY, reached=JUNE))
    months = page.partition("by month</figcaption>")[2].partition("</figure>")[0]

    june = months.partition(">2026-06<")[2].partition("</tr>")[0]
    assert re.findall(r"<td>(.*?)</td>", june) == [*["not heard"] * 4, "0 %"]
    assert months.count("url(#months-hatch)") == 1


@pytest.fixture(name="by_day", scope="module")
def _by_day():
    """The whole line heard by day alone: never between 0 and 6 h, and between 6 and 7 h for half of the hour."""
    dark = [
        fact("not-known", n, at(day), at(day, 6.5), why="silent")
        for day in range(1, 32)
        for n in (1, 2, 3, 4)
    ]
    return of([*heard(), *trains(2), *dark, disturbed(2, at(9, 7))])


def test_an_hour_that_is_never_observed_is_no_quiet_one(by_day):
    """It is hatched, with a question mark; in the table "not heard", and of an hour half observed the share."""
    page = body(by_day)
    hours = page.partition("by hour of the day")[2].partition("</figure>")[0]
    rows = {
        name: re.findall(r"<td>(.*?)</td>", cells)
        for name, cells in re.findall(r">(\d\d)</th>(.*?)</tr>", hours)
    }

    assert rows["00"] == ["not heard", "not heard", "not heard", "not heard", "0 %"]
    assert rows["06"] == ["0", "0.3", "0", "31", "50 %"]
    assert rows["07"] == ["1", "0.0", "1", "0", "100 %"]
    assert hours.count(">?</text>") == 6
    assert hours.count("url(#hours-hatch)") == 7


def test_an_hour_that_is_never_observed_is_null_for_programs(by_day):
    """In JSON null, in the workbook nothing; the share is told."""
    hours = plain(by_day)["hours"]
    book = openpyxl.load_workbook(BytesIO(as_xlsx(by_day)))
    rows = [[cell.value for cell in row] for row in book["By hour"]]

    assert hours[5] == {
        "name": "05",
        "disturbances": None,
        "occasions": None,
        "trains": None,
        "share": 0.0,
    }
    assert hours[6]["trains"] == 31
    assert hours[6]["share"] == 0.5
    assert rows[6] == ["05", None, None, None, 0]
    assert rows[7] == ["06", 0, 0, 31, 0.5]


def test_nothing_heard_is_said_and_nothing_else():
    """No noughts, no drawings."""
    text = body(of([]))

    assert "Nothing was heard in this period" in text
    assert "<svg" not in text
    assert "0 (at most" not in text


def test_a_rehearsal_says_that_none_of_it_is_so():
    """On the first page."""
    assert "Rehearsal: none of this is so." in body(of(heard(), rehearsal=True))
    assert "Rehearsal" not in body(of(heard()))


# The workbook, read by another library.


@pytest.fixture(name="book", scope="module")
def _book(told):
    return openpyxl.load_workbook(BytesIO(as_xlsx(told)))


def test_a_sheet_a_kind_with_a_frozen_head_and_filters(book):
    """As openpyxl reads it."""
    assert book.sheetnames[1:7] == [
        "Sections",
        "Heads",
        "Trackside units",
        "Cables",
        "Evaluators",
        "Sites",
    ]
    sheet = book["Sections"]
    assert sheet.freeze_panes == "C2"
    assert sheet.auto_filter.ref.startswith("A1:")
    assert [one.value for one in sheet[1]] == [one.title for one in COLUMNS]


def test_cells_have_real_types(book):
    """Numbers are numbers, yes is true, what is not known is nothing, moments are moments."""
    keys = [one.key for one in COLUMNS]
    rows = {row[1].value: dict(zip(keys, row, strict=True)) for row in book["Sections"]}

    assert rows["T2"]["disturbances"].value == 3
    assert rows["T2"]["disturbances"].data_type == "n"
    assert rows["T2"]["heard"].value is True
    assert rows["T2"]["observed"].value == 1
    assert rows["T2"]["observed"].number_format == "0.0%"
    assert rows["T4"]["disturbances"].value is None
    moments = [row[1].value for row in book["Report"] if row[0].value == "From (UTC)"]
    assert [str(one) for one in moments] == ["2026-05-01 00:00:00"]


def test_the_period_of_a_workbook_is_told_by_the_clocks_of_the_line():
    """May in Berlin begins at 22:00 UTC on the last of April, and nobody there calls it so; the sums stand on the first sheet."""
    begin, end = MAY - 2 * HOUR, JUNE - 2 * HOUR
    found = of([*heard(), *trains(2)], begin, end, graph=line("Europe/Berlin"))
    book = openpyxl.load_workbook(BytesIO(as_xlsx(found)))
    told = {row[0].value: row[1].value for row in book["Report"]}

    assert str(told["From (Europe/Berlin)"]) == "2026-05-01 00:00:00"
    assert str(told["Up to (Europe/Berlin)"]) == "2026-06-01 00:00:00"
    assert told["Rehearsal"] == "no"
    assert told["Not available"] == "0 min"
    assert told["Trains held"] == "0"


def test_a_month_that_is_not_known_has_no_noughts_in_the_workbook():
    """June of May and June, asked for at the end of May: its share is nought, and the rest is empty."""
    found = of([*heard(), *trains(2)], end=JUNE + 30 * DAY, reached=JUNE)
    book = openpyxl.load_workbook(BytesIO(as_xlsx(found)))
    rows = [[cell.value for cell in row] for row in book["By month"]]

    assert rows[1][:4] == ["2026-05", 0, 0, 93]
    assert rows[2] == ["2026-06", None, None, None, 0]


def test_what_comes_together_is_told_as_occasions_too():
    """Three sections within a minute are three disturbances on one occasion."""
    page = body(of([*heard(), *(disturbed(n, at(9, 7)) for n in (1, 2, 3))]))

    assert "<b>3</b> disturbances on <b>1 occasion (0.025 to 5.6)</b>, while" in page


def test_no_cell_is_a_formula():
    """Whatever a site is called (OWASP, "CSV Injection")."""
    found = of(heard(), graph=line(site="=HYPERLINK(A1)"))
    book = openpyxl.load_workbook(BytesIO(as_xlsx(found)))
    cells = [cell for sheet in book for row in sheet for cell in row]

    assert "=HYPERLINK(A1)" in [row[1].value for row in book["Sites"]]
    assert {cell.data_type for cell in cells} <= {"s", "n", "b", "d"}


def test_the_caution_stands_on_the_first_sheet(book):
    """And how the numbers are made on the last."""
    first = [cell.value for row in book["Report"] for cell in row]

    assert CAUTION in first
    assert any("Garwood" in str(c.value) for r in book.worksheets[-1] for c in r)


def test_the_same_report_gives_the_same_file(told):
    """No clock of this machine is in it."""
    again = of([], begin=MAY, end=JUNE)

    assert as_html(again) == as_html(again)
    assert as_xlsx(again) == as_xlsx(again)
    assert as_html(told) != as_html(again)


def test_a_name_leads_to_its_row_in_a_file_and_to_its_page_on_the_desk(told):
    """Wherever a section stands beside its table; in a file each address is one of a row that is there."""
    file = read(body(told))
    page = body(told, address=lambda subject: f"/at/{subject}")

    assert {"#section-2"} <= set(file.asks)
    assert all(one.startswith("#") for one in file.asks)
    assert {one.removeprefix("#") for one in file.asks} <= set(file.ids)
    assert '<a href="/at/section/T2">T2</a>' in page
    assert '<a href="/at/head/H1">H1</a>' in page
    assert 'href="#' not in page
