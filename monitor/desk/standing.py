"""What stands open before the first train: everything that this feed, and people, say is not as usual, section by section.

That nothing is told of a section says only that nothing was seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from monitor.core.engine import Engine
from monitor.core.events import Service, State
from monitor.core.moments import Moment, stamp
from monitor.core.words import STATES
from monitor.desk.model import StandingOut
from monitor.handling import Act, Handling

HEADING = "What this feed shows as open. It does not show that a line is ready."

NO_TRAIN_SEEN = "occupied-no-train"


def standing(
    engine: Engine,
    handling: Handling,
    sections: Iterable[str],
    subjects: Iterable[str],
    now: Moment,
) -> list[StandingOut]:
    """Everything that stands open.

    Args:
        engine: what is concluded.
        handling: what people did.
        sections: of which it is asked, in the order in which it is told.
        subjects: about which what is shelved or switched off is told.
        now: when.
    """
    chosen = list(sections)
    found = [one for name in chosen for one in _of_section(engine, name)]
    lines = engine.line.sections
    for evaluator in dict.fromkeys(lines[name].evaluator for name in chosen):
        found += _of_evaluator(engine, evaluator)
    about = set(subjects)
    kept = [("shelved", act) for act in handling.shelved(now)]
    kept += [("switched off", act) for act in handling.switched_off()]
    return found + [_silenced(what, act) for what, act in kept if act.subject in about]


def _of_section(engine: Engine, name: str) -> Iterator[StandingOut]:
    subject = f"section/{name}"
    settled = engine.occupancy.sections[name]
    state = settled.state
    if settled.reasons:
        why = ", ".join(sorted(settled.reasons))
        yield _item(subject, "not known", settled.since, why)
    if state not in (None, State.CLEAR, State.OCCUPIED):
        yield _item(subject, STATES[state.value], settled.so_since)
    if state is State.CLEAR and settled.interlocking is State.OCCUPIED:
        text = "the evaluator shows clear, the interlocking occupied"
        yield _item(subject, "restoration open", None, text)
    for alert in engine.alerts.about(NO_TRAIN_SEEN, subject):
        yield _item(subject, "occupied, no train seen", alert.began, alert.summary)
    waiting = engine.chronicle.waiting.get(name)
    if waiting is not None:
        yield _item(subject, "reset, no train since", waiting.began)
    for event in settled.work.values():
        ends = event.planned_end
        text = "" if ends is None else f"planned end {stamp(ends)}"
        what = f"work {event.reference}" if event.reference else "work"
        yield _item(subject, what, event.time, text)


def _of_evaluator(engine: Engine, name: str) -> Iterator[StandingOut]:
    fact = engine.chronicle.service.get(name)
    if fact is None:
        return
    state = Service(fact.values["state"])
    if state is not Service.IN_SERVICE:
        words = state.value.replace("_", " ")
        yield _item(f"evaluator/{name}", words, fact.began)


def _silenced(what: str, act: Act) -> StandingOut:
    until = "" if act.until is None else f" until {stamp(act.until)}"
    return _item(
        act.subject, what, act.at, f"{act.kind}{until}, by {act.by}: {act.text}"
    )


def _item(subject: str, what: str, since: Moment | None, text: str = "") -> StandingOut:
    return StandingOut(
        subject=subject,
        what=what,
        since=None if since is None else stamp(since),
        text=text,
    )
