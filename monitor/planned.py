"""Plans of work as they stand in the journal, and what becomes of each piece of work in them.

A plan quiets nothing: what is planned for one o'clock may be put off.
Somebody says that a piece of it has begun, in one action; from then on its sections are under work, until somebody says that it has ended.
The planned end is shown, and warned of before it comes, and never ends anything.

Three records are kept, in the hash chain like any other, with who and when; they are no events, and the engine is never told of them:

| record | says |
|---|---|
| `tallywatch.plan.imported` | a plan, with all its work; one of the same name takes the place of the one before |
| `tallywatch.plan.withdrawn` | a plan is no longer one |
| `tallywatch.plan.step` | a piece of work has begun, or has ended |

With a step go the events that the engine is told of, of the source `plan/<name>`; a piece of work keeps its step when its plan is imported again.

| a piece of work is | when |
|---|---|
| planned | nobody has said anything |
| begun | somebody said so |
| ended | somebody said so, or all of its sections were given back otherwise |
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, get_args

from monitor import kept
from monitor.core.engine import Engine
from monitor.core.events import Event, SectionWork, SourceWatch
from monitor.core.moments import MINUTE, Duration, Moment, exact, parse
from monitor.journal import Entry
from monitor.plans import Work, source_of
from monitor.refusals import Works

TYPE = "tallywatch.plan."

WARNED: Duration = 30 * MINUTE
"""How long before its planned end work is said to be due (common practice: what it takes to give back a line)."""

Step = Literal["begun", "ended"]
Stage = Literal["planned", "begun", "ended"]
Due = Literal["", "soon", "over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What every record about plans carries.

    Args:
        id: names it for ever.
        entered: when it was entered.
        by: who.
        position: at which desk.
        plan: the name of the plan.
    """

    id: str
    entered: Moment
    by: str
    position: str
    plan: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported(Record):
    """A plan was imported.

    Args:
        works: all of it.
    """

    works: tuple[Work, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn(Record):
    """A plan is no longer one; work of it that has begun goes on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stepped(Record):
    """A piece of work has begun, or has ended.

    Args:
        key: of the work.
        step: which of them.
        at: when it was so.
    """

    key: str
    step: Step
    at: Moment


AnyRecord = Imported | Withdrawn | Stepped


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A piece of work, and what became of it.

    Args:
        plan: the name of its plan.
        work: as it is planned.
        stage: what became of it.
        begun: when it began, or None.
        ended: when it ended, or None; also None where its sections were given back otherwise.
    """

    plan: str
    work: Work
    stage: Stage
    begun: Moment | None = None
    ended: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Going:
    """Work going on.

    Args:
        reference: what it is called, or "".
        source: who says so.
        sections: that are under it, in the order of the line file.
        begun: when it began.
        planned_end: when it is to end, or None.
        due_in: how long until then; below nought when that has passed.
        due: whether it is to end soon, or should have ended.
    """

    reference: str
    source: str
    sections: tuple[str, ...]
    begun: Moment
    planned_end: Moment | None
    due_in: Duration | None
    due: Due


class NoStep(Exception):
    """A step cannot be taken; the text says why, in one line."""


class Plans:
    """The plans, out of their records.

    Example:
        >>> work = Work(sections=("T1", "T2"), begin=0, end=MINUTE, reference="W7")
        >>> common = {"entered": 0, "by": "Ada", "position": "east", "plan": "week"}
        >>> plans = Plans([Imported(id="1", works=(work,), **common)])
        >>> [row.stage for row in plans.rows({})]
        ['planned']
        >>> step = Stepped(id="2", key=work.key, step="begun", at=0, **common)
        >>> events = plans.events(step, {})
        >>> [(event.source, event.subject, event.begun) for event in events]
        [('plan/week', 'T1', True), ('plan/week', 'T2', True)]
        >>> plans.take(step)
        True
    """

    def __init__(self, records: Iterable[AnyRecord] = ()) -> None:
        self._plans: dict[str, dict[str, Work]] = {}
        self._steps: dict[tuple[str, str], dict[Step, Moment]] = {}
        self._begun: dict[tuple[str, str], Work] = {}
        self._known: set[str] = set()
        for record in records:
            self.take(record)

    def take(self, record: AnyRecord) -> bool:
        """Keep what *record* says; False where it was known."""
        if record.id in self._known:
            return False
        self._known.add(record.id)
        match record:
            case Imported():
                works = {work.key: work for work in record.works}
                self._plans[record.plan] = works
                self._forget(record.plan)
            case Withdrawn():
                self._plans.pop(record.plan, None)
                self._forget(record.plan)
            case Stepped():
                place = record.plan, record.key
                self._steps.setdefault(place, {})[record.step] = record.at
                work = self._plans.get(record.plan, {}).get(record.key)
                if record.step == "begun" and work is not None:
                    self._begun[place] = work
        return True

    def _forget(self, plan: str) -> None:
        """What has ended and stands in no plan any more is history."""
        for place, steps in list(self._steps.items()):
            gone = place[0] == plan and place[1] not in self._plans.get(plan, {})
            if gone and "ended" in steps:
                del self._steps[place]
                self._begun.pop(place, None)

    @property
    def names(self) -> tuple[str, ...]:
        """Of the plans, in order."""
        return tuple(sorted(self._plans))

    def rows(self, works: Works) -> tuple[Row, ...]:
        """Every piece of work and what became of it, in order of its planned beginning; also what has begun and no longer stands in its plan.

        Args:
            works: the work going on, see `works_of`.
        """
        places = {
            (plan, key): work
            for plan, held in self._plans.items()
            for key, work in held.items()
        }
        for place, work in self._begun.items():
            if "ended" not in self._steps[place]:
                places.setdefault(place, work)
        rows = [self._row(place, work, works) for place, work in places.items()]
        return tuple(sorted(rows, key=lambda row: (row.work.begin, row.work.key)))

    def _row(self, place: tuple[str, str], work: Work, works: Works) -> Row:
        steps = self._steps.get(place, {})
        begun, ended = steps.get("begun"), steps.get("ended")
        stage: Stage = "planned"
        if ended is not None:
            stage = "ended"
        elif begun is not None:
            stage = "begun" if _under(place[0], work, works) else "ended"
        return Row(plan=place[0], work=work, stage=stage, begun=begun, ended=ended)

    def events(self, step: Stepped, works: Works) -> tuple[SectionWork, ...]:
        """What the engine is to be told for *step*, before it is taken; see `refusals` for what may be wrong with that.

        Args:
            step: that somebody has entered.
            works: the work going on, see `works_of`.

        Raises:
            NoStep: there is no such work, or it has taken that step.
        """
        place = step.plan, step.key
        work = self._plans.get(step.plan, {}).get(step.key) or self._begun.get(place)
        if work is None:
            raise NoStep(f"the plan {step.plan} has no such work")
        row = self._row(place, work, works)
        if step.step == "begun":
            if row.stage != "planned":
                raise NoStep(f"{_called(work)} has {row.stage} already")
            return tuple(_event(step, work, section) for section in work.sections)
        if row.stage != "begun":
            told = "has ended already" if row.stage == "ended" else "has not begun"
            raise NoStep(f"{_called(work)} {told}")
        left = _under(step.plan, work, works)
        return tuple(_event(step, work, section) for section in left)


def reference_of(work: Work) -> str:
    """What the engine is told that *work* is called: where the plan gives no name, its key, so that its end ends nothing else."""
    return work.reference or f"plan {work.key}"


def _called(work: Work) -> str:
    return work.reference or work.row or work.key


def _event(step: Stepped, work: Work, section: str) -> SectionWork:
    return SectionWork(
        # Of the work rather than of the step: two who say the same say it once.
        id=f"{work.key}/{section}/{step.step}",
        source=source_of(step.plan),
        subject=section,
        time=step.at,
        arrival=step.entered,
        begun=step.step == "begun",
        reference=reference_of(work),
        planned_end=work.end,
    )


def _under(plan: str, work: Work, works: Works) -> tuple[str, ...]:
    """The sections of *work* that are still under it."""
    name, source = reference_of(work), source_of(plan)
    return tuple(
        section
        for section in work.sections
        if any(
            one.reference == name and one.source == source
            for one in works.get(section, ())
        )
    )


def going(works: Works, now: Moment, warned: Duration = WARNED) -> tuple[Going, ...]:
    """The work going on, whoever said so, what is to end first before what is not known to end; several sections of one work are one.

    Args:
        works: see `works_of`.
        now: from when its planned end is looked at.
        warned: how long before that it is due.
    """
    same: dict[tuple[str, str, Moment, Moment | None], list[str]] = {}
    for section, events in works.items():
        for event in events:
            key = event.source, event.reference or "", event.time, event.planned_end
            same.setdefault(key, []).append(section)
    found = [
        Going(
            reference=reference,
            source=source,
            sections=tuple(sections),
            begun=begun,
            planned_end=end,
            due_in=None if end is None else end - now,
            due=_due(end, now, warned),
        )
        for (source, reference, begun, end), sections in same.items()
    ]
    return tuple(
        sorted(
            found,
            key=lambda one: (
                one.planned_end is None,
                one.planned_end or one.begun,
                one.sections,
            ),
        )
    )


def _due(end: Moment | None, now: Moment, warned: Duration) -> Due:
    if end is None or now < end - warned:
        return ""
    return "soon" if now < end else "over"


# As the engine has it.


def works_of(engine: Engine) -> dict[str, tuple[SectionWork, ...]]:
    """The work going on, by section, with what has come and waits to be concluded from: somebody who has just said that work began may ask about it at once."""
    works = {
        name: {one.reference or "": one for one in section.work.values()}
        for name, section in engine.occupancy.sections.items()
    }
    waiting = [
        event
        for event in engine.ordering.waiting()
        if isinstance(event, SectionWork) and event.subject in works
    ]
    for event in sorted(waiting, key=_placed):
        going, reference = works[event.subject], event.reference or ""
        if event.begun:
            going[reference] = event
        elif reference in going and reference:
            del going[reference]
        else:
            going.clear()
    return {name: tuple(going.values()) for name, going in works.items() if going}


def sources_of(engine: Engine) -> dict[str, bool]:
    """The sources that were heard of; True: taken out of watch; also by what waits to be concluded from."""
    sources = {name: heard.out for name, heard in engine.hearing.sources.items()}
    waiting = [one for one in engine.ordering.waiting() if isinstance(one, SourceWatch)]
    for event in sorted(waiting, key=_placed):
        sources[event.subject] = event.out
    return sources


def _placed(event: Event) -> tuple[Moment, str]:
    """Where people's entries are placed: when they came."""
    return max(event.time, event.arrival or event.time), event.id


# In the journal.


def entry(record: AnyRecord) -> Entry:
    """*record* as something to be journaled: once `Journal.append` has returned, it is on disk."""
    return kept.entry(write_record(record), record.entered)


def records(payloads: Iterable[bytes]) -> Iterator[AnyRecord]:
    """The records about plans among the *payloads* that a journal has kept, oldest first.

    Raises:
        ValueError: one is not as it was written.
    """
    for payload in payloads:
        record = read_record(payload)
        if record is not None:
            yield record


def write_record(record: AnyRecord) -> bytes:
    """*record* as a line of JSON; `read_record` gives it back."""
    at = record.entered
    data: dict[str, Any] = {"plan": record.plan, "by": record.by}
    what = "withdrawn"
    match record:
        case Imported():
            what = "imported"
            data["works"] = [_written(work) for work in record.works]
        case Stepped():
            what, at = "step", record.at
            data |= {"key": record.key, "step": record.step}
    return kept.write(
        f"{TYPE}{what}",
        data,
        identity=record.id,
        position=record.position,
        at=at,
        entered=record.entered,
    )


def read_record(payload: bytes) -> AnyRecord | None:
    """The record about a plan in *payload*, or None where it is something else.

    Raises:
        ValueError: it is one, and not as `write_record` writes it.
    """
    told = kept.read(payload, TYPE)
    if told is None:
        return None
    try:
        return _READ[told["type"].removeprefix(TYPE)](told)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"a plan in the journal is not whole: {error!r}") from None


def _common(told: Mapping[str, Any]) -> dict[str, Any]:
    data = told["data"]
    return {
        "id": told["id"],
        "entered": parse(told["recordedtime"]),
        "by": data["by"],
        "position": kept.position(told),
        "plan": data["plan"],
    }


def _imported(told: Mapping[str, Any]) -> Imported:
    return Imported(works=tuple(map(_work, told["data"]["works"])), **_common(told))


def _withdrawn(told: Mapping[str, Any]) -> Withdrawn:
    return Withdrawn(**_common(told))


def _stepped(told: Mapping[str, Any]) -> Stepped:
    data = told["data"]
    if data["step"] not in get_args(Step):
        raise ValueError(f"there is no step {data['step']!r}")
    return Stepped(
        key=data["key"], step=data["step"], at=parse(told["time"]), **_common(told)
    )


_READ: dict[str, Callable[[Mapping[str, Any]], AnyRecord]] = {
    "imported": _imported,
    "withdrawn": _withdrawn,
    "step": _stepped,
}


def _written(work: Work) -> dict[str, Any]:
    told = {name: value for name, value in asdict(work).items() if value}
    times = {"begin": exact(work.begin), "end": exact(work.end)}
    return told | times | {"sections": list(work.sections)}


def _work(told: Mapping[str, Any]) -> Work:
    sections: Sequence[str] = told["sections"]
    return Work(
        sections=tuple(sections),
        begin=parse(told["begin"]),
        end=parse(told["end"]),
        **{name: str(told.get(name, "")) for name in ("reference", "text", "row")},
    )
