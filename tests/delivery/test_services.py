from __future__ import annotations

from email import message_from_bytes, policy

import apprise
import pytest
from aiosmtpd.controller import Controller

from monitor.core.layout import read_line
from monitor.daemon import Daemon, DaemonFault
from monitor.delivery import services
from monitor.delivery.channel import Refused, Undelivered
from monitor.delivery.services import Services
from monitor.settings.delivery import ServiceSettings
from monitor.store import Store
from tests.delivery.samples import RAISED, call
from tests.live import LINE, settings_of
from tests.mosquitto import open_port

HAD: list[tuple[str, str]] = []
"""What the service of these tests was sent: title and text."""

TAKES = [True]


@apprise.decorators.notify(on="tallytest")
def _service(body, title, notify_type, *_rest, **_more):
    """A service that keeps what it is sent, where it takes anything."""
    del notify_type
    if TAKES[0]:
        HAD.append((title, body))
    return TAKES[0]


@pytest.fixture(autouse=True)
def _anew():
    HAD.clear()
    TAKES[0] = True


@pytest.fixture
def channel(tmp_path):
    """Makes the channel of a file."""

    def of(text):
        path = tmp_path / "urls"
        path.write_text(text, encoding="utf-8")
        return Services(ServiceSettings(urls_file=path))

    return of


def item(**changes):
    """A call as it comes out of the outbox."""
    with Store.open(":memory:") as store:
        store.keep(calls=[call(**changes)], at=RAISED)
        (found,) = store.unrouted()
        return found


async def test_every_service_of_the_file_has_the_call(channel):
    """Each address has the text, with number and priority as its title; comments and empty lines are none."""
    hook = channel("# night\n\ntallytest://one\n  tallytest://two\n")
    async with hook.open():
        await hook.send([item()])
    assert [("XLLM prompt", call().text)] * 2 == HAD


class Box:
    """A mail server that keeps what it is given."""

    def __init__(self):
        self.mails = []

    async def handle_DATA(self, _server, _session, envelope):  # noqa: N802 - as the server calls it
        """Keep a mail."""
        self.mails.append(message_from_bytes(envelope.content, policy=policy.default))
        return "250 OK"


async def test_what_a_service_makes_of_a_name_is_text(channel):
    """A service that shows pages, as the library's mail does, is told that a call is text: no tag comes of a name in it."""
    box = Box()
    server = Controller(box, "127.0.0.1", open_port())
    server.start()
    try:
        hook = channel(
            f"mailto://127.0.0.1:{server.port}"
            "?from=monitor@line.example&to=desk@line.example&mode=insecure\n"
        )
        text = "XLLM prompt: T1<img src=x onerror=alert(1)>\u202e *b* disturbed."
        async with hook.open():
            await hook.send([item(text=text)])
    finally:
        server.stop()
    (mail,) = box.mails
    parts = [part for part in mail.walk() if not part.is_multipart()]
    assert parts
    for part in parts:
        shown = part.get_content()
        assert "\u202e" not in shown
        if part.get_content_type() != "text/plain":
            assert "<img" not in shown
    assert "T1<img src=x onerror=alert(1)>? *b* disturbed." in parts[0].get_content()


async def test_a_service_that_does_not_take_it_is_tried_again(channel):
    """What is not taken now may be later."""
    TAKES[0] = False
    hook = channel("tallytest://one\n")
    async with hook.open():
        with pytest.raises(Undelivered):
            await hook.send([item()])


async def test_an_address_that_is_none_is_named_by_its_line_alone(channel):
    """An address holds secrets: what is wrong with one is told without it."""
    hook = channel("tallytest://one\nnosuch://secret@place\n")
    async with hook.open():
        with pytest.raises(Refused) as told:
            await hook.send([item()])
    assert "line 2" in str(told.value)
    assert "secret" not in str(told.value)
    assert HAD == []


async def test_without_the_library_the_daemon_says_how_to_have_it(
    tmp_path, monkeypatch
):
    """A service that is set without what it needs is told in one line before anything starts."""
    monkeypatch.setattr(services, "installed", lambda: False)
    (tmp_path / "urls").write_text("tallytest://one\n", encoding="utf-8")
    settings = settings_of(
        tmp_path,
        f"mqtt://127.0.0.1:{open_port()}",
        delivery={"service": {"radio": {"urls_file": tmp_path / "urls"}}},
    )
    with pytest.raises(DaemonFault, match=r"pip install 'tallywatch\[apprise\]'"):
        await Daemon(read_line(LINE), LINE, settings).run()
