"""The desk in Debian's Chromium, over a running monitor and a real broker."""

from __future__ import annotations

import shutil
from contextlib import asynccontextmanager

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import async_playwright, expect

from monitor.journal import Journal
from monitor.shown import shown_in
from tests.live import disturb, event, publish, quick, watching
from tests.mosquitto import open_port, running

CHROMIUM = shutil.which("chromium")
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
)
SLOW_MS = 20_000

pytestmark = [
    pytest.mark.browser,
    pytest.mark.broker,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here"),
]


@pytest.fixture
def broker(tmp_path):
    """A real broker."""
    with running(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
async def browser():
    """Chromium, with nothing remembered."""
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
    page = await browser.new_page(viewport={"width": width, "height": height})
    page.set_default_timeout(SLOW_MS)
    expect.set_options(timeout=SLOW_MS)
    watched = Watched(page)
    await page.goto(url)
    yield watched
    assert watched.wrong == []
    assert watched.hosts <= {url.split("/")[2]}
    await page.close()


async def test_a_fault_appears_is_seen_and_noted_by_keys_alone(
    browser, broker, tmp_path
):
    """From the broker to the screen; then S, N; and what was shown is in the journal."""
    async with watching(quick(tmp_path, broker.url)) as daemon:  # noqa: SIM117 - the page goes first
        async with opened(browser, daemon.desk_at) as watched:
            page = watched.page
            await expect(page.locator("#faults")).to_contain_text("No open fault")
            await disturb(broker.url)
            row = page.locator("#faults .row")
            await expect(row).to_contain_text("T2 disturbed")
            await expect(row).to_contain_text("NOT SEEN")
            look = page.locator('.overview [data-section="T2"]')
            await expect(look).to_have_attribute("data-fault", "prompt")
            await page.keyboard.press("ArrowDown")
            await expect(page.locator("#this-title")).to_have_text("T2 disturbed")
            await page.keyboard.press("s")
            await expect(row).not_to_contain_text("NOT SEEN")
            await page.keyboard.press("n")
            await page.keyboard.type("joint at H2 wet")
            await page.keyboard.press("Tab")
            await page.keyboard.press("Enter")
            await expect(page.locator("#fault")).to_contain_text("joint at H2 wet")
    with Journal.read(tmp_path / "journal.sqlite") as journal:
        painted = [
            one.headline for told in shown_in(journal.kept()) for one in told.faults
        ]
    assert "T2 disturbed" in painted


async def test_the_page_hatches_when_the_monitor_is_gone_and_comes_back(
    browser, broker, tmp_path
):
    """Within seconds, with words; and when the monitor is back everything is as it left it, and goes on; since when it heard nothing is in the journal."""
    settings = quick(tmp_path, broker.url, desk={"port": open_port()})
    async with watching(settings) as daemon:
        url = daemon.desk_at
        await disturb(broker.url)
        page = await browser.new_page()
        page.set_default_timeout(SLOW_MS)
        expect.set_options(timeout=SLOW_MS)
        await page.goto(url)
        await expect(page.locator("#faults .row")).to_contain_text("T2 disturbed")
        await expect(page.locator("#lost")).to_be_hidden()
    await expect(page.locator("#lost")).to_be_visible()
    await expect(page.locator("#lost-since")).to_contain_text("Not known since")
    assert "Not known since" in await page.title()
    async with watching(settings):
        await expect(page.locator("#lost")).to_be_hidden()
        await expect(page.locator("#faults .row")).to_contain_text("T2 disturbed")
        await publish(broker.url, event(9, "T3", "disturbed", daemon._now()))
        await expect(page.locator('[data-section="T3"]').first).to_have_attribute(
            "data-shows", "odd"
        )
    await page.close()
    with Journal.read(tmp_path / "journal.sqlite") as journal:
        told = [one.stale for one in shown_in(journal.kept())]
    spell = next(one for one in told if one is not None)
    assert None in told[told.index(spell) :]


async def test_on_a_phone_somebody_says_that_they_go(browser, broker, tmp_path):
    """No line is drawn; what is typed without coverage waits, and is sent with its own time."""
    async with watching(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        async with opened(browser, f"{daemon.desk_at}/phone", 390, 844) as watched:
            page = watched.page
            await expect(page.locator(".row")).to_contain_text("T2 disturbed")
            assert await page.locator("svg").count() == 0
            await page.locator(".row a").click()
            await expect(page.locator("h1")).to_have_text("T2 disturbed")
            await page.locator('[data-do="going"]').click()
            await expect(page.locator("#said")).to_have_text("Sent.")
            await page.context.set_offline(True)
            await page.locator("#text").fill("water in the cabinet")
            await page.locator("#cause").select_option("cable")
            await page.locator('[data-do="found"]').click()
            await expect(page.locator("#said")).to_contain_text("1 waiting here")
            await page.context.set_offline(False)
            await expect(page.locator("#said")).to_have_text("Sent.")
            await page.reload()
            await expect(page.locator("main")).to_contain_text(
                "cable or joint: water in the cabinet"
            )


@pytest.mark.parametrize(
    ("width", "height"),
    [(1920, 1080), (1920, 940), (1366, 640), (390, 844), (960, 540)],
)
async def test_nothing_is_cut_or_too_small(browser, broker, tmp_path, width, height):
    """No text under 16 px, no page wider than its window; 960 by 540 is 1920 by 1080 at twice the size."""
    async with watching(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        async with opened(browser, daemon.desk_at, width, height) as watched:
            page = watched.page
            await expect(page.locator("#faults .row")).to_contain_text("T2 disturbed")
            small, wide = await page.evaluate(
                """() => {
                  const small = [];
                  for (const one of document.querySelectorAll("body *")) {
                    const own = [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
                    const box = one.getBoundingClientRect();
                    if (!own || !box.width || one.closest("title, noscript, dialog")) continue;
                    const svg = one.closest("svg");
                    const scale = svg ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1;
                    const px = parseFloat(getComputedStyle(one).fontSize) * scale;
                    if (px < 15.5) small.push(`${one.className?.baseVal ?? one.className} ${px.toFixed(1)} ${one.textContent.slice(0, 20)}`);
                  }
                  return [small, document.documentElement.scrollWidth - innerWidth];
                }"""
            )
            assert small == []
            assert wide <= 0


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/phone",
        "/sections/T2",
        "/heads/H1",
        "/day-list",
        "/quiet",
        "/before-the-first-train",
        "/handover",
    ],
)
async def test_a_checker_of_access_finds_nothing_serious(
    browser, broker, tmp_path, path
):
    """axe-core, by its rules for WCAG 2.2 AA and good practice: nothing serious or critical."""
    async with watching(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        async with opened(browser, f"{daemon.desk_at}/") as watched:
            page = watched.page
            await expect(page.locator("#faults .row")).to_contain_text("T2 disturbed")
            await page.goto(f"{daemon.desk_at}{path}")
            found = await Axe().run(page)
            grave = [
                f"{one['id']}: {one['nodes'][0]['html'][:120]}"
                for one in found.response["violations"]
                if one["impact"] in {"serious", "critical"}
            ]
            assert grave == []
