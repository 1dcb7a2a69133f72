"""A window in which other settings or another line file came into force, told in pieces: each by what was in force in it.

A monitor that starts anew folds its whole journal with what is in force from then on.
So each piece is gone through from the lead-in, up to the next start; of what is found the part that lies in the piece is taken, and the parts are put together.
What only a later start concluded about the time before it was known from that start on, and is told so.
Where nothing changed there is one piece, and it is the whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from monitor.core.engine import Engine
from monitor.core.events import AnyEvent
from monitor.core.faults import Fault
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.core.succession import Succession
from monitor.incident.stepping import Steps, Walk, step_through, walks_of
from monitor.incident.story import NOT_KNOWN, Raised, Span, Story, Trace, Visit, gather

Events = Callable[[], Iterable[AnyEvent]]
"""Gives the events of a recording, in order of arrival, from the beginning each time."""

Engines = Callable[[], Engine]
"""Gives an engine that was told nothing yet but what was learnt."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Part of a window.

    Args:
        events: what is gone through, lead-in included, up to the end of the piece.
        engine: by what was in force in it.
        since: from when on that was in force; None: from before the window.
        why: in what it was other than before, in words.
    """

    events: Events
    engine: Engines
    since: Moment | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Gathered:
    """A window as it is told, and how each part of it can be gone through again.

    Args:
        story: of all of it.
        pieces: the oldest first.
        by: the number of the piece in which each alert was first concluded.
    """

    story: Story
    pieces: tuple[Piece, ...]
    by: dict[str, int]

    def steps(self, first: tuple[Walk, ...] = ()) -> tuple[Steps, ...]:
        """What was known at each step of the walks asked for *first*, and of the way to the gravest alerts; each by what was in force then."""
        walks = (*first, *walks_of(self.story))
        found: dict[Walk, Steps] = {}
        for number, piece in enumerate(self.pieces):
            mine = [one for one in walks if self._piece_of(one) == number]
            engine = piece.engine()
            # A section that only another file has had no detections.
            mine = [one for one in mine if one.section in engine.line.sections]
            if mine:
                steps = step_through(engine, piece.events(), mine)
                found |= dict(zip(mine, steps, strict=True))
        return tuple(found[one] for one in walks if one in found)

    def _piece_of(self, walk: Walk) -> int:
        if walk.alert:
            return self.by[walk.alert]
        since = [one.since for one in self.pieces[1:]]
        return sum(one is not None and one <= walk.begin for one in since)


def gathered(
    pieces: Iterable[Piece],
    window: tuple[Moment, Moment] | None = None,
    *,
    until: Moment | None = None,
) -> Gathered:
    """Go through *pieces* and put together what happened in *window*.

    Args:
        pieces: the oldest first; one, where nothing changed.
        window: from when to when; with more pieces than one it is needed.
        until: conclude what falls due up to here by silence alone.
    """
    pieces = tuple(pieces)
    if len(pieces) == 1 or window is None:
        story = gather(pieces[-1].engine(), pieces[-1].events(), window, until=until)
        last = len(pieces) - 1
        return Gathered(story, pieces, {one.alert.id: last for one in story.alerts})
    edges = [window[0], *(one.since or window[0] for one in pieces[1:]), window[1]]
    stories = [
        gather(
            piece.engine(),
            piece.events(),
            (window[0], edges[place + 1]),
            until=until if place + 1 == len(pieces) else None,
            ends=place + 1 == len(pieces),
        )
        for place, piece in enumerate(pieces)
    ]
    by: dict[str, int] = {}
    for place, story in enumerate(stories):
        for one in story.alerts:
            by.setdefault(one.alert.id, place)
    return Gathered(_joined(stories, edges, pieces), pieces, by)


def _joined(
    stories: Sequence[Story], edges: Sequence[Moment], pieces: Sequence[Piece]
) -> Story:
    last, line = stories[-1], stories[-1].line
    for story in stories[-2::-1]:
        line = line.with_what_was(story.line)
    cut = [
        _cut(story, begin if place else None, end if story is not last else None, line)
        for place, (story, begin, end) in enumerate(
            zip(stories, edges, edges[1:], strict=False)
        )
    ]
    return replace(
        last,
        line=line,
        spans=tuple(
            sorted(
                _rejoined([one for spans in cut for one in spans]),
                key=lambda one: (one.began, one.section, one.kind),
            )
        ),
        marks=tuple(
            one
            for place, story in enumerate(stories)
            for one in story.marks
            if (not place or edges[place] <= one.at)
            and (story is last or one.at < edges[place + 1])
        ),
        traces=tuple(_traces(stories, edges)),
        alerts=_alerts(stories, edges),
        faults=_faults(stories),
        sources={
            name: source for story in stories for name, source in story.sources.items()
        },
        rehearsal=any(story.rehearsal for story in stories),
        first=stories[0].first,
        gathered={
            name: alerts for story in stories for name, alerts in story.gathered.items()
        },
        headlines={
            name: told
            for story in reversed(stories)
            for name, told in story.headlines.items()
        },
        changes=tuple(
            (edge, piece.why)
            for edge, piece in zip(edges[1:], pieces[1:], strict=False)
        ),
    )


# What lasts is cut where what was in force changed, and put together again where it went on.


def _cut(
    story: Story, begin: Moment | None, end: Moment | None, line: Line
) -> Iterator[Span]:
    for one in story.spans:
        if end is not None and one.began >= end:
            continue
        if begin is not None and one.ended is not None and one.ended <= begin:
            continue
        cut = one
        if begin is not None and one.began < begin:
            cut = replace(cut, began=begin, heard=max(begin, cut.heard))
        if end is not None and (one.ended is None or one.ended > end):
            cut = replace(cut, ended=end, until="", heard_end=end)
        yield cut
    for name in line.sections:
        if name not in story.line.sections:
            since = story.begin if begin is None else begin
            yield Span(
                section=name,
                kind=NOT_KNOWN,
                began=since,
                ended=end,
                event="",
                until="",
                heard=since,
                heard_end=end,
                why="not in the line file in force then",
            )


def _rejoined(spans: Iterable[Span]) -> Iterator[Span]:
    open_at: dict[tuple[str, str, str, Moment], Span] = {}
    for part in sorted(spans, key=lambda one: one.began):
        before = open_at.pop((part.section, part.kind, part.why, part.began), None)
        one = part
        if before is not None:
            one = replace(
                before, ended=part.ended, until=part.until, heard_end=part.heard_end
            )
        if one.ended is None:
            yield one
        else:
            key = (one.section, one.kind, one.why, one.ended)
            if key in open_at:
                yield open_at[key]
            open_at[key] = one
    yield from open_at.values()


def _traces(stories: Sequence[Story], edges: Sequence[Moment]) -> Iterator[Trace]:
    """Trains by where they first were: followed anew they have other numbers, and keep those that they had last."""
    found: dict[tuple[str, Moment], Trace] = {}
    for place, story in enumerate(stories):
        begin, end = edges[place], edges[place + 1]
        for trace in story.traces:
            visits = [
                one
                for one in trace.visits
                if (story is stories[-1] or one.entered < end)
                and (not place or one.left is None or one.left >= begin)
            ]
            if not visits:
                continue
            key = (trace.visits[0].section, trace.visits[0].entered)
            before = found.get(key)
            found[key] = Trace(
                number=trace.number,
                visits=tuple(_one_after_another(before, visits)),
            )
    used: set[int] = set()
    for trace in sorted(found.values(), key=lambda one: one.number):
        number = trace.number
        while number in used:
            number += 1
        used.add(number)
        yield replace(trace, number=number)


def _one_after_another(before: Trace | None, visits: Iterable[Visit]) -> list[Visit]:
    """What was followed before, and after it as it was followed later."""
    of = {(one.section, one.entered): one for one in before.visits} if before else {}
    of |= {(one.section, one.entered): one for one in visits}
    return sorted(of.values(), key=lambda one: one.entered)


def _faults(stories: Sequence[Story]) -> tuple[Fault, ...]:
    """Each fault as it was told last; what a later start told otherwise leads on to what it is since."""
    found: dict[str, Fault] = {}
    heard = 0
    for story in stories:
        succession = Succession(tuple(found.values()))
        succession.told(story.faults)
        found |= {one.id: one for one in story.faults}
        found |= {one.id: one for one in succession.lines(heard)}
        heard = story.last or heard
    return tuple(found.values())


def _alerts(stories: Sequence[Story], edges: Sequence[Moment]) -> tuple[Raised, ...]:
    """Each alert once, with every line of it; what a later start concluded of the time before it was known from then on."""
    found: dict[str, Raised] = {}
    for place, story in enumerate(stories):
        for one in story.alerts:
            lines = tuple(
                (max(at, edges[place]) if place else at, line) for at, line in one.lines
            )
            before = found.get(one.alert.id)
            if before is None:
                found[one.alert.id] = replace(one, lines=lines)
                continue
            known = [line for _, line in before.lines]
            new = tuple(each for each in lines if each[1] not in known)
            found[one.alert.id] = replace(
                before,
                alert=one.alert,
                fault=one.fault or before.fault,
                lines=(*before.lines, *new),
            )
    return tuple(sorted(found.values(), key=lambda one: one.alert.raised))
