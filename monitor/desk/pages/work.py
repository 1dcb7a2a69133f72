"""The planner's work list and visits, as pages and to download."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Sequence
from typing import TYPE_CHECKING, Annotated, TypeVar

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse

from monitor.core.layout import Line
from monitor.core.moments import Moment, as_datetime
from monitor.desk.door import Asker, Door
from monitor.desk.guard import Refusal
from monitor.desk.outlooks import NoOutlook, Outlooks
from monitor.desk.pages.page import Page
from monitor.desk.roles import Role
from monitor.findings import FINDINGS

if TYPE_CHECKING:
    from monitor.planner.worklist import Trip

MOST = 20
"""So many visits that would be worth while stand on the page; the files hold all."""

MOST_VISITS = 200
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
EVIDENCE = 3

Position = Annotated[str | None, Query(max_length=64)]
T = TypeVar("T")


class WorkPages:
    """Answers the work list and the visits.

    Args:
        outlooks: makes them.
        page: makes a page of a template.
        door: who may look.
    """

    def __init__(self, outlooks: Outlooks, page: Page, door: Door) -> None:
        self._outlooks = outlooks
        self._page = page
        self._door = door

    def router(self) -> APIRouter:
        """Everything that is answered; none of it stands in the API's description."""
        router = APIRouter(include_in_schema=False)
        looks = [Depends(self._look)]
        for path, answer in (
            ("/planner/work", self.work),
            ("/planner/visits", self.visits),
        ):
            router.add_api_route(
                path, answer, dependencies=looks, response_class=HTMLResponse
            )
        for path, give in (
            ("/planner/work.csv", self.table),
            ("/planner/work.json", self.plain),
            ("/planner/work.html", self.document),
            ("/planner/work.xlsx", self.workbook),
            ("/planner/visits.csv", self.became_table),
            ("/planner/visits.json", self.became_plain),
            ("/planner/visits.html", self.became_document),
            ("/planner/visits.xlsx", self.became_workbook),
            ("/planner/found.csv", self.found_table),
        ):
            router.add_api_route(path, give, dependencies=looks)
        return router

    async def _look(self, request: Request) -> Asker:
        return self._door.check(request, Role.LOOK)

    async def work(self, position: Position = None) -> str:
        """Where it is worth while to go."""
        from monitor.planner.quiet_hours import NO_LEAVE  # noqa: PLC0415
        from monitor.planner.worklist import NOTHING, ORDER  # noqa: PLC0415
        from monitor.planner.worklist_table import place_of  # noqa: PLC0415

        made = await _told(self._outlooks.work())
        return await self._page(
            "work.html",
            "Work list",
            position,
            trips=made.trips[:MOST],
            more=made.trips[MOST:],
            heard=made.heard.words,
            nothing=NOTHING,
            off=made.off_words,
            place_of=place_of,
            no_leave=NO_LEAVE,
            order=ORDER,
            kilometres=kilometres,
            evidence=EVIDENCE,
            day=self._day,
            causes=FINDINGS,
        )

    async def table(self) -> Response:
        """The work list, for a spreadsheet."""
        from monitor.planner.worklist_table import as_csv  # noqa: PLC0415

        return _file(
            as_csv((await _told(self._outlooks.work())).trips), "csv", "text/csv"
        )

    async def plain(self) -> Response:
        """The work list, for programs."""
        from monitor.planner.worklist_table import as_json  # noqa: PLC0415

        made = await _told(self._outlooks.work())
        return _file(as_json(made), "json", "application/json")

    async def document(self) -> Response:
        """The work list, as a file to send or print."""
        from monitor.planner.worklist_html import as_html  # noqa: PLC0415

        made = await _told(self._outlooks.work())
        return _file(as_html(made, self._outlooks.line), "html", "text/html")

    async def workbook(self) -> Response:
        """The work list, as a workbook."""
        from monitor.planner.worklist_xlsx import as_xlsx  # noqa: PLC0415

        made = await _told(self._outlooks.work())
        return Response(
            await asyncio.to_thread(as_xlsx, made),
            media_type=WORKBOOK,
            headers=_headers("xlsx"),
        )

    async def visits(self, position: Position = None) -> str:
        """The visits, and whether they helped."""
        from monitor.planner.effect_words import (  # noqa: PLC0415
            METHOD,
            OF_THOSE_VISITED,
            RAW,
            all_of,
            became_of,
            number,
            of_those_visited,
            rates,
        )

        became = await _told(self._outlooks.became())
        return await self._page(
            "visits.html",
            "Visits",
            position,
            became=became,
            visits=became.helped[:MOST_VISITS],
            left=len(became.helped[MOST_VISITS:]),
            all_of=all_of,
            became_of=became_of,
            number=number,
            share=of_those_visited,
            method=METHOD,
            raw=RAW,
            of_those_visited=OF_THOSE_VISITED,
            causes=FINDINGS,
            moment=self._moment,
            rates=rates,
            parts=parts_of(self._outlooks.line),
        )

    async def became_table(self) -> Response:
        """What became of each visit, for a spreadsheet."""
        from monitor.planner.became_table import helped_csv  # noqa: PLC0415

        found = await _told(self._outlooks.became())
        return _file(helped_csv(found), "csv", "text/csv", "visits")

    async def found_table(self) -> Response:
        """How often each kind of alert was about something, for a spreadsheet."""
        from monitor.planner.became_table import found_csv  # noqa: PLC0415

        found = await _told(self._outlooks.became())
        return _file(found_csv(found), "csv", "text/csv", "found")

    async def became_plain(self) -> Response:
        """What became of visits, for programs."""
        from monitor.planner.became_table import as_json  # noqa: PLC0415

        found = await _told(self._outlooks.became())
        return _file(as_json(found), "json", "application/json", "visits")

    async def became_document(self) -> Response:
        """What became of visits, as a file to send or print."""
        from monitor.planner.became_html import as_html  # noqa: PLC0415

        found = await _told(self._outlooks.became())
        text = as_html(found, self._outlooks.line, self._outlooks.now())
        return _file(text, "html", "text/html", "visits")

    async def became_workbook(self) -> Response:
        """What became of visits, as a workbook."""
        from monitor.planner.became_xlsx import as_xlsx  # noqa: PLC0415

        found = await _told(self._outlooks.became())
        return Response(
            await asyncio.to_thread(as_xlsx, found, self._outlooks.now()),
            media_type=WORKBOOK,
            headers=_headers("xlsx", "visits"),
        )

    def _day(self, moment: Moment) -> str:
        local = as_datetime(moment).astimezone(self._outlooks.line.zone)
        return f"{local:%Y-%m-%d}"

    def _moment(self, moment: Moment) -> str:
        local = as_datetime(moment).astimezone(self._outlooks.line.zone)
        return f"{local:%Y-%m-%d %H:%M}"


async def _told(made: Awaitable[T]) -> T:
    try:
        return await made
    except NoOutlook as error:
        raise Refusal(503, f"{error}.") from None


def _file(text: str, kind: str, media: str, name: str = "work") -> Response:
    return Response(
        text, media_type=f"{media}; charset=utf-8", headers=_headers(kind, name)
    )


def _headers(kind: str, name: str = "work") -> dict[str, str]:
    return {"Content-Disposition": f'attachment; filename="{name}.{kind}"'}


def kilometres(trip: Trip) -> str:
    """Where it is along the line, or "".

    Example:
        >>> from types import SimpleNamespace
        >>> (
        ...     kilometres(SimpleNamespace(low=3.0, high=4.25)),
        ...     kilometres(SimpleNamespace(low=None, high=None)),
        ... )
        ('km 3 to 4.25', '')
    """
    if trip.low is None or trip.high is None:
        return ""
    if trip.high - trip.low < 0.05:
        return f"km {trip.low:g}"
    return f"km {trip.low:g} to {trip.high:g}"


def parts_of(line: Line) -> Sequence[str]:
    """What may be visited, as subjects, for a page to offer."""
    evaluators = line.evaluators.values()
    sites = dict.fromkeys(one.site for one in evaluators)
    return [
        *(f"section/{name}" for name in line.sections),
        *(f"head/{name}" for name in line.heads),
        *dict.fromkeys(f"unit/{x.unit}" for x in line.heads.values() if x.unit),
        *dict.fromkeys(f"cable/{x.cable}" for x in line.heads.values() if x.cable),
        *(f"evaluator/{name}" for name in line.evaluators),
        *dict.fromkeys(f"supply/{x.supply}" for x in evaluators if x.supply),
        *dict.fromkeys(f"gateway/{x.gateway}" for x in evaluators if x.gateway),
        *(f"site/{name}" for name in sites),
    ]
