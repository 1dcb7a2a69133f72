from __future__ import annotations

from dataclasses import replace
from itertools import count

import pytest
from hypothesis import settings, strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from monitor import handling as handling_module
from monitor.core.alerts import Alert, identify
from monitor.core.faults import Fault
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse
from monitor.handling import (
    LIVES,
    Act,
    Handling,
    Life,
    Refused,
    Shelf,
    Step,
    would_have_hidden,
)

NOON = parse("2026-05-04T12:00:00Z")
NUMBERS = count()


def alert(kind="section-disturbed", subject="section/T107", began=NOON, **more):
    """An alert as it opens."""
    given = {
        "id": identify(kind, subject, began),
        "kind": kind,
        "subject": subject,
        "priority": "prompt",
        "began": began,
        "raised": began + 5 * SECOND,
        "ended": None,
        "summary": "",
        "evidence": (),
        "affected": (),
        "suspects": (),
        "checks": (),
        "parameters": {},
    }
    return Alert(**{**given, **more})


VANISHED = alert("vanished-train", priority="urgent")


def fault(*alerts, **more):
    """A fault with those alerts, all open."""
    names = tuple(one.id for one in alerts)
    given = {
        "id": names[0],
        "number": "K7M3",
        "headline": "T107 disturbed",
        "priority": "prompt",
        "subject": "section/T107",
        "began": NOON,
        "raised": NOON,
        "ended": None,
        "alerts": names,
        "open": names,
        "lasting": (),
        "subjects": ("section/T107",),
        "waiting": (),
        "took": (),
        "into": None,
        "calls": 1,
    }
    return Fault(**{**given, **more})


def act(what, at=NOON + MINUTE, **more):
    """Something that Ines did at the desk."""
    given = {
        "id": f"act-{next(NUMBERS)}",
        "at": at,
        "entered": at,
        "by": "Ines",
        "position": "east",
        "what": what,
    }
    return Act(**{**given, **more})


@pytest.fixture
def handling():
    """One that was told of an alert."""
    made = Handling()
    made.told(alert())
    return made


def test_active_and_acknowledged_are_apart(handling):
    """An alert that is over and was not seen is kept, until it is."""
    one = alert()
    before = handling.of(one.id, NOON)
    handling.told(replace(one, ended=NOON + HOUR))
    over = handling.of(one.id, NOON + HOUR)
    handling.take(act("seen", alert=one.id, at=NOON + 2 * HOUR))
    done = handling.of(one.id, NOON + 2 * HOUR)

    assert (before.active, before.acked) == (True, False)
    assert (over.active, over.acked, over.life) == (False, False, Life.OVER_NOT_SEEN)
    assert (done.active, done.acked, done.life) == (False, True, Life.DONE)
    assert (done.seen_by, done.seen_at) == ("Ines", NOON + 2 * HOUR)


def test_what_comes_again_is_to_be_seen_again(handling):
    """The same alert open once more is new to whoever had seen it."""
    one = alert()
    handling.take(act("seen", alert=one.id))
    handling.told(replace(one, ended=NOON + HOUR))
    handling.told(one)
    again = handling.of(one.id, NOON + 2 * HOUR)

    assert (again.life, again.acked, again.seen_by) == (Life.NOT_SEEN, False, "")


@pytest.mark.parametrize(
    ("seen_as", "becomes", "acked"),
    [
        ("planned", "prompt", False),
        ("planned", "urgent", False),
        ("prompt", "urgent", False),
        ("note", "planned", True),
        ("prompt", "prompt", True),
        ("urgent", "prompt", True),
    ],
)
def test_what_becomes_graver_is_to_be_seen_again(seen_as, becomes, acked):
    """Whoever saw it as planned has not seen that somebody is needed now; what calls nobody more than before stays seen."""
    handling, one = Handling(), alert(priority=seen_as)
    handling.told(one)
    handling.take(act("seen", alert=one.id))
    handling.told(replace(one, priority=becomes))
    stands = handling.of(one.id, NOON + HOUR)

    assert (stands.acked, stands.seen_by) == (acked, "Ines" if acked else "")


def test_seen_needs_one_act_for_a_fault_and_no_reason(handling):
    """All its alerts are seen by it, those to come are not."""
    other = alert("repeat-disturbance")
    handling.told(other)
    handling.told_fault(fault(alert(), other))
    handling.take(act("seen", fault=alert().id))

    assert handling.of(alert().id, NOON).acked
    assert handling.of(other.id, NOON).acked
    with pytest.raises(Refused, match="it is seen already"):
        handling.take(act("seen", fault=alert().id))

    third = alert("reset-not-held")
    handling.told(third)
    assert not handling.of(third.id, NOON).acked


def test_only_a_person_closes_what_stays():
    """A train unaccounted for stays until it is closed, with a reason; anything else ends by itself."""
    handling = Handling()
    handling.told(VANISHED)
    handling.told(alert())
    handling.told_fault(fault(VANISHED, ended=NOON + HOUR, lasting=(VANISHED.id,)))

    assert handling.of(VANISHED.id, NOON).latched
    with pytest.raises(Refused, match="say why it can be closed"):
        handling.take(act("closed", alert=VANISHED.id))
    with pytest.raises(Refused, match="it ends by itself"):
        handling.take(act("closed", alert=alert().id, text="mended"))
    assert handling.is_open(VANISHED.id)

    handling.take(
        act("closed", alert=VANISHED.id, text="found in T108 by the signaller")
    )
    closed = handling.of(VANISHED.id, NOON + HOUR)
    assert (closed.active, closed.acked, closed.latched) == (False, True, False)
    assert not handling.is_open(VANISHED.id)
    with pytest.raises(Refused, match="it is closed already"):
        handling.take(act("closed", alert=VANISHED.id, text="once more"))


def test_shelved_for_a_time(handling):
    """It comes back by itself, and holds for the next alert of that kind there meanwhile."""
    shelved = act(
        "shelved",
        kind="section-disturbed",
        subject="section/T107",
        text="known, party on the way",
        until=NOON + 8 * HOUR,
    )
    handling.take(shelved)
    later = alert(began=NOON + 2 * HOUR)
    handling.told(replace(alert(), ended=NOON + HOUR))
    handling.told(later)

    during = handling.of(later.id, NOON + 8 * HOUR - 1)
    after = handling.of(later.id, NOON + 8 * HOUR)
    assert (during.shelf, during.until, during.quiet) == (
        Shelf.TIMED,
        NOON + 8 * HOUR,
        "shelved",
    )
    assert (after.shelf, after.until, after.quiet) == (Shelf.UNSHELVED, None, "")
    assert handling.shelved(NOON + HOUR) == [shelved]
    assert handling.shelved(NOON + 8 * HOUR) == []


def test_shelved_once(handling):
    """OneShotShelved of OPC 10000-9 ends when the alarm goes inactive; the next one calls."""
    once = {
        "kind": "section-disturbed",
        "subject": "section/T107",
        "text": "tamping beside it",
    }
    handling.take(act("shelved", **once))
    during = handling.of(alert().id, NOON)
    handling.told(replace(alert(), ended=NOON + HOUR))
    later = alert(began=NOON + 2 * HOUR)
    handling.told(later)

    assert during.shelf is Shelf.ONCE
    assert handling.of(later.id, NOON + 2 * HOUR).shelf is Shelf.UNSHELVED
    with pytest.raises(Refused, match="nothing is open there"):
        handling.take(act("shelved", **{**once, "subject": "section/T108"}))


def test_what_is_switched_off_says_why_until_it_is_switched_on(handling):
    """Of one kind at one place, with a reason, and without an end."""
    where = {"kind": "section-disturbed", "subject": "section/T107"}
    with pytest.raises(Refused, match="say why"):
        handling.take(act("switched_off", **where))
    handling.take(act("switched_off", **where, text="section is being replaced"))

    assert handling.of(alert().id, NOON).quiet == (
        "switched off here: section is being replaced"
    )
    assert [one.text for one in handling.switched_off()] == [
        "section is being replaced"
    ]
    handling.take(act("switched_on", **where))
    assert handling.of(alert().id, NOON).quiet == ""
    with pytest.raises(Refused, match="it is not switched off"):
        handling.take(act("switched_on", **where))


def test_quiet_by_design_says_why():
    """The reason is the alert's own."""
    handling = Handling()
    quiet = alert(parameters={"quiet": "under work: work W7"})
    handling.told(quiet)

    assert handling.of(quiet.id, NOON).suppressed == "under work: work W7"
    assert handling.of(quiet.id, NOON).quiet == "under work: work W7"


def test_who_goes_and_who_is_there(handling):
    """In their own order of time, also where something was typed without coverage and came late; what a cause took in counts."""
    taken = alert(subject="section/T108")
    handling.told(taken)
    handling.told_fault(fault(taken, into=alert().id))
    handling.told_fault(fault(alert(), took=(taken.id,)))
    handling.take(act("going", fault=taken.id, by="Bo"))
    handling.take(act("going", fault=alert().id, by="Ada", at=NOON + 2 * MINUTE))
    handling.take(act("gone", fault=alert().id, by="Bo", at=NOON + HOUR))
    late = act("on_site", fault=taken.id, by="Bo", at=NOON + 30 * MINUTE)
    handling.take(replace(late, entered=NOON + 2 * HOUR))
    handling.take(
        act(
            "found", fault=alert().id, by="Bo", at=NOON + 50 * MINUTE, text="loose head"
        )
    )
    attended = handling.attended(alert().id)

    assert (attended.going, attended.on_site) == (("Ada",), ())
    assert attended.notes == ((NOON + 50 * MINUTE, "Bo", "loose head"),)
    assert [one.what for one in attended.acts] == [
        *("going", "going", "on_site", "found", "gone"),
    ]
    assert not handling.is_open(taken.id)


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"what": "seen", "alert": "none"}, "there is no alert none"),
        ({"what": "going", "fault": "none"}, "there is no fault none"),
        ({"what": "seen"}, "there is no fault named"),
        ({"what": "noted", "text": "  "}, "there is nothing in it"),
        ({"what": "noted", "text": "x" * 501}, "at most 500 characters"),
        ({"what": "seen", "entered": NOON}, "that has not happened yet"),
        ({"what": "shelved", "text": "why"}, "say which kind, and where"),
        (
            {
                "what": "shelved",
                "text": "why",
                "kind": "section-disturbed",
                "subject": "section/T107",
                "until": NOON,
            },
            "that time is over",
        ),
        (
            {
                "what": "unshelved",
                "kind": "section-disturbed",
                "subject": "section/T107",
            },
            "it is not shelved",
        ),
    ],
)
def test_what_cannot_be_is_refused_and_says_why(handling, wrong, why):
    """Nothing changes by it, and it may be tried again."""
    tried = replace(act("seen"), **wrong)
    with pytest.raises(Refused, match=why):
        handling.take(tried)
    with pytest.raises(Refused, match=why):
        handling.take(tried)

    assert handling.of(alert().id, NOON).life is Life.NOT_SEEN


def test_an_act_counts_once(handling):
    """Sent again, it changes nothing."""
    seen = act("seen", alert=alert().id)

    assert handling.take(seen)
    assert not handling.take(seen)


def test_what_shelving_would_have_hidden():
    """Alerts of that kind there, raised in the last seven days."""
    raised = [NOON - 7 * DAY, NOON - 7 * DAY + 1, NOON - HOUR, NOON, NOON + 1]
    alerts = [alert(began=at, raised=at) for at in reversed(raised)]
    alerts.append(alert("reset-not-held", raised=NOON - HOUR))
    hidden = would_have_hidden(alerts, "section-disturbed", "section/T107", NOON)

    assert [one.raised for one in hidden] == raised[1:4]


def test_what_nobody_has_to_do_with_is_forgotten_in_the_end(monkeypatch):
    """Memory stays bounded, and what is open, unseen, or to be closed is kept however old it is."""
    monkeypatch.setattr(handling_module, "KEPT", 5)
    handling = Handling()
    unseen = alert(subject="section/T1")
    for one in (VANISHED, unseen):
        handling.told(one)
        handling.told_fault(fault(one, lasting=(one.id,) if one is VANISHED else ()))
    handling.told(replace(unseen, ended=NOON + HOUR))
    last = unseen
    for number in range(30):
        last = alert(subject=f"section/A{number}")
        handling.told(last)
        handling.told_fault(fault(last))
        handling.take(act("seen", alert=last.id))
        handling.take(act("noted", fault=last.id, text="known"))
        handling.told(replace(last, ended=NOON + HOUR))
        handling.told_fault(fault(last, ended=NOON + HOUR))

    assert handling.of(unseen.id, NOON).life is Life.OVER_NOT_SEEN
    assert handling.of(VANISHED.id, NOON).life is Life.NOT_SEEN
    assert handling.of(last.id, NOON).life is Life.DONE
    assert [one.id for one in handling.open_faults()] == sorted(
        [VANISHED.id, unseen.id]
    )
    assert handling.attended(last.id).notes
    with pytest.raises(KeyError):
        handling.of(alert(subject="section/A0").id, NOON)
    assert len(handling.acts(0, NOON + DAY)) <= 11


def test_what_is_over_and_nobody_has_seen_stays_for_a_day():
    """Only what somebody was needed for, and until somebody has seen it; it is not open, so nobody is called for it anew."""
    handling, over = Handling(), NOON + HOUR
    missed = alert(subject="section/T1")
    planned = alert("reset-unproved", "section/T2", priority="planned")
    quiet = alert(subject="section/T3", parameters={"quiet": "under work"})
    for one in (missed, planned, quiet):
        handling.told(one)
        handling.told_fault(fault(one))
        handling.told(replace(one, ended=over))
        handling.told_fault(fault(one, ended=over))

    assert [one.id for one in handling.over_not_seen(over)] == [missed.id]
    assert handling.is_over_not_seen(missed.id, over + DAY - SECOND)
    assert not handling.is_over_not_seen(missed.id, over + DAY)
    assert not handling.is_open(missed.id)
    assert handling.unanswered(missed.id, over) == ()
    handling.take(act("seen", fault=missed.id))
    assert handling.over_not_seen(over) == []


def test_open_faults_and_what_was_entered_when(handling):
    """In the order in which they came; a fault is seen when all in it is."""
    other = alert("repeat-disturbance")
    handling.told(other)
    handling.told_fault(fault(alert(), other))
    handling.told_fault(replace(fault(other), into=alert().id))
    seen = act("seen", alert=alert().id)
    handling.take(seen)
    half = handling.is_seen(alert().id)
    handling.take(act("seen", alert=other.id, at=NOON + HOUR))

    assert [one.id for one in handling.open_faults()] == [alert().id]
    assert (half, handling.is_seen(alert().id)) == (False, True)
    assert handling.acts(NOON, NOON + HOUR) == [seen]


def test_an_alert_keeps_the_fault_in_which_it_was_first():
    """A cause that takes its fault in changes nothing by which others know it."""
    handling, cause = Handling(), alert("common-cause", "cable/C2")
    handling.told_fault(fault(alert()))
    handling.told_fault(fault(alert(), into=cause.id))
    handling.told_fault(fault(cause, alert(), took=(alert().id,), number="X2X2"))
    first = handling.first_fault_of(alert().id)

    assert first is not None
    assert first.number == "K7M3"
    assert handling.first_fault_of("none") is None


def test_what_a_person_has_still_to_close():
    """Kinds that stay, in the order in which they came, until they are closed."""
    handling = Handling()
    for one in (VANISHED, alert()):
        handling.told(one)
    before = handling.not_closed()
    handling.take(act("closed", alert=VANISHED.id, text="found"))

    assert before == [VANISHED]
    assert handling.not_closed() == []


class People(RuleBasedStateMachine):
    """An alert that comes and goes, and people: held against four flags that anybody can follow."""

    @initialize(stays=st.booleans())
    def begin(self, stays):
        """One alert, of a kind that stays or not."""
        self.alert = VANISHED if stays else alert()
        self.stays = stays
        self.handling = Handling()
        self.handling.told(self.alert)
        self.open, self.seen, self.closed = True, False, False
        self.seen_as = ""
        self.now = NOON
        self.until = None
        self.shelved_at = NOON

    def tried(self, what, allowed, **more):
        """Somebody acts, and may or may not."""
        self.now += MINUTE
        one = act(what, at=self.now, **more)
        if allowed:
            assert self.handling.take(one)
        else:
            with pytest.raises(Refused):
                self.handling.take(one)

    @precondition(lambda self: self.open and not self.stays)
    @rule()
    def over(self):
        """It ends."""
        self.open = False
        self.handling.told(replace(self.alert, ended=self.now))
        self.until = None if self.until == "once" else self.until

    @precondition(lambda self: not self.open)
    @rule()
    def again(self):
        """It comes back."""
        self.open, self.seen = True, False
        self.handling.told(self.alert)

    @rule()
    def look(self):
        """Somebody sees it."""
        allowed = not self.seen and not self.closed
        self.tried("seen", allowed, alert=self.alert.id)
        self.seen = True
        if allowed:
            self.seen_as = self.alert.priority

    @precondition(lambda self: self.open)
    @rule(priority=st.sampled_from(["planned", "prompt", "urgent"]))
    def change(self, priority):
        """It becomes more or less serious."""
        self.alert = replace(self.alert, priority=priority)
        self.handling.told(self.alert)
        above = {"planned": ("prompt", "urgent"), "prompt": ("urgent",)}
        if not self.closed and priority in above.get(self.seen_as, ()):
            self.seen = False

    @rule(text=st.sampled_from(["", "  ", "found"]))
    def close(self, text):
        """Somebody closes it, with a reason or without."""
        reason = bool(text.strip()) or self.alert.priority != "urgent"
        allowed = self.stays and not self.closed and reason
        self.tried("closed", allowed, alert=self.alert.id, text=text)
        if allowed:
            self.closed = self.seen = True

    @rule(hours=st.sampled_from([None, 1, 8]))
    def shelve(self, hours):
        """Somebody shelves it, for hours or once."""
        allowed = hours is not None or self.open
        until = None if hours is None else self.now + hours * HOUR
        self.tried(
            "shelved",
            allowed,
            kind=self.alert.kind,
            subject=self.alert.subject,
            text="why",
            until=until,
        )
        if allowed:
            self.until = "once" if hours is None else until
            self.shelved_at = self.now

    @rule(hours=st.integers(1, 9))
    def wait(self, hours):
        """Time goes by."""
        self.now += hours * HOUR

    @invariant()
    def the_same(self):
        """The flags say the same."""
        if not hasattr(self, "handling"):
            return
        stands = self.handling.of(self.alert.id, self.now)
        assert stands.active == (self.open and not self.closed)
        assert stands.acked == self.seen
        assert stands.latched == (self.stays and not self.closed)
        if self.until == "once":
            shelved = self.now < self.shelved_at + DAY
        else:
            shelved = self.until is not None and self.now < self.until
        assert (stands.shelf is not Shelf.UNSHELVED) == shelved


TestPeople = People.TestCase
TestPeople.settings = settings(stateful_step_count=30)


def test_every_pair_of_the_table_is_in_its_docstring():
    """The table that people read has an entry for each pair that may be, and none besides."""
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in (handling_module.__doc__ or "").splitlines()
        if line.startswith("|") and "---" not in line
    ]
    steps = [Step(name) for name in rows[0][1:]]
    table = {
        (Life(row[0]), step): Life(cell)
        for row in rows[1:]
        for step, cell in zip(steps, row[1:], strict=True)
        if cell and cell != "refused"
    }

    assert table == LIVES
