from __future__ import annotations

import json

import pytest

from monitor.desk.model import ClosedIn, SeenIn, WorkIn
from tests.desk.conftest import ACTING, HERE, LOOKING, SETTING_UP
from tests.desk.fake import ALERT, HOSTILE

SEEN = {"what": "seen", "alert": ALERT, "position": "north"}
OFF = {
    "what": "switched_off",
    "kind": "occupied-no-train",
    "subject": "section/T107",
    "text": "rails are out",
}
WORK = {
    "what": "work_begun",
    "position": "north",
    "subjects": ["section/T107"],
    "planned_end": "2026-05-04T04:30:00+02:00",
}

READ = [
    "/me",
    "/status",
    "/faults",
    "/faults/XLLM",
    f"/faults/{ALERT}",
    "/alerts",
    f"/alerts/{ALERT}",
    "/kinds",
    "/sections",
    "/sections/T107",
    "/sections/T107/explained?at=2026-05-04T06:13:00Z",
    "/heads",
    "/heads/H107",
    "/lists/resets-waiting",
    "/lists/before-the-first-train",
    "/work",
    "/work/plans",
    "/positions",
    "/positions/north/handover",
    "/load",
    "/acts/shelve-preview?kind=occupied-no-train&subject=section/T107",
]


@pytest.mark.parametrize("path", READ)
async def test_whoever_looks_may_read(setting, path):
    """Everything that is told is told to whoever may look, as JSON, and to nobody else."""
    async with setting.client(LOOKING) as looks, setting.client() as nobody:
        answer = await looks.get(f"/api/v1{path}")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "application/json"
        assert (await nobody.get(f"/api/v1{path}")).status_code == 401


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (
            "/lists/resets-waiting/print?area=thornmere",
            f"Resets waiting for a train in thornmere: {HOSTILE}",
        ),
        (
            "/lists/before-the-first-train/print?work=W7",
            "Before the first train in None, W7",
        ),
        ("/positions/north/handover/print", "Handover: north"),
    ],
)
async def test_what_is_for_paper_is_plain_text(setting, path, text):
    """A browser takes it for nothing else, whatever people wrote, and it is shown to whoever may look."""
    async with setting.client(LOOKING) as looks, setting.client() as nobody:
        answer = await looks.get(f"/api/v1{path}")
        assert (answer.status_code, answer.text) == (200, text)
        assert answer.headers["content-type"] == "text/plain; charset=utf-8"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert (await nobody.get(f"/api/v1{path}")).status_code == 401


async def test_whoever_looks_may_not_act(setting):
    """The role look changes nothing: no act, and no entry."""
    async with setting.client(LOOKING) as client:
        for path, body in (("acts", SEEN), ("entries", WORK)):
            answer = await client.post(f"/api/v1/{path}", json=body)
            assert answer.status_code == 403
            assert "role act" in answer.json()["detail"]
    assert not setting.desk.acts
    assert not setting.desk.entries


async def test_whoever_acts_acts_by_name(setting):
    """An act reaches the monitor with the name of who did it, and of their position."""
    async with setting.client(ACTING) as client:
        answer = await client.post("/api/v1/acts", json=SEEN)
    assert answer.status_code == 200
    assert answer.json()["id"] == "act-1"
    [(who, act)] = setting.desk.acts
    assert (who.name, who.position) == ("A. Moor", "north")
    assert act == SeenIn(what="seen", alert=ALERT, position="north")


async def test_an_entry_reaches_the_monitor(setting):
    """What people know is entered with who knew it."""
    async with setting.client(ACTING) as client:
        assert (await client.post("/api/v1/entries", json=WORK)).status_code == 200
    [(who, entry)] = setting.desk.entries
    assert who.name == "A. Moor"
    assert isinstance(entry, WorkIn)
    assert entry.subjects == ["section/T107"]


async def test_what_a_page_shows_is_told_so_often_at_most(setting):
    """It is written to disk for whoever may look, so a page that says it again and again is refused, and told when to come back."""
    told = {
        "page": "0123456789abcdef",
        "at": "2026-05-04T12:59:59Z",
        "visible": True,
        "sound": "blocked",
    }
    async with setting.client(LOOKING) as client:
        said = [(await client.post("/api/v1/shown", json=told)) for _ in range(61)]

    assert [one.status_code for one in said] == [200] * 60 + [429]
    assert said[-1].headers["Retry-After"] == "61"


async def test_switching_off_needs_the_role_set_up(setting):
    """A kind is switched off only by whoever may set up, for that outlasts a shift."""
    async with setting.client(ACTING) as acts, setting.client(SETTING_UP) as chief:
        assert (await acts.post("/api/v1/acts", json=OFF)).status_code == 403
        assert (await chief.post("/api/v1/acts", json=OFF)).status_code == 200
        back = {**OFF, "what": "unshelved"}
        assert (await acts.post("/api/v1/acts", json=back)).status_code == 200


async def test_nobody_can_pass_as_another(setting):
    """Who did something is who showed it, whatever the body says."""
    async with setting.client(ACTING) as client:
        answer = await client.post("/api/v1/acts", json={**SEEN, "by": "Chief"})
    assert answer.status_code == 422
    assert not setting.desk.acts


async def test_what_the_monitor_refuses_is_told(setting):
    """An act that cannot be taken comes back with the reason, as a conflict."""
    async with setting.client(ACTING) as client:
        answer = await client.post("/api/v1/acts", json={**SEEN, "alert": "0" * 16})
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"] == "it is seen already"


@pytest.mark.parametrize(
    "path", ["faults/QQQQ", "alerts/x", "sections/T999", "heads/X", "nowhere"]
)
async def test_what_is_not_there_is_said_so(setting, path):
    """A name that is not there is a 404 that says so, in the shape of a problem."""
    async with setting.client(LOOKING) as client:
        answer = await client.get(f"/api/v1/{path}")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == 404


async def test_filters_reach_the_monitor(setting):
    """What is asked of alerts reaches the monitor: filters, times in any zone, and how many."""
    async with setting.client(LOOKING) as client:
        answer = await client.get(
            "/api/v1/alerts",
            params={
                "open": "true",
                "area": "thornmere",
                "from": "2026-05-04T02:00:00+02:00",
                "limit": 7,
            },
        )
    assert answer.status_code == 200
    [asked] = setting.desk.asked
    assert (asked.is_open, asked.area, asked.limit) == (True, "thornmere", 7)
    # 2026-05-04T00:00:00Z is 20,577 days after the epoch: 56 years with 14 leap days, and 123 days.
    assert asked.begin == (56 * 365 + 14 + 123) * 86_400 * 1_000_000


async def test_hostile_text_stays_text(setting):
    """What somebody writes comes back as JSON text, byte for byte, in an answer that no browser takes for a page."""
    hostile = HOSTILE.replace("\u2028", "")
    note = {"what": "noted", "fault": ALERT, "text": hostile}
    async with setting.client(ACTING) as client:
        assert (await client.post("/api/v1/acts", json=note)).status_code == 200
        answer = await client.get("/api/v1/faults/XLLM")
    assert answer.json()["notes"][0]["text"] == hostile
    assert answer.headers["content-type"] == "application/json"
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "text", ["a\x00b", "a\x1b[31mb", "\u202eab", "a\u2028b", "\ud800"]
)
async def test_what_cannot_be_printed_is_refused(setting, text):
    """What would move a terminal, turn a line round or end one is refused, and not given back."""
    body = json.dumps({"what": "noted", "fault": ALERT, "text": text})
    async with setting.client(ACTING) as client:
        answer = await client.post(
            "/api/v1/acts", content=body, headers={"Content-Type": "application/json"}
        )
    assert answer.status_code == 422
    assert not setting.desk.acts


async def test_a_hostile_name_in_a_path_is_only_quoted(setting):
    """A path that looks like a page is answered as a problem in JSON, without what cannot be printed."""
    async with setting.client(LOOKING) as client:
        answer = await client.get("/api/v1/faults/%3Cscript%3E%1b%5B31m")
    assert answer.headers["content-type"] == "application/problem+json"
    assert "\x1b" not in answer.json()["detail"]


async def test_what_was_sent_is_not_given_back(setting):
    """A question that is wrong is told what is wrong, not what it held: it may hold a password."""
    async with setting.client() as client:
        answer = await client.post(
            "/api/v1/login", json={"name": "A. Moor", "password": ["hunter2-hunter2"]}
        )
    assert answer.status_code == 422
    assert "hunter2" not in answer.text
    assert answer.json()["errors"][0]["where"] == "body.password"


async def test_every_answer_carries_the_headers(setting):
    """Answers of every kind tell a browser to run nothing of theirs, guess nothing, frame nothing, and keep nothing."""
    setting.desk.fails = "status"
    async with setting.client(LOOKING) as client:
        answers = [
            await client.get("/healthz"),
            await client.get("/api/v1/faults"),
            await client.get("/nowhere"),
            await client.get("/api/v1/status"),
            await client.post("/api/v1/acts", json=SEEN),
            await client.post("/api/v1/acts", content=b"x"),
            await client.put("/api/v1/acts"),
            await client.get("/healthz", headers={"Host": "elsewhere.example"}),
        ]
    statuses = [one.status_code for one in answers]
    # Without names in the settings nothing is answered to the unnamed, so any host will do.
    assert statuses == [200, 200, 404, 500, 403, 415, 405, 200]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'self';")
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cache-control"] == "no-store"


async def test_a_mistake_of_ours_tells_nothing(setting, logged):
    """What nobody foresaw is a 500 that says nothing of what went wrong inside; the log says it."""
    setting.desk.fails = "status"
    async with setting.client(LOOKING) as client:
        answer = await client.get("/api/v1/status")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert [(line["event"], line["path"]) for line in logged] == [
        ("desk failed", "/api/v1/status")
    ]


async def test_readiness_says_why_not(setting):
    """Alive is who answers; ready is who can do the work, and else says why not; both to anybody."""
    async with setting.client() as client:
        assert (await client.get("/readyz")).status_code == 200
        setting.desk.why = ["The journal cannot be written."]
        answer = await client.get("/readyz")
        assert answer.status_code == 503
        assert answer.json() == {
            "ready": False,
            "why": ["The journal cannot be written."],
        }
        assert (await client.get("/healthz")).json() == {"alive": True}


async def test_large_and_strange_bodies_are_refused(setting):
    """A body that is too large, no JSON, or endlessly nested is refused and breaks nothing."""
    kind = {"Content-Type": "application/json"}
    async with setting.client(ACTING) as client:
        large = await client.post("/api/v1/acts", content=b" " * 65_537, headers=kind)
        nested = await client.post("/api/v1/acts", content=b"[" * 60_000, headers=kind)
        digits = await client.post("/api/v1/acts", content=b"1" * 9_000, headers=kind)
        text = await client.post("/api/v1/acts", content=b"{}")
    assert large.status_code == 413
    assert nested.status_code in (400, 422)
    assert digits.status_code in (400, 422)
    assert text.status_code == 415


async def test_a_plan_may_be_longer_than_all_else(setting):
    """An entry may hold the file of a plan, up to a megabyte with all around it."""
    kind = {"Content-Type": "application/json"}
    plan = {"what": "plan_imported", "position": "north", "plan": "week"}
    async with setting.client(ACTING) as client:
        taken = await client.post(
            "/api/v1/entries", json=plan | {"text": "x" * 400_000}
        )
        large = await client.post(
            "/api/v1/entries", content=b" " * (1024 * 1024 + 1), headers=kind
        )
    assert (taken.status_code, large.status_code) == (200, 413)
    assert len(setting.desk.entries) == 1


async def test_a_drill_is_asked_for_by_those_who_may_act(setting):
    """Whoever only looks sends nobody anything; whoever acts does, by their name, and is told of each stage."""
    async with setting.client(LOOKING) as client:
        refused = await client.post("/api/v1/drills", json={})
    async with setting.client(ACTING) as client:
        told = (await client.post("/api/v1/drills", json={"within_s": 5})).json()
    assert refused.status_code == 403
    assert told["stages"] == [
        {"name": "routed", "took_s": 0.25, "said": "to its channels"}
    ]
    ((who, given),) = setting.desk.drills
    assert (who.name, given.within_s) == ("A. Moor", 5)


async def test_a_body_in_pieces_is_measured_too(setting):
    """A body that does not say how long it is is cut off where it grows too large."""

    async def pieces():
        for _ in range(70):
            yield b" " * 1000

    async with setting.client(ACTING) as client:
        answer = await client.post(
            "/api/v1/acts",
            content=pieces(),
            headers={"Content-Type": "application/json"},
        )
    assert answer.status_code == 413


async def test_the_description_is_served_and_loads_nothing(setting):
    """The API describes itself, and there is no page that would load scripts from elsewhere."""
    async with setting.client() as client:
        described = (await client.get("/api/v1/openapi.json")).json()
        for path in ("/docs", "/redoc", "/api/v1/docs"):
            assert (await client.get(path)).status_code == 404
    assert described["openapi"].startswith("3.1")
    for path in READ:
        name = path.partition("?")[0]
        for wanted, of in (
            ("{name}", ALERT),
            ("{name}", "XLLM"),
            ("{name}", "T107"),
            ("{name}", "H107"),
            ("{name}", "north"),
        ):
            name = name.replace(of, wanted)
        assert f"/api/v1{name}" in described["paths"]
    for operations in described["paths"].values():
        for operation in operations.values():
            assert operation["description"]
            assert not {"HTTPValidationError"} & set(json.dumps(operation).split('"'))


def test_every_reference_of_the_description_is_there(setting):
    """Whatever the description points at stands in it."""
    described = setting.app.app.openapi()
    shapes = described["components"]["schemas"]

    def look(value):
        if isinstance(value, dict):
            pointed = value.get("$ref")
            if pointed is not None:
                assert pointed.removeprefix("#/components/schemas/") in shapes
            for one in value.values():
                look(one)
        elif isinstance(value, list):
            for one in value:
                look(one)

    look(described)


async def test_the_unnamed_on_this_machine_look_and_no_more(make):
    """Out of the box whoever is at this machine may look, and nobody else, and not act."""
    setting = make(unnamed="look")
    async with setting.client() as here, setting.client(peer="192.0.2.7") as there:
        me = (await here.get("/api/v1/me")).json()
        assert (me["name"], me["role"]) == ("unnamed", "look")
        proof = {"X-Tallywatch-Proof": me["proof"]}
        answer = await here.post("/api/v1/acts", json=SEEN, headers=proof)
        assert answer.status_code == 403
        assert (await there.get("/api/v1/me")).status_code == 401


async def test_a_foreign_name_for_this_machine_is_refused(make):
    """Where the unnamed are answered, a page whose name was made to lead here is not."""
    setting = make(unnamed="look")
    async with setting.client() as client:
        for host, status in (
            ("attacker.example:9109", 421),
            ("127.0.0.1:9109", 200),
            ("localhost", 200),
            ("[::1]:9109", 200),
        ):
            answer = await client.get("/api/v1/faults", headers={"Host": host})
            assert answer.status_code == status, host


async def test_a_reason_may_be_long_but_not_endless(setting):
    """A reason holds 500 characters and no more, so that it fits where it is shown."""
    async with setting.client(ACTING) as client:
        for length, status in ((500, 200), (501, 422)):
            body = {"what": "closed", "alert": ALERT, "text": "x" * length}
            answer = await client.post("/api/v1/acts", json=body)
            assert answer.status_code == status
    [(_, act)] = setting.desk.acts
    assert isinstance(act, ClosedIn)


async def test_following_is_bounded(make):
    """Only so many follow the events at once; one more is told to come again."""
    setting = make(readers=1)
    setting.stream._most = 0
    async with setting.client(LOOKING) as client:
        answer = await client.get("/api/v1/events")
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "10"


async def test_following_is_for_those_who_may_look(setting):
    """Events are told to whoever may look, as a stream; nobody else."""
    setting.stream.close()
    async with setting.client() as nobody, setting.client(LOOKING) as looks:
        assert (await nobody.get("/api/v1/events")).status_code == 401
        answer = await looks.get("/api/v1/events")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert answer.text.startswith("retry: ")


async def test_what_is_no_question_is_not_answered(setting):
    """The guard answers questions alone: a socket that is opened is left."""
    sent = []

    async def send(message):
        sent.append(message)

    async def receive():
        raise AssertionError

    await setting.app({"type": "websocket"}, receive, send)
    assert sent == []


async def test_a_question_that_breaks_off_changes_nothing(setting):
    """Whoever goes away while still sending has done nothing."""
    messages = []

    async def receive():
        return {"type": "http.disconnect"}

    async def send(message):
        messages.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/v1/acts",
        "scheme": "http",
        "client": ("127.0.0.1", 1),
        "headers": [(b"host", HERE.encode())],
    }
    await setting.app(scope, receive, send)
    assert messages[0]["status"] == 400
    assert not setting.desk.acts
