"""How heavy an incident report of 100,000 occupations is: bytes of the file, time to open it, and the longest frame while its diagram is dragged.

`python -m tests.bench.incident` prints them, from Debian's Chromium without a screen and without a graphics card; what is wanted stands beside each.
After it the same day beside what other settings would have concluded of it: both diagrams are drawn, one above the other.
A number after it is how many occupations there are.
"""

from __future__ import annotations

import asyncio
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from playwright.async_api import Page, async_playwright

from monitor.core.engine import Engine
from monitor.core.events import AnyEvent
from monitor.core.layout import Line, read_line
from monitor.core.tuning import Detection
from monitor.core.wire import read
from monitor.incident.beside import Beside
from monitor.incident.page import page
from monitor.incident.pieces import Piece
from monitor.incident.story import Story, gather
from replay.otherwise import beside
from tests.bench.traffic import events, line_text

OCCUPATIONS = 100_000
SECTIONS = 200
OPENS_MS, FRAME_MS, BYTES = 2000, 100, 8_000_000
DRAGS = 40

FRAMES = """() => {
  window.frames_ms = [];
  let last = performance.now();
  const next = (now) => { window.frames_ms.push(now - last); last = now; requestAnimationFrame(next); };
  requestAnimationFrame(next);
}"""


def say(text: str) -> None:
    """Print a line."""
    sys.stdout.write(f"{text}\n")


def taken(occupations: int) -> Iterator[AnyEvent]:
    """Trains over four rows of fifty sections, until there are as many occupations."""
    return (
        event
        for text in events(SECTIONS, SECTIONS + 2 * occupations + 4000)
        for event in read(text, recorded=True).events
    )


def line() -> Line:
    """Those rows."""
    return read_line(line_text(SECTIONS), "rows")


def story_of(occupations: int) -> Story:
    """What happened there."""
    return gather(Engine(line()), taken(occupations))


def held(occupations: int, story: Story) -> Beside:
    """The same by settings under which a disturbed section is told of later."""
    tried = Detection.of(detect={"section-disturbed": {"settle_s": 20}})
    piece = Piece(
        events=lambda: taken(occupations), engine=lambda: Engine(line(), tried)
    )
    return beside(story, [piece], "the settings tried.toml", store=None)


async def dragged(tab: Page) -> list[float]:
    """The milliseconds of each frame while the diagram is dragged to and fro."""
    box = await tab.locator("#was").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    await tab.mouse.move(x, y)
    await tab.mouse.down()
    await tab.mouse.move(x + 10, y)
    await tab.evaluate(FRAMES)
    for number in range(DRAGS):
        await tab.mouse.move(x + 300 * (1 if number % 2 else -1), y, steps=5)
    frames: list[float] = await tab.evaluate("window.frames_ms")
    await tab.mouse.up()
    return frames[1:]


async def looked_at(path: Path) -> None:
    """Open the report at *path*, drag it, and print how long that took."""
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=["--no-sandbox", "--disable-gpu"],
        )
        opened, busy = [], []
        for number in range(5):
            tab = await browser.new_page(viewport={"width": 1920, "height": 1080})
            asked = await tab.context.new_cdp_session(tab)
            # Its own time, whatever else this machine does meanwhile.
            await asked.send("Performance.enable", {"timeDomain": "threadTicks"})
            begun = time.perf_counter()
            await tab.goto(f"file://{path}")
            await tab.wait_for_selector("html[data-ready]", state="attached")
            await tab.wait_for_selector("#was[data-took]", state="attached")
            opened.append((time.perf_counter() - begun) * 1000)
            told = await asked.send("Performance.getMetrics")
            measured = {one["name"]: one["value"] for one in told["metrics"]}
            busy.append(measured["TaskDuration"] * 1000)
            if number < 4:
                await tab.close()
        say(
            f"opened in {sorted(opened)[2]:,.0f} ms (middle of 5: "
            f"{', '.join(f'{one:,.0f}' for one in opened)}), the page's own thread "
            f"busy for {sorted(busy)[2]:,.0f} ms; wanted: {OPENS_MS:,}"
        )
        for name, closer in (("whole window", 0), ("an eighth of it", 3)):
            for _ in range(closer):
                await tab.locator("#nearer").click()
            for edge in ("earlier",) * closer:
                await tab.locator(f"#{edge}").click()
            frames = sorted(await dragged(tab))
            say(
                f"dragged, {name}: {len(frames)} frames, middle "
                f"{frames[len(frames) // 2]:.0f} ms, longest {frames[-1]:.0f} ms; "
                f"wanted: {FRAME_MS}"
            )
        took = await tab.evaluate("document.getElementById('was').dataset.took")
        say(f"painted in full when let go: {took} ms")
        await browser.close()


def told(story: Story, beside: Beside | None = None) -> None:
    """Write the report, and look at it."""
    begun = time.perf_counter()
    text = page(story, beside=beside)
    say(
        f"written in {time.perf_counter() - begun:.1f} s; "
        f"{len(text.encode()):,} bytes; wanted: {BYTES:,}"
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "report.html"
        path.write_text(text, encoding="utf-8")
        asyncio.run(looked_at(path))


def main() -> None:
    """Make both reports, and look at them."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else OCCUPATIONS
    begun = time.perf_counter()
    story = story_of(count)
    occupied = sum(one.kind == "occupied" for one in story.spans)
    say(
        f"{occupied:,} occupations, {len(story.events):,} events, "
        f"{len(story.traces):,} trains, {len(story.alerts):,} alerts; "
        f"replayed in {time.perf_counter() - begun:.1f} s"
    )
    told(story)
    begun = time.perf_counter()
    other = held(count, story)
    say(
        f"beside other settings: {len(other.differences):,} alerts not alike, "
        f"{other.same:,} the same; held against it in {time.perf_counter() - begun:.1f} s"
    )
    told(story, other)


if __name__ == "__main__":
    main()
