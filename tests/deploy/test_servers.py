"""A running monitor with the real Prometheus and the real Alertmanager, each stopped and started again."""

from __future__ import annotations

import asyncio
from urllib.parse import urlsplit

import httpx
import pytest

from monitor.daemon import Clock
from tests.live import disturb, event, publish, quick, until, watching
from tests.mosquitto import running
from tests.receiver import receiving
from tests.servers import alertmanager, prometheus

pytestmark = [pytest.mark.broker, pytest.mark.servers, pytest.mark.slow]

OFTEN = {"resend_s": 1, "valid_s": 3}
"""What holds is told again each second, and no longer believed after three."""


@pytest.fixture
def broker(tmp_path):
    """A real broker."""
    with running(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def hook():
    """A program that Alertmanager tells."""
    with receiving() as hook:
        yield hook


def told(hook, **labels):
    """How each message about an alert with such labels said it stands, in order."""
    return [
        alert["status"]
        for message in hook.had
        for alert in message["alerts"]
        if labels.items() <= alert["labels"].items()
    ]


def told_of(message, name):
    """Whether a message is about an alert."""
    return any(one["labels"].get("id") == name for one in message["alerts"])


async def holds(server, **labels):
    """What an Alertmanager has of the alerts with such labels."""
    async with httpx.AsyncClient(trust_env=False) as client:
        answer = await client.get(f"{server.url}/api/v2/alerts")
    return [one for one in answer.json() if labels.items() <= one["labels"].items()]


async def first(server, **labels):
    """The one alert with such labels, once it is there."""
    async with asyncio.timeout(30):
        while True:
            found = await holds(server, **labels)
            if found:
                (alert,) = found
                return alert
            await asyncio.sleep(0.05)


async def test_prometheus_tells_of_a_dead_feed_and_when_it_lives(
    tmp_path, broker, hook
):
    """Scraped from a running monitor, the rule fires when the broker is gone, is told once, and once more when it is back."""
    settings = quick(tmp_path, broker.url)
    alerts = alertmanager(tmp_path / "alertmanager", hook.url)
    async with watching(settings) as daemon, alerts.running():
        scraped = urlsplit(daemon.metrics_at).netloc
        server = prometheus(
            tmp_path / "prometheus", scraped, urlsplit(alerts.url).netloc
        )
        async with server.running():
            await until(lambda: daemon.counts.connected)
            dead = {"alertname": "MonitorNotConnected", "instance": scraped}
            broker.stop()
            await until(lambda: told(hook, **dead), 60)
            (alert,) = await holds(alerts, **dead)
            assert alert["labels"]["severity"] == "urgent"
            assert "no connection to its broker" in alert["annotations"]["summary"]
            broker.start()
            await until(lambda: len(told(hook, **dead)) > 1, 60)
    assert told(hook, **dead) == ["firing", "resolved"]


def quick_to_alertmanager(directory, broker, server):
    """Settings of a monitor that concludes soon and tells an Alertmanager."""
    delivery = {
        "retry_s": 0.2,
        "longest_retry_s": 0.5,
        "alertmanager": {"room": {"url": server.url, **OFTEN}},
    }
    return quick(directory, broker.url, delivery=delivery)


async def told_again(server, alert):
    """Return the alert when it has been told again."""
    async with asyncio.timeout(30):
        while True:
            (now,) = await holds(server, id=alert["labels"]["id"]) or [alert]
            if now["updatedAt"] > alert["updatedAt"]:
                return now
            await asyncio.sleep(0.05)


async def test_alertmanager_is_told_what_holds_and_what_is_over(tmp_path, broker, hook):
    """An alert is there with labels that stay, told again before it would be forgotten, over when it is over, and nothing is told twice after either side was started again."""
    server = alertmanager(tmp_path / "alertmanager", hook.url)
    settings = quick_to_alertmanager(tmp_path, broker, server)
    wanted = {"alertname": "section-disturbed", "subject": "section/T2"}
    async with server.running():
        async with watching(settings) as daemon:
            await until(lambda: daemon.counts.connected)
            await disturb(broker.url)
            alert = await first(server, **wanted)
            assert alert["labels"] == {
                "alertname": "section-disturbed",
                "subject": "section/T2",
                "area": "a",
                "priority": "prompt",
                "monitor": "monitor-1",
                "id": alert["labels"]["id"],
                "fault": alert["labels"]["fault"],
            }
            (fault,) = daemon.doings.handling.open_faults()
            await until(lambda: told(hook, **wanted), 30)
            (page,) = {
                tuple(message["groupLabels"].items())
                for message in hook.had
                if told_of(message, alert["labels"]["id"])
            }
            assert dict(page) == {"monitor": "monitor-1", "fault": fault.number}
            assert "Nothing here proves" in alert["annotations"]["caution"]
            # Longer than it would be believed without being told again.
            later = alert
            for _ in range(5):
                later = await told_again(server, later)
            assert later["endsAt"] > alert["endsAt"]
            for same in ("labels", "fingerprint", "startsAt"):
                assert later[same] == alert[same]
            await server.stop()
            await server.start()
            await first(server, **wanted)
        async with watching(settings) as daemon:
            again = await told_again(server, await first(server, **wanted))
            assert again["labels"] == alert["labels"]
            assert told(hook, **wanted) == ["firing"]
            await until(lambda: daemon.counts.connected)
            await publish(broker.url, event(9, "T2", "clear", Clock()()))
            await until(lambda: len(told(hook, **wanted)) > 1, 30)
        async with watching(settings) as daemon:
            # A round over, and what is over is told again; it is nothing new.
            await until(lambda: daemon._courier._rounds["room"].refresh)
            await asyncio.sleep(2)
    assert told(hook, **wanted) == ["firing", "resolved"]


async def test_what_ended_while_alertmanager_was_away_is_over_there_too(
    tmp_path, broker, hook
):
    """Neither what began nor what ended while it did not answer is lost."""
    server = alertmanager(tmp_path / "alertmanager", hook.url)
    settings = quick_to_alertmanager(tmp_path, broker, server)
    ended = {"alertname": "section-disturbed", "subject": "section/T2"}
    begun = {"alertname": "section-disturbed", "subject": "section/T4"}
    async with watching(settings) as daemon:
        await until(lambda: daemon.counts.connected)
        async with server.running():
            await disturb(broker.url)
            await until(lambda: told(hook, **ended), 30)
        clock = Clock()
        await publish(broker.url, event(9, "T2", "clear", clock()))
        await disturb(broker.url, "T4", 20)
        await until(lambda: not _is_open(daemon, "T2") and _is_open(daemon, "T4"))
        async with server.running():
            await until(lambda: len(told(hook, **ended)) > 1, 30)
            await until(lambda: told(hook, **begun), 30)
    assert told(hook, **ended) == ["firing", "resolved"]
    assert told(hook, **begun) == ["firing"]


def _is_open(daemon, section):
    return any(
        alert.kind == "section-disturbed" and alert.subject == f"section/{section}"
        for alert in daemon.engine.alerts.open.values()
    )
