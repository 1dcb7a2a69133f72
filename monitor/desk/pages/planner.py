"""The planner's page: what a period was like, and the same to download.

The body is that of the report as a file, so that the two never tell different things.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from monitor.core.moments import (
    MINUTE,
    SECOND,
    Duration,
    Moment,
    as_datetime,
    stamp,
)
from monitor.desk.door import Asker, Door
from monitor.desk.guard import Refusal
from monitor.desk.pages.page import Page
from monitor.desk.planning import Being, NoReport, Period, Planning
from monitor.desk.roles import Role

MOST = 40
"""So many rows of a kind on a page, as on paper; the files hold all."""

WAIT_S = 1.0
"""A report that takes longer is told to be in the making, and the page asks again."""

AROUND: Duration = 15 * MINUTE
"""So much is played before a disturbance, and after."""

FORMS: dict[str, str] = {
    "html": "text/html; charset=utf-8",
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}

Day = Annotated[str | None, Query(max_length=20)]
Position = Annotated[str | None, Query(max_length=64)]


class PlannerPages:
    """Answers the planner.

    Args:
        planning: makes reports.
        page: makes a page of a template.
        door: who may look.
    """

    def __init__(self, planning: Planning, page: Page, door: Door) -> None:
        self._planning = planning
        self._page = page
        self._door = door

    def router(self) -> APIRouter:
        """Everything that is answered; none of it stands in the API's description."""
        router = APIRouter(include_in_schema=False)
        looks = [Depends(self._look)]
        router.add_api_route(
            "/planner", self.planner, dependencies=looks, response_class=HTMLResponse
        )
        router.add_api_route(
            "/planner/asset",
            self.asset,
            dependencies=looks,
            response_class=HTMLResponse,
        )
        router.add_api_route("/planner/report", self.download, dependencies=looks)
        return router

    async def _look(self, request: Request) -> Asker:
        return self._door.check(request, Role.LOOK)

    async def planner(
        self,
        position: Position = None,
        begin: Annotated[Day, Query(alias="from")] = None,
        end: Annotated[Day, Query(alias="to")] = None,
    ) -> str:
        """What a period was like."""
        from monitor.planner.as_html import body  # noqa: PLC0415 - as in `planning`

        period = self._period(begin, end)
        first, last = self._days(period)
        report = await self._soon(period)
        if isinstance(report, Being):
            return await self._being(report, position, first, last)
        return await self._page(
            "planner.html",
            "Planner",
            position,
            body=Markup(body(report, MOST, _leading(first, last))),  # noqa: S704 - escaped where it is made
            first=first,
            last=last,
            begin=stamp(period[0]),
            end=stamp(period[1]),
            choices=self._choices(),
            forms=[one for one in FORMS if one != "xlsx" or _writes_workbooks()],
        )

    async def asset(
        self,
        subject: Annotated[str, Query(max_length=200)],
        position: Position = None,
        begin: Annotated[Day, Query(alias="from")] = None,
        end: Annotated[Day, Query(alias="to")] = None,
    ) -> str:
        """What a period was like at one section, or at one thing that sections need."""
        from monitor.planner import asset_html  # noqa: PLC0415 - as in `planning`

        period = self._period(begin, end)
        first, last = self._days(period)
        report = await self._soon(period)
        if isinstance(report, Being):
            return await self._being(report, position, first, last)
        row = asset_html.row_of(report, subject)
        if row is None:
            raise Refusal(404, "The line file has no such thing.")
        leading = _leading(first, last)
        text = asset_html.body(
            report, row, self._planning.visits_to(subject), leading, replayed
        )
        return await self._page(
            "asset.html",
            subject.replace("/", " ", 1),
            position,
            body=Markup(text),  # noqa: S704 - escaped where it is made
            first=first,
            last=last,
            place=address(subject),
        )

    async def _soon(self, period: Period) -> Any:
        try:
            return await self._planning.soon(*period, WAIT_S)
        except NoReport as error:
            raise Refusal(503, f"{error}.") from None

    async def _being(
        self, being: Being, position: str | None, first: str, last: str
    ) -> str:
        """A page that says that it is being made, and asks again by itself, also where no script runs."""
        return await self._page(
            "being_made.html",
            "Planner",
            position,
            first=first,
            last=last,
            for_s=f"{being.for_s:.0f}",
            usual_s=None if being.usual_s is None else f"{max(being.usual_s, 1):.0f}",
            share=being.share,
            choices=self._choices(),
        )

    async def download(
        self,
        form: Annotated[str, Query(alias="format", max_length=8)] = "csv",
        begin: Annotated[Day, Query(alias="from")] = None,
        end: Annotated[Day, Query(alias="to")] = None,
    ) -> Response:
        """The report as a file."""
        write = _writer(form)
        period = self._period(begin, end)
        report = await self._report(period)
        first, last = self._days(period)
        name = f"period-{first}-{last}.{form}"
        return Response(
            write(report),
            media_type=FORMS[form],
            headers={"Content-Disposition": f'attachment; filename="{name}"'},
        )

    def _period(self, begin: str | None, end: str | None) -> Period:
        try:
            return self._planning.period(begin, end)
        except ValueError as error:
            raise Refusal(422, f"{error}.") from None

    async def _report(self, period: Period) -> Any:
        try:
            return await self._planning.report(*period)
        except NoReport as error:
            raise Refusal(503, f"{error}.") from None

    def _days(self, period: Period) -> tuple[str, str]:
        """The first and the last day of a period."""
        zone = self._planning.line.zone
        first = as_datetime(period[0]).astimezone(zone)
        last = as_datetime(period[1] - SECOND).astimezone(zone)
        return f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}"

    def _choices(self) -> list[tuple[str, str, str]]:
        """Periods that are asked for often: what they are called, first and last day."""
        now = as_datetime(self._planning.now()).astimezone(self._planning.line.zone)
        before = now.replace(day=1) - timedelta(days=1)

        def day(back: int) -> str:
            return f"{now - timedelta(days=back):%Y-%m-%d}"

        return [
            ("30 days", day(30), day(0)),
            (f"{before:%Y-%m}", f"{before:%Y-%m}-01", f"{before:%Y-%m-%d}"),
            ("90 days", day(90), day(0)),
            ("a year", day(365), day(0)),
            ("3 years", day(1095), day(0)),
        ]


def address(subject: str) -> str:
    """Where a subject has a page of its own on the desk, or "".

    Example:
        >>> address("section/T1?"), address("cable/C2")
        ('/sections/T1%3F', '')
    """
    kind, _, name = subject.partition("/")
    if kind not in {"section", "head"}:
        return ""
    return f"/{kind}s/{quote(name, safe='')}"


def _leading(first: str, last: str) -> Callable[[str], str]:
    """Gives the page of a row, for the same days."""

    def lead(subject: str) -> str:
        return f"/planner/asset?{urlencode({'subject': subject, 'from': first, 'to': last})}"

    return lead


def replayed(section: str, at: Moment) -> str:
    """Where a section is played again around a moment.

    Example:
        >>> from monitor.core.moments import parse
        >>> replayed("T1", parse("2026-05-04T12:00:00Z"))[:40]
        '/replay?from=2026-05-04T11%3A45%3A00.000'
    """
    query = {
        "from": stamp(at - AROUND),
        "to": stamp(at + AROUND),
        "section": section,
        "at": stamp(at),
    }
    return f"/replay?{urlencode(query)}"


def _writes_workbooks() -> bool:
    from importlib.util import find_spec  # noqa: PLC0415 - looked for once a page

    return find_spec("xlsxwriter") is not None


def _writer(form: str) -> Callable[[Any], bytes]:
    if form == "html":
        from monitor.planner.as_html import as_html  # noqa: PLC0415

        return lambda report: as_html(report).encode()
    if form == "csv":
        from monitor.planner.as_csv import as_csv  # noqa: PLC0415

        return lambda report: as_csv(report).encode()
    if form == "json":
        from monitor.planner.as_json import as_json  # noqa: PLC0415

        return lambda report: as_json(report).encode()
    if form == "xlsx" and _writes_workbooks():
        from monitor.planner.as_xlsx import as_xlsx  # noqa: PLC0415

        return as_xlsx
    raise Refusal(422, "There are html, csv, json and, where it is installed, xlsx.")
