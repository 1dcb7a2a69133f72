"""What became of visits, and how often each kind of alert was about something, for programs."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Depends, Request

from monitor.desk.door import Asker, Door
from monitor.desk.guard import Refusal
from monitor.desk.model import Out
from monitor.desk.outlooks import NoOutlook, Outlooks
from monitor.desk.roles import Role


class TogetherOut(Out):
    """What all visits did together; null where too little was to be expected to tell."""

    in_words: str
    came_since: int | None
    expected_without: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None


class VisitBecameOut(Out):
    """A visit, and whether it helped: disturbances since, against those to be expected without it."""

    id: str
    begin: str
    end: str
    subjects: list[str]
    sections: list[str]
    cause: str
    came_since: int | None
    expected_without: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    too_early: bool
    did_it_help: str
    counted_before: int
    days_before: float
    counted_since: int
    days_since: float
    days_not_available_since: float


class FoundOut(Out):
    """How often what a kind of alert suspected was found, of those visited."""

    kind: str
    visited: int
    found_what_was_suspected: int
    share: float | None
    share_low: float | None
    share_high: float | None
    found_something_else: int
    not_said: int
    in_words: str


class BecameOut(Out):
    """What became of visits, with how that was worked out."""

    together: TogetherOut
    visits: list[VisitBecameOut]
    of_those_visited: list[FoundOut]
    notes: list[str]
    caution: str


class Outcomes:
    """Answers what became of visits.

    Args:
        outlooks: makes it.
        door: who may look.
        base: the path below which it is answered.
    """

    def __init__(self, outlooks: Outlooks, door: Door, base: str) -> None:
        self._outlooks = outlooks
        self._door = door
        self._base = base

    def router(self) -> APIRouter:
        """Everything that is answered."""
        router = APIRouter(prefix=self._base, tags=["the planner"])
        router.add_api_route(
            "/visits/became",
            self.became,
            operation_id="visits_became",
            dependencies=[Depends(self._look)],
            response_model=BecameOut,
        )
        return router

    async def _look(self, request: Request) -> Asker:
        return self._door.check(request, Role.LOOK)

    async def became(self) -> dict[str, Any]:
        """Whether each visit helped, and how often each kind of alert was about something, of those visited."""
        from monitor.planner.became_table import plain  # noqa: PLC0415 - as `Outlooks`

        try:
            told = plain(await self._outlooks.became())
        except NoOutlook as error:
            raise Refusal(503, f"{error}.") from None
        return told | {"visits": [_visit(one) for one in told["visits"]]}


def _visit(row: dict[str, Any]) -> dict[str, Any]:
    """A row as the fields of `VisitBecameOut`."""
    divided = {name: row[name].split(";") for name in ("subjects", "sections")}
    named = {
        "begin": row["from"],
        "end": row["to"],
        "too_early": row["too_early"] == "yes",
    }
    found = row | divided | named
    return {name: found[name] for name in VisitBecameOut.model_fields}
