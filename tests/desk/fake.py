"""A monitor that is none: what the API needs of one, in memory, with one fault on one line."""
# ruff: noqa: D102 - the door says what each is

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

from monitor.core.moments import DAY, Moment, stamp
from monitor.desk import model
from monitor.desk.model import AnyAct, AnyEntry, Asked, Done, NotThere, Refused, Who
from monitor.desk.windows import Made, Window

ALERT = "7b9effd83caf5b4f"
BEGAN = "2026-05-04T06:12:03.412Z"
RAISED = "2026-05-04T06:14:03.412Z"
HOSTILE = "<script>alert(1)</script>\"'&\u2028 $(reboot) {{7*7}}"
"""What somebody may write who wants it to run in a page, a shell, or a template."""

STATE = model.StateOut(
    ActiveState=True,
    AckedState=False,
    LatchedState=False,
    SuppressedState=False,
    OutOfServiceState=False,
    ShelvingState="Unshelved",
    words="not seen",
)

RECORD = {
    "id": ALERT,
    "kind": "occupied-no-train",
    "subject": "section/T107",
    "priority": "prompt",
    "began": BEGAN,
    "raised": RAISED,
    "ended": None,
    "summary": "T107 occupied for 2 min; no train was seen to enter it",
}

FAULT = model.FaultOut(
    id=ALERT,
    number="XLLM",
    headline="T107 occupied, no train seen to enter",
    priority="prompt",
    subject="section/T107",
    began=BEGAN,
    raised=RAISED,
    ended=None,
    alerts=[ALERT],
    open=[ALERT],
    lasting=[],
    subjects=["section/T107"],
    waiting=[],
    took=[],
    into=None,
    into_number=None,
    calls=1,
    is_open=True,
    seen=False,
    going=[],
    on_site=[],
    standing=0,
    concerned=["section/T107"],
    notes=[],
)

SECTION: dict[str, Any] = {
    "id": "T107",
    "area": "thornmere",
    "evaluator": "EV1",
    "track": "down",
    "length_m": 820.0,
    "heads": ["H107"],
    "neighbours": ["T106"],
    "shown": "occupied",
    "shown_at": BEGAN,
    "settled": "occupied",
    "since": BEGAN,
    "known": True,
    "not_known": "",
    "not_known_since": None,
    "axles": 4,
    "interlocking": None,
    "under_work": False,
    "work": [],
    "faults": [ALERT],
}


@dataclass
class Fake:
    """Answers as a monitor would, and remembers who asked for what to be done.

    Args:
        acts: what was done, and by whom.
        keepings: which windows are to be kept, and who says so.
        visiting: what was entered about visits, and by whom.
        shows: what pages have shown, and to whom.
        entries: what was entered, and by whom.
        drills: what was asked for, and by whom.
        windows: of the journal that were asked for.
        why: it is not ready.
        fails: a call of this name raises something nobody foresaw.
    """

    keepings: list[tuple[Who, model.KeepIn]] = field(default_factory=list)
    visiting: list[tuple[Who, model.AnyVisit]] = field(default_factory=list)
    shows: list[tuple[Who, model.ShownIn]] = field(default_factory=list)
    acts: list[tuple[Who, AnyAct]] = field(default_factory=list)
    entries: list[tuple[Who, AnyEntry]] = field(default_factory=list)
    drills: list[tuple[Who, model.DrillIn]] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    why: list[str] = field(default_factory=list)
    fails: str = ""
    notes: list[model.NoteOut] = field(default_factory=list)
    windows: list[Window] = field(default_factory=list)
    told: Callable[[str, Any], None] = lambda _kind, _values: None

    def unready(self) -> list[str]:
        return self.why

    async def status(self) -> model.StatusOut:
        if self.fails == "status":
            raise RuntimeError("a mistake of ours, with a secret in it")
        return model.StatusOut(
            line="Varnholt - Ostrel line",
            timezone="UTC",
            monitor="monitor-1",
            version="0",
            now=RAISED,
            heard=RAISED,
            silent_s=0.3,
            watermark=RAISED,
            connected=True,
            rehearsal=False,
            trial=False,
            wrong=[],
            sections=1,
            not_known=0,
            moved=RAISED,
            trains=3,
            usual=[2, 5],
            caution="Nothing here proves a section empty.",
        )

    async def faults(self, *, is_open: bool | None) -> list[model.FaultOut]:
        return [await self.fault("XLLM")] if is_open in (None, True) else []

    async def fault(self, name: str) -> model.FaultOut:
        if name not in (ALERT, "XLLM"):
            raise NotThere(f"there is no fault {name}")
        return FAULT.model_copy(update={"notes": list(self.notes)})

    async def alerts(self, asked: Asked) -> model.AlertsOut:
        self.asked.append(asked)
        one = model.AlertOut(record=RECORD, fault=ALERT, state=STATE)
        return model.AlertsOut(alerts=[one], more=None)

    async def alert(self, name: str) -> model.AlertFullOut:
        if name != ALERT:
            raise NotThere(f"there is no alert {name}")
        return model.AlertFullOut(
            record=RECORD, fault=ALERT, state=STATE, lines=[RECORD]
        )

    async def would_have_hidden(self, kind: str, subject: str) -> model.HiddenOut:
        one = model.AlertOut(record=RECORD, fault=ALERT, state=STATE)
        hidden = [one] if kind == RECORD["kind"] else []
        return model.HiddenOut(kind=kind, subject=subject, alerts=hidden)

    async def sections(self, area: str | None) -> list[model.SectionOut]:
        if area not in (None, "thornmere"):
            raise NotThere(f"there is no area {area}")
        return [model.SectionOut(**SECTION)]

    async def some_sections(self, names: Collection[str]) -> list[model.SectionOut]:
        return [one for one in await self.sections(None) if one.id in names]

    async def section(self, name: str, hours: int) -> model.SectionFullOut:
        if name != "T107":
            raise NotThere(f"there is no section {name}")
        fact = model.FactOut(kind="occupation", began=BEGAN, ended=None, values={})
        facts = [fact] if hours else []
        return model.SectionFullOut(**SECTION, facts=facts, explained=[])

    async def days(self, name: str, days: int) -> list[model.DayOut]:
        await self.section(name, 0)
        return [model.DayOut(day="2026-05-04", disturbances=1, not_known=0.5)] * days

    async def head_live(self, name: str, since: Moment | None) -> model.HeadLiveOut:
        await self.head(name)
        return model.HeadLiveOut(
            id="H107",
            between=["T106", "T107"],
            now=RAISED,
            heard=BEGAN,
            since=None if since is None else stamp(since),
            forward=8,
            reverse=0,
            undirected=0,
            passages=[
                model.PassageOut(
                    at=BEGAN, direction="forward", axles=8, a=8, b=8, seconds=4.0
                )
            ],
            levels=[
                model.LevelOut(
                    name="a_volts", what="level of sensor A", value="3.4 V", at=BEGAN
                )
            ],
            under_work=[],
        )

    async def heads(self) -> list[model.HeadOut]:
        return [await self.head("H107")]

    async def head(self, name: str) -> model.HeadOut:
        if name != "H107":
            raise NotThere(f"there is no head {name}")
        return model.HeadOut(
            id="H107",
            between=["T106", "T107"],
            km=12.43,
            unit=None,
            cable=None,
            evaluators=["EV1"],
            ref=None,
            faults=[],
        )

    async def resets_waiting(self, area: str | None) -> list[model.ResetOut]:
        del area
        return [
            model.ResetOut(
                section="T107",
                area="thornmere",
                kind="preparatory",
                step="accepted",
                by="technician",
                at=BEGAN,
                shows="clear",
                next_train="not learnt yet",
                wanted="not watched",
                due=None,
                overdue=None,
                stopped="",
            )
        ]

    async def before_first_train(
        self, area: str | None, work: str | None
    ) -> model.FirstTrainOut:
        item = model.StandingOut(
            subject="section/T107",
            area="thornmere",
            what="disturbed",
            since=BEGAN,
            until=None,
            text="",
        )
        return model.FirstTrainOut(heading="", of=area or work or "", items=[item])

    async def print_resets(self, area: str | None) -> str:
        return f"Resets waiting for a train in {area}: {HOSTILE}"

    async def print_first_train(self, area: str | None, work: str | None) -> str:
        return f"Before the first train in {area}, {work}"

    async def work(self) -> list[model.WorkOut]:
        return [
            model.WorkOut(
                reference="W7",
                sections=["T107"],
                stage="begun",
                begun=BEGAN,
            )
        ]

    async def plans(self) -> list[model.WorkOut]:
        return []

    async def positions(self) -> list[model.PositionOut]:
        return [
            model.PositionOut(
                name="north", areas=["thornmere"], has_it="A. Moor", since=BEGAN
            )
        ]

    async def handover(self, position: str) -> model.SheetOut:
        if position != "north":
            raise NotThere(f"there is no position {position}")
        return model.SheetOut(position=position, made=RAISED, parts={})

    async def print_handover(self, position: str) -> str:
        if position != "north":
            raise NotThere(f"there is no position {position}")
        return "Handover: north"

    async def quiet(self) -> int:
        return 0

    async def load(self, position: str | None) -> model.LoadOut:
        return model.LoadOut(
            position=position or "",
            since=BEGAN,
            counts=[model.CallsOut(within="hour", calls=1, target=6, limit=12)],
            floods=[],
            chattering=[],
            fleeting=0,
            stale=[],
            most=[model.OftenOut(kind="level-out", subject="head/H107", times=2)],
            shares=None,
        )

    async def kinds(self) -> list[model.KindOut]:
        return []

    async def act(self, who: Who, act: AnyAct) -> Done:
        if getattr(act, "alert", None) == "0" * 16:
            raise Refused("it is seen already")
        self.acts.append((who, act))
        if isinstance(act, model.NotedIn | model.FoundIn):
            note = model.NoteOut(at=RAISED, by=who.name, text=act.text)
            self.notes.append(note)
        self.told("act", {"by": who.name, "what": act.what})
        return Done(id="act-1", at=RAISED)

    async def enter(self, who: Who, entry: AnyEntry) -> Done:
        self.entries.append((who, entry))
        return Done(id="entry-1", at=RAISED)

    async def keeps(self) -> list[model.KeepOut]:
        return []

    async def keep(self, who: Who, given: model.KeepIn) -> Done:
        self.keepings.append((who, given))
        return Done(id=ALERT, at=given.end)

    async def visits(self) -> list[model.VisitOut]:
        return []

    async def visits_table(self) -> str:
        return "from,to\r\n"

    async def visit(self, who: Who, given: model.AnyVisit) -> model.VisitedOut:
        self.visiting.append((who, given))
        return model.VisitedOut(visits=[ALERT], known=0)

    async def shown(self, who: Who, given: model.ShownIn) -> Done:
        self.shows.append((who, given))
        return Done(id=ALERT, at=given.at)

    async def explained(self, name, at, kind):
        if name != "T107":
            raise NotThere(f"there is no section {name}")
        return model.ExplainedOut(
            section=name,
            at=at,
            kind=kind,
            heading=f"{name} then:",
            said=[HOSTILE],
            reach=[],
            in_force=[],
            caution="",
        )

    async def drill(self, who: Who, given: model.DrillIn) -> model.DrillOut:
        self.drills.append((who, given))
        stage = model.StageOut(name="routed", took_s=0.25, said="to its channels")
        return model.DrillOut(number="XLLM", began=RAISED, passed=False, stages=[stage])

    async def replayed(self, window: Window) -> Made:
        self.windows.append(window)
        if window.end - window.begin > DAY:
            raise Refused("more events than a page waits for")
        return Made(
            window="From then to then",
            rehearsal=False,
            parts="<p>what happened</p>",
            packed=b"packed",
        )
