"""The planner's page of a running monitor, and what is downloaded there."""

from __future__ import annotations

import asyncio
import csv
import json
import re
import threading
from html import unescape
from io import StringIO
from urllib.parse import unquote

import httpx
import pytest

from monitor.core.moments import HOUR, SECOND, parse
from monitor.core.words import CAUTION
from monitor.delivery.monthly import CannotBeMade, Month
from monitor.desk.app import create
from monitor.desk.pages import planner
from monitor.desk.pages.ticks import Ticks
from monitor.desk.planning import Being, NoReport, Planning
from monitor.history import History
from monitor.settings.desk import DeskSettings
from monitor.store import Store
from monitor.visits import Visit
from tests.desk.daemon import Daemon
from tests.planner.facts import at, disturbed, heard, line, trains

HERE = "http://127.0.0.1:9109"
NOW = parse("2026-05-20T12:00:00Z")

VISIT = Visit(
    id="1" * 16,
    begin=at(10),
    end=at(10, 1),
    subjects=("head/H1",),
    cause="head",
    part="head/H1",
    reference="WO <17>",
    by="Ines",
    entered=at(10, 2),
)
OTHER = Visit(
    id="2" * 16,
    begin=at(11),
    end=at(11),
    subjects=("unit/TU1",),
    cause="cable",
    by="Ines",
    entered=at(11),
)


@pytest.fixture(name="planning")
def _planning(tmp_path):
    """Of a line that was heard since March; T2 was disturbed twice in May."""
    with (
        History.open(tmp_path / "past.sqlite") as history,
        Store.open(tmp_path / "raised.sqlite"),
    ):
        history.write(
            [
                *heard(),
                *trains(2, last=19),
                *(disturbed(2, at(n, 7)) for n in (3, 9)),
            ]
        )
    return Planning(
        line(),
        tmp_path / "past.sqlite",
        tmp_path / "raised.sqlite",
        lambda: NOW,
        reached=lambda: NOW,
    )


@pytest.fixture(name="ask")
def _ask(tmp_path, planning, monkeypatch):
    """Asks the page of a monitor for a path; however busy this machine is, a report is waited for."""
    monkeypatch.setattr(planner, "WAIT_S", 60.0)
    daemon = Daemon(tmp_path)
    ticks = Ticks(daemon.desk, daemon.line, daemon.stream)
    settings = DeskSettings(people_file=tmp_path / "people.toml")
    app = create(
        daemon.desk,
        settings,
        daemon.stream,
        lambda: NOW,
        ticks=ticks,
        planning=planning,
    )

    def ask(path):
        async def one():
            transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40000))
            async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
                return await client.get(path)

        return asyncio.run(one())

    yield ask
    daemon.close()


def test_the_page_tells_of_the_last_thirty_days(ask):
    """Without being asked for others; the days are in the form, and the caution is there."""
    found = ask("/planner")

    assert found.status_code == 200
    assert 'value="2026-04-20"' in found.text
    assert 'value="2026-05-20"' in found.text
    assert "<b>2 (0.24 to 7.2)</b> disturbances" in found.text
    assert CAUTION in found.text
    assert "style=" not in found.text
    # That of every page and that of every sheet, and none besides.
    assert found.text.count("<script src=") == 2
    assert found.text.count("<script") == 2


def test_the_page_tells_of_the_days_that_are_asked_for(ask):
    """From the beginning of the first to the end of the last."""
    found = ask("/planner?from=2026-05-09&to=2026-05-09")

    assert "From 2026-05-09 00:00 up to 2026-05-10 00:00 (UTC)" in found.text
    assert "<b>1 (0.025 to 5.6)</b> disturbance," in found.text


@pytest.mark.parametrize("form", ["html", "csv", "json", "xlsx"])
def test_the_same_as_a_file(ask, form):
    """With a name that says of which days, and of its own type."""
    found = ask(f"/planner/report?format={form}&from=2026-05-01&to=2026-05-19")

    assert found.status_code == 200
    assert (
        f'filename="period-2026-05-01-2026-05-19.{form}"'
        in found.headers["content-disposition"]
    )
    if form == "csv":
        rows = {one["id"]: one for one in csv.DictReader(StringIO(found.text))}
        assert rows["T2"]["disturbances"] == "2"
    if form == "json":
        assert json.loads(found.content)["whole"]["disturbances"] == 2
    if form == "xlsx":
        assert found.content.startswith(b"PK")


def test_the_style_sheet_is_served(ask):
    """From here, as the policy of pages asks."""
    found = ask("/static/document.css")

    assert found.headers["content-type"].startswith("text/css")
    assert ".report" in found.text


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("from=yesterday", "no day"),
        ("from=2026-05-10&to=2026-05-01", "before it begins"),
        ("from=2015-01-01&to=2026-05-01", "ten years"),
        ("from=0001-01-01", "before 1990"),
        ("from=0001-01-01&to=0002-01-01", "before 1990"),
        ("from=9998-01-01&to=9998-02-01", "after 2199"),
        ("to=9999-12-31", "no day"),
        ("format=pdf", "xlsx"),
        ("from=%00", "no day"),
    ],
)
def test_what_cannot_be_told_is_said(ask, asked, said):
    """As an answer, with the reason."""
    found = ask(f"/planner/report?{asked}")

    assert found.status_code == 422
    assert said in found.json()["detail"]


def test_without_a_history_nothing_is_told(tmp_path):
    """The file is not there: that is said, and nothing is made up."""
    planning = Planning(
        line(), tmp_path / "no", tmp_path / "no", lambda: NOW, reached=lambda: NOW
    )
    with pytest.raises(NoReport, match="no history"):
        asyncio.run(planning.report(at(1), at(2)))


def test_a_period_just_told_of_is_not_made_anew(planning):
    """Page and download, one after the other, are one reckoning, also with another period between; of what is over it is another after an hour, of what goes on after a minute."""
    now = [NOW]
    planning.now = lambda: now[0]

    async def twice():
        one = await planning.report(at(1), at(2))
        same = await planning.report(at(1), at(2))
        other = await planning.report(at(1), at(3))
        again = await planning.report(at(1), at(2))
        on = await planning.report(at(1), now[0])
        now[0] += 61 * SECOND
        later = await planning.report(at(1), at(3))
        going_on = await planning.report(at(1), now[0])
        now[0] += HOUR
        last = await planning.report(at(1), at(3))
        return (one, same, again), (other, later, last), (on, going_on)

    (one, same, again), (other, later, last), (on, going_on) = asyncio.run(twice())
    assert one is same is again
    assert other is not one
    assert later is other
    assert last is not other
    assert going_on is not on


def test_a_new_visit_makes_a_kept_report_anew(planning):
    """What is to be expected goes by what was put right."""
    visits: list[tuple[Visit, ...]] = [()]
    planning._visits = lambda: visits[0]

    async def twice():
        one = await planning.report(at(1), at(2))
        visits[0] = (VISIT,)
        return one, await planning.report(at(1), at(2))

    one, other = asyncio.run(twice())
    assert one is not other


def test_a_report_that_takes_long_is_told_to_be_in_the_making(planning, monkeypatch):
    """Whoever asks is answered at once, it is made once for all of them, and what is made is there for who asks again."""
    made, go = [], threading.Event()
    make = planning._make

    def slow(*what):
        go.wait(20)
        made.append(what)
        return make(*what)

    monkeypatch.setattr(planning, "_make", slow)

    async def asked():
        first = await planning.soon(at(1), at(2), 0.0)
        second = await planning.soon(at(1), at(2), 0.0)
        go.set()
        report = await planning.report(at(1), at(2))
        return first, second, report, await planning.soon(at(1), at(2), 0.0)

    first, second, report, again = asyncio.run(asked())
    assert isinstance(first, Being)
    assert isinstance(second, Being)
    assert first.usual_s is None
    assert first.share is None
    assert again is report
    assert len(made) == 1


def test_the_page_says_that_it_is_being_made_and_asks_again(ask, planning, monkeypatch):
    """Without a script too; how far it is goes by the last one, and is never said to be done."""

    async def soon(*_):
        return Being(for_s=12.0, usual_s=5.0)

    monkeypatch.setattr(planning, "soon", soon)
    for path in ("/planner?from=2026-05-01&to=2026-05-19", "/planner/asset?subject=x"):
        text = ask(path).text

        assert '<meta http-equiv="refresh" content="2">' in text
        assert "is being made, for 12 s now; one of as many days took 5 s" in text
        assert 'value="0.95"' in text


def test_each_row_has_a_page_of_its_own(ask, planning):
    """The numbers of its row; when it was disturbed, each with its replay; who was there; and the sections that need it."""
    planning._visits = lambda: (VISIT, OTHER)
    days = "from=2026-05-01&to=2026-05-19"
    whole = ask(f"/planner?{days}").text
    page = ask(f"/planner/asset?subject=head%2FH1&{days}")
    text = unescape(page.text)

    assert "/planner/asset?subject=head%2FH1&from=2026-05-01" in unescape(whole)
    assert page.status_code == 200
    row = whole.partition('id="heads"')[2].partition(">H1</a>")[2].partition("</tr>")[0]
    for title, cell in re.findall(r'data-label="(.*?)">(.*?)</td>', row):
        if title == "Times the period before":
            continue  # in words there
        assert not cell or f"<dt>{title}</dt><dd>{cell}</dd>" in page.text
    assert "/replay?from=2026-05-09T06:45:00.000Z" in unquote(text)
    assert "head loose, moved or out of adjustment (head H1)" in text
    assert "WO <17>" in text
    assert "<17>" not in page.text
    assert "cable or joint" not in text  # a visit to another part
    assert "/planner/asset?subject=section%2FT2" in text
    assert CAUTION in text


def test_a_section_has_the_visits_to_what_it_needs(ask, planning):
    """Whatever was put right at its head or its cable; and its own page on the desk."""
    planning._visits = lambda: (VISIT, OTHER)
    text = ask("/planner/asset?subject=section%2FT2&from=2026-05-01&to=2026-05-19").text

    assert "head loose, moved or out of adjustment: 1; cable or joint: 1." in text
    assert 'href="/sections/T2"' in text
    assert "Occasions by hour of the day" in text


@pytest.mark.parametrize("subject", ["head/H9", "x", "%3Cscript%3E"])
def test_what_the_line_file_has_not_has_no_page(ask, subject):
    """And nothing of it is told back as it is."""
    found = ask(f"/planner/asset?subject={subject}")

    assert found.status_code == 404
    assert "<script>" not in found.text


def test_the_page_says_how_other_settings_are_tried(ask):
    """With the days that it shows."""
    text = ask("/planner?from=2026-05-01&to=2026-05-19").text

    assert (
        "tallywatch compare --from 2026-05-01T00:00:00.000Z --to 2026-05-20T00:00:00.000Z"
        in text
    )


def test_a_month_is_told_once_it_was_heard_to_its_end(planning):
    """What the broker keeps is waited for, but no longer than a day after it is due."""
    may = Month("2026-05", at(1), at(32), at(32, 6))
    april = Month("2026-04", at(-29), at(1), at(1, 6))
    planning.now = lambda: at(32, 7)
    with pytest.raises(CannotBeMade, match="to its end"):
        asyncio.run(planning.letter(may))
    planning.now = lambda: at(33, 6)

    letter = asyncio.run(planning.letter(may))
    assert (
        letter.subject
        == "Varnholt - Ostrel line: 2026-05, 2 disturbances, 63 % observed"
    )
    assert "2 (0.24 to 7.2) disturbances, while" in letter.text
    assert "known up to" in letter.text
    assert "<b>" not in letter.text
    assert [name for name, _, _ in letter.files] == [
        "period-2026-05.html",
        "period-2026-05.csv",
        "period-2026-05.xlsx",
    ]
    assert letter.files[2][2].startswith(b"PK")
    assert asyncio.run(planning.letter(april)).subject.endswith(
        "0 disturbances, 100 % observed"
    )


def test_a_month_before_anything_was_heard_has_no_letter(planning):
    """There is nothing to tell."""
    january = Month("2026-01", at(-120), at(-89), at(-89, 6))

    assert asyncio.run(planning.letter(january)) is None


def test_a_month_in_which_nothing_was_heard_has_a_letter_that_says_so(planning):
    """Heard in March, and the feed dead since the 20th of May: June is not heard, which is no quiet month."""
    june = Month("2026-06", at(32), at(62), at(62, 6))
    planning.now = lambda: at(63, 6)

    letter = asyncio.run(planning.letter(june))
    assert letter.subject == "Varnholt - Ostrel line: 2026-06, not heard"
    assert "Nothing was heard in this period" in letter.text
    assert "0 (at most" not in letter.text
