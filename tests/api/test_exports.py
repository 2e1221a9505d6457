"""Whole tables over HTTP: every one in every format, empty ones too."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import polars as pl
import pytest
from coilbook.ingest.schema import EXPORTS
from coilbook.ingest.store import Store
from starlette.testclient import TestClient

READ = {"csv": pl.read_csv, "ndjson": pl.read_ndjson, "parquet": pl.read_parquet}


@pytest.mark.parametrize("form", READ)
@pytest.mark.parametrize("table", EXPORTS)
def test_a_table_is_whole(client: TestClient, store: Store, table: str, form: str) -> None:
    answer = client.get(f"/api/exports/{table}", params={"form": form})
    assert answer.status_code == 200, answer.text
    name = EXPORTS[table].name
    with store.reading() as session:
        rows = session.one(f'SELECT count(*) FROM "{name}"')  # noqa: S608 - a name of the schema
    assert rows == (int(answer.headers["x-coilbook-rows"]),)
    assert f'filename="{table}.{form}"' in answer.headers["content-disposition"]
    if answer.content:
        assert rows == (READ[form](io.BytesIO(answer.content)).height,)
    else:
        assert (rows, form) == ((0,), "ndjson")


def test_the_registry_is_one_object_that_loads_again(client: TestClient) -> None:
    answer = client.get("/api/exports/registry")
    assert answer.headers["content-type"] == "application/json"
    assert set(answer.json()) == {"sites", "circuits", "windows", "tariffs"}
    rows = client.post("/api/uploads", files=[("files", ("registry.json", answer.content))]).json()
    assert all(row["duplicate"] == row["rows_read"] for row in rows)
    assert sum(row["rows_read"] for row in rows) == int(answer.headers["x-coilbook-rows"])


@pytest.mark.parametrize(("table", "form"), [("registry", "csv"), ("finding", "json"), ("finding", "xlsx")])
def test_a_format_that_does_not_fit_is_refused(client: TestClient, table: str, form: str) -> None:
    assert client.get(f"/api/exports/{table}", params={"form": form}).status_code == 422


def test_nothing_is_left_behind(client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    assert client.get("/api/exports/finding").status_code == 200
    assert client.get("/api/exports/registry", params={"form": "csv"}).status_code == 422
    assert list(scratch.iterdir()) == []
