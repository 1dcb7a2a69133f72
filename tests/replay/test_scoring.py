from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor import cli
from monitor.core.moments import HOUR, SECOND, parse
from replay.scoring import (
    AlertLine,
    TruthLine,
    as_json,
    halves,
    left_out,
    matches,
    read_alerts,
    read_truth,
    rows,
    score,
)

ROOT = Path(__file__).parents[2]


def at(text):
    """`12:00` or `12:00:05` of 2026-05-04; `2d 12:00` two days later; `-` is None."""
    if text == "-":
        return None
    days, _, clock = text.rpartition("d ")
    clock = f"{clock}:00" if clock.count(":") == 1 else clock
    return parse(f"2026-05-04T{clock}Z") + int(days or 0) * 24 * HOUR


def truth(kind, subject, began, ended="-", *, known=None, needs="basic"):
    """A truth line; it could be known when it began, where nothing else is said."""
    return TruthLine(
        kind=kind,
        subject=f"section/{subject}",
        began=at(began),
        ended=at(ended),
        known=at(began if known is None else known),
        needs=needs,
    )


def alert(kind, subject, began, ended="-", raised=None, *, beside=(), named=(), **more):
    """An alert; it was raised when it began, where nothing else is said."""
    return AlertLine(
        id=f"{kind} {subject} {began}",
        kind=kind,
        subject=f"section/{subject}",
        priority=more.get("priority", "prompt"),
        began=at(began),
        raised=at(began if raised is None else raised),
        ended=at(ended),
        beside=frozenset(f"section/{one}" for one in beside),
        named=frozenset(named),
    )


def table(scores):
    """Kind, how many there were, were found, were raised, were false."""
    return [(s.kind, s.truths, s.found, s.alerts, s.false) for s in scores.kinds]


def test_an_alert_of_the_kind_and_subject_at_the_time_is_a_find():
    """A truth is found by an alert of its kind about its subject whose time overlaps its own."""
    scores = score(
        [alert("section-disturbed", "T1", "10:00:01", "10:29", raised="10:00:06")],
        [truth("section-disturbed", "T1", "10:00", "10:30", known="10:00:05")],
    )

    assert table(scores) == [("section-disturbed", 1, 1, 1, 0)]
    assert scores.total.recall == 1.0
    assert scores.total.delays == (SECOND,)
    assert (scores.missed, scores.false) == ((), ())


@pytest.mark.parametrize(
    "other",
    [
        alert("reset-not-held", "T1", "10:00", "10:30"),
        alert("section-disturbed", "T2", "10:00", "10:30"),
        alert("section-disturbed", "T1", "10:30:06", "10:40"),
        alert("section-disturbed", "T1", "09:50", "09:59:54"),
        alert("section-disturbed", "T2", "10:00", "10:30", beside=["T1"]),
    ],
    ids=["kind", "subject", "after", "before", "only affected"],
)
def test_what_says_something_else_is_false_and_the_truth_is_missed(other):
    """Another kind, another subject, another time: one missed and one false."""
    so = truth("section-disturbed", "T1", "10:00", "10:30")

    scores = score([other], [so])

    assert scores.missed == (so,)
    assert scores.false == (other,)
    assert (scores.total.recall, scores.total.false) == (0.0, 1)


@pytest.mark.parametrize("began", ["10:30:05", "10:30:04.999"])
def test_times_may_lie_apart_by_the_tolerance(began):
    """Five seconds between the end of the truth and the beginning of the alert are clocks, not error."""
    so = truth("section-disturbed", "T1", "10:00", "10:30")

    assert matches(alert("section-disturbed", "T1", began, "10:40"), so)
    assert not matches(alert("section-disturbed", "T1", began, "10:40"), so, SECOND)


@pytest.mark.parametrize(
    "kind", ["unseen-train", "vanished-train", "count-mismatch", "common-cause"]
)
def test_some_kinds_may_name_the_place_beside_their_subject(kind):
    """Where several assets could be it, the true one among those named is a find."""
    so = truth(kind, "T1", "10:00")

    assert matches(alert(kind, "T2", "10:00", beside=["T1", "T3"]), so)
    assert not matches(alert(kind, "T2", "10:00", beside=["T3"]), so)


def test_what_only_a_person_ends_does_not_find_what_comes_later():
    """A train that vanished on Monday is no find of one that vanishes in the same section on Wednesday."""
    scores = score(
        [alert("vanished-train", "T1", "10:00", priority="urgent")],
        [truth("vanished-train", "T1", "2d 10:00")],
    )

    assert table(scores) == [("vanished-train", 1, 0, 1, 1)]
    assert scores.urgent_false == 1


def test_an_alert_still_open_finds_what_began_meanwhile():
    """A condition without an end lasts: the alert of it may begin late."""
    so = truth("feed-silent", "T1", "10:00")

    assert matches(alert("feed-silent", "T1", "2d 10:00"), so)


def test_a_truth_told_twice_is_found_once_and_nothing_is_false():
    """Two alerts in the time of one truth: one find, the first in time, and the other no error."""
    scores = score(
        [
            alert("section-disturbed", "T1", "10:10", "10:30", raised="10:10:05"),
            alert("section-disturbed", "T1", "10:00", "10:09", raised="10:00:07"),
        ],
        [truth("section-disturbed", "T1", "10:00", "10:30", known="10:00:05")],
    )

    assert table(scores) == [("section-disturbed", 1, 1, 2, 0)]
    assert scores.total.delays == (2 * SECOND,)


def test_an_alert_may_end_a_little_before_its_truth_began():
    """The tolerance holds on the other side too: four seconds before the truth is no error, six are."""
    so = truth("section-disturbed", "T1", "10:00", "10:30")

    assert matches(alert("section-disturbed", "T1", "09:50", "09:59:56"), so)
    assert not matches(alert("section-disturbed", "T1", "09:50", "09:59:54"), so)


def test_an_alert_finds_the_truth_that_began_nearest_to_it():
    """Between one that has just ended and one that has just begun, the alert is of the second."""
    first = truth("reset-not-held", "T1", "10:00", "11:00")
    second = truth("reset-not-held", "T1", "11:00:03", "11:30")

    scores = score(
        [alert("reset-not-held", "T1", "11:00:04", "11:30")], [first, second]
    )

    assert scores.missed == (first,)


def test_one_alert_finds_one_truth():
    """An alert that runs on over two truths found the nearer one: the other was missed."""
    first = truth("reset-not-held", "T1", "10:00", "10:30")
    second = truth("reset-not-held", "T1", "11:00", "11:30")

    scores = score(
        [alert("reset-not-held", "T1", "10:00:01", "12:00")], [first, second]
    )

    assert scores.missed == (second,)
    assert table(scores) == [("reset-not-held", 2, 1, 1, 0)]


# The two halves of one find.

# The train goes out of T1 into T2, where nobody sees it, and comes out into T3.
LET_GO = {"kind": "vanished-train", "subject": "T1", "began": "10:00"}
CAME_OUT = {"kind": "unseen-train", "subject": "T2", "began": "10:03"}
BESIDE = {"T1": ("T2",), "T2": ("T1", "T3"), "T3": ("T2",)}


@pytest.mark.parametrize("kind", ["unseen-train", "vanished-train"])
def test_a_vanished_train_that_comes_out_is_one_find(kind):
    """A vanished-train beside the section that a later unseen-train names, each naming the other, is no false alert where either is true."""
    so = truth(kind, "T2", "10:03") if kind[0] == "u" else truth(kind, "T1", "10:00")
    both = [alert(**LET_GO, beside=["T2"]), alert(**CAME_OUT, beside=["T1"])]

    scores = score(both, [so], beside=BESIDE)

    assert scores.false == ()
    assert (scores.total.found, scores.total.alerts) == (1, 2)


def test_they_may_name_each_other_by_id():
    """An alert names another by its id in a parameter as well as by its subject."""
    first = alert(**LET_GO, named=["unseen-train T2 10:03"])
    second = alert(**CAME_OUT, named=["vanished-train T1 10:00"])

    assert halves([first, second], BESIDE) == [(first, second)]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (alert(**LET_GO), alert(**CAME_OUT, beside=["T1"])),
        (alert(**LET_GO, beside=["T2"]), alert(**CAME_OUT)),
        (
            alert(**LET_GO, beside=["T2"]),
            alert("unseen-train", "T2", "09:50", beside=["T1"]),
        ),
        (
            alert(**LET_GO, beside=["T3"]),
            alert("unseen-train", "T3", "10:03", beside=["T1"]),
        ),
    ],
    ids=["first silent", "second silent", "earlier", "not beside"],
)
def test_they_are_two_alerts_where_the_rule_is_not_kept(first, second):
    """Naming on one side alone, an unseen train that came before, or a section further off make no pair."""
    assert halves([first, second], BESIDE) == []
    scores = score(
        [first, second], [truth("unseen-train", "T9", "10:03")], beside=BESIDE
    )
    assert scores.false == (first, second)


def test_two_halves_of_nothing_are_false_both():
    """Where no truth bears out either, naming each other makes them no better."""
    both = [alert(**LET_GO, beside=["T2"]), alert(**CAME_OUT, beside=["T1"])]

    assert score(both, [], beside=BESIDE).false == tuple(both)


# How much a feed carries.


def test_what_the_feed_cannot_show_need_not_be_found():
    """With states alone a truth that needs tallies is not missed; with tallies it is, and one that needs everything is not."""
    truths = [
        truth("section-disturbed", "T1", "10:00"),
        truth("contact-disagreement", "T1", "10:00", needs="tallies"),
        truth("evaluator-locked-out", "T1", "10:00", needs="full"),
    ]

    missed = {
        richness: [one.kind for one in score([], truths, richness=richness).missed]
        for richness in ("basic", "tallies", "full")
    }

    assert missed == {
        "basic": ["section-disturbed"],
        "tallies": ["section-disturbed", "contact-disagreement"],
        "full": [
            "section-disturbed",
            "contact-disagreement",
            "evaluator-locked-out",
        ],
    }


def test_what_need_not_be_found_is_not_false_where_it_is():
    """An alert that a truth bears out is right, though the feed was thought too poor for it, or nobody could know."""
    scores = score(
        [
            alert("contact-disagreement", "T1", "10:00"),
            alert("feed-gap", "T1", "10:00"),
        ],
        [
            truth("contact-disagreement", "T1", "10:00", needs="tallies"),
            truth("feed-gap", "T1", "10:00", known="-"),
        ],
        richness="basic",
    )

    assert (scores.total.truths, scores.total.found, scores.false) == (0, 0, ())
    assert scores.total.recall is None


def test_what_was_not_looked_for_is_counted():
    """Of four truths one is looked for: one could never be known, two need more than states; a truth that is both is the former."""
    scores = score(
        [],
        [
            truth("section-disturbed", "T1", "10:00"),
            truth("feed-gap", "T1", "10:00", known="-", needs="full"),
            truth("contact-disagreement", "T1", "10:00", needs="tallies"),
            truth("evaluator-locked-out", "T1", "10:00", needs="full"),
        ],
        richness="basic",
    )

    told = as_json(scores, None, 0)
    assert scores.total.truths == 1
    assert (told["unknowable"], told["need_a_richer_feed"]) == (1, 2)
    assert left_out(scores) == (
        "not looked for: 1 that could never be known, 2 that need a richer feed"
    )
    assert left_out(score([], [truth("feed-gap", "T1", "10:00")])) == ""


def test_there_are_three_richnesses():
    """Another word for how much the feed carries is refused, in a truth line too."""
    with pytest.raises(ValueError, match="richness 'rich'"):
        score([], [], richness="rich")
    line = '{"kind": "k", "subject": "s", "began": "x", "needs": "rich"}'
    with pytest.raises(ValueError, match="line 1: needs 'rich'"):
        read_truth([line])


# Numbers.

# Four truths, three of them found after 2, 10 and -1 s; one alert is false, in seven hours.
TRUTHS = [
    truth("section-disturbed", "T1", "10:00", "10:30", known="10:00:05"),
    truth("section-disturbed", "T2", "11:00", "11:30", known="11:00:05"),
    truth("section-disturbed", "T3", "12:00", "12:30", known="12:00:05"),
    truth("section-disturbed", "T4", "16:30", "17:00", known="16:30:05"),
]
ALERTS = [
    alert("section-disturbed", "T1", "10:00", "10:30", raised="10:00:07"),
    alert("section-disturbed", "T2", "11:00", "11:30", raised="11:00:15"),
    alert("section-disturbed", "T3", "12:00", "12:30", raised="12:00:04"),
    alert("section-disturbed", "T3", "14:00", "14:10", raised="14:00:05"),
]


def test_the_numbers_of_a_table():
    """Recall 3 of 4; delays -1, 2 and 10 s; one false alert on 50 sections in 7 h is 2 x 24 per 100 sections and week."""
    scores = score(ALERTS, TRUTHS)
    one = scores.total

    assert one.recall == 0.75
    assert (one.median_delay, one.worst_delay) == (2.0, 10.0)
    assert scores.length == 7 * HOUR
    assert one.rate(50, scores.length) == pytest.approx(48.0)
    assert one.rate(None, scores.length) is None
    row = ("4", "3", "0.750", "4", "1", "48.000", "2.0", "10.0")
    assert list(rows(scores, 50, scores.length)) == [
        ("section-disturbed", *row),
        ("all", *row),
    ]


def test_what_cannot_be_said_is_no_nought():
    """Without a truth there is no recall, without sections no rate, without a find no delay: a dash each."""
    scores = score([alert("feed-gap", "T1", "10:00", "10:00")], [])

    assert next(rows(scores, None, scores.length)) == (
        ("feed-gap", "0", "0", "-", "1", "1", "-", "-", "-")
    )


def test_machines_are_told_what_was_missed_and_what_was_false():
    """The machine's form names each truth that was missed, and each alert that was false with its id."""
    told = as_json(score(ALERTS, TRUTHS), 50, 7 * HOUR)

    assert told["total"]["false_per_100_sections_week"] == pytest.approx(48.0)
    assert told["missed"] == [
        {
            "kind": "section-disturbed",
            "subject": "section/T4",
            "began": "2026-05-04T16:30:00.000Z",
        }
    ]
    assert [one["id"] for one in told["false_alerts"]] == ["section-disturbed T3 14:00"]


# Files.


def alert_line(number, ended, **more):
    """An alert as a line of the contract."""
    return json.dumps(
        {
            "id": str(number),
            "kind": "section-disturbed",
            "subject": "section/T1",
            "priority": "prompt",
            "began": "2026-05-04T10:00:00.000Z",
            "raised": "2026-05-04T10:00:05.000Z",
            "ended": ended,
            "summary": "",
            "evidence": [],
            "affected": ["section/T1"],
            "suspects": [{"asset": "head/H1", "weight": 1.0}],
            "checks": [],
            "parameters": {"with": ["abc", {"deep": "def"}], "settle_s": 5},
            **more,
        }
    )


def test_the_last_line_of_an_id_holds():
    """Of several lines of an alert the last is taken, and each alert once."""
    ended = "2026-05-04T10:30:00.000Z"

    read = read_alerts([alert_line(1, None), alert_line(2, None), alert_line(1, ended)])

    assert [(one.id, one.ended) for one in read] == [("1", at("10:30")), ("2", None)]
    assert read[0].beside == {"section/T1", "head/H1"}
    assert read[0].named == {"abc", "def"}


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("{", "line 2: Expecting"),
        ("[]", "line 2: "),
        ('{"id": "1"}', "line 2: has no kind"),
        (alert_line(1, "yesterday"), "line 2: time yesterday is not RFC 3339"),
    ],
    ids=["no json", "no object", "no kind", "no time"],
)
def test_a_bad_line_is_named(line, why):
    """A line that is no alert is told by its number and what is wrong with it."""
    with pytest.raises(ValueError, match="line 2") as error:
        read_alerts([alert_line(1, None), line])

    assert str(error.value).startswith(why)


@pytest.fixture(name="files")
def _files(tmp_path):
    """Two files: one alert, and two truths of which it finds one."""
    truths = [
        {
            "kind": "section-disturbed",
            "subject": f"section/{one}",
            "began": "2026-05-04T10:00:00.000Z",
            "ended": "2026-05-04T10:30:00.000Z",
            "known": "2026-05-04T10:00:05.000Z",
            "needs": needs,
        }
        for one, needs in (("T1", "basic"), ("T2", "tallies"))
    ]
    (tmp_path / "alerts.jsonl").write_text(alert_line(1, None) + "\n")
    (tmp_path / "truth.jsonl").write_text("\n".join(map(json.dumps, truths)))
    return ["--alerts", tmp_path / "alerts.jsonl", "--truth", tmp_path / "truth.jsonl"]


def call(*arguments):
    """The command line with *arguments*, as it ended."""
    return CliRunner().invoke(cli.app, ["score", *map(str, arguments)])


def test_the_command_prints_a_table(files):
    """The table says for each kind what was so, found, raised and false, and what was missed is told beside."""
    ended = call(*files)

    assert ended.exit_code == 0, ended.output
    lines = [line.split() for line in ended.stdout.splitlines()]
    assert [
        "section-disturbed",
        "2",
        "1",
        "0.500",
        "1",
        "0",
        "-",
        "0.0",
        "0.0",
    ] in lines
    assert ended.stderr == "1 missed; 0 false, of which 0 urgent\n"


def test_the_command_says_what_was_not_looked_for(files, tmp_path):
    """A truth that could never be known is not passed over in silence."""
    never = {
        "kind": "feed-gap",
        "subject": "source/gw/1",
        "began": "2026-05-04T10:00:00.000Z",
        "ended": None,
        "known": None,
    }
    with (tmp_path / "truth.jsonl").open("a") as file:
        file.write("\n" + json.dumps(never))

    ended = call(*files, "--richness", "basic")

    assert ended.stderr.splitlines()[-1] == (
        "not looked for: 1 that could never be known, 1 that needs a richer feed"
    )


def test_the_command_tells_machines(files):
    """With the line file and the length there is a rate; what the feed cannot show is not asked for."""
    line = ROOT / "deploy/example/line.toml"
    ended = call(
        *files, "--json", "--line", line, "--hours", 168, "--richness", "basic"
    )

    told = json.loads(ended.stdout)
    assert told["total"]["recall"] == 1.0
    assert told["weeks"] == 1.0
    assert told["sections"] == line.read_text().count("[[section]]")
    assert told["total"]["false_per_100_sections_week"] == 0.0


def test_the_command_names_the_file_that_is_wrong(files, tmp_path):
    """A bad line of either file ends the command with one sentence and no traceback."""
    (tmp_path / "truth.jsonl").write_text("nonsense\n")

    ended = call(*files)

    assert ended.exit_code == 1
    assert ended.stdout == ""
    assert ended.stderr.startswith(f"{tmp_path / 'truth.jsonl'}: line 1: ")
