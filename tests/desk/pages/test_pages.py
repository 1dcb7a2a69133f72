"""Every page as it comes, without a script."""

import asyncio
import json
import re
from html.parser import HTMLParser

import httpx
import pytest

from monitor.core.moments import MINUTE
from monitor.core.words import CAUTION
from monitor.desk.app import create
from monitor.desk.model import SeenIn, Who
from monitor.desk.pages.ticks import Ticks
from monitor.settings.desk import DeskSettings
from monitor.shown import shown_in
from tests.desk.daemon import NOON, Daemon, alert, fault
from tests.desk.fake import HOSTILE

PAGES = (
    "/",
    "/phone",
    "/phone/XLLM",
    "/day-list",
    "/quiet",
    "/before-the-first-train",
    "/handover",
    "/sections/T107",
    "/explain",
    "/heads/H107",
    "/heads/H107/watch",
    "/faults/XLLM",
    "/parts/lists",
    "/parts/fault/XLLM",
    "/parts/phone",
    "/parts/phone/XLLM",
    "/parts/wheel/H107",
)
WITH_CAUTION = [one for one in PAGES if not one.startswith("/parts")]


@pytest.fixture
def daemon(tmp_path):
    """A monitor with one open fault, whose texts were written by somebody who wants them to run."""
    daemon = Daemon(tmp_path)
    one = alert(
        summary=HOSTILE,
        checks=(
            f"Do first: {HOSTILE}",
            f"Look first at {HOSTILE}",
            f"Could also be: {HOSTILE}; settled by {HOSTILE}",
        ),
        parameters={"no_train_after_s": 120.0, "why": HOSTILE},
    )
    daemon.tell(one, faults=[fault(one, headline=HOSTILE[:42])])
    yield daemon
    daemon.close()


@pytest.fixture
def ticks(daemon):
    """What pages follow."""
    return Ticks(daemon.desk, daemon.line, daemon.stream)


@pytest.fixture
def unnamed():
    """What whoever is at this machine may do."""
    return "act"


@pytest.fixture
async def client(daemon, ticks, tmp_path, unnamed):
    """A browser at this machine."""
    settings = DeskSettings(people_file=tmp_path / "people.json", unnamed=unnamed)
    app = create(daemon.desk, settings, daemon.stream, lambda: daemon.now, ticks=ticks)
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40000))
    async with httpx.AsyncClient(
        transport=transport, base_url="http://127.0.0.1:9109"
    ) as client:
        yield client


class Read(HTMLParser):
    """What a page loads, and what would run in it."""

    def __init__(self, text):
        super().__init__()
        self.loads: list[str] = []
        self.runs: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """One element begins."""
        self.tags.append(tag)
        values = dict(attrs)
        if tag in {"script", "img", "iframe", "source", "embed"} and values.get("src"):
            self.loads.append(values["src"])
        if tag == "link":
            self.loads.append(values["href"])
        self.runs += [name for name in values if name.startswith("on")]
        self.runs += ["style"] if "style" in values or tag == "style" else []
        if tag == "script" and not values.get("src"):
            self.runs.append("script")


async def page_of(client, path):
    """A page that is there."""
    answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    return answer


@pytest.mark.parametrize("path", PAGES)
async def test_nothing_runs_in_a_page_and_nothing_comes_from_elsewhere(client, path):
    """No script, style or handler in it, whatever people and feeds wrote; everything it loads is ours."""
    answer = await page_of(client, path)
    read = Read(answer.text)

    assert read.runs == []
    assert all(one.startswith("/static/") for one in read.loads)
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'self'")
    assert "unsafe" not in policy
    assert "<script>alert(1)" not in answer.text


@pytest.mark.parametrize("path", WITH_CAUTION)
async def test_every_page_says_the_caution(client, path):
    """An output that could lead someone to reset, restore or pass a train."""
    answer = await page_of(client, path)

    assert CAUTION.split(".")[0] in answer.text


async def test_who_may_act_already_is_not_asked_to_log_in(client):
    """They are sent to the desk."""
    answer = await client.get("/login")

    assert (answer.status_code, answer.headers["location"]) == (303, "/")


@pytest.mark.parametrize("unnamed", ["look", "nothing"])
async def test_who_may_not_act_is_asked_who_they_are(client):
    """Also where nothing is shown to anybody unnamed."""
    answer = await client.get("/login")

    assert answer.status_code == 200
    assert 'id="login"' in answer.text
    assert CAUTION in answer.text


@pytest.mark.parametrize("unnamed", ["nothing"])
@pytest.mark.parametrize("path", [*PAGES, "/ticks", "/looks", "/beat?page=01234567"])
async def test_nothing_is_shown_to_whom_nothing_may_be_shown(client, path):
    """A page is as closed as the API."""
    assert (await client.get(path)).status_code == 401


async def test_the_desk_is_whole_without_a_script(client):
    """The fault, what to do first, the line, and as of when."""
    text = (await page_of(client, "/")).text

    assert "Faults now (1)" in text
    assert "NOT SEEN" in text
    assert 'data-section="T107"' in text
    assert "this page stands as of 13:00:00" in text


async def lists(client, **given):
    """All of the desk's page but the line and the fault."""
    return (await client.get("/parts/lists", params=given)).json()


async def test_a_page_is_told_of_its_lists_only_what_is_another_by_now(daemon, client):
    """It names what it has; a version that a tick told and a monitor which started anew does not know yet is no hindrance."""
    every = await lists(client)
    assert set(every) == {"top", "faults", "resets", "foot"}
    has = {"have": ".".join(one["mark"] for one in every.values()), "since": 10**9}
    assert await lists(client, **has) == {}
    later = alert(subject="section/T106", began=NOON + 5 * MINUTE)
    daemon.tell(later, faults=[fault(later, number="WR6L")])
    told = await lists(client, **has)
    assert "WR6L" in told["faults"]["text"]
    assert "top" not in told


async def test_a_fault_that_is_seen_comes_after_one_that_is_not(daemon, client):
    """Not seen first, then by priority, then the newest."""
    later = alert(subject="section/T106", began=NOON + 5 * MINUTE, priority="urgent")
    daemon.tell(later, faults=[fault(later, number="WR6L")])
    first = (await lists(client))["faults"]["text"]
    async with daemon.running() as desk:
        await desk.act(Who(name="A. Moor"), SeenIn(what="seen", fault=later.id))
    then = (await lists(client))["faults"]["text"]

    assert re.findall(r'data-number="(\w+)"', first) == ["WR6L", "XLLM"]
    assert re.findall(r'data-number="(\w+)"', then) == ["XLLM", "WR6L"]


async def test_what_is_planned_goes_to_the_day_list(daemon, client):
    """Nobody is called for it."""
    one = alert(kind="level-drift", subject="head/H107", priority="planned")
    daemon.tell(one, faults=[fault(one, number="K744", headline="H107 level drifts")])

    assert "K744" not in (await lists(client))["faults"]["text"]
    assert "K744" in (await client.get("/day-list")).text


async def test_what_keeps_quiet_is_counted_where_faults_are(daemon, client):
    """And listed with its reason, one step away."""
    one = alert(subject="section/T106", parameters={"quiet": "under work: work W7"})
    daemon.tell(one, faults=[fault(one, number="K744")])

    assert ">Quiet 1</a>" in (await lists(client))["faults"]["text"]
    assert "under work: work W7" in (await client.get("/quiet")).text


@pytest.mark.parametrize(
    "path",
    ["/phone/2222", "/sections/T999", "/heads/H999", "/faults/2222", "/static/no.js"],
)
async def test_what_is_not_there_is_said(client, path):
    """Not found, with a way back where a person asked, and nothing of the question is given back unescaped."""
    answer = await client.get(path)

    assert answer.status_code == 404
    if not path.startswith("/static"):
        assert "Back to the faults that are open" in answer.text
        assert CAUTION.split(".")[0] in answer.text


@pytest.mark.parametrize("name", ["../routes.py", "..%2froutes.py", "%2e%2e/view.py"])
async def test_only_scripts_and_styles_are_given_as_files(client, name):
    """Nothing of the program."""
    assert (await client.get(f"/static/{name}")).status_code == 404


@pytest.mark.parametrize("path", ["/parts/fault/XLLM", "/sections/T107"])
async def test_a_section_stands_between_its_neighbours(client, path):
    """In the strips of the last minutes and of the last days alike, from what lies before it to what lies behind it; time runs to the right."""
    text = (await page_of(client, path)).text
    last, month = re.findall(
        r'<svg class="row-names".*?<svg class="(?:strip|month)".*?</svg>', text
    )
    rows = [
        re.findall(r'class="row-name" x="0"[^>]*>([^<]*)<', one)
        for one in (last, month)
    ]

    assert rows == [["T106", "T107", "T108"]] * 2
    assert re.findall(r">(\d\d:\d\d:\d\d)<", last)[-2:] == ["12:45:00", "13:00:00"]


async def test_a_page_says_what_it_painted(daemon, client):
    """On disk, with when and how, as the page told it."""
    proof = (await client.get("/api/v1/me")).json()["proof"]
    told = {
        "page": "0123456789abcdef",
        "position": "north",
        "at": "2026-05-04T12:59:59Z",
        "visible": True,
        "sound": "blocked",
        "faults": [
            {
                "fault": alert().id,
                "headline": "T107 occupied",
                "priority": "prompt",
                "alerts": [alert().id],
            }
        ],
    }
    async with daemon.running():
        answer = await client.post(
            "/api/v1/shown", json=told, headers={"X-Tallywatch-Proof": proof}
        )
        [one] = shown_in(daemon.written())

    assert answer.status_code == 200
    assert (one.position, one.sound, one.faults[0].headline) == (
        "north",
        "blocked",
        "T107 occupied",
    )
    assert one.faults[0].alerts == (alert().id,)


async def test_each_fault_is_put_down_as_of_when_it_was_painted(client, daemon):
    """Also where a page says it later, together with others."""
    proof = (await client.get("/api/v1/me")).json()["proof"]
    other = alert(subject="section/T106")
    told = {
        "page": "0123456789abcdef",
        "at": "2026-05-04T12:00:09.000Z",
        "visible": True,
        "sound": "could",
        "faults": [
            {"fault": one.id, "headline": "x", "priority": "prompt", "at": at}
            for one, at in (
                (other, "2026-05-04T12:00:08.500Z"),
                (alert(), "2026-05-04T12:00:07.250Z"),
            )
        ],
    }
    async with daemon.running():
        said = [
            client.post(
                "/api/v1/shown", json=told, headers={"X-Tallywatch-Proof": proof}
            )
            for _ in range(3)
        ]
        assert {one.status_code for one in await asyncio.gather(*said)} == {200}
        found = [(one.at - NOON, one.faults) for one in shown_in(daemon.written())]

    assert sorted(at for at, _ in found) == [7_250_000] * 3 + [8_500_000] * 3
    assert {(at, one.fault) for at, (one,) in found} == {
        (7_250_000, alert().id),
        (8_500_000, other.id),
    }


async def ticked(ticks, count=1):
    """The next ticks."""
    found = []
    async with asyncio.timeout(5):
        async for text in ticks.ticks.read(f"{ticks.ticks.run}-0"):
            for one in re.findall(r"event: tick\ndata: (.*)\n", text):
                found.append(json.loads(one))
                if len(found) == count:
                    return found
    raise AssertionError("no tick came")


async def test_a_tick_tells_first_how_everything_looks_and_then_what_changed(
    daemon, ticks
):
    """And says with a number that lists are to be asked for again."""
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(one) for one in (ticks.follow(), ticks.tell())]
        [first] = await ticked(ticks)
        later = alert(subject="section/T106", began=NOON + 5 * MINUTE)
        daemon.tell(later, faults=[fault(later, number="WR6L")])
        second = (await ticked(ticks, 2))[1]
        for task in tasks:
            task.cancel()

    assert set(first["sections"]) == set(daemon.line.sections)
    assert list(second["sections"]) == ["T106"]
    assert second["sections"]["T106"]["fault"] == "prompt"
    assert second["version"] > first["version"]
    assert second["faults"] == [later.id]


async def test_what_people_do_may_be_about_any_fault(daemon, ticks):
    """So whoever shows one asks for it again; where an alert tells of its fault, only who shows that."""
    async with daemon.running() as desk, asyncio.TaskGroup() as group:
        follows = group.create_task(ticks.follow())
        await asyncio.sleep(0)
        await ticks.tell_once()
        await desk.act(Who(name="A. Moor"), SeenIn(what="seen", fault=alert().id))
        await asyncio.sleep(0)
        await ticks.tell_once()
        await ticks.tell_once()
        follows.cancel()

    first, second, third = await ticked(ticks, 3)
    assert first["faults"] == third["faults"] == []
    assert second["faults"] is None
    assert first["version"] < second["version"] == third["version"]


async def test_who_follows_ends_with_the_stream(daemon, ticks):
    """Or a monitor that stops would turn round for ever."""
    async with asyncio.timeout(5), asyncio.TaskGroup() as group:
        group.create_task(ticks.follow())
        await asyncio.sleep(0)
        daemon.stream.close()


@pytest.mark.parametrize("unnamed", ["look", "act"])
async def test_only_who_may_act_silences_a_position(client, unnamed):
    """Whoever only looks may silence their own page, and nobody else's; and no page of others makes a desk deaf."""
    beat = "/beat?page=01234567&position=north"
    name = f"{alert().id} prompt"
    what = {"position": "north", "silence": [name]}
    proof = (await client.get("/api/v1/me")).json()["proof"]
    unproved = await client.post("/silence", json=what)
    before = (await client.get(beat)).json()["silenced"]
    answer = await client.post(
        "/silence", json=what, headers={"X-Tallywatch-Proof": proof}
    )
    after = (await client.get(beat)).json()["silenced"]

    assert (unproved.status_code, before) == (403, [])
    assert (answer.status_code, after) == (
        (200, [name]) if unnamed == "act" else (403, [])
    )
