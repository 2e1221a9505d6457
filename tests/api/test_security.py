"""Hosts, origins and headers: what keeps a browser from being turned against the service."""

from __future__ import annotations

from pathlib import Path

import pytest
from coilbook.api.app import create_app
from coilbook.api.headers import HEADERS
from coilbook.api.security import host_name
from coilbook.api.settings import Settings
from starlette.testclient import TestClient


@pytest.mark.parametrize("path", ["/api/sites", "/api/nothing", "/healthz", "/", "/static/nothing"])
def test_every_answer_has_the_headers(reader: TestClient, path: str) -> None:
    headers = reader.get(path).headers
    assert {name: headers[name] for name in HEADERS if name != "Content-Security-Policy"} == {
        name: value for name, value in HEADERS.items() if name != "Content-Security-Policy"
    }
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("Dale.Example:8710", "dale.example"),
        ("[::1]:8710", "[::1]"),
        ("127.0.0.1", "127.0.0.1"),
        ("", ""),
    ],
)
def test_host_name(host: str, name: str) -> None:
    assert host_name(host) == name


@pytest.mark.parametrize("host", ["testserver", "localhost:1", "127.0.0.1:8710", "[::1]:8710", "LOCALHOST"])
def test_known_hosts(reader: TestClient, host: str) -> None:
    assert reader.get("/healthz", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("host", ["rebound.example", "192.0.2.1", "localhost.rebound.example", "", "[::2]"])
def test_foreign_hosts(reader: TestClient, host: str) -> None:
    assert reader.get("/healthz", headers={"Host": host}).status_code == 421


def test_a_server_on_every_address_answers_to_addresses_but_not_to_any_name(store_file: Path) -> None:
    with TestClient(create_app(Settings(store=store_file, host="0.0.0.0", nightly=False))) as client:
        assert client.get("/healthz", headers={"Host": "192.0.2.1:8710"}).status_code == 200
        assert client.get("/healthz", headers={"Host": "rebound.example"}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://testserver"},
        {"Origin": "http://testserver:8080"},
        {"Origin": "http://testserver.evil.example"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_changes_from_another_origin_are_refused(reader: TestClient, headers: dict[str, str]) -> None:
    for path in (
        "/api/reviews",
        "/api/quarantine/release",
        "/api/uploads",
        "/api/jobs/review/runs",
        "/local/load",
    ):
        assert reader.post(path, headers=headers).status_code == 403
    assert reader.get("/api/reviews", headers=headers).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [{}, {"Origin": "http://testserver"}, {"Origin": "http://testserver", "Sec-Fetch-Site": "same-origin"}],
)
def test_changes_from_its_own_pages_and_from_scripts_are_taken(
    client: TestClient, headers: dict[str, str]
) -> None:
    assert client.post("/api/quarantine/release", headers=headers).status_code == 200


def test_local_routes_are_for_loopback_only_even_with_the_token(reader: TestClient) -> None:
    """The test reader says that it comes from a host called `testclient`."""
    assert reader.get("/local/hello", headers={"X-Coilbook-Token": "a token"}).status_code == 403


def test_local_routes_are_closed_where_no_token_was_made(store_file: Path) -> None:
    app = create_app(Settings(store=store_file, nightly=False))
    with TestClient(app, base_url="http://localhost", client=("127.0.0.1", 1)) as client:
        assert client.get("/local/hello", headers={"X-Coilbook-Token": ""}).status_code == 403


def test_local_routes_open_with_the_token_from_loopback(store_file: Path) -> None:
    app = create_app(Settings(store=store_file, nightly=False), token="a token")
    with TestClient(app, base_url="http://localhost", client=("127.0.0.1", 1)) as client:
        assert client.get("/local/hello", headers={"X-Coilbook-Token": "a token"}).status_code == 200
        assert (
            client.get("/local/hello", headers={"X-Coilbook-Token": "ä".encode("latin-1")}).status_code == 403
        )
