from __future__ import annotations

import asyncio
import json
import signal
import ssl
import subprocess

import httpx
import pytest

from monitor.desk.serve import DeskServer
from tests.desk.conftest import ACTING, LOOKING
from tests.desk.fake import ALERT


async def until(what):
    """Wait until *what* is so."""
    async with asyncio.timeout(20):
        while not what():  # noqa: ASYNC110 - the server has no event for it
            await asyncio.sleep(0.01)


@pytest.mark.slow
async def test_the_whole_way(make):
    """Over a real connection: an act is taken, whoever follows is told of it, is cut off, names the last they had, and misses nothing; at the end everybody is let go and signals are as they were."""
    setting = make(port=0)
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    server = DeskServer(setting.app, setting.settings, setting.stream)
    token = {"Authorization": f"Bearer {LOOKING}"}
    url = f"{server.at}/api/v1/events"
    note = {"what": "noted", "fault": ALERT, "text": "one"}
    async with asyncio.TaskGroup() as group:
        running = group.create_task(server.run())
        await until(lambda: server._server.started)
        assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == (
            before
        )
        async with httpx.AsyncClient(trust_env=False) as client:

            async def act(text):
                answer = await client.post(
                    f"{server.at}/api/v1/acts",
                    json={**note, "text": text},
                    headers={"Authorization": f"Bearer {ACTING}"},
                )
                assert answer.status_code == 200

            async with client.stream("GET", url, headers=token) as following:
                assert following.headers["content-type"].startswith("text/event-stream")
                assert following.headers["x-content-type-options"] == "nosniff"
                assert "server" not in following.headers
                lines = following.aiter_lines()
                assert await anext(lines) == "retry: 2000"
                await act("one")
                last = ""
                async for line in lines:
                    if line.startswith("id: "):
                        last = line.removeprefix("id: ")
                    if line.startswith("data: "):
                        values = json.loads(line.removeprefix("data: "))
                        assert values == {"by": "A. Moor", "what": "noted"}
                        break
            await act("two")
            await act("three")
            again = {**token, "Last-Event-ID": last}
            async with client.stream("GET", url, headers=again) as following:
                found = []
                lines = following.aiter_lines()
                async for line in lines:
                    if line.startswith("id: "):
                        found.append(line)
                    if len(found) == 2:
                        break
                run, _, number = last.partition("-")
                assert found == [
                    f"id: {run}-{int(number) + 1}",
                    f"id: {run}-{int(number) + 2}",
                ]
                server.stop()
                rest = [line async for line in lines]
                assert not any(line.startswith("id:") for line in rest)
        await running
    with pytest.raises(OSError, match=r"refused|failed"):
        await asyncio.open_connection("127.0.0.1", int(server.at.rpartition(":")[2]))


@pytest.mark.slow
async def test_a_cancelled_server_leaves_nothing_behind(make):
    """Cancelled with the daemon's other tasks it lets its port go."""
    setting = make(port=0)
    server = DeskServer(setting.app, setting.settings, setting.stream)
    async with asyncio.TaskGroup() as group:
        running = group.create_task(server.run())
        await until(lambda: server._server.started)
        running.cancel()
    again = make(port=int(server.at.rpartition(":")[2]))
    DeskServer(again.app, again.settings, again.stream)._socket.close()


async def test_whoever_comes_early_is_answered(make):
    """From when its address is known nobody is refused: who comes before it answers waits."""
    setting = make(port=0)
    server = DeskServer(setting.app, setting.settings, setting.stream)
    _, writer = await asyncio.open_connection(
        "127.0.0.1", int(server.at.rpartition(":")[2])
    )
    writer.close()
    server._socket.close()


async def test_a_port_that_is_taken_is_told(make):
    """A port that somebody has is an error of the operating system, not the end of the process."""
    first = make(port=0)
    server = DeskServer(first.app, first.settings, first.stream)
    second = make(port=int(server.at.rpartition(":")[2]))
    with pytest.raises(OSError, match="in use"):
        DeskServer(second.app, second.settings, second.stream)
    server._socket.close()


@pytest.mark.slow
async def test_with_a_certificate_everything_is_encrypted(make, tmp_path):
    """With a certificate it answers encrypted, and what comes in the open gets no answer."""
    key, cert = tmp_path / "key.pem", tmp_path / "cert.pem"
    subprocess.run(  # noqa: ASYNC221 - nothing else runs yet
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-nodes", "-days", "2"),
            *("-pkeyopt", "ec_paramgen_curve:prime256v1"),
            *("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"),
            *("-keyout", str(key), "-out", str(cert)),
        ],
        check=True,
        capture_output=True,
    )
    setting = make(port=0, cert_file=cert, key_file=key)
    server = DeskServer(setting.app, setting.settings, setting.stream)
    assert server.at.startswith("https://127.0.0.1:")
    context = ssl.create_default_context(cafile=str(cert))
    async with asyncio.TaskGroup() as group:
        group.create_task(server.run())
        await until(lambda: server._server.started)
        async with httpx.AsyncClient(verify=context, trust_env=False) as client:
            answer = await client.get(f"{server.at}/healthz")
            assert answer.json() == {"alive": True}
            assert "strict-transport-security" in answer.headers
        async with httpx.AsyncClient(trust_env=False) as client:
            with pytest.raises(httpx.TransportError):
                await client.get(server.at.replace("https", "http") + "/healthz")
        server.stop()
