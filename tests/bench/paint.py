"""How soon a page shows what was published: `python -m tests.bench.paint`.

A monitor in a process of its own, on a line of a thousand sections, a real broker, and pages open in one Chromium, all on this machine.

What is published is what trains make of a line: each enters a section and leaves the one behind it; now and then a section before them is disturbed for two seconds.
With `--storm` nothing explains anything: sections far apart are occupied and clear again, each of which is an alert.

Printed are, in milliseconds:

- the first paint of the desk's page, and when its drawing stood;
- from the publication of an event to its section's new state painted, or a newer one, on every page, at sixty changes a second and at a rate of events, with whether it falls behind;
- how much of that the event took to the monitor;
- from the watermark's passing of an alert's `raised` (under this traffic that is `raised` and `patience_s`) to that alert painted, by the receipts of the pages in the journal; what no receipt tells of is as late as the end;
- which cores were busy with what, and what one page costs of one.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import os
import shutil
import statistics
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import aiomqtt
import httpx
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
window.ticks = [];
let told = new Map();
let waiting = [];
const note = (text) => {
  const tick = JSON.parse(text);
  if (Object.keys(tick.sections).length) waiting.push([Date.parse(tick.now), performance.now()]);
  for (const [name, look] of Object.entries(tick.sections)) told.set(name, look.shows);
};
const Plain = SharedWorker;
window.SharedWorker = class extends Plain {
  constructor(...given) {
    super(...given);
    this.port.addEventListener("message", ({ data }) => { if (data.kind === "tick") note(data.text); });
  }
};
addEventListener("DOMContentLoaded", () => {
  const drawing = document.querySelector(".overview");
  if (!drawing) return;
  window.drawn = performance.now();
  new MutationObserver(() => {
    const channel = new MessageChannel();
    const [now, ticks] = [told, waiting];
    [told, waiting] = [new Map(), []];
    channel.port1.onmessage = () => {
      channel.port1.close();
      const at = performance.now();
      for (const [name, shows] of now) window.painted.push([name, shows, at]);
      for (const [told, got] of ticks) window.ticks.push([told, got, at]);
    };
    channel.port2.postMessage(null);
  }).observe(drawing, { attributes: true, attributeFilter: ["data-as-of"] });
});
"""
"""Notes when what was told of each section was painted: a page says in a frame as of when its drawing is, and a message sent then comes when that frame is made, as with the page's own receipts."""

Change = tuple[str, str]
CALLED = frozenset({"urgent", "prompt"})
SHOWS = {"occupied": "train", "clear": "clear", "disturbed": "odd"}
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--in-process-gpu", "--no-first-run")
"""No screen and no graphics processor: pictures are put together by the browser's own process."""


class Counting:
    """The monitor's clock, as far as it can be told from here: the time of day may be set, or go faster than seconds pass."""

    ahead = time.time_ns() - time.monotonic_ns()

    async def ask(self, desk: str) -> None:
        """Take it from the monitor: of some answers the one that came soonest."""
        found: list[tuple[int, int]] = []
        async with httpx.AsyncClient(trust_env=False) as client:
            for _ in range(10):
                begun = time.monotonic_ns()
                told = (await client.get(f"{desk}/api/v1/status")).json()["now"]
                middle = (begun + time.monotonic_ns()) // 2
                found.append((time.monotonic_ns() - begun, parse(told) * 1000 - middle))
        self.ahead = min(found)[1]

    def __call__(self) -> Moment:
        """Now."""
        return (self.ahead + time.monotonic_ns()) // 1000

    async def of(self, page: Page) -> Moment:
        """How far this clock is ahead of the one of a page, which only counts too."""
        found: list[tuple[Moment, Moment]] = []
        for _ in range(10):
            begun = self()
            counted = await page.evaluate("performance.now()")
            ended = self()
            found.append((ended - begun, (begun + ended) // 2 - round(counted * 1000)))
        return min(found)[1]


now = Counting()


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
    """Publishes changes of sections, each when it is due, and knows when each went out.

    Args:
        client: by which.
        tracks: the sections of each track, in order.
    """

    def __init__(self, client: aiomqtt.Client, tracks: Sequence[Sequence[str]]) -> None:
        self._client = client
        self._tracks = tracks
        self._names = [name for track in tracks for name in track]
        self._states = dict.fromkeys(self._names, "clear")
        self._number = 0
        self.went: dict[str, list[tuple[Moment, str]]] = {}

    async def send(self, name: str, state: str) -> None:
        """One change."""
        self._number += 1
        at = now()
        self._states[name] = state
        self.went.setdefault(name, []).append((at, SHOWS[state]))
        event = said(self._number, name, state, at)
        await self._client.publish(
            f"tally/x/section/{name}/state", json.dumps(event), qos=1
        )

    async def begin(self, apart: int | None) -> None:
        """Every section says that it is clear, but for a train in each so many of a track."""
        for track in self._tracks:
            for place, name in enumerate(track):
                train = apart is not None and place % apart == 0
                await self.send(name, "occupied" if train else "clear")

    async def run(self, rate: float, seconds: float, changes: Iterator[Change]) -> None:
        """Changes at *rate* a second."""
        begun, due = time.monotonic(), 0
        while (passed := time.monotonic() - begun) < seconds:
            while due <= passed * rate:
                await self.send(*next(changes))
                due += 1
            await asyncio.sleep(0.002)

    def trains(self, apart: int, disturb_every: int) -> Iterator[Change]:
        """A train in each so many sections of a track: one after the other enters the next section and leaves its own; each so many changes a section before one is disturbed, and clear again before that comes."""
        fronts = [
            (track, place)
            for track in self._tracks
            for place in range(0, len(track), apart)
        ]
        ends, count = {}, 0
        for step in itertools.count(1):
            for number, (track, place) in enumerate(fronts):
                yield track[(place + step) % len(track)], "occupied"
                yield track[(place + step - 1) % len(track)], "clear"
                count += 2
                if count // disturb_every > (count - 2) // disturb_every:
                    failed = track[(place + step + apart // 2) % len(track)]
                    ends[number] = step + 2, failed
                    yield failed, "disturbed"
                elif number in ends and ends[number][0] == step:
                    yield ends.pop(number)[1], "clear"

    def storm(self, disturb_every: int) -> Iterator[Change]:
        """Sections far apart; each so many is one that fails, and is clear again when its turn comes."""
        for due in itertools.count():
            name = self._names[due * 11 % len(self._names)]
            free = self._states[name] == "clear"
            state = "disturbed" if due % disturb_every == 0 else "occupied"
            yield name, state if free else "clear"


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
    painted: Sequence[tuple[str, str, Moment]],
    went: dict[str, list[tuple[Moment, str]]],
    begin: Moment,
    end: Moment,
) -> list[tuple[Moment, float]]:
    """When each change since *begin* went out, and the milliseconds until the page showed it, or what came after it; what was never painted is as late as *end*."""
    shown: dict[str, list[tuple[int, str]]] = {}
    for name, shows, at in painted:
        shown.setdefault(name, []).append((at, shows))
    found = []
    for name, changes in went.items():
        paints = shown.get(name, [])
        for number, (sent, _) in enumerate(changes):
            if not begin <= sent < end:
                continue
            # Skipping what has passed is no lateness: a newer state will do, once it was sent.
            good = [
                at
                for at, shows in paints
                for later, state in changes[number:]
                if shows == state and at >= later - 2000
            ]
            found.append((sent, (min(good, default=end) - sent) / 1000))
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
    sender: Sender,
    pages: Sequence[Page],
    rate: float,
    changes: Iterator[Change],
    seconds: float,
) -> tuple[Moment, Moment]:
    """Send at *rate*, and say how soon it was painted; gives from when to when."""
    begin, before = now(), burnt()
    await sender.run(rate, seconds, changes)
    end = now()
    took = {name: spent - before.get(name, 0.0) for name, spent in burnt().items()}
    await asyncio.sleep(2)
    found: list[tuple[Moment, float]] = []
    under_way, drawing = [], []
    ticks = 0
    for page in pages:
        ahead = await now.of(page)
        painted = [
            (name, shows, ahead + round(ms * 1000))
            for name, shows, ms in await page.evaluate("window.painted.splice(0)")
        ]
        ticks += len({at for _, _, at in painted})
        for told, got, at in await page.evaluate("window.ticks.splice(0)"):
            under_way.append((ahead + got * 1000 - told * 1000) / 1000)
            drawing.append(at - got)
        found += latencies(painted, sender.went, begin, end)
    found.sort()
    say(f"painted at {rate:g} events a second", [ms for _, ms in found])
    quarter = len(found) // 4
    say("  of these the first quarter", [ms for _, ms in found[:quarter]])
    say("  the last quarter", [ms for _, ms in found[-quarter:]])
    say("  a tick from the monitor to a page", under_way)
    say("  from there until it is painted", drawing)
    lasted = (end - begin) / SECOND
    cores = ", ".join(f"{name} {spent / lasted:.2f}" for name, spent in took.items())
    print(f"  cores busy meanwhile: {cores}")  # noqa: T201 - printing is what this program is for
    if pages and ticks:
        each = took["browser"] / len(pages)
        print(  # noqa: T201 - printing is what this program is for
            f"  a page: {each / lasted * 1000:.0f} ms of a core a second, "
            f"{ticks / len(pages) / lasted:.1f} drawings a second, {each * len(pages) / ticks * 1000:.0f} ms for each with all that goes with it"
        )
    return begin, end


def events_taken(folder: Path) -> list[float]:
    """Milliseconds from the publication of an event to its arrival at the monitor."""
    with Journal.read(folder / "journal.sqlite") as journal:
        return [
            (one.arrival - one.time) / 1000
            for one in journal.events()
            if isinstance(one, SectionState) and one.arrival is not None
        ]


def alerts_painted(
    folder: Path, spans: Sequence[tuple[Moment, Moment]], pages: int
) -> list[float]:
    """Milliseconds from when the watermark passed what an alert needed to its first paint on each page.

    Only those count whose moment came while events did, in *spans*: without, the watermark waits for the monitor's own next look at the clock, once a second.
    And only those that call somebody as they are raised: others stand in no list of the desk, and what their fault becomes later is another alert's doing.
    """
    waits = round(float(WORDS["patience_s"]) * SECOND)
    end = now()
    with Store.open(folder / "alerts.sqlite") as store:
        raised: dict[str, Moment] = {}
        seen = set()
        for text in store.lines():
            record = json.loads(text)
            if record["id"] not in seen and record["priority"] in CALLED:
                raised[record["id"]] = parse(record["raised"])
            seen.add(record["id"])
    first: dict[str, dict[str, Moment]] = {}
    with Journal.read(folder / "journal.sqlite") as journal:
        for told in shown_in(journal.kept()):
            for one in told.faults:
                on = first.setdefault(one.fault, {})
                on[told.page] = min(told.at, on.get(told.page, told.at))
    found = []
    for name, at in raised.items():
        # One that is no fault of its own stands in another's row.
        passed = at + waits
        if any(begin <= passed < end for begin, end in spans) and name in first:
            paints = list(first[name].values())
            paints += [end] * (pages - len(paints))
            found += [(paint - passed) / 1000 for paint in paints]
    return found


async def measure(folder: Path, asked: argparse.Namespace) -> None:
    """All of it."""
    text = large_line(asked.sections)
    (folder / "line.toml").write_text(text, encoding="utf-8")
    names = [row.split('"')[1] for row in text.split("\n") if row[:6] == 'id = "']
    tracks = [
        [one for one in names if one[1:2] == way and one[2:].isdigit()] for way in "DU"
    ]
    with running(folder) as broker:
        write_settings(folder, broker.url)
        address = read_url(broker.url)
        with daemon_process(folder) as (_, desk):
            async with (
                aiomqtt.Client(address.host, address.port) as client,
                async_playwright() as playwright,
            ):
                await now.ask(desk)
                sender = Sender(client, tracks)
                await sender.begin(None if asked.storm else asked.apart)
                browser = await playwright.chromium.launch(
                    executable_path=shutil.which("chromium"), args=list(ARGUMENTS)
                )
                pages = await opened(browser, desk, asked)
                changes = (
                    sender.storm(asked.disturb_every)
                    if asked.storm
                    else sender.trains(asked.apart, asked.disturb_every)
                )
                spans = [
                    await traffic(sender, pages, rate, changes, asked.seconds)
                    for rate in (60.0, asked.rate)
                ]
                await browser.close()
        say("event taken from the broker", events_taken(folder))
        late = alerts_painted(folder, spans, asked.pages)
        say("alert painted after the watermark", late)


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
    parser.add_argument("--disturb-every", type=int, default=601)
    parser.add_argument("--apart", type=int, default=12)
    parser.add_argument("--storm", action="store_true")
    asked = parser.parse_args()
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(  # noqa: T201 - printing is what this program is for
        f"{asked.sections} sections, {asked.pages} pages, {os.cpu_count()} cores, load before {load}"
    )
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(measure(Path(folder), asked))


if __name__ == "__main__":
    main()
