"""What the stages tell one another: one frozen class a kind of change.

A stage never looks into another; it is told.
Every change bears `at`, the settled moment at which it became true or was concluded.
Where the thing itself lies further back, it says so in a field of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from monitor.core.events import Direction, ResetKind, Service, State, Step
from monitor.core.moments import Duration, Moment
from monitor.core.values import value_class


class Verdict(StrEnum):
    """Whether an entry or exit is explained by the neighbours."""

    EXPLAINED = "explained"
    NOT_EXPLAINED = "not explained"
    CANNOT_TELL = "cannot tell"


@value_class(frozen=True, slots=True, kw_only=True)
class Change:
    """What every change carries.

    Args:
        place: the section, evaluator, gateway or source it speaks of.
        at: when it became true, or was concluded.
    """

    place: str
    at: Moment


@value_class(frozen=True, slots=True, kw_only=True)
class StateChanged(Change):
    """A section shows another state.

    Args:
        was: the state before, or None at its first event.
        now: the state from `at` on.
        event: the event that shows it, `source#id`.
        so_since: when the event says it became so; differs from `at` only for what the broker had kept.
        unseen: the change itself fell into a spell that is not known; only its result was seen.
    """

    was: State | None
    now: State
    event: str
    so_since: Moment
    unseen: bool = False


@value_class(frozen=True, slots=True, kw_only=True)
class ContactsChanged(Change):
    """A section's proving contacts stand otherwise than before.

    Args:
        agree: exactly one is up.
        up: both up, where they do not agree; else False.
        event: the event that shows it.
    """

    agree: bool
    up: bool
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class InterlockingChanged(Change):
    """The interlocking takes a section for something else than before.

    Args:
        occupied: it takes it as occupied.
        clear: the evaluator shows it clear.
        event: the event that shows it.
    """

    occupied: bool
    clear: bool
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class LevelMeasured(Change):
    """Values were measured at the test point of a head.

    Args:
        values: by name (`a_volts`, `b_volts`, `a_hertz`, `b_hertz`, `supply_volts`), in the unit that ends the name.
        event: the event that says so.
    """

    values: Mapping[str, float]
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class HeadPassed(Change):
    """A train, or part of one, has passed a head.

    Args:
        direction: which way, or none.
        axles: how many were counted.
        a: influences seen by sensor A, where known.
        b: influences seen by sensor B, where known.
        seconds: from first axle to last, where known.
        event: the event that says so.
    """

    direction: Direction
    axles: int
    a: int | None
    b: int | None
    seconds: float | None
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class NotKnown(Change):
    """From here on a section's state is not known.

    Args:
        since: the last moment at which it was known; may lie before `at`.
        why: in words.
    """

    since: Moment
    why: str


@value_class(frozen=True, slots=True, kw_only=True)
class KnownAgain(Change):
    """A section's state is known again; a change of state in between is told right after, as unseen.

    Args:
        state: what it shows now.
        event: the event that shows it.
    """

    state: State
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class WorkBegan(Change):
    """A section came under work: nothing is raised about it meanwhile.

    Args:
        why: in words, for the line that says what keeps an alert quiet.
    """

    why: str


@value_class(frozen=True, slots=True, kw_only=True)
class WorkRenamed(Change):
    """A section stays under work, but the work that was named has ended.

    Args:
        why: in words, the work that goes on.
    """

    why: str


@value_class(frozen=True, slots=True, kw_only=True)
class WorkEnded(Change):
    """A section is no longer under work; what is still so is judged anew from here.

    Args:
        event: the event that says so.
        state: what the section shows now, or None where it was never heard.
    """

    event: str
    state: State | None


@value_class(frozen=True, slots=True, kw_only=True)
class ResetTaken(Change):
    """One step of a reset was taken.

    Args:
        kind: the way of giving back.
        step: how far it has come.
        by: who, where known.
        so_at: when it was so; before `at` for what a person entered later.
        event: the event that says so.
        worked: when a train worked through the section last, or None.
    """

    kind: ResetKind
    step: Step
    by: str | None
    so_at: Moment
    event: str
    worked: Moment | None = None


@value_class(frozen=True, slots=True, kw_only=True)
class Entered(Change):
    """A stretch of `occupied` began (happened; the judgement follows as `EntryJudged`).

    Args:
        event: the event that shows it.
        occupation: when the occupation it belongs to began.
        unseen: it began in a spell that is not known.
    """

    event: str
    occupation: Moment
    unseen: bool = False


@value_class(frozen=True, slots=True, kw_only=True)
class EntryJudged(Change):
    """Whether an entry is explained is known now.

    Args:
        entered: when it happened: the beginning of a stretch of `occupied`, or becoming `disturbed`.
        state: the state entered, `occupied` or `disturbed`.
        verdict: what is known of it.
        raised: the latest event time the verdict needed.
        beside: how the neighbours stood, as sentence parts, for evidence.
        event: the event that shows the entry.
        occupation: when the occupation it belongs to began.
        train: a neighbour that explains it was `occupied`, so that a train may have come.
    """

    entered: Moment
    state: State
    verdict: Verdict
    raised: Moment
    beside: str
    event: str
    occupation: Moment
    train: bool = True


@value_class(frozen=True, slots=True, kw_only=True)
class StretchEnded(Change):
    """A stretch of `occupied` is over (told at once, or `skew_s` after where it ended in a clear).

    Args:
        entered: when the stretch began.
        ended: when it ceased.
    """

    entered: Moment
    ended: Moment


@value_class(frozen=True, slots=True, kw_only=True)
class Cleared(Change):
    """A clear has lasted for the skew: an occupation is over, however that will be judged.

    Args:
        cleared: when.
        beside: the neighbours that explain it.
        by_reset: it belongs to an accepted reset, and tells of no train that left.
        event: the event that shows it.
    """

    cleared: Moment
    beside: tuple[str, ...]
    by_reset: bool
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class ClearWasShort(Change):
    """A clear lasted for less than the skew, and ended nothing.

    Args:
        cleared: when it began; `at` is when it was over.
    """

    cleared: Moment


@value_class(frozen=True, slots=True, kw_only=True)
class OccupationEnded(Change):
    """An occupation is over, and how it ended is judged.

    Args:
        began: when it began.
        ended: the clear that ended it.
        entry: verdict on the entry it began with.
        exit: verdict on the exit.
        by_reset: the clear belongs to an accepted reset.
        only_occupied: no other state than `occupied` was shown in it.
        raised: the latest event time the verdict needed.
        event: the event that shows the clear.
        worked: it was worked through by a train.
        spurious: nothing explains its entry nor its exit, it was of `occupied` alone and ended by itself.
    """

    began: Moment
    ended: Moment
    entry: Verdict
    exit: Verdict
    by_reset: bool
    only_occupied: bool
    raised: Moment
    event: str
    worked: bool
    spurious: bool


@value_class(frozen=True, slots=True, kw_only=True)
class WorkedThrough(Change):
    """A train has worked through: the proof that the section detects a train again.

    Args:
        left: when the train left.
        raised: the latest event time the proof needed.
        event: the event that shows it.
    """

    left: Moment
    raised: Moment
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class MovedOn(Change):
    """What occupies a section went on into a neighbour, which nothing else explains.

    Args:
        into: the neighbour.
    """

    into: str


@value_class(frozen=True, slots=True, kw_only=True)
class TrainJoined(Change):
    """A train entered a section that was occupied already.

    Args:
        joined: when that one cleared.
        out_of: the neighbour that gave it up.
    """

    joined: Moment
    out_of: str


@value_class(frozen=True, slots=True, kw_only=True)
class TrainMayHaveCome(Change):
    """A section that stayed occupied behind its train was clear for a moment, and another train may have come in."""


@value_class(frozen=True, slots=True, kw_only=True)
class TrainPassed(Change):
    """Trains have left a section: which, where from, where to.

    Args:
        cleared: when it cleared.
        trains: numbers of those that may have been in it; more than one where nobody can tell.
        first: the section in which the first of them was first seen.
        since: when that was.
        out_of: the section it came from, or "".
        into: the section it went on to, or "".
    """

    cleared: Moment
    trains: tuple[int, ...]
    first: str
    since: Moment
    out_of: str
    into: str


@value_class(frozen=True, slots=True, kw_only=True)
class TrainWentOn(Change):
    """The train that was in a section is two sections on, and the one between has cleared; the section itself has not.

    Args:
        between: the section between.
        front: the section in which the train is.
        cleared: when *between* cleared.
        event: the event that shows that.
        left: the tally that is left in the section, where tallies are given.
        beside: a neighbour with the same tally of the other sign left in it, and that tally.
    """

    between: str
    front: str
    cleared: Moment
    event: str
    left: int | None
    beside: tuple[str, int] | None


@value_class(frozen=True, slots=True, kw_only=True)
class TrainVanished(Change):
    """A section that held a train has cleared, and no neighbour explains it.

    Args:
        cleared: when.
        raised: the latest event time the judgement needed.
        entered: when the train came in.
        out_of: the section out of which it came.
        came: the event that shows that.
        first: the section in which it was first seen.
        since: when that was.
        by_reset: the clear belongs to an accepted reset.
        doubted: the line file is doubted there.
        event: the event that shows the clear.
    """

    cleared: Moment
    raised: Moment
    entered: Moment
    out_of: str
    came: str
    first: str
    since: Moment
    by_reset: bool
    doubted: bool
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class TrainUnseen(Change):
    """A train has come out of a section that was shown clear.

    Args:
        appeared: the section into which it came out.
        entered: when.
        into: where it moved on.
        cleared: when *appeared* cleared behind it.
        raised: the latest event time the judgement needed.
        suspects: the sections that could have held it.
        vanished: the section in which a train vanished before, in or beside one of them, or "".
        vanished_at: when.
        doubted: the line file is doubted there.
        event: the event that shows the entry.
        shown: the event that shows the clear.
    """

    appeared: str
    entered: Moment
    into: str
    cleared: Moment
    raised: Moment
    suspects: tuple[str, ...]
    vanished: str
    vanished_at: Moment | None
    doubted: bool
    event: str
    shown: str


@value_class(frozen=True, slots=True, kw_only=True)
class TrainFound(Change):
    """A train that vanished from a section may be one that was seen to come out near by.

    Args:
        cleared: when it vanished.
        subject: the section that is said to have held it unseen.
        appeared: the section into which it came out.
        entered: when.
    """

    cleared: Moment
    subject: str
    appeared: str
    entered: Moment


@value_class(frozen=True, slots=True, kw_only=True)
class Counted:
    """The axles of one train at one head.

    Args:
        head: which.
        at: when it was passed.
        axles: counted there.
        event: the event that says so.
    """

    head: str
    at: Moment
    axles: int
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class TrainCounted(Change):
    """A train that is known has passed a head.

    Args:
        passages: the last heads it passed, this one last; five at most, so that fewer are all there were.
        leaves: it goes where there is no detection, and will be counted no more.
    """

    passages: tuple[Counted, ...]
    leaves: bool


@value_class(frozen=True, slots=True, kw_only=True)
class Miscounted(Change):
    """A head counted a train otherwise than the heads that it passed before or after, which agree.

    Args:
        axles: counted at this head.
        usual: counted at the others.
        passages: of that train, this head's and the others', oldest first.
    """

    axles: int
    usual: int
    passages: tuple[Counted, ...]


@value_class(frozen=True, slots=True, kw_only=True)
class CountAgreed(Change):
    """One more train was counted at a head, or in and out of a section (`section/T107`), as everywhere else.

    Told only of those that were suspected before.
    """


@value_class(frozen=True, slots=True, kw_only=True)
class AxlesLeft:
    """The tally of a section that its train has left.

    Args:
        section: which.
        axles: counted in and not out; negative where more were counted out than in.
        at: since when, as far as that was told.
        event: the event that says so.
    """

    section: str
    axles: int
    at: Moment
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class LeftOver(Change):
    """A train has gone on, and a section stays occupied with one to three axles over, or lacking.

    The place is the head that must have miscounted, where that is known, else the section itself (`section/T107`).

    Args:
        left: the section; where the one beside it has as many of the other sign, both.
        between: the section between it and the train.
        cleared: when that cleared.
        event: the event that shows it.
        since: from when its staying occupied is timed: `cleared`, or the end of a later spell in which it was not known.
    """

    left: tuple[AxlesLeft, ...]
    between: str
    cleared: Moment
    event: str
    since: Moment


@value_class(frozen=True, slots=True, kw_only=True)
class LeftOverGone(Change):
    """What was told as `LeftOver` is so no longer, or points elsewhere."""


@value_class(frozen=True, slots=True, kw_only=True)
class TrainsFromAfar(Change):
    """Trains come into a section as one that the line file does not join to it gives up a train.

    Args:
        other: that section: the one that did so most often.
        count: for how many of the last trains.
        trains: how many trains are remembered, 20 at most.
        cleared: when the last of them had left the section.
        event: the event that shows it.
    """

    other: str
    count: int
    trains: int
    cleared: Moment
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class Disturbance(Change):
    """A section was disturbed once more: one change to `disturbed`, or one spurious occupation.

    Changes within `settle_s` of one another are one and told once.

    Args:
        happened: when.
        spurious: it was a spurious occupation.
        under_work: it fell under work and does not count for conclusions.
        event: the event that shows it.
    """

    happened: Moment
    spurious: bool
    under_work: bool
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class ServiceChanged(Change):
    """An evaluator says something else of itself than before.

    Args:
        was: before, or None.
        now: from `at` on.
        event: the event that says so.
        so_since: when the event says it became so.
    """

    was: Service | None
    now: Service
    event: str
    so_since: Moment


@value_class(frozen=True, slots=True, kw_only=True)
class GatewaySilent(Change):
    """Nothing was heard of a gateway for three periods, or its will came.

    Args:
        since: the last event heard of it.
        event: that event.
        offline: its will came.
        period: between two heartbeats.
        sections: whose state is not known since.
    """

    since: Moment
    event: str
    offline: bool
    period: Duration
    sections: tuple[str, ...]


@value_class(frozen=True, slots=True, kw_only=True)
class GatewayHeard(Change):
    """A gateway that was silent is heard again.

    Args:
        event: the event by which.
    """

    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class GapFound(Change):
    """A source's numbers jumped, or went back with no word of a restart.

    Args:
        since: the last event before the gap.
        event: that event.
        after: the event by which the gap shows.
        missing: how many numbers never came, or None where the numbers went back.
        sections: whose state is not known since.
    """

    since: Moment
    event: str
    after: str
    missing: int | None
    sections: tuple[str, ...]


@value_class(frozen=True, slots=True, kw_only=True)
class ClockJudged(Change):
    """A source's clock departs from the others, or does so no longer.

    Args:
        wrong: it departs by 30 s or more, or most of its events came late.
        nobody: no source is within 30 s of arrival, so it is the monitor's own clock.
        lag: median of arrival less event time.
        usual: the usual lag of the sources.
        late: how many of the last 20 came late.
        began: the first of the events it rests on.
        events: how many they are, 20 at most.
        event: the last of them.
        correction: what is added to the source's times since, or 0.
    """

    wrong: bool
    nobody: bool
    lag: Duration
    usual: Duration
    late: int
    began: Moment
    events: int
    event: str
    correction: Duration


@value_class(frozen=True, slots=True, kw_only=True)
class AssetDisturbed(Disturbance):
    """A section that needs an asset was disturbed once more.

    Args:
        section: which.
    """

    section: str


@value_class(frozen=True, slots=True, kw_only=True)
class CauseMember:
    """One of several failures that share an asset.

    Args:
        subject: the section or evaluator.
        began: when it failed.
        event: the event that shows it.
    """

    subject: str
    began: Moment
    event: str


@value_class(frozen=True, slots=True, kw_only=True)
class CauseSeen(Change):
    """Several failures share an asset (the place, as a subject: `cable/C2`); told again when more join.

    Args:
        began: when the first of them began.
        raised: when that was known.
        members: in order of their beginning.
        dependants: how many sections need the asset.
        lead: by how much the first was before the second.
        too_close: that is less than clocks can tell.
        chance_per_year: how often that would come by chance, or None while that is not learnt.
    """

    began: Moment
    raised: Moment
    members: tuple[CauseMember, ...]
    dependants: int
    lead: Duration
    too_close: bool
    chance_per_year: float | None


@value_class(frozen=True, slots=True, kw_only=True)
class CauseOver(Change):
    """All failures that shared an asset have ended."""


@value_class(frozen=True, slots=True, kw_only=True)
class CauseBegan(Change):
    """A section or evaluator is one of several that share what has failed.

    Args:
        subject: which, as a subject.
        asset: what they share, as a subject.
        began: when the first of them began.
        section: it is a section.
    """

    subject: str
    asset: str
    began: Moment
    section: bool


@value_class(frozen=True, slots=True, kw_only=True)
class CauseEnded(Change):
    """A cause that covered a section or evaluator is over.

    Args:
        subject: which, as a subject.
        asset: what they shared.
        section: it is a section.
    """

    subject: str
    asset: str
    section: bool


@value_class(frozen=True, slots=True, kw_only=True)
class LearntAnew(Change):
    """Something new was learnt about a place from traffic.

    Args:
        usual: a `usual.Usual`: what is known of the section now.
    """

    usual: Any
