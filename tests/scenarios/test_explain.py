"""Why nothing was said: what `explain` has to tell of days beside this file, each read by hand off its table."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.core.detectors import CATALOGUE
from monitor.core.engine import Engine
from monitor.core.moments import parse
from replay.player import replay, up_to

HERE = Path(__file__).parent


def _load_tables() -> Any:
    # Test files are found by path, so what stands beside one is too.
    if "tables" in sys.modules:
        return sys.modules["tables"]
    spec = importlib.util.spec_from_file_location("tables", HERE / "tables.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["tables"] = module
    spec.loader.exec_module(module)
    return module


tables = _load_tables()
DAYS = tables.Days(HERE)


def explained(name, section, kind, at=None):
    """What is told of *section* and *kind* at *at* of a day, or at its end."""
    day = DAYS[name]
    until = day.until if at is None else parse(f"{day.first}T{at}Z")
    engine = Engine(day.line)
    for _ in replay(engine, up_to(day.events, until), until=until):
        pass
    return engine.explain(section, kind)


@pytest.mark.parametrize(
    ("name", "section", "kind", "at", "told"),
    [
        # The gateway of T104 had been silent since 06:13:50 when T103 cleared.
        (
            "nothing-vanished-but-silent",
            "T103",
            "vanished-train",
            None,
            "no train is called unaccounted for: a neighbour was not known",
        ),
        (
            "nothing-vanished-beside-work",
            "T103",
            "vanished-train",
            "06:20:00",
            "exit is explained: T104 was not clear or not known",
        ),
        # T104 had come with the train, and the numbers of its source show that.
        (
            "nothing-lost-on-the-way",
            "T103",
            "vanished-train",
            None,
            "its exit is explained: a neighbour was not known then",
        ),
        (
            "nothing-shunting-at-an-open-end",
            "T101",
            "vanished-train",
            None,
            "T101 has a head with no detection beyond",
        ),
        (
            "nothing-through-failed-sections",
            "T103",
            "vanished-train",
            None,
            "no train is called unaccounted for: that train may have been elsewhere",
        ),
        (
            "spurious-occupation",
            "T103",
            "vanished-train",
            None,
            "what was in it was not seen to come in as a train does",
        ),
        # Thirty seconds after T104 between has cleared, of the sixty of linger_s.
        (
            "occupied-no-train-went-on",
            "T103",
            "occupied-no-train",
            "06:14:40",
            "30 s of 1 min have gone by",
        ),
        # Occupied out of nothing at 06:30:00; T105 is entered at 06:31:00.
        (
            "unseen-train",
            "T103",
            "unseen-train",
            "06:30:30",
            (
                "no further neighbour was entered that it alone explains; "
                "T104 has not cleared behind it"
            ),
        ),
        (
            "nothing-unseen-out-of-a-gap",
            "T103",
            "unseen-train",
            None,
            (
                "What appeared in T104 at 06:12:30 is not called a train "
                "that came out unseen: T103 was not known"
            ),
        ),
        (
            "nothing-unseen-but-disturbed",
            "T103",
            "unseen-train",
            None,
            (
                "T104 was occupied or not clear last from 06:10:00 to 06:11:40: "
                "not only as occupied; its entry is not explained"
            ),
        ),
        (
            "count-mismatch-left-over",
            "T103",
            "count-mismatch",
            "06:14:40",
            "axles left after the train went on: 1 over in T103; raised in 30 s",
        ),
        (
            "count-mismatch-left-over",
            "T103",
            "count-mismatch",
            "06:14:40",
            "The heads of T103 counted no train otherwise than the other heads",
        ),
        (
            "occupied-no-train-went-on",
            "T103",
            "count-mismatch",
            "06:20:00",
            "without a tally nobody can tell a miscount",
        ),
        # T102 failed at 06:10:00, T103 at 06:10:04; T104, the third, fails at 06:10:05.
        (
            "common-cause-cable",
            "T103",
            "common-cause",
            "06:10:04.500",
            (
                "2 of the 6 sections that need it failed within 1 min and are of no group: "
                "T102 and T103"
            ),
        ),
        (
            "nothing-possession",
            "T103",
            "section-disturbed",
            "22:40:00",
            "T103 is under work: nothing is raised about it",
        ),
    ],
)
def test_it_says_what_held_it_back(name, section, kind, at, told):
    """The condition that was not met is said, with the section or the time it hangs on."""
    said = explained(name, section, kind, at)

    assert any(told in text for text in said), said


@pytest.mark.parametrize("detector", CATALOGUE, ids=lambda one: one.kind)
def test_it_says_when_each_kind_is_raised(detector):
    """For each kind the rule is told with its numbers, and with those that are set."""
    said = explained("nothing-close-following", "T103", detector.kind)

    assert said[-1] == f"{detector.kind}: {detector.rule()}"
    assert detector.rule().startswith("Raised ")
    assert detector.rule().endswith(".")
