"""A store of an older schema is brought up to date, after a copy; one of a newer schema is refused."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest
from coilbook.analytics.review import review
from coilbook.ingest.errors import StoreTooNew
from coilbook.ingest.migrations import STEPS
from coilbook.ingest.store import Store
from little_fleet import NOW, POWER, load, put, query, registry

COLUMNS = (
    "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() WHERE schema_name = 'main'"
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store of the newest schema with one review."""
    path = tmp_path / "store.duckdb"
    with Store.open(path, threads=1) as store:
        load(store, registry(tmp_path), put(tmp_path / "p.csv", POWER + "2026-03-01T12:00:00Z,AD001,1,2,1\n"))
        review(store, now=NOW)
    return path


def as_of_step(path: Path, name: str) -> None:
    """Take back in the file what came after step `name`."""
    back = {
        "0001-foundation": (
            "ALTER TABLE review RENAME COLUMN settings TO settings_sha256",
            "UPDATE review SET settings_sha256 = 'ab01'",
            "COMMENT ON COLUMN review.settings_sha256 IS 'digest of the rule settings in force'",
        )
    }
    with duckdb.connect(str(path)) as connection:
        for statement in back[name]:
            connection.execute(statement)
        connection.execute("DELETE FROM schema_step WHERE name > ?", [name])


def test_an_older_store_is_brought_up_to_date(path: Path) -> None:
    with Store.open(path, threads=1) as store:
        newest, found = query(store, f"{COLUMNS} ORDER BY ALL"), query(store, "FROM finding ORDER BY ALL")
    as_of_step(path, "0001-foundation")
    before = path.read_bytes()
    with Store.open(path, threads=1) as store:
        assert query(store, f"{COLUMNS} ORDER BY ALL") == newest
        assert query(store, "SELECT name FROM schema_step ORDER BY name") == [(step.name,) for step in STEPS]
        assert query(store, "SELECT settings FROM review") == [("",)]
        review(store, now=NOW)
        assert query(store, "FROM finding ORDER BY ALL") == found
    assert path.with_name(f"{path.name}.before-{STEPS[1].name}").read_bytes() == before


def test_a_newer_store_is_refused(path: Path) -> None:
    with duckdb.connect(str(path)) as connection:
        connection.execute("INSERT INTO schema_step VALUES ('9999-to-come', TIMESTAMP '2030-01-01')")
    with pytest.raises(StoreTooNew, match="9999-to-come"):
        Store.open(path)
