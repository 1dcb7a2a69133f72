"""The report in Debian's Chromium, opened as a file, as by a double-click."""

from __future__ import annotations

import re
import shutil
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import async_playwright, expect
from typer.testing import CliRunner

from monitor.charts.ways import ways
from monitor.cli import app
from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.layout import read_line
from monitor.core.tuning import Detection
from monitor.incident.page import asset, page
from monitor.incident.pieces import Piece
from monitor.incident.report import report
from monitor.incident.story import gather
from replay.otherwise import beside

CHROMIUM = shutil.which("chromium")
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--no-first-run")
SLOW_MS = 20_000

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not here"),
]

GEOMETRY = re.sub(r"^export ", "", asset("geometry.js"), flags=re.MULTILINE)
"""The module by which the diagram places everything, to be asked beside it."""


@asynccontextmanager
async def opened(path, width=1920, height=1080):
    """A report in a browser in which nothing may go wrong and nothing may be asked for."""
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=CHROMIUM, args=list(ARGUMENTS)
        )
        tab = await browser.new_page(viewport={"width": width, "height": height})
        tab.set_default_timeout(SLOW_MS)
        expect.set_options(timeout=SLOW_MS)
        wrong, asked = [], []
        tab.on("pageerror", lambda error: wrong.append(str(error)))
        tab.on(
            "console",
            # That pixels are read is the test's own doing.
            lambda said: (
                wrong.append(said.text)
                if said.type != "log" and "getImageData" not in said.text
                else None
            ),
        )
        tab.on("request", lambda request: asked.append(request.url))
        await tab.goto(f"file://{path}")
        await tab.wait_for_selector("html[data-ready]", state="attached")
        yield tab
        assert wrong == []
        assert [one for one in asked if one != f"file://{path}"] == []
        await browser.close()


async def settled(tab):
    """The diagram has been painted."""
    await tab.evaluate(
        "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
    )


async def in_the_way(tab):
    """What keeps somebody from using the page who cannot see it, or has no pointer."""
    found = await Axe().run(tab)
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:120]}"
        for one in found.response["violations"]
        if one["impact"] in {"serious", "critical"}
    ]


@pytest.fixture(scope="module")
def path(tmp_path_factory, morning):
    """The report of a simulated morning."""
    line, events = morning
    written = tmp_path_factory.mktemp("report") / "morning.html"
    written.write_text(
        report([Piece(events=lambda: events, engine=lambda: Engine(line))])
    )
    return written


@pytest.fixture(scope="module")
def tried(tmp_path_factory, morning):
    """The same beside what settings would have concluded under which a disturbed section is told after six minutes."""
    line, events = morning
    slow = Detection.of(detect={"section-disturbed": {"settle_s": 360}})

    def piece(*settings):
        return Piece(events=lambda: events, engine=lambda: Engine(line, *settings))

    written = tmp_path_factory.mktemp("report") / "tried.html"
    written.write_text(
        report(
            [piece()],
            beside=lambda story: beside(
                story, [piece(slow)], "the settings slow.toml", store=None
            ),
        )
    )
    return written


async def test_what_would_have_been_is_chosen_on_both_sides(tried):
    """One time axis; what is otherwise leads to both diagrams, and what is chosen in either to its row; with the pointer and without one nothing is in anybody's way."""
    async with opened(tried) as tab:
        row = tab.locator("#otherwise tbody tr", has_text="moved").first
        times = [
            await row.locator("td").nth(column).text_content() for column in (2, 3)
        ]
        await row.locator("button").click()
        await expect(tab.locator("#moment")).to_have_text(times[1])
        await expect(tab.locator("#focus")).to_contain_text("B: prompt: ")
        await expect(tab.locator("#otherwise tr[data-chosen]")).to_have_count(1)
        await expect(tab.locator("#was")).to_be_focused()
        await settled(tab)
        both = await tab.evaluate(
            "['was', 'other'].map((id) => { const d = document.getElementById(id).dataset; return [d.from, d.to, d.section]; })"
        )
        assert both[0] == both[1]
        await tab.keyboard.press("Escape")
        await expect(tab.locator("#otherwise tr[data-chosen]")).to_have_count(0)
        lost = tab.locator("#otherwise tbody tr", has_text="lost").first
        await lost.locator("button").click()
        await expect(lost).to_have_attribute("data-chosen", "")
        await tab.locator("#other").focus()
        await tab.keyboard.press("+")
        await settled(tab)
        spans = await tab.evaluate(
            "['was', 'other'].map((id) => { const d = document.getElementById(id).dataset; return [d.from, d.to]; })"
        )
        assert spans[0] == spans[1] != both[0][:2]
        await tab.locator("#truth").select_option("was")
        await expect(tab.locator("#other")).to_be_hidden()
        assert await in_the_way(tab) == []


PIXELS = """([section, kind, begun, ended]) => {
  GEOMETRY
  const canvas = document.getElementById("was");
  const data = canvas.dataset;
  const view = Object.fromEntries(["from", "to", "top", "rowHeight", "width", "height"].map((name) => [name, Number(data[name])]));
  const row = Number(section);
  const box = bar(view, row, begun, ended);
  if (box === null) return null;
  const ratio = canvas.width / view.width;
  const pen = canvas.getContext("2d");
  const y = Math.round((box.y + 3) * ratio);
  const at = (x) => Array.from(pen.getImageData(Math.round(x * ratio), y, 1, 1).data.slice(0, 3)).join();
  return { box, inside: [at(box.x + 1), at(box.x + box.width - 2)], outside: [at(box.x - 2), at(box.x + box.width + 1)], middle: [xOf(view, begun), xOf(view, ended)], view };
}""".replace("GEOMETRY", GEOMETRY)


async def test_bars_are_at_the_pixel_where_their_events_put_them(tmp_path, day_of, at):
    """Of a day that is read off its table: where each bar begins and ends, by hand, by the module, and by the pixels that are dark."""
    day = day_of("vanished-train")
    window = at("06:08:00"), at("06:16:00")
    story = gather(Engine(day.line), day.events, window, until=day.until)
    written = tmp_path / "day.html"
    # Bars alone: the front of a train and a flag lie over them.
    written.write_text(page(replace(story, alerts=(), traces=())))
    dark, light = "43,52,60", "243,245,246"
    async with opened(written) as tab:
        await tab.evaluate("document.getElementById('whole').click()")
        await settled(tab)
        for row, begun, ended in (
            (0, "06:10:00", "06:11:10"),
            (1, "06:11:00", "06:12:10"),
            (2, "06:12:00", "06:14:00"),
        ):
            times = at(begun) / 1000, at(ended) / 1000
            seen = await tab.evaluate(PIXELS, [row, "occupied", *times])
            # 132 px are left for names; the rest are the eight minutes of the window.
            width = seen["view"]["width"] - 132
            for x, moment in zip(seen["middle"], times, strict=True):
                share = (moment - window[0] / 1000) / (8 * 60_000)
                assert x == pytest.approx(132 + share * width, abs=0.01)
            assert seen["box"]["x"] == round(seen["middle"][0])
            right = seen["box"]["x"] + seen["box"]["width"]
            assert right == round(seen["middle"][1])
            assert seen["inside"] == [dark, dark], (row, seen)
            assert dark not in seen["outside"], (row, seen)
        assert light in seen["outside"]


async def test_whatever_is_chosen_anywhere_is_shown_everywhere(path):
    """Alert, diagram, events, moment and line go together; keys tell an event and its source; a window can be marked, found and sent."""
    async with opened(path) as tab:
        focus, moment = tab.locator("#focus"), tab.locator("#moment")
        await tab.locator("#alerts tr[data-alert] button").first.click()
        await expect(focus).to_contain_text("raised")
        raised = await tab.locator(
            "#alerts tr[data-alert] td:nth-child(3)"
        ).first.text_content()
        await expect(moment).to_have_text(raised)
        await expect(tab.locator("#alerts tr[data-chosen]")).to_have_count(1)
        # By keys alone: a section, what happened there next, and who says so.
        await tab.locator("#was").focus()
        await tab.keyboard.press("Home")
        for key in ("ArrowDown", "ArrowDown", ".", ".", "."):
            await tab.keyboard.press(key)
        await expect(focus).to_contain_text("shown by event gw/GW")
        await expect(focus).to_contain_text("after its time")
        first = await focus.text_content()
        await tab.keyboard.press(".")
        await expect(focus).not_to_have_text(first)
        await tab.keyboard.press(",")
        await expect(focus).to_have_text(first)
        # What the diagram chose the table of events shows.
        await expect(tab.locator("#events tr[data-chosen]")).to_have_count(1)
        await tab.locator("#events tr[data-event]").nth(4).click()
        chosen = tab.locator("#events tr[data-chosen] td").nth(3)
        await expect(focus).to_contain_text(await chosen.text_content())


async def test_a_window_is_found_marked_and_sent(path):
    """Words find events and alerts, the pointer marks a window, and the address brings somebody else to the same place."""
    async with opened(path) as tab:
        focus = tab.locator("#focus")
        await tab.locator("#search").fill("vanished")
        await tab.keyboard.press("Enter")
        await expect(focus).to_contain_text('alerts have "vanished"')
        shown = tab.locator("#alerts tr[data-alert]:visible")
        assert (
            0
            < await shown.count()
            < await tab.locator("#alerts tr[data-alert]").count()
        )
        await tab.locator("#search").fill("")
        await tab.keyboard.press("Enter")
        # A window, marked by the pointer.
        box = await tab.locator("#was").bounding_box()
        await tab.locator("#brush").click()
        await tab.mouse.move(box["x"] + 400, box["y"] + 200)
        await tab.mouse.down()
        await tab.mouse.move(box["x"] + 700, box["y"] + 210, steps=4)
        await tab.mouse.up()
        await expect(tab.locator("#brushed")).to_contain_text(" to ")
        await expect(tab.locator("#events-count")).to_contain_text(" of ")
        await tab.locator("#into").click()
        await expect(tab.locator("#into")).to_be_enabled()
        await tab.wait_for_url(re.compile("w=.*-"))
        # The address follows what is seen a moment later.
        await tab.wait_for_function(
            """() => new URLSearchParams(location.hash.slice(1)).get("a")
              === String(Math.round(document.getElementById("was").dataset.from))"""
        )
        address = await tab.evaluate("location.hash")
        view = await tab.evaluate("document.getElementById('was').dataset.from")
        await tab.reload()
        await tab.wait_for_selector("html[data-ready]", state="attached")
        await settled(tab)
        assert await tab.evaluate("location.hash") == address
        again = await tab.evaluate("document.getElementById('was').dataset.from")
        assert float(again) == pytest.approx(float(view), abs=1)
        # Dragging moves time; the wheel with Ctrl shows less of it.
        await tab.keyboard.press("Home")
        await tab.locator("#brush").scroll_into_view_if_needed()
        await tab.locator("#was").focus()
        await tab.keyboard.press("+")
        await settled(tab)
        before = await tab.evaluate("document.getElementById('was').dataset.from")
        box = await tab.locator("#was").bounding_box()
        await tab.mouse.move(box["x"] + 600, box["y"] + 200)
        await tab.mouse.down()
        await tab.mouse.move(box["x"] + 500, box["y"] + 200, steps=3)
        await tab.mouse.up()
        await settled(tab)
        after = await tab.evaluate("document.getElementById('was').dataset.from")
        assert float(after) > float(before)


async def test_what_a_row_shows_is_found(path):
    """Its words, its time, its source with its number: what somebody reads is what they look for."""
    async with opened(path) as tab:
        # What a row shows is found: its words, its time, its source with its number.
        row = tab.locator("#events tbody tr[data-event]")
        count = tab.locator("#events-count")
        at_that = (await row.nth(3).locator("td").first.text_content())[:8]
        for wanted in ("reset accepted", "#1", at_that):
            await tab.locator("#search").fill(wanted)
            await tab.keyboard.press("Enter")
            await expect(count).to_contain_text(f'found by "{wanted}"')
            await expect(row.first).to_contain_text(wanted)


async def test_the_line_is_drawn_as_it_stood_and_as_it_was_known(path):
    """At the first moment nothing is known; while a train is in a section it is dark; what had not come yet is not drawn as known."""
    async with opened(path) as tab:
        await tab.evaluate(
            "document.getElementById('scrub').value = 0; document.getElementById('scrub').dispatchEvent(new Event('input'))"
        )
        known = tab.locator('#line [data-section][data-known="1"]')
        await expect(known).to_have_count(0)
        bands = tab.locator("#line .stands")
        await expect(bands.first).to_have_text("not heard yet")
        middle = "const s = document.getElementById('scrub'); s.value = s.max / 2; s.dispatchEvent(new Event('input'))"
        await tab.evaluate(middle)
        await expect(tab.locator('#line [data-known="1"]')).not_to_have_count(0)
        # No section is under work, so none has the letter of it.
        drawn = "[...document.querySelectorAll('#line .letter')].filter((one) => one.checkVisibility()).length"
        assert await tab.evaluate(drawn) == 0
        one = "document.querySelector('#line [data-section]:has(.letter)').dataset"
        await tab.evaluate(f"{one}.work = '1'")
        assert await tab.evaluate(drawn) > 0
        await tab.evaluate(f"{one}.work = '0'")
        await expect(tab.locator('#line [data-shows="train"]')).not_to_have_count(0)
        await expect(bands.first).to_have_text("all heard")
        # Disturbed, and no alert open yet: drawn as that, never dark as a train is.
        fills = await tab.evaluate(
            """() => {
              const one = document.querySelector("#line [data-section]");
              Object.assign(one.dataset, { shows: "odd", known: "1", fault: "", odd: "disturbed" });
              const fill = () => getComputedStyle(one.querySelector(".block")).fill;
              const disturbed = fill();
              one.dataset.odd = "waits";
              return [disturbed, fill()];
            }"""
        )
        assert fills == ["rgb(240, 180, 0)", "rgb(243, 245, 246)"]
        await tab.locator("#truth").select_option("both")
        await settled(tab)
        # Right of the moment the lower diagram has neither line nor bar.
        right = await tab.evaluate(
            """() => {
              const canvas = document.getElementById("then");
              const view = canvas.dataset;
              const pen = canvas.getContext("2d");
              const from = Math.round(canvas.width * 0.75);
              const found = new Set();
              for (let y = 70; y < canvas.height - 2; y += 3) {
                const data = pen.getImageData(from, y, canvas.width - from - 2, 1).data;
                for (let i = 0; i < data.length; i += 4) found.add([data[i], data[i + 1], data[i + 2]].join());
              }
              return [...found].filter((one) => one === "43,52,60" || one === "124,134,142");
            }"""
        )
        assert right == []
        await tab.locator("#walk").select_option(index=0)
        await expect(tab.locator("#step-what")).not_to_be_empty()
        await tab.locator("#step-only").uncheck()
        await expect(tab.locator("#step-said li")).not_to_have_count(0)
        # The detection that is walked to stands first; what others say is folded away.
        chosen = await tab.locator("#walk option").first.text_content()
        first = await tab.locator("#step-said > li").first.text_content()
        kind = (chosen or "").split(": ")[1].split(",")[0].replace(" ", "-")
        assert (first or "").startswith(kind)
        await expect(tab.locator("#step-said details[open]")).to_have_count(0)
        await expect(tab.locator("#step-said details li")).not_to_have_count(0)
        said = await tab.locator("#step-at").text_content()
        await tab.locator("#step-on").click()
        await expect(tab.locator("#step-at")).not_to_have_text(said)


SMALL = """() => {
  const small = [];
  for (const one of document.querySelectorAll("body *")) {
    const own = [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    const box = one.getBoundingClientRect();
    if (!own || !box.width || one.closest("title, noscript, svg")) continue;
    const px = parseFloat(getComputedStyle(one).fontSize);
    if (px < 15.5) small.push(`${one.tagName} ${px} ${one.textContent.slice(0, 20)}`);
  }
  return [small, document.documentElement.scrollWidth - innerWidth];
}"""


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (390, 844)])
async def test_it_can_be_read_by_everybody(path, width, height):
    """axe-core (WCAG 2.2 AA and good practice) finds nothing serious, no text is under 16 px, and the page is no wider than its window."""
    async with opened(path, width, height) as tab:
        small, wide = await tab.evaluate(SMALL)
        assert small == []
        assert wide <= 0
        # The checker's own script comes from outside the page, by the debugger.
        assert await in_the_way(tab) == []


async def test_paper_has_the_diagram_and_every_alert(path):
    """Printed, the evidence is open, the tools are gone, and the pages hold it."""
    async with opened(path) as tab:
        await tab.emulate_media(media="print")
        pdf = await tab.pdf(prefer_css_page_size=True)
        assert pdf.startswith(b"%PDF")
        await tab.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        assert await tab.locator("#alerts details:not([open])").count() == 0
        await expect(tab.locator(".tools").first).to_be_hidden()
        await expect(tab.locator("canvas:has(~ #was)")).to_be_visible()
        await expect(tab.locator("#was")).to_be_hidden()


def long_line(count):
    """Sections in a row, all of one evaluator."""
    return "\n".join(
        [
            '[line]\nname = "A - B"\ntimezone = "UTC"\n[[evaluator]]\nid = "E1"\nsite = "A"',
            *(
                f'[[section]]\nid = "S{n}"\narea = "a"\nevaluator = "E1"\nlength_m = 500\nspeed_km_h = 100'
                for n in range(count)
            ),
            '[[head]]\nid = "H0"\nbetween = ["open", "S0"]',
            *(
                f'[[head]]\nid = "H{n}"\nbetween = ["S{n - 1}", "S{n}"]'
                for n in range(1, count)
            ),
        ]
    )


SHEETS = """() => {
  const [one, rows] = [document.getElementById("was"), document.querySelectorAll("#line [data-section]").length];
  const every = [...one.parentElement.querySelectorAll("canvas:not(#was)")];
  const sheets = every.map((each) => each.height / 2);
  const drawn = sheets.reduce((sum, height) => sum + height - 64, 0);
  return { sheets, drawn, row: Number(one.dataset.rowHeight), rows, inside: every[0].height / every[0].width, shown: every[0].clientHeight / every[0].clientWidth };
}"""


async def test_paper_has_every_row_of_the_diagram_and_names_what_is_left_out(
    tmp_path, at
):
    """Rows that one sheet does not hold go on to the next, undistorted; what was looked for stays in force and stands at both tables."""
    line = read_line(long_line(30))
    events = [
        SectionState(
            id=str(n), source="gw/1", subject=name, time=at("06:00:00"), state=state
        )
        for n, (name, state) in enumerate(
            [*((name, State.CLEAR) for name in line.sections), ("S9", State.OCCUPIED)]
        )
    ]
    written = tmp_path / "long.html"
    written.write_text(
        report([Piece(events=lambda: events, engine=lambda: Engine(line))])
    )
    async with opened(written) as tab:
        await tab.locator("#search").fill("occupied")
        await tab.keyboard.press("Enter")
        await tab.emulate_media(media="print")
        await tab.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        found = await tab.evaluate(SHEETS)
        assert found["rows"] == len(line.sections) > 27
        assert len(found["sheets"]) > 1
        assert all(height <= 640 for height in found["sheets"])
        assert found["row"] >= 22
        # Heights are whole pixels: as many rows as there are sections, to a pixel a sheet.
        assert found["drawn"] == pytest.approx(
            found["rows"] * found["row"], abs=len(found["sheets"])
        )
        assert found["inside"] == pytest.approx(found["shown"], rel=0.01)
        for table in ("events", "alerts"):
            await expect(tab.locator(f"#{table}-count")).to_contain_text(
                'found by "occupied"'
            )
        await tab.evaluate("window.dispatchEvent(new Event('afterprint'))")
        await expect(tab.locator("#was ~ canvas, canvas:has(~ #was)")).to_have_count(0)


async def test_a_band_says_since_when_it_is_not_known(tmp_path, story_of):
    """A gateway is silent from ten past six: at the band, and at each section of it, with the words of the desk."""
    written = tmp_path / "silent.html"
    written.write_text(page(story_of("feed-silent")))
    async with opened(written) as tab:
        quarter_past = "const s = document.getElementById('scrub'); s.value = 15 * 60000; s.dispatchEvent(new Event('input'))"
        await tab.evaluate(quarter_past)
        await expect(tab.locator("#moment")).to_contain_text("06:15:00")
        band = tab.locator("#line .stands").first
        await expect(band).to_have_text("3 not known since 06:10")
        said = tab.locator('#line [data-section="T103"] title')
        await expect(said).to_have_text("T103: not known since 06:10")


async def test_did_it_show_clear_with_the_train_in_it_and_who_saw_it(night):
    """From a report that is opened with nothing but the time in mind: one click and one key, on one page, and it says so in words with the event that said it, the desk that had it first, and who said seen."""
    out = night / "incident.html"
    given = ["--from", "2026-05-04T06:00:00Z", "--to", "2026-05-04T06:30:00Z"]
    made = CliRunner().invoke(
        app, ["replay", "--data", str(night), *given, "--report", str(out)]
    )
    assert made.exit_code == 0, made.output
    async with opened(out) as tab:
        # It opens where the gravest alert was raised; that alert stands first.
        alert = tab.locator("#alerts tr[data-alert]").first
        await expect(alert).to_contain_text("T2 cleared, its train unaccounted for")
        await alert.locator("button").click()
        await expect(tab.locator("#focus")).to_contain_text("urgent: T2 cleared")
        await tab.keyboard.press(",")
        cleared = (
            "T2 showed clear from 06:13:00.000; shown by event gw/1#7, came 1 s after its time. "
            "Before that it was occupied from 06:11:00.000, 2 min; shown by event gw/1#5, came 1 s after its time."
        )
        await expect(tab.locator("#focus")).to_have_text(cleared)
        await expect(tab.locator("#moment")).to_have_text("06:13:00.000")
        await tab.keyboard.press(",")
        await expect(tab.locator("#focus")).to_contain_text("T2 occupied from 06:11:00")
        await tab.keyboard.press(".")
        await expect(tab.locator("#focus")).to_have_text(cleared)
        cells = await alert.locator("td.time").all_text_contents()
        assert cells[3] == "06:15:10.000, north"
        # What that desk had by then and not yet, at the moment that is chosen, and at no moment in particular.
        desks = tab.locator("#desks tbody td")
        page = "north: page abcdef01 of Ada"
        for minutes, said, had, owed in (
            (
                15.1,
                "06:14:50.000",
                "nothing",
                "T2 vanished train (urgent), concluded 06:15:01.000; painted first at this desk 06:15:10.000",
            ),
            (
                16,
                "06:15:10.000",
                "06:15:10.000 the fault of T2 vanished train (urgent); which alerts with it, the page does not say",
                "nothing",
            ),
        ):
            await tab.evaluate(
                "(ms) => { const s = document.getElementById('scrub'); s.value = ms; s.dispatchEvent(new Event('input')); }",
                minutes * 60_000,
            )
            front = f"in front, sound on, as it said last at {said}"
            await expect(desks).to_have_text([f"{page}{front}", had, owed])
        firsts = await tab.locator("#firsts tbody td").all_text_contents()
        assert firsts[1:] == ["06:15:01.000", "its fault 06:15:10.000"]
        assert cells[4] == "06:15:40.000, Ada"


FOOT = """([row, x]) => {
  const canvas = document.getElementById("was");
  const view = canvas.dataset;
  const ratio = canvas.width / Number(view.width);
  const y = 34 + 30 + (row + 1) * Number(view.rowHeight) - Number(view.top) - 3;
  const pen = canvas.getContext("2d");
  return Array.from(pen.getImageData(Math.round(x * ratio), Math.round(y * ratio), 1, 1).data.slice(0, 3)).join();
}"""
"""The colour at x of the foot of a row: the axis is 34 px high, the lane above the rows 30."""


async def test_what_was_open_before_the_window_is_painted_as_it_stood(
    tmp_path, day_of, at
):
    """T103 let go of its train at 06:14:02, before the window, and somebody closed that at 06:14:35: urgent until then, on the line, along its row and in words; its flag stands at the left edge and can be chosen."""
    day = day_of("vanished-train")
    window = at("06:14:05"), at("06:15:05")
    story = gather(Engine(day.line), day.events, window, until=day.until)
    (raised,) = story.alerts
    written = tmp_path / "after.html"
    closed = {raised.alert.id: at("06:14:35")}
    written.write_text(page(story.settled(closed), acts=()))
    urgent, light = "158,11,34", "243,245,246"
    async with opened(written) as tab:
        section = tab.locator('#line [data-section="T103"]')
        await expect(tab.locator("#moment")).to_have_text("06:14:05.000")
        await expect(section).to_have_attribute("data-fault", "urgent")
        await expect(tab.locator("#open")).to_have_text(
            "Open then: T103 vanished train (urgent, open since before this window, 06:14:02.000)."
        )
        await settled(tab)
        width = float(
            await tab.evaluate("document.getElementById('was').dataset.width")
        )
        share = [132 + part * (width - 132) for part in (0.1, 0.48, 0.52, 0.9)]
        feet = [await tab.evaluate(FOOT, [2, x]) for x in share]
        assert feet == [urgent, urgent, light, light]
        assert await tab.evaluate(FOOT, [1, share[0]]) == light
        await tab.evaluate(
            "const s = document.getElementById('scrub'); s.value = 31000; s.dispatchEvent(new Event('input'))"
        )
        await expect(section).to_have_attribute("data-fault", "")
        await expect(tab.locator("#open")).to_have_text(
            "None of the alerts raised since 06:00:00.300 was open then."
        )
        box = await tab.locator("#was").bounding_box()
        rows = float(
            await tab.evaluate("document.getElementById('was').dataset.rowHeight")
        )
        await tab.mouse.click(box["x"] + 132 + 12, box["y"] + 64 + 2 * rows - 2)
        await expect(tab.locator("#focus")).to_contain_text("urgent: T103")
        await expect(tab.locator("#focus")).to_contain_text("open since before")


INKED = """() => {
  const canvas = document.getElementById("was");
  const view = canvas.dataset;
  const ratio = canvas.width / Number(view.width);
  const tall = Number(view.rowHeight);
  const pen = canvas.getContext("2d");
  const found = [];
  for (let row = 0; 64 + (row + 1) * tall < Number(view.height) + 2; row += 1) {
    const y = Math.round((64 + row * tall + 3) * ratio);
    const data = pen.getImageData(Math.ceil(133 * ratio), y, canvas.width - Math.ceil(137 * ratio), Math.floor((tall - 6) * ratio)).data;
    for (let i = 0; i < data.length; i += 4) {
      if (data[i] < 90) { found.push(row); break; }
    }
  }
  return found;
}"""
"""The rows in which anything is as dark as a train's line, but for the cursor at the right edge; the line of what is clear is lighter."""


async def test_no_line_of_a_train_runs_through_a_row_that_it_never_touched(
    tmp_path, morning
):
    """A train that leaves the main line for the branch: by the pixels, its line is in the rows of its sections and in no other, whatever stands between them."""
    line, events = morning
    story = gather(Engine(line), events)
    names = [name for way in ways(line, line.sections) for name in way]
    (trace, *_) = [
        one
        for one in story.traces
        if {"T07", "M01"} <= {visit.section for visit in one.visits}
    ]
    written = tmp_path / "branch.html"
    written.write_text(
        page(replace(story, alerts=(), spans=(), marks=(), traces=(trace,)))
    )
    async with opened(written, 1920, 1600) as tab:
        await tab.evaluate(
            "const s = document.getElementById('scrub'); s.value = s.max; s.dispatchEvent(new Event('input'))"
        )
        await settled(tab)
        inked = await tab.evaluate(INKED)
        touched = {names.index(one.section) for one in trace.visits}
        assert set(inked) == touched
        assert len(touched) < len(names)


async def test_a_reset_that_waits_for_a_train_is_a_mark_of_its_own(
    tmp_path, day_of, at
):
    """T103 was reset at 02:00 and no train had followed by half past six: in the diagram, on the line as it stood, in words and in both legends; nothing of it on a section beside it, and no sign of urgency anywhere."""
    day = day_of("reset-unproved-after-work")
    window = at("01:30:00"), at("03:30:00")
    story = gather(Engine(day.line), day.events, window)
    written = tmp_path / "waits.html"
    written.write_text(page(story))
    async with opened(written) as tab:
        section = tab.locator('#line [data-section="T103"]')
        await tab.evaluate(
            "const s = document.getElementById('scrub'); s.value = 5400000; s.dispatchEvent(new Event('input'))"
        )
        await expect(section).to_have_attribute("data-waits", "1")
        await expect(section.locator("title")).to_have_text(
            "T103: clear, reset, and no train has followed, under work"
        )
        await expect(section.locator(".block")).to_be_visible()
        other = tab.locator('#line [data-section="T102"]')
        await expect(other.locator(".block")).to_be_hidden()
        await expect(section.locator(".urge")).to_be_hidden()
        legends = await tab.locator(".legend").all_text_contents()
        assert all("reset, and no train has followed" in one for one in legends)
        await settled(tab)
        # Disturbed until the reset is amber; from then on it is a tint of that.
        tinted = await tab.evaluate(
            """() => {
              const canvas = document.getElementById("was");
              const view = canvas.dataset;
              const ratio = canvas.width / Number(view.width);
              const at = (row, share) => {
                const x = 132 + share * (Number(view.width) - 132);
                const y = 64 + (row + 0.5) * Number(view.rowHeight) + 4;
                return Array.from(canvas.getContext("2d").getImageData(Math.round(x * ratio), Math.round(y * ratio), 1, 1).data.slice(0, 3));
              };
              return [at(2, 0.2), at(2, 0.8), at(1, 0.8)];
            }"""
        )
        before, waits, beside = tinted
        assert before[2] < 20
        assert 100 < waits[2] < 200 < waits[0]
        assert beside[2] > 200
