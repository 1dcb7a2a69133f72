from __future__ import annotations

from datetime import UTC, datetime

import pytest

from monitor.core.detector import Place
from monitor.core.events import (
    Direction,
    HeadPassage,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    SourceWatch,
    State,
    Step,
)
from monitor.core.moments import DAY, HOUR, MINUTE, from_datetime
from monitor.refusals import refusals

LINE = Place.example().line
NOW = from_datetime(datetime(2026, 5, 4, 6, 0, tzinfo=UTC))


def work(subject="T107", *, begun=True, time=NOW, reference="W7", end=None):
    """Work that somebody enters."""
    return SectionWork(
        id="1",
        source="desk/east",
        subject=subject,
        time=time,
        begun=begun,
        reference=reference,
        planned_end=end,
    )


def reset(subject="T107", time=NOW):
    """A reset that the feed did not carry."""
    return SectionReset(
        id="1",
        source="desk/east",
        subject=subject,
        time=time,
        kind=ResetKind.PREPARATORY,
        step=Step.ACCEPTED,
        by="technician",
    )


def watch(subject, *, out):
    """A source taken out of watch, or back."""
    return SourceWatch(id="1", source="desk/east", subject=subject, time=NOW, out=out)


def told(*events, going=()):
    """What is said of *events* where *going* is under way on T107, gw/1 is watched and gw/2 is not."""
    return refusals(
        events,
        now=NOW,
        line=LINE,
        works={"T107": going},
        sources={"gw/1": False, "gw/2": True},
    )


@pytest.mark.parametrize(
    ("event", "going"),
    [
        (work(end=NOW + MINUTE), ()),
        (work(reference="W8"), (work(),)),
        (work(begun=False), (work(time=NOW - HOUR),)),
        (work(begun=False, reference=None), (work(time=NOW - HOUR),)),
        (work(begun=False, reference=None), (work(reference=""), work())),
        (reset(time=NOW - 31 * DAY), ()),
        (watch("gw/1", out=True), ()),
        (watch("gw/2", out=False), ()),
    ],
)
def test_what_can_be_so_is_taken(event, going):
    """Nothing is said of it; an end without a name means the only work that goes on, or the one without a name."""
    assert told(event, going=going) == ()


@pytest.mark.parametrize(
    ("event", "going", "why"),
    [
        (work("T9"), (), "the line file has no section T9"),
        (reset("T9"), (), "the line file has no section T9"),
        (reset(time=NOW + MINUTE), (), "06:01:00 has not come yet"),
        (
            reset(time=NOW + DAY),
            (),
            "2026-05-05 06:00:00 has not come yet",
        ),
        (
            work(time=NOW - 31 * DAY - 1),
            (),
            "2026-04-03 05:59:59 is more than 31 days ago",
        ),
        (work(end=NOW), (), "the work is planned to end before it began"),
        (work(), (work(),), "T107 is under work W7 already"),
        (
            work(reference=None),
            (work(reference=""),),
            "T107 is under work without a name already",
        ),
        (work(begun=False), (), "T107 is not under work"),
        (
            work(begun=False, reference="W9"),
            (work(),),
            "T107 is under work W7, not under work W9",
        ),
        (
            work(begun=False, reference=None),
            (work(), work(reference="W8")),
            "T107 is under work W7 and work W8, to be named",
        ),
        (
            work(begun=False, time=NOW - HOUR),
            (work(time=NOW - MINUTE),),
            "work W7 on T107 began at 05:59:00, after that",
        ),
        (watch("gw/1", out=False), (), "gw/1 is in watch already"),
        (watch("gw/2", out=True), (), "gw/2 is out of watch already"),
        (watch("gw/3", out=True), (), "nothing was ever heard from gw/3"),
        (watch("desk/east", out=True), (), "desk/east is people, not a source"),
        (
            SectionState(
                id="1", source="desk/east", subject="T107", time=NOW, state=State.CLEAR
            ),
            (),
            "T107: nobody enters what equipment says",
        ),
        (
            HeadPassage(
                id="1",
                source="desk/east",
                subject="H107",
                time=NOW,
                direction=Direction.FORWARD,
                axles=4,
            ),
            (),
            "H107: nobody enters what equipment says",
        ),
    ],
)
def test_what_cannot_be_so_is_refused_in_one_line(event, going, why):
    """A slip of the hand is told before it quiets anything."""
    assert told(event, going=going) == (why,)


def test_everything_that_is_wrong_is_told_once():
    """An entry for many sections at a time that has not come says so once."""
    later = NOW + MINUTE

    assert told(work("T9", time=later), work("T107", time=later, begun=False)) == (
        "06:01:00 has not come yet",
        "the line file has no section T9",
        "T107 is not under work",
    )
