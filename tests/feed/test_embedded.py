"""The demo's broker, held against the reference of its clients (paho) and against a real broker (mosquitto)."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager

import aiomqtt
import paho.mqtt.client as paho
import pytest
from hypothesis import given, strategies as st

from monitor.feed.embedded import embedded_broker, matches
from monitor.settings import read_url
from tests.mosquitto import running

LEVEL = st.sampled_from(["a", "b", "", "$s"])
TOPIC = st.lists(LEVEL, min_size=1, max_size=4).map("/".join).filter(bool)
FILTER = st.tuples(
    st.lists(st.sampled_from(["a", "b", "+", "", "$s"]), max_size=4),
    st.sampled_from([[], ["#"]]),
).map(lambda parts: "/".join([*parts[0], *parts[1]]))


@given(FILTER.filter(bool), TOPIC)
def test_filters_match_as_paho_has_it(wanted, topic):
    """Source: `topic_matches_sub` of Eclipse paho, the reference client; it asks for neither to begin with a dollar where the other does not."""
    assert matches(wanted, topic) == paho.topic_matches_sub(wanted, topic)


def packet(kind, body=b""):
    """A packet as it goes over the wire; all here are short."""
    return bytes((kind, len(body))) + body


def text(value):
    """A string as MQTT has it."""
    return len(value).to_bytes(2, "big") + value.encode()


def greeting(name, *, clean=False, level=4, will=None):
    """CONNECT, without a keep-alive."""
    flags = 2 * clean + (4 if will else 0)
    body = text("MQTT") + bytes((level, flags, 0, 0)) + text(name)
    return packet(0x10, body + (text(will[0]) + text(will[1]) if will else b""))


@asynccontextmanager
async def line_to(url):
    """A plain connection."""
    address = read_url(url)
    reader, writer = await asyncio.open_connection(address.host, address.port)
    try:
        yield reader, writer
    finally:
        writer.close()


async def taken(reader):
    """A packet: its first byte and its body; ("end", b"") where the connection ended."""
    try:
        async with asyncio.timeout(10):
            first, length = await reader.readexactly(2)
            return first, await reader.readexactly(length)
    except (asyncio.IncompleteReadError, ConnectionError):
        return "end", b""


async def said(url, *payloads, retain=False, topic="t/1"):
    """Publish *payloads*, each acknowledged."""
    address = read_url(url)
    async with aiomqtt.Client(address.host, address.port) as client:
        for payload in payloads:
            await client.publish(topic, payload, qos=1, retain=retain)


async def killed_and_back(url):
    """What a client is given that acknowledges one of three, is cut off, misses one, and comes back; all as bytes on the wire."""
    got = []
    async with line_to(url) as (reader, writer):
        writer.write(greeting("k"))
        got.append(await taken(reader))
        writer.write(packet(0x82, b"\0\1" + text("t/#") + b"\1"))
        got.append(await taken(reader))
        await said(url, "1", "2", "3")
        three = [await taken(reader) for _ in range(3)]
        got += three
        writer.write(packet(0x40, three[0][1][5:7]))
        writer.write(packet(0xC0))
        got.append(await taken(reader))
        writer.transport.abort()
    await said(url, "4")
    async with line_to(url) as (reader, writer):
        writer.write(greeting("k"))
        got += [await taken(reader) for _ in range(4)]
        writer.write(packet(0xA2, b"\0\2" + text("t/#")))
        got.append(await taken(reader))
    return got


@pytest.mark.broker
async def test_who_is_killed_is_given_what_it_missed(tmp_path):
    """What was not acknowledged comes again, marked so, in its order, then what came meanwhile; byte for byte as mosquitto does it."""
    async with embedded_broker() as url:
        ours = await killed_and_back(url)
    with running(tmp_path) as broker:
        theirs = await killed_and_back(broker.url)

    assert ours == theirs
    assert [(first, body[-1:]) for first, body in ours if first in (0x32, 0x3A)] == [
        (0x32, b"1"),
        (0x32, b"2"),
        (0x32, b"3"),
        (0x3A, b"2"),
        (0x3A, b"3"),
        (0x32, b"4"),
    ]


async def left_behind(url):
    """What a client is told of a will and of what was retained."""
    got = []
    await said(url, "kept", retain=True)
    await said(url, "kept", retain=True, topic="t/2")
    await said(url, "", retain=True, topic="t/2")
    async with line_to(url) as (reader, writer):
        writer.write(greeting("w", clean=True))
        writer.write(packet(0x82, b"\0\1" + text("t/+") + b"\0"))
        got += [await taken(reader) for _ in range(3)]
        async with line_to(url) as (other, gone):
            gone.write(greeting("g", clean=True, will=("t/3", "gone")))
            got.append(await taken(other))
            gone.transport.abort()
        got.append(await taken(reader))
        async with line_to(url) as (other, gone):
            gone.write(greeting("g", clean=True, will=("t/3", "never")))
            await taken(other)
            gone.write(packet(0xE0))
            got.append(await taken(other))
        async with line_to(url) as (other, twin):
            twin.write(greeting("w", clean=True))
            await taken(other)
            got.append(await taken(reader))
    return got


@pytest.mark.broker
async def test_wills_and_what_is_retained(tmp_path):
    """A retained message is sent to who subscribes, an empty one takes it away; a will goes out when a connection breaks and not after a good-bye; a name is connected once. As mosquitto does it."""
    async with embedded_broker() as url:
        ours = await left_behind(url)
    with running(tmp_path) as broker:
        theirs = await left_behind(broker.url)

    assert ours == theirs
    assert [body[5:] for first, body in ours if first in (0x30, 0x31)] == [
        b"kept",
        b"gone",
    ]


@pytest.mark.parametrize(
    "wrong",
    [
        b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"X-Long: long\r\n" * 9,
        greeting("old", level=3),
        greeting("c") + packet(0x34, text("t/1") + b"\0\1x"),
        greeting("c") + packet(0x82, b"\0\1\0\xff"),
        greeting("c") + packet(0x20),
        greeting("c") + b"\x30\xff\xff\xff\xff\x7f",
        greeting("c") + b"\x30\xff\xff\xff\x7f",
    ],
    ids=["http", "level 3", "QoS 2", "cut off", "no client's", "length", "large"],
)
async def test_who_breaks_the_protocol_is_let_go(wrong):
    """Its connection ends, and others are served on."""
    async with embedded_broker() as url:
        async with line_to(url) as (reader, writer):
            writer.write(wrong)
            answers = [await taken(reader), await taken(reader)]
        await said(url, "still here")

    assert answers[-1][0] == "end"
