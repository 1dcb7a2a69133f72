"""The API under /api/v1: what people and programs ask of the running monitor, and what they do there.

What is asked goes through one narrow door (`model.Desk`), and whoever asks through another (`door.Door`).
The API describes itself at /api/v1/openapi.json; there is no page that loads anything from elsewhere.
Whatever was wrong with a question is said as RFC 9457 has it, without giving back what was sent.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, FastAPI, Query, Request, Response, Security
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, PlainTextResponse, StreamingResponse
from fastapi.security import APIKeyCookie, HTTPBearer
from pydantic import Field
from starlette.exceptions import HTTPException

from monitor.core.moments import SECOND, Moment, parse
from monitor.desk import model
from monitor.desk.door import COOKIE, PROOF_HEADER, Asker, Door
from monitor.desk.guard import (
    FAILED,
    LARGEST_ENTRY,
    PROBLEM,
    Guard,
    Refusal,
    printable,
    problem,
)
from monitor.desk.model import (
    HOURS,
    MOST_ALERTS,
    AnyAct,
    AnyEntry,
    AnyVisit,
    Asked,
    Desk,
    Ending,
    In,
    NotThere,
    Out,
    Priority,
    QuietIn,
    Refused,
    Time,
    Who,
)
from monitor.desk.outcomes import Outcomes
from monitor.desk.outlooks import Outlooks
from monitor.desk.pace import Pace
from monitor.desk.pages.planner import PlannerPages
from monitor.desk.pages.routes import Pages
from monitor.desk.pages.ticks import Ticks
from monitor.desk.pages.work import WorkPages
from monitor.desk.people import People, PeopleFault, Sessions
from monitor.desk.planning import Planning
from monitor.desk.roles import Role
from monitor.desk.stream import Stream
from monitor.settings.desk import DeskSettings

BASE = "/api/v1"
SHOWN_FAULTS = 20
"""Of what is wrong with a question, so much is told."""


class Wrong(Out):
    """One thing that is wrong with a question."""

    where: str
    what: str


class ProblemOut(Out):
    """What was wrong (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str
    errors: tuple[Wrong, ...] = ()


class LoginIn(In):
    """Who logs in."""

    name: Annotated[str, Field(min_length=1, max_length=64)]
    password: Annotated[str, Field(min_length=1, max_length=1000)]


class TableResponse(PlainTextResponse):
    """A table, for a spreadsheet."""

    media_type = "text/csv"


class MeOut(Out):
    """Who asks.

    Args:
        name: as it is recorded.
        role: what they may do.
        how: they showed who they are.
        proof: goes into the header of whatever changes something; "" where a token does.
    """

    name: str
    role: Role
    how: Literal["session", "token", "proxy", "unnamed"]
    proof: str


class AliveOut(Out):
    """It answers."""

    alive: bool


class ReadyOut(Out):
    """Whether it can do its work, and if not, why."""

    ready: bool
    why: list[str]


SHOWN_EACH, SHOWN_ALL = 60, 1200
"""What is shown is told so often in a minute at most, by a page and by all: one paints anew once a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What answers."""

    desk: Desk
    door: Door
    stream: Stream
    pace: Pace


def _problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    schema = {"$ref": "#/components/schemas/ProblemOut"}
    return {
        status: {
            "description": str(problem(status, "")["title"]),
            "content": {PROBLEM: {"schema": schema}},
        }
        for status in statuses
    }


def parts_of(request: Request) -> Parts:
    """What answers *request*."""
    parts: Parts = request.app.state.parts
    return parts


async def _look(request: Request) -> Asker:
    return parts_of(request).door.check(request, Role.LOOK)


async def _act(request: Request) -> Asker:
    return parts_of(request).door.check(request, Role.ACT)


async def _desk(request: Request) -> Desk:
    return parts_of(request).desk


Looks = Annotated[Asker, Depends(_look)]
Acts = Annotated[Asker, Depends(_act)]
TheDesk = Annotated[Desk, Depends(_desk)]
Named = Annotated[str, Query(min_length=1, max_length=200)]

# These only say in the description how one shows who one is; the door looks itself.
_SHOWN = (
    Security(HTTPBearer(auto_error=False, scheme_name="token")),
    Security(APIKeyCookie(name=COOKIE, auto_error=False, scheme_name="session")),
)
SEEN = APIRouter(
    prefix=BASE,
    dependencies=[Depends(_look), *_SHOWN],
    responses=_problems(400, 401, 403, 404, 409, 421, 422, 503),
)
DONE = APIRouter(
    prefix=BASE,
    dependencies=list(_SHOWN),
    responses=_problems(400, 401, 403, 404, 408, 409, 413, 415, 421, 422, 503),
    tags=["what people do"],
)
OPEN = APIRouter(
    responses=_problems(400, 401, 403, 408, 413, 415, 421, 422, 429, 500, 503)
)


@OPEN.get("/healthz", tags=["the monitor"], operation_id="healthz")
async def healthz() -> AliveOut:
    """Whether it answers."""
    return AliveOut(alive=True)


@OPEN.get(
    "/readyz",
    tags=["the monitor"],
    operation_id="readyz",
    responses={503: {"model": ReadyOut, "description": "It cannot do its work."}},
)
async def readyz(desk: TheDesk, response: Response) -> ReadyOut:
    """Whether it can do its work: what comes is written down and concluded from."""
    why = desk.unready()
    response.status_code = 503 if why else 200
    return ReadyOut(ready=not why, why=why)


@OPEN.post(f"{BASE}/login", tags=["who asks"], operation_id="login")
async def login(request: Request, response: Response, given: LoginIn) -> MeOut:
    """Log in by name and password; the answer sets a cookie."""
    door = parts_of(request).door
    person = await door.log_in(request, given.name, given.password)
    return _me(door, door.begin(request, response, person))


@DONE.post("/logout", tags=["who asks"], status_code=204, operation_id="logout")
async def logout(
    request: Request, response: Response, asker: Annotated[Asker, Depends(_look)]
) -> None:
    """Log out: the cookie is worth nothing from here on."""
    del asker
    parts_of(request).door.end(request, response)


@SEEN.get("/me", tags=["who asks"], operation_id="me")
async def me(request: Request, asker: Looks) -> MeOut:
    """Who asks, and what they may do."""
    return _me(parts_of(request).door, asker)


def _me(door: Door, asker: Asker) -> MeOut:
    return MeOut(
        name=asker.name, role=asker.role, how=asker.how, proof=door.proof(asker)
    )


@SEEN.get("/status", tags=["the monitor"], operation_id="status")
async def status(desk: TheDesk) -> model.StatusOut:
    """How the monitor stands: what it hears, and of how many sections the state is not known."""
    return await desk.status()


@SEEN.get("/faults", tags=["faults and alerts"], operation_id="faults")
async def faults(
    desk: TheDesk, is_open: Annotated[bool | None, Query(alias="open")] = None
) -> list[model.FaultOut]:
    """Faults, in the order in which they came; one that was taken in says where it went."""
    return await desk.faults(is_open=is_open)


@SEEN.get("/faults/{name}", tags=["faults and alerts"], operation_id="fault")
async def fault(desk: TheDesk, name: str) -> model.FaultOut:
    """The fault of a number, as it is said on the telephone, or of an id."""
    return await desk.fault(name)


@SEEN.get("/alerts", tags=["faults and alerts"], operation_id="alerts")
async def alerts(
    desk: TheDesk,
    *,
    is_open: Annotated[bool | None, Query(alias="open")] = None,
    kind: Named | None = None,
    subject: Named | None = None,
    area: Named | None = None,
    priority: Priority | None = None,
    in_fault: Annotated[str | None, Query(alias="fault", max_length=16)] = None,
    raised_from: Annotated[Time | None, Query(alias="from")] = None,
    raised_to: Annotated[Time | None, Query(alias="to")] = None,
    before: Annotated[str | None, Query(max_length=64)] = None,
    limit: Annotated[int, Query(ge=1, le=MOST_ALERTS)] = 100,
) -> model.AlertsOut:
    """Alerts, the newest first; `from` and `to` are about when they were raised."""
    return await desk.alerts(
        Asked(
            is_open=is_open,
            kind=kind,
            subject=subject,
            area=area,
            priority=priority,
            fault=in_fault,
            begin=None if raised_from is None else parse(raised_from),
            end=None if raised_to is None else parse(raised_to),
            before=before,
            limit=limit,
        )
    )


@SEEN.get("/alerts/{name}", tags=["faults and alerts"], operation_id="alert")
async def alert(desk: TheDesk, name: str) -> model.AlertFullOut:
    """One alert: its record with the evidence, how people stand to it, and every line that was told."""
    return await desk.alert(name)


@SEEN.get("/kinds", tags=["faults and alerts"], operation_id="kinds")
async def kinds(desk: TheDesk) -> list[model.KindOut]:
    """What each kind of alert asks of the desk."""
    return await desk.kinds()


@SEEN.get("/sections", tags=["the line"], operation_id="sections")
async def sections(desk: TheDesk, area: Named | None = None) -> list[model.SectionOut]:
    """The sections of an area, or all: what each shows, and whether that is known."""
    return await desk.sections(area)


@SEEN.get("/sections/{name}", tags=["the line"], operation_id="section")
async def section(
    desk: TheDesk, name: str, hours: Annotated[int, Query(ge=0, le=HOURS)] = 24
) -> model.SectionFullOut:
    """One section, with what was so in the last hours."""
    return await desk.section(name, hours)


@SEEN.get("/sections/{name}/days", tags=["the line"], operation_id="section_days")
async def section_days(
    desk: TheDesk, name: str, days: Annotated[int, Query(ge=1, le=92)] = 30
) -> list[model.DayOut]:
    """A section day by day: how often it was disturbed, and for what share nobody could tell."""
    return await desk.days(name, days)


@SEEN.get(
    "/sections/{name}/explained", tags=["the line"], operation_id="section_explained"
)
async def section_explained(
    desk: TheDesk,
    name: str,
    at: Annotated[Time, Query()],
    kind: Annotated[model.Kind | None, Query()] = None,
) -> model.ExplainedOut:
    """What each detection, or that of one kind, knew of a section at a moment that has passed: why there was an alert, or why there was none."""
    return await desk.explained(name, at, kind)


@SEEN.get("/heads", tags=["the line"], operation_id="heads")
async def heads(desk: TheDesk) -> list[model.HeadOut]:
    """The heads, in the order of the line file."""
    return await desk.heads()


@SEEN.get("/heads/{name}", tags=["the line"], operation_id="head")
async def head(desk: TheDesk, name: str) -> model.HeadOut:
    """One head."""
    return await desk.head(name)


@SEEN.get("/heads/{name}/live", tags=["the line"], operation_id="head_live")
async def head_live(
    desk: TheDesk, name: str, since: Time | None = None
) -> model.HeadLiveOut:
    """What a head said last, as it came, also under work: for a test with a wheel."""
    return await desk.head_live(name, None if since is None else parse(since))


@SEEN.get("/lists/resets-waiting", tags=["lists"], operation_id="resets_waiting")
async def resets_waiting(
    desk: TheDesk, area: Named | None = None
) -> list[model.ResetOut]:
    """Resets waiting for a train."""
    return await desk.resets_waiting(area)


@SEEN.get(
    "/lists/before-the-first-train", tags=["lists"], operation_id="before_first_train"
)
async def before_first_train(
    desk: TheDesk, area: Named | None = None, work: Named | None = None
) -> model.FirstTrainOut:
    """What this feed shows as open, for an area or a work; it does not show that a line is ready."""
    return await desk.before_first_train(area, work)


@SEEN.get(
    "/lists/resets-waiting/print",
    tags=["lists"],
    operation_id="print_resets",
    response_class=PlainTextResponse,
)
async def print_resets(desk: TheDesk, area: Named | None = None) -> str:
    """Resets waiting for a train, as plain text for a sheet of paper."""
    return await desk.print_resets(area)


@SEEN.get(
    "/lists/before-the-first-train/print",
    tags=["lists"],
    operation_id="print_first_train",
    response_class=PlainTextResponse,
)
async def print_first_train(
    desk: TheDesk, area: Named | None = None, work: Named | None = None
) -> str:
    """What this feed shows as open, as plain text for a sheet of paper; it does not show that a line is ready."""
    return await desk.print_first_train(area, work)


@SEEN.get("/work", tags=["lists"], operation_id="work")
async def work(desk: TheDesk) -> list[model.WorkOut]:
    """The work going on; none of it ends by itself."""
    return await desk.work()


@SEEN.get("/work/plans", tags=["lists"], operation_id="plans")
async def plans(desk: TheDesk) -> list[model.WorkOut]:
    """The work that is planned; a plan quiets nothing."""
    return await desk.plans()


@SEEN.get("/positions", tags=["positions"], operation_id="positions")
async def positions(desk: TheDesk) -> list[model.PositionOut]:
    """The desks, and who has each."""
    return await desk.positions()


@SEEN.get("/positions/{name}/handover", tags=["positions"], operation_id="handover")
async def handover(desk: TheDesk, name: str) -> model.SheetOut:
    """The handover sheet of a desk, as it would be now."""
    return await desk.handover(name)


@SEEN.get(
    "/positions/{name}/handover/print",
    tags=["positions"],
    operation_id="print_handover",
    response_class=PlainTextResponse,
)
async def print_handover(desk: TheDesk, name: str) -> str:
    """The handover sheet of a desk, as plain text for a sheet of paper."""
    return await desk.print_handover(name)


@SEEN.get("/load", tags=["positions"], operation_id="load")
async def load(desk: TheDesk, position: Named | None = None) -> model.LoadOut:
    """How many calls a desk had, against the published limits."""
    return await desk.load(position)


@SEEN.get(
    "/acts/shelve-preview", tags=["what people do"], operation_id="shelve_preview"
)
async def shelve_preview(
    desk: TheDesk,
    kind: Annotated[model.Kind, Query()],
    subject: Annotated[model.Subject, Query()],
) -> model.HiddenOut:
    """What shelving a kind at a place would have hidden in the last seven days."""
    return await desk.would_have_hidden(kind, subject)


@DONE.post("/acts", operation_id="act")
async def act(desk: TheDesk, asker: Acts, given: AnyAct) -> model.Done:
    """Do something about an alert, a fault, or a desk; it is on disk when the answer comes.

    Switching a kind off or on outlasts a shift, and needs the role set_up.
    """
    if isinstance(given, QuietIn) and given.what != "unshelved":
        _needs(asker, Role.SET_UP)
    return await desk.act(Who(name=asker.name, position=given.position), given)


@DONE.post("/entries", operation_id="enter")
async def enter(desk: TheDesk, asker: Acts, given: AnyEntry) -> model.Done:
    """Enter what people know: work begun or ended, a plan, a reset, a source out of watch; on disk when the answer comes."""
    return await desk.enter(Who(name=asker.name, position=given.position), given)


@SEEN.get("/keeps", tags=["lists"], operation_id="keeps")
async def keeps(desk: TheDesk) -> list[model.KeepOut]:
    """The windows of the journal that are to be kept."""
    return await desk.keeps()


@DONE.post("/keeps", operation_id="keep")
async def keep(desk: TheDesk, asker: Acts, given: model.KeepIn) -> model.Done:
    """Keep a window of the journal: whatever ages or deletes leaves it; on disk when the answer comes."""
    return await desk.keep(Who(name=asker.name, position=given.position), given)


@SEEN.get("/visits", tags=["the planner"], operation_id="visits")
async def visits(desk: TheDesk) -> list[model.VisitOut]:
    """The visits and what was found, the newest first."""
    return await desk.visits()


@SEEN.get(
    "/visits/table",
    tags=["the planner"],
    operation_id="visits_table",
    response_class=TableResponse,
)
async def visits_table(desk: TheDesk) -> str:
    """The visits as a table (CSV); imported again it changes nothing."""
    return await desk.visits_table()


@DONE.post("/visits", operation_id="visit")
async def visit(desk: TheDesk, asker: Acts, given: AnyVisit) -> model.VisitedOut:
    """Record a visit and what was found, import a table of them, or take back one that was entered in error; on disk when the answer comes."""
    return await desk.visit(Who(name=asker.name, position=given.position), given)


@DONE.post("/shown", operation_id="shown")
async def shown(
    request: Request, desk: TheDesk, asker: Looks, given: model.ShownIn
) -> model.Done:
    """A page says what it has painted, at which desk, and whether it could be seen and heard; on disk when the answer comes.

    Whoever may look may say so, and it is written down: so only so often in a minute.
    """
    wait_s = parts_of(request).pace.take(given.page)
    if wait_s > 0:
        again = {"Retry-After": str(int(wait_s) + 1)}
        raise Refusal(429, "That page has said enough for a minute.", again)
    return await desk.shown(Who(name=asker.name, position=given.position), given)


@DONE.post("/drills", operation_id="drill")
async def drill(desk: TheDesk, asker: Acts, given: model.DrillIn) -> model.DrillOut:
    """Send a marked alert and call through the whole chain, to the real receivers, and report when each stage was reached."""
    return await desk.drill(Who(name=asker.name), given)


def _needs(asker: Asker, role: Role) -> None:
    if not asker.role.may(role):
        raise Refusal(403, f"That needs the role {role.value}.")


@SEEN.get(
    "/events",
    tags=["the monitor"],
    operation_id="events",
    response_class=StreamingResponse,
    responses={
        200: {
            "description": "Server-sent events, each with an id.",
            "content": {"text/event-stream": {"schema": {"type": "string"}}},
        }
    },
)
async def events(
    request: Request,
    asker: Looks,
    last: Annotated[str | None, Query(max_length=64)] = None,
) -> StreamingResponse:
    """What changes, as it changes; name the last event you had in Last-Event-ID, or in `last`.

    Where that is no longer kept, an event `gone` says so first: ask for the lists again.
    """
    parts = parts_of(request)
    if parts.stream.is_full():
        raise Refusal(503, "As many are following as may.", {"Retry-After": "10"})
    last_id = request.headers.get("last-event-id", last)

    async def told() -> AsyncIterator[str]:
        async for text in parts.stream.read(
            last_id, lambda: parts.door.still(request, asker)
        ):
            yield text

    return StreamingResponse(
        told(),
        media_type="text/event-stream",
        headers={"X-Accel-Buffering": "no"},
    )


def _said(status: int, why: str, headers: Any = None, **more: Any) -> JSONResponse:
    return JSONResponse(
        problem(status, why, **more), status, headers=headers, media_type=PROBLEM
    )


async def _on_refusal(request: Request, error: Exception) -> Response:
    del request
    match error:
        case Refusal():
            return _said(error.status, error.why, error.headers)
        case NotThere():
            return _said(404, printable(str(error)))
        case Refused():
            return _said(409, printable(str(error)))
        case Ending():
            return _said(503, "The monitor is ending.", {"Retry-After": "5"})
        case PeopleFault():
            return _said(503, "Who may do what cannot be read; the log says why.")
        case HTTPException():
            return _said(error.status_code, printable(error.detail), error.headers)
        case RequestValidationError():
            wrong = [
                {
                    "where": printable(".".join(map(str, one["loc"]))),
                    "what": printable(str(one["msg"])),
                }
                for one in error.errors()[:SHOWN_FAULTS]
            ]
            return _said(422, "The question is not as described.", errors=wrong)
    # A mistake of ours: the guard logs it, and here nothing of it is told.
    return _said(500, FAILED)


class Api(FastAPI):
    """The application, which describes what is wrong in the shape in which it says it."""

    def openapi(self) -> dict[str, Any]:
        """The description, made once, when it is first asked for."""
        if self.openapi_schema is None:
            made = super().openapi()
            shapes = made["components"]["schemas"]
            shape = ProblemOut.model_json_schema(
                ref_template="#/components/schemas/{model}"
            )
            shapes.update(shape.pop("$defs", {}))
            shapes["ProblemOut"] = shape
            for name in ("HTTPValidationError", "ValidationError"):
                shapes.pop(name, None)
        return self.openapi_schema or {}


def create(
    desk: Desk,
    settings: DeskSettings,
    stream: Stream,
    now: Callable[[], Moment],
    *,
    people: People | None = None,
    ticks: Ticks | None = None,
    planning: Planning | None = None,
    outlooks: Outlooks | None = None,
) -> Guard:
    """The application, with its guard around it.

    Args:
        desk: what answers.
        settings: of the desk.
        stream: what changes.
        now: the clock.
        people: who may do what; by default those of the settings' file.
        ticks: what pages follow; None: there are no pages.
        planning: makes reports; None: the planner has no page.
        outlooks: makes work lists; None: there is no page of them.
    """
    file = settings.people_file

    def seconds() -> float:
        return now() / SECOND

    door = Door(
        settings,
        people if people is not None else People(file),
        Sessions(
            file.with_name(f"{file.stem}.sessions"), settings.session_h * 3600, seconds
        ),
        seconds,
    )
    app = Api(
        title="tallywatch",
        version="1",
        summary="What the monitor of axle counters concludes, and what people do about it.",
        description=(
            "It watches and commands nothing. Nothing here proves a section empty. "
            f"What changes something needs a token, or the header {PROOF_HEADER} with "
            "the proof that /api/v1/me gives."
        ),
        openapi_url=f"{BASE}/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.parts = Parts(
        desk=desk,
        door=door,
        stream=stream,
        pace=Pace(seconds, each=SHOWN_EACH, all=SHOWN_ALL),
    )
    for router in (OPEN, SEEN, DONE):
        app.include_router(router)
    if outlooks is not None:
        app.include_router(Outcomes(outlooks, door, BASE).router())
    if ticks is not None:
        pages = Pages(desk, ticks, door, seconds)
        app.include_router(pages.router())
        if planning is not None:
            app.include_router(PlannerPages(planning, pages.page, door).router())
        if outlooks is not None:
            app.include_router(WorkPages(outlooks, pages.page, door).router())
    for fault in (
        Refusal,
        NotThere,
        Refused,
        Ending,
        PeopleFault,
        HTTPException,
        RequestValidationError,
        Exception,
    ):
        app.add_exception_handler(fault, _on_refusal)
    large = {f"{BASE}/{path}": LARGEST_ENTRY for path in ("entries", "visits")}
    return Guard(app, settings, large)
