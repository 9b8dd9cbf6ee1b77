"""The API against its own description: schemathesis asks what OpenAPI allows and more, in process."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from airwatch.store.database import Store
from dashboards.app import create_app
from tests.dashboards.accounts import nobody
from tests.dashboards.small_fleet import fill

THERE = {"fleet": "north", "unit": "K-leak", "check": "leak_static", "alert": "772011b3fce89477"}


@pytest.fixture
def schema(tmp_path: Path) -> Iterator[schemathesis.schemas.BaseSchema]:
    with Store.open(tmp_path / "asked.duckdb") as store:
        fill(store)
        yield schemathesis.openapi.from_asgi("/api/v1/openapi.json", create_app(store, None, access=nobody()))


def test_every_route_answers_as_it_is_described(schema: schemathesis.schemas.BaseSchema) -> None:
    asked = 0
    for result in schema.get_all_operations():
        operation = result.ok()

        @seed(1)
        @settings(
            max_examples=20,
            deadline=None,
            database=None,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(), is_there=st.booleans())
        def ask(case: schemathesis.Case, is_there: bool) -> None:  # noqa: FBT001 drawn
            nonlocal asked
            if is_there:  # of names that are made up none is there, and all that is asked is 404
                case.path_parameters = {name: THERE.get(name, "none") for name in case.path_parameters or {}}
            answer = case.call()
            assert answer.status_code < 500, f"{case.method} {case.formatted_path}: {answer.text}"
            case.validate_response(
                answer,
                checks=[
                    schemathesis.checks.not_a_server_error,
                    schemathesis.specs.openapi.checks.status_code_conformance,
                    schemathesis.specs.openapi.checks.content_type_conformance,
                    schemathesis.specs.openapi.checks.response_schema_conformance,
                ],
            )
            asked += answer.status_code < 300

        ask()
    assert asked > 100  # most of the rest are refused, as described
