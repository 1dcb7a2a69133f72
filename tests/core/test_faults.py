"""Which alerts are one fault, until when, by which number, and when somebody is called."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from monitor.core.alerts import Alert, identify
from monitor.core.facts import Fact
from monitor.core.faults import (
    CALLING,
    MOST,
    RANKS,
    STAYS,
    SYMBOLS,
    Fault,
    Faults,
    number_of,
)
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse, stamp
from monitor.core.suppression import OF_A_CAUSE

SIX = parse("2026-05-04T06:00:00.000Z")
AGAIN = 4 * HOUR
RECALL = 900 * SECOND
WAIT = 20 * SECOND


class Desk:
    """The stage alone, told of alerts and resets by hand; moments are seconds after six."""

    def __init__(self, line):
        self.asked: list[int] = []
        self.now = SIX
        self.stage = Faults(
            line=line,
            recall_after=RECALL,
            join_wait=WAIT,
            again_within=AGAIN,
            standing=len,
            ask=self.asked.append,
        )
        self.faults = {}
        self.told = []
        self._calls = []

    def until(self, at):
        """Time passes up to *at*, and what falls due before it is woken."""
        at = SIX + round(at * SECOND)
        while True:
            due = min((one for one in self.asked if one < at), default=None)
            if due is None:
                break
            self.asked.remove(due)
            self.now = max(self.now, due)
            self.stage.wake(due)
            self.keep()
        self.now = max(self.now, at)
        return self.now

    def keep(self):
        """What has changed."""
        faults, calls = self.stage.give()
        self.told += faults
        self.faults |= {one.id: one for one in faults}
        self._calls += calls

    def hear(self, alert):
        """A line of the alert record."""
        self.stage.hear(alert, self.now)
        self.keep()
        return alert

    def raised(self, at, kind, subject, priority="prompt", **more):
        """An alert is raised at *at*."""
        now = self.until(at)
        told = {
            "id": identify(kind, subject, now),
            "began": now,
            "raised": now,
            "ended": None,
            "summary": "",
            "evidence": (),
            "affected": (subject,),
            "suspects": (),
            "checks": (),
            "parameters": {},
            **more,
        }
        return self.hear(Alert(kind=kind, subject=subject, priority=priority, **told))

    def changed(self, at, alert, **more):
        """Something else is said of it."""
        self.until(at)
        return self.hear(replace(alert, **more))

    def over(self, at, alert, **more):
        """It is over."""
        return self.changed(at, alert, ended=self.until(at), **more)

    def reset(self, at, section, *, proved=False):
        """It is given back, or a train has followed."""
        now = self.until(at)
        fact = Fact(
            kind="reset",
            subject=f"section/{section}",
            began=now - 1 if proved else now,
            ended=now if proved else None,
            values={"step": "accepted"},
        )
        self.stage.reset(fact, now)
        self.keep()

    def disturbed(self, at, section, **more):
        """A section is disturbed."""
        return self.raised(at, "section-disturbed", f"section/{section}", **more)

    def fault_of(self, alert):
        """The fault that has an alert, and was not taken in."""
        (one,) = [
            fault
            for fault in self.faults.values()
            if alert.id in fault.alerts and fault.into is None
        ]
        return one

    @property
    def calls(self):
        """The calls so far; those of this moment are made when it is over."""
        for due in [one for one in self.asked if one <= self.now]:
            self.asked.remove(due)
            self.stage.wake(due)
            self.keep()
        return self._calls

    @property
    def called(self):
        """When somebody was called, in seconds after six."""
        return [(one.at - SIX) / SECOND for one in self.calls]


@pytest.fixture
def desk(plain):
    """The stage over nine sections, the first five of them on EV1."""
    return Desk(plain(9))


def second(moment):
    """In seconds after six."""
    return None if moment is None else (moment - SIX) / SECOND


# From the first until all is over.


def test_it_begins_with_its_first_alert_and_ends_with_its_last(desk):
    """Id and number are of the first alert; it is over when the last is."""
    first = desk.disturbed(5, "T3")
    other = desk.raised(30, "reset-not-held", "section/T3")
    desk.over(60, first)
    half = desk.fault_of(first)
    desk.over(90, other)
    whole = desk.fault_of(first)

    assert (half.id, half.number) == (first.id, number_of(first.id))
    assert half.alerts == (first.id, other.id)
    assert half.open == (other.id,)
    assert half.headline == "T3: reset did not hold"
    assert (half.ended, second(whole.ended)) == (None, 90)


def test_a_reset_in_it_must_be_followed_by_a_train(desk):
    """Its alerts are over, and it stays open until a train has followed the reset."""
    alert = desk.disturbed(5, "T3")
    desk.reset(100, "T3")
    desk.over(101, alert)
    waiting = desk.fault_of(alert)
    desk.reset(500, "T3", proved=True)
    ended = desk.fault_of(alert)

    assert (waiting.waiting, waiting.open, waiting.ended) == (("T3",), (), None)
    assert waiting.headline == "T3 reset, no train has followed"
    assert waiting.priority == "prompt"
    assert (ended.waiting, second(ended.ended)) == ((), 500)
    assert ended.headline == "T3 disturbed"


def test_a_reset_of_another_section_is_no_reset_of_it(desk):
    """What is given back elsewhere keeps nothing open."""
    alert = desk.disturbed(5, "T3")
    desk.reset(100, "T6")
    desk.over(101, alert)

    assert desk.fault_of(alert).ended == SIX + 101 * SECOND


def test_a_reset_made_before_it_waits_in_it(desk):
    """A reset that no train has followed when the alert comes is of the fault."""
    desk.reset(10, "T3")
    alert = desk.raised(3700, "reset-unproved", "section/T3", "planned")

    assert desk.fault_of(alert).waiting == ("T3",)


def test_a_reset_right_after_its_end_opens_it_again(desk):
    """The section came back a second before the reset was told: that is the fault's all the same."""
    alert = desk.disturbed(5, "T3")
    desk.over(100, alert)
    desk.reset(101, "T3")

    assert desk.fault_of(alert).waiting == ("T3",)
    assert desk.fault_of(alert).ended is None


def test_notes_begin_none_and_keep_none_open(desk):
    """A note joins the open fault of its place, and no other."""
    alone = desk.raised(1, "long-occupation", "section/T3", "note")
    assert desk.faults == {}
    alert = desk.disturbed(5, "T3")
    note = desk.raised(10, "line-file-doubt", "section/T3", "note")
    desk.over(20, alert)
    after = desk.raised(30, "long-occupation", "section/T3", "note")
    fault = desk.fault_of(alert)

    assert fault.alerts == (alert.id, note.id)
    assert second(fault.ended) == 20
    assert fault.headline == "T3 disturbed"
    assert not {alone.id, after.id} & set(fault.alerts)


def test_a_note_that_proves_more_begins_one(desk):
    """What was a note alone and is urgent now is somebody's to work on."""
    note = desk.raised(1, "vanished-train", "section/T3", "note")
    desk.changed(10, note, priority="urgent")

    assert desk.fault_of(note).priority == "urgent"
    assert desk.called == [1]


# What belongs together.


@pytest.mark.parametrize(
    ("subject", "joins"),
    [
        ("section/T3", True),
        ("head/H2", True),  # between T2 and T3
        ("head/H3", True),  # between T3 and T4
        ("section/T4", False),
        ("head/H4", False),
        ("evaluator/EV1", False),
        ("gateway/GW1", False),
        ("source/gw/1", False),
    ],
)
def test_what_belongs_to_a_section(desk, subject, joins):
    """A section's fault has what is about itself and its heads, and not its neighbours."""
    alert = desk.disturbed(5, "T3")
    other = desk.raised(10, "level-out", subject, "planned")

    assert (desk.fault_of(other) == desk.fault_of(alert)) is joins


@pytest.mark.parametrize(("section", "joins"), [("T3", 1), ("T4", 1), ("T5", 0)])
def test_what_belongs_to_a_head(desk, section, joins):
    """A head's fault has what the sections beside it show."""
    head = desk.raised(5, "count-mismatch", "head/H3", "planned")
    other = desk.raised(10, "occupied-no-train", f"section/{section}")

    assert (desk.fault_of(head) == desk.fault_of(other)) is bool(joins)


@pytest.mark.parametrize(
    ("other", "later", "joins"),
    [("T4", 20, True), ("T4", 20.001, False), ("T2", 0, True), ("T5", 0, False)],
)
def test_two_sections_that_share_a_head_are_one(desk, other, later, joins):
    """Disturbed within twenty seconds, as their head does it: one fault, and one call that names both."""
    first = desk.disturbed(100, "T3")
    beside = desk.disturbed(100 + later, other)
    desk.until(500)

    assert (desk.fault_of(first) == desk.fault_of(beside)) is joins
    if joins:
        assert desk.fault_of(first).headline == f"T3 and {other} disturbed"
        assert desk.called == [120]
        assert f"T3 disturbed. Also {other} disturbed." in desk.calls[0].text
    else:
        assert desk.called == [120, 120 + later]


def test_what_fails_on_and_on_is_told_on_and_on(watched):
    """Sections in a row fail a quarter of a minute apart: the first two are one call, the third is none of it, and when it is a storm somebody is called for that."""
    for number in (1, 2, 3):
        watched.disturbed(15 * number, f"T{number}")
    found, _ = cause(watched, 60, "area/a", sections="T1 T2 T3")
    watched.until(500)

    # T1 is due at 35, and T2 came before that; T3 came at 45.
    assert watched.called == [35, 60]
    assert watched.calls[1].alert == found.id


def test_what_is_beside_work_is_no_part_of_it(desk):
    """T3 keeps quiet, for it is under work; that T4 is disturbed then is its own fault."""
    quiet = desk.disturbed(100, "T3", parameters={"quiet": "under work: W7"})
    beside = desk.disturbed(101, "T4")

    assert desk.fault_of(quiet) != desk.fault_of(beside)


def test_a_head_that_goes_on_takes_in_what_it_does_beside(desk):
    """T4 failed an hour ago; now T3 fails, and T4 with it: the older number, one call."""
    old = desk.disturbed(0, "T4")
    desk.over(100, old)
    new = desk.disturbed(3600, "T3")
    again = desk.disturbed(3601, "T4")
    desk.until(4000)

    assert desk.fault_of(again).id == desk.fault_of(new).id == old.id
    assert desk.faults[new.id].into == old.id
    assert desk.called == [20, 3620]


def test_a_locked_out_evaluator_covers_its_sections(desk):
    """While it is locked out, what its sections show is the same fault; what others show is not."""
    affected = ("evaluator/EV1", *(f"section/T{n}" for n in range(1, 6)))
    locked = desk.raised(5, "evaluator-locked-out", "evaluator/EV1", affected=affected)
    mine, others = desk.disturbed(9, "T2"), desk.disturbed(9, "T7")

    assert desk.fault_of(mine) == desk.fault_of(locked)
    assert desk.fault_of(others) != desk.fault_of(locked)


def test_a_silent_gateway_covers_nothing_else(desk):
    """Sections of a gateway that was not heard are not of its fault, however many it speaks for."""
    affected = ("gateway/GW1", "section/T1", "section/T2")
    silent = desk.raised(5, "feed-silent", "gateway/GW1", affected=affected)
    desk.over(60, silent)
    other = desk.disturbed(70, "T2")

    assert desk.fault_of(other) != desk.fault_of(silent)


def test_what_names_a_train_that_vanished_is_of_its_fault(desk):
    """A train that comes out an hour later belongs to the fault of the section where it vanished, though that counts as over."""
    gone = desk.raised(0, "vanished-train", "section/T3", "urgent")
    seen = desk.raised(
        3600,
        "unseen-train",
        "section/T7",
        "urgent",
        parameters={"vanished": "section/T3"},
    )

    assert desk.fault_of(seen) == desk.fault_of(gone)
    assert desk.fault_of(seen).lasting == (gone.id, seen.id)


@pytest.mark.parametrize(
    ("later", "same"), [(4 * 3600, True), (4 * 3600 + 0.001, False)]
)
def test_what_comes_back_within_four_hours_is_the_same(desk, later, same):
    """A part that works loose is one thing through the evening, and a new one tomorrow."""
    first = desk.disturbed(0, "T3")
    desk.over(100, first)
    again = desk.disturbed(100 + later, "T3")

    assert (desk.fault_of(first) == desk.fault_of(again)) is same
    if same:
        assert desk.fault_of(first).ended is None


def test_it_comes_back_for_a_day_and_no_longer(desk):
    """A section that fails every three hours is a new fault each day, not one for ever."""
    every = []
    for number in range(17):
        every.append(desk.disturbed(number * 10800, "T3"))
        desk.over(number * 10800 + 60, every[-1])

    # At 0, 3, ... 24 h it is the first; at 27 h, a day and more after it began, a second.
    assert {desk.fault_of(one).id for one in every[:9]} == {every[0].id}
    assert {desk.fault_of(one).id for one in every[9:]} == {every[9].id}


# What only a person ends.


def test_what_only_a_person_ends_counts_as_over_when_all_else_is(desk):
    """The fault is over a quarter of an hour after the last thing that came, and still says what stays."""
    gone = desk.raised(0, "vanished-train", "section/T3", "urgent")
    other = desk.disturbed(60, "T3")
    desk.over(600, other)
    desk.until(1499.9)
    assert desk.fault_of(gone).ended is None
    desk.until(1500.1)
    fault = desk.fault_of(gone)

    assert second(fault.ended) == 1500
    assert fault.open == fault.lasting == (gone.id,)
    assert fault.headline == "T3 cleared, its train unaccounted for"


# Causes.


def cause(desk, at, subject="evaluator/EV1", sections=""):
    """A common cause is seen, ten seconds after it began; before that its members say that it has them."""
    affected = (subject, *(f"section/{one}" for one in sections.split()))
    began = desk.until(at) - 10 * SECOND
    group = identify("common-cause", subject, began)
    members = []
    for one in desk.open:
        if one.subject in affected and one.kind in OF_A_CAUSE:
            marks = {"group": group, "quiet": f"a common cause covers it: {subject}"}
            members.append(desk.changed(at, one, parameters=marks))
    found = desk.raised(
        at, "common-cause", subject, affected=affected, began=began, id=group
    )
    return found, members


class Watched(Desk):
    """A desk that remembers which alerts are open."""

    def __init__(self, line):
        super().__init__(line)
        self.by_id = {}

    def hear(self, alert):
        """A line of the alert record, kept by its id."""
        self.by_id[alert.id] = alert
        return super().hear(alert)

    @property
    def open(self):
        """The alerts that are open."""
        return [one for one in self.by_id.values() if one.ended is None]


@pytest.fixture
def watched(plain):
    """The same, remembering what is open."""
    return Watched(plain(9))


def test_a_cause_takes_in_what_it_covers(watched):
    """The oldest number is kept; the others say where they went and have nothing open."""
    one, two, three = (watched.disturbed(n, f"T{n}") for n in (1, 3, 5))
    numbers = [watched.fault_of(alert).number for alert in (one, two, three)]
    found, _ = cause(watched, 10, sections="T1 T3 T5")
    whole = watched.fault_of(found)

    assert (whole.id, whole.number) == (one.id, numbers[0])
    assert whole.alerts == (one.id, two.id, three.id, found.id)
    assert whole.took == (two.id, three.id)
    assert whole.headline == "Evaluator EV1: 3 sections failed at once"
    for other, number in zip((two, three), numbers[1:], strict=True):
        taken = watched.faults[other.id]
        assert (taken.into, taken.number, taken.open) == (one.id, number, ())
        assert second(taken.ended) == 10


def test_for_a_cause_there_is_one_call(watched):
    """Its members wait twenty seconds; by then the cause has them, and it is called for once."""
    for number in (1, 2, 3):
        watched.disturbed(number, f"T{number}")
    found, _ = cause(watched, 10, sections="T1 T2 T3")
    watched.until(100)

    assert watched.called == [10]
    assert watched.calls[0].alert == found.id
    assert watched.fault_of(found).calls == 1


def test_nobody_is_called_again_for_a_cause_of_what_was_called_for(watched):
    """All of them were called for one by one before; that they are one thing is no new call."""
    for number in (1, 3, 5):
        watched.disturbed(number, f"T{number}")
    watched.until(30)
    found, _ = cause(watched, 40, sections="T1 T3 T5")
    watched.until(500)

    assert watched.called == [21, 23, 25]
    assert watched.fault_of(found).calls == 3


def test_what_fails_later_joins_the_cause_quietly(watched):
    """A member that comes with its group belongs to the cause's fault and calls nobody."""
    for number in (1, 2, 3):
        watched.disturbed(number, f"T{number}")
    found, _ = cause(watched, 10, sections="T1 T2 T3")
    marks = {"group": found.id, "quiet": "a common cause covers it: evaluator/EV1"}
    later = watched.disturbed(50, "T4", parameters=marks)
    watched.until(200)

    assert watched.fault_of(later) == watched.fault_of(found)
    assert watched.called == [10]


def test_an_old_fault_does_not_keep_a_cause_from_calling(watched):
    """T1 was called for an hour ago and waits for a train; when the evaluator goes, somebody is called."""
    old = watched.disturbed(0, "T1")
    watched.reset(100, "T1")
    watched.over(101, old)
    for number in (2, 3, 4):
        watched.disturbed(3600 + number, f"T{number}")
    cause(watched, 3610, sections="T1 T2 T3 T4")
    watched.until(4000)

    assert watched.called == [20, 3610]


@pytest.mark.parametrize("off", [120, 1260])
def test_a_room_that_comes_back_with_its_gateway_is_one_fault(watched, off):
    """The gateway was silent, for minutes or for longer than a fault takes to be quiet, and all that it speaks for failed as it returned: one thing, and one call."""
    affected = ("gateway/GW1", *(f"section/T{n}" for n in range(1, 6)))
    silent = watched.raised(0, "feed-silent", "gateway/GW1", affected=affected)
    watched.over(off, silent)
    members = [watched.disturbed(off + 6, f"T{n}") for n in range(1, 6)]
    found, _ = cause(watched, off + 16, sections="T1 T2 T3 T4 T5")
    watched.until(off + 300)

    assert watched.fault_of(found).id == silent.id
    assert watched.fault_of(members[0]).id == silent.id
    assert watched.called == [0]


def test_what_fails_later_is_none_of_its_gateway(watched):
    """The gateway was heard again for five minutes when a cable is cut: another fault, and a call for it."""
    silent = watched.raised(0, "feed-silent", "gateway/GW1")
    watched.over(120, silent)
    for number in (1, 2, 3):
        watched.disturbed(420 + number, f"T{number}")
    found, _ = cause(watched, 434, sections="T1 T2 T3")

    assert watched.fault_of(found).id != silent.id
    assert watched.called == [0, 434]


def cut(watched):
    """Three sections fail at once by one evaluator and come back with it; a train follows."""
    names = ("T1", "T3", "T5")
    for one in names:
        watched.disturbed(0, one)
    found, members = cause(watched, 10, sections=" ".join(names))
    for one in names:
        watched.reset(1000, one)
    for one in members:
        watched.over(1001, one)
    watched.over(1001, found)
    return found


def proved(watched, at):
    """A train has gone through all of them."""
    for one in ("T1", "T3", "T5"):
        watched.reset(at, one, proved=True)


def test_the_members_of_a_cause_leave_when_it_is_over(watched):
    """An hour after all came back T1 fails again, and T5 five minutes after that: a fault and a call each, by their own names."""
    found = cut(watched)
    proved(watched, 1500)
    first, second_ = watched.disturbed(5000, "T1"), watched.disturbed(5300, "T5")
    watched.until(6000)
    faults = [watched.fault_of(one) for one in (found, first, second_)]

    assert len({one.id for one in faults}) == 3
    assert [one.headline for one in faults[1:]] == ["T1 disturbed", "T5 disturbed"]
    assert watched.called == [10, 5020, 5320]


def test_a_member_whose_reset_waits_is_still_of_the_cause(watched):
    """T1 fails again before a train has followed its reset: that is the same fault."""
    found = cut(watched)
    again = watched.disturbed(1400, "T1")

    assert watched.fault_of(again) == watched.fault_of(found)


def test_a_reset_told_after_its_cause_is_over_is_of_it(watched):
    """All came back by themselves, and five seconds later it is told that T1 was reset."""
    for one in ("T1", "T3", "T5"):
        watched.disturbed(0, one)
    found, members = cause(watched, 10, sections="T1 T3 T5")
    for one in members:
        watched.over(100, one)
    watched.over(100, found)
    watched.reset(105, "T1")

    assert watched.fault_of(found).waiting == ("T1",)


def test_a_section_with_a_fault_of_its_own_stays_in_it(watched):
    """T1 worked loose before the evaluator went, and goes on with that fault after it."""
    watched.over(30, watched.disturbed(0, "T1"))
    for one in ("T1", "T3", "T5"):
        watched.disturbed(600, one)
    found, members = cause(watched, 610, sections="T1 T3 T5")
    for one in members:
        watched.over(700, one)
    watched.over(700, found)
    mine, other = watched.disturbed(4000, "T1"), watched.disturbed(4000, "T5")

    assert watched.fault_of(mine) == watched.fault_of(found)
    assert watched.fault_of(other) != watched.fault_of(found)


def test_the_same_cause_again_is_the_same_fault(watched):
    """The evaluator goes twice in an evening: one number, what failed meanwhile taken in, and a call each time."""
    first = cut(watched)
    proved(watched, 1500)
    for one in ("T1", "T3", "T5"):
        watched.disturbed(5000, one)
    again, _ = cause(watched, 5010, sections="T1 T3 T5")
    watched.until(6000)

    assert watched.fault_of(again).id == watched.fault_of(first).id
    assert watched.called == [10, 5010]


def test_the_sections_of_an_evaluator_leave_when_it_is_in_service(desk):
    """What failed with a locked-out evaluator is each a fault of its own an hour later."""
    affected = ("evaluator/EV1", *(f"section/T{n}" for n in range(1, 6)))
    locked = desk.raised(0, "evaluator-locked-out", "evaluator/EV1", affected=affected)
    members = [desk.disturbed(4, one) for one in ("T1", "T5")]
    desk.over(600, locked)
    for one in members:
        desk.over(700, one)
    later = [desk.disturbed(4000, "T1"), desk.disturbed(4300, "T5")]
    desk.until(5000)

    assert len({desk.fault_of(one).id for one in (locked, *later)}) == 3
    assert desk.called == [20, 4020, 4320]


# Calls.


@pytest.mark.parametrize(
    ("kind", "priority", "at"),
    [
        ("vanished-train", "urgent", [100]),
        ("occupied-no-train", "prompt", [100]),
        ("section-disturbed", "prompt", [120]),
        ("repeat-disturbance", "planned", []),
        ("long-occupation", "note", []),
    ],
)
def test_who_is_called_and_when(desk, kind, priority, at):
    """Urgent and prompt call at once; what may be one of several waits twenty seconds; the rest is silent."""
    desk.raised(100, kind, "section/T3", priority)
    desk.until(5000)

    assert desk.called == at


def test_what_is_over_by_then_calls_nobody(desk):
    """A section that came back within the twenty seconds needs nobody now."""
    alert = desk.disturbed(0, "T3")
    desk.over(19, alert)
    desk.until(100)

    assert desk.called == []


def test_what_is_quiet_calls_when_it_comes_forward(desk):
    """Under work it calls nobody; when the work ends and it is still so, it does."""
    alert = desk.raised(
        0, "occupied-no-train", "section/T3", parameters={"quiet": "under work: W7"}
    )
    desk.until(400)
    assert desk.called == []
    desk.changed(500, alert, parameters={})

    assert desk.called == [500]


@pytest.mark.parametrize(
    ("kind", "priority", "at", "calls"),
    [
        ("reset-not-held", "prompt", 899.999, [0]),
        ("reset-not-held", "prompt", 900, [0, 900]),
        ("vanished-train", "urgent", 10, [0, 10]),
    ],
)
def test_a_further_alert_calls_again(desk, kind, priority, at, calls):
    """Only what is of higher priority, or comes after a quarter of an hour of nothing."""
    desk.raised(0, "occupied-no-train", "section/T3")
    desk.raised(at, kind, "section/T3", priority)

    assert desk.called == calls


def test_quiet_is_since_somebody_was_needed(desk):
    """A prompt alert every ten minutes keeps a fault from being quiet, though only the first called."""
    for number in range(6):
        desk.raised(number * 600, "reset-not-held", "section/T3")

    assert desk.called == [0]


def test_what_calls_nobody_keeps_no_fault_from_being_quiet(desk):
    """Planned alerts come all evening; when the section fails once more after forty minutes, somebody is called, though one of them came five seconds before."""
    desk.over(600, desk.disturbed(0, "T3"))
    desk.raised(1800, "spurious-occupation", "section/T3", "planned")
    desk.raised(2995, "repeat-disturbance", "section/T3", "planned")
    desk.disturbed(3000, "T3")
    desk.until(4000)

    assert desk.called == [20, 3020]


def test_what_was_over_before_anybody_was_called_keeps_none_from_being_called(desk):
    """A section flickers for ten seconds and calls nobody; a minute later it stays disturbed, and somebody is called."""
    desk.over(600, desk.disturbed(0, "T3"))
    desk.over(5010, desk.disturbed(5000, "T3"))
    desk.disturbed(5060, "T3")
    desk.until(6000)

    assert desk.called == [20, 5080]


@pytest.mark.parametrize(("lasts", "calls"), [(10, [20, 1320]), (20.5, [20])])
def test_what_flickers_keeps_no_fault_from_being_quiet(desk, lasts, calls):
    """Ten minutes after the call it flickers, and twelve minutes later it stays disturbed: somebody is called again, unless the first of these was there long enough to be called for."""
    desk.over(60, desk.disturbed(0, "T3"))
    desk.over(600 + lasts, desk.disturbed(600, "T3"))
    desk.disturbed(1300, "T3")
    desk.until(3000)

    assert desk.called == calls


@pytest.mark.parametrize("first", ["count-mismatch", "occupied-no-train"])
def test_of_what_comes_at_one_moment_the_gravest_is_called_for(desk, first):
    """A section left occupied, in which vehicles may be, before the head that miscounted, whichever is told first."""
    places = {"count-mismatch": "head/H2", "occupied-no-train": "section/T2"}
    kinds = [first, *(one for one in places if one != first)]
    told = {one: desk.raised(100, one, places[one]) for one in kinds}
    (call,) = desk.calls

    assert call.alert == told["occupied-no-train"].id
    assert "T2 occupied, no train seen to enter. Also H2 counted" in call.text
    assert desk.fault_of(told[first]).headline == "T2 occupied, no train seen to enter"


def test_what_waits_is_told_by_a_call_that_comes_first(desk):
    """T3 is disturbed and waits twenty seconds; T4, at the same head, is found occupied meanwhile: one call, which names both."""
    desk.raised(0, "level-out", "head/H3", "planned")
    desk.disturbed(100, "T3")
    desk.raised(110, "occupied-no-train", "section/T4")
    desk.until(500)

    assert desk.called == [110]
    assert "T4 occupied, no train seen to enter. Also T3 disturbed." in (
        desk.calls[0].text
    )


def test_what_is_over_is_not_told_with_a_call(desk):
    """What came back while it waited is not named."""
    desk.raised(0, "level-out", "head/H3", "planned")
    desk.over(105, desk.disturbed(100, "T3"))
    desk.raised(110, "occupied-no-train", "section/T4")

    assert desk.called == [110]
    assert "Also" not in desk.calls[0].text


def test_urgent_is_called_for_before_all_else_of_its_moment(desk):
    """A train unaccounted for is told first, though the same section's contacts were told before."""
    desk.raised(100, "contact-disagreement", "section/T3")
    gone = desk.raised(100, "vanished-train", "section/T3", "urgent")
    (call,) = desk.calls

    assert (call.alert, call.priority) == (gone.id, "urgent")


@pytest.mark.parametrize("kind", ["vanished-train", "unseen-train"])
def test_each_train_that_is_lost_is_called_for(desk, kind):
    """A second one in the same section within minutes is another train; work that begins and ends there is not."""
    first = desk.raised(0, kind, "section/T3", "urgent")
    quiet = desk.changed(100, first, parameters={"quiet": "under work: W7"})
    desk.changed(200, quiet, parameters={})
    desk.raised(360, kind, "section/T3", "urgent")

    assert desk.called == [0, 360]


def test_what_is_urgent_elsewhere_in_a_fault_is_called_for(desk):
    """Head H3 has worked loose: a train unaccounted for in T3, and a minute later another in T4."""
    desk.raised(0, "one-sided-head", "head/H3", "planned")
    gone = [
        desk.raised(at, "vanished-train", f"section/{one}", "urgent")
        for at, one in ((100, "T3"), (160, "T4"))
    ]

    assert desk.fault_of(gone[0]) == desk.fault_of(gone[1])
    assert (
        desk.fault_of(gone[0]).headline == "T3 and T4 cleared, trains unaccounted for"
    )
    assert desk.called == [100, 160]


def test_two_that_are_urgent_at_one_moment_are_two_calls(desk):
    """No train is told in the shadow of another."""
    desk.raised(0, "one-sided-head", "head/H3", "planned")
    gone = [
        desk.raised(100, "vanished-train", f"section/{one}", "urgent")
        for one in ("T3", "T4")
    ]

    assert [one.alert for one in desk.calls] == [one.id for one in gone]


def test_a_train_that_comes_out_where_it_was_lost_is_the_same(desk):
    """Somebody was called for the train that vanished in T3; that it came out of T3 is no new call."""
    desk.raised(0, "vanished-train", "section/T3", "urgent")
    desk.raised(
        100,
        "unseen-train",
        "section/T3",
        "urgent",
        parameters={"vanished": "section/T3"},
    )

    assert desk.called == [0]


def test_what_becomes_more_serious_calls(desk):
    """A planned alert calls nobody; when it turns prompt it does."""
    alert = desk.raised(0, "count-mismatch", "head/H3", "planned")
    desk.changed(3600, alert, priority="prompt")

    assert desk.called == [3600]
    assert desk.calls[0].priority == "prompt"


def test_a_call_says_how_many_trains_stand(desk):
    """The trains are those of the sections that the fault covers when it is due."""
    desk.raised(0, "occupied-no-train", "section/T3")

    assert desk.calls[0].standing == len(("T3",))
    assert "1 train standing" in desk.calls[0].text


def test_trains_that_stand_before_it(run):
    """A train that has entered nothing for a minute stands; one that came a moment ago, or has gone by, does not."""
    calls = []
    over = run()
    over.take = lambda output: calls.extend(output.calls)
    over.tell(
        """
        06:00:00 T1 clear
        06:00:00 T2 clear
        06:00:00 T3 clear
        06:00:00 T4 clear
        06:00:00 T5 clear
        06:01:00 T1 occupied
        06:02:00 T2 occupied
        06:02:10 T1 clear
        06:05:00 T3 disturbed
        06:05:00 T1 occupied
        """
    )
    over.until("06:07:00")

    # Due at 06:05:25: one is in T2 since 06:02:00; one came into T1 25 s ago, and T1 is no neighbour.
    assert [(stamp(one.at)[11:19], one.standing) for one in calls] == [("06:05:25", 1)]


@pytest.mark.parametrize(("entered", "standing"), [("06:04:25", 1), ("06:04:26", 0)])
def test_a_train_stands_when_it_entered_nothing_for_a_minute(run, entered, standing):
    """Sixty seconds to the moment of the call, and not one less."""
    calls = []
    over = run()
    over.take = lambda output: calls.extend(output.calls)
    over.tell(
        f"""
        06:00:00 T1 clear
        06:00:00 T2 clear
        06:00:00 T3 clear
        06:00:00 T4 clear
        06:00:00 T5 clear
        06:03:00 T1 occupied
        {entered} T2 occupied
        06:04:50 T1 clear
        06:05:00 T3 disturbed
        """
    )
    over.until("06:07:00")

    assert [one.standing for one in calls] == [standing]


def test_what_stays_calls_nobody_when_its_fault_is_over(desk):
    """Work begins and ends where a train vanished yesterday: nobody is called for that again, nor is it a new fault a week later."""
    gone = desk.raised(0, "vanished-train", "section/T3", "urgent")
    for at in (80000, 700000):
        quiet = desk.changed(at, gone, parameters={"quiet": "under work: W7"})
        desk.changed(at + 3600, quiet, parameters={})
    desk.until(800000)

    assert desk.called == [0]
    assert list(desk.faults) == [gone.id]
    assert desk.fault_of(gone).ended is not None


# Numbers.


@pytest.mark.parametrize(
    "alike",
    [
        "BCDEGPTVZ3",  # rhyme
        "AHJK8",  # have the vowel of "day"
        "FLMNSX",  # "ef", "el", "em", "en", "es", "ex"
        "SX6",
        "S7",
        "IY159",  # "eye", "why", "one", "five", "nine"
        "QUW2",  # end as "two" does; "double-u" is heard as "double two"
        "O0QD",  # look alike, as do the following
        "1IL7",
        "2Z",
        "5S",
        "6G",
        "8B",
        "UV",
    ],
)
def test_numbers_hold_nothing_that_could_be_misheard(alike):
    """Of letters and digits that are mistaken for one another there is at most one."""
    assert len(set(alike) & set(SYMBOLS)) <= 1
    assert len(set(SYMBOLS)) == len(SYMBOLS) == 9


@given(st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1))
def test_numbers_come_from_the_id(value, other):
    """Four symbols, always the same of one id; with another's number in use, one more."""
    first, second_ = f"{value:016x}", f"{other:016x}"
    taken = {number_of(first)}

    assert number_of(first) == number_of(first, {"a"})
    assert len(number_of(first)) == 4
    assert set(number_of(first)) <= set(SYMBOLS)
    assert number_of(second_, taken) not in taken
    assert len(number_of(second_, taken)) in (4, 5)


@pytest.mark.parametrize(
    ("over", "later", "length"),
    [(None, 9 * 3600, 5), (100, 3600, 5), (100, 4 * 3600 + 101, 4)],
    ids=["open", "may go on", "over for good"],
)
def test_an_open_fault_with_the_same_four_makes_it_five(desk, over, later, length):
    """Two ids that give the same four symbols: the second fault has five while the first is open, or may be so again."""
    same = 9**4
    first = desk.disturbed(0, "T3", id=f"{7 * same + 100:016x}")
    if over is not None:
        desk.over(over, first)
    other = desk.disturbed(later, "T6", id=f"{9 * same + 100:016x}")
    one, two = (desk.fault_of(alert).number for alert in (first, other))

    assert len(one) == 4
    assert len(two) == length
    assert two.startswith(one)


# Memory.


def test_what_is_remembered_is_bounded(desk):
    """A section that chatters for days under one open alert keeps so many alerts; what has ended long ago is forgotten."""
    desk.raised(0, "level-out", "head/H3", "planned")
    for number in range(2 * MOST):
        alert = desk.disturbed(10 + number * 60, "T3")
        desk.over(20 + number * 60, alert)
    fault = desk.fault_of(alert)
    for number in range(50):
        day = (30 + number) * DAY / SECOND
        desk.over(day + 60, desk.disturbed(day, "T7"))

    assert len(fault.alerts) == MOST
    assert fault.alerts[0] == fault.id
    stage = desk.stage
    assert len(stage.cases) <= 3
    assert len(stage._of) <= MOST + 3
    assert len(stage._pending) + len(stage._ending) <= 3


def test_all_that_is_open_is_remembered(plain):
    """A fault of more sections than it may have alerts keeps each of them while it is open, and ends with the last."""
    count = MOST + 50
    watched = Watched(plain(count))
    names = " ".join(f"T{number}" for number in range(1, count + 1))
    members = [watched.disturbed(0, one) for one in names.split()[:3]]
    found, _ = cause(watched, 10, sections=names)
    marks = {"group": found.id, "quiet": "a common cause covers it: evaluator/EV1"}
    members += [
        watched.disturbed(11, one, parameters=marks) for one in names.split()[3:]
    ]
    full = watched.fault_of(found)
    for one in members:
        watched.over(100, watched.by_id[one.id])
    watched.over(100, found)
    (fault,) = [one for one in watched.faults.values() if one.into is None]

    assert len(full.open) == len(full.alerts) == count + 1
    assert second(fault.ended) == 100


# Whatever happens.

KINDS = (
    ("section-disturbed", "prompt"),
    ("occupied-no-train", "prompt"),
    ("repeat-disturbance", "planned"),
    ("long-occupation", "note"),
    ("vanished-train", "urgent"),
)
WAITS = (0, 1, 19, 20, 21, 899, 900, 901, 3600, 4 * 3600, 30 * 3600)


@st.composite
def days(draw):
    """What a line may show: raised, over, reset, proved, causes."""
    steps = []
    for _ in range(draw(st.integers(1, 25))):
        what = draw(st.sampled_from(["raise", "raise", "over", "reset", "cause"]))
        where = f"T{draw(st.integers(1, 5))}"
        kind = draw(st.sampled_from(KINDS))
        steps.append((draw(st.sampled_from(WAITS)), what, where, kind))
    return steps


def play(desk, steps):
    """Act a day out, checking after each step."""
    at = 0.0
    waiting: set[str] = set()
    causes: dict[str, Alert] = {}
    for wait, what, where, (kind, priority) in steps:
        at = round(at + wait + 0.002, 3)
        place = f"section/{where}"
        there = [one for one in desk.open if (one.kind, one.subject) == (kind, place)]
        if what == "raise" and (not there or kind in STAYS):
            group = causes.get(place) if kind == "section-disturbed" else None
            marks = {"group": group.id, "quiet": "a cause covers it"} if group else {}
            desk.raised(at, kind, place, priority, parameters=marks)
        elif what == "over" and there and kind not in STAYS:
            desk.over(at, there[0])
        elif what == "reset":
            desk.reset(at, where, proved=where in waiting)
            waiting ^= {where}
        elif what == "cause" and "section/T1" not in causes:
            found, _ = cause(desk, at, sections="T1 T2 T3")
            causes = dict.fromkeys(("section/T1", "section/T2", "section/T3"), found)
        elif what == "cause" and causes:
            desk.over(at, causes["section/T1"])
            causes = {}
        check(desk)


def check(desk):
    """What must hold at any time."""
    calls = desk.calls
    standing: list[Fault] = [one for one in desk.faults.values() if one.into is None]
    owners = [name for fault in standing for name in fault.alerts]
    assert len(owners) == len(set(owners))
    every = {one.id for one in desk.by_id.values() if one.priority != "note"}
    assert every <= set(owners)
    keeps = {
        one.id for one in desk.open if one.priority != "note" and one.kind not in STAYS
    }
    for fault in standing:
        is_open = {name for name in fault.alerts if desk.by_id[name].ended is None}
        assert set(fault.open) == is_open
        assert not (fault.ended is not None and (keeps & is_open or fault.waiting))
        assert fault.id == fault.alerts[0]
        assert len(fault.headline) <= 42
        assert fault.headline
        for other in fault.took:
            assert desk.faults[other].into is not None
    live = [one.number for one in desk.stage.cases.values()]
    assert len(live) == len(set(live))
    for one in desk.faults.values():
        if one.into is not None:
            assert one.open == one.waiting == ()
    assert all(RANKS[one.priority] >= CALLING for one in calls)
    assert len({one.alert for one in calls}) == len(calls)
    lost = {one.id for one in desk.by_id.values() if one.kind == "vanished-train"}
    assert lost == {one.alert for one in calls if one.priority == "urgent"}
    assert sum(one.calls for one in standing) == len(calls)


@given(days())
def test_every_alert_is_in_one_fault_that_is_open_while_it_is(plain, steps):
    """Each alert that is no note alone is in exactly one fault; one with something open is not over; what was taken in has nothing; nobody is called twice for one alert, and somebody is called for each train that is lost."""
    play(Watched(plain(5)), steps)


@given(days())
def test_whatever_happened_it_is_over_in_the_end(plain, steps):
    """When all is over, every reset is followed by a train and time has passed, no fault is open."""
    desk = Watched(plain(5))
    play(desk, steps)
    end = (desk.now - SIX) / SECOND + 1
    for one in desk.open:
        if one.kind not in STAYS:
            desk.over(end, one)
    for number in range(1, 6):
        desk.reset(end + 1, f"T{number}", proved=True)
    desk.until(end + 16 * MINUTE / SECOND)

    assert [one.id for one in desk.faults.values() if one.ended is None] == []


@given(days(), st.lists(st.integers(1, 4000), max_size=30))
def test_how_often_it_is_woken_changes_nothing(plain, steps, gaps):
    """Woken early and often, it says the same faults and calls in the same order."""
    alone, often = Watched(plain(5)), Watched(plain(5))
    play(alone, steps)
    for gap in gaps:
        often.asked.append(SIX + gap * 7 * SECOND)
    play(often, steps)

    assert alone.told == often.told
    assert alone.calls == often.calls
