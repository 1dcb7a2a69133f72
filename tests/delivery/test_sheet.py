from __future__ import annotations

import re
import shutil
import subprocess
from html.parser import HTMLParser

import pytest

from monitor.core.detector import Evidence, Suspect
from monitor.core.layout import read_line
from monitor.core.moments import DAY, SECOND
from monitor.core.words import CAUTION
from monitor.delivery.sheet import sheet
from tests.delivery.samples import BEGAN, LINE, LINE_TEXT, RAISED, alert, fault

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"' \u202edesk"


def made(alerts=(), line=LINE, at=RAISED, **changes):
    """The sheet of a fault."""
    alerts = list(alerts) or [alert()]
    about = fault(alerts, **changes)
    return sheet(about, alerts, line, made=at, monitor="monitor-1", standing=1)


class Parsed(HTMLParser):
    """What a browser makes of a page: its tags with their attributes, and its texts."""

    def __init__(self, text):
        super().__init__()
        self.tags = []
        self.texts = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Keep a tag."""
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        """Keep a text."""
        self.texts.append(data)

    @property
    def text(self):
        """What is read."""
        return " ".join(" ".join(self.texts).split())


def test_it_says_everything_that_one_takes_along():
    """Number, headline, what to do, where to go, whom to call, what happened and what else it could be are on it."""
    text = Parsed(made()).text

    for told in (
        "XLLM",
        "T107 occupied, no train seen to enter",
        "Tell the signaller",
        "gate 4, lane from the mill",
        "01 555 0118",
        "Thornmere desk",
        "01 555 0199",
        "06:12:03 T107 occupied",
        "1 train standing",
        "vehicles put on the track Settled by who was there",
        "the indications of EV1 in Thornmere room",
        "head H107: likeliest",
        "no train after 120 s",
        CAUTION,
    ):
        assert told in text, told


def test_what_happened_is_in_order_of_time():
    """What two alerts rest on is told as one story, each thing once."""
    later = alert(
        kind="section-disturbed",
        began=BEGAN + 30 * SECOND,
        summary="T107 disturbed",
        evidence=(
            Evidence(time=BEGAN, text="T107 occupied"),
            Evidence(time=BEGAN + 30 * SECOND, text="T107 shows disturbed"),
        ),
    )
    text = Parsed(made([alert(), later])).text

    assert text.count("06:12:03 T107 occupied") == 1
    places = [text.index(one) for one in ("06:12:03", "06:12:33", "06:14:03")]
    assert places == sorted(places)


def test_hostile_names_run_nothing():
    """Whatever names, texts and numbers hold, no tag, no attribute and no character that turns the writing comes of it."""
    evil = alert(
        summary=HOSTILE,
        evidence=(Evidence(time=BEGAN, text=HOSTILE),),
        suspects=(Suspect(asset=f"head/{HOSTILE}", weight=1.0),),
        checks=(
            f"Look first at {HOSTILE}",
            f"Could also be: {HOSTILE}; settled by {HOSTILE}",
        ),
        parameters={HOSTILE: HOSTILE},
    )
    quoted = HOSTILE.replace("\\", "").replace('"', '\\"')
    line = read_line(LINE_TEXT.replace("gate 4, lane from the mill", quoted))
    text = made([evil], line, headline=HOSTILE, number=HOSTILE)

    parsed, clean = Parsed(text), Parsed(made())
    assert {tag for tag, _ in parsed.tags} == {tag for tag, _ in clean.tags}
    names = {name for _, attributes in parsed.tags for name in attributes}
    assert not [name for name in names if name.startswith("on") or name == "src"]
    assert "\u202e" not in text
    assert "<script" not in text


def test_it_loads_nothing():
    """The file has no script, no address of anything but a telephone, and a policy that forbids loading."""
    parsed = Parsed(made())

    policy = next(a for t, a in parsed.tags if a.get("http-equiv"))
    assert policy["content"].startswith("default-src 'none'")
    links = [a["href"] for _, a in parsed.tags if "href" in a]
    assert links == ["tel:015550118", "tel:015550199"]
    assert not re.search(r"url\(|@import|https?:", made())


def crowded():
    """A sheet with as much of everything as there can be, with the longest names."""
    name = "T" * 58
    line = read_line(
        LINE_TEXT.replace("T107", f"{name}7")
        .replace("Thornmere room", "R" * 119)
        .replace("gate 4, lane from the mill", "x y z " * 50)
    )
    alerts = [
        alert(
            section=f"{name}7",
            began=BEGAN + number * 60 * SECOND,
            summary="long " * 60,
            evidence=tuple(
                Evidence(time=BEGAN + number * SECOND, text=f"{number} {i} " * 60)
                for i in range(9)
            ),
            checks=(
                *["Look first at " + "the fixings " * 30] * 9,
                *["Could also be: " + "it " * 90 + "; settled by " + "that " * 90] * 9,
            ),
            suspects=tuple(
                Suspect(asset=f"head/{'H' * 59}{i}", weight=0.1) for i in range(9)
            ),
            parameters={f"number_{i}_of_many_s": i * 1.23456789 for i in range(30)},
        )
        for number in range(30)
    ]
    subjects = tuple(f"section/{'S' * 58}{i}" for i in range(60))
    about = fault(alerts, headline="T" * 42, subjects=subjects, priority="urgent")
    return sheet(
        about,
        alerts,
        line,
        made=RAISED + 3 * DAY,
        monitor="m" * 64,
        standing=3,
        mark="Trial: the monitor is being tried out.",
    )


def test_it_stays_small_and_says_what_it_leaves_out():
    """However much there is to tell, the file is under 100 kB and counts what it does not show."""
    text = crowded()

    assert len(text.encode()) < 100_000
    assert "and 48 others" in text
    assert "more between" in text


@pytest.mark.browser
def test_it_prints_on_one_page(tmp_path):
    """The fullest sheet there can be is one printed page."""
    page, printed = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(crowded(), encoding="utf-8")
    program = shutil.which("chromium") or "chromium"
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    options += [f"--user-data-dir={tmp_path}/profile", f"--print-to-pdf={printed}"]
    subprocess.run(
        [program, *options, page.as_uri()], check=True, capture_output=True, timeout=90
    )

    assert re.findall(rb"/Type /Pages\s+/Count (\d+)", printed.read_bytes()) == [b"1"]
