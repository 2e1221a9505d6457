"""Uploads: several files, names that mislead, profiles, and nothing left behind."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.api.uploads import shown_name
from starlette.testclient import TestClient


@pytest.fixture
def scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "scratch"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.fixture
def empty(tmp_path: Path, scratch: Path) -> Iterator[TestClient]:
    """A client of a server whose store is empty."""
    app = create_app(Settings(store=tmp_path / "s.duckdb", nightly=False, hosts=("testserver",)))
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def parts(folder: Path) -> list[tuple[str, tuple[str, bytes]]]:
    return [("files", (path.name, path.read_bytes())) for path in sorted(folder.iterdir())]


def test_a_fleet_by_upload(empty: TestClient, fleet: Path, scratch: Path) -> None:
    files = parts(fleet / "logs") + parts(fleet / "registry")
    answer = empty.post("/api/uploads", files=files)
    assert answer.status_code == 200, answer.text
    rows = answer.json()
    assert sorted(row["path"] for row in rows) == sorted(name for _, (name, _) in files)
    for row in rows:
        assert row["outcome"] == "loaded"
        assert row["rows_read"] == row["accepted"] + row["duplicate"] + row["replaced"] + row["quarantined"]
    assert empty.get("/api/ledger?limit=500").json() == sorted(rows, key=lambda row: -row["load_id"])
    assert list(scratch.iterdir()) == []


def test_a_name_is_no_path(empty: TestClient, fleet: Path, tmp_path: Path, scratch: Path) -> None:
    sites = (fleet / "registry" / "sites.csv").read_bytes()
    before = sorted(tmp_path.rglob("*"))
    for name in (
        "../../escape.csv",
        "/etc/escape.csv",
        "..\\..\\escape.csv",
        "..",
        ".hidden.csv",
        "a\x00b.csv",
        "ü.csv",
    ):
        answer = empty.post("/api/uploads", files=[("files", (name, sites))])
        assert answer.status_code == 200, (name, answer.text)
        [row] = answer.json()
        assert row["outcome"] == "loaded", row
        assert not set("/\\\x00") & set(row["path"])
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("name", "number", "shown"),
    [
        ("a.csv", 1, "a.csv"),
        ("C:\\logs\\a.csv", 1, "a.csv"),
        ("../a.csv", 1, "a.csv"),
        ("", 3, "file-3"),
        ("\x1b[31mred.csv", 1, "[31mred.csv"),
        ("x" * 300, 1, "x" * 200),
    ],
)
def test_shown_name(name: str, number: int, shown: str) -> None:
    assert shown_name(name, number) == shown


def test_a_file_that_fails_is_told_and_the_others_load(empty: TestClient, fleet: Path) -> None:
    good = ("files", ("sites.csv", (fleet / "registry" / "sites.csv").read_bytes()))
    bad = ("files", ("bad.csv", b"a,b\n1,2\n"))
    rows = empty.post("/api/uploads", files=[bad, good]).json()
    assert {row["path"]: row["outcome"] for row in rows} == {"bad.csv": "failed", "sites.csv": "loaded"}
    [failed] = empty.get("/api/ledger?outcome=failed").json()
    assert "bad.csv" in failed["error"]
    assert "/" not in failed["error"]


def test_a_profile_comes_along(empty: TestClient) -> None:
    files = [("files", ("a.csv", b"a,b\n1,2\n")), ("profile", ("p.toml", b"no profile"))]
    answer = empty.post("/api/uploads", files=files)
    assert answer.status_code == 422
    assert empty.get("/api/ledger").json() == []


def test_held_rows_are_listed_and_released_once_the_registry_knows(empty: TestClient, fleet: Path) -> None:
    switch = next(path for path in sorted((fleet / "logs").iterdir()) if "switch" in path.name)
    empty.post("/api/uploads", files=[("files", (switch.name, switch.read_bytes()))])
    held = empty.get("/api/quarantine?limit=500").json()
    unknown = [row for row in held if row["reason"] in ("unknown_circuit", "unknown_site")]
    assert unknown
    assert all(row["raw"] and row["path"] == switch.name for row in unknown)
    empty.post("/api/uploads", files=parts(fleet / "registry"))
    still = {row["quarantine_id"] for row in empty.get("/api/quarantine?limit=500").json()}
    known = {line.split(",")[0] for line in (fleet / "registry" / "circuits.csv").read_text().splitlines()}
    ours = {row["quarantine_id"] for row in unknown if row["subject"] in known}
    assert len(ours) > 10
    assert not ours & still
    released = empty.get("/api/quarantine?state=any&limit=500").json()
    assert {row["quarantine_id"] for row in released if row["state"] == "released"} >= ours
    assert empty.post("/api/quarantine/release").json()["released"] == 0
