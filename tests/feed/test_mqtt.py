from __future__ import annotations

import asyncio
import json
import socket
import subprocess
from contextlib import AsyncExitStack, suppress
from itertools import islice

import aiomqtt
import paho.mqtt.client as paho
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from monitor.core.moments import SECOND
from monitor.feed import FeedLost, Message
from monitor.feed.embedded import embedded_broker
from monitor.feed.mqtt import LONGEST_S, MqttFeed, _Client, delays
from monitor.settings import Broker, read_url
from tests.mosquitto import open_port, running

STATUS = "tallywatch/monitor-1/status"


def clock():
    """A clock that only counts."""
    return int(asyncio.get_running_loop().time() * SECOND)


def feed(url, *, topic="tally/#", **broker):
    """A feed from the broker at *url*."""
    return MqttFeed(
        Broker(url=url, **broker),
        client_id="tallywatch-test",
        topic=topic,
        status_topic=STATUS,
        now=clock,
    )


async def publish(url, *payloads, topic="tally/a/section/T1/state", retain=False):
    """Publish *payloads*, each acknowledged by the broker."""
    address = read_url(url)
    async with aiomqtt.Client(address.host, address.port) as client:
        for payload in payloads:
            await client.publish(topic, payload, qos=1, retain=retain)


def called(*command):
    """Run a program to its end."""
    subprocess.run(command, check=True, capture_output=True)


async def heard(connection, count):
    """The next *count* messages, in order."""
    messages: list[Message] = []
    async with asyncio.timeout(10):
        while len(messages) < count:
            messages += await connection.batch()
    return messages


async def status(url):
    """What the broker retains of the monitor's status."""
    address = read_url(url)
    async with (
        asyncio.timeout(5),
        aiomqtt.Client(address.host, address.port) as client,
    ):
        await client.subscribe(STATUS, qos=1)
        return json.loads((await anext(client.messages)).payload)


@pytest.fixture
def broker(tmp_path):
    """A real broker."""
    with running(tmp_path / "broker") as broker:
        yield broker


async def test_what_is_used_of_the_library_s_inside_is_there():
    """The acknowledgement by hand stands on these; a new release that moves them fails here first."""
    client = _Client("127.0.0.1", protocol=aiomqtt.ProtocolVersion.V5)

    assert isinstance(client._client, paho.Client)
    assert client._client._manual_ack is True
    assert callable(client._client.ack)
    assert client._client.connect_timeout == 3.0
    assert callable(client._client.on_connect)
    assert isinstance(client._disconnected, asyncio.Future)


def test_waits_grow_to_a_bound_and_are_random():
    """Between attempts the longest wait doubles up to half a minute, and half of it is left to chance."""
    longest = list(islice(delays(lambda _low, high: high), 9))
    shortest = list(islice(delays(lambda low, _high: low), 9))

    assert longest[:4] == [0.5, 1.0, 2.0, 4.0]
    assert longest[-1] == LONGEST_S
    assert shortest == [one / 2 for one in longest]
    assert list(islice(delays(), 5)) != list(islice(delays(), 5))


@pytest.mark.broker
async def test_what_is_not_acknowledged_comes_again(broker):
    """The broker keeps a message until it is acknowledged, and sends the others again, in order."""
    listener = feed(broker.url)
    async with listener.connect() as connection:
        await publish(broker.url, "1", "2", "3", "4")
        first = await heard(connection, 4)
        connection.acknowledge(first[:1])

    async with listener.connect() as connection:
        again = await heard(connection, 3)
        connection.acknowledge(again)
        await publish(broker.url, "5")
        last = await heard(connection, 1)

    assert [one.payload for one in first] == [b"1", b"2", b"3", b"4"]
    assert [one.payload for one in again] == [b"2", b"3", b"4"]
    assert [one.payload for one in last] == [b"5"]


@pytest.mark.broker
async def test_the_broker_keeps_what_comes_meanwhile(broker):
    """The first connection makes a session, a later one resumes it with all that was sent in between."""
    listener = feed(broker.url)
    async with listener.connect() as connection:
        assert connection.resumed is False
    await publish(broker.url, *map(str, range(2000)))

    async with listener.connect() as connection:
        assert connection.resumed is True
        messages: list[Message] = []
        async with asyncio.timeout(20):
            while len(messages) < 2000:
                batch = await connection.batch()
                assert len(batch) <= 500
                connection.acknowledge(batch)
                messages += batch

    assert [int(one.payload) for one in messages] == list(range(2000))


@pytest.mark.broker
async def test_a_small_window_does_not_stall(broker):
    """A batch never waits until it is full: the window may be smaller than it."""
    async with feed(broker.url, in_flight=5).connect() as connection:
        await publish(broker.url, *map(str, range(20)))
        messages: list[Message] = []
        async with asyncio.timeout(10):
            while len(messages) < 20:
                batch = await connection.batch()
                connection.acknowledge(batch)
                messages += batch

    assert [int(one.payload) for one in messages] == list(range(20))


@pytest.mark.broker
async def test_a_retained_message_is_known_as_such(broker):
    """What the broker had kept is told apart from what comes now, and both bear their topic and arrival."""
    topic = "tally/a/section/T1/state"
    await publish(broker.url, "kept", retain=True)
    async with feed(broker.url).connect() as connection:
        [kept] = await heard(connection, 1)
        begun = clock()
        await publish(broker.url, "new")
        [new] = await heard(connection, 1)

    assert (kept.payload, kept.retained, kept.topic) == (b"kept", True, topic)
    assert (new.payload, new.retained) == (b"new", False)
    assert begun <= new.arrival <= clock()


@pytest.mark.broker
async def test_the_status_says_whether_it_is_there(broker):
    """The retained status is online while it listens and offline after it has left."""
    async with feed(broker.url).connect():
        assert await status(broker.url) == {"state": "online"}
    assert await status(broker.url) == {"state": "offline"}


@pytest.mark.broker
async def test_the_will_speaks_for_who_went_without_a_word(broker):
    """When a connection is cut, the broker itself says offline."""
    with suppress(FeedLost):
        async with feed(broker.url).connect() as connection:
            connection._client._client.socket().shutdown(socket.SHUT_RDWR)
            await connection.batch()
    await asyncio.sleep(0.2)

    assert await status(broker.url) == {"state": "offline"}


@pytest.mark.broker
async def test_a_broker_that_goes_away_is_lost(broker):
    """Whoever waits for messages learns that there is no connection any more."""
    async with AsyncExitStack() as stack:
        connection = await stack.enter_async_context(feed(broker.url).connect())
        await asyncio.to_thread(broker.stop)
        await stack.enter_async_context(asyncio.timeout(10))
        with pytest.raises(FeedLost):
            await connection.batch()
    broker.start()


async def test_a_broker_that_is_not_there_is_lost():
    """Where nobody listens, that is said in one line."""
    with pytest.raises(FeedLost) as caught:
        async with feed(f"mqtt://127.0.0.1:{open_port()}").connect():
            pass

    assert "\n" not in str(caught.value)


@pytest.mark.broker
async def test_a_wrong_password_is_told(tmp_path):
    """A broker that refuses is lost like one that is away; the right password is taken from its file."""
    passwords, secret = tmp_path / "passwd", tmp_path / "secret"
    passwords.write_text("watcher:sesame\n", encoding="utf-8")
    secret.write_text("wrong\n", encoding="utf-8")
    await asyncio.to_thread(called, "mosquitto_passwd", "-U", passwords)
    more = f"allow_anonymous false\npassword_file {passwords}"
    with running(tmp_path / "broker", more) as broker:
        listener = feed(broker.url, username="watcher", password_file=secret)
        with pytest.raises(FeedLost, match=r"(?i)authori[sz]ed"):
            async with listener.connect():
                pass
        secret.write_text("sesame\n", encoding="utf-8")
        async with listener.connect() as connection:
            assert connection.resumed is False


@pytest.mark.broker
# paho leaves the socket of a failed handshake to the collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_an_encrypted_connection_checks_the_certificate(tmp_path):
    """With mqtts:// a broker is believed only where its certificate is vouched for."""
    key, certificate = tmp_path / "key.pem", tmp_path / "cert.pem"
    await asyncio.to_thread(
        called,
        *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
        *("-keyout", key, "-out", certificate, "-subj", "/CN=127.0.0.1"),
        *("-addext", "subjectAltName=IP:127.0.0.1"),
    )
    more = f"allow_anonymous true\ncertfile {certificate}\nkeyfile {key}"
    with running(tmp_path / "broker", more) as broker:
        url = broker.url.replace("mqtt:", "mqtts:")
        with pytest.raises(FeedLost, match=r"(?i)certificate"):
            async with feed(url).connect():
                pass
        async with feed(url, ca_file=certificate).connect() as connection:
            assert connection.resumed is False


async def test_a_refused_subscription_is_told(monkeypatch):
    """Where the broker refuses what is subscribed to (MQTT 5: 0x87 is "not authorized"), that is said rather than waited for."""

    async def refuse(*_values, **_more):
        return [ReasonCode(PacketTypes.SUBACK, "Not authorized")]

    monkeypatch.setattr(_Client, "subscribe", refuse)
    async with embedded_broker() as url:
        with pytest.raises(FeedLost, match="refuses to subscribe to tally/#"):
            async with feed(url, protocol="3.1.1").connect():
                pass


async def test_the_demo_s_broker_serves_the_demo():
    """The embedded broker listens on a loopback port and carries a message to a monitor that speaks 3.1.1."""
    async with embedded_broker() as url:
        assert read_url(url).host == "127.0.0.1"
        async with feed(url, protocol="3.1.1").connect() as connection:
            address = read_url(url)
            async with aiomqtt.Client(address.host, address.port) as client:
                await client.publish("tally/a/section/T1/state", "one", qos=1)
                [message] = await heard(connection, 1)
                connection.acknowledge([message])

    assert message.payload == b"one"
