"""Named ways in which the truth is lost between wheel and wire.

Each takes a moment, what it strikes, and what people then do about it.
What is truly wrong is not said here but worked out afterwards from what was sent (`truth`): a fault that nobody could notice is no truth to find.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from random import Random

from monitor.core.events import ResetKind, State
from monitor.core.layout import Line
from monitor.core.moments import HOUR, MINUTE, SECOND, Moment, seconds
from replay.simulator.agenda import Agenda
from replay.simulator.evaluators import Evaluators
from replay.simulator.feed import Feed, Source
from replay.simulator.levels import Levels
from replay.simulator.machines import possession
from replay.simulator.railway import Railway


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One way of losing the truth, once.

    Args:
        kind: one of `KINDS`.
        subject: the section, head, evaluator, gateway, source or cable that it strikes; "" for any.
        at: when it begins; where it needs a train, or none, it waits for that.
        minutes: how long until people have dealt with it; 0 for as long as it usually takes.
        reset: the way of giving back; None for any.
        sections: those that a cable or lightning takes, where not all.
    """

    kind: str
    subject: str = ""
    at: Moment
    minutes: float = 0.0
    reset: ResetKind | None = None
    sections: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """All that faults can act on."""

    line: Line
    agenda: Agenda
    random: Random
    railway: Railway
    evaluators: Evaluators
    feed: Feed
    levels: Levels

    def after(self, wait: float, action: Callable[[], None]) -> None:
        """Do *action* in *wait* seconds."""
        self.agenda.at(self.agenda.now + seconds(wait), action)

    def when(self, ready: Callable[[], bool], action: Callable[[], None]) -> None:
        """Do *action* as soon as *ready* says so, looking every five seconds."""
        if ready():
            action()
        else:
            self.after(5.0, partial(self.when, ready, action))

    def minutes(self, fault: Fault, least: float, most: float) -> float:
        """How long *fault* lasts, in seconds."""
        return 60 * (fault.minutes or self.random.uniform(least, most))

    def attend(
        self, section: str, fault: Fault, wait: float, *, restore_s: float | None = None
    ) -> None:
        """Somebody comes to *section* after *wait* seconds and gives it back."""
        kind = fault.reset or self.random.choice(list(ResetKind))
        self.after(
            wait,
            partial(self.evaluators.reset, section, kind, restore_s=restore_s),
        )


def _choose(world: World, fault: Fault, among: Sequence[str]) -> str:
    return fault.subject or world.random.choice(list(among))


def _section(world: World, fault: Fault) -> str:
    return _choose(world, fault, list(world.line.sections))


def _sections_of_head(line: Line, head: str) -> list[str]:
    return [one for one in line.heads[head].between if one in line.sections]


def _source(world: World, fault: Fault) -> Source:
    """The source that a fault of the feed strikes, named by itself or by its gateway."""
    sources = world.feed.sources
    for one in sources.values():
        if fault.subject in {one.name, one.gateway}:
            return one
    return sources[world.random.choice(list(sources))]


def lightning(world: World, fault: Fault) -> None:
    """Several evaluators within minutes: the first locks itself out, the others lose sections."""
    struck = world.random.sample(
        list(world.line.evaluators), min(3, len(world.line.evaluators))
    )
    if fault.subject in struck:
        struck.remove(fault.subject)
    if fault.subject:
        struck.insert(0, fault.subject)
    first, *others = struck[:3]
    stay = world.minutes(fault, 15, 35)
    _lock_out(world, fault, first, stay)
    for evaluator in others:
        sections = list(world.line.sections_of(evaluator))
        for section in world.random.sample(sections, min(2, len(sections))):
            wait = world.random.uniform(1.0, 150.0)
            world.after(wait, partial(world.evaluators.disturb, section))
            world.attend(section, fault, stay + world.random.uniform(60, 600))


def _lock_out(world: World, fault: Fault, evaluator: str, stay: float) -> None:
    world.evaluators.lock_out(evaluator)
    world.after(stay, partial(world.evaluators.in_service, evaluator))
    for place, section in enumerate(world.line.sections_of(evaluator)):
        wait = stay + 40 + 45 * place + world.random.uniform(0, 20)
        world.attend(section, fault, wait)


def lock_out(world: World, fault: Fault) -> None:
    """An evaluator refuses to work until someone attends."""
    evaluator = _choose(world, fault, list(world.line.evaluators))
    _lock_out(world, fault, evaluator, world.minutes(fault, 10, 30))


def drifting_head(world: World, fault: Fault) -> None:
    """A head's levels sink for hours, and the sections beside it are disturbed more and more often."""
    head = _choose(world, fault, list(world.line.heads))
    beside = _sections_of_head(world.line, head)
    waits = (0.0, 95 * 60.0, 155 * 60.0, 190 * 60.0)
    for place, wait in enumerate(waits):
        section = beside[place % len(beside)]
        world.after(wait, partial(world.evaluators.disturb, section))
        world.attend(section, fault, wait + world.minutes(fault, 6, 16))
    world.levels.put(head, off=0.0, slope=-6.5)
    for step in range(14):
        world.after(1200.0 * step, partial(world.levels.measure, head))
    world.after(1200.0 * 14, partial(world.levels.put, head, off=0.0))


def level_out(world: World, fault: Fault) -> None:
    """A head's levels fall below what they may be, and stay there for hours."""
    head = _choose(world, fault, list(world.line.heads))
    low = 1.7 - world.levels.of[head].usual
    world.levels.put(head, off=low - world.random.uniform(0.0, 0.4))
    for minute in (0.2, 1.5, 3.0):
        world.after(60 * minute, partial(world.levels.measure, head))
    mend = partial(world.levels.put, head, off=0.0)
    world.after(world.minutes(fault, 150, 600), mend)


def level_drift(world: World, fault: Fault) -> None:
    """A head's levels sink from day to day, for weeks, until it is set right."""
    head = _choose(world, fault, list(world.line.heads))
    days = world.minutes(fault, 12 * 1440, 18 * 1440) / 86400
    room = world.levels.of[head].usual - 2.25
    world.levels.put(head, off=0.0, slope=-room / days)
    world.after(days * 86400, partial(world.levels.put, head, off=0.0))


def loose_head(world: World, fault: Fault) -> None:
    """A head loses its fixing: one section beside it is disturbed again and again, with resets between."""
    head = _choose(world, fault, list(world.line.heads))
    section = _sections_of_head(world.line, head)[0]
    for place in range(4):
        wait = place * world.random.uniform(14 * 60, 17 * 60)
        world.after(wait, partial(world.evaluators.disturb, section))
        world.attend(section, fault, wait + world.minutes(fault, 3, 6))


def phantom(world: World, fault: Fault) -> None:
    """A section is occupied by nothing; it stays so until it is reset."""
    # Where a train may come in unseen nobody could tell it from one.
    inner = [one for one in world.line.sections if not world.line.is_open(one)]
    section = _choose(world, fault, inner or list(world.line.sections))

    def strike() -> None:
        world.evaluators.phantom(section, world.random.randint(1, 2))
        world.attend(section, fault, world.minutes(fault, 6, 15))

    clear = world.evaluators.proves_clear
    around = (section, *world.line.neighbours(section))
    # With a train beside it nobody could tell it from that train.
    world.when(
        lambda: world.railway.keeps_from(section) and all(map(clear, around)), strike
    )


def reset_followed(world: World, fault: Fault) -> None:
    """A section is disturbed and reset, and trains go on as usual."""
    section = _section(world, fault)
    world.evaluators.disturb(section)
    world.attend(section, fault, world.minutes(fault, 5, 18))


def reset_unfollowed(world: World, fault: Fault) -> None:
    """A section is disturbed and reset, and then no train comes for more than an hour."""
    section = _section(world, fault)
    stay = world.minutes(fault, 70, 100)
    until = world.agenda.now + seconds(stay) + HOUR // 6
    world.railway.close(section, until)

    def strike() -> None:
        world.railway.close(section, world.agenda.now + seconds(stay))
        world.evaluators.disturb(section)
        world.attend(section, fault, 120.0)

    world.when(lambda: not world.railway.expected(section), strike)


def reset_inside(world: World, fault: Fault) -> None:
    """A section is reset while a train stands in it; the train comes out later."""
    section = _section(world, fault)
    stand = world.minutes(fault, 2, 4)
    latest = world.agenda.now + HOUR
    world.railway.hold(section, latest)
    kind = fault.reset or ResetKind.UNCONDITIONAL

    def strike() -> None:
        if not world.railway.stands_whole(section):
            world.railway.hold(section, world.agenda.now)
            return
        world.railway.hold(section, world.agenda.now + seconds(stand))
        world.evaluators.reset(section, kind, with_train_inside=True, quick=True)
        world.attend(section, fault, stand + world.random.uniform(400, 800))

    world.when(
        lambda: world.railway.stands_whole(section) or world.agenda.now >= latest,
        partial(world.after, world.random.uniform(15, 40), strike),
    )


def inner(line: Line) -> list[str]:
    """Sections from which it is three heads or more to where a train may come in unseen, else those with no open end."""
    near = {one for one in line.sections if line.is_open(one)}
    for _ in range(2):
        near |= {other for one in near for other in line.neighbours(one)}
    deep = [one for one in line.sections if one not in near]
    shut = [one for one in line.sections if not line.is_open(one)]
    return deep or shut or list(line.sections)


def _quiet_around(world: World, section: str) -> bool:
    """Whether nothing is in the neighbours of *section*, nor shown there."""
    return all(
        world.evaluators.proves_clear(one) and not world.railway.inside[one]
        for one in world.line.neighbours(section)
    )


def lost_train(world: World, fault: Fault) -> None:
    """A section forgets the train that stands in it, with nothing about; the train comes out later."""
    section = _choose(world, fault, inner(world.line))
    latest = world.agenda.now + HOUR
    world.railway.hold(section, latest)

    def ready() -> bool:
        stands = world.railway.stands_whole(section)
        return (stands and _quiet_around(world, section)) or (
            world.agenda.now >= latest
        )

    def strike() -> None:
        world.railway.hold(section, world.agenda.now + seconds(stay))
        if world.railway.stands_whole(section) and _quiet_around(world, section):
            deaf = world.random.random() < 0.5
            world.evaluators.forget(section, deaf=deaf)
            world.railway.after_leaving(section, partial(_mended, world, section))
            world.attend(section, fault, stay + world.random.uniform(400, 800))

    stay = world.minutes(fault, 0.7, 3)
    world.when(ready, partial(world.after, world.random.uniform(6, 15), strike))


def _mended(world: World, section: str) -> None:
    world.evaluators.deafen(section, deaf=False)


def missed_train(world: World, fault: Fault) -> None:
    """A section counts nothing of a train that passes through it."""
    section = _choose(world, fault, inner(world.line))

    def strike() -> None:
        world.evaluators.deafen(section, deaf=True)
        world.railway.after_leaving(section, partial(_mended, world, section))

    world.when(
        lambda: (
            world.evaluators.proves_clear(section) and not world.railway.inside[section]
        ),
        strike,
    )


def stuck(world: World, fault: Fault) -> None:
    """A section does not count all axles of a train out, or in, and goes on showing occupied when the train is gone."""
    section = _choose(world, fault, inner(world.line))
    axles = world.random.choice((1, 1, 1, 2, 2, 3, -1, -1, -2))

    def strike() -> None:
        (train,) = world.railway.inside[section]
        world.evaluators.slip(section, axles, train.number)
        stay = world.minutes(fault, 6, 15)
        world.railway.after_leaving(
            section, partial(world.attend, section, fault, stay)
        )

    world.when(lambda: _entered_whole(world, section), strike)


def _entered_whole(world: World, section: str) -> bool:
    """Whether a train is whole in *section*, as far as it was counted."""
    held = world.railway.inside[section]
    state = world.evaluators.shown(section).state
    return (
        len(held) == 1
        and state is State.OCCUPIED
        and all(one.tail == one.at for one in held)
    )


def miscount(world: World, fault: Fault) -> None:
    """A head counts the next train with one to three axles too many or too few."""
    deep = set(inner(world.line))
    among = [
        name for name, head in world.line.heads.items() if deep.issuperset(head.between)
    ]
    head = _choose(world, fault, among or list(world.line.heads))
    axles = world.random.choice((-1, -1, -1, -2, -2, -3, 1, 1, 2))
    world.evaluators.slips[head] = axles
    beside = _sections_of_head(world.line, head)

    def passed() -> bool:
        return any(
            one.place == f"head/{head}" and one.at >= fault.at
            for one in world.evaluators.miscounted
        )

    def attend() -> None:
        stay = world.minutes(fault, 6, 15)
        for place, section in enumerate(beside):
            world.attend(section, fault, stay + 30 * place)

    world.when(passed, attend)


def one_sided(world: World, fault: Fault) -> None:
    """One sensor of a head sees less than the other, with some of the trains."""
    head = _choose(world, fault, list(world.line.heads))
    world.evaluators.one_sided[head] = world.random.uniform(0.2, 0.6)
    world.after(
        world.minutes(fault, 6 * 60, 20 * 60),
        lambda: world.evaluators.one_sided.update({head: 0.0}),
    )


def spurious(world: World, fault: Fault) -> None:
    """A section is occupied by nothing, and clear again by itself."""
    section = _choose(world, fault, inner(world.line))
    lasts = 60 * fault.minutes or world.random.choice((4.0, 8.0, 20.0, 60.0, 150.0))

    def strike() -> None:
        world.evaluators.phantom(section, 1)
        world.after(lasts, partial(world.evaluators.phantom, section, -1))

    clear = world.evaluators.proves_clear
    around = (section, *world.line.neighbours(section))
    world.when(
        lambda: world.railway.keeps_from(section) and all(map(clear, around)), strike
    )


def contacts(world: World, fault: Fault) -> None:
    """A section's contact for clear does not come up."""
    section = _section(world, fault)
    world.evaluators.stick(section, stuck=True)
    mend = partial(world.evaluators.stick, section, stuck=False)
    world.after(world.minutes(fault, 8, 25), mend)


def not_restored(world: World, fault: Fault) -> None:
    """A section is reset, and the second step is forgotten."""
    section = _section(world, fault)
    world.evaluators.disturb(section)
    kind = fault.reset or ResetKind.UNCONDITIONAL
    wait = world.random.uniform(240, 600)
    forgotten = world.minutes(fault, 8, 20)
    world.after(
        wait,
        partial(world.evaluators.reset, section, kind, restore_s=forgotten),
    )


def offline(world: World, fault: Fault) -> None:
    """A gateway's connection breaks, its will is given out, and it comes back counting from nought."""
    until = world.agenda.now + seconds(world.minutes(fault, 3, 12))
    world.feed.silence(_source(world, fault), until, offline=True, restart=True)


def silence(world: World, fault: Fault) -> None:
    """A gateway falls silent with nobody noticing, and comes back with numbers missing."""
    until = world.agenda.now + seconds(world.minutes(fault, 3, 12))
    world.feed.silence(_source(world, fault), until, offline=False, restart=False)


def outage(world: World, fault: Fault) -> None:
    """A gateway falls silent with nobody noticing, and comes back counting from nought."""
    until = world.agenda.now + seconds(world.minutes(fault, 3, 12))
    world.feed.silence(_source(world, fault), until, offline=False, restart=True)


def gap(world: World, fault: Fault) -> None:
    """Some events of a source are lost on the way."""
    world.feed.drop(_source(world, fault), world.random.randint(1, 3))


def clock(world: World, fault: Fault) -> None:
    """A source's clock is an hour off, either way."""
    source = _source(world, fault)
    off = HOUR if world.random.random() < 0.5 else -HOUR
    world.feed.set_wrong(source, off)
    world.after(world.minutes(fault, 25, 50), partial(world.feed.set_wrong, source, 0))


def cable(world: World, fault: Fault) -> None:
    """A cable fails: the sections beside every head on it are disturbed within seconds."""
    named = sorted({x.cable for x in world.line.heads.values() if x.cable})
    one = _choose(world, fault, named)
    sections = fault.sections or sections_on(world.line, one)
    stay = world.minutes(fault, 12, 30)
    for place, section in enumerate(sections):
        wait = world.random.uniform(0.2, 5.2) if place else 0.0
        world.after(wait, partial(world.evaluators.disturb, section))
        world.attend(section, fault, stay + world.random.uniform(0, 240))


def _all_at_once(
    world: World, fault: Fault, sections: Sequence[str], within: float
) -> None:
    """*sections* are disturbed within so many seconds, and given back one by one."""
    stay = world.minutes(fault, 12, 30)
    for place, section in enumerate(sections):
        wait = world.random.uniform(0.2, within) if place else 0.0
        world.after(wait, partial(world.evaluators.disturb, section))
        world.attend(section, fault, stay + 20 * place + world.random.uniform(0, 20))


def unit(world: World, fault: Fault) -> None:
    """A trackside unit fails, and with it the sections beside all its heads."""
    named = sorted({x.unit for x in world.line.heads.values() if x.unit})
    if named:
        one = _choose(world, fault, named)
        _all_at_once(world, fault, _beside(world.line, "unit", one), 4.0)


def evaluator(world: World, fault: Fault) -> None:
    """An evaluator loses all its sections, and does not lock itself out."""
    one = _choose(world, fault, list(world.line.evaluators))
    _all_at_once(world, fault, world.line.sections_of(one), 6.0)


def supply(world: World, fault: Fault) -> None:
    """A supply fails, and with it every evaluator on it."""
    named = sorted({x.supply for x in world.line.evaluators.values() if x.supply})
    if named:
        one = _choose(world, fault, named)
        on = [x for x, y in world.line.evaluators.items() if y.supply == one]
        sections = [section for x in on for section in world.line.sections_of(x)]
        _all_at_once(world, fault, sections, 8.0)


def storm(world: World, fault: Fault) -> None:
    """Lightning over an area: sections here and there within minutes."""
    area = _choose(world, fault, sorted({x.area for x in world.line.sections.values()}))
    among = [one for one, x in world.line.sections.items() if x.area == area]
    struck = world.random.sample(among, min(len(among), world.random.randint(4, 6)))
    stay = world.minutes(fault, 15, 40)
    wait = 0.0
    for section in struck:
        world.after(wait, partial(world.evaluators.disturb, section))
        world.attend(section, fault, stay + world.random.uniform(0, 300))
        wait += world.random.uniform(20, 110)


def sections_on(line: Line, cable: str) -> tuple[str, ...]:
    """The sections beside the heads on *cable*, in the order of the file."""
    return _beside(line, "cable", cable)


def _beside(line: Line, what: str, name: str) -> tuple[str, ...]:
    """The sections beside the heads on a unit or cable, in the order of the file."""
    beside = {
        section
        for head in line.heads.values()
        if getattr(head, what) == name
        for section in head.between
    }
    return tuple(one for one in line.sections if one in beside)


def work(world: World, fault: Fault) -> None:
    """Planned work: resets and disturbances inside it, and a train through at the end or soon after."""
    section = _section(world, fault)
    stay = world.minutes(fault, 40, 90)
    reference = f"W{world.random.randint(100, 999)}"
    world.railway.close(section, world.agenda.now + seconds(stay) + HOUR // 6)

    def begin() -> None:
        world.railway.close(section, world.agenda.now + seconds(stay))
        world.feed.work(section, begun=True, reference=reference)
        for part in (0.15, 0.4, 0.65):
            wait = part * stay
            world.after(wait, partial(world.evaluators.disturb, section))
            world.attend(section, fault, wait + 0.1 * stay)
        end = partial(world.feed.work, section, begun=False, reference=reference)
        world.after(stay, end)

    world.when(lambda: not world.railway.expected(section), begin)


def long_stand(world: World, fault: Fault) -> None:
    """A train stands in a section for longer than is normal there."""
    section = _section(world, fault)
    normal = world.line.sections[section].normal_occupation_s or 1800.0
    stay = max(world.minutes(fault, 35, 45), normal + 300.0)
    latest = world.agenda.now + HOUR
    world.railway.hold(section, latest)
    world.when(
        lambda: world.railway.stands_whole(section) or world.agenda.now >= latest,
        lambda: world.railway.hold(section, world.agenda.now + seconds(stay)),
    )


def standing(world: World, fault: Fault) -> None:
    """Nothing is wrong: a train stands at a signal for nine tenths of what is normal there."""
    lines = world.line.sections
    among = [one for one, x in lines.items() if x.normal_occupation_s] or list(lines)

    def stand(section: str) -> None:
        normal = lines[section].normal_occupation_s or 1800.0
        came = max(x.came for x in world.railway.visits if x.section == section)
        world.railway.hold(section, came + seconds(0.9 * normal))

    _held(world, fault, world.railway.stands_whole, stand, among=among)


def before_train(world: World, fault: Fault) -> None:
    """A section is disturbed while trains are on their way to it; the first is cautioned through, and then it is given back."""
    among = [fault.subject] if fault.subject else inner(world.line)

    def coming() -> list[str]:
        return [one for one in among if _on_its_way(world, one)]

    def strike() -> None:
        section = world.random.choice(coming())
        world.evaluators.disturb(section)
        soon = world.random.uniform(20, 90)
        world.railway.after_leaving(
            section, partial(world.attend, section, fault, soon)
        )

    world.when(lambda: bool(coming()), strike)


def _on_its_way(world: World, section: str) -> bool:
    """Whether nothing is in *section* or held for it, and two trains are under way to it."""
    railway = world.railway
    coming = sum(section in one.way.places[one.at + 1 :] for one in railway.trains)
    clear = world.evaluators.proves_clear(section)
    return coming >= 2 and section not in railway.holder and clear


def slow_sweep(world: World, fault: Fault) -> None:
    """A section is to be swept, and the train that sweeps it stands in it for a while."""
    section = _choose(world, fault, inner(world.line))
    world.evaluators.disturb(section)
    kind = world.random.choice(
        (ResetKind.PREPARATORY, ResetKind.PREPARATORY_ACKNOWLEDGED)
    )
    world.after(240.0, partial(world.evaluators.reset, section, kind))
    stay = world.minutes(fault, 5, 12)
    latest = world.agenda.now + HOUR

    def swept() -> bool:
        return world.railway.stands_whole(section) or world.agenda.now >= latest

    def stand() -> None:
        world.railway.hold(section, latest)
        world.when(
            swept,
            lambda: world.railway.hold(section, world.agenda.now + seconds(stay)),
        )

    world.after(260.0, stand)


def restart(world: World, fault: Fault) -> None:
    """Nothing is wrong: a gateway restarts, and is back within seconds, counting from nought."""
    until = world.agenda.now + seconds(world.random.uniform(3.0, 15.0))
    world.feed.silence(_source(world, fault), until, offline=False, restart=True)


def _held(
    world: World,
    fault: Fault,
    ready: Callable[[str], bool],
    strike: Callable[[str], None],
    *,
    among: Sequence[str] = (),
    tries: int = 6,
) -> None:
    """Keep the next train in a section; *strike* when it stands there, if it is *ready*, else let it go and keep another."""
    where = among or inner(world.line)
    soon = [one for one in where if world.railway.expected(one)]
    section = _choose(world, fault, soon or where)
    latest = world.agenda.now + HOUR // 2
    world.railway.hold(section, latest)

    def then() -> None:
        if ready(section):
            strike(section)
        else:
            world.railway.hold(section, world.agenda.now)
            if tries > 1:
                again = partial(_held, world, fault, ready, strike)
                world.after(60.0, partial(again, among=among, tries=tries - 1))

    world.when(
        lambda: world.railway.stands_whole(section) or world.agenda.now >= latest,
        partial(world.after, 5.0, then),
    )


def talk_past(world: World, fault: Fault) -> None:
    """Nothing is wrong: a train is talked past a signal at danger, in behind another that stands there."""

    def stand(section: str) -> None:
        wait = world.minutes(fault, 12, 20)
        world.railway.hold(section, world.agenda.now + seconds(wait))
        talk(section)

    def talk(section: str) -> None:
        if world.railway.talk_in(section):
            wait = world.random.uniform(240, 400)
            world.railway.hold(section, world.agenda.now + seconds(wait))
        elif world.railway.stands_whole(section):
            world.after(10.0, partial(talk, section))

    _held(world, fault, world.railway.stands_whole, stand)


def part(world: World, fault: Fault) -> None:
    """A train divides: its front goes on, its rear stays for a while and follows."""

    def divide(section: str) -> None:
        world.railway.part(section, world.minutes(fault, 8, 20))
        world.railway.hold(section, world.agenda.now + 20 * SECOND)

    _held(world, fault, world.railway.may_part, divide)


def part_and_join(world: World, fault: Fault) -> None:
    """Nothing is wrong: a train divides, its front draws forward one section, and its rear comes up and is coupled again."""

    def divide(section: str) -> None:
        train = world.railway.holder[section]
        onward = train.way.places[train.at + 1]
        if onward is None:
            world.railway.hold(section, world.agenda.now)
            return
        world.railway.hold(onward, world.agenda.now + HOUR)
        world.railway.part(section, world.random.uniform(120, 240))
        world.railway.hold(section, world.agenda.now + 20 * SECOND)
        world.after(30.0, partial(join, onward))

    def join(section: str) -> None:
        if world.agenda.now >= world.railway.holds.get(section, 0):
            return
        world.railway.talk_in(section, 2.0)
        if world.railway.couple(section):
            world.railway.hold(section, world.agenda.now + MINUTE)
        else:
            world.after(10.0, partial(join, section))

    _held(world, fault, world.railway.may_part, divide)


def disturb(world: World, fault: Fault) -> None:
    """A section is disturbed, and nobody comes."""
    world.evaluators.disturb(_section(world, fault))


def reset(world: World, fault: Fault) -> None:
    """A section is reset at once, whatever is in it."""
    kind = fault.reset or ResetKind.UNCONDITIONAL
    section = _section(world, fault)
    world.evaluators.reset(section, kind, with_train_inside=True, quick=True)


def give_back(world: World, fault: Fault) -> None:
    """Somebody comes to a section that is not clear and gives it back."""
    world.attend(_section(world, fault), fault, 60.0)


def hold(world: World, fault: Fault) -> None:
    """Nothing is wrong: a train is to stand in a section for so long."""
    until = world.agenda.now + seconds(world.minutes(fault, 2, 10))
    world.railway.hold(_section(world, fault), until)


KINDS: dict[str, Callable[[World, Fault], None]] = {
    "lightning": lightning,
    "drifting_head": drifting_head,
    "level_out": level_out,
    "level_drift": level_drift,
    "loose_head": loose_head,
    "phantom": phantom,
    "reset_followed": reset_followed,
    "reset_unfollowed": reset_unfollowed,
    "reset_inside": reset_inside,
    "lost_train": lost_train,
    "missed_train": missed_train,
    "stuck": stuck,
    "miscount": miscount,
    "one_sided": one_sided,
    "spurious": spurious,
    "lock_out": lock_out,
    "contacts": contacts,
    "not_restored": not_restored,
    "offline": offline,
    "silence": silence,
    "outage": outage,
    "gap": gap,
    "clock": clock,
    "cable": cable,
    "unit": unit,
    "evaluator": evaluator,
    "supply": supply,
    "storm": storm,
    "work": work,
    "long_stand": long_stand,
    "part": part,
    "standing": standing,
    "before_train": before_train,
    "possession": possession,
    "slow_sweep": slow_sweep,
    "restart": restart,
    "talk_past": talk_past,
    "part_and_join": part_and_join,
    "disturb": disturb,
    "reset": reset,
    "give_back": give_back,
    "hold": hold,
}
"""Every way, by its name."""

_OFTEN = (
    ("reset_followed", 5),
    ("phantom", 3),
    ("loose_head", 2),
    ("reset_unfollowed", 2),
    ("not_restored", 2),
    ("contacts", 2),
    ("gap", 2),
    ("offline", 2),
    ("silence", 2),
    ("drifting_head", 1),
    ("level_out", 1),
    ("level_drift", 1),
    ("reset_inside", 1),
    ("lost_train", 2),
    ("missed_train", 2),
    ("stuck", 2),
    ("miscount", 2),
    ("one_sided", 1),
    ("spurious", 3),
    ("lock_out", 1),
    ("lightning", 1),
    ("cable", 1),
    ("unit", 1),
    ("evaluator", 1),
    ("supply", 1),
    ("storm", 1),
    ("clock", 1),
    ("work", 2),
    ("long_stand", 1),
    ("standing", 1),
    ("before_train", 1),
    ("part", 1),
    ("possession", 1),
    ("slow_sweep", 1),
    ("restart", 2),
    ("talk_past", 2),
    ("part_and_join", 1),
)
"""How often one comes beside the others."""


def drawn(
    line: Line,
    random: Random,
    begin: Moment,
    end: Moment,
    *,
    every: tuple[float, float] = (90.0, 360.0),
    among: Collection[str] = (),
) -> Iterator[Fault]:
    """Faults as they come: one every so many minutes of a line of 24 sections, more often on a longer one; only those *among* some kinds, where any are named."""
    often = [one for one in _OFTEN if not among or one[0] in among]
    names = [name for name, _ in often]
    weights = [weight for _, weight in often]
    cables = any(head.cable for head in line.heads.values())
    share = max(1.0, len(line.sections) / 24)
    moment = begin
    while True:
        pause = random.uniform(*every) / share
        moment += round(pause * MINUTE)
        if moment >= end:
            return
        kind = random.choices(names, weights)[0]
        if kind == "cable" and not cables:
            continue
        yield Fault(kind=kind, at=moment - moment % SECOND)
