"""The replay page: a window of the journal on the desk, as it comes, over a running monitor, and in Debian's Chromium."""

from __future__ import annotations

import asyncio
import gzip
import json
import re
import shutil

import httpx
import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import async_playwright, expect

from monitor.core.moments import HOUR, MINUTE, SECOND, exact, parse
from monitor.core.words import CAUTION
from monitor.desk.app import create
from monitor.desk.model import NotThere, Refused
from monitor.desk.pages.ticks import Ticks
from monitor.desk.replaying import Replaying
from monitor.desk.windows import Made, Window
from monitor.journal import Journal
from monitor.keeps import Keep
from monitor.settings.desk import DeskSettings
from tests.desk.daemon import NOON
from tests.live import disturb, event, listening, publish, quick
from tests.mosquitto import running

CHROMIUM = shutil.which("chromium")
SLOW_MS = 20_000


@pytest.fixture
async def client(daemon, tmp_path):
    """A browser at this machine."""
    ticks = Ticks(daemon.desk, daemon.line, daemon.stream)
    settings = DeskSettings(people_file=tmp_path / "people.json", unnamed="look")
    app = create(daemon.desk, settings, daemon.stream, lambda: daemon.now, ticks=ticks)
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40000))
    async with httpx.AsyncClient(
        transport=transport, base_url="http://127.0.0.1:9109"
    ) as client:
        yield client


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ("from=2026-05-04T12:00:00Z&to=2026-05-04T11:00:00Z", "ends after it begins"),
        ("from=yesterday", "yesterday"),
        ("section=T999", "no section T999"),
    ],
)
async def test_a_window_that_cannot_be_shown_is_said_on_the_page(client, asked, why):
    """Whoever asks for something that cannot be is told so where they asked, and can ask again."""
    answer = await client.get(f"/replay?{asked}")

    assert answer.status_code == 422
    assert why in answer.text
    assert 'name="from"' in answer.text
    assert CAUTION in answer.text


async def test_the_windows_that_are_kept_are_listed(daemon, client, monkeypatch):
    """From when to when, by whom and why, each with the way to it, and marked where it lies in what is asked for."""

    async def made(_window):
        return Made(window="12:30 to 13:00", rehearsal=False, parts="", packed=b"")

    monkeypatch.setattr(daemon.desk, "replayed", made)
    for number, (begin, reason) in enumerate(
        [(NOON, "train came out of T107"), (NOON + 3 * HOUR, "<b>another</b>")]
    ):
        daemon.keeps[str(number)] = Keep(
            id=str(number),
            begin=begin,
            end=begin + HOUR,
            reason=reason,
            by="Ada",
            position="north",
            entered=NOON,
        )

    answer = await client.get(
        "/replay?from=2026-05-04T12:30:00Z&to=2026-05-04T13:00:00Z"
    )

    lines = re.findall(r"<li>(.*?)</li>", answer.text)
    assert len(lines) == 2
    assert "by Ada: &lt;b&gt;another" in lines[0]
    assert "lies in this window" not in lines[0]
    assert "by Ada: train came out of T107 <b>(lies in this window)</b>" in lines[1]
    assert 'href="/replay?from=2026-05-04T12%3A00%3A00' in lines[1]


async def test_without_a_journal_there_is_nothing_to_look_back_into():
    """A desk that was lent no journal says so."""
    with pytest.raises(NotThere):
        await Replaying(None).made(Window(begin=NOON, end=NOON + HOUR))


async def test_a_journal_that_says_nothing_of_what_was_in_force_is_said(tmp_path):
    """What the process that makes it cannot do comes back as one line."""
    path = tmp_path / "journal.sqlite"
    Journal.open(path).close()

    with pytest.raises(Refused, match="which line file was in force"):
        await Replaying(path).made(Window(begin=NOON, end=NOON + HOUR))


@pytest.mark.broker
@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here")
async def test_a_window_of_the_journal_on_the_desk(tmp_path):
    """From the broker into the journal, and out of it as a diagram, tables and steps; the same again by its address."""
    with running(tmp_path / "broker") as broker:
        async with listening(quick(tmp_path, broker.url)) as daemon:
            at = daemon._now() - 4 * SECOND
            for number, (section, state) in enumerate(
                [(one, "clear") for one in ("T1", "T2", "T3", "T4")]
                + [("T1", "occupied"), ("T2", "occupied"), ("T1", "clear")]
            ):
                more = event(number + 10, section, state, at + number * SECOND // 3)
                await publish(broker.url, more)
            await disturb(broker.url, section="T4", number=30)
            async with httpx.AsyncClient(base_url=daemon.desk_at) as client:
                await _until_raised(client)
                now = daemon._now()
                asked = {"from": exact(now - 10 * MINUTE), "to": exact(now)}
                page = await client.get(
                    "/replay", params={**asked, "section": "T4"}, timeout=60
                )
                assert page.status_code == 200, page.text
                assert "T4</b> disturbed" in page.text
                assert "Rehearsal" not in page.text
                told = (await client.get("/api/v1/alerts")).json()["alerts"]
                data = await client.get(
                    "/replay/data", params={**asked, "section": "T4"}, timeout=60
                )
                held = json.loads(gzip.decompress(data.content))
                ids = {json.loads(one["lines"][-1][1])["id"] for one in held["alerts"]}
                assert ids == {one["record"]["id"] for one in told}
                number = (await client.get("/api/v1/faults")).json()[0]["number"]
                to_fault = await client.get("/replay", params={"fault": number})
                assert to_fault.status_code == 303
                assert "section=T4" in to_fault.headers["location"]
                beside = await client.get("/sections/T4")
                assert "/replay?section=T4" in beside.text
            await _looked_at(str(page.url))


async def _until_raised(client):
    async with asyncio.timeout(20):
        while not (await client.get("/api/v1/alerts")).json()["alerts"]:  # noqa: ASYNC110
            await asyncio.sleep(0.2)  # what is waited for tells nobody


async def _looked_at(url):
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        tab = await browser.new_page(viewport={"width": 1920, "height": 1080})
        tab.set_default_timeout(SLOW_MS)
        expect.set_options(timeout=SLOW_MS)
        wrong = []
        tab.on("pageerror", lambda error: wrong.append(str(error)))
        tab.on("console", lambda said: wrong.append(said.text))
        await tab.goto(url)
        await tab.wait_for_selector("html[data-ready]", state="attached")
        await expect(tab.locator("#walk option").first).to_have_text("T4")
        what, step_on = tab.locator("#step-what"), tab.locator("#step-on")
        await expect(what).to_contain_text(" clear")
        said = []
        while await step_on.is_enabled():
            await step_on.click()
            said.append(await what.text_content() or "")
        assert any("T4 disturbed" in one for one in said)
        assert any("section-disturbed (prompt)" in one for one in said)
        for width in (1920, 390):
            await tab.set_viewport_size({"width": width, "height": 844})
            found = await Axe().run(tab)
            grave = [
                f"{one['id']}: {one['nodes'][0]['html'][:120]}"
                for one in found.response["violations"]
                if one["impact"] in {"serious", "critical"}
            ]
            assert grave == []
            assert (
                await tab.evaluate("document.documentElement.scrollWidth - innerWidth")
                <= 0
            )
        # On from the moment and the section chosen.
        await tab.locator("#from-here").click()
        await tab.wait_for_url("**at=**")
        await tab.wait_for_selector("html[data-ready]", state="attached")
        assert wrong == []
        await browser.close()


async def test_what_was_made_is_kept_for_the_parts_of_a_page(tmp_path):
    """A page and its diagram are one making, and no more than three windows are kept."""
    replaying = Replaying(tmp_path)
    made = []

    async def make(_journal, window):
        made.append(window)
        return window

    replaying._make = make  # type: ignore[method-assign]
    windows = [Window(begin=NOON, end=NOON + n * HOUR) for n in range(1, 6)]
    for window in (*windows, windows[-1], windows[0]):
        await replaying.made(window)

    assert made == [*windows, windows[0]]
    assert len(replaying._kept) == 3


async def test_who_waits_is_not_kept_waiting_behind_too_many(tmp_path):
    """A window is made one at a time, and more than six that wait are refused."""
    replaying, go = Replaying(tmp_path), asyncio.Event()

    async def make(_journal, window):
        await go.wait()
        return window

    replaying._make = make  # type: ignore[method-assign]
    async with asyncio.TaskGroup() as group:
        asked = [
            group.create_task(replaying.made(Window(begin=NOON, end=NOON + n * MINUTE)))
            for n in range(1, 7)
        ]
        await asyncio.sleep(0)
        with pytest.raises(Refused, match="others are asking"):
            await replaying.made(Window(begin=NOON, end=NOON + HOUR))
        go.set()
    assert len([one.result() for one in asked]) == 6


async def test_a_time_without_an_offset_is_the_lines_own(client, daemon):
    """What a browser's field for a time gives is taken in the line's own time."""
    asked = []

    class Told:
        rehearsal, window, parts = False, "", ""

    async def replayed(window):
        asked.append(window)
        return Told()

    daemon.desk.replayed = replayed
    answer = await client.get("/replay?from=2026-05-04T11:00&to=2026-05-04T12:30:10")

    assert answer.status_code == 200
    begin = parse("2026-05-04T11:00:00Z")
    assert asked == [Window(begin=begin, end=begin + 90 * MINUTE + 10 * SECOND)]


async def test_settings_are_tried_from_the_page_and_stand_in_its_address(
    client, daemon
):
    """Typed into the page they are part of the window that is asked for, of its data and of the address to send; what nobody types is refused, and nothing typed is taken for markup."""
    asked = []

    class Told:
        rehearsal, window, parts, packed = False, "", "", b"{}"

    async def replayed(window):
        asked.append(window)
        return Told()

    daemon.desk.replayed = replayed
    typed = "[detect.section-disturbed]\r\nsettle_s = 60 # </textarea><b>\r\n"
    kept = typed.replace("\r\n", "\n").strip()
    hour = {"from": "2026-05-04T11:00", "to": "2026-05-04T12:00"}
    page = await client.get("/replay", params={**hour, "settings": typed})
    data = await client.get("/replay/data", params={**hour, "settings": typed})

    assert (page.status_code, data.status_code) == (200, 200)
    assert [one.settings for one in asked] == [kept] * 2
    assert "<textarea" in page.text
    assert "</textarea><b>" not in page.text
    assert page.text.count("settings=%5Bdetect.section-disturbed%5D%0Asettle_s") == 2
    odd = await client.get("/replay", params={**hour, "settings": "a\x00"})
    assert odd.status_code == 422
    assert "hold what cannot be read" in odd.text
    assert len(asked) == 2
    without = await client.get("/replay", params={**hour, "settings": ""})
    assert without.status_code == 200
    assert asked[-1].settings == ""
