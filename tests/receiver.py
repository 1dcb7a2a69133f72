"""A receiver of webhooks on a loopback port that nobody else has: it keeps what came, and fails or hangs as it is told."""

from __future__ import annotations

import json
import threading
import time
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Receiver:
    """What came, in order, and what is answered.

    Attributes:
        had: the bodies that were answered with success.
        tried: every body, those that were not too.
        status: what is answered.
        hangs: nothing is answered, until it is set.
    """

    def __init__(self):
        self.had = []
        self.tried = []
        self.status = 200
        self.free = threading.Event()
        self.free.set()
        self.url = ""

    def takes(self, body):
        """Note what came; the status of the answer."""
        said = json.loads(body)
        self.tried.append(said)
        self.free.wait()
        status = self.status
        if status == 200:
            self.had.append(said)
        return status

    def hang(self):
        """Answer nothing from now on."""
        self.free.clear()

    def answer(self, status=200):
        """Answer everything so from now on, what hangs too."""
        self.status = status
        self.free.set()


def _handler(receiver):
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self):
            length = int(self.headers["Content-Length"])
            status = receiver.takes(self.rfile.read(length))
            try:
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()
            except OSError:
                pass  # whoever asked has gone

        def log_message(self, *_words):
            """Nothing is printed."""

    return Handler


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request, client_address):
        """Whoever asked has gone: nothing to say."""


@contextmanager
def receiving(receiver=None):
    """A receiver that answers while the block runs."""
    receiver = receiver or Receiver()
    server = _Server(("127.0.0.1", 0), _handler(receiver))
    receiver.url = f"http://127.0.0.1:{server.server_address[1]}/"
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        receiver.answer()
        server.shutdown()
        server.server_close()
        thread.join(10)


def wait_for(condition, limit_s=30.0, says=""):
    """Wait, in a test that runs no loop, until *condition* is true."""
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end, says or "it did not come"
        time.sleep(0.02)
