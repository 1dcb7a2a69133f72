"""What the API asks of the running monitor, and the shapes in which it answers: one narrow door, so that all of it can be tried without a monitor.

Times are RFC 3339 in UTC with `Z`, or null.
The states of alerts have the names of OPC 10000-9 (Alarms and Conditions); beside each stand words for people.
What people write is text and stays text: nothing here makes a page of it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Protocol

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from monitor.core.moments import Moment, parse
from monitor.desk.windows import Made, Window
from monitor.findings import Cause

LONGEST_SUBJECT = 200
LONGEST_PLAN = 500_000
"""Characters of a plan's file: a year of possessions."""

MOST_ALERTS = 500
MOST_PAINTED = 500
"""Alerts of one fault that a page tells of at once: a fault remembers no more."""

HOURS = 24 * 7
"""How far back the facts of a section are told at once."""


class NotThere(Exception):
    """What was asked for is not there; the text says what."""


class Refused(Exception):
    """An act or entry cannot be taken; the text says why, for the one who did it."""


class Ending(Exception):
    """The monitor is ending, and takes nothing more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Who does something.

    Args:
        name: as it is recorded.
        position: at which desk, or "".
    """

    name: str
    position: str = ""


def _plain(text: str) -> str:
    if any(not (c.isprintable() or c in "\n\t") for c in text):
        raise ValueError("holds what cannot be printed")
    return text


def _line(text: str) -> str:
    if not text.isprintable():
        raise ValueError("holds what cannot be printed")
    return text


def _time(text: str) -> str:
    parse(text)
    return text


Note = Annotated[str, Field(max_length=500), AfterValidator(_plain)]
Name = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_line)]
Subject = Annotated[
    str,
    Field(
        min_length=3,
        max_length=LONGEST_SUBJECT,
        pattern=r"^[a-z]+/.+$",
        examples=["section/T107"],
    ),
    AfterValidator(_line),
]
Kind = Annotated[str, Field(pattern=r"^[a-z][a-z-]{0,63}$")]
Ident = Annotated[str, Field(pattern="^[0-9a-f]{16}$", examples=["7b9effd83caf5b4f"])]
Time = Annotated[
    str,
    Field(max_length=40, examples=["2026-05-04T06:12:03.412Z"]),
    AfterValidator(_time),
]
"""RFC 3339 with an offset."""

Priority = Literal["urgent", "prompt", "planned", "note"]
Position = Annotated[str, Field(max_length=64), AfterValidator(_line)]


class Out(BaseModel):
    """An answer."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class In(BaseModel):
    """A question's body."""

    model_config = ConfigDict(extra="forbid", frozen=True)


# What people do.


class ActIn(In):
    """What every act carries.

    Args:
        position: at which desk it is done.
        at: when it was so, where it is typed later; else now.
        key: names the act, so that sending it again changes nothing.
    """

    position: Position = ""
    at: Time | None = None
    key: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,64}$")] | None = None


class About(ActIn):
    """An act about an alert, or about all alerts of a fault."""

    alert: Ident | None = None
    fault: Ident | None = None


class SeenIn(About):
    """Somebody has seen it (the standard's acknowledgement): an alert, or all of a fault."""

    what: Literal["seen"]


class ClosedIn(ActIn):
    """What stays until a person closes it is closed; an urgent one with a reason."""

    what: Literal["closed"]
    alert: Ident
    text: Note = ""


class AttendedIn(ActIn):
    """Somebody goes to a fault, is there, or is gone again."""

    what: Literal["going", "on_site", "gone"]
    fault: Ident
    text: Note = ""


class NotedIn(ActIn):
    """A note about a fault."""

    what: Literal["noted"]
    fault: Ident
    text: Note


class FoundIn(ActIn):
    """What was found at a fault, in words, from the list, or both; it makes a visit.

    Args:
        what: that it is.
        fault: its id.
        text: in words.
        cause: from the list.
        part: at what it was found.
    """

    what: Literal["found"]
    fault: Ident
    text: Note = ""
    cause: Cause | None = None
    part: Subject | None = None


class ShelvedIn(ActIn):
    """A kind is shelved at a place: to a moment, or once for the present alert, and returns by itself."""

    what: Literal["shelved"]
    kind: Kind
    subject: Subject
    text: Note
    until: Time | None = None


class QuietIn(ActIn):
    """A kind at a place is taken off the shelf, switched off, or on again."""

    what: Literal["unshelved", "switched_off", "switched_on"]
    kind: Kind
    subject: Subject
    text: Note = ""


class DeskIn(In):
    """A position's desk is taken, or handed over to whoever takes it next; a note is left there, or closed.

    Args:
        what: which of them.
        position: whose.
        to: to whom it is handed over.
        text: what the next is to know: a note, carried on until it is closed.
        note: which note is closed, as the sheet names it.
    """

    what: Literal["take_desk", "hand_over", "note_left", "note_closed"]
    position: Name
    to: Name | None = None
    text: Note = ""
    note: Ident | None = None


AnyAct = Annotated[
    SeenIn | ClosedIn | AttendedIn | NotedIn | FoundIn | ShelvedIn | QuietIn | DeskIn,
    Field(discriminator="what"),
]


# What people know.


class EntryIn(In):
    """What every entry carries.

    Args:
        position: at which desk it is entered.
        at: when it was so; else now.
        key: names the entry, so that sending it again changes nothing.
    """

    position: Name
    at: Time | None = None
    key: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,64}$")] | None = None


class WorkIn(EntryIn):
    """Work on sections has begun, or ended.

    Args:
        what: which of them.
        subjects: sections, or an area, evaluator, unit, cable, supply, site or head for all sections that need it.
        reference: what the work is called.
        planned_end: when it should end; shown, and warned of, but it never ends by itself.
    """

    what: Literal["work_begun", "work_ended"]
    subjects: Annotated[list[Subject], Field(min_length=1, max_length=200)]
    reference: Annotated[str, Field(max_length=120), AfterValidator(_line)] = ""
    planned_end: Time | None = None


class ResetIn(EntryIn):
    """A reset that the feed does not carry."""

    what: Literal["reset"]
    section: Name
    kind: Literal[
        "unconditional", "conditional", "preparatory", "preparatory_acknowledged"
    ]
    step: Literal["requested", "accepted", "refused", "restored"] = "accepted"
    by: Literal["technician", "signaller"] | None = None


class PlanIn(EntryIn):
    """A piece of planned work has begun, or has ended.

    Args:
        what: which of them.
        plan: the name of the plan.
        work: its key, as `/work/plans` tells it.
    """

    what: Literal["plan_begun", "plan_ended"]
    plan: Name
    work: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_line)]


class PlanImportedIn(EntryIn):
    """A plan of work is imported, in place of one of the same name; it quiets nothing.

    Args:
        what: that it is.
        plan: its name.
        form: a table (CSV) or a calendar (iCalendar).
        text: the file.
    """

    what: Literal["plan_imported"]
    plan: Name
    form: Literal["csv", "ics"] = "csv"
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_PLAN)]


class PlanWithdrawnIn(EntryIn):
    """A plan is no longer one; work of it that has begun goes on."""

    what: Literal["plan_withdrawn"]
    plan: Name


class WatchIn(EntryIn):
    """A source is taken out of watch, or put back."""

    what: Literal["source_watch"]
    source: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_line)]
    state: Literal["out", "in"]


AnyEntry = Annotated[
    WorkIn | ResetIn | WatchIn | PlanIn | PlanImportedIn | PlanWithdrawnIn,
    Field(discriminator="what"),
]


class Done(Out):
    """It is on disk.

    Args:
        id: names what was done.
        at: when it was so.
        again: it was known already, and nothing changed.
    """

    id: str
    at: str
    again: bool = False


class KeepIn(In):
    """A window of the journal is to be kept.

    Args:
        position: at which desk that is said.
        begin: from when.
        end: to when.
        reason: why.
        key: names it, so that sending it again changes nothing.
    """

    position: Position = ""
    begin: Time
    end: Time
    reason: Annotated[str, Field(min_length=1, max_length=500), AfterValidator(_plain)]
    key: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,64}$")] | None = None


class KeepOut(Out):
    """A window of the journal that is to be kept: from when to when, why, who wants it, and when that was said."""

    id: str
    begin: str
    end: str
    reason: str
    by: str
    position: str
    entered: str


class VisitIn(In):
    """Somebody was at a part.

    Args:
        what: that they were.
        position: at which desk that is entered.
        begin: from when.
        end: to when; else only that moment is known.
        subjects: what was visited.
        cause: what was found, from the list.
        part: at what it was found.
        reference: the number of the order or report.
        text: a note.
        who: was there; else whoever enters it.
        fault: id of the fault for which.
        key: names it, so that sending it again changes nothing.
    """

    what: Literal["visited"]
    position: Position = ""
    begin: Time
    end: Time | None = None
    subjects: Annotated[list[Subject], Field(min_length=1, max_length=200)]
    cause: Cause
    part: Subject | None = None
    reference: Annotated[str, Field(max_length=120), AfterValidator(_line)] = ""
    text: Note = ""
    who: Annotated[str, Field(max_length=64), AfterValidator(_line)] = ""
    fault: Ident | None = None
    key: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,64}$")] | None = None


class VisitsIn(In):
    """Visits out of a table; one of the same id takes the place of the one before.

    Args:
        what: that they are imported.
        position: at which desk.
        name: of the file, for what is wrong with it.
        text: the table (CSV).
    """

    what: Literal["visits_imported"]
    position: Position = ""
    name: Name = "visits.csv"
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_PLAN)]


class VisitWithdrawnIn(In):
    """A visit was entered in error.

    Args:
        what: that it is withdrawn.
        position: at which desk.
        visit: its id.
        text: why.
    """

    what: Literal["visit_withdrawn"]
    position: Position = ""
    visit: Ident
    text: Annotated[str, Field(min_length=1, max_length=500), AfterValidator(_plain)]


AnyVisit = Annotated[VisitIn | VisitsIn | VisitWithdrawnIn, Field(discriminator="what")]


class VisitedOut(Out):
    """It is on disk.

    Args:
        visits: ids of those that are new or say something new.
        known: how many said nothing new.
    """

    visits: list[str]
    known: int


class VisitOut(Out):
    """A visit: when, to what, what was found at which part, and who entered it when."""

    id: str
    begin: str
    end: str
    subjects: list[str]
    cause: Cause
    found: str
    part: str
    reference: str
    text: str
    who: str
    fault: str
    by: str
    position: str
    entered: str


class PaintedIn(In):
    """A fault that a page has painted.

    Args:
        fault: its id.
        headline: as it was painted.
        priority: likewise.
        alerts: of the alerts in it, those that were painted with it and that this page had not painted before; none: it does not say.
        at: when, where that was before the page said so; by its clock set by the monitor's.
    """

    fault: Ident
    headline: Annotated[str, Field(max_length=100), AfterValidator(_line)]
    priority: Priority
    alerts: Annotated[tuple[Ident, ...], Field(max_length=MOST_PAINTED)] | None = None
    at: Time | None = None


class ShownIn(In):
    """What a page has shown.

    Args:
        page: names the page.
        position: at which desk.
        at: when it was painted, by the page's clock set by the monitor's.
        visible: whether the page was the one in front.
        sound: what became of sounds: begun for the faults named (`sounded`), or could have been (`could`; pages said `played` before).
        faults: painted anew, or changed.
        stale: since when it has not heard the monitor.
        left: whether it is being closed, or gone on from.
    """

    page: Annotated[str, Field(pattern="^[0-9a-f]{8,32}$")]
    position: Position = ""
    at: Time
    visible: bool
    sound: Literal["sounded", "could", "played", "muted", "blocked", "elsewhere"]
    faults: Annotated[list[PaintedIn], Field(max_length=200)] = []
    stale: Time | None = None
    left: bool = False


class DrillIn(In):
    """A drill: a marked alert and call through the whole chain.

    Args:
        within_s: so long it is waited for; what is not through by then is reported as that.
    """

    within_s: Annotated[float, Field(ge=1, le=120)] = 60.0


class StageOut(Out):
    """A stage of the chain, and how long after the beginning it was reached.

    Args:
        name: of the stage: what is done here, or a channel with what it was sent.
        took_s: seconds; None: it was not reached.
        said: how it went, in words.
    """

    name: str
    took_s: float | None
    said: str


class DrillOut(Out):
    """How a drill went.

    Args:
        number: to say on the telephone: it stands in the call.
        began: when.
        passed: everything was reached, and at least one channel was.
        stages: in the order of the chain.
        left_out: channels of later steps, which were not tried.
    """

    number: str
    began: str
    passed: bool
    stages: list[StageOut]
    left_out: list[str] = []


# What is told.


class StateOut(Out):
    """How people stand to an alert: the standard's states, and words.

    Args:
        words: as people read it.
        quiet: why nobody is called for it, or "".
        until: to when it is shelved.
        seen_by: who saw it, or "".
        seen_at: when.
    """

    ActiveState: bool
    AckedState: bool
    LatchedState: bool
    SuppressedState: bool
    OutOfServiceState: bool
    ShelvingState: Literal["Unshelved", "TimedShelved", "OneShotShelved"]
    words: str
    quiet: str = ""
    until: str | None = None
    seen_by: str = ""
    seen_at: str | None = None


class NoteOut(Out):
    """A note, with who wrote it and when."""

    at: str
    by: str
    text: str


class FaultOut(Out):
    """A fault as it stands.

    Args:
        number: to say on the telephone.
        into: id of the fault that took this one in.
        into_number: the number of that one: where this one went.
        why: why it was told otherwise, where something else is in force than when it was told; "" where it was not.
        since: when what its headline says began; `began` is of its first alert.
        is_open: people still have to do with it: it has not ended, something in it stays until it is closed, or it is over and nobody has seen it.
        seen: somebody has seen everything in it.
        quiet: why nobody is called for anything in it, or "": no page sounds for it.
        going: who goes there.
        on_site: who is there.
        standing: trains that stand in it or before it now.
        concerned: what of its subjects is not as usual now: an alert about it is open, or a reset waits for a train.
        also: what else is open in it than its headline says and does not keep quiet, the gravest first, as headlines.
        notes: what was noted, oldest first.
    """

    id: str
    number: str
    headline: str
    priority: Priority
    subject: str
    began: str
    since: str = ""
    raised: str
    ended: str | None
    alerts: list[str]
    open: list[str]
    lasting: list[str]
    subjects: list[str]
    waiting: list[str]
    took: list[str]
    into: str | None
    into_number: str | None
    why: str = ""
    calls: int
    is_open: bool
    seen: bool
    quiet: str = ""
    going: list[str]
    on_site: list[str]
    standing: int
    concerned: list[str]
    also: list[str] = []
    notes: list[NoteOut]


class AlertOut(Out):
    """An alert: its record, and how people stand to it.

    Args:
        record: its last line, as the contract has it.
        fault: id of the fault it is in.
        state: how people stand to it; None where this monitor was not told of it since it started.
    """

    record: dict[str, Any]
    fault: str | None = None
    state: StateOut | None = None


class AlertsOut(Out):
    """Alerts, the newest first.

    Args:
        alerts: at most as many as were asked for.
        more: ask with this as `before` for those that come next; None: there are none.
    """

    alerts: list[AlertOut]
    more: str | None = None


class AlertFullOut(AlertOut):
    """An alert with all that was told of it: every line, oldest first."""

    lines: list[dict[str, Any]]


class HiddenOut(Out):
    """What shelving would have hidden in the last seven days, oldest first."""

    kind: str
    subject: str
    alerts: list[AlertOut]


class SectionOut(Out):
    """A section.

    Args:
        shown: the state by the newest event that came, or None before the first.
        shown_at: the time of that.
        settled: the state that conclusions rest on.
        since: since when that is so.
        known: whether its state is known.
        not_known: why not, in words, or "".
        not_known_since: since when not.
        axles: the tally, where the feed tells it.
        interlocking: what the interlocking takes it for, where the feed tells it.
        under_work: nothing is raised about it.
        work: references of the work on it.
        faults: ids of the open faults that cover it.
    """

    id: str
    area: str
    evaluator: str
    track: str | None
    length_m: float
    heads: list[str]
    neighbours: list[str]
    shown: str | None
    shown_at: str | None
    settled: str | None
    since: str | None
    known: bool
    not_known: str
    not_known_since: str | None
    axles: int | None
    interlocking: str | None
    under_work: bool
    work: list[str]
    faults: list[str]


class FactOut(Out):
    """What was so."""

    kind: str
    began: str
    ended: str | None
    values: dict[str, Any]


class ShownOut(Out):
    """A state of a section.

    Args:
        at: from when on it was shown.
        state: which.
    """

    at: str
    state: str


class SectionFullOut(SectionOut):
    """A section with what was so in the hours asked for, and what each detection knows now.

    Args:
        facts: oldest first.
        states: the last of them, oldest first, as far as they are kept.
        explained: sentences.
    """

    facts: list[FactOut]
    states: list[ShownOut] = []
    explained: list[str]


class DayOut(Out):
    """A day of a section, UTC.

    Args:
        day: its date.
        disturbances: how many began on it, those under work left out.
        not_known: for what share of it, so far, its state was not known or it was not heard of yet.
    """

    day: str
    disturbances: int
    not_known: float


class PassageOut(Out):
    """What a head counted, as it came.

    Args:
        at: the last axle, by the sender's clock.
        axles: how many.
        a: seen by sensor A, where the feed tells it.
        b: seen by sensor B.
        seconds: from first axle to last.
    """

    at: str
    direction: Literal["forward", "reverse", "none"]
    axles: int
    a: int | None
    b: int | None
    seconds: float | None


class LevelOut(Out):
    """A measured value of a head.

    Args:
        name: as the feed has it.
        what: in words.
        value: with its unit.
        at: when, by the sender's clock.
    """

    name: str
    what: str
    value: str
    at: str


class HeadLiveOut(Out):
    """What a head said last, as it came, also under work; nothing is concluded from it.

    Args:
        now: the time of the monitor's clock.
        heard: the time of its last event since the monitor started, or None.
        since: from when on axles were counted, as asked for.
        forward: axles counted forward since then, by the passages that are kept.
        reverse: likewise.
        undirected: likewise, where no direction was told.
        passages: the newest first.
        levels: the last value of each that is measured.
        under_work: sections beside it that are under work.
    """

    id: str
    between: list[str]
    now: str
    heard: str | None
    since: str | None
    forward: int
    reverse: int
    undirected: int
    passages: list[PassageOut]
    levels: list[LevelOut]
    under_work: list[str]


class ExplainedOut(Out):
    """What each detection knew of a section at a moment that has passed.

    Args:
        section: which.
        at: when.
        kind: of the detection, or None: all.
        heading: what is told of, and when, in the line's own time.
        said: sentences.
        reach: how far it was looked.
        in_force: with what it was concluded.
        caution: goes with all of it.
    """

    section: str
    at: str
    kind: str | None
    heading: str
    said: list[str]
    reach: list[str]
    in_force: list[str]
    caution: str


class HeadOut(Out):
    """A head: where it is, and what feeds it."""

    id: str
    between: list[str]
    km: float | None
    unit: str | None
    cable: str | None
    evaluators: list[str]
    ref: str | None
    faults: list[str]


class ResetOut(Out):
    """A reset that no train has followed yet.

    Args:
        kind: the way of giving back.
        step: how far it has come.
        by: whose step it was, where known.
        at: when.
        shows: what the section shows now, in words.
        next_train: when a train usually comes next, in words.
        wanted: by when one is wanted, or why no time counts, in words.
        due: by when one is wanted, or None where the timer is stopped.
        overdue: since when nobody waits any more but is told of it.
        stopped: why the timer is stopped, in words, or "".
    """

    section: str
    area: str
    kind: str
    step: str
    by: str | None
    at: str
    shows: str
    next_train: str
    wanted: str
    due: str | None
    overdue: str | None
    stopped: str


class StandingOut(Out):
    """One thing that stands open.

    Args:
        area: in which it lies, or that of the first section that needs it.
        until: when it is planned to end, or comes back by itself.
    """

    subject: str
    area: str
    what: str
    since: str | None
    until: str | None
    text: str


class FirstTrainOut(Out):
    """What stands open before the first train.

    Args:
        heading: what this is, and is not.
        of: the area or work asked for, or "".
        items: what stands open.
    """

    heading: str
    of: str
    items: list[StandingOut]


class WorkOut(Out):
    """Work that has begun, or is planned.

    Args:
        plan: in which it stands, or "".
        key: names it there.
        stage: what became of it; what is only planned quiets nothing.
        begun: when it began.
        ended: when it ended; none of it ends by itself.
        planned_begin: when it is to begin, where known.
        planned_end: when it is to end, where known.
        due: whether the planned end of what goes on comes soon, or is over.
    """

    reference: str
    sections: list[str]
    plan: str = ""
    key: str = ""
    stage: Literal["planned", "begun", "ended"]
    begun: str | None = None
    ended: str | None = None
    planned_begin: str | None = None
    planned_end: str | None = None
    due: Literal["", "soon", "over"] = ""


class PositionOut(Out):
    """A desk, and who has it."""

    name: str
    areas: list[str]
    has_it: str | None
    since: str | None


class SheetOut(Out):
    """A handover sheet.

    Args:
        position: whose.
        made: when.
        parts: by name, each a list of plain values.
    """

    position: str
    made: str
    parts: dict[str, Any]


class CallsOut(Out):
    """How many calls came in a time, against what one position can be asked.

    Args:
        within: how long, in words.
        calls: so many.
        target: as many are no trouble.
        limit: more cannot be handled.
    """

    within: str
    calls: int
    target: int | None
    limit: int | None


class FloodOut(Out):
    """More calls than anybody can handle."""

    begin: str
    end: str | None
    calls: int


class OftenOut(Out):
    """A kind at a place, and how often it was raised."""

    kind: str
    subject: str
    times: int


class LoadOut(Out):
    """How many calls a position had, against the published limits.

    Args:
        position: whose, or "" for all.
        since: from when on it was counted.
        counts: in each length of time.
        floods: in the last seven days, oldest first.
        chattering: raised three times or more within a minute, in the last day.
        fleeting: how many were over within a minute and unseen, in the last day.
        stale: ids of alerts that have been open for longer than a day.
        most: what was raised most often in the last seven days.
        shares: what part of the alerts had which priority; None before thirty days.
    """

    position: str
    since: str | None
    counts: list[CallsOut]
    floods: list[FloodOut]
    chattering: list[OftenOut]
    fleeting: int
    stale: list[str]
    most: list[OftenOut]
    shares: dict[str, float] | None


class KindOut(Out):
    """What a kind of alert asks of the desk."""

    kind: str
    title: str
    priority: str
    calls: str
    first: str
    within: str
    otherwise: str


class StatusOut(Out):
    """How the monitor stands.

    Args:
        line: the name of the line.
        now: the time of its clock.
        heard: when anything came from the feed last.
        silent_s: so long ago that was, in seconds of whoever watches, also where the feed is played faster.
        watermark: how far conclusions have come.
        connected: whether the broker is.
        rehearsal: what is shown is played, not so.
        trial: it is being tried out: nobody is called.
        wrong: with the monitor itself, one sentence each.
        sections: how many there are.
        not_known: of how many the state is not known.
        moved: when a train left a section last.
        trains: how many did in the last hour.
        usual: from how many to how many usually do in this hour; None where that is not learnt yet.
        caution: shown wherever an answer could lead someone to act on the line.
    """

    line: str
    timezone: str
    monitor: str
    version: str
    now: str
    heard: str | None
    silent_s: float | None
    watermark: str | None
    connected: bool
    rehearsal: bool
    trial: bool
    wrong: list[str]
    sections: int
    not_known: int
    moved: str | None
    trains: int
    usual: list[int] | None
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Which alerts are asked for; None: whichever.

    Args:
        is_open: open ones, or those that are over.
        begin: raised no earlier.
        end: raised before.
        before: what `more` said.
        limit: at most so many.
    """

    is_open: bool | None = None
    kind: str | None = None
    subject: str | None = None
    area: str | None = None
    priority: str | None = None
    fault: str | None = None
    begin: Moment | None = None
    end: Moment | None = None
    before: str | None = None
    limit: int = 100


class Desk(Protocol):
    """The running monitor, as the API sees it.

    Each may raise `NotThere` where what is named is not there, and what changes something `Refused`.
    """

    def unready(self) -> list[str]:
        """Why it cannot do its work now, one sentence each; empty where it can."""

    async def status(self) -> StatusOut:
        """How it stands."""

    async def faults(self, *, is_open: bool | None) -> list[FaultOut]:
        """Open faults, ended ones, or both, the newest last."""

    async def fault(self, name: str) -> FaultOut:
        """The fault of this number or id."""

    async def alerts(self, asked: Asked) -> AlertsOut:
        """Alerts, the newest first."""

    async def alert(self, name: str) -> AlertFullOut:
        """One alert, with its lines."""

    async def would_have_hidden(self, kind: str, subject: str) -> HiddenOut:
        """What shelving would have hidden in the last seven days."""

    async def sections(self, area: str | None) -> list[SectionOut]:
        """The sections of an area, or all."""

    async def some_sections(self, names: Collection[str]) -> list[SectionOut]:
        """Those sections of *names* that there are."""

    async def section(self, name: str, hours: int) -> SectionFullOut:
        """One section, with the facts of the last hours."""

    async def days(self, name: str, days: int) -> list[DayOut]:
        """The last days of a section, the oldest first."""

    async def head_live(self, name: str, since: Moment | None) -> HeadLiveOut:
        """What a head said last."""

    async def heads(self) -> list[HeadOut]:
        """The heads, in the order of the line file."""

    async def head(self, name: str) -> HeadOut:
        """One head."""

    async def resets_waiting(self, area: str | None) -> list[ResetOut]:
        """The resets that no train has followed."""

    async def before_first_train(
        self, area: str | None, work: str | None
    ) -> FirstTrainOut:
        """What stands open in an area, in a work, or anywhere."""

    async def print_resets(self, area: str | None) -> str:
        """The resets that no train has followed, as a sheet of paper."""

    async def print_first_train(self, area: str | None, work: str | None) -> str:
        """What stands open, as a sheet of paper."""

    async def work(self) -> list[WorkOut]:
        """The work going on."""

    async def plans(self) -> list[WorkOut]:
        """The work that is planned."""

    async def positions(self) -> list[PositionOut]:
        """The desks."""

    async def handover(self, position: str) -> SheetOut:
        """The handover sheet of a position, as it would be now."""

    async def print_handover(self, position: str) -> str:
        """The same, as a sheet of paper."""

    async def quiet(self) -> int:
        """How many alerts are open and keep quiet."""

    async def load(self, position: str | None) -> LoadOut:
        """The calls of a position, or of all."""

    async def kinds(self) -> list[KindOut]:
        """What each kind asks of the desk."""

    async def act(self, who: Who, act: AnyAct) -> Done:
        """Take an act; it is on disk when this returns."""

    async def enter(self, who: Who, entry: AnyEntry) -> Done:
        """Take an entry; it is on disk when this returns."""

    async def keeps(self) -> list[KeepOut]:
        """The windows that are to be kept."""

    async def keep(self, who: Who, given: KeepIn) -> Done:
        """Keep a window; it is on disk when this returns."""

    async def visits(self) -> list[VisitOut]:
        """The visits, the newest first."""

    async def visits_table(self) -> str:
        """The same as a table, the oldest first."""

    async def visit(self, who: Who, given: AnyVisit) -> VisitedOut:
        """Take a visit, a table of them, or one back; it is on disk when this returns."""

    async def shown(self, who: Who, given: ShownIn) -> Done:
        """A page has shown something; it is on disk when this returns."""

    async def explained(self, name: str, at: str, kind: str | None) -> ExplainedOut:
        """What each detection knew of a section at a moment that has passed."""

    async def drill(self, who: Who, given: DrillIn) -> DrillOut:
        """Send a drill, and report how it went."""

    async def replayed(self, window: Window) -> Made:
        """A window of the journal, as the replay page shows it."""
