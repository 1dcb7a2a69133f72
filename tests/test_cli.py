from __future__ import annotations

import asyncio
import gzip
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest
from typer.testing import CliRunner

from monitor import cli
from monitor.core import wire
from monitor.core.events import (
    MonitorRecord,
    RecordKind,
    SectionState,
    State,
)
from monitor.core.layout import read_line
from monitor.core.moments import MINUTE, SECOND, parse, stamp
from monitor.core.wire import write
from monitor.core.words import CAUTION
from monitor.demo import example_line
from monitor.journal import Entry, Journal
from monitor.settings import read as read_settings, read_url
from monitor.store import Store
from replay.player import heard
from replay.recording import read_recording, write_recording
from replay.simulator.scenarios import tour
from tests.bench import traffic
from tests.mosquitto import running

SIX = parse("2026-05-04T06:00:00Z")

LINE = """
[line]
name = "Two sections"
timezone = "UTC"
[[evaluator]]
id = "EV1"
site = "room"
gateway = "GW1"
[[section]]
id = "T1"
area = "thornmere"
evaluator = "EV1"
length_m = 800
speed_km_h = 120
[[section]]
id = "T2"
area = "thornmere"
evaluator = "EV1"
length_m = 800
speed_km_h = 120
[[head]]
id = "H1"
between = ["open", "T1"]
[[head]]
id = "H2"
between = ["T1", "T2"]
[[head]]
id = "H3"
between = ["T2", "open"]
"""


def state(number, seconds, section, shows):
    """Event *number*: what a section shows, so many seconds after six."""
    return SectionState(
        id=str(number),
        source="gw/1",
        subject=section,
        time=SIX + seconds * SECOND,
        state=State(shows),
    )


# T1 is disturbed for five minutes, from 06:01; T2 shows clear throughout.
DISTURBED = [
    state(1, 0, "T1", "clear"),
    state(2, 0, "T2", "clear"),
    state(3, 60, "T1", "disturbed"),
    state(4, 360, "T1", "clear"),
    state(5, 600, "T2", "clear"),
]


@pytest.fixture(name="here", autouse=True)
def _here(tmp_path, monkeypatch):
    """A directory with a line file and a recording, and nothing set in the environment."""
    for name in list(os.environ):
        if name.startswith("TALLYWATCH_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    record(tmp_path / "day.jsonl", DISTURBED)
    return tmp_path


def record(path, events, *more):
    """A recording of *events*, and of *more* lines as they are."""
    path.write_bytes(b"".join(write(one) + b"\n" for one in events) + b"".join(more))


def call(*arguments):
    """The command line with *arguments*, as it ended."""
    return CliRunner().invoke(cli.app, [str(one) for one in arguments])


def fails(*arguments):
    """The lines on stderr of a command that fails."""
    ended = call(*arguments)
    assert ended.exit_code == 1, ended.output
    assert ended.stdout == ""
    return ended.stderr.splitlines()


def replayed(*more, line="line.toml", events="day.jsonl"):
    """The alert lines of a replay to stdout."""
    ended = call("replay", "--line", line, "--events", events, *more)
    assert ended.exit_code == 0, ended.output
    return [json.loads(text) for text in ended.stdout.splitlines()]


ANY_PORT = "[metrics]\nport = 0\n[desk]\nport = 0\n"
"""Settings of a monitor that takes no port from anybody."""

COMMANDS = {
    "check": ["--line"],
    "run": ["--line", "--settings", "--broker", "--arrival", "--rehearsal"],
    "replay": [
        *("--line", "--events", "--settings", "--alerts", "--until"),
        *("--faults", "--calls", "--plan"),
    ],
    "kinds": ["--table", "--format"],
    "drill": ["--desk", "--token-file", "--ca-file", "--within"],
    "play": ["--line", "--events", "--speed", "--broker", "--at", "--from", "--to"],
    "export": ["--from", "--to", "--events"],
    "explain": ["--line", "--events", "--section", "--at", "--kind"],
    "shown": ["--at", "--position", "--data", "--journal"],
    "keep": ["--from", "--to", "--reason", "--list", "--desk", "--token-file"],
    "evidence": ["--from", "--to", "--out", "--section", "--roles", "--root"],
    "verify": ["--journal", "--root"],
}


@pytest.mark.parametrize("command", COMMANDS)
def test_options_keep_their_names(command):
    """Scripts call commands by the names of their options, and help shows them with an example."""
    ended = call(command, "--help")

    assert ended.exit_code == 0
    for option in COMMANDS[command]:
        assert option in ended.stdout
    assert f"tallywatch {command} -" in " ".join(ended.stdout.split())


@pytest.mark.parametrize("command", COMMANDS)
def test_wrong_usage_ends_with_two(command):
    """An option that is not there is wrong usage, told without a traceback."""
    ended = call(command, "--no-such-option")

    assert ended.exit_code == 2
    assert "No such option" in ended.stderr
    assert "Traceback" not in ended.output


@pytest.mark.slow
@pytest.mark.parametrize("words", [["tallywatch"], [sys.executable, "-m", "monitor"]])
def test_the_command_and_the_module_are_the_same(words):
    """`tallywatch` and `python -m monitor` say the same version."""
    program = Path(sys.executable).parent / words[0]
    said = subprocess.run(
        [program, *words[1:], "--version"], capture_output=True, text=True, check=True
    )

    assert said.stdout == "tallywatch 0.1.0\n"
    assert said.stderr == ""


@pytest.mark.slow
def test_help_loads_nothing_heavy():
    """Help comes at once: what a command needs is imported when it runs."""
    code = (
        "import sys\n"
        "from monitor.cli import app\n"
        "try: app(['replay', '--help'])\n"
        "except SystemExit: pass\n"
        "print(*sorted({'aiomqtt', 'prometheus_client', 'sqlite3', 'scipy', 'structlog'}"
        " & {name.split('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    # What measures coverage in a process loads modules of its own.
    plain = {k: v for k, v in os.environ.items() if not k.startswith("COVERAGE")}
    said = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env=plain,
    )

    assert said.stderr == "\n"


# check


def test_check_says_what_the_line_has():
    """A good line file is told with what stands in it."""
    ended = call("check", "--line", "line.toml")

    assert ended.exit_code == 0
    assert ended.stdout == (
        "line.toml: Two sections, 2 sections, 3 heads, 1 evaluators; no faults\n"
    )


def test_check_names_every_fault_of_both_files(here):
    """Everything wrong with the line file and with the settings comes at once, each in a line that names its file."""
    text = LINE.replace('between = ["T1", "T2"]', 'between = ["T1", "T9"]')
    (here / "line.toml").write_text(
        text.replace("length_m = 800", "length_m = -1", 1), encoding="utf-8"
    )
    (here / "settings.toml").write_text(
        "[words]\nskew_s = -2\n[detect.section-disturbed]\nno_such = 1\n",
        encoding="utf-8",
    )

    said = fails("check", "--line", "line.toml", "--settings", "settings.toml")

    for place in ("T9", "length_m", "skew_s", "no_such"):
        assert sum(place in one for one in said) == 1, (place, said)
    assert sum(one.startswith("line.toml: ") for one in said) == 2
    assert sum(one.startswith("settings.toml: ") for one in said) == 2
    assert len(said) == 4


def test_check_knows_that_settings_belong_to_the_line(here):
    """Settings for a section that the line file lacks are a fault of the two together."""
    (here / "settings.toml").write_text(
        "[section.T9.section-disturbed]\n", encoding="utf-8"
    )

    (fault,) = fails("check", "--line", "line.toml", "--settings", "settings.toml")

    assert "T9" in fault


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (None, "line.toml: No such file or directory"),
        (b"\xff\xfe", "line.toml: byte 0 is no UTF-8"),
        (b"[line", "line.toml: "),
        (b"", "line.toml: "),
    ],
    ids=["missing", "not UTF-8", "not TOML", "nothing in it"],
)
@pytest.mark.parametrize("command", ["check", "replay", "explain", "play", "run"])
def test_a_bad_line_file_is_told_in_lines(here, command, raw, expected):
    """Whatever is wrong with the line file, each command says so in lines and ends with 1."""
    (here / "line.toml").unlink()
    if raw is not None:
        (here / "line.toml").write_bytes(raw)
    more = {
        "check": [],
        "run": [],
        "replay": ["--events", "day.jsonl"],
        "play": ["--events", "day.jsonl", "--speed", "20"],
        "explain": ["--events", "day.jsonl", "--section", "T1", "--at", stamp(SIX)],
    }

    said = fails(command, "--line", "line.toml", *more[command])

    assert said
    assert all(one.startswith(expected) for one in said)


# replay


def test_replay_writes_alerts_as_they_are_raised_and_end():
    """The disturbance of T1 is raised once it has lasted and told again when it is over.

    Disturbed from 06:01:00; raised after `settle_s` 5; over at 06:06:00.
    """
    lines = [one for one in replayed() if one["kind"] == "section-disturbed"]

    assert [(one["subject"], one["raised"], one["ended"]) for one in lines] == [
        ("section/T1", "2026-05-04T06:01:05.000Z", None),
        ("section/T1", "2026-05-04T06:01:05.000Z", "2026-05-04T06:06:00.000Z"),
    ]


def test_replay_says_how_much_it_read_and_found():
    """On stderr stand the events, the bad lines and the alerts by kind."""
    ended = call("replay", "--line", "line.toml", "--events", "day.jsonl")

    assert ended.stderr == (
        "5 events, 0 lines rejected; 1 alerts: 1 section-disturbed\n"
    )


def test_replay_writes_to_a_file_what_it_would_print(here):
    """With --alerts the same bytes go to the file, and nothing to stdout."""
    printed = call("replay", "--line", "line.toml", "--events", "day.jsonl").stdout

    ended = call(
        *("replay", "--line", "line.toml", "--events", "day.jsonl"),
        *("--alerts", "out.jsonl"),
    )

    assert printed
    assert ended.stdout == ""
    assert (here / "out.jsonl").read_text(encoding="utf-8") == printed


def test_replay_writes_faults_and_calls(here):
    """Each change of a fault and each call is a line, in event time, and the alerts are told as without."""
    alone = call("replay", "--line", "line.toml", "--events", "day.jsonl").stdout
    ended = call(
        *("replay", "--line", "line.toml", "--events", "day.jsonl"),
        *("--faults", "faults.jsonl", "--calls", "calls.jsonl"),
    )
    faults, calls = (
        [json.loads(text) for text in (here / name).read_text().splitlines()]
        for name in ("faults.jsonl", "calls.jsonl")
    )

    assert ended.exit_code == 0, ended.output
    assert ended.stdout == alone
    # Disturbed from 06:01:00 on, raised five seconds later; called for twenty after that.
    assert faults[0]["headline"] == "T1 disturbed"
    assert faults[0]["raised"] == "2026-05-04T06:01:05.000Z"
    assert [one["at"] for one in calls] == ["2026-05-04T06:01:25.000Z"]
    assert calls[0]["fault"] == faults[0]["id"]
    assert calls[0]["text"].startswith(f"{faults[0]['number']} prompt: T1 disturbed. ")


def test_kinds_prints_the_list_that_is_signed():
    """Names alone, the table as text, or the table as Markdown."""
    alone, text, marked = (
        call("kinds", *more).stdout
        for more in ((), ("--table",), ("--table", "--format", "markdown"))
    )

    assert "section-disturbed       disturbed" in alone
    assert "tell the technician on" in text
    assert "| `section-disturbed`: disturbed | prompt | yes | tell the tech" in marked


PLANNED = "subject,from,to,reference\nT1,2026-05-04T{begin}Z,2026-05-04T06:08Z,W7\n"


def test_replay_takes_a_plan_as_done(here):
    """What begins under planned work raises nothing, and what is open when it begins says what keeps it quiet."""
    plan = here / "week.csv"
    plan.write_text(PLANNED.format(begin="06:00:30"), encoding="utf-8")
    assert replayed("--plan", plan) == []

    plan.write_text(PLANNED.format(begin="06:02"), encoding="utf-8")
    raised, quiet, over = replayed("--plan", plan)
    assert "quiet" not in raised["parameters"]
    assert quiet["parameters"]["quiet"] == "under work: work W7"
    assert over["ended"] == "2026-05-04T06:06:00.000Z"
    assert {one["id"] for one in (raised, quiet, over)} == {raised["id"]}


def test_replay_refuses_a_plan_that_is_wrong(here):
    """Nothing of it is taken, and every fault is named."""
    plan = here / "week.csv"
    plan.write_text("subject,from,to\nT8,now,then\n", encoding="utf-8")
    wanted = [
        "week.csv: row 2: the line file has nothing that is T8",
        "week.csv: row 2: 'now' is no time",
        "week.csv: row 2: 'then' is no time",
    ]

    assert (
        fails(
            *("replay", "--line", "line.toml", "--events", "day.jsonl"),
            *("--plan", plan),
        )
        == wanted
    )


def test_replay_reads_packed_recordings_the_same(here):
    """A packed recording gives the same alerts."""
    with gzip.open(here / "day.jsonl.gz", "wb") as file:
        file.write((here / "day.jsonl").read_bytes())

    assert replayed(events="day.jsonl.gz") == replayed() != []


def test_replay_reports_bad_lines_and_goes_on(here):
    """A bad line is named with its number and reason, counted, and changes no alert."""
    record(here / "bad.jsonl", DISTURBED, b"not json\n", b'{"specversion":"1.0"}\n')

    ended = call("replay", "--line", "line.toml", "--events", "bad.jsonl")

    said = ended.stderr.splitlines()
    assert ended.exit_code == 0
    assert said[0].startswith("bad.jsonl: line 6: ")
    assert said[1].startswith("bad.jsonl: line 7: ")
    assert said[2].startswith("5 events, 2 lines rejected; 1 alerts")
    assert len(said) == 3


def test_replay_does_not_drown_in_bad_lines(here):
    """Of very many bad lines the first are shown and the others counted."""
    record(here / "bad.jsonl", DISTURBED, b"x\n" * 50)

    said = call(
        "replay", "--line", "line.toml", "--events", "bad.jsonl"
    ).stderr.splitlines()

    assert len(said) == cli.SHOWN_FAULTS + 2
    assert said[-2] == "bad.jsonl: 30 more bad lines"
    assert "50 lines rejected" in said[-1]


def test_timers_after_the_last_event_are_not_concluded(here):
    """A recording that ends two seconds into a disturbance raises nothing, unless it is looked at until later."""
    record(here / "day.jsonl", [*DISTURBED[:3], state(9, 62, "T2", "clear")])

    assert replayed() == []
    until = replayed("--until", "2026-05-04T06:02:00Z")
    assert [one["kind"] for one in until] == ["section-disturbed"]


def test_until_looks_no_further():
    """What came after --until is not taken: the disturbance is raised and not over yet."""
    lines = replayed("--until", "2026-05-04T06:03:00Z")

    assert [one["ended"] for one in lines] == [None]


def test_only_alerts_of_the_window_are_written(here):
    """Where a recording says what was asked for, the alerts of its lead-in are not written."""

    def window(begin, end):
        return MonitorRecord(
            id="w",
            source="m",
            subject="m",
            time=SIX,
            kind=RecordKind.WINDOW,
            values={"from": stamp(SIX + begin), "to": stamp(SIX + end)},
        )

    record(here / "in.jsonl", [window(0, 10 * MINUTE), *DISTURBED])
    record(here / "before.jsonl", [window(2 * MINUTE, 10 * MINUTE), *DISTURBED])

    assert len(replayed(events="in.jsonl")) == 2
    assert replayed(events="before.jsonl") == []


@pytest.mark.parametrize(
    ("name", "raw", "expected"),
    [
        ("none.jsonl", None, "none.jsonl: No such file or directory"),
        ("day.csv", b"", "day.csv: a recording ends in one of "),
        ("day.jsonl.gz", b"not packed", "day.jsonl.gz: damaged: "),
    ],
    ids=["missing", "unknown suffix", "damaged"],
)
def test_a_recording_that_cannot_be_read_is_told_in_a_line(here, name, raw, expected):
    """What cannot be read at all is a failure, in one line that names the file."""
    if raw is not None:
        (here / name).write_bytes(raw)

    (said,) = fails("replay", "--line", "line.toml", "--events", name)

    assert said.startswith(expected)


@pytest.mark.parametrize(
    "text", ["yesterday", "2026-05-04T06:00:00", "2026-02-30T00:00:00Z"]
)
def test_a_time_that_is_none_is_wrong_usage(text):
    """A time without an offset, or that does not exist, is wrong usage, with an example of one."""
    ended = call(
        "replay", "--line", "line.toml", "--events", "day.jsonl", "--until", text
    )

    assert ended.exit_code == 2
    assert "2026-05-04T06:12:03Z" in ended.stderr
    assert "Traceback" not in ended.output


def test_settings_change_what_is_found(here):
    """A replay concludes by the settings it is given."""
    (here / "settings.toml").write_text(
        "[detect.section-disturbed]\nsettle_s = 900\n", encoding="utf-8"
    )

    assert replayed("--settings", "settings.toml") == []


@pytest.mark.slow
def test_whoever_stops_reading_is_no_failure(here):
    """`tallywatch replay ... | head -1` ends quietly."""
    days = [
        state(2 * n + k, 60 * n + 30 * k, "T1", shows)
        for n in range(3000)
        for k, shows in enumerate(["disturbed", "clear"])
    ]
    record(here / "long.jsonl", days)
    with subprocess.Popen(
        [
            *(sys.executable, "-m", "monitor", "replay"),
            *("--line", "line.toml", "--events", "long.jsonl"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert "section-disturbed" in process.stdout.readline()
        process.stdout.close()
        said = process.stderr.read()

    assert process.returncode == 0
    assert said == ""


# explain


def explained(at, *more):
    """What `explain` says of T1 at *at*."""
    ended = call(
        *("explain", "--line", "line.toml", "--events", "day.jsonl"),
        *("--section", "T1", "--at", at, *more),
    )
    assert ended.exit_code == 0, ended.output
    return ended.stdout


def test_explain_tells_what_was_known_then_and_not_later():
    """Three seconds into the disturbance its timer waits; a minute in, the alert is open; both with the caution."""
    early = explained("2026-05-04T06:01:03Z", "--kind", "section-disturbed")
    later = explained("2026-05-04T06:02:00Z", "--kind", "section-disturbed")

    assert "is open" not in early
    assert "is open" in later
    assert CAUTION in early
    assert CAUTION in later


def test_explain_tells_of_every_detection_unless_one_is_asked_for():
    """Without --kind each detection about the section speaks; with it, only that one."""
    every = explained("2026-05-04T06:02:00Z").splitlines()
    one = explained("2026-05-04T06:02:00Z", "--kind", "reset-unproved").splitlines()

    kinds = {said.split(" ")[0].rstrip(":") for said in every[1:-1]}
    assert {"section-disturbed", "reset-unproved", "long-occupation"} <= kinds
    assert [said for said in one if said.startswith("reset-unproved")]
    assert not kinds & {said.split(" ")[0].rstrip(":") for said in one} - {
        "reset-unproved",
        *(said.split(" ")[0] for said in every[:5]),
    }


def test_explain_says_where_the_recording_does_not_go():
    """Within the recording nothing is said of it; before and after it, from when to when it goes; of an empty one, that it is."""
    within = explained("2026-05-04T06:02:00Z")
    before = explained("2026-05-04T05:59:59Z")
    after = explained("2026-05-04T09:00:00Z")
    Path("day.jsonl").write_text("")
    empty = explained("2026-05-04T06:02:00Z")

    assert "recording" not in within
    utc = "(+00:00, UTC)"
    span = f"which goes from 2026-05-04 06:00:00 {utc} to 2026-05-04 06:10:00 {utc}."
    assert within.startswith(f"T1 at 2026-05-04 06:02:00 {utc}:\n")
    outside = "is outside the recording"
    assert before.startswith(f"2026-05-04 05:59:59 {utc} {outside}, {span}")
    assert after.startswith(f"2026-05-04 09:00:00 {utc} {outside}, {span}")
    assert empty.startswith("The recording has no events.")


def test_explain_of_a_section_that_is_not_there():
    """A section that the line file lacks is named."""
    said = fails(
        *("explain", "--line", "line.toml", "--events", "day.jsonl"),
        *("--section", "T9", "--at", stamp(SIX)),
    )

    assert said == ["line.toml: there is no section T9"]


def test_explain_of_a_kind_that_is_not_there():
    """A detection that does not exist is wrong usage, and those that do are named."""
    ended = call(
        *("explain", "--line", "line.toml", "--events", "day.jsonl"),
        *("--section", "T1", "--at", stamp(SIX), "--kind", "nothing"),
    )

    assert ended.exit_code == 2
    assert "section-disturbed" in ended.stderr


# export and verify


@pytest.fixture(name="journal")
def _journal(here):
    """A journal with the recording in it, each event arrived when it happened."""
    path = here / "journal.sqlite"
    with Journal.open(path) as journal:
        for event in DISTURBED:
            payload = write(event)
            reading = wire.read(payload, arrival=event.time)
            journal.append(
                [Entry(payload=payload, arrival=event.time, reading=reading)]
            )
    return path


def test_export_gives_the_alerts_again(journal):
    """A recording out of the journal replays to the alerts of the events in it."""
    ended = call(
        *("export", "--journal", journal, "--events", "out.jsonl.gz"),
        *("--from", "2026-05-04T06:00:00Z", "--to", "2026-05-04T06:10:00Z"),
    )

    assert ended.exit_code == 0, ended.output
    assert [(one["id"], one["ended"]) for one in replayed(events="out.jsonl.gz")] == [
        (one["id"], one["ended"]) for one in replayed()
    ]


def test_export_backwards_is_wrong_usage(journal):
    """From later than to is wrong usage."""
    ended = call(
        *("export", "--journal", journal, "--events", "out.jsonl"),
        *("--from", "2026-05-04T07:00:00Z", "--to", "2026-05-04T06:00:00Z"),
    )

    assert ended.exit_code == 2
    assert "--from is not before --to" in ended.stderr


def test_verify_counts_what_fits(journal):
    """An untouched journal fits, every record of it."""
    ended = call("verify", "--journal", journal)

    assert ended.exit_code == 0
    assert "5 records fit" in ended.stdout


@pytest.mark.parametrize("command", ["verify", "export"])
def test_a_journal_that_is_not_there(command):
    """A journal that does not exist is a failure, and is not made."""
    more = [] if command == "verify" else ["--events", "o.jsonl"]
    if more:
        more += ["--from", stamp(SIX), "--to", stamp(SIX + MINUTE)]

    (said,) = fails(command, "--journal", "none.sqlite", *more)

    assert said == "none.sqlite: there is no journal"


# play and run


def test_play_says_what_went_wrong_with_the_broker():
    """A broker that is not there is told in one line with its address."""
    (said,) = fails(
        *("play", "--line", "line.toml", "--events", "day.jsonl", "--speed", "20"),
        *("--broker", "mqtt://127.0.0.1:1"),
    )

    assert said.startswith("127.0.0.1:1: ")


@pytest.mark.parametrize("url", ["http://127.0.0.1", "127.0.0.1", "mqtt://"])
def test_play_refuses_what_is_no_broker(url):
    """An address that is none of a broker is wrong usage."""
    ended = call(
        *("play", "--line", "line.toml", "--events", "day.jsonl", "--speed", "20"),
        *("--broker", url),
    )

    assert ended.exit_code == 2
    assert "Traceback" not in ended.output


@pytest.mark.broker
@pytest.mark.slow
async def test_play_puts_the_recording_onto_a_broker(here):
    """What is played comes out of a real broker in order, under rehearsal/, marked with the recording's name."""
    with running(here / "broker") as broker:
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await client.subscribe("rehearsal/#", qos=1)
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "monitor", "play", "--line", "line.toml"),
                *("--events", "day.jsonl", "--speed", "6000", "--broker", broker.url),
                cwd=here,
                stderr=asyncio.subprocess.PIPE,
            )
            came = []
            async with asyncio.timeout(30):
                async for message in client.messages:
                    came.append((str(message.topic), json.loads(message.payload)))
                    if len(came) == len(DISTURBED):
                        break
                _, said = await process.communicate()

    assert [topic for topic, _ in came] == [
        f"rehearsal/thornmere/section/{one.subject}/state" for one in DISTURBED
    ]
    assert [one["id"] for _, one in came] == ["1", "2", "3", "4", "5"]
    assert {one["rehearsal"] for _, one in came} == {"day.jsonl"}
    assert said == b"5 events published; 0 left out, which only a monitor may write\n"
    assert process.returncode == 0


def test_run_names_the_faults_of_settings(here):
    """The daemon does not start on wrong settings; each fault is a line."""
    (here / "settings.toml").write_text("[words]\nskew_s = -2\n", encoding="utf-8")

    (said,) = fails("run", "--line", "line.toml", "--settings", "settings.toml")

    assert "skew_s" in said


def test_run_takes_one_of_two_arrivals():
    """Arrival is the monitor's or as recorded, nothing else."""
    ended = call("run", "--line", "line.toml", "--arrival", "guessed")

    assert ended.exit_code == 2
    assert "monitor" in ended.stderr
    assert "recorded" in ended.stderr


@pytest.fixture(name="rehearsed")
def _rehearsed(here):
    """An hour of fifty sections with trains and disturbances, a month old, heard 0.3 s later; its line, and settings of its own."""
    (here / "rows.toml").write_text(traffic.line_text(50), encoding="utf-8")
    events = [
        replace(event, arrival=event.time + 300_000)
        for raw in traffic.events(50, 1200)
        for event in wire.read(raw).events
    ]
    # One section fails again and again, so that there is something to find.
    again = [
        SectionState(
            id=f"again-{minute}-{shows}",
            source="gw/0",
            subject="R0_49",
            time=traffic.BEGIN + minute * MINUTE + after * SECOND,
            arrival=traffic.BEGIN + minute * MINUTE + (after + 1) * SECOND,
            state=State(shows),
        )
        for minute in (5, 13, 22)
        for after, shows in ((0, "disturbed"), (40, "clear"))
    ]
    record(here / "may.jsonl", sorted([*events, *again], key=heard))
    (here / "rows-settings.toml").write_text(ANY_PORT, encoding="utf-8")
    return len(events) + len(again)


async def first_status(url):
    """Wait until a monitor says on the broker that it listens."""
    address = read_url(url)
    async with (
        asyncio.timeout(30),
        aiomqtt.Client(address.host, address.port) as client,
    ):
        await client.subscribe("tallywatch/+/status", qos=1)
        await anext(client.messages)


async def rehearsal_of(here, line, events, expected):
    """What a rehearsing monitor says of the recording *events* played fast, and what replays of it and of the export say; the journal itself says what its export does, by what was in force."""
    monitor = (sys.executable, "-m", "monitor")
    with running(here / "broker") as broker:
        process = await asyncio.create_subprocess_exec(
            *(*monitor, "run", "--line", line, "--broker", broker.url),
            *("--settings", "rows-settings.toml", "--rehearsal"),
            cwd=here,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            await first_status(broker.url)
            player = await asyncio.create_subprocess_exec(
                *(*monitor, "play", "--line", line, "--events", events),
                *("--speed", "5000", "--broker", broker.url),
                cwd=here,
            )
            assert await player.wait() == 0
            path = read_settings(here / "rows-settings.toml").files.journal
            async with asyncio.timeout(60):
                while journaled(here / path) < expected:  # noqa: ASYNC110 (it is another process)
                    await asyncio.sleep(0.1)
        finally:
            process.terminate()
            assert await process.wait() == 0
    with Store.open(here / read_settings().files.alerts) as store:
        live = list(store.lines()), stored_faults(store), store.calls()
    ended = call(
        *("export", "--events", "out.jsonl", "--files-of", "rows-settings.toml"),
        *("--from", "2026-05-04T00:00:00Z", "--to", "2026-05-05T00:00:00Z"),
    )
    assert ended.exit_code == 0, ended.output
    of_journal = said_by(
        here,
        *("--files-of", "rows-settings.toml", "--from", "2026-05-04T00:00:00Z"),
        *("--to", "2026-05-05T00:00:00Z"),
    )
    exported = said_of(here, line, "out.jsonl")
    assert of_journal == exported
    return live, said_of(here, line, events), exported


def stored_faults(store):
    """Every fault line that was stored, in order."""
    rows = store._connection.execute(
        "SELECT body FROM item WHERE what = 'fault' ORDER BY number"
    )
    return [text for (text,) in rows]


def said_of(here, line, events):
    """Alert, fault and call lines of a replay of a recording."""
    return said_by(here, "--line", line, "--events", events)


def said_by(here, *source):
    """Alert, fault and call lines of a replay."""
    wanted = ("alerts", "faults", "calls")
    files = [word for one in wanted for word in (f"--{one}", f"{one}.out")]
    ended = call("replay", *source, *files)
    assert ended.exit_code == 0, ended.output
    return tuple((here / f"{one}.out").read_text().splitlines() for one in wanted)


@pytest.mark.broker
@pytest.mark.slow
async def test_live_played_and_replayed_are_one(here, rehearsed):
    """A month-old recording played fast to a rehearsing monitor gives the alerts, faults and calls of its replay, byte for byte; so does the replay of what that monitor journaled."""
    live, played, exported = await rehearsal_of(
        here, "rows.toml", "may.jsonl", rehearsed
    )

    kinds = {json.loads(one)["kind"] for one in live[0]}
    assert all(live)
    assert {"section-disturbed", "repeat-disturbance"} <= kinds
    assert played == live
    assert exported == live


def test_simulate_gives_the_same_day_again(here):
    """The same line, hours and seed give the same recording and the same truth; another seed does not."""
    (here / "example.toml").write_text(example_line(), encoding="utf-8")
    days = []
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        ended = call(
            *("simulate", "--line", "example.toml", "--hours", "20"),
            *("--seed", str(seed), "--richness", "basic"),
            *("--events", f"{name}.jsonl.gz", "--truth", f"{name}-truth.jsonl"),
        )
        assert ended.exit_code == 0, ended.output
        events = [
            replace(one, rehearsal=None)
            for one in read_recording(here / f"{name}.jsonl.gz")
        ]
        days.append((events, (here / f"{name}-truth.jsonl").read_text()))

    assert days[0] == days[1]
    assert days[0] != days[2]
    truth = [json.loads(one) for one in days[0][1].splitlines()]
    assert truth
    assert {"kind", "subject", "began", "ended", "known", "needs"} == set(truth[0])


@pytest.mark.broker
@pytest.mark.slow
async def test_a_simulated_hour_live_exported_and_replayed_is_one(here):
    """An hour of the simulator in which much goes wrong, out of order, with repeats and clocks apart, gives the same alerts live, out of the journal, and from the simulator's own file."""
    (here / "example.toml").write_text(example_line(), encoding="utf-8")
    (here / "rows-settings.toml").write_text(ANY_PORT, encoding="utf-8")
    line = read_line(example_line())
    write_recording(here / "hour.jsonl", tour(line, hours=1).simulate(line).events)
    events = list(read_recording(here / "hour.jsonl"))
    expected = len({(one.source, one.id) for one in events})
    live, played, exported = await rehearsal_of(
        here, "example.toml", "hour.jsonl", expected
    )

    # The tail that only a later event would settle holds nothing, so all is compared.
    last = max(heard(one) for one in events) - 4 * SECOND
    assert all(parse(json.loads(one)["raised"]) < last for one in played[0])
    assert len(played[0]) > 4
    assert played == live
    assert exported == live


def journaled(path):
    """How many events of the feed are in the journal."""
    with Journal.read(path) as journal:
        told = [one for one in journal.events() if not isinstance(one, MonitorRecord)]
        return len({(one.source, one.id) for one in told})
