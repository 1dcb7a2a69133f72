"""The report of a month by mail: when, once, and again after a mailbox that did not answer."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, MINUTE, parse, stamp
from monitor.core.words import CAUTION
from monitor.daemon import Clock
from monitor.delivery.monthly import CannotBeMade, Letter, Monthly, latest
from monitor.history import History
from monitor.settings.planner import MonthlySettings
from monitor.store import Store
from tests.delivery.test_mail import CHIEF, SENDER, Postbox, serving
from tests.live import event, publish, settings_of, until, watching
from tests.mosquitto import running

__all__ = ["serving"]

BERLIN = ZoneInfo("Europe/Berlin")
DUE = parse("2026-06-01T04:00:00Z")
"""Six in the morning in Berlin."""


class Sending:
    """A monthly report on its way to a mailbox, and the clock by which it goes."""

    def __init__(self, port, store, **settings):
        self.now = DUE
        self.made = []
        self.letter: Letter | Exception | None = Letter(
            subject="Varnholt: 2026-05, 3 disturbances",
            text="Three.",
            files=(
                ("may.html", "text/html", b"<!DOCTYPE html>"),
                ("may.csv", "text/csv", b"a,b"),
                ("may.xlsx", "application/zip", b"PK"),
            ),
        )
        given = {"host": "127.0.0.1", "port": port, "tls": "never", **settings}
        self.monthly = Monthly(
            MonthlySettings(sender=SENDER, to=(CHIEF,), **given),
            zone=BERLIN,
            make=self.make,
            store=store,
            on_disk=self.on_disk,
            now=lambda: self.now,
            monitor="monitor-1",
        )

    async def make(self, month):
        """The letter, or what keeps it from being made."""
        self.made.append(month)
        if isinstance(self.letter, Exception):
            raise self.letter
        return self.letter

    @staticmethod
    async def on_disk(work, *values):
        """Done at once."""
        return work(*values)


@pytest.fixture(name="store")
def _store():
    with Store.open(":memory:") as store:
        yield store


async def test_it_goes_once_when_it_is_due(serving, store):
    """Not a second before; and not again, also after a start with the same files."""
    postbox = Postbox()
    sending = Sending(serving(postbox), store)
    store.note_gone("monthly/2026-04", DUE - 30 * DAY)
    sending.now = DUE - 1
    await sending.monthly.look()
    assert postbox.mails == []

    for now in (DUE, DUE + 1, DUE + 29 * DAY):
        sending.now = now
        await sending.monthly.look()
    again = Sending(serving(postbox), store)
    await again.monthly.look()

    [(to, mail)] = postbox.mails
    assert to == (CHIEF,)
    assert mail["Subject"] == "Varnholt: 2026-05, 3 disturbances"
    assert mail["Message-ID"] == "<monthly-2026-05@monitor-1.tallywatch.invalid>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert CAUTION in " ".join(mail.get_body(("plain",)).get_content().split())
    assert [one.get_filename() for one in mail.iter_attachments()] == [
        "may.html",
        "may.csv",
        "may.xlsx",
    ]
    kinds = [one.get_content_type() for one in mail.iter_attachments()]
    assert kinds == ["text/html", "text/csv", "application/zip"]
    [month] = sending.made
    assert (month.name, stamp(month.begin)) == ("2026-05", "2026-04-30T22:00:00.000Z")


async def test_a_mailbox_that_does_not_answer_is_tried_again(serving, store):
    """After a minute, then two, up to an hour; meanwhile whoever asks is told."""
    postbox = Postbox()
    postbox.answer = "451 later"
    sending = Sending(serving(postbox), store)
    tried = []
    for minute in range(4 * 60):
        sending.now = DUE + minute * MINUTE
        before = len(sending.made)
        await sending.monthly.look()
        if len(sending.made) > before:
            tried.append(minute)
    assert tried == [0, 1, 3, 7, 15, 31, 63, 123, 183]
    [told] = sending.monthly.stuck()
    assert told.startswith("The report of 2026-05 has not gone out: ")

    postbox.answer = "250 OK"
    sending.now += HOUR
    await sending.monthly.look()
    assert len(postbox.mails) == 1
    assert sending.monthly.stuck() == ()


async def test_a_month_of_which_nothing_was_heard_has_no_report(serving, store):
    """Nothing is sent, and it is not asked for again."""
    postbox = Postbox()
    sending = Sending(serving(postbox), store)
    sending.letter = None
    await sending.monthly.look()
    await sending.monthly.look()

    assert (postbox.mails, len(sending.made)) == ([], 1)


async def test_a_report_that_cannot_be_made_is_tried_again(serving, store):
    """The reason is told."""
    sending = Sending(serving(Postbox()), store)
    sending.letter = CannotBeMade("no report can be made now: locked")
    await sending.monthly.look()

    assert "locked" in sending.monthly.stuck()[0]
    assert not store.has_gone("monthly/2026-05")


@pytest.mark.parametrize(
    ("now", "day", "at", "month", "due"),
    [
        ("2026-01-01T04:59:59Z", 1, "06:00", "2025-11", "2025-12-01T05:00"),
        ("2026-01-01T05:00:00Z", 1, "06:00", "2025-12", "2026-01-01T05:00"),
        ("2026-03-28T12:00:00Z", 28, "12:30", "2026-02", "2026-03-28T11:30"),
        # The night on which clocks go forward has no 02:30: it goes at 03:30.
        ("2027-03-28T01:30:00Z", 28, "02:30", "2027-02", "2027-03-28T01:30"),
        # That on which they go back has it twice: it goes at the first, and the second is no other.
        ("2026-10-25T00:29:59Z", 25, "02:30", "2026-08", "2026-09-25T00:30"),
        ("2026-10-25T00:30:00Z", 25, "02:30", "2026-09", "2026-10-25T00:30"),
        ("2026-10-25T01:30:00Z", 25, "02:30", "2026-09", "2026-10-25T00:30"),
    ],
)
def test_when_it_is_due(now, day, at, month, due):
    """By the clocks of the zone: its winter and its summer."""
    found = latest(parse(now), BERLIN, day, at)

    assert (found.name, stamp(found.due)[:16]) == (month, due)


@pytest.mark.parametrize(
    ("now", "begin", "end", "hours"),
    [
        ("2026-04-02T00:00:00Z", "2026-02-28T23:00", "2026-03-31T22:00", 743),
        ("2026-11-02T00:00:00Z", "2026-09-30T22:00", "2026-10-31T23:00", 745),
        ("2026-05-02T00:00:00Z", "2026-03-31T22:00", "2026-04-30T22:00", 720),
    ],
)
def test_a_month_in_which_clocks_change_is_whole(now, begin, end, hours):
    """From midnight to midnight by the clocks of the zone: March has an hour less, October one more (IANA: Europe/Berlin changes on the last Sundays of these)."""
    found = latest(parse(now), BERLIN, 1, "00:00")

    assert (stamp(found.begin)[:16], stamp(found.end)[:16]) == (begin, end)
    assert (found.end - found.begin) // HOUR == hours


@pytest.mark.parametrize(
    ("day", "begin", "months"),
    [
        (28, "2027-03-27T00:00:00Z", ["2027-01", "2027-02"]),
        (25, "2026-10-24T00:00:00Z", ["2026-08", "2026-09"]),
    ],
)
async def test_over_a_change_of_clock_each_month_goes_once(
    serving, store, day, begin, months
):
    """Looked at every quarter of an hour through the night of the change: nothing is sent twice, and nothing is left out."""
    postbox = Postbox()
    sending = Sending(serving(postbox), store, day=day, at="02:30")
    for quarter in range(3 * 24 * 4):
        sending.now = parse(begin) + quarter * HOUR // 4
        await sending.monthly.look()

    assert [one.name for one in sending.made] == months
    ids = [mail["Message-ID"] for _, mail in postbox.mails]
    assert ids == [f"<monthly-{name}@monitor-1.tallywatch.invalid>" for name in months]


def test_its_own_timezone_goes_before_the_lines(store):
    """An IANA name."""
    sending = Sending(1, store, timezone="UTC")

    assert sending.monthly._zone.key == "UTC"


@pytest.mark.parametrize(
    "wrong",
    [{"timezone": "Varnholt/Time"}, {"day": 29}, {"at": "25:00"}, {"to": ()}, {"x": 1}],
)
def test_refuses_settings_that_cannot_be(wrong):
    """A day that not every month has, a time that no day has, a zone that nobody knows."""
    with pytest.raises(ValidationError):
        MonthlySettings(**{"host": "h", "sender": SENDER, "to": (CHIEF,), **wrong})


@pytest.mark.broker
async def test_a_running_monitor_sends_it(tmp_path, serving):
    """Of the month before, whose past is in its history; nothing is sent again by the next start."""
    postbox = Postbox()
    month = latest(Clock()(), ZoneInfo("UTC"), 1, "00:00")
    fact = Fact(kind="heard", subject="section/T1", began=month.begin - DAY)
    with History.open(tmp_path / "history.sqlite") as history:
        history.write([fact])
    with running(tmp_path) as broker:
        settings = settings_of(
            tmp_path,
            broker.url,
            monthly={
                "host": "127.0.0.1",
                "port": serving(postbox),
                "tls": "never",
                "sender": SENDER,
                "to": [CHIEF],
                "at": "00:00",
            },
        )
        for number in range(2):
            async with watching(settings) as daemon:
                await until(lambda: daemon.counts.connected)
                at = daemon._now()
                await publish(broker.url, event(number, "T1", "clear", at))
                await until(lambda: (daemon.engine.watermark or 0) >= month.end)
                daemon._monthly._again = 0  # it looked before anything came
                await daemon._monthly.look()

    [(_, mail)] = postbox.mails
    page, table, book = mail.iter_attachments()
    assert f"{month.name}, 0 disturbances" in mail["Subject"]
    assert "Nothing here proves a section empty" in page.get_content()
    assert table.get_content().startswith("kind,id,")
    assert book.get_content().startswith(b"PK")
