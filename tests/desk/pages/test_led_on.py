"""A fault number that was told still leads somewhere after a restart with other settings."""

from __future__ import annotations

import httpx
import pytest

from monitor.core.faults import read_fault
from monitor.core.moments import SECOND
from monitor.core.succession import LEFT, WHY
from monitor.daemon import Clock
from monitor.store import Store
from tests.live import WORDS, event, publish, quick, until, watching

pytestmark = [pytest.mark.broker]

SLOWLY = {**WORDS, "join_wait_s": 30}
"""So long after another a section that shares a head with it may fail and be of the same fault."""


async def fail(url, daemon, clock, about):
    """T2 fails, T3 beside it too and goes on, for two seconds longer than T2 did, which is given back."""
    for number, section in enumerate(("T2", "T3")):
        await publish(url, event(number, section, "clear", clock()))
    began = clock()
    await publish(url, event(3, "T2", "disturbed", began))
    await until(lambda: about("T2"))
    failed = clock()
    await publish(url, event(4, "T3", "disturbed", failed))
    await until(lambda: len(about("T2")[0].alerts) == 2)
    lasted = clock() - began
    await publish(url, event(5, "T2", "clear", began + lasted))
    await until(lambda: len(about("T2")[0].open) == 1)
    await until(lambda: clock() > failed + lasted + 2 * SECOND, 60)
    await publish(url, event(6, "T4", "clear", clock()))
    after = clock()
    await until(lambda: daemon.engine.watermark > after)
    return lasted


async def test_a_number_leads_on_after_a_restart_with_other_settings(tmp_path, broker):
    """T2 and T3 fail as one fault; a slower rule never sees T2: the number of then goes on as that of T3, on disk and on the desk, and no start says it twice; where no rule sees either, it is over and says why."""

    def faults():
        with Store.open(tmp_path / "alerts.sqlite") as store:
            return {one.id: one for one in map(read_fault, store.faults())}

    def about(section):
        subject = f"section/{section}"
        return [one for one in faults().values() if one.subjects[0] == subject]

    clock = Clock()
    settings = quick(tmp_path, broker.url, words=SLOWLY)
    async with watching(settings, now=clock) as daemon:
        await until(lambda: daemon.counts.connected)
        lasted = await fail(broker.url, daemon, clock, about)
    [first] = about("T2")

    slower = lasted / SECOND + 1
    settings = quick(
        tmp_path,
        broker.url,
        words=SLOWLY,
        detect={"section-disturbed": {"settle_s": slower}},
    )
    async with watching(settings, now=clock) as daemon:
        await until(lambda: about("T3"), 30)
    async with watching(settings, now=clock) as daemon:
        [then], [before] = about("T3"), about("T2")
        assert (before.into, before.why, before.open) == (then.id, WHY, ())
        assert then.into is None
        async with httpx.AsyncClient(base_url=daemon.desk_at) as client:
            page = await client.get(f"/faults/{first.number}")
            told = (await client.get(f"/api/v1/faults/{first.number}")).json()
            none = await client.get("/faults/9999")
        assert f"{first.number} is {then.number} now: {WHY}" in page.text
        assert (told["into_number"], told["why"]) == (then.number, WHY)
        assert none.status_code == 404
        assert "There is no fault 9999." in none.text
    with Store.open(tmp_path / "alerts.sqlite") as store:
        lines = [one.body for one in store.items() if one.about == first.id]
    assert sum(WHY in one for one in lines) == 1

    settings = quick(
        tmp_path,
        broker.url,
        words=SLOWLY,
        detect={"section-disturbed": {"settle_s": 3600}},
    )
    async with watching(settings, now=clock) as daemon:
        [then] = about("T3")
        assert (then.into, then.why, then.open) == (None, LEFT, ())
        assert then.ended is not None
        async with httpx.AsyncClient(base_url=daemon.desk_at) as client:
            page = await client.get(f"/faults/{first.number}")
        assert page.status_code == 404
        assert LEFT in page.text
