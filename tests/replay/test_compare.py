from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from html import unescape
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st
from typer.testing import CliRunner

from monitor import beside, cli, compare_cli
from monitor.core.alerts import identify
from monitor.core.layout import LineFault
from monitor.core.moments import DAY, HOUR, MINUTE, parse, stamp
from monitor.core.words import CAUTION
from monitor.journal import Journal
from monitor.past import Past
from monitor.store import Store
from replay.compare import Side, compare
from replay.compared import as_csv, as_json, sentences, summary, tables
from replay.compared_html import as_html
from replay.concluded import ConcludedFault, read_lines, read_store, window_of
from replay.recording import write_recording
from tests.journals import come, connect, start
from tests.live import LINE
from tests.test_past import disturbed

SIX = parse("2026-05-04T06:00:00Z")  # a Monday
BERLIN = ZoneInfo("Europe/Berlin")
WEEK = (SIX, SIX + 7 * DAY)


def alert(minute=0, raised=1, ended=5, kind="section-disturbed", section="T2", **more):
    """An alert's record: when it began, and minutes from then when it was raised and over."""
    began = SIX + minute * MINUTE
    subject = f"section/{section}"
    return {
        "id": identify(kind, subject, began),
        "kind": kind,
        "subject": subject,
        "priority": "prompt",
        "began": stamp(began),
        "raised": stamp(began + raised * MINUTE),
        "ended": None if ended is None else stamp(began + ended * MINUTE),
        "summary": f"{section} disturbed",
        "parameters": {},
    } | more


def call(of, minute):
    """Somebody is called for an alert."""
    at = stamp(SIX + minute * MINUTE)
    return {"alert": of["id"], "at": at, "priority": "prompt", "text": "T2 disturbed"}


def fault(of, **more):
    """A fault of one alert."""
    keys = ("id", "subject", "began", "raised", "ended", "priority")
    told = {key: of[key] for key in keys}
    return told | {"headline": "T2 disturbed", "into": None} | more


def side(*alerts, faults=(), calls=(), name="side"):
    """What one side concluded."""
    made = Side(name, *WEEK)
    for one in alerts:
        made.alert(one)
    for one in faults:
        made.fault(one)
    for one in calls:
        made.call(one)
    return made


def differences(a, b):
    """Way, what, and how, of all that differs."""
    found = compare(a, b, BERLIN, WEEK)
    return [(one.way, one.one.what, one.how) for one in found.differences]


def test_the_same_is_no_difference():
    """Under whatever names; and it is counted."""
    one = alert()
    mine = side(one, faults=[fault(one)], calls=[call(one, 2)])
    found = compare(mine, replace(mine, name="other"), BERLIN, WEEK)

    assert found.differences == ()
    assert found.same == {"alert": 1, "fault": 1, "call": 1}
    assert summary(found) == (
        "Nothing would be concluded otherwise; 3 alerts, faults and calls are the same"
    )


@pytest.mark.parametrize(
    ("b", "found"),
    [
        ([], [("lost", "alert", "")]),
        ([alert(), alert(60, section="T3")], [("gained", "alert", "")]),
        ([alert(raised=4)], [("moved", "alert", "raised 3 min later")]),
        ([alert(raised=0)], [("moved", "alert", "raised 1 min earlier")]),
        ([alert(ended=None)], [("moved", "alert", "not over")]),
        ([alert(ended=7)], [("moved", "alert", "over 2 min later")]),
        (
            [alert(priority="planned", ended=4)],
            [("moved", "alert", "over 1 min earlier; planned rather than prompt")],
        ),
        (
            [alert(parameters={"quiet": "under work W7"})],
            [("moved", "alert", "quiet: under work W7")],
        ),
        # Began 9 minutes later: the same; 11 minutes later, when it was over: another.
        ([alert(9, raised=1, ended=-4)], [("moved", "alert", "raised 9 min later")]),
        ([alert(11)], [("lost", "alert", ""), ("gained", "alert", "")]),
        (
            [alert(kind="worsening")],
            [("lost", "alert", ""), ("gained", "alert", "")],
        ),
    ],
    ids=[
        "lost",
        "gained",
        "later",
        "earlier",
        "stays",
        "lasts",
        "graver",
        "quiet",
        "near",
        "far",
        "kind",
    ],
)
def test_what_is_gained_lost_and_moved(b, found):
    """Of one alert about T2, raised after a minute and over after five."""
    assert differences(side(alert()), side(*b)) == found


def test_what_lasts_meets_what_begins_in_it():
    """A disturbance of two hours on one side is the one that begins after an hour on the other."""
    found = differences(side(alert(ended=120)), side(alert(60, ended=60)))

    assert found == [("moved", "alert", "raised 1 h later")]


def test_of_several_the_nearest_is_the_same():
    """And none is taken twice."""
    mine = side(alert(0), alert(8))
    other = side(alert(7, ended=3), alert(16, ended=9))
    found = compare(mine, other, BERLIN, WEEK)

    assert [
        (x.way, x.a and x.a.began, x.b and x.b.began) for x in found.differences
    ] == [
        ("lost", SIX, None),
        ("moved", SIX + 8 * MINUTE, SIX + 7 * MINUTE),
        ("gained", None, SIX + 16 * MINUTE),
    ]


def test_the_gravest_that_it_was_counts():
    """An alert that was prompt for a while is prompt; what was said first stands."""
    mine = side(alert(priority="planned"), alert(), alert(summary="Over"))
    [told] = mine.told

    assert (told.priority, told.text) == ("prompt", "T2 disturbed")


def test_a_fault_that_another_took_in_is_none():
    """Who is called for one is not called for two."""
    one = alert()
    mine = side(one, faults=[fault(one), fault(one, into="0" * 16)])

    assert [told.what for told in mine.told] == ["alert"]


def test_a_fault_that_was_renamed_is_the_same():
    """Raised a minute later as another's first alert, and named for T3 in the end on one side alone: it has moved, and is not lost and gained."""
    one, other = alert(), alert(1)
    mine = side(faults=[fault(one)])
    theirs = side(
        faults=[
            fault(other),
            fault(other, subject="section/T3", headline="T3 disturbed"),
        ]
    )

    assert [(way, what) for way, what, _ in differences(mine, theirs)] == [
        ("moved", "fault")
    ]
    assert [told.text for told in theirs.told] == ["T2 disturbed"]


def test_what_is_outside_the_window_does_not_count():
    """Neither before it nor after."""
    assert side(alert(-60), alert(8 * 24 * 60)).told == ()


def test_a_call_that_comes_later_has_moved():
    """It is the same call while it is within ten minutes for one of the same kind and place."""
    one = alert()
    mine = side(one, calls=[call(one, 2)])

    assert differences(mine, side(one, calls=[call(one, 12)])) == [
        ("moved", "call", "due 10 min later")
    ]
    assert differences(mine, side(one, calls=[call(one, 13)])) == [
        ("lost", "call", ""),
        ("gained", "call", ""),
    ]


def test_a_week_begins_on_monday_at_midnight_local_time():
    """Half past eleven on Sunday in UTC is Monday in Berlin."""
    sunday = 6 * 24 * 60 - 6 * 60 + 23 * 60 + 30
    mine, other = side(alert(0)), side(alert(0), alert(sunday, raised=0))
    first, second = compare(mine, other, BERLIN, WEEK).weeks

    assert (stamp(first.week), first.a, first.b, first.gained) == (
        "2026-05-03T22:00:00.000Z", 1, 1, 0,
    )  # fmt: skip
    assert (stamp(second.week), second.a, second.b, second.gained) == (
        "2026-05-10T22:00:00.000Z", 0, 1, 1,
    )  # fmt: skip


def test_a_week_that_was_not_compared_whole_says_so():
    """From Thursday noon to the Tuesday after: three days and a half of the first week, and one and a half of the second, which are no quiet weeks; the week of which all was compared says nothing."""
    begin = WEEK[0] - WEEK[0] % DAY + 3 * DAY + 12 * HOUR - 2 * HOUR
    sunday = 6 * 24 * 60 - 6 * 60 + 23 * 60 + 30
    mine = side(alert(4 * 24 * 60), alert(sunday, raised=0))
    cut = compare(mine, side(), BERLIN, (begin, begin + 5 * DAY))
    whole = compare(mine, side(), BERLIN, (WEEK[0] - 30 * DAY, WEEK[0] + 30 * DAY))

    def weeks(found):
        return [row[0] for row in tables(found, BERLIN)[1].rows[1:]]

    assert weeks(cut) == ["2026-05-04 (3.5 of 7 days)", "2026-05-11 (1.5 of 7 days)"]
    assert weeks(whole) == ["2026-05-04", "2026-05-11"]
    told = json.loads(as_json(cut, lambda _: "", BERLIN))["weeks"]
    assert [one["days"] for one in told] == [3.5, 1.5]
    page = as_html(cut, BERLIN, lambda _: "", lambda _: "")
    assert page.count("url(#alerts-hatch)") == 2


def test_load_is_held_against_the_published_limits():
    """Twelve calls in eleven minutes: eleven in ten minutes are a flood, by the summaries that `monitor.load` names."""
    one = alert()
    mine = side(one, calls=[call(one, minute) for minute in range(12)])
    load = compare(mine, side(), BERLIN, WEEK).load_a

    assert (load.calls, load.days) == (12, 7)
    assert [(x.within, x.calls, x.limit.target, x.limit.limit) for x in load.most] == [
        ("10 min", 10, 1, 2),
        ("hour", 12, 6, 12),
        ("day", 12, 150, 300),
    ]
    assert load.floods == ()
    nothing = compare(side(), side(), BERLIN, WEEK).load_b
    assert [one.calls for one in nothing.most] == [0, 0, 0]


ALERTS = st.lists(
    st.builds(
        alert,
        st.integers(0, 90),
        st.integers(0, 3),
        st.none() | st.integers(3, 40),
        section=st.sampled_from(["T1", "T2"]),
    ),
    max_size=8,
)


@given(ALERTS, ALERTS)
def test_everything_is_somewhere_once(a, b):
    """What is on a side is the same, moved, or gained or lost; the other way round what was gained is lost."""
    mine, other = side(*a), side(*b)
    found = compare(mine, other, BERLIN, WEEK)
    back = compare(other, mine, BERLIN, WEEK)
    moved, lost = found.count("alert", "moved"), found.count("alert", "lost")
    both = found.same.get("alert", 0) + moved

    assert len(mine.told) == both + lost
    assert len(other.told) == both + found.count("alert", "gained")
    assert found.same == back.same
    assert sum(one.a for one in found.weeks) == len(mine.told)


def shows(one):
    """A command that a spreadsheet would take for a formula."""
    return f"=show {one.one.subject}"


def test_it_is_written_for_people_and_machines():
    """What is gained and lost before what has moved; in CSV no cell is a formula; JSON has the caution."""
    one, two = alert(), alert(60, section="T3")
    mine = side(one, two, calls=[call(one, 2)], name="A: now")
    other = side(alert(raised=2), alert(90, section="T1"), name="B: tried")
    found = compare(mine, other, BERLIN, WEEK)

    told = list(sentences(found, BERLIN, shows))
    assert told[::2] == [
        "gained 2026-05-04 09:31:00  alert section-disturbed: T1 disturbed",
        "lost   2026-05-04 08:02:00  call section-disturbed: T2 disturbed",
        "lost   2026-05-04 09:01:00  alert section-disturbed: T3 disturbed",
        "moved  2026-05-04 08:02:00  alert section-disturbed (raised 1 min later): T2 disturbed",
    ]
    assert told[1] == "         =show section/T1"
    rows = list(csv.DictReader(io.StringIO(as_csv(found, shows))))
    assert [row["way"] for row in rows] == [x.way for x in found.differences]
    assert all(not row["shown_by"].startswith("=") for row in rows)
    plain = json.loads(as_json(found, shows, BERLIN))
    assert (plain["a"], plain["b"], plain["caution"]) == ("A: now", "B: tried", CAUTION)
    assert plain["load"]["a"]["calls"] == 1
    assert [row for row in tables(found, BERLIN)[0].rows if row[0] == "alerts"] == [
        ("alerts", "2", "2", "1", "1", "1")
    ]


# What was concluded live.


def test_what_is_no_record_of_alerts_is_told(tmp_path):
    """A file that is not there, one that is something else, a line that is none."""
    lines = tmp_path / "alerts.jsonl"
    lines.write_text(json.dumps(alert()) + "\n\n{}\n", encoding="utf-8")
    other = tmp_path / "other.sqlite"
    other.write_text("no database at all, " * 100, encoding="utf-8")

    with pytest.raises(ConcludedFault, match="line 3: is no alert"):
        read_lines(lines, Side("A"))
    with pytest.raises(ConcludedFault, match="is no file of alerts"):
        read_store(other, Side("A"))
    with pytest.raises(ConcludedFault, match="there is no file"):
        read_store(tmp_path / "none.sqlite", Side("A"))
    assert window_of(Side("A")) is None
    assert window_of(side(alert())) == (SIX + MINUTE, SIX + MINUTE)


# The command.


@pytest.fixture(name="here")
def _here(tmp_path, monkeypatch):
    """Where a monitor ran, in which T2 was disturbed for 12 minutes and T3 for 4; settings under which only the first is told, and the day as a recording."""
    monkeypatch.chdir(tmp_path)
    data = tmp_path / "var"
    data.mkdir()
    events = [
        *disturbed(1, SIX + MINUTE, minutes=12),
        *disturbed(10, SIX + HOUR, section="T3", minutes=4),
    ]
    with Journal.open(data / "journal.sqlite") as journal:
        start(journal, SIX, LINE)
        connect(journal, SIX)
        come(journal, events)
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    (tmp_path / "now.toml").write_text("", encoding="utf-8")
    slow = "[detect.section-disturbed]\nsettle_s = 600\n"
    (tmp_path / "slow.toml").write_text(slow, encoding="utf-8")
    write_recording(tmp_path / "day.jsonl", events)
    return tmp_path


WINDOW = ("--from", stamp(SIX), "--to", stamp(SIX + 2 * HOUR), "--data", "var")


def run(*arguments):
    """The command line with *arguments*, as it ended."""
    return CliRunner().invoke(cli.app, ["compare", *map(str, arguments)])


def counted(ended):
    """The alerts of the summary."""
    assert ended.exit_code == 0, ended.output
    return ended.stderr.splitlines()[-1].partition(";")[0]


@pytest.mark.usefixtures("here")
def test_two_settings_over_a_recording():
    """What would no longer be told, and the command that shows it says so."""
    ended = run(
        *("--line", "line.toml", "--events", "day.jsonl"),
        *("--settings", "now.toml", "--settings", "slow.toml"),
    )

    assert counted(ended) == "alerts: 0 gained, 1 lost, 1 moved, 0 the same"
    assert CAUTION in ended.stdout
    [shown] = [x for x in ended.stdout.splitlines() if "explain --section T3" in x]
    again = CliRunner().invoke(cli.app, shown.split()[1:])
    assert "section-disturbed (section/T3): T3 disturbed" in again.stdout


def test_what_was_in_force_against_what_is_tried(here):
    """Out of the journal one settings file is enough; as JSON into a file."""
    ended = run(*WINDOW, "--settings", "slow.toml", "--format", "json", "--out", "x")

    assert counted(ended) == "alerts: 0 gained, 1 lost, 1 moved, 0 the same"
    told = json.loads((here / "x").read_text(encoding="utf-8"))
    assert told["a"] == "A: what was in force then"
    [lost] = [
        one
        for one in told["differences"]
        if one["way"] == "lost" and one["a"]["what"] == "alert"
    ]
    assert "--data var" in lost["shown_by"]
    assert "slow.toml" not in lost["shown_by"]


def test_what_was_concluded_live_against_what_would_be(here):
    """Out of the monitor's own file of alerts, or out of alert lines; the same again differs in nothing."""
    lines = CliRunner().invoke(cli.app, ["replay", *WINDOW]).stdout
    (here / "told.jsonl").write_text(lines, encoding="utf-8")
    with (
        Store.open(here / "var/alerts.sqlite") as store,
        Journal.read(here / "var/journal.sqlite") as journal,
    ):
        for output in Past(journal, SIX, SIX + 2 * HOUR).outputs():
            store.keep(output.alerts, output.faults, output.calls)

    assert "Nothing would be concluded otherwise" in counted(run(*WINDOW, "--live"))
    ended = run(*WINDOW, "--live", "--settings", "slow.toml")
    assert counted(ended) == "alerts: 0 gained, 1 lost, 1 moved, 0 the same"
    ended = run(*WINDOW, "--concluded", "told.jsonl", "--settings", "slow.toml")
    assert counted(ended) == "alerts: 0 gained, 1 lost, 1 moved, 0 the same"


def test_the_settings_of_a_monitor_say_where_its_journal_is(here):
    """Those that are tried do not; the command that shows a difference names the journal."""
    files = '[files]\njournal = "var/journal.sqlite"\nalerts = "var/alerts.sqlite"\n'
    (here / "own.toml").write_text(files, encoding="utf-8")
    ended = run(*WINDOW[:4], "--files-of", "own.toml", "--settings", "slow.toml")

    assert counted(ended) == "alerts: 0 gained, 1 lost, 1 moved, 0 the same"
    assert "--journal var/journal.sqlite" in ended.stdout


def test_two_line_files(here):
    """A corrected line file under the same settings."""
    (here / "other.toml").write_text(LINE.replace('"T3"', '"T9"'), encoding="utf-8")
    ended = run(
        "--line",
        "line.toml",
        "--line",
        "other.toml",
        "--events",
        "day.jsonl",
        "--format",
        "csv",
    )

    assert counted(ended) == "alerts: 0 gained, 1 lost, 0 moved, 1 the same"
    assert next(csv.DictReader(io.StringIO(ended.stdout)))["subject"] == "section/T3"


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("--events", "day.jsonl"),
        ("--events", "day.jsonl", "--line", "line.toml"),
        (
            "--events",
            "day.jsonl",
            "--line",
            "line.toml",
            "--line",
            "line.toml",
            "--data",
            "var",
        ),
        ("--settings", "now.toml", "--from", "2026-05-04T06:00:00Z"),
        WINDOW,
        (*WINDOW, "--settings", "a", "--settings", "b", "--settings", "c"),
        (*WINDOW, "--live", "--settings", "a", "--settings", "b"),
    ],
    ids=[
        "nothing",
        "no line",
        "one side",
        "both",
        "half",
        "no change",
        "three",
        "live",
    ],
)
@pytest.mark.usefixtures("here")
def test_wrong_usage_is_told(arguments):
    """With 2, before anything is read."""
    assert run(*arguments).exit_code == 2


def test_settings_that_do_not_fit_the_line_are_told(here):
    """In one line, with 1."""
    (here / "odd.toml").write_text(
        "[section.T77.detect.section-disturbed]\nsettle_s = 1\n", encoding="utf-8"
    )
    ended = run(
        "--line",
        "line.toml",
        "--events",
        "day.jsonl",
        "--settings",
        "now.toml",
        "--settings",
        "odd.toml",
    )

    assert ended.exit_code == 1
    assert "T77" in ended.stderr


def test_side_by_side_it_is_the_same(here, monkeypatch):
    """Where there is much to go through each side has a process of its own; that changes nothing of what is said."""
    asked = (*WINDOW, "--settings", "slow.toml", "--format", "json", "--out")
    run(*asked, "one")
    monkeypatch.setattr(compare_cli, "MUCH", 0)
    monkeypatch.setattr(beside, "cores", lambda: 2)
    ended = run(*asked, "two")

    assert counted(ended) == "alerts: 0 gained, 1 lost, 1 moved, 0 the same"
    assert (here / "one").read_bytes() == (here / "two").read_bytes()
    assert [one.partition(":")[0] for one in ended.stderr.splitlines()[:2]] == [
        "A",
        "B",
    ]


def test_what_fails_in_a_process_is_told_in_full():
    """Each fault on a line of its own, as a command tells it; what the others gave is not told as if it were all."""
    calls = [(_doubled, (4,)), (_doubled, ("four",))]

    assert beside.together(calls[:1], ["a"]) == [8]
    with pytest.raises(beside.BesideFault) as caught:
        beside.together(calls, ["a", "b"])
    assert caught.value.faults == ("four", "is no number")


def _doubled(told, number):
    """Twice a number; of what is none, what is wrong with it."""
    told(0.5, "half")
    if not isinstance(number, int):
        raise LineFault((number, "is no number"))
    return 2 * number


def test_as_a_page_it_leads_to_the_replay_of_each_difference(here):
    """Out of the journal what was concluded with what was in force has its replay on the desk, and each row its command; the page loads nothing, and the caution stands there."""
    asked = (*WINDOW, "--settings", "slow.toml", "--format", "html", "--out", "x.html")
    ended = run(*asked, "--desk", "http://desk.example/")
    page = (here / "x.html").read_text(encoding="utf-8")

    assert counted(ended) == "alerts: 0 gained, 1 lost, 1 moved, 0 the same"
    links = [unescape(one) for one in re.findall(r'href="([^"]*)"', page)]
    assert links
    assert all(
        one.startswith("http://desk.example/replay?from=2026-05-04") for one in links
    )
    assert "section=T3" in links[0]
    assert "lost" in page
    assert "<code>tallywatch explain --section T3" in page
    assert "150" in page  # calls a day, target: references (ISA-18.2)
    assert "default-src &#x27;none&#x27;" in page
    assert not re.search(r"<script|<img|<link|src=", page)
    assert CAUTION in unescape(page)


def test_no_replay_is_led_to_where_a_difference_is_not(here):
    """The desk replays with what was in force: what other settings alone conclude is not there, whether they are A's or B's; the command that shows it has them."""
    asked = (*WINDOW, "--settings", "slow.toml", "--settings", "now.toml")
    ended = run(*asked, "--format", "html", "--out", "x.html")
    page = (here / "x.html").read_text(encoding="utf-8")

    assert counted(ended) == "alerts: 1 gained, 0 lost, 1 moved, 0 the same"
    assert "href=" not in page
    assert re.search(r"with B: <code>tallywatch explain [^<]*--settings now.toml", page)

    window = compare_cli.Asked(events=None, begin=SIX, end=SIX, data=None, journal=None)
    in_force = compare_cli.Under(None, None)
    leads = compare_cli._leads(window, "http://desk.example", in_force, against=False)
    gained, lost = compare(side(alert(1)), side(alert(900)), BERLIN, WEEK).differences
    if gained.way != "gained":
        gained, lost = lost, gained
    assert leads(gained) == ""
    assert leads(lost).startswith("http://desk.example/replay?")


@pytest.mark.usefixtures("here")
def test_the_page_of_a_recording_has_its_commands():
    """A recording is on no desk."""
    ended = run(
        "--events", "day.jsonl", "--line", "line.toml",
        "--settings", "now.toml", "--settings", "slow.toml", "--format", "html",
    )  # fmt: skip

    assert ended.exit_code == 0, ended.output
    assert "href=" not in ended.stdout
    assert "<code>tallywatch explain" in ended.stdout


def test_a_page_of_hostile_names_runs_nothing():
    """Whatever a section is called, and whatever was said of it."""
    named = alert(section="<script>alert(1)<", summary="<b onload='x'>\u202e")
    found = compare(side(named), side(), BERLIN, WEEK)
    page = as_html(found, BERLIN, shows, lambda _: "")

    assert "<script" not in page
    assert "<b onload" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;alert(1)&lt;" in page
