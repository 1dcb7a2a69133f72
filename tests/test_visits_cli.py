"""`tallywatch visits`: what it says of a table that is refused."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from monitor import asking
from monitor.asking import NotDone
from monitor.visits_cli import told_of, visits_app

REFUSED = (
    "visits.csv: line 2: what was found, 'x; y', is not on the list, which is: head; "
    "visits.csv: line 7: 'soon' is no time; 12 more"
)


def run(path, *more):
    """The command, over a file."""
    return CliRunner().invoke(visits_app, ["import", str(path), *more])


def test_what_is_wrong_is_told_a_line_each_and_that_nothing_was_taken(
    tmp_path, monkeypatch
):
    """However long it is, and whatever divides the words of a fault."""
    path = tmp_path / "visits.csv"
    path.write_text("from,subject,cause\n", encoding="utf-8")

    def refuse(*_, **__):
        raise NotDone("409 visits.csv: cut", REFUSED)

    monkeypatch.setattr(asking, "ask", refuse)
    done = run(path)

    assert done.exit_code == 1
    assert done.stderr.splitlines() == [
        "visits.csv: line 2: what was found, 'x; y', is not on the list, which is: head",
        "visits.csv: line 7: 'soon' is no time; 12 more",
        "Nothing of it was taken: mend these lines and import it again.",
    ]


def test_another_refusal_is_told_as_it_is():
    """Who may not, or a monitor that does not answer."""
    assert told_of(NotDone("403 you may not"), "visits.csv") == ["403 you may not"]


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b" \n", "there is nothing in it"),
        (b"from\xe4", "byte 4 is no UTF-8: save the table as CSV in UTF-8"),
    ],
)
def test_a_file_that_is_no_table_is_not_sent(tmp_path, raw, told):
    """No monitor is asked: none answers here."""
    path = tmp_path / "visits.csv"
    path.write_bytes(raw)
    done = run(path, "--desk", "http://127.0.0.1:1")

    assert done.exit_code == 1
    assert done.stderr == f"{path}: {told}\n"
