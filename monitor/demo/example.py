"""The invented line on which it plays."""

from __future__ import annotations

from importlib.resources import files


def example_line() -> str:
    """The text of the invented line."""
    return (files("replay.simulator") / "line.toml").read_text(encoding="utf-8")
