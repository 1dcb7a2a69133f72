"""Who had what before them: which faults the pages of a desk had painted by a moment, and which they had not yet.

A page says what it has painted, and whether it could be seen and heard; the journal has it (`shown`).
When each fault was concluded stands in the store.
What is said here is about pages, never about whether somebody looked at them.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from monitor.core.layout import Line
from monitor.core.moments import HOUR, MINUTE, Duration, Moment, parse
from monitor.core.words import clock, span
from monitor.shown import Shown

CALLED = frozenset({"urgent", "prompt"})
"""The priorities of faults that stand in the list of a desk."""

QUIET: Duration = 5 * MINUTE
"""A page that has said nothing for so long may have gone: it speaks when something changes, not while it stands."""

SHIFT: Duration = 12 * HOUR
"""A page that has said nothing for longer than anybody works is told of by number alone: it would stand among those that were looked at."""

LONG: Duration = HOUR
"""So long after its end a fault that a page had painted is told of by number alone."""

SOUNDS = {
    "sounded": "sound made",
    "could": "sound on",
    "played": "sound on",
    "muted": "sound silenced",
    "blocked": "sound blocked by the browser",
    "elsewhere": "sound made by another page of the desk",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Painting:
    """A fault as a page painted it.

    Args:
        fault: its id.
        headline: as it stood there.
        priority: likewise.
        at: when it was painted.
        position: at which desk.
        page: names the page.
        by: who had it open, as far as is known.
        visible: whether the page was in front.
        sound: what became of sounds.
        alerts: ids of the alerts that were painted with it and that the page had not painted before; None where the page does not say.
    """

    fault: str
    headline: str
    priority: str
    at: Moment
    position: str
    page: str
    by: str
    visible: bool
    sound: str
    alerts: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A page of a desk, as it stood at a moment.

    Args:
        page: names it.
        position: at which desk.
        by: who had it open.
        said: when it last said anything by then.
        visible: whether it was in front, as it last said.
        sound: what became of sounds.
        stale: since when it had not heard the monitor, or None.
        painted: the first and the newest painting of each fault by then.
        alerts: when each alert was painted with its fault first, by then; None where the page does not say.
        left: whether it had been closed, or gone on from, by then.
    """

    page: str
    position: str
    by: str
    said: Moment
    visible: bool
    sound: str
    stale: Moment | None
    painted: dict[str, tuple[Painting, Painting]]
    alerts: dict[str, Moment] | None = None
    left: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A fault as it stood at a moment.

    Args:
        fault: its id.
        number: to say on the telephone.
        headline: what it is.
        priority: how grave.
        raised: when it was, in event time.
        concluded: when the monitor first had it.
        subjects: what it covers.
        open: whether it was: until all is over, and what only a person ends is closed.
        alerts: ids of those in it.
        over: since when it was not, by the clock of the journal, or None.
    """

    fault: str
    number: str
    headline: str
    priority: str
    raised: Moment
    concluded: Moment
    subjects: tuple[str, ...]
    open: bool = True
    alerts: tuple[str, ...] = ()
    over: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """An alert as the store has it.

    Args:
        summary: what it first said.
        concluded: when the monitor first had it, by the clock of the journal.
    """

    summary: str
    concluded: Moment


def paintings(shown: Iterable[Shown]) -> Iterator[Painting]:
    """Every painting of a fault, in the order of *shown*; that its sound was begun is none."""
    for one in shown:
        for fault in one.faults if one.sound != "sounded" else ():
            yield Painting(
                fault=fault.fault,
                headline=fault.headline,
                priority=fault.priority,
                at=one.at,
                position=one.position,
                page=one.page,
                by=one.by,
                visible=one.visible,
                sound=one.sound,
                alerts=fault.alerts,
            )


def first_painted(
    shown: Iterable[Shown], position: str | None = None
) -> dict[str, Painting]:
    """When each fault was first painted, at *position* or at any desk, by the id of the fault."""
    first: dict[str, Painting] = {}
    for one in paintings(shown):
        if position is not None and one.position != position:
            continue
        known = first.get(one.fault)
        if known is None or one.at < known.at:
            first[one.fault] = one
    return first


def alerts_painted(
    shown: Iterable[Shown], position: str | None = None
) -> dict[str, Painting]:
    """When each alert was first painted with its fault by a page in front, at *position* or at any desk, by the id of the alert.

    Pages of earlier versions say nothing of alerts: what only they painted is not in it.
    """
    first: dict[str, Painting] = {}
    for one in paintings(shown):
        if not one.visible or (position is not None and one.position != position):
            continue
        for alert in one.alerts or ():
            known = first.get(alert)
            if known is None or one.at < known.at:
                first[alert] = one
    return first


def pages_at(
    shown: Iterable[Shown], at: Moment, position: str | None = None
) -> tuple[Page, ...]:
    """How the pages of a desk, or of all, stood at a moment; those that spoke last come first.

    That it heard nothing a page may be able to say only when it hears again.
    """
    last: dict[str, Shown] = {}
    painted: dict[str, dict[str, tuple[Painting, Painting]]] = {}
    alerts: dict[str, dict[str, Moment]] = {}
    # A page says that it is hidden and that it is left at one moment; left comes after.
    asked = sorted(
        (one for one in shown if position is None or one.position == position),
        key=lambda one: (one.at, one.left),
    )
    deaf = spells(asked)
    for one in asked:
        if one.at > at:
            break
        last[one.page] = one
        faults = painted.setdefault(one.page, {})
        for fault in paintings([one]):
            faults[fault.fault] = faults.get(fault.fault, (fault,))[0], fault
            if fault.alerts is not None:
                its = alerts.setdefault(one.page, {})
                for alert in fault.alerts:
                    its.setdefault(alert, fault.at)
    pages = [
        Page(
            page=one.page,
            position=one.position,
            by=one.by,
            said=one.at,
            visible=one.visible,
            sound=one.sound,
            stale=next(
                (
                    began
                    for began, ended in deaf.get(one.page, ())
                    if began <= at and (ended is None or at < ended)
                ),
                None,
            ),
            painted=painted[one.page],
            alerts=alerts.get(one.page),
            left=one.left,
        )
        for one in last.values()
    ]
    return tuple(sorted(pages, key=lambda one: one.said, reverse=True))


def spells(shown: Iterable[Shown]) -> dict[str, list[tuple[Moment, Moment | None]]]:
    """When each page heard nothing: from when, and until it said something else, or None."""
    spells: dict[str, list[tuple[Moment, Moment | None]]] = {}
    for one in shown:
        found = spells.setdefault(one.page, [])
        if found and found[-1][1] is None:
            if one.stale == found[-1][0]:
                continue
            found[-1] = found[-1][0], one.at
        if one.stale is not None:
            found.append((one.stale, None))
    return spells


def known_at(
    lines: Iterable[tuple[Moment, str]],
    at: Moment,
    closed: Mapping[str, Moment] | None = None,
) -> tuple[Standing, ...]:
    """The faults that there had been by a moment, open or over, in the order in which they came.

    Args:
        lines: of faults, as the store has them, each with when it came, by the clock of the journal.
        at: the moment.
        closed: when somebody closed faults and alerts, by their ids.
    """
    by_then = {name: done for name, done in (closed or {}).items() if done <= at}
    found: dict[str, Standing] = {}
    for came, text in lines:
        if came > at:
            continue
        told = json.loads(text)
        known = found.get(told["id"])
        found[told["id"]] = Standing(
            fault=told["id"],
            number=told["number"],
            headline=told["headline"],
            priority=told["priority"],
            raised=parse(told["raised"]),
            concluded=known.concluded if known is not None else came,
            subjects=tuple(told["subjects"]),
            open=_is_open(told, frozenset(by_then)),
            alerts=tuple(told.get("alerts", ())),
            over=_over_since(told, came, by_then),
        )
    return tuple(found.values())


def named_at(lines: Iterable[tuple[Moment, str]], at: Moment) -> dict[str, Named]:
    """The alerts that there had been by a moment, by their ids.

    Args:
        lines: of alerts, as the store has them, each with when it came, by the clock of the journal.
        at: the moment.
    """
    found: dict[str, Named] = {}
    for came, text in lines:
        if came <= at:
            told = json.loads(text)
            found.setdefault(told["id"], Named(summary=told["summary"], concluded=came))
    return found


def _is_open(told: dict[str, Any], closed: frozenset[str]) -> bool:
    """Whether a fault is: until all is over, and what only a person ends is closed."""
    if told["into"] is not None or told["id"] in closed:
        return False
    return told["ended"] is None or bool(set(told["lasting"]) - closed)


def _over_since(
    told: dict[str, Any], came: Moment, closed: Mapping[str, Moment]
) -> Moment | None:
    """Since when a fault is over: since its line said so, or since what was left of it was closed."""
    if _is_open(told, frozenset(closed)):
        return None
    acts = [closed[one] for one in (told["id"], *told["lasting"]) if one in closed]
    return came if told["into"] is not None else max([came, *acts])


def of_areas(
    standing: Iterable[Standing], line: Line, areas: Collection[str]
) -> tuple[Standing, ...]:
    """Those of *standing* that a desk looks after; all where it has no areas of its own."""
    return tuple(
        one
        for one in standing
        if not areas
        or set(areas)
        & {line.sections[name].area for name in line.sections_about(one.subjects)}
    )


def in_words(
    pages: Iterable[Page],
    known: Collection[Standing] | None,
    later: Mapping[str, Painting],
    line: Line,
    at: Moment,
    *,
    areas: Collection[str] = (),
    named: Mapping[str, Named] | None = None,
    first: Mapping[str, Painting] | None = None,
) -> list[str]:
    """What the pages had painted, and what they had not yet, in lines.

    A page that was left is none any more.
    One that was not heard for a shift is counted, as is a fault that was over long before.

    Args:
        pages: as they stood at the moment.
        known: faults that there had been by then; None: nobody knows.
        later: when each fault was first painted at the desk, whenever that was.
        line: for its zone.
        at: the moment.
        areas: that the desk looks after; none: all.
        named: the alerts that there had been by then; each is told by itself.
        first: when each alert was first painted at the desk, whenever that was.
    """
    there = [one for one in pages if not one.left]
    heard = [one for one in there if _heard(one, at)]
    lines = [
        text
        for page in heard
        for text in _of_page(
            page,
            known,
            later,
            line,
            at,
            areas=areas,
            named=named or {},
            first=first or {},
        )
    ]
    if len(there) > len(heard):
        lines.append(
            f"{_count(len(there) - len(heard), 'page was', 'pages were')} not heard from "
            f"for {span(SHIFT)} by then: what stood on them is not told"
        )
    return lines


def _heard(page: Page, at: Moment) -> bool:
    """Whether a page had said anything lately; one that says that it hears nothing speaks for itself."""
    return at - page.said <= SHIFT or (
        page.stale is not None and at - page.stale <= SHIFT
    )


def _count(number: int, one: str, more: str) -> str:
    return f"{number} {one if number == 1 else more}"


def _of_page(
    page: Page,
    known: Collection[Standing] | None,
    later: Mapping[str, Painting],
    line: Line,
    at: Moment,
    *,
    areas: Collection[str],
    named: Mapping[str, Named],
    first: Mapping[str, Painting],
) -> Iterator[str]:
    """A page, what stood on it, what did not yet, and what had been there before."""
    called = [one for one in known or () if one.priority in CALLED and one.open]
    standing = {one.fault: one for one in called}
    over = {one.fault: one for one in known or () if one.fault not in standing}
    yield _page_in_words(page, line, at)
    for fault, (began, newest) in page.painted.items():
        if fault in standing:
            one = standing[fault]
            yield _stands(began, newest, one.number, line, at)
            its = {name: named[name] for name in one.alerts if name in named}
            yield from _of_its_alerts(page, its, first, line, at)
    unplaced = [
        times
        for fault, times in page.painted.items()
        if not {fault} & {*standing, *over}
    ]
    yield from _unplaced(unplaced, line, at, stored=known is not None)
    for one in of_areas(called, line, areas):
        if one.fault not in page.painted:
            yield (
                f"  not yet: {one.number} {one.headline} ({one.priority}), "
                f"concluded {clock(one.concluded, line.zone, at)}"
                f"{_afterwards(later.get(one.fault), line, at)}"
            )
    yield from _gone(page, over, line, at)


def _stands(
    began: Painting, newest: Painting, number: str, line: Line, at: Moment
) -> str:
    return (
        f"  painted {clock(began.at, line.zone, at)}{_since(began, newest, line, at)}: "
        f"{number} {newest.headline} ({newest.priority})"
    )


def _unplaced(
    painted: Collection[tuple[Painting, Painting]],
    line: Line,
    at: Moment,
    *,
    stored: bool,
) -> Iterator[str]:
    """What a page had painted and the store, where there is one, does not know by then; what it painted long before is counted."""
    lately = [(began, newest) for began, newest in painted if at - newest.at <= SHIFT]
    for began, newest in lately:
        open_ = "; whether it was open then is not known" if stored else ""
        yield f"{_stands(began, newest, newest.fault, line, at)}{open_}"
    if len(painted) > len(lately):
        yield (
            f"  painted more than {span(SHIFT)} before, and whether open then is not known: "
            f"{_count(len(painted) - len(lately), 'fault', 'faults')}"
        )


def _gone(
    page: Page, over: Mapping[str, Standing], line: Line, at: Moment
) -> Iterator[str]:
    """What a page had painted and was over by then; what was over long before is counted."""
    painted = [(fault, times) for fault, times in page.painted.items() if fault in over]
    lately = [
        (fault, times)
        for fault, times in painted
        if at - (over[fault].over or at) <= LONG
    ]
    for fault, (began, newest) in lately:
        yield (
            f"  painted {clock(began.at, line.zone, at)}, and no more in the list by then: "
            f"{over[fault].number} {newest.headline} ({newest.priority})"
        )
    if len(painted) > len(lately):
        yield (
            f"  painted, and over for more than {span(LONG)} by then: "
            f"{_count(len(painted) - len(lately), 'fault', 'faults')}"
        )


def _of_its_alerts(
    page: Page,
    known: dict[str, Named],
    first: Mapping[str, Painting],
    line: Line,
    at: Moment,
) -> Iterator[str]:
    """Which alerts of a fault had been painted; nothing of a page that does not say."""
    if page.alerts is None:
        return
    for name, one in known.items():
        if name in page.alerts:
            yield f"    with it {clock(page.alerts[name], line.zone, at)}: {one.summary}"
        else:
            yield (
                f"    not yet with it: {one.summary}, "
                f"concluded {clock(one.concluded, line.zone, at)}"
                f"{_afterwards(first.get(name), line, at)}"
            )


def _page_in_words(page: Page, line: Line, at: Moment) -> str:
    front = "in front" if page.visible else "not in front"
    sound = SOUNDS.get(page.sound, page.sound)
    said = clock(page.said, line.zone, at)
    if at - page.said > QUIET and page.stale is None:
        return (
            f"page {page.page[:8]} of {page.by} at {page.position or 'no desk'}: "
            f"not heard from since {said}, then {front}, {sound}; "
            "whether it was open is not known"
        )
    stale = (
        ""
        if page.stale is None
        else f"; had not heard the monitor since {clock(page.stale, line.zone, at)}"
    )
    return (
        f"page {page.page[:8]} of {page.by} at {page.position or 'no desk'}: {front}, "
        f"{sound}, as it said last at {said}{stale}"
    )


def _since(first: Painting, newest: Painting, line: Line, at: Moment) -> str:
    if newest.at == first.at:
        return ""
    return f", so since {clock(newest.at, line.zone, at)}"


def _afterwards(later: Painting | None, line: Line, at: Moment) -> str:
    if later is None:
        return "; never painted at this desk"
    return f"; painted first {clock(later.at, line.zone, at)}"
