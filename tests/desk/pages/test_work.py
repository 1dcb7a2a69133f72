"""The work list and the visits, as pages come, without a script."""

from __future__ import annotations

import csv
import io
import json
import re

import httpx
import openpyxl
import pytest

from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, MINUTE
from monitor.core.words import CAUTION
from monitor.desk.app import create
from monitor.desk.outlooks import NoOutlook, Outlooks
from monitor.desk.pages.ticks import Ticks
from monitor.history import History
from monitor.planner.quiet_hours import NO_LEAVE
from monitor.planner.worklist import ORDER
from monitor.settings.desk import DeskSettings
from monitor.store import Store
from monitor.visits import Visit
from tests.desk.daemon import NOON, Daemon, alert, fault
from tests.desk.fake import HOSTILE

BEGIN = NOON - 400 * DAY
SUSPECTED = [{"asset": "head/H107", "weight": 0.8}]


def visit(day, **more):
    """Somebody was at T107, days ago."""
    at = NOON - day * DAY
    values = {
        "id": f"{day:016x}",
        "begin": at,
        "end": at + HOUR,
        "subjects": ("section/T107",),
        "cause": "head",
        "who": HOSTILE,
        "text": HOSTILE,
        "by": "Ada",
        "entered": NOON,
    } | more
    return Visit(**values)


def facts():
    """T107 is disturbed every tenth day until 100 days ago, T106 every fiftieth, T108 six times lately, with a train held."""
    for name in ("T106", "T107", "T108"):
        yield Fact(kind="heard", subject=f"section/{name}", began=BEGIN)
    for day in range(100, 400, 10):
        yield _disturbed("T107", day)
    for day in range(10, 400, 50):
        yield _disturbed("T106", day)
    for day in range(6):
        yield _disturbed("T108", 5 * day + 1)
    yield Fact(
        kind="held",
        subject="section/T108",
        began=NOON - DAY,
        ended=NOON - DAY + 20 * MINUTE,
        values={"before": "T107", "trains": ["t1"], "usual_longest_s": 90.0},
    )


def _disturbed(name, day):
    return Fact(
        kind="disturbance",
        subject=f"section/{name}",
        began=NOON - day * DAY,
        values={"spurious": False, "under_work": False},
    )


@pytest.fixture
def daemon(tmp_path):
    """A monitor with a year of history, one alert about T108, and two visits to T107."""
    daemon = Daemon(tmp_path)
    with History.open(tmp_path / "history.sqlite") as history:
        history.write(facts())
    one = alert(subject="section/T108", summary=HOSTILE)
    daemon.tell(one, faults=[fault(one)])
    daemon.store.keep((), [fault(one)])
    for each in (visit(99, fault=one.id), visit(300, cause="nothing")):
        daemon.visits.take(each)
    yield daemon
    daemon.close()


def outlooks_of(daemon, **more):
    """What makes the lists."""
    values = {
        "line": daemon.line,
        "history": daemon.path / "history.sqlite",
        "alerts": daemon.path / "alerts.sqlite",
        "visits": daemon.visits,
        "now": lambda: daemon.now,
        "reached": lambda: daemon.now,
    }
    return Outlooks(**(values | more))


@pytest.fixture
def outlooks(daemon):
    """What makes the lists of that monitor."""
    return outlooks_of(daemon)


@pytest.fixture
async def client(daemon, outlooks, tmp_path):
    """A browser at this machine."""
    settings = DeskSettings(people_file=tmp_path / "people.json", unnamed="act")
    ticks = Ticks(daemon.desk, daemon.line, daemon.stream)
    app = create(
        daemon.desk,
        settings,
        daemon.stream,
        lambda: daemon.now,
        ticks=ticks,
        outlooks=outlooks,
    )
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40000))
    async with httpx.AsyncClient(
        transport=transport, base_url="http://127.0.0.1:9109"
    ) as client:
        yield client


async def test_the_work_list_says_where_to_go_and_why(client):
    """T108 held a train; T107 was put right; what somebody wrote does not run, and the caution stands there."""
    answer = await client.get("/planner/work")

    assert answer.status_code == 200
    assert "1. Thornmere room, track access needed" in answer.text
    assert "1 train held" in answer.text
    assert (
        "T108 was disturbed 6 times in 90 days watched, held 1 train and has occupied no train open"
        in answer.text
    )
    assert (
        "Fewest trains, by the last four weeks: at any time of the week alike, no train seen in 4 weeks"
        in answer.text
    )
    assert "no leave to go on the track" in answer.text
    assert "3 of 3 sections were heard in the last 90 days" in answer.text
    assert 'href="/sections/T107"' not in answer.text
    assert "<script>alert" not in answer.text
    assert CAUTION in answer.text.replace("&#39;", "'")


async def test_the_work_list_is_had_as_files(client):
    """A row a section; no cell a formula; the caution in JSON."""
    table = await client.get("/planner/work.csv")
    plain = await client.get("/planner/work.json")
    rows = list(csv.DictReader(io.StringIO(table.text)))

    assert table.headers["content-type"] == "text/csv; charset=utf-8"
    assert next((row["visit"], row["section"], row["place"]) for row in rows) == (
        "1", "T108", "track access needed",
    )  # fmt: skip
    told = json.loads(plain.text)
    assert told["caution"] == CAUTION
    assert told["visits"][0]["trains_held_90_d"] == 1
    assert told["visits"][0]["sections"][0]["alerts"][0]["kind"] == "occupied-no-train"


async def test_the_work_list_is_had_as_a_workbook_and_as_one_page(client):
    """The same rows with real types; the page loads nothing, and what somebody wrote does not run; no leave and the caution in both."""
    book = await client.get("/planner/work.xlsx")
    page = await client.get("/planner/work.html")
    sheet, known = openpyxl.load_workbook(io.BytesIO(book.content)).worksheets
    head, first = ([one.value for one in row] for row in list(sheet.rows)[:2])
    row = dict(zip(head, first, strict=True))

    assert (row["visit"], row["section"], row["trains held 90 d"]) == (1, "T108", 1)
    assert [one.value for (one,) in known.rows][2:] == [ORDER, NO_LEAVE, CAUTION]
    assert "attachment" in page.headers["content-disposition"]
    assert "T108 was disturbed 6 times in 90 days watched" in page.text
    assert NO_LEAVE in page.text
    assert CAUTION in page.text
    assert "default-src &#x27;none&#x27;" in page.text
    assert "<script" not in page.text


async def test_the_visits_say_what_became_of_them(client, daemon):
    """After the last visit nothing more came at T107, and that is beyond chance; what was found before it was nothing; raw counts stand there with their word."""
    answer = await client.get("/planner/visits")
    text = answer.text

    assert "fewer: at least 56 % fewer than to be expected" in text
    assert "the worst always fall" in text
    assert "take out: entered in error</button>" in text
    assert re.search(r"as of 2026-05-04 \d\d:\d\d:\d\d", text)
    assert "20 in 201 days before, 0 in 99 days since" in text
    assert "1 of 1: too few" in text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    daemon.visits.take(visit(1, subjects=("section/T106",), id="a" * 16))
    again = (await client.get("/planner/visits")).text
    assert "too early" in again


async def test_what_became_of_visits_is_had_as_files(client):
    """The same in each: of one visit to which an alert led what it suspected was found, of those visited."""
    visits = list(
        csv.DictReader(io.StringIO((await client.get("/planner/visits.csv")).text))
    )
    kinds = list(
        csv.DictReader(io.StringIO((await client.get("/planner/found.csv")).text))
    )
    told = json.loads((await client.get("/planner/visits.json")).text)
    book = await client.get("/planner/visits.xlsx")
    page = await client.get("/planner/visits.html")

    assert visits[0]["counted_before"] == "20"
    assert visits[0]["did_it_help"] == (
        "fewer: at least 56 % fewer than to be expected"
    )
    assert (kinds[0]["visited"], kinds[0]["found_what_was_suspected"]) == ("1", "1")
    assert told["of_those_visited"][0]["in_words"] == "1 of 1: too few"
    # Clopper and Pearson, 1 of 1 at 95 %: 0.025 to 1 (R)
    assert told["of_those_visited"][0]["share_low"] == 0.025
    assert told["caution"] == CAUTION
    first, second, known = openpyxl.load_workbook(io.BytesIO(book.content)).worksheets
    assert first.max_row == 3
    assert first.freeze_panes == "B2"
    assert next(iter(second.rows))[0].value == "kind"
    assert [one.value for (one,) in known.rows][-1] == CAUTION
    assert "1 of 1: too few" in page.text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page.text
    assert "<script" not in page.text


async def test_programs_are_told_what_became_of_visits(client, daemon):
    """As described, and with the caution; where too little was to be expected nothing is told of a ratio."""
    daemon.visits.take(visit(1, subjects=("section/T106",), id="a" * 16))
    answer = await client.get("/api/v1/visits/became")
    found = answer.json()
    told = (await client.get("/api/v1/openapi.json")).json()

    assert answer.status_code == 200
    assert "/api/v1/visits/became" in told["paths"]
    assert [one["too_early"] for one in found["visits"]] == [True, False, False]
    assert found["visits"][0]["ratio"] is None
    assert found["visits"][1]["ratio"] == 0
    assert found["of_those_visited"][0]["share"] == 1
    assert found["caution"] == CAUTION


async def test_without_visits_there_is_nothing_to_tell(daemon):
    """No visit on record."""
    empty = outlooks_of(daemon, visits=type(daemon.visits)())
    became = await empty.became()

    assert (became.helped, became.together, became.found) == ((), None, ())


async def test_an_empty_list_says_how_little_was_heard(client, daemon):
    """Nothing was heard and nothing raised: that is not told as rest."""
    (daemon.path / "history.sqlite").unlink()
    (daemon.path / "alerts.sqlite").unlink()
    History.open(daemon.path / "history.sqlite").close()
    Store.open(daemon.path / "alerts.sqlite").close()
    text = (await client.get("/planner/work")).text

    assert "None of 3 sections was heard in the last 90 days." in text
    assert "What was not heard may need work all the same." in text


async def test_a_list_is_kept_for_a_minute(daemon, outlooks):
    """And made anew after that, or when a visit comes."""
    first = await outlooks.work()
    assert await outlooks.work() is first
    daemon.visits.take(visit(0, subjects=("section/T108",), id="b" * 16))
    second = await outlooks.work()
    assert second is not first
    daemon.now += 2 * MINUTE
    assert await outlooks.work() is not second


async def test_files_that_are_not_there_are_told(daemon, tmp_path):
    """In a line; a page of it is none."""
    nothing = outlooks_of(daemon, history=tmp_path / "none.sqlite")

    with pytest.raises(NoOutlook, match="cannot be told now"):
        await nothing.work()
