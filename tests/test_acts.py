from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given, strategies as st

from monitor.acts import acts, entry, read_act, write_act
from monitor.core.alerts import identify
from monitor.core.engine import Engine
from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.moments import HOUR, MINUTE, parse
from monitor.handling import Act, Handling, Life, What
from monitor.journal import Entry, Journal, own
from monitor.shifts import DeskAct, DeskWhat
from tests.core.conftest import Story, plain_line

NOON = parse("2026-05-04T12:00:00Z")

SEEN = Act(
    id="7f3a",
    at=NOON,
    entered=NOON + MINUTE,
    by="Ines",
    position="east",
    what="seen",
    alert="0123456789abcdef",
)

TEXTS = st.text(st.characters(codec="utf-8"), max_size=40)
MOMENTS = st.integers(NOON, NOON + HOUR)


@given(
    st.builds(
        Act,
        id=TEXTS,
        at=MOMENTS,
        entered=MOMENTS,
        by=TEXTS,
        position=TEXTS,
        what=st.sampled_from(get_args(What)),
        alert=TEXTS,
        fault=TEXTS,
        kind=TEXTS,
        subject=TEXTS,
        text=TEXTS,
        until=st.none() | MOMENTS,
    )
)
def test_an_act_comes_back_as_it_was(act):
    """Whatever people type, on one line of JSON."""
    written = write_act(act)

    assert read_act(written) == act
    assert b"\n" not in written


@given(
    st.builds(
        DeskAct,
        id=TEXTS,
        at=MOMENTS,
        entered=MOMENTS,
        by=TEXTS,
        position=TEXTS,
        what=st.sampled_from(get_args(DeskWhat)),
        to=TEXTS,
        text=TEXTS,
        note=TEXTS,
    )
)
def test_an_act_about_a_desk_comes_back_as_it_was(act):
    """It stands in the journal as what is done about alerts does, under a type of its own."""
    written = write_act(act)

    assert read_act(written) == act
    assert json.loads(written)["type"] == "tallywatch.desk.act"


def test_an_act_is_a_cloudevent():
    """Required by CloudEvents 1.0: id, source, specversion, type; with the time when it was so, and when it was entered."""
    event = json.loads(write_act(SEEN))

    assert event == {
        "specversion": "1.0",
        "id": "7f3a",
        "source": "desk/east",
        "type": "tallywatch.alert.act",
        "time": "2026-05-04T12:00:00.000Z",
        "recordedtime": "2026-05-04T12:01:00.000Z",
        "data": {"what": "seen", "by": "Ines", "alert": "0123456789abcdef"},
    }


@pytest.mark.parametrize(
    "payload", [b"[line]", b"{}", b"[]", b'{"type": "tallywatch.section.state"}']
)
def test_what_is_no_act_is_left_alone(payload):
    """The journal keeps other texts too."""
    assert read_act(payload) is None


@pytest.mark.parametrize(
    "change",
    [
        {"data": {"what": "seen"}},
        {"data": {"what": "sung", "by": "Ines"}},
        {"data": "seen"},
        {"source": None},
        {"time": "noon"},
    ],
)
def test_an_act_that_is_not_whole_is_told(change):
    """It was written by nobody here."""
    event = json.loads(write_act(SEEN)) | change

    with pytest.raises(ValueError, match=r"act|RFC 3339"):
        read_act(json.dumps(event).encode())


def test_acts_stand_in_the_journal_among_the_rest(tmp_path):
    """In their order, hash-chained, and no event that the engine would be told of."""
    second = replace(
        SEEN, id="7f3b", what="noted", alert="", fault="f1", text="on foot"
    )
    record = MonitorRecord(
        id="started/1",
        source="monitor-1",
        subject="monitor-1",
        time=NOON,
        arrival=NOON,
        kind=RecordKind.STARTED,
        values={"version": "0"},
    )
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        journal.append([Entry(payload=b"[line]", arrival=NOON, kept=True)])
        journal.append([entry(SEEN), own(record, NOON), entry(second)])
        kept = list(acts(journal.kept()))
        events = list(journal.events())
        story = list(journal.story())
        later = list(journal.story(3))

    assert story == [b"[line]", write_act(SEEN), *events, write_act(second)]
    assert later == story[2:]
    assert kept == [SEEN, second]
    assert [event.id for event in events] == ["started/1"]


DIES = """
import os, signal, sys
from monitor.acts import entry, read_act
from monitor.journal import Journal

journal = Journal.open(sys.argv[1])
journal.append([entry(read_act(sys.argv[2].encode()))])
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_an_act_is_on_disk_when_it_was_taken(tmp_path):
    """A process that is killed the moment it has written an act has written it."""
    path = tmp_path / "journal.sqlite"
    died = subprocess.run(
        [sys.executable, "-c", DIES, str(path), write_act(SEEN).decode()],
        check=False,
    )
    with Journal.read(path) as journal:
        kept = list(acts(journal.kept()))

    assert died.returncode == -9
    assert kept == [SEEN]


def test_a_start_that_reads_the_story_again_knows_the_same(tmp_path):
    """Seen, over, again and seen anew depend on their order: acts are taken again where they stood among what was concluded."""
    line = plain_line()
    story = Story(line)
    quiet = story.events("\n".join(f"06:00:00 T{n} clear" for n in range(1, 6)))
    lost = story.events("07:00:00 T3 disturbed\n07:05:00 T1 clear")
    given_back = story.events("07:10:00 T3 clear\n07:20:00 T1 clear")
    alert = identify("section-disturbed", "section/T3", lost[0].time)
    seen = replace(SEEN, alert=alert)
    off = replace(
        SEEN,
        id="7f3c",
        what="switched_off",
        alert="",
        kind="section-disturbed",
        subject="section/T3",
        text="rails are out",
    )

    def told(engine, handling, event):
        for one in engine.take(event).alerts:
            handling.told(one)

    engine, live = Engine(line), Handling()
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        for step in (*quiet, *lost, seen, *given_back, off):
            if isinstance(step, Act):
                assert live.take(step)
                journal.append([entry(step)])
            else:
                told(engine, live, step)
                journal.append([own(step, step.time)])

        engine, again = Engine(line), Handling()
        for part in journal.story():
            act = read_act(part) if isinstance(part, bytes) else None
            if isinstance(act, Act):
                assert again.take(act)
            elif not isinstance(part, bytes):
                told(engine, again, part)

    assert again.of(alert, NOON) == live.of(alert, NOON)
    assert again.of(alert, NOON).life is Life.DONE
    assert again.of(alert, NOON).quiet == "switched off here: rails are out"
