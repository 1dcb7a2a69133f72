"""Says on the terminal what happens, in the railway's time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from rich.console import Console
from rich.text import Text

from monitor.core.layout import Line
from monitor.core.moments import Moment, parse
from monitor.core.words import clock, names, span

STYLES = {"urgent": "bold red", "prompt": "bold yellow", "planned": "cyan"}


@dataclass(slots=True)
class Teller:
    """Says what happens.

    Args:
        console: where.
        line: the line file.
        captions: say also what one sees.
        speed: how many times as fast as the railway.
        shown: is told what one sees, for the pages.

    Attributes:
        lines: alert lines as they were told, with how often each was.
        records: the last line of each alert.
    """

    console: Console
    line: Line
    captions: bool
    speed: float = 20.0
    shown: Callable[[str], None] | None = None
    lines: Counter[str] = field(default_factory=Counter)
    records: dict[str, dict[str, Any]] = field(default_factory=dict)
    _waiting: set[str] = field(default_factory=set)
    _unknown: int = 0
    _known_once: bool = False
    _lost: dict[str, Moment] = field(default_factory=dict)
    _held: list[Text] | None = None

    def say(self, at: Moment, text: str, style: str = "") -> None:
        """One sentence at one moment."""
        shown = Text(f"{clock(at, self.line.zone)}  ", style="dim")
        shown.append(text, style=style)
        self._print(shown)

    def plain(self, text: str) -> None:
        """One sentence of no moment."""
        self._print(Text(text))

    def caption(self, text: str) -> None:
        """What one sees."""
        if self.captions:
            self._print(Text(f"          {text}", style="italic"))
            if self.shown is not None:
                self.shown(text)

    def _print(self, text: Text) -> None:
        if self._held is not None:
            self._held.append(text)
        else:
            self.console.print(text)

    def hold(self) -> None:
        """Say nothing for now: something else is being read."""
        self._held = []

    def release(self) -> None:
        """Say what was held, and from now on at once."""
        held, self._held = self._held or [], None
        for one in held:
            self.console.print(one)

    @property
    def twice(self) -> int:
        """How many alert lines were told more than once."""
        return sum(times > 1 for times in self.lines.values())

    def alert(self, text: str, record: dict[str, Any]) -> None:
        """An alert was raised, has changed, or is over."""
        self.lines[text] += 1
        self.records[record["id"]] = record
        if record["ended"] is not None and record["kind"] != "feed-gap":
            self.say(parse(record["ended"]), f"over: {record['summary']}", "dim")
            return
        if "quiet" in record["parameters"]:
            return  # the sentence of its cause says it
        style = STYLES.get(record["priority"], "")
        sentence = f"{record['priority']}: {record['summary']}"
        self.say(parse(record["raised"]), sentence, style)
        self._warned(record)

    def _warned(self, record: dict[str, Any]) -> None:
        """How long before a train came out it was said that one was lost."""
        if record["kind"] == "vanished-train":
            self._lost.setdefault(record["subject"], parse(record["raised"]))
        before = self._lost.get(str(record["parameters"].get("vanished")))
        if record["kind"] == "unseen-train" and before is not None:
            warning = parse(record["began"]) - before
            watched = round(warning / 1_000_000 / self.speed)
            self.caption(
                f"{watched} seconds later the train comes out. "
                f"In railway time: {span(warning)} of warning."
            )

    def stands(self, told: dict[str, Any]) -> None:
        """What stands now: resets that wait for a train, and what is not known."""
        now, unknown, total = parse(told["now"]), len(told["unknown"]), told["of"]
        waiting = set(told["waiting"])
        if waiting != self._waiting:
            self._resets(now, waiting)
        self._known_once = self._known_once or not unknown
        if self._known_once and unknown != self._unknown:
            state = f"{unknown} of {total} sections not known"
            self.say(now, state if unknown else f"all {total} sections known again")
            self._unknown = unknown

    def _resets(self, now: Moment, waiting: set[str]) -> None:
        followed = self._waiting - waiting
        parts = [f"{names(sorted(followed))} followed by a train"] if followed else []
        left = names(sorted(waiting)) or "none"
        self.say(now, "; ".join([*parts, f"resets waiting for a train: {left}"]))
        self._waiting = waiting
