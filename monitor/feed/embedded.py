"""A broker inside the process, for the demo alone: nothing else needs to be installed.

It speaks as much of MQTT 3.1.1 (OASIS, 29 October 2014) as the demo needs: QoS 0 and 1, retained messages, wills, and sessions that outlast their connection.
So a monitor that is killed is given what it had not acknowledged, in the same order, and what came while it was away.
Numbers such as [MQTT-4.4.0-1] are those of the standard's conformance statements.

It keeps everything in memory, knows no TLS and no passwords, lets everybody in, and is no broker for anything that matters.
It listens on a loopback port that nobody else has.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

CONNECT, CONNACK, PUBLISH, PUBACK = 1, 2, 3, 4
SUBSCRIBE, SUBACK, UNSUBSCRIBE, UNSUBACK = 8, 9, 10, 11
PINGREQ, PINGRESP, DISCONNECT = 12, 13, 14

GREETING_S = 10.0
"""Who says nothing for so long after connecting is let go."""

LARGEST = 1 << 20
"""Bytes of a packet."""

IN_FLIGHT = 500
"""Messages sent to a client and not yet acknowledged; others wait for these."""

KEPT = 200_000
"""Messages kept for who is away; more than that, and the oldest go."""


class _Wrong(Exception):
    """A client broke the protocol: its connection is ended."""


@dataclass(frozen=True, slots=True)
class Message:
    """A message on its way."""

    topic: str
    payload: bytes
    qos: int
    retain: bool = False


@dataclass(slots=True)
class _Session:
    """A client, whether or not it is connected."""

    clean: bool
    filters: dict[str, int] = field(default_factory=dict)
    waiting: deque[Message] = field(default_factory=lambda: deque(maxlen=KEPT))
    sent: dict[int, Message] = field(default_factory=dict)
    writer: asyncio.StreamWriter | None = None
    last: int = 0

    def send(self, message: Message) -> None:
        """Send it, now or when there is room; QoS 0 to who is away is dropped."""
        if message.qos == 0:
            if self.writer is not None:
                self.writer.write(_publish(message, 0))
            return
        self.waiting.append(message)
        self.flush()

    def flush(self) -> None:
        """Send of what waits as much as there is room for."""
        while self.writer is not None and self.waiting and len(self.sent) < IN_FLIGHT:
            self.last = self.last % 0xFFFF + 1
            message = self.sent[self.last] = self.waiting.popleft()
            self.writer.write(_publish(message, self.last))

    def resume(self, writer: asyncio.StreamWriter) -> None:
        """It is connected again: first what it has not acknowledged, in its order [MQTT-4.4.0-1, MQTT-4.6.0-1]."""
        self.writer = writer
        for number, message in self.sent.items():
            writer.write(_publish(message, number, again=True))
        self.flush()


@dataclass(slots=True)
class _Greeting:
    """What a client says first."""

    client: str
    clean: bool
    keep_alive_s: int
    will: Message | None


@dataclass(slots=True)
class _Packet:
    kind: int
    flags: int
    body: bytes


class _Reader:
    """Takes a packet's body apart."""

    def __init__(self, body: bytes) -> None:
        self._body = body
        self._at = 0

    def take(self, length: int) -> bytes:
        end = self._at + length
        if end > len(self._body):
            raise _Wrong("a packet ends too soon")
        taken, self._at = self._body[self._at : end], end
        return taken

    def number(self, length: int = 2) -> int:
        return int.from_bytes(self.take(length), "big")

    def text(self) -> str:
        return self.take(self.number()).decode()

    def rest(self) -> bytes:
        return self.take(len(self._body) - self._at)

    @property
    def more(self) -> bool:
        return self._at < len(self._body)


class Broker:
    """Carries messages between its clients."""

    def __init__(self) -> None:
        self._sessions: dict[str, _Session] = {}
        self._retained: dict[str, Message] = {}
        self._strangers = 0
        self._serving: dict[asyncio.Task[None] | None, asyncio.StreamWriter] = {}

    async def serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        """Serve one connection, until it ends."""
        session, will = None, None
        self._serving[asyncio.current_task()] = writer
        try:
            greeting = _greeting(await _packet(reader, GREETING_S))
            session = self._welcome(greeting, writer)
            will = greeting.will
            limit_s = greeting.keep_alive_s * 1.5 or None  # [MQTT-3.1.2-24]
            while True:
                packet = await _packet(reader, limit_s)
                if packet.kind == DISCONNECT:
                    will = None  # [MQTT-3.14.4-3]
                    return
                self._take(packet, session)
                await writer.drain()
        except (_Wrong, OSError, EOFError, TimeoutError, UnicodeDecodeError):
            pass  # whatever it was, it is gone
        finally:
            if session is not None and session.writer is writer:
                session.writer = None
            if will is not None:
                self.carry(will)
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()
            self._serving.pop(asyncio.current_task(), None)

    def _welcome(self, greeting: _Greeting, writer: asyncio.StreamWriter) -> _Session:
        name = greeting.client
        if not name:
            self._strangers += 1
            name = f"stranger {self._strangers}"
        known = self._sessions.get(name)
        if known is not None and known.writer is not None:
            known.writer.close()  # [MQTT-3.1.4-2]
            known.writer = None
        here = known is not None and not known.clean and not greeting.clean
        session = known if here and known is not None else _Session(greeting.clean)
        self._sessions[name] = session
        writer.write(bytes((CONNACK << 4, 2, int(here), 0)))
        session.resume(writer)
        return session

    def _take(self, packet: _Packet, session: _Session) -> None:
        body = _Reader(packet.body)
        match packet.kind:
            case _ if session.writer is None:
                raise _Wrong("another connection took its place")
            case 3:  # PUBLISH
                qos = packet.flags >> 1 & 3
                if qos > 1:
                    raise _Wrong("QoS 2 is not served here")
                topic = body.text()
                number = body.number() if qos else 0
                self.carry(Message(topic, body.rest(), qos, bool(packet.flags & 1)))
                if qos:
                    session.writer.write(_answer(PUBACK, number))
            case 4:  # PUBACK
                session.sent.pop(body.number(), None)
                session.flush()
            case 8:  # SUBSCRIBE
                self._subscribe(body, session)
            case 10:  # UNSUBSCRIBE
                number = body.number()
                while body.more:
                    session.filters.pop(body.text(), None)
                session.writer.write(_answer(UNSUBACK, number))
            case 12:  # PINGREQ
                session.writer.write(bytes((PINGRESP << 4, 0)))
            case _:
                raise _Wrong("a packet that no client sends")

    def _subscribe(self, body: _Reader, session: _Session) -> None:
        number, granted = body.number(), bytearray()
        news = []
        while body.more:
            wanted, qos = body.text(), min(body.number(1), 1)
            session.filters[wanted] = qos
            granted.append(qos)
            news += [
                Message(one.topic, one.payload, min(qos, one.qos), retain=True)
                for one in self._retained.values()
                if matches(wanted, one.topic)
            ]
        if session.writer is not None:
            session.writer.write(_answer(SUBACK, number, bytes(granted)))
        for one in news:
            session.send(one)

    def carry(self, message: Message) -> None:
        """Give *message* to whoever subscribed to its topic, and keep it where it is to be retained."""
        if message.retain:
            if message.payload:
                self._retained[message.topic] = message
            else:
                self._retained.pop(message.topic, None)  # [MQTT-3.3.1-10]
        for session in self._sessions.values():
            granted = [
                qos
                for wanted, qos in session.filters.items()
                if matches(wanted, message.topic)
            ]
            if granted and not (session.clean and session.writer is None):
                qos = min(max(granted), message.qos)
                session.send(Message(message.topic, message.payload, qos))

    async def close(self) -> None:
        """End every connection."""
        serving = [one for one in self._serving if one is not None]
        for writer in self._serving.values():
            writer.transport.abort()
        if serving:
            await asyncio.wait(serving)


def matches(wanted: str, topic: str) -> bool:
    """Whether *topic* is one of those that the filter *wanted* names (section 4.7).

    Example:
        >>> matches("tally/#", "tally/a/section"), matches("tally/+", "tally/a/b")
        (True, False)
    """
    if topic.startswith("$") and wanted[:1] in "+#":  # [MQTT-4.7.2-1]
        return False
    parts, levels = wanted.split("/"), topic.split("/")
    for number, part in enumerate(parts):
        if part == "#":
            return True
        if number >= len(levels) or part not in ("+", levels[number]):
            return False
    return len(parts) == len(levels)


async def _packet(reader: asyncio.StreamReader, within_s: float | None) -> _Packet:
    async with asyncio.timeout(within_s):
        first = (await reader.readexactly(1))[0]
        length, shift = 0, 0
        while True:
            digit = (await reader.readexactly(1))[0]
            length |= (digit & 127) << shift
            if digit < 128:
                break
            shift += 7
            if shift > 21:
                raise _Wrong("a length of five bytes")
        if length > LARGEST:
            raise _Wrong("a packet that is too large")
        return _Packet(first >> 4, first & 15, await reader.readexactly(length))


def _greeting(packet: _Packet) -> _Greeting:
    body = _Reader(packet.body)
    if packet.kind != CONNECT or body.text() != "MQTT" or body.number(1) != 4:
        raise _Wrong("no greeting of MQTT 3.1.1")
    flags = body.number(1)
    keep_alive_s = body.number()
    client = body.text()
    will = None
    if flags & 4:
        topic = body.text()
        payload = body.take(body.number())
        will = Message(topic, payload, min(flags >> 3 & 3, 1), bool(flags & 32))
    return _Greeting(client, bool(flags & 2), keep_alive_s, will)


def _length(length: int) -> Iterator[int]:
    while True:
        length, digit = length >> 7, length & 127
        yield digit | (128 if length else 0)
        if not length:
            return


def _publish(message: Message, number: int, *, again: bool = False) -> bytes:
    topic = message.topic.encode()
    flags = again << 3 | message.qos << 1 | int(message.retain)
    head = len(topic).to_bytes(2, "big") + topic
    if message.qos:
        head += number.to_bytes(2, "big")
    length = bytes(_length(len(head) + len(message.payload)))
    return bytes((PUBLISH << 4 | flags,)) + length + head + message.payload


def _answer(kind: int, number: int, more: bytes = b"") -> bytes:
    return bytes((kind << 4, 2 + len(more))) + number.to_bytes(2, "big") + more


@asynccontextmanager
async def embedded_broker() -> AsyncIterator[str]:
    """Start a broker on the loopback address; yields its URL."""
    broker = Broker()
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    try:
        port = server.sockets[0].getsockname()[1]
        yield f"mqtt://127.0.0.1:{port}"
    finally:
        server.close()
        await broker.close()
        await server.wait_closed()
