"""The list that a local alarm panel signs."""

from __future__ import annotations

import pytest

from monitor import kinds
from monitor.core.detectors import CATALOGUE

ROWS = kinds.asked(CATALOGUE)


def test_every_kind_is_in_it_once():
    """What is looked for is in the list, and nothing else is."""
    assert sorted(one.kind for one in ROWS) == [one.kind for one in CATALOGUE]


@pytest.mark.parametrize(
    ("kind", "priority", "calls", "within"),
    [
        ("vanished-train", "urgent, or note", "yes", "at once"),
        ("section-disturbed", "prompt", "yes", "5 min"),
        (
            "repeat-disturbance",
            "planned, or prompt",
            "if prompt",
            "the day; from the sixth, 5 min",
        ),
        ("level-drift", "planned", "no", "a week"),
        ("feed-gap", "note", "no", "no time"),
    ],
)
def test_it_says_whether_somebody_is_called_and_within_what_time(
    kind, priority, calls, within
):
    """Urgent and prompt call, planned and note do not, as the detections have them."""
    (row,) = [one for one in ROWS if one.kind == kind]

    assert (row.priority, row.calls, row.within) == (priority, calls, within)


def test_what_presses_most_stands_first():
    """Urgent before prompt, prompt before planned, notes last."""
    calls = [one.calls != "no" for one in ROWS]

    assert [one.kind for one in ROWS[:2]] == ["unseen-train", "vanished-train"]
    assert calls == sorted(calls, reverse=True)
    assert {one.priority for one in ROWS[-3:]} == {"note"}


def test_as_text_it_fits_a_page_and_loses_no_word():
    """A hundred characters wide, every word of every cell in it, whole."""
    lines = kinds.as_text(ROWS).splitlines()
    words = {word for line in lines for word in line.split()}

    assert max(len(line) for line in lines) <= 100
    for row in ROWS:
        assert {word for cell in row.row for word in cell.split()} <= words


def test_as_markdown_it_has_a_row_a_kind():
    """Six columns, and no cell that breaks the table."""
    lines = kinds.as_markdown(ROWS).splitlines()

    assert len(lines) == len(CATALOGUE) + 2
    assert {line.count("|") for line in lines} == {7}
