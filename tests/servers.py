"""Debian's Prometheus and Alertmanager on loopback ports that nobody else has, with the files of deployments, only sooner."""

from __future__ import annotations

import asyncio
import shutil
import socket
import subprocess
from contextlib import asynccontextmanager
from pathlib import Path

import yaml

from tests.mosquitto import open_port

DEPLOYED = Path(__file__).parent.parent / "deploy/prometheus"


class Server:
    """A program that can be stopped and started again on the same port.

    Args:
        directory: where it keeps what it persists.
        name: of the program.
    """

    def __init__(self, directory, name):
        directory.mkdir(parents=True, exist_ok=True)
        self.directory = directory
        self.port = open_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._name = name
        self._words: tuple[str, ...] = ()
        self._process: subprocess.Popen[bytes] | None = None

    def told(self, **words):
        """The words with which it is called."""
        given = {"web.listen-address": f"127.0.0.1:{self.port}", **words}
        self._words = tuple(f"--{name}={value}" for name, value in given.items())

    async def start(self):
        """Start it, and wait until it listens."""
        program = shutil.which(self._name)
        assert program is not None
        log = self.directory / "log"
        with log.open("ab") as file:
            self._process = subprocess.Popen(  # noqa: ASYNC220 - it returns at once
                [program, *self._words], stdout=file, stderr=file
            )
        for _ in range(600):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            except OSError:
                assert self._process.poll() is None, log.read_text()
                await asyncio.sleep(0.05)
            else:
                return
        raise AssertionError(f"{self._name} does not listen: {log.read_text()}")

    async def stop(self):
        """Stop it in good order."""
        assert self._process is not None
        self._process.terminate()
        await asyncio.to_thread(self._process.wait, 30)

    @asynccontextmanager
    async def running(self):
        """It runs while the block does."""
        await self.start()
        try:
            yield self
        finally:
            await self.stop()


def alertmanager(directory, webhook):
    """An Alertmanager with the example's routes, that waits for nothing and tells *webhook*."""
    server = Server(directory, "prometheus-alertmanager")
    config = yaml.safe_load((DEPLOYED / "alertmanager.yml").read_text())
    for route in (config["route"], *config["route"]["routes"]):
        route["group_wait"] = "0s"
        route["group_interval"] = "1s"
    (receiver,) = config["receivers"]
    (hook,) = receiver["webhook_configs"]
    hook["url"] = webhook
    file = directory / "alertmanager.yml"
    file.write_text(yaml.safe_dump(config), encoding="utf-8")
    server.told(
        **{
            "config.file": file,
            "storage.path": directory / "data",
            "cluster.listen-address": "",
        }
    )
    return server


def prometheus(directory, scraped, alerts):
    """A Prometheus with the example's rules, that waits for nothing, scrapes *scraped* and tells the Alertmanager *alerts*.

    Args:
        directory: where it keeps what it persists.
        scraped: host and port.
        alerts: host and port.
    """
    server = Server(directory, "prometheus")
    config = yaml.safe_load((DEPLOYED / "prometheus.yml").read_text())
    config["global"] = {"scrape_interval": "500ms", "evaluation_interval": "500ms"}
    (job,) = config["scrape_configs"]
    job["static_configs"] = [{"targets": [scraped]}]
    (told,) = config["alerting"]["alertmanagers"]
    told["static_configs"] = [{"targets": [alerts]}]
    file = directory / "prometheus.yml"
    file.write_text(yaml.safe_dump(config), encoding="utf-8")
    rules = yaml.safe_load((DEPLOYED / "rules.yml").read_text())
    for group in rules["groups"]:
        for rule in group["rules"]:
            if "for" in rule:
                rule["for"] = "1s"
    (directory / "rules.yml").write_text(yaml.safe_dump(rules), encoding="utf-8")
    server.told(
        **{
            "config.file": file,
            "storage.tsdb.path": directory / "data",
            "rules.alert.resend-delay": "1s",
        }
    )
    return server
