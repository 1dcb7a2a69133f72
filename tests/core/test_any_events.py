"""Whatever a feed and people say, in whatever order, the engine takes it: a start folds the journal, and what ends one fold ends every one."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import example, given, settings, strategies as st

from monitor.core.engine import Engine
from monitor.core.events import (
    AnyEvent,
    Direction,
    EvaluatorState,
    GatewayStatus,
    HeadPassage,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    Service,
    State,
    Step,
)
from monitor.core.layout import Line, read_line
from monitor.core.moments import HOUR, SECOND, Moment, parse

pytestmark = pytest.mark.days

SIMULATOR = Path(str(files("replay.simulator")))
LINES = [SIMULATOR / "line.toml", *sorted((SIMULATOR / "lines").glob("*.toml"))]
SIX = parse("2026-05-04T06:00:00Z")
STATES = [*State, State.CLEAR, State.OCCUPIED, State.OCCUPIED]
PAUSES_S = (0.05, 0.3, 1, 3, 10, 60, 400)
KINDS = ("state",) * 16 + ("reset", "work", "evaluator", "gateway", "passage")


def drawn(
    line: Line, section: str, number: int, at: Moment, random: Random
) -> AnyEvent:
    """Some event about *section*, or about what it needs."""
    evaluator = line.sections[section].evaluator
    gateway = line.evaluators[evaluator].gateway or "G"
    common: dict[str, Any] = {
        "id": str(number),
        "source": f"gw/{gateway}",
        "time": at - int(random.random() * SECOND),
        "arrival": at,
    }
    match random.choice(KINDS):
        case "reset":
            source = random.choice([common["source"], "desk/1"])
            return SectionReset(
                subject=section,
                kind=random.choice(list(ResetKind)),
                step=random.choice(list(Step)),
                by=None,
                **{**common, "source": source},
            )
        case "work":
            return SectionWork(
                subject=section,
                begun=random.random() < 0.5,
                reference=random.choice(["W1", "W2", None]),
                **common,
            )
        case "evaluator":
            state = random.choice(list(Service))
            return EvaluatorState(subject=evaluator, state=state, **common)
        case "gateway":
            online = random.random() < 0.6
            return GatewayStatus(subject=gateway, online=online, **common)
        case "passage":
            return HeadPassage(
                subject=random.choice(line.heads_of(section)),
                direction=random.choice(list(Direction)),
                axles=random.choice([1, 16, 40]),
                **common,
            )
    return SectionState(
        subject=section,
        state=random.choice(STATES),
        axles=random.choice([None, 0, 0, 1, -1, 16, 40]),
        retained=random.random() < 0.03,
        **common,
    )


@given(seed=st.integers(0, 10**6))
@example(seed=32)
@settings(deadline=None)
def test_whatever_comes_is_taken(seed):
    """A few sections of a line, a hundred events; and every section can be explained after it."""
    random = Random(seed)
    path = random.choice(LINES)
    line = read_line(path.read_text(), path.name)
    near = random.sample(list(line.sections), random.choice([4, 6, 12]))
    engine, at = Engine(line), SIX
    for number in range(random.choice([40, 100, 200])):
        at += int(random.choice(PAUSES_S) * SECOND * random.random())
        engine.take(drawn(line, random.choice(near), number, at, random))
    engine.finish(at + HOUR)

    assert all(engine.explain(section) for section in near)
