"""Positions, their shifts, and who has the desk.

| the desk is | taken by who had it last | taken by another | handed over by who has it | handed over by another |
|---|---|---|---|---|
| nobody's | theirs | theirs | refused | refused |
| theirs | refused | theirs | handed over | refused |
| handed over | theirs | theirs | refused | refused |

Whoever takes a desk has it, whether it was handed over or not: people fall ill, and a desk must never be locked.
What is handed over with it is a note, carried from sheet to sheet until somebody closes it.

Shifts begin at the same times of the line's local day, every day, so one may be an hour shorter or longer.
*Like* shifts begin at the same time of a like day: a working day, a Saturday, a Sunday.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta, tzinfo
from enum import Enum
from typing import Literal

from monitor.core.moments import Moment, as_datetime, from_datetime
from monitor.core.words import to_the_minute
from monitor.handling import MOST, Refused

BEGINS = ("06:00", "14:00", "22:00")
"""When shifts begin, where nothing else is set (common practice: three of eight hours)."""

ALIKE = 8
"""So many like shifts are looked back on."""

SATURDAY = 5

_TIME = re.compile(r"([01]\d|2[0-3]):([0-5]\d)", re.ASCII)

DeskWhat = Literal["take_desk", "hand_over", "note_left", "note_closed"]


# Shifts.


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A shift.

    Args:
        begin: its first moment.
        end: the first moment of the next.
        slot: the how manieth of its local day it is, from 0.
        day: what kind of day it begins on: `working day`, `Saturday`, `Sunday`.
    """

    begin: Moment
    end: Moment
    slot: int
    day: str

    def words(self, zone: tzinfo) -> str:
        """From when to when, in local time."""
        begin = as_datetime(self.begin).astimezone(zone)
        return (
            f"{begin:%Y-%m-%d} {to_the_minute(self.begin, zone)}"
            f" to {to_the_minute(self.end, zone, self.begin)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rota:
    """When shifts begin.

    Args:
        begins: minutes after local midnight, in order.
        zone: of the line.

    Example:
        >>> from zoneinfo import ZoneInfo
        >>> from monitor.core.moments import HOUR, parse
        >>> rota = Rota.read(BEGINS, ZoneInfo("Europe/Berlin"))
        >>> night = rota.of(parse("2026-10-24T23:00:00Z"))
        >>> night.words(rota.zone), (night.end - night.begin) // HOUR
        ('2026-10-24 22:00 (+02:00) to 2026-10-25 06:00 (+01:00)', 9)
    """

    begins: tuple[int, ...]
    zone: tzinfo

    @classmethod
    def read(cls, times: Sequence[str], zone: tzinfo) -> Rota:
        """Shifts that begin at *times*, such as `06:00`.

        Raises:
            ValueError: there are none, one is no time of day, or one is there twice.
        """
        begins = []
        for text in times:
            found = _TIME.fullmatch(text)
            if found is None:
                raise ValueError(f"{text[:20]!r} is no time of day, such as 06:00")
            begins.append(int(found[1]) * 60 + int(found[2]))
        if not begins:
            raise ValueError("no shift begins")
        if len(set(begins)) < len(begins):
            raise ValueError("two shifts begin at the same time")
        return cls(begins=tuple(sorted(begins)), zone=zone)

    def of(self, moment: Moment) -> Shift:
        """The shift in which *moment* lies."""
        day = as_datetime(moment).astimezone(self.zone).date()
        # Those of a day are enough, but for the night that began the day before.
        for slot in range(len(self.begins) - 1, -1, -1):
            if self._begin(day, slot) <= moment:
                return self._shift(day, slot)
        return self._shift(day - timedelta(days=1), len(self.begins) - 1)

    def like(
        self, shift: Shift, since: Moment, count: int = ALIKE
    ) -> tuple[Shift, ...]:
        """The last like shifts before *shift*, newest first.

        Args:
            shift: like which they are.
            since: those alone that began no earlier.
            count: at most so many.
        """
        found: list[Shift] = []
        day = as_datetime(shift.begin).astimezone(self.zone).date()
        while len(found) < count:
            day -= timedelta(days=1)
            one = self._shift(day, shift.slot)
            if one.begin < since:
                break
            if one.day == shift.day:
                found.append(one)
        return tuple(found)

    def _shift(self, day: date, slot: int) -> Shift:
        last = slot == len(self.begins) - 1
        end = (
            self._begin(day + timedelta(days=1), 0)
            if last
            else self._begin(day, slot + 1)
        )
        return Shift(
            begin=self._begin(day, slot), end=end, slot=slot, day=kind_of_day(day)
        )

    def _begin(self, day: date, slot: int) -> Moment:
        hour, minute = divmod(self.begins[slot], 60)
        return from_datetime(datetime.combine(day, time(hour, minute), self.zone))


def kind_of_day(day: date) -> str:
    """What kind of day *day* is, as timetables have it."""
    if day.weekday() < SATURDAY:
        return "working day"
    return "Saturday" if day.weekday() == SATURDAY else "Sunday"


# Who has the desk.


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A desk at which somebody sits.

    Args:
        name: as people say it.
        areas: that it looks after; none: all.
    """

    name: str
    areas: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskAct:
    """Something that was done about a desk.

    Args:
        id: names it for ever, so that taking it again changes nothing.
        at: when it was so.
        entered: when it was entered.
        by: who.
        position: which desk.
        what: was done.
        to: to whom it is handed over, where that is said.
        text: what the next is to know; a note, carried on until it is closed.
        note: which note is closed, by the id of the act that left it.
    """

    id: str
    at: Moment
    entered: Moment
    by: str
    position: str
    what: DeskWhat
    to: str = ""
    text: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What whoever has the desk next is to know.

    Args:
        id: of the act that left it.
        at: when it was left.
        by: who left it.
        text: as it was written.
    """

    id: str
    at: Moment
    by: str
    text: str


class Held(Enum):
    """How a desk stands."""

    NOBODY = "nobody's"
    THEIRS = "theirs"
    HANDED_OVER = "handed over"


class Step(Enum):
    """What happens to a desk."""

    TAKEN_AGAIN = "taken by who had it last"
    TAKEN = "taken by another"
    HANDED_OVER = "handed over by who has it"
    HANDED_OVER_BY_ANOTHER = "handed over by another"


DESKS: dict[tuple[Held, Step], Held] = {
    (Held.NOBODY, Step.TAKEN_AGAIN): Held.THEIRS,
    (Held.NOBODY, Step.TAKEN): Held.THEIRS,
    (Held.THEIRS, Step.TAKEN): Held.THEIRS,
    (Held.THEIRS, Step.HANDED_OVER): Held.HANDED_OVER,
    (Held.HANDED_OVER, Step.TAKEN_AGAIN): Held.THEIRS,
    (Held.HANDED_OVER, Step.TAKEN): Held.THEIRS,
}
"""Every pair that may be; a missing one is refused."""

REFUSED: dict[tuple[Held, Step], str] = {
    (Held.NOBODY, Step.HANDED_OVER): "nobody has that desk",
    (Held.NOBODY, Step.HANDED_OVER_BY_ANOTHER): "nobody has that desk",
    (Held.THEIRS, Step.TAKEN_AGAIN): "you have that desk already",
    (
        Held.THEIRS,
        Step.HANDED_OVER_BY_ANOTHER,
    ): "somebody else has that desk: take it first",
    (Held.HANDED_OVER, Step.HANDED_OVER): "it is handed over already",
    (Held.HANDED_OVER, Step.HANDED_OVER_BY_ANOTHER): "it is handed over already",
}
"""What whoever tried is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """A desk as it stands.

    Args:
        position: which one.
        held: how it stands.
        who: has it, or had it last and handed it over; "" before anybody took it.
        since: when they took it.
        to: to whom it is handed over, where that was said.
        handed_over: when it was, or None.
        before: who had it before them, or "".
        notes: carried on, oldest first.
    """

    position: Position
    held: Held = Held.NOBODY
    who: str = ""
    since: Moment | None = None
    to: str = ""
    handed_over: Moment | None = None
    before: str = ""
    notes: tuple[Note, ...] = ()

    @property
    def has_it(self) -> str | None:
        """Who has the desk; who has handed it over has it until another takes it."""
        return self.who or None


@dataclass(slots=True)
class Desks:
    """All desks, by what was done about them; a start folds that again.

    Args:
        positions: that are set up.
    """

    positions: tuple[Position, ...]
    _desks: dict[str, Desk] = field(init=False)
    _known: dict[str, None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._desks = {one.name: Desk(position=one) for one in self.positions}

    def desk(self, position: str) -> Desk:
        """How the desk of *position* stands.

        Raises:
            KeyError: there is no such position.
        """
        return self._desks[position]

    def desks(self) -> tuple[Desk, ...]:
        """All of them, in the order in which they are set up."""
        return tuple(self._desks.values())

    def fold(self, acts: Iterable[DeskAct]) -> None:
        """Take what was done before; of a position that is no longer set up nothing is kept."""
        for act in acts:
            if act.position in self._desks:
                self.take(act)

    def take(self, act: DeskAct) -> bool:
        """Take *act*; False where it was taken already.

        Raises:
            Refused: it cannot be taken; nothing has changed.
        """
        if act.id in self._known:
            return False
        desk = self._desks.get(act.position)
        if desk is None:
            raise Refused(f"there is no position {act.position}")
        if len(act.text) > MOST:
            raise Refused(f"at most {MOST} characters")
        if act.entered < act.at:
            raise Refused("that has not happened yet")
        self._desks[act.position] = _after(desk, act)
        self._known[act.id] = None
        return True


def _after(desk: Desk, act: DeskAct) -> Desk:
    """*desk* after *act*."""
    if act.what == "note_closed":
        left = tuple(one for one in desk.notes if one.id != act.note)
        if len(left) == len(desk.notes):
            raise Refused("there is no such note")
        return replace(desk, notes=left)
    if act.what == "note_left":
        if not act.text.strip():
            raise Refused("there is nothing in it")
        return _noted(desk, act)
    same = act.by == desk.who
    if act.what == "take_desk":
        step = Step.TAKEN_AGAIN if same else Step.TAKEN
        changed = replace(
            desk,
            who=act.by,
            since=act.at,
            to="",
            handed_over=None,
            before=desk.before if same else desk.who,
        )
    else:
        step = Step.HANDED_OVER if same else Step.HANDED_OVER_BY_ANOTHER
        changed = replace(desk, to=act.to, handed_over=act.at)
    held = DESKS.get((desk.held, step))
    if held is None:
        raise Refused(REFUSED[desk.held, step])
    changed = replace(changed, held=held)
    return _noted(changed, act) if act.text.strip() else changed


def _noted(desk: Desk, act: DeskAct) -> Desk:
    note = Note(id=act.id, at=act.at, by=act.by, text=act.text)
    return replace(desk, notes=(*desk.notes, note))
