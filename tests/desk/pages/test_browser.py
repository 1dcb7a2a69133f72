"""The desk in Debian's Chromium, over a running monitor and a real broker."""

from __future__ import annotations

import json
import re
from zoneinfo import ZoneInfo

import pytest
from argon2 import PasswordHasher
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import expect

from monitor.acts import acts
from monitor.core.layout import read_line
from monitor.core.moments import SECOND, as_datetime, parse
from monitor.desk.people import Person, write_people
from monitor.desk.roles import Role
from monitor.handling import Act
from monitor.journal import Journal
from monitor.shown import shown_in
from tests.desk.pages.browsing import CHROMIUM, SLOW_MS, opened
from tests.desk.pages.large import busy, large_line
from tests.live import LINE, disturb, event, listening, publish, quick, until
from tests.mosquitto import open_port

pytestmark = [
    pytest.mark.browser,
    pytest.mark.broker,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here"),
]


async def test_a_fault_appears_is_seen_and_noted_by_keys_alone(
    browser, broker, tmp_path
):
    """From the broker to the screen; then S, N; and what was shown is in the journal."""
    async with listening(quick(tmp_path, broker.url)) as daemon:  # noqa: SIM117 - the page goes first
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


HATCHED = """() => Object.fromEntries([...document.querySelectorAll(".top .field")].map((one) =>
  [one.querySelector("[id]")?.id, getComputedStyle(one).backgroundImage.includes("repeating-linear-gradient")]))"""
"""Which fields of the top line are hatched, by the first thing in them that has a name."""

BETWEEN = """() => {
  const box = (one) => document.querySelector(one).getBoundingClientRect(), [plate, board] = [box("#lost"), box(".board")];
  return box(".top").bottom <= plate.top && plate.bottom <= board.top && plate.height < 120 && plate.bottom > plate.top;
}"""
"""Whether the plate that says so covers nothing at all."""

OVER = "[getComputedStyle(document.body, '::after').backgroundImage.includes('repeating-linear-gradient'), getComputedStyle(document.body, '::after').mixBlendMode]"
"""Whether all below is hatched, and how: darkened, the ink of the last words stays as dark as it was."""


async def test_the_page_hatches_when_the_monitor_is_gone_and_comes_back(
    browser, broker, tmp_path
):
    """Within seconds, with words, the top line too but for clock and hearing; times are the line's, wherever the browser is; and when the monitor is back everything is as it left it, and goes on; since when it heard nothing is in the journal."""
    settings = quick(tmp_path, broker.url, desk={"port": open_port()})
    text = LINE.replace('"UTC"', '"Europe/Oslo"')
    oslo = ZoneInfo("Europe/Oslo")
    page = await browser.new_page(timezone_id="Asia/Tokyo")
    page.set_default_timeout(SLOW_MS)
    expect.set_options(timeout=SLOW_MS)
    async with listening(settings, text=text) as daemon:
        url = daemon.desk_at
        await disturb(broker.url)
        await page.goto(f"{url}/phone")
        hour = f"{as_datetime(daemon._now()).astimezone(oslo):%H:}"
        await page.wait_for_timeout(1100)
        await expect(page.locator("#clock")).to_contain_text(hour)
        await page.goto(url)
        await expect(page.locator("#clock")).to_contain_text(hour)
        await expect(page.locator("#faults .row")).to_contain_text("T2 disturbed")
        await expect(page.locator("#faults .since")).to_contain_text(hour)
        await expect(page.locator("#lost")).to_be_hidden()
        assert not any((await page.evaluate(HATCHED)).values())
    await expect(page.locator("#lost")).to_be_visible()
    await expect(page.locator("#lost-since")).to_contain_text(f"Not known since {hour}")
    assert "Not known since" in await page.title()
    hatched = await page.evaluate(HATCHED)
    assert {name for name, is_so in hatched.items() if not is_so} == {"clock", "heard"}
    assert await page.evaluate(BETWEEN)
    assert await page.evaluate(OVER) == [True, "darken"]
    async with listening(settings, text=text):
        await expect(page.locator("#lost")).to_be_hidden()
        assert not any((await page.evaluate(HATCHED)).values())
        await expect(page.locator("#faults .row")).to_contain_text("T2 disturbed")
        await publish(broker.url, event(9, "T3", "disturbed", daemon._now()))
        await expect(page.locator('[data-section="T3"]').first).to_have_attribute(
            "data-shows", "odd"
        )

        def told():
            with Journal.read(tmp_path / "journal.sqlite") as journal:
                return list(shown_in(journal.kept()))

        await until(lambda: any(one.stale for one in told()[:-1]))
    await page.close()
    place, spell = next(
        (i, one) for i, one in enumerate(told()) if one.stale is not None
    )
    # Told when the monitor was back, with the time at which the page found out.
    assert spell.stale is not None
    assert 2.5 * SECOND < spell.at - spell.stale < 8 * SECOND
    assert told()[place + 1].stale is None
    assert told()[place + 1].at > spell.at


TAPPED = """() => {
  const wrong = [], boxes = [];
  for (const one of document.querySelectorAll("a, button, select, textarea, summary")) {
    if (!one.checkVisibility()) continue;
    const box = one.getBoundingClientRect(), said = one.textContent.trim().slice(0, 24) || one.id;
    if (box.height < 48) wrong.push(`${said}: ${box.height} px high`);
    if (one.closest(".thumbs, .pair") && (box.height < 56 || box.width < 140)) wrong.push(`${said}: no thumb's width`);
    if (!one.closest(".thumbs")) boxes.push([box, said]);
  }
  for (const [a, one] of boxes) for (const [b, two] of boxes) {
    if (a === b || a.right <= b.left || b.right <= a.left || a.top > b.top) continue;
    if (b.top - a.bottom < 0) wrong.push(`${one} and ${two}: one on the other`);
    else if (b.top - a.bottom < 6 && !(one === two)) wrong.push(`${one} and ${two}: ${b.top - a.bottom} px apart`);
  }
  if (document.querySelector("svg")) wrong.push("a drawing");
  return wrong;
}"""
"""What a wet finger in a glove would miss: 48 px as for any touch screen (common practice), 56 for what is pressed on the way, and room between."""


END_OF_CAUTION = "document.querySelector('.caution').getBoundingClientRect().bottom"


def waited(folder, text):
    """How long what somebody typed waited until the monitor had it, by the journal."""
    with Journal.read(folder / "journal.sqlite") as journal:
        told = [one for one in acts(journal.kept()) if isinstance(one, Act)]
    [found] = [one for one in told if one.text == text]
    return found.entered - found.at


async def test_on_a_phone_somebody_says_that_they_go(browser, broker, tmp_path):
    """No line is drawn; what is typed without coverage, or by whom the monitor no longer knows, waits, and is sent once with its own time; the story follows, and leaves the form alone."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        async with opened(browser, f"{daemon.desk_at}/phone", 390, 844) as watched:
            page = watched.page
            await expect(page.locator(".row")).to_contain_text("T2 disturbed")
            await page.locator(".row a").click()
            await expect(page.locator("h1")).to_have_text("T2 disturbed")
            assert await page.evaluate(TAPPED) == []
            assert await page.evaluate(END_OF_CAUTION) < 844
            await page.locator('[data-do="going"]').click()
            await expect(page.locator("#said")).to_have_text("Sent.")
            await expect(page.locator("#said")).to_be_in_viewport()
            await page.context.set_offline(True)
            await page.locator("#text").fill("water in the cabinet")
            await page.locator("#cause").select_option("cable")
            await page.locator('[data-do="found"]').click()
            await expect(page.locator("#said")).to_contain_text("1 waiting here")
            await page.locator("#text").fill("and the lid was")
            # Out of coverage the phone loses its page too, and finds another.
            await page.wait_for_timeout(1500)
            again = page.url
            await page.goto("about:blank")
            await page.context.set_offline(False)
            await page.goto(again)
            await expect(page.locator("#told")).to_contain_text("water in the cabinet")
            assert await page.locator("#text").input_value() == "and the lid was"
            await page.reload()
            await expect(page.locator("main")).to_contain_text(
                "cable or joint: water in the cabinet"
            )
            await expect(page.locator(".phone-top")).to_contain_text("UTC")
            sent = []

            async def refuse(route):
                sent.append(route.request.post_data)
                await route.fulfill(status=401, json={"detail": "Not logged in."})

            await page.route("**/api/v1/acts", refuse)
            await page.locator("#text").fill("joint dried")
            await page.locator('[data-do="found"]').click()
            await expect(page.locator("#said")).to_contain_text("log in, then it goes")
            await expect(page.locator("#login")).to_be_in_viewport()
            assert len(sent) == 1
            # The browser itself notes that it was refused.
            assert [one for one in watched.wrong if "401" not in one] == []
            watched.wrong.clear()
            await page.unroute("**/api/v1/acts", refuse)
            page.on("request", lambda asked: sent.append(asked.post_data))
            await page.locator("#text").fill("half a sentence")
            online = "window.dispatchEvent(new Event('online'))"
            await page.evaluate(f"{online}; {online}")
            await expect(page.locator("#told")).to_contain_text("joint dried")
            assert len([one for one in sent if one]) == 2
            assert await page.locator("#text").input_value() == "half a sentence"
    assert waited(tmp_path, "water in the cabinet") > SECOND


async def test_what_a_phone_was_refused_is_said_on_every_page_of_it(
    browser, broker, tmp_path
):
    """What is refused, and what waits, is said on the list and on every page of the phone, with the way to its fault; there it is written again, or dropped."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        url = daemon.desk_at
        async with opened(browser, f"{url}/phone", 390, 844) as watched:
            page = watched.page
            await page.locator(".row a").click()
            kept = page.locator("#outbox")
            number = await page.locator(".number").first.inner_text()

            async def refuse(route):
                is_first = "not on the list" in route.request.post_data
                status, why = (
                    (422, "That cannot be.") if is_first else (500, "Not now.")
                )
                await route.fulfill(status=status, json={"detail": why})

            await page.route("**/api/v1/acts", refuse)
            await page.locator("#text").fill("not on the list")
            await page.locator('[data-do="found"]').click()
            await expect(kept).to_contain_text("1 refused: That cannot be.")
            await page.locator('[data-do="going"]').click()
            await expect(kept).to_contain_text(
                "1 waits to be sent; 1 refused: That cannot be."
            )
            for path in ("/phone", "/heads/H2/watch"):
                await page.goto(f"{url}{path}")
                await expect(kept).to_contain_text("1 waits to be sent; 1 refused")
                assert (
                    await page.evaluate(
                        "document.querySelector('#outbox').getBoundingClientRect().bottom"
                    )
                    < 500
                )
            way = page.locator("#outbox a").first
            await expect(way).to_contain_text("“not on the list”")
            await way.click()
            await expect(page).to_have_url(f"{url}/phone/{number}")
            assert await page.evaluate(TAPPED) == []
            await page.locator("#text").fill("")
            await page.locator('[data-refused="again"]').click()
            await expect(page.locator("#text")).to_have_value("not on the list")
            await expect(kept).not_to_contain_text("refused")
            await page.unroute("**/api/v1/acts", refuse)
            await page.evaluate("window.dispatchEvent(new Event('online'))")
            await expect(kept).to_be_hidden()
            # The browser itself notes that it was refused.
            watched.wrong.clear()


SIZES = [(1920, 1080), (1920, 940), (1366, 640), (390, 844), (960, 540)]
"""960 by 540 is 1920 by 1080 at twice the size."""

WRONG = """() => {
  const wrong = [], boxes = [];
  const seen = (one) => one.checkVisibility() && !one.closest("noscript, dialog, title");
  for (const one of document.querySelectorAll("body *")) {
    const own = [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    const box = one.getBoundingClientRect();
    if (!own || !box.width || !seen(one)) continue;
    const svg = one.closest("svg");
    const scale = svg ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1;
    const px = parseFloat(getComputedStyle(one).fontSize) * scale;
    const said = `${one.tagName} ${one.className?.baseVal ?? one.className} "${one.textContent.trim().slice(0, 24)}"`;
    if (px < 15.5) wrong.push(`${said}: ${px.toFixed(1)} px`);
    if (one.matches("h2, .what, .field b, .answer > b") && px < 19.5) wrong.push(`${said}: a headline of ${px.toFixed(1)} px`);
    if (!svg && one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).display !== "inline") wrong.push(`${said}: cut`);
    if (one.matches(".overview text, .close-up text, .top b, .top span, .row *, .head *, .foot *, .keys *, .answer *, .this h2, .this h3")) boxes.push([one, box, said]);
  }
  for (const [one, a, said] of boxes) for (const [two, b, other] of boxes) {
    if (one === two || one.contains(two) || two.contains(one) || said > other) continue;
    if (one.closest(".this > .keys, .lost") || two.closest(".this > .keys, .lost")) continue;
    const [x, y] = [Math.min(a.right, b.right) - Math.max(a.left, b.left), Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top)];
    if (x > 1.5 && y > 4 && one.closest(".panel, header, footer") === two.closest(".panel, header, footer")) wrong.push(`${said} over ${other}`);
  }
  const wide = document.documentElement.scrollWidth - innerWidth;
  if (wide > 0) wrong.push(`${wide} px wider than its window`);
  return wrong;
}"""
"""What is too small, cut, or stands on something else."""

HIDDEN = """() => {
  const wrong = [], box = (one) => one.getBoundingClientRect();
  const close = document.querySelector(".close"), about = box(close);
  if (close.scrollWidth > close.clientWidth + 1) wrong.push(`the close-up is ${close.scrollWidth - close.clientWidth} px wider than its place`);
  const shown = [...close.querySelectorAll("text, .head line, .rail")].filter((one) => box(one).width || box(one).height);
  for (const one of shown) if (box(one).left < about.left - 1 || box(one).right > about.right + 1) wrong.push(`${one.textContent || one.className.baseVal} is cut in the close-up`);
  if (!shown.some((one) => one.closest("[data-chosen]"))) wrong.push("the close-up does not show what it is about");
  if (innerWidth <= 1000) return wrong;
  const fields = [...document.querySelectorAll(".top .field")].map(box);
  if (Math.max(...fields.map((one) => one.top)) > Math.min(...fields.map((one) => one.bottom))) wrong.push("the top line has more than one row");
  if (document.documentElement.scrollHeight > innerHeight + 1) wrong.push(`${document.documentElement.scrollHeight - innerHeight} px higher than its window`);
  const panel = box(document.querySelector(".this"));
  const keys = [...document.querySelectorAll(".this > .keys > *")], answer = box(document.querySelector(".answer"));
  for (const one of [...keys, document.querySelector("#all-keys"), document.querySelector(".foot .caution")]) {
    if (box(one).bottom > innerHeight || box(one).right > innerWidth) wrong.push(`${one.textContent} lies beyond the edge`);
  }
  for (const one of keys) if (box(one).right > panel.right || box(one).bottom > panel.bottom + 1) wrong.push(`${one.textContent} lies beyond its panel`);
  const above = Math.min(...keys.map((one) => box(one).top));
  if (answer.bottom > above) wrong.push("what to do first lies under the keys");
  const [happened] = document.querySelectorAll(".this .list tr");
  if (box(happened).top < answer.bottom || box(happened).bottom > above) wrong.push("what happened is out of sight");
  return wrong;
}"""
"""What cannot be seen without pushing: the close-up at every width; on a screen also the top line, what to do first, keys and caution."""


SHOWN = """(text) => {
  for (const id of ["caption", "drill", "said"]) document.getElementById(id).textContent = text && `${id}: ${text}`;
  document.getElementById("caption").hidden = !text;
}"""
SAYS = "Seven of ten, in the terminal, and watch it come back; Enter goes on, and so does what nobody has seen yet."
"""As long as what a show says is."""

COVERED = """() => {
  const box = (one) => one.getBoundingClientRect(), said = box(document.getElementById("said")), wrong = [];
  for (const one of document.querySelectorAll(".caution, .answer, .top, #drill")) {
    const b = box(one);
    if (said.left < b.right && b.left < said.right && said.top < b.bottom && b.top < said.bottom) wrong.push(`what was done covers ${one.className || one.id}`);
  }
  return wrong;
}"""

PUSHED = """() => {
  const drawn = document.querySelector(".drawn"), wrong = [], box = (one) => one.getBoundingClientRect();
  drawn.scrollLeft = 500;
  return new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(() => {
    const seen = box(drawn);
    for (const one of document.querySelectorAll(".overview .area, .strips .row-names text")) {
      const place = one.closest(".strips") ?? drawn;
      if (place !== drawn) place.scrollLeft = -200;
      const b = box(one);
      if (b.left < box(place).left - 1 || b.right > box(place).right + 1) wrong.push(`${one.textContent} is out of sight`);
    }
    const said = [...document.querySelectorAll(".areas li")].filter((one) => box(one).right <= innerWidth && one.checkVisibility()).map((one) => one.textContent);
    if (!said.some((one) => /not known since|not heard yet/.test(one))) wrong.push("since when an area is not known is out of sight");
    go(wrong);
  })));
}"""
"""What is lost from sight where a drawing is pushed on a narrow screen."""


async def test_nine_hundred_sections_at_every_size_by_day_and_dimmed(
    browser, broker, tmp_path
):
    """In six areas, with trains, ten faults, work and an area not heard: no text under 16 px and no headline under 20, nothing cut, nothing on something else, no page wider than its window; what must be in sight is, without pushing."""
    text = large_line(900)
    line = read_line(text)
    async with listening(quick(tmp_path, broker.url), text=text) as daemon:
        told = busy(line, daemon._now())
        packs = [
            json.dumps(told[i : i + 100]).encode() for i in range(0, len(told), 100)
        ]
        await publish(broker.url, payloads=packs)
        async with opened(browser, daemon.desk_at) as watched:
            page = watched.page
            await expect(page.locator("#faults .row")).to_have_count(7)
            await expect(page.locator("#unknown b")).to_have_text(
                "150 of 900 not known"
            )
            assert await page.locator(".overview [data-section]").count() == 900
            found: dict[object, list[str]] = {}
            for width, height in SIZES:
                await page.set_viewport_size({"width": width, "height": height})
                for dimmed in ("by day", "dimmed"):
                    await page.wait_for_timeout(50)
                    wrong = await page.evaluate(WRONG)
                    found[width, height, dimmed] = wrong + await page.evaluate(HIDDEN)
                    await page.evaluate(SHOWN, SAYS)
                    wrong = await page.evaluate(HIDDEN) + await page.evaluate(WRONG)
                    wrong += await page.evaluate(COVERED)
                    found[width, height, dimmed, "with a show"] = wrong
                    await page.evaluate(SHOWN, "")
                    if width < 700:
                        found[width, "pushed"] = await page.evaluate(PUSHED)
                    await page.keyboard.press("b")
            urgent = page.locator('.overview [data-section="VD030"]')
            await expect(urgent.locator(".urge")).to_be_hidden()
            await urgent.evaluate("(one) => { one.dataset.fault = 'urgent'; }")
            await expect(urgent.locator(".urge")).to_be_visible()
            for path in ("/phone", "/heads/H0100/watch", "/sections/WU038"):
                await page.set_viewport_size({"width": 390, "height": 844})
                await page.goto(f"{daemon.desk_at}{path}")
                found[path] = await page.evaluate(WRONG)
    assert {where: wrong for where, wrong in found.items() if wrong} == {}


def counted(number, axles, direction, at):
    """Head H2 counts an axle of a test wheel."""
    return {
        **event(number, "H2", "", at),
        "type": "tallywatch.head.passage",
        "data": {"direction": direction, "axles": axles, "a": axles, "b": axles},
    }


async def told_the_keys(page):
    """What keys do stays until Escape, and nothing is done meanwhile."""
    await page.keyboard.press("?")
    await expect(page.locator("#keys")).to_contain_text("silence what sounds")
    await page.keyboard.press("h")
    await page.keyboard.press("Escape")
    await expect(page.locator("#keys")).to_be_hidden()


async def moves(page):
    """What nobody has seen moves, again and again."""
    chip = page.locator("#faults .not-seen .chip")
    for beat in ("none", "matrix(1.12, 0, 0, 1.12, 0, 0)", "none"):
        await expect(chip).to_have_css("transform", beat)


async def stays(page):
    """It does not where no motion is wanted, and neither does anything else."""
    moved = "!document.getAnimations().length && getComputedStyle(document.querySelector('.chip')).transform"
    await expect(page.locator("#faults")).to_have_attribute("data-beat", "")
    assert await page.evaluate(moved) == "none"


async def stands_alone(page, url):
    """Where no script runs, a page says so, keeps its position, and shows nothing that would do nothing."""
    said = await page.locator("noscript").inner_text()
    assert "this page stands as of" in said
    assert await page.evaluate(DOES_NOTHING) == []
    way = await page.locator("#faults .what").get_attribute("href") or ""
    assert way.startswith("/?position=desk&fault=")
    await page.goto(f"{url}/phone/{way.rpartition('=')[2]}")
    assert "Telephone" in await page.locator("noscript").inner_text()
    assert await page.evaluate(DOES_NOTHING) == []


async def keeps_the_hour(page):
    """K keeps what the journal has of a fault, and says from when to when."""
    await page.keyboard.press("k")
    await page.keyboard.type("to be looked at")
    await page.locator("#asking-yes").click()
    kept = re.compile(r"^Kept from .*\d\d:\d\d to .*\d\d:\d\d\.$")
    await expect(page.locator("#said")).to_have_text(kept)


async def test_a_shift_by_keys_alone(browser, broker, tmp_path):
    """The desk is taken, which runs the drill; a fault is gone to, shelved, and the desk handed over: without a mouse."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        async with opened(browser, daemon.desk_at) as watched:
            page = watched.page
            row = page.locator("#faults .row")
            await expect(row).to_contain_text("T2 disturbed")
            await expect(page.locator("#this-title")).to_have_text("T2 disturbed")
            await expect(page).to_have_title("(1 not seen) four sections")
            await expect(page.locator("#sound")).to_have_text("Sound blocked")
            await moves(page)
            await page.keyboard.press("Tab")
            assert await page.evaluate("document.activeElement.id") == "take"
            await page.keyboard.press("Enter")
            await expect(page.locator("#position")).to_contain_text("yours since")
            await expect(page.locator("#drill")).to_contain_text("passed")
            await expect(page.locator("#sound")).to_have_text("Sound on")
            await expect(page.locator("#sound-said")).to_contain_text("by unnamed")
            await page.keyboard.press("w")
            await expect(page.locator("#fault .who")).to_contain_text("unnamed going")
            await keeps_the_hour(page)
            await page.keyboard.press("v")
            await page.keyboard.type("known, the spare part comes on Monday")
            await page.keyboard.press("Tab")
            await page.keyboard.press("Enter")
            await expect(row).to_have_attribute("data-quiet", re.compile("shelved"))
            await told_the_keys(page)
            await page.keyboard.press("h")
            await expect(page.locator("h1")).to_have_text("Handover")
            await expect(page.locator(".as-of")).to_contain_text("ago")
            await expect(page.locator("main")).to_contain_text("T2 disturbed")
            await page.keyboard.press("Escape")
            await page.wait_for_url(f"{daemon.desk_at}/?position=desk")
            given = {"what": "hand_over", "position": "desk", "to": "B. Fell"}
            why = await page.evaluate(
                "(given) => import('/static/server.js').then((one) => one.act('/api/v1/acts', given))",
                given,
            )
            assert why is None
            await page.reload()
            await expect(page.locator(".top")).to_contain_text("unnamed since")
            await expect(page.locator("#take")).to_have_text("take over")
        still = await browser.new_context(reduced_motion="reduce")
        plain = await browser.new_context(java_script_enabled=False)
        for context in (still, plain):
            page = await context.new_page()
            await page.goto(daemon.desk_at)
            await expect(page.locator("#faults .row")).to_contain_text("T2 disturbed")
            assert (
                await page.locator('.overview [data-section="T2"]').get_attribute(
                    "data-fault"
                )
                == "prompt"
            )
            if context is still:
                await stays(page)
            else:
                await stands_alone(page, daemon.desk_at)
            await context.close()


DOES_NOTHING = "[...document.querySelectorAll('button:not(form button), select, textarea')].filter((one) => one.checkVisibility() && !one.closest('dialog')).map((one) => one.textContent)"
"""What would do nothing where no script runs, and is shown."""


async def test_keys_say_what_they_cannot_do_and_a_dimmed_screen_stays_dimmed(
    browser, broker, tmp_path
):
    """C with nothing to close, A before the desk is taken; B holds on every page, and after a page is loaded again; I and E go to the planner and to a head."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        async with opened(browser, daemon.desk_at) as watched:
            page = watched.page
            await expect(page.locator("#this-title")).to_have_text("T2 disturbed")
            await page.keyboard.press("c")
            await expect(page.locator("#said")).to_have_text(
                "Nothing in it waits to be closed."
            )
            await page.keyboard.press("a")
            assert await page.evaluate("document.activeElement.id") == "take"
            await page.keyboard.press("b")
            # A page is told by its address before its scripts have run.
            root = page.locator("html")
            await page.keyboard.press("e")
            await expect(page.locator("h1")).to_have_text(re.compile("Head H[12]"))
            await expect(root).to_have_attribute("data-dimmed", "")
            await page.goto(daemon.desk_at)
            await expect(root).to_have_attribute("data-dimmed", "")
            await page.keyboard.press("i")
            await expect(page).to_have_url(re.compile("/planner"))
            await expect(root).to_have_attribute("data-dimmed", "")
            await page.keyboard.press("b")
            await page.reload()
            await expect(root).to_have_attribute("data-script", re.compile(".*"))
            await expect(root).not_to_have_attribute("data-dimmed", "")


async def test_a_head_is_watched_live_under_work(browser, broker, tmp_path):
    """What a test wheel does is on the phone within a second, in figures, counted from when somebody says so, also while its section is under work."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        now = daemon._now()
        work = event(1, "T2", "begun", now)
        work |= {"type": "tallywatch.section.work", "data": {"state": "begun"}}
        level = counted(2, 0, "none", now)
        level |= {"type": "tallywatch.head.level", "data": {"a_volts": 3.41}}
        first = [work, level, counted(3, 8, "forward", now)]
        await publish(broker.url, payloads=[json.dumps(first).encode()])
        async with opened(
            browser, f"{daemon.desk_at}/heads/H1/watch", 390, 844
        ) as watched:
            await expect(watched.page.locator("#part")).to_contain_text(
                "not heard since"
            )
            await watched.page.goto(f"{daemon.desk_at}/heads/H2/watch")
            part = watched.page.locator("#part")
            await expect(part).to_contain_text("under work: T2")
            await expect(part.locator(".level")).to_have_text("3.41 V")
            await expect(part.locator(".big").first).to_contain_text("8axles")
            # What is played has another clock: the page goes by what the monitor told.
            told = "document.querySelector('#part [data-now]').dataset.now"
            assert (
                abs(parse(await watched.page.evaluate(told)) - daemon._now())
                < 60 * SECOND
            )
            await watched.page.locator("#count").click()
            await expect(part).to_contain_text("Counted since")
            later = daemon._now() + SECOND
            turned = [
                counted(4, 1, "forward", later),
                counted(5, 1, "reverse", later + 1),
            ]
            await publish(broker.url, payloads=[json.dumps(turned).encode()])
            await expect(part.locator(".big").last).to_have_text(
                re.compile(r"^1T2 → T3\s*1T3 → T2$")
            )
            assert await watched.page.evaluate(TAPPED) == []
            size = "parseFloat(getComputedStyle(document.querySelector('.big span')).fontSize)"
            assert await watched.page.evaluate(size) >= 48
            await watched.page.locator(".phone-top a").click()
            await watched.page.wait_for_url("**/heads/H1/watch")


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/phone",
        "/sections/T2",
        "/explain",
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
    async with listening(quick(tmp_path, broker.url)) as daemon:
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


async def test_a_visit_is_recorded_and_taken_back(browser, broker, tmp_path):
    """By the form, with what is wrong told by its line; both planner's pages have no fault that axe finds, on a phone nothing is too wide."""
    async with listening(quick(tmp_path, broker.url)) as daemon:
        await disturb(broker.url)
        await until(lambda: daemon.engine.alerts.open)  # the page is kept for a minute
        at = f"{daemon.desk_at}/planner/visits"
        async with opened(browser, at, 390, 844) as watched:
            page = watched.page
            await page.locator("[name=from]").fill("2026-05-04T09:10")
            await page.locator("[name=subject]").fill("T9")
            await page.locator("[name=cause]").select_option("cable")
            await page.locator("[name=text]").fill('joint "wet", remade')
            await page.locator("#visit button").click()
            await expect(page.locator("#said")).to_contain_text("line 2")
            # The browser itself notes that it was refused.
            assert [one for one in watched.wrong if "409" not in one] == []
            watched.wrong.clear()
            offers = "const x = document.querySelector('[name=subject]');"
            offers = (
                f"() => {{ {offers} return [...x.list.options].map(o => o.value) }}"
            )
            await page.locator("[name=subject]").fill("T2;")
            assert "T2; head/H2" in await page.evaluate(offers)
            await page.locator("[name=subject]").fill("T2")
            assert "section/T2" in await page.evaluate(offers)
            await page.locator("[name=subject]").fill("T2; H2")
            await page.locator("#visit button").click()
            row = page.locator("tbody tr").first
            await expect(row).to_contain_text('joint "wet", remade')
            await expect(row).to_contain_text("too early")
            for path in (at, f"{daemon.desk_at}/planner/work"):
                await page.goto(path)
                wide = "document.documentElement.scrollWidth - innerWidth"
                assert await page.evaluate(wide) <= 0
                found = await Axe().run(page)
                assert found.violations_count == 0, found.generate_report()
            await page.goto(at)
            page.once("dialog", lambda asked: asked.accept("wrong day"))
            await page.locator("[data-withdraw]").first.click()
            await expect(page.locator("tbody tr").first).to_contain_text("None is on")


async def test_a_pointer_on_the_list_keeps_its_order_and_hides_nothing(
    browser, broker, tmp_path
):
    """While the pointer rests on the list, what else fails is there at once, below, and sounds although the rest is silenced; what is chosen is what the panel tells."""
    async with listening(quick(tmp_path, broker.url)) as daemon:  # noqa: SIM117 - the page goes first
        async with opened(browser, daemon.desk_at) as watched:
            page = watched.page
            await disturb(broker.url)
            rows = page.locator("#faults .row")
            await expect(rows).to_have_count(1)
            sound = page.locator("#sound")
            begun = re.compile('"sound":"sounded"')
            async with page.expect_request(
                lambda asked: bool(begun.search(asked.post_data or ""))
            ):
                await page.keyboard.press("t")
            await expect(sound).to_have_text("Sound on")
            await expect(page.locator("#sound-said")).to_contain_text("by unnamed")
            await page.keyboard.press("m")
            await expect(sound).to_have_text("Sound silenced")
            await rows.first.hover()
            await disturb(broker.url, "T4", 11)
            await expect(rows).to_have_count(2)
            await expect(rows.first).to_contain_text("T2 disturbed")
            await expect(sound).to_have_text("Sound on")
            await page.keyboard.press("ArrowDown")
            await page.keyboard.press("ArrowDown")
            chosen = page.locator("#faults .row[data-chosen] .what")
            told = await chosen.inner_text()
            await expect(page.locator("#this-title")).to_have_text(told)
    with Journal.read(tmp_path / "journal.sqlite") as journal:
        told = list(shown_in(journal.kept()))
    sounds = [one.faults[0].headline for one in told if one.sound == "sounded"]
    assert sounds[:1] == ["T2 disturbed"]
    assert "muted" in [one.sound for one in told]


@pytest.mark.parametrize(("width", "onwards"), [(390, "/phone"), (1366, "/")])
async def test_who_logs_in_goes_on_where_they_were(
    browser, broker, tmp_path, width, onwards
):
    """On a phone at the faults, else at the desk; a wrong password is told, and nothing else happens."""
    settings = quick(tmp_path, broker.url, desk={"unnamed": "look"})
    moor = Person(
        name="A. Moor",
        role=Role.ACT,
        password=PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash("wet"),
    )
    write_people(settings.desk.people_file, [moor])
    async with listening(settings) as daemon:
        url = f"{daemon.desk_at}/login"
        async with opened(browser, url, width, 844) as watched:
            page = watched.page
            await page.locator("#name").fill("A. Moor")
            await page.locator("#password").fill("dry")
            await page.keyboard.press("Enter")
            await expect(page.locator("#said")).not_to_be_empty()
            assert [one for one in watched.wrong if "401" not in one] == []
            watched.wrong.clear()
            await page.locator("#password").fill("wet")
            await page.keyboard.press("Enter")
            await page.wait_for_url(f"{daemon.desk_at}{onwards}")
