"""A possession: sections under work, and machines that are put on the track there, moved about, and taken off again.

A machine is counted where it passes a head, and nowhere else: put on the track within a section, it is in none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from monitor.core.events import ResetKind
from monitor.core.moments import HOUR, Moment, seconds

if TYPE_CHECKING:
    from replay.simulator.faults import Fault, World

AXLES = 4
APART_S = 0.8
"""From one axle of a machine to the next, at walking pace."""


def possession(world: World, fault: Fault) -> None:
    """Three sections under work at once: resets, disturbances, and a machine that moves in them, out of them and back."""
    chain = _chain(world, fault.subject)
    if not world.feed.full or len(chain) < 4:
        return  # where work is not told, nobody could know of it
    stay = world.minutes(fault, 80, 150)
    around = {*chain, *(y for x in chain for y in world.line.neighbours(x))}
    latest = world.agenda.now + 3 * HOUR

    def close(until: Moment) -> None:
        for one in chain:
            world.railway.close(one, until)

    def ready() -> bool:
        if world.agenda.now > latest:
            return True
        close(world.agenda.now + HOUR // 2)
        clear = all(world.evaluators.proves_clear(x) for x in around)
        return clear and not any(world.railway.expected(one) for one in chain)

    def begin() -> None:
        if world.agenda.now > latest:
            return
        close(world.agenda.now + seconds(stay))
        reference = f"P{world.random.randint(100, 999)}"
        for one in chain[1:]:
            world.feed.work(one, begun=True, reference=reference)
        _work_on(world, chain, stay, reference)

    world.when(ready, begin)


def _work_on(world: World, chain: Sequence[str], stay: float, reference: str) -> None:
    outside, near, middle, far = chain[:4]
    moves = (
        (0.10, middle, near),
        (0.20, near, outside),
        (0.30, outside, near),
        (0.40, near, middle),
        (0.50, middle, far),
        (0.60, far, middle),
    )
    for part, one, other in moves:
        world.after(part * stay, partial(move, world, one, other))
    for part in (0.15, 0.45, 0.65):
        for one in (near, middle, far):
            wait = part * stay + world.random.uniform(0, 20)
            world.after(wait, partial(world.evaluators.disturb, one))
    for part in (0.18, 0.48, 0.7, 0.9):
        for one in (near, middle, far):
            again = partial(
                world.evaluators.reset,
                one,
                ResetKind.UNCONDITIONAL,
                with_train_inside=True,
                quick=True,
            )
            world.after(part * stay + world.random.uniform(0, 20), again)
    for one in (near, middle, far):
        end = partial(world.feed.work, one, begun=False, reference=reference)
        world.after(stay, end)


def move(world: World, out_of: str, into: str) -> None:
    """Move a machine over the head between two sections."""
    head = world.line.heads_between(out_of, into)[0]
    first = world.agenda.now
    for place in range(AXLES):
        world.after(APART_S * place, partial(world.evaluators.axle, head, out_of, into))

    def passed() -> None:
        world.evaluators.passage(
            head,
            train=-first,
            forward=world.line.heads[head].between[0] == out_of,
            axles=AXLES,
            first=first,
            last=world.agenda.now,
        )

    world.after(APART_S * (AXLES - 1), passed)


def _chain(world: World, subject: str) -> list[str]:
    """Four sections in a row, the first outside; none with an open end but perhaps the first.

    They are those that most trains go through, so that one comes through soon after the work.
    """
    line = world.line
    came = Counter(section for _, section in world.railway.entries)
    most = max(came.values(), default=0)
    often = [one for one in line.sections if came[one] >= 0.7 * most]
    for one in [subject] if subject else world.random.sample(often, len(often)):
        chain = [one]
        while len(chain) < 4:
            onward = [x for x in line.neighbours(chain[-1]) if x not in chain]
            onward = [x for x in onward if not line.is_open(x) and x in often]
            if not onward:
                break
            chain.append(max(onward, key=lambda x: came[x]))
        if len(chain) == 4:
            return chain
    return []
