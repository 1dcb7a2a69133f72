"""What the evaluators make of the axles: tallies, states, contacts, and resets.

They know nothing of trains.
A section is clear while its tally is nought, and remembers: what is lost stays lost until somebody resets it.
An axle counted out of a section that has shown clear for a while is a contradiction, and disturbs it.
While disturbed, nothing is counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import TYPE_CHECKING

from monitor.core.events import Contacts, Direction, ResetKind, Service, State, Step
from monitor.core.layout import Line
from monitor.core.moments import SECOND, Moment, seconds
from replay.simulator.agenda import Agenda
from replay.simulator.feed import Shown
from replay.simulator.miscounts import Miscount

if TYPE_CHECKING:
    from replay.simulator.feed import Feed
    from replay.simulator.railway import Railway

STILL = SECOND
"""A tally that has not changed for so long is told."""

SWEEPS = (ResetKind.PREPARATORY, ResetKind.PREPARATORY_ACKNOWLEDGED)

_PROVED = {
    # which contacts are up, where nothing is wrong with them
    True: Contacts(clear=True, occupied=False),
    False: Contacts(clear=False, occupied=True),
}


@dataclass(slots=True, eq=False)
class Counted:
    """What an evaluator keeps of one section.

    Args:
        id: the section.
        shows_sweep: it shows `occupied` while a train sweeps it; else it goes on showing `awaiting_sweep`.
        held: the interlocking keeps its own occupation until it is restored.
        stuck: its contact for clear does not come up.
        sweep: by which kind of reset a train is to sweep it, or None.
        deaf: it counts nothing.
        slips: so many axles out are not counted; below nought, so many in.
    """

    id: str
    shows_sweep: bool
    tally: int = 0
    state: State = State.CLEAR
    held: bool = False
    stuck: bool = False
    sweep: ResetKind | None = None
    cleared: Moment = 0
    changed: Moment = 0
    looking: bool = False
    outwards: bool = True
    deaf: bool = False
    slips: int = 0


class Evaluators:
    """All that count on *line*, and the technicians who attend to them.

    Args:
        line: any line.
        agenda: the clock.
        random: draws how people take their time.
        fine: tallies are told, so that it matters when they are still.
    """

    feed: Feed
    railway: Railway

    def __init__(
        self, line: Line, agenda: Agenda, random: Random, *, fine: bool
    ) -> None:
        self.line = line
        self.agenda = agenda
        self.random = random
        self.fine = fine
        sweeps = {one: random.random() < 0.6 for one in line.evaluators}
        self.sections = {
            one.id: Counted(id=one.id, shows_sweep=sweeps[one.evaluator])
            for one in line.sections.values()
        }
        self.slips: dict[str, int] = {}
        self.one_sided: dict[str, float] = {}
        self.miscounted: list[Miscount] = []
        self._counts: dict[str, list[int]] = {}
        self.services = dict.fromkeys(line.evaluators, Service.IN_SERVICE)

    # What they show.

    def shown(self, section: str) -> Shown:
        """What *section* shows now."""
        one = self.sections[section]
        counting = one.state in {State.CLEAR, State.OCCUPIED}
        contacts = _PROVED[one.state is State.CLEAR]
        if one.stuck and one.state is State.CLEAR:
            contacts = Contacts(clear=False, occupied=False)
        clear = self.proves_clear(section)
        return Shown(
            state=one.state,
            axles=one.tally if counting else None,
            contacts=contacts,
            interlocking=State.CLEAR if clear else State.OCCUPIED,
        )

    def service(self, evaluator: str) -> Service:
        """Whether *evaluator* works."""
        return self.services[evaluator]

    def proves_clear(self, section: str) -> bool:
        """Whether the interlocking takes *section* for clear."""
        one = self.sections[section]
        return one.state is State.CLEAR and not one.held and not one.stuck

    def awaits_train(self, section: str) -> bool:
        """Whether *section* waits for a train to sweep it."""
        return self.sections[section].sweep is not None

    def tell(self, section: str) -> None:
        """Say how *section* stands, and let the signals follow."""
        self.feed.section(section)
        if self.proves_clear(section):
            self.railway.wake(section)

    # What the trains do.

    def axle(self, head: str, out_of: str | None, into: str | None) -> None:
        """An axle is over *head*."""
        counts = self._counts.setdefault(head, [])
        slip = self.slips.get(head, 0) if counts else 0
        times = 1 if not slip else 2 if slip > 0 else 0
        if slip:
            self.slips[head] -= times - 1
        counts.append(times)
        for _ in range(times):
            if into is not None:
                self._axle(self.sections[into], 1)
            if out_of is not None:
                self._axle(self.sections[out_of], -1)

    def _axle(self, one: Counted, axles: int) -> None:
        if one.deaf:
            return
        if one.slips * axles < 0:
            one.slips += axles
            return
        self._count(one, axles)

    def passage(
        self,
        head: str,
        *,
        train: int,
        forward: bool,
        axles: int,
        first: Moment,
        last: Moment,
    ) -> None:
        """A train has gone over *head*."""
        counts = self._counts.pop(head, [])
        wrong = sum(counts) - len(counts)
        if wrong:
            self.slips.pop(head, None)
            self.miscounted.append(
                Miscount(at=first, place=f"head/{head}", axles=wrong, train=train)
            )
        told = axles + wrong
        direction = Direction.FORWARD if forward else Direction.REVERSE
        b = told
        share = self.one_sided.get(head, 0.0)
        if share and self.random.random() < share:
            if self.random.random() < 0.5:
                direction = Direction.NONE
            else:
                b = max(0, told - self.random.randint(1, 2))
        self.feed.passage(
            head,
            train,
            direction=direction,
            axles=told,
            a=told,
            b=b,
            seconds=round((last - first) / SECOND, 3),
        )

    def stands(self, section: str, axles: int) -> None:
        """So many axles are in *section* when the day begins."""
        one = self.sections[section]
        one.tally = axles
        one.state = State.OCCUPIED

    def _count(self, one: Counted, axles: int) -> None:
        one.outwards = axles < 0
        if one.state is State.DISTURBED:
            return
        before = one.state
        one.tally += axles
        one.changed = self.agenda.now
        if one.state is State.CLEAR:
            if one.tally < 0 and self.agenda.now - one.cleared > STILL:
                self.disturb(one.id)
                return
            if one.tally:
                one.state = State.OCCUPIED
        elif one.sweep is not None:
            self._swept(one)
        elif one.state is State.OCCUPIED and not one.tally:
            one.state = State.CLEAR
            one.cleared = self.agenda.now
        if one.state is not before:
            self.tell(one.id)
        if self.fine and not one.looking:
            one.looking = True
            self.agenda.at(self.agenda.now + STILL, partial(self._look, one))

    def _swept(self, one: Counted) -> None:
        """A train is sweeping *one*."""
        if one.tally < 0:
            self.disturb(one.id)
        elif one.tally > 0:
            if one.shows_sweep:
                one.state = State.OCCUPIED
        elif one.sweep is ResetKind.PREPARATORY_ACKNOWLEDGED:
            one.sweep = None
            one.state = State.AWAITING_ACKNOWLEDGEMENT
            self._after(12.0, 50.0, partial(self._acknowledge, one))
        else:
            one.sweep = None
            one.state = State.CLEAR
            one.cleared = self.agenda.now
            self._after(4.0, 20.0, partial(self._restore, one))

    def _acknowledge(self, one: Counted) -> None:
        if one.state is State.AWAITING_ACKNOWLEDGEMENT:
            if one.tally:  # a train is in it again
                self._after(20.0, 30.0, partial(self._acknowledge, one))
                return
            one.state = State.CLEAR
            one.cleared = self.agenda.now
            one.held = False
            self.tell(one.id)

    def _look(self, one: Counted) -> None:
        """Tell a tally that has been still."""
        if self.agenda.now - one.changed < STILL:
            self.agenda.at(one.changed + STILL, partial(self._look, one))
            return
        one.looking = False
        self.feed.section(one.id)

    def _after(self, least: float, most: float, action: Callable[[], None]) -> None:
        wait = seconds(self.random.uniform(least, most))
        self.agenda.at(self.agenda.now + wait, action)

    # What goes wrong.

    def disturb(self, section: str) -> None:
        """Lose count in *section*."""
        one = self.sections[section]
        if one.state is State.DISTURBED:
            return
        one.state = State.DISTURBED
        one.sweep = None
        one.held = True
        self.tell(section)

    def phantom(self, section: str, axles: int) -> None:
        """Count *axles* that are none."""
        self._count(self.sections[section], axles)

    def forget(self, section: str, *, deaf: bool) -> None:
        """Lose all count of what is in *section*, which then shows clear; or count nothing from here on, too."""
        one = self.sections[section]
        one.tally = 0
        one.sweep = None
        one.state = State.CLEAR
        one.cleared = self.agenda.now - 2 * STILL
        one.deaf = deaf
        self.tell(section)

    def deafen(self, section: str, *, deaf: bool) -> None:
        """Let *section* count nothing, or count again."""
        self.sections[section].deaf = deaf

    def slip(self, section: str, axles: int, train: int) -> None:
        """Let *section* not count so many axles as they go out, or below nought as they come in."""
        self.sections[section].slips = axles
        self.miscounted.append(
            Miscount(
                at=self.agenda.now,
                place=f"section/{section}",
                axles=axles,
                train=train,
            )
        )

    def lock_out(self, evaluator: str) -> None:
        """*evaluator* refuses to work."""
        self.services[evaluator] = Service.LOCKED_OUT
        self.feed.evaluator(evaluator)
        for section in self.line.sections_of(evaluator):
            self.disturb(section)

    def in_service(self, evaluator: str) -> None:
        """*evaluator* works again; its sections are as they were left."""
        self.services[evaluator] = Service.IN_SERVICE
        self.feed.evaluator(evaluator)

    def stick(self, section: str, *, stuck: bool) -> None:
        """The contact for clear of *section* does not come up; or does again."""
        self.sections[section].stuck = stuck
        self.tell(section)

    # What people do.

    def reset(
        self,
        section: str,
        kind: ResetKind,
        *,
        restore_s: float | None = None,
        with_train_inside: bool = False,
        quick: bool = False,
    ) -> None:
        """Give *section* back, beginning now.

        Where a train is in it or held for it, the reset waits, by the rules.

        Args:
            section: which.
            kind: by which way.
            restore_s: how long after the section clears the interlocking is restored; by itself within half a minute.
            with_train_inside: against the rules.
            quick: signaller and technician are already speaking.
        """
        one = self.sections[section]
        if not with_train_inside:
            if one.state is State.CLEAR or one.sweep is not None:
                return  # somebody was there before
            if not self._may_reset(section):
                again = partial(
                    self.reset, section, kind, restore_s=restore_s, quick=quick
                )
                self._after(15.0, 30.0, again)
                return
        self.feed.reset(section, kind, Step.REQUESTED, "technician")

        def decide() -> None:
            refused = kind is ResetKind.CONDITIONAL and not one.outwards
            if refused or not (with_train_inside or self._may_reset(section)):
                self.feed.reset(section, kind, Step.REFUSED, "signaller")
                way = ResetKind.UNCONDITIONAL if refused else kind
                self._after(
                    30.0,
                    60.0,
                    partial(self.reset, section, way, restore_s=restore_s),
                )
                return
            self.feed.reset(section, kind, Step.ACCEPTED, "signaller")
            self.agenda.at(
                self.agenda.now + seconds(0.4),
                partial(self._set_to_nought, one, kind, restore_s),
            )

        wait = (0.3, 0.8) if quick else (3.0, 12.0)
        self._after(*wait, decide)

    def _may_reset(self, section: str) -> bool:
        evaluator = self.line.sections[section].evaluator
        return (
            section not in self.railway.holder
            and self.services[evaluator] is Service.IN_SERVICE
        )

    def _set_to_nought(
        self, one: Counted, kind: ResetKind, restore_s: float | None
    ) -> None:
        one.tally = 0
        one.held = True
        one.outwards = True
        one.deaf = False
        if kind in SWEEPS:
            one.sweep = kind
            one.state = State.AWAITING_SWEEP
        else:
            one.sweep = None
            one.state = State.CLEAR
            one.cleared = self.agenda.now - 2 * STILL
            wait = self.random.uniform(5, 30) if restore_s is None else restore_s
            self.agenda.at(
                self.agenda.now + seconds(wait), partial(self._restore, one, kind)
            )
        self.tell(one.id)

    def _restore(self, one: Counted, kind: ResetKind = ResetKind.PREPARATORY) -> None:
        """The signaller gives the section back to the interlocking."""
        if one.held and one.state in {State.CLEAR, State.OCCUPIED}:
            one.held = False
            self.feed.reset(one.id, kind, Step.RESTORED, "signaller")
            self.tell(one.id)
