from __future__ import annotations

import base64
import gzip
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given, strategies as st
from typer.testing import CliRunner

from monitor import cli
from monitor.acts import entry as act_entry
from monitor.core.alerts import Alert, line as alert_line
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, exact, parse, stamp
from monitor.core.words import CAUTION
from monitor.desk.people import Person, write_people
from monitor.desk.roles import Role
from monitor.handling import Act
from monitor.journal import Journal
from monitor.packing import PackFault, pack, unpacked
from monitor.proof import prove
from monitor.shifts import DeskAct
from monitor.shown import Painted, Shown, entry as shown_entry
from monitor.store import Store
from tests.incident.reading import data_of
from tests.journals import come, connect, start
from tests.live import LINE
from tests.test_past import disturbed

SIX = parse("2026-05-04T06:00:00Z")
SECRET = "T01/B02/sesame"
SETTINGS = {
    "delivery": {
        "webhook": {"chat": {"url": f"https://hooks.example/{SECRET}"}},
        "mail": {
            "desk": {
                "host": "mail.example",
                "sender": "monitor@rail.example",
                "to": ["a.moor@rail.example"],
            }
        },
    }
}
NAMES = ("A. Moor", "B. Lund", "C. Falk", "a.moor@")


@dataclass(frozen=True)
class Night:
    """The directory of a monitor, with the root of its day."""

    data: Path
    root: str


@pytest.fixture(name="night", scope="module")
def _night(tmp_path_factory):
    """T2 and T4 were disturbed; A. Moor had the page, went there and wrote so; the next day something came."""
    data = tmp_path_factory.mktemp("var")
    with Journal.open(data / "journal.sqlite") as journal:
        start(journal, SIX, LINE, **SETTINGS)
        connect(journal, SIX)
        come(journal, disturbed(1, SIX + MINUTE))
        fault = keep_alerts(data)
        journal.append(
            [
                shown_entry(painted(fault)),
                act_entry(noted(fault)),
                act_entry(handed_over()),
            ]
        )
        come(journal, disturbed(11, SIX + 10 * MINUTE, "T4"))
        roots = []
        roots += come_and_tell(journal, disturbed(21, SIX + DAY, "T1"))
    keep_alerts(data)
    people = [
        Person(name="A. Moor", role=Role.ACT),
        Person(name="B. Lund", role=Role.LOOK),
    ]
    write_people(data / "people.json", people)
    [root] = roots
    return Night(data=data, root=root.digest)


def come_and_tell(journal, events):
    """The roots of the days that end by *events* coming."""
    before = journal.position
    come(journal, events)
    return journal.roots(before, before)


def keep_alerts(data, at=None):
    """What a monitor keeps in its store of what its journal has; the id of the first fault."""
    with Journal.read(data / "journal.sqlite") as book:
        engine = Engine(read_line(LINE), monitor="monitor-7")
        outputs = [engine.take(event) for event in book.events()]
        outputs.append(engine.finish())
    with Store.open(data / "alerts.sqlite") as store:
        for output in outputs:
            store.keep(output.alerts, output.faults, output.calls, at=at)
        return json.loads(store.faults()[0])["id"] if store.faults() else ""


def painted(fault):
    """North painted it."""
    at = SIX + MINUTE + 8 * SECOND
    return Shown(
        id="a1",
        position="north",
        by="A. Moor",
        page="0123456789abcdef",
        at=at,
        entered=at,
        visible=True,
        sound="played",
        faults=(Painted(fault=fault, headline="T2 disturbed", priority="prompt"),),
    )


def noted(fault):
    """A. Moor writes who went."""
    at = SIX + 3 * MINUTE
    return Act(
        id="b2",
        at=at,
        entered=at,
        by="A. Moor",
        position="north",
        what="noted",
        fault=fault,
        text="B. Lund went with a.moor; joint at H2 wet",
    )


def handed_over():
    """A. Moor leaves the desk to somebody who is in no file."""
    at = SIX + 5 * MINUTE
    return DeskAct(
        id="c3",
        at=at,
        entered=at,
        by="A. Moor",
        position="north",
        what="hand_over",
        to="C. Falk",
        text="T2 again; c. falk knows",
    )


@pytest.fixture(name="here", autouse=True)
def _here(tmp_path, monkeypatch):
    for name in list(os.environ):
        if name.startswith("TALLYWATCH_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def call(*arguments):
    """The command line with *arguments*, as it ended."""
    return CliRunner().invoke(cli.app, [str(one) for one in arguments])


def packed(night, *more, begin=SIX, end=SIX + HOUR, out="pack.zip"):
    """Evidence of a window, and its path."""
    ended = call(
        *("evidence", "--data", night.data, "--from", stamp(begin)),
        *("--to", stamp(end), "-o", out, *more),
    )
    assert ended.exit_code == 0, ended.output
    return out


def inside(path):
    """The files of evidence, unpacked."""
    return {name: bytes(one) for name, one in unpacked_at(path).items()}


def unpacked_at(path):
    """The same, as they stand there."""
    return unpacked(Path(path))


def records(path):
    """The records in evidence."""
    text = gzip.decompress(inside(path)["records.jsonl.gz"]).decode()
    return [json.loads(line) for line in text.splitlines()]


def everything(path):
    """All that stands in evidence, as text."""
    files = inside(path)
    files["records.jsonl.gz"] = gzip.decompress(files["records.jsonl.gz"])
    [data] = re.findall(rb'"packed":"([\w+/=]+)"', files["report.html"])
    files["data of the report"] = gzip.decompress(base64.b64decode(data))
    return "\n".join(one.decode() for one in files.values())


def told(path, name):
    """The lines of a file in evidence."""
    return [json.loads(line) for line in inside(path)[name].decode().splitlines()]


@pytest.mark.parametrize("more", [(), ("--roles",), ("--sections", "T1,T2")])
def test_twice_is_the_same(night, more):
    """The same journal and the same question give the same bytes."""
    one = packed(night, *more, out="one.zip")
    other = packed(night, *more, out="other.zip")

    assert Path(one).read_bytes() == Path(other).read_bytes()


def test_it_holds_what_was_written_concluded_told_and_shown(night):
    """Every record of the window whole, the line file as it was, what was concluded as the store has it, and what a page had painted."""
    path = packed(night)
    files, about = inside(path), json.loads(inside(path)["pack.json"])
    with Journal.read(night.data / "journal.sqlite") as journal:
        there = journal.arrived(SIX, SIX + HOUR + MINUTE)
        assert there is not None
        payloads = [bytes(one.row[5]).decode() for one in journal.raw(*there)]

    shown = [one for one in records(path) if "payload" in one]
    assert [one["payload"] for one in shown if "withheld" not in one] == [
        one for one in payloads if SECRET not in one
    ]
    assert files["line.toml"].decode() == LINE
    assert about["in_force"][0]["version"] == "0.1.0"
    assert about["alerts_otherwise_in_store"] == []
    assert {one["subject"] for one in told(path, "alerts.jsonl")} == {
        *("section/T2", "section/T4")
    }
    assert {one["what"] for one in told(path, "told.jsonl")} >= {"alert", "fault"}
    [page] = told(path, "shown.jsonl")
    assert (page["position"], page["by"], page["faults"][0]["headline"]) == (
        *("north", "A. Moor"),
        "T2 disturbed",
    )
    assert CAUTION in files["README.txt"].decode()
    assert CAUTION in files["report.html"].decode()


def test_what_was_played_is_placed_with_the_event_that_brought_it(tmp_path):
    """The monitor kept it by the time of day; the window is of recorded time, nothing came after T2 failed until it was clear at 06:05, and the first line says that it was a rehearsal."""
    data, later = tmp_path / "played", SIX + 200 * DAY
    data.mkdir()
    with Journal.open(data / "journal.sqlite", played=True) as journal:
        start(journal, later, LINE, **SETTINGS)
        come(journal, disturbed(1, SIX + MINUTE))
    keep_alerts(data, later)
    ended = call(
        *("evidence", "--journal", data / "journal.sqlite", "-o", "pack.zip"),
        *("--from", stamp(SIX), "--to", stamp(SIX + HOUR)),
    )

    assert ended.exit_code == 0, ended.output
    assert "on: monitor" in ended.stderr
    assert "(wall clock; rehearsal)" in ended.stderr
    first = told("pack.zip", "told.jsonl")[0]
    assert first["put"] == "2026-05-04T06:05:00.000Z"
    assert first["wall_clock"] == exact(later)
    assert inside("pack.zip")["README.txt"].startswith(b"A REHEARSAL: ")


def test_it_is_checked_with_nothing_else(night, monkeypatch, tmp_path):
    """Neither journal nor store is there; the chain goes to the root of the day."""
    path = tmp_path / packed(night)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    ended = call("verify", path)

    assert ended.exit_code == 0, ended.output
    assert f"gives the root of 2026-05-04, {night.root}" in ended.stdout
    assert "checked against no root that was kept elsewhere" in ended.stdout


def test_it_is_held_against_a_root_that_was_kept_elsewhere(night):
    """That of the day is known, also when it is made; another is refused by both, in a line."""
    path = packed(night, "--root", night.root)
    known = call("verify", path, "--root", night.root.upper())
    other = call("verify", path, "--root", "00" * 32)
    made = call(
        *("evidence", "--data", night.data, "--from", stamp(SIX), "-o", "no.zip"),
        *("--to", stamp(SIX + HOUR), "--root", "00" * 32),
    )

    assert known.exit_code == 0
    assert f"kept elsewhere: {night.root}" in known.stdout
    assert json.loads(inside(path)["pack.json"])["chain"]["kept_elsewhere"] == [
        night.root
    ]
    assert other.exit_code == made.exit_code == 1
    assert "no day in it ends with" in other.stderr
    assert "no day of the window ends with" in made.stderr


@given(place=st.integers(0, 10**9), bit=st.integers(0, 7))
def test_a_changed_byte_is_found_and_named(night_packed, place, bit):
    """Anywhere in it."""
    good = night_packed.read_bytes()
    bad = bytearray(good)
    place %= len(bad)
    bad[place] ^= 1 << bit
    path = night_packed.with_name("bad.zip")
    path.write_bytes(bad)

    with pytest.raises(PackFault) as fault:
        prove(path)
    names = [*inside(night_packed), "byte"]
    assert any(name in str(fault.value) for name in names)


@pytest.fixture(name="night_packed", scope="module")
def _night_packed(night, tmp_path_factory):
    path = tmp_path_factory.mktemp("packed") / "pack.zip"
    packed(night, "--roles", out=path)
    return path


def again(path, change):
    """Evidence packed anew after *change* was done to its records, with all checksums right."""
    files = {name: one for name, one in inside(path).items() if name != "SHA256SUMS"}
    rows = records(path)
    change(rows)
    text = "".join(f"{json.dumps(one)}\n" for one in rows)
    files["records.jsonl.gz"] = gzip.compress(text.encode(), mtime=0)
    pack(Path("again.zip"), files)
    return Path("again.zip")


def first_shown(rows, section="T2"):
    """The place of the first record about a section."""
    return next(
        place
        for place, one in enumerate(rows)
        if f'"subject":"{section}"' in str(one.get("payload"))
    )


def _alter(rows):
    one = rows[first_shown(rows)]
    one["payload"] = one["payload"].replace('"clear"', '"occupied"')


def _alter_column(rows):
    rows[first_shown(rows)]["arrival"] += 1


def _alter_digest(rows):
    rows[first_shown(rows)]["itself"] = "00" * 32


def _alter_all_of_it(rows):
    """The record and its own digest: then it does not stand in the chain any more."""
    one = rows[first_shown(rows)]
    _alter(rows)
    one["itself"], one["withheld"] = "11" * 32, True


def _take_out(rows):
    del rows[first_shown(rows)]


def _cut_off(rows):
    del rows[-1]


def _say_it_is_changed(rows):
    rows[first_shown(rows)]["withheld"] = True


@pytest.mark.parametrize(
    ("change", "told_is"),
    [
        (_alter, "record {0} is not as it was written"),
        (_alter_column, "record {0} is not as it was written"),
        (_alter_digest, "record {0} does not follow the one before it"),
        (_alter_all_of_it, "record {0} does not follow the one before it"),
        (_take_out, "record {0} is missing"),
        (_cut_off, "ends with record"),
        (_say_it_is_changed, "names other changed records"),
    ],
)
def test_whoever_packs_it_anew_is_found_by_the_chain(night, change, told_is):
    """With every checksum right: the record is named."""
    path = packed(night)
    rows = records(path)
    position = rows[first_shown(rows)]["position"]

    with pytest.raises(PackFault) as fault:
        prove(again(path, change))
    assert told_is.format(position) in str(fault.value)


def test_a_line_file_that_is_exchanged_is_found(night):
    """By the digest under which the journal knows it."""
    path = packed(night)
    files = {name: one for name, one in inside(path).items() if name != "SHA256SUMS"}
    files["line.toml"] = files["line.toml"].replace(b"800", b"900", 1)
    pack(Path("again.zip"), files)

    with pytest.raises(PackFault, match=r"line\.toml is not what was in force"):
        prove(Path("again.zip"))


def test_roles_stand_in_place_of_names(night):
    """No name is anywhere in it; the records in which one stood are named as changed, and the chain holds."""
    path = packed(night, "--roles")
    text, about = everything(path), json.loads(inside(path)["pack.json"])
    ended = call("verify", path, "--root", night.root)

    assert not any(name.casefold() in text.casefold() for name in NAMES)
    assert "person 1 (act)" in text
    assert "person 2 (somebody) knows" in text
    assert "person 3 (look) went" in text
    changed = about["records"]["withheld"]
    with Journal.read(night.data / "journal.sqlite") as journal:
        with_names = [
            one.position
            for one in journal.raw(1, journal.position)
            if any(name.encode() in one.row[5] for name in NAMES)
        ]
    assert changed == with_names
    assert ended.exit_code == 0
    assert f"{len(changed)} records, {', '.join(map(str, changed))}" in ended.stdout


def test_what_was_changed_cannot_be_guessed(night):
    """What blinds its digest is not in it, but for records that are whole."""
    path = packed(night, "--roles")

    for one in records(path):
        whole = "payload" in one and "withheld" not in one
        assert ("blind" in one) is whole


def test_secrets_never_go_in(night):
    """Not with names either: an address may let somebody in."""
    path = packed(night)

    assert SECRET not in everything(path)
    assert "https://hooks.example/(left out)" in inside(path)["settings.json"].decode()
    assert call("verify", path).exit_code == 0


def test_of_some_sections_others_are_left_out(night):
    """Only those asked for and what lies beside them; what people did stays."""
    path = packed(night, "--section", "T1")
    shown = [str(one["payload"]) for one in records(path) if "payload" in one]

    assert any('"subject":"T2"' in one for one in shown)
    assert not any('"subject":"T4"' in one for one in shown)
    assert any("tallywatch.alert.act" in one for one in shown)
    assert {one["subject"] for one in told(path, "alerts.jsonl")} == {"section/T2"}
    assert "T4 disturbed" not in inside(path)["told.jsonl"].decode()
    assert call("verify", path, "--root", night.root).exit_code == 0


def test_the_report_of_some_sections_draws_no_others(night):
    """Nor tells of their events and alerts; and says that they are left out."""
    page = inside(packed(night, "--section", "T1"))["report.html"].decode()
    drawn = data_of(page)

    assert [one["id"] for one in drawn["sections"]] == ["T1", "T2"]
    assert {one["beside"] == [1 - n] for n, one in enumerate(drawn["sections"])} == {
        True
    }
    words = page[: page.index('id="data"')]
    assert "T4" not in re.sub(r"'sha256-[^']*'", "", words) + str(drawn)
    assert "section-disturbed" in str(drawn["alerts"])
    assert "Of other sections than those drawn nothing is told here" in page
    whole = inside(packed(night))["report.html"].decode()
    assert "T4" in str(data_of(whole))
    assert "Of other sections" not in whole


def test_a_section_that_was_not_there_is_told(night):
    """In a line."""
    ended = call(
        *("evidence", "--data", night.data, "--section", "T9", "-o", "no.zip"),
        *("--from", stamp(SIX), "--to", stamp(SIX + HOUR)),
    )

    assert ended.exit_code == 1
    assert ended.stderr.splitlines()[-1] == "there was no section T9 in four sections"


def test_a_window_across_midnight_has_the_roots_that_there_are(night):
    """That of the day that ended, and the end of the chain in the one that goes on."""
    path = packed(night, begin=SIX, end=SIX + DAY + HOUR)
    ended = call("verify", path, "--root", night.root)

    assert ended.exit_code == 0, ended.output
    assert "the last day had not ended" in ended.stdout
    ended = call(
        "verify", packed(night, begin=SIX + DAY, end=SIX + DAY + HOUR, out="b.zip")
    )
    assert "no day ends in it" in ended.stdout
    assert {one["subject"] for one in told(path, "alerts.jsonl")} == {
        *("section/T1", "section/T2", "section/T4")
    }


@pytest.mark.parametrize(
    ("begin", "rooted"),
    [
        pytest.param(SIX + 5 * HOUR, True, id="within the day"),
        pytest.param(SIX + 9 * DAY, False, id="after all that came"),
        pytest.param(SIX - 9 * DAY, False, id="before the journal"),
    ],
)
def test_a_window_in_which_nothing_came(night, begin, rooted):
    """It says so, and is checked like any other; before the journal there is nothing to say."""
    asked = ("--from", stamp(begin), "--to", stamp(begin + HOUR), "-o", "none.zip")
    made = call("evidence", "--data", night.data, *asked)
    if begin < SIX:
        assert made.exit_code == 1
        assert "does not say which line file was in force" in made.stderr
        return
    ended = call("verify", "none.zip")

    assert ("Nothing is journaled after" in made.stderr) is not rooted
    assert ended.exit_code == 0, ended.output
    assert "no record was written in the window" in ended.stdout
    assert (night.root in ended.stdout) is rooted
    assert told("none.zip", "alerts.jsonl") == []


def test_what_the_store_says_otherwise_is_told(night, tmp_path):
    """An alert that is not concluded again is named."""
    (tmp_path / "var").mkdir()
    for name in ("journal.sqlite", "alerts.sqlite"):
        (tmp_path / "var" / name).write_bytes((night.data / name).read_bytes())
    other = Alert(
        id="00000000deadbeef",
        kind="feed-gap",
        subject="source/gw/9",
        priority="note",
        began=SIX,
        raised=SIX + MINUTE,
        ended=None,
        summary="",
        evidence=(),
        affected=(),
        suspects=(),
        checks=(),
        parameters={},
    )
    with Store.open(tmp_path / "var/alerts.sqlite") as store:
        store.add([other])
        assert alert_line(other) in list(store.lines())
    path = packed(Night(data=tmp_path / "var", root=""))

    about = json.loads(inside(path)["pack.json"])
    assert about["alerts_otherwise_in_store"] == ["00000000deadbeef"]


def test_a_journal_of_the_first_format_gives_none(tmp_path, monkeypatch):
    """Its chain cannot be followed with anything left out; it says so."""
    monkeypatch.setattr("monitor.journal.FORMAT", 1)
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        start(journal, SIX, LINE)
        come(journal, disturbed(1, SIX))
    monkeypatch.undo()
    ended = call(
        *("evidence", "--journal", tmp_path / "journal.sqlite", "-o", "no.zip"),
        *("--from", stamp(SIX), "--to", stamp(SIX + HOUR)),
    )

    assert ended.exit_code == 1
    assert "was begun by an earlier version" in ended.stderr


def test_verify_of_a_journal_finds_a_root_that_was_kept(night):
    """Or says that this is not the journal of which it was."""
    known = call("verify", "--data", night.data, "--root", night.root)
    other = call("verify", "--data", night.data, "--root", "00" * 32)

    assert known.exit_code == 0
    assert f"has the digest {night.root}" in known.stdout
    assert other.exit_code == 1
    assert "its end is cut off" in other.stderr


def test_what_somebody_else_packed_does_nothing_to_a_terminal(night):
    """Whatever stands in it is told in one line that can be read."""
    path = packed(night)
    files = {name: one for name, one in inside(path).items() if name != "SHA256SUMS"}
    about = json.loads(files["pack.json"])
    about["in_force"][0]["line"] = "x\x1b[2J\nfine"
    files["pack.json"] = json.dumps(about).encode()
    pack(Path("again.zip"), files)
    ended = call("verify", "again.zip")

    assert ended.exit_code == 1
    assert ended.stderr.endswith("is missing\n")
    assert "\x1b" not in ended.stderr
    assert len(ended.stderr.splitlines()) == 1


@pytest.mark.parametrize("raw", [b"", b"PK", b"nonsense" * 100])
def test_what_is_no_evidence_is_told_in_a_line(tmp_path, raw):
    """Whatever it is."""
    (tmp_path / "pack.zip").write_bytes(raw)
    ended = call("verify", "pack.zip")

    assert ended.exit_code == 1
    assert len(ended.stderr.splitlines()) == 1
