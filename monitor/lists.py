"""The two lists that this monitor is there for: resets that wait for a train, and what stands open before the first one.

Both are read off what is concluded now and what people did; nothing is concluded here.
That something is not on a list says only that nothing was seen of it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from enum import StrEnum
from statistics import median_low
from textwrap import wrap

from monitor.core.changes import Verdict
from monitor.core.detectors.reset_unproved import Timer
from monitor.core.engine import Engine
from monitor.core.events import Service, State
from monitor.core.facts import Fact
from monitor.core.layout import Line
from monitor.core.moments import (
    DAY,
    HOUR,
    MINUTE,
    Duration,
    Moment,
    as_datetime,
)
from monitor.core.occupancy import Settled
from monitor.core.usual import Usual
from monitor.core.words import (
    CAUTION,
    STATES,
    names,
    span,
    to_the_minute,
    whole_hours,
)
from monitor.handling import Act, Handling

HEADING = "What this feed shows as open. It does not show that a line is ready."

LOOKED_BACK: Duration = 14 * DAY
"""Trains of so long say when the first one usually comes."""

DAYS = 3
"""With the first trains of fewer days, the hour in which trains begin is all that is said."""

AHEAD = 7 * 24
"""Hours looked ahead for one with trains; those of a day are the same every day."""

WIDTH = 88
"""Columns of what is printed."""

NO_TRAIN_SEEN = "occupied-no-train"
NOT_RESTORED = "restoration-incomplete"


# Resets waiting for a train.


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset:
    """A reset that no train has followed yet.

    Args:
        section: by its id.
        area: in which it lies.
        kind: the way of giving back, in words.
        by: whose step it was, where the feed tells it.
        at: when it was accepted.
        step: how far it has come, `accepted` or `restored`.
        shows: what the section shows now, in words.
        next_about: when a train usually comes next, or None where that is not learnt, or one should have come by now.
        every: how long after another one usually comes, where learnt.
        last: when one was worked through last, or None.
        due: by when one is wanted, or None while no time counts.
        raised: when an alert about it was raised, or None.
        stopped: why no time counts now, in words, or "".
        resumes: from when on trains usually come, where none do at this hour.
    """

    section: str
    area: str
    kind: str
    by: str | None
    at: Moment
    step: str
    shows: str
    next_about: Moment | None
    every: Duration | None
    last: Moment | None
    due: Moment | None
    raised: Moment | None
    stopped: str
    resumes: Moment | None

    def next_train(self, now: Moment, zone: tzinfo) -> str:
        """When a train usually comes next, in words."""
        if self.resumes is not None:
            return f"trains usually from {to_the_minute(self.resumes, zone, now)}"
        if self.next_about is not None:
            return f"about {to_the_minute(self.next_about, zone, now)}"
        if self.every is None:
            return "not learnt yet"
        if self.last is None:
            return f"one in {span(self.every)} usually"
        last = to_the_minute(self.last, zone, now)
        return f"one in {span(self.every)} usually; the last at {last}"

    def wanted(self, now: Moment, zone: tzinfo) -> str:
        """By when a train is wanted, or why no time counts, in words."""
        if self.raised is not None:
            return f"overdue since {to_the_minute(self.raised, zone, now)}"
        if self.stopped:
            return f"timer stopped: {self.stopped}"
        if self.due is None:
            return "not watched"
        return f"due by {to_the_minute(self.due, zone, now)}"


def resets_waiting(
    engine: Engine,
    now: Moment,
    *,
    sections: Iterable[str] | None = None,
    passed: Mapping[str, Sequence[Moment]] | None = None,
) -> tuple[Reset, ...]:
    """The resets that no train has followed, oldest first.

    Args:
        engine: what is concluded.
        now: when.
        sections: of these alone.
        passed: when trains came into each section lately (`came` reads it off the facts), for the time of the first one.
    """
    timers = engine.reset_timers(now)
    chosen = None if sections is None else set(sections)
    waiting = [
        _reset(engine, fact, timers.get(name), (passed or {}).get(name, ()), now)
        for name, fact in engine.resets_waiting().items()
        if chosen is None or name in chosen
    ]
    return tuple(sorted(waiting, key=lambda one: (one.at, one.section)))


def _reset(
    engine: Engine,
    fact: Fact,
    timer: Timer | None,
    passed: Sequence[Moment],
    now: Moment,
) -> Reset:
    name = fact.subject.removeprefix("section/")
    usual, zone = engine.usual.get(name), engine.line.zone
    last = engine.entries.sections[name].worked
    resumes = None if timer is None else timer.resumes
    return Reset(
        section=name,
        area=engine.line.sections[name].area,
        kind=str(fact.values["kind"]).replace("_", " "),
        by=fact.values["by"],
        at=fact.began,
        step=engine.chronicle.reached[name].value,
        shows=_shows(engine.occupancy.sections[name]),
        next_about=next_train(usual, last, passed, now, zone),
        every=usual.gap_median if usual is not None else None,
        last=last,
        due=None if timer is None else timer.due,
        raised=None if timer is None else timer.raised,
        stopped="" if timer is None else timer.stopped,
        resumes=None if resumes is None else first_train(resumes, passed, zone),
    )


def _shows(settled: Settled) -> str:
    if settled.reasons or settled.state is None:
        return "not known"
    if _not_restored(settled):
        return "clear, the interlocking occupied"
    return STATES[settled.state.value]


def came(facts: Iterable[Fact]) -> dict[str, list[Moment]]:
    """When trains that were worked through came into each section, from facts of the kind `occupation`."""
    found: dict[str, list[Moment]] = {}
    for fact in facts:
        if fact.kind == "occupation" and fact.values.get("worked_through"):
            name = fact.subject.removeprefix("section/")
            found.setdefault(name, []).append(fact.began)
    return found


def next_train(
    usual: Usual | None,
    last: Moment | None,
    passed: Sequence[Moment],
    now: Moment,
    zone: tzinfo,
) -> Moment | None:
    """When a train usually comes next, or None where that is not learnt, or one should have come by now.

    Args:
        usual: what is learnt of the section.
        last: when a train was worked through it last.
        passed: when trains came lately.
        now: when that is asked.
        zone: of the line.
    """
    if usual is None:
        return None
    about = now
    if last is not None and usual.gap_median is not None:
        about = max(now, last + usual.gap_median)
    begin = hour_with_trains(about, usual.hours, zone)
    if begin is None:
        return None
    if begin > about:
        return first_train(begin, passed, zone)
    return about if about > now else None


def hour_with_trains(
    at: Moment, hours: frozenset[int] | None, zone: tzinfo
) -> Moment | None:
    """*at*, where it lies in one of the local *hours* or those are not known; else when the next of them begins, or None where there are none."""
    for _ in range(AHEAD if hours is not None else 0):
        begin, hour = whole_hours(at, zone)
        if hours is None or hour in hours:
            return at
        at = begin + HOUR
    return at if hours is None else None


def first_train(begin: Moment, passed: Sequence[Moment], zone: tzinfo) -> Moment:
    """When in the hour from *begin* on the first train usually comes: the median of the last days that had one, to the minute; *begin* itself where they are too few."""
    hour = as_datetime(begin).astimezone(zone).hour
    first: dict[date, int] = {}
    for at in passed:
        local = as_datetime(at).astimezone(zone)
        if local.hour == hour and begin - LOOKED_BACK <= at < begin:
            before = first.setdefault(local.date(), local.minute)
            first[local.date()] = min(before, local.minute)
    if len(first) < DAYS:
        return begin
    start, _ = whole_hours(begin, zone)
    return max(begin, start + median_low(first.values()) * MINUTE)


# Before the first train.


class Open(StrEnum):
    """What stands open, as people read it."""

    UNACCOUNTED = "train unaccounted for, not closed"
    NOT_KNOWN = "not known"
    DISTURBED = "disturbed"
    AWAITING_SWEEP = "awaiting sweep"
    AWAITING_ACKNOWLEDGEMENT = "awaiting acknowledgement"
    NO_TRAIN_SEEN = "occupied, no train was seen to enter it"
    NOT_RESTORED = "evaluator clear, interlocking occupied"
    NO_TRAIN_SINCE = "reset, no train has followed"
    WORK = "work not ended"
    LOCKED_OUT = "locked out"
    ISOLATED = "isolated"
    SHELVED = "shelved"
    SWITCHED_OFF = "switched off here"


_STATES = {
    State.DISTURBED: Open.DISTURBED,
    State.AWAITING_SWEEP: Open.AWAITING_SWEEP,
    State.AWAITING_ACKNOWLEDGEMENT: Open.AWAITING_ACKNOWLEDGEMENT,
}

_SERVICES = {Service.LOCKED_OUT: Open.LOCKED_OUT, Service.ISOLATED: Open.ISOLATED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One thing that stands open.

    Args:
        subject: as in alerts, `section/T107`.
        area: in which it lies, or the first of those sections asked for that need it.
        what: stands open.
        since: since when, or None where nobody knows.
        until: when it is planned to end, or comes back by itself; else None.
        text: more of it, or "".
    """

    subject: str
    area: str
    what: Open
    since: Moment | None
    until: Moment | None = None
    text: str = ""


def before_first_train(
    engine: Engine,
    handling: Handling,
    now: Moment,
    *,
    sections: Iterable[str] | None = None,
) -> tuple[Standing, ...]:
    """Everything that stands open, section by section, then what several of them share.

    Args:
        engine: what is concluded.
        handling: what people did.
        now: when.
        sections: of these alone, in the order in which it is told; `of_area` and `of_work` give them.
    """
    line = engine.line
    chosen = tuple(line.sections if sections is None else sections)
    concerned = about(engine, chosen)
    found = [
        _unclosed(alert.subject, concerned[alert.subject], alert.began, alert.summary)
        for alert in handling.not_closed()
        if alert.subject in concerned
    ]
    found += [one for name in chosen for one in _of_section(engine, name, now)]
    evaluators = {line.sections[name].evaluator: name for name in reversed(chosen)}
    for name in sorted(evaluators):
        found += _of_evaluator(engine, name, line.sections[evaluators[name]].area)
    kept = [(Open.SHELVED, act) for act in handling.shelved(now)]
    kept += [(Open.SWITCHED_OFF, act) for act in handling.switched_off()]
    found += [
        _silenced(what, act, concerned[act.subject])
        for what, act in kept
        if act.subject in concerned
    ]
    return tuple(found)


def of_area(line: Line, area: str) -> tuple[str, ...]:
    """The sections of *area*, in the order of the line file.

    Raises:
        KeyError: there is no such area.
    """
    found = tuple(name for name, one in line.sections.items() if one.area == area)
    if not found:
        raise KeyError(area)
    return found


def of_work(
    engine: Engine, reference: str, planned: Iterable[str] = ()
) -> tuple[str, ...]:
    """The sections of a work that goes on, and those that are *planned* for it, in the order of the line file.

    Raises:
        KeyError: there is no such work.
    """
    also = set(planned)
    found = tuple(
        name
        for name, settled in engine.occupancy.sections.items()
        if name in also
        or any(event.reference == reference for event in settled.work.values())
    )
    if not found:
        raise KeyError(reference)
    return found


def about(engine: Engine, chosen: Sequence[str]) -> dict[str, str]:
    """All subjects that concern sections, each with the area of the first of them: themselves, their heads, what they need, and who speaks for them."""
    line = engine.line
    found: dict[str, str] = {}
    for name in chosen:
        section = line.sections[name]
        gateway = line.evaluators[section.evaluator].gateway
        source = engine.hearing.source_of(name)
        for subject in (
            f"section/{name}",
            *(f"head/{head}" for head in line.heads_of(name)),
            *engine.dependence.assets_of(f"section/{name}"),
            *(() if gateway is None else (f"gateway/{gateway}",)),
            *(() if source is None else (f"source/{source}",)),
        ):
            found.setdefault(subject, section.area)
    return found


def _unclosed(subject: str, area: str, since: Moment, text: str) -> Standing:
    return Standing(
        subject=subject, area=area, what=Open.UNACCOUNTED, since=since, text=text
    )


def _of_section(engine: Engine, name: str, now: Moment) -> Iterator[Standing]:
    settled = engine.occupancy.sections[name]
    subject, area = f"section/{name}", engine.line.sections[name].area

    def item(
        what: Open, since: Moment | None, text: str = "", until: Moment | None = None
    ) -> Standing:
        return Standing(
            subject=subject, area=area, what=what, since=since, until=until, text=text
        )

    if settled.reasons:
        why = ", ".join(sorted(settled.reasons))
        yield item(Open.NOT_KNOWN, settled.since, why)
    if settled.state in _STATES:
        yield item(_STATES[settled.state], settled.so_since)
    if _not_restored(settled):
        began = [one.began for one in engine.alerts.about(NOT_RESTORED, subject)]
        yield item(Open.NOT_RESTORED, min([*began, settled.so_since]))
    since = _no_train_seen(engine, name, settled)
    if since is not None:
        yield item(Open.NO_TRAIN_SEEN, since)
    waiting = engine.chronicle.waiting.get(name)
    if waiting is not None:
        kind = str(waiting.values["kind"]).replace("_", " ")
        by = f" by {waiting.values['by']}" if waiting.values["by"] else ""
        yield item(Open.NO_TRAIN_SINCE, waiting.began, f"{kind}{by}")
    for event in sorted(settled.work.values(), key=lambda one: one.time):
        over = event.planned_end is not None and event.planned_end < now
        text = " ".join(filter(None, (event.reference, "(planned end past)" * over)))
        yield item(Open.WORK, event.time, text, event.planned_end)


def _not_restored(settled: Settled) -> bool:
    return settled.state is State.CLEAR and settled.interlocking is State.OCCUPIED


def _no_train_seen(engine: Engine, name: str, settled: Settled) -> Moment | None:
    """Since when a section has been occupied without a train that was seen to enter it, or None."""
    if settled.state is not State.OCCUPIED:
        return None
    raised = engine.alerts.about(NO_TRAIN_SEEN, f"section/{name}")
    if raised:
        return raised[0].began
    stretch = engine.entries.sections[name].stretch
    if stretch is not None and stretch.entry is Verdict.NOT_EXPLAINED:
        return stretch.entered
    # Under work, and while it is not known, nobody is followed.
    return None if engine.trains.in_section(name) else settled.so_since


def _of_evaluator(engine: Engine, name: str, area: str) -> Iterator[Standing]:
    fact = engine.chronicle.service.get(name)
    what = None if fact is None else _SERVICES.get(Service(fact.values["state"]))
    if fact is not None and what is not None:
        yield Standing(
            subject=f"evaluator/{name}", area=area, what=what, since=fact.began
        )


def _silenced(what: Open, act: Act, area: str) -> Standing:
    once = "once, " if what is Open.SHELVED and act.until is None else ""
    return Standing(
        subject=act.subject,
        area=area,
        what=what,
        since=act.at,
        until=act.until,
        text=f"{act.kind}, {once}by {act.by}: {act.text}",
    )


# As a sheet of paper.


def print_resets(resets: Sequence[Reset], line: Line, now: Moment) -> str:
    """*Resets waiting for a train* as plain text."""
    rows = print_resets_rows(resets, line, now)
    rows = rows or ["No reset that this feed carries waits for a train."]
    return _sheet("Resets waiting for a train", "", rows, line, now)


def print_resets_rows(resets: Sequence[Reset], line: Line, now: Moment) -> list[str]:
    """A row for each reset, of two lines."""
    zone = line.zone
    return [
        f"{one.section}: {one.kind} reset at {to_the_minute(one.at, zone, now)}"
        f"{f' by {one.by}' if one.by else ''}, {one.step}; shows {one.shows}\n"
        f"  next train {one.next_train(now, zone)}; {one.wanted(now, zone)}"
        for one in resets
    ]


def print_standing(
    standing: Sequence[Standing], line: Line, now: Moment, of: str = ""
) -> str:
    """*Before the first train* as plain text."""
    rows = print_standing_rows(standing, line, now)
    rows = rows or ["Nothing of what was asked for is shown as open."]
    title = f"Before the first train{f': {on_one_line(of)}' if of else ''}"
    return _sheet(title, HEADING, rows, line, now)


def print_standing_rows(
    standing: Sequence[Standing], line: Line, now: Moment
) -> list[str]:
    """A row for each thing; what is the same of several sections stands in one."""
    zone = line.zone
    together: dict[tuple[str, Moment | None, Moment | None, str], list[str]] = {}
    for one in standing:
        key = one.what.value, one.since, one.until, one.text
        together.setdefault(key, []).append(one.subject.removeprefix("section/"))
    rows = []
    for (what, since, until, text), subjects in together.items():
        row = f"{names(subjects)}: {what}"
        if text:
            row += f", {on_one_line(text)}"
        if since is not None:
            row += f", since {to_the_minute(since, zone, now)}"
        if until is not None:
            row += f", until {to_the_minute(until, zone, now)}"
        rows.append(row)
    return rows


def _sheet(title: str, heading: str, rows: list[str], line: Line, now: Moment) -> str:
    made = f"{as_datetime(now).astimezone(line.zone):%Y-%m-%d}"
    head = [
        title,
        f"{line.name}, {made} {to_the_minute(now, line.zone)} {line.timezone}",
    ]
    parts = [*head, *([heading] if heading else []), "", *rows, "", CAUTION]
    return "\n".join(folded(part) for part in parts) + "\n"


def on_one_line(text: str) -> str:
    """*text* as somebody typed it, fit to stand in a line: what cannot be printed is left out."""
    return " ".join(_printable(text).split())


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def folded(text: str) -> str:
    """*text* in lines that a sheet of paper holds; what goes on is set in, and what cannot be printed is left out."""
    return "\n".join(
        one
        for line in text.split("\n")
        for one in wrap(_printable(line), WIDTH, subsequent_indent="    ") or [""]
    )


# As metrics.


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A number for Prometheus.

    Args:
        name: without the prefix of all.
        text: what it is.
        labels: with their values.
        value: the number.
    """

    name: str
    text: str
    labels: tuple[tuple[str, str], ...]
    value: float


def values(
    resets: Iterable[Reset], standing: Iterable[Standing], line: Line
) -> tuple[Value, ...]:
    """Both lists as numbers by area; each is there at 0, so that a rule sees the first one."""
    areas = sorted({section.area for section in line.sections.values()})
    late = Counter(one.area for one in resets if one.raised is not None)
    counted = Counter((one.area, one.what) for one in standing)
    found = [
        Value(
            name="resets_overdue",
            text="Sections with a reset that no train followed in the time set",
            labels=(("area", area),),
            value=float(late[area]),
        )
        for area in areas
    ]
    found += [
        Value(
            name="standing_open",
            text="What stands open before the first train",
            labels=(("area", area), ("what", what.name.lower())),
            value=float(counted[area, what]),
        )
        for area in areas
        for what in Open
    ]
    return tuple(found)
