"""Says when something of a story was, in the line's own time."""

from __future__ import annotations

import re
from dataclasses import dataclass

from monitor.core.moments import Moment, as_datetime
from monitor.core.words import clock, in_full
from monitor.incident.story import Story


@dataclass(frozen=True, slots=True)
class When:
    """Says when, in the line's own time."""

    story: Story

    def exactly(self, at: Moment) -> str:
        """To the millisecond; with its date where that is not the day on which the window begins."""
        zone = self.story.line.zone
        text = clock(at, zone, self.story.begin)
        digits = f"{as_datetime(at):%f}"[:3]
        return re.sub(r"(\d\d:\d\d:\d\d)", rf"\1.{digits}", text, count=1)


def window(story: Story) -> str:
    """From when to when, in words."""
    zone, name = story.line.zone, story.line.timezone
    if not story.begin:
        return "The recording has no events."
    return (
        f"From {in_full(story.begin, zone, name)} to {in_full(story.end, zone, name)}"
    )
