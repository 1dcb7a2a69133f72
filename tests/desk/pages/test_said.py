"""What the sheet of a fault and a phone say of it."""

from __future__ import annotations

import re
from dataclasses import replace

import httpx
import pytest

from monitor.core.detector import Evidence
from monitor.core.layout import Site
from monitor.core.moments import SECOND
from monitor.desk.app import create
from monitor.desk.model import SeenIn, Who
from monitor.desk.pages.routes import MOST_PRINTED
from monitor.desk.pages.ticks import Ticks
from monitor.settings.desk import DeskSettings
from tests.desk.daemon import NOON, Daemon, alert, fault

ROOM = Site(
    id="Thornmere room",
    access="gate 4",
    telephone="01 555 0118",
    route="mill lane, left before the crossing",
    room="1",
    geo=(54.5, -3.25),
)


def evidence(count):
    """So many things that happened, a second apart."""
    return tuple(
        Evidence(time=NOON + i * SECOND, text=f"thing {i} happened", event=f"gw/1#{i}")
        for i in range(count)
    )


@pytest.fixture
def daemon(tmp_path):
    """A monitor with a fault of two alerts, one of which only a person closes."""
    daemon = Daemon(tmp_path)
    one = alert(evidence=evidence(30), summary="T107 occupied")
    other = alert("vanished-train", "section/T108", summary="T108 cleared")
    lasting = {"lasting": (other.id,), "headline": "T107 occupied"}
    daemon.tell(one, other, faults=[fault(one, other, **lasting)])
    yield daemon
    daemon.close()


@pytest.fixture
async def client(daemon, tmp_path):
    """A browser at this machine, where the line file says all of the room."""
    rack = {"EV1": replace(daemon.line.evaluators["EV1"], rack="R3")}
    line = replace(daemon.line, sites={ROOM.id: ROOM}, evaluators=rack)
    ticks = Ticks(daemon.desk, line, daemon.stream)
    settings = DeskSettings(people_file=tmp_path / "people.json", unnamed="act")
    app = create(daemon.desk, settings, daemon.stream, lambda: daemon.now, ticks=ticks)
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40000))
    async with httpx.AsyncClient(
        transport=transport, base_url="http://127.0.0.1:9109"
    ) as client:
        yield client


async def words_of(client, path):
    """A page as it is read, without its marks."""
    answer = await client.get(path)
    assert answer.status_code == 200
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", answer.text))


async def test_the_sheet_tells_all_that_happened(client):
    """Nothing that fits four pages of paper is left out."""
    said = await words_of(client, "/faults/XLLM")

    assert all(f"thing {i} happened" in said for i in range(30))
    assert "more between" not in said


async def test_what_the_sheet_leaves_out_it_counts(daemon, client):
    """And says where it is."""
    one = alert(subject="section/T106", evidence=evidence(MOST_PRINTED + 9))
    daemon.tell(one, faults=[fault(one, number="WR6L")])
    said = await words_of(client, "/faults/WR6L")

    told = len(re.findall(r"thing \d+ happened", said))
    left = int(re.findall(r"and (\d+) more between", said)[0])
    assert told < MOST_PRINTED + 9
    # What is told of it besides is the raising, once for each alert.
    assert told + left in {MOST_PRINTED + 9, MOST_PRINTED + 10}
    assert "see the replay of fault WR6L" in said


@pytest.mark.parametrize("path", ["/faults/XLLM", "/phone/XLLM"])
async def test_sheet_and_phone_say_what_else_is_open_who_saw_it_and_what_stays(
    daemon, client, path
):
    """As the desk does."""
    async with daemon.running() as desk:
        await desk.act(Who(name="A. Moor"), SeenIn(what="seen", fault=alert().id))
    said = await words_of(client, path)

    assert "stays until closed" in said
    assert "seen by A. Moor at 13:00" in said
    assert re.search(r"Also open in it: [^·]*T108", said)


async def test_the_sheet_says_that_nothing_was_found_before(client):
    """Where no visit is on record."""
    assert "Found before here No visit is on record" in await words_of(
        client, "/faults/XLLM"
    )


@pytest.mark.parametrize("path", ["/faults/XLLM", "/phone/XLLM"])
async def test_where_to_go_is_the_way_the_gate_the_room_and_the_rack(client, path):
    """All that the line file says of it."""
    said = await words_of(client, path)

    for one in (
        "Thornmere room",
        "mill lane, left before the crossing",
        "gate 4",
        "room 1",
        "EV1 in rack R3",
        "01 555 0118",
    ):
        assert one in said


async def test_a_phone_opens_its_own_map(client):
    """A link of RFC 5870, section 3: latitude before longitude, in degrees of WGS 84."""
    text = (await client.get("/phone/XLLM")).text

    assert 'href="geo:54.500000,-3.250000"' in text


async def test_where_only_a_reset_waits_the_words_are_the_resets(daemon, client):
    """Nobody is sent at once for what is over; the cause that led before is still told as where to look."""
    looked = "Look first at cable C4, 4 of 4 sections on it"
    over = alert(
        "common-cause", "cable/C4", checks=("Do first: tell all signallers", looked)
    )
    over = replace(over, id="9" * 16, ended=NOON + SECOND)
    told = {"number": "KKKK", "open": (), "waiting": ("T107",), "subject": over.subject}
    daemon.tell(over, faults=[fault(over, **told)])
    text = await words_of(client, "/faults/KKKK")

    assert "4 of 4 sections on it" in text
    assert "tell all signallers" not in text.casefold()
    assert "the day; while awaiting the sweep" in text


async def test_what_is_over_is_told_as_over(daemon, client):
    """What was to be done first is no longer asked for within a time."""
    over = alert(checks=("Do first: tell all signallers",), ended=NOON + SECOND)
    over = replace(over, id="8" * 16)
    told = {"number": "MMMM", "ended": NOON + SECOND, "subjects": ("section/T107",)}
    daemon.tell(over, faults=[fault(over, **told)])
    text = await words_of(client, "/faults/MMMM")

    assert "It is over. While it was not: tell all signallers" in text
    assert "within:" not in text
