"""Settings that are tried from the page: over those in force, drawn beside what was concluded."""

from __future__ import annotations

import gzip
import json

import pytest

from monitor.core.moments import HOUR, parse
from monitor.desk.model import Refused
from monitor.desk.replaying import Replaying
from monitor.desk.windows import Window
from monitor.incident.__main__ import made as make
from monitor.journal import Journal
from monitor.past import PastFault
from monitor.store import Store
from replay.tried import given, in_words, over, tried_on
from tests.incident.test_pieces import day
from tests.live import LINE

SIX = parse("2026-05-04T06:00:00Z")
SEVEN = SIX + HOUR


@pytest.fixture(name="night")
def _night(tmp_path):
    """T2 is disturbed twice for four minutes, with a setting in force that nobody tries anything about."""
    with (
        Journal.open(tmp_path / "journal.sqlite") as journal,
        Store.open(tmp_path / "alerts.sqlite") as store,
    ):
        same = {"detect": {"section-disturbed": {"settle_s": 60}}}
        past = day(journal, LINE, LINE, before=same, after=same)
        for output in past.outputs():
            store.keep(output.alerts, output.faults, output.calls)
    return tmp_path


def made(folder, settings):
    """The window as the page gets it: what stands in it, and the document."""
    alerts = folder / "alerts.sqlite"
    head, body = make(
        folder / "journal.sqlite",
        SIX,
        SEVEN,
        "",
        None,
        alerts=alerts,
        tried=tried_on(given(settings), alerts),
    )
    return str(head["parts"]), json.loads(gzip.decompress(body))


def disturbed(alerts):
    """When those about a disturbed section were raised, s after six, and which way they are other."""
    return [
        (one["raised"] // 1000, one["way"])
        for one in alerts
        if json.loads(one["lines"][0][1])["kind"] == "section-disturbed"
    ]


def test_what_is_tried_lies_over_what_was_in_force(night):
    """What was concluded after a minute would have been after ten seconds; of a setting that is not tried the one in force holds on both sides."""
    parts, document = made(night, "[detect.section-disturbed]\nsettle_s = 10")

    assert disturbed(document["alerts"]) == [(660, "moved"), (2460, "moved")]
    assert disturbed(document["beside"]["alerts"]) == [(610, "moved"), (2410, "moved")]
    assert (
        "the settings in force with [detect.section-disturbed] settle_s = 10" in parts
    )
    assert "A is, line for line, what the monitor said live" in parts

    _, document = made(night, "[detect.long-occupation]\nnormal_s = 900")
    assert disturbed(document["alerts"]) == [(660, ""), (2460, "")]
    assert disturbed(document["beside"]["alerts"]) == [(660, ""), (2460, "")]


@pytest.mark.parametrize(
    ("settings", "why"),
    [
        ("[detect", "cannot be read"),
        ("[delivery.mail]\nhost = 'x'", "can be tried here, not delivery"),
        ("# nothing", r"only \[words\]"),
        ("words = 3", "to be tried"),
        ("detect = 3", "no tables of settings"),
        ("[detect.unheard-of]\nsettle_s = 1", "there is no detection unheard-of"),
        ("[detect.section-disturbed]\nsettle_s = -1", "a number above nought"),
    ],
)
def test_what_cannot_be_tried_is_said_in_a_line(settings, why):
    """What is wrong with it, rather than a picture by something else."""
    with pytest.raises(PastFault, match=why) as said:
        given(settings)

    assert "\n" not in str(said.value)


async def test_the_page_is_told_so_by_the_process_that_makes_it(night):
    """Of a section that the line file in force then has not; and where all is well it has both sides."""
    replaying = Replaying(night / "journal.sqlite", night / "alerts.sqlite")
    there, elsewhere = (
        Window(
            begin=SIX,
            end=SEVEN,
            settings=f"[section.{name}.section-disturbed]\nsettle_s = 90",
        )
        for name in ("T2", "T9")
    )

    with pytest.raises(Refused, match="there is no section T9"):
        await replaying.made(elsewhere)
    found = await replaying.made(there)
    beside = json.loads(gzip.decompress(found.packed))["beside"]
    assert disturbed(beside["alerts"]) == [(690, "moved"), (2490, "moved")]


def test_settings_are_told_one_by_one():
    """Of what is tried and of nothing else."""
    tried = given(
        "[words]\nskew_s = 3\n[section.T2.section-disturbed]\nsettle_s = 60\n"
    )

    assert in_words(tried) == [
        "[words] skew_s = 3",
        "[section.T2.section-disturbed] settle_s = 60",
    ]
    assert over({"words": {"skew_s": 2, "settle_s": 5}}, tried)["words"] == {
        "skew_s": 3,
        "settle_s": 5,
    }
    with pytest.raises(PastFault):
        given("")
