"""What stood on the pages of each desk, at any moment of a window: the record of which `tallywatch shown` speaks, beside the alerts.

It says what was painted, never whether somebody looked.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from monitor.core.moments import Moment
from monitor.incident.story import Raised, Story
from monitor.incident.told import with_what_it_took
from monitor.painted import CALLED, SHIFT, SOUNDS, Painting, paintings, spells
from monitor.shown import Shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Desks:
    """What is known of the pages of desks.

    Args:
        shown: what pages have said, in the window, before it and after it.
        areas: which areas each desk looked after, by its name; one that is not here, or has none, looked after all.
    """

    shown: tuple[Shown, ...]
    areas: Mapping[str, Collection[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What a page said of itself.

    Args:
        at: when.
        visible: whether it was in front.
        sound: what became of sounds, in words.
        left: whether it was being left.
    """

    at: Moment
    visible: bool
    sound: str
    left: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Had:
    """What a page, or a desk, had of an alert.

    Args:
        alert: when it was painted first, or None.
        fault: when its fault was, by a page that does not say which alerts it painted, or None.
    """

    alert: Moment | None
    fault: Moment | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """A page of a desk.

    Args:
        page: names it.
        position: at which desk.
        by: who had it open.
        turns: what it said of itself, oldest first.
        stale: from when until when it had not heard the monitor; None: to the end.
        had: what it had of each alert of the window, by the place of that; of one that is not here, nothing.
        first: what its desk had of each, likewise, by a page in front.
        looks_after: places of the alerts that its desk had to paint.
    """

    page: str
    position: str
    by: str
    turns: tuple[Turn, ...]
    stale: tuple[tuple[Moment, Moment | None], ...]
    had: dict[int, Had]
    first: dict[int, Had]
    looks_after: frozenset[int]


def called(story: Story) -> tuple[int, ...]:
    """The places of the alerts that stand in the list of a desk: those of faults that are urgent or prompt."""
    priority = {one.id: one.priority for one in story.faults}
    return tuple(
        place
        for place, one in enumerate(story.alerts)
        if priority.get(one.fault, one.alert.priority) in CALLED
    )


def screens(desks: Desks, story: Story) -> tuple[Screen, ...]:
    """The pages that may have stood somewhere in the window of *story*, by desk and then in the order in which they first said something."""
    of: dict[str, list[Shown]] = {}
    for one in sorted(desks.shown, key=lambda one: (one.at, one.left)):
        of.setdefault(one.page, []).append(one)
    there = {
        page: said
        for page, said in of.items()
        if any(story.begin - SHIFT <= one.at <= story.end for one in said)
        and not _gone(said, story.begin)
    }
    firsts = {
        position: had(paintings(desks.shown), story, position)
        for position in {said[0].position for said in there.values()}
    }
    found = [
        Screen(
            page=page,
            position=said[0].position,
            by=said[-1].by,
            turns=tuple(
                Turn(
                    at=one.at,
                    visible=one.visible,
                    sound=SOUNDS.get(one.sound, one.sound),
                    left=one.left,
                )
                for one in said
                if one.at <= story.end
            ),
            stale=tuple(spells(said).get(page, ())),
            had=_had(paintings(said), story),
            first=firsts[said[0].position],
            looks_after=_looks_after(desks, story, said[0].position),
        )
        for page, said in there.items()
    ]
    return tuple(sorted(found, key=lambda one: one.position))


def had(painted: Iterable[Painting], story: Story, position: str) -> dict[int, Had]:
    """What the pages of a desk that were in front had of each alert, by its place in *story*."""
    return _had(
        (one for one in painted if one.visible and one.position == position), story
    )


def _gone(said: Iterable[Shown], begin: Moment) -> bool:
    """Whether a page had been left by then."""
    last = None
    for one in said:
        if one.at > begin:
            break
        last = one
    return last is not None and last.left and all(one.at <= begin for one in said)


def _had(painted: Iterable[Painting], story: Story) -> dict[int, Had]:
    alerts: dict[str, Moment] = {}
    faults: dict[str, Moment] = {}
    for one in painted:
        if one.alerts is None:
            faults[one.fault] = min(one.at, faults.get(one.fault, one.at))
        for alert in one.alerts or ():
            alerts[alert] = min(one.at, alerts.get(alert, one.at))
    return dict(_of_each(story, alerts, faults))


def _of_each(
    story: Story, alerts: Mapping[str, Moment], faults: Mapping[str, Moment]
) -> Iterator[tuple[int, Had]]:
    for place, one in enumerate(story.alerts):
        names = with_what_it_took(one.fault, story)
        fault = min((faults[name] for name in names if name in faults), default=None)
        found = Had(alert=alerts.get(one.alert.id), fault=fault)
        if found.alert is not None or found.fault is not None:
            yield place, found


def _looks_after(desks: Desks, story: Story, position: str) -> frozenset[int]:
    areas = set(desks.areas.get(position, ()))
    return frozenset(
        place
        for place in called(story)
        if not areas or areas & _areas(story, story.alerts[place])
    )


def _areas(story: Story, one: Raised) -> set[str]:
    subjects = (one.alert.subject, *one.alert.affected)
    line = story.line
    return {line.sections[name].area for name in line.sections_about(subjects)}
