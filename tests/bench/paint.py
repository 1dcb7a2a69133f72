"""How soon a page shows what was published: `python -m tests.bench.paint`.

A monitor in a process of its own, on a line of a thousand sections, a real broker, and pages open in one Chromium, all on this machine.

Printed are, in milliseconds:

- the first paint of the desk's page, and when its drawing stood;
- from the publication of an event to its section's new state painted, on every page, at a rate of events and at sixty a second, with whether it falls behind;
- from the watermark's passing of an alert's `raised` (under this traffic that is `raised` and `patience_s`) to that alert painted, by the receipts of the pages in the journal.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import shutil
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import aiomqtt
from playwright.async_api import Page, async_playwright

from monitor.core.events import SectionState
from monitor.core.moments import SECOND, Moment, parse
from monitor.journal import Journal
from monitor.settings import read_url
from monitor.shown import shown_in
from monitor.store import Store
from tests.desk.pages.large import large_line, said
from tests.live import WORDS, daemon_process
from tests.mosquitto import open_port, running

WATCH = """
window.painted = [];
addEventListener("DOMContentLoaded", () => {
  const drawing = document.querySelector(".overview");
  if (!drawing) return;
  window.drawn = performance.now();
  new MutationObserver((changes) => {
    const told = changes.map((one) => [one.target.dataset.section, one.target.dataset.shows]);
    requestAnimationFrame(() => requestAnimationFrame(() => {
      for (const [name, shows] of told) window.painted.push([name, shows, Date.now()]);
    }));
  }).observe(drawing, { attributes: true, attributeFilter: ["data-shows"], subtree: true });
});
"""
SHOWS = {"occupied": "train", "clear": "clear", "disturbed": "odd"}
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--no-first-run")


def now() -> Moment:
    """The time of day, as the browser has it too."""
    return time.time_ns() // 1000


def write_settings(folder: Path, url: str) -> None:
    """A monitor that waits briefly, so that what is measured is not its waiting."""
    files = "\n".join(
        f'{one} = "{folder / one}.sqlite"' for one in ("journal", "alerts", "history")
    )
    words = "\n".join(f"{name} = {value}" for name, value in WORDS.items())
    folder.joinpath("settings.toml").write_text(
        f'[broker]\nurl = "{url}"\n[files]\n{files}\n[metrics]\nport = 0\n'
        f'[desk]\nport = {open_port()}\npeople_file = "{folder}/people.json"\nunnamed = "act"\n'
        f"[words]\n{words}\n[detect.section-disturbed]\nsettle_s = 0.5\n",
        encoding="utf-8",
    )


class Sender:
    """Publishes changes of sections, each when it is due, and knows when each went out."""

    def __init__(self, client: aiomqtt.Client, names: Sequence[str]) -> None:
        self._client = client
        self._names = names
        self._states = dict.fromkeys(names, "clear")
        self._number = 0
        self.went: dict[tuple[str, str], list[Moment]] = {}

    async def send(self, name: str, state: str) -> None:
        """One change."""
        self._number += 1
        at = now()
        self._states[name] = state
        self.went.setdefault((name, SHOWS[state]), []).append(at)
        event = said(self._number, name, state, at)
        await self._client.publish(
            f"tally/x/section/{name}/state", json.dumps(event), qos=1
        )

    async def all_clear(self) -> None:
        """Every section says that it is clear."""
        for name in self._names:
            await self.send(name, "clear")

    async def run(self, rate: float, seconds: float, disturb_every: int) -> None:
        """Changes at *rate* a second; each so many is a section that fails, and is clear again when its turn comes."""
        begun, due = time.monotonic(), 0
        while (passed := time.monotonic() - begun) < seconds:
            while due <= passed * rate:
                # Far apart, so that one says nothing of the next.
                name = self._names[due * 7 % len(self._names)]
                free = self._states[name] == "clear"
                state = "disturbed" if due % disturb_every == 0 else "occupied"
                await self.send(name, state if free else "clear")
                due += 1
            await asyncio.sleep(0.002)


def burnt() -> dict[str, float]:
    """Seconds of a core that this program and what it started have spent, by who it was."""
    parents, names, spent = {}, {}, {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, _, rest = stat.read_text().partition("(")[2].rpartition(")")
        except OSError:
            continue  # it has ended
        fields = rest.split()
        number = int(stat.parent.name)
        parents[number], names[number] = int(fields[1]), name
        spent[number] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    found = {"broker": 0.0, "monitor": 0.0, "browser": 0.0, "this program": 0.0}
    for number, name in names.items():
        line = [number]
        while line[-1] in parents and parents[line[-1]] not in (0, line[-1]):
            line.append(parents[line[-1]])
        if os.getpid() in line:
            who = "browser" if "chrom" in name else "monitor"
            who = "broker" if "mosquitto" in name else who
            who = "this program" if number == os.getpid() or name == "node" else who
            found[who] += spent[number]
    return found


def latencies(
    painted: Sequence[tuple[str, str, int]],
    went: dict[tuple[str, str], list[Moment]],
    begin: Moment,
    end: Moment,
) -> list[tuple[Moment, float]]:
    """When each change since *begin* went out, and the milliseconds to its paint; what was never painted is as late as *end*."""
    shown: dict[tuple[str, str], list[int]] = {}
    for name, shows, at in painted:
        shown.setdefault((name, shows), []).append(at * 1000)
    found = []
    for key, moments in went.items():
        for at in moments:
            if begin <= at < end:
                later = [one for one in shown.get(key, ()) if one >= at - 1000]
                found.append((at, ((min(later) if later else end) - at) / 1000))
    return sorted(found)


def say(name: str, values: Sequence[float]) -> None:
    """The spread of *values*."""
    if len(values) < 2:
        print(f"{name:44} too few: {len(values)}")  # noqa: T201 - printing is what this program is for
        return
    hundredths = statistics.quantiles(values, n=100, method="inclusive")
    print(  # noqa: T201 - printing is what this program is for
        f"{name:44} median {hundredths[49]:6.0f}  p90 {hundredths[89]:6.0f}  "
        f"p99 {hundredths[98]:6.0f}  worst {max(values):6.0f}  of {len(values)}"
    )


async def traffic(
    sender: Sender, pages: Sequence[Page], rate: float, asked: argparse.Namespace
) -> None:
    """Send at *rate*, and say how soon it was painted."""
    begin, before = now(), burnt()
    await sender.run(rate, asked.seconds, asked.disturb_every)
    end = now()
    took = {name: spent - before.get(name, 0.0) for name, spent in burnt().items()}
    await asyncio.sleep(2)
    found: list[tuple[Moment, float]] = []
    for page in pages:
        painted = await page.evaluate("window.painted.splice(0)")
        found += latencies(painted, sender.went, begin, end)
    found.sort()
    say(f"painted at {rate:g} events a second", [ms for _, ms in found])
    cores = ", ".join(
        f"{name} {spent / (end - begin) * SECOND:.2f}" for name, spent in took.items()
    )
    print(f"  cores busy meanwhile: {cores}")  # noqa: T201 - printing is what this program is for
    quarter = len(found) // 4
    say("  of these the first quarter", [ms for _, ms in found[:quarter]])
    say("  the last quarter", [ms for _, ms in found[-quarter:]])


def events_taken(folder: Path) -> list[float]:
    """Milliseconds from the publication of an event to its arrival at the monitor."""
    with Journal.read(folder / "journal.sqlite") as journal:
        return [
            (one.arrival - one.time) / 1000
            for one in journal.events()
            if isinstance(one, SectionState) and one.arrival is not None
        ]


def alerts_painted(folder: Path) -> list[float]:
    """Milliseconds from when the watermark passed what an alert needed to its first paint on each page."""
    waits = float(WORDS["patience_s"])
    with Store.open(folder / "alerts.sqlite") as store:
        raised: dict[str, Moment] = {}
        for text in store.lines():
            record = json.loads(text)
            raised.setdefault(record["id"], parse(record["raised"]))
    found: dict[tuple[str, str], float] = {}
    with Journal.read(folder / "journal.sqlite") as journal:
        for told in shown_in(journal.kept()):
            for one in told.faults:
                if one.fault in raised:
                    due = raised[one.fault] + round(waits * SECOND)
                    key = (told.page, one.fault)
                    found.setdefault(key, (told.at - due) / 1000)
    return list(found.values())


async def measure(folder: Path, asked: argparse.Namespace) -> None:
    """All of it."""
    text = large_line(asked.sections)
    (folder / "line.toml").write_text(text, encoding="utf-8")
    names = [row.split('"')[1] for row in text.split("\n") if row[:6] == 'id = "']
    names = [one for one in names if one[1:2] in "DU" and one[2:].isdigit()]
    with running(folder) as broker:
        write_settings(folder, broker.url)
        address = read_url(broker.url)
        with daemon_process(folder) as (_, desk):
            async with (
                aiomqtt.Client(address.host, address.port) as client,
                async_playwright() as playwright,
            ):
                sender = Sender(client, names)
                await sender.all_clear()
                browser = await playwright.chromium.launch(
                    executable_path=shutil.which("chromium"), args=list(ARGUMENTS)
                )
                pages = await opened(browser, desk, asked)
                for rate in (60.0, asked.rate):
                    await traffic(sender, pages, rate, asked)
                await browser.close()
        say("event taken from the broker", events_taken(folder))
        say("alert painted after the watermark", alerts_painted(folder))


async def opened(browser: Any, desk: str, asked: argparse.Namespace) -> list[Page]:
    """Pages of the desk, one after the other; and how soon each was painted."""
    pages, first, drawn = [], [], []
    for _ in range(asked.pages):
        page = await browser.new_page(viewport={"width": 1920, "height": 940})
        await page.add_init_script(WATCH)
        await page.goto(desk)
        await page.wait_for_selector(".overview")
        await page.wait_for_function(
            "performance.getEntriesByName('first-contentful-paint').length"
        )
        first.append(
            await page.evaluate(
                "performance.getEntriesByName('first-contentful-paint')[0].startTime"
            )
        )
        drawn.append(await page.evaluate("window.drawn"))
        pages.append(page)
    say("first paint", first)
    say("drawing there", drawn)
    return pages


def main() -> None:
    """Measure, and say on what."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sections", type=int, default=1008)
    parser.add_argument("--pages", type=int, default=10)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--disturb-every", type=int, default=331)
    asked = parser.parse_args()
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(  # noqa: T201 - printing is what this program is for
        f"{asked.sections} sections, {asked.pages} pages, {os.cpu_count()} cores, load before {load}"
    )
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(measure(Path(folder), asked))


if __name__ == "__main__":
    main()
