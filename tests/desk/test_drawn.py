"""Questions drawn from the API's own description."""

from __future__ import annotations

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

from monitor.desk.people import Person, Token, write_people
from monitor.desk.roles import Role
from tests.desk.conftest import HERE, SETTING_UP
from tests.desk.daemon import answering

DESCRIBED = schemathesis.GenerationMode.POSITIVE
DRAWN = settings(
    max_examples=5,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)


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


def ask_everything(schema, mode, **how):
    """Ask every operation, and give back how many were asked, and how many take nothing that could be wrong."""
    asked: set[str] = set()
    nothing = 0
    for found in schema.get_all_operations():
        assert isinstance(found, Ok)
        operation = found.ok()

        @DRAWN
        @given(operation.as_strategy(generation_mode=mode))
        def ask(case):
            asked.add(case.operation.label)
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
    operations = len(setting.app.app.openapi()["paths"])
    assert asked + nothing == operations
    assert asked >= (operations if mode is DESCRIBED else operations // 2)


@pytest.mark.slow
@BOTH_WAYS
def test_no_question_breaks_what_runs(tmp_path, mode):
    """The same over a real connection, to the real door with journal, alert file and engine behind it."""
    person = Person(name="Chief", role=Role.SET_UP, tokens=(Token.of("t", SETTING_UP),))
    write_people(tmp_path / "people.json", [person])
    with answering(tmp_path) as (running, at):
        schema = schemathesis.openapi.from_url(f"{at}/api/v1/openapi.json").exclude(
            path="/api/v1/events"
        )
        token = {"Authorization": f"Bearer {SETTING_UP}"}
        asked, nothing = ask_everything(schema, mode, base_url=at, headers=token)
        assert asked + nothing > 20
        assert running.poll() is None
