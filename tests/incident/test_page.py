"""The file of the report: its policy, and what hostile names make of it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files

import pytest

from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import SECOND, exact, parse
from monitor.core.wire import read
from monitor.core.words import CAUTION
from monitor.incident.beside import Beside, Otherwise
from monitor.incident.page import SCRIPTS, STYLES, asset, one_script
from monitor.incident.pieces import Piece
from monitor.incident.report import report

TAG = "<script>alert(1)</script>"
TURNS = "\u202e\u2066\u200f"
ID = "=T2<script>alert(1)<\"'&{{7*7}}%s$(id)`"
"""As hostile as the line file lets an id be: no space, slash or control character."""

LINE = f"""
[line]
name = {json.dumps(f"a line {TAG}</title></script>")}
timezone = "Europe/Oslo"
[[evaluator]]
id = "E"
site = "room"
[[section]]
id = {json.dumps(ID)}
area = {json.dumps(f"a{ID}")}
evaluator = "E"
length_m = 800
speed_km_h = 120
[[section]]
id = "T4"
area = "a"
evaluator = "E"
length_m = 800
speed_km_h = 120
[[head]]
id = "H1"
between = ["open", {json.dumps(ID)}]
[[head]]
id = "H2"
between = [{json.dumps(ID)}, "T4"]
"""


class Read(HTMLParser):
    """What is in a file, and what would run in it."""

    def __init__(self, text):
        super().__init__()
        self.tags: list[str] = []
        self.scripts: list[dict[str, str | None]] = []
        self.wrong: list[str] = []
        self.texts: list[str] = []
        self.within: list[str] = []
        self.held: dict[str, str] = {}
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """One element begins."""
        values = dict(attrs)
        self.tags.append(tag)
        self.within.append(tag)
        if tag == "script":
            self.scripts.append(values)
        self.wrong += [f"{tag} {name}" for name in values if name.startswith("on")]
        self.wrong += [f"{tag} style"] if "style" in values else []
        for name in ("src", "href", "action", "srcset", "poster"):
            if name in values:
                self.wrong.append(f"{tag} {name}")

    def handle_data(self, data):
        """Text of an element."""
        if self.within and self.within[-1] in ("script", "style"):
            kind = self.within[-1]
            if kind == "script":
                kind = self.scripts[-1].get("type") or ""
            self.held[kind] = self.held.get(kind, "") + data
        else:
            self.texts.append(data)

    def handle_endtag(self, tag):
        """One element ends."""
        if tag in self.within:
            while self.within.pop() != tag:
                pass


@pytest.fixture(scope="module")
def hostile():
    """A report of a day on which whoever names and sends things means ill."""
    at = parse("2026-05-04T06:00:00Z")

    def event(number, seconds, subject, state):
        said = {
            "specversion": "1.0",
            "id": f"{number}{TAG}",
            "source": f"gw/9{TAG}{TURNS}\u2028",
            "type": "tallywatch.section.state",
            "subject": subject,
            "time": exact(at + seconds * SECOND),
            "data": {"state": state, "train": f"{TAG}\n</script>{TURNS}"},
        }
        (found,) = read(json.dumps(said).encode(), recorded=True).events
        return found

    line = read_line(LINE, "line.toml")
    events = [
        event(1, 0, ID, "clear"),
        event(2, 0, "T4", "clear"),
        event(3, 10, ID, "disturbed"),
        event(4, 60, ID, "clear"),
    ]
    return report(
        [Piece(events=lambda: events, engine=lambda: Engine(line))],
        notes=[(f"title {TAG}", [f"note {TAG}{TURNS}"])],
        only=lambda story: replace(story, changes=((at, f"changed {TAG}{TURNS}"),)),
        beside=lambda story: Beside(
            story=story,
            by=f"given {TAG}{TURNS}",
            differences=tuple(
                Otherwise(way="lost", how=f"how {TAG}", here=one.alert.id, there="")
                for one in story.alerts
            ),
            same=0,
            live=(f"live {TAG}{TURNS}",),
        ),
    )


def test_nothing_in_it_runs_but_our_own(hostile):
    """Whatever people and feeds wrote: one script, ours; no handler, no style, nothing loaded."""
    found = Read(hostile)

    assert [one.get("type") for one in found.scripts] == ["application/json", "module"]
    assert found.held["module"] == one_script()
    assert found.wrong == []
    assert not {"iframe", "img", "link", "object", "embed", "base"} & set(found.tags)


def test_what_is_hostile_can_be_read_as_it_is(hostile):
    """It stands there as text, without what turns the direction of writing."""
    text = " ".join(Read(hostile).texts)

    assert f"{ID}" in text
    for said in ("note", "changed", "given", "how", "live"):
        assert f"{said} {TAG}" in text
    assert not set(TURNS) & set(hostile)
    assert CAUTION in text


def test_the_policy_lets_run_that_script_and_no_other(hostile):
    """SHA-256 of what stands in it, as CSP Level 3 (W3C) has it for inline scripts and styles; no word that lets anything else in."""
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', hostile)
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    found = Read(hostile)

    def hashed(text):
        digest = hashlib.sha256(text.encode()).digest()
        return f"'sha256-{base64.b64encode(digest).decode()}'"

    assert rules == {
        "default-src": "'none'",
        "script-src": hashed(found.held["module"]),
        "style-src": hashed(found.held["style"]),
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    # It stands before anything that it is about.
    assert hostile.index("Content-Security-Policy") < hostile.index("<style>")


def test_the_scripts_are_one_without_names_twice():
    """What is put together into one file has each name once, and imports nothing."""
    told = re.findall(
        r"^(?:async )?(?:function|const|let|class) (\w+)", one_script(), re.MULTILINE
    )

    assert len(told) == len(set(told))
    assert not re.search(r"^(import|export)\b", one_script(), re.MULTILINE)
    assert "</script" not in one_script()
    assert "innerHTML" not in one_script()


def test_what_a_script_imports_stands_before_it():
    """The order in which they are put together is the order of their imports."""
    for place, name in enumerate(SCRIPTS):
        wanted = re.findall(r'^import .* from "\./(.*)";', asset(name), re.MULTILINE)
        assert set(wanted) <= set(SCRIPTS[:place])


PAPER = ":root[data-paper] { --ground: #cfd4d8; --panel: #ffffff; }"


def test_the_colours_are_those_of_the_desk():
    """A meaning has one colour, in the report as on the desk's pages: both take them from one file, and name none of their own but what paper is."""
    desk = (files("monitor.desk.pages") / "static" / "pages.css").read_text()

    assert STYLES[0] == "colours.css"
    for text in (desk, asset("report.css").replace(PAPER, "")):
        assert not re.findall(r"--(?!size|large)[a-z-]+: ", text)
