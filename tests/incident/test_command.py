"""The report as the commands write it."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from replay.recording import write_recording
from replay.simulator import simulation


@pytest.fixture
def files(tmp_path, morning):
    """A recording and its line file."""
    line = simulation.__file__.replace("simulation.py", "line.toml")
    write_recording(tmp_path / "morning.jsonl", morning[1])
    return line, tmp_path


def test_replay_writes_the_report_beside_the_alerts(files):
    """One file, the same bytes each time, and the alerts are those of a replay without it."""
    line, folder = files

    def replayed(*more):
        given = ["replay", "--line", line, "--events", str(folder / "morning.jsonl")]
        found = CliRunner().invoke(app, [*given, *more])
        assert found.exit_code == 0, found.output
        return found.stdout

    with_report = [
        replayed("--report", str(folder / f"{name}.html")) for name in ("a", "b")
    ]

    assert with_report == [replayed()] * 2
    first, second = ((folder / f"{name}.html").read_bytes() for name in ("a", "b"))
    assert first == second
    assert first.startswith(b"<!DOCTYPE html>")
