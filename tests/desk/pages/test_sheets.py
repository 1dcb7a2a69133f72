"""Sheets in a real browser: they renew themselves, and say so where they cannot."""

from __future__ import annotations

import asyncio
import re

import pytest
from playwright.async_api import expect

from tests.desk.pages.browsing import CHROMIUM, opened
from tests.live import disturb, event, listening, publish, quick, until
from tests.mosquitto import open_port

pytestmark = [
    pytest.mark.browser,
    pytest.mark.broker,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here"),
]

LIVE = (
    "/sections/T2",
    "/heads/H2",
    "/day-list",
    "/quiet",
    "/before-the-first-train",
    "/handover",
)
STAND = ("/sections/T2", "/heads/H2", "/before-the-first-train")
"""Which of them show how sections stand."""

RENEWED_MS = 16_000
HATCHED = "getComputedStyle(document.querySelector('main')).backgroundImage"

READ = "[...document.querySelectorAll('h2')].find((one) => one.textContent.includes('15 minutes')).getBoundingClientRect().top"
"""Where what somebody reads stands in the window."""


async def test_a_sheet_renews_itself_and_is_hatched_where_it_cannot(
    browser, broker, tmp_path
):
    """It tells what has changed, and leaves whoever reads it where they are: what is unfolded, how far it is scrolled, what has the focus; after a minute without an answer it is hatched with words, and no more when it is answered."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        await until(lambda: daemon.engine.alerts.open)
        async with opened(browser, daemon.desk_at, 1366, 500) as watched:
            page = watched.page
            await page.clock.install()
            await page.goto(f"{daemon.desk_at}/sections/T2")
            shows = page.locator(".facts dd").first
            await expect(shows).to_contain_text("disturbed since")
            await page.locator("summary").click()
            await page.locator('.facts a[href="/heads/H2"]').focus()
            await page.evaluate("scrollTo(0, 300)")
            before = await page.evaluate(READ)

            await publish(broker.url, event(9, "T2", "clear", daemon._now()))
            await until(lambda: not daemon.engine.alerts.open)
            await page.clock.run_for(RENEWED_MS)
            await expect(shows).to_contain_text("clear since")
            assert abs(await page.evaluate(READ) - before) < 3
            assert await page.evaluate("document.querySelector('details').open")
            assert (
                await page.evaluate("document.activeElement.getAttribute('href')")
                == "/heads/H2"
            )
            assert await page.evaluate(HATCHED) == "none"

            for path in LIVE:
                await page.goto(f"{daemon.desk_at}{path}")
                await page.route(f"**{path}", lambda route: route.abort())
                await page.clock.run_for(45_000)
                if path not in STAND:
                    assert await page.evaluate(HATCHED) == "none", path
                await page.clock.run_for(20_000)
                assert "repeating-linear-gradient" in await page.evaluate(HATCHED), path
                said = page.locator(".as-of")
                await expect(said).to_contain_text("the monitor does not answer")
                await page.unroute(f"**{path}")
                await page.clock.run_for(RENEWED_MS)
                await expect(said).not_to_contain_text("does not answer")
                assert await page.evaluate(HATCHED) == "none", path

            # What is asked of the past does not change by itself, nor what is typed there.
            await page.goto(f"{daemon.desk_at}/explain")
            await page.locator("[name=at]").fill("2026-05-04T02:11:09")
            await page.clock.run_for(70_000)
            assert (
                await page.locator("[name=at]").input_value() == "2026-05-04T02:11:09"
            )
            await expect(page.locator(".as-of")).to_have_text(re.compile("7. s ago"))
            assert await page.evaluate(HATCHED) == "none"


async def test_where_sections_are_shown_a_dead_monitor_is_said_as_soon_as_on_the_desk(
    browser, broker, tmp_path
):
    """Long before the minute after which any sheet is old: hatched, with since when nothing is known; a day list is no older for it."""
    settings = quick(tmp_path, broker.url, desk={"port": open_port()})
    pages = {}
    async with listening(settings) as daemon:
        for path in (*STAND, "/day-list"):
            page = pages[path] = await browser.new_page()
            await page.goto(f"{daemon.desk_at}{path}")
            assert await page.evaluate(HATCHED) == "none", path
    for path in STAND:
        said = pages[path].locator(".as-of")
        await expect(said).to_contain_text(
            re.compile(r"not known since \d\d:\d\d:\d\d"), timeout=20_000
        )
        assert "repeating-linear-gradient" in await pages[path].evaluate(HATCHED)
    assert await pages["/day-list"].evaluate(HATCHED) == "none"
    async with listening(settings):
        for path in STAND:
            said = pages[path].locator(".as-of")
            await expect(said).not_to_contain_text("not known since", timeout=20_000)
            assert await pages[path].evaluate(HATCHED) == "none"
    for page in pages.values():
        await page.close()


WAITS = """() => localStorage.setItem("tallywatch-waiting", JSON.stringify([{ what: "noted", fault: "x", text: "y", key: "k1", at: "2026-05-04T02:11:09Z" }]))"""
NONE_WAITS = "localStorage.getItem('tallywatch-waiting') === '[]'"


async def test_what_waits_in_a_phone_is_sent_as_soon_as_the_monitor_is_heard(
    browser, broker, tmp_path
):
    """A few seconds after it answers again, by the page's clock, not a quarter of a minute."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        page = await browser.new_page()
        await page.clock.install()
        await page.goto(f"{daemon.desk_at}/heads/H2/watch")
        await page.evaluate(WAITS)
        await page.clock.run_for(3_000)
        # The policy of the page lets nothing be waited for within it.
        for _ in range(60):
            if await page.evaluate(NONE_WAITS):
                break
            await asyncio.sleep(0.1)
        assert await page.evaluate(NONE_WAITS)
        await page.close()


PAPER = """() => {
  const wrong = [];
  const light = (colour) => {
    const part = colour.match(/[\\d.]+/g).slice(0, 3).map((one) => one / 255).map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
    return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2];
  };
  for (const one of document.querySelectorAll("body *")) {
    const own = [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !one.checkVisibility() || one.closest("svg, noscript, title")) continue;
    const style = getComputedStyle(one);
    const said = `${one.tagName} "${one.textContent.trim().slice(0, 24)}"`;
    if (1.05 / (light(style.color) + 0.05) < 4.5) wrong.push(`${said}: too pale for white paper`);
    if (parseFloat(style.fontSize) < 11) wrong.push(`${said}: ${style.fontSize}`);
    if (one.getBoundingClientRect().right > innerWidth + 1) wrong.push(`${said}: cut`);
  }
  for (const one of document.querySelectorAll("svg")) {
    if (one.checkVisibility() && one.getBoundingClientRect().right > innerWidth + 1) wrong.push("a drawing is cut");
  }
  if (![...document.querySelectorAll(".caution")].some((one) => one.checkVisibility())) wrong.push("no caution");
  for (const one of document.querySelectorAll("button, select, textarea")) if (one.checkVisibility()) wrong.push(`${one.localName} on paper`);
  return wrong;
}"""
"""What is pale, small or cut on white paper, also where no ground is printed: contrast as WCAG 2.2 has it, which is that of greys."""

UPRIGHT, WIDE = 703, 1047
"""Pixels between the margins of a sheet of A4 (ISO 216: 210 by 297 mm), upright with 12 mm, on its side with 10 mm."""


async def test_every_page_is_whole_on_paper(browser, broker, tmp_path):
    """Legible without colours and grounds, nothing cut, the caution on it, no buttons; also where the screen is dimmed; the sheet of a fault on one side."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        await until(lambda: daemon.engine.alerts.open)
        async with opened(browser, daemon.desk_at) as watched:
            page = watched.page
            row = page.locator("#faults .row")
            await expect(row).to_contain_text("T2 disturbed")
            number = await row.get_attribute("data-number")
            await page.keyboard.press("b")
            found = {}
            sheets = [f"/faults/{number}", f"/phone/{number}", "/phone"]
            for path in ("/", *LIVE, *sheets, "/heads/H2/watch", "/explain"):
                if path != "/":
                    await page.goto(f"{daemon.desk_at}{path}")
                wide = path == "/" or path.startswith("/sections")
                size = {"width": WIDE if wide else UPRIGHT, "height": 900}
                await page.set_viewport_size(size)
                await page.emulate_media(media="print")
                found[path] = await page.evaluate(PAPER)
                if path.startswith("/faults"):
                    printed = await page.pdf(prefer_css_page_size=True)
                    assert len(re.findall(rb"/Type /Page\b", printed)) == 1
                await page.emulate_media(media="screen")
            assert {path: wrong for path, wrong in found.items() if wrong} == {}
