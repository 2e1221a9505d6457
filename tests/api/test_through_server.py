"""The command line while a server holds the store: the same output, by way of the server."""

from __future__ import annotations

import json
import re
import shutil
import stat
from pathlib import Path

import pytest
from coilbook.api.side_file import read_side_file, side_file
from coilbook.ingest.store import Store
from processes import Server, coilbook


@pytest.mark.parametrize(
    "arguments",
    [
        ("cases",),
        ("cases", "--format", "json"),
        ("cases", "--format", "csv", "--severity", "danger"),
        ("cases", "--state", "new", "--area", "nowhere"),
        ("site", "AD001"),
        ("site", "AD001", "--format", "json", "--days", "3"),
        ("site", "no such/site?"),
        ("load", "/no/such/file"),
        ("export", "nothing", "--to", "x.csv"),
        ("export", "finding", "--to", "x.xlsx"),
    ],
)
def test_same_output(held: Server, reviewed: Path, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    alone = Path(shutil.copy(reviewed, tmp_path / "alone.duckdb"))
    direct = coilbook(*arguments, "--store", alone, cwd=tmp_path)
    through = coilbook(*arguments, "--store", held.store, cwd=tmp_path)
    assert (through.stdout, through.stderr, through.returncode) == (
        direct.stdout,
        direct.stderr,
        direct.returncode,
    )


@pytest.mark.parametrize("ending", ["csv", "ndjson", "parquet"])
def test_same_export(held: Server, reviewed: Path, tmp_path: Path, ending: str) -> None:
    alone = Path(shutil.copy(reviewed, tmp_path / "alone.duckdb"))
    a, b = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    for store, target in ((alone, a), (held.store, b)):
        done = coilbook("export", "finding", "--to", target, "--store", store)
        assert done.returncode == 0, done.stderr
        assert re.match(r"[\d,]+ rows of finding written", done.stderr)
    assert a.read_bytes() == b.read_bytes()


def test_same_registry_export(held: Server, reviewed: Path, tmp_path: Path) -> None:
    alone = Path(shutil.copy(reviewed, tmp_path / "alone.duckdb"))
    for name, store in (("a", alone), ("b", held.store)):
        (tmp_path / name).mkdir()
        for ending in ("json", "csv"):
            done = coilbook("export", "registry", "--to", tmp_path / name / f"r.{ending}", "--store", store)
            assert done.returncode == 0, done.stderr
    written = [{p.name: p.read_bytes() for p in (tmp_path / name).iterdir()} for name in "ab"]
    assert written[0] == written[1]
    assert len(written[0]) == 5


def test_same_load_and_review(fleet: Path, tmp_path: Path) -> None:
    """The ledger tells the same but for the clock; the server finds a folder given by a relative path too."""
    told = []
    for name in ("direct", "through"):
        (tmp_path / name).mkdir()
        store = tmp_path / name / "s.duckdb"

        def steps(store: Path) -> list[object]:
            loaded = coilbook("load", "registry", "logs", "--store", store, "--format", "json", cwd=fleet)
            table = coilbook("load", "registry", "--store", store, cwd=fleet)
            reviewed = coilbook("review", "--store", store, cwd=fleet)
            assert (loaded.returncode, reviewed.returncode) == (0, 0), loaded.stderr + reviewed.stderr
            rows = json.loads(loaded.stdout)
            for row in rows:
                del row["loaded_at"], row["duration_s"]
            return [rows, table.stdout, reviewed.stdout, coilbook("cases", "--store", store).stdout]

        if name == "direct":
            told.append(steps(store))
        else:
            with Server(store):
                told.append(steps(store))
    assert told[0] == told[1]


def test_backup_through_the_server_and_no_restore_under_it(server: Server, tmp_path: Path) -> None:
    copy = tmp_path / "copy.duckdb"
    done = coilbook("backup", "copy.duckdb", "--store", server.store, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    refused = coilbook("restore", copy, "--store", server.store)
    assert refused.returncode == 1
    assert "held by a running server" in refused.stderr
    with Store.open(copy) as store, store.reading() as session:
        assert session.one("SELECT count(*) > 0 FROM service_case") == (True,)


def test_the_side_file_is_the_owners_and_goes_with_the_server(server: Server) -> None:
    path = side_file(server.store)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert read_side_file(server.store).pid == server.process.pid
    assert server.stop() == 0
    assert not path.exists()


def test_local_routes_ask_for_the_token(held: Server, tmp_path: Path) -> None:
    for headers in ({}, {"X-Coilbook-Token": ""}, {"X-Coilbook-Token": "guess"}):
        answer = held.http.post("/local/backup", json={"target": str(tmp_path / "x")}, headers=headers)
        assert answer.status_code == 403
        assert answer.headers["content-type"] == "application/problem+json"
    assert not (tmp_path / "x").exists()


def test_a_stale_side_file_is_no_hindrance_once_the_store_is_free(server: Server) -> None:
    server.process.kill()
    server.process.wait()
    assert side_file(server.store).exists()
    assert coilbook("cases", "--store", server.store).returncode == 0


def test_a_store_held_by_no_server_is_said_so(store_file: Path) -> None:
    with Store.open(store_file):
        bare = coilbook("cases", "--store", store_file)
        side_file(store_file).write_text('{"host": "127.0.0.1", "port": 9, "pid": 1, "token": "x"}')
        stale = coilbook("cases", "--store", store_file)
        side_file(store_file).write_text("{")
        broken = coilbook("cases", "--store", store_file)
    for done, said in ((bare, "no server has left"), (stale, "does not answer"), (broken, "cannot be read")):
        assert done.returncode == 1
        assert said in done.stderr
        assert done.stderr.count("\n") == 1
