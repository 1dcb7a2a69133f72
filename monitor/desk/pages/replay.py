"""The replay page: any window of the journal as a diagram of time and line, with what each detection knew step by step."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Annotated, Any, Protocol
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Response
from fastapi.params import Depends
from fastapi.responses import HTMLResponse, RedirectResponse
from markupsafe import Markup

from monitor.core.layout import Line
from monitor.core.moments import HOUR, MINUTE, Moment, exact, parse
from monitor.core.words import CAUTION
from monitor.desk.model import Desk, FaultOut, KeepOut, Refused
from monitor.desk.pages.when import local, read_local
from monitor.desk.windows import Made, Window

AROUND = 15 * MINUTE
"""So much is shown before a fault began, and after."""

MOST_SETTINGS = 2000
"""Signs of settings that are tried from the page: they stand in its address, to be sent."""

Text = Annotated[str | None, Query(max_length=40)]
Tables = Annotated[str | None, Query(max_length=MOST_SETTINGS)]
Name = Annotated[str | None, Query(max_length=64)]


class Renders(Protocol):
    """Makes a page of a template."""

    def __call__(self, template: str, title: str, **more: Any) -> Awaitable[str]:
        """The page."""


class ReplayPage:
    """Answers /replay.

    Args:
        desk: the API's own door.
        line: for its zone.
        page: makes pages.
        now: what time it is on the line.
    """

    def __init__(
        self,
        desk: Desk,
        line: Line,
        page: Renders,
        now: Callable[[], Awaitable[Moment]],
    ) -> None:
        self._desk = desk
        self._line = line
        self._page = page
        self._now = now

    def add_to(self, router: APIRouter, looks: list[Depends]) -> None:
        """Answer at *router*."""
        router.add_api_route(
            "/replay", self.replay, dependencies=looks, response_class=HTMLResponse
        )
        router.add_api_route("/replay/data", self.data, dependencies=looks)

    async def replay(
        self,
        *,
        begin: Annotated[Text, Query(alias="from")] = None,
        end: Annotated[Text, Query(alias="to")] = None,
        section: Name = None,
        at: Text = None,
        fault: Name = None,
        settings: Tables = None,
    ) -> Response:
        """A window of the journal; without `to` it goes on up to now, with *settings* it stands beside what those would have concluded."""
        if fault is not None:
            return await self._of_fault(fault)
        try:
            window = await self._window(begin, end, section, at, settings)
            made: Made | None = await self._desk.replayed(window)
            why = ""
        except (ValueError, Refused) as error:
            window, made, why = None, None, str(error)
        asked = {
            "from": "" if window is None else local(window.begin, self._line.zone),
            "to": "" if window is None else local(window.end, self._line.zone),
            "section": section or "",
            "settings": settings or "",
        }
        text = await self._page(
            "replay.html",
            f"Replay: {self._line.name}",
            asked=asked,
            data="" if window is None else f"/replay/data?{_query(window)}",
            permalink="" if window is None else f"/replay?{_query(window)}",
            sections=list(self._line.sections),
            live=end is None and made is not None and not settings,
            made=made,
            parts=Markup("" if made is None else made.parts),  # noqa: S704 - escaped where it was made
            why=why,
            kept=self._kept(await self._desk.keeps(), window),
            whole=CAUTION,
        )
        return HTMLResponse(text, 200 if not why else 422)

    def _kept(
        self, keeps: list[KeepOut], window: Window | None
    ) -> list[dict[str, Any]]:
        """The windows that are kept, newest first, each with the way to it, and whether it lies in what is shown."""
        zone = self._line.zone
        return [
            {
                "words": " to ".join(
                    local(parse(moment), zone).replace("T", " ")
                    for moment in (one.begin, one.end)
                ),
                "href": f"/replay?{urlencode({'from': one.begin, 'to': one.end})}",
                "by": one.by or one.position,
                "reason": one.reason,
                "here": window is not None
                and parse(one.begin) < window.end
                and window.begin < parse(one.end),
            }
            for one in sorted(keeps, key=lambda x: x.begin, reverse=True)
        ]

    async def data(
        self,
        begin: Annotated[str, Query(alias="from", max_length=40)],
        end: Annotated[str, Query(alias="to", max_length=40)],
        section: Name = None,
        at: Text = None,
        settings: Tables = None,
    ) -> Response:
        """The document of the diagram, compressed."""
        try:
            window = await self._window(begin, end, section, at, settings)
        except ValueError as error:
            raise Refused(str(error)) from None
        made = await self._desk.replayed(window)
        return Response(made.packed, media_type="application/octet-stream")

    async def _of_fault(self, name: str) -> Response:
        found: FaultOut = await self._desk.fault(name)
        began = parse(found.began)
        ended = parse(found.ended) if found.ended is not None else parse(found.raised)
        kind, _, place = found.subject.partition("/")
        section = place if kind == "section" else ""
        end = min(max(ended, parse(found.raised)) + AROUND, await self._now())
        window = Window(
            begin=max(began - AROUND, end - 20 * HOUR), end=end, section=section
        )
        return RedirectResponse(f"/replay?{_query(window)}", 303)

    async def _window(
        self,
        begin: str | None,
        end: str | None,
        section: str | None,
        at: str | None,
        settings: str | None,
    ) -> Window:
        zone = self._line.zone
        until = await self._now() if not end else read_local(end, zone)
        since = until - HOUR if not begin else read_local(begin, zone)
        if section and section not in self._line.sections:
            raise ValueError(f"the line file has no section {section}")
        return Window(
            begin=since,
            end=until,
            section=section or "",
            at=None if not at else read_local(at, zone),
            settings=_tables(settings or ""),
        )


def _tables(text: str) -> str:
    """Settings as they were typed; a browser ends its lines in two signs.

    Raises:
        ValueError: there is something in them that nobody types.
    """
    text = text.replace("\r\n", "\n").strip()
    if any(not (one.isprintable() or one in "\n\t") for one in text):
        raise ValueError("the settings to be tried hold what cannot be read")
    return text


def _query(window: Window) -> str:
    asked = {"from": exact(window.begin), "to": exact(window.end)}
    if window.section:
        asked["section"] = window.section
    if window.at is not None:
        asked["at"] = exact(window.at)
    if window.settings:
        asked["settings"] = window.settings
    return urlencode(asked)
