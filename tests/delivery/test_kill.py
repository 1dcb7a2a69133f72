"""A courier that is killed again and again."""

from __future__ import annotations

import multiprocessing
import os
import random
import tempfile
import threading
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from monitor.core.moments import HOUR, SECOND
from monitor.store import Store
from tests.delivery import sender
from tests.delivery.samples import BEGAN, alert, call
from tests.receiver import Receiver, receiving, wait_for

ALERTS, KILLS = 10_000, 50
CALLS = 100


class Killer(Receiver):
    """A receiver that kills the process that sends to it, when it has so many changes: before it says that it has the last of them, or some moment later."""

    def __init__(self, before, later):
        super().__init__()
        self.process: Any = None
        self.seen: Counter[str] = Counter()
        self.killed = 0
        self._before = before
        self._later = later

    def takes(self, body):
        """Note what came, and kill where it is time."""
        status = super().takes(body)
        key = self.had[-1]["key"]
        new = key not in self.seen
        self.seen[key] += 1
        if new and len(self.seen) in self._before:
            self._kill()
        if new and len(self.seen) in self._later:
            moment = self._later[len(self.seen)]
            threading.Timer(moment, self._kill).start()
        return status

    def _kill(self):
        # Its end is waited for: whoever is killed does nothing any more.
        self.process.kill()
        self.process.join()
        self.killed += 1


@pytest.fixture
def directory(tmp_path):
    """A directory in memory, where there is one: whoever is killed takes nothing along that the system has, and a disk takes most of the time."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(
        dir=memory if os.access(memory, os.W_OK) else tmp_path
    ) as name:
        yield Path(name)


@pytest.mark.days
def test_ten_thousand_alerts_and_fifty_kills_lose_nothing(directory):
    """Each change is at the receiver, known by its key; only what was under way at a kill came twice, with the same key."""
    alerts = [
        alert(section=f"T{106 + number % 2}", began=BEGAN - HOUR + number * SECOND)
        for number in range(ALERTS)
    ]
    calls = [call(one) for one in alerts[:: ALERTS // CALLS]]
    path = directory / "alerts.sqlite"
    with Store.open(path) as store:
        store.keep(alerts, calls=calls)
    draw = random.Random(17)
    drawn = draw.sample(range(20, ALERTS, 20), KILLS)
    later = {at: draw.uniform(0, 0.006) for at in drawn[KILLS // 2 :]}
    killer = Killer(set(drawn[: KILLS // 2]), later)
    # Whoever is forked has loaded everything already.
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["tests.delivery.sender"])
    with receiving(killer):
        while True:
            killer.process = processes.Process(
                target=sender.send, args=(path, killer.url), daemon=True
            )
            before = killer.killed
            killer.process.start()
            wait_for(
                lambda before=before: (
                    killer.killed > before or len(killer.seen) == ALERTS + CALLS
                ),
                limit_s=60,
            )
            if killer.killed == before:
                break
        with Store.open(path) as store:
            wait_for(lambda: not store.backlog())
        killer.process.kill()
        killer.process.join()

    assert killer.killed == KILLS
    assert {one["alert"]["id"] for one in killer.had if one["what"] == "alert"} == {
        one.id for one in alerts
    }
    assert {one["call"]["alert"] for one in killer.had if one["what"] == "call"} == {
        one.alert for one in calls
    }
    assert len(killer.seen) == ALERTS + CALLS
    twice = {key: times for key, times in killer.seen.items() if times > 1}
    assert KILLS // 2 <= len(twice) <= KILLS
    assert set(twice.values()) == {2}
    for key in twice:
        first, *again = [one for one in killer.had if one["key"] == key]
        assert again == [first]
