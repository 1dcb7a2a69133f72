"""Many pages of one browser hear the monitor by one stream, and each still judges for itself whether it hears it."""

from __future__ import annotations

import pytest
from playwright.async_api import expect

from monitor.journal import Journal
from monitor.shown import shown_in
from tests.desk.pages.browsing import CHROMIUM, SLOW_MS, chromium, opened
from tests.live import disturb, event, listening, publish, quick, until
from tests.mosquitto import open_port

pytestmark = [
    pytest.mark.browser,
    pytest.mark.broker,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here"),
]

TABS = 8
"""A browser keeps six ways open to a server that speaks HTTP/1.1 (RFC 9112, section 9.4, leaves the number to it; common practice): with a stream each, the seventh page would get nothing."""

JOINS = """([last, position, name]) => new Promise((done) => {
  const { port } = new SharedWorker("/static/hearer.js", { name });
  port.onmessage = ({ data }) => { if (data.kind !== "pulse") { port.postMessage({ leaves: true }); done(data); } };
  port.postMessage({ last, position });
})"""
"""What a page that has the event *last* is told when it comes to the worker of the others."""


def streams(daemon):
    """How many streams the monitor serves to pages."""
    return len(daemon._front._ticks.ticks._waiting)


async def show(pages, section, shows):
    """Every page shows *section* so."""
    for page in pages:
        await expect(
            page.locator(f'.overview [data-section="{section}"]')
        ).to_have_attribute("data-shows", shows)


async def test_eight_pages_of_a_browser_hear_by_one_stream(broker, tmp_path):
    """Each gets what comes and its own questions answered, hatches when the monitor is gone, and goes on when it is back; and hardly any has asked in vain meanwhile."""
    settings = quick(tmp_path, broker.url, desk={"port": open_port()})
    failed = []
    async with chromium() as browser:
        context = await browser.new_context()
        context.set_default_timeout(SLOW_MS)
        expect.set_options(timeout=SLOW_MS)
        context.on(
            "console",
            lambda said: failed.append(said.text) if said.type == "error" else None,
        )
        async with listening(settings) as daemon:
            pages = [await context.new_page() for _ in range(TABS)]
            for page in pages:
                await page.goto(daemon.desk_at)
            first = await pages[0].evaluate("document.body.dataset.tick")
            version = await pages[0].evaluate("document.body.dataset.version")
            await disturb(broker.url)
            await show(pages, "T2", "odd")
            for page in pages:
                await expect(page.locator("#faults .row")).to_contain_text(
                    "T2 disturbed"
                )
                assert await page.evaluate("fetch('/looks').then((a) => a.ok)")
            assert streams(daemon) == 1
            # A page that was made before the fault, and comes to the others after it, is told what has changed since.
            name = f"tallywatch {version}"
            told = await pages[0].evaluate(JOINS, [first, "desk", name])
            assert told["kind"] == "tick"
            assert '"T2":{"shows":"odd"' in told["text"]
            told = await pages[0].evaluate(JOINS, ["0123abcd-1", "desk", name])
            assert told["kind"] == "gone"
        for page in pages:
            await expect(page.locator("#lost")).to_be_visible()
        async with listening(settings) as daemon:
            for page in pages:
                await expect(page.locator("#lost")).to_be_hidden()
            now = daemon._now()
            await publish(broker.url, event(9, "T3", "disturbed", now))
            await show(pages, "T3", "odd")
            assert streams(daemon) == 1
            await the_worker_dies(browser, pages)
            await publish(broker.url, event(10, "T4", "occupied", now))
            await show(pages, "T4", "train")
            await context.close()
            await until(lambda: streams(daemon) == 0)
    # Before: each asked once a second, and for its lists.
    assert len(failed) < TABS


async def the_worker_dies(browser, pages):
    """Then the pages hear nothing, say so, and hear again by themselves."""
    session = await browser.new_browser_cdp_session()
    targets = (await session.send("Target.getTargets"))["targetInfos"]
    [worker] = [one for one in targets if one["type"] == "shared_worker"]
    await session.send("Target.closeTarget", {"targetId": worker["targetId"]})
    for page in pages:
        await expect(page.locator("#lost")).to_be_visible()
    for page in pages:
        await expect(page.locator("#lost")).to_be_hidden()


async def test_without_a_worker_a_page_hears_by_a_stream_of_its_own(
    browser, broker, tmp_path
):
    """As on a browser that has none."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        context = await browser.new_context()
        await context.add_init_script("delete globalThis.SharedWorker")
        async with (
            opened(context, daemon.desk_at) as one,
            opened(context, daemon.desk_at) as other,
        ):
            await disturb(broker.url)
            await show([one.page, other.page], "T2", "odd")
            assert streams(daemon) == 2


async def test_a_page_without_timers_sounds_and_hatches_in_time(
    browser, broker, tmp_path
):
    """As one that is hidden, whose timers a browser lets wait: what it is told is enough."""
    page = await browser.new_page()
    page.set_default_timeout(SLOW_MS)
    await page.add_init_script("globalThis.setInterval = () => 0;")
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await page.goto(daemon.desk_at)
        await page.keyboard.press("t")
        await expect(page.locator("#sound")).to_have_text("Sound on")
        await disturb(broker.url)

        def sounds():
            with Journal.read(tmp_path / "journal.sqlite") as journal:
                return [one.sound for one in shown_in(journal.kept())]

        await until(lambda: "sounded" in sounds())
        await expect(page.locator("#lost")).to_be_hidden()
    await expect(page.locator("#lost")).to_be_visible()
    assert "Not known since" in await page.title()
    await page.close()
