"""Days of ordinary running in which everything happens that must raise nothing, at each richness of feed.

`LIST` has every line of what must raise nothing, what the simulator does for it, and how the recording shows that it did.
A whole month of it, at as many seeds as one likes, is `python -m tests.bench.months --quiet`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor.core.alerts import Alert
from monitor.core.engine import Engine
from monitor.core.events import (
    AnyEvent,
    GatewayStatus,
    SectionReset,
    SectionState,
    SectionWork,
    State,
    Step,
)
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, Moment
from replay.simulator import scenarios
from replay.simulator.railway import Visit

pytestmark = pytest.mark.days

ROOT = Path(__file__).parents[2]
LINE = read_line((ROOT / "deploy/example/line.toml").read_text())
RICHNESS = ("basic", "tallies", "full")
DAYS = 2
SEEDS = {"basic": 1, "tallies": 2, "full": 3}


@dataclass(frozen=True, slots=True)
class Quiet:
    """Some quiet days.

    Args:
        events: in order of arrival.
        visits: of trains to sections.
        truth: what was wrong.
        states: of each section, in order of time.
        work: from when to when each section was under work.
    """

    events: list[AnyEvent]
    visits: list[Visit]
    truth: list[dict[str, Any]]
    states: dict[str, list[tuple[Moment, State]]]
    work: dict[str, list[tuple[Moment, Moment]]]

    def state(self, section, moment):
        """What *section* showed at *moment*, or None."""
        return max(
            (one for one in self.states[section] if one[0] <= moment),
            default=(0, None),
            key=lambda one: one[0],
        )[1]

    def under_work(self, section, moment):
        """Whether *section* was under work at *moment*."""
        return any(a <= moment < b for a, b in self.work.get(section, ()))

    def of_train(self):
        """The visits of each train, in order."""
        trains: dict[int, list[Visit]] = {}
        for one in self.visits:
            trains.setdefault(one.train, []).append(one)
        return trains

    def in_section(self):
        """The visits to each section, in order."""
        sections: dict[str, list[Visit]] = {}
        for one in self.visits:
            sections.setdefault(one.section, []).append(one)
        return sections


@cache
def quiet(richness):
    """The days at *richness*."""
    seed = SEEDS[richness]
    made = scenarios.quiet(days=DAYS, seed=seed)
    simulation = made.simulate(LINE, seed=seed, richness=richness)
    events = list(simulation.events)
    states: dict[str, list[tuple[Moment, State]]] = {one: [] for one in LINE.sections}
    work: dict[str, list[tuple[Moment, Moment]]] = {}
    for event in events:
        if isinstance(event, SectionState):
            states[event.subject].append((event.time, event.state))
        elif isinstance(event, SectionWork) and event.begun:
            work.setdefault(event.subject, []).append(
                (event.time, event.time + 3 * HOUR)
            )
        elif isinstance(event, SectionWork):
            began, _ = work[event.subject].pop()
            work[event.subject].append((began, event.time))
    return Quiet(
        events=events,
        visits=simulation.world.railway.visits,
        truth=simulation.truth,
        states=states,
        work=work,
    )


def watched(events):
    """The last line of each alert that the engine raises over *events*."""
    engine = Engine(LINE)
    last: dict[str, Alert] = {}
    for event in events:
        last.update((alert.id, alert) for alert in engine.take(event).alerts)
    last.update((alert.id, alert) for alert in engine.finish().alerts)
    return list(last.values())


def above_note(events):
    """Kind and subject of what is raised over *events* above a note."""
    return sorted(
        (one.kind, one.subject) for one in watched(events) if one.priority != "note"
    )


# How the recording shows that each happened; each gives how often.


def standing(day):
    """Trains that stood for most of an hour or longer, and no longer than is set there."""
    return sum(
        50 * MINUTE <= one.left - one.came <= normal * SECOND
        for one in day.visits
        if one.left and (normal := LINE.sections[one.section].normal_occupation_s)
    )


def followed(day):
    """Trains that came into a section within a minute of the train before leaving it, by the same way."""
    return sum(
        0 < after.came - before.left < MINUTE and after.out_of == before.out_of
        for visits in day.in_section().values()
        for before, after in pairwise(visits)
        if before.left is not None
    )


def turned_at_the_end(day):
    """Trains that came into a terminal and went out again."""
    return sum(
        len(LINE.heads_of(one.section)) == 1 and one.left is not None
        for one in day.visits
    )


def turned_in_mid_line(day):
    """Trains that left a section by where they had come from, though there was another way."""
    return sum(
        one.left is not None
        and one.out_of is not None
        and one.into == one.out_of
        and len(LINE.heads_of(one.section)) > 1
        for one in day.visits
    )


def shunted(day):
    """Trains that came in at an open head and went out there."""
    return sum(
        one.left is not None and one.out_of is None and one.into is None
        for one in day.visits
        if not one.parted
    )


def divided(day):
    """Parts of trains that stayed behind."""
    return sum(one.parted for one in day.visits)


def joined(day):
    """Trains that left a section as one with another that was not seen to be so before."""
    left = Counter((one.section, one.left) for one in day.visits if one.left)
    return sum(number > 1 for number in left.values())


def long(day):
    """Trains that were in three sections or more at once."""
    return sum(
        any(
            first.left is not None and third.came < first.left
            for first, _, third in zip(visits, visits[1:], visits[2:], strict=False)
        )
        for visits in day.of_train().values()
    )


def _through(day, state):
    return sum(
        day.state(one.section, one.came - SECOND) is state
        for one in day.visits
        if one.left is not None and not one.parted
    )


def through_disturbed(day):
    """Trains that passed through a section that was disturbed as they came."""
    return _through(day, State.DISTURBED)


def through_a_sweep(day):
    """Trains that passed through a section that awaited them to be swept."""
    return _through(day, State.AWAITING_SWEEP)


def reset(day):
    """Resets outside work, of sections in which no train was."""
    return sum(
        isinstance(event, SectionReset)
        and event.step is Step.ACCEPTED
        and not day.under_work(event.subject, event.time)
        and not any(
            one.came < event.time and (one.left is None or one.left > event.time)
            for one in day.visits
            if one.section == event.subject
        )
        for event in day.events
    )


def out_of_order(day):
    """Events that came after one with a later time, by no more than the skew."""
    latest = found = 0
    for event in day.events:
        if not event.retained:
            found += latest - 2 * SECOND <= event.time < latest
            latest = max(latest, event.time)
    return found


def twice(day):
    """Events that came again, and not as retained ones."""
    came = Counter((one.source, one.id) for one in day.events if not one.retained)
    return sum(number > 1 for number in came.values())


def retained(day):
    """Retained events that came again on a later connection."""
    came = Counter((one.source, one.id) for one in day.events if one.retained)
    return came.total()


def talked_past(day):
    """Trains that came into a section in which another stood, from behind it."""
    return sum(
        before.left is not None
        and before.came < after.came < before.left
        and after.out_of == before.out_of
        and not after.parted
        for visits in day.in_section().values()
        for before, after in pairwise(visits)
    )


def possession(day):
    """Resets and disturbances of sections under work, in which something was counted without a train."""
    return sum(
        isinstance(event, SectionReset)
        and event.step is Step.ACCEPTED
        and day.under_work(event.subject, event.time)
        for event in day.events
    )


def restarted(day):
    """Gateways that came online anew and counted from nought."""
    return sum(
        isinstance(event, GatewayStatus) and event.online and event.sequence == 0
        for event in day.events
    ) - len({one.source for one in day.events})


@dataclass(frozen=True, slots=True)
class Odd:
    """One thing that must raise nothing.

    Args:
        what: as the rule says it.
        done: what the simulator does for it.
        seen: how often a recording shows it.
        needs: the least rich feed that can tell of it.
    """

    what: str
    done: str
    seen: Callable[[Quiet], int]
    needs: str = "basic"


LIST = (
    Odd(
        "a train standing at a signal within what is set as normal",
        "`standing`: nine tenths of `normal_occupation_s`, an hour or longer",
        standing,
    ),
    Odd(
        "close following, one section apart",
        "a quarter of all trains have another wait behind them, which signals let in at once",
        followed,
    ),
    Odd(
        "a train reversing in a terminal",
        "trains go to terminals, and out again",
        turned_at_the_end,
    ),
    Odd(
        "a train reversing in mid line",
        "`turning`: one in ten goes into some section, and back",
        turned_in_mid_line,
    ),
    Odd(
        "shunting through an open head",
        "`shunting`: one in ten comes in and goes out where it came",
        shunted,
    ),
    Odd(
        "a train dividing while its front stays within one section",
        "`part_and_join`: the front draws forward one section",
        divided,
    ),
    Odd(
        "a train joining",
        "`part_and_join`: the rear comes up, and they go on as one",
        joined,
    ),
    Odd(
        "a train longer than several sections",
        "`mixed_stock`: one in twelve has 45 to 75 long wagons",
        long,
    ),
    Odd(
        "a train passing through a section that is disturbed",
        "`before_train`: disturbed with trains under way to it",
        through_disturbed,
    ),
    Odd(
        "a train passing through a section that awaits a sweep",
        "`before_train`: given back, every other day, by a preparatory reset",
        through_a_sweep,
    ),
    Odd(
        "an ordinary reset after the train has gone on",
        "`before_train`: reset when the train has left",
        reset,
    ),
    Odd(
        "events out of order or apart by up to the skew",
        "each takes up to 1.5 s, by clocks up to 0.4 s off",
        out_of_order,
    ),
    Odd("duplicates and redelivery", "one in two hundred comes again", twice),
    Odd(
        "a retained snapshot repeated after reconnecting",
        "the monitor connects anew every nine hours or so",
        retained,
    ),
    Odd(
        "a whole possession under work",
        "`possession`: three sections, each disturbed and reset again and again, and a machine",
        possession,
        "full",
    ),
    Odd(
        "a gateway that restarts its sequence on coming online",
        "`restart`: it is away for seconds",
        restarted,
        "full",
    ),
    Odd(
        "a train talked past a signal at danger",
        "`talk_past`: in behind another that stands there",
        talked_past,
    ),
)


@pytest.mark.parametrize("odd", LIST, ids=lambda odd: odd.seen.__name__)
def test_everything_that_must_raise_nothing_happens(odd):
    """Each line of what must raise nothing happens in the quiet days, whatever the richness of the feed that can tell of it."""
    for richness in RICHNESS[RICHNESS.index(odd.needs) :]:
        assert odd.seen(quiet(richness)) > 0


@pytest.mark.parametrize("richness", RICHNESS)
def test_quiet_days_raise_nothing_above_a_note(richness):
    """In days with all that must raise nothing, nothing is raised above a note but the sections that are truly disturbed for a train to pass through."""
    day = quiet(richness)
    disturbed = sorted(
        (one["kind"], one["subject"])
        for one in day.truth
        if one["kind"] == "section-disturbed"
    )

    assert disturbed
    assert above_note(day.events) == disturbed


@pytest.mark.parametrize("richness", RICHNESS)
@pytest.mark.parametrize("after", [7 * HOUR + 7 * MINUTE, 13 * HOUR + 41 * MINUTE])
def test_starting_in_the_middle_of_traffic_raises_nothing(richness, after):
    """A watch that begins in the middle of traffic raises nothing above a note that is not so."""
    day = quiet(richness)
    begin = scenarios.MIDNIGHT + after
    late = [one for one in day.events if (one.arrival or one.time) >= begin]
    so = {
        (one["kind"], one["subject"])
        for one in day.truth
        if one["kind"] == "section-disturbed"
    }

    assert len(late) > len(day.events) / 3
    assert set(above_note(late)) <= so
