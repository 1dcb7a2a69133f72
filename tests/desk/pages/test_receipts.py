"""What pages of the desk have shown, as a real browser tells it and the journal has it."""

from __future__ import annotations

import pytest
from playwright.async_api import expect

from monitor.core.moments import SECOND
from monitor.journal import Journal
from monitor.painted import alerts_painted, first_painted, pages_at
from monitor.shown import shown_in
from tests.desk.pages.browsing import CHROMIUM, opened
from tests.live import disturb, event, listening, publish, quick, until

pytestmark = [
    pytest.mark.browser,
    pytest.mark.broker,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here"),
]

BEHIND = """(state) => {
  Object.defineProperty(document, "visibilityState", { value: state, configurable: true });
  document.dispatchEvent(new Event("visibilitychange"));
}"""
"""A browser without a screen keeps every page in front: what it would say of one behind another is said for it."""

TOP = "document.querySelector('#faults .rows').getBoundingClientRect().top"


def again_disturbed(number, at, section="T2"):
    """A section is reset, and disturbed again at once: another alert of the fault that is there."""
    reset = {
        **event(number, section, "", at),
        "type": "tallywatch.section.reset",
        "data": {"kind": "unconditional", "step": "accepted", "by": "signaller"},
    }
    return (
        reset,
        event(number + 1, section, "clear", at + SECOND // 10),
        event(number + 2, section, "disturbed", at + SECOND),
    )


async def test_all_that_a_page_shows_reaches_the_journal(browser, broker, tmp_path):
    """That it is open; each fault and each alert that joins one, when its row is painted; in front or behind; sound blocked, begun, silenced, or made by another page; and that it was left."""

    def told():
        with Journal.read(tmp_path / "journal.sqlite") as journal:
            return list(shown_in(journal.kept()))

    async with listening(quick(tmp_path, broker.url)) as daemon:  # noqa: SIM117 - the page goes first
        async with opened(browser, daemon.desk_at) as watched:
            page = watched.page
            await until(told)
            [first] = told()
            assert (first.position, first.sound, first.faults) == (
                "desk",
                "blocked",
                (),
            )
            assert (first.visible, first.stale) == (True, None)

            await disturb(broker.url)
            row = page.locator("#faults .row")
            await expect(row).to_contain_text("T2 disturbed")
            fault = await row.get_attribute("data-fault")
            await until(lambda: fault in first_painted(told(), "desk"))
            await page.keyboard.press("t")
            await until(lambda: "sounded" in [one.sound for one in told()])

            await publish(broker.url, *again_disturbed(10, daemon._now()))
            await expect(row.locator(".also")).to_contain_text("T2")
            alerts = (await row.get_attribute("data-alerts")).split()
            assert len(alerts) > 1
            await until(lambda: set(alerts) <= set(alerts_painted(told(), "desk")))
            painted = alerts_painted(told())
            assert painted[alerts[1]].at > painted[alerts[0]].at
            assert painted[alerts[1]].fault == fault

            await page.keyboard.press("m")
            await until(lambda: told()[-1].sound == "muted")
            await page.evaluate(BEHIND, "hidden")
            await until(lambda: not told()[-1].visible)
            await page.evaluate(BEHIND, "visible")
            await until(lambda: told()[-1].visible)
            await page.keyboard.press("m")
            await until(lambda: told()[-1].sound == "could")

            other = await browser.new_page()
            await other.goto(daemon.desk_at)
            await other.keyboard.press("t")
            await until(lambda: "elsewhere" in [one.sound for one in told()])
            # Gone on from, it is none of those that stand open.
            await other.goto("about:blank")
            await until(lambda: told()[-1].left)
            [here] = [one for one in pages_at(told(), told()[-1].at) if not one.left]
            assert here.page == first.page
            await other.close()


async def test_a_row_below_the_edge_is_painted_when_it_comes_into_sight(
    browser, broker, tmp_path
):
    """A list that is longer than its place has shown nobody what lies below: that is told when somebody scrolls to it."""

    def painted():
        with Journal.read(tmp_path / "journal.sqlite") as journal:
            return {
                one.headline for one in first_painted(shown_in(journal.kept())).values()
            }

    async with listening(quick(tmp_path, broker.url)) as daemon:  # noqa: SIM117 - the page goes first
        async with opened(browser, daemon.desk_at, 1366, 600) as watched:
            page = watched.page
            top = await page.evaluate(TOP)
            await page.set_viewport_size({"width": 1366, "height": int(top) + 90})
            await disturb(broker.url, "T1", 1)
            await disturb(broker.url, "T3", 11)
            rows = page.locator("#faults .row")
            await expect(rows).to_have_count(2)
            below = await rows.last.locator(".what").inner_text()
            await until(painted)
            assert below not in painted()
            await rows.last.scroll_into_view_if_needed()
            await until(lambda: below in painted())
