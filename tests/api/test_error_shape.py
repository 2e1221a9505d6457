"""Every error of the API has one shape: RFC 9457 problem details, and nothing of the inside."""

from __future__ import annotations

import threading
from http import HTTPStatus

import pytest
from coilbook.api.worker import Busy
from coilbook.ingest.errors import StatementFailed
from fastapi import FastAPI
from httpx2 import Response
from starlette.testclient import TestClient

SHAPE = {"type": str, "title": str, "status": int, "detail": str, "instance": str, "errors": list}


def check(answer: Response, status: int, said: str = "") -> None:
    """The answer has the shape, says its status twice alike, and `said` is part of its detail."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert {name: type(value) for name, value in body.items()} == SHAPE
    assert body["type"] == "about:blank"
    assert (body["status"], body["title"]) == (status, HTTPStatus(status).phrase)
    assert body["instance"] == answer.request.url.path
    assert said in body["detail"]
    assert "\n" not in body["detail"]


@pytest.mark.parametrize(
    "path", ["/api/nothing", "/api/sites/nobody", "/api/ledger/999999", "/api/exports/nothing"]
)
def test_404(reader: TestClient, path: str) -> None:
    check(reader.get(path), 404)


@pytest.mark.parametrize("path", ["/api/jobs/dance/runs", "/api/jobs/inbox/runs"])
def test_404_of_a_job(reader: TestClient, path: str) -> None:
    check(reader.post(path), 404, "this server")


def test_405_names_what_is_allowed(reader: TestClient) -> None:
    answer = reader.delete("/api/sites")
    check(answer, 405)
    assert answer.headers["allow"] == "GET"


@pytest.mark.parametrize(
    "path", ["/api/reviews", "/api/uploads", "/api/quarantine/release", "/api/jobs/review/runs"]
)
def test_405_no_change_by_get(reader: TestClient, path: str) -> None:
    answer = reader.get(path)
    assert answer.status_code in (200, 405)
    if answer.status_code == 405:
        check(answer, 405)
    assert path == "/api/reviews" or answer.status_code == 405


def test_413_by_what_is_declared(reader: TestClient) -> None:
    check(reader.post("/api/uploads", files={"files": ("a.csv", b"x" * 1_100_000)}), 413, "1 MB")


def test_413_by_what_comes(reader: TestClient) -> None:
    """Without a length in the head, the body is cut off while it comes."""

    def body() -> object:
        yield b'--b\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\n'
        for _ in range(20):
            yield b"x" * 100_000
        yield b"\r\n--b--\r\n"

    answer = reader.post(
        "/api/uploads", content=body(), headers={"Content-Type": "multipart/form-data; boundary=b"}
    )
    check(answer, 413, "1 MB")


@pytest.mark.parametrize("path", ["/api/uploads", "/api/reviews", "/api/quarantine/release"])
def test_415(reader: TestClient, path: str) -> None:
    answer = reader.post(path, content=b"a,b", headers={"Content-Type": "text/csv"})
    check(answer, 415, "expected a body of type")


@pytest.mark.parametrize(
    ("path", "where"),
    [
        ("/api/exceptions?limit=0", "query.limit"),
        ("/api/exceptions?first=soon", "query.first"),
        ("/api/exceptions?severity=awful", "query.severity"),
        ("/api/sites/AD001/charts/pie", "path.name"),
        ("/api/ledger?load_id=-1", "query.load_id"),
    ],
)
def test_422_names_each_value(reader: TestClient, path: str, where: str) -> None:
    answer = reader.get(path)
    check(answer, 422, where)
    assert [fault["where"] for fault in answer.json()["errors"]] == [where]


def test_422_of_a_body(reader: TestClient) -> None:
    check(reader.post("/api/reviews", json={"as_of": "2026-03-01T06:00:00"}), 422, "as_of")
    check(reader.post("/api/reviews", json={"colour": 1}), 422, "colour")
    check(reader.post("/api/quarantine/release", json={"quarantine_ids": [987654]}), 422, "987654")
    broken = {"Content-Type": "application/json"}
    check(reader.post("/api/reviews", content=b"{", headers=broken), 422)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"no boundary here",
        b'--b\r\nContent-Disposition: form-data; name="files"\r\n\r\ntext\r\n--b--\r\n',
        b'--b\r\nContent-Disposition: form-data; name="other"; filename="a"\r\n\r\nx\r\n--b--\r\n',
        b"--b\r\nContent-Disposition: nothing\r\n\r\nx\r\n--b--\r\n",
    ],
)
def test_422_of_a_form(reader: TestClient, body: bytes) -> None:
    headers = {"Content-Type": "multipart/form-data; boundary=b"}
    check(reader.post("/api/uploads", content=body, headers=headers), 422)


def test_422_of_a_form_without_boundary(reader: TestClient) -> None:
    check(reader.post("/api/uploads", content=b"x", headers={"Content-Type": "multipart/form-data"}), 422)


def test_500_says_nothing_of_the_inside(app: FastAPI) -> None:
    @app.get("/api/fault")
    def fault() -> None:
        raise StatementFailed("Catalog Error: secret — in: SELECT 1")

    @app.get("/api/crash")
    def crash() -> None:
        raise KeyError("secret")

    with TestClient(app, raise_server_exceptions=False) as client:
        for path in ("/api/fault", "/api/crash"):
            answer = client.get(path)
            check(answer, 500)
            assert "secret" not in answer.text
            assert "Error" not in answer.json()["detail"]
            assert answer.headers["x-content-type-options"] == "nosniff"


def test_503_when_too_much_waits_and_readers_go_on(app: FastAPI) -> None:
    worker, settings = app.state.service.worker, app.state.service.settings
    begun, go_on = threading.Event(), threading.Event()

    def work() -> None:
        begun.set()
        assert go_on.wait(30)

    with TestClient(app, raise_server_exceptions=False) as client:
        threads = [threading.Thread(target=worker.do, args=[work]) for _ in range(settings.queue_limit + 1)]
        threads[0].start()
        assert begun.wait(30)
        for thread in threads[1:]:
            thread.start()
        try:
            while worker.waiting() < settings.queue_limit:
                assert threads[0].is_alive()
            answer = client.post("/api/reviews")
            check(answer, 503, "ask again later")
            assert int(answer.headers["retry-after"]) > 0
            assert client.get("/api/cases").status_code == 200
        finally:
            go_on.set()
            for thread in threads:
                thread.join()
        assert client.post("/api/quarantine/release").status_code == 200


def test_503_while_stopping(app: FastAPI) -> None:
    with TestClient(app, raise_server_exceptions=False) as client:
        app.state.service.worker.ask_to_stop()
        check(client.post("/api/reviews"), 503, "stopping")
        with pytest.raises(Busy):
            app.state.service.worker.do(lambda: None)


def test_readiness_is_a_problem_once_the_store_is_closed(app: FastAPI) -> None:
    with TestClient(app, raise_server_exceptions=False) as client:
        assert client.get("/readyz").json()["status"] == "ok"
        with app.state.service.store.writing() as session:
            session.run("DELETE FROM schema_step")
        check(client.get("/readyz"), 503, "migrations")
        assert client.get("/healthz").status_code == 200


def test_errors_before_any_route_have_the_shape_too(reader: TestClient) -> None:
    check(reader.get("/api/sites", headers={"Host": "elsewhere.example"}), 421)
    check(reader.post("/api/reviews", headers={"Origin": "https://elsewhere.example"}), 403)
