"""The feed from an MQTT broker: nothing is acknowledged before it is written down.

The broker keeps a session under the monitor's name and queues for it while it is away.
A message leaves that queue when it is acknowledged, so that is done only after the journal has committed it.
With acknowledgement on receipt, which is the library's habit, a killed monitor loses whatever was in its memory.

Four habits follow from that, each measured to lose messages or to stall without it:

- the session is never started clean;
- there is no bound on the queue in memory (a full one throws away what it has acknowledged): the broker's window, *in flight*, bounds it;
- a batch is never waited full, because the window may be smaller than it;
- acknowledgements die with their connection: on the next one the broker counts anew.

This is the only module that touches what aiomqtt keeps private: `_client`, the paho client inside, and `_disconnected`; a test holds what is used of them.
"""

from __future__ import annotations

import asyncio
import json
import random
import ssl
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.core.moments import HOUR, SECOND, Moment
from monitor.feed import FeedLost, Message
from monitor.settings import Broker

BATCH = 500
"""Messages at most in one batch: larger ones were no faster."""

BATCH_S = 0.05
"""Seconds at most that the first message of a batch waits for others."""

LOOK_S = 0.005
"""How often it is looked whether a batch is full."""

CONNECT_S = 3.0
"""Seconds in which a broker must take a connection; one that is there takes milliseconds."""

GOOD_BYE_S = 0.5
"""Seconds in which a broker must take the last words: an orderly stop is short."""

REFUSED = 0x80
"""From here on a reason code of MQTT says no."""

SHORTEST_S, LONGEST_S = 0.5, 30.0
"""Between two attempts to connect: short at first, because most breaks are; never so long that the desk waits for it."""


def delays(draw: Callable[[float, float], float] = random.uniform) -> Iterator[float]:
    """Seconds to wait before each next attempt: growing, and random so that many monitors do not come at once.

    *draw* gives a number between two others.
    """
    longest = SHORTEST_S
    while True:
        yield draw(longest / 2, longest)
        longest = min(2 * longest, LONGEST_S)


class _Client(aiomqtt.Client):
    """An aiomqtt client that leaves acknowledging to us and knows whether its session was resumed."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.resumed = False
        inner = self._client
        inner.manual_ack_set(on=True)
        inner.connect_timeout = CONNECT_S
        connected: Any = inner.on_connect

        def on_connect(client: Any, data: Any, flags: Any, *rest: Any) -> None:
            self.resumed = bool(flags.session_present)
            connected(client, data, flags, *rest)

        inner.on_connect = on_connect

    async def __aexit__(self, *error: Any) -> None:  # noqa: PYI036 (as the class above has it)
        try:
            await super().__aexit__(*error)
        finally:
            # Why it broke has been told; unasked, the loop would complain at the end.
            if self._disconnected.done() and not self._disconnected.cancelled():
                self._disconnected.exception()

    def acknowledge(self, mid: int, qos: int) -> None:
        """Tell the broker that it need not keep the message any longer."""
        self._client.ack(mid, qos)


class Connection:
    """One connection to the broker, from when it stands until it breaks.

    Attributes:
        resumed: the broker had kept the session; False: whatever was sent since the last one is lost, and what it retains is sent again.
    """

    def __init__(self, client: _Client, now: Callable[[], Moment]) -> None:
        self._client = client
        self._now = now
        self.resumed = client.resumed
        self.waiting_since: Moment | None = None

    async def batch(self) -> list[Message]:
        """The next messages in their order: those that come within 50 ms of the first, at most 500.

        From the first one's arrival until the next call, `waiting_since` is that moment.

        Raises:
            FeedLost: the connection broke; what was not acknowledged will come again.
        """
        self.waiting_since = None
        messages = self._client.messages
        try:
            batch = [self._take(await anext(messages))]
            self.waiting_since = batch[0].arrival
            until = self.waiting_since + int(BATCH_S * SECOND)
            # There is nothing to wait for but the queue's length, which no event tells.
            while len(batch) + len(messages) < BATCH and self._now() < until:  # noqa: ASYNC110
                await asyncio.sleep(LOOK_S)
            while len(messages) and len(batch) < BATCH:
                batch.append(self._take(await anext(messages)))
        except aiomqtt.MqttError as error:
            raise FeedLost(_why(error)) from error
        return batch

    def _take(self, message: aiomqtt.Message) -> Message:
        return Message(
            payload=message.payload,
            topic=message.topic.value,
            retained=message.retain,
            arrival=self._now(),
            mid=message.mid,
            qos=message.qos,
        )

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """The journal has committed *messages* of this connection: the broker may forget them."""
        for message in messages:
            self._client.acknowledge(message.mid, message.qos)


class MqttFeed:
    """A broker that a monitor listens to.

    Args:
        broker: its settings.
        client_id: under which it keeps the session.
        topic: what is subscribed to.
        status_topic: where the monitor says whether it is there.
        now: the daemon's clock.
        rehearsal: what is heard is played; its status says so.
    """

    def __init__(
        self,
        broker: Broker,
        *,
        client_id: str,
        topic: str,
        status_topic: str,
        now: Callable[[], Moment],
        rehearsal: bool = False,
    ) -> None:
        self._broker = broker
        self._client_id = client_id
        self._topic = topic
        self._status_topic = status_topic
        self._now = now
        self._rehearsal = rehearsal

    @asynccontextmanager
    async def connect(self) -> AsyncIterator[Connection]:
        """Connect and subscribe; on leaving, say good-bye but keep the session.

        Raises:
            FeedLost: the broker is not there, refuses, or went away.
        """
        async with AsyncExitStack() as stack:
            try:
                client = await stack.enter_async_context(self._client())
                await self._subscribe(client)
                await self._say(client, "online")
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                raise FeedLost(_why(error)) from error
            try:
                yield Connection(client, self._now)
            finally:
                # A broken connection has left its will already.
                with suppress(aiomqtt.MqttError, TimeoutError):
                    async with asyncio.timeout(GOOD_BYE_S):
                        await self._say(client, "offline")

    def _client(self) -> _Client:
        broker, address = self._broker, self._broker.address
        will = aiomqtt.Will(self._status_topic, self._status("offline"), 1, retain=True)
        return _Client(
            address.host,
            address.port,
            identifier=self._client_id,
            username=broker.username,
            password=broker.secret(),
            keepalive=broker.keepalive_s,
            tls_context=_tls(broker) if address.tls else None,
            will=will,
            **_session(broker),
        )

    async def _subscribe(self, client: _Client) -> None:
        granted = await client.subscribe(self._topic, qos=1)
        for code in granted:
            number = code if isinstance(code, int) else code.value
            if number >= REFUSED:
                raise FeedLost(
                    f"the broker refuses to subscribe to {self._topic}: {code}"
                )

    async def _say(self, client: _Client, state: str) -> None:
        await client.publish(
            self._status_topic, self._status(state), qos=1, retain=True
        )

    def _status(self, state: str) -> str:
        status: dict[str, object] = {"state": state}
        if self._rehearsal:
            status["rehearsal"] = True
        return json.dumps(status)


def _session(broker: Broker) -> dict[str, Any]:
    """How the session is kept, by version of the protocol."""
    if broker.protocol == "3.1.1":
        return {"protocol": aiomqtt.ProtocolVersion.V311, "clean_session": False}
    properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = round(broker.session_h * HOUR / SECOND)
    properties.ReceiveMaximum = broker.in_flight
    return {
        "protocol": aiomqtt.ProtocolVersion.V5,
        # The library's own default wipes the session at the first connection of a process.
        "clean_start": False,
        "properties": properties,
    }


def _tls(broker: Broker) -> ssl.SSLContext:
    context = ssl.create_default_context(
        cafile=str(broker.ca_file) if broker.ca_file else None
    )
    if broker.cert_file is not None:
        context.load_cert_chain(broker.cert_file, broker.key_file)
    return context


def _why(error: BaseException) -> str:
    text = str(error) or type(error).__name__
    cause = error.__cause__
    if cause is not None and str(cause):
        text = f"{text}: {cause}"
    return " ".join(text.split())
