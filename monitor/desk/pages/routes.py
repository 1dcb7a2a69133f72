"""The pages under /, and what they are made of.

A page is whole as it comes, as of its time, also where no script runs; then a script follows `ticks` and asks for parts again.
Nothing is loaded from anywhere else, and no script or style stands in a page itself.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial, wraps
from importlib.resources import files
from pathlib import PurePosixPath
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse, StreamingResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from pydantic import Field

from monitor.charts import drawing
from monitor.charts.placenames import place_names
from monitor.core.layout import OPEN
from monitor.core.moments import parse, stamp
from monitor.core.words import CAUTION, STATES, clock, readable, span
from monitor.desk.door import Asker, Door
from monitor.desk.guard import Refusal, printable
from monitor.desk.model import (
    MOST_ALERTS,
    Asked,
    Desk,
    FaultOut,
    HeadLiveOut,
    HeadOut,
    In,
    NotThere,
    Out,
    PositionOut,
    Time,
)
from monitor.desk.pages.explain import ExplainPage
from monitor.desk.pages.facts import has_ended, in_words
from monitor.desk.pages.listed import MOST, Listed, plain
from monitor.desk.pages.looks import SectionLook
from monitor.desk.pages.month_strip import month_strip
from monitor.desk.pages.replay import ReplayPage
from monitor.desk.pages.shared import Shared
from monitor.desk.pages.sounding import Sounding
from monitor.desk.pages.strip import legend, strip
from monitor.desk.pages.ticks import Ticks
from monitor.desk.pages.top import top
from monitor.desk.pages.view import CALLED, Story, View
from monitor.desk.pages.when import local
from monitor.desk.roles import Role
from monitor.findings import FINDINGS

STATIC = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
MOST_PASSAGES = 12
DAYS = 30
"""Beside the last minutes stand so many days."""
SERVED = ("monitor.desk.pages", "monitor.charts")
"""Where scripts and style sheets lie: the pages' own, and those of the diagram."""

MOST_PRINTED = 200
"""Of what happened a sheet tells so much at most: four pages of paper."""

HOURS = 24
"""Of what was so, a section's page tells so many."""

PositionName = Annotated[str, Field(max_length=64)]
Position = Annotated[PositionName | None, Query()]

Silenced = Annotated[str, Field(pattern="^[0-9a-z]{1,64} (urgent|prompt)$")]
"""A fault, by its id, as it was at a priority."""


class SilenceIn(In):
    """What somebody silences at a position, or lets sound again.

    Args:
        position: on all of whose pages.
        silence: a fault and its priority each.
        let_sound: whatever was silenced there sounds again.
    """

    position: str = Field(default="", max_length=64)
    silence: list[Silenced] = Field(default=[], max_length=200)
    let_sound: bool = False


class BeatOut(Out):
    """What a page is told that says it is open.

    Args:
        sounds: it is this page that makes the sounds of its position.
        pages: so many are open at the position.
        tested: when somebody last heard the sound there and who it was, in words, or "".
        silenced: what makes no sound there any more: a fault and its priority each.
    """

    sounds: bool
    pages: int
    tested: str
    silenced: list[str]


def environment() -> Environment:
    """Where templates come from; whatever is put into one is escaped, and what cannot be read in it is shown as a question mark."""
    made = Environment(
        loader=PackageLoader("monitor.desk.pages"),
        autoescape=True,
        finalize=_readable,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["dialled"] = _dialled
    return made


class Pages:
    """Answers pages.

    Args:
        desk: the API's own door.
        ticks: what changes.
        door: who may look.
        now: counts seconds.
    """

    def __init__(
        self, desk: Desk, ticks: Ticks, door: Door, now: Callable[[], float]
    ) -> None:
        self._desk = desk
        self._line = ticks.line
        self._door = door
        self._ticks = ticks
        self._view = View(desk, ticks.line)
        self._sounding = Sounding(now)
        self._tested: dict[str, str] = {}
        self._shared = Shared(ticks.changes, now)
        self._templates = environment()
        self._lists = {
            "top": self._of(self._top_line),
            "faults": self._of(self._faults),
            "resets": self._of(self._resets),
            "foot": self._of(self._foot),
        }
        self._listed = Listed(self._shared, self._lists, now)
        ticks.beside = self._listed.news

    def router(self) -> APIRouter:
        """Everything that is answered; none of it stands in the API's description."""
        router = APIRouter(include_in_schema=False)
        looks = [Depends(self._look)]
        for path, answer in (
            ("/", self.desk),
            ("/phone", self.phone),
            ("/phone/{name}", self.phone_fault),
            ("/day-list", self.day_list),
            ("/quiet", self.quiet),
            ("/before-the-first-train", self.first_train),
            ("/handover", self.handover),
            ("/sections/{name}", self.section),
            ("/heads/{name}", self.head),
            ("/heads/{name}/watch", self.wheel),
            ("/faults/{name}", self.sheet),
            ("/parts/lists", self.part_lists),
            ("/parts/fault/{name}", self.part_fault),
            ("/parts/phone", self.part_phone),
            ("/parts/phone/{name}", self.part_phone_fault),
            ("/parts/wheel/{name}", self.part_wheel),
        ):
            router.add_api_route(
                path,
                answer if path.startswith("/parts") else self._or_not_there(answer),
                dependencies=looks,
                response_class=HTMLResponse,
            )
        ReplayPage(self._desk, self._line, self._page, self._now).add_to(router, looks)

        ExplainPage(self._desk, self._line, self._page).add_to(router, looks)
        router.add_api_route("/ticks", self.ticks)
        router.add_api_route("/looks", self.looks, dependencies=looks)
        router.add_api_route("/beat", self.beat)
        router.add_api_route("/silence", self.silence, methods=["POST"])
        router.add_api_route("/login", self.login, response_class=HTMLResponse)
        router.add_api_route("/static/{name}", self.static)
        return router

    def _or_not_there(
        self, answer: Callable[..., Awaitable[Any]]
    ) -> Callable[..., Awaitable[Any]]:
        """A page, or one that says what is not there, with a way back: people mistype numbers."""

        @wraps(answer)
        async def answered(*args: Any, **given: Any) -> Any:
            try:
                return await answer(*args, **given)
            except NotThere as error:
                why = printable(str(error))
                phone = answer.__name__.startswith("phone")
                text = await self._page(
                    "not_there.html",
                    "Not there",
                    why=f"{why[:1].upper()}{why[1:]}.",
                    back="/phone" if phone else "/",
                )
                return HTMLResponse(text, 404)

        return answered

    async def _look(self, request: Request) -> Asker:
        return self._door.check(request, Role.LOOK)

    # What every page is given.

    async def _page(
        self, template: str, title: str, position: str | None = None, **more: Any
    ) -> str:
        status = await self._view.status()
        found = await self._view.position(position)
        return self._render(
            template,
            title=title,
            status=status,
            position=found,
            positions=await self._desk.positions(),
            now=clock(parse(status.now), self._line.zone),
            today=local(parse(status.now), self._line.zone)[:10],
            at=lambda text: self._view.at(text, status.now),
            caution=CAUTION,
            **more,
        )

    async def page(
        self, template: str, title: str, position: str | None = None, **more: Any
    ) -> str:
        """A page of *template*, with what every page has: for those that others answer."""
        return await self._page(template, title, position, **more)

    def _render(self, template: str, **values: Any) -> Markup:
        """A template with its values escaped: it is markup, for another to hold as it is."""
        return _markup(self._templates.get_template(template).render(**values))

    # The desk.

    async def desk(self, position: Position = None, fault: str | None = None) -> str:
        """The desk's page."""
        found = await self._view.position(position)
        last = self._ticks.ticks.last  # before anything is looked at
        looks = await self._ticks.looks()
        return await self._page(
            "desk.html",
            self._line.name,
            position,
            faults=await self._faults(found),
            resets=await self._resets(found),
            foot=await self._foot(found),
            fault=await self._fault(found, fault),
            overview=_markup(drawing.overview(self._line, looks)),
            standing=drawing.standing(self._line, looks),
            top=await self._top(found),
            not_known=_not_known(looks),
            caption_of_show=self._ticks.caption(),
            last=last,
        )

    async def _top(self, position: PositionOut | None) -> dict[str, str]:
        status = await self._view.status()
        work, looks = await self._desk.work(), await self._ticks.looks()
        return top(status, position, work, looks, self._line)

    async def _top_line(self, position: PositionOut | None) -> str:
        """What the top line says, by its places: plain values, which a page puts in as text."""
        return json.dumps(await self._top(position))

    async def part_lists(
        self,
        position: Position = None,
        since: int | None = None,
        have: Annotated[str, Query(max_length=200)] = "",
    ) -> Response:
        """All of the desk's page but the line and the fault, as far as a page does not have it.

        Args:
            position: whose desk it is.
            since: the version of which a tick told.
            have: what the page has, by the marks that were told with it, with dots between.

        Returns:
            For each part that is another by now, what it is and its mark.
        """
        has = set(have.split("."))
        told = {}
        for name, make in self._lists.items():
            key = name, position or ""
            made = await self._shared.of(key, partial(make, position or ""), since)
            if made.mark not in has:
                told[name] = plain(made, None)
        return Response(json.dumps(told), media_type="application/json")

    def _of(
        self, make: Callable[[PositionOut | None], Awaitable[str]]
    ) -> Callable[[str], Awaitable[str]]:
        async def made(position: str) -> str:
            return await make(await self._view.position(position or None))

        return made

    async def _faults(self, position: PositionOut | None) -> str:
        faults, now = await self._view.faults(position), await self._now()
        called = [one for one in faults if one.priority in CALLED]
        return self._render(
            "part_faults.html",
            rows=[self._view.row(one, now) for one in called],
            planned=sum(one.priority == "planned" for one in faults),
            not_seen=sum(not one.seen for one in called),
            quiet=await self._desk.quiet(),
            query=_query(position),
        )

    async def _now(self) -> int:
        return parse((await self._view.status()).now)

    async def _resets(self, position: PositionOut | None) -> str:
        now = (await self._view.status()).now
        return self._render(
            "part_resets.html",
            resets=await self._view.resets(position),
            query=_query(position),
            at=lambda text: self._view.at(text, now),
        )

    async def _foot(self, position: PositionOut | None) -> str:
        return self._render(
            "part_foot.html",
            load=await self._view.load(position),
            position=position,
            caution=CAUTION,
        )

    async def part_fault(self, name: str, since: int | None = None) -> str:
        """One fault, with the close-up of where it is."""
        key = "fault", name
        return (await self._shared.of(key, lambda: self._told(name), since)).text

    async def _fault(self, position: PositionOut | None, name: str | None) -> str:
        if name is None:
            faults = await self._view.faults(position)
            called = [one for one in faults if one.priority in CALLED]
            if not called:
                return self._render("part_none.html")
            name = called[0].id
        return await self._told(name)

    async def _told(self, name: str) -> str:
        story = await self._view.story(name)
        looks = await self._ticks.looks()
        return self._render(
            "part_fault.html",
            story=story,
            close_up=self._close_up(story.section, looks),
            strip=await self._strip(story.section),
            marks=_markup(legend()),
            month=await self._month(story.section),
            caution=CAUTION,
        )

    async def _strip(self, section: str) -> Markup:
        """The last minutes of a section and what lies beside it."""
        if not section:
            return _markup("")
        rows = [await self._desk.section(name, 1) for name in self._beside(section)]
        return _markup(strip(rows, await self._now(), self._line.zone))

    async def _month(self, section: str) -> Markup:
        """Its last days, and theirs."""
        if not section:
            return _markup("")
        names = self._beside(section)
        return _markup(
            month_strip({name: await self._desk.days(name, DAYS) for name in names})
        )

    def _beside(self, section: str) -> list[str]:
        """*section* between its neighbours."""
        near = self._line.neighbours(section)
        half = len(near) // 2
        return [*near[:half], section, *near[half:]]

    def _close_up(self, section: str, looks: dict[str, SectionLook]) -> Markup:
        if not section:
            return _markup("")
        return _markup(drawing.close_up(self._line, section, looks))

    async def looks(self) -> dict[str, Any]:
        """How every section looks."""
        return {name: one.plain() for name, one in (await self._ticks.looks()).items()}

    async def ticks(
        self,
        request: Request,
        last: Annotated[str | None, Query(max_length=64)] = None,
        position: Annotated[list[PositionName] | None, Query(max_length=MOST)] = None,
    ) -> StreamingResponse:
        """What changes, gathered: a few events in a second at most, and one in a second at least; and the lists of each *position* whenever one of them is another."""
        asker = self._door.check(request, Role.LOOK)
        if self._ticks.ticks.is_full():
            raise Refusal(503, "As many are following as may.", {"Retry-After": "10"})
        last = request.headers.get("last-event-id", last)
        of = position or []

        async def told() -> AsyncIterator[str]:
            with self._listed.followed(of):
                async for text in self._ticks.ticks.read(
                    last, lambda: self._door.still(request, asker), of
                ):
                    yield text

        return StreamingResponse(
            told(),
            media_type="text/event-stream",
            headers={"X-Accel-Buffering": "no"},
        )

    async def beat(
        self,
        request: Request,
        page: Annotated[str, Query(pattern="^[0-9a-f]{8,32}$")],
        position: Annotated[str, Query(max_length=64)] = "",
        *,
        able: bool = False,
        tested: bool = False,
    ) -> BeatOut:
        """A page is open, or has just let somebody hear its sound; told is whether it is the one that makes sounds."""
        asker = self._door.check(request, Role.LOOK)
        if tested:
            found = await self._view.position(position or None)
            if found is not None:
                now = clock(await self._now(), self._line.zone)
                self._tested[found.name] = f"tested {now[:5]} by {asker.name}"
        sounds = self._sounding.beat(position, page, able=able)
        return BeatOut(
            sounds=sounds,
            pages=self._sounding.pages(position),
            tested=self._tested.get(position, ""),
            silenced=self._sounding.silenced(position),
        )

    async def silence(self, request: Request, told: SilenceIn) -> list[str]:
        """What sounds now is silenced at a position, on all of its pages, by whoever may act there; told is what is silenced.

        It is asked with the proof that goes with acts: no page of others is to make a desk deaf.
        """
        self._door.check(request, Role.ACT)
        if told.let_sound:
            self._sounding.let_sound(told.position)
        self._sounding.silence(told.position, told.silence)
        return self._sounding.silenced(told.position)

    # The phone.

    async def phone(self, position: Position = None) -> str:
        """The faults, on a phone."""
        return await self._page(
            "phone.html",
            "Faults",
            position,
            rows=await self._phone_rows(position),
        )

    async def part_phone(self, position: Position = None) -> str:
        """The faults, as a list on a phone."""
        return await self._phone_rows(position)

    async def _phone_rows(self, position: str | None) -> str:
        found = await self._view.position(position)
        now = await self._now()
        faults = await self._view.faults(found)
        rows = [self._view.row(one, now) for one in faults if one.priority != "note"]
        return self._render("part_phone.html", rows=rows, now=stamp(now))

    async def phone_fault(self, name: str) -> str:
        """One fault, on a phone."""
        story = await self._view.story(name)
        return await self._page(
            "phone_fault.html",
            story.row.headline,
            story=story,
            part=await self._phone_story(story),
            causes=FINDINGS,
        )

    async def _phone_story(self, story: Story) -> str:
        return self._render(
            "part_phone_fault.html",
            story=story,
            now=stamp(await self._now()),
            caution=CAUTION,
        )

    async def part_phone_fault(self, name: str) -> str:
        """What changes of that: all but the form."""

        async def told() -> str:
            return await self._phone_story(await self._view.story(name))

        return (await self._shared.of(("phone", name), told)).text

    # Lists.

    async def day_list(self, position: Position = None) -> str:
        """What is planned: nobody is called for it."""
        found = await self._view.position(position)
        now = await self._now()
        faults = await self._view.faults(found)
        rows = [self._view.row(one, now) for one in faults if one.priority == "planned"]
        return await self._page("day_list.html", "Day list", position, rows=rows)

    async def quiet(self, position: Position = None) -> str:
        """What is open and keeps quiet, with the reason."""
        found = await self._desk.alerts(Asked(is_open=True, limit=MOST_ALERTS))
        quiet = [
            (one.record, one.state.quiet or one.record["parameters"].get("quiet", ""))
            for one in found.alerts
            if one.state is not None
            and (one.state.quiet or one.record["parameters"].get("quiet"))
        ]
        return await self._page("quiet.html", "Quiet", position, quiet=quiet)

    async def first_train(
        self,
        position: Position = None,
        area: Annotated[str | None, Query(max_length=200)] = None,
    ) -> str:
        """What stands open before the first train."""
        listed = await self._desk.before_first_train(area, None)
        areas = dict.fromkeys(one.area for one in self._line.sections.values())
        return await self._page(
            "first_train.html",
            "Before the first train",
            position,
            listed=listed,
            named=place_names(self._line),
            areas=list(areas),
        )

    async def handover(self, position: Position = None) -> str:
        """The handover sheet of a position."""
        found = await self._view.position(position)
        text = "" if found is None else await self._desk.print_handover(found.name)
        return await self._page("handover.html", "Handover", position, text=text)

    async def section(self, name: str) -> str:
        """A section's page."""
        one = await self._desk.section(name, HOURS)
        faults = await self._named(one.faults)
        return await self._page(
            "section.html",
            f"Section {one.id}",
            section=one,
            faults=faults,
            close_up=self._close_up(name, await self._ticks.looks()),
            strip=await self._strip(name),
            marks=_markup(legend()),
            month=await self._month(name),
            states=STATES,
            in_words=in_words,
            has_ended=has_ended,
            site=self._line.evaluators[one.evaluator].site,
            named=place_names(self._line),
        )

    async def head(self, name: str) -> str:
        """A head's page."""
        one: HeadOut = await self._desk.head(name)
        beside = [self._line.sections[n].evaluator for n in one.between if n != OPEN]
        return await self._page(
            "head.html",
            f"Head {one.id}",
            head=one,
            evaluators=one.evaluators or list(dict.fromkeys(beside)),
            faults=await self._named(one.faults),
        )

    async def wheel(self, name: str) -> str:
        """One head live, for a test with a wheel."""
        live = await self._desk.head_live(name, None)
        return await self._page(
            "wheel.html", f"Head {live.id}, live", live=live, part=self._wheel(live)
        )

    async def part_wheel(
        self, name: str, since: Annotated[Time | None, Query()] = None
    ) -> str:
        """What changes of that."""
        begin = None if since is None else parse(since)
        return self._wheel(await self._desk.head_live(name, begin))

    def _wheel(self, live: HeadLiveOut) -> str:
        now, zone = parse(live.now), self._line.zone
        last = live.passages[0] if live.passages else None

        def way(direction: str) -> str:
            one, other = live.between
            ways = {"forward": f"{one} → {other}", "reverse": f"{other} → {one}"}
            return ways.get(direction, "none")

        return self._render(
            "part_wheel.html",
            live=live,
            last=last,
            direction=way(last.direction) if last else "-",
            at=clock(parse(last.at), zone, now) if last else "",
            counting=clock(parse(live.since), zone, now) if live.since else "",
            ago=lambda stamped: f"{span(max(0, now - parse(stamped)))} ago",
            paired=any(one.a is not None or one.b is not None for one in live.passages),
            rows=[
                (one, clock(parse(one.at), zone, now), way(one.direction))
                for one in live.passages[:MOST_PASSAGES]
            ],
        )

    async def _named(self, ids: list[str]) -> list[FaultOut]:
        found = []
        for one in ids:
            try:
                found.append(await self._desk.fault(one))
            except NotThere:
                continue
        return found

    async def sheet(self, name: str) -> str:
        """One fault by itself, to print."""
        story = await self._view.story(name, MOST_PRINTED)
        return await self._page(
            "fault.html", f"{story.row.number}: {story.row.headline}", story=story
        )

    # Around it.

    async def login(self, request: Request) -> Response:
        """Where one says who one is."""
        try:
            self._door.check(request, Role.ACT)
        except Refusal:
            text = self._render("login.html", title="Log in", caution=CAUTION)
            return HTMLResponse(text)
        return RedirectResponse("/", 303)

    async def static(self, name: str) -> Response:
        """A script or a style sheet."""
        kind = STATIC.get(PurePosixPath(name).suffix)
        places = [files(one) / "static" / name for one in SERVED]
        found = next((one for one in places if one.is_file()), None)
        if kind is None or "/" in name or found is None:
            raise NotThere(f"there is no {name}")
        return Response(
            found.read_bytes(),
            media_type=kind,
            headers={"Cache-Control": "no-cache"},
        )


def _query(position: PositionOut | None) -> str:
    """What carries the position from a page to the next."""
    return "" if position is None else f"?{urlencode({'position': position.name})}"


def _readable(value: object) -> object:
    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return readable(value)


def _dialled(telephone: str | None) -> str:
    """What is dialled of a telephone number as it is written."""
    return "".join(c for c in telephone or "" if c in "+0123456789")


def _markup(text: str) -> Markup:
    """What was made and escaped here, for a template to hold as it is."""
    return Markup(text)  # noqa: S704 - templates and drawings escape what they are given


def _not_known(looks: dict[str, SectionLook]) -> int:
    return sum(not one.known for one in looks.values())
