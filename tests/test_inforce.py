import json

import pytest

from monitor.core.events import RecordKind, SectionState, State
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse
from monitor.core.tuning import Detection
from monitor.inforce import in_force, read_detection, starts
from monitor.journal import Journal
from tests.journals import come, record_of, start
from tests.live import LINE

SIX = parse("2026-05-04T06:00:00Z")
LONGER = LINE.replace("length_m = 800", "length_m = 900", 1)


def state(number, at, shows="clear"):
    """Section T2 shows something."""
    return SectionState(
        id=str(number), source="gw/1", subject="T2", time=at, state=State(shows)
    )


@pytest.fixture(name="journal")
def _journal(tmp_path):
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        yield journal


def test_each_start_says_what_is_in_force_from_it_on(journal):
    """The line file and the settings of each start are read back, also where a later start only names them."""
    start(journal, SIX, LINE)
    start(journal, SIX + HOUR, LINE, version="0.2.0")
    start(journal, SIX + 2 * HOUR, LONGER, words={"skew_s": 1.5})

    found = list(starts(journal))

    assert [one.version for one in found] == ["0.1.0", "0.2.0", "0.1.0"]
    assert [one.line(journal).sections["T1"].length_m for one in found] == [
        *(800, 800, 900)
    ]
    assert [one.detection(journal)[0].words.skew_s for one in found] == [2.0, 2.0, 1.5]
    assert found[0].same == found[1].same != found[2].same
    assert found[0].line_at == found[1].line_at


@pytest.mark.parametrize(
    ("begin", "end", "expected"),
    [
        pytest.param(10 * MINUTE, 20 * MINUTE, ["0.1.0"], id="before the second start"),
        pytest.param(10 * MINUTE, 70 * MINUTE, ["0.1.0", "0.2.0"], id="across it"),
        pytest.param(65 * MINUTE, 70 * MINUTE, ["0.2.0"], id="after it"),
        pytest.param(40 * MINUTE, 41 * MINUTE, ["0.1.0"], id="while nothing came"),
        pytest.param(3 * DAY, 4 * DAY, ["0.2.0"], id="after all that came"),
        pytest.param(-DAY, -HOUR, [], id="before the journal began"),
    ],
)
def test_a_window_belongs_to_the_starts_before_its_records(
    journal, begin, end, expected
):
    """The start before the first record of the window, and every start within it."""
    start(journal, SIX, LINE)
    come(journal, [state(1, SIX + 15 * MINUTE)])
    start(journal, SIX + HOUR, LINE, version="0.2.0")
    come(journal, [state(2, SIX + 66 * MINUTE)])

    found = in_force(journal, SIX + begin, SIX + end)

    assert [one.version for one in found] == expected


def test_in_a_journal_of_what_was_played_starts_go_by_their_place(tmp_path):
    """A day of May that is played in November belongs to the start before it, though the start is later by its clock."""
    november = parse("2026-11-30T12:00:00Z")
    with Journal.open(tmp_path / "played.sqlite", played=True) as journal:
        start(journal, november, LINE)
        come(journal, [state(1, SIX)])
        start(journal, november + HOUR, LINE, version="0.2.0")
        come(journal, [state(2, SIX + HOUR)])

        found = in_force(journal, SIX - MINUTE, SIX + MINUTE)

    assert [one.version for one in found] == ["0.1.0"]


def test_a_start_that_was_cut_short_is_left_out(journal):
    """It concluded nothing."""
    journal.append([record_of("m", RecordKind.STARTED, SIX, version="0.1.0")])
    start(journal, SIX + SECOND, LINE, version="0.2.0")

    assert [one.version for one in starts(journal)] == ["0.2.0"]


def test_the_settings_say_every_number_in_full(journal):
    """A later version with other defaults finds those of then."""
    start(journal, SIX, LINE, detect={"section-disturbed": {"settle_s": 9}})
    [found] = starts(journal)
    tables = found.settings(journal)

    assert set(tables["detect"]) == {one.kind for one in Detection().detectors}
    assert tables["detect"]["section-disturbed"]["settle_s"] == 9
    assert found.detection(journal) == (
        Detection.of(detect={"section-disturbed": {"settle_s": 9}}),
        (),
    )


def test_what_this_version_does_not_know_is_left_out_and_told():
    """A kind, a number of a kind and a shared number that there no longer are."""
    then = {
        "words": {"skew_s": 1.0, "older_s": 3},
        "detect": {"older-kind": {"after_s": 1}},
        "section": {"T1": {"section-disturbed": {"settle_s": 7, "older_s": 1}}},
    }
    detection, left_out = read_detection(json.loads(json.dumps(then)))

    assert detection.words.skew_s == 1.0
    assert detection.at["T1"]["section-disturbed"] is not None
    assert left_out == (
        "[words] older_s",
        "[detect.older-kind]",
        "[section.T1.section-disturbed] older_s",
    )
