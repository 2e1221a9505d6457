"""Tuning on the command line, over HTTP and on its page: the same answer, kept, watched, called off."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from coilbook.analytics.queries import tune as records
from coilbook.api import tune_running
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.api.tune_order import order_of
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Store
from fastapi import FastAPI
from processes import Server, coilbook
from starlette.testclient import TestClient

QUICK = ("--min-run", "0,15,60", "--resamples", "50")
ORDER = {"appliances": ["pool_pump"], "min_runs_min": [0, 15, 60], "resamples": 50, "also_clock": True}
FORM = {"appliances": "pool_pump", "min_runs_min": "0, 15, 60", "resamples": "50", "also_clock": "yes"}


def ended(client: TestClient, number: int) -> dict[str, object]:
    """The tuning once it has ended."""
    for _ in range(600):
        told: dict[str, object] = client.get(f"/api/tunings/{number}").json()
        if told["state"] != "running":
            return told
        time.sleep(0.05)
    raise AssertionError("still running after 30 s")


def test_sentence_first_then_the_table_then_assumptions(store_file: Path, tmp_path: Path) -> None:
    rows, report = tmp_path / "rows.csv", tmp_path / "report.html"
    asked = ("tune", "pool_pump", "--also-clock", *QUICK, "--rows", rows, "--report", report)
    done = coilbook(*asked, "--store", store_file)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith("pool pump: ")
    assert "not enough to tell" in lines[0]  # 14 days of 6 sites are not enough
    assert [line for line in lines if line.startswith("minimum run 15 min")]
    assert [line for line in lines if line.startswith("today ")]
    assert any("a placeholder of ours" in line for line in lines)
    head = rows.read_text().splitlines()
    assert head[0].split(",") == [name for name in BY_NAME["circuit"].names() if name != "load_id"]
    assert len(head) == 1
    assert "0 rows of the circuits file written" in done.stderr
    page = report.read_text()
    assert "<svg" in page
    assert not re.search(r'(?:src|href)="(?!#)', page)  # asks nobody for anything


def test_json_and_csv(store_file: Path) -> None:
    told = coilbook("tune", "pool-pump", "--also-clock", *QUICK, "--format", "json", "--store", store_file)
    found = json.loads(told.stdout)
    assert found["request"]["min_runs_min"] == [0, 15, 60]
    assert [row["words"] for row in found["curves"]][-1] == "today"
    assert found["recommendations"][0]["reasons"]
    assert found["seed"] == 2006
    table = coilbook("tune", "pool_pump", "--also-clock", *QUICK, "--format", "csv", "--store", store_file)
    read = list(csv.DictReader(io.StringIO(table.stdout)))
    assert [row["min_run_s"] for row in read] == ["0.0", "900.0", "3600.0", ""]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("kettle",), "no class of appliance 'kettle'; expected pool_pump"),
        (("pool_pump", "--min-run", "ten"), "min_runs_min 'ten': expected a number"),
        (("pool_pump", "--min-run", "-5"), "min_runs_min.0 -5.0"),
        (("pool_pump", "--season", "13"), "season '13': expected months"),
        (("pool_pump", "--pv-kw", "8-4"), "the range ends before it begins"),
        (("pool_pump", "--battery", "maybe"), "battery 'maybe': expected with or without"),
        (("pool_pump", "--first", "2026-03-09", "--last", "2026-03-01"), "lies before first date"),
        (("pool_pump", "--first", "soon"), "first 'soon'"),
        (("pool_pump", "--on-level", "0.4", "--off-level", "0.5"), "at least one candidate"),
    ],
)
def test_wrong_use_is_one_line(store_file: Path, arguments: tuple[str, ...], said: str) -> None:
    done = coilbook("tune", *arguments, "--store", store_file)
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_a_named_result_is_kept_and_its_name_taken(store_file: Path) -> None:
    asked = ("tune", "pool_pump", "--also-clock", *QUICK, "--name", "pumps", "--store", store_file)
    assert coilbook(*asked).returncode == 0
    again = coilbook(*asked)
    assert (again.returncode, "a tuning named 'pumps' is kept already" in again.stderr) == (2, True)
    with Store.open(store_file) as store, store.reading() as session:
        (one,) = records.tunings(session)
        kept = records.tuning(session, one.tune_run_id)
    assert (one.name, one.state, one.seed) == ("pumps", "done", 2006)
    assert kept is not None
    assert kept.frames["curves"].height == 4


def test_the_same_through_a_server(server: Server, reviewed: Path, tmp_path: Path) -> None:
    alone = Path(shutil.copy(reviewed, tmp_path / "alone.duckdb"))
    told = []
    for store in (alone, server.store):
        rows = tmp_path / f"{store.stem}.csv"
        asked = ("tune", "pool_pump", "--also-clock", *QUICK, "--name", "n", "--rows", rows, "--store", store)
        table = coilbook(*asked)
        plain = coilbook("tune", "pool_pump", "--also-clock", *QUICK, "--format", "json", "--store", store)
        found = json.loads(plain.stdout)
        del found["made_at"], found["duration_s"]
        twice = coilbook("tune", "spa", "--name", "n", "--store", store)
        told.append(
            (table.stdout, table.returncode, found, rows.read_bytes(), twice.stderr, twice.returncode)
        )
    assert told[0] == told[1]
    listed = server.http.get("/api/tunings").json()
    assert [one["name"] for one in listed] == ["n"]  # the one without a name is off the record


def test_begin_watch_take_and_drop(client: TestClient) -> None:
    begun = client.post("/api/tunings", json={**ORDER, "name": "a"})
    assert begun.status_code == 202
    number = begun.json()["tune_run_id"]
    told = ended(client, number)
    assert (told["state"], told["name"]) == ("done", "a")
    assert client.get(f"/api/tunings/{number}/progress").json()["state"] == "done"
    head = client.get(f"/api/tunings/{number}/registry").text.splitlines()[0]
    assert head.startswith("circuit_id,site_id,")
    assert client.get(f"/api/tunings/{number}/frames").content[:2] == b"PK"
    assert client.post(f"/api/tunings/{number}/cancel").status_code == 409
    assert client.post("/api/tunings", json={**ORDER, "name": "a"}).status_code == 422
    assert client.delete(f"/api/tunings/{number}").status_code == 204
    assert client.get(f"/api/tunings/{number}").status_code == 404


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """Tunings that stand at their first site until the event is set."""
    go, answer = threading.Event(), tune_running.answer

    def slow(store, request, progress, cancel):  # type: ignore[no-untyped-def]
        progress(1, 6)
        while not (go.wait(0.02) or cancel()):
            pass
        return answer(store, request, progress, cancel)

    monkeypatch.setattr(tune_running, "answer", slow)
    yield go
    go.set()


def test_one_at_a_time_with_progress_and_cancel(client: TestClient, held: threading.Event) -> None:
    number = client.post("/api/tunings", json={**ORDER, "name": "slow"}).json()["tune_run_id"]
    for _ in range(200):
        at = client.get(f"/api/tunings/{number}/progress").json()
        if at["sites"]:
            break
        time.sleep(0.01)
    assert (at["state"], at["sites_done"], at["sites"]) == ("running", 1, 6)
    other = client.post("/api/tunings", json=ORDER)
    assert (other.status_code, other.json()["detail"]) == (
        409,
        "slow runs already; wait for it, or cancel it",
    )
    assert client.delete(f"/api/tunings/{number}").status_code == 409
    assert client.get(f"/api/tunings/{number}/registry").status_code == 409
    page = client.get(f"/fleet/min-run?run={number}").text
    assert "1 of 6 sites replayed" in page
    assert 'http-equiv="refresh"' in page
    assert f'action="/fleet/min-run/{number}/cancel"' in page
    asked = client.post("/fleet/min-run", data=FORM)
    assert asked.status_code == 409
    assert "slow runs already" in asked.text
    assert client.post(f"/fleet/min-run/{number}/cancel", follow_redirects=False).status_code == 303
    assert ended(client, number)["state"] == "cancelled"
    page = client.get(f"/fleet/min-run?run={number}").text
    assert "slow is cancelled" in page
    assert 'http-equiv="refresh"' not in page


def test_a_stopping_server_calls_its_tuning_off_and_says_so(store_file: Path, held: threading.Event) -> None:
    settings = Settings(store=store_file, nightly=False, hosts=("testserver",))
    with TestClient(create_app(settings)) as client:
        number = client.post("/api/tunings", json={**ORDER, "name": "cut"}).json()["tune_run_id"]
    with Store.open(store_file) as store, store.reading() as session:
        found = records.tuning(session, number)
    assert found is not None
    assert (found.state, found.sentence) == ("interrupted", "the server stopped")


def test_what_a_killed_server_left_is_marked(store_file: Path) -> None:
    with Store.open(store_file) as store:
        number = records.begin(store, {}, "left", 1, datetime(2026, 3, 1))  # noqa: DTZ001 - naive UTC
    settings = Settings(store=store_file, nightly=False, hosts=("testserver",))
    with TestClient(create_app(settings)) as client:
        assert client.get(f"/api/tunings/{number}").json()["state"] == "interrupted"


def test_a_fault_within_is_put_on_record(
    app: FastAPI, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("no such luck")

    monkeypatch.setattr(tune_running, "answer", broken)
    number = client.post("/api/tunings", json=ORDER).json()["tune_run_id"]
    told = ended(client, number)
    assert (told["state"], told["sentence"]) == ("failed", "RuntimeError: no such luck")
    assert app.state.service.tunings.running() is None


def test_what_stands_at_its_default_is_not_kept() -> None:
    assert order_of({}).kept() == {}
    assert order_of({"areas": ["x"], "name": "n"}).kept() == {"areas": ["x"]}
    request = order_of({"contactor_change": 90, "start_cost": 0}).request()
    assert request.costs.given == {"contactor_change", "start_costs"}
    assert request.cohort.followers
