from __future__ import annotations

import asyncio
import re
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, strategies as st
from typer.testing import CliRunner

from monitor import cli
from monitor.core.moments import HOUR, MINUTE, parse, stamp
from monitor.journal import Journal
from monitor.keeps import Keep, keeps_in, spared
from monitor.past import Past
from tests.journals import come, connect, start
from tests.live import LINE, quick, watching
from tests.mosquitto import running
from tests.test_past import concluded, disturbed

ROOT = Path(__file__).parent.parent
NOON = parse("2026-05-04T12:00:00Z")
ONE = (
    *("keep", "--from", stamp(NOON), "--to", stamp(NOON + HOUR)),
    *("--reason", "T107 let go of a train"),
)


def window(begin, length):
    """A window that is to be kept, in hours from noon on."""
    return Keep(
        id=f"{begin}/{length}",
        begin=NOON + begin * HOUR,
        end=NOON + (begin + length) * HOUR,
        reason="",
        by="",
        position="",
        entered=NOON,
    )


def call(*arguments):
    """The command line with *arguments*, as it ended."""
    return CliRunner().invoke(cli.app, [str(one) for one in arguments])


@given(st.lists(st.tuples(st.integers(-200, 200), st.integers(1, 90)), max_size=8))
def test_every_window_is_spared_with_its_lead_in(windows):
    """Whole, in order, and no two of what is spared overlap."""
    keeps = [window(*one) for one in windows]
    spans = spared(keeps)

    for keep in keeps:
        [_] = [
            one
            for one in spans
            if one[0] <= keep.begin - 25 * HOUR and keep.end + MINUTE <= one[1]
        ]
    assert all(a[1] < b[0] for a, b in pairwise(spans))
    assert sum(b - a for a, b in spans) <= sum(
        one.end - one.begin + 25 * HOUR + MINUTE for one in keeps
    )


def test_what_is_spared_is_enough_to_conclude_from_it_again(tmp_path):
    """A journal with nothing but what is spared says of the window what the whole one says."""
    events = [
        event
        for hour in range(0, 60, 4)
        for event in disturbed(hour * 10, NOON + hour * HOUR)
    ]
    keep = window(40, 9)
    [(first, last)] = spared([keep])
    said = []
    for name, some in (
        ("whole", events),
        ("spared", [one for one in events if first <= one.time < last]),
    ):
        with Journal.open(tmp_path / name) as journal:
            start(journal, NOON, LINE)
            connect(journal, NOON)
            come(journal, some)
            said.append(concluded(Past(journal, keep.begin, keep.end)))

    assert said[0]
    assert said[0] == said[1]


def test_nothing_deletes_from_journal_or_history():
    """Whoever makes something that does must ask `spared` first, and say so here."""
    wrong = [
        path.name
        for path in (ROOT / "monitor").rglob("*.py")
        if re.search(
            r"(DELETE\s+FROM|DROP\s+TABLE(\s+IF\s+EXISTS)?)\s+(record|event|rejection|fact)\b",
            path.read_text(encoding="utf-8"),
            re.IGNORECASE,
        )
        and "spared" not in path.read_text(encoding="utf-8")
    ]

    assert wrong == []


def test_a_window_is_kept_in_a_journal_that_nobody_writes(tmp_path):
    """By the name that is given, and it is listed; the journal still fits."""
    path = tmp_path / "journal.sqlite"
    with Journal.open(path) as journal:
        start(journal, NOON, LINE)

    kept = call(*ONE, "--by", "A. Moor", "--journal", path)
    listed = call("keep", "--list", "--journal", path)
    fits = call("verify", "--journal", path)

    assert kept.exit_code == 0, kept.output
    [line] = listed.stdout.splitlines()
    assert line.startswith(
        "2026-05-04T12:00:00.000Z to 2026-05-04T13:00:00.000Z: "
        "T107 let go of a train (A. Moor, "
    )
    assert fits.exit_code == 0


def test_a_journal_that_is_being_written_is_left_to_its_monitor(tmp_path):
    """The command says why it did nothing."""
    path = tmp_path / "journal.sqlite"
    with Journal.open(path):
        ended = call(*ONE, "--by", "A. Moor", "--journal", path)

    assert ended.exit_code == 1
    assert "is being written by another monitor" in ended.stderr


@pytest.mark.parametrize(
    "given",
    [
        ("keep",),
        ("keep", "--from", stamp(NOON), "--to", stamp(NOON + HOUR)),
        (*ONE[:2], stamp(NOON), "--to", stamp(NOON), "--reason", "x"),
        (*ONE[:-1], "two\nlines"),
    ],
)
def test_what_is_not_whole_is_wrong_usage(given):
    """From, to and reason, in their order."""
    assert call(*given).exit_code == 2


@pytest.mark.broker
@pytest.mark.slow
async def test_the_running_monitor_is_asked(tmp_path):
    """It knows who asks, and its journal has it while it runs."""
    with running(tmp_path / "broker") as broker:
        async with watching(quick(tmp_path, broker.url)) as daemon:
            ended = await asyncio.to_thread(call, *ONE, "--desk", daemon.desk_at)
    with Journal.read(tmp_path / "journal.sqlite") as journal:
        [keep] = keeps_in(journal.kept())

    assert ended.exit_code == 0, ended.output
    assert (keep.begin, keep.end, keep.reason) == (
        *(NOON, NOON + HOUR),
        "T107 let go of a train",
    )
    assert keep.by
