"""A whole store out and back, never over an existing file."""

from __future__ import annotations

from pathlib import Path

import pytest
from coilbook.ingest.backup import backup, restore
from coilbook.ingest.errors import InputError
from coilbook.ingest.schema import TABLES
from coilbook.ingest.store import Store
from little_fleet import POWER, content, load, put, query


def test_there_and_back(known: Store, tmp_path: Path) -> None:
    lines = "".join(f"2026-03-01T12:{m:02d}:00Z,H1,{m},2,3\n" for m in range(60))
    load(known, put(tmp_path / "p.csv", POWER + lines + "soon,H1,1,2,3\n"))
    backup(known, tmp_path / "kept.duckdb")
    load(known, put(tmp_path / "q.csv", POWER + "2026-03-02T12:00:00Z,H1,1,2,3\n"))
    restore(tmp_path / "kept.duckdb", tmp_path / "again.duckdb")
    with Store.open(tmp_path / "again.duckdb") as store:
        assert query(store, "SELECT count(*) FROM power_log") == [(60,)]
        load(store, tmp_path / "q.csv")
        assert content(store) == content(known)
        told = "SELECT table_name, column_name, comment FROM duckdb_columns() ORDER BY ALL"
        assert query(store, told) == query(known, told)
        assert {row[0] for row in query(store, "SELECT table_name FROM duckdb_tables()")} >= {
            t.name for t in TABLES
        }
    assert sorted(p.name for p in tmp_path.glob("*duckdb")) == ["again.duckdb", "kept.duckdb", "test.duckdb"]


def test_nothing_is_overwritten(known: Store, tmp_path: Path) -> None:
    taken = put(tmp_path / "taken", "mine")
    with pytest.raises(InputError, match="exists already"):
        backup(known, taken)
    backup(known, tmp_path / "kept.duckdb")
    with pytest.raises(InputError, match="exists already"):
        restore(tmp_path / "kept.duckdb", taken)
    assert taken.read_text() == "mine"


def test_what_is_no_backup(known: Store, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        restore(tmp_path / "none", tmp_path / "a")
    with pytest.raises(InputError, match="cannot be restored"):
        restore(put(tmp_path / "text", "hello" * 5000), tmp_path / "b")
    with pytest.raises(InputError, match="does not exist"):
        backup(known, tmp_path / "no" / "folder")
    assert not (tmp_path / "a").exists()
    assert not (tmp_path / "b").exists()
    assert not list(tmp_path.glob(".*"))
