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

from tests.desk.conftest import HERE, SETTING_UP

DESCRIBED = schemathesis.GenerationMode.POSITIVE
DRAWN = settings(
    max_examples=8,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.slow
@pytest.mark.parametrize(
    "mode",
    [DESCRIBED, schemathesis.GenerationMode.NEGATIVE],
    ids=["as described", "otherwise"],
)
def test_no_question_breaks_it(make, mode):
    """Whatever is asked, the answer is one of those described, in the shape described, and never a failure of the server."""
    setting = make()
    setting.stream.close()
    schema = schemathesis.openapi.from_asgi("/api/v1/openapi.json", setting.app)
    asked = set()
    nothing = 0
    for found in schema.get_all_operations():
        assert isinstance(found, Ok)
        operation = found.ok()

        @DRAWN
        @given(operation.as_strategy(generation_mode=mode))
        def ask(case):
            asked.add(case.operation.label)
            case.call_and_validate(
                base_url=HERE,
                headers={"Authorization": f"Bearer {SETTING_UP}"},
                checks=[
                    not_a_server_error,
                    content_type_conformance,
                    response_schema_conformance,
                    status_code_conformance,
                ],
            )

        try:
            ask()
        except Unsatisfiable:
            nothing += 1  # what takes nothing cannot be asked otherwise than described
    operations = len(setting.app.app.openapi()["paths"])
    assert len(asked) + nothing == operations
    assert len(asked) >= (operations if mode is DESCRIBED else operations // 2)
