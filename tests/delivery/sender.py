"""A courier in a process of its own that sends what waits in a store to a webhook, until it is killed."""

from __future__ import annotations

import asyncio
from pathlib import Path

from monitor.daemon import Clock
from monitor.delivery.attention import Nobody
from monitor.delivery.channels import courier
from monitor.settings import Broker
from monitor.settings.delivery import DeliverySettings, WebhookSettings
from monitor.store import Store
from tests.delivery.samples import LINE


def settings_to(url):
    """Everything to one webhook, and tried again soon."""
    return DeliverySettings(
        mqtt={"on": False},
        webhook={"hook": WebhookSettings(url=url, send=("alerts", "calls"))},
        retry_s=0.01,
        longest_retry_s=0.02,
    )


async def _send(store, url):
    async def on_disk(work, *values):
        return work(*values)

    await courier(
        settings_to(url),
        broker=Broker(),
        client_id="none",
        monitor="monitor-1",
        line=LINE,
        store=store,
        on_disk=on_disk,
        now=Clock(),
        attention=Nobody(),
    ).run()


def send(path: Path, url: str):
    """Send what is in the store at *path*, for ever."""
    with Store.open(path) as store:
        asyncio.run(_send(store, url))
