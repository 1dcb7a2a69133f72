"""A head that counts a train otherwise than the other heads do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

from monitor.core.changes import (
    AxlesLeft,
    Change,
    CountAgreed,
    Counted,
    LeftOver,
    LeftOverGone,
    Miscounted,
)
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    Suspect,
    look,
)
from monitor.core.moments import Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import clock, names, span, times


@value_class(frozen=True, slots=True, kw_only=True)
class Mismatch:
    """What is remembered of a head, or of a section where no head is known.

    Args:
        waiting: axles left over that have not stayed for long enough, or None.
        left: axles left over that were raised, or None.
        counted: the last train that was counted otherwise here, or None.
        trains: so many trains were counted otherwise while the alert is open, those that left axles over included.
        agreed: so many were counted alike since.
        began: of the open alert, or None where none is open.
        raised: when it was raised.
        first: what it was raised for.
    """

    waiting: LeftOver | None = None
    left: LeftOver | None = None
    counted: Miscounted | None = None
    trains: int = 0
    agreed: int = 0
    began: Moment | None = None
    raised: Moment = 0
    first: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CountMismatch:
    """A head counted a train otherwise than the heads before and after it, or axles were left over beside it.

    What the desk does first: put the head on the day list; where a section stays occupied, tell the technician on call.
    Within: the day; where a section stays occupied, 5 min.
    If not: it miscounts again, and the sections on both sides fail.

    Three heads tell which of them departs, if two of them agree on the same train.
    Where tallies are given, as many axles over in one section as are lacking in that beside it point to the head between them; without the second, the section is all that is known.
    One to three axles are a miscount; more may be vehicles, and are not called one.
    Nothing is raised about a head while a section beside it is under work.

    Args:
        linger_s: how long a section must stay occupied, with axles over, after its train went on (common practice: longer than an evaluator takes to show a tally that has come to rest).
        agreed: so many trains counted as everywhere else, one after another, end it (common practice: a head that is loose does not get through twenty).

    Example:
        >>> from monitor.core.moments import MINUTE, SECOND, parse
        >>> detector, place = CountMismatch(), Place.example("H107")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> passages = tuple(
        ...     Counted(
        ...         head=head,
        ...         at=noon + minute * MINUTE,
        ...         axles=axles,
        ...         event=f"gw/1#{minute}",
        ...     )
        ...     for minute, (head, axles) in enumerate(
        ...         (("H106", 40), ("H107", 39), ("H108", 40))
        ...     )
        ... )
        >>> change = Miscounted(
        ...     place="H107",
        ...     at=noon + 2 * MINUTE + 2 * SECOND,
        ...     axles=39,
        ...     usual=40,
        ...     passages=passages,
        ... )
        >>> memory, findings = detector.step(detector.start(place), change, place)
        >>> findings[0].summary
        'H107 counted 39 axles of a train that H106 and H108 counted as 40'

    When it is wrong: where a light vehicle of two axles was left at one head and taken along again at the next, where a train rocks or stops over a head, and where passages of two trains are taken for those of one.
    Where a whole train is counted wrongly, by more than three axles, nothing is said here.

    References:
        That a train has as many axles at one head as at the next, and that what goes in comes out, is common practice; no statistics are involved.
    """

    kind: ClassVar[str] = "count-mismatch"
    title: ClassVar[str] = "counted otherwise than by the other heads"
    places: ClassVar[PlaceKind] = "head"
    hears: ClassVar[tuple[type[Change], ...]] = (
        Miscounted,
        LeftOver,
        LeftOverGone,
        CountAgreed,
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("planned", "prompt")
    first: ClassVar[str] = (
        "put the head on the day list; if prompt, tell the technician on call"
    )
    within: ClassVar[str] = "the day; where a section stays occupied, 5 min"
    otherwise: ClassVar[str] = "it miscounts again, and the sections on both sides fail"

    linger_s: float = 60.0  # common practice: tallies have long come to rest
    agreed: int = 20  # common practice: a loose head does not get through twenty

    def start(self, place: Place) -> Mismatch:  # noqa: ARG002 - the same everywhere
        """Nothing has been counted otherwise."""
        return Mismatch()

    def step(
        self, memory: Mismatch, change: Change, place: Place
    ) -> tuple[Mismatch, tuple[Finding, ...]]:
        """Raise a train that was counted otherwise; wait with axles left over; count the trains that agree."""
        match change:
            case Miscounted():
                return self._miscounted(memory, change, place)
            case LeftOver():
                return self._left_over(memory, change), ()
            case LeftOverGone():
                return replace(memory, waiting=None), ()
            case CountAgreed():
                return self._agreed(memory, change)
            case _:
                return memory, ()

    def _agreed(
        self, memory: Mismatch, change: CountAgreed
    ) -> tuple[Mismatch, tuple[Finding, ...]]:
        if memory.began is None:
            return memory, ()
        if memory.agreed + 1 < self.agreed:
            return replace(memory, agreed=memory.agreed + 1), ()
        because = f"{self.agreed} trains counted alike, one after another"
        over = Over(at=change.at, because=because)
        return Mismatch(waiting=memory.waiting), (over,)

    def _miscounted(
        self, memory: Mismatch, change: Miscounted, place: Place
    ) -> tuple[Mismatch, tuple[Finding, ...]]:
        evidence = tuple(_passage(one) for one in change.passages)
        after = replace(memory, counted=change)
        after = self._raise(after, evidence, change.at)
        return after, (self._found(after, evidence, place),)

    # Axles left over.

    def _left_over(self, memory: Mismatch, change: LeftOver) -> Mismatch:
        # A tally that changes later is not of the train that went on.
        rest = change.since + seconds(self.linger_s)
        late = any(one.at > rest for one in change.left)
        return replace(memory, waiting=None if late else change)

    def wake_at(self, memory: Mismatch) -> Moment | None:
        """When what is left over will have stayed for *linger_s*."""
        waiting, left = memory.waiting, memory.left
        if waiting is None:
            return None
        if left is not None and _same(waiting, left):
            return None
        return waiting.since + seconds(self.linger_s)

    def wake(
        self, memory: Mismatch, at: Moment, place: Place
    ) -> tuple[Mismatch, tuple[Finding, ...]]:
        """It has stayed."""
        due, waiting = self.wake_at(memory), memory.waiting
        if due is None or waiting is None or at < due:
            return memory, ()
        evidence = _shown(waiting)
        after = replace(memory, left=waiting)
        after = self._raise(after, evidence, at)
        return after, (self._found(after, evidence, place),)

    # What is said.

    def _raise(
        self, memory: Mismatch, evidence: tuple[Evidence, ...], at: Moment
    ) -> Mismatch:
        """One more; the first opens the alert."""
        after = replace(memory, trains=memory.trains + 1, agreed=0)
        if memory.began is not None:
            return after
        began = min(one.time for one in evidence)
        return replace(after, began=began, raised=at, first=evidence)

    def _found(
        self, memory: Mismatch, evidence: tuple[Evidence, ...], place: Place
    ) -> Found:
        began = evidence[0].time if memory.began is None else memory.began
        every = {(one.time, one.event): one for one in (*memory.first, *evidence)}
        priority: Priority = "planned" if memory.left is None else "prompt"
        return Found(
            began=began,
            raised=memory.raised,
            priority=priority,
            summary=self._summary(memory, place),
            evidence=tuple(sorted(every.values(), key=lambda one: one.time)),
            affected=_affected(memory, place),
            suspects=_suspects(place),
            checks=self._checks(place),
            parameters={
                "linger_s": self.linger_s,
                "agreed": self.agreed,
                "counted_trains": memory.trains,
                **_numbers(memory),
            },
        )

    def _summary(self, memory: Mismatch, place: Place) -> str:
        said = []
        if memory.counted is not None:
            one = memory.counted
            others = [x.head for x in one.passages if x.head != place.id]
            said.append(
                f"{place.id} counted {one.axles} axles of a train "
                f"that {names(list(dict.fromkeys(others)))} counted as {one.usual}"
            )
        if memory.left is not None:
            said.append(_what_is_left(memory.left, place))
        if memory.trains > 1:
            said.append(f"{times(memory.trains)} so far")
        return "; ".join(said)

    def _checks(self, place: Place) -> tuple[str, ...]:
        head = place.id in place.line.heads
        where = place.id if head else f"the heads of {_section(place)}"
        return look(
            f"{where}: fixings, gap and height, ballast or debris under it, and the date of the last track work",
            "its levels against the record, and a test wheel over it",
            also=(
                (
                    "a train that rocked, slipped or stood astride the head",
                    "the same train at other heads, and the same head with other trains",
                ),
                (
                    "a wheel off the normal shape, a track brake or hanging metal",
                    "whether other heads counted that train alike",
                ),
                (
                    "a vehicle that was left or taken along there",
                    "the signaller's and the train records",
                ),
                (
                    "a cable joint or the trackside unit",
                    "whether the levels of other heads on it moved too",
                ),
            ),
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when one of three heads counts a train otherwise than the two that agree, or when 1 to 3 axles are left {span(seconds(self.linger_s))} after a train went on."

    def explain(self, memory: Mismatch, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        said = []
        head = place.id in place.line.heads
        name = place.id if head else f"The heads of {_section(place)}"
        if memory.began is None:
            said.append(f"{name} counted no train otherwise than the other heads.")
        else:
            since = clock(memory.began, place.zone, at)
            said.append(
                f"{name} counted otherwise {times(memory.trains)} since {since}; "
                f"{memory.agreed} of {self.agreed} trains that end it have agreed since."
            )
        due = self.wake_at(memory)
        if due is not None and memory.waiting is not None:
            said.append(
                f"{_what_is_left(memory.waiting, place)}; raised "
                f"in {span(max(0, due - at))} if it stays so."
            )
        return tuple(said)


def _same(one: LeftOver, other: LeftOver) -> bool:
    """Whether the two are of one train."""
    return one.cleared == other.cleared


def _section(place: Place) -> str:
    return place.id.removeprefix("section/")


def _passage(one: Counted) -> Evidence:
    return Evidence(
        time=one.at, text=f"{one.head} counted {one.axles} axles", event=one.event
    )


def _shown(change: LeftOver) -> tuple[Evidence, ...]:
    """What shows that the train went on, first, then the tallies that were told since or stand still."""
    gone = Evidence(
        time=change.cleared,
        text=f"{change.between} cleared; the train is beyond it",
        event=change.event,
    )
    tallies = [
        Evidence(time=one.at, text=f"tally of {_left(one)}", event=one.event)
        for one in change.left
    ]
    return (gone, *tallies)


def _left(one: AxlesLeft) -> str:
    return f"{one.section} {one.axles:+d}"


def _what_is_left(change: LeftOver, place: Place) -> str:
    """What was left over, in words."""
    left = [
        f"{abs(one.axles)} {'over' if one.axles > 0 else 'too few'} in {one.section}"
        for one in change.left
    ]
    head = place.id in place.line.heads
    beside = f" beside {place.id}" if head else ""
    return f"axles left{beside} after the train went on: {names(left)}"


def _numbers(memory: Mismatch) -> dict[str, Any]:
    numbers: dict[str, Any] = {}
    if memory.counted is not None:
        numbers["axles"] = memory.counted.axles
        numbers["usual_axles"] = memory.counted.usual
    if memory.left is not None:
        numbers["left"] = {
            f"section/{one.section}": one.axles for one in memory.left.left
        }
    return numbers


def _affected(memory: Mismatch, place: Place) -> tuple[str, ...]:
    head = place.line.heads.get(place.id)
    subject = f"head/{place.id}" if head is not None else place.id
    if head is not None:
        sections = [one for one in head.between if one in place.line.sections]
    else:
        sections = [_section(place)]
    if memory.left is not None:
        sections += [one.section for one in memory.left.left]
    return tuple(dict.fromkeys((subject, *(f"section/{one}" for one in sections))))


def _suspects(place: Place) -> tuple[Suspect, ...]:
    """The head, or where none is known all of the section's, all alike."""
    if place.id in place.line.heads:
        return (Suspect(asset=f"head/{place.id}", weight=1.0),)
    heads = place.line.heads_of(_section(place))
    return tuple(
        Suspect(asset=f"head/{head}", weight=round(1 / len(heads), 2)) for head in heads
    )
