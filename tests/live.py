"""A daemon on a line of four sections, run in the test's own loop, and what is published to it."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

import aiomqtt

from monitor.core.layout import read_line
from monitor.core.moments import SECOND, exact
from monitor.daemon import Clock, Daemon
from monitor.settings import read as read_settings, read_url

ROOT = Path(__file__).parent.parent
SECTIONS = ("T1", "T2", "T3", "T4")
LINE = "\n".join(
    [
        '[line]\nname = "four sections"\ntimezone = "UTC"',
        '[[evaluator]]\nid = "EV1"\nsite = "room"',
        *(
            f'[[section]]\nid = "{name}"\narea = "a"\nevaluator = "EV1"\n'
            "length_m = 800\nspeed_km_h = 120"
            for name in SECTIONS
        ),
        *(
            f'[[head]]\nid = "H{i}"\nbetween = ["{a}", "{b}"]'
            for i, (a, b) in enumerate(
                zip(["open", *SECTIONS], [*SECTIONS, "open"], strict=True)
            )
        ),
    ]
)

WORDS = {"patience_s": 0.5, "skew_s": 0.2, "settle_s": 0.5, "join_wait_s": 1}
"""Short, so that a test need not wait for what is so after seconds on a railway."""

DETECT = {"section-disturbed": {"settle_s": 0.5}}


def event(number, section, state, at, **more):
    """One event of a section as the feed tells it."""
    return {
        "specversion": "1.0",
        "id": str(number),
        "source": "gw/1",
        "type": "tallywatch.section.state",
        "subject": section,
        "time": exact(at),
        "data": {"state": state},
        **more,
    }


def topic(one):
    """Where an event is published."""
    return f"tally/a/section/{one['subject']}/state"


async def publish(url, *events, payloads=()):
    """Publish *events*, and *payloads* as they are, each acknowledged by the broker."""
    address = read_url(url)
    async with aiomqtt.Client(address.host, address.port) as client:
        for one in events:
            await client.publish(topic(one), json.dumps(one), qos=1)
        for payload in payloads:
            await client.publish("tally/a/section/T1/state", payload, qos=1)


def settings_of(directory, url, desk=(), **over):
    """Settings that keep everything in *directory*, and a desk on a port that nobody else has."""
    names = ("journal", "alerts", "history")
    return read_settings(
        broker={"url": url},
        files={name: str(directory / f"{name}.sqlite") for name in names},
        metrics={"port": 0},
        desk={"port": 0, "people_file": str(directory / "people.json"), **dict(desk)},
        **over,
    )


def quick(directory, url, *, desk=(), **over):
    """Settings of a monitor that concludes soon, at whose desk whoever is at this machine may act."""
    desk = {"unnamed": "act", **dict(desk)}
    given = {"words": WORDS, "detect": DETECT, **over}
    return settings_of(directory, url, desk, **given)


async def disturb(url, section="T2", number=1, at=None):
    """A section that was clear is disturbed."""
    at = at if at is not None else Clock()()
    await publish(url, event(number, section, "clear", at))
    await publish(url, event(number + 1, section, "disturbed", at + SECOND // 10))


@asynccontextmanager
async def watching(settings, text=LINE, **how):
    """A daemon, on a line of four sections or on that of *text*, that listens while the block runs, and is then stopped in good order."""
    daemon = Daemon(read_line(text), text, settings, **how)
    async with asyncio.TaskGroup() as group:
        task = group.create_task(daemon.run())
        try:
            async with asyncio.timeout(60):
                await daemon.ready.wait()
            yield daemon
        finally:
            begun = time.monotonic()
            daemon.stop()
            async with asyncio.timeout(40):
                await task
            assert time.monotonic() - begun < 2


async def until(condition, limit_s=45):
    """Wait until *condition* is true."""
    async with asyncio.timeout(limit_s):
        while not condition():  # noqa: ASYNC110 (what is waited for tells nobody)
            await asyncio.sleep(0.02)


@asynccontextmanager
async def listening(settings, **how):
    """`watching`, once the broker has taken its subscription: what is published to it earlier never comes."""
    async with watching(settings, **how) as daemon:
        await until(lambda: daemon.counts.connected)
        yield daemon


@contextmanager
def daemon_process(directory):
    """A daemon in a process of its own; gives it and where it answers, and kills it in the end."""
    log = directory / "log"
    with log.open("ab") as file:
        start = file.tell()
        process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "monitor",
                "run",
                "--line",
                "line.toml",
                "--settings",
                "settings.toml",
            ],
            cwd=directory,
            stderr=file,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
    try:
        yield process, _address(log, start, process)
    finally:
        process.kill()
        process.wait()


def _address(log, start, process):
    end = time.monotonic() + 60
    while True:
        said = log.read_bytes()[start:].decode().splitlines(keepends=True)
        whole = [json.loads(one) for one in said if one.endswith("\n")]
        if any(one["event"] == "connected" for one in whole):
            (desk,) = [one for one in whole if one["event"] == "desk"]
            return desk["at"]
        assert process.poll() is None, log.read_text()
        assert time.monotonic() < end, "it does not answer"
        time.sleep(0.05)
