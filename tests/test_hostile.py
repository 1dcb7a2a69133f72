"""Hostile names, comments and payloads through a running monitor: nothing of them runs, and nothing breaks a line, whatever it comes out of."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import re
from email import message_from_bytes, policy
from html import escape
from html.parser import HTMLParser
from urllib.parse import quote

import aiomqtt
import httpx
import openpyxl
import pytest
from aiosmtpd.controller import Controller
from prometheus_client.parser import text_string_to_metric_families

from monitor.core.moments import HOUR, exact
from monitor.daemon import Clock
from monitor.settings import read_url
from tests.live import daemon_process
from tests.mosquitto import open_port, running
from tests.receiver import receiving, wait_for

pytestmark = [pytest.mark.broker, pytest.mark.slow]

TAG = "<script>alert(1)<"
TURNS = "\u202e\u2066\u200f"
ID = "=T2" + TAG + "\"'&{{7*7}}%s$(id)`"
"""As hostile as the line file lets an id be: no space, slash or control character."""

PLACE = f"=cmd|'!A0 {TAG}img src=x onerror=alert(1)>{TURNS}\u2028room"
TEXT = f'</td></script>{TAG}/script>{TURNS}\u2028" onmouseover="x\' *b* [x](http://e)'
SOURCE = f"gw/9{TAG}/script>{TURNS}\u2028{{{{7*7}}}}"
NOTE = f"wet\nT4 FORGED\n=HYPERLINK(0) {TAG}/script><b onload='x'>"
FORGED = '\n{"event": "forged", "level": "info"}\n\x1b[2J\x1b]0;x\x07\r\n'
"""What would be a line of the log, and clear a screen, if it got there as it is."""


def quoted(text):
    """As a text in TOML."""
    return json.dumps(text, ensure_ascii=True)


LINE = f"""
[line]
name = {quoted(TEXT[:100])}
timezone = "UTC"
[[evaluator]]
id = {quoted("EV" + ID)}
site = {quoted(PLACE)}
[[section]]
id = {quoted(ID)}
area = {quoted("a" + ID)}
evaluator = {quoted("EV" + ID)}
length_m = 800
speed_km_h = 120
ref = {quoted(TEXT)}
[[section]]
id = "T4"
area = {quoted("a" + ID)}
evaluator = {quoted("EV" + ID)}
length_m = 800
speed_km_h = 120
[[head]]
id = {quoted("H" + ID)}
between = ["open", {quoted(ID)}]
[[head]]
id = "H2"
between = [{quoted(ID)}, "T4"]
[[site]]
id = {quoted(PLACE)}
access = {quoted(TEXT)}
telephone = {quoted("01 555" + TEXT)}
route = {quoted(TEXT)}
room = {quoted(TEXT)}
geo = [54.5, -3.25]
[[area]]
id = {quoted("a" + ID)}
signaller = {quoted(TEXT)}
telephone = {quoted(TEXT)}
"""

SETTINGS = """
[broker]
url = "{broker}"
[metrics]
port = 0
[desk]
port = 0
unnamed = "act"
[words]
patience_s = 0.5
skew_s = 0.2
settle_s = 0.5
join_wait_s = 1
[detect.section-disturbed]
settle_s = 0.5
[delivery]
retry_s = 0.1
[delivery.webhook.hook]
url = "{hook}"
send = ["alerts", "faults", "calls"]
[delivery.alertmanager.room]
url = "{room}"
[delivery.mail.box]
host = "127.0.0.1"
port = {mail}
tls = "never"
sender = "monitor@example.invalid"
to = ["desk@example.invalid"]
"""


class Box:
    """A mail server that keeps what it is given."""

    def __init__(self):
        self.mails = []

    async def handle_DATA(self, _server, _session, envelope):  # noqa: N802 - as the server calls it
        """Keep a mail."""
        self.mails.append(message_from_bytes(envelope.content, policy=policy.default))
        return "250 OK"


def state(number, section, shown, source="gw/1", **more):
    """An event of a section."""
    return {
        "specversion": "1.0",
        "id": f"{number}{TAG}",
        "source": source,
        "type": "tallywatch.section.state",
        "subject": section,
        "time": exact(Clock()()),
        "data": {"state": shown, "train": f"{TAG}{FORGED}"},
        **more,
    }


REJECTED = (
    FORGED.encode(),
    json.dumps(FORGED).encode(),
    json.dumps(state(1, "T4", FORGED)).encode(),
    json.dumps({**state(1, "T4", "clear"), "time": FORGED}).encode(),
    json.dumps({**state(1, "T4", "clear"), "type": f"{TURNS}{TAG}"}).encode(),
    json.dumps({**state(1, "T4", "clear"), "source": f"desk/{TURNS}{TAG}"}).encode(),
    json.dumps({**state(1, "T4", "clear"), "subject": f"{TURNS}{TAG}"}).encode(),
)


async def publish(url):
    """What a hostile feed sends."""
    address = read_url(url)
    numbered = [
        state(number, "T4", "clear", SOURCE, sequence=str(number))
        for number in (1, 2, 9)
    ]
    work = {
        **state(20, "T4", ""),
        "type": "tallywatch.section.work",
        "data": {"state": "begun", "reference": TEXT + FORGED},
    }
    told = [state(10, ID, "clear"), *numbered, state(11, ID, "disturbed"), work]
    async with aiomqtt.Client(address.host, address.port) as client:
        for one in told:
            topic = f"tally/a/section/{one['subject']}/state"
            await client.publish(topic, json.dumps(one), qos=1)
        for payload in REJECTED:
            await client.publish("tally/a/section/T4/state", payload, qos=1)


async def on_broker(url):
    """The alerts that the broker keeps: topics and payloads."""
    address = read_url(url)
    found = []
    async with aiomqtt.Client(address.host, address.port) as client:
        await client.subscribe("tallywatch/+/alert/+", qos=1)
        await client.subscribe("end")
        await client.publish("end", "")
        async for message in client.messages:
            if str(message.topic) == "end":
                break
            found.append((str(message.topic), bytes(message.payload)))
    return found


class Outputs:
    """Everything that came out of the monitor, by where it came out."""

    def __init__(self):
        self.log = ""
        self.answers = {}
        self.pages = {}
        self.files = {}
        self.refused = []
        self.stream = []
        self.page = ""
        self.hook = []
        self.room = []
        self.mails = []
        self.topics = []


ASKED = (
    *("status", "faults", "alerts", "sections", "heads", "work", "load", "positions"),
    *("lists/resets-waiting", "lists/before-the-first-train"),
    *("lists/resets-waiting/print", "lists/before-the-first-train/print"),
    *("positions/desk/handover", "positions/desk/handover/print"),
    *("visits", "visits/table", "visits/became"),
)


def do(client, outputs):
    """What a hostile person does at the desk."""
    (fault,) = [
        one for one in client.get("faults").json() if one["subject"] == f"section/{ID}"
    ]
    later = exact(Clock()() + HOUR)
    other = {"kind": "long-occupation", "subject": f"section/{ID}"}
    for path, body in (
        ("acts", {"what": "take_desk", "position": "desk"}),
        ("acts", {"what": "noted", "fault": fault["id"], "text": NOTE}),
        ("acts", {"what": "found", "fault": fault["id"], "text": NOTE}),
        ("acts", {"what": "note_left", "position": "desk", "text": NOTE}),
        ("acts", {"what": "shelved", "text": NOTE, "until": later, **other}),
        (
            "entries",
            {
                "what": "work_begun",
                "position": "desk",
                "subjects": [f"section/{ID}"],
                "reference": f"W7 =HYPERLINK(0) {TAG}/script>",
            },
        ),
        ("acts", {"what": "hand_over", "position": "desk", "to": f"Ann {TAG}b>"}),
    ):
        answer = client.post(path, json=body)
        assert answer.status_code == 200, (body, answer.text)
    for path, body in (
        ("acts", {"what": "noted", "fault": fault["id"], "text": FORGED}),
        ("acts", {"what": "noted", "fault": fault["id"], "text": TURNS}),
        ("acts", {"what": f"{TAG}{FORGED}"}),
        ("entries", {"what": "work_begun", "position": FORGED, "subjects": [TAG]}),
        (
            "entries",
            {
                "what": "plan_imported",
                "position": "desk",
                "plan": f"p {TAG}",
                "text": f"subject,from,to\n{TEXT},{FORGED}\x00,{NOTE}\n",
            },
        ),
        (
            "visits",
            {
                "what": "visits_imported",
                "name": f"v {TAG}",
                "text": f"from,subject,cause\n{TEXT},{FORGED}\x00,{NOTE}\n",
            },
        ),
        ("login", {"name": f"{FORGED[:40]}{TURNS}", "password": "x"}),
    ):
        outputs.refused.append(client.post(path, json=body))
    outputs.refused.append(client.get(f"faults/{TURNS}{TAG}"))
    outputs.refused.append(client.get("sections/%1b[2J%0a%0d"))
    outputs.refused.append(client.get("alerts", params={"from": FORGED}))


def pages(fault):
    """The paths of all pages, with what there is for what they name."""
    section, head = quote(ID, safe=""), quote("H" + ID, safe="")
    number = fault["number"]
    yield from ("/", "/phone", "/day-list", "/quiet", "/handover", "/login")
    yield from ("/planner", "/planner/work", "/planner/visits")
    yield from (
        f"/planner/asset?subject={kind}"
        for kind in (f"section%2F{section}", f"head%2F{head}")
    )
    yield from ("/before-the-first-train", "/parts/phone", f"/sections/{section}")
    yield from (f"/heads/{head}", f"/faults/{number}", f"/phone/{number}")
    yield from (f"/heads/{head}/watch", f"/parts/wheel/{head}")
    yield from (f"/parts/fault/{number}", f"/?fault={number}")
    yield f"/replay?section={section}"
    yield f"/explain?section={section}"


FILES = tuple(
    path.format(form)
    for form in ("html", "csv", "json", "xlsx")
    for path in ("/planner/work.{}", "/planner/visits.{}", "/planner/report?format={}")
)
"""What a planner takes along."""


def lists(client, at):
    """The parts of the desk's page that come together, each as an answer of its own."""
    asked = client.get(f"{at}/parts/lists")
    return {
        name: httpx.Response(200, html=part["text"], request=asked.request)
        for name, part in asked.json().items()
        if name != "top"
    }


def ask(at, outputs):
    """Act, and ask for everything there is."""
    with httpx.Client(base_url=f"{at}/api/v1/", trust_env=False, timeout=20) as client:
        client.headers["X-Tallywatch-Proof"] = client.get("me").json()["proof"]
        wait_for(lambda: f"section/{ID}" in _subjects(client))
        wait_for(lambda: f"source/{SOURCE}" in _subjects(client, "alerts"))
        do(client, outputs)
        # The sheets show what has settled.
        wait_for(lambda: "W7" in client.get("positions/desk/handover/print").text)
        for path in ASKED:
            outputs.answers[path] = client.get(path)
        for one in client.get("faults").json():
            path = f"faults/{one['number']}"
            outputs.answers[path] = client.get(path)
        for one in client.get("alerts").json()["alerts"]:
            path = f"alerts/{one['record']['id']}"
            outputs.answers[path] = client.get(path)
        (fault,) = client.get("faults").json()
        # Files wait until a report is made; pages that come after them have it.
        for path in FILES:
            outputs.files[path] = client.get(f"{at}{path}", timeout=60)
        for path in pages(fault):
            # A day that has passed is gone through in a process of its own.
            outputs.pages[path] = client.get(f"{at}{path}", timeout=60)
        outputs.pages |= lists(client, at)
        run = None
        with client.stream(
            "GET", "events", headers={"Last-Event-ID": "00000000-0"}
        ) as answer:
            for line in answer.iter_lines():
                if line.startswith("id: "):
                    run = line.removeprefix("id: ").rpartition("-")[0]
                    break
        with client.stream(
            "GET", "events", headers={"Last-Event-ID": f"{run}-0"}
        ) as answer:
            for line in answer.iter_lines():
                outputs.stream.append(line)
                if '"noted"' in line or len(outputs.stream) > 2000:
                    break


def _subjects(client, what="faults"):
    found = client.get(what).json()
    if what == "alerts":
        return [one["record"]["subject"] for one in found["alerts"]]
    return [one["subject"] for one in found]


@pytest.fixture(scope="module")
def outputs(tmp_path_factory):
    """All that came out of a monitor into which all of it was put."""
    path = tmp_path_factory.mktemp("hostile")
    found, box = Outputs(), Box()
    mail = Controller(box, hostname="127.0.0.1", port=open_port())
    (path / "line.toml").write_text(LINE, encoding="utf-8")
    mail.start()
    try:
        with (
            running(path / "broker") as broker,
            receiving() as hook,
            receiving() as room,
        ):
            told = SETTINGS.format(
                broker=broker.url, hook=hook.url, room=room.url, mail=mail.port
            )
            (path / "settings.toml").write_text(told, encoding="utf-8")
            with daemon_process(path) as (_, at):
                asyncio.run(publish(broker.url))
                # Before anybody does something that would keep it from going.
                wait_for(lambda: box.mails)
                ask(at, found)
                wait_for(lambda: any(one["what"] == "call" for one in hook.had))
                wait_for(lambda: room.had)
                log = (path / "log").read_text(encoding="utf-8")
                metrics = re.search(r'"at": "(http://[^"]+/metrics)"', log)
                assert metrics is not None
                found.page = httpx.get(metrics[1], trust_env=False).text
                found.topics = asyncio.run(on_broker(broker.url))
            found.hook, found.room = list(hook.had), list(room.had)
    finally:
        mail.stop()
    found.mails = box.mails
    found.log = (path / "log").read_text(encoding="utf-8")
    return found


def seen(text, *, lines=False):
    """Whether there is nothing in *text* but what is to be read; line ends where they may be."""
    return all(one.isprintable() or (lines and one == "\n") for one in text)


def test_each_line_of_the_log_is_one_event(outputs):
    """The log is JSON objects, one a line, in ASCII without control characters; none was made by what came in, and what was rejected is told."""
    lines = outputs.log.splitlines()
    assert all(one.isascii() and one.isprintable() for one in lines)
    events = [json.loads(one) for one in lines]
    assert all(isinstance(one, dict) for one in events)
    names = [one["event"] for one in events]
    assert "forged" not in names
    assert {"rejected", "alert", "call", "login failed"} <= set(names)


def test_what_is_answered_is_data_and_no_page(outputs):
    """Each answer is JSON or plain text, and tells the browser to take it for nothing else."""
    assert len(outputs.answers) > len(ASKED) + 2
    for path, answer in outputs.answers.items():
        assert answer.status_code == 200, (path, answer.text)
        plain = path.endswith(("/print", "/table"))
        kind = "text/plain; charset=utf-8" if plain else "application/json"
        kind = "text/csv; charset=utf-8" if path.endswith("/table") else kind
        assert answer.headers["content-type"] == kind
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "default-src 'self'" in answer.headers["content-security-policy"]
        if not plain:
            answer.json()
    text = json.loads(outputs.answers["faults"].text)
    notes = [one["text"] for fault in text for one in fault["notes"]]
    assert NOTE in notes  # told as it was written, as data


def test_no_cell_of_a_table_is_a_formula(outputs):
    """Whatever somebody found; and it is told as it was written."""
    table = outputs.answers["visits/table"].text
    rows = list(csv.DictReader(io.StringIO(table, newline="")))

    assert rows[0]["text"] == NOTE
    for row in rows:
        assert not [one for one in row.values() if one.startswith(tuple("=+-@"))]


def test_what_a_planner_takes_along_runs_nothing(outputs):
    """A page loads and runs nothing, whatever places are called; no cell is a formula; JSON is JSON."""
    told = 0
    for path, answer in outputs.files.items():
        assert answer.status_code == 200, (path, answer.text)
        if path.endswith("xlsx"):
            book = openpyxl.load_workbook(io.BytesIO(answer.content))
            cells = [cell for sheet in book for row in sheet for cell in row]
            assert {cell.data_type for cell in cells} <= {"s", "n", "b", "d"}, path
            told += any(cell.value == ID for cell in cells)
        elif path.endswith("csv"):
            rows = csv.reader(io.StringIO(answer.text, newline=""))
            cells = [cell for row in rows for cell in row]
            assert not [one for one in cells if one.lstrip().startswith(tuple("=+-@"))]
            told += any(f"'{ID}" == cell for cell in cells)
        elif path.endswith("json"):
            told += ID in json.dumps(answer.json(), ensure_ascii=False).replace(
                '\\"', '"'
            )
        else:
            found = Tags(answer.text)
            assert not found.tags & {"script", "img", "iframe", "link", "object"}, path
            assert not [name for name in found.names if name.startswith("on")]
            assert all(re.match(r"#", one) for one in found.addresses), path
            assert seen(answer.text, lines=True), path
            told += escape(ID) in answer.text
    assert told == len(FILES)


def test_what_is_refused_says_why_in_what_can_be_read(outputs):
    """What is not taken is answered as RFC 9457 has it, in JSON, with nothing in it that cannot be read."""
    statuses = [one.status_code for one in outputs.refused]
    assert statuses == [422, 422, 422, 422, 409, 409, 401, 404, 404, 422]
    for answer in outputs.refused:
        assert answer.headers["content-type"] == "application/problem+json"
        body = answer.json()
        assert seen(body["detail"]), body
        assert all(
            seen(f"{one['where']}{one['what']}") for one in body.get("errors", ())
        )


def test_what_is_printed_keeps_its_lines(outputs):
    """On paper no note, name or reference begins a line of its own, and nothing turns the writing."""
    prints = {p: a.text for p, a in outputs.answers.items() if p.endswith("/print")}
    handover = prints["positions/desk/handover/print"]
    assert "FORGED" in handover
    assert "W7" in handover
    for path, text in prints.items():
        assert seen(text, lines=True), path
        begins = [one.strip()[:9] for one in text.splitlines()]
        assert not [one for one in begins if one.startswith(("T4 FORGED", "=HYPER"))]


def test_an_event_of_the_stream_is_its_lines(outputs):
    """In the stream each event is an id, a name and one line of JSON, whatever stands in it."""
    assert any("FORGED" in one for one in outputs.stream)
    for line in outputs.stream:
        assert re.match(r"(id|event|data|retry): |:|$", line), line
        if line.startswith("data: "):
            json.loads(line.removeprefix("data: "))


def test_prometheus_reads_the_page(outputs):
    """Labels hold the names as they are, and the page is read back to the same."""
    families = list(text_string_to_metric_families(outputs.page))
    labels = [one.labels for family in families for one in family.samples]
    assert any(one.get("section") == ID and one["area"] == "a" + ID for one in labels)


def test_messages_stand_on_one_line(outputs):
    """A call is one line of what can be read, at most 300 characters, and begins with its number."""
    calls = [one["call"] for one in outputs.hook if one["what"] == "call"]
    assert calls
    for call in calls:
        assert seen(call["text"])
        assert len(call["text"]) <= 300
        assert call["text"].startswith(f"{call['number']} {call['priority']}: ")
        assert "Nothing here proves" in call["text"]


def test_a_webhook_is_told_what_was_so(outputs):
    """A program is told the line as it is, as JSON, with its names unchanged."""
    subjects = {
        one["alert"]["subject"] for one in outputs.hook if one["what"] == "alert"
    }
    assert {f"section/{ID}", f"source/{SOURCE}"} <= subjects


def test_alertmanager_is_told_what_can_be_read(outputs):
    """What Alertmanager puts into messages holds nothing that breaks a line or turns the writing."""
    alerts = [alert for message in outputs.room for alert in message]
    assert any(one["labels"]["subject"] == f"section/{ID}" for one in alerts)
    assert any("???" in one["annotations"]["site"] for one in alerts)
    for alert in alerts:
        for name, text in {**alert["labels"], **alert["annotations"]}.items():
            assert seen(text, lines=name == "look_first"), (name, text)


def test_an_alert_on_the_broker_has_the_topic_of_its_id(outputs):
    """No name becomes a level of a topic, and the payload is JSON."""
    assert outputs.topics
    for topic, payload in outputs.topics:
        assert re.fullmatch(r"tallywatch/monitor-1/alert/[0-9a-f]{16}", topic)
        assert json.loads(payload)["id"] == topic.rpartition("/")[2]


class Tags(HTMLParser):
    """The tags of a page, with the names of their attributes, its addresses, and what is between a script's tags."""

    def __init__(self, text):
        super().__init__()
        self.tags: set[str] = set()
        self.names: set[str] = set()
        self.addresses: list[str] = []
        self.script = ""
        self._last = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Note a tag."""
        self.tags.add(tag)
        self.names |= {name for name, _ in attrs}
        self.addresses += [value for name, value in attrs if name in {"href", "src"}]
        self._last = tag

    def handle_data(self, data):
        """Note a script."""
        if self._last == "script":
            self.script += data.strip()

    def handle_endtag(self, tag):
        """What follows is in no script."""
        del tag
        self._last = ""


def test_a_page_runs_nothing_but_its_own(outputs):
    """In a page of the desk nothing runs but the files of the desk, no address leads elsewhere, and nothing turns the writing."""
    assert any("FORGED" in page.text for page in outputs.pages.values())
    for path, page in outputs.pages.items():
        assert page.status_code in {200, 303}, (path, page.text)
        if page.status_code == 303:
            continue
        found = Tags(page.text)
        assert found.script == "", path
        assert "style" not in found.tags | found.names
        assert not [name for name in found.names if name.startswith("on")]
        for one in found.addresses:
            assert re.match(r"/(?!/)|tel:[+0-9]+$|geo:[-0-9.]+,[-0-9.]+$|[?#]", one), (
                path,
                one,
            )
        assert seen(page.text, lines=True), path


def test_a_mail_and_its_sheet_run_nothing(outputs):
    """A mail has its own headers alone, its text is text, and its sheet holds the tags that every sheet has."""
    assert outputs.mails
    for mail in outputs.mails:
        assert all(seen(str(value)) for value in mail.values())
        assert mail["To"] == "desk@example.invalid"
        assert set(mail.keys()) <= {
            *("From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted"),
            *("Importance", "MIME-Version", "Content-Type", "X-Peer"),
            *("Content-Transfer-Encoding", "X-MailFrom", "X-RcptTo"),
        }
        text, sheet = mail.walk(), None
        parts = {part.get_content_type(): part for part in text}
        body = parts["text/plain"].get_content().replace("\r\n", "\n")
        assert seen(body, lines=True)
        assert len(body.splitlines()) == 5
        sheet = parts["text/html"].get_content().replace("\r\n", "\n")
        assert seen(sheet, lines=True)
        found = Tags(sheet)
        assert not found.tags & {"script", "img", "iframe", "link", "object", "form"}
        assert not [name for name in found.names if name.startswith("on")]
        assert all(re.fullmatch(r"tel:[+0-9]+", one) for one in found.addresses)
        assert parts["text/html"].get_filename().endswith(".html")
