"""The page that says why, or why not: what each detection knew of a section at a moment that has passed."""

from __future__ import annotations

from collections.abc import Awaitable
from typing import Annotated, Any, Protocol

from fastapi import APIRouter, Query
from fastapi.params import Depends
from fastapi.responses import HTMLResponse

from monitor.core.layout import Line
from monitor.core.moments import exact, parse
from monitor.desk.model import Desk, ExplainedOut, NotThere, Refused
from monitor.desk.pages.when import local, read_local

Asked = Annotated[str, Query(max_length=64)]


class Renders(Protocol):
    """Makes a page of a template."""

    def __call__(self, template: str, title: str, **more: Any) -> Awaitable[str]:
        """The page."""


class ExplainPage:
    """Answers /explain.

    Args:
        desk: the API's own door.
        line: for its sections and its zone.
        page: makes pages.
    """

    def __init__(self, desk: Desk, line: Line, page: Renders) -> None:
        self._desk, self._line, self._page = desk, line, page

    def add_to(self, router: APIRouter, looks: list[Depends]) -> None:
        """Answer at *router*."""
        router.add_api_route(
            "/explain", self.explain, dependencies=looks, response_class=HTMLResponse
        )

    async def explain(
        self, section: Asked = "", at: Asked = "", kind: Asked = ""
    ) -> HTMLResponse:
        """Why, or why not; without a section only the question."""
        zone = self._line.zone
        told: ExplainedOut | None = None
        why = ""
        now = parse((await self._desk.status()).now)
        then = now
        try:
            then = read_local(at, zone) if at else now
            if section:
                told = await self._desk.explained(section, exact(then), kind or None)
        except (ValueError, Refused, NotThere) as error:
            why = str(error)
        text = await self._page(
            "explain.html",
            "Why, or why not",
            sections=list(self._line.sections),
            kinds=[one.kind for one in await self._desk.kinds()],
            asked={"section": section, "kind": kind, "at": local(then, zone)},
            told=told,
            why=why,
        )
        return HTMLResponse(text, 422 if why else 200)
