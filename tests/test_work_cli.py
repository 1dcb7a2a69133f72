from __future__ import annotations

import pytest
from typer.testing import CliRunner

from monitor.work_cli import work_app

LINE = """
[line]
name = "Night work"
timezone = "Europe/Berlin"
[[evaluator]]
id = "EV1"
site = "Room 1"
[[section]]
id = "T1"
area = "north"
evaluator = "EV1"
length_m = 800
speed_km_h = 100
[[head]]
id = "H1"
between = ["open", "T1"]
"""

WEEKLY = """
BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//example//plan//EN
BEGIN:VEVENT
UID:1@example
DTSTART;TZID=Europe/Berlin:20240107T010000
DURATION:PT2H
RRULE:FREQ=WEEKLY
LOCATION:T1
SUMMARY:Patrol
END:VEVENT
END:VCALENDAR
""".lstrip()


@pytest.fixture
def call(tmp_path):
    """Call `work import` in a directory with a line file, a calendar and a table that holds what is given."""
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    (tmp_path / "weekly.ics").write_text(WEEKLY, encoding="utf-8")

    def called(name, *options, table=None):
        if table is not None:
            (tmp_path / name).write_text(table, encoding="utf-8")
        line = str(tmp_path / "line.toml")
        whole = ["import", str(tmp_path / name), "--line", line, *options]
        return CliRunner().invoke(work_app, whole)

    return called


def test_a_plan_is_shown_as_it_is_understood(call):
    """In local time, with the date of the end where it is another day; nothing is entered."""
    result = call(
        "week.csv",
        table="subject,from,to,reference,text\n"
        "area/north,2026-05-04T23:00,2026-05-05T03:30,W7,tamping\n",
    )

    assert result.exit_code == 0
    assert result.stdout == ("2026-05-04 23:00 to 2026-05-05 03:30  T1  W7  tamping\n")
    assert result.stderr == (
        "week.csv: 1 piece of work; none begins until somebody says so\n"
    )


def test_every_fault_is_told(call):
    """One line each on stderr, nothing on stdout, and the end is 1."""
    result = call("week.csv", table="subject,from,to\nT8,now,then\n")

    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.splitlines() == [
        "week.csv: row 2: the line file has nothing that is T8",
        "week.csv: row 2: 'now' is no time",
        "week.csv: row 2: 'then' is no time",
    ]


def test_what_recurs_is_followed_from_the_time_that_is_given(call):
    """A year of Sundays from 4 May 2026 on, whenever the first was: 10 May is a Sunday."""
    result = call("weekly.ics", "--from", "2026-05-04T00:00:00Z")
    lines = result.stdout.splitlines()

    assert lines[0] == "2026-05-10 01:00 to 03:00  T1  Patrol"
    assert lines[-1] == "2027-05-02 01:00 to 03:00  T1  Patrol"
    assert len(lines) == 52


def test_a_file_that_is_not_there_is_told(call, tmp_path):
    """In one line, with its name; a time that is none is wrong usage."""
    result = call("nowhere.csv")
    wrong = call("weekly.ics", "--from", "soon")

    assert (result.exit_code, wrong.exit_code) == (1, 2)
    assert result.stderr == (f"{tmp_path / 'nowhere.csv'}: No such file or directory\n")
