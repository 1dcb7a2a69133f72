"""Sheets in a real browser: they renew themselves, and say so where they cannot."""

from __future__ import annotations

import re

import pytest
from playwright.async_api import expect

from tests.desk.pages.browsing import CHROMIUM, opened
from tests.live import disturb, event, listening, publish, quick, until

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
