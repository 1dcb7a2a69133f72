"""The planner's page of a running monitor, and what is downloaded there."""

from __future__ import annotations

import asyncio
import csv
import json
from io import StringIO

import httpx
import pytest

from monitor.core.moments import parse
from monitor.core.words import CAUTION
from monitor.delivery.monthly import CannotBeMade, Month
from monitor.desk.app import create
from monitor.desk.pages.ticks import Ticks
from monitor.desk.planning import NoReport, Planning
from monitor.history import History
from monitor.settings.desk import DeskSettings
from monitor.store import Store
from tests.desk.daemon import Daemon
from tests.planner.facts import at, disturbed, heard, line, trains

HERE = "http://127.0.0.1:9109"
NOW = parse("2026-05-20T12:00:00Z")


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
def _ask(tmp_path, planning):
    """Asks the page of a monitor for a path."""
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
    assert "<script src=" in found.text  # that of every sheet, and none besides
    assert found.text.count("<script") == 1


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
    """Page and download, one after the other, are one reckoning; a minute later it is another."""
    now = [NOW]
    planning.now = lambda: now[0]

    async def twice():
        one = await planning.report(at(1), at(2))
        same = await planning.report(at(1), at(2))
        other = await planning.report(at(1), at(3))
        now[0] += 61_000_000
        return one, same, other, await planning.report(at(1), at(3))

    one, same, other, later = asyncio.run(twice())
    assert one is same
    assert other is not one
    assert later is not other


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
