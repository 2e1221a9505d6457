"""The API keeps what its OpenAPI document promises, for requests that nobody thought of (schemathesis)."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from coilbook.api.app import ROUTERS
from fastapi import FastAPI
from fastapi.routing import APIRoute
from hypothesis import HealthCheck, given, settings
from processes import Server
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    negative_data_rejection,
)


ROUTES = sorted(
    (method, route.path_format)
    for router in ROUTERS
    for route in router.routes
    if isinstance(route, APIRoute) and route.include_in_schema
    for method in route.methods
)


@pytest.fixture(scope="module")
def described(reviewed: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[schemathesis.BaseSchema]:
    """The document of a running server, which is asked in what follows."""
    store = Path(shutil.copy(reviewed, tmp_path_factory.mktemp("described") / "store.duckdb"))
    with Server(store) as server:
        yield schemathesis.openapi.from_url(f"{server.url}/api/openapi.json")


@pytest.mark.parametrize(("method", "path"), ROUTES)
def test_answers_are_as_described(described: schemathesis.BaseSchema, method: str, path: str) -> None:
    @given(case=described[path][method].as_strategy())
    @settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    def holds(case: schemathesis.Case) -> None:
        case.call_and_validate(checks=list(CHECKS))

    holds()


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
