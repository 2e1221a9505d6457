"""The API keeps what its OpenAPI document promises, for requests that nobody thought of (schemathesis)."""

from __future__ import annotations

import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.testclient import TestClient

CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    negative_data_rejection,
)


@pytest.fixture
def described(app: FastAPI, client: TestClient) -> schemathesis.BaseSchema:
    return schemathesis.openapi.from_dict(app.openapi())


schema = schemathesis.pytest.from_fixture("described")


@schema.parametrize()
@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_answers_are_as_described(case: schemathesis.Case, client: TestClient) -> None:
    answer = case.call(session=client)
    case.validate_response(answer, checks=list(CHECKS))


def test_every_route_is_described(app: FastAPI) -> None:
    document = app.openapi()
    tags = {tag["name"] for tag in document["tags"]}
    operations = [op for path in document["paths"].values() for op in path.values()]
    assert len(operations) > 15
    for operation in operations:
        assert operation["summary"]
        assert operation["description"]
        assert set(operation["tags"]) <= tags
        for parameter in operation.get("parameters", []):
            assert parameter["description"], (operation["summary"], parameter["name"])
    for name, schema in document["components"]["schemas"].items():
        for field, told in schema.get("properties", {}).items():
            assert told.get("description"), f"{name}.{field}"
    assert not any(path.startswith("/local") for path in document["paths"])
