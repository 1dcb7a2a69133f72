"""A running monitor whose receivers fail, hang and come back."""

from __future__ import annotations

from collections import defaultdict

import aiomqtt
import httpx
import pytest

from monitor.daemon import Clock
from monitor.settings import read_url
from tests.live import disturb, event, publish, quick, until, watching
from tests.mosquitto import open_port, running
from tests.receiver import receiving

pytestmark = [pytest.mark.broker, pytest.mark.slow]

TELLS = {"send": ["alerts", "faults", "calls"], "timeout_s": 0.5}


def changes(hook):
    """What a receiver that goes by the keys has, in the order in which each first came."""
    return {one["key"]: one for one in hook.had}


def lines(hook):
    """The lines about each alert and fault, in the order in which each first came."""
    found = defaultdict(list)
    for one in changes(hook).values():
        if one["what"] != "call":
            record = one[one["what"]]
            found[one["what"], record["id"]].append(record)
    return dict(found)


def about(hook, section, what="alert"):
    """Whether a receiver was told that a section is disturbed, or called for it."""
    return any(section in str(one[what]) for one in hook.had if one["what"] == what)


def over(hook, section):
    """Whether a receiver was told that an alert about a section is over."""
    return any(
        one["alert"]["subject"] == f"section/{section}" and one["alert"]["ended"]
        for one in hook.had
        if one["what"] == "alert"
    )


async def retained(url):
    """The ids of the alerts that a broker keeps, by what whoever connects now is given."""
    address = read_url(url)
    async with aiomqtt.Client(address.host, address.port) as client:
        await client.subscribe("tallywatch/+/alert/+", qos=1)
        # What is sent to oneself comes after all that was kept.
        await client.subscribe("end")
        await client.publish("end", "")
        found: list[str] = []
        async for message in client.messages:
            if str(message.topic) == "end":
                return found
            found.append(str(message.topic).rpartition("/")[2])
    raise AssertionError("the broker went")


async def test_a_receiver_that_fails_hangs_and_returns_misses_nothing(tmp_path):
    """While one receiver fails, one hangs and one is not there, the others and the desk are told as ever; what came back has each change once by its key, in order."""
    with (
        running(tmp_path / "broker") as broker,
        receiving() as faulty,
        receiving() as good,
    ):
        delivery = {
            "retry_s": 0.1,
            "longest_retry_s": 0.3,
            "webhook": {
                "faulty": {"url": faulty.url, **TELLS},
                "good": {"url": good.url, **TELLS},
                "gone": {"url": f"http://127.0.0.1:{open_port()}/", **TELLS},
            },
        }
        settings = quick(tmp_path, broker.url, delivery=delivery)
        async with watching(settings) as daemon:
            await until(lambda: daemon.counts.connected)
            faulty.answer(500)
            await disturb(broker.url, "T2", 1)
            await until(lambda: about(good, "T2", "call") and about(good, "T2"))
            await until(lambda: len(faulty.tried) > 2)
            assert faulty.had == []

            faulty.hang()
            await until(lambda: daemon._courier._failed["faulty"] > 5)
            await disturb(broker.url, "T4", 20)
            await publish(broker.url, event(9, "T2", "clear", Clock()()))
            await until(lambda: about(good, "T4", "call") and about(good, "T4"))
            await until(lambda: over(good, "T2"))
            async with httpx.AsyncClient(trust_env=False) as client:
                answer = await client.get(f"{daemon.desk_at}/api/v1/faults")
                assert answer.status_code == 200
                page = (await client.get(daemon.metrics_at)).text
            assert faulty.had == []
            waiting = daemon._courier.delivered()["faulty"].waiting
            assert f'delivery_waiting{{channel="faulty"}} {waiting:.1f}' in page
            assert waiting > 2

            faulty.answer(200)
            await until(lambda: not daemon._courier.delivered()["faulty"].waiting)
            await until(lambda: changes(faulty).keys() == changes(good).keys())
            on_broker = await retained(broker.url)
            sent = {n: one.sent for n, one in daemon._courier.delivered().items()}
        assert sent["faulty"] == sent["good"] == len(changes(good)) == len(good.had)
        assert sent["gone"] == 0
        assert lines(faulty) == lines(good)
        of_alerts = {name for what, name in lines(good) if what == "alert"}
        assert sorted(on_broker) == sorted(of_alerts)

        # Started again, nobody is told anything again.
        before = len(faulty.tried), len(good.tried)
        async with watching(settings) as daemon:
            await until(lambda: daemon.counts.connected)
            await until(lambda: daemon._courier._failed["gone"] > 3)
        assert (len(faulty.tried), len(good.tried)) == before
