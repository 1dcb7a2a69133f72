"""What would have been concluded otherwise, to be drawn beside what was: the same window under other settings or another line file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from monitor.core.moments import Moment
from monitor.incident.story import Story

Way = Literal["gained", "lost", "moved"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Otherwise:
    """An alert that is not the same on both sides.

    Args:
        way: only the other side has it, only this one, or both, not alike.
        how: what has moved, in words.
        here: its id as it was concluded, or "".
        there: its id as it would have been, or "".
    """

    way: Way
    how: str
    here: str
    there: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """The other side.

    Args:
        story: the same window, as it would have been told.
        by: what it goes by, in words.
        differences: the alerts that are not the same, in order of time.
        same: how many are.
        live: whether what is told as concluded is what the monitor said live, in sentences.
    """

    story: Story
    by: str
    differences: tuple[Otherwise, ...]
    same: int
    live: tuple[str, ...] = ()
    _here: dict[str, Otherwise] = field(default_factory=dict)
    _there: dict[str, Otherwise] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._here.update({one.here: one for one in self.differences if one.here})
        self._there.update({one.there: one for one in self.differences if one.there})

    def ways(self, *, there: bool) -> Mapping[str, Otherwise]:
        """The differences by the ids of alerts, here or *there*."""
        return self._there if there else self._here

    def moments(
        self, one: Otherwise, story: Story
    ) -> tuple[Moment | None, Moment | None]:
        """When an alert was raised here, by *story*, and there."""
        here = {raised.alert.id: raised.alert.raised for raised in story.alerts}
        there = {raised.alert.id: raised.alert.raised for raised in self.story.alerts}
        return here.get(one.here), there.get(one.there)
