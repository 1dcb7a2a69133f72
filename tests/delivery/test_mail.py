from __future__ import annotations

from email import message_from_bytes, policy

import pytest
from aiosmtpd.controller import Controller

from monitor.core.words import CAUTION
from monitor.delivery.channel import Refused, Undelivered
from monitor.delivery.mail import Mail
from monitor.settings.delivery import MailSettings
from monitor.store import Store
from tests.delivery.samples import RAISED, call
from tests.live import event, publish, settings_of, until, watching
from tests.mosquitto import open_port, running

SENDER, CHIEF, NIGHT = (
    "monitor@line.example",
    "chief@line.example",
    "night@line.example",
)


class Postbox:
    """What a mail server that answers as it is told was given."""

    def __init__(self):
        self.mails = []
        self.said = {}
        self.answer = "250 OK"

    async def handle_RCPT(  # noqa: N802 - as the server calls it
        self, _server, _session, envelope, address, _options
    ):
        """Take somebody, or not."""
        said = self.said.get(address, "250 OK")
        if said.startswith("250"):
            envelope.rcpt_tos.append(address)
        return said

    async def handle_DATA(self, _server, _session, envelope):  # noqa: N802 - likewise
        """Take a mail, or not."""
        if self.answer.startswith("250"):
            found = message_from_bytes(envelope.content, policy=policy.default)
            self.mails.append((tuple(envelope.rcpt_tos), found))
        return self.answer


@pytest.fixture
def serving():
    """Runs mail servers until the test is over."""
    servers = []

    def serve(postbox, **more):
        servers.append(Controller(postbox, "127.0.0.1", open_port(), **more))
        servers[-1].start()
        return servers[-1].port

    yield serve
    for one in servers:
        one.stop()


def mailing(port, sheet="<!doctype html><p>sheet</p>", **more):
    """The channel of a mailbox."""

    async def sheet_of(_call):
        return sheet

    given = {"host": "127.0.0.1", "port": port, "tls": "never", **more}
    settings = MailSettings(sender=SENDER, **{"to": (CHIEF, NIGHT), **given})
    return Mail(settings, monitor="monitor-1", sheet=sheet_of, now=lambda: RAISED)


def item(one=None, **more):
    """A call as it comes out of the outbox."""
    with Store.open(":memory:") as store:
        store.keep(calls=[one or call(**more)], at=RAISED)
        (found,) = store.unrouted()
        return found


async def test_a_call_is_one_mail_that_stands_alone_with_its_sheet(serving):
    """To all at once: the call's text, the caution, and the fault sheet beside it; known by the call's key."""
    postbox = Postbox()
    channel = mailing(serving(postbox))
    told = item(priority="urgent")
    async with channel.open():
        await channel.send([told])
        await channel.send([told])
    (to, mail), (_, again) = postbox.mails
    assert to == (CHIEF, NIGHT)
    assert mail["Subject"] == "XLLM prompt: T107 occupied, no train seen to enter"
    assert mail["Importance"] == "high"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Message-ID"] == again["Message-ID"]
    assert told.key[:32] in mail["Message-ID"]
    body, sheet = mail.get_body(("plain",)), next(iter(mail.iter_attachments()))
    assert call().text in " ".join(body.get_content().split())
    assert CAUTION in " ".join(body.get_content().split())
    assert sheet.get_filename() == "fault-XLLM.html"
    assert sheet.get_content_type() == "text/html"
    assert "<p>sheet</p>" in sheet.get_content()


HOSTILE = "XLLM prompt: T107\r\nBcc: all@line.example\r\n\r\n<script>alert(1)</script>"


async def test_what_somebody_wrote_becomes_no_header(serving):
    """A text with line ends in it stays in its place: no further receiver, no further header."""
    postbox = Postbox()
    channel = mailing(serving(postbox))
    async with channel.open():
        await channel.send([item(text=HOSTILE, number="X\r\nY")])
    ((to, mail),) = postbox.mails
    assert to == (CHIEF, NIGHT)
    assert "Bcc" not in mail
    assert "\n" not in mail["Subject"]
    assert [one.get_content_type() for one in mail.walk()] == [
        "multipart/mixed",
        "text/plain",
        "text/html",
    ]


# RFC 5321, 4.2.1: a reply that begins with 4 may be another one later, one with 5 is final.
@pytest.mark.parametrize(
    ("answer", "fault"),
    [("451 try later", Undelivered), ("554 not here", Refused)],
    ids=["later", "never"],
)
async def test_a_server_that_does_not_take_it_now_or_ever(serving, answer, fault):
    """What may be otherwise later is tried again; what stays so is not."""
    postbox = Postbox()
    postbox.answer = answer
    channel = mailing(serving(postbox))
    async with channel.open():
        with pytest.raises(fault, match=answer[4:]):
            await channel.send([item()])


async def test_one_who_is_not_there_keeps_it_from_nobody_else(serving):
    """Where one receiver is unknown the others have it; where all are, it is refused for good; where one is only busy, it is tried again."""
    postbox = Postbox()
    channel = mailing(serving(postbox))
    postbox.said[NIGHT] = "550 no such user"
    async with channel.open():
        await channel.send([item()])
        assert [to for to, _ in postbox.mails] == [(CHIEF,)]
        postbox.said[CHIEF] = "550 no such user"
        with pytest.raises(Refused, match="no such user"):
            await channel.send([item()])
        postbox.said[CHIEF] = "450 busy"
        with pytest.raises(Undelivered, match="busy"):
            await channel.send([item()])


async def test_a_server_that_is_not_there_is_tried_again():
    """Nobody at the port is no reason to give up."""
    channel = mailing(open_port())
    async with channel.open():
        with pytest.raises(Undelivered):
            await channel.send([item()])


async def test_nothing_is_sent_in_the_open_where_it_is_to_be_encrypted(serving):
    """A server that offers no encryption gets neither password nor mail where encryption is set."""
    postbox = Postbox()
    channel = mailing(serving(postbox), tls="starttls")
    async with channel.open():
        with pytest.raises(Undelivered):
            await channel.send([item()])
    assert postbox.mails == []


@pytest.mark.broker
async def test_a_call_that_nobody_has_seen_goes_on_by_mail(tmp_path, serving):
    """Over a running daemon: the first step goes to one box, the next to another after its time, each with the sheet of the fault, under 100 kB and with nothing from elsewhere."""
    first, second = Postbox(), Postbox()
    boxes = {
        name: {
            "host": "127.0.0.1",
            "port": serving(box),
            "tls": "never",
            "sender": SENDER,
            "to": [CHIEF],
        }
        for name, box in (("room", first), ("chief", second))
    }
    with running(tmp_path / "broker") as broker:
        settings = settings_of(
            tmp_path,
            broker.url,
            words={
                "patience_s": 0.5,
                "skew_s": 0.2,
                "settle_s": 0.5,
                "join_wait_s": 1,
            },
            delivery={
                "mail": boxes,
                "route": [{"steps": [["room"], ["chief"]]}],
                "prompt_s": 1,
            },
        )
        async with watching(settings) as daemon:
            await until(lambda: daemon.counts.connected)
            at = daemon._now()
            await publish(broker.url, event(1, "T1", "clear", at))
            await publish(broker.url, event(2, "T1", "disturbed", at + 100_000))
            await until(lambda: second.mails)
    ((_, mail),) = first.mails
    sheet = next(iter(mail.iter_attachments())).get_content()
    assert mail["Message-ID"] == second.mails[0][1]["Message-ID"]
    assert "T1 disturbed" in sheet
    assert "Nothing here proves a section empty" in sheet
    assert len(sheet.encode()) < 100_000
    assert not any(one in sheet for one in ("://", "src=", "href=", "url("))
