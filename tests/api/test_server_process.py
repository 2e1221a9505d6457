"""A real server process: how it starts, stops, and what it leaves when it is killed."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import signal
import socket
import subprocess
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from coilbook.ingest.store import Store
from fastapi import FastAPI
from processes import PROGRAM, Server, coilbook, environment
from starlette.testclient import TestClient

HEAD = "ts,site_id,pv_w,house_w,grid_w\n"


def registry(server: Server, fleet: Path) -> None:
    files = [("files", (path.name, path.read_bytes())) for path in (fleet / "registry").iterdir()]
    assert server.http.post("/api/uploads", files=files).status_code == 200


def power_log(site: str, rows: int, first: datetime = datetime(2025, 1, 1, tzinfo=UTC)) -> bytes:
    lines = (
        f"{first + timedelta(seconds=10 * number):%Y-%m-%dT%H:%M:%SZ},{site},0,{number % 977},0\n"
        for number in range(rows)
    )
    return (HEAD + "".join(lines)).encode()


def rows_of(store: Path, site: str) -> int:
    with Store.open(store) as opened, opened.reading() as session:
        found = session.one("SELECT count(*) FROM power_log WHERE site_id = ?", [site])
    assert found is not None
    return int(found[0])


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_in_order_when_told_to(server: Server, how: signal.Signals) -> None:
    assert server.http.get("/readyz").status_code == 200
    assert server.stop(how) == 0
    assert "Traceback" not in server.log()
    assert sorted(path.name for path in server.store.parent.iterdir()) == ["server.log", "store.duckdb"]


def test_a_port_that_is_taken_is_said_so(store_file: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = coilbook("serve", "--store", store_file, "--port", taken.getsockname()[1])
    assert done.returncode == 2
    assert re.fullmatch(r"coilbook: cannot listen on .*; name another with --port\n", done.stderr)


def test_a_second_server_on_a_store_is_refused(server: Server) -> None:
    done = coilbook("serve", "--store", server.store, "--port", "0")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "held by another process" in done.stderr
    assert server.http.get("/readyz").status_code == 200


def test_the_command_line_reaches_a_server_that_listens_elsewhere(store_file: Path) -> None:
    """127.0.0.2 stands for an address of the network: the command line comes by a socket of its own."""
    with Server(store_file, "--host", "127.0.0.2") as server:
        assert server.url.startswith("http://127.0.0.2:")
        assert server.http.get("/healthz").status_code == 200
        assert coilbook("cases", "--store", store_file).returncode == 0


def test_two_uploads_at_once_both_load_whole(server: Server, fleet: Path) -> None:
    registry(server, fleet)
    bodies = {"AD001": power_log("AD001", 20_000), "AD002": power_log("AD002", 20_000)}

    def upload(site: str) -> httpx.Response:
        return httpx.post(
            f"{server.url}/api/uploads", files=[("files", (f"{site}.csv", bodies[site]))], timeout=120
        )

    with ThreadPoolExecutor(2) as pool:
        answers = dict(zip(bodies, pool.map(upload, bodies), strict=True))
    loads = []
    for site, answer in answers.items():
        assert answer.status_code == 200, answer.text
        [row] = answer.json()
        assert (row["path"], row["accepted"], row["rows_read"]) == (f"{site}.csv", 20_000, 20_000)
        loads.append(row["load_id"])
    assert len(set(loads)) == 2


def test_readers_are_served_while_a_load_runs(server: Server, fleet: Path) -> None:
    registry(server, fleet)
    body = power_log("AD001", 400_000)
    done = threading.Event()
    answers = []

    def upload() -> None:
        answers.append(
            httpx.post(f"{server.url}/api/uploads", files=[("files", ("a.csv", body))], timeout=120)
        )
        done.set()

    thread = threading.Thread(target=upload)
    thread.start()
    slowest, reads = 0.0, 0
    while not done.is_set():
        begin = time.monotonic()
        assert server.http.get("/api/cases").status_code == 200
        slowest, reads = max(slowest, time.monotonic() - begin), reads + 1
    thread.join()
    assert answers[0].json()[0]["accepted"] == 400_000
    assert reads >= 3
    assert slowest < answers[0].elapsed.total_seconds()


def test_a_load_that_runs_while_the_server_stops_is_whole_or_not_at_all(server: Server, fleet: Path) -> None:
    registry(server, fleet)
    body = power_log("AD001", 600_000)
    answers: list[httpx.Response] = []

    def upload() -> None:
        with contextlib.suppress(httpx.HTTPError):
            answers.append(
                httpx.post(f"{server.url}/api/uploads", files=[("files", ("a.csv", body))], timeout=120)
            )

    thread = threading.Thread(target=upload)
    thread.start()
    time.sleep(1.5)
    assert server.stop() == 0
    thread.join(60)
    assert not thread.is_alive()
    whole = answers and answers[0].status_code == 200
    assert "Traceback" not in server.log()
    if not whole:  # a load that had entered its rows may find nobody left to tell
        assert [answer.status_code for answer in answers] in ([503], [])
    with Store.open(server.store) as opened, opened.reading() as session:
        found = session.one(
            "SELECT count(*) FROM power_log WHERE site_id = 'AD001' AND ts < TIMESTAMP '2025-12-01'"
        )
    assert found == (600_000,) if whole else found in ((0,), (600_000,))


def test_kill_9_in_the_middle_of_a_load_leaves_no_trace(server: Server, fleet: Path, tmp_path: Path) -> None:
    """After the restart the same file loads as on an undisturbed store."""
    registry(server, fleet)
    body = power_log("AD001", 600_000)
    thread = threading.Thread(
        target=lambda: _shrug(httpx.post, f"{server.url}/api/uploads", files=[("files", ("a.csv", body))])
    )
    thread.start()
    time.sleep(1.5)
    server.process.kill()
    server.process.wait()
    thread.join(60)
    with Server(server.store) as again:
        jobs = again.http.get("/api/jobs?job=serve").json()["runs"]
        assert [run["outcome"] for run in jobs] == ["running", "interrupted"]
        [row] = again.http.post("/api/uploads", files=[("files", ("a.csv", body))], timeout=120).json()
        assert row["rows_read"] == 600_000
        assert row["accepted"] + row["duplicate"] == 600_000
        assert row["accepted"] in (0, 600_000)
        assert coilbook("cases", "--store", again.store).returncode == 0


def _shrug(what: object, *arguments: object, **options: object) -> None:
    """A request whose server dies under it."""
    try:
        what(*arguments, timeout=120, **options)  # type: ignore[operator]
    except httpx.HTTPError:
        return


def test_a_review_through_http(server: Server) -> None:
    first = server.http.post("/api/reviews").json()
    assert first["review_id"] == 2
    early = server.http.post("/api/reviews", json={"as_of": "2026-02-24T00:00:00-07:00"}).json()
    assert early["as_of"] == "2026-02-24T07:00:00Z"
    assert early["horizon"] <= early["as_of"]
    listed = server.http.get("/api/reviews").json()
    assert [review["review_id"] for review in listed] == [3, 2, 1]


def test_a_load_gives_up_at_its_next_block_when_the_server_is_to_stop(
    app: FastAPI, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signal comes while the first rows are merged: the request is answered, and nothing has entered."""
    worker = app.state.service.worker
    check = worker.check

    def stop_then_check(*told: int) -> None:
        worker.ask_to_stop()
        check(*told)

    monkeypatch.setattr(worker, "check", stop_then_check)
    answer = client.post("/api/uploads", files=[("files", ("a.csv", power_log("AD001", 1000)))])
    assert (answer.status_code, answer.headers["content-type"]) == (503, "application/problem+json")
    with app.state.service.store.reading() as session:
        assert session.one("SELECT count(*) FROM power_log WHERE ts < TIMESTAMP '2025-12-01'") == (0,)


def test_ctrl_c_ends_a_command_in_order(fleet: Path, tmp_path: Path) -> None:
    """On a terminal the progress is seen; Ctrl-C in the middle leaves the store as it was."""
    big = tmp_path / "big.csv"
    big.write_bytes(power_log("AD001", 600_000))
    store = tmp_path / "s.duckdb"
    assert coilbook("load", fleet / "registry", "--store", store).returncode == 0
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*PROGRAM, "load", str(big), "--store", str(store)],
        env=environment({"TERM": "xterm"}), stdout=subprocess.PIPE, stderr=theirs, text=True,
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    with contextlib.suppress(OSError):  # the terminal ends with the process
        while chunk := os.read(ours, 4096):
            if b" rows" in chunk and b" rows" not in seen:
                process.send_signal(signal.SIGINT)
            seen += chunk
    os.close(ours)
    out, _ = process.communicate(timeout=60)
    assert b"loading" in seen
    assert (process.returncode, out) == (130, ""), seen[-500:]
    assert b"Traceback" not in seen
    assert rows_of(store, "AD001") == 0
