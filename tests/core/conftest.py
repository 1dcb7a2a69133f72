"""Days in small tables that a signaller can read, and the engine run over them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from monitor.core.alerts import Alert
from monitor.core.engine import Detection, Engine
from monitor.core.events import (
    AnyEvent,
    Contacts,
    Direction,
    EvaluatorState,
    GatewayStatus,
    HeadPassage,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    Service,
    SourceWatch,
    State,
    Step,
)
from monitor.core.layout import OPEN, Line, read_line
from monitor.core.moments import Moment, parse, stamp

PLAIN = """
[line]
name = "Plain line"   # invented
timezone = "UTC"

[[evaluator]]
id = "EV1"
site = "Room 1"
gateway = "GW1"

[[evaluator]]
id = "EV2"
site = "Room 2"
gateway = "GW2"
"""


def plain_line(count: int = 5, *, first_open: bool = True, **extra: Any) -> Line:
    """Sections T1 to T*count* in a row; both ends open, the upper half on EV2.

    *extra*: keys for one section, `T3={"normal_occupation_s": 600}`.
    """
    text = [PLAIN]
    for number in range(1, count + 1):
        name = f"T{number}"
        more = "".join(f"{k} = {v!r}\n" for k, v in extra.get(name, {}).items())
        room = "EV1" if number <= (count + 1) // 2 else "EV2"
        text.append(
            f'[[section]]\nid = "{name}"\narea = "a"\nevaluator = "{room}"\n'
            f"length_m = 800\nspeed_km_h = 100\n{more}"
        )
    ends = [
        "open" if first_open else None,
        *(f"T{n + 1}" for n in range(count)),
        "open",
    ]
    for number, (one, other) in enumerate(pairwise(ends)):
        if one is not None:
            text.append(f'[[head]]\nid = "H{number}"\nbetween = ["{one}", "{other}"]\n')
    return read_line("\n".join(text), "plain.toml")


def net_of(joined: str, evaluators: int = 4) -> Line:
    """Sections joined as `open-A A-B B-C` says, head H0 being the first; they are handed to EV0, EV1, ... in turn."""
    pairs = [one.split("-") for one in joined.split()]
    names = sorted({name for pair in pairs for name in pair} - {OPEN})
    text = ['[line]\nname = "Net"\ntimezone = "UTC"\n']
    text += [
        f'[[evaluator]]\nid = "EV{number}"\nsite = "Room {number}"\n'
        for number in range(min(evaluators, len(names)))
    ]
    text += [
        f'[[section]]\nid = "{name}"\narea = "a"\n'
        f'evaluator = "EV{number % evaluators}"\n'
        "length_m = 800\nspeed_km_h = 100\n"
        for number, name in enumerate(names)
    ]
    text += [
        f'[[head]]\nid = "H{number}"\nbetween = ["{one}", "{other}"]\n'
        for number, (one, other) in enumerate(pairs)
    ]
    return read_line("".join(text), "net.toml")


class Story:
    """Events written as a table: time, place, what happened.

    | line | meaning |
    |---|---|
    | `06:00:00 T1 occupied` | a state |
    | `06:00:00 T1 clear interlocking=occupied contacts=up/down axles=0` | with more |
    | `06:00:00 T1 reset accepted preparatory` | a step of a reset |
    | `06:00:00 T1 work begun W7` | work |
    | `06:00:00 H1 forward 40` | a train of 40 axles past a head |
    | `06:00:00 EV1 isolated` | an evaluator |
    | `06:00:00 GW1 online`, `GW1 offline` | a gateway |
    | `06:00:00 ev/EV1 out` | a source taken out of watch |
    | `... by desk/1 at 06:10:00` | entered by a person, later |
    | `... retained`, `... id=7`, `... seq=7` | as the broker or the source has it |
    """

    def __init__(self, line: Line, day: str = "2026-05-04") -> None:
        self.line = line
        self.day = day
        self._count = 0

    def moment(self, text: str) -> Moment:
        """A time of this day, or a whole one."""
        if "T" in text:
            return parse(text)
        if len(text) == 5:
            text += ":00"
        return parse(f"{self.day}T{text}{'' if '.' in text else '.000'}Z")

    def events(self, table: str) -> list[AnyEvent]:
        """The events of *table*, arriving in the order of its lines at their own times."""
        lines = (line.partition("|")[0].strip() for line in table.strip().splitlines())
        return [self._event(line) for line in lines if line]

    def _event(self, line: str) -> AnyEvent:
        words = line.split()
        options = dict(word.split("=", 1) for word in words if "=" in word)
        words = [word for word in words if "=" not in word]
        retained = "retained" in words
        if retained:
            words.remove("retained")
        by = arrival = None
        if "at" in words:
            place = words.index("at")
            arrival = self.moment(words[place + 1])
            del words[place : place + 2]
        if "by" in words:
            place = words.index("by")
            by = words[place + 1]
            del words[place : place + 2]
        time, subject, *rest = words
        self._count += 1
        common = {
            "id": options.get("id", str(self._count)),
            "source": by or options.get("source") or self._source(subject),
            "subject": subject,
            "time": self.moment(time),
            "arrival": arrival or self.moment(time),
            "retained": retained,
            "sequence": int(options["seq"]) if "seq" in options else None,
        }
        return self._kind(rest, options, common)

    def _kind(
        self, rest: list[str], options: dict[str, str], common: dict[str, Any]
    ) -> AnyEvent:
        match rest:
            case ["reset", step, *kind]:
                way = ResetKind(kind[0] if kind else "unconditional")
                return SectionReset(**common, kind=way, step=Step(step))
            case ["work", state, *reference]:
                name = reference[0] if reference else None
                return SectionWork(**common, begun=state == "begun", reference=name)
            case ["forward" | "reverse" | "none" as way, axles]:
                return HeadPassage(**common, direction=Direction(way), axles=int(axles))
            case ["in_service" | "locked_out" | "isolated" as state]:
                return EvaluatorState(**common, state=Service(state))
            case ["online" | "offline" as state]:
                return GatewayStatus(**common, online=state == "online", period_s=30)
            case ["out" | "in" as state]:
                return SourceWatch(**common, out=state == "out")
            case [state]:
                return SectionState(**common, state=State(state), **_more(options))
        raise ValueError(rest)

    def _source(self, subject: str) -> str:
        if subject in self.line.sections:
            subject = self.line.sections[subject].evaluator
        return {"EV1": "gw/1", "EV2": "gw/2", "GW1": "gw/1", "GW2": "gw/2"}.get(
            subject, "gw/9"
        )


def _more(options: dict[str, str]) -> dict[str, Any]:
    more: dict[str, Any] = {}
    if "axles" in options:
        more["axles"] = int(options["axles"])
    if "interlocking" in options:
        more["interlocking"] = State(options["interlocking"])
    if "contacts" in options:
        clear, occupied = options["contacts"].split("/")
        more["contacts"] = Contacts(clear=clear == "up", occupied=occupied == "up")
    return more


def last_lines(alerts: list[Alert]) -> list[Alert]:
    """The last line of each id, in the order in which they were raised."""
    return list({alert.id: alert for alert in alerts}.values())


def brief(alerts: list[Alert]) -> list[str]:
    """Alerts as one line each: kind, subject, priority, began, raised, ended."""

    def short(moment: Moment | None) -> str:
        return "-" if moment is None else stamp(moment)[11:23].removesuffix(".000")

    return [
        f"{a.kind} {a.subject} {a.priority} {short(a.began)} {short(a.raised)} {short(a.ended)}"
        for a in last_lines(alerts)
    ]


class Run:
    """An engine run over a story, and what it said."""

    def __init__(self, line: Line, settings: Detection | None = None, **more: Any):
        self.line = line
        self.story = Story(line)
        self.engine = Engine(line, settings, **more)
        self.alerts: list[Alert] = []
        self.facts: list[Any] = []
        self.records: list[Any] = []

    def take(self, output: Any) -> None:
        """Keep what came out."""
        self.alerts += output.alerts
        self.facts += output.facts
        self.records += output.records

    def tell(self, table: str | list[AnyEvent]) -> Run:
        """Feed a table of events."""
        events = self.story.events(table) if isinstance(table, str) else table
        for event in events:
            self.take(self.engine.take(event))
        return self

    def until(self, time: str) -> Run:
        """The recording is over, looked at as far as *time*."""
        self.take(self.engine.finish(self.story.moment(time)))
        return self

    def brief(self, *kinds: str) -> list[str]:
        """What was raised, of *kinds* only where given."""
        return brief([a for a in self.alerts if not kinds or a.kind in kinds])


@pytest.fixture(scope="session")
def plain():
    """Build a plain line."""
    return plain_line


@pytest.fixture(scope="session")
def net():
    """Build a line out of which sections are joined."""
    return net_of


@pytest.fixture
def run():
    """Run the engine over a plain line of five sections."""

    def over(line: Line | None = None, **more: Any) -> Run:
        return Run(line if line is not None else plain_line(), **more)

    return over
