"""What there is to see of an example: rows of states, and marks on them.

Every part says what a change says and nothing more.
Where a row is told of no longer its line stops: what follows is not drawn, for nobody has said it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from monitor.charts.examples import Example
from monitor.core.changes import (
    CauseSeen,
    Change,
    ClockJudged,
    ContactsChanged,
    Disturbance,
    EntryJudged,
    GapFound,
    GatewaySilent,
    HeadPassed,
    InterlockingChanged,
    LevelMeasured,
    Miscounted,
    OccupationEnded,
    ResetTaken,
    ServiceChanged,
    StateChanged,
    TrainsFromAfar,
    TrainUnseen,
    TrainVanished,
    Verdict,
)
from monitor.core.detector import Place
from monitor.core.events import Service, State
from monitor.core.moments import Moment, parse
from monitor.core.words import MEASURED, STATES, amount, span


class Look(StrEnum):
    """How a state is drawn; each is another kind of mark, so that none rests on colour."""

    CLEAR = "clear"  # a thin grey line
    TRAIN = "train"  # a dark bar
    ODD = "odd"  # a dark bar, edged: not clear, and nothing accounts for it
    FAULT = "fault"  # a bar in the colour of the alert
    WAITING = "waiting"  # an outline
    NOT_KNOWN = "not-known"  # hatched


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A row turns to another state.

    Args:
        row: which.
        at: when; None is as far back as the row is told of.
        look: how it is drawn from there; None where no more is told.
        text: the state in words.
    """

    row: str
    at: Moment | None
    look: Look | None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something happens on a row.

    Args:
        row: which.
        at: when.
        text: what, in a word or a number.
        fault: it is what the alert is about.
    """

    row: str
    at: Moment
    text: str
    fault: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """Something goes from one row to another.

    Args:
        row: out of which.
        at: when.
        to: into which.
        then: when it comes there.
        text: what is said of it.
        fault: it is what the alert is about.
    """

    row: str
    at: Moment
    to: str
    then: Moment
    text: str = ""
    fault: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """Something is said on a row, beginning at a moment."""

    row: str
    at: Moment
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """So many are counted: squares, which tell no time.

    Args:
        row: on which.
        count: how many.
        text: what is said of them.
        fault: they are what the alert is about.
    """

    row: str
    count: int
    text: str
    fault: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A value was measured; the row that has samples is a plot.

    Args:
        row: which.
        at: when.
        value: how much.
        text: the same with its unit.
        low: the limit below.
        high: the limit above.
        unit: of all of them.
        ahead: it is not measured but where the trend leads.
    """

    row: str
    at: Moment
    value: float
    text: str
    low: float
    high: float
    unit: str
    ahead: bool = False


Part = Turn | Mark | Move | Words | Tally | Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """All there is to see of an example.

    Args:
        rows: from above.
        parts: what is on them.
        example: where it comes from.
    """

    rows: tuple[str, ...]
    parts: tuple[Part, ...]
    example: Example


def scene_of(example: Example) -> Scene:
    """What there is to see of *example*.

    Raises:
        ValueError: it tells of a change that nobody has said how to draw.
    """
    parts = tuple(
        part for change in example.changes for part in _parts(change, example)
    )
    if not parts:
        raise ValueError(f"{example.detector.kind}: its example shows nothing")
    return Scene(rows=_rows(parts, example.place), parts=parts, example=example)


def _rows(parts: tuple[Part, ...], place: Place) -> tuple[str, ...]:
    """The rows in the order in which they are told of, sections and heads as they lie on the line."""
    named = dict.fromkeys(
        row
        for part in parts
        for row in ((part.row, part.to) if isinstance(part, Move) else (part.row,))
    )
    lie = [*place.line.sections, *place.line.heads]
    return (
        *(row for row in named if row not in lie),
        *(row for row in lie if row in named),
    )


def _parts(change: Change, example: Example) -> Iterator[Part]:
    """What *change* gives to see."""
    match change:
        case StateChanged() | InterlockingChanged() | ContactsChanged():
            return _shown(change)
        case EntryJudged() | OccupationEnded():
            return _judged(change, example)
        case TrainVanished() | TrainUnseen() | TrainsFromAfar():
            return _trains(change, example.place)
        case HeadPassed() | Miscounted() | LevelMeasured():
            return _heads(change, example)
        case ResetTaken() | Disturbance() | CauseSeen():
            return _failures(change, example)
        case ServiceChanged() | GatewaySilent() | GapFound() | ClockJudged():
            return _feed(change)
        case _:
            raise ValueError(f"nobody has said how to draw {type(change).__name__}")


_LOOKS = {
    State.CLEAR: Look.CLEAR,
    State.OCCUPIED: Look.TRAIN,
    State.DISTURBED: Look.FAULT,
    State.AWAITING_SWEEP: Look.WAITING,
    State.AWAITING_ACKNOWLEDGEMENT: Look.WAITING,
}


def _shown(
    change: StateChanged | InterlockingChanged | ContactsChanged,
) -> Iterator[Part]:
    """What a section shows, to whom."""
    row, at = change.place, change.at
    match change:
        case StateChanged(was=was, now=now):
            if was is not None:
                yield Turn(row=row, at=None, look=_LOOKS[was], text=STATES[was])
            yield Turn(row=row, at=at, look=_LOOKS[now], text=STATES[now])
        case InterlockingChanged(occupied=occupied):
            look = Look.ODD if occupied else Look.CLEAR
            text = "still occupied" if occupied else "clear"
            yield Turn(row="interlocking", at=at, look=look, text=text)
        case ContactsChanged(agree=agree, up=up):
            for row in ("clear", "occupied"):
                if agree:  # which of the two is up is not told
                    yield Turn(row=row, at=at, look=None)
                elif up:
                    yield Turn(row=row, at=at, look=Look.FAULT, text="contact up")
                else:
                    yield Turn(row=row, at=at, look=Look.CLEAR, text="contact down")


def _judged(change: EntryJudged | OccupationEnded, example: Example) -> Iterator[Part]:
    """Whether neighbours account for an entry or exit; where they do not, they were clear."""
    row = change.place
    match change:
        case EntryJudged(verdict=Verdict.NOT_EXPLAINED, entered=entered):
            yield Turn(row=row, at=None, look=Look.CLEAR, text="clear")
            yield Turn(row=row, at=entered, look=Look.ODD, text="occupied")
            yield from _neighbours_clear(change, example)
        case EntryJudged(verdict=Verdict.EXPLAINED, entered=entered):
            text = "occupied by a train" if change.train else "occupied"
            yield Turn(row=row, at=entered, look=Look.TRAIN, text=text)
        case OccupationEnded(ended=ended):
            yield Turn(row=row, at=ended, look=Look.CLEAR, text="clear")


def _neighbours_clear(entry: EntryJudged, example: Example) -> Iterator[Part]:
    """The neighbours at an entry that none of them accounts for, for as long as they were judged."""
    neighbours = example.place.line.neighbours(entry.place)
    ends = [
        change.raised
        for change in example.changes
        if isinstance(change, OccupationEnded) and change.spurious
    ]
    for neighbour in neighbours:
        yield Turn(row=neighbour, at=None, look=Look.CLEAR, text="clear")
        yield Turn(row=neighbour, at=max([entry.raised, *ends]), look=None)
    if not ends:
        yield Words(row=neighbours[0], at=entry.raised, text=entry.beside)


def _trains(
    change: TrainVanished | TrainUnseen | TrainsFromAfar, place: Place
) -> Iterator[Part]:
    """What is known of trains."""
    row = change.place
    match change:
        case TrainVanished(entered=entered, cleared=cleared, out_of=out_of):
            since = change.since if change.first == out_of else None
            yield Turn(row=out_of, at=since, look=Look.TRAIN, text="train")
            yield Turn(row=out_of, at=entered, look=None)
            yield Move(row=out_of, at=entered, to=row, then=entered)
            yield Turn(row=row, at=entered, look=Look.TRAIN, text="train")
            yield Turn(row=row, at=cleared, look=Look.CLEAR, text="clear")
            yield Mark(row=row, at=cleared, text="", fault=True)
            # A section that holds a train has had no neighbour become not clear since.
            for other in place.line.neighbours(row):
                if other != out_of:
                    yield Turn(row=other, at=entered, look=Look.CLEAR, text="clear")
                    yield Words(row=other, at=entered, text="did not take the train")
        case TrainUnseen(appeared=appeared, entered=entered, cleared=cleared):
            for suspect in change.suspects:
                yield Turn(row=suspect, at=None, look=Look.CLEAR, text="shown clear")
                yield Turn(row=suspect, at=entered, look=None)
                yield Words(row=suspect, at=entered, text="was shown clear")
                yield Move(
                    row=suspect, at=entered, to=appeared, then=entered, fault=True
                )
            yield Turn(row=appeared, at=None, look=Look.CLEAR, text="clear")
            yield Turn(row=appeared, at=entered, look=Look.TRAIN, text="train")
            yield Turn(row=appeared, at=cleared, look=Look.CLEAR, text="clear")
            yield Move(row=appeared, at=cleared, to=change.into, then=cleared)
            yield Turn(row=change.into, at=cleared, look=Look.TRAIN, text="train")
        case TrainsFromAfar(count=count, trains=trains, other=other):
            text = f"{count} of {trains} trains"
            yield Tally(row=f"from {other}", count=count, text=text, fault=True)
            if trains > count:
                text = f"{trains - count}"
                yield Tally(row="otherwise", count=trains - count, text=text)
            yield Mark(row=row, at=change.cleared, text="last of them gone on")
            yield Turn(row=row, at=change.cleared, look=Look.CLEAR, text="clear")


def _heads(
    change: HeadPassed | Miscounted | LevelMeasured, example: Example
) -> Iterator[Part]:
    """What heads count and measure."""
    row, at = change.place, change.at
    match change:
        case HeadPassed(a=a, b=b, axles=axles):
            if a is None or b is None:
                yield Mark(row=row, at=at, text=f"{axles} axles")
                return
            yield Mark(row=f"{row} A", at=at, text=str(a), fault=a < b)
            yield Mark(row=f"{row} B", at=at, text=str(b), fault=b < a)
        case Miscounted(passages=passages):
            for passed in passages:
                odd = passed.head == row
                text = f"{passed.axles} axles"
                yield Mark(row=passed.head, at=passed.at, text=text, fault=odd)
        case LevelMeasured(values=values):
            for name, value in values.items():
                yield from _samples(name, value, at, example)


def _samples(name: str, value: float, at: Moment, example: Example) -> Iterator[Part]:
    """A value measured at a head, and after the last of them where its trend leads."""
    place, last = example.place, at == example.changes[-1].at
    limits = place.limits(name)
    if limits is None:
        return
    low, high = limits

    def sample(at: Moment, value: float, *, ahead: bool = False) -> Sample:
        return Sample(
            row=place.id,
            at=at,
            value=value,
            text=amount(name, value),
            low=low,
            high=high,
            unit=MEASURED[name][1],
            ahead=ahead,
        )

    yield sample(at, value)
    for drift in example.found.parameters.get("drifts", ()) if last else ():
        if drift["value"] == name:
            yield sample(parse(drift["meets"]), drift["limit"], ahead=True)


def _failures(
    change: ResetTaken | Disturbance | CauseSeen, example: Example
) -> Iterator[Part]:
    """What failed, and how it was given back."""
    row = change.place
    match change:
        case ResetTaken(so_at=so_at, step=step):
            yield Mark(row=row, at=so_at, text=f"reset {step.value}")
            if change is example.changes[-1]:
                until = example.found.raised
                yield Words(row="trains", at=so_at, text="none worked through")
                yield Turn(row="trains", at=until, look=None)
        case Disturbance(happened=happened):
            few = len(example.changes) <= 3
            text = "disturbed" if few else ""
            yield Mark(row=row, at=happened, text=text, fault=True)
        case CauseSeen(members=members):
            asset = row.replace("/", " ")
            text = f"{len(members)} of {change.dependants} that need it failed"
            yield Words(row=asset, at=change.began, text=text)
            for member in members:
                name = member.subject.rpartition("/")[2]
                yield Turn(row=name, at=member.began, look=Look.FAULT, text="failed")


def _feed(
    change: ServiceChanged | GatewaySilent | GapFound | ClockJudged,
) -> Iterator[Part]:
    """What evaluators say of themselves, and how the feed fares."""
    row = change.place
    match change:
        case ServiceChanged(was=was, now=now, at=at):
            if was is not None:
                yield Turn(row=row, at=None, look=_service(was), text=_said(was))
            yield Turn(row=row, at=at, look=_service(now), text=_said(now))
        case GatewaySilent(since=since, sections=sections):
            yield Mark(row=row, at=since, text="last heard")
            yield from _dark(sections, since)
        case GapFound(since=since, sections=sections, missing=missing):
            lost = "numbers went back" if missing is None else f"{missing} never came"
            after = _number(change.after)
            text = f"{_number(change.event)}, {lost}, then {after}"
            yield Mark(row=row, at=since, text=text)
            yield from _dark(sections, since)
        case ClockJudged(began=began, at=at, lag=lag, usual=usual):
            off = lag - usual
            its, others = f"by {row}", "by others"
            for name, behind in ((its, off), (others, 0)):
                yield Turn(row=name, at=began - behind, look=Look.TRAIN)
                yield Turn(row=name, at=at - behind, look=None)
            text = f"{span(abs(off))} {'behind' if off > 0 else 'ahead'}"
            yield Move(
                row=its, at=at - off, to=others, then=began, text=text, fault=True
            )


def _said(service: Service) -> str:
    return service.value.replace("_", " ")


def _service(service: Service) -> Look:
    return {
        Service.IN_SERVICE: Look.CLEAR,
        Service.LOCKED_OUT: Look.FAULT,
        Service.ISOLATED: Look.WAITING,
    }[service]


def _dark(sections: tuple[str, ...], since: Moment) -> Iterator[Part]:
    """Sections that are not known."""
    for section in sections:
        yield Turn(row=section, at=since, look=Look.NOT_KNOWN, text="not known")


def _number(event: str) -> str:
    """The number of an event in its source: `#7`."""
    return f"#{event.rpartition('#')[2]}"
