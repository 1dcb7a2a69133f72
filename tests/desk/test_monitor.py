from __future__ import annotations

import asyncio
import json
from dataclasses import replace

import httpx
import pytest

from monitor.acts import acts
from monitor.core.engine import Output
from monitor.core.events import EvaluatorState, SectionState, Service, State
from monitor.core.facts import Fact
from monitor.core.faults import Call
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse
from monitor.core.words import CAUTION
from monitor.desk.app import create
from monitor.desk.model import (
    Asked,
    ClosedIn,
    DeskIn,
    Ending,
    KeepIn,
    NotedIn,
    NotThere,
    PlanIn,
    PositionOut,
    QuietIn,
    Refused,
    ResetIn,
    SeenIn,
    ShelvedIn,
    WatchIn,
    Who,
    WorkIn,
)
from monitor.desk.people import People
from monitor.handling import Act
from monitor.handover import Sheet
from monitor.journal import Entry, JournalFault
from monitor.planned import Imported
from monitor.plans import Work
from monitor.settings.desk import DeskSettings
from monitor.shifts import Note, Position, Shift
from tests.desk.conftest import HERE, QUICK
from tests.desk.daemon import MOOR, NOON, Daemon, alert, fault


@pytest.fixture
def daemon(tmp_path):
    """A daemon with one open fault at T107, of one alert."""
    daemon = Daemon(tmp_path)
    daemon.tell(alert(), faults=[fault(alert())])
    yield daemon
    daemon.close()


def events(daemon):
    """The events that were told, as (kind, values)."""
    found = []
    for _, text, _ in daemon.stream._events:
        lines = dict(line.split(": ", 1) for line in text.rstrip().split("\n"))
        found.append((lines["event"], json.loads(lines["data"])))
    return found


def occupied(identity, at):
    """T107 is occupied by eight axles."""
    return SectionState(
        id=identity,
        source="gw/1",
        subject="T107",
        time=at,
        arrival=at,
        state=State.OCCUPIED,
        axles=8,
    )


SEEN = SeenIn(what="seen", alert=alert().id)
SHELVED = ShelvedIn(
    what="shelved",
    kind="occupied-no-train",
    subject="section/T107",
    text="rail is out",
    until="2026-05-04T18:00:00Z",
)


@pytest.mark.parametrize("act", [SEEN, SHELVED], ids=["seen", "shelved"])
async def test_an_act_is_on_disk_before_the_call_returns(daemon, act):
    """When an act's answer comes, another process finds it in the journal already."""
    async with daemon.running() as desk:
        done = await desk.act(MOOR, act)
        written = list(acts(daemon.written()))
    assert [(one.id, one.what, one.by, one.position) for one in written] == [
        (done.id, act.what, "A. Moor", "north")
    ]


async def test_an_act_shows_in_the_alert(daemon):
    """Who saw an alert, and when, is told with it, in the names of the standard."""
    async with daemon.running() as desk:
        assert (await desk.alert(SEEN.alert)).state.AckedState is False
        assert (await desk.fault("XLLM")).seen is False
        await desk.act(MOOR, SEEN)
        state = (await desk.alert(SEEN.alert)).state
        assert (state.AckedState, state.seen_by) == (True, "A. Moor")
        assert state.seen_at == "2026-05-04T13:00:00.000Z"
        assert (await desk.fault("xllm")).seen is True
        await desk.act(MOOR, SHELVED)
        state = (await desk.alert(SEEN.alert)).state
    assert (state.ShelvingState, state.until) == (
        "TimedShelved",
        "2026-05-04T18:00:00.000Z",
    )
    assert [kind for kind, _ in events(daemon)][-2:] == ["act", "act"]


async def test_sending_an_act_again_changes_nothing(daemon):
    """An act with the key of one that was taken is that one: it is neither done nor written twice."""
    note = NotedIn(what="noted", fault=alert().id, text="one", key="abcdefgh")
    async with daemon.running() as desk:
        first = await desk.act(MOOR, note)
        again = await desk.act(MOOR, note)
        assert (first.id, first.again, again.id, again.again) == (
            again.id,
            False,
            first.id,
            True,
        )
        assert len((await desk.fault("XLLM")).notes) == 1
    assert len(daemon.written()) == 1


async def test_what_is_refused_is_not_written(daemon):
    """An act that cannot be taken is told so, and leaves no trace in the journal."""
    close = ClosedIn(what="closed", alert=alert().id)
    early = SeenIn(what="seen", alert=alert().id, at="2026-05-05T00:00:00Z")
    nothing = SeenIn(what="seen")
    position = DeskIn(what="take_desk", position="north")
    async with daemon.running() as desk:
        for act, why in (
            (close, "ends by itself"),
            (early, "not happened yet"),
            (nothing, "no fault"),
            (position, "no positions"),
        ):
            with pytest.raises(Refused, match=why):
                await desk.act(MOOR, act)
    assert daemon.written() == []


async def test_a_disk_that_fails_ends_the_daemon(daemon):
    """Where an act cannot be written the one who asked is told that it was not taken, and the daemon ends."""
    daemon.fails = True

    async def failing():
        async with daemon.running() as desk:
            with pytest.raises(Ending):
                await desk.act(MOOR, SEEN)

    with pytest.raises(ExceptionGroup) as told:
        await failing()
    assert told.group_contains(JournalFault)
    with pytest.raises(Ending):
        await daemon.desk.act(MOOR, SEEN)
    assert daemon.desk.unready() == ["The monitor is ending."]


async def test_whoever_goes_away_leaves_nothing_half_done(daemon):
    """An act whose asker went away is still written, and the next is taken."""
    async with daemon.running() as desk:
        async with asyncio.TaskGroup() as group:
            asking = group.create_task(desk.act(MOOR, SEEN))
            await asyncio.sleep(0)
            asking.cancel()
        done = await desk.act(MOOR, SHELVED)
    written = list(acts(daemon.written()))
    assert [one.what for one in written] == ["seen", "shelved"]
    assert done.again is False


async def test_an_entry_is_journaled_and_concluded_from(daemon):
    """Work that is entered is an event of the desk's, in the journal, and takes its sections out of normal service."""
    work = WorkIn(
        what="work_begun",
        position="north desk",
        subjects=["supply/PS1"],
        reference="W7",
        at="2026-05-04T12:30:00Z",
        planned_end="2026-05-04T16:00:00Z",
    )
    async with daemon.running() as desk:
        await daemon.conclude([occupied("1", NOON)])
        done = await desk.enter(MOOR, work)
        await daemon.conclude([occupied("2", NOON + 2 * HOUR)])
        sections = {one.id: one for one in await desk.sections(None)}
    written = [json.loads(one) for one in daemon.written()]
    # The example's supply feeds the evaluator of T106, T107 and T108.
    assert [one["subject"] for one in written] == ["T106", "T107", "T108"]
    assert {one["source"] for one in written} == {"desk/north-desk"}
    assert {one["time"] for one in written} == {"2026-05-04T12:30:00.000Z"}
    assert done.at == "2026-05-04T12:30:00.000Z"
    assert sections["T107"].under_work
    assert sections["T107"].work == ["W7"]


async def test_entries_of_each_kind(daemon):
    """A reset and a source's being out of watch are entered as the events that the feed would send."""
    reset = ResetIn(
        what="reset",
        position="north",
        section="T107",
        kind="preparatory",
        by="signaller",
    )
    watch = WatchIn(what="source_watch", position="north", source="gw/1", state="out")
    async with daemon.running() as desk:
        with pytest.raises(Refused, match="nothing was ever heard"):
            await desk.enter(MOOR, watch)
        await daemon.conclude([occupied("1", NOON)])
        await desk.enter(MOOR, reset)
        await desk.enter(MOOR, watch)
        with pytest.raises(NotThere, match="T999"):
            await desk.enter(MOOR, reset.model_copy(update={"section": "T999"}))
        with pytest.raises(Refused, match="not happened"):
            await desk.enter(
                MOOR, reset.model_copy(update={"at": "2026-05-05T00:00:00Z"})
            )
    first, second = (json.loads(one) for one in daemon.written())
    assert first["type"] == "tallywatch.section.reset"
    assert first["data"] == {
        "kind": "preparatory",
        "step": "accepted",
        "by": "signaller",
    }
    assert (second["subject"], second["data"]) == ("gw/1", {"state": "out"})


async def test_faults_by_number_and_where_they_went(daemon):
    """A fault is found by number or id; one that was taken in says into which, and an open one goes before."""
    cause = alert("common-cause", "cable/C2", NOON + MINUTE)
    daemon.tell(
        cause,
        faults=[
            fault(cause, number="RRRR", took=(alert().id,)),
            fault(alert(), into=cause.id, ended=NOON + HOUR),
        ],
    )
    old = alert(began=NOON - 3 * DAY, ended=NOON - 2 * DAY)
    daemon.tell(old, faults=[fault(old, number="RRRR", ended=NOON - 2 * DAY)])
    desk = daemon.desk
    taken = await desk.fault("XLLM")
    assert (taken.into, taken.into_number, taken.is_open) == (cause.id, "RRRR", False)
    assert (await desk.fault("RRRR")).id == cause.id
    assert [one.id for one in await desk.faults(is_open=True)] == [cause.id]
    assert len(await desk.faults(is_open=None)) == 3
    with pytest.raises(NotThere):
        await desk.fault("KKKK")


async def test_what_is_over_stays_before_people_until_somebody_has_seen_it(daemon):
    """A prompt fault that nobody saw is still told as one to see when it is over, but colours no section."""
    daemon.tell(alert(), faults=[fault(alert())])
    over = alert(ended=NOON + 5 * MINUTE)
    daemon.tell(over, faults=[fault(over, ended=NOON + 5 * MINUTE)])
    async with daemon.running() as desk:
        [told] = await desk.faults(is_open=True)
        assert (told.id, told.seen, told.is_open) == (over.id, False, True)
        assert await desk.faults(is_open=False) == []
        assert (await desk.section("T107", 1)).faults == []
        await desk.act(MOOR, SeenIn(what="seen", fault=over.id))
        assert await desk.faults(is_open=True) == []
        assert not (await desk.fault("XLLM")).is_open


async def test_what_only_a_person_ends_keeps_its_fault_open(daemon):
    """A fault that has ended but holds what stays until it is closed is open for people, until then."""
    stays = alert("vanished-train", "section/T108", priority="urgent")
    daemon.tell(
        stays,
        faults=[
            fault(stays, number="KKKK", lasting=(stays.id,), ended=NOON + 30 * MINUTE)
        ],
    )
    async with daemon.running() as desk:
        assert (await desk.fault("KKKK")).is_open
        assert (await desk.section("T108", 1)).faults == [stays.id]
        with pytest.raises(Refused, match="why"):
            await desk.act(MOOR, ClosedIn(what="closed", alert=stays.id))
        close = ClosedIn(what="closed", alert=stays.id, text="train found in T109")
        await desk.act(MOOR, close)
        assert not (await desk.fault("KKKK")).is_open
        assert (await desk.section("T108", 1)).faults == []


async def test_alerts_are_found_by_what_is_asked(daemon):
    """Alerts are found by kind, place, area, fault, time, and whether they are open; page by page, each once, the newest first."""
    more = [
        alert("level-out", "head/H107", NOON + n * MINUTE, priority="planned")
        for n in range(1, 6)
    ]
    over = replace(more[0], ended=NOON + HOUR)
    daemon.tell(*more, over)
    daemon.tell(alert("feed-silent", "gateway/elsewhere", NOON + 9 * MINUTE))

    async def found(**asked):
        page = await daemon.desk.alerts(Asked(**asked))
        return [one.record["id"] for one in page.alerts]

    newest_first = [one.id for one in reversed(more)]
    assert await found(kind="level-out") == newest_first
    assert await found(kind="level-out", is_open=False) == [over.id]
    assert await found(kind="level-out", is_open=True) == newest_first[:-1]
    assert await found(subject="section/T107") == [alert().id]
    assert await found(area="thornmere") == [*newest_first, alert().id]
    assert await found(priority="planned", limit=2) == newest_first[:2]
    assert await found(fault=alert().id) == [alert().id]
    assert await found(begin=more[3].raised, kind="level-out") == newest_first[:2]
    assert await found(end=more[1].raised, kind="level-out") == [over.id]
    pages, before = [], None
    while True:
        page = await daemon.desk.alerts(Asked(limit=2, before=before))
        pages += [one.record["id"] for one in page.alerts]
        before = page.more
        if before is None:
            break
    assert len(pages) == len(set(pages)) == 7
    for wrong in ({"before": "x"}, {"fault": "0" * 16}, {"area": "nowhere"}):
        with pytest.raises(NotThere):
            await found(**wrong)


async def test_an_alert_comes_with_every_line(daemon):
    """One alert is told with each line that was ever told of it, oldest first."""
    daemon.tell(alert(ended=NOON + HOUR))
    told = await daemon.desk.alert(alert().id)
    assert [line["ended"] for line in told.lines] == [None, "2026-05-04T13:00:00.000Z"]
    assert told.record == told.lines[-1]
    assert told.fault == alert().id
    with pytest.raises(NotThere):
        await daemon.desk.alert("0" * 16)


async def test_shelving_shows_what_it_would_have_hidden(daemon):
    """Before shelving one sees the alerts of that kind there of the last seven days, and no others."""
    daemon.now = NOON + 7 * DAY + MINUTE
    at = [NOON - DAY, NOON, NOON + DAY]
    daemon.tell(*(alert(began=one) for one in at), alert("level-out", "head/H107"))
    hidden = await daemon.desk.would_have_hidden("occupied-no-train", "section/T107")
    # The first was raised more than seven days ago, the second 6 d 23 h 59 min.
    assert [one.record["id"] for one in hidden.alerts] == [
        alert(began=NOON).id,
        alert(began=NOON + DAY).id,
    ]


async def test_a_section_tells_what_it_shows_and_whether_that_is_known(daemon):
    """A section is not known until it is heard; then it tells what it shows, and who follows is told as well."""
    desk = daemon.desk
    [before] = [one for one in await desk.sections("thornmere") if one.id == "T107"]
    assert (before.known, before.not_known, before.shown) == (
        False,
        "not yet heard",
        None,
    )
    event = occupied("1", NOON)
    await daemon.conclude([event])
    daemon.engine.pass_time(NOON + 5 * MINUTE)
    desk.heard([event])
    daemon.history.write(
        [
            Fact(kind="disturbance", subject="section/T107", began=NOON - 3 * HOUR),
            Fact(kind="disturbance", subject="section/T107", began=NOON),
        ]
    )
    after = await desk.section("T107", 2)
    assert (after.shown, after.settled, after.known, after.axles) == (
        "occupied",
        "occupied",
        True,
        8,
    )
    assert after.since == "2026-05-04T12:00:00.000Z"
    assert [fact.began for fact in after.facts] == ["2026-05-04T12:00:00.000Z"]
    assert any("T107" in sentence for sentence in after.explained)
    kind, values = events(daemon)[-1]
    assert (kind, values["id"], values["shown"]) == ("section", "T107", "occupied")
    for name in ("T999", "section/T107"):
        with pytest.raises(NotThere):
            await desk.section(name, 1)


async def test_heads_tell_where_they_are(daemon):
    """A head tells between which sections it is, and which open faults cover it."""
    daemon.tell(
        alert("level-out", "head/H107"),
        faults=[fault(alert("level-out", "head/H107"), number="KKKK")],
    )
    head = await daemon.desk.head("H107")
    assert head.between == list(daemon.line.heads["H107"].between)
    assert head.faults == [alert("level-out", "head/H107").id]
    assert len(await daemon.desk.heads()) == len(daemon.line.heads)
    with pytest.raises(NotThere):
        await daemon.desk.head("H999")


async def test_who_follows_is_told_once_and_not_of_the_past(daemon):
    """Alerts, faults and calls are told as they come; what a start finds in the journal again is not."""
    before = len(events(daemon))
    daemon.tell(alert(began=NOON - DAY), live=False)
    assert len(events(daemon)) == before
    call = Call(
        fault=alert().id,
        number="XLLM",
        alert=alert().id,
        priority="prompt",
        at=NOON,
        text="XLLM: T107",
        standing=1,
    )
    daemon.tell(alert("level-out"), faults=[fault(alert())], calls=[call])
    assert [kind for kind, _ in events(daemon)[before:]] == ["alert", "fault", "call"]
    assert events(daemon)[-1][1]["text"] == "XLLM: T107"


async def test_work_is_told_until_somebody_ends_it(daemon):
    """Work going on is told as one with all its sections, as overdue after its planned end, and goes when it is ended."""
    work = WorkIn(
        what="work_begun",
        position="north",
        subjects=["section/T106", "section/T107"],
        reference="W7",
        planned_end="2026-05-04T14:00:00Z",
    )
    async with daemon.running() as desk:
        await daemon.conclude([occupied("1", NOON)])
        await desk.enter(MOOR, work)
        await daemon.conclude([occupied("2", NOON + 90 * MINUTE)])
        [told] = await desk.work()
        assert (told.reference, told.sections) == ("W7", ["T106", "T107"])
        assert told.begun == "2026-05-04T13:00:00.000Z"
        assert (told.planned_end, told.due) == ("2026-05-04T14:00:00.000Z", "")
        daemon.now = NOON + 121 * MINUTE
        [told] = await desk.work()
        assert told.due == "over"
        await desk.enter(MOOR, work.model_copy(update={"what": "work_ended"}))
        await daemon.conclude([occupied("3", NOON + 3 * HOUR)])
        assert await desk.work() == []


async def test_a_plan_quiets_nothing_until_somebody_says_so(daemon):
    """Planned work is told with what became of it; it takes nothing out of service until somebody enters that it has begun."""
    work = Work(
        sections=("T107",), begin=NOON + HOUR, end=NOON + 3 * HOUR, reference="W7"
    )
    daemon.plans.take(
        Imported(id="1", entered=NOON, by="B", position="", plan="week", works=(work,))
    )
    begun = PlanIn(what="plan_begun", position="north", plan="week", work=work.key)
    async with daemon.running() as desk:
        await daemon.conclude([occupied("1", NOON)])
        [told] = await desk.plans()
        assert (told.stage, told.planned_end) == ("planned", "2026-05-04T15:00:00.000Z")
        assert await desk.work() == []
        await desk.enter(MOOR, begun)
        [told] = await desk.plans()
        assert (told.stage, told.begun) == ("begun", "2026-05-04T13:00:00.000Z")
        [going] = await desk.work()
        assert (going.reference, going.sections) == ("W7", ["T107"])
        with pytest.raises(Refused, match="begun already"):
            await desk.enter(MOOR, begun)
        with pytest.raises(Refused, match="no such work"):
            await desk.enter(MOOR, begun.model_copy(update={"work": "x"}))
    kinds = [json.loads(one)["type"] for one in daemon.written()]
    assert kinds == ["tallywatch.plan.step", "tallywatch.section.work"]


async def test_a_reset_waits_for_a_train(daemon):
    """A reset that no train has followed is told with how it was made and when, for its area."""
    reset = ResetIn(
        what="reset",
        position="north",
        section="T107",
        kind="preparatory",
        by="signaller",
    )
    async with daemon.running() as desk:
        await daemon.conclude([occupied("1", NOON)])
        await desk.enter(MOOR, reset)
        await daemon.conclude([occupied("2", NOON + 2 * HOUR)])
        [told] = await desk.resets_waiting("thornmere")
        printed = await desk.print_resets("thornmere")
    assert "T107: preparatory reset at 13:00 by signaller, accepted" in printed
    assert (told.section, told.kind, told.step, told.by, told.at) == (
        "T107",
        "preparatory",
        "accepted",
        "signaller",
        "2026-05-04T13:00:00.000Z",
    )
    assert (told.shows, told.next_train) == ("occupied", "not learnt yet")
    # A train may take an hour to come, until it is learnt how often they do.
    assert (told.due, told.wanted) == ("2026-05-04T14:00:00.000Z", "due by 14:00")
    with pytest.raises(NotThere):
        await daemon.desk.resets_waiting("nowhere")


async def test_before_the_first_train_names_everything_that_stands_open(daemon):
    """Before the first train one reads of each section what is not as usual: not known, disturbed, given back by the evaluator alone, reset, under work, isolated, shelved, switched off; and that this shows no line ready."""
    handling = [
        ShelvedIn(
            what="shelved", kind="level-out", subject="head/H107", text="new head"
        ),
        QuietIn(
            what="switched_off",
            kind="level-out",
            subject="section/T108",
            text="rail is out",
        ),
    ]
    daemon.tell(alert("level-out", "head/H107"))
    disturbed = replace(occupied("1", NOON), subject="T106", state=State.DISTURBED)
    given_back = replace(
        occupied("2", NOON + SECOND), state=State.CLEAR, interlocking=State.OCCUPIED
    )
    isolated = EvaluatorState(
        id="3",
        source="gw/1",
        subject="EV1",
        time=NOON + HOUR + MINUTE,
        arrival=NOON + HOUR + MINUTE,
        state=Service.ISOLATED,
    )
    work = WorkIn(
        what="work_begun",
        position="north",
        subjects=["section/T107"],
        reference="W7",
        planned_end="2026-05-04T14:00:00Z",
    )
    reset = ResetIn(what="reset", position="north", section="T106", kind="conditional")
    async with daemon.running() as desk:
        await daemon.conclude([disturbed, given_back])
        await desk.enter(MOOR, work)
        await desk.enter(MOOR, reset)
        for act in handling:
            await desk.act(MOOR, act)
        later = replace(
            disturbed, id="4", time=NOON + 2 * HOUR, arrival=NOON + 2 * HOUR
        )
        await daemon.conclude([later])
        before = await desk.before_first_train("thornmere", None)
        await daemon.conclude(
            [
                replace(isolated, time=NOON + 3 * HOUR, arrival=NOON + 3 * HOUR),
                replace(later, id="5", time=NOON + 4 * HOUR, arrival=NOON + 4 * HOUR),
            ]
        )
        after = await desk.before_first_train(None, None)
        of_work = await desk.before_first_train(None, "W7")
        printed = await desk.print_first_train(None, None)
        printed_of_work = await desk.print_first_train(None, "W7")
        with pytest.raises(NotThere, match="W8"):
            await desk.before_first_train(None, "W8")
    assert "T106: disturbed, since 12:00" in printed.splitlines()
    assert "T106" not in printed_of_work
    assert before.heading == (
        "What this feed shows as open. It does not show that a line is ready."
    )
    told = {(one.subject, one.what): one for one in before.items}
    assert told["section/T106", "disturbed"].since == "2026-05-04T12:00:00.000Z"
    assert ("section/T106", "reset, no train has followed") in told
    assert ("section/T107", "evaluator clear, interlocking occupied") in told
    work_told = told["section/T107", "work not ended"]
    assert work_told.since == "2026-05-04T13:00:00.000Z"
    assert (work_told.text, work_told.until) == ("W7", "2026-05-04T14:00:00.000Z")
    assert ("section/T108", "not known") in told
    assert told["head/H107", "shelved"].text == (
        "level-out, once, by A. Moor: new head"
    )
    assert ("section/T108", "switched off here") in told
    assert ("evaluator/EV1", "isolated") in {
        (one.subject, one.what) for one in after.items
    }
    assert {one.subject for one in of_work.items if "section" in one.subject} == {
        "section/T107"
    }


class Shifts:
    """Positions as another part keeps them."""

    def __init__(self):
        self.has_it = "B. Marsh"

    def positions(self):
        """One desk, for one area, and one for all."""
        north = PositionOut(
            name="north", areas=["thornmere"], has_it=self.has_it, since=None
        )
        return [north, north.model_copy(update={"name": "chief", "areas": []})]

    def shift(self, now):
        """One of eight hours that has gone on for one."""
        return Shift(begin=now - HOUR, end=now + 7 * HOUR, slot=0, day="working day")

    async def handover(self, position, lately):
        """A sheet on which nothing stands but a note, and how many calls there were."""
        note = Note(
            id="0123456789abcdef",
            at=NOON,
            by="B. Marsh",
            text=f"{len(lately.calls)} calls, carried on",
        )
        return Sheet(
            position=Position(name=position),
            shift=self.shift(NOON),
            made=NOON,
            who_goes="B. Marsh",
            who_comes="",
            faults=(),
            resets=(),
            standing=(),
            work=(),
            kept_quiet=(),
            not_known=(),
            longest=None,
            changed=(),
            own=(),
            wrong=(),
            numbers=(),
            notes=(note,),
        )

    def act(self, who, given, now, identity):
        """The desk is taken, unless it is somebody's."""
        assert given.position == "north"
        if self.has_it == who.name:
            raise Refused("you have it already")
        self.has_it = who.name
        return Entry(payload=identity.encode(), arrival=now, kept=True)


async def test_a_desk_is_taken_and_handed_over(daemon):
    """Taking a desk is on disk when the answer comes, shows in the positions, and is refused where it cannot be."""
    daemon.desk._lent = replace(daemon.desk._lent, sheets=Shifts())
    take = DeskIn(what="take_desk", position="north")
    async with daemon.running() as desk:
        done = await desk.act(MOOR, take)
        assert daemon.written() == [done.id.encode()]
        assert (await desk.positions())[0].has_it == "A. Moor"
        with pytest.raises(Refused, match="already"):
            await desk.act(MOOR, take)
        sheet = await desk.handover("north")
        assert sheet.made == "2026-05-04T12:00:00.000Z"
        [note] = sheet.parts["notes"]
        assert note["text"] == "0 calls, carried on"
        printed = await desk.print_handover("north")
        assert "12:00 B. Marsh: 0 calls, carried on" in printed.splitlines()
        assert CAUTION in " ".join(printed.split())
    assert len(daemon.written()) == 1
    kind, values = events(daemon)[-1]
    assert (kind, values["name"], values["by"]) == ("position", "north", "A. Moor")


async def test_the_load_of_a_position_is_that_of_its_areas(daemon):
    """A call counts for the desk whose area the alert lies in, and for a desk of all areas."""
    daemon.desk._lent = replace(daemon.desk._lent, sheets=Shifts())
    call = Call(
        fault=alert().id,
        number="XLLM",
        alert=alert().id,
        priority="prompt",
        at=daemon.now - MINUTE,
        text="",
        standing=0,
    )
    far = alert("feed-silent", "gateway/far", NOON)
    daemon.tell(far, calls=[call, replace(call, alert=far.id)])
    for position, calls in ((None, 2), ("north", 1), ("chief", 1)):
        counts = (await daemon.desk.load(position)).counts
        assert counts[0].calls == calls
        # Eight hours' part of 150 and 300 a day.
        assert (counts[-1].within, counts[-1].calls) == ("shift", calls)
        assert (counts[-1].target, counts[-1].limit) == (50, 100)


@pytest.mark.parametrize(
    ("why", "calls"),
    [
        ("", 1),
        ("shelved", 0),
        ("trial", 0),
        ("its fault was over before it could be sent", 0),
        # Whoever looks is asked: by the page, in a rehearsal as much as it goes.
        ("there is no channel for calls", 1),
        ("rehearsal", 1),
    ],
)
async def test_a_call_that_never_went_out_is_no_load(daemon, why, calls):
    """A call with which nobody was called asked nothing of anybody, and whoever follows is told why."""
    call = Call(
        fault=alert().id,
        number="XLLM",
        alert=alert().id,
        priority="prompt",
        at=daemon.now - MINUTE,
        text="",
        standing=0,
    )
    daemon.tell(alert())
    daemon.desk.called(call, why)
    name, told = events(daemon)[-1]

    assert (await daemon.desk.load(None)).counts[0].calls == calls
    assert (name, told["nobody_for"]) == ("call", why)


async def test_what_was_called_before_a_start_is_load_and_no_news(daemon):
    """Nobody is told anew of what the store has, and it counts."""
    call = Call(
        fault=alert().id,
        number="XLLM",
        alert=alert().id,
        priority="prompt",
        at=daemon.now - MINUTE,
        text="",
        standing=0,
    )
    before = len(events(daemon))
    daemon.desk.was_called(call)

    assert (await daemon.desk.load(None)).counts[0].calls == 1
    assert len(events(daemon)) == before


async def test_a_fault_says_that_nobody_is_called_for_it(daemon):
    """While all that needs somebody in it is shelved, or on trial, no page sounds for it; one alert that is not, and it does."""
    one, other = alert(), alert("level-out", "head/H107", NOON)
    daemon.tell(one, faults=[fault(one)])
    act = Act(
        id="off",
        at=NOON,
        entered=NOON,
        by="A. Moor",
        position="north",
        what="switched_off",
        kind=one.kind,
        subject=one.subject,
        text="new head",
    )
    said = [(await daemon.desk.fault(one.id)).quiet]
    daemon.handling.take(act)
    said.append((await daemon.desk.fault(one.id)).quiet)
    daemon.tell(other, faults=[fault(one, other)])
    said.append((await daemon.desk.fault(one.id)).quiet)
    daemon.pulse = replace(daemon.pulse, trial=True)
    said.append((await daemon.desk.fault(one.id)).quiet)

    assert said == ["", "switched off here: new head", "", "trial"]


async def test_without_positions_there_are_none(daemon):
    """Where no positions are set up there are none, and no sheet of one."""
    assert await daemon.desk.positions() == []
    with pytest.raises(NotThere):
        await daemon.desk.handover("north")


async def test_load_counts_calls_against_the_limits(daemon):
    """Calls are counted in ten minutes, an hour and a day against the published limits; eleven in ten minutes are a flood."""
    daemon.now = NOON + 5 * HOUR
    chatter = [
        alert(
            "level-out",
            "head/H107",
            NOON + HOUR + n * 20 * SECOND,
            ended=NOON + HOUR + n * 20 * SECOND + 2 * MINUTE + 10 * SECOND,
        )
        for n in range(3)
    ]
    calls = [
        Call(
            fault=alert().id,
            number="XLLM",
            alert=alert().id,
            priority="prompt",
            at=daemon.now - 5 * MINUTE + n * SECOND,
            text="",
            standing=0,
        )
        for n in range(11)
    ]
    early = replace(calls[0], at=daemon.now - 2 * HOUR)
    daemon.tell(*chatter, calls=[early, *calls])
    told = await daemon.desk.load(None)
    assert [(one.within, one.calls, one.target, one.limit) for one in told.counts] == [
        ("10 min", 11, 1, 2),
        ("hour", 11, 6, 12),
        ("day", 12, 150, 300),
    ]
    [flood] = told.floods
    assert (flood.begin, flood.end, flood.calls) == (
        "2026-05-04T16:55:10.000Z",
        None,
        11,
    )
    assert [(one.subject, one.times) for one in told.chattering] == [("head/H107", 3)]
    # Raised two minutes after they began, and over ten seconds later, unseen.
    assert told.fleeting == 3
    assert told.stale == []
    assert told.shares is None
    daemon.now = alert().raised + DAY + SECOND
    assert (await daemon.desk.load(None)).stale == [alert().id]
    with pytest.raises(NotThere):
        await daemon.desk.load("nowhere")


async def test_the_monitor_tells_how_it_stands(daemon):
    """The monitor tells what it heard, of how many sections the state is not known, and the caution."""
    status = await daemon.desk.status()
    assert status.heard == "2026-05-04T12:00:00.000Z"
    assert status.not_known == status.sections == len(daemon.line.sections)
    assert status.caution.startswith("Nothing here proves a section empty")
    daemon.pulse = replace(
        daemon.pulse, why=("The broker is away.",), besides=("Nothing goes out.",)
    )
    assert daemon.desk.unready() == ["The broker is away."]
    wrong = (await daemon.desk.status()).wrong
    assert wrong == ["The broker is away.", "Nothing goes out."]
    kinds = {one.kind for one in await daemon.desk.kinds()}
    assert {"occupied-no-train", "vanished-train"} <= kinds


async def test_whoever_follows_is_warned_before_work_should_end(daemon):
    """Half an hour before its planned end, and when that is over, work is told of once each; it never ends by itself."""
    begun = WorkIn(
        what="work_begun",
        position="north",
        subjects=["section/T107"],
        reference="W7",
        planned_end="2026-05-04T16:00:00Z",
    )
    async with daemon.running() as desk:
        await desk.enter(MOOR, begun)
        for hour in ("15:00", "15:29", "15:31", "15:59", "16:00", "20:00"):
            daemon.now = parse(f"2026-05-04T{hour}:00Z")
            desk.looked()
        (going,) = await desk.work()
    warned = [values for kind, values in events(daemon) if kind == "work"]
    assert [(one["reference"], one["due"]) for one in warned] == [
        ("W7", "soon"),
        ("W7", "over"),
    ]
    assert going.due == "over"


async def test_old_faults_are_forgotten(daemon, monkeypatch):
    """Memory is bounded: of faults that have ended the oldest go, and open ones stay."""
    monkeypatch.setattr("monitor.desk.monitor.KEPT_FAULTS", 5)
    for number in range(40):
        old = alert("level-out", "head/H107", NOON + number * SECOND)
        daemon.desk.told([Output(faults=(fault(old, ended=NOON + HOUR),))])
    assert alert().id in daemon.desk._faults
    assert len(daemon.desk._faults) <= 11
    assert len(daemon.desk._fault_of) <= 11


async def test_the_api_over_a_real_monitor(daemon, tmp_path):
    """The API over the real door: a person sees an alert and it is told as seen, with the right words where not."""
    settings = DeskSettings(people_file=tmp_path / "people.json", unnamed="act")
    app = create(
        daemon.desk,
        settings,
        daemon.stream,
        lambda: daemon.now,
        people=People(tmp_path / "people.json", QUICK),
    )
    transport = httpx.ASGITransport(app=app)
    async with (
        daemon.running(),
        httpx.AsyncClient(transport=transport, base_url=HERE) as client,
    ):
        proof = (await client.get("/api/v1/me")).json()["proof"]
        client.headers["X-Tallywatch-Proof"] = proof
        body = {"what": "seen", "alert": alert().id}
        assert (await client.post("/api/v1/acts", json=body)).status_code == 200
        again = await client.post("/api/v1/acts", json=body)
        assert (again.status_code, again.json()["detail"]) == (
            409,
            "it is seen already",
        )
        told = (await client.get("/api/v1/faults?open=true")).json()
        assert [(one["number"], one["seen"]) for one in told] == [("XLLM", True)]
        back = QuietIn(
            what="unshelved", kind="occupied-no-train", subject="section/T107"
        )
        answer = await client.post("/api/v1/acts", json=back.model_dump())
        assert answer.status_code == 409
    ended = await client_of(app, "post", "/api/v1/acts", body, proof)
    assert ended.status_code == 503


async def client_of(app, method, path, body, proof):
    """One question to *app*."""
    transport = httpx.ASGITransport(app=app)
    async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
        return await client.request(
            method, path, json=body, headers={"X-Tallywatch-Proof": proof}
        )


async def test_reset_whose_key_was_used_is_the_same(daemon):
    """An entry that is sent again by its key is journaled once."""
    reset = ResetIn(
        what="reset",
        position="north",
        section="T107",
        kind="conditional",
        key="abcdefgh",
    )
    async with daemon.running() as desk:
        first = await desk.enter(MOOR, reset)
        again = await desk.enter(MOOR, reset)
    assert (first.again, again.again, first.id) == (False, True, again.id)
    assert len(daemon.written()) == 1


async def test_shelving_has_a_longest_time(daemon):
    """For longer than a day nothing is shelved, unless that is set (MaxTimeShelved); once is over after that too."""
    long = SHELVED.model_copy(update={"until": "2026-05-05T13:00:01Z"})
    once = SHELVED.model_copy(update={"until": None})
    async with daemon.running() as desk:
        with pytest.raises(Refused, match="it is shelved for 24 h at most"):
            await desk.act(MOOR, long)
        await desk.act(MOOR, once)
        shelved = [(await desk.alert(alert().id)).state.ShelvingState]
        daemon.now += DAY
        shelved.append((await desk.alert(alert().id)).state.ShelvingState)

    assert shelved == ["OneShotShelved", "Unshelved"]
    assert len(daemon.written()) == 1


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"subject": "section/T999"}, "there is nothing that is section/T999"),
        ({"subject": "section/"}, "there is nothing that is section/"),
        ({"kind": "no-such-kind"}, "there is no kind no-such-kind"),
    ],
)
async def test_what_is_not_there_is_not_shelved(daemon, changed, why):
    """A slip of the hand is said, and not kept as a shelf that hides nothing."""
    switched = QuietIn(
        what="switched_off", kind=SHELVED.kind, subject=SHELVED.subject, text="why"
    )
    async with daemon.running() as desk:
        for given in (SHELVED, switched):
            with pytest.raises(NotThere, match=why):
                await desk.act(MOOR, given.model_copy(update=changed))

    assert daemon.written() == []


async def test_what_is_shelved_may_be_about_the_feed(daemon):
    """A source is in no line file: what an alert was about is there."""
    silent = alert("feed-gap", "source/gw/9")
    daemon.tell(silent)
    given = {"kind": silent.kind, "subject": silent.subject}
    async with daemon.running() as desk:
        await desk.act(MOOR, SHELVED.model_copy(update=given))

    assert len(daemon.written()) == 1


async def test_nothing_is_done_at_a_desk_that_is_not_there(daemon):
    """Acts, entries and windows of a position that is not set up are refused, and leave no trace; those of no position are taken."""
    daemon.desk._lent = replace(daemon.desk._lent, sheets=Shifts())
    nobody, none = Who(name="A. Moor", position="norht"), Who(name="A. Moor")
    reset = ResetIn(what="reset", position="norht", section="T106", kind="conditional")
    keep = KeepIn(begin="2026-05-04T11:00:00Z", end="2026-05-04T12:00:00Z", reason="x")
    async with daemon.running() as desk:
        for does in (
            lambda who: desk.act(who, SEEN),
            lambda who: desk.enter(who, reset),
            lambda who: desk.keep(who, keep),
        ):
            with pytest.raises(Refused, match="there is no position norht"):
                await does(nobody)
        assert daemon.written() == []
        await desk.act(none, SEEN)

    assert len(daemon.written()) == 1


async def test_a_key_is_for_one_thing(daemon):
    """The same key with something else in it is refused, not taken for the first sent again."""
    note = NotedIn(what="noted", fault=alert().id, text="one", key="abcdefgh")
    reset = ResetIn(
        what="reset",
        position="north",
        section="T106",
        kind="conditional",
        key="hgfedcba",
    )
    keep = KeepIn(
        begin="2026-05-04T11:00:00Z",
        end="2026-05-04T12:00:00Z",
        reason="x",
        key="aabbccdd",
    )
    async with daemon.running() as desk:
        for does, given, changed in (
            (desk.act, note, {"text": "two"}),
            (desk.enter, reset, {"section": "T107"}),
            (desk.keep, keep, {"reason": "y"}),
        ):
            await does(MOOR, given)
            written = len(daemon.written())
            daemon.now += MINUTE
            with pytest.raises(Refused, match="given to something else"):
                await does(MOOR, given.model_copy(update=changed))
            assert (await does(MOOR, given)).again
            assert len(daemon.written()) == written


async def test_a_fault_tells_what_else_is_open_in_it(daemon):
    """The gravest first; not what its headline says already, of one section or of several, and not what keeps quiet."""
    first = alert("section-disturbed", "section/T106")
    other = alert("section-disturbed", "section/T107")
    out = alert("unseen-train", "section/T107", priority="urgent")
    quiet = alert("reset-unproved", "section/T107", parameters={"quiet": "work"})
    over = alert("contact-disagreement", "section/T107", ended=NOON + HOUR)
    every = (first, other, out, quiet, over)
    one = fault(*every, subject="section/T106", headline="T106 and T107 disturbed")

    daemon.tell(*every, faults=[one])
    told = await daemon.desk.fault(one.id)
    assert await daemon.desk.quiet() == 1
    daemon.tell(faults=[replace(one, headline="T106 disturbed")])
    alone = await daemon.desk.fault(one.id)

    assert told.also == ["T107 shown clear, a train came out"]
    assert alone.also == ["T107 shown clear, a train came out", "T107 disturbed"]


async def test_since_is_of_what_the_headline_says(daemon):
    """A fault that began with something over is said to be so since what is open now began."""
    over = alert(ended=NOON + 5 * MINUTE)
    still = alert("reset-unproved", began=NOON + 10 * MINUTE, priority="planned")
    told = fault(over, still, headline="T107 reset, no train has followed")
    daemon.tell(over, still, faults=[told])

    found = await daemon.desk.fault("XLLM")
    assert (found.began, found.since) == (
        "2026-05-04T12:00:00.000Z",
        "2026-05-04T12:10:00.000Z",
    )
