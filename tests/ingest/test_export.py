"""Exports: forms of values, quoting, formula cells, the same bytes each time, and the way back in."""

from __future__ import annotations

import csv
import json
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest
from coilbook.ingest.errors import InputError
from coilbook.ingest.export import export_table
from coilbook.ingest.schema import EXPORTS
from coilbook.ingest.store import Store
from little_fleet import content, load, put, query


def insert_run(store: Store) -> None:
    with store.writing() as session:
        session.run(
            """INSERT INTO run VALUES
            ('H2', 'z', DATE '2026-03-02', TIMESTAMP '2026-03-01 22:00:00', NULL, 1e-7, 'clock', NULL),
            ('=H1', 'a,"b"', DATE '2026-03-01', TIMESTAMP '2026-03-01 12:00:00.25',
             TIMESTAMP '2026-03-01 13:00:00', -5.25, '-shed', 'two' || chr(10) || 'lines')"""
        )


def test_csv_by_rfc_4180_with_formula_cells_defused(store: Store, tmp_path: Path) -> None:
    insert_run(store)
    assert export_table(store, "run", tmp_path / "run.csv") == 2
    assert (tmp_path / "run.csv").read_bytes() == (
        b"site_id,circuit_id,local_date,start,end,duration_s,cause_on,cause_off\r\n"
        b'\'=H1,"a,""b""",2026-03-01,2026-03-01T12:00:00.250000Z,2026-03-01T13:00:00Z,-5.25,\'-shed,"two\nlines"\r\n'
        b"H2,z,2026-03-02,2026-03-01T22:00:00Z,,1e-7,clock,\r\n"
    )
    with (tmp_path / "run.csv").open(newline="") as file:  # the standard library reads the same cells
        assert [row["circuit_id"] for row in csv.DictReader(file)] == ['a,"b"', "z"]


@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\r"])
def test_cells_that_a_spreadsheet_takes_for_a_formula(store: Store, tmp_path: Path, begin: str) -> None:
    # The list of characters is that of CWE-1236 and OWASP's page on CSV injection.
    with store.writing() as session:
        session.run(
            "INSERT INTO run (site_id, circuit_id, start) VALUES (?, 'c', TIMESTAMP '2026-03-01')",
            [begin + "1"],
        )
    export_table(store, "run", tmp_path / "r.csv")
    with (tmp_path / "r.csv").open(newline="") as file:
        assert next(csv.DictReader(file))["site_id"] == "'" + begin + "1"


def test_ndjson_and_parquet(store: Store, tmp_path: Path) -> None:
    insert_run(store)
    export_table(store, "run", tmp_path / "run.ndjson")
    first, second = map(json.loads, (tmp_path / "run.ndjson").read_text().splitlines())
    assert (first["site_id"], first["duration_s"], first["start"]) == (
        "=H1",
        -5.25,
        "2026-03-01T12:00:00.250000Z",
    )
    assert (second["end"], second["local_date"]) == (None, "2026-03-02")
    assert export_table(store, "run", tmp_path / "run.parquet") == 2
    frame = pl.read_parquet(tmp_path / "run.parquet")
    assert frame.schema["start"] == pl.Datetime("us", "UTC")
    assert frame["start"][1] == datetime(2026, 3, 1, 22, tzinfo=UTC)
    assert frame["local_date"][0] == date(2026, 3, 1)


@pytest.mark.parametrize("ending", ["csv", "parquet", "ndjson"])
def test_every_table_goes_out_and_twice_the_same(known: Store, tmp_path: Path, ending: str) -> None:
    for name in EXPORTS:
        bodies = []
        for _ in range(2):
            export_table(known, name, tmp_path / f"{name}.{ending}")
            bodies.append((tmp_path / f"{name}.{ending}").read_bytes())
        assert bodies[0] == bodies[1]


@pytest.mark.parametrize("ending", ["json", "csv", "ndjson", "parquet"])
def test_an_exported_registry_loads_into_another_store(known: Store, tmp_path: Path, ending: str) -> None:
    out = tmp_path / "out"
    out.mkdir()
    assert export_table(known, "registry", out / f"r.{ending}") == 8
    assert len(list(out.iterdir())) == (1 if ending == "json" else 4)
    with Store.open(tmp_path / "other.duckdb", threads=1) as other:
        load(other, out)
        assert content(other) == content(known)


def test_truth_is_1_and_0(known: Store, tmp_path: Path) -> None:
    export_table(known, "registry", tmp_path / "r.csv")
    with (tmp_path / "r-circuits.csv").open(newline="") as file:
        assert [row["shed_when_islanded"] for row in csv.DictReader(file)] == ["1", "1", "0"]


@pytest.mark.parametrize(
    ("table", "name", "said"),
    [
        ("nothing", "a.csv", "circuit_day"),
        ("run", "a.xlsx", ".parquet"),
        ("registry", "a", ".csv"),
        ("run", "no/folder/a.csv", "does not exist"),
        ("registry", "no/folder/a.json", "cannot be written"),
    ],
)
def test_what_cannot_be_exported_says_why(
    store: Store, tmp_path: Path, table: str, name: str, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        export_table(store, table, tmp_path / name)


def test_a_file_is_replaced_only_by_a_whole_one(known: Store, tmp_path: Path) -> None:
    put(tmp_path / "out" / "ledger.csv", "old")
    export_table(known, "ledger", tmp_path / "out" / "ledger.csv")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["ledger.csv"]
    head, *rows = (tmp_path / "out" / "ledger.csv").read_text().splitlines()
    assert head.startswith("load_id,path,sha256")
    assert len(rows) == 4 == query(known, "SELECT count(*) FROM ledger")[0][0]
