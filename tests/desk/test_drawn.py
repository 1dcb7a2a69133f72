"""Questions drawn from the API's own description."""

from __future__ import annotations

import asyncio
import json
import random
import time

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import (
    content_type_conformance,
    not_a_server_error,
    response_schema_conformance,
    status_code_conformance,
)
from schemathesis.core.result import Ok

from monitor.core.moments import MINUTE, SECOND
from monitor.daemon import Clock
from monitor.desk.people import Person, Token, write_people
from monitor.desk.roles import Role
from monitor.journal import verify
from tests.desk.conftest import HERE, SETTING_UP
from tests.live import LINE, daemon_process, disturb
from tests.mosquitto import running

pytestmark = pytest.mark.days

DESCRIBED = schemathesis.GenerationMode.POSITIVE
DRAWN = settings(
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)


MANY_SORTS = {"/api/v1/acts", "/api/v1/entries"}
"""Each takes many sorts of things, so more is drawn there."""

CHECKS = [
    not_a_server_error,
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
]

BOTH_WAYS = pytest.mark.parametrize(
    "mode",
    [DESCRIBED, schemathesis.GenerationMode.NEGATIVE],
    ids=["as described", "otherwise"],
)


def ask_everything(schema, mode, aim=None, **how):
    """Ask every operation, and give back how many were asked, and how many take nothing that could be wrong."""
    asked: set[str] = set()
    nothing = 0
    for found in schema.get_all_operations():
        assert isinstance(found, Ok)
        operation = found.ok()

        often = operation.path in MANY_SORTS

        @settings(DRAWN, max_examples=40 if often else 5)
        @given(operation.as_strategy(generation_mode=mode))
        def ask(case):
            asked.add(case.operation.label)
            if aim is not None:
                aim(case)
            case.call_and_validate(checks=CHECKS, **how)

        try:
            ask()
        except Unsatisfiable:
            nothing += 1  # what takes nothing cannot be asked otherwise than described
    return len(asked), nothing


@pytest.mark.slow
@BOTH_WAYS
def test_no_question_breaks_it(make, mode):
    """Whatever is asked, the answer is one of those described, in the shape described, and never a failure of the server."""
    setting = make()
    setting.stream.close()
    schema = schemathesis.openapi.from_asgi("/api/v1/openapi.json", setting.app)
    token = {"Authorization": f"Bearer {SETTING_UP}"}
    asked, nothing = ask_everything(schema, mode, base_url=HERE, headers=token)
    operations = sum(map(len, setting.app.app.openapi()["paths"].values()))
    assert asked + nothing == operations
    assert asked >= (operations if mode is DESCRIBED else operations // 2)


SETTINGS = """
[broker]
url = "{url}"
[metrics]
port = 0
[desk]
port = 0
[words]
patience_s = 0.5
skew_s = 0.2
settle_s = 0.5
join_wait_s = 1
[detect.section-disturbed]
settle_s = 0.5
"""


class Known:
    """What there is at a running monitor, put in place of half of the names that are drawn: what is made up alone would never get further than that it is not there.

    Args:
        client: who asks.
    """

    def __init__(self, client):
        def got(path):
            return client.get(path).raise_for_status().json()

        alerts, faults = got("alerts")["alerts"], got("faults")
        end = time.monotonic() + 30
        while len(alerts) < 2 or len(faults) < 2:
            assert time.monotonic() < end, "nothing is found"
            time.sleep(0.05)
            alerts, faults = got("alerts")["alerts"], got("faults")
        kinds = [one["record"]["kind"] for one in alerts]
        sections = ["T1", "T2", "T3", "T4"]
        self._draw = random.Random(17)
        self._names = {
            "alerts": [one["record"]["id"] for one in alerts],
            "faults": [one["number"] for one in faults],
            "sections": sections,
            "heads": [one["id"] for one in got("heads")],
            "positions": ["desk"],
        }
        self._values = {
            "alert": self._names["alerts"],
            "fault": [one["id"] for one in faults],
            "section": sections,
            "position": ["desk"],
            "kind": kinds,
            "subject": [one["record"]["subject"] for one in alerts],
            "area": ["a"],
            "source": ["gw/1"],
            "plan": ["week"],
        }

    def aim(self, case):
        """Put in what there is."""
        what = case.operation.path.split("/")[3:4]
        if what and what[0] in self._names and case.path_parameters:
            self._put(case.path_parameters, {"name": self._names[what[0]]})
        self._put(case.query, self._values)
        self._put(case.body, self._values)

    def _put(self, given, known):
        if not isinstance(given, dict):
            return
        for name, values in known.items():
            fits = isinstance(given.get(name), str)
            # What a reset is called is called a kind too.
            if fits and given.get("what") != "reset" and self._draw.random() < 0.5:
                given[name] = self._draw.choice(values)


@pytest.mark.broker
@pytest.mark.slow
@BOTH_WAYS
def test_no_question_breaks_a_running_monitor(tmp_path, mode):
    """The same over a real connection to a monitor that runs, hears and delivers, and has found something: it goes on, its log tells of no failure, its journal is whole, and it starts again on what was entered."""
    person = Person(name="Chief", role=Role.SET_UP, tokens=(Token.of("t", SETTING_UP),))
    write_people(tmp_path / "people.json", [person])
    (tmp_path / "line.toml").write_text(LINE, encoding="utf-8")
    token = {"Authorization": f"Bearer {SETTING_UP}"}
    with running(tmp_path / "broker") as broker:
        (tmp_path / "settings.toml").write_text(SETTINGS.format(url=broker.url))
        with daemon_process(tmp_path) as (process, at):
            then = Clock()() - MINUTE
            asyncio.run(disturb(broker.url, "T2", 1, then))
            asyncio.run(disturb(broker.url, "T4", 20, then + 40 * SECOND))
            with httpx.Client(
                base_url=f"{at}/api/v1/", headers=token, trust_env=False, timeout=30
            ) as client:
                known = Known(client)
            # What is followed has no end; tests/desk/test_live.py follows it.
            schema = schemathesis.openapi.from_url(f"{at}/api/v1/openapi.json").exclude(
                path="/api/v1/events"
            )
            aim = known.aim if mode is DESCRIBED else None
            asked, nothing = ask_everything(
                schema, mode, aim, base_url=at, headers=token
            )
            operations = len(list(schema.get_all_operations()))
            assert asked + nothing == operations
            assert operations > 25
            assert process.poll() is None
        with daemon_process(tmp_path) as (process, at):
            answer = httpx.get(f"{at}/api/v1/alerts", headers=token, trust_env=False)
            assert answer.status_code == 200
    log = [json.loads(one) for one in (tmp_path / "log").read_text().splitlines()]
    assert [one for one in log if one["level"] in {"error", "critical"}] == []
    assert verify(tmp_path / "journal.sqlite").position is None
