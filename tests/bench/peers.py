"""What the replay is compared with: decoding alone, and the least that could find anything."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable
from datetime import datetime
from heapq import heappop, heappush
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, Field, TypeAdapter
from pydantic_core import from_json


class _StateData(BaseModel):
    state: Literal[
        "clear", "occupied", "disturbed", "awaiting_sweep", "awaiting_acknowledgement"
    ]
    axles: int | None = None


class _ResetData(BaseModel):
    kind: Literal[
        "unconditional", "conditional", "preparatory", "preparatory_acknowledged"
    ]
    step: Literal["requested", "accepted", "refused", "restored"]
    by: str | None = None


class _Common(BaseModel):
    specversion: Literal["1.0"]
    id: str
    source: str
    subject: str
    time: AwareDatetime
    sequence: str | None = None
    recordedtime: AwareDatetime | None = None


class _State(_Common):
    type: Literal["tallywatch.section.state"]
    data: _StateData


class _Reset(_Common):
    type: Literal["tallywatch.section.reset"]
    data: _ResetData


_EVENT: TypeAdapter[_State | _Reset] = TypeAdapter(
    Annotated[_State | _Reset, Field(discriminator="type")]
)


def decode(lines: Iterable[bytes]) -> int:
    """Validate each line with pydantic, and do nothing else."""
    validate = _EVENT.validate_json
    count = 0
    for line in lines:
        validate(line)
        count += 1
    return count


def two_rules(lines: Iterable[bytes]) -> tuple[int, int]:
    """Three disturbances within 24 h, and occupied for 30 min: a dictionary, a deque and a heap, in event time.

    No order is restored, no repeat is dropped, nothing is validated, no reason is given.

    Returns:
        How often each rule was met.
    """
    repeats = long = 0
    since: dict[str, float] = {}
    disturbed: defaultdict[str, deque[float]] = defaultdict(deque)
    due: list[tuple[float, str, float]] = []
    for line in lines:
        event = from_json(line)
        if event["type"] != "tallywatch.section.state":
            continue
        now = datetime.fromisoformat(event["time"]).timestamp()
        while due and due[0][0] <= now:
            _, section, began = heappop(due)
            long += since.get(section) == began
        section, state = event["subject"], event["data"]["state"]
        if state == "occupied":
            if section not in since:
                since[section] = now
                heappush(due, (now + 1800, section, now))
            continue
        since.pop(section, None)
        if state == "disturbed":
            times = disturbed[section]
            times.append(now)
            while times[0] < now - 86400:
                times.popleft()
            repeats += len(times) >= 3
    return repeats, long
