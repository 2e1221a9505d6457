"""Random fleets as files of the log contract, and what a review of them exports."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import UTC, date, datetime, time
from functools import cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl
from coilbook.analytics.review import review
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.ingest.export import export_table
from coilbook.ingest.kinds import APPLIANCES
from coilbook.ingest.ledger import LedgerRow
from coilbook.ingest.load import load_paths
from coilbook.ingest.schema import FACTS, VERDICTS
from coilbook.ingest.store import Store
from reference.random_fleet import random_fleet
from reference.rows import Fleet

EXAMPLES = max(3, int(os.environ.get("COILBOOK_FUZZ_SEEDS", "30")) // 10)
NOW = datetime(2026, 12, 1, tzinfo=UTC)
LOGS = ("switch", "power", "meter", "status", "service")
REGISTRY = ("sites", "circuits", "windows", "tariffs")
EXPORTED = tuple(table.export for table in (*FACTS, *VERDICTS) if table.export)
ENDINGS = (".csv", ".csv.gz", ".ndjson", ".ndjson.gz")

Row = dict[str, Any]
Exports = dict[str, bytes]


@cache
def fleet_of(seed: int) -> Fleet:
    """A random fleet with appliances of all kinds, its windows within the contract: a day's need at most."""
    fleet, rng = random_fleet(seed), Random(seed)
    kinds = {row.circuit_id: rng.choice(APPLIANCES) for row in fleet.circuits}
    return replace(
        fleet,
        circuits=[replace(row, appliance=kinds[row.circuit_id]) for row in fleet.circuits],
        windows=[
            replace(row, need_minutes=row.need_minutes and min(row.need_minutes, 1440))
            for row in fleet.windows
        ],
    )


def rows_of(fleet: Fleet, kind: str) -> list[Row]:
    """The rows of one kind of file, with the contract's columns and values."""
    found = []
    for record in getattr(fleet, kind):
        row = {name: _cell(value) for name, value in asdict(record).items()}
        if kind in LOGS and kind != "power":
            del row["site_id"]
        if kind == "switch":
            row["state"] = "on" if row.pop("closed") else "off"
        found.append(row)
    return found


def _cell(value: object) -> object:
    if isinstance(value, datetime):
        return f"{value.isoformat()}Z"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, date):
        return value.isoformat()
    return int(value) if isinstance(value, bool) else value


def write(path: Path, rows: Sequence[Row]) -> Path:
    """One file, its form told by its ending."""
    if ".ndjson" in path.name:
        text = "".join(json.dumps(row) + "\n" for row in rows)
    else:
        out = io.StringIO(newline="")
        writer = csv.DictWriter(out, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
        text = out.getvalue()
    path.write_bytes(gzip.compress(text.encode(), 1) if path.suffix == ".gz" else text.encode())
    return path


def write_fleet(folder: Path, fleet: Fleet) -> list[Path]:
    """One CSV file a kind, registry first; kinds without a row are left out."""
    folder.mkdir(parents=True, exist_ok=True)
    kinds = [kind for kind in (*REGISTRY, *LOGS) if getattr(fleet, kind)]
    return [write(folder / f"{kind}.csv", rows_of(fleet, kind)) for kind in kinds]


@contextmanager
def opened() -> Iterator[tuple[Store, Path]]:
    """A new store, and a folder for files."""
    with TemporaryDirectory() as scratch:
        folder = Path(scratch) / "files"
        folder.mkdir()
        with Store.open(Path(scratch) / "store.duckdb", threads=1) as store:
            yield store, folder


def load(store: Store, paths: Sequence[Path]) -> list[LedgerRow]:
    """Load files, none of which may fail."""
    entries = load_paths(store, paths, now=NOW)
    assert not [entry for entry in entries if entry.error]
    return entries


def judged(store: Store, settings: RuleSettings | None = None) -> Exports:
    """Review, and the bytes of every export of facts, findings and cases."""
    review(store, now=NOW.replace(tzinfo=None), settings=settings)
    return exports(store)


def exports(store: Store) -> Exports:
    """The bytes of every export of facts, findings and cases."""
    with TemporaryDirectory() as folder:
        target = Path(folder) / "table.csv"
        found = {}
        for name in EXPORTED:
            export_table(store, name, target)
            found[name] = target.read_bytes()
    return found


@cache
def plain(seed: int) -> Exports:
    """What one load and one review of a fleet's files export."""
    with opened() as (store, folder):
        entries = load(store, write_fleet(folder, fleet_of(seed)))
        assert sum(entry.quarantined for entry in entries) == 0
        found = judged(store)
    assert found["circuit_day"].count(b"\n") > 1
    return found


def frames(found: Exports) -> dict[str, pl.DataFrame]:
    """Exports as frames of text, cases without those withdrawn and without their identity.

    A case keeps the identity it was given by the findings of the morning on which it came up.
    """
    read = {name: pl.read_csv(body, infer_schema=False) for name, body in found.items()}
    cases = read["case"].filter(pl.col("state") != "withdrawn").drop("case_id")
    return {**read, "case": cases.sort("rule", "subject", "first_finding_on")}


def assert_equal(got: Exports, expected: Exports) -> None:
    """Same bytes, table by table; else the lines of one side only."""
    wrong = [_shown(name, got[name], body) for name, body in expected.items() if got[name] != body]
    assert not wrong, "\n".join(wrong)


def assert_equal_frames(got: dict[str, pl.DataFrame], expected: dict[str, pl.DataFrame]) -> None:
    """Same cells, table by table; else the lines of one side only."""
    assert_equal(*({n: f.write_csv().encode() for n, f in side.items()} for side in (got, expected)))


def _shown(name: str, got: bytes, expected: bytes) -> str:
    left, right = ([*side.decode().splitlines()] for side in (got, expected))
    lines = [f"  got      {line}" for line in left if line not in right][:5]
    lines += [f"  expected {line}" for line in right if line not in left][:5]
    return "\n".join([f"{name}: {right[0]}", *lines])
