"""A real broker on a loopback port that nobody else has, with the settings of deployments."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path

DEPLOYED = Path(__file__).parent.parent / "deploy/mosquitto/tallywatch.conf"


def open_port():
    """A port of the loopback address that nobody listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


class Mosquitto:
    """A mosquitto that can be stopped and started again on the same port.

    Args:
        directory: where it keeps what it persists.
        more: further lines of its configuration.
    """

    def __init__(self, directory, more=""):
        self.port = open_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        # As root, mosquitto gives up its rights and could not write there otherwise.
        text = DEPLOYED.read_text(encoding="utf-8").replace(
            "/var/lib/mosquitto/", f"{directory}/"
        )
        self._config = directory / "mosquitto.conf"
        self._config.write_text(
            f"{text}\nuser root\nlistener {self.port} 127.0.0.1\n"
            f"{more or 'allow_anonymous true'}\n",
            encoding="utf-8",
        )
        self._log = directory / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self):
        """Start it, and wait until it listens."""
        program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [program or "mosquitto", "-c", self._config], stdout=log, stderr=log
            )
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            except OSError:
                assert self._process.poll() is None, self._log.read_text()
                time.sleep(0.02)
            else:
                return
        raise AssertionError(f"mosquitto does not listen: {self._log.read_text()}")

    def stop(self):
        """Stop it in good order."""
        assert self._process is not None
        self._process.terminate()
        self._process.wait(10)


@contextmanager
def running(directory, more=""):
    """A mosquitto while the block runs."""
    directory.mkdir(parents=True, exist_ok=True)
    broker = Mosquitto(directory, more)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()
