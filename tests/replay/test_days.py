"""The engine against days whose truth is known: the simulator works it out from true train positions, and shares no code with what draws conclusions."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.core.alerts import Alert, line
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import SECOND, parse
from replay import scoring
from replay.simulator import scenarios

pytestmark = pytest.mark.days

ROOT = Path(__file__).parents[2]
LINE = read_line((ROOT / "deploy/example/line.toml").read_text())


def watched(simulation):
    """The last line of each alert that the engine raises."""
    engine = Engine(LINE)
    last: dict[str, Alert] = {}
    for event in simulation.events:
        last.update((alert.id, alert) for alert in engine.take(event).alerts)
    last.update((alert.id, alert) for alert in engine.finish().alerts)
    return list(last.values())


def scored(simulation, *, richness="full"):
    """What the engine raises, held against what was so."""
    alerts = scoring.read_alerts(map(line, watched(simulation)))
    truth = scoring.read_truth(map(json.dumps, simulation.truth))
    beside = {one: LINE.neighbours(one) for one in LINE.sections}
    return scoring.score(alerts, truth, richness=richness, beside=beside)


@pytest.mark.parametrize("name", scenarios.DAYS)
def test_what_went_wrong_is_found_and_nothing_else(name):
    """Each named day gives the alerts of its truth, kind by kind and place by place; a quiet day gives none."""
    simulation = scenarios.day(name).simulate(LINE, seed=1)
    scores = scored(simulation)

    assert [(one.kind, one.subject) for one in scores.missed] == []
    assert [(one.kind, one.subject) for one in scores.false] == []


def test_a_clock_an_hour_off_moves_only_its_own_source():
    """A clock that jumps by an hour, and back, is one alert about that source and none about anybody's sections."""
    for seed in (2, 3):
        alerts = watched(scenarios.day("clock").simulate(LINE, seed=seed))

        assert [alert.kind for alert in alerts] == ["clock-wrong"]
        assert alerts[0].ended is not None


def test_alerts_are_raised_when_they_could_be_known():
    """Each alert is raised at the moment from which the truth could be known, within the skew and the spread of clocks."""
    simulation = scenarios.day("loose_head").simulate(LINE, seed=1)
    alerts = watched(simulation)
    for one in simulation.truth:
        began = parse(one["began"])
        known = None if one["known"] is None else parse(one["known"])
        # Truth goes by true time, alerts by the clocks of the evaluators.
        same = [
            alert.raised
            for alert in alerts
            if (alert.kind, alert.subject) == (one["kind"], one["subject"])
            and abs(alert.began - began) <= 3 * SECOND
        ]
        if known is not None:
            assert len(same) == 1
            assert -2 * SECOND <= same[0] - known <= 3 * SECOND
