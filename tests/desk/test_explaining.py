from __future__ import annotations

import asyncio
import sys

import httpx
import pytest

from monitor.core.moments import HOUR, MINUTE, exact, parse
from monitor.core.words import CAUTION
from monitor.desk import explaining
from monitor.desk.explaining import Explaining
from monitor.desk.model import NotThere, Refused
from monitor.journal import Journal
from monitor.past import Past, explained
from tests.journals import come, connect, start
from tests.live import LINE, disturb, listening, quick, until
from tests.mosquitto import running
from tests.test_past import SLOW, disturbed

SIX = parse("2026-05-04T06:00:00Z")
THEN = SIX + 5 * MINUTE


@pytest.fixture(name="journal")
def _journal(tmp_path):
    """A journal in which T2 was disturbed, with settings of its own."""
    path = tmp_path / "journal.sqlite"
    with Journal.open(path) as journal:
        start(journal, SIX, LINE, detect=SLOW)
        connect(journal, SIX)
        come(journal, disturbed(1, SIX + MINUTE, minutes=12))
    return path


@pytest.mark.slow
async def test_what_was_known_is_told_as_the_command_does(journal):
    """By what was in force then, with how far it was looked, and the caution."""
    told = await Explaining(journal).explained("T2", THEN, "section-disturbed")
    with Journal.read(journal) as book:
        expected = explained(Past(book, THEN, THEN), "T2", THEN, "section-disturbed")

    assert told.said == expected
    assert told.heading == "T2 at 2026-05-04 06:05:00 (+00:00, UTC):"
    assert told.in_force[0].startswith("In force from 2026-05-04 06:00:00")
    assert told.reach
    assert told.caution == CAUTION


@pytest.mark.slow
async def test_what_cannot_be_told_is_said_in_a_sentence(journal):
    """Before anything was journaled, and where there is no journal."""
    with pytest.raises(Refused, match="does not say which line file"):
        await Explaining(journal).explained("T2", SIX - HOUR, None)
    with pytest.raises(NotThere):
        await Explaining(None).explained("T2", THEN, None)


async def test_questions_wait_for_one_another_and_not_too_many(journal, monkeypatch):
    """One at a time; whoever comes when others wait already is told to come again."""
    going = asyncio.Event()
    most = 0
    now = 0

    async def ask(_asked):
        nonlocal most, now
        now += 1
        most = max(most, now)
        await going.wait()
        now -= 1
        return {"heading": "", "said": [], "reach": [], "in_force": [], "caution": ""}

    monkeypatch.setattr(explaining, "_ask", ask)
    desk = Explaining(journal)
    async with asyncio.TaskGroup() as group:
        for _ in range(explaining.MOST):
            group.create_task(desk.explained("T2", THEN, None))
        await asyncio.sleep(0)
        with pytest.raises(Refused, match="others are asking"):
            await desk.explained("T2", THEN, None)
        going.set()

    assert most == 1
    assert (await desk.explained("T2", THEN, None)).said == []


async def test_what_takes_too_long_is_given_up(journal, monkeypatch, tmp_path):
    """And its process with it."""
    slow = tmp_path / "slow"
    slow.write_text("#!/bin/sh\nexec sleep 600\n", encoding="utf-8")
    slow.chmod(0o755)
    monkeypatch.setattr(explaining, "WITHIN_S", 0.2)
    monkeypatch.setattr(sys, "executable", str(slow))

    with pytest.raises(Refused, match="longer than"):
        await Explaining(journal).explained("T2", THEN, None)


@pytest.mark.broker
@pytest.mark.slow
async def test_the_page_and_the_api_answer_while_it_watches(tmp_path):
    """Why there is an alert now, out of the journal that the monitor is writing; a section's page leads there."""
    with running(tmp_path / "broker") as broker:
        async with (
            listening(quick(tmp_path, broker.url)) as daemon,
            httpx.AsyncClient(
                base_url=daemon.desk_at, timeout=60, trust_env=False
            ) as client,
        ):
            await disturb(broker.url)
            await until(lambda: daemon.engine.raised)
            at = exact(daemon._now())
            asked = {"section": "T2", "at": at, "kind": "section-disturbed"}
            page = await client.get("/explain", params=asked)
            missing = await client.get(
                "/api/v1/sections/T9/explained", params={"at": at}
            )
            section = await client.get("/sections/T2")
            wrong = await client.get("/explain", params={"section": "T9"})
            never = await client.get("/explain", params={**asked, "at": "noon"})

    assert page.status_code == 200
    assert "T2 shows disturbed since" in page.text
    assert "is open since" in page.text
    assert "In force from" in page.text
    assert missing.status_code == 404
    assert '"/explain?section=T2"' in section.text
    assert (wrong.status_code, never.status_code) == (422, 422)
    assert "no section T9" in wrong.text
    assert "is not RFC 3339" in never.text
