"""Debian's Chromium, and a page in it of which everything that must not happen is remembered."""

from __future__ import annotations

import shutil
from contextlib import asynccontextmanager

from playwright.async_api import async_playwright, expect

CHROMIUM = shutil.which("chromium")
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
)
SLOW_MS = 20_000


@asynccontextmanager
async def chromium():
    """A browser with nothing remembered."""
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=CHROMIUM, args=list(ARGUMENTS)
        )
        yield browser
        await browser.close()


class Watched:
    """A page, and everything that must not happen in it."""

    def __init__(self, page):
        self.page = page
        self.wrong: list[str] = []
        self.hosts: set[str] = set()
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("console", self._console)
        page.on("request", lambda request: self.hosts.add(request.url.split("/")[2]))

    def _console(self, message):
        # A monitor that is stopped on purpose is not answered: the browser says so.
        stopped = "net::ERR_" in message.text
        if message.type in {"error", "warning"} and not stopped:
            self.wrong.append(message.text)


@asynccontextmanager
async def opened(browser, url, width=1920, height=940):
    """A page at *url*."""
    page = await browser.new_page()
    await page.set_viewport_size({"width": width, "height": height})
    page.set_default_timeout(SLOW_MS)
    expect.set_options(timeout=SLOW_MS)
    watched = Watched(page)
    await page.goto(url)
    yield watched
    assert watched.wrong == []
    assert watched.hosts <= {url.split("/")[2]}
    await page.close()
