"""What people enter: it moves no watermark, has no lag, is never late, and acts from its coming."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from monitor.core.events import ResetKind, SectionReset, SectionWork, SourceWatch, Step
from monitor.core.moments import HOUR, MINUTE, parse
from monitor.core.ordering import Outcome

CLEAR = "\n".join(f"06:00:00 T{number} clear" for number in range(1, 6))

ARRIVES = """
06:10:00 T1 occupied
06:10:40 T2 occupied
06:10:50 T1 clear
06:11:20 T3 occupied
06:11:30 T2 clear
"""

LEAVES = """
06:12:00 T4 occupied
06:12:10 T3 clear
06:12:40 T5 occupied
06:12:50 T4 clear
06:13:30 T5 clear
"""

SIX = parse("2026-05-04T06:00:00Z")


def quiet(day, kind):
    """What keeps alerts of *kind* quiet, line by line."""
    return [one.parameters.get("quiet") for one in day.alerts if one.kind == kind]


def about_nothing(kind, number, came, ago):
    """An entry that concerns nothing on the line."""
    common = {
        "id": str(number),
        "source": ("desk/1", "plan/week")[number % 2],
        "time": came - ago,
        "arrival": came,
    }
    if kind == "work":
        return SectionWork(subject="T77", begun=True, **common)
    if kind == "watch":
        return SourceWatch(subject="gw/77", out=True, **common)
    return SectionReset(
        subject="T77", kind=ResetKind.UNCONDITIONAL, step=Step.ACCEPTED, **common
    )


# Each run is made anew within.
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["work", "watch", "reset"]),
            st.integers(0, 13 * MINUTE),
            st.integers(0, 30 * 24 * HOUR),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_an_entry_that_concerns_nothing_is_time_gone_by(run, entries):
    """With it the watermark, what is raised, and what is said of clocks are those of a monitor that was only told what time it is."""
    told, asked = run(), run()
    feed = told.story.events(CLEAR + ARRIVES + LEAVES + "06:14:00 T3 disturbed")
    mixed = [(event.arrival, 0, event) for event in feed] + [
        (SIX + at, 1, about_nothing(kind, number, SIX + at, ago))
        for number, (kind, at, ago) in enumerate(entries)
    ]
    for came, entered, event in sorted(mixed, key=lambda one: one[:2]):
        told.take(told.engine.take(event))
        if entered:
            asked.take(asked.engine.pass_time(came))
        else:
            asked.take(asked.engine.take(event))
        assert told.engine.watermark == asked.engine.watermark
    told.until("09:00")
    asked.until("09:00")

    assert told.alerts == asked.alerts
    assert told.records == asked.records
    assert told.engine.not_known() == asked.engine.not_known() == {}


def test_an_entry_is_never_late_and_has_no_lag(run):
    """A reset of two hours ago makes nothing not known, and no clock wrong, though forty such come."""
    day = run().tell(CLEAR)
    for number in range(40):
        at = f"08:{number:02}:00"
        day.tell(f"06:{number:02}:00 T3 reset refused by desk/1 at {at}")
        day.tell(f"{at} T1 clear id=s{number}")

    assert day.engine.ordering.counts[Outcome.LATE] == 0
    assert day.engine.not_known() == {}
    assert "desk/1" not in day.engine.ordering.clocks.sources
    assert day.until("09:00").brief() == []


def test_where_nobody_says_when_it_came_an_entry_takes_its_own_time(run):
    """A recording without `recordedtime`: the work begins when it was so, and moves the watermark no further."""
    day = run()
    events = day.story.events(
        f"""{CLEAR}
        06:20:00 T3 work begun W7 by desk/1
        06:10:00 T3 disturbed
        06:30:00 T4 disturbed
        """
    )
    bare = [replace(event, arrival=None) for event in events]
    without = run().tell(bare[:5] + bare[6:])
    day.tell(bare)
    assert day.engine.watermark == without.engine.watermark

    assert day.until("07:00").brief("section-disturbed") == [
        "section-disturbed section/T3 prompt 06:10:00 06:10:05 -",
        "section-disturbed section/T4 prompt 06:30:00 06:30:05 -",
    ]
    assert quiet(day, "section-disturbed") == [None, "under work: work W7", None]


# Work.


def test_work_entered_later_quiets_from_its_coming(run):
    """What was raised before it was entered was raised, and keeps quiet from then on, naming the work; nothing is withdrawn."""
    day = run().tell(
        f"""{CLEAR}
        06:04:00 T3 disturbed
        06:00:00 T3 work begun W7 by desk/1 at 06:10:00
        06:20:00 T3 work ended W7 by desk/1 at 06:30:00
        """
    )

    assert day.until("07:00").brief() == [
        "section-disturbed section/T3 prompt 06:04:00 06:04:05 -"
    ]
    assert quiet(day, "section-disturbed") == [None, "under work: work W7", None]


def test_nothing_is_raised_between_the_coming_of_begun_and_that_of_ended(run):
    """Work that had ended at 06:20 goes on until somebody says so, at 06:30."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T3 work begun W7 by plan/week at 06:10:00
        06:25:00 T3 disturbed
        06:26:00 T3 clear
        06:20:00 T3 work ended W7 by plan/week at 06:30:00
        06:40:00 T3 disturbed
        """
    )

    assert day.until("06:50").brief("section-disturbed") == [
        "section-disturbed section/T3 prompt 06:40:00 06:40:05 -"
    ]


def test_work_never_ends_by_itself(run):
    """Its planned end is shown, and ends nothing."""
    day = run().tell(CLEAR)
    [begun] = day.story.events("06:10:00 T3 work begun W7 by plan/week")
    day.tell([replace(begun, planned_end=SIX + 20 * MINUTE)])
    day.tell("09:00:00 T3 disturbed")

    assert day.until("12:00").brief() == []
    [work] = day.engine.occupancy.sections["T3"].work.values()
    assert work.planned_end == SIX + 20 * MINUTE


def test_a_reset_made_under_work_is_watched_from_its_end(run):
    """Whoever enters the reset, and whoever the end: an hour from then on."""
    table = f"""{CLEAR}
        06:05:00 T3 work begun W7 by desk/1
        06:10:00 T3 reset accepted by desk/1 at 06:15:00
        06:40:00 T3 work ended W7 by desk/1 at 07:00:00
        """

    assert run().tell(table).until("07:59:59").brief() == []
    assert run().tell(table).until("09:00").brief() == [
        "reset-unproved section/T3 planned 07:00:00 08:00:00 -"
    ]


def test_a_train_that_came_under_work_proves_the_reset_that_was_made_before(run):
    """Then nothing is watched when the work ends."""
    day = run().tell(
        f"""{CLEAR}
        06:05:00 T3 work begun W7 by desk/1
        06:06:00 T3 reset accepted by desk/1 at 06:08:00
        {ARRIVES}{LEAVES}
        06:40:00 T3 work ended W7 by desk/1 at 07:00:00
        """
    )

    assert day.until("12:00").brief("reset-unproved") == []


def test_what_keeps_quiet_names_the_work_that_goes_on(run):
    """Of two works the first has ended: the reason is the second."""
    day = run().tell(
        f"""{CLEAR}
        06:04:00 T3 disturbed
        06:05:00 T3 work begun W7 by desk/1
        06:06:00 T3 work begun W8 by desk/1
        06:07:00 T3 work ended W7 by desk/1
        """
    )
    day.until("07:00")

    assert quiet(day, "section-disturbed")[-1] == "under work: work W8"


# Resets.


@pytest.mark.parametrize(
    ("entered", "raised"),
    [("06:05:00", "07:05:00"), ("06:50:00", "07:05:00"), ("09:00:00", "09:00:00")],
)
def test_a_reset_counts_from_when_it_was_so(run, entered, raised):
    """It is due an hour after it was made, and at the earliest when it was entered."""
    day = run().tell(f"{CLEAR}\n06:05:00 T3 reset accepted by desk/1 at {entered}")

    assert day.until("12:00").brief() == [
        f"reset-unproved section/T3 planned 06:05:00 {raised} -"
    ]


def test_a_reset_that_a_train_has_followed_raises_nothing(run):
    """Entered at 07:30, made at 06:05: the train of 06:11 is the proof; made at 06:12 it is none, for the train was in it."""
    before = run().tell(CLEAR + ARRIVES + LEAVES)
    before.tell("06:05:00 T3 reset accepted by desk/1 at 07:30:00").until("12:00")
    after = run().tell(CLEAR + ARRIVES + LEAVES)
    after.tell("06:12:30 T3 reset accepted by desk/1 at 07:30:00").until("12:00")

    assert before.brief() == []
    assert after.brief() == ["reset-unproved section/T3 planned 06:12:30 07:30:00 -"]


def test_a_reset_that_a_train_has_followed_does_not_wait(run):
    """What waits for a train is a list of its own, and must say the same."""
    day = run().tell(CLEAR + ARRIVES + LEAVES)
    day.tell("06:05:00 T3 reset accepted by desk/1 at 07:30:00").until("07:40")

    assert day.engine.resets_waiting() == {}
    [fact] = [one for one in day.facts if one.kind == "reset"]
    assert fact.values["proved_at"] == "2026-05-04T06:12:10.000Z"


def test_an_older_reset_entered_later_does_not_take_the_place_of_the_newer(run):
    """The newer one waits for a train, in the list as in the alert."""
    day = run().tell(
        f"""{CLEAR}
        06:30:00 T3 reset accepted
        06:05:00 T3 reset accepted by desk/1 at 06:40:00
        """
    )
    day.until("09:00")

    assert day.brief() == ["reset-unproved section/T3 planned 06:30:00 07:30:00 -"]
    assert day.engine.resets_waiting()["T3"].began == SIX + 30 * MINUTE


def test_an_old_reset_that_a_train_has_followed_leaves_a_newer_one_waiting(run):
    """Entered when the newer one waits already, it proves nothing of that, and the fault of that stays open."""
    day = run().tell(CLEAR + ARRIVES + LEAVES)
    day.tell(
        """
        06:29:00 T3 disturbed
        06:30:00 T3 reset accepted
        06:30:01 T3 clear
        06:05:00 T3 reset accepted by desk/1 at 06:40:00
        06:45:00 T1 clear
        """
    )

    assert day.engine.resets_waiting()["T3"].began == SIX + 30 * MINUTE
    [old] = [one for one in day.facts if one.began == SIX + 5 * MINUTE]
    assert old.values["proved_at"] == "2026-05-04T06:12:10.000Z"
    assert {case.told.waiting for case in day.engine.faults.cases.values()} == {("T3",)}


def test_a_train_that_leaves_as_a_reset_is_entered_has_left(run):
    """The reset was made eleven minutes before; the train that leaves as it is typed is the proof."""
    enters, leaves = LEAVES.strip().split("\n", 1)
    day = run().tell(CLEAR + ARRIVES).tell(enters)
    day.tell("06:00:30 T3 reset accepted by desk/1 at 06:12:05").tell(leaves)

    assert day.until("09:00").brief("reset-unproved") == []


def test_a_failure_long_after_the_reset_is_none_of_that_reset(run):
    """Made at 06:04, entered at 06:14: a quarter of an hour is over at 06:19, five minutes after it was entered."""
    reset = f"{CLEAR}\n06:04:00 T3 reset accepted by desk/1 at 06:14:00"
    before = run().tell(f"{reset}\n06:16:00 T3 disturbed").until("07:00")
    after = run().tell(f"{reset}\n06:20:00 T3 disturbed").until("07:00")

    [held] = [one for one in before.alerts if one.kind == "reset-not-held"]
    assert held.parameters["held_for_s"] == 12 * 60
    assert after.brief("reset-not-held") == []


# A source out of watch.


def test_a_source_is_out_from_the_coming_of_the_entry(run):
    """Its sections are not known and nothing is raised about them; what was raised before stays; back in watch they are known by what they said last, and timers start then."""
    day = run().tell(
        f"""{CLEAR}
        06:01:00 T3 occupied
        06:05:00 gw/1 out by desk/1 at 06:10:00
        06:10:30 T1 disturbed
        06:11:00 T5 disturbed
        06:11:10 T5 clear
        """
    )
    out = "its source is out of watch"

    assert day.engine.not_known() == {"T1": out, "T2": out, "T3": out}

    day.tell("06:30:00 gw/1 in by desk/1\n06:32:00 T5 clear id=m")
    assert day.engine.not_known() == {}
    assert day.until("06:32:00").brief("occupied-no-train", "section-disturbed") == [
        "occupied-no-train section/T3 prompt 06:01:00 06:03:00 -",
        "section-disturbed section/T5 prompt 06:11:00 06:11:05 06:11:10",
        "section-disturbed section/T1 prompt 06:10:30 06:30:05 -",
    ]
