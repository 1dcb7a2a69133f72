"""Alerts on the broker: the last line of each, retained, QoS 1, under `tallywatch/<monitor>/alert/<alert id>`.

Sent counts when the broker has acknowledged.
The connection is made when there is something to send and kept until it breaks.
A drill is not retained: who connects later need not hear of it.
"""

from __future__ import annotations

import json
import ssl
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress

import aiomqtt

from monitor.delivery.channel import Undelivered, why
from monitor.settings import Broker
from monitor.store import Item, What


class AlertTopic:
    """The alert topics of a monitor.

    Args:
        broker: the feed's, which is also where alerts go.
        client_id: under which it is known there; another than the feed's.
        monitor: whose alerts they are.
        timeout_s: in which the broker must answer.
    """

    takes: frozenset[What] = frozenset({"alert"})
    calls = False
    holds = False
    batch = 50
    again_s = 0.0

    def __init__(
        self, broker: Broker, *, client_id: str, monitor: str, timeout_s: float
    ) -> None:
        self._broker = broker
        self._client_id = client_id
        self._monitor = monitor
        self._timeout_s = timeout_s
        self._stack = AsyncExitStack()
        self._client: aiomqtt.Client | None = None

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Say good-bye in the end."""
        try:
            yield
        finally:
            await self._leave()

    async def send(self, items: Sequence[Item]) -> None:
        """Publish the alerts of *items*, each acknowledged by the broker.

        Raises:
            Undelivered: the broker is not there, or refuses.
        """
        try:
            client = self._client or await self._connect()
            for item in items:
                drill = "drill" in json.loads(item.body)["parameters"]
                topic = f"tallywatch/{self._monitor}/alert/{item.about}"
                await client.publish(
                    topic, item.body, qos=1, retain=not drill, timeout=self._timeout_s
                )
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            await self._leave()
            raise Undelivered(why(error)) from error
        except (
            BaseException
        ):  # given up while the broker hung: its connection is no good
            self._client = None
            await self._leave()
            raise

    async def refresh(self) -> None:
        """Nothing: the broker retains it."""

    async def _connect(self) -> aiomqtt.Client:
        broker, address = self._broker, self._broker.address
        tls = None
        if address.tls:
            tls = ssl.create_default_context(
                cafile=str(broker.ca_file) if broker.ca_file else None
            )
            if broker.cert_file is not None:
                tls.load_cert_chain(broker.cert_file, broker.key_file)
        protocol = aiomqtt.ProtocolVersion
        client = aiomqtt.Client(
            address.host,
            address.port,
            identifier=self._client_id,
            username=broker.username,
            password=broker.secret(),
            protocol=protocol.V311 if broker.protocol == "3.1.1" else protocol.V5,
            keepalive=broker.keepalive_s,
            timeout=self._timeout_s,
            tls_context=tls,
        )
        self._client = await self._stack.enter_async_context(client)
        return self._client

    async def _leave(self) -> None:
        self._client = None
        stack, self._stack = self._stack, AsyncExitStack()
        with suppress(aiomqtt.MqttError, TimeoutError, OSError):
            await stack.aclose()
